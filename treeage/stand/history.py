"""From the ages of a field to the history of its stand: structure, recruitment, pulses, events, origin, static models.

Gathers the parts of the room on what `Ages` offers; no model of its own.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import pandas as pd

from treeage.display import Result, html_block, year_text
from treeage.errors import (
    Fault,
    InputError,
    ModelError,
    ModelWarning,
    public,
    require_attributes,
    require_level,
    require_seed,
    require_whole,
)
from treeage.pmf import freeze_arrays, keeps_tables
from treeage.schema import CORE_HEIGHT, ROOT_COLLAR, TreeStatus, column_numbers
from treeage.stand.diameter import FEWEST_CORED, AgeFromDiameter, age_from_diameter
from treeage.stand.mixture import fit_pulses
from treeage.stand.past import EventResponse, StandOrigin, after_events, stand_origin
from treeage.stand.pulses import PulseHistory, told_pulses
from treeage.stand.recruitment import (
    FEWEST_TREES,
    SURVIVORS,
    RecruitmentHistory,
    sharpened_dates,
    told_history,
)
from treeage.stand.static import CAVEAT, StaticModels, static_models
from treeage.stand.structure import AgeStructure, Array, Flags, age_structure, split_shared

if TYPE_CHECKING:
    import xarray

LINE_DRAWS = 1000  # choice: draws for age from diameter, whose scatter is far wider than their error
MOST_CLASSES = 8  # choice: finer classes of diameter tell ages no better
CLASS_TREES = 3  # choice: dated trees of a diameter class that stand for the others in it
EVEN = (
    0.9  # choice: below this share of effective trees both readings of the pulses, with weights and without, are told
)
TOO_SMALL = (
    "Trees too small to be cored are missing as well: few dates in the last decades do not mean that no young trees "
    "came."
)
ONCE = "Each dated tree counted once instead:"
WEIGHTED = (
    "Each tree is weighted by its trees_per_ha in the age structure, recruitment, pulses and static models. Trees "
    "after events and age from diameter count each dated tree once."
)


class DatedTrees(Protocol):
    """What `stand_history` needs of the ages of a field."""

    prob: float
    tree_table: pd.DataFrame
    events: pd.DataFrame

    @property
    def trees(self) -> list[str]:
        """Ids of the dated trees."""
        ...

    def draws(self, n: int, *, seed: int = 0) -> xarray.DataArray:
        """Joint draws of establishment years, dims draw and tree."""
        ...

    def __getitem__(self, tree: str) -> Any:
        """Answer for one tree, with its outer year and what its date refers to."""
        ...


@keeps_tables
@dataclass(frozen=True)
class StandHistory(Result):
    """History of a stand from the dates of its trees; from `stand_history`.

    Parameters
    ----------
    structure : AgeStructure
        Trees by period with intervals.
    recruitment : RecruitmentHistory
        Establishment by year with the blur of dating undone.
    pulses : PulseHistory
        Number, dates and shares of pulses.
    origin : StandOrigin
        Oldest tree as a bound, and the origin.
    events : EventResponse or None
        Answers to the events of the field.
    static : StaticModels or None
        Constant and declining mortality; None if the ages cover fewer than three classes.
    diameter : AgeFromDiameter or None
        Age from diameter, if enough dated trees have one.
    uncored : pandas.DataFrame
        Predicted ages of the trees of the field that are not dated but have a diameter.
    dates : numpy.ndarray, shape (draws, n)
        Joint dates of the trees given the history (`sharpened_dates`): for counts, extremes and lags of the stand.
    trees : tuple of str
        Ids of the dated trees, sorted: the order of rows never reaches a number.
    survey_year : int
        Last ring of the field.
    notes : tuple of str
        Assumptions and what was left out.
    at_core_height : int, default 0
        Number of trees whose date is the year at coring height, because their species has no height model.
    coverage : str, default ""
        Sentence on what the figures per hectare cover, and the effective number of trees; empty without weights.
    pulses_unweighted : PulseHistory or None
        The pulses with each tree counted once, where the weights leave clearly fewer trees' worth of evidence.
    """

    _rows = 20

    structure: AgeStructure
    recruitment: RecruitmentHistory
    pulses: PulseHistory
    origin: StandOrigin
    events: EventResponse | None
    static: StaticModels | None
    diameter: AgeFromDiameter | None
    uncored: pd.DataFrame
    dates: Array
    trees: tuple[str, ...]
    survey_year: int
    notes: tuple[str, ...]
    at_core_height: int = 0
    coverage: str = ""
    pulses_unweighted: PulseHistory | None = None

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def core_height_note(self) -> str:
        """How many dates are years at coring height: empty when none is."""
        if not self.at_core_height:
            return ""
        return (
            f"{self.at_core_height} of {len(self.trees)} trees are dated at coring height; their dates are later than "
            "their establishment by unknown years"
        )

    def to_frame(self) -> pd.DataFrame:
        """Trees by period, the main table of a stand; the other parts have their own (`tables`)."""
        return self.structure.to_frame()

    def tables(self) -> dict[str, pd.DataFrame]:
        """All tables of the history by name.

        Returns
        -------
        dict of str to pandas.DataFrame
            age_structure, recruitment, pulses, pulse_membership, origin, and where they exist pulses_unweighted,
            events, trees_after_events, static_models, age_from_diameter, uncored_trees.
        """
        members = pd.DataFrame(self.pulses.membership)
        members.columns = pd.Index(["p_background", *[f"p_pulse_{k}" for k in range(1, members.shape[1])]])
        members.insert(0, "tree", list(self.trees))
        out = {
            "age_structure": self.structure.to_frame(),
            "recruitment": self.recruitment.to_frame(),
            "pulses": self.pulses.to_frame(),
            **({} if self.pulses_unweighted is None else {"pulses_unweighted": self.pulses_unweighted.to_frame()}),
            "pulse_membership": members,
            "origin": self.origin.to_frame(),
        }
        if self.events is not None:
            out |= {"events": self.events.to_frame(), "trees_after_events": self.events.tree_frame()}
        if self.static is not None:
            out["static_models"] = self.static.to_frame()
        if self.diameter is not None:
            out["age_from_diameter"] = self.diameter.to_frame()
        if len(self.uncored):
            out["uncored_trees"] = self.uncored
        return out

    def sentences(self) -> list[str]:
        """State the history in plain sentences.

        Returns
        -------
        list of str
            One for each part.
        """
        always = [
            self.structure.sentence(),
            self.recruitment.sentence(),
            self.pulses.sentence(),
            *([] if self.pulses_unweighted is None else [f"{ONCE} {self.pulses_unweighted.sentence()}"]),
            self.origin.sentence(),
        ]
        return [
            *([self.coverage] if self.coverage else []),
            *always,
            *(part.sentence() for part in (self.events, self.static, self.diameter) if part is not None),
        ]

    def sentence(self) -> str:
        """All sentences, and how many dates are years at coring height."""
        return " ".join([*self.sentences(), *([f"{self.core_height_note}."] if self.at_core_height else [])])

    def summary(self) -> str:
        """Say the history in a few lines.

        Returns
        -------
        str
            What it rests on, then a line for each sentence, then the assumptions.
        """
        level = f"{100 * self.structure.prob:g} %"
        head = f"History of {len(self.trees)} dated trees up to {year_text(self.survey_year)}; {level} intervals."
        above = [f"{self.core_height_note}."] if self.at_core_height else []
        rest = [f"  {note}" for note in self.notes if note != self.core_height_note]
        return "\n".join([head, *self.sentences(), *above, "Assumptions", *rest])

    def __repr__(self) -> str:
        bins = f"bins of {self.structure.bin_years} years"
        pulses = f"{self.pulses.number} pulse" + ("" if self.pulses.number == 1 else "s")
        above = f" ({self.at_core_height} dated at coring height)" if self.at_core_height else ""
        return f"StandHistory({len(self.trees)} trees{above}, {pulses}, {bins})"

    def _repr_html_(self) -> str:
        return html_block(self.to_frame(), sentence=self.sentence(), notes=self.notes, rows=self._rows)


@public
def stand_history(
    ages: DatedTrees,
    *,
    bin_years: int | None = None,
    within_years: Sequence[int] = (10, 20, 50),
    most_pulses: int = 4,
    diameter_sd_cm: float = 0.3,
    count: int = 4000,
    prob: float | None = None,
    seed: int = 0,
) -> StandHistory:
    """Tell the history of a stand from the ages of its trees.

    Parameters
    ----------
    ages : Ages
        Answer of `estimate_ages` or `fit_hierarchical`.
    bin_years : int, optional
        Width of the periods [years]; the smallest the dating error can carry by default.
    within_years : sequence of int, default (10, 20, 50)
        Windows after each event [years].
    most_pulses : int, default 4
        Largest number of pulses that is tried.
    diameter_sd_cm : float, default 0.3
        Measurement error of a diameter [cm] (choice: a tape read to the millimetre on bark).
    count : int, default 4000
        Joint draws.
    prob : float, optional
        Probability of all intervals; that of the ages by default.
    seed : int, default 0
        Seed.

    Returns
    -------
    StandHistory
        All parts, each with its own frame, sentence and plot.

    Raises
    ------
    InputError
        If fewer than 5 trees are dated, ages is not an answer of these two, prob is not between 0 and 1, or seed or
        most_pulses is not a whole number of at least 0.

    Warns
    -----
    ModelWarning
        If only some of the dated trees have trees_per_ha: no weights are used then.

    Notes
    -----
    Every part rests on the same joint draws, so error that the stand shares never averages away. Weights are
    taken from trees_per_ha, for the age structure, recruitment, pulses and static models; trees after events and age
    from diameter count each dated tree once. The history is that of the trees alive when cored, and of the dead ones
    that are dated; static models and age from diameter are of the living ones, since the others stopped before today.
    Trees without a height model enter with their later years at coring height; `core_height_note` counts them.

    Examples
    --------
    >>> import tempfile, treeage
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     field_folder, _ = treeage.example_field(folder + "/field")
    ...     ages = treeage.estimate_ages(treeage.read_field(field_folder))
    >>> bool(treeage.stand_history(ages, count=500).pulses.chances[0] < 0.5)
    True
    """
    advice = (
        "the answer of estimate_ages or fit_hierarchical",
        "Pass estimate_ages(field), not its table or the field.",
    )
    require_attributes("stand_history", "ages", ages, ("trees", "draws", "tree_table"), advice)
    seed = require_seed("stand_history", seed)
    require_whole("stand_history", "most_pulses", most_pulses, 0)
    names = sorted(ages.trees)
    if len(names) < FEWEST_TREES:
        got, need = f"{len(names)} dated trees", f"at least {FEWEST_TREES}"
        raise InputError(Fault(got, need, "Date more trees.", "stand_history", 0, "ages"))
    level = require_level("stand_history", "prob", ages.prob if prob is None else prob)
    draws = np.asarray(ages.draws(count, seed=seed).transpose("draw", "tree").values, dtype=np.float64)
    draws = np.ascontiguousarray(draws[:, sorted(range(len(names)), key=list(ages.trees).__getitem__)])
    survey = max(int(ages[name].last_year) for name in names)
    table = trees_by_id(ages.tree_table)
    weights, notes = _weights(table, names)
    weights, coverage, even = (None, "", True) if weights is None else _covering(table, names, weights)
    split = split_shared(draws, seed=seed)
    structure = age_structure(draws, bin_years=bin_years, trees_per_ha=weights, prob=level, seed=seed)
    events = _events(ages.events)
    fits = fit_pulses(split, np.ones(len(names)) if weights is None else weights, most_pulses=most_pulses, seed=seed)
    recruitment = told_history(fits, draws, weights, events=events, last_year=survey, prob=level, seed=seed)
    dead = _dead(table, names)
    recruitment = replace(recruitment, dead=int(dead.sum()))
    sharpened = sharpened_dates(split, recruitment, seed=seed)
    response = None
    if events:
        response = after_events(draws, events, sharpened=sharpened, within_years=within_years, trees=names, prob=level)
    pulses, once = told_pulses(fits, prob=level, seed=seed), None
    if not even:
        fits = fit_pulses(split, np.ones(len(names)), most_pulses=most_pulses, seed=seed)
        once = told_pulses(fits, prob=level, seed=seed)
    diameter, uncored, told = _diameters(draws, table, names, survey, diameter_sd_cm, level)
    above = sum(getattr(ages[name], "date_refers_to", ROOT_COLLAR) == CORE_HEIGHT for name in names)
    short = _still_open(events, survey, max(response.within_years)) if response is not None else []
    notes = [SURVIVORS, TOO_SMALL, CAVEAT, *_dead_told(dead), *short, *notes, *told]
    notes += _left_out(table, names, covered=bool(coverage))
    living = None if weights is None else weights[~dead]
    history = StandHistory(
        replace(structure, above=above), replace(recruitment, above=above), replace(pulses, above=above),
        stand_origin(split, recruitment, prob=level, seed=seed), response,
        _static(draws[:, ~dead], living, survey, structure, level), diameter, uncored, sharpened, tuple(names), survey,
        tuple(notes), above, coverage, None if once is None else replace(once, above=above),
    )  # fmt: skip
    return replace(history, notes=(history.core_height_note, *notes)) if above else history


def trees_by_id(table: pd.DataFrame) -> pd.DataFrame:
    """Index a table of trees by their ids.

    Parameters
    ----------
    table : pandas.DataFrame
        With a column tree.

    Returns
    -------
    pandas.DataFrame
        The first row of each tree; nothing where there are no ids.

    Examples
    --------
    >>> trees_by_id(pd.DataFrame({"tree": [7], "dbh_cm": [31.0]})).loc["7", "dbh_cm"].item()
    31.0
    """
    if "tree" not in table.columns:
        return pd.DataFrame({"tree": pd.Series(dtype=object)}).set_index("tree")
    known = table.assign(tree=table["tree"].astype(str))
    return known.drop_duplicates("tree").set_index("tree")


def _numbers(table: pd.DataFrame, column: str, names: Sequence[str]) -> Array:
    return column_numbers(table.reindex(list(names)), column)


def _weights(table: pd.DataFrame, names: Sequence[str]) -> tuple[Array | None, list[str]]:
    weights = _numbers(table, "trees_per_ha", names)
    known = np.isfinite(weights) & (weights > 0)
    if known.all():
        return weights, [WEIGHTED]
    if known.any():
        text = (
            f"stand_history, trees_per_ha: got {known.sum()} of {known.size} dated trees, need all of them or none; "
            "every tree counts once. Fill in the column if trees had unequal chances to be sampled."
        )
        warnings.warn(text, ModelWarning, stacklevel=3)
        return None, [text]
    return None, ["Every tree counts once: right only if all trees had the same chance to be sampled."]


def _covering(table: pd.DataFrame, names: Sequence[str], weights: Array) -> tuple[Array, str, bool]:
    """Weights raised so that dated trees stand for the others too, what they cover in words, and whether even.

    In each class of `_strata` the weights are raised to the sum of all its trees: right where dated trees are a fair
    sample of the class (post-stratification, Cochran 1977, Sampling Techniques; from memory).
    """
    others = sorted(set(table.index) - set(names))
    every = [*names, *others]
    stands, size = _numbers(table, "trees_per_ha", every), _numbers(table, "dbh_cm", every)
    stands = np.where(stands > 0, stands, 0.0)
    dated, raised, missing = np.arange(len(every)) < len(names), weights.astype(np.float64), 0.0
    species = (table["species"] if "species" in table else pd.Series("", index=table.index)).reindex(every).astype(str)
    for name in dict.fromkeys(species):
        own = (species == name).to_numpy() & (stands > 0)
        if not (own & dated).any():
            missing += stands[own].sum()
            continue
        for here in _strata(own, dated, stands, size):
            raised[(here & dated)[: len(names)]] *= stands[here].sum() / stands[here & dated].sum()
    effective = raised.sum() ** 2 / np.sum(raised**2)
    even = bool(effective >= EVEN * len(names))
    told = [f"Figures per hectare cover {raised.sum():.0f} of {stands.sum():.0f} trees per ha"]
    if raised.sum() > weights.sum() * (1 + 1e-9):
        told += [
            f": {len(names)} dated trees stand for {(stands[~dated] > 0).sum()} others by species, weight and diameter"
        ]
    told += [f"; {missing:.0f} per ha of species without a dated tree are left out"] if missing else []
    told += [f". Effective number of trees: {effective:.0f} of {len(names)}."]
    return raised, "".join(told), even


def _strata(own: Flags, dated: Flags, stands: Array, size: Array) -> list[Flags]:
    """Classes of a species: by trees_per_ha where that parts a design, then by diameter; each with dated trees."""
    parts = [own & (stands == level) for level in np.unique(stands[own])]
    if len(parts) > MOST_CLASSES or min((part & dated).sum() for part in parts) < CLASS_TREES:
        parts = [own]
    found = []
    for part in parts:
        place = np.searchsorted(_classes(size[part], size[part & dated]), np.nan_to_num(size))
        found += [part & (place == label) for label in np.unique(place[part & dated])]
    return found


def _classes(every: Array, dated: Array) -> Array:
    """Bounds between classes of diameter with an eighth of all trees each, and more where too few of them are dated."""
    bounds: list[float] = []
    if np.isfinite(every).all():
        for bound in np.quantile(every, np.arange(1, MOST_CLASSES) / MOST_CLASSES):
            last = bounds[-1] if bounds else -np.inf
            if ((dated > last) & (dated <= bound)).sum() >= CLASS_TREES:
                bounds.append(float(bound))
        while bounds and (dated > bounds[-1]).sum() < CLASS_TREES:
            bounds.pop()
    return np.array(bounds)


def _events(table: pd.DataFrame) -> dict[str, int]:
    return {
        f"{event}" if (table["event"] == event).sum() == 1 else f"{event} {int(year)}": int(year)
        for event, year in dated_events(table)[["event", "year"]].itertuples(index=False)
    }


def dated_events(table: pd.DataFrame) -> pd.DataFrame:
    """Choose the rows of a table of events that have a year.

    Parameters
    ----------
    table : pandas.DataFrame
        With columns year and event.

    Returns
    -------
    pandas.DataFrame
        Years as numbers; no rows where a column is missing.

    Examples
    --------
    >>> dated_events(pd.DataFrame({"year": ["1847", ""], "event": ["fire", "storm"]}))["event"].tolist()
    ['fire']
    """
    if not len(table) or "year" not in table.columns or "event" not in table.columns:
        return pd.DataFrame(columns=["year", "event"])
    return table.assign(year=pd.to_numeric(table["year"], errors="coerce")).dropna(subset="year")


def _left_out(table: pd.DataFrame, names: Sequence[str], *, covered: bool) -> list[str]:
    others = table.loc[table.index.difference(pd.Index(list(names)))]
    stood = np.zeros(len(others), dtype=bool)
    if covered:
        stood = column_numbers(others, "trees_per_ha") > 0
        if "species" in table:
            stood &= others["species"].astype(str).isin(table.loc[list(names), "species"].astype(str)).to_numpy()
    told = []
    if stood.any():
        told.append(
            f"{stood.sum()} trees of the field have no date; in figures per hectare dated trees of their species and "
            "size stand for them, right if cored whatever their age; rotten ones may have been the oldest."
        )
    if not stood.all():
        told.append(
            f"{(~stood).sum()} trees of the field have no date and are left out of the history; if they are rotten or "
            "large they may be the oldest, and the history is then too young."
        )
    return told


def _still_open(events: dict[str, int], survey: int, longest: int) -> list[str]:
    """Events whose longest window runs beyond the survey."""
    late = [f"{event} ({year})" for event, year in events.items() if year + longest > survey]
    if not late:
        return []
    return [f"Fewer than {longest} years had passed since {', '.join(late)}: trees after that are not all there yet."]


def _dead(table: pd.DataFrame, names: Sequence[str]) -> Flags:
    """Whether each dated tree was dead when it was cored."""
    if "status" not in table:
        return np.zeros(len(names), dtype=bool)
    return np.asarray(table["status"].reindex(list(names)).astype(str) == TreeStatus.DEAD, dtype=bool)


def _dead_told(dead: Flags) -> list[str]:
    if not dead.any():
        return []
    return [
        f"{dead.sum()} of the {dead.size} dated trees were dead when cored: they count in the age structure, "
        "recruitment, pulses, origin and after events; static models and age from diameter are of the living ones."
    ]


def _static(
    draws: Array,
    weights: Array | None,
    survey: int,
    structure: AgeStructure,
    prob: float,
) -> StaticModels | None:
    """Static models from one age class above the youngest dated tree, where too small trees and blur do not reach."""
    width = structure.bin_years
    if not draws.shape[1]:
        return None
    youngest = int((survey - np.median(draws, axis=0).max() + 1) // width * width + width)
    try:
        return static_models(
            draws, survey_year=survey, bin_years=width, youngest=youngest, prob=prob, trees_per_ha=weights
        )
    except InputError:
        return None


def _diameters(
    draws: Array, table: pd.DataFrame, names: Sequence[str], survey: int, sd_cm: float, prob: float
) -> tuple[AgeFromDiameter | None, pd.DataFrame, list[str]]:
    """Learn age from diameter on the dated living trees, and predict the others that have one; what to say."""
    size = _numbers(table, "dbh_cm", names)
    usable = np.isfinite(size) & (size > 0) & ~_dead(table, names)
    if usable.sum() < 2 * FEWEST_CORED:
        return None, pd.DataFrame(), []
    group = table["species"].astype(str) if "species" in table.columns else pd.Series("", index=table.index)
    cored = [name for name, known in zip(names, usable, strict=True) if known]
    try:
        model = age_from_diameter(
            draws[:LINE_DRAWS, usable],
            size[usable],
            survey_year=survey,
            groups=group.reindex(cored).tolist(),
            diameter_sd_cm=sd_cm,
        )
    except ModelError:
        return None, pd.DataFrame(), ["Diameters of the dated trees hardly differ, so that none tells an age."]
    others = pd.Index(sorted(set(table.index) - set(names)))
    other_size = _numbers(table, "dbh_cm", list(others))
    left = others[np.isfinite(other_size) & (other_size > 0)]
    if not len(left):
        return model, pd.DataFrame(), []
    frame = model.predict(_numbers(table, "dbh_cm", list(left)), group.reindex(left).tolist(), prob=prob)
    frame.insert(0, "tree", list(left))
    return model, frame, []
