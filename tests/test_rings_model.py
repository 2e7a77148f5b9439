"""The fitted location and scale of the hidden width."""

import json

import numpy as np
import pytest

from treeage.priors import data_text
from treeage.rings import (
    calibrate_missing_rings,
    inner_growth,
    inner_growth_from_means,
    ring_model,
    shared_spreads,
    visible_growth,
)
from treeage.rings.model import FEATURES, MEAN_RINGS, TERMS


def test_a_mean_of_few_rings_is_close_to_the_same_rings_and_a_mean_of_all_says_less():
    """A mean alone has a regression of its own: near that of the rings where these are few, wider where many."""
    model, rng = ring_model(), np.random.default_rng(5)
    mean = inner_growth_from_means([1.2, 1.2, 1.2], [5, 20, 150])
    assert np.isnan(mean.features[:, -2:]).all()
    assert mean.mean_only.all()
    widths = np.exp(rng.normal(0, 0.3, (200, 5)))
    varied = inner_growth(list(widths / widths.mean(1, keepdims=True) * 1.2))
    assert not varied.mean_only.any()
    assert abs(model.location(varied, [15.0]).mean() - model.location(mean, [15.0])[0, 0]) < 0.06
    scales, tables = model.own_scale(mean, np.full(3, 10.0)), model.own_scale(varied, np.full(200, 10.0))
    assert 1.0 < scales[0] / tables.mean() < 1.2
    assert scales[2] > 1.02 * scales[1] > scales[0]
    stand, tree = zip(*(shared_spreads(growth=mean.take([row])) for row in range(3)), strict=True)
    assert stand[2] > stand[1] > stand[0] >= shared_spreads()[0]
    assert tree[2] > tree[1] > tree[0] >= shared_spreads()[1]


def test_a_mean_that_was_not_measured_is_wider():
    """Its error joins that of the hidden width; shared spreads are root mean squares over the cores."""
    model = ring_model()
    growth = inner_growth_from_means([1.0, 1.0], [80, 80], mean_log_sd=[0.0, 0.3])
    plain, wide = model.own_scale(growth, np.array([10.0, 10.0]))
    assert wide == pytest.approx(np.hypot(plain, 0.3))  # closed form
    both = visible_growth([np.ones(80), np.zeros(0)], np.ones(2), np.full(2, 80.0), genus=[None, None])
    assert both.mean_only.tolist() == [False, True]
    alone, table = shared_spreads(growth=growth)[0], shared_spreads()[0]
    assert shared_spreads(growth=both)[0] == pytest.approx(np.sqrt((alone**2 + table**2) / 2))  # closed form
    known = calibrate_missing_rings([[1.0] * 60] * 9)
    left = known.stand_sd**2 + alone**2 - table**2  # the stand has taught nothing of what the rings would have told
    assert shared_spreads(calibration=known, growth=growth)[0] == pytest.approx(np.sqrt(left))


def test_genus_offset_of_a_mean_lies_between_those_of_few_rings_and_of_whole_cores():
    """Half way in the logarithm of the number of rings it is the mean of both."""
    model, few, whole = ring_model(), *ring_model().mean_genus_offset["Pinus"]
    middle = float(np.sqrt(np.prod(MEAN_RINGS)))
    for rings, expected in ((3.0, few), (middle, (few + whole) / 2), (500.0, whole)):
        named, plain = (inner_growth_from_means([1.0], [rings], genus=genus) for genus in ("Pinus", None))
        moved = model.location(named, [10.0]) - model.location(plain, [10.0])
        assert moved[0, 0] == pytest.approx(expected)  # closed form


def test_rows_of_both_kinds_are_what_they_are_alone():
    """Location and scale of a core do not depend on the others."""
    model = ring_model()
    both = visible_growth([np.linspace(1, 2, 30), np.zeros(0)], np.full(2, 1.3), np.full(2, 60.0), genus=["Larix"] * 2)
    for row, one in enumerate(
        (inner_growth([np.linspace(1, 2, 30)], genus="Larix"), inner_growth_from_means([1.3], [60], genus="Larix"))
    ):
        np.testing.assert_allclose(model.location(both, [4.0, 30.0])[row], model.location(one, [4.0, 30.0])[0])
        np.testing.assert_allclose(
            model.own_scale(both, np.full(2, 9.0))[row], model.own_scale(one, np.array([9.0]))[0]
        )


def test_location_by_row_and_by_grid_agree():
    """A row of distances a core gives the same as one grid for all."""
    model = ring_model()
    growth = inner_growth([[1.0] * 30, [2.0] * 12])
    grid = np.array([3.0, 8.0, 30.0])
    np.testing.assert_allclose(model.location(growth, grid), model.location(growth, np.tile(grid, (2, 1))))


def test_wider_rings_mean_wider_hidden_rings():
    """The location rises with the visible widths, by less than they do: regression towards the mean."""
    model = ring_model()
    growth = inner_growth([[0.5] * 60, [1.0] * 60, [2.0] * 60])
    for distance in (2.0, 10.0, 40.0):
        steps = np.diff(model.location(growth, [distance])[:, 0])
        assert np.all(steps > 0.5 * np.log(2))
        assert np.all(steps < 1.1 * np.log(2))


def test_unit_change_moves_the_answer_because_sizes_are_absolute():
    """Doubling distance and widths together is not neutral: the model knows that wide rings do not last."""
    model = ring_model()
    growth = inner_growth_from_means([0.5, 1.0], [60, 60])
    one = model.location(growth.take([0]), [10.0])[0, 0]
    two = model.location(growth.take([1]), [20.0])[0, 0]
    assert two - one < np.log(2)  # exactly ln 2 if only ratios counted
    assert two - one > 0.6 * np.log(2)


def test_coefficients_have_a_row_for_each_term_and_node():
    """The shipped table fits the terms of this version."""
    model = ring_model()
    assert model.coefficients.shape == (model.ring_nodes.size, len(TERMS) + 1, 3)
    assert len(FEATURES) == inner_growth([[1.0]]).features.shape[1]
    assert "World Data Service for Paleoclimatology" in model.source


def test_few_rings_tell_less():
    """The own scale falls with the number of visible rings."""
    model = ring_model()
    rng = np.random.default_rng(2)
    core = np.exp(rng.normal(0, 0.3, 80))
    growth = inner_growth([core[:1], core[:5], core])
    scales = model.own_scale(growth, np.full(3, 10.0))
    assert scales[0] > scales[1] > 0.95 * scales[2]


def test_genus_moves_the_location_and_a_species_name_is_enough():
    """A listed genus shifts the location by its offset, another by that of other genera, none by nothing."""
    model = ring_model()
    assert "Pinus" in model.genus_offset
    core = [[1.0] * 30]
    plain = model.location(inner_growth(core), [10.0])[0, 0]
    pine = model.location(inner_growth(core, genus="pinus sylvestris"), [10.0])[0, 0]
    other = model.location(inner_growth(core, genus="Nomenia"), [10.0])[0, 0]
    assert pine - plain == pytest.approx(model.genus_offset["Pinus"])  # closed form
    assert other - plain == pytest.approx(model.genus_offset["other genera"])  # closed form
    scales = [model.own_scale(inner_growth(core, genus=g), np.array([10.0]))[0] for g in ("Pinus", None)]
    assert scales[0] / scales[1] == pytest.approx(model.genus_scale["Pinus"])  # closed form


def test_young_tree_term_is_inside_the_stand_spread_and_its_covariances():
    """What complete cores can teach contains the young-tree term; neighbours of the same years do not share it."""
    model = ring_model()
    young_sd = json.loads(data_text("rings_model.json"))["young_sd"]
    assert 0 < young_sd < model.stand_sd
    assert np.all(model.stand_target[:, 0] >= young_sd**2)
    assert np.all(model.stand_target[:, 0] <= model.stand_shared[:, 0, 0] + 1e-12)


def test_covariances_of_evidence_are_proper():
    """Means over any number of trees have a covariance matrix with positive eigenvalues, and explain less than all."""
    model = ring_model()
    for trees in (1.0, 10.0, 1e6):
        matrix = model.stand_shared + model.stand_single / trees
        matrix[:, 2, 2] = model.stand_shared[:, 2, 2] + model.stand_single[:, 2, 2]
        assert np.linalg.eigvalsh(matrix).min() > 0
        explained = np.einsum("na,nab,nb->n", model.stand_target, np.linalg.inv(matrix), model.stand_target)
        assert np.all(explained < model.stand_variance)


def test_mean_log_width_lies_below_the_location_by_the_mean_of_the_tails():
    """Skewed tails pull the mean towards narrow hidden rings."""
    model, growth = ring_model(), inner_growth([np.linspace(1.0, 2.0, 40)])
    at = np.array([[12.0]])
    gap = model.location(growth, at) - model.mean_log_width(growth, at)
    assert gap[0, 0] == pytest.approx(model.tails.mean * model.own_scale(growth, at)[0, 0])  # closed form
    assert gap[0, 0] > 0
