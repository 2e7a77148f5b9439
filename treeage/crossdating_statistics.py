"""Agreement statistics of ring series: mean sensitivity, Gleichlaeufigkeit, correlation and its critical value.

Layer 3, part of the family of `crossdating`. Formulas as published or in common use in the trade; see each function.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError, require_nonnegative, require_probability, show

Array = NDArray[np.float64]


def _pair(where: str, first: ArrayLike, second: ArrayLike, least: int) -> tuple[Array, Array]:
    one, two = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if one.shape != two.shape or one.ndim != 1 or one.size < least:
        got, need = f"shapes {one.shape} and {two.shape}", f"two rows of the same {least} or more years"
        raise InputError(Fault(got, need, "Cut both to the years they share.", where, 0, "second"))
    return one, two


def mean_sensitivity(widths_mm: ArrayLike) -> float:
    """Mean relative change of width from ring to ring.

    Parameters
    ----------
    widths_mm : array-like, shape (n,)
        Widths [mm] in order of years, at least 0, at least two rings.

    Returns
    -------
    float
        Mean of abs(2 (w2 - w1) / (w2 + w1)), from 0 to 2; NaN if no pair has a width. A pair of two absent rings is
        left out.

    Raises
    ------
    InputError
        If there are fewer than two rings or a width is negative.

    References
    ----------
    .. [1] Fritts, H.C. (1976). Tree rings and climate. Academic Press. (Formula of Douglass, cited from memory.)

    Examples
    --------
    >>> round(mean_sensitivity([2.0, 1.0, 1.5, 3.0]), 4)
    0.5778
    """
    widths = require_nonnegative("mean_sensitivity", widths_mm=widths_mm)[0]
    if widths.ndim != 1 or widths.size < 2:
        need = "one row of at least 2 widths"
        raise InputError(Fault(f"shape {widths.shape}", need, "Pass more rings.", "mean_sensitivity", 0, "widths_mm"))
    total = widths[1:] + widths[:-1]
    real = total > 0
    if not real.any():
        return float("nan")
    return float(np.mean(np.abs(2 * np.diff(widths)[real] / total[real])))


def gleichlaeufigkeit(first: ArrayLike, second: ArrayLike) -> float:
    """Share of years in which two series change in the same direction.

    Parameters
    ----------
    first, second : array-like, shape (n,)
        Widths or signals of the same years, at least two.

    Returns
    -------
    float
        Mean of abs(g1 + g2) with g = +1/2 up, 0 level, -1/2 down: 1 when all changes agree. One level change counts
        a half, two count 0.

    Raises
    ------
    InputError
        If the series differ in length or have fewer than two years.

    Notes
    -----
    By chance 0.5 is expected; with m changes one-sided limits are 0.5 + z 0.5 / sqrt(m), for example 0.664 at 99 %
    for m = 50 (own arithmetic).

    References
    ----------
    .. [1] Eckstein, D., Bauch, J. (1969). Forstwissenschaftliches Centralblatt 88, 230-250. (Cited from memory.)

    Examples
    --------
    >>> gleichlaeufigkeit([1, 2, 3, 2, 4], [2, 3, 3, 1, 5])
    0.875
    """
    one, two = _pair("gleichlaeufigkeit", first, second, 2)
    return float(np.mean(np.abs(np.sign(np.diff(one)) / 2 + np.sign(np.diff(two)) / 2)))


def series_correlation(first: ArrayLike, second: ArrayLike) -> float:
    """Pearson correlation of two series.

    Parameters
    ----------
    first, second : array-like, shape (n,)
        High-pass filtered series of the same years, at least three.

    Returns
    -------
    float
        Correlation, NaN if one of them does not vary.

    Raises
    ------
    InputError
        If the series differ in length or have fewer than three years.

    Examples
    --------
    >>> round(series_correlation([1, 2, 3, 4], [1, 3, 2, 4]), 6)
    0.8
    """
    one, two = _pair("series_correlation", first, second, 3)
    one, two = one - one.mean(), two - two.mean()
    size = float(np.sqrt((one @ one) * (two @ two)))
    return float(one @ two) / size if size > 0 else float("nan")


def critical_correlation(years: int, *, prob: float = 0.99) -> float:
    """Correlation that unrelated series of white noise exceed with a small probability.

    Parameters
    ----------
    years : int
        Years compared, at least 3.
    prob : float, default 0.99
        One minus the one-tailed probability (0.99: common practice of the trade).

    Returns
    -------
    float
        t / sqrt(years - 2 + t**2) with t the quantile of Student's law with years - 2 degrees of freedom.

    Raises
    ------
    InputError
        If there are fewer than 3 years or prob is not between 0 and 1.

    Notes
    -----
    Autocorrelation and trying many lags make it too low: a screen, not a test.

    Examples
    --------
    >>> round(critical_correlation(50), 4), round(critical_correlation(100), 4)
    (0.3281, 0.2324)
    """
    require_probability("critical_correlation", prob=prob)
    if years < 3:
        raise InputError(Fault(show(years), "at least 3 years", "Compare more.", "critical_correlation", 0, "years"))
    from scipy.special import stdtrit

    quantile = float(stdtrit(years - 2, prob))
    return quantile / float(np.sqrt(years - 2 + quantile**2))
