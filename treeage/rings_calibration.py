"""What the trees of a stand teach about the hidden width of a core: offsets of the location and reduced spreads.

Layer 2. Best linear prediction of a shared deviation from the deviations of complete cores; own derivation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError
from treeage.errors_checks import require_series
from treeage.rings_growth import inner_growth
from treeage.rings_limits import check_widths
from treeage.rings_model import RingModel, ring_model

FloatArray = NDArray[np.float64]

_FEWEST_VISIBLE = 5  # choice: rings that must stay visible when a complete core is cut
_FACTOR_RANGE = (0.5, 1.2)  # choice: how far the scale of a core's own deviation may be moved


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
    >>> calibration = calibrate_missing_rings([[1.0] * 60, [1.1] * 60])
    >>> int(calibration.trees), calibration.stand_sd < ring_model().stand_sd
    (2, True)
    """

    distance_mm: FloatArray
    offset: FloatArray
    stand_sd: float
    tree_sd: float
    own_factor: FloatArray
    trees: FloatArray

    def offset_on(self, distance_mm: FloatArray) -> FloatArray:
        """Offsets at other distances.

        Parameters
        ----------
        distance_mm : numpy.ndarray, shape (n_r,) or (n_core, n_r)
            Distances [mm]; 0 is taken as the smallest node.

        Returns
        -------
        numpy.ndarray, broadcastable to (n_core, n_r)
            Offsets of the log hidden width.
        """
        return self._between(self.offset, distance_mm)

    def factor_at(self, distance_mm: FloatArray) -> FloatArray:
        """Factor on the own scale at one distance a core.

        Parameters
        ----------
        distance_mm : numpy.ndarray, shape (n_core,)
            Typical distances [mm].

        Returns
        -------
        numpy.ndarray, shape (n_core,)
            Factors.
        """
        return self._between(self.own_factor, distance_mm[:, None])[:, 0]

    def take(self, rows: ArrayLike) -> RingCalibration:
        """Select cores.

        Parameters
        ----------
        rows : array-like of int
            Positions of the cores; a calibration of the whole stand is returned as it is.

        Returns
        -------
        RingCalibration
            The rows in the given order.
        """
        if self.offset.ndim == 1:
            return self
        chosen = np.asarray(rows, dtype=np.intp)
        return RingCalibration(
            self.distance_mm,
            self.offset[chosen],
            self.stand_sd,
            self.tree_sd,
            self.own_factor[chosen],
            self.trees[chosen],
        )

    def _between(self, table: FloatArray, distance_mm: FloatArray) -> FloatArray:
        nodes = np.log(self.distance_mm)
        where = np.log(np.maximum(distance_mm, self.distance_mm[0]))
        place = np.clip(np.interp(where, nodes, np.arange(nodes.size)), 0, nodes.size - 1.000001)
        cell = place.astype(np.intp)
        part = place - cell
        if table.ndim == 1:
            return np.asarray(table[cell] * (1 - part) + table[cell + 1] * part)
        if where.ndim == 1:
            return np.asarray(table[:, cell] * (1 - part) + table[:, cell + 1] * part)
        rows = np.arange(table.shape[0])[:, None]
        return np.asarray(table[rows, cell] * (1 - part) + table[rows, cell + 1] * part)


def deviations_from_pith(
    widths_mm: Sequence[ArrayLike], distances_mm: FloatArray, model: RingModel, genus: str | None = None
) -> FloatArray:
    """How far the model is off on complete cores whose inner part is hidden.

    Parameters
    ----------
    widths_mm : sequence of array-like
        Complete series [mm], ring 1 first.
    distances_mm : numpy.ndarray, shape (n_node,)
        How much is hidden [mm]: the ring boundary nearest to each.
    model : RingModel
        The model under test.
    genus : str, optional
        Genus of the cores.

    Returns
    -------
    numpy.ndarray, shape (n_core, n_node)
        ln(true mean hidden width) minus its expected value; NaN where the core is too short.
    """
    found = np.full((len(widths_mm), distances_mm.size), np.nan)
    places, visible, radii, hidden = [], [], [], []
    for core, widths in enumerate(widths_mm):
        series = np.asarray(widths, dtype=np.float64)
        radius = np.cumsum(series)
        for node, target in enumerate(distances_mm):
            rings = int(np.abs(radius - target).argmin()) + 1
            if series.size - rings < _FEWEST_VISIBLE or not 0.65 <= radius[rings - 1] / target <= 1.35:
                continue
            places.append((core, node))
            visible.append(series[rings:])
            radii.append(radius[rings - 1])
            hidden.append(rings)
    if places:
        radius_mm = np.array(radii)
        growth = inner_growth(visible, genus=genus)
        expected = model.mean_log_width(growth, radius_mm[:, None])[:, 0]
        rows, nodes = np.array(places).T
        found[rows, nodes] = np.log(radius_mm / np.array(hidden)) - expected
    return found


def best_prediction(means: FloatArray, trees: FloatArray, model: RingModel) -> tuple[FloatArray, FloatArray]:
    """Best linear prediction of a core's shared deviation from the three kinds of evidence.

    Parameters
    ----------
    means : numpy.ndarray, shape (n_core, n_node, 3)
        Mean deviations of other trees at the same distance from the pith, of other trees in the same years, and of
        the tree's other cores in the same years; ignored where trees is 0.
    trees : numpy.ndarray, shape (n_core, n_node, 3)
        Number of trees (cores for the last) behind each mean.
    model : RingModel
        Holds the covariances.

    Returns
    -------
    offset : numpy.ndarray, shape (n_core, n_node)
        Predicted deviation.
    explained : numpy.ndarray, shape (n_core, n_node)
        Variance that the prediction takes away.

    Notes
    -----
    With k the covariances of the deviation with the means and K those of the means, offset = k' K^-1 means and the
    variance falls by k' K^-1 k. A mean over n trees has covariance shared + single/n.
    """
    shared, single = model.stand_shared, model.stand_single  # (n_node, 3, 3)
    known = trees > 0
    number = np.maximum(trees, 1.0)
    pair = np.maximum(number[..., :, None], number[..., None, :])
    matrix = shared + single / pair
    both = known[..., :, None] & known[..., None, :]
    matrix = np.where(both, matrix, np.eye(3))
    target = np.where(known, model.stand_target, 0.0)
    weights = np.linalg.solve(matrix, target[..., None])[..., 0]
    offset = (weights * np.where(known, means, 0.0)).sum(-1)
    return offset, (weights * target).sum(-1)


def calibration_from(
    offset: FloatArray, explained: tuple[FloatArray, FloatArray], trees: FloatArray, model: RingModel
) -> RingCalibration:
    """Share the explained variance out between stand and core.

    Parameters
    ----------
    offset : numpy.ndarray, shape (n_core, n_node)
        Predicted deviations.
    explained : tuple of numpy.ndarray, each shape (n_core, n_node)
        Variance explained by other trees alone, and by all evidence.
    trees : numpy.ndarray, shape (n_core,)
        Other trees behind each row.
    model : RingModel
        The shipped spreads.

    Returns
    -------
    RingCalibration
        One row a core.
    """
    others, everything = explained
    stand_variance = max(model.stand_sd**2 - float(others.mean()) if others.size else 0.0, 0.0)
    stand_variance = max(stand_variance, 0.1 * model.stand_sd**2)  # choice: never more than 90 % known
    shared = model.stand_sd**2 + model.tree_sd**2
    own = np.maximum(model.stand_variance - shared, 1e-3)
    left = model.stand_variance - everything - stand_variance - model.tree_sd**2
    factor = np.sqrt(np.clip(left / own, _FACTOR_RANGE[0] ** 2, _FACTOR_RANGE[1] ** 2))
    return RingCalibration(model.stand_nodes_mm, offset, float(np.sqrt(stand_variance)), model.tree_sd, factor, trees)


def calibrate_missing_rings(
    widths_from_pith_mm: Sequence[ArrayLike], *, genus: str | None = None, model: RingModel | None = None
) -> RingCalibration:
    """Learn level and trend of the inner growth of a stand from its complete cores.

    Parameters
    ----------
    widths_from_pith_mm : sequence of array-like
        Complete series of the stand [mm], ring 1 (at the pith) first; one core a tree is best.
    genus : str, optional
        Genus of the stand.
    model : RingModel, optional
        The shipped model by default.

    Returns
    -------
    RingCalibration
        One offset curve for the stand and the spreads that remain.

    Raises
    ------
    InputError
        If no series is given, the series are not one row of widths for each core, a width is beyond the limits of
        the ring table, or no core is long enough to teach anything (5 rings outside the smallest distance).

    Notes
    -----
    Each core is cut at several distances and predicted; the mean deviation at each distance, drawn towards 0 by the
    number of trees (partial pooling), becomes the offset. Cores that are too short for a distance do not count there.

    References
    ----------
    .. [1] Own derivation; covariances fitted to raw ring widths of a public archive, see ring_model.

    Examples
    --------
    Young trees that grew twice as fast as their later rings tell: fewer missed rings.

    >>> calibration = calibrate_missing_rings([[3.0] * 7 + [1.0] * 40] * 8)
    >>> bool(calibration.offset_on(np.array([20.0]))[0] > 0.3)
    True
    """
    where, name = "calibrate_missing_rings", "widths_from_pith_mm"
    require_series(where, name, widths_from_pith_mm)
    if len(widths_from_pith_mm) == 0:
        raise InputError(Fault("no series", "at least one complete core", "Leave out calibration.", where))
    used = model or ring_model()
    inner_growth(widths_from_pith_mm)  # checks the widths
    check_widths(where, name, widths_from_pith_mm)
    deviation = deviations_from_pith(widths_from_pith_mm, used.stand_nodes_mm, used, genus)
    trees = (~np.isnan(deviation)).sum(0)
    if not trees.any():
        longest = max(np.asarray(widths).size for widths in widths_from_pith_mm)
        got = f"{len(widths_from_pith_mm)} series, the longest of {longest} rings"
        need = f"a core with {_FEWEST_VISIBLE} rings or more beyond the inner {used.stand_nodes_mm[0]:g} mm"
        do = "Pass complete cores, ring 1 first, widths in mm; or leave out calibration."
        raise InputError(Fault(got, need, do, where, 0, name))
    mean = np.where(trees > 0, np.nansum(deviation, axis=0) / np.maximum(trees, 1), 0.0)
    means, numbers = np.zeros((1, trees.size, 3)), np.zeros((1, trees.size, 3))
    means[0, :, 0], numbers[0, :, 0] = mean, trees
    offset, explained = best_prediction(means, numbers, used)
    found = calibration_from(offset, (explained, explained), np.array([float(trees.max())]), used)
    return RingCalibration(
        found.distance_mm, found.offset[0], found.stand_sd, found.tree_sd, found.own_factor[0], found.trees[0]
    )
