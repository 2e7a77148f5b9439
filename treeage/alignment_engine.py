"""Forward-backward sums over all ways to lay two ring series side by side, banded, for many pairs at once.

Layer 2. Own derivation: a pair hidden-Markov model with five moves of one true year each, and disturbed stretches.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
    value : numpy.ndarray, shape (steps, 2, batch, columns + 2)
        Sums divided by exp(log_scale), for the next year agreeing (0) or disturbed (1).
    log_scale : numpy.ndarray, shape (steps, batch)
        Natural logarithm of the scale of every step.
    """

    value: Array
    log_scale: Array

    def take(self, items: NDArray[np.int64]) -> Sums:
        """Keep some items of the batch.

        Parameters
        ----------
        items : numpy.ndarray of int, shape (m,)
            Which items.

        Returns
        -------
        Sums
            The sums of these items.
        """
        return Sums(self.value[:, :, items], self.log_scale[:, items])


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
    steps, batch, width = grid.border.shape
    value = np.zeros((steps, 2, batch, width))
    log_scale = np.zeros((steps, batch))
    value[0, :, :, grid.shift // 2 + 1] = np.array(grid.start_probs)[:, None]
    work = np.empty((batch, width - 2))
    inner = slice(1, width - 1)
    for step in range(1, steps):
        agree, disturbed = value[step, _AGREE, :, inner], value[step, _DISTURBED, :, inner]
        if step >= 2:
            before = value[step - 2, :, :, inner]
            np.multiply(before[_AGREE], grid.tables["both"][step - 2, :, inner], out=work)
            dull = before[_DISTURBED] * grid.inside[step - 2, :, inner]
            np.multiply(work, 1 - grid.enter, out=agree)
            agree += grid.leave * dull
            np.multiply(work, grid.enter, out=disturbed)
            disturbed += (1 - grid.leave) * dull
        for kind in KINDS:
            size, turn, _ = MOVES[kind]
            if step >= size:
                lean = _lean(step, turn)
                source = slice(1 + lean, width - 1 + lean)
                np.multiply(value[step - size, _AGREE, :, source], grid.tables[kind][step - size, :, source], out=work)
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
    steps, batch, width = grid.border.shape
    value = np.zeros((steps, 2, batch, width))
    log_scale = np.zeros((steps, batch))
    work = np.empty((batch, width - 2))
    inner = slice(1, width - 1)
    for step in range(steps - 1, -1, -1):
        agree, disturbed = value[step, _AGREE, :, inner], value[step, _DISTURBED, :, inner]
        if step + 2 < steps:
            after = value[step + 2, :, :, inner]
            np.multiply(after[_AGREE], 1 - grid.enter, out=agree)
            agree += grid.enter * after[_DISTURBED]
            agree *= grid.tables["both"][step, :, inner]
            np.multiply(after[_AGREE], grid.leave, out=disturbed)
            disturbed += (1 - grid.leave) * after[_DISTURBED]
            disturbed *= grid.inside[step, :, inner]
        for kind in KINDS:
            size, turn, _ = MOVES[kind]
            if step + size < steps:
                lean = -_lean(step + size, turn)
                goal = slice(1 + lean, width - 1 + lean)
                np.multiply(value[step + size, _AGREE, :, goal], grid.tables[kind][step, :, inner], out=work)
                agree += work
        edge = grid.border[step]
        if edge.any():
            value[step] += edge * np.exp(-log_scale[step])[:, None]
        _rescale(value, log_scale, step, 1)
    return Sums(value, log_scale)


def _rescale(value: Array, log_scale: Array, step: int, back: int) -> None:
    """Bring the newest three steps to size 1 now and then; hand the scale on to the step that comes next."""
    steps = value.shape[0]
    if step % _RESCALE_EVERY == 0:
        low, high = (max(0, step - 2), step + 1) if back < 0 else (step, min(steps, step + 3))
        top = value[low:high].max(axis=(0, 1, 3))
        top = np.where(top > 0, top, 1.0)
        value[low:high] /= top[None, None, :, None]
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
    ends = np.where(grid.border[rows], sums.value[rows].sum(axis=1), 0.0).sum(axis=2)
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
    dict of str to numpy.ndarray, shape (steps, batch, columns)
        Probabilities by move; "disturbed" holds years matched without agreement.
    """
    steps, batch, width = grid.border.shape
    inner = slice(1, width - 1)
    out = {}
    for kind in KINDS:
        size, turn, _ = MOVES[kind]
        prob = np.zeros((steps, batch, width - 2))
        scale = np.exp(ahead.log_scale[: steps - size] + behind.log_scale[size:] - log_sum)[:, :, None]
        prob[: steps - size] = (
            ahead.value[: steps - size, _AGREE, :, inner] * grid.tables[kind][: steps - size, :, inner]
        )
        for parity in (0, 1):
            lean = -_lean(parity + size, turn)
            rows = slice(parity, steps - size, 2)
            goals = behind.value[parity + size :: 2, _AGREE, :, 1 + lean : width - 1 + lean]
            prob[rows] *= goals * scale[rows]
        out[kind] = prob
    scale = np.exp(ahead.log_scale[:-2] + behind.log_scale[2:] - log_sum)[:, :, None]
    after = behind.value[2:, :, :, inner]
    agreeing = (1 - grid.enter) * after[:, _AGREE] + grid.enter * after[:, _DISTURBED]
    dull = grid.leave * after[:, _AGREE] + (1 - grid.leave) * after[:, _DISTURBED]
    before = ahead.value[:-2, :, :, inner]
    for kind, state, rest, table in (
        ("both", _AGREE, agreeing, grid.tables["both"]),
        ("disturbed", _DISTURBED, dull, grid.inside),
    ):
        prob = np.zeros((steps, batch, width - 2))
        prob[:-2] = before[:, state] * table[:-2, :, inner] * rest * scale
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
    numpy.ndarray, shape (batch, 2 * most + 1, 2 * shift + 1)
        Mass by difference in A (from -most) and final offset j - i (from -shift).
    """
    steps, batch, width = grid.border.shape
    counts = 2 * most + 1
    ring = np.zeros((4, 2, batch, width, counts))
    ring[0, :, :, grid.shift // 2 + 1, most] = np.array(grid.start_probs)[:, None]
    total = np.zeros((batch, counts, 2 * grid.shift + 1))
    work = np.empty((batch, width - 2, counts))
    inner = slice(1, width - 1)
    for step in range(steps):
        now = ring[step % 4]
        if step:
            _count_step(grid, ring, step, work)
            change = ahead.log_scale[step - 1] - ahead.log_scale[step]
            if np.any(change):
                raise_to = np.exp(change)[:, None, None]
                for back in range(3):
                    ring[(step - back) % 4] *= raise_to
        if grid.border[step].any():
            done = now[:, :, inner].sum(axis=0) * grid.border[step][:, inner, None]
            done *= np.exp(ahead.log_scale[step] - log_sum)[:, None, None]
            first = step % 2
            columns = (2 * grid.shift + 1 - first + 1) // 2
            total[:, :, first::2] += done[:, :columns].transpose(0, 2, 1)
    return total


def _count_step(grid: Lattice, ring: Array, step: int, work: Array) -> None:
    width = ring.shape[3]
    inner = slice(1, width - 1)
    now = ring[step % 4]
    now[...] = 0.0
    agree, disturbed = now[_AGREE][:, inner], now[_DISTURBED][:, inner]
    if step >= 2:
        before = ring[(step - 2) % 4][:, :, inner]
        np.multiply(before[_AGREE], grid.tables["both"][step - 2, :, inner, None], out=work)
        dull = before[_DISTURBED] * grid.inside[step - 2, :, inner, None]
        np.multiply(work, 1 - grid.enter, out=agree)
        agree += grid.leave * dull
        np.multiply(work, grid.enter, out=disturbed)
        disturbed += (1 - grid.leave) * dull
    for kind in KINDS:
        size, turn, add = MOVES[kind]
        if step >= size:
            lean = _lean(step, turn)
            source = slice(1 + lean, width - 1 + lean)
            np.multiply(
                ring[(step - size) % 4][_AGREE][:, source], grid.tables[kind][step - size, :, source, None], out=work
            )
            _add_shifted(agree, work, add)


def _add_shifted(out: Array, work: Array, add: int) -> None:
    if add == 0:
        out += work
    elif add > 0:
        out[..., 1:] += work[..., :-1]
        out[..., -1] += work[..., -1]
    else:
        out[..., :-1] += work[..., 1:]
        out[..., 0] += work[..., 0]
