"""The columns of the field tables as text for a screen: one column after the other, with unit, range and meaning.

Layer 0, part of the family of `schema`. Own derivation.
"""

from __future__ import annotations

import textwrap

from treeage.errors import Fault, InputError
from treeage.schema import INPUT_TABLES, OUTPUT_TABLES, REQUIRED_TABLES, Column, columns, nearest

_ONE_ROW = {
    "trees": "one row a tree",
    "cores": "one row a core",
    "rings": "one row a ring with its width",
    "arcs": "one row an arc, for cores with several arcs",
    "points": "one row a digitised point of a ring boundary",
    "seedlings": "one row a young tree",
    "events": "one row a known event",
    "ages": "written by treeage estimate: one row a tree",
}
_FOOT = "* One value for the whole table can stand under [defaults] of field.toml in place of the column."


def columns_text(table: str = "", *, width: int = 100) -> str:
    """Say what each column of the field tables holds.

    Parameters
    ----------
    table : str, optional
        One of the input tables or ages; all of them when left out.
    width : int, default 100
        Characters of a line.

    Returns
    -------
    str
        For each table a heading and its columns in their order: name, what a cell must hold with range and unit,
        whether it is needed, what an empty cell stands for, and the meaning.

    Raises
    ------
    InputError
        If there is no such table; the nearest name is suggested.

    Examples
    --------
    >>> print(columns_text("events", width=80))
    events.csv: one row a known event (the file is optional)
    <BLANKLINE>
      year    needed: a whole number from -10000 to 10000 [year]; usual 1000 to 2100
              Year of the event.
      event   needed: text
              Name of the event, short enough for a figure.
      note    text
              Where the date comes from.
    """
    tables = INPUT_TABLES + OUTPUT_TABLES
    name = table.removesuffix(".csv")
    if name and name not in tables:
        near = nearest(name, tables)
        do = f"Did you mean {near}?" if near else "Name a table, or none for all."
        raise InputError(Fault(table, f"one of {', '.join(tables)}", do, "treeage columns", 0, "TABLE"))
    chosen = (name,) if name else tables
    parts = [_table_text(each, width) for each in chosen]
    if any(item.defaultable for each in chosen for item in columns(each)):
        parts.append(textwrap.fill(_FOOT, width, subsequent_indent="  "))
    return "\n\n".join(parts)


def _table_text(table: str, width: int) -> str:
    need = "" if table in OUTPUT_TABLES else " (needed)" if table in REQUIRED_TABLES else " (the file is optional)"
    own = columns(table)
    margin = max(len(item.name) for item in own) + 5
    lines = [textwrap.fill(f"{table}.csv: {_ONE_ROW[table]}{need}", width, subsequent_indent="  "), ""]
    for item in own:
        head = f"  {item.name}{' *' if item.defaultable else ''}".ljust(margin)
        lines.append(textwrap.fill(_cell(item), width, initial_indent=head, subsequent_indent=" " * margin))
        lines.append(textwrap.fill(item.meaning, width, initial_indent=" " * margin, subsequent_indent=" " * margin))
    return "\n".join(lines)


def _cell(item: Column) -> str:
    """What a cell holds, in a few words."""
    needed = "needed: " if item.required and item.table not in OUTPUT_TABLES else ""
    parts = [needed + ("text" if item.kind == "text" else item.need)]
    if item.plausible is not None:
        parts.append(f"usual {item.plausible.text()}")
    if item.default and item.table not in OUTPUT_TABLES:
        parts.append(f"empty stands for {item.default}")
    return "; ".join(parts)
