"""From cores to the posterior of every tree's pith year, chunk by chunk on the exact engine.

No model of its own: it feeds `posterior` with `rings` and `counting`. Most trees go through `combine_cores` together.
A tree whose cores depend on each other is the product of its blocks of cores instead:

    radii on one line      two lengths share one pith and one radius: a sum over joint places of the pith
    counts read together   the joint mass of two count errors, as a sum of a few products (singular values)
    several heights        P(core) = P(lead) + extra years; every pattern of extra years that the height model's
                           shared and tree values give is one likelihood, summed with its frequency
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import reduce

import numpy as np

from treeage.distance import DISTANCE_GRID_MM, joint_distances, on_grid
from treeage.estimate.chunks import Array, Chunk, Ints, Rows, Trees, chunks, on_one_line, open_trees, table_size
from treeage.estimate.cores import Cores
from treeage.estimate.shared import Shared, missed_at
from treeage.estimate.steps import contributions, step_covariances
from treeage.height import HEIGHT_APART_M
from treeage.pmf import Mass, Pmf
from treeage.posterior import (
    CONTRADICTS,
    RARE_COUNT,
    GrowthNodes,
    HeightTie,
    TreePosterior,
    added_rings,
    adrift,
    allowed_share,
    combine_cores,
    distinct_columns,
    exclude_each_other,
    gone_astray,
    over_shifts,
    single_cores,
    tie_heights,
    with_gross_error,
    worst_pair,
)
from treeage.schema import InnerEnd

_LINE_STEPS = 2  # choice: steps of the grid of distances that cores on one line take at a time
_COUNT_LEAST = 1e-7  # choice: count errors rarer than this are left out of joint cases
_TERM_LEAST = 3e-3  # choice: products of a joint count error with singular values below this of the largest are left


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
    chosen_lead: Mapping[str, int] = leads or {}
    dated: dict[str, TreePosterior] = {}
    for chunk in chunks(cores, shared, open_trees(cores)):
        depend = {tree for tree, its in chunk.trees if _depend(cores, tree, its)}
        for date in (_dependent_trees, _plain_trees):
            some = [each for each in chunk.trees if (each[0] in depend) == (date is _dependent_trees)]
            if some:
                mine = chunk.of(tuple(row for _, its in some for row in its))
                dated |= date(cores, some, mine, chosen_lead)
        if tick:
            tick(len(chunk.trees))
    return {tree: adrift(each, cores.drift[tree]) if tree in cores.drift else each for tree, each in dated.items()}


def lead_cores(cores: Cores, shared: Shared) -> dict[str, int]:
    """Row of the core that says most by itself, for every tree with several cores.

    A tree that is dated several times under different errors keeps this core throughout: its pith year is that at the
    height of this core, and means nothing averaged over two heights.
    """
    leads: dict[str, int] = {}
    for chunk in chunks(cores, shared, [tree for tree in open_trees(cores) if len(tree[1]) > 1]):
        alone, place = chunk.alone(chunk.added(cores)), {int(row): k for k, row in enumerate(chunk.rows)}
        leads |= {tree: _lead(cores, its, alone[[place[row] for row in its]]) for tree, its in chunk.trees}
    return leads


def _depend(cores: Cores, tree: str, rows: Rows) -> bool:
    """Whether the cores of a tree depend on each other: several heights, counts read together, radii on one line."""
    apart = np.ptp(cores.height_m[list(rows)]) > HEIGHT_APART_M
    return bool(apart) or tree in cores.joint_counts or on_one_line(cores, rows)


# ------------------------------------------------------------------ what each core says alone


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
    evidence: Array
    conflict_p: float
    contradiction: bool
    tie: HeightTie | None = None
    counts: Mapping[int, Mass] | None = None


def _posterior(
    cores: Cores, tree: str, lead: int, missed: Array, alone: Mass, joint: _Joint, chunk: Chunk
) -> TreePosterior:
    """Put what a tree's cores say together beside what each says alone; missed and alone have a row a core."""
    rows = cores.rows_of[tree]
    relative = dict(zip(chunk.rows.tolist(), chunk.by_distance, strict=True))
    informs = tuple(row for row in rows if not cores.bound_only[row])
    each = [rows.index(row) for row in informs]
    rings = tuple(Pmf(0, missed[k]).trim(1e-7) for k in each)
    years = tuple(
        alone[k].pmf().negate().shift(int(cores.innermost_year[row])).trim(1e-7)
        for k, row in zip(each, informs, strict=True)
    )
    read = joint.counts or {}
    counts = tuple(read.get(row, cores.count[row]).pmf() for row in informs)
    told = np.array([relative[row] for row in informs])
    of = (chunk.own, chunk.states)
    # a tree was there by its last year; single precision is kept, as there is one for every tree and state
    parts = contributions(step_covariances(cores, tree, informs, (rings, counts), told, *of))
    return TreePosterior(
        tree=tree,
        species=str(cores.species[rows[0]]),
        cores=rows,
        lead=lead,
        reference_year=joint.reference_year,
        added=joint.added.since(joint.reference_year - int(cores.outer_year[list(rows)].max())).compact(),
        evidence=joint.evidence,
        informs=informs,
        alone=years,
        missed=rings,
        counts=counts,
        variance=parts,
        conflict_p=joint.conflict_p,
        contradiction=joint.contradiction,
        tie=joint.tie,
    )


# ------------------------------------------------------------------ trees with all cores at one height


def _plain_trees(cores: Cores, part: Trees, chunk: Chunk, leads: Mapping[str, int]) -> dict[str, TreePosterior]:
    """Trees whose cores are independent given the pith year and the shared state, all at once."""
    span, nodes = chunk.added(cores), chunk.own.growth
    cores_of_tree = np.full((len(part), max(len(own) for _, own in part)), -1)
    at = 0
    for index, (_, own) in enumerate(part):
        cores_of_tree[index, : len(own)] = np.arange(at, at + len(own))
        at += len(own)
    bound_only, innermost = cores.bound_only[chunk.rows], cores.innermost_year[chunk.rows]
    alone, missed_alone = Mass(span.start, chunk.alone(span)), chunk.missed_alone()
    dated = {}
    for several in (False, True):
        some = np.flatnonzero(
            (cores_of_tree >= 0).sum(axis=1) > 1 if several else cores_of_tree[:, 1:].max(axis=1, initial=-1) < 0
        )
        if not some.size:
            continue
        places = cores_of_tree[some]
        if several:
            result = combine_cores(
                chunk.at_nodes(span), innermost, places, nodes, bound_only=bound_only, wrong=cores.wrong
            )
        else:
            result = single_cores(chunk.over_shifts(span), innermost, places[:, 0])
        for index, tree_at in enumerate(some):
            tree, own = part[tree_at]
            mine = cores_of_tree[tree_at, : len(own)]
            lead = leads[tree] if tree in leads else _lead(cores, own, alone.mass[mine])
            joint = _Joint(
                int(result.reference_year[index]),
                result.added[index],
                result.evidence[index],
                float(result.conflict_p[index]),
                bool(result.contradiction[index]),
            )
            dated[tree] = _posterior(cores, tree, lead, missed_alone[mine], alone[mine], joint, chunk)
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

    def on(self, mass: Mass, core: int, column: int) -> Array:
        """Mass of one core on the lead's axis for one pattern of years between the heights."""
        return mass.on(self.low + int(self.ahead[core, column]), self.size)

    def aligned(self, mass: Mass, core: int) -> Array:
        """The same for every pattern, (n_pattern, ...)."""
        return np.stack([self.on(mass, core, column) for column in range(self.frequency.size)])


Block = Callable[[_Axis, int], Array]
"""Likelihood of some cores of a tree on its axis for one pattern of years, (n_node, n_shift, n)."""


@dataclass(frozen=True, eq=False)
class _Told:
    """What each core of a tree says alone: added rings by part, added and missed rings whatever the state."""

    span: Mass  # (n_core, n_level, n_part, n_shift, n)
    alone: Mass
    missed: Array
    read: Mapping[int, Mass]  # count errors that were read together


def _dependent_trees(cores: Cores, part: Trees, chunk: Chunk, leads: Mapping[str, int]) -> dict[str, TreePosterior]:
    """Trees whose cores depend on each other: what each core says alone for all at once, then tree by tree."""
    place = {row: k for k, row in enumerate(chunk.rows.tolist())}
    read = {tree: _read_counts(cores, tree) for tree, _ in part}
    instead = {place[row]: mass for own in read.values() for row, mass in own.items()}
    counts = [_with_rows(level, instead) for level in cores.counts_at_levels(chunk.rows)]
    span = chunk.added(cores, counts)
    alone, missed = chunk.alone(span), chunk.missed_alone()
    rings, first, dated = chunk.missed.shape[-1], 0, {}
    for tree, rows in part:
        its = slice(first, first + len(rows))
        first += len(rows)
        used = [level.start + np.flatnonzero((level.mass[its] > RARE_COUNT).any(axis=0)) for level in counts]
        low = max(min(int(each[0]) for each in used), span.start)
        places = slice(low - span.start, max(int(each[-1]) for each in used) + rings - span.start)
        own = Mass(low, span.mass[its, ..., places])
        told = _Told(own, Mass(low, alone[its, places]), missed[its], read[tree])
        dated[tree] = _dependent_tree(cores, tree, chunk.of(rows), told, leads.get(tree))
    return dated


def _dependent_tree(cores: Cores, tree: str, chunk: Chunk, told: _Told, lead: int | None) -> TreePosterior:
    """Date one tree whose cores depend on each other; the chunk is that of its cores."""
    rows, own, nodes = cores.rows_of[tree], chunk.own, chunk.own.growth
    whole, alone = chunk.at_nodes(told.span), told.alone
    masses = [whole[k] for k in range(len(rows))]
    lead = _lead(cores, rows, alone.mass) if lead is None else lead
    years = np.stack([own.height_of(cores, row).passing_years(float(cores.height_m[row])) for row in rows])
    axis = _axis(cores, rows, lead, whole, years)
    near = replace(axis, low=whole.start, size=whole.size)  # where the lead core has mass: no product is elsewhere
    mean = [Mass(mass.start, np.einsum("s,sck->ck", nodes.node_weights, mass.mass)) for mass in masses]
    lost = [Mass(mass.start, gone_astray(nodes.weights @ mass.mass)) for mass in mean]
    pair, block = _joint_block(cores, tree, chunk, masses, lost)
    factors = [
        Mass(mass.start, with_gross_error(mass.mass, other.mass, cores.wrong))
        for mass, other in zip(masses, lost, strict=True)
    ]

    def summed(chosen: list[int]) -> tuple[dict[tuple[int, ...], Array], Array]:
        """Likelihood by state of some of the cores for every pattern of years between the heights, and their mean."""
        joint = pair if set(pair) <= set(chosen) else ()
        by_pattern, total = {}, np.zeros((len(nodes.given_stand), near.size))
        for column, times in enumerate(axis.frequency):
            likely = [block(near, column)] if joint else []
            likely += [near.on(factors[k], k, column) for k in chosen if k not in joint]
            mass = over_shifts(nodes, reduce(np.multiply, likely)[None])[0]
            by_pattern[tuple(int(value) for value in axis.patterns[:, column])] = mass
            total += times * mass
        return by_pattern, total / axis.frequency.sum()

    likelihood, given = summed(list(range(len(rows))))
    informs = [k for k, row in enumerate(rows) if not cores.bound_only[row]]
    aligned = [axis.aligned(mass, k) for k, mass in enumerate(mean)]
    conflict = _conflict([aligned[k] for k in informs], axis, nodes)
    middle = [np.average(each, axis=0, weights=axis.frequency)[None] for each in aligned]
    others = [np.average(axis.aligned(mass, k), axis=0, weights=axis.frequency)[None] for k, mass in enumerate(lost)]
    each = [middle[k] for k in informs], [others[k] for k in informs]
    contradiction = len(informs) > 1 and bool(exclude_each_other(*each, nodes.weights, cores.wrong)[0])
    if len(informs) < len(rows):
        unbound = summed(informs)
        allowed = _allowed(middle, informs, Mass(near.low, nodes.stand_weights @ unbound[1]).on(axis.low, axis.size))
        if allowed < 1 - 1e-6:
            conflict = float(np.fmin(conflict, allowed))
        if allowed < CONTRADICTS:
            (likelihood, given), contradiction = unbound, True
    tie = None
    if np.ptp(cores.height_m[list(rows)]) > HEIGHT_APART_M:
        tie = _tied(likelihood, near.low, years, rows.index(lead), nodes)
    evidence = given.sum(axis=1)
    joint = _Joint(
        int(cores.innermost_year[lead]),
        Mass(near.low, given / evidence[:, None]),
        evidence,
        conflict,
        bool(contradiction),
        tie,
        told.read,
    )
    return _posterior(cores, tree, lead, told.missed, alone, joint, chunk)


def _with_rows(count: Mass, others: Mapping[int, Mass]) -> Mass:
    """Masses with some rows replaced."""
    if not others:
        return count
    start = min(count.start, *(mass.start for mass in others.values()))
    size = max(count.stop, *(mass.stop for mass in others.values())) + 1 - start
    out = count.on(start, size)
    for row, mass in others.items():
        out[row] = mass.on(start, size)
    return Mass(start, out)


def _axis(cores: Cores, rows: Rows, lead: int, added: Mass, years: Ints) -> _Axis:
    """The lead's axis: P_core = P_lead + extra, so rings to add to a core = rings to add to the lead + ahead."""
    innermost = cores.innermost_year[list(rows)]
    extra = years - years[rows.index(lead)]
    span = int(np.ptp(innermost)) + int(np.ptp(extra)) + 1
    flat = extra.reshape(len(rows), -1)
    apart = bool(np.ptp(cores.height_m[list(rows)]) > HEIGHT_APART_M)  # else no years lie between the cores
    patterns, place = distinct_columns(flat if apart else 0 * flat[:, :1])
    ahead = (innermost - cores.innermost_year[lead])[:, None] - patterns
    return _Axis(added.start - span, added.size + 2 * span, patterns, ahead, np.bincount(place))


def _tied(
    likelihood: Mapping[tuple[int, ...], Array], low: int, years: Ints, lead: int, nodes: GrowthNodes
) -> HeightTie:
    """Rings and years together, the lead core put first as `tie_heights` wants it."""
    order = [lead, *(k for k in range(len(years)) if k != lead)]
    patterns = {tuple(key[k] for k in order): mass for key, mass in likelihood.items()}
    tie = tie_heights(patterns, low, years[order], nodes)
    return replace(tie, joint=tie.joint.compact())


def _conflict(aligned: list[Array], axis: _Axis, nodes: GrowthNodes) -> float:
    """Predictive p value of the worst pair of cores, over the years that may lie between their heights."""
    every = np.ones((axis.frequency.size, len(aligned)), dtype=bool)
    return float(worst_pair(aligned, every, nodes.weights, mixed=axis.frequency.astype(np.float64))[0])


def _allowed(middle: list[Array], informs: list[int], answer: Array) -> float:
    """Share of the answer of the cores with information that the others allow."""
    speaks = np.isin(np.arange(len(middle)), informs)[None]
    return float(allowed_share((answer / answer.sum())[None], middle, speaks, np.ones_like(speaks), 0)[0])


def _joint_block(
    cores: Cores, tree: str, chunk: Chunk, masses: list[Mass], lost: list[Mass]
) -> tuple[tuple[int, ...], Block]:
    """Places of the two cores of a tree that depend on each other at one height, if any, and their likelihood.

    Cores on one line that were also read against each other take the margins of the joint count errors: their
    distances are far less certain than their counts.
    """
    rows = cores.rows_of[tree]
    pair: tuple[int, ...] = (0, 1)
    if on_one_line(cores, rows):
        products = _line_products(cores, tree, chunk)
    elif tree in cores.joint_counts:
        pair, products = _count_products(cores, tree, chunk)
    else:
        return (), lambda axis, column: np.ones((1, 1, 1))
    wrong = cores.wrong

    def block(axis: _Axis, column: int) -> Array:
        out = products(axis, column)
        one, two = (axis.on(masses[k], k, column) for k in pair)
        alone, other = (wrong * axis.on(lost[k], k, column) for k in pair)
        np.maximum(out, 0.0, out=out)
        out *= (1 - wrong) ** 2
        one *= (1 - wrong) * other
        two *= (1 - wrong) * alone
        out += one
        out += two
        out += alone * other
        return out

    return pair, block


def _line_products(cores: Cores, tree: str, chunk: Chunk) -> Block:
    """Likelihood of two cores on one line: a sum over joint places of the pith, weighted by state."""
    rows, read, aim = cores.rows_of[tree], _read_counts(cores, tree), chunk.states.aim
    weights, places = joint_distances(
        float(cores.radius_mm[rows[0]]),
        float(cores.radius_sd_mm[rows[0]]),
        (float(cores.length_mm[rows[0]]), float(cores.length_mm[rows[1]])),
        apart_deg=float(cores.azimuth_deg[rows[1]]) - float(cores.azimuth_deg[rows[0]]),
        no_arcs=(cores.inner_end[rows[0]] == InnerEnd.NO_ARCS, cores.inner_end[rows[1]] == InnerEnd.NO_ARCS),
        eccentricity=aim.eccentricity,
        sight=aim.sight,
    )
    span, grid = int(np.ptp(cores.innermost_year[list(rows)])), DISTANCE_GRID_MM
    most = min(table_size(int(cores.most_rings[list(rows)].min()) + span), chunk.missed.shape[-1] - 1)
    splits = [on_grid(places[:, k], every=_LINE_STEPS) for k in (0, 1)]
    core, used = np.nonzero([split.any(axis=0) for split in splits])
    missed = missed_at(cores, np.asarray(rows)[core], chunk.own, most, grid[used])
    missed[:, :, -1] = 0.0  # what lies beyond the shorter range, the other core rules out
    counts = Mass.stack([read.get(row, cores.count[row]).pmf().trim(_COUNT_LEAST) for row in rows])
    added, placed = added_rings(missed, counts[core]), []
    for k, split in enumerate(splits):
        its = added.mass[core == k]
        flat = split[:, used[core == k]].astype(its.dtype) @ its.reshape(len(its), -1)
        placed.append(Mass(added.start, flat.reshape(len(places), *its.shape[1:])))

    weights = weights.astype(placed[0].mass.dtype)

    def products(axis: _Axis, column: int) -> Array:
        begin = [mass.start - axis.low - int(axis.ahead[k, column]) for k, mass in enumerate(placed)]  # on the axis
        first, last = max(0, *begin), min(axis.size, *(at + mass.size for at, mass in zip(begin, placed, strict=True)))
        both = np.zeros((len(weights), placed[0].mass.shape[1], axis.size), dtype=weights.dtype)
        if last > first:
            one, two = (mass.mass[..., first - at : last - at] for at, mass in zip(begin, placed, strict=True))
            both[..., first:last] = (weights @ (one * two).reshape(len(one), -1)).reshape(
                len(weights), -1, last - first
            )
        return both

    return products


def _count_products(cores: Cores, tree: str, chunk: Chunk) -> tuple[tuple[int, ...], Block]:
    """Likelihood of two cores whose count errors were read together: the joint mass as a sum of a few products."""
    pair, starts, mass = cores.joint_counts[tree]
    left, size, right = np.linalg.svd(mass)
    kept = int((size > _TERM_LEAST * size[0]).sum())
    terms = []
    for row, start, vectors, weight in zip(pair, starts, (left.T, right), (size[:kept], np.ones(kept)), strict=True):
        own = chunk.of((row,))
        added = own.added(cores, [Mass(start, vectors[[k]] * weight[k]) for k in range(kept)])
        each = own.share[:, 0].astype(added.mass.dtype) @ added.mass[0].reshape(kept, own.missed.shape[1], -1)
        terms.append(Mass(added.start, each.reshape(kept, -1, *added.mass.shape[3:])))
    places = tuple(cores.rows_of[tree].index(row) for row in pair)

    def products(axis: _Axis, column: int) -> Array:
        one, two = (axis.on(each, place, column) for each, place in zip(terms, places, strict=True))
        one *= two
        return np.asarray(one.sum(axis=0))

    return places, products


def _read_counts(cores: Cores, tree: str) -> dict[int, Mass]:
    """Count errors of the cores that were read against each other: the margins of the joint mass."""
    if tree not in cores.joint_counts:
        return {}
    rows, starts, mass = cores.joint_counts[tree]
    return {row: Mass(starts[side], mass.sum(axis=1 - side)) for side, row in enumerate(rows)}
