"""Distance of every core to the pith [mm]: all its sources together, and radius less length with an eccentric pith.

Own derivation: a pith offset that is normal in the plane, of the published mean size (`priors.ECCENTRICITY`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage import priors
from treeage.distance.seen import (
    DISTANCE_GRID_MM,
    DistanceSource,
    as_column,
    conflict_probability,
    distance_mass,
    unseen_curvature,
)
from treeage.errors import require_nonnegative, require_positive
from treeage.schema import InnerEnd, horizontal_share

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Readings = Mapping[DistanceSource, tuple[Flags, Array]]

_SOURCE_CONFLICT = 0.01  # choice: two sources of one core are reported below this predictive p value
_DEFAULT_RADIUS_MM = 150.0  # choice: radius assumed for the miss of an aimed core when the tree has no diameter at all
OFFSET_SHARE = priors.ECCENTRICITY.value / np.sqrt(np.pi / 2)  # a Rayleigh mean is sqrt(pi/2) of its scale
LEAST_COSINE = 0.5  # choice: cores within 60 degrees of one line; simulation finds others as good as independent
_NEGLIGIBLE = 3e-3  # choice: joint cases that hold less of the likeliest change no printed figure
_ANGLES, _WEIGHTS = np.polynomial.legendre.leggauss(24)
_ANGLES, _WEIGHTS = (_ANGLES + 1) * np.pi / 4, _WEIGHTS * np.pi / 4  # 0 to a right angle


# ------------------------------------------------------------------ all sources of a core


@dataclass(frozen=True, eq=False)
class CoreDistances:
    """Distances of many cores to the pith, and what they rest on.

    Parameters
    ----------
    mass : numpy.ndarray, shape (n_core, n_grid)
        On `DISTANCE_GRID_MM`; all at 0 with the pith on the core, a row of zeros where nothing bounds the distance.
    source : tuple of DistanceSource
        One a core.
    beyond_diameter : numpy.ndarray of bool, shape (n_core,)
        What was seen lies beyond the geometric limit: the wood was believed, the diameter not.
    disagree : numpy.ndarray of bool, shape (n_core,)
        Two sources of the core disagree more than their errors allow.
    """

    mass: Array
    source: tuple[DistanceSource, ...]
    beyond_diameter: Flags
    disagree: Flags


def core_distances(
    inner_end: NDArray[np.object_],
    seen_by: Readings,
    radius_mm: Array,
    radius_sd_mm: Array,
    length_mm: Array,
    *,
    visible_mm: Array | None = None,
) -> CoreDistances:
    """Combine what is known of the distance of every core: readings at the inner end, else radius less length.

    Parameters
    ----------
    inner_end : numpy.ndarray of str, shape (n_core,)
        Words of `InnerEnd`.
    seen_by : mapping of DistanceSource to (numpy.ndarray of bool, numpy.ndarray)
        For every kind of reading the cores that have it, shape (n_core,), and its likelihood for these.
    radius_mm, radius_sd_mm, length_mm : numpy.ndarray, shape (n_core,)
        Inside-bark radius and its standard deviation, and horizontal length inside bark [mm]; NaN where not known.
    visible_mm : numpy.ndarray, shape (n_core,), optional
        Sum of the visible widths [mm], which stands for a radius that is not known; 0 where there is none.

    Returns
    -------
    CoreDistances
        One row a core.

    Notes
    -----
    A core with a reading was aimed at the pith: the density of an aimed core times the likelihoods. One without is
    radius less length with an eccentric pith; intact ends without arcs add that no curvature was seen.
    """
    pith = inner_end == InnerEnd.PITH
    seen = np.any([rows for rows, _ in seen_by.values()], axis=0) & ~pith if seen_by else np.zeros_like(pith)
    by_length = ~seen & ~pith & np.isfinite(radius_mm) & np.isfinite(length_mm)
    density = np.zeros((pith.size, DISTANCE_GRID_MM.size))
    if by_length.any():
        density[by_length] = short_core_density(*(each[by_length] for each in (radius_mm, radius_sd_mm, length_mm)))
    if seen.any():
        visible = np.zeros(pith.size) if visible_mm is None else visible_mm
        assumed = np.where(np.isfinite(radius_mm), radius_mm, np.where(visible > 0, visible, np.nan_to_num(length_mm)))
        assumed = np.where(assumed > 0, assumed, _DEFAULT_RADIUS_MM)
        spread = np.where(np.isfinite(radius_sd_mm), radius_sd_mm, assumed / 3)  # choice: a third of a guessed radius
        reach = np.where(np.isfinite(radius_mm), length_mm, np.nan)
        density[seen] = aimed_core_density(assumed[seen], spread[seen], reach[seen])
    no_arcs = ~seen & (inner_end == InnerEnd.NO_ARCS)
    likelihoods = [_among_ones(rows, values) for rows, values in seen_by.values()]
    likelihoods.append(_among_ones(no_arcs, unseen_curvature(int(no_arcs.sum()))))
    mass = distance_mass(density, likelihoods)
    beyond = seen & (mass.sum(axis=1) <= 0)
    mass[beyond] = distance_mass(np.ones_like(density), likelihoods)[beyond]
    mass[pith] = 0.0
    mass[pith, 0] = 1.0
    source = np.full(pith.size, DistanceSource.NOTHING, dtype=object)
    for kind, (rows, _) in seen_by.items():
        source[rows] |= kind
    source[by_length] = DistanceSource.RADIUS_LESS_LENGTH
    source[pith] = DistanceSource.PITH
    return CoreDistances(mass, tuple(source), beyond, _disagree(seen_by, np.maximum(density, 1e-12)))


def _among_ones(rows: Flags, values: Array) -> Array:
    """Values of some rows among ones for the others."""
    out = np.ones((rows.size, DISTANCE_GRID_MM.size))
    out[rows] = values
    return out


def _disagree(seen_by: Readings, density: Array) -> Flags:
    """Cores whose readings disagree more than their errors allow."""
    odd, every = np.zeros(len(density), dtype=bool), list(seen_by.values())
    for place, (rows, values) in enumerate(every):
        for other_rows, other_values in every[place + 1 :]:
            both = rows & other_rows
            if both.any():
                first = distance_mass(density[both], [_among_ones(rows, values)[both]])
                second = distance_mass(density[both], [_among_ones(other_rows, other_values)[both]])
                odd[both] |= conflict_probability(first, second) < _SOURCE_CONFLICT
    return odd


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


# ------------------------------------------------------------------ densities


def short_core_density(radius_mm: ArrayLike, radius_sd_mm: ArrayLike, length_mm: ArrayLike) -> Array:
    """Density of the distance from the inner end of a core that stopped short of the pith.

    Parameters
    ----------
    radius_mm, radius_sd_mm : array-like, shape (n,)
        Inside-bark radius at the coring height and its standard deviation [mm].
    length_mm : array-like, shape (n,)
        Length of the core inside bark, horizontal and green [mm].

    Returns
    -------
    numpy.ndarray, shape (n, n_grid)
        Density per mm on `DISTANCE_GRID_MM` (not scaled to 1 where the core is longer than the radius).

    Raises
    ------
    InputError
        If a radius is not above 0 or a length below 0.

    Notes
    -----
    The core lies on a line through the geometric centre and ends g = radius - length before it. The pith lies off
    the centre by a normal offset in the plane, mean size `priors.ECCENTRICITY` of the radius, with the radius error
    added along the core. The distance is that of the core's end to the pith, given that the pith lies
    beyond the end. It assumes a core aimed at the centre; slope and lean shift the pith one way, which
    the isotropic offset only covers by its spread.

    References
    ----------
    .. [1] Renvall 1923, Acta For. Fenn. 26; Woodall 2008, Tree-Ring Research 64 (size of the offset).

    Examples
    --------
    >>> density = short_core_density(185.0, 1.0, 170.0)
    >>> mass = density[0] * np.gradient(DISTANCE_GRID_MM)
    >>> total = np.cumsum(mass / mass.sum())
    >>> [round(float(np.interp(p, total, DISTANCE_GRID_MM))) for p in (0.05, 0.95)]
    [8, 54]
    """
    require_positive("short_core_density", radius_mm=radius_mm)
    require_nonnegative("short_core_density", radius_sd_mm=radius_sd_mm, length_mm=length_mm)
    radius = as_column(radius_mm)
    across = (OFFSET_SHARE * radius)[:, :, None]
    along = np.hypot(across, as_column(radius_sd_mm)[:, :, None])
    short = (radius - as_column(length_mm))[:, :, None]
    grid = DISTANCE_GRID_MM[None, :, None]
    ahead = (short - grid * np.cos(_ANGLES)) / along
    aside = grid * np.sin(_ANGLES) / across
    density: Array = (np.exp(-0.5 * (ahead**2 + aside**2)) @ _WEIGHTS) * (DISTANCE_GRID_MM / (across * along)[:, :, 0])
    return density


def aimed_core_density(radius_mm: ArrayLike, radius_sd_mm: ArrayLike, length_mm: ArrayLike) -> Array:
    """Density of the distance for a core whose inner rings curve: it was aimed well or passed beside the pith.

    Parameters
    ----------
    radius_mm, radius_sd_mm : array-like, shape (n,)
        Inside-bark radius at the coring height and its standard deviation [mm].
    length_mm : array-like, shape (n,)
        Length of the core inside bark to the innermost counted ring [mm]; NaN: not known.

    Returns
    -------
    numpy.ndarray, shape (n, n_grid)
        Density on `DISTANCE_GRID_MM`, not scaled; 0 beyond the geometric limit.

    Raises
    ------
    InputError
        If a radius is not above 0.

    Notes
    -----
    The sideways miss is of the size of the pith's offset, the lengthwise one that of the shortfall, with tails of a t
    with `priors.AIM_TAIL_DF` degrees of freedom. The geometric limit is what is left of the diameter behind the core
    (twice the radius where the length is unknown). This is the weak statement that the arc is multiplied with; with a
    flat arc it is all there is. Own derivation; size of the offset as in `short_core_density`.

    Examples
    --------
    >>> density = aimed_core_density(150.0, 3.0, 150.0)
    >>> bool(density[0][DISTANCE_GRID_MM > 160].max() == 0)
    True
    """
    require_positive("aimed_core_density", radius_mm=radius_mm)
    radius, sd = as_column(radius_mm), as_column(radius_sd_mm)
    length = as_column(length_mm)
    known = np.isfinite(length)
    short = np.where(known, np.maximum(radius - length, 0.0), 0.0)
    scale = np.sqrt((OFFSET_SHARE * radius) ** 2 + short**2 + sd**2)
    limit = np.where(known, 2 * radius - length, 2 * radius)
    limit = np.maximum(limit, 0.0) + sd
    df = priors.AIM_TAIL_DF.value
    density = (1 + (DISTANCE_GRID_MM[None, :] / scale) ** 2 / df) ** (-(df + 1) / 2)
    inside: Array = np.where(DISTANCE_GRID_MM[None, :] <= limit, density, 0.0)
    return inside


# ------------------------------------------------------------------ two cores of one stem


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
    Monte Carlo). Cases in which a core would have passed the pith are left out. Own derivation; size of the offset:
    `priors.ECCENTRICITY`.

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
