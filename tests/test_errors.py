"""Tests of the errors that carry faults."""

from __future__ import annotations

import inspect
import pickle
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.typing import ArrayLike

from treeage.errors import (
    MANY_NOTES,
    MANY_ROWS,
    Fault,
    Findings,
    InputError,
    ModelError,
    fault_lines,
    faults_frame,
    public,
    require_nonnegative,
    require_positive,
    require_probability,
    show,
)
from treeage.height import height_model
from treeage.stand import recruitment_history

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


def test_require_says_what_can_be_done_with_any_argument() -> None:
    """Not every argument can be left out, so that is said with its condition."""
    with pytest.raises(InputError, match=r"Correct chord_mm, or leave it out where it is optional\."):
        require_positive("f", chord_mm=-1)


class Lines:
    """A table of 1100 rows that begins in line 2 of its file."""

    file = "cores.csv"
    lines = np.arange(2, 1102)

    def item(self, row: int) -> str:
        """Name of a row."""
        return f"core {row}"


def test_findings_point_at_rows() -> None:
    """Rows are marked or named, words are the same for all or made for each; line and item are those of the row."""
    findings = Findings()
    mask = np.zeros(1100, dtype=bool)
    mask[[3, 7]] = True
    findings.at_rows(Lines(), mask, "rise_mm", lambda row: (f"{row}", "less", "Do."))
    findings.at_rows(Lines(), [7, 3], "rise_mm", ("x", "y", "Do."), note=True)
    findings.at_rows(Lines(), [], "rise_mm", ("x", "y", "Do."))
    assert [(fault.row, fault.item, fault.got) for fault in findings.faults] == [(5, "core 3", "3"), (9, "core 7", "7")]
    assert [(note.row, note.column, note.got) for note in findings.notes] == [(9, "rise_mm", "x"), (5, "rise_mm", "x")]
    with pytest.raises(InputError, match="2 faults in cores.csv"):
        findings.stop()


@pytest.mark.parametrize(("note", "limit"), [(True, MANY_NOTES), (False, MANY_ROWS)])
def test_of_very_many_rows_the_last_stands_for_the_rest(note: bool, limit: int) -> None:
    """One more than the limit is listed whole; of more, the rows that are not listed are counted."""
    for rows, tail in ((limit, f"{limit - 1}"), (limit + 1, f"{limit}"), (limit + 10, f"{limit} and 9 more rows of")):
        findings = Findings()
        findings.at_rows(Lines(), range(rows), "a", lambda row: (f"{row}", "y", "Do."), note=note)
        kept = findings.notes if note else findings.faults
        assert len(kept) == min(rows, limit + 1)
        assert kept[-1].got.startswith(tail)
        assert kept[-1].row == len(kept) + 1  # hand count: line of the last row listed


# ------------------------------------------------------------------ arguments of another kind


@public
def fragile(size: float, names: Sequence[str] = (), *, rows: ArrayLike = 0, where: str | Path = "x") -> float:
    """Falls over whatever is wrong, in the words of Python, and over a size of 13 by itself."""
    assert size != 13
    return size / 1 + sum(len(name.lower()) for name in names) + np.sum(np.asarray(rows) ** 2) + len(f"{where:s}")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"size": None}, "fragile, size: got nothing, need one finite number. Pass size as that."),
        ({"size": 1.0, "names": [2.0]}, "fragile, names: got the list [2.0], need a list, each a text. Pass names"),
        ({"size": 1.0, "rows": ["a"]}, "fragile, rows: got the list ['a'], need finite numbers, one or a row of them."),
        ({"size": 1.0, "where": 3}, "fragile, where: got 3, need a text or a Path. Pass where as that."),
    ],
)  # fmt: skip
def test_a_call_that_falls_over_its_arguments_says_which(arguments, said):
    """With what it needs by its annotation; where several are wrong, all of them."""
    with pytest.raises(InputError) as caught:
        fragile(**arguments)
    assert str(caught.value).startswith(said)
    with pytest.raises(InputError) as caught:
        fragile(**arguments | {"size": "a", "names": 3})
    assert len(caught.value.faults) >= 2


def test_other_failures_of_a_call_stay_what_they_are():
    """Control: nothing is asked where it works, and a failure that no argument explains is not covered up."""
    assert fragile(1.0, ("a",), rows=2) == 7.0
    assert fragile(np.float64(1.0), np.array(["a", "b"])) == 4.0
    with pytest.raises(AssertionError):
        fragile(13)
    with pytest.raises(TypeError, match="unexpected keyword argument"):
        fragile(1.0, sizes=2)


@pytest.mark.parametrize("rows", [None, {"height_m": [1.0]}, pd.DataFrame({"height_m": [1.0]})])
def test_young_trees_that_are_none_or_a_table_are_not_blamed(rows, monkeypatch):
    """Control: what is neither is."""

    def falls(*_):
        raise RuntimeError("by itself")

    monkeypatch.setattr("treeage.height.sources.height_faults", falls)
    with pytest.raises(RuntimeError, match="by itself"):
        height_model({"model": "none"}, seedlings=rows)
    with pytest.raises(InputError, match="seedlings: got 3, need a table of young trees"):
        height_model({"model": "none"}, seedlings=3)


def test_a_marked_call_tells_its_arguments_as_the_function_does():
    """Names, annotations and defaults can be asked for, keyword-only ones too (inspect, an oracle of the language)."""

    def plain(size: float, *, rows: int = 4) -> float:
        return size + rows

    marked = public(plain)
    assert inspect.signature(marked) == inspect.signature(plain)
    assert marked.__kwdefaults__ == plain.__kwdefaults__ == {"rows": 4}
    assert marked(1.0) == 5.0 and marked(1.0, rows=1) == 2.0
    assert "events" in recruitment_history.__kwdefaults__
