"""Height models from the user's own figures: a mean and sd, quantiles, or the explicit choice of none.

Lognormal passing times with a stated share of the variance common to the stand; own derivation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincinv, ndtri

from treeage.errors import (
    Fault,
    InputError,
    ModelError,
    kind_of,
    require_nonnegative,
    require_positive,
    require_probability,
    show,
)
from treeage.height.curves import HeightCurve, early_heights, published_curve, published_curves
from treeage.height.model import (
    SHARED_NODES,
    TREE_NODES,
    HeightModel,
    growth_axis,
    normal_nodes,
    piecewise,
    power_slopes,
)
from treeage.schema import FEWEST_YOUNG_TREES, SEEDLING_REACH

Floats = NDArray[np.float64]

USER_SHARED_SHARE: Final = 0.25  # choice: a quarter of the variance of the user's own figure is common
NO_SOURCE: Final = "stated by the user, no source given"
_COUNTS: Final = ("rings", "time")


def checked_share(where: str, shared_share: float) -> float:
    """Check a share of variance.

    Parameters
    ----------
    where : str
        The calling function, for the message.
    shared_share : float
        Share of the variance that all trees of a stand have in common, 0 to 1.

    Returns
    -------
    float
        The share.

    Raises
    ------
    InputError
        If it is outside 0 to 1.

    Examples
    --------
    >>> checked_share("here", 0.25)
    0.25
    """
    if not 0 <= shared_share <= 1:
        got = show(float(shared_share))
        raise InputError(Fault(got, "0 to 1 [share of the variance]", "Correct it.", where, 0, "shared_share"))
    return float(shared_share)


def seasons_of(where: str, years: ArrayLike, counts: str) -> Floats:
    """Turn years, a difference of rings or a time, into a passing time.

    Parameters
    ----------
    where : str
        The calling function, for the message.
    years : array-like
        Years [years].
    counts : {'rings', 'time'}
        What the years are.

    Returns
    -------
    numpy.ndarray
        Passing time [seasons]: half a season more than a difference of rings.

    Raises
    ------
    ModelError
        If counts is another word.

    Examples
    --------
    >>> float(seasons_of("here", 8, "rings"))
    8.5
    """
    if counts not in _COUNTS:
        raise ModelError(Fault(show(counts), " or ".join(_COUNTS), "Use one of them.", where, 0, "counts"))
    return np.asarray(years, dtype=np.float64) + (0.5 if counts == "rings" else 0.0)


def from_mean_sd(
    height_m: float,
    mean_years: float,
    sd_years: float,
    *,
    shared_share: float = USER_SHARED_SHARE,
    counts: str = "rings",
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
    several = [value for value, array in ((mean_years, mean), (sd_years, sd), (height_m, height)) if array.ndim]
    if several:
        do = "Make one model for each height or species."
        raise InputError(Fault(kind_of(several[0]), "one number each", do, where, 0, "height_m, mean_years, sd_years"))
    seasons = float(seasons_of(where, mean, counts))
    variance = float(sd) ** 2
    if counts == "rings":
        variance = max(variance - 1 / 12, variance / 4)  # choice: the rounding takes at most 3/4
    log_sd = float(np.sqrt(np.log1p(variance / seasons**2)))
    return lognormal_model(
        f"mean {float(mean):g}, sd {float(sd):g} years at {float(height):g} m",
        source=source or NO_SOURCE,
        known="user",
        height_m=float(height),
        log_median=float(np.log(seasons)) - log_sd**2 / 2,
        log_sd=log_sd,
        share=checked_share(where, shared_share),
    )


def lognormal_model(
    name: str, *, source: str, known: str, height_m: float, log_median: float, log_sd: float, share: float
) -> HeightModel:
    """Make a height model of lognormal passing times stated at one height.

    Parameters
    ----------
    name, source, known : str
        As in `HeightModel`.
    height_m : float
        Height the figures are for [m].
    log_median, log_sd : float
        Median and standard deviation of the log passing time there [log seasons].
    share : float
        Share of its variance that all trees of the stand have in common, 0 to 1.

    Returns
    -------
    HeightModel
        Time goes as height to a power between 0.5 and 1 that the stand shares.

    Examples
    --------
    >>> model = lognormal_model("8", source="", known="user", height_m=1, log_median=2.0, log_sd=0.3, share=0.2)
    >>> float(np.median(np.log(model.passing_seasons(1.0))).round(6))
    2.0
    """
    slope = power_slopes()
    level = log_median + np.sqrt(share) * log_sd * normal_nodes(SHARED_NODES)
    tree = np.sqrt(1 - share) * log_sd * normal_nodes(TREE_NODES)
    return HeightModel(
        name=name,
        source=source,
        known=known,
        forms=("power",) * SHARED_NODES,
        scales_m=np.ones(SHARED_NODES),
        intercept=level - slope * np.log(height_m),
        slope=slope,
        deviation=np.tile(tree, (SHARED_NODES, 1)),
        valid_from_m=0.75 * height_m,
        valid_to_m=1.25 * height_m,
    )


def from_quantiles(
    height_m: float,
    probs: ArrayLike,
    years: ArrayLike,
    *,
    shared_share: float = USER_SHARED_SHARE,
    counts: str = "rings",
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
    rest.

    References
    ----------
    .. [1] Own derivation.

    Examples
    --------
    >>> model = from_quantiles(1.0, [0.05, 0.5, 0.95], [4, 8, 17])
    >>> model.years(1.0).median()
    8
    """
    where = "quantiles"
    height, levels, values = (
        *require_positive(where, height_m=height_m),
        *require_probability(where, probs=probs),
        np.asarray(years, dtype=np.float64),
    )
    rising = levels.ndim == 1 and levels.shape == values.shape and levels.size >= 2
    if not rising or np.any(np.diff(levels) <= 0) or np.any(np.diff(values) <= 0) or values[0] < 0:
        got = f"probs {np.atleast_1d(levels).tolist()} and years {np.atleast_1d(values).tolist()}"
        need = "at least two of each, both rising, years at least 0 [years]"
        raise InputError(Fault(got, need, "Correct them.", where, 0, "probs, years"))
    seasons = np.log(np.maximum(seasons_of(where, values, counts), 0.01))
    share = checked_share(where, shared_share)
    common = np.sqrt(share) * normal_nodes(SHARED_NODES)[:, np.newaxis]
    total = common + np.sqrt(1 - share) * normal_nodes(TREE_NODES)
    log_seasons = piecewise(total, ndtri(levels), seasons)
    slope = power_slopes()
    return HeightModel(
        name=f"{levels.size} quantiles at {float(height):g} m",
        source=source or NO_SOURCE,
        known="user",
        forms=("power",) * SHARED_NODES,
        scales_m=np.ones(SHARED_NODES),
        intercept=-slope * np.log(float(height)),
        slope=slope,
        deviation=log_seasons,
        valid_from_m=0.75 * float(height),
        valid_to_m=1.25 * float(height),
    )


def no_height_model(*, chosen: bool = True) -> HeightModel:
    """Add no years: ages are ages at the coring height.

    Parameters
    ----------
    chosen : bool, default True
        Whether that was chosen, or nothing was said of the species.

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
        source="chosen in field.toml" if chosen else "no height model was given",
        known="none",
        forms=("none",) * SHARED_NODES,
        scales_m=np.ones(SHARED_NODES),
        intercept=np.zeros(SHARED_NODES),
        slope=np.ones(SHARED_NODES),
        deviation=np.zeros((SHARED_NODES, TREE_NODES)),
        remarks=("age at coring height: no years to the coring height were added",),
    )


PUBLISHED_SHARED_SHARE: Final = 0.5  # choice: a figure from elsewhere can be off for all trees
CURVE_LOG_SD: Final = 0.5  # 0.4-0.6 for natural origin under cover (judgement from published ranges)
JENSEN_HEIGHT_M: Final = 1.0  # choice: the usual coring height
CURVE_TRUST_FROM_M: Final = 2.0  # below, site curves are extrapolated from older dominant trees


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
    where = "published"
    share = checked_share(where, shared_share)
    table = early_heights()
    usable = sorted(key for key, entry in table.items() if entry.use != "collar")
    if name not in table:
        need = f"one of {', '.join(usable)}"
        raise ModelError(Fault(show(name), need, "Use such a name.", where, 0, "name"))
    entry = table[name]
    if entry.use == "collar":
        do = f"Write {entry.mean_years:g} or your own figure as collar_years of the trees."
        need = f"years to a height: one of {', '.join(usable)}"
        raise ModelError(Fault(f"{name}, years below a buried collar", need, do, where, 0, "name"))
    seasons = float(seasons_of(where, entry.mean_years, entry.counts))
    model = lognormal_model(
        name,
        source=entry.source,
        known=entry.known,
        height_m=entry.height_m,
        log_median=float(np.log(seasons)) - entry.log_sd**2 / 2,
        log_sd=entry.log_sd,
        share=share,
    )
    slope = np.ones(SHARED_NODES) if entry.use == "rate" else model.slope
    level = model.intercept + model.slope * np.log(entry.height_m)
    remark = f"years to the coring height from a published figure ({name}), not from this stand"
    memory = ("this figure is recalled and was not checked at its source",) if entry.known == "memory" else ()
    return replace(
        model,
        intercept=level - slope * np.log(entry.height_m),
        slope=slope,
        valid_from_m=entry.valid_from_m,
        valid_to_m=entry.valid_to_m,
        remarks=(remark, *memory),
    )


def _mean_curve_shift(curve: HeightCurve, tree: NDArray[np.float64]) -> float:
    """Find the shift of the log passing time at which the trees' mean height is that of the curve again."""
    age = float(curve.age_at(JENSEN_HEIGHT_M))
    low, high = -2.0, 4.0  # choice: far wider than any spread asks for
    for _ in range(50):
        middle = (low + high) / 2
        mean = float(curve.height_at(age * np.exp(-middle - tree)).mean())
        low, high = (middle, high) if mean > JENSEN_HEIGHT_M else (low, middle)
    return (low + high) / 2


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
    ModelError
        If the curve is unknown, counts from breast height or the site index is out of range.

    Notes
    -----
    Such curves were drawn from dominant trees mostly older than 10 to 20 years; below 2 m they are
    extrapolated and the answer is flagged. Two accepted curves of yellow-poplar differ by 18 % at age 20 [1]_.
    A mean height curve is not the curve of the median tree where growth speeds up: its inverse is too early
    (Jensen's inequality). Trees with the stated spread are therefore laid about it and the median time is
    moved until their mean height at the curve's age for 1 m is 1 m again.

    References
    ----------
    .. [1] Carmean, W. H. et al. (1989), GTR NC-128; Beck & Della-Bianca (1970), SE-63 (both from memory).

    Examples
    --------
    >>> 6 <= from_curve("douglas-fir bruce", 105 * 0.3048).years(1.0).median() <= 8
    True
    """
    where = "curve"
    curve = published_curve(name, site_index_m)
    if curve.counts_from != "collar":
        usable = sorted(key for key, entry in published_curves().items() if entry.counts_from == "collar")
        need = f"a curve that counts from the collar: {', '.join(usable)}"
        do = "This one counts from breast height and says nothing about the years below it."
        raise ModelError(Fault(name, need, do, where, 0, "name"))
    (spread,) = require_positive(where, log_sd=log_sd)
    share = checked_share(where, shared_share)
    entry = published_curves()[name]
    remarks = (
        f"years to the coring height from a site-index curve ({name}), which is extrapolated below 2 m",
        f"the coefficients are recalled, not read at the source; outside check: {entry.checked}",
    )
    tree = np.sqrt(1 - share) * float(spread) * normal_nodes(TREE_NODES)
    return HeightModel(
        name=f"{name}, site index {site_index_m:g} m",
        source=entry.source,
        known=entry.known,
        forms=("curve",) * SHARED_NODES,
        scales_m=np.ones(SHARED_NODES),
        intercept=_mean_curve_shift(curve, tree) + np.sqrt(share) * float(spread) * normal_nodes(SHARED_NODES),
        slope=np.ones(SHARED_NODES),
        deviation=np.tile(tree, (SHARED_NODES, 1)),
        valid_from_m=CURVE_TRUST_FROM_M,
        limit_m=curve.asymptote_m,
        curve=curve,
        remarks=remarks,
    )


_SPREAD_GUESS: Final = 0.3  # log-sd between trees: 0.15-0.25 open, 0.4-0.6 shaded (from published ranges)
_SPREAD_WEIGHT: Final = 2.0  # choice: the guess counts as much as two trees
_SLOPE_GUESS: Final = 0.75  # choice: log age on log height; 1 at a constant rate, 0.3-0.7 in published curves
_SLOPE_SD: Final = 0.4  # choice: wide over that range
_SLOPE_LEAST: Final = 0.05  # choice: passing times increase with height
_CANDIDATES: Final = (
    ("power", 1.0),
    *(("weibull", share) for share in (3.0, 5.0)),  # scales in heights of the tallest young tree (choice)
    *(("korf", share) for share in (3.0, 6.0, 12.0)),
    *(("exponential", share) for share in (0.05, 0.2, 0.6)),
)


@dataclass(frozen=True)
class _Fit:
    """Posterior of one growth form: log age = mean[0] + mean[1] axis, chi-square for the variance."""

    form: str
    scale_m: float
    centre: float
    stretch: float
    mean: Floats
    root: Floats
    square_sum: float
    degrees: float
    log_evidence: float


def _fit_form(form: str, scale_m: float, heights: Floats, log_ages: Floats) -> _Fit:
    """Fit one form; the axis has slope 1 on log height at the geometric mean height."""
    middle = float(np.exp(np.log(heights).mean()))
    ends = growth_axis(form, scale_m, np.array([middle / 1.001, middle, middle * 1.001]))
    stretch = float((ends[2] - ends[0]) / (2 * np.log(1.001)))
    centre = float(ends[1])
    axis = (growth_axis(form, scale_m, heights) - centre) / stretch
    design = np.column_stack([np.ones(heights.size), axis])
    weight = (_SPREAD_GUESS / _SLOPE_SD) ** 2
    precision = design.T @ design + np.diag([0.0, weight])
    target = design.T @ log_ages + np.array([0.0, weight * _SLOPE_GUESS])
    mean = np.linalg.solve(precision, target)
    residual = log_ages - design @ mean
    square_sum = float(residual @ residual + weight * (mean[1] - _SLOPE_GUESS) ** 2)
    square_sum += _SPREAD_WEIGHT * _SPREAD_GUESS**2
    degrees = heights.size - 1 + _SPREAD_WEIGHT
    log_evidence = -0.5 * np.linalg.slogdet(precision)[1] - 0.5 * degrees * np.log(square_sum)
    root = np.linalg.cholesky(np.linalg.inv(precision))
    return _Fit(form, scale_m, centre, stretch, mean, root, square_sum, degrees, float(log_evidence))


def spread_points(size: int, columns: int) -> Floats:
    """Evenly spread points in the unit cube, the same each time.

    Parameters
    ----------
    size : int
        Number of points.
    columns : int
        Number of dimensions, at most 5.

    Returns
    -------
    numpy.ndarray, shape (size, columns)
        Coordinates between 0 and 1: even steps, then digits of the number reversed in bases 2, 3, 5, 7.

    References
    ----------
    .. [1] Hammersley, J. M. (1960). Monte Carlo methods for solving multivariable problems (from memory).

    Examples
    --------
    >>> spread_points(4, 2).tolist()
    [[0.125, 0.125], [0.375, 0.625], [0.625, 0.375], [0.875, 0.875]]
    """
    points = np.empty((size, columns))
    points[:, 0] = (np.arange(size) + 0.5) / size
    for column, base in zip(range(1, columns), (2, 3, 5, 7), strict=False):
        digits, place, value = np.arange(size), 1.0, np.zeros(size)
        while digits.any():
            place /= base
            value += place * (digits % base)
            digits = digits // base
        points[:, column] = value + place / 2
    return points


def _normal_pair(uniform: Floats) -> Floats:
    """Two columns of standard normal nodes with mean 0, variance 1 and no correlation, exactly."""
    nodes = ndtri(uniform)
    nodes -= nodes.mean(axis=0)
    root = np.linalg.cholesky(np.cov(nodes.T, bias=True))
    return np.asarray(np.linalg.solve(root, nodes.T).T)


def _shared_states(fits: list[_Fit]) -> tuple[list[_Fit], Floats, Floats, Floats]:
    """Equally likely states of form, line and spread: form, intercept, slope, log-sd for each shared node."""
    tries = {fit.form: sum(other.form == fit.form for other in fits) for fit in fits}
    log_weight = np.array([fit.log_evidence - np.log(tries[fit.form]) for fit in fits])
    shares = np.exp(log_weight - log_weight.max())
    points = spread_points(SHARED_NODES, 4)
    chosen = np.searchsorted(np.cumsum(shares / shares.sum()), points[:, 0])
    picked = [fits[min(int(index), len(fits) - 1)] for index in chosen]
    normal = _normal_pair(points[:, 1:3])
    spread = np.array(
        [
            np.sqrt(fit.square_sum / (2 * gammaincinv(fit.degrees / 2, share)))
            for fit, share in zip(picked, points[:, 3], strict=True)
        ]
    )
    line = np.array([f.mean + s * (f.root @ z) for f, s, z in zip(picked, spread, normal, strict=True)])
    return picked, line[:, 0], np.maximum(line[:, 1], _SLOPE_LEAST), spread


def _seedling_arrays(height_m: ArrayLike, age_years: ArrayLike) -> tuple[Floats, Floats]:
    where = "seedlings"
    heights, ages = require_positive(where, height_m=height_m, age_years=age_years)
    if heights.ndim != 1 or heights.shape != ages.shape:
        got = f"shapes {heights.shape} and {ages.shape}"
        raise InputError(Fault(got, "two rows of one length", "Pair them.", where, 0, "height_m, age_years"))
    if heights.size < FEWEST_YOUNG_TREES:
        raise InputError(
            Fault(
                f"{heights.size} young trees",
                f"at least {FEWEST_YOUNG_TREES}, 20 or more are better",
                "Measure more, or give a mean and sd at the coring height (model = 'mean_sd').",
                where,
                0,
                "height_m",
            )
        )
    if np.any(ages < 1):
        raise InputError(Fault(f"{ages.min():g}", "at least 1 [years]", "Count again.", where, 0, "age_years"))
    return heights, ages


def _one_of(word: str, allowed: tuple[str, ...], name: str) -> None:
    if word not in allowed:
        raise ModelError(Fault(show(word), " or ".join(allowed), "Use one of them.", "seedlings", 0, name))


def from_seedlings(
    height_m: ArrayLike, age_years: ArrayLike, *, sampling: str = "passing", tip: str = "end_of_season"
) -> HeightModel:
    """Height model from young trees measured for height and age.

    Parameters
    ----------
    height_m : array-like, shape (n,)
        Heights above the root collar [m], above 0; at least 5 trees.
    age_years : array-like, shape (n,)
        Growing seasons counted at the collar [years], at least 1.
    sampling : {'passing', 'standing'}, default 'passing'
        'passing': an age is the time its tree took to the height. 'standing': trees picked at random from
        what stands there under steady recruitment, where slow trees are met more often at any height.
    tip : {'end_of_season', 'within_season'}, default 'end_of_season'
        Whether the season's height growth was over (as in most conifers by the time of field work) or the
        height was passed somewhere within the last season counted, which takes half a season off.

    Returns
    -------
    HeightModel
        Tree-to-tree spread and parameter uncertainty (shared by the stand) kept apart.

    Raises
    ------
    InputError
        If there are fewer than 5 trees, or a height or age is not above 0.
    ModelError
        If sampling or tip is another word.

    Notes
    -----
    log age = a + b x(h) + normal error between trees, for each form x of `growth_axis`: power, Weibull,
    Korf and exponential start, with a few fixed scales each. Age is regressed on height, which is the
    direction asked for, so no mean height curve is inverted and Jensen's inequality does no harm. The forms
    are weighted by their marginal likelihood under equal prior weights (with a weak prior of 0.75 +- 0.4 on
    the slope and a spread of 0.3 that counts as two trees), not picked, so the choice of form is part of
    the shared uncertainty: 32 shared nodes hold form, line and spread. A Chapman-Richards curve is a power
    curve far below its asymptote and is not a form of its own. Under steady recruitment the trees at a
    height are met in proportion to the time they spend there, which raises the mean log age by the variance
    between trees; 'standing' takes that off. Above the tallest tree the answer is flagged, from three times
    its height refused. Fails when young trees now grow otherwise than the old ones did when young.

    References
    ----------
    .. [1] Villalba, R. & Veblen, T. T. (1997). Ecoscience 4, 534-542 (abstract): seedlings sectioned by site.
    .. [2] Gelman, A. et al. (2013). Bayesian Data Analysis, 3rd ed., section 14.2 (from memory): the
       posterior.

    Examples
    --------
    >>> height = [0.1, 0.2, 0.3, 0.5, 0.7, 0.9, 1.1, 1.3]
    >>> model = from_seedlings(height, [2, 3, 4, 6, 8, 11, 11, 15])
    >>> 9 <= model.years(1.0).median() <= 11
    True
    """
    heights, ages = _seedling_arrays(height_m, age_years)
    _one_of(sampling, ("passing", "standing"), "sampling")
    _one_of(tip, ("end_of_season", "within_season"), "tip")
    log_ages = np.log(ages - 0.5 if tip == "within_season" else ages)
    tallest = float(heights.max())
    fits = [_fit_form(form, share * tallest, heights, log_ages) for form, share in _CANDIDATES]
    picked, level, slope, spread = _shared_states(fits)
    if sampling == "standing":
        level = level - spread**2
    stretch = np.array([fit.stretch for fit in picked])
    centre = np.array([fit.centre for fit in picked])
    return HeightModel(
        name=f"{heights.size} young trees",
        source="the user's own young trees",
        known="user",
        forms=tuple(fit.form for fit in picked),
        scales_m=np.array([fit.scale_m for fit in picked]),
        intercept=level - slope * centre / stretch,
        slope=slope / stretch,
        deviation=spread[:, np.newaxis] * normal_nodes(TREE_NODES),
        valid_to_m=tallest,
        limit_m=SEEDLING_REACH * tallest,
    )


def seasons_between(low_height_m: Floats, rings_apart: Floats) -> tuple[Floats, Floats]:
    """Seasons of growth between two heights from the difference of their rings.

    Parameters
    ----------
    low_height_m : numpy.ndarray, shape (n,)
        Lower heights [m]; 0 is the collar, where ring 1 begins with the life of the tree.
    rings_apart : numpy.ndarray, shape (n,)
        Rings at the lower height less rings at the upper.

    Returns
    -------
    seasons : numpy.ndarray, shape (n,)
        Mean passing time between the heights [seasons], above 0.
    log_variance : numpy.ndarray, shape (n,)
        Variance of its logarithm from counting whole rings.

    Notes
    -----
    See `from_two_heights`.

    Examples
    --------
    >>> seasons, variance = seasons_between(np.array([0.0, 0.3]), np.array([8, 8]))
    >>> seasons.tolist()
    [8.5, 8.0]
    """
    collar = low_height_m == 0
    seasons = np.where(collar, rings_apart + 0.5, np.maximum(rings_apart, 1 / 3))
    return seasons, np.where(collar, 1 / 12, 1 / 6) / np.maximum(seasons, 1) ** 2


def from_two_heights(
    low_height_m: ArrayLike, low_rings: ArrayLike, high_height_m: ArrayLike, high_rings: ArrayLike
) -> HeightModel:
    """Height model from trees whose rings were counted at two heights to one same outer year.

    Parameters
    ----------
    low_height_m : array-like, shape (n,)
        Lower heights [m], at least 0; at least 5 trees.
    low_rings : array-like, shape (n,)
        Rings there.
    high_height_m : array-like, shape (n,)
        Upper heights [m], above the lower.
    high_rings : array-like, shape (n,)
        Rings there, at most as many as below.

    Returns
    -------
    HeightModel
        Passing time as a power of height, with spread between trees and a shared uncertainty.

    Raises
    ------
    InputError
        If there are fewer than 5 trees, an upper height is not above the lower, or it has more rings.

    Notes
    -----
    The tip passes a height within the season of the innermost ring there, so a passing time is known to within
    a season and ends, on average, half a season before the season does. Between two heights above the ground
    both are rounded alike: the seasons between them are low_rings - high_rings on average, with variance 1/6
    from the two roundings [1]_, and a difference of 0 counts as 1/3 of a season, the mean of a triangular error
    that is known to be positive. At the collar (height 0) nothing is rounded: the time to the upper height is
    low_rings - high_rings + 1/2 on average, with variance 1/12. The variance is taken off the spread between
    trees. The time to a height is c h^b: c is
    lognormal between trees, and b, between 0.5 (slow start) and 1 (constant rate), is shared by the stand and
    not learned from the pairs, so the years below the lower heights, which are extrapolated, carry a
    shared uncertainty. Pairs whose lower height is near the collar have next to none.

    References
    ----------
    .. [1] Lesser, M. R. & Jackson, S. T. (2012). Ecology 93, 1071-1081, appendix B: 80 trees cored at two
       heights, 5 years for each 10 cm of height. The variance: own derivation.

    Examples
    --------
    >>> model = from_two_heights([0.1] * 6, [40, 51, 38, 60, 45, 47], [0.9] * 6, [32, 42, 31, 51, 36, 40])
    >>> 9 <= model.years(1.0).median() <= 13
    True
    """
    where = "two_heights"
    low, rings_low = require_nonnegative(where, low_height_m=low_height_m, low_rings=low_rings)
    high, rings_high = require_positive(where, high_height_m=high_height_m, high_rings=high_rings)
    if not low.shape == rings_low.shape == high.shape == rings_high.shape or low.ndim != 1:
        got = f"shapes {low.shape}, {rings_low.shape}, {high.shape}, {rings_high.shape}"
        raise InputError(Fault(got, "four rows of one length", "Pair them.", where, 0, "low_height_m, ..."))
    if low.size < FEWEST_YOUNG_TREES:
        do = "Core more trees twice, or give a mean and sd (model = 'mean_sd')."
        raise InputError(Fault(f"{low.size} pairs", f"at least {FEWEST_YOUNG_TREES}", do, where, 0, "low_height_m"))
    for bad, need, name in (
        (high <= low, "an upper height above the lower [m]", "high_height_m"),
        (rings_high > rings_low, "at most as many rings as below", "high_rings"),
    ):
        if np.any(bad):
            at = int(np.argmax(bad))
            got = f"{low[at]:g} m with {rings_low[at]:g} rings, {high[at]:g} m with {rings_high[at]:g}"
            raise InputError(Fault(got, need, "Check the pair.", where, 0, name, f"pair {at + 1}"))
    seasons, rounding = seasons_between(low, rings_low - rings_high)
    slope = power_slopes()
    span = high ** slope[:, np.newaxis] - low ** slope[:, np.newaxis]
    log_rate = np.log(seasons) - np.log(span)
    level = log_rate.mean(axis=1)
    square_sum = ((log_rate - level[:, np.newaxis]) ** 2).sum(axis=1) + _SPREAD_WEIGHT * _SPREAD_GUESS**2
    degrees = low.size - 1 + _SPREAD_WEIGHT
    points = spread_points(SHARED_NODES, 2)
    total = np.sqrt(square_sum / (2 * gammaincinv(degrees / 2, points[:, 1])))
    between = np.sqrt(np.maximum(total**2 - rounding.mean(), total**2 / 4))  # choice: at most 3/4 of it
    shift = normal_nodes(SHARED_NODES) * total / np.sqrt(low.size)
    return HeightModel(
        name=f"{low.size} two-height pairs",
        source="the user's own trees counted at two heights",
        known="user",
        forms=("power",) * SHARED_NODES,
        scales_m=np.ones(SHARED_NODES),
        intercept=level + shift,
        slope=slope,
        deviation=between[:, np.newaxis] * normal_nodes(TREE_NODES),
        valid_from_m=float(low.min()),
        valid_to_m=float(high.max()),
    )
