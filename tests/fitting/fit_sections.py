"""Fit and check what one core says of its section, on trees with several cores from a public archive.

    python tests/fitting/fit_sections.py DATA_FOLDER [fit|check|simulated]

DATA_FOLDER holds series.csv.gz (site, tree, core, year, width_mm) and series_index.csv (series, split). `fit` prints
the standard deviations of the three parts of the log width of a core less that of its section (variogram of the
difference of two cores, read as opposite ones), the spread of hidden growth between two cores and that of the next
thirty rings, and, where cores are named by the compass, how much two differ by the angle between them; `check` how
often bands of one core hold the mean of two, and bands of one and two cores that of three or four, on the held-out
sites; `simulated` how much two cores of a tree differ in the share of the radius, by the length of the series: as
measured (sites to fit), and in the virtual stands, plain and with cores that differ as these do. Source of the data:
raw ring widths of the public international tree-ring archive (World Data Service for Paleoclimatology, NOAA NCEI).
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.optimize import nnls

from treeage.growth import section
from treeage.simulate import scenario
from treeage.simulate.trees import draw_cores, draw_trees

FEWEST_RINGS = 80  # common to both cores
FLOOR_MM = 0.05
LAGS = np.array([1, 2, 3, 5, 8, 12, 20, 35, 60, 100, 150])
BACK = (20, 50, 100)
COMPASS = {"N": 0, "NE": 45, "E": 90, "SE": 135, "S": 180, "SW": 225, "W": 270, "NW": 315}
LENGTHS = (80, 100, 130, 170, 230)
WOODS = {"plain": (1.0, 0.0), "as pairs differ": (0.55, 0.5)}  # core_outer, core_aside


def load_trees(folder, split):
    """Site, names of the cores, and their widths in the years that all show (cores, n), of trees with several."""
    rows = pd.read_csv(folder / "series.csv.gz", dtype={"tree": str, "core": str})
    index = pd.read_csv(folder / "series_index.csv", dtype={"tree": str, "core": str})
    chosen = set(index.loc[index["split"] == split, "series"])
    found = {}
    for (site, tree, core), part in rows.groupby(["site", "tree", "core"]):
        if f"{site}:{tree}:{core}" in chosen:
            found.setdefault((site, tree), []).append((core, int(part["year"].iloc[0]), part["width_mm"].to_numpy()))
    trees = []
    for (site, _), cores in found.items():
        for several in [cores] if len(cores) == 2 else [cores[:2], cores]:  # the first two stand for a pair
            first = max(begun for _, begun, _ in several)
            last = min(begun + len(widths) for _, begun, widths in several)
            if len(several) > 1 and last - first >= FEWEST_RINGS:
                widths = np.stack([widths[first - begun : last - begun] for _, begun, widths in several])
                trees.append((site, [name for name, *_ in several], widths))
    return trees


def pairs_of(trees):
    """Site and widths of both cores of each pair."""
    return [(site, *widths) for site, _, widths in trees if len(widths) == 2]


def fit(trees):
    """Variances of the parts from the variogram of the difference of log widths, and the part of the angle."""
    pairs = pairs_of(trees)
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
    print("sd of log ratios of two cores, growth of 50 years and radius 50 years before by whole, by their angle")
    by_angle = {}
    for _, names, widths in trees:
        for one in range(len(names)):
            for two in range(one):
                turn = abs(COMPASS.get(names[one].upper(), np.nan) - COMPASS.get(names[two].upper(), np.nan))
                by_angle.setdefault(min(turn, 360 - turn), []).append(apart_by(widths[[one, two]], 50))
    for angle in sorted(angle for angle in by_angle if np.isfinite(angle)):
        growth, share = np.sqrt(np.mean(np.square(by_angle[angle]), axis=0))
        print(f"{angle:.0f} degrees: {growth:.3f}, {share:.3f} of {len(by_angle[angle])}")


def apart_by(widths, back):
    """Log ratio of two cores in the growth of the last years, and in the share of the radius reached before them."""
    radius = np.cumsum(widths, axis=1)
    growth, share = radius[:, -1] - radius[:, -1 - back], radius[:, -1 - back] / radius[:, -1]
    return np.log(growth[0] / growth[1]), np.log(share[0] / share[1])


def simulated(trees):
    """Spread of the share of the radius between two cores, measured and in virtual stands, by length."""
    worlds = {"measured": [widths for _, *widths in pairs_of(trees)]}
    for name, (outer, aside) in WOODS.items():
        demo = scenario("demo")
        recipe = replace(demo, trees=80, wood=replace(demo.wood, core_outer=outer, core_aside=aside))
        worlds[name] = []
        for seed in range(12):
            rng = np.random.default_rng(seed)
            cores = draw_cores(recipe, draw_trees(recipe, rng), rng)
            for own in range(0, len(cores.widths_mm), 2):
                rings = slice(cores.missed_rings[[own, own + 1]].max(), cores.sections.rings[own])
                worlds[name].append(cores.widths_mm[[own, own + 1], rings])
    for name, pairs in worlds.items():
        for least, most in zip(LENGTHS, LENGTHS[1:], strict=False):
            those = [np.stack(pair) for pair in pairs if least <= len(pair[0]) < most]
            if len(those) > 4:
                error = np.array([apart_by(pair, 50)[1] for pair in those])
                robust = np.median(np.abs(error)) / 0.6745
                print(f"{name}, {least}-{most} rings: sd {error.std():.3f}, robust {robust:.3f} of {len(those)}")


def check(trees):
    """Share of bands of one core that hold the mean of both, and of one and two that of three or four."""
    for most, used in ((2, 1), (4, 1), (4, 2)):
        chosen = [widths for _, _, widths in trees if (len(widths) == 2) == (most == 2)]
        print(f"{used} core(s) against the mean of {'two' if most == 2 else 'three or four'}")
        _check(chosen, used)


def _check(trees, used):
    """Diameters and ten-year increments of area of the first cores of each tree against all."""
    rng = np.random.default_rng(1)
    held, error = {}, {}
    for widths in trees:
        radius, size = np.cumsum(widths.mean(axis=0)), widths.shape[1]
        factor = section.stem_factor(np.ones((used, size), dtype=bool), [np.nan] * used, 400, rng)
        drawn = np.cumsum(widths[:used].mean(axis=0) * factor, axis=1)
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
    split = "check" if job == "check" else "fit"
    {"fit": fit, "check": check, "simulated": simulated}[job](load_trees(Path(sys.argv[1]), split))
