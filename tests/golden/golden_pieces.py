"""Rows of invented field tables: pieces of the field folders of golden.py. The standard library only."""

import csv
import math
import random

NORTH = '[site]\nname = "{name}"\nhemisphere = "north"\n'


def tree(name, species="Larix decidua", dbh=40.0, bark=10.0, **more):
    """One row of trees.csv."""
    return {"tree": name, "species": species, "dbh_cm": dbh, "bark_mm": bark, **more}


def core(name, letter, rings, dating="crossdated", end="arcs", height=1.0, outer=2020, **more):  # noqa: PLR0913
    """One row of cores.csv."""
    return {
        "tree": name,
        "core": letter,
        "outer_year": outer,
        "rings_counted": rings,
        "dating": dating,
        "inner_end": end,
        "core_height_m": height,
        **more,
    }


def arc(chord=8.0, rise=0.9, **more):
    """The columns of one arc."""
    return {"chord_mm": chord, "rise_mm": rise, **more}


def signal(seed, first=1600, last=2030):
    """Growth of each year that the trees of a stand share."""
    rng = random.Random(seed)
    return {year: rng.gauss(0, 0.3) for year in range(first, last)}


def widths(seed, rings, outer=2020, mean=1.6, shared=None, trend=0.006):
    """Widths of one series, innermost first, on 0.01 mm."""
    rng, shared = random.Random(seed), shared or {}
    own = []
    for ring in range(rings):
        year = outer - rings + 1 + ring
        own.append(max(0.05, round(mean * math.exp(shared.get(year, 0.0) - trend * ring + rng.gauss(0, 0.12)), 2)))
    return own


def series(name, letter, values, outer=2020, dated=True):
    """Rows of rings.csv of one series."""
    first = outer - len(values) + 1
    return [
        {"tree": name, "core": letter, "ring": ring + 1, "year": first + ring if dated else "", "width_mm": value}
        for ring, value in enumerate(values)
    ]


def young(species, top=1.8, count=12, seed=1):
    """Young trees with height and age."""
    rng = random.Random(seed)
    heights = [round(0.15 + (top - 0.15) * number / (count - 1), 2) for number in range(count)]
    return [
        {"species": species, "height_m": h, "age_years": max(1, round(11 * h**0.75 * math.exp(rng.gauss(0, 0.2))))}
        for h in heights
    ]


def counted_twice(species, count=7, seed=2):
    """Young trees counted at two heights."""
    rng = random.Random(seed)
    return [
        {
            "species": species,
            "tree": f"S{number}",
            "low_height_m": 0.0,
            "low_rings": 40 + number,
            "high_height_m": 1.0,
            "high_rings": 40 + number - rng.randint(6, 14),
        }
        for number in range(count)
    ]


def write_table(path, rows):
    """Write rows as CSV, the columns in the order of their first use."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, names, restval="", lineterminator="\n")
        table.writeheader()
        table.writerows(rows)
