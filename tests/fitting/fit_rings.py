"""Fit the model of missed inner rings to a folder of raw ring widths and write treeage/data/rings_model.json.

Usage: python tests/fitting/fit_rings.py DATA_FOLDER [MORE_FOLDERS ...] [--finish | --means]

Each folder holds series.csv.gz (site, tree, core, year, width_mm; from the inside out) and series_index.csv
(site, tree, core, genus, split). Only the sites of split `fit` are used: those of the first folder for the regression
on ring tables, which gains nothing from more, those of all for the rest. Source of the shipped numbers: raw ring
widths of 165 and of 872 further sites of the public international tree-ring archive (World Data Service for
Paleoclimatology, NOAA NCEI). --finish repeats only the last steps: genera, and the mean number of rings at every
distance, then the regression on a mean width alone; --means only the latter.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.polynomial.hermite_e import hermegauss
from scipy.optimize import minimize

from treeage.priors import data_text
from treeage.rings import inner_growth, inner_growth_from_means, missing_rings_many, ring_model
from treeage.rings.mass import Tails
from treeage.rings.missing import masses_given
from treeage.rings.model import (
    FEATURES,
    OTHER_GENERA,
    SPREAD_FEATURES,
    TERMS,
    WIDTH_FLOOR_MM,
    mean_terms,
    regression_terms,
    whole_share,
)

SOURCE = (
    "fitted for treeage to raw ring widths of 165 sites, genera, spreads and mean widths alone of 1,037 sites, of the "
    "public international tree-ring archive (World Data Service for Paleoclimatology, NOAA NCEI)"
)
TARGETS_MM = (1, 1.4, 2, 2.8, 4, 5, 7, 10, 14, 20, 28, 40, 56, 80, 110, 150)  # distances to hide
RING_NODES = (1, 2, 3, 5, 10, 20, 40, 80)  # visible rings; the last node is the whole core
MIN_VISIBLE = 30
POWERS = 3  # of ln(distance / 10 mm): level, slope, bend
TAIL_DF = 5.0  # choice: the likelihood is flat from 4 to 6 and falls beyond
MARGINAL = Tails(12.0, 1.05)  # of b + u + v together, for the slopes of the location
# choice: rings next to the start of a series are 2 to 5 % narrower than the model says of the next 10 mm, and archive
# series start an unknown few millimetres from the pith
YOUNG_SD = 0.05
KNOWN_GENUS = 0.92  # choice: with the genus known, 80 % intervals of the fit sites hold 80 % (81 % without)
SCALE_SITES = 5.0  # choice: the same for the own scale
GENUS_SITES = 2.0  # choice: sites that count as much as the prior of no genus effect
ALONE = (np.zeros(1), np.ones(1))  # no shared deviation
MOST_SERIES = 12  # choice: of a site, for what does not need whole trees; sites count, not series
MEAN_RINGS_DRAWN = (1, 400)  # choice: range of the windows that a mean is taken of, even in the logarithm
_SPREADS = slice(len(FEATURES) - SPREAD_FEATURES, len(FEATURES))
RIDGE = 3.0


def load_all(folders: list[Path]) -> pd.DataFrame:
    """`load` of several folders, at most MOST_SERIES series of each site, drawn at random."""
    series = pd.concat([load(folder) for folder in folders], ignore_index=True)
    order = pd.Series(np.random.default_rng(0).random(len(series))).groupby(series.site).rank()
    return series[order <= MOST_SERIES].reset_index(drop=True)


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


def scale_design(more: np.ndarray, distance_mm: np.ndarray) -> np.ndarray:
    logs = np.log(distance_mm / 10.0)
    return np.column_stack([np.ones_like(logs), logs, logs**2, more])


def edges(cases: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Log edges of the counted ring number over the distance; the lower edge of one ring is open."""
    distance, hidden = cases.distance_mm.to_numpy(), cases.hidden.to_numpy()
    lower = np.log(np.maximum(hidden - 0.5, 0.5)) - np.log(distance)
    return lower, np.log(hidden + 0.5) - np.log(distance), hidden > 1


def censored(location, scale, limits, tails, shared=ALONE):
    """Probability of each counted number and its slopes in location and log scale, shared deviations summed out."""
    lower, upper, closed = limits
    total, by_location, by_scale = (np.zeros(len(location)) for _ in range(3))
    for node, share in zip(*shared, strict=True):
        high, low = (upper + location + node) / scale, (lower + location + node) / scale
        at_high, at_low = tails.density(high), np.where(closed, tails.density(low), 0.0)
        total += share * (tails.cdf(high) - np.where(closed, tails.cdf(low), 0.0))
        by_location += share * (at_high - at_low) / scale
        by_scale -= share * (at_high * high - at_low * np.where(closed, low, 0.0))
    return np.maximum(total, 1e-12), by_location, by_scale


def fit_location(terms, more, cases, weights):
    """Interval-censored maximum likelihood of the location, with a scale that bends along with it (and by `more`)."""
    raw, scale_terms = design(terms, cases.distance_mm.to_numpy()), scale_design(more, cases.distance_mm.to_numpy())
    centre, spread = raw.mean(0), raw.std(0)
    centre[0], spread[0] = 0.0, 1.0
    spread[spread < 1e-9] = 1.0
    matrix, size, limits = (raw - centre) / spread, raw.shape[1], edges(cases)
    ridge = np.full(size, RIDGE)
    ridge[0] = 0.0
    target = np.log(cases.distance_mm / cases.hidden).to_numpy()
    first = np.linalg.solve(matrix.T @ (matrix * weights[:, None]) + np.diag(ridge), matrix.T @ (weights * target))
    begin = np.concatenate([first, [np.log(0.3)], np.zeros(scale_terms.shape[1] - 1)])

    def loss(parameters):
        scale = np.exp(scale_terms @ parameters[size:])
        chance, by_location, by_scale = censored(matrix @ parameters[:size], scale, limits, MARGINAL)
        value = -(weights * np.log(chance)).sum() + 0.5 * (ridge * parameters[:size] ** 2).sum()
        slope = -matrix.T @ (weights * by_location / chance) + ridge * parameters[:size]
        return value / len(cases), np.concatenate([slope, -scale_terms.T @ (weights * by_scale / chance)]) / len(cases)

    found = minimize(loss, begin, jac=True, method="L-BFGS-B", options={"maxiter": 120})
    best = found.x[:size] / spread
    best[0] -= (best[1:] * centre[1:]).sum()
    return best.reshape(-1, POWERS)


def fit_scale(location, more, cases, weights, shared_sd, skew=None):
    """Level and own scale given the slopes of the location, and the skew unless given; shared deviations summed out."""
    distance = cases.distance_mm.to_numpy()
    scale_terms, limits = scale_design(more, distance), edges(cases)
    powers = np.vander(np.log(distance / 10.0), POWERS, increasing=True)
    nodes, shares = hermegauss(5)
    shared = ([shared_sd * node for node in nodes], shares / shares.sum())

    def parts(parameters, log_skew):
        place = location + powers @ parameters[:POWERS]
        scale = np.exp(scale_terms @ parameters[POWERS:-1])
        return censored(place, scale, limits, Tails(TAIL_DF, float(np.exp(log_skew))), shared)

    def loss(parameters):
        log_skew = parameters[-1] if skew is None else np.log(skew)
        chance, by_location, by_scale = parts(parameters, log_skew)
        slope = [-powers.T @ (weights * by_location / chance), -scale_terms.T @ (weights * by_scale / chance), [0.0]]
        if skew is None:
            shifted, _, _ = parts(parameters, log_skew + 1e-4)
            slope[2] = [-(weights * (np.log(shifted) - np.log(chance))).sum() / 1e-4]
        return -(weights * np.log(chance)).sum() / len(cases), np.concatenate(slope) / len(cases)

    begin = np.concatenate([np.zeros(POWERS), [np.log(0.2)], np.zeros(scale_terms.shape[1] - 1), [0.05]])
    found = minimize(loss, begin, jac=True, method="L-BFGS-B", options={"maxiter": 60})
    best_skew = float(np.exp(found.x[-1])) if skew is None else skew
    return found.x[:POWERS], found.x[POWERS:-1], best_skew, found.fun


def towards_mean(sites: pd.DataFrame, prior_sites: float) -> dict[str, float]:
    """Genus means of site values, drawn towards the mean of all genera by the number of sites; two sites at least."""
    genera = sites.groupby("genus").value.agg(["mean", "size"])
    genera = genera[genera.index != "Various"]
    middle = float(genera["mean"].mean())
    listed = genera[genera["size"] >= 2]
    values = middle + (listed["mean"] - middle) * listed["size"] / (listed["size"] + prior_sites)
    return {**{genus: round(float(value), 4) for genus, value in values.items()}, OTHER_GENERA: round(middle, 4)}


def genus_offsets(cases: pd.DataFrame, residual: np.ndarray) -> dict[str, float]:
    """Mean deviation of each genus."""
    frame = cases.assign(value=residual)
    frame = frame[frame.target.between(5, 56)]
    return towards_mean(frame.groupby(["genus", "site"]).value.mean().reset_index(), GENUS_SITES)


def genus_scales(cases, location, scale, shared_sd, skew) -> dict[str, float]:
    """Factor on the own scale of each genus: the most likely one of each site, averaged in the logarithm."""
    nodes, shares = hermegauss(5)
    shared, limits = (shared_sd * nodes, shares / shares.sum()), edges(cases)
    factors = np.exp(np.linspace(-0.6, 0.6, 13))
    likelihood = np.column_stack(
        [np.log(censored(location, scale * f, limits, Tails(TAIL_DF, skew), shared)[0]) for f in factors]
    )
    near = cases.target.between(5, 56).to_numpy()
    by_site = (
        pd.DataFrame(likelihood[near], index=cases.index[near]).groupby([cases.genus[near], cases.site[near]]).mean()
    )
    # the genus as a whole: cores of a site share its level, so the mean over sites of the likelihood of their cases
    by_genus, count = by_site.groupby("genus").mean(), by_site.groupby("genus").size()
    best = pd.Series(np.log(factors)[by_genus.to_numpy().argmax(1)], index=by_genus.index)
    sites = pd.DataFrame({"genus": np.repeat(best.index, count), "value": np.repeat(best.to_numpy(), count)})
    found = towards_mean(sites, SCALE_SITES)
    return {genus: round(float(np.exp(value) * KNOWN_GENUS), 4) for genus, value in found.items()}


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


def fit(series: pd.DataFrame, cases: pd.DataFrame, nodes: tuple[int, ...] = RING_NODES) -> dict:
    weights = site_weights(cases)
    distance = cases.distance_mm.to_numpy()
    coefficients, scales, skew = [], [], 1.0
    for rings in reversed(nodes):
        whole = rings == RING_NODES[-1]
        visible = [
            series.widths[k][h : (None if whole else h + rings)]
            for k, h in zip(cases.number, cases.hidden, strict=True)
        ]
        terms = regression_terms(np.nan_to_num(inner_growth(visible).features), np.zeros(SPREAD_FEATURES))
        table = fit_location(terms, terms[:, _SPREADS], cases, weights)
        location = design(terms, distance) @ table.ravel()
        if whole:
            residual = np.log(distance / cases.hidden.to_numpy()) - location
            offsets = genus_offsets(cases, residual)
            genus_part = genus_of(cases, offsets, 0.0)
            spreads = shared_spreads(cases, residual - genus_part)
            shared = float(np.hypot(*spreads))
            typical = terms[:, _SPREADS].mean(0)
            print("genus", offsets, "shared", spreads, "residual sd", residual.std(), (residual - genus_part).std())
        few = slice(None) if whole else slice(None, None, 3)  # a third of the cases is enough for six numbers
        found = fit_scale(
            (location + genus_part)[few],
            terms[few, _SPREADS],
            cases[few],
            weights[few],
            shared,
            None if whole else skew,
        )
        shift, scale, skew, value = found
        table[0] += shift
        coefficients.insert(0, table)
        scales.insert(0, scale)
        print(
            rings, "value", round(value, 4), "scale", np.round(scale, 3), "level", np.round(table[:, 0], 3), flush=True
        )
    return {
        "source": SOURCE,
        "terms": list(TERMS),
        "ring_nodes": list(nodes),
        "coefficients": [np.round(table, 5).tolist() for table in coefficients],
        "scale_coefficients": [np.round(scale, 5).tolist() for scale in scales],
        "typical_spreads": np.round(typical, 4).tolist(),
        "distance_range_mm": [1.0, 120.0],
        "tail_df": TAIL_DF,
        "tail_skew": round(skew, 4),
        "genus_offset": {},
        "genus_scale": {},
        "stand_sd": round(spreads[0], 4),
        "tree_sd": round(spreads[1], 4),
        "young_sd": YOUNG_SD,
    }


def genus_of(cases: pd.DataFrame, table: dict[str, float], mixed: float) -> np.ndarray:
    """Value of each case's genus; mixed stands have none."""
    return np.array([mixed if g == "Various" else table.get(g, table[OTHER_GENERA]) for g in cases.genus])


def by_genus(series: pd.DataFrame, cases: pd.DataFrame, data: dict) -> dict:
    """Offsets and scales of the genera under the fitted model, and what stand and tree share beside them."""
    model = ring_model()
    growth = inner_growth([series.widths[k][h:] for k, h in zip(cases.number, cases.hidden, strict=True)])
    distance = cases.distance_mm.to_numpy()[:, None]
    deviation = np.log(distance[:, 0] / cases.hidden.to_numpy()) - model.mean_log_width(growth, distance)[:, 0]
    deviation -= np.average(deviation, weights=site_weights(cases))  # a core of unknown genus gets 0; see `unbiased`
    offsets = genus_offsets(cases, deviation)
    own = genus_of(cases, offsets, 0.0)
    location = model.location(growth, distance)[:, 0] + own
    stand_sd, tree_sd = shared_spreads(cases, deviation - own)
    shared = float(np.hypot(stand_sd, tree_sd))
    scales = genus_scales(cases, location, model.own_scale(growth, distance)[:, 0], shared, model.tails.skew)
    print("genus offsets", offsets, "scales", scales, "shared", stand_sd, tree_sd)
    spreads = {"stand_sd": round(stand_sd, 4), "tree_sd": round(tree_sd, 4)}
    return {**data, **spreads, "genus_offset": offsets, "genus_scale": scales}


def unbiased(series: pd.DataFrame, cases: pd.DataFrame, data: dict) -> dict:
    """Move level, slope and bend of all nodes so that the mean number of rings is right on average at every distance.

    The median suits the logarithm; a mean over a stand is right only if the mean of each mass function is.
    """
    part = cases[cases.target.isin((2, 5, 10, 20, 40))]
    visible = [series.widths[k][h:] for k, h in zip(part.number, part.hidden, strict=True)]
    table = missing_rings_many(part.distance_mm, visible, genus=part.genus.replace("Various", None).tolist())
    moved = np.array(data["coefficients"])
    moved[:, 0, :] += shift_of(part, table["mean"].to_numpy())
    return {**data, "coefficients": np.round(moved, 5).tolist()}


def shift_of(cases: pd.DataFrame, mean: np.ndarray) -> np.ndarray:
    """Level, slope and bend by which the log width must move for the mean number of rings to be right."""
    weight = site_weights(cases)
    sums = pd.DataFrame({"target": cases.target, "mean": weight * mean, "true": weight * cases.hidden})
    sums = sums.groupby("target").sum()
    ratio = np.log(sums["mean"] / sums["true"])
    print("mean over truth", ratio.round(4).to_dict())
    powers = np.vander(np.log(ratio.index.to_numpy(dtype=float) / 10.0), POWERS, increasing=True)
    return np.linalg.lstsq(powers, ratio.to_numpy(), rcond=None)[0]


def mean_cases(series: pd.DataFrame, cases: pd.DataFrame) -> pd.DataFrame:
    """Each case three times with a mean alone: of a number of innermost visible rings drawn at random, of all visible.

    The mean of n rings is the same statistic whether the core has more of them or not.
    """
    rng, visible = np.random.default_rng(1), np.array([w.size for w in series.widths])[cases.number] - cases.hidden
    sums = [np.concatenate([[0.0], np.cumsum(widths)]) for widths in series.widths]
    parts = []
    for whole in (True, False, False):
        drawn = np.exp(rng.uniform(*np.log(MEAN_RINGS_DRAWN), len(cases))).round().astype(int)
        part = cases.assign(rings=visible if whole else drawn, whole=whole)[whole | (drawn <= visible)]
        mean = [(sums[k][h + n] - sums[k][h]) / n for k, h, n in zip(part.number, part.hidden, part.rings, strict=True)]
        parts.append(part.assign(mean=np.maximum(mean, WIDTH_FLOOR_MM)))
    return pd.concat(parts, ignore_index=True)


def fit_means(cases: pd.DataFrame) -> dict:
    """The regression on a mean width and its number of rings; genera and shared spreads for short and whole means."""
    weights, distance = site_weights(cases), cases.distance_mm.to_numpy()
    terms, share = mean_terms(np.log(cases["mean"].to_numpy()), cases.rings.to_numpy()), whole_share(cases.rings)
    table = fit_location(terms, terms[:, [1, 4]], cases, weights)
    location = design(terms, distance) @ table.ravel()
    residual = np.log(distance / cases.hidden.to_numpy()) - location
    offsets, spreads, ends = [], [], (cases.rings.between(5, 20).to_numpy(), cases.whole.to_numpy())
    for end in ends:
        rows = np.flatnonzero(end)[~cases[end].duplicated(["number", "target"]).to_numpy()]
        own = cases.iloc[rows]
        offsets.append(genus_offsets(own, residual[rows]))
        spreads.append(shared_spreads(own, residual[rows] - genus_of(own, offsets[-1], 0.0)))
    few, most = (genus_of(cases, offset, 0.0) for offset in offsets)
    shared = np.hypot(*(spreads[0][k] * (1 - share) + spreads[1][k] * share for k in (0, 1)))
    location += few * (1 - share) + most * share
    part = np.random.default_rng(2).random(len(cases)) < 100_000 / len(cases)  # enough for eight numbers
    skew = ring_model().tails.skew
    found = fit_scale(location[part], terms[part][:, [1, 4]], cases[part], weights[part], shared[part], skew)
    table[0] += found[0]
    print("means: level", table.round(3).tolist(), "scale", found[1].round(3), "spreads", spreads, "genera", offsets)
    return {
        "mean_coefficients": np.round(table, 5).tolist(),
        "mean_scale_coefficients": np.round(found[1], 5).tolist(),
        "mean_genus_offset": {genus: [offsets[0].get(genus, 0.0), value] for genus, value in offsets[1].items()},
        "mean_stand_sd": [round(stand, 4) for stand, _ in spreads],
        "mean_tree_sd": [round(tree, 4) for _, tree in spreads],
    }


def unbiased_means(cases: pd.DataFrame, data: dict) -> dict:
    """`unbiased` for means alone, short and whole ones apart because they share other spreads."""
    part = cases[cases.target.isin((2, 5, 10, 20, 40))].sample(frac=0.4, random_state=3)
    mean = np.zeros(len(part))
    for rows in (np.flatnonzero(part.whole), np.flatnonzero(~part.whole)):
        own = part.iloc[rows]
        growth = inner_growth_from_means(own["mean"], own.rings, genus=own.genus.replace("Various", None).tolist())
        distance = own.distance_mm.to_numpy()
        for places, cells in masses_given(growth, distance, np.zeros_like(distance), None):
            mean[rows[places]] = cells @ np.arange(cells.shape[1]) / cells.sum(1)
    moved = np.array(data["mean_coefficients"])
    moved[0] += shift_of(part, mean)
    return {**data, "mean_coefficients": np.round(moved, 5).tolist()}


def main() -> None:
    out = Path(__file__).parents[2] / "treeage" / "data" / "rings_model.json"
    folders = [Path(name) for name in sys.argv[1:] if not name.startswith("--")]

    def write(data: dict) -> None:
        out.write_text(json.dumps(data, indent=1) + "\n", encoding="utf-8")

    def read() -> dict:
        data_text.cache_clear()
        ring_model.cache_clear()
        return json.loads(out.read_text(encoding="utf-8"))

    if not {"--finish", "--means"} & set(sys.argv):
        series = load(folders[0])
        cases = truncate(series)
        print(len(series), "series,", len(cases), "cases,", cases.site.nunique(), "sites")
        write({**read(), **fit(series, cases)})
    series = load_all(folders)
    cases = truncate(series)
    print(len(series), "series,", len(cases), "cases,", cases.site.nunique(), "sites")
    if "--means" not in sys.argv:
        for step in (by_genus, unbiased, unbiased):
            write(step(series, cases, read()))
    cases = mean_cases(series, cases)
    write({**read(), "source": SOURCE, **fit_means(cases)})
    for _ in range(2):
        write(unbiased_means(cases, read()))


if __name__ == "__main__":
    main()
