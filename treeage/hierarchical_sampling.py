"""Sampling of the hierarchical model: a start and a metric from the curvature at the mode, then PyMC's NUTS.

Layer 5, part of the family of `hierarchical`. Hoffman & Gelman 2014, J. Mach. Learn. Res. 15 (NUTS); own set-up.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from treeage.hierarchical_op import StandKernel, plain_mode

if TYPE_CHECKING:
    from collections.abc import Callable

    import pymc

Array = NDArray[np.float64]

_STEP = 1e-3  # choice: step of the differences of gradients, in prior standard deviations


def mode_and_covariance(kernel: StandKernel) -> tuple[Array, Array]:
    """Posterior mode and the inverse curvature there.

    Parameters
    ----------
    kernel : StandKernel
        The likelihood.

    Returns
    -------
    numpy.ndarray, shape (size,)
        Mode in the standard normal coordinates.
    numpy.ndarray, shape (size, size)
        Inverse of minus the second derivatives, made positive.

    Notes
    -----
    It only sets the sampler's start and metric; the answer does not depend on it.
    """
    from scipy.optimize import minimize

    def downhill(z: Array) -> tuple[float, Array]:
        outputs, gradient = kernel(z)
        return -(float(outputs[0]) - 0.5 * float(z @ z)), z - gradient

    found = minimize(downhill, np.zeros(kernel.parameters.size), jac=True, method="L-BFGS-B")
    mode: Array = found.x
    steps = _STEP * np.eye(mode.size)
    curvature = np.array([(downhill(mode + step)[1] - downhill(mode - step)[1]) / (2 * _STEP) for step in steps])
    values, vectors = np.linalg.eigh((curvature + curvature.T) / 2)
    # choice: no direction is taken for wider than twice its prior
    return mode, np.asarray((vectors / np.maximum(values, 0.25)) @ vectors.T)


def sample_model(
    model: pymc.Model,
    kernel: StandKernel,
    *,
    draws: int,
    tune: int,
    chains: int,
    cores: int | None,
    seed: int,
    tick: Callable[[int], object] | None = None,
) -> Any:
    """Sample the posterior.

    Parameters
    ----------
    model : pymc.Model
        From `build_model`.
    kernel : StandKernel
        Its likelihood.
    draws, tune, chains : int
        Draws kept and draws for adaptation in each chain; number of chains.
    cores : int or None
        Processes; as many as there are chains and processors by default.
    seed : int
        Same seed, same draws.
    tick : callable, optional
        Called with 1 after every draw of a chain.

    Returns
    -------
    arviz.InferenceData or xarray.DataTree
        As the installed PyMC gives it.
    """
    import pymc as pm
    from pytensor import config

    mode, covariance = mode_and_covariance(kernel)
    rng = np.random.default_rng(seed)
    root = np.linalg.cholesky(covariance)
    starts = [{"z": mode + root @ rng.standard_normal(mode.size)} for _ in range(chains)]
    processes = min(chains, os.cpu_count() or 1) if cores is None else cores

    def report(trace: Any, draw: Any) -> None:
        if tick is not None:
            tick(1)

    with model, config.change_flags(linker="py"):  # PyMC's own small functions are not compiled either
        step = pm.NUTS([model["z"]], scaling=covariance, is_cov=True, compile_kwargs={"mode": plain_mode()})
        return pm.sample(
            draws,
            tune=tune,
            chains=chains,
            cores=processes,
            step=step,
            initvals=starts,
            random_seed=int(rng.integers(2**31)),
            progressbar=False,
            compute_convergence_checks=False,
            compile_kwargs={"mode": plain_mode()},
            callback=report,
        )
