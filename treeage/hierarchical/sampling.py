"""The model in PyMC, its sampling (a start and a metric from the curvature at the mode, then NUTS), and its checks.

Hoffman & Gelman 2014, J. Mach. Learn. Res. 15 (NUTS); diagnostics and leave-one-out prediction by ArviZ; own set-up.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.errors import Fault, InputError
from treeage.hierarchical.data import FORMS, StandData
from treeage.hierarchical.kernel import Kernel, likelihood_operation, plain_mode, stand_kernel
from treeage.hierarchical.priors import NAMES, UNITS, LearningPriors, ParameterMap
from treeage.pmf import keeps_tables
from treeage.results import Ages, Status, TreeAge

if TYPE_CHECKING:
    import pymc

Array = NDArray[np.float64]

GROUPS = 12  # choice: runs of the exact engine for the dates; draws within a group differ little in their factors
LEAST_SIZE = 400.0  # Vehtari et al. 2021: rank-based effective size of 400 for four chains (from memory)
MOST_R_HAT = 1.01  # Vehtari et al. 2021 (from memory)
SURPRISING = 0.01  # choice: cores are pointed out below this predictive p value
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
        """Calls with 1 that a progress bar gets at most: draws of all chains and runs of the exact engine."""
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

    rng = np.random.default_rng(0)  # starts of the search alone: the mode does not depend on them
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


# ------------------------------------------------------------------ whether a fit can be trusted


@keeps_tables
@dataclass(frozen=True, eq=False)
class Diagnosis:
    """What the sampler's diagnostics say."""

    table: pd.DataFrame  # a row a parameter: parameter, of, mean, sd, lo, hi, effective and tail size, r_hat
    divergences: int  # transitions that diverged
    faults: tuple[str, ...]  # what is wrong and what to do; empty when nothing is

    @property
    def passed(self) -> bool:
        """Whether the fit can be trusted as far as the sampler can tell: there are no faults."""
        return not self.faults

    def sentence(self) -> str:
        """One line when all is well, else every fault with what to do."""
        sizes, r_hat = self.table["effective_size"].min(), self.table["r_hat"].max()
        numbers = f"{self.divergences} divergences, smallest effective size {sizes:.0f}, largest R-hat {r_hat:.3f}"
        if self.passed:
            return f"Sampling: nothing against it ({numbers})."
        return f"SAMPLING FAILED ITS CHECKS, do not use these dates ({numbers}). " + " ".join(self.faults)


def diagnose(inference: Any, *, prob: float = 0.9) -> Diagnosis:
    """Judge a fit by divergences, R-hat and effective sample sizes.

    Parameters
    ----------
    inference : arviz.InferenceData or xarray.DataTree
        With the groups posterior and sample_stats.
    prob : float, default 0.9
        Probability of the intervals of the table.

    Returns
    -------
    Diagnosis
        Table and words.

    Notes
    -----
    R-hat above 1.01 or an effective size below 400 in the bulk or tails fails; so does any divergence.
    """
    import arviz

    az: Any = arviz  # carries types in one of its generations only

    posterior = group_dataset(inference, "posterior")
    chosen = posterior[[name for name in NAMES if name in posterior]]
    sizes, tails, r_hats = az.ess(chosen), az.ess(chosen, method="tail"), az.rhat(chosen)
    rows = []
    for name in chosen.data_vars:
        values = chosen[name]
        labels = values[values.dims[2]].to_numpy().tolist() if len(values.dims) > 2 else [""]
        samples = values.to_numpy().reshape(values.sizes["chain"] * values.sizes["draw"], -1)
        low, high = np.quantile(samples, [(1 - prob) / 2, (1 + prob) / 2], axis=0)
        columns = (np.atleast_1d(np.asarray(part[name])) for part in (sizes, tails, r_hats))
        numbers = (labels, samples.mean(axis=0), samples.std(axis=0), low, high, *columns)
        rows += [(name, *row, UNITS[str(name)]) for row in zip(*numbers, strict=True)]
    names = ["parameter", "of", "mean", "sd", "lo", "hi", "effective_size", "tail_size", "r_hat", "meaning"]
    table = pd.DataFrame(rows, columns=names)
    divergences = int(group_dataset(inference, "sample_stats")["diverging"].sum())
    return Diagnosis(table, divergences, _faults(table, divergences))


def _faults(table: pd.DataFrame, divergences: int) -> tuple[str, ...]:
    """What speaks against the sample, each with what to do."""
    said = []
    if divergences:
        said.append(
            f"{divergences} transitions diverged: raise `tune`, or look for two cores of a tree that contradict."
        )
    far = table[~(table["r_hat"] <= MOST_R_HAT)]
    if len(far):
        words = ", ".join(f"{row.parameter} {row.of}".strip() for row in far.itertuples())
        said.append(f"The chains disagree on {words} (R-hat above {MOST_R_HAT:g}): raise `tune` and `draws`.")
    few = table[~(table[["effective_size", "tail_size"]].min(axis=1) >= LEAST_SIZE)]
    if len(few):
        words = ", ".join(f"{row.parameter} {row.of}".strip() for row in few.itertuples())
        said.append(f"Too few effective draws of {words} (below {LEAST_SIZE:g}): raise `draws`.")
    return tuple(said)


def core_checks(answers: Sequence[TreeAge]) -> pd.DataFrame:
    """Say of each core how surprising it is, given the other cores of its tree: one row a core of a dated tree.

    Columns tree, core, inner_end, distance_from, pith_year_alone (median), pith_year_lo, pith_year_hi, pith_year_tree
    (median), p_value (NaN for a tree with one core), surprising.
    """
    # Posterior predictive: the p value is that of the cores' disagreement under the fitted model, the growth shared by
    # the cores summed out, for the worst pair of the tree; the core that lies furthest from the tree's date in units of
    # its own interval is the one pointed at.
    rows = []
    for answer in answers:
        if answer.status != Status.ESTIMATED:
            continue
        middle = answer.pith_year.median()
        for core in answer.cores.to_dict("records"):
            rows.append({
                "tree": answer.tree, "core": core["core"], "inner_end": core["inner_end"],
                "distance_from": core["distance_from"], "pith_year_alone": core["pith_year_median"],
                "pith_year_lo": core["pith_year_lo"], "pith_year_hi": core["pith_year_hi"],
                "pith_year_tree": middle, "p_value": answer.core_conflict_p,
            })  # fmt: skip
    table = pd.DataFrame(rows)
    if table.empty:
        return table.assign(surprising=pd.Series(dtype=bool))
    low, high, alone = (pd.to_numeric(table[name]) for name in ("pith_year_lo", "pith_year_hi", "pith_year_alone"))
    apart = (alone - table["pith_year_tree"]).abs() / (high - low + 1)
    furthest = apart == apart.groupby(table["tree"]).transform("max")
    return table.assign(surprising=furthest & (table["p_value"] < SURPRISING))


def compare_fits(fits: Mapping[str, Ages]) -> pd.DataFrame:
    """Compare variants of the model on one stand by leave-one-out prediction of whole trees.

    Parameters
    ----------
    fits : mapping of str to Ages
        Answers of `fit_hierarchical` for the same field, by a name each.

    Returns
    -------
    pandas.DataFrame
        fit, elpd (expected log predictive density of a tree left out, summed), elpd_se, difference to the best,
        difference_se, most_pareto_k (above 0.7: not reliable), best first.

    Raises
    ------
    InputError
        If fewer than two fits are given, or they do not rest on the same trees.

    Notes
    -----
    Only trees with two or more cores at one height take part; the rest have no likelihood of their own. Differences
    of a few units, or below twice their standard error, mean nothing.

    References
    ----------
    .. [1] Vehtari, Gelman & Gabry 2017, Statistics and Computing 27 (from memory), computed by ArviZ.
    """
    import arviz

    az: Any = arviz  # carries types in one of its generations only

    trees = {name: tuple(_log_likelihood(fit)["teaching_tree"].to_numpy().tolist()) for name, fit in fits.items()}
    if len(fits) < 2 or len(set(trees.values())) > 1:
        got = f"{len(fits)} fits on {len(set(trees.values()))} sets of trees"
        do = "Fit every variant to the same field."
        raise InputError(Fault(got, "two or more fits on the same trees", do, "compare_fits", 0, "fits"))
    rows = {}
    for name, fit in fits.items():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a large Pareto k is in the table
            rows[name] = az.loo(fit.inference, pointwise=True)
    each = {name: _pointwise(result) for name, result in rows.items()}
    best = max(each, key=lambda name: float(each[name].sum()))
    table = [
        {
            "fit": name,
            "elpd": float(values.sum()),
            "elpd_se": _sum_se(values),
            "difference": float((values - each[best]).sum()),
            "difference_se": _sum_se(values - each[best]),
            "most_pareto_k": float(np.max(np.asarray(rows[name].pareto_k))),
        }
        for name, values in each.items()
    ]
    return pd.DataFrame(table).sort_values("elpd", ascending=False, ignore_index=True)


def _log_likelihood(fit: Ages) -> Any:
    """Log likelihoods of the teaching trees, kept beside the posterior."""
    if fit.inference is None:
        got = "an answer without inference data"
        raise InputError(Fault(got, "answers of fit_hierarchical", "Fit the field.", "compare_fits", 0, "fits"))
    return group_dataset(fit.inference, "log_likelihood")["tree"]


def _pointwise(result: Any) -> Array:
    """Expected log predictive density of every tree, for both generations of ArviZ."""
    values = result.elpd_i if hasattr(result, "elpd_i") and result.elpd_i is not None else result.loo_i
    return np.asarray(values, dtype=np.float64)


def _sum_se(values: Array) -> float:
    """Standard error of a sum over trees."""
    return float(np.sqrt(values.size * values.var()))
