"""Growth and the stand at a past date from whole small fields, and the criteria of release, with sums done by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from field_cases import SURE

from treeage import estimate_ages, priors
from treeage.growth import ChangeCriterion, GrowthHistory, field_growth, find_changes, past_trees
from treeage.growth.changes import early_growth, percent_change, sustained_change, window_means
from treeage.growth.history import CoreWidths
from treeage.tables import Field, Settings


@pytest.fixture(autouse=True)
def _one_radius_is_the_stem():
    """Sums by hand are of the readings: one radius is taken for the stem (else medians are true to half a percent)."""
    with priors.replaced({"core_stem": 0.0}):
        yield


STEM = {"core_diameter_cm": 24.0, "bark_mm": 20.0, "bark_sd_mm": 0.0, "dbh_cm": 24.0}  # 240 - 2 x 20 = 200 mm inside


def field_of(*cores: dict[str, Any], tree: dict[str, Any] | None = None) -> Field:
    """Pith cores at the collar of 100 rings of 1 mm, 1925 to 2024, but for what is given; `widths` are their rings."""
    base = {"tree": "A1", "outer_year": 2024, "dating": "crossdated", "inner_end": "pith", "core_height_m": 0.0}
    rows, rings = [], []
    for at, core in enumerate(cores):
        cells = base | {"core": "abcdef"[at]} | core
        widths = np.asarray(cells.pop("widths", np.ones(100)), dtype=np.float64)
        rows.append({"rings_counted": widths.size} | cells)
        numbers = {"ring": np.arange(1, widths.size + 1), "width_mm": widths}
        rings.append(pd.DataFrame({"tree": cells["tree"], "core": cells["core"]} | numbers))
    names = list(dict.fromkeys(row["tree"] for row in rows))
    trees = pd.DataFrame([{"tree": name, "species": "Larix decidua"} | (tree or {}) for name in names])
    settings = Settings(height={"default": {"model": "none"}}, doubt=SURE)
    return Field.from_frames(trees, pd.DataFrame(rows), pd.concat(rings), settings=settings)


def growth_of(*cores: dict[str, Any], tree: dict[str, Any] | None = None) -> GrowthHistory:
    """Growth of the only tree."""
    return field_growth(field_of(*cores, tree=tree))["A1"]


def table(history: GrowthHistory) -> pd.DataFrame:
    """Medians by year."""
    frame = history.to_frame().set_index("year")
    return frame.rename(columns=lambda name: name.removesuffix("_median"))


def test_radii_are_counted_out_from_the_pith():
    """Rings of 1 mm from 1925: 1 mm at the end of 1925, 50 mm at the end of 1974, 100 mm in 2024."""
    radius = table(growth_of({}))["radius_mm"]
    assert [radius[1925], radius[1974], radius[2024]] == pytest.approx([1.0, 50.0, 100.0])
    assert radius.index[0] == 1925 and radius.index[-1] == 2024


def test_the_increment_is_the_area_between_two_circles():
    """pi (50^2 - 49^2) mm2 = pi x 99 / 100 cm2 in 1974; the first ring is a disc of pi x 1 mm2."""
    increment = table(growth_of({}))["basal_area_increment_cm2"]
    assert increment[1974] == pytest.approx(np.pi * 0.99)
    assert increment[1925] == pytest.approx(np.pi * 0.01)
    assert increment.sum() == pytest.approx(np.pi * 100)  # 100 mm: 100 pi cm2 in all


def test_the_diameter_is_the_present_one_times_the_share_of_the_radius():
    """24 cm outside less 2 x 20 mm bark = 20 cm inside; half of the radius in 1974: 10 cm inside, and twice 20 mm x
    0.5^0.75 = 2.378 cm of bark. The
    diameter is known to 2 %, so medians of 400 draws are within 0.3 %."""
    frame = table(growth_of({"widths": np.full(100, 0.5)}, tree=STEM))  # the core is half as long as the mean radius
    assert frame["diameter_inside_bark_cm"][2024] == pytest.approx(20.0, rel=0.005)
    assert frame["diameter_inside_bark_cm"][1974] == pytest.approx(10.0, rel=0.005)
    assert frame["diameter_outside_bark_cm"][1974] == pytest.approx(10 + 4 * 0.5**0.75, rel=0.007)
    assert frame["diameter_inside_bark_subtractive_cm"][1974] == pytest.approx(
        15.0, rel=0.005
    )  # 20 less twice 25 mm of growth
    assert frame["basal_area_increment_cm2"].sum() == pytest.approx(np.pi * 100, rel=0.01)  # a stem of 10 cm radius


def test_growth_at_a_year_is_that_at_its_end():
    """Without a diameter twice the radius: 2 x 50 mm = 10 cm at the end of 1974; nothing before 1925."""
    history = growth_of({})
    assert np.median(history.at(1974)) == pytest.approx(10.0)
    assert np.isnan(history.at(1924)).all()


def test_two_cores_have_their_arithmetic_mean():
    """Radii of 100 and 50 mm: 75 mm, as opposite radii of one diameter."""
    radius = table(growth_of({}, {"widths": np.full(100, 0.5)}))["radius_mm"]
    assert [radius[2024], radius[1974]] == pytest.approx([75.0, 37.5])


def test_three_cores_have_their_quadratic_mean():
    """Radii of 100, 100 and 50 mm: sqrt((10000 + 10000 + 2500) / 3) = 86.6 mm."""
    radius = table(growth_of({}, {}, {"widths": np.full(100, 0.5)}))["radius_mm"]
    assert radius[2024] == pytest.approx(np.sqrt(7500))


def test_an_incomplete_ring_and_a_core_that_ends_early_stay_out():
    """The ring of 2024 was still growing: the series ends in 2023; a core to 2020 grows on as the other."""
    assert growth_of({"outer_end": "incomplete"}).years[-1] == 2023
    radius = table(growth_of({}, {"outer_year": 2020, "widths": np.full(96, 3.0)}))["radius_mm"]
    assert radius[2024] == pytest.approx(200.0)  # 100 x 1 mm on one side, 96 x 3 mm and 4 years at 3 times 1 mm


def test_widths_of_a_tilted_core_are_horizontal_in_growth_too():
    """2 mm at 60 degrees are 1 mm."""
    radius = table(growth_of({"tilt_deg": 60.0, "widths": np.full(100, 2.0)}))["radius_mm"]
    assert radius[2024] == pytest.approx(100.0)


def test_a_short_core_begins_at_its_distance():
    """60 mm from the pith for certain, and 40 rings of 1 mm: 61 mm at the end of the first, 100 mm at the bark."""
    core = {"inner_end": "arcs", "distance_mm": 60.0, "distance_sd_mm": 0.5, "widths": np.ones(40)}
    radius = table(growth_of(core))["radius_mm"]
    assert radius[1985] == pytest.approx(61.0, abs=1.0)
    assert radius[2024] == pytest.approx(100.0, abs=1.0)


def test_the_mean_series_loses_its_first_ring_only():
    """The median ring by year: 1 mm from 1926 to 2024, the first radius of 1 mm standing for what came before."""
    series = growth_of({}).series()
    assert (series.years[0], series.years[-1]) == (1926, 2024)
    assert np.asarray(series.widths_mm) == pytest.approx(1.0)
    assert np.asarray(series.pith_distance_mm) == pytest.approx(1.0)


# ------------------------------------------------------------------ the stand at a past date


def test_presence_counts_the_year_of_establishment():
    """Pith rings of 1925 and 1926: at the end of 1925 one tree, at the end of 1926 two."""
    ages = estimate_ages(field_of({}, {"tree": "B2", "widths": np.ones(99)}, tree=STEM))
    there = {year: past_trees(ages, year).to_frame()["p_present"].sum() for year in (1924, 1925, 1926)}
    assert there == {1924: 0.0, 1925: 1.0, 1926: 2.0}


def test_past_diameters_are_shares_of_today():
    """24 cm today; half of the radius at the end of 1974: 12 cm; steady growth in 50 of 100 seasons: 12 cm too."""
    field = field_of({"widths": np.r_[np.full(50, 0.5), np.full(50, 1.5)]}, tree=STEM)
    ages = estimate_ages(field)
    steady = past_trees(ages, 1974).to_frame().iloc[0]
    rings = past_trees(ages, 1974, growth=field_growth(field)).to_frame().iloc[0]
    assert (steady["method"], rings["method"]) == ("steady growth", "widths")
    assert steady["diameter_cm_median"] == pytest.approx(12.0)
    assert rings["diameter_cm_median"] == pytest.approx(5 + 4 * 0.25**0.75, rel=0.01)  # 25 of 100 mm, and bark


def test_past_basal_area_is_in_square_metres_per_hectare():
    """12 cm at the end of 1974, 50 trees per hectare: 50 x pi / 4 x 0.12^2 = 0.565 m2."""
    ages = estimate_ages(field_of({}, tree=STEM | {"trees_per_ha": 50.0}))
    totals = past_trees(ages, 1974).totals().set_index("quantity")
    assert totals.loc["trees", "median"] == 50 and totals.loc["trees", "per"] == "per ha"
    assert totals.loc["basal area [m2]", "median"] == pytest.approx(50 * np.pi / 4 * 0.12**2)
    assert totals.loc["quadratic diameter [cm]", "median"] == pytest.approx(12.0)


# ------------------------------------------------------------------ releases

STEP = np.r_[np.full(20, 1.0), np.full(20, 2.0)]  # 1 mm in 1901 to 1920, 2 mm in 1921 to 1940
PERCENT = ChangeCriterion("percent", "percent", 25.0, 100.0, "test", 10)


def test_the_year_of_a_change_is_the_last_of_the_earlier_window():
    """1911-1920 against 1921-1930: 100 % in 1920; in 1921 (9 x 1 + 2) / 10 = 1.1 against 2: 81.8 %."""
    (event,) = find_changes({"T": CoreWidths(np.arange(1901, 1941), STEP)}, criteria=(PERCENT,)).events.to_dict(
        "records"
    )
    assert (event["year"], event["value"], event["class"]) == (1920, pytest.approx(100.0), "major")
    change = percent_change(STEP, window_years=10)
    assert change[19] == pytest.approx(100.0) and change[20] == pytest.approx(100 * 0.9 / 1.1)
    assert change[18] == pytest.approx(90.0)  # 1 against (1 + 9 x 2) / 10 = 1.9


def test_windows_are_whole_at_the_edges():
    """Ten years before and ten after: the first change is told in the 10th year, the last in the 30th of 40."""
    known = np.flatnonzero(np.isfinite(percent_change(STEP, window_years=10))) + 1
    assert (known[0], known[-1]) == (10, 30)
    before, after = window_means([1.0, 2.0, 4.0, 8.0], window_years=1)
    assert before[1] == 2.0 and after[1] == 4.0


def test_a_suppression_is_a_fall():
    """2 mm to 1 mm: read backwards 100 %, in the last year of the fast window."""
    core = CoreWidths(np.arange(1901, 1941), STEP[::-1])
    (event,) = find_changes({"T": core}, criteria=(PERCENT,), direction="suppression").events.to_dict("records")
    assert (event["year"], event["value"]) == (1920, pytest.approx(100.0))
    assert not len(find_changes({"T": core}, criteria=(PERCENT,)).events)


def test_a_sustained_change_holds_in_every_block():
    """2 mm for ten years and 1.2 mm for the five after: the weakest block of five is 20 % above, not 73 %."""
    widths = np.r_[np.full(15, 1.0), np.full(10, 2.0), np.full(5, 1.2)]
    assert sustained_change(widths, window_years=15)[14] == pytest.approx(20.0)


def test_classes_begin_at_their_threshold():
    """25 % is moderate when the rule says 25, 24 % is none; 100 % is major when it says 100."""

    def classes(level: float) -> list[str]:
        widths = np.r_[np.full(20, 4.0), np.full(20, level)]
        return find_changes({"T": CoreWidths(np.arange(40), widths)}, criteria=(PERCENT,)).events["class"].tolist()

    assert classes(5.0) == ["moderate"] and classes(4.95) == [] and classes(8.0) == ["major"]


def test_decades_count_trees_at_risk():
    """One of two trees is released in 1920, both can show it: 50 % of the decade 1920."""
    years = np.arange(1901, 1941)
    found = find_changes({"T": CoreWidths(years, STEP), "U": CoreWidths(years, np.ones(40))}, criteria=(PERCENT,))
    decades = found.by_decade().set_index("decade")
    assert decades["at_risk"].tolist() == [2, 2, 2]  # 1910 to 1930
    assert decades["trees"].to_dict() == {1910: 0, 1920: 1, 1930: 0}
    assert decades.loc[1920, "percent"] == 50.0


def test_early_growth_begins_at_the_diameter_of_a_sapling():
    """2 mm to a radius of 20 mm (diameter 4 cm), then 1, 1, 1, 1, 6 mm: five years of 2 mm on average."""
    widths = np.r_[np.full(10, 2.0), [1.0, 1.0, 1.0, 1.0, 6.0], np.full(5, 3.0)]
    core = CoreWidths(np.arange(20), widths)
    assert early_growth(core, diameter_cm=4.0, span_years=5) == pytest.approx(2.0)
