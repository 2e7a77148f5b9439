"""What all cores of a field share, learned from the field: aim, eccentricity, sight, arcs, lengths, rate of miscounts.

    prior nodes -> evidence of every inner end -> nodes where the field's posterior lies -> agreement of mates
    -> weights by node and by growth of each species -> equally likely states, the same for all trees

Own derivation: Laplace's method, then importance sampling on few, evenly spread nodes; no randomness, and the order of
trees does not matter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from treeage import priors
from treeage.counting import COUNT_LEVELS
from treeage.distance import (
    AimErrors,
    InnerEnds,
    arc_radius,
    arc_rise,
    end_evidence,
    offset_share,
    pith_again_share,
    unseen_share,
)
from treeage.estimate.chunks import count_difference, side_by_side, tree_evidence
from treeage.estimate.cores import Cores
from treeage.estimate.shared import Shared, SpeciesShared, StandStates, stand_states
from treeage.pmf import Mass, freeze_arrays
from treeage.posterior import GrowthNodes, pair_tails
from treeage.schema import InnerEnd

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

NODES = 40  # choice: nodes of the shared errors in a round, and those that are kept
STATES = 40  # choice: equally likely states that stand for the posterior
_ROUNDS = 3  # choice: most rounds of nodes
_ENOUGH = 0.35  # choice: effective nodes, as a share of those kept, that end the rounds
_IN_PLAY = NODES / 5  # choice: effective nodes that a round is taught by at least
_WIDER = 1.15  # choice: nodes are spread wider than the posterior by this factor
_LEAST_SHARE = 0.05  # choice: share of nodes for a meaning of lengths that the evidence is against
_SCORINGS = 6  # choice: most steps to a mode
_SCORE_STEP = 0.25  # choice: difference for slopes, in standard deviations of the prior
_LONGEST_STEP = 1.5  # choice: longest step to a mode, in the same
_BENT = 0.1, 9.0  # choice: least and largest second difference by the information of the scores
_MOST_TEACHERS = 300  # choice: evenly chosen trees that teach; more leave nothing to learn
_ODD = 0.02  # choice: what one core can say against a node: it is odd with this probability
_GOLDEN = (5**0.5 - 1) / 2  # closed form: moves points of the cube to others as even
_THIRD = 1 / 6  # probability of the outer two of three points with the variance of a normal (Gauss-Hermite)
_BIAS_NODES = np.linspace(-2.6, 2.6, 27)  # choice: values of the growth near the pith, in standard deviations

# shape of the coordinates: standard normal under the prior
_MOVING = ("aim", "eccentricity", "sight", "overlooked", "shortfall", "again", "arc_bias")
_SPREADS = (
    priors.AIM_LOG_SD,
    priors.ECCENTRICITY_LOG_SD,
    priors.SIGHT_LOG_SD,
    priors.OVERLOOKED_LOG_SD,
    priors.SHORT_LOG_SD,
    priors.PITH_AGAIN_LOG_SD,
    priors.ARC_BIAS_SD,
)
_BIAS_GROUPS = 5  # choice: values of the bias of arcs that mates tell apart
_TAUGHT = len(_MOVING) - 1  # inner ends teach nothing of the bias of arcs
_DIMENSIONS = len(_MOVING) + 3  # and arc spread, lengths, rate of miscounts, which take few values


@dataclass(frozen=True, eq=False)
class _Proposal:
    """Normal laws of the moving coordinates for lengths along the core and square to the rings; share of the latter."""

    middle: Array  # (2, n_moving)
    root: Array  # of the covariance, (2, n_moving, n_moving)
    square: float

    def log_density(self, nodes: _Nodes) -> Array:
        """Of nodes, (n_node,), but for a constant."""
        out = np.empty(len(nodes))
        for kind, share in enumerate((1 - self.square, self.square)):
            here = nodes.aim.square == kind
            standard = np.linalg.solve(self.root[kind], (nodes.z[here] - self.middle[kind]).T)
            volume = np.log(np.abs(np.linalg.det(self.root[kind])))
            out[here] = np.log(share) - volume - 0.5 * (standard**2).sum(axis=0)
        return out


@dataclass(frozen=True, eq=False)
class _Nodes:
    """Nodes in coordinates that are standard normal under the prior."""

    z: Array  # (n_node, n_moving)
    aim: AimErrors
    level: Ints

    def __len__(self) -> int:
        return len(self.level)

    def and_more(self, more: _Nodes) -> _Nodes:
        """These and others."""
        both = {name: np.concatenate([own, vars(more.aim)[name]]) for name, own in vars(self.aim).items()}
        z, level = np.concatenate([self.z, more.z]), np.concatenate([self.level, more.level])
        return _Nodes(z, AimErrors(**both), level)


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


def _nodes(proposal: _Proposal, points: Array) -> _Nodes:
    """Nodes of a proposal at points of the unit cube, (n_node, _DIMENSIONS)."""
    moving = len(_MOVING)
    square = (points[:, moving] < proposal.square).astype(np.int64)
    z = proposal.middle[square] + np.einsum("kij,kj->ki", proposal.root[square], ndtri(points[:, :moving]))
    return _at_points(z, square, points)


def _at_points(z: Array, square: Ints, points: Array) -> _Nodes:
    """Nodes at coordinates, with what takes few values from points of the unit cube."""
    moving = len(_MOVING)
    spread = np.select([points[:, moving + 1] < _THIRD, points[:, moving + 1] > 1 - _THIRD], [-1.0, 1.0], 0.0)
    level = (points[:, moving + 2] * COUNT_LEVELS).astype(np.int64)
    return _Nodes(z, _errors(z, square, np.sqrt(3) * priors.ARC_SPREAD_LOG_SD.value * spread), level)


def _errors(z: Array, square: Ints, arc_spread: Array) -> AimErrors:
    """Errors at coordinates."""
    values = dict(zip(_MOVING, (z * [spread.value for spread in _SPREADS]).T, strict=True))
    return AimErrors(**values, arc_spread=arc_spread, square=square.astype(np.float64))


def _weights(log: Array) -> Array:
    weight = np.exp(log - log.max())
    return np.asarray(weight / weight.sum())


def _effective(weights: Array) -> float:
    return float(1 / (weights**2).sum())


def _tempered(log_ratio: Array, log_evidence: Array) -> Array:
    """Weights with as much of the evidence as leaves a few nodes in play."""
    low, high = 0.0, 1.0
    if _effective(_weights(log_ratio + log_evidence)) >= _IN_PLAY:
        return _weights(log_ratio + log_evidence)
    for _ in range(20):
        power = (low + high) / 2
        weights = _weights(log_ratio + power * log_evidence)
        low, high = (power, high) if _effective(weights) >= _IN_PLAY else (low, power)
    return _weights(log_ratio + low * log_evidence)


def _moved(nodes: _Nodes, weights: Array) -> _Proposal:
    """A proposal about the weighted mean of nodes, spread wider than their weighted covariance."""
    middle = weights @ nodes.z
    apart = nodes.z - middle
    covariance: Array = (weights[:, None] * apart).T @ apart + 0.01 * np.eye(len(_MOVING))
    root = _WIDER * np.linalg.cholesky(covariance)
    square = float(np.clip(weights @ nodes.aim.square, _LEAST_SHARE, 1 - _LEAST_SHARE))
    return _Proposal(np.stack([middle, middle]), np.stack([root, root]), square)


def _peaks(ends: InnerEnds) -> _Proposal:
    """Normal laws about the modes of the posterior of the inner ends, and what lies about each (Laplace's method)."""
    zero = np.zeros((2, len(_MOVING)))
    reference = end_evidence(ends, _errors(zero, np.arange(2), np.zeros(2))).mean(axis=0)
    found = [_peak(ends, reference, square) for square in (0, 1)]
    log = np.array([height - np.log(np.diag(root)).sum() for _, root, height in found])  # root of the information
    share = float(np.clip(_weights(log)[1], _LEAST_SHARE, 1 - _LEAST_SHARE))
    roots = [_WIDER * np.linalg.inv(root).T for _, root, _ in found]
    return _Proposal(np.stack([mode for mode, _, _ in found]), np.stack(roots), share)


def _peak(ends: InnerEnds, reference: Array, square: int) -> tuple[Array, Array, float]:
    """Mode, root of the information there and log posterior for one meaning of lengths: Fisher scoring.

    The information is that of the scores of single cores, its diagonal scaled to the second differences of the whole.
    What inner ends do not teach stays at the prior.
    """
    moving, taught = len(_MOVING), _TAUGHT
    around = np.concatenate(
        [np.zeros((1, moving)), *(sign * _SCORE_STEP * np.eye(moving)[:taught] for sign in (1, -1))]
    )
    kind, none = np.full(len(around), square), np.zeros(len(around))
    z: Array = np.zeros(moving)
    step = z
    best: tuple[Array, Array, float] = z, np.eye(moving), -np.inf
    for _ in range(_SCORINGS):
        log = _log_share(end_evidence(ends, _errors(z + around, kind, none)), reference)
        height = float(log[0].sum() - 0.5 * z @ z)
        if height <= best[2]:  # too far: half the way
            step = step / 2
            z = best[0] + step
            continue
        more, less = log[1 : taught + 1], log[taught + 1 :]
        score = (more - less) / (2 * _SCORE_STEP)
        seen = np.maximum((score**2).sum(axis=1), 1e-9)
        bent = (2 * log[0] - more - less).sum(axis=1) / _SCORE_STEP**2
        scale = np.sqrt(np.clip(bent / seen, *_BENT))
        information, slope = np.eye(moving), -z
        information[:taught, :taught] += (score @ score.T) * np.outer(scale, scale)
        slope[:taught] += score.sum(axis=1)
        best = z, np.asarray(np.linalg.cholesky(information)), height
        step = np.asarray(np.linalg.solve(information, slope))
        step = step * min(1.0, _LONGEST_STEP / max(np.abs(step).max(), 1e-9))
        if np.abs(step).max() < _SCORE_STEP / 2:
            break
        z = z + step
    return best


def _posterior_nodes(ends: InnerEnds) -> _Nodes:
    """Equally likely nodes of the posterior of the inner ends.

    The first round of nodes lies about the modes; where few of them count, each later one lies where those before it
    count. A node is weighed against the mixture of all proposals, so that no round is lost (Cornuet et al. 2012, Scand.
    J. Stat. 39:798-812, from memory). What inner ends do not teach is spread evenly over its prior.
    """
    points, identity = even_points(NODES, _DIMENSIONS), np.eye(len(_MOVING))
    prior = _Proposal(np.zeros((2, len(_MOVING))), np.stack([identity, identity]), 0.5)
    if not len(ends):
        return _nodes(prior, points)
    proposals = [_peaks(ends)]
    pool = _nodes(proposals[0], points)
    evidence = _evidence(ends, pool.aim)
    for turn in range(1, _ROUNDS + 1):
        proposed = np.logaddexp.reduce([each.log_density(pool) for each in proposals], axis=0)
        log_ratio, log = prior.log_density(pool) - proposed, _log_share(evidence, evidence.mean(axis=0)).sum(axis=1)
        weights = _weights(log_ratio + log)
        if turn == _ROUNDS or _effective(weights) >= _ENOUGH * NODES:
            break
        proposals.append(_moved(pool, _tempered(log_ratio, log)))
        more = _nodes(proposals[-1], (points + turn * _GOLDEN) % 1)
        pool, evidence = pool.and_more(more), np.concatenate([evidence, _evidence(ends, more.aim)])
    picked = _evenly_picked(weights, NODES)
    z = pool.z[picked]
    z[:, _TAUGHT:] = ndtri(points[:, _TAUGHT : len(_MOVING)])
    return _at_points(z, pool.aim.square[picked].astype(np.int64), points)


def _evenly_picked(weights: Array, number: int) -> Ints:
    """Places of a number of equally likely cases, each place as often as it weighs."""
    places = np.searchsorted(np.cumsum(weights), (np.arange(number) + 0.5) / number)
    return np.asarray(np.minimum(places, weights.size - 1))


def learn_states(cores: Cores, shared: Shared, *, mates: bool = True) -> tuple[Cores, Shared]:
    """Learn what the field's cores share; cores with the distances that follow, and the shared states.

    Without `mates` the inner ends alone teach, and not how well the cores of a tree agree.
    """
    teachers = _teachers(cores)
    taught = np.array([row for rows in teachers for row in rows], dtype=np.int64)
    nodes = _posterior_nodes(cores.ends.take(taught))
    every = stand_states(cores, nodes.aim, nodes.level, only=taught)
    teachers = teachers if mates else []
    given = {name: _growth_given(cores, shared[name], every, teachers) for name in shared.species}
    log: Array = sum((_log_sum(own) for own in given.values()), np.zeros(NODES))
    node, growth = _states(_weights(_by_untaught(log, nodes)), given, shared)
    used, place = np.unique(node, return_inverse=True)
    states = _states_at(cores, every, taught, used, place)
    species = {name: replace(own, growth=replace(growth[name], place=place)) for name, own in shared.species.items()}
    cores = replace(cores, distance=_mixed(states))
    return cores, replace(shared, species=species, states=states)


def _by_untaught(log: Array, nodes: _Nodes) -> Array:
    """Log evidence of mates, (n_node,), as far as it speaks of arcs and counts: sums of means over all else.

    Aim, eccentricity and lengths stay as the inner ends taught them, their line is taken out first. How far apart mates
    point is no measure of these: two cores along one diameter err in opposite ways; how they lie is seldom noted.
    """
    taught = np.column_stack([np.ones(len(nodes)), nodes.z[:, :_TAUGHT], nodes.aim.square])
    left = log - taught @ np.linalg.lstsq(taught, log, rcond=None)[0]
    bias = np.argsort(np.argsort(nodes.z[:, _TAUGHT], kind="stable"), kind="stable") * _BIAS_GROUPS // len(nodes)
    out = np.zeros(len(nodes))
    for values in (bias, nodes.aim.arc_spread, nodes.level):
        _, group = np.unique(values, return_inverse=True)
        out += (np.bincount(group, left) / np.bincount(group))[group]
    return out


def _states_at(cores: Cores, every: StandStates, taught: Ints, used: Ints, place: Ints) -> StandStates:
    """The states at some of the nodes; distances of the cores that taught are kept where most nodes stay."""
    aim, level = every.aim.take(used), every.level[used]
    if 2 * used.size <= NODES:
        return stand_states(cores, aim, level, place)
    rest = stand_states(cores, aim, level, place, only=np.setdiff1d(np.arange(len(cores)), taught))
    most = max(len(rest.parts), len(every.parts))
    share, parts = np.zeros((*rest.share.shape[:2], most)), np.zeros((most, *rest.parts.shape[1:]), rest.parts.dtype)
    for own, rows in ((rest.share, rest.parts), (every.share[used], every.parts)):  # each empty where the other is not
        share[:, :, : len(rows)] += own
        parts[: len(rows)] += rows
    return replace(rest, share=share, parts=parts)


def _mixed(states: StandStates) -> Array:
    """Distance of every core over all states."""
    mixed = np.zeros(states.parts.shape[1:])
    for share, part in zip(np.einsum("k,knp->pn", states.node_weights, states.share), states.parts, strict=True):
        mixed += share[:, None] * part
    np.maximum(mixed, 0.0, out=mixed)
    total = mixed.sum(axis=1, keepdims=True)
    mixed /= np.where(total > 0, total, 1.0)
    return mixed


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


def _evidence(ends: InnerEnds, aim: AimErrors) -> Array:
    """Evidence of every node from each inner end, (n_node, n_core).

    Errors of arcs are cut: how the distances of a stand are spread is not known so well that it could tell a bias of
    arcs from another spread. Only mates teach these.
    """
    zero = np.zeros(len(aim))
    return end_evidence(ends, replace(aim, arc_bias=zero, arc_spread=zero))


def _log_share(evidence: Array, reference: Array) -> Array:
    """Log evidence of nodes, (n_node, n_core), by a reference, (n_core,); one core says only so much against a node."""
    return np.asarray(np.log((1 - _ODD) * evidence / np.where(reference > 0, reference, 1.0) + _ODD))


def _growth_given(cores: Cores, own: SpeciesShared, every: StandStates, teachers: list[tuple[int, ...]]) -> Array:
    """Log of prior times evidence for every node and value of the stand's growth, (n_node, n_bias), of one species."""
    log = np.repeat(-0.5 * _BIAS_NODES[None] ** 2, len(every.aim), axis=0)
    several = [rows for rows in teachers if len(rows) > 1 and own.place[rows[0]] >= 0]
    if several and own.growth.stand_sd > 0:
        weight = own.growth.given(own.growth.stand_sd * _BIAS_NODES)
        for evidence in tree_evidence(cores, own, every, several):  # (n_node, n_shift)
            agree = evidence @ weight.T
            log += np.log((1 - _ODD) * agree / agree.mean() + _ODD)
    return log


def _states(weights: Array, given: Mapping[str, Array], shared: Shared) -> tuple[Ints, dict[str, GrowthNodes]]:
    """Node of equally likely states, as often as each weighs, and the growth of each species spread over its law."""
    node = _evenly_picked(weights, STATES)
    points = even_points(STATES, max(1, len(given)))
    growth = {}
    for place, (name, log) in enumerate(sorted(given.items())):
        own: SpeciesShared = shared[name]
        law = np.exp(log - log.max(axis=1, keepdims=True))[node]
        law /= law.sum(axis=1, keepdims=True)
        law = np.cumsum(law, axis=1) - law / 2  # a node stands for the stretch about it
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
    again = rng.random(size) < pith_again_share(errors.again)  # these hold the pith whatever the aim
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
