"""Arrays that the hierarchical model is built on: trees that teach with their likelihoods, and young trees.

No model of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from treeage.display import freeze_arrays
from treeage.estimate import Cores, Shared, on_one_line
from treeage.height import HEIGHT_APART_M
from treeage.hierarchical.factors import SHIFTS, LearningCores, learning_cores
from treeage.hierarchical.heights import DIFFERENCE_YEARS, HeightData, height_data
from treeage.hierarchical.likelihood import TreeLikelihoods, difference_likelihood, tree_likelihoods
from treeage.rings import shared_spreads

if TYPE_CHECKING:
    from treeage.tables import Field

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class StandData:
    """Everything the hierarchical model is built on.

    Parameters
    ----------
    learning : LearningCores
        Cores as the exact engine prepares them, what they share, and the error factors that act on each.
    species : tuple of str
        Species of the cores.
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

    learning: LearningCores
    species: tuple[str, ...]
    stand_sd: Array
    tree_sd: Array
    trees: TreeLikelihoods
    tree_species: Ints
    heights: HeightData
    difference: Array
    difference_species: Ints

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def cores(self) -> Cores:
        """All cores."""
        return self.learning.cores

    @property
    def shared(self) -> Shared:
        """What they share in the exact engine."""
        return self.learning.shared


def stand_data(field: Field, cores: Cores, shared: Shared) -> StandData:
    """Arrays for the hierarchical model from a field and what `estimate.prepare` made of it.

    The sums over years and counts are done here, once.
    """
    learning = learning_cores(cores, shared)
    level, apart = _trees_that_teach(cores)
    trees = tree_likelihoods(learning, level)
    cored = {
        tree: (str(cores.species[rows[0]]), float(cores.height_m[rows[0]]), float(cores.height_m[rows[1]]))
        for tree, rows in apart.items()
    }
    heights = height_data(field, cored, {name: own.height for name, own in shared.species.items()})
    difference = [
        difference_likelihood(learning, apart[tree], most_years=DIFFERENCE_YEARS) for tree in heights.cored_tree
    ]
    species = tuple(shared.stand_weights)
    first = {tree: species.index(str(cores.species[rows[0]])) for tree, rows in {**level, **apart}.items()}
    spreads = np.array([shared_spreads(calibration=shared[name].calibration) for name in species])
    return StandData(
        learning=learning,
        species=species,
        stand_sd=spreads[:, 0],
        tree_sd=spreads[:, 1],
        trees=trees,
        tree_species=np.array([first[tree] for tree in trees.trees], dtype=np.int64),
        heights=heights,
        difference=np.array(difference).reshape(-1, SHIFTS.size, DIFFERENCE_YEARS),
        difference_species=np.array([first[tree] for tree in heights.cored_tree], dtype=np.int64),
    )


def _trees_that_teach(cores: Cores) -> tuple[dict[str, list[int]], dict[str, list[int]]]:
    """Cores of trees with several informative ones: at one height, and just two at two heights (lower first).

    Two cores near one line that both rest on the radius are left out: their distances are not independent.
    """
    level, apart = {}, {}
    for tree, every in cores.rows_of.items():
        rows = [row for row in every if not cores.bound_only[row]]
        if len(rows) < 2:
            continue
        if np.ptp(cores.height_m[rows]) > HEIGHT_APART_M:
            if len(rows) == 2:
                apart[tree] = rows  # cores stand by height
        elif not on_one_line(cores, tuple(rows)):
            level[tree] = rows
    return level, apart
