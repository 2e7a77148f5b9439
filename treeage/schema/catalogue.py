"""Names, kinds, units, ranges and meaning of every column of the field tables and of the table of ages.

The single source for the checks and for the nomenclature; the columns live in `data/columns.csv`. The ranges are
choices, wide enough for the largest and slowest trees known. Own derivation.
"""

from __future__ import annotations

import difflib
import math
import textwrap
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum, auto
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError
from treeage.priors import data_rows

if TYPE_CHECKING:
    import pandas as pd

Years = TypeVar("Years", int, NDArray[np.int64], NDArray[np.float64])

INPUT_TABLES = ("trees", "cores", "rings", "arcs", "points", "seedlings", "events")
REQUIRED_TABLES = ("trees", "cores")
OUTPUT_TABLES = ("ages",)
SETTINGS_FILE = "field.toml"
SETTINGS_SECTIONS = ("site", "defaults", "height", "doubt")
DOUBT_KEYS = ("pith_near", "misdated", "wrong_core")
SITE_KEYS = ("name", "description", "hemisphere", "breast_height_m", "shrinkage_percent")
HEMISPHERES = ("north", "south")
ROOT_COLLAR, CORE_HEIGHT = "root collar", "coring height"  # what a date refers to


class Word(StrEnum):
    """A word of the tables or settings that decides a computation; shown as it is written there."""

    __repr__ = str.__repr__


class Dating(Word):
    """How a core was dated; the values are the words of the column `dating`.

    Examples
    --------
    >>> Dating("lab_count") is Dating.LAB_COUNT
    True
    """

    CROSSDATED = "crossdated"
    LAB_COUNT = "lab_count"
    FIELD_COUNT = "field_count"


class TreeOrigin(Word):
    """How a tree began; the words of the column `origin`."""

    SEED = "seed"
    SPROUT = "sprout"
    PLANTED = "planted"
    ADVANCE = "advance"
    UNKNOWN = "unknown"


class HeightChoice(Word):
    """What the years to the coring height rest on; the words of the key `model` in field.toml."""

    SEEDLINGS = "seedlings"
    TWO_HEIGHTS = "two_heights"
    MEAN_SD = "mean_sd"
    QUANTILES = "quantiles"
    PUBLISHED = "published"
    CURVE = "curve"
    OPEN_DATA = "open_data"
    NONE = "none"


FROM_YOUNG_TREES = frozenset({HeightChoice.SEEDLINGS, HeightChoice.TWO_HEIGHTS})
"""Choices that rest on the user's own young trees."""


class SeedlingSampling(Word):
    """Ages are times to the heights, or those of trees chosen by age, or met at a height (also called standing)."""

    PASSING = "passing"
    AGE = "age"
    HEIGHT = "height"
    STANDING = "standing"


class Tip(Word):
    """Whether the season's height growth was over when the height was measured."""

    END_OF_SEASON = "end_of_season"
    WITHIN_SEASON = "within_season"


class Counts(Word):
    """What the years of a figure are: a difference of rings, or a time as it passed."""

    RINGS = "rings"
    TIME = "time"


class FigureUse(Word):
    """Years to a height, years for each metre of height, or years hidden by a buried collar."""

    HEIGHT = "height"
    RATE = "rate"
    COLLAR = "collar"


class CountsFrom(Word):
    """Where age 0 of a height curve is."""

    COLLAR = "collar"
    BREAST_HEIGHT = "breast height"


class InnerEnd(Word):
    """What the inner end of a core shows; the words of the column `inner_end`.

    Examples
    --------
    >>> InnerEnd("no_arcs") is InnerEnd.NO_ARCS
    True
    """

    PITH = auto()
    ARCS = auto()
    NO_ARCS = auto()
    ROT = auto()
    BROKEN = auto()


class WidthsTaken(Word):
    """How ring widths were taken; the words of the column `widths_taken`.

    Examples
    --------
    >>> WidthsTaken("along") is WidthsTaken.ALONG
    True
    """

    SQUARE = auto()
    ALONG = auto()


class TreeStatus(Word):
    """Whether a tree was alive when it was cored; the words of the column `status`.

    Examples
    --------
    >>> TreeStatus.DEAD == "dead"
    True
    """

    LIVE = auto()
    DEAD = auto()


class OuterEnd(Word):
    """What the outer end of a core shows; the words of the column `outer_end`.

    Examples
    --------
    >>> OuterEnd.LOST == "lost"
    True
    """

    BARK = auto()
    INCOMPLETE = auto()
    LOST = auto()


def genus_of(species: object) -> str | None:
    """Genus of a species name: its first word, capitalised; None where there is none, or no text (NaN)."""
    words = species.split() if isinstance(species, str) else []
    return words[0].capitalize() if words else None


@dataclass(frozen=True)
class Interval:
    """A range of allowed numbers, in the unit of the column, each end open or closed."""

    low: float
    high: float
    low_open: bool = False
    high_open: bool = False

    @classmethod
    def parse(cls, text: str) -> Interval:
        """Read an interval written as `[0..3]`, a round bracket marking an open end."""
        low, high = text[1:-1].split("..")
        return cls(float(low), float(high), text[0] == "(", text[-1] == ")")

    def holds(self, values: ArrayLike) -> NDArray[np.bool_]:
        """Tell which values lie inside; NaN does not."""
        array = np.asarray(values, dtype=np.float64)
        above = array > self.low if self.low_open else array >= self.low
        below = array < self.high if self.high_open else array <= self.high
        return np.asarray(above & below)

    def text(self, unit: str = "") -> str:
        """Say the interval in words, for example `0 to 3 [m]`."""
        suffix = f" [{unit}]" if unit else ""
        if not self.low_open and not self.high_open:
            return f"{_plain(self.low)} to {_plain(self.high)}{suffix}"
        low = f"{'above' if self.low_open else 'at least'} {_plain(self.low)}"
        high = f"{'below' if self.high_open else 'at most'} {_plain(self.high)}"
        return f"{low} and {high}{suffix}"


def _plain(number: float) -> str:
    return str(int(number)) if math.isfinite(number) and number == int(number) else f"{number:g}"


@dataclass(frozen=True)
class Column:
    """One column of one table.

    Parameters
    ----------
    table, name : str
        Table without its file ending, and column name.
    kind : str
        text, integer, number or choice.
    unit : str
        Unit of the numbers, empty for none.
    required : bool
        Whether the column and every cell of it must be there.
    range : Interval or None
        Values outside are refused.
    plausible : Interval or None
        Values outside are kept and reported.
    choices : tuple of str
        Allowed words of a choice column.
    default : str
        Value of an empty cell, as text; empty for none.
    defaultable : bool
        Whether `[defaults]` of field.toml may fill the column when it is absent.
    meaning : str
        One sentence.

    Examples
    --------
    >>> column("cores", "core_height_m").need, column("trees", "status").need
    ('a number from 0 to 3 [m]', 'one of live, dead')
    """

    table: str
    name: str
    kind: str
    unit: str
    required: bool
    range: Interval | None
    plausible: Interval | None
    choices: tuple[str, ...]
    default: str
    defaultable: bool
    meaning: str

    @property
    def need(self) -> str:
        """What a cell must hold, in words: kind, range and unit."""
        if self.kind == "choice":
            return f"one of {', '.join(self.choices)}"
        if self.kind == "text":
            return "a name"
        noun = "a whole number" if self.kind == "integer" else "a number"
        unit = f" [{self.unit}]" if self.unit else ""
        if self.range is None:
            return noun + unit
        words = self.range.text(self.unit)
        return f"{noun} {words}" if self.range.low_open or self.range.high_open else f"{noun} from {words}"

    @property
    def is_id(self) -> bool:
        """Whether the column names a tree or a core."""
        return self.name in ("tree", "core")


@cache
def _all_columns() -> tuple[Column, ...]:
    return tuple(_column(row) for row in data_rows("columns.csv"))


def _column(row: Mapping[str, str]) -> Column:
    cells: dict[str, Any] = dict(row)
    for name in ("range", "plausible"):
        cells[name] = Interval.parse(row[name]) if row[name] else None
    for name in ("required", "defaultable"):
        cells[name] = row[name] == "yes"
    return Column(**cells | {"choices": tuple(row["choices"].split("|")) if row["choices"] else ()})


def columns(table: str) -> tuple[Column, ...]:
    """List the columns of a table in their order.

    Parameters
    ----------
    table : str
        One of the input tables (trees, cores, rings, arcs, points, seedlings, events) or ages.

    Returns
    -------
    tuple of Column
        The columns as frozen data.

    Raises
    ------
    InputError
        If there is no such table.

    Examples
    --------
    >>> [item.name for item in columns("events")]
    ['year', 'event', 'note']
    """
    found = tuple(item for item in _all_columns() if item.table == table)
    if not found:
        allowed = INPUT_TABLES + OUTPUT_TABLES
        raise InputError(Fault(table, f"one of {', '.join(allowed)}", "Name a table.", "columns", 0, "table"))
    return found


def column(table: str, name: str) -> Column:
    """Look up one column.

    Parameters
    ----------
    table, name : str
        Table and column.

    Returns
    -------
    Column
        The column as frozen data.

    Raises
    ------
    InputError
        If the table has no such column; the nearest name is suggested.

    Examples
    --------
    >>> column("rings", "width_mm").unit
    'mm'
    """
    names = {item.name: item for item in columns(table)}
    if name not in names:
        near = nearest(name, names)
        do = f"Did you mean {near}?" if near else f"Choose from {', '.join(names)}."
        raise InputError(Fault(name, f"a column of {table}", do, "column", 0, "name"))
    return names[name]


def default_columns() -> tuple[str, ...]:
    """List the columns that `[defaults]` of field.toml may fill.

    Returns
    -------
    tuple of str
        Column names, each once.

    Examples
    --------
    >>> "core_height_m" in default_columns(), "rings_counted" in default_columns()
    (True, False)
    """
    return tuple(dict.fromkeys(item.name for item in _all_columns() if item.defaultable))


def nearest(word: str, allowed: Iterable[str]) -> str:
    """Find the allowed word that looks most like a given one.

    Parameters
    ----------
    word : str
        The word as written; case, spaces, hyphens and underscores do not count.
    allowed : iterable of str
        Words to choose from.

    Returns
    -------
    str
        The nearest, or an empty text when none has a similarity of at least 0.6 (choice, the usual cut of the
        standard library's difflib), or when one of the two denies and the other does not.

    Examples
    --------
    >>> nearest("Cross-dated", ["crossdated", "lab_count"])
    'crossdated'
    >>> nearest("no pith", ["pith", "rot"])
    ''
    """
    bare = {_bare(item): item for item in reversed(list(allowed))}
    found = difflib.get_close_matches(_bare(word), bare, n=1)
    return bare[found[0]] if found and _denies(word) == _denies(found[0]) else ""


def _denies(word: str) -> bool:
    return _bare(word).startswith(("no", "un", "without"))


def _bare(word: str) -> str:
    return "".join(letter for letter in word.lower() if letter.isalnum())


def nomenclature() -> pd.DataFrame:
    """All columns with unit, range and meaning, as a table for people.

    Returns
    -------
    pandas.DataFrame
        One row a column: table, column, kind, unit, required, range, plausible, choices, default, meaning.

    Examples
    --------
    >>> page = nomenclature()
    >>> page.loc[page["column"] == "width_mm", "range"].item()
    '0 to 100'
    """
    import pandas as pd

    page = pd.DataFrame([vars(item) for item in _all_columns()]).rename(columns={"name": "column"})
    for name in ("range", "plausible"):
        page[name] = [limits.text() if limits else "" for limits in page[name]]
    page["choices"] = [", ".join(words) for words in page["choices"]]
    return page.drop(columns="defaultable")


def column_numbers(table: pd.DataFrame, name: str, default: float = float("nan")) -> NDArray[np.float64]:
    """Numbers of a column of a table.

    Parameters
    ----------
    table : pandas.DataFrame
        Any table.
    name : str
        The column; it may be absent.
    default : float, optional
        What stands for empty cells and for an absent column; NaN when left out.

    Returns
    -------
    numpy.ndarray, shape (n_row,)
        The numbers.

    Examples
    --------
    >>> import pandas as pd
    >>> column_numbers(pd.DataFrame({"tilt_deg": [5.0, None]}), "tilt_deg", 0.0).tolist()
    [5.0, 0.0]
    """
    import pandas as pd

    if name not in table:
        return np.full(len(table), default)
    values = pd.to_numeric(table[name], errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    return np.where(np.isfinite(values), values, default)


def innermost_year(outer_year: Years, rings: Years) -> Years:
    """Year of the innermost ring of a core with an exact count.

    Parameters
    ----------
    outer_year, rings : int or numpy.ndarray
        Year of the outermost ring, and number of rings.

    Returns
    -------
    int or numpy.ndarray
        outer_year - rings + 1.

    Examples
    --------
    >>> innermost_year(2020, 100)
    1921
    """
    return outer_year - rings + 1


def horizontal_share(tilt_deg: ArrayLike) -> NDArray[np.float64]:
    """Share of a length along a tilted core that is horizontal.

    Parameters
    ----------
    tilt_deg : array-like
        Angle of the core to the horizontal [degree], up or down.

    Returns
    -------
    numpy.ndarray
        The cosine.

    Examples
    --------
    >>> round(float(horizontal_share(60.0)), 12)
    0.5
    """
    return np.asarray(np.cos(np.deg2rad(tilt_deg)))


_ONE_ROW = {
    "trees": "one row a tree",
    "cores": "one row a core",
    "rings": "one row a ring with its width",
    "arcs": "one row an arc, for cores with several arcs",
    "points": "one row a digitised point of a ring boundary",
    "seedlings": "one row a young tree",
    "events": "one row a known event",
    "ages": "written by treeage estimate: one row a tree",
}
_FOOT = "* One value for the whole table can stand under [defaults] of field.toml in place of the column."


_STAND = "written by treeage stand; an interval has _median, _lo and _hi behind the name"


def _stand_line(row: Mapping[str, str], width: int) -> str:
    unit = f" [{row['unit']}]" if row["unit"] else ""
    told = f"{row['quantity']}{unit}: {row['meaning']}."
    return textwrap.fill(told, width, initial_indent="  ", subsequent_indent="    ")


def columns_text(table: str = "", *, width: int = 100) -> str:
    """Say what each column of the field tables holds.

    Parameters
    ----------
    table : str, optional
        One of the input tables, ages, or a table of the stand; the input tables and ages when left out.
    width : int, default 100
        Characters of a line.

    Returns
    -------
    str
        For each table a heading and its columns in their order: name, what a cell must hold with range and unit,
        whether it is needed, what an empty cell stands for, and the meaning.

    Raises
    ------
    InputError
        If there is no such table; the nearest name is suggested.

    Examples
    --------
    >>> print(columns_text("events", width=80))
    events.csv: one row a known event (the file is optional)
    <BLANKLINE>
      year    needed: a whole number from -10000 to 10000 [year]; usual 1000 to 2100
              Ring year of the event: in the southern hemisphere the year in which
              that growing season began, so that a fire of February 1940 is of 1939.
      event   needed: text
              Name of the event, short enough for a figure.
      note    text
              Where the date comes from.
    """
    tables = INPUT_TABLES + OUTPUT_TABLES
    name = table.removesuffix(".csv")
    of_stand = data_rows("stand_columns.csv")
    stand = [row for row in of_stand if row["table"] == name]
    if stand:
        return "\n".join([f"{name}.csv: {_STAND}", "", *(_stand_line(row, width) for row in stand)])
    if name and name not in tables:
        every = (*tables, *dict.fromkeys(row["table"] for row in of_stand))
        near = nearest(name, every)
        do = f"Did you mean {near}?" if near else "Name a table, or none for all."
        raise InputError(Fault(table, f"one of {', '.join(every)}", do, "treeage columns", 0, "TABLE"))
    chosen = (name,) if name else tables
    parts = [_table_text(each, width) for each in chosen]
    if any(item.defaultable for each in chosen for item in columns(each)):
        parts.append(textwrap.fill(_FOOT, width, subsequent_indent="  "))
    return "\n\n".join(parts)


def _table_text(table: str, width: int) -> str:
    need = "" if table in OUTPUT_TABLES else " (needed)" if table in REQUIRED_TABLES else " (the file is optional)"
    own = columns(table)
    margin = max(len(item.name) for item in own) + 5
    lines = [textwrap.fill(f"{table}.csv: {_ONE_ROW[table]}{need}", width, subsequent_indent="  "), ""]
    for item in own:
        head = f"  {item.name}{' *' if item.defaultable else ''}".ljust(margin)
        lines.append(textwrap.fill(_cell(item), width, initial_indent=head, subsequent_indent=" " * margin))
        lines.append(textwrap.fill(item.meaning, width, initial_indent=" " * margin, subsequent_indent=" " * margin))
    return "\n".join(lines)


def _cell(item: Column) -> str:
    """What a cell holds, in a few words."""
    needed = "needed: " if item.required and item.table not in OUTPUT_TABLES else ""
    parts = [needed + ("text" if item.kind == "text" else item.need)]
    if item.plausible is not None:
        parts.append(f"usual {item.plausible.text()}")
    if item.default and item.table not in OUTPUT_TABLES:
        parts.append(f"empty stands for {item.default}")
    return "; ".join(parts)
