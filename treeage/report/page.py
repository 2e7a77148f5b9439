"""The page of a report: one self-contained HTML file, filled from the results; names from the tables are escaped.

The template is `data/report.html.j2`; own derivation.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from string import ascii_lowercase
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_numeric_dtype

from treeage import schema
from treeage.errors import Fault
from treeage.priors import defaults_table
from treeage.report.figures import ReportFigure, report_figures
from treeage.report.methods import CAUTIONS, flag_meanings, row_account
from treeage.results import CONVENTIONS, CORE_HEIGHT, year_text
from treeage.stand import seen_cells
from treeage.version import VERSION

if TYPE_CHECKING:
    from jinja2 import Template

    from treeage.results import Ages

ENDS = ("median", "lo", "hi", "mean", "sd")
PROB = ("prob", "", "probability of the intervals")
TREE = ("tree", "", "id of the tree")
PERIOD = [("year_first", "year", "first year of the period"), ("year_last", "year", "last year of the period")]
STAND_COLUMNS: dict[str, list[tuple[str, str, str]]] = {
    "stand_age_structure": [
        *PERIOD,
        ("trees", "number", "trees established in the period; the interval holds the error of dating"),
        ("trees_naive", "number", "trees whose median date lies in the period: errors of dating ignored"),
        ("trees_per_ha", "per ha", "the same per hectare; the interval also holds which trees were sampled"),
        ("trees_per_ha_naive", "per ha", "trees per hectare by median date"),
        PROB,
    ],
    "stand_recruitment": [
        *PERIOD,
        ("establishment", "see unit", "rate at which trees still alive established, with the blur of dating undone"),
        ("naive", "see unit", "the same counted by median dates: still blurred"),
        ("unit", "", "unit of establishment and naive"),
        PROB,
    ],
    "stand_pulses": [
        ("pulse", "", "number of the pulse, in order of time"),
        ("p_number", "probability", "that there were as many pulses as the table has rows"),
        ("p_set", "probability", "that they are these pulses and not others, given their number"),
        ("date", "year", "centre of the pulse, given these pulses"),
        (
            "width_sd_years",
            "years",
            "standard deviation of the pulse: two thirds of its trees lie that near its centre",
        ),
        ("share", "0 to 1", "share of the trees that belong to the pulse, per hectare where weights were given"),
        ("trees", "number", "dated trees expected to belong to the pulse"),
        PROB,
    ],
    "stand_pulse_membership": [
        TREE,
        ("p_background", "probability", "that the tree belongs to no pulse"),
        ("p_pulse_N", "probability", "that it belongs to pulse N of the table of pulses"),
    ],
    "stand_origin": [
        ("quantity", "", "the oldest dated tree, or the origin: when establishment of the stand began"),
        ("year", "year", "its date"),
        (
            "bias_years",
            "years",
            "how much later than the true origin it is expected, if the assumption holds; 0 for the origin is the "
            "assumption, not a finding",
        ),
        ("assumption", "", "what the origin and both values of bias rest on"),
        PROB,
    ],
    "stand_events": [
        ("event", "", "name in your events table"),
        ("year", "year", "year of the event"),
        ("trees_after", "number", "dated trees expected to have established after the event, at any time"),
        ("within_N_years", "number", "trees established within N years after the event"),
        ("lag_first", "years", "from the event to the first tree after it and before the next event"),
        ("lag_median", "years", "to the middle one of these trees"),
        ("lag_90_percent", "years", "until nine in ten of these trees had established"),
        PROB,
    ],
    "stand_trees_after_events": [
        TREE,
        ("event", "", "name in your events table"),
        ("year", "year", "year of the event"),
        ("p_after", "probability", "that the tree established after the event"),
    ],
    "stand_static_models": [
        ("model", "", "exponential: N = N0 exp(-b age), constant mortality; power: N = N0 age^-b, declining mortality"),
        ("b", "per year; power: none", "exponential: mortality per year; power: exponent"),
        ("survival_per_year", "0 to 1", "share of the trees that survive a year (exponential only)"),
        ("aic", "", "Akaike's criterion: lower is better; only differences count"),
        ("aic_weight", "0 to 1", "weight of the model against the other; below 0.9 the data hardly tell them apart"),
        (
            "dispersion",
            "ratio",
            "scatter of the counts round the model against that of chance: 1 fits, far above 1 does not fit",
        ),
        PROB,
    ],
    "stand_age_from_diameter": [
        ("group", "", "species; those with fewer than 5 dated trees use the line of all trees"),
        ("trees", "number", "dated trees the line rests on"),
        ("intercept", "ln(years); linear: years", "of the line, and its standard deviation"),
        (
            "slope",
            "ln(years) per ln(cm); linear: years per cm",
            "of the line, common to the species, and its standard deviation",
        ),
        ("scatter_sd", "ln(years); linear: years", "scatter of single trees round the line, one standard deviation"),
        ("reliability", "0 to 1", "part of the variance of diameters that is not error of measurement"),
        ("smallest_cm", "cm", "smallest cored diameter"),
        ("largest_cm", "cm", "largest cored diameter"),
        ("oldest_years", "years", "age of the oldest dated tree, by its median"),
        ("form", "", "power: age = exp(intercept) diameter^slope; linear: age = intercept + slope diameter"),
    ],
    "stand_uncored_trees": [
        TREE,
        ("diameter_cm", "cm", "diameter of the tree"),
        ("group", "", "its species"),
        ("line", "", "the line that was used"),
        ("age", "years", "age foretold from the diameter, for this single tree"),
        ("extrapolated", "", "why the line had to be carried beyond the cored trees, or nothing"),
        PROB,
    ],
}


def column_lines(table: str, columns: Sequence[str]) -> list[dict[str, str]]:
    """Explain the columns of a table, those of one quantity together.

    Parameters
    ----------
    table : str
        Name of the table, as its file without ending.
    columns : sequence of str
        Its columns.

    Returns
    -------
    list of dict
        names (with spaces), unit and meaning of each quantity, in the order of `STAND_COLUMNS`; empty for a table that
        is not a stand table.

    Examples
    --------
    >>> column_lines("stand_pulses", ["date_median", "date_lo", "date_hi"])
    [{'names': 'date median, lo, hi', 'unit': 'year', 'meaning': 'centre of the pulse, given these pulses'}]
    """
    lines = []
    for quantity, unit, meaning in STAND_COLUMNS.get(table, []):
        ends = [name for name in columns if _quantity(name) == quantity]
        plain = [name for name in columns if re.sub(r"\d+", "N", name) == quantity]
        parts = list(dict.fromkeys(_end(name) for name in ends if name not in plain))
        if not parts and not plain:
            continue
        names = ", ".join([*([quantity] if plain else []), *parts]) if plain else f"{quantity} {', '.join(parts)}"
        lines.append({"names": names.replace("_", " "), "unit": unit, "meaning": meaning})
    return lines


def _end(name: str) -> str:
    return name.rsplit("_", 1)[-1]


def _quantity(name: str) -> str:
    """Name of the quantity of a column of an interval, with N for a number of years."""
    stem = name.rsplit("_", 1)[0] if _end(name) in ENDS else name
    return re.sub(r"(?<=within_)\d+|(?<=pulse_)\d+", "N", stem)


MOST_ROWS = 40  # choice: rows of a table on the page; all of them are in its file
SMALLEST = 1e-4  # choice: smaller numbers are written as 0 on the page, in full in the file
EXTRA_WORDS = {
    "ring_events": (
        "Rings to check",
        "Rings that are perhaps absent or false, found by reading the ring tables of two cores of a tree against each "
        "other. ring from bark: 1 is the outermost; prob near: within three rings either side. The dates take all of "
        "them into account; look at the wood before you change a table.",
    ),
    "rule_comparison": (
        "Rules for missed rings on your own complete cores",
        "Cores with the pith, cut at a distance from it, show how wrong each rule would have been: true number of "
        "rings, mean error (bias), mean size of the error, share within five rings, share inside the 90 % interval.",
    ),
    "crossdating_agreement": (
        "Every core against the other trees",
        "Correlation and agreement with the mean of the other trees of the species, and the likeliest shift of the "
        "stated outer year. A person decides at the wood; no dating status is changed.",
    ),
    "crossdating_places": (
        "Suspect places against the other trees",
        "Rings that are perhaps absent or false, by the stated date; prob near: within three rings either side.",
    ),
    "crossdating_swaps": (
        "Cores that agree better with another tree than with their own",
        "Check the labels of these cores.",
    ),
    "stand_age_structure": ("Stand: trees by period", "Counts with intervals from joint draws."),
    "stand_recruitment": (
        "Stand: recruitment by year",
        "Intensity with the blur of dating undone, and its band, for the years of the figure.",
    ),
    "stand_pulses": ("Stand: pulses", "Date, width and share of each pulse with intervals."),
    "stand_pulse_membership": ("Stand: to which pulse each tree belongs", "Probabilities of each tree add to 1."),
    "stand_origin": (
        "Stand: oldest tree and origin",
        "The oldest tree is a bound; the origin rests on an assumption.",
    ),
    "stand_events": ("Stand: after the events", "Number established within the years after each event."),
    "stand_trees_after_events": ("Stand: each tree and the events", "Whether each tree established after each event."),
    "stand_static_models": (
        "Stand: static age models",
        "They read the living trees as if establishment had been steady; look at the dispersion before you use b.",
    ),
    "stand_age_from_diameter": (
        "Stand: age from diameter",
        "Lines on the dated trees; diameter tells age poorly.",
    ),
    "stand_uncored_trees": ("Stand: trees without a date", "Ages foretold from their diameters."),
}


def extra_tables(ages: Ages) -> dict[str, pd.DataFrame]:
    """Tables of special steps that have rows, by name.

    Parameters
    ----------
    ages : Ages
        Ages of a field.

    Returns
    -------
    dict of str to pandas.DataFrame
        Those of `Ages.extras` that are tables; names are file names without ending.
    """
    tables = ((name, table) for name, table in sorted(ages.extras.items()) if isinstance(table, pd.DataFrame))
    return {name: table for name, table in tables if len(table) and name.isidentifier()}


def extra_parts(ages: Ages) -> list[dict[str, Any]]:
    """Tables of special steps as text, with their titles, names and units.

    Parameters
    ----------
    ages : Ages
        Ages of a field.

    Returns
    -------
    list of dict
        title, words, file, columns (title, and whether it holds text), rows (text), which (rows these are), small
        (whether a number is written as 0 that is not), names (`column_lines`).
    """
    out = []
    for name, table in extra_tables(ages).items():
        title, words = EXTRA_WORDS.get(name, (name.replace("_", " ").capitalize(), ""))
        shown, which = shown_rows(name, table)
        kinds = [is_numeric_dtype(kind) and not is_bool_dtype(kind) for kind in shown.dtypes]
        numbers = np.abs(shown.loc[:, kinds].to_numpy(dtype=np.float64, na_value=np.nan))
        out.append(
            {
                "title": title,
                "words": words,
                "file": f"{name}.csv",
                "columns": [
                    {"title": str(column).replace("_", " "), "text": not number}
                    for column, number in zip(shown.columns, kinds, strict=True)
                ],
                "rows": [[_cell(cell) for cell in row] for row in shown.itertuples(index=False, name=None)],
                "which": which,
                "small": bool(np.any((numbers > 0) & (numbers < SMALLEST))),
                "names": column_lines(name, [str(column) for column in shown.columns]),
            }
        )
    return out


def shown_rows(name: str, table: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """Choose the rows of a table that stand on the page.

    Parameters
    ----------
    name : str
        Name of the table.
    table : pandas.DataFrame
        The table.

    Returns
    -------
    shown : pandas.DataFrame
        The first `MOST_ROWS` rows; of the recruitment by year evenly spaced rows over the years of its figure, without
        the counts by median dates where rows are skipped.
    which : str
        Which rows these are, in words.

    Examples
    --------
    >>> shown_rows("rings", pd.DataFrame({"year": range(50)}))[1]
    'The first 40 of 50 rows; all'
    """
    if name == "stand_recruitment":
        cells = seen_cells(table["establishment_median"], table["establishment_hi"])
        part = table.iloc[cells]
        every = -(-len(part) // MOST_ROWS)
        which = "All rows" if every == 1 else f"One in {every} rows"
        if len(part) < len(table) or every > 1:
            shown = part.iloc[::every]
            if every > 1:
                shown = shown.drop(columns="naive")  # counts of the rows between would be lost
            return shown, f"{which} of the years of the figure; all {len(table)} rows"
    if len(table) <= MOST_ROWS:
        return table, "All rows"
    return table.head(MOST_ROWS), f"The first {MOST_ROWS} of {len(table)} rows; all"


def _cell(value: Any) -> str:
    """A number with three digits, whole numbers and years in full, nothing where nothing is known."""
    if isinstance(value, float):
        if np.isnan(value):
            return ""
        if abs(value) < SMALLEST:
            return "0"
        return f"{value:.0f}" if value.is_integer() or abs(value) >= 1000 else f"{value:.3g}"
    return "" if value is None or value is pd.NA else str(value)


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
