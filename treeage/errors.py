"""Faults as data (where - got - need - do), the errors and warnings that carry them, and the checks that raise them.

Own derivation. In this order: faults, errors and warnings, checks of arguments, places on a disk, findings in tables.
"""

from __future__ import annotations

import errno
import inspect
import os
import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec, Protocol, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    import pandas as pd

P = ParamSpec("P")
R = TypeVar("R")

SHOWN_FAULTS = 20  # choice: more than one screen of faults is counted, not shown
ALIKE_FAULTS = 3  # choice: more faults of one column with one need than this share a line
SHOWN_ROWS = 5  # choice: row numbers listed on such a line
MANY_ROWS = 1000  # choice: faults of one kind listed row by row
MANY_NOTES = 5  # choice: notes of one kind listed row by row
LARGEST, SMALLEST = 1e100, 1e-100  # choice: far beyond every measure, and their squares are still numbers


# ------------------------------------------------------------------ faults


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with the input, as where - got - need - do."""

    got: str  # the value as written
    need: str  # what is needed: kind, range, unit
    do: str  # one concrete step that mends it
    file: str = ""  # or the function whose argument is at fault
    row: int = 0  # line in the file, the header being line 1; 0 when the fault is not in one row
    column: str = ""  # or argument
    item: str = ""  # tree, or tree and core, so that a person finds it

    def __post_init__(self) -> None:
        for name in ("got", "need", "do", "file", "column", "item"):
            if not getattr(self, name).isprintable():
                object.__setattr__(self, name, plain(getattr(self, name)))

    def line(self) -> str:
        """Render the fault as one line of text."""
        parts = [self.file, f"row {self.row}" if self.row else "", self.item]
        parts.append(f"column {self.column}" if self.column and self.row else self.column)
        where = ", ".join(part for part in parts if part)
        return f"{where}: got {self.got}, need {self.need}. {self.do}"


def faults_frame(faults: Sequence[Fault]) -> pd.DataFrame:
    """Put faults or notes into a frame, one row each."""
    import pandas as pd

    columns = ["file", "row", "item", "column", "got", "need", "do"]
    return pd.DataFrame([asdict(fault) for fault in faults], columns=columns)


def fault_lines(faults: Sequence[Fault], *, most: int = SHOWN_FAULTS) -> list[str]:
    """Render faults or notes for people, one a line up to `most`, else in groups.

    Beyond `most`, faults of one column with one need share a line after the third; needs that differ only in their
    numbers count as one.
    """
    if len(faults) <= most:
        return [fault.line() for fault in faults]
    groups: dict[tuple[str, str, str], list[Fault]] = {}
    for fault in faults:
        groups.setdefault((fault.file, fault.column, re.sub(r"[-+.e\d]+", "", fault.need)), []).append(fault)
    lines: list[str] = []
    for members in groups.values():
        few = len(members) <= ALIKE_FAULTS
        lines.extend([fault.line() for fault in members] if few else [_shared_line(members)])
    return lines


def _shared_line(members: Sequence[Fault]) -> str:
    rows = [str(fault.row) for fault in members[1:] if fault.row]
    more = ", ..." if len(rows) > SHOWN_ROWS else ""
    at = f" in rows {', '.join(rows[:SHOWN_ROWS])}{more}" if rows else ""
    return f"{members[0].line()} ... and {len(members) - 1} more like it{at}."


def show(value: object) -> str:
    """Render a value for a message, short and as written."""
    if value is None:
        return "nothing"
    if isinstance(value, (float, np.floating)):
        return f"{value:g}"
    try:
        text = str(value)
    except (ValueError, RecursionError):  # a number of thousands of places, or a list that holds one
        text = "a number beyond all bounds" if isinstance(value, int) else f"a {type(value).__name__} beyond all bounds"
    return "an empty cell" if text == "" else (text if len(text) <= 60 else text[:57] + "...")


def unprintable(text: str) -> str:
    """The signs of a text that steer a terminal, turn lines round or are no text at all; blanks of any width stay."""
    return "".join(sign for sign in text if unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Zl", "Zp"))


def plain(text: str) -> str:
    """A text with such signs written out by their number."""
    bad = set(unprintable(text))
    return "".join(sign.encode("unicode_escape").decode() if sign in bad else sign for sign in text)


def as_number(value: object) -> float:
    """A value of a settings file as a number: NaN where it is none, infinite where no float can hold it."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return float("nan")
    try:
        return float(value)
    except OverflowError:
        return float("inf") if value > 0 else float("-inf")


def kind_of(value: object) -> str:
    """Say for a message what a value is: numbers, texts and short lists as written, anything else by its type."""
    if isinstance(value, str) or hasattr(value, "__fspath__"):
        return f"the text {show(str(value))!r}"
    if value is None or isinstance(value, (int, float, np.number)):
        return show(value)
    kind = f"array of shape {value.shape}" if isinstance(value, np.ndarray) else type(value).__name__
    if isinstance(value, (list, tuple)):
        return f"the {kind} {show(repr(value))}"
    return f"a{'n' if kind[0] in 'AEIOUaeiou' else ''} {kind}"


# ------------------------------------------------------------------ errors and warnings


class _FaultError(ValueError):
    """Base of the errors that carry faults."""

    opening = "nothing was computed"

    def __init__(self, faults: Fault | Sequence[Fault]) -> None:
        self._faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__(self._text())

    def _text(self) -> str:
        if len(self._faults) == 1:
            return self._faults[0].line()
        files = sorted({fault.file for fault in self._faults if fault.file})
        mark = "; " if any(", " in file for file in files) else ", "  # of a workbook: file, sheet
        head = f"{len(self._faults)} faults in {mark.join(files) or 'the input'}{mark}{self.opening}."
        lines = ["  " + line for line in fault_lines(self._faults)]
        if len(lines) > SHOWN_FAULTS:
            rest = f"  ... and {len(lines) - SHOWN_FAULTS} more lines, all faults are in .faults."
            lines = [*lines[:SHOWN_FAULTS], rest]
        return "\n".join([head, *lines])

    def __reduce__(self) -> tuple[Any, ...]:
        return (type(self), (list(self._faults),))

    @property
    def faults(self) -> pd.DataFrame:
        """All faults as a frame: shape (n, 7). Columns file, row, item, column, got, need, do."""
        return faults_frame(self._faults)


class InputError(_FaultError):
    """The data are wrong: a table, a column, a value, an argument.

    Parameters
    ----------
    faults : Fault or sequence of Fault
        Everything found, not only the first.

    Examples
    --------
    >>> raise InputError(Fault("0", "above 0 [mm]", "Measure the chord again.", "arc_radius", 0, "chord_mm"))
    Traceback (most recent call last):
        ...
    treeage.errors.InputError: arc_radius, chord_mm: got 0, need above 0 [mm]. Measure the chord again.
    """


class ModelError(_FaultError):
    """The settings contradict each other or the model cannot answer (a height above the asymptote).

    Parameters
    ----------
    faults : Fault or sequence of Fault
        Everything found, not only the first.
    """

    opening = "the model cannot answer"


class TreeageWarning(UserWarning):
    """Base of the package's warnings."""


class ConflictWarning(TreeageWarning):
    """Two sources about one tree disagree more than their errors allow."""


class PriorWarning(TreeageWarning):
    """An answer rests mostly on a prior or a published figure, not on the user's own data."""


class ModelWarning(TreeageWarning):
    """A model is used where its source does not support it."""


# ------------------------------------------------------------------ checks of arguments
# `where` is the calling function and `name` the argument, for the message; all raise InputError.


def _numbers_or_none(value: ArrayLike) -> NDArray[np.float64] | None:
    try:
        array = np.asarray(value)
        return array.astype(np.float64, copy=False) if array.dtype.kind in "biufO" else None
    except (TypeError, ValueError, OverflowError):
        return None


def real_numbers(value: ArrayLike) -> NDArray[np.float64]:
    """Values as floats; a TypeError for complex numbers and times, which NumPy would take for numbers."""
    array = np.asarray(value)
    if array.dtype.kind in "cmM":
        raise TypeError(f"{array.dtype} is no real number")
    return array.astype(np.float64, copy=False)


def _require(
    where: str,
    kind: str,
    test: Callable[[NDArray[np.float64]], NDArray[np.bool_]],
    values: Mapping[str, ArrayLike],
) -> list[NDArray[np.float64]]:
    """Values as float arrays, each of which passes the test; all faults at once, where `kind` says what is needed."""
    faults: list[Fault] = []
    arrays: list[NDArray[np.float64]] = []
    for name, value in values.items():
        array = _numbers_or_none(value)
        if array is None:
            faults.append(Fault(kind_of(value), f"numbers {kind}", "Pass numbers, without quotes.", where, 0, name))
            continue
        arrays.append(array)
        bad = ~test(array)
        if np.any(bad):
            first = int(np.argmax(bad))
            at = f" at position {first}" if array.ndim else ""
            do = f"Correct {name}, or leave it out where it is optional."
            faults.append(Fault(show(float(array.ravel()[first])) + at, kind, do, where, 0, name))
    if faults:
        raise InputError(faults)
    return arrays


def require_positive(where: str, **values: ArrayLike) -> list[NDArray[np.float64]]:
    """Named arguments as float arrays, each value finite and above 0."""
    return _require(where, "finite and above 0", lambda a: (a <= LARGEST) & (a >= SMALLEST), values)


def require_nonnegative(where: str, **values: ArrayLike) -> list[NDArray[np.float64]]:
    """Named arguments as float arrays, each value finite and at least 0."""
    return _require(where, "finite and at least 0", lambda a: (a <= LARGEST) & (a >= 0), values)


def require_at_most(where: str, most: float, **values: ArrayLike) -> list[NDArray[np.float64]]:
    """Named arguments as float arrays, each value at most this."""
    return _require(where, f"at most {most:g}", lambda a: a <= most, values)


def require_probability(where: str, **values: ArrayLike) -> list[NDArray[np.float64]]:
    """Named arguments as float arrays, each value strictly between 0 and 1."""
    return _require(where, "between 0 and 1, both excluded", lambda a: (a > 0) & (a < 1), values)


def require_level(where: str, name: str, value: float) -> float:
    """One probability strictly between 0 and 1."""
    (array,) = require_probability(where, **{name: value})
    if array.ndim:
        raise InputError(Fault(kind_of(value), "one probability", "Ask once for each of them.", where, 0, name))
    return float(array)


def require_attributes(
    where: str, name: str, value: object, attributes: Sequence[str], advice: tuple[str, str]
) -> None:
    """Check what kind an object is by what it has; `advice` is (need, do)."""
    if not all(hasattr(value, attribute) for attribute in attributes):
        raise InputError(Fault(kind_of(value), *advice, where, 0, name))


def require_field(where: str, value: object) -> None:
    """Check that an argument is a field of tables, and not the path of one."""
    folder = repr(str(value)) if kind_of(value).startswith("the text") else "folder"
    advice = ("a Field", f"Pass read_field({folder}).")
    require_attributes(where, "field", value, ("trees", "cores", "ring_widths", "settings"), advice)


def require_path(where: str, name: str, value: object) -> Path:
    """Check that an argument is the name of a file or folder."""
    text = value if isinstance(value, str) else value.__fspath__() if isinstance(value, os.PathLike) else None
    if not isinstance(text, str) or not text.strip() or "\0" in text:
        got = "an empty text" if isinstance(text, str) and not text.strip() else kind_of(value)
        raise InputError(Fault(got, "the name of a file or folder", "Pass a text or a Path.", where, 0, name))
    return Path(text)


def require_seed(where: str, seed: object) -> int:
    """Check that a seed is a whole number of at least 0."""
    return require_whole(where, "seed", seed, 0)


def require_whole(where: str, name: str, value: object, least: int, most: float = float("inf")) -> int:
    """Check that a value is a whole number within bounds."""
    if isinstance(value, bool) or not isinstance(value, (int, np.integer)) or not least <= value <= most:
        need = f"a whole number of at least {least}" if most == float("inf") else f"a whole number, {least} to {most:g}"
        raise InputError(Fault(kind_of(value), need, f"Write for example {name}={max(least, 1)}.", where, 0, name))
    return int(value)


def require_series(where: str, name: str, values: Any) -> None:
    """Check that something is a list of series of numbers, one for each core, and no table or single series."""
    need = "one row of widths [mm] for each core"
    do = "Put brackets round each series: [[1.2, 0.9], [1.1]]."
    listed = hasattr(values, "__len__") and np.iterable(values)  # which an array of no dimension is not
    if isinstance(values, (str, Mapping)) or hasattr(values, "columns") or not listed:
        if isinstance(values, Mapping):
            do = "Pass the list of its values: list(cores.values())."
        elif hasattr(values, "columns"):
            do = "Pass a list with one row of numbers for each core, without empty cells."
        raise InputError(Fault(kind_of(values), need, do, where, 0, name))
    for core, series in enumerate(values):
        if isinstance(series, np.ndarray) and series.ndim == 1 and series.dtype.kind in "fiu":
            continue  # the usual case, quickly
        require_row(where, name, series, item=f"core {core}", advice=(need, do))


def require_row(where: str, name: str, series: Any, *, item: str = "", advice: tuple[str, str] | None = None) -> None:
    """Check that something is one row of numbers: no text, mapping, table or single number; `advice` is (need, do)."""
    need, do = advice or ("one row of widths [mm]", "Pass the widths of one core, for example [1.2, 0.9].")
    got = ""
    if isinstance(series, (str, bytes, Mapping)) or hasattr(series, "columns") or not np.iterable(series):
        got = kind_of(series)
    else:
        array = _array_or_none(series)
        if array is None or array.ndim != 1:
            got = f"a table of {array.shape[0]} rows" if array is not None and array.ndim else kind_of(series)
        elif array.dtype.kind in "cmM":
            got = kind_of(series)
        elif array.dtype.kind in "SUO":
            texts = [value for value in series if isinstance(value, str)]
            if texts:
                got = kind_of(next((text for text in texts if not _is_number(text)), texts[0]))
                need, do = "numbers [mm]", 'Write 1.2 and not "1.2", and leave out what is not a number.'
    if got:
        raise InputError(Fault(got, need, do, where, 0, name, item))


def _array_or_none(series: Any) -> NDArray[Any] | None:
    try:
        return np.asarray(series)
    except ValueError:  # rows of unequal length
        return None


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


# ------------------------------------------------------------------ arguments of another kind

_DRAWS = ("draws", "sharpened", "diameter_then_cm", "survey_year")  # arguments that are tables: draws by trees
_KINDS: Mapping[str, tuple[str, Callable[[Any], object]]] = {  # by annotation: words, and whether a value is one
    "float": ("one finite number", lambda value: np.ndim(value) == 0 and _is_row(value)),
    "int": ("a whole number", lambda value: isinstance(value, (int, np.integer)) and abs(int(value)) < 10**9),
    "str": ("a text", lambda value: isinstance(value, str)),
    "bool": ("True or False", lambda value: isinstance(value, (bool, np.bool_))),
    "ArrayLike": ("finite numbers, one or a row of them", lambda value: np.ndim(value) < 2 and _is_row(value)),
    "Path": ("a Path", lambda value: isinstance(value, os.PathLike)),
    "Sequence": ("a list", lambda value: isinstance(value, (Sequence, np.ndarray)) and _is_list(value)),
    "Iterable": ("a list", lambda value: np.iterable(value) and _is_list(value)),
    "DatedTrees": ("the answer of estimate_ages or fit_hierarchical", lambda value: hasattr(value, "draws")),
    "Mapping": ("a dict", lambda value: isinstance(value, Mapping)),
    "YoungTrees": ("a table of young trees", lambda value: value is None or hasattr(value, "keys")),
    "Callable": ("a function", callable),
    "None": ("nothing", lambda value: value is None),
    "Any": ("anything", lambda _: True),
}


def _is_row(value: Any) -> bool:
    array = _numbers_or_none(value)
    return array is not None and array.size > 0 and bool(np.isfinite(array).all())


def _is_list(value: Any) -> bool:
    return not isinstance(value, (str, bytes)) and getattr(value, "ndim", 1) > 0


def public(function: Callable[P, R]) -> Callable[P, R]:
    """Mark what users call: where it falls over an argument of another kind than it is annotated with, say which.

    Nothing is asked of a call that succeeds, nor changed where it refuses by itself.
    """
    signature = inspect.signature(function)

    @wraps(function)
    def call(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return function(*args, **kwargs)
        except (_FaultError, OSError, Warning, MemoryError):
            raise
        except Exception as error:
            try:
                given = signature.bind_partial(*args, **kwargs).arguments.items()
            except TypeError:  # a wrong name, or too many arguments: Python's own words name the function
                raise error from None
            kinds = {name: str(signature.parameters[name].annotation) for name, _ in given}
            wrong = [_kind_fault(function.__qualname__, name, value, kinds[name]) for name, value in given]
            faults = [fault for fault in wrong if fault is not None]
            if not faults:
                raise
            raise InputError(faults) from error

    # what `wraps` leaves out and people ask a function for; it has no arguments of that kind itself
    call.__kwdefaults__ = function.__kwdefaults__  # type: ignore[attr-defined]
    return call


def _kind_fault(where: str, name: str, value: Any, annotation: str) -> Fault | None:
    """The fault of an argument that is none of the kinds of its annotation; None too for kinds that are not known."""
    if "<" in annotation or "Literal" in annotation:  # not a text: no annotation
        return None
    needs = []
    for part in re.split(r"\|(?![^\[]*\])", annotation):  # not within brackets
        kind, _, inner = part.strip().removesuffix("]").partition("[")
        kind = kind.rpartition(".")[2]
        words, fits = _KINDS.get(kind, (f"a {kind}", None))
        of, each_fits = _KINDS.get(inner, ("", None)) if kind == "Sequence" else ("", None)
        words += f", each {of}" if of else ""
        try:
            right = fits(value) if fits else kind in (each.__name__ for each in type(value).__mro__)
            right = right or (name in _DRAWS and np.ndim(value) == 2 and _is_row(value))
            if right and (each_fits is None or all(each_fits(item) for item in value)):
                return None
        except (TypeError, ValueError):  # rows of unequal length have no dimension
            pass
        needs += [words] if kind != "None" else []
    return Fault(kind_of(value), " or ".join(needs), f"Pass {name} as that.", where, 0, name)


# ------------------------------------------------------------------ places on a disk

_PLACES = (
    ((errno.EACCES, errno.EPERM), "no permission there"),
    ((errno.EROFS,), "a disk that is read-only"),
    ((errno.ENOSPC,), "a full disk"),
    ((errno.ENOTDIR, errno.EEXIST), "a file where a folder is needed"),
    ((errno.EISDIR,), "a folder where a file is needed"),
    ((errno.ENOENT,), "a place that does not exist"),
    ((errno.ENAMETOOLONG,), "a name that is too long"),
)


def place_fault(error: OSError, where: str, place: str = "") -> Fault:
    """Say in plain words why a place could not be read or written.

    `where` is the command or the path, `place` the argument that names the place, with its value. The wording of the
    system is kept only for errors that have no words here.
    """
    found = next((words for numbers, words in _PLACES if error.errno in numbers), "")
    got = found or f"the words '{error.strerror or error}' of the system"
    do = "Choose another place, or close the program that holds the file."
    return Fault(got, "a place that can be read or written", do, where, 0, place)


# ------------------------------------------------------------------ findings in tables

Words = tuple[str, str, str]  # got, need, do


class TableLines(Protocol):
    """What is needed to point at the rows of a table."""

    @property
    def file(self) -> str:
        """File name."""

    @property
    def lines(self) -> NDArray[np.int64]:
        """Line in the file of each row."""

    def item(self, row: int) -> str:
        """Tree or core of a row."""


@dataclass
class Findings:
    """Faults and notes gathered while tables are read and checked."""

    faults: list[Fault] = field(default_factory=list)
    notes: list[Fault] = field(default_factory=list)

    def at_rows(
        self,
        table: TableLines,
        where: Sequence[int] | NDArray[Any],
        column: str,
        words: Words | Callable[[int], Words],
        *,
        note: bool = False,
    ) -> None:
        """Add one finding for each row that `where` marks (bool) or names (positions from 0).

        `words` are (got, need, do), or a function that gives them for a row. Of very many rows the last one listed
        stands for the rest. Faults are the default because a check should say when it lets pass.
        """
        marks = np.asarray(where)
        rows = np.flatnonzero(marks) if marks.dtype == bool else marks.astype(np.int64)
        limit = MANY_NOTES if note else MANY_ROWS
        kept = self.notes if note else self.faults
        for place, row in enumerate(rows[: limit + 1].tolist()):
            got, need, do = words(row) if callable(words) else words
            if place == limit and rows.size > limit + 1:
                got = f"{got} and {rows.size - limit - 1} more rows of this kind"
            kept.append(Fault(got, need, do, table.file, int(table.lines[row]), column, table.item(row)))

    def at_fault(self, table: TableLines, column: str = "") -> NDArray[np.bool_]:
        """Rows of a table with a fault told already, in any column or in one."""
        told = [each.row for each in self.faults if each.file == table.file and column in ("", each.column)]
        return np.isin(table.lines, told)

    def fault(self, file: str, got: str, need: str, do: str, *, row: int = 0, column: str = "", item: str = "") -> None:
        """Add a fault that is not tied to one row of a typed table."""
        self.faults.append(Fault(got, need, do, file, row, column, item))

    def note(self, file: str, got: str, need: str, do: str, *, row: int = 0, column: str = "", item: str = "") -> None:
        """Add a note that is not tied to one row of a typed table."""
        self.notes.append(Fault(got, need, do, file, row, column, item))

    def stop(self) -> None:
        """Raise InputError with all faults gathered so far, if there is any."""
        if self.faults:
            raise InputError(self.faults)
