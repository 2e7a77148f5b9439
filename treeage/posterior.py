"""The exact engine: the pith year of a tree from one, two or more cores, the shared growth near the pith summed out.

    core       missed rings M (by shift of the growth)  *  count error e   ->  added rings M + e      `added_rings`
    tree       innermost year - pith year = M + e on every core: the cores' masses are put on one axis
               and multiplied for each shift, never posteriors multiplied                              `combine_cores`
    shared     shifts are summed with their probabilities given the stand's part, which stays open    `GrowthNodes`

Own derivation: likelihoods of cores multiplied under one flat prior, see Notes of `combine_cores`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from treeage import priors
from treeage.pmf import Mass, Pmf, freeze_arrays

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

_AGREE = 0.25  # choice: below this share of the evidence without any error, cores are said to exclude each other
ASTRAY_YEARS = 20.0  # choice: a swapped or misread core points some tens of years off
_ANYWHERE = 1e-3  # choice: share of wrong cores that may point anywhere
CONTRADICTS = (
    0.02  # choice: a bound that leaves less of the other cores' answer contradicts them; wrong cores leave 0.01
)
_REACH = 3.6  # choice: standard deviations of the shared growth covered by the nodes (all but 3e-4 of it)
_SPACING = 1.2  # choice: node spacing in sd of the tree's part; a sum of normals this close errs by about 2e-6
_STAND_NODES = 7  # choice: Gauss-Hermite nodes of the stand's part, exact for moments up to 13
_TINY = 1e-12  # choice: keeps two cores that exclude each other from leaving no answer
_PART_LEAST = 1e-3  # choice: parts smaller than this against the largest change no printed figure
RARE_COUNT = 1e-9  # choice: count errors rarer than this are left out
_GOLDEN = (5**0.5 - 1) / 2  # closed form: multiples of it are spread evenly
_ROWS = 200  # choice: rows transformed at a time, so that they stay in the processor's cache


@dataclass(frozen=True, eq=False)
class GrowthNodes:
    """Quadrature over the part of the log growth near the pith that cores share.

    Parameters
    ----------
    shifts : numpy.ndarray, shape (n_shift,)
        Deviations of the log hidden width (stand part + tree part), evenly spaced.
    stand_weights : numpy.ndarray, shape (n_stand,)
        Probabilities of the stand's part.
    given_stand : numpy.ndarray, shape (n_stand, n_shift)
        Probabilities of the shifts for each value of the stand's part; rows sum to 1.
    tree_sd, stand_sd : float
        Standard deviations of the parts, as far as they are normal.
    place : numpy.ndarray of int, shape (n_stand,), or None
        Node of the errors of aim and reading that goes with each value of the stand's part: the place on the node axis
        of the masses of cores. None: each has its own.
    """

    shifts: Array
    stand_weights: Array
    given_stand: Array
    tree_sd: float = 0.0
    stand_sd: float = 0.0
    place: Ints | None = None

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def weights(self) -> Array:
        """Probabilities of the shifts whatever the stand's part, shape (n_shift,)."""
        return self.stand_weights @ self.given_stand

    @property
    def node_weights(self) -> Array:
        """Probabilities of the nodes of aim and reading."""
        return np.asarray(self.stand_weights if self.place is None else np.bincount(self.place, self.stand_weights))

    def given(self, stand: Array) -> Array:
        """Probabilities of the shifts for any values of the stand's part, (n, n_shift)."""
        density = np.exp(-0.5 * ((self.shifts[None, :] - stand[:, None]) / self.tree_sd) ** 2)
        return np.asarray(density / density.sum(axis=1, keepdims=True))

    def at(self, stand: Array) -> GrowthNodes:
        """The same shifts with equally likely values of the stand's part."""
        return replace(self, stand_weights=np.full(stand.size, 1.0 / stand.size), given_stand=self.given(stand))


def growth_nodes(tree_sd: float, stand_sd: float, *, step: float) -> GrowthNodes:
    """Place the nodes for a tree part and a stand part of the log growth, both normal.

    Parameters
    ----------
    tree_sd, stand_sd : float
        Standard deviations of the parts, at least 0.
    step : float
        The shifts are whole multiples of this step of the logarithm.

    Returns
    -------
    GrowthNodes
        Even shifts with normal weights; Gauss-Hermite values for the stand's part.

    Notes
    -----
    A sum over evenly spaced normal weights converges faster than any power of the spacing, so few nodes do.

    Examples
    --------
    >>> nodes = growth_nodes(0.2, 0.15, step=0.02)
    >>> round(float(nodes.weights @ nodes.shifts**2) ** 0.5, 3)
    0.25
    """
    tree = max(tree_sd, 1.5 * step)  # choice: a part below the grid's step is kept at it
    spacing = step * max(1, int(np.floor(_SPACING * tree / step)))
    half = int(np.ceil(_REACH * np.hypot(tree, stand_sd) / spacing))
    shifts: Array = spacing * np.arange(-half, half + 1, dtype=np.float64)
    points, weights = np.polynomial.hermite_e.hermegauss(_STAND_NODES if stand_sd > 0 else 1)
    given = np.exp(-0.5 * ((shifts[None, :] - stand_sd * points[:, None]) / tree) ** 2)
    return GrowthNodes(shifts, weights / weights.sum(), given / given.sum(axis=1, keepdims=True), tree, stand_sd)


def added_rings(missed: Array, count: Mass, *, signed: bool = False) -> Mass:
    """Mass of the rings to add to a count: missed rings plus count error.

    Parameters
    ----------
    missed : numpy.ndarray, shape (n_core, n_shift, n_ring)
        Mass of 0, 1, 2, ... missed rings for each shift of the growth.
    count : Mass, shape (n_core, n_error)
        Count errors, true minus counted rings.
    signed : bool, default False
        Whether these are parts of masses, which may be negative.

    Returns
    -------
    Mass, shape (n_core, n_shift, n_ring + n_error - 1)
        Added rings.

    Notes
    -----
    A convolution core by core, by Fourier transform in double precision (rounding about 1e-16 of the largest mass; cut
    at 0), in the precision of `missed`: single precision is kept in the tails too.

    Examples
    --------
    >>> added_rings(np.array([[[0.5, 0.5]]]), Mass(-1, np.array([[0.25, 0.5, 0.25]]))).mass.round(3).tolist()
    [[[0.125, 0.375, 0.375, 0.125]]]
    """
    error = count.mass
    size = missed.shape[2] + count.size - 1
    if count.size == 1:
        return Mass(count.start, missed)
    out = np.zeros((*missed.shape[:2], size), dtype=missed.dtype)
    exact = (error.max(axis=1) == 1.0) & (np.abs(error).sum(axis=1) == 1.0)
    for core in np.flatnonzero(exact):
        at = int(error[core].argmax())
        out[core, :, at : at + missed.shape[2]] = missed[core]
    rest, row = np.nonzero(missed.any(axis=2) & ~exact[:, None])  # parts that a core does not have stay empty
    length = next_fast_len(size, real=True)
    turned = rfft(error, length) if rest.size else np.zeros(0)
    for here in (slice(first, first + _ROWS) for first in range(0, rest.size, _ROWS)):
        cells = rest[here], row[here]
        product = rfft(missed[cells].astype(np.float64), length)
        product *= turned[rest[here]]
        whole = irfft(product, length, overwrite_x=True)[:, :size]
        out[cells] = whole if signed else np.maximum(whole, 0.0)
    return Mass(count.start, out)


def added_at_levels(missed: Array, counts: list[Mass]) -> Mass:
    """Parts of masses, (n_core, n_row, n_ring), plus count errors at several levels: (n_core, n_level, n_row, n).

    Cores whose errors are the same at all levels are worked out once; where all are so, there is one level.
    """
    start = min(count.start for count in counts)
    errors = np.stack([count.on(start, max(each.stop for each in counts) + 1 - start) for count in counts])
    used = np.flatnonzero((np.abs(errors) > RARE_COUNT).any(axis=(0, 1)))
    start, errors = start + int(used[0]), errors[:, :, used[0] : used[-1] + 1]
    first = added_rings(missed, Mass(start, errors[0]), signed=True)
    differ = np.flatnonzero((errors != errors[0]).any(axis=(0, 2)))
    if not differ.size:
        return Mass(first.start, first.mass[:, None])
    out = np.repeat(first.mass[:, None], len(counts), axis=1)
    length = next_fast_len(first.size, real=True)
    whole = rfft(missed[differ].astype(np.float64), length, axis=2)
    for level in range(1, len(counts)):
        product = whole * rfft(errors[level, differ], length, axis=1)[:, None, :]
        out[differ, level] = irfft(product, length, axis=2)[:, :, : first.size]
    return Mass(first.start, out)


@dataclass(frozen=True, eq=False)
class PithPosterior:
    """Posterior of the pith year of many trees, given each state of what the stand shares.

    Parameters
    ----------
    reference_year : numpy.ndarray of int, shape (n_tree,)
        Earliest innermost ring year of the cores with information; pith year = reference_year - added rings.
    added : Mass, shape (n_tree, n_state, n)
        Added rings (can be negative: rings counted too many, or a core that is wrong); rows sum to 1.
    evidence : numpy.ndarray, shape (n_tree, n_state)
        Probability of what the cores of the tree say together; 1 with one core.
    conflict_p : numpy.ndarray, shape (n_tree,)
        Predictive p value of the disagreement of the cores; NaN with one core.
    contradiction : numpy.ndarray of bool, shape (n_tree,)
        The cores exclude each other under the model; the answer then rests on one of them being wrong.
    """

    reference_year: Ints
    added: Mass
    evidence: Array
    conflict_p: Array
    contradiction: Flags


def combine_cores(
    added: Mass,
    innermost_year: Ints,
    cores_of_tree: Ints,
    nodes: GrowthNodes,
    *,
    bound_only: Flags | None = None,
    wrong: float | None = None,
) -> PithPosterior:
    """Combine the cores of each tree into the posterior of its pith year at one height.

    Parameters
    ----------
    added : Mass, shape (n_core, n_node, n_shift, n) or (n_core, n_shift, n)
        Rings to add to each core at every node of aim and reading, or the same at all.
    innermost_year : numpy.ndarray of int, shape (n_core,)
        Year of the innermost counted ring if the count is exact.
    cores_of_tree : numpy.ndarray of int, shape (n_tree, n_most)
        Rows of the cores of each tree; -1 fills up.
    nodes : GrowthNodes
        The shared growth in these states.
    bound_only : numpy.ndarray of bool, shape (n_core,), optional
        Cores that only say the pith is not younger than their innermost ring (flat missed rings); they bound the
        answer. A bound that leaves less than `CONTRADICTS` of the other cores' answer contradicts them: it is set
        aside and marked.
    wrong : float, default `priors.GROSS_ERROR`
        Probability that a core of a tree with several is not what it is taken for.

    Returns
    -------
    PithPosterior
        Mass for each tree and each state.

    Notes
    -----
    With pith year P, innermost year I, missed rings M and count error e, I - P = M + e. The distance by which a core
    misses the pith does not depend on P, so p(M + e = I - P | distance, widths) is the likelihood of P, and
    posterior(P) = sum over shifts s of p(s) product over cores of p_core(I - P | s), with a flat prior on P. Cores are
    taken as independent given P and the shared state; they are not where both lack the same ring. A core is
    wrong with a small probability (another tree's, or misread): it then points some tens of years off. The axis reaches
    from the earliest core to the latest.

    References
    ----------
    .. [1] Own derivation; checked by brute force and against a PyMC model in the tests.

    Examples
    --------
    Two cores that each leave 0, 1 or 2 rings open, one starting a year later, both taken at their word.

    >>> nodes = GrowthNodes(np.zeros(1), np.ones(1), np.ones((1, 1)))
    >>> added = Mass(0, np.array([[[0.2, 0.5, 0.3]], [[0.0, 0.5, 0.5]]]))
    >>> result = combine_cores(added, np.array([1900, 1901]), np.array([[0, 1]]), nodes, wrong=0.0)
    >>> result.reference_year.tolist(), result.added.start, result.added.mass[0, 0].round(3).tolist()
    ([1900], -1, [0.0, 0.286, 0.714, 0.0])
    """
    masses = added.mass[:, None] if added.mass.ndim == 3 else added.mass
    wrong = priors.GROSS_ERROR.value if wrong is None else wrong
    present = np.asarray(cores_of_tree >= 0)
    informs: Flags = present if bound_only is None else present & ~bound_only[cores_of_tree]
    speaks = informs | (present & ~informs.any(axis=1, keepdims=True))  # bounds speak where they are alone
    years = innermost_year[cores_of_tree]
    reference = np.where(speaks, years, np.iinfo(np.int64).max).min(axis=1)
    offset = np.where(present, years - reference[:, None], 0)
    reach = max(0, int(offset.max()))  # a later core has mass before the earliest one
    low, size = added.start - reach, masses.shape[3] + reach
    several = np.asarray(present.sum(axis=1) > 1)[:, None, None, None]
    middle: list[Array] = []
    astray: list[Array] = []
    product = bound = np.ones((1, 1, 1, 1))
    for column in range(cores_of_tree.shape[1]):
        here = present[:, column]
        wide = align_added(Mass(added.start, masses[cores_of_tree[:, column]]), offset[:, column], low, size)
        middle.append(wide.mean(axis=1) if wide.shape[1] == 1 else np.einsum("s,nsck->nck", nodes.node_weights, wide))
        other = gone_astray(np.einsum("c,nck->nk", nodes.weights, middle[-1]))
        astray.append(other)
        factor = with_gross_error(wide, other[:, None, None], wrong)
        if not several.all():
            factor = np.where(several, factor, wide)
        spoken = factor if speaks[:, column].all() else np.where(speaks[:, column, None, None, None], factor, 1.0)
        product = product * spoken if column else spoken
        apart = (here & ~speaks[:, column])[:, None, None, None]
        if apart.any():
            bound = bound * np.where(apart, factor, 1.0)
    conflict = worst_pair(middle, informs, nodes.weights)
    mass = over_shifts(nodes, product)
    total = mass.sum(axis=2, keepdims=True)
    told = [np.where(own[:, None, None], mass, 1.0) for own, mass in zip(informs.T, middle, strict=True)]
    others = [np.where(own[:, None], other, 1.0) for own, other in zip(informs.T, astray, strict=True)]
    contradiction = (informs.sum(axis=1) > 1) & exclude_each_other(told, others, nodes.weights, wrong)
    if bound.size > 1:
        share = allowed_share(np.matmul(nodes.stand_weights, mass / total), middle, speaks, present, 0)
        against = share < CONTRADICTS
        mass[~against] = over_shifts(nodes, (product * bound)[~against])
        total = mass.sum(axis=2, keepdims=True)
        conflict = np.where(share < 1 - 1e-6, np.fmin(conflict, share), conflict)
        contradiction = contradiction | against
    evidence = np.where(several[:, :, 0, 0], total[:, :, 0], 1.0)
    return PithPosterior(reference, Mass(low, mass / total), evidence, conflict, contradiction)


def single_cores(added: Mass, innermost_year: Ints, rows: Ints) -> PithPosterior:
    """The posterior of trees with one core, from its added rings in every state, (n_core, n_state, n)."""
    mass = added.mass[rows]
    none = np.zeros(len(rows), dtype=bool)
    scaled = mass / np.maximum(mass.sum(axis=2, keepdims=True), 1e-300)
    return PithPosterior(
        innermost_year[rows], Mass(added.start, scaled), np.ones(mass.shape[:2]), np.full(len(rows), np.nan), none
    )


def over_shifts(nodes: GrowthNodes, product: Array) -> Array:
    """Likelihoods (n_tree, n_node or 1, n_shift, n) with the tree's part of the growth summed out, by state."""
    given, place = nodes.given_stand.astype(product.dtype), nodes.place
    if place is not None and product.shape[1] > 1 and not np.array_equal(place, np.arange(product.shape[1])):
        product = product[:, place]
    return np.asarray(np.matmul(given[:, None, :], product)[:, :, 0], dtype=np.float64)


def with_gross_error(mass: Array, astray: Array, wrong: float) -> Array:
    """Mass of a core that is wrong with some probability, and then lies where `astray` says, (..., n)."""
    out = (1 - wrong) * mass
    out += max(wrong, _TINY) * astray
    return np.asarray(out)


@lru_cache(maxsize=64)
def _astray_kernel(length: int) -> NDArray[np.complex128]:
    """Transform of the law of wrong cores, 6 of its scales to either side, first place first."""
    years = np.arange(-6 * int(ASTRAY_YEARS), 6 * int(ASTRAY_YEARS) + 1)
    kernel = np.exp(-np.abs(years) / ASTRAY_YEARS)
    return np.asarray(rfft(kernel / kernel.sum(), length))


def gone_astray(mass: Array) -> Array:
    """Where wrong cores point, (n_core, n), from where they point when right: years off by a Laplace law."""
    half, size = 6 * int(ASTRAY_YEARS), mass.shape[-1]
    length = next_fast_len(size + 2 * half + 1, real=True)
    wide = irfft(rfft(mass, length, axis=-1) * _astray_kernel(length), length, axis=-1)[..., half : half + size]
    return np.asarray((1 - _ANYWHERE) * np.maximum(wide, 0.0) + _ANYWHERE / size)


def exclude_each_other(masses: list[Array], astray: list[Array], weights: Array, wrong: float) -> Flags:
    """Whether several cores rather have one that is wrong among them than agree, (n_tree,).

    masses: of each core on one axis, (n_tree, n_shift, n), ones where a tree has no such core; astray, (n_tree, n).
    """
    clean, every = np.ones((2, 1, 1, 1))
    for mass, other in zip(masses, astray, strict=True):
        clean = clean * (1 - wrong) * mass
        every = every * with_gross_error(mass, other[:, None], wrong)
    share = (weights @ clean.sum(axis=2).T) / np.maximum(weights @ every.sum(axis=2).T, 1e-300)
    return np.asarray(share < _AGREE)


def align_added(added: Mass, offset: Ints, low: int, size: int) -> Array:
    """Put each core's mass of added rings on its tree's common axis low, low + 1, ..., shape (n_core, ..., size).

    offset, shape (n_core,): innermost year of the core minus the tree's reference year. 0 outside what a core covers.
    """
    aligned = np.zeros((*added.mass.shape[:-1], size), dtype=added.mass.dtype)
    for core, first in enumerate(added.start - offset - low):  # place of the core's first number on the axis
        here = slice(max(0, first), max(0, min(size, first + added.size)))
        aligned[core, ..., here] = added.mass[core, ..., here.start - first : here.stop - first]
    return aligned


def at_nodes(share: Array, span: Array, level: Ints, *, signed: bool = False) -> Array:
    """Masses at every node, (n_core, n_node, n_shift, n), from the few parts they are made of.

    share, (n_node, n_core, n_part): of each part at each node; span, (n_core, n_level, n_part, n_shift, n): the
    parts at every level of the count's rate; level, (n_node,): the level of each node.
    """
    cores, levels, parts, shifts, size = span.shape
    flat = span.reshape(cores, levels, parts, shifts * size)
    by_core = share.transpose(1, 0, 2).astype(span.dtype)
    out = np.empty((cores, len(level), shifts * size), dtype=span.dtype)
    if levels == 1:
        np.matmul(by_core, flat[:, 0], out=out)
    else:
        for own in np.unique(level):
            here = np.flatnonzero(level == own)
            out[:, here] = by_core[:, here] @ flat[:, own]
    if not signed:  # parts of masses are cut at 0, where rounding leaves less
        np.maximum(out, 0.0, out=out)
    return out.reshape(cores, len(level), shifts, size)


def few_parts(masses: Array) -> tuple[Array, Array]:
    """Masses of cores in many states as sums of few: shares (n_state, n_core, n_part), parts (n_part, n_core, n).

    masses, (n_state, n_core, n). The parts are orthogonal (an eigenvalue problem for each core) and may be negative;
    what is left out is below `_PART_LEAST` of the largest. A core that is the same in all states is its own part.
    """
    states, cores, size = masses.shape
    rows = np.flatnonzero((masses != masses[:1]).any(axis=(0, 2)))
    moving = masses[:, rows]
    values, vectors = np.linalg.eigh(np.einsum("snr,tnr->nst", moving, moving, optimize=True))
    kept = values > _PART_LEAST**2 * values[:, -1:]
    most = max(1, int(kept.sum(axis=1).max(initial=1)))
    vectors = np.where(kept[:, None, -most:], vectors[:, :, -most:], 0.0)[:, :, ::-1]  # the largest first
    share, parts = np.zeros((states, cores, most)), np.zeros((most, cores, size))
    share[:, :, 0], parts[0] = 1.0, masses[0]
    share[:, rows] = vectors.transpose(1, 0, 2)
    parts[:, rows] = np.einsum("nsp,snr->pnr", vectors, moving, optimize=True)
    return share, parts


@dataclass(frozen=True, eq=False)
class HeightTie:
    """What a tree cored at several heights says of rings and years together, referred to its lead core.

    Parameters
    ----------
    joint : Mass, shape (n_stand, n_shared, n)
        Added rings + years to the lead core's height, for each shared value of the height model.
    years : Mass, shape (n_shared, n)
        Those years alone, given the tree.
    evidence : numpy.ndarray, shape (n_shared,)
        How well each shared value of the height model fits the tree, largest 1.
    """

    joint: Mass
    years: Mass
    evidence: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)


def distinct_columns(table: Ints) -> tuple[Ints, Ints]:
    """The different columns of a table in the order of their numbers, and which of them each column is."""
    order = np.lexsort(table[::-1])
    new = np.append(True, (np.diff(table[:, order], axis=1) != 0).any(axis=0))
    place = np.empty(order.size, dtype=np.int64)
    place[order] = np.cumsum(new) - 1
    return table[:, order[new]], place


def tie_heights(
    likelihood: Mapping[tuple[int, ...], Array], start: int, passing_years: Ints, nodes: GrowthNodes
) -> HeightTie:
    """Sum a tree's likelihood over the shared and tree values of the height model.

    Parameters
    ----------
    likelihood : mapping
        For each pattern of extra years between the heights (relative to the lead core, one number a core), the
        likelihood (n_state, n) of the rings to add at the lead core.
    start : int
        First number of added rings.
    passing_years : numpy.ndarray of int, shape (n_core, n_shared, n_tree_node)
        Years to each core's height for every shared node and every tree node, equally likely; the lead core first.
    nodes : GrowthNodes
        The shared growth.

    Returns
    -------
    HeightTie
        Rows scaled to 1 over each (stand, shared) pair.

    Notes
    -----
    A tree that is slow to one height is slow to the other: both heights share the tree node, so two heights
    of one tree inform the height model of that tree.

    Examples
    --------
    >>> nodes = GrowthNodes(np.zeros(1), np.ones(1), np.ones((1, 1)))
    >>> tie = tie_heights({(0,): np.array([[0.5, 0.5]])}, 0, np.array([[[3, 4]]]), nodes)
    >>> tie.joint.start, tie.joint.mass[0, 0].tolist(), tie.years.mass.tolist()
    (3, [0.25, 0.5, 0.25], [[0.5, 0.5]])
    """
    lead = passing_years[0]
    low, width = int(lead.min()), int(np.ptp(lead)) + 1
    patterns, place = distinct_columns((passing_years - lead).reshape(len(passing_years), -1))
    masses = np.stack([likelihood[tuple(pattern)] for pattern in patterns.T.tolist()])
    total = masses.sum(axis=2, keepdims=True)
    kept = Mass(start, masses / np.maximum(total, 1e-300)).compact()  # the unlikely keep their shape too
    mass = kept.mass * np.maximum(total / max(total.max(), 1e-300), 1e-30).astype(np.float32)
    weights = mass.sum(axis=2, dtype=np.float64) @ nodes.stand_weights
    size = kept.size
    joint = np.zeros((lead.shape[0], masses.shape[1], width - 1 + size), dtype=np.float32)
    years, term = np.zeros((lead.shape[0], width)), np.empty_like(mass[0])
    for own, sums, lag in zip(place.reshape(lead.shape) * width + lead - low, joint, years, strict=True):
        cells, times = np.unique(own, return_counts=True)
        patterns_at, places = np.divmod(cells, width)
        lag[:] = np.bincount(places, times * weights[patterns_at], width)
        for pattern, at, often in zip(patterns_at.tolist(), places.tolist(), times.tolist(), strict=True):
            np.multiply(mass[pattern], often, out=term)
            sums[:, at : at + size] += term
    joint = joint.swapaxes(0, 1)
    total = joint.sum(axis=2, keepdims=True, dtype=np.float64)
    evidence = nodes.stand_weights @ total[:, :, 0]
    top = evidence.max()
    evidence = evidence / top if top > 0 else np.ones(lead.shape[0])
    years /= np.maximum(years.sum(axis=1, keepdims=True), 1e-300)
    joint /= np.where(total > 0, total, 1.0)
    return HeightTie(Mass(low + kept.start, joint), Mass(low, years), evidence)


@dataclass(frozen=True, eq=False)
class TreePosterior:
    """What the cores of one tree say of its pith, alone and together, before height and collar are subtracted.

    Parameters
    ----------
    tree, species : str
        Whose.
    cores : tuple of int
        Rows of all its cores.
    lead : int
        Row of the core that the dates are referred to: the one that says most by itself.
    reference_year : int
        Pith year at the lead core = reference_year - added rings.
    added : Mass, shape (n_state, n)
        Added rings for each state of what the stand shares.
    evidence : numpy.ndarray, shape (n_state,)
        How well each state explains that the cores agree; 1 with one core.
    informs : tuple of int
        Rows of the cores that do more than bound the date; the next four go with them.
    alone, missed, counts : tuple of Pmf
        Pith year from each core alone at its own height, its missed rings, its count error (the margin of the joint
        mass where two cores were read against each other).
    variance : numpy.ndarray, shape (n_informs, 3)
        What count, distance and growth of each core add to the variance of the tree's pith year.
    conflict_p : float
        Predictive p value of the disagreement of the cores; NaN with one core.
    contradiction : bool
        The cores exclude each other.
    tie : HeightTie or None
        For cores at several heights.
    """

    tree: str
    species: str
    cores: tuple[int, ...]
    lead: int
    reference_year: int
    added: Mass
    evidence: Array
    informs: tuple[int, ...]
    alone: tuple[Pmf, ...]
    missed: tuple[Pmf, ...]
    counts: tuple[Pmf, ...]
    variance: Array
    conflict_p: float
    contradiction: bool
    tie: HeightTie | None = None

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def lead_place(self) -> int:
        """Place of the lead core among those that inform."""
        return self.informs.index(self.lead)


def adrift(posterior: TreePosterior, drift: Pmf) -> TreePosterior:
    """Add the count error that all trees of a stand without crossdated cores share: each state has its own piece of it.

    The pieces are equally likely and spread evenly over the states, the same for every tree, so that a joint draw takes
    one piece for all.
    """
    if drift.mass.size == 1:
        return posterior
    states = len(posterior.added.mass)
    rank = np.argsort(np.argsort((_GOLDEN * np.arange(states)) % 1.0))
    edges = np.concatenate([[0.0], np.cumsum(drift.mass)])
    pieces = np.clip(edges[None, :] * states - rank[:, None], 0.0, 1.0)
    each = np.diff(pieces, axis=1)
    moved = [np.convolve(own, piece) for own, piece in zip(posterior.added.mass, each, strict=True)]
    return replace(
        posterior,
        added=Mass(posterior.added.start + drift.start, np.stack(moved)).compact(),
        alone=tuple(own.convolve(drift.negate()) for own in posterior.alone),
        counts=tuple(own.convolve(drift) for own in posterior.counts),
        variance=posterior.variance + np.array([drift.var() / len(posterior.informs), 0.0, 0.0]),
    )


# ------------------------------------------------------------------ how far cores disagree


def pair_tails(first: Array, second: Array) -> tuple[Array, Array]:
    """P(second <= first) and P(second >= first) of independent masses on one axis, (n, n_shift, k) to (n, n_shift)."""
    below = np.cumsum(second, axis=2)
    at_most = np.einsum("nsk,nsk->ns", first, below)
    equal = np.einsum("nsk,nsk->ns", first, second)
    return at_most, first.sum(axis=2) * below[:, :, -1] - at_most + equal


def worst_pair(aligned: list[Array], informs: Flags, weights: Array, *, mixed: Array | None = None) -> Array:
    """Two-sided predictive p value of the worst pair of cores, corrected for the number of pairs; NaN without a pair.

    aligned: mass of the added rings of each core on a common axis that holds all of it, (n, n_shift, k); informs,
    (n, n_core): which cores take part; weights, (n_shift,): of the shared growth; mixed, (n,): weights where the rows
    are states of one tree (years between its heights). p = 2 min(P(A <= B), P(A >= B)), both averaged over shifts (and
    states) first.
    """
    rows = informs.shape[0] if mixed is None else 1
    worst, pairs = np.full(rows, np.nan), np.zeros(rows)
    for one, two in combinations(range(len(aligned)), 2):
        both = informs[:, one] & informs[:, two]
        if not both.any():
            continue
        tails = (tail @ weights for tail in pair_tails(aligned[one][both], aligned[two][both]))
        if mixed is None:
            least = np.minimum(*tails)
        else:
            least, both = np.array([min(float(mixed @ tail) / float(mixed.sum()) for tail in tails)]), np.ones(1, bool)
        pairs += both
        worst[both] = np.fmin(worst[both], np.minimum(1.0, 2 * least))
    corrected: Array = np.clip(worst * np.maximum(pairs, 1), 0.0, 1.0)
    return corrected


def allowed_share(answer: Array, aligned: list[Array], speaks: Flags, present: Flags, reach: int) -> Array:
    """Share of the other cores' answer that the cores which only bound it allow, for the narrowest of them; else NaN.

    answer, (n, k): mass of the added rings from the cores with information (`speaks` among those `present`); aligned:
    (n, n_shift, reach + k), with `reach` places before the answer's axis, flat where a bounding core allows the pith. A
    bound is one-sided: it says nothing against many added rings, so beyond its own range it counts as allowing all.

    Examples
    --------
    >>> answer, bound = np.array([[0.6, 0.3, 0.1]]), np.array([[[0.0, 0.5, 0.5]]])
    >>> yes, no = np.array([[True, False]]), np.array([[True, True]])
    >>> allowed_share(answer, [bound, bound], yes, no, 0).round(6).tolist()
    [0.4]
    """
    out = np.full(answer.shape[0], np.nan)
    for column, mass in enumerate(aligned):
        rows = np.flatnonzero(present[:, column] & ~speaks[:, column])
        if rows.size:
            open_to = np.maximum.accumulate(mass[rows][:, :, reach:].mean(axis=1), axis=1)
            top = open_to.max(axis=1, keepdims=True)
            open_to = np.divide(open_to, top, out=np.zeros_like(open_to), where=top > 0)
            out[rows] = np.fmin(out[rows], np.einsum("nk,nk->n", answer[rows], open_to))
    return out
