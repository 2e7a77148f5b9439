"""Ages of a field with the model's parameters learned from the stand itself, by PyMC.

The likelihood is that of the exact engine; see `sampling.build_model`.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.errors import (
    Fault,
    InputError,
    ModelError,
    ModelWarning,
    public,
    require_field,
    require_level,
    require_seed,
    require_whole,
)
from treeage.estimate import (
    account_rows,
    gather_sources,
    height_notes,
    open_data_tables,
    prepare,
    record_settings,
    what_was_seen,
)
from treeage.hierarchical.data import StandData, stand_data
from treeage.hierarchical.dates import joint_draws, learned_answers
from treeage.hierarchical.kernel import stand_kernel
from treeage.hierarchical.priors import NAMES, UNITS, LearningPriors, ParameterMap
from treeage.hierarchical.sampling import (
    DIMS,
    Diagnosis,
    Sampling,
    build_model,
    core_checks,
    diagnose,
    group_dataset,
    sample_model,
)
from treeage.results import Ages, Flag, Status, Step

if TYPE_CHECKING:
    import xarray

    from treeage.tables import Field

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

NODES = 96  # choice: draws of the parameters that the dates are averaged over
EACH = 20  # choice: joint draws of all trees for each of them


def prior_table(priors: LearningPriors | None = None) -> pd.DataFrame:
    """List the priors of what a stand can teach, each with its source.

    Parameters
    ----------
    priors : LearningPriors, optional
        The package's by default.

    Returns
    -------
    pandas.DataFrame
        Columns value, unit, meaning, source, known; one row a prior, by name.

    Examples
    --------
    >>> float(prior_table().loc["distance_log_sd", "value"])
    0.4
    """
    return (priors or LearningPriors()).table()


def prior_predictive(
    field: Field, *, priors: LearningPriors | None = None, draws: int = 1000, seed: int = 0, prob: float = 0.9
) -> pd.DataFrame:
    """Say what the priors mean for this field before any core has taught anything.

    Parameters
    ----------
    field : Field
        From `read_field`.
    priors : LearningPriors, optional
        The package's by default.
    draws : int, default 1000
        Draws from the prior.
    seed : int, default 0
        Same seed, same draws.
    prob : float, default 0.9
        Probability of the intervals.

    Returns
    -------
    pandas.DataFrame
        parameter, of, lo, median, hi, meaning; the last rows are predictions: the factor on the number of
        missed rings of a tree, and the seasons to the middle height of the young trees.

    Raises
    ------
    InputError
        If field is not a Field, draws is not a whole number of at least 1, prob is not between 0 and 1, or seed is not
        a whole number of at least 0.
    """
    where = "prior_predictive"
    require_field(where, field)
    require_whole(where, "draws", draws, 1)
    prob, seed = require_level(where, "prob", prob), require_seed(where, seed)
    used = priors or LearningPriors()
    data = stand_data(field, *prepare(field)[:2])
    parameters = ParameterMap(data, used)
    rng = np.random.default_rng(seed)
    values = [parameters.values(rng.standard_normal(parameters.size)) for _ in range(draws)]
    samples = {name: np.array([np.atleast_1d(value[name]) for value in values]) for name in NAMES}
    coords = {
        "species": data.species, "method": parameters.methods, "dating": parameters.datings,
        "height_species": data.heights.species,
    }  # fmt: skip
    labels: dict[str, Sequence[str]] = {name: coords[DIMS[name]] if name in DIMS else ("",) for name in NAMES}
    shared = samples["rate_bias"] + samples["tree_sd"] * rng.standard_normal(samples["tree_sd"].shape)
    spread = samples["height_spread"] * rng.standard_normal(samples["height_spread"].shape)
    samples |= {
        "missed_rings_factor": np.exp(-shared),
        "seasons_to_middle_height": np.exp(samples["height_level"] + spread),
    }
    labels |= {"missed_rings_factor": data.species, "seasons_to_middle_height": data.heights.species}
    meanings: Mapping[str, str] = UNITS | {
        "missed_rings_factor": "predicted: missed rings of a tree against the model's expectation",
        "seasons_to_middle_height": "predicted: seasons to the middle height of the young trees",
    }
    rows = []
    for name, sample in samples.items():
        for k, label in enumerate(labels[name]):
            low, middle, high = np.quantile(sample[:, k], [(1 - prob) / 2, 0.5, (1 + prob) / 2])
            rows.append((name, label, low, middle, high, meanings[name]))
    return pd.DataFrame(rows, columns=["parameter", "of", "lo", "median", "hi", "meaning"])


@dataclass(frozen=True, eq=False, repr=False)
class LearnedAges(Ages):
    """Ages with parameters learned from the stand: the same faces, with what was learned and whether to trust it."""

    @property
    def diagnosis(self) -> Diagnosis:
        """What the sampler's diagnostics say: table and words."""
        found: Diagnosis = self.extras["diagnosis"]
        return found

    def summary(self) -> str:
        """Say in a few lines what was estimated, what was learned, and whether the sampling can be trusted.

        Returns
        -------
        str
            The summary of the exact engine with the learned parameters and the diagnostics.
        """
        learned = f"Learned from the stand (mean, {100 * self.prob:g} % interval):"
        lines = [self.diagnosis.sentence(), super().summary(), learned]
        for row in self.diagnosis.table.to_dict("records"):
            name = f"{row['parameter']} {row['of']}".strip()
            lines.append(f"  {name}: {row['mean']:.2f} ({row['lo']:.2f} to {row['hi']:.2f})")
        odd = self.extras["core_checks"]
        if len(odd) and odd["surprising"].any():
            words = [f"{row['tree']} {row['core']}" for row in odd[odd["surprising"]].to_dict("records")]
            lines.append(f"Surprising cores: {', '.join(words)}.")
        return "\n".join(lines)

    def __repr__(self) -> str:
        state = "" if self.diagnosis.passed else ", SAMPLING FAILED ITS CHECKS"
        return super().__repr__().replace("Ages(", "LearnedAges(")[:-1] + f", learned{state})"


@public
def fit_hierarchical(
    field: Field,
    *,
    prob: float = 0.9,
    seed: int = 0,
    priors: LearningPriors | None = None,
    sampling: Sampling | None = None,
    from_stand: bool = True,
    from_pairs: bool = True,
    tick: Callable[[int], object] | None = None,
) -> LearnedAges:
    """Date every tree of a field with the model's parameters learned across its trees.

    Parameters
    ----------
    field : Field
        From `read_field`.
    prob : float, default 0.9
        Probability of the intervals, strictly between 0 and 1.
    seed : int, default 0
        Same seed, same answer.
    priors : LearningPriors, optional
        Priors of what is learned; the package's by default, see `prior_table`.
    sampling : Sampling, optional
        Settings of the sampler.
    from_stand, from_pairs : bool, default True
        As in `estimate_ages`: whether ring tables of other trees, and of the tree's other core, are used.
    tick : callable, optional
        Called with 1 after each step, `Sampling.ticks` times at most.

    Returns
    -------
    LearnedAges
        The faces of `Ages`; `.inference` for ArviZ (groups posterior, sample_stats, log_likelihood), `.sampled` joint
        draws, `.extras` with parameters, priors, core_checks and diagnosis.

    Raises
    ------
    InputError
        If field is not a Field, prob is not between 0 and 1, seed is not a whole number of at least 0, or the
        settings of the sampler are too small.
    ModelError
        If a height model cannot answer, or nothing in the field can teach anything.

    Warns
    -----
    ModelWarning
        If the sampling fails its checks. Every tree then carries the flag sampling_failed.

    Notes
    -----
    Learned are: the deviation of the stand's growth near the pith by species and its spread between trees, a factor on
    the cores' own deviations, a factor on the distance error of each method, a factor on the frequency of wrong rings
    of each dating class, and early height growth by species. What teaches are trees with two or more cores (best: one
    at the pith), young trees, and trees cored or counted at two heights. Given the parameters the dates are those of
    the exact engine; they are averaged over draws of the parameters. Trees whose two cores lie near one line and rest
    on the radius do not teach, and their distance error is not scaled; trees cored at two heights teach growth and
    height, not the error factors.

    References
    ----------
    .. [1] Own derivation, see `hierarchical.sampling.build_model`.
    .. [2] Hoffman & Gelman 2014, J. Mach. Learn. Res. 15, 1593-1623 (the sampler; from memory).

    Examples
    --------
    Sampling takes from seconds to a minute, so this is not run here.

    >>> learned = fit_hierarchical(field)  # doctest: +SKIP
    >>> print(learned.summary())  # doctest: +SKIP
    """
    require_field("fit_hierarchical", field)
    prob, seed = require_level("fit_hierarchical", "prob", prob), require_seed("fit_hierarchical", seed)
    chosen, used = sampling or Sampling(), priors or LearningPriors()
    _check_sampling(chosen)
    cores, exact, counted = prepare(field, from_stand=from_stand, from_pairs=from_pairs)
    data = stand_data(field, cores, exact)
    inference = _fit(data, used, chosen, seed=seed, tick=tick)
    draws = spread_draws(inference, NODES)
    trees_in_order = [str(tree) for tree in field.trees["tree"]]
    answers, shared = learned_answers(data, draws, trees_in_order, prob=prob, seed=seed, tick=tick)
    diagnosis = diagnose(inference, prob=prob)
    cored = [
        (each.species, each.facts["core_height_m"], shared[each.species].height_of(cores, cores.rows_of[each.tree][0]))
        for each in answers
        if each.status == Status.ESTIMATED
    ]
    notes = pd.concat([field.notes, height_notes(shared.species, cored)], ignore_index=True)
    if not diagnosis.passed:
        warnings.warn(diagnosis.sentence(), ModelWarning, stacklevel=2)
        answers = [replace(each, flags=tuple(sorted({*each.flags, Flag.SAMPLING_FAILED}))) for each in answers]
        notes = pd.concat([notes, _failure_note(diagnosis)], ignore_index=True)
    trees, years = joint_draws(answers, len(draws["rate_bias"]), EACH, seed)
    plain = record_settings(field, seed)
    return LearnedAges(
        tree_ages=tuple(answers),
        prob=prob,
        accounting=account_rows(field, answers, cores),
        tree_table=field.trees,
        events=field.events,
        notes=notes,
        sources=pd.concat([gather_sources(cores, shared, answers), _prior_sources(used, diagnosis)]),
        stand_weights=shared.stand_weights,
        settings=plain | {"learned": True, "draws": chosen.draws, "tune": chosen.tune, "chains": chosen.chains},
        sampled=_sampled(trees, years),
        inference=inference,
        extras={
            "parameters": diagnosis.table,
            "priors": used.table(),
            "core_checks": core_checks(answers),
            "diagnosis": diagnosis,
            **counted,
            "seen": what_was_seen(cores, exact),
            **open_data_tables(field, shared, prob),
        },
    )


def _check_sampling(chosen: Sampling) -> None:
    """Refuse settings of the sampler that are too small to judge it by."""
    faults = [
        Fault(str(value), f"at least {least}, whole", "Change it.", "fit_hierarchical", 0, f"sampling.{name}")
        for name, value, least in (("draws", chosen.draws, 20), ("tune", chosen.tune, 20), ("chains", chosen.chains, 2))
        if value < least or not isinstance(value, (int, np.integer))
    ]
    if faults:
        raise InputError(faults)


def _fit(
    data: StandData, priors: LearningPriors, chosen: Sampling, *, seed: int, tick: Callable[[int], object] | None
) -> Any:
    """Sample the model of the stand; the log likelihoods of the trees are in a group of their own."""
    if not data.trees.trees and not data.heights.species:
        got = 'no tree with two informative cores and no species of model "seedlings" or "two_heights"'
        do = "Core some trees twice (one core at the pith), name such a model, or estimate without learning."
        raise ModelError(Fault(got, "something that teaches", do, "fit_hierarchical", 0, "field"))
    model = build_model(data, priors)
    kernel = stand_kernel(data, ParameterMap(data, priors))
    inference = sample_model(model, kernel, chosen, seed=seed, tick=tick)
    return _with_log_likelihood(inference)


def _with_log_likelihood(inference: Any) -> Any:
    """Inference data with the log likelihoods of the trees in a group of their own, for both generations of ArviZ."""
    posterior = group_dataset(inference, "posterior")
    if "tree_log_likelihood" not in posterior:
        return inference
    own = posterior[["tree_log_likelihood"]].rename(tree_log_likelihood="tree")
    rest = posterior.drop_vars("tree_log_likelihood")
    if hasattr(inference, "add_groups"):  # the older generation of ArviZ
        inference.posterior = rest
        inference.add_groups(log_likelihood=own)
    else:
        import xarray as xr

        inference["posterior"] = xr.DataTree(rest)
        inference["log_likelihood"] = xr.DataTree(own)
    return inference


def spread_draws(inference: Any, size: int) -> dict[str, Array]:
    """Draws of the parameters, as many as wanted, spread evenly over the posterior; the first axis the draws.

    Sorted by the mean deviation of the growth before every k-th is taken, so that few stand for many.
    """
    posterior = group_dataset(inference, "posterior")
    samples = {}
    for name in (*NAMES, "form_log_weight"):
        if name in posterior:
            values = posterior[name].to_numpy()
            samples[name] = values.reshape(-1, *values.shape[2:])
        else:
            samples[name] = np.zeros((posterior.sizes["chain"] * posterior.sizes["draw"], 0))
    total = len(samples["rate_bias"])
    order = np.argsort(samples["rate_bias"].mean(axis=1), kind="stable")
    places = order[((np.arange(min(size, total)) + 0.5) * total / min(size, total)).astype(np.int64)]
    return {name: values[places] for name, values in samples.items()}


def _sampled(trees: list[str], years: Ints) -> xarray.DataArray:
    """Joint draws with their names."""
    import xarray

    coords = {"draw": np.arange(len(years)), "tree": trees}
    return xarray.DataArray(years, dims=("draw", "tree"), coords=coords, name="establishment_year")


def _failure_note(diagnosis: Diagnosis) -> pd.DataFrame:
    """A note that the sampling failed its checks."""
    row = {"file": "fit_hierarchical", "row": 0, "item": "sampling", "column": "", "got": " ".join(diagnosis.faults)}
    do = "Raise draws and tune, or use the exact engine."
    return pd.DataFrame([row | {"need": "a sample that passes its checks", "do": do}])


def _prior_sources(priors: LearningPriors, diagnosis: Diagnosis) -> pd.DataFrame:
    """The priors as rows of the table of sources."""
    learned = len(diagnosis.table)
    rows = [
        {"step": Step.LEARNED, "what": f"{row['meaning']}: {row['value']:g} {row['unit']}",
         "source": row["source"], "known": row["known"], "used": learned}
        for row in priors.table().to_dict("records")
    ]  # fmt: skip
    return pd.DataFrame(rows)
