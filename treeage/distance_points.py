"""Distance to the pith from digitised points on ring boundaries: a fit of concentric circles.

Layer 2. Least squares of plane circles with a common centre; own derivation, errors carried on the curvature.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage import priors
from treeage.errors import Fault, InputError
from treeage.grids import DISTANCE_GRID_MM

Array = NDArray[np.float64]

_POINT_SD_MM = 0.1  # choice: digitising error of a boundary where too few points are left to estimate it


@dataclass(frozen=True)
class CircleFit:
    """Concentric circles through digitised boundaries.

    Parameters
    ----------
    curvature, curvature_sd : float
        One over the distance from the innermost boundary to the common centre, with its standard error [1/mm].
    distance_mm : float
        The distance itself [mm]; infinite for a straight boundary.
    residual_sd_mm : float
        Standard deviation of the points about the circles [mm].
    """

    curvature: float
    curvature_sd: float
    distance_mm: float
    residual_sd_mm: float


def fit_circles(ring: ArrayLike, x_mm: ArrayLike, y_mm: ArrayLike) -> CircleFit:
    """Fit circles with one centre to points on one or more ring boundaries.

    Parameters
    ----------
    ring : array-like of int, shape (n,)
        Which boundary each point lies on; 1 is the innermost.
    x_mm, y_mm : array-like, shape (n,)
        Position along the core inwards, and across it [mm].

    Returns
    -------
    CircleFit
        The innermost boundary's distance to the centre.

    Raises
    ------
    InputError
        If there are fewer points than unknowns (three on one boundary; two more unknowns than boundaries).

    Notes
    -----
    Each boundary is written as the curve at radius r_k = r_1 + gap_k round a centre ahead of the core; the unknowns are
    the curvature 1/r_1, the centre's sideways place and one place along the core for each boundary, so a nearly
    straight boundary stays well behaved. Circles are assumed; the roundness of rings is added to the error.

    References
    ----------
    .. [1] Own derivation; least squares by `scipy.optimize.least_squares`.

    Examples
    --------
    Three points of a circle of radius 10 whose centre is at x = 10.

    >>> angle = np.array([-0.2, 0.0, 0.2])
    >>> fit = fit_circles([1, 1, 1], 10 - 10 * np.cos(angle), 10 * np.sin(angle))
    >>> round(fit.distance_mm, 3)
    10.0
    """
    from scipy.optimize import least_squares

    rings, index = np.unique(np.asarray(ring, dtype=np.int64), return_inverse=True)
    along, across = np.asarray(x_mm, dtype=np.float64), np.asarray(y_mm, dtype=np.float64)
    if along.size < 2 + rings.size:
        need = f"at least {2 + rings.size} points on {rings.size} boundaries"
        raise InputError(Fault(f"{along.size} points", need, "Digitise more points.", "fit_circles", 0, "x_mm"))
    middle = np.array([along[index == k].mean() for k in range(rings.size)])

    def residuals(unknown: Array) -> Array:
        curvature, aside, apex = unknown[0], unknown[1], unknown[2:]
        gap = apex[0] - apex  # boundaries farther out have their apex at smaller x
        local = curvature / (1 + curvature * gap[index])
        side = across - aside
        bend = local * side**2 / (1 + np.sqrt(np.maximum(1 - (local * side) ** 2, 1e-6)))
        error: Array = along - apex[index] - bend
        return error

    start = np.concatenate([[1e-3, across.mean()], middle])
    fit = least_squares(residuals, start, x_scale=np.concatenate([[0.05], np.ones(1 + rings.size)]), xtol=1e-12)
    freedom = along.size - start.size
    spread = float(np.sqrt((fit.fun**2).sum() / freedom)) if freedom > 0 else _POINT_SD_MM
    spread = max(spread, _POINT_SD_MM / 4)  # choice: a few points cannot show that the hand is steadier than this
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac) * spread**2
    curvature = float(fit.x[0])
    distance = 1 / curvature if curvature > 0 else float("inf")
    return CircleFit(curvature, float(np.sqrt(covariance[0, 0])), distance, spread)


def point_likelihood(ring: ArrayLike, x_mm: ArrayLike, y_mm: ArrayLike, *, beyond_mm: float = 0.0) -> Array:
    """Likelihood of the distance to the pith from digitised boundaries.

    Parameters
    ----------
    ring : array-like of int, shape (n,)
        Which boundary each point lies on; the smallest number is the innermost one.
    x_mm, y_mm : array-like, shape (n,)
        Position along the core inwards, and across it [mm].
    beyond_mm : float, default 0
        How far outside the innermost counted ring's inner boundary the innermost digitised one lies [mm].

    Returns
    -------
    numpy.ndarray, shape (n_grid,)
        Likelihood on `DISTANCE_GRID_MM`, largest value 1.

    Raises
    ------
    InputError
        As `fit_circles`.

    Notes
    -----
    The curvature is nearly normal, its inverse is not: the likelihood is normal in 1/r, with the roundness of rings
    added. A curvature that does not differ from 0 ends as no information far out.

    References
    ----------
    .. [1] Own derivation.

    Examples
    --------
    >>> angle = np.linspace(-0.3, 0.3, 9)
    >>> likelihood = point_likelihood(np.ones(9), 10 - 10 * np.cos(angle), 10 * np.sin(angle))
    >>> bool(abs(DISTANCE_GRID_MM[likelihood.argmax()] - 10) < 0.5)
    True
    """
    fit = fit_circles(ring, x_mm, y_mm)
    with np.errstate(divide="ignore"):
        expected = 1 / np.maximum(DISTANCE_GRID_MM + beyond_mm, 1e-3)
    sd = np.hypot(fit.curvature_sd, priors.ROUNDNESS.value * expected)
    likelihood = np.exp(-0.5 * ((fit.curvature - expected) / sd) ** 2) / sd
    return np.asarray(likelihood / likelihood.max())
