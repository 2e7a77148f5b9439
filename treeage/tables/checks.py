"""Runs all checks of the field tables against each other and completes the ring table.

Own derivation; faults stop the run, notes go to the report.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from treeage.errors import Findings, Table, show
from treeage.schema import FEWEST_YOUNG_TREES, SEEDLING_REACH, SETTINGS_FILE, height_faults
from treeage.tables.cores import check_arcs, check_bark, check_cores, check_points, check_sizes
from treeage.tables.rings import RingBlocks, check_ids, check_rings, core_places
from treeage.tables.settings import Settings

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


FASTEST_M = 1.5  # choice: height growth [m a year] above which a seedling row is asked about
SLOWEST_M = 0.003  # choice: and below which


def check_tables(tables: Mapping[str, Table], settings: Settings, findings: Findings, today: int) -> dict[str, Table]:
    """Check all tables of a field and complete the ring table.

    Parameters
    ----------
    tables : mapping of str to Table
        Typed tables by name; any may be absent.
    settings : Settings
        What field.toml says.
    findings : Findings
        Receives faults and notes.
    today : int
        Year after which a date lies in the future.

    Returns
    -------
    dict of str to Table
        The tables, the rings with both number and year, sorted by core and ring.
    """
    checked = dict(tables)
    check_ids(tables, settings, findings)
    _years(tables, settings, findings, today)
    if "seedlings" in tables:
        _seedlings(tables["seedlings"], findings)
    check_heights(tables, settings, findings)
    trees, cores = tables.get("trees"), tables.get("cores")
    if trees is not None:
        check_bark(trees, findings)
    if cores is None:
        return checked
    places = core_places(cores)
    blocks = RingBlocks.none(len(cores.lines))
    if "rings" in tables:
        checked["rings"], blocks = check_rings(tables["rings"], cores, places, settings, findings)
    marked = np.zeros(len(cores.lines), dtype=bool)
    if "arcs" in tables:
        marked |= check_arcs(tables["arcs"], cores, places, findings)
    if "points" in tables:
        marked |= check_points(tables["points"], cores, places, findings)
    check_cores(cores, marked, findings)
    if trees is not None:
        check_sizes(trees, cores, blocks, marked, findings)
    return checked


def _years(tables: Mapping[str, Table], settings: Settings, findings: Findings, today: int) -> None:
    for name, column in (("cores", "outer_year"), ("events", "year")):
        if name not in tables:
            continue
        years = tables[name].numbers(column)
        rows = np.flatnonzero(years > today)
        do = "Correct the year; it lies in the future."
        texts = [(show(years[row]), f"a year up to {today}", do) for row in rows]
        findings.at_rows(tables[name], rows, column, texts)
    if settings.hemisphere == "south" and "cores" in tables:
        findings.note(
            tables["cores"].file,
            "a site in the southern hemisphere",
            "outer_year as the year in which the last ring began to grow",
            "Check cores taken from January to June: their last ring began in the year before.",
            column="outer_year",
        )


def _seedlings(table: Table, findings: Findings) -> None:
    height, age = table.numbers("height_m"), table.numbers("age_years")
    names = ("low_height_m", "low_rings", "high_height_m", "high_rings")
    pair = np.column_stack([table.numbers(name) for name in names])
    single, pairs = ~np.isnan(height) & ~np.isnan(age), ~np.isnan(pair)
    half = (np.isnan(height) != np.isnan(age)) | (pairs.any(axis=1) & ~pairs.all(axis=1))
    rows = np.flatnonzero(half | ~(single | pairs.any(axis=1)))
    need = "height_m and age_years, or all four of low_height_m, low_rings, high_height_m, high_rings"
    got = "a row without a whole measurement"
    findings.at_rows(table, rows, "", [(got, need, "Fill the cells or remove the row.")] * len(rows))
    low, low_rings, high, high_rings = pair.T
    rows = np.flatnonzero(high <= low)
    texts = [(f"{high[row]:g}", f"more than low_height_m {low[row]:g} [m]", "Swap them.") for row in rows]
    findings.at_rows(table, rows, "high_height_m", texts)
    rows = np.flatnonzero(high_rings > low_rings)
    do = "Swap them: the upper height has fewer rings."
    texts = [(f"{high_rings[row]:g}", f"at most low_rings {low_rings[row]:g} [rings]", do) for row in rows]
    findings.at_rows(table, rows, "high_rings", texts)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        rate = height / age
    rows = np.flatnonzero((rate > FASTEST_M) | (rate < SLOWEST_M))
    need = f"mostly {SLOWEST_M:g} to {FASTEST_M:g} m of height a year"
    do = "Check that height_m is in metres and age_years in years."
    notes = [(f"{height[row]:g} m in {age[row]:g} years", need, do) for row in rows]
    findings.at_rows(table, rows, "height_m", notes, note=True)
