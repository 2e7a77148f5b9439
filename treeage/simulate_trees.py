"""Virtual trees: establishment dates, height growth and the widths of their rings before any core is taken.

Layer 4. Own derivation: pulses, a species height curve with shared and tree-to-tree factors, log widths
that are stationary in the log ring number.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from treeage.simulate_scenario import Scenario
from treeage.simulate_traits import Species, Wood

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CROWN_CLASSES = ("dominant", "codominant", "intermediate", "suppressed")
CROWN_SHARES = (0.25, 0.4, 0.25, 0.1)  # choice
CROWN_GROWTH = (1.25, 1.0, 0.8, 0.6)  # choice: multiplier of the ring width
CROWN_ABSENT = (0.5, 0.8, 2.0, 5.0)  # choice; the order and rough ratios follow Lorimer, Dahir & Singer 1999
HIGHEST_TAIL = 2.5  # choice: no series varies more than this many times the usual, so that no ring is as wide as a hand
FIRST_MEMORY_RINGS = 8.0  # choice: keeps the slow parts smooth over the first rings


@dataclass(frozen=True)
class Trees:
    """The trees of a virtual stand as arrays, one element a tree.

    Parameters
    ----------
    species_index : numpy.ndarray of int, shape (n,)
        Index into the species of the scenario.
    establishment_year : numpy.ndarray of int, shape (n,)
        First growing season.
    collar_years : numpy.ndarray of int, shape (n,)
        Years hidden by a buried collar.
    slowness : numpy.ndarray, shape (n,)
        Factor on the passing times, shared part included.
    crown_index : numpy.ndarray of int, shape (n,)
        Index into CROWN_CLASSES.
    level_log : numpy.ndarray, shape (n,)
        Log of the tree's ring width level [log mm].
    offset_share : numpy.ndarray, shape (n, 2)
        Pith less geometric centre, along and across the slope, as a share of the inside-bark radius.
    event_index : numpy.ndarray of int, shape (n,)
        Pulse of the tree, -1 for background.
    species_slowness : numpy.ndarray, shape (species,)
        Shared factor on the passing times of each species.
    """

    species_index: Ints
    establishment_year: Ints
    collar_years: Ints
    slowness: Floats
    crown_index: Ints
    level_log: Floats
    offset_share: Floats
    event_index: Ints
    species_slowness: Floats

    @property
    def count(self) -> int:
        """Number of trees.

        Returns
        -------
        int
            How many.
        """
        return self.species_index.size


def passing_time(species: Species, height_m: Floats) -> Floats:
    """Median time at which the tip passes a height.

    Parameters
    ----------
    species : Species
        Gives the median time at 1 m, asymptote and shape.
    height_m : numpy.ndarray, shape (n,)
        Height above the root collar [m], from 0 to below the asymptote.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Seasons from establishment, not whole.

    Notes
    -----
    The height curve is A (1 - exp(-k t))**p; k follows from the median time at 1 m.

    Examples
    --------
    >>> float(passing_time(Species("Larix decidua", years_to_1m=9.0), np.array([1.0]))[0])
    9.0
    """
    share = (np.asarray(height_m) / species.asymptote_m) ** (1 / species.height_shape)
    reference = (1.0 / species.asymptote_m) ** (1 / species.height_shape)
    return np.asarray(species.years_to_1m * np.log1p(-share) / np.log1p(-reference))


def height_at(species: Species, time_yr: Floats) -> Floats:
    """Median height after a time, the inverse of the passing time.

    Parameters
    ----------
    species : Species
        Gives the curve.
    time_yr : numpy.ndarray, shape (n,)
        Seasons since establishment, at least 0.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Height above the root collar [m].

    Examples
    --------
    >>> float(height_at(Species("Larix decidua", years_to_1m=9.0), np.array([9.0]))[0])
    1.0
    """
    reference = (1.0 / species.asymptote_m) ** (1 / species.height_shape)
    rate = -np.log1p(-reference) / species.years_to_1m
    grown = -np.expm1(-rate * np.asarray(time_yr))
    return np.asarray(np.round(species.asymptote_m * grown**species.height_shape, 12))


def years_below(time_yr: Floats) -> Ints:
    """Whole seasons before the one in which the tip passed a height.

    Parameters
    ----------
    time_yr : numpy.ndarray
        Passing time [seasons]; 0 at coring height 0.

    Returns
    -------
    numpy.ndarray of int
        ceil(T) - 1, and 0 where T is 0.

    Examples
    --------
    >>> years_below(np.array([0.0, 0.4, 1.0, 6.5, 7.0])).tolist()
    [0, 0, 0, 6, 6]
    """
    return np.maximum(np.ceil(time_yr).astype(np.int64) - 1, 0)


def _establishment(recipe: Scenario, rng: np.random.Generator) -> tuple[Ints, Ints]:
    shares = np.array([pulse.share for pulse in recipe.pulses], dtype=np.float64)
    event = rng.choice(np.arange(-1, shares.size), size=recipe.trees, p=np.concatenate([[1 - shares.sum()], shares]))
    year = rng.integers(recipe.first_year, recipe.last_year + 1, size=recipe.trees)
    for index, pulse in enumerate(recipe.pulses):
        shape = (pulse.delay_mean_yr / pulse.delay_sd_yr) ** 2
        delay = rng.gamma(shape, pulse.delay_mean_yr / shape, size=recipe.trees)
        year = np.where(event == index, pulse.year + 1 + np.floor(delay).astype(np.int64), year)
    return year.astype(np.int64), event.astype(np.int64)


def draw_trees(recipe: Scenario, rng: np.random.Generator) -> Trees:
    """Draw the trees of a stand.

    Parameters
    ----------
    recipe : Scenario
        The stand to draw.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    Trees
        Everything about the trees that does not depend on a core.

    Notes
    -----
    Trees that would have too few rings at the coring height are moved back in time to the fewest that
    the scenario allows.
    """
    count = recipe.trees
    shares = np.array([each.share for each in recipe.species])
    species = rng.choice(shares.size, size=count, p=shares / shares.sum())
    shared_sd = np.array([each.shared_height_sd for each in recipe.species])
    species_slowness = np.exp(shared_sd * rng.standard_normal(shares.size))
    tree_sd = np.array([each.tree_height_sd for each in recipe.species])[species]
    slowness = species_slowness[species] * np.exp(tree_sd * rng.standard_normal(count))
    crown = rng.choice(len(CROWN_CLASSES), size=count, p=CROWN_SHARES)
    ring_mm = np.array([each.ring_mm for each in recipe.species])[species]
    level = np.log(ring_mm * np.array(CROWN_GROWTH)[crown]) + recipe.wood.level_sd * np.clip(
        rng.standard_normal(count), -2, 2
    )
    along = recipe.stem.offset_mean / np.sqrt(np.pi / 2)  # the mean of a Rayleigh length is sd * sqrt(pi / 2)
    spread = along * np.array([recipe.stem.slope_ratio, 1.0]) / np.sqrt((recipe.stem.slope_ratio**2 + 1) / 2)
    offset = np.clip(spread * rng.standard_normal((count, 2)), -0.6, 0.6)  # choice: the pith stays in the stem
    year, event = _establishment(recipe, rng)
    collar = rng.poisson(recipe.collar_years_mean, size=count) if recipe.collar_years_mean > 0 else np.zeros(count, int)
    height = recipe.coring.height_m + 3 * recipe.coring.height_sd_m
    latest = np.zeros(count, dtype=np.int64)
    for index, each in enumerate(recipe.species):
        late = (
            recipe.outer_year + 1 - recipe.fewest_rings - years_below(slowness * passing_time(each, np.array(height)))
        )
        latest = np.where(species == index, late - collar, latest)
    return Trees(
        species_index=species.astype(np.int64),
        establishment_year=np.minimum(year, latest).astype(np.int64),
        collar_years=collar.astype(np.int64),
        slowness=slowness,
        crown_index=crown.astype(np.int64),
        level_log=level,
        offset_share=offset,
        event_index=event,
        species_slowness=species_slowness,
    )


def slow_part(rings: int, sd: Floats, memory: float, rng: np.random.Generator) -> Floats:
    """Draw slow deviations of the log ring width, stationary in the logarithm of the ring number.

    Parameters
    ----------
    rings : int
        Number of rings.
    sd : numpy.ndarray, shape (n,)
        Standard deviation of each series.
    memory : float
        Correlation length in the logarithm of the ring number.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    numpy.ndarray, shape (n, rings)
        Deviations, innermost ring first.

    Notes
    -----
    An Ornstein-Uhlenbeck process in x = ln(k + k0), k the ring number: neighbours correlate by exp(-dx /
    memory).
    """
    log_ring = np.log(np.arange(rings) + FIRST_MEMORY_RINGS)
    keep = np.exp(-np.diff(log_ring) / memory)
    noise = rng.standard_normal((rings, sd.size))
    series = np.empty((rings, sd.size))
    series[0] = noise[0]
    for ring in range(1, rings):
        series[ring] = keep[ring - 1] * series[ring - 1] + np.sqrt(1 - keep[ring - 1] ** 2) * noise[ring]
    return np.asarray((series * sd).T)


def yearly_part(years: int, series: int, sd: float, autocorrelation: float, rng: np.random.Generator) -> Floats:
    """Draw yearly deviations of the log ring width, first-order autoregressive.

    Parameters
    ----------
    years, series : int
        Number of years and of independent series.
    sd : float
        Standard deviation of the deviations.
    autocorrelation : float
        Correlation of successive years, from -1 to 1.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    numpy.ndarray, shape (series, years)
        Deviations.
    """
    noise = rng.standard_normal((years, series))
    step = np.sqrt(1 - autocorrelation**2)
    for year in range(1, years):
        noise[year] = autocorrelation * noise[year - 1] + step * noise[year]
    return np.asarray(sd * noise.T)


def tail_factor(count: int, df: float, rng: np.random.Generator) -> Floats:
    """Draw factors that turn normal deviations into t deviations of the same standard deviation.

    Parameters
    ----------
    count : int
        How many.
    df : float
        Degrees of freedom, above 2.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    numpy.ndarray, shape (count,)
        sqrt((df - 2) / chi-squared(df)), cut at HIGHEST_TAIL.
    """
    return np.asarray(np.minimum(np.sqrt((df - 2) / rng.chisquare(df, size=count)), HIGHEST_TAIL))


def tree_log_widths(trees: Trees, wood: Wood, rings: int, rng: np.random.Generator) -> Floats:
    """Draw the part of the log ring width that all radii of a tree share, calendar signal and trend excluded.

    Parameters
    ----------
    trees : Trees
        The trees.
    wood : Wood
        Spreads.
    rings : int
        Number of rings of the longest lived tree at its lowest cored section.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    numpy.ndarray, shape (trees, rings)
        Log widths [log mm], innermost ring of the lowest cored section first.
    """
    sd = wood.tree_sd * tail_factor(trees.count, wood.tail_df, rng)
    slow = slow_part(rings, sd, wood.memory, rng)
    return trees.level_log[:, None] + slow + yearly_part(rings, trees.count, wood.tree_year_sd, wood.year_ar, rng)


def trend_log(wood: Wood, rings: int) -> Floats:
    """Trend of the log ring width with the ring number.

    Parameters
    ----------
    wood : Wood
        Drop and time constant.
    rings : int
        Number of rings.

    Returns
    -------
    numpy.ndarray, shape (rings,)
        0 at the pith, falling by the drop.
    """
    return np.asarray(-wood.trend_drop * -np.expm1(-np.arange(rings) / wood.trend_years))
