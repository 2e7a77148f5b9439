"""Radius of the stem and length of the core [mm], and two cores of one stem that see one eccentric pith.

Own derivation: a pith offset that is normal in the plane, of the published mean size (`priors.ECCENTRICITY`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage import priors
from treeage.distance.seen import DISTANCE_GRID_MM, unseen_curvature
from treeage.errors import require_nonnegative, require_positive
from treeage.schema import horizontal_share

Array = NDArray[np.float64]

LEAST_COSINE = 0.5  # choice: cores within 60 degrees of one line; simulation finds others as good as independent
_NEGLIGIBLE = 3e-3  # choice: joint cases that hold less of the likeliest change no printed figure


# ------------------------------------------------------------------ tape and calliper


def inside_radius(
    diameter_cm: ArrayLike, bark_mm: ArrayLike | None = None, bark_sd_mm: ArrayLike | None = None
) -> tuple[Array, Array]:
    """Inside-bark radius and its standard deviation from an outside diameter and single bark.

    Parameters
    ----------
    diameter_cm : array-like, shape (n,)
        Diameter outside bark at the coring height [cm], above 0.
    bark_mm : array-like, shape (n,), optional
        Single bark thickness [mm]; NaN or not given: `priors.BARK_SHARE` of the radius.
    bark_sd_mm : array-like, shape (n,), optional
        Its standard deviation [mm]; NaN or not given: a share of the bark from `priors`.

    Returns
    -------
    tuple of numpy.ndarray, each shape (n,)
        Radius inside bark [mm] and its standard deviation [mm].

    Raises
    ------
    InputError
        If a diameter is not above 0.

    Notes
    -----
    The variance adds bark error and the error of a girth on stems that are not round.

    References
    ----------
    .. [1] Southern Regional Extension Forestry handbook (outside 12.0 in, bark 0.50 in: inside 11.0 in).

    Examples
    --------
    >>> radius, sd = inside_radius(30.48, 12.7)
    >>> round(2 * float(radius[0]) / 25.4, 2)
    11.0
    """
    require_positive("inside_radius", diameter_cm=diameter_cm)
    outside = np.atleast_1d(np.asarray(diameter_cm, dtype=np.float64)) * 5.0
    given = np.full_like(outside, np.nan) if bark_mm is None else np.broadcast_to(bark_mm, outside.shape)
    given_sd = np.full_like(outside, np.nan) if bark_sd_mm is None else np.broadcast_to(bark_sd_mm, outside.shape)
    known = np.isfinite(given)
    bark = np.where(known, given, priors.BARK_SHARE.value * outside)
    default_sd = np.where(known, priors.BARK_SD_SHARE.value * bark, priors.BARK_SHARE_SD.value * outside)
    bark_sd = np.where(np.isfinite(given_sd), given_sd, default_sd)
    radius = np.maximum(outside - bark, 0.0)
    return radius, np.hypot(bark_sd, priors.DIAMETER_SHARE.value * radius)


def radial_length(length_mm: ArrayLike, *, tilt_deg: ArrayLike = 0.0, shrinkage_percent: ArrayLike = 0.0) -> Array:
    """Horizontal green length of a core that was bored at a tilt and measured dry.

    Parameters
    ----------
    length_mm : array-like, shape (n,) or scalar
        Length along the core [mm], at least 0; or ring widths, or 1 for the factor on them.
    tilt_deg : array-like, default 0
        Angle of the core to the horizontal [degree], 0 to below 90.
    shrinkage_percent : array-like, default 0
        Radial shrinkage from green to the state measured [%].

    Returns
    -------
    numpy.ndarray, shape (n,) or ()
        length * cos(tilt) / (1 - shrinkage / 100) [mm]. The ring count does not change.

    Raises
    ------
    InputError
        If a value is below 0.

    References
    ----------
    .. [1] Wood Handbook, USDA Forest Service GTR-190, Table 4-3 (radial shrinkage).

    Examples
    --------
    >>> round(float(radial_length(250, tilt_deg=15)), 2)
    241.48
    """
    length, tilt, shrink = require_nonnegative(
        "radial_length", length_mm=length_mm, tilt_deg=tilt_deg, shrinkage_percent=shrinkage_percent
    )
    return np.asarray(length * horizontal_share(tilt) / (1 - shrink / 100))


def off_axis_radius(along_mm: ArrayLike, miss_mm: ArrayLike) -> Array:
    """Distance to the pith of a point on a core that passes beside the pith.

    Parameters
    ----------
    along_mm : array-like, shape (n,) or scalar
        Distance along the core from its point closest to the pith [mm], at least 0.
    miss_mm : array-like, shape (n,) or scalar
        Distance of that closest point to the pith [mm], at least 0.

    Returns
    -------
    numpy.ndarray, shape (n,) or ()
        sqrt(along**2 + miss**2) [mm]; differences of it are the true ring widths.

    Raises
    ------
    InputError
        If a value is below 0.

    Notes
    -----
    A core that passes the pith at 5 mm shows a ring from 10 to 12 mm as 2.00 mm wide; it is 1.82 mm.

    Examples
    --------
    >>> inner, outer = off_axis_radius([10.0, 12.0], 5.0)
    >>> round(float(outer - inner), 3)
    1.82
    """
    along, miss = require_nonnegative("off_axis_radius", along_mm=along_mm, miss_mm=miss_mm)
    return np.asarray(np.hypot(along, miss))


# ------------------------------------------------------------------ two cores of one stem


def offset_share() -> float:
    """Scale of the offset of the pith in each direction, as a share of the radius."""
    return float(priors.ECCENTRICITY.value / np.sqrt(np.pi / 2))  # a Rayleigh mean is sqrt(pi/2) of its scale


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
    eccentricity: ArrayLike = (0.0,),
    sight: ArrayLike = (0.0,),
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
    eccentricity, sight : array-like, shape (n_node,)
        Log factors as in `AimErrors`.

    Returns
    -------
    weights : numpy.ndarray, shape (n_node, m)
        Probabilities of the joint cases at each node, summing to 1.
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
    Monte Carlo). Cases in which a core would have passed the pith are left out. Own derivation; size of the offset:
    `priors.ECCENTRICITY`.

    Examples
    --------
    >>> weights, distances = joint_distances(150.0, 2.0, (110.0, 100.0))
    >>> total = distances.sum(axis=1)
    >>> spread = lambda x: float(np.sqrt(weights[0] @ (x - weights[0] @ x) ** 2))
    >>> spread(total) < 0.5 * (spread(distances[:, 0]) ** 2 + spread(distances[:, 1]) ** 2) ** 0.5
    True
    """
    require_positive("joint_distances", radius_mm=radius_mm)
    points, weights = np.polynomial.hermite_e.hermegauss(9)
    few, few_weights = np.polynomial.hermite_e.hermegauss(3)
    along, across, error = (grid.ravel() for grid in np.meshgrid(points, points, few, indexing="ij"))
    weight = (weights[:, None, None] * weights[None, :, None] * few_weights[None, None, :]).ravel()
    # an offset larger by a factor is the same places with other weights: the ratio of two normal densities
    narrow = np.exp(-2 * np.asarray(eccentricity, dtype=np.float64))[:, None]
    weight = weight * narrow * np.exp(-0.5 * (narrow - 1) * (along**2 + across**2))
    offset = offset_share() * radius_mm
    radius = radius_mm + radius_sd_mm * error
    distances = np.empty((radius.size, 2))
    for core, (azimuth, length) in enumerate(zip(np.deg2rad([0.0, apart_deg]), lengths_mm, strict=True)):
        east, north = np.cos(azimuth), np.sin(azimuth)
        ahead = radius - length - offset * (along * east + across * north)
        aside = offset * (across * east - along * north)
        distances[:, core] = np.hypot(ahead, aside)
        weight = np.where(ahead > 0, weight, 0.0)
        if no_arcs[core]:
            seen = [unseen_curvature(sight=float(node))[0] for node in np.atleast_1d(sight)]
            weight = weight * np.stack([np.interp(distances[:, core], DISTANCE_GRID_MM, each) for each in seen])
    weight = np.where(weight.sum(axis=1, keepdims=True) > 0, weight, 1.0)
    weight = weight / weight.sum(axis=1, keepdims=True)
    used = weight.max(axis=0) > _NEGLIGIBLE * weight.max()
    return weight[:, used] / weight[:, used].sum(axis=1, keepdims=True), distances[used]
