"""Growth of one tree by year, the error of pith distance and bark carried along.

Layer 3. Own derivation: draws of the pith distance and the bark are carried through the functions of
`growth`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.display import html_block
from treeage.errors import Fault, InputError, require_nonnegative, require_positive, require_probability, show
from treeage.growth import MEANS

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class CoreWidths:
    """Ring widths of one core, with what is known of its distance to the pith.

    Parameters
    ----------
    years : array-like of int, shape (n,)
        Ring years, innermost first, consecutive.
    widths_mm : array-like, shape (n,)
        Ring widths [mm], at least 0. Leave out an outer ring that is incomplete.
    pith_distance_mm : float or array-like, shape (draws,), default 0.0
        Distance from the pith to the inner boundary of the innermost ring [mm]; an array holds draws of it.
    pith_distance_sd_mm : float, default 0.0
        Standard deviation of a single distance [mm]; not used with draws.

    Raises
    ------
    InputError
        If the years are not consecutive, the lengths differ, or a value is negative.

    Examples
    --------
    >>> CoreWidths([2001, 2002], [1.5, 2.0], pith_distance_mm=5.0).outer_year
    2002
    """

    years: ArrayLike
    widths_mm: ArrayLike
    pith_distance_mm: ArrayLike = 0.0
    pith_distance_sd_mm: float = 0.0

    def __post_init__(self) -> None:
        years = np.asarray(self.years, dtype=np.int64)
        widths, distance, _ = require_nonnegative(
            "CoreWidths",
            widths_mm=self.widths_mm,
            pith_distance_mm=self.pith_distance_mm,
            pith_distance_sd_mm=self.pith_distance_sd_mm,
        )
        if years.ndim != 1 or years.shape != widths.shape or years.size == 0:
            got = f"{years.size} years and {widths.size} widths"
            raise InputError(Fault(got, "one width [mm] for each year", "Align the two.", "CoreWidths", 0, "years"))
        if np.any(np.diff(years) != 1):
            step = int(np.argmax(np.diff(years) != 1))
            got = f"{years[step]} followed by {years[step + 1]}"
            raise InputError(
                Fault(got, "consecutive years", "Enter an absent ring as width 0.", "CoreWidths", 0, "years")
            )
        object.__setattr__(self, "years", years)
        object.__setattr__(self, "widths_mm", widths)
        object.__setattr__(self, "pith_distance_mm", distance)

    @property
    def outer_year(self) -> int:
        """Year of the outermost ring.

        Returns
        -------
        int
            Calendar year.
        """
        return int(np.asarray(self.years)[-1])

    def distance_draws(self, count: int, rng: np.random.Generator) -> NDArray[np.float64]:
        """Draw distances to the pith.

        Parameters
        ----------
        count : int
            How many.
        rng : numpy.random.Generator
            Source of randomness.

        Returns
        -------
        numpy.ndarray, shape (count,)
            Distances [mm], at least 0.

        Notes
        -----
        A single distance with a standard deviation is drawn from the gamma distribution with these two
        moments (choice: never negative, skewed to the right as arc readings are).
        """
        distance = np.asarray(self.pith_distance_mm)
        if distance.ndim:
            return np.asarray(rng.choice(distance, size=count))
        if self.pith_distance_sd_mm == 0 or distance == 0:
            return np.full(count, float(distance))
        scale = self.pith_distance_sd_mm**2 / float(distance)
        return np.asarray(rng.gamma(float(distance) / scale, scale, size=count))


@dataclass(frozen=True)
class GrowthHistory:
    """Growth of one tree by year, as draws.

    Parameters
    ----------
    years : numpy.ndarray of int, shape (n,)
        Ring years.
    cores : numpy.ndarray of int, shape (n,)
        Number of cores that show the year.
    radius_mm : numpy.ndarray, shape (draws, n)
        Mean inside-bark radius of the cores at the end of each year [mm].
    diameter_cm : numpy.ndarray, shape (draws, n)
        Diameter inside the bark [cm]: proportional method when a present diameter is known, else twice the
        radius.
    diameter_subtractive_cm : numpy.ndarray, shape (draws, n)
        Diameter inside the bark by subtraction [cm]; NaN where it has no answer or no present diameter is
        known.
    increment_cm2 : numpy.ndarray, shape (draws, n)
        Basal-area increment [cm2].
    bark_factor : numpy.ndarray, shape (draws,)
        Diameter inside over outside the bark; NaN if unknown.
    scale : float
        Present radius from the diameter over the radius on the cores (median); far from 1: an off-centre
        pith, a core from another height, or a wrong unit. NaN without a diameter.
    prob : float
        Probability of the printed intervals.
    """

    years: NDArray[np.int64]
    cores: NDArray[np.int64]
    radius_mm: NDArray[np.float64]
    diameter_cm: NDArray[np.float64]
    diameter_subtractive_cm: NDArray[np.float64]
    increment_cm2: NDArray[np.float64]
    bark_factor: NDArray[np.float64]
    scale: float
    prob: float

    def at(self, year: int) -> NDArray[np.float64]:
        """Draws of the inside-bark diameter at the end of a year.

        Parameters
        ----------
        year : int
            Calendar year.

        Returns
        -------
        numpy.ndarray, shape (draws,)
            Diameter [cm]; NaN before the first ring seen on a core, the last value after the last ring.
        """
        position = int(np.clip(year - self.years[0], -1, self.years.size - 1))
        if position < 0:
            return np.full(self.diameter_cm.shape[0], np.nan)
        return self.diameter_cm[:, position]

    def series(self) -> CoreWidths:
        """Mean ring series of the tree, for releases and origin.

        Returns
        -------
        CoreWidths
            Yearly increments of the mean radius [mm] (median over draws) from the second year on, with draws
            of the distance to the pith.

        Examples
        --------
        >>> tree = growth_history([CoreWidths([2001, 2002, 2003], [2.0, 2.0, 1.0], pith_distance_mm=5.0)])
        >>> np.asarray(tree.series().widths_mm).tolist()
        [2.0, 1.0]
        """
        if self.years.size < 2:
            got, need = f"{self.years.size} ring(s)", "at least 2 rings"
            raise InputError(Fault(got, need, "Leave this tree out.", "GrowthHistory.series", 0, "years"))
        widths = np.maximum(np.median(np.diff(self.radius_mm, axis=1), axis=0), 0.0)
        return CoreWidths(self.years[1:], widths, pith_distance_mm=self.radius_mm[:, 0])

    def to_frame(self) -> pd.DataFrame:
        """Table of growth by year.

        Returns
        -------
        pandas.DataFrame, shape (n, 18)
            One row a year: cores, then median, lo and hi of each quantity, unit in the name.
        """
        import pandas as pd

        columns: dict[str, object] = {"year": self.years, "cores": self.cores}
        outside = self.diameter_cm / self.bark_factor[:, None]
        tails = [0.5, (1 - self.prob) / 2, 1 - (1 - self.prob) / 2]
        for name, draws in [
            ("radius_mm", self.radius_mm),
            ("diameter_inside_bark_cm", self.diameter_cm),
            ("diameter_inside_bark_subtractive_cm", self.diameter_subtractive_cm),
            ("diameter_outside_bark_cm", outside),
            ("basal_area_increment_cm2", self.increment_cm2),
        ]:
            median, low, high = _column_quantiles(draws, tails)
            columns |= {f"{name}_median": median, f"{name}_lo": low, f"{name}_hi": high}
        return pd.DataFrame(columns).assign(prob=self.prob)

    def sentence(self) -> str:
        """State the growth in one sentence.

        Returns
        -------
        str
            Span, cores, present diameter and mean radial growth.
        """
        growth = np.median(self.radius_mm[:, -1] - self.radius_mm[:, 0]) / max(1, self.years.size - 1)
        return (
            f"{self.years[0]}-{self.years[-1]}, {self.cores.max()} core(s): diameter inside the bark "
            f"{np.median(self.diameter_cm[:, -1]):.1f} cm at the end, mean ring {growth:.2f} mm."
        )

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the diameter by year with its interval.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure by default.

        Returns
        -------
        matplotlib.axes.Axes
            The axes drawn on.
        """
        from treeage.plots_growth import plot_growth

        return plot_growth(self, ax=ax)

    def _repr_html_(self) -> str:
        return html_block(self.to_frame(), sentence=self.sentence(), digits=2)


def growth_history(
    cores: Sequence[CoreWidths],
    *,
    diameter_cm: float | None = None,
    bark_mm: float | None = None,
    bark_sd_mm: float = 0.0,
    mean: str = "arithmetic",
    count: int = 400,
    prob: float = 0.9,
    seed: int = 0,
) -> GrowthHistory:
    """Growth of one tree by year from the widths of its cores, with uncertainty.

    Parameters
    ----------
    cores : sequence of CoreWidths
        The cores of the tree, at one height, ending in the same year.
    diameter_cm : float, optional
        Diameter outside the bark at the coring height [cm], above 0; without it the diameter is twice the
        mean radius.
    bark_mm : float, optional
        Single bark thickness [mm], at least 0; needed with diameter_cm.
    bark_sd_mm : float, default 0.0
        Standard deviation of the single bark thickness [mm].
    mean : {"arithmetic", "quadratic"}, default "arithmetic"
        How radii combine: arithmetic for two opposite cores, quadratic for several spread round the stem.
    count : int, default 400
        Number of draws (choice: interval ends to about a tenth of the standard deviation).
    prob : float, default 0.9
        Probability of the intervals.
    seed : int, default 0
        Seed of the draws.

    Returns
    -------
    GrowthHistory
        Radius, diameter and increment by year.

    Raises
    ------
    InputError
        If there is no core, the outer years differ, or a value is out of range.

    Notes
    -----
    Where only some cores show a year, the mean radius of that year is the mean present radius of all cores
    times the share of it that these cores had reached, so a core that starts late makes no jump. With a
    diameter, all radii are scaled to it (proportional method). The bark ratio of the past is taken as that
    of today.

    Examples
    --------
    >>> tree = growth_history([CoreWidths([2001, 2002, 2003], [2.0, 2.0, 1.0], pith_distance_mm=5.0)])
    >>> tree.radius_mm[0].tolist(), tree.sentence()
    ([7.0, 9.0, 10.0], '2001-2003, 1 core(s): diameter inside the bark 2.0 cm at the end, mean ring 1.50 mm.')
    """
    _check_cores(cores, mean)
    require_probability("growth_history", prob=prob)
    rng = np.random.default_rng(seed)
    outer = cores[0].outer_year
    size = max(np.asarray(core.years).size for core in cores)
    ends, starts, weight_now, seen = _mean_radii(cores, size, mean, count, rng)
    now = weight_now
    scale, factor = np.ones(count), np.full(count, np.nan)
    subtractive = np.full(ends.shape, np.nan)
    if diameter_cm is not None:
        inside = _inside_draws(diameter_cm, bark_mm, bark_sd_mm, count, rng)
        scale, factor = 5.0 * inside / now, inside / diameter_cm
        subtractive = inside[:, None] - 0.2 * (now[:, None] - ends)
        subtractive[subtractive < 0] = np.nan
    scaled_end, scaled_start = ends * scale[:, None], starts * scale[:, None]
    return GrowthHistory(
        years=np.arange(outer - size + 1, outer + 1),
        cores=seen,
        radius_mm=ends,
        diameter_cm=scaled_end / 5.0,
        diameter_subtractive_cm=subtractive,
        increment_cm2=np.pi * (scaled_end**2 - scaled_start**2) / 100.0,
        bark_factor=factor,
        scale=float(np.median(scale)) if diameter_cm is not None else float("nan"),
        prob=prob,
    )


def _column_quantiles(draws: NDArray[np.float64], probs: list[float]) -> NDArray[np.float64]:
    """Quantiles over draws of each column; NaN where more than half of the draws have no answer."""
    known = np.isfinite(draws)
    keep = known.mean(axis=0) > 0.5
    out = np.full((len(probs), draws.shape[1]), np.nan)
    if keep.any():
        out[:, keep] = np.nanquantile(draws[:, keep], probs, axis=0)
    return out


def _check_cores(cores: Sequence[CoreWidths], mean: str) -> None:
    where = "growth_history"
    if not cores:
        raise InputError(Fault("no core", "at least one core", "Pass its widths.", where, 0, "cores"))
    if mean not in MEANS[:2]:
        raise InputError(Fault(show(mean), "arithmetic or quadratic", "Choose one.", where, 0, "mean"))
    ends = sorted({core.outer_year for core in cores})
    if len(ends) > 1:
        got = f"outer years {', '.join(map(str, ends))}"
        raise InputError(Fault(got, "one outer year", "Cut the longer core to the shorter one.", where, 0, "cores"))


def _mean_radii(
    cores: Sequence[CoreWidths], size: int, mean: str, count: int, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Mean radius at the end and the start of each year, the present one, and the cores that show it."""
    power = 1.0 if mean == "arithmetic" else 2.0
    end_sum, start_sum, now_sum = np.zeros((count, size)), np.zeros((count, size)), np.zeros((count, size))
    seen = np.zeros(size, dtype=np.int64)
    all_now = np.zeros(count)
    for core in cores:
        widths = np.asarray(core.widths_mm)
        first = size - widths.size
        radii = core.distance_draws(count, rng)[:, None] + np.cumsum(widths)
        end_sum[:, first:] += radii**power
        start_sum[:, first:] += np.maximum(radii - widths, 0.0) ** power
        now_sum[:, first:] += radii[:, -1:] ** power
        all_now += radii[:, -1] ** power
        seen[first:] += 1
    now = (all_now / len(cores)) ** (1 / power)
    ends = now[:, None] * (end_sum / now_sum) ** (1 / power)
    starts = now[:, None] * (start_sum / now_sum) ** (1 / power)
    return ends, starts, now, seen


def _inside_draws(
    diameter_cm: float, bark_mm: float | None, bark_sd_mm: float, count: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Draws of the inside-bark diameter [cm]; bark kept from 0 to a quarter of it (choice)."""
    where = "growth_history"
    if bark_mm is None:
        do = "Give bark_mm, 0 for a diameter that is already inside the bark."
        raise InputError(Fault("a diameter without bark", "single bark thickness [mm]", do, where, 0, "bark_mm"))
    require_positive(where, diameter_cm=diameter_cm)
    require_nonnegative(where, bark_mm=bark_mm, bark_sd_mm=bark_sd_mm)
    if bark_mm > 2.5 * diameter_cm:
        need = f"at most a quarter of the diameter, {2.5 * diameter_cm:g} mm"
        raise InputError(Fault(show(bark_mm), need, "Check the unit and single thickness.", where, 0, "bark_mm"))
    bark = np.clip(rng.normal(bark_mm, bark_sd_mm, size=count), 0.0, 2.5 * diameter_cm)
    return np.asarray(diameter_cm - 0.2 * bark)
