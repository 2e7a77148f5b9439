"""A made-up field of ages for tests of faces: no engine, mass functions drawn from simple shapes, names that bite."""

from __future__ import annotations

import numpy as np
import pandas as pd

from treeage.pmf import Pmf
from treeage.results import Ages
from treeage.results_tree import SharedParts, TreeAge

SPECIES = ("Larix decidua", "Picea abies", "Pinus cembra")
OUTER = 2024


def bell(mean: float, sd: float) -> Pmf:
    """Normal curve on whole numbers from 0."""
    at = np.arange(0, int(mean + 6 * sd) + 2)
    return Pmf(0, np.exp(-0.5 * ((at - mean) / sd) ** 2))


def made_up_tree(number: int, *, name: str | None = None, outer_year: int = OUTER) -> TreeAge:
    """One estimated tree; odd numbers hold the pith on the lead core."""
    rng = np.random.default_rng(number)
    rings = int(rng.integers(50, 210))
    missed = Pmf.point(0) if number % 4 == 1 else bell(rng.uniform(2, 20), rng.uniform(1.0, 6.0))
    spread = int(rng.integers(0, 4))
    count = Pmf(-spread, np.ones(2 * spread + 1))
    rise = bell(rng.uniform(4, 14), rng.uniform(1.5, 4.0))
    collar = bell(3.0, 1.5) if number % 10 == 9 else Pmf.point(0)
    added = missed.convolve(count)
    innermost = outer_year - rings + 1
    pith = added.negate().shift(innermost)
    start = pith.convolve(rise.negate()).convolve(collar.negate())
    parts = SharedParts(innermost, added.start, added.mass[None], rise.start, rise.mass[None])
    variance = np.array([count.var(), 0.6 * missed.var(), 0.4 * missed.var(), rise.var(), collar.var()])
    shares = dict(
        zip(
            ("share_count", "share_distance", "share_rate", "share_height", "share_collar"),
            variance / variance.sum(),
            strict=True,
        )
    )
    dating = ("crossdated", "lab_count", "field_count")[number % 3]
    inner = "pith" if number % 4 == 1 else ("arcs", "no_arcs", "rot")[number % 3]
    tree = name if name is not None else f"T{number + 1:02d}"
    return TreeAge(
        tree=tree,
        species=SPECIES[number % 7 % 3],
        plot_id=f"P{number % 4 + 1}",
        status="estimated",
        facts={
            "cores": 2,
            "dating": dating,
            "inner_end": inner,
            "core_height_m": 0.8,
            "rings_counted": rings,
            "lead_core": "A",
        },
        outer_year=outer_year,
        minimum_age=rings,
        distributions={
            "missed_rings": missed,
            "pith_year": pith,
            "years_to_core_height": rise,
            "establishment_year": start,
            "age": start.negate().shift(outer_year + 1),
            "collar_years": collar,
        },
        shares=shares,
        core_conflict_p=0.004 if number == 5 else 0.6,
        flags=("cores_disagree",) if number == 5 else (),
        parts=parts,
        cores=pd.DataFrame({"core": ["A", "B"], "rings_counted": [rings, rings - 7]}),
    )


def minimum_tree(name: str = "R1", rings: int = 95) -> TreeAge:
    """A tree of which only a minimum age can be claimed."""
    facts = {"cores": 1, "dating": "field_count", "inner_end": "rot", "core_height_m": 1.0, "rings_counted": rings}
    return TreeAge(name, SPECIES[0], "P1", "minimum only", facts, OUTER, rings, flags=("no_radius",))


def made_up_ages(count: int = 48, *, minimum: int = 2, names: tuple[str, ...] = (), outer_year: int = OUTER) -> Ages:
    """A field of count estimated trees and some of which only a minimum is known."""
    trees = [
        made_up_tree(number, name=names[number] if number < len(names) else None, outer_year=outer_year)
        for number in range(count)
    ]
    trees += [minimum_tree(f"R{number + 1}", 95 + 10 * number) for number in range(minimum)]
    accounting = [
        {"table": "trees.csv", "row": at + 2, "tree": each.tree, "core": "", "status": each.status, "reason": ""}
        for at, each in enumerate(trees)
    ]
    accounting += [
        {
            "table": "cores.csv",
            "row": 2 * at + side + 2,
            "tree": each.tree,
            "core": "AB"[side],
            "status": each.status,
            "reason": "",
        }
        for at, each in enumerate(trees)
        for side in (0, 1)
    ]
    accounting.append(
        {
            "table": "cores.csv",
            "row": 2 * len(trees) + 2,
            "tree": "X9",
            "core": "A",
            "status": "refused",
            "reason": "no rings counted",
        }
    )
    sources = pd.DataFrame(
        [
            {
                "step": "years to core height",
                "what": "fit to 24 seedlings of Larix decidua",
                "source": "seedlings.csv",
                "known": "user",
                "trees": count,
            },
            {
                "step": "distance",
                "what": "eccentricity 0.13 share",
                "source": "Renvall 1923 & Woodall <2008>",
                "known": "derived",
                "trees": count,
            },
        ]
    )
    notes = pd.DataFrame(
        [
            {
                "file": "trees.csv",
                "row": 3,
                "item": "tree T02",
                "column": "crown",
                "got": "an unknown column",
                "need": "a known name",
                "do": "It is kept and not used.",
            }
        ]
    )
    events = pd.DataFrame(
        {"year": [1847, 1850, 1926], "event": ["fire", "new law", "end of grazing"], "note": ["", "", "parish book"]}
    )
    return Ages(
        tree_ages=tuple(trees),
        prob=0.9,
        accounting=pd.DataFrame(accounting),
        tree_table=pd.DataFrame(),
        events=events,
        notes=notes,
        sources=sources,
        stand_weights={"": np.ones(1)},
        settings={"name": "High <pasture>", "hemisphere": "north"},
    )
