"""Likelihood of each tree over growth rate and error factors, years and counts summed out, as polynomials.

Own derivation: log likelihoods on Chebyshev nodes of the log factors.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from treeage import priors
from treeage.counting import count_error_mass
from treeage.distance import DISTANCE_GRID_MM, grid_cells
from treeage.estimate import CoreInputs, JointCount, SpeciesRates, placed_mass, rung
from treeage.posterior import RateNodes, added_rings, align_added
from treeage.rings import RingCalibration

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
    >>> from treeage.distance import distance_mass
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


MOST_LEARNED_RINGS = 500  # choice: a tree whose every core is open further than this teaches nothing


@dataclass(frozen=True, eq=False)
class CoreTables:
    """What the likelihood of a tree is made from.

    Parameters
    ----------
    inputs : CoreInputs
        All cores.
    factors : CoreFactors
        Error factors that act on each core.
    rings : numpy.ndarray of int, shape (n_core,)
        Rings counted.
    species, names : sequence of str
        Species and id of each core.
    rates : mapping of str to SpeciesRates
        Of the exact engine, by species.
    joint : mapping of str to JointCount
        Joint count errors of trees whose cores were read against each other.
    """

    inputs: CoreInputs
    factors: CoreFactors
    rings: Ints
    species: Sequence[str]
    names: Sequence[str]
    rates: Mapping[str, SpeciesRates]
    joint: Mapping[str, JointCount] = field(default_factory=dict)


@dataclass(frozen=True)
class TreeLikelihoods:
    """Log likelihoods of the trees that teach something, as polynomials of the log factors at every shift.

    Parameters
    ----------
    trees : tuple of str
        Ids.
    axis_factor : numpy.ndarray of int, shape (n_tree, MOST_AXES)
        Index into factor_names of each error axis of a tree; the last index + 1 where the axis is not used.
    factor_names : tuple of str
        Error factors, "distance: arc", "count: lab_count", ...
    coefficients : numpy.ndarray, shape (n_tree, n_term, n_shift)
        Coefficients of the terms of `degrees`.
    """

    trees: tuple[str, ...]
    axis_factor: Ints
    factor_names: tuple[str, ...]
    coefficients: Array

    def log_likelihood(self, log_own: float, log_factors: Array) -> Array:
        """Log likelihood of each tree at each shift for one value of every factor.

        Parameters
        ----------
        log_own : float
            Log of the factor on the own deviations.
        log_factors : numpy.ndarray, shape (n_factor,)
            Logs of the error factors.

        Returns
        -------
        numpy.ndarray, shape (n_tree, n_shift)
            Up to a constant of each tree.
        """
        limits = np.array([FACTOR_LIMITS[name.split(":")[0]] for name in self.factor_names])
        scaled = np.append(log_factors / limits, 0.0)[self.axis_factor]
        scaled = np.column_stack([np.full(len(self.trees), log_own / FACTOR_LIMITS["own"]), scaled])
        terms = degrees()
        basis = np.ones((len(self.trees), len(terms)))
        for axis in range(scaled.shape[1]):
            basis *= np.polynomial.chebyshev.chebvander(scaled[:, axis], TOTAL_DEGREE)[:, terms[:, axis]]
        return np.asarray(np.einsum("ta,tas->ts", basis, self.coefficients))


def tree_likelihoods(tables: CoreTables, rows_of_tree: Mapping[str, Sequence[int]]) -> TreeLikelihoods:
    """Sum the years and counts out of every tree with two or more cores.

    Parameters
    ----------
    tables : CoreTables
        All cores.
    rows_of_tree : mapping of str to sequence of int
        Informative cores of each tree, all at one height.

    Returns
    -------
    TreeLikelihoods
        Only trees whose likelihood varies; a tree with one core has a constant one under the flat prior.

    Notes
    -----
    L(shift, factors) = sum over pith years P of the product over cores of p(missed + count error = innermost - P).
    Two cores that were read against each other have joint count errors; under the flat prior only their difference
    matters, so it is put on the second core.

    References
    ----------
    .. [1] Own derivation; compared with direct summation in the tests.
    """
    factors = tables.factors
    methods = sorted({name for name in factors.distance_method if name})
    counts = sorted({name for name in factors.dating if name})
    names = tuple([f"distance: {name}" for name in methods] + [f"count: {name}" for name in counts])
    trees, axes, coefficients = [], [], []
    size = len(degrees())
    for tree, rows in rows_of_tree.items():
        joint = tables.joint.get(tree) if len(rows) == 2 else None
        axis_names = tree_axes(tables, rows, counted=joint is None)
        log_like = tree_log_likelihood(tables, rows, axis_names, joint=joint)
        if log_like is None or np.ptp(log_like) < 1e-6:
            continue
        kinds = ("own", *(name.split(":")[0] for name in axis_names))
        used, matrix = fit_matrix(kinds)
        full = np.zeros((size, SHIFTS.size))
        full[used] = matrix @ log_like.reshape(-1, SHIFTS.size)
        trees.append(tree)
        padded = [names.index(name) for name in axis_names]
        axes.append(padded + [len(names)] * (MOST_AXES - len(padded)))
        coefficients.append(full)
    return TreeLikelihoods(
        tuple(trees),
        np.array(axes, dtype=np.int64).reshape(-1, MOST_AXES),
        names,
        np.array(coefficients).reshape(-1, size, SHIFTS.size),
    )


def tree_axes(tables: CoreTables, rows: Sequence[int], *, counted: bool) -> list[str]:
    """Error factors of a tree; the most telling ones where there are too many.

    Parameters
    ----------
    tables : CoreTables
        All cores.
    rows : sequence of int
        Cores of the tree.
    counted : bool
        Whether the published count errors act.

    Returns
    -------
    list of str
        At most MOST_AXES names, sorted.
    """
    found: dict[str, float] = {}
    logs = np.log(DISTANCE_GRID_MM[1:])
    for row in rows:
        if tables.factors.distance_method[row]:
            mass = tables.inputs.distance[row, 1:]
            name = f"distance: {tables.factors.distance_method[row]}"
            found[name] = found.get(name, 0.0) + float(mass @ logs**2 - (mass @ logs) ** 2)
        if counted and tables.factors.dating[row]:
            found[f"count: {tables.factors.dating[row]}"] = 10.0  # choice: the count factor is always kept
    return sorted(sorted(found, key=lambda name: -found[name])[:MOST_AXES])


def tree_log_likelihood(
    tables: CoreTables,
    rows: Sequence[int],
    axis_names: Sequence[str],
    *,
    joint: JointCount | None = None,
    nodes: Mapping[str, Array] | None = None,
) -> Array | None:
    """Log likelihood of one tree on the nodes of its factors.

    Parameters
    ----------
    tables : CoreTables
        All cores.
    rows : sequence of int
        Cores of the tree.
    axis_names : sequence of str
        Its error factors.
    joint : JointCount, optional
        Joint count errors of its two cores.
    nodes : mapping of str to numpy.ndarray, optional
        Values of the log factors, by "own" and axis name; the Chebyshev nodes by default.

    Returns
    -------
    numpy.ndarray, shape (n_own, n_axis_1, ..., n_shift) or None
        None where every core is open too far to teach anything.
    """
    index = np.asarray(rows)
    innermost = tables.inputs.innermost_year[index]
    points = nodes or {"own": chebyshev_nodes("own")} | {n: chebyshev_nodes(n.split(":")[0]) for n in axis_names}
    counts = [_counts_on(tables, row, joint, points.get(f"count: {tables.factors.dating[row]}")) for row in rows]
    start = min(first for first, _ in counts)
    stop = max(first + mass.shape[1] for first, mass in counts)
    reach = np.array([first + int(np.flatnonzero(mass.max(axis=0) > 1e-5).max()) for first, mass in counts])
    open_to = tables.inputs.most_rings[index] + reach - (innermost - innermost.min())
    most = int(open_to.min()) + int(np.ptp(innermost)) - start + 2
    if most > MOST_LEARNED_RINGS:
        return None
    most = rung(most)
    letters = {name: "abcdefgh"[place] for place, name in enumerate(axis_names)}
    operands: list[object] = []
    for place, row in enumerate(rows):
        count = np.zeros((counts[place][1].shape[0], stop - start))
        at = counts[place][0] - start
        count[:, at : at + counts[place][1].shape[1]] = counts[place][1]
        added = _core_on_nodes(tables, row, points, most, (start, count))
        offset = np.full(SHIFTS.size, innermost[place] - innermost.min())
        flat = added.reshape(-1, SHIFTS.size, added.shape[-1])
        laid = align_added(flat, start, np.full(flat.shape[0], offset[0]), start, most + 1)
        laid = laid.reshape(*added.shape[:-1], -1) + priors.GROSS_ERROR.value / (most + 1)
        word = "w"
        for kind, name in (("distance", tables.factors.distance_method[row]), ("count", tables.factors.dating[row])):
            axis = f"{kind}: {name}"
            word += letters.get(axis, "xy"[kind == "count"])
        operands += [laid, word + "sk"]
    return _summed(operands, "w" + "".join(letters[name] for name in axis_names) + "s")


def _summed(operands: list[object], out: str) -> Array:
    """Sum over years of the product over cores; axes of a core without a factor have one value and drop out."""
    arrays, words = [], []
    for array, word in zip(operands[::2], operands[1::2], strict=True):
        keep = [place for place, letter in enumerate(str(word)) if letter in out or letter in "k"]
        shape = [np.asarray(array).shape[place] for place in keep]
        arrays.append(np.asarray(array).reshape(shape))
        words.append("".join(str(word)[place] for place in keep))
    total = np.einsum(",".join(words) + "->" + out, *arrays, optimize=True)
    log_total: Array = np.log(np.maximum(np.asarray(total, dtype=np.float64), 1e-300))
    return log_total


def _counts_on(tables: CoreTables, row: int, joint: JointCount | None, nodes: Array | None) -> tuple[int, Array]:
    """Count error of one core at every node of its factor."""
    if joint is not None:
        pair, first, second, mass = joint
        if tables.names[row] != pair[1]:
            return 0, np.ones((1, 1))
        return _difference(first, second, mass)
    if not tables.factors.dating[row] or nodes is None:
        mass = tables.inputs.count[[row]]
        return tables.inputs.count_start, mass
    size = nodes.size
    word = tables.factors.dating[row]
    return scaled_counts(np.full(size, tables.rings[row]), [word] * size, [tables.species[row]] * size, np.exp(nodes))


def _difference(first: int, second: int, mass: Array) -> tuple[int, Array]:
    """Mass of the second core's count error less the first's."""
    rows, columns = np.indices(mass.shape)
    apart = (second + columns) - (first + rows)
    start = int(apart.min())
    out = np.bincount((apart - start).ravel(), mass.ravel())
    return start, (out / out.sum())[None]


def _core_on_nodes(
    tables: CoreTables, row: int, points: Mapping[str, Array], most: int, count: tuple[int, Array]
) -> Array:
    """Mass of the added rings of one core, shape (n_own, n_distance, n_count, n_shift, n); 1 where no factor acts."""
    distance_nodes = points.get(f"distance: {tables.factors.distance_method[row]}", np.zeros(1))
    mass = np.repeat(tables.inputs.distance[[row]], distance_nodes.size, axis=0)
    radial = np.full(distance_nodes.size, tables.factors.distance_method[row] == "radius_length")
    if distance_nodes.any():
        mass = scale_distance(mass, np.exp(distance_nodes), radial)
    same = np.full(distance_nodes.size, row)
    rate = tables.rates[tables.species[row]]
    parts = []
    for node in points["own"]:
        missed = placed_mass(tables.inputs, same, mass, scaled_rate(rate, float(np.exp(node))), most)
        by_count = [added_rings(missed, count[0], np.repeat(one[None], same.size, axis=0)) for one in count[1]]
        parts.append(np.stack(by_count, axis=1))
    return np.stack(parts)


def difference_likelihood(tables: CoreTables, rows: Sequence[int], *, most_years: int) -> Array:
    """Likelihood of the years between the two heights at which a tree was cored.

    Parameters
    ----------
    tables : CoreTables
        All cores.
    rows : sequence of int
        The lower and the upper core.
    most_years : int
        Differences 0, 1, ..., most_years - 1.

    Returns
    -------
    numpy.ndarray, shape (n_shift, most_years)
        Sum over the lower pith year of the product of both cores; ones where they are open too far.

    Notes
    -----
    Error factors are held at 1 here: such trees teach the height curve and the growth rate.
    """
    inputs = tables.inputs
    index = np.asarray(rows)
    most = int(inputs.most_rings[index].max())
    if most > 2 * MOST_LEARNED_RINGS:
        return np.ones((SHIFTS.size, most_years))
    rate = scaled_rate(tables.rates[tables.species[rows[0]]], 1.0)
    missed = placed_mass(inputs, index, inputs.distance[index], rate, rung(most))
    low, high = added_rings(missed, inputs.count_start, inputs.count[index])
    # pith years: lower = I_low - K_low, upper = I_high - K_high; upper - lower = gap + K_low - K_high
    gap = int(inputs.innermost_year[rows[1]] - inputs.innermost_year[rows[0]])
    size = low.shape[1]
    length = next_fast_len(2 * size, real=True)
    cross = irfft(np.conj(rfft(high, length)) * rfft(low, length), length)  # at lag K_low - K_high
    lag = np.arange(most_years) - gap
    inside = np.abs(lag) < size
    out: Array = np.where(inside, cross[:, np.where(inside, lag, 0)], 0.0)
    return np.asarray(np.maximum(out, 0.0) + priors.GROSS_ERROR.value / size)
