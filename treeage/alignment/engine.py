"""Forward-backward sums over all ways to read two ring series against each other, banded, for many pairs at once.

Own derivation: a pair hidden-Markov model with five moves of one true year each, and disturbed stretches.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from treeage.alignment.lattice import EVENTS, Array, Lattice, Move, Signals, lattice, pick, rough_evidence
from treeage.alignment.paths import OneSided, one_sided
from treeage.alignment.prior import AlignmentPrior, alignment_model
from treeage.pmf import Pmf, freeze_arrays

# move: (rings used in both series together, change of the offset j - i, change of true minus counted rings in A)
MOVES: dict[Move, tuple[int, int, int]] = {
    move: (move.rings[0] + move.rings[1], move.rings[1] - move.rings[0], 1 - move.rings[0]) for move in Move
}
_RESCALE_EVERY = 8  # choice: steps between rescaling, far from overflow
_AGREE, _DISTURBED = 0, 1
DISTURBED = "disturbed"  # beside the moves: a year that both cores have, matched without agreement
_CELLS = 60_000  # choice: rings times items in one batch; keeps the arrays within some tens of megabytes
_KEEP = 0.05  # choice: correlations that hold less of the probability are left out of the second pass
_COUNTER = 2  # choice: differences of one core that the counter follows at first
_EDGE = 1e-4  # choice: probability at the edge of band or counter above which both are widened
_SHIFT_STEP, _WIDEST = 4, 60  # choice: how far the band is widened at once, and at most

# The sums run over the cells of `lattice`, drawn there. A cell has two states: the next year agrees, or is disturbed
# (its rings are matched without looking at their widths); only a year that both cores have leads into or out of the
# second.
#
#      bark                                                        pith end
#      ahead.value[t, state] = sum over all paths bark -> cell     cell -> border = behind.value[t, state]
#                       o---o---o--[ cell, state ]--move-->[ cell, state ]--o---o
#                       \______ ahead ______/  factor of the move  \____ behind ____/
#
# Their product over the total is the probability that the path leaves the cell by that move. A path ends at the border,
# where either series is used up. Values shrink or grow along the way and are divided by exp(log_scale) row by row.


@dataclass(frozen=True)
class EventGrids:
    """Probability of every event by ring and offset of one pair, with offsets from -shift to shift in the columns.

    `events`: by ring of the core that has one ring more there (outermost first) and offset j - i before the event.
    `path`: that ring i of A (row) and ring i + offset of B are the same year.
    """

    events: Mapping[Move, Array]
    path: Array
    shift: int

    def __post_init__(self) -> None:
        freeze_arrays(self)
        for grid in self.events.values():
            grid.flags.writeable = False

    def by_ring(self, event: Move) -> Array:
        """Probability of one kind of event at every ring, outermost first."""
        return np.asarray(np.minimum(self.events[event].sum(axis=1), 1.0))


@dataclass(frozen=True)
class PairSums:
    """What is kept of the sums over all ways to read one pair."""

    grids: EventGrids  # for the likeliest outer shift
    counter: Array  # (2 * most + 1, 2 * shift + 1): mass by true minus counted rings in A and final offset
    log_evidence: float  # log likelihood ratio against unrelated series, everything summed out
    correlation_weights: Array  # posterior weights of the correlation nodes
    correlation: float  # posterior mean of the correlation
    outer_shift: Pmf  # rings that A lacks at the outer end

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True)
class Sums:
    """Sums over paths, scaled: `value` (ring totals, 2 states, columns + 2, items) is divided by exp(log_scale)."""

    value: Array
    log_scale: Array  # (ring totals, items)


# ------------------------------------------------------------------ many pairs


def align_batch(pairs: Sequence[tuple[Signals, Signals]], priors: Sequence[AlignmentPrior]) -> list[PairSums]:
    """Align many pairs (A, B), those of like length together; one prior a pair, answers in the order of the pairs."""
    jobs = [(number, shift) for number, prior in enumerate(priors) for shift in prior.outer_shifts]
    cut = [_cut(pairs[number], shift) for number, shift in jobs]
    bands = [_even(priors[number].max_shift) for number, _ in jobs]
    done: dict[int, PairSums] = {}
    todo = list(range(len(jobs)))
    most = _COUNTER
    while todo:
        again = []
        for group in _groups(todo, cut, bands, [prior.one_sided for prior in (priors[owner] for owner, _ in jobs)]):
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
    of_pair: list[list[PairSums]] = [[] for _ in pairs]
    for at, (owner, _) in enumerate(jobs):
        of_pair[owner].append(done[at])
    return [_over_shifts(*each) for each in zip(priors, of_pair, pairs, strict=True)]


def _groups(
    todo: list[int], pairs: list[tuple[Signals, Signals]], bands: list[int], sided: list[bool]
) -> list[list[int]]:
    """Gather pairs of the same band and like length into batches of bounded size; those with events in A only apart."""
    length = [pairs[at][0].size + pairs[at][1].size for at in range(len(pairs))]
    order = sorted(todo, key=lambda at: (sided[at], bands[at], length[at]))
    groups: list[list[int]] = []
    for at in order:
        last = groups[-1] if groups else []
        alike = bool(last) and (bands[last[0]], sided[last[0]]) == (bands[at], sided[at])
        if alike and (len(last) + 1) * length[at] * (bands[at] + 3) <= _CELLS * 9:
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
    tried = [nodes[row] for row in kept]
    logs = np.full(before.shape, -np.inf)
    if priors[0].one_sided:
        sums = one_sided(pairs, factors, tried, shift=shift, disturbed=disturbed)
        logs[kept] = sums.log_total
    else:
        grid = lattice(pairs, factors, tried, shift=shift, disturbed=disturbed)
        ahead = forward(grid)
        logs[kept] = log_total(grid, ahead)
    shares, evidence = _shares(before + logs)
    starts = np.searchsorted(np.nonzero(kept)[0], np.arange(len(pairs)))

    def mixed(items: Array) -> Array:
        return np.asarray(np.add.reduceat(items * shares[kept].astype(items.dtype), starts, axis=2))

    if priors[0].one_sided:
        grids = _one_sided_grids(sums, mixed, pairs, shift)
        counter = np.zeros((2 * shift + 1, 2 * shift + 1, shares[kept].size))
        counter[np.arange(2 * shift + 1), np.arange(2 * shift + 1)] = sums.final
    else:
        probs = move_probs(grid, ahead, backward(grid), logs[kept])
        grids = _grids({kind: mixed(prob) for kind, prob in probs.items()}, pairs, shift)
        counter = count_joint(grid, ahead, logs[kept], most)
    masses = np.moveaxis(mixed(counter), 2, 0)
    means = shares @ nodes
    return [
        PairSums(*parts, Pmf.point(0))
        for parts in zip(grids, masses.copy(), evidence.tolist(), shares, means.tolist(), strict=True)
    ]


def _one_sided_grids(
    sums: OneSided, mixed: Callable[[Array], Array], pairs: list[tuple[Signals, Signals]], shift: int
) -> list[EventGrids]:
    """Probabilities by ring of every pair in which events happen in A only."""
    events = {event: mixed(grid) for event, grid in sums.events.items()}
    path, out = mixed(sums.path), []
    for number, (a, b) in enumerate(pairs):
        grids = {event: np.zeros(((b if event.of_b else a).size, 2 * shift + 1), path.dtype) for event in EVENTS}
        for event, grid in events.items():
            grids[event][:] = grid[: grids[event].shape[0], :, number]
        out.append(EventGrids(grids, path[: a.size, :, number].copy(), shift))
    return out


def _shares(logs: Array) -> tuple[Array, Array]:
    """Normalised weights of every row, and the logarithms of the sums."""
    top = logs.max(axis=1, keepdims=True)
    weights = np.exp(logs - top)
    sums = weights.sum(axis=1, keepdims=True)
    return weights / sums, (top + np.log(sums))[:, 0]


def _grids(cells: Mapping[str, Array], pairs: list[tuple[Signals, Signals]], shift: int) -> list[EventGrids]:
    """Probabilities by ring of every pair."""
    size_a, size_b = (max(pair[core].size for pair in pairs) for core in (0, 1))
    rings = {}
    for event in EVENTS:
        size, lean = (size_b, -1) if event.of_b else (size_a, 1)
        never = event not in cells
        rings[event] = np.zeros((len(pairs), size, 2 * shift + 1)) if never else pick(cells[event], size, shift, lean)
    path = pick(cells[Move.BOTH] + cells[DISTURBED], size_a, shift, 1)
    return [
        EventGrids(
            {event: grid[number, : (b if event.of_b else a).size].copy() for event, grid in rings.items()},
            path[number, : a.size].copy(),
            shift,
        )
        for number, (a, b) in enumerate(pairs)
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
        out = np.zeros((size, 2 * band + 1), dtype=grid.dtype)
        first = band - old.shift + lead_b - lead_a
        out[lead:, first : first + grid.shape[1]] = grid
        return out

    sizes = ((pair[0].size, lead_a), (pair[1].size, lead_b))
    grids = EventGrids(
        {event: put(grid, *sizes[event.of_b]) for event, grid in old.events.items()}, put(old.path, *sizes[0]), band
    )
    return PairSums(grids, part.counter, part.log_evidence, part.correlation_weights, part.correlation, outer)


# ------------------------------------------------------------------ sums over paths


def forward(grid: Lattice) -> Sums:
    """Sum over all paths from the outer end to each cell."""
    steps, width, batch = grid.border.shape
    value = np.zeros((steps, 2, width, batch))
    log_scale = np.zeros((steps, batch))
    value[0, :, grid.shift // 2 + 1] = np.array(grid.start_probs)[:, None]
    work, events = np.empty((width - 2, batch)), grid.events
    inner = slice(1, width - 1)
    for step in range(1, steps):
        agree, disturbed = value[step, :, inner]
        if step >= 2:
            before = value[step - 2, :, inner]
            np.multiply(before[_AGREE], grid.moves[Move.BOTH][step - 2, inner], out=work)
            dull = before[_DISTURBED] * grid.inside[step - 2, inner]
            np.multiply(work, 1 - grid.enter, out=agree)
            agree += grid.leave * dull
            np.multiply(work, grid.enter, out=disturbed)
            disturbed += (1 - grid.leave) * dull
        for event in events:
            size, turn, _ = MOVES[event]
            if step >= size:
                lean = _lean(step, turn)
                source = slice(1 + lean, width - 1 + lean)
                np.multiply(value[step - size, _AGREE, source], grid.moves[event][step - size, source], out=work)
                agree += work
        _rescale(value, log_scale, step, -1)
    return Sums(value, log_scale)


def backward(grid: Lattice) -> Sums:
    """Sum over all paths from each cell to the inner end; 1 in the cells where a series is used up."""
    steps, width, batch = grid.border.shape
    value = np.zeros((steps, 2, width, batch))
    log_scale = np.zeros((steps, batch))
    work, events = np.empty((width - 2, batch)), grid.events
    inner = slice(1, width - 1)
    at_end = np.asarray(grid.border.any(axis=(1, 2)))
    for step in range(steps - 1, -1, -1):
        agree, disturbed = value[step, :, inner]
        if step + 2 < steps:
            after = value[step + 2, :, inner]
            np.multiply(after[_AGREE], 1 - grid.enter, out=agree)
            agree += grid.enter * after[_DISTURBED]
            agree *= grid.moves[Move.BOTH][step, inner]
            np.multiply(after[_AGREE], grid.leave, out=disturbed)
            disturbed += (1 - grid.leave) * after[_DISTURBED]
            disturbed *= grid.inside[step, inner]
        for event in events:
            size, turn, _ = MOVES[event]
            if step + size < steps:
                lean = -_lean(step + size, turn)
                goal = slice(1 + lean, width - 1 + lean)
                np.multiply(value[step + size, _AGREE, goal], grid.moves[event][step, inner], out=work)
                agree += work
        if at_end[step]:
            value[step] += grid.border[step] * np.exp(-log_scale[step])
        _rescale(value, log_scale, step, 1)
    return Sums(value, log_scale)


def _lean(step: int, turn: int) -> int:
    """How many columns to the right of its goal at `step` a move that turns the offset by `turn` starts."""
    if turn == 0:
        return 0
    return -(turn + 1) // 2 if step % 2 == 0 else (1 - turn) // 2


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
    """Log of the sum over all complete paths, the log likelihood ratio against two unrelated series, shape (items,)."""
    rows = np.flatnonzero(grid.border.any(axis=(1, 2)))
    ends = np.where(grid.border[rows], sums.value[rows].sum(axis=1), 0.0).sum(axis=1)
    with np.errstate(divide="ignore"):
        logs = np.log(ends) + sums.log_scale[rows]
    top = logs.max(axis=0)
    return np.asarray(top + np.log(np.exp(logs - top).sum(axis=0)))


def move_probs(grid: Lattice, ahead: Sums, behind: Sums, log_sum: Array) -> dict[str, Array]:
    """Probability that the path leaves each cell by each move, (ring totals, columns, items) by move.

    `log_sum` is that of `log_total`; DISTURBED holds years matched without agreement.
    """
    steps, width, batch = grid.border.shape
    inner = slice(1, width - 1)
    out: dict[str, Array] = {}
    for event in grid.events:
        size, turn, _ = MOVES[event]
        prob = np.zeros((steps, width - 2, batch))
        done = prob[: steps - size]
        np.multiply(ahead.value[: steps - size, _AGREE, inner], grid.moves[event][: steps - size, inner], out=done)
        done *= np.exp(ahead.log_scale[: steps - size] + behind.log_scale[size:] - log_sum)[:, None]
        for parity in (0, 1):
            lean = -_lean(parity + size, turn)
            done[parity::2] *= behind.value[parity + size :: 2, _AGREE, 1 + lean : width - 1 + lean]
        out[event] = prob
    scale = np.exp(ahead.log_scale[:-2] + behind.log_scale[2:] - log_sum)[:, None]
    agree, dull = (behind.value[2:, state, inner] * scale for state in (_AGREE, _DISTURBED))
    for move, state, stop, factor in (
        (Move.BOTH, _AGREE, grid.enter, grid.moves[Move.BOTH]),
        (DISTURBED, _DISTURBED, 1 - grid.leave, grid.inside),
    ):
        prob = np.zeros((steps, width - 2, batch))
        np.multiply((1 - stop) * agree + stop * dull, factor[:-2, inner], out=prob[:-2])
        prob[:-2] *= ahead.value[:-2, state, inner]
        out[move] = prob
    return out


def count_joint(grid: Lattice, ahead: Sums, log_sum: Array, most: int) -> Array:
    """Joint mass of true minus counted rings in A (from -most) and final offset j - i (from -shift), by item.

    A counter is carried along the paths, on the scales of the forward sums; beyond `most` the mass stays at the edge.
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
        both, inside = grid.moves[Move.BOTH][step - 2, inner], grid.inside[step - 2, inner]
        before, dull = ring[(step - 2) % 4, :, :, inner]
        np.multiply(before, both * (1 - grid.enter), out=agree)
        agree += np.multiply(dull, inside * grid.leave, out=work)
        np.multiply(before, both * grid.enter, out=disturbed)
        disturbed += np.multiply(dull, inside * (1 - grid.leave), out=work)
    for event in grid.events:
        size, turn, add = MOVES[event]
        if step >= size:
            lean = _lean(step, turn)
            source = slice(1 + lean, width - 1 + lean)
            np.multiply(ring[(step - size) % 4, _AGREE, :, source], grid.moves[event][step - size, source], out=work)
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
