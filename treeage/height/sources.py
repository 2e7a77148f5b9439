"""Height models from figures and settings: mean and sd, quantiles, none, what is published; years to one height.

Lognormal passing times with a stated share of the variance common to the stand; own derivation.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from treeage.errors import (
    Fault,
    InputError,
    ModelError,
    ModelWarning,
    PriorWarning,
    kind_of,
    public,
    require_at_most,
    require_nonnegative,
    require_positive,
    require_probability,
    show,
)
from treeage.height.curves import Floats, HeightCurve
from treeage.height.model import (
    SHARED_NODES,
    TREE_NODES,
    Caution,
    GrowthForm,
    HeightModel,
    normal_nodes,
    piecewise,
    power_slopes,
)
from treeage.height.open_data import from_open_data
from treeage.height.young import from_seedlings, from_two_heights
from treeage.pmf import Pmf
from treeage.priors import Known, data_rows
from treeage.schema import (
    FOOT_M,
    MOST_YEARS,
    Counts,
    CountsFrom,
    FigureUse,
    HeightChoice,
    SeedlingSampling,
    column,
    height_faults,
    slip,
    word_of,
)

USER_SHARED_SHARE: Final = 0.25  # choice: a quarter of the variance of the user's own figure is common
PUBLISHED_SHARED_SHARE: Final = 0.5  # choice: a figure from elsewhere can be off for all trees
CURVE_LOG_SD: Final = 0.5  # 0.4-0.6 for natural origin under cover (judgement from published ranges)
JENSEN_HEIGHT_M: Final = 1.0  # choice: the usual coring height
CURVE_TRUST_FROM_M: Final = 2.0  # below, site curves are extrapolated from older dominant trees
NO_SOURCE: Final = "stated by the user, no source given"


def checked_share(where: str, shared_share: float) -> float:
    """Check a share of variance, 0 to 1."""
    if not 0 <= shared_share <= 1:
        got = show(float(shared_share))
        raise InputError(Fault(got, "0 to 1 [share of the variance]", "Correct it.", where, 0, "shared_share"))
    return float(shared_share)


def seasons_of(where: str, years: ArrayLike, counts: str) -> Floats:
    """Passing time [seasons] of years: half a season more than a difference of rings."""
    half = 0.5 if word_of(Counts, counts, where, "counts") is Counts.RINGS else 0.0
    return np.asarray(years, dtype=np.float64) + half


# ---------------------------------------------------------------------- the user's own figures


def from_mean_sd(
    height_m: float,
    mean_years: float,
    sd_years: float,
    *,
    shared_share: float = USER_SHARED_SHARE,
    counts: str = Counts.RINGS,
    source: str = "",
) -> HeightModel:
    """Height model from a mean and standard deviation of the years to a height.

    Parameters
    ----------
    height_m : float
        Height the figures are for [m], above 0.
    mean_years : float
        Mean years to that height [years], above 0.
    sd_years : float
        Standard deviation for a single tree of unknown history [years], above 0.
    shared_share : float, default 0.25
        Share of the variance of the log time that all trees of the stand have in common, 0 to 1 (choice).
    counts : {'rings', 'time'}, default 'rings'
        Whether the years are whole seasons to subtract from a pith year (age at the collar minus rings at the
        height), or the continuous time to the height, half a season longer on average.
    source : str, optional
        Where the figures come from, for the methods text.

    Returns
    -------
    HeightModel
        Lognormal passing times.

    Raises
    ------
    InputError
        If a figure is not above 0 or shared_share is outside 0 to 1.
    ModelError
        If counts is another word.

    Notes
    -----
    Passing times are right-skewed, hence lognormal rather than normal. At other heights time goes as height
    to a power between 0.5 and 1, uncertain and shared by the stand, and more than 25 % away the answer is
    flagged. Y = ceil(T) - 1 adds the variance 1/12 of a rounding, which is taken off sd_years when counts
    is 'rings'.

    References
    ----------
    .. [1] Own derivation; the half season is the usual convention of stem analysis.

    Examples
    --------
    >>> years = from_mean_sd(1.0, 8, 3).years(1.0)
    >>> round(years.mean(), 1), round(years.sd(), 1)
    (8.0, 3.0)
    """
    where = "mean_sd"
    height, mean, sd = require_positive(where, height_m=height_m, mean_years=mean_years, sd_years=sd_years)
    require_at_most(where, MOST_YEARS, mean_years=mean, sd_years=sd)
    several = [value for value, array in ((mean_years, mean), (sd_years, sd), (height_m, height)) if array.ndim]
    if several:
        do = "Make one model for each height or species."
        raise InputError(Fault(kind_of(several[0]), "one number each", do, where, 0, "height_m, mean_years, sd_years"))
    seasons = float(seasons_of(where, mean, counts))
    variance = float(sd) ** 2
    if counts == Counts.RINGS:
        variance = max(variance - 1 / 12, variance / 4)  # choice: the rounding takes at most 3/4
    log_sd = float(np.sqrt(np.log1p(variance / seasons**2)))
    return _lognormal_model(
        f"mean {float(mean):g}, sd {float(sd):g} years at {float(height):g} m",
        source=source or NO_SOURCE,
        known=Known.USER,
        height_m=float(height),
        log_median=float(np.log(seasons)) - log_sd**2 / 2,
        log_sd=log_sd,
        share=checked_share(where, shared_share),
    )


def _lognormal_model(
    name: str, *, source: str, known: Known, height_m: float, log_median: float, log_sd: float, share: float
) -> HeightModel:
    """Lognormal passing times stated at one height [log seasons]; other heights by a power that the stand shares."""
    level = log_median + np.sqrt(share) * log_sd * normal_nodes(SHARED_NODES)
    tree = np.sqrt(1 - share) * log_sd * normal_nodes(TREE_NODES)
    return _stated_at(height_m, name=name, source=source, known=known, level=level, deviation=tree)


def _stated_at(
    height_m: float, *, name: str, source: str, known: Known, level: Floats | float, deviation: Floats
) -> HeightModel:
    """Passing times known at one height: log time `level` there, trees about it; a power of height elsewhere."""
    slope = power_slopes()
    return HeightModel(
        name=name,
        source=source,
        known=known,
        forms=(GrowthForm.POWER,) * SHARED_NODES,
        scales_m=np.ones(SHARED_NODES),
        intercept=level - slope * np.log(height_m),
        slope=slope,
        deviation=np.broadcast_to(deviation, (SHARED_NODES, TREE_NODES)),
        valid_from_m=0.75 * height_m,
        valid_to_m=1.25 * height_m,
    )


def from_quantiles(
    height_m: float,
    probs: ArrayLike,
    years: ArrayLike,
    *,
    shared_share: float = USER_SHARED_SHARE,
    counts: str = Counts.RINGS,
    source: str = "",
) -> HeightModel:
    """Height model from quantiles of the years to a height.

    Parameters
    ----------
    height_m : float
        Height the figures are for [m], above 0.
    probs : array-like, shape (n,)
        Probabilities, rising, between 0 and 1; at least two.
    years : array-like, shape (n,)
        Years that a tree stays below or at with these probabilities, rising, at least 0 [years].
    shared_share : float, default 0.25
        Share of the variance that all trees of the stand have in common, 0 to 1 (choice).
    counts : {'rings', 'time'}, default 'rings'
        As in `from_mean_sd`.
    source : str, optional
        Where the figures come from, for the methods text.

    Returns
    -------
    HeightModel
        Passing times whose logarithm is piecewise linear in the normal score between the quantiles and
        beyond.

    Raises
    ------
    InputError
        If there are fewer than two quantiles or they do not rise.
    ModelError
        If counts is another word.

    Notes
    -----
    The normal score of a tree is the sum of a shared and an own part with variances shared_share and the
    rest. Own derivation.

    Examples
    --------
    >>> model = from_quantiles(1.0, [0.05, 0.5, 0.95], [4, 8, 17])
    >>> model.years(1.0).median()
    8
    """
    where = "quantiles"
    (height,), (levels,) = require_positive(where, height_m=height_m), require_probability(where, probs=probs)
    values = np.asarray(years, dtype=np.float64)
    rising = levels.ndim == 1 and levels.shape == values.shape and levels.size >= 2
    if not rising or np.any(np.diff(levels) <= 0) or np.any(np.diff(values) <= 0) or values[0] < 0:
        got = f"probs {np.atleast_1d(levels).tolist()} and years {np.atleast_1d(values).tolist()}"
        need = "at least two of each, both rising, years at least 0 [years]"
        raise InputError(Fault(got, need, "Correct them.", where, 0, "probs, years"))
    seasons = np.log(np.maximum(seasons_of(where, values, counts), 0.01))
    share = checked_share(where, shared_share)
    common = np.sqrt(share) * normal_nodes(SHARED_NODES)[:, np.newaxis]
    total = common + np.sqrt(1 - share) * normal_nodes(TREE_NODES)
    return _stated_at(
        float(height),
        name=f"{levels.size} quantiles at {float(height):g} m",
        source=source or NO_SOURCE,
        known=Known.USER,
        level=0.0,
        deviation=piecewise(total, ndtri(levels), seasons),
    )


def no_height_model() -> HeightModel:
    """Add no years, as chosen in the settings: ages are ages at the coring height.

    Returns
    -------
    HeightModel
        Years 0 at every height, flagged.

    Examples
    --------
    >>> no_height_model().years(1.0).prob_at(0)
    1.0
    """
    return HeightModel(
        name="none",
        source="chosen in field.toml",
        known=Known.NONE,
        forms=(GrowthForm.NONE,) * SHARED_NODES,
        scales_m=np.ones(SHARED_NODES),
        intercept=np.zeros(SHARED_NODES),
        slope=np.ones(SHARED_NODES),
        deviation=np.zeros((SHARED_NODES, TREE_NODES)),
        remarks=(Caution("age at coring height: no years to the coring height were added"),),
    )


# ---------------------------------------------------------------------- published figures


@dataclass(frozen=True)
class EarlyHeight:
    """A published figure of early height growth: one row of the table that ships with the package.

    `height_m` is 1 m for a rate and 0 for a collar; `log_sd` is that of trees; `low_years` and `high_years` are the
    range printed by the source (nan if none), `trees` the sample size in its words; `note` says how the numbers were
    taken from it.
    """

    name: str
    species: str
    place: str
    use: FigureUse
    height_m: float
    mean_years: float
    log_sd: float
    counts: Counts
    low_years: float
    high_years: float
    trees: str
    valid_from_m: float
    valid_to_m: float
    source: str
    known: Known
    note: str


@dataclass(frozen=True)
class PublishedCurve:
    """A published height curve: one row of the table that ships with the package.

    `base_age_years` is the age of the site index on the curve's own axis, `unit_m` the unit of length of the
    coefficients, which are all parameters but the site index; they were checked for site indices from `site_low_m`
    to `site_high_m`, and `checked` says which printed figure they reproduce.
    """

    name: str
    species: str
    form: str
    counts_from: CountsFrom
    base_age_years: float
    unit_m: float
    coefficients: tuple[float, ...]
    site_low_m: float
    site_high_m: float
    source: str
    known: Known
    checked: str


@cache
def _early_heights() -> tuple[EarlyHeight, ...]:
    kinds: dict[str, Callable[[str], Any]] = {"use": FigureUse, "counts": Counts, "known": Known}
    kinds |= dict.fromkeys(("name", "species", "place", "trees", "source", "note"), str)
    return tuple(
        EarlyHeight(**{key: kinds.get(key, _number)(text) for key, text in row.items()})
        for row in data_rows("early_heights.csv")
    )


def _number(text: str) -> float:
    """An empty cell is nan."""
    return float(text or "nan")


def early_heights() -> dict[str, EarlyHeight]:
    """All published figures of early height growth that ship with the package.

    Returns
    -------
    dict of str to EarlyHeight
        The figures by name, each with its source and how it is known.

    Examples
    --------
    >>> early_heights()["ponderosa pine two cores"].mean_years
    50.0
    """
    return {entry.name: entry for entry in _early_heights()}


@cache
def _published_curves() -> tuple[PublishedCurve, ...]:
    return tuple(_published_curve(dict(row)) for row in data_rows("height_curves.csv"))


def _published_curve(row: dict[str, Any]) -> PublishedCurve:
    """One row of the table, its site indices in metres."""
    row |= {name: float(row[name]) for name in ("base_age_years", "unit_m")}
    row |= {f"{name}_m": float(row.pop(name)) * row["unit_m"] for name in ("site_low", "site_high")}
    row["coefficients"] = tuple(float(value) for value in row["coefficients"].split(";"))
    return PublishedCurve(**row | {"counts_from": CountsFrom(row["counts_from"]), "known": Known(row["known"])})


def published_curves() -> dict[str, PublishedCurve]:
    """All published curves that ship with the package.

    Returns
    -------
    dict of str to PublishedCurve
        The curves by name, each with its source and how it is known.

    Examples
    --------
    >>> sorted(published_curves())
    ['douglas-fir bruce', 'douglas-fir king', 'quaking aspen', 'shortleaf pine']
    """
    return {entry.name: entry for entry in _published_curves()}


def published_curve(name: str, site_index_m: float) -> HeightCurve:
    """Make one of the published curves for a site index.

    Parameters
    ----------
    name : str
        A name of `published_curves`, where each names its source.
    site_index_m : float
        Height at the base age of the curve [m], within the range the coefficients were checked for.

    Returns
    -------
    HeightCurve
        The curve in metres.

    Raises
    ------
    ModelError
        If there is no such curve or the site index is outside its range; feet are recognised and named.

    Examples
    --------
    Quaking aspen, 62 ft at age 40, is close to site index 70 ft.

    >>> curve = published_curve("quaking aspen", 70 * 0.3048)
    >>> round(float(curve.height_at(40)) / 0.3048, 1)
    61.6
    """
    where, table = "published_curve", published_curves()
    if name not in table:
        raise ModelError(Fault(show(name), f"one of {', '.join(sorted(table))}", "Use such a name.", where, 0, "name"))
    entry = table[name]
    low, high = entry.site_low_m, entry.site_high_m
    if not low - 1e-9 <= site_index_m <= high + 1e-9:
        do = "Give a site index in this range, or another height model."
        if low <= site_index_m * FOOT_M <= high:
            do = f"This looks like feet: write {site_index_m * FOOT_M:.1f}."
        need = f"{low:.1f} to {high:.1f} [m] at base age {entry.base_age_years:g}"
        raise ModelError(Fault(f"{site_index_m:g}", need, do, where, 0, "site_index"))
    values = (float(site_index_m) / entry.unit_m, *entry.coefficients)
    return HeightCurve(entry.form, values, entry.unit_m, entry.counts_from)


def from_published(name: str, *, shared_share: float = PUBLISHED_SHARED_SHARE) -> HeightModel:
    """Height model from a published figure of early height growth.

    Parameters
    ----------
    name : str
        A name of `early_heights`.
    shared_share : float, default 0.5
        Share of the variance that all trees of the stand have in common, 0 to 1; larger than for the user's
        own figures because stands differ (choice).

    Returns
    -------
    HeightModel
        Lognormal passing times with the figure's source.

    Raises
    ------
    InputError
        If shared_share is outside 0 to 1.
    ModelError
        If there is no such figure, or it is a correction for a buried collar.

    Notes
    -----
    Height below breast height is where stands of one site index differ most [1]_: a figure from elsewhere
    is a last resort before a guess.

    References
    ----------
    .. [1] Nigh, G. (2004). British Columbia Ministry of Forests, Research Report 25 (abstract).

    Examples
    --------
    >>> round(from_published("black spruce thin organic layer").years(1.0).mean())
    22
    """
    where, table = "published", early_heights()
    share = checked_share(where, shared_share)
    usable = f"one of {', '.join(sorted(key for key, entry in table.items() if entry.use != FigureUse.COLLAR))}"
    if name not in table:
        raise ModelError(Fault(show(name), usable, "Use such a name.", where, 0, "name"))
    entry = table[name]
    if entry.use is FigureUse.COLLAR:
        got, need = f"{name}, years below a buried collar", f"years to a height: {usable}"
        do = f"Write {entry.mean_years:g} or your own figure as collar_years of the trees."
        raise ModelError(Fault(got, need, do, where, 0, "name"))
    seasons = float(seasons_of(where, entry.mean_years, entry.counts))
    model = _lognormal_model(
        name,
        source=entry.source,
        known=entry.known,
        height_m=entry.height_m,
        log_median=float(np.log(seasons)) - entry.log_sd**2 / 2,
        log_sd=entry.log_sd,
        share=share,
    )
    slope = np.ones(SHARED_NODES) if entry.use is FigureUse.RATE else model.slope
    level = model.intercept + model.slope * np.log(entry.height_m)
    remark = Caution(f"years to the coring height from a published figure ({name}), not from this stand")
    memory = (Caution("this figure has not been checked at its source"),) if entry.known == Known.MEMORY else ()
    return replace(
        model,
        intercept=level - slope * np.log(entry.height_m),
        slope=slope,
        valid_from_m=entry.valid_from_m,
        valid_to_m=entry.valid_to_m,
        remarks=(remark, *memory),
    )


def from_curve(
    name: str,
    site_index_m: float,
    *,
    log_sd: float = CURVE_LOG_SD,
    shared_share: float = PUBLISHED_SHARED_SHARE,
) -> HeightModel:
    """Height model from a published site-index curve, with a spread put on it.

    Parameters
    ----------
    name : str
        A name of `published_curves`.
    site_index_m : float
        Height at the base age of the curve [m].
    log_sd : float, default 0.5
        Standard deviation of the log passing time, above 0 (choice: the top of the range for natural origin).
    shared_share : float, default 0.5
        Share of the variance that all trees of the stand have in common, 0 to 1 (choice).

    Returns
    -------
    HeightModel
        Passing times about the curve.

    Raises
    ------
    InputError
        If log_sd is not above 0 or shared_share is outside 0 to 1.
    ModelError
        If the curve is unknown, counts from breast height or the site index is out of range.

    Notes
    -----
    Such curves were drawn from dominant trees mostly older than 10 to 20 years; below 2 m they are
    extrapolated and the answer is flagged. Two accepted curves of yellow-poplar differ by 18 % at age 20 [1]_.
    A mean height curve is not the curve of the median tree where growth speeds up: its inverse is too early
    (Jensen's inequality). Trees with the stated spread are therefore placed about it and the median time is
    moved until their mean height at the curve's age for 1 m is 1 m again.

    References
    ----------
    .. [1] Carmean, W. H. et al. (1989), GTR NC-128; Beck & Della-Bianca (1970), SE-63 (both from memory).

    Examples
    --------
    >>> 6 <= from_curve("douglas-fir bruce", 105 * 0.3048).years(1.0).median() <= 8
    True
    """
    where, table, curve = "curve", published_curves(), published_curve(name, site_index_m)
    if curve.counts_from != CountsFrom.COLLAR:
        usable = sorted(key for key, entry in table.items() if entry.counts_from == CountsFrom.COLLAR)
        need = f"a curve that counts from the collar: {', '.join(usable)}"
        do = "This one counts from breast height and says nothing about the years below it."
        raise ModelError(Fault(name, need, do, where, 0, "name"))
    (spread,) = require_positive(where, log_sd=log_sd)
    share = checked_share(where, shared_share)
    entry = table[name]
    extrapolated = f"years to the coring height from a site-index curve ({name}), which is extrapolated below 2 m"
    recalled = f"the coefficients are recalled, not read at the source; outside check: {entry.checked}"
    tree = np.sqrt(1 - share) * float(spread) * normal_nodes(TREE_NODES)
    return HeightModel(
        name=f"{name}, site index {site_index_m:g} m",
        source=entry.source,
        known=entry.known,
        forms=(GrowthForm.CURVE,) * SHARED_NODES,
        scales_m=np.ones(SHARED_NODES),
        intercept=_mean_curve_shift(curve, tree) + np.sqrt(share) * float(spread) * normal_nodes(SHARED_NODES),
        slope=np.ones(SHARED_NODES),
        deviation=np.tile(tree, (SHARED_NODES, 1)),
        valid_from_m=CURVE_TRUST_FROM_M,
        limit_m=curve.asymptote_m,
        curve=curve,
        remarks=(Caution(extrapolated), Caution(recalled)),
    )


def second_opinion(species: str, height_m: float) -> tuple[str, int, int] | None:
    """Median years to a height by a published curve of the species at its highest and lowest site index, or None."""
    for entry in _published_curves():
        if species and species in entry.species and entry.counts_from == CountsFrom.COLLAR:
            ends = [
                from_curve(entry.name, site).years(height_m).median() for site in (entry.site_high_m, entry.site_low_m)
            ]
            return entry.name, ends[0], ends[1]
    return None


def _mean_curve_shift(curve: HeightCurve, tree: Floats) -> float:
    """Shift of the log passing time at which the trees' mean height is that of the curve again."""
    from scipy.optimize import brentq

    age = float(curve.age_at(JENSEN_HEIGHT_M))

    def too_tall(shift: float) -> float:
        return float(curve.height_at(age * np.exp(-shift - tree)).mean()) - JENSEN_HEIGHT_M

    low, high = -tree.max() - 1, -tree.min() + 1  # every tree early, every tree late
    return float(brentq(too_tall, low, high, xtol=1e-15))


YoungTrees = Mapping[str, Any] | None

_SEEDLING_COLUMNS: Final = ("height_m", "age_years")
_PAIR_COLUMNS: Final = ("low_height_m", "low_rings", "high_height_m", "high_rings")


def _complete(seedlings: YoungTrees, names: tuple[str, ...]) -> list[NDArray[np.float64]]:
    """The named columns on the rows where all of them are there."""
    missing = [name for name in names if seedlings is None or name not in seedlings]
    if seedlings is None or missing:
        got, need = f"no column {', '.join(missing)}", f"young trees with {', '.join(names)}"
        do = "Add them, or choose another height model in field.toml."
        raise InputError(Fault(got, need, do, "seedlings.csv", 0, missing[0]))
    arrays = [np.asarray(seedlings[name], dtype=np.float64) for name in names]
    whole = np.all([~np.isnan(array) for array in arrays], axis=0)
    order = np.lexsort(arrays)  # so that sums over them, to the last digit, do not depend on the order of rows
    return [array[order][whole[order]] for array in arrays]


def _from_curve(options: Mapping[str, Any]) -> HeightModel:
    """The site index of the settings is in metres."""
    rest = {key: value for key, value in options.items() if key != "site_index"}
    return from_curve(site_index_m=float(options["site_index"]), **rest)


def young_sampling(seedlings: YoungTrees) -> str | None:
    """How own young trees were chosen: the one word of their column; None where it is not said, or not one word."""
    if seedlings is None or "sampling" not in seedlings:
        return None
    whole = ~np.isnan([np.asarray(seedlings[name], dtype=np.float64) for name in _SEEDLING_COLUMNS]).any(axis=0)
    words = {str(word) for word in np.asarray(seedlings["sampling"], dtype=object)[whole]}
    return words.pop() if len(words) == 1 and words <= set(SeedlingSampling) else None


def _own_trees(options: Mapping[str, Any], young: YoungTrees) -> HeightModel:
    """The word of the table stands where the settings say nothing of the sampling."""
    arrays = _complete(young, _SEEDLING_COLUMNS)
    return from_seedlings(*arrays, **{"sampling": young_sampling(young)} | dict(options))


def _open_data(options: Mapping[str, Any], young: YoungTrees, species: str) -> HeightModel:
    """Open data, sharpened by the own young trees that there are."""
    whole = young is not None and all(name in young for name in _SEEDLING_COLUMNS)
    heights, ages = _complete(young, _SEEDLING_COLUMNS) if whole else (np.zeros(0), np.zeros(0))
    said: dict[str, Any] = {"sampling": young_sampling(young)} | dict(options)
    return from_open_data(species, own_age_years=ages, own_height_m=heights, **said)


_MAKERS: Final[Mapping[str, Callable[[Mapping[str, Any], YoungTrees], HeightModel]]] = {
    HeightChoice.SEEDLINGS: _own_trees,
    HeightChoice.TWO_HEIGHTS: lambda options, young: from_two_heights(*_complete(young, _PAIR_COLUMNS)),
    HeightChoice.MEAN_SD: lambda options, young: from_mean_sd(**options),
    HeightChoice.QUANTILES: lambda options, young: from_quantiles(**options),
    HeightChoice.PUBLISHED: lambda options, young: from_published(**options),
    HeightChoice.CURVE: lambda options, young: _from_curve(options),
    HeightChoice.NONE: lambda options, young: no_height_model(),
}
"""The models by the words of the settings, from their options and the young trees of the species."""


@public
def height_model(settings: Mapping[str, Any], *, seedlings: YoungTrees = None, species: str = "") -> HeightModel:
    """Make the height model of one species from its settings.

    Parameters
    ----------
    settings : mapping
        The key 'model' and what it needs: {'model': 'seedlings'}, {'model': 'two_heights'},
        {'model': 'mean_sd', 'height_m': 1.0, 'mean_years': 8, 'sd_years': 3}, {'model': 'quantiles',
        'height_m': 1.0, 'probs': [...], 'years': [...]}, {'model': 'published', 'name': ...}, {'model':
        'curve', 'name': ..., 'site_index': metres}, {'model': 'open_data'} or {'model': 'none'}.
    seedlings : mapping of arrays or DataFrame, optional
        Rows of the species from seedlings.csv: height_m [m], age_years [years], or low_height_m, low_rings,
        high_height_m, high_rings; rows that lack one of the needed values are passed over. A column sampling with one
        word says how they were chosen.
    species : str, optional
        Scientific name, for the model 'open_data'.

    Returns
    -------
    HeightModel
        The model; nothing is warned here, see its `cautions`.

    Raises
    ------
    ModelError
        If the model word or a key is unknown or a key is missing; all of it is listed.
    InputError
        If the young trees are missing, too few or wrong.

    Examples
    --------
    >>> height_model({"model": "none"}).is_none
    True
    """
    faults = height_faults(settings)
    if faults:
        raise ModelError(faults)
    options = {key: value for key, value in settings.items() if key != "model"}
    if settings["model"] == HeightChoice.OPEN_DATA:
        return _open_data(options, seedlings, species)
    return _MAKERS[settings["model"]](options, seedlings)


def _coring_height(where: str, name: str, height_m: float) -> float:
    """Hold a height against the limits of the table of cores."""
    (height,) = require_nonnegative(where, **{name: height_m})
    limits = column("cores", "core_height_m")
    if height.ndim:
        raise InputError(Fault(kind_of(height_m), limits.need, "Ask once for each height.", where, 0, name))
    if limits.range is not None and not limits.range.holds(height):
        do = slip(limits, float(height)) or "Correct the height."
        raise InputError(Fault(show(float(height)), limits.need, do, where, 0, name))
    return float(height)


@public
def years_to_height(
    height_m: float,
    model: HeightModel | Mapping[str, Any] | None = None,
    *,
    mean_years: float | None = None,
    sd_years: float | None = None,
    stated_height_m: float | None = None,
) -> Pmf:
    """Mass function of the years a tree took to reach a height.

    Parameters
    ----------
    height_m : float
        Coring height above the root collar [m], 0 to 3 as in the table of cores.
    model : HeightModel or mapping, optional
        A height model, or settings for `height_model`.
    mean_years, sd_years : float, optional
        In place of a model: mean and standard deviation of the years to subtract [years].
    stated_height_m : float, optional
        Height the mean and sd are for [m], 0 to 3; height_m by default.

    Returns
    -------
    Pmf
        Whole growing seasons before the one in which the tip passed the height; 0 at height 0.

    Raises
    ------
    InputError
        If a height is not one number from 0 to 3, a figure is not above 0, or the model is neither.
    ModelError
        If neither or both of a model and a mean with its sd are given, or the model does not reach the
        height.

    Warns
    -----
    ModelWarning
        If the model is used outside the heights its source covers, a published curve below 2 m included.
    PriorWarning
        If the model is a published figure and not the user's own.

    Notes
    -----
    Y = ceil(T) - 1 with the passing time T in growing seasons, so total age = rings at the height + Y.

    References
    ----------
    .. [1] The half-season convention of stem analysis: Carmean, W. H. (1972). Forest Science 18, 109-120
       (from memory).

    Examples
    --------
    >>> years = years_to_height(1.0, mean_years=8, sd_years=3)
    >>> round(years.mean(), 1), years.interval(0.9)
    (8.0, (4, 14))
    """
    where = "years_to_height"
    figures = mean_years is not None and sd_years is not None
    if (model is None) != figures or (model is not None and (mean_years is not None or sd_years is not None)):
        got = "both" if model is not None else "neither in full"
        need = "a model, or mean_years with sd_years [years]"
        raise ModelError(Fault(got, need, "Give one of the two; none is ever assumed.", where, 0, "model"))
    height_m = _coring_height(where, "height_m", height_m)
    if stated_height_m is not None:
        stated_height_m = _coring_height(where, "stated_height_m", stated_height_m)
    if model is None:
        at = height_m if stated_height_m is None else stated_height_m
        if height_m == 0:
            return no_height_model().years(0.0)
        chosen = from_mean_sd(at, mean_years or 0, sd_years or 0)
    elif isinstance(model, (HeightModel, Mapping)):
        chosen = model if isinstance(model, HeightModel) else height_model(model)
    else:
        do = "Write for example {'model': 'published', 'name': ...}, see height_model."
        raise InputError(Fault(kind_of(model), "a HeightModel or settings", do, where, 0, "model"))
    years = chosen.years(height_m)
    for sentence in chosen.cautions(height_m):
        prior = chosen.curve is None and not chosen.is_none and sentence in chosen.remarks
        warnings.warn(sentence, PriorWarning if prior else ModelWarning, stacklevel=2)
    return years
