"""Conventions of the history of a stand, on exact dates with sums done by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from field_cases import SURE

from treeage import StandHistory, estimate_ages, stand_history
from treeage.stand import after_events, age_structure, expansion_fixed_area, expansion_nearest_trees, static_models
from treeage.stand.past import origin_chances
from treeage.stand.structure import share_in_own_bin, smallest_honest_bin
from treeage.tables import Field, Settings


def exact(*years: int) -> np.ndarray:
    """Joint draws without error: four draws of each date."""
    return np.tile(np.array(years, dtype=np.float64), (4, 1))


@pytest.fixture(scope="module")
def history() -> StandHistory:
    """Seventeen crossdated pith cores at the collar, 1790 to 1950 every tenth year; events in 1900 and 1930."""
    years = list(range(1790, 1951, 10))
    names = [f"T{year}" for year in years]
    trees: dict[str, Any] = {"tree": names, "species": "Larix decidua", "trees_per_ha": 25.0}
    trees["dbh_cm"] = [48.0 - 2 * at for at in range(17)]
    cores = pd.DataFrame({"tree": names, "core": "a", "outer_year": 2024, "dating": "crossdated", "inner_end": "pith"})
    cores["rings_counted"], cores["core_height_m"] = [2024 - year + 1 for year in years], 0.0
    events = pd.DataFrame({"year": [1930, 1900], "event": ["fire", "felling"]})
    settings = Settings(height={"default": {"model": "none"}}, doubt=SURE)
    field = Field.from_frames(pd.DataFrame(trees), cores, events=events, settings=settings)
    return stand_history(estimate_ages(field), bin_years=20, within_years=(10, 20), count=200)


def test_classes_hold_their_first_and_last_year():
    """Ten-year classes from 1900 to 1909: 1899 falls before, 1900 and 1909 in it, 1910 after."""
    frame = age_structure(exact(1899, 1900, 1909, 1910), bin_years=10).to_frame()
    assert frame["year_first"].tolist() == [1890, 1900, 1910]
    assert frame["year_last"].tolist() == [1899, 1909, 1919]
    assert frame["trees_naive"].tolist() == frame["trees_mean"].tolist() == [1, 2, 1]


def test_classes_of_years_before_christ_round_down():
    """The year -1 is in the class from -10 to -1, the year 0 in that from 0 to 9."""
    frame = age_structure(exact(-1, 0), bin_years=10).to_frame()
    assert frame[["year_first", "year_last", "trees_naive"]].to_numpy().tolist() == [[-10, -1, 1], [0, 9, 1]]


def test_a_tree_stands_for_its_trees_per_hectare():
    """Two trees of 25 and one of 100 per hectare in one class: 150 per hectare."""
    frame = age_structure(exact(1901, 1902, 1903), bin_years=10, trees_per_ha=[25.0, 25.0, 100.0]).to_frame()
    assert frame["trees_per_ha_naive"].tolist() == [150.0] and frame["trees_naive"].tolist() == [3]


def test_an_honest_bin_is_twice_the_standard_deviation():
    """SD 4 years: 8 years, rounded up to 10; a bin of 2 SD holds erf(1 / sqrt 2) = 68.3 % of a pulse in its middle."""
    draws = np.array([[1896.0, 1900.0], [1904.0, 1908.0]])  # both +- 4
    assert smallest_honest_bin(draws) == 10
    assert float(share_in_own_bin(4.0, 8.0)) == pytest.approx(0.6827, abs=1e-4)


def test_trees_of_the_year_of_an_event_are_not_after_it():
    """Fire in 1900: 1900 is not after it, 1901 is (lag 1), 1910 is within ten years (lag 10), 1911 is not."""
    found = after_events(exact(1900, 1901, 1910, 1911), {"fire": 1900}, within_years=(10,))
    assert found.tree_frame()["p_after"].tolist() == [0, 1, 1, 1]
    row = found.to_frame().iloc[0]
    assert row["within_10_years_median"] == 2
    assert (row["lag_first_median"], row["lag_median_median"]) == (1, 10)


def test_events_of_a_field_are_told_in_order(history):
    """Felling of 1900 before the fire of 1930: 1910 to 1950 after it, two within 20 years; then 1940, 1950."""
    frame = history.tables()["events"]
    assert frame["event"].tolist() == ["felling", "fire"]
    assert frame["trees_after"].tolist() == [5, 2]
    assert frame["within_20_years_median"].tolist() == [2, 2]
    assert frame["within_10_years_median"].tolist() == [1, 1]


def test_the_structure_of_a_field(history):
    """Two dates in twenty years from 1800 to 1939, 50 trees per hectare each; one at either end."""
    frame = history.tables()["age_structure"]
    assert frame["year_first"].tolist() == list(range(1780, 1941, 20))
    assert frame["trees_naive"].tolist() == [1, *[2] * 8]
    assert frame["trees_per_ha_naive"].tolist() == [25.0, *[50.0] * 8]
    assert history.survey_year == 2024


def test_recruitment_adds_up_to_the_trees_per_hectare(history):
    """17 trees of 25 per hectare: the medians by date add up to 425 per hectare, the fitted ones to about that."""
    frame = history.tables()["recruitment"]
    step = frame["year_last"] - frame["year_first"] + 1
    assert set(frame["unit"]) == {"trees per ha and year"}
    assert (frame["naive"] * step).sum() == pytest.approx(425)
    assert (frame["establishment_median"] * step).sum() == pytest.approx(425, rel=0.15)
    seen = frame[frame["naive"] > 0]
    assert seen["year_first"].min() <= 1790 <= seen["year_last"].min()  # the first cell with a tree holds 1790
    assert seen["year_first"].max() <= 1950 <= seen["year_last"].max()


def test_members_of_pulses_add_to_one(history):
    """Background and pulses share each tree out; an even sequence has no pulse."""
    members = history.tables()["pulse_membership"]
    assert members["tree"].tolist()[0] == "T1790"
    assert members.filter(like="p_").sum(axis=1).to_numpy() == pytest.approx(1)
    assert history.pulses.number == 0


def test_the_origin_lies_before_the_oldest_tree(history):
    """The oldest tree is of 1790; a steady origin is earlier by about one gap, here one in ten years."""
    frame = history.tables()["origin"].set_index("quantity")
    assert frame.loc["oldest tree", "year_median"] == pytest.approx(1790, abs=1)
    assert frame.loc["origin", "year_median"] < 1790
    assert frame.loc["oldest tree", "bias_years"] == pytest.approx(10, abs=4)


def test_empty_years_before_the_oldest_tree_make_an_earlier_origin_less_likely():
    """One exact tree in cell 4 of 5, rate g, then the chance of an origin k cells before is e^(-g k) of its own."""
    mass = np.zeros((1, 8))
    mass[0, 4] = 1.0
    chances, rates = origin_chances(mass, np.ones(8), 5)
    at = int(np.argmin(np.abs(rates - 1.0)))
    ratio = chances[3, at] / chances[4, at]
    assert ratio == pytest.approx(np.exp(-rates[at]))  # closed form of a Poisson process
    assert chances[:5].sum() == pytest.approx(1)


def test_static_classes_count_both_ends_of_an_age():
    """Survey 2024: trees of 2024, 2015, 2014, 2005 and 2004 are 1, 10, 11, 20 and 21 years old: classes 1-10, 11-20,
    21-30 with 2, 2 and 1 trees and mid ages 5.5, 15.5, 25.5."""
    models = static_models(exact(2024, 2015, 2014, 2005, 2004), survey_year=2024, bin_years=10)
    assert models.ages.tolist() == [5.5, 15.5, 25.5]
    assert models.counts.tolist() == pytest.approx([2, 2, 1])


def test_static_mortality_is_the_slope_of_the_log_counts():
    """8, 4 and 2 trees in classes 10 years apart: ln 2 / 10 = 0.0693 a year, survival exp(-0.0693) = 0.933."""
    years = [2020] * 8 + [2010] * 4 + [2000] * 2
    frame = static_models(exact(*years), survey_year=2024, bin_years=10).to_frame().set_index("model")
    assert frame.loc["exponential", "b"] == pytest.approx(np.log(2) / 10, rel=1e-6)
    assert frame.loc["exponential", "survival_per_year"] == pytest.approx(2 ** (-1 / 10), rel=1e-6)


def test_diameters_tell_ages_with_both_ends_counted(history):
    """48 - 2 k cm in 1790 + 10 k: the line of exact ages gives 32 cm (k = 8) the age 2024 - 1870 + 1 = 155."""
    assert history.diameter is not None
    answer = history.diameter.predict([32.0])
    assert answer["age_median"][0] == pytest.approx(155, abs=0.4)


def test_plots_stand_for_a_hectare():
    """Radius 11.284 m is 400 m2: 25 per hectare, 50 if half were cored; six nearest within 10 m: 5 / 6 of 10^4 x 6 /
    (pi 100) / 6 = 26.5 per tree."""
    assert float(expansion_fixed_area(11.284)) == pytest.approx(25.0, rel=1e-3)
    assert float(expansion_fixed_area(11.284, share_cored=0.5)) == pytest.approx(50.0, rel=1e-3)
    assert float(expansion_nearest_trees(10.0, 6)) == pytest.approx(10_000 * 5 / 6 / (np.pi * 100))
