"""The grid of distances to the pith [mm], its masses, the sources and their conflict, and likelihoods of what is seen.

Plane geometry of arcs, circles and rays; the errors of reading as in the publications named in `priors`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Flag, auto
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from treeage import priors
from treeage.errors import Fault, InputError, public, real_numbers, require_nonnegative, require_positive
from treeage.schema import column_numbers, horizontal_share

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

LARGEST_MM = 1e6  # choice: no arc of a ring is longer, and none that was read is flatter than its inverse
_AT_PITH = 0.5  # choice: rows with more than this at the pith itself are pith hits
DISTANCE_STEP = 0.04  # choice: step of ln(distance); a tenth of the spread of the log growth rate
_LOW_MM = 0.05  # choice: below one narrow ring
_HIGH_MM = 1500.0  # choice: more than the radius of nearly any cored tree


def _distance_grid() -> Array:
    steps = int(np.ceil(np.log(_HIGH_MM / _LOW_MM) / DISTANCE_STEP))
    grid = np.concatenate([[0.0], _LOW_MM * np.exp(DISTANCE_STEP * np.arange(steps + 1))])
    grid.flags.writeable = False
    return grid


DISTANCE_GRID_MM: Array = _distance_grid()
"""Distances to the pith [mm]: 0 (the pith itself) and then even steps of the logarithm."""


class DistanceSource(Flag):
    """What the distance of a core to the pith rests on; several sources of one core are joined with ``|``.

    Notes
    -----
    Computations ask for members, never for words; `source_words` may be reworded without changing a number. The
    members stand in the order in which the words are joined.

    Examples
    --------
    >>> both = DistanceSource.RAYS | DistanceSource.ARC
    >>> DistanceSource.ARC in both, DistanceSource.NOTHING == DistanceSource(0)
    (True, True)
    """

    NOTHING = 0
    PITH = auto()
    ARC = auto()
    SEVERAL_ARCS = auto()
    CIRCLE = auto()
    RAYS = auto()
    DIRECT = auto()
    POINTS = auto()
    RADIUS_LESS_LENGTH = auto()

    def __str__(self) -> str:
        return source_words(self)


_WORDS = {
    DistanceSource.NOTHING: "none",
    DistanceSource.PITH: "pith on the core",
    DistanceSource.ARC: "arc",
    DistanceSource.SEVERAL_ARCS: "several arcs",
    DistanceSource.CIRCLE: "template circle",
    DistanceSource.RAYS: "rays",
    DistanceSource.DIRECT: "distance read",
    DistanceSource.POINTS: "digitised boundaries",
    DistanceSource.RADIUS_LESS_LENGTH: "radius less core length",
}


def source_words(source: DistanceSource) -> str:
    """Words for what a distance rests on.

    Parameters
    ----------
    source : DistanceSource
        One source, several, or none.

    Returns
    -------
    str
        The phrases of its members, joined with "and".

    Examples
    --------
    >>> source_words(DistanceSource.RAYS | DistanceSource.ARC), source_words(DistanceSource.NOTHING)
    ('arc and rays', 'none')
    """
    return " and ".join(_WORDS[one] for one in source) or _WORDS[DistanceSource.NOTHING]


def grid_cells(every: int = 1) -> Array:
    """Width of the grid's cells.

    Parameters
    ----------
    every : int, default 1
        Of a grid that holds one in so many of its places.

    Returns
    -------
    numpy.ndarray, shape (n_grid,)
        Widths [mm]; the pith itself (index 0) has the little cell below the first step.

    Examples
    --------
    >>> bool(abs(grid_cells().sum() - DISTANCE_GRID_MM[-1]) / DISTANCE_GRID_MM[-1] < 0.03)
    True
    """
    grid = DISTANCE_GRID_MM[::every]
    last = grid[-1:] * (1 + every * DISTANCE_STEP / 2)
    return np.diff(np.concatenate([[0.0], (grid[1:] + grid[:-1]) / 2, last]))


def on_grid(distance_mm: Array, *, every: int = 1) -> Array:
    """Known distances as masses on the grid.

    Parameters
    ----------
    distance_mm : numpy.ndarray, shape (n,)
        Distances [mm], at least 0.
    every : int, default 1
        Take only one in so many places of the grid (and the pith itself).

    Returns
    -------
    numpy.ndarray, shape (n, n_grid)
        Each split between its two neighbours on the grid, so that the mean is kept; beyond the grid at its end.

    Examples
    --------
    >>> round(float(on_grid(np.array([12.3]))[0] @ DISTANCE_GRID_MM), 6)
    12.3
    """
    mass = np.zeros((distance_mm.size, DISTANCE_GRID_MM.size))
    grid = DISTANCE_GRID_MM[::every]
    upper = np.clip(np.searchsorted(grid, distance_mm), 1, grid.size - 1)
    low, high = grid[upper - 1], grid[upper]
    part = np.clip((distance_mm - low) / (high - low), 0.0, 1.0)
    rows = np.arange(distance_mm.size)
    mass[rows, every * (upper - 1)] = 1 - part
    mass[rows, every * upper] += part
    return mass


def scale_distance(mass: Array, factor: Array) -> Array:
    """Widen or narrow the error of distances, mass (..., n_grid), by factors (...); rows sum to 1."""
    # The density per mm is raised to the power 1 / factor**2. For normal errors this is exactly an error of factor
    # times the size; for skewed ones it keeps the shape that the reading gave. A mass at the pith itself is left alone.
    cells = grid_cells()
    with np.errstate(divide="ignore"):
        log_density = np.log(np.maximum(mass, 0.0) / cells)
    top = log_density.max(axis=-1, keepdims=True)
    out: Array = np.exp((log_density - top) / factor[..., None] ** 2) * cells
    out[..., 0] = np.where(mass[..., 0] < 1e-6, 0.0, out[..., 0])
    out /= out.sum(axis=-1, keepdims=True)
    alone = mass[..., 0] >= _AT_PITH
    out[alone] = mass[alone]
    return out


def draw_distances(mass: Array, count: int, rng: np.random.Generator) -> Array:
    """Draws from a mass on the grid, spread evenly over one step about each of its distances.

    Parameters
    ----------
    mass : numpy.ndarray, shape (n_grid,)
        Of one core, of any scale.
    count, rng : int and numpy.random.Generator
        Number of draws, and the source of randomness.

    Returns
    -------
    numpy.ndarray, shape (count,)
        Distances [mm], at least 0; the pith and the end of the grid are not spread.

    Examples
    --------
    >>> draw_distances(on_grid(np.zeros(1))[0], 2, np.random.default_rng(0)).tolist()
    [0.0, 0.0]
    """
    cell = rng.choice(mass.size, size=count, p=mass / mass.sum())
    step = np.concatenate([[0.0], np.diff(DISTANCE_GRID_MM[1:]), [0.0]])
    return np.asarray(np.maximum(DISTANCE_GRID_MM[cell] + (rng.random(count) - 0.5) * step[cell], 0.0))


def distance_mass(density: Array, likelihoods: Sequence[Array]) -> Array:
    """Combine the sources of each core into one mass function over the grid.

    Parameters
    ----------
    density : numpy.ndarray, shape (n, n_grid)
        What is known before looking at the wood: a density per mm, of any scale.
    likelihoods : sequence of numpy.ndarray, each shape (n, n_grid)
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
    # posterior.worst_pair is the same question of unscaled masses, whose two tails are averaged over shifts first
    below = np.cumsum(second, axis=1)
    second_at_most = (first * below).sum(axis=1)
    second_at_least = (first * (1 - below + second)).sum(axis=1)
    p_value: Array = np.minimum(1.0, 2 * np.minimum(second_at_most, second_at_least))
    return p_value


def as_column(value: ArrayLike) -> Array:
    """Values as a column, one row a core, to meet the grid."""
    return np.atleast_1d(real_numbers(value))[:, None]


# ------------------------------------------------------------------ arcs

_SQRT_TAU = np.sqrt(2 * np.pi)
# Roundness as thirteen narrow normals half a standard deviation apart: the spread of their places and half a step as
# the spread of each add up to its variance (choice; the sum is within 3 % of the normal)
_DEVIATIONS = np.linspace(-3, 3, 13)
_FACTOR_STEP = 0.25
_LOG_WEIGHTS = -0.5 * _DEVIATIONS**2 / (1 - _FACTOR_STEP**2)
_MOST_OVERLOOKED = 0.9  # choice: an observer who overlooks more than this sees nothing
_CHUNK = 64  # choice: arcs worked on at a time; keeps the arrays in the processor's cache
_POINT_SD_MM = 0.1  # choice: digitising error of a boundary where too few points are left to estimate it


@public
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
    if np.any(chord > LARGEST_MM) or np.any(rise < 1 / LARGEST_MM):
        need = f"chords up to {LARGEST_MM:g} and rises from {1 / LARGEST_MM:g} [mm]"
        raise InputError(Fault("no arc of a ring", need, "Check the unit.", "arc_radius", 0, "chord_mm, rise_mm"))
    if chord.ndim and rise.ndim and chord.shape != rise.shape:
        many = f"{chord.size} chords and {rise.size} rises"
        raise InputError(Fault(many, "one rise for each chord", "Pass as many of both.", "arc_radius", 0, "rise_mm"))
    if np.any(rise > chord / 2 * (1 + 1e-9)):
        worst = np.broadcast_to(rise, np.broadcast_shapes(rise.shape, chord.shape))
        got = float(np.ravel(worst)[np.argmax(rise - chord / 2)])
        need = "at most half the chord [mm]"
        raise InputError(Fault(f"{got:g}", need, "Check chord and rise.", "arc_radius", 0, "rise_mm"))
    return np.asarray(rise / 2 + chord**2 / (8 * rise))


def arc_rise(radius_mm: ArrayLike, chord_mm: ArrayLike) -> Array:
    """Rise of an arc of a given chord on a circle of a given radius.

    Parameters
    ----------
    radius_mm, chord_mm : array-like
        Radius and chord [mm], at least 0, of shapes that fit; a circle narrower than its chord counts as a half circle.

    Returns
    -------
    numpy.ndarray
        Rise [mm], half the chord at most.

    Examples
    --------
    >>> float(arc_rise(5.0, 8.0))
    2.0
    """
    chord = np.asarray(chord_mm, dtype=np.float64)
    radius = np.maximum(radius_mm, chord / 2)
    rise: Array = radius - np.sqrt(np.maximum(radius**2 - chord**2 / 4, 0.0))
    return rise


@public
def arc_likelihood(
    chord_mm: ArrayLike, rise_mm: ArrayLike, arc_sd_mm: ArrayLike | None = None, *, beyond_mm: ArrayLike = 0.0
) -> Array:
    """Likelihood of the distance to the pith from the chord and rise of an inner ring boundary.

    Parameters
    ----------
    chord_mm, rise_mm : array-like, shape (n,)
        Chord above 0 and rise of at least 0 [mm], as read; a rise of 0 is a straight boundary.
    arc_sd_mm : array-like, shape (n,), optional
        Reading error of the rise [mm]; `priors.ARC_SD` by default.
    beyond_mm : array-like, shape (n,), default 0
        How far outside the innermost counted ring's inner boundary the arc lies [mm].

    Returns
    -------
    numpy.ndarray, shape (n, n_grid)
        Likelihood on `DISTANCE_GRID_MM`, largest value 1 in each row.

    Raises
    ------
    InputError
        If a chord is not above 0 or a rise is below 0.

    Notes
    -----
    The error is on the reading: the rise predicted at each distance is held against the rise read, with a
    variance of (reading error)**2 + (chord error)**2 carried to the rise. The radius of the boundary is its distance to
    the pith times 1 + e with e normal of spread `priors.ROUNDNESS`, summed out. So the answer is
    skewed to the right, and a rise near 0 ends as no information (a flat likelihood far out), never as a
    huge number. Buttressed stems break it.

    References
    ----------
    .. [1] Baker P.J. et al. 2005, Ecol. Monogr. 75:317-343, Appendix B (use of the arc).

    Examples
    --------
    >>> likelihood = arc_likelihood(8.0, 2.0)
    >>> bool(abs(DISTANCE_GRID_MM[likelihood[0].argmax()] - 5) < 0.2)
    True
    """
    arcs = _read_arcs("arc_likelihood", chord_mm, rise_mm, arc_sd_mm)
    *arcs, beyond = np.broadcast_arrays(*arcs, as_column(beyond_mm))
    total = np.full((len(beyond), DISTANCE_GRID_MM.size), -np.inf)
    for first in range(0, len(beyond), _CHUNK):
        part = slice(first, first + _CHUNK)
        some, radius = [values[part] for values in arcs], DISTANCE_GRID_MM[None, :] + beyond[part]
        for factor, log_weight in _roundness():
            np.logaddexp(total[part], log_weight + _reading(some, radius * factor), out=total[part])
    return np.asarray(np.exp(total - total.max(axis=1, keepdims=True)))


def common_arcs_likelihood(
    chord_mm: ArrayLike, rise_mm: ArrayLike, arc_sd_mm: ArrayLike | None = None, *, beyond_mm: ArrayLike = 0.0
) -> Array:
    """Likelihood of the distance to the pith from several ring boundaries of one core together.

    Parameters
    ----------
    chord_mm, rise_mm, arc_sd_mm, beyond_mm : array-like, shape (n,)
        As in `arc_likelihood`, one value a boundary.

    Returns
    -------
    numpy.ndarray, shape (n_grid,)
        Likelihood on `DISTANCE_GRID_MM`, largest value 1.

    Raises
    ------
    InputError
        If a chord is not above 0 or a rise is below 0.

    Notes
    -----
    Reading errors are independent. The boundaries are circles round one centre, and that this centre is not the pith is
    one factor of the core, as in `point_likelihood`: neighbouring rings have the same shape. So more arcs narrow the
    reading error and never the roundness. One arc gives `arc_likelihood`. Own derivation.

    Examples
    --------
    The same arc read four times says little more than once.

    >>> one, four = arc_likelihood(8.0, 2.0)[0], common_arcs_likelihood([8.0] * 4, [2.0] * 4)
    >>> bool((one**4).sum() < four.sum() < one.sum())
    True
    """
    arcs = _read_arcs("common_arcs_likelihood", chord_mm, rise_mm, arc_sd_mm)
    beyond = as_column(beyond_mm)
    nearest = DISTANCE_GRID_MM[None, :] + beyond.min()
    total = np.full(DISTANCE_GRID_MM.size, -np.inf)
    for factor, log_weight in _roundness():
        each = _reading(arcs, nearest * factor + beyond - beyond.min())
        total = np.logaddexp(total, log_weight + each.sum(axis=0))
    return np.asarray(np.exp(total - total.max()))


def _read_arcs(where: str, chord_mm: ArrayLike, rise_mm: ArrayLike, arc_sd_mm: ArrayLike | None) -> list[Array]:
    """Chord, rise and reading error of arcs as columns, checked."""
    require_positive(where, chord_mm=chord_mm)
    require_nonnegative(where, rise_mm=rise_mm, **({} if arc_sd_mm is None else {"arc_sd_mm": arc_sd_mm}))
    reading = priors.ARC_SD.value if arc_sd_mm is None else arc_sd_mm
    return list(np.broadcast_arrays(as_column(chord_mm), as_column(rise_mm), as_column(reading)))


def arc_readings(chord_mm: Array, rise_mm: Array, arc_sd_mm: Array) -> Array:
    """Likelihood of arcs, (n,), at radii of curvature on the grid: reading errors alone, (n, n_grid)."""
    arcs = [as_column(values) for values in (chord_mm, rise_mm, arc_sd_mm)]
    return np.asarray(np.exp(_reading(arcs, DISTANCE_GRID_MM[None, :], DISTANCE_STEP / 2)))


def smoothed_arcs(readings: Array, bias: float, spread: float) -> Array:
    """Likelihood of the distance, (n, n_grid), from `arc_readings` of radii that are not quite the distance.

    ln(radius / distance) is normal about `bias`; its standard deviation is `priors.ROUNDNESS` times exp(spread).
    """
    size = DISTANCE_GRID_MM.size - 1
    apart = DISTANCE_STEP * np.arange(1 - size, size) - bias
    along = np.exp(-0.5 * (apart / (priors.ROUNDNESS.value * np.exp(spread))) ** 2)
    kernel = np.lib.stride_tricks.sliding_window_view(along, size)[:, ::-1]  # depends on the places' difference alone
    likelihood = np.empty_like(readings)
    likelihood[:, 1:] = readings[:, 1:] @ kernel / kernel.sum(axis=0)
    likelihood[:, 0] = likelihood[:, 1]
    return likelihood


def _roundness() -> Iterable[tuple[float, float]]:
    """Factors of the radius by which rings are out of round, and their log weights."""
    return zip((1 + priors.ROUNDNESS.value * _DEVIATIONS).tolist(), _LOG_WEIGHTS.tolist(), strict=True)


def _reading(arcs: list[Array], radius: Array, step_share: float | None = None) -> Array:
    """Log likelihood of each rise read on circles of the given radii, which are known within a share of them."""
    chord, rise, reading = arcs
    step = (_FACTOR_STEP * priors.ROUNDNESS.value if step_share is None else step_share) * radius
    bounded = np.maximum(radius, 0.6 * chord)  # at half a circle the rise no longer follows the chord
    slope = bounded / np.sqrt(bounded**2 - chord**2 / 4) - 1
    sd = np.sqrt(reading**2 + (chord / 4 / bounded * priors.CHORD_SD.value) ** 2 + (slope * step) ** 2)
    # past a half circle no chord of this length fits
    short = np.maximum(chord / 2 - radius, 0) / (priors.CHORD_SD.value / 2 + step)
    return np.asarray(-0.5 * ((rise - arc_rise(radius, chord)) / sd) ** 2 - np.log(sd) - 0.5 * short**2)


def unseen_curvature(count: int = 1, *, sight: float = 0.0, overlooked: float = 0.0) -> Array:
    """Likelihood of the distance when rings were looked at and no curvature was seen.

    Parameters
    ----------
    count : int, default 1
        How many rows.
    sight : float, default 0
        Log factor on how far from the pith this observer sees arcs.
    overlooked : float, default 0
        Log factor on the share of entries that say nothing about curvature.

    Returns
    -------
    numpy.ndarray, shape (count, n_grid)
        Probability that an arc across the core goes unnoticed, on `DISTANCE_GRID_MM`.

    Notes
    -----
    The rise across a core of `priors.CORE_WIDTH` falls below what half of the observers notice at about 20 mm; the
    share `priors.CURVATURE_OVERLOOKED` of the entries says nothing about curvature at all. Own derivation from the
    arc's sensitivity; see `priors.CURVATURE_SEEN`.

    Examples
    --------
    >>> seen = 1 - unseen_curvature()[0]
    >>> bool(seen[DISTANCE_GRID_MM > 5][0] > 0.7), bool(seen[DISTANCE_GRID_MM > 60][0] < 0.05)
    (True, True)
    """
    return np.repeat(unseen_share(DISTANCE_GRID_MM[None, :], sight, overlooked), count, axis=0)


def unseen_share(distance_mm: Array, sight: ArrayLike, overlooked: ArrayLike) -> Array:
    """The same at any distances, each with its own log factors."""
    rise = arc_rise(distance_mm * np.exp(-np.asarray(sight)), priors.CORE_WIDTH.value)
    not_looked = np.minimum(priors.CURVATURE_OVERLOOKED.value * np.exp(np.asarray(overlooked)), _MOST_OVERLOOKED)
    unseen = ndtr((priors.CURVATURE_SEEN.value - rise) / priors.CURVATURE_SEEN_SD.value)
    return np.asarray(not_looked + (1 - not_looked) * unseen)


# ------------------------------------------------------------------ circles, rays, distances


@public
def circle_likelihood(radius_mm: ArrayLike, step_mm: ArrayLike | None = None) -> Array:
    """Likelihood of the distance from the template circle that fits the innermost boundary.

    Parameters
    ----------
    radius_mm : array-like, shape (n,)
        Radius of the circle chosen [mm], above 0.
    step_mm : array-like, shape (n,), optional
        Step between the circles of the template [mm]; `priors.CIRCLE_STEP` by default.

    Returns
    -------
    numpy.ndarray, shape (n, n_grid)
        Likelihood on `DISTANCE_GRID_MM`, largest value 1 in each row.

    Raises
    ------
    InputError
        If a radius or step is not above 0.

    Notes
    -----
    Normal with variance (half a step)**2 + (roundness * distance)**2: neighbouring circles are told apart no better
    than by half a step.

    References
    ----------
    .. [1] Applequist M.B. 1958, J. For. 56:141 (principle, from memory).

    Examples
    --------
    >>> likelihood = circle_likelihood(12.0, 2.0)
    >>> bool(abs(DISTANCE_GRID_MM[likelihood[0].argmax()] - 12) < 0.6)
    True
    """
    step = priors.CIRCLE_STEP.value if step_mm is None else step_mm
    require_positive("circle_likelihood", radius_mm=radius_mm, step_mm=step)
    grid = DISTANCE_GRID_MM[None, :]
    sd = np.sqrt((as_column(step) / 2) ** 2 + (priors.ROUNDNESS.value * grid) ** 2)
    return _top_one(_normal(as_column(radius_mm) - grid, sd))


@public
def ray_likelihood(gap_mm: ArrayLike, angle_deg: ArrayLike, angle_sd_deg: ArrayLike | None = None) -> Array:
    """Likelihood of the distance from two converging wood rays.

    Parameters
    ----------
    gap_mm : array-like, shape (n,)
        Gap between the rays at the inner end [mm], above 0.
    angle_deg : array-like, shape (n,)
        Angle between them [degree], above 0.
    angle_sd_deg : array-like, shape (n,), optional
        Reading error of the angle [degree]; `priors.RAY_ANGLE_SD` by default.

    Returns
    -------
    numpy.ndarray, shape (n, n_grid)
        Likelihood on `DISTANCE_GRID_MM`, largest value 1 in each row.

    Raises
    ------
    InputError
        If a gap or angle is not above 0.

    Notes
    -----
    The angle predicted at each distance, 2 atan(gap / (2 d)), is held against the angle read. Rays point at the pith
    also in eccentric stems [1]_; curved rays break it. The relative error of the distance equals that of the angle,
    skewed to the right.

    References
    ----------
    .. [1] Rozas V. 2003, Plant Ecology 167, doi 10.1023/A:1023969822044 (abstract).

    Examples
    --------
    >>> likelihood = ray_likelihood(5.0, 10.0, 0.5)
    >>> bool(abs(DISTANCE_GRID_MM[likelihood[0].argmax()] - 28.58) < 1)
    True
    """
    sd_read = priors.RAY_ANGLE_SD.value if angle_sd_deg is None else angle_sd_deg
    require_positive("ray_likelihood", gap_mm=gap_mm, angle_deg=angle_deg, angle_sd_deg=sd_read)
    gap, angle = as_column(gap_mm), np.deg2rad(as_column(angle_deg))
    expected = 2 * np.arctan2(gap / 2, DISTANCE_GRID_MM[None, :])
    sd = np.hypot(np.deg2rad(as_column(sd_read)), expected * priors.RAY_GAP_SD.value / gap)
    return _top_one(_normal(angle - expected, sd))


@public
def direct_likelihood(distance_mm: ArrayLike, distance_sd_mm: ArrayLike | None = None) -> Array:
    """Likelihood of the distance from a distance written down with its error.

    Parameters
    ----------
    distance_mm : array-like, shape (n,)
        Distance [mm], at least 0.
    distance_sd_mm : array-like, shape (n,), optional
        Its standard deviation [mm], at least 0; `direct_sd` by default and where it is NaN.

    Returns
    -------
    numpy.ndarray, shape (n, n_grid)
        Likelihood on `DISTANCE_GRID_MM`, largest value 1 in each row.

    Raises
    ------
    InputError
        If a distance or its standard deviation is below 0.

    Notes
    -----
    Normal, with a spread of at least half a step of the grid (2 %), far below that of the growth rate.

    Examples
    --------
    >>> likelihood = direct_likelihood(20.0, 2.0)
    >>> bool(abs(DISTANCE_GRID_MM[likelihood[0].argmax()] - 20) < 0.5)
    True
    """
    distance = as_column(distance_mm)
    given = as_column(np.nan if distance_sd_mm is None else distance_sd_mm)
    sd = np.where(np.isnan(given), direct_sd(distance), given)
    require_nonnegative("direct_likelihood", distance_mm=distance, distance_sd_mm=sd)
    sd = np.maximum(sd, DISTANCE_STEP / 2 * distance + 1e-3)
    return _top_one(np.exp(-0.5 * ((distance - DISTANCE_GRID_MM[None, :]) / sd) ** 2))


def direct_sd(distance_mm: Array) -> Array:
    """Standard deviation of a distance written down without one [mm]: a share of it (choice), and 1 mm at least."""
    return np.maximum(1.0, priors.DIRECT_SHARE.value * distance_mm)


def _normal(error: Array, sd: Array) -> Array:
    return np.asarray(np.exp(-0.5 * (error / sd) ** 2) / (sd * _SQRT_TAU))


def _top_one(likelihood: Array) -> Array:
    top = likelihood.max(axis=1, keepdims=True)
    scaled: Array = likelihood / np.where(top > 0, top, 1.0)
    return scaled


# ------------------------------------------------------------------ digitised boundaries


@dataclass(frozen=True)
class CircleFit:
    """One over the distance from the innermost boundary to the common centre of the circles, with its error [1/mm]."""

    curvature: float
    curvature_sd: float


def fit_circles(ring: ArrayLike, x_mm: ArrayLike, y_mm: ArrayLike) -> CircleFit:
    """Fit circles with one centre to points on ring boundaries: x along the core inwards, y across it [mm].

    Boundary k is the curve at radius r_k = r_1 + gap_k round a centre ahead of the core. The unknowns are the curvature
    1/r_1, the centre's sideways place and one place along the core for each boundary, so that a nearly straight
    boundary stays well behaved (own derivation).
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
    return CircleFit(float(fit.x[0]), float(np.sqrt(covariance[0, 0])))


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
        If there are fewer points than unknowns (three on one boundary; two more than there are boundaries).

    Notes
    -----
    Circles with one centre are fitted through the points. The curvature is nearly normal, its inverse is not: the
    likelihood is normal in 1/r, with the roundness of rings added. A curvature that does not differ from 0 ends as no
    information far out. Own derivation; least squares by `scipy.optimize.least_squares`.

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


# ------------------------------------------------------------------ columns that make a reading


@dataclass(frozen=True)
class Reading:
    """A source of distance in the cells of a core: its likelihood, the columns it needs, its error with the default."""

    likelihood: Callable[..., Array]
    columns: tuple[str, ...]
    error: str
    default: priors.Sourced | None

    def values(self, table: pd.DataFrame) -> list[Array]:
        """Numbers of the columns and then of the error; NaN where a cell is empty."""
        values = [column_numbers(table, name) for name in self.columns]
        return [*values, column_numbers(table, self.error, self.default.value if self.default else float("nan"))]


READINGS: Mapping[DistanceSource, Reading] = MappingProxyType(
    {
        DistanceSource.ARC: Reading(arc_likelihood, ("chord_mm", "rise_mm"), "arc_sd_mm", priors.ARC_SD),
        DistanceSource.CIRCLE: Reading(circle_likelihood, ("circle_radius_mm",), "circle_step_mm", priors.CIRCLE_STEP),
        DistanceSource.RAYS: Reading(
            ray_likelihood, ("ray_gap_mm", "ray_angle_deg"), "ray_angle_sd_deg", priors.RAY_ANGLE_SD
        ),
        DistanceSource.DIRECT: Reading(direct_likelihood, ("distance_mm",), "distance_sd_mm", None),
    }
)
"""Readings in the cells of a core."""


def read_likelihoods(
    table: pd.DataFrame, sources: Iterable[DistanceSource] = tuple(READINGS)
) -> dict[DistanceSource, tuple[NDArray[np.bool_], Array]]:
    """Likelihoods of the readings in a table of cores.

    Parameters
    ----------
    table : pandas.DataFrame
        One row a core, columns as in cores.csv.
    sources : iterable of DistanceSource
        Kinds of readings to look for; all of `READINGS` when left out.

    Returns
    -------
    dict of DistanceSource to (numpy.ndarray of bool, numpy.ndarray)
        For every kind that some core has: the rows, shape (n_core,), and the likelihood for these on
        `DISTANCE_GRID_MM`, as `inner_ends` takes them.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"circle_radius_mm": [None, 12.0]})
    >>> [(source.name, rows.tolist()) for source, (rows, _) in read_likelihoods(table).items()]
    [('CIRCLE', [False, True])]
    """
    found = {}
    for source in sources:
        values = READINGS[source].values(table)
        rows = np.all(np.isfinite(values[:-1]), axis=0)
        if rows.any():
            found[source] = rows, READINGS[source].likelihood(*(value[rows] for value in values))
    return found


def mixed_distances(mass: Array, evidence: Array, weights: Array | None = None) -> Array:
    """Distance of every core over all nodes, (n_core, n_grid): weighted by the evidence of the core itself, or as said.

    mass, (n_node, n_core, n_grid), and evidence, (n_node, n_core), from `end_distances`; weights, (n_node,).
    """
    if weights is not None:
        return np.asarray(np.einsum("k,knr->nr", weights, mass))
    share = evidence / np.maximum(evidence.sum(axis=0), 1e-300)
    return np.asarray(np.einsum("kn,knr->nr", share, mass))


# ------------------------------------------------------------------ along a core


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


def turned_to_pith(widths_mm: Array, distance_mm: Array, miss_mm: Array) -> Array:
    """Radii (draws, n + 1) [mm] at the start and at the ends of rings measured along cores that miss the pith.

    The innermost ring starts at `distance_mm`, (draws,), from the pith; the line of the core passes it at `miss_mm`, at
    most that (0: the widths are square to the rings).
    """
    miss = np.minimum(miss_mm, distance_mm)[:, None]
    start = np.sqrt(np.maximum(distance_mm[:, None] ** 2 - miss**2, 0.0))
    along = start + np.concatenate([[0.0], np.cumsum(widths_mm)])
    return off_axis_radius(along, np.broadcast_to(miss, along.shape))
