"""Tests of treeage.stand: establishment after events."""

import numpy as np
import pytest

from treeage.errors import InputError
from treeage.stand import after_events, recruitment_history, sharpened_dates, split_shared


def test_counts_and_lags_by_hand() -> None:
    """After means at least one season later; windows include their last year."""
    draws = [[1845, 1846, 1855, 1865, 1990], [1845, 1846, 1856, 1866, 1990]]
    response = after_events(draws, {"fire": 1845}, within_years=(10, 20))
    assert response.after[:, 0].tolist() == [0, 1, 1, 1, 1]  # hand count
    assert response.counts[:, 0].tolist() == [[2, 3], [1, 2]]  # hand count
    assert response.lag_quantiles[0, 0].tolist() == pytest.approx([1, 10, 18])  # hand sum: lags 1, 10, 20


def test_lags_end_at_the_next_event() -> None:
    """A tree after the second event does not answer the first."""
    response = after_events([[1810, 1860]], {"wind": 1850, "fire": 1800})
    assert list(response.events) == ["fire", "wind"]
    assert response.lag_quantiles[0, :, 1].tolist() == [10, 10]  # hand count


def test_probability_after_is_the_share_of_draws() -> None:
    """P(after) of a tree is the upper tail of its date."""
    draws = np.rint(np.random.default_rng(1).normal(1850, 5, (400, 100)))  # whole years, as those of ages
    response = after_events(draws, {"fire": 1845})
    assert response.after[:, 0] == pytest.approx((draws > 1845).mean(axis=0))  # definition
    assert response.after[:, 0].mean() == pytest.approx(0.816, abs=0.01)  # normal table: .9 sd


def test_shared_error_widens_the_number_within_a_window() -> None:
    """The number of trees after an event keeps the shared error, however many trees."""
    rng = np.random.default_rng(2)
    dates = rng.uniform(1840, 1860, 300)
    together = dates + rng.normal(0, 5, (2000, 1))
    alone = dates + rng.normal(0, 5, (2000, 300))
    spread = [
        after_events(draws, {"fire": 1849}, within_years=(10,)).counts[:, 0, 0].std() for draws in (together, alone)
    ]
    assert spread[0] > 3 * spread[1]


def test_sharpened_dates_serve_counts_only() -> None:
    """Counts come from the sharpened dates, tree probabilities from the tree's own."""
    response = after_events([[1850, 1850]], {"fire": 1845}, sharpened=[[1840.0, 1840.0]])
    assert response.after[:, 0].tolist() == [1, 1] and response.counts.max() == 0


def test_trees_of_the_event_year_are_not_after_it() -> None:
    """Sharpened dates of a year lie within half a year of it and count as that year."""
    spread = np.array([-0.49, -0.2, 0.0, 0.3, 0.49])
    dates = np.column_stack([1900 + spread, 1901 + spread, 1910 + spread, 1911 + spread])
    response = after_events(np.rint(dates), {"fire": 1900}, sharpened=dates, within_years=(10,))
    assert response.counts[:, 0, 0].tolist() == [2.0] * 5  # hand count: the trees of 1901 and 1910
    assert response.lag_quantiles[:, 0, :2].tolist() == [[1.0, 10.0]] * 5  # hand: 1901, and the middle of 1, 10, 11
    assert response.after[:, 0].tolist() == [0, 1, 1, 1]  # hand


def test_event_year_through_the_history() -> None:
    """Forty exactly dated trees of the event year and thirty of other years: counts as with the true dates."""
    rng = np.random.default_rng(0)
    true = np.concatenate([np.full(40, 1900), rng.integers(1800, 1990, 30)])
    draws = np.tile(true, (400, 1)).astype(float)
    split = split_shared(draws)
    history = recruitment_history(draws, last_year=2000, split=split, count=100)
    dates = sharpened_dates(split, history)
    response = after_events(draws, {"fire": 1900}, sharpened=dates, within_years=(20,))
    expected = ((true > 1900) & (true <= 1920)).sum()  # simulated truth
    assert response.counts[:, 0, 0].mean() == pytest.approx(expected, abs=0.5)


def test_no_tree_after_an_event() -> None:
    """Lags without any tree are missing, not zero."""
    frame = after_events([[1800, 1801]], {"fire": 1900}).to_frame()
    assert frame["lag_median_median"].isna().all() and frame["within_50_years_median"].tolist() == [0]


def test_faces() -> None:
    """Frames to join on, a sentence with a caution, HTML, plot."""
    from matplotlib.figure import Figure

    response = after_events([[1850, 1861], [1851, 1863]], {"fire": 1845, "law": 1900}, trees=["A", "B"])
    table = response.tree_frame()
    assert table.columns.tolist() == ["tree", "event", "year", "p_after"] and len(table) == 4
    assert table.query("tree == 'A' and event == 'fire'")["p_after"].iloc[0] == 1.0
    assert "not proof" in response.sentence() and "<table" in response._repr_html_()
    ax = Figure().subplots()
    assert response.plot(ax=ax) is ax and "of 2" in ax.get_ylabel()


def test_refusals() -> None:
    """No event, and malformed draws, are named."""
    with pytest.raises(InputError, match="got no event, need at least one"):
        after_events([[1850]], {})
    with pytest.raises(InputError, match=r"got shape \(1,\)"):
        after_events([1850], {"fire": 1845})  # type: ignore[list-item]


@pytest.mark.parametrize("windows", [(), (0,), (-5, 10), np.array([1 + 2j]), ["ten"], [np.nan]])
def test_windows_are_whole_years_of_at_least_one(windows):
    """What is no length of time is a fault, not a count of none (a complex one was found by fuzzing)."""
    with pytest.raises(InputError, match="within_years"):
        after_events([[1850, 1861], [1852, 1863]], {"fire": 1845}, within_years=windows)


def test_dates_between_years_belong_to_the_nearest_for_single_trees_too() -> None:
    """Dates of uncored trees lie between years: 1845.3 is the year of the event and not after it, 1845.7 is 1846."""
    response = after_events([[1845.3, 1845.7]], {"fire": 1845})
    assert response.after[:, 0].tolist() == [0.0, 1.0]  # by hand, as the counts do
    assert response.counts[:, 0, 0].tolist() == [1.0]


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"events": {"fire": float("nan")}}, "events: got nan at position 0, need at most 10000"),
        ({"events": {"fire": "1845"}}, "events: got .*1845.*need numbers"),
        ({"events": {"fire": 1845.5}}, "events: got 1845.5, need whole years"),
        ({"within_years": (0.5,)}, "within_years: got 0.5, need whole years"),
        ({"sharpened": [[1850.0]]}, "sharpened: got dates of 1 trees, need one for each of 2 trees"),
        ({"trees": ["A"]}, "trees: got 1 ids, need one for each of 2 trees"),
    ],
)
def test_what_is_wrong_is_named_and_not_the_draws(options, match):
    """A table of draws that is sound is not blamed for another argument."""
    full = {"events": {"fire": 1845}, **options}
    with pytest.raises(InputError, match=match) as caught:
        after_events([[1850, 1861], [1852, 1863]], **full)
    assert "draws" not in caught.value.faults["column"].tolist()
