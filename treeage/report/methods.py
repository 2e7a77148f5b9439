"""The methods paragraph of a report: what was done with how many trees, by which method, from which source.

Words follow the numbers of the result; own derivation.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from treeage.results import CONVENTIONS, year_text

if TYPE_CHECKING:
    from treeage.results import Ages, TreeAge

STATUSES = ("estimated", "minimum only", "refused", "used", "not used")
DATING_WORDS = {
    "crossdated": "crossdated",
    "lab_count": "counted in the laboratory without crossdating",
    "field_count": "counted in the field",
}
END_WORDS = {
    "pith": "the pith",
    "arcs": "arcs of inner rings",
    "no_arcs": "neither pith nor arcs",
    "rot": "rot",
    "broken": "a broken end",
}
DISTANCE_WORDS = {
    "pith on the core": "the pith seen on the core",
    "arc": "the chord and rise of an inner arc",
    "several arcs": "the chords and rises of several arcs",
    "template circle": "a template circle",
    "rays": "the angle of two wood rays",
    "digitised boundaries": "digitised ring boundaries",
    "distance read": "a distance read with its standard deviation",
    "radius less core length": "the radius inside bark less the core length, the pith being off centre",
}
WIDTH_WORDS = {
    "ring table": "the widths of the visible inner rings",
    "inner width": "the mean width of the inner rings written down for the core",
    "core length": "the core length over the number of rings",
    "diameter": "the diameter and the number of rings",
}
NOT_FOR_DECISIONS = (
    "An age from cores is an estimate with an interval: for legal, heritage, insurance or safety decisions local rules "
    "and licensed or certified practitioners come first."
)
CAUTIONS = (
    "Increment borers can injure people: wear eye protection and gloves, push with open palms, and never clear a jam "
    "with a blade.",
    "Coring wounds the tree. Conifers have mostly shown no lasting harm; many broadleaved trees stain and can decay. "
    "Take as few cores as the question needs, and none from a tree whose loss would matter without asking those "
    "responsible.",
    "Coring needs the permission of the owner or manager, and of the authority where the site or the tree is "
    "protected. Hygiene rules against tree diseases, where they hold, bind.",
    "Leave veteran, heritage, hazard and urban trees to specialists.",
    NOT_FOR_DECISIONS,
)


@cache
def flag_meanings() -> Mapping[str, str]:
    """What each flag of the ages table means, in a sentence.

    Returns
    -------
    mapping of str to str
        By flag.

    Examples
    --------
    >>> flag_meanings()["no_diameter"]
    'No diameter bounds the distance to the pith of at least one core.'
    """
    text = resources.files("treeage").joinpath("data", "flags.csv").read_text(encoding="utf-8")
    return {row["flag"]: row["meaning"] for row in csv.DictReader(text.splitlines())}


def methods_text(ages: Ages, *, version: str) -> str:
    """Write the methods section as Markdown, with the numbers and sources actually used.

    Parameters
    ----------
    ages : Ages
        Ages of a field.
    version : str
        Version of the package.

    Returns
    -------
    str
        A paragraph for a thesis, the sources it rests on, and what the author has to add.
    """
    core_table = core_frame(ages)
    paragraphs = [
        "# Methods",
        " ".join(_material(ages, core_table)),
        " ".join(_model(ages, core_table)),
        " ".join(_answers(ages, version)),
        "## Sources of the models and default numbers used",
        _sources(ages),
        "## Conventions",
        CONVENTIONS + _southern(ages),
        "## Limits of use",
        NOT_FOR_DECISIONS,
        "## To be added by the author",
        "Plot design and the rule by which trees were chosen; how and at which height diameters were taken; borer size "
        "and the side cored; mean series correlation, mean sensitivity and marker years of the crossdating; who read "
        "the cores.",
    ]
    return "\n\n".join(paragraphs) + "\n"


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _listed(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1] if parts else "none"


def _shares(values: pd.Series, words: Mapping[str, str]) -> str:
    counts = values.value_counts()
    order = [key for key in words if key in counts.index] + sorted(set(counts.index) - set(words))
    return _listed([f"{words.get(key, str(key))} ({counts[key]})" for key in order])


def core_frame(ages: Ages) -> pd.DataFrame:
    """Put what each core says into one table.

    Parameters
    ----------
    ages : Ages
        Ages of a field.

    Returns
    -------
    pandas.DataFrame
        Column tree, then the columns of `TreeAge.cores`; minimum-only trees give one row from their facts.
    """
    tables = [answer.cores if len(answer.cores) else pd.DataFrame([dict(answer.facts)]) for answer in ages]
    if not tables:
        return pd.DataFrame()
    trees = [answer.tree for answer, table in zip(ages, tables, strict=True) for _ in range(len(table))]
    return pd.concat(tables, ignore_index=True).assign(tree=trees)


def row_account(ages: Ages) -> pd.DataFrame:
    """Sum the fate of the input rows by table.

    Parameters
    ----------
    ages : Ages
        Ages of a field.

    Returns
    -------
    pandas.DataFrame
        Index table, one column a status, and rows: their sum, which is the number of input rows.
    """
    account = ages.accounting
    sizes = account["rows"] if "rows" in account else pd.Series(1, index=account.index)
    frame = (
        account.assign(rows=sizes)
        .groupby(["table", "status"])["rows"]
        .sum()
        .unstack(fill_value=0)
        .reindex(account["table"].unique())
        .astype(int)
    )
    frame.columns.name = None
    order = [name for name in STATUSES if name in frame] + [name for name in frame if name not in STATUSES]
    return frame[order].assign(rows=frame.sum(axis=1))


def account_lines(ages: Ages) -> list[str]:
    """Say for every input table what became of its rows, with the sum.

    Parameters
    ----------
    ages : Ages
        Ages of a field.

    Returns
    -------
    list of str
        One line a table, and the sum of all.
    """
    frame = row_account(ages)
    total = frame.sum()
    lines = []
    for table, row in [*frame.iterrows(), ("sum", total)]:
        parts = [
            f"{row[name]} {name}"
            for name in frame.columns[:-1]
            if row[name] or name == "estimated" and table == "trees"
        ]
        lines.append(f"{table!s:<10} {row['rows']:>7} = {' + '.join(parts)}")
    return lines


def _material(ages: Ages, core_table: pd.DataFrame) -> list[str]:
    name = _safe(str(ages.settings.get("name") or "the site"))
    species = pd.Series([answer.species for answer in ages], dtype=object)
    account = row_account(ages)
    trees, cores = (int(account["rows"].get(table, 0)) for table in ("trees", "cores"))
    were = "was" if cores == 1 else "were"
    said = [f"At {name}, {_counted(cores, 'core')} from {_counted(trees, 'tree')} {were} read"]
    if len(species):
        said[0] += f": {_safe(_shares(species, {}))}."
    else:
        said[0] += "."
    if len(core_table):
        heights = core_table["core_height_m"].astype(float).round(2)
        at, more = f"{heights.min():.2f} m", ""
        if heights.min() < heights.max():
            at = f"{heights.min():.2f} to {heights.max():.2f} m"
            more = f" (mean {heights.mean():.2f} m, SD {heights.std(ddof=0):.2f} m)"
        said.append(f"Trees were cored {at} above the root collar{more}.")
        said.append(f"The cores were {_shares(core_table['dating'], DATING_WORDS)}.")
        said.append(f"Their inner ends showed {_shares(core_table['inner_end'], END_WORDS)}.")
    return said


def _model(ages: Ages, core_table: pd.DataFrame) -> list[str]:
    dated = [answer for answer in ages if answer.status == "estimated"]
    if not dated:
        return ["No core tells how many rings were missed before the pith: no model was used, and no tree was dated."]
    said = []
    if "distance_from" in core_table:
        known = core_table.loc[
            core_table["distance_from"].notna() & (core_table["distance_from"] != "none"), "distance_from"
        ]
        if len(known):
            words = _shares(known.map(_distance_words), {word: word for word in DISTANCE_WORDS.values()})
            said.append(f"The distance to the pith entered as a distribution, core by core, from {words}.")
    said += [*_missed(ages), *_learned(ages), *_count_errors(dated), *_read_together(ages)]
    if any(len(answer.cores) > 1 for answer in dated):
        said.append(
            "The cores of a tree were combined by multiplying their likelihoods on whole years under a flat prior of "
            "the pith year, with the shared growth rate summed out."
        )
    heights = ages.sources[ages.sources["step"].str.contains("height")] if len(ages.sources) else ages.sources
    rows = heights.to_dict("records")
    models = [row for row in rows if row["known"] not in ("none", "definition")]
    used = [f"{row['what']} ({str(row['source']).rstrip('.')})" for row in models]
    if used:
        said.append(f"Years to coring height came from these models: {_safe('; '.join(used))}.")
    none = [f"{str(row['what']).split(': none')[0]} ({row['source']})" for row in rows if row["known"] == "none"]
    said += [_safe(ages.date_note)] if ages.date_note else []
    said += [f"No years to that height were added for {_safe(_listed(none))}."] if none else []
    collars = sum(
        "collar_years" in answer.distributions and answer.distributions["collar_years"].mean() > 0 for answer in ages
    )
    if collars:
        said.append(f"Years hidden by a buried collar were subtracted for {_counted(collars, 'tree')}.")
    return said


def _distance_words(method: str) -> str:
    """A source of the distance in words; several of one core are joined."""
    return " and ".join(DISTANCE_WORDS.get(part, part) for part in method.split(" and "))


def _missed(ages: Ages) -> list[str]:
    """How the number of missed rings was found, where any were missed, and from which widths."""
    if not _used(ages, "missed rings", "log-linear model"):
        return []
    found = [f"{WIDTH_WORDS.get(what, what)} ({used})" for what, used in _used(ages, "visible widths", "")]
    widths = f" and, core by core, from {_listed(found)}" if found else ""
    return [
        f"The number of missed rings follows from that distance{widths}, through a log-linear model of the hidden mean "
        "width, whose error has a part shared by the stand, a part shared by the cores of a tree and the "
        "core's own."
    ]


def _count_errors(dated: list[TreeAge]) -> list[str]:
    datings = {str(word) for answer in dated if len(answer.cores) for word in answer.cores["dating"]}
    counted = "a skewed, heavy-tailed distribution from published recounts"
    if not datings:
        return []
    if datings == {"crossdated"}:
        return ["The error of the ring count was 0, as all cores were crossdated."]
    if "crossdated" not in datings:
        return [f"The error of the ring count was {counted}."]
    return [f"The error of the ring count was 0 for crossdated cores and {counted} for counted ones."]


def _used(ages: Ages, step: str, words: str) -> list[tuple[str, int]]:
    """What the sources say of a step, and how often, where certain words stand in it."""
    return [
        (str(row["what"]), int(row.get("used", 0)))
        for row in ages.sources.to_dict("records")
        if row["step"] == step and words in str(row["what"])
    ]


def _learned(ages: Ages) -> list[str]:
    found = _used(ages, "missed rings", "adjusted by")
    if not found:
        return []
    return [
        f"The ring tables of the stand's own dated trees informed it: {_safe('; '.join(what for what, _ in found))}."
    ]


def _read_together(ages: Ages) -> list[str]:
    trees = sum(used for _, used in _used(ages, "count error", "read against each other"))
    if not trees:
        return []
    return [
        f"For {_counted(trees, 'tree')} the ring tables of two cores were read against each other (pair hidden-Markov "
        "alignment), which gave the joint count error of both cores in place of the published one."
    ]


def _answers(ages: Ages, version: str) -> list[str]:
    dated = [answer for answer in ages if answer.status == "estimated"]
    refused = int((ages.accounting["status"] == "refused").sum())
    rest = len(ages) - len(dated)
    more = f", {rest} {'more ' if dated else ''}as a minimum only" if rest else ""
    more += f"; {_counted(refused, 'row')} of the tables of trees and cores had to be refused" if refused else ""
    said = [f"{_counted(len(dated), 'tree') if dated else 'No tree'} could be dated{more}."]
    if dated:
        middle = [answer.date.median() for answer in dated]
        spread = [answer.date.sd() for answer in dated]
        above = len(ages.at_core_height)
        what = "establishment years" if not above else "years at coring height" if above == len(dated) else "dates"
        if 0 < above < len(dated):
            what += (
                f" (establishment years of {_counted(len(dated) - above, 'tree')}, years at coring height of {above})"
            )
        said.append(
            f"Median {what} run from {year_text(min(middle))} to {year_text(max(middle))}; their standard "
            f"deviations have a median of {np.median(spread):.1f} years (range {min(spread):.1f} to {max(spread):.1f})."
        )
        odd = sum("cores_disagree" in answer.flags or "cores_contradict" in answer.flags for answer in dated)
        if odd:
            said.append(f"The cores of {_counted(odd, 'tree')} disagreed more than their errors allow (p < 0.01).")
        said.append(
            f"Intervals are equal-tailed and hold at least {100 * ages.prob:g} % of the probability. Statements about "
            "several trees rest on joint draws, in which the errors shared by the stand or the species stay shared."
        )
    seed = ages.settings.get("seed", 0)
    said.append(f"All computations used treeage {version} (seed {seed}).")
    return said


def _southern(ages: Ages) -> str:
    if ages.settings.get("hemisphere") != "south":
        return ""
    return " This site lies in the southern hemisphere: a ring year is the calendar year in which its growth began."


def _sources(ages: Ages) -> str:
    if not len(ages.sources):
        return "None recorded."
    lines = []
    for row in ages.sources.to_dict("records"):
        facts = [f"known: {row['known']}"] if row["known"] != "none" else []
        facts += [f"used for {_counted(int(row['used']), _unit(row['step'], row['what']))}"] if "used" in row else []
        line = f"- {row['step']}: {row['what']}. {row['source']} ({'; '.join(facts)})."
        lines.append(_safe(" ".join(line.split())))
    return "\n".join(lines)


def _unit(step: str, what: str) -> str:
    """What the column `used` of the sources counts."""
    if step == "learned parameters":
        return "parameter"
    return "tree" if step == "years to coring height" or "of a tree" in what else "core"


def _safe(words: str) -> str:
    """Names from the tables as plain text: no markup starts in them."""
    return words.replace("<", "&lt;").replace(">", "&gt;")
