"""Error factors that a stand can teach, which cores they act on, and how they widen or narrow a core's masses.

Own derivation; a factor of 1 is the error as stated.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum, StrEnum

import numpy as np
from numpy.typing import NDArray

from treeage.counting import count_error_mass
from treeage.distance import DISTANCE_GRID_MM, DistanceSource, grid_cells
from treeage.estimate import Cores, Shared, SpeciesShared
from treeage.pmf import Mass
from treeage.posterior import GrowthNodes
from treeage.rings import RingCalibration
from treeage.schema import Dating

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

SHIFTS: Array = np.round(np.arange(-12, 13) * 0.1, 10)
"""Values of the shared deviation of log hidden width (stand part + tree part); choice: +-1.2 in steps of 0.1."""


class FactorKind(StrEnum):
    """What an error factor acts on."""

    OWN = "own"
    DISTANCE = "distance"
    COUNT = "count"


class ErrorFactor(Enum):
    """Factors on the errors of cores that the stand can teach: what each acts on, and its word in tables."""

    ARC = (FactorKind.DISTANCE, "arc")
    CIRCLE = (FactorKind.DISTANCE, "circle")
    DISTANCE_READ = (FactorKind.DISTANCE, "distance_read")
    RADIUS_LENGTH = (FactorKind.DISTANCE, "radius_length")
    RAYS = (FactorKind.DISTANCE, "rays")
    FIELD_COUNT = (FactorKind.COUNT, "field_count")
    LAB_COUNT = (FactorKind.COUNT, "lab_count")

    @property
    def kind(self) -> FactorKind:
        """What the factor acts on."""
        return self.value[0]

    @property
    def word(self) -> str:
        """Its word in tables and inference data."""
        return self.value[1]


_DISTANCE_FACTORS = {
    DistanceSource.RADIUS_LESS_LENGTH: ErrorFactor.RADIUS_LENGTH,
    DistanceSource.ARC: ErrorFactor.ARC,
    DistanceSource.SEVERAL_ARCS: ErrorFactor.ARC,
    DistanceSource.POINTS: ErrorFactor.ARC,
    DistanceSource.CIRCLE: ErrorFactor.CIRCLE,
    DistanceSource.RAYS: ErrorFactor.RAYS,
    DistanceSource.DIRECT: ErrorFactor.DISTANCE_READ,
}
"""Factor of each source; a core with several takes the first of this order."""
_COUNT_FACTORS = {Dating.LAB_COUNT: ErrorFactor.LAB_COUNT, Dating.FIELD_COUNT: ErrorFactor.FIELD_COUNT}
_COUNT_DATINGS = {factor: dating for dating, factor in _COUNT_FACTORS.items()}


FACTOR_LIMITS: Mapping[FactorKind, float] = {FactorKind.OWN: 0.7, FactorKind.DISTANCE: 1.0, FactorKind.COUNT: 1.25}
"""Log factors are kept within these limits (choice: about a half to twice, a third to three times)."""


@dataclass(frozen=True, eq=False)
class LearningCores:
    """Cores as the exact engine prepares them, what they share, and the error factors that act on each.

    The factors have an entry a core; None where none acts.
    """

    cores: Cores
    shared: Shared
    distance_factor: tuple[ErrorFactor | None, ...]
    count_factor: tuple[ErrorFactor | None, ...]


def learning_cores(cores: Cores, shared: Shared) -> LearningCores:
    """Say which error factors act on each core.

    No factor acts on a distance of 0, on a core that only bounds the date, or on a crossdated count; counts whose outer
    rings are lost keep their stated error.
    """
    certain = cores.bound_only | (cores.distance[:, 0] >= 1)
    found = [
        next((factor for member, factor in _DISTANCE_FACTORS.items() if member in source), None)
        for source in cores.source
    ]
    distance = tuple(None if sure else factor for sure, factor in zip(certain, found, strict=True))
    lost = cores.outer_lost_sd > 0
    count = tuple(None if gone else _COUNT_FACTORS.get(word) for gone, word in zip(lost, cores.dating, strict=True))
    return LearningCores(cores, shared, distance, count)


def scale_distance(mass: Array, factor: Array, radial: Flags) -> Array:
    """Widen or narrow the error of distances, mass (n, n_grid) on `DISTANCE_GRID_MM`, by factors (n,); rows sum to 1.

    radial, shape (n,): rows whose distance is the length of an offset in the plane (radius less core length).
    """
    # The density per mm, over its base measure (1, or the distance itself for an offset in the plane), is raised to the
    # power 1 / factor**2. For normal errors this is exactly an error of factor times the size; for skewed ones it keeps
    # the shape that the reading gave. A mass at the pith itself is left alone.
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


def scaled_counts(rings: Ints, factors: Sequence[ErrorFactor], species: Sequence[str], factor: Array) -> Mass:
    """Count errors of cores, shape (n, n_error), when wrong rings are `factor` (shape (n,)) times as frequent.

    Wrong rings are Poisson with a mean of their share times rings, so twice the share is a core of twice the rings.
    """
    size = np.maximum(1, np.round(rings * factor)).astype(np.int64)
    return count_error_mass(size, np.array([_COUNT_DATINGS[each] for each in factors]), genus=list(species))


def scaled_growth(own: SpeciesShared, own_factor: float, nodes: GrowthNodes | None = None) -> SpeciesShared:
    """What a species shares with every core's own deviation scaled, on the shifts of the hierarchical model.

    The shifts are equally likely where no nodes are given; the adjustment by the stand's ring tables is kept.
    """
    if nodes is None:
        nodes = GrowthNodes(SHIFTS, np.ones(1), np.full((1, SHIFTS.size), 1.0 / SHIFTS.size))
    known = own.calibration
    if known is None:
        known = RingCalibration(np.array([1.0, 100.0]), np.zeros(2), 0.0, 0.0, np.ones(2), np.zeros(()))
    return replace(own, growth=nodes, calibration=replace(known, own_factor=known.own_factor * own_factor))
