"""Small stands drawn from the hierarchical model itself, and the pieces to fit them: helpers of the tests."""

from dataclasses import dataclass, replace

import numpy as np

from treeage.estimate import placed_mass
from treeage.hierarchical.data import FORMS, StandData, core_workings, stand_data
from treeage.hierarchical.dates import drawn_inputs
from treeage.hierarchical.kernel import form_log_prior
from treeage.hierarchical.likelihood import SHIFTS, scaled_rate, tree_likelihoods
from treeage.simulate import scenario, simulate_stand


def small_field(trees=16, *, seed=5, name="mixed", species=1):
    """Field of a few trees with two cores each, of every kind of inner end and dating; invented."""
    recipe = scenario(name)
    recipe = replace(recipe, trees=trees, species=recipe.species[:species], seedlings_per_species=12)
    return simulate_stand(recipe, seed=seed).field()


def small_stand(trees=16, *, seed=5, name="mixed", species=1):
    """Field and arrays of a few trees; every core stands alone, counts are the published ones."""
    field = small_field(trees, seed=seed, name=name, species=species)
    return field, stand_data(field, core_workings(field, from_stand=False, from_pairs=False))


@dataclass(frozen=True)
class Replica:
    """A stand of the same readings whose hidden years were drawn anew, and its truth."""

    data: StandData
    pith_year: dict[str, int]


def rows_by_tree(data):
    """Cores of each tree."""
    rows = {}
    for row, record in enumerate(data.cores.facts.records):
        rows.setdefault(str(record["tree"]), []).append(row)
    return rows


def draw_replica(data, values, rng):
    """Draw missed rings, count errors and young trees from the model with given parameters; cores at one height."""
    draws = {name: np.atleast_1d(value)[None] for name, value in values.items()}
    draws["own_factor"] = np.atleast_1d(values["own_factor"])
    inputs = drawn_inputs(data, draws)
    innermost = data.cores.inputs.innermost_year.copy()
    pith = {}
    for tree, rows in rows_by_tree(data).items():
        k = data.species.index(data.tables.species[rows[0]])
        rate = scaled_rate(data.cores.rates[data.species[k]], float(values["own_factor"]))
        weight = np.exp(-0.5 * ((SHIFTS - values["rate_bias"][k]) / values["tree_sd"][k]) ** 2)
        shift = rng.choice(SHIFTS.size, p=weight / weight.sum())
        most = int(inputs.most_rings[rows].max())
        mass = placed_mass(inputs, np.array(rows), inputs.distance[rows], rate, most)[:, shift]
        pith[tree] = 1800
        for row, raw in zip(rows, mass, strict=True):
            own = np.maximum(raw, 0)
            missed = rng.choice(own.size, p=own / own.sum())
            error = inputs.count_start + rng.choice(inputs.count.shape[1], p=inputs.count[row])
            innermost[row] = 1800 + missed + error
    moved = replace(data.cores.inputs, innermost_year=innermost)
    tables = replace(data.tables, inputs=moved)
    teaching = {tree: rows_by_tree(data)[tree] for tree in data.trees.trees}
    trees = tree_likelihoods(tables, teaching)
    species = [data.species.index(data.tables.species[rows_by_tree(data)[tree][0]]) for tree in trees.trees]
    return Replica(
        replace(
            data,
            cores=replace(data.cores, inputs=moved),
            tables=tables,
            trees=replace(trees, factor_names=data.trees.factor_names),
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
