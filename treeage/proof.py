"""What a reviewer asks of a field: predictions of what its owner knows, hidden from the estimate, against the truth.

Known dates of trees, inner rings of the field's own complete cores, the second core of a tree, the ages of its young
trees; each is left out of what predicts it. Own derivation.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from treeage.checks import PredictiveChecks, Sensitivity, predictive_checks, sensitivity
from treeage.display import Result, counted
from treeage.distance import DISTANCE_GRID_MM
from treeage.errors import InputError, ModelError, public, require_field, require_level
from treeage.estimate import Cores, estimate_ages, height_models, read_cores
from treeage.pmf import Pmf, keeps_tables
from treeage.results import Ages, Status
from treeage.rings import RingCalibration, calibrate_missing_rings, missing_rings
from treeage.schema import FEWEST_YOUNG_TREES, ROOT_COLLAR, HeightChoice, InnerEnd, column_numbers, genus_of
from treeage.validate import binomial_band, coverage, rank_interval

if TYPE_CHECKING:
    import pandas as pd

    from treeage.tables import Field

HIDDEN_MM = (2.0, 5.0, 10.0, 20.0, 40.0)  # choice: distances at which complete cores are cut
LEFT_RINGS = 10  # choice: rings that must be left on a core that is cut; the plain rule takes so many
LEVEL_M = 0.05  # choice: two cores of a tree whose heights differ by more have pith years of their own
MOST_YOUNG = 60  # choice: young trees of a species left out in turn, evenly over their heights
TOO_FEW, TOO_MANY = 0.85, 0.95  # choice: what a reader wants told apart around 90 %
KNOWN, SECOND, YOUNG = "known dates", "second cores", "young trees"
ALONE, STAND = "rings hidden", "rings hidden, with the stand"
CHECKS, MOVED = "predictive checks", "sensitivity"
TITLES = {
    KNOWN: "Trees of known age",
    ALONE: "Own complete cores, inner rings hidden, each core by itself",
    STAND: "The same, with the other complete cores of the stand",
    SECOND: "Two cores of a tree, each dated without the other",
    YOUNG: "Young trees, each left out of the height model",
}


@keeps_tables
@dataclass(frozen=True, eq=False)
class Proof(Result):
    """How well what is known of a field was predicted without it.

    Parameters
    ----------
    cases : pandas.DataFrame
        One row a prediction: part, species, tree, item, truth, median, lo, hi, inside, pit (the middle of the stretch
        of probability that the truth takes), error (median less truth), plain_error (that of the plain chain or rule,
        NaN where there is none), distance_mm (hidden, else NaN).
    parts : pandas.DataFrame
        One row a part: cases, trees, inside (within lo and hi), covered (end numbers shared out), band_low and
        band_high (what chance allows if cases were independent), mean_error and mean_absolute_error (of the medians),
        plain_absolute_error, pit_below_tenth and pit_above_tenth (share of truths in the outer tenths).
    checks : PredictiveChecks
        Whether the fitted model could have produced what was seen in the field.
    left_out : tuple of str
        What could not be asked, and why.
    prob : float
        Probability of the intervals.
    moved : Sensitivity or None
        How far dates move with the default numbers, where that was asked for.
    """

    cases: pd.DataFrame
    parts: pd.DataFrame
    checks: PredictiveChecks
    left_out: tuple[str, ...]
    prob: float
    moved: Sensitivity | None = None

    _caveats: ClassVar[tuple[str, ...]] = (
        "Cases of one tree or stand share errors, so that shares vary more than the band of independent cases.",
        "Two cores of a tree agree with each other also where both are wrong in the same way.",
        "Complete cores may come from trees that are easier to core to the pith than the others.",
        "A young tree's age is its years to its own height; trees that lived to be old may have been slower or faster.",
    )

    @property
    def caveats(self) -> tuple[str, ...]:
        """What the figures do not show."""
        return self._caveats + self.checks._caveats + (self.moved._caveats if self.moved else ())

    def to_frame(self) -> pd.DataFrame:
        """One row a prediction, unrounded."""
        return self.cases.copy()

    def everything(self) -> pd.DataFrame:
        """One table of all: a row a prediction, then one a predictive check, then two a default that was moved.

        The column part says which; columns that a part does not have are empty.
        """
        import pandas as pd

        checks = self.checks.table.rename(columns={"check": "item"}).assign(part=CHECKS)
        tables = [self.cases, checks]
        if self.moved is not None:
            tables.append(self.moved.table.rename(columns={"default": "item"}).assign(part=MOVED))
        names = list(dict.fromkeys(name for table in tables for name in table))
        rows = [row for table in tables for row in table.to_dict("records")]
        whole = dict.fromkeys(("truth", "median", "lo", "hi"), "Int64")
        return pd.DataFrame(rows, columns=names).astype(whole)

    def sentence(self) -> str:
        """A paragraph for the methods section: each part with its number of cases, shares and errors."""
        level = f"{100 * self.prob:g} %"
        told = []
        for row in self.parts.to_dict("records"):
            plain = row["plain_absolute_error"]
            rule = f" (plain chain: {plain:.1f})" if np.isfinite(plain) else ""
            unit = "rings" if row["part"] in (ALONE, STAND) else "years"
            cases, trees = counted(row["cases"], "prediction"), counted(row["trees"], "tree")
            told.append(
                f"{TITLES[row['part']]}: {cases} on {trees}; {level} intervals held {row['inside']} of them "
                f"({100 * row['inside'] / row['cases']:.0f} %); mean absolute error of the median "
                f"{row['mean_absolute_error']:.1f} {unit}{rule}, its mean error {row['mean_error']:+.1f}."
            )
        head = "What is known of this field was predicted without it."
        left = [f"Not asked: {'; '.join(self.left_out)}."] if self.left_out else []
        moved = [self.moved.sentence()] if self.moved else []
        return " ".join([head, *told, self.checks.sentence(), *moved, *left])

    def verdict(self) -> str:
        """Say plainly, part by part, whether intervals held what they promise, and what so few cases can tell.

        Then whether a predictive check failed, and how far the stand's mean date moves with a default.
        """
        told = [_verdict(row, self.prob) for row in self.parts.to_dict("records")]
        told = told or ["Nothing in this field can be held against the truth; see what was not asked."]
        return " ".join([*told, *_checked(self.checks), *_moved(self.moved)])


def _checked(checks: PredictiveChecks) -> list[str]:
    count, failed = len(checks.table), checks.failed
    if not failed:
        return [f"None of {count} predictive checks failed."] if count else []
    return [f"{len(failed)} of {count} predictive checks failed, the model does not describe: {', '.join(failed)}."]


def _moved(moved: Sensitivity | None) -> list[str]:
    if moved is None or not len(moved.table):
        return []
    far = moved.table.iloc[int(moved.table["stand_mean_years"].abs().to_numpy().argmax())]
    return [
        f"No default that is halved or doubled moves the stand's mean date by more than "
        f"{abs(far['stand_mean_years']):.1f} years ({far['meaning']}, {far['changed_to']:g} in place of "
        f"{far['value']:g})."
    ]


def _verdict(row: Mapping[Any, Any], prob: float) -> str:
    trees, held = int(row["trees"]), int(row["inside"])
    verdict = "as promised"
    if row["covered"] < row["band_low"]:
        verdict = "fewer than promised: do not rely on them here before you know why"
    elif row["covered"] > row["band_high"]:
        verdict = "more than promised: they are wider than they need be"
    what = f"{TITLES[row['part']]} ({counted(trees, 'tree')})"
    told = f"{what}: {100 * prob:g} % intervals hold {held} of {row['cases']}, {verdict}."
    few = f" {counted(trees, 'tree')} cannot tell {100 * TOO_FEW:g} from {100 * TOO_MANY:g} %."
    return told if verdict != "as promised" or tells_apart(trees) else told + few


def tells_apart(count: int, low: float = TOO_FEW, high: float = TOO_MANY) -> bool:
    """Whether so many independent cases tell two shares of hits apart: their 95 % bands do not meet."""
    return count > 0 and binomial_band(count, low, band=0.95)[1] < binomial_band(count, high, band=0.95)[0]


# ---------------------------------------------------------------------- the parts


@dataclass(frozen=True)
class _Case:
    """One prediction and its truth."""

    part: str
    species: str
    tree: str
    item: str
    told: Pmf
    truth: int
    plain: float = float("nan")
    distance_mm: float = float("nan")


@public
def validate_field(
    field: Field,
    *,
    prob: float = 0.9,
    seed: int = 0,
    with_sensitivity: bool = False,
    tick: Callable[[int], object] | None = None,
) -> Proof:
    """Predict what is known of a field without it, and score the predictions.

    Parameters
    ----------
    field : Field
        From `read_field`; the column known_establishment_year of its trees is the truth of the first part.
    prob : float, default 0.9
        Probability of the intervals.
    seed : int, default 0
        Seed of the predictive checks.
    with_sensitivity : bool, default False
        Whether every default number is halved and doubled as well, which takes some sixty runs of the estimate.
    tick : callable, optional
        Called with 1 after each of the five parts, and after each run of the sensitivity, for a progress bar.

    Returns
    -------
    Proof
        Cases, parts, predictive checks, sensitivity where asked for, paragraph and verdict.

    Raises
    ------
    InputError
        If field is no Field or prob not between 0 and 1.

    Notes
    -----
    (a) Establishment years of dated trees against known ones; the plain chain is the distance over the mean of the
    inner ten rings, with the same years to the coring height. (b) Complete crossdated or counted cores with ring
    tables, cut at 2, 5, 10, 20 and 40 mm from the pith, predicted by themselves and with the complete cores of the
    other trees of their species. (c) The whole field is dated twice, each time with one core of every tree of two
    cores at one height: where errors are independent, 0 lies anywhere in the distribution of the difference of the two
    pith years with equal probability. (d) Each young tree is left out of the height model of its species, which then
    says the whole years to its height; the truth is its age less one. (e) `checks.predictive_checks`,
    and where asked for `checks.sensitivity`.

    Known years are never used for a date: without the column the dates are the same to the last digit.

    Examples
    --------
    >>> import pandas as pd
    >>> from treeage.tables import Field
    >>> trees = pd.DataFrame({"tree": ["A1"], "species": ["Larix decidua"], "known_establishment_year": [1890]})
    >>> core = {"tree": "A1", "core": "a", "outer_year": 2024, "rings_counted": 120}
    >>> cores = pd.DataFrame([core | {"dating": "crossdated", "inner_end": "pith", "core_height_m": 1.0}])
    >>> proof = validate_field(Field.from_frames(trees, cores))
    >>> proof.parts[["part", "cases"]].values.tolist()
    [['known dates', 1]]
    """
    require_field("validate_field", field)
    level = require_level("validate_field", "prob", prob)
    ages = estimate_ages(field, prob=level, seed=seed)
    cores = read_cores(field)
    parts: tuple[tuple[str, Callable[[], Iterator[_Case]], str], ...] = (
        (KNOWN, lambda: _known_dates(field, ages, cores), "no dated tree has a known_establishment_year"),
        (
            ALONE,
            lambda: _hidden_rings(cores),
            "no core holds the pith and a ring table long enough to hide rings of it",
        ),
        (SECOND, lambda: _second_cores(field), "no tree has two cores at one height that are dated alone"),
        (YOUNG, lambda: _young_trees(field), f"no species has more than {FEWEST_YOUNG_TREES} young trees of its own"),
    )
    cases, left = [], []
    for part, make, why in parts:
        found = list(make())
        left += [] if found else [f"{part} ({why})"]
        cases += found
        if tick:
            tick(1)
    checks = predictive_checks(ages, seed=seed)
    if tick:
        tick(1)
    moved = sensitivity(field, tick=tick) if with_sensitivity else None
    table = _case_table(cases, level)
    return Proof(table, _part_table(cases, table, level), checks, tuple(left), level, moved)


def _known_dates(field: Field, ages: Ages, cores: Cores) -> Iterator[_Case]:
    """(a) Establishment years against known ones."""
    names = field.trees["tree"].astype(str)
    known = dict(zip(names, column_numbers(field.trees, "known_establishment_year"), strict=True))
    for answer in ages:
        year = known.get(answer.tree, float("nan"))
        if answer.status == Status.ESTIMATED and answer.date_refers_to == ROOT_COLLAR and np.isfinite(year):
            plain = _plain_pith_year(cores, answer.tree) - answer.years_to_core_height.median()
            plain -= answer.distributions["collar_years"].median()
            yield _Case(KNOWN, answer.species, answer.tree, "establishment year", answer.date, int(year), plain)


def _plain_pith_year(cores: Cores, tree: str) -> float:
    """Distance over the mean of the inner ten rings, on the core of a tree that is nearest to the pith."""
    best = (float("inf"), float("nan"))
    for row in cores.rows_of[tree]:
        distance = float(cores.distance[row] @ DISTANCE_GRID_MM)
        inner = cores.widths_mm[row][:LEFT_RINGS]
        width = float(inner.mean()) if inner.size else float("nan")
        at_pith = cores.inner_end[row] == InnerEnd.PITH
        if at_pith or width > 0:
            missed = 0 if at_pith else round(distance / width)
            best = min(best, (distance, float(cores.innermost_year[row]) - missed))
    return best[1]


def _hidden_rings(cores: Cores) -> Iterator[_Case]:
    """(b) Complete cores cut near the pith, by themselves and with the complete cores of other trees."""
    complete = [
        row
        for row in range(len(cores))
        if cores.inner_end[row] == InnerEnd.PITH and cores.widths_mm[row].size > LEFT_RINGS
    ]
    for row in complete:
        species, tree, core = (str(names[row]) for names in (cores.species, cores.tree, cores.core))
        others = [
            cores.widths_mm[other]
            for other in complete
            if cores.species[other] == cores.species[row] and cores.tree[other] != cores.tree[row]
        ]
        calibration = _calibration(others, genus_of(species))
        for part, learned in ((ALONE, None), (STAND, calibration)):
            if part == ALONE or learned is not None:
                for hidden, distance, visible in _cuts(cores.widths_mm[row]):
                    told = missing_rings(distance, visible, genus=genus_of(species), calibration=learned)
                    plain = float(max(1, round(distance / float(visible[:LEFT_RINGS].mean()))))
                    yield _Case(part, species, tree, f"core {core}", told, hidden, plain, distance)


def _calibration(others: Sequence[Any], genus: str | None) -> RingCalibration | None:
    try:
        return calibrate_missing_rings(others, genus=genus) if others else None
    except InputError:  # too short to teach anything
        return None


def _cuts(widths: Any) -> Iterator[tuple[int, float, Any]]:
    """Rings hidden, their sum of widths [mm] and the widths left, for each distance once."""
    reach = np.cumsum(widths)
    done = set()
    for aim in HIDDEN_MM:
        hidden = int(np.argmin(np.abs(reach - aim))) + 1
        near = aim / 2 <= reach[hidden - 1] <= 2 * aim
        left = widths[hidden : hidden + LEFT_RINGS]
        if near and hidden not in done and left.size == LEFT_RINGS and left.any():
            done.add(hidden)
            yield hidden, float(reach[hidden - 1]), widths[hidden:]


def _second_cores(field: Field) -> Iterator[_Case]:
    """(c) The field dated with the first and with the second core of every tree of two."""
    table = field.cores.sort_values(["tree", "core"])
    sizes = table.groupby("tree")["core_height_m"].agg(["size", np.ptp])
    pairs = set(sizes.index[(sizes["size"] == 2) & (sizes["ptp"] <= LEVEL_M)])
    rank = table.groupby("tree").cumcount()
    paired = table["tree"].isin(pairs)
    if not pairs:
        return
    alone = []
    for number in (0, 1):
        gone = table[paired & (rank != number)][["tree", "core"]]
        alone.append(estimate_ages(without_cores(field, {(str(tree), str(core)) for tree, core in gone.to_numpy()})))
    for tree in sorted(pairs):
        first, second = (ages[str(tree)] for ages in alone)
        if first.status == Status.ESTIMATED == second.status:
            apart = first.pith_year.convolve(second.pith_year.negate())
            yield _Case(SECOND, first.species, str(tree), "difference of pith years", apart, 0)


def without_cores(field: Field, gone: set[tuple[str, str]]) -> Field:
    """The field without some cores and what was measured on them."""

    def kept(table: pd.DataFrame) -> pd.DataFrame:
        stays = [each not in gone for each in zip(table["tree"].tolist(), table["core"].tolist(), strict=True)]
        return table[np.array(stays, dtype=bool)].reset_index(drop=True)

    return replace(
        field, cores=kept(field.cores), rings=kept(field.rings), arcs=kept(field.arcs), points=kept(field.points)
    )


def _young_trees(field: Field) -> Iterator[_Case]:
    """(d) Each young tree left out of the height model of its species."""
    young = field.seedlings
    heights, ages = young["height_m"].astype(float), young["age_years"].astype(float)
    sized = heights.notna() & ages.notna()
    for species in dict.fromkeys(field.trees["species"].astype(str)):
        rows = young.index[sized & (young["species"] == species)]
        chosen = (field.settings.height_choice(species) or {}).get("model")
        if len(rows) <= FEWEST_YOUNG_TREES or chosen not in (None, HeightChoice.SEEDLINGS, HeightChoice.OPEN_DATA):
            continue
        by_height = young.loc[rows].sort_values(["height_m", "age_years"]).index
        steps = np.unique(np.linspace(0, len(rows) - 1, min(len(rows), MOST_YOUNG)).round().astype(int))
        for row in by_height[steps]:
            height, age = float(heights[row]), int(ages[row])
            try:
                told = height_models(replace(field, seedlings=young.drop(index=row)))[species].years(height)
            except ModelError:  # without it the model does not reach so high
                continue
            yield _Case(YOUNG, species, "", f"{height:g} m, {age} years", told, age - 1)


# ---------------------------------------------------------------------- tables


def _case_table(cases: Sequence[_Case], prob: float) -> pd.DataFrame:
    import pandas as pd

    columns = ["part", "species", "tree", "item", "truth", "median", "lo", "hi", "inside", "pit", "error"]
    rows = []
    for case in cases:
        low, high = case.told.interval(prob)
        below, up_to = rank_interval([case.told], np.array([case.truth]))
        middle = case.told.median()
        rows.append([case.part, case.species, case.tree, case.item, case.truth, middle, low, high,
                     low <= case.truth <= high, float(below[0] + up_to[0]) / 2, middle - case.truth,
                     case.plain - case.truth, case.distance_mm])  # fmt: skip
    return pd.DataFrame(rows, columns=[*columns, "plain_error", "distance_mm"])


def _part_table(cases: Sequence[_Case], table: pd.DataFrame, prob: float) -> pd.DataFrame:
    """Scores by part; the band is that of as many independent cases as there are trees."""
    import pandas as pd

    rows = []
    for part in TITLES:
        mine = [case for case in cases if case.part == part]
        if not mine:
            continue
        own, truths = table[table["part"] == part], [case.truth for case in mine]
        trees = own["tree"].nunique() if part != YOUNG else len(own)
        pmfs = [case.told for case in mine]
        low, high = binomial_band(trees, prob)
        rows.append(
            {
                "part": part,
                "cases": len(own),
                "trees": trees,
                "inside": int(own["inside"].sum()),
                "covered": float(coverage(pmfs, truths, probs=[prob])["covered"].iloc[0]),
                "band_low": low,
                "band_high": high,
                "mean_error": float(own["error"].mean()),
                "mean_absolute_error": float(own["error"].abs().mean()),
                "plain_absolute_error": float(own["plain_error"].abs().mean()),
                "pit_below_tenth": float((own["pit"] < 0.1).mean()),
                "pit_above_tenth": float((own["pit"] > 0.9).mean()),
            }
        )
    return pd.DataFrame(rows)
