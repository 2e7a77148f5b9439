"""From draws of the parameters to the dates of every tree: the exact engine for groups of like draws, averaged.

Rao-Blackwellised: years are never sampled to get a mass function; own derivation.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from treeage.estimate import Cores, Shared, date_trees, lead_cores, minimum_answer, stand_states, tree_answer
from treeage.height import HeightModel
from treeage.hierarchical.data import StandData, learned_model
from treeage.hierarchical.kernel import SD_FLOOR
from treeage.hierarchical.likelihood import (
    SHIFTS,
    ErrorFactor,
    FactorKind,
    scaled_counts,
    scaled_growth,
)
from treeage.hierarchical.sampling import GROUPS
from treeage.pmf import Mass, Pmf
from treeage.posterior import GrowthNodes, HeightTie, TreePosterior
from treeage.results import TreeAge

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_SPREAD = 0.1  # choice: above this spread between trees every second shift is enough
_CURVE = ("height_level", "height_slope", "height_spread", "form_log_weight")

Draws = Mapping[str, NDArray[Any]]
"""Parameters by name, the first axis the draws."""


def drawn_cores(data: StandData, draws: Draws) -> Cores:
    """Cores with the error factors that a few like draws have on average.

    Distances and counts are widened or narrowed, and ranges of missed rings lengthened where a draw asks for it.
    """
    cores, factors = data.cores, data.learning.distance_factor
    log_factor = {
        factor: float(np.log(draws["distance_factor"][:, k]).mean())
        for k, factor in enumerate(data.trees.of_kind(FactorKind.DISTANCE))
    }
    log_distance = np.array([0.0 if factor is None else log_factor.get(factor, 0.0) for factor in factors])
    factor_of = {
        factor: mean_factor(draws["count_factor"][:, k])
        for k, factor in enumerate(data.trees.of_kind(FactorKind.COUNT))
    }
    low = np.minimum(0.0, draws["rate_bias"].min(axis=0))[[data.species.index(name) for name in cores.species]]
    longer = np.exp(-low + 0.7 * np.maximum(0.0, log_distance))  # choice: most of the wider tail
    most = np.ceil(cores.most_rings * longer * max(1.0, mean_factor(draws["own_factor"])) ** 0.5)
    return replace(
        cores,
        distance_factor=np.exp(log_distance),
        count=_drawn_counts(data, factor_of),
        count_levels=None,
        most_rings=most.astype(np.int64),
    )


def mean_factor(values: Array) -> float:
    """Geometric mean of factors above 0."""
    return float(np.exp(np.log(values).mean()))


def _drawn_counts(data: StandData, factor_of: Mapping[ErrorFactor, float]) -> Mass:
    """Count errors with the shares of wrong rings of one draw, on the shortest stretch that holds them."""
    cores = data.cores
    acting = {row: own for row, own in enumerate(data.learning.count_factor) if own is not None and own in factor_of}
    if not acting:
        return cores.count
    rows, own = list(acting), list(acting.values())
    factor = np.array([factor_of[each] for each in own])
    scaled = scaled_counts(cores, rows, own, factor)
    rest = [row for row in range(len(cores)) if row not in acting]
    kept = cores.count[rest]
    some = np.flatnonzero(kept.mass.max(axis=0) > 0) + kept.start if rest else np.zeros(1, dtype=np.int64)
    start = min(scaled.start, int(some.min()))
    size = max(scaled.stop, int(some.max())) + 1 - start
    out = np.zeros((len(cores), size))
    out[rows], out[rest] = scaled.on(start, size), kept.on(start, size)
    return Mass(start, out)


def drawn_shared(data: StandData, cores: Cores, draws: Draws, heights: Mapping[str, HeightModel]) -> Shared:
    """What species share with the draws as equally likely states, and height models to match.

    cores: those of `drawn_cores`; the errors of aim and reading are those of the draw's state of the exact engine.
    """
    narrow = draws["tree_sd"].min() < LEAST_SPREAD
    shifts = SHIFTS if narrow else SHIFTS[::2]
    size = len(draws["rate_bias"])
    species = {}
    for name, own in data.shared.species.items():
        if name in data.species:
            k = data.species.index(name)
            spread = np.maximum(draws["tree_sd"][:, k], SD_FLOOR)[:, None]
            weight = np.exp(-0.5 * ((shifts[None, :] - draws["rate_bias"][:, [k]]) / spread) ** 2)
            nodes = GrowthNodes(shifts, np.full(size, 1.0 / size), weight / weight.sum(axis=1, keepdims=True))
            species[name] = replace(scaled_growth(own, mean_factor(draws["own_factor"]), nodes), height=heights[name])
    states = data.shared.states
    used, place = np.unique(states.place[draws["state"]], return_inverse=True)
    species = {name: replace(own, growth=replace(own.growth, place=place)) for name, own in species.items()}
    return Shared(species, stand_states(cores, states.aim.take(used), states.level[used], place))


def states_of_draws(data: StandData, rate_bias: Array) -> Ints:
    """State of the exact engine for each draw, shape (n_draw,): both put in the order of the growth near the pith.

    So aim and reading keep their law, and their dependence on the growth, in the learned layer.
    """
    size, names = len(rate_bias), data.species
    growth = [data.shared[name].growth for name in names]
    known = np.mean([each.given_stand @ each.shifts for each in growth], axis=0)
    order = np.argsort(known, kind="stable")[(np.arange(size) * known.size) // size]
    out = np.empty(size, dtype=np.int64)
    out[np.argsort(rate_bias.mean(axis=1), kind="stable")] = order
    return out


def like_draws(draws: Draws, groups: int) -> Ints:
    """Group of each draw, 0, 1, ... without gaps, shape (n_draw,): draws of a group have about the same error factors.

    The exact engine runs once a group instead of once a draw; the growth and the height curve, which move dates most,
    keep their value of each draw.
    """
    # Nearest centres of the log factors, moved ten times to the mean of their draws, from a start along the direction
    # of largest spread.
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
    """Height models by species, with one shared value for each draw.

    Species whose model is one and the same figure have the same shared value in each draw; rng picks growth forms, and
    the shared values of the models that are not learned.
    """
    size = len(draws["rate_bias"])
    models: dict[str, HeightModel] = {}
    picked: dict[str, Ints] = {}
    for name, own in sorted(data.shared.species.items()):
        if name in data.heights.species:
            k = data.heights.species.index(name)
            curve = {key: draws[key][:, k] for key in _CURVE}
            models[name] = learned_model(data.heights, k, curve, own.height, rng)
        else:
            if own.height_group not in picked:
                picked[own.height_group] = rng.permutation(np.arange(size) % len(own.height.forms))
            models[name] = taken_heights(own.height, picked[own.height_group])
    return models


def taken_heights(model: HeightModel, places: Ints) -> HeightModel:
    """Height model with some of its shared values, in the order wanted."""
    return replace(
        model,
        forms=tuple(model.forms[k] for k in places),
        scales_m=model.scales_m[places],
        intercept=model.intercept[places],
        slope=model.slope[places],
        deviation=model.deviation[places],
        siblings={key: taken_heights(sibling, places) for key, sibling in model.siblings.items()},
    )


def learned_answers(
    data: StandData,
    draws: Draws,
    trees: Sequence[str],
    *,
    prob: float,
    seed: int,
    tick: Callable[[int], object] | None = None,
) -> tuple[list[TreeAge], Shared]:
    """Date the trees, ids in the order wanted, under every draw of the parameters (about a hundred), and average.

    The shared values of every tree's parts are the draws, sorted by group: value k of the growth goes with value k of
    the heights. Every tree keeps one lead core, the one that says most under the errors as stated.
    """
    size = len(draws["rate_bias"])
    draws = {**draws, "state": states_of_draws(data, draws["rate_bias"])}
    models = drawn_heights(data, draws, np.random.default_rng(seed))
    leads = lead_cores(data.cores, data.shared)
    group = like_draws(draws, min(GROUPS, size))
    order = np.argsort(group, kind="stable")
    every: list[dict[str, TreePosterior]] = []
    for place in range(group.max() + 1):
        members = np.flatnonzero(group == place)
        own = {name: np.asarray(values)[members] for name, values in draws.items()}
        some = {name: taken_heights(model, members) for name, model in models.items()}
        moved = drawn_cores(data, own)
        every.append(date_trees(moved, drawn_shared(data, moved, own, some), leads=leads))
        if tick:
            tick(1)
    even = GrowthNodes(SHIFTS, np.full(size, 1.0 / size), np.full((size, SHIFTS.size), 1.0 / SHIFTS.size))
    species = {
        name: replace(own, growth=even, height=taken_heights(models[name], order))
        for name, own in data.shared.species.items()
    }
    states = data.shared.states
    shared = Shared(species, replace(states, place=states.place[draws["state"][order]]))
    answers = []
    for tree in (tree for tree in trees if tree in data.cores.rows_of):
        if tree in every[0]:
            joined = join_posteriors([dated[tree] for dated in every])
            answers.append(_compact(tree_answer(joined, data.cores, shared, prob=prob)))
        else:
            answers.append(minimum_answer(tree, data.cores, prob=prob))
    return answers, shared


def _compact(answer: TreeAge) -> TreeAge:
    """Keep of a tree cored at two heights only the pairs of draws that belong together."""
    parts = answer.parts
    if parts is None or not parts.tied:
        return answer
    pairs = Mass(parts.added.start, np.ascontiguousarray(parts.added.mass[:1]))
    return replace(answer, parts=replace(parts, added=pairs))


def join_posteriors(parts: Sequence[TreePosterior]) -> TreePosterior:
    """Average the dates of one tree over groups of draws, the draws kept as values of the stand's part.

    All parts have the same lead core, to which the answer is referred.
    """
    first = parts[0]
    rows = [
        Mass(part.added.start + first.reference_year - part.reference_year, row)
        for part in parts
        for row in part.added.mass
    ]
    share = np.array([len(part.added.mass) for part in parts]) / len(rows)
    ties = [part.tie for part in parts if part.tie is not None]

    def mixed(name: str) -> tuple[Pmf, ...]:
        each = zip(*(getattr(part, name) for part in parts), strict=True)
        return tuple(Pmf.mixture(pmfs, share) for pmfs in each)

    return replace(
        first,
        added=Mass.stack(rows),
        evidence=np.concatenate([part.evidence for part in parts]),
        alone=mixed("alone"),
        missed=mixed("missed"),
        counts=mixed("counts"),
        variance=np.einsum("p,pij->ij", share, np.array([part.variance for part in parts])),
        conflict_p=float(share @ [part.conflict_p for part in parts]),
        contradiction=bool(share @ [part.contradiction for part in parts] > 0.5),
        tie=join_ties(ties) if ties else None,
    )


def join_ties(parts: Sequence[HeightTie]) -> HeightTie:
    """Put what a tree cored at several heights says in each draw side by side.

    Each part has a stand value and a shared value for each of its draws. In the answer the draws are the shared values;
    they do not depend on the first axis, which is there in name only.
    """
    joint = Mass.stack([part.joint[k, k] for part in parts for k in range(len(part.joint.mass))])
    years = Mass.stack([part.years[k] for part in parts for k in range(len(part.years.mass))])
    size = len(joint.mass)
    same = np.broadcast_to(joint.mass[None], (size, *joint.mass.shape))
    return HeightTie(Mass(joint.start, same), years, np.ones(size))


def joint_draws(answers: Sequence[TreeAge], size: int, n_each: int, seed: int) -> tuple[list[str], Ints]:
    """Ids and establishment years of all trees together, shape (size * n_each, n_tree), from `learned_answers`.

    Each of the draws of the parameters, `size` of them, gives n_each joint draws of the trees.
    """
    rng = np.random.default_rng(seed)
    node = np.repeat(np.arange(size), n_each)
    drawn: dict[str, Ints] = {}
    for answer in sorted(answers, key=lambda answer: answer.tree):  # the order of trees never matters
        parts = answer.parts
        if parts is None:
            continue
        stand = np.zeros_like(node) if parts.tied else node
        collar = answer.distributions["collar_years"].sample(node.size, rng)
        drawn[answer.tree] = parts.sample(stand, node, rng) - collar
    trees = [answer.tree for answer in answers if answer.tree in drawn]
    if not trees:
        return trees, np.zeros((node.size, 0), dtype=np.int64)
    return trees, np.column_stack([drawn[tree] for tree in trees])
