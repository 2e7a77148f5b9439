"""Forward-backward sums over all ways to lay two ring series side by side, banded, for many pairs at once.

Layer 2. Own derivation: a pair hidden-Markov model with five moves of one true year each, and disturbed stretches.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from treeage.alignment_features import Array
from treeage.alignment_tables import Lattice

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
