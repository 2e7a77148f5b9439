"""Frozen answers for a field: the ages of all its trees, joint draws, and their text, HTML and frame faces.

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

from treeage.errors import Fault, InputError, require_level
from treeage.errors_checks import require_seed
from treeage.results_tree import CONVENTIONS, CORE_HEIGHT, TreeAge, frame_of_rows

if TYPE_CHECKING:
    import xarray
    from matplotlib.axes import Axes

Array = NDArray[np.float64]


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
        Every row of the input: table, row, tree, core, status, reason, rows (1 for a tree or a core; the other
        tables are summed by status).
    tree_table, events : pandas.DataFrame
        As read.
    notes : pandas.DataFrame
        What was odd in the input.
    sources : pandas.DataFrame
        Every model and default actually used: step, what, source, known, trees.
    stand_weights : Mapping of str to numpy.ndarray
        Probabilities of the stand's growth-rate part, by rate group.
    height_weights : Mapping of str to numpy.ndarray
        Probabilities of the height model's shared values, by height group; equal where absent.
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
    height_weights: Mapping[str, Array] = field(default_factory=dict)
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
        known = ", ".join(repr(answer.tree) for answer in self.tree_ages[:5]) + (", ..." if len(self) > 5 else "")
        do = f"write {str(tree)!r}" if any(answer.tree == str(tree) for answer in self.tree_ages) else "see .trees"
        raise KeyError(f"Ages: got tree {tree!r}, need one of the {len(self)} trees ({known}); {do}")

    @property
    def trees(self) -> list[str]:
        """Ids of the trees with an estimate.

        Returns
        -------
        list of str
            In the order of trees.csv; minimum-only trees are left out.
        """
        return [answer.tree for answer in self.tree_ages if answer.status == "estimated"]

    @property
    def at_core_height(self) -> list[str]:
        """Ids of the dated trees whose date is the year at coring height, because their species has no height model.

        Returns
        -------
        list of str
            In the order of trees.csv.
        """
        return [answer.tree for answer in self.tree_ages if answer.date_refers_to == CORE_HEIGHT]

    @property
    def date_note(self) -> str:
        """Say which dates refer to the coring height.

        Returns
        -------
        str
            One sentence; empty when every date is an establishment year.
        """
        names = [answer.species or "species not given" for answer in self if answer.date_refers_to == CORE_HEIGHT]
        if not names:
            return ""
        species = sorted(set(names))
        who = f"{len(names)} of {len(self.trees)} dates refer"
        if len(names) == len(self.trees):
            who = "The date refers" if len(names) == 1 else "All dates refer"
        return (
            f"{who} to the coring height, because no height model was given or chosen for {', '.join(species)}: these "
            "trees are older by the unknown years to that height."
        )

    def to_frame(self, prob: float | None = None) -> pd.DataFrame:
        """The ages table, unrounded, one row a tree.

        Parameters
        ----------
        prob : float, optional
            Probability of the intervals; the one of the estimate by default.

        Returns
        -------
        pandas.DataFrame, one row a tree
            Columns as in `treeage.schema.nomenclature`, table ages.

        Raises
        ------
        InputError
            If prob is not between 0 and 1.
        """
        level = require_level("Ages.to_frame", "prob", self.prob if prob is None else prob)
        return frame_of_rows([answer.row(level) for answer in self.tree_ages])

    def draws(self, n: int = 1000, *, seed: int = 0) -> xarray.DataArray:
        """Joint draws of the dates of all estimated trees, shared errors included.

        Parameters
        ----------
        n : int, default 1000
            Number of draws, at least 1.
        seed : int, default 0
            Same seed, same draws.

        Returns
        -------
        xarray.DataArray, shape (n, n_tree)
            Dims draw and tree; whole years: establishment years, and for the trees of `at_core_height` pith years;
            named establishment_year, or date where there are such trees.

        Raises
        ------
        InputError
            If n is below 1, or seed is not a whole number of at least 0.

        Notes
        -----
        A draw takes one value of the stand's growth-rate part for each rate group and one of the height model for
        each height group, then every tree given these. So the mean over trees does not get better than its
        shared part, however many trees there are.
        """
        import xarray

        name = "date" if self.at_core_height else "establishment_year"
        if self.sampled is not None:
            rows = _rows_drawn(self.sampled.sizes["draw"], n, seed)
            return self.sampled.isel(draw=rows).assign_coords(draw=np.arange(n)).rename(name)
        trees, years = joint_years(self, n, seed=seed)
        coords = {"draw": np.arange(n), "tree": trees}
        return xarray.DataArray(years, dims=("draw", "tree"), coords=coords, name=name)

    def summary(self) -> str:
        """Say in a few lines what was estimated.

        Returns
        -------
        str
            Counts of rows by status, median spread, warnings.
        """
        counts = self.accounting.groupby(["table", "status"], sort=False)["rows"].sum().reset_index()
        lines = [f"{len(self.trees)} trees dated, {len(self) - len(self.trees)} as a minimum only."]
        columns = (counts[name] for name in ("table", "status", "rows"))
        lines += [f"  {table}: {status} {count}" for table, status, count in zip(*columns, strict=True)]
        spread = [answer.date.sd() for answer in self.tree_ages if answer.parts is not None]
        if spread:
            lines.append(f"Standard deviation of the date: median {np.median(spread):.1f} years.")
        lines += [self.date_note] if self.date_note else []
        lines.append(f"Intervals: {100 * self.prob:g} %, equal-tailed.")
        return "\n".join(lines)

    def __repr__(self) -> str:
        dated = len(self.trees)
        above = f" ({len(self.at_core_height)} at coring height)" if self.at_core_height else ""
        return f"Ages({dated} trees dated{above}, {len(self) - dated} minimum only, {100 * self.prob:g} % intervals)"

    def _repr_html_(self) -> str:
        above = ["date_refers_to", "pith_year_median", "pith_year_lo", "pith_year_hi"] if self.at_core_height else []
        columns = ["tree", "species", *above, "age_median", "age_lo", "age_hi", "establishment_year_median"]
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


def joint_years(ages: Ages, count: int, *, seed: int = 0) -> tuple[list[str], NDArray[np.int64]]:
    """Joint draws as plain numbers: those of `Ages.draws`, for steps that need no labelled array.

    Parameters
    ----------
    ages : Ages
        Ages of a field.
    count : int
        Number of draws, at least 1.
    seed : int, default 0
        Same seed, same draws.

    Returns
    -------
    trees : list of str
        Ids of the estimated trees.
    years : numpy.ndarray of int, shape (count, n_tree)
        Establishment years.

    Raises
    ------
    InputError
        If count is below 1, or seed is not a whole number of at least 0.

    Notes
    -----
    See `Ages.draws` for what is shared within a draw.
    """
    if ages.sampled is not None:
        drawn = ages.sampled.transpose("draw", "tree")
        rows = _rows_drawn(drawn.sizes["draw"], count, seed)
        return [str(tree) for tree in drawn["tree"].to_numpy()], drawn.to_numpy()[rows]
    _require_some(count)
    rng = np.random.default_rng(require_seed("Ages.draws", seed))
    answers = [answer for answer in ages.tree_ages if answer.parts is not None]
    stand = {group: rng.choice(weights.size, count, p=weights) for group, weights in sorted(ages.stand_weights.items())}
    level = {group: rng.random(count) for group in sorted({each.parts.height_group for each in answers if each.parts})}
    years = np.empty((count, len(answers)), dtype=np.int64)
    for column, answer in enumerate(answers):
        parts = answer.parts
        if parts is None:
            continue
        nodes = parts.years.shape[0] if parts.joint is None else parts.joint.shape[1]
        weights = ages.height_weights.get(parts.height_group, np.full(nodes, 1 / nodes))
        shared = np.minimum(np.searchsorted(np.cumsum(weights), level[parts.height_group]), nodes - 1)
        collar = answer.distributions["collar_years"].sample(count, rng)
        years[:, column] = parts.sample(stand[parts.rate_group], shared, rng) - collar
    return [answer.tree for answer in answers], years


def _rows_drawn(size: int, count: int, seed: int) -> NDArray[np.int64]:
    """Rows of sampled draws: each once as long as there are enough of them."""
    _require_some(count)
    return np.random.default_rng(require_seed("Ages.draws", seed)).choice(size, count, replace=count > size)


def _require_some(count: int) -> None:
    if count < 1:
        raise InputError(Fault(str(count), "at least 1", "Ask for some draws.", "Ages.draws", 0, "n"))
