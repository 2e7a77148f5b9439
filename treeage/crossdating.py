"""Every core of a stand against the mean of the other trees: shifts, absent and false rings, agreement.

The alignment engine with one core against a reference (own derivation); agreement statistics of the trade.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.alignment import Alignment, AlignmentPrior, Move, align_many, core_signals, log_widths
from treeage.errors import Fault, InputError, public, real_numbers, require_nonnegative, require_probability, show
from treeage.pmf import freeze_arrays, keeps_tables
from treeage.schema import innermost_year

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

_HALF_WINDOW = 7  # choice: years either side in the local mean that is taken from log widths in the reference
_LEAST_TREES = 2  # choice: other trees that a reference year needs
_LEAST_YEARS = 20  # choice: years of overlap below which a core is not compared
_STATED_DATE = 0.9  # choice: prior probability that the stated outer year is right
_SHOWN = 0.1  # choice: less probable places are not worth a look at the wood


@dataclass(frozen=True)
class DatedCore:
    """Widths of one core with the year its outermost ring is said to be.

    Parameters
    ----------
    tree, core : str
        Names.
    outer_year : int
        Stated year of the outermost ring.
    widths_mm : numpy.ndarray, shape (n,)
        Widths [mm], innermost first; 0 for a dated ring without width.
    """

    tree: str
    core: str
    outer_year: int
    widths_mm: Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "widths_mm", real_numbers(self.widths_mm))
        freeze_arrays(self)


@keeps_tables
@dataclass(frozen=True)
class Crossdating:
    """What the other trees of the stand say about every core. Nothing is changed: a person decides at the wood.

    Parameters
    ----------
    agreement : pandas.DataFrame
        One row for each core: tree, core, rings, years_compared, correlation (with the mean of the other trees),
        critical_correlation (one-tailed 99 %), gleichlaeufigkeit, mean_sensitivity, likeliest_shift [years] (true
        minus stated outer year), prob_stated_year, prob_count_exact and note (why a core was not compared).
    places : pandas.DataFrame
        Suspect places: tree, core, kind (absent or false), ring_from_bark (absent: the ring of the reference), year
        (by the stated date), prob, prob_near, best (whether it is in the single most probable set).
    """

    agreement: pd.DataFrame
    places: pd.DataFrame


def reference_series(cores: Sequence[DatedCore]) -> tuple[int, Array]:
    """Mean growth of some trees by year.

    Parameters
    ----------
    cores : sequence of DatedCore
        Cores of at least two trees.

    Returns
    -------
    tuple of (int, numpy.ndarray)
        First year, and the mean index of every year up to the last with two trees in one unbroken run: the
        exponential of the mean, over trees, of log widths less their local mean of 15 years.

    Examples
    --------
    >>> widths = np.tile([1.0, 2.0], 20)
    >>> first, index = reference_series([DatedCore(t, "A", 2000, widths) for t in "12"])
    >>> first, index.size, bool(index[1] > index[0])
    (1961, 40, True)
    """
    stand = _stand_of(cores)
    return _last_run(*stand.without("", least=min(_LEAST_TREES, len(stand.trees))))


def _stand_of(cores: Sequence[DatedCore]) -> StandIndex:
    starts = [innermost_year(core.outer_year, core.widths_mm.size) for core in cores]
    return StandIndex.of(
        [(core.tree, first, growth_index(core.widths_mm)) for core, first in zip(cores, starts, strict=True)]
    )


def _last_run(first: int, index: Array) -> tuple[int, Array]:
    """The last unbroken run of known years."""
    stop = int(np.flatnonzero(np.isfinite(index))[-1]) + 1 if np.isfinite(index).any() else 0
    gaps = np.flatnonzero(np.isnan(index[:stop]))
    start = int(gaps[-1]) + 1 if gaps.size else 0
    return (first + start, index[start:stop]) if stop else (0, np.zeros(0))


@dataclass(frozen=True)
class StandIndex:
    """Mean index of every tree of a stand by year, of which the mean of all trees but one is taken.

    `first_year` is that of the first column of `rows`, shape (tree, year): log width less its local mean, NaN where
    a tree has none.
    """

    first_year: int
    trees: tuple[str, ...]
    rows: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @classmethod
    def of(cls, parts: Sequence[tuple[str, int, Array]]) -> StandIndex:
        """From the tree, first year and index of every core; NaN where a core says nothing."""
        if not parts:
            return cls(0, (), np.zeros((0, 0)))
        trees = sorted({tree for tree, _, _ in parts})
        low = min(first for _, first, _ in parts)
        width = max(first + index.size for _, first, index in parts) - low
        total, number = np.zeros((len(trees), width)), np.zeros((len(trees), width))
        place = {tree: at for at, tree in enumerate(trees)}
        for tree, first, index in parts:
            known = np.isfinite(index)
            years = slice(first - low, first - low + index.size)
            total[place[tree], years] += np.where(known, index, 0.0)
            number[place[tree], years] += known
        with np.errstate(invalid="ignore"):
            return cls(low, tuple(trees), np.where(number > 0, total / np.maximum(number, 1), np.nan))

    @cached_property
    def _place(self) -> dict[str, int]:
        return {tree: at for at, tree in enumerate(self.trees)}

    @cached_property
    def _sums(self) -> tuple[Array, Array]:
        return np.nansum(self.rows, axis=0), np.isfinite(self.rows).sum(axis=0)

    def without(self, tree: str, *, least: int = _LEAST_TREES) -> tuple[int, Array]:
        """First year and mean index (1 on average) of the other trees; NaN where there are fewer than `least`."""
        total, number = self._sums
        if tree in self._place:
            own = self.rows[self._place[tree]]
            total, number = total - np.nan_to_num(own), number - np.isfinite(own)
        with np.errstate(invalid="ignore"):
            mean = np.exp(total / np.maximum(number, 1))
        return self.first_year, np.where(number >= least, mean, np.nan)


def growth_index(widths_mm: Array) -> Array:
    """Log widths less their local mean."""
    logs = log_widths(widths_mm)
    kernel = np.ones(2 * _HALF_WINDOW + 1)
    near = slice(_HALF_WINDOW, _HALF_WINDOW + logs.size)
    return np.asarray(logs - np.convolve(logs, kernel)[near] / np.convolve(np.ones(logs.size), kernel)[near])


@public
def crossdate_stand(
    cores: Sequence[DatedCore], *, max_shift_years: int = 5, prior: AlignmentPrior | None = None
) -> Crossdating:
    """Read every core of a stand against the mean of the other trees.

    Parameters
    ----------
    cores : sequence of DatedCore
        Cores of at least three trees.
    max_shift_years : int, default 5
        Shifts of the stated outer year that are tried, 0 to 30 (5: a lost outer end or a slip of some years).
    prior : AlignmentPrior, optional
        Shares of absent and false rings of a core (those of core A are used); by default those of a count that was
        not crossdated.

    Returns
    -------
    Crossdating
        Agreement and suspect places. A `dating` status is never raised from it.

    Raises
    ------
    InputError
        If there are fewer than three trees, a core is named twice, or a width is not a number of at least 0.

    Notes
    -----
    The reference is taken as free of events, which holds the better the more trees it has. The stated outer year has
    prior probability 0.9; the rest is shared by the other shifts.

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> climate = rng.normal(0, 0.3, 90)
    >>> stand = [DatedCore(t, "A", 2020, np.exp(climate + rng.normal(0, 0.05, 90))) for t in "12345"]
    >>> stand[0] = DatedCore("1", "A", 2020, np.delete(stand[0].widths_mm, 50))
    >>> crossdate_stand(stand).places.query("best")[["tree", "kind", "year"]].values.tolist()
    [['1', 'absent', 1981]]
    """
    import pandas as pd

    _check(cores, max_shift_years)
    base = prior or AlignmentPrior()
    rows, lasts, jobs, priors, keys = [], [], [], [], []
    stand = _stand_of(cores)
    for core in cores:
        first, index = _last_run(*stand.without(core.tree))
        row = _agreement(core, first, index)
        rows.append(row)
        lasts.append(first + int(index.size) - 1)
        if row["years_compared"]:
            jobs.append((core.widths_mm, index))
            priors.append(_one_sided(base, first + index.size - 1 - core.outer_year, max_shift_years))
            keys.append((core.tree, core.core))
    found = dict(zip(keys, align_many(jobs, prior=priors), strict=True))
    places = []
    for core, row, last in zip(cores, rows, lasts, strict=True):
        one = found.get((core.tree, core.core))
        if one is not None:
            row.update(_shift_facts(one, last - core.outer_year))
            places += _places(core, one, last)
    columns = ["tree", "core", "kind", "ring_from_bark", "year", "prob", "prob_near", "best"]
    return Crossdating(pd.DataFrame(rows), pd.DataFrame(places, columns=columns))


def _check(cores: Sequence[DatedCore], max_shift_years: int) -> None:
    """Refuse fewer than three trees, too many shifts, a core named twice and bad widths."""
    faults = []
    trees = {core.tree for core in cores}
    if len(trees) < _LEAST_TREES + 1:
        need, do = f"cores of at least {_LEAST_TREES + 1} trees", "Compare the cores of a tree with align_cores."
        faults.append(Fault(f"{len(trees)} trees", need, do, "crossdate_stand", 0, "cores"))
    if not 0 <= max_shift_years <= 30:
        got = show(max_shift_years)
        faults.append(Fault(got, "0 to 30 [years]", "Try fewer shifts.", "crossdate_stand", 0, "max_shift_years"))
    seen = set()
    for core in cores:
        if (core.tree, core.core) in seen:
            got, item = "the same tree and core again", f"tree {core.tree}, core {core.core}"
            faults.append(Fault(got, "one series for each core", "Rename one.", "crossdate_stand", 0, "cores", item))
        seen.add((core.tree, core.core))
    if faults:
        raise InputError(faults)
    for core in cores:
        core_signals(core.widths_mm, name=f"widths_mm of tree {core.tree}, core {core.core}")


def _one_sided(base: AlignmentPrior, lacking: int, reach: int) -> AlignmentPrior:
    """Let events happen in the core only, and the outer end be wrong by some years."""
    other = (1.0 - _STATED_DATE) / max(2 * reach, 1)
    shifts = {lacking - step: _STATED_DATE if step == 0 else other for step in range(-reach, reach + 1)}
    return replace(base, absent_share_b=0.0, false_share_b=0.0, outer_shifts=shifts)


def _overlap(core: DatedCore, first: int, series: Array) -> tuple[Array, Array]:
    """Signals of a core and of another series in the years they share, oldest first."""
    start = innermost_year(core.outer_year, core.widths_mm.size)
    low, high = max(start, first), min(core.outer_year, first + series.size - 1)
    if high - low + 1 < _LEAST_YEARS:
        return np.zeros(0), np.zeros(0)
    own = core_signals(core.widths_mm).plain[::-1]
    other = core_signals(series).plain[::-1]
    return own[low - start : high - start + 1], other[low - first : high - first + 1]


def _agreement(core: DatedCore, first: int, index: Array) -> dict[str, object]:
    own, other = _overlap(core, first, index) if index.size >= _LEAST_YEARS else (np.zeros(0), np.zeros(0))
    compared = own.size > 0
    nan = float("nan")
    return {
        "tree": core.tree,
        "core": core.core,
        "rings": int(core.widths_mm.size),
        "years_compared": int(own.size),
        "correlation": series_correlation(own, other) if compared else nan,
        "critical_correlation": critical_correlation(own.size) if compared else nan,
        "gleichlaeufigkeit": gleichlaeufigkeit(own, other) if compared else nan,
        "mean_sensitivity": mean_sensitivity(core.widths_mm),
        "likeliest_shift": 0,
        "prob_stated_year": nan,
        "prob_count_exact": nan,
        "note": "" if compared else f"fewer than {_LEAST_YEARS} years shared with two other trees",
    }


def _shift_facts(found: Alignment, lacking: int) -> dict[str, object]:
    """Facts about the outer end: true minus stated outer year is what the core was said to lack less what it lacks."""
    outer = found.outer_shift
    likely = lacking - int(outer.support[np.argmax(outer.mass)])
    stated, exact = outer.prob_at(lacking), found.extra_rings_a.prob_at(0)
    return {"likeliest_shift": likely, "prob_stated_year": stated, "prob_count_exact": exact}


def _places(core: DatedCore, found: Alignment, last: int) -> list[tuple[object, ...]]:
    best = {(str(kind), int(ring)) for kind, ring in zip(found.best["kind"], found.best["ring_from_bark"], strict=True)}
    out: list[tuple[object, ...]] = []
    for frame in (found.best, found.events):
        for kind, ring, prob, near, _ in frame.itertuples(index=False, name=None):
            chosen = (kind, ring) in best
            if chosen == (frame is found.best) and (chosen or near >= _SHOWN):
                year = (last if kind == Move.ABSENT_IN_A else core.outer_year) - ring + 1
                out.append((core.tree, core.core, Move(kind).word, ring, year, prob, near, chosen))
    return out


# ------------------------------------------------------------------ agreement statistics of the trade


def mean_sensitivity(widths_mm: ArrayLike) -> float:
    """Mean relative change of width from ring to ring.

    Parameters
    ----------
    widths_mm : array-like, shape (n,)
        Widths [mm] in order of years, at least 0, at least two rings.

    Returns
    -------
    float
        Mean of abs(2 (w2 - w1) / (w2 + w1)), from 0 to 2; NaN if no pair has a width. A pair of two absent rings is
        left out.

    Raises
    ------
    InputError
        If there are fewer than two rings or a width is negative.

    References
    ----------
    .. [1] Fritts, H.C. (1976). Tree rings and climate. Academic Press. (Formula of Douglass, cited from memory.)

    Examples
    --------
    >>> round(mean_sensitivity([2.0, 1.0, 1.5, 3.0]), 4)
    0.5778
    """
    widths = require_nonnegative("mean_sensitivity", widths_mm=widths_mm)[0]
    if widths.ndim != 1 or widths.size < 2:
        need = "one row of at least 2 widths"
        raise InputError(Fault(f"shape {widths.shape}", need, "Pass more rings.", "mean_sensitivity", 0, "widths_mm"))
    total = widths[1:] + widths[:-1]
    real = total > 0
    if not real.any():
        return float("nan")
    return float(np.mean(np.abs(2 * np.diff(widths)[real] / total[real])))


def gleichlaeufigkeit(first: ArrayLike, second: ArrayLike) -> float:
    """Share of years in which two series change in the same direction.

    Parameters
    ----------
    first, second : array-like, shape (n,)
        Widths or signals of the same years, at least two.

    Returns
    -------
    float
        Mean of abs(g1 + g2) with g = +1/2 up, 0 level, -1/2 down: 1 when all changes agree. One level change counts
        a half, two count 0.

    Raises
    ------
    InputError
        If the series differ in length or have fewer than two years.

    Notes
    -----
    By chance 0.5 is expected; with m changes one-sided limits are 0.5 + z 0.5 / sqrt(m), for example 0.664 at 99 %
    for m = 50 (own arithmetic).

    References
    ----------
    .. [1] Eckstein, D., Bauch, J. (1969). Forstwissenschaftliches Centralblatt 88, 230-250. (Cited from memory.)

    Examples
    --------
    >>> gleichlaeufigkeit([1, 2, 3, 2, 4], [2, 3, 3, 1, 5])
    0.875
    """
    one, two = _pair("gleichlaeufigkeit", first, second, 2)
    return float(np.mean(np.abs(np.sign(np.diff(one)) / 2 + np.sign(np.diff(two)) / 2)))


@public
def series_correlation(first: ArrayLike, second: ArrayLike) -> float:
    """Pearson correlation of two series.

    Parameters
    ----------
    first, second : array-like, shape (n,)
        High-pass filtered series of the same years, at least three.

    Returns
    -------
    float
        Correlation, NaN if one of them does not vary.

    Raises
    ------
    InputError
        If the series differ in length or have fewer than three years.

    Examples
    --------
    >>> round(series_correlation([1, 2, 3, 4], [1, 3, 2, 4]), 6)
    0.8
    """
    one, two = _pair("series_correlation", first, second, 3)
    one, two = one - one.mean(), two - two.mean()
    size = float(np.sqrt((one @ one) * (two @ two)))
    return float(one @ two) / size if size > 0 else float("nan")


def critical_correlation(years: int, *, prob: float = 0.99) -> float:
    """Correlation that unrelated series of white noise exceed with a small probability.

    Parameters
    ----------
    years : int
        Years compared, at least 3.
    prob : float, default 0.99
        One minus the one-tailed probability (0.99: common practice of the trade).

    Returns
    -------
    float
        t / sqrt(years - 2 + t**2) with t the quantile of Student's law with years - 2 degrees of freedom.

    Raises
    ------
    InputError
        If there are fewer than 3 years or prob is not between 0 and 1.

    Notes
    -----
    Autocorrelation and trying many lags make it too low: a screen, not a test.

    Examples
    --------
    >>> round(critical_correlation(50), 4), round(critical_correlation(100), 4)
    (0.3281, 0.2324)
    """
    require_probability("critical_correlation", prob=prob)
    if not years >= 3:
        raise InputError(Fault(show(years), "at least 3 years", "Compare more.", "critical_correlation", 0, "years"))
    from scipy.special import stdtrit

    quantile = float(stdtrit(years - 2, prob))
    return quantile / float(np.sqrt(years - 2 + quantile**2))


def chance_of_correlation(correlation: float, years: int) -> float:
    """Probability that unrelated series of white noise correlate at least so well, as in `critical_correlation`.

    >>> round(chance_of_correlation(0.3281, 50), 4), chance_of_correlation(0.0, 50)
    (0.01, 0.5)
    """
    from scipy.special import stdtr

    return float(stdtr(years - 2, -correlation * np.sqrt((years - 2) / max(1 - correlation**2, 1e-12))))


def _pair(where: str, first: ArrayLike, second: ArrayLike, least: int) -> tuple[Array, Array]:
    one, two = real_numbers(first), real_numbers(second)
    if one.shape != two.shape or one.ndim != 1 or one.size < least:
        got, need = f"shapes {one.shape} and {two.shape}", f"two rows of the same {least} or more years"
        raise InputError(Fault(got, need, "Cut both to the years they share.", where, 0, "second"))
    return one, two
