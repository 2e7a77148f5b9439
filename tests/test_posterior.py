"""The exact engine: brute-force enumeration as oracle, hand sums, properties."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from treeage.pmf import Mass
from treeage.posterior import (
    GrowthNodes,
    added_rings,
    align_added,
    combine_cores,
    distinct_columns,
    few_parts,
    growth_nodes,
    tie_heights,
)

ONE = GrowthNodes(np.zeros(1), np.ones(1), np.ones((1, 1)))


def random_nodes(rng, stands=3, shifts=4):
    """Nodes with random weights."""
    given_stand = rng.dirichlet(np.ones(shifts), size=stands)
    return GrowthNodes(np.arange(shifts) * 0.1, rng.dirichlet(np.ones(stands)), given_stand)


def brute_force(missed, count, innermost, nodes):
    """Enumerate pith year, shift, missed rings and count error of every core of one tree, by the model's words."""
    years = np.arange(min(innermost) - 60, max(innermost) + 20)
    out = np.zeros((nodes.stand_weights.size, years.size))
    for stand, shift in product(range(nodes.stand_weights.size), range(nodes.shifts.size)):
        for at, year in enumerate(years):
            likelihood = nodes.given_stand[stand, shift]
            for core, inner in enumerate(innermost):
                total = 0.0
                for rings, error in product(range(missed.shape[2]), range(count.size)):
                    if inner - year == rings + count.start + error:
                        total += missed[core, shift, rings] * count.mass[core, error]
                likelihood *= total
            out[stand, at] += likelihood
    return years, out / out.sum(axis=1, keepdims=True)


@pytest.mark.parametrize("cores", [1, 2, 3])
def test_posterior_equals_brute_force(cores):
    """One, two and three cores with count errors: enumeration of every combination agrees (oracle: brute force)."""
    rng = np.random.default_rng(cores)
    nodes = random_nodes(rng)
    missed = rng.dirichlet(np.ones(12), size=(cores, nodes.shifts.size))
    count = Mass(-2, rng.dirichlet(np.ones(5), size=cores))
    innermost = np.array([1900, 1903, 1898])[:cores]
    added = added_rings(missed, count)
    result = combine_cores(added, innermost, np.arange(cores)[None], nodes, wrong=0.0)
    years, expected = brute_force(missed, count, innermost, nodes)
    pith = result.reference_year[0] - (result.added.start + np.arange(result.added.size))
    ours = np.zeros_like(expected)
    for k, year in enumerate(pith):
        if years[0] <= year <= years[-1]:
            ours[:, year - years[0]] = result.added.mass[0, :, k]
    assert np.abs(ours - expected).sum(axis=1).max() < 1e-6  # rounding, and what is left for cores without an answer


def test_hand_made_two_core_tree():
    """Two cores that leave 0-2 rings open: the product of their masses at each year (hand sum)."""
    added = Mass(0, np.array([[[0.2, 0.5, 0.3]], [[0.0, 0.5, 0.5]]]))
    result = combine_cores(added, np.array([1900, 1901]), np.array([[0, 1]]), ONE, wrong=0.0)
    # hand sum: pith 1900 has 0.2 * 0.5 = 0.10; pith 1899 has 0.5 * 0.5 = 0.25; pith 1898 has 0.3 * 0
    assert result.added.start == -1
    assert result.added.mass[0, 0] == pytest.approx([0.0, 0.10 / 0.35, 0.25 / 0.35, 0.0], abs=1e-5)


def test_count_error_is_a_convolution():
    """Fourier and direct convolution agree (oracle: numpy.convolve)."""
    rng = np.random.default_rng(7)
    missed = rng.dirichlet(np.ones(40), size=(3, 2))
    count = Mass(-3, rng.dirichlet(np.ones(9), size=3))
    added = added_rings(missed, count)
    assert added.start == -3  # no missed rings and three counted too many
    for core, shift in product(range(3), range(2)):
        expected = np.convolve(missed[core, shift], count.mass[core])
        assert np.allclose(added.mass[core, shift], expected, atol=1e-14)


def test_nodes_have_the_stated_spreads():
    """The even nodes carry mean 0 and the two variances (closed form: sum of independent normals)."""
    nodes = growth_nodes(0.22, 0.17, step=0.04)
    total = nodes.weights
    assert total @ nodes.shifts == pytest.approx(0, abs=1e-9)
    assert total @ nodes.shifts**2 == pytest.approx(0.22**2 + 0.17**2, rel=2e-3)
    means = nodes.given_stand @ nodes.shifts
    assert nodes.stand_weights @ means**2 == pytest.approx(0.17**2, rel=2e-2)
    assert np.allclose(nodes.given_stand.sum(axis=1), 1)
    assert np.allclose(np.diff(nodes.shifts) / 0.04, np.round(np.diff(nodes.shifts) / 0.04))


def test_nodes_integrate_like_scipy():
    """Normal weights on the nodes integrate a smooth function as the normal distribution does (oracle: SciPy)."""
    nodes = growth_nodes(0.3, 0.0, step=0.04)
    value = nodes.weights @ np.exp(nodes.shifts)
    assert value == pytest.approx(stats.lognorm(s=0.3).mean(), rel=1e-4)


@settings(max_examples=40)
@given(st.integers(0, 10**6), st.integers(2, 4))
def test_order_of_cores_is_irrelevant(seed, cores):
    """Permuting the cores of a tree changes nothing."""
    rng = np.random.default_rng(seed)
    nodes = random_nodes(rng)
    added = Mass(0, rng.dirichlet(np.ones(15), size=(cores, nodes.shifts.size)))
    years = 1900 + rng.integers(0, 4, cores)
    order = rng.permutation(cores)
    one = combine_cores(added, years, np.arange(cores)[None], nodes)
    two = combine_cores(added[order], years[order], np.arange(cores)[None], nodes)
    assert np.allclose(one.added.mass, two.added.mass)
    assert one.conflict_p == pytest.approx(two.conflict_p)


@settings(max_examples=40)
@given(st.integers(0, 10**6), st.integers(-3000, 3000))
def test_shifting_all_years_shifts_the_answer(seed, steps):
    """A calendar moved by k moves every date by k."""
    rng = np.random.default_rng(seed)
    added = Mass(-1, rng.dirichlet(np.ones(10), size=(2, 1)))
    years = np.array([1900, 1902])
    one = combine_cores(added, years, np.array([[0, 1]]), ONE)
    two = combine_cores(added, years + steps, np.array([[0, 1]]), ONE)
    assert two.reference_year[0] == one.reference_year[0] + steps
    assert np.array_equal(one.added.mass, two.added.mass)


def test_a_flat_core_changes_nothing():
    """A core without information that starts no earlier only adds its own row."""
    rng = np.random.default_rng(2)
    added = rng.dirichlet(np.ones(10), size=(1, 1))
    flat = np.full((1, 1, 10), 0.1)
    alone = combine_cores(Mass(0, added), np.array([1900]), np.array([[0]]), ONE)
    both = combine_cores(
        Mass(0, np.concatenate([added, flat])),
        np.array([1900, 1900]),
        np.array([[0, 1]]),
        ONE,
        bound_only=np.array([False, True]),
        wrong=0.0,
    )
    assert np.allclose(alone.added.mass, both.added.mass, atol=1e-5)
    assert np.isnan(both.conflict_p[0])


def test_a_bounding_core_cuts_later_pith_years():
    """A rotten core that starts in 1895 rules out a pith after 1895 (hand sum)."""
    added = np.zeros((2, 1, 20))
    added[0, 0, :11] = 1 / 11
    added[1, 0] = 1 / 20
    result = combine_cores(
        Mass(0, added), np.array([1900, 1895]), np.array([[0, 1]]), ONE, bound_only=np.array([False, True]), wrong=0.0
    )
    pith = result.reference_year[0] - (result.added.start + np.arange(result.added.size))
    mass = result.added.mass[0, 0]
    assert mass[pith > 1895].sum() < 1e-4
    assert mass[(pith <= 1895) & (pith >= 1890)] == pytest.approx(np.full(6, 1 / 6), abs=1e-4)  # hand sum


def test_conflict_measure_is_uniform_when_the_model_holds_and_small_when_not():
    """Cores drawn from the model reject as often as stated; cores 30 rings apart give p near 0."""
    rng = np.random.default_rng(11)
    mass = stats.norm(20, 4).pdf(np.arange(60))
    mass /= mass.sum()
    added = Mass(0, np.repeat(mass[None, None], 2, axis=0))
    p_values = []
    for one, two in rng.choice(60, size=(400, 2), p=mass):
        inner = np.array([1900 + one, 1900 + two])
        p_values.append(combine_cores(added, inner, np.array([[0, 1]]), ONE).conflict_p[0])
    for level in (0.05, 0.1, 0.3):  # whole years make the p value conservative, not wild
        assert 0.5 * level < np.mean(np.array(p_values) <= level) < level + 3 * np.sqrt(level * (1 - level) / 400)
    far = combine_cores(added, np.array([1900, 1930]), np.array([[0, 1]]), ONE)
    assert far.conflict_p[0] < 1e-4
    gone = combine_cores(added, np.array([1900, 1990]), np.array([[0, 1]]), ONE)
    assert gone.contradiction[0]


def test_independent_dates_combine_by_precision():
    """100 +- 3 and 106 +- 4 give 102.16 +- 2.40 (check of the independent part, derived)."""
    ring = np.arange(60)
    one = stats.norm(30, 3).pdf(ring)
    two = stats.norm(36, 4).pdf(ring)
    added = Mass(0, np.stack([one / one.sum(), two / two.sum()])[:, None])
    result = combine_cores(added, np.array([0, 0]), np.array([[0, 1]]), ONE, wrong=0.0).added.mass[0, 0]
    mean = result @ ring
    assert 70 + mean == pytest.approx(102.16, abs=0.01)
    assert np.sqrt(result @ (ring - mean) ** 2) == pytest.approx(2.40, abs=0.01)


def test_two_heights_against_brute_force():
    """A tree cored at two heights: enumeration over the height nodes agrees (oracle: brute force)."""
    rng = np.random.default_rng(9)
    low_years, high_years = np.array([[2, 3, 4]]), np.array([[5, 8, 12]])
    masses = rng.dirichlet(np.ones(8), size=2)
    inner = np.array([1900, 1904])
    passing = np.stack([low_years, high_years])
    likelihood = {}
    for pattern in np.unique((passing - passing[0]).reshape(2, -1), axis=1).T:
        ahead = inner - inner[0] - pattern
        placed = [Mass(0, mass).on(-20 + int(steps), 60) for mass, steps in zip(masses, ahead, strict=True)]
        likelihood[tuple(int(v) for v in pattern)] = np.prod(placed, axis=0)[None]
    tie = tie_heights(likelihood, -20, passing, ONE)
    assert tie.evidence.tolist() == [1.0]
    expected: dict[int, float] = {}
    for node in range(3):
        for year in range(1840, 1910):
            k_low = inner[0] - (year + low_years[0, node])
            k_high = inner[1] - (year + high_years[0, node])
            if 0 <= k_low < 8 and 0 <= k_high < 8:
                expected[year] = expected.get(year, 0.0) + masses[0, k_low] * masses[1, k_high]
    total = sum(expected.values())
    ours = {1900 - (tie.joint.start + k): value for k, value in enumerate(tie.joint.mass[0, 0]) if value > 1e-5}
    for year, value in expected.items():
        assert ours.get(year, 0.0) == pytest.approx(value / total, abs=1e-4)


def test_what_two_heights_all_but_exclude_keeps_its_shape():
    """A shared value with 1e-25 of the evidence has its own years; other trees may speak for it (worked by hand)."""
    near, far = np.array([[0.25, 0.5, 0.25, *np.zeros(60)]]), 1e-25 * np.array([[*np.zeros(60), 0.1, 0.2, 0.7]])
    passing = np.array([[[2], [4]], [[5], [8]]])  # 3 and 4 years lie between the heights
    tie = tie_heights({(0, 3): near, (0, 4): far}, -5, passing, ONE)
    np.testing.assert_allclose(tie.joint.on(-3, 3)[0, 0], [0.25, 0.5, 0.25], rtol=1e-5)
    np.testing.assert_allclose(tie.joint.on(59, 3)[0, 1], [0.1, 0.2, 0.7], rtol=1e-5)
    np.testing.assert_allclose(tie.evidence, [1.0, 1e-25], rtol=1e-5)


def test_alignment_leaves_out_what_a_core_cannot_say():
    """Cells outside a core's range are 0, not its edge value (hand sum)."""
    aligned = align_added(Mass(0, np.array([[[1.0, 2.0, 3.0]]])), np.array([1]), 0, 3)
    assert aligned.tolist() == [[[2.0, 3.0, 0.0]]]  # hand sum


@pytest.mark.parametrize(("later", "missed"), [(20, 20.0), (5, 5.0), (20, 25.0), (20, 10.0)])
def test_conflict_of_cores_that_start_in_different_years(later, missed):
    """All of a later core's mass counts, also where it leaves the pith younger than the first core (hand)."""
    rings = np.arange(121)
    second = np.exp(-0.5 * ((rings - missed) / 8.0) ** 2)
    second /= second.sum()
    added = Mass(0, np.stack([np.eye(1, 121)[0], second])[:, None, :])
    found = combine_cores(added, np.array([1900, 1900 + later]), np.array([[0, 1]]), ONE).conflict_p[0]
    expected = 2 * min(second[rings >= later].sum(), second[rings <= later].sum())
    assert found == pytest.approx(min(1.0, expected), abs=1e-9)


def test_a_bound_that_excludes_the_other_core_is_set_aside_and_marked():
    """A pith at 50 rings and a rotten core of 60 cannot both be right: the pith core speaks, the tree is marked."""
    point, flat = np.eye(1, 80)[None], np.full((1, 1, 80), 1 / 80)
    for shorter, excluded in ((-10, True), (5, False)):
        found = combine_cores(
            Mass(0, np.concatenate([point, flat])),
            np.array([1950, 1950 + shorter]),
            np.array([[0, 1]]),
            ONE,
            bound_only=np.array([False, True]),
        )
        assert (
            found.reference_year[0] == 1950 and found.added.mass[0, 0].max() > 0.98
        )  # pith year 1950, but for one core in a hundred that is wrong
        assert bool(found.contradiction[0]) is excluded
        assert (found.conflict_p[0] < 0.02) is np.bool_(excluded) or np.isnan(found.conflict_p[0])


def test_a_bound_cuts_what_it_excludes():
    """Missed rings 0, 1 or 2, and a rotten core two rings longer: two it is; 0.4 of the answer was allowed (hand)."""
    mass = np.array([[[0.3, 0.3, 0.4] + [0.0] * 27]])
    flat = np.full((1, 1, 30), 1 / 30)
    found = combine_cores(
        Mass(0, np.concatenate([mass, flat])),
        np.array([1950, 1948]),
        np.array([[0, 1]]),
        ONE,
        bound_only=np.array([False, True]),
    )
    assert found.added.mass[0, 0].max() > 0.98  # but for one core in a hundred that is wrong
    assert found.conflict_p[0] == pytest.approx(0.4, abs=0.01)
    assert not found.contradiction[0]


@pytest.mark.parametrize(("told", "wrong"), [(0.1, 0.1), (None, 0.01)])
def test_wrong_cores_are_a_mixture(told, wrong):
    """Two cores that are wrong one time in ten, or as usual in a hundred (choice of `priors`): all four cases by hand,
    each with the odd core's Laplace law."""
    rng = np.random.default_rng(4)
    masses = rng.dirichlet(np.ones(30), size=(2, 1))
    result = combine_cores(Mass(0, masses), np.array([1900, 1900]), np.array([[0, 1]]), ONE, wrong=told).added
    one, two = masses[:, 0]
    years = np.arange(30)
    law = np.exp(-np.abs(np.arange(-120, 121)) / 20)  # own definition
    law /= law.sum()
    odd = [0.999 * np.convolve(mass, law)[120:150] + 0.001 / 30 for mass in (one, two)]
    expected = ((1 - wrong) * one + wrong * odd[0]) * ((1 - wrong) * two + wrong * odd[1])
    assert result.mass[0, 0] @ years == pytest.approx(expected @ years / expected.sum(), abs=1e-9)


def test_two_certain_piths_a_year_apart_leave_both_years_open():
    """Crossdated to 1921 and 1922 by cores that are wrong one time in a hundred: neither year is certain (own rule)."""
    point = np.eye(1, 3)[None, 0][:, None] * np.ones((2, 1, 1))
    result = combine_cores(Mass(0, point), np.array([1921, 1922]), np.array([[0, 1]]), ONE)
    years = result.reference_year[0] - (result.added.start + np.arange(result.added.size))
    mass = dict(zip(years.tolist(), result.added.mass[0, 0], strict=True))
    assert mass[1921] == pytest.approx(mass[1922], rel=1e-6)
    assert mass[1921] > 0.4
    assert result.contradiction[0]


def test_few_parts_give_the_masses_back():
    """Masses in 12 states that are mixtures of three: three parts, and their sums are the masses (linear algebra)."""
    rng = np.random.default_rng(8)
    base = rng.dirichlet(np.ones(50), size=(5, 3))
    weight = rng.dirichlet(np.ones(3), size=(12, 5))
    masses = np.einsum("snp,npr->snr", weight, base)
    share, parts = few_parts(masses)
    assert parts.shape[0] == 3
    assert np.allclose(np.einsum("snp,pnr->snr", share, parts), masses, atol=1e-12)
    masses[:, 1:3] = base[1:3, 0]  # two cores that are the same in all states, and all of them: to the last digit
    share, parts = few_parts(masses)
    assert parts.shape[0] == 3
    assert np.allclose(np.einsum("snp,pnr->snr", share, parts), masses, atol=1e-12)
    np.testing.assert_array_equal(np.einsum("snp,pnr->snr", share, parts)[:, 1:3], masses[:, 1:3])
    share, parts = few_parts(masses[:, 1:3])
    assert parts.shape[0] == 1
    np.testing.assert_array_equal(share * parts[0, :, :1], masses[:, 1:3, :1])


def test_states_weigh_and_draw_the_growth():
    """Values of the stand's part put in by hand: each has its own normal law over the shifts (definition)."""
    nodes = growth_nodes(0.2, 0.15, step=0.03).at(np.array([-0.1, 0.3]))
    assert nodes.stand_weights.tolist() == [0.5, 0.5]
    assert nodes.given_stand @ nodes.shifts == pytest.approx([-0.1, 0.3], abs=1e-3)


def test_columns_are_told_apart_as_numpy_does():
    """Different columns, their order and which is which: numpy.unique along an axis."""
    table = np.random.default_rng(7).integers(-2, 3, (3, 200))
    columns, place = distinct_columns(table)
    expected, inverse = np.unique(table, axis=1, return_inverse=True)
    np.testing.assert_array_equal(columns, expected)
    np.testing.assert_array_equal(place, inverse.ravel())
