"""The growth of a field's trees, and the stand of a past date: sections, errors of stem and bark, lost wood, the dead.

Own derivation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage import priors
from treeage.distance import DistanceSource, draw_distances, draw_misses, radial_length
from treeage.errors import (
    Fault,
    InputError,
    kind_of,
    public,
    require_attributes,
    require_level,
    require_seed,
    require_whole,
)
from treeage.estimate import Cores, read_cores
from treeage.growth.history import Array, CoreWidths, GrowthHistory, Ints, RadiusMean, growth_history
from treeage.growth.section import AHEAD_SD, NEAR_RINGS
from treeage.height import HEIGHT_APART_M
from treeage.results import Status
from treeage.schema import LATEST_YEAR, OuterEnd, TreeStatus, column_numbers
from treeage.stand import FEWEST_CORED, PastStand, past_stand, trees_by_id

if TYPE_CHECKING:
    from treeage.results import Ages
    from treeage.tables import Field

Flags = NDArray[np.bool_]

DRAWS = 400  # choice: draws of the growth of each tree
LIKE_LOG_CM = 0.2  # choice: trees whose diameters differ by a fifth are alike
LIKE_LOG_AGE = 0.2  # choice: and those whose ages do
OTHER_SPECIES = 0.2  # choice: weight of a tree of another species against one of the same
FEWEST_LIKE = 8  # choice: like trees at least, by weight, that stand for one without a date; else less alike ones too
HIDDEN_SHARE = 0.2  # choice: mean share that the rings inside the innermost one are of the visible, if no tree is older
STEEPEST = 1.5  # choice: largest power of the diameter that age follows in a stand; the least is 0
_RELATIVE_AGES = np.linspace(0.0, 1.0, 41)  # choice: places at which the growth of a tree is passed on


@public
def field_growth(field: Field, *, prob: float = 0.9, seed: int = 0) -> dict[str, GrowthHistory]:
    """Growth by year of every tree of a field that has ring widths.

    Parameters
    ----------
    field : Field
        Checked tables with rings.csv.
    prob : float, default 0.9
        Probability of the intervals.
    seed : int, default 0
        Seed of the draws.

    Returns
    -------
    dict of str to GrowthHistory
        By tree, in the order of tree ids; trees without widths, or whose distance to the pith nothing
        bounds, are left out.

    Raises
    ------
    InputError
        If prob is not between 0 and 1, or seed is not a whole number of at least 0.

    Notes
    -----
    A section is what lies at one height: of a tree cored at several, the one nearest to breast height is taken. Two
    cores are averaged arithmetically, three or more by the quadratic mean. Rings lost outside are filled in at the
    width of the last twenty rings, with the error measured for that; where their number is not known, the diameter of
    today is not used. An incomplete ring is not a year of its own but belongs to the stem that was taped. Widths taken
    along a core that misses the pith are turned to it. Years of counted cores are as uncertain as their count (`at`).

    Examples
    --------
    >>> import tempfile, treeage
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     field_folder, _ = treeage.example_field(folder + "/field")
    ...     growth = field_growth(treeage.read_field(field_folder))
    >>> int(growth["T17"].years[0]), int(growth["T17"].years[-1]), int(growth["T17"].cores.max())
    (1814, 2024, 2)
    """
    seed = require_seed("field_growth", seed)
    cores, trees = read_cores(field), trees_by_id(field.trees)
    breast = column_numbers(trees, "dbh_height_m", field.settings.breast_height_m)
    of_tree = dict(zip(trees.index, breast, strict=True))
    measured = _measured(field)
    out = {}
    for tree, rows in cores.rows_of.items():
        used = [row for row in rows if _usable(cores, row, measured)]
        if used:
            section = _section(cores, used, float(of_tree[tree]))
            out[tree] = _one_tree(cores, section, trees.loc[[tree]].iloc[0], measured=measured, prob=prob, seed=seed)
    return out


Measured = Mapping[tuple[str, str], tuple[int, Array]]
"""First ring year and widths [mm], horizontal and green, as taken, of the cores that have a ring table."""


def _measured(field: Field) -> Measured:
    tilt = column_numbers(field.cores, "tilt_deg", 0.0)
    share = radial_length(np.ones(len(tilt)), tilt_deg=np.abs(tilt), shrinkage_percent=field.settings.shrinkage_percent)
    scale = dict(zip(zip(field.cores["tree"], field.cores["core"], strict=True), share, strict=True))
    first = field.first_ring_years()
    return {key: (first[key], widths * scale[key]) for key, widths in field.ring_widths().items() if key in scale}


def _key(cores: Cores, row: int) -> tuple[str, str]:
    return str(cores.tree[row]), str(cores.core[row])


def _usable(cores: Cores, row: int, measured: Measured) -> bool:
    """Whether a core has widths and a distance to the pith that something bounds."""
    if cores.source[row] == DistanceSource.NOTHING or cores.bound_only[row] or _key(cores, row) not in measured:
        return False
    first, widths = measured[_key(cores, row)]
    return bool(widths[: widths.size - _growing(cores, row, first, widths)].any())


def _growing(cores: Cores, row: int, first: int, widths: Array) -> int:
    """1 where the last width is that of an incomplete ring."""
    shows = first + widths.size - 1 == cores.outer_year[row]
    return int(cores.outer_end[row] == OuterEnd.INCOMPLETE and shows)


def _section(cores: Cores, rows: list[int], breast_height_m: float) -> list[int]:
    """Cores at the height nearest to breast height."""
    best = min(rows, key=lambda row: (abs(cores.height_m[row] - breast_height_m), cores.height_m[row]))
    return [row for row in rows if abs(cores.height_m[row] - cores.height_m[best]) <= HEIGHT_APART_M]


def _one_tree(
    cores: Cores, rows: list[int], tree: pd.Series, *, measured: Measured, prob: float, seed: int
) -> GrowthHistory:
    """Growth of one section, with the errors of its stem and its count."""
    rng = np.random.default_rng([seed, rows[0]])
    seed = int(np.random.default_rng([seed, rows[0], 1]).integers(2**32))  # of its own: trees err independently
    series = [_core(cores, row, measured, rng) for row in rows]
    mean = RadiusMean.ARITHMETIC if len(series) < 3 else RadiusMean.QUADRATIC
    open_end = [cores.outer_end[row] == OuterEnd.LOST and not cores.outer_lost[row] > 0 for row in rows]
    if not np.isfinite(cores.radius_mm[rows[0]]) or all(open_end):
        history = growth_history(series, mean=mean, count=DRAWS, prob=prob, seed=seed)
    else:
        outside, bark = _stem(cores, rows[0], tree, rng)
        history = growth_history(
            series, diameter_cm=outside, bark_mm=bark, mean=mean, count=DRAWS, prob=prob, seed=seed
        )
    lead = rows[int(np.argmin([np.asarray(core.years)[0] for core in series]))]
    mass = cores.count.mass[lead] / cores.count.mass[lead].sum()
    error = cores.count.start + rng.choice(mass.size, size=DRAWS, p=mass)
    ratio = np.maximum(1 + error / cores.rings_counted[lead], 0.5)
    return replace(history, count_ratio=ratio)


def _core(cores: Cores, row: int, measured: Measured, rng: np.random.Generator) -> CoreWidths:
    """Widths of one core with draws of its distance, of its miss, and of the wood outside its last whole ring."""
    first, widths = measured[_key(cores, row)]
    drop = _growing(cores, row, first, widths)
    distance = draw_distances(cores.distance[row], DRAWS, rng)
    one = cores.ends.take(np.array([row]))
    miss = draw_misses(one, distance, widths, rng) if cores.along[row] else np.zeros(DRAWS)
    beyond = np.full(DRAWS, widths[-1] if drop else 0.0)
    lost, lost_sd = float(cores.outer_lost[row]), float(cores.outer_lost_sd[row])
    if lost > 0:
        each = widths[-NEAR_RINGS:].mean() * np.exp(AHEAD_SD * rng.standard_normal(DRAWS))
        beyond = beyond + each * np.maximum(np.rint(rng.normal(lost, lost_sd, DRAWS)), 0.0)
    kept = widths[: widths.size - drop]
    return CoreWidths(
        np.arange(first, first + kept.size),
        kept,
        pith_distance_mm=distance,
        miss_mm=miss,
        beyond_mm=beyond,
        beyond_rings=round(lost),
        azimuth_deg=float(cores.azimuth_deg[row]),
        genus=str(cores.species[row]),
    )


def _stem(cores: Cores, row: int, tree: pd.Series, rng: np.random.Generator) -> tuple[Array, Array]:
    """Draws of the diameter outside the bark [cm] at the coring height and of the single bark [mm]."""
    bark, radius = float(cores.bark_mm[row]), float(cores.radius_mm[row])
    outside = radius + bark if np.isfinite(bark) else radius / (1 - priors.BARK_SHARE.value)
    known = pd.to_numeric(pd.Series([tree.get("bark_sd_mm"), tree.get("core_diameter_cm")]), errors="coerce")
    spread = priors.BARK_SD_SHARE.value * bark if np.isfinite(bark) else priors.BARK_SHARE_SD.value * outside
    if np.isfinite(bark) and np.isfinite(known[0]):
        spread = float(known[0])
    both = float(cores.radius_sd_mm[row]) ** 2 - spread**2  # tape, roundness, and taper from another height
    tape = np.sqrt(max(both, (priors.DIAMETER_SHARE.value * radius) ** 2))
    drawn = outside + tape * rng.standard_normal(DRAWS)
    thick = outside - radius + spread * rng.standard_normal(DRAWS)
    return np.maximum(drawn, 0.2 * outside) / 5.0, np.maximum(thick, 0.0)


# ------------------------------------------------------------------ the stand at a past date


@public
def past_trees(
    ages: Ages,
    year: int,
    *,
    growth: Mapping[str, GrowthHistory] | None = None,
    count: int = 2000,
    prob: float | None = None,
    seed: int = 0,
) -> PastStand:
    """Reconstruct the stand of the sampled trees at a past date.

    Parameters
    ----------
    ages : Ages
        Answer of `estimate_ages` or `fit_hierarchical`.
    year : int
        Past date: end of that growing season.
    growth : mapping of str to GrowthHistory, optional
        Growth by tree (`field_growth`); without any, trees are taken to have grown steadily.
    count : int, default 2000
        Joint draws.
    prob : float, optional
        Probability of the intervals; that of the ages by default.
    seed : int, default 0
        Seed.

    Returns
    -------
    PastStand
        Presence and diameter of each tree, density and basal area.

    Raises
    ------
    InputError
        If no tree is dated, the year is not before the last ring, or growth is no mapping of GrowthHistory.

    Notes
    -----
    The past diameter at breast height is the present one times the share that the section had reached: the
    proportional method, with the taper of today. Draws of growth and of dates are put together by rank, so that an
    early pith goes with an early establishment. Dead trees are there up to their last ring, lost rings included.

    Trees of the table without a date stand for themselves as well, each in every draw as a dated tree of this stand of
    like diameter (and species, if there is one) that is moved to its diameter along the line of log age on log
    diameter: living trees without cores where at least five cored ones have a diameter; trees whose cores only bound
    the age as one that is old enough, so that they are there since their innermost ring. In each draw the dated trees
    and that line are drawn anew, since others of the stand might have been cored [1]_. Trees without widths grow as one
    of like age that has them did, by relative age. What is done is said in the sentence; trees of which nothing is
    known are left out.

    References
    ----------
    .. [1] Rubin, D. B. (1981). The Bayesian bootstrap. Annals of Statistics 9:130-134. (From memory.)

    Examples
    --------
    >>> import tempfile, treeage
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     field_folder, _ = treeage.example_field(folder + "/field")
    ...     field = treeage.read_field(field_folder)
    >>> stand = past_trees(treeage.estimate_ages(field), 1950, growth=field_growth(field), count=300)
    >>> stand.totals()["quantity"].tolist()
    ['trees', 'basal area [m2]', 'quadratic diameter [cm]']
    """
    require_attributes("past_trees", "ages", ages, ("trees", "tree_table"), ("ages", "Pass estimate_ages(field)."))
    seed, year = require_seed("past_trees", seed), require_whole("past_trees", "year", year, -LATEST_YEAR, LATEST_YEAR)
    if prob is not None:
        require_level("past_trees", "prob", prob)
    for name, own in (growth or {}).items():
        if not isinstance(own, GrowthHistory):
            do = "Pass field_growth(field)."
            raise InputError(Fault(kind_of(own), "a GrowthHistory", do, "past_trees", 0, "growth", f"tree {name}"))
    if not list(ages.trees):
        raise InputError(Fault("no dated tree", "at least one", "Date some trees.", "past_trees", 0, "ages"))
    rng = np.random.default_rng([seed, 1])
    table = trees_by_id(ages.tree_table)
    draws, last, notes = _dates(ages, table, count, seed, rng)
    names = list(draws)
    dates, ends = np.stack(list(draws.values()), axis=1), np.stack([last[name] for name in names], axis=1)
    now = np.array([_breast_diameter(ages, table, name) for name in names])
    then, method = _sizes(ages, growth or {}, (dates, ends), year, rng, names=names, now=now)
    weights = column_numbers(table.reindex(names), "trees_per_ha")
    known = bool(np.all(np.isfinite(weights) & (weights > 0)))
    stand = past_stand(
        dates,
        year,
        survey_year=ends,
        diameter_now_cm=now,
        diameter_then_cm=then,
        trees_per_ha=weights if known else None,
        trees=names,
        prob=ages.prob if prob is None else prob,
    )
    method = [own or found for own, found in zip(method, stand.method, strict=True)]
    return replace(stand, method=tuple(method), notes=tuple(notes))


def _dates(
    ages: Ages, table: pd.DataFrame, count: int, seed: int, rng: np.random.Generator
) -> tuple[dict[str, Array], dict[str, Array], list[str]]:
    """Draws (count,) of establishment and last year of every tree that can be placed; what to say."""
    joint = np.asarray(ages.draws(count, seed=seed).transpose("draw", "tree").values, dtype=np.float64)
    joint = np.ascontiguousarray(joint[:, sorted(range(joint.shape[1]), key=list(ages.trees).__getitem__)])
    answers = sorted(ages, key=lambda answer: answer.tree)  # the order of trees never matters
    draws = dict(zip(sorted(ages.trees), joint.T, strict=True))
    survey = max(int(answer.outer_year) for answer in ages)
    dead = {str(name) for name, word in table.get("status", pd.Series(dtype=object)).items() if word == TreeStatus.DEAD}
    last = {}
    for answer in answers:
        ends = np.full(count, float(survey))
        if answer.tree in dead:
            ends = float(answer.outer_year) + answer.outer_lost.sample(count, rng)
        last[answer.tree] = ends
    lenders = _lenders(ages, table, joint, np.stack([last[name] for name in draws], axis=1), dead, rng)
    bounded = {a.tree: int(a.outer_year) - int(a.minimum_age) + 1 for a in answers if a.status == Status.MINIMUM_ONLY}
    for name, innermost in bounded.items():
        size, species = np.log(_breast_diameter(ages, table, name)), str(table.loc[name, "species"])
        teach = lenders.alive | (name in dead)
        draws[name] = lenders.first_years(size, species, last[name], teach, rng, innermost=innermost)
    answered = {answer.tree for answer in ages}
    without = sorted(str(name) for name in table.index if str(name) not in answered)
    dbh = dict(zip(map(str, table.index), column_numbers(table, "dbh_cm"), strict=True))
    known = lenders.alive & np.array([dbh[name] > 0 for name in sorted(ages.trees)])
    asked = [name for name in without if name not in dead and dbh[name] > 0 and known.sum() >= FEWEST_CORED]
    for name in asked:
        last[name] = np.full(count, float(survey))
        size, species = float(np.log(dbh[name])), str(table.loc[name, "species"])
        draws[name] = lenders.first_years(size, species, last[name], known, rng)
    notes = []
    if bounded:
        notes.append(
            f"{len(bounded)} tree(s) are known only since their innermost ring; before it they are given the dates of "
            "older trees of this stand."
        )
    open_ends = sum(answer.open_end for answer in ages if answer.tree in dead)
    if open_ends:
        notes.append(
            f"{open_ends} dead tree(s) lost outer rings, their number unknown: they are taken to have died at their "
            "last ring."
        )
    if asked:
        notes.append(f"{len(asked)} tree(s) without cores are given the dates of cored trees of like diameter.")
    if len(asked) < len(without):
        left = len(without) - len(asked)
        few = "" if known.sum() >= FEWEST_CORED else f", as fewer than {FEWEST_CORED} living cored trees have one,"
        notes.append(
            f"{left} tree(s) of the table cannot be placed and are not counted: without a date, and dead or without a "
            f"diameter that tells one{few}."
        )
    return draws, last, notes


@dataclass(frozen=True)
class _Lenders:
    """The dated trees: draws of their log age (draws, n), log diameter [cm], species, whether they live (n,).

    Each draw has weights of the trees (draws, n), as if others of the stand had been cored, and the slope of log age on
    log diameter that these give (draws, 1).
    """

    log_age: Array
    size: Array
    species: NDArray[np.str_]
    alive: Flags
    chance: Array
    slope: Array

    def first_years(
        self,
        size: float,
        species: str,
        last: Array,
        teach: Flags,
        rng: np.random.Generator,
        *,
        innermost: float = np.inf,
    ) -> Array:
        """First years (draws,) of a tree: those of like trees that teach it, moved along the line to its diameter.

        None is later than its innermost ring; where no like tree is older, the ring lies some way from the pith. The
        dating error of the like trees is in it, so that the spread is rather too wide than too narrow.
        """
        apart = size - self.size
        weight = _likeness(apart, self.species == species) * teach * self.chance
        age = np.rint(np.exp(self.log_age + self.slope * np.nan_to_num(apart)))
        years = last[:, None] - np.maximum(age, 1.0) + 1
        own = _picked(np.where(years <= innermost, weight, 0.0), rng)
        if not np.isfinite(innermost):
            return np.asarray(years[np.arange(own.size), own])
        hidden = np.rint(rng.exponential(HIDDEN_SHARE, own.size) * (last - innermost + 1))
        return np.asarray(np.where(own >= 0, years[np.arange(own.size), own], innermost - hidden))


def _lenders(
    ages: Ages, table: pd.DataFrame, joint: Array, last: Array, dead: set[str], rng: np.random.Generator
) -> _Lenders:
    """The dated trees, sorted, as lenders of dates; the slope is within species."""
    names = sorted(ages.trees)
    species = table["species"].astype(str)[names].to_numpy(dtype=str)
    alive = np.array([name not in dead for name in names])
    size = np.log(np.array([_breast_diameter(ages, table, name) for name in names]))
    log_age, chance = np.log(np.maximum(last - joint + 1, 1.0)), rng.standard_exponential(joint.shape)
    weight = chance * (alive & np.isfinite(size))
    apart, older = np.broadcast_to(np.nan_to_num(size), joint.shape).copy(), log_age.copy()
    for one in sorted(set(species.tolist())):
        part = weight * (species == one)
        for values in (apart, older):
            mean = (part * values).sum(axis=1) / np.maximum(part.sum(axis=1), 1e-12)
            values[:, species == one] -= mean[:, None]
    slope = (weight * apart * older).sum(axis=1) / np.maximum((weight * apart**2).sum(axis=1), 1e-12)
    return _Lenders(log_age, size, species, alive, chance, np.clip(slope, 0.0, STEEPEST)[:, None])


def _likeness(apart: Array, same: Flags) -> Array:
    """Weights (n,) of trees by how like they are to a tree in log diameter and species."""
    apart = np.nan_to_num(apart, nan=LIKE_LOG_CM)  # unknown: neither near nor far
    weight = np.where(same, 1.0, OTHER_SPECIES)
    spread = LIKE_LOG_CM
    while (weight * np.exp(-0.5 * (apart / spread) ** 2)).sum() < min(FEWEST_LIKE, weight.sum() / 2):
        spread *= 1.5
    return np.asarray(weight * np.exp(-0.5 * (apart / spread) ** 2))


def _picked(weight: Array, rng: np.random.Generator) -> Ints:
    """One column for each row, by its weights (rows, n); -1 where all are 0."""
    total = np.cumsum(weight, axis=1)
    place = (total <= rng.random(len(weight))[:, None] * total[:, -1:]).sum(axis=1)
    return np.asarray(np.where(total[:, -1] > 0, np.minimum(place, weight.shape[1] - 1), -1), dtype=np.int64)


def _breast_diameter(ages: Ages, table: pd.DataFrame, name: str) -> float:
    """Diameter today at breast height [cm], from that at the coring height by taper where it was not taken."""
    row = table.reindex([name])
    dbh, cored = (float(column_numbers(row, column)[0]) for column in ("dbh_cm", "core_diameter_cm"))
    if np.isfinite(dbh) or not np.isfinite(cored):
        return dbh
    breast = float(column_numbers(row, "dbh_height_m", float(ages.settings["breast_height_m"]))[0])
    height = float(ages[name].facts["core_height_m"])
    return max(cored - priors.TAPER.value * (breast - height), 0.1 * cored)


def _sizes(
    ages: Ages,
    growth: Mapping[str, GrowthHistory],
    placed: tuple[Array, Array],
    year: int,
    rng: np.random.Generator,
    *,
    names: list[str],
    now: Array,
) -> tuple[Array, list[str]]:
    """Draws (count, n) of diameters at the end of the year [cm], NaN where nothing but steady growth says, and how."""
    dates, ends = placed
    then, method = np.full(dates.shape, np.nan), [""] * len(names)
    donors = [at for at, name in enumerate(names) if name in growth]
    curves = [_passed_on(growth[names[at]], dates[:, at], ends[:, at]) for at in donors]
    species = trees_by_id(ages.tree_table)["species"].astype(str)
    log_age = np.log(np.maximum(ends - dates + 1, 1.0))
    chance = np.log(rng.standard_exponential((len(dates), len(donors))))
    for at, name in enumerate(names):
        if name in growth:
            then[:, at] = _by_rank(growth[name], dates[:, at], year)
            first = int(growth[name].years[0])
            method[at] = "widths" if year >= first else "first ring"
        elif donors and np.isfinite(now[at]):
            same = np.array([species[names[own]] == species[name] for own in donors])
            apart = np.median(log_age[:, donors], axis=0) - log_age[:, [at]]
            like = chance - 0.5 * (apart / LIKE_LOG_AGE) ** 2 + np.log(np.where(same, 1.0, OTHER_SPECIES))
            picked = _picked(np.exp(like - like.max(axis=1, keepdims=True)), rng)
            age = (year - dates[:, at] + 1) / np.maximum(ends[:, at] - dates[:, at] + 1, 1)
            place = np.clip(age, 0.0, 1.0) * (_RELATIVE_AGES.size - 1)
            low = np.minimum(place.astype(np.int64), _RELATIVE_AGES.size - 2)
            table = np.stack(curves)
            then[:, at] = table[picked, low] + (place - low) * (table[picked, low + 1] - table[picked, low])
            method[at] = "growth of other trees"
    tape = 1 + priors.DIAMETER_SHARE.value * rng.standard_normal(dates.shape)
    return then * now * np.maximum(tape, 0.0), method


def _share(history: GrowthHistory, year: int) -> Array:
    """Draws of the share of today's diameter, outside the bark where it is known; 0 before the pith."""
    outside = np.isfinite(history.now_outside_cm).all()
    value, now = (history.outside_at(year), history.now_outside_cm) if outside else (history.at(year), history.now_cm)
    return np.asarray(np.nan_to_num(value) / now)


def _by_rank(history: GrowthHistory, dates: Array, year: int) -> Array:
    """The share in every draw of the dates: draws of growth and of dates in the order of pith and establishment."""
    share = _share(history, year)[np.argsort(history.pith_year, kind="stable")]
    rank: Ints = np.argsort(np.argsort(dates, kind="stable"), kind="stable")
    return np.asarray(share[rank * share.size // dates.size])


def _passed_on(history: GrowthHistory, dates: Array, ends: Array) -> Array:
    """Share of today's diameter at relative ages from establishment to the last year (medians)."""
    begun, last = float(np.median(dates)), float(np.median(ends))
    years = begun - 1 + _RELATIVE_AGES * (last - begun + 1)
    return np.array([np.median(_share(history, round(one))) for one in years])
