"""A spreadsheet workbook read as a field folder: a sheet a table, and a sheet of settings; row numbers are its own.

Nothing is repaired: a formula without a result, an error, a date where a name belongs and a percent format are faults
of their cell. Own derivation.
"""

from __future__ import annotations

import hashlib
import io
import re
import warnings
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from treeage.errors import Fault, Findings, show
from treeage.schema import INPUT_TABLES, REQUIRED_TABLES, SETTINGS_FILE, Column, columns, nearest
from treeage.tables.files import ENDINGS, MERGED, UNMERGE, RawTable, read_raw_tables, rename_advice, repeated_columns

WORKBOOK_FILE = "field.xlsx"
SETTINGS_SHEET = "field"
SETTINGS_HEAD = ("section", "species", "key", "value")
MOST_UNPACKED = 256 * 1024 * 1024  # choice: some million cells; more belongs into CSV or Parquet
HEAD_ROWS = 8  # choice: the row of column names is looked for in so many rows; units and meanings may stand above it
LISTS = ("probs", "years")  # keys whose cell holds several numbers
WORDY = ("name", "description", "source", "model", "hemisphere")  # keys whose cell is text, whatever it looks like


@dataclass(frozen=True)
class Workbook:
    """What a workbook holds: raw tables, the content of its settings sheet, and the row of each setting."""

    file: str
    tables: Mapping[str, RawTable]
    settings: Mapping[str, Mapping[str, Any]]
    rows: Mapping[str, int] = field(default_factory=dict)  # by `section.key`, as faults of settings name it

    @property
    def filled(self) -> bool:
        """Whether it holds a tree or a core."""
        return any(len(self.tables[name].lines) for name in REQUIRED_TABLES if name in self.tables)

    def placed(self, faults: Sequence[Fault]) -> list[Fault]:
        """Faults of settings that came from the settings sheet, at its rows."""
        sheet = sheet_name(self.file, SETTINGS_SHEET)
        return [
            replace(each, file=sheet, row=self.rows[each.column])
            if each.file == SETTINGS_FILE and each.column in self.rows
            else each
            for each in faults
        ]

    def merged_settings(self, content: dict[str, Any], findings: Findings) -> dict[str, Any]:
        """Settings of field.toml and of the settings sheet together; what both say must be the same."""
        out = {name: dict(part) if isinstance(part, Mapping) else part for name, part in content.items()}
        sheet = sheet_name(self.file, SETTINGS_SHEET)
        for section, part in self.settings.items():
            own = out.setdefault(section, {})
            if not isinstance(own, dict):
                continue
            for key, value in part.items():
                if key in own and own[key] != value:
                    column = f'{section}."{key}"' if section == "height" and key != "default" else f"{section}.{key}"
                    need = f"{show(str(own[key]))}, as in {SETTINGS_FILE}"
                    do = f"Make them one, or remove it from the sheet or from {SETTINGS_FILE}."
                    findings.fault(sheet, show(str(value)), need, do, row=self.rows.get(column, 0), column=column)
                else:
                    own[key] = value
        return out


def sheet_name(file: str, sheet: str) -> str:
    """How a message names a sheet."""
    return f"{file}, sheet {sheet}"


# ------------------------------------------------------------------ the folder or its workbook


def read_place(
    folder: Path, book: str, findings: Findings
) -> tuple[dict[str, RawTable], dict[str, str], Workbook | None]:
    """Raw tables and checksums of a folder, or of its workbook: the named one, the only one, or field.xlsx if filled.

    Tables and a filled field.xlsx beside each other are a fault; either may stand there empty.
    """
    names = sorted(entry.name for entry in folder.iterdir() if entry.is_file())
    books = [name for name in names if name.lower().endswith(".xlsx") and not name.startswith(("~$", "."))]
    tables = [f"{table}{ending}" for table in INPUT_TABLES for ending in ENDINGS]
    alone = not set(names) & set(tables)
    name = book or (books[0] if alone and len(books) == 1 else WORKBOOK_FILE if WORKBOOK_FILE in books else "")
    if not name:
        return *read_raw_tables(folder, findings), None
    data = (folder / name).read_bytes()
    of_book = Findings()
    found = read_workbook(name, data, of_book)
    if not book and not alone:
        of_tables = Findings()
        raw, checksums = read_raw_tables(folder, of_tables)
        if found is None or not found.filled:
            findings.faults += of_tables.faults
            findings.notes += [each for each in of_tables.notes if each.file != name or found is None]
            return raw, checksums, None
        if of_tables.faults or any(len(each.lines) for each in raw.values()):
            do = f"Keep one of them, or name it: the path of {name}."
            findings.fault(name, "a filled workbook beside filled tables", "one of them", do)
    findings.faults += of_book.faults
    findings.notes += of_book.notes
    checksums = {name: hashlib.sha256(data).hexdigest()}
    return dict(found.tables) if found else {}, checksums, found


# ------------------------------------------------------------------ the workbook


def read_workbook(file: str, data: bytes, findings: Findings) -> Workbook | None:
    """Read the sheets named as tables; None where the file is no workbook that can be read."""
    sheets = _sheets(file, data, findings)
    if sheets is None:
        return None
    tables = {}
    for table in INPUT_TABLES:
        if table in sheets:
            raw = _table(table, sheet_name(file, table), sheets[table], findings)
            if raw is not None and (len(raw.lines) or table in REQUIRED_TABLES):
                tables[table] = raw
        elif table in REQUIRED_TABLES:
            do = _missing_sheet(table, sheets)
            findings.fault(sheet_name(file, table), "no such sheet", f"a table of {table}", do)
    known = (*INPUT_TABLES, SETTINGS_SHEET)
    for name, rows in sheets.items():
        if name not in known and rows:
            near = nearest(name, known)
            do = f"Rename it to {near} if it is meant to be." if near else "Nothing, if it holds no table."
            findings.note(sheet_name(file, name), "a sheet that is not read", "the name of a table", do)
    settings, where = _settings(sheet_name(file, SETTINGS_SHEET), sheets.get(SETTINGS_SHEET, []), findings)
    return Workbook(file, tables, settings, where)


def _missing_sheet(table: str, sheets: Mapping[str, Cells]) -> str:
    """What to do about a table without a sheet: there may be one with another name that holds its columns."""
    needed = {each: {item.name for item in columns(each) if item.required} for each in REQUIRED_TABLES}
    heads = {}
    for name, rows in sheets.items():
        place = _head_place(rows, set().union(*needed.values()))
        if name not in INPUT_TABLES and place is not None:
            heads[name] = set(map(_text, rows[place][1]))
    held = {each: [name for name, head in heads.items() if len(head & needed[each]) > 1] for each in needed}
    near = nearest(table, sheets) or next(iter(held[table]), "")
    if near and near in held[table] and all(near in names for names in held.values()):
        return f"Part the sheet {near} in two: trees with a row for each tree, cores with a row for each core."
    return f"Rename the sheet {near} to {table}." if near else f"Add a sheet with the name {table}."


Cells = list[tuple[int, list[Any]]]  # row number in the sheet, and the cells of that row


def _sheets(file: str, data: bytes, findings: Findings) -> dict[str, Cells] | None:
    """All rows with content of every sheet."""
    from openpyxl import load_workbook

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            size = sum(part.file_size for part in parts.infolist())
            if size > MOST_UNPACKED:
                got, need = f"{size / 1e6:.0f} MB unpacked", f"at most {MOST_UNPACKED / 1e6:.0f} MB"
                findings.fault(file, got, need, "Save the sheets as CSV.")
                return None
            names = [name for name in parts.namelist() if name.startswith("xl/worksheets/")]
            formulas = any(re.search(rb"<f[\s>]", parts.read(name)) for name in names)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of looks that are not kept; nothing is written back
            book = load_workbook(io.BytesIO(data), data_only=True, read_only=True)
            asked = load_workbook(io.BytesIO(data), read_only=True) if formulas else None
            return {
                sheet.title: _spread(list(_rows(sheet, asked and asked[sheet.title])), _merged(data, sheet))
                for sheet in book.worksheets
            }
    except Exception as error:  # a damaged or foreign file raises many kinds
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        do = "Open it in a spreadsheet program and save it again as a workbook (.xlsx)."
        findings.fault(file, f"a file that does not read ({show(first)})", "a spreadsheet workbook", do)
        return None


def _rows(sheet: Any, asked: Any) -> Iterator[tuple[int, list[Any]]]:
    """Rows that hold something; cells whose formula has no result hold that formula."""
    sheet.reset_dimensions()
    if asked is not None:
        asked.reset_dimensions()
    others = iter(asked.iter_rows()) if asked is not None else None
    for number, cells in enumerate(sheet.iter_rows(), start=1):
        formulas = next(others, ()) if others is not None else ()
        made = [_cell(cell) for cell in cells]
        for place, other in enumerate(formulas):
            if other.data_type == "f" and place < len(made) and made[place] == "":
                text = show(str(other.value))
                made[place] = _Odd(text, f"the formula {text} without a result", FORMULA)
        if any(cell != "" for cell in made):
            yield number, made


def _merged(data: bytes, sheet: Any) -> list[tuple[int, int, int, int]]:
    """First column and row, last column and row of the merged cells of a sheet, which the reader leaves out."""
    from openpyxl.utils import range_boundaries

    name = str(getattr(sheet, "_worksheet_path", "")).lstrip("/")  # which a later reader may name otherwise
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        part = parts.read(name) if name in parts.namelist() else b""
    found = re.findall(rb'<mergeCell ref="([A-Z]+\d+:[A-Z]+\d+)"', part)
    return [range_boundaries(each.decode()) for each in found]


def _spread(rows: Cells, merged: Sequence[tuple[int, int, int, int]]) -> Cells:
    """Rows in which the empty cells of merged ones say what they are."""
    for left, top, right, bottom in merged:
        for number, cells in rows:
            for at in range(left - 1, min(right, len(cells))) if top < number <= bottom else ():
                cells[at] = cells[at] or _Odd(MERGED, "merged cells", UNMERGE)
    return rows


FORMULA = "Open the workbook in a spreadsheet program and save it, or write the text itself."
TYPED = "Set the cell to text and write it again."
ERROR = "Correct the formula, or write the text itself."


@dataclass(frozen=True)
class _Odd:
    """A cell that may not hold what was meant: its text, what was found, and what to do where a text belongs."""

    text: str
    got: str
    do: str


def _cell(cell: Any) -> str | _Odd:
    """A cell as text; numbers, words and dates that do not fit their column are told by the checks of its values."""
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, (datetime, date, time)):
        text = value.date().isoformat() if isinstance(value, datetime) else value.isoformat()
        return _Odd(text, f"the date {text}", TYPED)
    if isinstance(value, (int, float)):
        return _number(float(value), str(cell.number_format or ""))
    text = str(value).strip()
    return _Odd(text, f"the error {text}", ERROR) if cell.data_type == "e" else text


def _number(value: float, shown: str) -> str:
    """A number as text, with the leading zeros or the percent sign that it is shown with."""
    if shown.endswith("%"):
        return f"{100 * value:g} %"
    if not value.is_integer() or abs(value) >= 1e15:
        return repr(value)
    text = str(int(value))
    return text.zfill(len(shown)) if re.fullmatch("0{2,}", shown) and value >= 0 else text


# ------------------------------------------------------------------ one sheet


def _table(table: str, file: str, rows: Cells, findings: Findings) -> RawTable | None:
    known = {item.name: item for item in columns(table)}
    place = _head_place(rows, set(known))
    place = _head_place(rows, set(known), 1) if place is None else place
    if place is None:
        example = f"Put a row with column names above the data, for example {', '.join(list(known)[:3])}."
        do = rename_advice(map(_text, rows[0][1]) if rows else (), known) or example
        found = ", ".join(_text(cell) for cell in rows[0][1]) if rows else "an empty sheet"
        findings.fault(file, show(found), "a row with known column names", do, row=rows[0][0] if rows else 0)
        return None
    line, head = rows[place]
    body = rows[place + 1 :]
    width = max((len(cells) for _, cells in rows[place:]), default=0)
    names = [_text(cell) for cell in head] + [""] * (width - len(head))
    names = [name or f"unnamed_{at + 1}" for at, name in enumerate(names)]
    if repeated_columns(file, [name for name in names if not name.startswith("unnamed_")], line, findings):
        return None
    lines = np.array([number for number, _ in body], dtype=np.int64)
    filled = [cells + [""] * (width - len(cells)) for _, cells in body]
    texts = {}
    for at, name in enumerate(names):
        cells = [row[at] for row in filled]
        if name in known or any(cell != "" for cell in cells):
            texts[name] = _understood(known.get(name), cells, lines, file, findings)
    return RawTable(file, texts, lines)


def _head_place(rows: Cells, known: set[str], least: int = 2) -> int | None:
    """Place of the row of column names: the first that holds so many of them."""
    for place, (_, cells) in enumerate(rows[:HEAD_ROWS]):
        if len({_text(cell) for cell in cells} & known) >= least:
            return place
    return None


def _understood(
    item: Column | None, cells: Sequence[Any], lines: NDArray[np.int64], file: str, findings: Findings
) -> list[str]:
    """Texts of a column; in a column of names a date, an error or a formula without a result is a fault."""
    if item is not None and item.kind == "text":
        for cell, line in zip(cells, lines, strict=True):
            if isinstance(cell, _Odd) and (item.required or cell.do != TYPED):
                findings.fault(file, cell.got, item.need, cell.do, row=int(line), column=item.name)
    return [_text(cell) for cell in cells]


def _text(cell: Any) -> str:
    return cell.text if isinstance(cell, _Odd) else cell


# ------------------------------------------------------------------ the sheet of settings


def _settings(file: str, rows: Cells, findings: Findings) -> tuple[dict[str, dict[str, Any]], dict[str, int]]:
    """The content of the settings sheet as that of field.toml, and the row of each key."""
    content: dict[str, dict[str, Any]] = {}
    where: dict[str, int] = {}
    place = _head_place(rows, set(SETTINGS_HEAD))
    if place is None:
        if rows:
            do = f"Put a row with {', '.join(SETTINGS_HEAD)} above the settings."
            findings.fault(file, "no such row", "a row with column names", do, row=rows[0][0])
        return content, where
    at = {_text(cell): number for number, cell in enumerate(rows[place][1])}
    for line, cells in rows[place + 1 :]:
        section, species, key, value = (
            _text(cells[at[name]]) if name in at and at[name] < len(cells) else "" for name in SETTINGS_HEAD
        )
        if not value:
            continue
        if section == "height":
            name = species or "default"
            models = content.setdefault("height", {})
            models.setdefault(name, {})[key] = _value(key, value)
            quoted = name if name == "default" else f'"{name}"'
            for column in (f"height.{quoted}.{key}", f"height.{quoted}", f'height."{name}"', f'height."{name}".{key}'):
                where.setdefault(column, line)
        else:
            content.setdefault(section, {})[key] = _value(key, value)
            where[f"{section}.{key}"] = line
            where.setdefault(section, line)
    return content, where


def _value(key: str, text: str) -> Any:
    """A setting as field.toml would hold it."""
    if key in WORDY:
        return text
    if key in LISTS:
        mark = ";" if ";" in text else ","
        return [_value("", part.strip()) for part in text.strip("[] ").split(mark)]
    try:
        number = float(text)
    except ValueError:
        return text
    return int(number) if number.is_integer() and "." not in text else number
