"""Predictive checks of whole estimates, the shared states learned from the same stand: few false alarms, and power."""

import numpy as np
import pandas as pd
import pytest
from virtual_fields import state, virtual_field

from treeage import priors
from treeage.checks import predictive_checks
from treeage.estimate import estimate_ages

STANDS = 30

pytestmark = pytest.mark.slow


def checked(trees, seed):
    """Checks of one virtual stand, read from its tables."""
    rng = np.random.default_rng([STANDS, seed])
    return predictive_checks(estimate_ages(virtual_field(state(rng), trees, rng)), seed=seed)


def test_learned_states_give_few_false_alarms():
    """Stands that follow the model: at most the nominal 5 % of stands with a failed check, within chance.

    The states were learned from what is checked, so p values lie above uniform ones (Robins et al. 2000).
    """
    found = [checked(20, seed) for seed in range(STANDS)]
    table = pd.concat([each.table for each in found])
    assert sum(bool(each.failed) for each in found) <= 5  # 99.7 % of binomial(30, 0.05)
    by_row = table.groupby("check")["p"]
    assert (by_row.mean() > 0.4).all() and by_row.mean().mean() < 0.85
    assert (table["p"] < 0.05).mean() < 0.07


def test_a_field_of_another_world_fails():
    """Control: an observer who overlooks no arc however flat, where the model says that a quarter is overlooked; few
    cores are bored again, so that there are arcs to see."""
    found = 0
    for seed in range(8):
        with priors.replaced({"curvature_overlooked": 0.0, "curvature_seen": 0.01, "curvature_seen_sd": 0.005}):
            rng = np.random.default_rng([STANDS, seed])
            field = virtual_field(state(rng, again=0.0), 20, rng)
        found += "neither pith nor arcs" in predictive_checks(estimate_ages(field), seed=seed).failed
    assert found >= 6
