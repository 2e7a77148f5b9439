"""A workbook reads as a folder, every fault with sheet, row and column; spreadsheet exports; girth beside diameter."""

from __future__ import annotations

import datetime
import io
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
from field_cases import TODAY, changed, good_tables, note_text, read, write
from hypothesis import given, settings
from hypothesis import strategies as st

from treeage.errors import InputError
from treeage.forms import empty_workbook, start_folder
from treeage.tables import Settings, read_field

Edit = Callable[[openpyxl.Workbook], None]
SITE = [("site", "", "name", "High pasture"), ("site", "", "hemisphere", "north")]


def workbook(
    path: Path, tables: dict[str, pd.DataFrame], rows: list[tuple[Any, ...]] = SITE, edit: Edit | None = None
) -> Path:
    """The empty workbook filled with tables and settings, as a person would, and saved."""
    book = openpyxl.load_workbook(io.BytesIO(empty_workbook(Settings(), hemisphere=False)))
    for name, frame in tables.items():
        places = {cell.value: cell.column for cell in book[name][3]}
        for line, row in enumerate(frame.to_dict("records"), start=4):
            for column, value in row.items():
                if not pd.isna(value):
                    book[name].cell(line, places.setdefault(column, len(places) + 1), value)
        for column, place in places.items():
            book[name].cell(3, place, column)
    for line, row in enumerate(rows, start=30):
        for place, value in enumerate(row, start=1):
            book["field"].cell(line, place, value)
    if edit is not None:
        edit(book)
    book.save(path)
    return path


def cell(sheet: str, row: int, column: str, value: Any, style: str = "") -> Edit:
    """Write one cell of the filled workbook."""

    def edit(book: openpyxl.Workbook) -> None:
        place = {head.value: head.column for head in book[sheet][3]}[column]
        found = book[sheet].cell(row, place, value)
        if style:
            found.number_format = style

    return edit


def test_a_workbook_reads_like_its_folder(tmp_path: Path) -> None:
    """The same tables as CSV are the oracle; alone in its folder and by its path, under any name."""
    (tmp_path / "csv").mkdir()
    (tmp_path / "book").mkdir()
    plain = read(tmp_path / "csv", good_tables())
    path = workbook(tmp_path / "book" / "larches.xlsx", good_tables())
    for place in (path, path.parent):
        field = read_field(place, today=TODAY)
        for name in good_tables():
            pd.testing.assert_frame_equal(getattr(plain, name), getattr(field, name))
        assert field.settings == plain.settings
        assert note_text(field) == note_text(plain)
        assert list(field.checksums) == ["larches.xlsx"]


def test_heads_may_stand_in_the_first_row(tmp_path: Path) -> None:
    """A workbook made by hand, without the rows of units and meanings."""
    with pd.ExcelWriter(tmp_path / "own.xlsx") as file:
        for name, frame in good_tables().items():
            frame.to_excel(file, sheet_name=name, index=False)
        pd.DataFrame({"a": [1]}).to_excel(file, sheet_name="Sketch", index=False)
    field = read_field(tmp_path / "own.xlsx", today=TODAY)
    assert len(field.rings) == 100
    assert "own.xlsx, sheet Sketch row 0  : got a sheet that is not read" in note_text(field)


@pytest.mark.parametrize(
    ("edit", "match"),
    [
        (
            cell("cores", 5, "core_height_m", 92),
            "field.xlsx, sheet cores, row 5, tree A17, core b, column core_height_m: got 92, need a number from 0 to",
        ),
        (
            cell("cores", 4, "dating", "guess"),
            "field.xlsx, sheet cores, row 4, .*column dating: got guess, need one of",
        ),
        (
            cell("trees", 4, "dbh_cm", "40,5"),
            "sheet trees, row 4, tree A17, column dbh_cm: got 40,5, .*Write 40.5 as a number, in",
        ),
        (cell("trees", 4, "dbh_cm", datetime.datetime(2026, 5, 4)), "got 2026-05-04, .*Write a number, not a date"),
        (
            cell("trees", 4, "slope_percent", 0.35, "0%"),
            "column slope_percent: got 35 %, .*Write the number alone, in %",
        ),
        (
            cell("trees", 4, "dbh_cm", "=20*2"),
            r"row 4, .*column dbh_cm: got =20\*2, need a number",
        ),  # saved without result
        (
            cell("trees", 5, "species", "=A1"),
            "row 5, column species: got the formula =A1 without a result, need a name",
        ),
        (
            cell("cores", 4, "core", datetime.date(2026, 2, 1)),
            "sheet cores, row 4, column core: got the date 2026-02-01, need a name. Set the cell to text",
        ),
        (cell("trees", 5, "tree", "A17"), "sheet trees, row 5, tree A17, column tree: got A17 again, as in row 4"),
        (
            cell("trees", 3, "species", "dbh_cm"),
            "sheet trees, row 3: got the column dbh_cm 2 times, need each column once",
        ),
        (lambda book: book.remove(book["cores"]), "field.xlsx, sheet cores: got no such sheet, need a table of cores"),
        (lambda book: setattr(book["cores"], "title", "Core"), "Rename the sheet Core to cores."),
        (lambda book: book["cores"].delete_rows(1, 20), "field.xlsx, sheet cores: got an empty sheet, need a row with"),
    ],
)
def test_faults_name_sheet_row_and_column(tmp_path: Path, edit: Edit, match: str) -> None:
    """Rows are those that the spreadsheet shows: heads take three, the first item stands in row 4."""
    workbook(tmp_path / "field.xlsx", good_tables(), edit=edit)
    with pytest.raises(InputError, match=match):
        read_field(tmp_path, today=TODAY)


@pytest.mark.parametrize(
    ("row", "match"),
    [
        (
            ("site", "", "hemisphere", "up"),
            "field.xlsx, sheet field, row 30, column site.hemisphere: got up, need one of north",
        ),
        (("site", "", "hemispher", "north"), "sheet field, row 30, column site.hemispher: got the unknown key"),
        (("height", "Larix decidua", "model", "guess"), r"sheet field, row 30, column height.*model: got guess"),
        (("height", "", "model", "two_heights"), "sheet field, row 30, .*column height.default: got 1 trees counted"),
        (
            ("defaults", "", "tilt_deg", 80),
            "sheet field, row 30, column defaults.tilt_deg: got 80, need a number from -75",
        ),
        (("doubt", "", "misdated", "often"), "sheet field, row 30, column doubt.misdated: got often, need a share"),
    ],
)
def test_faults_of_settings_name_their_row(tmp_path: Path, row: tuple[str, ...], match: str) -> None:
    """The sheet of settings is checked as field.toml is."""
    workbook(tmp_path / "field.xlsx", good_tables(), [row])
    with pytest.raises(InputError, match=match):
        read_field(tmp_path, today=TODAY)


def test_settings_of_the_sheet(tmp_path: Path) -> None:
    """Every section, numbers and lists."""
    rows = [
        ("site", "", "hemisphere", "south"),
        ("site", "", "name", 1923),
        ("defaults", "", "tilt_deg", 5),
        ("doubt", "", "pith_near", 0),
        ("height", "Larix decidua", "model", "quantiles"),
        ("height", "Larix decidua", "height_m", 1),
        ("height", "Larix decidua", "probs", "0.1, 0.5, 0.9"),
        ("height", "Larix decidua", "years", "4; 8; 17"),
        ("height", "", "model", "none"),
    ]
    field = read_field(workbook(tmp_path / "field.xlsx", good_tables(), rows), today=TODAY)
    assert (field.settings.hemisphere, field.settings.name) == ("south", "1923")
    assert field.settings.doubt["pith_near"] == 0
    assert field.cores["tilt_deg"].tolist() == [5.0] * 3
    larch = {"model": "quantiles", "height_m": 1, "probs": (0.1, 0.5, 0.9), "years": (4, 8, 17)}
    assert dict(field.settings.height_choice("Larix decidua")) == larch
    assert field.settings.height_choice("Picea abies") == {"model": "none"}


def test_field_toml_beside_a_workbook(tmp_path: Path) -> None:
    """Both are read; what both say must be the same."""
    workbook(tmp_path / "field.xlsx", good_tables())
    (tmp_path / "field.toml").write_text('[site]\nhemisphere = "north"\nbreast_height_m = 1.37\n')
    assert read_field(tmp_path, today=TODAY).settings.breast_height_m == 1.37
    (tmp_path / "field.toml").write_text('[site]\nhemisphere = "south"\n')
    with pytest.raises(
        InputError, match=r"sheet field, row 31, column site.hemisphere: got north, need south, as in field"
    ):
        read_field(tmp_path, today=TODAY)


def test_filled_workbook_and_filled_tables(tmp_path: Path) -> None:
    """Either may stand empty beside the other; both filled is a fault, and a damaged workbook is noted only."""
    write(tmp_path, good_tables())
    (tmp_path / "field.xlsx").write_bytes(empty_workbook(Settings()))
    assert len(read_field(tmp_path, today=TODAY).trees) == 2
    workbook(tmp_path / "field.xlsx", good_tables(), [])
    with pytest.raises(InputError, match="field.xlsx: got a filled workbook beside filled tables, need one of them"):
        read_field(tmp_path, today=TODAY)
    assert len(read_field(tmp_path / "field.xlsx", today=TODAY).trees) == 2
    write(tmp_path, {name: frame.iloc[:0] for name, frame in good_tables().items()})
    assert len(read_field(tmp_path, today=TODAY).cores) == 3
    write(tmp_path, good_tables())
    (tmp_path / "field.xlsx").write_bytes(b"PK\x03\x04 cut short")
    assert "field.xlsx row 0  : got a file that is not read" in note_text(read_field(tmp_path, today=TODAY))
    with pytest.raises(InputError, match="field.xlsx: got a file that does not read .*, need a spreadsheet workbook"):
        read_field(tmp_path / "field.xlsx", today=TODAY)


def test_workbooks_that_are_not_read_are_named(tmp_path: Path) -> None:
    """Several workbooks, or one in another form: what to do."""
    for name in ("a.xlsx", "b.xlsx"):
        workbook(tmp_path / name, good_tables())
    with pytest.raises(
        InputError, match="trees.csv: got no such file, .* Name the workbook, for example .*a.xlsx, or put"
    ):
        read_field(tmp_path, today=TODAY)
    assert len(read_field(tmp_path / "b.xlsx", today=TODAY).trees) == 2
    (tmp_path / "old").mkdir()
    (tmp_path / "old" / "field.ods").write_bytes(b"PK\x03\x04")
    with pytest.raises(InputError, match="Save field.ods as a workbook .* alone in its folder, or its sheets as CSV"):
        read_field(tmp_path / "old", today=TODAY)


@pytest.mark.parametrize(
    ("sheets", "advice"),
    [
        ({"Tabelle1": ["trees"], "Tabelle2": ["cores"]}, ["Rename the sheet Tabelle1 to trees.", "Tabelle2 to cores."]),
        ({"Sheet1": ["trees", "cores"]}, ["Part the sheet Sheet1 in two: trees with a row for each tree, cores"] * 2),
        ({"Sheet1": []}, ["Add a sheet with the name trees.", "Add a sheet with the name cores."]),
    ],
)
def test_sheets_under_other_names_are_known_by_their_columns(
    tmp_path: Path, sheets: dict[str, list[str]], advice: list[str]
) -> None:
    """The names that spreadsheet programs give, and all in one sheet."""
    with pd.ExcelWriter(tmp_path / "own.xlsx") as file:
        for name, tables in sheets.items():
            frames = [good_tables()[table].iloc[:2] for table in tables] or [pd.DataFrame({"a": [1]})]
            frame = pd.concat(frames, axis=1)
            frame.loc[:, ~frame.columns.duplicated()].to_excel(file, sheet_name=name, index=False)
    with pytest.raises(InputError) as caught:
        read_field(tmp_path, today=TODAY)
    assert all(text in do for text, do in zip(advice, caught.value.faults["do"], strict=True))


def test_merged_cells_are_named(tmp_path: Path) -> None:
    """A program keeps the value in the first cell alone; a title merged above the heads matters nothing."""

    def merge(book: openpyxl.Workbook) -> None:
        for each in ("A1:F1", "B4:B5"):
            book["trees"].merge_cells(each)
        book["cores"].merge_cells("C4:C6")

    workbook(tmp_path / "field.xlsx", good_tables(), edit=merge)
    with pytest.raises(InputError) as caught:
        read_field(tmp_path, today=TODAY)
    found = caught.value.faults
    assert found["row"].tolist() == [5, 5, 6]
    assert found["column"].tolist() == ["species", "outer_year", "outer_year"]
    assert set(found["do"]) == {"Undo the merge and fill each cell."}


def test_empty_settings_of_a_workbook_are_asked_for_there(tmp_path: Path) -> None:
    """No file is needed beside a workbook."""
    workbook(tmp_path / "field.xlsx", good_tables(), [])
    assert "Fill in the sheet field of the workbook." in note_text(read_field(tmp_path, today=TODAY))


def test_young_trees_in_columns_of_other_names(tmp_path: Path) -> None:
    """One known name is enough for a head; then the columns are at fault and not the cells."""
    tables = {name: good_tables()[name] for name in ("trees", "cores")}
    with pd.ExcelWriter(tmp_path / "own.xlsx") as file:
        for name, frame in tables.items():
            frame.to_excel(file, sheet_name=name, index=False)
        young = pd.DataFrame({"species": ["Larix decidua"], "height_cm": [40], "age": [7]})
        young.to_excel(file, sheet_name="seedlings", index=False)
    with pytest.raises(InputError, match="sheet seedlings, row 2: got a row without .* Rename the columns that hold"):
        read_field(tmp_path, today=TODAY)


def test_a_workbook_beside_empty_tables_is_named(tmp_path: Path) -> None:
    """Saved under a name of its own in a folder that was started; the lock of an open one is none."""
    start_folder(tmp_path / "field")
    (tmp_path / "field" / "~$larches.xlsx").write_bytes(b"")
    with pytest.raises(InputError) as caught:
        read_field(tmp_path / "field", today=TODAY)
    assert set(caught.value.faults["do"]) == {"Add the rows."}
    path = workbook(tmp_path / "field" / "larches.xlsx", good_tables())
    with pytest.raises(InputError, match=r"Add the rows, or name the workbook that holds them: .*larches\.xlsx\."):
        read_field(tmp_path / "field", today=TODAY)
    assert len(read_field(path, today=TODAY).trees) == 2


def test_names_keep_their_zeros(tmp_path: Path) -> None:
    """Text stays text, a number keeps the zeros that its format shows, and 7.0 is 7."""
    tables = good_tables()
    for name in ("trees", "cores", "rings", "arcs", "points"):
        tables[name]["tree"] = tables[name]["tree"].map({"A17": "007", "B02": "8"})

    def numbers(book: openpyxl.Workbook) -> None:
        for line in (4, 5, 6):
            cell("cores", line, "tree", 7 if line < 6 else 8, "000" if line < 6 else "0")(book)

    field = read_field(workbook(tmp_path / "field.xlsx", tables, edit=numbers), today=TODAY)
    assert field.cores["tree"].tolist() == ["007", "007", "8"]


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from(["trees", "cores", "seedlings", "field"]),
    st.integers(1, 8),
    st.integers(1, 8),
    st.one_of(st.none(), st.booleans(), st.floats(allow_nan=False, allow_infinity=False), st.dates(), st.text(
        st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), max_size=12)),
)  # fmt: skip
def test_no_cell_breaks_the_reader(
    tmp_path_factory: pytest.TempPathFactory, sheet: str, row: int, column: int, value: Any
) -> None:
    """Whatever stands in a cell, the answer is a field or a list of faults."""

    def edit(book: openpyxl.Workbook) -> None:
        book[sheet].cell(row, column, value)

    tables = {name: good_tables()[name] for name in ("trees", "cores", "seedlings")}
    path = workbook(tmp_path_factory.mktemp("cell") / "field.xlsx", tables, edit=edit)
    try:
        assert len(read_field(path, today=TODAY).trees) >= 1
    except InputError as error:
        assert len(error.faults)


# ------------------------------------------------------------------ exports with semicolons and decimal commas


def semicolons(folder: Path, tables: dict[str, pd.DataFrame], mark: str = ",") -> Path:
    """Write tables as spreadsheets of many countries do."""
    folder.mkdir(exist_ok=True)
    for name, frame in tables.items():
        frame.to_csv(folder / f"{name}.csv", index=False, sep=";", decimal=mark)
    (folder / "field.toml").write_text('[site]\nname = "High pasture"\nhemisphere = "north"\n')
    return folder


@pytest.mark.parametrize("mark", [",", "."])
def test_semicolons_read_where_every_file_has_them(tmp_path: Path, mark: str) -> None:
    """The same tables with commas are the oracle; a note says so, and remarks keep their commas."""
    tables = good_tables()
    tables["events"]["note"] = "scars, 3,5 of 10"
    tables["trees"]["plot"] = ["1,2", "3,5"]
    tables["trees"]["remark"] = ["1,5 m off; leaning", "2,5"]
    (tmp_path / "plain").mkdir()
    plain = read(tmp_path / "plain", tables)
    field = read_field(semicolons(tmp_path / "export", tables, mark), today=TODAY)
    for name in tables:
        pd.testing.assert_frame_equal(getattr(plain, name), getattr(field, name))
    assert field.trees["remark"].tolist() == ["1,5 m off; leaning", "2,5"]
    told = "columns parted by semicolons" + (", and decimal commas" if mark == "," else "")
    assert f"trees.csv row 0  : got {told}, need commas between columns" in note_text(field)


def test_one_file_with_commas_and_the_others_are_refused(tmp_path: Path) -> None:
    """Not every file says so by itself: nothing is guessed."""
    semicolons(tmp_path, good_tables())
    good_tables()["events"].to_csv(tmp_path / "events.csv", index=False)
    with pytest.raises(InputError, match="trees.csv, row 1: got columns parted by semicolons"):
        read_field(tmp_path, today=TODAY)


def test_heads_alone_do_not_decide(tmp_path: Path) -> None:
    """Tables that `treeage start` left empty have commas, whatever the spreadsheet writes into the others."""
    start_folder(tmp_path)
    semicolons(tmp_path, {name: good_tables()[name] for name in ("trees", "cores")})
    field = read_field(tmp_path, today=TODAY)
    assert field.trees["dbh_cm"].tolist() == [40.0, 42.0]
    assert "events.csv row 0  : got a header without rows" in note_text(field)


def test_a_point_among_decimal_commas_is_a_fault(tmp_path: Path) -> None:
    """1.250 may be a thousand or not: the cell is named."""
    tables = changed({("trees", -1, "x_m"): "12,5", ("trees", 1, "x_m"): "1.250"})
    semicolons(tmp_path, tables)
    with pytest.raises(
        InputError, match=r"trees.csv, row 3, column x_m: got 1.250, need decimal commas.* Write 1,250 or 1250"
    ):
        read_field(tmp_path, today=TODAY)


def test_faults_of_exports_name_row_and_column(tmp_path: Path) -> None:
    """As in any other table."""
    semicolons(tmp_path, changed({("cores", 1, "core_height_m"): 92.5}))
    with pytest.raises(InputError, match="cores.csv, row 3, tree A17, core b, column core_height_m: got 92.5"):
        read_field(tmp_path, today=TODAY)


# ------------------------------------------------------------------ girth beside diameter, known dates


def test_a_girth_stands_for_the_diameter(tmp_path: Path) -> None:
    """dbh = girth / pi (closed form) where only the girth was taken, with a note; a diameter is kept as written."""
    field = read(
        tmp_path, changed({("trees", 0, "dbh_cm"): "", ("trees", 0, "girth_cm"): 125.66, ("trees", 1, "girth_cm"): 133})
    )
    np.testing.assert_allclose(field.trees["dbh_cm"], [125.66 / np.pi, 42.0], rtol=1e-12)
    assert "girth_cm: got 1 trees with a girth and no dbh_cm" in note_text(field)


def test_a_girth_that_does_not_fit_its_diameter_is_a_fault(tmp_path: Path) -> None:
    """Both given, they must agree: 140 cm round is 44.6 cm through, not 40."""
    with pytest.raises(
        InputError, match=r"trees.csv, row 2, tree A17, column dbh_cm: got 40, need near girth_cm / pi = 44.56"
    ):
        read(tmp_path, changed({("trees", 0, "girth_cm"): 140}))


def test_girths_alone_serve_every_check(tmp_path: Path) -> None:
    """Without the column dbh_cm the checks of sizes still see a diameter: a core longer than the stem is a fault."""
    tables = good_tables()
    tables["trees"] = tables["trees"].drop(columns="dbh_cm").assign(girth_cm=[20.0, 131.9])
    with pytest.raises(InputError, match="core_length_mm"):
        read(tmp_path, tables)


def test_a_lone_cell_far_away_costs_little(tmp_path: Path) -> None:
    """A stray cell in the last row and column of a sheet is an unnamed column, and no hang."""
    start = time.process_time()
    path = workbook(tmp_path / "field.xlsx", good_tables(), edit=lambda book: book["trees"].cell(1_048_576, 40, "x"))
    with pytest.raises(InputError, match="sheet trees, row 1048576, column tree: got an empty cell"):
        read_field(path, today=TODAY)
    assert time.process_time() - start < 20  # measured 2 s
