"""Tests of the errors that carry faults."""

from __future__ import annotations

import pickle

import pytest

from treeage.errors import (
    Fault,
    InputError,
    ModelError,
    fault_lines,
    faults_frame,
    require_nonnegative,
    require_positive,
    require_probability,
    show,
)

FAULT = Fault("-3.2", "at least 0 [mm]", "Leave it empty.", "cores.csv", 14, "distance_mm", "tree A17")


@pytest.mark.parametrize("error", [InputError, ModelError])
def test_one_fault_has_all_four_parts(error: type[InputError] | type[ModelError]) -> None:
    """Where, got, need and do stand in this order."""
    text = "cores.csv, row 14, tree A17, column distance_mm: got -3.2, need at least 0 [mm]. Leave it empty."
    assert str(error(FAULT)) == text


@pytest.mark.parametrize(
    ("error", "opening"), [(InputError, "nothing was computed"), (ModelError, "the model cannot answer")]
)
def test_many_faults_are_counted(error: type[InputError] | type[ModelError], opening: str) -> None:
    """The head counts faults and files, twenty lines follow, and all are in the frame."""
    faults = [Fault("x", f"{number}", "Do.", f"file{number % 2}.csv", number, f"c{number}") for number in range(30)]
    lines = str(error(faults)).splitlines()
    assert lines[0] == f"30 faults in file0.csv, file1.csv, {opening}."
    assert len(lines) == 22  # head, 20 lines, the count of the rest
    assert lines[-1] == "  ... and 10 more lines, all faults are in .faults."
    assert len(error(faults).faults) == 30


def test_twenty_faults_are_shown_one_by_one() -> None:
    """A screen of faults is listed whole, alike or not."""
    faults = [Fault("x", "y", "Do.", "a.csv", row, "c") for row in range(2, 22)]
    assert len(str(InputError(faults)).splitlines()) == 21  # head and 20 lines


def test_alike_faults_share_a_line_when_there_are_many() -> None:
    """Up to three alike are shown, more are counted with their rows; numbers in needs do not part them."""
    alike = [Fault("9", f"at most {row}.5 [mm]", "Do.", "a.csv", row, "c") for row in range(2, 24)]
    three = [Fault("x", "y", "Do.", "b.csv", row, "c") for row in (2, 3, 4)]
    lines = fault_lines([*alike, *three])
    assert len(lines) == 4
    assert lines[0].endswith("Do. ... and 21 more like it in rows 3, 4, 5, 6, 7, ....")
    without_rows = fault_lines([Fault("x", "y", "Do.", "a.csv")] * 5, most=4)
    assert without_rows == ["a.csv: got x, need y. Do. ... and 4 more like it."]


def test_errors_survive_pickling() -> None:
    """Faults come through from worker processes."""
    again = pickle.loads(pickle.dumps(InputError([FAULT, FAULT])))
    assert again.faults["row"].tolist() == [14, 14]


def test_frame_of_no_faults_has_columns() -> None:
    """An empty frame keeps its columns."""
    assert list(faults_frame([]).columns) == ["file", "row", "item", "column", "got", "need", "do"]


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, "nothing"), ("", "an empty cell"), (1.50, "1.5"), ("x" * 80, "x" * 57 + "..."), (7, "7")],
)
def test_show(value: object, text: str) -> None:
    """Values are shown as written, short."""
    assert show(value) == text


def test_require_names_argument_position_and_value() -> None:
    """The first wrong number is named with its place."""
    with pytest.raises(InputError, match="f, chord_mm: got 0 at position 1, need finite and above 0"):
        require_positive("f", chord_mm=[1.0, 0.0])
    with pytest.raises(InputError, match="f, sd_mm: got nan, need finite and at least 0"):
        require_nonnegative("f", sd_mm=float("nan"))
    with pytest.raises(InputError, match="f, prob: got 1, need between 0 and 1"):
        require_probability("f", prob=1.0)
    with pytest.raises(InputError, match="f, prob: got the text 'high', need numbers between 0 and 1"):
        require_probability("f", prob="high")
