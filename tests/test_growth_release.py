"""Tests of treeage.growth: measures of sudden change in one series."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from treeage.errors import InputError, ModelWarning
from treeage.growth import BoundaryLine, fit_boundary_line
from treeage.growth.changes import absolute_change, boundary_share, percent_change, sustained_change, window_means

STEP = [1.0] * 10 + [1.6] * 10


def test_worked_example() -> None:
    """From 1.0 to 1.6 mm: 60 %, major by percent; a quarter of the boundary line, moderate."""
    line = BoundaryLine(900.0, -1.3, "illustration")
    assert line.at(1.0) == pytest.approx(245.3, abs=0.05)  # closed form: 900 exp(-1.3)
    assert percent_change(STEP)[9] == pytest.approx(60.0)  # hand sum
    assert boundary_share(STEP, line)[9] == pytest.approx(24.5, abs=0.05)  # hand sum: 60 / 245.3
    assert absolute_change(STEP)[9] == pytest.approx(0.6)  # hand sum


@pytest.mark.parametrize("measure", [percent_change, absolute_change, sustained_change])
@given(
    widths=st.lists(st.floats(0.1, 5.0), min_size=1, max_size=60),
    window=st.integers(1, 15),
)
def test_edges_are_masked(measure, widths: list[float], window: int) -> None:  # type: ignore[no-untyped-def]
    """No year within a window of either end has a value, and every other year has one."""
    for direction in ("release", "suppression"):
        value = measure(widths, window_years=window, direction=direction)
        known = np.zeros(len(widths), dtype=bool)
        known[window - 1 : max(0, len(widths) - window)] = True
        assert np.array_equal(np.isfinite(value), known)


def test_windows_against_a_loop() -> None:
    """Window means equal those of a plain loop."""
    widths = np.random.default_rng(1).gamma(4.0, 0.3, size=40)
    before, after = window_means(widths, window_years=7)
    for year in range(6, 33):
        assert before[year] == pytest.approx(widths[year - 6 : year + 1].mean())  # brute force
        assert after[year] == pytest.approx(widths[year + 1 : year + 8].mean())  # brute force


@given(widths=st.lists(st.floats(0.1, 5.0), min_size=35, max_size=50))
def test_a_suppression_is_a_release_read_backwards(widths: list[float]) -> None:
    """Reversing time swaps releases and suppressions; the year stays that of the same boundary."""
    for measure in (percent_change, sustained_change):
        forward = measure(widths, direction="suppression")
        backward = measure(widths[::-1])[::-1]
        assert np.allclose(forward[:-1], backward[1:], equal_nan=True)


@given(widths=st.lists(st.floats(0.1, 5.0), min_size=35, max_size=50), factor=st.floats(0.1, 10.0))
def test_percent_change_has_no_unit(widths: list[float], factor: float) -> None:
    """Widths in other units give the same percent change."""
    scaled = np.array(widths) * factor
    assert np.allclose(percent_change(widths), percent_change(scaled), equal_nan=True, atol=1e-6)


@given(widths=st.lists(st.floats(0.1, 5.0), min_size=35, max_size=50))
def test_sustained_is_never_more_than_percent(widths: list[float]) -> None:
    """The weakest block is at most the mean of the blocks."""
    percent = percent_change(widths, window_years=15)
    sustained = sustained_change(widths)
    known = np.isfinite(percent)
    assert np.all(sustained[known] <= percent[known] + 1e-6)


def test_a_burst_is_not_sustained() -> None:
    """Five fast years are a change, but not a sustained one; fifteen are."""
    burst, lasting = [1.0] * 15 + [4.0] * 5 + [1.0] * 10, [1.0] * 15 + [2.0] * 15
    assert percent_change(burst, window_years=15)[14] == pytest.approx(100.0)  # hand sum
    assert sustained_change(burst)[14] == pytest.approx(0.0)  # hand sum
    assert sustained_change(lasting)[14] == pytest.approx(100.0)  # hand sum


def test_zero_growth_has_no_percent_change() -> None:
    """A base of 0 gives no ratio instead of an infinite one."""
    assert np.isnan(percent_change([0.0] * 10 + [1.0] * 10)).all()


def test_boundary_line_is_recovered() -> None:
    """A line fitted to changes under a known edge comes out near it, with no warning on enough widths."""
    rng = np.random.default_rng(2)
    series = []
    for _ in range(4000):
        prior = rng.uniform(0.1, 2.9)
        change = 900.0 * np.exp(-1.3 * prior) * np.sqrt(rng.random())
        series.append([prior] * 10 + [prior * (1 + change / 100)] * 10)
    line = fit_boundary_line(series)
    assert line.rate_per_mm == pytest.approx(-1.3, abs=0.1)  # known edge, tolerance choice
    assert line.scale_percent == pytest.approx(900.0, rel=0.1)  # known edge, tolerance choice


def test_boundary_line_warns_on_few_widths() -> None:
    """Few widths warn, and too few classes are refused."""
    rng = np.random.default_rng(3)
    series = [rng.gamma(3.0, 0.5, size=200) for _ in range(20)]
    with pytest.warns(ModelWarning, match="got 4000 widths, need about 50000"):
        assert fit_boundary_line(series).rate_per_mm < 0
    with pytest.raises(InputError, match=r"got 1 classes, need at least 3 classes of 0.5 mm"):
        fit_boundary_line([[1.0] * 10 + [1.1] * 30])


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda: BoundaryLine(900.0, 1.3, ""), r"got 1.3, need below 0 \[1/mm\]"),
        (lambda: percent_change(STEP, window_years=0), r"got 0, need at least 1 \[years\]"),
        (lambda: percent_change(STEP, direction="up"), "got up, need release or suppression"),
        (lambda: percent_change([-1.0]), "got -1 at position 0"),
    ],
)
def test_refusals(make, match: str) -> None:  # type: ignore[no-untyped-def]
    """Each fault names the value and the need."""
    with pytest.raises(InputError, match=match):
        make()
