"""Draws the hidden truth of virtual stands from exactly the model that the estimate states.

Readings and visible widths are kept as given; what is hidden is drawn anew, through the functions of the rooms below
that the estimate uses too.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from treeage.distance import DISTANCE_GRID_MM, inside_radius, joint_distances, radial_length, share_a_line
from treeage.errors import Fault, InputError, public, require_seed, require_whole, show
from treeage.estimate import Cores, StandStates, learn_states, read_cores, share
from treeage.height import HEIGHT_APART_M, height_model, no_height_model
from treeage.posterior import ASTRAY_YEARS
from treeage.rings import InnerGrowth, hidden_width, ring_model, shared_spreads, typical_distance
from treeage.schema import InnerEnd, OuterEnd, Word, column_numbers
from treeage.simulate.stands import EXAMPLE_SEED, SimulatedStand, simulate_stand
from treeage.simulate.trees import Floats, Ints, Scenario
from treeage.simulate.trees import scenario as stand_scenario
from treeage.tables import Field

if TYPE_CHECKING:
    import pandas as pd


MOST_TREES = 20_000  # choice: a stand of more is no example


class SharedBy(Word):
    """Who shares a growth rate and a state of the height model: the cores of a tree alone, or the whole stand."""

    TREE = "tree"
    STAND = "stand"


def simulate_from_model(
    recipe: Scenario | str = "mixed", *, seed: int | np.random.Generator = 0, shared_by: str = "stand"
) -> SimulatedStand:
    """Draw a virtual stand whose hidden truth follows exactly the model that the estimate states.

    Parameters
    ----------
    recipe : Scenario or str, default "mixed"
        The recipe, or the name of one that ships.
    seed : int or numpy.random.Generator, default 0
        Source of randomness.
    shared_by : {"tree", "stand"}, default "stand"
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
    A stand is drawn by `simulate_stand`; its readings and visible widths are kept as given, and what is hidden is
    drawn from the model: the state of the errors of aim and reading that the inner ends leave open, the distance
    from what the readings say in it, the log hidden width from the fitted location with its stand, tree and core
    deviations, the count error from its mass function, the years to the coring height from the height model of
    the seedlings. The pith year follows from the cores, and each core's outer year from the pith year, so the
    outer years of a tree's cores differ. Stated intervals must cover at their nominal rate here; on
    `simulate_stand` they are put to a harder test.
    Every core stands alone with the shipped model here, as with `estimate_ages(field, from_stand=False,
    from_pairs=False)`. The estimate learns from all trees what they share, so "stand" is the model that it
    states; hits of trees of one stand then go together. With "tree" they are independent, and the estimate
    takes for shared what is not.

    Examples
    --------
    >>> stand = simulate_from_model("pith", seed=1)
    >>> float(stand.truth["cores"]["missed_rings"].median())
    0.0
    """
    if shared_by not in list(SharedBy):
        fault = Fault(show(shared_by), "tree or stand", "Use one of them.", "simulate_from_model", 0, "shared_by")
        raise InputError(fault)
    alone = shared_by == SharedBy.TREE
    rng = np.random.default_rng(seed)
    chosen = stand_scenario(recipe) if isinstance(recipe, str) else recipe
    chosen = replace(chosen, collar_years_mean=0.0)
    stand = simulate_stand(chosen, seed=rng)
    trees, given = stand.tables["trees"], stand.tables["cores"]
    cores = given.merge(trees.drop(columns=["collar_years", "collar_years_sd"]), on="tree", how="left")
    prepared, order, states = _prepared(stand)
    owner = _owner(cores)
    state = rng.integers(len(states), size=int(owner.max()) + 1 if alone else 1)
    state = np.broadcast_to(state, int(owner.max()) + 1)[owner]
    mass = state_masses(states, order, state)
    distance = _draw_distances(cores, mass, states, state, rng)
    missed = draw_missed(prepared.growth.take(order), owner, mass, distance=distance, alone=alone, rng=rng)
    counted = cores["rings_counted"].to_numpy(dtype=np.int64)
    error = _draw_errors(prepared, order, states.level[states.place[state]], owner, rng)
    years = _draw_years(stand, cores, alone=alone, rng=rng)
    span = years + missed + error + counted - 1  # outer year less establishment year
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


# ---------------------------------------------------------------------- distance to the pith


def _prepared(stand: SimulatedStand) -> tuple[Cores, Ints, StandStates]:
    """Cores as the estimate reads them, the row of each core of the table in it, and what the inner ends leave open."""
    tables = stand.tables
    field = Field.from_frames(tables["trees"], tables["cores"], tables["rings"], seedlings=tables["seedlings"])
    cores = read_cores(field)
    heights = {str(name): no_height_model() for name in field.trees["species"].unique()}
    states = learn_states(cores, share(cores, heights, {}, from_stand=False), mates=False)[1].states
    return cores, np.asarray(np.argsort(cores.line)), states


def state_masses(states: StandStates, rows: Ints, state: Ints) -> Floats:
    """Mass of the distance to the pith of every core in a state of its own, (cores, grid)."""
    share = states.share[states.place[state], rows]
    mass = np.maximum(np.einsum("np,pnr->nr", share, states.parts[:, rows]), 0.0)
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


def draw_missed(
    growth: InnerGrowth, owner: Ints, mass: Floats, *, distance: Floats, alone: bool, rng: np.random.Generator
) -> Ints:
    """Draw missed rings: ln(hidden width) = location + b + u - y, y a skewed t; M = max(1, round(distance / width))."""
    location, scale = hidden_width(growth, distance[:, None], typical_distance(DISTANCE_GRID_MM, mass))
    trees = int(owner.max()) + 1
    stand_sd, tree_sd = shared_spreads(growth=growth)
    shared = stand_sd * rng.standard_normal(trees if alone else 1) + tree_sd * rng.standard_normal(trees)
    tails = ring_model().tails
    size = np.abs(rng.standard_t(tails.df, len(growth)))
    more = rng.random(len(growth)) < tails.skew**2 / (1 + tails.skew**2)  # share of a skewed t above 0: more rings
    more_rings = scale * np.where(more, size * tails.skew, -size / tails.skew)
    width = np.exp(location[:, 0] + shared[owner] - more_rings)
    missed = np.where(distance > 0, np.maximum(np.round(distance / width), 1), 0)
    return missed.astype(np.int64)


def _draw_errors(cores: Cores, rows: Ints, level: Ints, owner: Ints, rng: np.random.Generator) -> Ints:
    """Draw the count error of each core at a level of the rates; cores of trees with several may be wrong."""
    error = np.zeros(len(rows), dtype=np.int64)
    for k, (row, own) in enumerate(zip(rows, level, strict=True)):
        count = cores.count if cores.count_levels is None else cores.count_levels[int(own)]
        error[k] = count.start + _draw_places(count.mass[[row]], rng)[0]
    wrong = (np.bincount(owner)[owner] > 1) & (rng.random(len(rows)) < cores.wrong)
    years = np.arange(-6 * int(ASTRAY_YEARS), 6 * int(ASTRAY_YEARS) + 1)
    law = np.exp(-np.abs(years) / ASTRAY_YEARS)
    return np.where(wrong, error + rng.choice(years, size=len(rows), p=law / law.sum()), error)


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


@public
def example_field(
    folder: str | Path, *, scenario: str = "demo", trees: int | None = None, seed: int = EXAMPLE_SEED
) -> tuple[Path, Path]:
    """Write an invented field folder, by default the demo: 48 trees with two cores each.

    Parameters
    ----------
    folder : str or pathlib.Path
        The field folder, new or empty; its hidden truth goes to a folder beside it with "_truth" added.
    scenario : str, default "demo"
        Name of the recipe: demo, pith, arcs, short, rot, counted, two_heights, mixed or large (see
        `treeage example --list`).
    trees : int, optional
        Number of trees; that of the scenario when left out.
    seed : int, default 2025
        The same seed gives the same stand.

    Returns
    -------
    field_folder, truth_folder : pathlib.Path
        What was written.

    Raises
    ------
    InputError
        If either folder holds files already, there is no such scenario, trees is below 1, or seed is not a whole
        number of at least 0.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     field_folder, truth_folder = example_field(Path(folder) / "larches", scenario="arcs", trees=5, seed=1)
    ...     (field_folder / "cores.csv").exists(), truth_folder.name
    (True, 'larches_truth')
    """
    recipe = stand_scenario(scenario)
    if trees is not None:
        require_whole("example_field", "trees", trees, 1, MOST_TREES)
        recipe = replace(recipe, trees=trees, plots=min(recipe.plots, trees))
    return simulate_stand(recipe, seed=require_seed("example_field", seed)).write(folder)
