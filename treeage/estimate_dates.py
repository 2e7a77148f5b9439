"""Pith date of one tree as the engine leaves it, and what each of its cores says alone.

Layer 4, part of the family of `estimate`. Own derivation: variance by step from the law of total variance.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from treeage.estimate_inputs import CoreInputs
from treeage.grids import DISTANCE_GRID_MM
from treeage.pmf import Pmf
from treeage.posterior import RateNodes

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_LADDER = 1.5  # choice: numbers of missed rings are rounded up to a ladder, so that tables are built once a rung


@dataclass(frozen=True)
class TreeDates:
    """Pith date of one tree before height and collar are subtracted.

    Parameters
    ----------
    lead : int
        Row of the core that says most by itself.
    cores : tuple of int
        Rows of all its cores.
    reference_year, start : int
        Pith year = reference_year - added rings, the first of which is start.
    given_stand : numpy.ndarray, shape (n_stand, n_added)
        Mass of the added rings for each value of the stand's growth-rate part.
    likelihood : dict or None
        For cores at several heights: by pattern of extra years, see `posterior.establishment_given_shared`.
    alone : dict of int to Pmf
        Pith year from each core alone, at its own height.
    missed : dict of int to Pmf
        Missed rings of each core alone.
    variance : dict of int to tuple of float
        Variance of each core alone due to count, distance and rate.
    counts : dict of int to Pmf
        Count error of each core: the margin of the joint mass where two cores were read against each other.
    conflict_p : float
        Predictive p value of the disagreement of the cores.
    contradiction : bool
        The cores exclude each other.
    """

    lead: int
    cores: tuple[int, ...]
    reference_year: int
    start: int
    given_stand: Array
    likelihood: dict[tuple[int, ...], Array] | None
    alone: dict[int, Pmf]
    missed: dict[int, Pmf]
    variance: dict[int, tuple[float, float, float]]
    counts: dict[int, Pmf]
    conflict_p: float
    contradiction: bool


def rung(rings: int) -> int:
    """Round a number of rings up to the ladder of table sizes.

    Parameters
    ----------
    rings : int
        At least 1.

    Returns
    -------
    int
        The next rung.

    Examples
    --------
    >>> rung(30) >= 30, rung(30) == rung(31)
    (True, True)
    """
    return int(np.ceil(16 * _LADDER ** np.ceil(np.log(max(rings, 16) / 16) / np.log(_LADDER) - 1e-9)))


def core_marginals(missed: Array, added: Array, nodes: RateNodes) -> tuple[Array, Array]:
    """What each core says by itself, the shared rate summed out.

    Parameters
    ----------
    missed, added : numpy.ndarray, shape (n_core, n_shift, n)
        Missed rings and added rings by shift.
    nodes : RateNodes
        The shared growth rate.

    Returns
    -------
    tuple of numpy.ndarray, each shape (n_core, n)
        Mass of the added rings, and of the missed rings.
    """
    return (
        np.einsum("csk,s->ck", added, nodes.weights, optimize=True),
        np.einsum("csk,s->ck", missed, nodes.weights, optimize=True),
    )


def lead_core(inputs: CoreInputs, rows: list[int], single: dict[int, tuple[Array, Array]]) -> int:
    """The core of a tree that says most by itself.

    Parameters
    ----------
    inputs : CoreInputs
        All cores.
    rows : list of int
        Cores of the tree, at least one with information.
    single : dict of int to (numpy.ndarray, numpy.ndarray)
        Mass of the missed and of the added rings of each core alone.

    Returns
    -------
    int
        Row of the core with the smallest variance; the one that reaches furthest back among equals.
    """

    def rank(row: int) -> tuple[float, int, int]:
        spread = round(Pmf(0, single[row][1]).var(), 6)
        return spread, int(inputs.innermost_year[row]), row

    return min((row for row in rows if not inputs.bound_only[row]), key=rank)


def tree_dates(
    inputs: CoreInputs,
    rows: list[int],
    single: dict[int, tuple[Array, Array]],
    posterior: tuple[int, int, Array],
    likelihood: dict[tuple[int, ...], Array] | None = None,
    *,
    lead: int | None = None,
    read_counts: Mapping[int, Pmf] | None = None,
) -> TreeDates:
    """Bundle a tree's posterior with what each core says alone.

    Parameters
    ----------
    inputs : CoreInputs
        All cores.
    rows : list of int
        Cores of the tree.
    single : dict of int to (numpy.ndarray, numpy.ndarray)
        Mass of the missed and of the added rings of each core alone.
    posterior : (int, int, numpy.ndarray)
        Reference year, first number of added rings, and their mass given the stand's part.
    likelihood : dict, optional
        For cores at several heights.
    lead : int, optional
        Row of the core that the dates are referred to; the one that says most by itself where it is not given.
    read_counts : mapping of int to Pmf, optional
        Count errors of the cores that were read against each other.

    Returns
    -------
    TreeDates
        Without the conflict measure, which the caller adds.
    """
    alone: dict[int, Pmf] = {}
    missed: dict[int, Pmf] = {}
    variance: dict[int, tuple[float, float, float]] = {}
    counts: dict[int, Pmf] = {}
    for row in rows:
        if inputs.bound_only[row]:
            continue
        missed[row] = Pmf(0, single[row][0]).trim(1e-7)
        added = Pmf(inputs.count_start, single[row][1])
        alone[row] = added.negate().shift(int(inputs.innermost_year[row])).trim(1e-7)
        counts[row] = (read_counts or {}).get(row, Pmf(inputs.count_start, inputs.count[row]))
        variance[row] = _core_variance(inputs, row, missed[row], counts[row].var())
    lead = lead_core(inputs, rows, single) if lead is None else lead
    reference, start, given = posterior
    return TreeDates(
        lead, tuple(rows), reference, start, given, likelihood, alone, missed, variance, counts, float("nan"), False
    )


def _core_variance(inputs: CoreInputs, row: int, missed: Pmf, count: float) -> tuple[float, float, float]:
    """Variance of the added rings due to count, distance and rate."""
    total = missed.var()
    mass = inputs.distance[row]
    mean = float(mass @ DISTANCE_GRID_MM)
    if mean <= 0 or total <= 0:
        return count, 0.0, total
    relative = float(mass @ (DISTANCE_GRID_MM / mean - 1) ** 2)
    by_distance = min(total, missed.mean() ** 2 * relative)
    return count, by_distance, total - by_distance
