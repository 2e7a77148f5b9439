"""Checks the height models of field.toml against the species and the young trees of the tables.

Layer 1, part of the family of `tables`. What `estimate` would have to refuse is said while the folder is read.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from treeage.schema import SETTINGS_FILE
from treeage.schema_heights import FEWEST_YOUNG_TREES, SEEDLING_REACH, height_faults
from treeage.table_findings import Findings, Table
from treeage.table_settings import Settings

SINGLE_COLUMNS = ("height_m", "age_years")
PAIR_COLUMNS = ("low_height_m", "low_rings", "high_height_m", "high_rings")


def check_heights(tables: Mapping[str, Table], settings: Settings, findings: Findings) -> None:
    """Check the height model of every species, and that it has the young trees it needs.

    Parameters
    ----------
    tables : mapping of str to Table
        Typed tables by name; any may be absent.
    settings : Settings
        What field.toml says.
    findings : Findings
        Receives a fault for everything that keeps a height model from being made.
    """
    wrong = set()
    for name, model in settings.height.items():
        faults = height_faults(model, section=section_name(name))
        findings.faults += faults
        wrong |= {name} if faults else set()
    if "trees" not in tables:
        return
    for species in sorted(set(tables["trees"].texts("species")) - {""}):
        key = species if species in settings.height else "default"
        if key not in wrong:
            _check_young_trees(species, key, settings.height.get(key), tables, findings)


def section_name(species: str) -> str:
    """Name of the section of field.toml that holds the height model of a species.

    Parameters
    ----------
    species : str
        Species, or default.

    Returns
    -------
    str
        As it is written in the file.

    Examples
    --------
    >>> section_name("Picea abies"), section_name("default")
    ('height."Picea abies"', 'height.default')
    """
    return "height.default" if species == "default" else f'height."{species}"'


def _check_young_trees(
    species: str, key: str, model: Mapping[str, Any] | None, tables: Mapping[str, Table], findings: Findings
) -> None:
    word = None if model is None else model["model"]
    if word not in (None, "seedlings", "two_heights"):
        return
    heights = _usable_heights(
        tables.get("seedlings"), species, PAIR_COLUMNS if word == "two_heights" else SINGLE_COLUMNS
    )
    if word is not None and heights.size < FEWEST_YOUNG_TREES:
        pairs = word == "two_heights"
        noun, columns = ("trees counted at two heights", PAIR_COLUMNS) if pairs else ("young trees", SINGLE_COLUMNS)
        got = f"{heights.size} {noun} of this species with {', '.join(columns)} in seedlings.csv"
        need = f"at least {FEWEST_YOUNG_TREES}, 20 or more are better"
        do = 'Measure more, or choose another model, for example model = "mean_sd" with your own figure.'
        item = species if key == "default" else ""
        findings.fault(SETTINGS_FILE, got, need, do, column=section_name(key), item=item)
    elif word != "two_heights" and heights.size >= FEWEST_YOUNG_TREES and "cores" in tables:
        _check_reach(species, SEEDLING_REACH * float(heights.max()), tables, findings)


def _check_reach(species: str, reach_m: float, tables: Mapping[str, Table], findings: Findings) -> None:
    """Cores so high above the tallest young tree that nothing can be said of the years below them."""
    trees, cores = tables["trees"], tables["cores"]
    own = {tree for tree, name in zip(trees.texts("tree"), trees.texts("species"), strict=True) if name == species}
    of_species = np.array([tree in own for tree in cores.texts("tree")], dtype=bool)
    heights = cores.numbers("core_height_m")
    rows = np.flatnonzero(of_species & (heights >= reach_m))
    need = f"below {reach_m:g} [m], {SEEDLING_REACH:g} times the height of the tallest young tree of {species}"
    do = f"Measure taller young trees, or choose another height model for {species} in field.toml."
    findings.at_rows(cores, rows, "core_height_m", [(f"{heights[row]:g}", need, do) for row in rows])


def _usable_heights(table: Table | None, species: str, columns: tuple[str, ...]) -> NDArray[np.float64]:
    """Heights of the rows of a species on which all the named columns are filled."""
    if table is None:
        return np.zeros(0)
    values = np.column_stack([table.numbers(column) for column in columns])
    own = np.array([name == species for name in table.texts("species")], dtype=bool)
    return np.asarray(values[own & ~np.isnan(values).any(axis=1), 0])
