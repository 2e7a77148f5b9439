"""Numbers of the files that are written, of simulated truth, and of ring files read, against sums done by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from field_cases import SURE

from treeage import cli, estimate_ages
from treeage.formats import read_ring_file, ring_table
from treeage.report.texts import methods_text
from treeage.simulate import SimulatedStand, scenario, simulate_stand
from treeage.tables import Field, Settings

HEADS = "tree,core,outer_year,rings_counted,dating,inner_end,core_height_m"


def three_trees(**more: Any) -> Field:
    """Pith cores at 0.3, 0.3 and 0.9 m of 100, 110 and 150 rings, the last two counted in the field."""
    names = ["A1", "B2", "C3"]
    cores = pd.DataFrame({"tree": names, "core": "a", "outer_year": 2024, "rings_counted": [100, 110, 150]})
    cores["dating"], cores["inner_end"] = ["crossdated", "field_count", "field_count"], "pith"
    cores["core_height_m"] = [0.3, 0.3, 0.9]
    trees = pd.DataFrame({"tree": names, "species": "Larix decidua"} | more)
    return Field.from_frames(
        trees, cores, settings=Settings(name="Ridge", height={"default": {"model": "none"}}, doubt=SURE)
    )


def test_the_methods_text_tells_the_mean_and_spread_of_heights():
    """0.3, 0.3 and 0.9 m: mean 0.50 m, SD sqrt((0.04 + 0.04 + 0.16) / 3) = 0.28 m; the median would be 0.30."""
    text = methods_text(estimate_ages(three_trees()), version="1")
    assert "cored 0.30 to 0.90 m above the root collar (mean 0.50 m, SD 0.28 m)" in text
    assert "At Ridge, 3 cores from 3 trees were read: Larix decidua (3)." in text
    assert "crossdated (1) and counted in the field (2)" in text


def test_the_methods_text_tells_the_run_and_spread_of_dates():
    """Medians and the middle of three standard deviations, the first of which is 0: not their mean, not their sum."""
    ages = estimate_ages(three_trees())
    spread = sorted(answer.date.sd() for answer in ages)
    oldest = min(answer.date.median() for answer in ages)
    text = methods_text(ages, version="1")
    assert f"run from {oldest} to 1925; their standard deviations have a median of {spread[1]:.1f} years" in text
    assert f"(range 0.0 to {spread[2]:.1f})" in text
    assert abs(np.mean(spread) - spread[1]) > 0.2  # so that a mean would be seen
    assert "hold at least 90 % of the probability" in text
    assert "3 trees could be dated." in text


def test_the_methods_text_counts_buried_collars_and_minima():
    """Two trees with collar years, one without; a tree without any distance is a minimum."""
    ages = estimate_ages(three_trees(collar_years=[2.0, 0.0, 3.0]))
    assert ages.at_core_height == ["A1", "B2", "C3"]  # no height model: not even the collar is subtracted
    field = three_trees(collar_years=[2.0, 0.0, 3.0])
    collar = Field.from_frames(field.trees, field.cores.assign(core_height_m=0.0), settings=field.settings)
    assert "buried collar were subtracted for 2 trees." in methods_text(estimate_ages(collar), version="1")


def write_folder(folder: Path) -> Path:
    """Two trees as a person would write them."""
    folder.mkdir()
    (folder / "trees.csv").write_text("tree,species\nA1,Larix decidua\nB2,Larix decidua\n", encoding="utf-8")
    rows = ["A1,a,2024,120,crossdated,pith,0.0", "B2,a,2020,100,field_count,pith,0.0"]
    (folder / "cores.csv").write_text("\n".join([HEADS, *rows]) + "\n", encoding="utf-8")
    doubt = "".join(f"{key} = {value}\n" for key, value in SURE.items())
    (folder / "field.toml").write_text(f'[site]\nhemisphere = "north"\n[doubt]\n{doubt}', encoding="utf-8")
    return folder


def test_files_of_the_command_line(tmp_path):
    """A1: 2024 - 120 + 1 = 1905, 120 years; B2: 1921, counted, low end of each interval below its high end."""
    out = tmp_path / "out"
    assert cli.main(["estimate", str(write_folder(tmp_path / "two")), "--out", str(out), "--draws", "300"]) == 0
    ages = pd.read_csv(out / "ages.csv").set_index("tree")
    for name, value in (("establishment_year", 1905), ("age", 120), ("pith_year", 1905), ("missed_rings", 0)):
        assert ages.loc["A1", [f"{name}_{part}" for part in ("median", "lo", "hi")]].tolist() == [value] * 3
    low, middle, high = ages.loc["B2", [f"establishment_year_{part}" for part in ("lo", "median", "hi")]]
    assert low < middle <= 1921 <= high
    young, old = ages.loc["B2", ["age_lo", "age_hi"]]
    assert (young, old) == (2020 - high + 1, 2020 - low + 1)
    assert ages["minimum_age"].tolist() == [120, 100] and set(ages["prob"]) == {0.9}
    draws = pd.read_parquet(out / "draws.parquet")
    assert draws.shape == (300, 2) and set(draws["A1"]) == {1905}


# ------------------------------------------------------------------ simulated truth


@pytest.fixture(scope="module")
def stand() -> SimulatedStand:
    """A stand of the mixed scenario, whose trees and cores are known."""
    return simulate_stand("mixed", seed=3)


def test_simulated_truth_adds_up(stand):
    """Pith year = establishment + collar + years below; rings = outer - pith year + 1; age counts both ends."""
    trees, cores = stand.truth["trees"].set_index("tree"), stand.truth["cores"]
    own = trees.loc[cores["tree"]].reset_index(drop=True)
    outer = int(scenario("mixed").outer_year)
    assert (trees["age"] == outer - trees["establishment_year"] + 1).all()
    expected = own["establishment_year"] + own["collar_years"] + cores["years_to_core_height"]
    assert (cores["pith_year"] == expected).all()
    assert (cores["rings_from_pith"] == outer - cores["pith_year"] + 1).all()


def test_simulated_counts_add_up(stand):
    """Counted + error + missed = rings from the pith; the first ring of a dated table is that many years in."""
    cores = stand.truth["cores"].merge(stand.tables["cores"][["tree", "core", "rings_counted"]], on=["tree", "core"])
    assert (cores["rings_counted"] + cores["count_error"] + cores["missed_rings"] == cores["rings_from_pith"]).all()
    rings = stand.tables["rings"].dropna(subset=["year"])
    first = rings[rings["ring"] == 1].merge(cores, on=["tree", "core"])
    assert len(first) and (first["year"] == first["pith_year"] + first["missed_rings"]).all()


def test_simulated_missed_rings_fill_their_distance(stand):
    """No ring is missed at the pith, at least one beyond it, and the hidden mean width is distance over rings."""
    cores = stand.truth["cores"]
    at_pith = cores["stop"] == "pith"
    assert at_pith.any() and (cores.loc[at_pith, ["missed_rings", "distance_mm"]] == 0).all(axis=None)
    beyond = cores[cores["distance_mm"] > 0]
    assert (beyond["missed_rings"] >= 1).all()
    assert beyond["hidden_mean_width_mm"].to_numpy() == pytest.approx(
        (beyond["distance_mm"] / beyond["missed_rings"]).to_numpy(), abs=1e-3
    )


@pytest.mark.parametrize(("seasons", "years"), [(7.5, 7), (0.9, 0)])
def test_simulated_trees_have_whole_seasons_below_the_core(seasons, years):
    """Every tree takes 7.5 seasons to 1 m and is cored there: ceil(7.5) - 1 = 7 whole ones before."""
    base = scenario("pith")
    kind = replace(base.species[0], share=1.0, years_to_1m=seasons, shared_height_sd=0.0, tree_height_sd=0.0)
    coring = replace(base.coring, height_m=1.0, height_sd_m=0.0, second_height_m=0.0)
    cores = simulate_stand(replace(base, species=(kind,), coring=coring, trees=5), seed=1).truth["cores"]
    assert set(cores["years_to_core_height"]) == {years}


def test_simulated_innermost_rings_are_whole(stand):
    """A core that passes beside the pith sees no ring nearer than its miss: the first whole one begins outside it."""
    cores = stand.truth["cores"]
    beside = cores[(cores["stop"] == "passed") & (cores["rings_from_pith"] - cores["missed_rings"] > 10)]
    assert len(beside) > 10
    assert (beside["distance_mm"] >= beside["miss_mm"] - 1e-3).all()


# ------------------------------------------------------------------ ring files


def decadal(folder: Path, text: str) -> pd.DataFrame:
    """Rows of decadal text."""
    path = folder / "site.txt"
    path.write_text(text, encoding="utf-8")
    return ring_table(read_ring_file(path))


def test_decadal_text_runs_to_the_end_of_the_decade(tmp_path):
    """1998 and 1999, then 2000: 1.20, 0.85 and 1.01 mm in hundredths; the stop 999 is no ring."""
    table = decadal(tmp_path, "ABC01A  1998   120    85\nABC01A  2000   101   999\n")
    assert table["year"].tolist() == [1998, 1999, 2000]
    assert table["width_mm"].tolist() == [1.2, 0.85, 1.01]
    assert set(zip(table["tree"], table["core"], strict=True)) == {("01", "A")}


def test_the_stop_tells_the_unit(tmp_path):
    """-9999 ends thousandths: 1200 is 1.2 mm and 999 a ring of 0.999 mm."""
    table = decadal(tmp_path, "ABC01A  1997  1200   999  1100\nABC01A  2000 -9999\n")
    assert table["width_mm"].tolist() == [1.2, 0.999, 1.1]


XML = """<tridas><project><object><element><title>7</title><sample><radius><title>A</title><measurementSeries>
<title>7A</title><interpretation><firstYear suffix="{suffix}">{year}</firstYear></interpretation>
<values><variable normalTridas="ring width"/><unit normalTridas="{unit}"/>
<value value="80"/><value value="120"/></values>
</measurementSeries></radius></sample></element></object></project></tridas>"""


@pytest.mark.parametrize(
    ("unit", "suffix", "year", "first", "width"),
    [
        ("1/100th millimetres", "AD", 1999, 1999, 0.8),
        ("micrometres", "AD", 1999, 1999, 0.08),
        ("1/50th millimetres", "AD", 1999, 1999, 1.6),
        ("1/10th millimetres", "BC", 1, 0, 8.0),  # 1 BC is the year 0
        ("1/20th millimetres", "BP", 100, 1850, 4.0),  # before 1950
    ],
)
def test_units_and_years_of_the_xml_standard(tmp_path, unit, suffix, year, first, width):
    """80 units, and the year of the innermost ring in astronomical years (hand sums)."""
    path = tmp_path / "site.xml"
    path.write_text(XML.format(unit=unit, suffix=suffix, year=year), encoding="utf-8")
    table = ring_table(read_ring_file(path))
    assert table["year"].tolist() == [first, first + 1]
    assert table["width_mm"][0] == pytest.approx(width)
    assert (table["tree"][0], table["core"][0]) == ("7", "A")
