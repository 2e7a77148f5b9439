"""Years to a height from open data on young trees: a prior by species, genus or group, sharpened by own young trees.

A linear mixed model of log age on log height (`tests/fitting/fit_heights.py`); own derivation.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from json import loads
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from treeage.display import Result
from treeage.errors import Fault, InputError, kind_of, public, require_positive, show
from treeage.height.curves import Floats
from treeage.height.model import TREE_NODES, Caution, GrowthForm, HeightModel, normal_nodes
from treeage.height.young import sampling_of, sampling_shift, spread_points, white_columns
from treeage.pmf import Pmf, keeps_tables
from treeage.priors import Known, data_rows, data_text
from treeage.schema import ERA_LOG_SD, FEWEST_YOUNG_TREES, TreeOrigin, Word, genus_of, word_of

COVERED_M: Final = (0.1, 3.0)  # heights that the fit is for
HIGHEST_M: Final = 5.0  # choice: growth turns slower somewhere above 3 m
MANY_STUDIES, FEW_STUDIES = 10, 3  # choice: studies of the genus from which a figure is well, or hardly, founded
CANOPY_TREE_LOG_SD: Final = 0.4  # choice: how long trees wait under a canopy differs far more than growth in the open
SPROUT_YEARS: Final = 3.0  # choice, to 1.3 m: 1.7 seasons of leading suckers (Jones 1975, RM-285, abstract: 0.8 m a
# year), 6 to 7 years from the fire (Vasiliauskas & Chen 2002, Can. J. For. Res. 32: 1889-1892, abstract)
SPROUT_LOG_SD: Final = 0.5  # choice: both lie inside two standard deviations
UNKNOWN_SHARES: Final[Mapping[str, float]] = {TreeOrigin.SEED: 0.6, TreeOrigin.ADVANCE: 0.25, TreeOrigin.SPROUT: 0.15}
"""Choice: origins that a tree of unknown origin may have; conifers do not sprout, their seed takes that share."""
NURSERY_UNKNOWN: Final = Pmf(1, np.full(4, 0.25))  # choice: planting stock is mostly one to four years old
_ORIGIN_ADVICE: Final = (
    "how the trees came to be",
    "Fill origin in the table of trees: seed, advance, planted, sprout, or unknown for a mixture of them.",
)
OWN_ORIGIN_REMARK: Final = Caution("origin not stated: taken as that of the own young trees (choice)", *_ORIGIN_ADVICE)
ORIGIN_WORDS: Final = ("seed in the open", "advance growth", "sprouts")
PLANTED_REMARK: Final = Caution(
    "planted: one to four nursery years are added where none are given (choice)",
    "the years in the nursery",
    "Fill nursery_years in the table of trees, or for all of a species in field.toml.",
)
CANOPY_STUDIES: Final = "three studies"
BELOW_CANOPY_SHARE: Final = 0.5  # choice: share of advance growth where the crown is below the canopy today
STATES: Final = 128  # choice: a stand shares so much here that fewer equally likely states would show as steps
_SPREAD_NODES: Final = 41  # choice: quadrature of the log-sd between plants, out to 4 of its own sd
TYPICAL_HEIGHTS_M: Final = np.array([0.5, 1.0, 1.5])  # choice: three seedlings round the usual coring height
TYPICAL_SCATTER: Final = np.exp(
    np.array([0.25, -0.25, 0.0])
)  # about the spread between plants of one stand in the data
SOURCE: Final = (
    "open data on young trees: Biomass And Allometry Database (Falster et al. 2015, Ecology 96: 1445); sample trees"
    " and plots of Eurasia (Schepaschenko et al. 2017, Scientific Data 4: 170070); two teaching data sets of pines"
)


class Grade(Word):
    """How well the open data found the figures of a genus, by the number of its studies."""

    MANY = "many studies"
    SOME = "some studies"
    FEW = "few studies"
    NONE = "no studies of the genus"


@dataclass(frozen=True)
class Prior:
    """Log passing time at a new stand: normal level at 1 m and slope on log height; lognormal log-sd of plants."""

    name: str
    rank: str
    level: float
    level_sd: float
    slope: float
    slope_sd: float
    plant: tuple[float, float]

    def at(self, height_m: float) -> tuple[float, float]:
        """Mean and sd of the log passing time of one plant of a new stand."""
        x, (centre, spread) = float(np.log(height_m)), self.plant
        variance = self.level_sd**2 + (x * self.slope_sd) ** 2 + float(np.exp(2 * centre + 2 * spread**2))
        return self.level + self.slope * x, float(np.sqrt(variance))


@dataclass(frozen=True)
class OpenData:
    """Fitted numbers: spreads, fixed effects, and the level of every name with its sd for that name alone."""

    numbers: Mapping[str, Any]
    taxa: Mapping[tuple[str, str], Mapping[str, Any]]

    @classmethod
    def of(cls, numbers: Mapping[str, Any], taxa: Iterable[Mapping[str, Any]]) -> OpenData:
        """From the coefficients and the rows of the names."""
        return cls(numbers, {(str(row["rank"]), str(row["name"])): row for row in taxa})

    def fixed(self, name: str) -> tuple[float, float]:
        """A fixed effect and its standard error."""
        at = list(self.numbers["fixed"]).index(name)
        return float(self.numbers["mean"][at]), float(np.sqrt(self.numbers["covariance"][at][at]))

    def found(self, species: str) -> list[Mapping[str, Any]]:
        """The rows that speak for a name: its species, else its genus, family or group, else both groups."""
        genus, *rest = species.split() or [""]
        genus = genus.capitalize()
        family, clade = _families().get(genus, ("", ""))
        for key in (
            ("species", " ".join([genus, *rest[:1]]).capitalize()),
            ("genus", genus),
            ("family", family),
            ("clade", clade),
        ):
            if key in self.taxa:
                return [self.taxa[key]]
        return [row for (rank, _), row in self.taxa.items() if rank == "clade"]

    def prior(self, species: str, condition: str) -> Prior:
        """The prior of a species, 'wild' or 'planted', at a new stand, both readings of the data between them."""
        return self.prior_of(self.found(species), condition)

    def prior_of(self, rows: Sequence[Mapping[str, Any]], condition: str) -> Prior:
        """The prior that the rows of a name give, or of both groups for any tree."""
        spread = self.numbers["log_sd"]
        shift, extra = self.numbers["readings"][condition]
        levels = np.array([float(row[f"{condition}_level"]) for row in rows])
        lines = np.array([self.fixed(f"{row['clade']} slope") for row in rows])
        more = self.fixed("planted slope") if condition == "planted" else (0.0, 0.0)
        variance = np.mean([float(row[f"{condition}_sd"]) ** 2 for row in rows]) + levels.var()
        variance += spread[f"study {condition}"] ** 2 + spread[f"stand {condition}"] ** 2 + extra**2
        slope_variance = np.mean(lines[:, 1] ** 2) + lines[:, 0].var() + more[1] ** 2 + spread["slope"] ** 2
        centre, width = self.numbers["plant_log_sd"][condition]
        return Prior(
            name=str(rows[0]["name"]) if len(rows) == 1 else "any tree",
            rank=str(rows[0]["rank"]) if len(rows) == 1 else "any",
            level=float(levels.mean()) + shift,
            level_sd=float(np.sqrt(variance)),
            slope=float(lines[:, 0].mean()) + more[0],
            slope_sd=float(np.sqrt(slope_variance)),
            plant=(float(centre), float(width)),
        )


@cache
def _families() -> dict[str, tuple[str, str]]:
    """Family and group of every genus of the table."""
    return {row["genus"]: (row["family"], row["clade"]) for row in data_rows("tree_families.csv")}


@cache
def open_data() -> OpenData:
    """The fit that ships with the package."""
    return OpenData.of(loads(data_text("young_trees.json")), data_rows("young_trees.csv"))


# ------------------------------------------------------------------ shared nodes, with or without own young trees


@dataclass(frozen=True)
class _States:
    """Equally likely states of what a stand shares: level at 1 m, slope, log-sd of plants, and free normal columns."""

    level: Floats
    slope: Floats
    spread: Floats
    free: Floats


def _states(prior: Prior, log_ages: Floats, log_heights: Floats, sampling: str | None, era_log_sd: float) -> _States:
    """The prior given own young trees, each spread between plants weighed by its likelihood; exact given the spread."""
    grid = prior.plant[0] + prior.plant[1] * np.linspace(-4, 4, _SPREAD_NODES)
    weight = np.exp(-0.5 * np.linspace(-4, 4, _SPREAD_NODES) ** 2)
    line = np.column_stack([np.ones(log_heights.size), log_heights])
    before, cover = np.array([prior.level, prior.slope]), np.diag([prior.level_sd**2, prior.slope_sd**2])
    left = log_ages - line @ before
    if left.size:
        logs = []
        for log_sd in grid:
            total = line @ cover @ line.T + np.exp(2 * log_sd) * np.eye(left.size)
            logs.append(-0.5 * np.linalg.slogdet(total)[1] - 0.5 * left @ np.linalg.solve(total, left))
        weight = weight * np.exp(np.array(logs) - max(logs))
    points = spread_points(STATES, 6)
    held = np.cumsum(weight) - weight / 2
    normal = white_columns(points[:, :5])
    spread = np.exp(np.interp(ndtr(normal[:, 0]) * weight.sum(), held, grid))
    moved = left + sampling_shift(sampling, spread, points[:, 5])[:, np.newaxis]
    square = spread[:, np.newaxis] ** 2
    after = np.linalg.inv(np.linalg.inv(cover) + line.T @ line / square[:, :, np.newaxis])
    mean = before + np.einsum("kij,kj->ki", after, moved @ line / square)
    states = mean + np.einsum("kij,kj->ki", np.linalg.cholesky(after), normal[:, 1:3])
    return _States(states[:, 0] + era_log_sd * normal[:, 3], np.maximum(states[:, 1], 0.05), spread, normal[:, 4])


def _own_rows(age_years: ArrayLike, height_m: ArrayLike) -> tuple[Floats, Floats]:
    """Checked logarithms of own ages and heights; none is fine."""
    where = "years_from_open_data"
    ages, heights = require_positive(where, own_age_years=age_years, own_height_m=height_m)
    if ages.shape != heights.shape or ages.ndim != 1:
        got = f"shapes {ages.shape} and {heights.shape}"
        raise InputError(Fault(got, "two rows of one length", "Pair them.", where, 0, "own_age_years, own_height_m"))
    return np.log(ages), np.log(heights)


def from_open_data(
    species: str,
    *,
    own_age_years: ArrayLike = (),
    own_height_m: ArrayLike = (),
    sampling: str | None = None,
    era_log_sd: float = ERA_LOG_SD,
    nursery_years: float | None = None,
) -> HeightModel:
    """Height model from open data on young trees, for trees from seed, with the siblings for other origins.

    Parameters and sources as in `years_from_open_data`; `HeightModel.of_tree` picks the sibling of a tree. Nursery
    years are those of planted trees for which trees.csv has none.
    """
    if not isinstance(species, str):
        need, do = "the name of a species", 'Write for example "Larix decidua".'
        raise InputError(Fault(kind_of(species), need, do, "from_open_data", 0, "species"))
    ages, heights = _own_rows(own_age_years, own_height_m)
    return _pooled_model(
        species, tuple(ages.tolist()), tuple(heights.tolist()), sampling_of(sampling), era_log_sd, nursery_years
    )


@lru_cache(maxsize=64)
def _pooled_model(
    species: str,
    log_ages: tuple[float, ...],
    log_heights: tuple[float, ...],
    sampling: str | None,
    era_log_sd: float,
    nursery_years: float | None,
) -> HeightModel:
    """The model and its siblings; kept, because plan, dates and tables ask for it again."""
    own = np.array(log_ages), np.array(log_heights)
    wild, planted = (
        _states(open_data().prior(species, condition), *own, sampling, era_log_sd) for condition in ("wild", "planted")
    )
    seed = _model(species, wild, own[0].size)
    siblings = {
        TreeOrigin.PLANTED.value: replace(
            _with_remark(_model(species, planted, own[0].size), PLANTED_REMARK if nursery_years is None else None),
            nursery=nursery_mass(nursery_years) if nursery_years is not None else NURSERY_UNKNOWN,
        ),
        TreeOrigin.SPROUT.value: _sprouts(seed, wild),
    }
    for light in ("", "partial", "deep"):
        siblings[f"{TreeOrigin.ADVANCE} {light}".strip()] = _under_canopy(seed, wild, light)
    for crown, share in (("", UNKNOWN_SHARES[TreeOrigin.ADVANCE]), ("below", BELOW_CANOPY_SHARE)):
        siblings[f"{TreeOrigin.UNKNOWN} {crown}".strip()] = _unknown(species, seed, siblings, share)
    if own[0].size:
        siblings[""] = _with_remark(seed, OWN_ORIGIN_REMARK)
    return replace(seed, siblings=siblings)


def nursery_mass(years: float) -> Pmf:
    """Mass of a number of nursery years; between two whole numbers, both."""
    return Pmf(int(years), np.array([1 - years % 1, years % 1])).trim()


def _model(species: str, states: _States, own: int) -> HeightModel:
    """Passing times as a power of height in every shared state; own: young trees of the stand among the evidence."""
    prior, (_, grade) = open_data().prior(species, "wild"), _grade(_evidence_rows(genus_of(species) or ""))
    told = f"{_named(prior)}; {grade}"
    trees = f" and {own} own young tree{'s' if own != 1 else ''}" if own else ""
    do = f"Measure {'more ' if own else ''}seedlings or two heights, or write your own figure in field.toml."
    remark = Caution(
        f"years to the coring height from open data on young trees elsewhere{trees}, not from a model of this stand;"
        f" {'narrower by these' if own else 'wide as a new site is'}. Such data know nothing of the site: slow sites"
        " and high mountains mostly lie above the median. Weakest below 0.5 m and where the genus has no studies,"
        " broadleaves above all",
        f"{'more' if own else 'some'} young trees of this stand",
        do,
    )
    return HeightModel(
        name=f"open data on young trees{trees} ({told})",
        source=f"the user's own young trees; {SOURCE}" if own else SOURCE,
        known=Known.FITTED,
        forms=(GrowthForm.POWER,) * STATES,
        scales_m=np.ones(STATES),
        intercept=states.level,
        slope=states.slope,
        deviation=states.spread[:, np.newaxis] * normal_nodes(TREE_NODES),
        valid_from_m=COVERED_M[0],
        valid_to_m=COVERED_M[1],
        remarks=(remark,) if own < FEWEST_YOUNG_TREES else (),
        grade=grade,
        own_trees=own,
    )


def _named(prior: Prior) -> str:
    """What a prior is taken from, in words."""
    return {"species": "", "any": "", "clade": "all "}.get(prior.rank, f"{prior.rank} ") + (
        f"{prior.name} trees" if prior.rank == "clade" else prior.name
    )


def _under_canopy(seed: HeightModel, states: _States, light: str) -> HeightModel:
    """Slower under a canopy by a shared factor, and far more unlike each other; light '' is not known."""
    (canopy, error), (deep, _) = open_data().fixed("canopy"), open_data().fixed("deep shade")
    share = {"": 0.5, "partial": 0.0, "deep": 1.0}[light]
    spread = np.sqrt(states.spread**2 + CANOPY_TREE_LOG_SD**2 + (deep * np.sqrt(share * (1 - share))) ** 2)
    moved = seed.intercept + canopy + share * deep + error * states.free
    remark = Caution(
        f"under a canopy trees took {np.exp(canopy):.1f} times as long as in the open, in deep shade {np.exp(deep):.1f}"
        f" times longer still: from {CANOPY_STUDIES} only; how much longer one tree waits than another (log-sd"
        f" {CANOPY_TREE_LOG_SD:g}) is a choice"
    )
    told = _with_remark(seed, remark)
    return replace(told, intercept=moved, deviation=spread[:, np.newaxis] * normal_nodes(TREE_NODES))


def _with_remark(model: HeightModel, remark: Caution | None) -> HeightModel:
    return model if remark is None else replace(model, remarks=(*model.remarks, remark))


def _sprouts(seed: HeightModel, states: _States) -> HeightModel:
    """Sprouts and suckers of any species: the years of the stem alone."""
    level = np.log(SPROUT_YEARS) - states.slope * np.log(1.3) + SPROUT_LOG_SD * states.free
    remark = Caution(
        f"sprouts and suckers of any species: {SPROUT_YEARS:g} years to 1.3 m with a shared log-sd of"
        f" {SPROUT_LOG_SD:g}, a choice that two published figures of one species lie within"
    )
    return _with_remark(replace(seed, intercept=level, own_trees=0), remark)


def _unknown(species: str, seed: HeightModel, siblings: Mapping[str, HeightModel], advance: float) -> HeightModel:
    """Mixture of the origins a tree may have, tree by tree, at each shared state: its quantiles at 1 m."""
    conifer = all(row["clade"] == "conifer" for row in open_data().found(species))
    sprout = 0.0 if conifer else UNKNOWN_SHARES[TreeOrigin.SPROUT]
    parts = (seed, siblings[TreeOrigin.ADVANCE.value], siblings[TreeOrigin.SPROUT.value])
    shares = (1 - advance - sprout, advance, sprout)
    spreads = np.array([part.deviation.std(axis=1) for part in parts])
    deviation = np.empty_like(seed.deviation)
    at = ndtr(normal_nodes(TREE_NODES))
    for k in range(STATES):
        sd, centre = spreads[:, k], [float(part.intercept[k]) for part in parts]
        axis = np.linspace(min(centre) - 5 * max(sd), max(centre) + 5 * max(sd), 800)
        held = sum(w * ndtr((axis - c) / s) for w, c, s in zip(shares, centre, sd, strict=True))
        deviation[k] = np.interp(at, held, axis) - seed.intercept[k]
    words = (f"{100 * share:.0f} % {word}" for share, word in zip(shares, ORIGIN_WORDS, strict=True) if share)
    remark = Caution(f"origin not stated: taken as {', '.join(words)} (choice)", *_ORIGIN_ADVICE)
    return _with_remark(replace(seed, deviation=deviation), remark)


def with_three(species: str, height_m: float, origin: str = TreeOrigin.SEED, prob: float = 0.9) -> tuple[int, int]:
    """Interval to expect with three seedlings of the stand that are as open data have them, and no others."""
    prior = open_data().prior(species, "planted" if origin == TreeOrigin.PLANTED else "wild")
    ages = np.exp(prior.level + prior.slope * np.log(TYPICAL_HEIGHTS_M))
    model = from_open_data(species, own_age_years=ages * TYPICAL_SCATTER, own_height_m=TYPICAL_HEIGHTS_M)
    return model.of_tree(origin).years(height_m).interval(prob)


# ------------------------------------------------------------------ public calls


@public
def years_from_open_data(
    species: str,
    height_m: float,
    *,
    origin: str = TreeOrigin.SEED,
    own_age_years: ArrayLike = (),
    own_height_m: ArrayLike = (),
    sampling: str | None = None,
) -> Pmf:
    """Years a tree took to reach a height, from open data on young trees and, where given, the stand's own.

    Parameters
    ----------
    species : str
        Scientific name; a genus alone also serves. A name without data takes its genus, family, group (conifer or
        broadleaf) or all trees, ever wider.
    height_m : float
        Height above the root collar [m], above 0 to 5; the fit is for 0.1 to 3 m and a power of height beyond.
    origin : {'seed', 'advance', 'planted', 'sprout', 'unknown'}, default 'seed'
        As in trees.csv. 'planted' counts from planting: nursery years come on top. 'sprout' is the age of the stem.
    own_age_years, own_height_m : array-like, shape (n,), optional
        Ages [years, above 0] and heights [m] of young trees of this stand and species (planted: since planting).
    sampling : {'passing', 'age', 'height'}, optional
        How those were chosen, see `from_seedlings`; when not said, the readings are mixed.

    Returns
    -------
    Pmf
        Whole growing seasons before the one in which the tip passed the height.

    Raises
    ------
    InputError
        If the height is not above 0 and at most 5, or own ages and heights do not pair.
    ModelError
        If origin or sampling is another word.

    Notes
    -----
    log T = level + slope log h + plant, with effects of genus, species, study and stand and a slope by group and
    study, fitted by marginal likelihood. Two readings of such data disagree: plants chosen by age are fast-biased,
    plants that stand at a height today slow-biased, since slow ones linger there. The prior is shifted and widened to
    be near nominal between the two, on the slow side of both: authors left out lie below its middle by 0.6 and 0.3 in
    log time (coverage is in the README). Trees that reached the canopy grew faster than those that died
    on the way: for them the prior is too slow by an unknown amount. Own young trees are pooled with it exactly, the
    spread between plants learned from them, so that more of them never widen it on average. The era (then against
    now) adds a shared log-sd of 0.25 (choice).

    Nothing of the site is in it: latitude explained nothing of wild plants of authors left out (correlation with
    their errors 0.1), and elevation is not in the data. High mountains and slow sites mostly lie above the median;
    take own seedlings there. Weak below 0.5 m (few studies reach 0.3 m) and for genera without data, broadleaves
    above all. Choices without data: three years to 1.3 m for sprouts, the shares of origins of a tree of unknown
    origin, one to four nursery years, how unlike trees wait under a canopy (its mean effect rests on three studies).

    References
    ----------
    .. [1] Falster, D. S. et al. (2015). Ecology 96, 1445 (data CC0).
    .. [2] Schepaschenko, D. et al. (2017). Scientific Data 4, 170070 (CC BY 4.0).

    Examples
    --------
    >>> prior = years_from_open_data("Quercus robur", 1.0)
    >>> own = years_from_open_data("Quercus robur", 1.0, own_age_years=[6, 9, 12], own_height_m=[0.6, 1.0, 1.4])
    >>> own.sd() < prior.sd() / 2
    True
    """
    where = "years_from_open_data"
    (height,) = require_positive(where, height_m=height_m)
    if height.ndim or height > HIGHEST_M:
        need, do = f"one height above 0, at most {HIGHEST_M:g} [m]", "Ask once for each height."
        raise InputError(Fault(show(height_m), need, do, where, 0, "height_m"))
    word = word_of(TreeOrigin, origin, where, "origin")
    model = from_open_data(species, own_age_years=own_age_years, own_height_m=own_height_m, sampling=sampling)
    return model.of_tree(word).years(float(height))


@keeps_tables
@dataclass(frozen=True, eq=False)
class YoungTreeEvidence(Result):
    """What the open data hold of a genus or species: studies, plants, stand means, medians, grade, citations.

    `table` has one row a species with data and one for the whole; `studies_table` names the studies to cite.
    """

    name: str
    rank: str
    grade: Grade
    studies: int
    plants: int
    stand_means: int
    table: pd.DataFrame
    studies_table: pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """The table of counts and medians, one row a name."""
        return self.table.copy()

    def __repr__(self) -> str:
        return f"YoungTreeEvidence({self.name!r}: {self.studies} studies, {self.plants} plants, {self.grade})"

    def sentence(self) -> str:
        """What stands behind the figures, and the medians, in words."""
        prior = open_data().prior(self.name, "wild")
        medians = ", ".join(f"{np.exp(prior.at(height)[0]):.1f} to {height:g} m" for height in EVIDENCE_HEIGHTS_M)
        counts = f"{self.studies} studies with {self.plants} plants and {self.stand_means} stand means"
        behind = f"the figures are those of {_named(prior)}" if self.grade == Grade.NONE else counts
        return f"{self.name}: {self.grade}, {behind}. Median years from seed in the open: {medians}."


EVIDENCE_HEIGHTS_M: Final = (0.3, 1.0, 1.3)


@public
def young_tree_evidence(genus: str) -> YoungTreeEvidence:
    """Say what stands behind the years to a height of a genus: studies, plants, medians, grade, citations.

    Parameters
    ----------
    genus : str
        A genus, or a species, whose genus is taken.

    Returns
    -------
    YoungTreeEvidence
        Table with, for the genus and each species with data: studies, plants, stand_means, and the median years to
        0.3, 1.0 and 1.3 m from seed in the open; `plot()` draws them with their 80 % intervals.

    Notes
    -----
    Grades by the studies of the genus (choice): many from 10, some from 3, few below, none.

    Examples
    --------
    >>> young_tree_evidence("Quercus").grade
    'many studies'
    """
    if not isinstance(genus, str):
        need, do = "the name of a genus", "Write for example 'Larix'."
        raise InputError(Fault(kind_of(genus), need, do, "young_tree_evidence", 0, "genus"))
    name = genus_of(genus) or ""
    rows = _evidence_rows(name)
    row = _genus_row(rows)
    plants, means = (int(row[key]) if row else 0 for key in ("plants", "stand_means"))
    studies, grade = _grade(rows)
    return YoungTreeEvidence(
        name, str(rows[0]["rank"]), grade, studies, plants, means, _evidence_table(rows), study_table(name)
    )


def _genus_row(rows: Sequence[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    return next((row for row in rows if row["rank"] == "genus"), None)


def _grade(rows: Sequence[Mapping[str, Any]]) -> tuple[int, Grade]:
    """Number of studies of a genus, and how well founded that makes its figures."""
    row = _genus_row(rows)
    studies = int(row["studies"]) if row else 0
    known = Grade.FEW if studies < FEW_STUDIES else Grade.SOME if studies < MANY_STUDIES else Grade.MANY
    return studies, known if studies else Grade.NONE


def _evidence_rows(genus: str) -> Sequence[Mapping[str, Any]]:
    """The genus and its species with data; else what speaks for it."""
    own = [
        row
        for (rank, name), row in open_data().taxa.items()
        if rank in ("genus", "species") and genus_of(name) == genus
    ]
    return own or open_data().found(genus)


def _evidence_table(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Counts, and median with 80 % interval at three heights, for trees from seed in the open."""
    records = []
    for row in rows:
        prior = open_data().prior_of([row], "wild")
        record = {"name": row["name"], "rank": row["rank"]} | {
            k: int(row[k]) for k in ("studies", "plants", "stand_means")
        }
        for height in EVIDENCE_HEIGHTS_M:
            level, sd = prior.at(height)
            low, median, high = np.exp(level + sd * ndtri([0.1, 0.5, 0.9]))
            record |= {
                f"years_{height:g}m": round(median, 1),
                f"lo_{height:g}m": round(low, 1),
                f"hi_{height:g}m": round(high, 1),
            }
        records.append(record)
    return pd.DataFrame(records)


def study_table(name: str) -> pd.DataFrame:
    """Studies behind a name, of its species or else of its genus: citation, database, species, plants, stand_means."""
    every, genus = data_rows("young_tree_studies.csv"), genus_of(name)
    rows = [row for row in every if row["species"] == name] or [
        row for row in every if genus_of(row["species"]) == genus
    ]
    columns = ["citation", "database", "species", "plants", "stand_means"]
    table = pd.DataFrame([dict(row) for row in rows], columns=columns)
    return table.astype({"plants": int, "stand_means": int})
