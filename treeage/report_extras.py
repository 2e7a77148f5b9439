"""The tables of special steps in a report: titles, the rows that are shown, numbers as text, names and units.

Layer 7, part of the family of `report`. Own derivation.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_numeric_dtype

from treeage.report_names import column_lines
from treeage.stand_recruitment import seen_cells

if TYPE_CHECKING:
    from treeage.results import Ages

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
