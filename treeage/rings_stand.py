"""The dated rings of neighbours, and of the tree's other cores, in the years that a core does not show.

Layer 2. The single-core model is tried on every neighbour as if it ended in the same year; own derivation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError
from treeage.rings_calibration import (
    RingCalibration,
    best_prediction,
    calibration_from,
    deviations_from_pith,
)
from treeage.rings_growth import InnerGrowth, inner_growth
from treeage.rings_model import RingModel, ring_model

FloatArray = NDArray[np.float64]

MOST_NEIGHBOURS = 40  # choice: more neighbours in the same years change nothing that counts
_FEWEST_VISIBLE = 10  # choice: rings of a neighbour after the year of the cut
_LEAST_COVER = 0.5  # choice: share of the hidden years that a neighbour must show


@dataclass(frozen=True, eq=False)
class DatedSeries:
    """Dated ring widths of the cores of a stand.

    Parameters
    ----------
    widths_mm : sequence of array-like
        One series a core [mm], innermost ring first; 0 is a locally absent ring.
    first_year : array-like of int, shape (n_core,)
        Calendar year of the innermost ring.
    tree : sequence of str
        Tree of each core.
    to_pith : array-like of bool, shape (n_core,)
        Whether the innermost ring is ring 1.

    Raises
    ------
    InputError
        If the four differ in length.

    Examples
    --------
    >>> stand = DatedSeries([[1.0, 1.2], [0.8]], [1950, 1961], ["a", "b"], [True, False])
    >>> len(stand)
    2
    """

    widths_mm: Sequence[ArrayLike]
    first_year: ArrayLike
    tree: Sequence[str]
    to_pith: ArrayLike

    @property
    def ring_count(self) -> NDArray[np.intp]:
        """Number of rings of each core.

        Returns
        -------
        numpy.ndarray of int, shape (n_core,)
            Lengths of the series.
        """
        return np.array([np.size(widths) for widths in self.widths_mm], dtype=np.intp)

    def __post_init__(self) -> None:
        arrays = tuple(np.asarray(widths, dtype=np.float64) for widths in self.widths_mm)
        object.__setattr__(self, "widths_mm", arrays)
        object.__setattr__(self, "first_year", np.asarray(self.first_year, dtype=np.intp))
        object.__setattr__(self, "tree", tuple(self.tree))
        object.__setattr__(self, "to_pith", np.asarray(self.to_pith, dtype=np.bool_))
        sizes = {len(arrays), np.size(self.first_year), len(self.tree), np.size(self.to_pith)}
        if len(sizes) > 1:
            raise InputError(
                Fault(f"lengths {sorted(sizes)}", "one entry a core in all four", "Match them.", "DatedSeries")
            )

    def __len__(self) -> int:
        return len(self.tree)


@dataclass(frozen=True, eq=False)
class _Pairs:
    """Cores under study (target) against cores that reach further in (other)."""

    target: NDArray[np.intp]
    other: NDArray[np.intp]
    before: NDArray[np.intp]  # rings of the other core before the target's innermost year
    sibling: NDArray[np.bool_]


def stand_adjustment(
    targets: DatedSeries,
    neighbours: DatedSeries,
    *,
    genus: str | None = None,
    model: RingModel | None = None,
    other_cores: bool = True,
) -> RingCalibration:
    """Adjust the expected hidden width of each core by what the dated cores of its stand show.

    Parameters
    ----------
    targets : DatedSeries
        Cores that end before the pith: the visible rings.
    neighbours : DatedSeries
        All dated cores of the stand and species; the targets themselves may be among them.
    genus : str, optional
        Genus of the stand.
    model : RingModel, optional
        The shipped model by default.
    other_cores : bool, default True
        Whether other cores of the target's own tree that reach further in are used.

    Returns
    -------
    RingCalibration
        One row a target, for missed_ring_mass.

    Notes
    -----
    Three kinds of evidence. (1) Neighbours that reach the pith are cut at the same distance from it: level and trend
    of young trees. (2) Neighbours are cut in the year in which the target ends and predicted over the years that the
    target hides, as many as its distance suggests: the weather and history of those years. (3) So are the other cores
    of the tree. The deviations of the model from what these cores show are averaged over trees and weighted by best
    linear prediction; distances between trees are not used. It fails where neighbours of another history are mixed.

    References
    ----------
    .. [1] Own derivation; covariances fitted to raw ring widths of a public archive, see ring_model.

    Examples
    --------
    >>> target = DatedSeries([[1.0] * 40], [1960], ["a"], [False])
    >>> stand = DatedSeries([[2.0] * 30 + [1.0] * 40] * 5, [1930] * 5, list("bcdef"), [True] * 5)
    >>> bool(stand_adjustment(target, stand).offset_on(np.array([20.0]))[0, 0] > 0.1)
    True
    """
    used = model or ring_model()
    means, trees = stand_evidence(targets, neighbours, used, genus=genus)
    if not other_cores:
        trees[..., 2] = 0.0
    offset, everything = best_prediction(means, trees, used)
    alone = trees.copy()
    alone[..., 2] = 0.0
    _, others = best_prediction(means, alone, used)
    return calibration_from(offset, (others, everything), trees[..., :2].max((1, 2)), used)


def stand_evidence(
    targets: DatedSeries, neighbours: DatedSeries, model: RingModel, *, genus: str | None = None
) -> tuple[FloatArray, FloatArray]:
    """Mean deviations of the model on the three kinds of evidence for each target and distance.

    Parameters
    ----------
    targets, neighbours : DatedSeries
        As in stand_adjustment.
    model : RingModel
        The model under test.
    genus : str, optional
        Genus of the stand.

    Returns
    -------
    means : numpy.ndarray, shape (n_target, n_node, 3)
        Mean of ln(true mean width) minus its expected value: other trees at the same distance from the pith, other
        trees in the same years, other cores of the tree in the same years.
    trees : numpy.ndarray, shape (n_target, n_node, 3)
        Number of trees behind each mean; 0 where there is none.
    """
    means, trees = age_evidence(targets, neighbours, model, genus=genus)
    first_offset, _ = best_prediction(means, trees, model)
    growth = inner_growth(list(targets.widths_mm), genus=genus)
    expected = model.location(growth, model.stand_nodes_mm) + first_offset
    hidden = np.maximum(np.rint(model.stand_nodes_mm / np.exp(expected)), 1).astype(np.intp)
    pairs = _pairs(targets, neighbours)
    if pairs.target.size:
        deviation, weight = _year_deviations(pairs, neighbours, hidden, model, genus)
        for kind, chosen in ((1, ~pairs.sibling), (2, pairs.sibling)):
            total, number = _sums(pairs.target[chosen], deviation[chosen], weight[chosen], len(targets))
            means[..., kind] = total / np.maximum(number, 1e-9)
            trees[..., kind] = number
    return means, trees


def age_evidence(
    targets: DatedSeries, neighbours: DatedSeries, model: RingModel, *, genus: str | None = None
) -> tuple[FloatArray, FloatArray]:
    """Evidence of the first kind alone: other trees cut at the same distance from their pith.

    Parameters
    ----------
    targets, neighbours : DatedSeries
        As in stand_adjustment; years are not used.
    model : RingModel
        The model under test.
    genus : str, optional
        Genus of the stand.

    Returns
    -------
    means, trees : numpy.ndarray, shape (n_target, n_node, 3)
        As in stand_evidence, the last two kinds empty.
    """
    shape = (len(targets), model.stand_nodes_mm.size, 3)
    means, trees = np.zeros(shape), np.zeros(shape)
    complete = np.flatnonzero(neighbours.to_pith)
    if complete.size == 0:
        return means, trees
    widths = [neighbours.widths_mm[int(core)] for core in complete]
    deviation = deviations_from_pith(widths, model.stand_nodes_mm, model, genus)
    names = {name: place for place, name in enumerate(dict.fromkeys(neighbours.tree))}
    code = np.array([names[neighbours.tree[int(core)]] for core in complete])
    known = ~np.isnan(deviation)
    total, cores = np.zeros((len(names), shape[1])), np.zeros((len(names), shape[1]))
    np.add.at(total, code, np.where(known, deviation, 0.0))
    np.add.at(cores, code, known)
    by_tree, has = total / np.maximum(cores, 1), cores > 0
    own = np.array([names.get(name, -1) for name in targets.tree])
    inside = (own >= 0)[:, None]
    number = has.sum(0) - np.where(inside, has[own], 0)
    summed = by_tree.sum(0) - np.where(inside, by_tree[own], 0.0)
    means[..., 0], trees[..., 0] = summed / np.maximum(number, 1), number
    return means, trees


def _pairs(targets: DatedSeries, neighbours: DatedSeries) -> _Pairs:
    counts = neighbours.ring_count
    names = {name: place for place, name in enumerate(dict.fromkeys((*neighbours.tree, *targets.tree)))}
    other_tree = np.array([names[name] for name in neighbours.tree])
    first = np.asarray(neighbours.first_year)
    target, other, before, sibling = [], [], [], []
    for core, (name, year) in enumerate(zip(targets.tree, np.asarray(targets.first_year), strict=True)):
        rings = year - first
        usable = np.flatnonzero((rings > 0) & (counts - rings >= _FEWEST_VISIBLE))
        same = other_tree[usable] == names[name]
        away = usable[~same]
        if away.size > MOST_NEIGHBOURS:
            away = away[np.linspace(0, away.size - 1, MOST_NEIGHBOURS).astype(np.intp)]
        chosen = np.concatenate([away, usable[same]])
        target.append(np.full(chosen.size, core))
        other.append(chosen)
        before.append(rings[chosen])
        sibling.append(np.arange(chosen.size) >= away.size)
    return _Pairs(*(np.concatenate(part) for part in (target, other, before, sibling)))


def _year_deviations(
    pairs: _Pairs, neighbours: DatedSeries, hidden: NDArray[np.intp], model: RingModel, genus: str | None
) -> tuple[FloatArray, FloatArray]:
    """Deviation of each other core over the hidden years of its target, and its weight; (n_pair, n_node)."""
    flat = np.concatenate([np.asarray(widths) for widths in neighbours.widths_mm])
    counts = neighbours.ring_count
    starts = np.cumsum(counts) - counts
    total = np.concatenate([[0.0], np.cumsum(flat)])
    cut = starts[pairs.other] + pairs.before
    visible = [flat[a:b] for a, b in zip(cut, (starts + counts)[pairs.other], strict=True)]
    growth: InnerGrowth = inner_growth(visible, genus=genus)
    wanted = hidden[pairs.target]
    rings = np.minimum(wanted, pairs.before[:, None])
    radius = total[cut][:, None] - total[cut[:, None] - rings]
    usable = (rings >= _LEAST_COVER * wanted) & (radius > 0.0)
    radius = np.maximum(radius, 1e-3)
    deviation = np.log(radius / rings) - model.mean_log_width(growth, radius)
    # cores of one tree share its weight
    place = {name: number for number, name in enumerate(dict.fromkeys(neighbours.tree))}
    code = np.array([place[name] for name in neighbours.tree])[pairs.other] + len(place) * pairs.target
    _, group = np.unique(code, return_inverse=True)
    cores = np.zeros((group.max() + 1, hidden.shape[1]))
    np.add.at(cores, group, usable)
    weight = usable / np.maximum(cores[group], 1)
    return np.where(usable, deviation, 0.0), weight


def _sums(
    target: NDArray[np.intp], deviation: FloatArray, weight: FloatArray, size: int
) -> tuple[FloatArray, FloatArray]:
    total, number = np.zeros((size, deviation.shape[1])), np.zeros((size, deviation.shape[1]))
    np.add.at(total, target, deviation * weight)
    np.add.at(number, target, weight)
    return total, number
