"""Age structure from joint draws: trees per period with intervals, beside the naive histogram, and an honest bin.

Layer 3. Own derivation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.display import html_block
from treeage.errors import Fault, InputError, require_positive, require_probability, show
from treeage.stand_shared import check_draws

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

ROUND_BINS = (1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000)  # choice: bins that readers can count with


def share_in_own_bin(sd_years: ArrayLike, bin_years: ArrayLike) -> NDArray[np.float64]:
    """Share of a single-year pulse that stays in its own bin after dating error.

    Parameters
    ----------
    sd_years : array-like
        Standard deviation of the dating error [years], above 0.
    bin_years : array-like
        Width of the bin [years], above 0; the pulse sits at its centre.

    Returns
    -------
    numpy.ndarray
        Share from 0 to 1.

    Raises
    ------
    InputError
        If a value is not above 0.

    Notes
    -----
    erf(bin / (2 * sqrt(2) * sd)), for normal error.

    Examples
    --------
    >>> share_in_own_bin([2, 3, 5], 5).round(2).tolist()
    [0.79, 0.6, 0.38]
    """
    from scipy.special import erf

    sd, width = require_positive("share_in_own_bin", sd_years=sd_years, bin_years=bin_years)
    return np.asarray(erf(width / (2 * np.sqrt(2) * sd)))


def smallest_honest_bin(draws: ArrayLike) -> int:
    """Smallest round bin that the dating error of a set of trees can carry.

    Parameters
    ----------
    draws : array-like, shape (draws, n)
        Establishment years; one column a tree.

    Returns
    -------
    int
        Bin [years]: the first of 1, 2, 5, 10, 20, 25, 50, ... that is at least twice the typical standard
        deviation of a tree's date.

    Raises
    ------
    InputError
        If the draws are malformed.

    Notes
    -----
    Typical is the root mean square over trees, shared error included; with a bin of twice the standard
    deviation 68 % of a centred single-year pulse stays in its bin.

    Examples
    --------
    >>> smallest_honest_bin(np.random.default_rng(1).normal(1850, 4, (2000, 30)))
    10
    """
    typical = float(np.sqrt(check_draws("smallest_honest_bin", draws).var(axis=0).mean()))
    for width in ROUND_BINS:
        if width >= 2 * typical * (1 - 1e-9):
            return width
    return int(np.ceil(2 * typical / 1000) * 1000)


@dataclass(frozen=True)
class AgeStructure:
    """Trees by period of establishment.

    Parameters
    ----------
    edges : numpy.ndarray of int, shape (k + 1,)
        First year of each period, and the year after the last.
    counts : numpy.ndarray, shape (draws, k)
        Trees in each period in each joint draw.
    naive : numpy.ndarray, shape (k,)
        Trees by their median date.
    per_ha : numpy.ndarray or None, shape (draws, k)
        Trees per hectare; which trees were sampled varies between draws (Poisson bootstrap).
    naive_per_ha : numpy.ndarray or None, shape (k,)
        Trees per hectare by median date.
    typical_sd : float
        Root mean square of the standard deviations of the dates [years].
    honest_bin : int
        Smallest bin the error can carry [years].
    prob : float
        Probability of the intervals.
    """

    edges: NDArray[np.int64]
    counts: NDArray[np.float64]
    naive: NDArray[np.float64]
    per_ha: NDArray[np.float64] | None
    naive_per_ha: NDArray[np.float64] | None
    typical_sd: float
    honest_bin: int
    prob: float

    @property
    def bin_years(self) -> int:
        """Width of the periods.

        Returns
        -------
        int
            Years.
        """
        return int(self.edges[1] - self.edges[0])

    def to_frame(self) -> pd.DataFrame:
        """Table of the periods.

        Returns
        -------
        pandas.DataFrame
            year_first, year_last, trees_naive, mean, lo and hi of trees (dating error only); the same per
            hectare where weights were given (dating error and which trees were sampled); prob.
        """
        import pandas as pd

        tail = (1 - self.prob) / 2
        columns: dict[str, object] = {"year_first": self.edges[:-1], "year_last": self.edges[1:] - 1}
        parts = [("trees", self.counts, self.naive)]
        if self.per_ha is not None and self.naive_per_ha is not None:
            parts.append(("trees_per_ha", self.per_ha, self.naive_per_ha))
        for name, draws, naive in parts:
            low, high = np.quantile(draws, [tail, 1 - tail], axis=0, method="inverted_cdf")  # counts that occur
            columns |= {f"{name}_naive": naive, f"{name}_mean": draws.mean(axis=0)}
            columns |= {f"{name}_lo": low, f"{name}_hi": high}
        return pd.DataFrame(columns).assign(prob=self.prob)

    def sentence(self) -> str:
        """State what the bins can carry in one sentence.

        Returns
        -------
        str
            Typical error, the smallest honest bin, and the share of a pulse that stays in its bin.
        """
        stays = float(share_in_own_bin(max(self.typical_sd, 1e-6), self.bin_years))
        verdict = "can" if self.bin_years >= self.honest_bin else "cannot"
        return (
            f"Dates have a typical standard deviation of {self.typical_sd:.1f} years: the smallest bin they carry is "
            f"{self.honest_bin} years, so bins of {self.bin_years} years {verdict} be read one by one "
            f"({100 * stays:.0f} % of a single-year pulse stays in its own bin). Survivors only."
        )

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the periods with intervals beside the naive histogram.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure by default.

        Returns
        -------
        matplotlib.axes.Axes
            The axes drawn on.
        """
        from treeage.plots_stand import plot_structure

        return plot_structure(self, ax=ax)

    def _repr_html_(self) -> str:
        return html_block(self.to_frame(), sentence=self.sentence(), rows=20)


def age_structure(
    draws: ArrayLike,
    *,
    bin_years: int | None = None,
    first_year: int | None = None,
    trees_per_ha: ArrayLike | None = None,
    prob: float = 0.9,
    seed: int = 0,
) -> AgeStructure:
    """Count trees by period of establishment from joint draws.

    Parameters
    ----------
    draws : array-like, shape (draws, n)
        Establishment years with shared error included; one column a tree.
    bin_years : int, optional
        Width of the periods [years], at least 1; the smallest honest bin by default.
    first_year : int, optional
        A year at which a period begins; by default periods begin at multiples of their width.
    trees_per_ha : array-like, shape (n,), optional
        Trees per hectare that each tree stands for, above 0; needed where trees had unequal chances.
    prob : float, default 0.9
        Probability of the intervals.
    seed : int, default 0
        Seed of the bootstrap of trees.

    Returns
    -------
    AgeStructure
        Counts by period.

    Raises
    ------
    InputError
        If the draws, the bin or the weights are malformed.

    Notes
    -----
    Counts of one draw use dates that share the stand's error, so the intervals do not shrink with the number
    of trees as those of independent dates would. The mean counts are still blurred by the dating error:
    `recruitment_history` undoes that. Bins narrower than the honest one are allowed and named in the
    sentence.

    Examples
    --------
    >>> table = age_structure([[1801, 1812], [1803, 1809]], bin_years=10).to_frame()
    >>> table[["year_first", "trees_mean"]].values.tolist()
    [[1800.0, 1.5], [1810.0, 0.5]]
    """
    where = "age_structure"
    array = check_draws(where, draws)
    require_probability(where, prob=prob)
    honest = smallest_honest_bin(array)
    width = honest if bin_years is None else int(bin_years)
    if width < 1:
        raise InputError(Fault(show(bin_years), "at least 1 [years]", "Use 10.", where, 0, "bin_years"))
    origin = 0 if first_year is None else int(first_year)
    cells = np.floor((array - origin) / width).astype(np.int64)
    low, size = int(cells.min()), int(np.ptp(cells)) + 1
    flat = cells - low + size * np.arange(array.shape[0])[:, None]
    counts = np.bincount(flat.ravel(), minlength=size * array.shape[0]).reshape(-1, size).astype(np.float64)
    middle = np.floor((np.median(array, axis=0) - origin) / width).astype(np.int64) - low
    naive = np.bincount(middle, minlength=size).astype(np.float64)
    per_ha: NDArray[np.float64] | None = None
    naive_ha: NDArray[np.float64] | None = None
    if trees_per_ha is not None:
        (weight,) = require_positive(where, trees_per_ha=trees_per_ha)
        if weight.shape != (array.shape[1],):
            need = f"one for each of {array.shape[1]} trees"
            raise InputError(Fault(f"{weight.size} weights", need, "Align the two.", where, 0, "trees_per_ha"))
        times = np.random.default_rng(seed).poisson(1.0, size=array.shape)
        total = np.bincount(flat.ravel(), weights=(times * weight).ravel(), minlength=size * array.shape[0])
        per_ha = np.asarray(total.reshape(-1, size), dtype=np.float64)
        naive_ha = np.asarray(np.bincount(middle, weights=weight, minlength=size), dtype=np.float64)
    edges = origin + width * np.arange(low, low + size + 1)
    typical = float(np.sqrt(array.var(axis=0).mean()))
    return AgeStructure(edges, counts, naive, per_ha, naive_ha, typical, honest, prob)
