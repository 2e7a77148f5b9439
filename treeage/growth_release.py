"""Sudden changes of growth in one ring series: percent, absolute, sustained, boundary line; edges masked.

Layer 3. Measures of Nowacki and Abrams (1997), Lorimer and Frelich (1989), Fraver and White (2005), Black
and Abrams (2003).
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError, ModelWarning, require_nonnegative, require_positive, show

ENOUGH_WIDTHS = 50_000  # Black et al. 2009, abstract: about 50,000 widths a species for a stable boundary line
LINE_BIN_MM = 0.5  # choice: classes of prior growth [mm] in which the upper edge is read, as is common practice
LINE_TOP = 10  # choice: values averaged at the upper edge of a class, as is common practice


def window_means(widths_mm: ArrayLike, *, window_years: int = 10) -> NDArray[np.float64]:
    """Mean growth in the window that ends with each year and in the window that follows it.

    Parameters
    ----------
    widths_mm : array-like, shape (n,)
        Ring widths [mm], oldest first, at least 0.
    window_years : int, default 10
        Length of both windows [years], at least 1 (10: common practice).

    Returns
    -------
    numpy.ndarray, shape (2, n)
        Row 0: mean of the years up to and with each year [mm]; row 1: mean of the years after it [mm]. NaN
        at the edges, where either window is not complete.

    Raises
    ------
    InputError
        If a width is negative or the window is shorter than one year.

    Examples
    --------
    >>> window_means([1, 1, 3, 3], window_years=2).tolist()
    [[nan, 1.0, nan, nan], [nan, 3.0, nan, nan]]
    """
    (widths,) = require_nonnegative("window_means", widths_mm=widths_mm)
    if window_years < 1:
        do = "Use 10 for percent change, 15 for sustained change."
        raise InputError(Fault(show(window_years), "at least 1 [years]", do, "window_means", 0, "window_years"))
    out = np.full((2, widths.size), np.nan)
    last = widths.size - window_years
    if last > window_years - 1:
        sums = np.concatenate([[0.0], np.cumsum(widths)])
        at = np.arange(window_years - 1, last)
        out[0, at] = (sums[at + 1] - sums[at + 1 - window_years]) / window_years
        out[1, at] = (sums[at + 1 + window_years] - sums[at + 1]) / window_years
    return out


def percent_change(widths_mm: ArrayLike, *, window_years: int = 10, direction: str = "release") -> NDArray[np.float64]:
    """Percent change of growth after each year.

    Parameters
    ----------
    widths_mm : array-like, shape (n,)
        Ring widths [mm], oldest first, at least 0.
    window_years : int, default 10
        Length of the windows before and after [years].
    direction : {"release", "suppression"}, default "release"
        A suppression is measured as a release of the series read backwards, so that both use one threshold.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Change [percent]; NaN at the edges and where the base of the ratio is 0.

    Raises
    ------
    InputError
        If a width is negative, the window is too short or the direction unknown.

    Notes
    -----
    100 * (M2 - M1) / M1 with M1 the mean up to and with the year and M2 the mean after it [1]_; for a
    suppression 100 * (M1 - M2) / M2. A small M1 makes any change look large; a warm or wet decade looks like
    a release.

    References
    ----------
    .. [1] Nowacki, G. J. and Abrams, M. D. (1997). Radial-growth averaging criteria for reconstructing
       disturbance histories from presettlement-origin oaks. Ecological Monographs 67:225-249. (Definition
       from memory.)

    Examples
    --------
    >>> percent_change([1.0] * 10 + [1.6] * 10)[9].round(6)
    np.float64(60.0)
    """
    before, after = _oriented(widths_mm, window_years, direction)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(before > 0, 100.0 * (after - before) / before, np.nan))


def absolute_change(widths_mm: ArrayLike, *, window_years: int = 10, direction: str = "release") -> NDArray[np.float64]:
    """Absolute increase of growth after each year.

    Parameters
    ----------
    widths_mm : array-like, shape (n,)
        Ring widths [mm], oldest first, at least 0.
    window_years : int, default 10
        Length of the windows before and after [years].
    direction : {"release", "suppression"}, default "release"
        For a suppression the decrease.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Change [mm per year]; NaN at the edges.

    Raises
    ------
    InputError
        If a width is negative, the window is too short or the direction unknown.

    Notes
    -----
    M2 - M1 [1]_. Less touchy than the percent change in trees that grow very slowly.

    References
    ----------
    .. [1] Fraver, S. and White, A. S. (2005). Identifying growth releases in dendrochronological studies of
       forest disturbance. Canadian Journal of Forest Research 35:1648-1656. (Definition from memory.)

    Examples
    --------
    >>> absolute_change([1.0] * 10 + [1.6] * 10)[9].round(6)
    np.float64(0.6)
    """
    before, after = _oriented(widths_mm, window_years, direction)
    return np.asarray(after - before)


def sustained_change(
    widths_mm: ArrayLike, *, window_years: int = 15, block_years: int = 5, direction: str = "release"
) -> NDArray[np.float64]:
    """Percent change that is kept in every block of the window after the year.

    Parameters
    ----------
    widths_mm : array-like, shape (n,)
        Ring widths [mm], oldest first, at least 0.
    window_years : int, default 15
        Length of the windows before and after [years] (15: Lorimer and Frelich 1989).
    block_years : int, default 5
        Length of the blocks the later window is cut into [years] (choice); the weakest block counts.
    direction : {"release", "suppression"}, default "release"
        For a suppression the series is read backwards.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Change of the weakest block [percent]; NaN at the edges.

    Raises
    ------
    InputError
        If a width is negative, the window is too short or the direction unknown.

    Notes
    -----
    100 * (min over blocks of the block mean - M1) / M1: never more than the percent change with the same
    window. Our reading of "sustained" for the criterion of [1]_, which asks for at least 15 years.

    References
    ----------
    .. [1] Lorimer, C. G. and Frelich, L. E. (1989). A methodology for estimating canopy disturbance
       frequency and intensity in dense temperate forests. Canadian Journal of Forest Research 19:651-663.
       (Class limits from memory.)

    Examples
    --------
    A burst of five years is a change of 33 %, but not a sustained one.

    >>> burst = [1.0] * 15 + [2.0] * 5 + [1.0] * 10
    >>> float(percent_change(burst, window_years=15)[14].round(1)), float(sustained_change(burst)[14])
    (33.3, 0.0)
    """
    (widths,) = require_nonnegative("sustained_change", widths_mm=widths_mm)
    before, _ = _oriented(widths, window_years, direction)
    series = widths[::-1] if _backwards(direction) else widths
    block = min(block_years, window_years)
    starts = sorted({*range(0, window_years - block + 1, block), window_years - block})
    sums = np.concatenate([[0.0], np.cumsum(series)])
    weakest = np.full(series.size, np.nan)
    at = np.arange(window_years - 1, max(window_years - 1, series.size - window_years))
    if at.size:
        weakest[at] = np.min([sums[at + 1 + s + block] - sums[at + 1 + s] for s in starts], axis=0) / block
    if _backwards(direction):
        weakest = np.concatenate([weakest[::-1][1:], [np.nan]]) if series.size else weakest
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(before > 0, 100.0 * (weakest - before) / before, np.nan))


@dataclass(frozen=True)
class BoundaryLine:
    """Largest percent change that trees of a species show at a given prior growth.

    Parameters
    ----------
    scale_percent : float
        Change at a prior growth of 0 [percent], above 0.
    rate_per_mm : float
        Decay with prior growth [1/mm], below 0.
    source : str
        Citation, or how the line was fitted; printed with every result.

    Raises
    ------
    InputError
        If the scale is not above 0 or the rate not below 0.

    Notes
    -----
    scale * exp(rate * M1) [1]_. No coefficients ship with the package: they belong to a species and a region.

    References
    ----------
    .. [1] Black, B. A. and Abrams, M. D. (2003). Use of boundary-line growth patterns as a basis for
       dendroecological release criteria. Ecological Applications 13:1733-1749. (Idea from the abstract.)

    Examples
    --------
    >>> BoundaryLine(900.0, -1.3, "illustration").at(1.0).round(1)
    np.float64(245.3)
    """

    scale_percent: float
    rate_per_mm: float
    source: str

    def __post_init__(self) -> None:
        require_positive("BoundaryLine", scale_percent=self.scale_percent)
        if not self.rate_per_mm < 0:
            need, do = "below 0 [1/mm]", "The line falls with prior growth: change the sign."
            raise InputError(Fault(show(self.rate_per_mm), need, do, "BoundaryLine", 0, "rate_per_mm"))

    def at(self, prior_growth_mm: ArrayLike) -> NDArray[np.float64]:
        """Height of the line.

        Parameters
        ----------
        prior_growth_mm : array-like
            Mean growth before the change [mm].

        Returns
        -------
        numpy.ndarray
            Largest change [percent].
        """
        return np.asarray(self.scale_percent * np.exp(self.rate_per_mm * np.asarray(prior_growth_mm, dtype=np.float64)))


def boundary_share(
    widths_mm: ArrayLike, line: BoundaryLine, *, window_years: int = 10, direction: str = "release"
) -> NDArray[np.float64]:
    """Percent change as a share of the boundary line at the same prior growth.

    Parameters
    ----------
    widths_mm : array-like, shape (n,)
        Ring widths [mm], oldest first, at least 0.
    line : BoundaryLine
        Upper edge of the species.
    window_years : int, default 10
        Length of the windows before and after [years].
    direction : {"release", "suppression"}, default "release"
        For a suppression the series is read backwards.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Share [percent of the line]; NaN at the edges.

    Raises
    ------
    InputError
        If a width is negative, the window is too short or the direction unknown.

    Examples
    --------
    60 % at a prior growth of 1 mm is a quarter of an edge of 245 %.

    >>> line = BoundaryLine(900.0, -1.3, "illustration")
    >>> boundary_share([1.0] * 10 + [1.6] * 10, line)[9].round(1)
    np.float64(24.5)
    """
    before, _ = _oriented(widths_mm, window_years, direction)
    change = percent_change(widths_mm, window_years=window_years, direction=direction)
    return np.asarray(100.0 * change / line.at(before))


def fit_boundary_line(widths_mm: Sequence[ArrayLike], *, window_years: int = 10) -> BoundaryLine:
    """Fit a boundary line to the ring series of one species.

    Parameters
    ----------
    widths_mm : sequence of array-like
        Ring series [mm], each oldest first.
    window_years : int, default 10
        Length of the windows before and after [years].

    Returns
    -------
    BoundaryLine
        Exponential through the mean of the ten largest changes in each class of 0.5 mm prior growth.

    Raises
    ------
    InputError
        If fewer than three classes hold ten increases, or the upper edge does not fall.

    Warns
    -----
    ModelWarning
        If there are fewer than 50,000 widths [1]_: the line is then low and results call too many releases.

    References
    ----------
    .. [1] Black, B. A., Abrams, M. D., Rentch, J. S. and Gould, P. J. (2009). Properties of boundary-line
       release criteria in North American tree species. Annals of Forest Science 66:205. (Abstract.)
    """
    where = "fit_boundary_line"
    pairs = [window_means(widths, window_years=window_years) for widths in widths_mm]
    before, after = np.concatenate(pairs, axis=1) if pairs else np.empty((2, 0))
    rising = (after > before) & (before > 0)
    prior, change = before[rising], 100.0 * (after[rising] - before[rising]) / before[rising]
    classes = np.floor(prior / LINE_BIN_MM)
    edge = []
    for number in np.unique(classes):
        inside = np.flatnonzero(classes == number)
        if inside.size >= LINE_TOP:
            top = inside[np.argsort(change[inside])[-LINE_TOP:]]
            edge.append((prior[top].mean(), change[top].mean()))
    if len(edge) < 3:
        need = f"at least 3 classes of {LINE_BIN_MM} mm with {LINE_TOP} increases each"
        raise InputError(Fault(f"{len(edge)} classes", need, "Pool more trees of the species.", where, 0, "widths_mm"))
    total = sum(np.size(widths) for widths in widths_mm)
    if total < ENOUGH_WIDTHS:
        need = f"need about {ENOUGH_WIDTHS} for a stable line; treat its classes as low."
        text = f"{where}: got {total} widths, {need}"
        warnings.warn(text, ModelWarning, stacklevel=2)
    points = np.array(edge)
    rate, log_scale = np.polyfit(points[:, 0], np.log(points[:, 1]), 1)
    return BoundaryLine(float(np.exp(log_scale)), float(rate), f"fitted to {total} widths of the user's own trees")


def _backwards(direction: str) -> bool:
    if direction not in ("release", "suppression"):
        raise InputError(Fault(show(direction), "release or suppression", "Choose one.", "growth", 0, "direction"))
    return direction == "suppression"


def _oriented(
    widths_mm: ArrayLike, window_years: int, direction: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Slow and fast window: before and after for a release, after and before for a suppression."""
    first, second = window_means(widths_mm, window_years=window_years)
    return (second, first) if _backwards(direction) else (first, second)
