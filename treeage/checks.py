"""Whether the fitted model could have produced what was seen, and how far the dates rest on its default numbers.

Posterior predictive checks (Gelman, Meng & Stern 1996, Statistica Sinica 6:733-807) of what `estimate.seen` keeps;
sensitivity by a run of the whole estimate for every other value of a default (Roos et al. 2015, Bayesian Analysis 10).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage import priors
from treeage.display import Result
from treeage.distance import AimErrors, InnerEnds, draw_arc_radii, draw_ends, is_lost, read_radius
from treeage.errors import Fault, InputError, require_attributes, require_field, require_seed
from treeage.estimate import Seen, estimate_ages
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
MOST_SAID = 5  # defaults that the sentence names

Rows = list[tuple[str, int, str, Array | float, Array]]
"""Name, cases, unit, statistic observed (in each replicate, where ties are broken at random), replicated."""


# ---------------------------------------------------------------------- predictive checks


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
        "The same data fitted the model: p values lie nearer to 1 than under a known model, so a small one counts more.",
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
            return f"Nothing could be held against the fitted model.{left}"
        limit = FAMILY_LEVEL / len(table)
        if not self.failed:
            worst = table.loc[table["p"].idxmin()]
            checks = "The posterior predictive check" if len(table) == 1 else f"All {len(table)} posterior predictive checks"
            return f"{checks} passed; the smallest p value is {worst['p']:.2g} ({worst['check']}).{left}"
        told = [
            f"{row['check']}: {row['observed']:.3g} {row['unit']} seen, {row['expected']:.3g} expected (sd {row['sd']:.2g}), "
            f"p {'below 0.002' if row['p'] < 0.002 else format(row['p'], '.2g')}"
            for row in table[table["failed"].astype(bool)].to_dict("records")
        ]
        return (
            f"{len(told)} of {len(table)} posterior predictive checks failed (p below {limit:.2g}): {'; '.join(told)}. "
            f"The model does not describe this field there: look at these readings before the dates are used.{left}"
        )

    def to_frame(self) -> pd.DataFrame:
        """The checks, one row each."""
        return self.table.copy()


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
       6:733-807; conservative: Robins J. et al. 2000, J. Am. Stat. Assoc. 95:1143-1156.

    Examples
    --------
    >>> from treeage.simulate import simulate_stand
    >>> ages = estimate_ages(simulate_stand("demo", seed=1).field())
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
    state = rng.integers(0, len(seen.aim), REPLICATES)
    rows = [
        *_ends_seen(seen.ends, seen.aim, state, rng),
        *_arcs_read(seen.ends, seen.aim, state, rng),
        *_mates_agree(seen.mates, rng),
        *_counts_differ(seen, state, rng),
    ]
    left = [f"{name} ({size} cases)" for name, size, *_ in rows if size < _FEWEST]
    left += [f"agreement of {count} trees: {why}" for why, count in seen.left_out.items()]
    kept = [row for row in rows if row[1] >= _FEWEST]
    table = pd.DataFrame([_judged(row) for row in kept], columns=CHECK_COLUMNS[:-1])
    return PredictiveChecks(table.assign(failed=table["p"] < FAMILY_LEVEL / max(len(table), 1)), tuple(left))


def with_checks(ages: Ages, *, seed: int = 0) -> Ages:
    """The ages with their predictive checks among the extras, where they can be checked and were not."""
    if "predictive_checks" in ages.extras or "seen" not in ages.extras:
        return ages
    return replace(ages, extras={**ages.extras, "predictive_checks": predictive_checks(ages, seed=seed)})


def _judged(row: tuple[str, int, str, Array | float, Array]) -> list[object]:
    """A row of the table: means and the two-sided p value."""
    name, cases, unit, observed, drawn = row
    apart = drawn - observed
    low, high = (float((side + 0.5 * (apart == 0)).mean()) for side in (apart < 0, apart > 0))
    least = 1 / (REPLICATES + 1)
    return [name, cases, unit, float(np.mean(observed)), float(drawn.mean()), float(drawn.std()),
            float(np.clip(2 * min(low, high), least, 1.0))]  # fmt: skip


def _replicated(
    ends: InnerEnds, aim: AimErrors, state: Ints, draw: Callable[[InnerEnds, AimErrors], Array]
) -> Array:
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
    told = known & ~is_lost(ends) & ~((ends.word == InnerEnd.NO_ARCS) & ends.seen)
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
    low, middle, high = np.nanquantile(drawn, [0.25, 0.5, 0.75], axis=1)
    own_low, own_middle, own_high = np.quantile(radius, [0.25, 0.5, 0.75])
    return [
        ("radius read on arcs, median", len(arcs), "mm", float(np.exp(own_middle)), np.exp(middle)),
        ("radius read on arcs, ratio of the quartiles", len(arcs), "", float(np.exp(own_high - own_low)), np.exp(high - low)),
    ]


def _mates_agree(mates: Array, rng: np.random.Generator) -> Rows:
    """Agreement of two cores of a tree: their predictive p values, ties broken at random, against uniform ones."""
    size = len(mates)
    place = mates[:, 0] + rng.random((REPLICATES, size)) * mates[:, 1]
    observed = 1 - np.abs(2 * place - 1)
    drawn = rng.random((REPLICATES, size))
    wrong = rng.random((REPLICATES, size)) < 1 - (1 - priors.GROSS_ERROR.value) ** 2
    drawn[wrong] = 0.0  # a core of another tree hardly ever agrees
    return [
        ("agreement of two cores of a tree, mean p value", size, "", observed.mean(axis=1), drawn.mean(axis=1)),
        ("two cores of a tree that disagree", size, "trees", *((p < _ODD_P).sum(axis=1) for p in (observed, drawn))),
    ] if size else [("agreement of two cores of a tree", 0, "", 0.0, np.zeros(1))]


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
        ("pairs of cores whose counts differ", size, "pairs", float((apart > 0).sum()), (drawn != 0).sum(axis=1)),
        (f"{name}, mean", size, "rings", float(apart.mean()), np.abs(drawn).mean(axis=1)),
    ]


def _draw_rows(counts: Mass, number: int, rng: np.random.Generator) -> Array:
    """Draws from each row of masses, (number, n)."""
    total = np.cumsum(counts.mass, axis=1)
    picked = [np.searchsorted(row, rng.random(number) * row[-1], side="right") for row in total]
    return np.asarray(counts.start + np.minimum(picked, counts.size - 1).T, dtype=np.float64)
