"""Fit the model of missed inner rings to a folder of raw ring widths and write treeage/data/rings_model.json.

Usage: python tests/fitting/fit_rings.py DATA_FOLDER [OUT.json]

DATA_FOLDER holds series.csv.gz (site, tree, core, year, width_mm; from the inside out) and series_index.csv (site, tree,
core, genus, split). Only the sites of split `fit` are used. Source of the shipped numbers: raw ring widths of 165 sites
of the public international tree-ring archive (World Data Service for Paleoclimatology, NOAA NCEI).
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.polynomial.hermite_e import hermegauss
from scipy.optimize import minimize
from scipy.special import stdtr

from treeage.rings_mass import t_density
from treeage.rings_model import FEATURES, SPREAD_FEATURES, inner_growth

SOURCE = (
    "raw ring widths of 165 sites of the public international tree-ring archive "
    "(World Data Service for Paleoclimatology, NOAA NCEI); sites of split fit; tests/fitting/fit_rings.py"
)
TARGETS_MM = (1, 1.4, 2, 2.8, 4, 5, 7, 10, 14, 20, 28, 40, 56, 80, 110, 150)  # distances to hide
RING_NODES = (1, 2, 3, 5, 10, 20, 40, 80)  # visible rings; the last node is the whole core
MIN_VISIBLE = 30
POWERS = 3  # of ln(distance / 10 mm): level, slope, bend
TAIL_DF = 8.0
RIDGE = 3.0


def load(folder: Path) -> pd.DataFrame:
    """One row a series of the fit sites: site, tree, genus, widths from the inside out, first year."""
    rings = pd.read_csv(folder / "series.csv.gz", dtype={"tree": str, "core": str})
    index = pd.read_csv(folder / "series_index.csv", dtype={"tree": str, "core": str})
    keys = ["site", "tree", "core"]
    widths = rings.groupby(keys, sort=False).width_mm.apply(np.asarray).rename("widths")
    first = rings.groupby(keys, sort=False).year.first().rename("first")
    table = index.merge(widths, on=keys).merge(first, on=keys)
    return table[table.split == "fit"].reset_index(drop=True)


def truncate(series: pd.DataFrame) -> pd.DataFrame:
    """Hide the inner rings up to the boundary nearest to each target distance: one row a case."""
    rows = []
    for number, widths in enumerate(series.widths):
        radius = np.cumsum(widths)
        seen = set()
        for target in TARGETS_MM:
            hidden = int(np.abs(radius - target).argmin()) + 1
            distance = radius[hidden - 1]
            if hidden in seen or widths.size - hidden < MIN_VISIBLE or not 0.65 <= distance / target <= 1.35:
                continue
            seen.add(hidden)
            rows.append((number, target, distance, hidden))
    cases = pd.DataFrame(rows, columns=["number", "target", "distance_mm", "hidden"])
    for column in ("site", "tree", "genus"):
        cases[column] = series[column].to_numpy()[cases.number]
    return cases


def design(features: np.ndarray, distance_mm: np.ndarray) -> np.ndarray:
    """Intercept and features times the powers of ln(distance / 10 mm)."""
    powers = np.vander(np.log(distance_mm / 10.0), POWERS, increasing=True)
    full = np.column_stack([np.ones(len(features)), features])
    return (full[:, :, None] * powers[:, None, :]).reshape(len(features), -1)


def scale_design(features: np.ndarray, distance_mm: np.ndarray) -> np.ndarray:
    logs = np.log(distance_mm / 10.0)
    return np.column_stack([np.ones_like(logs), logs, logs**2, features[:, -SPREAD_FEATURES:]])


def fit_node(features, cases, weights, shared_sd, start=None):
    """Interval-censored maximum likelihood of location and own scale; the shared deviations are summed out."""
    distance, hidden = cases.distance_mm.to_numpy(), cases.hidden.to_numpy()
    raw, scale_terms = design(features, distance), scale_design(features, distance)
    centre, spread = raw.mean(0), raw.std(0)
    centre[0], spread[0] = 0.0, 1.0
    spread[spread < 1e-9] = 1.0
    matrix = (raw - centre) / spread
    upper = np.log(hidden + 0.5) - np.log(distance)
    lower = np.where(hidden > 1, np.log(np.maximum(hidden - 0.5, 0.5)) - np.log(distance), -np.inf)
    nodes, shares = hermegauss(9)
    shares = shares / shares.sum()
    size = matrix.shape[1]
    target = np.log(distance / hidden)
    ridge = np.full(size, RIDGE)
    ridge[0] = 0.0
    first = np.linalg.solve(
        matrix.T @ (matrix * weights[:, None]) + np.diag(ridge), matrix.T @ (weights * target)
    )
    begin = (
        np.concatenate([first, [np.log(0.25)], np.zeros(scale_terms.shape[1] - 1)])
        if start is None
        else start
    )

    def loss(parameters):
        location, scale = matrix @ parameters[:size], np.exp(scale_terms @ parameters[size:])
        total = np.zeros(len(hidden))
        by_location, by_scale = np.zeros(len(hidden)), np.zeros(len(hidden))
        for node, share in zip(nodes, shares, strict=True):
            high, low = (
                (upper + location + shared_sd * node) / scale,
                (lower + location + shared_sd * node) / scale,
            )
            chance = stdtr(TAIL_DF, high) - np.where(
                hidden > 1, stdtr(TAIL_DF, np.where(hidden > 1, low, 0)), 0.0
            )
            at_high = t_density(high, TAIL_DF)
            at_low = np.where(hidden > 1, t_density(np.where(hidden > 1, low, 0.0), TAIL_DF), 0.0)
            total += share * chance
            by_location += share * (at_high - at_low) / scale
            by_scale -= share * (at_high * high - at_low * np.where(hidden > 1, low, 0.0))
        total = np.maximum(total, 1e-12)
        value = -(weights * np.log(total)).sum() + 0.5 * (ridge * parameters[:size] ** 2).sum()
        slope = np.concatenate(
            [
                -matrix.T @ (weights * by_location / total) + ridge * parameters[:size],
                -scale_terms.T @ (weights * by_scale / total),
            ]
        )
        return value / len(hidden), slope / len(hidden)

    found = minimize(loss, begin, jac=True, method="L-BFGS-B", options={"maxiter": 400, "maxfun": 500})
    best = found.x[:size] / spread
    best[0] -= (best * centre).sum() - best[0] * centre[0]
    return best.reshape(-1, POWERS), found.x[size:], found.x


def site_weights(cases: pd.DataFrame) -> np.ndarray:
    """Each site weighs as the square root of its number of cases; mean 1."""
    weights = 1.0 / np.sqrt(cases.groupby("site").site.transform("size").to_numpy())
    return weights / weights.mean()


def shared_spreads(cases: pd.DataFrame, residual: np.ndarray) -> tuple[float, float]:
    """Standard deviations shared by the trees of a stand and by the cores of a tree, from products of residuals."""
    frame = cases.assign(residual=residual - np.average(residual))
    frame = frame[frame.target.between(5, 56)]
    stand, tree, stand_pairs, tree_pairs = 0.0, 0.0, 0, 0
    for _, group in frame.groupby(["site", "target"]):
        sums = group.groupby("tree").residual.agg(["sum", "size", lambda x: (x**2).sum()])
        sums.columns = ["sum", "size", "squares"]
        tree += ((sums["sum"] ** 2 - sums["squares"]) / 2).sum()
        tree_pairs += (sums["size"] * (sums["size"] - 1) / 2).sum()
        means = sums["sum"] / sums["size"]
        stand += (means.sum() ** 2 - (means**2).sum()) / 2 / max(len(means) - 1, 1)
        stand_pairs += len(means) / 2
    between = stand / stand_pairs
    return float(np.sqrt(max(between, 0))), float(np.sqrt(max(tree / tree_pairs - between, 0)))


def fit(series: pd.DataFrame, cases: pd.DataFrame, spreads: tuple[float, float] = (0.12, 0.16)) -> dict:
    weights = site_weights(cases)
    shared = float(np.hypot(*spreads))
    coefficients, scales, start = [], [], None
    for rings in reversed(RING_NODES):
        longest = None if rings == RING_NODES[-1] else rings
        visible = [
            series.widths[k][h : (None if longest is None else h + longest)]
            for k, h in zip(cases.number, cases.hidden, strict=True)
        ]
        features = np.nan_to_num(inner_growth(visible).features)
        table, scale, _ = fit_node(features, cases, weights, shared)
        if longest is None:
            residual = np.log(cases.distance_mm / cases.hidden).to_numpy() - (
                design(features, cases.distance_mm.to_numpy()) @ table.ravel()
            )
            found = shared_spreads(cases, residual)
            typical = features[:, -SPREAD_FEATURES:].mean(0)
            print("spreads found", found, "residual sd", residual.std())
        coefficients.insert(0, table)
        scales.insert(0, scale)
        print(rings, "scale", np.round(scale, 3), "coef level", np.round(table[:, 0], 3))
    return {
        "source": SOURCE,
        "features": list(FEATURES),
        "ring_nodes": list(RING_NODES),
        "coefficients": [np.round(table, 5).tolist() for table in coefficients],
        "scale_coefficients": [np.round(scale, 5).tolist() for scale in scales],
        "typical_spreads": np.round(typical, 4).tolist(),
        "distance_range_mm": [1.0, 120.0],
        "tail_df": TAIL_DF,
        "stand_sd": round(spreads[0], 4),
        "tree_sd": round(spreads[1], 4),
    }


def main() -> None:
    folder = Path(sys.argv[1])
    out = (
        Path(sys.argv[2])
        if len(sys.argv) > 2
        else Path(__file__).parents[2] / "treeage" / "data" / "rings_model.json"
    )
    series = load(folder)
    cases = truncate(series)
    print(len(series), "series,", len(cases), "cases,", cases.site.nunique(), "sites")
    out.write_text(json.dumps(fit(series, cases), indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
