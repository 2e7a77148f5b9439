"""The columns as text for a screen: everything of the schema, in lines that fit."""

import pandas as pd
import pytest

import treeage
from treeage.cli import main
from treeage.errors import InputError
from treeage.schema import catalogue as schema
from treeage.schema import columns_text
from treeage.tables import Field


@pytest.mark.parametrize("table", schema.INPUT_TABLES + schema.OUTPUT_TABLES)
def test_every_column_is_there_with_unit_need_and_meaning(table):
    """Nothing of the schema is lost: name, unit, allowed words, need, default, meaning."""
    text = columns_text(table)
    words = " ".join(text.split())
    assert text.startswith(f"{table}.csv: ")
    for item in schema.columns(table):
        if item.kind != "text":
            assert f"{item.need}" in words
        assert item.meaning in words
        line = next(line for line in text.splitlines() if line.split()[:1] == [item.name])
        assert ("needed: " in line) == (item.required and table in schema.INPUT_TABLES)
        assert (line.split()[1] == "*") == item.defaultable
    assert ("* One value for the whole table" in text) == any(item.defaultable for item in schema.columns(table))


@pytest.mark.parametrize("width", [60, 100])
def test_lines_fit_the_width(width):
    """No line is longer than asked for, and each column has its own lines."""
    lines = columns_text(width=width).splitlines()
    assert max(len(line) for line in lines) <= width
    assert lines[0].startswith("trees.csv: ")
    assert sum(line.endswith(".csv") or ".csv: " in line for line in lines if not line.startswith(" ")) == 8  # tables


def test_a_file_name_is_a_table_and_a_wrong_one_is_named():
    """cores.csv is cores; a near miss is suggested."""
    assert columns_text("cores.csv") == columns_text("cores")
    with pytest.raises(InputError, match=r"treeage columns, TABLE: got core, need one of trees, .* Did you mean cores"):
        columns_text("core")
    with pytest.raises(InputError, match=r"need one of trees, .*, stand_events, .* Did you mean stand_events\?"):
        columns_text("stand_event")


def test_the_command_prints_it(capsys):
    """`treeage columns` gives all tables, with a name one of them; a wrong name is bad input."""
    assert main(["columns"]) == 0
    assert capsys.readouterr().out == columns_text() + "\n"
    assert main(["columns", "rings"]) == 0
    assert capsys.readouterr().out == columns_text("rings") + "\n"
    assert main(["columns", "stand_events.csv"]) == 0  # written by treeage stand: its columns have units there too
    assert "lag_median [years]: to the middle one of these trees." in capsys.readouterr().out
    assert main(["columns", "stand_evnts"]) == 2
    assert main(["columns", "ring"]) == 2
    assert "Did you mean rings?" in capsys.readouterr().err


def test_ages_run_to_the_last_year_as_their_meaning_says():
    """Five rings lost outside: both ages count to outer_year and outer_lost, and both say so."""
    meanings = {item.name: item.meaning for item in schema.columns("ages")}
    core = {"tree": "A", "core": "a", "outer_year": 2020, "rings_counted": 100, "dating": "crossdated"}
    core |= {"inner_end": "pith", "core_height_m": 0.0, "outer_end": "lost", "outer_lost": 5}
    trees = pd.DataFrame({"tree": ["A"], "species": ["Larix decidua"]})
    row = treeage.estimate_ages(Field.from_frames(trees, pd.DataFrame([core]))).to_frame().iloc[0]
    for name in ("age_at_core_height_median", "age_median"):
        assert row[name] == 2020 + 5 - (2020 - 100 + 1) + 1  # hand sum
        assert "outer_lost" in meanings[name]
