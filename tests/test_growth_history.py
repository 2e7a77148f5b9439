"""Tests of treeage.growth: the growth of one tree with the error of pith distance and bark."""

import numpy as np
import pytest

from treeage import priors
from treeage.errors import InputError
from treeage.growth import (
    CoreWidths,
    basal_area_increment,
    growth_history,
    inside_bark_diameter,
    past_diameter_proportional,
    past_diameter_subtractive,
    ring_radii,
)


@pytest.fixture(autouse=True)
def _one_radius_is_the_stem():
    """Sums by hand are of the readings: without the error of one radius against the stem and that of the tape."""
    with priors.replaced({"core_stem": 0.0, "diameter_share": 0.0, "bark_power": 1.0, "bark_power_sd": 0.0}):
        yield


def _core(first: int, widths: list[float], **distance: float) -> CoreWidths:
    return CoreWidths(range(first, first + len(widths)), widths, **distance)


def test_one_core_without_diameter() -> None:
    """The diameter is twice the radius and the increments fill the annulus."""
    tree = growth_history([_core(2000, [2.0, 3.0], pith_distance_mm=5.0)])
    assert tree.radius_mm[0].tolist() == [7.0, 10.0]  # hand sum
    assert tree.diameter_cm[0].tolist() == [1.4, 2.0]  # hand sum
    assert tree.increment_cm2[0].sum() == pytest.approx(np.pi * (10**2 - 5**2) / 100)  # closed form


def test_diameter_scales_proportionally() -> None:
    """With a diameter, past diameters are shares of it and the subtractive ones stand beside them."""
    core = _core(1951, [1.0] * 40, pith_distance_mm=90.0)
    tree = growth_history([core], diameter_cm=30.0, bark_mm=0.0, count=5)
    assert tree.at(1951)[0] == pytest.approx(30.0 * 91 / 130)  # hand sum
    assert tree.diameter_subtractive_cm[0, 0] == pytest.approx(30.0 - 2 * 3.9)  # hand sum
    assert tree.scale == pytest.approx(150 / 130)  # hand sum


def test_subtractive_is_masked_where_it_would_be_negative() -> None:
    """A long radius has no subtractive diameter in its early years."""
    core = _core(1900, [1.6] * 100, pith_distance_mm=10.0)
    frame = growth_history([core], diameter_cm=30.0, bark_mm=0.0).to_frame()
    assert (
        frame["diameter_inside_bark_subtractive_cm_median"].iloc[0] != frame["diameter_inside_bark_cm_median"].iloc[0]
    )
    assert np.isnan(frame["diameter_inside_bark_subtractive_cm_median"].iloc[0])  # hand sum: 300 - 2 * 158.4 < 0


def test_two_opposite_cores_average() -> None:
    """The mean of two radii is the mean ring by ring."""
    tree = growth_history([_core(2000, [1.0, 1.0]), _core(2000, [3.0, 1.0])])
    assert tree.radius_mm[0].tolist() == [2.0, 3.0]  # hand sum


def test_a_core_that_starts_late_makes_no_jump() -> None:
    """Radii of years that one core does not show come from the share the other had reached."""
    long = _core(2000, [1.0] * 10)
    short = _core(2005, [2.0] * 5, pith_distance_mm=10.0)  # the same tree, twice as fast on this side
    tree = growth_history([long, short])
    assert np.allclose(tree.radius_mm[0], 1.5 * np.arange(1, 11))  # closed form: both grow in proportion
    assert tree.cores.tolist() == [1] * 5 + [2] * 5  # hand count


def test_quadratic_mean() -> None:
    """Two radii of 180 and 140 mm have the quadratic mean 161.2."""
    tree = growth_history([_core(2000, [180.0]), _core(2000, [140.0])], mean="quadratic")
    assert tree.radius_mm[0, 0] == pytest.approx(161.25, abs=0.01)  # square root by hand


def test_history_runs_the_formulas_for_arrays() -> None:
    """One core with a diameter: diameters and increments are those that the functions of arrays give for its radii."""
    widths = np.random.default_rng(5).gamma(4.0, 0.4, 30)
    core = _core(1990, widths.tolist(), pith_distance_mm=12.0)
    tree = growth_history([core], diameter_cm=30.0, bark_mm=6.0, count=1)
    radii, inside = ring_radii(widths, pith_distance_mm=12.0), inside_bark_diameter(30.0, 6.0)
    past = past_diameter_proportional(inside, radius_then_mm=radii, radius_now_mm=radii[-1])
    assert tree.radius_mm[0] == pytest.approx(radii) and tree.diameter_cm[0] == pytest.approx(past)
    since = radii[-1] - radii
    assert tree.diameter_subtractive_cm[0] == pytest.approx(past_diameter_subtractive(inside, growth_since_mm=since))
    scaled = basal_area_increment(widths * tree.scale, inner_radius_mm=12.0 * tree.scale)
    assert tree.increment_cm2[0] == pytest.approx(scaled / 100)


def test_arrays_of_a_history_cannot_be_changed() -> None:
    """Results are frozen in depth."""
    tree = growth_history([_core(2000, [2.0, 3.0])])
    with pytest.raises(ValueError, match="read-only"):
        tree.radius_mm[0, 0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        np.asarray(tree.series().widths_mm)[0] = 1.0


def test_uncertain_distance_widens_and_has_the_stated_moments() -> None:
    """The spread of the radius is that of the distance, and it does not shrink outward."""
    core = _core(2000, [1.0] * 30, pith_distance_mm=20.0, pith_distance_sd_mm=5.0)
    tree = growth_history([core], count=20_000, seed=1)
    assert tree.radius_mm[:, 0].mean() == pytest.approx(21.0, abs=0.15)  # closed form, 4 standard errors
    assert tree.radius_mm[:, -1].std() == pytest.approx(5.0, abs=0.15)  # closed form
    assert tree.radius_mm.min() > 0


def test_uncertain_distance_fades_outward_with_a_known_diameter() -> None:
    """With a diameter, the error of the pith distance is largest inside and nothing at the bark."""
    core = _core(2000, [2.0] * 60, pith_distance_mm=30.0, pith_distance_sd_mm=8.0)
    tree = growth_history([core], diameter_cm=30.0, bark_mm=5.0)
    spread = tree.diameter_cm.std(axis=0)
    assert spread[0] > 10 * spread[-1]
    assert spread[-1] == pytest.approx(0.0, abs=1e-9)  # closed form


def test_bark_error_reaches_the_diameter() -> None:
    """An error of 2 mm in single bark is one of 0.4 cm in the diameter."""
    core = _core(2000, [1.0] * 10)
    tree = growth_history([core], diameter_cm=40.0, bark_mm=18.0, bark_sd_mm=2.0, count=20_000)
    assert tree.diameter_cm[:, -1].std() == pytest.approx(0.4, abs=0.01)  # closed form
    outside = tree.to_frame()["diameter_outside_bark_cm_median"].iloc[-1]
    assert outside == pytest.approx(40.0)  # closed form


def test_draws_of_distance_and_seed() -> None:
    """An array of distances is drawn from, and the same seed gives the same result."""
    core = CoreWidths([2000], [1.0], pith_distance_mm=[4.0, 8.0])
    first, second = growth_history([core], seed=3), growth_history([core], seed=3)
    assert set(np.unique(first.radius_mm)) == {5.0, 9.0}  # hand sum
    assert np.array_equal(first.radius_mm, second.radius_mm)


def test_at_outside_the_span() -> None:
    """Before the first ring there is no answer; after the last ring the last diameter holds."""
    tree = growth_history([_core(2000, [1.0, 1.0])])
    assert np.isnan(tree.at(1999)).all()
    assert tree.at(2050)[0] == pytest.approx(0.4)  # hand sum


def test_faces() -> None:
    """Frame with units in the names, a sentence, HTML, and a plot on the given axes."""
    import matplotlib

    matplotlib.use("agg")
    from matplotlib.figure import Figure

    tree = growth_history([_core(2000, [1.0] * 20, pith_distance_mm=3.0)], diameter_cm=6.0, bark_mm=3.0)
    frame = tree.to_frame()
    assert {"radius_mm_median", "basal_area_increment_cm2_hi", "prob"} <= set(frame.columns)
    assert "2000-2019" in tree.sentence() and "<table" in tree._repr_html_()
    ax = Figure().subplots()
    assert tree.plot(ax=ax) is ax
    assert ax.get_ylabel() == "Diameter inside bark [cm]" and len(ax.lines) == 2


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda: CoreWidths([2000, 2002], [1.0, 1.0]), "got 2000 followed by 2002, need consecutive years"),
        (lambda: CoreWidths([2000], [1.0, 1.0]), r"got 1 years and 2 widths, need one width \[mm\]"),
        (lambda: CoreWidths([2000], [-1.0]), "got -1 at position 0, need finite and at least 0"),
        (lambda: growth_history([]), "got no core, need at least one core"),
        (lambda: growth_history([_core(2000, [1.0])], diameter_cm=10.0), r"a diameter without bark.*\[mm\]"),
        (
            lambda: growth_history([_core(2000, [1.0])], diameter_cm=10.0, bark_mm=50.0),
            "got 50, need .*50 mm",
        ),
        (lambda: growth_history([_core(2000, [1.0])], mean="geometric"), "got geometric, need arithmetic"),
        (lambda: growth_history([_core(2000, [1.0])], prob=1.0), "got 1, need between 0 and 1"),
        (lambda: growth_history([_core(2000, [1.0])], count=0), "count: got 0, need a whole number, 1 to"),
        (lambda: growth_history([_core(2000, [1.0])], seed=-1), "seed: got -1, need a whole number of at least 0"),
        (lambda: growth_history([_core(2000, [0.0, 0.0])]), "got no width above 0, need some wood"),
        (lambda: CoreWidths([2000.5, 2001.5], [1.0, 1.0]), "got 2000.5, need whole years"),
        (lambda: CoreWidths([np.nan, 2001.0], [1.0, 1.0]), "years: got nan"),
        (lambda: CoreWidths([2000], [1.0], pith_distance_mm=[]), r"got shape \(0,\), need one value or a row of draws"),
        (lambda: CoreWidths([2000], [1.0], pith_distance_mm=[[1.0, 2.0]]), r"got shape \(1, 2\), need one value"),
        (lambda: CoreWidths([2000], [1.0], beyond_rings=-1), "beyond_rings: got -1, need a whole number"),
    ],
)
def test_refusals(make, match: str) -> None:  # type: ignore[no-untyped-def]
    """Each fault names the value, the need and the unit."""
    with pytest.raises(InputError, match=match):
        make()


def test_cores_that_share_no_year_give_the_rings_after_the_gap() -> None:
    """1900-1929 and 1950-1989: the series is that of 1951-1989; a list with a gap is no series of consecutive years."""
    inner, outer = _core(1900, [2.0] * 30), _core(1950, [1.0] * 40, pith_distance_mm=80.0)
    series = growth_history([inner, outer]).series()
    assert np.asarray(series.years).tolist() == list(range(1951, 1990))  # by hand
    assert np.asarray(series.widths_mm) == pytest.approx(1.0)


def test_the_mean_ring_of_one_ring_is_that_ring() -> None:
    """One ring of 1.2 mm has a mean of 1.2 mm, not of 0."""
    assert "mean ring 1.20 mm" in growth_history([_core(2000, [1.2])]).sentence()  # by hand
