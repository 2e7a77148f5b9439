"""Stand origin: the oldest tree as a bound, and when establishment began if it began at a steady rate.

Layer 3. Own derivation: start of a Poisson process seen through mass functions; a truncation point without
error.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.display import html_block
from treeage.errors import Fault, InputError, require_probability
from treeage.stand_intensity import YearGrid
from treeage.stand_recruitment import RecruitmentHistory
from treeage.stand_shared import SplitDraws, year_mass

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

EARLY_TREES = 12.0  # choice: the start is judged on about this many trees, few enough for a steady rate
EARLY_SDS = 3.0  # choice: and on at least this many standard deviations of a tree's own error
MOST_EMPTY = 500  # choice: cells before the oldest tree in which the origin is looked for, at most
RATES = np.geomspace(0.03, 30.0, 90)  # choice: early rates tried, as multiples of the plain one


@dataclass(frozen=True)
class StandOrigin:
    """When establishment of the stand began.

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
    """

    oldest: NDArray[np.float64]
    origin: NDArray[np.float64]
    lateness_years: float
    early_until: float
    trees: int
    prob: float

    def to_frame(self) -> pd.DataFrame:
        """Table of bound and estimate.

        Returns
        -------
        pandas.DataFrame, shape (2, 7)
            quantity (oldest tree, origin), year_median, year_lo, year_hi [year], bias_years (expected lateness against
            the true origin under the assumption; that of the estimate is then 0, which is no finding), assumption,
            prob.
        """
        import pandas as pd

        tails = [0.5, (1 - self.prob) / 2, 1 - (1 - self.prob) / 2]
        steady = f"steady from the origin to about {self.early_until:.0f}"
        rows = []
        for name, draws, bias in (("oldest tree", self.oldest, self.lateness_years), ("origin", self.origin, 0.0)):
            median, low, high = np.quantile(draws, tails)
            rows.append((name, median, low, high, bias, steady, self.prob))
        names = ["quantity", "year_median", "year_lo", "year_hi", "bias_years", "assumption", "prob"]
        return pd.DataFrame(rows, columns=names)

    def sentence(self) -> str:
        """State bound and estimate in one sentence.

        Returns
        -------
        str
            The bound that can be defended, then the estimate with its assumption.
        """
        frame = self.to_frame().set_index("quantity")
        bound, start = frame.loc["oldest tree"], frame.loc["origin"]
        return (
            f"At least one of the {self.trees} trees had established by {np.ceil(bound['year_hi']):.0f}. "
            f"If establishment was steady from its beginning to about {self.early_until:.0f}, the origin is "
            f"{start['year_median']:.0f} ({start['year_lo']:.0f} to {start['year_hi']:.0f}), and the oldest tree is "
            f"expected {self.lateness_years:.1f} years later; after a slow start the origin is earlier. Older trees "
            "may have died or been missed."
        )

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the draws of the oldest tree and of the origin.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure by default.

        Returns
        -------
        matplotlib.axes.Axes
            The axes drawn on.
        """
        from treeage.plots_stand import plot_origin

        return plot_origin(self, ax=ax)

    def _repr_html_(self) -> str:
        return html_block(self.to_frame(), sentence=self.sentence())


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
    intensity; every tree through its own mass function, a flat prior on the origin and on the logarithm of
    the rate. With exact dates the posterior is proportional to (c - origin)**(-m) for m trees up to c: the
    truncation point of [1]_. The minimum of dates estimated one by one would be too early, since the largest
    error is the one that counts. Where the rate rises after the origin (a slow start), the true origin is
    earlier than the estimate.

    References
    ----------
    .. [1] Robson, D. S. and Whitlock, J. H. (1964). Estimation of a truncation point. Biometrika 51:33-39.
       (From memory.)
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
        mass = year_mass(split, node, first_year=wide.first_year, step_years=wide.step_years, size=wide.size)
        chances, rates = origin_chances(mass, later, cut)
        start, first = _oldest_draws(mass, later, cut, chances, rates, each, rng)
        shift = rng.choice(split.common[node], size=each)
        spread = grid.step_years * (rng.random((2, each)) - 0.5)
        origin.append(wide.centres[start] + shift + spread[0])
        oldest.append(np.maximum(wide.centres[first] + spread[1] + shift, origin[-1]))
        cuts.append(wide.centres[min(cut, wide.size - 1)])
    begun, eldest = np.concatenate(origin), np.concatenate(oldest)
    return StandOrigin(eldest, begun, float((eldest - begun).mean()), float(np.mean(cuts)), split.centre.size, prob)


def origin_chances(mass: ArrayLike, later: ArrayLike, cut: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Joint posterior of the start of a process and its early rate.

    Parameters
    ----------
    mass : array-like, shape (n, size)
        Mass of each tree's date over the cells of a grid.
    later : array-like, shape (size,)
        Expected trees in each cell, used from the cut on.
    cut : int
        Cell up to which the rate is steady, at least 1.

    Returns
    -------
    chances : numpy.ndarray, shape (cut, rates)
        Probability of each first cell and early rate; sums to 1.
    rates : numpy.ndarray, shape (rates,)
        Early rates [trees per cell].

    Raises
    ------
    InputError
        If the cut is below 1.

    Examples
    --------
    Three trees in cells 5, 7 and 9 of ten: the start is in one of the cells up to 5.

    >>> chances, rates = origin_chances(np.eye(10)[[5, 7, 9]], np.ones(10), 10)
    >>> chances.sum(axis=1).argmax(), bool(chances[6:].sum() < 1e-9)
    (np.int64(5), True)
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


def _early_cells(later: NDArray[np.float64], own_sd: float, grid: YearGrid) -> int:
    """Number of cells over which the rate is taken as steady."""
    total = np.cumsum(later)
    few = min(EARLY_TREES, total[-1] / 2)
    by_trees = int(np.searchsorted(total, few))
    by_error = int(np.searchsorted(total, min(1.0, few))) + int(np.ceil(EARLY_SDS * own_sd / grid.step_years))
    return max(2, min(max(by_trees, by_error), int(np.searchsorted(total, total[-1] * 0.9)), grid.size - 1))


def _padded(grid: YearGrid, later: NDArray[np.float64], cut: int) -> tuple[YearGrid, NDArray[np.float64], int]:
    """Add empty cells before the first tree, where the process may already have run."""
    more = min(max(2 * cut, 10), MOST_EMPTY)
    wide = YearGrid(grid.first_year - more * grid.step_years, grid.step_years, grid.size + more)
    return wide, np.concatenate([np.zeros(more), later]), cut + more


def _oldest_draws(
    mass: NDArray[np.float64],
    later: NDArray[np.float64],
    cut: int,
    chances: NDArray[np.float64],
    rates: NDArray[np.float64],
    count: int,
    rng: np.random.Generator,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
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
