"""Checks of arguments that are easily confused: the wrong object, a seed, one series in place of many.

Layer 0, part of the family of `errors`. Own derivation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from treeage.errors import Fault, InputError, kind_of


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
