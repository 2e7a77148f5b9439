"""What the trees of a stand teach about the hidden width of a core: offsets of the location and reduced spreads.

Best linear prediction of a shared deviation from the deviations of complete cores; own derivation.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError, public, require_series
from treeage.pmf import freeze_arrays
from treeage.rings.mass import Array, Ints
from treeage.rings.model import RingCalibration, RingModel, inner_growth, ring_model
from treeage.schema import check_widths

_VISIBLE_TO_TEACH = 5  # choice: rings that must stay visible when a complete core is cut
_FACTOR_RANGE = (0.5, 1.2)  # choice: how far the scale of a core's own deviation may be moved
_MOST_NEIGHBOURS = 40  # choice: more neighbours in the same years change nothing that counts
_AT_ONCE = 300  # choice: targets whose neighbours are worked on at a time
_FEWEST_SEEN = 10  # choice: rings of a neighbour after the year of the cut
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

    def __post_init__(self) -> None:
        arrays = tuple(np.asarray(widths, dtype=np.float64).view() for widths in self.widths_mm)
        for widths in arrays:
            widths.flags.writeable = False
        object.__setattr__(self, "widths_mm", arrays)
        object.__setattr__(self, "first_year", np.asarray(self.first_year, dtype=np.intp))
        object.__setattr__(self, "tree", tuple(self.tree))
        object.__setattr__(self, "to_pith", np.asarray(self.to_pith, dtype=np.bool_))
        freeze_arrays(self)
        sizes = {len(arrays), np.size(self.first_year), len(self.tree), np.size(self.to_pith)}
        if len(sizes) > 1:
            got, need = f"lengths {sorted(sizes)}", "one entry a core in all four"
            raise InputError(Fault(got, need, "Match them.", "DatedSeries"))

    def __len__(self) -> int:
        return len(self.tree)

    @property
    def ring_count(self) -> Ints:
        """Number of rings of each core, shape (n_core,)."""
        return np.array([np.size(widths) for widths in self.widths_mm], dtype=np.intp)


@public
def calibrate_missing_rings(
    widths_from_pith_mm: Sequence[ArrayLike], *, genus: str | None = None, model: RingModel | None = None
) -> RingCalibration:
    """Learn level and trend of the inner growth of a stand from its complete cores.

    Parameters
    ----------
    widths_from_pith_mm : sequence of array-like
        Complete series of the stand [mm], ring 1 (at the pith) first; one core a tree is best.
    genus : str, optional
        Genus of the stand.
    model : RingModel, optional
        The shipped model by default.

    Returns
    -------
    RingCalibration
        One offset curve for the stand and the spreads that remain.

    Raises
    ------
    InputError
        If no series is given, the series are not one row of widths for each core, a width is beyond the limits of
        the ring table, or no core is long enough to teach anything (5 rings outside the smallest distance).

    Notes
    -----
    Each core is cut at several distances and predicted; the mean deviation at each distance, drawn towards 0 by the
    number of trees (partial pooling), becomes the offset. Cores that are too short for a distance do not count there.
    Own derivation; covariances fitted to raw ring widths of a public archive, see ring_model.

    Examples
    --------
    Young trees that grew twice as fast as their later rings tell: fewer missed rings.

    >>> calibration = calibrate_missing_rings([[3.0] * 7 + [1.0] * 40] * 8)
    >>> bool(calibration.offset_on(np.array([20.0]))[0] > 0.3)
    True
    """
    where, name = "calibrate_missing_rings", "widths_from_pith_mm"
    require_series(where, name, widths_from_pith_mm)
    if len(widths_from_pith_mm) == 0:
        raise InputError(Fault("no series", "at least one complete core", "Leave out calibration.", where))
    used = model or ring_model()
    inner_growth(widths_from_pith_mm)  # checks the widths
    check_widths(where, name, widths_from_pith_mm)
    deviation = deviations_from_pith(widths_from_pith_mm, used.stand_nodes_mm, used, genus)
    trees = (~np.isnan(deviation)).sum(0)
    if not trees.any():
        longest = max(np.asarray(widths).size for widths in widths_from_pith_mm)
        got = f"{len(widths_from_pith_mm)} series, the longest of {longest} rings"
        need = f"a core with {_VISIBLE_TO_TEACH} rings or more beyond the inner {used.stand_nodes_mm[0]:g} mm"
        do = "Pass complete cores, ring 1 first, widths in mm; or leave out calibration."
        raise InputError(Fault(got, need, do, where, 0, name))
    mean = np.where(trees > 0, np.nansum(deviation, axis=0) / np.maximum(trees, 1), 0.0)
    means, numbers = np.zeros((1, trees.size, 3)), np.zeros((1, trees.size, 3))
    means[0, :, 0], numbers[0, :, 0] = mean, trees
    offset, explained = best_prediction(means, numbers, used)
    found = calibration_from(offset, (explained, explained), np.array([float(trees.max())]), used)
    return RingCalibration(
        found.distance_mm, found.offset[0], found.stand_sd, found.tree_sd, found.own_factor[0], found.trees[0]
    )


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
    Three kinds of evidence. (1) Neighbours that reach the pith are cut at the same distance from it: level and trend of
    young trees. (2) Neighbours are cut in the year in which the target ends and predicted over the years that the
    target hides, as many as its distance suggests: the weather and history of those years. (3) So are the other cores
    of the tree. The deviations of the model from what these cores show are averaged over trees and weighted by best
    linear prediction; distances between trees are not used. It fails where neighbours of another history are mixed. Own
    derivation; covariances fitted to raw ring widths of a public archive, see ring_model.

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


# ------------------------------------------------------------------ evidence


def stand_evidence(
    targets: DatedSeries, neighbours: DatedSeries, model: RingModel, *, genus: str | None = None
) -> tuple[Array, Array]:
    """Mean deviations of the model on the three kinds of evidence, and how many trees are behind each.

    Both of shape (n_target, n_node, 3): mean of ln(true mean width) less its expected value over other trees at the
    same distance from the pith, other trees in the same years, and other cores of the tree in the same years.
    """
    means, trees = age_evidence(targets, neighbours, model, genus=genus)
    first_offset, _ = best_prediction(means, trees, model)
    growth = inner_growth(list(targets.widths_mm), genus=genus)
    expected = model.location(growth, model.stand_nodes_mm) + first_offset
    hidden = np.maximum(np.rint(model.stand_nodes_mm / np.exp(expected)), 1).astype(np.intp)
    pairs = _pairs(targets, neighbours)
    for part in pairs.parts(len(targets)):
        deviation, weight = _year_deviations(part, neighbours, hidden, model, genus)
        for kind, chosen in ((1, ~part.sibling), (2, part.sibling)):
            total, number = _sums(part.target[chosen], deviation[chosen], weight[chosen], len(targets))
            means[..., kind] += total / np.maximum(number, 1e-9)
            trees[..., kind] += number
    return means, trees


def age_evidence(
    targets: DatedSeries, neighbours: DatedSeries, model: RingModel, *, genus: str | None = None
) -> tuple[Array, Array]:
    """The first kind of `stand_evidence` alone: other trees cut at the same distance from their pith."""
    shape = (len(targets), model.stand_nodes_mm.size, 3)
    means, trees = np.zeros(shape), np.zeros(shape)
    complete = np.flatnonzero(neighbours.to_pith)
    if complete.size == 0:
        return means, trees
    widths = [neighbours.widths_mm[int(core)] for core in complete]
    deviation = deviations_from_pith(widths, model.stand_nodes_mm, model, genus)
    names = _tree_codes(neighbours.tree)
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


def deviations_from_pith(
    widths_mm: Sequence[ArrayLike], distances_mm: Array, model: RingModel, genus: str | None = None
) -> Array:
    """ln(true mean hidden width) less its expected value on complete cores whose inner part is hidden.

    Series run from ring 1 outwards and are cut at the ring boundary nearest to each distance [mm]. Shape (n_core,
    n_node); NaN where the core is too short.
    """
    found = np.full((len(widths_mm), distances_mm.size), np.nan)
    places, visible, radii, hidden = [], [], [], []
    for core, widths in enumerate(widths_mm):
        series = np.asarray(widths, dtype=np.float64)
        radius = np.cumsum(series)
        for node, target in enumerate(distances_mm):
            rings = rings_to_hide(radius, float(target), _VISIBLE_TO_TEACH)
            if rings:
                places.append((core, node))
                visible.append(series[rings:])
                radii.append(radius[rings - 1])
                hidden.append(rings)
    if places:
        radius_mm = np.array(radii)
        growth = inner_growth(visible, genus=genus)
        expected = model.mean_log_width(growth, radius_mm[:, None])[:, 0]
        rows, nodes = np.array(places).T
        found[rows, nodes] = np.log(radius_mm / np.array(hidden)) - expected
    return found


def rings_to_hide(radius_mm: Array, target_mm: float, fewest_visible: int) -> int:
    """Rings inside the boundary of a complete core that is nearest to a distance; 0 where the core is too short."""
    hidden = int(np.abs(radius_mm - target_mm).argmin()) + 1
    near = 0.65 <= radius_mm[hidden - 1] / target_mm <= 1.35  # choice: a boundary further off is another distance
    return hidden if near and radius_mm.size - hidden >= fewest_visible else 0


@dataclass(frozen=True, eq=False)
class _Pairs:
    """Cores under study (target) against cores that reach further in (other)."""

    target: Ints
    other: Ints
    before: Ints  # rings of the other core before the target's innermost year
    sibling: NDArray[np.bool_]

    def parts(self, targets: int) -> Iterator[_Pairs]:
        """The pairs of some targets at a time, so that the memory does not grow with the stand."""
        edges = np.searchsorted(self.target, np.arange(0, targets + _AT_ONCE, _AT_ONCE))
        for part in map(slice, edges[:-1], edges[1:]):
            if part.stop > part.start:
                yield _Pairs(*(each[part] for each in vars(self).values()))


def _pairs(targets: DatedSeries, neighbours: DatedSeries) -> _Pairs:
    """All pairs of a target and a core that shows years before it and enough after; of many other trees some."""
    counts = neighbours.ring_count
    names = _tree_codes((*neighbours.tree, *targets.tree))
    other_tree = np.array([names[name] for name in neighbours.tree])
    first = np.asarray(neighbours.first_year)
    target, other, before, sibling = [], [], [], []
    for core, (name, year) in enumerate(zip(targets.tree, np.asarray(targets.first_year), strict=True)):
        rings = year - first
        usable = np.flatnonzero((rings > 0) & (counts - rings >= _FEWEST_SEEN))
        same = other_tree[usable] == names[name]
        away = usable[~same]
        if away.size > _MOST_NEIGHBOURS:
            away = away[np.linspace(0, away.size - 1, _MOST_NEIGHBOURS).astype(np.intp)]
        chosen = np.concatenate([away, usable[same]])
        target.append(np.full(chosen.size, core))
        other.append(chosen)
        before.append(rings[chosen])
        sibling.append(np.arange(chosen.size) >= away.size)
    return _Pairs(*(np.concatenate(part) for part in (target, other, before, sibling)))


def _year_deviations(
    pairs: _Pairs, neighbours: DatedSeries, hidden: Ints, model: RingModel, genus: str | None
) -> tuple[Array, Array]:
    """Deviation of each other core over the hidden years of its target, and its weight; (n_pair, n_node)."""
    flat = np.concatenate([np.asarray(widths) for widths in neighbours.widths_mm])
    counts = neighbours.ring_count
    starts = np.cumsum(counts) - counts
    total = np.concatenate([[0.0], np.cumsum(flat)])
    cut = starts[pairs.other] + pairs.before
    visible = [flat[a:b] for a, b in zip(cut, (starts + counts)[pairs.other], strict=True)]
    growth = inner_growth(visible, genus=genus)
    wanted = hidden[pairs.target]
    rings = np.minimum(wanted, pairs.before[:, None])
    radius = total[cut][:, None] - total[cut[:, None] - rings]
    usable = (rings >= _LEAST_COVER * wanted) & (radius > 0.0)
    radius = np.maximum(radius, 1e-3)
    deviation = np.log(radius / rings) - model.mean_log_width(growth, radius)
    # cores of one tree share its weight
    place = _tree_codes(neighbours.tree)
    code = np.array([place[name] for name in neighbours.tree])[pairs.other] + len(place) * pairs.target
    _, group = np.unique(code, return_inverse=True)
    cores = np.zeros((group.max() + 1, hidden.shape[1]))
    np.add.at(cores, group, usable)
    weight = usable / np.maximum(cores[group], 1)
    return np.where(usable, deviation, 0.0), weight


def _sums(target: Ints, deviation: Array, weight: Array, size: int) -> tuple[Array, Array]:
    total, number = np.zeros((size, deviation.shape[1])), np.zeros((size, deviation.shape[1]))
    np.add.at(total, target, deviation * weight)
    np.add.at(number, target, weight)
    return total, number


def _tree_codes(trees: Iterable[str]) -> dict[str, int]:
    """A number for each tree, in the order of their first core."""
    return {name: number for number, name in enumerate(dict.fromkeys(trees))}


# ------------------------------------------------------------------ prediction


def best_prediction(means: Array, trees: Array, model: RingModel) -> tuple[Array, Array]:
    """Best linear prediction of a core's shared deviation, and the variance it takes away; both (n_core, n_node).

    `means` and `trees` are those of `stand_evidence`; a mean over 0 trees is ignored. With k the covariances of the
    deviation with the means and K those of the means, the offset is k' K^-1 means and the variance falls by k' K^-1 k.
    A mean over n trees has covariance shared + single / n.
    """
    shared, single = model.stand_shared, model.stand_single  # (n_node, 3, 3)
    known = trees > 0
    number = np.maximum(trees, 1.0)
    pair = np.maximum(number[..., :, None], number[..., None, :])
    matrix = shared + single / pair
    both = known[..., :, None] & known[..., None, :]
    matrix = np.where(both, matrix, np.eye(3))
    target = np.where(known, model.stand_target, 0.0)
    weights = np.linalg.solve(matrix, target[..., None])[..., 0]
    offset = (weights * np.where(known, means, 0.0)).sum(-1)
    return offset, (weights * target).sum(-1)


def calibration_from(offset: Array, explained: tuple[Array, Array], trees: Array, model: RingModel) -> RingCalibration:
    """Share the explained variance out between stand and core; one row a core.

    `offset` (n_core, n_node) is predicted, `explained` the variance that other trees alone and all evidence take away,
    `trees` (n_core,) the other trees behind each row.
    """
    others, everything = explained
    stand_variance = max(model.stand_sd**2 - float(others.mean()) if others.size else 0.0, 0.0)
    stand_variance = max(stand_variance, 0.1 * model.stand_sd**2)  # choice: never more than 90 % known
    shared = model.stand_sd**2 + model.tree_sd**2
    own = np.maximum(model.stand_variance - shared, 1e-3)
    left = model.stand_variance - everything - stand_variance - model.tree_sd**2
    factor = np.sqrt(np.clip(left / own, _FACTOR_RANGE[0] ** 2, _FACTOR_RANGE[1] ** 2))
    return RingCalibration(model.stand_nodes_mm, offset, float(np.sqrt(stand_variance)), model.tree_sd, factor, trees)
