"""Whether statements keep their promise where the truth is known: scores of mass functions, of probabilities, of ages.

Own derivation; virtual stands give the truth. Ranks and scores of whole numbers: Czado, C., Gneiting, T. & Held, L.
(2009). Predictive model assessment for count data. Biometrics 65, 1254-1261. doi 10.1111/j.1541-0420.2009.01191.x (from
memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.display import Result
from treeage.errors import Fault, InputError, public, require_nonnegative, require_probability, require_whole, show
from treeage.pmf import Pmf, freeze_arrays, interval_levels, keeps_tables
from treeage.schema import CORE_HEIGHT, column_numbers

if TYPE_CHECKING:
    import pandas as pd

    from treeage.results import Ages
    from treeage.tables import Field

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PROBS = (0.5, 0.8, 0.9, 0.95)  # choice: from half to nearly all of the probability
FEWEST_JUDGED = 10  # choice: of fewer trees no share of hits says that intervals are wrong
BAND = 0.99  # choice: a right model leaves a band of this probability in 1 of 100 checks


# ---------------------------------------------------------------------- statements about whole numbers


@public
def coverage(
    pmfs: Sequence[Pmf], truths: ArrayLike, *, probs: Sequence[float] = PROBS, band: float = BAND
) -> pd.DataFrame:
    """Share of the truths that the stated intervals hold, against what they promise.

    Parameters
    ----------
    pmfs : sequence of Pmf, length n
        What was stated, for example establishment years.
    truths : array-like of int, shape (n,)
        What is true.
    probs : sequence of float, default (0.5, 0.8, 0.9, 0.95)
        Interval probabilities.
    band : float, default 0.99
        Probability of the band within which a right model lies (choice).

    Returns
    -------
    pandas.DataFrame, one row a probability
        prob; covered (share of hits with the end points shared out); band_low, band_high; within (bool);
        covered_whole (share of truths inside the whole-number interval that is printed); mean_width (of
        that interval, numbers in it less 1); count.

    Raises
    ------
    InputError
        If the lengths differ, a truth is not a whole number or a probability is not between 0 and 1.

    Notes
    -----
    An interval of whole numbers cannot hold exactly 90 %: the printed one holds at least that, and for
    narrow distributions much more, so its share of hits says little. Here the interval is cut in the middle
    of its end numbers, as a randomised interval would be: with F the stated distribution, a truth x
    stretches from F(x - 1) to F(x), and counts with the share of that stretch that lies between (1 -
    prob)/2 and (1 + prob)/2. If F is right, the expected share is exactly prob, whatever the shape of F.
    Nothing random is drawn. The band is binomial for independent cases; shared out hits vary less than
    whole ones, so the band is a little wide, and cases that share an error (trees of one stand) vary more
    than it allows.

    Examples
    --------
    Every face of a fair die once: a right model, and a nominal share for any probability.

    >>> table = coverage([Pmf(1, [1] * 6)] * 6, [1, 2, 3, 4, 5, 6], probs=[0.5, 0.9])
    >>> table["covered"].round(6).tolist(), table["covered_whole"].round(3).tolist()
    ([0.5, 0.9], [0.667, 1.0])
    """
    import pandas as pd

    values = _checked("coverage", pmfs, truths)
    require_probability("coverage", probs=list(probs), band=band)
    below, up_to = rank_interval(pmfs, values)
    rows = []
    for prob in probs:
        ends = np.array([pmf.interval(prob) for pmf in pmfs])
        low, high = binomial_band(values.size, prob, band=band)
        covered = float(_share_between(below, up_to, *interval_levels(prob)[1:]).mean())
        rows.append(
            {
                "prob": float(prob),
                "covered": covered,
                "band_low": low,
                "band_high": high,
                "within": low <= covered <= high,
                "covered_whole": float(((ends[:, 0] <= values) & (values <= ends[:, 1])).mean()),
                "mean_width": float((ends[:, 1] - ends[:, 0]).mean()),
                "count": values.size,
            }
        )
    return pd.DataFrame(rows)


def rank_statistics(pmfs: Sequence[Pmf], truths: ArrayLike, *, bins: int = 10, band: float = BAND) -> pd.DataFrame:
    """Histogram of where the truths lie in what was stated; flat if the statements are right.

    Parameters
    ----------
    pmfs : sequence of Pmf, length n
        What was stated.
    truths : array-like of int, shape (n,)
        What is true.
    bins : int, default 10
        Number of equal bins of probability (choice).
    band : float, default 0.99
        Probability of the band of each bin (choice).

    Returns
    -------
    pandas.DataFrame, one row a bin
        rank_low, rank_high, share, expected, band_low, band_high, within.

    Raises
    ------
    InputError
        If the lengths differ, a truth is not a whole number or bins is below 2.

    Notes
    -----
    Each truth is spread over its stretch from F(x - 1) to F(x), so that whole numbers leave no steps.
    A U shape means too narrow, a hump too wide, a slope a bias: much in the low bins means that the stated
    numbers are too high.

    Examples
    --------
    >>> table = rank_statistics([Pmf(1, [1] * 6)] * 6, [1, 2, 3, 4, 5, 6], bins=4)
    >>> table["share"].round(6).tolist()
    [0.25, 0.25, 0.25, 0.25]
    """
    import pandas as pd

    values = _checked("rank_statistics", pmfs, truths)
    if bins < 2 or bins != int(bins):
        raise InputError(Fault(show(bins), "at least 2, whole", "Ask for more bins.", "rank_statistics", 0, "bins"))
    below, up_to = rank_interval(pmfs, values)
    edges = np.linspace(0, 1, bins + 1)
    band_low, band_high = binomial_band(values.size, 1 / bins, band=band)
    parts = [_share_between(below, up_to, edges[at], edges[at + 1], closed=at == bins - 1) for at in range(bins)]
    share = np.stack(parts, axis=1).mean(axis=0)
    return pd.DataFrame(
        {
            "rank_low": edges[:-1],
            "rank_high": edges[1:],
            "share": share,
            "expected": np.full(bins, 1 / bins),
            "band_low": np.full(bins, band_low),
            "band_high": np.full(bins, band_high),
            "within": (share >= band_low) & (share <= band_high),
        }
    )


def sharpness(pmfs: Sequence[Pmf], *, probs: Sequence[float] = PROBS) -> pd.DataFrame:
    """How narrow the statements are.

    Parameters
    ----------
    pmfs : sequence of Pmf, length n
        What was stated.
    probs : sequence of float, default (0.5, 0.8, 0.9, 0.95)
        Interval probabilities.

    Returns
    -------
    pandas.DataFrame, one row a probability
        prob, mean_width, median_width (highest less lowest number of the interval) and mean_sd.

    Raises
    ------
    InputError
        If there is no mass function or a probability is not between 0 and 1.

    Notes
    -----
    Narrow is good only where coverage holds: compare two methods by sharpness among those that cover.

    Examples
    --------
    >>> sharpness([Pmf(1, [1] * 6)], probs=[0.5])["mean_width"].tolist()
    [3.0]
    """
    import pandas as pd

    require_probability("sharpness", probs=list(probs))
    _checked("sharpness", pmfs, np.zeros(len(pmfs)))
    mean_sd = float(np.mean([pmf.sd() for pmf in pmfs]))
    rows = []
    for prob in probs:
        ends = np.array([pmf.interval(prob) for pmf in pmfs], dtype=np.float64)
        width = ends[:, 1] - ends[:, 0]
        row = {"prob": float(prob), "mean_width": float(width.mean()), "median_width": float(np.median(width))}
        rows.append(row | {"mean_sd": mean_sd})
    return pd.DataFrame(rows)


def bias(pmfs: Sequence[Pmf], truths: ArrayLike) -> pd.DataFrame:
    """How far the statements lie from the truths, and proper scores of them.

    Parameters
    ----------
    pmfs : sequence of Pmf, length n
        What was stated.
    truths : array-like of int, shape (n,)
        What is true.

    Returns
    -------
    pandas.DataFrame, one row
        mean_error (mean of the statement less truth), mean_error_sd (its standard error if cases are
        independent), median_error, mean_absolute_error (of the median), root_mean_square_error (of the
        mean), mean_stated_sd, log_score (mean of -ln p(truth), infinite if excluded) and ranked_score.

    Raises
    ------
    InputError
        If the lengths differ or a truth is not a whole number.

    Notes
    -----
    ranked_score is the mean over cases of sum over k of (F(k) - [x <= k])**2 in the unit of the numbers;
    for a point statement it is the absolute error. Lower is better for both scores.

    Examples
    --------
    >>> bias([Pmf.point(7), Pmf.point(9)], [6, 9])[["mean_error", "ranked_score"]].iloc[0].tolist()
    [0.5, 0.5]
    """
    import pandas as pd

    values = _checked("bias", pmfs, truths)
    error = np.array([pmf.mean() for pmf in pmfs]) - values
    middle = np.array([pmf.median() for pmf in pmfs]) - values
    pairs = [(pmf, int(value)) for pmf, value in zip(pmfs, values, strict=True)]
    with np.errstate(divide="ignore"):
        logs = -np.log([pmf.prob_at(value) for pmf, value in pairs])
    spread = float(error.std(ddof=1)) if error.size > 1 else float("nan")
    row = {
        "mean_error": float(error.mean()),
        "mean_error_sd": spread / float(np.sqrt(error.size)),
        "median_error": float(np.median(middle)),
        "mean_absolute_error": float(np.abs(middle).mean()),
        "root_mean_square_error": float(np.sqrt((error**2).mean())),
        "mean_stated_sd": float(np.mean([pmf.sd() for pmf in pmfs])),
        "log_score": float(logs.mean()),
        "ranked_score": float(np.mean([_ranked_score(pmf, value) for pmf, value in pairs])),
    }
    return pd.DataFrame([row])


def rank_interval(pmfs: Sequence[Pmf], truths: ArrayLike) -> tuple[Floats, Floats]:
    """Probability below each truth, and up to and with it.

    Parameters
    ----------
    pmfs : sequence of Pmf, length n
        What was stated.
    truths : array-like of int, shape (n,)
        What is true.

    Returns
    -------
    below, up_to : numpy.ndarray, each shape (n,)
        F(x - 1) and F(x).

    Raises
    ------
    InputError
        If the lengths differ or a truth is not a whole number.

    Notes
    -----
    If the stated distributions are right, a number drawn evenly between the two is even on 0 to 1.

    Examples
    --------
    >>> below, up_to = rank_interval([Pmf(1, [1, 1, 1, 1])], [2])
    >>> float(below[0]), float(up_to[0])
    (0.25, 0.5)
    """
    values = _checked("rank_interval", pmfs, truths)
    pairs = [(pmf, int(value)) for pmf, value in zip(pmfs, values, strict=True)]
    up_to = np.array([pmf.cdf(value) for pmf, value in pairs])
    mass = np.array([pmf.prob_at(value) for pmf, value in pairs])
    return np.maximum(up_to - mass, 0.0), up_to


def binomial_band(count: int, prob: float, *, band: float = BAND) -> tuple[float, float]:
    """Range of the share of hits that a right model shows by chance.

    Parameters
    ----------
    count : int
        Number of independent cases, at least 1.
    prob : float
        Probability of a hit, between 0 and 1.
    band : float, default 0.99
        Probability of the range (choice).

    Returns
    -------
    low, high : float
        Shares of hits.

    Raises
    ------
    InputError
        If count is not a whole number of at least 1, or prob or band is not between 0 and 1.

    Examples
    --------
    >>> low, high = binomial_band(5000, 0.9)
    >>> round(low, 3), round(high, 3)
    (0.889, 0.911)
    """
    from scipy.stats import binom

    require_probability("binomial_band", prob=prob, band=band)
    require_whole("binomial_band", "count", count, 1)
    tail = (1 - band) / 2
    return float(binom.ppf(tail, count, prob)) / count, float(binom.ppf(1 - tail, count, prob)) / count


def _checked(where: str, pmfs: Sequence[Pmf], truths: ArrayLike) -> Ints:
    """The truths as whole numbers, one for each mass function."""
    values = np.atleast_1d(np.asarray(truths, dtype=np.float64))
    faults = []
    if not len(pmfs):
        faults.append(Fault("nothing", "at least one mass function", "Pass some.", where, 0, "pmfs"))
    if values.shape != (len(pmfs),):
        got = f"{values.size} truths for {len(pmfs)} mass functions"
        faults.append(Fault(got, "one truth for each", "Pass arrays of one length.", where, 0, "truths"))
    elif np.any(broken := (values != np.round(values)) | ~np.isfinite(values)):
        first = int(np.argmax(broken))
        got = f"{show(float(values[first]))} at position {first}"
        faults.append(Fault(got, "whole numbers", "Pass whole years or rings.", where, 0, "truths"))
    if faults:
        raise InputError(faults)
    return values.astype(np.int64)


def _share_between(below: Floats, up_to: Floats, low: float, high: float, *, closed: bool = True) -> Floats:
    """Share of each stretch from below to up_to that lies between low and high.

    A stretch without length counts whole or not; at high only if the range is closed there.
    """
    width = up_to - below
    overlap = np.minimum(up_to, high) - np.maximum(below, low)
    point = (below >= low) & ((below <= high) if closed else (below < high))
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip(overlap, 0.0, None) / width
    return np.where(width > 0, share, point.astype(np.float64))


def _ranked_score(pmf: Pmf, truth: int) -> float:
    """Sum over whole numbers k of (F(k) - [truth <= k])**2."""
    start, stop = min(pmf.start, truth), max(pmf.stop, truth)
    total = np.cumsum(pmf.on(start, stop - start + 1))
    return float(((total - (np.arange(start, stop + 1) >= truth)) ** 2).sum())


# ---------------------------------------------------------------------- stated probabilities


@public
def reliability(stated: ArrayLike, happened: ArrayLike, *, bins: int = 10, band: float = BAND) -> pd.DataFrame:
    """Compare stated probabilities with how often the stated thing happened, bin by bin.

    Parameters
    ----------
    stated : array-like of float, shape (n,)
        Stated probabilities, 0 to 1.
    happened : array-like of bool, shape (n,)
        Whether it was so.
    bins : int, default 10
        Bins of equal width (choice).
    band : float, default 0.99
        Probability of the band within which right statements lie by chance (choice).

    Returns
    -------
    pandas.DataFrame, one row a bin that is not empty
        low, high (edges; the upper one belongs to the bin), count, stated (mean), happened (share), band_low,
        band_high (of the share, if the mean statement is right), within (bool).

    Raises
    ------
    InputError
        If the lengths differ, nothing is stated, a probability is not within 0 and 1, or there is no bin.

    Notes
    -----
    The band is binomial for independent cases with one probability; cases that share a pair of cores vary more.

    References
    ----------
    .. [1] Murphy, A. H. & Winkler, R. L. (1977). J. R. Stat. Soc. C 26, 41-47 (from memory).

    Examples
    --------
    >>> table = reliability([0.1, 0.1, 0.1, 0.1, 0.9], [False, False, False, True, True], bins=2)
    >>> table[["count", "stated", "happened"]].to_numpy().tolist()
    [[4.0, 0.1, 0.25], [1.0, 0.9, 1.0]]
    """
    import pandas as pd

    where = "reliability"
    probs = np.atleast_1d(require_nonnegative(where, stated=stated)[0])
    told = np.atleast_1d(np.asarray(happened))
    true = np.isin(told, (1, True))
    faults = []
    if not np.all(true | np.isin(told, (0, False))):
        got = show(told[~(true | np.isin(told, (0, False)))][0])
        faults.append(Fault(got, "True or False", "Leave out what is not known.", where, 0, "happened"))
    if probs.shape != true.shape or not probs.size:
        got = f"{probs.size} probabilities and {true.size} outcomes"
        faults.append(Fault(got, "one outcome for each, at least one", "Pass both in one order.", where, 0, "stated"))
    if probs.size and probs.max() > 1:
        faults.append(Fault(show(float(probs.max())), "at most 1", "Pass shares, not percent.", where, 0, "stated"))
    if bins < 1:
        faults.append(Fault(show(bins), "at least 1 bin", "Raise it.", where, 0, "bins"))
    if faults:
        raise InputError(faults)
    edges = np.linspace(0.0, 1.0, bins + 1)
    place = np.clip(np.searchsorted(edges, probs, side="left") - 1, 0, bins - 1)
    rows = []
    for at in np.unique(place):
        chosen = place == at
        mean, share, count = float(probs[chosen].mean()), float(true[chosen].mean()), int(chosen.sum())
        low, high = binomial_band(count, mean, band=band) if 0 < mean < 1 else (mean, mean)
        rows.append((edges[at], edges[at + 1], count, mean, share, low, high, low <= share <= high))
    names = ["low", "high", "count", "stated", "happened", "band_low", "band_high", "within"]
    return pd.DataFrame(rows, columns=names)


# ---------------------------------------------------------------------- the whole estimate


@public
def score_against_truth(ages: Ages, truth: pd.DataFrame | Mapping[str, int]) -> pd.DataFrame:
    """Set the ages of a field beside the true establishment years, tree by tree.

    Parameters
    ----------
    ages : Ages
        The answer.
    truth : pandas.DataFrame or mapping of str to int
        Columns tree and establishment_year, or establishment years by tree.

    Returns
    -------
    pandas.DataFrame, one row a dated tree that has a truth
        tree, establishment_year_true, establishment_year_median, establishment_year_lo,
        establishment_year_hi, prob, error (median less truth), inside (bool), rank_low, rank_high (stated
        probability below, and up to and with, the truth), sd and log_score.

    Raises
    ------
    InputError
        If the truth has no column establishment_year, a year in it is not whole, or it shares no tree with the ages.

    Notes
    -----
    Trees dated as a minimum only or at coring height are left out, and those whose truth is missing. `coverage`,
    `rank_statistics` and `bias` take `[ages[tree].establishment_year for tree in table["tree"]]` and the column of
    truths.

    Examples
    --------
    >>> from treeage.simulate import simulate_stand
    >>> truth = simulate_stand("demo", seed=1).truth["trees"]
    >>> truth[["tree", "establishment_year"]].shape
    (48, 2)
    """
    import pandas as pd

    known = _truth_by_tree(truth)
    frame = ages.to_frame()
    frame = frame[frame["tree"].isin(known) & frame["establishment_year_median"].notna()]
    if frame.empty:
        need = "at least one dated tree in common that has an establishment year"
        raise InputError(Fault("no such tree", need, "Check the names.", "score_against_truth", 0, "truth"))
    trees = frame["tree"].tolist()
    pmfs = [ages[tree].establishment_year for tree in trees]
    values = np.array([known[tree] for tree in trees], dtype=np.int64)
    below, up_to = rank_interval(pmfs, values)
    ends = ["establishment_year_median", "establishment_year_lo", "establishment_year_hi"]
    middle, low, high = (frame[name].to_numpy(dtype=np.int64) for name in ends)
    with np.errstate(divide="ignore"):
        log_scores = -np.log(up_to - below)
    return pd.DataFrame(
        {
            "tree": trees,
            "establishment_year_true": values,
            **dict(zip(ends, (middle, low, high), strict=True)),
            "prob": frame["prob"].to_numpy(),
            "error": middle - values,
            "inside": (low <= values) & (values <= high),
            "rank_low": below,
            "rank_high": up_to,
            "sd": [pmf.sd() for pmf in pmfs],
            "log_score": log_scores,
        }
    )


def _truth_by_tree(truth: pd.DataFrame | Mapping[str, int]) -> dict[str, int]:
    """Establishment years by tree."""
    if isinstance(truth, Mapping):
        return _whole_years(truth.items())
    missing = [name for name in ("tree", "establishment_year") if name not in truth.columns]
    if missing:
        got = "columns " + ", ".join(str(name) for name in truth.columns)
        need = "the columns tree and establishment_year"
        raise InputError(Fault(got, need, f"Add {missing[0]}.", "score_against_truth", 0, "truth"))
    return _whole_years(zip(truth["tree"], truth["establishment_year"], strict=True))


def _whole_years(pairs: Iterable[tuple[Any, Any]]) -> dict[str, int]:
    """Years by tree, without those that are missing."""
    import pandas as pd

    known, faults = {}, []
    for tree, year in pairs:
        number = pd.to_numeric(year, errors="coerce") if not pd.isna(year) and str(year).strip() else None
        if number is not None and number == np.floor(number):
            known[str(tree)] = int(number)
        elif number is not None:
            item = f"tree {tree}"
            faults.append(Fault(show(year), "a whole year", "Correct it.", "score_against_truth", 0, "truth", item))
    if faults:
        raise InputError(faults)
    return known


class KnownStand(Protocol):
    """A stand whose truth is known: its scenario and tables, the true dates of its trees, and its field."""

    scenario: Any
    tables: Mapping[str, pd.DataFrame]
    truth: Mapping[str, pd.DataFrame]

    def field(self) -> Field:
        """The field."""


@keeps_tables
@dataclass(frozen=True, eq=False)
class Validation:
    """How the whole estimate did on stands whose truth is known.

    Parameters
    ----------
    name : str
        Name of the scenario.
    stands, trees, dated : int
        Numbers of stands, of trees in them, and of trees with an estimate (the others as a minimum only or
        refused).
    coverage, ranks, sharpness, bias : pandas.DataFrame
        See the functions of these names.
    scores : pandas.DataFrame
        One row a dated tree, with the number of its stand; see `score_against_truth`.
    """

    name: str
    stands: int
    trees: int
    dated: int
    coverage: pd.DataFrame
    ranks: pd.DataFrame
    sharpness: pd.DataFrame
    bias: pd.DataFrame
    scores: pd.DataFrame

    def __repr__(self) -> str:
        hits = ", ".join(
            f"{100 * prob:g} % holds {100 * covered:.1f} %"
            for prob, covered in zip(self.coverage["prob"], self.coverage["covered"], strict=True)
        )
        return f"Validation({self.name!r}, {self.dated} of {self.trees} trees, {hits})"


def validate_stands(
    stands: Sequence[KnownStand],
    *,
    probs: Sequence[float] = PROBS,
    estimate: Callable[[Field], Ages] | None = None,
) -> Validation:
    """Run the whole estimate on virtual stands and score it against their truth.

    Parameters
    ----------
    stands : sequence of simulate.SimulatedStand
        From `simulate_stand` or `simulate_from_model`, at least one.
    probs : sequence of float, default (0.5, 0.8, 0.9, 0.95)
        Interval probabilities.
    estimate : callable, optional
        Field to Ages; `estimate_ages` with its defaults when left out. Stands of `simulate_from_model` need
        `estimate_ages` with from_stand=False and from_pairs=False, because their cores stand alone.

    Returns
    -------
    Validation
        Coverage, ranks, sharpness and bias of the establishment years.

    Raises
    ------
    InputError
        If there is no stand.

    Notes
    -----
    Uses the public path only: tables to `Field`, `estimate_ages`, what `Ages` gives away.

    Examples
    --------
    >>> validate_stands([])
    Traceback (most recent call last):
        ...
    treeage.errors.InputError: validate_stands, stands: got nothing, need at least one stand. Draw some.
    """
    if not stands:
        raise InputError(Fault("nothing", "at least one stand", "Draw some.", "validate_stands", 0, "stands"))
    import pandas as pd

    from treeage.estimate import estimate_ages

    run = estimate or estimate_ages
    pmfs: list[Pmf] = []
    tables = []
    for number, stand in enumerate(stands):
        ages = run(stand.field())
        table = score_against_truth(ages, stand.truth["trees"])
        pmfs += [ages[tree].establishment_year for tree in table["tree"]]
        tables.append(table.assign(stand=number))
    scores = pd.concat(tables, ignore_index=True)
    truths = scores["establishment_year_true"].to_numpy()
    return Validation(
        name=stands[0].scenario.name,
        stands=len(stands),
        trees=sum(len(stand.tables["trees"]) for stand in stands),
        dated=len(scores),
        coverage=coverage(pmfs, truths, probs=probs),
        ranks=rank_statistics(pmfs, truths),
        sharpness=sharpness(pmfs, probs=probs),
        bias=bias(pmfs, truths),
        scores=scores,
    )


# ---------------------------------------------------------------------- written answers against known dates


@keeps_tables
@dataclass(frozen=True, eq=False)
class Score(Result):
    """How the written answers of a field did where dates are known.

    Parameters
    ----------
    trees : pandas.DataFrame
        One row a tree with an answer and a known date: tree, date_refers_to, known, median, lo, hi, prob, error (median
        less known), inside.
    levels : pandas.DataFrame
        Coverage at 50, 80, 90 and 95 %, from the joint draws; see `coverage`.
    size : pandas.DataFrame
        One row: mean error, mean absolute error, scores; see `bias`.
    mean_date : mapping of str to float
        The mean date of these trees: known, and median, lo and hi of the joint draws.
    without : int
        Trees with a known date and no dated answer for it.
    """

    trees: pd.DataFrame
    levels: pd.DataFrame
    size: pd.DataFrame
    mean_date: Mapping[str, float]
    without: int

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def to_frame(self) -> pd.DataFrame:
        """One row a tree, unrounded."""
        return self.trees

    def sentence(self) -> str:
        """One paragraph: intervals against their promise, errors, the mean date."""
        prob, count, held = float(self.trees["prob"].iloc[0]), len(self.trees), int(self.trees["inside"].sum())
        level = self.levels.iloc[(self.levels["prob"] - prob).abs().argmin()]
        low, high = (round(100 * level[name]) for name in ("band_low", "band_high"))
        verdict = (
            "as promised" if level["within"] else "too few" if level["covered"] < level["band_low"] else "too many"
        )
        size, mean = self.size.iloc[0], self.mean_date
        verdict = "too few trees to judge" if count < FEWEST_JUDGED else verdict
        late = "late" if size["mean_error"] > 0 else "early"
        inside = "holds" if mean["lo"] <= mean["known"] <= mean["hi"] else "does not hold"
        out = "" if not self.without else f" {self.without} more with a known date have no dated answer for it."
        parts = (
            f"{count} tree{' has' if count == 1 else 's have'} an answer and a known date.{out}",
            f"Their {100 * prob:g} % intervals, as printed, hold {held} of the dates ({100 * held / count:.0f} %).",
            f"With end years shared out {100 * level['covered']:.0f} % lie in the {100 * level['prob']:g} % intervals, "
            f"where {low} to {high} % would by chance if trees were independent: {verdict}.",
            f"The dates are {abs(size['mean_error']):.1f} years too {late} on average, and their medians off by "
            f"{size['mean_absolute_error']:.1f} years.",
            f"The interval of the mean date of these trees, {mean['lo']:.0f} to {mean['hi']:.0f}, {inside} the known "
            f"{mean['known']:.0f}.",
        )
        return " ".join(parts)


def score_answers(ages: pd.DataFrame, draws: pd.DataFrame, truth: pd.DataFrame) -> Score:
    """Score the written answers of a field against known dates.

    Parameters
    ----------
    ages : pandas.DataFrame
        Content of ages.csv.
    draws : pandas.DataFrame, shape (n_draw, n_tree)
        Content of draws.parquet: joint draws of the dates, a column a tree.
    truth : pandas.DataFrame
        Columns tree, and establishment_year or known_establishment_year; with pith_year also trees dated at coring
        height are scored, by that year.

    Returns
    -------
    Score
        Trees, levels, errors and the mean date.

    Raises
    ------
    InputError
        If the truth lacks these columns, or no tree has both an answer and a known date.

    Notes
    -----
    Trees of a stand share errors, so the band of independent trees is narrower than what chance does here.
    """
    import pandas as pd

    known = _known_dates(truth)
    rows = []
    for row in ages.to_dict("records"):
        above = row["date_refers_to"] == CORE_HEIGHT
        year = known.get(str(row["tree"]), {}).get("pith_year" if above else "establishment_year", np.nan)
        stem = "pith_year" if above else "establishment_year"
        middle, low, high = (row[f"{stem}_{end}"] for end in ("median", "lo", "hi"))
        if not (pd.isna(year) or pd.isna(middle)) and str(row["tree"]) in draws:
            told = {"tree": str(row["tree"]), "date_refers_to": row["date_refers_to"], "known": int(year)}
            ends = {"median": int(middle), "lo": int(low), "hi": int(high), "prob": row["prob"]}
            rows.append(told | ends | {"error": int(middle - year), "inside": bool(low <= year <= high)})
    if not rows:
        need, do = (
            "at least one dated tree with a known date",
            "Check the names of the trees, and that dates are filled.",
        )
        raise InputError(Fault("no such tree", need, do, "score_answers", 0, "truth"))
    table = pd.DataFrame(rows)
    joint = draws[table["tree"].tolist()].to_numpy()
    pmfs = [_pmf_of_draws(years) for years in joint.T]
    truths = table["known"].to_numpy()
    lo, middle, hi = np.quantile(joint.mean(axis=1), [(1 - rows[0]["prob"]) / 2, 0.5, (1 + rows[0]["prob"]) / 2])
    mean = {"known": float(truths.mean()), "median": float(middle), "lo": float(lo), "hi": float(hi)}
    dated = sum(not np.isnan(list(dates.values())).all() for dates in known.values())
    return Score(table, coverage(pmfs, truths), bias(pmfs, truths), mean, dated - len(table))


def _known_dates(truth: pd.DataFrame) -> dict[str, dict[str, float]]:
    """Known years by tree: establishment_year and pith_year, NaN where not known."""
    names = ("establishment_year", "known_establishment_year")
    column = next((name for name in names if name in truth), "")
    if "tree" not in truth or not column:
        got = "columns " + ", ".join(str(name) for name in truth.columns)
        need = f"the columns tree and {' or '.join(names)}"
        raise InputError(Fault(got, need, "Name a table that holds them.", "score_answers", 0, "truth"))
    years = zip(column_numbers(truth, column), column_numbers(truth, "pith_year"), strict=True)
    pairs = zip(truth["tree"].astype(str), years, strict=True)
    return {tree: {"establishment_year": float(first), "pith_year": float(pith)} for tree, (first, pith) in pairs}


def _pmf_of_draws(years: Ints) -> Pmf:
    """Shares of the draws of one tree."""
    start = int(years.min())
    return Pmf(start, np.bincount((years - start).astype(np.int64)) / years.size)
