"""Complete cores of a stand: level, trend, and how their number narrows what remains."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treeage.errors import InputError
from treeage.rings import (
    calibrate_missing_rings,
    hidden_width,
    inner_growth,
    missing_rings,
    ring_model,
    typical_distance,
)
from treeage.rings.stand import best_prediction, deviations_from_pith


def complete(cores, seed, young=1.0, rings=90):
    """Complete cores whose first 15 rings are wider by a factor."""
    rng = np.random.default_rng(seed)
    trend = np.where(np.arange(rings) < 15, young, 1.0)
    return list(np.exp(rng.normal(0, 0.25, (cores, rings))) * trend)


def test_deviation_is_the_log_ratio_of_truth_and_expectation():
    """A complete core cut at a ring boundary deviates by ln(true mean hidden width) minus its expected value."""
    model, widths = ring_model(), np.concatenate([np.full(5, 2.0), np.full(40, 1.0)])
    found = deviations_from_pith([widths], np.array([10.0]), model)
    expected = model.mean_log_width(inner_growth([widths[5:]]), np.array([[10.0]]))[0, 0]
    assert found[0, 0] == pytest.approx(np.log(2.0) - expected)  # hand sum


def test_short_core_has_no_deviation_far_out():
    """A core that ends before the distance says nothing there."""
    found = deviations_from_pith([np.full(20, 1.0)], np.array([5.0, 80.0]), ring_model())
    assert np.isfinite(found[0, 0])
    assert np.isnan(found[0, 1])


@pytest.mark.parametrize("kind", [0, 1, 2])
def test_one_mean_is_weighted_as_a_regression_on_it(kind):
    """With a single kind of evidence the weight is covariance over variance."""
    model = ring_model()
    means, trees = np.zeros((1, model.stand_nodes_mm.size, 3)), np.zeros((1, model.stand_nodes_mm.size, 3))
    means[..., kind], trees[..., kind] = 0.3, 4.0
    offset, explained = best_prediction(means, trees, model)
    variance = model.stand_shared[:, kind, kind] + model.stand_single[:, kind, kind] / 4
    weight = model.stand_target[:, kind] / variance  # closed form
    np.testing.assert_allclose(offset[0], 0.3 * weight)
    np.testing.assert_allclose(explained[0], weight * model.stand_target[:, kind])


def test_three_means_are_solved_together():
    """The joint weights solve the normal equations."""
    model = ring_model()
    means, trees = np.full((1, model.stand_nodes_mm.size, 3), 0.2), np.full((1, model.stand_nodes_mm.size, 3), 6.0)
    trees[..., 2] = 1.0
    offset, _ = best_prediction(means, trees, model)
    for node in range(model.stand_nodes_mm.size):
        number = np.array([[6.0, 6.0, 6.0], [6.0, 6.0, 6.0], [6.0, 6.0, 1.0]])
        matrix = model.stand_shared[node] + model.stand_single[node] / number
        weights = np.linalg.inv(matrix) @ model.stand_target[node]  # NumPy inverse as oracle
        assert offset[0, node] == pytest.approx(0.2 * weights.sum())


def test_no_evidence_leaves_everything_as_it_was():
    """Zero trees: offset 0, nothing explained."""
    model = ring_model()
    offset, explained = best_prediction(
        np.full((2, model.stand_nodes_mm.size, 3), 9.0), np.zeros((2, model.stand_nodes_mm.size, 3)), model
    )
    assert np.all(offset == 0.0)
    assert np.all(explained == 0.0)


def test_fast_young_trees_mean_fewer_missed_rings():
    """Where complete cores began wide, the calibrated answer has fewer rings."""
    core = np.full(50, 1.0)
    plain = missing_rings(15.0, core)
    fast = missing_rings(15.0, core, calibration=calibrate_missing_rings(complete(12, 1, young=2.0)))
    slow = missing_rings(15.0, core, calibration=calibrate_missing_rings(complete(12, 1, young=0.5)))
    assert fast.mean() < plain.mean() < slow.mean()


def test_more_cores_pull_harder_and_leave_less():
    """Partial pooling: offset grows and the spread of the stand falls with the number of cores."""
    few, many = (calibrate_missing_rings(complete(number, 3, young=2.0)) for number in (2, 30))
    assert np.all(many.offset_on(np.array([15.0])) > few.offset_on(np.array([15.0])))
    assert many.stand_sd < few.stand_sd < ring_model().stand_sd
    assert many.tree_sd == ring_model().tree_sd


def test_calibration_narrows_the_answer():
    """The spread of log rings falls with calibration."""
    core = np.exp(np.random.default_rng(4).normal(0, 0.3, 60))
    plain = missing_rings(20.0, core)
    told = missing_rings(20.0, core, calibration=calibrate_missing_rings(complete(25, 5)))
    assert told.sd() / told.mean() < plain.sd() / plain.mean()


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 50))
def test_order_of_the_complete_cores_does_not_matter(seed):
    """Any order gives the same calibration."""
    cores = complete(7, seed)
    one, two = calibrate_missing_rings(cores), calibrate_missing_rings(cores[::-1])
    np.testing.assert_allclose(one.offset, two.offset, atol=1e-12)


def test_offsets_are_interpolated_in_the_logarithm():
    """Half way between two nodes in the logarithm lies the mean of their offsets."""
    found = calibrate_missing_rings(complete(5, 8, young=1.5))
    nodes = found.distance_mm
    middle = np.sqrt(nodes[2] * nodes[3])
    assert found.offset_on(np.array([middle]))[0] == pytest.approx((found.offset[2] + found.offset[3]) / 2)
    assert found.offset_on(np.array([0.0]))[0] == pytest.approx(found.offset[0])
    assert found.offset_on(np.array([900.0]))[0] == pytest.approx(found.offset[-1], abs=1e-5)


def test_hidden_width_is_the_model_moved_by_the_stand():
    """Location plus offset and scale times factor, on one grid or a row a core; without a stand, the model."""
    model, growth = ring_model(), inner_growth(complete(3, 9, rings=40))
    found = calibrate_missing_rings(complete(6, 8, young=1.5))
    grid, typical = np.array([0.0, 4.0, 20.0]), np.array([3.0, 8.0, 30.0])
    location, scale = hidden_width(growth, grid, typical, calibration=found)
    np.testing.assert_array_equal(location, model.location(growth, grid) + found.offset_on(grid))  # definition
    np.testing.assert_array_equal(scale, model.own_scale(growth, typical) * found.factor_at(typical))  # definition
    by_row, _ = hidden_width(growth, np.tile(grid, (3, 1)), typical, calibration=found)
    np.testing.assert_allclose(by_row, location)
    plain, _ = hidden_width(growth, grid, typical)
    np.testing.assert_array_equal(plain, model.location(growth, grid))


def test_typical_distance_is_the_geometric_mean_beyond_the_pith():
    """The pith itself and the scale of the mass do not count; a core at the pith has the shortest distance."""
    mass = np.array([[0.5, 0.25, 0.25], [0.0, 3.0, 1.0], [1.0, 0.0, 0.0]])
    found = typical_distance([0.0, 1.0, 16.0], mass)
    np.testing.assert_allclose(found, [4.0, 2.0, 1.0])  # hand: sqrt(16), 16 ** (1 / 4), nothing beyond


def test_no_core_is_refused():
    """Calibration needs a complete core."""
    with pytest.raises(InputError, match="got no series, need at least one complete core"):
        calibrate_missing_rings([])


def test_bad_width_is_refused():
    """A negative width is named."""
    with pytest.raises(InputError, match="got -1 at position 1, need finite and at least 0"):
        calibrate_missing_rings([[1.0, -1.0, 1.0]])
