"""Tests of what is written down about virtual cores: counts, widths, arcs, other readings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from treeage.counting import count_error
from treeage.distance import arc_radius
from treeage.simulate import scenario
from treeage.simulate.reading import read_series, read_traces, true_chord
from treeage.simulate.trees import Reading, draw_cores, draw_trees


@given(st.integers(0, 2**32 - 1), st.sampled_from(["lab_count", "field_count"]), st.integers(20, 150))
def test_count_error_is_true_minus_counted_and_wood_is_conserved(seed: int, dating: str, rings: int) -> None:
    """Property: merging and splitting change the count as stated and keep the summed width."""
    rng = np.random.default_rng(seed)
    widths = rng.lognormal(0, 0.4, rings)
    widths[rng.random(rings) < 0.05] = 0.0
    widths[0] = 1.0
    reading = Reading(lab_mistakes=(0.05, 0.05), field_mistakes=(0.2, 0.1), false_share=0.1)
    series = read_series(widths, first_ring=3, dating=dating, reading=reading, genus="Larix", rng=rng)
    assert series.count_error == rings - series.widths_mm.size
    assert series.widths_mm.sum() == pytest.approx(widths.sum())
    kinds = [kind for kind, _ in series.events]
    gained = kinds.count("split") + kinds.count("false")
    assert kinds.count("absent") + kinds.count("merged") - gained == series.count_error
    assert (series.widths_mm > 0).all()


def test_crossdated_core_is_exact() -> None:
    """Absent rings stay as zeros, nothing is merged or split."""
    widths = np.array([1.0, 0.0, 2.0])
    series = read_series(
        widths, first_ring=1, dating="crossdated", reading=Reading(), genus="Larix", rng=np.random.default_rng(0)
    )
    assert series.count_error == 0
    assert series.widths_mm.tolist() == [1.0, 0.0, 2.0]
    assert series.events == (("absent", 2),)  # hand: the second of three rings is the second from the bark


@pytest.mark.parametrize("dating", ["lab_count", "field_count"])
def test_default_count_error_follows_the_counting_module(dating: str) -> None:
    """Mean and middle of the drawn errors are those of the mass function."""
    rng = np.random.default_rng(1)
    reading = Reading(count_error="default")
    widths = np.ones(120)
    drawn = np.array(
        [
            read_series(widths, first_ring=1, dating=dating, reading=reading, genus="Larix", rng=rng).count_error
            for _ in range(1500)
        ]
    )
    stated = count_error(120, dating, genus="Larix", mean_width_mm=1.0)
    below = [(drawn <= value).mean() for value in (0, 2, 5)]
    assert below == pytest.approx([stated.cdf(value) for value in (0, 2, 5)], abs=0.045)  # 3.5 standard errors


def test_field_counts_are_too_low_more_often_than_too_high() -> None:
    """Events and mistakes leave a field count short on average."""
    rng = np.random.default_rng(2)
    drawn = np.array(
        [
            read_series(
                np.ones(150), first_ring=5, dating="field_count", reading=Reading(), genus="Larix", rng=rng
            ).count_error
            for _ in range(800)
        ]
    )
    assert drawn.mean() > 1
    assert (drawn > 0).mean() > 2 * (drawn < 0).mean()  # Weisberg & Swanson 2001, abstract: dates 1 to 16 yr too recent


def test_chord_across_a_core_that_stops_short_is_its_width() -> None:
    """A boundary met head on spans the core's diameter."""
    chord = true_chord(np.array([50.0]), np.array([0.0]), np.array([False]), 2.5)
    assert chord[0] == pytest.approx(5.0)  # plane geometry


def test_chord_of_a_whole_arc_lies_along_the_core() -> None:
    """A core of 5 mm that passes at 10 mm shows the ring of 11 mm radius as an arc with its chord at 7.5 mm."""
    chord = true_chord(np.array([11.0]), np.array([10.0]), np.array([True]), 2.5)
    assert chord[0] == pytest.approx(2 * (11.0**2 - 7.5**2) ** 0.5)  # Pythagoras


def _readings(share: dict[str, float], *, noise: bool) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    base = scenario("arcs")
    quiet = {} if noise else {"arc_sd_mm": 1e-9, "roundness_sd": 0.0}
    reading = replace(base.reading, template_share=0.0, ray_share=0.0, direct_share=0.0)
    recipe = replace(base, trees=600, reading=replace(reading, **share, **quiet))
    rng = np.random.default_rng(3)
    cores = draw_cores(recipe, draw_trees(recipe, rng), rng)
    traces = read_traces(recipe, cores, rng)
    rows = traces.inner_end == "arcs"
    return cores.distance_mm[rows], {name: values[rows] for name, values in traces.columns.items()}


def test_arcs_point_at_the_true_distance() -> None:
    """Without errors of rise and roundness the arc gives the distance; with them it scatters about it."""
    distance, columns = _readings({}, noise=False)
    assert np.isfinite(columns["chord_mm"]).all()
    error = np.log(arc_radius(columns["chord_mm"], np.maximum(columns["rise_mm"], 0.01)) / distance)
    assert np.median(np.abs(error)) < 0.03  # only the error of the chord, 0.1 mm, is left
    distance, columns = _readings({}, noise=True)
    error = np.log(arc_radius(columns["chord_mm"], np.maximum(columns["rise_mm"], 0.01)) / distance)
    assert abs(np.median(error)) < 0.03
    assert 0.02 < np.median(np.abs(error)) < 0.25


def test_rays_circles_and_direct_distances_scatter_about_the_truth() -> None:
    """Each way of reading is unbiased in the middle within its own error."""
    distance, columns = _readings({"ray_share": 1.0}, noise=True)
    near = distance < 20
    ratio = columns["ray_gap_mm"] / 2 / np.tan(np.deg2rad(columns["ray_angle_deg"]) / 2) / distance  # closed form
    assert np.median(ratio[near]) == pytest.approx(1.0, abs=0.06)
    distance, columns = _readings({"template_share": 1.0}, noise=True)
    assert np.median(columns["circle_radius_mm"] - distance) == pytest.approx(0.0, abs=0.4)
    assert (columns["circle_radius_mm"] % 2 == 0).all()  # the step of the template is 2 mm
    distance, columns = _readings({"direct_share": 1.0}, noise=True)
    pull = (columns["distance_mm"] - distance) / columns["distance_sd_mm"]
    inside = distance > 5  # nearer, readings are cut at 0.5 mm
    assert pull[inside].std() == pytest.approx(1.0, abs=0.1)
    assert pull[inside].mean() == pytest.approx(0.0, abs=0.15)
