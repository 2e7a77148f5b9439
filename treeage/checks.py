"""Whether the fitted model could have produced what was seen, and how far the dates rest on its default numbers.

Posterior predictive checks (Gelman, Meng & Stern 1996, Statistica Sinica 6:733-760) of what `estimate.seen` keeps;
sensitivity by a run of the whole estimate for every other value of a default (Roos et al. 2015, Bayesian Analysis 10).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage import priors
from treeage.display import Result, counted
from treeage.distance import AimErrors, DistanceSource, InnerEnds
from treeage.errors import Fault, InputError, kind_of, public, require_attributes, require_field, require_seed
from treeage.estimate import Seen, draw_arc_radii, draw_ends, estimate_ages, read_radius
from treeage.pmf import keeps_tables
from treeage.results import Status
from treeage.schema import InnerEnd

if TYPE_CHECKING:
    from treeage.pmf import Mass
    from treeage.results import Ages
    from treeage.tables import Field

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

REPLICATES = 1000  # choice: a p value of 0.005 is told from 0.001
FAMILY_LEVEL = 0.05  # choice: of twenty fields that follow the model, one has a failed check
_FEWEST = 5  # choice: with fewer cases a check says nothing
_ODD_P = 0.05  # choice: two cores of a tree disagree strongly below this predictive p value
_AT_ONCE = 200_000  # choice: virtual inner ends drawn at a time, for the memory
CHECK_COLUMNS = ["check", "cases", "unit", "observed", "expected", "sd", "p", "failed"]
MOVED_COLUMNS = [
    "default", "meaning", "unit", "value", "changed_to", "stand_mean_years", "largest_years", "tree", "mean_abs_years",
    "sd_ratio",
]  # fmt: skip
MOST_SAID = 5  # defaults that the sentence names

Rows = list[tuple[str, int, str, Array | float, Array]]
"""Name, cases, unit, statistic observed (in each replicate, where ties are broken at random), replicated."""


# ---------------------------------------------------------------------- predictive checks


@keeps_tables
@dataclass(frozen=True)
class PredictiveChecks(Result):
    """What was seen in a field against what the fitted model says would be seen.

    Parameters
    ----------
    table : pandas.DataFrame
        One row a check: check, cases, unit, observed, expected and sd (over replicates), p (two-sided), failed.
    left_out : tuple of str
        What could not be checked, and why.
    """

    table: pd.DataFrame
    left_out: tuple[str, ...] = ()

    _digits: ClassVar[int] = 3
    _caveats: ClassVar[tuple[str, ...]] = (
        "The same data fitted the model: p values lie nearer to 1 than under a known model; a small one counts more.",
        "A passed check says only that nothing was found where it looked.",
    )

    @property
    def failed(self) -> list[str]:
        """Names of the checks that failed."""
        return [str(name) for name in self.table.loc[self.table["failed"].astype(bool), "check"]]

    def sentence(self) -> str:
        """Say which checks failed, or that none did."""
        table = self.table
        left = f" Not checked: {'; '.join(self.left_out)}." if self.left_out else ""
        if not len(table):
            return f"The fitted model could not be checked: too few cases.{left}"
        limit = FAMILY_LEVEL / len(table)
        if not self.failed:
            least = table.sort_values("p", kind="stable").iloc[0]
            made = f"the smallest p value of {len(table)} is {least['p']:.2g}, of {least['check']}"
            return f"No posterior predictive check failed: {made}.{left}"
        told = [
            f"{row['check']}: {row['observed']:.3g} {row['unit']} seen, {row['expected']:.3g} expected "
            f"(sd {row['sd']:.2g}), p {'below 0.002' if row['p'] < 0.002 else format(row['p'], '.2g')}"
            for row in table[table["failed"].astype(bool)].to_dict("records")
        ]
        return (
            f"{len(told)} of {len(table)} posterior predictive checks failed (p below {limit:.2g}): {'; '.join(told)}. "
            f"The model does not describe this field there: look at these readings before the dates are used.{left}"
        )

    def to_frame(self) -> pd.DataFrame:
        """The checks, one row each."""
        return self.table.copy()


@public
def predictive_checks(ages: Ages, *, seed: int = 0) -> PredictiveChecks:
    """Hold what was seen in a field against what the fitted model says would be seen.

    Parameters
    ----------
    ages : Ages
        From `estimate_ages` or `fit_hierarchical`.
    seed : int, default 0
        Same seed, same p values.

    Returns
    -------
    PredictiveChecks
        A row for each of these that at least five cases show: pith hits, arcs and neither among the cores that could
        show them; the radius read on arcs, its median and its spread; inside-bark radius less core length, mean and
        standard deviation; agreement of two cores of a tree, and how many disagree strongly; pairs whose counts differ
        where their ring tables were read against each other, and by how much.

    Raises
    ------
    InputError
        If ages are no ages, or seed is not a whole number of at least 0.

    Notes
    -----
    Each of 1,000 replicates takes one of the posterior's states of what the stand shares (aim, eccentricity, sight,
    bias and spread of arcs, rate of miscounts) and draws what could have been seen: inner ends by the law of the
    distances; disagreement of mates, which is uniform under the model but for cores that are wrong altogether
    (`priors.GROSS_ERROR`); count errors as published. p is twice the smaller share of replicates at or beyond what was
    seen, ties half. A check fails below 0.05 over the number of checks. Since the states were learned from the same
    field, p is conservative [1]_. Diameters and chords are taken as given; circles, rays, digitised points and
    distances written down are not checked.

    References
    ----------
    .. [1] Gelman A., Meng X.-L. & Stern H. 1996, Posterior predictive assessment of model fitness, Statistica Sinica
       6:733-760; conservative: Robins J. et al. 2000, J. Am. Stat. Assoc. 95:1143-1156.

    Examples
    --------
    >>> from treeage.simulate import scenario, simulate_stand
    >>> ages = estimate_ages(simulate_stand(replace(scenario("demo"), trees=8), seed=1).field())
    >>> checks = predictive_checks(ages, seed=1)
    >>> bool((checks.table["p"] <= 1).all()), "pith on the core" in set(checks.table["check"])
    (True, True)
    """
    advice = ("the answer of estimate_ages or fit_hierarchical", "Pass estimate_ages(field).")
    require_attributes("predictive_checks", "ages", ages, ("tree_ages", "extras"), advice)
    rng = np.random.default_rng(require_seed("predictive_checks", seed))
    seen = ages.extras.get("seen")
    if not isinstance(seen, Seen):
        return PredictiveChecks(pd.DataFrame(columns=CHECK_COLUMNS), ("these ages do not carry what was seen",))
    state = rng.choice(seen.place, REPLICATES)  # the node of each replicate
    rows = [
        *_ends_seen(seen.ends, seen.aim, state, rng),
        *_arcs_read(seen.ends, seen.aim, state, rng),
        *_mates_agree(seen, rng),
        *_counts_differ(seen, state, rng),
    ]
    left = [f"{name} ({counted(size, 'case')})" for name, size, *_ in rows if size < _FEWEST]
    left += [f"agreement of {counted(count, 'tree')}: {why}" for why, count in seen.left_out.items()]
    kept = [row for row in rows if row[1] >= _FEWEST]
    table = pd.DataFrame([_judged(row) for row in kept], columns=CHECK_COLUMNS[:-1])
    failed = table["p"].astype(np.float64) < FAMILY_LEVEL / max(len(table), 1)
    return PredictiveChecks(table.assign(failed=failed), tuple(left))


def with_checks(ages: Ages, *, seed: int = 0) -> Ages:
    """The ages with their predictive checks among the extras, where they can be checked and were not."""
    if "predictive_checks" in ages.extras or "seen" not in ages.extras:
        return ages
    return replace(ages, extras={**ages.extras, "predictive_checks": predictive_checks(ages, seed=seed)})


def _judged(row: tuple[str, int, str, Array | float, Array]) -> list[object]:
    """A row of the table: means and the two-sided p value."""
    name, cases, unit, observed, drawn = row
    apart = drawn - observed
    low, high = (float(side.mean() + 0.5 * (apart == 0).mean()) for side in (apart < 0, apart > 0))
    least = 1 / (REPLICATES + 1)
    return [name, cases, unit, float(np.mean(observed)), float(drawn.mean()), float(drawn.std()),
            float(np.clip(2 * min(low, high), least, 1.0))]  # fmt: skip


def _replicated(ends: InnerEnds, aim: AimErrors, state: Ints, draw: Callable[[InnerEnds, AimErrors], Array]) -> Array:
    """What is drawn for every end in every replicate, (n_replicate, n_end), some replicates at a time."""
    size, every, out = len(ends), np.arange(len(ends)), []
    step = max(1, _AT_ONCE // max(size, 1))
    for first in range(0, len(state), step):
        some = state[first : first + step]
        drawn = draw(ends.take(np.tile(every, some.size)), aim.take(np.repeat(some, size)))
        out.append(drawn.reshape(some.size, size, *drawn.shape[1:]))
    return np.concatenate(out)


_WORDS = {
    InnerEnd.PITH: "pith on the core",
    InnerEnd.ARCS: "arcs of inner rings",
    InnerEnd.NO_ARCS: "neither pith nor arcs",
}


def _ends_seen(ends: InnerEnds, aim: AimErrors, state: Ints, rng: np.random.Generator) -> Rows:
    """Numbers of each kind of inner end, and radius less length, of the cores that were not lost."""
    # without a length a core that shows nothing says nothing of its distance, and does not inform: a choice of cores
    known = np.isfinite(ends.radius_mm) & np.isfinite(ends.length_mm) & np.isin(ends.word, list(_WORDS))
    otherwise = np.array([source == DistanceSource.DIRECT for source in ends.source], dtype=bool)
    told = known & ~((ends.word == InnerEnd.NO_ARCS) & ends.seen) & ~((ends.word == InnerEnd.ARCS) & otherwise)
    own, size = ends.take(np.flatnonzero(told)), int(told.sum())
    kinds = list(_WORDS)

    def draw(some: InnerEnds, errors: AimErrors) -> Array:
        drawn = draw_ends(some, errors, rng)
        return np.column_stack([drawn.gap_mm, *(drawn.word == kind for kind in kinds)])

    if size < _FEWEST:
        return [("kinds of inner ends of cores with a diameter and a length", size, "", 0.0, np.zeros(1))]
    drawn, gap = _replicated(own, aim, state, draw), own.radius_mm - own.length_mm
    rows: Rows = [
        (_WORDS[kind], size, "cores", float((own.word == kind).sum()), drawn[:, :, 1 + k].sum(axis=1))
        for k, kind in enumerate(kinds)
    ]
    name = "radius less core length"
    rows.append((f"{name}, mean", size, "mm", float(gap.mean()), drawn[:, :, 0].mean(axis=1)))
    rows.append((f"{name}, standard deviation", size, "mm", float(gap.std()), drawn[:, :, 0].std(axis=1)))
    return rows


def _arcs_read(ends: InnerEnds, aim: AimErrors, state: Ints, rng: np.random.Generator) -> Rows:
    """Median and spread of the radii read on arcs."""
    arcs = ends.take(np.flatnonzero(np.isfinite(ends.chord_mm) & (ends.word == InnerEnd.ARCS)))
    if len(arcs) < _FEWEST:
        return [("radius read on arcs", len(arcs), "mm", 0.0, np.zeros(1))]
    radius = np.log(read_radius(arcs.chord_mm, arcs.rise_mm))
    drawn = np.log(_replicated(arcs, aim, state, lambda some, errors: draw_arc_radii(some, errors, rng)))
    quantile = np.nanquantile if np.isnan(drawn).any() else np.quantile  # the latter is far faster
    low, middle, high = quantile(drawn, [0.25, 0.5, 0.75], axis=1)
    own_low, own_middle, own_high = np.quantile(radius, [0.25, 0.5, 0.75])
    name, apart = "radius read on arcs", float(np.exp(own_high - own_low))
    return [
        (f"{name}, median", len(arcs), "mm", float(np.exp(own_middle)), np.exp(middle)),
        (f"{name}, ratio of the quartiles", len(arcs), "", apart, np.exp(high - low)),
    ]


def _mates_agree(seen: Seen, rng: np.random.Generator) -> Rows:
    """Agreement of two cores of a tree: their predictive p values, ties broken at random, against uniform ones."""
    size, name = len(seen.mates), "agreement of two cores of a tree"
    if not size:
        return [(name, 0, "", 0.0, np.zeros(1))]
    place = seen.mates[:, 0] + rng.random((REPLICATES, size)) * seen.mates[:, 1]
    agree, drawn = 1 - np.abs(2 * place - 1), rng.random((REPLICATES, size))
    wrong = rng.random((REPLICATES, size)) < 1 - (1 - seen.wrong) ** 2
    drawn[wrong] = 0.0  # a core of another tree hardly ever agrees
    odd, odd_drawn = ((p < _ODD_P).sum(axis=1).astype(np.float64) for p in (agree, drawn))
    return [
        (f"{name}, mean p value", size, "", agree.mean(axis=1), drawn.mean(axis=1)),
        ("two cores of a tree that disagree", size, "trees", odd, odd_drawn),
    ]


def _counts_differ(seen: Seen, state: Ints, rng: np.random.Generator) -> Rows:
    """Pairs whose counts differ by their ring tables, and the mean difference."""
    size = seen.differences.size
    if not size:
        return [("differences between the counts of two cores", 0, "", 0.0, np.zeros(1))]
    level = np.minimum(seen.level[state], len(seen.counts) - 1)
    drawn = np.zeros((REPLICATES, size))
    for own, pair in enumerate(seen.counts):
        here = np.flatnonzero(level == own)
        first, second = (_draw_rows(counts, here.size, rng) for counts in pair)
        drawn[here] = second - first
    apart = np.abs(seen.differences)
    name = "difference between the counts of two cores"
    return [
        ("pairs of cores whose counts differ", size, "pairs", float((apart > 0).sum()), (drawn != 0).sum(axis=1) * 1.0),
        (f"{name}, mean", size, "rings", float(apart.mean()), np.abs(drawn).mean(axis=1)),
    ]


def _draw_rows(counts: Mass, number: int, rng: np.random.Generator) -> Array:
    """Draws from each row of masses, (number, n)."""
    total = np.cumsum(counts.mass, axis=1)
    picked = [np.searchsorted(row, rng.random(number) * row[-1], side="right") for row in total]
    return np.asarray(counts.start + np.minimum(picked, counts.size - 1).T, dtype=np.float64)


# ---------------------------------------------------------------------- sensitivity


@keeps_tables
@dataclass(frozen=True)
class Sensitivity(Result):
    """How far dates move when a default number is another one.

    Parameters
    ----------
    table : pandas.DataFrame
        Two rows a default, those first that move the stand's mean most: default, meaning, unit, value, changed_to,
        stand_mean_years (movement of the mean date of all trees; above 0 is later), largest_years and tree (the tree
        that moves most), mean_abs_years (mean size of a tree's movement), sd_ratio (median of the standard deviations
        of the dates over those before).
    moves : pandas.DataFrame
        A row a tree, default and value: tree, default, changed_to, years.
    unused : tuple of str
        Defaults on which nothing in this field rests.
    """

    table: pd.DataFrame
    moves: pd.DataFrame
    unused: tuple[str, ...] = ()

    _digits: ClassVar[int] = 2
    _caveats: ClassVar[tuple[str, ...]] = (
        "One default at a time: two that are wrong together can move dates further.",
        "Not moved: the coefficients of the ring-width regression and the parameters of the learned layer.",
    )

    @property
    def most(self) -> list[str]:
        """Names of the defaults that matter most, the first five."""
        return list(dict.fromkeys(self.table["default"]))[:MOST_SAID]

    @property
    def trees(self) -> pd.DataFrame:
        """For each tree the default that moves its date most: tree, default, changed_to, years."""
        size = self.moves["years"].abs()
        order = self.moves.assign(size=size).sort_values(["tree", "size"], ascending=[True, False], kind="stable")
        return order.drop_duplicates("tree").drop(columns="size").reset_index(drop=True)

    def sentence(self) -> str:
        """Say which defaults the dates rest on most, and how far these move them."""
        if not len(self.table):
            return "No date of this field rests on a default number."
        told = []
        for name in self.most:
            own = self.table[self.table["default"] == name]
            low, high = own["stand_mean_years"].min(), own["stand_mean_years"].max()
            far = own.iloc[int(own["largest_years"].abs().to_numpy().argmax())]
            values = " or ".join(f"{value:g}" for value in own["changed_to"])
            told.append(
                f"{far['meaning']} ({values} in place of {far['value']:g}: {low:+.1f} to {high:+.1f} years; "
                f"tree {far['tree']} {far['largest_years']:+.1f})"
            )
        rest = self.table[~self.table["default"].isin(self.most)]["stand_mean_years"].abs()
        others = f" Each of the other {rest.size // 2} moves it by at most {rest.max():.1f} years." if rest.size else ""
        return f"The stand's mean date rests most on these defaults: {'; '.join(told)}.{others}"

    def to_frame(self) -> pd.DataFrame:
        """The defaults, two rows each."""
        return self.table.copy()


@public
def sensitivity(
    field: Field, *, names: Iterable[str] | None = None, tick: Callable[[int], object] | None = None
) -> Sensitivity:
    """Halve and double every default number in turn, and see how far the dates move.

    Parameters
    ----------
    field : Field
        From `read_field`.
    names : iterable of str, optional
        Defaults to move, as in `treeage.priors.entries`; all of them by default.
    tick : callable, optional
        Called with 1 after each run but the first, for a progress bar.

    Returns
    -------
    Sensitivity
        Movement of every tree's mean date and of the stand's mean under each value.

    Raises
    ------
    InputError
        If field is not a Field, or a name is none of a default.
    ModelError
        If a height model cannot answer.

    Notes
    -----
    Two whole runs of `estimate_ages` for each default that the first run reads; the rest cannot matter and is named in
    `unused`. A share above one half is moved by what it lacks to 1, which is halved and doubled. The rates of
    miscounts, the scales of hidden width (a core's own, the tree's, the stand's) and the spread of the years to
    coring height are moved as factors on what was published or fitted; the level of those years by half of their
    standard deviation down and up (choice). The stand's mean is the mean over all dated trees; dates are compared by
    their means, so whole years do not hide small movements. Nothing is random and the order of rows does not matter.

    References
    ----------
    .. [1] Roos M. et al. 2015, Sensitivity analysis for Bayesian hierarchical models, Bayesian Analysis 10:321-349
       (from memory; the halves and doubles are a choice).

    Examples
    --------
    >>> from treeage.simulate import scenario, simulate_stand
    >>> field = simulate_stand(replace(scenario("demo"), trees=4), seed=1).field()
    >>> moved = sensitivity(field, names=["height_level"])
    >>> bool((moved.table["stand_mean_years"] * moved.table["changed_to"] < 0).all())  # slower trees are older
    True
    """
    require_field("sensitivity", field)
    known = priors.entries()
    if isinstance(names, str):
        do = f"Pass [{names!r}]."
        raise InputError(Fault(kind_of(names), "a list of names", do, "sensitivity", 0, "names"))
    asked = set(known) if names is None else set(names)
    if asked - set(known):
        need = f"one of {', '.join(known)}"
        raise InputError(
            [Fault(repr(name), need, "Use such a name.", "sensitivity", 0, "names") for name in asked - set(known)]
        )
    chosen = [name for name in known if name in asked]
    with priors.replaced({}) as read:
        base = _dates(estimate_ages(_renewed(field)))
    runs = [name for name in chosen if known[name] in read and len(base)]
    rows, moves = [], []
    for name in runs:
        for value in other_values(known[name]):
            with priors.replaced({name: value}):
                dates = _dates(estimate_ages(_renewed(field)))
            years = (dates["mean"] - base["mean"]).dropna()
            rows.append(_moved(name, known[name], value, years, dates["sd"] / base["sd"].where(base["sd"] > 0)))
            moves += [(str(tree), name, value, float(by)) for tree, by in years.items()]
            if tick:
                tick(1)
    unused = tuple(name for name in chosen if known[name] not in read)
    table = pd.DataFrame(rows, columns=MOVED_COLUMNS)
    size = table[["stand_mean_years", "mean_abs_years"]].abs().groupby(table["default"]).transform("max")
    order = np.lexsort((table["changed_to"], table["default"], -size["mean_abs_years"], -size["stand_mean_years"]))
    every = pd.DataFrame(moves, columns=["tree", "default", "changed_to", "years"])
    return Sensitivity(table.iloc[order].reset_index(drop=True), every, unused)


def other_values(entry: priors.Sourced) -> tuple[float, float]:
    """The two values that a default is moved to.

    >>> other_values(priors.ECCENTRICITY), [round(value, 9) for value in other_values(priors.PASSES_PITH)]
    ((0.065, 0.26), [0.6, 0.9])
    >>> other_values(priors.HEIGHT_LEVEL)
    (-0.5, 0.5)
    """
    value = entry.default
    if value == 0:
        return -0.5, 0.5
    if entry.unit == "share" and value > 0.5:
        return 1 - 2 * (1 - value), 1 - (1 - value) / 2
    return value / 2, 2 * value


def _renewed(field: Field) -> Field:
    """The field with the doubts that are usual ones as they are now; those that the user chose stay."""
    usual = type(field.settings)().doubt
    with priors.replaced({name: entry.default for name, entry in priors.entries().items()}):
        before = type(field.settings)().doubt
    chosen = {key: value for key, value in field.settings.doubt.items() if value != before[key]}
    return replace(field, settings=replace(field.settings, doubt={**usual, **chosen}))


def _dates(ages: Ages) -> pd.DataFrame:
    """Mean and standard deviation of the date of every dated tree, by tree in the order of names."""
    dated = sorted((each for each in ages if each.status == Status.ESTIMATED), key=lambda each: each.tree)
    rows = {each.tree: (each.date.mean(), each.date.sd()) for each in dated}
    return pd.DataFrame.from_dict(rows, orient="index", columns=["mean", "sd"], dtype=np.float64)


def _moved(name: str, entry: priors.Sourced, value: float, years: pd.Series, ratio: pd.Series) -> list[object]:
    """A row of the table."""
    by, most = years.to_numpy(), int(np.argmax(np.abs(years.to_numpy())))
    means = (float(by.mean()), float(by[most]), str(years.index[most]), float(np.abs(by).mean()), float(ratio.median()))
    return [name, entry.meaning, entry.unit, entry.default, value, *means]
