"""Standardised growth signals of a width series, as they are and with one ring removed or two bands joined.

Own derivation: log widths whitened by a fitted autoregression, heavy tails, exact event windows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from treeage.pmf import Pmf


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


@dataclass(frozen=True)
class EventGrids:
    """Probability of every event by ring and offset.

    Parameters
    ----------
    grids : dict of str to numpy.ndarray, shape (rings, width)
        For each kind, by ring of the core that has one ring more there (outermost first) and by the
        offset j - i before the event.
    path : numpy.ndarray, shape (rings of A, width)
        Probability that ring i of A and ring i + offset of B are the same year.
    shift : int
        Half width of the band of offsets.
    """

    grids: dict[str, Array]
    path: Array
    shift: int

    def by_ring(self, kind: str) -> Array:
        """Probability of one kind at every ring.

        Parameters
        ----------
        kind : str
            One of the four kinds of event.

        Returns
        -------
        numpy.ndarray, shape (rings,)
            Probabilities, outermost ring first.
        """
        return np.asarray(np.minimum(self.grids[kind].sum(axis=1), 1.0))


Array = NDArray[np.float64]

DEGREES_OF_FREEDOM = 4.0  # choice: a t law near the fitted 6.5, lower because wrong rings also fall in its tails
# closed form: upper quartile of a t law with 4 degrees of freedom; 1.32 fitted
_MEDIAN_TO_SCALE = 1.32 / 0.7406970841126831
_FLOOR = 0.2  # choice: share of the median width added before the logarithm, so that absent rings stay finite
_SCALE_RINGS = 8.0  # choice: weight, in rings, of the typical scale in a short series
_TYPICAL_SCALE = 0.28  # median over 165 archive sites (tests/fitting/fit_alignment.py)
_NARROW_HALF_WIDTH = 5  # choice: rings either side in the local mean against which a ring is called narrow
_LIMIT = 12.0  # choice: signals are cut here, in scales; the t law is almost flat by then


@dataclass(frozen=True)
class Signals:
    """One width series as the alignment sees it, outermost ring first.

    Parameters
    ----------
    plain : numpy.ndarray, shape (n,)
        Whitened log widths in units of their scale.
    removed : numpy.ndarray, shape (n, order)
        Column k - 1: the signal k rings outside ring i if ring i were not there.
    joined : numpy.ndarray, shape (n, order + 1)
        Column k: the signal k rings outside ring i if rings i and i + 1 were one ring.
    joined_factor : numpy.ndarray, shape (n,)
        Density of the joined series times the density of the split, over the density of the series as it is.
    narrowness : numpy.ndarray, shape (n,)
        Log width less the local mean, in units of its scale; negative for narrow rings.
    """

    plain: Array
    removed: Array
    joined: Array
    joined_factor: Array
    narrowness: Array

    def inward(self, rings: int) -> Signals:
        """Leave out the outermost rings.

        Parameters
        ----------
        rings : int
            How many, at least 0.

        Returns
        -------
        Signals
            The rest of the series.
        """
        if rings == 0:
            return self
        return Signals(
            self.plain[rings:],
            self.removed[rings:],
            self.joined[rings:],
            self.joined_factor[rings:],
            self.narrowness[rings:],
        )

    @property
    def size(self) -> int:
        """Number of rings.

        Returns
        -------
        int
            Rings in the series.
        """
        return int(self.plain.size)


def median(values: Array) -> float:
    """Median of one row of finite values, without the checks of NumPy's own, which take ten times as long.

    Parameters
    ----------
    values : numpy.ndarray, shape (n,)
        At least one finite value.

    Returns
    -------
    float
        The middle value, or the mean of the two middle ones.

    Examples
    --------
    >>> median(np.array([3.0, 1.0, 2.0])), median(np.array([4.0, 1.0, 2.0, 3.0]))
    (2.0, 2.5)
    """
    low, high = (values.size - 1) // 2, values.size // 2
    parts = np.partition(values, (low, high))
    return float(parts[low] + parts[high]) / 2


def log_widths(widths_mm: Array) -> Array:
    """Logarithm of widths plus a fixed share of their median, which keeps absent rings finite.

    Parameters
    ----------
    widths_mm : numpy.ndarray, shape (n,)
        Widths [mm], at least 0, median above 0.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Logarithms.

    Examples
    --------
    >>> log_widths(np.array([0.8, 0.8, 0.8])).round(6).tolist()
    [-0.040822, -0.040822, -0.040822]
    """
    return np.log(widths_mm + _FLOOR * median(widths_mm))


def whiten(logs: Array, coefficients: Array) -> Array:
    """Take from each log width what the next rings inward foretell.

    Parameters
    ----------
    logs : numpy.ndarray, shape (..., n)
        Log widths, outermost first.
    coefficients : numpy.ndarray, shape (order,)
        Weights of the 1st, 2nd, ... ring inward; they sum to 1, so that level and units drop out.

    Returns
    -------
    numpy.ndarray, shape (..., n - order)
        Innovations.

    Examples
    --------
    >>> whiten(np.array([3.0, 1.0, 1.0]), np.array([0.5, 0.5])).tolist()
    [2.0]
    """
    order = coefficients.size
    size = logs.shape[-1] - order
    out = logs[..., :size].copy()
    for step in range(1, order + 1):
        out -= coefficients[step - 1] * logs[..., step : step + size]
    return out


def t_density(values: Array) -> Array:
    """Density of the t law with 4 degrees of freedom.

    Parameters
    ----------
    values : numpy.ndarray
        Standardised values.

    Returns
    -------
    numpy.ndarray
        Density, (3/8) (1 + x**2 / 4)**(-5/2).

    Examples
    --------
    >>> float(t_density(np.array(0.0)))
    0.375
    """
    spread = 1.0 + values * values / DEGREES_OF_FREEDOM
    return np.asarray(0.375 / (spread * spread * np.sqrt(spread)))


def _signal_scale(innovations: Array) -> float:
    own = median(np.abs(innovations)) * _MEDIAN_TO_SCALE
    weight = innovations.size / (innovations.size + _SCALE_RINGS)
    return max(weight * own + (1 - weight) * _TYPICAL_SCALE, 1e-3 * _TYPICAL_SCALE)


def _narrowness(logs: Array) -> Array:
    kernel = np.ones(2 * _NARROW_HALF_WIDTH + 1)
    near = np.convolve(np.ones(logs.size), kernel)[_NARROW_HALF_WIDTH : _NARROW_HALF_WIDTH + logs.size]
    mean = np.convolve(logs, kernel)[_NARROW_HALF_WIDTH : _NARROW_HALF_WIDTH + logs.size] / near
    rest = logs - mean
    return np.asarray(rest / max(median(np.abs(rest)) * 1.4826, 0.02))  # closed form: normal; choice: floor


def signals(widths_mm: Array, coefficients: Array, split_shape: float) -> Signals:
    """Turn a width series into the signals of the alignment.

    Parameters
    ----------
    widths_mm : numpy.ndarray, shape (n,)
        Widths [mm], outermost first, at least 0, median above 0.
    coefficients : numpy.ndarray, shape (order,)
        Weights of `whiten`.
    split_shape : float
        Both shape parameters of the beta law of the share of the outer band in a false ring.

    Returns
    -------
    Signals
        Plain, removed and joined signals.

    Notes
    -----
    With x = log(w + c), two bands w1, w2 of one ring of width s = w1 + w2 and share f = w1 / s have the density
    p(x1, x2) = p(x_s) p(f) (w1 + c)(w2 + c) / (s (s + c)); for c = 0 the last factor is f (1 - f).
    """
    order = coefficients.size
    size = widths_mm.size
    added = _FLOOR * median(widths_mm)
    logs = np.log(widths_mm + added)
    padded = np.concatenate([logs, np.full(order + 1, logs[-order:].mean())])
    scale = _signal_scale(whiten(padded[:-1], coefficients))

    def cut(innovations: Array) -> Array:
        return np.clip(innovations / scale, -_LIMIT, _LIMIT)

    plain = cut(whiten(padded, coefficients))  # one longer than the series: the ring inside ring n is the padding

    outward = np.concatenate([np.full(order, logs[0]), padded, np.full(order, padded[-1])])

    def near(*steps: int) -> list[Array]:  # log widths that many rings further in, for every ring
        return [outward[order + step : order + step + size] for step in steps]

    before = near(*range(-order, 0))
    removed = cut(whiten(np.stack([*before, *near(*range(1, order + 1))]).T, coefficients))[:, ::-1]

    second = np.append(widths_mm[1:], 0.0)
    total = widths_mm + second
    merged = np.log(total + added)
    joined = cut(whiten(np.stack([*before, merged, *near(*range(2, order + 2))]).T, coefficients))[:, ::-1]

    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(total > 0, widths_mm / total, 0.0)
        stretch = np.where(total > 0, (widths_mm + added) * (second + added) / (total * (total + added)), 0.0)
    split = _beta_density(share, split_shape) * stretch
    was, now = np.concatenate([np.ones(order), t_density(plain)]), t_density(joined)
    old, new = was[order + 1 :], np.ones(size)
    for step in range(order + 1):  # up to `order` rings outside, as far as there are any
        old = old * was[order - step : order - step + size]
        new[step:] *= now[step:, step]
    factor = np.where(np.arange(size) < size - 1, scale * new / old * split, 0.0)
    return Signals(plain[:size], removed, joined, factor, _narrowness(logs))


def _beta_density(share: Array, shape: float) -> Array:
    from scipy.special import beta

    return np.asarray((share * (1 - share)) ** (shape - 1) / beta(shape, shape))


_CONSTANT = 2.0 / (0.75 * np.sqrt(np.pi)) ** 2  # closed form: Gamma(3) Gamma(2) / Gamma(5/2)**2 of the bivariate t law

_TEMPER = 5 / 6  # fitted: years are not independent, so agreement counts a little less; 5/6 needs square roots only


@dataclass(frozen=True)
class Stack:
    """Signals of one core of each of many pairs, laid in one array: item first, ring last, 0 inside the pith end.

    Parameters
    ----------
    plain : numpy.ndarray, shape (g, n)
        Signals as they are.
    removed : numpy.ndarray, shape (order, g, n)
        Signals 1, 2, ... rings outside a ring that is left out.
    joined : numpy.ndarray, shape (order + 1, g, n)
        Signals 0, 1, ... rings outside two bands joined to one ring.
    joined_factor : numpy.ndarray, shape (g, n)
        As in `Signals`.
    real : numpy.ndarray of bool, shape (g, n)
        False where a series has ended.
    """

    plain: Array
    removed: Array
    joined: Array
    joined_factor: Array
    real: NDArray[np.bool_]


def stack(cores: Sequence[Signals], owner: NDArray[np.int64]) -> Stack:
    """Lay the signals of many cores in one array.

    Parameters
    ----------
    cores : sequence of Signals
        One core of each pair.
    owner : numpy.ndarray of int, shape (g,)
        Which of them each item is.

    Returns
    -------
    Stack
        The items in order.
    """
    size, order = max(core.size for core in cores), cores[0].removed.shape[1]
    rows = np.zeros((2 * order + 4, len(cores), size))
    for number, core in enumerate(cores):
        own = rows[:, number, : core.size]
        own[0], own[1], own[2] = core.plain, core.joined_factor, 1.0
        own[3 : 3 + order] = core.removed.T
        own[3 + order :] = core.joined.T
    taken = rows[:, owner]
    return Stack(taken[0], taken[3 : 3 + order], taken[3 + order :], taken[1], taken[2] > 0)


def _slide(values: NDArray[Any], size: int, shift: int) -> NDArray[Any]:
    """Lay values[:, i + d] at [:, d + shift, i] for i below size and d from -shift to shift; 0 outside."""
    padded = np.zeros((values.shape[0], size + 2 * shift), dtype=values.dtype)
    count = min(values.shape[1], size + shift)
    padded[:, shift : shift + count] = values[:, :count]
    return np.array(np.lib.stride_tricks.sliding_window_view(padded, size, axis=1))


def match_ratios(mine: Stack, other: Stack, nodes: Array, shift: int) -> Array:
    """Likelihood ratios of one ring of each core being the same year against unrelated rings.

    Parameters
    ----------
    mine, other : Stack
        The two cores of each item.
    nodes : numpy.ndarray, shape (g,)
        Correlation of each item.
    shift : int
        Half width of the band.

    Returns
    -------
    numpy.ndarray, shape (g, 2 * shift + 1, rings of mine)
        Ratios by the offset d and my ring i: the other ring is i + d; 0 where there is no such ring.
    """
    scorer = _Scorer(mine, other, nodes, shift)
    return scorer.match(mine.plain, scorer.spread(mine.plain))


class _Scorer:
    """Density ratios of one core's signals against the other core's, on the grid of offsets and rings."""

    def __init__(self, mine: Stack, other: Stack, nodes: Array, shift: int) -> None:
        size = mine.plain.shape[1]
        reach = _slide(other.plain, size, shift)
        self.there = _slide(other.real, size, shift) & mine.real[:, None]
        self.inner = 1.0 / (DEGREES_OF_FREEDOM * (1.0 - nodes**2))[:, None, None]
        self.lift = _slide(_lift(other.plain), size, shift)
        self.lift *= (_CONSTANT / np.sqrt(1.0 - nodes**2))[:, None, None] ** _TEMPER
        self.lift *= self.there
        self.slope = (-2.0 * self.inner * nodes[:, None, None]) * reach
        reach *= reach
        reach *= self.inner
        reach += 1.0
        self.base = reach

    def spread(self, values: Array, back: int = 0) -> Array:
        """Quadratic form of the bivariate t of values[i] and the other ring `back` rings outside, for i from back."""
        own = values[:, None, back:]
        far = slice(0, values.shape[1] - back)
        out: Array = self.slope[:, :, far] * own
        out += self.base[:, :, far]
        out += own * own * self.inner
        return out

    def match(self, values: Array, spread: Array) -> Array:
        """Ratio of values[i] and the other ring, from its quadratic form, which is lost; 0 where there is no ring."""
        np.divide(1.0, spread, out=spread)
        out = _power(spread)
        out *= self.lift
        out *= _lift(values)[:, None]
        return out


def _lift(values: Array) -> Array:
    return np.asarray((1.0 + values * values / DEGREES_OF_FREEDOM) ** (2.5 * _TEMPER))


def _power(values: Array) -> Array:
    """Values to the power 5/2: half the degrees of freedom of the bivariate t plus 2, times the temper."""
    out = np.sqrt(values)
    out *= values
    out *= values
    return out


def side(mine: Stack, other: Stack, nodes: Array, shift: int) -> tuple[Array, Array, Array]:
    """Likelihood ratios of one core against the other: match, my ring alone, my two bands against one ring.

    Parameters
    ----------
    mine, other : Stack
        The two cores of each item.
    nodes : numpy.ndarray, shape (g,)
        Correlation of each item.
    shift : int
        Half width of the band.

    Returns
    -------
    tuple of numpy.ndarray, each shape (g, 2 * shift + 1, rings of mine)
        Ratios against unrelated series, by the offset d and my ring i: the other ring is i + d.

    Notes
    -----
    A match is the bivariate over the two univariate t densities (4 degrees of freedom), raised to the power 5/6. The
    signals up to three rings outside an event depend on it; the ratio is taken of those as they would be against
    those as they are, in which the other ring's own density cancels.
    """
    scorer = _Scorer(mine, other, nodes, shift)
    plain = scorer.spread(mine.plain)
    before = plain * (1.0 / _root_lift(mine.plain))[:, None]
    missing = ~scorer.there[:, :, :shift]  # a ring that has no mate inside its own has none outside: only the bark end
    np.copyto(before[:, :, :shift], 1.0, where=missing)
    as_was = np.ones_like(plain)
    after = [np.ones_like(plain), scorer.spread(mine.joined[0])]
    for back in range(1, min(len(mine.removed), mine.plain.shape[1] - 1) + 1):
        as_was[:, :, back:] *= before[:, :, :-back]
        for window, values in zip(after, (mine.removed[back - 1], mine.joined[back]), strict=True):
            spread = scorer.spread(values, back)
            spread *= (1.0 / _root_lift(values[:, back:]))[:, None]
            np.copyto(spread[:, :, :shift], 1.0, where=missing[:, :, : spread.shape[2]])
            window[:, :, back:] *= spread
    alone, joined = (_power(np.divide(as_was, window, out=window)) for window in after)
    alone *= scorer.there
    joined *= scorer.lift
    joined *= (_lift(mine.joined[0]) * mine.joined_factor)[:, None]
    return scorer.match(mine.plain, plain), alone, joined


def _root_lift(values: Array) -> Array:
    """Root of `_lift` that `_power` turns back into it."""
    return np.asarray((1.0 + values * values / DEGREES_OF_FREEDOM) ** _TEMPER)


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
