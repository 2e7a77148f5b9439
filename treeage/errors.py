"""Exceptions and warnings that carry the faults as data and render them as where - got - need - do.

Own derivation: the pattern is the project's own, see DEVELOPERS.md.
"""

from __future__ import annotations

import errno
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    import pandas as pd

SHOWN_FAULTS = 20  # choice: more than one screen of faults is counted, not shown
ALIKE_FAULTS = 3  # choice: more faults of one column with one need than this share a line
SHOWN_ROWS = 5  # choice: row numbers listed on such a line


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with the input, as where - got - need - do.

    Parameters
    ----------
    got : str
        The value as written.
    need : str
        What is needed: kind, range, unit.
    do : str
        One concrete step that mends it.
    file : str, optional
        File name, or the function whose argument is at fault.
    row : int, optional
        Line in the file, the header being line 1; 0 when the fault is not in one row.
    column : str, optional
        Column or argument name.
    item : str, optional
        Tree, or tree and core, so that a person finds it.

    Examples
    --------
    >>> fault = Fault("-3.2", "at least 0 [mm]", "Leave it empty.", "cores.csv", 14, "distance_mm", "A17")
    >>> print(fault.line())
    cores.csv, row 14, A17, column distance_mm: got -3.2, need at least 0 [mm]. Leave it empty.
    """

    got: str
    need: str
    do: str
    file: str = ""
    row: int = 0
    column: str = ""
    item: str = ""

    def line(self) -> str:
        """Render the fault as one line of text.

        Returns
        -------
        str
            where: got, need, do.
        """
        parts = [self.file, f"row {self.row}" if self.row else "", self.item]
        parts.append(f"column {self.column}" if self.column and self.row else self.column)
        where = ", ".join(part for part in parts if part)
        return f"{where}: got {self.got}, need {self.need}. {self.do}"


def faults_frame(faults: Sequence[Fault]) -> pd.DataFrame:
    """Put faults or notes into a frame.

    Parameters
    ----------
    faults : sequence of Fault
        Any number, none included.

    Returns
    -------
    pandas.DataFrame, shape (n, 7)
        Columns file, row, item, column, got, need, do.

    Examples
    --------
    >>> faults_frame([Fault("-1", "at least 0", "Measure again.")])["got"].tolist()
    ['-1']
    """
    import pandas as pd

    columns = ["file", "row", "item", "column", "got", "need", "do"]
    return pd.DataFrame([asdict(fault) for fault in faults], columns=columns)


def fault_lines(faults: Sequence[Fault], *, most: int = SHOWN_FAULTS) -> list[str]:
    """Render faults or notes for people, one a line, or in groups when they are many.

    Parameters
    ----------
    faults : sequence of Fault
        Any number, none included.
    most : int
        Up to so many are shown one by one; 20, a screen, unless told otherwise.

    Returns
    -------
    list of str
        Beyond `most`, faults of one column with one need share a line after the third; needs that differ only in
        their numbers count as one.

    Examples
    --------
    >>> fault_lines([Fault("-1", "at least 0", "Mend it.", "a.csv", row, "rise_mm") for row in range(2, 6)], most=3)
    ['a.csv, row 2, column rise_mm: got -1, need at least 0. Mend it. ... and 3 more like it in rows 3, 4, 5.']
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
        head = f"{len(self._faults)} faults in {', '.join(files) or 'the input'}, {self.opening}."
        lines = ["  " + line for line in fault_lines(self._faults)]
        if len(lines) > SHOWN_FAULTS:
            lines = [
                *lines[:SHOWN_FAULTS],
                f"  ... and {len(lines) - SHOWN_FAULTS} more lines, all faults are in .faults.",
            ]
        return "\n".join([head, *lines])

    def __reduce__(self) -> tuple[Any, ...]:
        return (type(self), (list(self._faults),))

    @property
    def faults(self) -> pd.DataFrame:
        """All faults as a frame.

        Returns
        -------
        pandas.DataFrame, shape (n, 7)
            Columns file, row, item, column, got, need, do.
        """
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


def show(value: object) -> str:
    """Render a value for a message.

    Parameters
    ----------
    value : object
        Anything.

    Returns
    -------
    str
        A short text of the value as written.

    Examples
    --------
    >>> show(1.50), show(""), show(None)
    ('1.5', 'an empty cell', 'nothing')
    """
    if value is None:
        return "nothing"
    if isinstance(value, str):
        return "an empty cell" if value == "" else (value if len(value) <= 60 else value[:57] + "...")
    if isinstance(value, (float, np.floating)):
        return f"{value:g}"
    return str(value)


def kind_of(value: object) -> str:
    """Say for a message what a value is.

    Parameters
    ----------
    value : object
        Anything.

    Returns
    -------
    str
        Numbers, texts and short lists as written, anything else by its type.

    Examples
    --------
    >>> kind_of("seedlings"), kind_of([1, "x"]), kind_of({})
    ("the text 'seedlings'", "the list [1, 'x']", 'a dict')
    """
    if isinstance(value, str) or hasattr(value, "__fspath__"):
        return f"the text {show(str(value))!r}"
    if value is None or isinstance(value, (int, float, np.number)):
        return show(value)
    kind = f"array of shape {value.shape}" if isinstance(value, np.ndarray) else type(value).__name__
    if isinstance(value, (list, tuple)):
        return f"the {kind} {show(repr(value))}"
    return f"a{'n' if kind[0] in 'AEIOUaeiou' else ''} {kind}"


def _numbers_or_none(value: ArrayLike) -> NDArray[np.float64] | None:
    try:
        array = np.asarray(value)
        return None if array.dtype.kind in "SU" else array.astype(np.float64, copy=False)
    except (TypeError, ValueError):
        return None


def _require(
    where: str,
    kind: str,
    test: Callable[[NDArray[np.float64]], NDArray[np.bool_]],
    values: dict[str, ArrayLike],
) -> list[NDArray[np.float64]]:
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
            first = int(np.argmax(np.atleast_1d(bad)))
            at = f" at position {first}" if array.ndim else ""
            got = show(float(np.atleast_1d(array).ravel()[first])) + at
            faults.append(Fault(got, kind, f"Correct or leave out {name}.", where, 0, name))
    if faults:
        raise InputError(faults)
    return arrays


def require_positive(where: str, **values: ArrayLike) -> list[NDArray[np.float64]]:
    """Check that every value is a finite number above 0.

    Parameters
    ----------
    where : str
        The calling function, for the message.
    **values : array-like
        Named arguments to check.

    Returns
    -------
    list of numpy.ndarray
        The arguments as float arrays, in the given order.

    Raises
    ------
    InputError
        If any value is not finite or not above 0, naming argument, position and value.
    """
    return _require(where, "finite and above 0", lambda a: np.isfinite(a) & (a > 0), dict(values))


def require_nonnegative(where: str, **values: ArrayLike) -> list[NDArray[np.float64]]:
    """Check that every value is a finite number of at least 0.

    Parameters
    ----------
    where : str
        The calling function, for the message.
    **values : array-like
        Named arguments to check.

    Returns
    -------
    list of numpy.ndarray
        The arguments as float arrays, in the given order.

    Raises
    ------
    InputError
        If any value is not finite or is below 0, naming argument, position and value.
    """
    return _require(where, "finite and at least 0", lambda a: np.isfinite(a) & (a >= 0), dict(values))


def require_probability(where: str, **values: ArrayLike) -> list[NDArray[np.float64]]:
    """Check that every value lies strictly between 0 and 1.

    Parameters
    ----------
    where : str
        The calling function, for the message.
    **values : array-like
        Named arguments to check.

    Returns
    -------
    list of numpy.ndarray
        The arguments as float arrays, in the given order.

    Raises
    ------
    InputError
        If any value is outside the open interval from 0 to 1.
    """
    return _require(where, "between 0 and 1, both excluded", lambda a: (a > 0) & (a < 1), dict(values))


def require_level(where: str, name: str, value: float) -> float:
    """Check that one value is a single probability strictly between 0 and 1.

    Parameters
    ----------
    where, name : str
        The calling function and the argument, for the message.
    value : float
        What was passed.

    Returns
    -------
    float
        The probability.

    Raises
    ------
    InputError
        If it is no number, more than one number, or outside the open interval from 0 to 1.
    """
    (array,) = require_probability(where, **{name: value})
    if array.ndim:
        raise InputError(Fault(kind_of(value), "one probability", "Ask once for each of them.", where, 0, name))
    return float(array)


def require_faces(where: str, name: str, value: object, faces: Sequence[str], advice: tuple[str, str]) -> None:
    """Check that an object is of the wanted kind, by what it can do.

    Parameters
    ----------
    where : str
        The calling function, for the message.
    name : str
        The argument, for the message.
    value : object
        What was passed.
    faces : sequence of str
        Names of attributes it must have.
    advice : (need, do)
        What is needed, and one thing to do.

    Raises
    ------
    InputError
        If it lacks one of them.

    Examples
    --------
    >>> require_faces("count", "table", [1, 2], ["columns"], ("a table", "Make one."))
    Traceback (most recent call last):
        ...
    treeage.errors.InputError: count, table: got the list [1, 2], need a table. Make one.
    """
    if not all(hasattr(value, face) for face in faces):
        raise InputError(Fault(kind_of(value), *advice, where, 0, name))


def require_field(where: str, value: object) -> None:
    """Check that an argument is a field of tables.

    Parameters
    ----------
    where : str
        The calling function, for the message.
    value : object
        What was passed as `field`.

    Raises
    ------
    InputError
        If it is a path or anything else.

    Examples
    --------
    >>> require_field("estimate_ages", "data/highpasture")
    Traceback (most recent call last):
        ...
    treeage.errors.InputError: estimate_ages, field: got the text 'data/highpasture', need a Field. Pass \
read_field('data/highpasture').
    """
    folder = repr(str(value)) if kind_of(value).startswith("the text") else "folder"
    need, do = "a Field", f"Pass read_field({folder})."
    require_faces(where, "field", value, ("trees", "cores", "ring_widths", "settings"), (need, do))


def require_seed(where: str, seed: object) -> int:
    """Check that a seed is a whole number of at least 0.

    Parameters
    ----------
    where : str
        The calling function, for the message.
    seed : object
        What was passed.

    Returns
    -------
    int
        The seed.

    Raises
    ------
    InputError
        If it is not.

    Examples
    --------
    >>> require_seed("estimate_ages", 1)
    1
    """
    whole = isinstance(seed, (int, np.integer)) and not isinstance(seed, bool)
    if not whole or int(seed) < 0:  # type: ignore[call-overload]
        need, do = "a whole number of at least 0", "Write for example seed=1."
        raise InputError(Fault(kind_of(seed), need, do, where, 0, "seed"))
    return int(seed)  # type: ignore[call-overload, no-any-return]


def require_series(where: str, name: str, values: Any) -> None:
    """Check that something is a list of series of numbers, one for each core.

    Parameters
    ----------
    where : str
        The calling function, for the message.
    name : str
        The argument, for the message.
    values : sequence of array-like
        What was passed.

    Raises
    ------
    InputError
        If it is a table, a mapping or a single series, or a series is not one row of numbers.

    Examples
    --------
    >>> require_series("calibrate", "widths", [1.0, 2.0])
    Traceback (most recent call last):
        ...
    treeage.errors.InputError: calibrate, core 0, widths: got 1, need one row of widths [mm] for each core. Put \
brackets round each series: [[1.2, 0.9], [1.1]].
    """
    need = "one row of widths [mm] for each core"
    do = "Put brackets round each series: [[1.2, 0.9], [1.1]]."
    if isinstance(values, (str, Mapping)) or hasattr(values, "columns") or not hasattr(values, "__len__"):
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
    """Check that something is one row of numbers.

    Parameters
    ----------
    where : str
        The calling function, for the message.
    name : str
        The argument, for the message.
    series : array-like
        What was passed.
    item : str
        Which core it belongs to.
    advice : (need, do), optional
        What is needed and one thing to do; of a row of widths by default.

    Raises
    ------
    InputError
        If it is text, a mapping, a table, a single number, or has more than one row.

    Examples
    --------
    >>> require_row("missing_rings", "inner_widths_mm", ["1.1", "x"])
    Traceback (most recent call last):
        ...
    treeage.errors.InputError: missing_rings, inner_widths_mm: got the text 'x', need numbers [mm]. Write 1.2 and \
not "1.2", and leave out what is not a number.
    """
    need, do = advice or ("one row of widths [mm]", "Pass the widths of one core, for example [1.2, 0.9].")
    got = ""
    if isinstance(series, (str, Mapping)) or hasattr(series, "columns") or not np.iterable(series):
        got = kind_of(series)
    else:
        array = _array_of(series)
        if array is None or array.ndim != 1:
            got = kind_of(series) if array is None else f"a table of {array.shape[0]} rows"
        elif array.dtype.kind in "SUO":
            texts = [value for value in series if isinstance(value, str)]
            if texts:
                got = kind_of(next((text for text in texts if not _is_number(text)), texts[0]))
                need, do = "numbers [mm]", 'Write 1.2 and not "1.2", and leave out what is not a number.'
    if got:
        raise InputError(Fault(got, need, do, where, 0, name, item))


def _array_of(series: Any) -> Any:
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

    Parameters
    ----------
    error : OSError
        What the system said.
    where : str
        The command, or the path.
    place : str, optional
        The argument that names the place, with its value.

    Returns
    -------
    Fault
        Without the wording of the system, but for errors that have no words here.

    Examples
    --------
    >>> place_fault(PermissionError(13, "Permission denied"), "treeage estimate", "--out /x").line()
    'treeage estimate, --out /x: got no permission there, need a place that can be read or written. Choose another...'
    """
    found = next((words for numbers, words in _PLACES if error.errno in numbers), "")
    got = found or f"the words '{error.strerror or error}' of the system"
    do = "Choose another place, or close the program that holds the file."
    return Fault(got, "a place that can be read or written", do, where, 0, place)


MANY_ROWS = 1000  # choice: faults of one kind listed row by row
MANY_NOTES = 5  # choice: notes of one kind listed row by row


@dataclass(frozen=True)
class Table:
    """One field table with typed columns and what is needed to point at its rows.

    Parameters
    ----------
    name : str
        Table name of the schema.
    file : str
        File name, or the table name for a frame.
    frame : pandas.DataFrame
        All columns of the schema, then the unknown ones.
    lines : numpy.ndarray of int, shape (n,)
        Line in the file of each row (position from 1 for a frame or a Parquet file).
    given : frozenset of str
        Columns the file holds with at least one value.
    """

    name: str
    file: str
    frame: pd.DataFrame
    lines: NDArray[np.int64]
    given: frozenset[str]

    def numbers(self, column: str) -> NDArray[np.float64]:
        """Take one column as numbers.

        Parameters
        ----------
        column : str
            Column name.

        Returns
        -------
        numpy.ndarray of float, shape (n,)
            The values, NaN where missing.
        """
        return self.frame[column].to_numpy(dtype=np.float64)

    def texts(self, column: str) -> list[str]:
        """Take one column as text.

        Parameters
        ----------
        column : str
            Column name.

        Returns
        -------
        list of str, length n
            The values, empty where missing.
        """
        values: list[str] = self.frame[column].tolist()
        return values

    def item(self, row: int) -> str:
        """Name the tree or core of a row.

        Parameters
        ----------
        row : int
            Position from 0.

        Returns
        -------
        str
            For example `tree A17, core B`, empty when the table has no trees.
        """
        parts = []
        for column in ("tree", "core"):
            if column in self.frame.columns and self.frame[column].iat[row]:
                parts.append(f"{column} {self.frame[column].iat[row]}")
        return ", ".join(parts)


@dataclass
class Findings:
    """Faults and notes gathered while tables are read and checked.

    Parameters
    ----------
    faults, notes : list of Fault
        Filled by the checks.
    """

    faults: list[Fault] = field(default_factory=list)
    notes: list[Fault] = field(default_factory=list)

    def at_rows(
        self,
        table: Table,
        rows: Sequence[int] | NDArray[np.int64],
        column: str,
        texts: Sequence[tuple[str, str, str]],
        *,
        note: bool = False,
    ) -> None:
        """Add one finding a row.

        Parameters
        ----------
        table : Table
            The table the rows are of.
        rows : sequence of int
            Positions from 0.
        column : str
            Column at fault.
        texts : sequence of (got, need, do)
            One triple a row.
        note : bool
            Whether they are notes; faults are the default because a check should say when it lets pass.
        """
        limit = MANY_NOTES if note else MANY_ROWS
        kept = self.notes if note else self.faults
        for row, (got, need, do) in list(zip(rows, texts, strict=True))[:limit]:
            kept.append(Fault(got, need, do, table.file, int(table.lines[row]), column, table.item(int(row))))
        if len(rows) > limit:
            got, need, do = texts[limit]
            more = f"{got} and {len(rows) - limit - 1} more rows of this kind" if len(rows) - limit > 1 else got
            row = int(rows[limit])
            kept.append(Fault(more, need, do, table.file, int(table.lines[row]), column, table.item(row)))

    def fault(self, file: str, got: str, need: str, do: str, *, row: int = 0, column: str = "", item: str = "") -> None:
        """Add a fault that is not tied to one row of a typed table.

        Parameters
        ----------
        file : str
            File name.
        got, need, do : str
            The three sentences.
        row : int
            Line in the file, 0 for the whole file.
        column, item : str
            Column, and tree or core.
        """
        self.faults.append(Fault(got, need, do, file, row, column, item))

    def note(self, file: str, got: str, need: str, do: str, *, row: int = 0, column: str = "", item: str = "") -> None:
        """Add a note that is not tied to one row of a typed table.

        Parameters
        ----------
        file : str
            File name.
        got, need, do : str
            The three sentences.
        row : int
            Line in the file, 0 for the whole file.
        column, item : str
            Column, and tree or core.
        """
        self.notes.append(Fault(got, need, do, file, row, column, item))

    def stop(self) -> None:
        """Raise when there is any fault.

        Raises
        ------
        InputError
            With all faults gathered so far.
        """
        if self.faults:
            raise InputError(self.faults)
