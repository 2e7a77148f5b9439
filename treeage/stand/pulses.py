"""Pulses of establishment on a smooth background: their number, dates, widths and shares, with probabilities.

Draws of a mixture, sorted into sets of pulses that mean the same; own derivation. The shift that all trees share moves
the dates and is not undone.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from treeage.display import Result, year_text
from treeage.errors import Fault, InputError, public, require_nonnegative, require_positive, require_probability, show
from treeage.pmf import freeze_arrays, interval_levels
from treeage.stand.mixture import (
    WIDEST_YEARS,
    MixtureData,
    PulseFits,
    components,
    fit_pulses,
    pulse_quantile,
    pulse_sd,
    unpack,
)
from treeage.stand.recruitment import SURVIVORS, check_count
from treeage.stand.structure import (
    Array,
    Flags,
    Ints,
    SplitDraws,
    check_draws,
    check_weights,
    split_shared,
)

if TYPE_CHECKING:
    import pandas as pd

PER_WIDTH = 2.563  # years that hold 80 % of a normal curve with a standard deviation of one year
MEMBERS = 100  # choice: draws over which the membership of trees is averaged
BEGUN = 0.05  # choice: a pulse has begun when this share of its trees has come
SUDDEN = 0.5  # choice: lean above which a pulse began suddenly: it rose three times as fast as it fell
TOLD_SUDDEN = 0.6  # choice: probability above which that is told, one half beforehand
LEAST_TOLD = 0.01  # choice: other pulses in fewer draws than this are not told

MOST_SETS = 4  # choice: further sets are told together as "elsewhere"
SEEDS = 400  # choice: draws that are compared with each other to find where most of them agree
ROUNDS = 30  # choice: a set is stable after a few rounds


# ------------------------------------------------------------------ the answer


@dataclass(frozen=True)
class PulseSet:
    """A set of pulses that a part of the draws shows: that part, 0 to 1, and the median date of each pulse [year].

    Dates ascend; there are none for draws that belong to no set.
    """

    part: float
    dates: tuple[float, ...]

    def words(self) -> str:
        """The dates in words, or that they lie elsewhere."""
        years = [year_text(round(date)) for date in self.dates]
        if not years:
            return "elsewhere"
        return years[0] if len(years) == 1 else f"{', '.join(years[:-1])} and {years[-1]}"


@dataclass(frozen=True)
class PulseHistory(Result):
    """Pulses of establishment of a stand; from `find_pulses`.

    Parameters
    ----------
    chances : numpy.ndarray, shape (k,)
        Probability of 0, 1, 2, ... pulses.
    date, width, share, begin, lean : numpy.ndarray, shape (draws, pulses)
        Draws for the most probable number of pulses: year by which half of its trees had come, standard deviation
        [years], share of the trees, year by which 5 % of its trees had come, and lean from 0 (as slow to rise as to
        fall) to 1 (begins at its highest level). Only draws that show the pulses most draws show, so that a column
        is one pulse.
    membership : numpy.ndarray, shape (n, pulses + 1)
        Probability of each tree to belong to the background (first column) or to each pulse, over these draws.
    trees : int
        Number of trees.
    widest_years : float
        Largest width of a pulse [years]: 80 % of its trees lie within 2.56 widths, for a normal curve 2.56
        standard deviations.
    prob : float
        Probability of the intervals.
    sets : tuple of PulseSet
        Sets of pulses that the draws show, the one told here first, with their parts of all draws.
    tree_dates : numpy.ndarray, shape (n,)
        Mean date of each tree, for the figure [year].
    above : int, default 0
        Trees whose date is the year at coring height.

    Notes
    -----
    In the table p_number is the probability of this number of pulses, p_set that of these pulses rather than others
    given their number, trees the expected number in each, and p_sudden the probability that a pulse rose at least
    three times as fast as it fell (one half beforehand): such a pulse is told as a cohort with its beginning.
    """

    _digits = 2
    _caveats = (SURVIVORS,)

    chances: Array
    date: Array
    width: Array
    share: Array
    begin: Array
    lean: Array
    membership: Array
    trees: int
    widest_years: float
    prob: float
    sets: tuple[PulseSet, ...] = ()
    tree_dates: Array = field(default_factory=lambda: np.zeros(0))
    above: int = 0

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def matched(self) -> float:
        """Part of the draws that show these pulses and no others, 0 to 1, given their number."""
        return self.sets[0].part if self.sets else 1.0

    @property
    def number(self) -> int:
        """Most probable number of pulses."""
        return int(np.argmax(self.chances))

    def to_frame(self) -> pd.DataFrame:
        """One row a pulse of the most probable number, if any: median, lo and hi of its date, width and share."""
        import pandas as pd

        rows = []
        for pulse in range(self.number):
            row: dict[str, object] = {"pulse": pulse + 1, "p_number": float(self.chances[self.number])}
            row["p_set"] = self.matched
            parts = {"date": self.date, "width_sd_years": self.width, "share": self.share, "begin": self.begin}
            for name, draws in parts.items():
                ends = np.quantile(draws[:, pulse], interval_levels(self.prob))
                row |= {f"{name}_{part}": float(end) for part, end in zip(("median", "lo", "hi"), ends, strict=True)}
            row["p_sudden"] = float((self.lean[:, pulse] > SUDDEN).mean())
            row["trees"] = float(self.membership[:, pulse + 1].sum())
            rows.append({**row, "prob": self.prob})
        columns = ["pulse", "p_number", "p_set", "date_median", "date_lo", "date_hi"]
        columns += ["width_sd_years_median", "width_sd_years_lo", "width_sd_years_hi"]
        columns += ["share_median", "share_lo", "share_hi", "begin_median", "begin_lo", "begin_hi"]
        columns += ["p_sudden", "trees", "prob"]
        return pd.DataFrame(rows, columns=columns)

    def sentence(self) -> str:
        """Number, dates with intervals, shares, the probability, and the other pulses that some draws show."""
        chance = f"probability {self.chances[self.number]:.2f}"
        if self.number == 0:
            return (
                f"No pulse stands out from steady or slowly changing establishment of {self.trees} trees ({chance}); "
                f"a pulse has 80 % of its trees within {PER_WIDTH * self.widest_years:.0f} years."
            )
        parts = [_told(row) for row in self.to_frame().to_dict("records")]
        noun = "pulse" if self.number == 1 else "pulses"
        return f"{self.number} {noun} of establishment, {chance}: {'; '.join(parts)}.{self._others()} Survivors only."

    def _others(self) -> str:
        """What the other draws show, where they are at least one in a hundred."""
        others = [each for each in self.sets[1:] if each.part >= LEAST_TOLD]
        if not others:
            return ""
        verb = "pulse is" if self.number == 1 else "pulses are"
        first = f" In {100 * others[0].part:.0f} % of draws the {verb} {others[0].words()}"
        return first + "".join(f", in {100 * each.part:.0f} % {each.words()}" for each in others[1:]) + " instead."


def _years_told(row: Mapping[Hashable, Any], what: str) -> str:
    """Median and interval of a year, the bracket still open."""
    median, low, high = (year_text(round(row[f"{what}_{part}"])) for part in ("median", "lo", "hi"))
    return f"{median} ({low} to {high}"


def _told(row: Mapping[Hashable, Any]) -> str:
    """One pulse in words: a cohort with its beginning where it rose suddenly, else its date."""
    share = f"{100 * row['share_median']:.0f} % of trees"
    date = _years_told(row, "date")
    if row["p_sudden"] <= TOLD_SUDDEN:
        return f"{date}, {share})"
    sure = f"sudden rise with probability {row['p_sudden']:.2f}"
    return f"one cohort, beginning in {_years_told(row, 'begin')}), {sure}, {share}, half of them come by {date})"


@public
def find_pulses(
    draws: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    most_pulses: int = 4,
    widest_years: float = WIDEST_YEARS,
    prob: float = 0.9,
    seed: int = 0,
    split: SplitDraws | None = None,
) -> PulseHistory:
    """Find pulses of establishment and say how sure their number, dates and shares are.

    Parameters
    ----------
    draws : array-like, shape (draws, n)
        Establishment years with shared error included; one column a tree.
    weights : array-like, shape (n,), optional
        Trees per hectare that each tree stands for, above 0.
    most_pulses : int, default 4
        Largest number that is tried.
    widest_years : float, default 15
        Largest width that still counts as a pulse [years] (choice: 80 % of its trees within 38 years): the standard
        deviation of a pulse that rises as slowly as it falls.
    prob : float, default 0.9
        Probability of the intervals.
    seed : int, default 0
        Seed.
    split : SplitDraws, optional
        Parts of the draws, if they were split before (`split_shared`).

    Returns
    -------
    PulseHistory
        Number with probabilities, and the pulses of the most probable number.

    Raises
    ------
    InputError
        If the draws or weights are malformed, or there are fewer than 5 trees.

    Notes
    -----
    Mixture of pulses on a background between two unknown years whose logarithm is a parabola (steady, declining, rising
    or humped establishment is no pulse): at its highest level the background would last four times the largest width. A
    pulse is a normal curve, or begins suddenly and falls off like a normal curve to an exponential one, as a cohort
    after an event does; known events are not used, so that dates can be compared with them. Prior: each further pulse
    is a quarter as likely as one less; two pulses are two only if further apart than their standard deviations
    together. A pulse narrower than the dating error keeps a width interval that reaches down to a year. Intervals and
    memberships are those of the draws that show the same pulses as most; the part of the others, and their dates, are
    told beside them.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> dates = np.append(rng.normal(1850, 4, 60), rng.uniform(1750, 1950, 40))
    >>> read = dates + rng.normal(0, 5, 100)
    >>> found = find_pulses(read + rng.normal(0, 5, (1000, 100)))
    >>> found.number, bool(found.date[:, 0].mean().round(-1) == 1850)
    (1, True)
    """
    where = "find_pulses"
    array = check_draws(where, draws)
    require_probability(where, prob=prob)
    require_positive(where, widest_years=np.asarray(widest_years) - 2.0)
    check_count(where, array)
    if most_pulses < 0:
        raise InputError(Fault(show(most_pulses), "at least 0", "Use 4.", where, 0, "most_pulses"))
    weight = check_weights(where, weights, array.shape[1])
    parts = split_shared(array, seed=seed) if split is None else split
    fits = fit_pulses(parts, weight, most_pulses=most_pulses, widest_years=widest_years, seed=seed)
    return told_pulses(fits, prob=prob, seed=seed)


def told_pulses(fits: PulseFits, *, prob: float = 0.9, seed: int = 0) -> PulseHistory:
    """The most probable number of pulses, averaged over the strata of the shared error, with its common shift."""
    rng = np.random.default_rng([seed, 1])
    chances = np.zeros(max(map(len, fits.chances)))
    for each in fits.chances:
        chances[: each.size] += each / len(fits.chances)
    number = int(np.argmax(chances))
    kept = [(data, fits.parts.common[group].ravel(), family[number])
            for data, group, family in zip(fits.data, fits.groups, fits.families, strict=True)
            if len(family) > number]  # fmt: skip
    thetas = [fit.theta[rng.permutation(len(fit.theta))] for _, _, fit in kept]
    _, date, wide, share, lean = unpack(np.concatenate(thetas), number)
    width = pulse_sd(wide, lean)
    chosen = pulse_sets(date, width, own_sd_years=float(np.median(fits.parts.own_sd)))
    shift = np.concatenate([rng.choice(each[1], size=len(own)) for each, own in zip(kept, thetas, strict=True)])
    begin = pulse_quantile(BEGUN, date, wide, lean) + shift[:, None]
    date = date + shift[:, None]
    same = chosen == 0
    trees = fits.parts.centre.size
    membership = np.zeros((trees, number + 1))
    start = 0
    for (part, _, _), own in zip(kept, thetas, strict=True):
        mine = own[same[start : start + len(own)]]
        start += len(own)
        if len(mine):
            membership += len(mine) / same.sum() * _membership(part, mine[:MEMBERS], number)
    return PulseHistory(
        chances, date[same], width[same], share[same, 1:], begin[same], lean[same], membership, trees,
        fits.data[0].widest_years, prob, summarise_sets(date, chosen), fits.parts.centre,
    )  # fmt: skip


def _membership(data: MixtureData, theta: Array, pulses: int) -> Array:
    """Probability of each tree to belong to each component, averaged over draws."""
    parts = components(data, theta, pulses)
    part = unpack(theta, pulses)[3]
    total = np.zeros((data.mass.shape[0], pulses + 1))
    for curve, odds in zip(parts, part, strict=True):
        seen = data.mass @ curve.T * odds
        total += seen / np.maximum(seen.sum(axis=1, keepdims=True), 1e-300)
    return np.asarray(total / theta.shape[0])


# ------------------------------------------------------------------ draws that mean the same pulses


def pulse_sets(date: ArrayLike, width: ArrayLike, *, own_sd_years: float) -> Ints:
    """Sort draws of pulses into sets, 0 for the set most draws belong to, then 1, 2, ...; -1 for draws left over.

    Centres (ascending in each draw) and standard deviations, shape (draws, pulses), without the shift that all trees
    share, and the typical standard deviation of a tree's own dating error [years].
    """
    # Dates sorted within each draw do not keep their pulse: where one draw finds pulses at 1820 and 1880 and most find
    # 1880 and 1940, the quantiles of the first and of the second date mix three pulses (label switching: Stephens, M.
    # (2000), Dealing with label switching in mixture models, Journal of the Royal Statistical Society B 62:795-809;
    # from memory, the problem only). A pulse of a draw is that of the set if it is nearer to it than to any other pulse
    # of the set, and the two lie no further apart than their standard deviations together, each as it appears through
    # the dating error. A draw is in the set if all its pulses are; dates are in order, so pairing in order is the best
    # assignment.
    where = "pulse_sets"
    centre = np.asarray(date, dtype=np.float64)
    (own,) = require_nonnegative(where, own_sd_years=own_sd_years)
    (wide,) = require_positive(where, width=width)
    if centre.ndim != 2 or centre.shape != wide.shape:
        got = f"shapes {centre.shape} and {wide.shape}"
        raise InputError(Fault(got, "one shape of two dimensions", "Give a width for each date.", where, 0, "width"))
    number = np.full(centre.shape[0], -1, dtype=np.int64)
    if not centre.shape[1]:
        return np.zeros_like(number)
    seen = np.sqrt(wide**2 + own**2)
    found: list[Ints] = []
    left = np.ones(centre.shape[0], dtype=bool)
    while left.any() and len(found) < MOST_SETS:
        rows = np.flatnonzero(left)
        members = rows[_largest_set(centre[rows], seen[rows])]
        found.append(members)
        left[members] = False
    for at, members in enumerate(sorted(found, key=lambda rows: (-rows.size, int(rows[0])))):
        number[members] = at
    return number


def summarise_sets(date: ArrayLike, number: Sequence[int] | Ints) -> tuple[PulseSet, ...]:
    """Parts of the draws and dates of each set of `pulse_sets`, the largest first; draws of no set come last."""
    centre, chosen = np.asarray(date, dtype=np.float64), np.asarray(number)
    out = []
    for at in (*range(int(chosen.max(initial=-1)) + 1), -1):
        rows = chosen == at
        if rows.any():
            years = np.median(centre[rows], axis=0).tolist() if at >= 0 else []
            out.append(PulseSet(float(rows.mean()), tuple(years)))
    return tuple(out)


def _largest_set(centre: Array, seen: Array) -> Ints:
    """Rows of the draws that agree with the draw that most others agree with, refined round their medians."""
    some = np.unique(np.linspace(0, len(centre) - 1, min(SEEDS, len(centre))).astype(np.int64))
    agree = [int(_same(centre[some], seen[some], centre[row], seen[row]).sum()) for row in some]
    start = some[int(np.argmax(agree))]
    middle, spread = centre[start], seen[start]
    inside = _same(centre, seen, middle, spread)
    for _ in range(ROUNDS):
        middle, spread = np.median(centre[inside], axis=0), np.median(seen[inside], axis=0)
        further = _same(centre, seen, middle, spread)
        if not further.any() or np.array_equal(further, inside):
            break
        inside = further
    return np.flatnonzero(inside)


def _same(centre: Array, seen: Array, middle: Array, spread: Array) -> Flags:
    """Whether all pulses of each draw are those of a set."""
    away = np.abs(centre[:, :, None] - middle)
    nearest = away.argmin(axis=2) == np.arange(middle.size)
    own = np.abs(centre - middle)
    return np.asarray((nearest & (own <= seen + spread)).all(axis=1))
