"""The height model: times at which trees pass a height, with shared and tree-to-tree error kept apart.

Log passing time linear in a known function of height, for each shared node; own derivation.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from treeage.errors import Fault, ModelError, require_nonnegative, show
from treeage.height.curves import HeightCurve
from treeage.pmf import Mass, Pmf
from treeage.priors import Known
from treeage.schema import TreeOrigin, Word

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_SEASONS: Final = 10_000  # choice: far beyond any tree, and still a short axis
SHARED_NODES: Final = 32  # choice: equally likely states of what the trees of a stand share
TREE_NODES: Final = 41  # choice: equally likely mid-quantiles from tree to tree
TIED_NODES: Final = (
    401  # choice: the same, where two heights of a tree are tied; so fine that no whole year is left out
)
HEIGHT_APART_M: Final = 0.01  # choice: cores closer in height than this share one pith year
_SLOPE_RANGE: Final = (0.5, 1.0)  # choice: 1 is a constant rate; 0.3 to 0.7 in published curves near 1 m
_FAR: Final = 4.0  # choice: years are stored out to this many standard deviations from tree to tree
_APART: Final = 1e-9  # keeps the nodes of a model without spread apart, just before the end of their season
_STRAIGHT: Final = 1e-12  # rows as straight as this on the normal score are exactly lognormal
_NEAR: Final = 1.001  # choice: ratio of heights over which the slope of an axis is taken
_LOG_NEVER: Final = -1e3  # log of a passing time before any season
_TAIL: Final = 1e-9  # choice: probability below which years are not stored
LOWER_CROWNS: Final = frozenset({"intermediate", "suppressed", "overtopped", "understory", "understorey"})


class GrowthForm(Word):
    """Form of early height growth; NONE adds no years."""

    POWER = "power"
    WEIBULL = "weibull"
    KORF = "korf"
    EXPONENTIAL = "exponential"
    CURVE = "curve"
    NONE = "none"


_AXES: Final[Mapping[GrowthForm, Callable[[Floats, Floats], Floats]]] = {
    GrowthForm.POWER: lambda height, scale: np.log(height),
    GrowthForm.WEIBULL: lambda height, scale: np.log(-np.log1p(-height / scale)),
    GrowthForm.KORF: lambda height, scale: -np.log(np.log(scale / height)),
    GrowthForm.EXPONENTIAL: lambda height, scale: np.log(np.log1p(height / scale)),
}
"""x(h) for a height and a scale; that of CURVE is the log age of the curve."""


def growth_axis(form: str, scale_m: ArrayLike, height_m: ArrayLike, curve: HeightCurve | None = None) -> Floats:
    """Give the function of height in which the logarithm of the passing time is a straight line.

    Parameters
    ----------
    form : {'power', 'weibull', 'korf', 'exponential', 'curve'}
        Form of early height growth.
    scale_m : array-like
        Asymptote [m] of 'weibull' and 'korf'; height at which growth becomes linear [m] of 'exponential'.
    height_m : array-like
        Heights above the collar [m], above 0 and below an asymptote.
    curve : HeightCurve, optional
        The published curve of form 'curve'.

    Returns
    -------
    numpy.ndarray
        x(h), increasing in h.

    Raises
    ------
    ModelError
        If the form is another word, or 'curve' comes without a curve.

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
    if form == GrowthForm.CURVE and curve is not None:
        return np.log(curve.age_at(height))
    if form not in _AXES:
        need = f"one of {', '.join(GrowthForm)}"
        raise ModelError(Fault(show(form), need, "Use such a form.", "growth_axis", 0, "form"))
    return np.asarray(_AXES[GrowthForm(form)](height, np.asarray(scale_m, dtype=np.float64)))


def axis_tangent(form: str, scale_m: float, height_m: float) -> tuple[float, float]:
    """Value of a growth axis at a height, and its slope on log height there.

    Parameters
    ----------
    form, scale_m
        As of `growth_axis`, without 'curve'.
    height_m : float
        Height above the collar [m], above 0.

    Returns
    -------
    value, slope : float
        x(h) and h dx/dh.

    Examples
    --------
    >>> [round(each, 6) for each in axis_tangent("power", 1.0, 1.0)]
    [0.0, 1.0]
    """
    low, value, high = growth_axis(form, scale_m, np.array([height_m / _NEAR, height_m, height_m * _NEAR])).tolist()
    return value, (high - low) / (2 * float(np.log(_NEAR)))


@lru_cache(maxsize=8)
def normal_nodes(size: int) -> Floats:
    """Equally likely nodes of the standard normal distribution.

    Parameters
    ----------
    size : int
        Number of nodes, at least 2.

    Returns
    -------
    numpy.ndarray, shape (size,)
        Mid-quantiles [standard deviations], scaled to a variance of exactly 1; read-only.

    Examples
    --------
    >>> normal_nodes(2).round(6).tolist()
    [-1.0, 1.0]
    """
    nodes = ndtri((np.arange(size) + 0.5) / size)
    nodes /= np.sqrt(np.mean(nodes**2))
    nodes.flags.writeable = False
    return np.asarray(nodes)


def power_slopes(size: int = SHARED_NODES) -> Floats:
    """Exponents of time on height for the shared nodes: even steps from 0.5 (slow start) to 1 (constant rate).

    Their order is unrelated to the node number; the size is a power of 2.
    """
    low, high = _SLOPE_RANGE
    steps = (np.arange(size) * 17 + 8) % size  # 17 is odd: each step comes once
    return np.asarray(low + (high - low) * (steps + 0.5) / size)


def whole_seasons(passing_seasons: ArrayLike) -> Ints:
    """Whole growing seasons before the one in which a tip passes a height: Y = ceil(T) - 1, at least 0.

    Parameters
    ----------
    passing_seasons : array-like
        Passing times T [growing seasons since the first began], at least 0.

    Returns
    -------
    numpy.ndarray of int
        Years to subtract from a pith year. A tip that passes exactly at the end of a season passes in it. Times beyond
        10,000 seasons, the tail of a model that knows next to nothing, stand as that.

    Examples
    --------
    >>> whole_seasons([0.0, 0.4, 1.0, 6.5, 7.0]).tolist()
    [0, 0, 0, 6, 6]
    """
    whole: Floats = np.clip(np.ceil(np.asarray(passing_seasons, dtype=np.float64)) - 1, 0, MOST_SEASONS)
    return whole.astype(np.int64)


class Caution(str):
    """A sentence that must stand beside an answer, with what is needed instead and what to do."""

    need: str
    do: str

    def __new__(
        cls,
        text: str,
        need: str = "years to coring height with a source that covers it",
        do: str = "Measure seedlings, core some trees at two heights, or write your own figure: model"
        ' "mean_sd" or "quantiles".',
    ) -> Caution:
        """The sentence with both beside it."""
        caution = super().__new__(cls, text)
        caution.need, caution.do = need, do
        return caution


@dataclass(frozen=True, eq=False)
class HeightModel:
    """Passing times of any height, as equally likely cells of shared and tree-to-tree nodes.

    Parameters
    ----------
    name : str
        What the model is, in words for a table.
    source : str
        Where its numbers come from.
    known : Known
        How the numbers are known (user, read, abstract, memory or none); user: from the user's own trees or figures.
    forms : tuple of GrowthForm, shape (n_shared,)
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
    remarks : tuple of Caution
        What a reader must know at every height.
    grade : str
        How well open data on young trees found the figures; empty for any other model.
    own_trees : int
        Young trees of the stand that were pooled with open data.
    siblings : mapping of str to HeightModel
        The same shared nodes for trees of other origins, see `of_tree`; none where origin makes no difference.
    nursery : Pmf or None
        Nursery years, where the years of the model count from planting and a tree does not say its own.

    Notes
    -----
    log T[k, q] = intercept[k] + slope[k] x_k(h) + deviation[k, q]. Time runs faster or slower by one factor
    in each tree, so the passing times of two heights of one tree are consistent and increase with height.
    """

    name: str
    source: str
    known: Known
    forms: tuple[GrowthForm, ...]
    scales_m: Floats
    intercept: Floats
    slope: Floats
    deviation: Floats
    valid_from_m: float = 0.0
    valid_to_m: float = float("inf")
    limit_m: float = float("inf")
    curve: HeightCurve | None = None
    remarks: tuple[Caution, ...] = ()
    grade: str = ""
    own_trees: int = 0
    siblings: Mapping[str, HeightModel] = field(default_factory=dict)
    nursery: Pmf | None = None

    def __post_init__(self) -> None:
        for name in ("scales_m", "intercept", "slope", "deviation"):
            view = getattr(self, name).view()
            view.flags.writeable = False
            object.__setattr__(self, name, view)

    def __repr__(self) -> str:
        return f"HeightModel({self.name!r}, known: {self.known})"

    @property
    def is_none(self) -> bool:
        """Whether no years are added, so that ages are ages at the coring height."""
        return self.forms[0] == GrowthForm.NONE

    def of_tree(self, origin: str, light: str = "", crown_class: str = "") -> HeightModel:
        """The model of a tree by its words in trees.csv: light as it was young, crown class as it is today.

        A tree whose origin is not stated came as the own young trees did, if there are any.
        """
        key = origin if origin or "" in self.siblings else TreeOrigin.UNKNOWN
        if key in ("", TreeOrigin.ADVANCE, TreeOrigin.UNKNOWN) and light:
            key = TreeOrigin.SEED if light == "open" else f"{TreeOrigin.ADVANCE} {light}"
        elif key == TreeOrigin.UNKNOWN and crown_class.strip().lower() in LOWER_CROWNS:
            key = f"{TreeOrigin.UNKNOWN} below"
        return self.siblings.get(key, self)

    def passing_seasons(self, height_m: float) -> Floats:
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

    def _log_seasons(self, height_m: float) -> Floats:
        if self.is_none or height_m <= 0:
            return np.full(self.deviation.shape, -np.inf)
        if height_m >= self.limit_m:
            need = f"below {self.limit_m:g} [m], the reach of {self.name}"
            do = "Measure taller young trees, or give a mean and sd at the coring height."
            raise ModelError(Fault(f"{height_m:g}", need, do, "HeightModel", 0, "height_m"))
        axis = np.empty(len(self.forms))
        for form in set(self.forms):
            nodes = [each == form for each in self.forms]
            axis[nodes] = growth_axis(form, self.scales_m[nodes], height_m, self.curve)
        return np.asarray((self.intercept + self.slope * axis)[:, np.newaxis] + self.deviation)

    def passing_years(self, height_m: float) -> Ints:
        """Whole years to a height in fine cells that two heights of a tree share; kept, as many trees share a height.

        Parameters
        ----------
        height_m : float
            Height above the root collar [m], at least 0.

        Returns
        -------
        numpy.ndarray of int, shape (n_shared, TIED_NODES)
            `whole_seasons` of the passing times, all cells equally likely; between the nodes as in
            `years_given_shared`. Read-only.

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
        >>> float(model.passing_years(1.0).mean().round())
        8.0
        """
        (checked,) = require_nonnegative("HeightModel.passing_years", height_m=height_m)
        return _passing_years(self, float(checked))

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
        """
        years = self.years_given_shared(height_m)
        return Pmf(years.start, years.mass.mean(axis=0)).trim(_TAIL)

    def cautions(self, height_m: float) -> tuple[Caution, ...]:
        """Say what must stand beside an answer at a height.

        Parameters
        ----------
        height_m : float
            Height above the root collar [m], at least 0.

        Returns
        -------
        tuple of Caution
            Sentences, each with what is needed and what to do; empty if the source covers the height and is known
            at first hand.
        """
        if self.grade and height_m <= 0:
            return ()
        if self.is_none or height_m <= 0 or self.valid_from_m <= height_m <= self.valid_to_m:
            return self.remarks
        beyond = Caution(
            f"{self.name}: {height_m:g} m is outside the {self.valid_from_m:g} to {self.valid_to_m:g} m"
            " its source covers, the years are extrapolated"
        )
        return (*self.remarks, beyond)


def moved_heights(model: HeightModel, spread: float, level: float) -> HeightModel:
    """The model with `spread` times its spreads of log passing times, shared and from tree to tree, about their means.

    All of them are moved by `level` times the standard deviation that they have together.
    """
    if model.is_none or (spread == 1.0 and level == 0.0):
        return model
    logs = model._log_seasons(min(1.0, 0.9 * model.limit_m))
    row = logs.mean(axis=1)
    shared = (spread - 1) * (row - row.mean()) + level * float(logs.std())
    apart = model.deviation - model.deviation.mean(axis=1, keepdims=True)
    siblings = {name: moved_heights(each, spread, level) for name, each in model.siblings.items()}
    moved = {"intercept": model.intercept + shared, "deviation": model.deviation + (spread - 1) * apart}
    return replace(model, **moved, siblings=siblings)


@lru_cache(maxsize=64)
def _passing_years(model: HeightModel, height_m: float) -> Ints:
    if model.is_none or height_m <= 0:
        years = np.zeros((len(model.forms), TIED_NODES), dtype=np.int64)
    else:
        rows, scores = _knots(model, height_m)
        at = np.tile(normal_nodes(TIED_NODES), (len(rows), 1))
        years = whole_seasons(np.exp(_piecewise_rows(at, np.tile(scores, (len(rows), 1)), rows)))
    years.flags.writeable = False
    return years


@lru_cache(maxsize=256)
def _years_table(model: HeightModel, height_m: float) -> Mass:
    """Mass of Y for each shared node; kept because many trees are cored at one height."""
    if model.is_none or height_m <= 0:
        return Mass(0, np.ones((len(model.forms), 1)))
    rows, scores = _knots(model, height_m)
    ends = _piecewise_rows(np.tile([-_FAR, _FAR], (len(rows), 1)), np.tile(scores, (len(rows), 1)), rows)
    start, stop = whole_seasons(np.exp([ends[:, 0].min(), ends[:, 1].max()])).tolist()
    with np.errstate(divide="ignore"):  # Y = k where k < T <= k + 1
        log_edges = np.maximum(np.log(np.arange(start, stop + 2, dtype=np.float64)), _LOG_NEVER)
    at = np.broadcast_to(log_edges, (len(rows), log_edges.size))
    below = ndtr(_piecewise_rows(at, rows, np.tile(scores, (len(rows), 1))))
    mass = np.diff(below, axis=1)
    if stop == MOST_SEASONS:
        mass[:, -1] += 1 - below[:, -1]
    mass /= mass.sum(axis=1, keepdims=True)
    return Mass(start, mass)


def _knots(model: HeightModel, height_m: float) -> tuple[Floats, Floats]:
    """Log seasons of each shared node at normal scores between which they are linear."""
    scores = normal_nodes(model.deviation.shape[1])
    rows = model._log_seasons(height_m) + _APART * (scores - 2 * _FAR)
    if not np.median(rows) <= np.log(MOST_SEASONS):
        got = f"a median of {np.exp(min(float(np.median(rows)), 700.0)):.3g} years to {height_m:g} m by {model.name}"
        do = "Check the years and spreads that the height model rests on."
        raise ModelError(Fault(got, f"at most {MOST_SEASONS} years", do, "HeightModel", 0, "height_m"))
    spread = rows[:, -1:] - rows[:, :1]
    straight = bool(np.all(np.abs(np.diff(rows) - np.diff(scores) * spread / (scores[-1] - scores[0])) < _STRAIGHT))
    knots = np.array([0, -1]) if straight else np.arange(scores.size)
    return rows[:, knots], scores[knots]


def _piecewise_rows(at: Floats, x: Floats, y: Floats) -> Floats:
    """Interpolate row by row; all at once where each row is one straight line."""
    if x.shape[1] == 2:
        return np.asarray(y[:, :1] + (at - x[:, :1]) * np.diff(y) / np.diff(x))
    return np.stack([piecewise(places, *points) for *points, places in zip(x, y, at, strict=True)])


def piecewise(at: Floats, x: Floats, y: Floats) -> Floats:
    """Interpolate linearly through points (x rising, at least two), with the outermost slopes continued."""
    inside = np.interp(at, x, y)
    below = y[0] + (at - x[0]) * (y[1] - y[0]) / (x[1] - x[0])
    above = y[-1] + (at - x[-1]) * (y[-1] - y[-2]) / (x[-1] - x[-2])
    return np.asarray(np.where(at < x[0], below, np.where(at > x[-1], above, inside)))
