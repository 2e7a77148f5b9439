"""Summaries of visible rings: window means for many cores at once."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treeage.errors import InputError
from treeage.rings import inner_growth, inner_growth_from_means

# widths are read to a thousandth of a millimetre (common practice)
widths_of_a_core = st.lists(
    st.integers(0, 6000).map(lambda thousandths: thousandths / 1000), min_size=1, max_size=90
).filter(lambda w: sum(w) > 0.5)


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
