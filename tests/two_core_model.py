"""A plain PyMC model of one two-core tree, from the model's words, and the exact engine on the same tree."""

from __future__ import annotations

import numpy as np

from treeage.distance import DISTANCE_GRID_MM, grid_cells
from treeage.pmf import Mass
from treeage.posterior import added_rings, combine_cores, growth_nodes
from treeage.rings import LOG_STEP, inner_growth, missed_ring_mass, ring_model

DISTANCE_MM, DISTANCE_SD_MM = (12.0, 25.0), (2.0, 4.0)
COUNT_ERROR = np.array([[0.0, 0.7, 0.2, 0.1], [0.1, 0.6, 0.2, 0.1]])  # errors -1, 0, 1, 2; made up for this check
INNERMOST = np.array([1900, 1907])


def cores():
    """Visible widths of the two cores, made up."""
    rng = np.random.default_rng(21)
    return [1.2 * rng.lognormal(0, 0.3, 80), 1.0 * rng.lognormal(0, 0.3, 73)]


def exact_mass():
    """Mass of the pith year from the exact engine, on the years it covers."""
    model = ring_model()
    distance = np.exp(
        -0.5 * ((DISTANCE_GRID_MM - np.array(DISTANCE_MM)[:, None]) / np.array(DISTANCE_SD_MM)[:, None]) ** 2
    )
    distance = distance * grid_cells()
    distance[:, 0] = 0.0
    distance /= distance.sum(axis=1, keepdims=True)
    nodes = growth_nodes(model.tree_sd, model.stand_sd, step=LOG_STEP)
    missed = missed_ring_mass(inner_growth(cores()), distance, nodes.shifts, max_rings=150)
    added = added_rings(np.asarray(missed, dtype=float), Mass(-1, COUNT_ERROR))
    result = combine_cores(added, INNERMOST, np.array([[0, 1]]), nodes)
    mass = nodes.stand_weights @ result.added.mass[0]
    return result.reference_year[0] - (result.added.start + np.arange(mass.size)), mass


def skewed_cdf(value, tails):
    """Cumulative probability of a t with two scales, in PyTensor (Fernandez & Steel 1998, form from memory)."""
    import pymc as pm
    import pytensor.tensor as pt

    plain = pm.StudentT.dist(nu=tails.df, mu=0.0, sigma=1.0)
    part = pt.exp(pm.logcdf(plain, pt.switch(pt.ge(value, 0), value / tails.skew, value * tails.skew)))
    above = 1 + tails.skew**2 * (2 * part - 1)
    return pt.switch(pt.ge(value, 0), above, 2 * part) / (1 + tails.skew**2)


def pymc_years(draws, *, tune=1500):
    """Pith years sampled by PyMC: distances, shared rate and count errors as unknowns, pith year discrete."""
    import pymc as pm
    import pytensor.tensor as pt

    model = ring_model()
    growth = inner_growth(cores())
    knots = np.log(np.linspace(2.0, 60.0, 120))
    locations = model.location(growth, np.exp(knots))
    scale = model.own_scale(growth, np.array(DISTANCE_MM))
    with pm.Model():
        shared = pm.Normal("shared", 0.0, float(np.hypot(model.tree_sd, model.stand_sd)))
        distance = pm.TruncatedNormal("distance", np.array(DISTANCE_MM), np.array(DISTANCE_SD_MM), lower=0.1, shape=2)
        added = pm.DiscreteUniform("added", -1, 140)
        likelihood = 0.0
        for core in range(2):
            log_distance = pt.log(distance[core])
            below = pt.clip(pt.cast(pt.sum(pt.ge(log_distance, knots)) - 1, "int64"), 0, knots.size - 2)
            lower, upper = pt.as_tensor(knots)[below], pt.as_tensor(knots)[below + 1]
            share = (log_distance - lower) / (upper - lower)
            table = pt.as_tensor(locations[core])
            location = table[below] * (1 - share) + table[below + 1] * share
            mass = 0.0
            for error, weight in zip(range(-1, 3), COUNT_ERROR[core], strict=True):
                rings = added + (INNERMOST[core] - INNERMOST[0]) - error
                expected = log_distance - location - shared
                top = skewed_cdf((pt.log(pt.maximum(rings, 1) + 0.5) - expected) / float(scale[core]), model.tails)
                low = skewed_cdf((pt.log(pt.maximum(rings, 1) - 0.5) - expected) / float(scale[core]), model.tails)
                inside = top - pt.switch(pt.eq(rings, 1), 0.0, low)
                mass = mass + weight * pt.switch(pt.ge(rings, 1), inside, 0.0)
            likelihood = likelihood + pt.log(pt.maximum(mass, 1e-12))
        pm.Potential("cores", likelihood)
        step_added = pm.Metropolis([added], scaling=6.0)
        trace = pm.sample(
            draws,
            tune=tune,
            chains=2,
            cores=1,
            step=[pm.NUTS([shared, distance]), step_added],
            random_seed=3,
            progressbar=False,
            compute_convergence_checks=False,
        )
    return INNERMOST[0] - trace.posterior["added"].to_numpy()
