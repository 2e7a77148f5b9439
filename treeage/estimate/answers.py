"""From the pith date of a tree to its answer: height and collar years subtracted, shares, flags.

Convolutions of mass functions, own derivation; and the account of every row of the input.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from treeage import priors
from treeage.distance import DISTANCE_GRID_MM, DistanceSource
from treeage.estimate.cores import Cores
from treeage.estimate.shared import FEWEST_RINGS, LEAST_TREES, Shared, takes_young_trees
from treeage.height import nursery_mass
from treeage.pmf import Mass, Pmf, read_only_row
from treeage.posterior import TreePosterior
from treeage.priors import Known
from treeage.results import FACTS, SHARES, Flag, SharedParts, Status, Step, TreeAge
from treeage.rings import compare_rules, ring_model
from treeage.schema import (
    CORE_HEIGHT,
    FEWEST_YOUNG_TREES,
    ROOT_COLLAR,
    Dating,
    InnerEnd,
    OuterEnd,
    TreeOrigin,
    genus_of,
)

if TYPE_CHECKING:
    from treeage.height import HeightModel
    from treeage.tables import Field

Array = NDArray[np.float64]

CONFLICT_LEVEL = 0.01  # choice: cores of a tree are reported as disagreeing below this predictive p value
MOST_HIDDEN = 2.0  # choice: a pith farther away than so many lengths of the core rests on the stem, not on the core
MOST_SPREAD = 20.0  # choice: a core with a twentieth of the precision of the best moves no date
_OF_ANY_CORE = frozenset({Flag.RING_ABSENT_OR_FALSE, Flag.UPPER_CORE_BOUNDS})
ACCOUNT_COLUMNS = ["table", "row", "tree", "core", "status", "reason", "rows"]
_ORIGIN_FLAGS: dict[str, Flag] = {
    TreeOrigin.SPROUT: Flag.SPROUT_ORIGIN,
    TreeOrigin.ADVANCE: Flag.ADVANCE_ORIGIN,
    TreeOrigin.PLANTED: Flag.PLANTED_ORIGIN,
}


def tree_answer(posterior: TreePosterior, cores: Cores, shared: Shared, *, prob: float) -> TreeAge:
    """Answer for one dated tree: mass functions, shares, flags and the parts for joint draws.

    Without a height model the date is the pith year at the coring height: no years are subtracted, and no establishment
    year and age are stated.
    """
    lead, own, tie = posterior.lead, shared[posterior.species], posterior.tie
    height_m = float(cores.height_m[lead])
    weights, stand = shared.weights(posterior.species), own.growth.stand_weights
    height = own.height_of(cores, lead)
    nursery = _nursery(height, float(cores.nursery_years[lead])) if height_m > 0 else Pmf.point(0)
    years = _later(height.years_given_shared(height_m), nursery)
    above = height.is_none and height_m > 0  # no years to that height: the date refers to it
    collar = Pmf.point(0) if above else collar_mass(cores.collar_years[lead], cores.collar_years_sd[lead])
    added = posterior.added
    pith = Pmf(added.start, stand @ added.mass).trim().negate().shift(posterior.reference_year)
    if tie is None:
        years_pmf = Pmf(years.start, weights @ years.mass).trim()
        before_collar = pith.convolve(years_pmf.negate())
    else:
        tied = _later(tie.joint, nursery)
        years_pmf = Pmf(tie.years.start, weights @ tie.years.mass).trim().convolve(nursery)
        total = Pmf(tied.start, np.einsum("bkn,b,k->n", tied.mass, stand, weights)).trim()
        before_collar = total.negate().shift(posterior.reference_year)
    establishment = before_collar.convolve(collar.negate()).trim()
    outer_year, lost = _outer_year(cores, posterior.cores)
    distributions = {
        "missed_rings": _missed_given_tree(posterior, int(cores.innermost_year[lead]), pith),
        "pith_year": pith,
        "age_at_core_height": pith.negate().shift(outer_year + 1).convolve(lost).trim(),
    }
    if not above:
        age = establishment.negate().shift(outer_year + 1).convolve(lost).trim()
        distributions |= {"years_to_core_height": years_pmf, "establishment_year": establishment, "age": age}
    distributions["collar_years"] = collar
    by_height = max(0.0, establishment.var() - pith.var() - collar.var())
    return TreeAge(
        tree=posterior.tree,
        species=posterior.species,
        plot_id=str(cores.plot[lead]),
        status=Status.ESTIMATED,
        facts=_lead_facts(cores, lead, len(posterior.informs)),
        outer_year=outer_year,
        minimum_age=int(cores.rings_counted[list(posterior.cores)].max()),
        distributions=distributions,
        shares=variance_shares(posterior.variance, pith.var(), by_height, collar.var()),
        core_conflict_p=posterior.conflict_p,
        flags=_flags(posterior, cores, height, distributions["missed_rings"].median()),
        parts=SharedParts(
            posterior.reference_year, added if tie is None else tied, years, posterior.species, own.height_group
        ),
        core_rows=_core_rows(posterior, cores),
        outer_lost=lost,
        prob=prob,
    )


def _nursery(height: HeightModel, years: float) -> Pmf:
    """Nursery years of a planted tree where its years count from planting: its own, else those of the model; else 0."""
    if height.nursery is None:
        return Pmf.point(0)
    return nursery_mass(years) if np.isfinite(years) else height.nursery


def _later(years: Mass, more: Pmf) -> Mass:
    """Rows of years with more years added."""
    if more.mass.size == 1:
        return Mass(years.start + more.start, years.mass)
    mass = np.zeros((*years.mass.shape[:-1], years.mass.shape[-1] + more.mass.size - 1))
    for k, share in enumerate(more.mass):
        mass[..., k : k + years.mass.shape[-1]] += share * years.mass
    return Mass(years.start + more.start, mass)


def minimum_answer(tree: str, cores: Cores, *, prob: float) -> TreeAge:
    """Answer for a tree whose cores only bound its age: the minimum age, and no distributions."""
    rows = cores.rows_of[tree]
    lead = rows[int(np.argmax(cores.rings_counted[list(rows)]))]
    outer_year, lost = _outer_year(cores, rows)
    return TreeAge(
        tree=tree,
        species=str(cores.species[lead]),
        plot_id=str(cores.plot[lead]),
        status=Status.MINIMUM_ONLY,
        facts=_lead_facts(cores, lead, len(rows)),
        outer_year=outer_year,
        minimum_age=int(cores.rings_counted[list(rows)].max()),
        flags=tuple(sorted(frozenset().union(*(cores.flags[row] for row in rows)) | _open_end(cores, rows))),
        outer_lost=lost,
        prob=prob,
    )


def collar_mass(years: float, years_sd: float) -> Pmf:
    """Mass function of the years hidden by a buried collar, from their mean and standard deviation, at least 0.

    A point where the spread is 0; else a normal cut at 0 on whole years. The correction is one-sided: no mass lies
    below 0, so the mean moves up where the spread is large against it (DesRochers & Gagnon 1997, Can. J. For. Res.
    27:1263-1267, abstract: 3 to 19 years).

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


def variance_shares(by_core: Array, pith: float, height: float, collar: float) -> dict[str, float]:
    """Share of the variance of the establishment year due to each step; they add to 1, or are NaN where it is certain.

    by_core, shape (n_core, 3): what count, distance and growth of each core add to the variance of the tree's pith year
    (law of total variance, in this order). The parts are scaled to the variance of the combined pith year.
    """
    parts = by_core.sum(axis=0)
    parts = parts / parts.sum() * pith if parts.sum() > 0 else np.array([0.0, 0.0, pith])
    shares = np.append(parts, [height, collar])
    total = shares.sum()
    return dict(zip(SHARES, (shares / total).tolist() if total > 1e-12 else [float("nan")] * 5, strict=True))


def _missed_given_tree(posterior: TreePosterior, innermost_year: int, pith: Pmf) -> Pmf:
    """Missed rings of the lead core, given everything known about the tree."""
    alone, count = posterior.missed[posterior.lead_place], posterior.counts[posterior.lead_place]
    added = pith.negate().shift(innermost_year)
    prior = alone.convolve(count)
    ratio = np.zeros(prior.mass.size)
    together = added.on(prior.start, prior.mass.size)
    positive = prior.mass > 1e-15
    ratio[positive] = together[positive] / prior.mass[positive]
    support = np.correlate(ratio, count.mass, mode="valid")
    mass = alone.mass * support[: alone.mass.size]
    return Pmf(alone.start, mass).trim(1e-7) if mass.sum() > 0 else alone


def _outer_year(cores: Cores, rows: Sequence[int]) -> tuple[int, Pmf]:
    """Ring year of the core that reaches furthest out, and the rings lost outside it, by which the age is longer.

    The outer year of a count is the year of coring less the rings lost: what is wrong with the one is wrong with the
    date, and the year of coring stays. So only a crossdated core has an uncertain number of rings to add.
    """
    best = _outermost(cores, rows)
    uncertain = cores.outer_lost_sd[best] if cores.dating[best] == Dating.CROSSDATED else 0.0
    return int(cores.outer_year[best]), collar_mass(cores.outer_lost[best], uncertain)


def _outermost(cores: Cores, rows: Sequence[int]) -> int:
    """The core to whose last year the age of a tree runs; one with bark before one without."""

    def reach(row: int) -> tuple[float, float, bool]:
        end = cores.outer_year[row] + cores.outer_lost[row]
        return end, -cores.outer_lost_sd[row], not _lost_unsaid(cores, row)

    return max(rows, key=reach)


def _lead_facts(cores: Cores, lead: int, number: int) -> dict[str, Any]:
    core, height_m, rings = str(cores.core[lead]), float(cores.height_m[lead]), int(cores.rings_counted[lead])
    values = (number, str(cores.dating[lead]), str(cores.inner_end[lead]), core, height_m, rings)
    return dict(zip(FACTS, values, strict=True))


def _flags(posterior: TreePosterior, cores: Cores, height: HeightModel, missed: int) -> tuple[Flag, ...]:
    """What moved the date of a tree and a reader must know; missed: median of the missed rings of the lead core."""
    lead, variance = posterior.lead, np.array([years.var() for years in posterior.alone])
    speaks = variance <= MOST_SPREAD * max(float(variance.min()), 1e-12)
    of_speakers = (cores.flags[row] for row, own in zip(posterior.informs, speaks, strict=True) if own)
    of_any = (cores.flags[row] & _OF_ANY_CORE for row in posterior.cores)
    flags: set[Flag] = set().union(*of_speakers, *of_any, _open_end(cores, posterior.cores))
    height_m = float(cores.height_m[lead])
    away_mm = float(cores.distance[lead] @ DISTANCE_GRID_MM)
    if DistanceSource.RADIUS_LESS_LENGTH in cores.source[lead]:
        away_mm = max(away_mm, float(cores.radius_mm[lead] - cores.length_mm[lead]))
    if missed > cores.rings_counted[lead] or away_mm > MOST_HIDDEN * cores.length_mm[lead]:
        flags.add(Flag.MORE_HIDDEN_THAN_SEEN)
    if np.isfinite(posterior.conflict_p) and posterior.conflict_p < CONFLICT_LEVEL:
        flags.add(Flag.CORES_DISAGREE)
    if posterior.contradiction:
        flags.add(Flag.CORES_CONTRADICT)
    if height.is_none and height_m > 0:
        flags.add(Flag.AGE_AT_CORE_HEIGHT)
    elif height.grade and height_m > 0:
        flags |= {Flag.HEIGHT_FROM_OPEN_DATA} if height.own_trees < FEWEST_YOUNG_TREES else set()
    elif not height.is_none and height.cautions(height_m):
        flags.add(Flag.HEIGHT_MODEL_CAUTION)
    origin = str(cores.origin[lead])
    if origin in _ORIGIN_FLAGS:
        flags.add(_ORIGIN_FLAGS[origin])
    return tuple(sorted(flags))


def _open_end(cores: Cores, rows: Sequence[int]) -> frozenset[Flag]:
    """The flag of unknown outer rings, where the core that the age runs to has lost them and nobody said how many."""
    return frozenset({Flag.OUTER_RINGS_UNKNOWN} if _lost_unsaid(cores, _outermost(cores, rows)) else ())


def _lost_unsaid(cores: Cores, row: int) -> bool:
    return bool(cores.outer_end[row] == OuterEnd.LOST and not cores.outer_lost[row] > 0)


def _core_rows(posterior: TreePosterior, cores: Cores) -> tuple[Mapping[str, Any], ...]:
    """What each core says alone, one row a core."""
    alone = dict(zip(posterior.informs, posterior.alone, strict=True))
    return tuple(
        read_only_row({
            "core": str(cores.core[row]), "dating": str(cores.dating[row]), "inner_end": str(cores.inner_end[row]),
            "core_height_m": float(cores.height_m[row]), "rings_counted": int(cores.rings_counted[row]),
            "innermost_year": int(cores.innermost_year[row]), "distance_from": cores.source[row],
            "pith_year": alone.get(row), "lead": row == posterior.lead,
        })
        for row in posterior.cores
    )  # fmt: skip


# ------------------------------------------------------------------ the account of every row


def account_rows(field: Field, answers: Iterable[TreeAge], cores: Cores) -> pd.DataFrame:
    """Say of every row of the input what became of it.

    Columns ACCOUNT_COLUMNS. Trees and cores one row each; the other tables summed by status. The sum of rows is the
    number of input rows.
    """
    answer_of = {answer.tree: answer for answer in answers}
    rows: list[list[Any]] = []
    trees, lines = (field.lines.get(name, ()) for name in ("trees", "cores"))
    for line, tree in zip(trees, field.trees["tree"], strict=True):
        answer = answer_of.get(str(tree))
        if answer is None:
            rows.append(["trees", line, tree, "", Status.NOT_CORED, "", 1])
        else:
            reason = "" if answer.status == Status.ESTIMATED else _why(answer.flags)
            rows.append(["trees", line, tree, "", answer.status, reason, 1])
    for row in np.argsort(cores.line):
        bound = bool(cores.bound_only[row])
        status, reason = (Status.MINIMUM_ONLY, _why(cores.flags[row])) if bound else (Status.ESTIMATED, "")
        rows.append(["cores", lines[cores.line[row]], cores.tree[row], cores.core[row], status, reason, 1])
    return pd.DataFrame(rows + _other_tables(field), columns=ACCOUNT_COLUMNS)


_REASONS = {
    Flag.DISTANCE_UNKNOWN: "nothing bounds the distance to the pith (no arc, no diameter with core length)",
    Flag.NO_RING_WIDTH: "no ring width and nothing to derive one from",
    Flag.UPPER_CORE_BOUNDS: ("the years between the heights of the tree's cores are unknown: only the lowest date it"),
}


def _why(flags: Iterable[str]) -> str:
    """Why a core or tree is only a minimum."""
    return "; ".join(text for flag, text in _REASONS.items() if flag in set(flags)) or "the cores only bound the age"


def _other_tables(field: Field) -> list[list[Any]]:
    """Rows of the tables that are not trees or cores, used or not, summed."""
    species = set(field.trees["species"])
    silent = {name for name in species if not takes_young_trees(field, name)}
    known = set(zip(field.cores["tree"], field.cores["core"], strict=True))
    rows: list[list[Any]] = []
    for name in ("rings", "arcs", "points", "seedlings", "events"):
        table = getattr(field, name)
        why = np.full(len(table), "", dtype=object)  # a row moves no date; empty where it does
        if name == "seedlings":
            why[table["species"].isin(silent)] = "the height model of the species takes no young trees"
            why[~table["species"].isin(species)] = "species not in trees.csv"
        elif name != "events":
            found = [key in known for key in zip(table["tree"].tolist(), table["core"].tolist(), strict=True)]
            why[~np.array(found, dtype=bool)] = "core not in cores.csv"
        for reason, count in sorted(Counter(why.tolist()).items()):
            rows.append([name, 0, "", "", Status.NOT_USED if reason else Status.USED, reason, count])
    return rows


# ------------------------------------------------------------------ sources


_ARCS = "plane geometry; use as in Baker et al. 2005, Ecol. Monogr. 75:317-343"
_WEISBERG = "Weisberg & Swanson 2001, Northwest Sci. 75:145-156"
_DISTANCE_SOURCES = {
    DistanceSource.PITH: ("seen on the core", Known.DEFINITION),
    DistanceSource.ARC: (f"chord and rise of the innermost arc: {_ARCS}", Known.DERIVED),
    DistanceSource.SEVERAL_ARCS: (f"chord and rise of several arcs: {_ARCS}", Known.DERIVED),
    DistanceSource.CIRCLE: (
        "template of concentric circles, Applequist 1958, J. For. 56:141, a method in common use by Pirie, Fowler & "
        "Triggs 2015, Dendrochronologia 36:60-68",
        Known.CITING,
    ),
    DistanceSource.RAYS: (
        "converging rays, Rozas 2003, Plant Ecology 167, doi 10.1023/A:1023969822044",
        Known.ABSTRACT,
    ),
    DistanceSource.DIRECT: ("the distance column of cores.csv", Known.USER),
    DistanceSource.POINTS: ("least-squares concentric circles through the points of points.csv", Known.DERIVED),
    DistanceSource.RADIUS_LESS_LENGTH: (
        "Norton, Palmer & Ogden 1987, NZ J. Bot. 25 (abstract), with the eccentricity of Renvall 1923 and Woodall 2008",
        Known.DERIVED,
    ),
}
_COUNT_SOURCES = {
    Dating.CROSSDATED: ("no count error by definition", Known.DEFINITION),
    Dating.LAB_COUNT: (f"{_WEISBERG}: mean error 1.5 years", Known.ABSTRACT),
    Dating.FIELD_COUNT: (
        f"{_WEISBERG}: 75 % within 10, 87 % within 20 years (years of fire scars on stumps)",
        Known.ABSTRACT,
    ),
}
READ_AGAINST_STAND = "counted cores read against the mean of the stand's other trees"
_BORROWED = (
    (priors.BARK_SHARE, Flag.BARK_FROM_PUBLISHED_SHARE),
    (priors.TAPER, Flag.DIAMETER_FROM_BREAST_HEIGHT),
)


def gather_sources(cores: Cores, shared: Shared, answers: Iterable[TreeAge]) -> pd.DataFrame:
    """Models and defaults that the answers rest on: step, what, source, known, used (number of cores or trees).

    The index names the species of a height model; empty for the rest.
    """
    dated = [answer for answer in answers if answer.status == Status.ESTIMATED]
    rows: list[tuple[str, str, str, str, int]] = []
    lines = np.argsort(cores.line)  # counts alike stand in the order of cores.csv
    for source, count in _counts(cores.source[row] for row in lines if not cores.bound_only[row]):
        parts = [found for member, found in _DISTANCE_SOURCES.items() if member in source]
        sources, knowns = (list(dict.fromkeys(part[at] for part in parts)) for at in (0, 1))
        rows.append((Step.DISTANCE, str(source), "; ".join(sources), ", ".join(knowns), count))
    hidden = [row for row in lines if cores.distance[row, 0] < 0.5 and not cores.bound_only[row]]
    rows.append(
        (Step.MISSED_RINGS, "log-linear model of the hidden mean width", ring_model().source, Known.FITTED, len(hidden))
    )
    for width, count in _counts(cores.width_source[row] for row in hidden):
        rows.append((Step.WIDTHS, width, "the tables of this folder", Known.USER, count))
    for species, own in shared.species.items():
        what = f"{species}: hidden widths adjusted by {own.neighbours} dated trees of the stand"
        used = int((own.place >= 0).sum()) if own.neighbours else 0
        rows.append((Step.MISSED_RINGS, what, "the ring tables of this folder", Known.USER, used))
    trees = {answer.tree for answer in dated}
    for dating, count in _counts(cores.dating[row] for row in lines if cores.tree[row] in trees):
        rows.append((Step.COUNT, str(dating), *_COUNT_SOURCES[dating], count))
    what, known = "two ring tables of a tree read against each other", Known.FITTED
    source = "pair hidden-Markov alignment, constants fitted to a public archive"
    rows.append((Step.COUNT, what, source, known, len(cores.joint_counts)))
    rows.append((Step.COUNT, READ_AGAINST_STAND, source, known, len(cores.drift)))
    for entry, flag in _BORROWED:
        used = sum(flag in flags for flags in cores.flags)
        rows.append((Step.DIAMETER, f"{entry.meaning}: {entry.value:g} {entry.unit}", entry.source, entry.known, used))
    refers = [(answer.species, answer.date_refers_to) for answer in dated]
    low = [(answer.species, answer.date_refers_to) for answer in dated if answer.facts["core_height_m"] == 0]
    about = [""] * len(rows)
    for species, own in shared.species.items():
        step, model = Step.HEIGHT, own.height
        at_collar, above = (refers.count((species, refers_to)) for refers_to in (ROOT_COLLAR, CORE_HEIGHT))
        if model.is_none or model.grade:
            at_zero = low.count((species, ROOT_COLLAR))
            at_collar -= at_zero
            rows.append((step, f"{species}: cored at the root collar", "no years to add", Known.DEFINITION, at_zero))
        if model.is_none:
            rows.append((step, f"{species}: none, dates refer to the coring height", model.source, Known.NONE, above))
        else:
            rows.append((step, f"{species}: {model.name}", model.source, model.known, at_collar))
        about += [species] * (len(rows) - len(about))
    table = pd.DataFrame(rows, columns=["step", "what", "source", "known", "used"], index=about)
    return table[table["used"] > 0]


def _counts(items: Iterable[Any]) -> list[tuple[Any, int]]:
    """How often each item occurs, the most frequent first, in order of appearance among equals."""
    found: dict[Any, int] = {}
    for item in items:
        found[item] = found.get(item, 0) + 1
    return sorted(found.items(), key=lambda pair: -pair[1])


def rule_comparison(cores: Cores) -> pd.DataFrame:
    """How wrong each rule for missed rings would have been on the complete cores of this field, species by species.

    Columns species and those of `rings.compare_rules`; no rows where a species has fewer than three complete cores
    with a ring table.
    """
    tables = []
    at = np.argsort(cores.line)
    for species in dict.fromkeys(str(cores.species[row]) for row in at):
        rows = [
            row
            for row in at
            if cores.species[row] == species
            and cores.inner_end[row] == InnerEnd.PITH
            and cores.widths_mm[row].size >= FEWEST_RINGS
        ]
        if len(rows) >= LEAST_TREES:
            trees = [str(cores.tree[row]) for row in rows]
            compared = compare_rules([cores.widths_mm[row] for row in rows], tree=trees, genus=genus_of(species))
            tables.append(compared.assign(species=species)[["species", *compared.columns]])
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()
