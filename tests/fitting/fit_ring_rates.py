"""Draw rates of locally absent rings towards each other and write them into treeage/data/ring_rates.csv.

Usage: python tests/fitting/fit_ring_rates.py DATA_FOLDER

DATA_FOLDER holds absent_rates.csv: dated rings without a width, by genus and species, from raw ring widths of 1,036
sites of the public international tree-ring archive (World Data Service for Paleoclimatology, NOAA NCEI). The rows that
were not measured there (false rings, crown classes) stay as they are.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

OUT = Path(__file__).parents[2] / "treeage" / "data" / "ring_rates.csv"
SOURCE = "dated rings without a width, {} archive sites (World Data Service for Paleoclimatology, NOAA NCEI)"
WIDTHS_MM = {"below_0.25": 0.18, "0.25_0.5": 0.36, "0.5_1": 0.72, "above_1": 1.5}  # choice: middles of the classes
FEWEST_SITES = {"genus": 4, "species": 5}  # choice: fewer are taken as all genera, or as their genus
SHAPE_SITES = 10.0  # choice: sites that count as much as the shape of all genera
BOTH_ZEROS = 30.0  # choice: absent rings that count as much as the share of all genera
LEAST_SHAPE = 0.05  # choice: spreads that few sites show wider than this are not believed


def drawn(rows: pd.DataFrame, parent: pd.Series, shape: pd.Series) -> pd.Series:
    """Rates [per 1,000 rings], drawn towards the parent's on the log scale by what chance and sites leave open."""
    least = 500.0 / rows.n_rings  # half an absent ring
    log_rate = np.log(rows.gamma_mean_per_1000.fillna(1000.0 * rows.n_zero / rows.n_rings).clip(lower=least))
    variance = 1.0 / (rows.n_zero + 0.5) + 1.0 / (shape * rows.n_sites)
    between = max(float(np.var(log_rate - np.log(parent)) - variance.mean()), 0.1)
    own = between / (between + variance)
    return np.exp(own * log_rate + (1.0 - own) * np.log(parent))


def width_slope(genera: pd.DataFrame) -> float:
    """Slope of the log rate on the log of the mean width around a ring, within genera that have all classes."""
    rates = genera[[f"per_1000_level_{name}" for name in WIDTHS_MM]]
    rates = np.log(rates[(rates > 0).all(axis=1)])
    rates, logs = rates.sub(rates.mean(axis=1), axis=0), np.log(list(WIDTHS_MM.values()))
    logs = logs - logs.mean()
    return float((rates.to_numpy() @ logs).mean() / (logs @ logs))


def usual_width(rows: pd.DataFrame, slope: float) -> pd.Series:
    """Width [mm] at which rings are absent as often as the site means say; NaN where no class has any."""
    rates = np.log(rows[[f"per_1000_level_{name}" for name in WIDTHS_MM]].where(lambda rate: rate > 0))
    at_one = (rates - slope * np.log(list(WIDTHS_MM.values()))).mean(axis=1)
    return np.exp((np.log(rows.gamma_mean_per_1000) - at_one) / slope).clip(0.2, 2.0)


def rates(table: pd.DataFrame) -> pd.DataFrame:
    """One row for all genera, each genus, and each species of enough sites."""
    table = table[~table.name.str.endswith("spp.")].assign(level_name=lambda rows: rows.name)
    every = table[table.level == "all"].iloc[[0]]
    genera, species = (table[(table.level == level) & (table.n_sites >= n)] for level, n in FEWEST_SITES.items())
    slope = width_slope(genera)
    shapes = genera.gamma_shape[genera.gamma_shape < 100]
    middle = float(np.exp(np.log(shapes.clip(lower=LEAST_SHAPE)).median()))
    parts, parents = [], {}
    for rows in (every, genera, species):
        known = rows.gamma_shape.where(rows.gamma_shape < 100, middle).fillna(middle).clip(lower=LEAST_SHAPE)
        own = rows.n_sites / (rows.n_sites + SHAPE_SITES)
        shape = np.exp(own * np.log(known) + (1.0 - own) * np.log(middle))
        both = rows.share_zero_in_all_cores.fillna(0.0) * rows.n_zero_with_sibling
        both = (both + BOTH_ZEROS * float(every.share_zero_in_all_cores.iloc[0])) / (
            rows.n_zero_with_sibling + BOTH_ZEROS
        )
        if rows is every:
            shape, rate = rows.gamma_shape, rows.gamma_mean_per_1000
        elif rows is genera:
            log_rate = np.log(rows.gamma_mean_per_1000.clip(lower=0.05)).mean()
            rate = drawn(rows, pd.Series(np.exp(log_rate), rows.index), shape)
            parents = dict(zip(rows.name, rate, strict=True))
        else:
            genus = rows.name.str.split().str[0]
            rate = drawn(rows, genus.map(parents).fillna(float(every.gamma_mean_per_1000.iloc[0])), shape)
        width = usual_width(rows, slope).fillna(float(usual_width(every, slope).iloc[0]))
        part = pd.DataFrame({"kind": "absent", "group": rows.level, "level": rows.level_name})
        part = part.assign(rate_per_1000=rate.round(3), shape=shape.round(3), in_all_cores=both.round(2))
        part = part.assign(width_mm=width.round(2), factor=np.nan, known="fitted")
        parts.append(part.assign(source=[SOURCE.format(sites) for sites in rows.n_sites]))
    parts[0]["level"] = ""
    narrow = parts[0].assign(group="width slope", factor=round(slope, 2), rate_per_1000=np.nan, shape=np.nan)
    return pd.concat([parts[0], narrow.assign(in_all_cores=np.nan, width_mm=np.nan), *parts[1:]])


def main() -> None:
    kept = pd.read_csv(OUT, keep_default_na=False)
    kept = kept[(kept.kind != "absent") | (kept.group == "crown")]
    found = rates(pd.read_csv(Path(sys.argv[1]) / "absent_rates.csv"))
    print(found.head(12).to_string(), "\nwidth slope", found.factor.dropna().iloc[0])
    pd.concat([found, kept]).to_csv(OUT, index=False, lineterminator="\n")


if __name__ == "__main__":
    main()
