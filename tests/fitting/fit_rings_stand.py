"""Fit the covariances of stand information and add them to treeage/data/rings_model.json.

Usage: python tests/fitting/fit_rings_stand.py DATA_FOLDER [MORE_FOLDERS ...]

Run after fit_rings.py, on the same folders. Cores of the fit sites are cut at the ring boundary nearest to each
distance, and predicted with and without what the other cores of their site show; the products of the deviations,
averaged over sites, are the covariances.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd
from fit_rings import MOST_SERIES, load

from treeage.rings import DatedSeries, RingModel, inner_growth, ring_model
from treeage.rings.stand import stand_evidence

NODES_MM = (2.0, 5.0, 10.0, 20.0, 40.0, 80.0)
MIN_VISIBLE = 30
SAME_TREE = 0.3  # choice: correlation of a neighbour's own parts in the first two kinds


def site_rows(site: pd.DataFrame, model: RingModel) -> list[tuple]:
    """For each core and distance of a site: node, deviation, three means, three numbers of trees."""
    rows = []
    drawn = set(np.random.default_rng(len(site)).permutation(len(site))[:MOST_SERIES])
    for number, row in enumerate(site.itertuples()):
        if number not in drawn:
            continue
        others = site.drop(site.index[number])
        neighbours = DatedSeries(others.widths.tolist(), others["first"], others.tree.tolist(), [True] * len(others))
        radius = np.cumsum(row.widths)
        cuts = []
        for node, target in enumerate(NODES_MM):
            hidden = int(np.abs(radius - target).argmin()) + 1
            if row.widths.size - hidden >= MIN_VISIBLE and 0.65 <= radius[hidden - 1] / target <= 1.35:
                cuts.append((node, hidden))
        if not cuts:
            continue
        visible = [row.widths[hidden:] for _, hidden in cuts]
        targets = DatedSeries(visible, [row.first + h for _, h in cuts], [row.tree] * len(cuts), [False] * len(cuts))
        means, trees = stand_evidence(targets, neighbours, model, genus=row.genus)
        growth = inner_growth(visible, genus=row.genus)
        depth = np.array([radius[hidden - 1] for _, hidden in cuts])
        hidden = np.array([h for _, h in cuts])
        deviation = np.log(depth / hidden) - model.mean_log_width(growth, depth[:, None])[:, 0]
        for place, (node, _) in enumerate(cuts):
            rows.append((row.site, node, deviation[place], *means[place, node], *trees[place, node]))
    return rows


def collect(series: pd.DataFrame, model: RingModel) -> pd.DataFrame:
    rows = [row for _, site in series.groupby("site", sort=False) for row in site_rows(site, model)]
    return pd.DataFrame(rows, columns=["site", "node", "deviation", "m0", "m1", "m2", "n0", "n1", "n2"])


def moments(frame: pd.DataFrame) -> dict:
    """Covariances by node: with the target, and shared + single / n among the means.

    A tree's deviation is exchangeable with the target's, so the shared part among the means of one kind is the
    covariance with the target; what is left of their variance is the single part.
    """
    size = len(NODES_MM)
    variance, target = np.zeros(size), np.zeros((size, 3))
    shared, single = np.zeros((size, 3, 3)), np.zeros((size, 3, 3))
    for node, part in frame.groupby("node"):
        weight = 1.0 / np.sqrt(part.groupby("site").site.transform("size").to_numpy())
        variance[node] = np.average(part.deviation**2, weights=weight)
        number = part[["n0", "n1", "n2"]].to_numpy()
        mean = part[["m0", "m1", "m2"]].to_numpy()
        known = number > 0
        for a in range(3):
            # a mean over more trees says more about the covariance
            heavy = weight * known[:, a] * number[:, a] / (number[:, a] + 3.0)
            target[node, a] = np.average(part.deviation * mean[:, a], weights=heavy)
            shared[node, a, a] = target[node, a]
            left = (mean[:, a] ** 2 - target[node, a]) * np.maximum(number[:, a], 1)
            single[node, a, a] = np.average(left, weights=weight * known[:, a])
        single[node, 0, 1] = single[node, 1, 0] = SAME_TREE * np.sqrt(single[node, 0, 0] * single[node, 1, 1])
        for a, b in ((0, 1), (0, 2), (1, 2)):
            both = weight * known[:, a] * known[:, b]
            part_single = single[node, a, b] / np.maximum(np.maximum(number[:, a], number[:, b]), 1)
            shared[node, a, b] = np.average(mean[:, a] * mean[:, b] - part_single, weights=both)
            shared[node, b, a] = shared[node, a, b]
    return {
        "stand_nodes_mm": list(NODES_MM),
        "stand_variance": np.round(variance, 5).tolist(),
        "stand_target": np.round(target, 5).tolist(),
        "stand_shared": np.round(shared, 5).tolist(),
        "stand_single": np.round(single, 5).tolist(),
    }


def main() -> None:
    out = Path(__file__).parents[2] / "treeage" / "data" / "rings_model.json"
    frame = pd.concat([collect(load(Path(folder)), ring_model()) for folder in sys.argv[1:]])
    print(frame.groupby("node")[["deviation", "m0", "m1", "m2", "n0", "n1", "n2"]].mean().round(3))
    found = moments(frame)
    for name, value in found.items():
        print(name, np.round(value, 3).tolist())
    out.write_text(json.dumps({**json.loads(out.read_text()), **found}, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
