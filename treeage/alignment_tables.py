"""Factors of every move of the alignment in every cell, from the signals of the two cores.

Layer 2. Own derivation: density ratios times the prior of every event, laid out for the sums.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from treeage.alignment_features import Array, Signals
from treeage.alignment_ratios import match_ratios, side, stack

_RETURN = 0.005  # fitted: an event that takes back an earlier one is likelier a disturbed stretch
_FACTORS = ("both", "absent_in_a", "absent_in_b", "false_in_a", "false_in_b", "inside")
_BLOCK_CELLS = 32_000  # choice: offsets times rings worked on at once, so that a few grids fit the cache
_ROUGH_SHIFT, _ROUGH_RINGS = 3, 20  # choice: offsets and stretch of the rough look at the correlations


@dataclass(frozen=True)
class EventFactors:
    """Prior factors of the four kinds of event, ring by ring, and of years without agreement.

    Parameters
    ----------
    absent_in_a, absent_in_b : numpy.ndarray
        Probability that the ring of the other core (length of B, length of A) is absent here.
    false_in_a, false_in_b : numpy.ndarray
        Probability that a ring of this core (length of A, length of B) was counted as two bands.
    stay : float
        Probability of a year without an event.
    """

    absent_in_a: Array
    absent_in_b: Array
    false_in_a: Array
    false_in_b: Array
    stay: float


@dataclass(frozen=True)
class Lattice:
    """All cells of one pair or of many: factors of the moves out of a cell, on (ring total, column, batch).

    Parameters
    ----------
    tables : dict of str to numpy.ndarray, shape (steps, columns + 2, batch)
        Factor of each move out of a cell; 0 where the move leaves the band or the series.
    inside : numpy.ndarray, shape (steps, columns + 2, batch)
        Factor of a matched year without agreement: the probability of no event, 0 outside the series.
    border : numpy.ndarray of bool, shape (steps, columns + 2, batch)
        Cells in which one series is used up.
    shift : int
        Half width of the band, even. Column c of an even step holds the offset 2 c - shift, of an odd step one more.
    enter, leave : float
        Probability that a disturbed stretch begins or ends with a year.
    """

    tables: dict[str, Array]
    inside: Array
    border: NDArray[np.bool_]
    shift: int
    enter: float
    leave: float

    @property
    def start_probs(self) -> tuple[float, float]:
        """Probability that the outermost year agrees or is disturbed.

        Returns
        -------
        tuple of float
            Long-run shares of the two states.
        """
        disturbed = self.enter / (self.enter + self.leave)
        return 1.0 - disturbed, disturbed


def place(target: Array, grid: Array, shift: int, lean: int) -> None:
    """Copy grid[:, d, i] to the cell of ring total 2 i + d - shift; lean -1 turns the offsets round.

    Parameters
    ----------
    target : numpy.ndarray, shape (shift + steps, columns + 2, g)
        Table to fill, with `shift` rows before ring total 0 that only serve this copy.
    grid : numpy.ndarray, shape (g, 2 * shift + 1, rings)
        Factors by offset of the other core and ring of one; 0 where the cell has no such move.
    shift : int
        Half width of the band, even.
    lean : int
        1 when the rings are those of A, -1 when they are those of B.
    """
    row, column, item = target.strides
    for parity in (0, 1):
        part = grid[:, parity::2]
        first = target[parity:, 1 if lean > 0 else shift + 1 - parity :]
        strides = (2 * row, 2 * row + lean * column, item)
        cells = np.lib.stride_tricks.as_strided(first, shape=part.shape[::-1], strides=strides)
        cells[...] = part.transpose(2, 1, 0)


def pick(probs: Array, size: int, shift: int, lean: int) -> Array:
    """Turn cells back to rings and offsets: the reverse of `place`.

    Parameters
    ----------
    probs : numpy.ndarray, shape (steps, columns, g)
        Values by ring total and column.
    size : int
        Rings of the longest core.
    shift : int
        Half width of the band.
    lean : int
        1 when the rings are those of A, -1 when they are those of B.

    Returns
    -------
    numpy.ndarray, shape (g, size, 2 * shift + 1)
        Values by ring and offset j - i (from -shift), for either core.
    """
    out = np.zeros((probs.shape[2], size, 2 * shift + 1))
    for column in range(2 * shift + 1):
        offset = (column - shift) * lean
        skip = max(0, (1 - offset) // 2)
        got = probs[2 * skip + offset :: 2, column // 2][: max(0, size - skip)]
        out[:, skip : skip + len(got), column] = got.T
    return out


def lattice(
    pairs: Sequence[tuple[Signals, Signals]],
    factors: Sequence[EventFactors],
    nodes: Sequence[Array],
    *,
    shift: int,
    disturbed: tuple[float, float],
) -> Lattice:
    """Build the tables of a batch of pairs, every node of the correlation of a pair being one item of the batch.

    Parameters
    ----------
    pairs : sequence of (Signals, Signals)
        Core A and core B of each pair.
    factors : sequence of EventFactors
        Prior factors of each pair.
    nodes : sequence of numpy.ndarray
        Correlations of each pair.
    shift : int
        Half width of the band, even.
    disturbed : tuple of float
        Probabilities that a disturbed stretch begins and ends with a year.

    Returns
    -------
    Lattice
        Tables over all items: pair 0 with its nodes, pair 1 with its nodes, ...
    """
    steps = max(a.size + b.size for a, b in pairs) + 4
    most = max(2 * max(a.size, b.size) for a, b in pairs) + shift
    values = np.concatenate(list(nodes))
    owner = np.repeat(np.arange(len(pairs)), [node.size for node in nodes])
    shape = (shift + max(steps, most), shift + 3, owner.size)
    roomy = {kind: np.zeros(shape) for kind in _FACTORS}
    for items in _blocks(pairs, owner, shift):
        first, last = owner[items.start], owner[items.stop - 1] + 1
        view = {kind: table[:, :, items] for kind, table in roomy.items()}
        _fill(view, pairs[first:last], factors[first:last], owner[items] - first, values[items], shift)
    border = np.stack([_border(a.size, b.size, steps, shift) for a, b in pairs], axis=2)[:, :, owner]
    tables = {kind: table[shift : shift + steps] for kind, table in roomy.items()}
    return Lattice(tables, tables.pop("inside"), border, shift, *disturbed)


def _blocks(pairs: Sequence[tuple[Signals, Signals]], owner: NDArray[np.int64], shift: int) -> list[slice]:
    """Runs of items whose grids stay in the processor's cache."""
    size = max(max(a.size, b.size) for a, b in pairs) * (2 * shift + 1)
    step = max(1, _BLOCK_CELLS // size)
    return [slice(first, min(first + step, owner.size)) for first in range(0, owner.size, step)]


def _fill(
    view: dict[str, Array],
    pairs: Sequence[tuple[Signals, Signals]],
    factors: Sequence[EventFactors],
    owner: NDArray[np.int64],
    nodes: Array,
    shift: int,
) -> None:
    """Fill the tables of some items."""
    a, b = (stack([pair[core] for pair in pairs], owner) for core in (0, 1))
    stay = np.array([prior.stay for prior in factors])[owner, None, None]
    match, *of_a = side(a, b, nodes, shift)
    _, *of_b = side(b, a, nodes, shift)
    place(view["both"], stay * match, shift, 1)
    place(view["inside"], stay * (match > 0), shift, 1)
    for own, kinds, core, lean in (
        (of_a, ("absent_in_b", "false_in_a"), a, 1),
        (of_b, ("absent_in_a", "false_in_b"), b, -1),
    ):
        for ratios, kind in zip(own, kinds, strict=True):
            prior = _padded([getattr(one, kind) for one in factors], core.plain.shape[1])
            grid = ratios * prior[owner, None]
            grid[:, 0] = 0.0  # the offset would pass the edge of the band
            grid[:, shift + 1 :] *= _RETURN  # the offset goes back towards 0
            place(view[kind], grid, shift, lean)


def _padded(rows: Sequence[Array], size: int) -> Array:
    out = np.zeros((len(rows), size))
    for row, values in zip(out, rows, strict=True):
        row[: values.size] = values
    return out


def rough_evidence(pairs: Sequence[tuple[Signals, Signals]], nodes: Array) -> Array:
    """Log likelihood ratio of every correlation when each stretch of rings may have its own small offset.

    Parameters
    ----------
    pairs : sequence of (Signals, Signals)
        Core A and core B of each pair.
    nodes : numpy.ndarray, shape (g,)
        Correlations.

    Returns
    -------
    numpy.ndarray, shape (pairs, g)
        Rough figures to tell which correlations are worth the full sums.
    """
    owner = np.repeat(np.arange(len(pairs)), nodes.size)
    total = np.zeros(owner.size)
    for items in _blocks(pairs, owner, _ROUGH_SHIFT):
        first, last = owner[items.start], owner[items.stop - 1] + 1
        a, b = (stack([pair[core] for pair in pairs[first:last]], owner[items] - first) for core in (0, 1))
        values = np.tile(nodes, len(pairs))[items]
        of_a = match_ratios(a, b, values, _ROUGH_SHIFT)
        of_a[of_a == 0] = 1.0
        np.log(of_a, out=of_a)
        of_b = np.zeros((*of_a.shape[:2], of_a.shape[2] + 2 * _ROUGH_SHIFT))
        for at in range(2 * _ROUGH_SHIFT + 1):  # ring i of A with offset d is ring i + d of B
            of_b[:, at, at : at + of_a.shape[2]] = of_a[:, at]
        of_b = of_b[:, :, _ROUGH_SHIFT:]
        for logs in (of_a, of_b):  # both ways, so that it does not matter which core is called A
            stretches = np.add.reduceat(logs, np.arange(0, logs.shape[2], _ROUGH_RINGS), axis=2)
            total[items] += (np.logaddexp.reduce(stretches, axis=1) - np.log(logs.shape[1])).sum(axis=1) / 2
    return total.reshape(len(pairs), nodes.size)


def _border(size_a: int, size_b: int, steps: int, shift: int) -> NDArray[np.bool_]:
    total = np.arange(steps)[:, None]
    offset = 2 * np.arange(-1, shift + 2)[None, :] - shift + total % 2
    first, second = (total - offset) // 2, (total + offset) // 2
    real = (np.abs(offset) <= shift) & (first >= 0) & (second >= 0) & (first <= size_a) & (second <= size_b)
    return np.asarray(real & ((first == size_a) | (second == size_b)))
