"""Tests of treeage.growth: radii, increments and past diameters against closed forms and worked examples."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from treeage.errors import InputError
from treeage.growth import (
    basal_area_increment,
    inside_bark_diameter,
    mean_radius,
    past_diameter_proportional,
    past_diameter_subtractive,
    ring_radii,
)

WIDTHS = st.lists(st.floats(0.0, 8.0), min_size=1, max_size=40)


def test_increment_of_one_ring() -> None:
    """A ring from 148 to 150 mm adds 18.72 square centimetres."""
    assert basal_area_increment([2.0], inner_radius_mm=148.0)[0] == pytest.approx(
        1872.4, abs=0.05
    )  # pi (150^2 - 148^2)


def test_increment_from_both_sides_agrees() -> None:
    """Building from the inside out and from the outside in gives the same increments."""
    widths = [2.0, 1.0, 0.0, 3.0]
    inside = basal_area_increment(widths, inner_radius_mm=4.0)
    outside = basal_area_increment(widths, outer_radius_mm=10.0)
    assert np.allclose(inside, outside)  # closed form
    assert inside.sum() == pytest.approx(np.pi * (10.0**2 - 4.0**2))  # closed form: the rings fill the annulus


def test_increment_carries_draws() -> None:
    """An array of radii gives one row of increments for each."""
    rows = basal_area_increment([1.0, 1.0], inner_radius_mm=[0.0, 10.0])
    assert np.allclose(rows / np.pi, [[1, 3], [21, 23]])  # hand sum


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        ({}, "neither radius.*mm"),
        ({"inner_radius_mm": 1.0, "outer_radius_mm": 9.0}, "both radii.*mm"),
        ({"outer_radius_mm": 2.0}, "got 2, need at least the 3 mm"),
        ({"inner_radius_mm": -1.0}, "got -1, need finite and at least 0"),
    ],
)
def test_increment_refuses(arguments: dict[str, float], match: str) -> None:
    """Wrong radii are named with their value."""
    with pytest.raises(InputError, match=match):
        basal_area_increment([1.0, 2.0], **arguments)


@pytest.mark.parametrize(("mean", "expected"), [("arithmetic", 160.0), ("quadratic", 161.25), ("geometric", 158.75)])
def test_mean_of_opposite_radii(mean: str, expected: float) -> None:
    """Radii of 180 and 140 mm: arithmetic is exact for a circle."""
    assert mean_radius([180.0, 140.0], mean=mean) == pytest.approx(expected, abs=0.006)  # square roots by hand


@pytest.mark.parametrize("cores", [4, 6, 12])
def test_quadratic_mean_is_exact_for_the_area_round_the_stem(cores: int) -> None:
    """Radii spread evenly round an off-centre pith recover the area by their quadratic mean only."""
    angle = 2 * np.pi * np.arange(cores) / cores
    offset, radius = 20.0, 160.0
    radii = offset * np.cos(angle) + np.sqrt(radius**2 - (offset * np.sin(angle)) ** 2)
    assert mean_radius(radii, mean="quadratic") == pytest.approx(radius, rel=1e-9)  # closed form: mean of r^2 is R^2
    assert mean_radius(radii) < radius - 0.5  # negative control: the arithmetic mean is too small


def test_arithmetic_mean_is_exact_for_opposite_radii_on_the_axis() -> None:
    """Two opposite radii through the pith and the centre make up the diameter."""
    assert mean_radius([160.0 + 20.0, 160.0 - 20.0]) == pytest.approx(160.0)  # closed form


def test_mean_with_a_core_that_has_not_begun() -> None:
    """A radius of 0 counts in every mean."""
    means = [float(mean_radius([0.0, 8.0], mean=kind)) for kind in ("arithmetic", "quadratic", "geometric")]
    assert means == pytest.approx([4.0, 32**0.5, 0.0])  # hand sum


def test_unknown_mean() -> None:
    """An unknown mean is named."""
    with pytest.raises(InputError, match="got harmonic, need one of arithmetic, quadratic, geometric"):
        mean_radius([1.0], mean="harmonic")


def test_past_diameters_of_the_worked_example() -> None:
    """300 mm inside bark: a short radius and a long one, by both methods."""
    assert past_diameter_proportional(30.0, radius_then_mm=90.0, radius_now_mm=130.0) == pytest.approx(
        20.77, abs=0.005
    )  # hand sum: 300 * 90 / 130
    assert past_diameter_subtractive(30.0, growth_since_mm=40.0) == pytest.approx(22.0)  # hand sum: 300 - 80
    assert past_diameter_proportional(30.0, radius_then_mm=10.0, radius_now_mm=170.0) == pytest.approx(
        1.765, abs=0.001
    )  # hand sum: 300 * 10 / 170
    assert np.isnan(past_diameter_subtractive(30.0, growth_since_mm=160.0))  # hand sum: -20 mm, must not be returned


def test_past_radius_beyond_the_present_is_refused() -> None:
    """Swapped radii are named."""
    with pytest.raises(InputError, match=r"got 140, need at most radius_now_mm \[mm\]"):
        past_diameter_proportional(30.0, radius_then_mm=140.0, radius_now_mm=130.0)


@given(widths=WIDTHS, distance=st.floats(0.0, 50.0))
def test_radii_rise_and_increments_are_not_negative(widths: list[float], distance: float) -> None:
    """Radii never fall and no ring takes wood away."""
    radii = ring_radii(widths, pith_distance_mm=distance)
    assert np.all(np.diff(radii) >= -1e-9)
    assert np.all(basal_area_increment(widths, inner_radius_mm=distance) >= 0)


@given(diameter=st.floats(1.0, 200.0), growth=st.floats(0.0, 2000.0))
def test_subtractive_is_never_negative(diameter: float, growth: float) -> None:
    """The subtractive method answers with a diameter of at least 0 or not at all."""
    past = past_diameter_subtractive(diameter, growth_since_mm=growth)
    assert np.isnan(past) or past >= 0


def test_both_methods_agree_for_a_centred_pith() -> None:
    """Where the core's radius is half the diameter, the two methods are the same."""
    radius, then = 150.0, 60.0
    proportional = past_diameter_proportional(30.0, radius_then_mm=then, radius_now_mm=radius)
    assert proportional == pytest.approx(past_diameter_subtractive(30.0, growth_since_mm=radius - then))  # closed form


def test_bark_is_passed_twice() -> None:
    """40.0 cm with 18 mm of bark is 36.4 cm inside."""
    assert inside_bark_diameter(40.0, 18.0) == pytest.approx(36.4)  # Douglas-fir, ratio 0.91, practice note
    with pytest.raises(InputError, match=r"got 250 mm, need less than half the diameter \[mm\]"):
        inside_bark_diameter(40.0, 250.0)


def test_bark_ratio_error_in_area() -> None:
    """A bark share of .097 instead of .116 overstates the inside-bark area by 4.3 %."""
    ratio = (inside_bark_diameter(100.0, 97.0 / 2) / inside_bark_diameter(100.0, 116.0 / 2)) ** 2
    assert ratio == pytest.approx(1.0434, abs=5e-5)  # hand sum: (.903 / .884)^2
