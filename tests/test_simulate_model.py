"""Tests of stands drawn from the stated model: arithmetic, distances, missed rings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from treeage import priors
from treeage.distance import DISTANCE_GRID_MM
from treeage.errors import InputError
from treeage.rings import missing_rings
from treeage.simulate import scenario, simulate_from_model, simulate_stand
from treeage.simulate.model import _prepared, draw_missed, state_masses


@pytest.mark.parametrize("name", ["mixed", "two_heights", "short"])
def test_arithmetic_holds_and_the_field_reads(name: str) -> None:
    """The drawn parts add up to the outer years, and the tables pass the checks."""
    stand = simulate_from_model(replace(scenario(name), trees=60), seed=1)
    cores = stand.tables["cores"].merge(stand.truth["cores"], on=["tree", "core"])
    cores = cores.merge(stand.truth["trees"][["tree", "establishment_year"]], on="tree")
    rings = cores["rings_counted"] + cores["count_error"] + cores["missed_rings"]
    # the chain of the conventions
    establishment = cores["outer_year"] - rings + 1 - cores["years_to_core_height"]
    assert (establishment == cores["establishment_year"]).all()
    assert cores.groupby("tree")["outer_year"].max().eq(2024).all()
    assert len(stand.field().cores) == 120


def test_distances_are_masses_and_hold_the_true_ones() -> None:
    """Rows sum to 1; on geometric stands the stated distance is neither far too high nor too low."""
    stand = simulate_stand(replace(scenario("mixed"), trees=150), seed=2)
    prepared, order, states = _prepared(stand)
    every = [state_masses(states, order, np.full(len(order), state)) for state in range(len(states))]
    mass = np.mean(every, axis=0)
    assert mass.sum(axis=1) == pytest.approx(np.ones(len(mass)))
    pith = (stand.tables["cores"]["inner_end"] == "pith").to_numpy()
    assert mass[pith, 0] == pytest.approx(1 - priors.PITH_NEAR.value, abs=0.005)  # the grid has a cell about 0
    truth = stand.truth["cores"]["distance_mm"].to_numpy()
    rank = (np.cumsum(mass, axis=1) * (DISTANCE_GRID_MM[None, :] <= truth[:, None])).max(axis=1)
    hit = (rank > 0.05) & (rank < 0.95)
    assert hit[~pith].mean() > 0.75  # 0.9 if the geometry were exactly that of the model; a gross slip falls below
    assert prepared.line[order].tolist() == list(range(len(order)))


def test_missed_rings_of_single_cores_follow_the_public_prediction() -> None:
    """Direct distances: the drawn numbers rank evenly in the mass functions of missing_rings."""
    base = scenario("pith")
    recipe = replace(base, trees=150, coring=replace(base.coring, cores_per_tree=1))
    stand = simulate_stand(recipe, seed=3)
    ends = {"inner_end": "arcs", "distance_mm": 15.0, "distance_sd_mm": 1e-6}
    stand = replace(stand, tables={**stand.tables, "cores": stand.tables["cores"].assign(**ends)})
    ranks = []
    rng = np.random.default_rng(4)
    prepared, order, _ = _prepared(stand)
    widths = [prepared.widths_mm[row] for row in order]
    mass = np.zeros((len(order), DISTANCE_GRID_MM.size))
    at = int(np.argmin(np.abs(DISTANCE_GRID_MM - 15.0)))
    mass[:, at] = 1.0
    distance, owner = np.full(len(order), DISTANCE_GRID_MM[at]), np.arange(len(order))
    stated = [missing_rings(float(DISTANCE_GRID_MM[at]), each, genus="Larix") for each in widths]
    for _ in range(8):
        missed = draw_missed(prepared.growth.take(order), owner, mass, distance=distance, alone=True, rng=rng)
        ranks += [
            pmf.cdf(int(number)) - rng.random() * pmf.prob_at(int(number))
            for pmf, number in zip(stated, missed, strict=True)
        ]
    assert np.mean(ranks) == pytest.approx(0.5, abs=0.035)  # four standard errors of a uniform mean, n = 1200
    assert np.std(ranks) == pytest.approx(12**-0.5, abs=0.02)  # closed form of a uniform


@pytest.mark.slow
def test_shared_by_the_stand_or_not() -> None:
    """Drawn once for the stand, hidden widths of its trees lie together."""
    base = scenario("short")
    recipe = replace(base, trees=60, coring=replace(base.coring, angle_deg=90.0))
    means = {}
    for word in ("tree", "stand"):
        stands = [simulate_from_model(recipe, seed=seed, shared_by=word) for seed in range(12)]
        means[word] = np.std([np.log1p(stand.truth["cores"]["missed_rings"]).mean() for stand in stands])
    assert means["stand"] > means["tree"]


def test_the_word_for_who_shares_is_checked() -> None:
    """Tree or stand, nothing else."""
    with pytest.raises(InputError, match="got plot, need tree or stand"):
        simulate_from_model(scenario("short"), shared_by="plot")


def test_same_seed_same_truth() -> None:
    """The seed alone decides."""
    one, two = (simulate_from_model(replace(scenario("arcs"), trees=20), seed=5) for _ in range(2))
    assert one.truth["trees"].equals(two.truth["trees"])
