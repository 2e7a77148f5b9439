"""Virtual trees: establishment dates, height growth and the widths of their rings before any core is taken.

Own derivation: pulses, a species height curve with shared and tree-to-tree factors, log widths
that are stationary in the log ring number.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from treeage.simulate.scenarios import Coring, Scenario, Species, Wood

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


Flags = NDArray[np.bool_]

FEWEST_VISIBLE = 8  # choice: a core with fewer rings would not be kept
NARROW_YEARS = 1.0  # choice: absent rings are e times likelier one standard deviation down


@dataclass(frozen=True)
class Sections:
    """The cored cross-sections, one element a core; cores at one height of a tree share their section.

    Parameters
    ----------
    tree : numpy.ndarray of int, shape (cores,)
        Index of the tree.
    number : numpy.ndarray of int, shape (cores,)
        Number of the core within its tree, from 0.
    height_m : numpy.ndarray, shape (cores,)
        Coring height above the root collar [m].
    years_below : numpy.ndarray of int, shape (cores,)
        Years to coring height.
    pith_year : numpy.ndarray of int, shape (cores,)
        Year of ring 1.
    rings : numpy.ndarray of int, shape (cores,)
        Rings from the pith to the bark.
    """

    tree: Ints
    number: Ints
    height_m: Floats
    years_below: Ints
    pith_year: Ints
    rings: Ints


@dataclass(frozen=True)
class Cores:
    """The cores as they lie in the stem, one element a core.

    Parameters
    ----------
    sections : Sections
        Where they were taken.
    widths_mm : numpy.ndarray, shape (cores, rings)
        True radial widths [mm] along the core's own radius, innermost first; 0 for absent rings and past
        the bark.
    radius_mm : numpy.ndarray, shape (cores,)
        Mean inside-bark radius of the section [mm].
    azimuth_deg, tilt_deg : numpy.ndarray, shape (cores,)
        Direction of entry and tilt [degree].
    miss_mm : numpy.ndarray, shape (cores,)
        Distance of the core's line to the pith [mm].
    passes : numpy.ndarray of bool, shape (cores,)
        Whether the core reaches past the point nearest to the pith.
    missed_rings : numpy.ndarray of int, shape (cores,)
        Rings inside the innermost counted ring.
    distance_mm : numpy.ndarray, shape (cores,)
        Distance from the inner boundary of the innermost counted ring to the pith [mm].
    length_mm : numpy.ndarray, shape (cores,)
        Horizontal length from the last ring to that boundary, along the core [mm].
    stop : numpy.ndarray of str, shape (cores,)
        What ended the core: pith, passed, short, rot or broken.
    """

    sections: Sections
    widths_mm: Floats
    radius_mm: Floats
    azimuth_deg: Floats
    tilt_deg: Floats
    miss_mm: Floats
    passes: Flags
    missed_rings: Ints
    distance_mm: Floats
    length_mm: Floats
    stop: NDArray[np.str_]


def draw_sections(recipe: Scenario, trees: Trees, rng: np.random.Generator) -> Sections:
    """Choose coring heights and find the pith year at each.

    Parameters
    ----------
    recipe : Scenario
        Coring practice and species.
    trees : Trees
        The trees.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    Sections
        One element a core, the cores of a tree next to each other.
    """
    coring = recipe.coring
    tree = np.repeat(np.arange(trees.count), coring.cores_per_tree)
    number = np.tile(np.arange(coring.cores_per_tree), trees.count)
    first = coring.height_m + coring.height_sd_m * np.clip(rng.standard_normal(trees.count), -2, 3)
    height = np.asarray(np.round(np.maximum(first, 0.1), 2)[tree], dtype=np.float64)
    if coring.second_height_m > 0:
        height = np.where(number % 2 == 1, coring.second_height_m, height)
    time = np.zeros(tree.size)
    for index, each in enumerate(recipe.species):
        time = np.where(trees.species_index[tree] == index, passing_time(each, height), time)
    below = years_below(time * trees.slowness[tree])
    pith_year = trees.establishment_year[tree] + trees.collar_years[tree] + below
    return Sections(tree, number, height, below, pith_year, recipe.outer_year - pith_year + 1)


def draw_widths(
    recipe: Scenario, trees: Trees, sections: Sections, *, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Draw the ring widths of every section and every core.

    Parameters
    ----------
    recipe : Scenario
        Wood and reading parameters.
    trees : Trees
        The trees.
    sections : Sections
        The cored sections.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    section_mm : numpy.ndarray, shape (cores, rings)
        Mean widths of the section [mm], innermost first, 0 past the bark.
    core_mm : numpy.ndarray, shape (cores, rings)
        Widths along the core before scaling to its radius [mm], 0 for rings that are locally absent.

    Notes
    -----
    Log width = trend(ring) + stand(ring) + tree(ring) + signal(year) + core(ring), each slow part
    stationary in the log ring number, each yearly part first-order autoregressive.
    """
    wood, longest = recipe.wood, int(sections.rings.max())
    lowest = np.full(trees.count, np.iinfo(np.int64).max)
    np.minimum.at(lowest, sections.tree, sections.pith_year)
    ring = np.arange(longest)
    offset = (sections.pith_year - lowest[sections.tree])[:, None] + ring
    inside = ring < sections.rings[:, None]
    tree_part = tree_log_widths(trees, wood, longest, rng)
    stand = slow_part(longest, np.array([wood.stand_sd]), wood.memory, rng)[0] + trend_log(wood, longest)
    signal = yearly_part(longest, 1, wood.signal_sd, wood.signal_ar, rng)[0]
    year = sections.pith_year[:, None] + ring - (recipe.outer_year - longest + 1)
    log_section = tree_part[sections.tree[:, None], np.minimum(offset, longest - 1)] + stand
    yearly = signal[np.clip(year, 0, longest - 1)]
    log_section += yearly
    core_sd = wood.core_sd * tail_factor(sections.tree.size, wood.tail_df, rng)
    core_year = yearly_part(longest, sections.tree.size, wood.core_year_sd, wood.year_ar, rng)
    log_core = log_section + slow_part(longest, core_sd, wood.memory, rng) + core_year
    species_factor = np.array([each.absent_factor for each in recipe.species])[trees.species_index]
    rate = recipe.reading.absent_rate * (species_factor * np.array(CROWN_ABSENT)[trees.crown_index])[sections.tree]
    down = -(yearly + core_year) / np.hypot(wood.signal_sd, wood.core_year_sd)
    chance = rate[:, None] * np.exp(NARROW_YEARS * down - NARROW_YEARS**2 / 2)
    absent = (rng.random(chance.shape) < chance) & inside & (ring > 0) & (ring < sections.rings[:, None] - 1)
    core_mm = np.where(inside & ~absent, np.exp(log_core), 0.0)
    return np.where(inside, np.exp(log_section), 0.0), core_mm


def core_line(
    pith_mm: Floats, *, azimuth_deg: Floats, aim_deg: Floats, entry_mm: Floats
) -> tuple[Floats, Floats, Floats]:
    """Where a core's line passes the pith.

    Parameters
    ----------
    pith_mm : numpy.ndarray, shape (n, 2)
        Position of the pith relative to the geometric centre [mm].
    azimuth_deg : numpy.ndarray, shape (n,)
        Direction from the centre to the point of entry [degree].
    aim_deg : numpy.ndarray, shape (n,)
        Angle between the line and the centre as seen from the point of entry [degree].
    entry_mm : numpy.ndarray, shape (n,)
        Distance of the point of entry from the centre [mm].

    Returns
    -------
    along_mm, miss_mm, own_radius_mm : numpy.ndarray, each shape (n,)
        Way along the core to the point nearest to the pith, distance there, and pith to point of entry [mm].

    Examples
    --------
    A pith 5 mm aside of a core through the centre of a stem of 100 mm.

    >>> one = np.ones(1)
    >>> pith = np.array([[0.0, 5.0]])
    >>> along, miss, own = core_line(pith, azimuth_deg=0 * one, aim_deg=0 * one, entry_mm=100 * one)
    >>> float(along[0]), float(miss[0]), round(float(own[0]), 3)
    (100.0, 5.0, 100.125)
    """
    angle = np.deg2rad(azimuth_deg)
    aim = angle + np.deg2rad(aim_deg)
    entry = entry_mm[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    direction = -np.stack([np.cos(aim), np.sin(aim)], axis=1)
    to_pith = pith_mm - entry
    along = (to_pith * direction).sum(axis=1)
    miss = np.abs(to_pith[:, 0] * direction[:, 1] - to_pith[:, 1] * direction[:, 0])
    return along, miss, np.hypot(to_pith[:, 0], to_pith[:, 1])


def _ends(
    coring: Coring,
    sections: Sections,
    along: Floats,
    *,
    miss: Floats,
    radius: Floats,
    again: Flags,
    rng: np.random.Generator,
) -> tuple[Floats, NDArray[np.str_]]:
    """How far each core reaches [mm] and what stopped it."""
    count = along.size
    stop = np.full(count, "passed", dtype="<U6")
    reach = np.where(again, along, np.minimum(radius + coring.past_centre_mm, coring.borer_mm - 0.08 * radius))
    stop[reach < along] = "short"
    trees = int(sections.tree.max()) + 1
    low, high = coring.rot_range
    rot_share = np.where(rng.random(trees) < coring.rot_share, rng.uniform(low, high, trees), 0.0)[sections.tree]
    rot_mm = rot_share * radius
    to_rot = along - np.sqrt(np.maximum(rot_mm**2 - miss**2, 0.0))
    low, high = coring.short_range
    cuts = [
        ("short", ~again & (rng.random(count) < coring.short_share), along * rng.uniform(low, high, count)),
        ("broken", ~again & (rng.random(count) < coring.broken_share), along * rng.uniform(0.6, 0.95, count)),
        ("rot", rot_mm > miss, to_rot),
    ]
    for name, holds, where in cuts:
        sooner = holds & (where < np.minimum(reach, along))
        reach, stop = np.where(sooner, where, reach), np.where(sooner, name, stop)
    return reach, stop


def _innermost(widths: Floats, rings: Ints, seen_mm: Floats) -> tuple[Ints, Floats]:
    """Rings missed, and inner radius of the innermost ring that lies outside of what is seen."""
    boundary = np.cumsum(widths, axis=1)
    inner = np.concatenate([np.zeros((rings.size, 1)), boundary[:, :-1]], axis=1)
    missed = np.minimum((inner < seen_mm[:, None] - 1e-12).sum(axis=1), rings - FEWEST_VISIBLE)
    rows = np.arange(rings.size)
    for _ in range(FEWEST_VISIBLE - 1):  # an absent ring cannot be the innermost one
        missed = np.where(widths[rows, missed] == 0, missed + 1, missed)
    return missed.astype(np.int64), inner[rows, missed]


def draw_cores(recipe: Scenario, trees: Trees, rng: np.random.Generator) -> Cores:
    """Take the cores of a stand.

    Parameters
    ----------
    recipe : Scenario
        Everything about wood, stems and coring.
    trees : Trees
        The trees.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    Cores
        True widths, true distances to the pith and what ended each core.

    Notes
    -----
    The borer enters at the azimuth, aims at the geometric centre with an error and runs on a straight line.
    A ring counts when the line crosses its inner boundary; the core holds the pith when the line passes
    within half of the core's own diameter. Rings are circles about the pith; each core's widths are scaled
    so that they add up to its own radius.
    """
    coring = recipe.coring
    sections = draw_sections(recipe, trees, rng)
    section_mm, widths = draw_widths(recipe, trees, sections, rng=rng)
    count = sections.tree.size
    radius = section_mm.sum(axis=1)
    entry = radius * (1 + recipe.stem.out_of_round_sd * rng.standard_normal(count))
    first = rng.uniform(0, 360, trees.count)
    azimuth = (first[sections.tree] + coring.angle_deg * sections.number) % 360
    aim = coring.aim_sd_deg * rng.standard_normal(count)
    pith = trees.offset_share[sections.tree] * radius[:, None]
    along, miss, own = core_line(pith, azimuth_deg=azimuth, aim_deg=aim, entry_mm=entry)
    again = rng.random(count) < coring.hit_share
    along, miss = np.where(again, own, along), np.where(again, 0.0, miss)
    widths = widths * (own / widths.sum(axis=1))[:, None]
    reach, stop = _ends(coring, sections, along, miss=miss, radius=radius, again=again, rng=rng)
    passes = stop == "passed"
    pith_held = passes & (miss <= coring.core_diameter_mm / 2)
    seen = np.where(passes, miss, np.hypot(along - reach, miss))
    missed, distance = _innermost(widths, sections.rings, np.where(pith_held, 0.0, seen))
    across = np.where(pith_held, 0.0, miss)
    tilted = rng.random(count) < coring.tilt_share
    tilt = np.where(tilted, np.clip(coring.tilt_sd_deg * rng.standard_normal(count), -25, 25), 0.0)
    return Cores(
        sections=sections,
        widths_mm=widths,
        radius_mm=radius,
        azimuth_deg=np.round(azimuth, 0),
        tilt_deg=np.asarray(np.round(tilt, 0), dtype=np.float64),
        miss_mm=miss,
        passes=passes,
        missed_rings=missed,
        distance_mm=distance,
        length_mm=along - np.sqrt(np.maximum(distance**2 - across**2, 0.0)),
        stop=np.where(pith_held & (missed == 0), "pith", stop),
    )
