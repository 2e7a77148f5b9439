"""Checks the ring table core by core and completes it with both ring number and year.

Here too: which core a row of the ring, arc or point table belongs to. Own derivation; tolerances are choices and stand
beside their names.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from treeage.errors import Findings, Words, show
from treeage.schema import MEAN_WIDTH, RING_WIDTH, Dating, OuterEnd, innermost_year, ratio_slip, unit_named, width_slip
from treeage.tables.columns import FloatArray, TypedTable
from treeage.tables.settings import Settings

LONGER_SHARE, SHORTER_SHARE, LENGTH_MM = 0.05, 0.15, 2.0  # choice: the sum of widths may exceed the length of the
# core by 5 % and 2 mm, and fall short by 15 % and 2 mm (widths measured across the rings of an oblique core)
LENGTH_FACTOR = 1.5  # choice: a sum of widths longer than the core by more than this is a fault
INNER_FACTOR = 3.0  # choice: inner_width_mm against the ring table, fault beyond
INNER_SHARE = 0.25  # choice: the same, note beyond
COUNTED = (Dating.LAB_COUNT, Dating.FIELD_COUNT)  # words for cores that were not matched with others
COPY_RINGS = 10  # choice: series of at least so many equal widths are asked about

Ints = NDArray[np.int64]
Places = Mapping[tuple[str, str], int]  # row of each core in the table of cores


# ------------------------------------------------------------------ rows and their cores


def core_places(cores: TypedTable) -> dict[tuple[str, str], int]:
    """Row of every core; of the first, where a name repeats."""
    return {pair: place for place, pair in reversed(list(enumerate(cores.cores())))}


def rows_of_cores(table: TypedTable, places: Places, findings: Findings) -> Ints:
    """Core of every row of a table, -1 where there is none; one fault for each core that is not there."""
    pairs = table.cores()
    code = np.array([places.get(pair, -1) for pair in pairs], dtype=np.int64)
    lost: dict[tuple[str, str], list[int]] = {}
    for row in np.flatnonzero(code < 0).tolist():
        lost.setdefault(pairs[row], []).append(row)
    named = {pair: rows for pair, rows in lost.items() if all(pair)}
    if not named or not any(all(pair) for pair in places):
        return code  # where the table of cores has no names, that one fault is already told
    alike = {_bare_pair(pair): pair for pair in places}

    def lost_core(row: int) -> Words:
        tree, core = pairs[row]
        near, rows = alike.get(_bare_pair(pairs[row])), len(named[pairs[row]])
        do = f"Did you mean tree {near[0]}, core {near[1]}?" if near else "Add the core or correct the names."
        got = f"tree {tree}, core {core}" + (f" in {rows} rows" if rows > 1 else "")
        return got, "a core of the cores table", do

    findings.at_rows(table, [rows[0] for rows in named.values()], "core", lost_core)
    return code


def _bare_pair(pair: tuple[str, str]) -> tuple[str, str]:
    return bare_name(pair[0]), bare_name(pair[1])


def bare_name(name: str) -> str:
    """Drop what a spreadsheet or a tired hand changes: case, spaces, leading zeros, a trailing .0."""
    plain = re.sub(r"[\s_\-]+", "", name.casefold())
    return re.sub(r"(?<!\d)0+(?=\d)", "", re.sub(r"^(\d+)\.0$", r"\1", plain))


# ------------------------------------------------------------------ the ring table


@dataclass(frozen=True)
class RingBlocks:
    """What the ring table says about each core that has rings; one block each."""

    core: Ints  # (k,) row in the table of cores
    first: FloatArray  # (k,) innermost ring number
    last: FloatArray  # (k,) outermost ring number
    start: Ints  # (k,) where the block begins in the sorted ring table
    stop: Ints  # (k,) and ends
    length_mm: FloatArray  # (m,) sum of widths of every core of the table of cores, NaN without rings

    @classmethod
    def none(cls, cores: int) -> RingBlocks:
        """No block, and no length for any core: a field without a ring table."""
        whole, real = np.zeros(0, dtype=np.int64), np.zeros(0)
        return cls(whole, real, real, whole, whole, np.full(cores, np.nan))

    def spans(self) -> Iterator[tuple[int, int, int]]:
        """Core, start and stop of every block."""
        return zip(self.core.tolist(), self.start.tolist(), self.stop.tolist(), strict=True)


def check_rings(
    rings: TypedTable, cores: TypedTable, places: Places, settings: Settings, findings: Findings
) -> tuple[TypedTable, RingBlocks]:
    """Check the ring table; without faults it comes back sorted by core and ring, with both ring and year."""
    before = len(findings.faults)
    code = rows_of_cores(rings, places, findings)
    ring = _ring_numbers(rings, cores, code, findings)
    usable = (code >= 0) & ~np.isnan(ring)
    order = np.lexsort((ring, code))
    order = order[usable[order]]
    table = replace(rings, frame=rings.frame.iloc[order].reset_index(drop=True), lines=rings.lines[order])
    code, ring = code[order], ring[order]
    blocks = _blocks(table, code, ring, len(cores))
    _contiguous(table, code, ring, blocks, findings)
    _against_count(table, cores, blocks, findings)
    _widths(table, cores, blocks, settings, findings)
    _absent_rings(table, cores, blocks, findings)
    _copies(table, blocks, findings)
    inner = _inner_years(cores)
    if len(findings.faults) > before or np.isnan(inner[code]).any() or len(table) < len(rings):
        return rings, blocks
    whole = ring.astype(np.int64)
    frame = table.frame.assign(ring=whole, year=inner[code].astype(np.int64) + whole - 1)
    return replace(table, frame=frame), blocks


def _inner_years(cores: TypedTable) -> FloatArray:
    """Ring year of the innermost counted ring of every core."""
    return innermost_year(cores.numbers("outer_year"), cores.numbers("rings_counted"))


def _ring_numbers(rings: TypedTable, cores: TypedTable, code: Ints, findings: Findings) -> FloatArray:
    """Number of every ring, from its year where it has no number."""
    ring, year = rings.numbers("ring"), rings.numbers("year")
    if rings.given & {"ring", "year"}:
        words = ("neither ring nor year", "a ring number or a ring year", "Fill one of them.")
        findings.at_rows(rings, np.isnan(ring) & np.isnan(year), "ring", words)
    else:
        need, do = "a column ring (1 = innermost counted) or year", "Add one of them."
        findings.fault(rings.file, "neither ring nor year", need, do, column="ring")
    first_year = np.where(code >= 0, _inner_years(cores)[code], np.nan)
    by_year = year - first_year + 1
    apart = np.flatnonzero(~np.isnan(ring) & ~np.isnan(by_year) & (ring != by_year))

    def other_year(row: int) -> Words:
        more = int((code[apart] == code[row]).sum()) - 1
        got = f"ring {ring[row]:g} with year {year[row]:g}" + (f" and {more} more such rows" if more else "")
        need = f"year {first_year[row] + ring[row] - 1:g} (outer_year - rings_counted + ring)"
        return got, need, "Correct ring, year, outer_year or rings_counted, or leave one column out."

    findings.at_rows(rings, _first_of_core(apart, code), "year", other_year)
    return np.where(np.isnan(ring), by_year, ring)


def _first_of_core(rows: Ints, code: Ints) -> Ints:
    """The first of the rows of each core."""
    return rows[np.unique(code[rows], return_index=True)[1]]


def _blocks(table: TypedTable, code: Ints, ring: FloatArray, cores: int) -> RingBlocks:
    if not len(code):
        return RingBlocks.none(cores)
    start = np.flatnonzero(np.r_[True, code[1:] != code[:-1]]).astype(np.int64)
    stop = np.r_[start[1:], len(code)].astype(np.int64)
    length = np.full(cores, np.nan)
    length[code[start]] = np.add.reduceat(table.numbers("width_mm"), start)
    return RingBlocks(code[start], ring[start], ring[stop - 1], start, stop, length)


def _contiguous(table: TypedTable, code: Ints, ring: FloatArray, blocks: RingBlocks, findings: Findings) -> None:
    step = np.r_[1.0, np.diff(ring)]
    step[blocks.start] = 1.0
    broken = np.flatnonzero(step != 1)
    column = "ring" if "ring" in table.given else "year"
    values = ring if column == "ring" else table.numbers("year")

    def broken_at(row: int) -> Words:
        more = int((code[broken] == code[row]).sum()) - 1
        tail = f" and {more} more such places in this core" if more else ""
        need = f"each {column} once, without gaps"
        if step[row] == 0:
            return f"{column} {values[row]:g} twice{tail}", need, "Remove or correct one."
        do = "Add the rings between (a locally absent ring has width 0), or end the table of this core before them."
        return f"{column} {values[row]:g} after {values[row - 1]:g}{tail}", need, do

    findings.at_rows(table, _first_of_core(broken, code), column, broken_at)


def _against_count(table: TypedTable, cores: TypedTable, blocks: RingBlocks, findings: Findings) -> None:
    counted, outer = cores.numbers("rings_counted")[blocks.core], cores.numbers("outer_year")[blocks.core]
    inner, size = _inner_years(cores)[blocks.core], blocks.last - blocks.first + 1
    for at in np.flatnonzero((blocks.first != 1) & ~np.isnan(counted)):
        column, got, need = "ring", f"{blocks.first[at]:g} as the innermost ring", "1 as the innermost ring"
        do = (
            "Number the rings from 1, the innermost counted, and add what is missing, or remove the rings of this core."
        )
        if "ring" not in table.given:
            column, got = "year", f"{inner[at] + blocks.first[at] - 1:g} as the innermost year"
            need = f"{inner[at]:g}, which is outer_year {outer[at]:g} - rings_counted {counted[at]:g} + 1"
            do = "Correct rings_counted or outer_year, or mend the table."
        findings.at_rows(table, [int(blocks.start[at])], column, (got, need, do))
    for at in np.flatnonzero((blocks.first == 1) & (blocks.last > counted)):
        got, need = f"{size[at]:g} rings", f"at most rings_counted {counted[at]:g} [rings]"
        do = f"Correct rings_counted to {size[at]:g} (the pith is not a ring), or mend the table."
        findings.at_rows(table, [int(blocks.stop[at]) - 1], "ring", (got, need, do))
    do = "Check that the table ends where you mean; the count and not the table is used for the age."
    growing = cores.words("outer_end")[blocks.core] == OuterEnd.INCOMPLETE  # its last ring may have no width yet
    found: dict[int, Words] = {}
    for at in np.flatnonzero((blocks.first == 1) & (counted - blocks.last > np.where(growing, 1, 0))):
        found[int(blocks.stop[at]) - 1] = (f"{size[at]:g} rings", f"rings_counted {counted[at]:g} [rings]", do)
    findings.at_rows(table, list(found), "ring", found.__getitem__, note=True)


def _widths(table: TypedTable, cores: TypedTable, blocks: RingBlocks, settings: Settings, findings: Findings) -> None:
    total = blocks.length_mm[blocks.core]
    mean = total / np.maximum(blocks.stop - blocks.start, 1)
    length = cores.numbers("core_length_mm")[blocks.core]
    whole = blocks.last >= cores.numbers("rings_counted")[blocks.core]
    fresh = total / (1 - settings.shrinkage_percent / 100)
    for at, row in enumerate(blocks.start.tolist()):
        if _usable_mean(table, row, float(mean[at]), findings) and not np.isnan(length[at]):
            short = bool(whole[at] and fresh[at] < (1 - SHORTER_SHARE) * length[at] - LENGTH_MM)
            if short or total[at] > (1 + LONGER_SHARE) * length[at] + LENGTH_MM:
                _sum_and_length(table, row, float(total[at]), float(length[at]), bool(whole[at]), findings)
    inner_rings = cores.numbers("inner_width_rings")
    widths = table.numbers("width_mm")
    stated = cores.filled("inner_width_mm", "inner_width_rings")
    for core, start, stop in blocks.spans():
        if stated[core]:
            inner = widths[start:stop][: int(inner_rings[core])]
            measured = inner[~np.isnan(inner)]
            _inner_width(cores, core, float(measured.mean()) if measured.size else 0.0, findings)


def _usable_mean(table: TypedTable, row: int, mean: float, findings: Findings) -> bool:
    """Whether the mean width [mm] of the core whose rings begin at a row is that of a tree."""
    if np.isnan(mean) or RING_WIDTH.holds(mean):
        return not np.isnan(mean)
    possible = bool(MEAN_WIDTH.holds(mean))
    words = (f"a mean of {mean:.3g}", f"a mean width of {RING_WIDTH.text('mm')}", width_slip(mean) or "Check the unit.")
    findings.at_rows(table, [row], "width_mm", words, note=possible)
    return possible


def _sum_and_length(table: TypedTable, row: int, total: float, length: float, whole: bool, findings: Findings) -> None:
    """Report a sum of widths that does not fit the length of its core [mm]."""
    do = "Check both; only a core that ends in rot or runs askew to its rings is longer than they are."
    if total > length:
        do = "Check both: the rings cannot be longer than the core."
    named = _slip_between(total, length) if whole else ""
    words = (f"widths that add to {total:.4g}", f"a sum near core_length_mm {length:g} [mm]", named or do)
    findings.at_rows(table, [row], "width_mm", words, note=total <= LENGTH_FACTOR * length and not named)


def _slip_between(total: float, length: float) -> str:
    for name, value, expected in (("width_mm", total, length), ("core_length_mm", length, total)):
        unit = unit_named(ratio_slip(value, expected, "mm"))
        if unit:
            return f"{unit} in {name}: check the unit."
    return ""


def _inner_width(cores: TypedTable, row: int, table_mm: float, findings: Findings) -> None:
    written = float(cores.numbers("inner_width_mm")[row])
    if not table_mm > 0 or abs(written / table_mm - 1) <= INNER_SHARE:
        return
    near = max(written / table_mm, table_mm / written) <= INNER_FACTOR
    do = ratio_slip(written, table_mm, "mm") or "Correct it, or leave it empty: the ring table serves."
    words = (show(written), f"near the ring table's {table_mm:.3g} [mm]", do)
    findings.at_rows(cores, [row], "inner_width_mm", words, note=near)


def _absent_rings(table: TypedTable, cores: TypedTable, blocks: RingBlocks, findings: Findings) -> None:
    dating, widths = cores.texts("dating"), table.numbers("width_mm")
    need = "absent rings only where rings were matched with other trees"
    do = "Write crossdated if they were found that way, or remove them and correct rings_counted."
    found: dict[int, Words] = {}
    for core, start, stop in blocks.spans():
        zeros = np.flatnonzero(widths[start:stop] == 0)
        if zeros.size and dating[core] in COUNTED:
            got = f"{zeros.size} rings of width 0 on a core with {dating[core]}"
            found[start + int(zeros[0])] = (got, need, do)
    findings.at_rows(table, list(found), "width_mm", found.__getitem__, note=True)


def _copies(table: TypedTable, blocks: RingBlocks, findings: Findings) -> None:
    widths = table.numbers("width_mm")
    seen: dict[bytes, int] = {}
    found: dict[int, Words] = {}
    for _, start, stop in blocks.spans():
        if stop - start < COPY_RINGS:
            continue
        first = seen.setdefault(widths[start:stop].tobytes(), start)
        if first != start:
            got = f"the same {stop - start} widths as {table.item(first)}"
            found[start] = (got, "each core its own widths", "Check whether a series was copied or a name swapped.")
    findings.at_rows(table, list(found), "width_mm", found.__getitem__, note=True)
