"""Trees and events: chance that each tree established after an event, trees within k years of it, and the lag.

Layer 3. Own derivation on joint draws.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.display import html_block
from treeage.errors import Fault, InputError, require_probability
from treeage.stand_shared import check_draws

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

LONGEST_LAG = 100  # choice: a tree that comes later is not counted as an answer to the event [years]


@dataclass(frozen=True)
class EventResponse:
    """Establishment of trees after events.

    Parameters
    ----------
    events : dict of str to int
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

    events: dict[str, int]
    after: NDArray[np.float64]
    within_years: tuple[int, ...]
    counts: NDArray[np.float64]
    lag_quantiles: NDArray[np.float64]
    trees: tuple[str, ...]
    prob: float

    def to_frame(self) -> pd.DataFrame:
        """Table of the events.

        Returns
        -------
        pandas.DataFrame
            One row per event: event, year, expected number of trees after it, trees within each window
            (median, lo, hi), lag of the first tree, of the median tree and of 90 % of them (median, lo, hi)
            [years], prob.
        """
        import pandas as pd

        tails = [0.5, (1 - self.prob) / 2, 1 - (1 - self.prob) / 2]
        rows = []
        for number, (event, year) in enumerate(self.events.items()):
            row: dict[str, object] = {"event": event, "year": year, "trees_after": self.after[:, number].sum()}
            parts = [(f"within_{k}_years", self.counts[:, number, at]) for at, k in enumerate(self.within_years)]
            names = ("lag_first", "lag_median", "lag_90_percent")
            parts += [(name, self.lag_quantiles[:, number, at]) for at, name in enumerate(names)]
            for name, draws in parts:
                known = draws[np.isfinite(draws)]
                ends = np.quantile(known, tails, method="inverted_cdf") if known.size > draws.size / 2 else [np.nan] * 3
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
        """State the answer to each event in one sentence.

        Returns
        -------
        str
            Trees within the longest window, and the median lag.
        """
        parts = []
        name = f"within_{self.within_years[-1]}_years"
        for row in self.to_frame().to_dict("records"):
            lag = f", median lag {row['lag_median_median']:.0f} years" if np.isfinite(row["lag_median_median"]) else ""
            parts.append(
                f"{row['event']} ({row['year']}): {row[name + '_median']:.0f} ({row[name + '_lo']:.0f} to "
                f"{row[name + '_hi']:.0f}) of {len(self.trees)} trees within {self.within_years[-1]} years{lag}"
            )
        return f"{'; '.join(parts)}. Following an event is not proof of being caused by it; survivors only."

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the lags after each event.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure by default.

        Returns
        -------
        matplotlib.axes.Axes
            The axes drawn on.
        """
        from treeage.plots_stand import plot_events

        return plot_events(self, ax=ax)

    def _repr_html_(self) -> str:
        return html_block(self.to_frame(), sentence=self.sentence())


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
        Name and year of each event.
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
        If the draws are malformed or there is no event.

    Notes
    -----
    After means at least one growing season later: lag = establishment year - event year, counted from 1. Dates
    between whole years (`sharpened_dates`) belong to the nearest, so a tree of the event year itself is not after it.
    Event years are taken as known; the shared dating error moves all lags together.

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
    ordered = dict(sorted(events.items(), key=lambda item: item[1]))
    years = np.array(list(ordered.values()))
    after = (array[:, :, None] > years).mean(axis=0)
    windows = tuple(sorted(int(window) for window in within_years))
    counts = np.empty((dates.shape[0], years.size, len(windows)))
    lags = np.empty((dates.shape[0], years.size, 3))
    for number, year in enumerate(years):
        lag = np.rint(dates) - year
        for at, window in enumerate(windows):
            counts[:, number, at] = ((lag >= 1) & (lag <= window)).sum(axis=1)
        later = years[years > year]
        limit = min(LONGEST_LAG, int(later[0] - year)) if later.size else LONGEST_LAG
        lags[:, number] = _lag_quantiles(np.where((lag >= 1) & (lag <= limit), lag, np.nan))
    names = tuple(map(str, trees)) if trees is not None else tuple(map(str, range(array.shape[1])))
    return EventResponse(ordered, after, windows, counts, lags, names, prob)


def _lag_quantiles(lag: NDArray[np.float64]) -> NDArray[np.float64]:
    """First, median and 90 % lag of each row, NaN for rows without any."""
    out = np.full((lag.shape[0], 3), np.nan)
    some = np.isfinite(lag).any(axis=1)
    if some.any():
        out[some, 0] = np.nanmin(lag[some], axis=1)
        out[some, 1:] = np.nanquantile(lag[some], [0.5, 0.9], axis=1).T
    return out
