"""What the stand's other cores teach about the hidden rings of each core, by species.

Layer 4, part of the family of `estimate`. The statistics are those of `rings_stand`; own derivation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.estimate_cores import CoreFacts
from treeage.estimate_inputs import CoreInputs
from treeage.posterior import RateNodes, rate_nodes
from treeage.rings import missed_ring_mass, shared_spreads
from treeage.rings_calibration import RingCalibration
from treeage.rings_mass import RATE_STEP
from treeage.rings_rules import compare_rules
from treeage.rings_stand import DatedSeries, stand_adjustment

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
