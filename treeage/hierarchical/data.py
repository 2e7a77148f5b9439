"""Arrays that the hierarchical model is built on: young trees, and trees that teach with their likelihoods.

Early height growth: log seasons are linear in a growth axis, with the forms and scales of `height`; no other model.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.estimate import Cores, Shared, on_one_line
from treeage.height import (
    GROWTH_CANDIDATES,
    HEIGHT_APART_M,
    TREE_NODES,
    HeightModel,
    axis_tangent,
    growth_axis,
    normal_nodes,
    sampling_shift,
    seasons_between,
    young_sampling,
)
from treeage.hierarchical.likelihood import (
    SHIFTS,
    LearningCores,
    TreeLikelihoods,
    difference_likelihood,
    learning_cores,
    tree_likelihoods,
)
from treeage.pmf import freeze_arrays
from treeage.priors import Known
from treeage.rings import shared_spreads
from treeage.schema import ERA_LOG_SD, FEWEST_YOUNG_TREES, FROM_YOUNG_TREES, SEEDLING_REACH, Tip, column_numbers

if TYPE_CHECKING:
    from treeage.tables import Field

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

FORMS = GROWTH_CANDIDATES
"""Growth forms and scales, those of the fixed height model."""
DIFFERENCE_YEARS = 61  # choice: differences of years between two coring heights from 0 to 60
_AT_GROUND = -40.0  # choice: stands for the logarithm of a height of 0; nothing grows there


@dataclass(frozen=True, eq=False)
class HeightData:
    """Observations on early height growth of the species whose curve is learned."""

    species: tuple[str, ...]  # with a learned curve
    middle_m: Array  # (n_species,): height at which the level is defined
    tallest_m: Array  # (n_species,): the tallest young tree
    young_species: Ints  # (n_young,): species of each young tree of known age
    young_log_age: Array  # (n_young,): log seasons
    young_axis: Array  # (n_young, n_form): growth axis, 0 and slope 1 on log height at the middle height
    pair_species: Ints  # (n_pair,): species of each tree with rings at two heights
    pair_log_years: Array  # (n_pair,): log of the seasons between the heights
    pair_rounding: Array  # (n_pair,): variance of that from rounding to whole rings
    pair_axis: Array  # (n_pair, 2, n_form): axis of the lower and the upper height
    cored_tree: tuple[str, ...]  # trees cored at two heights
    cored_species: Ints  # (n_cored,)
    cored_axis: Array  # (n_cored, 2, n_form): axis of the lower and the upper height
    options: tuple[Mapping[str, str], ...]  # words of the height model's settings, by species (sampling, tip)

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def cored_at_collar(self) -> Flags:
        """Whether the lower core of each tree cored at two heights is at the collar, shape (n_cored,)."""
        return np.asarray(self.cored_axis[:, 0, 0] == _AT_GROUND)


def form_axis(height_m: Array, middle_m: float, tallest_m: float) -> Array:
    """Growth axis of every form at heights (n,), shape (n, n_form): 0 and slope 1 on log height at a middle height.

    Height 0 stands for the ground; the scales of the forms refer to the tallest young tree.
    """
    columns = []
    for form, share in FORMS:
        centre, stretch = axis_tangent(form, share * tallest_m, middle_m)
        raw = growth_axis(form, share * tallest_m, np.maximum(height_m, 1e-9))
        columns.append(np.where(height_m > 0, (raw - centre) / stretch, _AT_GROUND))
    return np.column_stack(columns).reshape(-1, len(FORMS))


def height_data(
    field: Field, cored: Mapping[str, tuple[str, float, float]], models: Mapping[str, HeightModel]
) -> HeightData:
    """Gather what the field says about early height growth; empty arrays where nothing is learned.

    cored: species, lower and upper height [m] of each tree cored at two heights; models: the fixed height models, of
    which only those that rest on the user's young trees are learned anew.
    """
    parts = [_species_rows(field, name, cored) for name in models if _is_learned(field, name, models[name])]
    kept = [part for part in parts if part is not None]

    def joined(name: str, shape: tuple[int, ...]) -> Array:
        arrays = [part[name] for part in kept]
        return np.concatenate(arrays) if arrays else np.zeros(shape)

    def codes(name: str) -> Ints:
        return np.repeat(np.arange(len(kept)), [len(part[name]) for part in kept]).astype(np.int64)

    forms = len(FORMS)
    return HeightData(
        species=tuple(part["species"] for part in kept),
        middle_m=np.array([part["middle_m"] for part in kept]),
        tallest_m=np.array([part["tallest_m"] for part in kept]),
        young_species=codes("young_log_age"),
        young_log_age=joined("young_log_age", (0,)),
        young_axis=joined("young_axis", (0, forms)),
        pair_species=codes("pair_log_years"),
        pair_log_years=joined("pair_log_years", (0,)),
        pair_rounding=joined("pair_rounding", (0,)),
        pair_axis=joined("pair_axis", (0, 2, forms)),
        cored_tree=tuple(tree for part in kept for tree in part["cored_tree"]),
        cored_species=codes("cored_tree"),
        cored_axis=joined("cored_axis", (0, 2, forms)),
        options=tuple(part["options"] for part in kept),
    )


def _is_learned(field: Field, species: str, model: HeightModel) -> bool:
    """Whether a species' height model rests on the user's young trees."""
    chosen = field.settings.height_choice(species)
    return not model.is_none and chosen is not None and chosen["model"] in FROM_YOUNG_TREES


def _species_rows(field: Field, species: str, cored: Mapping[str, tuple[str, float, float]]) -> dict[str, Any] | None:
    """Observations of one species, or None where there are too few."""
    table = field.seedlings[field.seedlings["species"] == species]
    young = _numbers(table, ("height_m", "age_years"))
    pairs = _numbers(table, ("low_height_m", "low_rings", "high_height_m", "high_rings"))
    own = {tree: (low, high) for tree, (name, low, high) in cored.items() if name == species}
    if len(young) < FEWEST_YOUNG_TREES and len(pairs) < FEWEST_YOUNG_TREES:
        return None
    heights = np.concatenate([young[:, 0], pairs[:, 2]])
    middle, tallest = float(np.exp(np.log(heights).mean())), float(heights.max())
    chosen = field.settings.height_choice(species) or {}
    options = {key: str(chosen[key]) for key in ("sampling", "tip", "era_log_sd") if key in chosen}
    if (said := young_sampling(dict(table))) is not None:
        options.setdefault("sampling", said)
    age = young[:, 1] - 0.5 if options.get("tip") == Tip.WITHIN_SEASON else young[:, 1]
    years, rounding = seasons_between(pairs[:, 0], pairs[:, 1] - pairs[:, 3])
    cored_heights = np.array(list(own.values())).reshape(-1, 2)

    def axes(values: Array) -> Array:
        return form_axis(values.ravel(), middle, tallest).reshape(*values.shape, len(FORMS))

    return {
        "species": species, "middle_m": middle, "tallest_m": tallest, "options": options,
        "young_log_age": np.log(age), "young_axis": axes(young[:, 0]),
        "pair_log_years": np.log(years), "pair_rounding": rounding,
        "pair_axis": axes(pairs[:, [0, 2]]), "cored_tree": list(own), "cored_axis": axes(cored_heights),
    }  # fmt: skip


def _numbers(table: pd.DataFrame, names: Sequence[str]) -> Array:
    """Rows of the named columns that are complete."""
    values = np.column_stack([column_numbers(table, name) for name in names])
    whole: Array = values[np.isfinite(values).all(axis=1)]
    return whole


def learned_model(
    data: HeightData, place: int, draws: Mapping[str, Array], fixed: HeightModel, rng: np.random.Generator
) -> HeightModel:
    """Height model whose shared nodes are draws of the learned curve of the species at a place of the data.

    draws: height_level, height_slope, height_spread, shape (n_draw,), and form_log_weight, shape (n_draw, n_form);
    fixed: the model it replaces, for its name and range; rng picks the growth form of each draw.
    """
    level, slope, spread = draws["height_level"], draws["height_slope"], draws["height_spread"]
    weight = np.exp(draws["form_log_weight"] - draws["form_log_weight"].max(axis=1, keepdims=True))
    total = np.cumsum(weight / weight.sum(axis=1, keepdims=True), axis=1)
    picked = np.minimum((rng.random((level.size, 1)) > total).sum(axis=1), len(FORMS) - 1)
    tallest, middle = float(data.tallest_m[place]), float(data.middle_m[place])
    ends = np.array([axis_tangent(form, share * tallest, middle) for form, share in FORMS])[picked]
    options = data.options[place]
    level = level + sampling_shift(options.get("sampling"), spread, rng.random(level.size))
    level = level + float(options.get("era_log_sd", ERA_LOG_SD)) * rng.standard_normal(level.size)
    return HeightModel(
        name=f"{fixed.name}, learned with the stand",
        source=fixed.source,
        known=Known.USER,
        forms=tuple(FORMS[k][0] for k in picked),
        scales_m=np.array([FORMS[k][1] * tallest for k in picked]),
        intercept=level - slope * ends[:, 0] / ends[:, 1],
        slope=slope / ends[:, 1],
        deviation=spread[:, None] * normal_nodes(TREE_NODES),
        valid_from_m=fixed.valid_from_m,
        valid_to_m=fixed.valid_to_m,
        limit_m=min(fixed.limit_m, SEEDLING_REACH * tallest),
    )


# ------------------------------------------------------------------ the stand


@dataclass(frozen=True, eq=False)
class StandData:
    """Everything the hierarchical model is built on; arrays by species, teaching tree, or tree cored at two heights."""

    learning: LearningCores  # cores as the exact engine prepares them, what they share, and the factors that act
    species: tuple[str, ...]  # of the cores
    stand_sd: Array  # (n_species,): what the engine takes for the spread of b
    tree_sd: Array  # (n_species,): and of u
    trees: TreeLikelihoods  # trees with two or more cores at one height
    tree_species: Ints  # (n_tree,): species of each of these
    heights: HeightData  # young trees, pairs and trees cored at two heights
    difference: Array  # (n_cored, n_shift, DIFFERENCE_YEARS): likelihood of the years between the two heights
    difference_species: Ints  # (n_cored,): species (of `species`) of each of these

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
    heights = height_data(field, cored, {name: own.height for name, own in sorted(shared.species.items())})
    difference = [
        difference_likelihood(learning, apart[tree], most_years=DIFFERENCE_YEARS) for tree in heights.cored_tree
    ]
    species = tuple(sorted(shared.stand_weights))
    first = {tree: species.index(str(cores.species[rows[0]])) for tree, rows in {**level, **apart}.items()}
    own = {name: cores.hidden_growth(np.flatnonzero(cores.species == name)) for name in species}
    spreads = np.array([shared_spreads(calibration=shared[name].calibration, growth=own[name]) for name in species])
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
