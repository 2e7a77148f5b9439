"""Checks the ring table core by core and completes it with both ring number and year.

Layer 1, part of the family of `tables`. Own derivation; tolerances are choices and stand beside their names.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from treeage.errors import show
from treeage.table_findings import Findings, Table
from treeage.table_ids import rows_of_cores
from treeage.table_settings import Settings
from treeage.table_units import RING_WIDTH, ratio_slip, unit_named, width_slip

WIDEST_MEAN_MM, NARROWEST_MEAN_MM = 20.0, 0.02  # choice: no core of a tree has a mean ring width beyond these
LONGER_SHARE, SHORTER_SHARE, LENGTH_MM = 0.05, 0.15, 2.0  # choice: the sum of widths may exceed the length of the
# core by 5 % and 2 mm, and fall short by 15 % and 2 mm (widths measured across the rings of an oblique core)
LENGTH_FACTOR = 1.5  # choice: a sum of widths longer than the core by more than this is a fault
INNER_FACTOR = 3.0  # choice: inner_width_mm against the ring table, fault beyond
INNER_SHARE = 0.25  # choice: the same, note beyond
COPY_RINGS = 10  # choice: series of at least so many equal widths are asked about


@dataclass(frozen=True)
class RingBlocks:
    """What the ring table says about each core.

    Parameters
    ----------
    core : numpy.ndarray of int, shape (k,)
        Row in the table of cores, one block each.
    first, last : numpy.ndarray, shape (k,)
        Innermost and outermost ring number.
    start, stop : numpy.ndarray of int, shape (k,)
        Where the block lies in the sorted ring table.
    length_mm : numpy.ndarray, shape (m,)
        Sum of widths of every core of the table of cores, NaN without rings.
    """

    core: NDArray[np.int64]
    first: NDArray[np.float64]
    last: NDArray[np.float64]
    start: NDArray[np.int64]
    stop: NDArray[np.int64]
    length_mm: NDArray[np.float64]

    @classmethod
    def none(cls, cores: int) -> RingBlocks:
        """Make the blocks of a field without a ring table.

        Parameters
        ----------
        cores : int
            Number of cores.

        Returns
        -------
        RingBlocks
            No block, and no length for any core.

        Examples
        --------
        >>> RingBlocks.none(2).length_mm.tolist()
        [nan, nan]
        """
        whole, real = np.zeros(0, dtype=np.int64), np.zeros(0)
        return cls(whole, real, real, whole, whole, np.full(cores, np.nan))


def check_rings(
    rings: Table, cores: Table, places: Mapping[tuple[str, str], int], settings: Settings, findings: Findings
) -> tuple[Table, RingBlocks]:
    """Check the ring table and complete it.

    Parameters
    ----------
    rings, cores : Table
        The typed tables.
    places : mapping of (tree, core) to int
        Row of every core.
    settings : Settings
        Gives the shrinkage.
    findings : Findings
        Receives faults and notes.

    Returns
    -------
    rings : Table
        Sorted by core and ring, with both ring and year; unchanged when there are faults.
    blocks : RingBlocks
        One block for each core with rings.
    """
    before = len(findings.faults)
    code = rows_of_cores(rings, places, findings)
    ring = _ring_numbers(rings, cores, code, findings)
    usable = (code >= 0) & ~np.isnan(ring)
    order = np.lexsort((ring, code))
    order = order[usable[order]]
    table = replace(rings, frame=rings.frame.iloc[order].reset_index(drop=True), lines=rings.lines[order])
    code, ring = code[order], ring[order]
    blocks = _blocks(table, code, ring, len(cores.lines))
    _contiguous(table, code, ring, blocks, findings)
    _against_count(table, cores, blocks, findings)
    _widths(table, cores, blocks, settings, findings)
    _absent_rings(table, cores, blocks, findings)
    _copies(table, blocks, findings)
    if len(findings.faults) > before:
        return rings, blocks
    inner = cores.numbers("outer_year") - cores.numbers("rings_counted") + 1
    if np.isnan(inner[code]).any() or len(table.lines) < len(rings.lines):
        return rings, blocks
    whole = ring.astype(np.int64)
    frame = table.frame.assign(ring=whole, year=inner[code].astype(np.int64) + whole - 1)
    return replace(table, frame=frame), blocks


def _ring_numbers(rings: Table, cores: Table, code: NDArray[np.int64], findings: Findings) -> NDArray[np.float64]:
    ring, year = rings.numbers("ring"), rings.numbers("year")
    rows = np.flatnonzero(np.isnan(ring) & np.isnan(year))
    if rings.given & {"ring", "year"}:
        texts = [("neither ring nor year", "a ring number or a ring year", "Fill one of them.")] * len(rows)
        findings.at_rows(rings, rows, "ring", texts)
    else:
        need, do = "a column ring (1 = innermost counted) or year", "Add one of them."
        findings.fault(rings.file, "neither ring nor year", need, do, column="ring")
    inner = cores.numbers("outer_year") - cores.numbers("rings_counted") + 1
    first_year = np.where(code >= 0, inner[code], np.nan)
    by_year = year - first_year + 1
    rows = np.flatnonzero(~np.isnan(ring) & ~np.isnan(by_year) & (ring != by_year))
    _, one = np.unique(code[rows], return_index=True)
    texts = []
    for row in rows[one]:
        right = first_year[row] + ring[row] - 1
        count = int((code[rows] == code[row]).sum())
        got = f"ring {ring[row]:g} with year {year[row]:g}" + (f" and {count - 1} more such rows" if count > 1 else "")
        need = f"year {right:g} (outer_year - rings_counted + ring)"
        texts.append((got, need, "Correct ring, year, outer_year or rings_counted, or leave one column out."))
    findings.at_rows(rings, rows[one], "year", texts)
    return np.where(np.isnan(ring), by_year, ring)


def _blocks(table: Table, code: NDArray[np.int64], ring: NDArray[np.float64], cores: int) -> RingBlocks:
    if not len(code):
        return RingBlocks.none(cores)
    start = np.flatnonzero(np.r_[True, code[1:] != code[:-1]]).astype(np.int64)
    stop = np.r_[start[1:], len(code)].astype(np.int64)
    length = np.full(cores, np.nan)
    length[code[start]] = np.add.reduceat(table.numbers("width_mm"), start)
    return RingBlocks(code[start], ring[start], ring[stop - 1], start, stop, length)


def _contiguous(
    table: Table, code: NDArray[np.int64], ring: NDArray[np.float64], blocks: RingBlocks, findings: Findings
) -> None:
    step = np.r_[1.0, np.diff(ring)]
    step[blocks.start] = 1.0
    rows = np.flatnonzero(step != 1)
    _, one = np.unique(code[rows], return_index=True)
    column = "ring" if "ring" in table.given else "year"
    values = table.numbers(column)
    texts = []
    for row in rows[one]:
        more = int((code[rows] == code[row]).sum()) - 1
        tail = f" and {more} more such places in this core" if more else ""
        if step[row] == 0:
            got, do = f"{column} {values[row]:g} twice{tail}", "Remove or correct one."
        else:
            got = f"{column} {values[row]:g} after {values[row - 1]:g}{tail}"
            do = "Add the rings between; a locally absent ring has width 0."
        texts.append((got, f"each {column} once, without gaps", do))
    findings.at_rows(table, rows[one], column, texts)


def _against_count(table: Table, cores: Table, blocks: RingBlocks, findings: Findings) -> None:
    counted, outer = cores.numbers("rings_counted")[blocks.core], cores.numbers("outer_year")[blocks.core]
    ends = np.array(cores.texts("outer_end"), dtype=object)[blocks.core]
    inner = outer - counted + 1
    by_year = "ring" not in table.given
    for at in np.flatnonzero((blocks.first != 1) & ~np.isnan(counted)):
        row = int(blocks.start[at])
        column, got, need = "ring", f"{blocks.first[at]:g} as the innermost ring", "1 as the innermost ring"
        if by_year:
            column, got = "year", f"{inner[at] + blocks.first[at] - 1:g} as the innermost year"
            need = f"{inner[at]:g}, which is outer_year {outer[at]:g} - rings_counted {counted[at]:g} + 1"
        do = "Correct rings_counted or outer_year, or mend the table."
        findings.at_rows(table, [row], column, [(got, need, do)])
    size = blocks.last - blocks.first + 1
    for at in np.flatnonzero((blocks.first == 1) & (blocks.last > counted)):
        got, need = f"{size[at]:g} rings", f"at most rings_counted {counted[at]:g} [rings]"
        do = f"Correct rings_counted to {size[at]:g} (the pith is not a ring), or mend the table."
        findings.at_rows(table, [int(blocks.stop[at]) - 1], "ring", [(got, need, do)])
    short = counted - blocks.last
    allowed = np.where(ends == "incomplete", 1, 0)
    rows = np.flatnonzero((blocks.first == 1) & (short > allowed))
    do = "Check that the table ends where you mean; the count and not the table is used for the age."
    notes = [(f"{size[at]:g} rings", f"rings_counted {counted[at]:g} [rings]", do) for at in rows]
    findings.at_rows(table, blocks.stop[rows] - 1, "ring", notes, note=True)


def _widths(table: Table, cores: Table, blocks: RingBlocks, settings: Settings, findings: Findings) -> None:
    total = blocks.length_mm[blocks.core]
    mean = total / np.maximum(blocks.stop - blocks.start, 1)
    length = cores.numbers("core_length_mm")[blocks.core]
    counted = cores.numbers("rings_counted")[blocks.core]
    for at in range(len(blocks.core)):
        row = int(blocks.start[at])
        usable = _mean_width(table, row, float(mean[at]), findings)
        if usable and not np.isnan(length[at]):
            complete = bool(blocks.last[at] >= counted[at])
            shrinkage = settings.shrinkage_percent / 100
            _sum_and_length(table, row, float(total[at]), float(length[at]), complete, shrinkage, findings)
    inner_mm = cores.numbers("inner_width_mm")[blocks.core]
    inner_rings = cores.numbers("inner_width_rings")[blocks.core]
    widths = table.numbers("width_mm")
    for place in np.flatnonzero(~np.isnan(inner_mm) & ~np.isnan(inner_rings)):
        at = int(place)
        inner = float(np.nanmean(widths[blocks.start[at] : blocks.stop[at]][: int(inner_rings[at])]))
        _inner_width(cores, int(blocks.core[at]), float(inner_mm[at]), inner, findings)


def _mean_width(table: Table, row: int, mean: float, findings: Findings) -> bool:
    if np.isnan(mean) or RING_WIDTH.holds(mean):
        return not np.isnan(mean)
    beyond = not NARROWEST_MEAN_MM <= mean <= WIDEST_MEAN_MM
    need = f"a mean width of {RING_WIDTH.text('mm')}"
    do = width_slip(mean) or "Check the unit."
    findings.at_rows(table, [row], "width_mm", [(f"a mean of {mean:.3g}", need, do)], note=not beyond)
    return not beyond


def _sum_and_length(
    table: Table, row: int, total: float, length: float, complete: bool, shrinkage: float, findings: Findings
) -> None:
    fresh = total / (1 - shrinkage)
    too_long = total > (1 + LONGER_SHARE) * length + LENGTH_MM
    if not too_long and (fresh >= (1 - SHORTER_SHARE) * length - LENGTH_MM or not complete):
        return
    got, need = f"widths that add to {total:.4g}", f"a sum near core_length_mm {length:g} [mm]"
    do = "Check both; only a core that ends in rot or runs askew to its rings is longer than they are."
    if total > length:
        do = "Check both: the rings cannot be longer than the core."
    named = _slip_between(total, length) if complete else ""
    fault = total > LENGTH_FACTOR * length or bool(named)
    findings.at_rows(table, [row], "width_mm", [(got, need, named or do)], note=not fault)


def _slip_between(total: float, length: float) -> str:
    pairs = {"width_mm": (total, length), "core_length_mm": (length, total)}
    for name, (value, expected) in pairs.items():
        unit = unit_named(ratio_slip(value, expected, "mm"))
        if unit:
            return f"{unit} in {name}: check the unit."
    return ""


def _inner_width(cores: Table, row: int, written: float, table_mm: float, findings: Findings) -> None:
    if not table_mm > 0 or abs(written / table_mm - 1) <= INNER_SHARE:
        return
    ratio = max(written / table_mm, table_mm / written)
    do = ratio_slip(written, table_mm, "mm") or "Correct it, or leave it empty: the ring table serves."
    need = f"near the ring table's {table_mm:.3g} [mm]"
    findings.at_rows(cores, [row], "inner_width_mm", [(show(written), need, do)], note=ratio <= INNER_FACTOR)


def _absent_rings(table: Table, cores: Table, blocks: RingBlocks, findings: Findings) -> None:
    dating = cores.texts("dating")
    widths = table.numbers("width_mm")
    rows, notes = [], []
    for core, start, stop in zip(blocks.core, blocks.start, blocks.stop, strict=True):
        zeros = np.flatnonzero(widths[start:stop] == 0)
        if len(zeros) and dating[int(core)] in ("lab_count", "field_count"):
            rows.append(int(start) + int(zeros[0]))
            got = f"{len(zeros)} rings of width 0 on a core with {dating[int(core)]}"
            do = "Write crossdated if they were found that way, or remove them and correct rings_counted."
            notes.append((got, "absent rings only where rings were matched with other trees", do))
    findings.at_rows(table, rows, "width_mm", notes, note=True)


def _copies(table: Table, blocks: RingBlocks, findings: Findings) -> None:
    widths = table.numbers("width_mm")
    seen: dict[bytes, int] = {}
    rows, notes = [], []
    for start, stop in zip(blocks.start.tolist(), blocks.stop.tolist(), strict=True):
        series = widths[start:stop]
        if len(series) < COPY_RINGS:
            continue
        first = seen.setdefault(series.tobytes(), start)
        if first != start:
            rows.append(start)
            got = f"the same {len(series)} widths as {table.item(first)}"
            notes.append((got, "each core its own widths", "Check whether a series was copied or a name swapped."))
    findings.at_rows(table, rows, "width_mm", notes, note=True)
