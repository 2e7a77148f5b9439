"""The height models of field.toml: which keys each of them needs and allows, and what a value may be.

Layer 0, part of the family of `schema`. Own derivation; names of published figures and curves are those of the tables
that ship with the package.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from numbers import Real
from typing import Any, Final

import numpy as np

from treeage.errors import Fault, show
from treeage.schema import SETTINGS_FILE, nearest

HEIGHT_MODEL_KEYS: Final[Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]]] = {
    "seedlings": ((), ("sampling", "tip")),
    "two_heights": ((), ()),
    "mean_sd": (("height_m", "mean_years", "sd_years"), ("shared_share", "counts", "source")),
    "quantiles": (("height_m", "probs", "years"), ("shared_share", "counts", "source")),
    "published": (("name",), ("shared_share",)),
    "curve": (("name", "site_index"), ("log_sd", "shared_share")),
    "none": ((), ()),
}
"""For each model word, the keys it needs and the keys it allows."""

FEWEST_YOUNG_TREES: Final = 5  # choice: fewer say next to nothing about the spread between trees
SEEDLING_REACH: Final = 3.0  # choice: refused from this many times the height of the tallest young tree

_FOOT_M: Final = 0.3048  # exact by definition
_NUMBERS: Final = {"height_m": "m", "mean_years": "years", "sd_years": "years", "site_index": "m", "log_sd": ""}
_WORDS: Final = {
    "counts": ("rings", "time"),
    "sampling": ("passing", "standing"),
    "tip": ("end_of_season", "within_season"),
}


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
    return isinstance(value, Real) and not isinstance(value, (bool, np.bool_)) and math.isfinite(value)


def _value_faults(section: str, word: str, key: str, value: object) -> list[Fault]:
    """Faults of one value by itself."""
    if key in _NUMBERS:
        unit = f" [{_NUMBERS[key]}]" if _NUMBERS[key] else ""
        good, need = _is_number(value) and value > 0, f"a number above 0{unit}"  # type: ignore[operator]
    elif key == "shared_share":
        good = _is_number(value) and 0 <= value <= 1  # type: ignore[operator]
        need = "0 to 1 [share of the variance]"
    elif key in _WORDS:
        good, need = isinstance(value, str) and value in _WORDS[key], f"one of {', '.join(_WORDS[key])}"
    elif key in ("probs", "years"):
        numbers = isinstance(value, (list, tuple, np.ndarray)) and all(_is_number(item) for item in value)
        good, need = numbers, "a list of numbers, as [4, 8, 17]"
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
    return [
        _fault(section, "name", show(value), f"one of {', '.join(names)}", f"Did you mean {near}?" if near else
               "Use such a name; a figure for a buried collar is written as collar_years of the trees.")
    ]  # fmt: skip


def _joint_faults(section: str, word: str, settings: Mapping[str, Any]) -> list[Fault]:
    """Faults of values that are right by themselves."""
    if word == "quantiles":
        probs, years = ([float(item) for item in settings[key]] for key in ("probs", "years"))
        rising = all(_rises(values) for values in (probs, years)) and len(probs) == len(years) > 1
        if not rising or probs[0] <= 0 or probs[-1] >= 1 or years[0] < 0:
            need = "at least two of each, as many years as probs, both rising, probs between 0 and 1, years at least 0"
            return [_fault(section, "probs and years", f"{probs} and {years}", need, "Correct them.")]
    if word == "curve":
        site, (low, high) = float(settings["site_index"]), published_names("curve")[settings["name"]]
        if not low - 1e-9 <= site <= high + 1e-9:
            feet = low <= site * _FOOT_M <= high
            do = f"This looks like feet: write {site * _FOOT_M:.1f}." if feet else "Choose another height model."
            return [_fault(section, "site_index", show(site), f"{low:.1f} to {high:.1f} [m] for this curve", do)]
    return []


def _rises(values: Sequence[float]) -> bool:
    return all(later > sooner for sooner, later in zip(values, values[1:], strict=False))


@cache
def published_names(word: str) -> Mapping[str, tuple[float, float]]:
    """Names that the models `published` and `curve` know.

    Parameters
    ----------
    word : {'published', 'curve'}
        The model.

    Returns
    -------
    mapping of str to (float, float)
        By name, the site indices that a curve was checked for [m]; the heights that a figure covers [m].

    Examples
    --------
    >>> sorted(published_names("curve"))
    ['douglas-fir bruce', 'quaking aspen', 'shortleaf pine']
    """
    curves = word == "curve"
    file = "height_curves.csv" if curves else "early_heights.csv"
    text = resources.files("treeage").joinpath("data", file).read_text(encoding="utf-8")
    found = {}
    for row in csv.DictReader(text.splitlines()):
        if curves and row["counts_from"] == "collar":
            unit = float(row["unit_m"])
            found[row["name"]] = (float(row["site_low"]) * unit, float(row["site_high"]) * unit)
        elif not curves and row["use"] != "collar":
            found[row["name"]] = (float(row["valid_from_m"]), float(row["valid_to_m"]))
    return found
