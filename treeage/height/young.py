"""Height models from the user's own young trees: heights with ages, or rings counted at two heights.

Log age on a growth axis, averaged over forms; own derivation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaincinv, ndtri

from treeage.errors import Fault, InputError, require_nonnegative, require_positive
from treeage.height.curves import Floats
from treeage.height.model import (
    SHARED_NODES,
    TREE_NODES,
    GrowthForm,
    HeightModel,
    axis_tangent,
    growth_axis,
    normal_nodes,
    power_slopes,
)
from treeage.priors import Known
from treeage.schema import ERA_LOG_SD, FEWEST_YOUNG_TREES, SEEDLING_REACH, SeedlingSampling, Tip, word_of

_SPREAD_GUESS: Final = 0.3  # log-sd between trees: 0.15-0.25 open, 0.4-0.6 shaded (from published ranges)
_SPREAD_WEIGHT: Final = 2.0  # choice: the guess counts as much as two trees
_SLOPE_GUESS: Final = 0.75  # choice: log age on log height; 1 at a constant rate, 0.3-0.7 in published curves
_SLOPE_SD: Final = 0.4  # choice: wide over that range
_SLOPE_LEAST: Final = 0.05  # choice: passing times increase with height

GROWTH_CANDIDATES: Final[tuple[tuple[GrowthForm, float], ...]] = (
    (GrowthForm.POWER, 1.0),
    *((GrowthForm.WEIBULL, share) for share in (3.0, 5.0)),
    *((GrowthForm.KORF, share) for share in (3.0, 6.0, 12.0)),
    *((GrowthForm.EXPONENTIAL, share) for share in (0.05, 0.2, 0.6)),
)
"""Growth forms that young trees choose from, each with its scale in heights of the tallest of them (choice)."""


def from_seedlings(
    height_m: ArrayLike,
    age_years: ArrayLike,
    *,
    sampling: str | None = None,
    tip: str = Tip.END_OF_SEASON,
    era_log_sd: float = ERA_LOG_SD,
) -> HeightModel:
    """Height model from young trees measured for height and age.

    Parameters
    ----------
    height_m : array-like, shape (n,)
        Heights above the root collar [m], above 0; at least 5 trees.
    age_years : array-like, shape (n,)
        Growing seasons counted at the collar [years], at least 1.
    sampling : {'passing', 'age', 'height'}, optional
        'passing': an age is the time its tree took to the height, as in trees cut and sectioned. 'age': young trees
        chosen by age, the tiniest perhaps overlooked. 'height' (or 'standing'): those that stand at a height today
        under steady recruitment, where slow trees are met more often. When not said, 'age' and 'height' are mixed.
    tip : {'end_of_season', 'within_season'}, default 'end_of_season'
        Whether the season's height growth was over (as in most conifers by the time of field work) or the
        height was passed somewhere within the last season counted, which takes half a season off.
    era_log_sd : float, default 0.25
        Shared log-sd of growth when the old trees were young against growth now, at least 0 (choice); 0 leaves it out.

    Returns
    -------
    HeightModel
        Tree-to-tree spread and parameter uncertainty (shared by the stand) kept apart.

    Raises
    ------
    InputError
        If there are fewer than 5 trees, a height or age is not above 0, or era_log_sd is negative.
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
    between trees; 'height' takes that off. Chosen by age, small trees that were overlooked leave the mean too fast by
    at most about as much (choice): 'age' adds an unknown part of it, shared by the stand. Above the tallest tree the
    answer is flagged, from three times its height refused. The era error stands for growth that was otherwise when the
    old trees were young; it cannot be learned from the young ones.

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
    sampling_of(sampling)
    (era,) = require_nonnegative("seedlings", era_log_sd=era_log_sd)
    within = word_of(Tip, tip, "seedlings", "tip") is Tip.WITHIN_SEASON
    log_ages = np.log(ages - 0.5 if within else ages)
    tallest = float(heights.max())
    fits = [_fit_form(form, share * tallest, heights, log_ages) for form, share in GROWTH_CANDIDATES]
    picked, level, slope, spread, free = _shared_states(fits)
    level = level + sampling_shift(sampling, spread, free[:, 1]) + float(era) * free[:, 0]
    stretch = np.array([fit.stretch for fit in picked])
    centre = np.array([fit.centre for fit in picked])
    return HeightModel(
        name=f"{heights.size} young trees",
        source="the user's own young trees",
        known=Known.USER,
        forms=tuple(fit.form for fit in picked),
        scales_m=np.array([fit.scale_m for fit in picked]),
        intercept=level - slope * centre / stretch,
        slope=slope / stretch,
        deviation=spread[:, np.newaxis] * normal_nodes(TREE_NODES),
        valid_to_m=tallest,
        limit_m=SEEDLING_REACH * tallest,
    )


def _seedling_arrays(height_m: ArrayLike, age_years: ArrayLike) -> tuple[Floats, Floats]:
    """Checked heights [m] and ages [years]."""
    where = "seedlings"
    heights, ages = require_positive(where, height_m=height_m, age_years=age_years)
    if heights.ndim != 1 or heights.shape != ages.shape:
        got = f"shapes {heights.shape} and {ages.shape}"
        raise InputError(Fault(got, "two rows of one length", "Pair them.", where, 0, "height_m, age_years"))
    if heights.size < FEWEST_YOUNG_TREES:
        got, need = f"{heights.size} young trees", f"at least {FEWEST_YOUNG_TREES}, 20 or more are better"
        do = "Measure more, or give a mean and sd at the coring height (model = 'mean_sd')."
        raise InputError(Fault(got, need, do, where, 0, "height_m"))
    if np.any(ages < 1):
        raise InputError(Fault(f"{ages.min():g}", "at least 1 [years]", "Count again.", where, 0, "age_years"))
    return heights, ages


@dataclass(frozen=True)
class _Fit:
    """Posterior of one growth form: log age = mean[0] + mean[1] axis, chi-square for the variance."""

    form: GrowthForm
    scale_m: float
    centre: float
    stretch: float
    mean: Floats
    root: Floats
    square_sum: float
    degrees: float
    log_evidence: float


def _fit_form(form: GrowthForm, scale_m: float, heights: Floats, log_ages: Floats) -> _Fit:
    """Fit one form; the axis has slope 1 on log height at the geometric mean height."""
    centre, stretch = axis_tangent(form, scale_m, float(np.exp(np.log(heights).mean())))
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


def sampling_of(sampling: str | None) -> SeedlingSampling | None:
    """The word of how young trees were chosen, checked; None where it was not said."""
    return None if sampling is None else word_of(SeedlingSampling, sampling, "seedlings", "sampling")


def sampling_shift(sampling: str | None, spread: Floats | float, reading: Floats | float) -> Floats:
    """What the way young trees were chosen adds to their log ages, at places 0 to 1 within what is not known of it.

    Length bias is the variance between trees: off for those standing at a height, up to as much on for those chosen by
    age (choice), one half of the states each when nothing was said.
    """
    square, place = np.square(spread), np.asarray(reading, dtype=np.float64)
    met = sampling_of(sampling)
    if met is SeedlingSampling.PASSING:
        return np.asarray(0.0 * square)
    if met is SeedlingSampling.AGE:
        return np.asarray(place * square)
    if met in (SeedlingSampling.HEIGHT, SeedlingSampling.STANDING):
        return np.asarray(-square)
    return np.asarray(np.where(place < 0.5, 2 * place, -1.0) * square)


def white_columns(uniform: Floats) -> Floats:
    """Columns of standard normal nodes with mean 0, variance 1 and no correlation, exactly."""
    nodes = ndtri(uniform)
    nodes -= nodes.mean(axis=0)
    root = np.linalg.cholesky(np.cov(nodes.T, bias=True))
    return np.asarray(np.linalg.solve(root, nodes.T).T)


def _shared_states(fits: list[_Fit]) -> tuple[list[_Fit], Floats, Floats, Floats, Floats]:
    """Equally likely states: form, intercept, slope, log-sd of each shared node; columns for era and reading."""
    tries = {fit.form: sum(other.form == fit.form for other in fits) for fit in fits}
    log_weight = np.array([fit.log_evidence - np.log(tries[fit.form]) for fit in fits])
    shares = np.exp(log_weight - log_weight.max())
    points = spread_points(SHARED_NODES, 6)
    chosen = np.searchsorted(np.cumsum(shares / shares.sum()), points[:, 0])
    picked = [fits[min(int(index), len(fits) - 1)] for index in chosen]
    normal = white_columns(points[:, [1, 2, 4]])
    spread = np.array(
        [
            np.sqrt(fit.square_sum / (2 * gammaincinv(fit.degrees / 2, share)))
            for fit, share in zip(picked, points[:, 3], strict=True)
        ]
    )
    line = np.array([f.mean + s * (f.root @ z) for f, s, z in zip(picked, spread, normal[:, :2], strict=True)])
    free = np.column_stack([normal[:, 2], points[:, 5]])
    return picked, line[:, 0], np.maximum(line[:, 1], _SLOPE_LEAST), spread, free


def spread_points(size: int, columns: int) -> Floats:
    """Evenly spread points in the unit cube, the same each time; at most 7 columns.

    Even steps, then digits of the number reversed in bases 2, 3, 5, 7, 11, 13: Hammersley 1960, Ann. N. Y. Acad. Sci.
    86: 844-874.
    """
    points = np.empty((size, columns))
    points[:, 0] = (np.arange(size) + 0.5) / size
    for column, base in zip(range(1, columns), (2, 3, 5, 7, 11, 13), strict=False):
        digits, place, value = np.arange(size), 1.0, np.zeros(size)
        while digits.any():
            place /= base
            value += place * (digits % base)
            digits = digits // base
        points[:, column] = value + place / 2
    return points


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
        known=Known.USER,
        forms=(GrowthForm.POWER,) * SHARED_NODES,
        scales_m=np.ones(SHARED_NODES),
        intercept=level + shift,
        slope=slope,
        deviation=between[:, np.newaxis] * normal_nodes(TREE_NODES),
        valid_from_m=float(low.min()),
        valid_to_m=float(high.max()),
    )
