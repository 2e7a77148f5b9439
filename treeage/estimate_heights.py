"""Years to each coring height that occurs, and trees that were cored at several heights.

Layer 4, part of the family of `estimate`. Height models come from `height`; own derivation of what two heights teach.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.estimate_cores import CoreFacts
from treeage.estimate_dates import TreeDates
from treeage.height import HeightModel
from treeage.posterior import RateNodes, establishment_given_shared

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


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


@dataclass(frozen=True)
class TiedHeights:
    """What a tree cored at several heights says of rings and years together.

    Parameters
    ----------
    start : int
        First number of added rings + years to the lead core's height.
    joint : numpy.ndarray, shape (n_stand, n_shared, n)
        Their mass for each shared value.
    evidence : numpy.ndarray, shape (n_shared,)
        How well each shared value of the height model fits the tree.
    years_start : int
        First number of years to the lead core's height.
    years : numpy.ndarray, shape (n_shared, n_years)
        Mass of those years, given the tree.
    """

    start: int
    joint: Array
    evidence: Array
    years_start: int
    years: Array


def tie_heights(
    dates: TreeDates, facts: CoreFacts, heights: HeightTable, species: str, nodes: RateNodes
) -> TiedHeights:
    """Sum a tree's likelihood over the shared and tree values of the height model.

    Parameters
    ----------
    dates : TreeDates
        With a likelihood for each pattern of extra years.
    facts : CoreFacts
        All cores.
    heights : HeightTable
        Years to height.
    species : str
        Species of the tree.
    nodes : RateNodes
        The shared growth rate.

    Returns
    -------
    TiedHeights
        Referred to the lead core.

    Notes
    -----
    Slow to one height is slow to the other: the tree's value of the height model is one for all its cores.
    """
    rows = list(dates.cores)
    place = rows.index(dates.lead)
    years = np.stack([heights.passing_years(species, float(facts.records[row]["core_height_m"])) for row in rows])
    order = [place, *(k for k in range(len(rows)) if k != place)]
    likelihood = dates.likelihood or {}
    patterns = {tuple(key[k] for k in order): mass for key, mass in likelihood.items()}
    low, joint, evidence = establishment_given_shared(patterns, years[order], nodes)
    extra = years - years[place]
    first = int(years[place].min())
    years_mass = np.zeros((years.shape[1], int(years[place].max()) - first + 1))
    for key, mass in likelihood.items():
        weight = float(nodes.weights @ mass.sum(axis=1))
        match = np.all(extra == np.asarray(key)[:, None, None], axis=0)
        for shared, node in zip(*np.nonzero(match), strict=True):
            years_mass[shared, years[place, shared, node] - first] += weight
    years_mass /= np.maximum(years_mass.sum(axis=1, keepdims=True), 1e-300)
    return TiedHeights(low + dates.start, joint, evidence, first, years_mass)
