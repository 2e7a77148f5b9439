"""Growth of the trees of a field by year, and the stand at a past date, from the checked tables and the ages.

Layer 4, part of the family of `estimate`. No model of its own: distances of `distance`, growth of
`growth_history`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.errors import Fault, InputError
from treeage.estimate_cores import CoreFacts, column_numbers, core_facts
from treeage.grids import DISTANCE_GRID_MM
from treeage.growth_history import CoreWidths, GrowthHistory, growth_history
from treeage.stand_past import PastStand, past_stand

if TYPE_CHECKING:
    from treeage.results import Ages
    from treeage.tables import Field

DISTANCE_DRAWS = 400  # choice: draws of the distance to the pith of each core


def field_growth(field: Field, *, prob: float = 0.9, seed: int = 0) -> dict[str, GrowthHistory]:
    """Growth by year of every tree of a field that has ring widths.

    Parameters
    ----------
    field : Field
        Checked tables with rings.csv.
    prob : float, default 0.9
        Probability of the intervals.
    seed : int, default 0
        Seed of the draws.

    Returns
    -------
    dict of str to GrowthHistory
        By tree, in the order of cores.csv; trees without widths, or whose distance to the pith nothing
        bounds, are left out.

    Raises
    ------
    InputError
        If prob is not between 0 and 1.

    Notes
    -----
    Only cores that reach the tree's last ring year are used, since a core that lost outer rings has no
    radius at the bark; the ring of an incomplete outer end is dropped, its year counts in the age only. Two
    cores are averaged arithmetically, three or more by the quadratic mean. Years of counted cores are as
    uncertain as their count.
    """
    facts = core_facts(field)
    usable = [row for row in range(len(facts.table)) if facts.widths_mm[row].size and facts.distance[row].sum() > 0]
    by_tree: dict[str, list[int]] = {}
    for row in usable:
        by_tree.setdefault(str(facts.table["tree"].iloc[row]), []).append(row)
    return {tree: _one_tree(facts, rows, prob, seed) for tree, rows in by_tree.items()}


def _one_tree(facts: CoreFacts, rows: list[int], prob: float, seed: int) -> GrowthHistory:
    outer = np.array([int(facts.records[row]["outer_year"]) for row in rows])
    dropped = np.array([facts.records[row].get("outer_end") == "incomplete" for row in rows])
    rows = [row for row, year in zip(rows, outer, strict=True) if year == outer.max()]
    drop = bool(dropped[outer == outer.max()].any())
    cores = [_core(facts, row, drop, seed) for row in rows if facts.widths_mm[row].size > int(drop)]
    row = rows[0]
    radius, radius_sd = float(facts.radius_mm[row]), float(facts.radius_sd_mm[row])
    mean = "arithmetic" if len(cores) < 3 else "quadratic"
    if not np.isfinite(radius):
        return growth_history(cores, mean=mean, prob=prob, seed=seed)
    bark = float(column_numbers(facts.table.iloc[[row]], "bark_mm", 0.0)[0])
    return growth_history(
        cores,
        diameter_cm=(radius + bark) / 5.0,
        bark_mm=bark,
        bark_sd_mm=radius_sd if np.isfinite(radius_sd) else 0.0,
        mean=mean,
        prob=prob,
        seed=seed,
    )


def _core(facts: CoreFacts, row: int, drop: bool, seed: int) -> CoreWidths:
    """Widths of one core with draws of its distance, spread evenly within the steps of the grid."""
    rng = np.random.default_rng([seed, row])
    mass = facts.distance[row] / facts.distance[row].sum()
    cell = rng.choice(mass.size, size=DISTANCE_DRAWS, p=mass)
    edges = np.append(DISTANCE_GRID_MM, DISTANCE_GRID_MM[-1])
    share = rng.random(DISTANCE_DRAWS) - 0.5
    width = np.where(cell == 0, 0.0, edges[cell + 1] - edges[cell])
    distance = np.maximum(DISTANCE_GRID_MM[cell] + share * width, 0.0)
    widths = facts.widths_mm[row]
    outer = int(facts.records[row]["outer_year"])
    years = np.arange(outer - widths.size + 1, outer + 1)
    last = widths.size - int(drop)
    return CoreWidths(years[:last], widths[:last], pith_distance_mm=distance)


def past_trees(
    ages: Ages,
    year: int,
    *,
    growth: Mapping[str, GrowthHistory] | None = None,
    count: int = 2000,
    prob: float | None = None,
    seed: int = 0,
) -> PastStand:
    """Reconstruct the stand of the dated trees at a past date.

    Parameters
    ----------
    ages : Ages
        Answer of `estimate_ages` or `fit_hierarchical`.
    year : int
        Past date: end of that growing season.
    growth : mapping of str to GrowthHistory, optional
        Growth by tree (`field_growth`); trees without it are taken to have grown steadily.
    count : int, default 2000
        Joint draws.
    prob : float, optional
        Probability of the intervals; that of the ages by default.
    seed : int, default 0
        Seed.

    Returns
    -------
    PastStand
        Presence and diameter of each tree, density and basal area.

    Raises
    ------
    InputError
        If no tree is dated, or the year is not before the last ring.

    Notes
    -----
    The past diameter at breast height is the present one times the share that the coring height had reached:
    the proportional method, with the bark ratio and the taper of today.
    """
    names = list(ages.trees)
    if not names:
        raise InputError(Fault("no dated tree", "at least one", "Date some trees.", "past_trees", 0, "ages"))
    draws = np.asarray(ages.draws(count, seed=seed).transpose("draw", "tree").values, dtype=np.float64)
    survey = max(int(ages[name].outer_year) for name in names)
    table = ages.tree_table
    if "tree" in table.columns:
        table = table.assign(tree=table["tree"].astype(str)).drop_duplicates("tree").set_index("tree").reindex(names)
    else:
        table = pd.DataFrame(index=pd.Index(names))
    now = column_numbers(table, "dbh_cm")
    then: NDArray[np.float64] = np.full((DISTANCE_DRAWS, len(names)), np.nan)
    for column, name in enumerate(names):
        history = (growth or {}).get(name)
        if history is not None:
            share = history.at(year) / history.diameter_cm[:, -1]
            then[:, column] = np.resize(share, DISTANCE_DRAWS) * now[column]
    weights = column_numbers(table, "trees_per_ha")
    known = bool(np.all(np.isfinite(weights) & (weights > 0)))
    return past_stand(
        draws,
        year,
        survey_year=survey,
        diameter_now_cm=now,
        diameter_then_cm=then,
        trees_per_ha=weights if known else None,
        trees=names,
        prob=ages.prob if prob is None else prob,
    )
