"""Coverage of the whole estimate on thousands of virtual trees: nominal inside its model, close to it outside."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from treeage import priors
from treeage.distance import ends
from treeage.estimate import estimate_ages
from treeage.simulate import SimulatedStand, scenario, simulate_from_model, simulate_stand
from treeage.validate import Validation, validate_stands

pytestmark = pytest.mark.slow

ALONE = partial(estimate_ages, from_stand=False, from_pairs=False)  # the model of simulate_from_model
TREES = 40  # choice: many stands, so that what a stand shares is drawn often


def _stands(name: str, stands: int, *, cores: int = 2, angle_deg: float = 90.0) -> list[SimulatedStand]:
    base = scenario(name)
    coring = replace(base.coring, cores_per_tree=cores, angle_deg=angle_deg)
    recipe = replace(base, trees=TREES, coring=coring)
    return [simulate_from_model(recipe, seed=1000 + seed) for seed in range(stands)]


def _within(checked: Validation, stands: int, least: float) -> None:
    """Coverage within `least` of its promise, or within three standard errors between stands, which share errors."""
    middle = (checked.scores["rank_low"] + checked.scores["rank_high"]) / 2
    for prob, covered in zip(checked.coverage["prob"], checked.coverage["covered"], strict=True):
        tail = (1 - prob) / 2
        by_stand = ((middle > tail) & (middle < 1 - tail)).groupby(checked.scores["stand"]).mean()
        assert abs(covered - prob) < max(least, 3 * by_stand.std() / np.sqrt(stands)), checked.coverage.to_string()


@pytest.mark.parametrize("name", ["pith", "arcs", "short", "rot", "counted", "mixed"])
def test_intervals_cover_at_their_nominal_rate_inside_the_model(name: str) -> None:
    """50, 80, 90 and 95 % intervals keep their promise, 640 trees in 16 stands with shared errors."""
    checked = validate_stands(_stands(name, 16), estimate=ALONE)
    assert checked.dated == 16 * TREES
    _within(checked, 16, 0.03)
    assert checked.ranks["within"].mean() >= 0.6  # bands of independent trees, which these are not


@pytest.mark.parametrize(("name", "cores", "angle_deg"), [("mixed", 1, 0.0), ("short", 2, 180.0)])
def test_other_layouts_cover_inside_the_model(name: str, cores: int, angle_deg: float) -> None:
    """One core a tree, and opposite cores that share a diameter, 400 trees in 10 stands."""
    _within(validate_stands(_stands(name, 10, cores=cores, angle_deg=angle_deg), estimate=ALONE), 10, 0.04)


def test_the_mean_date_of_a_stand_keeps_its_promise_and_only_with_shared_errors() -> None:
    """Mean establishment date of 40 stands: error over stated sd is 1; with the trees drawn apart it is not."""
    rng, shared, apart = np.random.default_rng(7), [], []
    for stand in _stands("mixed", 40, cores=1):
        draws = ALONE(stand.field()).draws(1000, seed=1).to_pandas()
        truth = stand.truth["trees"].set_index("tree")["establishment_year"].loc[draws.columns].mean()
        mean = draws.to_numpy().mean(axis=1)
        alone = np.column_stack([rng.permutation(column) for column in draws.to_numpy().T]).mean(axis=1)
        shared.append((mean.mean() - truth) / mean.std())
        apart.append((alone.mean() - truth) / alone.std())
    spread, wrong = np.std(shared), np.std(apart)
    assert 0.75 < spread < 1.3  # 1 within three standard errors, 0.11 each
    assert abs(np.mean(shared)) < 0.5
    assert np.mean(np.abs(shared) < 1.645) >= 0.8  # 90 % but for chance: binomial(40, 0.9) is at least 32 in 99.6 %
    assert wrong > 1.25 * spread  # the control: errors taken as independent promise too much


def test_cores_at_two_heights_cover_inside_the_model() -> None:
    """Trees of one stand teach each other the height model: 30 stands of 20 trees, with a band for stands."""
    base = scenario("two_heights")
    recipe = replace(base, trees=20, coring=replace(base.coring, angle_deg=90.0))
    stands = [simulate_from_model(recipe, seed=4000 + seed, shared_by="stand") for seed in range(30)]
    checked = validate_stands(stands, estimate=ALONE)
    for prob in (0.5, 0.8, 0.9, 0.95):
        tail = (1 - prob) / 2
        middle = (checked.scores["rank_low"] + checked.scores["rank_high"]) / 2
        by_stand = ((middle > tail) & (middle < 1 - tail)).groupby(checked.scores["stand"]).mean()
        covered = checked.coverage.set_index("prob")["covered"][prob]
        assert abs(covered - prob) < 3 * by_stand.std() / np.sqrt(30), checked.coverage.to_string()


def test_arcs_taken_as_exact_fail(monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: with arcs read as exact distances the intervals are too narrow."""
    exact = ends.smoothed_arcs

    def sharp(readings: np.ndarray, bias: float, spread: float) -> np.ndarray:
        likelihood = exact(readings, bias, spread)
        return np.where(likelihood >= likelihood.max(axis=1, keepdims=True), 1.0, 1e-12)

    base = scenario("arcs")
    reading = replace(base.reading, arc_sd_mm=0.5, template_share=0.0, ray_share=0.0, direct_share=0.0)
    recipe = replace(base, trees=TREES, reading=reading, coring=replace(base.coring, cores_per_tree=1))
    stands = [simulate_from_model(recipe, seed=2000 + seed) for seed in range(10)]
    _within(validate_stands(stands, estimate=ALONE), 10, 0.03)
    monkeypatch.setattr(ends, "smoothed_arcs", sharp)
    assert not validate_stands(stands, estimate=ALONE).coverage["within"].all()


@pytest.mark.parametrize("name", ["pith", "arcs", "short", "rot", "counted", "mixed"])
def test_intervals_stay_honest_outside_the_model(name: str) -> None:
    """On geometric stands, which do not follow the model, 90 % intervals hold between 80 and 99 % of the trees."""
    recipe = replace(scenario(name), trees=TREES)
    checked = validate_stands([simulate_stand(recipe, seed=3000 + step) for step in range(4)])
    covered = checked.coverage.set_index("prob")["covered"]
    assert 0.80 < covered[0.9] < 0.99, checked.coverage.to_string()


# ------------------------------------------------------------------ simulation-based calibration of the whole chain
# p limits were set before any run: all quantities of one test together are wrongly rejected once in a hundred

FAMILY = 0.01


@pytest.fixture(scope="module")
def sbc() -> Iterator[Any]:
    """The script of tests/fitting."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(Path(__file__).parents[1] / "fitting"))
        import sbc

        yield sbc


def _rejected(sbc: Any, found: pd.DataFrame) -> set[str]:
    """Quantities whose ranks are not even, by their bins or by their distribution function."""
    told = sbc.summary(found).set_index("quantity")
    return set(told.index[(told[["p_bins", "p_distribution"]] < FAMILY / (2 * len(told))).any(axis=1)])


def test_truths_rank_evenly_in_the_posterior_of_the_exact_engine(sbc: Any) -> None:
    """100 stands drawn from the prior: dates of trees, the mean date of the stand, and all that trees share."""
    found = pd.DataFrame([sbc.run_stand("exact", 3, number) for number in range(100)])
    assert _rejected(sbc, found) == set()
    assert 0.88 < found["covered"].mean() < 0.96  # whole years: 90 % intervals hold a little more


@pytest.mark.parametrize("together", [True, False], ids=["shared", "each tree its own"])
def test_errors_that_are_not_shared_are_found_out_by_the_mean_of_the_stand_alone(sbc: Any, together: bool) -> None:
    """Control: what a stand shares is drawn for each tree. Trees hold; the mean date lies too near to the middle.

    All crossdated, cored at 1 m and mostly to the pith, so that the shared part of the years to that height weighs.
    """
    found = []
    for number in range(60):
        rng = np.random.default_rng([4, number])
        with priors.replaced({"pith_again": 0.9, "pith_again_log_sd": 0.01}):  # of the world and of the engine
            stand = sbc.draw_stand(rng, 24, together=together, sure=True)
            found.append(sbc.ranks_of(stand, estimate_ages(stand.field), rng))
    assert _rejected(sbc, pd.DataFrame(found)) == (set() if together else {"mean date of the stand"})


@pytest.mark.parametrize(
    ("world", "engine", "quantity"),
    [
        ({"arc_bias_sd": 0.32}, {}, "arc_bias"),
        ({}, dict.fromkeys(("own_growth", "tree_growth", "stand_growth"), 0.25), "growth near the pith"),
    ],
    ids=["bias of arcs four times", "narrow missed rings"],
)
def test_a_wrong_model_is_rejected(sbc: Any, world: dict[str, float], engine: dict[str, float], quantity: str) -> None:
    """Controls: a stand of another world than the engine believes in."""
    found = []
    for number in range(40):
        rng = np.random.default_rng([5, number])
        with priors.replaced(world):
            stand = sbc.draw_stand(rng)
        with priors.replaced(engine):
            found.append(sbc.exact_ranks(stand, rng))
    assert quantity in _rejected(sbc, pd.DataFrame(found))


@pytest.mark.filterwarnings("ignore:PyTensor could not link:UserWarning")
def test_the_learned_layer_is_ranked_by_the_same_script(sbc: Any) -> None:
    """A few stands only: hundreds take an hour; their rank figures are kept beside the script."""
    found = pd.DataFrame([sbc.run_stand("learned", 6, number) for number in range(3)])
    assert {"mean date of the stand", "rate_bias", "own_factor", "pith year, two cores"} <= set(found)
    assert ((found.drop(columns="covered") >= 0) & (found.drop(columns="covered") <= 1)).sum().sum() >= 20
