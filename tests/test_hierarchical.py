"""Hierarchical layer without sampling: the model's value and gradient, its parts against brute force, its faces."""

import warnings
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from learned_stands import draw_replica, rows_by_tree, small_field, small_stand
from scipy.special import logsumexp
from scipy.stats import lognorm, norm

from treeage.counting import count_error_mass
from treeage.errors import InputError, ModelError, ModelWarning
from treeage.estimate import Shared, date_trees, estimate_ages, prepare
from treeage.hierarchical import (
    LearnedAges,
    LearningPriors,
    Sampling,
    compare_fits,
    diagnose,
    fit_hierarchical,
    prior_predictive,
    prior_table,
)
from treeage.hierarchical.data import DIFFERENCE_YEARS, FORMS, form_axis, stand_data
from treeage.hierarchical.dates import learned_answers, like_draws, states_of_draws
from treeage.hierarchical.kernel import HeightKernel, plain_mode, stand_kernel
from treeage.hierarchical.likelihood import (
    FACTOR_LIMITS,
    SHIFTS,
    ErrorFactor,
    FactorKind,
    chebyshev_nodes,
    degrees,
    scale_distance,
    scaled_counts,
    tree_axes,
    tree_likelihoods,
    tree_log_likelihood,
)
from treeage.hierarchical.priors import NAMES, ParameterMap
from treeage.hierarchical.sampling import build_model, core_checks, group_dataset, mode_and_covariance
from treeage.pmf import Mass, Pmf
from treeage.report.texts import methods_text
from treeage.tables import Field

pytestmark = pytest.mark.filterwarnings("ignore:PyTensor could not link:UserWarning")


@cache
def stand():
    """One small stand, kept."""
    return small_stand()


@cache
def two_heights():
    """One small stand cored at two heights, kept."""
    return small_stand(10, name="two_heights")


def prior_draws(data, size, *, seed=1, flat=False):
    """Parameters drawn from the prior, or all at their centres."""
    parameters = ParameterMap(data, LearningPriors())
    rng = np.random.default_rng(seed)
    points = [
        parameters.values(np.zeros(parameters.size) if flat else rng.standard_normal(parameters.size))
        for _ in range(size)
    ]
    draws = {name: np.array([point[name] for point in points]) for name in NAMES}
    forms = np.zeros((size, len(data.heights.species), len(FORMS)))
    return draws | {"form_log_weight": forms}


def numeric_gradient(kernel, z, step=1e-5):
    """Gradient of the log likelihood by central differences."""
    values = [(kernel(z + e)[0][0] - kernel(z - e)[0][0]) / (2 * step) for e in step * np.eye(z.size)]
    return np.array(values)


# ------------------------------------------------------------------ value and gradient


@pytest.mark.parametrize("make", [stand, two_heights])
def test_gradient_against_differences(make):
    """The gradient by hand is that of the value."""
    _, data = make()
    parameters = ParameterMap(data, LearningPriors())
    kernel = stand_kernel(data, parameters)
    z = 0.5 * np.random.default_rng(3).standard_normal(parameters.size)
    expected = numeric_gradient(kernel, z)  # central differences
    np.testing.assert_allclose(kernel(z)[1], expected, rtol=1e-4, atol=1e-4)


def test_polynomials_against_direct_summation():
    """Between the nodes the polynomials agree with summing years and counts at that very point."""
    _, data = stand()
    rng = np.random.default_rng(2)
    weight = norm.logpdf(SHIFTS, 0.0, 0.2)
    rows = rows_by_tree(data)
    acting = data.trees.factors
    at_one = data.trees.log_likelihood(0.0, np.zeros(len(acting)))
    for _ in range(3):
        own = 0.2 * rng.standard_normal()
        factors = np.clip(0.35 * rng.standard_normal(len(acting)), -0.9, 0.9)
        found = data.trees.log_likelihood(own, factors)
        for k, tree in enumerate(data.trees.trees):
            axes = tree_axes(data.learning, rows[tree], counted=True)
            points = {None: np.array([own])} | {factor: factors[[acting.index(factor)]] for factor in axes}
            zeros = {None: np.zeros(1)} | dict.fromkeys(axes, np.zeros(1))
            direct = tree_log_likelihood(data.learning, rows[tree], axes, nodes=points).ravel()
            base = tree_log_likelihood(data.learning, rows[tree], axes, nodes=zeros).ravel()
            change = logsumexp(direct + weight) - logsumexp(base + weight)  # direct summation
            assert abs(logsumexp(found[k] + weight) - logsumexp(at_one[k] + weight) - change) < 0.12


def test_tree_with_one_core_teaches_nothing():
    """Under the flat prior on the pith year the likelihood of one core sums to 1 whatever the parameters."""
    _, data = stand()
    row = data.learning.distance_factor.index(ErrorFactor.ARC)
    axes = tree_axes(data.learning, [row], counted=True)
    found = tree_log_likelihood(data.learning, [row], axes)
    assert np.ptp(found) < 0.01  # closed form: sum over P of p(I - P) = 1, but for the end of the axis
    assert tree_likelihoods(data.learning, {"T": [row]}).coefficients.max() < 1e-2


def test_young_trees_against_scipy():
    """The sums of squares give the normal log density of every young tree."""
    _, data = stand()
    heights = data.heights
    kernel = HeightKernel(heights, data.difference)
    level, slope, spread = np.array([2.2]), np.array([0.8]), np.array([0.3])
    found = kernel(level, slope, spread, np.zeros((0, SHIFTS.size)))
    by_form = norm.logpdf(heights.young_log_age[:, None], level + slope * heights.young_axis, spread).sum(axis=0)
    by_form += 0.5 * np.log(2 * np.pi) * heights.young_log_age.size
    tries = np.array([sum(other == form for other, _ in FORMS) for form, _ in FORMS])
    weights = (1 / tries) / (1 / tries).sum()
    expected = logsumexp(by_form, b=weights)  # SciPy
    assert found.total == pytest.approx(expected)
    np.testing.assert_allclose(np.exp(found.form_log_weight).sum(axis=1), 1.0)


@pytest.mark.parametrize(("low", "first", "width"), [(-40.0, 1.0, 9.0), (np.log(0.01), 0.5, 8.5)])
def test_years_from_the_collar_are_not_rounded_below(low, first, width):
    """From the collar d years mean d to d + 1 seasons; from above it the difference is rounded to the nearest."""
    _, data = stand()
    forms = len(FORMS)
    axis = np.stack([np.full((1, forms), low), np.zeros((1, forms))], axis=1)
    bare = replace(data.heights, young_species=np.zeros(0, np.int64), young_axis=np.zeros((0, forms)))
    bare = replace(bare, young_log_age=np.zeros(0), cored_species=np.zeros(1, np.int64), cored_axis=axis)
    middle = np.log(8) + (0 if low == -40 else np.log1p(-(0.01**0.75)))
    for years, edges in ((0, (0, first)), (8, (width - 1, width))):
        likelihood = np.zeros((1, SHIFTS.size, DIFFERENCE_YEARS))
        likelihood[:, :, years] = 1
        value = HeightKernel(bare, likelihood)(np.log([8.0]), np.array([0.75]), np.array([0.3]), np.eye(1, SHIFTS.size))
        cdf = lognorm(0.3, scale=np.exp(middle)).cdf(edges)  # SciPy
        assert np.exp(value.total) == pytest.approx(cdf[1] - cdf[0])


def test_forms_are_those_of_the_fixed_height_model():
    """Both layers average over the same growth forms."""
    from treeage.height import GROWTH_CANDIDATES

    assert FORMS is GROWTH_CANDIDATES


@pytest.mark.parametrize("factor", [0.5, 1.0, 2.0])
def test_scaled_distance_of_a_normal_error(factor):
    """A factor on a normal error multiplies its standard deviation."""
    from treeage.distance import DISTANCE_GRID_MM, direct_likelihood, distance_mass

    mass = distance_mass(np.ones((1, DISTANCE_GRID_MM.size)), [direct_likelihood(40.0, 4.0)])
    found = scale_distance(mass, np.array([factor]))[0]
    mean = found @ DISTANCE_GRID_MM
    assert np.sqrt(found @ (DISTANCE_GRID_MM - mean) ** 2) == pytest.approx(4.0 * factor, rel=0.03)  # closed form
    assert found.sum() == pytest.approx(1.0)


def test_scaled_distance_leaves_the_pith_alone():
    """A core that holds the pith stays at 0."""
    from treeage.distance import DISTANCE_GRID_MM

    mass = np.eye(1, DISTANCE_GRID_MM.size)
    np.testing.assert_array_equal(scale_distance(mass, np.array([2.0])), mass)


@pytest.mark.parametrize(
    ("factor", "dating"), [(ErrorFactor.LAB_COUNT, "lab_count"), (ErrorFactor.FIELD_COUNT, "field_count")]
)
def test_twice_as_many_wrong_rings_are_those_of_twice_the_rings(factor, dating):
    """Wrong rings are Poisson with a mean of share times rings (closed form); a factor of 1 changes nothing."""
    species = np.array(["Picea abies"] * 2)
    cores = SimpleNamespace(rings_counted=np.array([100, 200]), species=species, mean_width_mm=np.full(2, np.nan))
    found = scaled_counts(cores, [0, 1], [factor] * 2, np.array([2.0, 1.0]))
    expected = count_error_mass([200, 200], dating, genus="Picea abies")
    assert found.start == expected.start
    np.testing.assert_allclose(found.mass, expected.mass)


def test_axis_of_the_forms_is_tangent_to_log_height():
    """At the middle height every form is 0 with slope 1 on log height; the first, a power, is log height itself."""
    heights = np.array([0.5, 1.0, 0.5 * np.exp(1e-5)])
    found = form_axis(heights, 0.5, 2.0)
    np.testing.assert_allclose(found[:2, 0], [0.0, np.log(2)], atol=1e-12)  # closed form
    np.testing.assert_allclose(found[0], 0.0, atol=1e-12)
    np.testing.assert_allclose(found[2] / 1e-5, 1.0, atol=1e-3)


def test_nodes_and_terms():
    """Chebyshev nodes are those of the polynomial, symmetric; terms are distinct and start with the constant."""
    for kind in FactorKind:
        nodes = chebyshev_nodes(kind)
        np.testing.assert_allclose(nodes, -nodes[::-1], atol=1e-12)
        zeros = np.polynomial.chebyshev.Chebyshev.basis(nodes.size).roots()  # NumPy
        np.testing.assert_allclose(nodes, zeros * FACTOR_LIMITS[kind], atol=1e-12)
    terms = degrees()
    assert len({tuple(term) for term in terms}) == len(terms)
    assert not terms[0].any()


# ------------------------------------------------------------------ the PyMC model


def test_model_is_built_with_named_dimensions():
    """Log density is finite, variables carry the named dimensions, nothing has to be sampled."""
    _, data = stand()
    model = build_model(data)
    assert set(model.coords) >= {"species", "method", "dating", "height_species", "form", "teaching_tree"}
    assert model.named_vars_to_dims["rate_bias"] == ("species",)
    assert model.named_vars_to_dims["distance_factor"] == ("method",)
    assert model.named_vars_to_dims["tree_log_likelihood"] == ("teaching_tree",)
    density = model.compile_logp(mode=plain_mode())
    parameters = ParameterMap(data, LearningPriors())
    z = np.full(parameters.size, 0.3)
    kernel = stand_kernel(data, parameters)
    expected = float(kernel(z)[0][0]) + norm.logpdf(z).sum()  # SciPy
    assert float(density({"z": z})) == pytest.approx(expected)


def test_model_of_two_species_pools_in_part():
    """Two species share part of the deviation of the growth rate."""
    _, data = small_stand(12, species=2)
    parameters = ParameterMap(data, LearningPriors())
    rng = np.random.default_rng(4)
    bias = np.array([parameters.values(rng.standard_normal(parameters.size))["rate_bias"] for _ in range(4000)])
    assert np.corrcoef(bias.T)[0, 1] == pytest.approx(0.5, abs=0.05)  # closed form: the share of the priors
    expected = np.hypot(data.stand_sd, LearningPriors().rate_bias_extra_sd.value)  # closed form
    np.testing.assert_allclose(bias.std(axis=0), expected, rtol=0.05)


def test_mode_is_a_stationary_point():
    """At the mode the gradient of likelihood and prior cancel, and the metric is positive."""
    _, data = stand()
    kernel = stand_kernel(data, ParameterMap(data, LearningPriors()))
    mode, covariance = mode_and_covariance(kernel)
    assert np.abs(kernel(mode)[1] - mode).max() < 0.02
    assert np.linalg.eigvalsh(covariance).min() > 0


def test_likelihood_prefers_the_truth():
    """On a stand drawn with fast hidden growth the mode moves that way; without cores it would stay."""
    _, data = small_stand(40)
    values = ParameterMap(data, LearningPriors()).values(np.zeros(ParameterMap(data, LearningPriors()).size))
    biases = []
    for truth in (-0.3, 0.3):
        replica = draw_replica(data, values | {"rate_bias": np.array([truth])}, np.random.default_rng(8))
        parameters = ParameterMap(replica.data, LearningPriors())
        mode, _ = mode_and_covariance(stand_kernel(replica.data, parameters))
        biases.append(float(parameters.values(mode)["rate_bias"][0]))
    assert biases[0] < -0.08 and biases[1] > 0.08


# ------------------------------------------------------------------ dates given draws


@pytest.mark.parametrize("make", [stand, two_heights])
def test_dates_at_fixed_parameters_are_those_of_the_exact_engine(make):
    """With every parameter at its centre, the engine's spread of b and its states, both give the same pith years."""
    field, data = make()
    size = len(data.shared.states)
    draws = prior_draws(data, size, flat=True)
    quantiles = norm.ppf((np.arange(size) + 0.5) / size)
    draws["rate_bias"] = quantiles[:, None] * data.stand_sd
    without = replace(data, heights=replace(data.heights, species=()))
    answers, _ = learned_answers(without, draws, list(field.trees["tree"]), prob=0.9, seed=0)
    order, states, species = states_of_draws(data, draws["rate_bias"]), data.shared.states, {}
    place = states.place[order]
    for k, name in enumerate(data.species):
        own = data.shared[name]
        species[name] = replace(own, growth=replace(own.growth.at(draws["rate_bias"][:, k]), place=place))
    cores = replace(data.cores, count_levels=None)
    exact = date_trees(cores, Shared(species, replace(states, place=place)))
    for answer in answers:
        found = exact[answer.tree]
        mass = Pmf(found.added.start, found.added.mass.mean(axis=0))
        one, two = answer.pith_year, mass.negate().shift(found.reference_year)
        low, high = min(one.start, two.start), max(one.stop, two.stop)
        apart = 0.5 * np.abs(one.on(low, high - low + 1) - two.on(low, high - low + 1)).sum()
        assert apart < 0.02, answer.tree  # total variation against the exact engine


def test_like_draws_groups_by_factors():
    """Draws with like factors end together, without empty groups."""
    _, data = stand()
    draws = prior_draws(data, 40)
    group = like_draws(draws, 6)
    assert set(group) == set(range(group.max() + 1))
    logs = np.log(draws["own_factor"])
    within = np.mean([logs[group == k].var() for k in range(group.max() + 1)])
    assert within < logs.var()


# ------------------------------------------------------------------ the public face, sampling replaced by prior draws


def prior_inference(model, kernel, sampling, *, seed, tick=None, spoilt=False):
    """Draws of the prior in the shape of a sampled posterior."""
    import arviz as az

    rng = np.random.default_rng(seed)
    draws, chains = sampling.draws, sampling.chains
    points = [[kernel(rng.standard_normal(kernel.size))[0] for _ in range(draws)] for _ in range(chains)]
    names = ("tree_log_likelihood", "form_log_weight", *NAMES)
    posterior = {
        name: np.array([[np.array(p[k + 1]) for p in chain] for chain in points]) for k, name in enumerate(names)
    }
    posterior["rate_bias"] = posterior["rate_bias"] + spoilt * np.arange(chains)[:, None, None]
    dims = {"tree_log_likelihood": ["teaching_tree"], "rate_bias": ["species"], "tree_sd": ["species"]}
    dims |= {"distance_factor": ["method"], "count_factor": ["dating"], "form_log_weight": ["height_species", "form"]}
    dims |= dict.fromkeys(NAMES[5:], ["height_species"])
    coords = {name: list(values) for name, values in model.coords.items()}
    stats = {"diverging": np.zeros((chains, draws), dtype=bool)}
    groups = {"posterior": posterior, "sample_stats": stats}
    if az.__version__.startswith("0."):
        return az.from_dict(**groups, dims=dims, coords=coords)
    return az.from_dict(groups, dims=dims, coords=coords)


@cache
def learned():
    """An answer whose draws are those of the prior; kept."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("treeage.hierarchical.fit.sample_model", prior_inference)
        return fit_hierarchical(stand()[0], from_stand=False, from_pairs=False, sampling=Sampling(draws=250))


def test_faces_of_the_answer():
    """The learned answer has the faces of the exact one, inference data and joint draws."""
    ages = learned()
    exact = estimate_ages(stand()[0], from_stand=False, from_pairs=False)
    assert isinstance(ages, LearnedAges)
    assert list(ages.to_frame().columns) == list(exact.to_frame().columns)
    assert ages.trees == exact.trees
    assert ages.sampled.dims == ("draw", "tree")
    assert ages.draws(50).shape == (50, len(ages.trees))
    assert set(ages.extras) >= {"parameters", "priors", "core_checks", "diagnosis"}
    posterior = group_dataset(ages.inference, "posterior")
    assert posterior["rate_bias"].dims == ("chain", "draw", "species")
    assert "tree_log_likelihood" not in posterior
    assert group_dataset(ages.inference, "log_likelihood")["tree"].dims == ("chain", "draw", "teaching_tree")
    assert "learned" in repr(ages) and "Learned from the stand" in ages.summary()


def test_joint_draws_agree_with_the_mass_functions():
    """Mean and spread of the joint draws are those of each tree's mass function."""
    ages = learned()
    for tree in ages.trees:
        values, pmf = ages.sampled.sel(tree=tree).to_numpy(), ages[tree].establishment_year
        limit = 6 * pmf.sd() / np.sqrt(len(values)) + 0.2  # six standard errors and the nodes' own
        assert abs(values.mean() - pmf.mean()) < limit


def test_sound_sampling_passes_and_says_so():
    """Independent draws pass every check."""
    assert learned().diagnosis.passed
    assert "nothing against it" in learned().summary()
    assert not any("sampling_failed" in answer.flags for answer in learned())


def test_methods_say_what_was_learned_how_and_whether_to_trust_it():
    """A thesis must name the sampler, the parameters and its diagnostics; without learning nothing of it is claimed."""
    said = methods_text(learned())
    assert "rate_bias, tree_sd, " in said and "were learned from all trees of the stand" in said
    assert "No-U-Turn sampling (PyMC)" in said and learned().diagnosis.sentence() in said
    exact = methods_text(estimate_ages(stand()[0], from_stand=False, from_pairs=False))
    assert "No-U-Turn" not in exact and "were learned from all trees" not in exact


def test_failed_sampling_is_said_in_every_face(monkeypatch):
    """Chains that disagree warn, flag every tree and stand in summary, repr, notes, table and HTML."""

    def spoilt(*args, **settings):
        return prior_inference(*args, **settings, spoilt=True)

    monkeypatch.setattr("treeage.hierarchical.fit.sample_model", spoilt)
    with pytest.warns(ModelWarning, match="R-hat above 1.01"):
        ages = fit_hierarchical(stand()[0], from_stand=False, from_pairs=False, sampling=Sampling(draws=30))
    assert not ages.diagnosis.passed
    assert ages.summary().startswith("SAMPLING FAILED ITS CHECKS")
    assert "SAMPLING FAILED" in repr(ages) and "SAMPLING FAILED" in ages._repr_html_()
    assert ages.to_frame()["flags"].str.contains("sampling_failed").all()
    assert ages.notes["file"].eq("fit_hierarchical").any()


def test_divergences_fail_the_checks():
    """A single divergence is reported with what to do."""
    inference = learned().inference
    stats = group_dataset(inference, "sample_stats").copy(deep=True)
    stats["diverging"][0, 0] = True

    found = diagnose({"posterior": group_dataset(inference, "posterior"), "sample_stats": stats})
    assert found.divergences == 1 and "raise `tune`" in found.sentence()


def test_comparison_of_fits():
    """A fit compared with itself is no better; fits on other trees are refused."""
    table = compare_fits({"one": learned(), "two": learned()})
    assert table["difference"].abs().max() == 0.0
    assert list(table.columns[:2]) == ["fit", "elpd"]
    with pytest.raises(InputError, match="got 1 fits"):
        compare_fits({"one": learned()})
    with pytest.raises(InputError, match="without inference data"):
        compare_fits({"one": learned(), "two": estimate_ages(stand()[0])})


def test_core_checks_point_at_a_core_that_was_moved():
    """A core whose outer year was spoilt by sixty years is called surprising."""
    field, data = stand()
    rows = rows_by_tree(data)
    crossdated = [t for t in data.trees.trees if not any(data.learning.count_factor[r] for r in rows[t])]
    tree = crossdated[0]
    cores = field.cores.copy()
    cores.loc[data.cores.line[rows[tree][0]], "outer_year"] -= 60
    moved = replace(field, cores=cores)
    other = stand_data(moved, *prepare(moved, from_stand=False, from_pairs=False)[:2])
    answers, _ = learned_answers(other, prior_draws(other, 6), list(field.trees["tree"]), prob=0.9, seed=0)
    table = core_checks(answers)
    assert table.loc[table["tree"] == tree, "surprising"].any()
    assert table["surprising"].mean() < 0.2


def test_priors_have_sources():
    """Every prior states unit, source and how it is known."""
    table = prior_table()
    assert (table[["unit", "meaning", "source", "known"]] != "").all().all()
    wide = LearningPriors(own_log_sd=replace(LearningPriors().own_log_sd, default=0.5))
    assert prior_table(wide).loc["own_log_sd", "value"] == 0.5


@pytest.mark.parametrize(
    ("options", "match"),
    [({"draws": 0}, "draws: got 0, need a whole"), ({"prob": 2.0}, "prob: got 2"), ({"seed": -1}, "seed: got -1")],
)
def test_odd_questions_of_the_priors_are_refused(options, match):
    """They ended in errors of NumPy."""
    with pytest.raises(InputError, match=match):
        prior_predictive(stand()[0], **options)
    with pytest.raises(InputError, match="got 100.5, need at least 20, whole"):
        fit_hierarchical(stand()[0], sampling=Sampling(draws=100.5))


def test_prior_predictive_is_where_it_should_be():
    """Prior medians of factors are 1; missed rings of a tree within a factor of two at 90 %."""
    table = prior_predictive(stand()[0], draws=800).set_index("parameter")
    assert table.loc["own_factor", "median"] == pytest.approx(1.0, abs=0.05)
    low, high = table.loc["missed_rings_factor", ["lo", "hi"]]
    assert 0.5 < low < 0.85 and 1.2 < high < 2.0
    assert table.loc["seasons_to_middle_height", "median"] > 0


@pytest.mark.parametrize(("name", "value", "least"), [("draws", 5, 20), ("tune", 3, 20), ("chains", 1, 2)])
def test_settings_too_small_are_refused(name, value, least):
    """Settings of the sampler name the value and what is needed."""
    with pytest.raises(InputError, match=f"sampling.{name}: got {value}, need at least {least}"):
        fit_hierarchical(stand()[0], sampling=replace(Sampling(), **{name: value}))


def test_probability_outside_is_refused():
    """prob must lie between 0 and 1."""
    with pytest.raises(InputError, match="1.5"):
        fit_hierarchical(stand()[0], prob=1.5)


def test_field_that_teaches_nothing_is_refused():
    """One core and no young trees cannot teach anything."""
    trees = pd.DataFrame({"tree": ["A1"], "species": ["Larix decidua"]})
    core = {"tree": "A1", "core": "a", "outer_year": 2024, "rings_counted": 120, "dating": "crossdated"}
    cores = pd.DataFrame([core | {"inner_end": "pith", "core_height_m": 0.0}])
    with pytest.raises(ModelError, match="no tree with two informative cores"):
        fit_hierarchical(Field.from_frames(trees, cores))


def test_joint_count_errors_matter_by_their_difference():
    """Cores read against each other: the likelihood equals the sum over all pairs of errors."""
    _, data = stand()
    rows = rows_by_tree(data)
    tree = next(t for t in data.trees.trees if all(data.learning.distance_factor[r] for r in rows[t]))
    one, two = rows[tree]
    mass = np.array([[0.5, 0.2], [0.2, 0.1]])
    points = {None: np.zeros(1)}
    joint = ((one, two), (0, -1), mass)
    data = replace(data, learning=replace(data.learning, cores=replace(data.cores, wrong=0.0)))
    found = tree_log_likelihood(data.learning, [one, two], [], joint=joint, nodes=points).ravel()
    total = 0.0
    for i in range(2):
        for j in range(2):
            moved = data.cores.outer_year.copy()
            moved[one] -= i
            moved[two] -= j - 1
            plain = replace(data.cores, outer_year=moved, count=Mass(0, np.ones((len(moved), 1))))
            learning = replace(data.learning, cores=plain, count_factor=(None,) * len(moved))
            total = total + mass[i, j] * np.exp(tree_log_likelihood(learning, [one, two], [], nodes=points).ravel())
    np.testing.assert_allclose(found, np.log(total), atol=0.02)  # brute force over the pairs of errors


def test_small_field_is_small():
    """The helper makes a field of the size asked for."""
    assert len(small_field(16).trees) == 16
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        small_field(16)
