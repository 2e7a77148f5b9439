"""Simulation-based calibration of the whole chain: from field tables to dates, errors that a stand shares included.

Usage: python tests/fitting/sbc.py OUT exact|learned STANDS [SEED]

For each stand what its trees share is drawn from the prior that the package states, then a stand by the model that the
engine assumes, then it is estimated from its tables, and the truth is ranked in its posterior (Talts et al. 2018,
arXiv:1804.06788; Cook, Gelman & Rubin 2006, J. Comput. Graph. Stat. 15). Writes to OUT: ranks_JOB_SEED.csv, and of all
seeds there sbc_JOB.csv (rank histograms) and sbc_JOB.png; prints p values. Those that are kept beside this script come
from 100 stands each of seeds 1 to 5 (exact), and 500 of seeds 31, 41, 42, 43 and 44 (learned: 40, 85, 85, 145, 145).

Radii, heights, visible widths, counted rings and datings are taken as given; what is seen at inner ends, missed rings,
count errors, wrong cores and years to the coring height are drawn. Left out: ring tables that teach the growth near the
pith or align counts, which the package predicts without saying how they come about. Own derivation.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import binom, chi2, kstest

from treeage import priors
from treeage.counting import COUNT_LEVELS
from treeage.distance import (
    AimErrors,
    arc_rise,
    draw_distances,
    end_distances,
    inner_ends,
    inside_radius,
    scale_distance,
)
from treeage.errors import InputError, ModelError, ModelWarning
from treeage.estimate import Cores, draw_ends, estimate_ages, height_models, prepare, read_cores
from treeage.hierarchical import LearningPriors, Sampling, fit_hierarchical
from treeage.hierarchical.likelihood import FACTOR_LIMITS, FactorKind, learning_cores, scaled_counts
from treeage.hierarchical.sampling import group_dataset
from treeage.posterior import ASTRAY_YEARS
from treeage.results import joint_years
from treeage.rings import ring_model, shared_spreads
from treeage.schema import InnerEnd
from treeage.tables import Field, Settings

TREES = 8
BINS = 10  # fifty stands a bin of 500
DRAWS = 399  # joint draws: 400 places for the truth
CHORD_MM, ARC_SD_MM = 5.0, 0.05  # a chord as wide as the core, read well, so that arcs teach
SPECIES = "Picea abies"
HEIGHT = {"model": "mean_sd", "height_m": 1.0, "mean_years": 8, "sd_years": 3}
SHORT = Sampling(draws=60, tune=40, chains=2, cores=1)  # the metric is set before
NEAR_MM = 2.5  # half the width of a core: where a pith beside it may lie
MOVING = ("aim", "eccentricity", "sight", "overlooked", "shortfall", "again", "arc_bias")
SPREADS = (
    "aim_log_sd",
    "eccentricity_log_sd",
    "sight_log_sd",
    "overlooked_log_sd",
    "short_log_sd",
    "pith_again_log_sd",
    "arc_bias_sd",
)


@dataclass(frozen=True)
class Shared:
    """What trees share, an entry a tree: the same in all of them unless a control draws it for each."""

    aim: AimErrors
    level: np.ndarray
    growth: np.ndarray  # b in standard deviations
    height: np.ndarray  # place among the shared values of the height model, 0 to 1
    factors: Mapping[str, float]  # of the learned layer; empty for the exact engine


@dataclass(frozen=True)
class Stand:
    """Tables of a stand and its truth; entries a tree, or a core in the order of `Cores`."""

    field: Field
    shared: Shared
    bias: np.ndarray
    established: np.ndarray
    pith_year: np.ndarray
    kind: np.ndarray


def draw_shared(rng: np.random.Generator, trees: int, *, together: bool = True, learned: bool = False) -> Shared:
    """What trees share, from the prior; every tree its own where they are not together (a control)."""
    size = 1 if together else trees

    def each(values: np.ndarray) -> np.ndarray:
        return np.broadcast_to(values, trees)

    moving = {
        name: each(rng.normal(0, priors.entries()[of].value, size)) for name, of in zip(MOVING, SPREADS, strict=True)
    }
    spread = np.sqrt(3) * priors.ARC_SPREAD_LOG_SD.value * rng.choice([-1.0, 0.0, 1.0], size, p=[1 / 6, 2 / 3, 1 / 6])
    square = rng.integers(0, 2, size).astype(float)
    aim = AimErrors(**moving, arc_spread=each(spread), square=each(square))
    growth, height = rng.standard_normal(size), rng.random(size)
    return Shared(
        aim, each(rng.integers(0, COUNT_LEVELS, size)), each(growth), each(height), draw_factors(rng) if learned else {}
    )


def draw_factors(rng: np.random.Generator) -> dict[str, float]:
    """Parameters of the learned layer beyond what the exact engine has, from their priors."""
    prior = LearningPriors()
    spread = {
        FactorKind.OWN: prior.own_log_sd,
        FactorKind.DISTANCE: prior.distance_log_sd,
        FactorKind.COUNT: prior.count_log_sd,
    }
    words = {"own": FactorKind.OWN, "arc": FactorKind.DISTANCE, "radius_length": FactorKind.DISTANCE,
             "lab_count": FactorKind.COUNT, "field_count": FactorKind.COUNT}  # fmt: skip
    factors = {}
    for word, kind in words.items():
        limit = FACTOR_LIMITS[kind]
        factors[word] = float(np.exp(limit * np.tanh(spread[kind].value / limit * rng.standard_normal())))
    return factors | {"tree_sd": float(np.exp(prior.tree_log_sd.value * rng.standard_normal()))}


def draw_tables(rng: np.random.Generator, shared: Shared, sure: bool) -> tuple[Field, np.ndarray, np.ndarray]:
    """Tables with what is seen at inner ends, the distances behind it, and how each tree was cored."""
    trees = len(shared.level)
    kind = rng.permutation(np.resize(["one core", "two cores", "two heights", "two cores"], trees))
    tree = np.repeat(np.arange(trees), np.where(kind == "one core", 1, 2))
    size = tree.size
    upper = np.append(False, tree[1:] == tree[:-1])
    lower_m = rng.choice([1.0] if sure else [0.0, 0.3, 1.0], trees)
    datings = [1.0, 0.0, 0.0] if sure else [0.5, 0.3, 0.2]
    height = lower_m[tree] + np.where(upper & (kind[tree] == "two heights"), 1.0, 0.0)
    diameter = rng.uniform(20, 50, trees)[tree]
    radius, radius_sd = inside_radius(diameter, np.zeros(size), np.full(size, 4.0))
    none = np.full(size, np.nan)
    blank = inner_ends(np.full(size, InnerEnd.ARCS, dtype=object), {}, (none, none, none), (radius, radius_sd, radius))
    errors = shared.aim.take(tree)
    drawn = draw_ends(blank, errors, rng)
    word, distance = drawn.word, drawn.distance_mm.copy()
    pith, beside = word == InnerEnd.PITH, rng.random(size) < priors.PITH_NEAR.value
    distance[pith] = np.where(beside[pith], NEAR_MM * rng.random(int(pith.sum())), 0.0)
    wider = np.exp(errors.arc_spread)
    curve = distance * np.exp(errors.arc_bias + priors.ROUNDNESS.value * wider * rng.standard_normal(size))
    curve = np.maximum(curve, CHORD_MM / 2)
    by_chord = CHORD_MM / 4 / np.maximum(curve, 0.6 * CHORD_MM) * priors.CHORD_SD.value
    rise = arc_rise(curve, CHORD_MM) + np.hypot(ARC_SD_MM * wider, by_chord) * rng.standard_normal(size)
    read = np.where(word == InnerEnd.ARCS, np.maximum(rise, 0.0), np.nan)
    mean = rng.lognormal(0.2, 0.4, trees)[tree]
    table = pd.DataFrame({
        "tree": [f"T{number:02d}" for number in tree], "core": np.where(upper, "b", "a"),
        "dating": rng.choice(["crossdated", "lab_count", "field_count"], size, p=datings),
        "core_height_m": height, "outer_year": 2000, "rings_counted": rng.integers(60, 180, size),
        "inner_end": word.astype(str), "core_length_mm": radius - drawn.gap_mm,
        "core_diameter_cm": diameter, "chord_mm": np.where(np.isnan(read), np.nan, CHORD_MM), "rise_mm": read,
        "arc_sd_mm": np.where(np.isnan(read), np.nan, ARC_SD_MM),
    })  # fmt: skip
    rings = None
    if rng.random() < 0.5:  # ring tables too short to teach or to be read against each other, or a mean width alone
        widths = mean[:, None] * rng.lognormal(0, 0.25, (size, 10))
        row, ring = np.divmod(np.arange(10 * size), 10)
        keys = {name: table[name].to_numpy()[row] for name in ("tree", "core")}
        rings = pd.DataFrame({**keys, "ring": ring + 1, "width_mm": widths.ravel().round(4)})
    else:
        table = table.assign(inner_width_mm=mean, inner_width_rings=20)
    own = pd.DataFrame({"tree": table["tree"].unique(), "species": SPECIES, "bark_mm": 0.0, "bark_sd_mm": 4.0})
    cores = table.drop(columns="core_diameter_cm").replace({np.nan: None})
    diameters = table.groupby("tree")["core_diameter_cm"].first().to_numpy()
    settings = Settings(height={"default": HEIGHT})
    return Field.from_frames(own.assign(core_diameter_cm=diameters), cores, rings, settings=settings), distance, kind


def drawn_rows(mass: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """One place drawn from each row."""
    total = np.cumsum(mass, axis=1)
    return np.asarray((total < rng.random((len(mass), 1)) * total[:, -1:]).sum(axis=1))


def draw_stand(
    rng: np.random.Generator, trees: int = TREES, *, together: bool = True, learned: bool = False, sure: bool = False
) -> Stand:
    """A stand by the model of the engine; drawn anew where a table refuses what the model allows (a length below 0).

    together: whether trees share what they share; sure: all crossdated and cored at 1 m, so that what is shared weighs.
    """
    while True:
        try:
            return _drawn_stand(rng, trees, together=together, learned=learned, sure=sure)
        except InputError:
            continue


def _drawn_stand(rng: np.random.Generator, trees: int, *, together: bool, learned: bool, sure: bool) -> Stand:
    shared = draw_shared(rng, trees, together=together, learned=learned)
    field, distance, kind = draw_tables(rng, shared, sure)
    cores = read_cores(field)
    assert list(cores.line) == list(range(len(cores)))  # rows stand as the engine has them
    tree = np.unique(cores.tree, return_inverse=True)[1]
    errors, factors = learning_cores(cores, None), shared.factors  # type: ignore[arg-type]
    if learned:  # the distance given what was seen, its error as wide as the factor says
        factor = np.array([1.0 if each is None else factors[each.word] for each in errors.distance_factor])
        given = [
            end_distances(cores.ends.take(np.array([row])), shared.aim.take(tree[[row]]))[0][0, 0]
            for row in range(len(cores))
        ]
        distance = np.array([draw_distances(row, 1, rng)[0] for row in scale_distance(np.array(given), factor)])
    missed, bias = draw_missed(rng, cores, tree, shared, distance)
    wrong_rings = draw_counts(rng, cores, tree, shared, errors)
    added = missed + wrong_rings
    several = np.bincount(tree)[tree] > 1
    astray = several & (rng.random(len(cores)) < cores.wrong)
    off = rng.geometric(1 - np.exp(-1 / ASTRAY_YEARS), (2, len(cores)))
    added = added + np.where(astray, off[0] - off[1], 0)  # the difference of two geometric numbers is a Laplace one
    model = height_models(field)[SPECIES]
    place = (shared.height * len(model.forms)).astype(int)
    cell, years = rng.random(trees), np.zeros(len(cores), dtype=np.int64)
    for row, height in enumerate(cores.height_m):
        table = model.passing_years(float(height))
        years[row] = table[place[tree[row]], int(cell[tree[row]] * table.shape[1])]
    established = 1750 + rng.integers(0, 100, trees)
    pith_year = established[tree] + years
    outer = pith_year + added + cores.rings_counted - 1
    return Stand(replace(field, cores=field.cores.assign(outer_year=outer)), shared, bias, established, pith_year, kind)


def draw_missed(
    rng: np.random.Generator, cores: Cores, tree: np.ndarray, shared: Shared, distance: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Missed rings of every core, and the growth b of every tree's stand."""
    model, rows = ring_model(), np.arange(len(cores))
    stand_sd, tree_sd = shared_spreads(growth=cores.hidden_growth(rows))
    own_factor, extra = 1.0, 0.0
    if shared.factors:
        extra, own_factor = LearningPriors().rate_bias_extra_sd.value, shared.factors["own"]
        tree_sd = tree_sd * shared.factors["tree_sd"]
    bias = np.hypot(stand_sd, extra) * shared.growth
    common = (bias + tree_sd * rng.standard_normal(bias.size))[tree]
    near = np.maximum(distance, 0.05)
    location, scale = model.location(cores.growth, near[:, None])[:, 0], model.own_scale(cores.growth, near)
    t, skew = np.abs(rng.standard_t(model.tails.df, tree.size)), model.tails.skew
    more = rng.random(tree.size) < skew**2 / (1 + skew**2)
    deviation = own_factor * scale * np.where(more, t * skew, -t / skew)
    rings = np.exp(np.log(near) - location - common + deviation)
    return np.where(distance > 0, np.maximum(1, np.rint(np.minimum(rings, 900))), 0).astype(np.int64), bias


def draw_counts(rng: np.random.Generator, cores: Cores, tree: np.ndarray, shared: Shared, errors: Any) -> np.ndarray:
    """Count errors of every core at the level of its stand, or with the factor of the learned layer."""
    if not shared.factors:
        levels = cores.counts_at_levels(np.arange(len(cores)))
        own = np.minimum(shared.level[tree], len(levels) - 1)
        drawn = np.array(
            [levels[level].start + drawn_rows(levels[level].mass[[row]], rng)[0] for row, level in enumerate(own)]
        )
        return drawn
    out = cores.count.start + drawn_rows(cores.count.mass, rng)
    for row, factor in enumerate(errors.count_factor):
        if factor is not None:
            mass = scaled_counts(cores, [row], [factor], np.array([shared.factors[factor.word]]))
            out[row] = mass.start + drawn_rows(mass.mass, rng)[0]
    return out


# ------------------------------------------------------------------ ranks


def rank_of_draws(draws: np.ndarray, truth: float, rng: np.random.Generator) -> float:
    """Place of the truth among draws, 0 to 1, ties at random."""
    below, same = float((draws < truth).sum()), float((draws == truth).sum())
    return float((below + rng.random() * (same + 1)) / (draws.size + 1))


def rank_of_pmf(pmf: Any, truth: int, rng: np.random.Generator) -> float:
    """Randomised place of the truth in a mass function."""
    return float(pmf.cdf(truth - 1) + rng.random() * pmf.prob_at(truth))


def ranks_of(stand: Stand, ages: Any, rng: np.random.Generator) -> dict[str, float]:
    """Ranks of one tree of each kind, and of the mean of the stand."""
    ids = [answer.tree for answer in ages]
    cores = stand.field.cores
    found, every = {}, []
    for kind in ("one core", "two cores", "two heights"):
        place = int(rng.choice(np.flatnonzero(stand.kind == kind)))
        answer = ages[ids[place]]
        lead = np.flatnonzero((cores["tree"] == answer.tree) & (cores["core"] == answer.facts["lead_core"]))[0]
        found[f"established, {kind}"] = rank_of_pmf(answer.establishment_year, int(stand.established[place]), rng)
        found[f"pith year, {kind}"] = rank_of_pmf(answer.pith_year, int(stand.pith_year[lead]), rng)
    for place, answer in enumerate(ages):
        low, high = answer.establishment_year.interval(0.9)
        every.append(low <= stand.established[place] <= high)
    names, years = joint_years(ages, DRAWS, seed=int(rng.integers(2**31)))
    truth = stand.established[[ids.index(name) for name in names]]
    found["mean date of the stand"] = rank_of_draws(years.mean(axis=1), float(truth.mean()), rng)
    return found | {"covered": float(np.mean(every))}


def exact_ranks(stand: Stand, rng: np.random.Generator) -> dict[str, float]:
    """Ranks in the posterior of the exact engine, and of what it learned that trees share."""
    ages = estimate_ages(stand.field)
    found, seen = ranks_of(stand, ages, rng), ages.extras["seen"]
    for name in (*MOVING, "arc_spread", "square"):
        found[name] = rank_of_draws(getattr(seen.aim, name)[seen.place], float(getattr(stand.shared.aim, name)[0]), rng)
    found["level of miscounts"] = rank_of_draws(seen.level[seen.place], float(stand.shared.level[0]), rng)
    growth = prepare(stand.field)[1][SPECIES].growth
    found["growth near the pith"] = rank_of_draws(growth.given_stand @ growth.shifts, float(stand.bias[0]), rng)
    model = height_models(stand.field)[SPECIES]
    size = len(model.forms)
    weights = next(iter(ages.height_weights.values()), np.full(size, 1 / size))
    order = np.argsort(model.passing_seasons(1.0).mean(axis=1), kind="stable")
    place = int(np.flatnonzero(order == int(stand.shared.height[0] * size))[0])
    found["years to height, shared"] = float(weights[order][:place].sum() + rng.random() * weights[order][place])
    return found


def learned_ranks(stand: Stand, rng: np.random.Generator) -> dict[str, float]:
    """Ranks in the posterior of the learned layer, and of its parameters; thinned draws. None where nothing teaches."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ModelWarning)  # chains are short
        try:
            ages = fit_hierarchical(stand.field, sampling=SHORT, seed=int(rng.integers(2**31)))
        except ModelError:  # which the readings decide and not the years, so that ranks stay even
            return {}
    found, factors = ranks_of(stand, ages, rng), stand.shared.factors
    group = group_dataset(ages.inference, "posterior")
    truths: dict[str, Any] = {"rate_bias": stand.bias[0], "own_factor": factors["own"]}
    for name in ("rate_bias", "own_factor", "distance_factor", "count_factor"):
        if name not in group:
            continue
        values = group[name].to_numpy()
        values = values.reshape(values.shape[0] * values.shape[1], -1)[::5]
        words = [""] if name in truths else [str(word) for word in group[name].coords[group[name].dims[-1]].to_numpy()]
        for column, word in enumerate(words):
            truth = truths.get(name, factors.get(word))
            found[f"{name} {word}".strip()] = rank_of_draws(values[:, column], float(truth), rng)
    return found


def run_stand(job: str, seed: int, number: int, trees: int = TREES, *, together: bool = True) -> dict[str, float]:
    """Ranks of one stand; the same for the same seed and number."""
    rng = np.random.default_rng([seed, number])
    stand = draw_stand(rng, trees, together=together, learned=job == "learned")
    return exact_ranks(stand, rng) if job == "exact" else learned_ranks(stand, rng)


# ------------------------------------------------------------------ tests and figures


def even_p(ranks: np.ndarray) -> tuple[float, float]:
    """p values of even ranks: chi-square of the bins, Kolmogorov-Smirnov of the distribution function."""
    counts, expected = np.histogram(ranks, bins=BINS, range=(0, 1))[0], len(ranks) / BINS
    return float(chi2.sf(((counts - expected) ** 2 / expected).sum(), BINS - 1)), float(kstest(ranks, "uniform").pvalue)


def summary(table: pd.DataFrame) -> pd.DataFrame:
    """A row a quantity: stands, p values, mean and spread of its normal-free rank, and the rank histogram."""
    rows = []
    for name in table.columns.drop("covered"):
        ranks = table[name].dropna().to_numpy()
        by_bins, by_distribution = even_p(ranks)
        counts = np.histogram(ranks, bins=BINS, range=(0, 1))[0]
        row = {"quantity": name, "stands": ranks.size, "p_bins": by_bins, "p_distribution": by_distribution}
        row |= {"mean": ranks.mean(), "sd_ratio": ranks.std() * np.sqrt(12)}
        rows.append(row | {f"bin_{place + 1}": int(count) for place, count in enumerate(counts)})
    return pd.DataFrame(rows)


def draw_figure(found: pd.DataFrame, path: Path) -> None:
    """Rank histograms with the band that holds 99 % of the bins of even ranks."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    rows = -(-len(found) // 4)
    figure, axes = plt.subplots(rows, 4, figsize=(10, 1.7 * rows), squeeze=False)
    for ax in axes.flat[len(found) :]:
        ax.set_axis_off()
    for ax, row in zip(axes.flat, found.to_dict("records"), strict=False):
        low, high = binom.ppf([0.005, 0.995], int(row["stands"]), 1 / BINS)
        ax.axhspan(low, high, color="0.85")
        ax.bar(
            (np.arange(BINS) + 0.5) / BINS, [row[f"bin_{k + 1}"] for k in range(BINS)], width=0.9 / BINS, color="0.35"
        )
        ax.set_title(f"{row['quantity']} (p {row['p_bins']:.2g})", fontsize=7)
        ax.tick_params(labelsize=6)
    figure.tight_layout()
    figure.savefig(path, dpi=60)
    plt.close(figure)


def main(arguments: list[str]) -> None:
    """Run the stands and write what came of them and of those with other seeds that OUT holds."""
    out, job, stands = Path(arguments[0]), arguments[1], int(arguments[2])
    seed = int(arguments[3]) if len(arguments) > 3 else 0
    found = []
    for number in range(stands):
        found.append(run_stand(job, seed, number))
        if number % 20 == 19 or number == stands - 1:
            pd.DataFrame([each for each in found if each]).to_csv(out / f"ranks_{job}_{seed}.csv", index=False)
    table = pd.concat([pd.read_csv(path) for path in sorted(out.glob(f"ranks_{job}_*.csv"))])
    told = summary(table)
    told.round(5).to_csv(out / f"sbc_{job}.csv", index=False)
    draw_figure(told, out / f"sbc_{job}.png")
    print(told.iloc[:, :6].round(4).to_string(index=False))
    print(f"{len(table)} stands of {TREES} trees, {job}: 90 % intervals hold {table['covered'].mean():.3f}")


if __name__ == "__main__":
    main(sys.argv[1:])
