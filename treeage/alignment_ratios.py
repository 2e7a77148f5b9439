"""Density ratios of the signals of two cores, ring against ring: as they are, with a ring left out, with bands joined.

Layer 2. Own derivation: bivariate t densities with exact windows around an absent ring or two joined bands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from treeage.alignment_features import DEGREES_OF_FREEDOM, Array, Signals

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
