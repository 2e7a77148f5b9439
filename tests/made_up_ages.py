"""A made-up field of ages for tests of faces: no engine, mass functions drawn from simple shapes, names that bite."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from treeage.distance import DistanceSource
from treeage.pmf import Mass, Pmf
from treeage.results import Ages, SharedParts, TreeAge

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
    parts = SharedParts(innermost, Mass(added.start, added.mass[None]), Mass(rise.start, rise.mass[None]))
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
            "age_at_core_height": pith.negate().shift(outer_year + 1),
            "years_to_core_height": rise,
            "establishment_year": start,
            "age": start.negate().shift(outer_year + 1),
            "collar_years": collar,
        },
        shares=shares,
        core_conflict_p=0.004 if number == 5 else 0.6,
        flags=("cores_disagree",) if number == 5 else (),
        parts=parts,
        core_rows=(
            {
                "core": "A", "dating": dating, "inner_end": inner, "core_height_m": 0.8, "rings_counted": rings,
                "innermost_year": innermost, "pith_year": pith, "lead": True,
                "distance_from": DistanceSource.PITH if inner == "pith" else DistanceSource.ARC,
            },
            {
                "core": "B", "dating": dating, "inner_end": "no_arcs", "core_height_m": 0.8,
                "rings_counted": rings - 7, "innermost_year": innermost + 7, "pith_year": None, "lead": False,
                "distance_from": DistanceSource.RADIUS_LESS_LENGTH,
            },
        ),
    )  # fmt: skip


def at_core_height(tree: TreeAge) -> TreeAge:
    """The same tree without a height model: its date is the pith year."""
    kept = ("missed_rings", "pith_year", "age_at_core_height")
    mass = {name: tree.distributions[name] for name in kept} | {"collar_years": Pmf.point(0)}
    parts = replace(tree.parts, years=Mass(0, np.ones((1, 1))))
    return replace(tree, distributions=mass, flags=("age_at_core_height",), parts=parts)


def minimum_tree(name: str = "R1", rings: int = 95) -> TreeAge:
    """A tree of which only the rings counted are known."""
    facts = {"cores": 1, "dating": "field_count", "inner_end": "rot", "core_height_m": 1.0, "rings_counted": rings}
    facts["lead_core"] = "A"
    return TreeAge(name, SPECIES[0], "P1", "minimum only", facts, OUTER, rings, flags=("no_radius",))


def made_up_ages(count: int = 48, *, minimum: int = 2, names: tuple[str, ...] = (), outer_year: int = OUTER) -> Ages:
    """A field of count estimated trees and some of which only a minimum is known."""
    trees = [
        made_up_tree(number, name=names[number] if number < len(names) else None, outer_year=outer_year)
        for number in range(count)
    ]
    trees += [minimum_tree(f"R{number + 1}", 95 + 10 * number) for number in range(minimum)]
    rows = [("trees", at + 2, each.tree, "", each.status, "", 1) for at, each in enumerate(trees)]
    rows += [
        ("cores", 2 * at + side + 2, each.tree, "AB"[side], each.status, "", 1)
        for at, each in enumerate(trees)
        for side in (0, 1)
    ]
    rows.append(("cores", 2 * len(trees) + 2, "X9", "A", "refused", "no rings counted", 1))
    rows.append(("rings", 0, "", "", "used", "", 4321))
    sources = [
        ("distance to the pith", "eccentricity 0.13", "Renvall 1923 & Woodall <2008>", "derived", count),
        ("years to coring height", "Larix decidua: 24 young trees", "the user's own young trees", "user", count),
    ]
    note = ("trees.csv", 3, "tree T02", "crown", "an unknown column", "a known name", "It is kept and not used.")
    events = [(1847, "fire", ""), (1850, "new law", ""), (1926, "end of grazing", "parish book")]
    return Ages(
        tree_ages=tuple(trees),
        prob=0.9,
        accounting=pd.DataFrame(rows, columns=["table", "row", "tree", "core", "status", "reason", "rows"]),
        tree_table=pd.DataFrame(),
        events=pd.DataFrame(events, columns=["year", "event", "note"]),
        notes=pd.DataFrame([note], columns=["file", "row", "item", "column", "got", "need", "do"]),
        sources=pd.DataFrame(sources, columns=["step", "what", "source", "known", "used"]),
        stand_weights={"": np.ones(1)},
        settings={"name": "High <pasture>", "hemisphere": "north", "seed": 7},
    )
