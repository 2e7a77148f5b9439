"""Likelihood of each tree over growth near the pith and error factors, years and counts summed out, as polynomials.

Own derivation: log likelihoods on Chebyshev nodes of the log factors; a factor of 1 is the error as stated.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from treeage.counting import count_error_mass
from treeage.distance import DISTANCE_GRID_MM, DistanceSource, scale_distance
from treeage.estimate import Cores, JointCount, Shared, SpeciesShared, missed_mass, table_size
from treeage.pmf import Mass, freeze_arrays
from treeage.posterior import GrowthNodes, added_rings, align_added, gone_astray, with_gross_error
from treeage.rings import RingCalibration
from treeage.schema import Dating, Word

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

SHIFTS: Array = np.round(np.arange(-12, 13) * 0.1, 10)
"""Values of the shared deviation of log hidden width (stand part + tree part); choice: +-1.2 in steps of 0.1."""
MOST_AXES = 3  # choice: error factors of one tree beyond its three most telling ones are held at 1
TOTAL_DEGREE = 5  # choice: a tree's log likelihood within 0.02 (rms) of direct evaluation
MOST_LEARNED_RINGS = 500  # choice: a tree whose every core is open further than this teaches nothing


# ------------------------------------------------------------------ error factors


class FactorKind(Word):
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
_NODES = {FactorKind.OWN: 4, FactorKind.DISTANCE: 6, FactorKind.COUNT: 3}  # choice: tested against direct evaluation

Nodes = Mapping[ErrorFactor | None, Array]
"""Values of the log factors on which a likelihood is evaluated; None stands for the factor on the own deviations."""


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


def scaled_counts(cores: Cores, rows: Sequence[int], factors: Sequence[ErrorFactor], factor: Array) -> Mass:
    """Count errors of cores, shape (n, n_error), when wrong rings are `factor` (shape (n,)) times as frequent.

    Wrong rings are Poisson with a mean of their share times rings, so twice the share is a core of twice the rings.
    """
    rows = list(rows)
    size = np.maximum(1, np.round(cores.rings_counted[rows] * factor)).astype(np.int64)
    dating, species = np.array([_COUNT_DATINGS[each] for each in factors]), [str(name) for name in cores.species[rows]]
    return count_error_mass(size, dating, genus=species, mean_width_mm=cores.mean_width_mm[rows])


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


# ------------------------------------------------------------------ polynomials in the log factors


def chebyshev_nodes(kind: FactorKind) -> Array:
    """Values of a log factor at the Chebyshev nodes, symmetric about 0."""
    size = _NODES[kind]
    return np.asarray(-np.cos(np.pi * (np.arange(size) + 0.5) / size) * FACTOR_LIMITS[kind])


@lru_cache(maxsize=1)
def degrees() -> Ints:
    """Degrees of the terms in the own factor and in the tree's error factors, shape (n_term, 1 + MOST_AXES).

    All products of Chebyshev polynomials up to a total degree.
    """
    most = max(_NODES[FactorKind.DISTANCE], _NODES[FactorKind.COUNT])
    every = product(range(_NODES[FactorKind.OWN]), *[range(most)] * MOST_AXES)
    return np.array([term for term in every if sum(term) <= TOTAL_DEGREE])


@lru_cache(maxsize=32)
def fit_matrix(kinds: tuple[FactorKind, ...]) -> tuple[Ints, Array]:
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


@dataclass(frozen=True, eq=False)
class TreeLikelihoods:
    """Log likelihoods of the trees that teach something, as polynomials of the log factors at every shift."""

    trees: tuple[str, ...]
    axis_factor: Ints  # (n_tree, MOST_AXES): index into factors of each error axis; their number where not used
    factors: tuple[ErrorFactor, ...]  # those on distances first, then those on counts
    coefficients: Array  # (n_tree, n_term, n_shift): of the terms of `degrees`

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def of_kind(self, kind: FactorKind) -> tuple[ErrorFactor, ...]:
        """The factors that act on distances, or on counts."""
        return tuple(factor for factor in self.factors if factor.kind is kind)

    def log_likelihood(self, log_own: float, log_factors: Array) -> Array:
        """Log likelihood of each tree at each shift, shape (n_tree, n_shift), up to a constant of each tree.

        log_own: log of the factor on the own deviations; log_factors, shape (n_factor,): logs of the error factors.
        """
        limits = np.array([FACTOR_LIMITS[factor.kind] for factor in self.factors])
        scaled = np.append(log_factors / limits, 0.0)[self.axis_factor]
        scaled = np.column_stack([np.full(len(self.trees), log_own / FACTOR_LIMITS[FactorKind.OWN]), scaled])
        terms = degrees()
        basis = np.ones((len(self.trees), len(terms)))
        for axis in range(scaled.shape[1]):
            basis *= np.polynomial.chebyshev.chebvander(scaled[:, axis], TOTAL_DEGREE)[:, terms[:, axis]]
        return np.asarray(np.einsum("ta,tas->ts", basis, self.coefficients))


# ------------------------------------------------------------------ trees with several cores at one height


def tree_likelihoods(learning: LearningCores, rows_of_tree: Mapping[str, Sequence[int]]) -> TreeLikelihoods:
    """Sum the years and counts out of every tree, given by its informative cores, all at one height.

    Only trees whose likelihood varies are kept; a tree with one core has a constant one under the flat prior.
    """
    # L(shift, factors) = sum over pith years P of the product over cores of p(missed + count error = innermost - P).
    # Two cores that were read against each other have joint count errors; under the flat prior only their difference
    # matters, so it is put on the second core. Own derivation; compared with direct summation in the tests.
    acting = {*learning.distance_factor, *learning.count_factor}
    factors = tuple(factor for factor in ErrorFactor if factor in acting)
    trees, axes, coefficients = [], [], []
    size = len(degrees())
    for tree, rows in rows_of_tree.items():
        joint = learning.cores.joint_counts.get(tree) if len(rows) == 2 else None
        own = tree_axes(learning, rows, counted=joint is None)
        log_like = tree_log_likelihood(learning, rows, own, joint=joint)
        if log_like is None or np.ptp(log_like) < 1e-6:
            continue
        used, matrix = fit_matrix((FactorKind.OWN, *(factor.kind for factor in own)))
        full = np.zeros((size, SHIFTS.size))
        full[used] = matrix @ log_like.reshape(-1, SHIFTS.size)
        trees.append(tree)
        axes.append([factors.index(factor) for factor in own] + [len(factors)] * (MOST_AXES - len(own)))
        coefficients.append(full)
    return TreeLikelihoods(
        tuple(trees),
        np.array(axes, dtype=np.int64).reshape(-1, MOST_AXES),
        factors,
        np.array(coefficients).reshape(-1, size, SHIFTS.size),
    )


def tree_axes(learning: LearningCores, rows: Sequence[int], *, counted: bool) -> list[ErrorFactor]:
    """Error factors of a tree in the order of `ErrorFactor`, at most MOST_AXES: the most telling ones.

    counted: whether the published count errors act.
    """
    telling: dict[ErrorFactor, float] = {}
    logs = np.log(DISTANCE_GRID_MM[1:])
    for row in rows:
        distance, count = learning.distance_factor[row], learning.count_factor[row]
        if distance is not None:
            mass = learning.cores.distance[row, 1:]
            telling[distance] = telling.get(distance, 0.0) + float(mass @ logs**2 - (mass @ logs) ** 2)
        if counted and count is not None:
            telling[count] = 10.0  # choice: the count factor is always kept
    acting = [factor for factor in ErrorFactor if factor in telling]
    kept = sorted(acting, key=lambda factor: -telling[factor])[:MOST_AXES]
    return [factor for factor in acting if factor in kept]


def tree_log_likelihood(
    learning: LearningCores,
    rows: Sequence[int],
    axes: Sequence[ErrorFactor],
    *,
    joint: JointCount | None = None,
    nodes: Nodes | None = None,
) -> Array | None:
    """Log likelihood of one tree on the nodes of its factors, shape (n_own, n_axis_1, ..., n_shift).

    None where every core is open too far to teach anything. joint: joint count errors of its two cores; nodes: the
    Chebyshev nodes by default.
    """
    cores, index = learning.cores, np.asarray(rows)
    innermost = cores.innermost_year[index]
    points = nodes or {None: chebyshev_nodes(FactorKind.OWN)} | {own: chebyshev_nodes(own.kind) for own in axes}
    counts = [_counts_on(learning, row, joint, points) for row in rows]
    start = min(count.start for count in counts)
    stop = max(count.stop for count in counts) + 1
    reach = np.array([count.start + int(np.flatnonzero(count.mass.max(axis=0) > 1e-5).max()) for count in counts])
    open_to = cores.most_rings[index] + reach - (innermost - innermost.min())
    most = int(open_to.min()) + int(np.ptp(innermost)) - start + 2
    if most > MOST_LEARNED_RINGS:
        return None
    most = table_size(most)
    letters: dict[ErrorFactor | None, str] = {factor: "abcdefgh"[place] for place, factor in enumerate(axes)}
    operands: list[tuple[Array, str]] = []
    for place, row in enumerate(rows):
        count = Mass(start, counts[place].on(start, stop - start))
        added = _core_on_nodes(learning, row, points, most, count)
        flat = Mass(start, added.reshape(-1, SHIFTS.size, added.shape[-1]))
        offset = np.full(len(flat.mass), innermost[place] - innermost.min())
        aligned = align_added(flat, offset, start, most + 1).reshape(*added.shape[:-1], -1)
        aligned = with_gross_error(aligned, gone_astray(aligned.mean(axis=(0, 1, 2, 3))), cores.wrong)
        distance, counted = learning.distance_factor[row], learning.count_factor[row]
        word = "w" + letters.get(distance, "x") + letters.get(counted, "y")  # x, y: axes of one value
        operands.append((aligned, word + "sk"))
    return _summed(operands, "w" + "".join(letters[factor] for factor in axes) + "s")


def _summed(operands: Sequence[tuple[Array, str]], out: str) -> Array:
    """Log of the sum over years of the product over cores; axes of a core without a factor have one value and drop."""
    arrays, words = [], []
    for array, word in operands:
        keep = [place for place, letter in enumerate(word) if letter in out or letter == "k"]
        arrays.append(array.reshape([array.shape[place] for place in keep]))
        words.append("".join(word[place] for place in keep))
    total = np.einsum(",".join(words) + "->" + out, *arrays, optimize=True)
    log_total: Array = np.log(np.maximum(np.asarray(total, dtype=np.float64), 1e-300))
    return log_total


def _counts_on(learning: LearningCores, row: int, joint: JointCount | None, nodes: Nodes) -> Mass:
    """Count error of one core at every node of its factor, shape (n_node, n_error)."""
    if joint is not None:
        pair, starts, mass = joint
        return _difference(starts, mass) if row == pair[1] else Mass(0, np.ones((1, 1)))
    factor, cores = learning.count_factor[row], learning.cores
    if factor is None or factor not in nodes:
        return cores.count[[row]]
    values = np.exp(nodes[factor])
    size = values.size
    return scaled_counts(cores, [row] * size, [factor] * size, values)


def _difference(starts: tuple[int, int], mass: Array) -> Mass:
    """The second core's count error less the first's, one row."""
    rows, columns = np.indices(mass.shape)
    apart = (starts[1] + columns) - (starts[0] + rows)
    start = int(apart.min())
    out = np.bincount((apart - start).ravel(), mass.ravel())
    return Mass(start, (out / out.sum())[None])


def _core_on_nodes(learning: LearningCores, row: int, points: Nodes, most: int, count: Mass) -> Array:
    """Mass of the added rings of one core, shape (n_own, n_distance, n_count, n_shift, n); 1 where no factor acts."""
    cores, factor = learning.cores, learning.distance_factor[row]
    nodes = points.get(factor, np.zeros(1)) if factor is not None else np.zeros(1)
    mass = np.repeat(cores.distance[[row]], nodes.size, axis=0)
    if nodes.any():
        mass = scale_distance(mass, np.exp(nodes))
    same, own = np.full(nodes.size, row), learning.shared[cores.species[row]]
    parts = []
    for node in points[None]:
        missed = missed_mass(cores, same, scaled_growth(own, float(np.exp(node))), most, distance=mass)
        by_count = [
            added_rings(missed, Mass(count.start, np.repeat(one[None], same.size, axis=0))).mass for one in count.mass
        ]
        parts.append(np.stack(by_count, axis=1))
    return np.stack(parts)


# ------------------------------------------------------------------ trees cored at two heights


def difference_likelihood(learning: LearningCores, rows: Sequence[int], *, most_years: int) -> Array:
    """Likelihood of 0, 1, ... years between the two heights at which a tree was cored, shape (n_shift, most_years).

    rows: the lower and the upper core. Sum over the lower pith year of the product of both cores; ones where they are
    open too far. Error factors are held at 1: such trees teach the height curve and the growth near the pith.
    """
    cores, index = learning.cores, np.asarray(rows)
    most = int(cores.most_rings[index].max())
    if most > 2 * MOST_LEARNED_RINGS:
        return np.ones((SHIFTS.size, most_years))
    own = scaled_growth(learning.shared[cores.species[rows[0]]], 1.0)
    missed = missed_mass(cores, index, own, table_size(most), distance=cores.distance[index])
    low, high = added_rings(missed, cores.count[index]).mass
    # pith years: lower = I_low - K_low, upper = I_high - K_high; upper - lower = gap + K_low - K_high
    gap = int(cores.innermost_year[rows[1]] - cores.innermost_year[rows[0]])
    size = low.shape[1]
    length = next_fast_len(2 * size, real=True)
    cross = irfft(np.conj(rfft(high, length)) * rfft(low, length), length)  # at lag K_low - K_high
    lag = np.arange(most_years) - gap
    inside = np.abs(lag) < size
    out: Array = np.where(inside, cross[:, np.where(inside, lag, 0)], 0.0)
    return with_gross_error(np.maximum(out, 0.0), np.full(out.shape[1], 1.0 / size), cores.wrong)
