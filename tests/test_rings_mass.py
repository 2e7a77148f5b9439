"""Mass functions of missed rings: fast tables against brute force, and against SciPy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from treeage.rings.mass import SCALE_LOW, SCALE_RATIO, Tails, exact_mass, fast_mass, own_mixture, scale_node

PLAIN = Tails(5.0)


def one_core(expected, scale, *, shifts=(0.0,), tails=PLAIN, most=60, run=exact_mass):
    """Mass for one core at one distance beyond the pith."""
    both = np.array([[0.0, expected]])
    mass = np.array([[0.0, 1.0]])
    return run(both, mass, np.array([scale]), tails, np.asarray(shifts), max_rings=most)[0]


@pytest.mark.parametrize("df", [3.0, 5.0, 30.0])
def test_symmetric_tails_are_scipy_t(df):
    """Without skew the deviation is Student's t."""
    values = np.linspace(-6, 6, 25)
    np.testing.assert_allclose(Tails(df).density(values), stats.t.pdf(values, df), rtol=1e-12)  # SciPy
    np.testing.assert_allclose(Tails(df).cdf(values), stats.t.cdf(values, df), rtol=1e-12)  # SciPy


@pytest.mark.parametrize("skew", [0.8, 1.0, 1.25])
def test_skewed_density_integrates_to_its_cdf(skew):
    """The density of the two-scale t integrates to 1 and to its distribution function."""
    tails = Tails(5.0, skew)
    for upper in (-1.5, 0.0, 2.0):
        area, _ = integrate.quad(lambda x: float(tails.density(np.array(x))), -np.inf, upper, points=None)
        assert area == pytest.approx(float(tails.cdf(np.array(upper))), abs=1e-8)  # SciPy quadrature
    total, _ = integrate.quad(lambda x: float(tails.density(np.array(x))), -np.inf, np.inf)
    assert total == pytest.approx(1.0, abs=1e-8)  # closed form


def test_skew_leans_towards_more_rings():
    """The chance of more rings than expected is k^2 / (1 + k^2)."""
    assert float(Tails(5.0, 2.0).cdf(np.array(0.0))) == pytest.approx(1 / 5)  # closed form


def test_brute_force_is_the_hand_sum_at_a_table_scale():
    """At a scale of the table the mass is a difference of two distribution functions."""
    scale = scale_node(5)
    mass = one_core(np.log(10.0), scale)[0]
    edges = (np.log([9.5, 10.5]) - np.log(10.0)) / scale
    assert mass[10] == pytest.approx(np.diff(stats.t.cdf(edges, 5.0))[0], abs=1e-12)  # SciPy
    assert mass[1] == pytest.approx(stats.t.cdf((np.log(1.5) - np.log(10.0)) / scale, 5.0), abs=1e-12)  # SciPy
    assert mass[0] == 0.0  # beyond the pith there is at least one ring


def test_mixture_of_table_scales_keeps_the_table_scale():
    """A scale on a node is that node alone; between nodes both have a share."""
    lower, share = own_mixture(np.array([SCALE_LOW * SCALE_RATIO**3, SCALE_LOW * SCALE_RATIO**3.5]))
    assert lower[1] == 3
    assert share[1] == pytest.approx(0.5)  # closed form
    assert lower[0] + share[0] == pytest.approx(3.0)  # closed form


@settings(max_examples=40, deadline=None)
@given(
    expected=st.floats(-1.0, 4.5),
    scale=st.floats(0.1, 0.9),
    skew=st.floats(0.8, 1.3),
    spread=st.floats(0.0, 0.6),
    pith=st.floats(0.0, 0.9),
)
def test_fast_is_within_the_bound_of_brute_force(expected, scale, skew, spread, pith):
    """Total variation between table and brute force stays below 1e-3."""
    places = expected + spread * np.linspace(-1, 1, 9)
    logs = np.concatenate([[0.0], places])[None]
    mass = np.concatenate([[pith], np.full(9, (1 - pith) / 9)])[None]
    shifts = np.linspace(-0.7, 0.7, 5)
    tails = Tails(5.0, skew)
    exact = exact_mass(logs, mass, np.array([scale]), tails, shifts, max_rings=150)
    fast = fast_mass(logs, mass, np.array([scale]), tails, shifts, max_rings=150)
    assert 0.5 * np.abs(exact - fast).sum(2).max() < 1e-3  # brute force
    np.testing.assert_allclose(fast.sum(2), 1.0, atol=1e-5)


def test_table_error_is_seen_when_the_scale_is_wrong():
    """Negative control: the bound would notice a scale that is 5 % off."""
    right = one_core(2.5, 0.25)
    wrong = one_core(2.5, 0.25 * 1.05, run=fast_mass)
    assert 0.5 * np.abs(right - wrong).sum() > 1e-3


def test_order_and_company_of_cores_do_not_matter():
    """A core alone and the same core among others of other scales have the same mass."""
    rng = np.random.default_rng(3)
    expected = np.column_stack([np.zeros(250), rng.normal(2.0, 0.7, 250)])
    mass = np.tile([0.1, 0.9], (250, 1))
    scale = rng.uniform(0.1, 0.6, 250)
    together = fast_mass(expected, mass, scale, Tails(5.0, 1.1), np.array([0.0, 0.2]), max_rings=80)
    order = rng.permutation(250)
    shuffled = fast_mass(
        expected[order], mass[order], scale[order], Tails(5.0, 1.1), np.array([0.0, 0.2]), max_rings=80
    )
    np.testing.assert_allclose(shuffled, together[order], atol=2e-6)


def test_what_lies_beyond_is_in_the_last_cell():
    """The last cell holds everything above."""
    long = one_core(3.0, 0.3, most=400, run=fast_mass)[0]
    short = one_core(3.0, 0.3, most=20, run=fast_mass)[0]
    assert short[20] == pytest.approx(long[20:].sum(), abs=1e-3)  # hand sum
    np.testing.assert_allclose(short[:20], long[:20], atol=1e-4)


def test_a_higher_shared_width_means_fewer_rings():
    """Mean rings fall with the shared deviation of the width."""
    mass = one_core(3.0, 0.25, shifts=(-0.4, 0.0, 0.4), run=fast_mass)
    means = mass @ np.arange(mass.shape[1])
    assert means[0] > means[1] > means[2]
    assert means[0] / means[2] == pytest.approx(np.exp(0.8), rel=0.03)  # closed form, but for whole rings


@pytest.mark.parametrize("skew", [0.9, 1.0, 1.2])
def test_mean_of_the_tails(skew):
    """The stated mean is the integral of value times density."""
    tails = Tails(5.0, skew)
    found, _ = integrate.quad(lambda x: x * float(tails.density(np.array(x))), -np.inf, np.inf)
    assert tails.mean == pytest.approx(found, abs=1e-7)  # SciPy quadrature
