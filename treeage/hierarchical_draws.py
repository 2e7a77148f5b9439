"""What the exact engine needs under given draws of the parameters: cores, growth rates and height models.

Layer 5, part of the family of `hierarchical`. No model of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from treeage.estimate_inputs import CoreInputs
from treeage.estimate_stand import SpeciesRates
from treeage.height import HeightModel
from treeage.hierarchical_data import StandData
from treeage.hierarchical_factors import SHIFTS, scale_distance, scaled_counts, scaled_rate
from treeage.hierarchical_height import learned_model
from treeage.hierarchical_op import SD_FLOOR
from treeage.posterior import RateNodes

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_SPREAD = 0.1  # choice: above this spread between trees every second shift is enough
Draws = Mapping[str, Array]
"""Parameters by name, the first axis the draws."""


def drawn_inputs(data: StandData, draws: Draws) -> CoreInputs:
    """Cores with the error factors that a few like draws have on average.

    Parameters
    ----------
    data : StandData
        The stand.
    draws : mapping of str to numpy.ndarray
        Parameters, the first axis the draws.

    Returns
    -------
    CoreInputs
        Distances and counts widened or narrowed; ranges of missed rings lengthened where a draw asks for it.
    """
    inputs, factors = data.cores.inputs, data.tables.factors
    log_distance = np.zeros(len(factors.distance_method))
    for k, name in enumerate(_names(data, "distance")):
        rows = [own == name for own in factors.distance_method]
        log_distance[rows] = np.log(draws["distance_factor"][:, k]).mean()
    radial = np.array([name == "radius_length" for name in factors.distance_method])
    moved = np.flatnonzero(log_distance)
    distance = inputs.distance.copy()
    distance[moved] = scale_distance(distance[moved], np.exp(log_distance[moved]), radial[moved])
    rate = {name: mean_factor(draws["count_factor"][:, k]) for k, name in enumerate(_names(data, "count"))}
    start, count = _drawn_counts(data, rate)
    low = np.minimum(0.0, draws["rate_bias"].min(axis=0))[_species_codes(data)]
    longer = np.exp(-low + 0.7 * np.maximum(0.0, log_distance))  # choice: most of the wider tail
    most = np.ceil(inputs.most_rings * longer * max(1.0, mean_factor(draws["own_factor"])) ** 0.5)
    return replace(inputs, distance=distance, count_start=start, count=count, most_rings=most.astype(np.int64))


def mean_factor(values: Array) -> float:
    """Geometric mean.

    Parameters
    ----------
    values : numpy.ndarray
        Factors above 0.

    Returns
    -------
    float
        The mean factor.

    Examples
    --------
    >>> round(mean_factor(np.array([0.5, 2.0])), 12)
    1.0
    """
    return float(np.exp(np.log(values).mean()))


def _names(data: StandData, kind: str) -> list[str]:
    return [name.split(": ")[1] for name in data.trees.factor_names if name.startswith(kind)]


def _species_codes(data: StandData) -> Ints:
    place = {name: k for k, name in enumerate(data.species)}
    return np.array([place[name] for name in data.tables.species])


def _drawn_counts(data: StandData, rate: Mapping[str, float]) -> tuple[int, Array]:
    """Count errors with the rates of wrong rings of one draw, on one support."""
    inputs, dating = data.cores.inputs, data.tables.factors.dating
    rows = [row for row, name in enumerate(dating) if name in rate]
    if not rows:
        return inputs.count_start, inputs.count
    factor = np.array([rate[dating[row]] for row in rows])
    words, species = [dating[row] for row in rows], [data.tables.species[row] for row in rows]
    first, mass = scaled_counts(data.tables.rings[rows], words, species, factor)
    rest = [row for row in range(len(dating)) if row not in set(rows)]
    kept = inputs.count[rest]
    some = np.flatnonzero(kept.max(axis=0) > 0) if rest else np.array([-inputs.count_start])
    start = min(first, inputs.count_start + int(some.min()))
    stop = max(first + mass.shape[1], inputs.count_start + int(some.max()) + 1)
    out = np.zeros((len(dating), stop - start))
    out[rows, first - start : first - start + mass.shape[1]] = mass
    at = inputs.count_start + int(some.min()) - start
    out[rest, at : at + int(np.ptp(some)) + 1] = kept[:, some.min() : some.max() + 1]
    return start, out


def drawn_rates(data: StandData, draws: Draws) -> dict[str, SpeciesRates]:
    """Shared growth rate of every species, with the draws as equally likely values of the stand's part.

    Parameters
    ----------
    data : StandData
        The stand.
    draws : mapping of str to numpy.ndarray
        Parameters, the first axis the draws.

    Returns
    -------
    dict of str to SpeciesRates
        By species.
    """
    narrow = draws["tree_sd"].min() < LEAST_SPREAD
    shifts = SHIFTS if narrow else SHIFTS[::2]
    size = len(draws["rate_bias"])
    rates = {}
    for k, name in enumerate(data.species):
        spread = np.maximum(draws["tree_sd"][:, k], SD_FLOOR)[:, None]
        weight = np.exp(-0.5 * ((shifts[None, :] - draws["rate_bias"][:, [k]]) / spread) ** 2)
        nodes = RateNodes(shifts, np.full(size, 1.0 / size), weight / weight.sum(axis=1, keepdims=True))
        rates[name] = scaled_rate(data.cores.rates[name], mean_factor(draws["own_factor"]), nodes)
    return rates


def like_draws(data: StandData, draws: Draws, groups: int) -> Ints:
    """Sort the draws into groups with about the same error factors.

    Parameters
    ----------
    data : StandData
        The stand.
    draws : mapping of str to numpy.ndarray
        Parameters, the first axis the draws.
    groups : int
        Number of groups wanted.

    Returns
    -------
    numpy.ndarray of int, shape (n_draw,)
        Group of each draw, 0, 1, ... without gaps.

    Notes
    -----
    Nearest centres of the log factors, moved ten times to the mean of their draws, from a start along the direction of
    largest spread. The exact engine runs once a group instead of once a draw; the growth rate and the height curve,
    which move dates most, keep their value of each draw.
    """
    names = [name for name in ("distance_factor", "count_factor") if draws[name].shape[1]]
    points = np.log(np.column_stack([draws["own_factor"], *(draws[name] for name in names)]))
    points = points - points.mean(axis=0)
    along = points @ np.linalg.svd(points, full_matrices=False)[2][0]
    group = np.empty(len(points), dtype=np.int64)
    group[np.argsort(along, kind="stable")] = np.arange(len(points)) * groups // len(points)
    for _ in range(10):
        centres = np.array([points[group == k].mean(axis=0) for k in np.unique(group)])
        group = ((points[:, None] - centres[None]) ** 2).sum(axis=2).argmin(axis=1)
    return np.asarray(np.unique(group, return_inverse=True)[1], dtype=np.int64)


def drawn_heights(data: StandData, draws: Draws, rng: np.random.Generator) -> dict[str, HeightModel]:
    """Height models with one shared value for each draw.

    Parameters
    ----------
    data : StandData
        The stand.
    draws : mapping of str to numpy.ndarray
        Parameters.
    rng : numpy.random.Generator
        Picks growth forms, and shared values of the models that are not learned.

    Returns
    -------
    dict of str to HeightModel
        By species. Species whose model is one and the same figure have the same shared value in each draw.
    """
    size = len(draws["rate_bias"])
    models: dict[str, HeightModel] = {}
    picked: dict[str, Ints] = {}
    for name, fixed in data.fixed_heights.items():
        if name in data.heights.species:
            k = data.heights.species.index(name)
            own = {key: draws[key][:, k] for key in ("height_level", "height_slope", "height_spread")}
            own["form_log_weight"] = draws["form_log_weight"][:, k]
            models[name] = learned_model(data.heights, k, own, fixed, rng)
        else:
            group = data.height_groups[name]
            if group not in picked:
                picked[group] = rng.permutation(np.arange(size) % len(fixed.forms))
            models[name] = taken_heights(fixed, picked[group])
    return models


def taken_heights(model: HeightModel, places: Ints) -> HeightModel:
    """Height model with some of its shared values.

    Parameters
    ----------
    model : HeightModel
        Any.
    places : numpy.ndarray of int
        Which shared values, in the order wanted.

    Returns
    -------
    HeightModel
        With as many shared nodes as places.
    """
    return replace(
        model,
        forms=tuple(model.forms[k] for k in places),
        scales_m=model.scales_m[places],
        intercept=model.intercept[places],
        slope=model.slope[places],
        deviation=model.deviation[places],
    )
