"""What a year of two cores and the mean of the stand counts for: factors of the moves of `paths` by year and state.

Own derivation: ratios of t densities of the signals of a year and of those whose whitening it changes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from treeage.alignment.lattice import DEGREES_OF_FREEDOM, RETURN, Array, Move, Signals
from treeage.alignment.paths import ABSENT_IN_BOTH, EVENT_TURNS, MOVES, Moves
from treeage.alignment.prior import AlignmentPrior, narrow_odds
from treeage.pmf import freeze_arrays

Bools = NDArray[np.bool_]
Signal = tuple[Array, Array, tuple[int, int]]  # values, their part of the log ratio, and which they are

LAGS = 3  # rings outside an event whose signals it changes: the order of the whitening
_TEMPER = 0.65  # fitted: three series that share their errors tell less than the law says
_BLOCK_CELLS = 30_000  # choice: cells whose factors are worked out at once, so that a few arrays fit the cache
_WIDEN, WIDEST = 4, 24  # choice: states by which the band grows where its edge matters, and the widest
_OUT_OF_REACH = 1e-9  # mass of states at and beyond which a core is not followed further; their neighbour still is
_CORES = ("core_a", "core_b")
_ONE = 0.375  # closed form: Gamma(5/2) / (Gamma(2) sqrt(4 pi)) of the t law with 4 degrees of freedom
_TWO = 2.0 / (4.0 * np.pi)  # closed form: Gamma(3) / (Gamma(2) 4 pi)
_THREE = 3.3233509704478426 / (4.0 * np.pi) ** 1.5  # closed form: Gamma(7/2) / (Gamma(2) (4 pi)**1.5)


class Node(NamedTuple):
    """Correlation of the two cores, and of each with the reference; None where the reference is left out."""

    own: float
    far: tuple[float, float] | None


@dataclass(frozen=True)
class Trio:
    """Signals of two cores and of the reference, outermost first, all from the same outer year."""

    core_a: Signals
    core_b: Signals
    reference: Signals
    known: Bools  # whether the reference says something of its year

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def years(self) -> int:
        """Years up to the inner end of the core that reaches further in, if its count is exact."""
        return max(self.core_a.size, self.core_b.size)


class Band(NamedTuple):
    """States that are followed: at most `shift` either side of 0, and of these the likely ones of each core."""

    shift: int
    low: tuple[int, int]  # lowest state of A and of B
    high: tuple[int, int]

    @classmethod
    def full(cls, shift: int) -> Band:
        """All states within `shift`."""
        return cls(shift, (-shift, -shift), (shift, shift))

    @classmethod
    def over(cls, bands: Sequence[Band]) -> Band:
        """The band that holds some of the same `shift`."""
        low = [min(band.low[core] for band in bands) for core in (0, 1)]
        high = [max(band.high[core] for band in bands) for core in (0, 1)]
        return cls(bands[0].shift, (low[0], low[1]), (high[0], high[1]))

    @property
    def states(self) -> tuple[int, int]:
        """Number of states of A and of B."""
        return self.high[0] - self.low[0] + 1, self.high[1] - self.low[1] + 1

    @property
    def sides(self) -> tuple[bool, ...]:
        """Which of the four sides are as far out as may be."""
        return *(low == -self.shift for low in self.low), *(high == self.shift for high in self.high)

    def wider(self, joint: Array) -> Band:
        """A wider band on the sides that the joint mass of all final states within `shift` reaches, narrower on others.

        States that are out of reach are left out.
        """
        shift = min(self.shift + _WIDEN, WIDEST)
        low, high = [], []
        for core in (0, 1):
            mass = joint.sum(axis=1 - core)
            below, above = np.cumsum(mass), np.cumsum(mass[::-1])
            room = [int(np.argmax(each > _OUT_OF_REACH)) for each in (below, above)]
            low.append(-shift if room[0] == 0 else min(room[0] - 1 - self.shift, 0))
            high.append(shift if room[1] == 0 else max(self.shift + 1 - room[1], 0))
        return Band(shift, (low[0], low[1]), (high[0], high[1]))


# ------------------------------------------------------------------ factors of the moves
#
# Arrays are (state of A, state of B, year, item), blocks of years at a time. With x of a core at its state the t law is
#
#     log ratio = c + l(a) + l(b) + l(r) - p log(U(a) + V(b) + W(a) b)
#
# so that all but the last logarithm is a sum of a part of A and a part of B, worked out by state of one core alone. The
# forms of the years outside an event are multiplied first and their logarithm taken once. Factors of events are single
# floats (relative error below 1e-5, met a few times along a path); those of matched years are doubles.

_PLAIN, _REMOVED, _JOINED, _SPLIT, _NARROW, _INNER, _THERE = 0, 0, LAGS + 1, 2 * LAGS + 2, -3, -2, -1  # rows of _stack
_NEVER = -1e4  # logarithm of what cannot be


def _stack(series: Signals) -> Array:
    """What is asked of a series ring by ring; `_REMOVED + k` and `_JOINED + k` are k rings outside."""
    inner = (np.arange(series.size) < series.size - 1) & (series.joined_factor > 0)
    split = np.log(np.maximum(series.joined_factor, 1e-30))
    rows = [series.plain, *series.removed.T, *series.joined.T, split, series.narrowness, inner, np.ones(series.size)]
    return np.array(rows)


def _spread(series: Sequence[Signals], years: int, shift: int) -> Array:
    """Rows of `_stack` by state, year (from `LAGS` before the first) and trio: ring year - state; a view."""
    stacks = [_stack(one) for one in series]
    start = LAGS + shift
    padded = np.zeros((stacks[0].shape[0], years + LAGS + 2 * shift, len(series)))
    for at, stack in enumerate(stacks):
        size = min(stack.shape[1], padded.shape[1] - start)
        padded[:, start : start + size, at] = stack[:, :size]
        padded[:_INNER, :start, at] = stack[:_INNER, :1]  # past the ends: as the last ring, where anything is asked
        padded[:_INNER, start + size :, at] = stack[:_INNER, -1:]
    row, ring, item = padded.strides
    shape = (padded.shape[0], 2 * shift + 1, years + LAGS, len(series))
    return np.lib.stride_tricks.as_strided(padded[:, 2 * shift :], shape, (row, -ring, ring, item))


class Batch:
    """Trios of one width of the band side by side."""

    def __init__(self, trios: Sequence[Trio], priors: Sequence[AlignmentPrior], band: Band) -> None:
        self.band, self.trios, self.priors, shift = band, trios, priors, band.shift
        self.ends = np.array([trio.years + shift for trio in trios])
        self.years = int(self.ends.max())
        self.all_a, self.all_b = (
            _spread([getattr(trio, core) for trio in trios], self.years, shift) for core in _CORES
        )
        self.a, self.b = (
            each[:, low + shift : high + shift + 1]
            for each, low, high in zip((self.all_a, self.all_b), band.low, band.high, strict=True)
        )
        self.r = _spread([trio.reference for trio in trios], self.years, 0)[:, 0]
        self.known = np.zeros(self.r.shape[1:], dtype=bool)
        for at, trio in enumerate(trios):
            own = trio.known[: self.ends[at]]
            self.known[LAGS : LAGS + own.size, at] = own

    def factors(self, nodes: Sequence[Node], owner: NDArray[np.int64]) -> tuple[Moves, NDArray[Any]]:
        """Factors of the moves of every year, state and item, and of a year that is matched without agreement.

        Of shape (years, states of A, states of B, items); an item is a trio, `owner`, with a node.
        """
        laws = _Laws(self, nodes, owner)
        dull = laws.stay[:, None, None].astype(np.float32)
        if laws.rho.any():
            return self._every(laws), dull
        return self._by_ring(laws, nodes), dull

    def _by_ring(self, laws: _Laws, nodes: Sequence[Node]) -> Moves:
        """Factors where nothing is known of the reference: those of a ring of A and one of B, whatever the year."""
        band, owner = self.band, laws.owner
        low, high = band.low[1] - band.high[0], band.high[1] - band.low[0]
        rings = Batch(self.trios, self.priors, Band(2 * band.shift, (0, low), (0, high)))
        small = rings._every(_Laws(rings, nodes, owner, laws.odds), free=True)
        first = self._every(laws, years=LAGS)  # near the bark the year matters: what lies outside it is not asked
        moves = {move: np.zeros((self.years, *band.states, owner.size), dtype=np.float32) for move in MOVES}
        for move, turn in MOVES.items():
            to_a, to_b = (np.exp(_turn_back(*each)) for each in zip(band.low, band.high, turn, strict=True))
            factor = np.outer(to_a, to_b).astype(np.float32)
            for at, state in enumerate(range(band.low[0], band.high[0] + 1)):
                start = max(LAGS, state)
                offset = band.low[1] - state - low
                some = small[move][start - state : self.years - state, 0, offset : offset + band.states[1]]
                np.multiply(some, factor[at, :, None], out=moves[move][start:, at])
            moves[move][:LAGS] = first[move]
        for item, end in enumerate(self.ends[owner]):
            moves[Move.BOTH][end:, :, :, item] = 1.0
        return moves

    def _every(self, laws: _Laws, *, years: int | None = None, free: bool = False) -> Moves:
        """Factors of every state and item, of the first years or of all; `free`: the band has no edge."""
        states, owner, stop = self.band.states, laws.owner, years or self.years
        moves = {move: np.empty((stop, *states, owner.size), dtype=np.float32) for move in MOVES}
        plain = np.zeros((*states, LAGS + stop, owner.size), dtype=np.float32)
        exact = _Years(laws, stop, np.float64)
        sums = exact.match()
        for block, rows in enumerate(exact.blocks):
            logs = exact.close(sums, block, None)
            plain[:, :, LAGS + rows.start : LAGS + rows.stop] = logs
            np.exp(logs, out=logs)
            np.multiply(logs.transpose(2, 0, 1, 3), laws.stay[rows, None, None], out=moves[Move.BOTH][rows])
        quick = _Years(laws, stop, np.float32)
        outside = -plain[:, :, LAGS - 1 : -1]
        for back in range(2, LAGS + 1):
            outside -= plain[:, :, LAGS - back : -back]
        for number, (move, turn) in enumerate(EVENT_TURNS.items()):
            if (laws.shares[number] <= _NEVER).all():
                moves[move][:] = 0.0
                continue
            sums = quick.event(move, turn, laws.shares[number], free=free)
            for block, rows in enumerate(quick.blocks):
                logs = quick.close(sums, block, outside)
                np.exp(logs, out=logs)
                moves[move][rows] = logs.transpose(2, 0, 1, 3)
        return moves


class _Laws:
    """What the t laws and the prior of every item say by year, from `LAGS` years before the first."""

    def __init__(
        self, batch: Batch, nodes: Sequence[Node], owner: NDArray[np.int64], odds: Array | None = None
    ) -> None:
        self.batch, self.owner = batch, owner
        self.alive = np.arange(-LAGS, batch.years)[:, None] < batch.ends[owner]
        self.rho = batch.known[:, owner] & self.alive & np.array([node.far is not None for node in nodes])
        own = np.array([node.own for node in nodes])
        self.far = far = np.array([node.far or (0.0, 0.0) for node in nodes]).T
        far_a, far_b = far
        det = 1.0 - own**2 - far_a**2 - far_b**2 + 2 * own * far_a * far_b
        parts = [1 - far_b**2, 1 - far_a**2, 1 - own**2, 2 * (far_a * far_b - own)]
        three = np.array([*parts, 2 * (own * far_b - far_a), 2 * (own * far_a - far_b)]) / (DEGREES_OF_FREEDOM * det)
        zero = np.zeros(own.size)
        two = np.array([zero + 1, zero + 1, zero, -2 * own, zero, zero]) / (DEGREES_OF_FREEDOM * (1 - own**2))
        self.form = np.where(self.rho, three[:, None], two[:, None])  # (6, years, items): aa, bb, rr, ab, ar, br
        known = self.rho.copy()
        known[:LAGS] = known[LAGS]
        self.power = _TEMPER * np.where(known, 3.5, 3.0)
        alone = np.log(_TWO / _ONE**2) - 0.5 * np.log(1 - own**2)
        self.const = _TEMPER * np.where(known, np.log(_THREE / _ONE**3) - 0.5 * np.log(det), alone)
        self._rates([batch.priors[at] for at in owner], odds)

    def _rates(self, priors: Sequence[AlignmentPrior], mean: Array | None) -> None:
        """Logarithms of the shares, those of absent rings by state of B: likelier in narrow years.

        `mean` are the mean odds over all years and states if they are known.
        """
        batch, owner = self.batch, self.owner
        shares = np.array([_shares(prior) for prior in priors])
        self.stay = np.where(self.alive[LAGS:], np.maximum(1.0 - shares.sum(axis=1), 0.1), 1.0)
        narrow_a, narrow_b, there = (
            each[:, LAGS:][..., owner] for each in (batch.all_a[_NARROW], batch.all_b[_NARROW], batch.all_b[_THERE])
        )
        rho, states = self.rho[LAGS:], there.shape[0]
        odds_r, odds_b = (narrow_odds(each) for each in (batch.r[_NARROW, LAGS:][:, owner], narrow_b))
        if mean is None:
            by_core = states * (there * odds_b).sum(axis=0) + (1 - there).sum(axis=0) * narrow_odds(narrow_a).sum(
                axis=0
            )
            total = (np.where(rho, states**2 * odds_r, by_core) * self.alive[LAGS:]).sum(axis=0)
            mean = total / (batch.ends[owner] * states**2)
        self.odds = mean
        low, high = (each[1] + batch.band.shift for each in (batch.band.low, batch.band.high))
        odds = np.where(rho, odds_r, odds_b[low : high + 1]) / mean
        narrow = np.array([prior.narrow_share for prior in priors])
        self.narrow = np.log((1 - narrow) + narrow * odds)
        self.shares = _log(shares.T)


def _log(values: NDArray[Any]) -> Array:
    """Logarithms; `_NEVER` of 0."""
    return np.asarray(np.where(values > 0, np.log(np.maximum(values, 1e-30)), _NEVER))


class _Law(NamedTuple):
    """The form 1 + U(a) + V(b) + W(a) b of one year, and what is added where the other core is there too."""

    back: int  # rings outside the year whose presence is asked
    one_a: Array  # 1 + U, (states, years, items), as all of these
    of_a: Array  # U, 0 where there is no ring, as V and W
    of_b: Array
    slope: Array  # W
    value: Array  # b
    more_a: Array  # of A where B is there; 0 in years in which B is there in all states
    more_b: Array


class _Sums:
    """Log ratio of all years: forms whose logarithm is to be taken, and parts of A and of B by their states."""

    def __init__(self, of_a: Array, of_b: Array) -> None:
        self.of_a, self.of_b = of_a, of_b
        self.laws: list[_Law] = []


class _Years:
    """Log ratios of all years and items by states of A and B, in doubles (years matched alone) or single floats."""

    def __init__(self, laws: _Laws, years: int, dtype: type[np.floating[Any]]) -> None:
        batch, self.laws = laws.batch, laws
        quick = dtype is np.float32
        rows = slice(None) if quick else [_PLAIN, _THERE]
        self.years, self.band = years, batch.band
        self.alone = bool(laws.rho.any())  # whether one core alone can be read
        self.a, self.b, self.r = (
            each[rows][:, :, : LAGS + years][..., laws.owner].astype(dtype)
            for each in (batch.a, batch.b, batch.r[:, None])
        )
        self.a[_THERE, :, :LAGS] = self.b[_THERE, :, :LAGS] = 0.0
        self.logs = [
            2.5 * _TEMPER * np.log1p(each[:_SPLIT] ** 2 * dtype(1 / DEGREES_OF_FREEDOM))
            for each in (self.a, self.b, self.r)
        ]
        self.form, self.power, self.const, self.rho, self.far = (
            each.astype(dtype) for each in (laws.form, laws.power, laws.const, laws.rho, laws.far)
        )
        self.nothing = np.zeros((1, 1, 1), dtype=dtype)
        self.known: dict[Any, Array] = {}  # log ratios of one core and the reference
        full = [each[_THERE].all(axis=(0, 2)) for each in (self.a, self.b)]  # years with a ring in every state
        by_back = [[self._rows(each, back)[:, None] for each in full] for back in range(LAGS + 1)]
        self.full = [[(each.astype(dtype), (~each).astype(dtype)) for each in cores] for cores in by_back]
        step = max(1, _BLOCK_CELLS // (int(np.prod(batch.band.states)) * laws.owner.size))
        self.blocks = _stretches(np.all(by_back, axis=(0, 1))[:, 0], step)
        same = [self._rows(laws.power, back) == self._rows(laws.power, 0) for back in range(LAGS + 1)]
        self.even = [bool(np.all([each[rows] for each in same])) for rows in self.blocks]
        self.whole = [[[bool(each[rows].all()) for each in cores] for cores in by_back] for rows in self.blocks]
        shape = (3, *batch.band.states, min(step, self.years), laws.owner.size)
        self.work = np.empty(shape, dtype=dtype)

    def _rows(self, values: NDArray[Any], back: int) -> NDArray[Any]:
        """The years so many rings outside."""
        axis = 0 if values.ndim < 3 else values.ndim - 2
        return values[(slice(None),) * axis + (slice(LAGS - back, LAGS - back + self.years),)]

    def _signal(self, core: int, row: int, back: int = 0) -> Signal:
        """A signal and its part of the log ratio."""
        values = (self.a, self.b, self.r)[core]
        return self._rows(values[row], back), self._rows(self.logs[core][row], back), (row, back)

    def _there(self, core: int, back: int) -> Array:
        return self._rows((self.a, self.b)[core][_THERE], back)

    def _two(self, core: int, one: Signal, far: Signal, back: int) -> Array:
        """Log ratio of one core and the reference; 0 where either is not there."""
        (x, own, which), (r, its, of_r) = one, far
        key = (core, which, of_r, back)
        if not self.alone:
            return self.nothing
        if key not in self.known:
            correlation = self.far[core]
            scale = 1 / (DEGREES_OF_FREEDOM * (1.0 - correlation**2))
            form = x * scale
            form += (-2 * scale * correlation) * r
            form *= x
            form += r * r * scale
            np.log1p(form, out=form)
            form *= -3.0 * _TEMPER
            form += own
            form += its + _TEMPER * (np.log(_TWO / _ONE**2) - 0.5 * np.log(1.0 - correlation**2))
            form *= self._there(core, back)
            form *= self._rows(self.rho, back)
            self.known[key] = form
        return self.known[key]

    def _three(self, sums: _Sums, one: Signal, two: Signal, far: Signal, back: int) -> None:
        """Add the log ratio of the signals of one year; `back`: rings outside the year whose presence is asked."""
        (a, log_a, _), (b, log_b, _), (r, log_r, _) = one, two, far
        aa, bb, rr, ab, ar, br = self._rows(self.form, back)
        there_a, there_b = self._there(0, back), self._there(1, back)
        (full_a, part_a), (full_b, part_b) = self.full[back]
        alone_a, alone_b = self._two(0, one, far, back), self._two(1, two, far, back)
        more_a = log_a + (self._rows(self.const, back) + self._rows(self.rho, back) * log_r)
        more_a *= there_a
        more_a -= alone_a
        more_b = log_b * there_b
        more_b -= alone_b
        sums.of_a = sums.of_a + alone_a
        sums.of_b = sums.of_b + alone_b
        sums.of_a += more_a * full_b
        sums.of_b += more_b * full_a
        more_a *= part_b
        more_b *= part_a
        of_a = aa * a
        of_a += ar * r
        of_a *= a
        of_a += rr * r * r
        of_a *= there_a
        of_b = bb * b
        of_b += br * r
        of_b *= b
        of_b *= there_b
        slope = ab * a
        slope *= there_a
        sums.laws.append(_Law(back, 1 + of_a, of_a, of_b, slope, b * there_b, more_a, more_b))

    def close(self, sums: _Sums, number: int, start: NDArray[Any] | None) -> Array:
        """The log ratio of a block of years, (states of A, states of B, years, items)."""
        rows, even, whole = self.blocks[number], self.even[number], self.whole[number]
        forms, form, work = self.work[:, :, :, : rows.stop - rows.start]
        total = np.zeros_like(form) if start is None else start[:, :, rows].copy()
        for law in sums.laws:
            out = forms if even and law is sums.laws[0] else form
            np.multiply(law.slope[:, None, rows], law.value[:, rows], out=out)
            if whole[law.back][1]:
                out += law.one_a[:, None, rows]
            else:
                out += 1.0
                there = self._there(1, law.back)[:, rows]
                out += np.multiply(law.of_a[:, None, rows], there, out=work)
                total += np.multiply(law.more_a[:, None, rows], there, out=work)
            if whole[law.back][0]:
                out += law.of_b[:, rows]
            else:
                there = self._there(0, law.back)[:, None, rows]
                out += np.multiply(law.of_b[:, rows], there, out=work)
                total += np.multiply(law.more_b[:, rows], there, out=work)
            if not even:
                np.log(out, out=out)
                out *= self._rows(self.power, law.back)[rows]
                total -= out
            elif out is form:
                forms *= form
        if even:
            np.log(forms, out=forms)
            forms *= self._rows(self.power, 0)[rows]
            total -= forms
        total += sums.of_a[:, None, rows]
        total += sums.of_b[:, rows]
        return total

    def match(self) -> _Sums:
        """Log ratio of years that both cores have, and of those of one core after the other has ended."""
        sums = _Sums(*(np.zeros(each[0, :, LAGS:].shape) for each in (self.a, self.b)))
        self._three(sums, self._signal(0, _PLAIN), self._signal(1, _PLAIN), self._signal(2, _PLAIN), 0)
        return sums

    def event(self, move: str, turn: tuple[int, int], share: Array, *, free: bool) -> _Sums:
        """Log factor of an event but for the signals as they were; `free`: the band has no edge."""
        sums = _Sums(*self._before(move, turn, share, free))
        if min(turn) < 0:
            self._false(sums, turn)
        else:
            self._absent(sums, turn)
        return sums

    def _before(self, move: str, turn: tuple[int, int], share: Array, free: bool) -> list[Array]:
        """Log prior of an event as a part of A and a part of B: its share, where it can be, the edge of the band."""
        rho = self._rows(self.rho, 0)
        there = [self._there(core, 0) for core in (0, 1)]
        if move == ABSENT_IN_BOTH:
            there[0] = there[0] * rho
        else:
            other = 1 if turn[0] else 0
            there[other] = np.maximum(there[other], rho)
        for core, rings in enumerate((self.a, self.b)):
            if turn[core] < 0:
                there[core] = there[core] * self._rows(rings[_INNER], 0)
        parts = [_log(each) for each in there]
        parts[1] = parts[1] + share
        if min(turn) >= 0:
            parts[1] = parts[1] + self.laws.narrow[:, : self.years]
        for core in () if free else (0, 1):
            parts[core] = parts[core] + _turn_back(self.band.low[core], self.band.high[core], turn[core])[:, None, None]
        return [np.maximum(part, _NEVER).astype(np.float32) for part in parts]

    def _absent(self, sums: _Sums, turn: tuple[int, int]) -> None:
        """What an absent ring changes: the other series are read as if they did not have its year either."""
        other = None if turn == (1, 1) else turn.index(0)  # a core that has the ring
        for back in range(LAGS + 1):
            was = self._signal(2, _PLAIN, back)
            if other is not None:  # with the reference alone, as it was
                _add(sums, other, self._two(other, self._signal(other, _PLAIN, back), was, back))
            if back:
                far = self._signal(2, _REMOVED + back)
                now = [self._signal(core, _PLAIN, back) for core in (0, 1)]
                if other is not None:
                    now[other] = self._signal(other, _REMOVED + back)
                    _add(sums, other, -self._two(other, now[other], far, back))
                self._three(sums, now[0], now[1], far, back)

    def _false(self, sums: _Sums, turn: tuple[int, int]) -> None:
        """What two bands of a core count for as one ring."""
        core = turn.index(-1)
        _add(sums, core, self._rows((self.a, self.b)[core][_SPLIT], 0))
        for back in range(LAGS + 1):
            now = [self._signal(0, _PLAIN, back), self._signal(1, _PLAIN, back)]
            now[core] = self._signal(core, _JOINED + back)
            self._three(sums, now[0], now[1], self._signal(2, _PLAIN, back), back)


def _stretches(kinds: Bools, most: int) -> list[slice]:
    """Runs of years of one kind, cut to a most length."""
    edges = [0, *(np.flatnonzero(np.diff(kinds)) + 1).tolist(), kinds.size]
    return [
        slice(at, min(at + most, stop))
        for first, stop in zip(edges[:-1], edges[1:], strict=True)
        for at in range(first, stop, most)
    ]


def _add(sums: _Sums, core: int, part: Array) -> None:
    if core == 0:
        sums.of_a = sums.of_a + part
    else:
        sums.of_b = sums.of_b + part


def _shares(prior: AlignmentPrior) -> tuple[float, ...]:
    """Shares of the events in the order of `MOVES`."""
    absent = (prior.absent_share_a, prior.absent_share_b, prior.both_share)
    return *absent, prior.false_share_a, prior.false_share_b


def _turn_back(low: int, high: int, step: int) -> Array:
    """No move past the edge of the band; a move back towards 0 is unlikely."""
    state = np.arange(low, high + 1)
    logs = np.where(state * step < 0, np.log(RETURN), 0.0)
    logs[(state + step < low) | (state + step > high)] = _NEVER
    return logs
