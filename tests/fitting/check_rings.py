"""Score missed rings on sites that were not used for the fit, against d / mean of the innermost 10 visible rings.

Usage: python tests/fitting/check_rings.py DATA_FOLDER [check|fit]

DATA_FOLDER as in fit_rings.py, and with truncation_cases.csv (case, series, site, genus, split, d_target_mm, d_mm,
hidden_rings, mean10) and cross_core_cases.csv (the same without d_target_mm; hidden is what the tree's other core
shows beyond it). Prints, by distance class: mean absolute error of the median and of the mean, bias of the mean, and
how often the randomised equal-tailed intervals hold the truth. Intervals of whole numbers hold more than they state;
the last columns compare what 90 % intervals hold with the mass that is in them.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from treeage.rings import DatedSeries, RingCalibration, inner_growth, inner_growth_from_means, stand_adjustment
from treeage.rings.missing import masses_given

ALL_RINGS = 10_000  # more than any series
CLASSES_MM = np.array([2, 5, 10, 20, 40])


def load(folder: Path) -> pd.DataFrame:
    """One row a series: site, tree, first year, widths; the index is the name of the series."""
    rings = pd.read_csv(folder / "series.csv.gz", dtype={"tree": str, "core": str})
    groups = rings.groupby(["site", "tree", "core"], sort=False)
    table = pd.DataFrame({"widths": groups.width_mm.apply(np.asarray), "first": groups.year.first()}).reset_index()
    return table.set_index(table.site + ":" + table.tree + ":" + table.core)


def adjustment(cases: pd.DataFrame, series: pd.DataFrame, *, own_tree: bool, most: int | None) -> RingCalibration:
    """What the site's other trees, and where asked the tree's other cores, say about each case."""
    rng, parts = np.random.default_rng(0), []
    for name, group in cases.groupby("series", sort=False):
        own = series.loc[name]
        others = series[(series.site == own.site) & (series.index != name)]
        trees = [tree for tree in dict.fromkeys(others.tree) if tree != own.tree]
        kept = set(trees if most is None else rng.permutation(trees)[:most]) | ({own.tree} if own_tree else set())
        others = others[others.tree.isin(kept)]
        neighbours = DatedSeries(others.widths.tolist(), others["first"], others.tree.tolist(), [True] * len(others))
        cut = group.cut.to_numpy()
        targets = DatedSeries(
            [own.widths[k:] for k in cut], own["first"] + cut, [own.tree] * len(cut), [False] * len(cut)
        )
        genus = group.genus.iloc[0]
        parts.append((group.index, stand_adjustment(targets, neighbours, genus=None if genus == "Various" else genus)))
    order = np.argsort(np.concatenate([index for index, _ in parts]))
    found = [part for _, part in parts]
    return replace(
        found[0],
        offset=np.concatenate([part.offset for part in found])[order],
        own_factor=np.concatenate([part.own_factor for part in found])[order],
        trees=np.concatenate([part.trees for part in found])[order],
        stand_sd=float(np.sqrt(np.mean([part.stand_sd**2 for part in found]))),
    )


def answers(
    cases: pd.DataFrame, series: pd.DataFrame, calibration: RingCalibration | None, rings: int | None = None
) -> pd.DataFrame:
    """Median, mean, place of the truth in the mass function (randomised), and the 90 % interval.

    With `rings`, nothing is known of the widths but the mean of so many.
    """
    visible = [series.widths[name][cut:] for name, cut in zip(cases.series, cases.cut, strict=True)]
    genus = [None if name == "Various" else name for name in cases.genus]
    growth = inner_growth(visible, genus=genus)
    if rings is not None:
        known = [widths[:rings] for widths in visible]
        mean = np.array([widths.mean() for widths in known])
        growth = inner_growth_from_means(np.maximum(mean, 0.02), [len(widths) for widths in known], genus=genus)
    out = pd.DataFrame(0.0, index=cases.index, columns=["median", "mean", "place", "inside", "stated"])
    rng, truth = np.random.default_rng(1), cases.hidden_rings.to_numpy()
    distance = cases.d_mm.to_numpy()
    for rows, cells in masses_given(growth, distance, np.zeros_like(distance), calibration):
        below = np.cumsum(cells, axis=1, dtype=float)
        below /= below[:, -1:]
        here, at = np.arange(rows.size), np.minimum(truth[rows], cells.shape[1] - 1)
        low, high = (below < 0.05 - 1e-7).sum(1), (below < 0.95 - 1e-7).sum(1)
        under = np.where(low > 0, below[here, np.maximum(low - 1, 0)], 0.0)
        out.iloc[rows] = np.column_stack(
            [
                (below < 0.5 - 1e-7).sum(1),
                cells @ np.arange(cells.shape[1]) / cells.sum(1),
                below[here, at - 1] + rng.random(rows.size) * (below[here, at] - below[here, at - 1]),
                (low <= truth[rows]) & (truth[rows] <= high),
                below[here, high] - under,
            ]
        )
    return out


def table(cases: pd.DataFrame, out: pd.DataFrame, by: str) -> pd.DataFrame:
    """Scores by class."""
    rule = (cases.d_mm / cases.mean10 - cases.hidden_rings).abs()
    rows = {}
    for name, group in [*cases.groupby(by), ("all", cases)]:
        part, true = out.loc[group.index], group.hidden_rings
        row = {"cases": len(group), "truth": true.mean(), "rule": rule[group.index].mean()}
        for column in ("median", "mean"):
            row[column] = (part[column] - true).abs().mean()
            row[f"{column}/rule"] = row[column] / row["rule"]
        row["bias of mean, %"] = 100 * (part["mean"] - true).mean() / true.mean()
        for prob in (0.5, 0.8, 0.9, 0.95):
            row[f"{prob:.0%}"] = ((part.place - 0.5).abs() < prob / 2).mean()
        rows[name] = {**row, "held 90": part.inside.mean(), "stated 90": part.stated.mean()}
    return pd.DataFrame(rows).T.round(3)


def main() -> None:
    folder, split = Path(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else "check"
    pd.set_option("display.width", 250, "display.max_columns", 30)
    series = load(folder)
    for file in ("truncation_cases.csv", "cross_core_cases.csv"):
        cases = pd.read_csv(folder / file)
        cases = cases[cases.split == split].reset_index(drop=True)
        cut_here = "d_target_mm" in cases
        nearest = np.abs(np.log(cases.d_mm.to_numpy()[:, None] / CLASSES_MM)).argmin(1)
        cases["class_mm"] = cases.d_target_mm if cut_here else CLASSES_MM[nearest]
        cases["cut"] = cases.hidden_rings if cut_here else 0
        print(f"\n{file}, {split}: {len(cases)} cases, {cases.site.nunique()} sites")
        runs = {"single core": None, "with the stand": (False, None), "with the stand and the other core": (True, None)}
        if cut_here:
            runs |= {f"with {most} other trees": (False, most) for most in (3, 5, 10)}
        for name, options in runs.items():
            found = options and adjustment(cases, series, own_tree=options[0], most=options[1])
            out = answers(cases, series, found)
            print(f"\n{name}\n{table(cases, out, 'class_mm').to_string()}")
            if options is None and cut_here:
                print(table(cases, out, "genus").query("cases >= 300").to_string())
        for rings in (5, 10, 20, ALL_RINGS):
            out = answers(cases, series, None, rings)
            print(f"\nonly the mean width, of at most {rings} rings\n{table(cases, out, 'class_mm').to_string()}")
            if rings == ALL_RINGS and cut_here:
                print(table(cases, out, "genus").query("cases >= 300").to_string())


if __name__ == "__main__":
    main()
