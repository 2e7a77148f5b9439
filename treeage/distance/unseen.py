"""Distance to the pith [mm] where the wood shows nothing: radius minus core length, with an eccentric pith.

Own derivation: a pith offset that is normal in the plane, of the published mean size (`priors.ECCENTRICITY`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from treeage import priors
from treeage.errors import Fault, InputError, require_nonnegative, require_positive


def rise_at(distance: Array, chord: Array) -> Array:
    """Rise of an arc of the given chord on circles of the given radii; half a circle at most."""
    radius = np.maximum(distance, chord / 2)
    rise: Array = radius - np.sqrt(np.maximum(radius**2 - chord**2 / 4, 0.0))
    return rise


def unseen_curvature(count: int = 1) -> Array:
    """Likelihood of the distance when rings were looked at and no curvature was seen.

    Parameters
    ----------
    count : int, default 1
        How many rows.

    Returns
    -------
    numpy.ndarray, shape (count, n_grid)
        Probability that an arc across the core goes unnoticed, on `DISTANCE_GRID_MM`.

    Notes
    -----
    The rise across a core of `priors.CORE_WIDTH` falls below what half of the observers notice at about 20 mm; the
    share `priors.CURVATURE_OVERLOOKED` of the entries says nothing about curvature at all.

    References
    ----------
    .. [1] Own derivation from the arc's sensitivity; see `priors.CURVATURE_SEEN`.

    Examples
    --------
    >>> seen = 1 - unseen_curvature()[0]
    >>> bool(seen[DISTANCE_GRID_MM > 5][0] > 0.7), bool(seen[DISTANCE_GRID_MM > 60][0] < 0.05)
    (True, True)
    """
    rise = rise_at(DISTANCE_GRID_MM[None, :], np.array([[priors.CORE_WIDTH.value]]))
    not_looked = priors.CURVATURE_OVERLOOKED.value
    unseen = not_looked + (1 - not_looked) * ndtr((priors.CURVATURE_SEEN.value - rise) / priors.CURVATURE_SEEN_SD.value)
    return np.repeat(unseen, count, axis=0)


DISTANCE_STEP = 0.04  # choice: step of ln(distance); a tenth of the spread of the log growth rate
DISTANCE_LOW_MM = 0.05  # choice: below one narrow ring
DISTANCE_HIGH_MM = 1500.0  # choice: more than the radius of nearly any cored tree

_STEPS = int(np.ceil(np.log(DISTANCE_HIGH_MM / DISTANCE_LOW_MM) / DISTANCE_STEP))


def _distance_grid() -> NDArray[np.float64]:
    grid = np.concatenate([[0.0], DISTANCE_LOW_MM * np.exp(DISTANCE_STEP * np.arange(_STEPS + 1))])
    grid.flags.writeable = False
    return grid


DISTANCE_GRID_MM: NDArray[np.float64] = _distance_grid()
"""Distances to the pith [mm]: 0 (the pith itself) and then even steps of the logarithm."""


Array = NDArray[np.float64]

_ANGLES, _WEIGHTS = np.polynomial.legendre.leggauss(24)
_ANGLES, _WEIGHTS = (_ANGLES + 1) * np.pi / 4, _WEIGHTS * np.pi / 4  # 0 to a right angle
OFFSET_SHARE = priors.ECCENTRICITY.value / np.sqrt(np.pi / 2)  # a Rayleigh mean is sqrt(pi/2) of its scale


def _column(value: ArrayLike) -> Array:
    return np.atleast_1d(np.asarray(value, dtype=np.float64))[:, None]


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
    radius = _column(radius_mm)
    across = (OFFSET_SHARE * radius)[:, :, None]
    along = np.hypot(across, _column(radius_sd_mm)[:, :, None])
    short = (radius - _column(length_mm))[:, :, None]
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
    The sideways miss is of the size of the pith's offset, the lengthwise one that of the shortfall, with tails of a
    t with `priors.AIM_TAIL_DF` degrees of freedom. The geometric limit is what is left of the diameter behind the core
    (twice the radius where the length is unknown). This is the weak statement that the arc is multiplied with; with a
    flat arc it is all there is.

    References
    ----------
    .. [1] Own derivation; size of the offset as in `short_core_density`.

    Examples
    --------
    >>> density = aimed_core_density(150.0, 3.0, 150.0)
    >>> bool(density[0][DISTANCE_GRID_MM > 160].max() == 0)
    True
    """
    require_positive("aimed_core_density", radius_mm=radius_mm)
    radius, sd = _column(radius_mm), _column(radius_sd_mm)
    length = _column(length_mm)
    known = np.isfinite(length)
    short = np.where(known, np.maximum(radius - length, 0.0), 0.0)
    scale = np.sqrt((OFFSET_SHARE * radius) ** 2 + short**2 + sd**2)
    limit = np.where(known, 2 * radius - length, 2 * radius)
    limit = np.maximum(limit, 0.0) + sd
    df = priors.AIM_TAIL_DF.value
    density = (1 + (DISTANCE_GRID_MM[None, :] / scale) ** 2 / df) ** (-(df + 1) / 2)
    inside: Array = np.where(DISTANCE_GRID_MM[None, :] <= limit, density, 0.0)
    return inside


def grid_cells() -> Array:
    """Width of the grid's cells.

    Returns
    -------
    numpy.ndarray, shape (n_grid,)
        Widths [mm]; the pith itself (index 0) has the little cell below the first step.

    Examples
    --------
    >>> bool(abs(grid_cells().sum() - DISTANCE_GRID_MM[-1]) / DISTANCE_GRID_MM[-1] < 0.03)
    True
    """
    edges = np.concatenate([[0.0], (DISTANCE_GRID_MM[1:] + DISTANCE_GRID_MM[:-1]) / 2, DISTANCE_GRID_MM[-1:] * 1.02])
    return np.diff(edges)


def distance_mass(density: Array, likelihoods: list[Array]) -> Array:
    """Combine the sources of each core into one mass function over the grid.

    Parameters
    ----------
    density : numpy.ndarray, shape (n, n_grid)
        What is known before looking at the wood: a density per mm, of any scale.
    likelihoods : list of numpy.ndarray, each shape (n, n_grid)
        Independent sources; a row of ones is a source that says nothing.

    Returns
    -------
    numpy.ndarray, shape (n, n_grid)
        Mass on `DISTANCE_GRID_MM`, each row summing to 1; a row of zeros where the sources exclude each other.

    Notes
    -----
    Likelihoods are multiplied, never posteriors: the density enters once.

    Examples
    --------
    >>> flat = np.ones((1, DISTANCE_GRID_MM.size))
    >>> round(float(distance_mass(flat, [flat]).sum()), 6)
    1.0
    """
    mass = density * grid_cells()
    for likelihood in likelihoods:
        mass = mass * likelihood
    total = mass.sum(axis=1, keepdims=True)
    scaled: Array = mass / np.where(total > 0, total, 1.0)
    return scaled


def conflict_probability(first: Array, second: Array) -> Array:
    """Predictive p value of two mass functions for the same distance.

    Parameters
    ----------
    first, second : numpy.ndarray, shape (n, n_grid)
        Mass functions, each from one source alone.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Twice the smaller of P(first <= second) and P(first >= second), at most 1; small means conflict.

    Examples
    --------
    >>> a, b = np.zeros((2, 1, DISTANCE_GRID_MM.size))
    >>> a[0, 50] = b[0, 90] = 1.0
    >>> float(conflict_probability(a, b)[0]), float(conflict_probability(a, a)[0])
    (0.0, 1.0)
    """
    below = np.cumsum(second, axis=1)
    second_at_most = (first * below).sum(axis=1)
    second_at_least = (first * (1 - below + second)).sum(axis=1)
    p_value: Array = np.minimum(1.0, 2 * np.minimum(second_at_most, second_at_least))
    return p_value


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


def arc_radius(chord_mm: ArrayLike, rise_mm: ArrayLike) -> Array:
    """Radius of the circle through an arc, from its chord and its rise.

    Parameters
    ----------
    chord_mm : array-like, shape (n,) or scalar
        Straight distance between the two ends of the arc [mm], above 0.
    rise_mm : array-like, shape (n,) or scalar
        Largest distance from the chord to the arc [mm], above 0 and at most half the chord.

    Returns
    -------
    numpy.ndarray, shape (n,) or ()
        Radius [mm] of the circle, at least half the chord.

    Raises
    ------
    InputError
        If a chord or rise is not above 0, the rise is above half the chord (past a half circle), or their numbers
        differ.

    Notes
    -----
    With chord c and rise h, the radius is r = h/2 + c**2 / (8 h) [1]_. It assumes a circle. For flat arcs
    the error grows quickly: an error e in h moves r by about e c**2 / (8 h**2), so carry it as a
    distribution (`arc_likelihood`).

    References
    ----------
    .. [1] Euclid, *Elements*, Book III, Proposition 35 (chords that cross).

    Examples
    --------
    A 3-4-5 triangle gives a circle of radius 5.

    >>> float(arc_radius(chord_mm=8.0, rise_mm=2.0))
    5.0
    """
    chord, rise = require_positive("arc_radius", chord_mm=chord_mm, rise_mm=rise_mm)
    if chord.ndim and rise.ndim and chord.shape != rise.shape:
        many = f"{chord.size} chords and {rise.size} rises"
        raise InputError(Fault(many, "one rise for each chord", "Pass as many of both.", "arc_radius", 0, "rise_mm"))
    if np.any(rise > chord / 2 * (1 + 1e-9)):
        worst = np.broadcast_to(rise, np.broadcast_shapes(rise.shape, chord.shape))
        got = float(np.atleast_1d(worst)[np.argmax(np.atleast_1d(rise - chord / 2))])
        raise InputError(
            Fault(f"{got:g}", "at most half the chord [mm]", "Check chord and rise.", "arc_radius", 0, "rise_mm")
        )
    return np.asarray(rise / 2 + chord**2 / (8 * rise))


def ray_distance(gap_mm: ArrayLike, angle_deg: ArrayLike) -> Array:
    """Distance to the point where two wood rays meet, from their gap and the angle between them.

    Parameters
    ----------
    gap_mm : array-like, shape (n,) or scalar
        Distance between the rays, square to their bisector [mm], above 0.
    angle_deg : array-like, shape (n,) or scalar
        Angle between the rays [degree], above 0.

    Returns
    -------
    numpy.ndarray, shape (n,) or ()
        Distance [mm] from where the gap was measured to the pith.

    Raises
    ------
    InputError
        If a gap or angle is not above 0.

    Notes
    -----
    d = (gap / 2) / tan(angle / 2). Rays point at the pith also in eccentric stems [1]_; curved rays break it.

    References
    ----------
    .. [1] Rozas V. 2003, Plant Ecology 167, doi 10.1023/A:1023969822044 (abstract).

    Examples
    --------
    >>> round(float(ray_distance(gap_mm=5.0, angle_deg=10.0)), 2)
    28.58
    """
    gap, angle = require_positive("ray_distance", gap_mm=gap_mm, angle_deg=angle_deg)
    return np.asarray(gap / 2 / np.tan(np.deg2rad(angle) / 2))


def radial_length(length_mm: ArrayLike, *, tilt_deg: ArrayLike = 0.0, shrinkage_percent: ArrayLike = 0.0) -> Array:
    """Horizontal green length of a core that was bored at a tilt and measured dry.

    Parameters
    ----------
    length_mm : array-like, shape (n,) or scalar
        Length along the core [mm], at least 0. Ring widths may be passed too.
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
    return np.asarray(length * np.cos(np.deg2rad(tilt)) / (1 - shrink / 100))


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
