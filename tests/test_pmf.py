"""Mass functions: closed forms, SciPy as oracle, properties."""

import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from treeage.errors import InputError, ModelError
from treeage.pmf import Mass, Pmf

masses = st.lists(st.floats(0.001, 1.0), min_size=1, max_size=30)
starts = st.integers(-2000, 3000)


@pytest.mark.parametrize(
    ("oracle", "low", "high"),
    [
        (stats.binom(20, 0.3), 0, 20),
        (stats.poisson(7.5), 0, 60),
        (stats.nbinom(3, 0.2), 0, 150),
        (stats.randint(5, 12), 5, 11),
    ],
)
def test_moments_and_quantiles_agree_with_scipy(oracle, low, high):
    """Mean, variance, cdf and quantiles are those of SciPy's discrete distributions (oracle)."""
    support = np.arange(low, high + 1)
    pmf = Pmf(low, oracle.pmf(support))
    assert pmf.mean() == pytest.approx(oracle.mean(), rel=1e-9)
    assert pmf.var() == pytest.approx(oracle.var(), rel=1e-7)
    for prob in (0.05, 0.25, 0.5, 0.75, 0.95):
        assert pmf.quantile(prob) == oracle.ppf(prob)
    assert pmf.cdf(low + 3) == pytest.approx(oracle.cdf(low + 3))


def test_sum_of_two_dice():
    """Convolution gives the triangle of two dice (hand sum: 7 has 6 of 36)."""
    die = Pmf(1, np.ones(6))
    two = die.convolve(die)
    assert (two.start, two.stop) == (2, 12)  # hand sum
    assert two.prob_at(7) == pytest.approx(6 / 36)  # hand sum


def test_product_is_bayes_rule():
    """Multiplying a flat prior by a likelihood gives the normalised likelihood (closed form)."""
    posterior = Pmf(0, np.ones(4)).multiply(Pmf(1, [1.0, 3.0]))
    assert posterior.support.tolist() == [1, 2]  # closed form
    assert posterior.mass.tolist() == [0.25, 0.75]  # closed form


def test_mixture_condition_trim_and_sample():
    """Small operations on hand-made cases (hand sums)."""
    mixed = Pmf.mixture([Pmf.point(0), Pmf.point(2)], [1, 3])
    assert mixed.mass.tolist() == [0.25, 0.0, 0.75]  # hand sum
    assert mixed.condition(low=1).mean() == 2.0  # hand sum
    assert Pmf(0, [1e-12, 1.0, 1e-12]).trim().support.tolist() == [1]  # hand sum
    draws = mixed.sample(4000, np.random.default_rng(1))
    assert set(draws) == {0, 2}
    assert draws.mean() == pytest.approx(1.5, abs=4 * np.sqrt(0.75 / 4000))  # four standard errors
    assert np.array_equal(draws, mixed.sample(4000, np.random.default_rng(1)))


@given(starts, masses, st.integers(-500, 500))
def test_shift_moves_every_quantile(start, mass, steps):
    """Shifting by k moves quantiles, mean and interval by k and leaves the spread."""
    pmf = Pmf(start, mass)
    moved = pmf.shift(steps)
    assert moved.median() == pmf.median() + steps
    assert moved.interval(0.8) == tuple(end + steps for end in pmf.interval(0.8))
    assert moved.sd() == pytest.approx(pmf.sd())
    assert pmf.mass.sum() == pytest.approx(1.0)


@given(starts, masses, starts, masses)
def test_convolution_commutes_and_adds_moments(start, mass, other_start, other_mass):
    """Sums commute; means and variances add."""
    one, two = Pmf(start, mass), Pmf(other_start, other_mass)
    both = one.convolve(two)
    assert np.allclose(both.mass, two.convolve(one).mass)
    assert both.mean() == pytest.approx(one.mean() + two.mean())
    assert both.var() == pytest.approx(one.var() + two.var(), abs=1e-9)


@given(starts, masses, st.sampled_from([0.5, 0.8, 0.9, 0.95]))
def test_interval_contains_its_probability_and_no_more_than_needed(start, mass, prob):
    """Equal-tailed: at least prob inside, at most (1 - prob)/2 in each tail, and no end can move in."""
    pmf = Pmf(start, mass)
    low, high = pmf.interval(prob)
    tail = (1 - prob) / 2
    assert pmf.cdf(high) - pmf.cdf(low - 1) >= prob - 1e-9
    assert pmf.cdf(low - 1) <= tail + 1e-9
    assert 1 - pmf.cdf(high) <= tail + 1e-9
    assert pmf.cdf(low) >= tail - 1e-9
    assert 1 - pmf.cdf(high - 1) >= tail - 1e-9


@given(starts, masses)
def test_negation_mirrors(start, mass):
    """Minus the value has the mirrored mass; twice is the identity."""
    pmf = Pmf(start, mass)
    assert pmf.negate().mean() == pytest.approx(-pmf.mean())
    assert pmf.negate().negate().support.tolist() == pmf.support.tolist()


def test_immutable_hashable_and_pickled():
    """A mass function cannot be changed and survives a pickle."""
    pmf = Pmf(0, [0.5, 0.5])
    with pytest.raises(AttributeError, match="got _start = 3"):
        pmf._start = 3
    with pytest.raises(ValueError, match="read-only"):
        pmf.mass[0] = 1.0
    assert pickle.loads(pickle.dumps(pmf)) == pmf
    assert hash(pmf) == hash(Pmf(0, [1, 1]))


@pytest.mark.parametrize(
    ("mass", "message"),
    [
        ([], "got shape"),
        ([0.0, 0.0], "got a sum of 0"),
        ([0.5, -0.1], "got -0.1"),
        ([np.nan], "got nan"),
        ([[0.5, 0.5]], "got shape"),
    ],
)
def test_bad_mass_is_refused(mass, message):
    """Every bad mass names what was got and what is needed."""
    with pytest.raises(InputError, match=message):
        Pmf(0, mass)


def test_bad_probabilities_and_impossible_products_are_refused():
    """Probabilities outside 0 to 1 and sources that exclude each other end in a clear message."""
    pmf = Pmf(0, [0.5, 0.5])
    with pytest.raises(InputError, match=r"got 1 .*between 0 and 1|got 1, need between 0 and 1"):
        pmf.quantile(1.0)
    with pytest.raises(InputError, match="got 0, need between 0 and 1"):
        pmf.interval(0.0)
    with pytest.raises(ModelError, match="got 0 to 1 and 5 to 5"):
        pmf.multiply(Pmf.point(5))


def test_faces_of_a_distribution():
    """Sentence, table and notebook view; a pickled copy is equal, also where the sum of the mass rounds."""
    pmf = Pmf(1, [1, 1, 1, 1, 1, 1]).convolve(Pmf(0, [0.1, 0.2, 0.7]))
    assert pmf.sentence() == "Median 5, 90 % interval 2 to 8."  # hand sums: 0.40 to 4, 0.57 to 5; 0.02, 0.07
    frame = pmf.to_frame()
    assert frame["value"].tolist() == list(range(1, 9))
    assert frame["prob"].to_numpy() == pytest.approx(pmf.mass)
    assert "Median 5" in pmf._repr_html_()
    assert pickle.loads(pickle.dumps(pmf)) == pmf


@given(st.integers(0, 2**32 - 1))
def test_a_compact_mass_leaves_out_next_to_nothing(seed):
    """Ends whose largest numbers add to at most 1e-7 go (brute force): no row loses more. The rest stays in place."""
    rng = np.random.default_rng(seed)
    places = np.arange(int(rng.integers(1, 90)))
    centre, spread = rng.uniform(0, places.size, (3, 2, 1)), rng.uniform(0.2, 20, (3, 2, 1))
    mass = np.exp(-np.abs(places - centre) / spread)
    whole = Mass(-4, mass / mass.sum(axis=2, keepdims=True))
    kept = whole.compact()
    most = whole.mass.max(axis=(0, 1))
    low = next(k for k in places if most[: k + 1].sum() > 1e-7)
    high = next(k for k in places[::-1] if most[k:].sum() > 1e-7)
    assert (kept.start, kept.stop) == (low - 4, high - 4)
    np.testing.assert_allclose(kept.mass, whole.mass[..., low : high + 1], rtol=1e-6, atol=1e-30)
    assert kept.mass.dtype == np.float32 and kept.mass.sum(axis=2).min() > 1 - 3e-7
