"""Checks each row of the table of cores against itself: half entries, contradictions, double entries.

Own derivation; tolerances are choices and stand beside their names.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from treeage.errors import Findings, Table, show
from treeage.schema import NARROWEST_MEAN_MM, RING_WIDTH, WIDEST_MEAN_MM, ratio_slip, unit_named, width_slip
from treeage.tables.rings import RingBlocks, rows_of_cores

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
