"""Missed rings of one core and of many: published checks, bounds, and what must not change the answer."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treeage.distance import DISTANCE_GRID_MM
from treeage.errors import InputError
from treeage.rings import inner_growth, missed_ring_mass, missing_rings, missing_rings_many, ring_model, shared_spreads

EVEN = [1.0] * 40


def on_grid(distance_mm, sd_mm, pith=0.0):
    """Normal distance on the common grid."""
    mass = np.exp(-0.5 * ((DISTANCE_GRID_MM - distance_mm) / sd_mm) ** 2) * DISTANCE_GRID_MM
    mass *= (1 - pith) / mass.sum()
    mass[0] = pith
    return mass


def varied(cores, rings, seed, spread=0.35):
    """Cores with a natural spread of widths."""
    rng = np.random.default_rng(seed)
    return list(np.exp(rng.normal(0, spread, (cores, rings)) + rng.normal(0, 0.4, (cores, 1))))


def test_pith_reached_means_no_missed_ring():
    """At distance 0 nothing is missed."""
    rings = missing_rings(0.0, EVEN)
    assert rings.prob_at(0) == 1.0  # closed form
    assert rings.interval(0.95) == (0, 0)


def test_beyond_the_pith_there_is_at_least_one_ring():
    """A distance above 0 hides ring 1 at least."""
    rings = missing_rings(0.4, EVEN)
    assert rings.prob_at(0) == 0.0
    assert rings.prob_at(1) > 0.9


@pytest.mark.parametrize(
    ("missing_cm", "years"), [(4.5, 15), (13.5, 75), (7.5, 46), (14, 65), (8, 35), (2.3, 12), (12.0, 75), (14, 80)]
)
def test_published_sequoia_estimates_lie_in_the_interval(missing_cm, years):
    """Added years of old sequoias are inside the 98 % interval for the only width that is printed."""
    widths = np.full(60, 1.88)  # 75.8 cm = 403 years, Douglass 1919, Carnegie Inst. Publ. 289, table 5
    low, high = missing_rings(10 * missing_cm, widths, distance_sd_mm=missing_cm).interval(0.98)
    assert low <= years <= high  # Douglass 1919, table 5


def test_uncertain_radius_reaches_down_to_no_missed_ring():
    """15 mm with an eccentricity of +-18.5 mm and 1.5 mm a year: 0 to more than 22 rings, not 10 +- 1."""
    widths = varied(1, 60, 3)[0]
    rings = missing_rings(15.0, widths / widths[:10].mean() * 1.5, distance_sd_mm=18.5 / 1.96)
    low, high = rings.interval(0.95)
    assert low == 0  # radius method with an eccentric pith: -2.3 to 22.3 rings, own arithmetic of common practice
    assert high >= 22


def test_arc_example_at_a_steady_rate():
    """13.0 mm at 1.3 mm a year is about 10 rings."""
    widths = np.full(40, 1.3)
    rings = missing_rings(13.0, widths)
    assert abs(rings.median() - 10.0) <= 2  # chord 10 mm, rise 1 mm: 13.0 mm, own arithmetic of Duncan 1989
    assert rings.interval(0.9)[0] <= 10 <= rings.interval(0.9)[1]


@settings(max_examples=30, deadline=None)
@given(
    distance=st.floats(0.2, 150.0),
    level=st.floats(0.2, 5.0),
    rings=st.integers(1, 80),
    sd=st.floats(0.0, 20.0),
)
def test_mass_sums_to_one_and_quantiles_are_ordered(distance, level, rings, sd):
    """Any core has a proper mass function of whole numbers."""
    pmf = missing_rings(distance, np.full(rings, level), distance_sd_mm=sd)
    assert pmf.mass.sum() == pytest.approx(1.0)
    assert np.all(pmf.mass >= 0)
    low, high = pmf.interval(0.9)
    assert 0 <= low <= pmf.median() <= high


@settings(max_examples=25, deadline=None)
@given(distance=st.floats(3.0, 80.0), sd=st.floats(0.05, 0.3), wider=st.floats(1.1, 3.0))
def test_a_wider_distance_never_narrows_the_answer(distance, sd, wider):
    """Raising the spread of the distance raises the spread of the rings."""
    one = missing_rings(distance, EVEN, distance_sd_mm=sd * distance)
    two = missing_rings(distance, EVEN, distance_sd_mm=wider * sd * distance)
    assert two.sd() > one.sd() * 0.999


@settings(max_examples=25, deadline=None)
@given(near=st.floats(0.5, 60.0), factor=st.floats(1.2, 3.0))
def test_further_from_the_pith_means_more_rings(near, factor):
    """The mean and both ends of the interval rise with the distance."""
    one, two = missing_rings(near, EVEN), missing_rings(near * factor, EVEN)
    assert two.mean() > one.mean()
    assert two.interval(0.9)[0] >= one.interval(0.9)[0]
    assert two.interval(0.9)[1] >= one.interval(0.9)[1]


def test_a_small_spread_is_close_to_none():
    """The answer is continuous where the distance becomes known."""
    exact, nearly = missing_rings(20.0, EVEN), missing_rings(20.0, EVEN, distance_sd_mm=1e-3)
    assert 0.5 * np.abs(exact.on(0, 200) - nearly.on(0, 200)).sum() < 2e-3


def test_many_is_one_at_a_time():
    """The table of many cores repeats the answers of single cores."""
    cores = [*varied(6, 30, 1), [1.0], [0.4] * 3]
    distance = np.array([0.0, 1.0, 5.0, 10.0, 20.0, 90.0, 10.0, 40.0])
    sd = np.array([0.0, 0.2, 0.0, 3.0, 0.0, 30.0, 1.0, 0.0])
    table = missing_rings_many(distance, cores, distance_sd_mm=sd, genus="Picea", prob=0.8)
    for core in range(8):
        one = missing_rings(distance[core], cores[core], distance_sd_mm=sd[core], genus="Picea")
        assert (one.median(), *one.interval(0.8)) == tuple(table.loc[core, ["median", "lo", "hi"]])
        assert one.mean() == pytest.approx(table.loc[core, "mean"], rel=1e-3)


def test_single_core_answer_is_the_engine_with_shared_deviation_summed_out():
    """missing_rings equals missed_ring_mass weighted over the normal shared deviation."""
    core = varied(1, 50, 7)
    at = int(np.searchsorted(DISTANCE_GRID_MM, 15.0))
    mass = np.zeros((1, DISTANCE_GRID_MM.size))
    mass[0, at] = 1.0
    sd = float(np.hypot(*shared_spreads()))
    shifts = np.linspace(-5, 5, 61) * sd
    weights = np.exp(-0.5 * (shifts / sd) ** 2)
    engine = missed_ring_mass(inner_growth(core), mass, shifts, max_rings=200, method="exact")[0]
    summed = weights / weights.sum() @ engine
    alone = missing_rings(float(DISTANCE_GRID_MM[at]), core[0]).on(0, 201)
    assert 0.5 * np.abs(alone - summed).sum() < 1e-3  # brute force


def test_fast_engine_is_within_the_bound_of_brute_force_on_real_settings():
    """Cores of many kinds: total variation below 1e-3 at every shift."""
    rng = np.random.default_rng(11)
    cores = [row[: rng.integers(1, 120)] for row in varied(16, 120, 4)]
    distance = rng.uniform(0.5, 70, 16)
    mass = np.array([on_grid(d, d * rng.uniform(0.03, 0.5), pith=rng.choice([0, 0.2])) for d in distance])
    growth = inner_growth(cores)
    shifts = np.linspace(-3, 3, 5) * 0.21
    fast = missed_ring_mass(growth, mass, shifts, max_rings=180)
    exact = missed_ring_mass(growth, mass, shifts, max_rings=180, method="exact")
    assert 0.5 * np.abs(fast - exact).sum(2).max() < 1e-3  # brute force
    np.testing.assert_allclose(fast.sum(2), 1.0, atol=1e-5)


def test_simulated_truth_is_covered_as_stated():
    """Drawn from the stated model, randomised 80 % intervals hold the truth 80 % of the time."""
    rng = np.random.default_rng(21)
    size, model = 600, ring_model()
    cores = varied(size, 40, 22)
    growth = inner_growth(cores)
    distance = np.exp(rng.uniform(np.log(2), np.log(50), size))
    location = model.location(growth, distance[:, None])[:, 0]
    shared = rng.normal(0, np.hypot(*shared_spreads(model)), size)
    towards_more = rng.random(size) < model.tails.skew**2 / (1 + model.tails.skew**2)
    bare = np.abs(rng.standard_t(model.tails.df, size)) * model.own_scale(growth, distance)
    own = np.where(towards_more, bare * model.tails.skew, -bare / model.tails.skew)
    truth = np.maximum(np.rint(distance * np.exp(own - location - shared)), 1)
    inside = 0
    for core in range(size):
        pmf = missing_rings(distance[core], cores[core])
        below = pmf.cdf(int(truth[core]) - 1)
        inside += 0.1 < below + rng.random() * pmf.prob_at(int(truth[core])) < 0.9
    assert abs(inside / size - 0.8) < 4 * np.sqrt(0.8 * 0.2 / size)  # binomial limits


def test_faults_name_value_and_unit():
    """Negative distances, shapes and ranges are refused with what is needed."""
    with pytest.raises(InputError, match="distance_mm: got -1, need finite and at least 0"):
        missing_rings(-1.0, EVEN)
    with pytest.raises(InputError, match="got 2 distances and 1 series, need the same number"):
        missing_rings_many([1.0, 2.0], [EVEN])
    with pytest.raises(InputError, match=r"got shape \(1, 3\), need shape \(1, \d+\): cores x distance grid"):
        missed_ring_mass(inner_growth([EVEN]), [[0.0, 0.5, 0.5]], [0.0], max_rings=10)
    with pytest.raises(InputError, match=r"max_rings: got 1, need at least 2 \[rings\]"):
        missed_ring_mass(inner_growth([EVEN]), [on_grid(5, 1)], [0.0], max_rings=1)
    with pytest.raises(InputError, match="prob: got 1.2, need between 0 and 1"):
        missing_rings_many([1.0], [EVEN], prob=1.2)
