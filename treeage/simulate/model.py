"""Draws the hidden truth of virtual stands from exactly the model that the estimate states.

Readings and visible widths are kept as given; what is hidden is drawn anew, through the functions of the rooms below
that the estimate uses too.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from treeage.counting import core_mean_width, count_error_mass
from treeage.distance import DISTANCE_GRID_MM, inside_radius, joint_distances, radial_length, share_a_line
from treeage.estimate import StandStates, learn_states, read_cores, share
from treeage.errors import Fault, InputError, show
from treeage.height import HEIGHT_APART_M, height_model, no_height_model
from treeage.pmf import Mass
from treeage.rings import (
    InnerGrowth,
    hidden_width,
    ring_model,
    shared_spreads,
    typical_distance,
    visible_growth,
)
from treeage.schema import InnerEnd, OuterEnd, Word, column_numbers, horizontal_share
from treeage.simulate.scenarios import Scenario, scenario
from treeage.simulate.stands import EXAMPLE_SEED, SimulatedStand, simulate_stand
from treeage.simulate.trees import Floats, Ints
from treeage.tables import Field

if TYPE_CHECKING:
    import pandas as pd


class SharedBy(Word):
    """Who shares a growth rate and a state of the height model: the cores of a tree alone, or the whole stand."""

    TREE = "tree"
    STAND = "stand"


def simulate_from_model(
    recipe: Scenario | str = "mixed", *, seed: int | np.random.Generator = 0, shared_by: str = "tree"
) -> SimulatedStand:
    """Draw a virtual stand whose hidden truth follows exactly the model that the estimate states.

    Parameters
    ----------
    recipe : Scenario or str, default "mixed"
        The recipe, or the name of one that ships.
    seed : int or numpy.random.Generator, default 0
        Source of randomness.
    shared_by : {"tree", "stand"}, default "tree"
        Whether what a stand shares (its part of the growth rate, the state of each species' height model)
        is drawn anew for every tree, as if each stood in a stand of its own, or once for the stand.

    Returns
    -------
    SimulatedStand
        Tables and truth (trees and cores; no ring events).

    Raises
    ------
    InputError
        If there is no scenario of that name, or shared_by is another word.
    ModelError
        If a height model cannot be made from the seedlings.

    Notes
    -----
    A stand is drawn by `simulate_stand`; its readings and visible widths are kept as given, and what is
    hidden is drawn from the model: the state of the errors of aim and reading that the inner ends leave open, the
    distance from what the readings say in it, the log hidden width from the fitted location with its stand, tree and core deviations, the count error from its mass function, the
    years to the coring height from the height model of the seedlings. The pith year follows from the cores,
    and each core's outer year from the pith year, so the outer years of a tree's cores differ. Stated
    intervals must cover at their nominal rate here; on `simulate_stand` they are put to a harder test.
    Every core stands alone with the shipped model here, as with `estimate_ages(field, from_stand=False,
    from_pairs=False)`. With shared_by "tree" hits are independent and the binomial band of
    `validate.coverage` is right; it does not fit an estimate that learns from other trees of the stand what
    they share, as it does of the height model where trees are cored at two heights: use "stand" there.

    Examples
    --------
    >>> stand = simulate_from_model("pith", seed=1)
    >>> int(stand.truth["cores"]["missed_rings"].max())
    0
    """
    if shared_by not in list(SharedBy):
        fault = Fault(show(shared_by), "tree or stand", "Use one of them.", "simulate_from_model", 0, "shared_by")
        raise InputError(fault)
    alone = shared_by == SharedBy.TREE
    rng = np.random.default_rng(seed)
    chosen = scenario(recipe) if isinstance(recipe, str) else recipe
    chosen = replace(chosen, collar_years_mean=0.0)
    stand = simulate_stand(chosen, seed=rng)
    trees, given = stand.tables["trees"], stand.tables["cores"]
    cores = given.merge(trees.drop(columns=["collar_years", "collar_years_sd"]), on="tree", how="left")
    states = _model_states(stand)
    state = rng.integers(len(states), size=int(_owner(cores).max()) + 1 if alone else 1)
    state = np.broadcast_to(state, int(_owner(cores).max()) + 1)[_owner(cores)]
    mass = state_masses(states, state)
    distance = _draw_distances(cores, mass, states, state, rng)
    widths = visible_widths(stand)
    missed = draw_missed(cores, widths, mass, distance=distance, alone=alone, rng=rng)
    counted = cores["rings_counted"].to_numpy(dtype=np.int64)
    errors = count_errors(cores, widths)
    error = errors.start + _draw_places(errors.mass, rng)
    years = _draw_years(stand, cores, alone=alone, rng=rng)
    span = years + missed + error + counted - 1  # outer year less establishment year
    owner = _owner(cores)
    longest = np.zeros(owner.max() + 1, dtype=np.int64)
    np.maximum.at(longest, owner, span)
    establishment = (chosen.outer_year - longest)[owner]
    outer = establishment + span
    tables = dict(stand.tables)
    ends = np.where(outer < chosen.outer_year, OuterEnd.LOST.value, OuterEnd.BARK.value)
    tables["cores"] = given.assign(outer_year=outer, outer_end=ends)
    tables["rings"] = stand.tables["rings"].assign(year=np.nan)
    truth = _truth(cores, chosen.outer_year, establishment=establishment, years=years)
    truth["cores"] = truth["cores"].assign(missed_rings=missed, count_error=error, distance_mm=distance)
    named = replace(chosen, name=f"{chosen.name}, from the model")
    stated = None if isinstance(seed, np.random.Generator) else int(seed)
    return SimulatedStand(scenario=named, seed=stated, tables=tables, truth=truth, settings=stand.settings)


def _truth(cores: pd.DataFrame, outer_year: int, *, establishment: Ints, years: Ints) -> dict[str, pd.DataFrame]:
    """Dates of trees and cores from those of each core."""
    core_frame = cores[["tree", "core"]].assign(pith_year=establishment + years, years_to_core_height=years)
    first = ~core_frame["tree"].duplicated()
    began = establishment[first.to_numpy()]
    tree_frame = core_frame.loc[first, ["tree", "pith_year", "years_to_core_height"]].assign(
        establishment_year=began, age=outer_year + 1 - began, collar_years=0
    )
    return {"trees": tree_frame.reset_index(drop=True), "cores": core_frame}


# ---------------------------------------------------------------------- columns of the joined table of cores


def _species(cores: pd.DataFrame) -> list[str]:
    return [str(name) for name in cores["species"]]


def _owner(cores: pd.DataFrame) -> Ints:
    """Number of the tree of each core."""
    return np.asarray(np.unique(cores["tree"].to_numpy(dtype=str), return_inverse=True)[1], dtype=np.int64)


def _radius(cores: pd.DataFrame) -> tuple[Floats, Floats]:
    """Inside-bark radius and its standard deviation [mm]."""
    return inside_radius(*(column_numbers(cores, name) for name in ("core_diameter_cm", "bark_mm", "bark_sd_mm")))


def _length(cores: pd.DataFrame) -> Floats:
    return radial_length(column_numbers(cores, "core_length_mm"), tilt_deg=np.abs(column_numbers(cores, "tilt_deg")))


def visible_widths(stand: SimulatedStand) -> list[Floats]:
    """Widths of every core as the estimate sees them: horizontal, innermost first; empty where not measured."""
    cores, rings = stand.tables["cores"], stand.tables["rings"]
    groups = rings.groupby(["tree", "core"], sort=False).indices
    values = column_numbers(rings, "width_mm")
    level = horizontal_share(column_numbers(cores, "tilt_deg"))
    keys = zip(cores["tree"], cores["core"], level, strict=True)
    return [
        values[groups[tree, core]] * cosine if (tree, core) in groups else np.zeros(0) for tree, core, cosine in keys
    ]


# ---------------------------------------------------------------------- distance to the pith


def _model_states(stand: SimulatedStand) -> StandStates:
    """States of the shared errors that the inner ends of a stand leave open, cores in the order of the table."""
    tables = stand.tables
    field = Field.from_frames(tables["trees"], tables["cores"], tables["rings"], seedlings=tables["seedlings"])
    cores = read_cores(field)
    heights = {str(name): no_height_model(chosen=True) for name in field.trees["species"].unique()}
    shared = share(cores, heights, {}, from_stand=False)
    states = learn_states(cores, shared, mates=False)[1].states
    order = np.argsort(cores.line)
    return replace(states, share=states.share[:, order], parts=states.parts[:, order])


def state_masses(states: StandStates, state: Ints) -> Floats:
    """Mass of the distance to the pith of every core in a state of its own, (cores, grid)."""
    share = states.share[states.place[state], np.arange(len(state))]
    mass = np.maximum(np.einsum("np,pnr->nr", share, states.parts), 0.0)
    return np.asarray(mass / mass.sum(axis=1, keepdims=True))


def _draw_places(mass: Floats, rng: np.random.Generator) -> Ints:
    """Draw one place of each row of probabilities."""
    total = np.cumsum(mass, axis=1)
    level = rng.random(len(mass)) * total[:, -1]
    return np.asarray(np.minimum((total < level[:, None]).sum(axis=1), mass.shape[1] - 1), dtype=np.int64)


def _line_pairs(cores: pd.DataFrame) -> list[tuple[int, int]]:
    """Pairs of rows of trees with two cores near one line that show nothing of the pith."""
    blind = ~cores["inner_end"].isin([InnerEnd.ARCS.value, InnerEnd.PITH.value]).to_numpy()
    azimuth = column_numbers(cores, "azimuth_deg")
    pairs = [tuple(map(int, rows)) for rows in cores.groupby("tree", sort=False).indices.values() if len(rows) == 2]
    return [(one, two) for one, two in pairs if blind[[one, two]].all() and share_a_line((azimuth[one], azimuth[two]))]


def _draw_distances(
    cores: pd.DataFrame, mass: Floats, states: StandStates, state: Ints, rng: np.random.Generator
) -> Floats:
    """Draw the distance of each core; two cores near one line see one pith."""
    distance = DISTANCE_GRID_MM[_draw_places(mass, rng)]
    (radius, radius_sd), length = _radius(cores), _length(cores)
    azimuth = column_numbers(cores, "azimuth_deg")
    no_arcs = cores["inner_end"].to_numpy() == InnerEnd.NO_ARCS
    for one, two in _line_pairs(cores):
        weights, both = joint_distances(
            float(radius[one]),
            float(radius_sd[one]),
            (float(length[one]), float(length[two])),
            apart_deg=float(azimuth[two] - azimuth[one]),
            no_arcs=(bool(no_arcs[one]), bool(no_arcs[two])),
            eccentricity=states.aim.eccentricity[[states.place[state[one]]]],
            sight=states.aim.sight[[states.place[state[one]]]],
        )
        distance[[one, two]] = both[rng.choice(len(both), p=weights[0])]
    return distance


# ---------------------------------------------------------------------- rings missed or miscounted, years to height


def visible(cores: pd.DataFrame, widths: list[Floats]) -> InnerGrowth:
    """Visible growth of each core from its ring widths, or else from its mean inner width."""
    mean, count = (np.nan_to_num(column_numbers(cores, f"inner_width_{unit}"), nan=1.0) for unit in ("mm", "rings"))
    return visible_growth(widths, mean, count, genus=_species(cores))


def draw_missed(
    cores: pd.DataFrame, widths: list[Floats], mass: Floats, *, distance: Floats, alone: bool, rng: np.random.Generator
) -> Ints:
    """Draw missed rings: ln(hidden width) = location + b + u - y, y a skewed t; M = max(1, round(distance / width))."""
    growth, typical = visible(cores, widths), typical_distance(DISTANCE_GRID_MM, mass)
    location, scale = hidden_width(growth, distance[:, None], typical)
    owner = _owner(cores)
    trees = int(owner.max()) + 1
    stand_sd, tree_sd = shared_spreads(growth=growth)
    shared = stand_sd * rng.standard_normal(trees if alone else 1) + tree_sd * rng.standard_normal(trees)
    tails = ring_model().tails
    size = np.abs(rng.standard_t(tails.df, len(cores)))
    more = rng.random(len(cores)) < tails.skew**2 / (1 + tails.skew**2)  # share of a skewed t above 0: more rings
    more_rings = scale * np.where(more, size * tails.skew, -size / tails.skew)
    width = np.exp(location[:, 0] + shared[owner] - more_rings)
    missed = np.where(distance > 0, np.maximum(np.round(distance / width), 1), 0)
    return missed.astype(np.int64)


def count_errors(cores: pd.DataFrame, widths: list[Floats]) -> Mass:
    """Mass of the count error of each core, true minus counted."""
    counted, dating = cores["rings_counted"].to_numpy(dtype=np.int64), cores["dating"].to_numpy(dtype=str)
    mean = core_mean_width(widths, column_numbers(cores, "core_length_mm"), counted)
    return count_error_mass(counted, dating, genus=_species(cores), mean_width_mm=mean)


def _draw_years(stand: SimulatedStand, cores: pd.DataFrame, *, alone: bool, rng: np.random.Generator) -> Ints:
    """Draw years to the coring height of every core, given a state of the height model for each tree or species."""
    seedlings = stand.tables["seedlings"]
    models = {
        name: height_model(chosen, seedlings=seedlings[seedlings["species"] == name])
        for name, chosen in stand.settings["height"].items()
    }
    state = {name: int(rng.integers(model.deviation.shape[0])) for name, model in models.items()}
    years = np.zeros(len(cores), dtype=np.int64)
    heights, species = column_numbers(cores, "core_height_m"), _species(cores)
    for rows in cores.groupby("tree", sort=False).indices.values():
        name = species[rows[0]]
        model = models[name]
        shared = int(rng.integers(model.deviation.shape[0])) if alone else state[name]
        if np.ptp(heights[rows]) <= HEIGHT_APART_M:
            mass = model.years_given_shared(float(heights[rows[0]]))
            years[rows] = mass.start + _draw_places(mass.mass[[shared]], rng)[0]
        else:
            cells = [model.passing_years(float(height))[shared] for height in heights[rows]]
            years[rows] = np.array(cells)[:, int(rng.integers(cells[0].size))]
    return years


# ---------------------------------------------------------------------- the demo


def example_field(folder: str | Path) -> tuple[Path, Path]:
    """Write the demo field folder: 48 invented trees with two cores each.

    Parameters
    ----------
    folder : str or pathlib.Path
        The field folder, new or empty; its hidden truth goes to a folder beside it with "_truth" added.

    Returns
    -------
    field_folder, truth_folder : pathlib.Path
        What was written.

    Raises
    ------
    InputError
        If either folder holds files already.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     field_folder, truth_folder = example_field(Path(folder) / "highpasture")
    ...     (field_folder / "cores.csv").exists(), truth_folder.name
    (True, 'highpasture_truth')
    """
    return simulate_stand("demo", seed=EXAMPLE_SEED).write(folder)
