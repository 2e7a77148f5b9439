"""Distance to the pith [mm] where the wood shows nothing: radius minus core length, with an eccentric pith.

Layer 2. Own derivation: a pith offset that is normal in the plane, of the published mean size (`priors.ECCENTRICITY`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage import priors
from treeage.errors import require_nonnegative, require_positive
from treeage.grids import DISTANCE_GRID_MM

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
