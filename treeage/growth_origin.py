"""Gap or suppressed origin of a tree from its early growth, the error of the pith distance carried along.

Layer 3. Idea of Lorimer, Frelich and Nordheim (1988); the two-group normal classifier is own derivation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, ndtr

from treeage.display import html_block
from treeage.errors import Fault, InputError, require_positive
from treeage.growth_history import CoreWidths

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class OriginCalibration:
    """Early growth of saplings known to stand in gaps and under a canopy.

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
        """Growth at which both origins are equally likely.

        Returns
        -------
        float
            Early growth [mm per year].
        """
        return float(np.exp((self.log_gap + self.log_suppressed) / 2))

    @property
    def error_share(self) -> float:
        """Share of saplings that the threshold puts on the wrong side.

        Returns
        -------
        float
            Expected share under the two normal distributions.
        """
        return float(ndtr(-abs(self.log_gap - self.log_suppressed) / (2 * self.log_sd)))

    def gap_probability(self, growth_mm: ArrayLike) -> NDArray[np.float64]:
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
) -> NDArray[np.float64]:
    """Mean radial growth in the years after the stem reached a small diameter.

    Parameters
    ----------
    core : CoreWidths
        Ring widths of the tree.
    diameter_cm : float, default 4.0
        Inside-bark diameter at which the span begins [cm] (4: Lorimer et al. 1988).
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
        If the diameter is not above 0.

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
    widths = np.asarray(core.widths_mm)
    sums = np.concatenate([[0.0], np.cumsum(widths)])
    distance = core.distance_draws(count, np.random.default_rng(seed))
    start = np.searchsorted(sums, 5.0 * diameter_cm - distance, side="left")
    known = (distance <= 5.0 * diameter_cm) & (start + span_years < sums.size)
    at = np.where(known, start, 0)
    stop = np.minimum(at + span_years, sums.size - 1)
    return np.where(known, (sums[stop] - sums[at]) / span_years, np.nan)


@dataclass(frozen=True)
class OriginTable:
    """Probability of gap origin of a set of trees.

    Parameters
    ----------
    frame : pandas.DataFrame
        tree, early_growth_mm (median), p_gap (mean over draws that show the span), share_seen (share of
        draws that do), origin (gap, suppressed, unclear, not seen).
    calibration : OriginCalibration
        What the probabilities rest on.
    """

    frame: pd.DataFrame
    calibration: OriginCalibration

    def to_frame(self) -> pd.DataFrame:
        """Table of origins.

        Returns
        -------
        pandas.DataFrame
            One row per tree, with the source of the calibration.
        """
        return self.frame.assign(source=self.calibration.source)

    def sentence(self) -> str:
        """State the result in one sentence.

        Returns
        -------
        str
            Trees by origin and the quality of the calibration.
        """
        counts = self.frame["origin"].value_counts()
        parts = ", ".join(f"{counts.get(kind, 0)} {kind}" for kind in ("gap", "suppressed", "unclear", "not seen"))
        return (
            f"Origin of {len(self.frame)} trees: {parts}; threshold "
            f"{self.calibration.threshold_mm:.2f} mm a year, {100 * self.calibration.error_share:.0f} % of the "
            "calibration saplings expected on the wrong side."
        )

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the probability of gap origin against early growth.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure by default.

        Returns
        -------
        matplotlib.axes.Axes
            The axes drawn on.
        """
        from treeage.plots_growth import plot_origins

        return plot_origins(self, ax=ax)

    def _repr_html_(self) -> str:
        return html_block(self.to_frame(), sentence=self.sentence(), digits=2)


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
        One series a tree.
    calibration : OriginCalibration
        Saplings of the same species and region.
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

    Notes
    -----
    A tree whose core does not reach the span in at least half of the draws is "not seen", never guessed.
    """
    import pandas as pd

    rows = []
    for position, (tree, core) in enumerate(series.items()):
        growth = early_growth(core, diameter_cm=diameter_cm, span_years=span_years, seed=seed + position)
        seen = np.isfinite(growth)
        share = float(seen.mean())
        chance = float(calibration.gap_probability(growth[seen]).mean()) if seen.any() else float("nan")
        median = float(np.median(growth[seen])) if seen.any() else float("nan")
        origin = "not seen" if share < 0.5 else _named(chance, sure)
        rows.append((tree, median, chance, share, origin))
    names = ["tree", "early_growth_mm", "p_gap", "share_seen", "origin"]
    return OriginTable(pd.DataFrame(rows, columns=names), calibration)


def _named(chance: float, sure: float) -> str:
    if chance >= sure:
        return "gap"
    return "suppressed" if chance <= 1 - sure else "unclear"
