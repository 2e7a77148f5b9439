"""Expected width of the hidden rings of a core, from its visible inner rings and the distance to the pith.

A log-linear regression on window means of the visible widths with coefficients that bend with the distance;
own derivation, fitted to raw ring widths of a public archive by tests/fitting/fit_rings.py.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage import priors
from treeage.distance import DISTANCE_GRID_MM
from treeage.errors import Fault, InputError, kind_of, require_nonnegative, require_positive, show
from treeage.pmf import freeze_arrays
from treeage.priors import data_text
from treeage.rings.mass import Array, Ints, Tails, exact_mass, fast_mass
from treeage.schema import genus_of

MassArray = NDArray[Any]  # single precision from the grids, double by brute force

WIDTH_FLOOR_MM = 0.02  # choice: two reading steps of 0.01 mm; keeps the logarithm of absent rings finite
WINDOW_RINGS = (1, 2, 3, 5, 10, 20, 40)  # choice: about even steps of the logarithm
WINDOW_MM = (5.0, 10.0, 20.0, 40.0)  # choice: the distances at which cores usually end
RUN_RINGS = 10  # choice: the fastest decade of the core
SPREAD_RINGS = 20  # choice: enough rings for a standard deviation, few enough to be inner wood
FEATURES = (
    *(f"log_mean_{rings}_rings" for rings in WINDOW_RINGS),
    "log_mean_all_rings",
    *(f"log_mean_{millimetres:.0f}_mm" for millimetres in WINDOW_MM),
    "log_fastest_run",
    "spread_inner",
    "step_inner",
)
SPREAD_FEATURES = 2  # the last two: spread and step, which a mean width alone cannot tell
TERMS = (*FEATURES, "spread_inner x log_mean_10_rings", "(log_mean_1_rings - log_mean_5_rings) squared")
OTHER_GENERA = "other genera"
MEAN_RINGS = (
    10.0,
    110.0,
)  # choice: a short inner window and a usual whole core; what depends on the rings lies between
MEAN_RANGE_MM = (0.05, 10.0)  # the mean widths that the archive has
MEAN_MOST_RINGS = 400.0  # as far as the archive's cores go
_SPREADS = slice(len(FEATURES) - SPREAD_FEATURES, len(FEATURES))
_STAND_ARRAYS = ("stand_nodes_mm", "stand_variance", "stand_target", "stand_shared", "stand_single")
_MEAN_ARRAYS = ("mean_coefficients", "mean_scale_coefficients", "mean_stand_sd", "mean_tree_sd")
_ARRAYS = ("ring_nodes", "coefficients", "scale_coefficients", "typical_spreads", *_MEAN_ARRAYS, *_STAND_ARRAYS)


@dataclass(frozen=True, eq=False)
class InnerGrowth:
    """What the visible rings of many cores say about their inner growth, one row a core.

    Parameters
    ----------
    features : numpy.ndarray, shape (n_core, n_feature)
        Columns as in FEATURES: natural logarithms of mean widths [mm], then two spreads of log widths; NaN where a
        spread is unknown.
    ring_count : numpy.ndarray, shape (n_core,)
        Number of visible rings the row rests on, at least 1.
    genus : tuple of str or None
        One for each core; None where unknown.
    mean_log_sd : numpy.ndarray, shape (n_core,)
        Where only a mean width is known, the standard deviation of its logarithm (0: measured); NaN where each ring is.

    Examples
    --------
    >>> growth = inner_growth([[1.0, 1.0, 1.0], [2.0]])
    >>> len(growth), growth.ring_count.tolist()
    (2, [3.0, 1.0])
    """

    features: Array
    ring_count: Array
    genus: tuple[str | None, ...]
    mean_log_sd: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def __len__(self) -> int:
        return int(self.ring_count.size)

    @property
    def mean_only(self) -> NDArray[np.bool_]:
        """Cores of which only a mean width is known, shape (n_core,)."""
        return ~np.isnan(self.mean_log_sd)

    def take(self, rows: ArrayLike) -> InnerGrowth:
        """The cores at some positions, in that order."""
        chosen = np.asarray(rows, dtype=np.intp)
        genus = tuple(self.genus[k] for k in chosen)
        return InnerGrowth(self.features[chosen], self.ring_count[chosen], genus, self.mean_log_sd[chosen])


def inner_growth(
    inner_widths_mm: Sequence[ArrayLike], *, genus: str | Sequence[str | None] | None = None
) -> InnerGrowth:
    """Summarise the visible rings of many cores by means over windows that start at the innermost ring.

    Parameters
    ----------
    inner_widths_mm : sequence of array-like
        One series for each core: visible widths [mm], innermost first, any number from 1 up, each at least 0 (0: a
        dated ring that is locally absent; it counts as a ring).
    genus : str or sequence of str, optional
        Genus of all cores or of each core; unknown by default.

    Returns
    -------
    InnerGrowth
        One row a core.

    Raises
    ------
    InputError
        If a core has no ring or a width is negative or not finite.

    Notes
    -----
    A window longer than the core uses the whole core. Means below 0.02 mm are raised to that (absent rings). Own
    derivation; the windows are choices, see tests/fitting/fit_rings.py.

    Examples
    --------
    >>> growth = inner_growth([[1.0, 3.0, 2.0, 2.0, 2.0]])
    >>> np.exp(growth.features[0, [0, 1, 3]]).round(3).tolist()
    [1.0, 2.0, 2.0]
    """
    flat, counts = _checked_series(inner_widths_mm, "inner_growth")
    return _growth_of_flat(flat, counts, _genus_tuple(genus, counts.size, "inner_growth"))


def inner_growth_from_means(
    mean_mm: ArrayLike,
    ring_count: ArrayLike,
    *,
    genus: str | Sequence[str | None] | None = None,
    mean_log_sd: ArrayLike = 0.0,
) -> InnerGrowth:
    """Summarise cores of which only the mean width of the innermost rings, or of all, was written down.

    Parameters
    ----------
    mean_mm : array-like, shape (n_core,)
        Mean width of the innermost visible rings [mm], above 0.
    ring_count : array-like, shape (n_core,)
        Number of rings in that mean, above 0.
    genus : str or sequence of str, optional
        Genus of all cores or of each core; unknown by default.
    mean_log_sd : array-like, default 0.0
        Standard deviation of the logarithm of the mean, where it was not measured on the core (0: measured).

    Returns
    -------
    InnerGrowth
        One row a core; every window holds the mean, the two spreads are NaN. The model has a regression of its own
        for such rows: a mean of a hundred rings says less about the hidden ones than one of ten.

    Raises
    ------
    InputError
        If a mean or a number is not above 0, or mean_log_sd is below 0.

    Examples
    --------
    >>> growth = inner_growth_from_means([1.5], [20])
    >>> float(np.exp(growth.features[0, 0]))
    1.5
    """
    mean, count = require_positive("inner_growth_from_means", mean_mm=mean_mm, ring_count=ring_count)
    (log_sd,) = require_nonnegative("inner_growth_from_means", mean_log_sd=mean_log_sd)
    mean, count, log_sd = np.broadcast_arrays(np.atleast_1d(mean), np.atleast_1d(count), log_sd)
    logs = np.log(np.maximum(mean, WIDTH_FLOOR_MM))
    features = np.repeat(logs[:, None], len(FEATURES), axis=1)
    features[:, -SPREAD_FEATURES:] = np.nan
    names = _genus_tuple(genus, mean.size, "inner_growth_from_means")
    return InnerGrowth(features, count.astype(np.float64), names, log_sd.astype(np.float64))


def visible_growth(
    widths_mm: Sequence[ArrayLike],
    mean_mm: Array,
    ring_count: Array,
    *,
    genus: Sequence[str | None],
    mean_log_sd: ArrayLike = 0.0,
) -> InnerGrowth:
    """Visible growth of cores from their ring tables, and from a mean width where there is none (no width above 0).

    widths_mm: one series a core, empty without a table; mean_mm, ring_count, mean_log_sd, shape (n_core,): as in
    `inner_growth_from_means`, used where there is no table.
    """
    growth = inner_growth_from_means(mean_mm, ring_count, genus=genus, mean_log_sd=mean_log_sd)
    rows = [row for row, own in enumerate(widths_mm) if np.sum(own) > 0]
    if not rows:
        return growth
    exact = inner_growth([widths_mm[row] for row in rows], genus=[genus[row] for row in rows])
    features, count, log_sd = growth.features.copy(), growth.ring_count.copy(), growth.mean_log_sd.copy()
    features[rows], count[rows], log_sd[rows] = exact.features, exact.ring_count, np.nan
    return InnerGrowth(features, count, growth.genus, log_sd)


def _growth_of_flat(flat: Array, counts: Ints, genus: tuple[str | None, ...]) -> InnerGrowth:
    if counts.size == 0:
        return InnerGrowth(np.zeros((0, len(FEATURES))), np.zeros(0), (), np.zeros(0))
    ends = np.cumsum(counts)
    starts = ends - counts
    total = np.concatenate([[0.0], np.cumsum(flat)])
    columns = []
    for rings in WINDOW_RINGS:
        length = np.minimum(rings, counts)
        columns.append((total[starts + length] - total[starts]) / length)
    columns.append((total[ends] - total[starts]) / counts)
    for millimetres in WINDOW_MM:
        columns.append(_mean_width_within(total, starts, ends, millimetres))
    columns.append(_fastest_run(total, starts, ends))
    logs = [np.log(np.maximum(column, WIDTH_FLOOR_MM)) for column in columns]
    features = np.column_stack([*logs, *_spreads(flat, starts, counts)])
    return InnerGrowth(features, counts.astype(np.float64), genus, np.full(counts.size, np.nan))


def _mean_width_within(total: Array, starts: Ints, ends: Ints, millimetres: float) -> Array:
    """Mean width [mm] of the rings within a length of wood from the innermost ring outwards, the last ring in part."""
    target = np.minimum(total[starts] + millimetres, total[ends])
    ring = np.minimum(np.maximum(np.searchsorted(total, target, side="left"), starts + 1), ends)
    width = np.maximum(total[ring] - total[ring - 1], 1e-9)
    rings = ring - 1 - starts + np.clip((target - total[ring - 1]) / width, 0.0, 1.0)
    return np.asarray((target - total[starts]) / np.maximum(rings, 1e-3))


def _fastest_run(total: Array, starts: Ints, ends: Ints) -> Array:
    """Largest mean width [mm] of a run of rings; of the whole core where it is shorter than a run."""
    run = np.full(total.size, -1.0)
    run[: max(total.size - RUN_RINGS, 0)] = (total[RUN_RINGS:] - total[:-RUN_RINGS]) / RUN_RINGS
    # a run that starts in the last rings of a core would reach into the next one
    for back in range(1, RUN_RINGS):
        run[np.maximum(ends - back, starts)] = -1.0
    best = np.maximum.reduceat(run, starts)
    return np.where(ends - starts > RUN_RINGS, best, (total[ends] - total[starts]) / (ends - starts))


def _spreads(flat: Array, starts: Ints, counts: Ints) -> tuple[Array, Array]:
    """Standard deviation of the inner log widths and root mean square of their steps; NaN for one ring."""
    length = np.minimum(SPREAD_RINGS, counts)
    index = np.minimum(np.arange(SPREAD_RINGS), length[:, None] - 1) + starts[:, None]
    logs = np.log(np.maximum(flat[index], WIDTH_FLOOR_MM))
    used = np.arange(SPREAD_RINGS) < length[:, None]
    mean = (logs * used).sum(1) / length
    variance = (((logs - mean[:, None]) * used) ** 2).sum(1) / np.maximum(length - 1, 1)
    steps = (np.diff(logs, axis=1) ** 2 * used[:, 1:]).sum(1) / np.maximum(length - 1, 1)
    known = length > 1
    return np.where(known, np.sqrt(variance), np.nan), np.where(known, np.sqrt(steps), np.nan)


def _genus_tuple(genus: str | Sequence[str | None] | None, cores: int, where: str) -> tuple[str | None, ...]:
    if genus is None or isinstance(genus, str):
        return (genus_of(genus),) * cores
    if not hasattr(genus, "__len__") or getattr(genus, "ndim", 1) == 0:
        need = "a name, or one for each core"
        raise InputError(Fault(kind_of(genus), need, "Write for example 'Larix'.", where, 0, "genus"))
    if len(genus) != cores:
        need = f"one, or {cores} (one a core)"
        raise InputError(Fault(f"{len(genus)} genera", need, "Pass one for each core.", where, 0, "genus"))
    return tuple(genus_of(name) for name in genus)


def _checked_series(widths_mm: Sequence[ArrayLike], where: str) -> tuple[Array, Ints]:
    """All widths in one row, and the number of rings of each core."""
    arrays = [np.asarray(widths, dtype=np.float64).ravel() for widths in widths_mm]
    counts = np.fromiter((array.size for array in arrays), dtype=np.intp, count=len(arrays))
    if counts.size and counts.min() == 0:
        need, item = "at least one ring width [mm]", f"core {int(np.argmin(counts))}"
        raise InputError(Fault("no widths", need, "Leave the core out.", where, 0, "inner_widths_mm", item))
    flat = np.concatenate(arrays) if arrays else np.zeros(0)
    require_nonnegative(where, inner_widths_mm=flat)
    return flat, counts


def regression_terms(features: Array, typical_spreads: Array) -> Array:
    """Features (n_core, n_feature), unknown spreads filled with typical ones, and two products; columns as in TERMS."""
    spreads = features[:, _SPREADS]
    spreads = np.where(np.isnan(spreads), typical_spreads, spreads)
    one, five, ten = (features[:, WINDOW_RINGS.index(rings)] for rings in (1, 5, 10))
    products = (spreads[:, 0] * ten, (one - five) ** 2)
    return np.column_stack([features[:, :-SPREAD_FEATURES], spreads, *products])


def mean_terms(log_mean: Array, ring_count: Array) -> Array:
    """Terms of the regression on a mean width alone: log mean width, log number of rings / 20, squares, product."""
    mean = np.clip(log_mean, *np.log(MEAN_RANGE_MM))
    rings = np.log(np.minimum(ring_count, MEAN_MOST_RINGS) / 20.0)
    return np.column_stack([mean, rings, mean**2, mean * rings, rings**2])


def whole_share(ring_count: Array) -> Array:
    """Place of the number of rings in a mean between the two of MEAN_RINGS, even in the logarithm, 0 to 1."""
    low, high = np.log(MEAN_RINGS)
    return np.asarray(np.clip((np.log(ring_count) - low) / (high - low), 0.0, 1.0))


def _by_genus(growth: InnerGrowth, values: Mapping[str, float], unknown: float) -> Array:
    other = values.get(OTHER_GENERA, unknown)
    return np.array([unknown if name is None else values.get(name, other) for name in growth.genus])


@dataclass(frozen=True, eq=False)
class RingModel:
    """Fitted model of the hidden mean ring width.

    Parameters
    ----------
    ring_nodes : numpy.ndarray, shape (n_node,)
        Numbers of visible rings for which coefficients were fitted; between them the coefficients are interpolated in
        the logarithm, outside the nearest node holds.
    coefficients : numpy.ndarray, shape (n_node, n_term + 1, n_basis)
        For the intercept and each term, the weights of the powers 0, 1, ... of ln(distance / 10 mm).
    scale_coefficients : numpy.ndarray, shape (n_node, n_scale)
        For ln(own scale): intercept, ln(distance / 10 mm), its square, spread_inner, step_inner.
    typical_spreads : numpy.ndarray, shape (2,)
        Spreads assumed where only a mean width is known.
    distance_range_mm : tuple of float
        Distances [mm] the model was fitted on; beyond them the location of the nearest end holds.
    tails : Tails
        Shape of a core's own deviation v, in the direction of more rings.
    genus_offset, genus_scale : mapping of str to float
        Added to the location, and factor on the own scale, where the genus is known; each drawn towards the mean of all
        genera by the number of sites. OTHER_GENERA is for a genus that is not listed.
    tree_sd, stand_sd : float
        Standard deviations of the deviations that the cores of a tree (u) and the trees of a stand (b) share, in log
        width.
    mean_coefficients, mean_scale_coefficients : numpy.ndarray, shape (6, n_basis), (5,)
        The same two for cores of which only a mean width is known: terms as in `mean_terms`; scale: intercept,
        ln(distance / 10 mm), its square, ln(rings / 20), its square. The tails are the same.
    mean_genus_offset : mapping of str to tuple of float
        Their genus offsets, for the two numbers of rings of MEAN_RINGS; between them in the logarithm.
    mean_stand_sd, mean_tree_sd : numpy.ndarray, shape (2,)
        Their shared standard deviations, likewise.
    stand_nodes_mm : numpy.ndarray, shape (n_stand,)
        Distances [mm] at which the covariances below are given.
    stand_variance : numpy.ndarray, shape (n_stand,)
        Variance of a core's whole deviation b + u + v.
    stand_target : numpy.ndarray, shape (n_stand, 3)
        Covariance of a core's deviation with the mean of other trees at the same distance from the pith, of other trees
        in the same years, and of the tree's other cores in the same years.
    stand_shared, stand_single : numpy.ndarray, shape (n_stand, 3, 3)
        Covariance of these means over n trees: shared + single / n.
    source : str
        Where the numbers come from.

    Notes
    -----
    ln(hidden mean width [mm]) = location(features, distance) + b + u + v.
    """

    ring_nodes: Array
    coefficients: Array
    scale_coefficients: Array
    typical_spreads: Array
    distance_range_mm: tuple[float, float]
    tails: Tails
    genus_offset: Mapping[str, float]
    genus_scale: Mapping[str, float]
    tree_sd: float
    stand_sd: float
    mean_coefficients: Array
    mean_scale_coefficients: Array
    mean_genus_offset: Mapping[str, tuple[float, float]]
    mean_stand_sd: Array
    mean_tree_sd: Array
    stand_nodes_mm: Array
    stand_variance: Array
    stand_target: Array
    stand_shared: Array
    stand_single: Array
    source: str

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def _log_distance(self, distance_mm: Array) -> Array:
        return np.asarray(np.log(np.clip(distance_mm, *self.distance_range_mm) / 10.0))

    def terms(self, growth: InnerGrowth) -> Array:
        """Regression terms of the location, shape (n_core, n_term)."""
        return regression_terms(growth.features, self.typical_spreads)

    def _node_weights(self, growth: InnerGrowth) -> Array:
        """Weights of the ring nodes for each core, shape (n_core, n_node); two of a row are above 0."""
        position = np.interp(np.log(growth.ring_count), np.log(self.ring_nodes), np.arange(self.ring_nodes.size))
        return np.asarray(np.maximum(1.0 - np.abs(position[:, None] - np.arange(self.ring_nodes.size)), 0.0))

    def location(self, growth: InnerGrowth, distance_mm: ArrayLike) -> Array:
        """Expected ln(hidden mean width [mm]) of each core at each distance, shape (n_core, n_r).

        `distance_mm` is one row of distances [mm], at least 0, for all cores, or a row a core.
        """
        logs = self._log_distance(np.asarray(distance_mm, dtype=np.float64))
        powers = self._powers(growth)
        value = np.zeros((len(growth), logs.shape[-1]))
        for power in powers.T[::-1]:
            value *= logs
            value += power[:, None]
        return value

    def _powers(self, growth: InnerGrowth) -> Array:
        """Polynomial in ln(distance / 10 mm) that is each core's location, shape (n_core, n_basis)."""
        features = self.terms(growth)
        weights = np.where(growth.mean_only[:, None], 0.0, self._node_weights(growth))
        powers = np.zeros((len(growth), self.coefficients.shape[2]))
        for node in range(self.ring_nodes.size):
            rows = np.flatnonzero(weights[:, node])
            if rows.size:
                intercept, slopes = self.coefficients[node, 0], self.coefficients[node, 1:]
                powers[rows] += weights[rows, node, None] * (intercept + features[rows] @ slopes)
        if any(name is not None for name in growth.genus):
            powers[:, 0] += np.where(growth.mean_only, 0.0, _by_genus(growth, self.genus_offset, 0.0))
        if growth.mean_only.any():
            powers[growth.mean_only] = self._mean_powers(growth.take(np.flatnonzero(growth.mean_only)))
        return powers

    def _mean_powers(self, growth: InnerGrowth) -> Array:
        """The same for cores of which only a mean width is known."""
        powers = (
            self.mean_coefficients[0]
            + mean_terms(growth.features[:, 0], growth.ring_count) @ (self.mean_coefficients[1:])
        )
        whole = whole_share(growth.ring_count)
        for end, share in enumerate((1.0 - whole, whole)):
            offsets = {genus: both[end] for genus, both in self.mean_genus_offset.items()}
            powers[:, 0] += share * _by_genus(growth, offsets, 0.0)
        return np.asarray(powers)

    def own_scale(self, growth: InnerGrowth, distance_mm: ArrayLike) -> Array:
        """Scale (in log width) of each core's own deviation v, at one typical distance [mm] a core, or at several."""
        logs = self._log_distance(np.asarray(distance_mm, dtype=np.float64))
        spreads = self.terms(growth)[:, _SPREADS]
        weights = self._node_weights(growth) @ self.scale_coefficients
        if growth.mean_only.any():
            rings = mean_terms(growth.features[:, 0], growth.ring_count)[:, [1, 4]]
            spreads = np.where(growth.mean_only[:, None], rings, spreads)
            weights = np.where(growth.mean_only[:, None], self.mean_scale_coefficients, weights)
        fixed = weights[:, 0] + (weights[:, 3:] * spreads).sum(1)
        if any(name is not None for name in growth.genus):
            fixed = fixed + np.where(growth.mean_only, 0.0, np.log(_by_genus(growth, self.genus_scale, 1.0)))
        shape = (-1,) + (1,) * (logs.ndim - 1)
        bend = weights[:, 1].reshape(shape) * logs + weights[:, 2].reshape(shape) * logs**2
        # a mean that was not measured moves the location by nearly its own error, for its slope is close to 1
        return np.asarray(
            np.hypot(np.exp(fixed.reshape(shape) + bend), np.nan_to_num(growth.mean_log_sd).reshape(shape))
        )

    def mean_log_width(self, growth: InnerGrowth, distance_mm: Array) -> Array:
        """Mean of the log hidden width at distances (n_core, n_r) [mm].

        It lies below the location, by own scale x mean of the tails, where the tails are skewed.
        """
        return self.location(growth, distance_mm) - self.tails.mean * self.own_scale(growth, distance_mm)


@lru_cache(maxsize=1)
def ring_model() -> RingModel:
    """Load the model that ships with the package.

    Returns
    -------
    RingModel
        Read once and kept.

    References
    ----------
    .. [1] Raw ring widths of 165 sites (regression on ring tables) and 872 further sites of the public international
       tree-ring archive (World Data Service for Paleoclimatology, NOAA NCEI), fitted by tests/fitting/fit_rings.py.

    Examples
    --------
    >>> ring_model().tree_sd > 0
    True
    """
    data = json.loads(data_text("rings_model.json"))
    if tuple(data["terms"]) != TERMS:
        need = "the terms of this version"
        raise InputError(Fault(show(data["terms"]), need, "Install the package anew.", "rings_model.json"))
    arrays = {name: np.array(data[name], dtype=np.float64) for name in _ARRAYS}
    # the trend of young trees, which the archive understates because its series start at the first measured ring, is
    # shared by all trees near the pith, so by the first and the third kind of evidence
    young = data["young_sd"]
    arrays["stand_variance"] += young**2
    for kind in (0, 2):
        arrays["stand_target"][:, kind] += young**2
        arrays["stand_shared"][:, kind, (0, 2)] += young**2
    arrays["mean_stand_sd"] = np.hypot(arrays["mean_stand_sd"], young)
    by_mean = {genus: (few, whole) for genus, (few, whole) in data["mean_genus_offset"].items()}
    low, high = data["distance_range_mm"]
    return RingModel(
        distance_range_mm=(low, high),
        tails=Tails(data["tail_df"], data["tail_skew"]),
        genus_offset=MappingProxyType(data["genus_offset"]),
        genus_scale=MappingProxyType(data["genus_scale"]),
        mean_genus_offset=MappingProxyType(by_mean),
        tree_sd=data["tree_sd"],
        stand_sd=float(np.hypot(data["stand_sd"], young)),
        source=data["source"],
        **arrays,
    )


# ------------------------------------------------------------------ the mass of missed rings


@dataclass(frozen=True, eq=False)
class RingCalibration:
    """Offsets and spreads that replace those of the shipped model in one stand.

    Parameters
    ----------
    distance_mm : numpy.ndarray, shape (n_node,)
        Distances [mm] at which the offsets are given, increasing; between them they are interpolated in
        ln(distance), outside the nearest holds.
    offset : numpy.ndarray, shape (n_node,) or (n_core, n_node)
        Added to the expected log hidden width: one row for the whole stand, or one row a core.
    stand_sd, tree_sd : float
        Standard deviations that remain for the stand (b) and for the tree (u), in log width.
    own_factor : numpy.ndarray, shape (n_node,) or (n_core, n_node)
        Factor on the scale of a core's own deviation (v).
    trees : numpy.ndarray, shape () or (n_core,)
        Number of other trees the offset rests on.

    Examples
    --------
    >>> from treeage.rings import calibrate_missing_rings
    >>> calibration = calibrate_missing_rings([[1.0] * 60, [1.1] * 60])
    >>> int(calibration.trees), calibration.stand_sd < ring_model().stand_sd
    (2, True)
    """

    distance_mm: Array
    offset: Array
    stand_sd: float
    tree_sd: float
    own_factor: Array
    trees: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def offset_on(self, distance_mm: Array) -> Array:
        """Offsets of the log hidden width at other distances [mm], (n_r,) or (n_core, n_r); 0 is the smallest node."""
        return self._between(self.offset, distance_mm)

    def factor_at(self, distance_mm: Array) -> Array:
        """Factor on the own scale at one typical distance [mm] a core, shape (n_core,)."""
        return self._between(self.own_factor, distance_mm[:, None])[:, 0]

    def take(self, rows: ArrayLike) -> RingCalibration:
        """The cores at some positions, in that order; a calibration of the whole stand as it is."""
        if self.offset.ndim == 1:
            return self
        chosen = np.asarray(rows, dtype=np.intp)
        offset, factor, trees = (values[chosen] for values in (self.offset, self.own_factor, self.trees))
        return RingCalibration(self.distance_mm, offset, self.stand_sd, self.tree_sd, factor, trees)

    def _between(self, values: Array, distance_mm: Array) -> Array:
        nodes = np.log(self.distance_mm)
        where = np.log(np.maximum(distance_mm, self.distance_mm[0]))
        place = np.clip(np.interp(where, nodes, np.arange(nodes.size)), 0, nodes.size - 1.000001)
        cell = place.astype(np.intp)
        part = place - cell
        if values.ndim == 1:
            return np.asarray(values[cell] * (1 - part) + values[cell + 1] * part)
        if where.ndim == 1:
            return np.asarray(values[:, cell] * (1 - part) + values[:, cell + 1] * part)
        rows = np.arange(values.shape[0])[:, None]
        return np.asarray(values[rows, cell] * (1 - part) + values[rows, cell + 1] * part)


def shared_spreads(
    model: RingModel | None = None, calibration: RingCalibration | None = None, growth: InnerGrowth | None = None
) -> tuple[float, float]:
    """Standard deviations of the shared deviations of log hidden width.

    Parameters
    ----------
    model : RingModel, optional
        The shipped model by default.
    calibration : RingCalibration, optional
        What complete cores or neighbours of the stand have taught; nothing by default.
    growth : InnerGrowth, optional
        The cores that share them: where only a mean width is known, stand and tree share more of the deviation. The
        answer is the root mean square over the cores; by default every ring is known.

    Returns
    -------
    tuple of float
        stand_sd (b, shared by the stand) and tree_sd (u, shared by the cores of a tree).

    Examples
    --------
    >>> stand_sd, tree_sd = shared_spreads()
    >>> stand_sd > 0 and tree_sd > 0
    True
    """
    used = model or ring_model()
    stand_sd, tree_sd = (
        (used.stand_sd, used.tree_sd) if calibration is None else (calibration.stand_sd, calibration.tree_sd)
    )
    if growth is None or not growth.mean_only.any():
        return stand_sd, tree_sd
    whole, plain = whole_share(growth.ring_count), (used.stand_sd, used.tree_sd)
    out = []
    for known, table, (few, most) in zip(
        (stand_sd, tree_sd), plain, (used.mean_stand_sd, used.mean_tree_sd), strict=True
    ):
        more = np.maximum((few + (most - few) * whole) ** 2 - table**2, 0.0)  # what the rings would have told
        out.append(float(np.sqrt(known**2 + np.mean(np.where(growth.mean_only, more, 0.0)))))
    return out[0], out[1]


def hidden_width(
    growth: InnerGrowth,
    distance_mm: ArrayLike,
    typical_mm: ArrayLike,
    *,
    model: RingModel | None = None,
    calibration: RingCalibration | None = None,
) -> tuple[Array, Array]:
    """Location and scale of the log hidden width, moved by what the stand has taught.

    Parameters
    ----------
    growth : InnerGrowth
        Visible growth of n_core cores.
    distance_mm : array-like, shape (n_r,) or (n_core, n_r)
        Distances to the pith [mm], at least 0: the same for all cores, or a row a core.
    typical_mm : array-like, shape (n_core,)
        One typical distance a core [mm], at which the scale is taken; see `typical_distance`.
    model : RingModel, optional
        The shipped model by default.
    calibration : RingCalibration, optional
        Offsets and factors learned from the stand; none by default.

    Returns
    -------
    location : numpy.ndarray, shape (n_core, n_r)
        Expected ln(mean width [mm]) of the hidden rings at each distance.
    scale : numpy.ndarray, shape (n_core,)
        Scale of each core's own deviation, in log width.

    Notes
    -----
    ln(hidden mean width) = location + b + u + v, with b shared by the stand and u by the cores of a tree (normal, see
    `shared_spreads`) and v the core's own: `RingModel.tails` times the scale, wider towards more rings.

    Examples
    --------
    >>> location, scale = hidden_width(inner_growth([[1.0] * 40]), [10.0, 20.0], [14.0])
    >>> location.shape, scale.shape
    ((1, 2), (1,))
    """
    used = model or ring_model()
    distance, typical = np.asarray(distance_mm, dtype=np.float64), np.asarray(typical_mm, dtype=np.float64)
    location, scale = used.location(growth, distance), used.own_scale(growth, typical) * priors.OWN_GROWTH.value
    if calibration is None:
        return location, scale
    return location + calibration.offset_on(distance), scale * calibration.factor_at(typical)


def typical_distance(distance_mm: ArrayLike, mass: Array) -> Array:
    """One distance a core that stands for its mass: the exponential of the mean logarithm, the pith left out.

    Parameters
    ----------
    distance_mm : array-like, shape (n_r,) or (n_core, n_r)
        Distances [mm]; column 0 is the pith itself.
    mass : numpy.ndarray, shape (n_core, n_r)
        Probability of each.

    Returns
    -------
    numpy.ndarray, shape (n_core,)
        Typical distances [mm].

    Examples
    --------
    >>> round(float(typical_distance([0.0, 2.0, 8.0], np.array([[0.2, 0.4, 0.4]]))[0]), 6)
    4.0
    """
    logs = np.log(np.maximum(np.asarray(distance_mm)[..., 1:], DISTANCE_GRID_MM[1]))
    beyond = mass[:, 1:]
    return np.asarray(np.exp((beyond * logs).sum(1) / np.maximum(beyond.sum(1), 1e-300)))


def expected_rings(
    growth: InnerGrowth, distance_mm: Array, mass: Array, model: RingModel, calibration: RingCalibration | None
) -> tuple[Array, Array]:
    """ln(number of rings) expected at each distance, (n_core, n_r), and the own scale of each core."""
    typical = typical_distance(distance_mm, mass)
    location, scale = hidden_width(growth, distance_mm, typical, model=model, calibration=calibration)
    return np.log(np.maximum(distance_mm, DISTANCE_GRID_MM[1])) - location, scale


# ------------------------------------------------------------------ masses

_METHODS: Final[Mapping[str, Callable[..., MassArray]]] = {"fast": fast_mass, "exact": exact_mass}


def missed_ring_mass(
    growth: InnerGrowth,
    distance_mass: ArrayLike,
    shifts: ArrayLike,
    *,
    max_rings: int,
    model: RingModel | None = None,
    calibration: RingCalibration | None = None,
    method: Literal["fast", "exact"] = "fast",
) -> MassArray:
    """Probability of each number of missed rings at given values of the shared deviation.

    Parameters
    ----------
    growth : InnerGrowth
        Visible growth of n_core cores.
    distance_mass : array-like, shape (n_core, n_r)
        Probability of each distance of `DISTANCE_GRID_MM`; rows sum to 1; column 0 is the pith itself (M = 0).
    shifts : array-like, shape (n_shift,)
        Values of b + u, the shared deviation of log hidden width; any values (what depends on them is kept).
    max_rings : int
        Highest number of rings, at least 2. Its cell also holds the probability of everything above.
    model : RingModel, optional
        The shipped model by default.
    calibration : RingCalibration, optional
        Offsets and spreads learned from the stand; none by default.
    method : {"fast", "exact"}, default "fast"
        By interpolation on grids, or brute force (slow; the reference in tests).

    Returns
    -------
    numpy.ndarray, shape (n_core, n_shift, max_rings + 1)
        P(M = m | core, b + u = shift); rows sum to the sum of the distance mass (fast: float32).

    Raises
    ------
    InputError
        If the shapes do not fit or max_rings is below 2.

    Notes
    -----
    ln(hidden mean width) = location(features, r) + b + u + v with v a core's own deviation, t-tailed. The number is M =
    max(1, round(r / width)) for r > 0, so P(M <= m | r) = P(ln(r / width) <= ln(m + 1/2)). The scale of v is that at
    the core's mean log distance. Fast and exact agree within 1e-3 total variation. Own derivation.

    Examples
    --------
    >>> growth = inner_growth([[1.0] * 20])
    >>> at_pith = np.zeros((1, DISTANCE_GRID_MM.size))
    >>> at_pith[0, 0] = 1.0
    >>> missed_ring_mass(growth, at_pith, [0.0], max_rings=3).tolist()
    [[[1.0, 0.0, 0.0, 0.0]]]
    """
    mass = np.asarray(distance_mass, dtype=np.float64)
    if mass.shape != (len(growth), DISTANCE_GRID_MM.size):
        got, need = f"shape {mass.shape}", f"shape ({len(growth)}, {DISTANCE_GRID_MM.size}): cores x distance grid"
        raise InputError(Fault(got, need, "Put distances on the grid.", "missed_ring_mass", 0, "distance_mass"))
    if max_rings < 2:
        raise InputError(Fault(show(max_rings), "at least 2 [rings]", "Raise it.", "missed_ring_mass", 0, "max_rings"))
    used = model or ring_model()
    expected, scale = expected_rings(growth, DISTANCE_GRID_MM, mass, used, calibration)
    run = _METHODS[method]
    values = np.atleast_1d(np.asarray(shifts, dtype=np.float64))
    return run(expected, mass, scale, used.tails, values, max_rings=max_rings)


def missed_ring_parts(parts: Array, width: tuple[Array, Array], shifts: Array, *, max_rings: int) -> MassArray:
    """The same for parts of distance masses, which may be negative, (n_part, n_core, n_r), whatever their sum.

    Shape (n_core, n_part, n_shift, max_rings + 1). width: from `hidden_width` on `DISTANCE_GRID_MM`. Linear in the
    parts.
    """
    expected, scale = np.log(np.maximum(DISTANCE_GRID_MM, DISTANCE_GRID_MM[1])) - width[0], width[1]
    core, part = np.nonzero(parts.any(axis=2).T)  # most cores have fewer parts than others
    mass = fast_mass(
        expected[core], parts[part, core], scale[core], ring_model().tails, shifts, max_rings=max_rings, signed=True
    )
    out = np.zeros((*parts.shape[1::-1], *mass.shape[1:]), dtype=mass.dtype)
    out[core, part] = mass
    return out
