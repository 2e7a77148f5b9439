"""Checks the typed tables against each other and against what is possible.

Layer 1, part of the family of `tables`. Own derivation; faults stop the run, notes go to the report.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from treeage.table_findings import Findings, Table
from treeage.table_settings import Settings


def check_tables(
    tables: Mapping[str, Table], settings: Settings, findings: Findings, today: int
) -> dict[str, Table]:
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
    if "rings" in tables and "cores" in tables:
        checked["rings"] = _complete(tables["rings"], tables["cores"])
    return checked


def _complete(rings: Table, cores: Table) -> Table:
    places = {
        key: place for place, key in enumerate(zip(cores.texts("tree"), cores.texts("core"), strict=True))
    }
    pairs = zip(rings.texts("tree"), rings.texts("core"), strict=True)
    code = np.array([places.get(pair, -1) for pair in pairs], dtype=np.int64)
    inner = cores.numbers("outer_year") - cores.numbers("rings_counted") + 1
    ring, year = rings.numbers("ring"), rings.numbers("year")
    ring = np.where(np.isnan(ring), year - inner[code] + 1, ring)
    order = np.lexsort((ring, code))
    frame = rings.frame.assign(ring=ring.astype(np.int64), year=(inner[code] + ring - 1).astype(np.int64))
    return replace(rings, frame=frame.iloc[order].reset_index(drop=True), lines=rings.lines[order])
