"""Fit and check what one core says of its section, on pairs of cores of one tree from a public archive.

    python tests/fitting/fit_sections.py DATA_FOLDER [fit|check]

DATA_FOLDER holds series.csv.gz (site, tree, core, year, width_mm) and series_index.csv (series, split). `fit` prints
the standard deviations of the three parts of the log width of a core less that of its section (variogram of the
difference of two cores, read as opposite ones), the spread of hidden growth between two cores and that of the next
thirty rings; `check` how often bands of one core hold the mean of both, on the held-out sites. Source of the data: raw
ring widths of the public international tree-ring archive (World Data Service for Paleoclimatology, NOAA NCEI).
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.optimize import nnls

from treeage.growth import section

FEWEST_RINGS = 80  # common to both cores
FLOOR_MM = 0.05
LAGS = np.array([1, 2, 3, 5, 8, 12, 20, 35, 60, 100, 150])
BACK = (20, 50, 100)


def load_pairs(folder, split):
    """Widths of the common years of the first two cores of every tree, oldest first, and their site."""
    rows = pd.read_csv(folder / "series.csv.gz", dtype={"tree": str, "core": str})
    index = pd.read_csv(folder / "series_index.csv", dtype={"tree": str, "core": str})
    chosen = set(index.loc[index["split"] == split, "series"])
    trees = {}
    for (site, tree, core), part in rows.groupby(["site", "tree", "core"]):
        if f"{site}:{tree}:{core}" in chosen:
            trees.setdefault((site, tree), []).append((int(part["year"].iloc[0]), part["width_mm"].to_numpy()))
    pairs = []
    for (site, _), cores in trees.items():
        if len(cores) > 1:
            (first_a, a), (first_b, b) = cores[:2]
            first, last = max(first_a, first_b), min(first_a + len(a), first_b + len(b))
            if last - first >= FEWEST_RINGS:
                pairs.append((site, a[first - first_a : last - first_a], b[first - first_b : last - first_b]))
    return pairs


def fit(pairs):
    """Variances of the parts from the variogram of the difference of log widths."""
    gamma = {lag: [] for lag in LAGS}
    hidden, ahead = [], []
    for _, a, b in pairs:
        both = (a > FLOOR_MM) & (b > FLOOR_MM)
        apart = np.where(both, np.log(np.maximum(a, FLOOR_MM) / np.maximum(b, FLOOR_MM)), np.nan)
        for lag in LAGS[a.size > LAGS + 20]:
            gamma[lag].append(0.5 * np.nanmean((apart[lag:] - apart[:-lag]) ** 2))
        cut = slice(30, 30 + section.NEAR_RINGS)
        sums = [part[where].sum() for where in (slice(0, 30), cut) for part in (a, b)]
        if min(sums) > 0:
            hidden.append(np.log(sums[0] / sums[1]) - np.log(sums[2] / sums[3]))
        for one in (a, b):
            if min(one[-30:].mean(), one[-50:-30].mean()) > 0:
                ahead.append(np.log(one[-30:].mean() / one[-50:-30].mean()))
    lags = np.array([lag for lag in LAGS if len(gamma[lag])])  # that some pair is long enough for
    seen = np.array([np.mean(gamma[lag]) for lag in lags])
    fade = [1 - np.exp(-lags / years) for years in (section.FEW_YEARS, section.SLOW_YEARS)]
    design = np.stack([np.ones(lags.size), *fade], axis=1)
    (year, few, slow), rest = nnls(design / seen[:, None], np.ones(lags.size))
    lasting = 2 * (1 + section.OFF_CENTRE - section.OVAL)  # opposite radii
    print(f"{len(pairs)} pairs of {len({site for site, *_ in pairs})} sites; relative rest {rest:.3f}")
    print(f"year {np.sqrt(year / 2):.3f} few {np.sqrt(few / lasting):.3f} slow {np.sqrt(slow / lasting):.3f}")
    spread = [1.4826 * np.median(np.abs(values - np.median(values))) for values in (hidden, ahead)]
    print(f"hidden growth of the other core {spread[0]:.3f}, next rings {spread[1]:.3f} (robust)")


def check(pairs):
    """Share of bands of one core that hold the mean of both: diameters and ten-year increments of area."""
    rng = np.random.default_rng(1)
    held, error = {}, {}
    for _, a, b in pairs:
        mean = (a + b) / 2
        radius, size = np.cumsum(mean), a.size
        factor = section.stem_factor(np.ones((1, size), dtype=bool), [0.0], 400, rng)
        drawn = np.cumsum(a * factor, axis=1)
        drawn = drawn / drawn[:, -1:] * radius[-1]
        for back in BACK:
            if size > back + 20:
                at, then = size - 1 - back, size - 11 - back
                truth = radius[at], radius[at] ** 2 - radius[then] ** 2
                draws = drawn[:, at], drawn[:, at] ** 2 - drawn[:, then] ** 2
                for name, value, own in zip(("diameter", "increment"), truth, draws, strict=True):
                    for prob in (0.5, 0.9):
                        low, high = np.quantile(own, [0.5 - prob / 2, 0.5 + prob / 2])
                        held.setdefault((name, back, prob), []).append(low <= value <= high)
                error.setdefault(back, []).append(np.log(np.median(draws[0]) / truth[0]))
    for key, values in held.items():
        print(*key, f"held {np.mean(values):.3f} of {len(values)}")
    for back, values in error.items():
        print(f"error of the diameter {back} years before: sd {100 * np.std(values):.1f} %")


if __name__ == "__main__":
    job = sys.argv[2] if len(sys.argv) > 2 else "fit"
    {"fit": fit, "check": check}[job](load_pairs(Path(sys.argv[1]), job))
