"""The likelihood of a stand and its gradient as one operation for PyMC, so that nothing of it has to be compiled.

Derivatives by hand; checked against finite differences in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from treeage.hierarchical.data import DIFFERENCE_YEARS, FORMS, HeightData
from treeage.hierarchical.likelihood import FACTOR_LIMITS, SHIFTS, TOTAL_DEGREE, FactorKind, TreeLikelihoods, degrees
from treeage.hierarchical.priors import NAMES, ParameterMap

if TYPE_CHECKING:
    from collections.abc import Callable

    from treeage.hierarchical.data import StandData

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

SD_FLOOR = 0.03  # choice: below, the even steps of the shifts no longer hold a normal


# ------------------------------------------------------------------ early height growth


@dataclass(frozen=True, eq=False)
class HeightValue:
    """Log likelihood of early height growth, and its gradient by the parameters of each species.

    form_log_weight, shape (n_species, n_form): log posterior weight of each growth form; by_weight, shape (n_cored,
    n_shift): gradient by the probability of each shift.
    """

    total: float
    form_log_weight: Array
    by_level: Array
    by_slope: Array
    by_spread: Array
    by_weight: Array


class HeightKernel:
    """Likelihood of the young trees, two-height pairs and trees cored at two heights.

    difference, shape (n_cored, n_shift, n_years): likelihood of the years between the heights of trees cored at two.
    """

    # log seasons = level + slope x_form(height) + normal error between trees. The years between two heights are
    # lognormal, rounded to whole years; from the collar, where nothing is rounded below, d years mean that the upper
    # height was passed after d to d + 1 seasons. Each growth form has the same level, slope and spread; the likelihood
    # is their weighted sum, so the form is summed out.

    def __init__(self, heights: HeightData, difference: Array) -> None:
        self._heights, self._difference = heights, difference
        self._size = len(heights.species)
        axis, log_age, code = heights.young_axis, heights.young_log_age[:, None], heights.young_species
        columns = (np.ones_like(axis), log_age + 0 * axis, log_age**2 + 0 * axis, axis, axis**2, axis * log_age)
        rounded = np.where(heights.cored_at_collar, 1.0, 0.5)[:, None, None]
        self._edges = np.log(np.arange(DIFFERENCE_YEARS) + rounded)
        self._sums = [self._by_species(column, code) for column in columns]

    def _by_species(self, values: Array, code: Ints) -> Array:
        out = np.zeros((self._size, values.shape[1]))
        np.add.at(out, code, values)
        return out

    def __call__(self, level: Array, slope: Array, spread: Array, shift_weight: Array) -> HeightValue:
        """Evaluate at the log seasons at the middle height, the slope there and the spread, each shape (n_species,).

        shift_weight, shape (n_cored, n_shift): probability of each shift for each tree cored at two heights.
        """
        parts = [self._young(level, slope, spread), self._pairs(level, slope, spread)]
        cored, to_weight = self._cored(level, slope, spread, shift_weight)
        parts.append(cored)
        log_like, by_level, by_slope, by_spread = (sum(part[k] for part in parts) for k in range(4))
        log_like = log_like + form_log_prior()
        top = log_like.max(axis=1, keepdims=True)
        total = top + np.log(np.exp(log_like - top).sum(axis=1, keepdims=True))
        share = np.exp(log_like - total)
        by_weight = np.einsum("nf,nfs->ns", share[self._heights.cored_species], to_weight)
        return HeightValue(
            float(total.sum()),
            log_like - total,
            (share * by_level).sum(axis=1),
            (share * by_slope).sum(axis=1),
            (share * by_spread).sum(axis=1),
            by_weight,
        )

    def _young(self, level: Array, slope: Array, spread: Array) -> list[Array]:
        """Log likelihood of the young trees by species and form, and its derivatives, from sums of squares."""
        count, sum_y, sum_yy, sum_x, sum_xx, sum_xy = self._sums
        a, c, sd = level[:, None], slope[:, None], spread[:, None]
        square = sum_yy - 2 * a * sum_y - 2 * c * sum_xy + count * a**2 + 2 * a * c * sum_x + c**2 * sum_xx
        return [
            -count * np.log(sd) - square / (2 * sd**2),
            (sum_y - count * a - c * sum_x) / sd**2,
            (sum_xy - a * sum_x - c * sum_xx) / sd**2,
            -count / sd + square / sd**3,
        ]

    def _pairs(self, level: Array, slope: Array, spread: Array) -> list[Array]:
        """The same for trees with rings counted at two heights."""
        heights, code = self._heights, self._heights.pair_species
        expected, by_slope = _log_between(heights.pair_axis, level[code], slope[code])
        variance = (spread[code] ** 2 + heights.pair_rounding)[:, None]
        error = heights.pair_log_years[:, None] - expected
        pull = error / variance
        rows = [
            -0.5 * error * pull - 0.5 * np.log(variance),
            pull,
            pull * by_slope,
            spread[code][:, None] * (pull**2 - 1 / variance),
        ]
        return [self._by_species(row, code) for row in rows]

    def _cored(self, level: Array, slope: Array, spread: Array, shift_weight: Array) -> tuple[list[Array], Array]:
        """The same for trees cored at two heights, and the derivative of each tree by its shift weights."""
        heights, code = self._heights, self._heights.cored_species
        forms = len(FORMS)
        if not code.size:
            return [np.zeros((self._size, forms))] * 4, np.zeros((0, forms, shift_weight.shape[1]))
        by_years = np.einsum("ns,nsd->nd", shift_weight, self._difference)
        expected, by_slope = _log_between(heights.cored_axis, level[code], slope[code])
        sd = spread[code][:, None, None]
        score = (self._edges - expected[:, :, None]) / sd
        density = np.exp(-0.5 * score**2) / np.sqrt(2 * np.pi)
        mass = _steps(ndtr(score))
        like = np.einsum("nfd,nd->nf", mass, by_years) + 1e-300
        by_expected = -np.einsum("nfd,nd->nf", _steps(density), by_years) / like / sd[:, :, 0]
        by_spread = -np.einsum("nfd,nd->nf", _steps(density * score), by_years) / like / sd[:, :, 0]
        rows = [np.log(like), by_expected, by_expected * by_slope, by_spread]
        to_weight = np.einsum("nfd,nsd->nfs", mass, self._difference) / like[:, :, None]
        return [self._by_species(row, code) for row in rows], to_weight


def _steps(below: Array) -> Array:
    """Differences along the last axis, the first from 0."""
    return np.diff(below, axis=2, prepend=0.0)


def _log_between(axis: Array, level: Array, slope: Array) -> tuple[Array, Array]:
    """Log of the median seasons between a lower and an upper height by form, and its derivative by the slope."""
    low, high = axis[:, 0], axis[:, 1]
    ratio = np.exp(slope[:, None] * (low - high))
    return (
        level[:, None] + slope[:, None] * high + np.log1p(-ratio),
        high - (low - high) * ratio / (1 - ratio),
    )


def form_log_prior() -> Array:
    """Log prior weights of the growth forms, shape (n_form,): equal for each form, shared by its scales."""
    tries = np.array([sum(other == form for other, _ in FORMS) for form, _ in FORMS])
    return np.asarray(-np.log(tries) - np.log(np.sum(1.0 / tries)))


# ------------------------------------------------------------------ trees with several cores at one height


class TreeKernel:
    """Log likelihood of every teaching tree and the gradient of their sum, in NumPy.

    tree_species, shape (n_tree,): species of each tree.
    """

    # log L = log sum_s N(s; b, tree_sd) L(s, factors), with the normal on even steps, which a sum integrates almost
    # exactly.

    def __init__(self, trees: TreeLikelihoods, tree_species: Ints) -> None:
        self._species = tree_species
        self._limits = np.array([FACTOR_LIMITS[factor.kind] for factor in trees.factors])
        self._groups = []
        terms, unused = degrees(), self._limits.size
        axes = (trees.axis_factor < unused).sum(axis=1)
        for number in np.unique(axes):  # a tree with few error factors has few terms
            rows = np.flatnonzero(axes == number)
            used = np.flatnonzero((terms[:, 1 + number :] == 0).all(axis=1))
            own = np.full((rows.size, 1), unused)
            where = np.concatenate([own, trees.axis_factor[rows, :number]], axis=1)
            coefficients = np.ascontiguousarray(trees.coefficients[np.ix_(rows, used)])
            self._groups.append((rows, where, terms[used, : 1 + number], coefficients))

    def __call__(self, bias: Array, tree_sd: Array, log_own: Array, log_factors: Array) -> tuple[Array, list[Array]]:
        """Log likelihoods, shape (n_tree,), and the gradient of their sum by each argument.

        bias, tree_sd, shape (n_species,): mean and spread of the shared deviation; log_own, shape (): log factor on the
        own deviations; log_factors, shape (n_factor,): log error factors.
        """
        scaled = np.append(log_factors / self._limits, float(log_own) / FACTOR_LIMITS[FactorKind.OWN])
        values, slopes = _chebyshev(scaled)
        log_like = np.empty((self._species.size, SHIFTS.size))
        bases = []
        for rows, where, terms, coefficients in self._groups:
            parts = [values[where[:, axis]][:, terms[:, axis]] for axis in range(where.shape[1])]
            basis = np.prod(parts, axis=0)
            log_like[rows] = np.matmul(basis[:, None, :], coefficients)[:, 0]
            bases.append(parts)
        sd = np.maximum(tree_sd, SD_FLOOR)
        apart = SHIFTS[None, :] - bias[:, None]
        log_weight = -0.5 * (apart / sd[:, None]) ** 2
        log_weight -= _log_sum(log_weight)[:, None]
        log_like += log_weight[self._species]
        per_tree = _log_sum(log_like)
        share = np.exp(log_like - per_tree[:, None])
        by_scaled = np.zeros(scaled.size)
        for (rows, where, terms, coefficients), parts in zip(self._groups, bases, strict=True):
            by_basis = np.matmul(coefficients, share[rows, :, None])[:, :, 0]
            by_scaled += _by_argument(by_basis, parts, slopes, where, terms)
        by_bias, by_sd = self._by_deviation(share, np.exp(log_weight), apart, sd)
        by_sd = np.where(tree_sd > SD_FLOOR, by_sd, 0.0)
        return per_tree, [
            by_bias,
            by_sd,
            np.asarray(by_scaled[-1] / FACTOR_LIMITS[FactorKind.OWN]),
            by_scaled[:-1] / self._limits,
        ]

    def _by_deviation(self, share: Array, weight: Array, apart: Array, sd: Array) -> tuple[Array, Array]:
        """Gradient by the mean and the spread of the shared deviation."""
        code = self._species
        first = (share * apart[code]).sum(axis=1) - (weight * apart).sum(axis=1)[code]
        second = (share * apart[code] ** 2).sum(axis=1) - (weight * apart**2).sum(axis=1)[code]
        by_bias = np.bincount(code, first, minlength=sd.size) / sd**2
        return by_bias, np.bincount(code, second, minlength=sd.size) / sd**3


def _by_argument(by_basis: Array, parts: list[Array], slopes: Array, where: Ints, terms: Ints) -> Array:
    """Gradient by every scaled log factor from that by the products of polynomials."""
    out = np.zeros(slopes.shape[0])
    for axis in range(where.shape[1]):
        moved = slopes[where[:, axis]][:, terms[:, axis]] * by_basis
        for other in range(where.shape[1]):
            if other != axis:
                moved *= parts[other]
        out += np.bincount(where[:, axis], moved.sum(axis=1), minlength=out.size)
    return out


def _log_sum(values: Array) -> Array:
    """Log of the sum of exponentials of each row; in the sampler's loop, where SciPy's takes several times as long."""
    top = values.max(axis=1)
    total: Array = top + np.log(np.exp(values - top[:, None]).sum(axis=1))
    return total


def _chebyshev(value: Array) -> tuple[Array, Array]:
    """Chebyshev polynomials of every value and their derivatives, each shape (n, TOTAL_DEGREE + 1)."""
    values = [np.ones_like(value), value]
    slopes = [np.zeros_like(value), np.ones_like(value)]
    for _ in range(TOTAL_DEGREE - 1):
        slopes.append(2 * values[-1] + 2 * value * slopes[-1] - slopes[-2])
        values.append(2 * value * values[-1] - values[-2])
    return np.stack(values, axis=1), np.stack(slopes, axis=1)


# ------------------------------------------------------------------ the stand


class StandKernel:
    """Likelihood of trees and early height growth together, from standard normal coordinates.

    cored_species, shape (n_cored,): species of each tree cored at two heights.
    """

    def __init__(
        self, parameters: ParameterMap, trees: TreeKernel | None, heights: HeightKernel | None, cored_species: Ints
    ) -> None:
        self.parameters = parameters
        self._trees, self._heights, self._cored = trees, heights, cored_species
        self._kept: tuple[bytes, tuple[list[Array], Array]] | None = None

    @property
    def size(self) -> int:
        """Number of coordinates."""
        return self.parameters.size

    @property
    def dimensions(self) -> tuple[int, ...]:
        """Number of dimensions of every output: sum, trees, growth forms, then the parameters."""
        return (0, 1, 2, *(0 if name == "own_factor" else 1 for name in NAMES))

    def __call__(self, z: Array) -> tuple[list[Array], Array]:
        """Outputs at coordinates z and the gradient of the first; kept, because they are asked for one after the other.

        Outputs: summed log likelihood, that of every tree, log weights of the growth forms, every parameter of `NAMES`.
        """
        key = z.tobytes()
        if self._kept is None or self._kept[0] != key:
            self._kept = (key, self._evaluate(z))
        return self._kept[1]

    def _evaluate(self, z: Array) -> tuple[list[Array], Array]:
        """Outputs in the order of the operation, and the gradient of the log likelihood by z."""
        values = self.parameters.values(z)
        log_own, log_factors = self.parameters.log_factors(z)
        bias, tree_sd = values["rate_bias"], values["tree_sd"]
        names = ("rate_bias", "tree_sd", "log_own", "log_factors")
        gradient = dict(zip(names, map(np.zeros_like, (bias, tree_sd, log_own, log_factors)), strict=True))
        per_tree, forms, total = np.zeros(0), np.zeros((0, 0)), 0.0
        if self._trees is not None:
            per_tree, by_input = self._trees(bias, tree_sd, log_own, log_factors)
            total += float(per_tree.sum())
            gradient = dict(zip(names, by_input, strict=True))
        if self._heights is not None:
            weight, apart, sd = self._shift_weights(bias, tree_sd)
            found = self._heights(values["height_level"], values["height_slope"], values["height_spread"], weight)
            total += found.total
            forms = found.form_log_weight
            gradient |= {"height_level": found.by_level, "height_slope": found.by_slope}
            gradient["height_spread"] = found.by_spread
            pull = weight * (found.by_weight - (weight * found.by_weight).sum(axis=1, keepdims=True))
            by_bias, by_sd = (pull * apart / sd**2).sum(axis=1), (pull * apart**2 / sd**3).sum(axis=1)
            gradient["rate_bias"] = gradient["rate_bias"] + np.bincount(self._cored, by_bias, minlength=bias.size)
            gradient["tree_sd"] = gradient["tree_sd"] + np.bincount(self._cored, by_sd, minlength=bias.size)
        outputs = [np.asarray(total), per_tree, forms, *(np.asarray(values[name]) for name in NAMES)]
        return outputs, self.parameters.pull_back(z, values, gradient)

    def _shift_weights(self, bias: Array, tree_sd: Array) -> tuple[Array, Array, Array]:
        """Probability of every shift for each tree cored at two heights."""
        sd = np.maximum(tree_sd, SD_FLOOR)[self._cored, None]
        apart = SHIFTS[None, :] - bias[self._cored, None]
        weight = np.exp(-0.5 * (apart / sd) ** 2)
        return weight / weight.sum(axis=1, keepdims=True), apart, sd


def stand_kernel(data: StandData, parameters: ParameterMap) -> StandKernel:
    """Likelihood of a stand in NumPy, from coordinates to value and gradient."""
    heights = HeightKernel(data.heights, data.difference) if data.heights.species else None
    trees = TreeKernel(data.trees, data.tree_species) if data.trees.trees else None
    return StandKernel(parameters, trees, heights, data.difference_species)


# ------------------------------------------------------------------ as an operation for PyMC


class Kernel(Protocol):
    """A log likelihood of standard normal coordinates in NumPy, with its gradient."""

    @property
    def size(self) -> int:
        """Number of coordinates."""
        ...

    @property
    def dimensions(self) -> tuple[int, ...]:
        """Number of dimensions of every output; the first is the summed log likelihood."""
        ...

    def __call__(self, z: Array) -> tuple[list[Array], Array]:
        """Outputs and gradient of the first."""
        ...


def likelihood_operation(kernel: Kernel) -> Callable[[Any], list[Any]]:
    """Wrap a kernel as an operation from symbolic coordinates to its outputs; only the first has a gradient."""
    import pytensor.tensor as pt
    from pytensor.graph.basic import Apply
    from pytensor.graph.op import Op

    class Gradient(Op):
        """Gradient of the summed log likelihood."""

        def make_node(self, *inputs: Any) -> Any:
            return Apply(self, list(inputs), [pt.dvector()])

        def perform(self, node: Any, inputs: Any, outputs: Any) -> None:
            outputs[0][0] = kernel(inputs[0])[1]

    class Likelihood(Op):
        """Summed log likelihood and what else the kernel gives."""

        def make_node(self, *inputs: Any) -> Any:
            types = [pt.TensorType("float64", shape=(None,) * number) for number in kernel.dimensions]
            return Apply(self, [pt.as_tensor_variable(inputs[0])], [kind() for kind in types])

        def perform(self, node: Any, inputs: Any, outputs: Any) -> None:
            for storage, value in zip(outputs, kernel(inputs[0])[0], strict=True):
                storage[0] = value

        def grad(self, inputs: Any, output_gradients: Any) -> Any:
            return [output_gradients[0] * Gradient()(inputs[0])]

        def pullback(self, inputs: Any, outputs: Any, output_gradients: Any) -> Any:
            return self.grad(inputs, output_gradients)

    operation: Any = Likelihood()
    return lambda z: list(operation(z, return_list=True))


def plain_mode() -> Any:
    """PyTensor's evaluation mode that compiles nothing: the work is in NumPy, the rest is a hundred small steps."""
    from pytensor.compile import mode
    from pytensor.link import vm

    linkers: Any = vm  # PyTensor's constructors carry no types
    plain: Any = mode.Mode(linkers.VMLinker(use_cloop=False, c_thunks=False), "fast_run")
    return plain.excluding("fusion", "inplace")
