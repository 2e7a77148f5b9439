"""Reads and checks a field folder, or frames, into one object of typed tables, gathering every fault with its row.

Own derivation; the columns are those of `schema`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import partial
from html import escape
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.errors import Fault, Findings, InputError, fault_lines, faults_frame, kind_of, public, require_path
from treeage.pmf import ReadOnlyDict, keeps_tables
from treeage.schema import INPUT_TABLES, REQUIRED_TABLES, SETTINGS_FILE, columns, nearest
from treeage.tables.checks import check_tables
from treeage.tables.columns import TypedTable, empty_frame, final_types, typed_table
from treeage.tables.files import RawTable, raw_from_frame
from treeage.tables.settings import Settings, read_settings
from treeage.tables.workbook import WORKBOOK_FILE, read_place

SHOWN_NOTES = 12  # choice: notes shown in a text or notebook; all of them are in `notes`


@partial(keeps_tables, set_copied=True)
@dataclass(frozen=True, eq=False, repr=False)
class Field:
    """The checked field tables of one stand.

    Parameters
    ----------
    trees, cores, rings, arcs, points, seedlings, events : pandas.DataFrame
        All columns of the schema (text as str, empty where missing; numbers NaN where missing; required whole
        numbers as int64), then the unknown columns as text. An absent table has no rows. `rings` holds both
        `ring` and `year` as int64 and is sorted by core and ring, innermost first; arcs, points, seedlings and
        events are sorted by their columns.
    settings : Settings
        What field.toml says.
    notes : pandas.DataFrame
        What was odd and let pass, with columns file, row, item, column, got, need, do.
    unknown_columns : mapping of str to tuple of str
        Columns kept and not used, by table.
    checksums : mapping of str to str
        SHA-256 of every file read.
    folder : pathlib.Path or None
        Where the tables came from, None for frames.
    lines : mapping of str to tuple of int
        Line in its file of every row of trees and cores (position from 1 for frames), by table.

    Notes
    -----
    Every access gives a copy of a table: nothing that is done to it reaches the field or an estimate. To change one,
    change the files, or make a new field by `dataclasses.replace`.
    """

    trees: pd.DataFrame
    cores: pd.DataFrame
    rings: pd.DataFrame
    arcs: pd.DataFrame
    points: pd.DataFrame
    seedlings: pd.DataFrame
    events: pd.DataFrame
    settings: Settings = field(default_factory=Settings)
    notes: pd.DataFrame = field(default_factory=lambda: faults_frame([]))
    unknown_columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    checksums: Mapping[str, str] = field(default_factory=dict)
    folder: Path | None = None
    lines: Mapping[str, tuple[int, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("unknown_columns", "checksums", "lines"):
            object.__setattr__(self, name, ReadOnlyDict(getattr(self, name)))

    @classmethod
    @public
    def from_frames(
        cls,
        trees: pd.DataFrame,
        cores: pd.DataFrame,
        rings: pd.DataFrame | None = None,
        *,
        arcs: pd.DataFrame | None = None,
        points: pd.DataFrame | None = None,
        seedlings: pd.DataFrame | None = None,
        events: pd.DataFrame | None = None,
        settings: Settings | None = None,
    ) -> Field:
        """Make a field of frames, with the same checks as for files.

        Parameters
        ----------
        trees, cores : pandas.DataFrame
            One row a tree, one row a core.
        rings, arcs, points, seedlings, events : pandas.DataFrame, optional
            The optional tables.
        settings : Settings, optional
            Site, values for absent columns and height models; the defaults of `Settings` when left out.

        Returns
        -------
        Field
            The checked tables; the frames passed in are not changed.

        Raises
        ------
        InputError
            With all faults; rows are counted from 1.

        Examples
        --------
        >>> trees = pd.DataFrame({"tree": ["A17"], "species": ["Larix decidua"]})
        >>> core = {"tree": "A17", "core": "a", "outer_year": 2020, "rings_counted": 100}
        >>> ends = {"core_height_m": 1.0, "dating": "crossdated", "inner_end": "pith"}
        >>> cores = pd.DataFrame([core | ends])
        >>> Field.from_frames(trees, cores)
        Field(1 trees, 1 cores, 0 rings)
        """
        frames = dict(zip(INPUT_TABLES, (trees, cores, rings, arcs, points, seedlings, events), strict=True))
        findings = Findings()
        raw: dict[str, RawTable] = {}
        for name, frame in frames.items():
            if frame is not None and not isinstance(frame, pd.DataFrame):
                findings.fault("Field.from_frames", kind_of(frame), "a pandas DataFrame", "Pass a table.", column=name)
                continue
            table = None if frame is None else raw_from_frame(name, frame, findings)
            if table is not None:
                raw[name] = table
        if settings is not None and not isinstance(settings, Settings):
            findings.fault("Field.from_frames", kind_of(settings), "Settings", "Pass Settings(...).", column="settings")
        findings.stop()
        return _checked(raw, settings or Settings(), findings, date.today().year)

    def ring_widths(self) -> dict[tuple[str, str], NDArray[np.float64]]:
        """Ring widths of every core that has a ring table.

        Returns
        -------
        dict of (tree, core) to numpy.ndarray of float, shape (n,)
            Widths [mm], innermost first, 0 for a locally absent ring.

        Examples
        --------
        >>> Field(*(empty_frame(name) for name in INPUT_TABLES)).ring_widths()
        {}
        """
        starts, ends, keys = self._ring_blocks()
        widths = vars(self)["rings"]["width_mm"].to_numpy(dtype=np.float64).view()
        widths.flags.writeable = False
        return {key: widths[start:end] for key, start, end in zip(keys, starts, ends, strict=True)}

    def first_ring_years(self) -> dict[tuple[str, str], int]:
        """Ring year of the innermost ring of every core that has a ring table.

        Returns
        -------
        dict of (tree, core) to int
            Year of the first width of `ring_widths`.

        Examples
        --------
        >>> Field(*(empty_frame(name) for name in INPUT_TABLES)).first_ring_years()
        {}
        """
        starts, _, keys = self._ring_blocks()
        years = vars(self)["rings"]["year"].to_numpy(dtype=np.int64)
        return {key: int(years[start]) for key, start in zip(keys, starts, strict=True)}

    def _ring_blocks(self) -> tuple[list[int], list[int], list[tuple[str, str]]]:
        rings = vars(self)["rings"]
        if not len(rings):
            return [], [], []
        starts = np.flatnonzero(rings["ring"].to_numpy() == 1).tolist()
        trees, cores = rings["tree"].iloc[starts].tolist(), rings["core"].iloc[starts].tolist()
        return starts, [*starts[1:], len(rings)], list(zip(trees, cores, strict=True))

    def _counts(self) -> list[tuple[str, str]]:
        def words(column: str) -> str:
            return ", ".join(f"{word} {count}" for word, count in self.cores[column].value_counts().items())

        years = self.cores["outer_year"]
        lines = [
            ("trees", f"{len(self.trees)} of {self.trees['species'].nunique()} species"),
            ("cores", f"{len(self.cores)}, outer years {years.min()} to {years.max()}"),
            ("dating", words("dating")),
            ("inner end", words("inner_end")),
            ("rings measured", f"{len(self.rings)} on {len(self.first_ring_years())} cores"),
        ]
        for name in ("arcs", "points", "seedlings", "events"):
            size = len(getattr(self, name))
            lines += [(name, str(size))] if size else []
        return [*lines, ("notes", str(len(self.notes)))]

    def _note_lines(self, *, whole: bool = False) -> list[str]:
        notes = [Fault(**{str(key): value for key, value in note.items()}) for note in self.notes.to_dict("records")]
        lines = fault_lines(notes, most=SHOWN_NOTES)
        more = 0 if whole else len(lines) - SHOWN_NOTES
        return lines if more <= 0 else [*lines[:SHOWN_NOTES], f"... and {more} more lines, all of them in .notes"]

    def summary(self, *, whole: bool = False) -> str:
        """Say in a few lines what was read and what was odd.

        Parameters
        ----------
        whole : bool, default False
            Whether all kinds of notes are shown, and not the first dozen lines; notes alike share a line.

        Returns
        -------
        str
            Counts of trees, cores, datings and inner ends, then the notes.

        Examples
        --------
        >>> field = Field(*(empty_frame(name) for name in INPUT_TABLES))
        >>> field.summary().splitlines()[0]
        'Field tables'
        """
        head = f"Field tables{': ' + self.settings.name if self.settings.name else ''}"
        counts = self._counts()
        width = max(len(name) for name, _ in counts)
        lines = [head, *(f"  {name:<{width}}  {text}" for name, text in counts)]
        return "\n".join([*lines, *(f"  note: {line}" for line in self._note_lines(whole=whole))])

    def __repr__(self) -> str:
        return f"Field({len(self.trees)} trees, {len(self.cores)} cores, {len(self.rings)} rings)"

    def _repr_html_(self) -> str:
        left = 'style="text-align:left"'
        rows = "".join(
            f"<tr><th {left}>{escape(name)}</th><td {left}>{escape(text)}</td></tr>" for name, text in self._counts()
        )
        notes = "".join(f"<li>{escape(line)}</li>" for line in self._note_lines())
        more = f"<details><summary>{len(self.notes)} notes</summary><ul>{notes}</ul></details>" if notes else ""
        name = escape(self.settings.name or "Field tables")
        return f"<div><strong>{name}</strong><table>{rows}</table>{more}</div>"


@public
def read_field(folder: str | Path, *, today: int | None = None) -> Field:
    """Read and check a field folder.

    Parameters
    ----------
    folder : str or pathlib.Path
        Folder with trees.csv, cores.csv, the optional tables (CSV in UTF-8 or Parquet) and field.toml; or a folder
        that holds only a workbook, or the path of a workbook (.xlsx), with a sheet for each table.
    today : int, optional
        Year after which a date lies in the future; the current year when left out.

    Returns
    -------
    Field
        The typed tables, the settings, and notes on what was odd.

    Raises
    ------
    InputError
        With all faults of all files, each with file, row, column, value, need and what to do.

    Notes
    -----
    Faults stop, notes go to the report. No value is converted or guessed: a likely unit slip is named and
    left to the user. Row numbers are lines of the file (rows from 1 in Parquet, those of the sheet in a workbook).
    Where every CSV file of the folder parts its columns by semicolons, as spreadsheets do in many countries, they are
    read so, decimal commas included, with a note.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     read_field(folder)
    Traceback (most recent call last):
        ...
    treeage.errors.InputError: 2 faults in cores.csv, trees.csv, nothing was computed.
    ...
    """
    path = require_path("read_field", "folder", folder)
    is_book = path.suffix.lower() == ".xlsx" and path.is_file()
    if not path.is_dir() and not is_book:
        got = f"the file {path}" if path.exists() else f"{path}, which does not exist"
        near = nearest(path.name, _folders(path.parent))
        usual = "Name the folder that holds trees.csv and cores.csv, or a workbook (.xlsx)."
        do = f"Did you mean {path.parent / near}?" if near else usual
        raise InputError(Fault(got, "a folder with field tables", do, "read_field", 0, "folder"))
    findings = Findings()
    place = path.parent if is_book else path
    raw, checksums, book = read_place(place, path.name if is_book else "", findings)
    toml = place / SETTINGS_FILE
    data = toml.read_bytes() if toml.is_file() else None
    if data is not None:
        checksums[SETTINGS_FILE] = hashlib.sha256(data).hexdigest()
    settings = read_settings(data, findings, book.merged_settings if book else None)
    try:
        return _checked(raw, settings, findings, today or date.today().year, checksums, path)
    except InputError:
        if book is not None:
            raise InputError(book.placed(findings.faults)) from None
        raise


def _folders(place: Path) -> list[str]:
    """Names of the folders in a place that can be read."""
    try:
        return sorted(entry.name for entry in place.iterdir() if entry.is_dir() and not entry.name.startswith("."))
    except OSError:
        return []


def _checked(
    raw: Mapping[str, RawTable],
    settings: Settings,
    findings: Findings,
    today: int,
    checksums: Mapping[str, str] | None = None,
    folder: Path | None = None,
) -> Field:
    tables: dict[str, TypedTable] = {}
    for name, table in raw.items():
        if len(table.lines):
            tables[name] = typed_table(name, table, settings, findings)
        elif name in REQUIRED_TABLES:
            do = f"Add the rows{_other_book(folder)}."
            findings.fault(table.file, "a header without rows", f"one row for each of the {name}", do)
        else:
            findings.note(table.file, "a header without rows", f"rows of {name}", "Remove the file if there are none.")
    tables = check_tables(tables, settings, findings, today)
    findings.stop()
    frames = {name: final_types(tables[name]) if name in tables else empty_frame(name) for name in INPUT_TABLES}
    for name in ("arcs", "points", "seedlings", "events"):  # sums over their rows come out the same to the last bit
        frames[name] = frames[name].sort_values(list(frames[name].columns), ignore_index=True)
    unknown = {name: _unknown(name, frame) for name, frame in frames.items()}
    return Field(
        **frames,
        settings=settings,
        notes=faults_frame(findings.notes),
        unknown_columns={name: found for name, found in unknown.items() if found},
        checksums=checksums or {},
        folder=folder,
        lines={name: tuple(tables[name].lines.tolist()) for name in REQUIRED_TABLES},
    )


def _other_book(folder: Path | None) -> str:
    """That a workbook stands in the folder of an empty table, where one does that is not read by itself."""
    inside = folder.iterdir() if folder is not None and folder.is_dir() else ()
    books = sorted(each for each in inside if each.suffix.lower() == ".xlsx" and each.name[0] not in "~.")
    found = next((each for each in books if each.name != WORKBOOK_FILE), None)
    return f", or name the workbook that holds them: {found}" if found else ""


def _unknown(table: str, frame: pd.DataFrame) -> tuple[str, ...]:
    known = {item.name for item in columns(table)}
    return tuple(str(name) for name in frame.columns if name not in known)


def cores_with_trees(field: Field) -> pd.DataFrame:
    """Cores with the columns of their tree, and the line they stood on.

    A column that stands in a table where the schema does not have it is never taken for that of the other table.
    """
    of_cores, of_trees = ({item.name for item in columns(table)} for table in ("cores", "trees"))
    trees: pd.DataFrame = vars(field)["trees"]
    own: pd.DataFrame = vars(field)["cores"]
    trees = trees.drop(columns=[name for name in trees if name in of_cores - of_trees])
    own = own.drop(columns=[name for name in own if name in {*trees.columns, *of_trees} - {"tree"}])
    return own.assign(line=np.arange(len(own))).merge(trees, on="tree", how="left")
