"""Which draws of a mixture mean the same pulses: sets of pulses among joint draws, so that labels do not switch.

Layer 3. Own derivation: draws whose pulses overlap one by one, as they appear through the dating error, are one set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError, require_nonnegative, require_positive

Array = NDArray[np.float64]
MOST_SETS = 4  # choice: further sets are told together as "elsewhere"
SEEDS = 400  # choice: draws that are compared with each other to find where most of them agree
ROUNDS = 30  # choice: a set is stable after a few rounds


@dataclass(frozen=True)
class PulseSet:
    """A set of pulses that a part of the draws shows.

    Parameters
    ----------
    part : float
        Part of the draws, 0 to 1.
    dates : tuple of float
        Median date of each pulse [year], ascending; empty for draws that belong to no set.
    """

    part: float
    dates: tuple[float, ...]

    def words(self) -> str:
        """State the dates in words.

        Returns
        -------
        str
            The dates, or that they lie elsewhere.

        Examples
        --------
        >>> PulseSet(0.06, (1812.2, 1878.0)).words(), PulseSet(0.01, ()).words()
        ('1812 and 1878', 'elsewhere')
        """
        years = [f"{date:.0f}" for date in self.dates]
        if not years:
            return "elsewhere"
        return years[0] if len(years) == 1 else f"{', '.join(years[:-1])} and {years[-1]}"


def pulse_sets(date: ArrayLike, width: ArrayLike, *, own_sd_years: float) -> NDArray[np.int64]:
    """Sort draws of pulses into sets, the largest first.

    Parameters
    ----------
    date, width : array-like, shape (draws, pulses)
        Centres, ascending in each draw, and standard deviations [years], above 0; without the shift that all
        trees share.
    own_sd_years : float
        Typical standard deviation of a tree's own dating error [years].

    Returns
    -------
    numpy.ndarray of int, shape (draws,)
        0 for the set most draws belong to, then 1, 2, ...; -1 for draws left over after `MOST_SETS` sets.

    Raises
    ------
    InputError
        If a width is not above 0, the error is negative or the shapes differ.

    Notes
    -----
    Dates sorted within each draw do not keep their pulse: where one draw finds pulses at 1820 and 1880 and most
    find 1880 and 1940, the quantiles of the first and of the second date mix three pulses (label switching [1]_).
    A pulse of a draw is that of the set if it is nearer to it than to any other pulse of the set, and the two lie
    no further apart than their standard deviations together, each as it appears through the dating error. A draw is
    in the set if all its pulses are; since dates are in order, pairing them in order is the best assignment.

    References
    ----------
    .. [1] Stephens, M. (2000). Dealing with label switching in mixture models. Journal of the Royal Statistical
       Society B 62:795-809. (From memory: the problem only; sets of draws are own derivation.)

    Examples
    --------
    >>> date = [[1880, 1940]] * 9 + [[1820, 1880]]
    >>> pulse_sets(date, np.full((10, 2), 6.0), own_sd_years=6.0).tolist()
    [0, 0, 0, 0, 0, 0, 0, 0, 0, 1]
    """
    where = "pulse_sets"
    centre = np.asarray(date, dtype=np.float64)
    (own,) = require_nonnegative(where, own_sd_years=own_sd_years)
    (wide,) = require_positive(where, width=width)
    if centre.ndim != 2 or centre.shape != wide.shape:
        got = f"shapes {centre.shape} and {wide.shape}"
        raise InputError(Fault(got, "one shape of two dimensions", "Give a width for each date.", where, 0, "width"))
    number = np.full(centre.shape[0], -1, dtype=np.int64)
    if not centre.shape[1]:
        return np.zeros_like(number)
    seen = np.sqrt(wide**2 + own**2)
    found: list[NDArray[np.int64]] = []
    left = np.ones(centre.shape[0], dtype=bool)
    while left.any() and len(found) < MOST_SETS:
        rows = np.flatnonzero(left)
        members = rows[_largest_set(centre[rows], seen[rows])]
        found.append(members)
        left[members] = False
    for at, members in enumerate(sorted(found, key=lambda rows: (-rows.size, int(rows[0])))):
        number[members] = at
    return number


def summarise_sets(date: ArrayLike, number: Sequence[int] | NDArray[np.int64]) -> tuple[PulseSet, ...]:
    """Give each set its part of the draws and its dates.

    Parameters
    ----------
    date : array-like, shape (draws, pulses)
        Centres [year], the shift that all trees share included.
    number : array-like of int, shape (draws,)
        From `pulse_sets`.

    Returns
    -------
    tuple of PulseSet
        The largest first; draws that belong to no set come last, without dates.

    Examples
    --------
    >>> summarise_sets([[1880.0], [1882.0], [1820.0]], [0, 0, 1])[0].dates
    (1881.0,)
    """
    centre, chosen = np.asarray(date, dtype=np.float64), np.asarray(number)
    out = []
    for at in (*range(int(chosen.max(initial=-1)) + 1), -1):
        rows = chosen == at
        if rows.any():
            years = np.median(centre[rows], axis=0).tolist() if at >= 0 else []
            out.append(PulseSet(float(rows.mean()), tuple(years)))
    return tuple(out)


def _largest_set(centre: Array, seen: Array) -> NDArray[np.int64]:
    """Rows of the draws that agree with the draw that most others agree with, refined round their medians."""
    some = np.unique(np.linspace(0, len(centre) - 1, min(SEEDS, len(centre))).astype(np.int64))
    agree = [int(_same(centre[some], seen[some], centre[row], seen[row]).sum()) for row in some]
    start = some[int(np.argmax(agree))]
    middle, spread = centre[start], seen[start]
    inside = _same(centre, seen, middle, spread)
    for _ in range(ROUNDS):
        middle, spread = np.median(centre[inside], axis=0), np.median(seen[inside], axis=0)
        further = _same(centre, seen, middle, spread)
        if not further.any() or np.array_equal(further, inside):
            break
        inside = further
    return np.flatnonzero(inside)


def _same(centre: Array, seen: Array, middle: Array, spread: Array) -> NDArray[np.bool_]:
    """Whether all pulses of each draw are those of a set."""
    away = np.abs(centre[:, :, None] - middle)
    nearest = away.argmin(axis=2) == np.arange(middle.size)
    own = np.abs(centre - middle)
    return np.asarray((nearest & (own <= seen + spread)).all(axis=1))
