"""Tests of treeage.stand: draws that mean the same pulses, and draws that mean others."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from treeage.errors import InputError
from treeage.stand.pulses import PulseSet, pulse_sets, summarise_sets


def _mixed(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """1000 draws round 1880 and 1940, 60 of them round 1820 and 1880: what one step back of both dates looks like."""
    date = rng.normal([1880.0, 1940.0], 3.0, (1000, 2))
    date[:60] = rng.normal([1820.0, 1880.0], 3.0, (60, 2))
    return date, rng.uniform(3, 11, (1000, 2))


def test_a_step_back_of_all_dates_is_another_set() -> None:
    """The draws that moved one pulse back are told apart, and the rest keep their own dates."""
    date, width = _mixed(np.random.default_rng(1))
    number = pulse_sets(date, width, own_sd_years=6.5)
    assert np.array_equal(number == 0, np.arange(1000) >= 60)  # by construction
    first, second = summarise_sets(date, number)
    assert (first.part, second.part) == (0.94, 0.06)  # by construction
    assert first.dates == pytest.approx((1880, 1940), abs=0.5) and second.dates == pytest.approx((1820, 1880), abs=2)
    over_all = np.quantile(date, 0.05, axis=0)  # negative control: what quantiles over all draws would say
    assert over_all[0] < 1830 and over_all[1] < 1890


def test_one_set_keeps_every_draw() -> None:
    """Draws round one pair of dates are one set, so intervals lose nothing."""
    rng = np.random.default_rng(2)
    date = rng.normal([1800.0, 1850.0], 2.0, (1000, 2))  # a pulse of 20 trees read with 5 years has about this error
    assert not pulse_sets(date, np.full((1000, 2), 3.0), own_sd_years=5.0).any()


def test_a_pulse_next_to_another_keeps_its_place() -> None:
    """Pulses 15 years apart: a draw that moved one pulse up is near both in widths, but nearer to the wrong one."""
    date = [[1850.0, 1865.0]] * 9 + [[1865.0, 1880.0]]
    number = pulse_sets(date, np.full((10, 2), 6.0), own_sd_years=6.0)
    assert number.tolist() == [0] * 9 + [1]  # by construction


def test_no_pulse_is_one_set() -> None:
    """Draws without pulses agree."""
    number = pulse_sets(np.empty((5, 0)), np.empty((5, 0)), own_sd_years=5.0)
    assert number.tolist() == [0] * 5


def test_scattered_draws_are_left_over() -> None:
    """After the sets that are told one by one, the rest lies elsewhere and comes last."""
    date = np.repeat(1000.0 + 100 * np.arange(8), [9, 8, 7, 6, 1, 1, 1, 1])[:, None]
    sets = summarise_sets(date, pulse_sets(date, np.full(date.shape, 5.0), own_sd_years=5.0))
    assert [round(34 * each.part) for each in sets] == [9, 8, 7, 6, 4]  # by construction
    assert sets[-1].dates == () and sets[-1].words() == "elsewhere"
    assert PulseSet(0.1, (1.0, 2.0, 3.0)).words() == "1, 2 and 3"
    assert PulseSet(0.1, (1812.2, 1878.0)).words() == "1812 and 1878"


@given(st.integers(0, 10_000), st.integers(1, 3))
def test_sets_do_not_depend_on_the_order_or_the_year(seed: int, pulses: int) -> None:
    """Moving all dates by a century changes nothing; set 0 is the largest."""
    rng = np.random.default_rng(seed)
    date = np.sort(rng.uniform(1700, 1950, (40, pulses)), axis=1)
    width = rng.uniform(1, 15, date.shape)
    number = pulse_sets(date, width, own_sd_years=5.0)
    assert np.array_equal(number, pulse_sets(np.round(date, 6) - 128, width, own_sd_years=5.0))
    counts = np.bincount(number[number >= 0])
    assert np.all(np.diff(counts) <= 0)


def test_refusals() -> None:
    """A width of nothing and shapes that differ are named."""
    with pytest.raises(InputError, match="got 0 at position 0, need finite and above 0"):
        pulse_sets([[1800.0]], [[0.0]], own_sd_years=5.0)
    with pytest.raises(InputError, match=r"got shapes \(1, 1\) and \(1, 2\), need one shape of two dimensions"):
        pulse_sets([[1800.0]], [[1.0, 2.0]], own_sd_years=5.0)
