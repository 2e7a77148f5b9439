"""Checks the ring table core by core and completes it with both ring number and year.

Own derivation; tolerances are choices and stand beside their names.
"""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from treeage.errors import Findings, Table, show
from treeage.schema import (
    NARROWEST_MEAN_MM,
    RING_WIDTH,
    SETTINGS_FILE,
    WIDEST_MEAN_MM,
    nearest,
    ratio_slip,
    unit_named,
    width_slip,
)
from treeage.tables.settings import Settings

_SLIP_OF_PEN = 0.9  # choice: similarity of two names that differ by a letter; related species share less


def check_ids(tables: Mapping[str, Table], settings: Settings, findings: Findings) -> None:
    """Check the names of trees, cores and species.

    Parameters
    ----------
    tables : mapping of str to Table
        Typed tables by name; any may be absent.
    settings : Settings
        Height models by species.
    findings : Findings
        Receives faults and notes.
    """
    trees, cores = tables.get("trees"), tables.get("cores")
    if trees is not None:
        names = [(name,) for name in trees.texts("tree")]
        _duplicates(trees, names, "tree", findings)
        _near_duplicates(trees, names, "tree", findings)
        species = [(name,) for name in trees.texts("species")]
        _near_duplicates(trees, species, "species", findings)
        _alike_species(trees, findings)
        _species(tables, settings, findings)
    if cores is not None:
        pairs = list(zip(cores.texts("tree"), cores.texts("core"), strict=True))
        _duplicates(cores, pairs, "core", findings)
        _near_duplicates(cores, pairs, "core", findings)
    if trees is not None and cores is not None and "tree" in trees.given:
        _trees_and_cores(trees, cores, findings)


def core_places(cores: Table) -> dict[tuple[str, str], int]:
    """Tell the row of every core.

    Parameters
    ----------
    cores : Table
        The table of cores.

    Returns
    -------
    dict of (tree, core) to int
        Position from 0; of the first, where a name repeats.
    """
    pairs = list(zip(cores.texts("tree"), cores.texts("core"), strict=True))
    return {pair: place for place, pair in reversed(list(enumerate(pairs)))}


def rows_of_cores(table: Table, places: Mapping[tuple[str, str], int], findings: Findings) -> NDArray[np.int64]:
    """Find the core of every row of a ring, arc or point table.

    Parameters
    ----------
    table : Table
        The table.
    places : mapping of (tree, core) to int
        From `core_places`.
    findings : Findings
        Receives one fault for each core that is not there.

    Returns
    -------
    numpy.ndarray of int, shape (n,)
        Row in the table of cores, -1 where there is none.
    """
    pairs = list(zip(table.texts("tree"), table.texts("core"), strict=True))
    code = np.array([places.get(pair, -1) for pair in pairs], dtype=np.int64)
    lost: dict[tuple[str, str], list[int]] = {}
    for row in np.flatnonzero(code < 0).tolist():
        lost.setdefault(pairs[row], []).append(row)
    named = {pair: rows for pair, rows in lost.items() if all(pair)}
    if not any(all(pair) for pair in places):
        named = {}  # the table of cores has no names: one fault, already told
    alike = {_bare_pair(pair): pair for pair in places} if named else {}
    texts = [_lost_core(pair, len(rows), alike.get(_bare_pair(pair))) for pair, rows in named.items()]
    findings.at_rows(table, [rows[0] for rows in named.values()], "core", texts)
    return code


def _lost_core(pair: tuple[str, str], rows: int, near: tuple[str, str] | None) -> tuple[str, str, str]:
    do = f"Did you mean tree {near[0]}, core {near[1]}?" if near else "Add the core or correct the names."
    got = f"tree {pair[0]}, core {pair[1]}" + (f" in {rows} rows" if rows > 1 else "")
    return got, "a core of the cores table", do


def _bare_pair(pair: tuple[str, str]) -> tuple[str, str]:
    return _bare(pair[0]), _bare(pair[1])


def _bare(name: str) -> str:
    """Drop what a spreadsheet or a tired hand changes: case, spaces, leading zeros, a trailing .0."""
    plain = re.sub(r"[\s_\-]+", "", name.casefold())
    return re.sub(r"(?<!\d)0+(?=\d)", "", re.sub(r"^(\d+)\.0$", r"\1", plain))


def _duplicates(table: Table, names: Sequence[tuple[str, ...]], column: str, findings: Findings) -> None:
    first: dict[tuple[str, ...], int] = {}
    rows, texts = [], []
    for row, name in enumerate(names):
        if not all(name):
            continue
        if name in first:
            rows.append(row)
            got = f"{name[-1]} again, as in row {table.lines[first[name]]}"
            texts.append((got, "each name once", "Rename one or remove the row that is there twice."))
        else:
            first[name] = row
    findings.at_rows(table, rows, column, texts)


def _near_duplicates(table: Table, names: Sequence[tuple[str, ...]], column: str, findings: Findings) -> None:
    groups: dict[tuple[str, ...], dict[tuple[str, ...], int]] = {}
    for row, name in enumerate(names):
        plain = tuple(re.sub(r"\s+", "", part.casefold()) for part in name)
        groups.setdefault(plain, {}).setdefault(name, row)
    for variants in groups.values():
        if len(variants) > 1:
            words = [name[-1] if len({other[0] for other in variants}) == 1 else " ".join(name) for name in variants]
            findings.note(
                table.file,
                " and ".join(words),
                "names that differ by more than case or spaces",
                "Make them one name if they are the same.",
                row=int(table.lines[max(variants.values())]),
                column=column,
            )


def _alike_species(trees: Table, findings: Findings) -> None:
    """Ask about a rare species name that is a slip of the pen away from a commoner one."""
    names = [name for name in trees.texts("species") if name]
    first = {name: row for row, name in reversed(list(enumerate(trees.texts("species"))))}
    counts = Counter(names).most_common()
    for place, (name, count) in enumerate(counts):
        others = {other.casefold(): other for other, _ in counts[:place] if _bare(other) != _bare(name)}
        near = difflib.get_close_matches(name.casefold(), others, n=1, cutoff=_SLIP_OF_PEN)
        if near:
            got, do = f"{name} in {count} of {len(names)} trees", f"Did you mean {others[near[0]]}?"
            need = "one spelling for each species"
            findings.note(trees.file, got, need, do, row=int(trees.lines[first[name]]), column="species")


def _trees_and_cores(trees: Table, cores: Table, findings: Findings) -> None:
    names, owners = trees.texts("tree"), cores.texts("tree")
    known, cored = set(names), set(owners) | {""}
    alike = {_bare(name): name for name in names}
    rows = [row for row, name in enumerate(owners) if name and name not in known]
    texts = []
    for row in rows:
        near = alike.get(_bare(owners[row]))
        do = f"Did you mean {near}?" if near else "Add the tree to the trees table or correct the name."
        texts.append((owners[row], "a tree of the trees table", do))
    findings.at_rows(cores, rows, "tree", texts)
    bare = [row for row, name in enumerate(names) if name not in cored]
    do = "Nothing, if it was not cored; it is counted as refused."
    notes = [(names[row], "at least one core", do) for row in bare]
    findings.at_rows(trees, bare, "tree", notes, note=True)


def _species(tables: Mapping[str, Table], settings: Settings, findings: Findings) -> None:
    species = sorted(set(tables["trees"].texts("species")) - {""})
    _unmatched(SETTINGS_FILE, (name for name in settings.height if name != "default"), species, findings)
    if "seedlings" in tables:
        seedlings = tables["seedlings"]
        _unmatched(seedlings.file, dict.fromkeys(seedlings.texts("species")), species, findings)


def _unmatched(file: str, names: Iterable[str], species: list[str], findings: Findings) -> None:
    for name in names:
        if name and name not in species:
            near = nearest(name, species)
            do = f"Did you mean {near}?" if near else "Nothing, if it is meant; no tree uses it."
            findings.note(file, name, "a species of the trees table", do, column="species")


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
