"""From cores to the posterior of every tree's pith year, batch by batch on the exact engine.

No model of its own: it feeds `posterior` with `rings` and `counting`. Most trees go through `combine_cores` together.
A tree whose cores depend on each other goes alone through `combine_cases`:

    radii on one line      two lengths share one pith and one radius: joint places of the pith are the cases
    counts read together   the joint mass of two count errors: each pair of errors shifts both cores, weighted
    several heights        P(core) = P(lead) + extra years; every pattern of extra years that the height model's
                           shared and tree values give is one likelihood, summed with its frequency
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from treeage.distance import DISTANCE_GRID_MM, DistanceSource, joint_distances, on_grid, share_a_line
from treeage.estimate.cores import Cores
from treeage.estimate.shared import Shared, SpeciesShared, missed_mass
from treeage.height import HEIGHT_APART_M
from treeage.pmf import Mass, Pmf
from treeage.posterior import (
    CONTRADICTS,
    GrowthNodes,
    HeightTie,
    TreePosterior,
    added_rings,
    align_added,
    allowed_share,
    combine_cases,
    combine_cores,
    exclude_each_other,
    tie_heights,
    worst_pair,
)
from treeage.schema import InnerEnd

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Rows = tuple[int, ...]
Trees = list[tuple[str, Rows]]

_CHUNK = 48  # choice: trees worked on at a time; keeps the arrays in the processor's cache
_SIZE_STEP = 1.5  # choice: tables of missed rings grow by this factor, so that they are built once a size
_CASES_HOLD, _MOST_CASES = 0.9999, 4000  # choice: the likeliest joint cases of count errors that hold this much


def date_trees(
    cores: Cores,
    shared: Shared,
    *,
    leads: Mapping[str, int] | None = None,
    tick: Callable[[int], object] | None = None,
) -> dict[str, TreePosterior]:
    """Date the pith of every tree that has a core with information.

    Parameters
    ----------
    cores : Cores
        All cores.
    shared : Shared
        What they share, by species.
    leads : mapping of str to int, optional
        Row of the core that a tree's dates are referred to, from `lead_cores`; chosen anew for other trees.
    tick : callable, optional
        Called with the number of trees done, for a progress bar.

    Returns
    -------
    dict of str to TreePosterior
        Trees whose cores only bound the date are left out.
    """
    chosen_lead, dated = leads or {}, {}
    for part, rows, own, missed in _batches(cores, shared, _open_trees(cores)):
        place = {int(row): k for k, row in enumerate(rows)}
        plain = []
        for tree, its in part:
            if _depend(cores, tree, its):
                mine = missed[[place[row] for row in its]]
                dated[tree] = _dependent_tree(cores, tree, own, mine, chosen_lead.get(tree))
            else:
                plain.append((tree, its))
        if plain:
            mine = missed[[place[row] for _, its in plain for row in its]]
            dated |= _plain_trees(cores, plain, own.growth, mine, chosen_lead)
        if tick:
            tick(len(part))
    return dated


def lead_cores(cores: Cores, shared: Shared) -> dict[str, int]:
    """Row of the core that says most by itself, for every tree with several cores.

    A tree that is dated several times under different errors keeps this core throughout: its pith year is that at the
    height of this core, and means nothing averaged over two heights.
    """
    leads: dict[str, int] = {}
    for part, rows, own, missed in _batches(cores, shared, [tree for tree in _open_trees(cores) if len(tree[1]) > 1]):
        added, place = added_rings(missed, cores.count[rows]), {int(row): k for k, row in enumerate(rows)}
        alone = _marginals(added.mass, own.growth)
        leads |= {tree: _lead(cores, its, alone[[place[row] for row in its]]) for tree, its in part}
    return leads


def _open_trees(cores: Cores) -> Trees:
    """Trees with a core that does more than bound the date, and the rows of all their cores."""
    return [(tree, rows) for tree, rows in cores.rows_of.items() if not cores.bound_only[list(rows)].all()]


def _batches(cores: Cores, shared: Shared, trees: Trees) -> Iterator[tuple[Trees, Ints, SpeciesShared, Array]]:
    """Trees of one species and table size, a few dozen at a time; rows of their cores, what is shared, missed rings."""

    def kind(item: tuple[str, Rows]) -> tuple[str, int]:
        rows = list(item[1])
        need = int(cores.most_rings[rows].max()) + int(np.ptp(cores.innermost_year[rows]))
        return str(cores.species[rows[0]]), table_size(need)

    kinds = {item[0]: kind(item) for item in trees}
    for (species, most), same in groupby(sorted(trees, key=lambda item: kinds[item[0]]), lambda item: kinds[item[0]]):
        group = list(same)
        for first in range(0, len(group), _CHUNK):
            part = group[first : first + _CHUNK]
            rows = np.concatenate([rows for _, rows in part])
            yield part, rows, shared[species], missed_mass(cores, rows, shared[species], most)


def table_size(rings: int) -> int:
    """Round a number of rings, at least 1, up to one of the sizes for which tables of missed rings are built.

    Examples
    --------
    >>> table_size(30) >= 30, table_size(30) == table_size(31)
    (True, True)
    """
    return int(np.ceil(16 * _SIZE_STEP ** np.ceil(np.log(max(rings, 16) / 16) / np.log(_SIZE_STEP) - 1e-9)))


def _depend(cores: Cores, tree: str, rows: Rows) -> bool:
    """Whether the cores of a tree depend on each other: several heights, counts read together, radii on one line."""
    apart = np.ptp(cores.height_m[list(rows)]) > HEIGHT_APART_M
    return bool(apart) or tree in cores.joint_counts or on_one_line(cores, rows)


def on_one_line(cores: Cores, rows: Rows) -> bool:
    """Whether a tree has just two cores near one line that both rest on radius less length: one pith, one radius."""
    if len(rows) != 2 or any(cores.source[row] != DistanceSource.RADIUS_LESS_LENGTH for row in rows):
        return False
    return share_a_line((float(cores.azimuth_deg[rows[0]]), float(cores.azimuth_deg[rows[1]])))


# ------------------------------------------------------------------ what each core says alone


def _marginals(mass: Array, nodes: GrowthNodes) -> Array:
    """Rows (n_core, n) with the shared growth summed out of (n_core, n_shift, n)."""
    return np.asarray(np.einsum("csk,s->ck", mass, nodes.weights, optimize=True))


def _lead(cores: Cores, rows: Rows, alone: Array) -> int:
    """The core of a tree that says most by itself: least variance; the one that reaches furthest back among equals."""
    spread = {row: round(Pmf(0, mass).var(), 6) for row, mass in zip(rows, alone, strict=True)}
    informing = [row for row in rows if not cores.bound_only[row]]
    return min(informing, key=lambda row: (spread[row], int(cores.innermost_year[row]), row))


@dataclass(frozen=True, eq=False)
class _Joint:
    """What all cores of a tree say together, on the axis of the lead core or of the earliest one."""

    reference_year: int
    added: Mass
    conflict_p: float
    contradiction: bool
    tie: HeightTie | None = None
    counts: Mapping[int, Mass] | None = None


def _posterior(cores: Cores, tree: str, lead: int, missed: Array, alone: Mass, joint: _Joint) -> TreePosterior:
    """Put what a tree's cores say together beside what each says alone; missed and alone have a row a core."""
    rows = cores.rows_of[tree]
    informs = tuple(row for row in rows if not cores.bound_only[row])
    each = [rows.index(row) for row in informs]
    rings = tuple(Pmf(0, missed[k]).trim(1e-7) for k in each)
    years = tuple(
        alone[k].pmf().negate().shift(int(cores.innermost_year[row])).trim(1e-7)
        for k, row in zip(each, informs, strict=True)
    )
    read = joint.counts or {}
    counts = tuple(read.get(row, cores.count[row]).pmf() for row in informs)
    parts = [_variance(cores.distance[row], own, count) for row, own, count in zip(informs, rings, counts, strict=True)]
    return TreePosterior(
        tree=tree,
        species=str(cores.species[rows[0]]),
        cores=rows,
        lead=lead,
        reference_year=joint.reference_year,
        added=joint.added,
        informs=informs,
        alone=years,
        missed=rings,
        counts=counts,
        variance=np.array(parts),
        conflict_p=joint.conflict_p,
        contradiction=joint.contradiction,
        tie=joint.tie,
    )


def _variance(distance: Array, missed: Pmf, count: Pmf) -> tuple[float, float, float]:
    """Variance of a core's added rings due to count, distance and growth (law of total variance)."""
    total, mean = missed.var(), float(distance @ DISTANCE_GRID_MM)
    if mean <= 0 or total <= 0:
        return count.var(), 0.0, total
    relative = float(distance @ (DISTANCE_GRID_MM / mean - 1) ** 2)
    by_distance = min(total, missed.mean() ** 2 * relative)
    return count.var(), by_distance, total - by_distance


# ------------------------------------------------------------------ trees with all cores at one height


def _plain_trees(
    cores: Cores, part: Trees, nodes: GrowthNodes, missed: Array, leads: Mapping[str, int]
) -> dict[str, TreePosterior]:
    """Trees whose cores are independent given the pith year and the shared growth, all at once."""
    rows = np.concatenate([rows for _, rows in part])
    added = added_rings(missed, cores.count[rows])
    cores_of_tree = np.full((len(part), max(len(own) for _, own in part)), -1)
    at = 0
    for index, (_, own) in enumerate(part):
        cores_of_tree[index, : len(own)] = np.arange(at, at + len(own))
        at += len(own)
    result = combine_cores(added, cores.innermost_year[rows], cores_of_tree, nodes, bound_only=cores.bound_only[rows])
    alone, missed_alone = Mass(added.start, _marginals(added.mass, nodes)), _marginals(missed, nodes)
    dated = {}
    for index, (tree, own) in enumerate(part):
        mine = cores_of_tree[index, : len(own)]
        lead = leads[tree] if tree in leads else _lead(cores, own, alone.mass[mine])
        joint = _Joint(
            int(result.reference_year[index]),
            result.added[index],
            float(result.conflict_p[index]),
            bool(result.contradiction[index]),
        )
        dated[tree] = _posterior(cores, tree, lead, missed_alone[mine], alone[mine], joint)
    return dated


# ------------------------------------------------------------------ trees whose cores depend on each other


@dataclass(frozen=True, eq=False)
class _Axis:
    """Axis of added rings of a tree's lead core, and how far each core is ahead of it in each pattern of years."""

    low: int
    size: int
    patterns: Ints
    ahead: Ints
    frequency: Ints

    def aligned(self, added: Mass, core: int) -> Array:
        """Mass of one core on the lead's axis for every pattern of years between the heights."""
        repeated = Mass(added.start, np.repeat(added.mass[core][None], self.frequency.size, axis=0))
        return align_added(repeated, self.ahead[core], self.low, self.size)


def _dependent_tree(cores: Cores, tree: str, own: SpeciesShared, missed: Array, lead: int | None) -> TreePosterior:
    """Date one tree whose cores depend on each other; missed, shape (n_core, n_shift, n_ring), is that of its cores."""
    rows, nodes = cores.rows_of[tree], own.growth
    every = list(rows)
    added = added_rings(missed, cores.count[every])
    alone, missed_alone = Mass(added.start, _marginals(added.mass, nodes)), _marginals(missed, nodes)
    lead = _lead(cores, rows, alone.mass) if lead is None else lead
    years = np.stack([own.height_of(cores, row).passing_years(float(cores.height_m[row])) for row in rows])
    axis = _axis(cores, rows, lead, added, years)
    masses, weights = _cases(cores, tree, own, missed, added)
    counts = _count_cases(cores, tree)

    def summed(chosen: list[int]) -> tuple[dict[tuple[int, ...], Array], Array]:
        """Likelihood of some of the cores for every pattern of years between the heights, and given the stand."""
        total, by_pattern = np.zeros((nodes.shifts.size, axis.size)), {}
        for column, times in enumerate(axis.frequency):
            ahead = axis.ahead[chosen, column]
            moved = [(w, tuple(int(a - errors[k]) for k, a in zip(chosen, ahead, strict=True))) for w, errors in counts]
            mass = combine_cases([masses[k] for k in chosen], weights, moved, axis.low, axis.size)
            by_pattern[tuple(int(value) for value in axis.patterns[:, column])] = mass
            total += times * mass
        return by_pattern, nodes.given_stand @ total / axis.frequency.sum()

    likelihood, given = summed(list(range(len(rows))))
    informs = [k for k, row in enumerate(rows) if not cores.bound_only[row]]
    aligned = [axis.aligned(added, k) for k in range(len(rows))]
    conflict = _conflict([aligned[k] for k in informs], axis, nodes)
    contradiction = len(informs) > 1 and bool(exclude_each_other(given.sum(axis=1).max(), axis.size))
    if len(informs) < len(rows):
        unbound = summed(informs)
        allowed = _allowed(aligned, informs, axis, nodes.stand_weights @ unbound[1])
        if allowed < 1 - 1e-6:
            conflict = float(np.fmin(conflict, allowed))
        if allowed < CONTRADICTS:
            (likelihood, given), contradiction = unbound, True
    tie = None
    if np.ptp(cores.height_m[every]) > HEIGHT_APART_M:
        tie = _tied(likelihood, axis, years, rows.index(lead), nodes)
    joint = _Joint(
        int(cores.innermost_year[lead]),
        Mass(axis.low, given / given.sum(axis=1, keepdims=True)),
        conflict,
        bool(contradiction),
        tie,
        _read_counts(cores, tree),
    )
    return _posterior(cores, tree, lead, missed_alone, alone, joint)


def _axis(cores: Cores, rows: Rows, lead: int, added: Mass, years: Ints) -> _Axis:
    """The lead's axis: P_core = P_lead + extra, so rings to add to a core = rings to add to the lead + ahead."""
    innermost = cores.innermost_year[list(rows)]
    extra = years - years[rows.index(lead)]
    span = int(np.ptp(innermost)) + int(np.ptp(extra)) + 1
    patterns, frequency = np.unique(extra.reshape(len(rows), -1), axis=1, return_counts=True)
    ahead = (innermost - cores.innermost_year[lead])[:, None] - patterns
    return _Axis(added.start - span, added.size + 2 * span, patterns, ahead, frequency)


def _tied(
    likelihood: Mapping[tuple[int, ...], Array], axis: _Axis, years: Ints, lead: int, nodes: GrowthNodes
) -> HeightTie:
    """Rings and years together, the lead core put first as `tie_heights` wants it."""
    order = [lead, *(k for k in range(len(years)) if k != lead)]
    patterns = {tuple(key[k] for k in order): mass for key, mass in likelihood.items()}
    return tie_heights(patterns, axis.low, years[order], nodes)


def _conflict(aligned: list[Array], axis: _Axis, nodes: GrowthNodes) -> float:
    """Predictive p value of the worst pair of cores, over the years that may lie between their heights."""
    every = np.ones((axis.frequency.size, len(aligned)), dtype=bool)
    return float(worst_pair(aligned, every, nodes.weights, mixed=axis.frequency.astype(np.float64))[0])


def _allowed(aligned: list[Array], informs: list[int], axis: _Axis, answer: Array) -> float:
    """Share of the answer of the cores with information that the others allow."""
    speaks = np.isin(np.arange(len(aligned)), informs)[None]
    middle = [np.average(each, axis=0, weights=axis.frequency)[None] for each in aligned]
    return float(allowed_share((answer / answer.sum())[None], middle, speaks, np.ones_like(speaks), 0)[0])


def _cases(cores: Cores, tree: str, own: SpeciesShared, missed: Array, added: Mass) -> tuple[list[Mass], Array]:
    """Mass of each core in each joint place of the pith; count errors put in where they are not joint.

    Cores on one line that were also read against each other take the margins of the joint count errors: their
    distances are far less certain than their counts.
    """
    rows, read = cores.rows_of[tree], _read_counts(cores, tree)
    if not on_one_line(cores, rows):
        masses = [
            Mass(0, missed[k][None]) if row in read else Mass(added.start, added.mass[k][None])
            for k, row in enumerate(rows)
        ]
        return masses, np.ones(1)
    weights, places = joint_distances(
        float(cores.radius_mm[rows[0]]),
        float(cores.radius_sd_mm[rows[0]]),
        (float(cores.length_mm[rows[0]]), float(cores.length_mm[rows[1]])),
        apart_deg=float(cores.azimuth_deg[rows[1]]) - float(cores.azimuth_deg[rows[0]]),
        no_arcs=(cores.inner_end[rows[0]] == InnerEnd.NO_ARCS, cores.inner_end[rows[1]] == InnerEnd.NO_ARCS),
    )
    masses = []
    for k, row in enumerate(rows):
        same, count = np.full(weights.size, row), read.get(row, cores.count[row])
        placed = missed_mass(cores, same, own, missed.shape[2] - 1, distance=on_grid(places[:, k]))
        masses.append(added_rings(placed, Mass(count.start, np.repeat(count.mass[None], weights.size, axis=0))))
    return masses, weights


def _read_counts(cores: Cores, tree: str) -> dict[int, Mass]:
    """Count errors of the cores that were read against each other: the margins of the joint mass."""
    if tree not in cores.joint_counts:
        return {}
    rows, starts, mass = cores.joint_counts[tree]
    return {row: Mass(starts[side], mass.sum(axis=1 - side)) for side, row in enumerate(rows)}


def _count_cases(cores: Cores, tree: str) -> list[tuple[float, tuple[int, ...]]]:
    """Joint cases of the count errors that were read together, with their probabilities; 0 for the other cores."""
    rows = cores.rows_of[tree]
    if tree not in cores.joint_counts or on_one_line(cores, rows):
        return [(1.0, (0,) * len(rows))]
    pair, (first, second), mass = cores.joint_counts[tree]
    cases = []
    for i, j in zip(*np.nonzero(mass > 1e-6), strict=True):
        errors = {pair[0]: first + int(i), pair[1]: second + int(j)}
        cases.append((float(mass[i, j]), tuple(errors.get(row, 0) for row in rows)))
    cases = sorted(cases, reverse=True)[:_MOST_CASES]
    held = np.cumsum([weight for weight, _ in cases])
    return cases[: int(np.searchsorted(held, _CASES_HOLD)) + 1]
