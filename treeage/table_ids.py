"""Checks names: duplicates, near-duplicates, cores without trees, rows without cores, unmatched species.

Layer 1, part of the family of `tables`. Own derivation.
"""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from treeage.schema import SETTINGS_FILE, nearest
from treeage.table_findings import Findings, Table
from treeage.table_settings import Settings

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
