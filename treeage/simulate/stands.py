"""One whole virtual stand: field tables as a person would fill them in, and the hidden truth beside them.

Own derivation; the parts are in the files of this room, the numbers and their sources in `scenarios`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from treeage.errors import Fault, InputError
from treeage.height import whole_seasons
from treeage.pmf import freeze_arrays
from treeage.priors import data_text
from treeage.schema import Dating, HeightChoice, SeedlingSampling, TreeOrigin, WidthsTaken, columns, horizontal_share
from treeage.simulate.reading import INNER_RINGS, Series, Traces, draw_dating, read_cores, read_traces
from treeage.simulate.trees import (
    CROWN_CLASSES,
    Flags,
    Floats,
    Scenario,
    Species,
    Strings,
    Trees,
    VirtualCores,
    draw_cores,
    draw_trees,
    growth_curve,
    scenario,
)

if TYPE_CHECKING:
    import pandas as pd

    from treeage.tables import Field, Settings

EXAMPLE_SEED: Final = 2025  # choice: the seed of the demo stand, so that everybody has the same one
PLOT_RADIUS_M: Final = 11.28  # a plot of 400 m2: each tree stands for 25 trees per hectare
BREAST_HEIGHT_M: Final = 1.3
DIAMETER_SHARE: Final = 0.005  # choice: error of a tape reading
SMALLEST_WIDTH_MM: Final = 0.01  # the resolution of a measured width; 0 is kept for absent rings
PAIR_HEIGHTS_M: Final = (0.1, 1.0)  # choice: where rings of young trees are counted
CORE_NAMES: Final = "ABCDEFGH"


@dataclass(frozen=True, eq=False)
class SimulatedStand:
    """A virtual stand: what the field sheets say, and what is true.

    Parameters
    ----------
    scenario : Scenario
        The recipe.
    seed : int or None
        The seed, None when a generator was passed.
    tables : mapping of str to pandas.DataFrame
        trees, cores, rings, seedlings and events with the columns of the field tables.
    truth : mapping of str to pandas.DataFrame
        trees, cores, ring_events and species.
    settings : mapping
        Content of field.toml: sections site and height.

    Examples
    --------
    >>> stand = simulate_stand("demo", seed=1)
    >>> sorted(stand.tables), len(stand.tables["cores"])
    (['cores', 'events', 'rings', 'seedlings', 'trees'], 96)
    """

    scenario: Scenario
    seed: int | None
    tables: Mapping[str, pd.DataFrame]
    truth: Mapping[str, pd.DataFrame]
    settings: Mapping[str, Any]

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def __repr__(self) -> str:
        trees, cores = len(self.tables["trees"]), len(self.tables["cores"])
        return f"SimulatedStand({self.scenario.name!r}, {trees} trees, {cores} cores, seed {self.seed})"

    def field_settings(self) -> Settings:
        """Return the settings as the object that the field tables use.

        Returns
        -------
        Settings
            Site and height models.
        """
        from treeage.tables import Settings

        return Settings(**self.settings["site"], height=self.settings["height"])

    def field(self) -> Field:
        """Check the tables in memory, as if they had been read from files.

        Returns
        -------
        Field
            Ready for the estimate.

        Raises
        ------
        InputError
            If the tables have faults; that would be a defect of the simulator.
        """
        from treeage.tables import Field

        optional = {name: self.tables[name] for name in ("rings", "seedlings", "events") if len(self.tables[name])}
        return Field.from_frames(self.tables["trees"], self.tables["cores"], settings=self.field_settings(), **optional)

    def write(self, folder: str | Path) -> tuple[Path, Path]:
        """Write the field folder, and the truth into a folder of its own beside it.

        Parameters
        ----------
        folder : str or pathlib.Path
            The field folder, new or empty. The truth goes to a folder of the same name with "_truth" added.

        Returns
        -------
        field_folder, truth_folder : pathlib.Path
            What was written.

        Raises
        ------
        InputError
            If either folder holds files already, or is a file.
        """
        from treeage.tables import write_field, write_table, write_text

        target = Path(folder).resolve()
        truth = target.with_name(target.name + "_truth")
        if truth.is_file() or (truth.is_dir() and any(truth.iterdir())):
            got, need = f"{truth}, which exists", "a name whose truth folder is new or empty"
            raise InputError(Fault(got, need, "Choose another folder.", "SimulatedStand.write", 0, "folder"))
        write_field(target, {name: _plain(frame) for name, frame in self.tables.items()}, self.field_settings())
        words = {"name": self.scenario.name, "seed": self.seed, "note": self.scenario.note}
        write_text(
            target / "README.md", data_text("virtual_stand.md").format(title=self.settings["site"]["name"], **words)
        )
        for name, frame in self.truth.items():
            write_table(_plain(frame), truth / f"{name}.csv")
        write_text(truth / "README.md", data_text("virtual_truth.md").format(**words))
        return target, truth


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Write whole numbers without a decimal point."""
    out = frame.copy()
    for name in out.columns:
        column = out[name]
        if column.dtype.kind == "f" and (column.dropna() % 1 == 0).all():
            out[name] = column.astype("Int64")
    return out


def simulate_stand(
    recipe: Scenario | str = "demo", *, seed: int | np.random.Generator = EXAMPLE_SEED
) -> SimulatedStand:
    """Draw a virtual stand.

    Parameters
    ----------
    recipe : Scenario or str, default "demo"
        The recipe, or the name of one that ships (see `scenario`).
    seed : int or numpy.random.Generator
        Source of randomness; the same seed gives the same stand. The default is the seed of the demo data.

    Returns
    -------
    SimulatedStand
        Tables, truth and settings.

    Raises
    ------
    InputError
        If there is no scenario of that name.

    Notes
    -----
    Trees establish in pulses after events; the tip passes the coring height at the continuous time T, so
    the years below it are ceil(T) - 1 and the pith year is establishment + collar years + that. Ring widths
    vary with age, tree, radius and year so that the log ratio of hidden to visible mean width has the
    spread measured on real wood [1]_. The stem has an eccentric pith; cores run on straight lines aimed at
    the geometric centre. The stand does not follow the model of the estimate exactly: it tests how the
    estimate holds outside its own model.

    References
    ----------
    .. [1] Raw ring widths of 165 sites of the public international tree-ring archive (World Data Service for
       Paleoclimatology, NOAA NCEI).

    Examples
    --------
    >>> stand = simulate_stand("pith", seed=1)
    >>> stand
    SimulatedStand('pith', 200 trees, 400 cores, seed 1)
    >>> set(stand.tables["cores"]["inner_end"])
    {'pith'}
    """
    recipe = scenario(recipe) if isinstance(recipe, str) else recipe
    rng = np.random.default_rng(seed)
    trees = draw_trees(recipe, rng)
    cores = draw_cores(recipe, trees, rng)
    tree_dating = draw_dating(recipe.reading, trees.count, rng)
    series = read_cores(recipe, trees, cores, dating=tree_dating, rng=rng)
    traces = read_traces(recipe, cores, rng)
    dating = tree_dating[cores.sections.tree]
    measured = (dating != Dating.FIELD_COUNT) & (rng.random(dating.size) < recipe.reading.measured_share)
    tables = {
        "trees": _trees_table(recipe, trees, cores, rng),
        "cores": _cores_table(recipe, cores, series, traces=traces, dating=dating, measured=measured),
        "rings": _rings_table(recipe, cores, series, dating=dating, measured=measured),
        "seedlings": _seedlings_table(recipe, trees, rng),
        "events": _events_table(recipe),
    }
    truth = _truth_tables(recipe, trees, cores, series=series, dating=dating)
    stated = None if isinstance(seed, np.random.Generator) else int(seed)
    return SimulatedStand(scenario=recipe, seed=stated, tables=tables, truth=truth, settings=_settings(recipe))


def _settings(recipe: Scenario) -> dict[str, Any]:
    """Content of field.toml."""
    pairs = HeightChoice.TWO_HEIGHTS if recipe.pairs_per_species else HeightChoice.NONE
    model = HeightChoice.SEEDLINGS if recipe.seedlings_per_species else pairs
    site = {
        "name": "High pasture (invented)",
        "description": recipe.note,
        "hemisphere": "north",
        "breast_height_m": BREAST_HEIGHT_M,
    }
    return {"site": site, "height": {each.name: {"model": model.value} for each in recipe.species}}


# ---------------------------------------------------------------------- field tables


def _tree_names(count: int) -> Strings:
    """T01, T02, ... with as many digits as needed."""
    digits = max(2, len(str(count)))
    return np.array([f"T{number:0{digits}d}" for number in range(1, count + 1)])


def _core_names(cores: VirtualCores) -> tuple[Strings, Strings]:
    """Tree and core of each core."""
    sections = cores.sections
    return _tree_names(int(sections.tree.max()) + 1)[sections.tree], np.array(list(CORE_NAMES))[sections.number]


def _frame(table: str, values: Mapping[str, object], rows: int) -> pd.DataFrame:
    """Make a frame with exactly the columns of the table, absent ones empty."""
    import pandas as pd

    return pd.DataFrame({item.name: values.get(item.name, np.full(rows, np.nan)) for item in columns(table)})


def _trees_table(recipe: Scenario, trees: Trees, cores: VirtualCores, rng: np.random.Generator) -> pd.DataFrame:
    """Fill in trees.csv; the first core of each tree gives the diameter at the coring height."""
    count = trees.count
    first = np.flatnonzero(cores.sections.number == 0)
    radius, height = cores.radius_mm[first], cores.sections.height_m[first]
    bark_share = np.array([each.bark_share for each in recipe.species])[trees.species_index]
    bark = bark_share * radius * np.exp(0.15 * rng.standard_normal(count))  # choice: bark varies by 15 %
    outside_cm = 2 * (radius + bark) / 10 * (1 + DIAMETER_SHARE * rng.standard_normal(count))
    dbh = np.maximum(outside_cm - recipe.stem.taper_cm_per_m * (BREAST_HEIGHT_M - height), 1.0)
    plot = np.arange(count) % recipe.plots
    turn, reach = rng.uniform(0, 2 * np.pi, count), PLOT_RADIUS_M * np.sqrt(rng.random(count))
    collar = recipe.collar_years_mean
    species = np.array([each.name for each in recipe.species])
    values: dict[str, object] = {
        "tree": _tree_names(count),
        "species": species[trees.species_index],
        "plot": np.array([f"P{number}" for number in range(1, recipe.plots + 1)])[plot],
        "dbh_cm": np.round(dbh, 1),
        "dbh_height_m": np.full(count, BREAST_HEIGHT_M),
        "core_diameter_cm": np.round(outside_cm, 1),
        "bark_mm": np.round(np.maximum(bark + recipe.reading.bark_sd_mm * rng.standard_normal(count), 1.0), 0),
        "bark_sd_mm": np.full(count, recipe.reading.bark_sd_mm),
        "slope_percent": np.round(np.maximum(recipe.stem.slope_percent + 8 * rng.standard_normal(count), 0), 0),
        "crown_class": np.array(CROWN_CLASSES)[trees.crown_index],
        "origin": np.full(count, TreeOrigin.SEED.value),
        "status": np.full(count, "live"),
        "collar_years": np.full(count, max(collar, 0.0)),
        "collar_years_sd": np.full(count, np.round(np.sqrt(collar), 2)),
        "trees_per_ha": np.full(count, 25.0),
        "x_m": np.round(50.0 * (plot % 2) + reach * np.cos(turn), 1),
        "y_m": np.round(50.0 * (plot // 2) + reach * np.sin(turn), 1),
    }
    return _frame("trees", values, count)


def _cores_table(
    recipe: Scenario, cores: VirtualCores, series: list[Series], *, traces: Traces, dating: Strings, measured: Flags
) -> pd.DataFrame:
    """Fill in cores.csv; `measured` says whose ring widths stand in the table of rings."""
    count = len(series)
    tilt = horizontal_share(cores.tilt_deg)
    inner = np.array([each.widths_mm[:INNER_RINGS].mean() for each in series]) / tilt
    inner_rings = np.array([min(INNER_RINGS, each.widths_mm.size) for each in series], dtype=np.float64)
    tree, core = _core_names(cores)
    values: dict[str, object] = {
        "tree": tree,
        "core": core,
        "outer_year": np.full(count, recipe.outer_year),
        "rings_counted": np.array([each.widths_mm.size for each in series]),
        "dating": dating,
        "inner_end": traces.inner_end,
        "core_height_m": cores.sections.height_m,
        "outer_end": np.full(count, "bark"),
        "core_length_mm": np.round(cores.length_mm / tilt, 1),
        "tilt_deg": cores.tilt_deg,
        "azimuth_deg": cores.azimuth_deg,
        **traces.columns,
        "inner_width_mm": np.where(measured, np.nan, np.round(np.maximum(inner, SMALLEST_WIDTH_MM), 2)),
        "inner_width_rings": np.where(measured, np.nan, inner_rings),
        "widths_taken": np.full(count, recipe.reading.widths_taken.value),
    }
    return _frame("cores", values, count)


def _rings_table(
    recipe: Scenario, cores: VirtualCores, series: list[Series], *, dating: Strings, measured: Flags
) -> pd.DataFrame:
    """Fill in rings.csv; the year stands there for crossdated cores only."""
    which = np.flatnonzero(measured)
    sizes = np.array([series[core].widths_mm.size for core in which], dtype=np.int64)
    owner = np.repeat(which, sizes)
    ring = np.arange(owner.size) - np.repeat(np.cumsum(sizes) - sizes, sizes) + 1
    along = recipe.reading.widths_taken == WidthsTaken.ALONG
    taken = [_along(cores, int(core), series[core]) if along else series[core].widths_mm for core in which]
    widths = np.concatenate(taken or [np.zeros(0)])
    recorded = np.round(widths / horizontal_share(cores.tilt_deg[owner]), 2)
    recorded = np.where(widths > 0, np.maximum(recorded, SMALLEST_WIDTH_MM), 0.0)
    year = recipe.outer_year - np.repeat(sizes, sizes) + ring
    tree, core = _core_names(cores)
    values: dict[str, object] = {
        "tree": tree[owner],
        "core": core[owner],
        "ring": ring,
        "year": np.where(dating[owner] == Dating.CROSSDATED, year.astype(np.float64), np.nan),
        "width_mm": recorded,
    }
    return _frame("rings", values, owner.size)


def _along(cores: VirtualCores, core: int, series: Series) -> Floats:
    """Widths [mm] of one core measured along it: its line passes the pith at a distance."""
    ends = cores.distance_mm[core] + np.concatenate([[0.0], np.cumsum(series.widths_mm)])
    miss = min(cores.miss_mm[core], cores.distance_mm[core])
    return np.asarray(np.diff(np.sqrt(np.maximum(ends**2 - miss**2, 0.0))))


def _seedlings_table(recipe: Scenario, trees: Trees, rng: np.random.Generator) -> pd.DataFrame:
    """Fill in seedlings.csv: young trees with height and age, and others with rings counted at two heights.

    They follow the same height curve, shared and tree-to-tree factors as the cored trees did.
    """
    import pandas as pd

    parts = []
    for each, shared in zip(recipe.species, trees.species_slowness.tolist(), strict=True):
        curve, count = growth_curve(each), recipe.seedlings_per_species
        slow = shared * np.exp(each.tree_height_sd * rng.standard_normal(count))
        aim = rng.uniform(0.1, 1.8, count)  # choice: young trees from ankle to head height
        age = np.maximum(whole_seasons(curve.age_at(aim) * slow) + 1, 2).astype(np.float64)  # the passing season counts
        height = np.maximum(np.round(curve.height_at(age / slow), 2), 0.02)
        plot = [f"P{number}" for number in rng.integers(1, recipe.plots + 1, count)]
        values: dict[str, object] = {
            "species": np.full(count, each.name),
            "height_m": height,
            "age_years": age,
            "plot": np.array(plot, dtype=object),
            "sampling": np.full(count, SeedlingSampling.PASSING.value),
            "light": np.full(count, "open"),
        }
        parts.append(_frame("seedlings", values, count))
        if recipe.pairs_per_species:
            parts.append(_pairs(each, shared, recipe.pairs_per_species, rng))
    return pd.concat(parts, ignore_index=True).astype({"tree": object})


def _pairs(species: Species, shared: float, pairs: int, rng: np.random.Generator) -> pd.DataFrame:
    """Young trees with rings counted at two heights; `shared` is the slowness of the species."""
    low, high = PAIR_HEIGHTS_M
    slow = shared * np.exp(species.tree_height_sd * rng.standard_normal(pairs))
    below = whole_seasons(slow[:, None] * growth_curve(species).age_at([low, high]))
    age = below[:, 1] + rng.integers(5, 40, pairs)
    letters = species.name[:2].upper()
    values: dict[str, object] = {
        "species": np.full(pairs, species.name),
        "tree": np.array([f"{letters}{number:02d}" for number in range(1, pairs + 1)]),
        "low_height_m": np.full(pairs, low),
        "low_rings": (age - below[:, 0]).astype(np.float64),
        "high_height_m": np.full(pairs, high),
        "high_rings": (age - below[:, 1]).astype(np.float64),
    }
    return _frame("seedlings", values, pairs)


def _events_table(recipe: Scenario) -> pd.DataFrame:
    """List the known events."""
    values: dict[str, object] = {
        "year": [pulse.year for pulse in recipe.pulses],
        "event": [pulse.event for pulse in recipe.pulses],
        "note": ["invented" for _ in recipe.pulses],
    }
    return _frame("events", values, len(recipe.pulses))


# ---------------------------------------------------------------------- truth


def _truth_tables(
    recipe: Scenario, trees: Trees, cores: VirtualCores, *, series: list[Series], dating: Strings
) -> dict[str, pd.DataFrame]:
    """The hidden truth: one row a tree, a core, an absent, merged, false or split ring, and a species."""
    import pandas as pd

    names, sections = _tree_names(trees.count), cores.sections
    first = np.flatnonzero(sections.number == 0)
    events = np.array([pulse.event for pulse in recipe.pulses] + ["background"])
    tree_frame = pd.DataFrame(
        {
            "tree": names,
            "establishment_year": trees.establishment_year,
            "age": recipe.outer_year - trees.establishment_year + 1,
            "collar_years": trees.collar_years,
            "core_height_m": sections.height_m[first],
            "years_to_core_height": sections.years_below[first],
            "pith_year": sections.pith_year[first],
            "wave": events[trees.event_index],
            "dating": dating[first],
        }
    )
    tree, core = _core_names(cores)
    core_frame = pd.DataFrame(
        {
            "tree": tree,
            "core": core,
            "pith_year": sections.pith_year,
            "years_to_core_height": sections.years_below,
            "rings_from_pith": sections.rings,
            "missed_rings": cores.missed_rings,
            "count_error": np.array([each.count_error for each in series]),
            "distance_mm": np.round(cores.distance_mm, 4),
            "miss_mm": np.round(cores.miss_mm, 4),
            "inside_radius_mm": np.round(cores.radius_mm, 4),
            "hidden_mean_width_mm": np.round(cores.distance_mm / np.maximum(cores.missed_rings, 1), 4),
            "stop": cores.stop,
        }
    )
    rows = [
        (tree[at], core[at], kind.value, recipe.outer_year + 1 - ring, ring)
        for at, each in enumerate(series)
        for kind, ring in each.events
    ]
    ring_frame = pd.DataFrame(rows, columns=["tree", "core", "kind", "year", "ring_from_bark"])
    medians = np.array([each.years_to_1m for each in recipe.species]) * trees.species_slowness
    species_frame = pd.DataFrame(
        {
            "species": [each.name for each in recipe.species],
            "median_years_to_1m": [round(median, 4) for median in medians.tolist()],
            "tree_height_sd": [each.tree_height_sd for each in recipe.species],
        }
    )
    return {"trees": tree_frame, "cores": core_frame, "ring_events": ring_frame, "species": species_frame}
