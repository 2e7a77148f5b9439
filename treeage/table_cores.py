"""Checks each row of the table of cores against itself: half entries, contradictions, double entries.

Layer 1, part of the family of `tables`. Own derivation; tolerances are choices and stand beside their names.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from treeage.errors import show
from treeage.table_findings import Findings, Table
from treeage.table_marks import check_rise

# a column that says nothing without the other, and whether the other way round holds too
NEEDS = (
    ("chord_mm", "rise_mm"),
    ("rise_mm", "chord_mm"),
    ("ray_gap_mm", "ray_angle_deg"),
    ("ray_angle_deg", "ray_gap_mm"),
    ("inner_width_mm", "inner_width_rings"),
)
IDLE = (  # columns that are not used without the other
    ("circle_step_mm", "circle_radius_mm"),
    ("ray_angle_sd_deg", "ray_gap_mm"),
    ("distance_sd_mm", "distance_mm"),
)
DOUBLE_FACTOR = 3.0  # choice: distances to one pith that differ by more are a fault
DOUBLE_MM = 5.0  # choice: but never below this difference
ARC_SD_MM = 0.1  # choice: reading error of a rise when none is given, for this check only
SURE_RISE = 3.0  # choice: a rise of so many reading errors tells a distance


def check_cores(cores: Table, marked: NDArray[np.bool_], findings: Findings) -> None:
    """Check the rows of the table of cores.

    Parameters
    ----------
    cores : Table
        The typed table.
    marked : numpy.ndarray of bool, shape (m,)
        Which cores have rows in the tables of arcs or points.
    findings : Findings
        Receives faults and notes.
    """
    _half_entries(cores, findings)
    check_rise(cores, findings)
    _inner_rings(cores, findings)
    _pith(cores, marked, findings)
    _outer_end(cores, findings)
    _double_entry(cores, findings)
    _outer_years(cores, findings)


def has_measure(cores: Table) -> NDArray[np.bool_]:
    """Tell which cores have something of their own row that tells the distance to the pith.

    Parameters
    ----------
    cores : Table
        The typed table.

    Returns
    -------
    numpy.ndarray of bool, shape (m,)
        True with an arc, a template circle, rays or a distance.
    """
    parts = (
        ("chord_mm", "rise_mm"),
        ("circle_radius_mm",),
        ("ray_gap_mm", "ray_angle_deg"),
        ("distance_mm",),
    )
    has = np.zeros(len(cores.lines), dtype=bool)
    for names in parts:
        has |= np.all([~np.isnan(cores.numbers(name)) for name in names], axis=0)
    return has


def _half_entries(cores: Table, findings: Findings) -> None:
    for name, partner in NEEDS:
        rows = np.flatnonzero(~np.isnan(cores.numbers(name)) & np.isnan(cores.numbers(partner)))
        got = f"an empty cell beside {name} "
        values = cores.numbers(name)
        do = f"Fill {partner}, or empty {name}."
        texts = [(got + show(values[row]), f"{partner} with {name}", do) for row in rows]
        findings.at_rows(cores, rows, partner, texts)
    for name, partner in IDLE:
        if name not in cores.given:
            continue
        values = cores.numbers(name)
        rows = np.flatnonzero(~np.isnan(values) & np.isnan(cores.numbers(partner)))
        do = f"Fill {partner}, or empty {name}; alone it is not used."
        notes = [(show(values[row]), f"{partner} with {name}", do) for row in rows]
        findings.at_rows(cores, rows, name, notes, note=True)


def _inner_rings(cores: Table, findings: Findings) -> None:
    inner, counted = cores.numbers("inner_width_rings"), cores.numbers("rings_counted")
    rows = np.flatnonzero((inner > counted) & ~np.isnan(cores.numbers("inner_width_mm")))
    do = "Correct one of them."
    texts = [(show(inner[row]), f"at most rings_counted {counted[row]:g} [rings]", do) for row in rows]
    findings.at_rows(cores, rows, "inner_width_rings", texts)


def _pith(cores: Table, marked: NDArray[np.bool_], findings: Findings) -> None:
    ends = np.array(cores.texts("inner_end"), dtype=object)
    distance = cores.numbers("distance_mm")
    measured = has_measure(cores) | marked
    rows = np.flatnonzero((ends == "pith") & (distance > 0))
    do = "Write arcs in inner_end if the pith is not on the core, or empty distance_mm."
    texts = [(show(distance[row]), "0 or an empty cell where inner_end is pith [mm]", do) for row in rows]
    findings.at_rows(cores, rows, "distance_mm", texts)
    rows = np.flatnonzero((ends == "pith") & measured & ~(distance >= 0))
    got, need = "pith with an arc, circle, rays or points", "nothing to measure where the pith is on the core"
    do = "Write arcs if the pith is not on the core; otherwise the measurement is not used."
    findings.at_rows(cores, rows, "inner_end", [(got, need, do)] * len(rows), note=True)
    rows = np.flatnonzero((ends != "pith") & (ends != "") & (distance == 0))
    do = "Write pith in inner_end if the pith is on the core."
    notes = [(f"0 with inner_end {ends[row]}", "above 0 where the pith is not seen [mm]", do) for row in rows]
    findings.at_rows(cores, rows, "distance_mm", notes, note=True)
    rows = np.flatnonzero((ends == "arcs") & ~measured)
    need = "an arc, circle, rays, points or a distance beside arcs"
    do = "Measure one, or the core is treated like one without arcs."
    findings.at_rows(cores, rows, "inner_end", [("arcs without a measurement", need, do)] * len(rows), note=True)


def _outer_end(cores: Table, findings: Findings) -> None:
    ends = np.array(cores.texts("outer_end"), dtype=object)
    lost = cores.numbers("outer_lost")
    rows = np.flatnonzero((lost > 0) & (ends != "lost") & (ends != ""))
    do = "Write lost in outer_end, or empty outer_lost."
    texts = [(show(lost[row]), f"0 where outer_end is {ends[row]} [rings]", do) for row in rows]
    findings.at_rows(cores, rows, "outer_lost", texts)
    rows = np.flatnonzero((ends == "lost") & ~(lost > 0))
    need, do = "the number of lost rings [rings]", "Estimate it with its sd, or the age lacks the lost rings."
    findings.at_rows(cores, rows, "outer_lost", [("no number for a lost outer end", need, do)] * len(rows), note=True)


def _distances(cores: Table) -> dict[str, NDArray[np.float64]]:
    """Distances [mm] that the other entries of a row give, where they are sharp enough to be compared."""
    chord, rise, error = (cores.numbers(name) for name in ("chord_mm", "rise_mm", "arc_sd_mm"))
    sure = rise > SURE_RISE * np.where(np.isnan(error), ARC_SD_MM, error)
    gap, angle = cores.numbers("ray_gap_mm"), np.radians(cores.numbers("ray_angle_deg"))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        arc = np.where(sure, chord**2 / (8 * rise) + rise / 2, np.nan)
        rays = gap / 2 / np.tan(angle / 2)
    return {"arc": arc, "circle": cores.numbers("circle_radius_mm"), "rays": rays}


def _double_entry(cores: Table, findings: Findings) -> None:
    distance = cores.numbers("distance_mm")
    for name, other in _distances(cores).items():
        both = (distance > 0) & ~np.isnan(other)
        low, high = np.fmin(distance, other), np.fmax(distance, other)
        far = both & (high > DOUBLE_FACTOR * low) & (high - low > DOUBLE_MM)
        rows = np.flatnonzero(far)
        do = f"Measure again, and empty distance_mm or the {name}: one of them is wrong."
        texts = [(show(distance[row]), f"near the {other[row]:.3g} mm of the {name}", do) for row in rows]
        findings.at_rows(cores, rows, "distance_mm", texts)
        rows = np.flatnonzero(both & ~far)
        do = "Empty distance_mm if it was worked out from the same reading; both are used as two readings."
        notes = [(show(distance[row]), f"one entry; the {name} gives {other[row]:.3g} [mm]", do) for row in rows]
        findings.at_rows(cores, rows, "distance_mm", notes, note=True)


def _outer_years(cores: Table, findings: Findings) -> None:
    years, trees = cores.numbers("outer_year"), cores.texts("tree")
    ends = cores.texts("outer_end")
    first: dict[str, int] = {}
    rows, notes = [], []
    for row, tree in enumerate(trees):
        if ends[row] == "lost" or np.isnan(years[row]):
            continue
        other = first.setdefault(tree, row)
        if years[row] != years[other]:
            rows.append(row)
            need = f"{years[other]:g} as in row {cores.lines[other]}, where both cores end at the bark"
            notes.append((show(years[row]), need, "Check it, or write lost in outer_end."))
    findings.at_rows(cores, rows, "outer_year", notes, note=True)
