"""Checks the tables of arcs and of digitised points.

Layer 1, part of the family of `tables`. Own derivation.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from treeage.errors import show
from treeage.table_findings import Findings, Table
from treeage.table_ids import rows_of_cores

RISE_SHARE, RISE_MM = 1.1, 0.05  # choice: a half circle read with error may have a rise that much above half its chord
LEAST_POINTS = 3  # a circle has three unknowns


def check_arcs(
    arcs: Table, cores: Table, places: Mapping[tuple[str, str], int], findings: Findings
) -> NDArray[np.bool_]:
    """Check the table of arcs.

    Parameters
    ----------
    arcs, cores : Table
        The typed tables.
    places : mapping of (tree, core) to int
        Row of every core.
    findings : Findings
        Receives faults and notes.

    Returns
    -------
    numpy.ndarray of bool, shape (m,)
        Which cores have an arc.
    """
    code = rows_of_cores(arcs, places, findings)
    _ring_on_core(arcs, cores, code, findings)
    check_rise(arcs, findings)
    chord, rise, ring = arcs.numbers("chord_mm"), arcs.numbers("rise_mm"), arcs.numbers("ring")
    same = (
        (code >= 0)
        & (ring == 1)
        & (cores.numbers("chord_mm")[code] == chord)
        & (cores.numbers("rise_mm")[code] == rise)
    )
    rows = np.flatnonzero(same)
    do = "Remove this row or empty chord_mm and rise_mm of the cores table: the arc would count twice."
    need = "each arc in one table"
    texts = [(f"chord {chord[row]:g} and rise {rise[row]:g} mm, as in the cores table", need, do) for row in rows]
    findings.at_rows(arcs, rows, "rise_mm", texts)
    return _has_rows(code, len(cores.lines))


def check_points(
    points: Table, cores: Table, places: Mapping[tuple[str, str], int], findings: Findings
) -> NDArray[np.bool_]:
    """Check the table of digitised points.

    Parameters
    ----------
    points, cores : Table
        The typed tables.
    places : mapping of (tree, core) to int
        Row of every core.
    findings : Findings
        Receives faults.

    Returns
    -------
    numpy.ndarray of bool, shape (m,)
        Which cores have points.
    """
    code = rows_of_cores(points, places, findings)
    _ring_on_core(points, cores, code, findings)
    ring = points.numbers("ring")
    for core in np.unique(code[code >= 0]):
        rows = np.flatnonzero(code == core)
        marks, ends = int((ring[rows] >= 1).sum()), int((ring[rows] == 0).sum())
        if marks < LEAST_POINTS:
            got, need = f"{marks} points on rings", f"at least {LEAST_POINTS} points for a circle"
            findings.at_rows(points, rows[:1], "ring", [(got, need, "Add points or remove these.")])
        if ends != 1:
            got, need = f"{ends} rows with ring 0", "one row with ring 0, the inner end of the core"
            findings.at_rows(points, rows[:1], "ring", [(got, need, "Give one such row for this core.")])
    return _has_rows(code, len(cores.lines))


def check_rise(table: Table, findings: Findings) -> None:
    """Refuse arcs with a rise of more than half the chord, save for a tenth of reading error.

    Parameters
    ----------
    table : Table
        Table with chord_mm and rise_mm.
    findings : Findings
        Receives the faults.
    """
    chord, rise = table.numbers("chord_mm"), table.numbers("rise_mm")
    rows = np.flatnonzero(rise > RISE_SHARE * chord / 2 + RISE_MM)
    do = "Swap chord and rise if they are exchanged, or measure again."
    texts = [(show(rise[row]), f"at most {chord[row] / 2:g}, half the chord [mm]", do) for row in rows]
    findings.at_rows(table, rows, "rise_mm", texts)


def _ring_on_core(table: Table, cores: Table, code: NDArray[np.int64], findings: Findings) -> None:
    ring = table.numbers("ring")
    counted = np.where(code >= 0, cores.numbers("rings_counted")[code], np.nan)
    rows = np.flatnonzero(ring > counted)
    do = "Count the ring from the inner end, 1 = innermost."
    texts = [(show(ring[row]), f"at most rings_counted {counted[row]:g} [rings]", do) for row in rows]
    findings.at_rows(table, rows, "ring", texts)


def _has_rows(code: NDArray[np.int64], cores: int) -> NDArray[np.bool_]:
    has = np.zeros(cores, dtype=bool)
    has[code[code >= 0]] = True
    return has
