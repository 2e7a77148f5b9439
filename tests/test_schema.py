"""Tests of the columns as data."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from treeage.errors import InputError
from treeage.schema import (
    INPUT_TABLES,
    Dating,
    InnerEnd,
    OuterEnd,
    TreeOrigin,
    TreeStatus,
    WidthsTaken,
    Word,
    column,
    columns,
    default_columns,
    genus_of,
    nearest,
    nomenclature,
)
from treeage.schema.catalogue import OUTPUT_TABLES, Interval

# columns of the tables as agreed for the field sheets, required ones marked with *
AGREED = {
    "trees": "tree* species* plot dbh_cm dbh_height_m core_diameter_cm bark_mm bark_sd_mm slope_percent crown_class "
    "girth_cm known_establishment_year "
    "origin nursery_years young_light status collar_years collar_years_sd trees_per_ha x_m y_m",
    "cores": "tree* core* outer_year* rings_counted* dating* inner_end* core_height_m* outer_end outer_lost "
    "outer_lost_sd core_length_mm tilt_deg azimuth_deg chord_mm rise_mm arc_sd_mm circle_radius_mm circle_step_mm "
    "ray_gap_mm ray_angle_deg ray_angle_sd_deg distance_mm distance_sd_mm inner_width_mm inner_width_rings "
    "widths_taken",
    "rings": "tree* core* ring year width_mm*",
    "arcs": "tree* core* ring* chord_mm* rise_mm* arc_sd_mm",
    "points": "tree* core* ring* x_mm* y_mm*",
    "seedlings": "species* height_m age_years plot sampling light tree low_height_m low_rings high_height_m high_rings",
    "events": "year* event* note",
    "ages": "tree* species* plot* date_refers_to* cores* dating* inner_end* lead_core* core_height_m* rings_counted* "
    "missed_rings_median* missed_rings_lo* missed_rings_hi* pith_year_median* pith_year_lo* pith_year_hi* "
    "age_at_core_height_median* age_at_core_height_lo* age_at_core_height_hi* "
    "years_to_core_height_median* "
    "years_to_core_height_lo* years_to_core_height_hi* establishment_year_median* establishment_year_lo* "
    "establishment_year_hi* age_median* age_lo* age_hi* prob* minimum_age* share_count* share_distance* share_rate* "
    "share_height* share_collar* core_conflict_p* flags*",
}


@pytest.mark.parametrize("table", AGREED)
def test_columns_are_those_agreed(table: str) -> None:
    """Every agreed column is there, in order within the table, and required where agreed."""
    found = [item.name + "*" * item.required for item in columns(table)]
    agreed = AGREED[table].split()
    assert sorted(found) == sorted(agreed)
    assert table != "ages" or found == agreed


def test_every_column_says_what_it_means() -> None:
    """Kinds are known, numbers have a range that holds the plausible one, meanings are sentences, units fit names."""
    for table in INPUT_TABLES + OUTPUT_TABLES:
        for item in columns(table):
            assert item.kind in ("text", "integer", "number", "choice"), item
            assert item.meaning.endswith("."), item
            assert bool(item.choices) == (item.kind == "choice"), item
            assert (item.range is not None) == (item.kind in ("integer", "number")), item
            if item.plausible is not None:
                assert item.range.low <= item.plausible.low < item.plausible.high <= item.range.high, item
            suffix = item.name.rsplit("_", 1)[-1]
            if suffix in ("mm", "cm", "m", "years"):
                assert item.unit == suffix, item
            if item.default and item.kind in ("integer", "number"):
                assert item.range.holds(float(item.default)), item
            if item.default and item.kind == "choice":
                assert item.default in item.choices, item


WORDS = [
    ("cores", "dating", Dating), ("cores", "inner_end", InnerEnd), ("cores", "outer_end", OuterEnd),
    ("trees", "origin", TreeOrigin), ("trees", "status", TreeStatus), ("cores", "widths_taken", WidthsTaken),
]  # fmt: skip


@pytest.mark.parametrize(("table", "name", "words"), WORDS)
def test_words_that_decide_are_members(table: str, name: str, words: type[Word]) -> None:
    """The members are the words of the column, in its order (oracle: the table of columns)."""
    assert tuple(words) == column(table, name).choices


def test_one_name_has_one_unit() -> None:
    """A column name means the same quantity in every table."""
    units: dict[str, set[str]] = {}
    for table in INPUT_TABLES + OUTPUT_TABLES:
        for item in columns(table):
            units.setdefault(item.name, set()).add(item.unit)
    assert {name: sorted(found) for name, found in units.items() if len(found) > 1} == {}


def test_nomenclature_has_a_row_for_every_column() -> None:
    """The page for people holds all columns with unit and meaning."""
    page = nomenclature()
    assert len(page) == sum(len(columns(table)) for table in INPUT_TABLES + OUTPUT_TABLES)
    row = page[(page["table"] == "cores") & (page["column"] == "core_height_m")].iloc[0]
    assert (row["unit"], row["range"], bool(row["required"])) == ("m", "0 to 3", True)


def test_unknown_table_and_column_are_refused() -> None:
    """The message names the wrong word and the nearest right one."""
    with pytest.raises(InputError, match="table: got tree, need one of trees, cores"):
        columns("tree")
    with pytest.raises(InputError, match="got dbh_mm, need a column of trees. Did you mean dbh_cm"):
        column("trees", "dbh_mm")
    with pytest.raises(InputError, match="got qqqq, need a column of events. Choose from year, event, note"):
        column("events", "qqqq")


def test_measured_columns_have_no_default_value() -> None:
    """A value for all rows may stand in for a convention, never for a count or a reading."""
    allowed = set(default_columns())
    assert {"core_height_m", "dating", "bark_mm", "outer_year"} <= allowed
    assert not allowed & {"tree", "core", "rings_counted", "width_mm", "distance_mm", "rise_mm", "age_years", "dbh_cm"}


def test_genus_is_the_first_word_of_a_species_name() -> None:
    """Capitalised as genera are written; nothing and no text have none."""
    assert [genus_of(name) for name in ("Picea abies", "pinus", " LARIX  decidua ")] == ["Picea", "Pinus", "Larix"]
    assert [genus_of(name) for name in ("", "  ", None, math.nan)] == [None] * 4


@pytest.mark.parametrize(
    ("word", "right"),
    [("Cross-dated", "crossdated"), ("LAB COUNT", "lab_count"), ("fieldcount", "field_count"), ("xyz", ""), ("", "")],
)
def test_nearest(word: str, right: str) -> None:
    """Case, spaces and hyphens do not hide a word."""
    assert nearest(word, ("crossdated", "lab_count", "field_count")) == right


@pytest.mark.parametrize(
    ("text", "inside", "outside", "words"),
    [
        ("[0..3]", (0, 3, 1.5), (-0.1, 3.1), "0 to 3 [m]"),
        ("(0..3]", (0.1, 3), (0, 4), "above 0 and at most 3 [m]"),
        ("[0..3)", (0, 2.9), (3, -1), "at least 0 and below 3 [m]"),
        ("(0..3)", (1,), (0, 3), "above 0 and below 3 [m]"),
    ],
)
def test_interval(text: str, inside: tuple[float, ...], outside: tuple[float, ...], words: str) -> None:
    """Open and closed ends are kept apart, in the test and in words."""
    interval = Interval.parse(text)
    assert interval.holds(inside).all()
    assert not interval.holds(outside).any()
    assert interval.text("m") == words


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6), st.floats(allow_nan=True))
def test_interval_holds_like_a_comparison(one: float, two: float, value: float) -> None:
    """The closed interval is the plain comparison, and NaN is never inside."""
    low, high = min(one, two), max(one, two)
    assert bool(Interval(low, high).holds(value)) == (low <= value <= high)
    assert not Interval(low, high).holds(math.nan)
