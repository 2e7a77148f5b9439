"""Stands whose inner ends, missed rings and mates follow the model exactly, and what is kept of them for checks."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from treeage import priors
from treeage.distance import (
    DISTANCE_GRID_MM,
    AimErrors,
    DistanceSource,
    InnerEnds,
    arc_likelihood,
    inner_ends,
    on_grid,
)
from treeage.estimate import Seen, draw_ends
from treeage.pmf import Mass
from treeage.rings import inner_growth_from_means, missed_ring_mass, shared_spreads
from treeage.schema import InnerEnd
from treeage.tables import Field

CHORD_MM = 6.0
MOST_RINGS = 1500
SPREADS = (
    "aim_log_sd",
    "eccentricity_log_sd",
    "sight_log_sd",
    "overlooked_log_sd",
    "short_log_sd",
    "pith_again_log_sd",
    "arc_bias_sd",
)


def state(rng: np.random.Generator, **fixed: float) -> AimErrors:
    """One state of the shared errors, drawn from the prior but for what is fixed."""
    values = [rng.normal(0.0, priors.entries()[name].default) for name in SPREADS]
    names = ("aim", "eccentricity", "sight", "overlooked", "shortfall", "again", "arc_bias")
    drawn = dict(zip(names, values, strict=True)) | {"arc_spread": 0.0, "square": float(rng.integers(0, 2))} | fixed
    return AimErrors(*(np.array([drawn[name]]) for name in (*names, "arc_spread", "square")))


def virtual_ends(aim: AimErrors, size: int, rng: np.random.Generator) -> tuple[InnerEnds, np.ndarray]:
    """Inner ends of two cores each of stems of 200 to 300 mm, drawn in one state, and their distances."""
    radius, none = np.repeat(rng.uniform(200, 300, size // 2), 2), np.full(size, np.nan)
    nodes = aim.take(np.zeros(size, dtype=np.int64))
    stem = (radius, np.full(size, 4.0), radius)
    blank = inner_ends(np.full(size, InnerEnd.ARCS, dtype=object), {}, (none, none, none), stem)
    drawn = draw_ends(blank, nodes, rng)
    arcs = (drawn.word == InnerEnd.ARCS) & (drawn.distance_mm > CHORD_MM / 2 + 0.5)
    curve = drawn.distance_mm * np.exp(aim.arc_bias + priors.entries()["roundness"].default * rng.normal(size=size))
    curve = np.maximum(curve, CHORD_MM / 2)
    rise = curve - np.sqrt(curve**2 - CHORD_MM**2 / 4) + priors.entries()["arc_sd"].default * rng.normal(size=size)
    read = tuple(np.where(arcs, each, np.nan) for each in (CHORD_MM, np.maximum(rise, 0.0), 0.1))
    stem = (radius, np.full(size, 4.0), np.maximum(radius - drawn.gap_mm, 60.0))
    likelihood = arc_likelihood(*(each[arcs] for each in read)) if arcs.any() else np.ones((0, DISTANCE_GRID_MM.size))
    at_its_word = (drawn.word == InnerEnd.PITH) & (rng.random(size) > priors.PITH_NEAR.default)  # as the model takes it
    distance = np.where(at_its_word, 0.0, drawn.distance_mm)
    return inner_ends(drawn.word, {DistanceSource.ARC: (arcs, likelihood)}, read, stem), distance


def virtual_seen(truth: AimErrors, size: int, rng: np.random.Generator, **other: Any) -> Seen:
    """What is kept of such a stand where its own state is known, with mates and counts that follow the model."""
    ends, _ = virtual_ends(truth, size, rng)
    ends = replace(ends, curved=np.ones((size, 0)), direct=np.ones((size, 0)))
    place = rng.random(size // 2)
    errors = Mass(-1, np.tile([0.1, 0.6, 0.3], (size // 2, 1)))
    one, two = (rng.choice([-1, 0, 1], size // 2, p=[0.1, 0.6, 0.3]) for _ in range(2))
    mates = np.column_stack([place, np.zeros(size // 2)])
    parts = {"ends": ends, "aim": truth, "mates": mates, "differences": two - one, "counts": ((errors, errors),)}
    one = np.zeros(1, dtype=np.int64)
    return Seen(**(parts | {"level": one, "place": one, "wrong": priors.GROSS_ERROR.default, "left_out": {}} | other))


def virtual_field(aim: AimErrors, trees: int, rng: np.random.Generator, *, wrong_years: int = 0) -> Field:
    """Tables of such a stand, two cores a tree, crossdated; second cores of every tree dated wrongly by some years.

    The twenty inner rings are 1 mm wide on average, and rings are missed by the law of `treeage.rings`.
    """
    ends, distance = virtual_ends(aim, 2 * trees, rng)
    size = 2 * trees
    growth = inner_growth_from_means(np.ones(size), np.full(size, 20), genus=["Picea abies"] * size)
    stand_sd, tree_sd = shared_spreads(growth=growth)
    shift = rng.normal(0.0, stand_sd) + np.repeat(rng.normal(0.0, tree_sd, trees), 2)
    mass = missed_ring_mass(growth, on_grid(distance), shift, max_rings=MOST_RINGS)[np.arange(size), np.arange(size)]
    missed = np.array([rng.choice(row.size, p=row / row.sum()) for row in mass.astype(np.float64)])
    whole = np.repeat(missed.reshape(-1, 2).max(axis=1) + rng.integers(50, 150, trees), 2)
    names = [f"T{number:03d}" for number in range(trees)]
    table = pd.DataFrame({
        "tree": np.repeat(names, 2), "core": ["a", "b"] * trees, "dating": "crossdated", "core_height_m": 0.0,
        "outer_year": 2020 - wrong_years * np.tile([0, 1], trees), "rings_counted": whole - missed,
        "inner_end": ends.word.astype(str), "core_length_mm": ends.length_mm, "chord_mm": ends.chord_mm,
        "rise_mm": ends.rise_mm, "arc_sd_mm": ends.arc_sd_mm, "inner_width_mm": 1.0, "inner_width_rings": 20,
    })  # fmt: skip
    own = pd.DataFrame({"tree": names, "species": "Picea abies", "bark_mm": 0.0, "bark_sd_mm": 4.0})
    radius = ends.radius_mm[::2]
    return Field.from_frames(own.assign(core_diameter_cm=radius / 5), table.replace({np.nan: None}))
