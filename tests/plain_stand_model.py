"""The plain PyMC model of a stand: pith year, distance, rates and widths of every tree as latent variables."""

from __future__ import annotations

import numpy as np

from treeage.distance import DISTANCE_GRID_MM
from treeage.hierarchical import LearningPriors
from treeage.hierarchical.likelihood import FACTOR_LIMITS
from treeage.rings import ring_model


def plain_model(data, trees, rows_by_tree):
    """Latent discrete rings turned continuous: one pith age, one rate a tree, one distance and one count error a core.

    Distances are lognormal with the moments of their mass, count errors normal with the moments of theirs; a core at
    the pith has no missed rings. Only trees whose cores are at one height.
    """
    import pymc as pm
    import pytensor.tensor as pt

    priors, inputs, model = LearningPriors(), data.cores.inputs, ring_model()
    rows = [row for tree in trees for row in rows_by_tree[tree]]
    tree_of = np.array([k for k, tree in enumerate(trees) for _ in rows_by_tree[tree]])
    newest = np.array([inputs.innermost_year[rows_by_tree[tree]].min() for tree in trees])
    lead = inputs.innermost_year[rows] - newest[tree_of]
    logs = np.log(DISTANCE_GRID_MM[1:])
    mass = inputs.distance[rows][:, 1:]
    hidden = mass.sum(axis=1) > 0.5
    centre = np.where(hidden, mass @ logs, 0.0)
    spread = np.sqrt(np.maximum(mass @ logs**2 - centre**2, 1e-4))
    location = model.location(inputs.growth.take(rows), np.exp(centre))[np.arange(len(rows)), np.arange(len(rows))]
    scale = model.own_scale(inputs.growth.take(rows), np.exp(centre))
    errors = inputs.count_start + np.arange(inputs.count.shape[1])
    count_mean = inputs.count[rows] @ errors
    count_sd = np.sqrt(np.maximum(inputs.count[rows] @ errors**2 - count_mean**2, 0.05))
    method = [name.split(": ")[1] for name in data.trees.factor_names if name.startswith("distance")]
    which = np.array([method.index(data.tables.factors.distance_method[row] or method[0]) for row in rows])
    with pm.Model() as built:
        bias = pm.Normal("rate_bias", 0.0, float(np.hypot(data.stand_sd[0], priors.rate_bias_extra_sd.value)))
        tree_sd = pm.LogNormal("tree_sd", np.log(data.tree_sd[0]), priors.tree_log_sd.value)
        own = pm.LogNormal("own_factor", 0.0, priors.own_log_sd.value)
        limit = FACTOR_LIMITS["distance"]
        log_factor = limit * pt.tanh(priors.distance_log_sd.value / limit * pm.Normal("distance_z", shape=len(method)))
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
