"""The page of a report: the answer first, then every tree on demand, the stand, methods, sources, and every input row.

One file without scripts, and without links but that to ages.csv on the page of a large stand; names from the tables are
escaped. Template `report.html.j2`. Own derivation.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from string import ascii_lowercase
from typing import TYPE_CHECKING, Any

import pandas as pd

from treeage import schema
from treeage.checks import PredictiveChecks
from treeage.display import ADD_UP, Result, is_binomial, year_text
from treeage.priors import defaults_table
from treeage.report.figures import LARGE_STAND, MOST_BYTES, tree_svg
from treeage.report.tables import SMALLEST, STORY, is_species_column, shown_tables
from treeage.report.texts import (
    WORST_FLAGS,
    ReportFigure,
    common_facts,
    dated_trees,
    flag_meanings,
    methods_text,
    note_line,
    row_account,
    template,
    words,
)
from treeage.results import Flag
from treeage.schema import CORE_HEIGHT, innermost_year

if TYPE_CHECKING:
    from treeage.results import Ages, TreeAge
    from treeage.stand import StandHistory

MOST_LISTED = 40  # choice: reasons and notes listed one by one; all of them are in run.json
MOST_TREES = 100  # choice: trees on the page of a large stand: half of them the oldest, half the least certain
MOST_NAMED = 12  # choice: trees named with a flag; a dozen names fit a line
CHECK_FIRST = 3  # choice: what people still read before they look at the dates


def report_html(
    ages: Ages, *, figures: Sequence[ReportFigure] = (), history: StandHistory | None = None, methods: str = ""
) -> str:
    """The report as one HTML page without scripts or outside files; names from the tables are escaped."""
    account, flags = row_account(ages), _flags(ages)
    letters = {flag["name"]: flag["letter"] for flag in flags}
    notes = [note_line(note) for note in ages.notes.to_dict("records")]
    drawn = {each.name: _shown(each) for each in figures}
    tables = {name: {"html": table, "file": f"{name}.csv"} for name, table in shown_tables(ages).items()}
    sections, shown = _sections(ages, history, drawn, tables), telling_trees(ages)
    return template("report.html.j2").render(
        common_facts(ages),
        site=str(ages.settings.get("name") or ""),
        description=str(ages.settings.get("description") or ""),
        only=" ".join(answer.sentence() for answer in dated_trees(ages)[:1]),
        first_figure=drawn.get("dates"),
        things=things_to_check(ages, len(notes)),
        tree_rows=[_tree_row(row, letters) for row in shown.to_frame().to_dict("records")],
        trees=[_tree_block(answer) for answer in shown],
        whole=len(ages),
        most_trees=MOST_TREES // 2,
        add_up=ADD_UP,
        sections=sections,
        statuses=list(account.columns[:-1]),
        account=[(str(table), *row) for table, row in [*account.iterrows(), ("sum", account.sum())]],
        reasons=_reasons(ages),
        flags=flags,
        notes=notes,
        most_listed=MOST_LISTED,
        most_named=MOST_NAMED,
        smallest=f"{SMALLEST:f}".rstrip("0"),
        binomial=is_binomial,
        slanted=is_species_column,
        methods=markdown_blocks(methods or methods_text(ages, history=history)),
        defaults=defaults_table().to_dict("records"),
        source_names=list(ages.sources.columns),
        source_rows=[[str(value) for value in row] for row in ages.sources.to_numpy().tolist()],
        cautions=list(words("caution").values()),
        nomenclature=schema.columns("ages"),
    )


def telling_trees(ages: Ages) -> Ages:
    """The trees that stand on the page: all of them, or of a large stand the oldest and the least certain."""
    if len(ages) <= LARGE_STAND:
        return ages
    half = MOST_TREES // 2
    oldest = sorted(ages, key=lambda answer: (_claimed(answer), answer.tree))[:half]
    unsure = sorted(dated_trees(ages), key=lambda answer: (-answer.date.sd(), answer.tree))[:half]
    kept = {answer.tree for answer in (*oldest, *unsure)}
    return replace(ages, tree_ages=tuple(answer for answer in ages if answer.tree in kept))


def _claimed(answer: TreeAge) -> int:
    """The date of a tree, or the first counted ring where only that is known."""
    return answer.date.median() if answer.distributions else innermost_year(answer.outer_year, answer.minimum_age)


def _shown(figure: ReportFigure) -> dict[str, str]:
    """A figure for the page: vector, or pixels where they are smaller than a large vector."""
    kind = "svg" if "svg" in figure.page else "png"
    if "png" in figure.page and len(figure.page[kind]) > max(MOST_BYTES, len(figure.page["png"])):
        kind = "png"
    form = "svg+xml" if kind == "svg" else kind
    data = base64.b64encode(figure.page[kind]).decode("ascii")
    return {"title": figure.title, "caption": figure.caption, "data": f"data:image/{form};base64,{data}"}


def things_to_check(ages: Ages, notes: int) -> list[str]:
    """The three things to look at before any date is used, the gravest first; of grave ones all."""
    checks, grave = ages.extras.get("predictive_checks"), list(ages.cautions)
    if isinstance(checks, PredictiveChecks) and checks.failed:
        grave.append(f"The model does not fit everywhere. {checks.sentence()}")
    found: list[str] = []
    disagree = [answer.tree for answer in ages if Flag.CORES_DISAGREE in answer.flags]
    if disagree:
        found.append(f"Cores disagree more than their errors allow in {_named(disagree)}: ids, counts, outer years?")
    rings = [answer.tree for answer in ages if Flag.RING_ABSENT_OR_FALSE in answer.flags]
    if rings:
        found.append(f"A ring is probably absent or false in {_named(rings)}: the table of rings to check says where.")
    blind = [each.tree for each in ages if Flag.DISTANCE_UNKNOWN in each.flags and not each.distributions]
    if blind:
        told = "an arc, or core length and diameter, would tell how much is missing"
        found.append(f"Only the rings counted are known of {_named(blind)}: {told}.")
    found += [note for note in (ages.date_note, ages.height_note) if note]
    if notes:
        found.append(f"{notes} note{'s' * (notes > 1)} on the input, at the end of this page.")
    rest = [*found, *words("first_check").values()]
    return [*grave, *rest[: max(CHECK_FIRST - len(grave), 0)]]


def _named(trees: Sequence[str]) -> str:
    some = ", ".join(trees[:5]) + (", ..." if len(trees) > 5 else "")
    return f"{len(trees)} tree{'s' * (len(trees) > 1)} ({some})"


def _sections(
    ages: Ages, history: StandHistory | None, figures: Mapping[str, Any], tables: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """The story after the trees: sections with sentence, figures and tables; what is left comes last."""
    titles, told = words("section"), _sentences(ages, history)
    used = {"dates", "anatomy"} | ({"age_structure"} if history is not None else set())
    sections = []
    for key, names, of_tables in STORY:
        shown = [figures[name] for name in names if name in figures and name not in used]
        own = [tables[name] for name in of_tables if name in tables]
        if shown or own:
            sections.append({"title": titles[key], "told": told.get(key, ""), "figures": shown, "tables": own})
        used |= set(names)
    placed = {name for _, _, of_tables in STORY for name in of_tables}
    rest = [table for name, table in tables.items() if name not in placed]
    return [*sections, *([{"title": titles["other"], "told": "", "figures": [], "tables": rest}] if rest else [])]


def _sentences(ages: Ages, history: StandHistory | None) -> dict[str, str]:
    """The sentence of each section that has one."""
    parts: dict[str, Any] = {
        "checks": ages.extras.get("predictive_checks"),
        "sensitivity": ages.extras.get("sensitivity"),
    }
    told = {key: part.sentence() for key, part in parts.items() if isinstance(part, Result)}
    if history is None:
        return told
    names = ("structure", "recruitment", "pulses", "events", "origin", "static", "diameter")
    told |= {name: getattr(history, name).sentence() for name in names if getattr(history, name) is not None}
    above = f" {history.core_height_note}." if history.core_height_note else ""
    told["structure"] = " ".join(filter(None, [history.coverage, told["structure"] + above]))
    if history.pulses_unweighted is not None:
        told["pulses"] += f" Each dated tree counted once instead: {history.pulses_unweighted.sentence()}"
    return told


def markdown_blocks(text: str) -> list[tuple[str, str]]:
    """The blocks of a methods text: tag (h3, p or li) and words, without the title of the document."""
    blocks = []
    for block in re.split(r"\n\s*\n|\n(?=- )", text):
        line = " ".join(block.split()).replace("&lt;", "<").replace("&gt;", ">")
        if line.startswith("## "):
            blocks.append(("h3", line[3:]))
        elif line and not line.startswith("# "):
            blocks.append(("li", line[2:]) if line.startswith("- ") else ("p", line))
    return blocks


# ---------------------------------------------------------------------- one tree


def _tree_block(answer: TreeAge) -> dict[str, Any]:
    """What folds out of one tree: its sentence, its steps, its cores, its flags."""
    cores = []
    for row in answer.core_rows:
        span, pith = "", row["pith_year"]
        if pith:
            middle, low, high = map(year_text, (pith.median(), *pith.interval(answer.prob)))
            span = f"; by itself pith year {middle} ({low} to {high})"
        kinds = ", ".join(str(row[key]).replace("_", " ") for key in ("dating", "inner_end", "distance_from"))
        rings = f"{row['rings_counted']} rings from {year_text(int(row['innermost_year']))}"
        cores.append(f"Core {row['core']}: {kinds}; {rings}{span}.")
    return {
        "name": answer.tree,
        "species": answer.species,
        "told": answer.sentence(),
        "svg": tree_svg(answer) if answer.distributions else "",
        "cores": cores,
        "flags": ", ".join(answer.flags).replace("_", " "),
    }


def _tree_row(row: Mapping[Any, Any], letters: Mapping[str, str]) -> list[tuple[str, str]]:
    """Cells of one tree, each an upper and a lower line: medians above their intervals."""
    above = row["date_refers_to"] == CORE_HEIGHT

    def number(name: str, form: str = "g") -> tuple[str, str]:
        return "" if pd.isna(row[name]) else f"{row[name]:{form}}", ""

    def span(name: str, *, years: bool = False, after: str = "") -> tuple[str, str]:
        if pd.isna(row[f"{name}_median"]):
            return "", ""
        ends = [int(row[f"{name}_{part}"]) for part in ("median", "lo", "hi")]
        middle, low, high = (year_text(end) if years else str(end) for end in ends)
        return f"{middle}{after}", f"{low} to {high}"

    def code(name: str) -> str:
        return "" if pd.isna(row[name]) else str(row[name]).replace("_", " ")

    return [
        (str(row["tree"]), ""),
        (str(row["species"]), str(row["plot"])),
        number("cores"),
        (code("dating"), code("inner_end")),
        number("core_height_m", ".2f"),
        number("rings_counted"),
        span("missed_rings"),
        span("pith_year", years=True),
        span("years_to_core_height"),
        ("unknown", "before the pith") if above else span("establishment_year", years=True),
        span("age_at_core_height", after=" at height") if above else span("age"),
        number("minimum_age"),
        (" ".join(letters[flag] for flag in str(row["flags"]).split(";") if flag), ""),
    ]


def _reasons(ages: Ages) -> list[str]:
    """Rows of the input that did not become what they might have, and why."""
    lines = []
    for row in ages.accounting.fillna({"reason": ""}).to_dict("records"):
        if row["reason"]:
            where = [f"{row['table']}, row {row['row']}" if row["row"] else str(row["table"])]
            where += [f"{name} {row[name]}" for name in ("tree", "core") if row[name]]
            lines.append(f"{', '.join(where)}: {row['status']}; {row['reason']}.")
    return lines


def _flags(ages: Ages) -> list[dict[str, Any]]:
    """The flags that occur: letter, name, trees, meaning."""
    trees: dict[str, list[str]] = {}
    for answer in ages:
        for flag in answer.flags:
            trees.setdefault(flag, []).append(answer.tree)
    order = sorted(trees, key=lambda name: (name not in WORST_FLAGS, name))
    letters = [ascii_lowercase[at % 26] * (1 + at // 26) for at in range(len(order))]
    return [
        {
            "letter": letter,
            "name": flag,
            "trees": trees[flag],
            "meaning": flag_meanings().get(flag, flag.replace("_", " ") + "."),
        }
        for letter, flag in zip(letters, order, strict=True)
    ]
