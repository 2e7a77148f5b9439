"""What the trees of a species share: growth near the pith with what the stand teaches of it, and the height model.

The statistics are those of `rings` (neighbours) and `height`; own derivation of what rests on one and the same figure.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from treeage import priors
from treeage.distance import DISTANCE_GRID_MM, AimErrors, end_distances, scale_distance
from treeage.errors import Fault, InputError, ModelError, faults_frame
from treeage.estimate.cores import Cores, at_pith
from treeage.height import (
    HEIGHT_APART_M,
    Caution,
    HeightModel,
    height_model,
    moved_heights,
    second_opinion,
    study_table,
    with_three,
    young_tree_evidence,
)
from treeage.pmf import freeze_arrays
from treeage.posterior import GrowthNodes, TreePosterior, few_parts, growth_nodes
from treeage.results import Flag
from treeage.rings import (
    LOG_STEP,
    DatedSeries,
    RingCalibration,
    hidden_width,
    missed_ring_mass,
    missed_ring_parts,
    missed_rings_at,
    shared_spreads,
    stand_adjustment,
    typical_distance,
)
from treeage.schema import (
    FROM_YOUNG_TREES,
    SETTINGS_FILE,
    Dating,
    HeightChoice,
    InnerEnd,
    TreeOrigin,
    genus_of,
)

if TYPE_CHECKING:
    from treeage.tables import Field

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_TREES = 3  # choice: with fewer dated trees of a species there is no stand to learn from
_AT_ONCE = 200  # choice: cores worked on at a time
FEWEST_RINGS = 15  # choice: a series shorter than this says little about its neighbours


@dataclass(frozen=True, eq=False)
class SpeciesShared:
    """What the trees of one species share.

    Parameters
    ----------
    growth : GrowthNodes
        Quadrature over what is left of the shared growth near the pith.
    calibration : RingCalibration or None
        Adjustment by the stand's ring tables, one row a core of the species; None where the stand teaches nothing.
    place : numpy.ndarray of int, shape (n_core,)
        Row of each core in the calibration; -1 for other species.
    neighbours : int
        Number of dated trees that were used.
    height : HeightModel
        Years to any height.
    height_group : str
        Name of the species whose model rests on the same figure; their shared values are the same.
    """

    growth: GrowthNodes
    calibration: RingCalibration | None
    place: Ints
    neighbours: int
    height: HeightModel
    height_group: str

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def height_of(self, cores: Cores, row: int) -> HeightModel:
        """The height model of the tree of a core: for open data its sibling for the tree's origin and light."""
        words = (cores.origin[row], cores.young_light[row], cores.crown_class[row])
        return self.height.of_tree(*(str(word) for word in words))


@dataclass(frozen=True, eq=False)
class StandStates:
    """Equally likely states of the errors that all cores of a field share, beside the growth of each species.

    Parameters
    ----------
    aim : AimErrors
        Errors of aim and reading at n_node nodes.
    share, parts : numpy.ndarray, shape (n_node, n_core, n_part) and (n_part, n_core, n_grid)
        Distances of all cores at each node, as sums of a few parts (`posterior.few_parts`).
    level : numpy.ndarray of int, shape (n_node,)
        Level of the rates of miscounts at each node, as in `Cores.count_levels`.
    place : numpy.ndarray of int, shape (n_state,)
        Node of each state.
    """

    aim: AimErrors
    share: Array
    parts: Array
    level: Ints
    place: Ints

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def __len__(self) -> int:
        return int(self.place.size)

    @property
    def node_weights(self) -> Array:
        """Probabilities of the nodes."""
        return np.bincount(self.place, minlength=self.level.size) / self.place.size


@dataclass(frozen=True, eq=False)
class Shared:
    """What trees share, by species; with the sizes of the errors in `Cores` this is what the learned layer swaps.

    Parameters
    ----------
    species : mapping of str to SpeciesShared
        In the order of trees.csv; the growth of each in every state.
    states : StandStates
        What all cores share.
    height_weights : mapping of str to numpy.ndarray
        Probabilities of the height model's shared values by height group; equal where absent.
    """

    species: Mapping[str, SpeciesShared]
    states: StandStates
    height_weights: Mapping[str, Array] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "species", MappingProxyType(dict(self.species)))
        object.__setattr__(self, "height_weights", MappingProxyType(dict(self.height_weights)))

    def __getitem__(self, species: str) -> SpeciesShared:
        return self.species[species]

    def weights(self, species: str) -> Array:
        """Probabilities of the shared values of a species' height model."""
        own = self.species[species]
        count = len(own.height.forms)
        return self.height_weights.get(own.height_group, np.full(count, 1 / count))

    @property
    def stand_weights(self) -> dict[str, Array]:
        """Probabilities of the stand's part of the growth, for the species that were cored."""
        return {name: own.growth.stand_weights for name, own in self.species.items() if (own.place >= 0).any()}

    @property
    def without_heights(self) -> list[str]:
        """Species whose years to any height are unknown."""
        return [name for name, own in self.species.items() if own.height.is_none]


def share(cores: Cores, heights: Mapping[str, HeightModel], groups: Mapping[str, str], *, from_stand: bool) -> Shared:
    """Adjust the expected hidden widths of every core by the dated cores of its species, and add the height model.

    Neighbours are the crossdated and laboratory-counted cores with a ring table, those that the stand put into place by
    their years; other field counts are too loosely dated for
    the hidden calendar years. Every core with hidden rings is a target; one without a ring table stands in as even
    rings of its mean width. Without `from_stand` every core stands alone with the shipped model.
    """
    found = {}
    for name, height in heights.items():
        rows = np.flatnonzero(cores.species == name)
        place = np.full(len(cores), -1)
        place[rows] = np.arange(rows.size)
        neighbours = _neighbours(cores, rows) if from_stand else rows[:0]
        trees = len(set(cores.tree[neighbours]))
        calibration = None
        if trees >= LEAST_TREES:
            calibration = stand_adjustment(_series(cores, rows), _series(cores, neighbours), genus=genus_of(name))
        stand_sd, tree_sd = shared_spreads(calibration=calibration, growth=cores.hidden_growth(rows))
        stand_sd, tree_sd = stand_sd * priors.STAND_GROWTH.value, tree_sd * priors.TREE_GROWTH.value
        growth = growth_nodes(tree_sd, stand_sd, step=LOG_STEP)
        used = trees if calibration is not None else 0
        found[name] = SpeciesShared(growth, calibration, place, used, height, groups.get(name, name))
    return Shared(found, stand_states(cores, AimErrors.centre(), np.zeros(2, dtype=np.int64)))


def _neighbours(cores: Cores, rows: Ints) -> Ints:
    """Cores of a species whose ring tables are dated well enough to compare years."""
    long = [cores.widths_mm[row].size >= FEWEST_RINGS for row in rows]
    placed = np.array([row in cores.by_year for row in rows], dtype=bool)
    return np.asarray(rows[np.array(long, dtype=bool) & (placed | (cores.dating[rows] != Dating.FIELD_COUNT))])


def _series(cores: Cores, rows: Ints) -> DatedSeries:
    """Ring series of chosen cores; even rings where there is no table."""
    widths, first = [], cores.innermost_year[rows].copy()
    for place, row in enumerate(rows):
        first[place], own = cores.by_year.get(row, (first[place], cores.widths_mm[row]))
        if own.size == 0 or own.sum() <= 0:
            mean = float(np.exp(cores.growth.features[row, 0]))
            own = np.full(max(1, int(cores.growth.ring_count[row])), mean)
        widths.append(own)
    return DatedSeries(widths, first, list(cores.tree[rows]), cores.inner_end[rows] == InnerEnd.PITH)


def reach_further(cores: Cores, shared: Shared) -> Cores:
    """Lengthen the range of missed rings of cores whose hidden rings the stand shows to be narrow."""
    most = cores.most_rings.astype(np.float64)
    for own in shared.species.values():
        if own.calibration is not None and own.calibration.offset.ndim == 2:
            rows = np.flatnonzero(own.place >= 0)
            narrower = np.maximum(0.0, -own.calibration.offset.min(axis=1))
            most[rows] *= np.exp(narrower[own.place[rows]])
    return replace(cores, most_rings=np.ceil(most).astype(np.int64))


def bound_upper_cores(cores: Cores, without_heights: Collection[str]) -> Cores:
    """Let only the lowest cores date a tree of a species that has no height model.

    A core above the lowest one with information then only says that the pith below is not younger than its innermost
    ring: the stem reached the upper height in the same year or later, by years that nothing is known of.
    """
    concerned = np.isin(cores.species, list(without_heights)) & ~cores.bound_only
    upper = [
        row
        for rows in cores.rows_of.values()
        if (own := [row for row in rows if concerned[row]])
        for row in own
        if cores.height_m[row] > cores.height_m[own].min() + HEIGHT_APART_M
    ]
    bound_only = cores.bound_only.copy()
    bound_only[upper] = True
    bounded = replace(cores, bound_only=bound_only, distance=at_pith(cores.distance, bound_only))
    return bounded.with_flag(upper, Flag.UPPER_CORE_BOUNDS)


def missed_mass(cores: Cores, rows: Ints, own: SpeciesShared, most: int, *, distance: Array) -> Array:
    """Mass of the missed rings of chosen cores of one species for every shift, shape (n, n_shift, most + 1).

    The distance, shape (n, n_grid), is passed in; a core may come several times. Flat where a core only bounds the
    date.
    """
    calibration = None if own.calibration is None else own.calibration.take(own.place[rows])
    mass = missed_ring_mass(
        cores.growth.take(rows), distance, own.growth.shifts, max_rings=most, calibration=calibration
    )
    mass = np.asarray(mass, dtype=np.float64)
    mass[cores.bound_only[rows]] = 1.0 / mass.shape[2]
    return mass


def missed_at(cores: Cores, rows: Ints, own: SpeciesShared, most: int, distance_mm: Array) -> NDArray[Any]:
    """The same at known distances, (n,), in single precision: shape (n, n_shift, most + 1)."""
    calibration = None if own.calibration is None else own.calibration.take(own.place[rows])
    mass = missed_rings_at(
        cores.growth.take(rows), distance_mm, own.growth.shifts, max_rings=most, calibration=calibration
    )
    mass[cores.bound_only[rows]] = 1.0 / mass.shape[2]
    return mass


def hidden_widths(cores: Cores, rows: Ints, own: SpeciesShared) -> tuple[Array, Array]:
    """Location and scale of the log hidden width of chosen cores of one species on `DISTANCE_GRID_MM`."""
    calibration = None if own.calibration is None else own.calibration.take(own.place[rows])
    typical = typical_distance(DISTANCE_GRID_MM, cores.distance[rows])
    return hidden_width(cores.growth.take(rows), DISTANCE_GRID_MM, typical, calibration=calibration)


def expected_missed(own: SpeciesShared, width: tuple[Array, Array]) -> Array:
    """Missed rings to be expected at every distance from `hidden_widths`, (n, n_grid): as if widths were lognormal."""
    location, scale = width
    spread = np.hypot(scale, np.hypot(own.growth.tree_sd, own.growth.stand_sd))[:, None]
    middle = np.log(np.maximum(DISTANCE_GRID_MM, 1e-9)) - location
    rings = ndtr(-middle / spread) + np.exp(middle + spread**2 / 2) * ndtr(middle / spread + spread)  # at least 1
    return np.asarray(np.where(DISTANCE_GRID_MM > 0, rings, 0.0))


def missed_parts(
    cores: Cores, rows: Ints, own: SpeciesShared, states: StandStates, most: int, width: tuple[Array, Array]
) -> tuple[Array, Array]:
    """Missed rings of chosen cores of one species at every node, as sums of a few parts; width: their `hidden_widths`.

    Shares of the parts, (n_node, n_core, n_part), and the parts at every shift, (n_core, n_part, n_shift, most + 1).
    A distance that differs little between the states so costs little more than one.
    """
    parts, share = states.parts[:, rows], states.share[:, rows]
    kept = int(np.flatnonzero(np.abs(share).max(axis=(0, 1), initial=0.0) > 0).max(initial=0)) + 1
    mass = missed_ring_parts(parts[:kept], width, own.growth.shifts, max_rings=most)
    bound = cores.bound_only[rows]
    share = share[:, :, :kept]
    share[:, bound], mass[bound] = 0.0, 0.0
    share[:, bound, 0], mass[bound, 0] = 1.0, 1.0 / mass.shape[3]
    return share, mass


def stand_states(
    cores: Cores, aim: AimErrors, level: Ints, place: Ints | None = None, *, only: Ints | None = None
) -> StandStates:
    """Nodes of the shared errors with the distances of all cores at each; a state a node, or those at `place`.

    only: rows of the cores that are wanted; the others stay empty.
    """
    shares, parts, wanted = [], [], np.arange(len(cores)) if only is None else only
    for first in range(0, wanted.size, _AT_ONCE):
        rows = wanted[first : first + _AT_ONCE]
        share, part = few_parts(state_distances(cores, rows, aim))
        shares.append(share)
        parts.append(part.astype(np.float32))
    most = max((len(part) for part in parts), default=1)
    share = np.zeros((len(aim), len(cores), most))
    part = np.zeros((most, len(cores), DISTANCE_GRID_MM.size), dtype=np.float32)
    for first, its, own in zip(range(0, wanted.size, _AT_ONCE), shares, parts, strict=True):
        rows = wanted[first : first + _AT_ONCE]
        share[:, rows, : its.shape[2]], part[: len(own), rows] = its, own
    return StandStates(aim, share, part, level, np.arange(len(aim)) if place is None else place)


def state_distances(cores: Cores, rows: Ints, aim: AimErrors) -> Array:
    """Distances of some cores at every node, (n_node, n_core, n_grid), with the errors that were learned."""
    mass, _ = end_distances(cores.ends.take(rows), aim)
    bound = cores.bound_only[rows]
    mass[:, bound] = 0.0
    mass[:, bound, 0] = 1.0
    if cores.distance_factor is not None:
        mass = scale_distance(mass, np.broadcast_to(cores.distance_factor[rows], mass.shape[:2]))
    return mass


# ------------------------------------------------------------------ heights


def height_models(field: Field) -> dict[str, HeightModel]:
    """Choose the height model of every species of a field.

    Parameters
    ----------
    field : Field
        Settings name a model by species or by default; seedlings serve where none is named.

    Returns
    -------
    dict of str to HeightModel
        By species, in the order of trees.csv; open data pooled with the own young trees there are where none is named.

    Raises
    ------
    ModelError
        If the settings name an unknown model or leave out what it needs, or young trees are too few; the faults of
        all species. The checks of `read_field` say the same before.
    """
    models: dict[str, HeightModel] = {}
    faults: list[Fault] = []
    for species in (str(name) for name in field.trees["species"].unique()):
        chosen = _chosen_height(field, species)
        try:
            own: Any = field.seedlings[field.seedlings["species"] == species]
            model = height_model(chosen, seedlings=own, species=species)
            models[species] = moved_heights(model, priors.HEIGHT_SPREAD.value, priors.HEIGHT_LEVEL.value)
        except (InputError, ModelError) as error:  # all species are tried, so that all faults are told at once
            found = error.faults.to_dict("records")
            faults += [Fault(**{str(key): value for key, value in row.items()} | {"item": species}) for row in found]
    if faults:
        raise ModelError(faults)
    return models


def shared_figures(field: Field, models: Mapping[str, HeightModel]) -> dict[str, str]:
    """Height group of each species, see `height_groups`; species with own young trees stay alone."""
    own = {
        species
        for species, model in models.items()
        if model.own_trees or _chosen_height(field, species)["model"] in FROM_YOUNG_TREES
    }
    return height_groups(models, own)


def takes_young_trees(field: Field, species: str) -> bool:
    """Whether the height model of a species is fitted to, or pooled with, the young trees of the field."""
    return _chosen_height(field, species)["model"] in {*FROM_YOUNG_TREES, HeightChoice.OPEN_DATA}


def _chosen_height(field: Field, species: str) -> Mapping[str, Any]:
    """Settings of a species' height model; open data pooled with its young trees where none is named."""
    chosen = field.settings.height_choice(species)
    return {"model": HeightChoice.OPEN_DATA.value} if chosen is None else chosen


def height_groups(models: Mapping[str, HeightModel], own_data: Collection[str] = ()) -> dict[str, str]:
    """Put species whose years rest on one and the same figure into one group, named for its first species by name.

    A figure that is wrong is wrong for every species it serves, so its shared error is one and does not average out
    between them. Two models are one figure where they have one source and all their numbers agree, or both rest on open
    data alone: most of that error is the site's. Species whose model rests on their own young trees stay alone.

    Examples
    --------
    >>> figure = {"model": "mean_sd", "height_m": 1.0, "mean_years": 8, "sd_years": 3}
    >>> spruce, pine, fir = (height_model(figure | more) for more in ({}, {}, {"mean_years": 12}))
    >>> height_groups({"spruce": spruce, "pine": pine, "fir": fir})
    {'spruce': 'pine', 'pine': 'pine', 'fir': 'fir'}
    """
    groups: dict[str, str] = {}
    for species in sorted(models):
        firsts = [name for name, group in groups.items() if name == group and name not in own_data]
        same = [name for name in firsts if species not in own_data and _one_figure(models[species], models[name])]
        groups[species] = same[0] if same else species
    return {species: groups[species] for species in models}


def _one_figure(one: HeightModel, other: HeightModel) -> bool:
    """Whether two models have one source and the same numbers, or rest on open data."""
    if one.grade and other.grade:
        return not (one.own_trees or other.own_trees)
    words = ("name", "source", "known", "forms", "curve")
    numbers = ("scales_m", "intercept", "slope", "deviation")
    return all(getattr(one, word) == getattr(other, word) for word in words) and all(
        np.array_equal(getattr(one, name), getattr(other, name)) for name in numbers
    )


def weigh_heights(shared: Shared, posteriors: Iterable[TreePosterior]) -> Shared:
    """Let trees cored at several heights weigh the shared values of their model, for all species that rest on it."""
    logs: dict[str, Array] = {}
    for tree in sorted((tree for tree in posteriors if tree.tie is not None), key=lambda tree: tree.tree):
        group = shared[tree.species].height_group
        if tree.tie is not None:
            logs[group] = logs.get(group, 0.0) + np.log(np.maximum(tree.tie.evidence, 1e-300))
    weights = {group: np.exp(log - log.max()) for group, log in logs.items()}
    return replace(shared, height_weights={group: weight / weight.sum() for group, weight in weights.items()})


def height_notes(names: Iterable[str], used: Iterable[tuple[str, float, HeightModel]]) -> pd.DataFrame:
    """What a reader must know about the height models used at these (species, height [m], model), as notes."""
    said: dict[str, set[Caution]] = {name: set() for name in names}
    for species, height, model in set(used):
        said[species] |= set(model.cautions(height)) if height > 0 or not model.is_none else set()
    told: dict[Caution, list[str]] = {}  # one note for each caution, with the species it holds for
    for species, cautions in said.items():
        for caution in sorted(cautions):
            told.setdefault(caution, []).append(species)
    faults = [Fault(it, it.need, it.do, SETTINGS_FILE, 0, "height", ", ".join(told[it])) for it in told]
    return faults_frame(faults)


PLAN_COLUMNS = (
    "species", "height_m", "model", "grade", "studies", "plants", "own_trees", "years_median", "years_lo", "years_hi",
    "three_lo", "three_hi", "curve", "curve_lo", "curve_hi",
)  # fmt: skip


def height_plan(field: Field, *, prob: float = 0.9) -> pd.DataFrame:
    """What the years to the coring height of each species rest on, and what three seedlings would bring.

    Parameters
    ----------
    field : Field
        The input.
    prob : float, default 0.9
        Probability of the intervals.

    Returns
    -------
    pandas.DataFrame
        One row a species cored above the root collar, at its median coring height and for the commonest origin of its
        trees: model, grade, studies, plants (open data), own_trees, median and interval of the years; for open data
        without own young trees the interval to expect with three seedlings; medians by a published curve, where there
        is one, at its best and its poorest site.
    """
    return _height_plan(field, height_models(field), prob)


def _height_plan(field: Field, models: Mapping[str, HeightModel], prob: float) -> pd.DataFrame:
    """The same with the models at hand."""
    rows: list[dict[str, Any]] = []
    cored = field.cores[["tree", "core_height_m"]].merge(field.trees[["tree", "species", "origin"]], on="tree")
    for species, part in cored[cored["core_height_m"] > 0].groupby("species", sort=False):
        name, height_m = str(species), float(part["core_height_m"].median())
        words = [str(word) for word in part["origin"].dropna()] if "origin" in part else []
        origin = max(sorted(set(words)), key=words.count, default="")
        model = models[name].of_tree(origin)
        own: Any = field.seedlings[field.seedlings["species"] == name]
        own_trees = int((own["height_m"].notna() & own["age_years"].notna()).sum())
        row: dict[str, Any] = {"species": name, "height_m": height_m, "model": model.name, "own_trees": own_trees}
        if model.grade:
            found = young_tree_evidence(name)
            row |= {"grade": model.grade, "studies": found.studies, "plants": found.plants}
            if own_trees == 0 and origin != TreeOrigin.SPROUT:
                row["three_lo"], row["three_hi"] = with_three(name, height_m, origin, prob)
        if not model.is_none and height_m < model.limit_m:
            years = model.years(height_m)
            row["years_median"], (row["years_lo"], row["years_hi"]) = years.median(), years.interval(prob)
        if (curve := second_opinion(name, height_m)) is not None:
            row["curve"], row["curve_lo"], row["curve_hi"] = curve
        rows.append(row)
    return pd.DataFrame(rows, columns=list(PLAN_COLUMNS))


def open_data_tables(field: Field, shared: Shared, prob: float) -> dict[str, pd.DataFrame]:
    """Tables of the answers about the species that rest on open data: the plan, and the studies to cite; or none."""
    plan = _height_plan(field, {name: own.height for name, own in shared.species.items()}, prob)
    plan = plan[plan["grade"].notna()].reset_index(drop=True).astype({"studies": "Int64", "plants": "Int64"})
    studies = [study_table(name).assign(used_for=name) for name in plan["species"]]
    if not len(plan):
        return {}
    return {"young_trees_elsewhere": plan, "young_tree_studies": pd.concat(studies, ignore_index=True)}


def species_without_heights(field: Field) -> pd.DataFrame:
    """Name the species whose dates will refer to the coring height, because they have no height model.

    Parameters
    ----------
    field : Field
        The input.

    Returns
    -------
    pandas.DataFrame
        Notes, one row a species that was cored above the root collar; columns of the notes table.

    Raises
    ------
    ModelError
        If the settings name an unknown model or leave out what it needs.
    """
    models = height_models(field)
    cored = field.cores[["tree", "core_height_m"]].merge(field.trees[["tree", "species"]], on="tree")
    pairs = {(str(name), float(height)) for name, height in zip(cored["species"], cored["core_height_m"], strict=True)}
    return height_notes(models, [(*pair, models[pair[0]]) for pair in pairs if models[pair[0]].is_none])
