"""Fit and score the constants of the alignment of two cores on ring widths of a public archive.

    python tests/fitting/fit_alignment.py DATA_FOLDER [fit|check|stand|natural] [FIGURE.png]

DATA_FOLDER holds series.csv.gz (site, tree, core, year, width_mm), series_index.csv (series, split) and
pair_cases.csv (pairs of cores of one tree, unedited, with one ring deleted or one ring split in two). `fit` prints
the computed (whitening, scale, preference of absent rings for narrow years, rings absent in both cores, weights of
the correlations); `check` scores the shipped model on the held-out sites and draws its reliability; `stand`
does so with the mean of the site's other trees as a third partner; `natural` takes
dated absent rings out of real series. Source of the data: raw ring widths of 165 sites of the public international
tree-ring archive (World Data Service for Paleoclimatology, NOAA NCEI). Constants chosen by the scores of `fit` (power
5/6, scale 1.32, 0.75 for the first coefficient, disturbed stretches, the factor of a step back, rates) were varied
one at a time by hand; the last of these steps were also seen on `check`, so its scores are not wholly blind.
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd

from treeage.alignment import align_many, core_signals
from treeage.alignment.lattice import log_widths, whiten
from treeage.alignment.prior import alignment_model
from treeage.crossdating import DatedCore, reference_series
from treeage.plots import plot_reliability
from treeage.validate import reliability

DELETED, SPLIT = ("absent_in_b", "false_in_a"), ("false_in_b", "absent_in_a")


def load_series(folder):
    """Widths by series name, oldest first, with the first year."""
    rows = pd.read_csv(folder / "series.csv.gz", dtype={"tree": str, "core": str})
    key = rows["site"] + ":" + rows["tree"] + ":" + rows["core"]
    return {name: (int(part["year"].iloc[0]), part["width_mm"].to_numpy()) for name, part in rows.groupby(key)}


def edited_pair(case, series):
    """Core A and the edited core B, both ending at the last common year."""
    first_a, a = series[case.series_a]
    first_b, b = series[case.series_b]
    last = case.last_common
    b = list(b[: last - first_b + 1])
    if case.edit != "none":
        at = int(case.year) - first_b
        b[at : at + 1] = [] if case.edit == "delete" else [b[at] * case.fraction, b[at] * (1 - case.fraction)]
    return a[case.first_common - first_a : last - first_a + 1], np.array(b)


def fit_whitening(series):
    """Autoregression of first differences of log widths, pooled over series, as weights of the rings inward."""
    left, right, scales = np.zeros((2, 2)), np.zeros(2), []
    for _, widths in series:
        if widths.size < 60:
            continue
        logs = log_widths(widths)[::-1]
        change = logs[:-1] - logs[1:]
        change = np.clip(change / (1.4826 * np.median(np.abs(change))), -3.5, 3.5)
        design = np.stack([change[1:-1], change[2:]], axis=1)
        left += design.T @ design
        right += design.T @ change[:-2]
    first, second = np.linalg.solve(left, right)
    weights = np.array([1 + first, second - first, -second])
    for _, widths in series:
        rest = whiten(log_widths(widths)[::-1], np.asarray(alignment_model()["coefficients"]))
        scales.append(np.median(np.abs(rest)) * 1.32 / 0.7407)
    print("weights of the next rings inward", weights.round(3), "typical scale", round(float(np.median(scales)), 3))


def fit_absent(series, index):
    """How absent rings prefer narrow years of the mate, and how often both cores lack the ring."""
    trees = {}
    for name in series:
        if name in index:
            trees.setdefault(name.rsplit(":", 1)[0], []).append(name)
    at_absent, everywhere, both, single = [], [], 0, 0
    for names in trees.values():
        for name in names:
            for mate in names:
                first, widths = series[name]
                first_mate, mate_widths = series[mate]
                low, high = max(first, first_mate), min(first + widths.size, first_mate + mate_widths.size)
                if mate == name or high - low < 30:
                    continue
                absent = widths[low - first : high - first] == 0
                mate_absent = mate_widths[low - first_mate : high - first_mate] == 0
                level = core_signals(mate_widths).narrowness[::-1][low - first_mate : high - first_mate]
                at_absent.append(level[absent & ~mate_absent])
                everywhere.append(level)
                both, single = both + int((absent & mate_absent).sum()), single + int(absent.sum())
    at_absent, everywhere = np.concatenate(at_absent), np.concatenate(everywhere)
    edges = np.array([-5, -4, -3, -2, -1, 0, 1, 2])
    odds = np.histogram(at_absent, edges)[0] / at_absent.size / (np.histogram(everywhere, edges)[0] / everywhere.size)
    known = odds > 0  # NaN where nothing was seen
    slope = np.polyfit(((edges[:-1] + edges[1:]) / 2)[known], np.log(odds[known]), 1)[0]
    counts = np.array([(series[name][1] == 0).sum() for name in index if name in series])
    print("narrow slope", round(-slope, 2), "both cores lack it", round(both / single, 2), "of", single)
    print("series without an absent ring", round(float((counts == 0).mean()), 3), "mean", round(counts.mean(), 3))


def stand_means(cases, series):
    """Mean index of the other trees of the site up to the last common year; None below 20 known years."""
    means = []
    for case in cases.itertuples():
        tree = case.series_a.rsplit(":", 1)[0]
        site = f"{tree.split(':', 1)[0]}:"
        others = [name for name in series if name.startswith(site) and name.rsplit(":", 1)[0] != tree]
        first, index = reference_series(
            [DatedCore(n.rsplit(":", 1)[0], n, series[n][0] + series[n][1].size - 1, series[n][1]) for n in others]
        )
        years = case.last_common - first + 1
        known = index[: max(0, years)]
        whole = np.append(known, np.full(max(0, years - index.size), np.nan))  # up to the year in which the cores end
        means.append(whole if known.size >= 20 else None)
    return means


def score(cases, series, figure=None, means=None):
    """Score the shipped model: kind, place, false alarms and reliability, which is also drawn where a path is given."""
    found = align_many([edited_pair(case, series) for case in cases.itertuples()], references=means)
    rows, bins = [], []
    for case, one in zip(cases.itertuples(), found, strict=True):
        best = one.best.sort_values("prob_near", ascending=False)
        kind = best["kind"].iloc[0] if len(best) else ""
        said = "delete" if kind in DELETED else "split" if kind in SPLIT else "none"
        ring = case.last_common - case.year + 1 if case.edit != "none" else np.nan
        away = abs(best["ring_from_bark"].iloc[0] - ring) if len(best) else np.nan
        rows.append(
            (
                case.case,
                case.edit,
                said,
                kind,
                away,
                case.last_common - (best["ring_from_bark"].iloc[0] if len(best) else np.nan) + 1,
            )
        )
        bins += reliability_rows(one, case.edit, ring)
    table = pd.DataFrame(rows, columns=["case", "edit", "said", "kind", "away", "year"])
    for edit, kinds in (("delete", DELETED), ("split", SPLIT)):
        part = table[table["edit"] == edit]
        right = part["said"] == edit
        near = (right & (part["away"] <= 3)).mean()
        told = (part["kind"][right] == kinds[0]).mean()
        print(f"{edit}: n {len(part)}, direction {right.mean():.3f}, within 3 {near:.3f}, kind of those {told:.3f}")
    unedited = table[table["edit"] == "none"]
    print(f"unedited: n {len(unedited)}, false alarms {(unedited['said'] != 'none').mean():.3f}")
    show_reliability(pd.DataFrame(bins, columns=["what", "stated", "true"]), figure)
    return table


def reliability_rows(one, edit, ring):
    """Stated probabilities and whether they came true: of the difference, and of a change within three rings."""
    truth = {"delete": 1, "split": -1, "none": 0}[edit]
    rows = [("difference", one.ring_difference.prob_at(value), truth == value) for value in (-1, 0, 1)]
    for kinds, this in ((DELETED, "delete"), (SPLIT, "split")):
        probs = sum(one.grids.by_ring(kind) for kind in kinds) if _same_rings(one, kinds) else None
        if probs is None:
            sizes = max(one.grids.by_ring(kind).size for kind in kinds)
            probs = sum(np.pad(one.grids.by_ring(kind), (0, sizes - one.grids.by_ring(kind).size)) for kind in kinds)
        for start in range(0, probs.size, 7):
            stated = min(float(probs[start : start + 7].sum()), 1.0)
            if stated >= 0.01:
                rows.append(("place", stated, edit == this and start < ring <= start + 7))
    return rows


def _same_rings(one, kinds):
    return len({one.grids.by_ring(kind).size for kind in kinds}) == 1


def show_reliability(rows, figure):
    """Ten bins of stated probability against the share that came true, as tables and as a figure."""
    from matplotlib.figure import Figure

    drawn = Figure(figsize=(8.4, 4.2), layout="constrained")
    for ax, (what, part) in zip(drawn.subplots(1, 2), rows.groupby("what"), strict=True):
        table = reliability(part["stated"], part["true"])
        print(f"reliability: {what}", table.round(3).to_string(), sep="\n")
        plot_reliability(table, ax=ax).set_title(what)
    if figure:
        drawn.savefig(figure, dpi=120)


def natural_cases(series, names):
    """Pairs in which one dated absent ring is taken out of core B, as an observer would have it."""
    trees = {}
    for name in series:
        if name in names:
            trees.setdefault(name.rsplit(":", 1)[0], []).append(name)
    out = []
    for members in trees.values():
        for mate in members:
            first, widths = series[mate]
            zeros = np.flatnonzero(widths == 0)
            others = [name for name in members if name != mate]
            if zeros.size != 1 or not others:
                continue
            first_a, a = series[others[0]]
            low, last = max(first, first_a), min(first + widths.size, first_a + a.size) - 1
            year = first + zeros[0]
            if last - low < 50 or not low + 8 <= year <= last - 8 or a[year - first_a] == 0:
                continue
            b = np.delete(widths[low - first : last - first + 1], year - low)
            out.append((a[low - first_a : last - first_a + 1], b, last - year + 1))
    return out


def main():
    """Run one of the three jobs."""
    folder, job = Path(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else "check"
    series, index = load_series(folder), pd.read_csv(folder / "series_index.csv")
    names = set(index.loc[index["split"] == ("fit" if job == "fit" else "check"), "series"])
    cases = pd.read_csv(folder / "pair_cases.csv")
    if job == "fit":
        fit_whitening([series[name] for name in sorted(names)])
        fit_absent(series, names)
        unedited = cases[(cases["split"] == "fit") & (cases["edit"] == "none")]
        found = align_many([edited_pair(case, series) for case in unedited.itertuples()])
        weights = np.mean([one.sums.correlation_weights for one in found], axis=0)
        print("weights of the correlations", weights.round(3))
    elif job == "natural":
        pairs = natural_cases(series, set(index["series"]))
        found = align_many([pair[:2] for pair in pairs])
        hits = [len(one.best) > 0 and any(k in DELETED for k in one.best["kind"]) for one in found]
        near = [
            any(
                k in DELETED and abs(r - ring) <= 3
                for k, r in zip(one.best["kind"], one.best["ring_from_bark"], strict=True)
            )
            for one, (_, _, ring) in zip(found, pairs, strict=True)
        ]
        print(f"natural: n {len(pairs)}, direction {np.mean(hits):.3f}, within 3 {np.mean(near):.3f}")
    elif job == "stand":
        held_out = cases[cases["split"] == "check"]
        score(held_out, series, means=stand_means(held_out, series))
    else:
        score(cases[cases["split"] == job], series, sys.argv[3] if len(sys.argv) > 3 else None)


if __name__ == "__main__":
    main()
