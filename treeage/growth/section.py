"""One curve of a section's radius by year: cores are evidence of it, and one radius is not the stem.

Widths along a core that passes beside the pith are turned to the pith; a core that starts later, or ends earlier, grows
in its missing part as the others did there; what one or two radii say of the whole section was measured on pairs of
cores. Own derivation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from treeage import priors
from treeage.rings import hidden_width, inner_growth, ring_model, shared_spreads

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

# Log width of one core less that of its section: a part for each year, one that lasts a few years, one that lasts
# decades. Fitted by tests/fitting/fit_sections.py to the differences of 1,104 pairs of cores of one tree at 104 sites
# of a public archive (World Data Service for Paleoclimatology, NOAA NCEI), and scaled so that 90 % bands of one and of
# two cores held 85 to 93 % of the means of three or four cores (758 trees at 217 sites to fit; of other 275 trees 84 to
# 93 %), which are nearer to the section than the mean of a pair.
YEAR_SD, FEW_SD, SLOW_SD = 0.12, 0.19, 0.20
FEW_YEARS, SLOW_YEARS = 3.0, 60.0
TAIL_DF = 6.0  # of the t by which trees differ in all three
# Measured there too: log of the hidden growth of one core over that of the other, less what their visible rings say;
# and log of the mean of the next thirty rings over that of the last twenty.
HIDDEN_SD = 0.25
AHEAD_SD = 0.33
# How alike two radii of a section err, by the angle between them: the cosine of an off-centre pith, that of an oval
# stem, and what is local. Choice between two measurements: of whole radii an off-centre pith of 13 % explains most (two
# at a right angle differ by 13 %, Woodall 2008, abstract); of growth since, opposite cores named by the compass differ
# by 1.3 (50 years of growth) to 1.9 times (share of the radius) the variance of those at a right angle (410 and 268
# pairs of that archive), which is 1.2 times here.
OFF_CENTRE, OVAL = 0.45, 0.1
NEAR_RINGS = 20  # choice: rings over which the growth of two cores is compared
LEAST_HIDDEN_MM = 0.5  # choice: distances below do not differ


@dataclass(frozen=True, eq=False)
class CoreRadii:
    """One core in draws: its first year, radius [mm] where its first ring starts, radial widths (draws, n), azimuth."""

    first: int
    start_mm: Array
    widths_mm: Array
    azimuth_deg: float = float("nan")

    @property
    def last(self) -> int:
        """Year of the last ring."""
        return int(self.first + self.widths_mm.shape[1] - 1)


@dataclass(frozen=True, eq=False)
class Section:
    """A cross-section in draws.

    First year, radius at its start (draws,) and at the end of each year (draws, n) [mm], which cores show a year
    (k, n), and the typical ring by year (n,), on the level of the years that most cores show.
    """

    first: int
    start_mm: Array
    radius_mm: Array
    shown: Flags
    ring_mm: Array


def agreeing_draws(
    firsts: Sequence[int], widths: Sequence[Array], starts: Sequence[Array], count: int, rng: np.random.Generator
) -> Ints:
    """Draws (count,) of the distances of several cores that agree with each other.

    What a later core hides, the earliest one shows in part: its hidden growth is that of the other, times the ratio of
    their rings after it, times an error (`HIDDEN_SD`). starts: one array (many,) a core.
    """
    log = np.zeros(starts[0].size)
    lead = int(np.argmin(firsts))
    for own, first in enumerate(firsts):
        shift = first - firsts[lead]
        common = min(NEAR_RINGS, widths[lead].size - shift, widths[own].size)
        if own == lead or common <= 0:
            continue
        near = widths[own][:common].sum(), widths[lead][shift : shift + common].sum()
        if min(near) <= 0:
            continue
        there = np.maximum(starts[lead] + widths[lead][:shift].sum(), LEAST_HIDDEN_MM)
        expected = np.log(there) + np.log(near[0] / near[1])
        log -= 0.5 * ((np.log(np.maximum(starts[own], LEAST_HIDDEN_MM)) - expected) / HIDDEN_SD) ** 2
    weight = np.exp(log - log.max())
    places = (rng.random() + np.arange(count)) / count  # systematic: equal weights keep every draw as it was
    picked = np.searchsorted(np.cumsum(weight / weight.sum()), places)
    return np.asarray(rng.permutation(np.minimum(picked, log.size - 1)), dtype=np.int64)


def section_curve(cores: Sequence[CoreRadii], *, quadratic: bool) -> Section:
    """Put cores together to one curve that never shrinks; quadratic: mean of squares, for radii all round the stem.

    A core's missing outer years grow as those of the others, times the ratio of their last common rings. Its hidden
    inner radius is reached in proportion to that of the cores that start earlier.
    """
    first, last = min(core.first for core in cores), max(core.last for core in cores)
    draws, years = cores[0].start_mm.size, last - first + 1
    shown = np.array([[core.first <= year <= core.last for year in range(first, last + 1)] for core in cores])
    widths = np.zeros((len(cores), draws, years))
    for own, core in enumerate(cores):
        widths[own][:, shown[own]] = core.widths_mm
    outward = sorted(range(len(cores)), key=lambda own: (-cores[own].last, own))
    for place, own in enumerate(outward):
        end = cores[own].last - first + 1
        if end < years:
            others = widths[outward[:place]].mean(axis=0)
            common = shown[own] & shown[outward[:place]].all(axis=0)
            common[: max(0, end - NEAR_RINGS)] = False
            one, two = widths[own][:, common].sum(axis=1), others[:, common].sum(axis=1)
            ratio = np.where((one > 0) & (two > 0), one / np.where(two > 0, two, 1.0), 1.0)
            widths[own][:, end:] = others[:, end:] * ratio[:, None]
    inward = sorted(range(len(cores)), key=lambda own: (cores[own].first, own))
    curves = np.zeros((len(cores), draws, years + 1))
    for place, own in enumerate(inward):
        begin = cores[own].first - first
        reached = cores[own].start_mm[:, None]
        outward_mm = [np.zeros((draws, 1)), np.cumsum(widths[own][:, begin:], axis=1)]
        curves[own][:, begin:] = reached + np.concatenate(outward_mm, axis=1)
        if begin:
            others = _mean(curves[inward[:place]], quadratic=quadratic)
            there = np.maximum(others[:, [begin]], 1e-9)
            curves[own][:, :begin] = reached * others[:, :begin] / there
    radius = _mean(curves, quadratic=quadratic)
    return Section(first, radius[:, 0], radius[:, 1:], shown, _typical_ring(np.median(widths, axis=1), shown))


def _mean(curves: Array, *, quadratic: bool) -> Array:
    return np.asarray(np.sqrt((curves**2).mean(axis=0)) if quadratic else curves.mean(axis=0))


def _typical_ring(widths: Array, shown: Flags) -> Array:
    """Mean ring by year (n,), without a step where a core comes in: earlier years are brought to the later level."""
    years = widths.shape[1]
    starts = sorted({int(np.argmax(own)) for own in shown}, reverse=True)
    ring, later = np.zeros(years), years
    for begin in starts:
        in_it = [own for own in range(len(shown)) if int(np.argmax(shown[own])) <= begin]
        mean = widths[in_it].mean(axis=0)
        level = 1.0
        if later < years:
            near = slice(later, min(later + NEAR_RINGS, years))
            level = ring[near].sum() / mean[near].sum() if mean[near].sum() > 0 else 1.0
        ring[begin:later] = level * mean[begin:later]
        later = begin
    return ring


def alike(azimuths_deg: Sequence[float]) -> Array:
    """Correlation (k, k) of the errors of radii in these directions; where one is not known, all are spread evenly."""
    angle = np.deg2rad(np.asarray(azimuths_deg, dtype=np.float64))
    if not np.isfinite(angle).all():
        angle = 2 * np.pi * np.arange(angle.size) / angle.size
    apart = angle[:, None] - angle[None, :]
    return np.asarray(
        OFF_CENTRE * np.cos(apart) + OVAL * np.cos(2 * apart) + (1 - OFF_CENTRE - OVAL) * np.eye(angle.size)
    )


def stem_factor(shown: Flags, azimuths_deg: Sequence[float], count: int, rng: np.random.Generator) -> Array:
    """Draws (count, n) of the section's ring over the mean ring of the cores that show it; their mean is 1.

    In pairs of opposite deviations, so that medians are those of the cores.
    """
    cores, years = shown.shape
    size = priors.CORE_STEM.value
    half = -(-count // 2)
    together: NDArray[np.floating] = np.linalg.cholesky(alike(azimuths_deg) + 1e-9 * np.eye(cores))
    noise = rng.standard_normal((3, years, cores, half))
    each: Array = SLOW_SD * _lasting(together @ noise[0], SLOW_YEARS) + FEW_SD * _lasting(
        together @ noise[1], FEW_YEARS
    )
    each = np.asarray(each + YEAR_SD * noise[2], dtype=np.float64)
    weight = shown / np.maximum(shown.sum(axis=0), 1)  # (k, n)
    weight[:, ~shown.any(axis=0)] = 1 / cores
    tail = np.sqrt((TAIL_DF - 2) / rng.chisquare(TAIL_DF, half))
    deviation = size * tail * np.einsum("kn,nkd->nd", weight, each)
    lasting = np.einsum("kn,kl,ln->n", weight, alike(azimuths_deg), weight) * (SLOW_SD**2 + FEW_SD**2)
    variance = (size * tail) ** 2 * (lasting + (weight**2).sum(axis=0) * YEAR_SD**2)[:, None]
    both = np.concatenate([deviation - variance / 2, -deviation - variance / 2], axis=1)
    return np.asarray(np.exp(both[:, :count].T))


def _lasting(noise: Array, years: float) -> Array:
    """Deviations of standard deviation 1 that fade by 1/e in some years, from noise (n, ...)."""
    keep = np.exp(-1 / years)
    out = noise.copy()
    for year in range(1, len(out)):
        out[year] = keep * out[year - 1] + np.sqrt(1 - keep**2) * noise[year]
    return out


def missed_draws(widths_mm: Array, distance_mm: Array, genus: str | None, rng: np.random.Generator) -> Array:
    """Rings between the pith and the innermost ring, one draw for each draw of the distance [mm]; 0 at the pith.

    ln(hidden width) = location + b + u - y as in `treeage.rings`, with nothing learned from the stand.
    """
    if not (distance_mm > 0).any():
        return np.zeros(distance_mm.size)
    growth = inner_growth([widths_mm], genus=genus)
    typical = float(np.mean(distance_mm[distance_mm > 0]))
    location, scale = hidden_width(growth, np.maximum(distance_mm, 1e-3)[None], [typical])
    tails = ring_model().tails
    size = np.abs(rng.standard_t(tails.df, distance_mm.size))
    more = rng.random(distance_mm.size) < tails.skew**2 / (1 + tails.skew**2)
    shared = np.hypot(*shared_spreads(growth=growth)) * rng.standard_normal(distance_mm.size)
    width = np.exp(location[0] + shared - scale[0] * np.where(more, size * tails.skew, -size / tails.skew))
    return np.asarray(np.where(distance_mm > 0, np.maximum(np.round(distance_mm / width), 1), 0))
