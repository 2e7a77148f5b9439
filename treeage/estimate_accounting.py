"""The account of every input row, and the list of models and defaults that were actually used.

Layer 4, part of the family of `estimate`. Own derivation.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from treeage import priors
from treeage.estimate_cores import CoreFacts
from treeage.estimate_inputs import CoreInputs
from treeage.results_tree import CORE_HEIGHT, ROOT_COLLAR, TreeAge
from treeage.rings import ring_model

if TYPE_CHECKING:
    from treeage.estimate_answers import Workings
    from treeage.tables import Field

ACCOUNT_COLUMNS = ["table", "row", "tree", "core", "status", "reason", "rows"]


def account_rows(field: Field, answers: list[TreeAge], facts: CoreFacts, inputs: CoreInputs) -> pd.DataFrame:
    """Say of every row of the input what became of it.

    Parameters
    ----------
    field : Field
        The input.
    answers : list of TreeAge
        The output.
    facts, inputs : CoreFacts, CoreInputs
        All cores.

    Returns
    -------
    pandas.DataFrame
        Columns table, row, tree, core, status (estimated, minimum only, refused, used, not used), reason, rows. Trees
        and cores one row each; the other tables summed by status. The sum of rows is the number of input rows.
    """
    status = {answer.tree: answer for answer in answers}
    rows: list[dict[str, Any]] = []
    for line, tree in enumerate(field.trees["tree"], start=2):
        answer = status.get(str(tree))
        if answer is None:
            rows.append(_entry("trees", line, tree, "", "refused", "no core in cores.csv"))
        else:
            reason = "" if answer.status == "estimated" else _why(answer.flags)
            rows.append(_entry("trees", line, tree, "", answer.status, reason))
    for row, (tree, core) in enumerate(zip(facts.table["tree"], facts.table["core"], strict=True)):
        bound = bool(inputs.bound_only[row])
        reason = _why(tuple(sorted(facts.flags[row]))) if bound else ""
        rows.append(_entry("cores", row + 2, tree, core, "minimum only" if bound else "estimated", reason))
    rows += _other_tables(field)
    return pd.DataFrame(rows, columns=ACCOUNT_COLUMNS)


def _entry(*values: Any) -> dict[str, Any]:
    return dict(zip(ACCOUNT_COLUMNS, (*values, 1), strict=True))


def _why(flags: tuple[str, ...]) -> str:
    words = {
        "distance_unknown": "nothing bounds the distance to the pith (no arc, no diameter with core length)",
        "no_ring_width": "no ring width and nothing to derive one from",
        "upper_core_bounds": "the years between the heights of the tree's cores are unknown: only the lowest date it",
    }
    found = [text for flag, text in words.items() if flag in flags]
    return "; ".join(found) or "the cores only bound the age"


def _other_tables(field: Field) -> list[dict[str, Any]]:
    species = set(field.trees["species"])
    known = set(zip(field.cores["tree"], field.cores["core"], strict=True))
    rows = []
    for name in ("rings", "arcs", "points", "seedlings", "events"):
        table = getattr(field, name)
        if not len(table):
            continue
        if name == "seedlings":
            used = table["species"].isin(species).to_numpy()
            reason = "species not in trees.csv"
        elif name == "events":
            used, reason = np.ones(len(table), dtype=bool), ""
        else:
            used = np.array([key in known for key in zip(table["tree"], table["core"], strict=True)])
            reason = "core not in cores.csv"
        for status, count in (("used", int(used.sum())), ("not used", int((~used).sum()))):
            if count:
                rows.append({"table": name, "row": 0, "tree": "", "core": "", "status": status,
                             "reason": "" if status == "used" else reason, "rows": count})  # fmt: skip
    return rows


def gather_sources(workings: Workings, answers: list[TreeAge]) -> pd.DataFrame:
    """List the models and defaults that the answers rest on.

    Parameters
    ----------
    workings : Workings
        What the answers were made from.
    answers : list of TreeAge
        The answers.

    Returns
    -------
    pandas.DataFrame
        Columns step, what, source, known, used (number of cores or trees).
    """
    facts, inputs, heights, rates = workings.facts, workings.inputs, workings.heights, workings.rates
    rows: list[dict[str, Any]] = []

    def add(step: str, what: str, source: str, known: str, used: int) -> None:
        if used:
            rows.append({"step": step, "what": what, "source": source, "known": known, "used": used})

    methods = [m for m, bound in zip(facts.methods, inputs.bound_only, strict=True) if not bound]
    for method, count in pd.Series(methods, dtype=object).value_counts().items():
        parts = [_DISTANCE_SOURCES[part] for part in str(method).split(" and ") if part in _DISTANCE_SOURCES]
        sources, knowns = (list(dict.fromkeys(part[at] for part in parts)) for at in (0, 1))
        add("distance to the pith", str(method), "; ".join(sources), ", ".join(knowns), int(count))
    hidden = np.flatnonzero((inputs.distance[:, 0] < 1) & ~inputs.bound_only)
    add("missed rings", "log-linear model of the hidden mean width", ring_model().source, "fitted", hidden.size)
    for what, count in pd.Series([_width_from(facts, int(row)) for row in hidden], dtype=object).value_counts().items():
        add("visible widths", str(what), "the tables of this folder", "user", int(count))
    for species, rate in rates.items():
        what = f"{species}: hidden widths adjusted by {rate.neighbours} dated trees of the stand"
        used = int((rate.place >= 0).sum()) if rate.neighbours else 0
        add("missed rings", what, "the ring tables of this folder", "user", used)
    of_dated = facts.table["tree"].isin([answer.tree for answer in answers if answer.status == "estimated"])
    for dating, count in facts.table.loc[of_dated, "dating"].value_counts().items():
        known = "definition" if dating == "crossdated" else "abstract"
        add("count error", str(dating), _COUNT_SOURCES[str(dating)], known, int(count))
    what = "two ring tables of a tree read against each other"
    add(
        "count error",
        what,
        "pair hidden-Markov alignment, constants fitted to a public archive",
        "fitted",
        workings.pairs_read,
    )
    for entry, flag in (
        (priors.BARK_SHARE, "bark_from_published_share"),
        (priors.TAPER, "diameter_from_breast_height"),
    ):
        used = sum(flag in flags for flags in facts.flags)
        add("diameter", f"{entry.meaning}: {entry.value:g} {entry.unit}", entry.source, entry.known, used)
    trees = [(answer.species, answer.date_refers_to) for answer in answers if answer.status == "estimated"]
    for species, model in heights.models.items():
        at_collar, above = (trees.count((species, refers_to)) for refers_to in (ROOT_COLLAR, CORE_HEIGHT))
        if model.is_none:
            add(
                "years to coring height",
                f"{species}: cored at the root collar",
                "no years to add",
                "definition",
                at_collar,
            )
            what = f"{species}: none, dates refer to the coring height"
            add("years to coring height", what, model.source, "none", above)
        else:
            add("years to coring height", f"{species}: {model.name}", model.source, model.known, at_collar)
    return pd.DataFrame(rows, columns=["step", "what", "source", "known", "used"])


def _width_from(facts: CoreFacts, row: int) -> str:
    """What the visible growth of a core was taken from, see `estimate_inputs`."""
    if facts.widths_mm[row].sum() > 0:
        return "ring table"
    for flag, words in (("width_from_length", "core length"), ("width_from_diameter", "diameter")):
        if flag in facts.flags[row]:
            return words
    return "inner width"


_ARCS = "plane geometry; use as in Baker et al. 2005, Ecol. Monogr. 75:317-343, App. B"
_WEISBERG = "Weisberg & Swanson 2001, Northwest Sci. 75:145-156"
_DISTANCE_SOURCES = {
    "pith on the core": ("seen on the core", "definition"),
    "arc": (f"chord and rise of the innermost arc: {_ARCS}", "derived"),
    "several arcs": (f"chord and rise of several arcs: {_ARCS}", "derived"),
    "template circle": ("template of concentric circles, Applequist 1958, J. For. 56:141", "memory"),
    "rays": ("converging rays, Rozas 2003, Plant Ecology 167, doi 10.1023/A:1023969822044", "abstract"),
    "radius less core length": (
        "Norton, Palmer & Ogden 1987, NZ J. Bot. 25, with the eccentricity of Renvall 1923 and Woodall 2008",
        "derived",
    ),
    "distance read": ("the distance column of cores.csv", "user"),
    "digitised boundaries": ("least-squares concentric circles through the points of points.csv", "derived"),
}
_COUNT_SOURCES = {
    "crossdated": "no count error by definition",
    "lab_count": f"{_WEISBERG}: mean error 1.5 years",
    "field_count": f"{_WEISBERG}: 75 % within 10, 87 % within 20 years",
}
