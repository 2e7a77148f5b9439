"""Runs the alignment engine over many pairs: correlation nodes, outer shifts, and what each pair keeps of the sums.

Layer 2. Own derivation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from treeage import alignment_engine as engine
from treeage.alignment_events import EventGrids
from treeage.alignment_features import Array, Signals
from treeage.alignment_prior import AlignmentPrior, alignment_model
from treeage.alignment_tables import lattice, pick, rough_evidence
from treeage.pmf import Pmf

_CELLS = 60_000  # choice: rings times items in one batch; keeps the tables within some tens of megabytes
_KEEP = 0.01  # choice: correlations that hold less of the probability are left out of the second pass
_COUNTER = 2  # choice: differences of one core that the counter follows at first
_EDGE = 1e-4  # choice: probability at the edge of band or counter above which both are widened
_SHIFT_STEP, _WIDEST = 4, 60  # choice: how far the band is widened at once, and at most


@dataclass(frozen=True)
class PairSums:
    """What is kept of the sums over all ways to lay one pair side by side.

    Parameters
    ----------
    grids : EventGrids
        Event and path probabilities for the likeliest outer shift.
    counter : numpy.ndarray, shape (2 * most + 1, 2 * shift + 1)
        Mass by true minus counted rings in A and final offset.
    log_evidence : float
        Log likelihood ratio against unrelated series, everything summed out.
    correlation_weights : numpy.ndarray, shape (g,)
        Posterior weights of the correlation nodes.
    correlation : float
        Posterior mean of the correlation.
    outer_shift : Pmf
        Rings that A lacks at the outer end.
    """

    grids: EventGrids
    counter: Array
    log_evidence: float
    correlation_weights: Array
    correlation: float
    outer_shift: Pmf


def align_batch(pairs: Sequence[tuple[Signals, Signals]], priors: Sequence[AlignmentPrior]) -> list[PairSums]:
    """Align many pairs, those of like length together.

    Parameters
    ----------
    pairs : sequence of (Signals, Signals)
        Core A and core B of each pair.
    priors : sequence of AlignmentPrior
        One for each pair.

    Returns
    -------
    list of PairSums
        In the order of the pairs.
    """
    jobs = [(number, shift) for number, prior in enumerate(priors) for shift in prior.outer_shifts]
    cut = [_cut(pairs[number], shift) for number, shift in jobs]
    bands = [_even(priors[number].max_shift) for number, _ in jobs]
    done: dict[int, PairSums] = {}
    todo = list(range(len(jobs)))
    most = _COUNTER
    while todo:
        again = []
        for group in _groups(todo, cut, bands):
            sums = _align(
                [cut[at] for at in group],
                [priors[jobs[at][0]] for at in group],
                bands[group[0]],
                min(most, bands[group[0]]),
            )
            for at, one in zip(group, sums, strict=True):
                done[at] = one
                if _touches(one.counter) and bands[at] < _WIDEST:
                    again.append(at)
        for at in again:
            bands[at] = min(bands[at] + _SHIFT_STEP, _WIDEST)
        todo, most = again, most + _SHIFT_STEP
    return [
        _over_shifts(prior, [done[at] for at, (owner, _) in enumerate(jobs) if owner == number], pairs[number])
        for number, prior in enumerate(priors)
    ]


def _even(shift: int) -> int:
    return shift + shift % 2


def _touches(counter: Array) -> bool:
    edge = counter[[0, -1]].sum() + counter[:, [0, -1]].sum()
    return bool(edge > _EDGE * counter.sum())


def _cut(pair: tuple[Signals, Signals], shift: int) -> tuple[Signals, Signals]:
    """Leave out the outermost rings of the core that reaches further out."""
    core_a, core_b = pair
    return core_a.inward(max(0, -shift)), core_b.inward(max(0, shift))


def _groups(todo: list[int], pairs: list[tuple[Signals, Signals]], bands: list[int]) -> list[list[int]]:
    """Gather pairs of the same band and like length into batches of bounded size."""
    length = [pairs[at][0].size + pairs[at][1].size for at in range(len(pairs))]
    order = sorted(todo, key=lambda at: (bands[at], length[at]))
    groups: list[list[int]] = []
    for at in order:
        last = groups[-1] if groups else []
        if last and bands[last[0]] == bands[at] and (len(last) + 1) * length[at] * (bands[at] + 3) <= _CELLS * 9:
            last.append(at)
        else:
            groups.append([at])
    return groups


def _align(pairs: list[tuple[Signals, Signals]], priors: list[AlignmentPrior], shift: int, most: int) -> list[PairSums]:
    """Align one batch: first quickly to weigh the correlations, then fully for those that matter."""
    model = alignment_model()
    nodes = np.asarray(model["correlation_nodes"])
    disturbed = (float(model["disturbed"][0]), float(model["disturbed"][1]))
    factors = [prior.factors(a, b) for prior, (a, b) in zip(priors, pairs, strict=True)]
    weights = np.array([prior.correlation_weights for prior in priors])
    with np.errstate(divide="ignore"):
        before = np.log(weights / weights.sum(axis=1, keepdims=True))
    rough = _shares(before + rough_evidence(pairs, nodes))[0]
    kept = rough > _KEEP
    grid = lattice(pairs, factors, [nodes[row] for row in kept], shift=shift, disturbed=disturbed)
    ahead = engine.forward(grid)
    total = engine.log_total(grid, ahead)
    logs = np.full(before.shape, -np.inf)
    logs[kept] = total
    shares, evidence = _shares(before + logs)
    probs = engine.move_probs(grid, ahead, engine.backward(grid), total)
    counter = engine.count_joint(grid, ahead, total, most)
    owner = np.nonzero(kept)[0]
    flat = shares[kept]
    starts = np.searchsorted(owner, np.arange(len(pairs)))
    grids = _grids({kind: np.add.reduceat(prob * flat, starts, axis=2) for kind, prob in probs.items()}, pairs, shift)
    masses = np.moveaxis(np.add.reduceat(counter * flat, starts, axis=2), 2, 0)
    means = shares @ nodes
    return [
        PairSums(*parts, Pmf.point(0))
        for parts in zip(grids, masses.copy(), evidence.tolist(), shares, means.tolist(), strict=True)
    ]


def _shares(logs: Array) -> tuple[Array, Array]:
    """Normalised weights of every row, and the logarithms of the sums."""
    top = logs.max(axis=1, keepdims=True)
    weights = np.exp(logs - top)
    sums = weights.sum(axis=1, keepdims=True)
    return weights / sums, (top + np.log(sums))[:, 0]


def _grids(cells: dict[str, Array], pairs: list[tuple[Signals, Signals]], shift: int) -> list[EventGrids]:
    """Probabilities by ring of every pair."""
    size_a, size_b = (max(pair[core].size for pair in pairs) for core in (0, 1))
    of_b = ("absent_in_a", "false_in_b")
    rings = {
        kind: pick(cells[kind], size_b, shift, -1) if kind in of_b else pick(cells[kind], size_a, shift, 1)
        for kind in engine.KINDS
    }
    path = pick(cells["both"] + cells["disturbed"], size_a, shift, 1)
    return [
        EventGrids(
            {kind: grid[number, : (b if kind in of_b else a).size].copy() for kind, grid in rings.items()},
            path[number, : a.size].copy(),
            shift,
        )
        for number, (a, b) in enumerate(pairs)
    ]


def _over_shifts(prior: AlignmentPrior, parts: list[PairSums], pair: tuple[Signals, Signals]) -> PairSums:
    """Weigh the outer shifts of one pair."""
    if len(parts) == 1:
        only = next(iter(prior.outer_shifts))
        return _placed(parts[0], only, pair, Pmf.point(only))
    shifts = list(prior.outer_shifts)
    with np.errstate(divide="ignore"):
        before = np.log(np.array([prior.outer_shifts[shift] for shift in shifts]) / sum(prior.outer_shifts.values()))
    weights, total = _shares((before + np.array([part.log_evidence for part in parts]))[None, :])
    likely = int(np.argmax(weights[0]))
    low = min(shifts)
    mass = np.zeros(max(shifts) - low + 1)
    mass[np.array(shifts) - low] = weights[0]
    rows, width = (max(part.counter.shape[axis] for part in parts) for axis in (0, 1))
    counter = np.zeros((rows, width))
    for part, weight in zip(parts, weights[0], strict=True):
        down, right = (rows - part.counter.shape[0]) // 2, (width - part.counter.shape[1]) // 2
        counter[down : rows - down or None, right : width - right or None] += weight * part.counter
    best = parts[likely]
    mixed = sum(weight * part.correlation_weights for part, weight in zip(parts, weights[0], strict=True))
    mean = float(sum(weight * part.correlation for part, weight in zip(parts, weights[0], strict=True)))
    merged = PairSums(best.grids, counter, float(total[0]), np.asarray(mixed), mean, Pmf(low, mass))
    return _placed(merged, shifts[likely], pair, merged.outer_shift)


def _placed(part: PairSums, shift: int, pair: tuple[Signals, Signals], outer: Pmf) -> PairSums:
    """Number the rings from the outermost of each core again, and offsets with them."""
    if shift == 0:
        return part
    lead_a, lead_b = max(0, -shift), max(0, shift)
    old = part.grids
    band = old.shift + abs(shift)

    def put(grid: Array, size: int, lead: int) -> Array:
        out = np.zeros((size, 2 * band + 1))
        first = band - old.shift + lead_b - lead_a
        out[lead:, first : first + grid.shape[1]] = grid
        return out

    sizes = {
        kind: (pair[1].size, lead_b) if kind in ("absent_in_a", "false_in_b") else (pair[0].size, lead_a)
        for kind in old.grids
    }
    grids = EventGrids(
        {kind: put(grid, *sizes[kind]) for kind, grid in old.grids.items()}, put(old.path, pair[0].size, lead_a), band
    )
    return PairSums(grids, part.counter, part.log_evidence, part.correlation_weights, part.correlation, outer)
