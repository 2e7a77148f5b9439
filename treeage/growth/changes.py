"""Releases and suppressions of growth by several criteria side by side, and the origin of trees from early growth.

Nowacki and Abrams (1997), Lorimer and Frelich (1989), Fraver and White (2005), Black and Abrams (2003); every threshold
with its source.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import betaincinv, expit, ndtr

from treeage.display import Result
from treeage.errors import (
    Fault,
    InputError,
    ModelWarning,
    kind_of,
    public,
    require_level,
    require_nonnegative,
    require_positive,
    require_seed,
    require_whole,
    show,
)
from treeage.growth.history import Array, CoreWidths
from treeage.pmf import interval_levels, keeps_tables
from treeage.schema import Word

ENOUGH_WIDTHS = 50_000  # Black et al. 2009, abstract: about 50,000 widths a species for a stable boundary line
LEAST_CHANGE_MM = 0.01  # choice: no absolute threshold lies below one step of a reading
LINE_BIN_MM = 0.5  # choice: classes of prior growth [mm] in which the upper edge is read, as is common practice
LINE_TOP = 10  # choice: values averaged at the upper edge of a class, as is common practice
BLOCK_YEARS = 5  # choice: blocks of the later window, the weakest of which tells whether a change was kept
NEAR_YEARS = 2  # choice: changes this close in two trees count as one date
FEWEST_AT_RISK = 5  # choice: below this number of trees a common year cannot be told from chance
FROM_MEMORY = "as commonly quoted, not checked against the paper"


class Direction(Word):
    """What is looked for in a ring series."""

    RELEASE = "release"
    SUPPRESSION = "suppression"  # measured as a release of the series read backwards, so that both use one threshold


class ChangeKind(Word):
    """What a criterion measures."""

    PERCENT = "percent"
    ABSOLUTE = "absolute"
    SUSTAINED = "sustained"
    BOUNDARY = "boundary"


class Origin(Word):
    """Where a tree grew up, as told from its early growth."""

    GAP = "gap"
    SUPPRESSED = "suppressed"
    UNCLEAR = "unclear"
    NOT_SEEN = "not seen"


# ------------------------------------------------------------------ measures of change in one series
# Widths [mm] oldest first, at least 0; one value a year, that of the boundary after the year; NaN at the edges, where a
# window is not complete. M1 is the mean up to and with the year, M2 the mean after it; for a suppression they change
# places.


def window_means(widths_mm: ArrayLike, *, window_years: int = 10) -> Array:
    """M1 and M2 of each year [mm], shape (2, n); windows of 10 years are common practice."""
    (widths,) = require_nonnegative("window_means", widths_mm=widths_mm)
    if window_years < 1:
        do = "Use 10 for percent change, 15 for sustained change."
        raise InputError(Fault(show(window_years), "at least 1 [years]", do, "window_means", 0, "window_years"))
    out = np.full((2, widths.size), np.nan)
    last = widths.size - window_years
    if last > window_years - 1:
        sums = np.concatenate([[0.0], np.cumsum(widths)])
        at = np.arange(window_years - 1, last)
        out[0, at] = (sums[at + 1] - sums[at + 1 - window_years]) / window_years
        out[1, at] = (sums[at + 1 + window_years] - sums[at + 1]) / window_years
    return out


def _backwards(direction: str) -> bool:
    if direction not in list(Direction):
        raise InputError(Fault(show(direction), "release or suppression", "Choose one.", "growth", 0, "direction"))
    return direction == Direction.SUPPRESSION


def _oriented(widths_mm: ArrayLike, window_years: int, direction: str) -> tuple[Array, Array]:
    """Slow and fast window: before and after for a release, after and before for a suppression."""
    first, second = window_means(widths_mm, window_years=window_years)
    return (second, first) if _backwards(direction) else (first, second)


def _percent(before: Array, after: Array) -> Array:
    """Change in percent of what was before; NaN where that is 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(before > 0, 100.0 * (after - before) / before, np.nan))


def percent_change(widths_mm: ArrayLike, *, window_years: int = 10, direction: str = Direction.RELEASE) -> Array:
    """100 * (M2 - M1) / M1 [percent]; NaN also where the base is 0."""
    # Nowacki, G. J. and Abrams, M. D. (1997). Radial-growth averaging criteria for reconstructing disturbance histories
    # from presettlement-origin oaks. Ecological Monographs 67:225-249. (Definition from memory.) A small M1 makes any
    # change look large; a warm or wet decade looks like a release.
    return _percent(*_oriented(widths_mm, window_years, direction))


def absolute_change(widths_mm: ArrayLike, *, window_years: int = 10, direction: str = Direction.RELEASE) -> Array:
    """M2 - M1 [mm per year]: less touchy than the percent change in trees that grow very slowly."""
    # Fraver, S. and White, A. S. (2005). Identifying growth releases in dendrochronological studies of forest
    # disturbance. Canadian Journal of Forest Research 35:1648-1656. (Definition from memory.)
    before, after = _oriented(widths_mm, window_years, direction)
    return np.asarray(after - before)


def sustained_change(widths_mm: ArrayLike, *, window_years: int = 15, direction: str = Direction.RELEASE) -> Array:
    """Percent change of the weakest block of the later window, never more than the percent change with that window."""
    # 100 * (min over blocks of the block mean - M1) / M1: our reading of "sustained" for the criterion of Lorimer, C.
    # G. and Frelich, L. E. (1989). A methodology for estimating canopy disturbance frequency and intensity in dense
    # temperate forests. Canadian Journal of Forest Research 19:651-663, which asks for at least 15 years. (Class limits
    # from memory.)
    (widths,) = require_nonnegative("sustained_change", widths_mm=widths_mm)
    before, _ = _oriented(widths, window_years, direction)
    backwards = _backwards(direction)
    series = widths[::-1] if backwards else widths
    block = min(BLOCK_YEARS, window_years)
    starts = sorted({*range(0, window_years - block + 1, block), window_years - block})
    sums = np.concatenate([[0.0], np.cumsum(series)])
    weakest = np.full(series.size, np.nan)
    at = np.arange(window_years - 1, max(window_years - 1, series.size - window_years))
    if at.size:
        weakest[at] = np.min([sums[at + 1 + s + block] - sums[at + 1 + s] for s in starts], axis=0) / block
    if backwards:
        weakest = np.concatenate([weakest[::-1][1:], [np.nan]]) if series.size else weakest
    return _percent(before, weakest)


# ------------------------------------------------------------------ the boundary line


@dataclass(frozen=True)
class BoundaryLine:
    """Largest percent change that trees of a species show at a given prior growth.

    Parameters
    ----------
    scale_percent : float
        Change at a prior growth of 0 [percent], above 0.
    rate_per_mm : float
        Decay with prior growth [1/mm], below 0.
    source : str
        Citation, or how the line was fitted; printed with every result.

    Raises
    ------
    InputError
        If the scale is not above 0 or the rate not below 0.

    Notes
    -----
    scale * exp(rate * M1) [1]_. No coefficients ship with the package: they belong to a species and a region.

    References
    ----------
    .. [1] Black, B. A. and Abrams, M. D. (2003). Use of boundary-line growth patterns as a basis for
       dendroecological release criteria. Ecological Applications 13:1733-1749. (Idea from the abstract.)

    Examples
    --------
    >>> BoundaryLine(900.0, -1.3, "illustration").at(1.0).round(1)
    np.float64(245.3)
    """

    scale_percent: float
    rate_per_mm: float
    source: str

    def __post_init__(self) -> None:
        require_positive("BoundaryLine", scale_percent=self.scale_percent)
        if not self.rate_per_mm < 0:
            need, do = "below 0 [1/mm]", "The line falls with prior growth: change the sign."
            raise InputError(Fault(show(self.rate_per_mm), need, do, "BoundaryLine", 0, "rate_per_mm"))

    def at(self, prior_growth_mm: ArrayLike) -> Array:
        """Height of the line.

        Parameters
        ----------
        prior_growth_mm : array-like
            Mean growth before the change [mm].

        Returns
        -------
        numpy.ndarray
            Largest change [percent].
        """
        return np.asarray(self.scale_percent * np.exp(self.rate_per_mm * np.asarray(prior_growth_mm, dtype=np.float64)))


def boundary_share(
    widths_mm: ArrayLike, line: BoundaryLine, *, window_years: int = 10, direction: str = Direction.RELEASE
) -> Array:
    """Percent change as a share of the boundary line at the same prior growth [percent of the line]."""
    before, after = _oriented(widths_mm, window_years, direction)
    return np.asarray(100.0 * _percent(before, after) / line.at(before))


def fit_boundary_line(widths_mm: Sequence[ArrayLike], *, window_years: int = 10) -> BoundaryLine:
    """Fit a boundary line to the ring series of one species.

    Parameters
    ----------
    widths_mm : sequence of array-like
        Ring series [mm], each oldest first.
    window_years : int, default 10
        Length of the windows before and after [years].

    Returns
    -------
    BoundaryLine
        Exponential through the mean of the ten largest changes in each class of 0.5 mm prior growth.

    Raises
    ------
    InputError
        If fewer than three classes hold ten increases, or the upper edge does not fall.

    Warns
    -----
    ModelWarning
        If there are fewer than 50,000 widths [1]_: the line is then low and results call too many releases.

    References
    ----------
    .. [1] Black, B. A., Abrams, M. D., Rentch, J. S. and Gould, P. J. (2009). Properties of boundary-line
       release criteria in North American tree species. Annals of Forest Science 66:205. (Abstract.)

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> prior = rng.uniform(0.1, 2.9, 4000)
    >>> change = 900 * np.exp(-1.3 * prior) * np.sqrt(rng.random(4000))
    >>> line = fit_boundary_line([[m] * 10 + [m * (1 + c / 100)] * 10 for m, c in zip(prior, change)])
    >>> round(line.rate_per_mm, 1), line.source
    (-1.3, "fitted to 80000 widths of the user's own trees")
    """
    where = "fit_boundary_line"
    pairs = [window_means(widths, window_years=window_years) for widths in widths_mm]
    before, after = np.concatenate(pairs, axis=1) if pairs else np.empty((2, 0))
    rising = (after > before) & (before > 0)
    prior, change = before[rising], 100.0 * (after[rising] - before[rising]) / before[rising]
    classes = np.floor(prior / LINE_BIN_MM)
    edge = []
    for number in np.unique(classes):
        inside = np.flatnonzero(classes == number)
        if inside.size >= LINE_TOP:
            top = inside[np.argsort(change[inside])[-LINE_TOP:]]
            edge.append((prior[top].mean(), change[top].mean()))
    if len(edge) < 3:
        need = f"at least 3 classes of {LINE_BIN_MM} mm with {LINE_TOP} increases each"
        raise InputError(Fault(f"{len(edge)} classes", need, "Pool more trees of the species.", where, 0, "widths_mm"))
    total = sum(np.size(widths) for widths in widths_mm)
    if total < ENOUGH_WIDTHS:
        need = f"need about {ENOUGH_WIDTHS} for a stable line; treat its classes as low."
        text = f"{where}: got {total} widths, {need}"
        warnings.warn(text, ModelWarning, stacklevel=2)
    points = np.array(edge)
    rate, log_scale = np.polyfit(points[:, 0], np.log(points[:, 1]), 1)
    return BoundaryLine(float(np.exp(log_scale)), float(rate), f"fitted to {total} widths of the user's own trees")


# ------------------------------------------------------------------ criteria


@dataclass(frozen=True)
class ChangeCriterion:
    """One rule by which a change of growth counts as a release or a suppression.

    Parameters
    ----------
    name : str
        Name in the tables.
    kind : {"percent", "absolute", "sustained", "boundary"}
        What is measured.
    moderate, major : float
        Lowest value of the two classes: percent, mm per year for absolute, percent of the line for boundary. Without a
        second class (major None) every event is called moderate.
    source : str
        Where the thresholds come from; printed with every table.
    window_years : int, default 10
        Length of the windows before and after [years].
    line : BoundaryLine, optional
        Needed for kind "boundary".

    Raises
    ------
    InputError
        If the kind is unknown, a threshold is not above 0, major is below moderate, the window is not a whole number of
        at least 1 year or the line is missing.

    Examples
    --------
    >>> rule = ChangeCriterion("percent", "percent", 25.0, 50.0, "own choice")
    >>> float(rule.measure([1.0] * 10 + [1.6] * 10)[9].round(6))
    60.0
    """

    name: str
    kind: str
    moderate: float
    major: float | None
    source: str
    window_years: int = 10
    line: BoundaryLine | None = None

    def __post_init__(self) -> None:
        where = "ChangeCriterion"
        major = self.moderate if self.major is None else self.major
        require_positive(where, moderate=self.moderate, major=major)
        require_whole(where, "window_years", self.window_years, 1)
        if self.kind not in list(ChangeKind):
            need = f"one of {', '.join(ChangeKind)}"
            raise InputError(Fault(show(self.kind), need, "Choose one.", where, 0, "kind"))
        if major < self.moderate:
            need = f"at least the moderate threshold {self.moderate:g}"
            raise InputError(Fault(show(self.major), need, "Swap the two.", where, 0, "major"))
        if self.kind == ChangeKind.BOUNDARY and self.line is None:
            do = "Pass BoundaryLine(scale, rate, citation), or fit one with fit_boundary_line."
            raise InputError(Fault("no boundary line", "one for the species", do, where, 0, "line"))

    def measure(self, widths_mm: ArrayLike, *, direction: str = Direction.RELEASE) -> Array:
        """Value of the criterion after each year.

        Parameters
        ----------
        widths_mm : array-like, shape (n,)
            Ring widths [mm], oldest first, at least 0.
        direction : {"release", "suppression"}, default "release"
            What is looked for; a suppression is measured as a release of the series read backwards.

        Returns
        -------
        numpy.ndarray, shape (n,)
            Value in the unit of the criterion; NaN at the edges, where a window is not complete.

        Raises
        ------
        InputError
            If a width is negative or the direction is unknown.
        """
        if self.line is not None and self.kind == ChangeKind.BOUNDARY:
            return boundary_share(widths_mm, self.line, window_years=self.window_years, direction=direction)
        measures = {
            ChangeKind.PERCENT: percent_change,
            ChangeKind.ABSOLUTE: absolute_change,
            ChangeKind.SUSTAINED: sustained_change,
        }
        return measures[ChangeKind(self.kind)](widths_mm, window_years=self.window_years, direction=direction)


def absolute_threshold(widths_mm: Sequence[ArrayLike], *, factor: float = 1.25, window_years: int = 10) -> float:
    """Threshold of the absolute increase from the spread of all changes in the data.

    Parameters
    ----------
    widths_mm : sequence of array-like
        Ring series of one species [mm], each oldest first.
    factor : float, default 1.25
        Multiple of the standard deviation of all changes (1.25: Fraver and White 2005, from memory).
    window_years : int, default 10
        Length of the windows [years].

    Returns
    -------
    float
        Threshold [mm per year].

    Raises
    ------
    InputError
        If no series is long enough for two windows.

    Examples
    --------
    >>> absolute_threshold([[1.0, 1.0, 2.0, 2.0, 1.0, 1.0]], window_years=2).__round__(3)
    1.021
    """
    changes = [absolute_change(widths, window_years=window_years) for widths in widths_mm]
    pooled = np.concatenate(changes) if changes else np.empty(0)
    pooled = pooled[np.isfinite(pooled)]
    if pooled.size < 2:
        need = f"series of at least {2 * window_years + 1} rings"
        do = "Use longer series or a shorter window."
        raise InputError(Fault(f"{pooled.size} changes", need, do, "absolute_threshold", 0, "widths_mm"))
    return float(factor * pooled.std())


def common_criteria(widths_mm: Sequence[ArrayLike], *, line: BoundaryLine | None = None) -> tuple[ChangeCriterion, ...]:
    """Criteria in common use, their thresholds with sources.

    Parameters
    ----------
    widths_mm : sequence of array-like
        Ring series of the species [mm]; the absolute threshold is read from them.
    line : BoundaryLine, optional
        Adds the boundary-line criterion.

    Returns
    -------
    tuple of ChangeCriterion
        percent (25 and 50 %), absolute (one class: 1.25 times the standard deviation of all changes), sustained (50 and
        100 %), and boundary (20 and 50 % of the line) if a line is given.

    Raises
    ------
    InputError
        If no series is long enough for two windows of 10 years.

    Notes
    -----
    The methods disagree by design; agreement of several is the evidence. All class limits are quoted from
    memory.

    Examples
    --------
    >>> [rule.name for rule in common_criteria([[1.0] * 15 + [1.5] * 15])]
    ['percent', 'absolute', 'sustained']
    """
    level = max(absolute_threshold(widths_mm), LEAST_CHANGE_MM)
    criteria = [
        ChangeCriterion("percent", ChangeKind.PERCENT, 25.0, 50.0, f"Nowacki and Abrams 1997, {FROM_MEMORY}"),
        ChangeCriterion("absolute", ChangeKind.ABSOLUTE, level, None, f"Fraver and White 2005, 1.25 SD, {FROM_MEMORY}"),
        ChangeCriterion("sustained", ChangeKind.SUSTAINED, 50.0, 100.0, f"Lorimer and Frelich 1989, {FROM_MEMORY}", 15),
    ]
    if line is not None:
        source = f"Black and Abrams 2003, {FROM_MEMORY}; line: {line.source}"
        criteria.append(ChangeCriterion("boundary", ChangeKind.BOUNDARY, 20.0, 50.0, source, 10, line))
    return tuple(criteria)


# ------------------------------------------------------------------ changes in many trees


@keeps_tables
@dataclass(frozen=True)
class GrowthChanges(Result):
    """Releases or suppressions of a set of trees, all criteria side by side; from `find_changes`.

    Parameters
    ----------
    direction : str
        release or suppression.
    events : pandas.DataFrame
        One row per event: tree, year (last year of the earlier window, at the peak of the run), criterion,
        value, class (moderate, major), agreeing (number of criteria with an event of this tree within 2
        years), at_risk (trees whose series can show a change in that year), share_same_years, common_year.
    at_risk : pandas.DataFrame
        Years in rows, criteria in columns: number of trees that can show a change.
    criteria : tuple of ChangeCriterion
        The rules used.
    decade_risk : pandas.DataFrame
        Decades in rows, criteria in columns: number of different trees that can show a change in the decade.
    """

    direction: str
    events: pd.DataFrame
    at_risk: pd.DataFrame
    criteria: tuple[ChangeCriterion, ...]
    decade_risk: pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """One row an event, with the source of its threshold."""
        sources = {criterion.name: criterion.source for criterion in self.criteria}
        return self.events.assign(source=self.events["criterion"].map(sources))

    def by_decade(self, *, prob: float = 0.9) -> pd.DataFrame:
        """Share of trees with an event in each decade, with sample depth.

        Parameters
        ----------
        prob : float, default 0.9
            Probability of the interval.

        Returns
        -------
        pandas.DataFrame
            criterion, decade, at_risk (different trees that can show a change in some year of the decade),
            trees (those with an event), percent, percent_lo, percent_hi (Jeffreys interval for the share).

        Notes
        -----
        A tree that can show a change in a few years of the decade only counts in full, so at either end of the
        series the share is low rather than high.
        """
        rows = []
        for criterion in self.decade_risk.columns:
            events = self.events[self.events["criterion"] == criterion]
            counts = events.groupby(events["year"] // 10 * 10)["tree"].nunique()
            for decade, depth in self.decade_risk[criterion].items():
                trees = int(counts.get(decade, 0))
                low, high = share_interval(trees, int(depth), prob=prob) if depth else (np.nan, np.nan)
                percent = 100.0 * trees / depth if depth else np.nan
                rows.append((criterion, decade, int(depth), trees, percent, 100 * low, 100 * high))
        kinds = {"criterion": str, "decade": int, "at_risk": int, "trees": int}
        kinds |= dict.fromkeys(("percent", "percent_lo", "percent_hi"), float)
        return pd.DataFrame(rows, columns=list(kinds)).astype({name: kinds[name] for name in list(kinds)[1:]})

    def sentence(self) -> str:
        """Events by criterion and the number in common years."""
        counts = self.events["criterion"].value_counts()
        parts = ", ".join(f"{criterion.name} {counts.get(criterion.name, 0)}" for criterion in self.criteria)
        common = int(self.events["common_year"].sum())
        return (
            f"{self.direction.capitalize()}s by criterion: {parts}; {common} of {len(self.events)} fall in "
            "years when many trees change together, which may be weather."
        )


@public
def find_changes(
    series: Mapping[str, CoreWidths],
    *,
    criteria: Sequence[ChangeCriterion] | None = None,
    direction: str = "release",
    common_share: float = 0.5,
) -> GrowthChanges:
    """Find releases or suppressions in the ring series of many trees.

    Parameters
    ----------
    series : mapping of str to CoreWidths
        One series a tree (`GrowthHistory.series`, or its best core).
    criteria : sequence of ChangeCriterion, optional
        Rules; `common_criteria` of these series by default.
    direction : {"release", "suppression"}, default "release"
        What is looked for.
    common_share : float, default 0.5
        Share of the trees at risk with an event within 2 years from which the year is marked as common
        (choice).

    Returns
    -------
    GrowthChanges
        Events, sample depth and the rules.

    Raises
    ------
    InputError
        If there is no series or one is no CoreWidths, the direction is unknown, there are no criteria or two have one
        name, or no series is long enough for the default criteria.

    Notes
    -----
    Years in a row above the moderate threshold are one run, however long; its highest value is the event. Of runs
    of one tree and criterion whose highest values lie less than a window apart the highest is kept. Years within
    a window of either end of a series cannot show an event and do not count as at risk. Years are those of the rings as
    counted: those of trees that are not crossdated err (`GrowthHistory.calendar_years`), and such trees make common
    years look rarer than they were. A common year may be
    weather or a disturbance of the whole stand: rings cannot tell.

    Examples
    --------
    >>> series = {"T1": CoreWidths(range(1901, 1941), [1.0] * 20 + [2.0] * 20)}
    >>> found = find_changes(series, criteria=[ChangeCriterion("percent", "percent", 25.0, 50.0, "own choice")])
    >>> found.events[["year", "value", "class"]].to_numpy().tolist()
    [[1920, 100.0, 'major']]
    """
    if not series:
        raise InputError(Fault("no series", "at least one tree", "Pass ring widths.", "find_changes", 0, "series"))
    for tree, core in series.items():
        if not isinstance(core, CoreWidths):
            got, do = kind_of(core), "Pass growth.series() of a GrowthHistory."
            raise InputError(Fault(got, "CoreWidths", do, "find_changes", 0, "series", f"tree {tree}"))
    rules = tuple(criteria) if criteria is not None else common_criteria([core.widths_mm for core in series.values()])
    if not rules:
        raise InputError(Fault("no criterion", "at least one", "Leave criteria out.", "find_changes", 0, "criteria"))
    names = [rule.name for rule in rules]
    if len(set(names)) < len(names):
        got, do = f"the names {', '.join(names)}", "Rename one: trees at risk are counted by name."
        raise InputError(Fault(got, "one name for each criterion", do, "find_changes", 0, "criteria"))
    require_positive("find_changes", common_share=common_share)
    rows: list[tuple[object, ...]] = []
    risk: dict[str, list[int]] = {rule.name: [] for rule in rules}
    decades: dict[str, list[int]] = {rule.name: [] for rule in rules}
    for tree, core in series.items():
        years = np.asarray(core.years)
        for rule in rules:
            value = rule.measure(core.widths_mm, direction=direction)
            known = years[np.isfinite(value)]
            risk[rule.name] += known.tolist()
            decades[rule.name] += np.unique(known // 10 * 10).tolist()
            for position in _peaks(value, rule.moderate, rule.window_years):
                level = "major" if rule.major is not None and value[position] >= rule.major else "moderate"
                rows.append((tree, int(years[position]), rule.name, float(value[position]), level))
    events = pd.DataFrame(rows, columns=["tree", "year", "criterion", "value", "class"])
    at_risk, decade_risk = _tally(risk, "year"), _tally(decades, "decade")
    return GrowthChanges(direction, _mark(events, at_risk, common_share), at_risk, rules, decade_risk)


def _peaks(value: Array, threshold: float, window_years: int) -> list[int]:
    """Position of the highest value of each run above the threshold, without those within a window of a higher one."""
    above = np.isfinite(value) & (value >= threshold)
    change = np.flatnonzero(np.diff(above, prepend=False, append=False))
    tops = [int(start + np.argmax(value[start:stop])) for start, stop in change.reshape(-1, 2)]
    peaks: list[int] = []
    for top in sorted(tops, key=lambda position: -value[position]):
        if all(abs(top - peak) >= window_years for peak in peaks):
            peaks.append(top)
    return sorted(peaks)


def _tally(times: Mapping[str, list[int]], name: str) -> pd.DataFrame:
    """How often each time occurs: times in rows, criteria in columns."""
    counts = {rule: pd.Series(found, dtype=np.int64).value_counts() for rule, found in times.items()}
    return pd.DataFrame(counts).sort_index().fillna(0).astype(int).rename_axis(name)


def _mark(events: pd.DataFrame, at_risk: pd.DataFrame, common_share: float) -> pd.DataFrame:
    """Add agreement between criteria, sample depth and the common-year mark."""
    years, trees = events["year"].to_numpy(), events["tree"].to_numpy()
    names = events["criterion"].to_numpy()
    agreeing, depth, share = [], [], []
    for year, tree, name in zip(years, trees, names, strict=True):
        near = np.abs(years - year) <= NEAR_YEARS
        agreeing.append(len(set(names[near & (trees == tree)])))
        depth.append(int(at_risk[name].get(year, 0)))
        share.append(len(set(trees[near & (names == name)])) / max(1, depth[-1]))
    shares = np.minimum(np.asarray(share, dtype=np.float64), 1.0)
    common = (shares >= common_share) & (np.asarray(depth, dtype=np.int64) >= FEWEST_AT_RISK)
    return events.assign(agreeing=agreeing, at_risk=depth, share_same_years=shares, common_year=common)


def share_interval(successes: int, trials: int, *, prob: float = 0.9) -> tuple[float, float]:
    """Jeffreys interval for a share of at least one trial: beta quantiles; 0 and 1 at the extremes."""
    first, second = successes + 0.5, trials - successes + 0.5
    _, low, high = interval_levels(require_level("share_interval", "prob", prob))
    return (
        0.0 if successes == 0 else float(betaincinv(first, second, low)),
        1.0 if successes == trials else float(betaincinv(first, second, high)),
    )


def canopy_residence_years(percent_per_decade: ArrayLike) -> Array:
    """Mean canopy residence from the share of trees that reach the canopy in a decade.

    Parameters
    ----------
    percent_per_decade : array-like
        Share of the sampled trees [percent per decade], above 0.

    Returns
    -------
    numpy.ndarray
        Residence [years].

    Raises
    ------
    InputError
        If a share is not above 0.

    Notes
    -----
    100 * 10 / rate [1]_; assumes a steady state.

    References
    ----------
    .. [1] Lorimer, C. G. and Frelich, L. E. (1989). A methodology for estimating canopy disturbance
       frequency and intensity in dense temperate forests. Canadian Journal of Forest Research 19:651-663.
       (Abstract.)

    Examples
    --------
    >>> canopy_residence_years([5.7, 6.9]).round().tolist()
    [175.0, 145.0]
    """
    (percent,) = require_positive("canopy_residence_years", percent_per_decade=percent_per_decade)
    return np.asarray(1000.0 / percent)


# ------------------------------------------------------------------ origin from early growth


@dataclass(frozen=True)
class OriginCalibration:
    """Early growth of saplings known to stand in gaps and under a canopy; from `calibrate_origin`.

    Parameters
    ----------
    log_gap, log_suppressed : float
        Mean logarithm of the early growth [log mm per year] in gaps and under the canopy.
    log_sd : float
        Pooled standard deviation of the logarithm, above 0.
    source : str
        Which saplings: printed with every result.

    Notes
    -----
    Two normal distributions of log growth with one spread and equal weight: the odds of gap origin are a
    straight line in log growth. Thresholds belong to a species and a site; none ships with the package.
    """

    log_gap: float
    log_suppressed: float
    log_sd: float
    source: str

    @property
    def threshold_mm(self) -> float:
        """Early growth at which both origins are equally likely [mm per year]."""
        return float(np.exp((self.log_gap + self.log_suppressed) / 2))

    @property
    def error_share(self) -> float:
        """Share of saplings that the threshold puts on the wrong side, expected under the two distributions."""
        return float(ndtr(-abs(self.log_gap - self.log_suppressed) / (2 * self.log_sd)))

    def gap_probability(self, growth_mm: ArrayLike) -> Array:
        """Probability of gap origin at an early growth.

        Parameters
        ----------
        growth_mm : array-like
            Early growth [mm per year], at least 0.

        Returns
        -------
        numpy.ndarray
            Probability with both origins equally likely beforehand.
        """
        log_growth = np.log(np.maximum(np.asarray(growth_mm, dtype=np.float64), 1e-6))
        middle = (self.log_gap + self.log_suppressed) / 2
        return np.asarray(expit((log_growth - middle) * (self.log_gap - self.log_suppressed) / self.log_sd**2))


def calibrate_origin(gap_growth_mm: ArrayLike, suppressed_growth_mm: ArrayLike, *, source: str) -> OriginCalibration:
    """Calibrate the origin of trees on saplings of known light.

    Parameters
    ----------
    gap_growth_mm, suppressed_growth_mm : array-like, at least 3 values each
        Mean radial growth of saplings in gaps and under a canopy, measured as `early_growth` does [mm per
        year], above 0.
    source : str
        Which saplings, printed with every result.

    Returns
    -------
    OriginCalibration
        Means and pooled spread of the logarithms.

    Raises
    ------
    InputError
        If a group has fewer than 3 saplings or gap saplings do not grow faster.

    Examples
    --------
    >>> calibration = calibrate_origin([2.0, 1.8, 2.2], [0.5, 0.6, 0.4], source="own saplings")
    >>> round(calibration.threshold_mm, 2), bool(calibration.gap_probability(1.8) > 0.99)
    (0.99, True)
    """
    where = "calibrate_origin"
    gap, low = require_positive(where, gap_growth_mm=gap_growth_mm, suppressed_growth_mm=suppressed_growth_mm)
    if gap.size < 3 or low.size < 3:
        got = f"{gap.size} gap and {low.size} suppressed saplings"
        raise InputError(Fault(got, "at least 3 of each", "Measure more saplings.", where, 0, "gap_growth_mm"))
    log_gap, log_low = np.log(gap), np.log(low)
    if log_gap.mean() <= log_low.mean():
        got = f"gap mean {gap.mean():g} mm, suppressed mean {low.mean():g} mm"
        raise InputError(Fault(got, "faster growth in gaps", "Swap the two groups?", where, 0, "gap_growth_mm"))
    squares = ((log_gap - log_gap.mean()) ** 2).sum() + ((log_low - log_low.mean()) ** 2).sum()
    sd = float(np.sqrt(max(squares / (gap.size + low.size - 2), 1e-6)))
    return OriginCalibration(float(log_gap.mean()), float(log_low.mean()), sd, source)


def early_growth(
    core: CoreWidths, *, diameter_cm: float = 4.0, span_years: int = 5, count: int = 400, seed: int = 0
) -> Array:
    """Mean radial growth in the years after the stem reached a small diameter.

    Parameters
    ----------
    core : CoreWidths
        Ring widths of the tree.
    diameter_cm : float, default 4.0
        Inside-bark diameter at which the span begins [cm] (4: Lorimer et al. 1988 [1]_).
    span_years : int, default 5
        Length of the span [years] (5: the same).
    count : int, default 400
        Draws of the distance to the pith.
    seed : int, default 0
        Seed of the draws.

    Returns
    -------
    numpy.ndarray, shape (count,)
        Growth [mm per year]; NaN where the diameter was reached in the part of the core that was not seen,
        or too late.

    Raises
    ------
    InputError
        If the diameter is not above 0, or span or count is not a whole number of at least 1.

    References
    ----------
    .. [1] Lorimer, C. G., Frelich, L. E. and Nordheim, E. V. (1988). Estimating gap origin probabilities for
       canopy trees. Ecology 69:778-785. (Abstract.)

    Examples
    --------
    >>> core = CoreWidths(range(1900, 1940), [2.0] * 20 + [1.0] * 20)
    >>> early_growth(core, count=1).tolist()
    [2.0]
    """
    require_positive("early_growth", diameter_cm=diameter_cm)
    require_whole("early_growth", "span_years", span_years, 1)
    require_whole("early_growth", "count", count, 1)
    widths = np.asarray(core.widths_mm)
    sums = np.concatenate([[0.0], np.cumsum(widths)])
    distance = core.distance_draws(count, np.random.default_rng(require_seed("early_growth", seed)))
    start = np.searchsorted(sums, 5.0 * diameter_cm - distance, side="left")
    known = (distance <= 5.0 * diameter_cm) & (start + span_years < sums.size)
    at = np.where(known, start, 0)
    stop = np.minimum(at + span_years, sums.size - 1)
    return np.where(known, (sums[stop] - sums[at]) / span_years, np.nan)


@keeps_tables
@dataclass(frozen=True)
class OriginTable(Result):
    """Probability of gap origin of a set of trees; from `classify_origins`.

    Parameters
    ----------
    frame : pandas.DataFrame
        tree, early_growth_mm (median), p_gap (mean over draws that show the span), share_seen (share of
        draws that do), origin (gap, suppressed, unclear, not seen).
    calibration : OriginCalibration
        What the probabilities rest on.
    """

    _digits = 2

    frame: pd.DataFrame
    calibration: OriginCalibration

    def to_frame(self) -> pd.DataFrame:
        """One row a tree, with the source of the calibration."""
        return self.frame.assign(source=self.calibration.source)

    def sentence(self) -> str:
        """Trees by origin and the quality of the calibration."""
        counts = self.frame["origin"].value_counts()
        parts = ", ".join(f"{counts.get(origin.value, 0)} {origin}" for origin in Origin)
        return (
            f"Origin of {len(self.frame)} trees: {parts}; threshold "
            f"{self.calibration.threshold_mm:.2f} mm a year, {100 * self.calibration.error_share:.0f} % of the "
            "calibration saplings expected on the wrong side."
        )


def classify_origins(
    series: Mapping[str, CoreWidths],
    calibration: OriginCalibration,
    *,
    diameter_cm: float = 4.0,
    span_years: int = 5,
    sure: float = 0.8,
    seed: int = 0,
) -> OriginTable:
    """Probability that each tree grew up in a gap.

    Parameters
    ----------
    series : mapping of str to CoreWidths
        One series a tree (`GrowthHistory.series`, or its best core).
    calibration : OriginCalibration
        Saplings of the same species and region (`calibrate_origin`).
    diameter_cm : float, default 4.0
        Inside-bark diameter at which early growth is read [cm]; must be that of the saplings.
    span_years : int, default 5
        Length of the span [years]; must be that of the saplings.
    sure : float, default 0.8
        Probability from which a tree is named gap or suppressed (choice); between, it is unclear.
    seed : int, default 0
        Seed of the draws of the pith distance.

    Returns
    -------
    OriginTable
        Probabilities and names.

    Raises
    ------
    InputError
        If there is no series, the diameter is not above 0, the span is not a whole number of at least 1, or sure is not
        between 0 and 1.

    Notes
    -----
    A tree whose core does not reach the span in at least half of the draws is "not seen", never guessed.

    Examples
    --------
    >>> calibration = calibrate_origin([2.0, 1.8, 2.2], [0.5, 0.6, 0.4], source="own saplings")
    >>> series = {"fast": CoreWidths(range(1900, 1940), [2.1] * 40), "slow": CoreWidths(range(1900, 1960), [0.5] * 60)}
    >>> classify_origins(series, calibration).to_frame()["origin"].tolist()
    ['gap', 'suppressed']
    """
    if not series:
        raise InputError(Fault("no series", "at least one tree", "Pass ring widths.", "classify_origins", 0, "series"))
    require_level("classify_origins", "sure", sure)
    seed = require_seed("classify_origins", seed)
    place = {tree: at for at, tree in enumerate(sorted(series, key=str))}  # the order of trees never matters
    rows = []
    for tree, core in series.items():
        growth = early_growth(core, diameter_cm=diameter_cm, span_years=span_years, seed=seed + place[tree])
        seen = np.isfinite(growth)
        share = float(seen.mean())
        chance = float(calibration.gap_probability(growth[seen]).mean()) if seen.any() else float("nan")
        median = float(np.median(growth[seen])) if seen.any() else float("nan")
        rows.append((tree, median, chance, share, _origin(chance, share, sure).value))
    names = ["tree", "early_growth_mm", "p_gap", "share_seen", "origin"]
    return OriginTable(pd.DataFrame(rows, columns=names), calibration)


def _origin(chance: float, seen: float, sure: float) -> Origin:
    """Name the origin from its probability, if at least half of the draws show the span."""
    if seen < 0.5:
        return Origin.NOT_SEEN
    if chance >= sure:
        return Origin.GAP
    return Origin.SUPPRESSED if chance <= 1 - sure else Origin.UNCLEAR
