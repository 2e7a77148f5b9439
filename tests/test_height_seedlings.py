"""Height models from young trees: oracle, recovery of the truth, coverage, a control that must fail, messages."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from treeage.errors import InputError, ModelError
from treeage.height import from_seedlings, from_two_heights, height_curve, seasons_between
from treeage.height.young import spread_points
from treeage.schema import FEWEST_YOUNG_TREES

# Chapman-Richards growth whose median tree passes 1 m after 9 seasons; not one of the fitted forms
TRUTH = height_curve("chapman_richards", {"asymptote": 20.0, "rate": 0.0135, "shape": 1.4})

PLAIN = {"sampling": "passing", "era_log_sd": 0.0}  # ages are times, and the era is left out


def young_trees(rng, count, log_sd, *, standing=False):
    """Heights and ages of young trees of 0.1 to 1.4 m: one at each random height, or whatever stands there."""
    if not standing:
        slowness = np.exp(log_sd * rng.normal(size=count))
        ages = np.maximum(1, np.round(slowness * TRUTH.age_at(rng.uniform(0.1, 1.4, count))))
        return TRUTH.height_at(ages / slowness), ages
    slowness, ages = np.exp(log_sd * rng.normal(size=60 * count)), rng.integers(1, 61, 60 * count).astype(float)
    heights = TRUTH.height_at(ages / slowness)  # one seedling a year established for 60 years
    keep = np.flatnonzero((heights > 0.1) & (heights < 1.4))[:count]
    return heights[keep], ages[keep]


def scores(rng, repeats, make, log_sd, height_m=1.0):
    """Where the true years of a new tree fall in the distribution (uniform if it is right), and log bias."""
    found, bias = np.empty(repeats), np.empty(repeats)
    truth = float(TRUTH.age_at(height_m))
    for turn in range(repeats):
        model = make()
        years = model.years(height_m)
        true = int(np.ceil(truth * np.exp(log_sd * rng.normal()))) - 1
        found[turn] = years.cdf(true - 1) + rng.random() * years.prob_at(true)
        bias[turn] = np.log(model.passing_seasons(height_m)).mean() - np.log(truth)
    return found, float(bias.mean())


def covered(found, prob):
    """Share of scores inside the central interval."""
    return float(np.mean(np.abs(found - 0.5) < prob / 2))


def band(prob, repeats):
    """Three binomial standard errors."""
    return 3 * np.sqrt(prob * (1 - prob) / repeats)


@pytest.mark.parametrize(
    ("count", "log_sd"),
    [(8, 0.35), pytest.param(24, 0.25, marks=pytest.mark.slow), pytest.param(24, 0.4, marks=pytest.mark.slow)],
)
def test_years_to_one_metre_cover_the_truth(count, log_sd):
    """From simulated young trees the interval holds the years of a new tree as often as it says."""
    rng = np.random.default_rng(11)
    found, bias = scores(rng, 300, lambda: from_seedlings(*young_trees(rng, count, log_sd), era_log_sd=0.0), log_sd)
    for prob in (0.5, 0.8, 0.9):
        assert covered(found, prob) == pytest.approx(prob, abs=band(prob, 300))  # binomial
    assert abs(bias) < 0.03


def test_young_trees_met_by_chance_need_the_correction():
    """Control: slow trees are met more often; taken as passing times they must fail, with 'standing' not."""
    rng = np.random.default_rng(12)
    naive, bias = scores(rng, 200, lambda: from_seedlings(*young_trees(rng, 24, 0.4, standing=True)), 0.4)
    assert bias == pytest.approx(0.4**2, abs=0.04)  # closed form: the mean log age rises by the variance
    assert naive.mean() < 0.45  # must fail: a right model gives 0.5 +- 0.02
    rng = np.random.default_rng(12)
    right, bias = scores(
        rng, 200, lambda: from_seedlings(*young_trees(rng, 24, 0.4, standing=True), sampling="standing"), 0.4
    )
    assert abs(bias) < 0.04
    assert right.mean() == pytest.approx(0.5, abs=3 * np.sqrt(1 / 12 / 200))  # uniform


def test_a_wrong_convention_fails():
    """Control: rings at the height taken from the age with a whole season more shift the scores."""
    rng = np.random.default_rng(13)

    def shifted():
        heights, ages = young_trees(rng, 60, 0.15)
        return from_seedlings(heights, ages + 1)

    found, _ = scores(rng, 150, shifted, 0.15)
    assert found.mean() < 0.4  # must fail: a right model gives 0.5 +- 0.02


def test_shared_error_shrinks_with_more_trees_and_spread_does_not():
    """Parameter uncertainty falls with the sample, the spread between trees stays."""
    rng = np.random.default_rng(14)
    shared, between = [], []
    for count in (10, 40, 160):
        table = np.log(from_seedlings(*young_trees(rng, count, 0.3), **PLAIN).passing_seasons(1.0))
        shared.append(table.mean(axis=1).std())
        between.append(np.sqrt(table.var(axis=1).mean()))
    assert shared[0] > shared[1] > shared[2]
    assert shared[2] == pytest.approx(0.3 / np.sqrt(160), rel=0.6)  # closed form at the mean height; wider away
    assert between[2] == pytest.approx(0.3, abs=0.04)  # simulated truth


def test_regression_agrees_with_scipy():
    """On many trees of a power law the line and the spread are those of ordinary least squares."""
    rng = np.random.default_rng(15)
    heights = rng.uniform(0.1, 1.5, 600)
    ages = np.exp(np.log(9) + 0.7 * np.log(heights) + 0.2 * rng.normal(size=600)) + 1.0
    model = from_seedlings(heights, ages)
    line = stats.linregress(np.log(heights), np.log(ages))
    residual = np.log(ages) - line.intercept - line.slope * np.log(heights)
    at = np.log(model.passing_seasons(0.5))
    assert at.mean() == pytest.approx(line.intercept + line.slope * np.log(0.5), abs=0.02)  # SciPy
    assert np.sqrt(at.var(axis=1).mean()) == pytest.approx(residual.std(ddof=2), rel=0.05)  # SciPy


def test_order_of_trees_is_irrelevant_and_half_a_season_is_half_a_season():
    """Rows may come in any order; a tip within the season takes half a season off every age."""
    rng = np.random.default_rng(16)
    heights, ages = young_trees(rng, 30, 0.2)
    turn = rng.permutation(30)
    first, second = from_seedlings(heights, ages), from_seedlings(heights[turn], ages[turn])
    np.testing.assert_allclose(first.passing_seasons(1.0), second.passing_seasons(1.0))
    within = from_seedlings(heights, ages, tip="within_season").passing_seasons(1.0).mean()
    assert first.passing_seasons(1.0).mean() - within == pytest.approx(0.5, abs=0.25)  # definition


@given(
    heights=st.lists(st.floats(0.03, 2.0), min_size=5, max_size=15),
    seed=st.integers(0, 1000),
)
@settings(max_examples=60, deadline=None)
def test_any_young_trees_give_a_model_that_rises(heights, seed):
    """Equal heights, falling ages, perfect fits: the model stands and stays monotone."""
    ages = np.random.default_rng(seed).integers(1, 60, len(heights))
    model = from_seedlings(heights, ages)
    tall = max(heights)
    table = [model.passing_seasons(share * tall) for share in (0.1, 0.5, 1.0, 2.0)]
    assert all(np.all(np.isfinite(part)) for part in table)
    assert all(np.all(high > low) for low, high in zip(table[:-1], table[1:], strict=True))


def test_spread_points_fill_the_cube():
    """Every column is even: the k-th of n sorted values lies near (k + 1/2) / n."""
    points = spread_points(32, 5)
    target = (np.arange(32) + 0.5) / 32
    assert np.all(np.abs(np.sort(points, axis=0) - target[:, np.newaxis]) < 0.16)
    np.testing.assert_allclose(np.sort(points[:, 1]), target)  # closed form: base 2 and 32 points
    few = [[0.125, 0.125], [0.375, 0.625], [0.625, 0.375], [0.875, 0.875]]  # hand: 0, 1, 2, 3 with binary digits turned
    assert spread_points(4, 2).tolist() == few


# ---------------------------------------------------------------------- two heights


def test_pairs_give_years_that_cover_the_truth():
    """Rings counted at two heights of simulated trees; the rest below is extrapolated with its uncertainty."""
    rng = np.random.default_rng(17)

    def make():
        slowness = np.exp(0.3 * rng.normal(size=20))
        low, high = 0.15 * rng.uniform(0.7, 1.3, 20), np.full(20, 1.2)
        below, above = (np.ceil(slowness * TRUTH.age_at(height)) - 1 for height in (low, high))
        return from_two_heights(low, 80 - below, high, 80 - above)

    found, bias = scores(rng, 200, make, 0.3)
    for prob in (0.5, 0.8, 0.9):
        assert prob - band(prob, 200) < covered(found, prob) < prob + 0.12  # binomial; wider because b is not learned
    assert abs(bias) < 0.05


def test_published_rate_of_two_height_pairs():
    """Five years for each 10 cm: 40 years between 0.2 and 1.0 m."""
    model = from_two_heights([0.2] * 8, [140] * 8, [1.0] * 8, [100] * 8)
    between = model.passing_seasons(1.0) - model.passing_seasons(0.2)
    assert np.median(between) == pytest.approx(40, rel=0.03)  # Lesser & Jackson 2012, app. B: 5 years per 10 cm
    steady = np.median(model.passing_seasons(1.0)[model.slope > 0.95])
    assert steady == pytest.approx(50, rel=0.05)  # same, constant rate down to the collar
    assert "outside the 0.2 to 1 m" in model.cautions(0.1)[0]


def test_lower_cut_at_the_collar_leaves_no_doubt_about_the_exponent():
    """The collar is passed at the start of ring 1: the upper height follows after the difference and half a season."""
    model = from_two_heights([0.0] * 200, [60] * 200, [1.0] * 200, [52] * 200)
    assert np.median(model.passing_seasons(1.0)) == pytest.approx(8.5, rel=0.02)  # hand sum: 9th season, its middle
    assert np.log(np.median(model.passing_seasons(1.0), axis=1)).std() < 0.02


@pytest.mark.parametrize(("low", "bias"), [(0.0, 0.05), (0.1, 0.25), (0.3, 0.25)])
def test_two_heights_give_the_true_mean(low, bias):
    """Lower cuts at and above the collar give the years of the simulated trees, above it but for the exponent."""
    passing = np.exp(np.log(8) + 0.3 * np.random.default_rng(5).normal(size=4000))  # seasons to 1 m
    below, above = (np.maximum(np.ceil(passing * height**0.75) - 1, 0) for height in (low, 1.0))
    model = from_two_heights(np.full(4000, low), 60 - below, np.ones(4000), 60 - above)
    assert model.years(1.0).mean() == pytest.approx(above.mean(), abs=bias)  # simulated truth, 7.87 years
    assert model.years(1.0).sd() == pytest.approx(above.std(), rel=0.2)  # the same


def test_seasons_between_by_hand():
    """One rounding at the collar, two above it."""
    seasons, variance = seasons_between(np.array([0.0, 0.0, 0.2, 0.2]), np.array([0, 4, 0, 4]))
    assert seasons == pytest.approx([0.5, 4.5, 1 / 3, 4])  # hand sum: middle of the season; mean of a triangle
    assert variance == pytest.approx([1 / 12, 1 / 12 / 4.5**2, 1 / 6, 1 / 96])  # hand sum: one or two uniforms


def test_few_or_wrong_young_trees_are_refused():
    """Messages give the number, what is needed and another way."""
    few = FEWEST_YOUNG_TREES - 1
    with pytest.raises(InputError, match="got 4 young trees, need at least 5, 20 or more are better"):
        from_seedlings(np.ones(few), np.ones(few))
    with pytest.raises(InputError, match="height_m: got 0 at position 1, need finite and above 0"):
        from_seedlings([1.0, 0.0, 1, 1, 1], [1, 2, 3, 4, 5])
    with pytest.raises(InputError, match=r"age_years: got 0.5, need at least 1 \[years\]"):
        from_seedlings([1.0, 1, 1, 1, 1], [0.5, 2, 3, 4, 5])
    with pytest.raises(InputError, match=r"shapes \(5,\) and \(4,\), need two rows of one length"):
        from_seedlings([1.0, 1, 1, 1, 1], [2, 3, 4, 5])
    with pytest.raises(ModelError, match="sampling: got random, need passing, age, height or standing"):
        from_seedlings([1.0] * 5, [2] * 5, sampling="random")
    with pytest.raises(ModelError, match="tip: got spring, need end_of_season or within_season"):
        from_seedlings([1.0] * 5, [2] * 5, tip="spring")
    with pytest.raises(InputError, match="got 2 pairs, need at least 5"):
        from_two_heights([0.1] * 2, [20] * 2, [1.0] * 2, [10] * 2)
    with pytest.raises(InputError, match=r"pair 2, high_height_m: got 1 m with 20 rings, 0.9 m with 10, need an upper"):
        from_two_heights([0.1, 1, 0.1, 0.1, 0.1], [20] * 5, [0.9] * 5, [10] * 5)
    with pytest.raises(InputError, match="pair 1, high_rings: got 0.1 m with 9 rings, 0.9 m with 10, need at most"):
        from_two_heights([0.1] * 5, [9, 20, 20, 20, 20], [0.9] * 5, [10] * 5)
    with pytest.raises(InputError, match="need four rows of one length"):
        from_two_heights([0.1] * 5, [20] * 4, [0.9] * 5, [10] * 5)
