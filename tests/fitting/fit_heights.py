"""Fit the passing times of young trees; write young_trees.json, young_trees.csv and young_tree_studies.csv.

Usage: python tests/fitting/fit_heights.py DATA_FOLDER [score]

The folder holds young_*.csv.gz: one row a plant or stand mean. A linear mixed model of log age on log height is fitted
by marginal likelihood with exact algebra: family, genus, species, study (level and slope), stand and plant random.
Plants of one age in a stand enter as one row, at the mean of their log heights: age was given, height was found. With
`score` each author's studies are left out in turn and both readings are printed, with the shift and extra sd that serve
both best, and what is held where each author's studies have no part in that choice.
"""

from __future__ import annotations

import csv
import json
import re
import sys
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.optimize import minimize
from scipy.stats import norm

from treeage.priors import data_rows
from treeage.schema import ERA_LOG_SD

DATA = Path(__file__).parents[2] / "treeage" / "data"
HINGE_M = 3.0  # choice: the slope of time on height may change here; cores are taken below
OLDEST, SMALLEST_M = 60.0, 0.05  # choice: rows beyond say nothing of the first metres
DEEP_SHADE = 15.0  # choice: per cent of full light
FEWEST_PLANTS = 5  # choice: for a stand to show the spread between its plants
RANKS = ("family", "genus", "species")
SPREADS = (
    *RANKS, "study wild", "study planted", "slope", "stand wild", "stand planted", "plant wild", "plant planted",
    "mean",
)  # fmt: skip
FIXED = (
    "conifer", "broadleaf", "conifer slope", "broadleaf slope", "planted", "planted slope", "canopy", "deep shade",
    "hinge", "conifer hinge", "planted hinge",
)  # fmt: skip
_EURASIA = "sample trees and plots of Eurasia (Schepaschenko et al. 2017)"
CITED = {"BAAD": "Biomass And Allometry Database (Falster et al. 2015)", "Eurasia": _EURASIA, "Eurasia plots": _EURASIA}
READINGS = {"wild": (0.28, 0.6), "planted": (0.1, 0.0)}
"""Shift and extra sd of the log time: the least CRPS at which both readings of studies left out hold within OFF."""
LEVELS, OFF = [0.5, 0.8, 0.9, 0.95], 0.07  # choice: points of probability by which a reading may miss its promise
_SAME = ["study", "database", "citation", "stand", "species", "genus", "family", "clade", "condition", "canopy", "deep"]


def load(folder: Path) -> pd.DataFrame:
    """Rows of the model; plants of one age in a stand as one row."""
    rows = pd.concat([pd.read_csv(path, low_memory=False) for path in sorted(folder.glob("young_*.csv.gz"))])
    kept = (rows.habit == "tree") & rows.condition.isin(["wild", "planted"]) & ~rows.origin.str.contains("sprout")
    rows = rows[kept & (rows.height_m >= SMALLEST_M) & (rows.age_years <= OLDEST)].reset_index(drop=True)
    families = {row["genus"]: row["family"] for row in data_rows("tree_families.csv")}
    database = rows.source_db.replace(CITED)
    rows = rows.assign(
        family=rows.genus.map(families).fillna(rows.family).fillna("of " + rows.genus),
        database=database,
        citation=rows.citation.str.replace(r"\s*\(in [^)]*\)$", "", regex=True),
        stand=rows.stand + "|" + rows.condition + "|" + rows.origin,
        log_height=np.log(rows.height_m),
        log_age=np.log(rows.age_years),
        canopy=rows.light_pct.notna(),
        deep=rows.light_pct < DEEP_SHADE,
        average=rows.unit == "stand mean",
        plants=(rows.unit != "stand mean").astype(int),
    )
    shared = (rows.design == "age") & ~rows.average
    sums = {name: (name, "mean") for name in ("log_height", "log_age")}
    pooled = rows[shared].groupby([*_SAME, "age_years"], sort=False)
    means = pooled.agg(**sums, plants=("plants", "sum"), spread=("log_height", "std")).reset_index()
    return pd.concat([rows[~shared], means.assign(average=False)], ignore_index=True)


def design(rows: pd.DataFrame) -> pd.DataFrame:
    """Fixed effects, one column each in the order of FIXED; heights relative to 1 m."""
    height, hinge = np.minimum(rows.log_height, np.log(HINGE_M)), np.maximum(rows.log_height - np.log(HINGE_M), 0)
    conifer, planted = (rows.clade == "conifer").astype(float), (rows.condition == "planted").astype(float)
    columns = (
        conifer, 1 - conifer, conifer * height, (1 - conifer) * height, planted, planted * height, rows.canopy,
        rows.deep, hinge, hinge * conifer, hinge * planted,
    )  # fmt: skip
    return pd.DataFrame(dict(zip(FIXED, columns, strict=True))).astype(float)


class Mixed:
    """The mixed model of some rows: its normal equations with stands and studies summed out exactly."""

    def __init__(self, rows: pd.DataFrame) -> None:
        self.rows, size = rows, len(rows)
        self.codes = {name: pd.factorize(rows[name]) for name in (*RANKS, "study", "stand")}
        hot = {
            name: sparse.csr_matrix((np.ones(size), (np.arange(size), code))) for name, (code, _) in self.codes.items()
        }
        self.sizes = [hot[name].shape[1] for name in RANKS]
        parts = [sparse.csr_matrix(design(rows).to_numpy()), *(hot[name] for name in RANKS)]
        self.columns = sparse.hstack([*parts, sparse.csr_matrix(rows.log_age.to_numpy()[:, None])]).tocsr()
        self.in_stand, self.in_study = hot["stand"], hot["study"]
        self.study_of_stand = ((self.in_stand.T @ self.in_study) > 0).astype(float).T.tocsr()
        planted = (rows.condition == "planted").to_numpy(dtype=float)
        self.kind = np.where(rows.average, 2, np.where(planted > 0, 1, 0))
        self.planted_stand = (self.in_stand.T @ planted) > 0
        self.planted_study = (self.in_study.T @ planted) > 0.5 * (self.in_study.T @ np.ones(size))
        height = np.minimum(rows.log_height, np.log(HINGE_M))
        self.line = np.column_stack([np.ones(size), height])
        self.weight = np.maximum(rows.plants.to_numpy(dtype=float), 1)

    def equations(self, log_sd: np.ndarray) -> tuple[np.ndarray, float]:
        """Cross products of columns and log ages in the metric of the covariance, and its log determinant."""
        sd = np.exp(log_sd)
        inverse = self.weight / sd[8:11][self.kind] ** 2
        scaled = self.columns.multiply(inverse[:, None]).tocsr()
        full = self.columns.T @ scaled
        stand = np.where(self.planted_stand, sd[7], sd[6]) ** 2
        held = self.in_stand.T @ inverse
        share = 1 / (1 / stand + held)
        sums = (self.in_stand.T @ scaled).tocsr()
        full = full - sums.T @ sums.multiply(share[:, None])
        log_det = -np.log(inverse).sum() + np.log1p(stand * held).sum()
        lines = [self.in_stand.T @ (self.line[:, k] * inverse) for k in (0, 1)]
        crossed = [
            (self.in_study.T @ scaled.multiply(self.line[:, [k]])).tocsr()
            - self.study_of_stand @ sums.multiply((share * lines[k])[:, None])
            for k in (0, 1)
        ]
        inner = np.empty((self.in_study.shape[1], 2, 2))
        for i, j in np.ndindex(2, 2):
            inner[:, i, j] = self.in_study.T @ (self.line[:, i] * self.line[:, j] * inverse)
            inner[:, i, j] -= self.study_of_stand @ (share * lines[i] * lines[j])
        study, slope = np.where(self.planted_study, sd[4], sd[3]) ** 2, sd[5] ** 2
        inner[:, 0, 0] += 1 / study
        inner[:, 1, 1] += 1 / slope
        log_det += np.linalg.slogdet(inner)[1].sum() + np.log(study).sum() + len(study) * np.log(slope)
        solved = np.linalg.inv(inner)
        for i, j in np.ndindex(2, 2):
            full = full - crossed[i].T @ crossed[j].multiply(solved[:, i, j][:, None])
        return np.asarray(full.todense()), float(log_det)

    def precision(self, log_sd: np.ndarray) -> np.ndarray:
        """Prior precision of the coefficients; next to flat for the fixed effects."""
        random = [np.full(size, np.exp(-2 * log_sd[k])) for k, size in enumerate(self.sizes)]
        return np.concatenate([np.full(len(FIXED), 1e-2), *random])

    def deviance(self, log_sd: np.ndarray) -> float:
        """Minus the log marginal likelihood, with a weak prior about 0.3 for every log-sd."""
        full, log_det = self.equations(log_sd)
        prior = self.precision(log_sd)
        root = np.linalg.cholesky(full[:-1, :-1] + np.diag(prior))
        solved = np.linalg.solve(root, full[:-1, -1])
        fit = 0.5 * (full[-1, -1] - solved @ solved) + np.log(np.diag(root)).sum() + 0.5 * log_det
        return float(fit - 0.5 * np.log(prior).sum() + 0.5 * ((log_sd - np.log(0.3)) ** 2).sum())

    def spreads(self) -> np.ndarray:
        """Log standard deviations of highest marginal likelihood, in the order of SPREADS."""
        start = np.full(len(SPREADS), np.log(0.3))
        return minimize(self.deviance, start, method="L-BFGS-B", options={"maxiter": 40}).x

    def solve(self, log_sd: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Coefficients and their covariance."""
        full, _ = self.equations(log_sd)
        covariance = np.linalg.inv(full[:-1, :-1] + np.diag(self.precision(log_sd)))
        return covariance @ full[:-1, -1], covariance


def taxa(model: Mixed, log_sd: np.ndarray, mean: np.ndarray, covariance: np.ndarray) -> pd.DataFrame:
    """Log time to 1 m of every species, genus, family and clade, wild and planted, with its sd for the name alone."""
    rows, sd, records = model.rows, np.exp(log_sd), []
    place = {rank: {name: k for k, name in enumerate(model.codes[rank][1])} for rank in RANKS}
    start = np.cumsum([len(FIXED), *model.sizes])
    of_rank = {rank: rows.drop_duplicates(rank).set_index(rank) for rank in RANKS}
    names = [("clade", clade, ()) for clade in ("conifer", "broadleaf")]
    for depth, rank in enumerate(RANKS):
        own = of_rank[rank].sort_index()
        own = own[~own.index.str.endswith((" sp", " spp", " sp.", " spp."))]
        names += [
            (rank, name, tuple(own.reset_index().loc[k, list(RANKS[: depth + 1])])) for k, name in enumerate(own.index)
        ]
    for rank, name, line in names:
        clade = name if rank == "clade" else of_rank[rank].loc[name, "clade"]
        vector = np.zeros(len(mean))
        vector[FIXED.index(clade)] = 1
        for depth, each in enumerate(line):
            vector[start[depth] + place[RANKS[depth]][each]] = 1
        new = float((sd[len(line) : 3] ** 2).sum())
        record = {"rank": rank, "name": name, "clade": clade, "family": line[0] if line else ""}
        for condition in ("wild", "planted"):
            vector[FIXED.index("planted")] = float(condition == "planted")
            level, variance = vector @ mean, vector @ covariance @ vector + new
            record |= {f"{condition}_level": round(level, 4), f"{condition}_sd": round(float(np.sqrt(variance)), 4)}
        records.append(record)
    return pd.DataFrame(records)


def plant_spread(rows: pd.DataFrame, model: Mixed, mean: np.ndarray) -> dict[str, list[float]]:
    """Mean and sd between stands of the log of the log-sd between plants, each study weighing alike."""
    fitted = np.asarray(model.columns[:, :-1] @ mean)
    rows = rows.assign(left=rows.log_age - fitted)[rows.log_height < np.log(2 * HINGE_M)]
    slope = np.where(rows.clade == "conifer", mean[2], mean[3]) + np.where(rows.condition == "planted", mean[5], 0)
    even = rows.assign(sd=rows.spread * slope, count=rows.plants)[rows.spread.notna()]
    uneven = rows[rows.spread.isna() & ~rows.average].groupby(["study", "stand", "species", "condition"]).left
    uneven = uneven.agg(sd="std", count="size").reset_index()
    both = pd.concat([even[uneven.columns], uneven])
    both = both[(both["count"] >= FEWEST_PLANTS) & (both.sd > 0)]
    found = {}
    for condition, part in both.groupby("condition"):
        weight = 1 / part.groupby("study").sd.transform("size")
        logs, noise = np.log(np.maximum(part.sd, 0.02)), 1 / (2 * (part["count"] - 1))
        centre = np.average(logs, weights=weight)
        variance = np.average((logs - centre) ** 2 - noise, weights=weight)
        found[str(condition)] = [round(float(centre), 4), round(float(np.sqrt(max(variance, 0.04))), 4)]
    return found


def coefficients(rows: pd.DataFrame, log_sd: np.ndarray) -> dict:
    """All that a prediction needs, apart from the citations."""
    model = Mixed(rows)
    mean, covariance = model.solve(log_sd)
    fixed = slice(0, len(FIXED))
    return {
        "fixed": list(FIXED),
        "mean": mean[fixed].round(5).tolist(),
        "covariance": covariance[fixed, fixed].round(6).tolist(),
        "log_sd": dict(zip(SPREADS, np.exp(log_sd).round(4).tolist(), strict=True)),
        "plant_log_sd": plant_spread(rows, model, mean),
        "readings": {name: list(pair) for name, pair in READINGS.items()},
        "taxa": taxa(model, log_sd, mean, covariance),
    }


# ------------------------------------------------------------------ leave one author out


def author(study: str) -> str:
    """First author of a study by its name."""
    first = re.sub(r"^E: ", "", study).lower().replace(",", " ").split(" ")[0]
    return re.sub(r"\d+[a-z]?$", "", first)


def score(rows: pd.DataFrame, raw: pd.DataFrame, log_sd: np.ndarray) -> None:
    """Print the coverage of both readings on studies left out: plants near a height, and rows of at most 12 years."""
    from treeage.height.open_data import OpenData

    found = []
    authors = raw.study.map(author)
    range_of = raw.groupby(["study", "species", "condition"]).height_m.agg(["min", "max"])
    for name in sorted(authors.unique()):
        fitted = coefficients(rows[rows.study.map(author) != name].reset_index(drop=True), log_sd)
        data = OpenData.of(fitted, fitted.pop("taxa").to_dict("records"))
        for row in raw[authors == name].itertuples():
            low, high = range_of.loc[(row.study, row.species, row.condition)]
            near = [h for h in (0.3, 1.0, 1.3) if h / 1.5 < row.height_m < h * 1.5 and low <= h <= high]
            young = [row.height_m] if row.age_years <= 12 and row.height_m <= HINGE_M else []
            for reading, heights in (("standing", near), ("by age", young)):
                for height in heights:
                    prior = data.prior(row.species, row.condition)
                    level, sd = prior.at(height)
                    time = np.log(row.age_years) + 0.55 * np.log(height / row.height_m)
                    found.append(
                        (reading, name, row.study, row.condition, prior.rank, time - level, np.hypot(sd, ERA_LOG_SD))
                    )
    table = pd.DataFrame(found, columns=["reading", "author", "study", "condition", "rank", "error", "sd"])
    for keys in (["reading", "condition"], ["reading", "rank"]):
        print(table.groupby(keys)[["study", "error", "sd"]].apply(_coverage).round(3).to_string())
    for condition, part in table.groupby("condition"):
        _choice(str(condition), part)


def _coverage(part: pd.DataFrame) -> pd.Series:
    weight, z = 1 / part.groupby("study").error.transform("size"), abs(part.error / part.sd)
    inside = {f"in {p:g}": np.average(z < norm.ppf((1 + p) / 2), weights=weight) for p in LEVELS}
    means = {"bias": np.average(part.error, weights=weight), "crps": np.average(_crps(z, part.sd), weights=weight)}
    return pd.Series({"rows": len(part), "studies": part.study.nunique(), **inside, **means})


def _crps(z: pd.Series, sd: pd.Series) -> pd.Series:
    """Of a normal: Gneiting & Raftery 2007, J. Am. Stat. Assoc. 102: 359-378."""
    return sd * (z * (2 * norm.cdf(z) - 1) + 2 * norm.pdf(z) - 1 / np.sqrt(np.pi))


def _choice(condition: str, part: pd.DataFrame) -> None:
    """Print the shift and extra sd of one condition that serve both readings best, with and without each author.

    Coverage alone would reward a wrong level that hides a spread too wide: among all that hold within OFF the least
    CRPS is taken.
    """
    kept, (shift_now, extra_now) = {}, READINGS[condition]
    study = part.groupby(["reading", "author", "study"])
    for shift, extra in product(np.arange(0, 61, 2) / 100, np.arange(0, 101, 2) / 100):
        sd = np.sqrt(part.sd**2 - extra_now**2 + extra**2)
        z = abs(part.error + shift_now - shift) / sd
        held = pd.DataFrame({level: z < norm.ppf((1 + level) / 2) for level in LEVELS} | {"crps": _crps(z, sd)})
        kept[float(shift), float(extra)] = held.astype(float).groupby(study.ngroup()).mean().to_numpy()
    reading, by, _ = (study.size().index.get_level_values(level).to_numpy() for level in range(3))

    def loss(key: tuple[float, float], but: str = "") -> tuple[float, float]:
        means = np.array([kept[key][(reading == each) & (by != but)].mean(axis=0) for each in np.unique(reading)])
        return max(float(abs(means[:, :-1] - LEVELS).max()), OFF), float(means[:, -1].mean())

    chosen = {name: min(kept, key=lambda key: loss(key, name)) for name in np.unique(by)}
    held = np.array([kept[chosen[name]][at] for at, name in enumerate(by)])
    best = [(key, *np.round(loss(key), 3).tolist()) for key in sorted(kept, key=loss)[:4]]
    print(condition, "best (shift, extra sd), worst deviation and CRPS:", best)
    print("mean choice without each author", np.mean(list(chosen.values()), axis=0).round(3))
    for each in np.unique(reading):
        print("then held", each, held[reading == each].mean(axis=0).round(3))


def main() -> None:
    folder = Path(sys.argv[1])
    rows = load(folder)
    log_sd = Mixed(rows).spreads()
    found = coefficients(rows, log_sd)
    table = found.pop("taxa")
    for rank in ("clade", *RANKS):
        counts = rows.groupby(rank).agg(
            studies=("study", "nunique"), plants=("plants", "sum"), stand_means=("average", "sum")
        )
        own = table["rank"] == rank
        for name in counts.columns:
            table.loc[own, name] = table.loc[own, "name"].map(counts[name])
    counted = ["studies", "plants", "stand_means"]
    table[counted] = table[counted].fillna(0).astype(int)
    studies = rows.groupby(["citation", "species"], sort=True)
    studies = studies.agg(database=("database", "first"), plants=("plants", "sum"), stand_means=("average", "sum"))
    print("log-sd", found["log_sd"])
    print("plants", found["plant_log_sd"])
    print(pd.DataFrame({"mean": found["mean"], "sd": np.sqrt(np.diag(found["covariance"]))}, index=FIXED).round(3))
    print(table[table["rank"] != "species"].to_string())
    (DATA / "young_trees.json").write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    table.to_csv(DATA / "young_trees.csv", index=False, lineterminator="\n")
    studies.reset_index().to_csv(
        DATA / "young_tree_studies.csv", index=False, lineterminator="\n", quoting=csv.QUOTE_MINIMAL
    )
    if "score" in sys.argv[2:]:
        raw = pd.concat([pd.read_csv(path, low_memory=False) for path in sorted(folder.glob("young_*.csv.gz"))])
        raw = raw[(raw.habit == "tree") & raw.condition.isin(["wild", "planted"]) & (raw.origin != "sprout or coppice")]
        score(rows, raw[raw.height_m >= SMALLEST_M], log_sd)


if __name__ == "__main__":
    main()
