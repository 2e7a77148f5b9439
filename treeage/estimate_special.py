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
from treeage.estimate_dates import TreeDates, core_marginals, lead_core, tree_dates
from treeage.estimate_inputs import CoreInputs
from treeage.estimate_stand import SpeciesRates, placed_mass
from treeage.grids import DISTANCE_GRID_MM
from treeage.posterior import added_rings, combine_cases, combine_cores

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


def special_tree(  # noqa: PLR0913 -- one call in one place
    facts: CoreFacts,
    inputs: CoreInputs,
    rows: list[int],
    rate: SpeciesRates,
    passing_years: Callable[[str, float], Ints],
    missed: Array,
    joint: JointCount | None,
) -> TreeDates:
    """Date one tree whose cores depend on each other.

    Parameters
    ----------
    facts, inputs : CoreFacts, CoreInputs
        All cores.
    rows : list of int
        Cores of the tree.
    rate : SpeciesRates
        Shared growth rate and stand adjustment of the tree's species.
    passing_years : callable
        Species and height [m] to whole years to that height, shape (n_shared, n_tree_node).
    missed : numpy.ndarray, shape (n_core, n_shift, n_ring)
        Missed rings of the tree's cores.
    joint : JointCount or None
        Joint count errors of two of the cores.

    Returns
    -------
    TreeDates
        Referred to the core that says most by itself.
    """
    nodes = rate.nodes
    start = inputs.count_start
    added = added_rings(missed, start, inputs.count[rows])
    alone, missed_alone = core_marginals(missed, added, nodes)
    single = {row: (missed_alone[k], alone[k]) for k, row in enumerate(rows)}
    informs = [row for row in rows if not inputs.bound_only[row]]
    lead = lead_core(inputs, rows, single)
    heights = column_numbers(facts.table, "core_height_m")
    species = str(facts.records[rows[0]]["species"])
    years = np.stack([passing_years(species, float(heights[row])) for row in rows])
    extra = years - years[rows.index(lead)]
    # P_core = P_lead + extra, so rings to add to a core = rings to add to the lead + ahead
    cases, case_weights = _cases(facts, inputs, rows, rate, missed, added, joint)
    counts = _count_cases(facts, rows, joint)
    span = int(np.ptp(inputs.innermost_year[rows])) + int(np.ptp(extra)) + 1
    low, size = start - span, added.shape[2] + 2 * span
    likelihood: dict[tuple[int, ...], Array] = {}
    patterns, frequency = np.unique(extra.reshape(len(rows), -1), axis=1, return_counts=True)
    total = np.zeros((nodes.shifts.size, size))
    for pattern, count in zip(patterns.T, frequency, strict=True):
        ahead = inputs.innermost_year[rows] - inputs.innermost_year[lead] - pattern
        shifted = [(w, tuple(int(a - e) for e, a in zip(errors, ahead, strict=True))) for w, errors in counts]
        mass = combine_cases(cases, case_weights, shifted, low, size)
        likelihood[tuple(int(value) for value in pattern)] = mass
        total += count * mass
    given = nodes.given_stand @ total
    given = given / given.sum(axis=1, keepdims=True)
    several = likelihood if np.ptp(heights[rows]) > HEIGHT_APART_M else None
    reference = int(inputs.innermost_year[lead])
    dates = tree_dates(inputs, rows, single, (reference, low, given), several)
    typical = np.median(extra.reshape(len(rows), -1), axis=1).astype(np.int64)
    places = [rows.index(row) for row in informs]
    at_lead = (inputs.innermost_year[rows] - typical)[places]
    own = combine_cores(added[places], start, at_lead, np.arange(len(places))[None, :], nodes)
    return replace(dates, conflict_p=float(own.conflict_p[0]), contradiction=bool(own.contradiction[0]))


def _cases(  # noqa: PLR0913 -- one call in one place
    facts: CoreFacts,
    inputs: CoreInputs,
    rows: list[int],
    rate: SpeciesRates,
    missed: Array,
    added: Array,
    joint: JointCount | None,
) -> tuple[list[tuple[int, Array]], Array]:
    """Mass of each core in each joint place of the pith; count errors put in where they are not joint.

    Opposite cores that were also read against each other take the margins of the joint count errors: their
    distances are far less certain than their counts.
    """
    names = [str(facts.records[row]["core"]) for row in rows]
    tied = [joint is not None and name in joint[0] for name in names]
    if not face_each_other(facts, rows):
        masses = [(0, missed[k][None]) if tied[k] else (inputs.count_start, added[k][None]) for k in range(len(rows))]
        return masses, np.ones(1)
    weights, cases = _opposite_cases(facts, inputs, rows, rate, missed.shape[2] - 1)
    masses = []
    for k, row in enumerate(rows):
        start, count = inputs.count_start, inputs.count[row]
        if joint is not None and tied[k]:
            side = joint[0].index(names[k])
            start, count = (joint[1], joint[2])[side], joint[3].sum(axis=1 - side)
        masses.append((start, added_rings(cases[k], start, np.repeat(count[None], weights.size, axis=0))))
    return masses, weights


def _count_cases(facts: CoreFacts, rows: list[int], joint: JointCount | None) -> list[tuple[float, tuple[int, ...]]]:
    """Joint cases of the count errors that were read together, with their probabilities; 0 for the other cores."""
    if joint is None or face_each_other(facts, rows):
        return [(1.0, (0,) * len(rows))]
    names = [str(facts.records[row]["core"]) for row in rows]
    pair, first, second, mass = joint
    cases = []
    for i, j in zip(*np.nonzero(mass > 1e-6), strict=True):
        errors = {pair[0]: first + int(i), pair[1]: second + int(j)}
        cases.append((float(mass[i, j]), tuple(errors.get(name, 0) for name in names)))
    return sorted(cases, reverse=True)[:_MOST_CASES]


def _opposite_cases(
    facts: CoreFacts, inputs: CoreInputs, rows: list[int], rate: SpeciesRates, most: int
) -> tuple[Array, Array]:
    """Missed rings of two opposite cores for each joint place of the pith."""
    lengths = (float(facts.length_mm[rows[0]]), float(facts.length_mm[rows[1]]))
    weights, distances = opposite_cores(float(facts.radius_mm[rows[0]]), float(facts.radius_sd_mm[rows[0]]), lengths)
    repeated = [np.full(weights.size, row) for row in rows]
    cases = [placed_mass(inputs, same, _on_grid(distances[:, k]), rate, most) for k, same in enumerate(repeated)]
    return weights, np.stack(cases)


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
