"""Neighbours' dated rings in the hidden years, and the tree's other core."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treeage.distance import DISTANCE_GRID_MM
from treeage.errors import InputError
from treeage.rings import DatedSeries, inner_growth, missed_ring_mass, ring_model, stand_adjustment
from treeage.rings.stand import stand_evidence

AT_15 = np.array([15.0])


def stand(trees, *, years=120, first=1880, poor=(1910, 1930), seed=1, pith=False):
    """Old neighbours that all grew narrow rings in a span of years."""
    rng = np.random.default_rng(seed)
    year = np.arange(first, first + years)
    factor = np.where((year >= poor[0]) & (year < poor[1]), 0.4, 1.0)
    widths = list(np.exp(rng.normal(0, 0.2, (trees, years))) * factor)
    return DatedSeries(widths, [first] * trees, [f"n{k}" for k in range(trees)], [pith] * trees)


def target(first=1930, tree="t", rings=60, seed=9):
    """A core that ends in a given year."""
    widths = np.exp(np.random.default_rng(seed).normal(0, 0.2, rings))
    return DatedSeries([widths], [first], [tree], [False])


def test_narrow_rings_of_neighbours_in_the_hidden_years_mean_narrow_hidden_rings():
    """The offset is negative behind a poor span and about 0 behind a good one."""
    behind_poor = stand_adjustment(target(1930), stand(15)).offset_on(AT_15)[0, 0]
    behind_good = stand_adjustment(target(1960), stand(15)).offset_on(AT_15)[0, 0]
    assert behind_poor < -0.3
    assert abs(behind_good) < 0.2


def test_year_evidence_is_the_mean_deviation_over_the_hidden_years():
    """One neighbour: its deviation over as many years as the distance suggests."""
    model, core, others = ring_model(), target(1930), stand(1)
    means, trees = stand_evidence(core, others, model)
    node = 3
    location = model.location(inner_growth(core.widths_mm), model.stand_nodes_mm)[0, node]
    rings = int(round(model.stand_nodes_mm[node] / np.exp(location)))
    widths = np.asarray(others.widths_mm[0])
    before = 1930 - 1880
    radius = widths[before - rings : before].sum()
    expected = model.mean_log_width(inner_growth([widths[before:]]), np.array([[radius]]))[0, 0]
    assert means[0, node, 1] == pytest.approx(np.log(radius / rings) - expected)  # hand sum
    assert trees[0, node].tolist() == [0.0, 1.0, 0.0]


def test_other_core_of_the_tree_counts_more_than_a_neighbour():
    """The same evidence from the tree itself moves the answer further and leaves less."""
    core = target(1930, tree="n0")
    own = stand_adjustment(core, stand(1))
    foreign = stand_adjustment(target(1930, tree="t"), stand(1))
    assert own.offset_on(AT_15)[0, 0] < foreign.offset_on(AT_15)[0, 0] < 0
    assert own.factor_at(AT_15)[0] < foreign.factor_at(AT_15)[0]
    without = stand_adjustment(core, stand(1), other_cores=False)
    assert np.all(without.offset == 0.0)


def test_a_core_never_informs_itself():
    """The target among the neighbours changes nothing, complete or not."""
    core, others = target(1930), stand(6)
    together = DatedSeries([*others.widths_mm, *core.widths_mm], [1880] * 6 + [1930], [*others.tree, "t"], [False] * 7)
    np.testing.assert_allclose(
        stand_adjustment(core, together).offset, stand_adjustment(core, others).offset, atol=1e-12
    )


@pytest.mark.parametrize("trees", [3, 10])
def test_more_neighbours_leave_less(trees):
    """The stand's spread falls with the number of neighbours and never below a tenth of its variance."""
    fewer, more = stand_adjustment(target(), stand(trees)), stand_adjustment(target(), stand(3 * trees))
    shipped = ring_model().stand_sd
    assert np.sqrt(0.1) * shipped <= more.stand_sd <= fewer.stand_sd <= shipped


def test_neighbours_without_the_hidden_years_say_nothing():
    """Younger neighbours that do not reach the pith are silent."""
    found = stand_adjustment(target(1930), stand(8, first=1940, years=70))
    assert np.all(found.offset == 0.0)
    assert found.stand_sd == pytest.approx(ring_model().stand_sd)


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 100))
def test_order_of_neighbours_does_not_matter(seed):
    """Any order of the neighbours gives the same offsets."""
    others = stand(9)
    order = np.random.default_rng(seed).permutation(9)
    mixed = DatedSeries([others.widths_mm[k] for k in order], [1880] * 9, [others.tree[k] for k in order], [False] * 9)
    np.testing.assert_allclose(
        stand_adjustment(target(), mixed).offset, stand_adjustment(target(), others).offset, atol=1e-10
    )


def test_engine_takes_one_row_a_core():
    """The adjusted mass has fewer rings where the stand says wide rings, core by core, fast and exact alike."""
    both = DatedSeries([target(1930).widths_mm[0]] * 2, [1930, 1960], ["t", "s"], [False, False])
    calibration = stand_adjustment(both, stand(15))
    mass = np.exp(-0.5 * ((DISTANCE_GRID_MM - 15.0) / 1.0) ** 2)
    mass = np.tile(mass / mass.sum(), (2, 1))
    growth = inner_growth(both.widths_mm)
    fast = missed_ring_mass(growth, mass, [0.0], max_rings=150, calibration=calibration)
    exact = missed_ring_mass(growth, mass, [0.0], max_rings=150, calibration=calibration, method="exact")
    assert 0.5 * np.abs(fast - exact).sum(2).max() < 1e-3  # brute force
    means = fast[:, 0] @ np.arange(151)
    assert means[0] > 1.3 * means[1]
    one = missed_ring_mass(growth.take([1]), mass[:1], [0.0], max_rings=150, calibration=calibration.take([1]))
    np.testing.assert_allclose(one[0], fast[1], atol=2e-6)


def test_series_of_unequal_length_are_refused():
    """Four entries a core, or none."""
    with pytest.raises(InputError, match=r"got lengths \[1, 2\], need one entry a core"):
        DatedSeries([[1.0], [1.0]], [1900, 1901], ["a", "b"], [True])
