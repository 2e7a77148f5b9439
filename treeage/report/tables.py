"""The tables of a report in the order of the story: which rows, how numbers are written, as HTML, LaTeX and Word.

Numbers are rounded for the eye: whole years, two digits of a probability, three of everything else; files keep all. Own
derivation.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Sequence
from copy import deepcopy
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_numeric_dtype

from treeage.checks import MOST_SAID
from treeage.display import Result, is_binomial, year_text
from treeage.priors import data_rows
from treeage.report.texts import percent, words
from treeage.schema import CORE_HEIGHT
from treeage.stand import seen_cells

if TYPE_CHECKING:
    from treeage.results import Ages

ENDS = ("median", "lo", "hi", "mean", "sd")  # last words of the columns of one quantity
MOST_ROWS = 40  # choice: rows of a table on the page; all of them are in its file
MOST_IN_WORD = 500  # choice: a longer table is no table for a page; LaTeX and CSV hold all rows
SMALLEST = 1e-4  # choice: smaller numbers are written as 0 on the page, in full in the file
STORY = (  # sections of the page, with the figures and tables of each
    ("certainty", ("uncertainty_sources",), ()),
    ("checks", (), ("predictive_checks",)),
    ("sensitivity", ("sensitivity",), ("sensitivity", "sensitivity_trees")),
    ("wood", (), ("ring_events", "crossdating_agreement", "crossdating_places", "counted_cores")),
    ("structure", ("stand_structure", "age_structure"), ("stand_age_structure",)),
    ("recruitment", ("stand_recruitment",), ("stand_recruitment",)),
    ("pulses", ("stand_pulses",), ("stand_pulses", "stand_pulses_unweighted", "stand_pulse_membership")),
    ("events", ("stand_events",), ("stand_events", "stand_trees_after_events")),
    ("origin", ("stand_origin",), ("stand_origin",)),
    ("static", ("stand_static",), ("stand_static_models",)),
    ("diameter", ("stand_diameter",), ("stand_age_from_diameter", "stand_uncored_trees")),
    ("heights", (), ("young_trees_elsewhere", "young_tree_studies")),
    ("rules", (), ("rule_comparison",)),
)
SPECIES_COLUMNS = ("species", "species, plot", "group", "line", "used for")  # whose names print sets in italics
_LATEX = {"&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_", "{": r"\{", "}": r"\}"}
_LATEX |= {"~": r"\textasciitilde{}", "^": r"\textasciicircum{}", "\\": r"\textbackslash{}", "<": r"$<$", ">": r"$>$"}


@dataclass(frozen=True)
class ShownTable:
    """A table as people read it.

    Name of its file without ending; title and caption; titles of the columns and whether each holds text; rows of text;
    which rows these are; names and units of the columns.
    """

    name: str
    title: str
    caption: str
    columns: tuple[tuple[str, bool], ...]
    rows: tuple[tuple[str, ...], ...]
    which: str
    names: tuple[dict[str, str], ...] = ()


def extra_tables(ages: Ages) -> dict[str, pd.DataFrame]:
    """Those of `Ages.extras` that are tables or results with rows, in the order of the story; names are file names."""
    order = {name: at for at, name in enumerate(name for _, _, tables in STORY for name in tables)}
    every = sorted(ages.extras.items(), key=lambda item: (order.get(item[0], len(order)), item[0]))
    made = {name: each.to_frame() if isinstance(each, Result) else each for name, each in every}
    tables = ((name, table) for name, table in made.items() if isinstance(table, pd.DataFrame))
    return {name: table for name, table in tables if len(table) and name.isidentifier()}


def shown_tables(ages: Ages) -> dict[str, ShownTable]:
    """Every table of special steps and of the stand as the page shows it, by name, in the order of the story."""
    found = {}
    for name, table in extra_tables(ages).items():
        rows, which = shown_rows(name, table)
        spans = any(str(column).endswith("_lo") for column in rows)
        level = rows["prob"].iloc[0] if spans and "prob" in rows and rows["prob"].nunique() == 1 else None
        unit = str(rows["unit"].iloc[0]) if "unit" in rows and rows["unit"].nunique() == 1 else ""
        rows = rows.drop(columns=[*["prob"] * (level is not None), *["unit"] * bool(unit)])
        told: list[str] = []
        told += [words("table_note").get(name, "")]
        told += [f"Unit: {unit}."] if unit else []
        told += [f"In brackets: {percent(float(level))} intervals."] if level is not None else []
        title = words("table").get(name, name.replace("_", " ").capitalize())
        columns, cells = _cells(name, rows)
        names = tuple(column_lines(name, [str(column) for column in rows.columns]))
        found[name] = ShownTable(name, title, " ".join(filter(None, told)), columns, cells, which, names)
    return found


def shown_rows(name: str, table: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """Choose the rows of a table that stand on the page, and say which these are.

    The first `MOST_ROWS`; of the sensitivity those of the defaults that matter most; no periods without a tree; of the
    recruitment by year evenly spaced ones over the years of its figure, without the counts by median dates where
    rows are skipped, because those of the rows between would be lost.
    """
    if name == "stand_recruitment":
        part = table.iloc[seen_cells(table["establishment_median"], table["establishment_hi"])]
        every = -(-len(part) // MOST_ROWS)
        if every > 1:
            shown = part.iloc[::every].drop(columns="naive")
            return shown, f"One in {every} rows of the years of the figure; all {len(table)} rows"
        if len(part) < len(table):
            return part, f"All rows of the years of the figure; all {len(table)} rows"
    if name == "stand_age_structure":
        tops = table[[column for column in table.columns if column.endswith(("_hi", "_naive"))]].to_numpy(dtype=float)
        full = table.iloc[np.flatnonzero((tops > 0).any(axis=1))]
        return full, f"Periods with trees; all {len(table)} rows" if len(full) < len(table) else "All rows"
    if name == "sensitivity" and len(table) > 2 * MOST_SAID:
        return table.head(2 * MOST_SAID), f"The {MOST_SAID} defaults that matter most; all {len(table)} rows"
    if len(table) <= MOST_ROWS:
        return table, "All rows"
    return table.head(MOST_ROWS), f"The first {MOST_ROWS} of {len(table)} rows; all"


def _cells(name: str, table: pd.DataFrame) -> tuple[tuple[tuple[str, bool], ...], tuple[tuple[str, ...], ...]]:
    """Columns (title, whether text) and rows, with median and interval of one quantity in one cell."""
    units = {row["quantity"]: row["unit"] for row in data_rows("stand_columns.csv") if row["table"] == name}
    columns: list[tuple[str, bool]] = []
    cells: list[list[str]] = []
    for column in map(str, table.columns):
        stem, _, end = column.rpartition("_")
        whole = {f"{stem}_{part}" for part in ("median", "lo", "hi")} <= set(table.columns)
        if whole and end in ("lo", "hi"):
            continue
        unit = units.get(_quantity(column), units.get(column, ""))
        own = [_cell(value, column, unit) for value in table[column]]
        if whole and end == "median":
            low, high = ([_cell(value, column, unit) for value in table[f"{stem}_{part}"]] for part in ("lo", "hi"))
            own = [f"{one} ({a} to {b})" if one else "" for one, a, b in zip(own, low, high, strict=True)]
        kind = table[column].dtype
        columns.append(
            ((stem if whole else column).replace("_", " "), not is_numeric_dtype(kind) or is_bool_dtype(kind))
        )
        cells.append(own)
    return tuple(columns), tuple(zip(*cells, strict=True))


def _cell(value: Any, column: str, unit: str) -> str:
    """A number for the eye: years whole, two digits of a probability, three of the rest; empty where not known."""
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if not isinstance(value, float):
        return str(value)
    if unit == "year" or (not unit and re.search(r"(^|_)(year|date|begin)(_|$)", column)):
        return year_text(round(value)) if np.isfinite(value) else ""
    if abs(value) < SMALLEST:
        return "0"
    if unit in ("probability", "0 to 1") or re.match(r"p(_|$)|prob", column):
        return f"{value:.2g}"
    if unit == "years":
        return f"{value:.0f}"
    return f"{value:.0f}" if value.is_integer() or abs(value) >= 1000 else f"{value:.3g}"


def column_lines(table: str, columns: Sequence[str]) -> list[dict[str, str]]:
    """Explain the columns of a stand table, those of one quantity together: names (with spaces), unit, meaning.

    In the order of `data/stand_columns.csv`; nothing for other tables.

    Examples
    --------
    >>> column_lines("stand_pulses", ["date_median", "date_lo", "date_hi"])
    [{'names': 'date median, lo, hi', 'unit': 'year', 'meaning': 'when half of the pulse had come, given these pulses'}]
    """
    lines = []
    for row in data_rows("stand_columns.csv"):
        if row["table"] != table.replace("_unweighted", ""):
            continue
        quantity = row["quantity"]
        plain = [name for name in columns if re.sub(r"\d+", "N", name) == quantity]
        ends = dict.fromkeys(_end(name) for name in columns if _quantity(name) == quantity and name not in plain)
        names = ", ".join([quantity, *ends]) if plain else f"{quantity} {', '.join(ends)}"
        if plain or ends:
            lines.append({"names": names.replace("_", " "), "unit": row["unit"], "meaning": row["meaning"]})
    return lines


def _end(name: str) -> str:
    return name.rsplit("_", 1)[-1]


def _quantity(name: str) -> str:
    """Name of the quantity of a column of an interval, with N for a number of years."""
    stem = name.rsplit("_", 1)[0] if _end(name) in ENDS else name
    return re.sub(r"(?<=within_)\d+|(?<=pulse_)\d+", "N", stem)


# ---------------------------------------------------------------------- for a thesis


def age_table(ages: Ages) -> ShownTable:
    """The table of ages with the columns that a thesis prints."""
    alone = len(ages.at_core_height) == len(ages.trees) > 0
    heads = ("Tree", "Species", "Rings counted", "Missed rings", "Pith year", "Established", "Age [years]")
    rows = []
    for row in ages.to_frame().to_dict("records"):
        above = row["date_refers_to"] == CORE_HEIGHT
        age = "age_at_core_height" if above else "age"
        open_end = "+" if "outer_rings_unknown" in str(row["flags"]) else ""
        rows.append((
            str(row["tree"]), str(row["species"]), str(row["rings_counted"]), _span(row, "missed_rings"),
            _span(row, "pith_year", years=True), _span(row, "establishment_year", years=True),
            (_span(row, age) or f"about {row['minimum_age']} or more") + open_end + "*" * (above and not alone),
        ))  # fmt: skip
    note = words("table_note")["ages"].format(level=percent(ages.prob))
    marks = [words("mark")["open_end"]] if any(row[-1].rstrip("*").endswith("+") for row in rows) else []
    marks += [ages.date_note] if ages.date_note else []
    kinds = tuple((head, at < 2) for at, head in enumerate(heads))
    return ShownTable("ages", words("table")["ages"], " ".join([note, *marks]), kinds, tuple(rows), "All rows")


def _span(row: dict[Any, Any], name: str, *, years: bool = False) -> str:
    ends = [row[f"{name}_{part}"] for part in ("median", "lo", "hi")]
    if pd.isna(ends[0]):
        return ""
    middle, low, high = (year_text(int(end)) if years else str(int(end)) for end in ends)
    return f"{middle} ({low} to {high})"


def latex_table(table: ShownTable, number: int) -> bytes:
    """A table for LaTeX (packages booktabs and longtable), with caption and label."""
    form = "".join("l" if text else "r" for _, text in table.columns)
    heads = " & ".join(_latex(title) for title, _ in table.columns)
    slanted = [is_species_column(title) for title, _ in table.columns]
    lines = [
        "% needs \\usepackage{booktabs,longtable}",
        f"\\begin{{longtable}}{{{form}}}",
        f"\\caption{{{_latex(table.title)}. {_latex(table.caption)}}}\\label{{tab:{table.name}}}\\\\",
        f"\\toprule\n{heads} \\\\\n\\midrule\n\\endhead\n\\bottomrule\n\\endfoot",
        *(" & ".join(map(_latex, row, slanted)) + r" \\" for row in table.rows),
        "\\end{longtable}",
    ]
    return ("\n".join([f"% Table {number}", *lines]) + "\n").encode("utf-8")


def is_species_column(title: str) -> bool:
    """Whether a column holds names of species."""
    return title.lower() in SPECIES_COLUMNS


def _latex(text: str, slanted: bool = False) -> str:
    """Text with what LaTeX reads as a command written out, a species in italics."""
    safe = "".join(_LATEX.get(letter, letter) for letter in text)
    return f"\\textit{{{safe}}}" if slanted and is_binomial(text) else safe


def word_tables(tables: Iterable[ShownTable], title: str) -> bytes:
    """All tables in one Word document, each with a numbered caption above it; the same bytes for the same tables."""
    from docx import Document
    from docx.shared import Pt

    made = Document()
    made.core_properties.author, made.core_properties.title = "", title
    made.styles["Normal"].font.size = Pt(9)
    looks: dict[tuple[bool, bool], Any] = {}
    for number, table in enumerate(tables, start=1):
        caption = made.add_paragraph(style="Caption")
        caption.add_run(f"Table {number}. ").bold = True
        caption.add_run(f"{table.title}. {table.caption}")
        rows = table.rows[:MOST_IN_WORD]
        if len(rows) < len(table.rows):
            caption.add_run(f" The first {len(rows)} of {len(table.rows)} rows.")
        grid = made.add_table(rows=len(rows) + 1, cols=len(table.columns), style="Table Grid")
        heads = tuple(head for head, _ in table.columns)
        for at, (line, cells) in enumerate(zip(grid.rows, [heads, *rows], strict=True)):
            for cell, text, head in zip(line.cells, cells, heads, strict=True):
                run = cell.paragraphs[0].add_run(_clean(text))
                look = at == 0, at > 0 and is_species_column(head) and is_binomial(text)
                if look in looks:  # a copy takes a tenth of the time
                    run._r.insert(0, deepcopy(looks[look]))
                else:
                    run.font.size, (run.bold, run.italic) = Pt(8), look
                    looks[look] = run._r.rPr
        made.add_paragraph()
    sink = io.BytesIO()
    made.save(sink)
    return _without_clock(sink.getvalue())


def _clean(text: str) -> str:
    """Text without the control characters that XML cannot hold."""
    return re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f]", "", text)


def _without_clock(data: bytes) -> bytes:
    """The same archive with one date for all its parts, so that the same tables give the same bytes."""
    sink = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as given, zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as kept:
        for part in sorted(given.namelist()):
            kept.writestr(zipfile.ZipInfo(part, (2000, 1, 1, 0, 0, 0)), given.read(part), zipfile.ZIP_DEFLATED)
    return sink.getvalue()
