"""What each step adds to the variance of a tree's pith year: count, distance, growth.

Of one core it is the law of total variance, in this order: the count; the rings to be expected at each distance; what
is left, the growth. The cores are weighed by the inverse of the covariance of their errors, as their agreement weighs
them; errors that they share (rings absent in both, the rate of the reader, the growth near the pith) do not average
out. Own derivation; exact for one core and for normal errors of several.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from treeage.estimate.cores import Cores
from treeage.estimate.shared import SpeciesShared, StandStates, expected_missed
from treeage.pmf import Mass, Pmf

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Rows = tuple[int, ...]


def spread_by_distance(distance: Array, own: SpeciesShared, width: tuple[Array, Array]) -> Array:
    """Variance over the distance of the missed rings to be expected, by the square of their mean, (n_core,)."""
    expected = expected_missed(own, width)
    mean = (distance * expected).sum(axis=1)
    square = (distance * expected**2).sum(axis=1)
    return np.asarray(np.where(mean > 0, square / np.where(mean > 0, mean, 1.0) ** 2 - 1, 0.0))


def step_covariances(
    cores: Cores,
    tree: str,
    rows: Rows,
    each: tuple[tuple[Pmf, ...], tuple[Pmf, ...]],
    told: Array,
    own: SpeciesShared,
    states: StandStates,
) -> Array:
    """Covariances (3, k, k) of the rings added to the cores of a tree: by count, distance and growth.

    each: missed rings and count error of every core; told: `spread_by_distance` of them.
    """
    missed, counts = each
    total, mean = np.array([one.var() for one in missed]), np.array([one.mean() for one in missed])
    distance = np.minimum(total, mean**2 * told)
    nodes = own.growth
    shift = float(nodes.weights @ nodes.shifts**2 - (nodes.weights @ nodes.shifts) ** 2)
    growth = shift * np.outer(mean, mean)
    rest = total - distance
    ceiling = np.sqrt(np.outer(rest, rest))
    growth = np.where(np.eye(len(rows)) > 0, np.diag(rest), np.minimum(growth, ceiling))
    return np.stack([_count_covariance(cores, tree, rows, counts, states), np.diag(distance), growth])


def _count_covariance(cores: Cores, tree: str, rows: Rows, counts: tuple[Pmf, ...], states: StandStates) -> Array:
    """Covariance (k, k) of the count errors: what was read together, and the rate of miscounts that all share."""
    covariance = np.diag([own.var() for own in counts])
    if cores.count_levels is not None and len(rows) > 1:
        weight = np.bincount(states.level, states.node_weights, minlength=len(cores.count_levels))
        level = np.array([_means(mass, rows) for mass in cores.count_levels])
        apart = level - weight @ level
        covariance += (1 - np.eye(len(rows))) * (apart.T @ (weight[:, None] * apart))
    if tree in cores.joint_counts:
        pair, _, mass = cores.joint_counts[tree]
        if set(pair) <= set(rows):
            one, two = (rows.index(row) for row in pair)
            first, second = np.arange(mass.shape[0]), np.arange(mass.shape[1])
            both = first @ mass @ second - (first @ mass.sum(axis=1)) * (mass.sum(axis=0) @ second)
            covariance[one, two] = covariance[two, one] = both / mass.sum()
    return np.asarray(covariance)


def _means(mass: Mass, rows: Rows) -> Array:
    own = mass.mass[list(rows)]
    return np.asarray(mass.start + own @ np.arange(own.shape[1]) / own.sum(axis=1))


def contributions(covariances: Array) -> Array:
    """Variance (k, 3) that each step of each core adds to the weighted mean of the cores."""
    total = covariances.sum(axis=0)
    each = np.diag(total)
    certain = each <= 1e-12
    if certain.any():
        weight = certain.astype(np.float64)
    else:
        weight = np.maximum(np.linalg.solve(total + 1e-9 * np.diag(each), np.ones(each.size)), 0.0)
        weight = weight if weight.sum() > 0 else 1 / each
    weight /= weight.sum()
    return np.asarray(np.einsum("j,sjk,k->js", weight, covariances, weight))
