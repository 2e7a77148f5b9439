"""Stand origin from the oldest trees: a bound, and an estimate of how much earlier establishment began.

Layer 3. Truncation point of Robson and Whitlock (1964), extended to several gaps; own derivation.
"""

from __future__ import annotations

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

MOST_OLDEST = 6  # choice: oldest trees used, few enough for a steady rate, enough for a finite interval


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
    used : int
        Number of oldest trees used.
    trees : int
        Number of trees.
    prob : float
        Probability of the intervals.
    """

    oldest: NDArray[np.float64]
    origin: NDArray[np.float64]
    lateness_years: float
    used: int
    trees: int
    prob: float

    def to_frame(self) -> pd.DataFrame:
        """Table of bound and estimate.

        Returns
        -------
        pandas.DataFrame, shape (2, 6)
            quantity (oldest tree, origin), median, lo, hi [year], bias_years (expected lateness of the
            oldest tree; about 0 for the estimate under its assumption), prob.
        """
        import pandas as pd

        tails = [0.5, (1 - self.prob) / 2, 1 - (1 - self.prob) / 2]
        rows = []
        for name, draws, bias in (("oldest tree", self.oldest, self.lateness_years), ("origin", self.origin, 0.0)):
            median, low, high = np.quantile(draws, tails)
            rows.append((name, median, low, high, bias, self.prob))
        return pd.DataFrame(rows, columns=["quantity", "year_median", "year_lo", "year_hi", "bias_years", "prob"])

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
            f"At least one of the {self.trees} trees had established by {np.ceil(bound['year_hi']):.0f}; the oldest is "
            f"expected {self.lateness_years:.1f} years later than the origin. If establishment began at a steady rate, "
            f"the origin is {start['year_median']:.0f} ({start['year_lo']:.0f} to {start['year_hi']:.0f}). Older trees "
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
    sharpened: ArrayLike, *, members: ArrayLike | None = None, prob: float = 0.9, seed: int = 0
) -> StandOrigin:
    """Estimate when establishment of a stand, or of a cohort in it, began.

    Parameters
    ----------
    sharpened : array-like, shape (draws, n)
        Dates given the stand's history (`sharpened_dates`) or exact dates. Dates estimated one by one would
        make the oldest tree too old, since the largest error is the one that counts.
    members : array-like of bool, shape (n,), optional
        Trees of the cohort; all by default. Leave out survivors of an earlier stand.
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
        If there are fewer than 3 trees.

    Notes
    -----
    If trees establish at a steady rate from the origin on, the wait for the first is distributed as the gaps
    between the next: wait / (mean of the m - 1 gaps among the m oldest) has an F distribution with 2 and 2
    (m - 1) degrees of freedom. With m = 2 this is the interval of [1]_. The estimate oldest - mean gap is
    then unbiased. Where the rate rises after the origin (a slow start) the true origin is earlier.

    References
    ----------
    .. [1] Robson, D. S. and Whitlock, J. H. (1964). Estimation of a truncation point. Biometrika 51:33-39.
       (From memory.)

    Examples
    --------
    >>> result = stand_origin([[1850.0, 1852.0, 1854.0, 1856.0, 1858.0, 1860.0]])
    >>> result.lateness_years, result.to_frame()["year_median"].iloc[0]
    (2.0, np.float64(1850.0))
    """
    where = "stand_origin"
    array = check_draws(where, sharpened)
    require_probability(where, prob=prob)
    if members is not None:
        array = array[:, np.asarray(members, dtype=bool)]
    if array.shape[1] < 3:
        raise InputError(Fault(f"{array.shape[1]} trees", "at least 3 trees", "Date more trees.", where, 0, "members"))
    used = min(MOST_OLDEST, array.shape[1])
    rows = array if array.shape[0] >= 1000 else np.repeat(array, -(-1000 // array.shape[0]), axis=0)
    first = np.sort(np.partition(rows, used - 1, axis=1)[:, :used], axis=1)
    gap = (first[:, -1] - first[:, 0]) / (used - 1)
    rng = np.random.default_rng(seed)
    wait = gap * rng.f(2, 2 * (used - 1), size=gap.size)
    return StandOrigin(first[:, 0], first[:, 0] - wait, float(gap.mean()), used, array.shape[1], prob)
