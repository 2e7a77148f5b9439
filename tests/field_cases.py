"""A small field without any fault, and helpers that change one cell and read it back."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from treeage.errors import InputError
from treeage.tables import Field, read_field

TODAY = 2026
SURE = {"pith_near": 0.0, "misdated": 0.0, "wrong_core": 0.0}  # settings under which every entry is taken at its word
TOML = '[site]\nname = "High pasture"\nhemisphere = "north"\n'
Edits = Mapping[tuple[str, int, str], Any]


def good_tables() -> dict[str, pd.DataFrame]:
    """Tables of two trees and three cores that fit each other and raise no note."""
    trees = pd.DataFrame(
        [
            {"tree": "A17", "species": "Larix decidua", "dbh_cm": 40.0, "bark_mm": 10.0},
            {"tree": "B02", "species": "Picea abies", "dbh_cm": 42.0, "bark_mm": 10.0},
        ]
    )
    core = {"outer_year": 2020, "core_height_m": 1.0, "core_length_mm": 185.0, "dating": "crossdated"}
    arc = {"inner_end": "arcs", "chord_mm": 5.0, "rise_mm": 0.4}
    cores = pd.DataFrame(
        [
            {"tree": "A17", "core": "a", "rings_counted": 100} | core | arc,
            {"tree": "A17", "core": "b", "rings_counted": 98} | core | arc,
            {"tree": "B02", "core": "a", "rings_counted": 80} | core | {"inner_end": "pith", "dating": "lab_count"},
        ]
    )
    widths = [1.8 if ring % 2 else 1.9 for ring in range(100)]  # they add to 185 mm
    rings = pd.DataFrame(
        {"tree": "A17", "core": "a", "ring": range(1, 101), "year": range(1921, 2021), "width_mm": widths}
    )
    arcs = pd.DataFrame({"tree": ["A17"], "core": ["b"], "ring": [3], "chord_mm": [6.0], "rise_mm": [0.3]})
    points = pd.DataFrame({"tree": "A17", "core": "b", "ring": [0, 1, 1, 1], "x_mm": [0.0, 0.4, 0.0, 0.4]})
    points["y_mm"] = [0.0, -2.0, 0.0, 2.0]
    seedlings = pd.DataFrame(
        {"species": ["Larix decidua"] * 3, "height_m": [0.2, 0.5, None], "age_years": [4, 8, None]}
        | {"sampling": ["passing", "passing", None]}
        | {"low_height_m": [None, None, 0.0], "low_rings": [None, None, 30]}
        | {"high_height_m": [None, None, 1.0], "high_rings": [None, None, 20]}
    )
    events = pd.DataFrame({"year": [1931], "event": ["fire"], "note": ["scars"]})
    names = ("trees", "cores", "rings", "arcs", "points", "seedlings", "events")
    return dict(zip(names, (trees, cores, rings, arcs, points, seedlings, events), strict=True))


def changed(edits: Edits) -> dict[str, pd.DataFrame]:
    """The good tables with some cells changed; row -1 means every row."""
    tables = good_tables()
    for (table, row, column), value in edits.items():
        frame = tables[table].astype(object)
        if column not in frame:
            frame[column] = pd.Series([""] * len(frame), dtype=object)
        if row < 0:
            frame[column] = value
        else:
            frame.loc[row, column] = value
        tables[table] = frame
    return tables


def write(folder: Path, tables: Mapping[str, pd.DataFrame], toml: str | None = TOML) -> Path:
    """Write tables as plain CSV files and a field.toml."""
    for name, frame in tables.items():
        frame.to_csv(folder / f"{name}.csv", index=False)
    if toml is not None:
        (folder / "field.toml").write_text(toml, encoding="utf-8")
    return folder


def first_trees(demo: Path, folder: Path, last: str) -> Path:
    """Write the trees of the demo up to one of them, with their cores and rings, for quick runs."""
    folder.mkdir()
    for name in ("trees", "cores", "rings"):
        table = pd.read_csv(demo / f"{name}.csv", dtype=str, keep_default_na=False)
        table[table["tree"] <= last].to_csv(folder / f"{name}.csv", index=False)
    for name in ("seedlings.csv", "events.csv", "field.toml"):
        (folder / name).write_bytes((demo / name).read_bytes())
    return folder


def read(folder: Path, tables: Mapping[str, pd.DataFrame], toml: str | None = TOML) -> Field:
    """Write tables and read them back."""
    return read_field(write(folder, tables, toml), today=TODAY)


def faults(folder: Path, tables: Mapping[str, pd.DataFrame], match: str, toml: str | None = TOML) -> pd.DataFrame:
    """Faults of tables that must be refused with a message that matches."""
    write(folder, tables, toml)
    with pytest.raises(InputError, match=match) as caught:
        read_field(folder, today=TODAY)
    return caught.value.faults


def note_text(field: Field) -> str:
    """All notes of a field in one text, one line a note."""
    lines = [
        f"{note.file} row {note.row} {note.item} {note.column}: got {note.got}, need {note.need}. {note.do}"
        for note in field.notes.itertuples()
    ]
    return "\n".join(lines)
