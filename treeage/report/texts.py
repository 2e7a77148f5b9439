"""The texts of a report: words and templates, methods.md and the bibliography; the words stand in `treeage/data`.

Templates `methods.md.j2` and `report.html.j2`; words `words.csv` and `flags.csv`. Own derivation.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from treeage.display import VERSION, Result, counted, year_text
from treeage.errors import Fault
from treeage.estimate import READ_AGAINST_STAND
from treeage.priors import Known, data_rows, data_text
from treeage.results import CONVENTIONS, Flag, Status, Step
from treeage.schema import Dating, InnerEnd

if TYPE_CHECKING:
    from jinja2 import Template

    from treeage.results import Ages, TreeAge
    from treeage.stand import StandHistory

WORST_FLAGS = (Flag.CORES_CONTRADICT, Flag.CORES_DISAGREE)  # explained first


# ---------------------------------------------------------------------- words and templates


@cache
def words(group: str) -> Mapping[str, str]:
    """Give the words for people of one group.

    Parameters
    ----------
    group : str
        A group of `data/words.csv`, for example caution.

    Returns
    -------
    mapping of str to str
        Texts by key, in the order of the file; empty for an unknown group.

    Examples
    --------
    >>> words("dating")["field_count"]
    'counted in the field'
    """
    return MappingProxyType({row["key"]: row["text"] for row in data_rows("words.csv") if row["group"] == group})


@cache
def flag_meanings() -> Mapping[str, str]:
    """What each flag of the ages table means, in a sentence."""
    return MappingProxyType({row["flag"]: row["meaning"] for row in data_rows("flags.csv")})


@cache
def template(file: str) -> Template:
    """A template of `treeage/data`; what is filled in can start no markup."""
    from jinja2 import Environment, StrictUndefined

    if file.endswith(".html.j2"):
        return Environment(autoescape=True, undefined=StrictUndefined).from_string(data_text(file))
    environment = Environment(undefined=StrictUndefined, finalize=_plain)
    environment.filters |= {"counted": counted, "listed": _listed, "paragraph": _paragraph}
    return environment.from_string(data_text(file))


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def _plain(value: Any) -> Any:
    """Names from the tables as plain text of Markdown: no tag starts in them."""
    return value.replace("<", "&lt;").replace(">", "&gt;") if isinstance(value, str) else value


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1] if parts else "none"


def _paragraph(text: str) -> str:
    return " ".join(text.split())


# ---------------------------------------------------------------------- what both texts tell


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

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> rows = {"table": ["trees", "trees", "rings"], "status": ["estimated", "refused", "used"], "rows": [1, 1, 70]}
    >>> row_account(SimpleNamespace(accounting=pd.DataFrame(rows))).loc["trees"].tolist()
    [1, 1, 0, 2]
    """
    account = ages.accounting
    frame = (
        account.groupby(["table", "status"])["rows"]
        .sum()
        .unstack(fill_value=0)
        .reindex(account["table"].unique())
        .astype(int)
    )
    frame.columns.name = None
    return frame[[status for status in Status if status in frame]].assign(rows=frame.sum(axis=1))


def dated_trees(ages: Ages) -> list[TreeAge]:
    """The trees that have an estimate."""
    return [answer for answer in ages if answer.status == Status.ESTIMATED]


def common_facts(ages: Ages) -> dict[str, Any]:
    """What both templates take: how many trees were dated, from when to when, how well; conventions, version, seed."""
    dates = [answer.date for answer in dated_trees(ages)]
    told = {name: made.sentence() for name, made in ages.extras.items() if isinstance(made, Result)}
    facts: dict[str, Any] = {
        "checks": told.get("predictive_checks", ""),
        "checked": bool(len(getattr(ages.extras.get("predictive_checks"), "table", ()))),
        "sensitivity": told.get("sensitivity", ""),
        "dated": len(dates),
        "rest": len(ages) - len(dates),
        "above": len(ages.at_core_height),
        "date_note": ages.date_note,
        "level": percent(ages.prob),
        "conventions": CONVENTIONS,
        "version": VERSION,
        "seed": ages.settings.get("seed", 0),
    }
    if dates:
        medians, spread = [date.median() for date in dates], [date.sd() for date in dates]
        lengths = sorted(high - low + 1 for low, high in (date.interval(ages.prob) for date in dates))
        facts |= {
            "first": year_text(min(medians)),
            "last": year_text(max(medians)),
            "sd_years": {"median": np.median(spread), "low": min(spread), "high": max(spread)},
            "half_within_years": lengths[(len(lengths) - 1) // 2],
        }
    return facts


def percent(prob: float) -> str:
    """A probability for people."""
    return f"{100 * prob:g} %"


# ---------------------------------------------------------------------- methods.md


def methods_text(ages: Ages, *, version: str = VERSION, history: StandHistory | None = None) -> str:
    """Methods section as Markdown: the numbers and sources actually used, and what the author has to add."""
    sources = _sources(ages)
    unverified = [f"{row['what']} ({row['source']})" for row in sources if row["known"] == Known.MEMORY]
    numbers = common_facts(ages) | _material(ages) | _steps(ages)
    numbers |= {"sources": sources, "version": version, "unverified": unverified}
    numbers |= {"stand": _stand_methods(history), "citation": words("file")["citation"].format(version=version)}
    return template("methods.md.j2").render(numbers, limits=words("caution")["decisions"]) + "\n"


def _stand_methods(history: StandHistory | None) -> list[str]:
    """A sentence on the method of each part of the stand history that there is."""
    if history is None:
        return []
    told = words("stand_methods")
    parts = [name for name in told if name in ("shared", "survivors") or getattr(history, name, None) is not None]
    return [told[name].format(bin_years=history.structure.bin_years) for name in parts] + [history.coverage]


def core_frame(ages: Ages) -> pd.DataFrame:
    """One row a core: tree, height, dating, inner end; minimum-only trees give one row from their facts."""
    kept = ("core_height_m", "dating", "inner_end")
    rows = ((answer.tree, core) for answer in ages for core in answer.core_rows or (answer.facts,))
    return pd.DataFrame([{"tree": tree} | {name: core.get(name) for name in kept} for tree, core in rows])


def _material(ages: Ages) -> dict[str, Any]:
    """Site, trees and cores: how many, of which species, how high, dated how, ending where."""
    rows, cores = row_account(ages)["rows"], core_frame(ages)
    not_cored = int((ages.accounting["status"] == Status.NOT_CORED).sum())
    material: dict[str, Any] = {
        "site": str(ages.settings.get("name") or "the site"),
        "southern": ages.settings.get("hemisphere") == "south",
        "trees": int(rows.get("trees", 0)) - not_cored,
        "not_cored": not_cored,
        "cores": int(rows.get("cores", 0)),
        "refused": int((ages.accounting["status"] == Status.REFUSED).sum()),
        "species": _shares([answer.species for answer in ages], {}),
        "heights_m": None,
    }
    if len(cores):
        heights = cores["core_height_m"].astype(float).round(2)
        low, high = heights.min(), heights.max()
        material["heights_m"] = {"low": low, "high": high, "mean": heights.mean(), "sd": heights.std(ddof=0)}
        material["datings"] = _shares(cores["dating"].dropna(), words("dating"))
        material["inner_ends"] = _shares(cores["inner_end"].dropna(), words("inner_end"))
    return material


def _doubts(ages: Ages) -> list[str]:
    """How often what is written may not be so, in words; nothing where switched off or no core is of the kind."""
    rows = [answer.core_rows for answer in dated_trees(ages)]
    met = {
        "pith_near": any(core["inner_end"] == InnerEnd.PITH for cores in rows for core in cores),
        "misdated": any(core["dating"] == Dating.CROSSDATED for cores in rows for core in cores),
        "wrong_core": any(len(cores) > 1 for cores in rows),
    }
    known = {
        "pith_near": "of the piths {} may lie beside the core",
        "misdated": "of the cores called crossdated {} may have the error of a laboratory count",
        "wrong_core": "of the cores of trees with several {} may be of another tree or misread",
    }
    doubt = ages.settings.get("doubt", {})
    return [text.format(f"{100 * doubt[key]:g} %") for key, text in known.items() if met[key] and doubt.get(key)]


def _shares(values: Iterable[str], texts: Mapping[str, str]) -> list[str]:
    """Values in words with their number, in the order of the words; others follow by name, as they are."""
    counts = pd.Series(list(values), dtype=object).value_counts()
    order = [key for key in texts if key in counts.index] + sorted(set(counts.index) - set(texts))
    return [f"{texts.get(key, str(key))} ({counts[key]})" for key in order]


def _steps(ages: Ages) -> dict[str, Any]:
    """Which steps were taken with how many cores or trees, read off the sources of the models used."""
    dated = dated_trees(ages)
    datings = {str(core["dating"]) for answer in dated for core in answer.core_rows}
    missed, heights = (_used(ages, step) for step in (Step.MISSED_RINGS, Step.HEIGHT))
    modelled = [row for row in heights if row["known"] not in (Known.NONE, Known.DEFINITION)]
    above = ages.sources[(ages.sources["step"] == Step.HEIGHT) & (ages.sources["known"] == Known.NONE)]
    collars = [answer.distributions["collar_years"] for answer in ages if "collar_years" in answer.distributions]
    return {
        "distances": _distances(dated),
        "rings_missed": any(row["known"] == Known.FITTED for row in missed),
        "widths": [
            f"{words('width').get(row['what'], row['what'])} ({row['used']})" for row in _used(ages, Step.WIDTHS)
        ],
        "neighbours": [row["what"] for row in missed if row["known"] == Known.USER],
        "some_crossdated": Dating.CROSSDATED in datings,
        "some_counted": bool(datings - {Dating.CROSSDATED}),
        "pairs_read": _read_together(ages, stand=False),
        "stand_read": _read_together(ages, stand=True),
        "doubts": _doubts(ages),
        "learned": list(dict.fromkeys(map(str, ages.extras.get("parameters", {"parameter": ()})["parameter"]))),
        "sampling": _sentence(ages.extras.get("diagnosis")),
        "misdated": bool(ages.settings.get("doubt", {}).get("misdated")),
        "several_cores": any(len(answer.core_rows) > 1 for answer in dated),
        "height_models": [f"{row['what']} ({row['source'].rstrip('.')})" for row in _by_source(modelled)],
        "tied": sum(answer.parts is not None and answer.parts.tied for answer in dated),
        "open_data": [f"{row['species']} ({_behind(row)})" for row in _plan(ages)],
        "open_data_own": any(row["own_trees"] for row in _plan(ages)),
        "studies": _studies(ages),
        "without_heights": [f"{species} ({source})" for species, source in above["source"].items()],
        "collars": sum(years.mean() > 0 for years in collars),
        "disagreeing": sum(bool(set(WORST_FLAGS) & set(answer.flags)) for answer in dated),
    }


def _sentence(part: Any) -> str:
    """The sentence of a part of the answers; nothing without it."""
    return "" if part is None else str(part.sentence())


def _by_source(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows of one step with the same source as one, so that seven species do not repeat it seven times."""
    merged: dict[tuple[str, ...], dict[str, Any]] = {}
    for row in rows:
        one = merged.setdefault((row["step"], row["source"], row["known"]), row | {"what": "", "used": 0})
        one["what"] += ("; " if one["what"] else "") + row["what"]
        one["used"] += row["used"]
    return list(merged.values())


def _behind(row: Mapping[str, Any]) -> str:
    """Grade and number of studies, and the stand's own young trees where there are some."""
    own = f"; {row['own_trees']} young trees of this stand" if row["own_trees"] else ""
    return f"{row['grade']}{'' if row['studies'] == 0 else ' of the genus: ' + str(row['studies'])}{own}"


def _plan(ages: Ages) -> list[dict[Any, Any]]:
    """Species whose years to coring height rest on open data."""
    table = ages.extras.get("young_trees_elsewhere")
    return [] if table is None else table.to_dict("records")


def _studies(ages: Ages) -> list[str]:
    """The studies behind each of these species, by the database through which they are cited."""
    table = ages.extras.get("young_tree_studies")
    if table is None:
        return []
    parts = table.groupby(["used_for", "database"], sort=False)["citation"].unique()
    return [f"{name} ({database}): {'; '.join(cited)}" for (name, database), cited in parts.items()]


def bibliography(ages: Ages) -> str:
    """BibTeX of what the answers rest on: publications named in the sources, and the studies of young trees."""
    said = " ".join(str(text) for text in ages.sources[["what", "source"]].to_numpy().ravel())
    entries = []
    for row in data_rows("references.csv"):
        if row["match"] in said:
            fields = [(name, text) for name, text in row.items() if text and name not in ("key", "match", "type")]
            entries.append((row["type"], row["key"], fields))
    table = ages.extras.get("young_tree_studies")
    for at, (citation, database) in enumerate(() if table is None else _cited(table), start=1):
        entries.append(("misc", f"youngtrees{at:03d}", [("title", citation), ("note", f"Data in {database}")]))
    entries.append(("software", "treeage", [("title", "treeage"), ("version", VERSION)]))
    return "\n".join(_entry(*entry) for entry in entries)


def _cited(table: pd.DataFrame) -> list[tuple[str, str]]:
    return sorted(set(zip(table["citation"], table["database"], strict=True)))


def _entry(kind: str, key: str, fields: list[tuple[str, str]]) -> str:
    """One entry of BibTeX; braces keep capitals as they are."""
    lines = [f"  {name} = {{{{{text}}}}}," if name == "title" else f"  {name} = {{{text}}}," for name, text in fields]
    return "\n".join([f"@{kind}{{{key},", *lines, "}", ""]).replace("&", r"\&")


def _read_together(ages: Ages, *, stand: bool) -> int:
    """Trees whose ring tables were read against each other, or against the stand."""
    rows = (row for row in _used(ages, Step.COUNT) if row["known"] == Known.FITTED)
    return sum(row["used"] for row in rows if (row["what"] == READ_AGAINST_STAND) is stand)


def _used(ages: Ages, step: str) -> list[dict[str, Any]]:
    """Sources of one step; within a step, `known` tells the models from what was measured."""
    return [row for row in _records(ages.sources) if row["step"] == step]


def _distances(dated: Sequence[TreeAge]) -> list[str]:
    """What the distances to the pith rest on, in words with their numbers."""
    texts = words("distance")
    found = [core["distance_from"] for answer in dated for core in answer.core_rows]
    named = [" and ".join(texts[str(one.name).lower()] for one in source) for source in found if source]
    return _shares(named, {text: text for text in texts.values()})


def _sources(ages: Ages) -> list[dict[str, Any]]:
    """The models and defaults used, each with the unit of what its column `used` counts; heights by their source."""
    rows = _records(ages.sources)
    heights = [row for row in rows if row["step"] == Step.HEIGHT]
    rest = [row for row in rows if row["step"] != Step.HEIGHT]
    return [row | {"unit": _unit(row)} for row in (*rest, *_by_source(heights))]


def _unit(row: Mapping[str, Any]) -> str:
    if row["step"] == Step.LEARNED:
        return "parameter"
    of_pairs = row["step"] == Step.COUNT and row["known"] == Known.FITTED
    return "tree" if of_pairs or row["step"] == Step.HEIGHT else "core"


@dataclass(frozen=True)
class ReportFigure:
    """One figure of a report: name of its files without ending, title, caption, its files, and that of the page."""

    name: str
    title: str
    caption: str
    files: Mapping[str, bytes]
    page: Mapping[str, bytes]


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
