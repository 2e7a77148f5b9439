"""The page of a report: one self-contained HTML file, filled from the results; names from the tables are escaped.

Layer 7, part of the family of `report`. The template is `data/report.html.j2`; own derivation.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from string import ascii_lowercase
from typing import TYPE_CHECKING, Any

import pandas as pd

from treeage import schema
from treeage.errors import Fault
from treeage.priors import defaults_table
from treeage.report_extras import extra_parts
from treeage.report_figures import ReportFigure, report_figures
from treeage.report_methods import CAUTIONS, flag_meanings, row_account
from treeage.results_tree import CONVENTIONS, CORE_HEIGHT, year_text
from treeage.version import VERSION

if TYPE_CHECKING:
    from jinja2 import Template

    from treeage.results import Ages

MOST_LISTED = 40  # choice: reasons and notes listed one by one; all of them are in run.json
TREE_COLUMNS = (
    ("tree", "text"),
    ("species, plot", "text"),
    ("cores", ""),
    ("dating, inner end", "text"),
    ("height [m]", ""),
    ("rings on the lead core", ""),
    ("missed rings", ""),
    ("pith year", ""),
    ("years to height", ""),
    ("establishment year", ""),
    ("age [years]", ""),
    ("most rings on a core", ""),
    ("flags", "text"),
)


def report_html(ages: Ages, *, figures: Sequence[ReportFigure] | None = None) -> str:
    """Write the report as one HTML page without links, scripts or outside files.

    Parameters
    ----------
    ages : Ages
        Ages of a field.
    figures : sequence of ReportFigure, optional
        From `report_figures`; drawn when left out.

    Returns
    -------
    str
        The page. Names from the tables are escaped.
    """
    drawn = report_figures(ages) if figures is None else figures
    name = str(ages.settings.get("name") or "")
    account_names, account = _account(ages)
    flags = _flags(ages)
    letters = {flag["name"]: flag["letter"] for flag in flags}
    page: str = _template().render(
        title=f"Tree ages: {name}" if name else "Tree ages",
        headline=_headline(ages),
        date_note=ages.date_note,
        all_above=len(ages.at_core_height) == len(ages.trees) > 0,
        description=str(ages.settings.get("description") or "No description of the site was given."),
        level=f"{100 * ages.prob:g} %",
        tree_columns=[{"title": title, "text": kind} for title, kind in TREE_COLUMNS],
        tree_rows=[_tree_row(row, letters) for row in ages.to_frame().to_dict("records")],
        account_names=account_names,
        account_rows=account,
        reasons=_reasons(ages),
        flags=flags,
        notes=_capped([note_line(note) for note in ages.notes.to_dict("records")], "notes"),
        extras=extra_parts(ages),
        figures=[
            {"title": each.title, "caption": each.caption, "data": base64.b64encode(each.svg).decode("ascii")}
            for each in drawn
        ],
        defaults=defaults_table().to_dict("records"),
        source_names=list(ages.sources.columns),
        source_rows=[[str(value) for value in row] for row in ages.sources.to_numpy().tolist()],
        cautions=CAUTIONS,
        conventions=CONVENTIONS,
        nomenclature=[column for column in schema.columns("ages")],
        version=VERSION,
        seed=ages.settings.get("seed", 0),
    )
    return page


@cache
def _template() -> Template:
    from jinja2 import Environment, StrictUndefined

    text = resources.files("treeage").joinpath("data", "report.html.j2").read_text(encoding="utf-8")
    return Environment(autoescape=True, undefined=StrictUndefined).from_string(text)


def _headline(ages: Ages) -> str:
    dated = [answer.date for answer in ages if answer.status == "estimated"]
    rest, above = len(ages) - len(dated), len(ages.at_core_height)
    if not dated:
        return f"No tree could be dated; of {rest} only the rings counted are known."
    first, last = min(pmf.median() for pmf in dated), max(pmf.median() for pmf in dated)
    widths = [high - low + 1 for low, high in (pmf.interval(ages.prob) for pmf in dated)]
    more = f", and {rest} as a minimum only" if rest else ""
    what = "establishment between" if not above else "dates at coring height between"
    if 0 < above < len(dated):
        what = f"{len(dated) - above} by their establishment and {above} at coring height only, between"
    return (
        f"{len(dated)} trees dated{more}: {what} {year_text(first)} and {year_text(last)} (medians). "
        f"Half of the {100 * ages.prob:g} % intervals are at most {sorted(widths)[(len(widths) - 1) // 2]} years long."
    )


def _tree_row(row: Mapping[Any, Any], letters: Mapping[str, str]) -> list[tuple[str, str]]:
    """Cells of one tree, each an upper and a lower line: medians above their intervals."""

    def number(name: str) -> str:
        return "" if pd.isna(row[name]) else f"{row[name]:g}"

    def span(name: str, *, years: bool = False, after: str = "") -> tuple[str, str]:
        if pd.isna(row[f"{name}_median"]):
            return "", ""
        ends = [int(row[f"{name}_{part}"]) for part in ("median", "lo", "hi")]
        middle, low, high = (year_text(end) if years else str(end) for end in ends)
        return f"{middle}{after}", f"{low} to {high}"

    def words(name: str) -> str:
        return "" if pd.isna(row[name]) else str(row[name]).replace("_", " ")

    return [
        (str(row["tree"]), ""),
        (str(row["species"]), str(row["plot"])),
        (number("cores"), ""),
        (words("dating"), words("inner_end")),
        ("" if pd.isna(row["core_height_m"]) else f"{row['core_height_m']:.2f}", ""),
        (number("rings_counted"), ""),
        span("missed_rings"),
        span("pith_year", years=True),
        span("years_to_core_height"),
        ("unknown", "before the pith")
        if row["date_refers_to"] == CORE_HEIGHT
        else span("establishment_year", years=True),
        span("age_at_core_height", after=" at height") if row["date_refers_to"] == CORE_HEIGHT else span("age"),
        (number("minimum_age"), ""),
        (" ".join(letters[flag] for flag in str(row["flags"]).split(";") if flag), ""),
    ]


def _account(ages: Ages) -> tuple[list[str], list[list[str]]]:
    frame = row_account(ages)
    rows = [
        [str(table), *(str(value) for value in values)]
        for table, values in zip(frame.index, frame.to_numpy(), strict=True)
    ]
    rows.append(["sum", *(str(value) for value in frame.sum().to_numpy())])
    return [*(str(name) for name in frame.columns[:-1]), "sum of rows"], rows


def _reasons(ages: Ages) -> list[str]:
    odd = ages.accounting[ages.accounting["reason"].fillna("").astype(str) != ""]
    lines = []
    for row in odd.to_dict("records"):
        where = [f"{row['table']}, row {row['row']}" if row["row"] else str(row["table"])]
        where += [f"{name} {row[name]}" for name in ("tree", "core") if row[name]]
        lines.append(f"{', '.join(where)}: {row['status']}; {row['reason']}.")
    return _capped(lines, "rows")


def note_line(note: Mapping[Any, Any]) -> str:
    """Write one note as a line for people.

    Parameters
    ----------
    note : mapping
        One row of the notes table.

    Returns
    -------
    str
        Where, got, need, do.

    Examples
    --------
    >>> note_line({"file": "trees.csv", "row": 3, "item": "", "column": "crown", "got": "an unknown column",
    ...     "need": "a known name", "do": "It is kept."})
    'trees.csv, row 3, column crown: got an unknown column, need a known name. It is kept.'
    """
    keys = ("got", "need", "do", "file", "row", "column", "item")
    return Fault(**{key: note[key] for key in keys}).line()


def _capped(lines: list[str], noun: str) -> list[str]:
    if len(lines) <= MOST_LISTED:
        return lines
    return [*lines[:MOST_LISTED], f"and {len(lines) - MOST_LISTED} more {noun}, all of them in run.json"]


def _flags(ages: Ages) -> list[dict[str, str]]:
    trees: dict[str, list[str]] = {}
    for answer in ages:
        for flag in answer.flags:
            trees.setdefault(flag, []).append(answer.tree)
    meanings = flag_meanings()
    out = []
    order = sorted(trees, key=lambda name: (name not in ("cores_contradict", "cores_disagree"), name))
    for at, flag in enumerate(order):
        own = trees[flag]
        letter = ascii_lowercase[at % 26] * (1 + at // 26)
        named = ", ".join(own[:12]) + (", ..." if len(own) > 12 else "")  # choice: a dozen names fit a line
        count = f"{len(own)} tree{'' if len(own) == 1 else 's'}"
        meaning = meanings.get(flag, flag.replace("_", " ") + ".")
        out.append({"letter": letter, "name": flag, "count": count, "trees": named, "meaning": meaning})
    return out
