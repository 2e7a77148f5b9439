"""Tests of the naming of unit slips, and of what is said of a cell that is no number."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from treeage.schema import INPUT_TABLES, column, column_in_other_unit, columns, ratio_slip, slip, unit_named, width_slip
from treeage.tables.columns import number_advice


@pytest.mark.parametrize(
    ("table", "name", "value", "text"),
    [
        ("cores", "core_height_m", 100, "This looks like centimetres: write 1."),
        ("cores", "core_height_m", 1000, "This looks like millimetres: write 1."),
        ("trees", "dbh_cm", 452, "This looks like millimetres: write 45.2."),
        ("trees", "dbh_cm", 0.452, "This looks like metres: write 45.2 or"),  # 0.452 in would be 1.148 cm
        ("cores", "core_length_mm", 0.2, "This looks like metres: write 200."),
        ("cores", "outer_lost", -99, "This looks like a code for a missing value: give a measured value."),
        ("cores", "tilt_deg", 80, ""),
        ("cores", "core_height_m", float("inf"), ""),
        ("rings", "ring", 0, ""),
    ],
)
def test_slip(table: str, name: str, value: float, text: str) -> None:
    """The unit a value was written in is named with the value to write."""
    found = slip(column(table, name), value)
    if " or" in text:
        assert "metres (write 45.2)" in found
        assert "inches (write 1.148)" in found  # 0.452 * 2.54, hand sum
    else:
        assert found == text


def test_a_code_inside_the_range_is_a_value() -> None:
    """9990 is a code only where no measurement can be that large; what to do about it is up to the caller."""
    assert "code" not in slip(column("cores", "outer_year"), 9990)
    assert slip(column("trees", "bark_mm"), 9990, instead="wait").endswith("a code for a missing value: wait.")


@pytest.mark.parametrize(
    ("mean", "unit"),
    [
        (1.43, ""),
        (143, "This looks like 1/100 mm"),
        (1430, "This looks like 1/100 mm"),
        (3000, "This looks like 1/1000 mm"),
    ],
)
def test_width_slip(mean: float, unit: str) -> None:
    """Widths in hundredths and thousandths are told from widths in mm."""
    assert unit_named(width_slip(mean)) == (unit if mean != 1430 else "This looks like 1/1000 mm")


@given(st.floats(0.2, 5.0), st.sampled_from([100.0, 1000.0]))
def test_a_mean_in_small_units_is_always_named(mean: float, factor: float) -> None:
    """Whatever the mean width of a tree, writing it in 1/100 or 1/1000 mm is noticed."""
    assert "1/100" in width_slip(mean * factor)


@given(st.floats(20, 900), st.sampled_from([("centimetres", 10.0), ("metres", 1000.0), ("inches", 25.4)]))
def test_ratio_slip_finds_the_unit(length: float, unit: tuple[str, float]) -> None:
    """A length in another unit is named when a second length tells what it should be."""
    assert unit[0] in ratio_slip(length / unit[1], length, "mm")


@given(st.floats(20, 900), st.floats(0.6, 1.6))
def test_ratio_slip_is_silent_on_lengths_that_agree(length: float, factor: float) -> None:
    """Two lengths in one unit within a factor of 1.6 are never called a slip."""
    assert ratio_slip(length * factor, length, "mm") == ""


def test_ratio_slip_needs_two_lengths() -> None:
    """Without two positive lengths nothing is named."""
    assert ratio_slip(0.0, 10.0, "mm") == ratio_slip(5.0, float("nan"), "mm") == ""


@pytest.mark.parametrize(
    ("name", "names", "text"),
    [
        ("dbh_cm", ["tree", "dbh_mm"], "Multiply dbh_mm by 0.1 and name it dbh_cm."),
        ("dbh_cm", ["DBH_in"], "Multiply DBH_in by 2.54 and name it dbh_cm."),  # 1 inch = 2.54 cm
        ("core_height_m", ["core_height_ft"], "Multiply core_height_ft by 0.3048 and name it core_height_m."),
        ("dating", ["date_cm"], ""),
        ("dbh_cm", ["dbh_cm"], ""),
    ],
)
def test_column_in_other_unit(name: str, names: list[str], text: str) -> None:
    """A column of the same quantity in another unit is found with its factor."""
    assert column_in_other_unit(name, names) == text


@pytest.mark.parametrize(
    ("place", "cell", "text"),
    [
        ("cores.core_height_m", "1,30", "Write 1.30 with a decimal point."),
        ("trees.x_m", "1,234", "Write 1.234 with a decimal point, or 1234 without a comma."),
        ("trees.x_m", "1,234,567", "Write 1234567 without a comma."),
        ("trees.bark_mm", "0,125", "Write 0.125 with a decimal point."),  # nobody writes thousands with a zero
        ("cores.rings_counted", "1,024", "Write 1024 without a comma."),
        ("cores.inner_width_rings", "9,5", "Write one whole number, or leave the cell empty if it was not measured."),
        (
            "cores.outer_year",
            "2020-09-14",
            "Write a number, not a date; of a date, the year alone. In a spreadsheet set the cell to numbers first.",
        ),
        (
            "events.year",
            "14.9.2020",
            "Write a number, not a date; of a date, the year alone. In a spreadsheet set the cell to numbers first.",
        ),
        ("trees.dbh_cm", "14.9.2020", "Write a number, not a date. In a spreadsheet set the cell to numbers first."),
        ("cores.distance_mm", "12mm", "Write the number alone, in mm: 12."),
        ("cores.distance_mm", "8–12", "Write the middle of the range and put half of its width into distance_sd_mm."),
        ("cores.outer_lost", "3 to 5", "Write the middle of the range and put half of its width into outer_lost_sd."),
        (
            "cores.ray_angle_deg",
            "9-11",
            "Write the middle of the range and put half of its width into ray_angle_sd_deg.",
        ),
        ("cores.core_height_m", "100 cm", "Write the number alone, in m: 1."),
        ("trees.dbh_cm", "38,5cm", "Write the number alone, in cm: 38.5."),
        ("trees.dbh_cm", "12 ells", "Write the number alone, in cm."),
        ("trees.dbh_cm", "40-42", "Write one number from the middle of the range."),
        ("cores.rings_counted", "98-101", "Write one whole number from the middle of the range."),
        ("trees.dbh_cm", "~12", "Write one number, or leave the cell empty if it was not measured."),
        ("cores.core_height_m", "low", "Write one number, or leave this core out of all tables if it is not known."),
        ("events.year", "then", "Write one whole number, or remove the row if it is not known."),
        ("rings.width_mm", "?", "Write one number, or end the table of this core before this ring if it is not known."),
        ("rings.year", "?", "Write one whole number, or give the ring instead if it was not measured."),
    ],
)
def test_number_advice(place: str, cell: str, text: str) -> None:
    """A cell that is not a number gets one thing to do that this column allows (wording: the project's own)."""
    table, name = place.split(".")
    assert number_advice(column(table, name), cell) == text


@pytest.mark.parametrize("cell", ["~12", "x", "1,000", "3-4", "12 mm", "2020-09-14", "1_000"])
def test_no_required_cell_is_told_to_be_left_empty(cell: str) -> None:
    """An empty required cell is the next fault; an empty optional one is not, so there it is said."""
    advice = {item: number_advice(item, cell) for table in INPUT_TABLES for item in columns(table) if item.range}
    assert not [item for item, text in advice.items() if item.required and "empty" in text]
    if cell in ("~12", "x", "1_000"):
        told = {f"{item.table}.{item.name}" for item, text in advice.items() if "leave the cell empty" in text}
        optional = {f"{item.table}.{item.name}" for item in advice if not item.required}
        assert told == optional - {"rings.ring", "rings.year"}  # of which one is needed
