"""Features of visible rings and the fitted location."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treeage.errors import InputError
from treeage.rings_growth import FEATURES, inner_growth, inner_growth_from_means
from treeage.rings_model import TERMS, ring_model

widths_of_a_core = st.lists(st.floats(0.0, 6.0), min_size=1, max_size=90).filter(lambda w: sum(w) > 0.5)


def slow_features(widths):
    """The features of one core, straight from their definition."""
    widths = np.asarray(widths)
    values = [widths[:k].mean() for k in (1, 2, 3, 5, 10, 20, 40)] + [widths.mean()]
    radius = np.concatenate([[0.0], np.cumsum(widths)])
    for target in (5.0, 10.0, 20.0, 40.0):
        reach = min(target, radius[-1])
        ring = int(np.argmax(radius >= reach))
        part = (reach - radius[ring - 1]) / (radius[ring] - radius[ring - 1])
        values.append(reach / (ring - 1 + part))
    runs = [widths[k : k + 10].mean() for k in range(len(widths) - 9)]
    values.append(max(runs) if runs else widths.mean())
    logs = np.log(np.maximum(widths[:20], 0.02))
    spreads = [np.std(logs, ddof=1), np.sqrt(np.mean(np.diff(logs) ** 2))] if logs.size > 1 else [np.nan] * 2
    return np.concatenate([np.log(np.maximum(values, 0.02)), spreads])


def test_features_are_their_definition_for_every_core_of_a_batch():
    """Vectorised features equal those of one core at a time."""
    rng = np.random.default_rng(1)
    cores = [np.exp(rng.normal(0, 0.5, size)) for size in (1, 2, 9, 10, 11, 40, 150)]
    found = inner_growth(cores).features
    for row, core in zip(found, cores, strict=True):
        np.testing.assert_allclose(row, slow_features(core), rtol=1e-9)  # brute force


@settings(max_examples=40, deadline=None)
@given(core=widths_of_a_core, other=widths_of_a_core)
def test_a_core_does_not_see_its_neighbours_in_the_batch(core, other):
    """A core alone and in company has the same features."""
    alone = inner_growth([core]).features[0]
    among = inner_growth([other, core, other]).features[1]
    np.testing.assert_allclose(among, alone, rtol=1e-7, atol=1e-7)


@settings(max_examples=40, deadline=None)
@given(core=st.lists(st.floats(0.1, 3.0), min_size=2, max_size=60), factor=st.floats(0.5, 2.0))
def test_log_means_move_with_the_unit_and_spreads_do_not(core, factor):
    """Widths times a factor move ring-window means by its logarithm and leave the spreads."""
    one, two = inner_growth([core, [factor * width for width in core]]).features
    np.testing.assert_allclose((two - one)[:8], np.log(factor), atol=1e-9)  # closed form
    np.testing.assert_allclose((two - one)[-2:], 0.0, atol=1e-9)  # closed form


def test_an_absent_ring_counts_as_a_ring():
    """A width of 0 halves the mean of two rings."""
    found = inner_growth([[0.0, 2.0]])
    assert found.ring_count[0] == 2
    assert np.exp(found.features[0, 1]) == pytest.approx(1.0)  # hand sum


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


@pytest.mark.parametrize(
    ("widths", "message"),
    [
        ([[1.0, -0.2]], "got -0.2 at position 1, need finite and at least 0"),
        ([[1.0], []], r"core 1.*got no widths, need at least one ring width \[mm\]"),
        ([[1.0, float("nan")]], "got nan at position 1"),
    ],
)
def test_wrong_widths_are_named(widths, message):
    """The message names the value and the place."""
    with pytest.raises(InputError, match=message):
        inner_growth(widths)


def test_wrong_number_of_genera_is_named():
    """One genus a core, or one for all."""
    with pytest.raises(InputError, match="got 2 genera, need one, or 1"):
        inner_growth([[1.0]], genus=["Pinus", "Picea"])


def test_mean_of_zero_is_refused():
    """A mean width must be above 0."""
    with pytest.raises(InputError, match="mean_mm: got 0 at position 0, need finite and above 0"):
        inner_growth_from_means([0.0], [10])
