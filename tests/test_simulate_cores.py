"""Tests of virtual cores: geometry of the line, rings crossed, and the spread of hidden to visible widths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from treeage.simulate import Scenario, scenario
from treeage.simulate.trees import VirtualCores, core_line, draw_cores, draw_trees


def _draw(recipe: Scenario, seed: int) -> VirtualCores:
    rng = np.random.default_rng(seed)
    return draw_cores(recipe, draw_trees(recipe, rng), rng)


@given(st.floats(-60, 60), st.floats(-60, 60), st.floats(0, 360), st.floats(-10, 10))
def test_line_obeys_pythagoras(east: float, north: float, azimuth: float, aim: float) -> None:
    """Property: way to the nearest point and distance there make the distance from entry to pith."""
    one = np.ones(1)
    along, miss, own = core_line(
        np.array([[east, north]]), azimuth_deg=azimuth * one, aim_deg=aim * one, entry_mm=100 * one
    )
    assert np.hypot(along, miss)[0] == pytest.approx(own[0], rel=1e-9)


def test_perfect_aim_misses_by_the_offset_across() -> None:
    """A core from the side misses a pith that lies up the slope by the whole offset."""
    one = np.ones(1)
    along, miss, _ = core_line(np.array([[0.0, 13.0]]), azimuth_deg=0 * one, aim_deg=0 * one, entry_mm=100 * one)
    assert (float(along[0]), float(miss[0])) == (100.0, -13.0)  # plane geometry: heading south, the east is on the left
    along, miss, _ = core_line(np.array([[0.0, 13.0]]), azimuth_deg=90 * one, aim_deg=0 * one, entry_mm=100 * one)
    assert float(along[0]) == pytest.approx(87.0)  # plane geometry: along the slope the core meets the pith sooner
    assert float(miss[0]) == pytest.approx(0.0, abs=1e-9)


def test_missed_rings_and_distance_belong_together() -> None:
    """The distance is the sum of the missed widths; the visible widths add up to the rest of the own radius."""
    cores = _draw(scenario("mixed"), 1)
    for core in range(len(cores.distance_mm)):
        inner = cores.widths_mm[core, : cores.missed_rings[core]].sum()
        assert cores.distance_mm[core] == pytest.approx(inner, abs=1e-9)
        assert cores.widths_mm[core, cores.missed_rings[core]] > 0
        assert (cores.widths_mm[core, cores.sections.rings[core] :] == 0).all()
    assert (cores.distance_mm[cores.stop == "pith"] == 0).all()
    missing = cores.stop != "pith"
    assert (cores.distance_mm[missing] >= cores.miss_mm[missing] - 1e-9).all()


def test_length_distance_and_miss_are_one_triangle() -> None:
    """Length + rest to the nearest point, with the miss, gives the distance (Pythagoras)."""
    cores = _draw(scenario("short"), 2)
    own = cores.widths_mm.sum(axis=1)
    along = np.sqrt(own**2 - cores.miss_mm**2)  # plane geometry
    rest = np.hypot(along - cores.length_mm, cores.miss_mm)
    assert rest == pytest.approx(cores.distance_mm, rel=1e-9)


def test_cores_of_one_tree_share_section_and_pith_year() -> None:
    """Two cores at one height see one pith year and one mean radius; at two heights the lower has more rings."""
    cores = _draw(scenario("mixed"), 3)
    year, radius = cores.sections.pith_year.reshape(-1, 2), cores.radius_mm.reshape(-1, 2)
    assert (year[:, 0] == year[:, 1]).all()
    assert radius[:, 0] == pytest.approx(radius[:, 1])
    two = _draw(scenario("two_heights"), 3)
    rings = two.sections.rings.reshape(-1, 2)
    assert (rings[:, 1] >= rings[:, 0]).all()
    assert (rings[:, 1] > rings[:, 0]).mean() > 0.9


def test_radius_stays_in_a_plausible_range() -> None:
    """High-pasture trees of 30 to 230 rings are 3 to 80 cm thick (choice of the scenario)."""
    radius = _draw(replace(scenario("large"), trees=2000, plots=4), 4).radius_mm
    assert radius.min() > 10
    assert radius.max() < 600
    assert 60 < np.median(radius) < 180


def _log_ratios(cores: VirtualCores, distance_mm: float) -> np.ndarray:
    """Log of hidden mean width over the mean of the next ten rings, NaN where a core is too short."""
    out = np.full(cores.sections.rings.size, np.nan)
    for core, rings in enumerate(cores.sections.rings):
        widths = cores.widths_mm[core, :rings]
        total = np.cumsum(widths)
        last = int(np.searchsorted(total, distance_mm))
        if last > 0 and last + 21 <= rings and total[-1] > 2 * distance_mm:
            out[core] = np.log(total[last] / (last + 1) / widths[last + 1 : last + 11].mean())
    return out


def test_log_ratio_of_hidden_to_visible_width_is_that_of_real_wood() -> None:
    """Its spread is 0.34 to 0.41 at every distance, with heavy tails, most of it the core's own."""
    stands = [_draw(replace(scenario("pith"), trees=100), seed) for seed in range(12)]
    kurtosis = []
    for distance, real in ((2, 0.40), (5, 0.38), (10, 0.375), (20, 0.375), (40, 0.39)):
        # real: raw ring widths of 165 sites of the public international tree-ring archive, all with the same rule
        ratios = [_log_ratios(cores, distance).reshape(-1, 2) for cores in stands]
        pairs = np.concatenate([pair[np.isfinite(pair).all(axis=1)] for pair in ratios])
        assert pairs.std() == pytest.approx(real, abs=0.05)
        own = np.sqrt(((pairs[:, 0] - pairs[:, 1]) ** 2).mean() / 2)
        assert own == pytest.approx(0.31, abs=0.03)  # the same real widths: 0.30 to 0.33
        centred = pairs - pairs.mean()
        kurtosis.append((centred**4).mean() / (centred**2).mean() ** 2)
    assert 3.2 < np.mean(kurtosis) < 4.8  # the same real widths: 4.0 to 4.4


def test_first_differences_of_log_widths_are_those_of_real_wood() -> None:
    """Their standard deviation is near 0.33."""
    cores = _draw(scenario("pith"), 5)
    steps = [
        np.diff(np.log(widths[widths > 0])).std()
        for widths, rings in zip(cores.widths_mm, cores.sections.rings, strict=True)
        if rings > 60
    ]
    assert np.median(steps) == pytest.approx(0.334, abs=0.03)  # median of the same real widths


def test_absent_rings_come_at_the_stated_rate() -> None:
    """About 1 in 240 rings, times the factors of crown class and species."""
    recipe = replace(scenario("pith"), trees=250)
    rates, crowns = [], []
    for seed in range(6):  # several stands, because the yearly signal is shared within one
        rng = np.random.default_rng(seed)
        trees = draw_trees(recipe, rng)
        cores = draw_cores(recipe, trees, rng)
        inside = np.arange(cores.widths_mm.shape[1]) < cores.sections.rings[:, None]
        rates.append(((cores.widths_mm == 0) & inside).sum(axis=1) / cores.sections.rings)
        crowns.append(trees.crown_index[cores.sections.tree])
    rate, crown = np.concatenate(rates), np.concatenate(crowns)
    expected = np.array([0.5, 0.8, 2.0, 5.0]) * 1.5 / 240  # St. George et al. 2013 times crown and larch factors
    found = np.array([rate[crown == index].mean() for index in range(4)])
    assert found == pytest.approx(expected, rel=0.25)
    assert found[3] > found[2] > found[0]  # order of Lorimer, Dahir & Singer 1999


def test_opposite_cores_deviate_oppositely_where_asked() -> None:
    """Log ratios of each core to its section: opposite cores correlate by minus the share that goes as the cosine of
    the azimuth, those at a right angle by nothing; the outer rings keep their share of the spread."""
    demo = scenario("demo")
    still = replace(demo.wood, core_year_sd=0.0, tail_df=1000.0)
    for share, angle in ((0.0, 180.0), (0.5, 180.0), (0.5, 90.0)):
        wood = replace(still, core_aside=share, core_outer=0.5)
        recipe = replace(demo, trees=400, wood=wood, coring=replace(demo.coring, angle_deg=angle))
        cores = _draw(recipe, 3)
        at = 60
        old = cores.sections.rings > at + 1
        ratio = np.log(np.maximum(cores.widths_mm, 1e-9) / np.maximum(cores.section_mm, 1e-9))
        both = np.where(old & (cores.widths_mm[:, at] > 0), ratio[:, at] - ratio[:, 0], np.nan).reshape(-1, 2)
        both = both[np.isfinite(both).all(axis=1)]
        assert np.corrcoef(both.T)[0, 1] == pytest.approx(share * np.cos(np.deg2rad(angle)), abs=0.13)
        # nearly apart after 60 rings: exp(-ln(68 / 8) / 0.45) = 0.01; outer share 0.5 + 0.5 exp(-2)
        assert both.std() == pytest.approx(0.32 * np.hypot(1.0, 0.5 + 0.5 * np.exp(-2)), rel=0.1)
