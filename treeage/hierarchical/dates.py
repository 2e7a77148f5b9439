"""From draws of the parameters to the dates of every tree: the exact engine for groups of like draws, averaged.

Rao-Blackwellised: years are never sampled to get a mass function; own
derivation.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from treeage.estimate import (
    CoreInputs,
    HeightTable,
    SpeciesRates,
    TiedHeights,
    TreeDates,
    Workings,
    date_trees,
    lead_cores,
    minimum_answer,
    tie_heights,
    tree_answer,
)
from treeage.height import HeightModel
from treeage.hierarchical.data import StandData, learned_model
from treeage.hierarchical.kernel import SD_FLOOR
from treeage.hierarchical.likelihood import SHIFTS, scale_distance, scaled_counts, scaled_rate
from treeage.hierarchical.sampling import GROUPS
from treeage.pmf import Pmf
from treeage.posterior import RateNodes
from treeage.results import TreeAge

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_SPREAD = 0.1  # choice: above this spread between trees every second shift is enough
Draws = Mapping[str, Array]
"""Parameters by name, the first axis the draws."""


def drawn_inputs(data: StandData, draws: Draws) -> CoreInputs:
    """Cores with the error factors that a few like draws have on average.

    Parameters
    ----------
    data : StandData
        The stand.
    draws : mapping of str to numpy.ndarray
        Parameters, the first axis the draws.

    Returns
    -------
    CoreInputs
        Distances and counts widened or narrowed; ranges of missed rings lengthened where a draw asks for it.
    """
    inputs, factors = data.cores.inputs, data.tables.factors
    log_distance = np.zeros(len(factors.distance_method))
    for k, name in enumerate(_names(data, "distance")):
        rows = [own == name for own in factors.distance_method]
        log_distance[rows] = np.log(draws["distance_factor"][:, k]).mean()
    radial = np.array([name == "radius_length" for name in factors.distance_method])
    moved = np.flatnonzero(log_distance)
    distance = inputs.distance.copy()
    distance[moved] = scale_distance(distance[moved], np.exp(log_distance[moved]), radial[moved])
    rate = {name: mean_factor(draws["count_factor"][:, k]) for k, name in enumerate(_names(data, "count"))}
    start, count = _drawn_counts(data, rate)
    low = np.minimum(0.0, draws["rate_bias"].min(axis=0))[_species_codes(data)]
    longer = np.exp(-low + 0.7 * np.maximum(0.0, log_distance))  # choice: most of the wider tail
    most = np.ceil(inputs.most_rings * longer * max(1.0, mean_factor(draws["own_factor"])) ** 0.5)
    return replace(inputs, distance=distance, count_start=start, count=count, most_rings=most.astype(np.int64))


def mean_factor(values: Array) -> float:
    """Geometric mean.

    Parameters
    ----------
    values : numpy.ndarray
        Factors above 0.

    Returns
    -------
    float
        The mean factor.

    Examples
    --------
    >>> round(mean_factor(np.array([0.5, 2.0])), 12)
    1.0
    """
    return float(np.exp(np.log(values).mean()))


def _names(data: StandData, kind: str) -> list[str]:
    return [name.split(": ")[1] for name in data.trees.factor_names if name.startswith(kind)]


def _species_codes(data: StandData) -> Ints:
    place = {name: k for k, name in enumerate(data.species)}
    return np.array([place[name] for name in data.tables.species])


def _drawn_counts(data: StandData, rate: Mapping[str, float]) -> tuple[int, Array]:
    """Count errors with the rates of wrong rings of one draw, on one support."""
    inputs, dating = data.cores.inputs, data.tables.factors.dating
    rows = [row for row, name in enumerate(dating) if name in rate]
    if not rows:
        return inputs.count_start, inputs.count
    factor = np.array([rate[dating[row]] for row in rows])
    words, species = [dating[row] for row in rows], [data.tables.species[row] for row in rows]
    first, mass = scaled_counts(data.tables.rings[rows], words, species, factor)
    rest = [row for row in range(len(dating)) if row not in set(rows)]
    kept = inputs.count[rest]
    some = np.flatnonzero(kept.max(axis=0) > 0) if rest else np.array([-inputs.count_start])
    start = min(first, inputs.count_start + int(some.min()))
    stop = max(first + mass.shape[1], inputs.count_start + int(some.max()) + 1)
    out = np.zeros((len(dating), stop - start))
    out[rows, first - start : first - start + mass.shape[1]] = mass
    at = inputs.count_start + int(some.min()) - start
    out[rest, at : at + int(np.ptp(some)) + 1] = kept[:, some.min() : some.max() + 1]
    return start, out


def drawn_rates(data: StandData, draws: Draws) -> dict[str, SpeciesRates]:
    """Shared growth rate of every species, with the draws as equally likely values of the stand's part.

    Parameters
    ----------
    data : StandData
        The stand.
    draws : mapping of str to numpy.ndarray
        Parameters, the first axis the draws.

    Returns
    -------
    dict of str to SpeciesRates
        By species.
    """
    narrow = draws["tree_sd"].min() < LEAST_SPREAD
    shifts = SHIFTS if narrow else SHIFTS[::2]
    size = len(draws["rate_bias"])
    rates = {}
    for k, name in enumerate(data.species):
        spread = np.maximum(draws["tree_sd"][:, k], SD_FLOOR)[:, None]
        weight = np.exp(-0.5 * ((shifts[None, :] - draws["rate_bias"][:, [k]]) / spread) ** 2)
        nodes = RateNodes(shifts, np.full(size, 1.0 / size), weight / weight.sum(axis=1, keepdims=True))
        rates[name] = scaled_rate(data.cores.rates[name], mean_factor(draws["own_factor"]), nodes)
    return rates


def like_draws(data: StandData, draws: Draws, groups: int) -> Ints:
    """Sort the draws into groups with about the same error factors.

    Parameters
    ----------
    data : StandData
        The stand.
    draws : mapping of str to numpy.ndarray
        Parameters, the first axis the draws.
    groups : int
        Number of groups wanted.

    Returns
    -------
    numpy.ndarray of int, shape (n_draw,)
        Group of each draw, 0, 1, ... without gaps.

    Notes
    -----
    Nearest centres of the log factors, moved ten times to the mean of their draws, from a start along the direction of
    largest spread. The exact engine runs once a group instead of once a draw; the growth rate and the height curve,
    which move dates most, keep their value of each draw.
    """
    names = [name for name in ("distance_factor", "count_factor") if draws[name].shape[1]]
    points = np.log(np.column_stack([draws["own_factor"], *(draws[name] for name in names)]))
    points = points - points.mean(axis=0)
    along = points @ np.linalg.svd(points, full_matrices=False)[2][0]
    group = np.empty(len(points), dtype=np.int64)
    group[np.argsort(along, kind="stable")] = np.arange(len(points)) * groups // len(points)
    for _ in range(10):
        centres = np.array([points[group == k].mean(axis=0) for k in np.unique(group)])
        group = ((points[:, None] - centres[None]) ** 2).sum(axis=2).argmin(axis=1)
    return np.asarray(np.unique(group, return_inverse=True)[1], dtype=np.int64)


def drawn_heights(data: StandData, draws: Draws, rng: np.random.Generator) -> dict[str, HeightModel]:
    """Height models with one shared value for each draw.

    Parameters
    ----------
    data : StandData
        The stand.
    draws : mapping of str to numpy.ndarray
        Parameters.
    rng : numpy.random.Generator
        Picks growth forms, and shared values of the models that are not learned.

    Returns
    -------
    dict of str to HeightModel
        By species. Species whose model is one and the same figure have the same shared value in each draw.
    """
    size = len(draws["rate_bias"])
    models: dict[str, HeightModel] = {}
    picked: dict[str, Ints] = {}
    for name, fixed in data.fixed_heights.items():
        if name in data.heights.species:
            k = data.heights.species.index(name)
            own = {key: draws[key][:, k] for key in ("height_level", "height_slope", "height_spread")}
            own["form_log_weight"] = draws["form_log_weight"][:, k]
            models[name] = learned_model(data.heights, k, own, fixed, rng)
        else:
            group = data.height_groups[name]
            if group not in picked:
                picked[group] = rng.permutation(np.arange(size) % len(fixed.forms))
            models[name] = taken_heights(fixed, picked[group])
    return models


def taken_heights(model: HeightModel, places: Ints) -> HeightModel:
    """Height model with some of its shared values.

    Parameters
    ----------
    model : HeightModel
        Any.
    places : numpy.ndarray of int
        Which shared values, in the order wanted.

    Returns
    -------
    HeightModel
        With as many shared nodes as places.
    """
    return replace(
        model,
        forms=tuple(model.forms[k] for k in places),
        scales_m=model.scales_m[places],
        intercept=model.intercept[places],
        slope=model.slope[places],
        deviation=model.deviation[places],
    )


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
