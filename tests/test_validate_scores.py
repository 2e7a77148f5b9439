"""Tests of coverage, ranks, sharpness and bias of whole-number distributions."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, poisson

from treeage.errors import InputError
from treeage.pmf import Pmf
from treeage.validate import bias, binomial_band, coverage, rank_interval, rank_statistics, sharpness


def _poisson(mean: float) -> Pmf:
    return Pmf(0, poisson.pmf(np.arange(80), mean))


def _cases(seed: int, count: int, *, stretch: float = 1.0, shift: int = 0) -> tuple[list[Pmf], np.ndarray]:
    """Poisson statements with their draws; stretch spoils the spread that is stated, shift the place."""
    rng = np.random.default_rng(seed)
    means = rng.uniform(1, 12, count)
    truths = rng.poisson(means)
    stated = []
    for mean in means:
        mass = poisson.pmf(np.arange(80), mean) ** (1 / stretch)
        stated.append(Pmf(shift, mass))
    return stated, truths


masses = st.lists(st.floats(0.01, 1.0), min_size=1, max_size=12)


@given(masses, st.integers(-50, 50), st.floats(0.05, 0.95))
@settings(deadline=None)  # the first call loads SciPy
def test_expected_credit_of_a_right_statement_is_nominal(mass: list[float], start: int, prob: float) -> None:
    """Property: averaged over the stated distribution itself, the share of hits is exactly the probability."""
    pmf = Pmf(start, mass)
    covered = [coverage([pmf], [value], probs=[prob])["covered"].item() for value in pmf.support]
    assert np.dot(covered, pmf.mass) == pytest.approx(prob, abs=1e-9)  # closed form, see the docstring


@given(masses, st.integers(-5, 20), st.floats(0.05, 0.95))
@settings(deadline=None)  # the first call loads SciPy
def test_credit_lies_within_the_printed_interval(mass: list[float], value: int, prob: float) -> None:
    """Property: a truth with any credit lies inside the printed interval of whole numbers."""
    pmf = Pmf(0, mass)
    table = coverage([pmf], [value], probs=[prob])
    assert 0 <= table["covered"].item() <= 1
    assert table["covered"].item() <= table["covered_whole"].item() + 1e-9


@given(st.lists(masses, min_size=1, max_size=6), st.integers(-30, 30))
@settings(deadline=None)  # the first call loads SciPy
def test_shift_of_statement_and_truth_changes_no_score(many: list[list[float]], steps: int) -> None:
    """Property: years or years plus a constant, the scores are the same."""
    pmfs, truths = [Pmf(3, mass) for mass in many], [3 + len(mass) // 2 for mass in many]
    moved, moved_truths = [pmf.shift(steps) for pmf in pmfs], [truth + steps for truth in truths]
    pd.testing.assert_frame_equal(coverage(pmfs, truths), coverage(moved, moved_truths))
    pd.testing.assert_frame_equal(bias(pmfs, truths), bias(moved, moved_truths), atol=1e-9)


def test_right_statements_cover_and_wrong_ones_do_not() -> None:
    """Poisson draws pass the binomial band; too narrow, too wide and shifted statements fail it."""
    assert coverage(*_cases(1, 2000))["within"].all()
    assert not coverage(*_cases(1, 2000, stretch=0.5))["within"].any()  # negative control: stated too narrow
    assert not coverage(*_cases(1, 2000, stretch=2.0))["within"].any()  # negative control: stated too wide
    assert not coverage(*_cases(1, 2000, shift=3))["within"].any()  # negative control: biased


def test_whole_intervals_over_cover_where_the_credit_is_nominal() -> None:
    """The reason for the credit: printed intervals of narrow distributions hold far more than they promise."""
    rng = np.random.default_rng(2)
    truths = rng.poisson(0.5, 5000)
    table = coverage([_poisson(0.5)] * 5000, truths, probs=[0.5, 0.8])
    # closed form: the 50 % interval of a Poisson(0.5) is 0 to 1, which holds exp(-0.5) * 1.5 = 0.910
    assert table["covered_whole"][0] == pytest.approx(np.exp(-0.5) * 1.5, abs=0.02)
    assert table["covered"].tolist() == pytest.approx([0.5, 0.8], abs=0.02)


def test_certain_statements_count_whole() -> None:
    """A point that is right has its share of hits by the credit, one that is wrong has none."""
    assert coverage([Pmf.point(5)], [5], probs=[0.9])["covered"].item() == pytest.approx(0.9)  # closed form
    assert coverage([Pmf.point(5)], [6], probs=[0.9])["covered"].item() == 0
    assert coverage([Pmf.point(5)], [4], probs=[0.9])["covered"].item() == 0


def test_truth_in_a_gap_counts_by_its_place() -> None:
    """A truth without any stated probability in the middle is inside, at the edge outside."""
    pmf = Pmf(0, [0.5, 0.0, 0.5])
    assert coverage([pmf], [1], probs=[0.5])["covered"].item() == 1  # hand: F = 0.5 lies in the middle half
    assert coverage([pmf], [7], probs=[0.5])["covered"].item() == 0


def test_rank_interval_is_the_distribution_function_on_both_sides() -> None:
    """Against SciPy."""
    below, up_to = rank_interval([_poisson(3.0)] * 3, [0, 3, 7])
    assert up_to == pytest.approx(poisson.cdf([0, 3, 7], 3.0))
    assert below == pytest.approx(poisson.cdf([-1, 2, 6], 3.0))


def test_ranks_are_flat_for_right_statements_and_shaped_for_wrong_ones() -> None:
    """U for too narrow, hump for too wide, slope for a bias."""
    right = rank_statistics(*_cases(3, 2000))
    assert right["share"].sum() == pytest.approx(1.0)
    assert right["within"].all()
    narrow = rank_statistics(*_cases(3, 2000, stretch=0.4))["share"]
    wide = rank_statistics(*_cases(3, 2000, stretch=2.5))["share"]
    late = rank_statistics(*_cases(3, 2000, shift=2))["share"]
    assert narrow[0] + narrow[9] > 0.3
    assert wide[0] + wide[9] < 0.12
    assert late[0] > 0.2 > late[9]


def test_rank_shares_sum_to_one_also_outside_the_support() -> None:
    """Truths that were excluded fall into the first or last bin."""
    table = rank_statistics([Pmf.point(5)] * 3, [4, 5, 6], bins=4)
    # hand: 4 -> rank 0, 6 -> rank 1, 5 spreads evenly over all four bins
    assert table["share"].tolist() == pytest.approx([1 / 3 + 1 / 12, 1 / 12, 1 / 12, 1 / 3 + 1 / 12])


def test_binomial_band_against_scipy() -> None:
    """The band is a pair of binomial quantiles."""
    low, high = binomial_band(400, 0.8, band=0.95)
    assert (low, high) == (binom.ppf(0.025, 400, 0.8) / 400, binom.ppf(0.975, 400, 0.8) / 400)


def test_sharpness_of_hand_made_intervals() -> None:
    """Widths are highest less lowest number."""
    table = sharpness([Pmf(0, [1, 1, 1, 1]), Pmf.point(3)], probs=[0.5, 0.95])
    assert table["mean_width"].tolist() == [1.0, 1.5]  # hand: 50 % of four even numbers is 0 to 2 or 1 to 2
    assert table["mean_sd"][0] == pytest.approx(np.sqrt(15 / 12) / 2)  # closed form: variance (n**2 - 1) / 12


def test_bias_by_hand() -> None:
    """Errors and scores of two small statements."""
    row = bias([Pmf(10, [0.5, 0.5]), Pmf(10, [0.25, 0.5, 0.25])], [11, 9]).iloc[0]
    assert row["mean_error"] == pytest.approx((10.5 - 11 + 11 - 9) / 2)  # hand sum
    assert row["median_error"] == pytest.approx((10 - 11 + 11 - 9) / 2)  # hand sum
    assert row["root_mean_square_error"] == pytest.approx(np.sqrt((0.25 + 4) / 2))  # hand sum
    assert np.isinf(row["log_score"])
    # hand sum: first 0.5**2; second F - 1 at 9 to 11: 1 + 0.75**2 + 0.25**2
    assert row["ranked_score"] == pytest.approx((0.25 + 1 + 0.5625 + 0.0625) / 2)


def test_ranked_score_of_points_is_the_absolute_error() -> None:
    """Closed form of the score of a point."""
    assert bias([Pmf.point(3), Pmf.point(8)], [7, 8])["ranked_score"].item() == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("pmfs", "truths", "message"),
    [
        ([], [], "got nothing, need at least one mass function"),
        ([Pmf.point(1)], [1, 2], "got 2 truths for 1 mass functions, need one truth for each"),
        ([Pmf.point(1)], [1.5], "got 1.5 at position 0, need whole numbers"),
        ([Pmf.point(1)], [np.inf], "got inf at position 0, need whole numbers"),
    ],
)
def test_bad_input_is_named(pmfs: list[Pmf], truths: list[float], message: str) -> None:
    """Lengths and whole numbers are checked."""
    with pytest.raises(InputError, match=message):
        coverage(pmfs, truths)


def test_bad_probability_and_bins_are_named() -> None:
    """Out of range arguments are refused with their value."""
    with pytest.raises(InputError, match=r"got 1 at position 0, need between 0 and 1"):
        coverage([Pmf.point(1)], [1], probs=[1.0])
    with pytest.raises(InputError, match="got 1, need at least 2"):
        rank_statistics([Pmf.point(1)], [1], bins=1)
    with pytest.raises(InputError, match="got 2.5, need at least 2, whole"):
        rank_statistics([Pmf.point(1)], [1], bins=2.5)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="count: got 0, need a whole number of at least 1"):
        binomial_band(0, 0.9)
