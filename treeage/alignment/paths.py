"""Sums over all ways to walk from the bark to the pith year by year; one core against a series that has every year.

Own derivation: a hidden-Markov model whose states are the true minus counted rings of one or two cores so far.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from treeage.alignment.lattice import RETURN, Array, EventFactors, Move, Signals, blocks, ratios, side_by_side
from treeage.pmf import freeze_arrays

Moves = Mapping[str, NDArray[Any]]  # single floats where many are kept
Index = tuple[slice, ...]

DISTURBED = (0.02, 0.15)  # fitted: probabilities that a disturbed stretch begins and ends with a year, of three series
_RESCALE_EVERY = 4  # choice: years between rescaling, far from overflow

# The year y = 0, 1, ... from the bark is the step. The state is (true minus counted rings of A, the same of B) so far:
# ring i = y - state of a core is the next. A year is one of six moves:
#
#               both   absent in A   absent in B   absent in both   false in A   false in B
#   state of A   .         +1            .               +1             -1            .
#   state of B   .          .           +1               +1              .           -1
#
# A move counts for the density of the signals of its year and of those whose whitening it changes, over the density of
# three unrelated series: a trivariate t law. The reference has every year; where it is not known the cores are read
# against each other alone, and where one core has ended the other is read against the reference.
ABSENT_IN_BOTH = "absent_in_both"
MOVES: dict[str, tuple[int, int]] = {
    Move.BOTH: (0, 0),
    Move.ABSENT_IN_A: (1, 0),
    Move.ABSENT_IN_B: (0, 1),
    ABSENT_IN_BOTH: (1, 1),
    Move.FALSE_IN_A: (-1, 0),
    Move.FALSE_IN_B: (0, -1),
}
EVENT_TURNS = {move: turn for move, turn in MOVES.items() if move != Move.BOTH}


def _slices(step: int) -> tuple[slice, slice]:
    if step == 0:
        return slice(None), slice(None)
    return (slice(1, None), slice(None, -1)) if step > 0 else (slice(None, -1), slice(1, None))


def _turns(moves: Moves) -> list[tuple[str, Index, Index]]:
    """Events with the states that they lead to and those that they start from."""
    return [(move, *zip(*map(_slices, turn), strict=True)) for move, turn in EVENT_TURNS.items() if move in moves]


def forward(
    moves: Moves, dull: Array, start_a: int, start_b: int | None = None, disturbed: tuple[float, float] = DISTURBED
) -> tuple[Array, Array]:
    """Sums over all paths from the bark to the states of every year, scaled to 1 now and then; log of the total."""
    years, *states, items = moves[Move.BOTH].shape
    (enter, leave), turns, kind = disturbed, _turns(moves), moves[Move.BOTH].dtype
    value = np.empty((years + 1, 2, *states, items), dtype=kind)
    value[0] = 0.0
    value[0, :, start_a, start_a if start_b is None else start_b] = np.array([leave, enter])[:, None] / (enter + leave)
    scale = np.zeros(items)
    work, inside = np.empty((2, *states, items), dtype=kind)
    for year in range(years):
        agree, dull_here = value[year]
        new, new_disturbed = value[year + 1]
        np.multiply(agree, moves[Move.BOTH][year], out=work)
        np.multiply(dull_here, dull[year], out=inside)
        np.multiply(work, 1 - enter, out=new)
        np.multiply(inside, 1 - leave, out=new_disturbed)
        inside *= leave
        new += inside
        work *= enter
        new_disturbed += work
        for move, to, source in turns:
            np.multiply(agree, moves[move][year], out=work)
            new[to] += work[source]
        if year % _RESCALE_EVERY == 0 or year == years - 1:
            total = value[year + 1].sum(axis=(0, 1, 2))
            value[year + 1] *= 1.0 / total
            scale += np.log(total)
    return value, scale


def backward(moves: Moves, dull: Array, disturbed: tuple[float, float] = DISTURBED) -> Array:
    """Sums over all paths from the states of every year to the end, scaled by their largest now and then."""
    years, *states, items = moves[Move.BOTH].shape
    (enter, leave), turns, kind = disturbed, _turns(moves), moves[Move.BOTH].dtype
    value = np.empty((years + 1, 2, *states, items), dtype=kind)
    value[years] = 1.0
    work = np.empty((*states, items), dtype=kind)
    for year in range(years - 1, -1, -1):
        after, dull_after = value[year + 1]
        agree, dull_here = value[year]
        np.multiply(after, 1 - enter, out=agree)
        np.multiply(dull_after, enter, out=work)
        agree += work
        agree *= moves[Move.BOTH][year]
        np.multiply(after, leave, out=dull_here)
        np.multiply(dull_after, 1 - leave, out=work)
        dull_here += work
        dull_here *= dull[year]
        for move, to, source in turns:
            agree[source] += np.multiply(moves[move][year][source], after[to], out=work[source])
        if year % _RESCALE_EVERY == 0:
            value[year] *= 1.0 / value[year].max(axis=(0, 1, 2))
    return value


def move_probs(
    moves: Moves, dull: Array, ahead: Array, behind: Array, disturbed: tuple[float, float] = DISTURBED
) -> dict[str, Array]:
    """Probability of each move in every year and state of every item."""
    (enter, leave), turns = disturbed, _turns(moves)
    after, dull_after = behind[1:, 0], behind[1:, 1]
    both = after * (1 - enter)
    work = dull_after * enter
    both += work
    both *= moves[Move.BOTH]
    both *= ahead[:-1, 0]
    np.multiply(dull_after, 1 - leave, out=work)
    work += leave * after
    work *= ahead[:-1, 1]
    work *= dull
    both += work
    out = {Move.BOTH.value: both}
    for move, to, source in turns:
        out[move] = ahead[:-1, 0] * moves[move]
        out[move][:, *source] *= after[:, *to]
    total = sum(prob.sum(axis=(1, 2)) for prob in out.values())
    scale = (1.0 / total)[:, None, None]
    for move in out:
        out[move] *= scale
    return out


# ------------------------------------------------------------------ one core


@dataclass(frozen=True)
class OneSided:
    """Sums over all ways to read core A against a series B that has every year, for many items."""

    log_total: Array  # (items,): log likelihood ratio against unrelated series
    final: Array  # (states, items): mass of true minus counted rings, from -shift to shift
    events: Mapping[Move, Array]  # by ring of the core that has one ring more there: (rings, states, items)
    path: Array  # (rings of A, states, items): that ring i of A and ring i + state of B are the same year

    def __post_init__(self) -> None:
        freeze_arrays(self)


def one_sided(
    pairs: Sequence[tuple[Signals, Signals]],
    factors: Sequence[EventFactors],
    nodes: Sequence[Array],
    *,
    shift: int,
    disturbed: tuple[float, float],
) -> OneSided:
    """The sums of `engine` for pairs (A, B) in which nothing is absent or false in B: a year is a ring of B.

    Arguments as in `lattice.lattice`. Where either series has ended the state stays as it is.
    """
    values = np.concatenate(list(nodes))
    owner = np.repeat(np.arange(len(pairs)), [node.size for node in nodes])
    size_a, size_b = (np.array([pair[core].size for pair in pairs]) for core in (0, 1))
    years, state = int(size_b.max()), np.arange(-shift, shift + 1)
    moves: dict[str, Array] = {
        move: np.zeros((years, state.size, 1, owner.size), dtype=np.float32)
        for move in (Move.BOTH, Move.ABSENT_IN_A, Move.FALSE_IN_A)
    }
    for items in blocks(pairs, owner, shift):
        first, last = owner[items.start], owner[items.stop - 1] + 1
        view = {move: factor[:, :, 0, items] for move, factor in moves.items()}
        _fill(view, pairs[first:last], factors[first:last], owner[items] - first, values[items])
    year = np.arange(years)[:, None, None]
    ended = (year - state[:, None] >= size_a[owner]) | (year >= size_b[owner])
    stay = np.array([prior.stay for prior in factors], dtype=np.float32)[owner]
    dull = np.where(ended, np.float32(1.0), stay * (moves[Move.BOTH][:, :, 0] > 0))[:, :, None]
    moves[Move.BOTH] *= stay
    moves[Move.BOTH][:, :, 0][ended] = 1.0
    ahead, log_total = forward(moves, dull, shift, 0, disturbed)
    probs = move_probs(moves, dull, ahead, backward(moves, dull, disturbed), disturbed)
    found = {Move(move): prob[:, :, 0] for move, prob in probs.items()}
    found[Move.BOTH][ended] = 0.0
    rings = {move: _by_ring(found[move], int(size_a.max()), shift) for move in (Move.BOTH, Move.FALSE_IN_A)}
    events = {Move.ABSENT_IN_A: found[Move.ABSENT_IN_A], Move.FALSE_IN_A: rings[Move.FALSE_IN_A]}
    return OneSided(log_total, ahead[-1].sum(axis=0)[:, 0], events, rings[Move.BOTH])


def _fill(
    view: Moves,
    pairs: Sequence[tuple[Signals, Signals]],
    factors: Sequence[EventFactors],
    owner: NDArray[np.int64],
    nodes: Array,
) -> None:
    """Factors of some items; the ratios are by the other core's offset, which is the state for A and less it for B."""
    shift = view[Move.BOTH].shape[1] // 2
    single = np.float32
    a, b = (side_by_side([pair[core] for pair in pairs], owner, single) for core in (0, 1))
    match, _, joined = ratios(a, b, nodes.astype(single), shift, alone=False)
    _, alone, _ = ratios(b, a, nodes.astype(single), shift, joined=False)
    share = np.zeros((len(pairs), b.plain.shape[1]), dtype=single)
    for row, one in zip(share, factors, strict=True):
        row[: one.absent_in_a.size] = one.absent_in_a
    alone *= share[owner, None]
    joined *= np.array([one.false_in_a[0] for one in factors], dtype=single)[owner, None, None]
    for grid in (alone, joined):
        grid[:, 0] = 0.0  # the state would pass the edge of the band
        grid[:, shift + 1 :] *= RETURN  # the state goes back towards 0
    view[Move.ABSENT_IN_A][: alone.shape[2]] = alone[:, ::-1].transpose(2, 1, 0)
    years = view[Move.BOTH].shape[0]
    for at, state in enumerate(range(-shift, shift + 1)):
        rings = slice(max(0, -state), max(0, min(match.shape[2], years - state)))
        for move, grid in ((Move.BOTH, match), (Move.FALSE_IN_A, joined)):
            view[move][rings.start + state : rings.stop + state, at] = grid[:, at, rings].T


def _by_ring(prob: Array, size: int, shift: int) -> Array:
    """Probabilities by year and state at the ring of A, year - state."""
    years = prob.shape[0]
    out = np.zeros((size, *prob.shape[1:]), dtype=prob.dtype)
    for at, state in enumerate(range(-shift, shift + 1)):
        rings = slice(max(0, -state), max(0, min(size, years - state)))
        out[rings, at] = prob[rings.start + state : rings.stop + state, at]
    return out
