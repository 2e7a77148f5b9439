"""What can be wrong with the stated errors: factors on distances, counts and own deviations, and their nodes.

Layer 5, part of the family of `hierarchical`. Own derivation: tempered densities and Chebyshev nodes of log factors.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from treeage.counting import count_error_mass
from treeage.distance_radius import grid_cells
from treeage.estimate_stand import SpeciesRates
from treeage.grids import DISTANCE_GRID_MM
from treeage.posterior import RateNodes
from treeage.rings_calibration import RingCalibration

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

SHIFTS: Array = np.round(np.arange(-12, 13) * 0.1, 10)
"""Values of the shared deviation of log hidden width (stand part + tree part); choice: +-1.2 in steps of 0.1."""

FACTOR_LIMITS: Mapping[str, float] = {"own": 0.7, "distance": 1.0, "count": 1.25}
"""Log factors are kept within these limits (choice: about a half to twice, a third to three times)."""

_NODES = {"own": 4, "distance": 6, "count": 3}  # choice: tested against direct evaluation
MOST_AXES = 3  # choice: error factors of one tree beyond its three most telling ones are held at 1
TOTAL_DEGREE = 5  # choice: a tree's log likelihood within 0.02 (rms) of direct evaluation


@dataclass(frozen=True)
class CoreFactors:
    """Which error factors act on each core.

    Parameters
    ----------
    distance_method : tuple of str
        Class of the distance of each core: arc, circle, rays, distance_read, radius_length, or "" at the pith.
    dating : tuple of str
        lab_count or field_count; "" where the count has no error.
    """

    distance_method: tuple[str, ...]
    dating: tuple[str, ...]


def method_class(method: str) -> str:
    """Class of distance error that a core's method belongs to.

    Parameters
    ----------
    method : str
        Words of `CoreFacts.methods`.

    Returns
    -------
    str
        arc, circle, rays, distance_read, radius_length, or "" at the pith.

    Examples
    --------
    >>> method_class("arc and rays"), method_class("radius less core length"), method_class("pith on the core")
    ('arc', 'radius_length', '')
    """
    for word, name in (
        ("radius", "radius_length"),
        ("arc", "arc"),
        ("boundaries", "arc"),
        ("circle", "circle"),
        ("rays", "rays"),
        ("distance read", "distance_read"),
    ):
        if word in method:
            return name
    return ""


def scale_distance(mass: Array, factor: Array, radial: NDArray[np.bool_]) -> Array:
    """Widen or narrow the error of distances by a factor.

    Parameters
    ----------
    mass : numpy.ndarray, shape (n, n_grid)
        Mass of the distance on `DISTANCE_GRID_MM`.
    factor : numpy.ndarray, shape (n,)
        Factor on the reading error, above 0.
    radial : numpy.ndarray of bool, shape (n,)
        Rows whose distance is the length of an offset in the plane (radius less core length).

    Returns
    -------
    numpy.ndarray, shape (n, n_grid)
        Rows sum to 1.

    Notes
    -----
    The density per mm, over its base measure (1, or the distance itself for an offset in the plane), is raised to the
    power 1 / factor**2. For normal errors this is exactly an error of factor times the size; for skewed ones it keeps
    the shape that the reading gave. A mass at the pith itself is left alone.

    Examples
    --------
    >>> from treeage.distance import direct_likelihood
    >>> from treeage.distance_radius import distance_mass
    >>> mass = distance_mass(np.ones((1, DISTANCE_GRID_MM.size)), [direct_likelihood(20.0, 1.5)])
    >>> wide = scale_distance(mass, np.array([2.0]), np.array([False]))
    >>> round(float(wide[0] @ (DISTANCE_GRID_MM - 20) ** 2) ** 0.5, 1)
    3.0
    """
    base = np.where(radial[:, None], np.maximum(DISTANCE_GRID_MM, 1e-3), 1.0) * grid_cells()
    with np.errstate(divide="ignore"):
        log_density = np.log(mass / base)
    top = log_density.max(axis=1, keepdims=True)
    out: Array = np.exp((log_density - top) / factor[:, None] ** 2) * base
    out[:, 0] = np.where(mass[:, 0] < 1e-6, 0.0, out[:, 0])
    out /= out.sum(axis=1, keepdims=True)
    at_pith = mass[:, 0] >= 1.0
    out[at_pith] = mass[at_pith]
    return out


def scaled_counts(rings: Ints, dating: Sequence[str], species: Sequence[str], factor: Array) -> tuple[int, Array]:
    """Mass of the count errors when wrong rings are factor times as frequent.

    Parameters
    ----------
    rings : numpy.ndarray of int, shape (n,)
        Rings counted.
    dating : sequence of str
        Dating class of each core; "" for no count error.
    species : sequence of str
        Species of each core.
    factor : numpy.ndarray, shape (n,)
        Factor on the rates of wrong rings.

    Returns
    -------
    tuple of int and numpy.ndarray
        First error and the masses, as `counting.count_error_mass`.

    Notes
    -----
    Wrong rings are Poisson with a mean of rate times rings, so a rate of twice the size is a core of twice the rings.

    Examples
    --------
    >>> start, mass = scaled_counts(np.array([100]), ["lab_count"], ["Picea abies"], np.array([2.0]))
    >>> start_200, mass_200 = count_error_mass([200], ["lab_count"], genus=["Picea abies"])
    >>> start == start_200, bool(np.allclose(mass, mass_200))
    (True, True)
    """
    size = np.maximum(1, np.round(rings * factor)).astype(np.int64)
    words = np.array([word or "crossdated" for word in dating])
    return count_error_mass(size, words, genus=list(species))


def scaled_rate(rate: SpeciesRates, own_factor: float, nodes: RateNodes | None = None) -> SpeciesRates:
    """Shared rate of a species with every core's own deviation scaled, on the shifts of the hierarchical model.

    Parameters
    ----------
    rate : SpeciesRates
        Of the exact engine.
    own_factor : float
        Factor on the own scale, above 0.
    nodes : RateNodes, optional
        Weights of the shifts; all equal by default.

    Returns
    -------
    SpeciesRates
        The adjustment by the stand's ring tables is kept.
    """
    if nodes is None:
        even = np.full((1, SHIFTS.size), 1.0 / SHIFTS.size)
        nodes = RateNodes(SHIFTS, np.ones(1), even)
    known = rate.calibration
    if known is None:
        ends = np.array([1.0, 100.0])
        known = RingCalibration(ends, np.zeros(2), 0.0, 0.0, np.ones(2), np.zeros(()))
    calibration = replace(known, own_factor=known.own_factor * own_factor)
    return replace(rate, nodes=nodes, calibration=calibration)


# ------------------------------------------------------------------ polynomials in the log factors


def chebyshev_nodes(kind: str) -> Array:
    """Nodes of a log factor.

    Parameters
    ----------
    kind : {"own", "distance", "count"}
        Which factor.

    Returns
    -------
    numpy.ndarray
        Values of the log factor, symmetric about 0.

    Examples
    --------
    >>> chebyshev_nodes("own").round(3).tolist()
    [-0.647, -0.268, 0.268, 0.647]
    """
    size = _NODES[kind]
    return np.asarray(-np.cos(np.pi * (np.arange(size) + 0.5) / size) * FACTOR_LIMITS[kind])


@lru_cache(maxsize=1)
def degrees() -> Ints:
    """Degrees of the terms in the own factor and in the tree's error factors.

    Returns
    -------
    numpy.ndarray of int, shape (n_term, 1 + MOST_AXES)
        All products of Chebyshev polynomials up to a total degree.
    """
    most = max(_NODES["distance"], _NODES["count"])
    every = product(range(_NODES["own"]), *[range(most)] * MOST_AXES)
    return np.array([term for term in every if sum(term) <= TOTAL_DEGREE])


@lru_cache(maxsize=32)
def fit_matrix(kinds: tuple[str, ...]) -> tuple[Ints, Array]:
    """Rows of `degrees` that a tree with these axes uses, and the matrix from values on the nodes to coefficients."""
    terms = degrees()
    limit = np.array([_NODES[kind] for kind in kinds] + [1] * (1 + MOST_AXES - len(kinds)))
    rows = np.flatnonzero((terms < limit).all(axis=1))
    points = np.array(list(product(*[chebyshev_nodes(kind) / FACTOR_LIMITS[kind] for kind in kinds])))
    design = np.prod(
        [
            np.polynomial.chebyshev.chebvander(points[:, axis], TOTAL_DEGREE)[:, terms[rows, axis]]
            for axis in range(len(kinds))
        ],
        axis=0,
    )
    weight = np.exp(-0.5 * (points**2).sum(axis=1))  # choice: the fit is closest where the priors are
    return rows, np.linalg.pinv(design * weight[:, None]) * weight
