"""Names and units of the columns of the stand tables, one short line a quantity, for the reader of a report.

Layer 7, part of the family of `report`. Own derivation.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

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
