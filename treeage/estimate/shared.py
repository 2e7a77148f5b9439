"""What the stand's other cores teach about the hidden rings of each core, by species.

The statistics are those of `rings_stand`; own derivation.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.estimate.cores import CoreFacts, CoreInputs
from treeage.height import HeightModel
from treeage.posterior import RateNodes, rate_nodes
from treeage.rings import (
    RATE_STEP,
    DatedSeries,
    RingCalibration,
    compare_rules,
    missed_ring_mass,
    shared_spreads,
    stand_adjustment,
)

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_TREES = 3  # choice: with fewer dated trees of a species there is no stand to learn from
_FEWEST_RINGS = 15  # choice: a series shorter than this says little about its neighbours


@dataclass(frozen=True)
class SpeciesRates:
    """Shared growth rate and stand adjustment of the cores of one species.

    Parameters
    ----------
    nodes : RateNodes
        Quadrature over what is left of the shared rate.
    calibration : RingCalibration or None
        One row a core of the species; None where the stand teaches nothing.
    place : numpy.ndarray of int, shape (n_core,)
        Row of each core in the calibration; -1 for other species.
    neighbours : int
        Number of dated trees that were used.
    """

    nodes: RateNodes
    calibration: RingCalibration | None
    place: Ints
    neighbours: int


def species_rates(facts: CoreFacts, inputs: CoreInputs, *, from_stand: bool = True) -> dict[str, SpeciesRates]:
    """Adjust the expected hidden widths of every core by the dated cores of its species.

    Parameters
    ----------
    facts, inputs : CoreFacts, CoreInputs
        All cores.
    from_stand : bool, default True
        Whether neighbours are used at all; without them every core stands alone with the shipped model.

    Returns
    -------
    dict of str to SpeciesRates
        By species.

    Notes
    -----
    Neighbours are the crossdated and laboratory-counted cores with a ring table; field counts are too loosely dated
    for the hidden calendar years. Every core with hidden rings is a target; one without a ring table stands in
    as even rings of its mean width.
    """
    species = np.array([str(record["species"]) for record in facts.records], dtype=object)
    rates = {}
    for name in dict.fromkeys(species):
        rows = np.flatnonzero(species == name)
        place = np.full(len(species), -1)
        place[rows] = np.arange(rows.size)
        neighbours = _neighbours(facts, rows) if from_stand else rows[:0]
        trees = len({facts.records[row]["tree"] for row in neighbours})
        calibration = None
        if trees >= LEAST_TREES:
            genus = str(name).split()[0] if str(name) else None
            calibration = stand_adjustment(
                _series(facts, inputs, rows), _series(facts, inputs, neighbours), genus=genus
            )
        stand_sd, tree_sd = shared_spreads(calibration=calibration)
        nodes = rate_nodes(tree_sd, stand_sd, step=RATE_STEP)
        rates[str(name)] = SpeciesRates(nodes, calibration, place, trees if calibration is not None else 0)
    return rates


def rule_comparison(facts: CoreFacts) -> pd.DataFrame:
    """How wrong each rule for missed rings would have been on the complete cores of this field.

    Parameters
    ----------
    facts : CoreFacts
        All cores.

    Returns
    -------
    pandas.DataFrame
        Column species, then those of `rings_rules.compare_rules`; no rows where a species has fewer than three
        complete cores with a ring table.
    """
    tables = []
    for species in dict.fromkeys(str(record["species"]) for record in facts.records):
        rows = [
            row
            for row, record in enumerate(facts.records)
            if record["species"] == species
            and record["inner_end"] == "pith"
            and facts.widths_mm[row].size >= _FEWEST_RINGS
        ]
        if len(rows) >= LEAST_TREES:
            trees = [str(facts.records[row]["tree"]) for row in rows]
            genus = species.split()[0] if species else None
            table = compare_rules([facts.widths_mm[row] for row in rows], tree=trees, genus=genus)
            tables.append(table.assign(species=species))
    if not tables:
        return pd.DataFrame()
    table = pd.concat(tables, ignore_index=True)
    return table[["species", *(name for name in table.columns if name != "species")]]


def _neighbours(facts: CoreFacts, rows: Ints) -> Ints:
    """Cores of a species whose ring tables are dated well enough to compare years."""
    chosen = [
        row
        for row in rows
        if facts.widths_mm[row].size >= _FEWEST_RINGS and facts.records[row]["dating"] != "field_count"
    ]
    return np.asarray(chosen, dtype=np.int64)


def _series(facts: CoreFacts, inputs: CoreInputs, rows: Ints) -> DatedSeries:
    """Ring series of chosen cores; even rings where there is no table."""
    widths, first = [], []
    for row in rows:
        own = facts.widths_mm[row]
        if own.size == 0 or own.sum() <= 0:
            mean = float(np.exp(inputs.growth.features[row, 0]))
            own = np.full(max(1, int(inputs.growth.ring_count[row])), mean)
        widths.append(own)
        first.append(int(inputs.innermost_year[row]))
    trees = [str(facts.records[row]["tree"]) for row in rows]
    to_pith = [facts.records[row]["inner_end"] == "pith" for row in rows]
    return DatedSeries(widths, first, trees, to_pith)


def reach_further(inputs: CoreInputs, rates: Mapping[str, SpeciesRates]) -> CoreInputs:
    """Lengthen the range of missed rings of cores whose hidden rings the stand shows to be narrow.

    Parameters
    ----------
    inputs : CoreInputs
        All cores.
    rates : mapping of str to SpeciesRates
        By species.

    Returns
    -------
    CoreInputs
        With the longer ranges.
    """
    most = inputs.most_rings.astype(np.float64)
    for rate in rates.values():
        if rate.calibration is not None and rate.calibration.offset.ndim == 2:
            rows = np.flatnonzero(rate.place >= 0)
            narrower = np.maximum(0.0, -rate.calibration.offset.min(axis=1))
            most[rows] *= np.exp(narrower[rate.place[rows]])
    return replace(inputs, most_rings=np.ceil(most).astype(np.int64))


def missed_mass(inputs: CoreInputs, rows: Ints, rate: SpeciesRates, most: int) -> Array:
    """Mass of the missed rings of chosen cores for every shift; flat where the core only bounds the date.

    Parameters
    ----------
    inputs : CoreInputs
        All cores.
    rows : numpy.ndarray of int, shape (n,)
        The chosen ones, all of one species.
    rate : SpeciesRates
        Shared rate and adjustment of the species.
    most : int
        Highest number of missed rings.

    Returns
    -------
    numpy.ndarray, shape (n, n_shift, most + 1)
        Rows sum to 1.
    """
    return placed_mass(inputs, rows, inputs.distance[rows], rate, most)


def placed_mass(inputs: CoreInputs, rows: Ints, distance: Array, rate: SpeciesRates, most: int) -> Array:
    """Mass of the missed rings of chosen cores at distances that are passed in.

    Parameters
    ----------
    inputs : CoreInputs
        All cores.
    rows : numpy.ndarray of int, shape (n,)
        The chosen ones, all of one species; a core may come several times.
    distance : numpy.ndarray, shape (n, n_grid)
        Mass of the distance of each.
    rate : SpeciesRates
        Shared rate and adjustment of the species.
    most : int
        Highest number of missed rings.

    Returns
    -------
    numpy.ndarray, shape (n, n_shift, most + 1)
        Rows sum to 1.
    """
    calibration = None if rate.calibration is None else rate.calibration.take(rate.place[rows])
    growth = inputs.growth.take(rows)
    mass = missed_ring_mass(growth, distance, rate.nodes.shifts, max_rings=most, calibration=calibration)
    mass = np.asarray(mass, dtype=np.float64)
    mass[inputs.bound_only[rows]] = 1.0 / mass.shape[2]
    return mass


def height_groups(models: Mapping[str, HeightModel], own_data: Collection[str] = ()) -> dict[str, str]:
    """Put species whose years rest on one and the same figure into one group.

    Parameters
    ----------
    models : mapping of str to HeightModel
        By species.
    own_data : collection of str
        Species whose model rests on their own young trees; they stay alone.

    Returns
    -------
    dict of str to str
        Group of each species, named for the first species in it.

    Notes
    -----
    A figure that is wrong is wrong for every species it serves, so its shared error is one and does not average out
    between them. Two models are one figure where they have one source and all their numbers agree.

    Examples
    --------
    >>> from treeage.height import height_model
    >>> figure = {"model": "mean_sd", "height_m": 1.0, "mean_years": 8, "sd_years": 3}
    >>> spruce, pine, fir = (height_model(figure | more) for more in ({}, {}, {"mean_years": 12}))
    >>> height_groups({"spruce": spruce, "pine": pine, "fir": fir})
    {'spruce': 'spruce', 'pine': 'spruce', 'fir': 'fir'}
    """
    groups: dict[str, str] = {}
    for species, model in models.items():
        firsts = [name for name, group in groups.items() if name == group and name not in own_data]
        same = [name for name in firsts if species not in own_data and _one_figure(model, models[name])]
        groups[species] = same[0] if same else species
    return groups


def _one_figure(one: HeightModel, other: HeightModel) -> bool:
    words = ("name", "source", "known", "forms", "curve")
    numbers = ("scales_m", "intercept", "slope", "deviation")
    return all(getattr(one, word) == getattr(other, word) for word in words) and all(
        np.array_equal(getattr(one, name), getattr(other, name)) for name in numbers
    )


class HeightTable:
    """Years to each coring height that occurs, computed once.

    Parameters
    ----------
    models : mapping of str to HeightModel
        By species.
    groups : mapping of str to str, optional
        Group of species that rest on one figure, by species, from `height_groups`; every species alone by default.
    """

    def __init__(self, models: Mapping[str, HeightModel], groups: Mapping[str, str] | None = None) -> None:
        self.models = models
        self.groups = {species: species for species in models} if groups is None else dict(groups)
        self._years: dict[tuple[str, float], tuple[int, Array]] = {}
        self._nodes: dict[tuple[str, float], Ints] = {}
        self._log_weights: dict[str, Array] = {}
        self.used: dict[tuple[str, float], int] = {}

    def learn(self, species: str, evidence: Array) -> None:
        """Let a tree cored at several heights weigh the shared values of its model, for all species that rest on it.

        Parameters
        ----------
        species : str
            Species.
        evidence : numpy.ndarray, shape (n_shared,)
            How well each shared value fits the tree.
        """
        logs = np.log(np.maximum(evidence, 1e-300))
        group = self.groups[species]
        self._log_weights[group] = self._log_weights.get(group, np.zeros(logs.size)) + logs

    def weights(self, species: str, count: int) -> Array:
        """Probabilities of the shared values of a species' model.

        Parameters
        ----------
        species : str
            Species.
        count : int
            Number of shared values.

        Returns
        -------
        numpy.ndarray, shape (count,)
            Equal until trees cored at several heights have taught otherwise.
        """
        logs = self._log_weights.get(self.groups[species])
        if logs is None or logs.size != count:
            return np.full(count, 1 / count)
        weights = np.exp(logs - logs.max())
        return np.asarray(weights / weights.sum())

    def all_weights(self) -> dict[str, Array]:
        """Probabilities of the shared values, for the groups of species whose trees have taught some.

        Returns
        -------
        dict of str to numpy.ndarray
            By group; a group is named for one of its species.
        """
        return {group: self.weights(group, logs.size) for group, logs in self._log_weights.items()}

    def years(self, species: str, height_m: float) -> tuple[int, Array]:
        """Mass of the years to a height for each shared value of the model.

        Parameters
        ----------
        species : str
            Species.
        height_m : float
            Coring height [m].

        Returns
        -------
        start : int
            First number of years.
        mass : numpy.ndarray, shape (n_shared, n)
            Rows sum to 1.
        """
        key = (species, height_m)
        if key not in self._years:
            self._years[key] = self.models[species].years_given_shared(height_m)
        self.used[key] = self.used.get(key, 0) + 1
        return self._years[key]

    def passing_years(self, species: str, height_m: float) -> Ints:
        """Whole years to a height for each shared and each tree value of the model.

        Parameters
        ----------
        species : str
            Species.
        height_m : float
            Coring height [m].

        Returns
        -------
        numpy.ndarray of int, shape (n_shared, n_tree_node)
            ceil(passing season) - 1, at least 0.
        """
        key = (species, height_m)
        if key not in self._nodes:
            seasons = np.asarray(self.models[species].passing_seasons(height_m))
            self._nodes[key] = np.maximum(np.ceil(seasons) - 1, 0).astype(np.int64)
        return self._nodes[key]

    def notes(self) -> pd.DataFrame:
        """What a reader must know about the height models used.

        Returns
        -------
        pandas.DataFrame
            Columns of the notes table.
        """
        told: dict[str, list[str]] = {}  # one note for each caution, with the species it holds for
        for species, model in self.models.items():
            heights = sorted({height for name, height in self.used if name == species})
            heights = [height for height in heights if height > 0 or not model.is_none]
            for caution in sorted({caution for height in heights for caution in model.cautions(height)}):
                told.setdefault(caution, []).append(species)
        rows = [
            {"file": "field.toml", "row": 0, "item": ", ".join(names), "column": "height", "got": caution,
             "need": "years to coring height with a source that covers it",
             "do": "Measure seedlings or core some trees at two heights."}
            for caution, names in told.items()
        ]  # fmt: skip
        return pd.DataFrame(rows, columns=["file", "row", "item", "column", "got", "need", "do"])
