"""Height models from the user's own figures: a mean and sd, quantiles, or the explicit choice of none.

Layer 2. Lognormal passing times with a stated share of the variance common to the stand; own derivation.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from treeage.errors import Fault, InputError, ModelError, kind_of, require_positive, require_probability, show
from treeage.height_passing import SHARED_NODES, TREE_NODES, HeightModel, normal_nodes, piecewise, power_slopes

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
