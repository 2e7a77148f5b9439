"""Draws one whole virtual stand: field tables as a person would fill them in, and the hidden truth.

Layer 4. Own derivation; the parts are in the modules of the same prefix, the numbers and their sources in
`simulate_scenario`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from treeage.simulate_cores import draw_cores
from treeage.simulate_reading import draw_dating, read_cores, read_traces
from treeage.simulate_scenario import Scenario, scenario
from treeage.simulate_tables import (
    cores_table,
    events_table,
    rings_table,
    seedlings_table,
    trees_table,
    truth_tables,
)
from treeage.simulate_trees import draw_trees

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from treeage.tables import Field, Settings

EXAMPLE_SEED = 2025  # choice: the seed of the demo stand, so that everybody has the same one

_README = """# {title}

**Invented data.** {note}
Written by the simulator of treeage (scenario "{name}", seed {seed}).

| file | one row |
|---|---|
| trees.csv | a tree |
| cores.csv | an increment core; lengths and distances end at the innermost counted ring's inner boundary |
| rings.csv | a ring, innermost counted ring first; width 0 is a dated ring that is locally absent |
| seedlings.csv | a young tree: height and age, or rings at two heights (for the years to coring height) |
| events.csv | a known event |
| field.toml | site, hemisphere, height model of each species |

Units stand in the column names; an empty cell is "not measured". Every column is explained by the command
`treeage columns` (in Python: `treeage.schema.nomenclature()`). The truth behind the tables lies in a folder of its
own beside this one, so that it is never read as input.

## Before you core real trees

- Ask the land owner or manager for permission, and the conservation authority in protected areas; say how
  many trees, which species, and what happens to the cores. Ask first whether stored cores, stumps or discs
  would do.
- Leave veteran, heritage, hazard and urban trees to specialists. Conifers have mostly shown no harm from
  coring in follow-ups of 10 to 40 years; many hardwoods stain and may decay.
- Use a sharp, clean borer; clean it between trees where a disease asks for it. Do not plug the hole.
- Wear eye protection and gloves; push with open palms; back out at once when the borer suddenly turns easily
  (rot); never clear a jam with a knife; do not core leaning trees whose wood may lock the borer.
"""

_TRUTH_README = """# The truth behind the tables

**Invented data** (scenario "{name}", seed {seed}). Never an input: use it to score answers.

| file | one row |
|---|---|
| trees.csv | a tree: establishment year, age (seasons, both ends counted), pith year at its first core |
| cores.csv | a core: pith year, missed rings, count error (true minus counted), distance to the pith |
| ring_events.csv | a ring that is absent, merged with its neighbour, false, or split; 1 = outermost |
| species.csv | a species: its true median years to 1 m here and the spread from tree to tree |
"""


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
        from treeage.errors import Fault, InputError
        from treeage.tables import write_field, write_table, write_text

        target = Path(folder).resolve()
        truth = target.with_name(target.name + "_truth")
        if truth.is_file() or (truth.is_dir() and any(truth.iterdir())):
            need = "a name whose truth folder is new or empty"
            raise InputError(
                Fault(
                    f"{truth}, which exists",
                    need,
                    "Choose another folder.",
                    "SimulatedStand.write",
                    0,
                    "folder",
                )
            )
        write_field(target, {name: _plain(frame) for name, frame in self.tables.items()}, self.field_settings())
        words = {"name": self.scenario.name, "seed": self.seed, "note": self.scenario.note}
        write_text(target / "README.md", _README.format(title=self.settings["site"]["name"], **words))
        for name, frame in self.truth.items():
            write_table(_plain(frame), truth / f"{name}.csv")
        write_text(truth / "README.md", _TRUTH_README.format(**words))
        return target, truth


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Write whole numbers without a decimal point."""
    out = frame.copy()
    for name in out.columns:
        column = out[name]
        if column.dtype.kind == "f" and (column.dropna() % 1 == 0).all():
            out[name] = column.astype("Int64")
    return out


def _settings(recipe: Scenario) -> dict[str, Any]:
    if recipe.seedlings_per_species:
        model = {"model": "seedlings"}
    else:
        model = {"model": "two_heights" if recipe.pairs_per_species else "none"}
    return {
        "site": {
            "name": "High pasture (invented)",
            "description": recipe.note,
            "hemisphere": "north",
            "breast_height_m": 1.3,
        },
        "height": {each.name: dict(model) for each in recipe.species},
    }


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
    measured = (dating != "field_count") & (rng.random(dating.size) < recipe.reading.measured_share)
    tables = {
        "trees": trees_table(recipe, trees, cores, rng),
        "cores": cores_table(recipe, cores, series, traces=traces, dating=dating, measured=measured),
        "rings": rings_table(recipe, cores, series, dating=dating, measured=measured),
        "seedlings": seedlings_table(recipe, trees, rng),
        "events": events_table(recipe),
    }
    truth = truth_tables(recipe, trees, cores, series=series, dating=dating)
    stated = None if isinstance(seed, np.random.Generator) else int(seed)
    return SimulatedStand(scenario=recipe, seed=stated, tables=tables, truth=truth, settings=_settings(recipe))
