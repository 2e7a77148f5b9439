"""From ring widths to radii, basal-area increments and diameters by year: of arrays, of one tree, of a field.

Circle geometry; the proportional and subtractive past diameters follow Bakker (2005); own derivation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from treeage.display import Result
from treeage.distance import DistanceSource, draw_distances
from treeage.errors import Fault, InputError, require_nonnegative, require_positive, require_probability, show
from treeage.estimate import Cores, read_cores
from treeage.pmf import freeze_arrays, interval_levels
from treeage.schema import OuterEnd, Word, column_numbers
from treeage.stand import PastStand, past_stand, trees_by_id

if TYPE_CHECKING:
    from treeage.results import Ages
    from treeage.tables import Field

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

THICKEST_BARK = 2.5  # choice: single bark [mm] per cm of diameter, a quarter of the diameter
DISTANCE_DRAWS = 400  # choice: draws of the distance to the pith of each core


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
        Kind of mean; the default is exact for the two opposite cores that are usual.

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
    Two opposite radii through an off-centre pith make up one diameter of a circular stem: their arithmetic
    mean is exact. Several radii spread evenly round the stem sample the area (1/2) * integral of r**2 over
    the angle: their quadratic mean is exact for the area. The geometric mean is for an ellipse known by its
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
        Ring widths [mm], at least 0. Leave out an outer ring that is incomplete.
    pith_distance_mm : float or array-like, shape (draws,), default 0.0
        Distance from the pith to the inner boundary of the innermost ring [mm]; an array holds draws of it.
    pith_distance_sd_mm : float, default 0.0
        Standard deviation of a single distance [mm]; not used with draws.

    Raises
    ------
    InputError
        If the years are not consecutive, the lengths differ, or a value is negative.

    Examples
    --------
    >>> CoreWidths([2001, 2002], [1.5, 2.0], pith_distance_mm=5.0).outer_year
    2002
    """

    years: ArrayLike
    widths_mm: ArrayLike
    pith_distance_mm: ArrayLike = 0.0
    pith_distance_sd_mm: float = 0.0

    def __post_init__(self) -> None:
        years = np.asarray(self.years, dtype=np.int64)
        widths, distance, _ = require_nonnegative(
            "CoreWidths",
            widths_mm=self.widths_mm,
            pith_distance_mm=self.pith_distance_mm,
            pith_distance_sd_mm=self.pith_distance_sd_mm,
        )
        if years.ndim != 1 or years.shape != widths.shape or years.size == 0:
            got = f"{years.size} years and {widths.size} widths"
            raise InputError(Fault(got, "one width [mm] for each year", "Align the two.", "CoreWidths", 0, "years"))
        if np.any(np.diff(years) != 1):
            step = int(np.argmax(np.diff(years) != 1))
            got = f"{years[step]} followed by {years[step + 1]}"
            do = "Enter an absent ring as width 0."
            raise InputError(Fault(got, "consecutive years", do, "CoreWidths", 0, "years"))
        object.__setattr__(self, "years", years)
        object.__setattr__(self, "widths_mm", widths)
        object.__setattr__(self, "pith_distance_mm", distance)
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
        distance = np.asarray(self.pith_distance_mm)
        if distance.ndim:
            return np.asarray(rng.choice(distance, size=count))
        if self.pith_distance_sd_mm == 0 or distance == 0:
            return np.full(count, float(distance))
        scale = self.pith_distance_sd_mm**2 / float(distance)
        return np.asarray(rng.gamma(float(distance) / scale, scale, size=count))


@dataclass(frozen=True)
class GrowthHistory(Result):
    """Growth of one tree by year, as draws; from `growth_history` or `field_growth`.

    Parameters
    ----------
    years : numpy.ndarray of int, shape (n,)
        Ring years.
    cores : numpy.ndarray of int, shape (n,)
        Number of cores that show the year.
    radius_mm : numpy.ndarray, shape (draws, n)
        Mean inside-bark radius of the cores at the end of each year [mm].
    diameter_cm : numpy.ndarray, shape (draws, n)
        Diameter inside the bark [cm]: proportional method when a present diameter is known, else twice the
        radius.
    diameter_subtractive_cm : numpy.ndarray, shape (draws, n)
        Diameter inside the bark by subtraction [cm]; NaN where it has no answer or no present diameter is
        known.
    increment_cm2 : numpy.ndarray, shape (draws, n)
        Basal-area increment [cm2].
    bark_factor : numpy.ndarray, shape (draws,)
        Diameter inside over outside the bark; NaN if unknown.
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
    increment_cm2: Array
    bark_factor: Array
    scale: float
    prob: float

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def at(self, year: int) -> Array:
        """Draws of the inside-bark diameter at the end of a year.

        Parameters
        ----------
        year : int
            Calendar year.

        Returns
        -------
        numpy.ndarray, shape (draws,)
            Diameter [cm]; NaN before the first ring seen on a core, the last value after the last ring.
        """
        position = int(np.clip(year - self.years[0], -1, self.years.size - 1))
        if position < 0:
            return np.full(self.diameter_cm.shape[0], np.nan)
        return self.diameter_cm[:, position]

    def series(self) -> CoreWidths:
        """Mean ring series of the tree, for releases and origin.

        Returns
        -------
        CoreWidths
            Yearly increments of the mean radius [mm] (median over draws) from the second year on, with draws
            of the distance to the pith.

        Examples
        --------
        >>> tree = growth_history([CoreWidths([2001, 2002, 2003], [2.0, 2.0, 1.0], pith_distance_mm=5.0)])
        >>> np.asarray(tree.series().widths_mm).tolist()
        [2.0, 1.0]
        """
        if self.years.size < 2:
            got, need = f"{self.years.size} ring(s)", "at least 2 rings"
            raise InputError(Fault(got, need, "Leave this tree out.", "GrowthHistory.series", 0, "years"))
        widths = np.maximum(np.median(np.diff(self.radius_mm, axis=1), axis=0), 0.0)
        return CoreWidths(self.years[1:], widths, pith_distance_mm=self.radius_mm[:, 0])

    def to_frame(self) -> pd.DataFrame:
        """One row a year: cores that show it, then median, lo and hi of each quantity, unit in the name."""
        columns: dict[str, object] = {"year": self.years, "cores": self.cores}
        outside = self.diameter_cm / self.bark_factor[:, None]
        for name, draws in [
            ("radius_mm", self.radius_mm),
            ("diameter_inside_bark_cm", self.diameter_cm),
            ("diameter_inside_bark_subtractive_cm", self.diameter_subtractive_cm),
            ("diameter_outside_bark_cm", outside),
            ("basal_area_increment_cm2", self.increment_cm2),
        ]:
            median, low, high = _column_quantiles(draws, interval_levels(self.prob))
            columns |= {f"{name}_median": median, f"{name}_lo": low, f"{name}_hi": high}
        return pd.DataFrame(columns).assign(prob=self.prob)

    def sentence(self) -> str:
        """Span, cores, present diameter and mean radial growth."""
        growth = np.median(self.radius_mm[:, -1] - self.radius_mm[:, 0]) / max(1, self.years.size - 1)
        return (
            f"{self.years[0]}-{self.years[-1]}, {self.cores.max()} core(s): diameter inside the bark "
            f"{np.median(self.diameter_cm[:, -1]):.1f} cm at the end, mean ring {growth:.2f} mm."
        )


def growth_history(
    cores: Sequence[CoreWidths],
    *,
    diameter_cm: float | None = None,
    bark_mm: float | None = None,
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
        The cores of the tree, at one height, ending in the same year.
    diameter_cm : float, optional
        Diameter outside the bark at the coring height [cm], above 0; without it the diameter is twice the
        mean radius.
    bark_mm : float, optional
        Single bark thickness [mm], at least 0; needed with diameter_cm.
    bark_sd_mm : float, default 0.0
        Standard deviation of the single bark thickness [mm].
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
        If there is no core, the outer years differ, or a value is out of range.

    Notes
    -----
    Where only some cores show a year, the mean radius of that year is the mean present radius of all cores
    times the share of it that these cores had reached, so a core that starts late makes no jump. With a
    diameter, all radii are scaled to it (proportional method). The bark ratio of the past is taken as that
    of today.

    Examples
    --------
    >>> tree = growth_history([CoreWidths([2001, 2002, 2003], [2.0, 2.0, 1.0], pith_distance_mm=5.0)])
    >>> tree.radius_mm[0].tolist(), tree.sentence()
    ([7.0, 9.0, 10.0], '2001-2003, 1 core(s): diameter inside the bark 2.0 cm at the end, mean ring 1.50 mm.')
    """
    _check_cores(cores, mean)
    require_probability("growth_history", prob=prob)
    rng = np.random.default_rng(seed)
    outer = cores[0].outer_year
    size = max(np.asarray(core.years).size for core in cores)
    starts, ends, seen = _mean_section(cores, size, mean, count, rng)
    now = ends[:, -1]
    inside, factor, scale = now / 5.0, np.full(count, np.nan), float("nan")  # twice the radius in cm
    subtractive = np.full(ends.shape, np.nan)
    if diameter_cm is not None:
        inside = _inside_draws(diameter_cm, bark_mm, bark_sd_mm, count, rng)
        factor, scale = inside / diameter_cm, float(np.median(5.0 * inside / now))
        growth_since = np.maximum(now[:, None] - ends, 0.0)
        subtractive = past_diameter_subtractive(inside[:, None], growth_since_mm=growth_since)
    start_cm, end_cm = (
        past_diameter_proportional(inside[:, None], radius_then_mm=radii, radius_now_mm=now[:, None])
        for radii in (starts, ends)
    )
    return GrowthHistory(
        years=np.arange(outer - size + 1, outer + 1),
        cores=seen,
        radius_mm=ends,
        diameter_cm=end_cm,
        diameter_subtractive_cm=subtractive,
        increment_cm2=_ring_areas(start_cm / 2.0, end_cm / 2.0),
        bark_factor=factor,
        scale=scale,
        prob=prob,
    )


def _check_cores(cores: Sequence[CoreWidths], mean: str) -> None:
    where = "growth_history"
    if not cores:
        raise InputError(Fault("no core", "at least one core", "Pass its widths.", where, 0, "cores"))
    if mean not in (RadiusMean.ARITHMETIC, RadiusMean.QUADRATIC):
        raise InputError(Fault(show(mean), "arithmetic or quadratic", "Choose one.", where, 0, "mean"))
    ends = sorted({core.outer_year for core in cores})
    if len(ends) > 1:
        got = f"outer years {', '.join(map(str, ends))}"
        raise InputError(Fault(got, "one outer year", "Cut the longer core to the shorter one.", where, 0, "cores"))


def _mean_section(
    cores: Sequence[CoreWidths], size: int, mean: str, count: int, rng: np.random.Generator
) -> tuple[Array, Array, Ints]:
    """Mean radius at the start and the end of each of the last `size` years, (draws, size), and the cores that show it.

    Where only some cores show a year: the mean present radius of all cores times the share of it these had reached.
    """
    ends = [ring_radii(core.widths_mm, pith_distance_mm=core.distance_draws(count, rng)) for core in cores]
    starts = [np.maximum(end - np.asarray(core.widths_mm), 0.0) for end, core in zip(ends, cores, strict=True)]
    first = [size - end.shape[1] for end in ends]
    now = mean_radius(np.stack([end[:, -1] for end in ends], axis=-1), mean=mean)
    sections = np.empty((2, count, size))
    seen = np.zeros(size, dtype=np.int64)
    for low, high in pairwise([*sorted(set(first)), size]):
        shown = [at for at, own in enumerate(first) if own <= low]
        whole = mean_radius(np.stack([ends[at][:, -1] for at in shown], axis=-1), mean=mean)
        for section, radii in zip(sections, (starts, ends), strict=True):
            parts = [radii[at][:, low - first[at] : high - first[at]] for at in shown]
            reached = mean_radius(np.stack(parts, axis=-1), mean=mean) / whole[:, None]
            section[:, low:high] = now[:, None] * reached
        seen[low:high] = len(shown)
    return sections[0], sections[1], seen


def _inside_draws(
    diameter_cm: float, bark_mm: float | None, bark_sd_mm: float, count: int, rng: np.random.Generator
) -> Array:
    """Draws of the inside-bark diameter [cm]; bark kept from 0 to `THICKEST_BARK`."""
    where = "growth_history"
    if bark_mm is None:
        do = "Give bark_mm, 0 for a diameter that is already inside the bark."
        raise InputError(Fault("a diameter without bark", "single bark thickness [mm]", do, where, 0, "bark_mm"))
    require_positive(where, diameter_cm=diameter_cm)
    require_nonnegative(where, bark_mm=bark_mm, bark_sd_mm=bark_sd_mm)
    thickest = THICKEST_BARK * diameter_cm
    if bark_mm > thickest:
        need = f"at most a quarter of the diameter, {thickest:g} mm"
        raise InputError(Fault(show(bark_mm), need, "Check the unit and single thickness.", where, 0, "bark_mm"))
    return inside_bark_diameter(diameter_cm, np.clip(rng.normal(bark_mm, bark_sd_mm, size=count), 0.0, thickest))


def _column_quantiles(draws: Array, probs: list[float]) -> Array:
    """Quantiles over draws of each column; NaN where more than half of the draws have no answer."""
    known = np.isfinite(draws)
    keep = known.mean(axis=0) > 0.5
    out = np.full((len(probs), draws.shape[1]), np.nan)
    if keep.any():
        out[:, keep] = np.nanquantile(draws[:, keep], probs, axis=0)
    return out


# ------------------------------------------------------------------ the trees of a field


def field_growth(field: Field, *, prob: float = 0.9, seed: int = 0) -> dict[str, GrowthHistory]:
    """Growth by year of every tree of a field that has ring widths.

    Parameters
    ----------
    field : Field
        Checked tables with rings.csv.
    prob : float, default 0.9
        Probability of the intervals.
    seed : int, default 0
        Seed of the draws.

    Returns
    -------
    dict of str to GrowthHistory
        By tree, in the order of tree ids; trees without widths, or whose distance to the pith nothing
        bounds, are left out.

    Raises
    ------
    InputError
        If prob is not between 0 and 1.

    Notes
    -----
    Only cores that reach the tree's last ring year are used, since a core that lost outer rings has no
    radius at the bark; the ring of an incomplete outer end is dropped, its year counts in the age only. Two
    cores are averaged arithmetically, three or more by the quadratic mean. Years of counted cores are as
    uncertain as their count.

    Examples
    --------
    >>> import tempfile, treeage
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     field_folder, _ = treeage.example_field(folder + "/field")
    ...     growth = field_growth(treeage.read_field(field_folder))
    >>> int(growth["T17"].years[0]), int(growth["T17"].years[-1]), int(growth["T17"].cores.max())
    (1814, 2024, 2)
    """
    cores = read_cores(field)
    known = [source != DistanceSource.NOTHING for source in cores.source]
    usable = {
        tree: [row for row in rows if cores.widths_mm[row].any() and known[row] and not cores.bound_only[row]]
        for tree, rows in cores.rows_of.items()
    }
    return {tree: _one_tree(cores, rows, prob, seed) for tree, rows in usable.items() if rows}


def _one_tree(cores: Cores, rows: list[int], prob: float, seed: int) -> GrowthHistory:
    """Growth of one tree from those of its cores that reach its last ring year."""
    last = cores.outer_year[rows].max()
    rows = [row for row in rows if cores.outer_year[row] == last]
    drop = bool((cores.outer_end[rows] == OuterEnd.INCOMPLETE).any())
    series = [_core(cores, row, drop, seed) for row in rows if cores.widths_mm[row].size > int(drop)]
    row = rows[0]
    radius, radius_sd = float(cores.radius_mm[row]), float(cores.radius_sd_mm[row])
    mean = RadiusMean.ARITHMETIC if len(series) < 3 else RadiusMean.QUADRATIC
    if not np.isfinite(radius):
        return growth_history(series, mean=mean, prob=prob, seed=seed)
    bark = float(np.nan_to_num(cores.bark_mm[row]))
    return growth_history(
        series,
        diameter_cm=(radius + bark) / 5.0,
        bark_mm=bark,
        bark_sd_mm=radius_sd if np.isfinite(radius_sd) else 0.0,
        mean=mean,
        prob=prob,
        seed=seed,
    )


def _core(cores: Cores, row: int, drop: bool, seed: int) -> CoreWidths:
    """Widths of one core with draws of its distance."""
    distance = draw_distances(cores.distance[row], DISTANCE_DRAWS, np.random.default_rng([seed, row]))
    widths, outer = cores.widths_mm[row], int(cores.outer_year[row])
    years = np.arange(outer - widths.size + 1, outer + 1)
    last = widths.size - int(drop)
    return CoreWidths(years[:last], widths[:last], pith_distance_mm=distance)


def past_trees(
    ages: Ages,
    year: int,
    *,
    growth: Mapping[str, GrowthHistory] | None = None,
    count: int = 2000,
    prob: float | None = None,
    seed: int = 0,
) -> PastStand:
    """Reconstruct the stand of the dated trees at a past date.

    Parameters
    ----------
    ages : Ages
        Answer of `estimate_ages` or `fit_hierarchical`.
    year : int
        Past date: end of that growing season.
    growth : mapping of str to GrowthHistory, optional
        Growth by tree (`field_growth`); trees without it are taken to have grown steadily.
    count : int, default 2000
        Joint draws.
    prob : float, optional
        Probability of the intervals; that of the ages by default.
    seed : int, default 0
        Seed.

    Returns
    -------
    PastStand
        Presence and diameter of each tree, density and basal area.

    Raises
    ------
    InputError
        If no tree is dated, or the year is not before the last ring.

    Notes
    -----
    The past diameter at breast height is the present one times the share that the coring height had reached:
    the proportional method, with the bark ratio and the taper of today.

    Examples
    --------
    >>> import tempfile, treeage
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     field_folder, _ = treeage.example_field(folder + "/field")
    ...     field = treeage.read_field(field_folder)
    >>> stand = past_trees(treeage.estimate_ages(field), 1950, growth=field_growth(field), count=300)
    >>> stand.totals()["quantity"].tolist()
    ['trees', 'basal area [m2]', 'quadratic diameter [cm]']
    """
    names = list(ages.trees)
    if not names:
        raise InputError(Fault("no dated tree", "at least one", "Date some trees.", "past_trees", 0, "ages"))
    draws = np.asarray(ages.draws(count, seed=seed).transpose("draw", "tree").values, dtype=np.float64)
    survey = max(int(ages[name].outer_year) for name in names)
    table = trees_by_id(ages.tree_table).reindex(names)
    now = column_numbers(table, "dbh_cm")
    then: Array = np.full((DISTANCE_DRAWS, len(names)), np.nan)
    for column, name in enumerate(names):
        history = (growth or {}).get(name)
        if history is not None:
            share = history.at(year) / history.diameter_cm[:, -1]
            then[:, column] = np.resize(share, DISTANCE_DRAWS) * now[column]
    weights = column_numbers(table, "trees_per_ha")
    known = bool(np.all(np.isfinite(weights) & (weights > 0)))
    return past_stand(
        draws,
        year,
        survey_year=survey,
        diameter_now_cm=now,
        diameter_then_cm=then,
        trees_per_ha=weights if known else None,
        trees=names,
        prob=ages.prob if prob is None else prob,
    )
