"""Simulation-based calibration of the hierarchical model, recovery, and a wrong likelihood that must be found out."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from learned_stands import draw_replica, small_stand
from scipy.stats import chi2

from treeage.hierarchical import LearningPriors, Sampling
from treeage.hierarchical.kernel import stand_kernel
from treeage.hierarchical.priors import NAMES, ParameterMap
from treeage.hierarchical.sampling import build_model, group_dataset, sample_model

pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore:PyTensor could not link:UserWarning")]

REPLICATIONS = 200
RANKS = 20  # choice: bins of the rank histograms, ten stands a bin on average
TREES = 14


@cache
def design():
    """One small stand: readings and visible widths are kept, everything hidden is drawn anew."""
    return small_stand(TREES, seed=11)[1]


def posterior_of(data, *, seed, draws=120):
    """Draws of every parameter, shape (draw, value) by name; one short chain from the mode."""
    kernel = stand_kernel(data, ParameterMap(data, LearningPriors()))
    model = build_model(data)
    found = sample_model(model, kernel, Sampling(draws, 80, 1, 1), seed=seed)
    posterior = group_dataset(found, "posterior")
    return {name: posterior[name].to_numpy()[0].reshape(draws, -1) for name in NAMES}


def ranks(replications, *, spoil=lambda data: data, seed=0):
    """Rank of the truth among the draws of its own posterior, one row a replication, by parameter and place."""
    data = design()
    parameters = ParameterMap(data, LearningPriors())
    rng = np.random.default_rng(seed)
    out = {}
    for k in range(replications):
        truth = parameters.values(rng.standard_normal(parameters.size))
        replica = draw_replica(data, truth, rng)
        found = posterior_of(spoil(replica.data), seed=k)
        for name in NAMES:
            for place, value in enumerate(np.atleast_1d(truth[name])):
                label = f"{name} {place}"
                out.setdefault(label, []).append(float((found[name][:, place] < value).mean()))
    return {name: np.array(values) for name, values in out.items()}


def uniform_p(values):
    """p value of even bins (chi-square)."""
    counts = np.histogram(values, bins=RANKS, range=(0, 1))[0]
    expected = len(values) / RANKS
    return float(chi2.sf(((counts - expected) ** 2 / expected).sum(), RANKS - 1))


def rank_figure(found, path):
    """Rank histograms of all parameters, with the band of chance."""
    import matplotlib.pyplot as plt
    from scipy.stats import binom

    figure, axes = plt.subplots(-(-len(found) // 4), 4, figsize=(10, 2 * -(-len(found) // 4)), sharey=True)
    for ax, (name, values) in zip(axes.flat, found.items(), strict=False):
        low, high = binom.ppf([0.005, 0.995], len(values), 1 / RANKS)
        ax.axhspan(low, high, color="0.85")
        ax.hist(values, bins=RANKS, range=(0, 1), color="0.3")
        ax.set_title(name, fontsize=8)
    figure.tight_layout()
    figure.savefig(path)
    plt.close(figure)


def test_ranks_of_the_truth_are_even(tmp_path):
    """200 stands drawn from the prior: the truth ranks evenly among the draws of its posterior, for every parameter."""
    found = ranks(REPLICATIONS)
    rank_figure(found, tmp_path / "ranks.png")
    p_values = {name: uniform_p(values) for name, values in found.items()}
    print({name: round(p, 3) for name, p in p_values.items()})
    assert min(p_values.values()) > 0.001 / len(p_values)  # one chance in a thousand over all parameters together
    for values in found.values():
        assert abs(values.mean() - 0.5) < 4 * np.sqrt(1 / 12 / REPLICATIONS)  # four standard errors of an even rank


def test_wrong_likelihood_is_found_out():
    """Control: hidden rings taken for 25 % narrower than they were drawn are rejected by the same check."""

    def shifted(data):
        step = 3  # places of the shifts: 0.3 in log width
        moved = np.roll(data.trees.coefficients, -step, axis=2)
        moved[:, :, -step:] = moved[:, :, [-step - 1]]
        return replace(data, trees=replace(data.trees, coefficients=moved))

    found = ranks(60, spoil=shifted, seed=1)
    assert uniform_p(found["rate_bias 0"]) < 1e-4 or abs(found["rate_bias 0"].mean() - 0.5) > 0.15


@pytest.mark.parametrize("truth", [-0.3, 0.3])
def test_parameters_are_recovered(truth):
    """A stand of 150 trees: the 99 % intervals hold the truth, and shrink well below the prior."""
    _, data = small_stand(150, seed=3)
    parameters = ParameterMap(data, LearningPriors())
    values = parameters.values(np.zeros(parameters.size)) | {"rate_bias": np.array([truth])}
    values |= {"distance_factor": np.full(len(parameters.methods), 1.4), "own_factor": np.asarray(1.15)}
    replica = draw_replica(data, values, np.random.default_rng(17))
    found = posterior_of(replica.data, seed=1, draws=600)
    for name in ("rate_bias", "tree_sd", "own_factor", "distance_factor", "height_level", "height_spread"):
        low, high = np.quantile(found[name], [0.005, 0.995], axis=0)
        assert np.all((low < np.atleast_1d(values[name])) & (np.atleast_1d(values[name]) < high)), name
    assert found["rate_bias"].std() < 0.6 * LearningPriors().rate_bias_extra_sd.value
