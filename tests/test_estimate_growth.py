"""Tests of treeage.growth: growth of a field's trees and the stand at a past date."""

import numpy as np
import pandas as pd
import pytest
from field_cases import SURE

from treeage.errors import InputError
from treeage.estimate import estimate_ages
from treeage.growth import field_growth, find_changes, past_trees
from treeage.tables import Field, Settings


def _field(outer_end: str = "bark") -> Field:
    """Two trees of 2024: one with two cores to the pith, one cored 20 mm short."""
    trees = pd.DataFrame(
        {
            "tree": ["A", "B"],
            "species": ["Larix decidua", "Larix decidua"],
            "dbh_cm": [20.4, 28.8],
            "core_diameter_cm": [20.4, 28.8],
            "bark_mm": [2.0, 4.0],
            "bark_sd_mm": [0.5, 0.5],
        }
    )
    cores = pd.DataFrame(
        {
            "tree": ["A", "A", "B"],
            "core": ["1", "2", "1"],
            "outer_year": [2024, 2024, 2024],
            "rings_counted": [100, 100, 60],
            "dating": ["crossdated"] * 3,
            "inner_end": ["pith", "pith", "no_arcs"],
            "core_height_m": [0.0, 0.0, 0.0],
            "core_length_mm": [100.0, 100.0, 120.0],
            "outer_end": [outer_end] * 3,
        }
    )
    rings = [("A", core, ring, 1.0) for core in "12" for ring in range(1, 101)]
    rings += [("B", "1", ring, 2.0) for ring in range(1, 61)]
    return Field.from_frames(
        trees, cores, pd.DataFrame(rings, columns=["tree", "core", "ring", "width_mm"]), settings=Settings(doubt=SURE)
    )


def test_growth_of_a_field() -> None:
    """A core to the pith gives the diameter by year; a short core carries the error of its distance."""
    growth = field_growth(_field())
    assert list(growth) == ["A", "B"]
    first = growth["A"]
    assert first.cores.max() == 2 and first.years[0] == 1925  # hand count
    assert np.median(first.at(1974)) == pytest.approx(10.0, rel=0.02)  # hand sum: half of 20 cm inside bark
    assert growth["B"].at(1990).std() > 2 * first.at(1990).std()
    assert np.median(growth["B"].diameter_cm[:, -1]) == pytest.approx(28.0, abs=0.1)  # hand sum: 28.8 less bark


def test_an_incomplete_outer_ring_does_not_enter_growth() -> None:
    """The last, incomplete ring is dropped from the series."""
    assert field_growth(_field("incomplete"))["A"].years[-1] == 2023


def test_past_stand_of_a_field() -> None:
    """Presence from the ages, diameters from the widths; trees without widths grow steadily."""
    field = _field()
    ages = estimate_ages(field)
    stand = past_trees(ages, 1974, growth=field_growth(field))
    frame = stand.to_frame().set_index("tree")
    assert frame.loc["A", "p_present"] == 1.0 and frame.loc["A", "method"] == "widths"
    assert frame.loc["A", "diameter_cm_median"] == pytest.approx(10.2, rel=0.02)  # hand sum: half of the diameter
    steady = past_trees(ages, 1974).to_frame().set_index("tree")
    assert steady.loc["A", "method"] == "steady growth"
    assert steady.loc["A", "diameter_cm_median"] == pytest.approx(10.2, rel=0.03)  # hand sum: it grew steadily
    with pytest.raises(InputError, match=r"got 2024, need a year before the survey \(2024\)"):
        past_trees(ages, 2024)


def test_series_feed_the_release_methods() -> None:
    """Mean series of the trees go into the side-by-side table without a release in steady growth."""
    series = {tree: history.series() for tree, history in field_growth(_field()).items()}
    assert np.asarray(series["A"].widths_mm) == pytest.approx(1.0)  # steady growth of 1 mm
    jumpy = {**series, "A": field_growth(_field())["A"].series()}
    assert len(find_changes(jumpy).events.query("criterion == 'percent'")) == 0


def test_trees_err_independently() -> None:
    """One radius against its stem is a matter of each tree: the draws of two trees with like rings do not go together.

    Of 400 independent draws the correlation has a standard deviation of 1/20.
    """
    core = {"core": "1", "outer_year": 2024, "rings_counted": 60, "dating": "crossdated", "inner_end": "pith"}
    cores = pd.DataFrame([core | {"tree": tree, "core_height_m": 0.0} for tree in "AB"])
    trees = pd.DataFrame({"tree": list("AB"), "species": "Larix decidua", "dbh_cm": [20.0, 21.0]})
    rings = pd.DataFrame([(tree, "1", ring, 1.5) for tree in "AB" for ring in range(1, 61)],
                         columns=["tree", "core", "ring", "width_mm"])  # fmt: skip
    growth = field_growth(Field.from_frames(trees, cores, rings))
    radii = [growth[tree].radius_mm[:, 30] for tree in "AB"]
    assert abs(np.corrcoef(radii)[0, 1]) < 0.25
    assert np.array_equal(field_growth(Field.from_frames(trees, cores, rings))["A"].radius_mm, growth["A"].radius_mm)
    with pytest.raises(InputError, match="seed: got -1"):
        field_growth(Field.from_frames(trees, cores, rings), seed=-1)
