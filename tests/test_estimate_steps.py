"""Tests of the steps of the variance of a date: against sums over all distances, and draws of correlated errors."""

from dataclasses import replace

import numpy as np
import pytest

from treeage import simulate
from treeage.distance import DISTANCE_GRID_MM
from treeage.estimate import prepare
from treeage.estimate.batches import table_size
from treeage.estimate.shared import missed_mass
from treeage.estimate.steps import contributions
from treeage.estimate.trees import date_trees


def test_shares_of_one_core_are_those_of_brute_force() -> None:
    """Count, then distance, then growth: the variance of the mean number of missed rings over every distance, from the
    mass at each distance, summed by hand; within 0.02 but for two trees in a hundred of tiny variance."""
    recipe = simulate.scenario("demo")
    recipe = replace(recipe, coring=replace(recipe.coring, cores_per_tree=1), trees=30)
    cores, shared, _ = prepare(simulate.simulate_stand(recipe, seed=3).field())
    apart = []
    for tree in date_trees(cores, shared).values():
        row, own = tree.lead, shared[tree.species]
        used = np.flatnonzero(cores.distance[row] > 1e-6)
        each = np.eye(DISTANCE_GRID_MM.size)[used]
        most = table_size(int(cores.most_rings[row]))
        mass = missed_mass(cores, np.full(used.size, row), own, most, distance=each)
        given = np.einsum("ksm,s->km", mass, own.growth.weights)
        given /= given.sum(axis=1, keepdims=True)
        rings, weight = np.arange(given.shape[1]), cores.distance[row][used] / cores.distance[row][used].sum()
        mean = given @ rings
        inner = given @ rings**2 - mean**2
        expected = np.array([tree.counts[0].var(), weight @ mean**2 - (weight @ mean) ** 2, weight @ inner])
        apart.append(np.abs(tree.variance[0] / tree.variance.sum() - expected / expected.sum()).max())
    assert np.mean(np.array(apart) < 0.02) > 0.9
    assert max(apart) < 0.06


def test_shares_of_several_cores_are_those_of_draws() -> None:
    """Three steps of correlated normal errors of two cores: the variance of the weighted mean due to each (oracle: half
    a million draws)."""
    rng = np.random.default_rng(1)
    parts = np.array([[[4.0, 3.0], [3.0, 5.0]], [[9.0, 0.0], [0.0, 1.0]], [[2.0, 1.0], [1.0, 6.0]]])
    found = contributions(parts)
    total = parts.sum(axis=0)
    weight = np.linalg.solve(total, np.ones(2))
    weight /= weight.sum()
    drawn = [rng.multivariate_normal([0, 0], part, 500_000) @ weight for part in parts]
    assert found.sum(axis=0) == pytest.approx([own.var() for own in drawn], rel=0.01)
    assert found.sum() == pytest.approx(1 / np.linalg.inv(total).sum(), rel=1e-6)  # closed form of the best mean


def test_what_two_counts_share_does_not_average_out() -> None:
    """Errors of counts that are the same in both cores keep their variance; apart they halve (closed form)."""
    same = np.array([np.full((2, 2), 4.0) + 1e-6 * np.eye(2), np.zeros((2, 2)), np.zeros((2, 2))])
    apart = np.array([4.0 * np.eye(2), np.zeros((2, 2)), np.zeros((2, 2))])
    assert contributions(same).sum() == pytest.approx(4.0, rel=1e-3)
    assert contributions(apart).sum() == pytest.approx(2.0)
