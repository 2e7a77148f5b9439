"""Checks each core: its row against itself, its arcs and points, its length against its rings and its stem.

Own derivation; tolerances are choices and stand beside their names.
"""

from __future__ import annotations

import numpy as np

from treeage import priors
from treeage.errors import Findings, Words, show
from treeage.schema import (
    FEWEST_POINTS,
    MEAN_WIDTH,
    RING_WIDTH,
    InnerEnd,
    OuterEnd,
    horizontal_share,
    ratio_slip,
    unit_named,
    width_slip,
)
from treeage.tables.columns import Flags, FloatArray, TypedTable
from treeage.tables.rings import Ints, Places, RingBlocks, rows_of_cores

RISE_SHARE, RISE_MM = 1.1, 0.05  # choice: a half circle read with error may have a rise that much above half its chord
NEEDS = (  # a column that says nothing without the other
    ("chord_mm", "rise_mm"),
    ("rise_mm", "chord_mm"),
    ("ray_gap_mm", "ray_angle_deg"),
    ("ray_angle_deg", "ray_gap_mm"),
    ("inner_width_mm", "inner_width_rings"),
)
IDLE = (  # a column that is not used without the other
    ("circle_step_mm", "circle_radius_mm"),
    ("ray_angle_sd_deg", "ray_gap_mm"),
    ("distance_sd_mm", "distance_mm"),
)
DOUBLE_FACTOR = 3.0  # choice: distances to one pith that differ by more are a fault
DOUBLE_MM = 5.0  # choice: but never below this difference
SURE_RISE = 3.0  # choice: a rise of so many reading errors tells a distance
SLACK_AT_CORE, SLACK_AT_BREAST = 1.05, 1.20  # choice: stems are not round, and taper between the two heights
PAST_PITH = 1.6  # choice: a core longer than so many radii went past the pith
SHORT_FAULT, SHORT_NOTE = 0.2, 0.5  # choice: a core near the pith is seldom shorter than half a radius, and below a
# fifth it is a fault when another unit would explain it
BARK_SHARE = (0.005, 0.20)  # single bark as a share of the diameter; practice range for barks of all kinds
SLOW_MM = 0.2  # choice: a mean ring narrower than this, if the tree is not known as very slow, is a wrong count
ALIKE_TREES = 3  # choice: fewer trees with one odd ratio of core to radius may be chance
ALIKE_LOG = (
    0.3  # choice: half of the range of the log ratios that still is one ratio; eccentric stems differ by so much
)
OPEN_REACH = 0.6  # choice: share of the radius that cores reach that show neither pith nor arcs
_DIAMETER_SLIPS = (
    (1 / np.pi, "This looks like girth in {column}: move it to the column girth_cm, or divide it by 3.1416."),
    (0.1, "This looks like millimetres in {column}: divide by 10."),
)
DIAMETER_RATIO = (0.7, 2.5)  # choice: diameter at the core over diameter at breast height


def ratio(over: FloatArray, under: FloatArray) -> FloatArray:
    """One column over another, without a warning where that is no number."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        return over / under


# ------------------------------------------------------------------ arcs and points


def check_arcs(arcs: TypedTable, cores: TypedTable, places: Places, findings: Findings) -> Flags:
    """Check the table of arcs; tells which cores have an arc."""
    code = rows_of_cores(arcs, places, findings)
    _ring_on_core(arcs, cores, code, findings)
    _rise(arcs, findings)
    chord, rise, ring = arcs.numbers("chord_mm"), arcs.numbers("rise_mm"), arcs.numbers("ring")
    same = (cores.numbers("chord_mm")[code] == chord) & (cores.numbers("rise_mm")[code] == rise)
    do = "Remove this row or empty chord_mm and rise_mm of the cores table: the arc would count twice."

    def twice(row: int) -> Words:
        got = f"chord {chord[row]:g} and rise {rise[row]:g} mm, as in the cores table"
        return got, "each arc in one table", do

    findings.at_rows(arcs, (code >= 0) & (ring == 1) & same, "rise_mm", twice)
    return _has_rows(code, len(cores))


def check_points(points: TypedTable, cores: TypedTable, places: Places, findings: Findings) -> Flags:
    """Check the table of digitised points; tells which cores have points."""
    code = rows_of_cores(points, places, findings)
    _ring_on_core(points, cores, code, findings)
    ring = points.numbers("ring")
    for core in np.unique(code[code >= 0]):
        rows = np.flatnonzero(code == core)
        marks, ends = int((ring[rows] >= 1).sum()), int((ring[rows] == 0).sum())
        if marks < FEWEST_POINTS:
            got, need = f"{marks} points on rings", f"at least {FEWEST_POINTS} points for a circle"
            findings.at_rows(points, rows[:1], "ring", (got, need, "Add points or remove these."))
        if ends != 1:
            got, need = f"{ends} rows with ring 0", "one row with ring 0, the inner end of the core"
            findings.at_rows(points, rows[:1], "ring", (got, need, "Give one such row for this core."))
    return _has_rows(code, len(cores))


def _rise(table: TypedTable, findings: Findings) -> None:
    """Refuse arcs with a rise of more than half the chord, save for a tenth of reading error."""
    chord, rise = table.numbers("chord_mm"), table.numbers("rise_mm")
    do = "Swap chord and rise if they are exchanged, or measure again."

    def too_high(row: int) -> Words:
        return show(rise[row]), f"at most {chord[row] / 2:g}, half the chord [mm]", do

    findings.at_rows(table, rise > RISE_SHARE * chord / 2 + RISE_MM, "rise_mm", too_high)


def _ring_on_core(table: TypedTable, cores: TypedTable, code: Ints, findings: Findings) -> None:
    ring = table.numbers("ring")
    counted = np.where(code >= 0, cores.numbers("rings_counted")[code], np.nan)
    do = "Count the ring from the inner end, 1 = innermost."

    def not_there(row: int) -> Words:
        return show(ring[row]), f"at most rings_counted {counted[row]:g} [rings]", do

    findings.at_rows(table, ring > counted, "ring", not_there)


def _has_rows(code: Ints, cores: int) -> Flags:
    has = np.zeros(cores, dtype=bool)
    has[code[code >= 0]] = True
    return has


# ------------------------------------------------------------------ the row of a core


def check_cores(cores: TypedTable, marked: Flags, findings: Findings) -> None:
    """Check the rows of the table of cores; `marked` are those with rows in the tables of arcs or points."""
    for name, partner in NEEDS:
        _half_entry(cores, name, partner, findings)
    for name, partner in IDLE:
        _idle_entry(cores, name, partner, findings)
    _rise(cores, findings)
    _inner_rings(cores, findings)
    _pith(cores, marked, findings)
    _outer_end(cores, findings)
    for name, distance in _distances(cores).items():
        _double_entry(cores, name, distance, findings)
    _outer_years(cores, findings)


def _has_measure(cores: TypedTable) -> Flags:
    """Cores with something in their own row that tells the distance: arc, template circle, rays or a reading."""
    arc, rays = cores.filled("chord_mm", "rise_mm"), cores.filled("ray_gap_mm", "ray_angle_deg")
    return arc | rays | cores.filled("circle_radius_mm") | cores.filled("distance_mm")


def _half_entry(cores: TypedTable, name: str, partner: str, findings: Findings) -> None:
    values = cores.numbers(name)

    def half(row: int) -> Words:
        got = f"an empty cell beside {name} {show(values[row])}"
        return got, f"{partner} with {name}", f"Fill {partner}, or empty {name}."

    lone = cores.filled(name) & ~cores.filled(partner) & ~findings.at_fault(cores, partner)
    findings.at_rows(cores, lone, partner, half)


def _idle_entry(cores: TypedTable, name: str, partner: str, findings: Findings) -> None:
    if name not in cores.given:
        return
    values = cores.numbers(name)
    need, do = f"{partner} with {name}", f"Fill {partner}, or empty {name}; alone it is not used."
    idle = cores.filled(name) & ~cores.filled(partner)
    findings.at_rows(cores, idle, name, lambda row: (show(values[row]), need, do), note=True)


def _inner_rings(cores: TypedTable, findings: Findings) -> None:
    inner, counted = cores.numbers("inner_width_rings"), cores.numbers("rings_counted")

    def too_many(row: int) -> Words:
        return show(inner[row]), f"at most rings_counted {counted[row]:g} [rings]", "Correct one of them."

    findings.at_rows(cores, (inner > counted) & cores.filled("inner_width_mm"), "inner_width_rings", too_many)


def _pith(cores: TypedTable, marked: Flags, findings: Findings) -> None:
    """Check inner_end against what was measured: pith with a distance, no pith at 0 mm, arcs without a measurement."""
    ends, distance = cores.words("inner_end"), cores.numbers("distance_mm")
    pith, measured = ends == InnerEnd.PITH, _has_measure(cores) | marked
    need = "0 or an empty cell where inner_end is pith [mm]"
    do = "Write arcs in inner_end if the pith is not on the core, or empty distance_mm."
    findings.at_rows(cores, pith & (distance > 0), "distance_mm", lambda row: (show(distance[row]), need, do))
    words = (
        "pith with an arc, circle, rays or points",
        "nothing to measure where the pith is on the core",
        "Write arcs if the pith is not on the core; otherwise the measurement is not used.",
    )
    findings.at_rows(cores, pith & measured & ~(distance >= 0), "inner_end", words, note=True)

    def no_distance(row: int) -> Words:
        got, need = f"0 with inner_end {ends[row]}", "above 0 where the pith is not seen [mm]"
        return got, need, "Write pith in inner_end if the pith is on the core."

    findings.at_rows(cores, ~pith & (ends != "") & (distance == 0), "distance_mm", no_distance, note=True)
    words = (
        "arcs without a measurement",
        "an arc, circle, rays, points or a distance beside arcs",
        "Measure one, or the core is treated like one without arcs.",
    )
    findings.at_rows(cores, (ends == InnerEnd.ARCS) & ~measured, "inner_end", words, note=True)


def _outer_end(cores: TypedTable, findings: Findings) -> None:
    ends, lost = cores.words("outer_end"), cores.numbers("outer_lost")
    do = "Write lost in outer_end, or empty outer_lost."

    def not_lost(row: int) -> Words:
        return show(lost[row]), f"0 where outer_end is {ends[row]} [rings]", do

    findings.at_rows(cores, (lost > 0) & (ends != OuterEnd.LOST) & (ends != ""), "outer_lost", not_lost)
    words = (
        "no number for a lost outer end",
        "the number of lost rings [rings]",
        "Estimate it with its sd, or the age lacks the lost rings.",
    )
    findings.at_rows(cores, (ends == OuterEnd.LOST) & ~(lost > 0), "outer_lost", words, note=True)


def _distances(cores: TypedTable) -> dict[str, FloatArray]:
    """Distances [mm] that the other entries of a row give, where they are sharp enough to be compared."""
    chord, rise, error = (cores.numbers(name) for name in ("chord_mm", "rise_mm", "arc_sd_mm"))
    sure = rise > SURE_RISE * np.where(np.isnan(error), priors.ARC_SD.value, error)
    arc = np.where(sure, ratio(chord**2, 8 * rise) + rise / 2, np.nan)
    rays = ratio(cores.numbers("ray_gap_mm") / 2, np.tan(np.radians(cores.numbers("ray_angle_deg")) / 2))
    return {"arc": arc, "circle": cores.numbers("circle_radius_mm"), "rays": rays}


def _double_entry(cores: TypedTable, name: str, other: FloatArray, findings: Findings) -> None:
    distance = cores.numbers("distance_mm")
    both = (distance > 0) & ~np.isnan(other)
    low, high = np.fmin(distance, other), np.fmax(distance, other)
    far = both & (high > DOUBLE_FACTOR * low) & (high - low > DOUBLE_MM)

    def apart(row: int) -> Words:
        do = f"Measure again, and empty distance_mm or the {name}: one of them is wrong."
        return show(distance[row]), f"near the {other[row]:.3g} mm of the {name}", do

    def alike(row: int) -> Words:
        do = "Empty distance_mm if it was worked out from the same reading; both are used as two readings."
        return show(distance[row]), f"one entry; the {name} gives {other[row]:.3g} [mm]", do

    findings.at_rows(cores, far, "distance_mm", apart)
    findings.at_rows(cores, both & ~far, "distance_mm", alike, note=True)


def _outer_years(cores: TypedTable, findings: Findings) -> None:
    years, ends = cores.numbers("outer_year"), cores.texts("outer_end")
    first: dict[str, int] = {}
    found: dict[int, Words] = {}
    for row, tree in enumerate(cores.texts("tree")):
        if ends[row] == OuterEnd.LOST or np.isnan(years[row]):
            continue
        other = first.setdefault(tree, row)
        if years[row] != years[other]:
            need = f"{years[other]:g} as in row {cores.lines[other]}, where both cores end at the bark"
            found[row] = (show(years[row]), need, "Check it, or write lost in outer_end.")
    findings.at_rows(cores, list(found), "outer_year", found.__getitem__, note=True)


# ------------------------------------------------------------------ sizes


def check_bark(trees: TypedTable, findings: Findings) -> None:
    """Check bark and the two diameters of each tree."""
    diameter, bark = _stem_diameter_mm(trees), trees.numbers("bark_mm")
    do = "Check the unit of both; bark_mm is the thickness of one side."

    def too_thick(row: int) -> Words:
        return show(bark[row]), f"below {diameter[row] / 2:g}, half the diameter [mm]", do

    findings.at_rows(trees, bark >= diameter / 2, "bark_mm", too_thick)
    share, (low, high) = ratio(bark, diameter), BARK_SHARE

    def odd_bark(row: int) -> Words:
        thin = "This looks like centimetres: check the unit."
        do = thin if share[row] < low else "Check that it is one side in millimetres."
        need = f"mostly {100 * low:g} to {100 * high:g} % of the diameter {diameter[row]:g} [mm]"
        return show(bark[row]), need, do

    odd = (bark > 0) & ((share < low) | ((share > high) & (share < 0.5)))
    findings.at_rows(trees, odd, "bark_mm", odd_bark, note=True)
    _two_diameters(trees, findings)


def _two_diameters(trees: TypedTable, findings: Findings) -> None:
    dbh, at_core = trees.numbers("dbh_cm"), trees.numbers("core_diameter_cm")
    times = ratio(at_core, dbh)
    for row in np.flatnonzero((times < DIAMETER_RATIO[0]) | (times > DIAMETER_RATIO[1])):
        one, other = float(at_core[row]), float(dbh[row])
        units = {"core_diameter_cm": ratio_slip(one, other, "cm"), "dbh_cm": ratio_slip(other, one, "cm")}
        named = [f"{unit_named(slip)} in {column}" for column, slip in units.items() if slip]
        do = f"{named[0]}: check the unit." if named else "Check both diameters."
        # a swollen base is as much wider as an inch is longer than a centimetre: only decimal slips are sure
        sure = bool(named) and "inches" not in named[0]
        words = (show(one), f"near dbh_cm {other:g} [cm]", do)
        findings.at_rows(trees, [int(row)], "core_diameter_cm", words, note=not sure)


def _stem_diameter_mm(trees: TypedTable) -> FloatArray:
    """Diameter outside bark nearest to the core: core_diameter_cm where there is one, otherwise dbh_cm, in mm."""
    at_core, dbh = trees.numbers("core_diameter_cm"), trees.numbers("dbh_cm")
    return 10 * np.where(np.isnan(at_core), dbh, at_core)


def check_sizes(trees: TypedTable, cores: TypedTable, blocks: RingBlocks, marked: Flags, findings: Findings) -> None:
    """Check the length of each core against its rings and its stem.

    `marked` are the cores with rows in the tables of arcs or points.
    """
    places = {name: place for place, name in reversed(list(enumerate(trees.texts("tree"))))}
    owner = np.array([places.get(name, -1) for name in cores.texts("tree")], dtype=np.int64)
    outside = np.where(owner >= 0, _stem_diameter_mm(trees)[owner], np.nan)
    bark = np.where(owner >= 0, np.nan_to_num(trees.numbers("bark_mm"))[owner], 0.0)
    radius = outside / 2 - bark
    radius[~(radius > 0)] = np.nan
    at_core = (owner >= 0) & trees.filled("core_diameter_cm")[owner]
    written = cores.numbers("core_length_mm")
    length = np.where(np.isnan(written), blocks.length_mm, written)
    _mean_widths(cores, written, findings)
    across = length * horizontal_share(np.nan_to_num(cores.numbers("tilt_deg")))
    _too_long(cores, across, radius, np.where(at_core, SLACK_AT_CORE, SLACK_AT_BREAST), findings)
    near = np.isin(cores.words("inner_end"), (InnerEnd.PITH, InnerEnd.ARCS))
    _too_short(cores, across, radius, near, findings)
    far = (across > 2 * SLACK_AT_BREAST * radius) | (near & (across < SHORT_FAULT * radius))
    _wrong_diameters(trees, np.where(far, owner, -1), across, radius, findings)
    _girths(trees, owner, near, across, radius, findings)
    _with_distance(cores, across, radius, findings)
    for name, reading in _distances(cores).items():
        _with_reading(cores, name, reading, (across, radius), findings)
    _minimum_only(cores, length, outside, marked, findings)


def _mean_widths(cores: TypedTable, length: FloatArray, findings: Findings) -> None:
    counted = cores.numbers("rings_counted")
    mean = length / counted
    usual = RING_WIDTH.holds(mean)
    for row in np.flatnonzero(~np.isnan(mean) & ~usual):
        unit = unit_named(width_slip(float(mean[row])))
        do = f"{unit}: check core_length_mm and rings_counted." if unit else "Check both."
        need = f"a length of rings {RING_WIDTH.text('mm')} wide; these are {mean[row]:.3g}"
        possible = bool(MEAN_WIDTH.holds(mean[row]))
        findings.at_rows(cores, [int(row)], "core_length_mm", (show(length[row]), need, do), note=possible)

    def slow(row: int) -> Words:
        need, do = f"mostly rings at least {SLOW_MM:g} mm wide", "Check rings_counted and core_length_mm."
        return f"{counted[row]:g} on {length[row]:g} mm, {mean[row]:.2g} mm a ring", need, do

    findings.at_rows(cores, usual & (mean < SLOW_MM), "rings_counted", slow, note=True)


def _too_long(cores: TypedTable, across: FloatArray, radius: FloatArray, slack: FloatArray, findings: Findings) -> None:
    limit = 2 * radius * slack

    def past_stem(row: int) -> Words:
        do = _slips(float(across[row]), float(radius[row])) or "Check the length, the ring widths and the diameter."
        return f"a core {across[row]:.4g} mm long", f"at most the stem inside bark, {2 * radius[row]:.4g} [mm]", do

    def past_pith(row: int) -> Words:
        do = "If it went past the pith, give only the length and rings up to the pith."
        return f"a core {across[row]:.4g} mm long", f"mostly up to the radius {radius[row]:.4g} [mm]", do

    findings.at_rows(cores, across > limit, "core_length_mm", past_stem)
    findings.at_rows(cores, (across > PAST_PITH * radius) & ~(across > limit), "core_length_mm", past_pith, note=True)


def _too_short(cores: TypedTable, across: FloatArray, radius: FloatArray, near: Flags, findings: Findings) -> None:
    ends = cores.texts("inner_end")
    for row in np.flatnonzero(near & (across < SHORT_NOTE * radius)):
        slips = _slips(float(across[row]), float(radius[row]))
        fault = bool(slips) and across[row] < SHORT_FAULT * radius[row]
        do = slips if fault else "Check the length and the diameter, or an eccentric stem."
        end = "the pith" if ends[row] == InnerEnd.PITH else "arcs"
        got = f"a core {across[row]:.4g} mm long that ends at {end}"
        need = f"a length near the radius inside bark, {radius[row]:.4g} [mm]"
        findings.at_rows(cores, [int(row)], "core_length_mm", (got, need, do), note=not fault)


def _wrong_diameters(
    trees: TypedTable, owner: Ints, across: FloatArray, radius: FloatArray, findings: Findings
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
        findings.at_rows(trees, [int(tree)], column, (got, need, do))


def _girths(
    trees: TypedTable, owner: Ints, near: Flags, across: FloatArray, radius: FloatArray, findings: Findings
) -> None:
    """Say of the trees of a folder, or of a plot, that their diameters are girths, or millimetres.

    Cores that end near the pith are as long as the radius; where all of them are 1/pi of it, the radius is that of a
    girth (2 pi r written for 2 r). Cores that end elsewhere are as a rule shorter, so they only raise a question.
    """
    with np.errstate(divide="ignore"):
        reach = np.log(ratio(across, radius))
    plots, at_core = trees.words("plot"), trees.filled("core_diameter_cm")
    groups = [np.ones(len(trees), dtype=bool), *(plots == plot for plot in sorted(set(plots) - {""}))]
    for group in groups[: 1 if len(groups) == 2 else None]:
        mine = (owner >= 0) & np.isfinite(reach) & group[owner]
        for sure, some in ((True, mine & near), (False, mine & ~near)):
            found = np.unique(owner[some])
            own = np.array([reach[some & (owner == tree)].max() for tree in found])
            looks = _looks_like(own, sure=sure)
            if not looks:
                continue
            column = "core_diameter_cm" if at_core[found].mean() > 0.5 else "dbh_cm"
            got = (
                f"{'cores that end near the pith' if sure else 'cores'} {np.exp(np.median(own)):.2g} of the radius long"
            )
            got += f", in {found.size} trees{'' if group.all() else f' of plot {plots[found[0]]}'}"
            words = (got, "cores about as long as the radius inside bark", looks.format(column=column))
            findings.at_rows(trees, found[:1], column, words, note=not sure)
            if group.all():
                return


def _looks_like(reach: FloatArray, *, sure: bool) -> str:
    """What diameters were probably written as, from the log of core length over radius of each tree; or nothing."""
    if (
        reach.size < ALIKE_TREES
        or np.ptp(np.sort(reach)[reach.size // 10 : reach.size - reach.size // 10]) > 2 * ALIKE_LOG
    ):
        return ""
    middle, short = float(np.median(reach)), 0.0 if sure else np.log(OPEN_REACH)
    for slip, advice in _DIAMETER_SLIPS:
        if np.log(slip) + short - ALIKE_LOG <= middle <= np.log(slip) + ALIKE_LOG:
            return advice
    return ""


def _slips(across: float, radius: float) -> str:
    """Name the unit slips in the diameter or in the core that would make the core reach the centre."""
    stem = unit_named(ratio_slip(radius / 5, across / 5, "cm"))  # mm of radius / 5 = cm of diameter
    core = unit_named(ratio_slip(across, radius, "mm"))
    named = [f"{slip} in the {place}" for slip, place in ((stem, "diameter"), (core, "core")) if slip]
    return ", or ".join(named).replace(", or This", ", or this") + ": check the units." if named else ""


def _with_distance(cores: TypedTable, across: FloatArray, radius: FloatArray, findings: Findings) -> None:
    distance = cores.numbers("distance_mm")

    def past_stem(row: int) -> Words:
        need = f"at most {2 * radius[row] - across[row]:.4g}, what the core leaves of the stem [mm]"
        slip = ratio_slip(float(distance[row]), float(radius[row] - across[row]), "mm")
        return show(distance[row]), need, slip or "Check the distance, the length of the core and the diameter."

    beyond = (distance > 0) & (across <= 2 * radius) & (across + distance > 2 * radius * SLACK_AT_BREAST)
    findings.at_rows(cores, beyond, "distance_mm", past_stem)


def _with_reading(
    cores: TypedTable, name: str, distance: FloatArray, stem: tuple[FloatArray, FloatArray], findings: Findings
) -> None:
    """Point at readings whose pith lies outside the stem: a fault where it would whatever the core, else a note."""
    across, radius = stem
    column = {"arc": "rise_mm", "circle": "circle_radius_mm", "rays": "ray_angle_deg"}[name]
    written, widest = cores.numbers(column), 2 * radius * SLACK_AT_BREAST

    def outside(row: int) -> Words:
        got = f"{written[row]:g}, a pith {distance[row]:.4g} mm away by the {name}"
        need = f"at most {2 * radius[row] - np.fmax(across[row], 0.0):.4g}, what is left of the stem [mm]"
        return got, need, "Check the reading, the length of the core and the diameter; one of them is wrong."

    sure = distance > widest * (SURE_RISE / (SURE_RISE - 1) if name == "arc" else 1.0)  # one error too low
    beyond = (distance > widest - across) & (across <= 2 * radius)
    findings.at_rows(cores, sure, column, outside)
    findings.at_rows(cores, beyond & ~sure, column, outside, note=True)


def _minimum_only(
    cores: TypedTable, length: FloatArray, diameter: FloatArray, marked: Flags, findings: Findings
) -> None:
    ends = cores.words("inner_end")
    need = "a diameter and a core length, to tell how much is missing"
    lacks = {"core length": np.isnan(length), "diameter": np.isnan(diameter)}

    def nothing_tells(row: int) -> Words:
        missing = " or ".join(name for name, empty in lacks.items() if empty[row])
        do = f"Measure the {missing.replace(' or ', ' and the ')}, or of the tree only the rings counted are known."
        return f"{ends[row]} without {missing}", need, do

    open_end = (ends != InnerEnd.PITH) & (ends != "") & ~_has_measure(cores) & ~marked
    findings.at_rows(cores, open_end & (np.isnan(length) | np.isnan(diameter)), "inner_end", nothing_tells, note=True)
