"""Units, signs and geometry from what is seen on a core to its missed rings: fields that must agree by a hand sum.

A core whose distance was read directly (`distance_mm`) is the measure: whatever else tells the same distance to the
pith must give about the same number of missed rings, and the same wood described in two ways must give exactly the
same.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from field_cases import SURE

from treeage import Pmf, arc_radius, estimate_ages
from treeage.tables import Field, Settings

CORE = {"tree": "A1", "core": "a", "outer_year": 2024, "rings_counted": 40, "dating": "crossdated"}
CORE |= {"inner_end": "arcs", "core_height_m": 1.0}


def missed(
    tree: dict[str, Any] | None = None,
    *,
    widths: Any = 1.0,
    arcs: list[tuple[int, float, float]] = [],  # noqa: B006 -- never changed
    points: list[tuple[int, float, float]] = [],  # noqa: B006
    more: list[dict[str, Any]] = [],  # noqa: B006
    beside: dict[str, Any] | None = None,
    site: dict[str, Any] | None = None,
    **core: Any,
) -> Pmf:
    """Missed rings of the first core of a tree with a ring table of one width, or a list, innermost first [mm].

    `more` are other cores of the tree, `beside` is a tree without cores in the same table.
    """
    rows = [{"tree": "A1"} | (tree or {}), *([{"tree": "B2"} | beside] if beside else [])]
    trees = pd.DataFrame([{"species": "Larix decidua"} | row for row in rows])
    cores = pd.DataFrame([CORE | core, *(CORE | other for other in more)])
    size = CORE["rings_counted"]
    rings = pd.DataFrame({"tree": "A1", "core": "a", "ring": range(1, size + 1), "width_mm": np.full(size, widths)})
    marked = pd.DataFrame(arcs, columns=["ring", "chord_mm", "rise_mm"]).assign(tree="A1", core="a")
    dots = pd.DataFrame(points, columns=["ring", "x_mm", "y_mm"]).assign(tree="A1", core="a")
    settings = Settings(height={"default": {"model": "none"}}, doubt=SURE, **(site or {}))
    field = Field.from_frames(
        trees, cores, rings, arcs=marked if arcs else None, points=dots if points else None, settings=settings
    )
    return estimate_ages(field)["A1"].missed_rings


def read_at(distance_mm: float, **more: Any) -> float:
    """Mean missed rings of a core whose distance was read with an error of 3 %."""
    return missed(distance_mm=distance_mm, distance_sd_mm=0.03 * distance_mm, **more).mean()


def same(one: Pmf, other: Pmf) -> bool:
    """Whether two mass functions are the same but for the last digits."""
    size = max(one.stop, other.stop) + 1
    return float(np.abs(one.on(0, size) - other.on(0, size)).sum()) < 1e-5


READ = {"distance_mm": 10.0, "distance_sd_mm": 0.5}
STEM = {"core_diameter_cm": 40.0, "bark_mm": 20.0, "bark_sd_mm": 1.0}  # 200 mm outside, 180 mm inside the bark


# ------------------------------------------------------------------ tilt, shrinkage


def test_widths_of_a_tilted_core_are_made_horizontal():
    """Rings of 2 mm along a core tilted by 60 degrees are 2 x cos 60 = 1 mm wide; the sign of the tilt is nothing."""
    level = missed(**READ)
    assert same(missed(**READ, widths=2.0, tilt_deg=60.0), level)
    assert same(missed(**READ, widths=2.0, tilt_deg=-60.0), level)
    assert not same(missed(**READ, widths=2.0), level)


def test_the_length_of_a_tilted_core_is_made_horizontal():
    """240 mm at 60 degrees reach 240 x cos 60 = 120 mm in."""
    short = {"inner_end": "broken"}
    level = missed(STEM, **short, core_length_mm=120.0)
    assert same(missed(STEM, **short, core_length_mm=240.0, tilt_deg=60.0, widths=2.0), level)
    assert not same(missed(STEM, **short, core_length_mm=60.0), level)


def test_dry_widths_are_made_green():
    """20 % shrinkage: a green ring of 1 mm dries to 0.8 mm."""
    assert same(missed(**READ, widths=0.8, site={"shrinkage_percent": 20.0}), missed(**READ))


def test_the_green_length_is_not_corrected_again():
    """The length was taken on the fresh core: shrinkage touches the widths alone."""
    short = {"inner_end": "broken", "core_length_mm": 120.0}
    assert same(missed(STEM, **short, widths=0.8, site={"shrinkage_percent": 20.0}), missed(STEM, **short))


# ------------------------------------------------------------------ diameter, bark, taper


def test_bark_is_single_and_diameters_are_outside_it():
    """40 cm outside, 20 mm bark on each side: 200 - 20 = 180 mm, as 36 cm without bark."""
    short = {"inner_end": "broken", "core_length_mm": 120.0}
    bare = {"core_diameter_cm": 36.0, "bark_mm": 0.0, "bark_sd_mm": 1.0}
    assert same(missed(STEM, **short), missed(bare, **short))


def test_radius_less_length_is_the_distance():
    """180 - 120 = 60 mm, with centimetres of diameter and millimetres of core, within the width of the method."""
    answer = missed(STEM, inner_end="broken", core_length_mm=120.0).mean()
    assert read_at(60.0) == pytest.approx(answer, rel=0.15)
    assert missed(STEM, inner_end="broken", core_length_mm=170.0).mean() < 0.6 * answer


def test_diameter_at_another_height_is_carried_down():
    """30 cm at 2 m, taper 1 cm/m: 32 cm at the collar, 28 cm at 4 m less the bark; nearly as if measured there."""
    short = {"inner_end": "broken", "core_length_mm": 90.0, "core_height_m": 0.0}
    bark = {"bark_mm": 10.0, "bark_sd_mm": 1.0}
    carried = missed({"dbh_cm": 30.0, "dbh_height_m": 2.0} | bark, **short).mean()
    down, up = (missed({"core_diameter_cm": size} | bark, **short).mean() for size in (32.0, 28.0))
    assert abs(carried - down) < 0.3 * abs(carried - up)


@pytest.mark.parametrize("beside", [None, {"dbh_height_m": 1.0}], ids=["no column", "empty cell"])
def test_breast_height_is_where_the_site_says(beside):
    """Without dbh_height_m the diameter stands at breast_height_m: 30 cm at 1.6 m are 31.6 cm at the collar."""
    short = {"inner_end": "broken", "core_length_mm": 90.0, "core_height_m": 0.0}
    bark = {"bark_mm": 10.0, "bark_sd_mm": 1.0, "dbh_cm": 30.0}
    told = missed(bark | {"dbh_height_m": 1.6}, **short)
    assert same(missed(bark, **short, beside=beside, site={"breast_height_m": 1.6}), told)
    assert not same(missed(bark, **short, beside=beside, site={"breast_height_m": 1.0}), told)


# ------------------------------------------------------------------ arcs, circles, rays, points


def test_an_arc_of_chord_8_and_rise_2_has_radius_5():
    """3-4-5 triangle: L^2 / 8h + h / 2 = 64 / 16 + 1 = 5 mm; half a circle has rise = radius."""
    assert float(arc_radius(8.0, 2.0)) == 5.0
    assert float(arc_radius(6.0, 3.0)) == 3.0
    assert missed(chord_mm=8.0, rise_mm=2.0).mean() == pytest.approx(read_at(5.0), rel=0.06)


@pytest.mark.parametrize("ring", [1, 6])
def test_an_arc_lies_at_the_inner_boundary_of_its_ring(ring):
    """Five rings of 4 mm lie inside ring 6: its arc of radius 30 (chord 16, rise 30 - sqrt(900 - 64) = 1.086) is
    30 - 20 = 10 mm from the pith at ring 1; the arc of ring 1 with that radius is 30 mm from it."""
    rise = 30 - np.sqrt(900 - 64)
    found = missed(arcs=[(ring, 16.0, rise)], widths=4.0).mean()
    expected = {1: 30.0, 6: 10.0}[ring]
    assert found == pytest.approx(read_at(expected, widths=4.0), rel=0.2)  # +- 3 mm, skewed outwards


def test_two_arcs_of_one_core_agree_on_its_pith():
    """Arcs of ring 1 (radius 10, chord 12, rise 10 - 8 = 2) and of ring 6, five rings of 4 mm farther out (30)."""
    rise = 30 - np.sqrt(900 - 64)
    found = missed(arcs=[(1, 12.0, 2.0), (6, 16.0, rise)], widths=4.0).mean()
    assert found == pytest.approx(read_at(10.0, widths=4.0), rel=0.06)


def test_a_circle_is_read_to_half_a_step():
    """Radius 40 between circles 20 mm apart, rings 10 % out of round: SD = sqrt(10^2 + 4^2) = 10.8 mm."""
    found = missed(circle_radius_mm=40.0, circle_step_mm=20.0, inner_end="rot")  # no arc was looked for
    like = missed(distance_mm=40.0, distance_sd_mm=np.hypot(10.0, 4.0), inner_end="rot")
    assert found.mean() == pytest.approx(like.mean(), rel=0.05)
    assert found.sd() == pytest.approx(like.sd(), rel=0.08)


@pytest.mark.parametrize(("gap", "angle", "distance"), [(10.0, 90.0, 5.0), (4.0, 22.62, 10.0)])
def test_rays_meet_at_half_the_gap_over_the_tangent_of_half_the_angle(gap, angle, distance):
    """Gap 10 and 90 degrees: 5 / tan 45 = 5 mm; gap 4 and 22.62 degrees: 2 / tan 11.31 = 2 / 0.2 = 10 mm."""
    found = missed(ray_gap_mm=gap, ray_angle_deg=angle, ray_angle_sd_deg=0.5)
    assert found.mean() == pytest.approx(read_at(distance), rel=0.06)


@pytest.mark.parametrize("ring", [1, 4])
def test_digitised_boundaries_curve_round_the_pith(ring):
    """Points of a circle of radius 20 round the pith: 20 mm away at ring 1, three rings of 4 mm less at ring 4."""
    across = np.linspace(-8, 8, 9)
    along = 20.0 - np.sqrt(400.0 - across**2)  # apex at 0, the pith at larger x
    dots = [(0, 0.0, 0.0), *((ring, float(x), float(y)) for x, y in zip(along, across, strict=True))]
    expected = {1: 20.0, 4: 8.0}[ring]
    assert missed(points=dots, widths=4.0).mean() == pytest.approx(read_at(expected, widths=4.0), rel=0.12)


def test_a_distance_without_an_error_is_known_to_fifteen_percent():
    """40 mm: SD 0.15 x 40 = 6 mm; 4 mm: SD at least 1 mm (choice)."""
    assert same(missed(distance_mm=40.0), missed(distance_mm=40.0, distance_sd_mm=6.0))
    assert same(missed(distance_mm=4.0), missed(distance_mm=4.0, distance_sd_mm=1.0))


# ------------------------------------------------------------------ what is not seen, where the pith is off centre


def test_no_arcs_put_the_pith_farther_away():
    """180 - 170 = 10 mm: at that distance rings would bend, and none is seen; rot or a break say nothing of it."""
    ends = {end: missed(STEM, core_length_mm=170.0, inner_end=end).mean() for end in ("no_arcs", "rot", "broken")}
    assert ends["rot"] == pytest.approx(ends["broken"], rel=1e-6)
    near, far = (missed(STEM, core_length_mm=length, inner_end="no_arcs").mean() for length in (178.0, 150.0))
    assert near > 15  # 2 mm by the length alone, but rings would bend there: the core passed beside the pith
    assert far > near


def test_an_eccentric_pith_widens_radius_less_length():
    """The pith is 13 % of 180 mm = 23.4 mm off on average: a Rayleigh length of 23.4 / sqrt(pi / 2) = 18.7 mm an axis,
    with 3.7 mm of girth and bark 19.0 mm; variances add to that of a known distance of 62 mm (the mean of r)."""
    answer, known = missed(STEM, inner_end="broken", core_length_mm=120.0), missed(distance_mm=62.0, distance_sd_mm=1.0)
    rings_per_mm = known.mean() / 62.0
    added = np.sqrt(answer.var() - known.var())
    assert added == pytest.approx(19.0 * rings_per_mm, rel=0.25)  # and both meanings of a length


@pytest.mark.parametrize(("apart", "shared"), [(180.0, True), (90.0, False)])
def test_opposite_cores_see_one_pith(apart, shared):
    """Two cores of 130 mm in 180 mm from opposite sides leave 360 - 260 = 100 mm: what one misses more the other misses
    less. They begin 20 rings apart, so both parts are told and the date is narrower than from two piths that are off
    centre by chance; at a right angle each core sees its own part of the offset."""
    short = {"inner_end": "broken", "core_length_mm": 130.0}
    other = {"core": "b", "rings_counted": 60, **short}
    pair = missed(STEM, **short, azimuth_deg=0.0, more=[other | {"azimuth_deg": apart}])
    free = missed(STEM, **short, more=[other])
    if shared:
        # free cores grow rarer the farther they stop, which joint places leave out: so only about as narrow
        assert pair.sd() < 1.1 * free.sd()
        # the first core misses 20 rings more: an eccentric pith does that to opposite ends, not to ends side by side
        beside = missed(STEM, **short, azimuth_deg=0.0, more=[other | {"azimuth_deg": 0.0}])
        assert beside.mean() < pair.mean()
    else:
        assert same(pair, free)
