"""From core inputs to the pith-year posterior of every tree, batch by batch on the exact engine.

Layer 4, part of the family of `estimate`. No model of its own: it feeds `posterior` with `rings` and `counting`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from treeage.estimate_cores import HEIGHT_APART_M, CoreFacts, column_numbers
from treeage.estimate_dates import TreeDates, core_marginals, lead_core, rung, tree_dates
from treeage.estimate_inputs import CoreInputs
from treeage.estimate_special import JointCounts, on_one_line, special_tree
from treeage.estimate_stand import SpeciesRates, missed_mass
from treeage.posterior import RateNodes, added_rings, combine_cores

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

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
