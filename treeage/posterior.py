"""Exact grid posterior of the pith year from one, two or more cores of a tree, with the shared growth rate summed out.

Own derivation: likelihoods of cores multiplied under one flat prior, see Notes of `combine_cores`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from treeage import priors

Array = NDArray[np.float64]

CONTRADICTS = 1e-3  # choice: a bound that leaves less of the other cores' answer contradicts them


def pair_tails(first: Array, second: Array) -> tuple[Array, Array]:
    """Probability that one of two independent numbers is at most, and at least, the other.

    Parameters
    ----------
    first, second : numpy.ndarray, shape (n, n_shift, k)
        Masses on one axis.

    Returns
    -------
    tuple of numpy.ndarray, shape (n, n_shift)
        P(second <= first) and P(second >= first).

    Examples
    --------
    >>> low, high = pair_tails(np.array([[[0.5, 0.5, 0.0]]]), np.array([[[0.0, 0.5, 0.5]]]))
    >>> low.tolist(), high.tolist()
    ([[0.25]], [[1.0]])
    """
    below = np.cumsum(second, axis=2)
    at_most = np.einsum("nsk,nsk->ns", first, below)
    equal = np.einsum("nsk,nsk->ns", first, second)
    return at_most, first.sum(axis=2) * below[:, :, -1] - at_most + equal


def worst_pair(laid: list[Array], informs: NDArray[np.bool_], weights: Array, *, mixed: Array | None = None) -> Array:
    """Two-sided predictive p value of the worst pair of cores, corrected for the number of pairs.

    Parameters
    ----------
    laid : list of numpy.ndarray, each shape (n, n_shift, k)
        Mass of the added rings of each core on the common axis, long enough for all of it.
    informs : numpy.ndarray of bool, shape (n, n_core)
        Which cores take part.
    weights : numpy.ndarray, shape (n_shift,)
        Probabilities of the shared growth rate.
    mixed : numpy.ndarray, shape (n,), optional
        Weights when the rows are states of one tree (years between its heights): tails are averaged over them.

    Returns
    -------
    numpy.ndarray, shape (n,) or (1,) with `mixed`
        NaN where fewer than two cores inform.

    Notes
    -----
    With a shared rate s: p = 2 min(P(A <= B), P(A >= B)), both averaged over s (and over the states) first.
    """
    rows = informs.shape[0] if mixed is None else 1
    worst, pairs = np.full(rows, np.nan), np.zeros(rows)
    for one, two in combinations(range(len(laid)), 2):
        both = informs[:, one] & informs[:, two]
        if not both.any():
            continue
        tails = (tail @ weights for tail in pair_tails(laid[one][both], laid[two][both]))
        if mixed is None:
            least = np.minimum(*tails)
        else:
            least, both = np.array([min(float(mixed @ tail) / float(mixed.sum()) for tail in tails)]), np.ones(1, bool)
        pairs += both
        worst[both] = np.fmin(worst[both], np.minimum(1.0, 2 * least))
    corrected: Array = np.clip(worst * np.maximum(pairs, 1), 0.0, 1.0)
    return corrected


def allowed_share(
    answer: Array, laid: list[Array], speaks: NDArray[np.bool_], present: NDArray[np.bool_], reach: int
) -> Array:
    """Share of the other cores' answer that the cores which only bound it allow, for the narrowest of them.

    Parameters
    ----------
    answer : numpy.ndarray, shape (n, k)
        Mass of the added rings from the cores with information.
    laid : list of numpy.ndarray, each shape (n, n_shift, reach + k)
        Mass of each core; that of a bounding core is flat where it allows the pith.
    speaks, present : numpy.ndarray of bool, shape (n, n_core)
        Cores with information, and all cores.
    reach : int
        Places before the answer's axis.

    Returns
    -------
    numpy.ndarray, shape (n,)
        NaN where no core only bounds. A bound is one-sided: it says nothing against many added rings, so beyond its
        own range it counts as allowing all.

    Examples
    --------
    >>> answer, bound = np.array([[0.6, 0.3, 0.1]]), np.array([[[0.0, 0.5, 0.5]]])
    >>> yes, no = np.array([[True, False]]), np.array([[True, True]])
    >>> allowed_share(answer, [bound, bound], yes, no, 0).round(6).tolist()
    [0.4]
    """
    out = np.full(answer.shape[0], np.nan)
    for column, mass in enumerate(laid):
        rows = np.flatnonzero(present[:, column] & ~speaks[:, column])
        if rows.size:
            open_to = np.maximum.accumulate(mass[rows][:, :, reach:].mean(axis=1), axis=1)
            top = open_to.max(axis=1, keepdims=True)
            open_to = np.divide(open_to, top, out=np.zeros_like(open_to), where=top > 0)
            out[rows] = np.fmin(out[rows], np.einsum("nk,nk->n", answer[rows], open_to))
    return out


Ints = NDArray[np.int64]

_REACH = 3.6  # choice: standard deviations of the shared rate covered by the nodes (all but 3e-4 of it)
_SPACING = 1.2  # choice: node spacing in sd of the tree's part; a sum of normals this close errs by about 2e-6
_STAND_NODES = 7  # choice: Gauss-Hermite nodes of the stand's part, exact for moments up to 13


@dataclass(frozen=True)
class RateNodes:
    """Quadrature over the part of the log growth rate that cores share.

    Parameters
    ----------
    shifts : numpy.ndarray, shape (n_shift,)
        Deviations of the log hidden width (stand part + tree part), evenly spaced.
    stand_weights : numpy.ndarray, shape (n_stand,)
        Probabilities of the stand's part.
    given_stand : numpy.ndarray, shape (n_stand, n_shift)
        Probabilities of the shifts for each value of the stand's part; rows sum to 1.
    """

    shifts: Array
    stand_weights: Array
    given_stand: Array

    @property
    def weights(self) -> Array:
        """Probabilities of the shifts whatever the stand's part.

        Returns
        -------
        numpy.ndarray, shape (n_shift,)
            They sum to 1.
        """
        return self.stand_weights @ self.given_stand


def rate_nodes(tree_sd: float, stand_sd: float, *, step: float) -> RateNodes:
    """Place the nodes for a tree part and a stand part of the log growth rate, both normal.

    Parameters
    ----------
    tree_sd, stand_sd : float
        Standard deviations of the parts, at least 0.
    step : float
        The shifts are whole multiples of this step of the logarithm.

    Returns
    -------
    RateNodes
        Even shifts with normal weights; Gauss-Hermite values for the stand's part.

    Notes
    -----
    A sum over evenly spaced normal weights converges faster than any power of the spacing, so few nodes do.

    Examples
    --------
    >>> nodes = rate_nodes(0.2, 0.15, step=0.02)
    >>> round(float(nodes.weights @ nodes.shifts**2) ** 0.5, 3)
    0.25
    """
    tree = max(tree_sd, 1.5 * step)  # choice: a part below the grid's step is kept at it
    spacing = step * max(1, int(np.floor(_SPACING * tree / step)))
    half = int(np.ceil(_REACH * np.hypot(tree, stand_sd) / spacing))
    shifts: Array = spacing * np.arange(-half, half + 1, dtype=np.float64)
    points, weights = np.polynomial.hermite_e.hermegauss(_STAND_NODES if stand_sd > 0 else 1)
    given = np.exp(-0.5 * ((shifts[None, :] - stand_sd * points[:, None]) / tree) ** 2)
    return RateNodes(shifts, weights / weights.sum(), given / given.sum(axis=1, keepdims=True))


def added_rings(missed: Array, count_start: int, count: Array) -> Array:
    """Mass of the rings to add to a count: missed rings plus count error.

    Parameters
    ----------
    missed : numpy.ndarray, shape (n_core, n_shift, n_ring)
        Mass of 0, 1, 2, ... missed rings for each shift of the growth rate.
    count_start : int
        First count error (true minus counted) of the second array.
    count : numpy.ndarray, shape (n_core, n_error)
        Mass of the count errors count_start, count_start + 1, ...

    Returns
    -------
    numpy.ndarray, shape (n_core, n_shift, n_ring + n_error - 1)
        Mass of count_start, count_start + 1, ... added rings.

    Notes
    -----
    A convolution core by core, by Fourier transform (rounding about 1e-16 of the largest mass; cut at 0).

    Examples
    --------
    >>> added_rings(np.array([[[0.5, 0.5]]]), -1, np.array([[0.25, 0.5, 0.25]])).round(3).tolist()
    [[[0.125, 0.375, 0.375, 0.125]]]
    """
    size = missed.shape[2] + count.shape[1] - 1
    if count.shape[1] == 1:
        return missed
    out = np.zeros((*missed.shape[:2], size))
    exact = count.max(axis=1) == 1.0
    for core in np.flatnonzero(exact):
        at = int(count[core].argmax())
        out[core, :, at : at + missed.shape[2]] = missed[core]
    rest = ~exact
    if rest.any():
        length = next_fast_len(size, real=True)
        product = rfft(missed[rest], length, axis=2) * rfft(count[rest], length, axis=1)[:, None, :]
        out[rest] = np.maximum(irfft(product, length, axis=2)[:, :, :size], 0.0)
    return out


@dataclass(frozen=True)
class PithPosterior:
    """Posterior of the pith year of many trees, given each value of the stand's part of the growth rate.

    Parameters
    ----------
    reference_year : numpy.ndarray of int, shape (n_tree,)
        Earliest innermost ring year of the cores with information; pith year = reference_year - added.
    start : int
        First number of added rings on the last axis (can be negative: rings counted too many).
    given_stand : numpy.ndarray, shape (n_tree, n_stand, n_added)
        Mass of the added rings for each value of the stand's part; last axis sums to 1.
    conflict_p : numpy.ndarray, shape (n_tree,)
        Predictive p value of the disagreement of the cores; NaN with one core.
    contradiction : numpy.ndarray of bool, shape (n_tree,)
        The cores exclude each other under the model; the answer then rests on `priors.GROSS_ERROR`.
    """

    reference_year: Ints
    start: int
    given_stand: Array
    conflict_p: Array
    contradiction: NDArray[np.bool_]


def align_added(added: Array, start: int, offset: Ints, low: int, size: int) -> Array:
    """Lay each core's mass of added rings on its tree's common axis.

    Parameters
    ----------
    added : numpy.ndarray, shape (n_core, n_shift, n_added)
        Mass of start, start + 1, ... added rings.
    start : int
        First number of added rings.
    offset : numpy.ndarray of int, shape (n_core,)
        Innermost ring year of the core minus the tree's reference year.
    low, size : int
        First number and length of the common axis.

    Returns
    -------
    numpy.ndarray, shape (n_core, n_shift, size)
        Mass at low, low + 1, ... on the tree's axis; 0 outside what the core covers.

    Examples
    --------
    >>> align_added(np.array([[[1.0, 2.0, 3.0]]]), 0, np.array([1]), 0, 3).tolist()
    [[[2.0, 3.0, 0.0]]]
    """
    if added.shape[0] == 0:
        return np.zeros((0, added.shape[1], size))
    index = low + np.arange(size)[None, :] + offset[:, None] - start
    valid = (index >= 0) & (index < added.shape[2])
    index = np.clip(index, 0, added.shape[2] - 1)
    laid: Array = np.take_along_axis(added, index[:, None, :], axis=2)
    laid *= valid[:, None, :]
    return laid


def combine_cores(
    added: Array,
    start: int,
    innermost_year: Ints,
    cores_of_tree: Ints,
    nodes: RateNodes,
    *,
    bound_only: NDArray[np.bool_] | None = None,
) -> PithPosterior:
    """Combine the cores of each tree into the posterior of its pith year at one height.

    Parameters
    ----------
    added : numpy.ndarray, shape (n_core, n_shift, n_added)
        Mass of the rings to add to each core, from `added_rings`.
    start : int
        First number of added rings.
    innermost_year : numpy.ndarray of int, shape (n_core,)
        Year of the innermost counted ring if the count is exact.
    cores_of_tree : numpy.ndarray of int, shape (n_tree, n_most)
        Rows of the cores of each tree; -1 fills up.
    nodes : RateNodes
        The shared growth rate.
    bound_only : numpy.ndarray of bool, shape (n_core,), optional
        Cores that only say the pith is not younger than their innermost ring (flat missed rings); they bound the
        answer. A bound that leaves less than `posterior_conflict.CONTRADICTS` of the other cores' answer contradicts
        them: it is set aside and marked.

    Returns
    -------
    PithPosterior
        Mass for each tree and each value of the stand's part.

    Notes
    -----
    With pith year P, innermost year I, missed rings M and count error e, I - P = M + e. The distance by which a core
    misses the pith does not depend on P, so p(M + e = I - P | distance, widths) is the likelihood of P, and
    posterior(P) = sum over shifts s of p(s) product over cores of p_core(I - P | s), with a flat prior on P. Cores are
    taken as independent given P and the shared rate; they are not where both lack the same ring. The stand's part
    is not learned from the trees here (`hierarchical` does that): each of its values gets its prior weight.

    References
    ----------
    .. [1] Own derivation; checked by brute force and against a PyMC model in the tests.

    Examples
    --------
    Two cores that each leave 0, 1 or 2 rings open, one starting a year later.

    >>> nodes = RateNodes(np.zeros(1), np.ones(1), np.ones((1, 1)))
    >>> added = np.array([[[0.2, 0.5, 0.3]], [[0.0, 0.5, 0.5]]])
    >>> result = combine_cores(added, 0, np.array([1900, 1901]), np.array([[0, 1]]), nodes)
    >>> result.reference_year.tolist(), result.given_stand[0, 0].round(3).tolist()
    ([1900], [0.286, 0.714, 0.0])
    """
    present = np.asarray(cores_of_tree >= 0)
    informs: NDArray[np.bool_] = present if bound_only is None else present & ~bound_only[cores_of_tree]
    speaks = informs | (present & ~informs.any(axis=1, keepdims=True))  # bounds speak where they are alone
    years = innermost_year[cores_of_tree]
    reference = np.where(speaks, years, np.iinfo(np.int64).max).min(axis=1)
    offset = np.where(present, years - reference[:, None], 0)
    size = added.shape[2]
    floor = priors.GROSS_ERROR.value / size
    several = np.asarray(present.sum(axis=1) > 1)[:, None, None]
    reach = max(0, int(offset.max()))  # a later core has mass before the axis, which its conflict needs
    laid: list[Array] = []
    product, bound = np.ones((2, 1, 1, 1))
    for column in range(cores_of_tree.shape[1]):
        here = present[:, column]
        wide = align_added(added[cores_of_tree[:, column]], start, offset[:, column], start - reach, size + reach)
        laid.append(wide)
        factor = wide[:, :, reach:] + floor * several
        apart = (here & ~speaks[:, column])[:, None, None]
        product = product * np.where(speaks[:, column, None, None], factor, 1.0)
        if apart.any():
            bound = bound * np.where(apart, factor, 1.0)
    conflict = worst_pair(laid, informs, nodes.weights)
    mass = np.matmul(nodes.given_stand, product)
    total = mass.sum(axis=2, keepdims=True)
    contradiction = (informs.sum(axis=1) > 1) & (total[:, :, 0].max(axis=1) < 4 * floor)
    if bound.size > 1:
        share = allowed_share(np.matmul(nodes.stand_weights, mass / total), laid, speaks, present, reach)
        against = share < CONTRADICTS
        mass[~against] = np.matmul(nodes.given_stand, (product * bound)[~against])
        total = mass.sum(axis=2, keepdims=True)
        conflict = np.where(share < 1 - 1e-6, np.fmin(conflict, share), conflict)
        contradiction = contradiction | against
    return PithPosterior(reference, start, mass / total, conflict, contradiction)


def combine_cases(
    masses: list[tuple[int, Array]],
    case_weights: Array,
    count_cases: list[tuple[float, tuple[int, ...]]],
    low: int,
    size: int,
) -> Array:
    """Likelihood over shifts and added rings of one tree whose cores depend on each other.

    Parameters
    ----------
    masses : list of (int, numpy.ndarray of shape (n_case, n_shift, n))
        For each core the first number and the mass of its rings to add in each joint case (for example a joint
        place of the pith); n_case is 1 for a core that the cases do not touch.
    case_weights : numpy.ndarray, shape (n_case,)
        Probabilities of the cases.
    count_cases : list of (float, tuple of int)
        Joint cases of what shifts the cores against the tree's axis: probability, and for each core the number of
        rings by which its own axis is ahead of the tree's.
    low, size : int
        First number and length of the tree's axis of added rings.

    Returns
    -------
    numpy.ndarray, shape (n_shift, size)
        Sum over the cases of the product over the cores.

    Examples
    --------
    >>> half = np.array([[[0.5, 0.5]]])
    >>> combine_cases([(0, half), (0, half)], np.ones(1), [(1.0, (0, 0))], 0, 2).round(3).tolist()
    [[0.25, 0.25]]
    """
    shifts = masses[0][1].shape[1]
    floor = priors.GROSS_ERROR.value / size
    laid: dict[tuple[int, int], Array] = {}  # the same core at the same place serves many cases
    total = np.zeros((shifts, size))
    for weight, ahead in count_cases:
        product = np.ones((1, 1, 1))
        for core, offset in enumerate(ahead):
            if (core, offset) not in laid:
                start, mass = masses[core]
                laid[core, offset] = _moved(mass, low + offset - start, size) + floor
            product = product * laid[core, offset]
        together = product[0] if len(product) == 1 else np.einsum("c,csk->sk", case_weights, product)
        total += weight * together
    return total


def _moved(mass: Array, first: int, size: int) -> Array:
    """Cut out size places of the last axis from place `first` on, 0 outside what is there."""
    out = np.zeros((*mass.shape[:2], size))
    low, high = max(first, 0), min(first + size, mass.shape[2])
    if low < high:
        out[:, :, low - first : high - first] = mass[:, :, low:high]
    return out


def establishment_given_shared(
    likelihood: dict[tuple[int, ...], Array], passing_years: Ints, nodes: RateNodes
) -> tuple[int, Array, Array]:
    """Mass of rings and years to add for a tree cored at several heights.

    Parameters
    ----------
    likelihood : dict
        For each pattern of extra years between the heights (relative to the reference core, one number a
        core), the likelihood (n_shift, n_added) of the rings to add at the reference core.
    passing_years : numpy.ndarray of int, shape (n_core, n_shared, n_tree_node)
        Years to each core's height for every shared node and every tree node, equally likely; the
        reference core first.
    nodes : RateNodes
        The shared growth rate.

    Returns
    -------
    start : int
        First number on the last axis, 0 meaning the first added ring and no years to the height.
    mass : numpy.ndarray, shape (n_stand, n_shared, n)
        Mass of added rings + years to the reference height, scaled over each (stand, shared) pair.
    evidence : numpy.ndarray, shape (n_shared,)
        How well each shared value of the height model fits this tree, largest 1.

    Notes
    -----
    A tree that is slow to one height is slow to the other: both heights share the tree node, so two heights
    of one tree inform the height model of that tree.

    Examples
    --------
    >>> nodes = RateNodes(np.zeros(1), np.ones(1), np.ones((1, 1)))
    >>> start, mass, _ = establishment_given_shared({(0,): np.array([[0.5, 0.5]])}, np.array([[[3, 4]]]), nodes)
    >>> start, mass[0, 0].tolist()
    (3, [0.25, 0.5, 0.25])
    """
    first = passing_years[0]
    low, high = int(first.min()), int(first.max())
    size = next(iter(likelihood.values())).shape[1]
    shared = first.shape[0]
    out = np.zeros((nodes.stand_weights.size, shared, high - low + size))
    extra = passing_years - first[None]
    for pattern, mass in likelihood.items():
        by_stand = nodes.given_stand @ mass
        match = np.all(extra == np.asarray(pattern)[:, None, None], axis=0)
        for row, column in zip(*np.nonzero(match), strict=True):
            at = int(first[row, column]) - low
            out[:, row, at : at + size] += by_stand
    total = out.sum(axis=2, keepdims=True)
    evidence = nodes.stand_weights @ total[:, :, 0]
    top = evidence.max()
    evidence = evidence / top if top > 0 else np.ones(shared)
    return low, out / np.where(total > 0, total, 1.0), evidence
