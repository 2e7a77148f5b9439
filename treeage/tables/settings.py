"""Reads, checks and writes field.toml: the site, values for absent columns, the height model of each species."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from treeage import priors
from treeage.errors import Findings, as_number, show, unprintable
from treeage.pmf import ReadOnlyDict
from treeage.schema import (
    DOUBT_KEYS,
    HEIGHT_MODEL_KEYS,
    HEMISPHERES,
    SETTINGS_FILE,
    SETTINGS_SECTIONS,
    SITE_KEYS,
    default_columns,
    nearest,
)

Merge = Callable[[dict[str, Any], Findings], dict[str, Any]]

BREAST_HEIGHTS_M = (1.0, 1.6)  # every breast height in use lies between (1.3, 1.37, 1.4, 1.5 m; common practice)
MOST_DOUBT = 0.5  # choice: a status that is wrong more often than right says nothing
MOST_SHRINKAGE = 25.0  # choice: radial shrinkage of wood, green to oven dry, is mostly 2 to 8 %


@dataclass(frozen=True)
class Settings:
    """What field.toml says.

    Parameters
    ----------
    name : str
        Name of the site, for titles.
    description : str
        Free text for the report.
    hemisphere : str
        north or south; fixes what a ring year means.
    breast_height_m : float
        Height of dbh_cm above the root collar [m] where dbh_height_m is absent; 1.3 (common practice in most
        of the world, 1.37 in North America).
    shrinkage_percent : float
        Radial shrinkage [%] between the fresh core that was measured for length and the dry core whose rings
        were measured, 0 to 25; 0 when both were measured in one state.
    defaults : mapping of str to value
        Values for columns that the tables do not hold.
    height : mapping of str to mapping
        Height model by species; the key `default` serves all other species.
    doubt : mapping of str to float
        How often what is written is not so, 0 to 0.5: `pith_near` (a pith beside the core), `misdated` (a core called
        crossdated), `wrong_core` (a core of another tree, or misread). Those of `treeage.priors` where absent.

    Examples
    --------
    >>> Settings(name="High pasture").hemisphere
    'north'
    """

    name: str = ""
    description: str = ""
    hemisphere: str = "north"
    breast_height_m: float = 1.3
    shrinkage_percent: float = 0.0
    defaults: Mapping[str, Any] = field(default_factory=dict)
    height: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    doubt: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        findings = Findings()
        for key in SITE_KEYS:
            _site_value(key, getattr(self, key), findings)
        for name in ("defaults", "height", "doubt"):
            _section(vars(self), name, findings)
        findings.stop()
        models = {name: ReadOnlyDict(m) if isinstance(m, Mapping) else m for name, m in self.height.items()}
        object.__setattr__(self, "defaults", ReadOnlyDict(self.defaults))
        object.__setattr__(self, "height", ReadOnlyDict(models))
        usual = (priors.PITH_NEAR, priors.MISDATED, priors.GROSS_ERROR)
        known = {key: entry.value for key, entry in zip(DOUBT_KEYS, usual, strict=True)}
        object.__setattr__(self, "doubt", ReadOnlyDict(known | dict(self.doubt)))

    def height_choice(self, species: str) -> Mapping[str, Any] | None:
        """Settings of the height model of a species, its own or the default; None where nothing is said of it."""
        return self.height.get(species, self.height.get("default"))


def read_settings(data: bytes | None, findings: Findings, merge: Merge | None = None) -> Settings:
    """Read the bytes of field.toml, None when there is none; where a value is at fault, the default stands in.

    `merge` adds the settings of a workbook.
    """
    content = {} if data is None else _parsed(data, findings)
    if merge is not None:
        content = merge(content, findings)
    if data is None and not content:
        got, do = "no such file", "Write one to state the site, the hemisphere and the height models."
        if merge is not None:
            got, do = "no such file, nor settings in the workbook", "Fill in the sheet field of the workbook."
        findings.note(SETTINGS_FILE, got, "the settings of the site (north assumed)", do)
        return Settings()
    return _checked(content, findings)


def _parsed(data: bytes, findings: Findings) -> dict[str, Any]:
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        got = f"byte 0x{data[error.start]:02X}, which is not UTF-8"
        findings.fault(SETTINGS_FILE, got, "UTF-8 text", "Save it as UTF-8 text.", row=row)
    except (ValueError, RecursionError) as error:  # no TOML; or a number, or brackets, beyond what Python reads
        row, got = _line_of(str(error), data) if isinstance(error, ValueError) else (0, "brackets nested too deep")
        do = "Mend that line: texts stand in quotes, and so do names of several words in a section's head."
        findings.fault(SETTINGS_FILE, got, "a TOML file", do, row=row)
    return {}


def _line_of(message: str, data: bytes) -> tuple[int, str]:
    """Line of the file that a message of the reader names, 0 for none, and what stands there with what it says."""
    found = re.search(r"\s*\(at (?:line (\d+), column \d+|end of document)\)", message)
    if found is None:
        return 0, show(message)
    row = int(found[1]) if found[1] else data.rstrip().count(b"\n") + 1
    written = data.decode("utf-8-sig").split("\n")[row - 1 : row]
    return row, " ".join([*(show(line.strip()) for line in written), f"({show(message.replace(found[0], ''))})"])


def _checked(content: Mapping[str, Any], findings: Findings) -> Settings:
    """Make the settings of the sections site, defaults and height, and report what is wrong with them."""
    site = _known_keys(content, "site", SITE_KEYS, findings)
    if "hemisphere" not in site:
        do = 'Write hemisphere = "north" or "south" under [site].'
        findings.note(SETTINGS_FILE, "no hemisphere", "north or south (north assumed)", do, column="site.hemisphere")
    values = {key: v for key, v in site.items() if _site_value(key, v, findings)}
    defaults = _known_keys(content, "defaults", default_columns(), findings)
    height = {key: v for key, v in _section(content, "height", findings).items() if _height_model(key, v, findings)}
    doubt = _known_keys(content, "doubt", DOUBT_KEYS, findings)
    doubt = {key: float(value) for key, value in doubt.items() if _doubt_value(key, value, findings)}
    for key in content:
        _known(key, SETTINGS_SECTIONS, "", findings)
    return Settings(**values, defaults=defaults, height=height, doubt=doubt)


def _doubt_value(key: str, value: object, findings: Findings) -> bool:
    good = isinstance(value, (int, float)) and not isinstance(value, bool) and 0 <= value <= MOST_DOUBT
    if not good:
        need, do = f"a share from 0 to {MOST_DOUBT:g}", "Write 0 to take every entry at its word."
        findings.fault(SETTINGS_FILE, show(value), need, do, column=f"doubt.{key}")
    return good


def _section(content: Mapping[str, Any], name: str, findings: Findings) -> Mapping[str, Any]:
    section = content.get(name, {})
    if isinstance(section, Mapping):
        return section
    findings.fault(SETTINGS_FILE, show(section), "a section", f"Write [{name}] on a line of its own.", column=name)
    return {}


def _known_keys(content: Mapping[str, Any], name: str, allowed: Sequence[str], findings: Findings) -> dict[str, Any]:
    section = _section(content, name, findings)
    return {key: value for key, value in section.items() if _known(key, allowed, name, findings)}


def _known(key: str, allowed: Sequence[str], section: str, findings: Findings) -> bool:
    if key in allowed:
        return True
    near = nearest(key, allowed)
    do = f"Did you mean {near}?" if near else "Remove it or name it as listed."
    if section == "site" and key in default_columns():
        do = "Put it under [defaults]."
    if not section and key in SITE_KEYS:
        do = f"Put it under [site]: the line [site] comes before {key}."
    if key == "units":
        do = "Remove it: the unit is part of each column's name, and values are never converted."
    where = f"{section}.{key}" if section else key
    findings.fault(SETTINGS_FILE, f"the unknown key {show(key)}", f"one of {', '.join(allowed)}", do, column=where)
    return False


def _site_value(key: str, value: object, findings: Findings) -> bool:
    number = as_number(value)
    do = "Correct it or leave it out."
    if key in ("name", "description"):
        text = value.replace("\n", "").replace("\t", "") if isinstance(value, str) and key == "description" else value
        good = isinstance(text, str) and not unprintable(text)
        need = "a text in quotes, without control characters"
    elif key == "hemisphere":
        good, need = isinstance(value, str) and value in HEMISPHERES, f"one of {', '.join(HEMISPHERES)}"
        do = f'Write hemisphere = "{nearest(str(value), HEMISPHERES) or "north"}".'
    elif key == "breast_height_m":
        low, high = BREAST_HEIGHTS_M
        good, need = low <= number <= high, f"a number from {low:g} to {high:g} [m]"
        do = "Write the height in metres, for example 1.3."
    else:
        good, need = 0 <= number <= MOST_SHRINKAGE, f"a number from 0 to {MOST_SHRINKAGE:g} [%]"
    if not good:
        findings.fault(SETTINGS_FILE, show(value), need, do, column=f"site.{key}")
    return good


def _height_model(species: str, model: object, findings: Findings) -> bool:
    """Whether a section names a height model; its other keys are checked with the tables."""
    where = f'height."{species}"'
    if not isinstance(model, Mapping) or "model" not in model:
        do = f'Write [height."{species}"] and below it model = "seedlings" or another model.'
        if species == "model":
            do = 'Write [height.default], or [height."Picea abies"] for one species, in place of [height].'
        findings.fault(SETTINGS_FILE, show(model), "a section with the key model", do, column=where)
        return False
    word = model["model"]
    if isinstance(word, str) and word in HEIGHT_MODEL_KEYS:
        return True
    near = nearest(str(word), HEIGHT_MODEL_KEYS)
    do = f"Did you mean {near}?" if near else "Choose one of the list."
    findings.fault(SETTINGS_FILE, show(word), f"one of {', '.join(HEIGHT_MODEL_KEYS)}", do, column=f"{where}.model")
    return False


def settings_text(settings: Settings) -> str:
    """Write settings as the text of a field.toml that reads back to the same settings."""
    lines = ["[site]"]
    lines += [f"{key} = {_toml(getattr(settings, key))}" for key in SITE_KEYS]
    if settings.defaults:
        lines += ["", "[defaults]", *(f"{key} = {_toml(value)}" for key, value in settings.defaults.items())]
    usual = Settings().doubt
    doubt = [f"{key} = {_toml(value)}" for key, value in settings.doubt.items() if value != usual[key]]
    lines += ["", "[doubt]", *doubt] if doubt else []
    for species, model in settings.height.items():
        lines += ["", f"[height.{_toml(species)}]"]
        lines += [f"{_toml_key(key)} = {_toml(value)}" for key, value in model.items()]
    return "\n".join(lines) + "\n"


def _toml_key(key: str) -> str:
    return key if key.replace("_", "").isalnum() and key.isascii() else _toml(key)


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_toml_key(key)} = {_toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, (int, float)):
        return repr(value)
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007F")
