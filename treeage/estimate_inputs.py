"""Lays out what the engine needs of each core: distance mass, visible growth, count error.

Layer 4, part of the family of `estimate`. No model of its own: it chooses among `rings` and `counting`.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from treeage.counting import count_error_mass
from treeage.estimate_cores import HEIGHT_APART_M, CoreFacts, column_numbers
from treeage.grids import DISTANCE_GRID_MM
from treeage.rings import InnerGrowth, inner_growth, inner_growth_from_means, ring_model

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_RINGS = 6000  # choice: more missed rings than any tree has


@dataclass(frozen=True)
class CoreInputs:
    """Everything the engine needs of each core, as arrays.

    Parameters
    ----------
    innermost_year : numpy.ndarray of int, shape (n_core,)
        outer year - rings counted + 1.
    distance : numpy.ndarray, shape (n_core, n_grid)
        Mass of the distance to the pith.
    growth : InnerGrowth
        Visible growth of each core.
    count_start : int
        First count error.
    count : numpy.ndarray, shape (n_core, n_error)
        Mass of the count errors.
    bound_only : numpy.ndarray of bool, shape (n_core,)
        The core bounds the pith year and says nothing else.
    most_rings : numpy.ndarray of int, shape (n_core,)
        Missed rings beyond which next to nothing lies.
    """

    innermost_year: Ints
    distance: Array
    growth: InnerGrowth
    count_start: int
    count: Array
    bound_only: NDArray[np.bool_]
    most_rings: Ints


def core_inputs(facts: CoreFacts) -> CoreInputs:
    """Choose the visible growth of each core and lay out its count error and distance.

    Parameters
    ----------
    facts : CoreFacts
        Gathered facts; the flags of cores whose widths had to be guessed are extended.

    Returns
    -------
    CoreInputs
        Arrays in the order of cores.csv.
    """
    table = facts.table
    counted = table["rings_counted"].to_numpy(dtype=np.int64)
    species = [str(name) for name in table["species"]]
    growth, known = _growth(facts, counted, species)
    dating = table["dating"].to_numpy(dtype=object).astype(str)
    start, count = count_error_mass(counted, dating, genus=species)
    start, count = _lost_rings(facts, dating, start, count)
    at_pith = facts.distance[:, 0] >= 1.0
    bound_only = (facts.distance.sum(axis=1) <= 0) | ~(known | at_pith)
    distance = _no_distance(facts.distance, bound_only)
    innermost = table["outer_year"].to_numpy(dtype=np.int64) - counted + 1
    return CoreInputs(innermost, distance, growth, start, count, bound_only, _most_rings(distance, growth))


def _no_distance(distance: Array, rows: NDArray[np.bool_]) -> Array:
    """Distances with a place holder for cores that only bound the date."""
    out = distance.copy()
    out[rows] = 0.0
    out[rows, 0] = 1.0
    return out


def bound_upper_cores(facts: CoreFacts, inputs: CoreInputs, without_heights: Collection[str]) -> CoreInputs:
    """Let only the lowest cores date a tree where the years between its cores are unknown.

    Parameters
    ----------
    facts : CoreFacts
        All cores; the flags of those that only bound are extended.
    inputs : CoreInputs
        From `core_inputs`.
    without_heights : collection of str
        Species that have no height model.

    Returns
    -------
    CoreInputs
        In these species a core above the lowest one with information only says that the pith below is not younger
        than its innermost ring.

    Notes
    -----
    The stem reached the upper height in the same year or later, by years that nothing is known of.
    """
    bound_only = inputs.bound_only.copy()
    heights = column_numbers(facts.table, "core_height_m")
    concerned = facts.table["species"].isin(list(without_heights)).to_numpy() & ~bound_only
    for rows in facts.table[concerned].groupby("tree", sort=False).indices.values():
        own = np.flatnonzero(concerned)[rows]
        upper = own[heights[own] > heights[own].min() + HEIGHT_APART_M]
        bound_only[upper] = True
        for row in upper:
            facts.flags[row].add("upper_core_bounds")
    return replace(inputs, bound_only=bound_only, distance=_no_distance(inputs.distance, bound_only))


def _growth(facts: CoreFacts, counted: Ints, species: list[str]) -> tuple[InnerGrowth, NDArray[np.bool_]]:
    """Visible growth from the best source of each core: ring table, inner width, length, radius."""
    table = facts.table
    measured = np.array([widths.size > 0 and widths.sum() > 0 for widths in facts.widths_mm])
    inner = column_numbers(table, "inner_width_mm")
    rings = np.where(
        np.isfinite(column_numbers(table, "inner_width_rings")), column_numbers(table, "inner_width_rings"), 10.0
    )
    expected = facts.distance @ DISTANCE_GRID_MM
    from_length = facts.length_mm / counted
    from_radius = np.maximum(facts.radius_mm - expected, 0.2 * facts.radius_mm) / counted
    mean = np.where(np.isfinite(inner), inner, np.where(np.isfinite(from_length), from_length, from_radius))
    count = np.where(np.isfinite(inner), np.minimum(rings, counted), counted)
    for row in np.flatnonzero(~measured & ~np.isfinite(inner) & (facts.distance[:, 0] < 1.0)):
        facts.flags[row].add("width_from_length" if np.isfinite(from_length[row]) else "width_from_diameter")
    known = measured | np.isfinite(mean)
    for row in np.flatnonzero(~known & (facts.distance[:, 0] < 1.0)):
        facts.flags[row] -= {"width_from_diameter"}
        facts.flags[row].add("no_ring_width")
    mean = np.where(np.isfinite(mean) & (mean > 0), mean, 1.0)
    plain = inner_growth_from_means(mean, count, genus=species)
    if not measured.any():
        return plain, known
    rows = np.flatnonzero(measured)
    exact = inner_growth([facts.widths_mm[row] for row in rows], genus=[species[row] for row in rows])
    return _replaced(plain, rows, exact), known


def _replaced(growth: InnerGrowth, rows: Ints, better: InnerGrowth) -> InnerGrowth:
    features, count = growth.features.copy(), growth.ring_count.copy()
    features[rows], count[rows] = better.features, better.ring_count
    return InnerGrowth(features, count, growth.genus)


def _lost_rings(facts: CoreFacts, dating: NDArray[np.str_], start: int, count: Array) -> tuple[int, Array]:
    """Widen counted cores by the uncertainty of the rings lost outside, which their outer year rests on."""
    spread = np.nan_to_num(column_numbers(facts.table, "outer_lost_sd"))
    spread = np.where(dating == "crossdated", 0.0, spread)
    if not (spread > 0).any():
        return start, count
    reach = lost_kernel(float(spread.max())).size // 2
    wide = np.zeros((count.shape[0], count.shape[1] + 2 * reach))
    for row in range(count.shape[0]):
        kernel = lost_kernel(float(spread[row]))
        ahead = reach - kernel.size // 2
        wide[row, ahead : wide.shape[1] - ahead] = np.convolve(count[row], kernel)
    return start - reach, wide


def lost_kernel(spread: float) -> Array:
    """Mass of the error of a number of lost rings on whole rings, 0 in the middle.

    Parameters
    ----------
    spread : float
        Standard deviation of the number [rings], at least 0.

    Returns
    -------
    numpy.ndarray, shape (2 * reach + 1,)
        A normal on whole rings, to four standard deviations.

    Examples
    --------
    >>> lost_kernel(0.0).tolist(), lost_kernel(1.0).size
    ([1.0], 9)
    """
    reach = int(np.ceil(4 * spread))
    if reach == 0:
        return np.ones(1)
    kernel = np.diff(ndtr((np.arange(-reach, reach + 2) - 0.5) / spread))
    return np.asarray(kernel / kernel.sum())


def _most_rings(distance: Array, growth: InnerGrowth) -> Ints:
    """Missed rings beyond which about one in a hundred thousand lies."""
    model = ring_model()
    total = np.cumsum(distance, axis=1)
    high = DISTANCE_GRID_MM[np.minimum((total < 1 - 1e-5).sum(axis=1), DISTANCE_GRID_MM.size - 1)]
    high = np.maximum(high, 0.05)
    location = np.array([model.location(growth, high[[0]])[0, 0]]) if len(high) == 1 else _own_location(growth, high)
    reach = 3.0 * np.hypot(model.tree_sd, model.stand_sd) + 7.0 * model.own_scale(growth, high)
    rings = np.exp(np.log(high) - location + reach)
    rings = np.where(distance[:, 0] >= 1.0, 1, rings)
    most: Ints = np.clip(np.ceil(rings) + 2, 3, MOST_RINGS).astype(np.int64)
    return most


def _own_location(growth: InnerGrowth, distance_mm: Array) -> Array:
    """Expected log hidden width of each core at its own distance."""
    model = ring_model()
    knots = np.exp(np.linspace(np.log(0.05), np.log(DISTANCE_GRID_MM[-1]), 24))
    table = model.location(growth, knots)
    at = np.clip((np.log(distance_mm / knots[0]) / np.log(knots[1] / knots[0])).astype(int), 0, knots.size - 1)
    rows = np.arange(len(distance_mm))
    return np.asarray(np.minimum(table[rows, at], table[rows, np.minimum(at + 1, knots.size - 1)]))
