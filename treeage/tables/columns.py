"""Turns raw columns into typed ones: kinds, choices, ranges, defaults for absent columns; the rules are in `schema`.

What is said of a cell at fault can be done: a cell that must be filled is never told to be left empty. Own derivation.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.display import in_one_cell, table_html
from treeage.errors import Fault, Findings, Words, as_number, show, unprintable
from treeage.schema import INPUT_TABLES, SETTINGS_FILE, Column, column_in_other_unit, columns, in_unit, nearest, slip
from treeage.tables.files import MERGED, UNMERGE, RawColumn, RawTable
from treeage.tables.settings import Settings

_TRADE_NAMES = {  # names that field sheets bear for the columns, by common practice
    name: column
    for column, names in {
        "girth_cm": "girth circumference circ gbh cbh",
        "dbh_cm": "dbh diameter diam d",
        "distance_mm": "dist_pith pith_dist pith_distance distance_to_pith dist_to_pith pith_offset distance",
        "rings_counted": "lab lab_count labcount field_count count rings nrings n_rings no_rings no_of_rings",
        "core_height_m": "height coring_height core_height ht",
        "core_length_mm": "length core_length len",
        "outer_year": "year sampling_year year_sampled date",
        "bark_mm": "bark bark_thickness",
        "tree": "tree_id treeid id tag tree_no tree_number",
        "species": "sp spp spec taxon",
    }.items()
    for name in names.split()
}
NA_WORDS = ("NA", "NaN", "nan", "N/A")  # written by common software for an empty cell; read as empty, with a note

EMPTY = "an empty cell"
FEW_EMPTY = 3  # choice: more empty cells of a row that are needed are told at once
LONGEST_TEXT = 200  # choice: letters of a name; longer ones fit no figure, and are mostly a slip of quotes

FloatArray = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class TypedTable:
    """One field table with typed columns, and what is needed to point at its rows."""

    name: str  # of the schema
    file: str  # file name, or the name of the table for a frame
    frame: pd.DataFrame  # all columns of the schema, then the unknown ones
    lines: NDArray[np.int64]  # line in the file of each row; position from 1 for a frame or a Parquet file
    given: frozenset[str]  # columns the file holds with at least one value

    def __len__(self) -> int:
        return len(self.lines)

    def numbers(self, column: str) -> FloatArray:
        """One column as numbers, NaN where missing."""
        return self.frame[column].to_numpy(dtype=np.float64)

    def texts(self, column: str) -> list[str]:
        """One column as text, empty where missing."""
        values: list[str] = self.frame[column].tolist()
        return values

    def words(self, column: str) -> NDArray[np.object_]:
        """One column of text as an array, to be compared with a word."""
        return np.array(self.texts(column), dtype=object)

    def filled(self, *columns: str) -> Flags:
        """Rows on which all the named columns hold a number."""
        empty = np.isnan(np.column_stack([self.numbers(column) for column in columns]))
        return np.asarray(~empty.any(axis=1))

    def cores(self) -> list[tuple[str, str]]:
        """Tree and core of every row."""
        return list(zip(self.texts("tree"), self.texts("core"), strict=True))

    def item(self, row: int) -> str:
        """Name the tree or core of a row, for example `tree A17, core B`; empty when the table has no trees."""
        names = {
            column: str(self.frame[column].iat[row]) for column in ("tree", "core") if column in self.frame.columns
        }
        return ", ".join(f"{column} {name}" for column, name in names.items() if name)


# ------------------------------------------------------------------ one table


def typed_table(table: str, raw: RawTable, settings: Settings, findings: Findings) -> TypedTable:
    """Understand every cell of one table; cells at fault become missing."""
    names = list(raw.columns)
    given = frozenset(name for name, cells in raw.columns.items() if _any_value(cells))
    shell = TypedTable(table, raw.file, _ids(table, raw, given), raw.lines, given)
    filled: dict[str, object] = {}
    for item in columns(table):
        if item.name in given:
            if item.defaultable and item.name in settings.defaults:
                _default_in_range(item, settings.defaults[item.name], findings)
            filled[item.name] = _understood(item, raw.columns[item.name], shell, findings)
        else:
            filled[item.name] = _absent(item, raw, names, settings, findings)
    known = {item.name for item in columns(table)}
    for name in names:
        if name not in known:
            filled[name] = _text_series(_texts(raw.columns[name]))
            _unknown(table, name, raw.file, sorted(known - given), findings)
    _bare_rows(shell, findings)
    frame = pd.DataFrame(filled, index=pd.RangeIndex(len(raw.lines)))
    return TypedTable(table, raw.file, frame, raw.lines, given)


def _bare_rows(shell: TypedTable, findings: Findings) -> None:
    """One fault in place of several for a row in which most of what is needed is empty: often a sum or a remark."""
    empty: dict[int, list[str]] = {}
    for fault in findings.faults:
        if fault.file == shell.file and fault.got == EMPTY:
            empty.setdefault(fault.row, []).append(fault.column)
    bare = {row: names for row, names in empty.items() if len(names) > FEW_EMPTY}
    findings.faults[:] = [
        each for each in findings.faults if each.file != shell.file or each.got != EMPTY or each.row not in bare
    ]
    for row, names in bare.items():
        at = int(np.flatnonzero(shell.lines == row)[0])
        do = "Fill them, or remove the row if it is a sum or a remark."
        findings.at_rows(shell, [at], "", (f"a row without {', '.join(names)}", "all of them", do))


def final_types(table: TypedTable) -> pd.DataFrame:
    """The frame of a table without faults, its required whole numbers as int64."""
    whole = [item.name for item in columns(table.name) if item.kind == "integer" and item.required]
    if table.name == "rings":
        whole = ["ring", "year"]  # one is required, and the checks have filled in the other
    return table.frame.astype(dict.fromkeys(whole, np.int64))


def empty_frame(table: str) -> pd.DataFrame:
    """A table without rows: all columns of the schema with their types."""
    return _empty(table).copy()


@cache
def _empty(table: str) -> pd.DataFrame:
    dtypes = {"text": "str", "choice": "str", "integer": "float64", "number": "float64"}
    frame = pd.DataFrame({item.name: pd.Series([], dtype=dtypes[item.kind]) for item in columns(table)})
    return final_types(TypedTable(table, table, frame, np.zeros(0, dtype=np.int64), frozenset()))


def _any_value(cells: RawColumn) -> bool:
    if isinstance(cells, list):
        return any(cells)
    return bool(len(cells)) and not bool(np.isnan(cells.astype(np.float64)).all())


def _ids(table: str, raw: RawTable, given: frozenset[str]) -> pd.DataFrame:
    names = [item.name for item in columns(table) if item.is_id and item.name in given]
    return pd.DataFrame({name: _text_series(_texts(raw.columns[name])) for name in names})


def _text_series(texts: Sequence[str]) -> pd.Series:
    return pd.Series(texts, dtype="str")


def _texts(cells: RawColumn) -> list[str]:
    if isinstance(cells, list):
        return cells
    if cells.dtype == np.int64:
        return [str(value) for value in cells.tolist()]
    return [
        "" if np.isnan(value) else (str(int(value)) if value.is_integer() else repr(value)) for value in cells.tolist()
    ]


# ------------------------------------------------------------------ columns that are absent or unknown


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
        need = f"{item.name}: {item.need}"
        got = "a column without a value" if item.name in names else "no such column"
        findings.fault(raw.file, got, need, _column_advice(item, names), column=item.name)
    if item.kind in ("text", "choice"):
        return _text_series([str(default)] * size)
    number = as_number(float(default) if default and default == item.default else default)
    inside = item.range is None or item.range.holds(number)
    return np.full(size, number if inside else np.nan)


def _default_in_range(item: Column, value: object, findings: Findings) -> None:
    number = as_number(value)
    if _fits(item, value, number):
        return
    near = nearest(show(value), item.choices)
    instead = "add the column to the table" if item.required else "leave it out"
    do = f"Did you mean {near}?" if near else slip(item, number, instead=instead) or f"Correct it or {instead}."
    findings.fault(SETTINGS_FILE, show(value), item.need, do, column=f"defaults.{item.name}")


def _fits(item: Column, value: object, number: float) -> bool:
    if item.range is None:
        good = isinstance(value, str) and value != "" and len(value) <= LONGEST_TEXT and not unprintable(value)
        return good and value in (item.choices or (value,))
    return bool(item.range.holds(number)) and (item.kind == "number" or number.is_integer())


def _column_advice(item: Column, names: list[str]) -> str:
    other_unit = column_in_other_unit(item.name, names)
    if other_unit:
        return other_unit
    known = {other.name for other in columns(item.table)}
    free = [name for name in names if name not in known]
    near = nearest(item.name, free) or next((name for name in free if meant_column(name) == item.name), "")
    if near:
        return _unit_change(near, item.name) or f"Rename {near} to {item.name}."
    place = f", or give one value for all rows under [defaults] of {SETTINGS_FILE}" if item.defaultable else ""
    return f"{'Fill it in' if item.name in names else 'Add it'}{place}."


def meant_column(name: str) -> str:
    """The column that a name of the trade, with or without a unit, stands for; empty for any other name.

    >>> meant_column("Girth_mm"), meant_column("dist_pith"), meant_column("soil")
    ('girth_cm', 'distance_mm', '')
    """
    bare = re.sub(r"[\s_.()\[\]-]+", "_", name.strip().lower()).strip("_")
    return _TRADE_NAMES.get(bare, "") or _TRADE_NAMES.get(re.sub(r"_(mm|cm|dm|m|in|inch|ft|yr|years?)$", "", bare), "")


def _unit_change(name: str, column: str) -> str:
    """How a column with the unit in its name, as height_cm or Height (cm), is converted; empty where none is named."""
    as_known = f"{column.rpartition('_')[0]}_{re.split(r'[^a-z]+', name.lower().rstrip(' )].'))[-1]}"
    return column_in_other_unit(column, [as_known]).replace(as_known, name)


def _conversion(name: str, column: str) -> str:
    """How a column with a name of the trade becomes a known one."""
    stem, _, unit = column.rpartition("_")
    do = _unit_change(name, column)
    if not do:
        do = f"Rename it to {column} if it holds that{f', in {unit}' if unit in ('mm', 'cm', 'm') else ''}."
    if stem == "girth":
        do += " A girth is no diameter: never write it into dbh_cm."
    if name.lower().startswith(("lab", "field_count")):
        do += f" Then write {'lab' if name.lower().startswith('lab') else 'field'}_count into dating."
    return do


def _unknown(table: str, name: str, file: str, free: list[str], findings: Findings) -> None:
    near = nearest(name, free)
    do = f"Rename it to {near} if it is meant to be." if near else "Nothing, unless it was meant to be used."
    do = next((text for text in (column_in_other_unit(item, [name]) for item in free) if text), do)
    homes = [other for other in INPUT_TABLES if other != table and name in (item.name for item in columns(other))]
    if homes:
        do = f"It is a column of {' and '.join(homes)}: move it there if it is meant to be used."
    elif like := meant_column(name):
        do = _conversion(name, like)
    findings.note(file, "a column that is kept and not used", f"a column of {table}", do, column=name)


# ------------------------------------------------------------------ cells


def _understood(item: Column, cells: RawColumn, shell: TypedTable, findings: Findings) -> object:
    if item.kind == "text":
        texts = _texts(cells)
        _required_cells(item, np.array([not text for text in texts], dtype=bool), shell, findings)
        _odd_texts(item, texts, shell, findings)
        return _text_series(texts)
    if item.kind == "choice":
        return _choice_column(item, _texts(cells), shell, findings)
    values, bad = _numbers(item, cells, shell, findings)
    _required_cells(item, np.isnan(values) & ~bad, shell, findings)
    values = _in_range(item, values, shell, findings)
    if item.default:
        values = np.where(np.isnan(values), float(item.default), values)
    return values


def cell_fault(item: Column, text: str) -> Fault | None:
    """What is wrong with one cell by itself; None where nothing is."""
    findings, lines = Findings(), np.zeros(1, dtype=np.int64)
    shell = TypedTable(item.table, "", pd.DataFrame(), lines, frozenset((item.name,)))
    _understood(item, [text], shell, findings)
    return findings.faults[0] if findings.faults else None


def _odd_texts(item: Column, texts: list[str], shell: TypedTable, findings: Findings) -> None:
    """Refuse texts that would steer a terminal or break a figure; ask about names that a spreadsheet would compute."""
    letters = f"at most {LONGEST_TEXT} letters"
    anew = "Write it anew; it was probably copied with something that cannot be seen."

    def steering(row: int) -> Words:
        return f"a control character in {show(texts[row])}", "plain text", anew

    def long(row: int) -> Words:
        return f"{len(texts[row])} letters", letters, "Shorten it."

    def formula(row: int) -> Words:
        do = "Nothing; in the CSV files written a ' stands before it."
        return texts[row], "a name that a spreadsheet does not take for a formula", do

    kinds = set(texts)

    def rows_of(odd: Callable[[str], bool]) -> list[int]:
        found = {text for text in kinds if odd(text)}
        return [row for row, text in enumerate(texts) if text in found] if found else []

    steer = rows_of(lambda text: not text.isprintable() and bool(unprintable(text)))
    findings.at_rows(shell, steer, item.name, steering)
    findings.at_rows(shell, rows_of(lambda text: len(text) > LONGEST_TEXT), item.name, long)
    if shell.name == ("trees" if item.name == "tree" else "cores"):
        findings.at_rows(shell, rows_of(is_formula), item.name, formula, note=True)


def is_formula(text: str) -> bool:
    """Whether a spreadsheet that opens a CSV file takes a text for something to compute."""
    return text.startswith(("=", "+", "-", "@")) and not re.fullmatch(r"[-+]\d+(\.\d+)?", text)


def csv_bytes(table: pd.DataFrame) -> bytes:
    """A table as CSV text; what a spreadsheet would take for a formula follows a quote mark."""
    texts = {
        str(name): [f"'{cell}" if isinstance(cell, str) and is_formula(cell) else cell for cell in table[name]]
        for name in table
        if pd.api.types.is_string_dtype(table[name]) or table[name].dtype == object
    }
    return table.assign(**texts).to_csv(index=False, lineterminator="\n").encode("utf-8")


def _choice_column(item: Column, cells: list[str], shell: TypedTable, findings: Findings) -> pd.Series:
    meaning = {word: word for word in item.choices} | dict.fromkeys(("", *NA_WORDS), item.default)
    for word in set(cells) - set(meaning):
        if word.lower() in item.choices:
            meaning[word] = word.lower()  # a capital letter changes nothing

    def wrong_word(row: int) -> Words:
        near = nearest(cells[row], item.choices)
        do = UNMERGE if cells[row] == MERGED else "Choose one of the list."
        return show(cells[row]), item.need, f"Did you mean {near}?" if near else do

    findings.at_rows(shell, np.array([cell not in meaning for cell in cells], dtype=bool), item.name, wrong_word)
    _required_cells(item, np.array([meaning.get(cell, "x") == "" for cell in cells], dtype=bool), shell, findings)
    return _text_series([meaning.get(cell, "") for cell in cells])


def _numbers(item: Column, cells: RawColumn, shell: TypedTable, findings: Findings) -> tuple[FloatArray, Flags]:
    """A column as numbers, and which cells are no number of the wanted kind."""
    if isinstance(cells, list):
        texts = cells
        values, bad = _parsed(texts)

        def no_number(row: int) -> Words:
            do = number_advice(item, texts[row])
            if ", sheet " in shell.file:  # where a point or a comma is the program's affair
                do = do.replace("with a decimal point", "as a number, in a cell that is not set to text")
            return show(texts[row]), item.need, do

        findings.at_rows(shell, bad, item.name, no_number)
        marked = sum(texts.count(word) for word in NA_WORDS) if np.isnan(values).any() else 0
        if marked:
            got = f"{marked} cells with a word such as NA"
            do = "Nothing; leave such cells empty to be rid of this note."
            findings.note(shell.file, got, "empty cells for what was not measured", do, column=item.name)
    else:
        values = cells.astype(np.float64)
        bad = np.zeros(len(values), dtype=bool)
    if item.kind == "integer":
        parts = np.isfinite(values) & (values != np.round(values))
        do = "Write the whole number, or correct it."
        findings.at_rows(shell, parts, item.name, lambda row: (show(values[row]), item.need, do))
        bad |= parts
    return np.where(bad, np.nan, values), bad


def _parsed(cells: list[str]) -> tuple[FloatArray, Flags]:
    """Numbers of a column of text, NaN for empty cells, and which cells are no number."""
    wrong = np.zeros(len(cells), dtype=bool)
    try:
        if "_" not in "".join(cells):  # Python reads 1_000 as a number; a table should not
            return np.array([cell or "nan" for cell in cells], dtype=np.float64), wrong
    except ValueError:
        pass
    values = np.full(len(cells), np.nan)
    for row, cell in enumerate(cells):
        if cell == "" or cell in NA_WORDS:
            continue
        try:
            values[row] = float("x" if "_" in cell else cell)
        except ValueError:
            wrong[row] = True
    return values, wrong


def _required_cells(item: Column, missing: Flags, shell: TypedTable, findings: Findings) -> None:
    if not item.required:
        return
    do = "Fill the cell."
    if item.defaultable:
        do = f"Fill the cell, or leave the column out and put one value under [defaults] of {SETTINGS_FILE}."
    elif item.kind != "text":
        do = f"Fill the cell, or {_without(item)}."
    findings.at_rows(shell, missing, item.name, (EMPTY, item.need, do))


def _in_range(item: Column, values: FloatArray, shell: TypedTable, findings: Findings) -> FloatArray:
    if item.range is None:
        return values
    there = ~np.isnan(values)
    outside = there & ~item.range.holds(values)
    instead = f"write the value, or {_without(item)}" if item.required else _without(item)
    correct = (
        "Correct the value." if item.required else f"Correct the value, or {_without(item)} if {_unknown_if(item)}."
    )

    def out_of_range(row: int) -> Words:
        return show(values[row]), item.need, slip(item, values[row], instead=instead) or correct

    findings.at_rows(shell, outside, item.name, out_of_range)
    if item.plausible is not None:
        usual = item.plausible
        odd = there & ~outside & ~usual.holds(values)
        most = 2 * np.count_nonzero(odd) > np.count_nonzero(there)  # one odd value is seldom a wrong unit, most are

        def implausible(row: int) -> Words:
            do = (slip(item, values[row], instead=instead) if most else "") or "Check it; it is used as written."
            if item.unit == "year" and 0 <= values[row] < 100:
                do = "Write the century too, if it was left out; the year is used as written."
            return show(values[row]), f"mostly {usual.text(item.unit)}", do

        findings.at_rows(shell, odd, item.name, implausible, note=True)
    return np.where(outside, np.nan, values)


# ------------------------------------------------------------------ advice

# what to do with a cell that has no value, where leaving it empty would be the next fault
_WITHOUT: Mapping[tuple[str, str], str] = {
    ("rings", "ring"): "give the year instead",
    ("rings", "year"): "give the ring instead",
    ("rings", "width_mm"): "end the table of this core before this ring",
}


def _without(item: Column) -> str:
    if (item.table, item.name) in _WITHOUT:
        return _WITHOUT[item.table, item.name]
    if not item.required:
        return "leave the cell empty"
    return "leave this core out of all tables" if item.table == "cores" else "remove the row"


def _unknown_if(item: Column) -> str:
    return "it is not known" if item.required else "it was not measured"


def number_advice(item: Column, text: str) -> str:
    """Say what to do with a cell that is not a number."""
    if text == MERGED:
        return UNMERGE
    whole = item.kind == "integer"
    plain, point = text.replace(",", ""), text.replace(",", ".")
    thousands = re.fullmatch(r"[-+]?[1-9]\d{0,2}(,\d{3})+", text)
    if thousands and (whole or text.count(",") > 1):
        return f"Write {plain} without a comma."
    if re.fullmatch(r"[-+]?\d+,\d+", text) and not whole:
        return f"Write {point} with a decimal point{f', or {plain} without a comma' if thousands else ''}."
    if re.fullmatch(r"\d{4}-\d\d?-\d\d?|\d\d?[./]\d\d?[./]\d{2,4}", text):
        year = "; of a date, the year alone" if item.unit == "year" else ""
        return f"Write a number, not a date{year}. In a spreadsheet set the cell to numbers first."
    if found := re.fullmatch(r"([-+]?\d+(?:[.,]\d+)?)\s*([A-Za-z%°\"']+\.?)", text):
        alone = in_unit(float(found[1].replace(",", ".")), found[2].rstrip("."), item.unit)
        same = f": {alone:.6g}" if alone is not None else ""
        return f"Write the number alone{f', in {item.unit}' if item.unit else ''}{same}."
    number = "one whole number" if whole else "one number"
    if re.fullmatch(r"\d+(?:\.\d+)?\s*(?:-|–|to)\s*\d+(?:\.\d+)?", text):
        spread = _spread_column(item)
        if spread:
            return f"Write the middle of the range and put half of its width into {spread}."
        return f"Write {number} from the middle of the range."
    return f"Write {number}, or {_without(item)} if {_unknown_if(item)}."


def _spread_column(item: Column) -> str:
    """The column with the standard deviation of this one; empty when there is none."""
    stem, _, unit = item.name.rpartition("_")
    names = (f"{item.name}_sd", f"{stem}_sd_{unit}")
    return next((other.name for other in columns(item.table) if other.name in names), "")


class CoreTable(pd.DataFrame):
    """A table as any other, which a notebook shows with each interval beside its median and the source in words."""

    @property
    def _constructor(self) -> type[pd.DataFrame]:
        return pd.DataFrame

    @classmethod
    def of(cls, rows: Sequence[Mapping[str, Any]], prob: float) -> CoreTable:
        """The table of some cores, with the intervals of their pith years in place of these."""
        table = []
        for row in rows:
            pith, told = row["pith_year"], {name: value for name, value in row.items() if name != "pith_year"}
            lead, (low, high) = told.pop("lead"), pith.interval(prob) if pith else (None, None)
            told |= {"pith_year_median": pith.median() if pith else None, "pith_year_lo": low, "pith_year_hi": high}
            table.append(told | {"lead": lead})
        return cls(table)

    def _repr_html_(self) -> str:
        shown = pd.DataFrame(self).assign(distance_from=[str(source) for source in self["distance_from"]])
        return table_html(in_one_cell(shown))
