"""The stand at a past date: which trees were present with what probability and size, density and basal area.

Layer 3. Own derivation on joint draws of dates and diameters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.display import html_block
from treeage.errors import Fault, InputError, require_positive, require_probability
from treeage.stand_shared import check_draws

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

CAVEAT = (
    "Trees that were there and have died since are missing unless dead wood was sampled too: "
    "densities are lower bounds."
)


@dataclass(frozen=True)
class PastStand:
    """A stand at a past date.

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
        How each tree's past diameter was found: widths, steady growth, or unknown.
    trees_per_ha : numpy.ndarray, shape (n,)
        Trees per hectare that each tree stands for; 1 where totals are per sample.
    per : str
        "per ha" or "in the sample".
    prob : float
        Probability of the intervals.
    """

    year: int
    trees: tuple[str, ...]
    present: NDArray[np.bool_]
    diameter_cm: NDArray[np.float64]
    method: tuple[str, ...]
    trees_per_ha: NDArray[np.float64]
    per: str
    prob: float

    def to_frame(self) -> pd.DataFrame:
        """One row per tree, to join on.

        Returns
        -------
        pandas.DataFrame
            tree, year, p_present, diameter_cm_median, lo and hi (given that it was there), method,
            trees_per_ha, prob.
        """
        import pandas as pd

        tails = [0.5, (1 - self.prob) / 2, 1 - (1 - self.prob) / 2]
        ends = np.full((3, len(self.trees)), np.nan)
        for number in range(len(self.trees)):
            size = self.diameter_cm[:, number]
            size = size[np.isfinite(size)]
            if size.size:
                ends[:, number] = np.quantile(size, tails)
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
            quantity (trees, basal area [m2], mean quadratic diameter [cm]), median, lo, hi, per, prob.
        """
        import pandas as pd

        weight = self.trees_per_ha
        trees = self.present @ weight
        area = np.nansum(np.where(self.present, self.diameter_cm**2, 0.0) * weight, axis=1) * np.pi / 40_000.0
        sized = (self.present & np.isfinite(self.diameter_cm)) @ weight
        quadratic = np.sqrt(area * 40_000.0 / np.pi / np.maximum(sized, 1e-12))
        tails = [0.5, (1 - self.prob) / 2, 1 - (1 - self.prob) / 2]
        rows = [
            (name, *np.quantile(draws, tails), self.per, self.prob)
            for name, draws in (("trees", trees), ("basal area [m2]", area), ("quadratic diameter [cm]", quadratic))
        ]
        return pd.DataFrame(rows, columns=["quantity", "median", "lo", "hi", "per", "prob"])

    def sentence(self) -> str:
        """State the past stand in one sentence.

        Returns
        -------
        str
            Density, basal area, and the caveat.
        """
        frame = self.totals().set_index("quantity")
        trees, area = frame.loc["trees"], frame.loc["basal area [m2]"]
        return (
            f"In {self.year}: {trees['median']:.0f} ({trees['lo']:.0f} to {trees['hi']:.0f}) of today's trees "
            f"{self.per}, basal area {area['median']:.2f} ({area['lo']:.2f} to {area['hi']:.2f}) m2. {CAVEAT}"
        )

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the diameters of the trees present.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure by default.

        Returns
        -------
        matplotlib.axes.Axes
            The axes drawn on.
        """
        from treeage.plots_stand import plot_past

        return plot_past(self, ax=ax)

    def _repr_html_(self) -> str:
        return html_block(self.to_frame(), sentence=self.sentence(), notes=[CAVEAT])


def past_stand(
    draws: ArrayLike,
    year: int,
    *,
    survey_year: int,
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
        Past date, before survey_year.
    survey_year : int
        Year of the last ring.
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
        If the year is not before the survey, or shapes differ.

    Notes
    -----
    Present means established in the year or before. Where no widths show the past diameter, growth is taken
    as steady from establishment to the survey (named "steady growth"): too small a past diameter for trees
    that slowed down with age.

    Examples
    --------
    >>> stand = past_stand([[1900, 1950]], 1949, survey_year=1999, diameter_now_cm=[40.0, 20.0])
    >>> stand.to_frame()[["p_present", "diameter_cm_median"]].values.tolist()
    [[1.0, 20.0], [0.0, nan]]
    """
    where = "past_stand"
    array = check_draws(where, draws)
    require_probability(where, prob=prob)
    if year >= survey_year:
        need = f"a year before the survey ({survey_year})"
        raise InputError(Fault(str(year), need, "Choose an earlier year.", where, 0, "year"))
    count = array.shape[1]
    now = _one_each(where, "diameter_now_cm", diameter_now_cm, count)
    present = array <= year
    age_now, age_then = survey_year - array + 1, year - array + 1
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
    names = tuple(map(str, trees)) if trees is not None else tuple(map(str, range(count)))
    return PastStand(
        int(year),
        names,
        present,
        np.where(present, size, np.nan),
        tuple(method.tolist()),
        weight,
        "in the sample" if trees_per_ha is None else "per ha",
        prob,
    )


def _one_each(where: str, name: str, values: ArrayLike, count: int) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=np.float64)
    if array.shape != (count,):
        raise InputError(Fault(f"{array.size} values", f"one for each of {count} trees", "Align them.", where, 0, name))
    return array
