"""Tests of treeage.stand_events: establishment after events."""

import numpy as np
import pytest

from treeage.errors import InputError
from treeage.stand_events import after_events


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
    draws = np.random.default_rng(1).normal(1850, 5, (40_000, 1))
    response = after_events(draws, {"fire": 1845})
    assert response.after[0, 0] == pytest.approx(0.841, abs=0.01)  # normal table: one standard deviation


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
