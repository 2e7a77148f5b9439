"""Two cores of a tree and the mean of the stand's other trees, read together year by year.

Own derivation: a hidden-Markov model whose states are the true minus counted rings of both cores so far.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from treeage.alignment.engine import EventGrids, PairSums
from treeage.alignment.lattice import DEGREES_OF_FREEDOM, EVENTS, Array, Move, Signals, rough_evidence
from treeage.alignment.prior import AlignmentPrior, alignment_model, narrow_odds
from treeage.pmf import Pmf, freeze_arrays

Bools = NDArray[np.bool_]
Moves = Mapping[str, Array]
Run = tuple[Moves, Array, Array]  # factors of the moves and of years without agreement, forward sums


class Node(NamedTuple):
    """Correlation of the two cores, and of each with the reference; None where the reference is left out."""

    own: float
    far: tuple[float, float] | None


Chosen = tuple[list[Node], Array]  # nodes worth the full sums and their prior weights

_RETURN = 0.005  # as in `lattice`: an event that takes back an earlier one is likelier a disturbed stretch
_TEMPER = 0.65  # fitted: three series that share their errors tell less than the law says
_DISTURBED = (0.02, 0.15)  # fitted: probabilities that a disturbed stretch begins and ends with a year
_WIDEN, _WIDEST = 4, 24  # choice: states by which the band grows where its edge matters, and the widest
_EDGE = 1e-4  # choice: probability at the edge of the band above which it is widened
_STRANGE = 0.5  # choice: a reference may have nothing to do with the cores; the evidence decides
_CELLS = 200_000  # choice: years times states of the trios worked on at once
_BLOCK_CELLS = 30_000  # choice: cells whose factors are worked out at once, so that a few arrays fit the cache
_RESCALE_EVERY = 4  # choice: years between rescaling, far from overflow
_OUT_OF_REACH = 1e-9  # mass of states at and beyond which a core is not followed further; their neighbour still is
_NEGLIGIBLE = 1e-9  # probabilities below this are not followed
_CORES = ("core_a", "core_b")
Signal = tuple[Array, Array, tuple[int, int]]  # values, their part of the log ratio, and which they are
_KEEP = 0.1  # choice: correlations with a smaller share of the rough evidence are left out
LAGS = 3  # rings outside an event whose signals it changes: the order of the whitening

# The year y = 0, 1, ... from the bark is the step. The state is (true minus counted rings of A, the same of B) so far:
# ring i = y - state of a core is the next. A year is one of six moves:
#
#               both   absent in A   absent in B   absent in both   false in A   false in B
#   state of A   .         +1            .               +1             -1            .
#   state of B   .          .           +1               +1              .           -1
#
# A move counts for the density of the signals of its year and of those whose whitening it changes, over the density of
# three unrelated series: a trivariate t law. The reference has every year; where it is not known the cores are read
# against each other alone, and where one core has ended the other is read against the reference.
ABSENT_IN_BOTH = "absent_in_both"
MOVES: dict[str, tuple[int, int]] = {
    Move.BOTH: (0, 0),
    Move.ABSENT_IN_A: (1, 0),
    Move.ABSENT_IN_B: (0, 1),
    ABSENT_IN_BOTH: (1, 1),
    Move.FALSE_IN_A: (-1, 0),
    Move.FALSE_IN_B: (0, -1),
}
_EVENTS = {move: turn for move, turn in MOVES.items() if move != Move.BOTH}


@dataclass(frozen=True)
class Trio:
    """Signals of two cores and of the reference, outermost first, all from the same outer year."""

    core_a: Signals
    core_b: Signals
    reference: Signals
    known: Bools  # whether the reference says something of its year

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def years(self) -> int:
        """Years up to the inner end of the core that reaches further in, if its count is exact."""
        return max(self.core_a.size, self.core_b.size)


class Band(NamedTuple):
    """States that are followed: at most `shift` either side of 0, and of these the likely ones of each core."""

    shift: int
    low: tuple[int, int]  # lowest state of A and of B
    high: tuple[int, int]

    @classmethod
    def full(cls, shift: int) -> Band:
        """All states within `shift`."""
        return cls(shift, (-shift, -shift), (shift, shift))

    @property
    def states(self) -> tuple[int, int]:
        """Number of states of A and of B."""
        return self.high[0] - self.low[0] + 1, self.high[1] - self.low[1] + 1

    @property
    def sides(self) -> tuple[bool, ...]:
        """Which of the four sides are as far out as may be."""
        return *(low == -self.shift for low in self.low), *(high == self.shift for high in self.high)

    def wider(self, joint: Array) -> Band:
        """A wider band on the sides where the joint mass of the final states, of all within `shift`, reaches the edge;
        states that are out of reach are left out."""
        shift = min(self.shift + _WIDEN, _WIDEST)
        low, high = [], []
        for core in (0, 1):
            mass = joint.sum(axis=1 - core)
            below, above = np.cumsum(mass), np.cumsum(mass[::-1])
            room = [int(np.argmax(each > _OUT_OF_REACH)) for each in (below, above)]
            low.append(-shift if room[0] == 0 else min(room[0] - 1 - self.shift, 0))
            high.append(shift if room[1] == 0 else max(self.shift + 1 - room[1], 0))
        return Band(shift, (low[0], low[1]), (high[0], high[1]))


def align_trios(trios: Sequence[Trio], priors: Sequence[AlignmentPrior]) -> list[PairSums]:
    """Sums over all ways to read pairs of cores with their references; bands of states are widened where it matters."""
    done: dict[int, PairSums] = {}
    chosen = _correlations(trios, priors)
    bands = [Band.full(prior.max_shift) for prior in priors]
    todo = list(range(len(trios)))
    while todo:
        again = []
        for group in _groups(todo, trios, bands, chosen):
            given = [[each[at] for at in group] for each in (trios, priors, chosen)]
            lows, highs = (np.array([getattr(bands[at], side) for at in group]).T for side in ("low", "high"))
            band = Band(bands[group[0]].shift, tuple(lows.min(axis=1).tolist()), tuple(highs.max(axis=1).tolist()))
            for at, sums in zip(group, _align(given[0], given[1], given[2], band), strict=True):
                if isinstance(sums, PairSums):
                    done[at] = sums
                else:
                    bands[at] = band.wider(sums)
                    again.append(at)
        todo = again
    return [done[at] for at in range(len(trios))]


def _groups(
    todo: Sequence[int], trios: Sequence[Trio], bands: Sequence[Band], chosen: Sequence[Chosen]
) -> list[list[int]]:
    """Gather trios of like bands and length into batches of bounded size, those with most nodes first."""
    groups: list[list[int]] = []
    like = [(band.shift, band.sides) for band in bands]
    for at in sorted(todo, key=lambda at: (like[at], trios[at].years)):
        last = groups[-1] if groups else []
        cells = (len(last) + 1) * trios[at].years * int(np.prod(bands[at].states))
        if last and like[last[0]] == like[at] and cells <= _CELLS:
            last.append(at)
        else:
            groups.append([at])
    return [sorted(group, key=lambda at: -len(chosen[at][0])) for group in groups]


def _align(
    trios: Sequence[Trio], priors: Sequence[AlignmentPrior], chosen: Sequence[Chosen], band: Band
) -> list[PairSums | Array]:
    """What is kept of trios with one band, most nodes first; the joint mass of the states where it is too narrow."""
    batch = _Batch(trios, priors, band)
    most = max(len(nodes) for nodes, _ in chosen) - 1
    levels = [sum(len(nodes) > level + 1 for nodes, _ in chosen) for level in range(most)]
    owner = np.concatenate([np.arange(size) for size in levels])
    with_stand = [chosen[at][0][level] for level, size in enumerate(levels) for at in range(size)]
    number = np.repeat(np.arange(most), levels)
    logs = np.full((len(trios), most + 1), -np.inf)  # the last column has no reference
    before = np.zeros(logs.shape)
    for row, (_, weights) in zip(before, chosen, strict=True):
        row[: weights.size - 1], row[-1] = weights[:-1], weights[-1]
    lasts, runs = [], []
    for nodes, of, at in (
        (with_stand, owner, number),
        ([nodes[-1] for nodes, _ in chosen], np.arange(len(trios)), np.full(len(trios), most)),
    ):
        moves, dull = batch.factors(nodes, of)
        ahead, scale = _forward(moves, dull, -band.low[0], -band.low[1])
        logs[of, at] = scale + np.log(before[of, at])
        lasts.append(ahead[-1].sum(axis=0))
        runs.append((moves, dull, ahead))
    evidence = np.logaddexp.reduce(logs, axis=1)
    shares = np.exp(logs - evidence[:, None])
    joint = np.zeros((2 * band.shift + 1, 2 * band.shift + 1, len(trios)))
    inside = joint[tuple(slice(low + band.shift, high + band.shift + 1) for low, high in zip(band.low, band.high, strict=True))]
    inside += lasts[1] * shares[:, -1]
    first = 0
    for level, size in enumerate(levels):
        inside[..., :size] += lasts[0][..., first : first + size] * shares[:size, level]
        first += size
    joint /= joint.sum(axis=(0, 1))
    edge = joint[[0, -1]].sum(axis=(0, 1)) + joint[:, [0, -1]].sum(axis=(0, 1))
    ready = (edge <= _EDGE) | (band.shift >= _WIDEST)
    if not ready.any():
        return [joint[..., at] for at in range(len(trios))]
    grids = _grids(trios, band, _mixed(runs, levels, shares))
    own = [np.array([node.own for node in nodes]) for nodes, _ in chosen]
    kept = [np.append(row[: nodes.size - 1], row[-1]) for row, nodes in zip(shares, own, strict=True)]
    return [
        _pair_sums(grids[at], joint[..., at], band.shift, float(evidence[at]), own[at], kept[at])
        if ready[at]
        else joint[..., at]
        for at in range(len(trios))
    ]


def _mixed(runs: Sequence[Run], levels: Sequence[int], shares: Array) -> dict[str, Array]:
    """Probabilities of every move in every year and state of every trio, over its nodes."""
    weights = np.concatenate([shares[:size, level] for level, size in enumerate(levels)])
    matter = np.flatnonzero(shares[:, -1] > _NEGLIGIBLE)  # of those without the reference
    moves, dull, ahead = runs[1]
    alone = ({move: each[..., matter] for move, each in moves.items()}, dull[..., matter], ahead[..., matter])
    out = {move: np.empty((*each.shape[:3], levels[0])) for move, each in runs[0][0].items()}
    for (moves, dull, ahead), given in ((runs[0], weights), (alone, shares[matter, -1])):
        if not given.size:
            continue
        behind = _backward(moves, dull)
        step = max(1, _BLOCK_CELLS // behind[0, 0].size)
        for year in range(0, dull.shape[0], step):
            rows, after = slice(year, year + step), slice(year, year + step + 1)
            part = {move: each[rows] for move, each in moves.items()}
            for move, prob in _probs(part, dull[rows], ahead[after], behind[after], given).items():
                if given is not weights:
                    out[move][rows][..., matter] += prob
                    continue
                out[move][rows] = prob[..., : levels[0]]
                first = levels[0]
                for size in levels[1:]:
                    out[move][rows][..., :size] += prob[..., first : first + size]
                    first += size
    return out


def _pair_sums(grids: EventGrids, joint: Array, shift: int, evidence: float, own: Array, share: Array) -> PairSums:
    """The sums as the alignment of two cores alone gives them: counter by state of A and final offset."""
    model = np.asarray(alignment_model()["correlation_nodes"])
    near = np.abs(np.subtract.outer(model, own)).argmin(axis=0)
    by_node = np.zeros(model.size)
    np.add.at(by_node, near, share)
    counter = np.zeros((joint.shape[0], 4 * shift + 1))
    state = np.arange(-shift, shift + 1)
    np.add.at(counter, (state[:, None] + shift, state[:, None] - state[None, :] + 2 * shift), joint)
    return PairSums(grids, counter, evidence, by_node, float(share @ own), Pmf.point(0))


def _correlations(trios: Sequence[Trio], priors: Sequence[AlignmentPrior]) -> list[Chosen]:
    """Correlations of the cores, and of each with the reference, worth the full sums, with their prior weights.

    The last node has no reference: that it is none of these trees is weighed by the evidence.
    """
    if not trios:
        return []
    model = alignment_model()
    own = np.asarray(model["correlation_nodes"])
    far = np.asarray(model["reference_nodes"])
    rough = rough_evidence([(trio.core_a, trio.core_b) for trio in trios], own)
    partners = [(core, trio.reference) for trio in trios for core in (trio.core_a, trio.core_b)]
    logs_far = np.log(model["reference_weights"]) + rough_evidence(partners, far)
    weights = np.exp(logs_far - logs_far.max(axis=1, keepdims=True))
    middles = ((weights / weights.sum(axis=1, keepdims=True)) @ far).reshape(-1, 2)
    out = []
    for prior, row, middle in zip(priors, rough, middles, strict=True):
        with np.errstate(divide="ignore"):
            logs = np.log(prior.correlation_weights) + row
        kept = np.flatnonzero(np.exp(logs - logs.max()) >= _KEEP)
        nodes = [Node(float(own[at]), _feasible(float(own[at]), *middle.tolist())) for at in kept]
        before = np.asarray(prior.correlation_weights)[kept]
        before = np.append((1 - _STRANGE) * before / before.sum(), _STRANGE)
        out.append(([*nodes, Node(float(own[logs.argmax()]), None)], before))
    return out


def _feasible(own: float, far_a: float, far_b: float) -> tuple[float, float]:
    """Correlations with the reference, shrunk as far as the correlation of the cores asks for."""
    form = (far_a**2 + far_b**2 - 2 * own * far_a * far_b) / (1 - own**2)  # below 1 for a law of three series
    shrink = min(1.0, float(np.sqrt(0.94 / max(form, 1e-9))))  # choice: short of the bound, where there is no width
    return far_a * shrink, far_b * shrink


# ------------------------------------------------------------------ factors of the moves
#
# Arrays are (state of A, state of B, year, item), blocks of years at a time. With x of a core at its state the t law is
#
#     log ratio = c + l(a) + l(b) + l(r) - p log(U(a) + V(b) + W(a) b)
#
# so that all but the last logarithm is a sum of a part of A and a part of B, worked out by state of one core alone. The
# forms of the years outside an event are multiplied first and their logarithm taken once. Factors of events are single
# floats (relative error below 1e-5, met a few times along a path); those of matched years are doubles.

_PLAIN, _REMOVED, _JOINED, _SPLIT, _NARROW, _INNER, _THERE = 0, 0, LAGS + 1, 2 * LAGS + 2, -3, -2, -1  # rows of _stack
_NEVER = -1e4  # logarithm of what cannot be


def _stack(series: Signals) -> Array:
    """What is asked of a series ring by ring; `_REMOVED + k` and `_JOINED + k` are k rings outside."""
    inner = (np.arange(series.size) < series.size - 1) & (series.joined_factor > 0)
    split = np.log(np.maximum(series.joined_factor, 1e-30))
    rows = [series.plain, *series.removed.T, *series.joined.T, split, series.narrowness, inner, np.ones(series.size)]
    return np.array(rows)


def _spread(series: Sequence[Signals], years: int, shift: int) -> Array:
    """Rows of `_stack` by state, year (from `LAGS` before the first) and trio: ring year - state; a view."""
    stacks = [_stack(one) for one in series]
    start = LAGS + shift
    padded = np.zeros((stacks[0].shape[0], years + LAGS + 2 * shift, len(series)))
    for at, stack in enumerate(stacks):
        size = min(stack.shape[1], padded.shape[1] - start)
        padded[:, start : start + size, at] = stack[:, :size]
        padded[:_INNER, :start, at] = stack[:_INNER, :1]  # past the ends: as the last ring, where anything is asked
        padded[:_INNER, start + size :, at] = stack[:_INNER, -1:]
    row, ring, item = padded.strides
    shape = (padded.shape[0], 2 * shift + 1, years + LAGS, len(series))
    return np.lib.stride_tricks.as_strided(padded[:, 2 * shift :], shape, (row, -ring, ring, item))


class _Batch:
    """Trios of one width of the band side by side."""

    def __init__(self, trios: Sequence[Trio], priors: Sequence[AlignmentPrior], band: Band) -> None:
        self.band, self.trios, self.priors, shift = band, trios, priors, band.shift
        self.ends = np.array([trio.years + shift for trio in trios])
        self.years = int(self.ends.max())
        self.all_a, self.all_b = (
            _spread([getattr(trio, core) for trio in trios], self.years, shift) for core in _CORES
        )
        self.a, self.b = (
            each[:, low + shift : high + shift + 1]
            for each, low, high in zip((self.all_a, self.all_b), band.low, band.high, strict=True)
        )
        self.r = _spread([trio.reference for trio in trios], self.years, 0)[:, 0]
        self.known = np.zeros(self.r.shape[1:], dtype=bool)
        for at, trio in enumerate(trios):
            own = trio.known[: self.ends[at]]
            self.known[LAGS : LAGS + own.size, at] = own

    def factors(self, nodes: Sequence[Node], owner: NDArray[np.int64]) -> tuple[Moves, Array]:
        """Factors of the moves of every year, state and item, (years, states of A, states of B, items), and of a year
        that is matched without agreement; an item is a trio, `owner`, with a node."""
        laws = _Laws(self, nodes, owner)
        if laws.rho.any():
            return self._every(laws), laws.stay[:, None, None]
        return self._by_ring(laws, nodes), laws.stay[:, None, None]

    def _by_ring(self, laws: _Laws, nodes: Sequence[Node]) -> Moves:
        """Factors where nothing is known of the reference: those of a ring of A and one of B, whatever the year."""
        band, owner = self.band, laws.owner
        low, high = band.low[1] - band.high[0], band.high[1] - band.low[0]
        rings = _Batch(self.trios, self.priors, Band(2 * band.shift, (0, low), (0, high)))
        small = rings._every(_Laws(rings, nodes, owner, laws.odds), free=True)
        first = self._every(laws, years=LAGS)  # near the bark the year matters: what lies outside it is not asked
        moves = {move: np.zeros((self.years, *band.states, owner.size)) for move in MOVES}
        for move, turn in MOVES.items():
            to_a, to_b = (np.exp(_turn_back(*each)) for each in zip(band.low, band.high, turn, strict=True))
            for at, state in enumerate(range(band.low[0], band.high[0] + 1)):
                start = max(LAGS, state)
                offset = band.low[1] - state - low
                some = small[move][start - state : self.years - state, 0, offset : offset + band.states[1]]
                np.multiply(some, (to_a[at] * to_b)[:, None], out=moves[move][start:, at])
            moves[move][:LAGS] = first[move]
        for item, end in enumerate(self.ends[owner]):
            moves[Move.BOTH][end:, :, :, item] = 1.0
        return moves

    def _every(self, laws: _Laws, *, years: int | None = None, free: bool = False) -> Moves:
        """Factors of every state and item, of the first years or of all; `free`: the band has no edge."""
        states, owner, stop = self.band.states, laws.owner, years or self.years
        moves = {move: np.empty((stop, *states, owner.size)) for move in MOVES}
        plain = np.zeros((*states, LAGS + stop, owner.size), dtype=np.float32)
        exact = _Years(laws, stop, np.float64)
        sums = exact.match()
        for block, rows in enumerate(exact.blocks):
            logs = exact.close(sums, block, None)
            plain[:, :, LAGS + rows.start : LAGS + rows.stop] = logs
            np.exp(logs, out=logs)
            np.multiply(logs.transpose(2, 0, 1, 3), laws.stay[rows, None, None], out=moves[Move.BOTH][rows])
        quick = _Years(laws, stop, np.float32)
        outside = -plain[:, :, LAGS - 1 : -1]
        for back in range(2, LAGS + 1):
            outside -= plain[:, :, LAGS - back : -back]
        for number, (move, turn) in enumerate(_EVENTS.items()):
            if (laws.shares[number] <= _NEVER).all():
                moves[move][:] = 0.0
                continue
            sums = quick.event(move, turn, laws.shares[number], free=free)
            for block, rows in enumerate(quick.blocks):
                logs = quick.close(sums, block, outside)
                np.exp(logs, out=logs)
                moves[move][rows] = logs.transpose(2, 0, 1, 3)
        return moves


class _Laws:
    """What the t laws and the prior of every item say by year, from `LAGS` years before the first."""

    def __init__(
        self, batch: _Batch, nodes: Sequence[Node], owner: NDArray[np.int64], odds: Array | None = None
    ) -> None:
        self.batch, self.owner = batch, owner
        self.alive = np.arange(-LAGS, batch.years)[:, None] < batch.ends[owner]
        self.rho = batch.known[:, owner] & self.alive & np.array([node.far is not None for node in nodes])
        own = np.array([node.own for node in nodes])
        self.far = far = np.array([node.far or (0.0, 0.0) for node in nodes]).T
        far_a, far_b = far
        det = 1.0 - own**2 - far_a**2 - far_b**2 + 2 * own * far_a * far_b
        parts = [1 - far_b**2, 1 - far_a**2, 1 - own**2, 2 * (far_a * far_b - own)]
        three = np.array([*parts, 2 * (own * far_b - far_a), 2 * (own * far_a - far_b)]) / (DEGREES_OF_FREEDOM * det)
        zero = np.zeros(own.size)
        two = np.array([zero + 1, zero + 1, zero, -2 * own, zero, zero]) / (DEGREES_OF_FREEDOM * (1 - own**2))
        self.form = np.where(self.rho, three[:, None], two[:, None])  # (6, years, items): aa, bb, rr, ab, ar, br
        known = self.rho.copy()
        known[:LAGS] = known[LAGS]
        self.power = _TEMPER * np.where(known, 3.5, 3.0)
        alone = np.log(_TWO / _ONE**2) - 0.5 * np.log(1 - own**2)
        self.const = _TEMPER * np.where(known, np.log(_THREE / _ONE**3) - 0.5 * np.log(det), alone)
        self._rates([batch.priors[at] for at in owner], odds)

    def _rates(self, priors: Sequence[AlignmentPrior], mean: Array | None) -> None:
        """Logarithms of the shares, those of absent rings by state of B: likelier in narrow years.

        `mean` are the mean odds over all years and states if they are known.
        """
        batch, owner = self.batch, self.owner
        shares = np.array([_shares(prior) for prior in priors])
        self.stay = np.where(self.alive[LAGS:], np.maximum(1.0 - shares.sum(axis=1), 0.1), 1.0)
        narrow_a, narrow_b, there = (
            each[:, LAGS:][..., owner] for each in (batch.all_a[_NARROW], batch.all_b[_NARROW], batch.all_b[_THERE])
        )
        rho, states = self.rho[LAGS:], there.shape[0]
        odds_r, odds_b = (narrow_odds(each) for each in (batch.r[_NARROW, LAGS:][:, owner], narrow_b))
        if mean is None:
            by_core = states * (there * odds_b).sum(axis=0) + (1 - there).sum(axis=0) * narrow_odds(narrow_a).sum(axis=0)
            total = (np.where(rho, states**2 * odds_r, by_core) * self.alive[LAGS:]).sum(axis=0)
            mean = total / (batch.ends[owner] * states**2)
        self.odds = mean
        low, high = (each[1] + batch.band.shift for each in (batch.band.low, batch.band.high))
        odds = np.where(rho, odds_r, odds_b[low : high + 1]) / mean
        narrow = np.array([prior.narrow_share for prior in priors])
        self.narrow = np.log((1 - narrow) + narrow * odds)
        self.shares = _log(shares.T)


def _log(values: NDArray[Any]) -> Array:
    """Logarithms; `_NEVER` of 0."""
    return np.asarray(np.where(values > 0, np.log(np.maximum(values, 1e-30)), _NEVER))


class _Law(NamedTuple):
    """The form 1 + U(a) + V(b) + W(a) b of one year, and what is added where the other core is there too."""

    back: int  # rings outside the year whose presence is asked
    of_a: Array  # U, (states, years, items), as all of these; 0 where there is no ring
    of_b: Array
    slope: Array  # W
    value: Array  # b
    more_a: Array  # of A where B is there; 0 in years in which B is there in all states
    more_b: Array


class _Sums:
    """Log ratio of all years: forms whose logarithm is to be taken, and parts of A and of B by their states."""

    def __init__(self, of_a: Array, of_b: Array) -> None:
        self.of_a, self.of_b = of_a, of_b
        self.laws: list[_Law] = []


class _Years:
    """Log ratios of all years and items by states of A and B, in doubles (years matched alone) or single floats."""

    def __init__(self, laws: _Laws, years: int, dtype: type[np.floating[Any]]) -> None:
        batch, self.laws = laws.batch, laws
        quick = dtype is np.float32
        rows = slice(None) if quick else [_PLAIN, _THERE]
        self.years, self.band = years, batch.band
        self.alone = bool(laws.rho.any())  # whether one core alone can be read
        self.a, self.b, self.r = (
            each[rows][:, :, : LAGS + years][..., laws.owner].astype(dtype)
            for each in (batch.a, batch.b, batch.r[:, None])
        )
        self.a[_THERE, :, :LAGS] = self.b[_THERE, :, :LAGS] = 0.0
        self.logs = [
            2.5 * _TEMPER * np.log1p(each[:_SPLIT] ** 2 * dtype(1 / DEGREES_OF_FREEDOM)) for each in (self.a, self.b, self.r)
        ]
        self.form, self.power, self.const, self.rho, self.far = (
            each.astype(dtype) for each in (laws.form, laws.power, laws.const, laws.rho, laws.far)
        )
        self.nothing = np.zeros((1, 1, 1), dtype=dtype)
        self.known: dict[Any, Array] = {}  # log ratios of one core and the reference
        step = max(1, _BLOCK_CELLS // (int(np.prod(batch.band.states)) * laws.owner.size))
        self.blocks = [slice(first, min(first + step, years)) for first in range(0, years, step)]
        same = [self._rows(laws.power, back) == self._rows(laws.power, 0) for back in range(LAGS + 1)]
        self.even = [bool(np.all([each[rows] for each in same])) for rows in self.blocks]
        full = [each[_THERE].all(axis=(0, 2)) for each in (self.a, self.b)]  # years with a ring in every state
        by_back = [[self._rows(each, back)[:, None] for each in full] for back in range(LAGS + 1)]
        self.full = [[(each.astype(dtype), (~each).astype(dtype)) for each in cores] for cores in by_back]
        self.whole = [[[bool(each[rows].all()) for each in cores] for cores in by_back] for rows in self.blocks]
        shape = (3, *batch.band.states, min(step, self.years), laws.owner.size)
        self.work = np.empty(shape, dtype=dtype)

    def _rows(self, values: NDArray[Any], back: int) -> NDArray[Any]:
        """The years so many rings outside."""
        axis = 0 if values.ndim < 3 else values.ndim - 2
        return values[(slice(None),) * axis + (slice(LAGS - back, LAGS - back + self.years),)]

    def _signal(self, core: int, row: int, back: int = 0) -> Signal:
        """A signal and its part of the log ratio."""
        values = (self.a, self.b, self.r)[core]
        return self._rows(values[row], back), self._rows(self.logs[core][row], back), (row, back)

    def _there(self, core: int, back: int) -> Array:
        return self._rows((self.a, self.b)[core][_THERE], back)

    def _two(self, core: int, one: Signal, far: Signal, back: int) -> Array:
        """Log ratio of one core and the reference; 0 where either is not there."""
        (x, own, which), (r, its, of_r) = one, far
        key = (core, which, of_r, back)
        if not self.alone:
            return self.nothing
        if key not in self.known:
            correlation = self.far[core]
            scale = 1 / (DEGREES_OF_FREEDOM * (1.0 - correlation**2))
            form = x * scale
            form += (-2 * scale * correlation) * r
            form *= x
            form += r * r * scale
            np.log1p(form, out=form)
            form *= -3.0 * _TEMPER
            form += own
            form += its + _TEMPER * (np.log(_TWO / _ONE**2) - 0.5 * np.log(1.0 - correlation**2))
            form *= self._there(core, back)
            form *= self._rows(self.rho, back)
            self.known[key] = form
        return self.known[key]

    def _three(self, sums: _Sums, one: Signal, two: Signal, far: Signal, back: int) -> None:
        """Add the log ratio of the signals of one year; `back`: rings outside the year whose presence is asked."""
        (a, log_a, _), (b, log_b, _), (r, log_r, _) = one, two, far
        aa, bb, rr, ab, ar, br = self._rows(self.form, back)
        there_a, there_b = self._there(0, back), self._there(1, back)
        (full_a, part_a), (full_b, part_b) = self.full[back]
        alone_a, alone_b = self._two(0, one, far, back), self._two(1, two, far, back)
        more_a = log_a + (self._rows(self.const, back) + self._rows(self.rho, back) * log_r)
        more_a *= there_a
        more_a -= alone_a
        more_b = log_b * there_b
        more_b -= alone_b
        sums.of_a = sums.of_a + alone_a
        sums.of_b = sums.of_b + alone_b
        sums.of_a += more_a * full_b
        sums.of_b += more_b * full_a
        more_a *= part_b
        more_b *= part_a
        of_a = aa * a
        of_a += ar * r
        of_a *= a
        of_a += rr * r * r
        of_a *= there_a
        of_b = bb * b
        of_b += br * r
        of_b *= b
        of_b *= there_b
        slope = ab * a
        slope *= there_a
        sums.laws.append(_Law(back, of_a, of_b, slope, b * there_b, more_a, more_b))

    def close(self, sums: _Sums, number: int, start: Array | None) -> Array:
        """The log ratio of a block of years, (states of A, states of B, years, items)."""
        rows, even, whole = self.blocks[number], self.even[number], self.whole[number]
        forms, form, work = self.work[:, :, :, : rows.stop - rows.start]
        total = np.zeros_like(form) if start is None else start[:, :, rows].copy()
        for law in sums.laws:
            out = forms if even and law is sums.laws[0] else form
            np.multiply(law.slope[:, None, rows], law.value[:, rows], out=out)
            if whole[law.back][1]:
                out += law.of_a[:, None, rows]
            else:
                there = self._there(1, law.back)[:, rows]
                out += np.multiply(law.of_a[:, None, rows], there, out=work)
                total += np.multiply(law.more_a[:, None, rows], there, out=work)
            if whole[law.back][0]:
                out += law.of_b[:, rows]
            else:
                there = self._there(0, law.back)[:, None, rows]
                out += np.multiply(law.of_b[:, rows], there, out=work)
                total += np.multiply(law.more_b[:, rows], there, out=work)
            out += 1.0
            if not even:
                np.log(out, out=out)
                out *= self._rows(self.power, law.back)[rows]
                total -= out
            elif out is form:
                forms *= form
        if even:
            np.log(forms, out=forms)
            forms *= self._rows(self.power, 0)[rows]
            total -= forms
        total += sums.of_a[:, None, rows]
        total += sums.of_b[:, rows]
        return total

    def match(self) -> _Sums:
        """Log ratio of years that both cores have, and of those of one core after the other has ended."""
        sums = _Sums(*(np.zeros(each[0, :, LAGS:].shape) for each in (self.a, self.b)))
        self._three(sums, self._signal(0, _PLAIN), self._signal(1, _PLAIN), self._signal(2, _PLAIN), 0)
        return sums

    def event(self, move: str, turn: tuple[int, int], share: Array, *, free: bool) -> _Sums:
        """Log factor of an event but for the signals as they were; `free`: the band has no edge."""
        sums = _Sums(*self._before(move, turn, share, free))
        if min(turn) < 0:
            self._false(sums, turn)
        else:
            self._absent(sums, turn)
        return sums

    def _before(self, move: str, turn: tuple[int, int], share: Array, free: bool) -> list[Array]:
        """Log prior of an event as a part of A and a part of B: its share, where it can be, the edge of the band."""
        rho = self._rows(self.rho, 0)
        there = [self._there(core, 0) for core in (0, 1)]
        if move == ABSENT_IN_BOTH:
            there[0] = there[0] * rho
        else:
            other = 1 if turn[0] else 0
            there[other] = np.maximum(there[other], rho)
        for core, rings in enumerate((self.a, self.b)):
            if turn[core] < 0:
                there[core] = there[core] * self._rows(rings[_INNER], 0)
        parts = [_log(each) for each in there]
        parts[1] = parts[1] + share
        if min(turn) >= 0:
            parts[1] = parts[1] + self.laws.narrow[:, : self.years]
        for core in () if free else (0, 1):
            parts[core] = parts[core] + _turn_back(self.band.low[core], self.band.high[core], turn[core])[:, None, None]
        return [np.maximum(part, _NEVER).astype(np.float32) for part in parts]

    def _absent(self, sums: _Sums, turn: tuple[int, int]) -> None:
        """What an absent ring changes: the other series are read as if they did not have its year either."""
        other = None if turn == (1, 1) else turn.index(0)  # a core that has the ring
        for back in range(LAGS + 1):
            was = self._signal(2, _PLAIN, back)
            if other is not None:  # with the reference alone, as it was
                _add(sums, other, self._two(other, self._signal(other, _PLAIN, back), was, back))
            if back:
                far = self._signal(2, _REMOVED + back)
                now = [self._signal(core, _PLAIN, back) for core in (0, 1)]
                if other is not None:
                    now[other] = self._signal(other, _REMOVED + back)
                    _add(sums, other, -self._two(other, now[other], far, back))
                self._three(sums, now[0], now[1], far, back)

    def _false(self, sums: _Sums, turn: tuple[int, int]) -> None:
        """What two bands of a core count for as one ring."""
        core = turn.index(-1)
        _add(sums, core, self._rows((self.a, self.b)[core][_SPLIT], 0))
        for back in range(LAGS + 1):
            now = [self._signal(0, _PLAIN, back), self._signal(1, _PLAIN, back)]
            now[core] = self._signal(core, _JOINED + back)
            self._three(sums, now[0], now[1], self._signal(2, _PLAIN, back), back)


def _add(sums: _Sums, core: int, part: Array) -> None:
    if core == 0:
        sums.of_a = sums.of_a + part
    else:
        sums.of_b = sums.of_b + part


def _shares(prior: AlignmentPrior) -> tuple[float, ...]:
    """Shares of the events in the order of `MOVES`."""
    absent = (prior.absent_share_a, prior.absent_share_b, prior.both_share)
    return *absent, prior.false_share_a, prior.false_share_b


def _turn_back(low: int, high: int, step: int) -> Array:
    """No move past the edge of the band; a move back towards 0 is unlikely."""
    state = np.arange(low, high + 1)
    logs = np.where(state * step < 0, np.log(_RETURN), 0.0)
    logs[(state + step < low) | (state + step > high)] = _NEVER
    return logs


# ------------------------------------------------------------------ densities


_ONE = 0.375  # closed form: Gamma(5/2) / (Gamma(2) sqrt(4 pi)) of the t law with 4 degrees of freedom
_TWO = 2.0 / (4.0 * np.pi)  # closed form: Gamma(3) / (Gamma(2) 4 pi)
_THREE = 3.3233509704478426 / (4.0 * np.pi) ** 1.5  # closed form: Gamma(7/2) / (Gamma(2) (4 pi)**1.5)


def bivariate(one: Array, two: Array, correlation: float) -> Array:
    """Log density ratio of two signals against unrelated ones: t laws with 4 degrees of freedom, tempered."""
    free = 1.0 - correlation**2
    form = (one * one + two * two - 2 * correlation * one * two) / free
    logs = np.log(_TWO / _ONE**2) - 0.5 * np.log(free) - 3.0 * np.log1p(form / DEGREES_OF_FREEDOM)
    return np.asarray(_TEMPER * (logs + _single(one) + _single(two)))


def trivariate(a: Array, b: Array, r: Array, own: float, far: tuple[float, float]) -> Array:
    """Log density ratio of the signals of two cores and of the reference against three unrelated ones."""
    far_a, far_b = far
    det = 1.0 - own**2 - far_a**2 - far_b**2 + 2 * own * far_a * far_b
    form = (1 - far_b**2) * a * a + (1 - far_a**2) * b * b + (1 - own**2) * r * r
    form = form + 2 * (far_a * far_b - own) * a * b
    form = form + 2 * (own * far_b - far_a) * a * r + 2 * (own * far_a - far_b) * b * r
    logs = np.log(_THREE / _ONE**3) - 0.5 * np.log(det) - 3.5 * np.log1p(form / det / DEGREES_OF_FREEDOM)
    return np.asarray(_TEMPER * (logs + _single(a) + _single(b) + _single(r)))


def _single(values: Array) -> Array:
    return np.asarray(2.5 * np.log1p(values * values / DEGREES_OF_FREEDOM))


# ------------------------------------------------------------------ sums over paths


def _slices(step: int) -> tuple[slice, slice]:
    if step == 0:
        return slice(None), slice(None)
    return (slice(1, None), slice(None, -1)) if step > 0 else (slice(None, -1), slice(1, None))


_TURNS = {move: tuple(zip(*map(_slices, turn), strict=True)) for move, turn in _EVENTS.items()}


def _forward(moves: Moves, dull: Array, start_a: int, start_b: int | None = None) -> tuple[Array, Array]:
    """Sums over all paths from the bark to the states of every year, scaled to 1 now and then; log of the total."""
    years, *states, items = moves[Move.BOTH].shape
    enter, leave = _DISTURBED
    value = np.empty((years + 1, 2, *states, items))
    value[0] = 0.0
    value[0, :, start_a, start_a if start_b is None else start_b] = np.array([leave, enter])[:, None] / (enter + leave)
    scale = np.zeros(items)
    work, inside = np.empty((*states, items)), np.empty((*states, items))
    for year in range(years):
        agree, disturbed = value[year]
        new, new_disturbed = value[year + 1]
        np.multiply(agree, moves[Move.BOTH][year], out=work)
        np.multiply(disturbed, dull[year], out=inside)
        np.multiply(work, 1 - enter, out=new)
        np.multiply(inside, 1 - leave, out=new_disturbed)
        inside *= leave
        new += inside
        work *= enter
        new_disturbed += work
        for move, (to, source) in _TURNS.items():
            np.multiply(agree, moves[move][year], out=work)
            new[to] += work[source]
        if year % _RESCALE_EVERY == 0 or year == years - 1:
            total = value[year + 1].sum(axis=(0, 1, 2))
            value[year + 1] *= 1.0 / total
            scale += np.log(total)
    return value, scale


def _backward(moves: Moves, dull: Array) -> Array:
    """Sums over all paths from the states of every year to the end, scaled by their largest now and then."""
    years, *states, items = moves[Move.BOTH].shape
    enter, leave = _DISTURBED
    value = np.empty((years + 1, 2, *states, items))
    value[years] = 1.0
    work = np.empty((*states, items))
    for year in range(years - 1, -1, -1):
        after, dull_after = value[year + 1]
        agree, disturbed = value[year]
        np.multiply(after, 1 - enter, out=agree)
        np.multiply(dull_after, enter, out=work)
        agree += work
        agree *= moves[Move.BOTH][year]
        np.multiply(after, leave, out=disturbed)
        np.multiply(dull_after, 1 - leave, out=work)
        disturbed += work
        disturbed *= dull[year]
        for move, (to, source) in _TURNS.items():
            agree[source] += np.multiply(moves[move][year][source], after[to], out=work[source])
        if year % _RESCALE_EVERY == 0:
            value[year] *= 1.0 / value[year].max(axis=(0, 1, 2))
    return value


def _probs(moves: Moves, dull: Array, ahead: Array, behind: Array, weights: Array | None = None) -> dict[str, Array]:
    """Probability of each move in every year and state of every item, times its weight."""
    enter, leave = _DISTURBED
    after, dull_after = behind[1:, 0], behind[1:, 1]
    both = after * (1 - enter)
    work = dull_after * enter
    both += work
    both *= moves[Move.BOTH]
    both *= ahead[:-1, 0]
    np.multiply(dull_after, 1 - leave, out=work)
    work += leave * after
    work *= ahead[:-1, 1]
    work *= dull
    both += work
    out = {Move.BOTH.value: both}
    for move, (to, source) in _TURNS.items():
        out[move] = ahead[:-1, 0] * moves[move]
        out[move][:, *source] *= after[:, *to]
    total = sum(prob.sum(axis=(1, 2)) for prob in out.values())
    scale = ((1.0 if weights is None else weights) / total)[:, None, None]
    for prob in out.values():
        prob *= scale
    return out


def _grids(trios: Sequence[Trio], band: Band, probs: Mapping[str, Array]) -> list[EventGrids]:
    """Probabilities by ring and offset of the two counts, as the alignment of two cores alone gives them."""
    years, states_a, states_b, items = probs[Move.BOTH].shape
    reach, size = 2 * band.shift, years + band.shift

    def by_ring(prob: Array, of_b: bool) -> Array:
        """State a of A at year y is ring y - a; the offset is ring of B less ring of A, a - b."""
        grid = np.zeros((size, 2 * reach + 1, items))
        for state in range(band.low[of_b], band.high[of_b] + 1):
            first, at = max(0, state), state - band.low[of_b]  # years before the first ring
            rows = slice(first - state, years - state)
            if of_b:
                offset = reach + band.low[0] - state
                grid[rows, offset : offset + states_a] += prob[first:, :, at]
            else:
                offset = reach + state - band.high[1]
                grid[rows, offset : offset + states_b] += prob[first:, at, ::-1]
        return grid

    rings = {move: by_ring(probs[move], move.of_b) for move in EVENTS}
    for move in (Move.ABSENT_IN_A, Move.ABSENT_IN_B):
        rings[move] += by_ring(probs[ABSENT_IN_BOTH], move.of_b)
    path = by_ring(probs[Move.BOTH], False)
    out = []
    for at, trio in enumerate(trios):
        own = trio.years + reach
        events = {move: grid[:own, :, at].copy() for move, grid in rings.items()}
        out.append(EventGrids(events, path[: trio.core_a.size, :, at].copy(), reach))
    return out
