"""Forward-backward sums over all ways to lay two ring series side by side, banded, for many pairs at once.

Own derivation: a pair hidden-Markov model with five moves of one true year each, and disturbed stretches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from treeage.alignment.prior import AlignmentPrior, alignment_model
from treeage.alignment.signals import Array, EventGrids, Lattice, PairSums, Signals, lattice, pick, rough_evidence
from treeage.pmf import Pmf

# kind: (rings used in both series together, change of the offset j - i, change of true minus counted rings in A)
MOVES: dict[str, tuple[int, int, int]] = {
    "both": (2, 0, 0),
    "absent_in_a": (1, 1, 1),
    "absent_in_b": (1, -1, 0),
    "false_in_a": (3, -1, -1),
    "false_in_b": (3, 1, 0),
}
KINDS = ("absent_in_a", "absent_in_b", "false_in_a", "false_in_b")
_RESCALE_EVERY = 8  # choice: steps between rescaling, far from overflow
_AGREE, _DISTURBED = 0, 1


@dataclass(frozen=True)
class Sums:
    """Scaled sums over paths.

    Parameters
    ----------
    value : numpy.ndarray, shape (steps, 2, columns + 2, batch)
        Sums divided by exp(log_scale), for the next year agreeing (0) or disturbed (1).
    log_scale : numpy.ndarray, shape (steps, batch)
        Natural logarithm of the scale of every step.
    """

    value: Array
    log_scale: Array


def _lean(step: int, turn: int) -> int:
    """How many columns to the right of its goal at `step` a move that turns the offset by `turn` starts."""
    if turn == 0:
        return 0
    return -(turn + 1) // 2 if step % 2 == 0 else (1 - turn) // 2


def forward(grid: Lattice) -> Sums:
    """Sum over all paths from the outer end to each cell.

    Parameters
    ----------
    grid : Lattice
        Tables.

    Returns
    -------
    Sums
        Forward sums.
    """
    steps, width, batch = grid.border.shape
    value = np.zeros((steps, 2, width, batch))
    log_scale = np.zeros((steps, batch))
    value[0, :, grid.shift // 2 + 1] = np.array(grid.start_probs)[:, None]
    work = np.empty((width - 2, batch))
    inner = slice(1, width - 1)
    for step in range(1, steps):
        agree, disturbed = value[step, :, inner]
        if step >= 2:
            before = value[step - 2, :, inner]
            np.multiply(before[_AGREE], grid.tables["both"][step - 2, inner], out=work)
            dull = before[_DISTURBED] * grid.inside[step - 2, inner]
            np.multiply(work, 1 - grid.enter, out=agree)
            agree += grid.leave * dull
            np.multiply(work, grid.enter, out=disturbed)
            disturbed += (1 - grid.leave) * dull
        for kind in KINDS:
            size, turn, _ = MOVES[kind]
            if step >= size:
                lean = _lean(step, turn)
                source = slice(1 + lean, width - 1 + lean)
                np.multiply(value[step - size, _AGREE, source], grid.tables[kind][step - size, source], out=work)
                agree += work
        _rescale(value, log_scale, step, -1)
    return Sums(value, log_scale)


def backward(grid: Lattice) -> Sums:
    """Sum over all paths from each cell to the inner end.

    Parameters
    ----------
    grid : Lattice
        Tables.

    Returns
    -------
    Sums
        Backward sums; 1 in the cells where a series is used up.
    """
    steps, width, batch = grid.border.shape
    value = np.zeros((steps, 2, width, batch))
    log_scale = np.zeros((steps, batch))
    work = np.empty((width - 2, batch))
    inner = slice(1, width - 1)
    at_end = np.asarray(grid.border.any(axis=(1, 2)))
    for step in range(steps - 1, -1, -1):
        agree, disturbed = value[step, :, inner]
        if step + 2 < steps:
            after = value[step + 2, :, inner]
            np.multiply(after[_AGREE], 1 - grid.enter, out=agree)
            agree += grid.enter * after[_DISTURBED]
            agree *= grid.tables["both"][step, inner]
            np.multiply(after[_AGREE], grid.leave, out=disturbed)
            disturbed += (1 - grid.leave) * after[_DISTURBED]
            disturbed *= grid.inside[step, inner]
        for kind in KINDS:
            size, turn, _ = MOVES[kind]
            if step + size < steps:
                lean = -_lean(step + size, turn)
                goal = slice(1 + lean, width - 1 + lean)
                np.multiply(value[step + size, _AGREE, goal], grid.tables[kind][step, inner], out=work)
                agree += work
        if at_end[step]:
            value[step] += grid.border[step] * np.exp(-log_scale[step])
        _rescale(value, log_scale, step, 1)
    return Sums(value, log_scale)


def _rescale(value: Array, log_scale: Array, step: int, back: int) -> None:
    """Bring the newest three steps to size 1 now and then; hand the scale on to the step that comes next."""
    steps = value.shape[0]
    if step % _RESCALE_EVERY == 0:
        low, high = (max(0, step - 2), step + 1) if back < 0 else (step, min(steps, step + 3))
        top = value[low:high].max(axis=(0, 1, 2))
        top = np.where(top > 0, top, 1.0)
        value[low:high] /= top
        log_scale[low:high] += np.log(top)
    following = step - back
    if 0 <= following < steps:
        log_scale[following] = log_scale[step]


def log_total(grid: Lattice, sums: Sums) -> Array:
    """Natural logarithm of the sum over all complete paths.

    Parameters
    ----------
    grid : Lattice
        Tables.
    sums : Sums
        Forward sums.

    Returns
    -------
    numpy.ndarray, shape (batch,)
        Log likelihood ratio against two unrelated series.
    """
    rows = np.flatnonzero(grid.border.any(axis=(1, 2)))
    ends = np.where(grid.border[rows], sums.value[rows].sum(axis=1), 0.0).sum(axis=1)
    with np.errstate(divide="ignore"):
        logs = np.log(ends) + sums.log_scale[rows]
    top = logs.max(axis=0)
    return np.asarray(top + np.log(np.exp(logs - top).sum(axis=0)))


def move_probs(grid: Lattice, ahead: Sums, behind: Sums, log_sum: Array) -> dict[str, Array]:
    """Probability that the path leaves each cell by each move.

    Parameters
    ----------
    grid : Lattice
        Tables.
    ahead, behind : Sums
        Forward and backward sums.
    log_sum : numpy.ndarray, shape (batch,)
        Result of `log_total`.

    Returns
    -------
    dict of str to numpy.ndarray, shape (steps, columns, batch)
        Probabilities by move; "disturbed" holds years matched without agreement.
    """
    steps, width, batch = grid.border.shape
    inner = slice(1, width - 1)
    out = {}
    for kind in KINDS:
        size, turn, _ = MOVES[kind]
        prob = np.zeros((steps, width - 2, batch))
        done = prob[: steps - size]
        np.multiply(ahead.value[: steps - size, _AGREE, inner], grid.tables[kind][: steps - size, inner], out=done)
        done *= np.exp(ahead.log_scale[: steps - size] + behind.log_scale[size:] - log_sum)[:, None]
        for parity in (0, 1):
            lean = -_lean(parity + size, turn)
            done[parity::2] *= behind.value[parity + size :: 2, _AGREE, 1 + lean : width - 1 + lean]
        out[kind] = prob
    scale = np.exp(ahead.log_scale[:-2] + behind.log_scale[2:] - log_sum)[:, None]
    agree, dull = (behind.value[2:, state, inner] * scale for state in (_AGREE, _DISTURBED))
    for kind, state, stop, table in (
        ("both", _AGREE, grid.enter, grid.tables["both"]),
        ("disturbed", _DISTURBED, 1 - grid.leave, grid.inside),
    ):
        prob = np.zeros((steps, width - 2, batch))
        np.multiply((1 - stop) * agree + stop * dull, table[:-2, inner], out=prob[:-2])
        prob[:-2] *= ahead.value[:-2, state, inner]
        out[kind] = prob
    return out


def count_joint(grid: Lattice, ahead: Sums, log_sum: Array, most: int) -> Array:
    """Joint mass of true minus counted rings in the two cores, by a counter carried along the paths.

    Parameters
    ----------
    grid : Lattice
        Tables.
    ahead : Sums
        Forward sums: their scales are used again.
    log_sum : numpy.ndarray, shape (batch,)
        Result of `log_total`.
    most : int
        Largest difference that is counted for one core; beyond it the mass stays at the edge.

    Returns
    -------
    numpy.ndarray, shape (2 * most + 1, 2 * shift + 1, batch)
        Mass by difference in A (from -most) and final offset j - i (from -shift).
    """
    steps, width, batch = grid.border.shape
    counts = 2 * most + 1
    ring = np.zeros((4, 2, counts, width, batch))
    ring[0, :, most, grid.shift // 2 + 1] = np.array(grid.start_probs)[:, None]
    total = np.zeros((counts, 2 * grid.shift + 1, batch))
    work = np.empty((counts, width - 2, batch))
    inner = slice(1, width - 1)
    at_end = np.asarray(grid.border.any(axis=(1, 2)))
    for step in range(steps):
        if step:
            _count_step(grid, ring, step, work)
            change = ahead.log_scale[step - 1] - ahead.log_scale[step]
            if np.any(change):
                raise_to = np.exp(change)
                for back in range(3):
                    ring[(step - back) % 4] *= raise_to
        if at_end[step]:
            done = ring[step % 4, :, :, inner].sum(axis=0) * grid.border[step, inner]
            done *= np.exp(ahead.log_scale[step] - log_sum)
            first = step % 2
            total[:, first::2] += done[:, : grid.shift + 1 - first]
    return total


def _count_step(grid: Lattice, ring: Array, step: int, work: Array) -> None:
    """Advance the counter by one ring total."""
    width = ring.shape[3]
    inner = slice(1, width - 1)
    agree, disturbed = ring[step % 4, :, :, inner]
    if step < 2:
        ring[step % 4] = 0.0
    else:
        both, inside = grid.tables["both"][step - 2, inner], grid.inside[step - 2, inner]
        before, dull = ring[(step - 2) % 4, :, :, inner]
        np.multiply(before, both * (1 - grid.enter), out=agree)
        agree += np.multiply(dull, inside * grid.leave, out=work)
        np.multiply(before, both * grid.enter, out=disturbed)
        disturbed += np.multiply(dull, inside * (1 - grid.leave), out=work)
    for kind in KINDS:
        size, turn, add = MOVES[kind]
        if step >= size:
            lean = _lean(step, turn)
            source = slice(1 + lean, width - 1 + lean)
            np.multiply(ring[(step - size) % 4, _AGREE, :, source], grid.tables[kind][step - size, source], out=work)
            _add_shifted(agree, work, add)


def _add_shifted(out: Array, work: Array, add: int) -> None:
    """Add with the first axis moved on by `add`; what passes the edge stays there."""
    if add == 0:
        out += work
    elif add > 0:
        out[1:] += work[:-1]
        out[-1] += work[-1]
    else:
        out[:-1] += work[1:]
        out[0] += work[0]


_CELLS = 60_000  # choice: rings times items in one batch; keeps the tables within some tens of megabytes
_KEEP = 0.01  # choice: correlations that hold less of the probability are left out of the second pass
_COUNTER = 2  # choice: differences of one core that the counter follows at first
_EDGE = 1e-4  # choice: probability at the edge of band or counter above which both are widened
_SHIFT_STEP, _WIDEST = 4, 60  # choice: how far the band is widened at once, and at most


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
    ahead = forward(grid)
    total = log_total(grid, ahead)
    logs = np.full(before.shape, -np.inf)
    logs[kept] = total
    shares, evidence = _shares(before + logs)
    probs = move_probs(grid, ahead, backward(grid), total)
    counter = count_joint(grid, ahead, total, most)
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
        for kind in KINDS
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
