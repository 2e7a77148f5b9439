"""Tests of treeage.stand: the oldest tree as a bound and the origin behind it."""

import numpy as np
import pytest
from stand_cases import joint_draws

from treeage.errors import InputError
from treeage.stand import StandOrigin, recruitment_history, split_shared, stand_origin
from treeage.stand.past import origin_chances


def _origin(draws: np.ndarray, seed: int = 0) -> StandOrigin:
    split = split_shared(draws)
    return stand_origin(split, recruitment_history(draws, split=split, count=200, seed=seed), seed=seed)


def test_exact_dates_have_the_closed_form() -> None:
    """With m exact dates before the cut c, the start has probability proportional to (c - start)**-m."""
    cells = np.array([40, 43, 45, 46, 50, 52])
    chances, _ = origin_chances(np.eye(60)[cells], np.full(60, 0.1), 60)
    start = chances.sum(axis=1)
    exact = np.where(np.arange(60) <= 40, (60.0 - np.arange(60)) ** -6.0, 0.0)  # closed form, rate integrated out
    assert np.allclose(start, exact / exact.sum(), atol=2e-3)


def test_mean_wait_is_about_one_gap() -> None:
    """Trees every 4 years: the oldest is about one gap later than the start (Robson & Whitlock 1964, from memory)."""
    cells = 100 + 4 * np.arange(25)
    chances, _ = origin_chances(np.eye(210)[cells], np.ones(210), 200)
    wait = 100 - chances.sum(axis=1) @ np.arange(200)
    assert wait == pytest.approx(4.0, abs=0.8)


@pytest.mark.slow
def test_origin_and_oldest_with_dating_error() -> None:
    """30 stands that begin at 1850, read with 5 years of error: intervals hold the truth in at least 80 %."""
    hits, oldest, bias = [], [], []
    for seed in range(30):
        rng = np.random.default_rng([seed, 5])
        dates = 1850 + rng.exponential(1.5, 60).cumsum()
        result = _origin(joint_draws(dates, rng, own=5, shared=2, size=600), seed)
        low, middle, high = np.quantile(result.origin, [0.05, 0.5, 0.95])
        hits.append(low <= 1850 <= high)
        bias.append(middle - 1850)
        low, high = np.quantile(result.oldest, [0.05, 0.95])
        oldest.append(low <= dates.min() <= high)
    assert np.mean(hits) >= 0.8 and np.mean(oldest) >= 0.8  # nominal .9 less two binomial standard errors
    # simulated truth; the smooth intensity blurs a sharp start: -2.6 +- 0.5 years over 60 stands
    assert -4.0 < np.mean(bias) < 1.0


def test_raw_dates_would_be_too_old() -> None:
    """Negative control: the minimum of dates read with error is far earlier than the true oldest."""
    rng = np.random.default_rng(3)
    dates = rng.uniform(1850, 1860, 200)
    draws = joint_draws(dates, rng, own=5, shared=0)
    assert np.median(draws.min(axis=1)) < 1838
    assert np.median(_origin(draws).oldest) == pytest.approx(1850, abs=5)  # simulated truth


def test_shared_error_stays_in_the_origin() -> None:
    """The origin is never better known than the shared error."""
    rng = np.random.default_rng(4)
    draws = joint_draws(rng.uniform(1850, 1950, 100), rng, own=2, shared=7)
    assert _origin(draws).oldest.std() == pytest.approx(7, abs=1)  # simulated truth


def test_faces() -> None:
    """Frame, sentence, HTML and plot."""
    from matplotlib.figure import Figure

    rng = np.random.default_rng(5)
    result = _origin(joint_draws(rng.uniform(1850, 1900, 30), rng))
    frame = result.to_frame()
    assert frame["quantity"].tolist() == ["oldest tree", "origin"]
    assert frame["year_median"].iloc[1] < frame["year_median"].iloc[0] + 1 and frame["bias_years"].iloc[0] > 0
    assert frame["assumption"].str.startswith("steady from the origin to about 18").all()  # a bias of 0 is no finding
    assert "If establishment was steady" in result.sentence().split(".")[1]  # before the lateness, which rests on it
    assert "At least one of the 30 trees" in result.sentence() and "<table" in result._repr_html_()
    ax = Figure().subplots()
    assert result.plot(ax=ax) is ax


def test_refusals() -> None:
    """A cut of no cells and a probability out of range are named."""
    with pytest.raises(InputError, match="got 0, need at least 1 cell"):
        origin_chances(np.eye(3), np.ones(3), 0)
    draws = np.random.default_rng(6).normal(1850, 5, (100, 8))
    split = split_shared(draws)
    with pytest.raises(InputError, match="got 1, need between 0 and 1"):
        stand_origin(split, recruitment_history(draws, split=split, count=50), prob=1.0)
