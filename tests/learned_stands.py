"""Small stands drawn from the hierarchical model itself, and the pieces to fit them: helpers of the tests."""

from dataclasses import dataclass, replace

import numpy as np

from treeage.distance import scale_distance
from treeage.estimate import missed_mass, prepare
from treeage.hierarchical.data import FORMS, StandData, stand_data
from treeage.hierarchical.dates import drawn_cores
from treeage.hierarchical.kernel import form_log_prior
from treeage.hierarchical.likelihood import SHIFTS, scaled_growth, tree_likelihoods
from treeage.simulate import scenario, simulate_stand


def small_field(trees=16, *, seed=5, name="mixed", species=1):
    """Field of a few trees with two cores each, of every kind of inner end and dating; invented."""
    recipe = scenario(name)
    recipe = replace(recipe, trees=trees, species=recipe.species[:species], seedlings_per_species=12)
    return simulate_stand(recipe, seed=seed).field()


def small_stand(trees=16, *, seed=5, name="mixed", species=1):
    """Field and arrays of a few trees; every core stands alone, counts are the published ones."""
    field = small_field(trees, seed=seed, name=name, species=species)
    return field, stand_data(field, *prepare(field, from_stand=False, from_pairs=False)[:2])


@dataclass(frozen=True)
class Replica:
    """A stand of the same readings whose hidden years were drawn anew, and its truth."""

    data: StandData
    pith_year: dict[str, int]


def rows_by_tree(data):
    """Cores of each tree."""
    return {tree: list(rows) for tree, rows in data.cores.rows_of.items()}


def draw_replica(data, values, rng):
    """Draw missed rings, count errors and young trees from the model with given parameters; cores at one height."""
    draws = {name: np.atleast_1d(value)[None] for name, value in values.items()}
    draws["own_factor"] = np.atleast_1d(values["own_factor"])
    cores = drawn_cores(data, draws)
    innermost = cores.innermost_year.copy()
    pith = {}
    for tree, rows in rows_by_tree(data).items():
        k = data.species.index(cores.species[rows[0]])
        own = scaled_growth(data.shared[data.species[k]], float(values["own_factor"]))
        weight = np.exp(-0.5 * ((SHIFTS - values["rate_bias"][k]) / values["tree_sd"][k]) ** 2)
        shift = rng.choice(SHIFTS.size, p=weight / weight.sum())
        most = int(cores.most_rings[rows].max())
        index = np.array(rows)
        distance = scale_distance(cores.distance[index], cores.distance_factor[index])
        mass = missed_mass(cores, index, own, most, distance=distance)[:, shift]
        pith[tree] = 1800
        for row, raw in zip(rows, mass, strict=True):
            likely = np.maximum(raw, 0)
            missed = rng.choice(likely.size, p=likely / likely.sum())
            error = cores.count.start + rng.choice(cores.count.size, p=cores.count.mass[row])
            innermost[row] = 1800 + missed + error
    moved = replace(data.cores, outer_year=innermost + data.cores.rings_counted - 1)
    learning = replace(data.learning, cores=moved)
    teaching = {tree: rows_by_tree(data)[tree] for tree in data.trees.trees}
    trees = tree_likelihoods(learning, teaching)
    species = [data.species.index(moved.species[rows_by_tree(data)[tree][0]]) for tree in trees.trees]
    return Replica(
        replace(
            data,
            learning=learning,
            trees=replace(trees, factors=data.trees.factors),
            tree_species=np.array(species, dtype=np.int64),
            heights=draw_young(data.heights, values, rng),
        ),
        pith,
    )


def draw_young(heights, values, rng):
    """Draw the ages of the young trees, the growth form from its prior."""
    if not heights.species:
        return heights
    code = heights.young_species
    form = rng.choice(len(FORMS), size=len(heights.species), p=np.exp(form_log_prior()))
    expected = (
        values["height_level"][code]
        + values["height_slope"][code] * heights.young_axis[np.arange(code.size), form[code]]
    )
    return replace(heights, young_log_age=expected + values["height_spread"][code] * rng.standard_normal(code.size))
