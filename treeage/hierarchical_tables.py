"""Likelihood of each tree over growth rate and error factors, years and counts summed out, as polynomials.

Layer 5, part of the family of `hierarchical`. Own derivation: log likelihoods on Chebyshev nodes of the log factors.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from treeage import priors
from treeage.estimate_dates import rung
from treeage.estimate_inputs import CoreInputs
from treeage.estimate_special import JointCount
from treeage.estimate_stand import SpeciesRates, placed_mass
from treeage.grids import DISTANCE_GRID_MM
from treeage.hierarchical_factors import (
    FACTOR_LIMITS,
    MOST_AXES,
    SHIFTS,
    TOTAL_DEGREE,
    CoreFactors,
    chebyshev_nodes,
    degrees,
    fit_matrix,
    scale_distance,
    scaled_counts,
    scaled_rate,
)
from treeage.posterior import added_rings, align_added

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

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
