"""The one pipeline: a checked field in, the ages of its trees out.

    Field -> prepare -> Cores, Shared -> date_trees -> TreePosterior -> tree_answer -> TreeAge -> Ages

No model of its own: cores, trees, heights and collar are put together as in DEVELOPERS.md.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from treeage.crossdating import DatedCore, crossdate_stand
from treeage.errors import Fault, InputError, public, require_field, require_level, require_seed
from treeage.estimate.answers import account_rows, gather_sources, minimum_answer, rule_comparison, tree_answer
from treeage.estimate.cores import Cores, read_cores
from treeage.estimate.counted import LEAST_RINGS, read_counts
from treeage.estimate.nodes import learn_states, what_was_seen
from treeage.estimate.shared import (
    LEAST_TREES,
    Shared,
    bound_upper_cores,
    height_models,
    height_notes,
    open_data_tables,
    reach_further,
    share,
    shared_figures,
    weigh_heights,
)
from treeage.estimate.trees import date_trees
from treeage.results import Ages

if TYPE_CHECKING:
    from treeage.tables import Field

__all__ = ["crossdate_field", "dated_field", "estimate_ages", "prepare", "record_settings"]


def prepare(
    field: Field, *, from_stand: bool = True, from_pairs: bool = True
) -> tuple[Cores, Shared, dict[str, pd.DataFrame]]:
    """Cores of a field as every engine takes them, what they share, and what is known of counts.

    Parameters as in `estimate_ages`; the tables are those of `counted.read_counts`.
    """
    cores, heights = read_cores(field), height_models(field)
    heights = {name: heights[name] for name in heights if name in set(cores.species)}  # the others tell nothing
    cores, events, counts = read_counts(cores) if from_pairs else (cores, pd.DataFrame(), pd.DataFrame())
    shared = share(cores, heights, shared_figures(field, heights), from_stand=from_stand)
    cores = bound_upper_cores(reach_further(cores, shared), shared.without_heights)
    return *learn_states(cores, shared), {"ring_events": events, "counted_cores": counts}


@public
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
    summed out (`posterior.combine_cores`); years to height and collar years are subtracted by convolution. Trees
    are taken as independent given the shared growth and the shared part of the height model. The order of trees and
    cores in the tables does not matter.

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
    ages, cores, shared = dated_field(field, prob, seed, from_stand=from_stand, from_pairs=from_pairs, tick=tick)
    told = {"rule_comparison": rule_comparison(cores), "seen": what_was_seen(cores, shared)}
    return replace(ages, extras={**ages.extras, **told, **open_data_tables(field, shared, prob)})


def dated_field(
    field: Field,
    prob: float,
    seed: int,
    *,
    from_stand: bool = True,
    from_pairs: bool = True,
    tick: Callable[[int], object] | None = None,
) -> tuple[Ages, Cores, Shared]:
    """The ages of `estimate_ages`, without the tables for checks and report, and what they were made of."""
    cores, shared, counted = prepare(field, from_stand=from_stand, from_pairs=from_pairs)
    posteriors = date_trees(cores, shared, tick=tick)
    shared = weigh_heights(shared, posteriors.values())
    used = [
        (tree.species, float(cores.height_m[tree.lead]), shared[tree.species].height_of(cores, tree.lead))
        for tree in posteriors.values()
    ]
    answers = [
        tree_answer(posteriors.pop(tree), cores, shared, prob=prob)
        if tree in posteriors
        else minimum_answer(tree, cores, prob=prob)
        for tree in (str(name) for name in field.trees["tree"])
        if tree in cores.rows_of
    ]
    ages = Ages(
        tree_ages=tuple(answers),
        prob=prob,
        accounting=account_rows(field, answers, cores),
        tree_table=field.trees,
        events=field.events,
        notes=pd.concat([field.notes, height_notes(shared.species, used)], ignore_index=True),
        sources=gather_sources(cores, shared, answers),
        stand_weights=shared.stand_weights,
        settings=record_settings(field, seed),
        height_weights=dict(shared.height_weights),
        extras=counted,
    )
    return ages, cores, shared


def record_settings(field: Field, seed: int) -> dict[str, Any]:
    """Settings of a field as they are kept with its answers: site, defaults, height models, seed, checksums."""
    settings = field.settings
    return {
        "name": settings.name,
        "description": settings.description,
        "hemisphere": settings.hemisphere,
        "breast_height_m": settings.breast_height_m,
        "shrinkage_percent": settings.shrinkage_percent,
        "defaults": dict(settings.defaults),
        "doubt": dict(settings.doubt),
        "height": {name: dict(chosen) for name, chosen in settings.height.items()},
        "seed": seed,
        "checksums": dict(field.checksums),
        "unknown_columns": dict(field.unknown_columns),
        "folder": field.folder.name if field.folder else "",
    }


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
        agreement and places as in `crossdating.Crossdating`, with a column species in front.

    Raises
    ------
    InputError
        If field is not a Field, or no species has three trees with ring tables of 30 rings.

    Notes
    -----
    Nothing is changed, and a `dating` status is never raised from it: a person decides at the wood.

    References
    ----------
    .. [1] Statistics and their sources: `crossdating`.
    """
    require_field("crossdate_field", field)
    cores = read_cores(field)
    by_species: dict[str, list[DatedCore]] = {}
    for row in range(len(cores)):
        if cores.widths_mm[row].size >= LEAST_RINGS:  # shorter series agree with anything
            core = DatedCore(
                str(cores.tree[row]), str(cores.core[row]), int(cores.outer_year[row]), cores.widths_mm[row]
            )
            by_species.setdefault(str(cores.species[row]), []).append(core)
    tables: dict[str, list[pd.DataFrame]] = {"agreement": [], "places": []}
    for species, own in by_species.items():
        if len({core.tree for core in own}) >= LEAST_TREES:  # a mean of fewer other trees is no reference
            found = crossdate_stand(own)
            for name, parts in tables.items():
                part = getattr(found, name)
                parts.append(part.assign(species=species)[["species", *part.columns]])
        if tick:
            tick(len(own))
    if not tables["agreement"]:
        need = f"three trees of one species with ring tables of {LEAST_RINGS} rings"
        got = f"{sum(len(own) for own in by_species.values())} such cores"
        raise InputError(Fault(got, need, "Measure more cores, or leave this out.", "crossdate_field", 0, "rings.csv"))
    return {name: pd.concat(parts, ignore_index=True) for name, parts in tables.items()}
