"""Pulses of establishment on a smooth background: their number, dates, widths and shares, with probabilities.

Draws of a mixture, sorted into sets of pulses that mean the same; own derivation. The shift that all trees share moves
the dates and is not undone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from treeage.display import Result
from treeage.errors import Fault, InputError, require_nonnegative, require_positive, require_probability, show
from treeage.pmf import freeze_arrays, interval_levels
from treeage.stand.recruitment import SURVIVORS, check_count
from treeage.stand.structure import (
    Array,
    Flags,
    Ints,
    SplitDraws,
    check_draws,
    check_weights,
    effective_trees,
    split_shared,
    year_grid,
    year_mass,
)

if TYPE_CHECKING:
    import pandas as pd

WIDEST_YEARS = 15.0  # choice: a normal curve with this sd holds 80 % of a pulse within 38 years
RARER = 4.0  # choice: one more pulse is this many times less likely beforehand, since chance clusters are many
STOP = 4.0  # choice: one more pulse is not tried when the last was less likely by e^4
MOST_NODES = 3  # choice: strata of the shared error at which the mixture is fitted
MEMBERS = 100  # choice: draws over which the membership of trees is averaged
LEAST_TOLD = 0.01  # choice: other pulses in fewer draws than this are not told

NARROWEST_YEARS = 1.0  # choice: smallest standard deviation of a pulse
BACKGROUND_PER_PULSE_SD = 4.0  # choice: the background is at least this many times as long as the widest pulse's sd
BEND_SD = 4.0  # choice: prior sd of slope and bend of the log background from its middle to its end
SMOOTH_PER_WIDEST = 2.0  # choice: the background changes e-fold, and humps, over at least twice the widest pulse's sd
STRAY = 0.002  # choice: share of the background that may lie anywhere, so that one odd tree cannot decide
PARTICLES = 1000  # choice: draws of the posterior, and a start for the evidence
KEEP = 0.5  # choice: share of effective particles after a step of the temperature
MOVES, LAST_MOVES = 5, 15  # choice: moves of every particle at each temperature, and at the end
KERNELS, BANDWIDTH, FREEDOM = 200, 0.7, 6.0  # choice: proposal of the evidence, wider than the posterior at its edges
EVIDENCE_DRAWS = 3000  # choice: the log evidence then differs by about 0.1-0.2 between seeds
PRIOR_TRIES = 400  # choice: batches of prior draws before a number of pulses is given up as not fitting in the span

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
        years = [f"{date:.0f}" for date in self.dates]
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
    date, width, share : numpy.ndarray, shape (draws, pulses)
        Draws for the most probable number of pulses: centre [year], standard deviation [years], share of the
        trees. Only draws that show the pulses most draws show, so that a column is one pulse.
    membership : numpy.ndarray, shape (n, pulses + 1)
        Probability of each tree to belong to the background (first column) or to each pulse, over these draws.
    trees : int
        Number of trees.
    widest_years : float
        Largest standard deviation that counts as a pulse [years].
    prob : float
        Probability of the intervals.
    sets : tuple of PulseSet
        Sets of pulses that the draws show, the one told here first, with their parts of all draws.

    Notes
    -----
    In the table p_number is the probability of this number of pulses, p_set that of these pulses rather than others
    given their number, and trees the expected number in each.
    """

    _digits = 2
    _caveats = (SURVIVORS,)

    chances: Array
    date: Array
    width: Array
    share: Array
    membership: Array
    trees: int
    widest_years: float
    prob: float
    sets: tuple[PulseSet, ...] = ()

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
            for name, draws in (("date", self.date), ("width_sd_years", self.width), ("share", self.share)):
                ends = np.quantile(draws[:, pulse], interval_levels(self.prob))
                row |= {f"{name}_{part}": float(end) for part, end in zip(("median", "lo", "hi"), ends, strict=True)}
            row["trees"] = float(self.membership[:, pulse + 1].sum())
            rows.append({**row, "prob": self.prob})
        columns = ["pulse", "p_number", "p_set", "date_median", "date_lo", "date_hi"]
        columns += ["width_sd_years_median", "width_sd_years_lo", "width_sd_years_hi"]
        columns += ["share_median", "share_lo", "share_hi", "trees", "prob"]
        return pd.DataFrame(rows, columns=columns)

    def sentence(self) -> str:
        """Number, dates with intervals, shares, the probability, and the other pulses that some draws show."""
        chance = f"probability {self.chances[self.number]:.2f}"
        if self.number == 0:
            return (
                f"No pulse stands out from steady or slowly changing establishment of {self.trees} trees ({chance}); "
                f"a pulse is at most {self.widest_years:g} years in standard deviation."
            )
        parts = [
            f"{row['date_median']:.0f} ({row['date_lo']:.0f} to {row['date_hi']:.0f}, "
            f"{100 * row['share_median']:.0f} % of trees)"
            for row in self.to_frame().to_dict("records")
        ]
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
        Largest standard deviation that still counts as a pulse [years] (choice: 80 % within 38 years).
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
    Mixture of normal pulses on a background between two unknown years whose logarithm is a parabola (steady,
    declining, rising or humped establishment is no pulse). Prior: each further pulse is a quarter as
    likely as one less; two pulses are two only if further apart than their standard deviations together. A
    pulse narrower than the dating error keeps a width interval that reaches down to a year. Intervals and
    memberships are those of the draws that show the same pulses as most; the part of the others, and their dates,
    are told beside them.

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
    share = weight * effective_trees(weight) / weight.sum()
    parts = split_shared(array, seed=seed) if split is None else split
    rng = np.random.default_rng(seed)
    groups = np.array_split(np.arange(parts.deviation.shape[0]), min(MOST_NODES, parts.deviation.shape[0]))
    data = [_data(parts, int(group[0]), share, widest_years) for group in groups]
    shifts = [parts.common[group].ravel() for group in groups]
    particles = max(400, PARTICLES // len(data))  # choice: several strata share the work
    families = [_fit_family(part, most_pulses, particles, rng) for part in data]
    return _collect(data, shifts, families, float(np.median(parts.own_sd)), prob, rng)


def _data(parts: SplitDraws, node: int, share: Array, widest_years: float) -> MixtureData:
    """Masses on a grid with room for the shortest background."""
    span = float(np.ptp(parts.centre))
    pad = int(max(6.0, (4.6 * widest_years - span) / 2))  # choice: room for the shortest background
    grid = year_grid(parts, pad_years=pad)
    return MixtureData(year_mass(parts, node, grid), share, grid.centres, widest_years)


def _fit_family(data: MixtureData, most_pulses: int, particles: int, rng: np.random.Generator) -> list[MixtureFit]:
    """Fits with 0, 1, 2, ... pulses until one more is hopeless."""
    fits: list[MixtureFit] = []
    for number in range(most_pulses + 1):
        fits.append(fit_mixture(data, number, rng, particles=particles))
        scores = _scores(fits)
        if number >= 1 and scores[-1] < max(scores) - STOP:
            break
    return fits


def _scores(fits: Sequence[MixtureFit]) -> Array:
    """Log evidence of each number of pulses, with its prior."""
    return np.array([fit.log_evidence - fit.pulses * np.log(RARER) for fit in fits])


def _collect(
    data: list[MixtureData],
    shifts: list[Array],
    families: list[list[MixtureFit]],
    own_sd: float,
    prob: float,
    rng: np.random.Generator,
) -> PulseHistory:
    """Average over the strata of the shared error and add its common shift."""
    most = max(len(fits) for fits in families)
    chances = np.zeros(most)
    for fits in families:
        score = _scores(fits)
        odds = np.exp(score - score.max())
        chances[: len(fits)] += odds / odds.sum() / len(families)
    number = int(np.argmax(chances))
    kept = [(part, common, fits[number]) for part, common, fits in zip(data, shifts, families, strict=True)
            if len(fits) > number]  # fmt: skip
    thetas = [fit.theta[rng.permutation(len(fit.theta))] for _, _, fit in kept]
    _, date, width, share = unpack(np.concatenate(thetas), number)
    chosen = pulse_sets(date, width, own_sd_years=own_sd)
    shift = np.concatenate([rng.choice(each[1], size=len(own)) for each, own in zip(kept, thetas, strict=True)])
    date = date + shift[:, None]
    same = chosen == 0
    membership = np.zeros((data[0].mass.shape[0], number + 1))
    start = 0
    for (part, _, _), own in zip(kept, thetas, strict=True):
        mine = own[same[start : start + len(own)]]
        start += len(own)
        if len(mine):
            membership += len(mine) / same.sum() * _membership(part, mine[:MEMBERS], number)
    return PulseHistory(
        chances, date[same], width[same], share[same, 1:], membership, data[0].mass.shape[0], data[0].widest_years,
        prob, summarise_sets(date, chosen),
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


# ------------------------------------------------------------------ the mixture, with a given number of pulses


@dataclass(frozen=True)
class MixtureData:
    """What the mixture is fitted to.

    Mass of each tree over the cells, shape (n, size); weight of each tree in the likelihood; centres of the cells
    [year]; largest standard deviation that still is a pulse [years].
    """

    mass: Array
    weights: Array
    centres: Array
    widest_years: float

    @property
    def step(self) -> float:
        """Width of a cell [years]."""
        return float(self.centres[1] - self.centres[0])


@dataclass(frozen=True)
class MixtureFit:
    """Posterior of a mixture: number of pulses, log marginal likelihood, and draws, shape (draws, 4 + 3 * pulses).

    A draw holds start, end, slope and bend of the background, then dates, log widths and log odds of the pulses.
    """

    pulses: int
    log_evidence: float
    theta: Array


def unpack(theta: Array, pulses: int) -> tuple[Array, Array, Array, Array]:
    """Split draws into the background's parameters, and dates, widths and shares of the pulses.

    Shares, shape (draws, pulses + 1), begin with that of the background.
    """
    date = theta[:, 4 : 4 + pulses]
    width = np.exp(theta[:, 4 + pulses : 4 + 2 * pulses])
    odds = np.concatenate([np.zeros((theta.shape[0], 1)), theta[:, 4 + 2 * pulses :]], axis=1)
    odds = np.exp(odds - odds.max(axis=1, keepdims=True))
    return theta[:, :4], date, width, odds / odds.sum(axis=1, keepdims=True)


def components(data: MixtureData, theta: Array, pulses: int) -> Array:
    """Probability of each cell under the background and each pulse, shape (draws, pulses + 1, size); rows sum to 1."""
    background, date, width, _ = unpack(theta, pulses)
    centres, step = data.centres, data.step
    start, end = background[:, 0, None], background[:, 1, None]
    length = np.maximum(end - start, step)
    along = np.clip((centres - (start + end) / 2) / (length / 2), -1.0, 1.0)
    inside = np.clip((centres - start) / step + 0.5, 0, 1) * np.clip((end - centres) / step + 0.5, 0, 1)
    level = inside * np.exp(np.clip(background[:, 2, None] * along + background[:, 3, None] * along**2, -30, 30))
    out = np.empty((theta.shape[0], pulses + 1, centres.size))
    level = level / np.maximum(level.sum(axis=1, keepdims=True), 1e-300)
    out[:, 0] = (1 - STRAY) * level + STRAY / centres.size
    for number in range(pulses):
        curve = np.exp(-0.5 * ((centres - date[:, number, None]) / width[:, number, None]) ** 2)
        out[:, number + 1] = curve / np.maximum(curve.sum(axis=1, keepdims=True), 1e-300)
    return out


def log_likelihood(data: MixtureData, theta: Array, pulses: int) -> Array:
    """Sum over trees of weight * log(sum over cells of mass * density), for each draw."""
    share = unpack(theta, pulses)[3]
    density = np.einsum("dk,dkt->dt", share, components(data, theta, pulses))
    seen = density.astype(np.float32) @ data.mass.astype(np.float32).T  # single precision: 1e-7 of each term
    return np.asarray(np.log(np.maximum(seen, 1e-30)) @ data.weights, dtype=np.float64)


def log_prior(data: MixtureData, theta: Array, pulses: int) -> Array:
    """Log prior of each draw up to a constant, minus infinity where it forbids."""
    # Start and end of the background uniform on the grid at least BACKGROUND_PER_PULSE_SD widest pulses apart; slope
    # and bend normal, but no rise to an end and no hump faster than SMOOTH_PER_WIDEST widest pulses, which could mimic
    # a pulse; dates uniform on the grid, in order and further apart than their two standard deviations together (nearer
    # ones are one pulse); widths uniform from NARROWEST_YEARS to the widest; shares uniform on the simplex.
    background, date, width, share = unpack(theta, pulses)
    low, high = data.centres[0] - data.step / 2, data.centres[-1] + data.step / 2
    allowed = (background[:, 0] >= low) & (background[:, 1] <= high)
    allowed &= background[:, 1] - background[:, 0] >= BACKGROUND_PER_PULSE_SD * data.widest_years
    allowed &= _is_smooth(background, SMOOTH_PER_WIDEST * data.widest_years)
    allowed &= np.all((date > low) & (date < high), axis=1)
    allowed &= np.all((width >= NARROWEST_YEARS) & (width <= data.widest_years), axis=1)
    allowed &= np.all(np.diff(date, axis=1) > width[:, :-1] + width[:, 1:], axis=1)
    value = -0.5 * (background[:, 2:] ** 2).sum(axis=1) / BEND_SD**2
    value += np.log(np.maximum(share, 1e-300)).sum(axis=1) + np.log(np.maximum(width, 1e-300)).sum(axis=1)
    return np.where(allowed, value, -np.inf)


def _is_smooth(background: Array, years: float) -> Flags:
    """Whether the background changes e-fold at its higher end, and humps, over at least the given years."""
    half = np.maximum(background[:, 1] - background[:, 0], 1.0) / 2
    steep = np.abs(background[:, 2]) + 2 * background[:, 3]
    return np.asarray((steep <= half / years) & (-background[:, 3] <= (half / years) ** 2 / 2))


def prior_draws(data: MixtureData, pulses: int, count: int, rng: np.random.Generator) -> tuple[Array, float]:
    """Draws from the prior, none if so many pulses do not fit in the span, and the share of tries that it allows."""
    low, high = data.centres[0] - data.step / 2, data.centres[-1] + data.step / 2
    found: list[Array] = []
    total = 0
    for batch in range(1, PRIOR_TRIES + 1):
        ends = np.sort(rng.uniform(low, high, (count, 2)), axis=1)
        shape = rng.normal(0.0, BEND_SD, (count, 2))
        date = np.sort(rng.uniform(low, high, (count, pulses)), axis=1)
        width = rng.uniform(NARROWEST_YEARS, data.widest_years, (count, pulses))
        share = rng.dirichlet(np.ones(pulses + 1), count)
        odds = np.log(np.maximum(share[:, 1:], 1e-12) / np.maximum(share[:, :1], 1e-12))
        theta = np.concatenate([ends, shape, date, np.log(width), odds], axis=1)
        good = theta[np.isfinite(log_prior(data, theta, pulses))]
        found.append(good)
        total += len(good)
        if total >= count:
            return np.concatenate(found)[:count], total / (batch * count)
    return np.empty((0, 4 + 3 * pulses)), 0.0


def fit_mixture(data: MixtureData, pulses: int, rng: np.random.Generator, *, particles: int = PARTICLES) -> MixtureFit:
    """Posterior and evidence of a mixture with a given number of pulses; minus infinity if they do not fit in the span.

    Particles go from the prior to the posterior through powers of the likelihood [1], moved by differences of other
    particles [2]; the evidence comes from importance sampling round them, with capped weights [3].
    """
    # [1] Del Moral, P., Doucet, A. and Jasra, A. (2006). Sequential Monte Carlo samplers. Journal of the Royal
    #     Statistical Society B 68:411-436. (From memory.)
    # [2] ter Braak, C. J. F. (2006). A Markov chain Monte Carlo version of the genetic algorithm differential
    #     evolution. Statistics and Computing 16:239-249. (From memory.)
    # [3] Ionides, E. L. (2008). Truncated importance sampling. Journal of Computational and Graphical Statistics
    #     17:295-311. (From memory.)
    theta, kept = prior_draws(data, pulses, particles, rng)
    if not len(theta):
        return MixtureFit(pulses, -np.inf, theta)
    value = log_likelihood(data, theta, pulses)
    power = 0.0
    while power < 1.0:
        step = _next_step(value, 1.0 - power)
        power = min(1.0, power + step)
        picked = _resampled(np.exp(step * (value - value.max())), rng)
        theta, value = theta[picked], value[picked]
        for _ in range(MOVES if power < 1.0 else LAST_MOVES):
            theta, value = _moved(data, theta, value, pulses, power, rng)
    return MixtureFit(pulses, _evidence(data, theta, pulses, kept, rng), theta)


def _next_step(value: Array, left: float) -> float:
    """Step of the power that keeps the wanted share of particles effective, at most what is left."""
    from scipy.optimize import brentq

    def surplus(step: float) -> float:
        """Effective share of the particles less what is wanted; it falls as the step grows."""
        weight = np.exp(step * (value - value.max()))
        return float(weight.sum() ** 2 / (weight**2).sum()) / value.size - KEEP

    if surplus(left) >= 0:
        return left
    return max(float(brentq(surplus, 0.0, left, xtol=1e-13)), 1e-6)


def _resampled(weight: Array, rng: np.random.Generator) -> Ints:
    """Systematic resampling, in random order."""
    level = (np.arange(weight.size) + rng.random()) / weight.size
    picked = np.searchsorted(np.cumsum(weight) / weight.sum(), level)
    return rng.permutation(np.minimum(picked, weight.size - 1))


def _moved(
    data: MixtureData, theta: Array, value: Array, pulses: int, power: float, rng: np.random.Generator
) -> tuple[Array, Array]:
    """One move of each half of the particles along differences within the other half."""
    half = theta.shape[0] // 2
    theta, value = theta.copy(), value.copy()
    for own, other in ((slice(0, half), slice(half, None)), (slice(half, None), slice(0, half))):
        here, pool = theta[own], theta[other]
        first, second = rng.integers(0, pool.shape[0], (2, here.shape[0]))
        length = rng.choice([0.15, 0.5, 1.0], here.shape[0], p=[0.35, 0.4, 0.25])  # choice: near, usual and far moves
        scale = np.where(length == 1.0, 1.0, length * 2.38 / np.sqrt(2 * here.shape[1]))
        mask = rng.random(here.shape) < rng.choice([0.3, 1.0], (here.shape[0], 1))  # choice: a few or all parameters
        trial = here + scale[:, None] * mask * (pool[first] - pool[second]) + rng.normal(0, 1e-4, here.shape)
        prior = log_prior(data, trial, pulses)
        ratio = np.full(here.shape[0], -np.inf)
        likely = np.full(here.shape[0], -np.inf)
        good = np.isfinite(prior)
        if good.any():
            likely[good] = log_likelihood(data, trial[good], pulses)
            before = power * value[own][good] + log_prior(data, here[good], pulses)
            ratio[good] = power * likely[good] + prior[good] - before
        accept = np.log(rng.random(here.shape[0])) < ratio
        theta[own] = np.where(accept[:, None], trial, here)
        value[own] = np.where(accept, likely, value[own])
    return theta, value


def _evidence(data: MixtureData, theta: Array, pulses: int, kept: float, rng: np.random.Generator) -> float:
    """Log evidence by importance sampling from t kernels on draws of the posterior."""
    from scipy.special import gammaln, logsumexp

    size = theta.shape[1]
    middle = theta.mean(axis=0)
    spread = np.cov(theta.T) + 1e-8 * np.eye(size)
    centres = middle + np.sqrt(1 - BANDWIDTH**2) * (theta[rng.integers(0, len(theta), KERNELS)] - middle)
    factor = BANDWIDTH * np.linalg.cholesky(spread)
    scale = np.sqrt(FREEDOM / rng.chisquare(FREEDOM, EVIDENCE_DRAWS))[:, None]
    steps = rng.standard_normal((EVIDENCE_DRAWS, size)) * scale
    trial = centres[rng.integers(0, KERNELS, EVIDENCE_DRAWS)] + steps @ factor.T
    prior = log_prior(data, trial, pulses)
    good = np.isfinite(prior)
    inverse = np.linalg.inv(factor)
    away = (((trial[good] @ inverse.T)[:, None] - (centres @ inverse.T)[None]) ** 2).sum(axis=2)
    density = logsumexp(-0.5 * (FREEDOM + size) * np.log1p(away / FREEDOM), axis=1) - np.log(KERNELS)
    density += gammaln((FREEDOM + size) / 2) - gammaln(FREEDOM / 2) - 0.5 * size * np.log(np.pi * FREEDOM)
    density -= np.log(np.diag(factor)).sum()
    span = data.centres[-1] - data.centres[0] + data.step
    constant = np.log(2.0) - 2 * np.log(span * np.sqrt(2 * np.pi) * BEND_SD) + 2 * gammaln(pulses + 1)
    constant -= pulses * np.log(span * (data.widest_years - NARROWEST_YEARS)) + np.log(kept)
    weight = log_likelihood(data, trial[good], pulses) + prior[good] + constant - density
    plain = logsumexp(weight) - np.log(EVIDENCE_DRAWS)
    capped = np.minimum(weight, plain + 0.5 * np.log(EVIDENCE_DRAWS))  # no draw decides alone
    return float(logsumexp(capped) - np.log(EVIDENCE_DRAWS))
