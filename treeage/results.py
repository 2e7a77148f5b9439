"""Frozen answers for a field: the ages of all its trees, joint draws, and their text, HTML and frame faces.

No model here: mass functions in, faces out; the conventions are those of DEVELOPERS.md.
"""

from __future__ import annotations

import html
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.display import ADD_UP, Result, counted, in_one_cell, table_html, year_text
from treeage.errors import Fault, InputError, kind_of, require_level, require_seed, show
from treeage.pmf import Mass, Pmf, ReadOnlyDict, freeze_arrays, keeps_tables, median_and_interval
from treeage.priors import data_rows
from treeage.schema import CORE_HEIGHT, ROOT_COLLAR, Dating, Word
from treeage.tables import CoreTable

if TYPE_CHECKING:
    import xarray

Array = NDArray[np.float64]


class Status(Word):
    """What became of a row of the input; the values are the words of the tables."""

    ESTIMATED = "estimated"
    MINIMUM_ONLY = "minimum only"
    REFUSED = "refused"
    NOT_CORED = "not cored"
    USED = "used"
    NOT_USED = "not used"


class Step(Word):
    """Steps of the chain in the table of sources."""

    DISTANCE = "distance to the pith"
    MISSED_RINGS = "missed rings"
    WIDTHS = "visible widths"
    COUNT = "count error"
    DIAMETER = "diameter"
    HEIGHT = "years to coring height"
    LEARNED = "learned parameters"


class Flag(Word):
    """What a reader must know about a tree or core; data/flags.csv holds the words for people."""

    ADVANCE_ORIGIN = "advance_origin"
    AGE_AT_CORE_HEIGHT = "age_at_core_height"
    BARK_FROM_PUBLISHED_SHARE = "bark_from_published_share"
    CORES_CONTRADICT = "cores_contradict"
    CORES_DISAGREE = "cores_disagree"
    DIAMETER_FROM_BREAST_HEIGHT = "diameter_from_breast_height"
    DISTANCE_BEYOND_DIAMETER = "distance_beyond_diameter"
    DISTANCE_FROM_RADIUS = "distance_from_radius"
    DISTANCE_SOURCES_DISAGREE = "distance_sources_disagree"
    DISTANCE_UNKNOWN = "distance_unknown"
    HEIGHT_FROM_OPEN_DATA = "height_from_open_data"
    HEIGHT_MODEL_CAUTION = "height_model_caution"
    INNER_END_LOST = "inner_end_lost"
    LENGTH_FROM_RINGS = "length_from_rings"
    MORE_HIDDEN_THAN_SEEN = "more_hidden_than_seen"
    NO_DIAMETER = "no_diameter"
    NO_RING_WIDTH = "no_ring_width"
    OUTER_RINGS_UNKNOWN = "outer_rings_unknown"
    PLANTED_ORIGIN = "planted_origin"
    PULSE_PRIOR = "pulse_prior"
    RING_ABSENT_OR_FALSE = "ring_absent_or_false"
    SAMPLING_FAILED = "sampling_failed"
    SPROUT_ORIGIN = "sprout_origin"
    TAPER_BELOW_ZERO = "taper_below_zero"
    UPPER_CORE_BOUNDS = "upper_core_bounds"
    WIDTH_FROM_DIAMETER = "width_from_diameter"
    WIDTH_FROM_LENGTH = "width_from_length"


@dataclass(frozen=True, eq=False)
class SharedParts:
    """A tree's posterior split by what it shares with the stand, so that joint draws keep shared errors shared.

    Parameters
    ----------
    reference_year : int
        Establishment year = reference_year - (added rings + years to the core height) - collar years.
    added : Mass, shape (n_stand, n) or (n_stand, n_shared, n)
        Added rings for each value of the stand's part of the growth; where two heights of the tree tie them, added
        rings + years together, for each shared value of the height model too. Rows sum to 1.
    years : Mass, shape (n_shared, n)
        Years to the core height for each shared value of the height model; not used where they are tied.
    growth_group, height_group : str
        Trees of one group share the value: those of one species, and for the heights all species that rest on one
        figure.
    """

    reference_year: int
    added: Mass
    years: Mass
    growth_group: str = ""
    height_group: str = ""

    @property
    def tied(self) -> bool:
        """Whether added rings and years come together."""
        return self.added.mass.ndim == 3

    @property
    def shared_values(self) -> int:
        """Number of shared values of the height model."""
        return int(self.added.mass.shape[1] if self.tied else self.years.mass.shape[0])

    def given(self, stand: int, shared: int) -> Pmf:
        """Added rings + years to the core height for one value of each shared part."""
        if self.tied:
            return self.added[min(stand, len(self.added.mass) - 1), shared].pmf()
        return self.added[stand].pmf().convolve(self.years[shared].pmf())

    def sample(
        self, stand: NDArray[np.int64], shared: NDArray[np.int64], rng: np.random.Generator
    ) -> NDArray[np.int64]:
        """Draw establishment years before collar years, given the indices of the shared values in each draw."""
        if self.tied:
            cells = Mass(self.added.start, self.added.mass.reshape(-1, self.added.size))
            return self.reference_year - cells.sample(stand * self.added.mass.shape[1] + shared, rng)
        return self.reference_year - self.added.sample(stand, rng) - self.years.sample(shared, rng)


DISTRIBUTIONS = (
    "missed_rings",
    "pith_year",
    "age_at_core_height",
    "years_to_core_height",
    "establishment_year",
    "age",
)
FACTS = ("cores", "dating", "inner_end", "lead_core", "core_height_m", "rings_counted")
SHARES = ("share_count", "share_distance", "share_rate", "share_height", "share_collar")
LIVED_ON = " Outer rings are lost, their number unknown: it lived on."
CONVENTIONS = (
    "Ring 1 is the first ring round the pith; the ring against the bark counts. Establishment year is the first "
    "growing season; age counts growing seasons from establishment to the last year, both included (years elapsed "
    "is one less). The last year is the outer year and the rings lost outside it. "
    "Southern ring years are the year in which growth began. Years are astronomical; year 0 is 1 BCE."
)


@dataclass(frozen=True)
class TreeAge(Result):
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
    core_rows : tuple of mapping
        One row a core, for the table `cores`.
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
    core_rows: tuple[Mapping[str, Any], ...] = ()
    outer_lost: Pmf = field(default_factory=lambda: Pmf.point(0))
    prob: float = 0.9

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def cores(self) -> pd.DataFrame:
        """What each core says alone: a table, one row a core."""
        return CoreTable.of(self.core_rows, self.prob)

    @property
    def date_refers_to(self) -> str:
        """What the date of the tree refers to.

        "root collar"; "coring height" where the height model "none" was chosen, so that the tree is older than its
        date by the unknown years to that height; empty without an estimate.
        """
        if not self.distributions:
            return ""
        return ROOT_COLLAR if "establishment_year" in self.distributions else CORE_HEIGHT

    @property
    def date(self) -> Pmf:
        """The date of the tree: its establishment year, or without a height model its pith year at coring height.

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
        """Year of ring 1 at the coring height: over ring years."""
        return self._get("pith_year")

    @property
    def age_at_core_height(self) -> Pmf:
        """Growing seasons from ring 1 at the coring height to the last year, lost rings too, both counted."""
        return self._get("age_at_core_height")

    @property
    def establishment_year(self) -> Pmf:
        """First growing season of the tree: over ring years; without a height model use `date`."""
        return self._get("establishment_year")

    @property
    def age(self) -> Pmf:
        """Growing seasons from establishment to the last year, both counted: over seasons."""
        return self._get("age")

    @property
    def last_year(self) -> int:
        """Year that the age runs to: the outer year and the rings lost outside it (the median where that is uncertain).

        >>> TreeAge("A1", "", "", "minimum only", {}, 2000, 100, outer_lost=Pmf.point(20)).last_year
        2020
        """
        return self.outer_year + self.outer_lost.median()

    @property
    def open_end(self) -> bool:
        """Whether outer rings are lost and nobody said how many: the tree lived on, and its age has no upper end."""
        return Flag.OUTER_RINGS_UNKNOWN in self.flags

    @property
    def missed_rings(self) -> Pmf:
        """Rings between the innermost counted ring of the lead core and the pith: over rings."""
        return self._get("missed_rings")

    @property
    def years_to_core_height(self) -> Pmf:
        """Whole seasons before the one in which the tip passed the coring height: over seasons."""
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
        level = require_level("TreeAge.row", "prob", self.prob if prob is None else prob)
        out: dict[str, Any] = {"tree": self.tree, "species": self.species, "plot": self.plot_id}
        out |= {"date_refers_to": self.date_refers_to} | {key: self.facts.get(key) for key in FACTS}
        for name in DISTRIBUTIONS:
            pmf = self.distributions.get(name)
            median, low, high = median_and_interval(pmf, level) if pmf else (None, None, None)
            out |= {f"{name}_median": median, f"{name}_lo": low, f"{name}_hi": high}
        out |= {"prob": level, "minimum_age": self.minimum_age}
        out |= {name: self.shares.get(name, np.nan) for name in SHARES}
        out |= {"core_conflict_p": self.core_conflict_p, "flags": ";".join(self.flags)}
        return out

    def sentence(self, prob: float | None = None) -> str:
        """The answer in words, with the interval of a probability, by default that of the estimate.

        The year is rounded to five where the standard deviation is above 3 years and to ten above 6; the interval is in
        full.

        >>> TreeAge("A1", "Larix decidua", "", "minimum only", {}, 2024, 118).sentence()
        'Tree A1 shows 118 rings counted without crossdating, about its least age in 2024; no estimate is possible.'
        """
        if not self.distributions:
            rings, year, older = self.minimum_age, year_text(self.outer_year), LIVED_ON * self.open_end
            if self.facts.get("dating") == Dating.CROSSDATED:
                return (
                    f"Tree {self.tree} is at least {rings} years old in {year} (crossdated; no estimate is possible)."
                    + older
                )
            return (
                f"Tree {self.tree} shows {rings} rings counted without crossdating, about its least age in {year}; "
                "no estimate is possible." + older
            )
        pmf = self.date
        level = self.prob if prob is None else prob
        low, high = pmf.interval(level)
        rounding = 10 if pmf.sd() > 6 else 5 if pmf.sd() > 3 else 1  # choice: no finer than the date is known
        era = int(pmf.median() <= 0)  # BCE years are rounded as they are written: -43 is 44 BCE, c. 45 BCE
        near = [(era + int(round((pmf.median() - era) / step) * step), step) for step in (10, 5, 1) if step <= rounding]
        middle, rounding = next(pair for pair in near if low <= pair[0] <= high)  # never outside its own interval
        about = "c. " if rounding > 1 else ""
        when = f"{about}{year_text(middle)} ({100 * level:g} % interval {year_text(low)} to {year_text(high)})"
        if self.date_refers_to == CORE_HEIGHT:
            at = f"{self.facts['core_height_m']:g} m" if "core_height_m" in self.facts else "coring height"
            older = "it is older by the unknown years to that height"
            return f"Tree {self.tree} had its pith ring at {at} in {when}; {older}.{LIVED_ON * self.open_end}"
        age_low, age_high = self.age.interval(level)
        ended = "in" if self.outer_lost.sd() == 0 else "in its last year, about"
        year = year_text(self.last_year)
        if self.open_end:
            ends = f"{age_low} to {age_high} years, and its age has no upper end"
            return f"Tree {self.tree} established {when}; its rings up to {year} make {ends}.{LIVED_ON}"
        return f"Tree {self.tree} established {when}; it was {age_low} to {age_high} years old {ended} {year}."

    def to_frame(self, prob: float | None = None) -> pd.DataFrame:
        """The answer as one row of the ages table, with intervals of a probability, by default that of the estimate."""
        return frame_of_rows([self.row(prob)])

    def __repr__(self) -> str:
        if not self.distributions:
            return f"TreeAge({self.tree!r}, {self.minimum_age} rings counted, no estimate)"
        level = f"{100 * self.prob:g} %"
        if self.date_refers_to == CORE_HEIGHT:
            low, high = self.date.interval(self.prob)
            return f"TreeAge({self.tree!r}, year at coring height {self.date.median()}, {level} {low}-{high})"
        (low, high), cores = self.age.interval(self.prob), counted(int(self.facts.get("cores") or 0), "core")
        return f"TreeAge({self.tree!r}, {self.age.median()} yr, {level} {low}-{high}, {cores})"

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{html.escape(name.replace('_', ' '))}</td><td>{pmf.median()}</td>"
            f"<td>{pmf.interval(self.prob)[0]} to {pmf.interval(self.prob)[1]}</td></tr>"
            for name, pmf in self.distributions.items()
            if name != "collar_years" or self.date_refers_to == ROOT_COLLAR
        )
        flags = f"<p>Flags: {html.escape(', '.join(self.flags).replace('_', ' '))}</p>" if self.flags else ""
        head = f"<tr><th></th><th>median</th><th>{100 * self.prob:g} % interval</th></tr>"
        steps = f"<table>{head}{rows}</table><p>{ADD_UP}</p>" if rows else ""
        folded = f"<details><summary>Conventions</summary>{html.escape(CONVENTIONS)}</details>"
        return f"<p><b>{html.escape(self.sentence())}</b></p>{steps}{flags}{folded}"


def frame_of_rows(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """The ages table from rows of `TreeAge.row`, whole numbers as whole numbers also where some are missing.

    >>> frame_of_rows([TreeAge("A1", "", "", "minimum only", {}, 2024, 118).row()])["minimum_age"].tolist()
    [118]
    """
    columns = list(TreeAge("", "", "", "", {}, 0, 0).row()) if not rows else list(rows[0])
    frame = pd.DataFrame(rows, columns=columns)
    for name in columns:
        if name.endswith(("_median", "_lo", "_hi")) or name in ("cores", "rings_counted", "minimum_age"):
            frame[name] = frame[name].astype("Int64")
    return frame


@keeps_tables
@dataclass(frozen=True)
class Ages(Result):
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
        Every model and default actually used: step, what, source, known, used (number of cores or trees). The index
        names the species of a height model.
    stand_weights : Mapping of str to numpy.ndarray
        Probabilities of the stand's part of the growth, by growth group.
    height_weights : Mapping of str to numpy.ndarray
        Probabilities of the height model's shared values, by height group; equal where absent.
    settings : Mapping
        Site, hemisphere and the rest of the settings used.
    sampled : xarray.DataArray or None
        Joint draws that replace the exact ones; from `fit_hierarchical` or `with_pulses`.
    inference : object or None
        Inference data for ArviZ; from `fit_hierarchical`.
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

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def __len__(self) -> int:
        return len(self.tree_ages)

    def __iter__(self) -> Iterator[TreeAge]:
        return iter(self.tree_ages)

    @cached_property
    def _by_name(self) -> Mapping[str, TreeAge]:
        return ReadOnlyDict({answer.tree: answer for answer in self.tree_ages})

    def __getitem__(self, tree: str) -> TreeAge:
        if isinstance(tree, str) and tree in self._by_name:
            return self._by_name[tree]
        known = ", ".join(repr(answer.tree) for answer in self.tree_ages[:5]) + (", ..." if len(self) > 5 else "")
        do = f"write {str(tree)!r}" if str(tree) in self._by_name else "see .trees"
        raise KeyError(f"Ages: got tree {tree!r}, need one of the {len(self)} trees ({known}); {do}")

    @property
    def trees(self) -> list[str]:
        """Ids of the trees with an estimate: in the order of trees.csv; minimum-only trees are left out."""
        return [answer.tree for answer in self.tree_ages if answer.status == Status.ESTIMATED]

    @property
    def at_core_height(self) -> list[str]:
        """Ids of the dated trees whose date is the year at coring height, because their species has no height model.

        In the order of trees.csv.
        """
        return [answer.tree for answer in self.tree_ages if answer.date_refers_to == CORE_HEIGHT]

    @property
    def date_note(self) -> str:
        """Say which dates refer to the coring height: one sentence; empty when every date is an establishment year."""
        names = [answer.species or "species not given" for answer in self if answer.date_refers_to == CORE_HEIGHT]
        if not names:
            return ""
        species = sorted(set(names))
        who = f"{len(names)} of {len(self.trees)} dates refer"
        if len(names) == len(self.trees):
            who = "The date refers" if len(names) == 1 else "All dates refer"
        return (
            f"{who} to the coring height, because no years to it are added for {', '.join(species)}: these "
            "trees are older by the unknown years to that height."
        )

    def to_frame(self, prob: float | None = None) -> pd.DataFrame:
        """The ages table, one row a tree, with intervals of a probability, by default that of the estimate.

        Columns as in `treeage.schema.nomenclature`, table ages; InputError if prob is not between 0 and 1.
        """
        level = require_level("Ages.to_frame", "prob", self.prob if prob is None else prob)
        return frame_of_rows([answer.row(level) for answer in self.tree_ages])

    @property
    def cautions(self) -> tuple[str, ...]:
        """What has to be read before any date is used: one sentence each; mostly none."""
        told = []
        for row in (each for each in data_rows("flags.csv") if each["caution"]):
            names = [answer.tree for answer in self if row["flag"] in answer.flags]
            if names:
                some = ", ".join(names[:5]) + (", ..." if len(names) > 5 else "")
                told.append(row["caution"].format(many=f"{len(names)} tree{'s' * (len(names) > 1)} ({some})"))
        return tuple(told)

    @property
    def height_note(self) -> str:
        """Sentence on the trees whose years to the coring height rest on open data; empty where there are none."""
        of = [answer for answer in self.tree_ages if Flag.HEIGHT_FROM_OPEN_DATA in answer.flags]
        species = list(dict.fromkeys(answer.species for answer in of))
        many = f"{len(of)} of {len(self.trees)} trees" if len(of) < len(self.trees) else "all trees"
        plan = vars(self)["extras"].get("young_trees_elsewhere")
        few = plan is not None and plan.loc[plan["species"].isin(species), "own_trees"].any()
        wide = " with few or no young trees of this stand; more" if few else ", about as wide as a new site is;"
        told = f"The years to coring height of {many} ({', '.join(species)}) rest on open data"
        return (
            f"{told} on young trees from elsewhere{wide} seedlings of this stand would narrow them most." if of else ""
        )

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
        A draw takes one value of the stand's part of the growth for each growth group and one of the height model for
        each height group, then every tree given these. So the mean over trees does not get better than its
        shared part, however many trees there are.
        """
        import xarray

        name = "date" if self.at_core_height else "establishment_year"
        if self.sampled is not None:
            rows = _rows_drawn(self.sampled.sizes["draw"], n, seed, self.sampled.sizes["tree"])
            return self.sampled.isel(draw=rows).assign_coords(draw=np.arange(n)).rename(name)
        trees, years = joint_years(self, n, seed=seed)
        coords = {"draw": np.arange(n), "tree": trees}
        return xarray.DataArray(years, dims=("draw", "tree"), coords=coords, name=name)

    def sentence(self) -> str:
        """How many trees are dated, how well, and to what the dates refer."""
        return " ".join(line for line in Ages.summary(self).splitlines() if not line.startswith(" "))

    def summary(self) -> str:
        """Say in a few lines what was estimated.

        Returns
        -------
        str
            Counts of rows by status, median spread, warnings.
        """
        counts = self.accounting.groupby(["table", "status"], sort=False)["rows"].sum().reset_index()
        lines = [f"{counted(len(self.trees), 'tree')} dated, {len(self) - len(self.trees)} as a minimum only."]
        columns = (counts[name] for name in ("table", "status", "rows"))
        lines += [f"  {table}: {status} {count}" for table, status, count in zip(*columns, strict=True)]
        level = f"Intervals: {100 * self.prob:g} %, equal-tailed."
        spread = [answer.date.sd() for answer in self.tree_ages if answer.parts is not None]
        if spread:
            lines.append(f"Standard deviation of the date: median {np.median(spread):.1f} years.")
        return "\n".join(filter(None, (*lines, *self.cautions, self.date_note, self.height_note, level)))

    def __repr__(self) -> str:
        dated, level = len(self.trees), f"{100 * self.prob:g} % intervals"
        above = f" ({len(self.at_core_height)} at coring height)" if self.at_core_height else ""
        return f"Ages({counted(dated, 'tree')} dated{above}, {len(self) - dated} minimum only, {level})"

    def _repr_html_(self) -> str:
        above = ["date_refers_to", "pith_year"] * bool(self.at_core_height)
        shown = ["tree", "species", *above, "establishment_year", "age", "minimum_age", "flags"]
        table = in_one_cell(self.to_frame())[[name.replace("_", " ") for name in shown]]
        table["flags"] = table["flags"].str.replace("_", " ").str.replace(";", "; ")
        text = html.escape(self.summary()).replace("\n", "<br>")
        return f"<p>{text}</p>{table_html(table)}<p><small>{html.escape(CONVENTIONS)}</small></p>"


MOST_DRAWN = 200_000_000  # choice: years in one table of draws, 1.6 GB


def joint_years(ages: Ages, count: int, *, seed: int = 0) -> tuple[list[str], NDArray[np.int64]]:
    """Joint draws of `Ages.draws` as plain numbers: ids of the estimated trees, and years, shape (count, n_tree).

    InputError if count is below 1, or seed is not a whole number of at least 0.
    """
    if ages.sampled is not None:
        drawn = ages.sampled.transpose("draw", "tree")
        rows = _rows_drawn(drawn.sizes["draw"], count, seed, drawn.sizes["tree"])
        return [str(tree) for tree in drawn["tree"].to_numpy()], drawn.to_numpy()[rows]
    _require_some(count, len(ages.tree_ages))
    rng = np.random.default_rng(require_seed("Ages.draws", seed))
    told = [(each.tree, each.parts, each.distributions["collar_years"]) for each in ages if each.parts is not None]
    stand = dict.fromkeys(sorted(ages.stand_weights), rng.random(count))  # one state for all: aim and reading
    level = {group: rng.random(count) for group in sorted({own.height_group for _, own, _ in told})}
    picked = shared_values(ages, stand, level)
    years = np.empty((count, len(told)), dtype=np.int64)
    for column in sorted(range(len(told)), key=lambda at: told[at][0]):  # by id: the order of trees never matters
        _, own, collar = told[column]
        least = collar.sample(count, rng)
        growth, height = picked[own.growth_group, own.height_group]
        years[:, column] = own.sample(growth, height, rng) - least
    return [tree for tree, _, _ in told], years


def shared_values(
    ages: Ages, stand: Mapping[str, Array], level: Mapping[str, Array], *, together: bool = False
) -> dict[tuple[str, str], tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """Indices of the shared growth and height values in each draw, by growth and height group.

    stand, level: uniform draws by growth and by height group; together: growth and heights were learned as pairs.
    """
    picked = {}
    parts = (answer.parts for answer in ages if answer.parts is not None)
    for own in {(each.growth_group, each.height_group): each for each in parts}.values():
        nodes = own.shared_values
        weights = ages.height_weights.get(own.height_group, np.full(nodes, 1 / nodes))
        growth = _indices(ages.stand_weights[own.growth_group], stand[own.growth_group])
        height = growth if together else _indices(weights, level[own.height_group])
        picked[own.growth_group, own.height_group] = growth, height
    return picked


def _indices(weights: Array, uniform: Array) -> NDArray[np.int64]:
    return np.minimum(np.searchsorted(np.cumsum(weights), uniform), weights.size - 1)


def _rows_drawn(size: int, count: int, seed: int, trees: int) -> NDArray[np.int64]:
    """Rows of sampled draws: each once as long as there are enough of them."""
    _require_some(count, trees)
    return np.random.default_rng(require_seed("Ages.draws", seed)).choice(size, count, replace=count > size)


def _require_some(count: int, trees: int) -> None:
    if isinstance(count, bool) or not isinstance(count, (int, np.integer)) or count < 1:
        got = str(count) if isinstance(count, int) else kind_of(count)
        raise InputError(Fault(got, "at least 1", "Ask for some draws.", "Ages.draws", 0, "n"))
    most = MOST_DRAWN // max(trees, 1)
    if count > most:
        got, need = f"{show(count)} draws of {trees} trees", f"at most {most}, or {MOST_DRAWN} years in all"
        raise InputError(Fault(got, need, "Ask for fewer; 4000 serve most ends.", "Ages.draws", 0, "n"))
