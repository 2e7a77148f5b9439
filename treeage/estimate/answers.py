"""From the pith date of a tree to its answer: height and collar years subtracted, shares, flags.

Convolutions of mass functions; own derivation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from treeage import priors
from treeage.estimate.cores import CoreFacts, CoreInputs
from treeage.estimate.shared import HeightTable, SpeciesRates
from treeage.estimate.trees import TiedHeights, TreeDates
from treeage.height import HeightModel
from treeage.pmf import Pmf
from treeage.results import CORE_HEIGHT, ROOT_COLLAR, SharedParts, TreeAge
from treeage.rings import ring_model

if TYPE_CHECKING:
    from treeage.tables import Field

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

CONFLICT_LEVEL = 0.01  # choice: cores of a tree are reported as disagreeing below this predictive p value


@dataclass(frozen=True)
class Workings:
    """What the answers of all trees are made from.

    Parameters
    ----------
    facts, inputs : CoreFacts, CoreInputs
        All cores.
    heights : HeightTable
        Years to height.
    rates : mapping of str to SpeciesRates
        Shared growth rate by species.
    tied : mapping of str to TiedHeights
        Joint mass of the trees that were cored at several heights.
    pairs_read : int
        Trees whose two ring tables were read against each other.
    """

    facts: CoreFacts
    inputs: CoreInputs
    heights: HeightTable
    rates: Mapping[str, SpeciesRates]
    tied: Mapping[str, TiedHeights]
    pairs_read: int = 0


def tree_answer(record: Mapping[str, Any], dates: TreeDates, workings: Workings, *, prob: float) -> TreeAge:
    """Answer for one dated tree.

    Parameters
    ----------
    record : mapping
        Row of trees.csv.
    dates : TreeDates
        Pith date.
    workings : Workings
        Everything else.
    prob : float
        Probability of the intervals.

    Returns
    -------
    TreeAge
        With mass functions, shares, flags and the parts for joint draws. Without a height model the date is the pith
        year at the coring height: no years are subtracted, and no establishment year and age are stated.
    """
    facts, inputs, heights = workings.facts, workings.inputs, workings.heights
    tied = workings.tied.get(str(record["tree"]))
    nodes = workings.rates[str(record["species"])].nodes
    species = str(record["species"])
    lead = facts.records[dates.lead]
    height_m = float(lead["core_height_m"])
    years_start, years = heights.years(species, height_m)
    weights = heights.weights(species, years.shape[0])
    above = heights.models[species].is_none and height_m > 0  # no years to that height: the date refers to it
    collar = collar_mass(_number(record, "collar_years"), _number(record, "collar_years_sd"))
    collar = Pmf.point(0) if above else collar
    added = Pmf(dates.start, nodes.stand_weights @ dates.given_stand).trim()
    pith = added.negate().shift(dates.reference_year)
    joint: Array | None = None
    added_start, given = dates.start, dates.given_stand
    if tied is None:
        years_pmf = Pmf(years_start, weights @ years).trim()
        before_collar = pith.convolve(years_pmf.negate())
    else:
        joint, added_start = tied.joint, tied.start
        years_pmf = Pmf(tied.years_start, weights @ tied.years).trim()
        before_collar = Pmf(added_start, np.einsum("bkn,b,k->n", joint, nodes.stand_weights, weights)).trim()
        before_collar = before_collar.negate().shift(dates.reference_year)
    establishment = before_collar.convolve(collar.negate()).trim()
    outer_year, lost = _outer_year(facts, dates.cores)
    distributions = {
        "missed_rings": _missed_given_tree(dates, inputs, pith),
        "pith_year": pith,
        "age_at_core_height": pith.negate().shift(outer_year + 1).convolve(lost).trim(),
    }
    if not above:
        age = establishment.negate().shift(outer_year + 1).convolve(lost).trim()
        distributions |= {"years_to_core_height": years_pmf, "establishment_year": establishment, "age": age}
    distributions["collar_years"] = collar
    return TreeAge(
        tree=str(record["tree"]),
        species=species,
        plot_id=str(record.get("plot") or ""),
        status="estimated",
        facts=_lead_facts(lead, len(dates.alone)),
        outer_year=outer_year,
        minimum_age=_minimum_age(facts, dates.cores),
        distributions=distributions,
        shares=variance_shares(
            dates, pith.var(), max(0.0, establishment.var() - pith.var() - collar.var()), collar.var()
        ),
        core_conflict_p=dates.conflict_p,
        flags=_flags(record, dates, facts, heights.models[species], height_m),
        parts=SharedParts(
            dates.reference_year, added_start, given, years_start, years, joint, species, heights.groups[species]
        ),
        cores=_core_table(dates, facts, inputs, prob),
        outer_lost=lost,
        prob=prob,
    )


def minimum_answer(record: Mapping[str, Any], rows: Ints, facts: CoreFacts, *, prob: float) -> TreeAge:
    """Answer for a tree whose cores only bound its age.

    Parameters
    ----------
    record : mapping
        Row of trees.csv.
    rows : numpy.ndarray of int
        Its cores.
    facts : CoreFacts
        All cores.
    prob : float
        Probability kept with the answer.

    Returns
    -------
    TreeAge
        With the minimum age and no distributions.
    """
    counted = facts.table["rings_counted"].to_numpy()[rows]
    lead = facts.records[rows[int(np.argmax(counted))]]
    outer_year, lost = _outer_year(facts, tuple(rows))
    flags = sorted(set().union(*(facts.flags[row] for row in rows)))
    return TreeAge(
        tree=str(record["tree"]),
        species=str(record["species"]),
        plot_id=str(record.get("plot") or ""),
        status="minimum only",
        facts=_lead_facts(lead, len(rows)),
        outer_year=outer_year,
        minimum_age=_minimum_age(facts, tuple(rows)),
        flags=tuple(flags),
        outer_lost=lost,
        prob=prob,
    )


def collar_mass(years: float, years_sd: float) -> Pmf:
    """Mass function of the years hidden by a buried collar.

    Parameters
    ----------
    years, years_sd : float
        Mean and standard deviation, at least 0; NaN counts as 0.

    Returns
    -------
    Pmf
        A point where the spread is 0; else a normal cut at 0 on whole years.

    Notes
    -----
    The correction is one-sided: no mass lies below 0, so the mean moves up where the spread is large against it.

    References
    ----------
    .. [1] DesRochers & Gagnon 1997, Can. J. For. Res. 27:1263-1267 (abstract): 3 to 19 years.

    Examples
    --------
    >>> collar_mass(0.0, 0.0).median(), collar_mass(10.0, 3.0).interval(0.9)
    (0, (5, 15))
    """
    mean, spread = float(np.nan_to_num(years)), float(np.nan_to_num(years_sd))
    if spread <= 0:
        return Pmf.point(round(mean))
    top = int(np.ceil(mean + 5 * spread))
    edges = np.arange(-1, top + 1) + 0.5
    return Pmf(0, np.diff(ndtr((edges - mean) / spread)))


def variance_shares(dates: TreeDates, pith: float, height: float, collar: float) -> dict[str, float]:
    """Share of the variance of the establishment year due to each step.

    Parameters
    ----------
    dates : TreeDates
        Variance of each core by step.
    pith, height, collar : float
        Variance of the pith year, of the years to height and of the collar years.

    Returns
    -------
    dict of str to float
        share_count, share_distance, share_rate, share_height, share_collar; they add to 1, and are all NaN where
        nothing is uncertain.

    Notes
    -----
    A core's variance is split by the law of total variance; the cores are weighted by their precision, and the
    parts are scaled to the variance of the combined pith year.
    """
    totals = {row: sum(parts) for row, parts in dates.variance.items()}
    certain = [row for row, total in totals.items() if total <= 1e-12]
    weights = {row: 1.0 for row in certain} if certain else {row: totals[row] ** -2 for row in totals}
    parts = np.array([np.array(dates.variance[row]) * weight for row, weight in weights.items()]).sum(axis=0)
    parts = parts / parts.sum() * pith if parts.sum() > 0 else np.array([0.0, 0.0, pith])
    shares = np.append(parts, [height, collar])
    total = shares.sum()
    names = ("share_count", "share_distance", "share_rate", "share_height", "share_collar")
    return dict(zip(names, (shares / total).tolist() if total > 1e-12 else [float("nan")] * 5, strict=True))


def _missed_given_tree(dates: TreeDates, inputs: CoreInputs, pith: Pmf) -> Pmf:
    """Missed rings of the lead core, given everything known about the tree."""
    alone = dates.missed[dates.lead]
    added = pith.negate().shift(int(inputs.innermost_year[dates.lead]))
    count = dates.counts[dates.lead]
    prior = alone.convolve(count)
    ratio = np.zeros(prior.mass.size)
    posterior = added.on(prior.start, prior.mass.size)
    positive = prior.mass > 1e-15
    ratio[positive] = posterior[positive] / prior.mass[positive]
    support = np.correlate(ratio, count.mass, mode="valid")
    mass = alone.mass * support[: alone.mass.size]
    return Pmf(alone.start, mass).trim(1e-7) if mass.sum() > 0 else alone


def _outer_year(facts: CoreFacts, rows: tuple[int, ...] | Ints) -> tuple[int, Pmf]:
    """Ring year of the core that reaches furthest out, and the rings lost outside it, by which the age is longer.

    The outer year of a count is the year of coring less the rings lost: what is wrong with the one is wrong with the
    date, and the year of coring stays. So only a crossdated core has an uncertain number of rings to add.
    """
    records = [facts.records[row] for row in rows]
    lost = [_number(record, "outer_lost") for record in records]
    spread = [_number(record, "outer_lost_sd") for record in records]
    best = max(range(len(records)), key=lambda k: (records[k]["outer_year"] + lost[k], -spread[k]))
    uncertain = spread[best] if records[best]["dating"] == "crossdated" else 0.0
    return int(records[best]["outer_year"]), collar_mass(lost[best], uncertain)


def _number(record: Mapping[str, Any], name: str) -> float:
    value = record.get(name)
    return float(value) if value not in (None, "") and np.isfinite(float(value)) else 0.0


def _minimum_age(facts: CoreFacts, rows: tuple[int, ...]) -> int:
    return max(int(facts.records[row]["rings_counted"]) for row in rows)


def _lead_facts(lead: Mapping[str, Any], cores: int) -> dict[str, Any]:
    return {
        "cores": cores,
        "dating": str(lead["dating"]),
        "inner_end": str(lead["inner_end"]),
        "core_height_m": float(lead["core_height_m"]),
        "rings_counted": int(lead["rings_counted"]),
        "lead_core": str(lead["core"]),
    }


def _flags(
    record: Mapping[str, Any], dates: TreeDates, facts: CoreFacts, model: HeightModel, height_m: float
) -> tuple[str, ...]:
    """What a reader must know about a tree, in words fixed by the report."""
    words = set().union(*(facts.flags[row] for row in dates.cores))
    if np.isfinite(dates.conflict_p) and dates.conflict_p < CONFLICT_LEVEL:
        words.add("cores_disagree")
    if dates.contradiction:
        words.add("cores_contradict")
    if model.is_none and height_m > 0:
        words.add("age_at_core_height")
    elif not model.is_none and model.cautions(height_m):
        words.add("height_model_caution")
    origin = str(record.get("origin") or "")
    if origin in ("sprout", "advance", "planted"):
        words.add(f"{origin}_origin")
    return tuple(sorted(words))


def _core_table(dates: TreeDates, facts: CoreFacts, inputs: CoreInputs, prob: float) -> pd.DataFrame:
    """What each core says alone, one row a core."""
    rows = []
    for row in dates.cores:
        core = facts.records[row]
        pith = dates.alone.get(row)
        low, high = pith.interval(prob) if pith else (None, None)
        rows.append({
            "core": str(core["core"]), "dating": str(core["dating"]), "inner_end": str(core["inner_end"]),
            "core_height_m": float(core["core_height_m"]), "rings_counted": int(core["rings_counted"]),
            "innermost_year": int(inputs.innermost_year[row]), "distance_from": facts.methods[row],
            "pith_year_median": pith.median() if pith else None, "pith_year_lo": low, "pith_year_hi": high,
            "lead": row == dates.lead,
        })  # fmt: skip
    return pd.DataFrame(rows)


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
