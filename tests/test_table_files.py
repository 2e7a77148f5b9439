"""Tests of files that are not tables: each is refused with the one thing to do."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from field_cases import TODAY, faults, good_tables, note_text, read, write
from hypothesis import given, settings
from hypothesis import strategies as st

from treeage.errors import InputError
from treeage.tables import read_field

HEAD = "tree,species,dbh_cm,bark_mm\n"
ROWS = "A17,Larix decidua,40,10\nB02,Picea abies,42,10\n"


def trees_file(folder: Path, data: bytes) -> Path:
    """Write the good field with other bytes in trees.csv."""
    write(folder, good_tables())
    (folder / "trees.csv").write_bytes(data)
    return folder


def test_plain_text_reads(tmp_path: Path) -> None:
    """Negative control: the plain file is read."""
    field = read_field(trees_file(tmp_path, (HEAD + ROWS).encode()), today=TODAY)
    assert field.trees["dbh_cm"].tolist() == [40.0, 42.0]


@pytest.mark.parametrize(
    "data",
    [
        ("\ufeff" + HEAD + ROWS).encode(),  # byte order mark
        (HEAD + ROWS).replace("\n", "\r\n").encode(),
        (HEAD + ROWS).replace("\n", "\r").encode(),
        (HEAD + ROWS + "\n\n").encode(),
        ("\n" + HEAD + "\n" + ROWS + ",,,\n").encode(),  # blank lines and a line of commas, as spreadsheets leave them
        (HEAD + ROWS.replace("Larix decidua", '"Larix decidua"')).encode(),
        (HEAD + ROWS.replace("A17", " A17\t")).encode(),
        (HEAD.strip() + ",\n" + ROWS.replace("10\n", "10,\n")).encode(),  # a comma too many in every line
        (HEAD + ROWS.replace("10\n", "10,,\n")).encode(),
    ],
)
def test_harmless_forms_read_alike(data: bytes, tmp_path: Path) -> None:
    """Line ends, a byte order mark, blanks, quotes and trailing commas change nothing."""
    field = read_field(trees_file(tmp_path, data), today=TODAY)
    assert field.trees[["tree", "species"]].to_numpy().tolist() == [["A17", "Larix decidua"], ["B02", "Picea abies"]]
    assert note_text(field) == ""
    assert field.unknown_columns == {}


@pytest.mark.parametrize(
    ("data", "match"),
    [
        (b"", "trees.csv: got an empty file, need a header row"),
        (b"\n \n", "trees.csv: got an empty file"),
        (HEAD.encode(), "trees.csv: got a header without rows, need one row for each of the trees"),
        (
            (HEAD + ROWS).replace(",", ";").encode(),
            "trees.csv, row 1: got columns parted by semicolons, need commas between columns. In a text editor replace",
        ),
        (
            (HEAD + "A17,Larix,40,10\n").replace(",", ";").replace("40", "40,5").encode(),
            "got columns parted by semicolons",
        ),
        ((HEAD + ROWS).replace(",", "\t").encode(), "row 1: got columns parted by tabs"),
        ((HEAD + ROWS).encode("utf-16"), "got UTF-16 text, need UTF-8 text. Save it as CSV with UTF-8 text"),
        (
            (HEAD + ROWS.replace("Picea", "Épicéa")).encode("latin-1"),
            "trees.csv, row 3: got byte 0xC9 at byte 57, which is not UTF-8",  # 28 + 24 + 4 bytes before it, hand count
        ),
        ((HEAD + ROWS.replace("Picea", "Pi\x00cea")).encode(), "row 3: got a NUL byte at byte 59, need text only"),
        (b"PK\x03\x04 and more", "got a spreadsheet or zip file, need a text table"),
        (
            (HEAD + "A17,Larix decidua,40\n" + ROWS).encode(),
            "row 2: got 3 cells, need 4 cells as in the header. Add the",
        ),
        (
            (HEAD + ROWS.replace("42,", "42,5,")).encode(),
            "row 3: got 5 cells, need 4 cells as in the header. Write numbers with a decimal point",
        ),
        (
            (HEAD.replace("bark_mm", "dbh_cm") + ROWS).encode(),
            "row 1: got the column dbh_cm 2 times, need each column once",
        ),
        (ROWS.encode(), "row 1: got A17,Larix decidua,40,10, need a header row with known column names"),
        (
            (HEAD + ROWS.replace("Larix", '"Larix')).encode(),
            "row 2: got text that is not a table .*, need quotes that close",
        ),
        (
            (HEAD.replace("species", "Species") + ROWS).encode(),
            "trees.csv, species: got no such column, need species: a name. Rename Species to species",
        ),
    ],
)
def test_other_files_are_refused(data: bytes, match: str, tmp_path: Path) -> None:
    """What is wrong with the file is said, where, and what to do."""
    with pytest.raises(InputError, match=match):
        read_field(trees_file(tmp_path, data), today=TODAY)


def test_rows_count_lines_of_the_file(tmp_path: Path) -> None:
    """A quoted line break and blank lines do not shift the row numbers."""
    data = 'tree,species,note,dbh_cm\nA17,Larix decidua,"two\nlines",40\n\nB02,Picea abies,,-4\n'
    with pytest.raises(InputError, match=r"trees.csv, row 5, tree B02, column dbh_cm: got -4"):  # hand count
        read_field(trees_file(tmp_path, data.encode()), today=TODAY)


def test_missing_tables_name_the_file_that_is_there(tmp_path: Path) -> None:
    """A file under a near name is pointed out."""
    write(tmp_path, good_tables())
    (tmp_path / "trees.csv").rename(tmp_path / "Trees.csv")
    (tmp_path / "cores.csv").rename(tmp_path / "cores.xlsx")
    with pytest.raises(
        InputError, match="trees.csv: got no such file, need a table of trees. Rename Trees.csv"
    ) as caught:
        read_field(tmp_path, today=TODAY)
    assert "Save cores.xlsx as cores.csv." in str(caught.value)


def test_an_empty_folder_and_no_folder(tmp_path: Path) -> None:
    """Both required tables are asked for; a wrong path is named."""
    with pytest.raises(InputError, match="2 faults in cores.csv, trees.csv"):
        read_field(tmp_path)
    with pytest.raises(InputError, match="need a folder with field tables"):
        read_field(tmp_path / "nowhere")
    (tmp_path / "trees.csv").write_text("x")
    with pytest.raises(InputError, match="got the file .*trees.csv, need a folder"):
        read_field(tmp_path / "trees.csv")


def test_two_files_of_one_table(tmp_path: Path) -> None:
    """CSV and Parquet of the same table cannot both be meant."""
    write(tmp_path, good_tables())
    good_tables()["trees"].to_parquet(tmp_path / "trees.parquet")
    with pytest.raises(InputError, match="got both a CSV and a Parquet file, need one of them. Remove trees.parquet"):
        read_field(tmp_path, today=TODAY)


def test_a_file_with_a_near_name_is_noted(tmp_path: Path) -> None:
    """An optional table under another name is not passed over in silence."""
    tables = good_tables()
    tables["seedling"] = tables.pop("seedlings")
    assert "seedling.csv" in note_text(read(tmp_path, tables))


def test_a_file_with_a_near_name_keeps_its_form(tmp_path: Path) -> None:
    """Parquet under another ending would not read; a TOML file is no table."""
    write(tmp_path, {name: frame for name, frame in good_tables().items() if name not in ("rings", "events")})
    good_tables()["rings"].to_parquet(tmp_path / "Rings.parquet")
    (tmp_path / "fields.toml").write_text("")
    (tmp_path / "events.toml").write_text("")
    text = note_text(read_field(tmp_path, today=TODAY))
    assert "Rename it to rings.parquet if it is meant to be." in text
    assert "fields.toml row 0  : got a file that is not read, need a known file name. Rename it to field.toml" in text
    assert "events.toml" not in text


def test_optional_table_without_rows_is_noted(tmp_path: Path) -> None:
    """A header alone counts as an absent table."""
    tables = good_tables()
    tables["events"] = tables["events"].iloc[:0]
    field = read(tmp_path, tables)
    assert len(field.events) == 0
    assert "events.csv row 0  : got a header without rows" in note_text(field)


def test_parquet_reads_like_csv(tmp_path: Path) -> None:
    """The same tables in Parquet give the same frames; a damaged file is refused."""
    plain, packed = tmp_path / "plain", tmp_path / "packed"
    plain.mkdir()
    packed.mkdir()
    tables = good_tables()
    from_csv = read(plain, tables)
    for name, frame in tables.items():
        frame.to_parquet(packed / f"{name}.parquet")
    (packed / "field.toml").write_text('[site]\nhemisphere = "north"\n')
    from_parquet = read_field(packed, today=TODAY)
    for name in tables:
        pd.testing.assert_frame_equal(getattr(from_csv, name), getattr(from_parquet, name))
    (packed / "rings.parquet").write_bytes(b"PAR1 no table")
    with pytest.raises(InputError, match=r"rings.parquet: got a file that does not read .*, need a Parquet table"):
        read_field(packed, today=TODAY)


def test_number_ids_in_parquet_stay_names(tmp_path: Path) -> None:
    """Whole numbers as ids read as their digits, also when a column of floats holds them."""
    tables = good_tables()
    numbers = {"A17": 17, "B02": 2}
    for name in ("trees", "cores", "rings", "arcs", "points"):
        tables[name]["tree"] = tables[name]["tree"].map(numbers).astype(float if name == "cores" else int)
        tables[name].to_parquet(tmp_path / f"{name}.parquet")
    field = read_field(tmp_path, today=TODAY)
    assert field.trees["tree"].tolist() == ["17", "2"]
    assert field.cores["tree"].tolist() == ["17", "17", "2"]


def test_ids_are_text(tmp_path: Path) -> None:
    """007 stays 007, also when every id looks like a number, and NA may be the name of a tree."""
    tables = good_tables()
    for name in ("trees", "cores", "rings", "arcs", "points"):
        tables[name]["tree"] = tables[name]["tree"].map({"A17": "007", "B02": "NA"})
    field = read(tmp_path, tables)
    assert field.trees["tree"].tolist() == ["007", "NA"]
    assert list(field.ring_widths()) == [("007", "a")]


@settings(max_examples=40, deadline=None)
@given(st.binary(max_size=300), st.booleans())
def test_no_bytes_break_the_reader(tmp_path_factory: pytest.TempPathFactory, data: bytes, headed: bool) -> None:
    """Whatever the bytes, the answer is a field or a list of faults."""
    folder = trees_file(tmp_path_factory.mktemp("bytes"), HEAD.encode() * headed + data)
    with pytest.raises(InputError, match="got"):
        read_field(folder, today=TODAY)


def test_faults_of_files_come_with_those_of_cells(tmp_path: Path) -> None:
    """A file that cannot be read does not hide the faults of another."""
    write(tmp_path, good_tables())
    (tmp_path / "rings.csv").write_bytes(b"\xff\xfe\x00")
    tables = good_tables()
    tables.pop("rings")
    tables["trees"]["dbh_cm"] = -1.0
    found = faults(tmp_path, tables, "3 faults in rings.csv, trees.csv")
    assert found["file"].tolist() == ["rings.csv", "trees.csv", "trees.csv"]


@pytest.mark.parametrize(
    ("name", "data", "match"),
    [
        ("site.rwl", b"T01A  1900   123   110    98\n", "read it with treeage.formats.read_ring_file and write rings"),
        ("widths.TXT", b"1.10\n0.98\n", "read_ring_file"),
        ("fieldbook.xlsx", b"PK\x03\x04", "Save each sheet that is meant as one of the tables as CSV"),
        ("readme.txt", b"Cored in 2024 by two foresters.\n", None),
    ],
)
def test_files_in_another_form_are_noted(name: str, data: bytes, match: str | None, tmp_path: Path) -> None:
    """Data that stay unread are said to; words are left alone."""
    write(tmp_path, good_tables())
    (tmp_path / name).write_bytes(data)
    text = note_text(read_field(tmp_path))
    assert (name in text) == (match is not None)
    if match:
        assert match in text
