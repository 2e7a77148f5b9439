"""Where the pith lies in the cross-section: masses on a square grid of places, from what the inner ends of cores show.

Own derivation: the statement of `distance.ends` in two dimensions. Axes are east and north [mm] from the geometric
centre; a core has places ahead of the centre (u, along its way inwards) and to the right of its way (v).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator
from scipy.special import ndtr

from treeage import priors
from treeage.distance import DISTANCE_GRID_MM, AimErrors, InnerEnds, offset_share, seen_likelihoods
from treeage.schema import InnerEnd

Array = NDArray[np.float64]

CELLS = 161  # choice: places along each side of the square
REACH = 0.75  # choice: half the side, as a share of the radius; seven usual standard deviations of the offset
AIM_RADIUS_MM = 175.0  # middle of the radii for which `priors.AIM_MM` is about three degrees
AXIS_SD_DEG = 10.0  # choice: error of the axis of symmetry of an arc, read under a lens on rings that are not round
SIDE_WRONG = 0.02  # choice: sides that are written down wrongly
LENGTH_SD_MM = 1.5  # choice: error of the length of a core
MOST_SHIFTED = 0.5  # choice: share of the mean-square offset's root that a steep slope or a strong lean turns one way
FULL_SLOPE_PERCENT, FULL_LEAN_DEG = 50.0, 10.0  # choice: from here on the shift is whole; below it grows evenly
_SHORT_STEPS = 80  # choice: nodes of how far before the pith a core stops
_INSIDE_RING_MM = (0.25, 0.75, 1.25)  # choice: the innermost boundary lies outside the nearest point, within a ring


@dataclass(frozen=True, eq=False)
class Shift:
    """Which way piths of leaning stems lie: mean offset as a share of the root-mean-square offset, which stays."""

    east: float = 0.0
    north: float = 0.0

    @property
    def spread(self) -> float:
        """Factor on the spread in each direction."""
        return float(np.sqrt(1 - self.east**2 - self.north**2))


def lean_shift(conifer: bool | None, tilt: tuple[float, float], lean: tuple[float, float]) -> Shift:
    """Shift of the pith on a slope (percent, direction downhill) or with a lean (degrees, direction); NaN unknown.

    In conifers compression wood makes rings widest on the lower side, opposite the off-centre pith (Koch, Cote,
    Schlieter & Day 1990, USDA FS Res. Pap. INT-420, abstract), so the pith lies uphill. In broadleaved trees the side
    is known from memory only: no shift. The size is a choice; the mean offset stays that of `priors.ECCENTRICITY`.
    """
    if not conifer:
        return Shift()
    for size, towards, whole in ((*lean, FULL_LEAN_DEG), (*tilt, FULL_SLOPE_PERCENT)):
        if np.isfinite(size) and np.isfinite(towards) and size > 0:
            share, angle = MOST_SHIFTED * min(size / whole, 1.0), np.deg2rad(towards + 180)
            return Shift(float(share * np.sin(angle)), float(share * np.cos(angle)))
    return Shift()


def axis_mm(radius_mm: float) -> Array:
    """Places along one side of the square, (CELLS,)."""
    return np.asarray(np.linspace(-REACH, REACH, CELLS) * radius_mm)


def prior_places(radius_mm: float, log_factor: float, shift: Shift) -> Array:
    """Mass of the place of the pith before any core, (east, north): normal, within the stem."""
    axis = axis_mm(radius_mm)
    usual = offset_share() * radius_mm * np.exp(log_factor)
    spread = usual * shift.spread
    parts = [np.exp(-0.5 * ((axis - np.sqrt(2) * usual * mean) / spread) ** 2) for mean in (shift.east, shift.north)]
    mass = parts[0][:, None] * parts[1][None, :]
    mass[np.hypot(axis[:, None], axis[None, :]) > 0.95 * radius_mm] = 0.0
    return np.asarray(mass / mass.sum())


def drift_deg(log_aim: float) -> float:
    """Standard deviation of a borer's direction as seen from the bark [degrees], normal, from `priors.AIM_MM`."""
    return float(np.rad2deg(np.arctan(priors.AIM_MM.value * np.exp(log_aim) / AIM_RADIUS_MM)))


# ------------------------------------------------------------------ what one core says


@dataclass(frozen=True)
class SeenCore:
    """A core in its cross-section: where it entered [degrees, clockwise from north], side and axis of its arc.

    side: 1 right, -1 left, 0 not written; axis_deg: NaN where not written.
    """

    entry_deg: float
    side: int = 0
    axis_deg: float = float("nan")


def core_evidence(core: SeenCore, ends: InnerEnds, errors: AimErrors, radius_mm: float) -> Array:
    """Likelihood of what one core shows for every place of the pith at every node, (n_node, east, north).

    ends: the row of the core alone. The direction of the core itself is known up to the usual drift.
    """
    axis = axis_mm(radius_mm)
    seen = seen_likelihoods(ends, errors)[:, 0]
    angle = np.deg2rad(core.entry_deg)
    east, north = axis[:, None], axis[None, :]
    ahead, right = -(east * np.sin(angle) + north * np.cos(angle)), -east * np.cos(angle) + north * np.sin(angle)
    out = np.empty((len(errors), CELLS, CELLS))
    for node in range(len(errors)):
        table = _along_and_aside(core, ends, errors.take(np.array([node])), seen[node], axis)
        turned = RegularGridInterpolator((axis, axis), table, bounds_error=False, fill_value=0.0)
        out[node] = turned(np.stack([ahead, right], axis=-1))
    return out


def _along_and_aside(core: SeenCore, ends: InnerEnds, error: AimErrors, seen: Array, axis: Array) -> Array:
    """The same at one node for places along and to the right of the core, (n_along, n_aside)."""
    radius = float(ends.assumed_mm[0])
    step = axis[1] - axis[0]
    drift = radius * np.tan(np.deg2rad(drift_deg(float(error.aim[0]))))
    reach = np.arange(np.ceil((axis[-1] + 6 * drift) / step) + 1) * step
    aside = np.concatenate([-reach[:0:-1], reach])  # pith to the right of the core as it was bored
    passes, short = _passes(core, seen, aside), _short(core, seen, aside, error, radius)
    lost = ends.word[0] in (InnerEnd.ROT, InnerEnd.BROKEN) and not ends.seen[0]
    gap, square = float(ends.radius_mm[0] - ends.length_mm[0]), bool(error.square[0])
    share = 0.0 if lost else priors.PASSES_PITH.value
    if not np.isfinite(gap) or ends.beyond_diameter[0]:
        flat = share * sum(part for _, part in passes) + (1 - share) * short[1].sum(axis=0)
        table = np.repeat(flat[None], axis.size, axis=0)
    else:
        spread = float(np.hypot(ends.assumed_sd_mm[0], LENGTH_SD_MM))
        table = np.zeros((axis.size, aside.size))
        for rest, part in passes:
            table += share * part * _normal((gap + axis[:, None] - (np.abs(aside) if square else rest)) / spread)
        table += (1 - share) * _short_gap(short, aside, gap + axis, spread, square)
    ends = axis[:, None] - aside[None, :] + step / 2 * np.array([[[-1]], [[1]]])
    tail = ndtr(ends / drift)
    return np.asarray(table @ (tail[1] - tail[0]).T)


def _passes(core: SeenCore, seen: Array, aside: Array) -> list[tuple[Array, Array]]:
    """Cores that run past the pith: what is left from the inner end to the nearest point, and the likelihood."""
    found = []
    for more in _INSIDE_RING_MM:
        near = np.abs(aside) + more
        rest = np.sqrt(near**2 - aside**2)
        likelihood = np.interp(np.abs(aside), DISTANCE_GRID_MM, seen) * _axis_fit(core, np.sign(aside) * 90.0)
        found.append((rest, likelihood / len(_INSIDE_RING_MM)))
    return found


def _short(core: SeenCore, seen: Array, aside: Array, error: AimErrors, radius: float) -> tuple[Array, Array]:
    """Cores that stop before the pith: how far before, (n_short,), and the likelihood there, (n_short, n_aside)."""
    reach = priors.SHORT_MM.value * np.exp(float(error.shortfall[0]))
    edges = 6 * reach * np.linspace(0, 1, _SHORT_STEPS + 1) ** 2
    before, width = (edges[1:] + edges[:-1]) / 2, np.diff(edges)
    distance = np.hypot(before[:, None], aside[None, :])
    usual = np.exp(float(error.aim[0])) * np.hypot(offset_share() * radius, priors.AIM_MM.value)
    rarer = np.exp(-distance / reach) * width[:, None]
    beside = _normal(aside / usual) / _normal(aside / usual).sum()
    likelihood = rarer / (rarer @ beside).sum() * np.interp(distance, DISTANCE_GRID_MM, seen)
    return before, likelihood * _axis_fit(core, np.rad2deg(np.arctan2(aside[None, :], before[:, None])))


def _short_gap(short: tuple[Array, Array], aside: Array, gap: Array, spread: float, square: bool) -> Array:
    """Likelihood of radius less length of short cores, (n_along, n_aside); lengths along the core or square."""
    before, likelihood = short
    if not square:
        return np.asarray(_normal((gap[:, None] - before[None, :]) / spread) @ likelihood)
    cell = spread / 2
    place = (np.hypot(before[:, None], aside[None, :]) / cell).astype(np.int64)
    number = int(place.max()) + 1
    flat = np.bincount((place * aside.size + np.arange(aside.size)).ravel(), likelihood.ravel(), number * aside.size)
    middle = (np.arange(number) + 0.5) * cell
    return np.asarray(_normal((gap[:, None] - middle[None, :]) / spread) @ flat.reshape(number, aside.size))


def _axis_fit(core: SeenCore, angle_deg: Array) -> Array:
    """Likelihood of side and axis of the arc where the pith lies at an angle to the right of the core's way inwards."""
    if core.side == 0 and not np.isfinite(core.axis_deg):
        return np.ones_like(angle_deg)
    if not np.isfinite(core.axis_deg):
        right = ndtr(angle_deg / AXIS_SD_DEG)
        return np.asarray(SIDE_WRONG + (1 - 2 * SIDE_WRONG) * (right if core.side > 0 else 1 - right))
    fits = [_normal(((angle_deg - sign * core.axis_deg + 180) % 360 - 180) / AXIS_SD_DEG) for sign in (1, -1)]
    one = {1: 1 - SIDE_WRONG, -1: SIDE_WRONG, 0: 0.5}[core.side]
    return np.asarray(one * fits[0] + (1 - one) * fits[1] + 1e-4)  # an axis can be misread altogether


def _normal(z: Array) -> Array:
    return np.asarray(np.exp(-0.5 * z**2))


# ------------------------------------------------------------------ what another core would meet


def place_of_entry(entry_deg: float, outside_mm: float) -> tuple[float, float]:
    """East and north of the point of entry on the bark [mm]."""
    return outside_mm * float(np.sin(np.deg2rad(entry_deg))), outside_mm * float(np.cos(np.deg2rad(entry_deg)))


def seen_from(entry_deg: float, outside_mm: float, axis: Array) -> tuple[Array, Array]:
    """Angle to the right of the way to the centre [degrees], and distance [mm], of every place from the bark."""
    angle = np.deg2rad(entry_deg)
    east, north = axis[:, None], axis[None, :]
    ahead = outside_mm - (east * np.sin(angle) + north * np.cos(angle))
    right = -east * np.cos(angle) + north * np.sin(angle)
    return np.asarray(np.rad2deg(np.arctan2(right, ahead))), np.asarray(np.hypot(right, ahead))
