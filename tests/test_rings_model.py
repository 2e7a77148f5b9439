"""The fitted location and scale of the hidden width."""

import json

import numpy as np
import pytest

from treeage.priors import data_text
from treeage.rings import inner_growth, inner_growth_from_means, ring_model
from treeage.rings.model import FEATURES, TERMS


def test_only_a_mean_is_like_even_rings_with_an_unknown_spread():
    """Means alone give the location of even rings of typical spread, close to that of varied rings."""
    model = ring_model()
    mean = inner_growth_from_means([1.2], [30])
    assert np.isnan(mean.features[0, -2:]).all()
    rng = np.random.default_rng(5)
    widths = np.exp(rng.normal(0, 0.3, (200, 30)))
    varied = inner_growth(list(widths / widths.mean(1, keepdims=True) * 1.2))
    difference = model.location(varied, [15.0]).mean() - model.location(mean, [15.0])[0, 0]
    assert abs(difference) < 0.05


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
