"""Coverage of the whole estimate on thousands of virtual trees: nominal inside its model, close to it outside."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from treeage.estimate import cores as estimate_cores
from treeage.estimate import estimate_ages
from treeage.simulate import scenario, simulate_from_model, simulate_stand
from treeage.validate import Validation, validate_stands

pytestmark = pytest.mark.slow

ALONE = partial(estimate_ages, from_stand=False, from_pairs=False)  # the model of simulate_from_model
TREES = 250  # choice: several stands, so that seedlings and stands are drawn often


def _from_model(name: str, stands: int, *, cores: int = 2, angle_deg: float = 90.0) -> Validation:
    base = scenario(name)
    coring = replace(base.coring, cores_per_tree=cores, angle_deg=angle_deg)
    recipe = replace(base, trees=TREES, coring=coring)
    return validate_stands([simulate_from_model(recipe, seed=1000 + seed) for seed in range(stands)], estimate=ALONE)


@pytest.mark.parametrize("name", ["pith", "arcs", "short", "rot", "counted", "mixed"])
def test_intervals_cover_at_their_nominal_rate_inside_the_model(name: str) -> None:
    """50, 80, 90 and 95 % intervals lie within 2 points of their promise, 5,000 trees."""
    checked = _from_model(name, 20)
    assert checked.dated == 20 * TREES
    off = (checked.coverage["covered"] - checked.coverage["prob"]).abs()
    assert off.max() < 0.02, (
        checked.coverage.to_string()
    )  # the target is 0.015; chance alone moves the 50 % share by 0.018 at most
    assert checked.ranks["within"].mean() >= 0.8


@pytest.mark.parametrize(
    ("name", "cores", "angle_deg"),
    [("mixed", 1, 0.0), ("short", 2, 180.0)],  # two heights: the next test, by stands
)
def test_other_layouts_cover_inside_the_model(name: str, cores: int, angle_deg: float) -> None:
    """One core a tree, and opposite cores that share a diameter, 1,000 trees."""
    checked = _from_model(name, 4, cores=cores, angle_deg=angle_deg)
    assert checked.coverage["within"].all(), checked.coverage.to_string()


def test_cores_at_two_heights_cover_inside_the_model() -> None:
    """Trees of one stand teach each other the height model: 60 stands of 20 trees, with a band for stands."""
    base = scenario("two_heights")
    recipe = replace(base, trees=20, coring=replace(base.coring, angle_deg=90.0))
    stands = [simulate_from_model(recipe, seed=4000 + seed, shared_by="stand") for seed in range(60)]
    checked = validate_stands(stands, estimate=ALONE)
    for prob in (0.5, 0.8, 0.9, 0.95):
        tail = (1 - prob) / 2
        middle = (checked.scores["rank_low"] + checked.scores["rank_high"]) / 2
        by_stand = ((middle > tail) & (middle < 1 - tail)).groupby(checked.scores["stand"]).mean()
        covered = checked.coverage.set_index("prob")["covered"][prob]
        assert abs(covered - prob) < 3 * by_stand.std() / np.sqrt(60), checked.coverage.to_string()


def test_arcs_taken_as_exact_fail(monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: with arcs read as exact distances the intervals are too narrow."""
    exact = estimate_cores.arc_likelihood

    def sharp(chord_mm: object, rise_mm: object, arc_sd_mm: object = None, *, beyond_mm: object = 0.0) -> np.ndarray:
        likelihood = exact(chord_mm, rise_mm, arc_sd_mm, beyond_mm=beyond_mm)  # type: ignore[arg-type]
        return np.where(likelihood >= likelihood.max(axis=1, keepdims=True), 1.0, 1e-12)

    base = scenario("arcs")
    reading = replace(base.reading, arc_sd_mm=0.5, template_share=0.0, ray_share=0.0, direct_share=0.0)
    recipe = replace(base, trees=TREES, reading=reading, coring=replace(base.coring, cores_per_tree=1))
    stands = [simulate_from_model(recipe, seed=2000 + seed) for seed in range(4)]
    assert validate_stands(stands, estimate=ALONE).coverage["within"].all()
    monkeypatch.setattr(estimate_cores, "arc_likelihood", sharp)
    assert not validate_stands(stands, estimate=ALONE).coverage["within"].all()


@pytest.mark.parametrize("name", ["pith", "arcs", "short", "rot", "counted", "mixed"])
def test_intervals_stay_honest_outside_the_model(name: str) -> None:
    """On geometric stands, which do not follow the model, 90 % intervals hold between 80 and 99 % of the trees."""
    recipe = replace(scenario(name), trees=TREES)
    checked = validate_stands([simulate_stand(recipe, seed=3000 + step) for step in range(4)])
    covered = checked.coverage.set_index("prob")["covered"]
    assert 0.80 < covered[0.9] < 0.99, checked.coverage.to_string()
