"""Two ring series as a lattice: what a year in both cores, an absent or a false ring counts for in every cell.

Own derivation: ratios of t densities of the signals round an event, against unrelated series.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from treeage.pmf import freeze_arrays
from treeage.schema import Word

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
    """One width series of n rings as the alignment sees it, outermost ring first.

    The autoregression reaches `order` rings inwards, so an event at ring i changes the signals of the `order` rings
    outside it: they are kept as they would be after the event.
    """

    plain: Array  # (n,): whitened log widths in units of their scale
    removed: Array  # (n, order): column k - 1 is the signal k rings outside ring i if ring i were not there
    joined: Array  # (n, order + 1): column k is the signal k rings outside ring i if rings i and i + 1 were one ring
    joined_factor: Array  # (n,): density of the joined series times that of the split, over that of the series as it is
    narrowness: Array  # (n,): log width less the local mean, in units of its scale; negative for narrow rings

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def inward(self, rings: int) -> Signals:
        """Leave out some of the outermost rings."""
        if rings == 0:
            return self
        return Signals(*(getattr(self, field.name)[rings:] for field in fields(self)))

    @property
    def size(self) -> int:
        """Number of rings."""
        return int(self.plain.size)


def signals(widths_mm: Array, coefficients: Array, split_shape: float, *, split: bool = True) -> Signals:
    """Turn widths [mm], outermost first, at least 0 and with a median above 0, into the signals of the alignment.

    `coefficients` are those of `whiten`; `split_shape` is both shape parameters of the beta law of the share of the
    outer band in a false ring. With x = log(w + c), two bands w1, w2 of one ring of width s = w1 + w2 and share f = w1
    / s have the density p(x1, x2) = p(x_s) p(f) (w1 + c)(w2 + c) / (s (s + c)); for c = 0 the last factor is f (1 - f).
    Without `split` no ring may be two bands.
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

    if not split:
        nothing = np.zeros((size, order + 2))
        return Signals(plain[:size], removed, nothing[:, 1:], nothing[:, 0], _narrowness(logs))
    second = np.append(widths_mm[1:], 0.0)
    total = widths_mm + second
    merged = np.log(total + added)
    joined = cut(whiten(np.stack([*before, merged, *near(*range(2, order + 2))]).T, coefficients))[:, ::-1]

    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(total > 0, widths_mm / total, 0.0)
        stretch = np.where(total > 0, (widths_mm + added) * (second + added) / (total * (total + added)), 0.0)
    bands = _beta_density(share, split_shape) * stretch
    was, now = np.concatenate([np.ones(order), t_density(plain)]), t_density(joined)
    old, new = was[order + 1 :], np.ones(size)
    for step in range(order + 1):  # up to `order` rings outside, as far as there are any
        old = old * was[order - step : order - step + size]
        new[step:] *= now[step:, step]
    factor = np.where(np.arange(size) < size - 1, scale * new / old * bands, 0.0)
    return Signals(plain[:size], removed, joined, factor, _narrowness(logs))


def log_widths(widths_mm: Array) -> Array:
    """Logarithm of widths plus a fixed share of their median, which keeps absent rings finite.

    Parameters
    ----------
    widths_mm : numpy.ndarray, shape (n,)
        Widths of one core [mm], at least 0, with a median above 0.

    Returns
    -------
    numpy.ndarray, shape (n,)
        ln(width + 0.2 x median).

    Examples
    --------
    >>> np.exp(log_widths(np.array([0.0, 1.0, 2.0]))).round(6).tolist()
    [0.2, 1.2, 2.2]
    """
    return np.log(widths_mm + _FLOOR * median(widths_mm))


def whiten(logs: Array, coefficients: Array) -> Array:
    """Take from each log width (outermost first, last axis) what the next rings inward foretell.

    `coefficients` are the weights of the 1st, 2nd, ... ring inward; they sum to 1, so that level and units drop out.
    The last axis is shorter by their number.
    """
    order = coefficients.size
    size = logs.shape[-1] - order
    out = logs[..., :size].copy()
    for step in range(1, order + 1):
        out -= coefficients[step - 1] * logs[..., step : step + size]
    return out


def t_density(values: Array) -> Array:
    """Density of the t law with 4 degrees of freedom, (3/8) (1 + x**2 / 4)**(-5/2)."""
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


def _beta_density(share: Array, shape: float) -> Array:
    from scipy.special import beta

    return np.asarray((share * (1 - share)) ** (shape - 1) / beta(shape, shape))


def median(values: Array) -> float:
    """Median of one row of finite values, without the checks of NumPy's own, which take ten times as long."""
    low, high = (values.size - 1) // 2, values.size // 2
    parts = np.partition(values, (low, high))
    return float(parts[low] + parts[high]) / 2


_CONSTANT = 2.0 / (0.75 * np.sqrt(np.pi)) ** 2  # closed form: Gamma(3) Gamma(2) / Gamma(5/2)**2 of the bivariate t law
_TEMPER = 5 / 6  # fitted: years are not independent, so agreement counts a little less; 5/6 needs square roots only
RETURN = 0.005  # fitted: an event that takes back an earlier one is likelier a disturbed stretch
_BLOCK_CELLS = 32_000  # choice: offsets times rings worked on at once, so that a few grids fit the cache
_ROUGH_SHIFT, _ROUGH_RINGS = 3, 20  # choice: offsets and stretch of the rough look at the correlations

# A pair is walked from the bark inwards. With i rings of A and j rings of B used up, the next true year is one of five
# moves; the rings it uses are all that tells them apart:
#
#                  both         absent in A    absent in B    false in A     false in B
#     rings of A   --o--        -----          --o--          -o-o-          --o--
#     rings of B   --o--        --o--          -----          --o--          -o-o-
#     leads to     i+1, j+1     i, j+1         i+1, j         i+2, j+1       i+1, j+2
#     offset j-i   as it is     +1             -1             -1             +1
#
# Offsets stay inside a band of +-shift (even). The cell (i, j) is kept at [ring total i + j, column of the offset].
# Total and offset are both even or both odd, so a row of the arrays holds every second offset, here for shift = 2; the
# outermost columns stay 0, so that a move past the band needs no test:
#
#     column          0     1     2     3     4
#     total 0         0    -2     0     2     0         `both` leads two rows down in the same column; the others one or
#     total 1         0    -1     1    (3)    0         three rows down, to the same column or the next: engine._lean
#     total 2         0    -2     0     2     0
#     total 3         0    -1     1    (3)    0         (3) lies outside the band and stays 0
#
# The last axis of the arrays is the items: every pair with every value of the correlation that is tried for it. Factors
# are worked out on (item, offset, ring), where a core meets plain shifts of the other; `place` puts them into cells.


class Move(Word):
    """What a true year was in two cores; the values are the words of the column `kind` of events.

    Examples
    --------
    >>> move = Move("absent_in_a")
    >>> move.word, move.core, move.rings, move.of_b
    ('absent', 'a', (0, 1), True)
    """

    BOTH = "both"
    ABSENT_IN_A = "absent_in_a"
    ABSENT_IN_B = "absent_in_b"
    FALSE_IN_A = "false_in_a"
    FALSE_IN_B = "false_in_b"

    @property
    def word(self) -> str:
        """absent, false or both."""
        return self.value.partition("_")[0]

    @property
    def core(self) -> str:
        """The core, a or b, in which a ring is absent or false; empty for both."""
        return self.value.rpartition("_in_")[2] if self is not Move.BOTH else ""

    @property
    def rings(self) -> tuple[int, int]:
        """Rings used in A and in B."""
        return _RINGS[self]

    @property
    def of_b(self) -> bool:
        """Whether its ring is counted in B, the core with one ring more there, and not in A."""
        return _RINGS[self][1] > _RINGS[self][0]


_RINGS = {
    Move.BOTH: (1, 1),
    Move.ABSENT_IN_A: (0, 1),
    Move.ABSENT_IN_B: (1, 0),
    Move.FALSE_IN_A: (2, 1),
    Move.FALSE_IN_B: (1, 2),
}
EVENTS = (Move.ABSENT_IN_A, Move.ABSENT_IN_B, Move.FALSE_IN_A, Move.FALSE_IN_B)


@dataclass(frozen=True)
class EventFactors:
    """Prior factors of the events of a pair, by ring of the core that has one ring more there."""

    absent_in_a: Array  # (rings of B,): probability that this ring of B is absent in A
    absent_in_b: Array  # (rings of A,)
    false_in_a: Array  # (rings of A,): probability that this ring of A was counted as two bands
    false_in_b: Array  # (rings of B,)
    stay: float  # probability of a year without an event

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True)
class Lattice:
    """All cells of many pairs: factors of the moves out of a cell, each of shape (ring totals, columns + 2, items)."""

    moves: Mapping[
        Move, Array
    ]  # 0 where the move leaves the band or the series; events that cannot happen are left out
    inside: Array  # of a matched year without agreement: the probability of no event, 0 outside the series
    border: NDArray[np.bool_]  # cells in which one series is used up
    shift: int  # half width of the band, even
    enter: float  # probability that a disturbed stretch begins with a year
    leave: float  # ... and ends with one

    def __post_init__(self) -> None:
        freeze_arrays(self)
        for factors in self.moves.values():
            factors.flags.writeable = False

    @property
    def events(self) -> list[Move]:
        """Events that can happen."""
        return [event for event in EVENTS if event in self.moves]

    @property
    def start_probs(self) -> tuple[float, float]:
        """Probability that the outermost year agrees or is disturbed: long-run shares of the two states."""
        disturbed = self.enter / (self.enter + self.leave)
        return 1.0 - disturbed, disturbed


def lattice(
    pairs: Sequence[tuple[Signals, Signals]],
    factors: Sequence[EventFactors],
    nodes: Sequence[Array],
    *,
    shift: int,
    disturbed: tuple[float, float],
) -> Lattice:
    """Lattice of a batch of pairs (A, B); every correlation in `nodes` of a pair is one item, pair after pair.

    `shift` is the even half width of the band, `disturbed` the probabilities that a disturbed stretch begins and ends
    with a year.
    """
    steps = max(a.size + b.size for a, b in pairs) + 4
    most = max(2 * max(a.size, b.size) for a, b in pairs) + shift
    values = np.concatenate(list(nodes))
    owner = np.repeat(np.arange(len(pairs)), [node.size for node in nodes])
    shape = (shift + max(steps, most), shift + 3, owner.size)
    # `shift` rows before ring total 0 take what `place` copies from outside the band
    possible = [move for move in EVENTS if any(getattr(one, move).any() for one in factors)]
    roomy = {move: np.zeros(shape) for move in (Move.BOTH, *possible)}
    inside = np.zeros(shape)
    for items in blocks(pairs, owner, shift):
        first, last = owner[items.start], owner[items.stop - 1] + 1
        view = {move: cells[:, :, items] for move, cells in roomy.items()}
        some = (pairs[first:last], factors[first:last], owner[items] - first, values[items])
        _fill(view, inside[:, :, items], *some, shift)
    border = np.stack([_border(a.size, b.size, steps, shift) for a, b in pairs], axis=2)[:, :, owner]
    moves = {move: cells[shift : shift + steps] for move, cells in roomy.items()}
    return Lattice(moves, inside[shift : shift + steps], border, shift, *disturbed)


def _fill(
    view: Mapping[Move, Array],
    inside: Array,
    pairs: Sequence[tuple[Signals, Signals]],
    factors: Sequence[EventFactors],
    owner: NDArray[np.int64],
    nodes: Array,
    shift: int,
) -> None:
    """Fill the cells of some items."""
    a, b = (side_by_side([pair[core] for pair in pairs], owner) for core in (0, 1))
    stay = np.array([prior.stay for prior in factors])[owner, None, None]
    match, *of_a = ratios(a, b, nodes, shift, alone=Move.ABSENT_IN_B in view, joined=Move.FALSE_IN_A in view)
    _, *of_b = ratios(b, a, nodes, shift, alone=Move.ABSENT_IN_A in view, joined=Move.FALSE_IN_B in view)
    place(view[Move.BOTH], stay * match, shift, 1)
    place(inside, stay * (match > 0), shift, 1)
    for own, moves, core, lean in (
        (of_a, (Move.ABSENT_IN_B, Move.FALSE_IN_A), a, 1),
        (of_b, (Move.ABSENT_IN_A, Move.FALSE_IN_B), b, -1),
    ):
        for ratio, move in zip(own, moves, strict=True):
            if move not in view:
                continue
            prior = _padded([getattr(one, move) for one in factors], core.plain.shape[1])
            grid = ratio * prior[owner, None]
            grid[:, 0] = 0.0  # the offset would pass the edge of the band
            grid[:, shift + 1 :] *= RETURN  # the offset goes back towards 0
            place(view[move], grid, shift, lean)


def _padded(rows: Sequence[Array], size: int) -> Array:
    out = np.zeros((len(rows), size))
    for row, values in zip(out, rows, strict=True):
        row[: values.size] = values
    return out


def blocks(pairs: Sequence[tuple[Signals, Signals]], owner: NDArray[np.int64], shift: int) -> list[slice]:
    """Runs of items whose grids stay in the processor's cache."""
    size = max(max(a.size, b.size) for a, b in pairs) * (2 * shift + 1)
    step = max(1, _BLOCK_CELLS // size)
    return [slice(first, min(first + step, owner.size)) for first in range(0, owner.size, step)]


def _border(size_a: int, size_b: int, steps: int, shift: int) -> NDArray[np.bool_]:
    total = np.arange(steps)[:, None]
    offset = 2 * np.arange(-1, shift + 2)[None, :] - shift + total % 2
    first, second = (total - offset) // 2, (total + offset) // 2
    real = (np.abs(offset) <= shift) & (first >= 0) & (second >= 0) & (first <= size_a) & (second <= size_b)
    return np.asarray(real & ((first == size_a) | (second == size_b)))


def place(target: Array, grid: Array, shift: int, lean: int) -> None:
    """Copy grid[:, d, i] (item, offset of the other core, ring of one) to the cell of ring total 2 i + d - shift.

    `target` is (shift + ring totals, columns + 2, items), with `shift` rows before ring total 0 that only serve this
    copy. `lean` is 1 when the rings are those of A, and -1, which turns the offsets round, when they are those of B.
    """
    row, column, item = target.strides
    for parity in (0, 1):
        part = grid[:, parity::2]
        first = target[parity:, 1 if lean > 0 else shift + 1 - parity :]
        strides = (2 * row, 2 * row + lean * column, item)
        cells = np.lib.stride_tricks.as_strided(first, shape=part.shape[::-1], strides=strides)
        cells[...] = part.transpose(2, 1, 0)


def pick(probs: Array, size: int, shift: int, lean: int) -> Array:
    """The reverse of `place`: values by (item, ring, offset j - i from -shift) of the cells (ring total, column, item).

    `size` is the number of rings of the longest core, `lean` as in `place`.
    """
    out = np.zeros((probs.shape[2], size, 2 * shift + 1))
    for column in range(2 * shift + 1):
        offset = (column - shift) * lean
        skip = max(0, (1 - offset) // 2)
        got = probs[2 * skip + offset :: 2, column // 2][: max(0, size - skip)]
        out[:, skip : skip + len(got), column] = got.T
    return out


# ------------------------------------------------------------------ ratios of densities


@dataclass(frozen=True)
class SideBySide:
    """Signals of one core of each of g items in one array of n rings, outermost first, 0 inside the pith end."""

    plain: Array  # (g, n)
    removed: Array  # (order, g, n): signals 1, 2, ... rings outside a ring that is left out
    joined: Array  # (order + 1, g, n): signals 0, 1, ... rings outside two bands joined to one ring
    joined_factor: Array  # (g, n), as in `Signals`
    real: NDArray[np.bool_]  # (g, n): False where a series has ended

    def __post_init__(self) -> None:
        freeze_arrays(self)


def side_by_side(
    cores: Sequence[Signals], owner: NDArray[np.int64], kind: type[np.floating[Any]] = np.float64
) -> SideBySide:
    """Signals of many cores in one array of some precision; `owner` says which core each item is."""
    size, order = max(core.size for core in cores), cores[0].removed.shape[1]
    rows = np.zeros((2 * order + 4, len(cores), size), dtype=kind)
    for number, core in enumerate(cores):
        own = rows[:, number, : core.size]
        own[0], own[1], own[2] = core.plain, core.joined_factor, 1.0
        own[3 : 3 + order] = core.removed.T
        own[3 + order :] = core.joined.T
    taken = rows[:, owner]
    return SideBySide(taken[0], taken[3 : 3 + order], taken[3 + order :], taken[1], taken[2] > 0)


def match_ratios(mine: SideBySide, other: SideBySide, nodes: NDArray[Any], shift: int) -> Array:
    """Likelihood ratios of one ring of each core being the same year against unrelated rings.

    Of shape (g, 2 * shift + 1, rings of mine). `nodes` (g,) is the correlation of each item. At offset d my ring i
    meets the other core's ring i + d; 0 where there is no such ring.
    """
    scorer = _Scorer(mine, other, nodes, shift)
    return scorer.match(mine.plain, scorer.spread(mine.plain))


def ratios(
    mine: SideBySide, other: SideBySide, nodes: Array, shift: int, *, alone: bool = True, joined: bool = True
) -> tuple[Array, Array, Array]:
    """Likelihood ratios of one core against the other: match, my ring alone, my two bands against one ring.

    Each of shape (g, 2 * shift + 1, rings of mine), as in `match_ratios`; empty if it is not asked for. A match is the
    bivariate over the two univariate t densities (4 degrees of freedom), raised to the power 5/6. The signals up to
    three rings outside an event depend on it; the ratio is taken of those as they would be against those as they are,
    in which the other ring's own density cancels.
    """
    scorer = _Scorer(mine, other, nodes, shift)
    plain = scorer.spread(mine.plain)
    out = [np.zeros(0), np.zeros(0)]
    if not alone and not joined:
        return scorer.match(mine.plain, plain), out[0], out[1]
    before = plain * (1.0 / _root_lift(mine.plain))[:, None]
    missing = ~scorer.there[:, :, :shift]  # a ring that has no mate inside its own has none outside: only the bark end
    np.copyto(before[:, :, :shift], 1.0, where=missing)
    as_was = np.ones_like(plain)
    after = [np.ones_like(plain) if alone else None, scorer.spread(mine.joined[0]) if joined else None]
    for back in range(1, min(len(mine.removed), mine.plain.shape[1] - 1) + 1):
        as_was[:, :, back:] *= before[:, :, :-back]
        for window, values in zip(after, (mine.removed[back - 1], mine.joined[back]), strict=True):
            if window is not None:
                spread = scorer.spread(values, back)
                spread *= (1.0 / _root_lift(values[:, back:]))[:, None]
                np.copyto(spread[:, :, :shift], 1.0, where=missing[:, :, : spread.shape[2]])
                window[:, :, back:] *= spread
    for number, window in enumerate(after):
        if window is not None:
            out[number] = _power(np.divide(as_was, window, out=window))
            out[number] *= scorer.lift if number else scorer.there
    if joined:
        out[1] *= (_lift(mine.joined[0]) * mine.joined_factor)[:, None]
    return scorer.match(mine.plain, plain), out[0], out[1]


class _Scorer:
    """Density ratios of one core's signals against the other core's, on the grid of offsets and rings."""

    def __init__(self, mine: SideBySide, other: SideBySide, nodes: NDArray[Any], shift: int) -> None:
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


def _root_lift(values: Array) -> Array:
    """Root of `_lift` that `_power` turns back into it."""
    return np.asarray((1.0 + values * values / DEGREES_OF_FREEDOM) ** _TEMPER)


def _power(values: Array) -> Array:
    """Values to the power 5/2: half the degrees of freedom of the bivariate t plus 2, times the temper."""
    out = np.sqrt(values)
    out *= values
    out *= values
    return out


def _slide(values: NDArray[Any], size: int, shift: int) -> NDArray[Any]:
    """Put values[:, i + d] at [:, d + shift, i] for i below size and d from -shift to shift; 0 outside."""
    padded = np.zeros((values.shape[0], size + 2 * shift), dtype=values.dtype)
    count = min(values.shape[1], size + shift)
    padded[:, shift : shift + count] = values[:, :count]
    return np.array(np.lib.stride_tricks.sliding_window_view(padded, size, axis=1))


def rough_evidence(pairs: Sequence[tuple[Signals, Signals]], nodes: Array) -> Array:
    """Log likelihood ratio of every correlation when each stretch of rings may have its own small offset.

    Rough figures, of shape (pairs, nodes), that tell which correlations are worth the full sums.
    """
    owner = np.repeat(np.arange(len(pairs)), nodes.size)
    total = np.zeros(owner.size)
    for items in blocks(pairs, owner, _ROUGH_SHIFT):
        first, last = owner[items.start], owner[items.stop - 1] + 1
        some, its, single = pairs[first:last], owner[items] - first, np.float32
        a, b = (side_by_side([pair[core] for pair in some], its, single) for core in (0, 1))
        values = np.tile(nodes.astype(single), len(pairs))[items]
        of_a = match_ratios(a, b, values, _ROUGH_SHIFT)
        of_a[of_a == 0] = 1.0
        np.log(of_a, out=of_a)
        of_b = np.zeros((*of_a.shape[:2], of_a.shape[2] + 2 * _ROUGH_SHIFT), dtype=single)
        for at in range(2 * _ROUGH_SHIFT + 1):  # ring i of A with offset d is ring i + d of B
            of_b[:, at, at : at + of_a.shape[2]] = of_a[:, at]
        of_b = of_b[:, :, _ROUGH_SHIFT:]
        for logs in (of_a, of_b):  # both ways, so that it does not matter which core is called A
            stretches = np.add.reduceat(logs, np.arange(0, logs.shape[2], _ROUGH_RINGS), axis=2)
            total[items] += (np.logaddexp.reduce(stretches, axis=1) - np.log(logs.shape[1])).sum(axis=1) / 2
    return total.reshape(len(pairs), nodes.size)
