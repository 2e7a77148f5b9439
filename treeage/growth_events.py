"""Releases and suppressions of many trees, criteria side by side, with sample depth and common years.

Layer 3. Thresholds carry their source; runs, masking and the common-year mark are own derivation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv

from treeage.display import html_block
from treeage.errors import Fault, InputError, require_positive
from treeage.growth_criteria import ChangeCriterion, common_criteria
from treeage.growth_history import CoreWidths

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

NEAR_YEARS = 2  # choice: changes this close in two trees count as one date
FEWEST_TREES = 5  # choice: below this number a common year cannot be told from chance


@dataclass(frozen=True)
class GrowthChanges:
    """Releases or suppressions of a set of trees, all criteria side by side.

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
        """Table of events.

        Returns
        -------
        pandas.DataFrame
            One row per event, with the source of its threshold.
        """
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
        import pandas as pd

        rows = []
        for criterion in self.decade_risk.columns:
            events = self.events[self.events["criterion"] == criterion]
            counts = events.groupby(events["year"] // 10 * 10)["tree"].nunique()
            for decade, depth in self.decade_risk[criterion].items():
                trees = int(counts.get(decade, 0))
                low, high = share_interval(trees, int(depth), prob=prob) if depth else (np.nan, np.nan)
                percent = 100.0 * trees / depth if depth else np.nan
                rows.append((criterion, decade, int(depth), trees, percent, 100 * low, 100 * high))
        names = ["criterion", "decade", "at_risk", "trees", "percent", "percent_lo", "percent_hi"]
        return pd.DataFrame(rows, columns=names)

    def sentence(self) -> str:
        """State the result in one sentence.

        Returns
        -------
        str
            Events by criterion and the number in common years.
        """
        counts = self.events["criterion"].value_counts()
        parts = ", ".join(f"{criterion.name} {counts.get(criterion.name, 0)}" for criterion in self.criteria)
        common = int(self.events["common_year"].sum())
        return (
            f"{self.direction.capitalize()}s by criterion: {parts}; {common} of {len(self.events)} fall in "
            "years when many trees change together, which may be weather."
        )

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the share of trees with an event by decade and the sample depth.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure by default.

        Returns
        -------
        matplotlib.axes.Axes
            The axes drawn on.
        """
        from treeage.plots_growth import plot_changes

        return plot_changes(self, ax=ax)

    def _repr_html_(self) -> str:
        return html_block(self.to_frame(), sentence=self.sentence(), digits=1)


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
        One series a tree (the mean of its cores, or its best core).
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
        If there is no series, the direction is unknown, or no series is long enough for the default criteria.

    Notes
    -----
    Years in a row above the moderate threshold are one run, however long; its highest value is the event. Of runs
    of one tree and criterion whose highest values lie less than a window apart the highest is kept. Years within
    a window of either end of a series cannot show an event and do not count as at risk. A common year may be
    weather or a disturbance of the whole stand: rings cannot tell.
    """
    import pandas as pd

    if not series:
        raise InputError(Fault("no series", "at least one tree", "Pass ring widths.", "find_changes", 0, "series"))
    rules = tuple(criteria) if criteria is not None else common_criteria([core.widths_mm for core in series.values()])
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
                level = "major" if value[position] >= rule.major else "moderate"
                rows.append((tree, int(years[position]), rule.name, float(value[position]), level))
    events = pd.DataFrame(rows, columns=["tree", "year", "criterion", "value", "class"])
    at_risk, decade_risk = _tally(risk, "year"), _tally(decades, "decade")
    return GrowthChanges(direction, _mark(events, at_risk, common_share), at_risk, rules, decade_risk)


def share_interval(successes: int, trials: int, *, prob: float = 0.9) -> tuple[float, float]:
    """Interval for a share from counts (Jeffreys).

    Parameters
    ----------
    successes, trials : int
        Trees with the event and trees at risk, the latter at least 1.
    prob : float, default 0.9
        Probability of the interval.

    Returns
    -------
    tuple of float
        Low and high end; 0 and 1 at the extremes.

    Notes
    -----
    Quantiles of the beta distribution with parameters successes + 1/2 and failures + 1/2.

    Examples
    --------
    >>> [round(end, 3) for end in share_interval(5, 10)]
    [0.262, 0.738]
    """
    tail = (1 - prob) / 2
    first, second = successes + 0.5, trials - successes + 0.5
    low = 0.0 if successes == 0 else float(betaincinv(first, second, tail))
    high = 1.0 if successes == trials else float(betaincinv(first, second, 1 - tail))
    return low, high


def canopy_residence_years(percent_per_decade: ArrayLike) -> NDArray[np.float64]:
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
    (rate,) = require_positive("canopy_residence_years", percent_per_decade=percent_per_decade)
    return np.asarray(1000.0 / rate)


def _peaks(value: NDArray[np.float64], threshold: float, window_years: int) -> list[int]:
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
    import pandas as pd

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
    common = (shares >= common_share) & (np.asarray(depth, dtype=np.int64) >= FEWEST_TREES)
    return events.assign(agreeing=agreeing, at_risk=depth, share_same_years=shares, common_year=common)
