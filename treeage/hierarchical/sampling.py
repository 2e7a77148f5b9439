"""The hierarchical model in PyMC, and its sampling: a start and a metric from the curvature at the mode, then NUTS.

Hoffman & Gelman 2014, J. Mach. Learn. Res. 15 (NUTS); own set-up.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from treeage.hierarchical.heights import FORMS
from treeage.hierarchical.kernel import Kernel, likelihood_operation, plain_mode, stand_kernel
from treeage.hierarchical.priors import NAMES, LearningPriors, ParameterMap

if TYPE_CHECKING:
    from collections.abc import Callable

    import pymc

    from treeage.hierarchical.data import StandData

Array = NDArray[np.float64]

GROUPS = 12  # choice: runs of the exact engine for the dates; draws within a group differ little in their factors
_STEP = 1e-3  # choice: step of the differences of gradients, in prior standard deviations

DIMS = {
    "rate_bias": "species",
    "tree_sd": "species",
    "distance_factor": "method",
    "count_factor": "dating",
    "height_level": "height_species",
    "height_slope": "height_species",
    "height_spread": "height_species",
}
"""Named dimension of each parameter."""


@dataclass(frozen=True)
class Sampling:
    """Settings of the sampler.

    Parameters
    ----------
    draws : int, default 1000
        Draws kept in each chain; with 500 the noise of R-hat over some twenty parameters still passes 1.01 now and
        then when nothing is wrong (choice).
    tune : int, default 150
        Draws for adaptation; few are needed because the metric is set beforehand (choice).
    chains : int, default 4
        Chains, at least 2, because R-hat compares them.
    cores : int or None, default None
        Processes; as many as there are chains and processors when None.

    Examples
    --------
    >>> Sampling().ticks
    4612
    """

    draws: int = 1000
    tune: int = 150
    chains: int = 4
    cores: int | None = None

    @property
    def ticks(self) -> int:
        """Calls with 1 that a progress bar gets at most.

        Returns
        -------
        int
            Draws of all chains and runs of the exact engine.
        """
        return self.chains * (self.draws + self.tune) + GROUPS


def build_model(data: StandData, priors: LearningPriors | None = None) -> pymc.Model:
    """Build the PyMC model of one stand.

    Named dims species, method, dating, height_species, form and teaching_tree; parameters that nothing in the field
    refers to are left out. The free variable z is standard normal; the named parameters follow from it.
    """
    # For a tree with cores c, shared deviation s = b[species] + u and error factors f,
    #     L(s, f) = sum over pith years P of prod_c p_c(missed + count error = innermost year_c - P | s, f)
    # is summed exactly beforehand for every shift s on an even grid and kept as a polynomial in the log factors, so
    # that
    #     log L = log sum_s N(s; b[species], tree_sd[species]) L(s, f)
    # is all that is left for the sampler: no latent variable for any tree. A tree with one core has a constant L under
    # the flat prior on P and drops out; it still gets its date from what the others teach. Early height growth has a
    # level, slope and spread for each species with the growth forms averaged inside the likelihood; a tree cored at
    # two heights adds the sum over the years between them. All of it is one operation in NumPy with a gradient by
    # hand, so nothing is compiled, however many trees there are. Own derivation; the non-centred form:
    # Papaspiliopoulos, Roberts & Skold 2007, Stat. Sci. 22 (from memory).
    import pymc as pm

    parameters = ParameterMap(data, priors or LearningPriors())
    coords = {
        "species": data.species,
        "method": parameters.methods,
        "dating": parameters.datings,
        "height_species": data.heights.species,
        "form": tuple(f"{form} {share:g}" for form, share in FORMS) if data.heights.species else (),
        "teaching_tree": data.trees.trees,
        "coordinate": tuple(str(place) for place in range(parameters.size)),
    }
    kernel = stand_kernel(data, parameters)
    with pm.Model(coords={name: list(values) for name, values in coords.items() if values}) as model:
        z = pm.Normal("z", 0.0, 1.0, dims="coordinate")
        total, per_tree, forms, *values = likelihood_operation(kernel)(z)
        pm.Potential("log_likelihood", total)
        for name, value in zip(NAMES, values, strict=True):
            if name == "own_factor" or coords[DIMS[name]]:
                pm.Deterministic(name, value, dims=DIMS.get(name))
        if data.trees.trees:
            pm.Deterministic("tree_log_likelihood", per_tree, dims="teaching_tree")
        if data.heights.species:
            pm.Deterministic("form_log_weight", forms, dims=("height_species", "form"))
    return model


def sample_model(
    model: pymc.Model,
    kernel: Kernel,
    sampling: Sampling,
    *,
    seed: int,
    tries: int = 1,
    tick: Callable[[int], object] | None = None,
) -> Any:
    """Sample the posterior of a model from `build_model`, whose likelihood is the kernel.

    tries: starts of the search for the mode; tick: called with 1 after every draw of a chain. The answer is the
    inference data as the installed PyMC gives it.
    """
    import pymc as pm
    from pytensor.configdefaults import config

    mode, covariance = mode_and_covariance(kernel, tries=tries)
    rng = np.random.default_rng(seed)
    root = np.linalg.cholesky(covariance)
    starts = [{"z": mode + root @ rng.standard_normal(mode.size)} for _ in range(sampling.chains)]
    processes = min(sampling.chains, os.cpu_count() or 1) if sampling.cores is None else sampling.cores

    def report(trace: Any, draw: Any) -> None:
        if tick is not None:
            tick(1)

    with model, config.change_flags(linker="py"):  # PyMC's own small functions are not compiled either
        step = pm.NUTS([model["z"]], scaling=covariance, is_cov=True, compile_kwargs={"mode": plain_mode()})
        return pm.sample(
            sampling.draws,
            tune=sampling.tune,
            chains=sampling.chains,
            cores=processes,
            step=step,
            initvals=starts,
            random_seed=int(rng.integers(2**31)),
            progressbar=False,
            compute_convergence_checks=False,
            compile_kwargs={"mode": plain_mode()},
            callback=report,
        )


def mode_and_covariance(kernel: Kernel, *, tries: int = 1) -> tuple[Array, Array]:
    """Posterior mode in the standard normal coordinates, and the inverse of minus the second derivatives there.

    tries: starts of the search, the origin and then points of the prior; the best is kept. Both only set the sampler's
    start and metric; the answer does not depend on them.
    """
    from scipy.optimize import minimize

    def downhill(z: Array) -> tuple[float, Array]:
        outputs, gradient = kernel(z)
        return -(float(outputs[0]) - 0.5 * float(z @ z)), z - gradient

    rng = np.random.default_rng(0)
    starts = [np.zeros(kernel.size), *rng.standard_normal((tries - 1, kernel.size))]
    found = [minimize(downhill, start, jac=True, method="L-BFGS-B") for start in starts]
    mode: Array = min(found, key=lambda one: float(one.fun)).x
    steps = _STEP * np.eye(mode.size)
    curvature = np.array([(downhill(mode + step)[1] - downhill(mode - step)[1]) / (2 * _STEP) for step in steps])
    values, vectors = np.linalg.eigh((curvature + curvature.T) / 2)
    # choice: no direction is taken for wider than twice its prior
    return mode, np.asarray((vectors / np.maximum(values, 0.25)) @ vectors.T)


def group_dataset(inference: Any, group: str) -> Any:
    """One group of the inference data as an xarray.Dataset, for both generations of ArviZ."""
    node = inference[group]
    return node.to_dataset() if hasattr(node, "to_dataset") else node
