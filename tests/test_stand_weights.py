"""Tests of treeage.stand: expansion factors and sample sizes."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from treeage.errors import InputError
from treeage.stand import (
    chance_to_meet,
    effective_trees,
    expansion_fixed_area,
    expansion_nearest_trees,
    trees_to_meet,
)


def test_expansion_of_plots() -> None:
    """Radii of 11.28 and 5.64 m stand for 25.0 and 100.1 trees per hectare; half cored doubles it."""
    assert expansion_fixed_area([11.28, 5.64]) == pytest.approx([25.0, 100.1], abs=0.05)  # common practice
    assert expansion_fixed_area(11.28, share_cored=0.5) == pytest.approx(50.03, abs=0.01)  # hand sum


def test_expansion_of_nearest_trees() -> None:
    """Ten trees within 12 m are 198.9 per hectare, not 221.0."""
    assert 10 * expansion_nearest_trees(12.0, 10) == pytest.approx(198.9, abs=0.05)  # hand sum: 9 / (pi 144)
    assert 10 * expansion_fixed_area(12.0) == pytest.approx(221.0, abs=0.1)  # the naive figure


def test_nearest_trees_is_unbiased_and_the_naive_figure_is_not() -> None:
    """On random stands of 300 trees per hectare the corrected density averages 300."""
    rng = np.random.default_rng(1)
    arrivals = rng.exponential(size=(40_000, 6)).cumsum(axis=1)[:, -1]
    radius = np.sqrt(arrivals / (np.pi * 0.03))
    assert (6 * expansion_nearest_trees(radius, 6)).mean() == pytest.approx(300, rel=0.01)  # simulated truth
    assert (6 * expansion_fixed_area(radius)).mean() == pytest.approx(360, rel=0.01)  # closed form: k / (k - 1)


def test_detection() -> None:
    """A cohort of 10 % is met by 20 trees with .878, by 29 with 95 %."""
    assert chance_to_meet(0.10, 20) == pytest.approx(0.878, abs=5e-4)  # hand sum: 1 - .9^20
    assert [trees_to_meet(share) for share in (0.05, 0.10, 0.20)] == [59, 29, 14]  # hand sum


@given(share=st.floats(0.01, 0.9), prob=st.floats(0.5, 0.99))
def test_trees_to_meet_is_the_smallest_number(share: float, prob: float) -> None:
    """The number reaches the probability and one tree less does not."""
    number = trees_to_meet(share, prob=prob)
    assert chance_to_meet(share, number) >= prob - 1e-9
    assert chance_to_meet(share, number - 1) < prob + 1e-9


@given(weights=st.lists(st.floats(0.1, 50), min_size=1, max_size=30))
def test_effective_trees_is_at_most_their_number(weights: list[float]) -> None:
    """Unequal weights lose information."""
    assert 1 - 1e-9 <= effective_trees(weights) <= len(weights) + 1e-9


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda: expansion_fixed_area(0.0), "got 0, need finite and above 0"),
        (lambda: expansion_fixed_area(5.0, share_cored=2.0), "got 2, need at most 1"),
        (lambda: expansion_nearest_trees(5.0, 1), "got 1, need a whole number of at least 2"),
        (lambda: chance_to_meet(1.0, 3), "got 1, need between 0 and 1"),
        (lambda: chance_to_meet(0.1, -5), "trees: got -5, need a whole number of at least 0"),  # told -0.69
        (lambda: effective_trees([]), "got no weight, need at least one"),
    ],
)
def test_refusals(make, match: str) -> None:  # type: ignore[no-untyped-def]
    """Each fault names the value and the need."""
    with pytest.raises(InputError, match=match):
        make()
