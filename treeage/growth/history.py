"""From ring widths to radii, basal-area increments and diameters by year: of arrays, and of one tree.

Circle geometry; the proportional and subtractive past diameters follow Bakker (2005); own derivation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from treeage import priors
from treeage.display import Result
from treeage.distance import turned_to_pith
from treeage.errors import (
    Fault,
    InputError,
    public,
    require_at_most,
    require_nonnegative,
    require_positive,
    require_probability,
    require_seed,
    require_whole,
    show,
)
from treeage.growth.section import (
    CoreRadii,
    agreeing_draws,
    missed_draws,
    section_curve,
    stem_factor,
)
from treeage.pmf import freeze_arrays, interval_levels
from treeage.schema import LATEST_YEAR, Word

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

THICKEST_BARK = 0.9  # choice: no draw of the bark takes more of the radius
MOST_DRAWS = 100_000  # choice: draws of one tree, for the memory
MORE_DRAWS = 5  # choice: distances drawn for each one kept, so that those that agree with the other cores are enough
HIDDEN_LIKE = 10  # choice: the hidden wood of a core is to its section as its first rings are


class RadiusMean(Word):
    """How several radii of one cross-section combine."""

    ARITHMETIC = "arithmetic"
    QUADRATIC = "quadratic"
    GEOMETRIC = "geometric"


# ------------------------------------------------------------------ formulas


def ring_radii(widths_mm: ArrayLike, *, pith_distance_mm: ArrayLike = 0.0) -> Array:
    """Radius at the outer boundary of every ring, counted out from the pith.

    Parameters
    ----------
    widths_mm : array-like, shape (n,)
        Ring widths [mm], innermost first, at least 0 (0: a dated ring that is absent here).
    pith_distance_mm : array-like, shape () or (draws,), default 0.0
        Distance from the pith to the inner boundary of the innermost ring [mm], at least 0 (0: the core
        holds the pith).

    Returns
    -------
    numpy.ndarray, shape (n,) or (draws, n)
        Inside-bark radius [mm] at the end of each ring.

    Raises
    ------
    InputError
        If a width or a distance is negative or not finite.

    Notes
    -----
    r_t = d + w_1 + ... + w_t. The widths must be horizontal: multiply those of a tilted core by the cosine
    of its tilt.

    Examples
    --------
    >>> ring_radii([2.0, 1.0, 3.0], pith_distance_mm=4.0).tolist()
    [6.0, 7.0, 10.0]
    """
    widths, distance = require_nonnegative("ring_radii", widths_mm=widths_mm, pith_distance_mm=pith_distance_mm)
    return np.asarray(distance[..., None] + np.cumsum(widths))


def mean_radius(radii_mm: ArrayLike, *, mean: str = "arithmetic") -> Array:
    """Mean of several radii of one cross-section.

    Parameters
    ----------
    radii_mm : array-like, shape (..., k)
        Radii [mm], at least 0; the last axis runs over the k cores.
    mean : {"arithmetic", "quadratic", "geometric"}, default "arithmetic"
        Kind of mean; the default is right for the two opposite cores that are usual, see the notes.

    Returns
    -------
    numpy.ndarray, shape (...)
        Mean radius [mm].

    Raises
    ------
    InputError
        If a radius is below 0 or the kind of mean is unknown.

    Notes
    -----
    Two opposite radii through a pith that lies off centre along their line make up one diameter of a circular stem:
    their arithmetic mean is exact. A pith off across the line leaves a chord: at a tenth of the radius the mean is
    0.5 % short, at a fifth 2 %. Several radii spread evenly round the stem sample the area (1/2) * integral of r**2
    over the angle: their quadratic mean is exact for the area. The geometric mean is for an ellipse known by its
    half axes.

    Examples
    --------
    >>> [round(float(mean_radius([180, 140], mean=kind)), 1) for kind in ("arithmetic", "quadratic", "geometric")]
    [160.0, 161.2, 158.7]
    """
    (radii,) = require_nonnegative("mean_radius", radii_mm=radii_mm)
    if mean == RadiusMean.ARITHMETIC:
        return np.asarray(radii.mean(axis=-1))
    if mean == RadiusMean.QUADRATIC:
        return np.asarray(np.sqrt(np.mean(radii**2, axis=-1)))
    if mean == RadiusMean.GEOMETRIC:
        with np.errstate(divide="ignore"):
            return np.asarray(np.exp(np.mean(np.log(radii), axis=-1)))
    raise InputError(Fault(show(mean), f"one of {', '.join(RadiusMean)}", "Choose one.", "mean_radius", 0, "mean"))


def basal_area_increment(
    widths_mm: ArrayLike,
    *,
    inner_radius_mm: ArrayLike | None = None,
    outer_radius_mm: ArrayLike | None = None,
) -> Array:
    """Area of wood added by each ring of a circular stem.

    Parameters
    ----------
    widths_mm : array-like, shape (n,)
        Ring widths [mm], innermost first, at least 0.
    inner_radius_mm : array-like, shape () or (draws,), optional
        Distance from the pith to the innermost ring [mm]: the increments are built from the inside out.
    outer_radius_mm : array-like, shape () or (draws,), optional
        Inside-bark radius [mm] at the outermost ring: the increments are built from the outside in. Give one
        of the two.

    Returns
    -------
    numpy.ndarray, shape (n,) or (draws, n)
        Increment [mm2] of each ring, never negative.

    Raises
    ------
    InputError
        If not exactly one radius is given, a value is negative, or the widths sum to more than the outer
        radius.

    Notes
    -----
    pi * (R_t**2 - R_(t-1)**2) [1]_. The error of the radius is shared by all rings of a core: carry it as
    draws.

    References
    ----------
    .. [1] Biondi, F. (1999). Comparing tree-ring chronologies and repeated timber inventories as forest
       monitoring tools. Ecological Applications 9:216-227. (Cited from memory.)

    Examples
    --------
    A ring from 148 to 150 mm.

    >>> basal_area_increment([2.0], inner_radius_mm=148.0).round(1).tolist()
    [1872.4]
    """
    where = "basal_area_increment"
    (widths,) = require_nonnegative(where, widths_mm=widths_mm)
    if (inner_radius_mm is None) == (outer_radius_mm is None):
        got = "neither radius" if inner_radius_mm is None else "both radii"
        raise InputError(Fault(got, "one radius [mm]", "Give the one you measured.", where, 0, "inner_radius_mm"))
    if inner_radius_mm is not None:
        (inner,) = require_nonnegative(where, inner_radius_mm=inner_radius_mm)
    else:
        (outer,) = require_positive(where, outer_radius_mm=outer_radius_mm if outer_radius_mm is not None else 0.0)
        inner = outer - widths.sum()
        if np.any(inner < -1e-9):
            need = f"at least the {widths.sum():g} mm that the widths sum to"
            do = "Check units and bark, or use inner_radius_mm."
            raise InputError(Fault(show(float(outer.min())), need, do, where, 0, "outer_radius_mm"))
        inner = np.maximum(inner, 0.0)
    ends = ring_radii(widths, pith_distance_mm=inner)
    return _ring_areas(np.concatenate([inner[..., None], ends[..., :-1]], axis=-1), ends)


def _ring_areas(start: Array, end: Array) -> Array:
    """Areas of rings between the radii at which they start and end, in the square of their unit."""
    return np.asarray(np.pi * (end**2 - start**2))


def inside_bark_diameter(diameter_cm: ArrayLike, bark_mm: ArrayLike) -> Array:
    """Diameter inside the bark from the diameter outside it and the single bark thickness.

    Parameters
    ----------
    diameter_cm : array-like
        Diameter outside the bark [cm], above 0.
    bark_mm : array-like
        Single bark thickness [mm], at least 0 and less than half the diameter.

    Returns
    -------
    numpy.ndarray
        Diameter inside the bark [cm].

    Raises
    ------
    InputError
        If a value is out of range or the bark is thicker than the stem.

    Notes
    -----
    D - 2 b: the bark is passed twice. A measured bark beats any table; a table's error is 20-30 % of the
    double bark.

    Examples
    --------
    >>> float(inside_bark_diameter(40.0, 18.0))
    36.4
    """
    where = "inside_bark_diameter"
    (diameter,) = require_positive(where, diameter_cm=diameter_cm)
    (bark,) = require_nonnegative(where, bark_mm=bark_mm)
    inside = diameter - 0.2 * bark
    if np.any(inside <= 0):
        got = f"{float(np.max(np.broadcast_to(bark, inside.shape)[inside <= 0])):g} mm"
        need, do = "less than half the diameter [mm]", "Check the unit and single thickness."
        raise InputError(Fault(got, need, do, where, 0, "bark_mm"))
    return np.asarray(inside)


def past_diameter_proportional(
    diameter_inside_cm: ArrayLike, *, radius_then_mm: ArrayLike, radius_now_mm: ArrayLike
) -> Array:
    """Past diameter as the share of the core's radius that had been reached.

    Parameters
    ----------
    diameter_inside_cm : array-like
        Present diameter inside the bark [cm], above 0.
    radius_then_mm : array-like
        Distance on the core from the pith to the ring of the past date [mm], at least 0.
    radius_now_mm : array-like
        Whole radius on the core from the pith to the bark [mm], above 0, at least radius_then_mm.

    Returns
    -------
    numpy.ndarray
        Past diameter inside the bark [cm], never negative.

    Raises
    ------
    InputError
        If a value is out of range or the past radius is larger than the present one.

    Notes
    -----
    D_t = D * r_t / R [1]_: right when the stem grew in the same proportion on every side; needs the distance
    to the pith.

    References
    ----------
    .. [1] Bakker, J. D. (2005). A new, proportional method for reconstructing historical tree diameters.
       Canadian Journal of Forest Research 35:2515-2520. (The idea from the abstract; the algebra is our
       own.)

    Examples
    --------
    >>> float(past_diameter_proportional(30.0, radius_then_mm=90.0, radius_now_mm=130.0).round(2))
    20.77
    """
    where = "past_diameter_proportional"
    diameter, now = require_positive(where, diameter_inside_cm=diameter_inside_cm, radius_now_mm=radius_now_mm)
    (then,) = require_nonnegative(where, radius_then_mm=radius_then_mm)
    if np.any(then > now * (1 + 1e-9)):
        got = show(float(np.max(then)))
        raise InputError(Fault(got, "at most radius_now_mm [mm]", "Swap the two radii?", where, 0, "radius_then_mm"))
    return np.asarray(diameter * then / now)


def past_diameter_subtractive(diameter_inside_cm: ArrayLike, *, growth_since_mm: ArrayLike) -> Array:
    """Past diameter as the present one less twice the growth since.

    Parameters
    ----------
    diameter_inside_cm : array-like
        Present diameter inside the bark [cm], above 0.
    growth_since_mm : array-like
        Sum of the ring widths since the past date on the core [mm], at least 0.

    Returns
    -------
    numpy.ndarray
        Past diameter inside the bark [cm]; NaN where the subtraction would give less than 0, since the core
        then lies on the long side of an off-centre pith and the method has no answer.

    Raises
    ------
    InputError
        If a value is out of range.

    Notes
    -----
    D_t = D - 2 * growth [1]_: right when the core's growth is that of the mean radius. It needs no distance
    to the pith. Use it beside `past_diameter_proportional`; where the two part, the pith is off centre.

    References
    ----------
    .. [1] Bakker, J. D. (2005). A new, proportional method for reconstructing historical tree diameters.
       Canadian Journal of Forest Research 35:2515-2520. (Abstract.)

    Examples
    --------
    >>> past_diameter_subtractive([30.0, 30.0], growth_since_mm=[40.0, 160.0]).tolist()
    [22.0, nan]
    """
    where = "past_diameter_subtractive"
    (diameter,) = require_positive(where, diameter_inside_cm=diameter_inside_cm)
    (growth,) = require_nonnegative(where, growth_since_mm=growth_since_mm)
    past = diameter - 0.2 * growth
    return np.asarray(np.where(past >= 0, past, np.nan))


# ------------------------------------------------------------------ one tree


@dataclass(frozen=True)
class CoreWidths:
    """Ring widths of one core, with what is known of its distance to the pith.

    Parameters
    ----------
    years : array-like of int, shape (n,)
        Ring years, innermost first, consecutive.
    widths_mm : array-like, shape (n,)
        Ring widths [mm], at least 0. Leave out an outer ring that is incomplete (beyond_mm).
    pith_distance_mm : float or array-like, shape (draws,), default 0.0
        Distance from the pith to the inner boundary of the innermost ring [mm]; an array holds draws of it.
    pith_distance_sd_mm : float, default 0.0
        Standard deviation of a single distance [mm]; not used with draws.
    miss_mm : float or array-like, shape (draws,), default 0.0
        For widths measured along the core: how far its line passes beside the pith [mm], as values that go with those
        of the distance. 0: the widths are square to the rings.
    beyond_mm : float or array-like, shape (draws,), default 0.0
        Wood between the outermost ring given and the bark [mm]: an incomplete ring, or rings lost.
    beyond_rings : int, default 0
        Whole rings in that wood; their years are filled in evenly and marked as shown by no core.
    azimuth_deg : float, optional
        Direction of the core [degrees]; unknown by default.
    genus : str, optional
        Genus, for the rings missed.

    Raises
    ------
    InputError
        If the years are not whole or not consecutive, the lengths differ, there are no draws in an array of them, or a
        value is negative.

    Examples
    --------
    >>> CoreWidths([2001, 2002], [1.5, 2.0], pith_distance_mm=5.0).outer_year
    2002
    """

    years: ArrayLike
    widths_mm: ArrayLike
    pith_distance_mm: ArrayLike = 0.0
    pith_distance_sd_mm: float = 0.0
    miss_mm: ArrayLike = 0.0
    beyond_mm: ArrayLike = 0.0
    beyond_rings: int = 0
    azimuth_deg: float = float("nan")
    genus: str | None = None

    def __post_init__(self) -> None:
        (given,) = require_at_most("CoreWidths", LATEST_YEAR, years=self.years)
        if np.any((given != np.round(given)) | (given < -LATEST_YEAR)):
            got, do = show(float(given[(given != np.round(given)) | (given < -LATEST_YEAR)][0])), "Correct the years."
            raise InputError(Fault(got, "whole years", do, "CoreWidths", 0, "years"))
        years = given.astype(np.int64)
        require_whole("CoreWidths", "beyond_rings", self.beyond_rings, 0)
        names = ("widths_mm", "pith_distance_mm", "pith_distance_sd_mm", "miss_mm", "beyond_mm")
        values = require_nonnegative("CoreWidths", **{name: getattr(self, name) for name in names})
        if years.ndim != 1 or years.shape != values[0].shape or years.size == 0:
            got = f"{years.size} years and {values[0].size} widths"
            raise InputError(Fault(got, "one width [mm] for each year", "Align the two.", "CoreWidths", 0, "years"))
        if np.any(np.diff(years) != 1):
            step = int(np.argmax(np.diff(years) != 1))
            got = f"{years[step]} followed by {years[step + 1]}"
            do = "Enter an absent ring as width 0."
            raise InputError(Fault(got, "consecutive years", do, "CoreWidths", 0, "years"))
        for name, value in zip(names[1:], values[1:], strict=True):
            if value.ndim > 1 or not value.size:
                got, do = f"shape {value.shape}", "Pass a number, or one row of draws."
                raise InputError(Fault(got, "one value or a row of draws [mm]", do, "CoreWidths", 0, name))
        object.__setattr__(self, "years", years)
        for name, value in zip(names, values, strict=True):
            if name != "pith_distance_sd_mm":
                object.__setattr__(self, name, value)
        freeze_arrays(self)

    @property
    def outer_year(self) -> int:
        """Year of the outermost ring."""
        return int(np.asarray(self.years)[-1])

    def distance_draws(self, count: int, rng: np.random.Generator) -> Array:
        """Draws of the distance to the pith [mm], at least 0, shape (count,).

        A single distance with a standard deviation is drawn from the gamma distribution with these two moments (choice:
        never negative, skewed to the right as arc readings are).
        """
        return self._inner_draws(count, rng)[0]

    def _inner_draws(self, count: int, rng: np.random.Generator) -> tuple[Array, Array]:
        """Draws of distance and miss that go together."""
        distance, miss = np.asarray(self.pith_distance_mm), np.asarray(self.miss_mm)
        if distance.ndim:
            place = rng.integers(distance.size, size=count)
            return distance[place], miss[place % miss.size] if miss.ndim else np.full(count, float(miss))
        drawn = np.full(count, float(distance))
        if self.pith_distance_sd_mm > 0 and distance > 0:
            scale = self.pith_distance_sd_mm**2 / float(distance)
            drawn = rng.gamma(float(distance) / scale, scale, size=count)
        return drawn, np.resize(miss, count).astype(np.float64)


@dataclass(frozen=True)
class GrowthHistory(Result):
    """Growth of one tree by year, as draws; from `growth_history` or `field_growth`.

    Parameters
    ----------
    years : numpy.ndarray of int, shape (n,)
        Ring years.
    cores : numpy.ndarray of int, shape (n,)
        Number of cores that show the year; 0 for rings lost outside, whose wood is filled in evenly.
    radius_mm : numpy.ndarray, shape (draws, n)
        Inside-bark radius of the section on the scale of the cores at the end of each year [mm]; never falls.
    diameter_cm : numpy.ndarray, shape (draws, n)
        Diameter inside the bark [cm]: proportional method when a present diameter is known, else twice the
        radius.
    diameter_subtractive_cm : numpy.ndarray, shape (draws, n)
        Diameter inside the bark by subtraction [cm]; NaN where it has no answer or no present diameter is
        known.
    diameter_outside_cm : numpy.ndarray, shape (draws, n)
        Diameter outside the bark [cm]; NaN without a present diameter.
    increment_cm2 : numpy.ndarray, shape (draws, n)
        Basal-area increment [cm2].
    ring_mm : numpy.ndarray, shape (n,)
        Typical ring of the cores by year [mm], without a step where a core comes in.
    start_cm, now_cm : numpy.ndarray, shape (draws,)
        Diameter inside the bark at the start of the first ring, and at the bark [cm].
    now_outside_cm : numpy.ndarray, shape (draws,)
        Diameter outside the bark today [cm]; NaN without a present diameter.
    missed_rings : numpy.ndarray, shape (draws,)
        Rings between the pith and the first ring of `years`.
    count_ratio : numpy.ndarray, shape (draws,)
        True over counted rings; 1 where the years are sure.
    scale : float
        Present radius from the diameter over the radius on the cores (median); far from 1: an off-centre
        pith, a core from another height, or a wrong unit. NaN without a diameter.
    prob : float
        Probability of the printed intervals.
    """

    _digits = 2

    years: Ints
    cores: Ints
    radius_mm: Array
    diameter_cm: Array
    diameter_subtractive_cm: Array
    diameter_outside_cm: Array
    increment_cm2: Array
    ring_mm: Array
    start_cm: Array
    now_cm: Array
    now_outside_cm: Array
    missed_rings: Array
    count_ratio: Array
    scale: float
    prob: float

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def pith_year(self) -> Array:
        """Draws of the year of the first ring round the pith, shape (draws,)."""
        counted = self.years[-1] + 1 - self.years[0]
        return np.asarray(np.rint(self.years[-1] + 1 - counted * self.count_ratio) - self.missed_rings)

    def at(self, year: int) -> Array:
        """Draws of the inside-bark diameter at the end of a year.

        Parameters
        ----------
        year : int
            Calendar year.

        Returns
        -------
        numpy.ndarray, shape (draws,)
            Diameter [cm]; from 0 at the pith to the first ring as if that wood had grown evenly, NaN where the year
            lies before the pith; that of today after the last ring.

        Notes
        -----
        A year is that of the calendar: where the rings were counted, it falls on another ring in every draw.
        """
        return self._read(year, self.start_cm, self.diameter_cm, self.now_cm)

    def outside_at(self, year: int) -> Array:
        """Draws of the diameter outside the bark at the end of a year [cm], (draws,), as `at`; NaN without a bark."""
        first = self.start_cm * self.diameter_outside_cm[:, 0] / np.maximum(self.diameter_cm[:, 0], 1e-9)
        return self._read(year, first, self.diameter_outside_cm, self.now_outside_cm)

    def _read(self, year: int, start: Array, by_year: Array, now: Array) -> Array:
        """Values of the ring curves at a calendar year; with 0 at the pith."""
        last, draws = int(self.years[-1]), np.arange(start.size)
        if year > last:
            return np.array(now)
        place = by_year.shape[1] - (last - year) / self.count_ratio  # rings since the start of the first one
        table = np.concatenate([start[:, None], by_year], axis=1)
        inside = np.clip(place, 0, by_year.shape[1])
        low = np.minimum(inside.astype(np.int64), by_year.shape[1] - 1)
        value = table[draws, low] + (inside - low) * (table[draws, low + 1] - table[draws, low])
        hidden = start * (self.missed_rings + place) / np.maximum(self.missed_rings, 1)
        value = np.where(place < 0, hidden, value)
        return np.asarray(np.where(place + self.missed_rings > 1e-9, value, np.nan))

    def calendar_years(self, year: int) -> Array:
        """Draws of the calendar year of the ring that `years`, `series` and so an event call by a year.

        Parameters
        ----------
        year : int
            Year of a ring as counted.

        Returns
        -------
        numpy.ndarray, shape (draws,)
            Calendar years, whole; all the same where the cores are crossdated.

        Notes
        -----
        The error of the count is spread evenly over the rings of the core, so it grows from the bark inwards.

        Examples
        --------
        >>> tree = growth_history([CoreWidths([2001, 2002, 2003], [2.0, 2.0, 1.0], pith_distance_mm=5.0)], count=3)
        >>> tree.calendar_years(2002).tolist()
        [2002.0, 2002.0, 2002.0]
        """
        return np.asarray(np.rint(self.years[-1] - (self.years[-1] - year) * self.count_ratio))

    def series(self) -> CoreWidths:
        """Ring series of the tree, for releases and origin.

        Returns
        -------
        CoreWidths
            Typical ring of the cores by year [mm] from the second year on, with draws of the distance to the pith. A
            core that comes in later makes no step: what it adds to the level is taken back. Years are those of the
            rings as counted; `calendar_years` has the error of the count. Where no core shows some years in between,
            the rings after them.

        Raises
        ------
        InputError
            If fewer than two rings in a row are shown.

        Examples
        --------
        >>> tree = growth_history([CoreWidths([2001, 2002, 2003], [2.0, 2.0, 1.0], pith_distance_mm=5.0)])
        >>> np.asarray(tree.series().widths_mm).tolist()
        [2.0, 1.0]
        """
        shown = np.flatnonzero(self.cores > 0)
        shown = shown[np.flatnonzero(np.diff(shown, prepend=-2) > 1)[-1] :] if shown.size else shown
        if shown.size < 2:
            got, need = f"{shown.size} ring(s)", "at least 2 rings"
            raise InputError(Fault(got, need, "Leave this tree out.", "GrowthHistory.series", 0, "years"))
        start = self.radius_mm[:, shown[0]]
        return CoreWidths(self.years[shown[1:]], self.ring_mm[shown[1:]], pith_distance_mm=start)

    def to_frame(self) -> pd.DataFrame:
        """One row a year: cores that show it, then median, lo and hi of each quantity, unit in the name."""
        columns: dict[str, object] = {"year": self.years, "cores": self.cores}
        for name, draws in [
            ("radius_mm", self.radius_mm),
            ("diameter_inside_bark_cm", self.diameter_cm),
            ("diameter_inside_bark_subtractive_cm", self.diameter_subtractive_cm),
            ("diameter_outside_bark_cm", self.diameter_outside_cm),
            ("basal_area_increment_cm2", self.increment_cm2),
        ]:
            median, low, high = _column_quantiles(draws, interval_levels(self.prob))
            columns |= {f"{name}_median": median, f"{name}_lo": low, f"{name}_hi": high}
        return pd.DataFrame(columns).assign(prob=self.prob)

    def sentence(self) -> str:
        """Span, cores, present diameter and mean radial growth."""
        growth = np.median(self.radius_mm[:, -1] - self.radius_mm[:, 0]) / max(1, self.years.size - 1)
        growth = growth if self.years.size > 1 else self.ring_mm[0]
        return (
            f"{self.years[0]}-{self.years[-1]}, {self.cores.max()} core(s): diameter inside the bark "
            f"{np.median(self.diameter_cm[:, -1]):.1f} cm at the end, mean ring {growth:.2f} mm."
        )


@public
def growth_history(
    cores: Sequence[CoreWidths],
    *,
    diameter_cm: ArrayLike | None = None,
    bark_mm: ArrayLike | None = None,
    bark_sd_mm: float = 0.0,
    mean: str = "arithmetic",
    count: int = 400,
    prob: float = 0.9,
    seed: int = 0,
) -> GrowthHistory:
    """Growth of one tree by year from the widths of its cores, with uncertainty.

    Parameters
    ----------
    cores : sequence of CoreWidths
        The cores of the tree, at one height.
    diameter_cm : float or array-like, shape (draws,), optional
        Diameter outside the bark at the coring height [cm], above 0; an array holds draws of it, a single one is taken
        to err by `priors.DIAMETER_SHARE`. Without it the diameter is twice the mean radius.
    bark_mm : float or array-like, shape (draws,), optional
        Single bark thickness [mm], at least 0, or draws of it; needed with diameter_cm.
    bark_sd_mm : float, default 0.0
        Standard deviation of a single bark thickness [mm]; not used with draws.
    mean : {"arithmetic", "quadratic"}, default "arithmetic"
        How radii combine: arithmetic for two opposite cores, quadratic for several spread round the stem.
    count : int, default 400
        Number of draws (choice: interval ends to about a tenth of the standard deviation).
    prob : float, default 0.9
        Probability of the intervals.
    seed : int, default 0
        Seed of the draws.

    Returns
    -------
    GrowthHistory
        Radius, diameter and increment by year.

    Raises
    ------
    InputError
        If there is no core or no width in them, the bark is thicker than the stem, or a value is out of range.

    Notes
    -----
    The radius of the section is one curve. What a core hides inside is reached in proportion to the cores that start
    earlier, what it lacks outside grows as the others did; distances that fit what the other cores show are drawn more
    often. The error of one or two radii for the whole section is that measured on pairs of cores (`priors.CORE_STEM`,
    0 for none), so bands are wider than those of the readings. With a diameter, all radii are scaled to it at the bark
    (proportional method), with the errors of tape and bark. Bark is taken to have grown as a power of the inside
    radius (`priors.BARK_POWER`).

    Examples
    --------
    >>> tree = growth_history([CoreWidths([2001, 2002, 2003], [2.0, 2.0, 1.0], pith_distance_mm=5.0)])
    >>> np.median(tree.radius_mm, axis=0).round(), tree.sentence()
    (array([ 7.,  9., 10.]), '2001-2003, 1 core(s): diameter inside the bark 1.9 cm at the end, mean ring 1.46 mm.')
    """
    if not cores:
        raise InputError(Fault("no core", "at least one core", "Pass its widths.", "growth_history", 0, "cores"))
    if mean not in (RadiusMean.ARITHMETIC, RadiusMean.QUADRATIC):
        raise InputError(Fault(show(mean), "arithmetic or quadratic", "Choose one.", "growth_history", 0, "mean"))
    require_probability("growth_history", prob=prob)
    require_whole("growth_history", "count", count, 1, MOST_DRAWS)
    rng = np.random.default_rng(require_seed("growth_history", seed))
    parts, extra, missed = _radii(cores, count, rng)
    found = section_curve(parts, quadratic=mean == RadiusMean.QUADRATIC)
    kept = _kept(cores)
    shown = found.shown.copy()
    for own, (core, keeps) in enumerate(zip(cores, kept, strict=True)):
        shown[own, core.outer_year - found.first + 1 :] &= not keeps
    factor = stem_factor(shown, [core.azimuth_deg for core in cores], count, rng)
    rings = np.diff(np.concatenate([found.start_mm[:, None], found.radius_mm], axis=1), axis=1) * factor
    start = found.start_mm * factor[:, :HIDDEN_LIKE].mean(axis=1)
    ends = start[:, None] + np.cumsum(rings, axis=1)
    now = ends[:, -1] + extra
    if np.any(now <= 0):
        got, need = "no width above 0", "some wood between the pith and the bark"
        raise InputError(Fault(got, need, "Leave this tree out.", "growth_history", 0, "cores"))
    inside, outside, bark = now / 5.0, np.full(count, np.nan), np.full(count, np.nan)  # twice the radius in cm
    subtractive, scale = np.full(ends.shape, np.nan), float("nan")
    if diameter_cm is not None:
        outside, bark = _stem_draws(diameter_cm, bark_mm, bark_sd_mm, count, rng)
        inside = inside_bark_diameter(outside, bark)
        scale = float(np.median(5.0 * inside / now))
        subtractive = past_diameter_subtractive(inside[:, None], growth_since_mm=np.maximum(now[:, None] - ends, 0.0))
    share = np.concatenate([start[:, None], ends], axis=1) / now[:, None]
    diameter = inside[:, None] * share
    power = np.clip(rng.normal(priors.BARK_POWER.value, priors.BARK_POWER_SD.value, count), 0.0, None)
    return GrowthHistory(
        years=np.arange(found.first, found.first + ends.shape[1]),
        cores=shown.sum(axis=0),
        radius_mm=ends,
        diameter_cm=diameter[:, 1:],
        diameter_subtractive_cm=subtractive,
        diameter_outside_cm=diameter[:, 1:] + 0.2 * bark[:, None] * share[:, 1:] ** power[:, None],
        increment_cm2=_ring_areas(diameter[:, :-1] / 2.0, diameter[:, 1:] / 2.0),
        ring_mm=found.ring_mm,
        start_cm=diameter[:, 0],
        now_cm=inside,
        now_outside_cm=outside,
        missed_rings=missed,
        count_ratio=np.ones(count),
        scale=scale,
        prob=prob,
    )


def _kept(cores: Sequence[CoreWidths]) -> list[bool]:
    """Cores whose lost rings are filled in: the one that then reaches furthest, if none shows these years."""
    reach = [core.outer_year + core.beyond_rings for core in cores]
    best = max(range(len(cores)), key=lambda own: (reach[own], -cores[own].beyond_rings))
    return [own == best and core.beyond_rings > 0 for own, core in enumerate(cores)]


def _radii(cores: Sequence[CoreWidths], count: int, rng: np.random.Generator) -> tuple[list[CoreRadii], Array, Array]:
    """The cores in draws, the wood outside the last ring [mm], and the rings missed by the earliest core."""
    inner = [core._inner_draws(MORE_DRAWS * count, rng) for core in cores]
    firsts = [int(np.asarray(core.years)[0]) for core in cores]
    agreed = agreeing_draws(
        firsts, [np.asarray(core.widths_mm) for core in cores], [one for one, _ in inner], count, rng
    )
    parts, extra = [], []
    last = max(core.outer_year + core.beyond_rings * keeps for core, keeps in zip(cores, _kept(cores), strict=True))
    for core, (distance, miss), keeps in zip(cores, inner, _kept(cores), strict=True):
        radii = turned_to_pith(np.asarray(core.widths_mm), distance[agreed], miss[agreed])
        widths, beyond = np.diff(radii, axis=1), np.asarray(core.beyond_mm)
        beyond = np.resize(beyond, count)
        if keeps:
            each = np.repeat((beyond / core.beyond_rings)[:, None], core.beyond_rings, axis=1)
            widths, beyond = np.concatenate([widths, each], axis=1), np.zeros(count)
        parts.append(CoreRadii(int(np.asarray(core.years)[0]), radii[:, 0], widths, core.azimuth_deg))
        if parts[-1].last == last:
            extra.append(beyond)
    lead = cores[int(np.argmin(firsts))]
    missed = missed_draws(np.asarray(lead.widths_mm), parts[int(np.argmin(firsts))].start_mm, lead.genus, rng)
    return parts, np.mean(extra, axis=0), missed


def _stem_draws(
    diameter_cm: ArrayLike, bark_mm: ArrayLike | None, bark_sd_mm: float, count: int, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Draws of the diameter outside the bark [cm] and of the single bark [mm], which leaves a stem inside."""
    where = "growth_history"
    if bark_mm is None:
        do = "Give bark_mm, 0 for a diameter that is already inside the bark."
        raise InputError(Fault("a diameter without bark", "single bark thickness [mm]", do, where, 0, "bark_mm"))
    (diameter,) = require_positive(where, diameter_cm=diameter_cm)
    bark, spread = require_nonnegative(where, bark_mm=bark_mm, bark_sd_mm=bark_sd_mm)
    if np.median(bark) >= 5.0 * np.median(diameter):
        need = f"less than half the diameter, {5.0 * np.median(diameter):g} mm"
        do = "Check the unit and single thickness."
        raise InputError(Fault(show(float(np.median(bark))), need, do, where, 0, "bark_mm"))
    tape = 1 + priors.DIAMETER_SHARE.value * rng.standard_normal(count)
    outside = np.resize(diameter, count) if diameter.ndim else float(diameter) * np.maximum(tape, 0.5)
    drawn = np.resize(bark, count) if bark.ndim else rng.normal(float(bark), float(spread), size=count)
    return outside, np.clip(drawn, 0.0, THICKEST_BARK * 5.0 * outside)


def _column_quantiles(draws: Array, probs: list[float]) -> Array:
    """Quantiles over draws of each column; NaN where more than half of the draws have no answer."""
    known = np.isfinite(draws)
    keep = known.mean(axis=0) > 0.5
    out = np.full((len(probs), draws.shape[1]), np.nan)
    if keep.any():
        out[:, keep] = np.nanquantile(draws[:, keep], probs, axis=0)
    return out
