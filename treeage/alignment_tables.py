"""Factors of every move of the alignment in every cell, from the signals of the two cores.

Layer 2. Own derivation: bivariate t densities with exact windows around an absent ring or two joined bands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from treeage.alignment_features import DEGREES_OF_FREEDOM, Array, Signals

_CONSTANT = 2.0 / (0.75 * np.sqrt(np.pi)) ** 2  # closed form: Gamma(3) Gamma(2) / Gamma(5/2)**2 of the bivariate t law

_RETURN = 0.005  # fitted: an event that takes back an earlier one is likelier a disturbed stretch
_TEMPER = 5 / 6  # fitted: years are not independent, so agreement counts a little less; 5/6 needs square roots only

_FACTORS = ("both", "absent_in_a", "absent_in_b", "false_in_a", "false_in_b", "inside")
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
    """All cells of one pair or of many: factors of the moves out of a cell, on (ring total, batch, column).

    Parameters
    ----------
    tables : dict of str to numpy.ndarray, shape (steps, batch, columns + 2)
        Factor of each move out of a cell; 0 where the move leaves the band or the series.
    inside : numpy.ndarray, shape (steps, batch, columns + 2)
        Factor of a matched year without agreement: the probability of no event, 0 outside the series.
    border : numpy.ndarray of bool, shape (steps, batch, columns + 2)
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

    def take(self, items: NDArray[np.int64]) -> Lattice:
        """Keep some items of the batch.

        Parameters
        ----------
        items : numpy.ndarray of int, shape (m,)
            Which items.

        Returns
        -------
        Lattice
            The tables of these items.
        """
        tables = {kind: table[:, items] for kind, table in self.tables.items()}
        return Lattice(tables, self.inside[:, items], self.border[:, items], self.shift, self.enter, self.leave)


def _slide(values: Array, size: int, shift: int) -> Array:
    """Lay values[i + d] at [i, d + shift] for d from -shift to shift; 0 outside."""
    padded = np.zeros(size + 2 * shift)
    count = min(values.size, size + shift)
    padded[shift : shift + count] = values[:count]
    return np.lib.stride_tricks.sliding_window_view(padded, 2 * shift + 1)


def match_ratios(mine: Signals, other: Signals, nodes: Array, shift: int) -> Array:
    """Likelihood ratios of one ring of each core being the same year against unrelated rings.

    Parameters
    ----------
    mine, other : Signals
        The two series.
    nodes : numpy.ndarray, shape (g,)
        Correlations.
    shift : int
        Half width of the band.

    Returns
    -------
    numpy.ndarray, shape (g, rings of mine, 2 * shift + 1)
        Ratios by my ring i and the offset d: the other ring is i + d; 0 where there is no such ring.
    """
    scorer = _Scorer(mine.size, other, nodes, shift)
    return np.asarray(scorer(mine.plain, 0) * scorer.there)


class _Scorer:
    """Density ratios of one core's signals against the other core's, on the grid of rings and offsets."""

    def __init__(self, size: int, other: Signals, nodes: Array, shift: int) -> None:
        reach = np.ascontiguousarray(_slide(other.plain, size, shift))
        self.size = size
        self.there = _slide(np.ones(other.size), size, shift) > 0
        self.inner = 1.0 / (DEGREES_OF_FREEDOM * (1.0 - nodes**2))[:, None, None]
        self.weights = (_CONSTANT / np.sqrt(1.0 - nodes**2))[:, None, None] ** _TEMPER * _lift(reach)
        self.base = 1.0 + self.inner * (reach * reach)
        self.slope = (-2.0 * self.inner * nodes[:, None, None]) * reach

    def __call__(self, values: Array, back: int) -> Array:
        """Ratio of values[i] and the other ring `back` rings outside, for i from back."""
        own = values[back:, None]
        far = slice(0, self.size - back)
        spread = self.slope[:, far] * own
        spread += self.base[:, far]
        spread += own * own * self.inner
        power = np.sqrt(spread)
        power *= spread
        power *= spread
        np.divide(self.weights[:, far], power, out=power)
        power *= _lift(own)
        return power


def _lift(values: Array) -> Array:
    return np.asarray((1.0 + values * values / DEGREES_OF_FREEDOM) ** (2.5 * _TEMPER))


def side(mine: Signals, other: Signals, nodes: Array, shift: int) -> tuple[Array, Array, Array]:
    """Likelihood ratios of one core against the other: match, my ring alone, my two bands against one ring.

    Parameters
    ----------
    mine, other : Signals
        The two series.
    nodes : numpy.ndarray, shape (g,)
        Correlations.
    shift : int
        Half width of the band.

    Returns
    -------
    tuple of numpy.ndarray, each shape (g, rings of mine, 2 * shift + 1)
        Ratios against unrelated series, by my ring i and the offset d: the other ring is i + d.

    Notes
    -----
    A match is the bivariate over the two univariate t densities (4 degrees of freedom), raised to the power 5/6. The
    signals up to three rings outside an event depend on it; the ratio is taken of those as they would be against
    those as they are.
    """
    score = _Scorer(mine.size, other, nodes, shift)
    there = score.there
    match = score(mine.plain, 0)
    alone = np.ones_like(match)
    joined = score(mine.joined[:, 0], 0) * mine.joined_factor[:, None]
    for back in range(1, min(mine.removed.shape[1], mine.size - 1) + 1):
        valid = there[:-back]
        old = match[:, :-back]
        for window, values in ((alone, mine.removed[:, back - 1]), (joined, mine.joined[:, back])):
            ratio = score(values, back)
            ratio /= old
            np.copyto(ratio, 1.0, where=~valid)
            window[:, back:] *= ratio
    match *= there
    alone *= there
    joined *= there
    return match, alone, joined


def place(target: Array, grid: Array, shift: int, lean: int) -> None:
    """Copy grid[:, i, d] to the cell of ring total 2 i + d - shift; lean -1 turns the offsets round.

    Parameters
    ----------
    target : numpy.ndarray, shape (shift + steps, g, columns + 2)
        Table to fill, with `shift` rows before ring total 0 that only serve this copy.
    grid : numpy.ndarray, shape (g, rings, 2 * shift + 1)
        Factors by ring of one core and offset of the other; 0 where the cell has no such move.
    shift : int
        Half width of the band, even.
    lean : int
        1 when the rings are those of A, -1 when they are those of B.
    """
    size = grid.shape[1]
    row, item, column = target.strides
    for parity in (0, 1):
        part = grid[:, :, parity::2]
        first = (1 if lean > 0 else shift + 1 - parity) * column + parity * row
        cells = np.lib.stride_tricks.as_strided(
            _from(target, first),
            shape=(size, part.shape[2], grid.shape[0]),
            strides=(2 * row, 2 * row + lean * column, item),
        )
        cells[...] = part.transpose(1, 2, 0)


def _from(target: Array, offset: int) -> Array:
    """View of a table from a byte offset on."""
    row, _, column = target.strides
    return target[offset // row :, :, (offset % row) // column :]


def pick(probs: Array, size: int, shift: int, lean: int) -> Array:
    """Turn cells back to rings and offsets: the reverse of `place`.

    Parameters
    ----------
    probs : numpy.ndarray, shape (steps, columns)
        Values by ring total and column.
    size : int
        Rings of the core.
    shift : int
        Half width of the band.
    lean : int
        1 when the rings are those of A, -1 when they are those of B.

    Returns
    -------
    numpy.ndarray, shape (size, 2 * shift + 1)
        Values by ring and offset j - i (from -shift), for either core.
    """
    out = np.zeros((size, 2 * shift + 1))
    for column in range(2 * shift + 1):
        offset = (column - shift) * lean
        skip = max(0, (1 - offset) // 2)
        got = probs[2 * skip + offset :: 2, column // 2][: max(0, size - skip)]
        out[skip : skip + got.size, column] = got
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
    shape = (shift + max(steps, most), sum(node.size for node in nodes), shift + 3)
    roomy = {kind: np.zeros(shape) for kind in _FACTORS}
    border = np.zeros((steps, *shape[1:]), dtype=bool)
    start = 0
    for (a, b), prior, node in zip(pairs, factors, nodes, strict=True):
        items = slice(start, start + node.size)
        start += node.size
        _fill({kind: table[:, items] for kind, table in roomy.items()}, a, b, prior, node, shift)
        border[:, items] = _border(a.size, b.size, steps, shift)[:, None, :]
    tables = {kind: table[shift : shift + steps] for kind, table in roomy.items()}
    return Lattice(tables, tables.pop("inside"), border, shift, *disturbed)


def _fill(view: dict[str, Array], a: Signals, b: Signals, prior: EventFactors, nodes: Array, shift: int) -> None:
    match, alone_a, joined_a = side(a, b, nodes, shift)
    _, alone_b, joined_b = side(b, a, nodes, shift)
    for grid in (alone_a, joined_a, alone_b, joined_b):
        grid[:, :, 0] = 0.0  # the offset would pass the edge of the band
        grid[:, :, shift + 1 :] *= _RETURN  # the offset goes back towards 0
    place(view["both"], prior.stay * match, shift, 1)
    place(view["inside"], np.asarray(prior.stay * (match[:1] > 0), dtype=np.float64), shift, 1)
    place(view["absent_in_b"], prior.absent_in_b[:, None] * alone_a, shift, 1)
    place(view["false_in_a"], prior.false_in_a[:, None] * joined_a, shift, 1)
    place(view["absent_in_a"], prior.absent_in_a[:, None] * alone_b, shift, -1)
    place(view["false_in_b"], prior.false_in_b[:, None] * joined_b, shift, -1)


def rough_evidence(a: Signals, b: Signals, nodes: Array) -> Array:
    """Log likelihood ratio of every correlation when each stretch of rings may have its own small offset.

    Parameters
    ----------
    a, b : Signals
        The two cores.
    nodes : numpy.ndarray, shape (g,)
        Correlations.

    Returns
    -------
    numpy.ndarray, shape (g,)
        A rough figure to tell which correlations are worth the full sums.
    """
    total = np.zeros(nodes.size)
    for mine, other in ((a, b), (b, a)):  # both ways, so that it does not matter which core is called A
        match = match_ratios(mine, other, nodes, _ROUGH_SHIFT)[:, : other.size + _ROUGH_SHIFT]
        logs = np.log(np.where(match > 0, match, 1.0))
        stretches = np.add.reduceat(logs, np.arange(0, logs.shape[1], _ROUGH_RINGS), axis=1)
        total += np.logaddexp.reduce(stretches, axis=2).sum(axis=1)
    return total / 2


def _border(size_a: int, size_b: int, steps: int, shift: int) -> NDArray[np.bool_]:
    total = np.arange(steps)[:, None]
    offset = 2 * np.arange(-1, shift + 2)[None, :] - shift + total % 2
    first, second = (total - offset) // 2, (total + offset) // 2
    real = (np.abs(offset) <= shift) & (first >= 0) & (second >= 0) & (first <= size_a) & (second <= size_b)
    return np.asarray(real & ((first == size_a) | (second == size_b)))
