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
from treeage.distance import AimErrors, InnerEnds, end_distances
from treeage.estimate.cores import Cores
from treeage.estimate.shared import Shared, SpeciesShared, StandStates, stand_states
from treeage.estimate.trees import tree_evidence
from treeage.posterior import GrowthNodes

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
_MOVING = ("aim", "eccentricity", "sight", "arc_bias")
_SPREADS = (priors.AIM_LOG_SD, priors.ECCENTRICITY_LOG_SD, priors.SIGHT_LOG_SD, priors.ARC_BIAS_SD)
_DIMENSIONS = len(_MOVING) + 3  # and arc spread, lengths, rate of miscounts, which take few values


@dataclass(frozen=True, eq=False)
class _Nodes:
    """Nodes in coordinates that are standard normal under the prior, with prior over proposal in logs."""

    z: Array  # (n_node, n_moving)
    aim: AimErrors
    level: Ints
    log_ratio: Array


def even_points(number: int, dimensions: int) -> Array:
    """Points that fill the unit cube evenly, (number, dimensions): multiples of irrational steps (a Kronecker sequence).

    The steps are powers of the inverse of the positive root of x**(d + 1) = x + 1 (from memory; any irrational steps
    that are independent fill the cube evenly).
    """
    root = 2.0
    for _ in range(60):
        root = (1 + root) ** (1 / (dimensions + 1))
    steps = root ** -np.arange(1.0, dimensions + 1)
    return np.asarray((0.5 + np.arange(1, number + 1)[:, None] * steps) % 1)


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
    covariance = (weights[:, None] * apart).T @ apart + 0.01 * np.eye(len(_MOVING))
    square = float(np.clip(weights @ nodes.aim.square, 0.05, 0.95))
    return _nodes(middle, _WIDER * np.linalg.cholesky(covariance), square)


def learn_states(cores: Cores, shared: Shared, *, mates: bool = True) -> tuple[Cores, Shared]:
    """Learn what the field's cores share; cores with the distances that follow, and the shared states.

    Without `mates` the inner ends alone teach, and not how well the cores of a tree agree.
    """
    nodes = _nodes(np.zeros(len(_MOVING)), np.eye(len(_MOVING)), 0.5)
    teachers = _teachers(cores)
    ends = cores.ends.take(np.array([row for rows in teachers for row in rows], dtype=np.int64))
    log = _log_evidence(ends, nodes.aim) if len(ends) else np.zeros(NODES)
    for _ in range(_ROUNDS):
        if _effective(_weights(nodes.log_ratio + log)) >= _ENOUGH * NODES:
            break
        nodes = _moved(nodes, _tempered(nodes.log_ratio, log))
        log = _log_evidence(ends, nodes.aim)
    every = stand_states(cores, nodes.aim, nodes.level)
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
    evidence = end_distances(ends, replace(aim, arc_bias=zero, arc_spread=zero))[1]
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
    """Node and growth of equally likely states: nodes as often as they weigh, and the growth of each species spread evenly over its law."""
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
