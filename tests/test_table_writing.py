"""Tests of writing: a file is whole or absent."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from field_cases import TODAY, good_tables

from treeage.errors import InputError
from treeage.tables import Settings, read_field, write_field, write_table, write_text


def test_a_field_survives_writing_and_reading(tmp_path: Path) -> None:
    """What was written is read back without loss, the typed frames of a read field included."""
    settings = Settings(name="High pasture", height={"default": {"model": "none"}})
    first = read_field(write_field(tmp_path / "one", good_tables(), settings), today=TODAY)
    tables = {name: getattr(first, name) for name in good_tables()}
    second = read_field(write_field(tmp_path / "two", tables, settings), today=TODAY)
    assert second.settings == settings
    for name in tables:
        pd.testing.assert_frame_equal(getattr(first, name), getattr(second, name))


def test_numbers_are_not_rounded(tmp_path: Path) -> None:
    """CSV and Parquet hold every digit."""
    frame = pd.DataFrame({"share": [1 / 3, 2e-17], "tree": ["007", "é"]})
    for name in ("ages.csv", "ages.parquet"):
        path = write_table(frame, tmp_path / "new" / name)
        back = pd.read_csv(path, dtype={"tree": str}) if name.endswith("csv") else pd.read_parquet(path)
        assert back["share"].tolist() == frame["share"].tolist()
        assert back["tree"].tolist() == ["007", "é"]


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    """An error halfway keeps what was there."""

    class Bad(pd.DataFrame):
        def to_csv(self, path: Path, **_: object) -> None:
            Path(path).write_text("half")
            raise OSError("disk full")

    path = write_text(tmp_path / "ages.csv", "old")
    with pytest.raises(OSError, match="disk full"):
        write_table(Bad(), path)
    assert [entry.name for entry in tmp_path.iterdir()] == ["ages.csv"]
    assert path.read_text() == "old"


def test_other_endings_are_refused(tmp_path: Path) -> None:
    """The ending decides the form."""
    with pytest.raises(InputError, match="got ages.xlsx, need a name ending in .csv or .parquet"):
        write_table(pd.DataFrame({"age": [1]}), tmp_path / "ages.xlsx")


def test_a_folder_with_files_is_left_alone(tmp_path: Path) -> None:
    """Files are replaced only when that is asked for, and other files never."""
    (tmp_path / "diary.txt").write_text("mine")
    with pytest.raises(InputError, match="which holds files, need an empty or new folder"):
        write_field(tmp_path, good_tables())
    write_field(tmp_path, good_tables(), replace=True)
    assert (tmp_path / "diary.txt").read_text() == "mine"
    with pytest.raises(InputError, match="got the file .*diary.txt, need a folder"):
        write_field(tmp_path / "diary.txt", good_tables())


def test_wrong_tables_are_refused_before_anything_is_written(tmp_path: Path) -> None:
    """Unknown and missing tables come in one error and the folder is not made."""
    with pytest.raises(
        InputError, match="tables: got seedling, need one of trees, .* Did you mean seedlings"
    ) as caught:
        write_field(tmp_path / "field", {"trees": good_tables()["trees"], "seedling": good_tables()["seedlings"]})
    assert "tables['cores']: got nothing, need a table of cores" in str(caught.value)
    assert not (tmp_path / "field").exists()


def test_empty_tables_are_left_out(tmp_path: Path) -> None:
    """A table without rows makes no file."""
    tables = good_tables() | {"events": good_tables()["events"].iloc[:0]}
    assert not (write_field(tmp_path / "field", tables) / "events.csv").exists()
