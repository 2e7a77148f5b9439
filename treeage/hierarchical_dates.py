"""From draws of the parameters to the dates of every tree: the exact engine for groups of like draws, averaged.

Layer 5, part of the family of `hierarchical`. Rao-Blackwellised: years are never sampled to get a mass function; own
derivation.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from treeage.estimate_answers import Workings, minimum_answer, tree_answer
from treeage.estimate_dates import TreeDates
from treeage.estimate_heights import HeightTable, TiedHeights, tie_heights
from treeage.estimate_stand import SpeciesRates
from treeage.estimate_trees import date_trees, lead_cores
from treeage.hierarchical_data import StandData
from treeage.hierarchical_draws import Draws, drawn_heights, drawn_inputs, drawn_rates, like_draws, taken_heights
from treeage.hierarchical_factors import SHIFTS
from treeage.hierarchical_sampling import GROUPS
from treeage.pmf import Pmf
from treeage.posterior import RateNodes
from treeage.results_tree import TreeAge

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


def learned_answers(
    data: StandData,
    draws: Draws,
    records: Sequence[Mapping[str, Any]],
    *,
    prob: float,
    seed: int,
    tick: Callable[[int], object] | None = None,
) -> tuple[list[TreeAge], Workings]:
    """Date every tree under every draw of the parameters, and average.

    Parameters
    ----------
    data : StandData
        The stand.
    draws : mapping of str to numpy.ndarray
        Parameters, the first axis the draws (about a hundred).
    records : sequence of mapping
        Rows of trees.csv.
    prob : float
        Probability of the intervals in the tables of cores.
    seed : int
        For the growth forms of the height draws.
    tick : callable, optional
        Called with 1 after each run of the exact engine.

    Returns
    -------
    list of TreeAge and Workings
        The shared nodes of every tree's parts are the draws, sorted by group: node k of the growth rate goes with
        node k of the heights. Every tree keeps one lead core, the one that says most under the errors as stated.
    """
    size = len(draws["rate_bias"])
    models = drawn_heights(data, draws, np.random.default_rng(seed))
    facts = data.cores.facts
    leads = lead_cores(facts, data.cores.inputs, data.cores.rates)
    group = like_draws(data, draws, min(GROUPS, size))
    order = np.argsort(group, kind="stable")
    every: list[dict[str, TreeDates]] = []
    tied: dict[str, list[TiedHeights]] = {}
    for place in range(group.max() + 1):
        members = np.flatnonzero(group == place)
        own = {name: np.asarray(values)[members] for name, values in draws.items()}
        some = HeightTable({name: taken_heights(model, members) for name, model in models.items()})
        rates, inputs = drawn_rates(data, own), drawn_inputs(data, own)
        joint = data.cores.readings.joint
        dated = date_trees(facts, inputs, rates, some.passing_years, joint_counts=joint, leads=leads)
        every.append(dated)
        for tree, dates in dated.items():
            if dates.likelihood is not None:
                species = str(facts.records[dates.lead]["species"])
                tied.setdefault(tree, []).append(tie_heights(dates, facts, some, species, rates[species].nodes))
        if tick:
            tick(1)
    ordered = {name: taken_heights(model, order) for name, model in models.items()}
    heights = HeightTable(ordered, data.height_groups)
    stand = {name: _averaged_rate(rate, size) for name, rate in data.cores.rates.items()}
    joined = {tree: join_ties(parts) for tree, parts in tied.items()}
    workings = Workings(facts, data.cores.inputs, heights, stand, joined, data.cores.readings.trees)
    answers = []
    for record in records:
        tree = str(record["tree"])
        rows = np.flatnonzero(facts.table["tree"] == tree)
        if not rows.size:
            continue
        if tree in every[0]:
            answer = tree_answer(record, join_dates([dated[tree] for dated in every]), workings, prob=prob)
            answers.append(_compact(answer))
        else:
            answers.append(minimum_answer(record, rows, facts, prob=prob))
    return answers, workings


def _averaged_rate(rate: SpeciesRates, size: int) -> SpeciesRates:
    """Rate whose stand nodes are the draws, equally likely."""
    nodes = RateNodes(SHIFTS, np.full(size, 1.0 / size), np.full((size, SHIFTS.size), 1.0 / SHIFTS.size))
    return replace(rate, nodes=nodes)


def _compact(answer: TreeAge) -> TreeAge:
    """Keep of a tree cored at two heights only the pairs of draws that belong together."""
    parts = answer.parts
    if parts is None or parts.joint is None:
        return answer
    return replace(answer, parts=replace(parts, joint=np.ascontiguousarray(parts.joint[:1])))


def join_dates(parts: Sequence[TreeDates]) -> TreeDates:
    """Average the dates of one tree over draws, the draws kept as values of the stand's part.

    Parameters
    ----------
    parts : sequence of TreeDates
        One a group of draws, all with the same lead core.

    Returns
    -------
    TreeDates
        Referred to that core.
    """
    reference = parts[0].reference_year
    rows = [(part.start + reference - part.reference_year, row) for part in parts for row in part.given_stand]
    start, given = _side_by_side(rows)
    share = np.array([len(part.given_stand) for part in parts]) / len(rows)
    informs = list(parts[0].alone)
    conflict = np.array([part.conflict_p for part in parts])
    return TreeDates(
        lead=parts[0].lead,
        cores=parts[0].cores,
        reference_year=reference,
        start=start,
        given_stand=given,
        likelihood=parts[0].likelihood,
        alone={row: Pmf.mixture([part.alone[row] for part in parts], share) for row in informs},
        missed={row: Pmf.mixture([part.missed[row] for part in parts], share) for row in informs},
        variance={row: _mean_parts([part.variance[row] for part in parts], share) for row in informs},
        counts={row: Pmf.mixture([part.counts[row] for part in parts], share) for row in informs},
        conflict_p=float(share @ conflict),
        contradiction=bool(share @ [part.contradiction for part in parts] > 0.5),
    )


def _mean_parts(values: Sequence[tuple[float, float, float]], share: Array) -> tuple[float, float, float]:
    mean = share @ np.array(values)
    return float(mean[0]), float(mean[1]), float(mean[2])


def join_ties(parts: Sequence[TiedHeights]) -> TiedHeights:
    """Put what a tree cored at several heights says in each draw side by side.

    Parameters
    ----------
    parts : sequence of TiedHeights
        One a group of draws, with a stand node and a shared node for each draw; all referred to the same lead core.

    Returns
    -------
    TiedHeights
        With the draws as shared values; they do not depend on the first axis, which is there in name only.
    """
    start, mass = _side_by_side([(part.start, part.joint[k, k]) for part in parts for k in range(len(part.joint))])
    years_start, years = _side_by_side([(part.years_start, row) for part in parts for row in part.years])
    joint = np.broadcast_to(mass[None], (len(mass), *mass.shape))
    return TiedHeights(start, joint, np.ones(len(mass)), years_start, years)


def _side_by_side(rows: Sequence[tuple[int, Array]]) -> tuple[int, Array]:
    start = min(first for first, _ in rows)
    out = np.zeros((len(rows), max(first + mass.size for first, mass in rows) - start))
    for row, (first, mass) in enumerate(rows):
        out[row, first - start : first - start + mass.size] = mass
    return start, out


def joint_draws(answers: Sequence[TreeAge], size: int, n_each: int, seed: int) -> tuple[list[str], Ints]:
    """Establishment years of all trees together, every draw under one value of the parameters.

    Parameters
    ----------
    answers : sequence of TreeAge
        From `learned_answers`.
    size : int
        Draws of the parameters.
    n_each : int
        Draws of the trees for each of them.
    seed : int
        Same seed, same draws.

    Returns
    -------
    list of str and numpy.ndarray of int, shape (size * n_each, n_tree)
        Ids, and whole years.
    """
    rng = np.random.default_rng(seed)
    node = np.repeat(np.arange(size), n_each)
    trees, columns = [], []
    for answer in answers:
        parts = answer.parts
        if parts is None:
            continue
        stand = np.zeros_like(node) if parts.joint is not None else node
        collar = answer.distributions["collar_years"].sample(node.size, rng)
        trees.append(answer.tree)
        columns.append(parts.sample(stand, node, rng) - collar)
    return trees, np.column_stack(columns) if columns else np.zeros((node.size, 0), dtype=np.int64)
