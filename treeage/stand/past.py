"""What the dates say of the stand of then: its trees and size at a past date, establishment after events, its origin.

Own derivation on joint draws of dates and diameters.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from treeage.display import Result, year_text
from treeage.errors import Fault, InputError, public, require_at_most, require_positive, require_probability, show
from treeage.pmf import freeze_arrays, interval_levels
from treeage.schema import LATEST_YEAR
from treeage.stand.recruitment import RecruitmentHistory, sharpened_dates
from treeage.stand.structure import (
    Array,
    Flags,
    Ints,
    SplitDraws,
    YearGrid,
    check_draws,
    year_mass,
)

if TYPE_CHECKING:
    import pandas as pd

LONGEST_LAG = 100  # choice: a tree that comes later is not counted as an answer to the event [years]
EARLY_TREES = 12.0  # choice: the start is judged on about this many trees, few enough for a steady rate
EARLY_SDS = 3.0  # choice: and on at least this many standard deviations of a tree's own error
MOST_EMPTY = 500  # choice: cells before the oldest tree in which the origin is looked for, at most
RATES = np.geomspace(0.03, 30.0, 90)  # choice: early rates tried, as multiples of the plain one
CAVEAT = (
    "Trees that were there and have died since are missing unless dead wood was sampled too: "
    "densities are lower bounds."
)


# ------------------------------------------------------------------ the stand at a past date


@dataclass(frozen=True)
class PastStand(Result):
    """A stand at a past date; from `past_stand` or `treeage.growth.past_trees`.

    Parameters
    ----------
    year : int
        The date: end of this growing season.
    trees : tuple of str
        Ids.
    present : numpy.ndarray of bool, shape (draws, n)
        Whether each tree had established, and had not died, by the year.
    diameter_cm : numpy.ndarray, shape (draws, n)
        Diameter at that date [cm]; NaN where the tree was not there.
    method : tuple of str
        How each tree's past diameter was found: widths, first ring (before it), growth of other trees, steady growth,
        or unknown.
    trees_per_ha : numpy.ndarray, shape (n,)
        Trees per hectare that each tree stands for; 1 where totals are per sample.
    per : str
        "per ha" or "in the sample".
    prob : float
        Probability of the intervals.
    notes : tuple of str
        What else to say of the trees; printed with the sentence.
    """

    _caveats = (CAVEAT,)

    year: int
    trees: tuple[str, ...]
    present: Flags
    diameter_cm: Array
    method: tuple[str, ...]
    trees_per_ha: Array
    per: str
    prob: float
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def to_frame(self) -> pd.DataFrame:
        """One row a tree: probability that it was there, its diameter if so (median, lo, hi), and how it was found."""
        import pandas as pd

        ends = np.full((3, len(self.trees)), np.nan)
        for number in range(len(self.trees)):
            size = self.diameter_cm[:, number]
            size = size[np.isfinite(size)]
            if size.size:
                ends[:, number] = np.quantile(size, interval_levels(self.prob))
        return pd.DataFrame(
            {
                "tree": self.trees,
                "year": self.year,
                "p_present": self.present.mean(axis=0),
                "diameter_cm_median": ends[0],
                "diameter_cm_lo": ends[1],
                "diameter_cm_hi": ends[2],
                "method": self.method,
                "trees_per_ha": self.trees_per_ha,
                "prob": self.prob,
            }
        )

    def totals(self) -> pd.DataFrame:
        """Density and basal area with intervals.

        Returns
        -------
        pandas.DataFrame, shape (3, 6)
            quantity (trees, basal area [m2], mean quadratic diameter [cm]), median, lo, hi, per, prob. Trees whose
            diameter is not known are in the number alone; the diameter is that of the draws in which a tree of known
            size was there, NaN if there is none.
        """
        import pandas as pd

        weight = self.trees_per_ha
        trees = self.present @ weight
        area = np.nansum(np.where(self.present, self.diameter_cm**2, 0.0) * weight, axis=1) * np.pi / 40_000.0
        sized = (self.present & np.isfinite(self.diameter_cm)) @ weight
        quadratic = np.sqrt(area[sized > 0] * 40_000.0 / np.pi / sized[sized > 0])
        quadratic = quadratic if quadratic.size else np.array([np.nan])
        rows = [
            (name, *np.quantile(draws, interval_levels(self.prob)), self.per, self.prob)
            for name, draws in (("trees", trees), ("basal area [m2]", area), ("quadratic diameter [cm]", quadratic))
        ]
        return pd.DataFrame(rows, columns=["quantity", "median", "lo", "hi", "per", "prob"])

    def sentence(self) -> str:
        """Density, basal area and what is not in it, and the caveat."""
        frame = self.totals().set_index("quantity")
        trees, area = frame.loc["trees"], frame.loc["basal area [m2]"]
        unknown = self.method.count("unknown")
        sizes = [f"{unknown} tree(s) without a diameter are not in the basal area."] if unknown else []
        return (
            f"In {year_text(self.year)}: {trees['median']:.0f} ({trees['lo']:.0f} to {trees['hi']:.0f}) of the trees "
            f"sampled {self.per}, basal area {area['median']:.2f} ({area['lo']:.2f} to {area['hi']:.2f}) m2. "
            f"{' '.join((*sizes, *self.notes, CAVEAT))}"
        )


@public
def past_stand(
    draws: ArrayLike,
    year: int,
    *,
    survey_year: ArrayLike,
    diameter_now_cm: ArrayLike,
    diameter_then_cm: ArrayLike | None = None,
    trees_per_ha: ArrayLike | None = None,
    trees: Sequence[str] | None = None,
    prob: float = 0.9,
) -> PastStand:
    """Reconstruct the stand of today's trees at a past date.

    Parameters
    ----------
    draws : array-like, shape (draws, n)
        Establishment years with shared error included; one column a tree (cored trees, and uncored ones from
        `AgeFromDiameter.draws`).
    year : int
        Past date, before the latest survey_year.
    survey_year : int or array-like, shape (n,) or (draws, n)
        Year of the last ring: of the survey, or of each tree, so that trees that had died are not there afterwards.
    diameter_now_cm : array-like, shape (n,)
        Present diameters [cm], above 0, NaN if unknown.
    diameter_then_cm : array-like, shape (n,) or (any, n), optional
        Past diameters [cm] from ring widths (`GrowthHistory.at`), as values or draws; NaN where there are
        none.
    trees_per_ha : array-like, shape (n,), optional
        Trees per hectare that each tree stands for.
    trees : sequence of str, optional
        Ids; numbers from 0 by default.
    prob : float, default 0.9
        Probability of the intervals.

    Returns
    -------
    PastStand
        Presence and size of each tree, and totals.

    Raises
    ------
    InputError
        If the year is not before the survey, a diameter is not above 0, a survey year is missing, or shapes differ.

    Notes
    -----
    Present means established in the year or before, and not beyond its last ring. Where no widths show the past
    diameter, growth is taken as steady from establishment to the survey (named "steady growth"): too small a past
    diameter for trees that slowed down with age.

    Examples
    --------
    >>> stand = past_stand([[1900, 1950]], 1949, survey_year=1999, diameter_now_cm=[40.0, 20.0])
    >>> stand.to_frame()[["p_present", "diameter_cm_median"]].values.tolist()
    [[1.0, 20.0], [0.0, nan]]
    """
    where = "past_stand"
    array = check_draws(where, draws)
    require_probability(where, prob=prob)
    count = array.shape[1]
    last = np.asarray(survey_year, dtype=np.float64)
    if last.ndim and last.shape not in ((count,), array.shape):
        got = " x ".join(map(str, last.shape))
        raise InputError(Fault(got, f"one for each of {count} trees", "Align them.", where, 0, "survey_year"))
    if not np.isfinite(last).all():
        raise InputError(Fault("a missing year", "finite years", "Fill in the last ring.", where, 0, "survey_year"))
    if year >= last.max():
        need = f"a year before the survey ({last.max():.0f})"
        raise InputError(Fault(str(year), need, "Choose an earlier year.", where, 0, "year"))
    now = _one_each(where, "diameter_now_cm", diameter_now_cm, count)
    require_positive(where, diameter_now_cm=now[~np.isnan(now)])
    present = (array <= year) & (year <= last)
    age_now, age_then = last - array + 1, year - array + 1
    size = now * np.clip(age_then / np.maximum(age_now, 1), 0.0, 1.0)
    method = np.where(np.isfinite(now), "steady growth", "unknown").astype(object)
    if diameter_then_cm is not None:
        then = np.atleast_2d(np.asarray(diameter_then_cm, dtype=np.float64))
        _one_each(where, "diameter_then_cm", then[0], count)
        then = then[np.arange(array.shape[0]) % then.shape[0]]
        size = np.where(np.isfinite(then), then, size)
        method[np.isfinite(then).mean(axis=0) > 0.5] = "widths"
    weight = np.ones(count)
    if trees_per_ha is not None:
        weight = _one_each(where, "trees_per_ha", require_positive(where, trees_per_ha=trees_per_ha)[0], count)
    return PastStand(
        int(year),
        _names(trees, count),
        present,
        np.where(present, size, np.nan),
        tuple(method.tolist()),
        weight,
        "in the sample" if trees_per_ha is None else "per ha",
        prob,
    )


def _one_each(where: str, name: str, values: ArrayLike, count: int) -> Array:
    array = np.asarray(values, dtype=np.float64)
    if array.shape != (count,):
        raise InputError(Fault(f"{array.size} values", f"one for each of {count} trees", "Align them.", where, 0, name))
    return array


def _names(trees: Sequence[str] | None, count: int) -> tuple[str, ...]:
    """Ids of the trees, numbers from 0 where none are given."""
    names = tuple(map(str, range(count) if trees is None else trees))
    if len(names) != count:
        raise InputError(
            Fault(f"{len(names)} ids", f"one for each of {count} trees", "Align them.", "stand", 0, "trees")
        )
    return names


# ------------------------------------------------------------------ establishment after events


@dataclass(frozen=True)
class EventResponse(Result):
    """Establishment of trees after events; from `after_events`.

    Parameters
    ----------
    events : mapping of str to int
        Event name and year, in order of time.
    after : numpy.ndarray, shape (n, events)
        Probability that each tree established after each event.
    within_years : tuple of int
        Lengths of the windows after the event [years].
    counts : numpy.ndarray, shape (draws, events, windows)
        Trees established within each window after each event.
    lag_quantiles : numpy.ndarray, shape (draws, events, 3)
        First tree, median, and the year by which 90 % had come, of the lags [years] of the trees that
        established after the event and before the next one, at most 100 years later; NaN if there is none.
    trees : tuple of str
        Ids of the trees.
    prob : float
        Probability of the intervals.
    """

    events: Mapping[str, int]
    after: Array
    within_years: tuple[int, ...]
    counts: Array
    lag_quantiles: Array
    trees: tuple[str, ...]
    prob: float

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def to_frame(self) -> pd.DataFrame:
        """One row an event: expected trees after it, trees within each window and lags [years] (median, lo, hi)."""
        import pandas as pd

        rows = []
        for number, (event, year) in enumerate(self.events.items()):
            row: dict[str, object] = {"event": event, "year": year, "trees_after": self.after[:, number].sum()}
            parts = [(f"within_{k}_years", self.counts[:, number, at]) for at, k in enumerate(self.within_years)]
            names = ("lag_first", "lag_median", "lag_90_percent")
            parts += [(name, self.lag_quantiles[:, number, at]) for at, name in enumerate(names)]
            for name, draws in parts:
                known = draws[np.isfinite(draws)]
                ends = [np.nan] * 3
                if known.size > draws.size / 2:
                    ends = np.quantile(known, interval_levels(self.prob), method="inverted_cdf").tolist()
                row |= {f"{name}_{part}": end for part, end in zip(("median", "lo", "hi"), ends, strict=True)}
            rows.append({**row, "prob": self.prob})
        return pd.DataFrame(rows)

    def tree_frame(self) -> pd.DataFrame:
        """Probability of each tree to have established after each event.

        Returns
        -------
        pandas.DataFrame
            One row per tree and event: tree, event, year, p_after.
        """
        import pandas as pd

        count, events = self.after.shape
        return pd.DataFrame(
            {
                "tree": np.repeat(self.trees, events),
                "event": np.tile(list(self.events), count),
                "year": np.tile(list(self.events.values()), count),
                "p_after": self.after.ravel(),
            }
        )

    def sentence(self) -> str:
        """Trees within the longest window after each event, and the median lag."""
        parts = []
        name = f"within_{self.within_years[-1]}_years"
        for row in self.to_frame().to_dict("records"):
            lag = f", median lag {row['lag_median_median']:.0f} years" if np.isfinite(row["lag_median_median"]) else ""
            parts.append(
                f"{row['event']} ({year_text(row['year'])}): {row[name + '_median']:.0f} ({row[name + '_lo']:.0f} to "
                f"{row[name + '_hi']:.0f}) of {len(self.trees)} trees within {self.within_years[-1]} years{lag}"
            )
        return f"{'; '.join(parts)}. Following an event is not proof of being caused by it; survivors only."


@public
def after_events(
    draws: ArrayLike,
    events: Mapping[str, int],
    *,
    sharpened: ArrayLike | None = None,
    within_years: Sequence[int] = (10, 20, 50),
    trees: Sequence[str] | None = None,
    prob: float = 0.9,
) -> EventResponse:
    """Relate establishment to known events.

    Parameters
    ----------
    draws : array-like, shape (draws, n)
        Establishment years with shared error included; one column a tree.
    events : mapping of str to int
        Name and ring year of each event (southern hemisphere: the year in which that growing season began).
    sharpened : array-like, shape (draws, n), optional
        Dates given the stand's history (`sharpened_dates`); counts and lags use them, since raw dates
        scatter too much.
    within_years : sequence of int, default (10, 20, 50)
        Windows after the event [years].
    trees : sequence of str, optional
        Ids; numbers from 0 by default.
    prob : float, default 0.9
        Probability of the intervals.

    Returns
    -------
    EventResponse
        Probabilities, counts and lags.

    Raises
    ------
    InputError
        If the draws are malformed or differ in their trees, there is no event or one without a year, or a window is not
        a whole number of years.

    Notes
    -----
    After means at least one growing season later: lag = establishment year - event year, counted from 1. Dates
    between whole years (`sharpened_dates`, `AgeFromDiameter.draws`) belong to the nearest, so a tree of the event year
    itself is not after it. Event years are taken as known; the shared dating error moves all lags together.

    Examples
    --------
    >>> response = after_events([[1850, 1861, 1840], [1852, 1863, 1841]], {"fire": 1845})
    >>> response.after[:, 0].tolist(), response.counts[:, 0, 0].tolist()
    ([1.0, 1.0, 0.0], [1.0, 1.0])
    """
    where = "after_events"
    array = check_draws(where, draws)
    dates = array if sharpened is None else check_draws(where, sharpened)
    require_probability(where, prob=prob)
    if not events:
        raise InputError(Fault("no event", "at least one", "Fill in events.csv.", where, 0, "events"))
    if dates.shape[1] != array.shape[1]:
        got, need = f"dates of {dates.shape[1]} trees", f"one for each of {array.shape[1]} trees"
        raise InputError(Fault(got, need, "Pass those of these draws.", where, 0, "sharpened"))
    _whole(where, "events", require_at_most(where, LATEST_YEAR, events=list(events.values()))[0])
    ordered = {name: int(year) for name, year in sorted(events.items(), key=lambda item: item[1])}
    years = np.array(list(ordered.values()))
    after = (np.rint(array)[:, :, None] > years).mean(axis=0)
    (lengths,) = require_positive(where, within_years=within_years)
    _whole(where, "within_years", lengths)
    windows = tuple(sorted(int(length) for length in np.atleast_1d(lengths)))
    if not windows:
        raise InputError(Fault("none", "at least one", "Write for example (10, 20).", where, 0, "within_years"))
    counts = np.empty((dates.shape[0], years.size, len(windows)))
    lags = np.empty((dates.shape[0], years.size, 3))
    for number, year in enumerate(years):
        lag = np.rint(dates) - year
        for at, window in enumerate(windows):
            counts[:, number, at] = ((lag >= 1) & (lag <= window)).sum(axis=1)
        later = years[years > year]
        limit = min(LONGEST_LAG, int(later[0] - year)) if later.size else LONGEST_LAG
        lags[:, number] = _lag_quantiles(np.where((lag >= 1) & (lag <= limit), lag, np.nan))
    return EventResponse(ordered, after, windows, counts, lags, _names(trees, array.shape[1]), prob)


def _whole(where: str, name: str, years: Array) -> None:
    """Refuse years that are not whole."""
    broken = np.atleast_1d(years)[np.atleast_1d(years) != np.round(years)]
    if broken.size:
        raise InputError(Fault(show(float(broken[0])), "whole years", "Round it.", where, 0, name))


def _lag_quantiles(lag: Array) -> Array:
    """First, median and 90 % lag of each row, NaN for rows without any."""
    out = np.full((lag.shape[0], 3), np.nan)
    some = np.isfinite(lag).any(axis=1)
    if some.any():
        out[some, 0] = np.nanmin(lag[some], axis=1)
        out[some, 1:] = np.nanquantile(lag[some], [0.5, 0.9], axis=1).T
    return out


# ------------------------------------------------------------------ the oldest tree and the origin behind it


@dataclass(frozen=True)
class StandOrigin(Result):
    """When establishment of the stand began; from `stand_origin`.

    Parameters
    ----------
    oldest : numpy.ndarray, shape (draws,)
        Date of the oldest tree [year].
    origin : numpy.ndarray, shape (draws,)
        Date at which establishment began [year].
    lateness_years : float
        Expected years from the origin to the oldest sampled tree: the bias of the bound.
    early_until : float
        Year up to which a steady rate is assumed.
    trees : int
        Number of trees.
    prob : float
        Probability of the intervals.

    Notes
    -----
    In the table bias_years is the expected lateness against the true origin under the assumption; that of the estimate
    is then 0, which is no finding.
    """

    oldest: Array
    origin: Array
    lateness_years: float
    early_until: float
    trees: int
    prob: float

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def to_frame(self) -> pd.DataFrame:
        """Two rows, oldest tree and origin: year (median, lo, hi), bias and the assumption it rests on."""
        import pandas as pd

        steady = f"steady from the origin to about {year_text(round(self.early_until))}"
        rows = []
        for name, draws, bias in (("oldest tree", self.oldest, self.lateness_years), ("origin", self.origin, 0.0)):
            median, low, high = np.quantile(draws, interval_levels(self.prob))
            rows.append((name, median, low, high, bias, steady, self.prob))
        names = ["quantity", "year_median", "year_lo", "year_hi", "bias_years", "assumption", "prob"]
        return pd.DataFrame(rows, columns=names)

    def sentence(self) -> str:
        """The bound that can be defended, then the estimate with its assumption."""
        years = self.to_frame().set_index("quantity")[["year_median", "year_lo", "year_hi"]]
        middle, low, high = (year_text(round(float(year))) for year in years.loc["origin"].to_numpy())
        bound = year_text(int(np.ceil(years.loc["oldest tree"].to_numpy()[-1])))
        return (
            f"At least one of the {self.trees} trees had established by {bound}. If establishment was steady "
            f"from its beginning to about {year_text(round(self.early_until))}, the origin is {middle} ({low} to "
            f"{high}), and the oldest tree is expected {self.lateness_years:.1f} years later; after a slow start the "
            "origin is earlier. Older trees may have died or been missed."
        )


@public
def stand_origin(
    split: SplitDraws,
    history: RecruitmentHistory,
    *,
    count: int = 2000,
    prob: float = 0.9,
    seed: int = 0,
) -> StandOrigin:
    """Estimate when establishment of a stand, or of a cohort in it, began.

    Parameters
    ----------
    split : SplitDraws
        Parts of the joint draws (`split_shared`). For a cohort pass the draws of its trees only, without the
        survivors of an earlier stand.
    history : RecruitmentHistory
        Recovered intensity of the same draws.
    count : int, default 2000
        Draws of the origin (choice: interval ends to a few percent of its width).
    prob : float, default 0.9
        Probability of the intervals.
    seed : int, default 0
        Seed.

    Returns
    -------
    StandOrigin
        Bound and estimate.

    Raises
    ------
    InputError
        If prob is not between 0 and 1.

    Notes
    -----
    No tree before the origin, then a steady unknown rate for the first dozen trees or so, then the recovered
    intensity; every tree through its own mass function, a flat prior on the origin and on the logarithm of the rate.
    The oldest tree is averaged over this start and the recovered history as it is (one half each, choice), which
    differ where establishment began slowly. With exact dates the posterior is proportional to (c - origin)**(-m) for
    m trees up to c: the truncation point of [1]_. The minimum of dates estimated one by one would be too early, since
    the largest error is the one that counts. Where the rate rises after the origin (a slow start), the true origin is
    earlier than the estimate.

    References
    ----------
    .. [1] Robson, D. S. and Whitlock, J. H. (1964). Estimation of a truncation point. Biometrika 51:33-39.
       (From memory.)

    Examples
    --------
    >>> from treeage.stand import recruitment_history, split_shared
    >>> rng = np.random.default_rng(1)
    >>> draws = 1850 + rng.exponential(1.5, 60).cumsum() + rng.normal(0, 2, (500, 60))
    >>> split = split_shared(draws)
    >>> found = stand_origin(split, recruitment_history(draws, split=split, count=200))
    >>> bool(abs(np.median(found.origin) - 1850) < 3), bool(found.lateness_years > 0)
    (True, True)
    """
    require_probability("stand_origin", prob=prob)
    rng = np.random.default_rng(seed)
    grid = history.grid
    nodes = split.deviation.shape[0]
    each = -(-count // nodes)
    oldest, origin, cuts = [], [], []
    for node in range(nodes):
        rows = history.node == node
        later = np.median(history.own[rows] if rows.any() else history.own, axis=0) * grid.step_years
        cut = _early_cells(later, float(np.median(split.own_sd)), grid)
        wide, later, cut = _padded(grid, later, cut)
        mass = year_mass(split, node, wide)
        chances, rates = origin_chances(mass, later, cut)
        start, first = _oldest_draws(mass, later, cut, chances, rates, each, rng)
        shift = rng.choice(split.common[node], size=each)
        spread = grid.step_years * (rng.random((2, each)) - 0.5)
        origin.append(wide.centres[start] + shift + spread[0])
        oldest.append(np.maximum(wide.centres[first] + spread[1] + shift, origin[-1]))
        cuts.append(wide.centres[min(cut, wide.size - 1)])
    begun, eldest = np.concatenate(origin), np.concatenate(oldest)
    late = float((eldest - begun).mean())
    eldest[::2] = rng.choice(sharpened_dates(split, history, seed=seed).min(axis=1), eldest[::2].size)
    begun = np.minimum(begun, eldest)
    return StandOrigin(eldest, begun, late, float(np.mean(cuts)), split.centre.size, prob)


def origin_chances(mass: ArrayLike, later: ArrayLike, cut: int) -> tuple[Array, Array]:
    """Probability of each first cell and early rate, shape (cut, rates), and these rates [trees per cell].

    From the masses of the trees, shape (n, size); the rate is steady up to cell `cut`, at least 1, and `later` (size,)
    holds the expected trees in each cell from there on.
    """
    if cut < 1:
        raise InputError(Fault(str(cut), "at least 1 cell", "Use a finer grid.", "origin_chances", 0, "cut"))
    kernel, intensity = np.asarray(mass, dtype=np.float64), np.asarray(later, dtype=np.float64)
    early = np.cumsum(kernel[:, :cut][:, ::-1], axis=1)[:, ::-1]
    rest = kernel[:, cut:] @ intensity[cut:]
    plain = max(float((kernel[:, :cut] * intensity[:cut]).sum()), float(intensity[:cut].sum()), 1.0) / cut
    rates = plain * RATES
    near = early[:, 0] > 1e-12
    log_chance = np.empty((cut, rates.size))
    for number, rate in enumerate(rates):
        seen = rate * early[near] + rest[near, None]
        log_chance[:, number] = np.log(np.maximum(seen, 1e-300)).sum(axis=0) - rate * np.arange(cut, 0, -1)
    chances = np.exp(log_chance - log_chance.max())
    return chances / chances.sum(), rates


def _early_cells(later: Array, own_sd: float, grid: YearGrid) -> int:
    """Number of cells over which the rate is taken as steady."""
    total = np.cumsum(later)
    few = min(EARLY_TREES, total[-1] / 2)
    by_trees = int(np.searchsorted(total, few))
    by_error = int(np.searchsorted(total, min(1.0, few))) + int(np.ceil(EARLY_SDS * own_sd / grid.step_years))
    return max(2, min(max(by_trees, by_error), int(np.searchsorted(total, total[-1] * 0.9)), grid.size - 1))


def _padded(grid: YearGrid, later: Array, cut: int) -> tuple[YearGrid, Array, int]:
    """Add empty cells before the first tree, where the process may already have run."""
    more = min(max(2 * cut, 10), MOST_EMPTY)
    wide = YearGrid(grid.first_year - more * grid.step_years, grid.step_years, grid.size + more)
    return wide, np.concatenate([np.zeros(more), later]), cut + more


def _oldest_draws(
    mass: Array, later: Array, cut: int, chances: Array, rates: Array, count: int, rng: np.random.Generator
) -> tuple[Ints, Ints]:
    """Draws of the first cell of the process and of the cell of the oldest tree."""
    picked = rng.choice(chances.size, size=count, p=chances.ravel())
    start, rate = np.divmod(picked, rates.size)
    first = np.empty(count, dtype=np.int64)
    head = np.concatenate([np.zeros((mass.shape[0], 1)), np.cumsum(mass[:, :cut], axis=1)], axis=1)
    rest = mass[:, cut:] @ later[cut:]
    for at in range(count):
        early = rates[rate[at]] * (head[:, -1] - head[:, start[at]])
        if not rng.random() < 1.0 - np.exp(np.log1p(-early / np.maximum(early + rest, 1e-300) * (1 - 1e-12)).sum()):
            first[at] = cut
            continue
        share = rates[rate[at]] * (head[:, start[at] + 1 :] - head[:, start[at], None])
        none = np.log1p(-share / np.maximum(early + rest, 1e-300)[:, None] * (1 - 1e-12)).sum(axis=0)
        chance = 1.0 - np.exp(none)
        first[at] = start[at] + int(np.searchsorted(chance, rng.random() * chance[-1]))
    return start, np.minimum(first, cut)
