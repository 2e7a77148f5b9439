"""Dates under a prior of recruitment pulses: the likelihood by brute force, and its faces without sampling."""

import numpy as np
import pytest
from made_up_ages import at_core_height, made_up_tree
from scipy.stats import norm

from treeage.errors import InputError, ModelWarning
from treeage.estimate import estimate_ages
from treeage.hierarchical import with_pulses
from treeage.hierarchical.pulses import SPREAD_YEARS, PulseKernel, _reweighted
from treeage.simulate import simulate_stand


def dated(trees=12):
    """Ages of a small stand, flat prior."""
    from dataclasses import replace

    from treeage.simulate import scenario

    field = simulate_stand(replace(scenario("mixed"), trees=trees), seed=4).field()
    return estimate_ages(field, from_stand=False, from_pairs=False)


def scattered_inference(kernel, *, draws=40, chains=4, spread=0.3):
    """Draws scattered around the origin, in the shape of a sampled posterior."""
    import arviz as az

    rng = np.random.default_rng(0)
    points = [[kernel(spread * rng.standard_normal(kernel.size))[0] for _ in range(draws)] for _ in range(chains)]
    names = ("pulse_prior", "pulse_weight", "pulse_centre", "pulse_spread")
    posterior = {
        name: np.array([[point[place] for point in chain] for chain in points])
        for place, name in enumerate(names, start=1)
    }
    dims = {"pulse_prior": ["year"], "pulse_weight": ["part"], "pulse_centre": ["pulse"], "pulse_spread": ["pulse"]}
    if az.__version__.startswith("0."):
        return az.from_dict(posterior=posterior, dims=dims)
    return az.from_dict({"posterior": posterior}, dims=dims)


@pytest.fixture
def unsampled(monkeypatch):
    """Sampling replaced by draws around the prior's centre."""
    monkeypatch.setattr("treeage.hierarchical.pulses._sample", lambda kernel, seed: scattered_inference(kernel))


@pytest.mark.parametrize("pulses", [1, 2, 3])
def test_gradient_against_differences(pulses):
    """The gradient by hand is that of the value."""
    kernel = PulseKernel(np.random.default_rng(0).dirichlet(np.ones(70), 15), pulses)
    z = np.random.default_rng(1).standard_normal(kernel.size)
    step = 1e-5
    expected = [(kernel(z + e)[0][0] - kernel(z - e)[0][0]) / (2 * step) for e in step * np.eye(kernel.size)]
    np.testing.assert_allclose(kernel(z)[1], expected, rtol=1e-5, atol=1e-6)  # central differences


def test_likelihood_against_scipy():
    """At the centre of the prior one pulse lies in the middle with half the weight."""
    mass = np.random.default_rng(2).dirichlet(np.ones(101), 8)
    kernel = PulseKernel(mass, 1)
    total, prior, weight, centre, spread = kernel(np.zeros(kernel.size))[0]
    curve = norm.pdf(np.arange(101), 50.0, SPREAD_YEARS)  # SciPy
    expected = 0.5 / 101 + 0.5 * curve / curve.sum()
    np.testing.assert_allclose(prior, expected)
    assert total == pytest.approx(np.log(mass @ expected).sum())
    assert (weight.tolist(), centre.tolist(), spread.tolist()) == ([0.5, 0.5], [50.0], [SPREAD_YEARS])


def test_the_order_of_trees_does_not_matter(unsampled):
    """Each tree has the same mass and the same draws, wherever its row stands."""
    from dataclasses import replace

    flat = dated(6)
    turned = replace(flat, tree_ages=flat.tree_ages[::-1])
    one, other = (with_pulses(ages, pulses=1) for ages in (flat, turned))
    assert other.trees == one.trees[::-1]
    for tree in one.trees:
        assert one[tree].date.mass.tolist() == other[tree].date.mass.tolist()
        draws = [ages.draws(200, seed=1).sel(tree=tree).values.tolist() for ages in (one, other)]
        assert draws[0] == draws[1]


def test_centres_are_ordered():
    """Pulses cannot swap places."""
    kernel = PulseKernel(np.ones((1, 200)), 4)
    rng = np.random.default_rng(3)
    for _ in range(20):
        assert np.all(np.diff(kernel(rng.standard_normal(kernel.size))[0][3]) > 0)


def test_faces_and_joint_draws(unsampled):
    """Dates are reweighted, everything else is kept, and joint draws agree with the mass functions."""
    flat = dated()
    ages = with_pulses(flat, pulses=2)
    assert ages.trees == flat.trees
    assert list(ages.extras["pulses"]["pulse"]) == [1, 2]
    for tree in ages.trees:
        assert "pulse_prior" in ages[tree].flags
        assert ages[tree].establishment_year.mass.sum() == pytest.approx(1.0)
        values, pmf = ages.sampled.sel(tree=tree).to_numpy(), ages[tree].establishment_year
        assert abs(values.mean() - pmf.mean()) < 6 * pmf.sd() / np.sqrt(len(values)) + 0.3
        assert ages[tree].age.mean() == pytest.approx(ages[tree].outer_year + 1 - pmf.mean(), abs=0.5)


def test_precise_dates_are_moved_least(unsampled):
    """The prior draws a vague date more than a precise one, and widens none beyond the flat answer by much."""
    flat = dated()
    ages = with_pulses(flat, pulses=1)
    moved = [abs(ages[t].establishment_year.mean() - flat[t].establishment_year.mean()) for t in flat.trees]
    spread = [flat[t].establishment_year.sd() for t in flat.trees]
    assert np.corrcoef(moved, spread)[0, 1] > 0.2
    assert min(moved) < 0.5


@pytest.mark.parametrize("pulses", [0, 7, 1.5])
def test_number_of_pulses_is_checked(pulses):
    """The range of pulses is named."""
    with pytest.raises(InputError, match=f"got {pulses}, need 1 to 6 pulses"):
        with_pulses(dated(), pulses=pulses)


def test_too_few_trees_are_refused():
    """Four trees cannot teach a prior."""
    with pytest.raises(InputError, match="got 4 dated trees, need at least 5"):
        with_pulses(dated(4), pulses=1)


def test_chains_that_disagree_warn(monkeypatch):
    """Pulses that the chains do not agree on are reported."""

    def far_apart(kernel, seed):
        found = scattered_inference(kernel)
        node = found["posterior"]
        node["pulse_centre"].values += 30.0 * np.arange(4)[:, None, None]
        return found

    monkeypatch.setattr("treeage.hierarchical.pulses._sample", far_apart)
    with pytest.warns(ModelWarning, match="the chains disagree"):
        with_pulses(dated(), pulses=1)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::UserWarning")
def test_pulses_of_the_demo_stand_are_found():
    """Demo stand: the pulses of the simulator lie inside the intervals, and dates gain in log score."""
    from treeage.validate import score_against_truth

    stand = simulate_stand("demo")
    flat = estimate_ages(stand.field())
    ages = with_pulses(flat, pulses=2, seed=1)
    table = ages.extras["pulses"]
    truth = [pulse.year + pulse.delay_mean_yr for pulse in stand.scenario.pulses]  # the simulator's own recipe
    assert np.all((table["centre_lo"] - 3 < truth) & (truth < table["centre_hi"] + 3))
    scores = [score_against_truth(each, stand.truth["trees"])["log_score"].mean() for each in (flat, ages)]
    assert scores[1] < scores[0]


def test_a_tree_at_coring_height_keeps_its_kind():
    """Under a flat prior nothing moves, and no establishment year appears where the years to height are unknown."""
    tree = at_core_height(made_up_tree(3))
    first, last = tree.date.quantile(1e-6), tree.date.quantile(1 - 1e-6)
    moved = _reweighted(tree, first, np.ones((3, last - first + 1)))
    assert moved.date_refers_to == "coring height"
    assert moved.date.mean() == pytest.approx(tree.date.mean(), abs=0.01)  # the cut ends hold two in a million
    assert moved.date.mean() + moved.age_at_core_height.mean() == pytest.approx(tree.outer_year + 1, abs=0.01)
