"""Tests of virtual trees: height growth, conventions, the statistics of their wood."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from treeage.height import whole_seasons
from treeage.simulate import scenario
from treeage.simulate.trees import Species, draw_trees, growth_curve, slow_part, tail_factor, yearly_part


@given(st.floats(3.0, 40.0), st.floats(1.0, 2.0))
def test_median_trees_pass_one_metre_when_the_recipe_says(years: float, shape: float) -> None:
    """Property: the height curve goes through 1 m at the stated time."""
    curve = growth_curve(Species("Larix decidua", years_to_1m=years, asymptote_m=20.0, height_shape=shape))
    assert float(curve.age_at(1.0)) == pytest.approx(years, rel=1e-9)  # definition


def test_passing_time_of_the_textbook_curve() -> None:
    """A Chapman-Richards curve with A = 30 m, k = 0.05, p = 1.3 passes 1.3 m at 1.873321 seasons."""
    # -ln(1 - (h/A)**(1/p)) / k: heights.md form with test numbers, closed form; the time at 1 m fixes k
    years = -np.log1p(-((1 / 30) ** (1 / 1.3))) / 0.05
    species = Species("x", years_to_1m=float(years), asymptote_m=30.0, height_shape=1.3)
    assert float(growth_curve(species).age_at(1.3)) == pytest.approx(1.873321, abs=1e-6)  # closed form


def test_pith_offset_has_the_mean_of_the_recipe_in_every_direction() -> None:
    """The offset is isotropic with mean 0.13 of the radius, or stretched along the slope."""
    recipe = replace(scenario("large"), trees=20000)
    offset = draw_trees(recipe, np.random.default_rng(1)).offset_share
    assert np.hypot(*offset.T).mean() == pytest.approx(0.13, abs=0.002)  # Renvall 1923 and Woodall 2008, see Stem
    assert offset[:, 0].std() == pytest.approx(offset[:, 1].std(), rel=0.03)
    steep = replace(recipe, stem=replace(recipe.stem, slope_ratio=2.0))
    offset = draw_trees(steep, np.random.default_rng(1)).offset_share
    assert offset[:, 0].std() / offset[:, 1].std() == pytest.approx(2.0, rel=0.03)


def test_trees_have_enough_rings_at_every_coring_height() -> None:
    """The latest establishment leaves the fewest rings at the highest core."""
    recipe = scenario("mixed")
    trees = draw_trees(recipe, np.random.default_rng(2))
    for index, species in enumerate(recipe.species):
        own = trees.species_index == index
        below = whole_seasons(float(growth_curve(species).age_at(1.2)) * trees.slowness[own])  # 0.9 m + 3 sd of 0.1 m
        assert (recipe.outer_year - trees.establishment_year[own] - below + 1 >= recipe.fewest_rings).all()


def test_slow_part_is_stationary_in_the_log_ring_number() -> None:
    """Its spread is the same at every ring, its correlation falls with the log of the ring number."""
    series = slow_part(200, np.full(20000, 0.3), 0.5, np.random.default_rng(3))
    assert series.std(axis=0) == pytest.approx(np.full(200, 0.3), abs=0.008)
    x = np.log(np.arange(200) + 8.0)
    expected = np.exp(-(x[150] - x[10]) / 0.5)  # closed form of an Ornstein-Uhlenbeck process
    assert np.corrcoef(series[:, 10], series[:, 150])[0, 1] == pytest.approx(expected, abs=0.03)


def test_yearly_part_has_its_spread_and_autocorrelation() -> None:
    """A first-order autoregressive series, stationary from the first year."""
    series = yearly_part(40, 20000, 0.2, 0.4, np.random.default_rng(4))
    assert series.std(axis=0) == pytest.approx(np.full(40, 0.2), abs=0.006)
    assert np.corrcoef(series[:, 20], series[:, 21])[0, 1] == pytest.approx(0.4, abs=0.02)  # closed form


def test_tail_factor_gives_t_tails_with_the_spread_kept() -> None:
    """Normal times the factor is a t scaled to variance 1, but for the cut."""
    rng = np.random.default_rng(5)
    draws = rng.standard_normal(200000) * tail_factor(200000, 9.0, rng)
    assert draws.std() == pytest.approx(1.0, abs=0.02)
    assert (draws**4).mean() == pytest.approx(3 + 6 / (9 - 4), abs=0.4)  # closed form of the kurtosis of a t with 9
