"""Exceptions and warnings that carry the faults as data and render them as where - got - need - do.

Layer 0. Own derivation: the pattern is the project's own, see DEVELOPERS.md.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
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
