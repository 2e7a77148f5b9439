"""Distance of every core to the pith [mm], from what was seen at its inner end, under errors that a stand shares.

Own derivation: a core passes beside the pith or stops short of it; the pith lies off the centre by a normal offset of
the published mean size (`priors.ECCENTRICITY`), borers drift, and arcs are seen as far as they curve.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, gamma, i0e, logit

from treeage import priors
from treeage.distance.seen import (
    DISTANCE_GRID_MM,
    DISTANCE_STEP,
    DistanceSource,
    arc_readings,
    conflict_probability,
    distance_mass,
    grid_cells,
    smoothed_arcs,
    unseen_curvature,
    unseen_share,
)
from treeage.errors import require_positive
from treeage.pmf import freeze_arrays
from treeage.schema import InnerEnd

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rows = NDArray[np.int64]
Readings = Mapping[DistanceSource, tuple[Flags, Array]]

LEAST_COSINE = 0.5  # choice: cores within 60 degrees of one line; simulation finds others as good as independent
_NEGLIGIBLE = 3e-3  # choice: joint cases that hold less of the likeliest change no printed figure
_SOURCE_CONFLICT = 0.01  # choice: two sources of one core are reported below this predictive p value
_DEFAULT_RADIUS_MM = 150.0  # choice: radius assumed for the miss of an aimed core when the tree has no diameter at all
_RINGS_BESIDE = 10  # choice: inner rings whose mean width stands for that beside the pith
_STEPS_BESIDE = 4  # the width settles to a few percent
_FEW = 2  # choice: evidence takes one in so many distances, 0.08 apart in the logarithm; all densities are wider
_NEAR_SHARES = 0.5, 2.5  # choice: nearer than these shares of every spread a density depends less on the direction


def _directions(number: int) -> tuple[Array, Array, Array]:
    """Cosines, sines and weights of directions from 0 to a right angle (Gauss-Legendre)."""
    angles, weights = np.polynomial.legendre.leggauss(number)
    angles = (angles + 1) * np.pi / 4
    return np.cos(angles), np.sin(angles), (weights * np.pi / 4).astype(np.float32)


_DIRECTIONS = _directions(3), _directions(6), _directions(12)


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
    likely = weight.mean(axis=0)
    used = likely > _NEGLIGIBLE * likely.max()
    return weight[:, used] / weight[:, used].sum(axis=1, keepdims=True), distances[used]


# ------------------------------------------------------------------ what cores of a stand share


@dataclass(frozen=True, eq=False)
class AimErrors:
    """Errors of aim and reading that all cores of a stand share: values at n_node nodes.

    Parameters
    ----------
    aim : numpy.ndarray, shape (n_node,)
        Log factor on how far the cores pass beside the pith.
    eccentricity : numpy.ndarray, shape (n_node,)
        Log factor on how far the pith lies off the centre, as lengths against diameters show it.
    sight : numpy.ndarray, shape (n_node,)
        Log factor on how far from the pith arcs are seen.
    overlooked : numpy.ndarray, shape (n_node,)
        Log factor on the share of cores whose arcs are overlooked at any distance.
    shortfall : numpy.ndarray, shape (n_node,)
        Log factor on how far before the pith cores stop that do not pass it.
    again : numpy.ndarray, shape (n_node,)
        Log factor on the odds that a core was bored again, or chosen, until it held the pith.
    arc_bias : numpy.ndarray, shape (n_node,)
        Log of the radius read on curved rings over the distance to the pith.
    arc_spread : numpy.ndarray, shape (n_node,)
        Log factor on the reading error of arcs and on how far rings are from round.
    square : numpy.ndarray, shape (n_node,)
        1 where lengths were taken square to the rings (or summed up from widths), 0 where along the core.
    """

    aim: Array
    eccentricity: Array
    sight: Array
    overlooked: Array
    shortfall: Array
    again: Array
    arc_bias: Array
    arc_spread: Array
    square: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def __len__(self) -> int:
        return int(self.aim.size)

    def take(self, nodes: Rows) -> AimErrors:
        """Some of the nodes."""
        return AimErrors(*(getattr(self, each.name)[nodes] for each in fields(self)))

    @staticmethod
    def centre() -> AimErrors:
        """The middle of the prior, with both meanings of a length."""
        values = dict.fromkeys((each.name for each in fields(AimErrors)), np.zeros(2))
        return AimErrors(**(values | {"square": np.array([0.0, 1.0])}))


# ------------------------------------------------------------------ what was seen


@dataclass(frozen=True, eq=False)
class InnerEnds:
    """What was seen and measured at the inner ends of many cores, one row a core.

    Parameters
    ----------
    word : numpy.ndarray of str, shape (n_core,)
        Words of `InnerEnd`.
    radius_mm, radius_sd_mm, length_mm : numpy.ndarray, shape (n_core,)
        Inside-bark radius and its standard deviation, and horizontal length inside bark [mm]; NaN where not known.
    assumed_mm : numpy.ndarray, shape (n_core,)
        Radius [mm] that stands for one that is not known.
    chord_mm, rise_mm, arc_sd_mm : numpy.ndarray, shape (n_core,)
        The arc of the innermost ring [mm]; NaN without one, or where several arcs of the core are in `curved`.
    curved : numpy.ndarray, shape (n_core, n_grid)
        Likelihood of the other readings of curved rings; ones without.
    direct : numpy.ndarray, shape (n_core, n_grid)
        Likelihood of a distance that was read directly; ones without.
    pith_near : numpy.ndarray, shape (n_core,)
        Probability that a pith on the core lies beside it.
    source : numpy.ndarray of DistanceSource, shape (n_core,)
        What the distance rests on.
    beyond_diameter, disagree : numpy.ndarray of bool, shape (n_core,)
        What was seen lies beyond the geometric limit (the wood was believed, the diameter not); two sources of the core
        disagree more than their errors allow.
    """

    word: NDArray[np.object_]
    radius_mm: Array
    radius_sd_mm: Array
    length_mm: Array
    assumed_mm: Array
    chord_mm: Array
    rise_mm: Array
    arc_sd_mm: Array
    curved: Array
    direct: Array
    pith_near: Array
    source: NDArray[np.object_]
    beyond_diameter: Flags
    disagree: Flags

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def __len__(self) -> int:
        return len(self.word)

    def take(self, rows: Rows) -> InnerEnds:
        """Some of the cores, as often as wanted."""
        return InnerEnds(*(getattr(self, each.name)[rows] for each in fields(self)))

    @property
    def assumed_sd_mm(self) -> Array:
        """Standard deviation of that radius [mm], shape (n_core,)."""
        return _radius_sd(self)

    @cached_property
    def seen(self) -> Flags:
        """Cores that have a reading at the inner end."""
        unread = DistanceSource.PITH | DistanceSource.RADIUS_LESS_LENGTH
        return _fixed(np.array([bool(source & ~unread) for source in self.source], dtype=bool))

    @cached_property
    def lost(self) -> Flags:
        """Cores whose inner end is rotten or broken, and that have no reading."""
        return _fixed(np.isin(self.word, [InnerEnd.ROT, InnerEnd.BROKEN]) & ~self.seen)

    @cached_property
    def noticed(self) -> NDArray[np.int8]:
        """1 for cores that show arcs, but for those read by whatever means, 2 where none were found, else 0."""
        told = np.array([source == DistanceSource.DIRECT for source in self.source], dtype=bool)
        none = (self.word == InnerEnd.NO_ARCS) & ~self.seen
        return np.asarray(((self.word == InnerEnd.ARCS) & ~told) + 2 * none, dtype=np.int8)

    @cached_property
    def within_stem(self) -> Flags:
        """Distances that what is left of the diameter behind the core allows, (n_core, n_grid)."""
        length = np.where(np.isfinite(self.radius_mm), self.length_mm, np.nan)
        limit = np.maximum(2 * self.assumed_mm - np.nan_to_num(length), 0.0) + _radius_sd(self)
        return _fixed(np.asarray(DISTANCE_GRID_MM[None, :] <= limit[:, None]))


def _fixed(flags: Flags) -> Flags:
    """Flags that nobody can change."""
    flags.flags.writeable = False
    return flags


def inner_ends(
    word: NDArray[np.object_],
    seen_by: Readings,
    arc: tuple[Array, Array, Array],
    stem: tuple[Array, Array, Array],
    *,
    visible_mm: Array | None = None,
    pith_near: float | None = None,
) -> InnerEnds:
    """Gather what is known of the inner end of every core.

    Parameters
    ----------
    word : numpy.ndarray of str, shape (n_core,)
        Words of `InnerEnd`.
    seen_by : mapping of DistanceSource to (numpy.ndarray of bool, numpy.ndarray)
        For every kind of reading the cores that have it, shape (n_core,), and its likelihood for these.
    arc : tuple of numpy.ndarray, each shape (n_core,)
        Chord, rise and reading error of the innermost arc [mm], as the rows of ARC in `seen_by` have them.
    stem : tuple of numpy.ndarray, each shape (n_core,)
        Inside-bark radius and its standard deviation, and horizontal length inside bark [mm]; NaN where not known.
    visible_mm : numpy.ndarray, shape (n_core,), optional
        Sum of the visible widths [mm], which stands for a radius that is not known; 0 where there is none.
    pith_near : float, default `priors.PITH_NEAR`
        Share of pith entries where the pith lies beside the core, by up to half its width.

    Returns
    -------
    InnerEnds
        One row a core.
    """
    radius, _, length = stem
    pith, size = word == InnerEnd.PITH, len(word)
    source = np.full(size, DistanceSource.NOTHING, dtype=object)
    curved, direct = np.ones((2, size, DISTANCE_GRID_MM.size))
    for kind, (rows, values) in seen_by.items():
        source[rows] |= kind
        if kind is DistanceSource.DIRECT:
            direct[rows] *= values
        elif kind is not DistanceSource.ARC:
            curved[rows] *= values
    by_length = (source == DistanceSource.NOTHING) & np.isfinite(radius) & np.isfinite(length)
    source[by_length] = DistanceSource.RADIUS_LESS_LENGTH
    source[pith] = DistanceSource.PITH
    visible = np.zeros(size) if visible_mm is None else visible_mm
    assumed = np.where(np.isfinite(radius), radius, np.where(visible > 0, visible, np.nan_to_num(length)))
    assumed = np.where(assumed > 0, assumed, _DEFAULT_RADIUS_MM)
    read = seen_by.get(DistanceSource.ARC, (np.zeros(size, dtype=bool), np.zeros(0)))[0] & ~pith
    chord, rise, error = (np.where(read, values, np.nan) for values in arc)
    no = np.zeros(size, dtype=bool)
    near = np.full(size, priors.PITH_NEAR.value if pith_near is None else pith_near)
    ends = InnerEnds(word, *stem, assumed, chord, rise, error, curved, direct, near, source, no, no)
    density = np.full((size, DISTANCE_GRID_MM.size), 1e-12)
    possible_way = next(next(_ways(ends, AimErrors.centre())).densities())
    density[:, : possible_way.shape[1]] += possible_way
    readings = [(rows & ~pith, _among_ones(rows, values)) for rows, values in seen_by.values()]
    possible = np.prod([values for _, values in readings], axis=0) if readings else np.ones_like(density)
    beyond = ends.seen & ~((possible > 0) & ends.within_stem).any(axis=1)
    return replace(ends, beyond_diameter=beyond, disagree=_disagree(readings, density))


def _among_ones(rows: Flags, values: Array) -> Array:
    """Values of some rows among ones for the others."""
    out = np.ones((rows.size, DISTANCE_GRID_MM.size))
    out[rows] = values
    return out


def _disagree(readings: list[tuple[Flags, Array]], density: Array) -> Flags:
    """Cores whose readings disagree more than their errors allow."""
    odd = np.zeros(len(density), dtype=bool)
    for place, (rows, values) in enumerate(readings):
        for other_rows, other_values in readings[place + 1 :]:
            both = rows & other_rows
            if both.any():
                first = distance_mass(density[both], [values[both]])
                second = distance_mass(density[both], [other_values[both]])
                odd[both] |= conflict_probability(first, second) < _SOURCE_CONFLICT
    return odd


# ------------------------------------------------------------------ distances


def end_distances(ends: InnerEnds, errors: AimErrors) -> tuple[Array, Array]:
    """Distance of every core at every node of the shared errors, and how well the node explains what was seen.

    Parameters
    ----------
    ends : InnerEnds
        What was seen at n_core inner ends.
    errors : AimErrors
        Shared errors at n_node nodes.

    Returns
    -------
    mass : numpy.ndarray, shape (n_node, n_core, n_grid)
        On `DISTANCE_GRID_MM`, rows summing to 1; a row of zeros where nothing bounds the distance.
    evidence : numpy.ndarray, shape (n_node, n_core)
        Probability (density) of what was seen; comparable between the nodes of a core, not between cores.

    Notes
    -----
    At distance r, with a borer that passes the pith or stops short of it,

        p(r, seen | node) = p(r | aim) p(radius - length | r, eccentricity) p(pith, arcs or none noticed | r, sight)
                            p(arc read | r, arc bias, spread)

    so an arc that was read counts as one that could be seen, as "no arcs" counts as one that was not. Cores lost to rot
    or breakage stopped short. Some cores hold the pith whatever the aim (`priors.PITH_AGAIN`). A pith on the core is
    taken at its word but for a small share. Buttresses, lean and slope, which shift all piths of a stand one way, are
    covered only by the spread. Own derivation.
    """
    pith, bounded, cells = ends.word == InnerEnd.PITH, _bounded(ends), grid_cells()
    mass = np.zeros((len(errors), len(ends), DISTANCE_GRID_MM.size))
    for ways in _ways(ends, errors):
        used = slice(ways.passing.shape[1])
        weight = ways.wood[:, used] * cells[used]
        told = _noticed(errors, ways.nodes)[:, :, used]
        for node, density, its in zip(ways.nodes, ways.densities(), told, strict=True):
            joint = np.multiply(density, weight, out=mass[node, :, used])
            joint *= its[ends.noticed]
    total = mass.sum(axis=2)
    evidence = np.where(bounded, _with_pith_again(total, ends, errors), 1.0)
    mass /= np.where(total > 0, total, 1.0)[:, :, None]
    near, beside = _near_pith() * cells, ends.pith_near[pith, None]
    told = beside * (near / near.sum())
    told[:, 0] += 1 - beside[:, 0]
    mass[:, pith], mass[:, ~bounded] = told, 0.0
    return mass, evidence


def end_evidence(ends: InnerEnds, errors: AimErrors) -> Array:
    """The evidence of `end_distances` alone, (n_node, n_core), from a sum over fewer distances."""
    total, cells = np.empty((len(errors), len(ends))), grid_cells(_FEW)
    kinds = [(kind, np.flatnonzero(ends.noticed == kind)) for kind in np.unique(ends.noticed)]
    for ways in _ways(ends, errors, _FEW):
        used = slice(ways.passing.shape[1])
        weight, its = ways.wood[:, used] * cells[used], np.empty((len(ways.nodes), len(ends)))
        passing, stopping = ways.passing * weight, ways.stopping * weight
        told = _noticed(errors, ways.nodes, _FEW)[:, :, used]
        for kind, rows in kinds:
            its[:, rows] = (told[:, kind] * ways.rarer) @ stopping[rows].T
            its[:, rows] *= ways.scale[:, rows]
            its[:, rows] += told[:, kind] @ passing[rows].T
        total[ways.nodes] = its
    return np.where(_bounded(ends), _with_pith_again(total, ends, errors), 1.0)


def _bounded(ends: InnerEnds) -> Flags:
    """Cores of which something bounds the distance."""
    lengths = np.isfinite(ends.radius_mm) & np.isfinite(ends.length_mm)
    return np.asarray(ends.seen | (ends.word == InnerEnd.PITH) | lengths)


def _with_pith_again(total: Array, ends: InnerEnds, errors: AimErrors) -> Array:
    """Evidence, (n_node, n_core), where those that hold the pith whatever the aim say nothing of it."""
    again = pith_again_share(errors.again)[:, None]
    left = np.where(ends.lost, 1.0, 1 - again) * total
    return np.where(ends.word == InnerEnd.PITH, again * _pith_fit(ends, errors) + left, left)


def pith_again_share(log_odds: Array) -> Array:
    """Share of cores that hold the pith whatever the aim, at a log factor on its odds."""
    return np.asarray(expit(logit(priors.PITH_AGAIN.value) + log_odds))


def draw_misses(ends: InnerEnds, distance_mm: Array, widths_mm: Array, rng: np.random.Generator) -> Array:
    """Draws of how far the line of one core passes beside the pith [mm], given draws of its distance, (draws,).

    A core that passes the pith misses it by its distance less a part of a ring, the innermost whole one being counted;
    one that stops short, by a part of the distance. widths_mm: as taken along the core, innermost first. At the centre
    of the prior of `end_distances`; 0 where the core holds the pith.
    """
    if ends.word[0] == InnerEnd.PITH:
        return np.zeros(distance_mm.size)
    radius = float(ends.assumed_mm[0])
    offset = offset_share() * radius
    aside = float(np.hypot(offset, priors.AIM_MM.value))
    along = float(np.hypot(offset, _radius_sd(ends)[0]))
    gap = float(ends.radius_mm[0] - ends.length_mm[0])
    lost = ends.lost[0]
    passes = 0.0 if lost else priors.PASSES_PITH.value
    rarer = np.exp(-DISTANCE_GRID_MM / priors.SHORT_MM.value)
    fades = rarer / float(_short(np.array([[aside]]))[0] @ (rarer * grid_cells()))
    cosines, sines, shares = _DIRECTIONS[-1]
    ahead = np.concatenate([[0.0], cosines])  # the core that passes, then directions of cores that stop short
    across = np.concatenate([[1.0], sines])
    distance = distance_mm[:, None]
    short = 2 * _normal(distance * across[1:] / aside) / aside * distance / priors.SHORT_MM.value * shares
    short = short * np.interp(distance_mm, DISTANCE_GRID_MM, fades)[:, None]
    beside = np.interp(distance_mm, DISTANCE_GRID_MM, _beside(np.array([[aside]]))[0])[:, None]
    weight = np.concatenate([passes * beside, (1 - passes) * short], axis=1)
    if np.isfinite(gap):
        weight = weight * np.exp(-0.5 * ((gap - distance * ahead) / along) ** 2)
    total = np.cumsum(np.maximum(weight, 1e-300), axis=1)
    picked = (total < rng.random(distance_mm.size)[:, None] * total[:, -1:]).sum(axis=1)
    inside = rng.random(distance_mm.size) * _ring_beside(widths_mm, float(distance_mm.mean()))
    return np.asarray(np.where(picked == 0, np.maximum(distance_mm - inside, 0.0), distance_mm * across[picked]))


def _ring_beside(widths_mm: Array, distance_mm: float) -> float:
    """Width of the rings [mm] square to them where a core passes the pith, from the inner widths taken along it."""
    near = widths_mm[:_RINGS_BESIDE]
    ring = 0.0
    for _ in range(_STEPS_BESIDE):
        miss = max(distance_mm - ring / 2, 0.0)
        start = np.sqrt(distance_mm**2 - miss**2)
        ring = float(np.hypot(start + near.sum(), miss) - distance_mm) / near.size
    return ring


def seen_likelihoods(ends: InnerEnds, errors: AimErrors) -> Array:
    """Likelihood of what the wood shows at every distance, whatever the way of the core, (n_node, n_core, n_grid)."""
    read = [_wood(ends, key, {}) for key in zip(errors.arc_bias.tolist(), errors.arc_spread.tolist(), strict=True)]
    return np.stack(read) * _noticed(errors, np.arange(len(errors)))[:, ends.noticed]


def _near_pith() -> Flags:
    """Distances at which the pith may be taken to lie on the core."""
    return np.asarray(DISTANCE_GRID_MM < priors.CORE_WIDTH.value / 2)  # noqa: SIM300 -- distances below, as said


def _noticed(errors: AimErrors, nodes: Rows, every: int = 1) -> Array:
    """Likelihood of what is noticed of curvature at nodes, by the kinds of `InnerEnds.noticed`, (n_node, 3, n_grid).

    every: one in so many distances.
    """
    sight, overlooked = errors.sight[nodes, None], errors.overlooked[nodes, None]
    unseen = unseen_share(DISTANCE_GRID_MM[::every], sight, overlooked)
    return np.stack([np.ones_like(unseen), 1 - unseen, unseen], axis=1)


def _wood(ends: InnerEnds, key: Sequence[float], kept: dict[float, Array]) -> Array:
    """Likelihood of all readings and of naming a pith or none, (n_core, n_grid).

    key: bias and log factor of the errors of arcs; kept: readings of the arcs by that factor, as far as they are known.
    """
    bias, spread = key
    read, arcs = _moved(ends.curved, bias) * ends.direct, np.flatnonzero(np.isfinite(ends.chord_mm))
    if arcs.size and spread not in kept:
        kept[spread] = arc_readings(ends.chord_mm[arcs], ends.rise_mm[arcs], ends.arc_sd_mm[arcs] * np.exp(spread))
    if arcs.size:
        read[arcs] *= smoothed_arcs(kept[spread], bias, spread)
    pith, rows, near = ends.word == InnerEnd.PITH, ends.noticed > 0, _near_pith()
    read[rows] *= np.where(near, ends.pith_near[rows, None], 1.0)
    read[pith] *= near
    return np.asarray(read)


def _moved(likelihood: Array, bias: float) -> Array:
    """Likelihoods of radii read, at distances that are smaller by a log bias."""
    if bias == 0.0 or (likelihood == 1.0).all():
        return likelihood
    place = np.arange(DISTANCE_GRID_MM.size) + bias / DISTANCE_STEP
    place = np.clip(place, 1.0, DISTANCE_GRID_MM.size - 1.001)
    low, part = place.astype(np.intp), place % 1
    return np.asarray(likelihood[:, low] * (1 - part) + likelihood[:, low + 1] * part)


def _radius_sd(ends: InnerEnds) -> Array:
    """Standard deviation of the radius; a third of one that is assumed (choice)."""
    return np.where(np.isfinite(ends.radius_sd_mm), ends.radius_sd_mm, ends.assumed_mm / 3)


def _pith_fit(ends: InnerEnds, errors: AimErrors) -> Array:
    """Density of the length of cores that hold the pith, (n_node, n_core); 1 where length or radius is not known."""
    offset, gap = offset_share() * ends.assumed_mm, ends.radius_mm - ends.length_mm
    along = np.hypot(np.exp(errors.eccentricity)[:, None] * offset, _radius_sd(ends))
    return np.where(np.isfinite(gap), _normal(np.nan_to_num(gap) / along) / along, 1.0)


class _Ways(NamedTuple):
    """Density of distance and core length at nodes of like ways and readings, before looking at the wood.

    At the near distances that stems allow, (n_core, n_near): of cores that pass the pith and of those that stop short,
    with the probability of either. How far short cores stop is a matter of the node: `rarer`, (n_node, n_near), towards
    greater distances, with the factor that keeps their sum, (n_node, n_core). wood: `_wood`, (n_core, n_grid).
    """

    nodes: Rows
    wood: Array
    passing: Array
    stopping: Array
    rarer: Array
    scale: Array

    def densities(self) -> Iterator[Array]:
        """Of either way together, node by node."""
        for rarer, scale in zip(self.rarer, self.scale, strict=True):
            yield self.passing + self.stopping * rarer * scale[:, None]


def _ways(ends: InnerEnds, errors: AimErrors, every: int = 1) -> Iterator[_Ways]:
    """Nodes in groups of like ways and readings; every: at one in so many distances."""
    keys = np.stack([errors.aim, errors.eccentricity, errors.square, errors.arc_bias, errors.arc_spread])
    kinds, like = np.unique(keys, axis=1, return_inverse=True)
    inside = ends.beyond_diameter[:, None] | ends.within_stem[:, ::every]
    inside &= (ends.word != InnerEnd.PITH)[:, None] | _near_pith()[::every]  # farther off nobody asks for a pith seen
    inside = inside[:, : int(inside.any(axis=0).sum())]
    way, read, arcs = [np.nan], [np.nan], dict[float, Array]()
    for kind, key in enumerate(kinds.T.tolist()):
        nodes = np.flatnonzero(like.ravel() == kind)
        if key[:3] != way:
            (passing, stopping, short), way = _way(ends, key[:3], inside, every), key[:3]
        if key[3:] != read:
            wood, read = _wood(ends, key[3:], arcs)[:, ::every], key[3:]
        rarer = np.exp(-DISTANCE_GRID_MM[::every] / (priors.SHORT_MM.value * np.exp(errors.shortfall[nodes, None])))
        scale = 1 / ((rarer * grid_cells(every)) @ short.T)
        yield _Ways(nodes, wood, passing, stopping, rarer[:, : passing.shape[1]], scale)


def _way(ends: InnerEnds, key: list[float], inside: Flags, every: int) -> tuple[Array, Array, Array]:
    """`passing` and `stopping` of `_Ways`; at all distances, the density of the distance of short cores.

    key: log factors of aim and eccentricity, and the meaning of lengths; inside, (n_core, n_near): what stems allow.
    """
    aim, eccentricity, square = key
    grid, offset = DISTANCE_GRID_MM[::every][: inside.shape[1]], offset_share() * ends.assumed_mm[:, None]
    aside = np.exp(aim) * np.hypot(offset, priors.AIM_MM.value)
    along = np.hypot(np.exp(eccentricity) * offset, _radius_sd(ends)[:, None])
    known, short = np.isfinite(ends.radius_mm - ends.length_mm)[:, None], _short(aside, every)
    gap = np.where(known, (ends.radius_mm - ends.length_mm)[:, None], 0.0)
    passes = np.where(ends.lost[:, None], 0.0, priors.PASSES_PITH.value)
    passing, stopping = passes * inside, (1 - passes) * inside
    fits = np.where(known, _normal((gap - grid if square else gap) / along) / along, 1.0)
    passing *= _beside(aside, grid)
    passing *= fits
    near = short[:, : grid.size]
    if square:
        near = near * fits
    else:  # nobody asks for a pith on the core that is far from it
        near, pith = near.copy(), ends.word == InnerEnd.PITH
        for which, cells in ((~pith, grid.size), (pith, int(_near_pith()[::every].sum()))):
            rows = known[:, 0] & which
            if rows.any():
                near[rows, :cells] = _short_along(gap[rows], along[rows], aside[rows], grid[:cells])
    stopping *= near
    return passing, stopping, short


def _normal(z: Array) -> Array:
    return np.asarray(np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi))


def _beside(aside: Array, grid: Array = DISTANCE_GRID_MM) -> Array:
    """Density of the distance of cores that pass the pith: a t of the sideways miss, either side."""
    df = priors.AIM_TAIL_DF.value
    top = 2 * gamma((df + 1) / 2) / gamma(df / 2) / np.sqrt(df * np.pi)  # of a folded t
    return np.asarray(top / aside * np.exp(-(df + 1) / 2 * np.log(1 + (grid / aside) ** 2 / df)))


def _short(aside: Array, every: int = 1) -> Array:
    """Density of hypot(short, aside): any shortfall is as likely, the miss is normal; per `priors.SHORT_MM`.

    A function of distance over miss alone, from a table four times as fine as the grid of distances.
    """
    grid = DISTANCE_GRID_MM[::every]
    place = (np.log(grid[1] / aside) - _SHORT_LOG[0]) / _SHORT_STEP
    first = np.clip(place, 0, None).astype(np.int64)
    cells = np.minimum(first + 4 * every * np.arange(grid.size - 1), _SHORT_LOG.size - 2)
    part, density = (place - first) / priors.SHORT_MM.value, np.zeros((len(aside), grid.size))
    density[:, 1:] = _SHORT_TABLE[cells] * (1 / priors.SHORT_MM.value - part) + _SHORT_TABLE[cells + 1] * part
    return density


_SHORT_STEP = DISTANCE_STEP / 4
_SHORT_LOG = -20.0 + _SHORT_STEP * np.arange(2800)
_SHORT_TABLE = np.sqrt(np.pi / 2) * np.exp(_SHORT_LOG) * i0e(np.exp(2 * _SHORT_LOG) / 4)


def _short_along(gap: Array, along: Array, aside: Array, distance_mm: Array) -> Array:
    """The same together with the density of radius less length, when lengths are along the core.

    Single precision: a density to four digits is plenty. Near the pith few directions do.
    """
    ratio, single = (gap / along).T, np.float32
    least = min(along.min(), aside.min())
    near, middle = (int(np.searchsorted(distance_mm, share * least)) for share in _NEAR_SHARES)
    parts = slice(near), slice(near, middle), slice(middle, None)
    total = np.empty((len(gap), distance_mm.size), dtype=single)
    for part, (cosines, sines, weights) in zip(parts, _DIRECTIONS, strict=True):
        ahead, across = cosines[:, None] / along.T, sines[:, None] / aside.T
        # both squares of the exponent together are one about its least, and the least
        root = np.sqrt((ahead**2 + across**2) / 2)
        best, left = ratio * ahead / (2 * root), np.log(weights)[:, None] - (ratio * across / (2 * root)) ** 2
        power = root.astype(single)[:, :, None] * distance_mm[part].astype(single)
        power -= best.astype(single)[:, :, None]
        power *= power
        np.subtract(left.astype(single)[:, :, None], power, out=power)
        np.exp(power, out=power).sum(axis=0, out=total[:, part])
    return np.asarray(distance_mm * total / (np.pi * along * aside * priors.SHORT_MM.value))
