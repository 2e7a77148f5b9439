"""Establishment dates under a prior that the stand itself teaches: a background and a few pulses of recruitment.

A mixture seen through each tree's dating error; own derivation.
"""

from __future__ import annotations

import warnings
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.errors import Fault, InputError, ModelWarning
from treeage.hierarchical.kernel import likelihood_operation
from treeage.hierarchical.sampling import Sampling, group_dataset, sample_model
from treeage.pmf import Pmf
from treeage.results import Ages, Flag, TreeAge, shared_values
from treeage.schema import ROOT_COLLAR

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

SPREAD_YEARS: Final = 8.0  # choice: median standard deviation of a pulse
SPREAD_LOG_SD: Final = 0.4  # choice: 5 to 12 years within one standard deviation
WEIGHT_SD: Final = 1.5  # choice: log odds of each pulse against the background
GAP_SD: Final = 1.0  # choice: log ratios of the gaps between centres; 0 is even spacing
MOST_PULSES: Final = 6  # choice: more cannot be told apart in a stand of a hundred trees
_SAMPLING: Final = Sampling(draws=250, tune=150, cores=1)  # effective sizes of several hundred
_TAIL: Final = 0.002  # choice: probability left off at either end of a tree's date
_TRIES: Final = 16  # choice: a mixture has several modes; the chains start at the best
_NODES: Final = 200  # choice: draws of the pulses that the dates are averaged over


class PulseKernel:
    """Log likelihood of the pulses, each tree's date summed out.

    mass, shape (n_tree, n_year): likelihood of every establishment year of each tree.
    """

    # log L = sum over trees of log sum over years of mass * prior(year), with prior = background / n_year + sum over
    # pulses of weight * normal. Weights are a softmax, centres a running sum of softmax gaps (so they are ordered),
    # spreads are lognormal.

    def __init__(self, mass: Array, pulses: int) -> None:
        self._mass, self._pulses = mass, pulses
        self._year = np.arange(mass.shape[1], dtype=np.float64)

    @property
    def size(self) -> int:
        """Number of coordinates: log odds, gaps and spreads."""
        return 3 * self._pulses + 1

    @property
    def dimensions(self) -> tuple[int, ...]:
        """Number of dimensions of every output: sum, prior by year, weights, centres, spreads."""
        return (0, 1, 1, 1, 1)

    def __call__(self, z: Array) -> tuple[list[Array], Array]:
        """Outputs at standard normal coordinates z, shape (size,), and the gradient of the first.

        Outputs: summed log likelihood, prior by year, weights (background first), centres [years from the first],
        spreads [years].
        """
        count, years = self._pulses, self._year.size
        odds = np.append(0.0, WEIGHT_SD * z[:count])
        gaps = GAP_SD * z[count : 2 * count + 1]
        weight, share = _softmax(odds), _softmax(gaps)
        centre = (years - 1) * np.cumsum(share)[:-1]
        spread = SPREAD_YEARS * np.exp(SPREAD_LOG_SD * z[2 * count + 1 :])
        apart = self._year[None, :] - centre[:, None]
        curve = np.exp(-0.5 * (apart / spread[:, None]) ** 2) + 1e-300
        curve /= curve.sum(axis=1, keepdims=True)
        prior = weight[0] / years + weight[1:] @ curve
        like = self._mass @ prior
        pull = (self._mass / like[:, None]).sum(axis=0)
        by_weight = np.append(pull.sum() / years, curve @ pull)
        own = weight[1:, None] * curve * (pull[None, :] - (curve @ pull)[:, None])
        by_centre = (own * apart).sum(axis=1) / spread**2
        by_spread = (own * apart**2).sum(axis=1) / spread**3
        by_share = np.append(np.cumsum((years - 1) * by_centre[::-1])[::-1], 0.0)
        gradient = np.concatenate(
            [
                WEIGHT_SD * (weight * (by_weight - weight @ by_weight))[1:],
                GAP_SD * share * (by_share - share @ by_share),
                SPREAD_LOG_SD * spread * by_spread,
            ]
        )
        return [np.asarray(np.log(like).sum()), prior, weight, centre, spread], gradient


def _softmax(values: Array) -> Array:
    """Shares in proportion to the exponentials."""
    raised = np.exp(values - values.max())
    return np.asarray(raised / raised.sum())


def with_pulses(ages: Ages, *, pulses: int = 2, seed: int = 0) -> Ages:
    """Date the trees again under a prior of recruitment pulses that the trees teach together.

    Parameters
    ----------
    ages : Ages
        From `fit_hierarchical` or `estimate_ages`, whose prior on the dates is flat.
    pulses : int, default 2
        Number of pulses, 1 to 6; a constant background is always there.
    seed : int, default 0
        Same seed, same answer.

    Returns
    -------
    Ages
        Establishment years, ages and joint draws under the prior; extras with pulses (weights, centres and spreads) and
        pulse_inference (for ArviZ). Pith years, missed rings and years to the coring height keep the flat prior,
        but for trees without a height model, whose date is the pith year. Every
        tree carries the flag pulse_prior.

    Raises
    ------
    InputError
        If the number of pulses is out of range or fewer than five trees are dated.

    Warns
    -----
    ModelWarning
        If the chains disagree: the dates then do not say how many pulses there were.

    Notes
    -----
    Dates are drawn towards the pulses, the more so the less a core says. Use it when recruitment in waves is known
    from elsewhere; it must not be used to test for pulses, which `stand_history` does from the flat prior. The
    parameters learned before are not changed by the pulses (a cut), and trees are taken as independent in learning
    the pulses; joint draws keep the shared error.

    References
    ----------
    .. [1] Own derivation; mixtures: Gelman et al. 2013, Bayesian Data Analysis, 3rd ed., chapter 22 (from memory).
    """
    dated = sorted((answer for answer in ages if answer.parts is not None), key=lambda answer: answer.tree)
    _check(pulses, len(dated))
    first = min(answer.date.quantile(_TAIL) for answer in dated)
    size = max(answer.date.quantile(1 - _TAIL) for answer in dated) - first + 1
    mass = np.stack([answer.date.condition(first, first + size - 1).on(first, size) for answer in dated])
    inference = _sample(PulseKernel(mass, pulses), seed)
    posterior = group_dataset(inference, "posterior")
    priors = posterior["pulse_prior"].to_numpy().reshape(-1, size)
    some = priors[((np.arange(_NODES) + 0.5) * len(priors) / _NODES).astype(np.int64)]
    table = _pulse_table(posterior, first, ages.prob)
    if table["r_hat"].max() > 1.05:  # choice: looser than for dates, which average over the pulses
        said = f"{pulses} pulses: the chains disagree (R-hat {table['r_hat'].max():.2f}); try fewer pulses"
        warnings.warn(said, ModelWarning, stacklevel=2)
    answers = [_reweighted(answer, first, some) for answer in ages]
    return replace(
        ages,
        tree_ages=tuple(answers),
        sampled=_joint_draws(ages, first, some, seed),
        extras={**ages.extras, "pulses": table, "pulse_inference": inference},
    )


def _check(pulses: int, trees: int) -> None:
    """Refuse numbers of pulses out of range and stands too small to teach a prior."""
    faults = []
    if pulses not in range(1, MOST_PULSES + 1):
        do = "Ask for fewer pulses."
        faults.append(Fault(str(pulses), f"1 to {MOST_PULSES} pulses", do, "with_pulses", 0, "pulses"))
    if trees < 5:
        faults.append(Fault(f"{trees} dated trees", "at least 5", "Keep the flat prior.", "with_pulses", 0, "ages"))
    if faults:
        raise InputError(faults)


def _sample(kernel: PulseKernel, seed: int) -> Any:
    """Sample the pulses."""
    import pymc as pm

    count = (kernel.size - 1) // 3
    names = [str(k) for k in range(kernel.size)]
    coords = {
        "coordinate": names,
        "pulse": list(range(1, count + 1)),
        "part": ["background", *map(str, range(1, count + 1))],
    }
    with pm.Model(coords=coords) as model:
        z = pm.Normal("z", 0.0, 1.0, dims="coordinate")
        total, prior, weight, centre, spread = likelihood_operation(kernel)(z)
        pm.Potential("log_likelihood", total)
        pm.Deterministic("pulse_prior", prior)
        pm.Deterministic("pulse_weight", weight, dims="part")
        pm.Deterministic("pulse_centre", centre, dims="pulse")
        pm.Deterministic("pulse_spread", spread, dims="pulse")
    return sample_model(model, kernel, _SAMPLING, seed=seed, tries=_TRIES)


def _pulse_table(posterior: Any, first: int, prob: float) -> pd.DataFrame:
    """Weights, centres and spreads with intervals, one row a pulse."""
    import arviz

    az: Any = arviz
    chosen = posterior[["pulse_weight", "pulse_centre", "pulse_spread"]]
    r_hat = az.rhat(chosen)
    rows = []
    for k in range(posterior.sizes["pulse"]):
        row: dict[str, float] = {"pulse": k + 1}
        for name, place, offset in (("weight", k + 1, 0), ("centre", k, first), ("spread", k, 0)):
            values = chosen[f"pulse_{name}"].to_numpy()[:, :, place]
            low, middle, high = np.quantile(values, [(1 - prob) / 2, 0.5, (1 + prob) / 2]) + offset
            row |= {f"{name}_median": middle, f"{name}_lo": low, f"{name}_hi": high}
        worst = [r_hat["pulse_weight"].to_numpy()[k + 1], r_hat["pulse_centre"].to_numpy()[k]]
        rows.append(row | {"r_hat": float(max(*worst, r_hat["pulse_spread"].to_numpy()[k]))})
    return pd.DataFrame(rows)


def _mixed(start: int, mass: Array, first: int, priors: Array) -> Array:
    """Mass under every prior, averaged."""
    weight = priors[:, start - first : start - first + mass.size]
    product = weight * mass[None, :]
    return np.asarray((product / product.sum(axis=1, keepdims=True)).mean(axis=0))


def _reweighted(answer: TreeAge, first: int, priors: Array) -> TreeAge:
    """One tree under the prior."""
    if answer.parts is None:
        return answer
    at_collar = answer.date_refers_to == ROOT_COLLAR
    names = ("establishment_year", "age") if at_collar else ("pith_year", "age_at_core_height")
    flat = answer.date.condition(first, first + priors.shape[1] - 1)
    moved = Pmf(flat.start, _mixed(flat.start, flat.on(flat.start, flat.stop - flat.start + 1), first, priors)).trim()
    ages = moved.negate().shift(answer.outer_year + 1).convolve(answer.outer_lost).trim()
    distributions = {**answer.distributions, names[0]: moved, names[1]: ages}
    return replace(answer, distributions=distributions, flags=tuple(sorted({*answer.flags, Flag.PULSE_PRIOR})))


def _joint_draws(ages: Ages, first: int, priors: Array, seed: int) -> Any:
    """Joint draws under the prior: shared values first, then every tree given these and one draw of the pulses."""
    import xarray

    rng = np.random.default_rng(seed)
    size = 5 * len(priors)
    pulse = np.arange(size) % len(priors)
    levels = {group: rng.random(size) for group in sorted({a.parts.height_group for a in ages if a.parts is not None})}
    stand_draws = dict.fromkeys(ages.stand_weights, rng.random(size))
    picked = shared_values(ages, stand_draws, levels, together=ages.sampled is not None)
    drawn: dict[str, Ints] = {}
    for answer in sorted(ages, key=lambda answer: answer.tree):  # the order of trees never matters
        if answer.parts is None:
            continue
        stand, shared = picked[answer.parts.growth_group, answer.parts.height_group]
        collar = answer.distributions["collar_years"]
        column = np.empty(size, dtype=np.int64)
        for draw in range(size):
            added = answer.parts.given(int(stand[draw]), int(shared[draw])).convolve(collar)
            years = added.negate().shift(answer.parts.reference_year)
            start, mass = years.start, years.mass
            cut = slice(max(0, first - start), max(0, first + priors.shape[1] - start))
            weight = mass[cut] * priors[pulse[draw]][max(start, first) - first :][: len(mass[cut])]
            total = np.cumsum(weight)
            column[draw] = max(start, first) + int(np.searchsorted(total, rng.random() * total[-1]))
        drawn[answer.tree] = column
    trees = [answer.tree for answer in ages if answer.tree in drawn]
    dates = np.column_stack([drawn[tree] for tree in trees])
    coords = {"draw": np.arange(size), "tree": trees}
    return xarray.DataArray(dates, dims=("draw", "tree"), coords=coords, name="establishment_year")
