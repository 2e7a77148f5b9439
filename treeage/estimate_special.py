"""Trees whose cores depend on each other: radii on one line, counts read against each other, several heights.

Layer 4, part of the family of `estimate`. No model of its own: joint cases for `posterior.combine_cases`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from treeage import priors
from treeage.distance_joint import joint_distances, share_a_line
from treeage.estimate_cores import HEIGHT_APART_M, CoreFacts, column_numbers
from treeage.estimate_dates import TreeDates, core_marginals, lead_core, tree_dates
from treeage.estimate_inputs import CoreInputs
from treeage.estimate_stand import SpeciesRates, placed_mass
from treeage.grids import DISTANCE_GRID_MM
from treeage.pmf import Pmf
from treeage.posterior import RateNodes, added_rings, align_added, combine_cases
from treeage.posterior_conflict import CONTRADICTS, allowed_share, worst_pair

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_CASES_HOLD, _MOST_CASES = 0.9999, 4000  # choice: the likeliest joint cases of count errors that hold this much

JointCount = tuple[tuple[str, str], int, int, Array]
"""Ids of two cores, the first count error of each, and the joint mass of their count errors."""
JointCounts = Mapping[str, JointCount]
"""Joint count errors by tree."""


def on_one_line(facts: CoreFacts, rows: list[int]) -> bool:
    """Tell whether a tree has just two cores near one line that both rest on radius less length.

    Parameters
    ----------
    facts : CoreFacts
        All cores.
    rows : list of int
        Cores of one tree.

    Returns
    -------
    bool
        True where their distances depend on one pith and one radius.
    """
    if len(rows) != 2 or any(facts.methods[row] != "radius less core length" for row in rows):
        return False
    return share_a_line(_azimuths(facts, rows))


def _azimuths(facts: CoreFacts, rows: list[int]) -> tuple[float, float]:
    first, second = column_numbers(facts.table, "azimuth_deg")[rows]
    return float(first), float(second)


def special_tree(  # noqa: PLR0913 -- one call in one place
    facts: CoreFacts,
    inputs: CoreInputs,
    rows: list[int],
    rate: SpeciesRates,
    passing_years: Callable[[str, float], Ints],
    missed: Array,
    joint: JointCount | None,
    *,
    lead: int | None = None,
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
    lead : int, optional
        Row of the core that the dates are referred to.

    Returns
    -------
    TreeDates
        Referred to the core that says most by itself where none is given.
    """
    nodes = rate.nodes
    start = inputs.count_start
    added = added_rings(missed, start, inputs.count[rows])
    alone, missed_alone = core_marginals(missed, added, nodes)
    single = {row: (missed_alone[k], alone[k]) for k, row in enumerate(rows)}
    informs = [row for row in rows if not inputs.bound_only[row]]
    lead = lead_core(inputs, rows, single) if lead is None else lead
    heights = column_numbers(facts.table, "core_height_m")
    species = str(facts.records[rows[0]]["species"])
    years = np.stack([passing_years(species, float(heights[row])) for row in rows])
    extra = years - years[rows.index(lead)]
    # P_core = P_lead + extra, so rings to add to a core = rings to add to the lead + ahead
    cases, case_weights = _cases(facts, inputs, rows, rate, missed, added, joint)
    counts = _count_cases(facts, rows, joint)
    span = int(np.ptp(inputs.innermost_year[rows])) + int(np.ptp(extra)) + 1
    low, size = start - span, added.shape[2] + 2 * span
    patterns, frequency = np.unique(extra.reshape(len(rows), -1), axis=1, return_counts=True)
    ahead = (inputs.innermost_year[rows] - inputs.innermost_year[lead])[:, None] - patterns
    axis = _Axis(low, size, ahead, frequency)

    def summed(chosen: list[int]) -> tuple[dict[tuple[int, ...], Array], Array]:
        """Likelihood of some of the cores for every pattern of years between the heights, and given the stand."""
        total = np.zeros((nodes.shifts.size, size))
        likelihood: dict[tuple[int, ...], Array] = {}
        picked = [(w, tuple(errors[k] for k in chosen)) for w, errors in counts]
        for column, count in enumerate(frequency):
            move = ahead[chosen, column]
            shifted = [(w, tuple(int(a - e) for e, a in zip(errors, move, strict=True))) for w, errors in picked]
            mass = combine_cases([cases[k] for k in chosen], case_weights, shifted, low, size)
            likelihood[tuple(int(value) for value in patterns[:, column])] = mass
            total += count * mass
        return likelihood, nodes.given_stand @ total / frequency.sum()

    likelihood, given = summed(list(range(len(rows))))
    places = [rows.index(row) for row in informs]
    laid = [_laid(added[k], start, axis, k) for k in range(len(rows))]
    conflict = _conflict(laid, places, axis, nodes)
    contradiction = len(places) > 1 and given.sum(axis=1).max() < 4 * priors.GROSS_ERROR.value / size
    if len(places) < len(rows):
        unbound = summed(places)
        share = _share_allowed(laid, places, axis, nodes.stand_weights @ unbound[1])
        if share < 1 - 1e-6:
            conflict = float(np.fmin(conflict, share))
        if share < CONTRADICTS:
            (likelihood, given), contradiction = unbound, True
    several = likelihood if np.ptp(heights[rows]) > HEIGHT_APART_M else None
    posterior = (int(inputs.innermost_year[lead]), low, given / given.sum(axis=1, keepdims=True))
    read = _read_counts(facts, rows, joint)
    dates = tree_dates(inputs, rows, single, posterior, several, lead=lead, read_counts=read)
    return replace(dates, conflict_p=conflict, contradiction=bool(contradiction))


@dataclass(frozen=True)
class _Axis:
    """Axis of added rings of a tree's lead core, and how far each core is ahead of it in each pattern of years."""

    low: int
    size: int
    ahead: Ints
    frequency: Ints


def _laid(added: Array, start: int, axis: _Axis, core: int) -> Array:
    """Mass of one core on the lead's axis for every pattern of years between the heights."""
    repeated = np.repeat(added[None], axis.frequency.size, axis=0)
    return align_added(repeated, start, axis.ahead[core], axis.low, axis.size)


def _conflict(laid: list[Array], places: list[int], axis: _Axis, nodes: RateNodes) -> float:
    """Predictive p value of the worst pair of cores, over the years that may lie between their heights."""
    every = np.ones((axis.frequency.size, len(places)), dtype=bool)
    return float(
        worst_pair([laid[k] for k in places], every, nodes.weights, mixed=axis.frequency.astype(np.float64))[0]
    )


def _share_allowed(laid: list[Array], places: list[int], axis: _Axis, answer: Array) -> float:
    """Share of the answer of the cores with information that the others allow."""
    speaks = np.isin(np.arange(len(laid)), places)[None]
    middle = [np.average(each, axis=0, weights=axis.frequency)[None] for each in laid]
    return float(allowed_share((answer / answer.sum())[None], middle, speaks, np.ones_like(speaks), 0)[0])


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

    Cores on one line that were also read against each other take the margins of the joint count errors: their
    distances are far less certain than their counts.
    """
    names = [str(facts.records[row]["core"]) for row in rows]
    tied = [joint is not None and name in joint[0] for name in names]
    if not on_one_line(facts, rows):
        masses = [(0, missed[k][None]) if tied[k] else (inputs.count_start, added[k][None]) for k in range(len(rows))]
        return masses, np.ones(1)
    weights, cases = _line_cases(facts, inputs, rows, rate, missed.shape[2] - 1)
    masses = []
    for k, row in enumerate(rows):
        start, count = inputs.count_start, inputs.count[row]
        if joint is not None and tied[k]:
            side = joint[0].index(names[k])
            start, count = (joint[1], joint[2])[side], joint[3].sum(axis=1 - side)
        masses.append((start, added_rings(cases[k], start, np.repeat(count[None], weights.size, axis=0))))
    return masses, weights


def _read_counts(facts: CoreFacts, rows: list[int], joint: JointCount | None) -> dict[int, Pmf]:
    """Count errors of the cores that were read against each other: the margins of the joint mass."""
    if joint is None:
        return {}
    names, *starts, mass = joint
    row_of = {str(facts.records[row]["core"]): row for row in rows}
    return {row_of[name]: Pmf(starts[k], mass.sum(axis=1 - k)) for k, name in enumerate(names) if name in row_of}


def _count_cases(facts: CoreFacts, rows: list[int], joint: JointCount | None) -> list[tuple[float, tuple[int, ...]]]:
    """Joint cases of the count errors that were read together, with their probabilities; 0 for the other cores."""
    if joint is None or on_one_line(facts, rows):
        return [(1.0, (0,) * len(rows))]
    names = [str(facts.records[row]["core"]) for row in rows]
    pair, first, second, mass = joint
    cases = []
    for i, j in zip(*np.nonzero(mass > 1e-6), strict=True):
        errors = {pair[0]: first + int(i), pair[1]: second + int(j)}
        cases.append((float(mass[i, j]), tuple(errors.get(name, 0) for name in names)))
    cases = sorted(cases, reverse=True)[:_MOST_CASES]
    held = np.cumsum([weight for weight, _ in cases])
    return cases[: int(np.searchsorted(held, _CASES_HOLD)) + 1]


def _line_cases(
    facts: CoreFacts, inputs: CoreInputs, rows: list[int], rate: SpeciesRates, most: int
) -> tuple[Array, Array]:
    """Missed rings of two cores near one line for each joint place of the pith."""
    first, second = _azimuths(facts, rows)
    blind = [str(facts.records[row]["inner_end"]) == "no_arcs" for row in rows]
    weights, distances = joint_distances(
        float(facts.radius_mm[rows[0]]),
        float(facts.radius_sd_mm[rows[0]]),
        (float(facts.length_mm[rows[0]]), float(facts.length_mm[rows[1]])),
        apart_deg=second - first,
        no_arcs=(blind[0], blind[1]),
    )
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
