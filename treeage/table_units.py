"""Recognises likely unit slips in a value and names them; nothing is ever converted.

Layer 1, part of the family of `tables`. Own derivation: a slip is named when the value, taken in the
other unit, would lie in the plausible range of the column.
"""

from __future__ import annotations

import math
import re

from treeage.schema import Column, Interval

# name of the unit a value may have been written in, and the factor that turns it into the unit of the column
OTHER_UNITS: dict[str, tuple[tuple[str, float], ...]] = {
    "m": (("centimetres", 0.01), ("millimetres", 0.001), ("feet", 0.3048)),
    "cm": (("millimetres", 0.1), ("inches", 2.54), ("metres", 100.0)),
    "mm": (
        ("1/100 mm", 0.01),
        ("1/1000 mm", 0.001),
        ("centimetres", 10.0),
        ("metres", 1000.0),
        ("inches", 25.4),
    ),
}
IMPERIAL = ("inches", "feet")
SUFFIXES = {
    "mm": 0.001,
    "cm": 0.01,
    "dm": 0.1,
    "m": 1.0,
    "in": 0.0254,
    "inch": 0.0254,
    "ft": 0.3048,
}  # metres
MISSING_CODES = (-1.0, -9.0, -99.0, -999.0, -9999.0, 9990.0, 9999.0)  # codes for "not measured" in common use
RING_WIDTH = Interval(0.1, 10.0)  # mean ring width [mm] of nearly all trees (common practice)
NEAR = 1.25  # choice: two lengths that agree within this factor after a change of unit tell that unit


def slip(column: Column, value: float) -> str:
    """Name the unit a value out of range was probably written in.

    Parameters
    ----------
    column : Column
        The column, with unit and plausible range.
    value : float
        The value as written.

    Returns
    -------
    str
        A sentence that says what to write, or an empty text.

    Examples
    --------
    >>> from treeage.schema import column
    >>> slip(column("cores", "core_height_m"), 130)
    'This looks like centimetres: write 1.3.'
    """
    if value in MISSING_CODES and (value < 0 or column.range is None or not column.range.holds(value)):
        return "This looks like a code for a missing value: leave the cell empty."
    if column.plausible is None or not math.isfinite(value):
        return ""
    return _looks_like(value, column.unit, column.plausible)


def _looks_like(value: float, unit: str, plausible: Interval) -> str:
    rights = {name: value * factor for name, factor in OTHER_UNITS.get(unit, ())}
    fitting = [name for name in rights if value > 0 and plausible.holds(rights[name])]
    decimal = [name for name in fitting if name not in IMPERIAL][:1]  # the first that fits is the likeliest
    named = decimal + [name for name in fitting if name in IMPERIAL]
    if len(named) > 1:
        return "This looks like " + " or ".join(f"{name} (write {rights[name]:.4g})" for name in named) + "."
    return f"This looks like {named[0]}: write {rights[named[0]]:.4g}." if named else ""


def width_slip(mean_width_mm: float) -> str:
    """Name the unit ring widths were probably written in, from their mean.

    Parameters
    ----------
    mean_width_mm : float
        Mean ring width as if in mm.

    Returns
    -------
    str
        A sentence, or an empty text when the mean is that of a tree.

    Examples
    --------
    >>> width_slip(143.0)
    'This looks like 1/100 mm: write 1.43.'
    """
    if RING_WIDTH.holds(mean_width_mm):
        return ""
    return _looks_like(mean_width_mm, "mm", RING_WIDTH)


def ratio_slip(value: float, expected: float, unit: str) -> str:
    """Name the unit a length was probably written in, from a second length that it should match.

    Parameters
    ----------
    value : float
        The length as written.
    expected : float
        What it should be near, in the same unit.
    unit : str
        Unit of both: mm, cm or m.

    Returns
    -------
    str
        A sentence, or an empty text when no other unit makes them agree within a factor of 1.25 (choice).

    Examples
    --------
    >>> ratio_slip(23.0, 221.0, "mm")
    'This looks like centimetres: write 230.'
    """
    if not (value > 0 and expected > 0):
        return ""
    return _looks_like(value, unit, Interval(expected / NEAR, expected * NEAR))


def unit_named(sentence: str) -> str:
    """Keep only the unit that a slip sentence names, where there is no one value to write.

    Parameters
    ----------
    sentence : str
        From `slip`, `width_slip` or `ratio_slip`.

    Returns
    -------
    str
        For example `This looks like centimetres`, empty for an empty text.

    Examples
    --------
    >>> unit_named("This looks like centimetres: write 230.")
    'This looks like centimetres'
    """
    return re.sub(r" \(write [^)]*\)", "", sentence.split(":", maxsplit=1)[0]).rstrip(".")


def column_in_other_unit(name: str, names: list[str]) -> str:
    """Find a column that is named like a wanted one but in another unit.

    Parameters
    ----------
    name : str
        The wanted column, its unit as the last part of the name.
    names : list of str
        Columns of the file.

    Returns
    -------
    str
        A sentence that says how to convert, or an empty text.

    Examples
    --------
    >>> column_in_other_unit("core_height_m", ["tree", "core_height_cm"])
    'Multiply core_height_cm by 0.01 and name it core_height_m.'
    """
    stem, _, unit = name.rpartition("_")
    if unit not in SUFFIXES or not stem:
        return ""
    for other in names:
        other_stem, _, other_unit = other.lower().rpartition("_")
        if other_stem == stem and other_unit in SUFFIXES and other_unit != unit:
            factor = SUFFIXES[other_unit] / SUFFIXES[unit]
            return f"Multiply {other} by {factor:.6g} and name it {name}."
    return ""


def number_advice(text: str, unit: str) -> str:
    """Say what to do with a cell that is not a number.

    Parameters
    ----------
    text : str
        The cell as written.
    unit : str
        Unit of the column, empty for none.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> number_advice("12,5", "mm")
    'Write 12.5 with a decimal point.'
    """
    if re.fullmatch(r"[-+]?\d+,\d+", text):
        return f"Write {text.replace(',', '.')} with a decimal point."
    if re.fullmatch(r"\d{4}-\d\d?-\d\d?|\d\d?[./]\d\d?[./]\d{2,4}", text):
        return "Write a number, not a date; of a date, the year alone."
    with_unit = re.fullmatch(r"([-+]?\d+(?:\.\d+)?)\s*([A-Za-z%°\"']+\.?)", text)
    if with_unit:
        return f"Write the number alone, in {unit}." if unit else "Write the number alone."
    if re.fullmatch(r"\d+(?:\.\d+)?\s*(?:-|–|to)\s*\d+(?:\.\d+)?", text):
        return "Write the middle of the range and put half of it into the column for the standard deviation."
    return "Write one number, or leave the cell empty if it was not measured."
