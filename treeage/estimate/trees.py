"""From core inputs to the pith-year posterior of every tree, batch by batch on the exact engine.

No model of its own: it feeds `posterior` with `rings` and `counting`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from treeage import priors
from treeage.distance import DISTANCE_GRID_MM, joint_distances, share_a_line
from treeage.estimate.cores import HEIGHT_APART_M, CoreFacts, CoreInputs, column_numbers
from treeage.estimate.shared import HeightTable, SpeciesRates, missed_mass, placed_mass
from treeage.pmf import Pmf
from treeage.posterior import (
    CONTRADICTS,
    RateNodes,
    added_rings,
    align_added,
    allowed_share,
    combine_cases,
    combine_cores,
    establishment_given_shared,
    worst_pair,
)


@dataclass(frozen=True)
class TiedHeights:
    """What a tree cored at several heights says of rings and years together.

    Parameters
    ----------
    start : int
        First number of added rings + years to the lead core's height.
    joint : numpy.ndarray, shape (n_stand, n_shared, n)
        Their mass for each shared value.
    evidence : numpy.ndarray, shape (n_shared,)
        How well each shared value of the height model fits the tree.
    years_start : int
        First number of years to the lead core's height.
    years : numpy.ndarray, shape (n_shared, n_years)
        Mass of those years, given the tree.
    """

    start: int
    joint: Array
    evidence: Array
    years_start: int
    years: Array


def tie_heights(
    dates: TreeDates, facts: CoreFacts, heights: HeightTable, species: str, nodes: RateNodes
) -> TiedHeights:
    """Sum a tree's likelihood over the shared and tree values of the height model.

    Parameters
    ----------
    dates : TreeDates
        With a likelihood for each pattern of extra years.
    facts : CoreFacts
        All cores.
    heights : HeightTable
        Years to height.
    species : str
        Species of the tree.
    nodes : RateNodes
        The shared growth rate.

    Returns
    -------
    TiedHeights
        Referred to the lead core.

    Notes
    -----
    Slow to one height is slow to the other: the tree's value of the height model is one for all its cores.
    """
    rows = list(dates.cores)
    place = rows.index(dates.lead)
    years = np.stack([heights.passing_years(species, float(facts.records[row]["core_height_m"])) for row in rows])
    order = [place, *(k for k in range(len(rows)) if k != place)]
    likelihood = dates.likelihood or {}
    patterns = {tuple(key[k] for k in order): mass for key, mass in likelihood.items()}
    low, joint, evidence = establishment_given_shared(patterns, years[order], nodes)
    extra = years - years[place]
    first = int(years[place].min())
    years_mass = np.zeros((years.shape[1], int(years[place].max()) - first + 1))
    for key, mass in likelihood.items():
        weight = float(nodes.weights @ mass.sum(axis=1))
        match = np.all(extra == np.asarray(key)[:, None, None], axis=0)
        for shared, node in zip(*np.nonzero(match), strict=True):
            years_mass[shared, years[place, shared, node] - first] += weight
    years_mass /= np.maximum(years_mass.sum(axis=1, keepdims=True), 1e-300)
    return TiedHeights(low + dates.start, joint, evidence, first, years_mass)


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


_CHUNK = 48  # choice: trees worked on at a time; keeps the arrays in the processor's cache


def date_trees(
    facts: CoreFacts,
    inputs: CoreInputs,
    rates: Mapping[str, SpeciesRates],
    passing_years: Callable[[str, float], Ints],
    *,
    joint_counts: JointCounts | None = None,
    leads: Mapping[str, int] | None = None,
    tick: Callable[[int], object] | None = None,
) -> dict[str, TreeDates]:
    """Date the pith of every tree that has a core with information.

    Parameters
    ----------
    facts, inputs : CoreFacts, CoreInputs
        From `core_facts` and `core_inputs`.
    rates : mapping of str to SpeciesRates
        From `species_rates`.
    passing_years : callable
        Species and height [m] to whole years to that height, shape (n_shared, n_tree_node).
    joint_counts : mapping, optional
        Joint count errors of trees whose cores were read against each other.
    leads : mapping of str to int, optional
        Row of the core that a tree's dates are referred to, from `lead_cores`; chosen anew for other trees.
    tick : callable, optional
        Called with the number of trees done, for a progress bar.

    Returns
    -------
    dict of str to TreeDates
        Trees whose cores only bound the date are left out.
    """
    joint, chosen_lead = joint_counts or {}, leads or {}
    heights = column_numbers(facts.table, "core_height_m")
    dated: dict[str, TreeDates] = {}
    for part, every, rate, missed in _batches(facts, inputs, rates, _open_trees(facts, inputs)):
        place = {int(row): k for k, row in enumerate(every)}
        plain = []
        for tree, rows in part:
            apart = np.ptp(heights[rows]) > HEIGHT_APART_M
            if apart or tree in joint or on_one_line(facts, rows):
                own = missed[[place[row] for row in rows]]
                dated[tree] = special_tree(
                    facts, inputs, rows, rate, passing_years, own, joint.get(tree), lead=chosen_lead.get(tree)
                )
            else:
                plain.append((tree, rows))
        if plain:
            chosen = [place[row] for _, rows in plain for row in rows]
            dated |= _plain_trees(inputs, plain, rate.nodes, missed[chosen], chosen_lead)
        if tick:
            tick(len(part))
    return dated


def lead_cores(facts: CoreFacts, inputs: CoreInputs, rates: Mapping[str, SpeciesRates]) -> dict[str, int]:
    """Choose the core that says most by itself, for every tree with several cores.

    Parameters
    ----------
    facts, inputs : CoreFacts, CoreInputs
        All cores.
    rates : mapping of str to SpeciesRates
        Shared growth rate by species.

    Returns
    -------
    dict of str to int
        Row of that core, by tree; trees with one core are left out.

    Notes
    -----
    A tree that is dated several times under different errors keeps this core throughout: its pith year is that at the
    height of this core, and means nothing averaged over two heights.
    """
    several = [(tree, rows) for tree, rows in _open_trees(facts, inputs) if len(rows) > 1]
    leads: dict[str, int] = {}
    for part, every, rate, missed in _batches(facts, inputs, rates, several):
        added = added_rings(missed, inputs.count_start, inputs.count[every])
        alone, missed_alone = core_marginals(missed, added, rate.nodes)
        single = {int(row): (missed_alone[k], alone[k]) for k, row in enumerate(every)}
        leads |= {tree: lead_core(inputs, rows, single) for tree, rows in part}
    return leads


def _open_trees(facts: CoreFacts, inputs: CoreInputs) -> list[tuple[str, list[int]]]:
    """Trees with a core that does more than bound the date, and the rows of all their cores."""
    rows_of: dict[str, list[int]] = {}
    for row, tree in enumerate(facts.table["tree"]):
        rows_of.setdefault(str(tree), []).append(row)
    return [(tree, rows) for tree, rows in rows_of.items() if not inputs.bound_only[rows].all()]


def _batches(
    facts: CoreFacts, inputs: CoreInputs, rates: Mapping[str, SpeciesRates], trees: list[tuple[str, list[int]]]
) -> Iterator[tuple[list[tuple[str, list[int]]], Ints, SpeciesRates, Array]]:
    """Trees of one species and table size, the rows of their cores, their rate and their missed rings."""
    kind = {tree: (str(facts.records[rows[0]]["species"]), rung(_need(inputs, rows))) for tree, rows in trees}
    for part in _chunks(sorted(trees, key=lambda item: kind[item[0]]), kind):
        every = np.concatenate([rows for _, rows in part])
        species, most = kind[part[0][0]]
        yield part, every, rates[species], missed_mass(inputs, every, rates[species], most)


def _chunks(
    trees: list[tuple[str, list[int]]], kind: dict[str, tuple[str, int]]
) -> Iterator[list[tuple[str, list[int]]]]:
    """Trees of one species and table size, a few dozen at a time."""
    for _, same in groupby(trees, key=lambda item: kind[item[0]]):
        group = list(same)
        for first in range(0, len(group), _CHUNK):
            yield group[first : first + _CHUNK]


def _need(inputs: CoreInputs, rows: list[int]) -> int:
    """Missed rings that the tree's axis must reach."""
    return int(inputs.most_rings[rows].max()) + int(np.ptp(inputs.innermost_year[rows]))


def _plain_trees(
    inputs: CoreInputs,
    part: list[tuple[str, list[int]]],
    nodes: RateNodes,
    missed: Array,
    leads: Mapping[str, int],
) -> dict[str, TreeDates]:
    """Trees with all cores at one height: the batch path."""
    rows = np.concatenate([rows for _, rows in part])
    added = added_rings(missed, inputs.count_start, inputs.count[rows])
    widest = max(len(own) for _, own in part)
    cores_of_tree = np.full((len(part), widest), -1)
    at = 0
    for index, (_, own) in enumerate(part):
        cores_of_tree[index, : len(own)] = np.arange(at, at + len(own))
        at += len(own)
    bound_only = inputs.bound_only[rows]
    innermost = inputs.innermost_year[rows]
    result = combine_cores(added, inputs.count_start, innermost, cores_of_tree, nodes, bound_only=bound_only)
    alone, missed_alone = core_marginals(missed, added, nodes)
    dated = {}
    for index, (tree, own) in enumerate(part):
        local = cores_of_tree[index, : len(own)]
        single = {row: (missed_alone[k], alone[k]) for row, k in zip(own, local, strict=True)}
        posterior = (int(result.reference_year[index]), result.start, result.given_stand[index])
        dated[tree] = tree_dates(inputs, own, single, posterior, lead=leads.get(tree))
        dated[tree] = replace(
            dated[tree], conflict_p=float(result.conflict_p[index]), contradiction=bool(result.contradiction[index])
        )
    return dated
