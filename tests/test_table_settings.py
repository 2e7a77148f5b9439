"""Tests of field.toml."""

from __future__ import annotations

import copy
import pickle
from pathlib import Path

import numpy as np
import pytest
from field_cases import TOML, faults, good_tables, note_text, read
from hypothesis import given, settings
from hypothesis import strategies as st

from treeage.errors import Findings
from treeage.tables import Settings
from treeage.tables.settings import read_settings, settings_text

FULL = """
[site]
name = "High pasture"
description = "An invented stand."
hemisphere = "south"
breast_height_m = 1.37
shrinkage_percent = 4

[defaults]
slope_percent = 30
origin = "seed"

[height."Larix decidua"]
model = "mean_sd"
height_m = 1.0
mean_years = 9.5
sd_years = 3

[height.default]
model = "none"
"""


def test_everything_is_read(tmp_path: Path) -> None:
    """Site, values for absent columns and height models come through as written."""
    field = read(tmp_path, good_tables(), FULL)
    site = field.settings
    assert (site.name, site.hemisphere, site.breast_height_m, site.shrinkage_percent) == (
        "High pasture",
        "south",
        1.37,
        4,
    )
    assert dict(site.height["Larix decidua"]) == {
        "model": "mean_sd",
        "height_m": 1.0,
        "mean_years": 9.5,
        "sd_years": 3,
    }
    assert field.trees["slope_percent"].tolist() == [30.0, 30.0]
    assert field.trees["origin"].tolist() == ["seed", "seed"]
    assert field.trees["dbh_height_m"].tolist() == [1.37, 1.37]
    assert "got 30 from field.toml in all 2 rows" in note_text(field)


def test_a_default_never_fills_a_cell_of_a_column_that_is_there(tmp_path: Path) -> None:
    """Empty means not measured."""
    tables = good_tables()
    tables["trees"]["slope_percent"] = [20.0, np.nan]
    field = read(tmp_path, tables, FULL)
    assert field.trees["slope_percent"].iloc[0] == 20
    assert np.isnan(field.trees["slope_percent"].iloc[1])


def test_a_wholly_empty_column_counts_as_absent(tmp_path: Path) -> None:
    """A column without a value takes the default of field.toml."""
    tables = good_tables()
    tables["cores"]["core_height_m"] = np.nan
    assert (
        read(tmp_path, tables, TOML + "[defaults]\ncore_height_m = 0.5\n").cores["core_height_m"].tolist() == [0.5] * 3
    )


def test_without_a_file_the_assumptions_are_noted(tmp_path: Path) -> None:
    """No field.toml, or no hemisphere in it, is said."""
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    assert "field.toml row 0  : got no such file" in note_text(read(tmp_path / "a", good_tables(), None))
    assert "got no hemisphere, need north or south" in note_text(
        read(tmp_path / "b", good_tables(), '[site]\nname = "x"')
    )


@pytest.mark.parametrize(
    ("toml", "match"),
    [
        ('name = "x"\n', r"name: got the unknown key name, need one of site, .*\. Put it under \[site\]"),
        ('[height]\nmodel = "none"\n', r"Write \[height\.default\], or .* in place of \[height\]"),
        (
            "[site]\nhemispher = 'north'",
            r"site.hemispher: got the unknown key hemispher, need one of name, .* Did you mean hemisphere",
        ),
        ("[site]\ncore_height_m = 1", r"site.core_height_m: got the unknown key .* Put it under \[defaults\]"),
        (
            "[units]\nwidth = 'mm'",
            r"units: got the unknown key units, need one of site, defaults, height. .*never converted",
        ),
        (
            "[defaults]\nrings_counted = 3",
            r"defaults.rings_counted: got the unknown key rings_counted, need one of species",
        ),
        ("site = 3", r"site: got 3, need a section. Write \[site\]"),
        (
            "[site]\nhemisphere = 'South'",
            r"site.hemisphere: got South, need one of north, south. Write hemisphere = \"south\"",
        ),
        ("[site]\nbreast_height_m = 130", r"site.breast_height_m: got 130, need a number from 1 to 1.6 \[m\]"),
        ("[site]\nbreast_height_m = '1.3'", r"site.breast_height_m: got 1.3, need a number from 1 to 1.6 \[m\]"),
        ("[site]\nshrinkage_percent = 60", r"site.shrinkage_percent: got 60, need a number from 0 to 25 \[%\]"),
        ("[site]\nname = 3", r"site.name: got 3, need a text in quotes"),
        ("[defaults]\nslope_percent = 900", r"defaults.slope_percent: got 900, need a number from 0 to 500 \[%\]"),
        ("[defaults]\noutlet = 1", r"defaults.outlet: got the unknown key"),
        ("[defaults]\norigin = 'seedd'", r"defaults.origin: got seedd, need one of seed, .* Did you mean seed\?"),
        ("[defaults]\ntilt_deg = true", r"defaults.tilt_deg: got True, need a number from -75 to 75 \[degrees\]"),
        ("[height]\nLarix = 'seedlings'", r'height."Larix": got seedlings, need a section with the key model'),
        ("[height.Larix]\nyears = 3", r'height."Larix": got .*, need a section with the key model'),
        (
            "[height.Larix]\nmodel = 'seedling'",
            r'height."Larix".model: got seedling, need one of seedlings, .* Did you mean seedlings',
        ),
        ("[site\n", r"field.toml, row 1: got .*, need a TOML file"),
        ("[height.Larix]\nmodel = ['none']", r'height."Larix".model: got \[.none.\], need one of seedlings'),
        (
            "[defaults]\nbark_sd_mm = -9999",
            r"defaults.bark_sd_mm: got -9999, .* a code for a missing value: leave it out\.",
        ),
        ("[defaults]\nbark_sd_mm = 1" + "0" * 400, r"defaults.bark_sd_mm: got 1000.*, need a number from 0 to 200"),
        (
            "[site]\nshrinkage_percent = 1" + "0" * 400,
            r"site.shrinkage_percent: got 1000.*, need a number from 0 to 25",
        ),
        ("[site]\nname = 1" + "0" * 5000, r"field.toml: got .*digits.*, need a TOML file"),
        ("a = " + "[" * 3000, r"field.toml.*: got .*, need a TOML file"),
        (
            "[height.'Larix decidua']\nmodel = 'mean_sd'\nheight_m = 1\nsd_years = 3\nmean_years = 1" + "0" * 400,
            r'height."Larix decidua".mean_years: got 1000.*, need a number above 0 and at most 2000 \[years\]',
        ),
    ],
)
def test_faults(toml: str, match: str, tmp_path: Path) -> None:
    """A wrong key or value is named with its section and what is allowed."""
    faults(tmp_path, good_tables(), match, toml)


def test_bytes_that_are_not_utf8() -> None:
    """The line and the byte are named."""
    findings = Findings()
    read_settings('[site]\nname = "Forêt"'.encode("latin-1"), findings)
    assert [(fault.row, fault.got) for fault in findings.faults] == [(2, "byte 0xEA, which is not UTF-8")]


def test_a_height_model_for_no_tree_is_noted(tmp_path: Path) -> None:
    """A species that is misspelt in field.toml does not fall to the default in silence."""
    text = note_text(read(tmp_path, good_tables(), TOML + '[height."Larix decidu"]\nmodel = "none"\n'))
    assert "got Larix decidu, need a species of the trees table. Did you mean Larix decidua?" in text


def test_a_default_for_a_required_column_cannot_be_left_out(tmp_path: Path) -> None:
    """Without it the column itself is needed."""
    tables = good_tables()
    tables["cores"] = tables["cores"].drop(columns="core_height_m")
    toml = TOML + "[defaults]\ncore_height_m = {}\n"
    found = faults(tmp_path, tables, "defaults.core_height_m: got -99, need", toml.format(-99))
    assert found["do"].tolist() == ["This looks like a code for a missing value: add the column to the table."]
    assert (
        faults(tmp_path, tables, "got -5", toml.format(-5))["do"].iloc[0]
        == "Correct it or add the column to the table."
    )


def test_settings_stay_as_they_were_checked() -> None:
    """Neither a key of the user's dict nor one of the settings changes a model afterwards; copies are the same."""
    mine = {"Larix": {"model": "none"}}
    held = Settings(height=mine, defaults={"tilt_deg": 3})
    mine["Larix"] = {"model": "curve"}
    for change in (
        lambda: held.height.update(mine),
        lambda: held.height["Larix"].pop("model"),
        lambda: held.defaults.__setitem__("tilt_deg", 5),
    ):
        with pytest.raises(TypeError, match="cannot be changed"):
            change()
    for again in (pickle.loads(pickle.dumps(held)), copy.deepcopy(held)):
        assert again == held == Settings(height={"Larix": {"model": "none"}}, defaults={"tilt_deg": 3})
        with pytest.raises(TypeError, match="cannot be changed"):
            again.height.clear()


KEYS = st.text("abcdefgh_ .é\"'\\", min_size=1, max_size=8)
VALUES = st.one_of(
    st.integers(-999, 999), st.floats(allow_nan=False, allow_infinity=False), st.booleans(), st.text(max_size=10)
)


@settings(max_examples=60, deadline=None)
@given(
    st.text(st.characters(exclude_categories=("Cc", "Cf", "Cs", "Zl", "Zp")), max_size=20),
    st.dictionaries(
        KEYS, st.dictionaries(KEYS, st.one_of(VALUES, st.lists(VALUES, max_size=3)), max_size=3), max_size=3
    ),
)
def test_written_settings_read_back(name: str, height: dict[str, dict[str, object]]) -> None:
    """Any name and any parameters of a height model survive writing and reading."""
    models = {species: {**model, "model": "curve"} for species, model in height.items()}
    before = Settings(name=name, hemisphere="south", defaults={"tilt_deg": np.float64(3.5)}, height=models)
    findings = Findings()
    after = read_settings(settings_text(before).encode(), findings)
    assert not findings.faults
    assert after == before
