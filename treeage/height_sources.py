"""Height models from figures: mean and sd, quantiles, published early heights, published curves, or none.

Layer 2. Lognormal passing times with a stated share of the variance common to the stand; own derivation.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from treeage.errors import Fault, InputError, ModelError, require_positive, require_probability, show
from treeage.height_passing import SHARED_NODES, TREE_NODES, HeightModel, normal_nodes
from treeage.height_tables import early_heights, published_curve, published_curves

Floats = NDArray[np.float64]

USER_SHARED_SHARE: Final = 0.25  # choice: a quarter of the variance of the user's own figure is common
PUBLISHED_SHARED_SHARE: Final = 0.5  # choice: a figure from elsewhere can be off for all trees
CURVE_LOG_SD: Final = 0.5  # 0.4-0.6 for natural origin under cover (judgement from published ranges)
CURVE_TRUST_FROM_M: Final = 2.0  # below, site curves are extrapolated from older dominant trees
_SLOPE_RANGE: Final = (0.5, 1.0)  # choice: log time on log height; 1 at a constant rate
_COUNTS: Final = ("rings", "time")


def _shuffled(size: int) -> Floats:
    """Even steps between 0 and 1 in an order unrelated to the step number (17 is odd: each comes once)."""
    return np.asarray(((np.arange(size) * 17 + 8) % size + 0.5) / size)


def _slopes() -> Floats:
    low, high = _SLOPE_RANGE
    return low + (high - low) * _shuffled(SHARED_NODES)


def _checked_share(where: str, shared_share: float) -> float:
    if not 0 <= shared_share <= 1:
        got = show(float(shared_share))
        raise InputError(
            Fault(got, "0 to 1 [share of the variance]", "Correct it.", where, 0, "shared_share")
        )
    return float(shared_share)


def _seasons(where: str, years: Floats, counts: str) -> Floats:
    """Turn years into a passing time: got as a difference of rings, or as a time."""
    if counts not in _COUNTS:
        raise ModelError(Fault(show(counts), " or ".join(_COUNTS), "Use one of them.", where, 0, "counts"))
    return years + 0.5 if counts == "rings" else years


def from_mean_sd(
    height_m: float,
    mean_years: float,
    sd_years: float,
    *,
    shared_share: float = USER_SHARED_SHARE,
    counts: str = "rings",
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
    seasons = float(_seasons(where, mean, counts))
    variance = float(sd) ** 2
    if counts == "rings":
        variance = max(variance - 1 / 12, variance / 4)  # choice: the rounding takes at most 3/4
    log_sd = float(np.sqrt(np.log1p(variance / seasons**2)))
    share = _checked_share(where, shared_share)
    return _lognormal(
        f"mean {float(mean):g}, sd {float(sd):g} years at {float(height):g} m",
        ("the user's own figure", "user"),
        float(height),
        np.log(seasons) - log_sd**2 / 2,
        log_sd,
        share,
    )


def _lognormal(
    name: str, origin: tuple[str, str], height_m: float, log_median: float, log_sd: float, share: float
) -> HeightModel:
    slope = _slopes()
    level = log_median + np.sqrt(share) * log_sd * normal_nodes(SHARED_NODES)
    tree = np.sqrt(1 - share) * log_sd * normal_nodes(TREE_NODES)
    return HeightModel(
        name=name,
        source=origin[0],
        known=origin[1],
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
    seasons = np.log(np.maximum(_seasons(where, values, counts), 0.01))
    share = _checked_share(where, shared_share)
    common = np.sqrt(share) * normal_nodes(SHARED_NODES)[:, np.newaxis]
    total = common + np.sqrt(1 - share) * normal_nodes(TREE_NODES)
    log_seasons = _line_through(total, ndtri(levels), seasons)
    slope = _slopes()
    return HeightModel(
        name=f"{levels.size} quantiles at {float(height):g} m",
        source="the user's own figures",
        known="user",
        forms=("power",) * SHARED_NODES,
        scales_m=np.ones(SHARED_NODES),
        intercept=-slope * np.log(float(height)),
        slope=slope,
        deviation=log_seasons,
        valid_from_m=0.75 * float(height),
        valid_to_m=1.25 * float(height),
    )


def _line_through(at: Floats, x: Floats, y: Floats) -> Floats:
    """Piecewise linear through the points, with the outermost slopes continued."""
    steps = np.diff(y) / np.diff(x)
    inside = np.interp(at, x, y)
    below = y[0] + steps[0] * (at - x[0])
    above = y[-1] + steps[-1] * (at - x[-1])
    return np.where(at < x[0], below, np.where(at > x[-1], above, inside))


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
    share = _checked_share(where, shared_share)
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
    seasons = float(_seasons(where, np.asarray(entry.mean_years), entry.counts))
    log_median = np.log(seasons) - entry.log_sd**2 / 2
    model = _lognormal(name, (entry.source, entry.known), entry.height_m, log_median, entry.log_sd, share)
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
    extrapolated and the answer is flagged. Two accepted curves of yellow-poplar differ by 18 % at age 20
    [1]_. The curve is taken as the median passing time, so its inverse needs no correction for Jensen's
    inequality.

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
    share = _checked_share(where, shared_share)
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
        intercept=np.sqrt(share) * float(spread) * normal_nodes(SHARED_NODES),
        slope=np.ones(SHARED_NODES),
        deviation=np.tile(tree, (SHARED_NODES, 1)),
        valid_from_m=CURVE_TRUST_FROM_M,
        limit_m=curve.asymptote_m,
        curve=curve,
        remarks=remarks,
    )


def no_height_model() -> HeightModel:
    """Choose explicitly to add no years: ages are ages at the coring height.

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
        source="explicit choice",
        known="none",
        forms=("none",) * SHARED_NODES,
        scales_m=np.ones(SHARED_NODES),
        intercept=np.zeros(SHARED_NODES),
        slope=np.ones(SHARED_NODES),
        deviation=np.zeros((SHARED_NODES, TREE_NODES)),
        remarks=("age at coring height: no years to the coring height were added",),
    )
