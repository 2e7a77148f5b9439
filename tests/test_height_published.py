"""Published figures and curves as height models: the printed numbers, Jensen's correction, remarks, refusals."""

import numpy as np
import pytest

from treeage.errors import ModelError
from treeage.height import early_heights, from_curve, from_published, published_curve
from treeage.height.sources import FOOT_M

LAAMRANI = "Laamrani, DesRochers & Blackburn 2016, abstract"


@pytest.mark.parametrize(
    ("name", "mean", "low", "high"),
    [
        ("black spruce thin organic layer", 22, 13, 49),  # Laamrani, DesRochers & Blackburn 2016, abstract
        ("black spruce thick organic layer", 52, 14, 112),  # Laamrani, DesRochers & Blackburn 2016, abstract
    ],
)
def test_black_spruce_under_counts(name, mean, low, high):
    """Mean years missed at 1 m, and a printed range that holds the bulk of 40 trees."""
    years = from_published(name).years(1.0)
    assert years.mean() == pytest.approx(mean, rel=0.02)
    assert years.cdf(high) - years.cdf(low - 1) > 0.9
    assert years.cdf(low - 1) < 0.12 and 1 - years.cdf(high) < 0.05
    entry = early_heights()[name]
    assert (entry.low_years, entry.high_years, entry.known) == (low, high, "abstract")


def test_printed_ranges_give_the_stated_spread():
    """13-49 and 14-112 read as central 95 % ranges."""
    for name, log_sd in (("black spruce thin organic layer", 0.34), ("black spruce thick organic layer", 0.53)):
        entry = early_heights()[name]
        assert entry.log_sd == log_sd
        assert np.log(entry.high_years / entry.low_years) / (2 * 1.96) == pytest.approx(
            log_sd, abs=0.005
        )  # closed form


@pytest.mark.parametrize(("height", "years"), [(0.3, 15), (1.0, 50)])
def test_five_years_for_each_ten_centimetres(height, years):
    """Ponderosa pine cored at two heights."""
    model = from_published("ponderosa pine two cores")
    assert model.passing_seasons(height).mean() == pytest.approx(years, rel=0.01)  # Lesser & Jackson 2012, app. B, read


def test_norway_spruce_in_gaps():
    """At 7.1 cm a year 1.3 m takes about 18 years."""
    mean = from_published("norway spruce mire gaps").passing_seasons(1.3).mean()
    assert mean == pytest.approx(18.3, abs=0.2)  # Hokka & Makela 2015, abstract, hand sum


def test_shared_part_of_a_published_figure_is_half():
    """Stands differ, so a figure from elsewhere is shared more than the user's own."""
    table = np.log(from_published("black spruce thin organic layer").passing_seasons(1.0))
    assert table.mean(axis=1).var() / table.var() == pytest.approx(0.5, abs=1e-9)  # choice


def test_remarks_tell_a_reader_what_was_used():
    """A published figure is named; one from memory is marked."""
    (remark,) = from_published("black spruce thin organic layer").cautions(1.0)
    assert "from a published figure (black spruce thin organic layer), not from this stand" in remark
    said = from_published("engelmann spruce open").cautions(1.37)
    assert said[1] == "this figure has not been checked at its source"
    assert "0.3 m is outside the 1.2 to 1.5 m" in from_published("engelmann spruce open").cautions(0.3)[2]


def test_collar_corrections_are_no_height_models():
    """Years below a buried collar go into collar_years."""
    with pytest.raises(ModelError, match=r"years below a buried collar, need years to a height.*Write 11 or your own"):
        from_published("black spruce buried collar")
    with pytest.raises(ModelError, match="got oak, need one of black spruce thick organic layer"):
        from_published("oak")


@pytest.mark.parametrize(("log_sd", "share"), [(0.5, 0.0), (0.2, 0.5), (5.0, 0.5), (0.5, 1.0)])
def test_mean_curve_is_the_mean_of_the_trees(log_sd, share):
    """Trees spread about a curve have its height on average at the age of 1 m, also wild ones and equal ones."""
    curve = published_curve("douglas-fir bruce", 105 * FOOT_M)
    model = from_curve("douglas-fir bruce", 105 * FOOT_M, log_sd=log_sd, shared_share=share)
    middle = float(model.intercept.mean())  # without what the stand shares
    heights = curve.height_at(float(curve.age_at(1.0)) / np.exp(middle + model.deviation[0]))
    assert np.mean(heights) == pytest.approx(1.0, abs=1e-6)  # definition


def test_the_plain_inverse_of_a_mean_curve_is_too_early():
    """Jensen's inequality where growth speeds up; without a spread there is nothing to correct."""
    model = from_curve("douglas-fir bruce", 105 * FOOT_M, shared_share=0.0)
    age = float(published_curve("douglas-fir bruce", 105 * FOOT_M).age_at(1.0))
    assert np.median(model.passing_seasons(1.0)) > 1.1 * age  # Jensen's inequality
    tight = from_curve("douglas-fir bruce", 105 * FOOT_M, log_sd=0.01).passing_seasons(1.0)
    assert tight.mean() == pytest.approx(7.22, abs=0.02)  # Bruce 1981, from memory: age at 1 m without spread


def test_curves_are_flagged_below_two_metres():
    """A site-index curve is extrapolated there."""
    model = from_curve("quaking aspen", 70 * FOOT_M)
    said = model.cautions(1.0)
    assert "extrapolated below 2 m" in said[0]
    assert "recalled, not read at the source" in said[1]
    assert "1 m is outside the 2 to inf m" in said[2]
    assert len(model.cautions(3.0)) == 2


def test_breast_height_curves_are_refused():
    """They say nothing about the years below breast height."""
    with pytest.raises(ModelError, match="need a curve that counts from the collar: douglas-fir bruce, quaking aspen"):
        from_curve("douglas-fir king", 30.0)


def test_curve_heights_at_the_asymptote_are_refused():
    """No finite time exists there."""
    model = from_curve("shortleaf pine", 20.0)
    with pytest.raises(ModelError, match=r"got 60, need below .* \[m\], the reach of shortleaf pine"):
        model.years(60.0)
