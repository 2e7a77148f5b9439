"""The plain PyMC model of a stand: pith year, distance, rates and widths of every tree as latent variables."""

from __future__ import annotations

import numpy as np

from treeage.distance import DISTANCE_GRID_MM
from treeage.hierarchical import LearningPriors
from treeage.hierarchical.likelihood import FACTOR_LIMITS, FactorKind
from treeage.rings import ring_model


def plain_model(data, trees, rows_by_tree):
    """Latent discrete rings turned continuous: one pith age, one rate a tree, one distance and one count error a core.

    Distances are lognormal with the moments of their mass, count errors normal with the moments of theirs; a core at
    the pith has no missed rings. Only trees whose cores are at one height.
    """
    import pymc as pm
    import pytensor.tensor as pt

    priors, cores, model = LearningPriors(), data.cores, ring_model()
    rows = [row for tree in trees for row in rows_by_tree[tree]]
    tree_of = np.array([k for k, tree in enumerate(trees) for _ in rows_by_tree[tree]])
    newest = np.array([cores.innermost_year[rows_by_tree[tree]].min() for tree in trees])
    lead = cores.innermost_year[rows] - newest[tree_of]
    logs = np.log(DISTANCE_GRID_MM[1:])
    mass = cores.distance[rows][:, 1:]
    hidden = mass.sum(axis=1) > 0.5
    centre = np.where(hidden, mass @ logs, 0.0)
    spread = np.sqrt(np.maximum(mass @ logs**2 - centre**2, 1e-4))
    location = model.location(cores.growth.take(rows), np.exp(centre))[np.arange(len(rows)), np.arange(len(rows))]
    scale = model.own_scale(cores.growth.take(rows), np.exp(centre))
    errors = cores.count.start + np.arange(cores.count.size)
    count_mean = cores.count.mass[rows] @ errors
    count_sd = np.sqrt(np.maximum(cores.count.mass[rows] @ errors**2 - count_mean**2, 0.05))
    acting = data.trees.of_kind(FactorKind.DISTANCE)
    which = np.array([acting.index(data.learning.distance_factor[row] or acting[0]) for row in rows])
    with pm.Model() as built:
        bias = pm.Normal("rate_bias", 0.0, float(np.hypot(data.stand_sd[0], priors.rate_bias_extra_sd.value)))
        tree_sd = pm.LogNormal("tree_sd", np.log(data.tree_sd[0]), priors.tree_log_sd.value)
        own = pm.LogNormal("own_factor", 0.0, priors.own_log_sd.value)
        limit = FACTOR_LIMITS[FactorKind.DISTANCE]
        log_factor = limit * pt.tanh(priors.distance_log_sd.value / limit * pm.Normal("distance_z", shape=len(acting)))
        factor = pm.Deterministic("distance_factor", pt.exp(log_factor))
        unit = pm.Normal("tree_z", shape=len(trees))
        log_distance = centre + spread * factor[which] * pm.Normal("distance_core_z", shape=len(rows))
        error = count_mean + count_sd * pm.Normal("count_z", shape=len(rows))
        log_age = pm.Normal("log_added", np.log(20.0), 1.5, shape=len(trees))  # rings to add to the innermost ring
        rings = pt.exp(log_age)[tree_of] + lead - error
        log_rings = pt.log(pt.softplus(rings * 2) / 2 + 1e-3)
        deviation = log_distance - location - log_rings - bias - tree_sd * unit[tree_of]
        density = pm.logp(pm.StudentT.dist(nu=model.tails.df, mu=0.0, sigma=scale * own), deviation) - log_rings
        at_pith = pm.logp(pm.Normal.dist(0.0, 0.5), rings)
        pm.Potential("cores", pt.where(hidden, density, at_pith).sum())
    return built
