"""Tests of virtual trees: height growth, conventions, the statistics of their wood."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from treeage.simulate import scenario
from treeage.simulate.scenarios import Species
from treeage.simulate.trees import draw_trees, height_at, passing_time, slow_part, tail_factor, yearly_part, years_below


@given(
    st.floats(0.05, 15.0),
    st.floats(3.0, 40.0),
    st.floats(1.0, 2.0),
)
def test_height_and_passing_time_are_inverse(height: float, years: float, shape: float) -> None:
    """Property: the height at the passing time of a height is that height."""
    species = Species("Larix decidua", years_to_1m=years, asymptote_m=20.0, height_shape=shape)
    back = height_at(species, passing_time(species, np.array([height])))
    assert back[0] == pytest.approx(height, rel=1e-6)


def test_passing_time_of_the_textbook_curve() -> None:
    """A Chapman-Richards curve with A = 30 m, k = 0.05, p = 1.3 passes 1.3 m at 1.873321 seasons."""
    # -ln(1 - (h/A)**(1/p)) / k: heights.md form with test numbers, closed form; the time at 1 m fixes k
    years = -np.log1p(-((1 / 30) ** (1 / 1.3))) / 0.05
    species = Species("x", years_to_1m=float(years), asymptote_m=30.0, height_shape=1.3)
    assert passing_time(species, np.array([1.3]))[0] == pytest.approx(1.873321, abs=1e-6)  # closed form


def test_years_below_follows_the_half_season_convention() -> None:
    """Y = ceil(T) - 1, and 0 at height 0."""
    # hand: the tip that passes in season 7 (T in (6, 7]) has 6 whole seasons before it
    assert years_below(np.array([0.0, 0.2, 1.0, 6.01, 7.0, 7.01])).tolist() == [0, 0, 0, 6, 6, 7]


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
        below = years_below(passing_time(species, np.array(1.2)) * trees.slowness[own])  # 0.9 m + 3 sd of 0.1 m
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
