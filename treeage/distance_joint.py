"""Joint distances to the pith [mm] of two cores of one stem that both rest on radius less core length.

Layer 2, part of the family of `distance`. Own derivation: one eccentric pith and one radius, seen from two core ends.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from treeage.distance import unseen_curvature
from treeage.distance_radius import OFFSET_SHARE
from treeage.errors import require_positive
from treeage.grids import DISTANCE_GRID_MM

Array = NDArray[np.float64]

_NEGLIGIBLE = 3e-3  # choice: joint cases that hold less of the likeliest change no printed figure
LEAST_COSINE = 0.5  # choice: cores within 60 degrees of one line; simulation finds others as good as independent


def share_a_line(azimuths_deg: tuple[float, float]) -> bool:
    """Tell whether two cores lie near enough to one line that an eccentric pith moves both distances.

    Parameters
    ----------
    azimuths_deg : tuple of float
        Azimuths of the two cores [degrees].

    Returns
    -------
    bool
        False where an azimuth is not known.

    Examples
    --------
    >>> share_a_line((10.0, 185.0)), share_a_line((10.0, 50.0)), share_a_line((10.0, 100.0))
    (True, True, False)
    """
    apart = np.deg2rad(azimuths_deg[1] - azimuths_deg[0])
    return bool(np.isfinite(apart) and abs(np.cos(apart)) >= LEAST_COSINE - 1e-9)


def joint_distances(
    radius_mm: float,
    radius_sd_mm: float,
    lengths_mm: tuple[float, float],
    *,
    apart_deg: float = 180.0,
    no_arcs: tuple[bool, bool] = (False, False),
) -> tuple[Array, Array]:
    """Joint distances of two cores of one stem to its pith.

    Parameters
    ----------
    radius_mm, radius_sd_mm : float
        Inside-bark radius and its standard deviation [mm].
    lengths_mm : tuple of float
        Lengths of the two cores inside bark [mm].
    apart_deg : float, default 180
        Angle between the two azimuths [degrees]; 180 for opposite cores.
    no_arcs : tuple of bool
        Whether the inner rings of each core were looked at and do not curve.

    Returns
    -------
    weights : numpy.ndarray, shape (m,)
        Probabilities of the joint cases, summing to 1.
    distances_mm : numpy.ndarray, shape (m, 2)
        Distance of either core's end to the pith in each case [mm].

    Raises
    ------
    InputError
        If the radius is not above 0.

    Notes
    -----
    A pith that is nearer to one of two opposite ends is farther from the other; from two ends side by side it is near
    or far for both. Normal offset in the plane with 9 by 9 Gauss-Hermite nodes, radius with 3 (choice: tested against
    Monte Carlo). Cases in which a core would have passed the pith are left out.

    References
    ----------
    .. [1] Own derivation; size of the offset: `priors.ECCENTRICITY`.

    Examples
    --------
    >>> weights, distances = joint_distances(150.0, 2.0, (110.0, 100.0))
    >>> total = distances.sum(axis=1)
    >>> spread = lambda x: float(np.sqrt(weights @ (x - weights @ x) ** 2))
    >>> spread(total) < 0.5 * (spread(distances[:, 0]) ** 2 + spread(distances[:, 1]) ** 2) ** 0.5
    True
    """
    require_positive("joint_distances", radius_mm=radius_mm)
    points, weights = np.polynomial.hermite_e.hermegauss(9)
    few, few_weights = np.polynomial.hermite_e.hermegauss(3)
    along, across, error = (grid.ravel() for grid in np.meshgrid(points, points, few, indexing="ij"))
    weight = (weights[:, None, None] * weights[None, :, None] * few_weights[None, None, :]).ravel()
    offset = OFFSET_SHARE * radius_mm
    radius = radius_mm + radius_sd_mm * error
    distances = np.empty((weight.size, 2))
    for core, (azimuth, length) in enumerate(zip(np.deg2rad([0.0, apart_deg]), lengths_mm, strict=True)):
        east, north = np.cos(azimuth), np.sin(azimuth)
        ahead = radius - length - offset * (along * east + across * north)
        aside = offset * (across * east - along * north)
        distances[:, core] = np.hypot(ahead, aside)
        weight = np.where(ahead > 0, weight, 0.0)
        if no_arcs[core]:
            weight = weight * np.interp(distances[:, core], DISTANCE_GRID_MM, unseen_curvature()[0])
    if weight.sum() <= 0:
        weight = np.ones_like(weight)
    used = weight > _NEGLIGIBLE * weight.max()
    return weight[used] / weight[used].sum(), distances[used]
