"""Trees whose cores depend on each other: opposite radii, counts read against each other, several heights.

Layer 4, part of the family of `estimate`. No model of its own: joint cases for `posterior.combine_cases`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from treeage.distance_radius import opposite_cores
from treeage.estimate_cores import CoreFacts, column_numbers
from treeage.estimate_dates import TreeDates, core_marginals, missed_mass, tree_dates
from treeage.estimate_inputs import CoreInputs
from treeage.grids import DISTANCE_GRID_MM
from treeage.pmf import Pmf
from treeage.posterior import RateNodes, added_rings, combine_cases, combine_cores
from treeage.rings import missed_ring_mass

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

HEIGHT_APART_M = 0.01  # choice: cores closer in height than this share one pith year
_OPPOSITE_DEG = 30.0  # choice: two cores this close to a straight line share one diameter
_MOST_CASES = 600  # choice: joint cases of count errors beyond the likeliest 600 hold next to nothing

JointCount = tuple[tuple[str, str], int, int, Array]
"""Ids of two cores, the first count error of each, and the joint mass of their count errors."""
JointCounts = Mapping[str, JointCount]
"""Joint count errors by tree."""


def face_each_other(facts: CoreFacts, rows: list[int]) -> bool:
    """Tell whether a tree has just two cores that face each other and both rest on radius less length.

    Parameters
    ----------
    facts : CoreFacts
        All cores.
    rows : list of int
        Cores of one tree.

    Returns
    -------
    bool
        True where one diameter is shared.
    """
    if len(rows) != 2 or any(facts.methods[row] != "radius less core length" for row in rows):
        return False
    azimuth = column_numbers(facts.table, "azimuth_deg")[rows]
    if not np.isfinite(azimuth).all():
        return False
    apart = abs((azimuth[1] - azimuth[0]) % 360 - 180)
    return bool(apart <= _OPPOSITE_DEG)


def special_tree(
    facts: CoreFacts,
    inputs: CoreInputs,
    rows: list[int],
    nodes: RateNodes,
    passing_years: Callable[[str, float], Ints],
    joint: JointCount | None,
) -> TreeDates:
    """Date one tree whose cores depend on each other.

    Parameters
    ----------
    facts, inputs : CoreFacts, CoreInputs
        All cores.
    rows : list of int
        Cores of the tree.
    nodes : RateNodes
        The shared growth rate.
    passing_years : callable
        Species and height [m] to whole years to that height, shape (n_shared, n_tree_node).
    joint : JointCount or None
        Joint count errors of two of the cores.

    Returns
    -------
    TreeDates
        Referred to the core that says most by itself.
    """
    most = int(inputs.most_rings[rows].max()) + int(np.ptp(inputs.innermost_year[rows])) + 2
    index = np.asarray(rows)
    missed = missed_mass(inputs, index, nodes, most)
    added = added_rings(missed, inputs.count_start, inputs.count[index])
    alone, missed_alone = core_marginals(missed, added, nodes)
    single = {row: (missed_alone[k], alone[k]) for k, row in enumerate(rows)}
    cases, case_weights = missed[:, None], np.ones(1)
    if face_each_other(facts, rows):
        case_weights, cases = _opposite_cases(facts, inputs, rows, nodes, most)
    start, size = inputs.count_start, added.shape[2]
    lead = min(
        (row for row in rows if not inputs.bound_only[row]),
        key=lambda row: Pmf(0, single[row][1]).var(),
    )
    counts = _count_cases(facts, inputs, rows, joint)
    heights = column_numbers(facts.table, "core_height_m")
    species = str(facts.table["species"].iloc[rows[0]])
    years = np.stack([passing_years(species, float(heights[row])) for row in rows])
    extra = years - years[rows.index(lead)]
    reference = int(inputs.innermost_year[lead])
    patterns = np.unique(extra.reshape(len(rows), -1), axis=1).T
    likelihood: dict[tuple[int, ...], Array] = {}
    low = start - int(max(0, -extra.min())) - int(np.ptp(inputs.innermost_year[rows]))
    span = size + (start - low) + int(max(0, extra.max()))
    for pattern in patterns:
        # K_j = I_j - P_j with P_j = P_lead + extra_j, so K_j = added + (I_j - I_lead) - extra_j
        ahead = inputs.innermost_year[rows] - reference - pattern
        shifted = [(w, tuple(int(e - a) for e, a in zip(errors, ahead, strict=True))) for w, errors in counts]
        likelihood[tuple(int(value) for value in pattern)] = combine_cases(cases, case_weights, shifted, span, low)
    share = {key: float(np.all(extra.reshape(len(rows), -1).T == key, axis=1).mean()) for key in likelihood}
    total = sum(share[key] * mass for key, mass in likelihood.items())
    given = nodes.given_stand @ np.asarray(total)
    given = given / given.sum(axis=1, keepdims=True)
    several = likelihood if np.ptp(heights[rows]) > HEIGHT_APART_M else None
    dates = tree_dates(inputs, rows, single, (reference, low, given), several)
    informative = [k for k, row in enumerate(rows) if not inputs.bound_only[row]]
    laid = combine_cores(
        added[informative],
        start,
        (inputs.innermost_year[rows] - np.median(extra.reshape(len(rows), -1), axis=1).astype(np.int64))[informative],
        np.arange(len(informative))[None, :],
        nodes,
    )
    return replace(dates, conflict_p=float(laid.conflict_p[0]), contradiction=bool(laid.contradiction[0]))


def _count_cases(
    facts: CoreFacts, inputs: CoreInputs, rows: list[int], joint: JointCount | None
) -> list[tuple[float, tuple[int, ...]]]:
    """Joint cases of the count errors of a tree's cores, with their probabilities."""
    axes = []
    names = [str(facts.table["core"].iloc[row]) for row in rows]
    for row, name in zip(rows, names, strict=True):
        if joint is None or name not in joint[0]:
            mass = inputs.count[row]
            axes.append([(float(mass[k]), inputs.count_start + int(k)) for k in np.flatnonzero(mass > 1e-6)])
    cases: list[tuple[float, dict[str, int]]] = [(1.0, {})]
    if joint is not None:
        pair, first, second, mass = joint
        cases = [
            (float(mass[i, j]), {pair[0]: first + int(i), pair[1]: second + int(j)})
            for i, j in zip(*np.nonzero(mass > 1e-6), strict=True)
        ]
    free = [name for name in names if joint is None or name not in joint[0]]
    for name, axis in zip(free, axes, strict=True):
        cases = [(w * p, {**known, name: e}) for w, known in cases for p, e in axis]
    cases.sort(key=lambda case: -case[0])
    kept = cases[:_MOST_CASES]
    total = sum(weight for weight, _ in kept)
    return [(weight / total, tuple(known[name] for name in names)) for weight, known in kept]


def _opposite_cases(
    facts: CoreFacts, inputs: CoreInputs, rows: list[int], nodes: RateNodes, most: int
) -> tuple[Array, Array]:
    """Missed rings of two opposite cores for each joint place of the pith."""
    lengths = (float(facts.length_mm[rows[0]]), float(facts.length_mm[rows[1]]))
    weights, distances = opposite_cores(float(facts.radius_mm[rows[0]]), float(facts.radius_sd_mm[rows[0]]), lengths)
    cases = np.empty((2, weights.size, nodes.shifts.size, most + 1))
    for core, row in enumerate(rows):
        mass = _on_grid(distances[:, core])
        growth = inputs.growth.take(np.full(weights.size, row))
        cases[core] = missed_ring_mass(growth, mass, nodes.shifts, max_rings=most)
    return weights, cases


def _on_grid(distance_mm: Array) -> Array:
    """Known distances as mass on the grid, split between the two neighbours."""
    mass = np.zeros((distance_mm.size, DISTANCE_GRID_MM.size))
    upper = np.clip(np.searchsorted(DISTANCE_GRID_MM, distance_mm), 1, DISTANCE_GRID_MM.size - 1)
    low, high = DISTANCE_GRID_MM[upper - 1], DISTANCE_GRID_MM[upper]
    share = np.clip((distance_mm - low) / (high - low), 0.0, 1.0)
    rows = np.arange(distance_mm.size)
    mass[rows, upper - 1] = 1 - share
    mass[rows, upper] += share
    return mass
