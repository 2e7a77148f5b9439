"""Tests of treeage.stand_origin: the oldest tree as a bound and the origin behind it."""

import numpy as np
import pytest
from scipy import stats

from treeage.errors import InputError
from treeage.stand_origin import stand_origin


def test_steady_gaps_by_hand() -> None:
    """Trees every 2 years put the origin 2 years before the oldest, on average."""
    result = stand_origin([1850.0 + 2 * np.arange(8)], seed=1)
    assert result.lateness_years == 2.0 and result.used == 6  # hand sum
    wait = 1850 - result.origin
    median = 2 * stats.f(2, 10).median()  # SciPy
    assert np.median(wait) == pytest.approx(median, rel=0.15)


def test_two_trees_give_the_published_interval() -> None:
    """With two gaps known the wait over the gap has the F(2, 2) law: P(wait > g (1 - a) / a) = a."""
    for level in (0.05, 0.25):
        assert stats.f(2, 2).sf((1 - level) / level) == pytest.approx(level)  # Robson & Whitlock 1964, from memory


def test_interval_covers_the_origin() -> None:
    """On 600 stands that begin at 1800 with a steady rate, the 90 % interval holds 1800 in about 90 %."""
    hits, late, estimate = [], [], []
    for seed in range(600):
        rng = np.random.default_rng(seed)
        dates = 1800 + rng.exponential(3.0, 40).cumsum()
        result = stand_origin(dates[None], seed=seed)
        low, high = np.quantile(result.origin, [0.05, 0.95])
        hits.append(low <= 1800 <= high)
        late.append(dates[0] - 1800)
        estimate.append(dates[0] - result.lateness_years)
    assert np.mean(hits) == pytest.approx(0.90, abs=0.03)  # nominal, two and a half standard errors
    assert np.mean(late) == pytest.approx(3.0, abs=0.3)  # closed form: the bound is late by one gap
    assert np.mean(estimate) == pytest.approx(1800, abs=0.4)  # closed form: unbiased


def test_members_choose_the_cohort() -> None:
    """A survivor of an earlier stand is left out."""
    dates = np.array([[1600.0, 1850, 1851, 1852, 1853]])
    result = stand_origin(dates, members=[False, True, True, True, True])
    assert result.oldest.min() == 1850 and result.trees == 4  # hand count


def test_raw_dates_would_be_too_old() -> None:
    """Negative control: the minimum of dates read with error is earlier than the true oldest."""
    rng = np.random.default_rng(3)
    dates = rng.uniform(1850, 1860, 200)
    raw = dates + rng.normal(0, 5, 200) + rng.normal(0, 5, (500, 200))
    assert np.median(stand_origin(raw).oldest) < 1842


def test_faces() -> None:
    """Frame, sentence, HTML and plot."""
    from matplotlib.figure import Figure

    result = stand_origin(np.random.default_rng(4).uniform(1850, 1900, (50, 20)))
    frame = result.to_frame()
    assert frame["quantity"].tolist() == ["oldest tree", "origin"]
    assert frame["year_median"].iloc[1] < frame["year_median"].iloc[0] and frame["bias_years"].iloc[0] > 0
    assert "At least one of the 20 trees" in result.sentence() and "<table" in result._repr_html_()
    ax = Figure().subplots()
    assert result.plot(ax=ax) is ax


def test_refusals() -> None:
    """Too few trees are named."""
    with pytest.raises(InputError, match="got 2 trees, need at least 3 trees"):
        stand_origin([[1850.0, 1851.0]])
