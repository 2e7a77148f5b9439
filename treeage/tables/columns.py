"""Turns raw columns into typed ones: kinds, choices, ranges, defaults for absent columns.

Own derivation; all rules come from `schema`.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.errors import Findings, Table, show
from treeage.schema import SETTINGS_FILE, Column, column_in_other_unit, columns, nearest, number_advice, slip
from treeage.tables.files import RawColumn, RawTable
from treeage.tables.settings import Settings

NA_WORDS = (
    "NA",
    "NaN",
    "nan",
    "N/A",
)  # written by common software for an empty cell; read as empty, with a note
EXACT_WHOLE = 2.0**53  # above it a float no longer tells neighbouring whole numbers apart


def typed_table(table: str, raw: RawTable, settings: Settings, findings: Findings) -> Table:
    """Understand every cell of one table.

    Parameters
    ----------
    table : str
        Table name of the schema.
    raw : RawTable
        The table as read.
    settings : Settings
        Gives the values of absent columns.
    findings : Findings
        Receives faults and notes.

    Returns
    -------
    Table
        Typed columns: text as str, numbers as float with NaN for missing and for cells at fault.
    """
    names = list(raw.columns)
    given = frozenset(name for name, cells in raw.columns.items() if _any_value(cells))
    shell = Table(table, raw.file, _ids(table, raw, given), raw.lines, given)
    filled: dict[str, object] = {}
    for item in columns(table):
        if item.name in given:
            filled[item.name] = _understood(item, raw.columns[item.name], shell, findings)
        else:
            filled[item.name] = _absent(item, raw, names, settings, findings)
    known = {item.name for item in columns(table)}
    for name in names:
        if name not in known:
            filled[name] = pd.Series(_texts(raw.columns[name]), dtype="str")
            _unknown(table, name, raw.file, sorted(known - given), findings)
    frame = pd.DataFrame(filled, index=pd.RangeIndex(len(raw.lines)))
    return Table(table, raw.file, frame, raw.lines, given)


def final_types(table: Table) -> pd.DataFrame:
    """Give required whole numbers their own type, once no fault is left.

    Parameters
    ----------
    table : Table
        A table without faults.

    Returns
    -------
    pandas.DataFrame
        The frame with int64 for required integer columns.
    """
    whole = [item.name for item in columns(table.name) if item.kind == "integer" and item.required]
    if table.name == "rings":
        whole = ["ring", "year"]  # one is required, and the checks have filled in the other
    return table.frame.astype(dict.fromkeys(whole, np.int64))


def empty_frame(table: str) -> pd.DataFrame:
    """Make a table without rows.

    Parameters
    ----------
    table : str
        Table name of the schema.

    Returns
    -------
    pandas.DataFrame, shape (0, n)
        All columns of the schema with their types.

    Examples
    --------
    >>> list(empty_frame("events").columns)
    ['year', 'event', 'note']
    """
    return _empty(table).copy()


@cache
def _empty(table: str) -> pd.DataFrame:
    dtypes = {"text": "str", "choice": "str", "integer": "float64", "number": "float64"}
    series = {item.name: pd.Series([], dtype=dtypes[item.kind]) for item in columns(table)}
    return final_types(Table(table, table, pd.DataFrame(series), np.zeros(0, dtype=np.int64), frozenset()))


def _any_value(cells: RawColumn) -> bool:
    if isinstance(cells, list):
        return any(cells)
    return bool(len(cells)) and not bool(np.isnan(cells.astype(np.float64)).all())


def _ids(table: str, raw: RawTable, given: frozenset[str]) -> pd.DataFrame:
    names = [item.name for item in columns(table) if item.is_id and item.name in given]
    return pd.DataFrame({name: pd.Series(_texts(raw.columns[name]), dtype="str") for name in names})


def _texts(cells: RawColumn) -> list[str]:
    if isinstance(cells, list):
        return cells
    if cells.dtype == np.int64:
        return [str(value) for value in cells.tolist()]
    return [
        "" if np.isnan(value) else (str(int(value)) if value.is_integer() else repr(value)) for value in cells.tolist()
    ]


def _understood(item: Column, cells: RawColumn, shell: Table, findings: Findings) -> object:
    if item.kind == "text":
        return _text_column(item, _texts(cells), shell, findings)
    if item.kind == "choice":
        return _choice_column(item, _texts(cells), shell, findings)
    values, bad = _numbers(item, cells, shell, findings)
    _required_cells(item, np.isnan(values) & ~bad, shell, findings)
    values = _in_range(item, values, shell, findings)
    if item.default:
        values = np.where(np.isnan(values), float(item.default), values)
    return values


def _absent(item: Column, raw: RawTable, names: list[str], settings: Settings, findings: Findings) -> object:
    size = len(raw.lines)
    default: object = item.default
    if item.defaultable and item.name in settings.defaults:
        default = settings.defaults[item.name]
        _default_in_range(item, default, findings)
        got = f"{show(default)} from {SETTINGS_FILE} in all {size} rows"
        do = "Add the column where the rows differ."
        findings.note(raw.file, got, f"{item.name} in the table", do, column=item.name)
    elif item.name == "dbh_height_m":
        default = settings.breast_height_m
    elif item.required:
        findings.fault(
            raw.file,
            "no such column",
            f"{item.name}: {item.need}",
            _column_advice(item, names),
            column=item.name,
        )
    if item.kind in ("text", "choice"):
        return pd.Series([str(default)] * size, dtype="str")
    try:
        number = float(str(default)) if default != "" else np.nan
    except ValueError:
        number = np.nan
    return np.full(size, number)


def _default_in_range(item: Column, value: object, findings: Findings) -> None:
    number = float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else np.nan
    if _fits(item, value, number):
        return
    near = nearest(str(value), item.choices)
    do = f"Did you mean {near}?" if near else slip(item, number) or "Correct it or leave it out."
    findings.fault(SETTINGS_FILE, show(value), item.need, do, column=f"defaults.{item.name}")


def _fits(item: Column, value: object, number: float) -> bool:
    if item.range is None:
        return isinstance(value, str) and value != "" and value in (item.choices or (value,))
    return bool(item.range.holds(number)) and (item.kind == "number" or number.is_integer())


def _column_advice(item: Column, names: list[str]) -> str:
    other_unit = column_in_other_unit(item.name, names)
    if other_unit:
        return other_unit
    near = nearest(item.name, [name for name in names if name not in {other.name for other in columns(item.table)}])
    if near:
        return f"Rename {near} to {item.name}."
    place = f", or give one value for all rows under [defaults] of {SETTINGS_FILE}" if item.defaultable else ""
    return f"Add it{place}."


def _unknown(table: str, name: str, file: str, free: list[str], findings: Findings) -> None:
    advice = next((text for text in (column_in_other_unit(item, [name]) for item in free) if text), "")
    near = nearest(name, free)
    do = advice or (
        f"Rename it to {near} if it is meant to be." if near else "Nothing, unless it was meant to be used."
    )
    findings.note(file, "a column that is kept and not used", f"a column of {table}", do, column=name)


def _text_column(item: Column, cells: list[str], shell: Table, findings: Findings) -> pd.Series:
    if item.required:
        _required_cells(item, np.array([not cell for cell in cells], dtype=bool), shell, findings)
    return pd.Series(cells, dtype="str")


def _choice_column(item: Column, cells: list[str], shell: Table, findings: Findings) -> pd.Series:
    meaning = {word: word for word in item.choices} | dict.fromkeys(("", *NA_WORDS), item.default)
    for word in set(cells) - set(meaning):
        if word.lower() in item.choices:
            meaning[word] = word.lower()  # a capital letter changes nothing
    wrong = [row for row, cell in enumerate(cells) if cell not in meaning]
    findings.at_rows(shell, wrong, item.name, [_word_fault(item, cells[row]) for row in wrong])
    if item.required:
        _required_cells(item, np.array([meaning.get(cell, "x") == "" for cell in cells], dtype=bool), shell, findings)
    return pd.Series([meaning.get(cell, "") for cell in cells], dtype="str")


def _word_fault(item: Column, word: str) -> tuple[str, str, str]:
    near = nearest(word, item.choices)
    return show(word), item.need, f"Did you mean {near}?" if near else "Choose one of the list."


def _numbers(
    item: Column, cells: RawColumn, shell: Table, findings: Findings
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    if not isinstance(cells, list):
        values = cells.astype(np.float64)
        bad = np.zeros(len(values), dtype=bool)
    else:
        values, wrong = _parsed(cells)
        bad = np.zeros(len(values), dtype=bool)
        bad[wrong] = True
        texts = [(show(cells[row]), item.need, number_advice(cells[row], item.unit)) for row in wrong]
        findings.at_rows(shell, wrong, item.name, texts)
        marked = sum(cells.count(word) for word in NA_WORDS) if np.isnan(values).any() else 0
        if marked:
            got = f"{marked} cells with a word such as NA"
            do = "Nothing; leave such cells empty to be rid of this note."
            findings.note(shell.file, got, "empty cells for what was not measured", do, column=item.name)
    if item.kind == "integer":
        rows = np.flatnonzero(np.isfinite(values) & (values != np.round(values)))
        do = "Write the whole number, or correct it."
        findings.at_rows(shell, rows, item.name, [(show(values[row]), item.need, do) for row in rows])
        bad[rows] = True
        values = np.where(bad, np.nan, values)
    return values, bad


def _parsed(cells: list[str]) -> tuple[NDArray[np.float64], list[int]]:
    try:
        if "_" not in "".join(cells):  # Python reads 1_000 as a number; a table should not
            return np.array([cell or "nan" for cell in cells], dtype=np.float64), []
    except ValueError:
        pass
    values = np.full(len(cells), np.nan)
    wrong: list[int] = []
    for row, cell in enumerate(cells):
        if cell == "" or cell in NA_WORDS:
            continue
        try:
            values[row] = float("x" if "_" in cell else cell)
        except ValueError:
            wrong.append(row)
    return values, wrong


def _required_cells(item: Column, missing: NDArray[np.bool_], shell: Table, findings: Findings) -> None:
    if not item.required or not missing.any():
        return
    rows = np.flatnonzero(missing)
    do = "Fill the cell."
    if item.defaultable:
        do = f"Fill the cell, or leave the column out and put one value under [defaults] of {SETTINGS_FILE}."
    findings.at_rows(shell, rows, item.name, [("an empty cell", item.need, do)] * len(rows))


def _in_range(item: Column, values: NDArray[np.float64], shell: Table, findings: Findings) -> NDArray[np.float64]:
    if item.range is None:
        return values
    outside = ~np.isnan(values) & ~item.range.holds(values)
    rows = np.flatnonzero(outside)
    default_advice = "Correct the value, or leave the cell empty if it was not measured."
    if item.required:
        default_advice = "Correct the value."
    texts = [(show(values[row]), item.need, slip(item, float(values[row])) or default_advice) for row in rows]
    findings.at_rows(shell, rows, item.name, texts)
    if item.plausible is not None:
        odd = np.flatnonzero(~np.isnan(values) & ~outside & ~item.plausible.holds(values))
        need = f"mostly {item.plausible.text(item.unit)}"
        most = 2 * len(odd) > np.count_nonzero(~np.isnan(values))  # one odd value is seldom a wrong unit, most are
        slips = [slip(item, float(values[row])) if most else "" for row in odd]
        advice = [text or "Check it; it is used as written." for text in slips]
        notes = [(show(values[row]), need, text) for row, text in zip(odd, advice, strict=True)]
        findings.at_rows(shell, odd, item.name, notes, note=True)
    return np.where(outside, np.nan, values)
