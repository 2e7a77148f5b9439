"""The likelihood of a stand and its gradient as one operation for PyMC, so that nothing of it has to be compiled.

Layer 5, part of the family of `hierarchical`. Derivatives by hand; checked against finite differences in the tests.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from treeage.hierarchical_factors import FACTOR_LIMITS, SHIFTS, TOTAL_DEGREE, degrees
from treeage.hierarchical_growth import GrowthKernel
from treeage.hierarchical_parameters import NAMES, ParameterMap
from treeage.hierarchical_tables import TreeLikelihoods

if TYPE_CHECKING:
    from collections.abc import Callable

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

SD_FLOOR = 0.03  # choice: below, the even steps of the shifts no longer hold a normal


class TreeKernel:
    """Log likelihood of every teaching tree and the gradient of their sum, in NumPy.

    Parameters
    ----------
    trees : TreeLikelihoods
        Polynomials of the trees.
    tree_species : numpy.ndarray of int, shape (n_tree,)
        Species of each tree.

    Notes
    -----
    log L = log sum_s N(s; b, tree_sd) L(s, factors), with the normal on even steps, which a sum integrates almost
    exactly.
    """

    def __init__(self, trees: TreeLikelihoods, tree_species: Ints) -> None:
        self._species = tree_species
        self._limits = np.array([FACTOR_LIMITS[name.split(":")[0]] for name in trees.factor_names])
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
        """Evaluate.

        Parameters
        ----------
        bias, tree_sd : numpy.ndarray, shape (n_species,)
            Mean and spread of the shared deviation.
        log_own : numpy.ndarray, shape ()
            Log factor on the own deviations.
        log_factors : numpy.ndarray, shape (n_factor,)
            Log error factors.

        Returns
        -------
        numpy.ndarray, shape (n_tree,), and list of numpy.ndarray
            Log likelihoods, and the gradient of their sum by each argument.
        """
        scaled = np.append(log_factors / self._limits, float(log_own) / FACTOR_LIMITS["own"])
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
        by_bias, by_sd = self._by_rate(share, np.exp(log_weight), apart, sd)
        by_sd = np.where(tree_sd > SD_FLOOR, by_sd, 0.0)
        return per_tree, [
            by_bias,
            by_sd,
            np.asarray(by_scaled[-1] / FACTOR_LIMITS["own"]),
            by_scaled[:-1] / self._limits,
        ]

    def _by_rate(self, share: Array, weight: Array, apart: Array, sd: Array) -> tuple[Array, Array]:
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


class StandKernel:
    """Likelihood of trees and early height growth together, from standard normal coordinates.

    Parameters
    ----------
    parameters : ParameterMap
        From coordinates to parameters.
    trees : TreeKernel or None
        Trees with several cores at one height.
    growth : GrowthKernel or None
        Early height growth.
    cored_species : numpy.ndarray of int, shape (n_cored,)
        Species of each tree cored at two heights.
    """

    def __init__(
        self, parameters: ParameterMap, trees: TreeKernel | None, growth: GrowthKernel | None, cored_species: Ints
    ) -> None:
        self.parameters = parameters
        self._trees, self._growth, self._cored = trees, growth, cored_species
        self._kept: tuple[bytes, tuple[list[Array], Array]] | None = None

    @property
    def size(self) -> int:
        """Number of coordinates.

        Returns
        -------
        int
            Length of z.
        """
        return self.parameters.size

    @property
    def dimensions(self) -> tuple[int, ...]:
        """Number of dimensions of every output.

        Returns
        -------
        tuple of int
            Sum, trees, growth forms, then the parameters.
        """
        return (0, 1, 2, *(0 if name == "own_factor" else 1 for name in NAMES))

    def __call__(self, z: Array) -> tuple[list[Array], Array]:
        """Evaluate; the last result is kept because value and gradient are asked for one after the other.

        Parameters
        ----------
        z : numpy.ndarray, shape (size,)
            Coordinates.

        Returns
        -------
        list of numpy.ndarray
            Summed log likelihood, that of every tree, log weights of the growth forms, then every parameter of `NAMES`.
        numpy.ndarray, shape (size,)
            Gradient of the sum by the coordinates.
        """
        key = z.tobytes()
        if self._kept is None or self._kept[0] != key:
            self._kept = (key, self._evaluate(z))
        return self._kept[1]

    def _evaluate(self, z: Array) -> tuple[list[Array], Array]:
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
        if self._growth is not None:
            weight, apart, sd = self._shift_weights(bias, tree_sd)
            growth = self._growth(values["height_level"], values["height_slope"], values["height_spread"], weight)
            total += growth.total
            forms = growth.form_log_weight
            gradient |= {"height_level": growth.by_level, "height_slope": growth.by_slope}
            gradient["height_spread"] = growth.by_spread
            pull = weight * (growth.by_weight - (weight * growth.by_weight).sum(axis=1, keepdims=True))
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
    """Wrap a kernel as an operation on a symbolic vector.

    Parameters
    ----------
    kernel : Kernel
        The likelihood in NumPy.

    Returns
    -------
    callable
        From the symbolic coordinates to the outputs of the kernel. Only the summed log likelihood has a gradient.
    """
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
    """Evaluation mode that compiles nothing: the work is in NumPy already, the rest is a hundred small steps.

    Returns
    -------
    pytensor.compile.mode.Mode
        For `compile_kwargs` of PyMC.
    """
    from pytensor.compile import mode
    from pytensor.link import vm

    linkers: Any = vm  # PyTensor's constructors carry no types
    plain: Any = mode.Mode(linkers.VMLinker(use_cloop=False, c_thunks=False), "fast_run")
    return plain.excluding("fusion", "inplace")
