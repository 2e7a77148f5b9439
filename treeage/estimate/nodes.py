"""What all cores of a field share, learned from the field: aim, eccentricity, sight, arcs, lengths, rate of miscounts.

    prior nodes -> evidence of every inner end -> nodes where the field's posterior lies -> agreement of mates
    -> weights by node and by growth of each species -> equally likely states, the same for all trees

Own derivation: adaptive importance sampling on few, evenly spread nodes; no randomness, and the order of trees does not
matter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from treeage import priors
from treeage.counting import COUNT_LEVELS
from treeage.distance import AimErrors, InnerEnds, arc_radius, arc_rise, end_evidence, offset_share, unseen_share
from treeage.estimate.cores import Cores
from treeage.estimate.shared import Shared, SpeciesShared, StandStates, stand_states
from treeage.estimate.trees import count_difference, side_by_side, tree_evidence
from treeage.pmf import Mass, freeze_arrays
from treeage.posterior import GrowthNodes, pair_tails
from treeage.schema import InnerEnd

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

NODES = 40  # choice: nodes of the shared errors
STATES = 40  # choice: equally likely states that stand for the posterior
_ROUNDS = 6  # choice: most rounds in which the nodes move to where the posterior lies
_ENOUGH = 0.35  # choice: share of nodes that must count (effective number) for the nodes to stay
_WIDER = 1.25  # choice: nodes are spread wider than the posterior by this factor
_MOST_TEACHERS = 300  # choice: evenly chosen trees that teach; more leave nothing to learn
_ODD = 0.02  # choice: what one core can say against a node: it is odd with this probability
_THIRD = 1 / 6  # probability of the outer two of three points with the variance of a normal (Gauss-Hermite)
_BIAS_NODES = np.linspace(-2.6, 2.6, 27)  # choice: values of the growth near the pith, in standard deviations

# shape of the coordinates: standard normal under the prior
_MOVING = ("aim", "eccentricity", "sight", "overlooked", "shortfall", "arc_bias")
_SPREADS = (
    priors.AIM_LOG_SD,
    priors.ECCENTRICITY_LOG_SD,
    priors.SIGHT_LOG_SD,
    priors.OVERLOOKED_LOG_SD,
    priors.SHORT_LOG_SD,
    priors.ARC_BIAS_SD,
)
_DIMENSIONS = len(_MOVING) + 3  # and arc spread, lengths, rate of miscounts, which take few values


@dataclass(frozen=True, eq=False)
class _Nodes:
    """Nodes in coordinates that are standard normal under the prior, with prior over proposal in logs."""

    z: Array  # (n_node, n_moving)
    aim: AimErrors
    level: Ints
    log_ratio: Array


def even_points(number: int, dimensions: int) -> Array:
    """Points that fill the unit cube evenly, (number, dimensions): multiples of irrational steps (Kronecker).

    The steps are powers of the inverse of the positive root of x**(d + 1) = x + 1 (from memory; any irrational steps
    that are independent fill the cube evenly). Each axis is then stretched so that the points are even on it.
    """
    root = 2.0
    for _ in range(60):
        root = (1 + root) ** (1 / (dimensions + 1))
    steps = root ** -np.arange(1.0, dimensions + 1)
    points = (0.5 + np.arange(1, number + 1)[:, None] * steps) % 1
    return np.asarray((np.argsort(np.argsort(points, axis=0, kind="stable"), axis=0) + 0.5) / number)


def _nodes(middle: Array, root: Array, square: float) -> _Nodes:
    """Nodes of a normal proposal about the middle, with a root of its covariance, and a share of square lengths."""
    points = even_points(NODES, _DIMENSIONS)
    moving = len(_MOVING)
    standard = ndtri(points[:, :moving])
    z = middle + standard @ root.T
    is_square = points[:, moving] < square
    spread = np.select([points[:, moving + 1] < _THIRD, points[:, moving + 1] > 1 - _THIRD], [-1.0, 1.0], 0.0)
    level = (points[:, moving + 2] * COUNT_LEVELS).astype(np.int64)
    values = dict(zip(_MOVING, (z * [spread.value for spread in _SPREADS]).T, strict=True))
    aim = AimErrors(
        **values,
        arc_spread=np.sqrt(3) * priors.ARC_SPREAD_LOG_SD.value * spread,
        square=is_square.astype(np.float64),
    )
    log_ratio = -0.5 * (z**2).sum(axis=1) + 0.5 * (standard**2).sum(axis=1) + np.log(np.abs(np.linalg.det(root)))
    log_ratio += np.where(is_square, np.log(0.5 / square), np.log(0.5 / (1 - square)))
    return _Nodes(z, aim, level, log_ratio)


def _weights(log: Array) -> Array:
    weight = np.exp(log - log.max())
    return np.asarray(weight / weight.sum())


def _effective(weights: Array) -> float:
    return float(1 / (weights**2).sum())


def _tempered(log_ratio: Array, log_evidence: Array) -> Array:
    """Weights with as much of the evidence as leaves a fifth of the nodes in play."""
    low, high = 0.0, 1.0
    if _effective(_weights(log_ratio + log_evidence)) >= NODES / 5:
        return _weights(log_ratio + log_evidence)
    for _ in range(20):
        power = (low + high) / 2
        low, high = (
            (power, high) if _effective(_weights(log_ratio + power * log_evidence)) >= NODES / 5 else (low, power)
        )
    return _weights(log_ratio + low * log_evidence)


def _moved(nodes: _Nodes, weights: Array) -> _Nodes:
    """Nodes about the weighted mean of others, spread wider than their weighted covariance."""
    middle = weights @ nodes.z
    apart = nodes.z - middle
    covariance: Array = (weights[:, None] * apart).T @ apart + 0.01 * np.eye(len(_MOVING))
    square = float(np.clip(weights @ nodes.aim.square, 0.05, 0.95))
    return _nodes(middle, np.asarray(_WIDER * np.linalg.cholesky(covariance), dtype=np.float64), square)


def learn_states(cores: Cores, shared: Shared, *, mates: bool = True) -> tuple[Cores, Shared]:
    """Learn what the field's cores share; cores with the distances that follow, and the shared states.

    Without `mates` the inner ends alone teach, and not how well the cores of a tree agree.
    """
    nodes = _nodes(np.zeros(len(_MOVING)), np.eye(len(_MOVING)), 0.5)
    teachers = _teachers(cores)
    taught = np.array([row for rows in teachers for row in rows], dtype=np.int64)
    ends = cores.ends.take(taught)
    log = _log_evidence(ends, nodes.aim) if len(ends) else np.zeros(NODES)
    for _ in range(_ROUNDS):
        if _effective(_weights(nodes.log_ratio + log)) >= _ENOUGH * NODES:
            break
        nodes = _moved(nodes, _tempered(nodes.log_ratio, log))
        log = _log_evidence(ends, nodes.aim)
    every = stand_states(cores, nodes.aim, nodes.level, only=taught)
    teachers = teachers if mates else []
    given = {name: _growth_given(cores, shared[name], every, teachers) for name in shared.species}
    log = nodes.log_ratio + log + sum(_log_sum(own) for own in given.values())
    node, growth = _states(_weights(np.asarray(log)), given, shared)
    used, place = np.unique(node, return_inverse=True)
    states = stand_states(cores, nodes.aim.take(used), nodes.level[used], place)
    species = {name: replace(own, growth=replace(growth[name], place=place)) for name, own in shared.species.items()}
    cores = replace(cores, distance=_mixed(states))
    return cores, replace(shared, species=species, states=states)


def _mixed(states: StandStates) -> Array:
    """Distance of every core over all states."""
    mixed = np.einsum("k,knp,pnr->nr", states.node_weights, states.share, states.parts, optimize=True)
    total = np.maximum(mixed, 0.0).sum(axis=1, keepdims=True)
    return np.asarray(np.maximum(mixed, 0.0) / np.where(total > 0, total, 1.0))


def _log_sum(log: Array) -> Array:
    top = log.max(axis=1)
    return np.asarray(top + np.log(np.exp(log - top[:, None]).sum(axis=1)))


def _teachers(cores: Cores) -> list[tuple[int, ...]]:
    """Rows of the informative cores of trees that teach."""
    trees = [tuple(row for row in rows if not cores.bound_only[row]) for _, rows in sorted(cores.rows_of.items())]
    trees = [rows for rows in trees if rows]
    if len(trees) > _MOST_TEACHERS:
        places = np.linspace(0, len(trees) - 1, _MOST_TEACHERS).round().astype(np.int64)
        trees = [trees[place] for place in places]
    return trees


def _log_evidence(ends: InnerEnds, aim: AimErrors) -> Array:
    """Log evidence of every node from all inner ends, (n_node,); one core can only say so much against a node.

    Errors of arcs are cut: how the distances of a stand are spread is not known so well that it could tell a bias of
    arcs from another spread. Only mates teach these.
    """
    zero = np.zeros(len(aim))
    evidence = end_evidence(ends, replace(aim, arc_bias=zero, arc_spread=zero))
    mean = evidence.mean(axis=0)
    share = (1 - _ODD) * evidence / np.where(mean > 0, mean, 1.0) + _ODD
    return np.asarray(np.log(share).sum(axis=1))


def _growth_given(cores: Cores, own: SpeciesShared, every: StandStates, teachers: list[tuple[int, ...]]) -> Array:
    """Log of prior times evidence for every node and value of the stand's growth, (n_node, n_bias), of one species."""
    log = np.repeat(-0.5 * _BIAS_NODES[None] ** 2, NODES, axis=0)
    several = [rows for rows in teachers if len(rows) > 1 and own.place[rows[0]] >= 0]
    if several and own.growth.stand_sd > 0:
        weight = own.growth.given(own.growth.stand_sd * _BIAS_NODES)
        for evidence in tree_evidence(cores, own, every, several):  # (n_node, n_shift)
            agree = evidence @ weight.T
            log += np.log((1 - _ODD) * agree / agree.mean() + _ODD)
    return log


def _states(weights: Array, given: Mapping[str, Array], shared: Shared) -> tuple[Ints, dict[str, GrowthNodes]]:
    """Node of equally likely states, as often as each weighs, and the growth of each species spread over its law."""
    total = np.cumsum(weights)
    node = np.minimum(np.searchsorted(total, (np.arange(STATES) + 0.5) / STATES), NODES - 1)
    points = even_points(STATES, max(1, len(given)))
    growth = {}
    for place, (name, log) in enumerate(sorted(given.items())):
        own: SpeciesShared = shared[name]
        law = np.exp(log - log.max(axis=1, keepdims=True))[node]
        law = np.cumsum(law / law.sum(axis=1, keepdims=True), axis=1)
        bias = np.array([np.interp(u, row, _BIAS_NODES) for u, row in zip(points[:, place], law, strict=True)])
        growth[name] = own.growth.at(own.growth.stand_sd * bias)
    return node, growth


# ------------------------------------------------------------------ what the fitted model can replicate
# kept small with the ages, so that predictive checks need neither the field nor the engine again

_MOST_MATES = 300  # choice: evenly chosen trees with several cores whose agreement is looked at
_REDRAWN = 100  # choice: rounds in which what the stem does not allow, or what shows no such arc, is drawn again
_LEAST_RISE_MM = 0.05  # choice: half the reading error; a flatter arc counts as one of this rise
_REACH = 2000  # choice: cores that are open by more rings agree with anything
_FEW_NODES = 8  # choice: nodes over which that is averaged; more move no figure


@dataclass(frozen=True, eq=False)
class Seen:
    """What was seen in a field, and the states of the shared errors under which it could be seen again.

    Parameters
    ----------
    ends : InnerEnds
        Inner ends of the cores that inform, without their likelihoods.
    aim : AimErrors
        States of the errors of aim and reading, one a node.
    mates : numpy.ndarray, shape (n_pair, 2)
        Probabilities under the model that the first of two cores of a tree lacks fewer rings to the pith year than the
        second, if it is that of their counts apart, and as many.
    differences : numpy.ndarray of int, shape (n_read,)
        Likeliest count error of the second core less that of the first, for two cores read against each other.
    counts : tuple of tuple of Mass
        Count errors as published of the first and of the second core, each (n_read, n), for each level of the rate.
    level : numpy.ndarray of int, shape (n_node,)
        Level of the rate at each node.
    place : numpy.ndarray of int, shape (n_state,)
        Node of each state; states are equally likely.
    wrong : float
        Probability that a core is not what it is taken for.
    left_out : mapping of str to int
        Trees with several cores whose agreement is not looked at, by reason.
    """

    ends: InnerEnds
    aim: AimErrors
    mates: Array
    differences: Ints
    counts: tuple[tuple[Mass, Mass], ...]
    level: Ints
    place: Ints
    wrong: float
    left_out: Mapping[str, int]

    def __post_init__(self) -> None:
        freeze_arrays(self)


def what_was_seen(cores: Cores, shared: Shared) -> Seen:
    """Gather what predictive checks of a field need."""
    informs = np.flatnonzero(~cores.bound_only)
    ends = cores.ends.take(informs)
    ends = replace(ends, curved=np.ones((len(ends), 0)), direct=np.ones((len(ends), 0)))
    mates, left_out = _mates(cores, shared)
    joint = [each for _, each in sorted(cores.joint_counts.items())]
    apart = [count_difference(each, each[0]) for each in joint]
    rows = np.array([each[0] for each in joint], dtype=np.int64).reshape(-1, 2)
    published = zip(cores.counts_at_levels(rows[:, 0]), cores.counts_at_levels(rows[:, 1]), strict=True)
    likeliest = np.array([mass.start + int(mass.mass.argmax()) for mass in apart], dtype=np.int64)
    states = shared.states
    return Seen(ends, states.aim, mates, likeliest, tuple(published), states.level, states.place, cores.wrong, left_out)


def _mates(cores: Cores, shared: Shared) -> tuple[Array, dict[str, int]]:
    """Places of mates, a row a pair, and how many trees with several cores were left out."""
    trees = [tuple(row for row in rows if not cores.bound_only[row]) for _, rows in sorted(cores.rows_of.items())]
    trees = [rows for rows in trees if len(rows) > 1]
    chosen = trees
    if len(trees) > _MOST_MATES:
        chosen = [trees[k] for k in np.linspace(0, len(trees) - 1, _MOST_MATES).round().astype(np.int64)]
    states = shared.states
    nodes = np.unique(states.place)
    some = nodes[np.unique(np.linspace(0, nodes.size - 1, _FEW_NODES).round().astype(np.int64))]
    weight = states.node_weights[some] / states.node_weights[some].sum()
    few = replace(states, aim=states.aim.take(some), share=states.share[some], level=states.level[some], place=some)
    found = []
    for name in sorted(shared.species):
        given = shared[name].growth.given_stand
        growth = np.stack([given[states.place == node].mean(axis=0) for node in some]) * weight[:, None]
        its = [rows for rows in chosen if cores.species[rows[0]] == name]
        for mates in side_by_side(cores, shared[name], few, its, reach=_REACH):
            aligned = mates.at_nodes()
            at_most, at_least = pair_tails(aligned[0], aligned[1])
            total = aligned[0].sum(axis=2) * aligned[1].sum(axis=2)
            fewer, equal, whole = (
                float((growth * part).sum()) for part in (total - at_most, at_most + at_least - total, total)
            )
            found.append((max(fewer / whole, 0.0), max(equal / whole, 0.0)))
    left = {
        "their cores lie near one line, at several heights, or are open too far": len(chosen) - len(found),
        f"{_MOST_MATES} trees are enough": len(trees) - len(chosen),
    }
    return np.array(found, dtype=np.float64).reshape(-1, 2), {why: count for why, count in left.items() if count}


# ------------------------------------------------------------------ what could have been seen


@dataclass(frozen=True, eq=False)
class DrawnEnds:
    """Virtual inner ends: distance [mm], radius less length [mm], words; each shape (n,)."""

    distance_mm: Array
    gap_mm: Array
    word: NDArray[np.object_]

    def put(self, rows: Ints, drawn: DrawnEnds) -> None:
        """Overwrite some rows."""
        for own, new in zip(vars(self).values(), vars(drawn).values(), strict=True):
            own[rows] = new


def draw_ends(ends: InnerEnds, errors: AimErrors, rng: np.random.Generator) -> DrawnEnds:
    """Draw what could have been seen at inner ends on the stems of these, by the law of `end_distances`.

    errors: one node a row of `ends`. None of them is lost to rot or breakage: pith, arcs or neither is seen.
    """
    drawn, known = _drawn(ends, errors, rng), np.isfinite(ends.radius_mm) & np.isfinite(ends.length_mm)
    for _ in range(_REDRAWN):
        behind = np.maximum(ends.assumed_mm + np.where(known, drawn.gap_mm, ends.assumed_mm), 0.0) + ends.assumed_sd_mm
        behind[ends.beyond_diameter] = np.inf
        outside = np.flatnonzero(drawn.distance_mm > behind)
        if not outside.size:
            break
        drawn.put(outside, _drawn(ends.take(outside), errors.take(outside), rng))
    return drawn


def _drawn(ends: InnerEnds, errors: AimErrors, rng: np.random.Generator) -> DrawnEnds:
    """The same whether or not the stem allows them."""
    size = len(ends)
    offset = offset_share() * ends.assumed_mm
    aside = np.exp(errors.aim) * np.hypot(offset, priors.AIM_MM.value)
    along = np.hypot(np.exp(errors.eccentricity) * offset, ends.assumed_sd_mm)
    passes = rng.random(size) < priors.PASSES_PITH.value
    miss, short = aside * rng.standard_t(priors.AIM_TAIL_DF.value, size), np.zeros(size)
    reach, rows = priors.SHORT_MM.value * np.exp(errors.shortfall), np.flatnonzero(~passes)
    while rows.size:  # short of the pith's depth, fading with the distance: exponential shortfalls, drawn by rejection
        short[rows] = rng.exponential(reach[rows])
        miss[rows] = aside[rows] * rng.standard_normal(rows.size)
        further = np.hypot(short[rows], miss[rows]) - short[rows]
        rows = rows[rng.random(rows.size) > np.exp(-further / reach[rows])]
    again = rng.random(size) < priors.PITH_AGAIN.value  # these hold the pith whatever the aim
    distance, short = np.where(again, 0.0, np.hypot(short, miss)), np.where(again, 0.0, short)
    gap = np.where(errors.square > 0, distance, short) + along * rng.standard_normal(size)
    near, look = distance < priors.CORE_WIDTH.value / 2, rng.random((2, size))
    named = near & (look[0] < 1 / (1 + ends.pith_near))  # weights 1 and pith_near in `end_distances`
    word = np.where(
        look[1] < unseen_share(distance, errors.sight, errors.overlooked), InnerEnd.NO_ARCS, InnerEnd.ARCS
    ).astype(object)
    word[named | again] = InnerEnd.PITH
    return DrawnEnds(distance, gap, word)


def draw_arc_radii(ends: InnerEnds, errors: AimErrors, rng: np.random.Generator) -> Array:
    """Radii [mm] of arcs as they could have been read on the chords of these ends; NaN where none is drawn.

    errors: one node a row of `ends`, all of which have an arc.
    """
    radius = np.full(len(ends), np.nan)
    for _ in range(_REDRAWN):
        rows = np.flatnonzero(np.isnan(radius))
        if not rows.size:
            break
        some, own = ends.take(rows), errors.take(rows)
        drawn, wider = draw_ends(some, own, rng), np.exp(own.arc_spread)
        out_of_round = own.arc_bias + priors.ROUNDNESS.value * wider * rng.standard_normal(rows.size)
        true = drawn.distance_mm * np.exp(out_of_round)
        by_chord = some.chord_mm / 4 / np.maximum(true, 0.6 * some.chord_mm) * priors.CHORD_SD.value
        error = np.hypot(some.arc_sd_mm * wider, by_chord)
        rise = arc_rise(true, some.chord_mm) + error * rng.standard_normal(rows.size)
        fits = (drawn.word == InnerEnd.ARCS) & (true >= some.chord_mm / 2)
        radius[rows[fits]] = read_radius(some.chord_mm[fits], rise[fits])
    return radius


def read_radius(chord_mm: Array, rise_mm: Array) -> Array:
    """Radius [mm] of arcs as read; of one that is flat or past a half circle that of the nearest which is not."""
    return arc_radius(chord_mm, np.clip(rise_mm, np.minimum(_LEAST_RISE_MM, chord_mm / 2), chord_mm / 2))
