"""Frozen answers: the age of one tree, the ages of a field, and their text, HTML and frame faces.

Layer 1. No model here: mass functions in, faces out; the conventions are those of DEVELOPERS.md.
"""

from __future__ import annotations

import html
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.errors import Fault, InputError, require_probability
from treeage.pmf import Pmf

if TYPE_CHECKING:
    import xarray
    from matplotlib.axes import Axes

Array = NDArray[np.float64]

DISTRIBUTIONS = ("missed_rings", "pith_year", "years_to_core_height", "establishment_year", "age")
SHARES = ("share_count", "share_distance", "share_rate", "share_height", "share_collar")
CONVENTIONS = (
    "Ring 1 is the first ring round the pith; the ring against the bark counts. Establishment year is the first growing "
    "season; age counts growing seasons from establishment to the outer year, both included (years elapsed is one "
    "less). Southern ring years are the year in which growth began. Years are astronomical; year 0 is 1 BCE."
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
class SharedParts:
    """A tree's posterior split by what it shares with the stand, so that joint draws keep shared errors shared.

    Parameters
    ----------
    reference_year : int
        Establishment year = reference_year - (added rings + years to the core height) - collar years.
    added_start : int
        First number of added rings.
    added : numpy.ndarray, shape (n_stand, n_added)
        Mass of the added rings for each value of the stand's growth-rate part; rows sum to 1.
    years_start : int
        First number of years to the core height.
    years : numpy.ndarray, shape (n_shared, n_years)
        Mass of those years for each shared value of the height model; rows sum to 1.
    joint : numpy.ndarray, shape (n_stand, n_shared, n) or None
        Mass of added rings + years together (from added_start), where two heights of one tree tie them.
    rate_group, height_group : str
        Trees of one group share the value.
    """

    reference_year: int
    added_start: int
    added: Array
    years_start: int
    years: Array
    joint: Array | None = None
    rate_group: str = ""
    height_group: str = ""

    def sample(self, stand: NDArray[np.int64], shared: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
        """Draw reference_year - added rings - years to the core height.

        Parameters
        ----------
        stand, shared : numpy.ndarray of int, shape (n_draw,)
            Index of the shared growth-rate and height values in each draw.
        rng : numpy.random.Generator
            Source of randomness.

        Returns
        -------
        numpy.ndarray of int, shape (n_draw,)
            Establishment year before collar years.
        """
        if self.joint is not None:
            cells = self.joint.reshape(-1, self.joint.shape[2])
            steps = _pick(cells, stand * self.joint.shape[1] + shared, rng)
            return self.reference_year - self.added_start - steps
        added = self.added_start + _pick(self.added, stand, rng)
        years = self.years_start + _pick(self.years, shared, rng)
        return self.reference_year - added - years


def _pick(mass: Array, rows: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
    """One draw from the mass function in each given row."""
    total = np.cumsum(mass, axis=1)
    total /= total[:, -1:]
    steps = np.searchsorted((total + np.arange(len(total))[:, None]).ravel(), rows + rng.random(rows.size), side="right")
    return np.minimum(steps - rows * mass.shape[1], mass.shape[1] - 1)


@dataclass(frozen=True)
class TreeAge:
    """Age and establishment date of one tree.

    Parameters
    ----------
    tree, species, plot : str
        As in the tables.
    status : str
        "estimated" or "minimum only".
    facts : Mapping
        cores, dating, inner_end, core_height_m, rings_counted of the lead core, and lead_core.
    outer_year : int
        Last ring year of the tree that the age runs to.
    minimum_age : int
        Rings that were counted: what can be claimed without any model.
    distributions : Mapping of str to Pmf
        missed_rings, pith_year, years_to_core_height, establishment_year, age, collar_years; empty when minimum only.
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
    """

    tree: str
    species: str
    plot: str
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

    def _get(self, name: str) -> Pmf:
        if name not in self.distributions:
            raise InputError(
                Fault(
                    f"status '{self.status}'",
                    "an estimated tree",
                    f"Use minimum_age ({self.minimum_age}); flags say why: {', '.join(self.flags) or 'none'}.",
                    "TreeAge",
                    0,
                    name,
                    f"tree {self.tree}",
                )
            )
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
    def establishment_year(self) -> Pmf:
        """First growing season of the tree.

        Returns
        -------
        Pmf
            Over ring years.
        """
        return self._get("establishment_year")

    @property
    def age(self) -> Pmf:
        """Growing seasons from establishment to the outer year, both counted.

        Returns
        -------
        Pmf
            Over seasons.
        """
        return self._get("age")

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

    def row(self, prob: float = 0.9) -> dict[str, Any]:
        """One row of the ages table.

        Parameters
        ----------
        prob : float, default 0.9
            Probability of the intervals.

        Returns
        -------
        dict
            Columns of the ages table; missing values where only a minimum can be claimed.
        """
        out: dict[str, Any] = {"tree": self.tree, "species": self.species, "plot": self.plot}
        out |= {key: self.facts.get(key) for key in ("cores", "dating", "inner_end", "core_height_m", "rings_counted")}
        for name in DISTRIBUTIONS:
            pmf = self.distributions.get(name)
            low, high = pmf.interval(prob) if pmf else (None, None)
            out |= {f"{name}_median": pmf.median() if pmf else None, f"{name}_lo": low, f"{name}_hi": high}
        out |= {"prob": prob, "minimum_age": self.minimum_age}
        out |= {name: self.shares.get(name, np.nan) for name in SHARES}
        out |= {"core_conflict_p": self.core_conflict_p, "flags": ";".join(self.flags)}
        return out

    def sentence(self, prob: float = 0.9) -> str:
        """Say the answer in one plain sentence that can be defended.

        Parameters
        ----------
        prob : float, default 0.9
            Probability of the interval.

        Returns
        -------
        str
            Year rounded to 5 or 10 where the spread is large, with the interval.

        Examples
        --------
        >>> TreeAge("A1", "Larix decidua", "", "minimum only", {}, 2024, 118).sentence()
        'Tree A1 is at least 118 years old in 2024 (rings counted; no estimate is possible).'
        """
        if "establishment_year" not in self.distributions:
            return (
                f"Tree {self.tree} is at least {self.minimum_age} years old in {year_text(self.outer_year)} "
                "(rings counted; no estimate is possible)."
            )
        pmf = self.establishment_year
        low, high = pmf.interval(prob)
        rounding = 10 if pmf.sd() > 6 else 5 if pmf.sd() > 3 else 1  # common practice, see README
        middle = int(round(pmf.median() / rounding) * rounding)
        age_low, age_high = self.age.interval(prob)
        about = "c. " if rounding > 1 else ""
        return (
            f"Tree {self.tree} established {about}{year_text(middle)} ({100 * prob:g} % interval {year_text(low)} to "
            f"{year_text(high)}); it was {age_low} to {age_high} years old in {year_text(self.outer_year)}."
        )

    def to_frame(self, prob: float = 0.9) -> pd.DataFrame:
        """The answer as a table of one row, unrounded.

        Parameters
        ----------
        prob : float, default 0.9
            Probability of the intervals.

        Returns
        -------
        pandas.DataFrame, shape (1, 33)
            Columns of the ages table.
        """
        return frame_of_rows([self.row(prob)])

    def __repr__(self) -> str:
        if "age" not in self.distributions:
            return f"TreeAge({self.tree!r}, at least {self.minimum_age} yr)"
        low, high = self.age.interval(0.9)
        return f"TreeAge({self.tree!r}, {self.age.median()} yr, 90 % {low}-{high}, {self.facts.get('cores')} cores)"

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{html.escape(name.replace('_', ' '))}</td><td>{pmf.median()}</td>"
            f"<td>{pmf.interval(0.9)[0]} to {pmf.interval(0.9)[1]}</td></tr>"
            for name, pmf in self.distributions.items()
        )
        flags = f"<p>Flags: {html.escape(', '.join(self.flags))}</p>" if self.flags else ""
        return (
            f"<p><b>{html.escape(self.sentence())}</b></p><table><tr><th></th><th>median</th><th>90 % interval</th></tr>"
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


@dataclass(frozen=True)
class Ages:
    """Ages of all trees of a field, with everything needed to report them.

    Parameters
    ----------
    tree_ages : tuple of TreeAge
        In the order of trees.csv; estimated and minimum-only trees.
    prob : float
        Probability of every interval printed.
    accounting : pandas.DataFrame
        Every row of trees.csv and cores.csv: table, row, tree, core, status, reason.
    tree_table, events : pandas.DataFrame
        As read.
    notes : pandas.DataFrame
        What was odd in the input.
    sources : pandas.DataFrame
        Every model and default actually used: step, what, source, known, trees.
    stand_weights : Mapping of str to numpy.ndarray
        Probabilities of the stand's growth-rate part, by rate group.
    settings : Mapping
        Site, hemisphere and the rest of the settings used.
    sampled : xarray.DataArray or None
        Joint draws that replace the exact ones (from the hierarchical layer).
    inference : object or None
        Inference data for ArviZ, from the hierarchical layer.
    extras : Mapping
        Tables of special steps (ring alignment, comparison of rules), by name.
    """

    tree_ages: tuple[TreeAge, ...]
    prob: float
    accounting: pd.DataFrame
    tree_table: pd.DataFrame
    events: pd.DataFrame
    notes: pd.DataFrame
    sources: pd.DataFrame
    stand_weights: Mapping[str, Array]
    settings: Mapping[str, Any]
    sampled: xarray.DataArray | None = None
    inference: Any = None
    extras: Mapping[str, Any] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.tree_ages)

    def __iter__(self) -> Iterator[TreeAge]:
        return iter(self.tree_ages)

    def __getitem__(self, tree: str) -> TreeAge:
        for answer in self.tree_ages:
            if answer.tree == tree:
                return answer
        known = ", ".join(answer.tree for answer in self.tree_ages[:5])
        raise KeyError(f"Ages: got tree {tree!r}, need one of the {len(self)} dated trees ({known}, ...); see .trees")

    @property
    def trees(self) -> list[str]:
        """Ids of the trees with an estimate.

        Returns
        -------
        list of str
            In the order of trees.csv; minimum-only trees are left out.
        """
        return [answer.tree for answer in self.tree_ages if answer.status == "estimated"]

    def to_frame(self, prob: float | None = None) -> pd.DataFrame:
        """The ages table, unrounded, one row a tree.

        Parameters
        ----------
        prob : float, optional
            Probability of the intervals; the one of the estimate by default.

        Returns
        -------
        pandas.DataFrame, shape (n_tree, 33)
            Columns as in the README.

        Raises
        ------
        InputError
            If prob is not between 0 and 1.
        """
        level = self.prob if prob is None else prob
        require_probability("Ages.to_frame", prob=level)
        return frame_of_rows([answer.row(level) for answer in self.tree_ages])

    def draws(self, n: int = 1000, *, seed: int = 0) -> xarray.DataArray:
        """Joint draws of the establishment years of all estimated trees, shared errors included.

        Parameters
        ----------
        n : int, default 1000
            Number of draws, at least 1.
        seed : int, default 0
            Same seed, same draws.

        Returns
        -------
        xarray.DataArray, shape (n, n_tree)
            Dims draw and tree; whole years.

        Raises
        ------
        InputError
            If n is below 1.

        Notes
        -----
        A draw takes one value of the stand's growth-rate part for each rate group and one of the height model for
        each height group, then every tree given these. So the mean over trees does not get better than its
        shared part, however many trees there are.
        """
        import xarray

        if n < 1:
            raise InputError(Fault(str(n), "at least 1", "Ask for some draws.", "Ages.draws", 0, "n"))
        rng = np.random.default_rng(seed)
        if self.sampled is not None:
            rows = rng.choice(self.sampled.sizes["draw"], n, replace=n > self.sampled.sizes["draw"])
            return self.sampled.isel(draw=rows).assign_coords(draw=np.arange(n))
        answers = [answer for answer in self.tree_ages if answer.parts is not None]
        stand = {
            group: rng.choice(weights.size, n, p=weights) for group, weights in sorted(self.stand_weights.items())
        }
        heights = {answer.parts.height_group: answer.parts for answer in answers if answer.parts is not None}
        level = {group: rng.random(n) for group in sorted(heights)}
        years = np.empty((n, len(answers)), dtype=np.int64)
        for column, answer in enumerate(answers):
            parts = answer.parts
            if parts is None:
                continue
            nodes = parts.years.shape[0] if parts.joint is None else parts.joint.shape[1]
            shared = (level[parts.height_group] * nodes).astype(np.int64)
            collar = answer.distributions["collar_years"].sample(n, rng)
            years[:, column] = parts.sample(stand[parts.rate_group], shared, rng) - collar
        coords = {"draw": np.arange(n), "tree": [answer.tree for answer in answers]}
        return xarray.DataArray(years, dims=("draw", "tree"), coords=coords, name="establishment_year")

    def summary(self) -> str:
        """Say in a few lines what was estimated.

        Returns
        -------
        str
            Counts of rows by status, median spread, warnings.
        """
        counts = self.accounting.groupby(["table", "status"], sort=True).size()
        lines = [f"{len(self.trees)} trees dated, {len(self) - len(self.trees)} as a minimum only."]
        lines += [f"  {table}: {status} {count}" for (table, status), count in counts.items()]
        spread = [answer.establishment_year.sd() for answer in self.tree_ages if answer.parts is not None]
        if spread:
            lines.append(f"Standard deviation of the establishment year: median {np.median(spread):.1f} years.")
        lines.append(f"Intervals: {100 * self.prob:g} %, equal-tailed.")
        return "\n".join(lines)

    def __repr__(self) -> str:
        return f"Ages({len(self.trees)} trees dated, {len(self) - len(self.trees)} minimum only, {100 * self.prob:g} % intervals)"

    def _repr_html_(self) -> str:
        columns = ["tree", "species", "age_median", "age_lo", "age_hi", "establishment_year_median"]
        columns += ["establishment_year_lo", "establishment_year_hi", "minimum_age", "flags"]
        table = self.to_frame()[columns].to_html(index=False, max_rows=20, na_rep="", escape=True)
        text = html.escape(self.summary()).replace("\n", "<br>")
        return f"<p>{text}</p>{table}<details><summary>Conventions</summary>{html.escape(CONVENTIONS)}</details>"

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the establishment dates of all trees in order, with their intervals and the events.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure by default.

        Returns
        -------
        matplotlib.axes.Axes
            The axes drawn on.
        """
        from treeage.plots import plot_dates

        return plot_dates(self, ax=ax)
