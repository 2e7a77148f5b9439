"""Runs all checks of the field tables against each other and completes the ring table.

Layer 1, part of the family of `tables`. Own derivation; faults stop the run, notes go to the report.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from treeage.errors import show
from treeage.table_cores import check_cores
from treeage.table_findings import Findings, Table
from treeage.table_heights import check_heights
from treeage.table_ids import check_ids, core_places
from treeage.table_marks import check_arcs, check_points
from treeage.table_rings import RingBlocks, check_rings
from treeage.table_settings import Settings
from treeage.table_sizes import check_bark, check_sizes

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
