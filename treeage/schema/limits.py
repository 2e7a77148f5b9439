"""What a value cannot be: likely slips of the unit, limits on arguments, and the settings of a height model.

A slip is named when the value, taken in the other unit, would lie in the plausible range of the column; nothing is ever
converted. Own derivation.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from itertools import pairwise
from numbers import Real
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError, ModelError, show
from treeage.priors import data_rows
from treeage.schema.catalogue import (
    SETTINGS_FILE,
    Column,
    Counts,
    CountsFrom,
    FigureUse,
    HeightChoice,
    Interval,
    SeedlingSampling,
    Tip,
    Word,
    column,
    nearest,
)

RING_WIDTH: Final = Interval(0.1, 10.0)  # mean ring width [mm] of nearly all trees (common practice)
MEAN_WIDTH: Final = Interval(0.02, 20.0)  # choice: no core of a tree has a mean ring width [mm] beyond these

# name of the unit a value may have been written in, and the factor that turns it into the unit of the column
_OTHER_UNITS: Final[Mapping[str, Sequence[tuple[str, float]]]] = {
    "m": (("centimetres", 0.01), ("millimetres", 0.001), ("feet", 0.3048)),
    "cm": (("millimetres", 0.1), ("inches", 2.54), ("metres", 100.0)),
    "mm": (("1/100 mm", 0.01), ("1/1000 mm", 0.001), ("centimetres", 10.0), ("metres", 1000.0), ("inches", 25.4)),
}
_IMPERIAL: Final = ("inches", "feet")
_METRES: Final = {"mm": 0.001, "cm": 0.01, "dm": 0.1, "m": 1.0, "in": 0.0254, "inch": 0.0254, "ft": 0.3048}
_MISSING_CODES: Final = (-1.0, -9.0, -99.0, -999.0, -9999.0, 9990.0, 9999.0)  # codes for "not measured" in common use
_NEAR: Final = 1.25  # choice: two lengths that agree within this factor after a change of unit tell that unit


AnyWord = TypeVar("AnyWord", bound=Word)


def word_of(kind: type[AnyWord], word: str, where: str, name: str) -> AnyWord:
    """Give the member of a word, or refuse it and list the words there are."""
    try:
        return kind(word)
    except ValueError:
        *others, last = kind
        need = f"{', '.join(others)} or {last}"
        raise ModelError(Fault(show(word), need, "Use one of them.", where, 0, name)) from None


# ------------------------------------------------------------------ slips of the unit


def slip(column: Column, value: float, *, instead: str = "give a measured value") -> str:
    """Name the unit a value out of range was probably written in, or the code for a missing value that it is.

    Parameters
    ----------
    column : Column
        The column, with unit and plausible range.
    value : float
        The value as written.
    instead : str
        What to do about a code for a missing value.

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
    if value in _MISSING_CODES and (value < 0 or column.range is None or not column.range.holds(value)):
        return f"This looks like a code for a missing value: {instead}."
    if column.plausible is None or not math.isfinite(value):
        return ""
    return _looks_like(value, column.unit, column.plausible)


def _looks_like(value: float, unit: str, plausible: Interval) -> str:
    rights = {name: float(value) * factor for name, factor in _OTHER_UNITS.get(unit, ())}
    fitting = [name for name in rights if value > 0 and plausible.holds(rights[name])]
    decimal = [name for name in fitting if name not in _IMPERIAL][:1]  # the first that fits is the likeliest
    named = decimal + [name for name in fitting if name in _IMPERIAL]
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
    return "" if RING_WIDTH.holds(mean_width_mm) else _looks_like(mean_width_mm, "mm", RING_WIDTH)


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
    return _looks_like(value, unit, Interval(expected / _NEAR, expected * _NEAR))


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


def column_in_other_unit(name: str, names: Sequence[str]) -> str:
    """Find a column that is named like a wanted one but in another unit.

    Parameters
    ----------
    name : str
        The wanted column, its unit as the last part of the name.
    names : sequence of str
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
    if unit not in _METRES or not stem:
        return ""
    for other in names:
        other_stem, _, other_unit = other.lower().rpartition("_")
        if other_stem == stem and other_unit in _METRES and other_unit != unit:
            return f"Multiply {other} by {_METRES[other_unit] / _METRES[unit]:.6g} and name it {name}."
    return ""


def in_unit(value: float, unit: str, wanted: str) -> float | None:
    """A length in another unit, or as it is where the units are one; None where that cannot be said.

    >>> in_unit(100, "cm", "m"), in_unit(35, "%", "%"), in_unit(3, "ells", "m")
    (1.0, 35, None)
    """
    if unit == wanted:
        return value
    both = unit.lower() in _METRES and wanted in _METRES
    return value * _METRES[unit.lower()] / _METRES[wanted] if both else None


# ------------------------------------------------------------------ limits on arguments


def check_distances(where: str, distance_mm: NDArray[np.float64]) -> None:
    """Hold distances to the pith against the limit of the table of cores.

    Parameters
    ----------
    where : str
        The calling function, for the message.
    distance_mm : numpy.ndarray, shape (n_core,)
        Distances [mm], not negative.

    Raises
    ------
    InputError
        If one is beyond it, naming the likely unit.

    Examples
    --------
    >>> check_distances("missing_rings", np.array([12.0]))
    """
    _within(where, "distance_mm", distance_mm, column("cores", "distance_mm"))


def check_widths(where: str, name: str, series: Sequence[ArrayLike]) -> None:
    """Hold ring widths and their means against the limits of the ring table.

    Parameters
    ----------
    where : str
        The calling function, for the message.
    name : str
        The argument, for the message.
    series : sequence of array-like
        Widths [mm] of each core, each with at least one ring, not negative.

    Raises
    ------
    InputError
        If a width is above 100 mm or a mean beyond 0.02 to 20 mm, naming the likely unit.

    Examples
    --------
    >>> check_widths("missing_rings", "inner_widths_mm", [[110, 90]])
    Traceback (most recent call last):
        ...
    treeage.errors.InputError: missing_rings, inner_widths_mm: got 110, need a number from 0 to 100 [mm]. This \
looks like 1/100 mm: write 1.1.
    """
    if not len(series):
        return
    arrays = [np.asarray(widths, dtype=np.float64) for widths in series]
    sizes = np.array([array.size for array in arrays])
    starts = np.cumsum(sizes) - sizes
    flat = np.concatenate(arrays)
    _within(where, name, np.maximum.reduceat(flat, starts), column("rings", "width_mm"))
    mean = np.add.reduceat(flat, starts) / sizes
    faults = []
    for core in np.flatnonzero(~MEAN_WIDTH.holds(mean) & ~np.isnan(mean)):
        got, need = f"a mean of {mean[core]:.3g}", f"a mean width of {MEAN_WIDTH.text('mm')}"
        do = width_slip(float(mean[core])) or "Leave out what is not a measured width; 0 is a ring absent here."
        faults.append(Fault(got, need, do, where, 0, name, _core(int(core), mean.size)))
    if faults:
        raise InputError(faults)


def _within(where: str, name: str, values: NDArray[np.float64], limits: Column) -> None:
    if limits.range is None:
        return
    faults = []
    for core in np.flatnonzero(~limits.range.holds(values)):
        value = float(values[core])
        do = slip(limits, value) or "Check the unit."
        faults.append(Fault(show(value), limits.need, do, where, 0, name, _core(int(core), values.size)))
    if faults:
        raise InputError(faults)


def _core(core: int, cores: int) -> str:
    return f"core {core}" if cores > 1 else ""


# ------------------------------------------------------------------ settings of a height model

HEIGHT_MODEL_KEYS: Final[Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]]] = {
    HeightChoice.SEEDLINGS: ((), ("sampling", "tip", "era_log_sd")),
    HeightChoice.TWO_HEIGHTS: ((), ()),
    HeightChoice.MEAN_SD: (("height_m", "mean_years", "sd_years"), ("shared_share", "counts", "source")),
    HeightChoice.QUANTILES: (("height_m", "probs", "years"), ("shared_share", "counts", "source")),
    HeightChoice.PUBLISHED: (("name",), ("shared_share",)),
    HeightChoice.CURVE: (("name", "site_index"), ("log_sd", "shared_share")),
    HeightChoice.OPEN_DATA: ((), ("sampling", "era_log_sd", "nursery_years")),
    HeightChoice.NONE: ((), ()),
}
"""For each model word, the keys it needs and the keys it allows."""

FEWEST_POINTS: Final = 3  # digitised points on one ring boundary: a circle has three unknowns
FEWEST_YOUNG_TREES: Final = 5  # choice: fewer say next to nothing about the spread between trees
ERA_LOG_SD: Final = (
    0.25  # choice: shared log-sd of young growth then against now; one in three eras differs by a quarter
)
SEEDLING_REACH: Final = 3.0  # choice: refused from this many times the height of the tallest young tree

FOOT_M: Final = 0.3048  # exact by definition
_MOST_QUANTILES: Final = 200  # choice
_LARGEST: Final = 1e300  # choice: neither infinite nor a whole number that no float can hold
LATEST_YEAR: Final = 10_000  # choice: years beyond, on either side of 0, are slips
MOST_YEARS: Final = 2000.0  # choice: no tree needs longer to the height of a core
_NUMBERS: Final = {  # unit, and the largest number (choice)
    "height_m": ("m", 100.0),
    "mean_years": ("years", MOST_YEARS),
    "sd_years": ("years", MOST_YEARS),
    "site_index": ("m", _LARGEST),
    "log_sd": ("", 3.0),
    "era_log_sd": ("", 3.0),
}
_WORDS: Final[Mapping[str, type[Word]]] = {"counts": Counts, "sampling": SeedlingSampling, "tip": Tip}


def height_faults(settings: Mapping[str, Any], *, section: str = "height") -> list[Fault]:
    """Check the settings of one height model.

    Parameters
    ----------
    settings : mapping
        The key model and its own keys, as under [height."SPECIES"] of field.toml.
    section : str
        Name of the section, for the messages.

    Returns
    -------
    list of Fault
        Everything that is wrong: an unknown word, a missing key, a key too many, a value of the wrong kind; none
        when all is well.

    Examples
    --------
    >>> [fault.line() for fault in height_faults({"model": "published"})]
    ["field.toml, height.name: got nothing, need name, as model 'published' needs name. Add name."]
    """
    if not isinstance(settings, Mapping):
        return [_fault(section, "model", show(settings), "a section with the key model", 'Write model = "seedlings".')]
    word = settings.get("model")
    if not isinstance(word, str) or word not in HEIGHT_MODEL_KEYS:
        near = nearest(str(word), HEIGHT_MODEL_KEYS)
        do = f"Did you mean {near}?" if near else "Choose one; 'none' gives the age at the coring height."
        return [_fault(section, "model", show(word), f"one of {', '.join(HEIGHT_MODEL_KEYS)}", do)]
    required, optional = HEIGHT_MODEL_KEYS[word]
    faults = [
        _fault(section, key, "nothing", f"{key}, as model '{word}' needs {', '.join(required)}", f"Add {key}.")
        for key in required
        if key not in settings
    ]
    known = ("model", *required, *optional)
    for key, value in settings.items():
        if key not in known:
            near = nearest(key, known)
            do = f"Did you mean {near}?" if near else "Leave it out."
            faults.append(_fault(section, key, key, f"for model '{word}' only {', '.join(sorted(known))}", do))
        elif key != "model":
            faults += _value_faults(section, word, key, value)
    return faults or _joint_faults(section, word, settings)


def _fault(section: str, key: str, got: str, need: str, do: str = "Correct it.") -> Fault:
    return Fault(got, need, do, SETTINGS_FILE, 0, f"{section}.{key}")


def _is_number(value: object) -> bool:
    number = isinstance(value, Real) and not isinstance(value, (bool, np.bool_))
    return number and -_LARGEST < value < _LARGEST  # type: ignore[operator]


def _value_faults(section: str, word: str, key: str, value: object) -> list[Fault]:
    """Faults of one value by itself."""
    if key in _NUMBERS:
        unit, most = _NUMBERS[key]
        limits = Interval(0.0, most, low_open=key != "era_log_sd")
        good = _is_number(value) and bool(limits.holds(float(value)))  # type: ignore[arg-type]
        need = f"a number {'' if limits.low_open else 'from '}{limits.text(unit)}"
        if most == _LARGEST:
            need = f"a number above 0 [{unit}]"
    elif key == "nursery_years":
        good, need = _is_number(value) and 0 <= value <= 30, "a number from 0 to 30"  # type: ignore[operator]
    elif key == "shared_share":
        good = _is_number(value) and 0 <= value <= 1  # type: ignore[operator]
        need = "0 to 1 [share of the variance]"
    elif key in _WORDS:
        good, need = isinstance(value, str) and value in list(_WORDS[key]), f"one of {', '.join(_WORDS[key])}"
    elif key in ("probs", "years"):
        items = list(value) if isinstance(value, (list, tuple, np.ndarray)) else []
        good = isinstance(value, (list, tuple, np.ndarray)) and len(items) <= _MOST_QUANTILES
        good &= all(_is_number(item) and abs(item) <= MOST_YEARS for item in items)
        need = f"a list of numbers, at most {_MOST_QUANTILES} and up to {MOST_YEARS:g}, as [4, 8, 17]"
    elif key == "name":
        return _name_faults(section, word, value)
    else:
        good, need = isinstance(value, str) and value.strip() != "", "a text in quotes"
    return [] if good else [_fault(section, key, show(value), need)]


def _name_faults(section: str, word: str, value: object) -> list[Fault]:
    names = sorted(published_names(word))
    if isinstance(value, str) and value in names:
        return []
    near = nearest(str(value), names)
    do = "Use such a name; a figure for a buried collar is written as collar_years of the trees."
    need = f"one of {', '.join(names)}"
    return [_fault(section, "name", show(value), need, f"Did you mean {near}?" if near else do)]


def _joint_faults(section: str, word: str, settings: Mapping[str, Any]) -> list[Fault]:
    """Faults of values that are right by themselves."""
    if word == HeightChoice.QUANTILES:
        probs, years = ([float(item) for item in settings[key]] for key in ("probs", "years"))
        rising = all(low < high for values in (probs, years) for low, high in pairwise(values))
        rising &= len(probs) == len(years) > 1
        if not rising or probs[0] <= 0 or probs[-1] >= 1 or years[0] < 0:
            need = "at least two of each, as many years as probs, both rising, probs between 0 and 1, years at least 0"
            return [_fault(section, "probs and years", f"{probs} and {years}", need, "Correct them.")]
    if word == HeightChoice.CURVE:
        site, (low, high) = float(settings["site_index"]), published_names(word)[settings["name"]]
        if not low - 1e-9 <= site <= high + 1e-9:
            feet = low <= site * FOOT_M <= high
            do = f"This looks like feet: write {site * FOOT_M:.1f}." if feet else "Choose another height model."
            return [_fault(section, "site_index", show(site), f"{low:.1f} to {high:.1f} [m] for this curve", do)]
    return []


def published_names(word: str) -> dict[str, tuple[float, float]]:
    """Names that the models `published` and `curve` know.

    With each the site indices a curve was checked for [m], or the heights a figure covers [m].
    """
    if word == HeightChoice.CURVE:
        curves = [row for row in data_rows("height_curves.csv") if row["counts_from"] == CountsFrom.COLLAR]
        ranges = [[float(row[name]) * float(row["unit_m"]) for name in ("site_low", "site_high")] for row in curves]
        return {row["name"]: (low, high) for row, (low, high) in zip(curves, ranges, strict=True)}
    figures = [row for row in data_rows("early_heights.csv") if row["use"] != FigureUse.COLLAR]
    return {row["name"]: (float(row["valid_from_m"]), float(row["valid_to_m"])) for row in figures}
