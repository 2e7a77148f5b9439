"""Tests of the steps of the variance of a date: against sums over all distances, and draws of correlated errors."""

from dataclasses import replace

import numpy as np
import pytest

from treeage import simulate
from treeage.counting import count_error
from treeage.distance import DISTANCE_GRID_MM
from treeage.estimate import prepare
from treeage.estimate.chunks import table_size
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


def averaged(errors: np.ndarray, first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Mean of the errors (n, m) over one step of both cores, by the rings that the other steps add."""
    rows = np.stack([first @ errors[at : at + first.size] for at in range(errors.shape[0] - first.size + 1)])
    columns = [rows[:, at : at + second.size] @ second for at in range(errors.shape[1] - second.size + 1)]
    return np.stack(columns, axis=1)


def law_of_total_variance(cores: list[list[np.ndarray]]) -> np.ndarray:
    """Shares of count, distance and growth in the error of the date that two cores give together.

    By enumeration: the date is the mean of the product of what each core says (masses of rings added, by step); its
    error is averaged over growth, then over distance, in both cores.
    """
    one, two = (np.convolve(np.convolve(*steps[:2]), steps[2]) for steps in cores)
    rings = np.arange(one.size)
    error = np.zeros((one.size, two.size))
    for apart in range(-one.size + 1, two.size):
        both = rings[(rings + apart >= 0) & (rings + apart < two.size)]
        weight = one[both] * two[both + apart]
        error[both, both + apart] = both - weight @ both / weight.sum()
    given_distance = averaged(error, cores[0][2], cores[1][2])
    given_count = averaged(given_distance, cores[0][1], cores[1][1])
    near = [np.convolve(*steps[:2]) for steps in cores]
    told = [cores[0][0] @ given_count**2 @ cores[1][0], near[0] @ given_distance**2 @ near[1], one @ error**2 @ two]
    return np.diff([0.0, *told]) / told[-1]


def skewed(middle: float, spread: float, size: int) -> np.ndarray:
    """A lognormal mass on the whole numbers."""
    number = np.arange(size) + 0.5
    mass = np.exp(-0.5 * ((np.log(number) - middle) / spread) ** 2) / number
    return np.asarray(mass / mass.sum())


@pytest.mark.parametrize(
    ("dating", "rings", "spread"), [("lab_count", 80, 0.3), ("lab_count", 150, 0.4), ("field_count", 150, 0.4)]
)
def test_shares_of_several_cores_with_skewed_errors(dating: str, rings: int, spread: float) -> None:
    """Two cores, published count errors (skewness 1.0 to 1.2) and lognormal rings (1 to 1.3): within 0.02 (oracle).

    Where the rings have a skewness of 1.6 they are off by up to 0.025, and by 0.07 where the counts of both cores are
    geometric with a mean of two: the weights are those of normal errors.
    """
    count = np.asarray(count_error(rings, dating).mass).ravel()
    cores = [
        [count / count.sum(), skewed(2.0, spread, 40), skewed(1.5 if spread < 0.4 else 2.0, 0.4, 40)],
        [count / count.sum(), skewed(2.0, 0.3, 30), skewed(2.0, 0.3, 40)],
    ]
    spreads = [[mass @ np.arange(mass.size) ** 2 - (mass @ np.arange(mass.size)) ** 2 for mass in own] for own in cores]
    found = contributions(np.array([np.diag(step) for step in np.array(spreads).T])).sum(axis=0)
    assert found / found.sum() == pytest.approx(law_of_total_variance(cores), abs=0.02)
