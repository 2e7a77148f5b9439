"""The one pipeline: a checked field in, the ages of its trees out.

No model of its own: cores, trees, heights and collar are put together as in DEVELOPERS.md.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from treeage.crossdating import DatedCore, crossdate_stand
from treeage.errors import Fault, InputError, ModelError, require_field, require_level, require_seed
from treeage.estimate.answers import Workings, account_rows, gather_sources, minimum_answer, tree_answer
from treeage.estimate.cores import bound_upper_cores, core_facts, core_inputs, table_records
from treeage.estimate.pairs import CoreReadings, mark_events, read_cores_together
from treeage.estimate.shared import HeightTable, height_groups, reach_further, rule_comparison, species_rates
from treeage.estimate.trees import TiedHeights, date_trees, tie_heights
from treeage.height import HeightModel, height_model, no_height_model
from treeage.results import Ages
from treeage.schema import FEWEST_YOUNG_TREES

if TYPE_CHECKING:
    from treeage.tables import Field


def estimate_ages(
    field: Field,
    *,
    prob: float = 0.9,
    seed: int = 0,
    from_stand: bool = True,
    from_pairs: bool = True,
    tick: Callable[[int], object] | None = None,
) -> Ages:
    """Date every tree of a field, with the uncertainty of each step.

    Parameters
    ----------
    field : Field
        From `read_field`.
    prob : float, default 0.9
        Probability of the intervals, strictly between 0 and 1.
    seed : int, default 0
        Kept with the result for its draws; the estimate itself is exact and uses no randomness.
    from_stand : bool, default True
        Whether the ring tables of the stand's other trees inform the hidden rings of each core (complete cores,
        the same calendar years, other cores of the tree); without them every core stands alone.
    from_pairs : bool, default True
        Whether two ring tables of a tree that are not both crossdated are read against each other, so that the joint
        mass of their count errors replaces the published ones.
    tick : callable, optional
        Called with the number of trees done, for a progress bar.

    Returns
    -------
    Ages
        Estimated and minimum-only trees in the order of trees.csv, and an account of every row.

    Raises
    ------
    InputError
        If field is not a Field, prob is not between 0 and 1, or seed is not a whole number of at least 0.
    ModelError
        If a height model cannot answer (unknown name, coring height above its range).

    Notes
    -----
    establishment year = outer year - (rings counted + count error + missed rings) + 1 - years to the coring height -
    collar years. Missed rings, count error and pith year are exact on the integer grid with the shared growth
    rate summed out (`posterior.combine_cores`); years to height and collar years are subtracted by convolution. Trees
    are taken as independent given the shared growth rate and the shared part of the height model.

    References
    ----------
    .. [1] Own derivation; methods and figures behind each step are in the table `Ages.sources`.

    Examples
    --------
    >>> import pandas as pd
    >>> from treeage.tables import Field
    >>> trees = pd.DataFrame({"tree": ["A1"], "species": ["Larix decidua"]})
    >>> cores = pd.DataFrame({"tree": ["A1"], "core": ["a"], "outer_year": [2024], "rings_counted": [120],
    ...     "dating": ["crossdated"], "inner_end": ["pith"], "core_height_m": [0.0]})
    >>> estimate_ages(Field.from_frames(trees, cores))["A1"].establishment_year.median()
    1905
    """
    require_field("estimate_ages", field)
    prob, seed = require_level("estimate_ages", "prob", prob), require_seed("estimate_ages", seed)
    facts = core_facts(field)
    inputs = core_inputs(facts)
    models = height_models(field)
    heights = HeightTable(models, shared_figures(field, models))
    rates = species_rates(facts, inputs, from_stand=from_stand)
    inputs = bound_upper_cores(facts, reach_further(inputs, rates), without_model(models))
    readings = read_cores_together(facts) if from_pairs else CoreReadings({}, pd.DataFrame(), 0)
    mark_events(facts, readings)
    dated = date_trees(facts, inputs, rates, heights.passing_years, joint_counts=readings.joint, tick=tick)
    rows_of = {str(tree): np.flatnonzero(facts.table["tree"] == tree) for tree in facts.table["tree"].unique()}
    tied: dict[str, TiedHeights] = {}
    for tree, dates in dated.items():
        if dates.likelihood is not None:
            species = str(facts.records[dates.lead]["species"])
            tied[tree] = tie_heights(dates, facts, heights, species, rates[species].nodes)
            heights.learn(species, tied[tree].evidence)
    workings = Workings(facts, inputs, heights, rates, tied, readings.trees)
    answers = []
    for record in table_records(field.trees):
        rows = rows_of.get(str(record["tree"]))
        if rows is None:
            continue
        dates_of = dated.get(str(record["tree"]))
        if dates_of is None:
            answers.append(minimum_answer(record, rows, facts, prob=prob))
        else:
            answers.append(tree_answer(record, dates_of, workings, prob=prob))
    return Ages(
        tree_ages=tuple(answers),
        prob=prob,
        accounting=account_rows(field, answers, facts, inputs),
        tree_table=field.trees,
        events=field.events,
        notes=pd.concat([field.notes, heights.notes()], ignore_index=True),
        sources=gather_sources(workings, answers),
        stand_weights={name: rate.nodes.stand_weights for name, rate in rates.items()},
        settings=record_settings(field, seed),
        height_weights=heights.all_weights(),
        extras={"ring_events": readings.events, "rule_comparison": rule_comparison(facts)},
    )


def height_models(field: Field) -> dict[str, HeightModel]:
    """Choose the height model of every species of a field.

    Parameters
    ----------
    field : Field
        Settings name a model by species or by default; seedlings serve where none is named.

    Returns
    -------
    dict of str to HeightModel
        By species; the model "none" (age at coring height) where nothing is known.

    Raises
    ------
    ModelError
        If the settings name an unknown model or leave out what it needs, or young trees are too few; the faults of
        all species. The checks of `read_field` say the same before.
    """
    models: dict[str, HeightModel] = {}
    faults: list[Fault] = []
    for species in field.trees["species"].unique():
        own = field.seedlings[field.seedlings["species"] == species]
        chosen = _chosen_height(field, species)
        if chosen is None:
            models[str(species)] = no_height_model(chosen=False)
            continue
        try:
            models[str(species)] = height_model(chosen, seedlings=own)
        except (InputError, ModelError) as error:  # all species are tried, so that all faults are told at once
            found = error.faults.to_dict("records")
            faults += [
                Fault(**{str(key): value for key, value in row.items()} | {"item": str(species)}) for row in found
            ]
    if faults:
        raise ModelError(faults)
    return models


def without_model(models: Mapping[str, HeightModel]) -> list[str]:
    """Species whose years to any height are unknown.

    Parameters
    ----------
    models : mapping of str to HeightModel
        From `height_models`.

    Returns
    -------
    list of str
        Those with the model "none".
    """
    return [species for species, model in models.items() if model.is_none]


def shared_figures(field: Field, models: Mapping[str, HeightModel]) -> dict[str, str]:
    """Say which species of a field rest on one and the same figure of the years to the coring height.

    Parameters
    ----------
    field : Field
        Its settings name the models.
    models : mapping of str to HeightModel
        From `height_models`.

    Returns
    -------
    dict of str to str
        Group of each species, see `estimate_heights.height_groups`; species with own young trees stay alone.
    """
    chosen = {species: _chosen_height(field, species) or {} for species in models}
    own = {species for species in models if chosen[species].get("model") in ("seedlings", "two_heights")}
    return height_groups(models, own)


def _chosen_height(field: Field, species: str) -> Mapping[str, Any] | None:
    """Settings of a species' height model; its young trees where none is named, and nothing where they are too few."""
    chosen: Mapping[str, Any] | None = field.settings.height.get(species, field.settings.height.get("default"))
    if chosen is not None:
        return chosen
    own = field.seedlings[field.seedlings["species"] == species]
    sized = own["height_m"].notna() & own["age_years"].notna()
    return {"model": "seedlings"} if int(sized.sum()) >= FEWEST_YOUNG_TREES else None


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
    heights = HeightTable(height_models(field))
    cored = field.cores[["tree", "core_height_m"]].merge(field.trees[["tree", "species"]], on="tree")
    for species, height_m in cored[["species", "core_height_m"]].drop_duplicates().itertuples(index=False, name=None):
        if heights.models[str(species)].is_none:
            heights.years(str(species), float(height_m))
    return heights.notes()


def record_settings(field: Field, seed: int) -> dict[str, Any]:
    """Settings of a field as they are kept with its answers.

    Parameters
    ----------
    field : Field
        The input.
    seed : int
        Seed of the draws.

    Returns
    -------
    dict
        Site, hemisphere, defaults, height models, seed, checksums of the files read.
    """
    settings = field.settings
    return {
        "name": settings.name,
        "description": settings.description,
        "hemisphere": settings.hemisphere,
        "breast_height_m": settings.breast_height_m,
        "shrinkage_percent": settings.shrinkage_percent,
        "defaults": dict(settings.defaults),
        "height": {name: dict(chosen) for name, chosen in settings.height.items()},
        "seed": seed,
        "checksums": dict(field.checksums),
        "unknown_columns": dict(field.unknown_columns),
        "folder": field.folder.name if field.folder else "",
    }


LEAST_TREES = 3  # choice: a mean of fewer other trees is no reference
LEAST_RINGS = 30  # choice: shorter series agree with anything


def crossdate_field(field: Field, *, tick: Callable[[int], object] | None = None) -> dict[str, pd.DataFrame]:
    """Read the ring tables of each species against the mean of its other trees.

    Parameters
    ----------
    field : Field
        From `read_field`.
    tick : callable, optional
        Called with the number of cores done, for a progress bar.

    Returns
    -------
    dict of str to pandas.DataFrame
        agreement, places and swaps as in `crossdating.Crossdating`, with a column species in front.

    Raises
    ------
    InputError
        If field is not a Field, or no species has three trees with ring tables of 30 rings.

    Notes
    -----
    Nothing is changed, and a `dating` status is never raised from it: a person decides at the wood.

    References
    ----------
    .. [1] Statistics and their sources: `crossdating` and `crossdating_statistics`.
    """
    require_field("crossdate_field", field)
    facts = core_facts(field)
    by_species: dict[str, list[DatedCore]] = {}
    for record, widths in zip(facts.records, facts.widths_mm, strict=True):
        if widths.size >= LEAST_RINGS:
            core = DatedCore(str(record["tree"]), str(record["core"]), int(record["outer_year"]), widths)
            by_species.setdefault(str(record["species"]), []).append(core)
    tables: dict[str, list[pd.DataFrame]] = {"agreement": [], "places": [], "swaps": []}
    for species, cores in by_species.items():
        if len({core.tree for core in cores}) >= LEAST_TREES:
            found = crossdate_stand(cores)
            for name, parts in tables.items():
                part = getattr(found, name)
                parts.append(part.assign(species=species)[["species", *part.columns]])
        if tick:
            tick(len(cores))
    if not tables["agreement"]:
        need = f"three trees of one species with ring tables of {LEAST_RINGS} rings"
        got = f"{sum(len(cores) for cores in by_species.values())} such cores"
        raise InputError(Fault(got, need, "Measure more cores, or leave this out.", "crossdate_field", 0, "rings.csv"))
    return {name: pd.concat(parts, ignore_index=True) for name, parts in tables.items()}
