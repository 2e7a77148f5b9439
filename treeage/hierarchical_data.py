"""Arrays that the hierarchical model is built on: trees that teach with their likelihoods, and young trees.

Layer 5, part of the family of `hierarchical`. No model of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.estimate import height_models, shared_figures, without_model
from treeage.estimate_alignment import CoreReadings, mark_events, read_cores_together
from treeage.estimate_cores import HEIGHT_APART_M, CoreFacts, column_numbers, core_facts
from treeage.estimate_inputs import CoreInputs, bound_upper_cores, core_inputs
from treeage.estimate_special import on_one_line
from treeage.estimate_stand import SpeciesRates, reach_further, species_rates
from treeage.hierarchical_factors import SHIFTS, CoreFactors, method_class
from treeage.hierarchical_height import DIFFERENCE_YEARS, HeightData, height_data
from treeage.hierarchical_tables import CoreTables, TreeLikelihoods, difference_likelihood, tree_likelihoods
from treeage.rings import shared_spreads

if TYPE_CHECKING:
    from treeage.height import HeightModel
    from treeage.tables import Field

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class CoreWorkings:
    """Cores as the exact engine prepares them.

    Parameters
    ----------
    facts, inputs : CoreFacts, CoreInputs
        All cores.
    rates : dict of str to SpeciesRates
        Shared rate and adjustment by the stand's ring tables, by species.
    readings : CoreReadings
        Joint count errors of cores that were read against each other.
    """

    facts: CoreFacts
    inputs: CoreInputs
    rates: dict[str, SpeciesRates]
    readings: CoreReadings


@dataclass(frozen=True, eq=False)
class StandData:
    """Everything the hierarchical model is built on.

    Parameters
    ----------
    cores : CoreWorkings
        Cores as the exact engine prepares them.
    tables : CoreTables
        The same, as the likelihood needs them.
    fixed_heights : dict of str to HeightModel
        Height models of the exact engine, by species.
    height_groups : dict of str to str
        Group of species whose model is one and the same figure, by species.
    species : tuple of str
        Species of the stand.
    stand_sd, tree_sd : numpy.ndarray, shape (n_species,)
        What the engine takes for the spreads of b and u, by species.
    trees : TreeLikelihoods
        Trees with two or more cores at one height.
    tree_species : numpy.ndarray of int, shape (n_tree,)
        Species of each of these.
    heights : HeightData
        Young trees, pairs and trees cored at two heights.
    difference : numpy.ndarray, shape (n_cored, n_shift, DIFFERENCE_YEARS)
        Likelihood of the years between the two heights of each such tree, at every shift.
    difference_species : numpy.ndarray of int, shape (n_cored,)
        Species (of `species`) of each of these.
    """

    cores: CoreWorkings
    tables: CoreTables
    fixed_heights: dict[str, HeightModel]
    height_groups: dict[str, str]
    species: tuple[str, ...]
    stand_sd: Array
    tree_sd: Array
    trees: TreeLikelihoods
    tree_species: Ints
    heights: HeightData
    difference: Array
    difference_species: Ints


def core_workings(field: Field, *, from_stand: bool = True, from_pairs: bool = True) -> CoreWorkings:
    """Prepare the cores as the exact engine does.

    Parameters
    ----------
    field : Field
        A checked field.
    from_stand, from_pairs : bool, default True
        As in `estimate_ages`.

    Returns
    -------
    CoreWorkings
        For `stand_data`.
    """
    facts = core_facts(field)
    inputs = core_inputs(facts)
    rates = species_rates(facts, inputs, from_stand=from_stand)
    readings = read_cores_together(facts) if from_pairs else CoreReadings({}, pd.DataFrame(), 0)
    mark_events(facts, readings)
    inputs = bound_upper_cores(facts, reach_further(inputs, rates), without_model(height_models(field)))
    return CoreWorkings(facts, inputs, rates, readings)


def stand_data(field: Field, cores: CoreWorkings) -> StandData:
    """Lay out a field for the hierarchical model.

    Parameters
    ----------
    field : Field
        A checked field.
    cores : CoreWorkings
        Its cores.

    Returns
    -------
    StandData
        Arrays; the sums over years and counts are done here, once.
    """
    facts, inputs = cores.facts, cores.inputs
    species_of = [str(record["species"]) for record in facts.records]
    rings = np.array([int(record["rings_counted"]) for record in facts.records], dtype=np.int64)
    names = [str(record["core"]) for record in facts.records]
    tables = CoreTables(
        inputs, core_factors(facts, inputs), rings, species_of, names, cores.rates, cores.readings.joint
    )
    fixed = height_models(field)
    level, apart = _trees_that_teach(facts, inputs)
    trees = tree_likelihoods(tables, level)
    heights_m = column_numbers(facts.table, "core_height_m")
    cored = {
        tree: (species_of[rows[0]], float(heights_m[rows[0]]), float(heights_m[rows[1]]))
        for tree, rows in apart.items()
    }
    heights = height_data(field, cored, fixed)
    difference = [
        difference_likelihood(tables, apart[tree], most_years=DIFFERENCE_YEARS) for tree in heights.cored_tree
    ]
    species = tuple(dict.fromkeys(species_of))
    first = {tree: species.index(species_of[rows[0]]) for tree, rows in {**level, **apart}.items()}
    spreads = np.array([shared_spreads(calibration=cores.rates[name].calibration) for name in species])
    return StandData(
        cores=cores,
        tables=tables,
        fixed_heights=fixed,
        height_groups=shared_figures(field, fixed),
        species=species,
        stand_sd=spreads[:, 0],
        tree_sd=spreads[:, 1],
        trees=trees,
        tree_species=np.array([first[tree] for tree in trees.trees], dtype=np.int64),
        heights=heights,
        difference=np.array(difference).reshape(-1, SHIFTS.size, DIFFERENCE_YEARS),
        difference_species=np.array([first[tree] for tree in heights.cored_tree], dtype=np.int64),
    )


def core_factors(facts: CoreFacts, inputs: CoreInputs) -> CoreFactors:
    """Say which error factors act on each core.

    Parameters
    ----------
    facts, inputs : CoreFacts, CoreInputs
        All cores.

    Returns
    -------
    CoreFactors
        No factor on a distance of 0, on a core that only bounds the date, or on a crossdated count; counts whose outer
        rings are lost keep their stated error.
    """
    lost = np.nan_to_num(column_numbers(facts.table, "outer_lost_sd")) > 0
    methods = [
        "" if inputs.bound_only[row] or inputs.distance[row, 0] >= 1 else method_class(name)
        for row, name in enumerate(facts.methods)
    ]
    dating = ["" if word == "crossdated" or lost[row] else str(word) for row, word in enumerate(facts.table["dating"])]
    return CoreFactors(tuple(methods), tuple(dating))


def _trees_that_teach(facts: CoreFacts, inputs: CoreInputs) -> tuple[dict[str, list[int]], dict[str, list[int]]]:
    """Cores of trees with several informative ones: at one height, and just two at two heights (lower first).

    Two cores near one line that both rest on the radius are left out: their distances are not independent.
    """
    heights = column_numbers(facts.table, "core_height_m")
    rows_of: dict[str, list[int]] = {}
    for row, tree in enumerate(facts.table["tree"]):
        if not inputs.bound_only[row]:
            rows_of.setdefault(str(tree), []).append(row)
    several = {tree: rows for tree, rows in rows_of.items() if len(rows) > 1}
    level = {
        tree: rows
        for tree, rows in several.items()
        if np.ptp(heights[rows]) <= HEIGHT_APART_M and not on_one_line(facts, rows)
    }
    apart = {
        tree: sorted(rows, key=lambda row: float(heights[row]))
        for tree, rows in several.items()
        if np.ptp(heights[rows]) > HEIGHT_APART_M and len(rows) == 2
    }
    return level, apart
