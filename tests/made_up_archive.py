"""A small archive of invented ring widths, in the files that the scripts of tests/fitting read."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from treeage.simulate import scenario, simulate_stand

SITES = (  # name, kind of tree of the scenario, split: two sites of each genus are fitted, one is left for scoring
    ("s1", 0, "fit"),
    ("s2", 0, "fit"),
    ("s3", 1, "fit"),
    ("s4", 1, "fit"),
    ("s5", 0, "check"),
    ("s6", 1, "check"),
)
DISTANCES_MM = (2, 5, 10, 20, 40)
FEWEST_VISIBLE = 30


def series_of_sites(trees: int) -> pd.DataFrame:
    """One row a crossdated core: site, tree, core, genus, split, first year, widths from the inside out."""
    base = scenario("mixed")
    reading = replace(base.reading, crossdated_share=1.0, measured_share=1.0, absent_share=1 / 80)
    parts = []
    for seed, (site, kind, split) in enumerate(SITES):
        species = (replace(base.species[kind], share=1.0),)
        recipe = replace(base, trees=trees, species=species, reading=reading, first_year=1820, last_year=1900)
        rings = simulate_stand(recipe, seed=seed).field().rings
        part = rings.groupby(["tree", "core"]).agg(first=("year", "first"), widths=("width_mm", np.array))
        parts.append(part.reset_index().assign(site=site, genus=species[0].name.split()[0], split=split))
    series = pd.concat(parts, ignore_index=True)
    return series[series["widths"].map(len) >= 50].reset_index(drop=True)


def hidden_cases(series: pd.DataFrame) -> pd.DataFrame:
    """Each core cut at the ring boundary nearest to each distance."""
    rows = []
    for one in series.itertuples():
        radius = np.cumsum(one.widths)
        for target in DISTANCES_MM:
            hidden = int(np.abs(radius - target).argmin()) + 1
            if len(radius) - hidden >= FEWEST_VISIBLE:
                mean10 = one.widths[hidden : hidden + 10].mean()
                rows.append((one.series, one.site, one.genus, one.split, target, radius[hidden - 1], hidden, mean10))
    columns = ["series", "site", "genus", "split", "d_target_mm", "d_mm", "hidden_rings", "mean10"]
    return pd.DataFrame(rows, columns=columns).rename_axis("case").reset_index()


def mates(series: pd.DataFrame) -> list[tuple]:
    """The two cores of each tree that has two, the one that reaches further in first."""
    pairs = [part.sort_values("first") for _, part in series.groupby(["site", "tree"]) if len(part) == 2]
    return [tuple(part.itertuples()) for part in pairs]


def other_core_cases(series: pd.DataFrame) -> pd.DataFrame:
    """What the tree's other core shows beyond the innermost ring of this one."""
    rows = []
    for longer, short in mates(series):
        hidden = short.first - longer.first
        if hidden and (distance := longer.widths[:hidden].sum()) > 0.5:
            mean10 = short.widths[:10].mean()
            rows.append((short.series, short.site, short.genus, short.split, distance, hidden, mean10))
    columns = ["series", "site", "genus", "split", "d_mm", "hidden_rings", "mean10"]
    return pd.DataFrame(rows, columns=columns).rename_axis("case").reset_index()


def edited_pairs(series: pd.DataFrame) -> pd.DataFrame:
    """Pairs of cores of a tree: untouched, with one ring taken out, with one ring split in two."""
    rng, rows = np.random.default_rng(0), []
    for one, two in mates(series):
        last = min(each.first + len(each.widths) for each in (one, two)) - 1
        for edit in ("none", "delete", "split"):
            year = rng.integers(two.first + 10, last - 9)
            rows.append((one.series, two.series, one.split, two.first, last, edit, year, rng.uniform(0.3, 0.7)))
    columns = ["series_a", "series_b", "split", "first_common", "last_common", "edit", "year", "fraction"]
    return pd.DataFrame(rows, columns=columns).rename_axis("case").reset_index()


def absent_rates() -> pd.DataFrame:
    """Rates of absent rings of all, three genera of which one is rare, and a species, as if counted."""
    names = [
        ("all", "all genera"),
        ("genus", "Larix"),
        ("genus", "Picea"),
        ("genus", "Abies"),
        ("species", "Larix decidua"),
    ]
    table = pd.DataFrame(names, columns=["level", "name"]).assign(n_sites=[40, 20, 10, 2, 12], n_rings=100_000)
    table = table.assign(n_zero=[200, 300, 20, 0, 100], n_zero_with_sibling=[100, 90, 10, 0, 60], gamma_shape=0.3)
    table = table.assign(gamma_mean_per_1000=[2.0, 3.0, 0.2, np.nan, 1.0], share_zero_in_all_cores=0.5)
    for name, factor in {"below_0.25": 5.0, "0.25_0.5": 2.0, "0.5_1": 0.7, "above_1": 0.2}.items():
        table[f"per_1000_level_{name}"] = factor * table["gamma_mean_per_1000"]
    return table


def write_archive(folder: Path, *, trees: int = 8) -> Path:
    """Write the six files into a folder."""
    series = series_of_sites(trees)
    series["series"] = series["site"] + ":" + series["tree"] + ":" + series["core"]
    rings = series[["site", "tree", "core", "first", "widths"]].explode("widths")
    rings["year"] = rings["first"] + rings.groupby(level=0).cumcount()
    rings = rings.rename(columns={"widths": "width_mm"})[["site", "tree", "core", "year", "width_mm"]]
    rings.to_csv(folder / "series.csv.gz", index=False)
    series.drop(columns=["first", "widths"]).to_csv(folder / "series_index.csv", index=False)
    hidden_cases(series).to_csv(folder / "truncation_cases.csv", index=False)
    other_core_cases(series).to_csv(folder / "cross_core_cases.csv", index=False)
    absent_rates().to_csv(folder / "absent_rates.csv", index=False)
    edited_pairs(series).to_csv(folder / "pair_cases.csv", index=False)
    return folder
