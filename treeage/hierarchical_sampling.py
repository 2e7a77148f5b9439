"""Sampling of the hierarchical model: a start and a metric from the curvature at the mode, then PyMC's NUTS.

Layer 5, part of the family of `hierarchical`. Hoffman & Gelman 2014, J. Mach. Learn. Res. 15 (NUTS); own set-up.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from treeage.hierarchical_op import Kernel, plain_mode

if TYPE_CHECKING:
    from collections.abc import Callable

    import pymc

Array = NDArray[np.float64]

GROUPS = 12  # choice: runs of the exact engine for the dates; draws within a group differ little in their factors
_STEP = 1e-3  # choice: step of the differences of gradients, in prior standard deviations


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


def mode_and_covariance(kernel: Kernel, *, tries: int = 1) -> tuple[Array, Array]:
    """Posterior mode and the inverse curvature there.

    Parameters
    ----------
    kernel : Kernel
        The likelihood.
    tries : int, default 1
        Starts of the search: the origin, then points of the prior; the best is kept.

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

    rng = np.random.default_rng(0)
    starts = [np.zeros(kernel.size), *rng.standard_normal((tries - 1, kernel.size))]
    found = [minimize(downhill, start, jac=True, method="L-BFGS-B") for start in starts]
    mode: Array = min(found, key=lambda one: float(one.fun)).x
    steps = _STEP * np.eye(mode.size)
    curvature = np.array([(downhill(mode + step)[1] - downhill(mode - step)[1]) / (2 * _STEP) for step in steps])
    values, vectors = np.linalg.eigh((curvature + curvature.T) / 2)
    # choice: no direction is taken for wider than twice its prior
    return mode, np.asarray((vectors / np.maximum(values, 0.25)) @ vectors.T)


def sample_model(
    model: pymc.Model,
    kernel: Kernel,
    sampling: Sampling,
    *,
    seed: int,
    tries: int = 1,
    tick: Callable[[int], object] | None = None,
) -> Any:
    """Sample the posterior.

    Parameters
    ----------
    model : pymc.Model
        From `build_model`.
    kernel : Kernel
        Its likelihood.
    sampling : Sampling
        Settings.
    seed : int
        Same seed, same draws.
    tries : int, default 1
        Starts of the search for the mode.
    tick : callable, optional
        Called with 1 after every draw of a chain.

    Returns
    -------
    arviz.InferenceData or xarray.DataTree
        As the installed PyMC gives it.
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
