"""The common grid of distances to the pith [mm], what a distance rests on, and how sources are combined on the grid."""

from __future__ import annotations

from collections.abc import Sequence
from enum import Flag, auto

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

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
    below = np.cumsum(second, axis=1)
    second_at_most = (first * below).sum(axis=1)
    second_at_least = (first * (1 - below + second)).sum(axis=1)
    p_value: Array = np.minimum(1.0, 2 * np.minimum(second_at_most, second_at_least))
    return p_value


def column(value: ArrayLike) -> Array:
    """Values as a column, one row a core, to meet the grid."""
    return np.atleast_1d(np.asarray(value, dtype=np.float64))[:, None]
