"""Two cores of a tree and the mean of the stand's other trees, read together year by year.

Own derivation: a hidden-Markov model whose states are the true minus counted rings of both cores so far.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from treeage.alignment.engine import EventGrids, PairSums
from treeage.alignment.lattice import EVENTS, Array, Move, rough_evidence
from treeage.alignment.paths import ABSENT_IN_BOTH, Moves, backward, forward, move_probs
from treeage.alignment.prior import AlignmentPrior, alignment_model
from treeage.alignment.years import WIDEST, Band, Batch, Node, Trio
from treeage.pmf import Pmf

Chosen = tuple[list[Node], Array]  # nodes worth the full sums and their prior weights

_EDGE = 1e-4  # choice: probability at the edge of the band above which it is widened
_STRANGE = 0.5  # choice: a reference may have nothing to do with the cores; the evidence decides
_FEW_CELLS = 20_000  # choice: cells that nobody asks for, up to which trios that differ are worked on at once
_CELLS = 200_000  # choice: years times states of the trios worked on at once
_BLOCK_CELLS = 30_000  # choice: cells whose probabilities are worked out at once, so that a few arrays fit the cache
_NEGLIGIBLE = 1e-9  # probabilities below this are not followed
_KEEP = 0.1  # choice: correlations with a smaller share of the rough evidence are left out


class Run(NamedTuple):
    """Trios (`owner`) with one of their nodes (`column`): factors of the moves and of dull years, forward sums."""

    moves: Moves
    dull: Array
    ahead: Array
    owner: NDArray[np.int64]
    column: NDArray[np.int64]

    def of(self, items: NDArray[np.int64]) -> Run:
        """Some of them."""
        if items.size == self.owner.size:
            return self
        moves = {move: each[..., items] for move, each in self.moves.items()}
        return Run(moves, self.dull[..., items], self.ahead[..., items], self.owner[items], self.column[items])

    def mixing(self, shares: Array, trios: NDArray[np.int64]) -> Array:
        """Matrix (items, trios) that sums over the nodes of each of these trios by their shares."""
        return np.where(self.owner[:, None] == trios, shares[self.owner, self.column][:, None], 0.0)


def align_trios(trios: Sequence[Trio], priors: Sequence[AlignmentPrior]) -> list[PairSums]:
    """Sums over all ways to read pairs of cores with their references; bands of states are widened where it matters."""
    done: dict[int, PairSums] = {}
    chosen = _correlations(trios, priors)
    bands = [Band.full(prior.max_shift) for prior in priors]
    todo = list(range(len(trios)))
    while todo:
        again = []
        for group in _groups(todo, trios, bands):
            band = Band.over([bands[at] for at in group])
            own = [trios[at] for at in group], [priors[at] for at in group], [chosen[at] for at in group]
            for at, sums in zip(group, _align(*own, band), strict=True):
                if isinstance(sums, PairSums):
                    done[at] = sums
                else:
                    bands[at] = band.wider(sums)
                    again.append(at)
        todo = again
    return [done[at] for at in range(len(trios))]


def _groups(todo: Sequence[int], trios: Sequence[Trio], bands: Sequence[Band]) -> list[list[int]]:
    """Gather trios of like bands and length into batches of bounded size."""
    groups: list[list[int]] = []
    like = [(band.shift, band.sides) for band in bands]
    for at in sorted(todo, key=lambda at: (like[at], trios[at].years)):
        last = groups[-1] if groups else []
        one = [int(np.prod(bands[each].states)) * trios[each].years for each in (*last, at)]
        cells = len(one) * trios[at].years * int(np.prod(Band.over([bands[each] for each in (*last, at)]).states))
        alike = bool(last) and like[last[0]][0] == like[at][0] and cells - sum(one) <= _FEW_CELLS
        if alike and cells <= _CELLS:
            last.append(at)
        else:
            groups.append([at])
    return groups


def _align(
    trios: Sequence[Trio], priors: Sequence[AlignmentPrior], chosen: Sequence[Chosen], band: Band
) -> list[PairSums | Array]:
    """What is kept of trios with one band; the joint mass of the states where it is too narrow."""
    batch = Batch(trios, priors, band)
    most = max(len(nodes) for nodes, _ in chosen)
    logs = np.full((len(trios), most), -np.inf)  # the last column has no reference

    def run(owner: NDArray[np.int64], column: NDArray[np.int64]) -> Run:
        which = list(zip(owner.tolist(), column.tolist(), strict=True))
        moves, dull = batch.factors([chosen[at][0][level] for at, level in which], owner)
        ahead, scale = forward(moves, dull, -band.low[0], -band.low[1])
        logs[owner, column] = np.log([chosen[at][1][level] for at, level in which]) + scale
        return Run(moves, dull, ahead, owner, column)

    every = np.arange(len(trios))
    with_stand = [(at, level) for level in range(most - 1) for at in every.tolist() if level < len(chosen[at][0]) - 1]
    runs = [run(*np.array(with_stand).T), run(every, np.full_like(every, -1))]
    evidence = np.logaddexp.reduce(logs, axis=1)
    shares = np.exp(logs - evidence[:, None])
    joint = np.zeros((2 * band.shift + 1, 2 * band.shift + 1, len(trios)))
    where = [slice(low + band.shift, high + band.shift + 1) for low, high in zip(band.low, band.high, strict=True)]
    for each in runs:
        joint[where[0], where[1]] += each.ahead[-1].sum(axis=0) @ each.mixing(shares, every)
    joint /= joint.sum(axis=(0, 1))
    edge = joint[[0, -1]].sum(axis=(0, 1)) + joint[:, [0, -1]].sum(axis=(0, 1))
    out: list[PairSums | Array] = list(np.moveaxis(joint, -1, 0))
    ready = np.flatnonzero((edge <= _EDGE) | (band.shift >= WIDEST)).tolist()
    if ready:
        grids = _grids([trios[at] for at in ready], band, _mixed(runs, shares, np.array(ready)))
        for at, own in zip(ready, grids, strict=True):
            nodes, share = chosen[at][0], shares[at]
            share = np.append(share[: len(nodes) - 1], share[-1])
            correlations = np.array([node.own for node in nodes])
            out[at] = _pair_sums(own, joint[..., at], band.shift, float(evidence[at]), correlations, share)
    return out


def _mixed(runs: Sequence[Run], shares: Array, ready: NDArray[np.int64]) -> dict[str, Array]:
    """Probabilities of every move in every year and state of some trios, over their nodes."""
    out = {move: np.zeros((*each.shape[:3], ready.size), each.dtype) for move, each in runs[0].moves.items()}
    for each in runs:
        weight = each.mixing(shares, ready)
        items = np.flatnonzero(weight.max(axis=1) > _NEGLIGIBLE)
        if not items.size:
            continue
        run, weight = each.of(items), weight[items].astype(each.dull.dtype)
        behind = backward(run.moves, run.dull)
        step = max(1, _BLOCK_CELLS // behind[0, 0].size)
        for year in range(0, run.dull.shape[0], step):
            rows, after = slice(year, year + step), slice(year, year + step + 1)
            part = {move: factor[rows] for move, factor in run.moves.items()}
            for move, prob in move_probs(part, run.dull[rows], run.ahead[after], behind[after]).items():
                out[move][rows] += (prob.reshape(-1, items.size) @ weight).reshape(out[move][rows].shape)
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


def _grids(trios: Sequence[Trio], band: Band, probs: Mapping[str, Array]) -> list[EventGrids]:
    """Probabilities by ring and offset of the two counts, as the alignment of two cores alone gives them."""
    years, states_a, states_b, items = probs[Move.BOTH].shape
    reach, size = 2 * band.shift, years + band.shift

    def by_ring(prob: Array, of_b: bool) -> Array:
        """State a of A at year y is ring y - a; the offset is ring of B less ring of A, a - b."""
        grid = np.zeros((size, 2 * reach + 1, items), dtype=prob.dtype)
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
