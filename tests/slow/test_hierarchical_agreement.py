"""Hierarchical layer against a plain PyMC model of single trees, with the parameters fixed at a point."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from learned_stands import rows_by_tree, small_stand

from treeage.distance import DISTANCE_GRID_MM, scale_distance
from treeage.hierarchical.data import FORMS
from treeage.hierarchical.dates import drawn_cores, learned_answers
from treeage.hierarchical.likelihood import FactorKind
from treeage.rings import ring_model

pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore::UserWarning")]

FIXED = {"rate_bias": 0.1, "tree_sd": 0.22, "own_factor": 1.15, "distance_factor": 1.3, "count_factor": 1.4}
TREES = 10
DRAWS = 200_000


@cache
def stand():
    """A stand with trees of many kinds, kept; in one state of aim and reading, every core what it is taken for."""
    field, data = small_stand(60, seed=21)
    states = data.shared.states
    node = int(states.place[0])
    mass = np.maximum(np.einsum("np,pnr->nr", states.share[node], states.parts), 0.0)
    cores = replace(data.cores, wrong=0.0, distance=mass / np.maximum(mass.sum(axis=1, keepdims=True), 1e-300))
    shared = replace(data.shared, states=replace(states, place=np.full(len(states), node)))
    return field, replace(data, learning=replace(data.learning, cores=cores, shared=shared))


def fixed_draws(data):
    """The point at which every parameter is held, as one draw."""
    sizes = {"rate_bias": 1, "tree_sd": 1, "own_factor": None}
    sizes |= {f"{kind}_factor": len(data.trees.of_kind(kind)) for kind in (FactorKind.DISTANCE, FactorKind.COUNT)}
    draws = {name: np.full((1,) if size is None else (1, size), FIXED[name]) for name, size in sizes.items()}
    heights = len(data.heights.species)
    values = {"height_level": 2.2, "height_slope": 0.75, "height_spread": 0.3}
    draws |= {name: np.full((1, heights), value) for name, value in values.items()}
    return draws | {"form_log_weight": np.zeros((1, heights, len(FORMS)))}


def different_trees(data):
    """Ten trees of as many kinds of core ends, distance methods and datings as there are."""
    kinds: dict[tuple, list[str]] = {}
    factors = data.learning.count_factor
    for tree, rows in rows_by_tree(data).items():
        if tree not in data.trees.trees:
            continue
        kind = tuple(sorted((data.cores.source[r].value, factors[r].word if factors[r] else "") for r in rows))
        kinds.setdefault(kind, []).append(tree)
    return [trees[0] for trees in kinds.values()][:TREES]


def pymc_added_rings(data, rows, *, seed):
    """Rings to add to each core of a tree, drawn jointly from the model written in PyMC, shape (draw, core)."""
    import pymc as pm
    import pytensor.tensor as pt

    cores, model = drawn_cores(data, fixed_draws(data)), ring_model()
    distance = scale_distance(cores.distance[rows], cores.distance_factor[rows])
    logs = np.log(DISTANCE_GRID_MM[1:])
    typical = np.exp((distance[:, 1:] * logs).sum(axis=1) / np.maximum(distance[:, 1:].sum(axis=1), 1e-300))
    scale = model.own_scale(cores.growth.take(rows), typical) * FIXED["own_factor"]
    location = model.location(cores.growth.take(rows), DISTANCE_GRID_MM)
    skew, grid = model.tails.skew, np.maximum(DISTANCE_GRID_MM, 1e-9)
    counts = cores.count.mass[rows] / cores.count.mass[rows].sum(axis=1, keepdims=True)
    with pm.Model():
        shared = pm.Normal("shared", FIXED["rate_bias"], FIXED["tree_sd"], shape=DRAWS)
        added = []
        for core in range(len(rows)):
            place = pm.Categorical(f"distance {core}", p=distance[core], shape=DRAWS)
            error = pm.Categorical(f"error {core}", p=counts[core], shape=DRAWS)
            size = pm.math.abs(
                pm.StudentT(f"size {core}", nu=model.tails.df, mu=0.0, sigma=float(scale[core]), shape=DRAWS)
            )
            wide = pm.Bernoulli(f"wide {core}", skew**2 / (1 + skew**2), shape=DRAWS)
            own = pt.switch(wide, size * skew, -size / skew)
            log_rings = pt.as_tensor(np.log(grid) - location[core])[place] - shared + own
            missed = pt.switch(pt.gt(place, 0), pt.maximum(1, pt.round(pt.exp(log_rings))), 0)
            added.append(missed + error + cores.count.start)
        return pm.draw(pt.stack(added, axis=1), random_seed=seed)


@pytest.mark.parametrize("place", range(TREES))
def test_tree_dates_agree_with_pymc_at_fixed_parameters(place):
    """Ten trees of different kinds: mean and quantile probabilities within four Monte Carlo standard errors.

    Under the flat prior the posterior of the pith year is that of the rings to add to one core among the draws in which
    the cores differ by as many rings as they do on the tree; forward draws of PyMC that do are kept.
    """
    field, data = stand()
    tree = different_trees(data)[place]
    rows = rows_by_tree(data)[tree]
    innermost = data.cores.innermost_year[rows]
    drawn = pymc_added_rings(data, rows, seed=place)
    kept = drawn[np.all(np.diff(drawn, axis=1) == np.diff(innermost), axis=1)]
    years = innermost[0] - kept[:, 0]
    assert len(years) > 300, (tree, len(years))
    answers, _ = learned_answers(data, fixed_draws(data), list(field.trees["tree"]), prob=0.9, seed=0)
    pmf = next(answer.pith_year for answer in answers if answer.tree == tree)
    error = 4 / np.sqrt(len(years))
    assert abs(years.mean() - pmf.mean()) < error * max(pmf.sd(), 0.05)
    for prob in (0.05, 0.25, 0.5, 0.75, 0.95):
        year = pmf.quantile(prob)
        expected = pmf.cdf(year)
        assert abs((years <= year).mean() - expected) < error * np.sqrt(expected * (1 - expected)) + 0.004


def test_a_wrong_parameter_is_noticed():
    """Control: with the hidden rings taken for 30 % narrower the same comparison fails for some tree."""
    field, data = stand()
    wrong = fixed_draws(data) | {"rate_bias": np.full((1, 1), FIXED["rate_bias"] - 0.3)}
    answers, _ = learned_answers(data, wrong, list(field.trees["tree"]), prob=0.9, seed=0)
    far = []
    for place, tree in enumerate(different_trees(data)):
        rows = rows_by_tree(data)[tree]
        innermost = data.cores.innermost_year[rows]
        drawn = pymc_added_rings(data, rows, seed=place)
        kept = drawn[np.all(np.diff(drawn, axis=1) == np.diff(innermost), axis=1)]
        pmf = next(answer.pith_year for answer in answers if answer.tree == tree)
        error = 4 / np.sqrt(len(kept)) * max(pmf.sd(), 0.05)
        far.append(abs((innermost[0] - kept[:, 0]).mean() - pmf.mean()) > error)
    assert sum(far) >= 3
