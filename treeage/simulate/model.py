"""Draws the hidden truth of virtual stands from exactly the model that the estimate states.

Own derivation: readings and visible widths are kept as given, everything that is hidden is drawn
anew.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from treeage.counting import count_error_mass
from treeage.distance import (
    DISTANCE_GRID_MM,
    aimed_core_density,
    arc_likelihood,
    circle_likelihood,
    direct_likelihood,
    distance_mass,
    inside_radius,
    joint_distances,
    ray_likelihood,
    share_a_line,
    short_core_density,
    unseen_curvature,
)
from treeage.errors import Fault, InputError, show
from treeage.height import height_model
from treeage.rings import inner_growth, inner_growth_from_means, ring_model
from treeage.simulate.scenarios import Scenario, scenario
from treeage.simulate.stands import EXAMPLE_SEED, SimulatedStand, simulate_stand

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

SAME_HEIGHT_M = 0.01  # choice, as in the estimate: cores closer in height share one pith year


def _numbers(table: pd.DataFrame, name: str) -> Floats:
    return np.asarray(table[name], dtype=np.float64)


def _radius(cores: pd.DataFrame) -> tuple[Floats, Floats]:
    """Inside-bark radius and its standard deviation [mm]."""
    columns = ("core_diameter_cm", "bark_mm", "bark_sd_mm")
    return inside_radius(*(_numbers(cores, name) for name in columns))


def _length(cores: pd.DataFrame) -> Floats:
    return np.asarray(_numbers(cores, "core_length_mm") * np.cos(np.deg2rad(_numbers(cores, "tilt_deg"))))


def distance_masses(cores: pd.DataFrame) -> Floats:
    """Mass of the distance to the pith that the estimate gives each core for its readings.

    Parameters
    ----------
    cores : pandas.DataFrame
        The table of cores with the columns of the tree joined on; diameter, bark and length are there.

    Returns
    -------
    numpy.ndarray, shape (cores, grid)
        Mass on the common grid; all at 0 for a core with the pith.

    Notes
    -----
    Where the wood shows something: what is known of an aimed core times the likelihood of the reading; else
    the radius less the length, and for intact ends the fact that no curvature was seen.
    """
    (radius, radius_sd), length = _radius(cores), _length(cores)
    end = cores["inner_end"].to_numpy(dtype=object)
    arcs, pith = end == "arcs", end == "pith"
    density = np.zeros((len(cores), DISTANCE_GRID_MM.size))
    blind = ~(arcs | pith)
    density[blind] = short_core_density(radius[blind], radius_sd[blind], length[blind])
    density[blind & (end == "no_arcs")] *= unseen_curvature(1)
    density[arcs] = aimed_core_density(radius[arcs], radius_sd[arcs], length[arcs])
    likelihood = np.ones_like(density)
    for columns, function in (
        (("chord_mm", "rise_mm", "arc_sd_mm"), arc_likelihood),
        (("circle_radius_mm", "circle_step_mm"), circle_likelihood),
        (("ray_gap_mm", "ray_angle_deg", "ray_angle_sd_deg"), ray_likelihood),
        (("distance_mm", "distance_sd_mm"), direct_likelihood),
    ):
        values = [_numbers(cores, name) for name in columns]
        rows = np.isfinite(values[0])
        if rows.any():
            likelihood[rows] *= function(*(value[rows] for value in values))
    mass = distance_mass(density, [likelihood])
    empty = arcs & (mass.sum(axis=1) <= 0)  # the reading lies beyond the diameter: the wood is believed
    mass[empty] = distance_mass(np.ones_like(density[empty]), [likelihood[empty]])
    mass[pith] = np.eye(1, DISTANCE_GRID_MM.size)
    return mass


def _draw_rows(mass: Floats, rng: np.random.Generator) -> Ints:
    """Draw one column of each row of a table of probabilities."""
    total = np.cumsum(mass, axis=1)
    level = rng.random(len(mass)) * total[:, -1]
    return np.asarray(np.minimum((total < level[:, None]).sum(axis=1), mass.shape[1] - 1), dtype=np.int64)


def _line_pairs(cores: pd.DataFrame) -> list[tuple[int, int]]:
    """Pairs of rows of trees with two cores near one line that show nothing of the pith."""
    blind = ~cores["inner_end"].isin(["arcs", "pith"]).to_numpy()
    azimuth = _numbers(cores, "azimuth_deg")
    pairs = [tuple(map(int, rows)) for rows in cores.groupby("tree", sort=False).indices.values() if len(rows) == 2]
    return [(one, two) for one, two in pairs if blind[[one, two]].all() and share_a_line((azimuth[one], azimuth[two]))]


def _draw_distances(cores: pd.DataFrame, mass: Floats, rng: np.random.Generator) -> Floats:
    distance = DISTANCE_GRID_MM[_draw_rows(mass, rng)]
    (radius, radius_sd), length = _radius(cores), _length(cores)
    azimuth = _numbers(cores, "azimuth_deg")
    no_arcs = cores["inner_end"].to_numpy() == "no_arcs"
    for one, two in _line_pairs(cores):
        weights, both = joint_distances(
            float(radius[one]),
            float(radius_sd[one]),
            (float(length[one]), float(length[two])),
            apart_deg=float(azimuth[two] - azimuth[one]),
            no_arcs=(bool(no_arcs[one]), bool(no_arcs[two])),
        )
        distance[[one, two]] = both[rng.choice(weights.size, p=weights)]
    return distance


def _draw_missed(
    cores: pd.DataFrame, widths: list[Floats], mass: Floats, *, distance: Floats, alone: bool, rng: np.random.Generator
) -> Ints:
    """Draw missed rings: ln(hidden width) = location + b + u - y, y a skewed t; M = max(1, round(distance / width))."""
    model = ring_model()
    species = [str(name) for name in cores["species"]]
    measured = np.array([each.size > 0 for each in widths])
    mean = np.where(measured, 1.0, _numbers(cores, "inner_width_mm"))
    count = np.where(measured, 1.0, _numbers(cores, "inner_width_rings"))
    filled = [each if each.size else np.ones(1) for each in widths]
    at = np.log(np.maximum(distance, DISTANCE_GRID_MM[1]))
    grid = np.log(DISTANCE_GRID_MM[1:])
    logs = np.log(DISTANCE_GRID_MM[1:]) * mass[:, 1:]
    typical = np.exp(logs.sum(axis=1) / np.maximum(mass[:, 1:].sum(axis=1), 1e-300))
    location, scale = np.empty(len(cores)), np.empty(len(cores))
    for rows, growth in (
        (measured, inner_growth(filled, genus=species)),
        (~measured, inner_growth_from_means(mean, count, genus=species)),
    ):
        table = model.location(growth, DISTANCE_GRID_MM[1:])
        own = np.array([np.interp(x, grid, row) for x, row in zip(at, table, strict=True)])
        location = np.where(rows, own, location)
        scale = np.where(rows, model.own_scale(growth, typical), scale)
    owner = np.unique(cores["tree"].to_numpy(dtype=str), return_inverse=True)[1]
    trees = int(owner.max()) + 1
    shared = model.stand_sd * rng.standard_normal(trees if alone else 1)
    shared = shared + model.tree_sd * rng.standard_normal(trees)
    size = np.abs(rng.standard_t(model.tails.df, len(cores)))
    skew = model.tails.skew
    up = rng.random(len(cores)) < skew**2 / (1 + skew**2)  # probability of more rings than expected in a skewed t
    more_rings = scale * np.where(up, size * skew, -size / skew)
    width = np.exp(location + shared[owner] - more_rings)
    missed = np.where(distance > 0, np.maximum(np.round(distance / width), 1), 0)
    return missed.astype(np.int64)


def _draw_years(stand: SimulatedStand, cores: pd.DataFrame, *, alone: bool, rng: np.random.Generator) -> Ints:
    """Draw years to the coring height of every core, given a state of the height model for each tree or species."""
    seedlings = stand.tables["seedlings"]
    models = {
        name: height_model(chosen, seedlings=seedlings[seedlings["species"] == name])
        for name, chosen in stand.settings["height"].items()
    }
    state = {name: int(rng.integers(model.deviation.shape[0])) for name, model in models.items()}
    years = np.zeros(len(cores), dtype=np.int64)
    heights, species = _numbers(cores, "core_height_m"), cores["species"].to_numpy(dtype=str)
    for rows in cores.groupby("tree", sort=False).indices.values():
        model = models[species[rows[0]]]
        shared = int(rng.integers(model.deviation.shape[0])) if alone else state[species[rows[0]]]
        if np.ptp(heights[rows]) <= SAME_HEIGHT_M:
            start, mass = model.years_given_shared(float(heights[rows[0]]))
            years[rows] = start + _draw_rows(mass[[shared]], rng)[0]
        else:
            node = int(rng.integers(model.deviation.shape[1]))
            seasons = np.array([model.passing_seasons(float(height))[shared, node] for height in heights[rows]])
            years[rows] = np.maximum(np.ceil(seasons) - 1, 0).astype(np.int64)
    return years


def _visible_widths(stand: SimulatedStand) -> list[Floats]:
    """Widths of every core as the estimate sees them: horizontal, innermost first; empty where not measured."""
    cores, rings = stand.tables["cores"], stand.tables["rings"]
    groups = rings.groupby(["tree", "core"], sort=False).indices
    values = _numbers(rings, "width_mm")
    level = np.cos(np.deg2rad(_numbers(cores, "tilt_deg")))
    keys = zip(cores["tree"], cores["core"], level, strict=True)
    return [
        values[groups[tree, core]] * cosine if (tree, core) in groups else np.zeros(0) for tree, core, cosine in keys
    ]


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
    hidden is drawn from the model: the distance from what the readings say, the log hidden width from the
    fitted location with its stand, tree and core deviations, the count error from its mass function, the
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
    if shared_by not in ("tree", "stand"):
        raise InputError(
            Fault(show(shared_by), "tree or stand", "Use one of them.", "simulate_from_model", 0, "shared_by")
        )
    rng = np.random.default_rng(seed)
    chosen = scenario(recipe) if isinstance(recipe, str) else recipe
    chosen = replace(chosen, collar_years_mean=0.0)
    stand = simulate_stand(chosen, seed=rng)
    trees, given = stand.tables["trees"], stand.tables["cores"]
    cores = given.merge(trees.drop(columns=["collar_years", "collar_years_sd"]), on="tree", how="left")
    mass = distance_masses(cores)
    distance = _draw_distances(cores, mass, rng)
    alone = shared_by == "tree"
    missed = _draw_missed(cores, _visible_widths(stand), mass, distance=distance, alone=alone, rng=rng)
    counted = cores["rings_counted"].to_numpy(dtype=np.int64)
    start, error_mass = count_error_mass(
        counted, cores["dating"].to_numpy(dtype=str), genus=[str(name) for name in cores["species"]]
    )
    error = start + _draw_rows(error_mass, rng)
    years = _draw_years(stand, cores, alone=alone, rng=rng)
    span = years + missed + error + counted - 1  # outer year less establishment year
    owner = np.unique(cores["tree"].to_numpy(dtype=str), return_inverse=True)[1]
    longest = np.zeros(owner.max() + 1, dtype=np.int64)
    np.maximum.at(longest, owner, span)
    establishment = (chosen.outer_year - longest)[owner]
    outer = establishment + span
    tables = dict(stand.tables)
    tables["cores"] = given.assign(outer_year=outer, outer_end=np.where(outer < chosen.outer_year, "lost", "bark"))
    tables["rings"] = stand.tables["rings"].assign(year=np.nan)
    truth = _truth(cores, chosen.outer_year, establishment=establishment, years=years, missed=missed, error=error)
    truth["cores"]["distance_mm"] = distance
    named = replace(chosen, name=f"{chosen.name}, from the model")
    stated = None if isinstance(seed, np.random.Generator) else int(seed)
    return SimulatedStand(scenario=named, seed=stated, tables=tables, truth=truth, settings=stand.settings)


def _truth(
    cores: pd.DataFrame, outer_year: int, *, establishment: Ints, years: Ints, missed: Ints, error: Ints
) -> dict[str, pd.DataFrame]:
    core_frame = cores[["tree", "core"]].assign(
        pith_year=establishment + years, years_to_core_height=years, missed_rings=missed, count_error=error
    )
    first = ~core_frame["tree"].duplicated()
    tree_frame = core_frame.loc[first, ["tree", "pith_year", "years_to_core_height"]].assign(
        establishment_year=establishment[first.to_numpy()],
        age=outer_year + 1 - establishment[first.to_numpy()],
        collar_years=0,
    )
    return {"trees": tree_frame.reset_index(drop=True), "cores": core_frame}


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
