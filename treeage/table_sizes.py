"""Checks lengths of cores against the stem they came from, and bark against the stem.

Layer 1, part of the family of `tables`. Own derivation; tolerances are choices and stand beside their names.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from treeage.errors import show
from treeage.table_cores import has_measure
from treeage.table_findings import Findings, Table
from treeage.table_rings import NARROWEST_MEAN_MM, WIDEST_MEAN_MM, RingBlocks
from treeage.table_units import RING_WIDTH, ratio_slip, unit_named, width_slip

SLACK_AT_CORE, SLACK_AT_BREAST = 1.05, 1.20  # choice: stems are not round, and taper between the two heights
PAST_PITH = 1.6  # choice: a core longer than so many radii went past the pith
SHORT_FAULT, SHORT_NOTE = 0.2, 0.5  # choice: a core near the pith is seldom shorter than half a radius, and below a
# fifth it is a fault when another unit would explain it
BARK_SHARE = (0.005, 0.20)  # single bark as a share of the diameter; practice range for barks of all kinds
SLOW_MM = 0.2  # choice: a mean ring narrower than this, if the tree is not known as very slow, is a wrong count
DIAMETER_RATIO = (0.7, 2.5)  # choice: diameter at the core over diameter at breast height


def check_bark(trees: Table, findings: Findings) -> None:
    """Check bark and the two diameters of each tree.

    Parameters
    ----------
    trees : Table
        The typed table.
    findings : Findings
        Receives faults and notes.
    """
    diameter = stem_diameter_mm(trees)
    bark = trees.numbers("bark_mm")
    rows = np.flatnonzero(bark >= diameter / 2)
    do = "Check the unit of both; bark_mm is the thickness of one side."
    texts = [(show(bark[row]), f"below {diameter[row] / 2:g}, half the diameter [mm]", do) for row in rows]
    findings.at_rows(trees, rows, "bark_mm", texts)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        share = bark / diameter
    low, high = BARK_SHARE
    rows = np.flatnonzero((bark > 0) & ((share < low) | ((share > high) & (share < 0.5))))
    need = f"mostly {100 * low:g} to {100 * high:g} % of the diameter {{:g}} [mm]"
    do = "Check that it is one side in millimetres."
    advice = {True: "This looks like centimetres: check the unit.", False: do}
    notes = [(show(bark[row]), need.format(diameter[row]), advice[bool(share[row] < low)]) for row in rows]
    findings.at_rows(trees, rows, "bark_mm", notes, note=True)
    dbh, at_core = trees.numbers("dbh_cm"), trees.numbers("core_diameter_cm")
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        ratio = at_core / dbh
    for row in np.flatnonzero((ratio < DIAMETER_RATIO[0]) | (ratio > DIAMETER_RATIO[1])):
        at_base = unit_named(ratio_slip(float(at_core[row]), float(dbh[row]), "cm"))
        at_breast = unit_named(ratio_slip(float(dbh[row]), float(at_core[row]), "cm"))
        named = [f"{slip} in {name}" for slip, name in ((at_base, "core_diameter_cm"), (at_breast, "dbh_cm")) if slip]
        do = f"{named[0]}: check the unit." if named else "Check both diameters."
        text = (show(at_core[row]), f"near dbh_cm {dbh[row]:g} [cm]", do)
        # a swollen base is as much wider as an inch is longer than a centimetre: only decimal slips are sure
        sure = bool(named) and "inches" not in named[0]
        findings.at_rows(trees, [int(row)], "core_diameter_cm", [text], note=not sure)


def stem_diameter_mm(trees: Table) -> NDArray[np.float64]:
    """Diameter outside bark nearest to the core.

    Parameters
    ----------
    trees : Table
        The typed table.

    Returns
    -------
    numpy.ndarray, shape (n,)
        core_diameter_cm where there is one, otherwise dbh_cm, in mm.
    """
    at_core, dbh = trees.numbers("core_diameter_cm"), trees.numbers("dbh_cm")
    return 10 * np.where(np.isnan(at_core), dbh, at_core)


def check_sizes(trees: Table, cores: Table, blocks: RingBlocks, marked: NDArray[np.bool_], findings: Findings) -> None:
    """Check the length of each core against its rings and its stem.

    Parameters
    ----------
    trees, cores : Table
        The typed tables.
    blocks : RingBlocks
        Sums of ring widths.
    marked : numpy.ndarray of bool, shape (m,)
        Which cores have rows in the tables of arcs or points.
    findings : Findings
        Receives faults and notes.
    """
    places = {name: place for place, name in reversed(list(enumerate(trees.texts("tree"))))}
    owner = np.array([places.get(name, -1) for name in cores.texts("tree")], dtype=np.int64)
    outside = np.where(owner >= 0, stem_diameter_mm(trees)[owner], np.nan)
    bark = np.where(owner >= 0, np.nan_to_num(trees.numbers("bark_mm"))[owner], 0.0)
    radius = outside / 2 - bark
    radius[~(radius > 0)] = np.nan
    at_core = ~np.isnan(np.where(owner >= 0, trees.numbers("core_diameter_cm")[owner], np.nan))
    written = cores.numbers("core_length_mm")
    length = np.where(np.isnan(written), blocks.length_mm, written)
    _mean_widths(cores, written, findings)
    across = length * np.cos(np.radians(np.nan_to_num(cores.numbers("tilt_deg"))))
    _too_long(cores, across, radius, np.where(at_core, SLACK_AT_CORE, SLACK_AT_BREAST), findings)
    _too_short(cores, across, radius, findings)
    near = np.isin(np.array(cores.texts("inner_end"), dtype=object), ("pith", "arcs"))
    far = (across > 2 * SLACK_AT_BREAST * radius) | (near & (across < SHORT_FAULT * radius))
    _wrong_diameters(trees, np.where(far, owner, -1), across, radius, findings)
    _with_distance(cores, across, radius, findings)
    _minimum_only(cores, np.isnan(length) | np.isnan(outside), marked, findings)


def _mean_widths(cores: Table, length: NDArray[np.float64], findings: Findings) -> None:
    mean = length / cores.numbers("rings_counted")
    for row in np.flatnonzero(~np.isnan(mean) & ~RING_WIDTH.holds(mean)):
        beyond = not NARROWEST_MEAN_MM <= mean[row] <= WIDEST_MEAN_MM
        need = f"a length of rings {RING_WIDTH.text('mm')} wide; these are {mean[row]:.3g}"
        slip = unit_named(width_slip(float(mean[row])))
        do = f"{slip}: check core_length_mm and rings_counted." if slip else "Check both."
        text = (show(length[row]), need, do)
        findings.at_rows(cores, [int(row)], "core_length_mm", [text], note=not beyond)
    rows = np.flatnonzero(RING_WIDTH.holds(mean) & (mean < SLOW_MM))
    need, do = f"mostly rings at least {SLOW_MM:g} mm wide", "Check rings_counted and core_length_mm."
    counted = cores.numbers("rings_counted")
    notes = [(f"{counted[row]:g} on {length[row]:g} mm, {mean[row]:.2g} mm a ring", need, do) for row in rows]
    findings.at_rows(cores, rows, "rings_counted", notes, note=True)


def _too_long(
    cores: Table,
    across: NDArray[np.float64],
    radius: NDArray[np.float64],
    slack: NDArray[np.float64],
    findings: Findings,
) -> None:
    limit = 2 * radius * slack
    for row in np.flatnonzero(across > limit):
        do = _slips(float(across[row]), float(radius[row])) or "Check the length, the ring widths and the diameter."
        got = f"a core {across[row]:.4g} mm long"
        need = f"at most the stem inside bark, {2 * radius[row]:.4g} [mm]"
        findings.at_rows(cores, [int(row)], "core_length_mm", [(got, need, do)])
    rows = np.flatnonzero((across > PAST_PITH * radius) & ~(across > limit))
    do = "If it went past the pith, give only the length and rings up to the pith."
    notes = [
        (f"a core {across[row]:.4g} mm long", f"mostly up to the radius {radius[row]:.4g} [mm]", do) for row in rows
    ]
    findings.at_rows(cores, rows, "core_length_mm", notes, note=True)


def _too_short(cores: Table, across: NDArray[np.float64], radius: NDArray[np.float64], findings: Findings) -> None:
    ends = np.array(cores.texts("inner_end"), dtype=object)
    near = (ends == "pith") | (ends == "arcs")
    for row in np.flatnonzero(near & (across < SHORT_NOTE * radius)):
        slips = _slips(float(across[row]), float(radius[row]))
        fault = across[row] < SHORT_FAULT * radius[row] and slips != ""
        do = slips if fault else "Check the length and the diameter, or an eccentric stem."
        got = f"a core {across[row]:.4g} mm long that ends at {'the pith' if ends[row] == 'pith' else 'arcs'}"
        need = f"a length near the radius inside bark, {radius[row]:.4g} [mm]"
        findings.at_rows(cores, [int(row)], "core_length_mm", [(got, need, do)], note=not fault)


def _wrong_diameters(
    trees: Table, owner: NDArray[np.int64], across: NDArray[np.float64], radius: NDArray[np.float64], findings: Findings
) -> None:
    """Point at the diameter itself where two or more cores of a tree agree on the unit it was written in."""
    for tree in np.unique(owner[owner >= 0]):
        at = np.flatnonzero((owner == tree) & ~np.isnan(across) & ~np.isnan(radius))
        units = {unit_named(ratio_slip(radius[row] / 5, across[row] / 5, "cm")) for row in at}
        if at.size < 2 or len(units) > 1 or not all(units):
            continue
        column = "dbh_cm" if np.isnan(trees.numbers("core_diameter_cm")[tree]) else "core_diameter_cm"
        got = show(trees.numbers(column)[tree])
        need = f"about {np.mean(across[at]) / 5:.3g}, twice the length of its {at.size} cores [cm]"
        do = f"{units.pop()}: check its unit first, then that of the cores."
        findings.at_rows(trees, [int(tree)], column, [(got, need, do)])


def _slips(across: float, radius: float) -> str:
    """Name the unit slips in the diameter or in the core that would make the core reach the centre."""
    stem = unit_named(ratio_slip(radius / 5, across / 5, "cm"))  # mm of radius / 5 = cm of diameter
    core = unit_named(ratio_slip(across, radius, "mm"))
    named = [f"{slip} in the {place}" for slip, place in ((stem, "diameter"), (core, "core")) if slip]
    return ", or ".join(named).replace(", or This", ", or this") + ": check the units." if named else ""


def _with_distance(cores: Table, across: NDArray[np.float64], radius: NDArray[np.float64], findings: Findings) -> None:
    distance = cores.numbers("distance_mm")
    rows = np.flatnonzero((distance > 0) & (across <= 2 * radius) & (across + distance > 2 * radius * SLACK_AT_BREAST))
    do = "Check the distance, the length of the core and the diameter."
    texts = []
    for row in rows:
        need = f"at most {2 * radius[row] - across[row]:.4g}, what the core leaves of the stem [mm]"
        slip = ratio_slip(float(distance[row]), float(radius[row] - across[row]), "mm")
        texts.append((show(distance[row]), need, slip or do))
    findings.at_rows(cores, rows, "distance_mm", texts)


def _minimum_only(cores: Table, blind: NDArray[np.bool_], marked: NDArray[np.bool_], findings: Findings) -> None:
    ends = np.array(cores.texts("inner_end"), dtype=object)
    open_end = (ends != "pith") & (ends != "") & ~has_measure(cores) & ~marked
    rows = np.flatnonzero(open_end & blind)
    need = "a diameter and a core length, to tell how much is missing"
    do = "Measure them, or of the tree only the rings counted are known."
    notes = [(f"{ends[row]} without diameter or length", need, do) for row in rows]
    findings.at_rows(cores, rows, "inner_end", notes, note=True)
