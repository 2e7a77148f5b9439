"""Frozen answer for one tree: its mass functions, shares, flags and faces.

Layer 1. No model here: mass functions in, faces out; the conventions are those of DEVELOPERS.md.
"""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from treeage.errors import Fault, InputError
from treeage.pmf import Pmf
from treeage.results_parts import SharedParts

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "CONVENTIONS",
    "CORE_HEIGHT",
    "DISTRIBUTIONS",
    "ROOT_COLLAR",
    "SHARES",
    "SharedParts",
    "TreeAge",
    "frame_of_rows",
    "year_text",
]

DISTRIBUTIONS = (
    "missed_rings",
    "pith_year",
    "age_at_core_height",
    "years_to_core_height",
    "establishment_year",
    "age",
)
ROOT_COLLAR, CORE_HEIGHT = "root collar", "coring height"  # what a date refers to
FACTS = ("cores", "dating", "inner_end", "lead_core", "core_height_m", "rings_counted")
SHARES = ("share_count", "share_distance", "share_rate", "share_height", "share_collar")
CONVENTIONS = (
    "Ring 1 is the first ring round the pith; the ring against the bark counts. Establishment year is the first "
    "growing season; age counts growing seasons from establishment to the last year, both included (years elapsed "
    "is one less). The last year is the outer year and the rings lost outside it. "
    "Southern ring years are the year in which growth began. Years are astronomical; year 0 is 1 BCE."
)


def year_text(year: int) -> str:
    """Write an astronomical year for people.

    Parameters
    ----------
    year : int
        Astronomical year; 0 is 1 BCE.

    Returns
    -------
    str
        The year, or the BCE year for 0 and below.

    Examples
    --------
    >>> year_text(1892), year_text(0), year_text(-274)
    ('1892', '1 BCE', '275 BCE')
    """
    return str(year) if year > 0 else f"{1 - year} BCE"


@dataclass(frozen=True)
class TreeAge:
    """Age and establishment date of one tree.

    Parameters
    ----------
    tree, species, plot_id : str
        As in the tables; plot_id is the column plot.
    status : str
        "estimated" or "minimum only".
    facts : Mapping
        cores, dating, inner_end, core_height_m, rings_counted of the lead core, and lead_core.
    outer_year : int
        Year of the outermost counted ring.
    minimum_age : int
        Most rings counted on one core: exact as a least age only where that core is crossdated.
    distributions : Mapping of str to Pmf
        missed_rings, pith_year, age_at_core_height, years_to_core_height, establishment_year, age, collar_years; empty
        when minimum only. Without the establishment year and what follows from it, the tree is dated at coring height.
    shares : Mapping of str to float
        Share of the variance due to each step; they add to 1.
    core_conflict_p : float
        Predictive p value of the disagreement of the tree's cores; NaN with one core.
    flags : tuple of str
        What a reader must know about this tree.
    parts : SharedParts or None
        For joint draws.
    cores : pandas.DataFrame
        One row a core: what each core alone says.
    outer_lost : Pmf
        Rings lost outside the outer year, which the age includes.
    prob : float, default 0.9
        Probability of every interval of this answer, as asked of the estimate.
    """

    tree: str
    species: str
    plot_id: str
    status: str
    facts: Mapping[str, Any]
    outer_year: int
    minimum_age: int
    distributions: Mapping[str, Pmf] = field(default_factory=dict)
    shares: Mapping[str, float] = field(default_factory=dict)
    core_conflict_p: float = float("nan")
    flags: tuple[str, ...] = ()
    parts: SharedParts | None = None
    cores: pd.DataFrame = field(default_factory=pd.DataFrame)
    outer_lost: Pmf = field(default_factory=lambda: Pmf.point(0))
    prob: float = 0.9

    @property
    def date_refers_to(self) -> str:
        """What the date of the tree refers to.

        Returns
        -------
        str
            "root collar"; "coring height" where no height model was given or chosen, so that the tree is older than its
            date by the unknown years to that height; empty without an estimate.
        """
        if not self.distributions:
            return ""
        return ROOT_COLLAR if "establishment_year" in self.distributions else CORE_HEIGHT

    @property
    def date(self) -> Pmf:
        """The date of the tree: its establishment year, or without a height model its pith year at coring height.

        Returns
        -------
        Pmf
            Over ring years; `date_refers_to` says of what.
        """
        return self._get("pith_year" if self.date_refers_to == CORE_HEIGHT else "establishment_year")

    def _get(self, name: str) -> Pmf:
        if name not in self.distributions:
            got, need = f"status '{self.status}'", "an estimated tree"
            do = f"Use minimum_age ({self.minimum_age} rings); flags say why: {', '.join(self.flags) or 'none'}."
            if self.date_refers_to == CORE_HEIGHT:
                got, need = "a tree dated at coring height, which is older by unknown years", "years to coring height"
                do = "Add seedlings or a height model, or use date, pith_year or age_at_core_height."
            raise InputError(Fault(got, need, do, "TreeAge", 0, name, f"tree {self.tree}"))
        return self.distributions[name]

    @property
    def pith_year(self) -> Pmf:
        """Year of ring 1 at the coring height.

        Returns
        -------
        Pmf
            Over ring years.
        """
        return self._get("pith_year")

    @property
    def age_at_core_height(self) -> Pmf:
        """Growing seasons from ring 1 at the coring height to the outer year, both counted.

        Returns
        -------
        Pmf
            Over seasons.
        """
        return self._get("age_at_core_height")

    @property
    def establishment_year(self) -> Pmf:
        """First growing season of the tree.

        Returns
        -------
        Pmf
            Over ring years.

        Raises
        ------
        InputError
            If the tree has no estimate, or no height model: use `date` then.
        """
        return self._get("establishment_year")

    @property
    def age(self) -> Pmf:
        """Growing seasons from establishment to the last year, both counted.

        Returns
        -------
        Pmf
            Over seasons.
        """
        return self._get("age")

    @property
    def last_year(self) -> int:
        """Year that the age runs to: the outer year and the rings lost outside it.

        Returns
        -------
        int
            Ring year; the median where the number of lost rings is uncertain.

        Examples
        --------
        >>> TreeAge("A1", "", "", "minimum only", {}, 2000, 100, outer_lost=Pmf.point(20)).last_year
        2020
        """
        return self.outer_year + self.outer_lost.median()

    @property
    def missed_rings(self) -> Pmf:
        """Rings between the innermost counted ring of the lead core and the pith.

        Returns
        -------
        Pmf
            Over rings.
        """
        return self._get("missed_rings")

    @property
    def years_to_core_height(self) -> Pmf:
        """Whole seasons before the one in which the tip passed the coring height.

        Returns
        -------
        Pmf
            Over seasons.
        """
        return self._get("years_to_core_height")

    def row(self, prob: float | None = None) -> dict[str, Any]:
        """One row of the ages table.

        Parameters
        ----------
        prob : float, optional
            Probability of the intervals; the one of the estimate by default.

        Returns
        -------
        dict
            Columns of the ages table; missing values where nothing can be said.
        """
        level = self.prob if prob is None else prob
        out: dict[str, Any] = {"tree": self.tree, "species": self.species, "plot": self.plot_id}
        out |= {"date_refers_to": self.date_refers_to} | {key: self.facts.get(key) for key in FACTS}
        for name in DISTRIBUTIONS:
            pmf = self.distributions.get(name)
            low, high = pmf.interval(level) if pmf else (None, None)
            out |= {f"{name}_median": pmf.median() if pmf else None, f"{name}_lo": low, f"{name}_hi": high}
        out |= {"prob": level, "minimum_age": self.minimum_age}
        out |= {name: self.shares.get(name, np.nan) for name in SHARES}
        out |= {"core_conflict_p": self.core_conflict_p, "flags": ";".join(self.flags)}
        return out

    def sentence(self, prob: float | None = None) -> str:
        """Say the answer in one plain sentence that can be defended.

        Parameters
        ----------
        prob : float, optional
            Probability of the interval; the one of the estimate by default.

        Returns
        -------
        str
            Year rounded to five where the standard deviation is above 3 years and to ten above 6; the interval in full.

        Examples
        --------
        >>> TreeAge("A1", "Larix decidua", "", "minimum only", {}, 2024, 118).sentence()
        'Tree A1 shows 118 rings counted without crossdating, about its least age in 2024; no estimate is possible.'
        """
        if not self.distributions:
            rings, year = self.minimum_age, year_text(self.outer_year)
            if self.facts.get("dating") == "crossdated":
                return (
                    f"Tree {self.tree} is at least {rings} years old in {year} (crossdated; no estimate is possible)."
                )
            return (
                f"Tree {self.tree} shows {rings} rings counted without crossdating, about its least age in {year}; "
                "no estimate is possible."
            )
        pmf = self.date
        level = self.prob if prob is None else prob
        low, high = pmf.interval(level)
        rounding = 10 if pmf.sd() > 6 else 5 if pmf.sd() > 3 else 1  # choice: no finer than the date is known
        steps = [step for step in (10, 5, 1) if step <= rounding]
        rounded = [(int(round(pmf.median() / step) * step), step) for step in steps]
        middle, rounding = next(pair for pair in rounded if low <= pair[0] <= high)  # never outside its own interval
        about = "c. " if rounding > 1 else ""
        when = f"{about}{year_text(middle)} ({100 * level:g} % interval {year_text(low)} to {year_text(high)})"
        if self.date_refers_to == CORE_HEIGHT:
            at = f"{self.facts['core_height_m']:g} m" if "core_height_m" in self.facts else "coring height"
            older = "it is older by the unknown years to that height"
            return f"Tree {self.tree} had its pith ring at {at} in {when}; {older}."
        age_low, age_high = self.age.interval(level)
        ended = "in" if self.outer_lost.sd() == 0 else "in its last year, about"
        year = year_text(self.last_year)
        return f"Tree {self.tree} established {when}; it was {age_low} to {age_high} years old {ended} {year}."

    def to_frame(self, prob: float | None = None) -> pd.DataFrame:
        """The answer as a table of one row, unrounded.

        Parameters
        ----------
        prob : float, optional
            Probability of the intervals; the one of the estimate by default.

        Returns
        -------
        pandas.DataFrame, one row
            Columns of the ages table.
        """
        return frame_of_rows([self.row(prob)])

    def __repr__(self) -> str:
        if not self.distributions:
            return f"TreeAge({self.tree!r}, {self.minimum_age} rings counted, no estimate)"
        level = f"{100 * self.prob:g} %"
        if self.date_refers_to == CORE_HEIGHT:
            low, high = self.date.interval(self.prob)
            return f"TreeAge({self.tree!r}, year at coring height {self.date.median()}, {level} {low}-{high})"
        low, high = self.age.interval(self.prob)
        return f"TreeAge({self.tree!r}, {self.age.median()} yr, {level} {low}-{high}, {self.facts.get('cores')} cores)"

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{html.escape(name.replace('_', ' '))}</td><td>{pmf.median()}</td>"
            f"<td>{pmf.interval(self.prob)[0]} to {pmf.interval(self.prob)[1]}</td></tr>"
            for name, pmf in self.distributions.items()
            if name != "collar_years" or self.date_refers_to == ROOT_COLLAR
        )
        flags = f"<p>Flags: {html.escape(', '.join(self.flags))}</p>" if self.flags else ""
        head = f"<tr><th></th><th>median</th><th>{100 * self.prob:g} % interval</th></tr>"
        return (
            f"<p><b>{html.escape(self.sentence())}</b></p><table>{head}"
            f"{rows}</table>{flags}<details><summary>Conventions</summary>{html.escape(CONVENTIONS)}</details>"
        )

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the tree's mass functions step by step.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure by default.

        Returns
        -------
        matplotlib.axes.Axes
            The axes drawn on.
        """
        from treeage.plots import plot_anatomy

        return plot_anatomy(self, ax=ax)


def frame_of_rows(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Make the ages table from its rows, whole numbers as whole numbers also where some are missing.

    Parameters
    ----------
    rows : list of dict
        From `TreeAge.row`.

    Returns
    -------
    pandas.DataFrame
        Columns of the ages table in order.

    Examples
    --------
    >>> frame_of_rows([TreeAge("A1", "", "", "minimum only", {}, 2024, 118).row()])["minimum_age"].tolist()
    [118]
    """
    columns = list(TreeAge("", "", "", "", {}, 0, 0).row()) if not rows else list(rows[0])
    frame = pd.DataFrame(rows, columns=columns)
    whole = ("_median", "_lo", "_hi")
    for name in columns:
        if name.endswith(whole) or name in ("cores", "rings_counted", "minimum_age"):
            frame[name] = frame[name].astype("Int64")
    return frame
