"""Two cores of a tree and the mean of the stand's other trees, read together year by year.

Own derivation: a hidden-Markov model whose states are the true minus counted rings of both cores so far.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from treeage.alignment.engine import EventGrids, PairSums
from treeage.alignment.lattice import DEGREES_OF_FREEDOM, EVENTS, Array, Move, Signals, rough_evidence
from treeage.alignment.prior import AlignmentPrior, alignment_model
from treeage.pmf import Pmf, freeze_arrays

Bools = NDArray[np.bool_]


class Node(NamedTuple):
    """Correlation of the two cores, and of each with the reference; None where the reference is left out."""

    own: float
    far: tuple[float, float] | None


_RETURN = 0.005  # as in `lattice`: an event that takes back an earlier one is likelier a disturbed stretch
_TEMPER = 0.65  # fitted: three series that share their errors tell less than the law says
_DISTURBED = (0.02, 0.15)  # fitted: probabilities that a disturbed stretch begins and ends with a year
_WIDEN, _WIDEST = 4, 24  # choice: states by which the band grows where its edge matters, and the widest
_EDGE = 1e-4  # choice: probability at the edge of the band above which it is widened
_STRANGE = 0.5  # choice: a reference may have nothing to do with the cores; the evidence decides
_CELLS = 400_000  # choice: years times states of the items worked on at once
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


def align_trios(trios: Sequence[Trio], priors: Sequence[AlignmentPrior]) -> list[PairSums]:
    """Sums over all ways to read pairs of cores with their references; bands of states are widened where it matters."""
    done: dict[int, PairSums] = {}
    bands = [prior.max_shift for prior in priors]
    todo = list(range(len(trios)))
    while todo:
        again = []
        for group in _groups(todo, trios, bands):
            found = _align([trios[at] for at in group], [priors[at] for at in group], bands[group[0]])
            for at, (joint, sums) in zip(group, found, strict=True):
                done[at] = sums
                edge = joint[[0, -1]].sum() + joint[:, [0, -1]].sum()
                if bands[at] < _WIDEST and edge > _EDGE:
                    again.append(at)
        for at in again:
            bands[at] = min(bands[at] + _WIDEN, _WIDEST)
        todo = again
    return [done[at] for at in range(len(trios))]


def _groups(todo: Sequence[int], trios: Sequence[Trio], bands: Sequence[int]) -> list[list[int]]:
    """Gather trios of the same band and like length into batches of bounded size."""
    groups: list[list[int]] = []
    for at in sorted(todo, key=lambda at: (bands[at], trios[at].years)):
        last = groups[-1] if groups else []
        cells = (len(last) + 1) * trios[at].years * (2 * bands[at] + 1) ** 2
        if last and bands[last[0]] == bands[at] and cells <= _CELLS:
            last.append(at)
        else:
            groups.append([at])
    return groups


def _align(trios: Sequence[Trio], priors: Sequence[AlignmentPrior], shift: int) -> list[tuple[Array, PairSums]]:
    """Joint mass of the final states, and everything that is kept, of trios with one width of the band."""
    chosen = [_correlations(trio, prior) for trio, prior in zip(trios, priors, strict=True)]
    steps: list[_Years] = []
    for trio, prior, (nodes, _) in zip(trios, priors, chosen, strict=True):
        steps += [_Years(trio, prior, shift, node) for node in nodes]
    years = max(step.dull.shape[0] for step in steps)
    moves = {move: _side_by_side([step.moves[move] for step in steps], years, move == Move.BOTH) for move in MOVES}
    dull = _side_by_side([step.dull for step in steps], years, True)
    ahead, scale = _forward(moves, dull, shift)
    probs = _probs(moves, dull, ahead, _backward(moves, dull))
    last = ahead[-1].sum(axis=0)
    out, first = [], 0
    for trio, (own_nodes, prior_weights) in zip(trios, chosen, strict=True):
        items = slice(first, first + len(own_nodes))
        logs = scale[items] + np.log(prior_weights)
        evidence = float(np.logaddexp.reduce(logs))
        share = np.exp(logs - evidence)
        joint = np.asarray((last[..., items] * share).sum(axis=-1))
        joint = joint / joint.sum()
        grids = _grids(trio, shift, {move: prob[..., items] @ share for move, prob in probs.items()})
        out.append(
            (joint, _pair_sums(grids, joint, shift, evidence, np.array([node.own for node in own_nodes]), share))
        )
        first = items.stop
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


def _side_by_side(factors: Sequence[Array], years: int, stay: bool) -> Array:
    """Factors of many items on the last axis; years beyond the end of an item change nothing."""
    out = np.full((years, *factors[0].shape[1:], len(factors)), 1.0 if stay else 0.0)
    for item, own in enumerate(factors):
        out[: own.shape[0], :, :, item] = own
    return out


def _correlations(trio: Trio, prior: AlignmentPrior) -> tuple[list[Node], Array]:
    """Correlations of the cores, and of each with the reference, worth the full sums, with their prior weights.

    The last node has no reference: that it is none of these trees is weighed by the evidence.
    """
    model = alignment_model()
    a, b, stand = trio.core_a, trio.core_b, trio.reference
    own = np.asarray(model["correlation_nodes"])
    far = np.asarray(model["reference_nodes"])
    with np.errstate(divide="ignore"):
        logs = np.log(prior.correlation_weights) + rough_evidence([(a, b)], own)[0]
    logs_far = np.log(model["reference_weights"]) + rough_evidence([(a, stand), (b, stand)], far)
    weights = np.exp(logs_far - logs_far.max(axis=1, keepdims=True))
    middle = (weights / weights.sum(axis=1, keepdims=True)) @ far
    kept = np.flatnonzero(np.exp(logs - logs.max()) >= _KEEP)
    nodes = [Node(float(own[at]), _feasible(float(own[at]), *middle.tolist())) for at in kept]
    before = np.asarray(prior.correlation_weights)[kept]
    before = np.append((1 - _STRANGE) * before / before.sum(), _STRANGE)
    return [*nodes, Node(float(own[logs.argmax()]), None)], before


def _feasible(own: float, far_a: float, far_b: float) -> tuple[float, float]:
    """Correlations with the reference, shrunk as far as the correlation of the cores asks for."""
    form = (far_a**2 + far_b**2 - 2 * own * far_a * far_b) / (1 - own**2)  # below 1 for a law of three series
    shrink = min(1.0, float(np.sqrt(0.94 / max(form, 1e-9))))  # choice: short of the bound, where there is no width
    return far_a * shrink, far_b * shrink


class _Years:
    """Factors of the moves of every year and state, each of shape (years, states of A, states of B)."""

    def __init__(self, trio: Trio, prior: AlignmentPrior, shift: int, node: Node) -> None:
        self.own, self.far = node.own, node.far or (0.0, 0.0)
        years = trio.years + shift
        self.cores = tuple(_Spread(core, years, shift, axis) for axis, core in enumerate((trio.core_a, trio.core_b)))
        self.stand = _Spread(trio.reference, years, 0, 2)
        self.stand.there &= _rows(trio.known, years)[:, None, None] & (node.far is not None)
        self._score(prior)

    def _score(self, prior: AlignmentPrior) -> None:
        (a, b), r = self.cores, self.stand
        self.plain: Array = self._three(a.plain, b.plain, r.plain, 0)
        self.with_a, self.with_b = (self._stand_two(each.plain, r.plain, each, 0) for each in (a, b))
        narrow = self._narrowness(prior)
        one = {
            Move.ABSENT_IN_A: self.with_b + self._absent(Move.ABSENT_IN_A),
            Move.ABSENT_IN_B: self.with_a + self._absent(Move.ABSENT_IN_B),
            ABSENT_IN_BOTH: self._absent(ABSENT_IN_BOTH),
            Move.FALSE_IN_A: self._false(a),
            Move.FALSE_IN_B: self._false(b),
        }
        shares = {
            Move.ABSENT_IN_A: prior.absent_share_a * narrow * (a.there & (b.there | r.there)),
            Move.ABSENT_IN_B: prior.absent_share_b * narrow * (b.there & (a.there | r.there)),
            ABSENT_IN_BOTH: prior.both_share * narrow * (a.there & b.there & r.there),
            Move.FALSE_IN_A: prior.false_share_a * (a.there & a.inner & (b.there | r.there)),
            Move.FALSE_IN_B: prior.false_share_b * (b.there & b.inner & (a.there | r.there)),
        }
        stay = max(1.0 - sum(_shares(prior)), 0.1)
        self.dull: Array = np.full(self.plain.shape, stay)
        self.moves: dict[str, Array] = {Move.BOTH: stay * np.exp(self.plain)}
        for move, logs in one.items():
            self.moves[move] = shares[move] * np.exp(logs)
            _keep_inside(self.moves[move], MOVES[move])

    def _narrowness(self, prior: AlignmentPrior) -> Array:
        """Factor by which absent rings prefer narrow years of the reference, or of a core where that is not known."""
        (a, b), r = self.cores, self.stand
        level = np.where(r.there, r.narrow, np.where(b.there, b.narrow, a.narrow))
        return prior.narrow_factor(level)

    def _three(self, a: Array, b: Array, r: Array, back: int) -> Array:
        """Log density ratio of the signals of one year; `back`: rings outside the year whose presence is asked."""
        has_a, has_b, has_r = (_outside(each.there, back) for each in (*self.cores, self.stand))
        both = trivariate(a, b, r, self.own, self.far)
        rows = ~has_r[:, 0, 0]
        if rows.any():
            both[rows] = bivariate(a[rows], b[rows], self.own)
        one = np.where(has_b, bivariate(b, r, self.far[1]) * has_r, bivariate(a, r, self.far[0]) * (has_r & has_a))
        return np.where(has_a & has_b, both, one)

    def _stand_two(self, own: Array, stand: Array, core: _Spread, back: int) -> Array:
        there = _outside(core.there, back) & _outside(self.stand.there, back)
        return np.where(there, bivariate(own, stand, self.far[core.axis]), 0.0)

    def _absent(self, move: str) -> Array:
        """What an absent ring changes: the other series are read as if they did not have its year either."""
        (a, b), r = self.cores, self.stand
        total = np.zeros(self.plain.shape)
        for back in range(1, LAGS + 1):
            was_a, was_b, was_r = (_outside(each.plain, back) for each in (a, b, r))
            now_a = was_a if move != Move.ABSENT_IN_B else a.removed(back)
            now_b = was_b if move != Move.ABSENT_IN_A else b.removed(back)
            now_r = r.removed(back)
            change = self._three(now_a, now_b, now_r, back) - _outside(self.plain, back)
            if move == Move.ABSENT_IN_A:
                change -= self._stand_two(now_b, now_r, b, back) - _outside(self.with_b, back)
            elif move == Move.ABSENT_IN_B:
                change -= self._stand_two(now_a, now_r, a, back) - _outside(self.with_a, back)
            total[back:] += change[back:]
        return total

    def _false(self, core: _Spread) -> Array:
        """What two bands of a core count for as one ring."""
        (a, b), r = self.cores, self.stand
        ring_a, ring_b = (each.joined(0) if each is core else each.plain for each in (a, b))
        total = core.split + self._three(ring_a, ring_b, r.plain, 0)
        for back in range(1, LAGS + 1):
            now_a, now_b = (each.joined(back) if each is core else _outside(each.plain, back) for each in (a, b))
            now_r = _outside(r.plain, back)
            total[back:] += (self._three(now_a, now_b, now_r, back) - _outside(self.plain, back))[back:]
        return total


class _Spread:
    """Signals of one series by year and state: its ring y - state; not `there` outside the series."""

    def __init__(self, series: Signals, years: int, shift: int, axis: int) -> None:
        ring = np.arange(years)[:, None] - np.arange(-shift, shift + 1)
        self.series, self.axis = series, axis
        self.ring = np.clip(ring, 0, series.size - 1)
        self.there = self._on_axis((ring >= 0) & (ring < series.size))
        self.inner = self._on_axis(ring < series.size - 1)
        self.plain = self._of(series.plain)
        self.narrow = self._of(series.narrowness)
        with np.errstate(divide="ignore"):
            self.split = self._of(np.log(series.joined_factor))

    def removed(self, back: int) -> Array:
        """Signals `back` rings outside if the ring of the year were not there."""
        return self._of(self.series.removed[:, back - 1])

    def joined(self, back: int) -> Array:
        """Signals `back` rings outside if the ring of the year and the next were one."""
        return self._of(self.series.joined[:, back])

    def _of(self, values: Array) -> Array:
        return self._on_axis(values[self.ring])

    def _on_axis(self, values: NDArray[Any]) -> NDArray[Any]:
        return values[:, :, None] if self.axis == 0 else values[:, None, :]


def _shares(prior: AlignmentPrior) -> tuple[float, ...]:
    one = (prior.absent_share_a, prior.absent_share_b, prior.false_share_a, prior.false_share_b)
    return *one, prior.both_share


def _rows(known: Bools, years: int) -> Bools:
    out = np.zeros(years, dtype=bool)
    out[: known.size] = known[:years]
    return out


def _outside(values: NDArray[Any], back: int) -> NDArray[Any]:
    """The rows so many years nearer the bark; those of the first years are used by nobody."""
    return values if back == 0 else np.concatenate([values[:back], values[:-back]])


def _keep_inside(factors: Array, turn: tuple[int, int]) -> None:
    """No move past the edge of the band; a move back towards 0 is unlikely."""
    middle = factors.shape[1] // 2
    for axis, step in ((1, turn[0]), (2, turn[1])):
        if step:
            on_axis = np.moveaxis(factors, axis, 0)
            on_axis[-1 if step > 0 else 0] = 0.0
            on_axis[: middle if step > 0 else 0] *= _RETURN
            on_axis[middle + 1 if step < 0 else on_axis.shape[0] :] *= _RETURN


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


def _forward(moves: Mapping[str, Array], dull: Array, shift: int) -> tuple[Array, Array]:
    """Sums over all paths from the bark to the states of every year, each year scaled to 1; log of the total."""
    years, *states, items = moves[Move.BOTH].shape
    enter, leave = _DISTURBED
    value = np.zeros((years + 1, 2, *states, items))
    value[0, :, shift, shift] = np.array([leave, enter])[:, None] / (enter + leave)
    scale = np.zeros(items)
    for year in range(years):
        agree, disturbed = value[year]
        matched, inside = agree * moves[Move.BOTH][year], disturbed * dull[year]
        new = value[year + 1]
        new[0] = (1 - enter) * matched + leave * inside
        new[1] = enter * matched + (1 - leave) * inside
        for move, turn in MOVES.items():
            if move != Move.BOTH:
                (to_a, from_a), (to_b, from_b) = (_slices(step) for step in turn)
                new[0, to_a, to_b] += (agree * moves[move][year])[from_a, from_b]
        total = new.sum(axis=(0, 1, 2))
        new /= total
        scale += np.log(total)
    return value, scale


def _backward(moves: Mapping[str, Array], dull: Array) -> Array:
    """Sums over all paths from the states of every year to the end, scaled by their largest."""
    years, *states, items = moves[Move.BOTH].shape
    enter, leave = _DISTURBED
    value = np.ones((years + 1, 2, *states, items))
    for year in range(years - 1, -1, -1):
        after, dull_after = value[year + 1]
        agree = ((1 - enter) * after + enter * dull_after) * moves[Move.BOTH][year]
        for move, turn in MOVES.items():
            if move != Move.BOTH:
                (to_a, from_a), (to_b, from_b) = (_slices(step) for step in turn)
                agree[from_a, from_b] += moves[move][year, from_a, from_b] * after[to_a, to_b]
        value[year, 0] = agree
        value[year, 1] = (leave * after + (1 - leave) * dull_after) * dull[year]
        value[year] /= value[year].max(axis=(0, 1, 2))
    return value


def _probs(moves: Mapping[str, Array], dull: Array, ahead: Array, behind: Array) -> dict[str, Array]:
    """Probability of each move in every year and state of every item."""
    enter, leave = _DISTURBED
    after, dull_after = behind[1:, 0], behind[1:, 1]
    both = ahead[:-1, 0] * moves[Move.BOTH] * ((1 - enter) * after + enter * dull_after)
    both += ahead[:-1, 1] * dull * (leave * after + (1 - leave) * dull_after)
    out = {Move.BOTH.value: both}
    for move, turn in MOVES.items():
        if move != Move.BOTH:
            (to_a, from_a), (to_b, from_b) = (_slices(step) for step in turn)
            out[move] = ahead[:-1, 0] * moves[move]
            out[move][:, from_a, from_b] *= after[:, to_a, to_b]
    total = sum(prob.sum(axis=(1, 2)) for prob in out.values())
    return {move: prob / total[:, None, None] for move, prob in out.items()}


def _grids(trio: Trio, shift: int, probs: Mapping[str, Array]) -> EventGrids:
    """Probabilities by ring and offset of the two counts, as the alignment of two cores alone gives them."""
    years = probs[Move.BOTH].shape[0]
    state = np.arange(-shift, shift + 1)
    year = np.arange(years)[:, None, None]
    ring_a, ring_b = year - state[:, None], year - state[None, :]
    offset = np.broadcast_to(ring_b - ring_a, probs[Move.BOTH].shape)
    band = 2 * shift
    size = years + shift

    def by_ring(prob: Array, ring: NDArray[np.int64], inside: int) -> Array:
        grid = np.zeros((size, 2 * band + 1))
        where = np.broadcast_to(ring, prob.shape)
        good = where >= 0
        np.add.at(grid, (where[good], offset[good] + band), prob[good])
        return grid[:inside]

    events: dict[Move, Array] = {}
    for move in EVENTS:
        ring = ring_b if move.of_b else ring_a
        events[move] = by_ring(probs[move], ring, size)
        if move.word == "absent":
            events[move] += by_ring(probs[ABSENT_IN_BOTH], ring, size)
    return EventGrids(events, by_ring(probs[Move.BOTH], ring_a, trio.core_a.size), band)
