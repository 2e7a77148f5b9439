"""The height model: oracle for the mass of years, consistency of heights, half-season convention, cautions."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from treeage.errors import InputError, ModelError
from treeage.height import (
    TREE_NODES,
    GrowthForm,
    HeightModel,
    axis_tangent,
    from_curve,
    from_mean_sd,
    from_published,
    from_quantiles,
    from_seedlings,
    growth_axis,
    normal_nodes,
    whole_seasons,
)
from treeage.height.model import SHARED_NODES, TIED_NODES, piecewise, power_slopes

YOUNG_HEIGHTS = np.array([0.08, 0.15, 0.2, 0.3, 0.35, 0.5, 0.6, 0.7, 0.9, 1.0, 1.2, 1.4])
YOUNG_AGES = np.array([2, 3, 3, 5, 4, 7, 6, 9, 10, 9, 14, 13])

MODELS = {
    "seedlings": from_seedlings(YOUNG_HEIGHTS, YOUNG_AGES),
    "mean_sd": from_mean_sd(1.0, 8, 3),
    "quantiles": from_quantiles(1.0, [0.05, 0.5, 0.95], [4, 8, 17]),
    "published": from_published("black spruce thin organic layer"),
    "curve": from_curve("douglas-fir bruce", 32.0),
}


def one_tree_model(log_median: float, log_sd: float) -> HeightModel:
    """A model without shared error, lognormal from tree to tree."""
    return HeightModel(
        name="oracle",
        source="test",
        known="user",
        forms=(GrowthForm.POWER,) * 4,
        scales_m=np.ones(4),
        intercept=np.full(4, log_median),
        slope=np.ones(4),
        deviation=np.tile(log_sd * normal_nodes(TREE_NODES), (4, 1)),
    )


@pytest.mark.parametrize(("median", "log_sd"), [(3.0, 0.2), (8.0, 0.35), (25.0, 0.34), (60.0, 0.53)])
def test_years_agree_with_the_lognormal_distribution(median, log_sd):
    """P(Y = y) is the lognormal probability of the season from y to y + 1."""
    years = one_tree_model(np.log(median), log_sd).years(1.0)
    law = stats.lognorm(log_sd, scale=median)
    expected = law.cdf(years.support + 1) - law.cdf(years.support)  # SciPy
    np.testing.assert_allclose(years.mass, expected, atol=2e-5)
    assert years.mean() == pytest.approx(law.mean() - 0.5, rel=0.005)  # closed form: the half season
    assert years.sd() == pytest.approx(np.sqrt(law.var() + 1 / 12), rel=0.01)  # closed form: plus a rounding


def test_nodes_have_unit_variance():
    """Nodes of a normal distribution: mean 0, variance 1, as SciPy's quantiles up to one factor."""
    nodes = normal_nodes(TREE_NODES)
    assert nodes.mean() == pytest.approx(0, abs=1e-12)
    assert nodes.var() == pytest.approx(1)
    ratio = nodes[:20] / stats.norm.ppf((np.arange(20) + 0.5) / TREE_NODES)  # SciPy
    np.testing.assert_allclose(ratio, ratio[0])


def test_power_slopes_are_unrelated_to_the_node_number():
    """The exponents are even steps in an order that does not follow the level nodes."""
    slopes = power_slopes()
    np.testing.assert_allclose(np.sort(slopes), 0.5 + (np.arange(32) + 0.5) / 64)  # hand sum
    assert abs(np.corrcoef(slopes, normal_nodes(32))[0, 1]) < 0.15


@pytest.mark.parametrize("name", sorted(MODELS))
@given(low=st.floats(0.01, 2.0), step=st.floats(0.001, 1.5))
@settings(max_examples=40, deadline=None)
def test_passing_times_rise_with_height_in_every_cell(name, low, step):
    """Two heights of one tree are consistent: the higher one is passed later."""
    model = MODELS[name]
    first, second = model.passing_seasons(low), model.passing_seasons(low + step)
    assert first.shape == (SHARED_NODES, TREE_NODES)
    assert np.all(first > 0) and np.all(second > first)


def test_whole_seasons_are_those_before_the_passing_one():
    """A tip that passes at the very end of a season passes in it; at the collar nothing is subtracted."""
    assert whole_seasons([[0.0, 0.4, 1.0], [1.0 + 1e-9, 6.5, 7.0]]).tolist() == [[0, 0, 0], [1, 6, 6]]  # hand sums


@pytest.mark.parametrize("name", sorted(MODELS))
def test_passing_years_are_those_of_every_cell(name):
    """Cells as the mass of each shared node has them, by its quantiles; kept, and protected from change."""
    model = MODELS[name]
    years, table = model.passing_years(0.9), model.years_given_shared(0.9)
    assert years.shape == (SHARED_NODES, TIED_NODES)
    for node in (0, 13, 31):
        share = np.cumsum(table.mass[node])
        for year in np.unique(years[node]):
            cells = (years[node] <= year).mean()
            assert cells == pytest.approx(share[year - table.start], abs=0.02)  # the same, counted in cells
    assert model.passing_years(0.9) is years
    with pytest.raises(ValueError, match="read-only"):
        years[0, 0] = 1
    assert not model.passing_years(0.0).any()  # definition
    with pytest.raises(InputError, match="height_m: got -1, need finite and at least 0"):
        model.passing_years(-1.0)


def test_piecewise_continues_the_outermost_slopes():
    """Slope 1 up to the second point and 2 after it."""
    at = np.array([-1.0, 0.5, 3.0])
    found = piecewise(at, np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 3.0]))
    assert found.tolist() == [-1.0, 0.5, 5.0]  # hand sums


@pytest.mark.parametrize("name", sorted(MODELS))
def test_mass_and_cells_of_a_model_agree(name):
    """Mass by shared node, mass over all, and the cells tell the same."""
    model = MODELS[name]
    table = model.years_given_shared(1.0)
    start, mass = table.start, table.mass
    assert mass.shape[0] == SHARED_NODES
    np.testing.assert_allclose(mass.sum(axis=1), 1.0)
    years = model.years(1.0)
    np.testing.assert_allclose(mass.mean(axis=0), years.on(start, mass.shape[1]), atol=1e-8)
    cells = model.passing_years(1.0)
    assert years.mean() == pytest.approx(cells.mean(), rel=0.03, abs=0.1)
    by_node = mass @ (start + np.arange(mass.shape[1]))
    np.testing.assert_allclose(by_node, cells.mean(axis=1), rtol=0.05, atol=0.15)
    with pytest.raises(ValueError, match="read-only"):
        mass[0, 0] = 1.0


@pytest.mark.parametrize("name", sorted(MODELS))
def test_height_zero_takes_no_years(name):
    """At the collar nothing is added."""
    assert MODELS[name].years(0.0).prob_at(0) == 1.0  # definition
    assert np.all(MODELS[name].passing_seasons(0.0) == 0)


@given(season=st.floats(0.01, 60.0))
@settings(deadline=None)
def test_rings_and_years_add_up_to_the_age(season):
    """Half-season convention: rings at the height plus ceil(T) - 1 are the age, for any passing time."""
    age = 100
    rings = sum(1 for year in range(1, age + 1) if year >= season)  # a ring in every season that ends after passing
    model = one_tree_model(np.log(season), 0.0)
    years = model.years(1.0)
    if abs(season - round(season)) > 1e-6 or season == round(season):  # in between, rounding decides
        assert years.prob_at(age - rings) == pytest.approx(1.0)  # hand sum: age = rings + Y


def test_ring_count_at_a_height_brackets_the_passing_time():
    """With n - r whole seasons the time lies in (n - r, n - r + 1], so age = rings + T - 1/2 on average."""
    passing = np.random.default_rng(2).uniform(3, 9, 20_000)
    years = np.ceil(passing) - 1
    assert np.all((passing > years) & (passing <= years + 1))
    assert np.mean(passing - years) == pytest.approx(0.5, abs=0.01)  # closed form: uniform within the season
    assert np.std(passing - years) == pytest.approx(np.sqrt(1 / 12), abs=0.01)  # closed form


def test_growth_axes_are_inverses_of_their_curves():
    """Each form gives back the heights of its own growth law."""
    time = np.array([2.0, 5.0, 9.0])
    np.testing.assert_allclose(
        growth_axis("weibull", 4.0, 4.0 * (1 - np.exp(-0.01 * time**1.5))), np.log(0.01) + 1.5 * np.log(time)
    )  # closed form
    np.testing.assert_allclose(
        growth_axis("korf", 6.0, 6.0 * np.exp(-9.0 * time**-0.8)), -np.log(9.0) + 0.8 * np.log(time)
    )  # closed form
    np.testing.assert_allclose(
        growth_axis("exponential", 0.2, 0.2 * np.expm1(0.3 * time)), np.log(0.3 * time)
    )  # closed form
    np.testing.assert_allclose(growth_axis("power", 0.0, time), np.log(time))  # closed form
    with pytest.raises(ModelError, match="got spline, need one of power, weibull"):
        growth_axis("spline", 1.0, 1.0)
    with pytest.raises(ModelError, match="got curve, need one of"):
        growth_axis("curve", 1.0, 1.0)
    value, slope = axis_tangent("weibull", 4.0, 1.0)
    assert value == pytest.approx(np.log(-np.log(0.75)))  # closed form
    assert slope == pytest.approx(1 / 4 / (0.75 * -np.log(0.75)), rel=1e-5)  # closed form: h dx/dh


def test_heights_out_of_reach_are_refused_or_flagged():
    """Above the tallest young tree: said; three times as high: refused."""
    model = MODELS["seedlings"]
    assert model.cautions(1.0) == ()
    assert "2 m is outside the 0 to 1.4 m its source covers" in model.cautions(2.0)[0]
    with pytest.raises(ModelError, match=r"got 4.5, need below 4.2 \[m\], the reach of 12 young trees"):
        model.years(4.5)
    with pytest.raises(InputError, match="height_m: got -1, need finite and at least 0"):
        model.years(-1.0)
    with pytest.raises(InputError, match="height_m: got nan"):
        model.passing_seasons(float("nan"))


def test_models_print_in_one_line():
    """The repr says what the model is and how it is known."""
    assert repr(MODELS["seedlings"]) == "HeightModel('12 young trees', known: user)"
