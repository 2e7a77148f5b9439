"""The height model: times at which trees pass a height, with shared and tree-to-tree error kept apart.

Log passing time linear in a known function of height, for each shared node; own derivation.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from treeage.errors import Fault, ModelError, require_nonnegative, show
from treeage.height.curves import HeightCurve
from treeage.pmf import Mass, Pmf

SHARED_NODES: Final = 32  # choice: equally likely states of what the trees of a stand share
TREE_NODES: Final = 41  # choice: equally likely mid-quantiles from tree to tree
_SLOPE_RANGE: Final = (0.5, 1.0)  # choice: 1 is a constant rate; 0.3 to 0.7 in published curves near 1 m
_FAR: Final = 4.0  # choice: years are stored out to this many standard deviations from tree to tree
_APART: Final = 1e-9  # keeps the nodes of a model without spread apart, just before the end of their season
_STRAIGHT: Final = 1e-12  # rows as straight as this on the normal score are exactly lognormal
_LOG_NEVER: Final = -1e3  # log of a passing time before any season
_TAIL: Final = 1e-9  # choice: probability below which years are not stored

_GROWTH_FORMS: Final = ("power", "weibull", "korf", "exponential", "curve", "none")


@lru_cache(maxsize=8)
def normal_nodes(size: int) -> NDArray[np.float64]:
    """Equally likely nodes of the standard normal distribution.

    Parameters
    ----------
    size : int
        Number of nodes, at least 2.

    Returns
    -------
    numpy.ndarray, shape (size,)
        Mid-quantiles [standard deviations], scaled to a variance of exactly 1.

    Examples
    --------
    >>> normal_nodes(2).round(6).tolist()
    [-1.0, 1.0]
    """
    nodes = ndtri((np.arange(size) + 0.5) / size)
    nodes /= np.sqrt(np.mean(nodes**2))
    nodes.flags.writeable = False
    return np.asarray(nodes)


def piecewise(at: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Interpolate linearly through rising points, with the outermost slopes continued.

    Parameters
    ----------
    at : numpy.ndarray
        Where to evaluate.
    x, y : numpy.ndarray, shape (n,)
        The points, x rising; at least two.

    Returns
    -------
    numpy.ndarray
        Values at the given places.

    Examples
    --------
    >>> piecewise(np.array([-1.0, 0.5, 3.0]), np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 3.0])).tolist()
    [-1.0, 0.5, 5.0]
    """
    inside = np.interp(at, x, y)
    below = y[0] + (at - x[0]) * (y[1] - y[0]) / (x[1] - x[0])
    above = y[-1] + (at - x[-1]) * (y[-1] - y[-2]) / (x[-1] - x[-2])
    return np.asarray(np.where(at < x[0], below, np.where(at > x[-1], above, inside)))


def power_slopes(size: int = SHARED_NODES) -> NDArray[np.float64]:
    """Exponents of time on height, one for each shared node, in an order unrelated to the node number.

    Parameters
    ----------
    size : int, default 32
        Number of shared nodes, a power of 2.

    Returns
    -------
    numpy.ndarray, shape (size,)
        Even steps between 0.5 and 1: 1 is a constant rate of height growth, less is a slow start.

    Examples
    --------
    >>> power_slopes(4).tolist()
    [0.5625, 0.6875, 0.8125, 0.9375]
    """
    low, high = _SLOPE_RANGE
    steps = (np.arange(size) * 17 + 8) % size  # 17 is odd: each step comes once
    return np.asarray(low + (high - low) * (steps + 0.5) / size)


def growth_axis(
    form: str, scale_m: float, height_m: ArrayLike, curve: HeightCurve | None = None
) -> NDArray[np.float64]:
    """Give the function of height in which the logarithm of the passing time is a straight line.

    Parameters
    ----------
    form : {'power', 'weibull', 'korf', 'exponential', 'curve'}
        Form of early height growth.
    scale_m : float
        Asymptote [m] of 'weibull' and 'korf'; height at which growth becomes linear [m] of 'exponential'.
    height_m : array-like
        Heights above the collar [m], above 0 and below an asymptote.
    curve : HeightCurve, optional
        The published curve of form 'curve'.

    Returns
    -------
    numpy.ndarray
        x(h), increasing in h.

    Notes
    -----
    With log T = a + b x(h): 'power' x = log h, so T = e^a h^b; 'weibull' x = log(-log(1 - h/A)), the
    inverse of h = A (1 - exp(-c T^(1/b))); 'korf' x = -log log(A/h), the inverse of h = A exp(-c T^(-1/b)),
    a slow start; 'exponential' x = log log(1 + h/s), for b = 1 the inverse of h = s (exp(c T) - 1), growth
    that speeds up. Forms as in textbooks of growth modelling [1]_.

    References
    ----------
    .. [1] Burkhart, H. E. & Tome, M. (2012). Modeling Forest Trees and Stands. Springer (from memory).

    Examples
    --------
    >>> float(growth_axis("power", 0.0, 1.0))
    0.0
    """
    height = np.asarray(height_m, dtype=np.float64)
    if form == "power":
        return np.log(height)
    if form == "weibull":
        return np.asarray(np.log(-np.log1p(-height / scale_m)))
    if form == "korf":
        return np.asarray(-np.log(np.log(scale_m / height)))
    if form == "exponential":
        return np.asarray(np.log(np.log1p(height / scale_m)))
    if form == "curve" and curve is not None:
        return np.log(curve.age_at(height))
    allowed = ", ".join(_GROWTH_FORMS)
    raise ModelError(Fault(show(form), f"one of {allowed}", "Use such a form.", "growth_axis", 0, "form"))


@dataclass(frozen=True, eq=False)
class HeightModel:
    """Passing times of any height, as equally likely cells of shared and tree-to-tree nodes.

    Parameters
    ----------
    name : str
        What the model is, in words for a table.
    source : str
        Where its numbers come from.
    known : {'user', 'read', 'abstract', 'memory', 'none'}
        How the numbers are known; 'user': from the user's own trees or figures.
    forms : tuple of str, shape (n_shared,)
        Form of early height growth in each shared node, see `growth_axis`.
    scales_m : numpy.ndarray, shape (n_shared,)
        Its scale [m].
    intercept, slope : numpy.ndarray, shape (n_shared,)
        Log passing time [log seasons] at x = 0, and its slope on x, above 0.
    deviation : numpy.ndarray, shape (n_shared, n_tree)
        Deviation of each tree-to-tree node from that line [log seasons], ascending along a row.
    valid_from_m, valid_to_m : float
        Heights the source covers [m]; outside, `cautions` says so.
    limit_m : float
        Heights at or above are refused [m].
    curve : HeightCurve, optional
        The published curve, for form 'curve'.
    remarks : tuple of str
        What a reader must know at every height.

    Notes
    -----
    log T[k, q] = intercept[k] + slope[k] x_k(h) + deviation[k, q]. Time runs faster or slower by one factor
    in each tree, so the passing times of two heights of one tree are consistent and increase with height.
    """

    name: str
    source: str
    known: str
    forms: tuple[str, ...]
    scales_m: NDArray[np.float64]
    intercept: NDArray[np.float64]
    slope: NDArray[np.float64]
    deviation: NDArray[np.float64]
    valid_from_m: float = 0.0
    valid_to_m: float = float("inf")
    limit_m: float = float("inf")
    curve: HeightCurve | None = None
    remarks: tuple[str, ...] = field(default=())

    def __repr__(self) -> str:
        return f"HeightModel({self.name!r}, known: {self.known})"

    @property
    def is_none(self) -> bool:
        """Whether no years are added, so that ages are ages at the coring height.

        Returns
        -------
        bool
            True for the explicit choice 'none'.
        """
        return self.forms[0] == "none"

    def passing_seasons(self, height_m: float) -> NDArray[np.float64]:
        """Continuous times at which the tip passes a height.

        Parameters
        ----------
        height_m : float
            Height above the root collar [m], at least 0.

        Returns
        -------
        numpy.ndarray, shape (n_shared, n_tree)
            Passing times [growing seasons since the first began]; all cells equally likely; 0 at height 0.

        Raises
        ------
        InputError
            If the height is negative or not finite.
        ModelError
            If the model does not reach the height.

        Examples
        --------
        >>> from treeage.height import height_model
        >>> model = height_model({"model": "mean_sd", "height_m": 1.0, "mean_years": 8, "sd_years": 3})
        >>> model.passing_seasons(1.0).shape
        (32, 41)
        """
        (checked,) = require_nonnegative("HeightModel.passing_seasons", height_m=height_m)
        return np.exp(self._log_seasons(float(checked)))

    def _log_seasons(self, height_m: float) -> NDArray[np.float64]:
        if self.is_none or height_m <= 0:
            return np.full(self.deviation.shape, -np.inf)
        if height_m >= self.limit_m:
            raise ModelError(
                Fault(
                    f"{height_m:g}",
                    f"below {self.limit_m:g} [m], the reach of {self.name}",
                    "Measure taller young trees, or give a mean and sd at the coring height.",
                    "HeightModel",
                    0,
                    "height_m",
                )
            )
        line = np.empty(len(self.forms))
        for node, form in enumerate(self.forms):
            if form == "curve" and node:
                line[node] = line[0]
            else:
                line[node] = growth_axis(form, float(self.scales_m[node]), height_m, self.curve)
        return np.asarray((self.intercept + self.slope * line)[:, np.newaxis] + self.deviation)

    def years_given_shared(self, height_m: float) -> Mass:
        """Mass functions of the years to a height, one for each shared node.

        Parameters
        ----------
        height_m : float
            Height above the root collar [m], at least 0.

        Returns
        -------
        Mass, shape (n_shared, n)
            Whole seasons; each row sums to 1.

        Raises
        ------
        InputError
            If the height is negative or not finite.
        ModelError
            If the model does not reach the height.

        Notes
        -----
        Y = ceil(T) - 1. Between the tree-to-tree nodes, and beyond them, the normal score is linear in log T:
        exactly lognormal where the deviations are normal, and smooth however many years it takes.
        """
        (checked,) = require_nonnegative("HeightModel.years_given_shared", height_m=height_m)
        return _years_table(self, float(checked))

    def years(self, height_m: float) -> Pmf:
        """Mass function of the years to a height, shared uncertainty included.

        Parameters
        ----------
        height_m : float
            Height above the root collar [m], at least 0.

        Returns
        -------
        Pmf
            Whole growing seasons before the one in which the tip passed the height.

        Raises
        ------
        InputError
            If the height is negative or not finite.
        ModelError
            If the model does not reach the height.

        Examples
        --------
        >>> from treeage.height import height_model
        >>> model = height_model({"model": "mean_sd", "height_m": 1.0, "mean_years": 8, "sd_years": 3})
        >>> round(model.years(1.0).mean()), round(model.years(1.0).sd())
        (8, 3)
        >>> model.years(0.0).prob_at(0)
        1.0
        """
        years = self.years_given_shared(height_m)
        return Pmf(years.start, years.mass.mean(axis=0)).trim(_TAIL)

    def cautions(self, height_m: float) -> tuple[str, ...]:
        """Say what must stand beside an answer at a height.

        Parameters
        ----------
        height_m : float
            Height above the root collar [m], at least 0.

        Returns
        -------
        tuple of str
            Sentences; empty if the source covers the height and is known at first hand.
        """
        said = list(self.remarks)
        if not self.is_none and height_m > 0 and not self.valid_from_m <= height_m <= self.valid_to_m:
            said.append(
                f"{self.name}: {height_m:g} m is outside the {self.valid_from_m:g} to {self.valid_to_m:g} m"
                " its source covers, the years are extrapolated"
            )
        return tuple(said)


def _piecewise_rows(at: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Interpolate row by row; all at once where each row is one straight line."""
    if x.shape[1] == 2:
        return np.asarray(y[:, :1] + (at - x[:, :1]) * np.diff(y) / np.diff(x))
    return np.stack([piecewise(places, *points) for *points, places in zip(x, y, at, strict=True)])


@lru_cache(maxsize=1024)
def _years_table(model: HeightModel, height_m: float) -> Mass:
    """Mass of Y for each shared node; kept because many trees are cored at one height."""
    if model.is_none or height_m <= 0:
        return Mass(0, np.ones((len(model.forms), 1)))
    scores = normal_nodes(model.deviation.shape[1])
    rows = model._log_seasons(height_m) + _APART * (scores - 2 * _FAR)
    spread = rows[:, -1:] - rows[:, :1]
    straight = bool(np.all(np.abs(np.diff(rows) - np.diff(scores) * spread / (scores[-1] - scores[0])) < _STRAIGHT))
    knots = np.array([0, -1]) if straight else np.arange(scores.size)
    rows, scores = rows[:, knots], scores[knots]
    ends = _piecewise_rows(np.tile([-_FAR, _FAR], (len(rows), 1)), np.tile(scores, (len(rows), 1)), rows)
    low, high = np.exp(ends[:, 0].min()), np.exp(ends[:, 1].max())
    start, stop = max(0, int(np.ceil(low)) - 1), max(0, int(np.ceil(high)) - 1)
    with np.errstate(divide="ignore"):
        log_edges = np.maximum(np.log(np.arange(start, stop + 2, dtype=np.float64)), _LOG_NEVER)
    at = np.broadcast_to(log_edges, (len(rows), log_edges.size))
    mass = np.diff(ndtr(_piecewise_rows(at, rows, np.tile(scores, (len(rows), 1)))), axis=1)
    mass /= mass.sum(axis=1, keepdims=True)
    return Mass(start, mass)
