"""Mass functions of missed rings: distance, expected width and its spread integrated together, fast and exact.

Densities on an even grid of the logarithm of the number of rings; own derivation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, stdtr

if TYPE_CHECKING:
    from scipy.sparse import csr_array

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

LOG_STEP = 0.03  # choice: step of the log grids; cubic interpolation keeps them within 1e-3 total variation
SCALE_RATIO = 1.2  # choice: neighbouring own scales that are mixed; see own_mixture
SCALE_LOW = 0.10  # choice: a core never repeats what is known of it more closely than this
SCALE_NODES = 14  # choice: up to 0.10 * 1.2**13 = 1.07
_MARGIN = 2.0  # choice: expected log ring numbers this far outside the grid are drawn in to it
_NEGLIGIBLE = 1e-9  # choice: distance cells with less probability are left out; their sum is far below 1e-3
_BLOCK = 100  # choice: cores worked on at a time, so that the arrays stay in the processor's cache

# At a distance r beyond the pith, ln(number of rings) = expected(r) - shift + scale * t, with t a Student's t of two
# scales (Tails), and M = m where it lies between the edges ln(m - 1/2) and ln(m + 1/2). `exact_mass` sums this over r
# as it stands. `fast_mass` does the same as products of three arrays; the large ones are kept from call to call:
#
#                                     r1        r2           some hundred distances, each with its probability
#                                   / | \      / | \
#   spread    expected values . . . 1 3 1 . . 2 5 2 . . .    (n_wide, n_core): put on an even grid of ln(rings),
#                                                            on the four nearest nodes with cubic weights
#   kernel    one row a node        ._..-'"'-.._.            (n_grid + 2, n_wide): density of scale * t about each
#                                                            expected value; one kernel for each scale node
#   density   ln(rings)  [below . : : | | : | | : . above]   (n_grid + 2, n_core) = kernel @ spread
#
#   operator  edges + shift     |  1  |  2  | 3 | 4 |5|6|    (n_shift * max_rings, n_grid + 2), sparse: integrals
#                                                            between edges; the tails go to the two end cells
#   P(M = m | core, shift)                                   = operator @ density; M = 0 is the pith itself
#
# A scale between two scale nodes is a mixture of both (own_mixture): two kernels, one spread each.


@dataclass(frozen=True)
class Tails:
    """Shape of a core's own deviation of ln(number of rings): a t with two scales, `df` (above 1) degrees of freedom.

    `skew` k is the factor on the scale towards more rings, its inverse holds towards fewer: density(y) = 2 k /
    (1 + k^2) t(y / k) for y >= 0 and 2 k / (1 + k^2) t(y k) below (Fernandez and Steel 1998, J. Am. Stat. Assoc. 93:
    359-371; form from memory, checked by its integral).
    """

    df: float
    skew: float = 1.0

    @property
    def mean(self) -> float:
        """Mean of the standardised deviation: E|t| (k - 1/k)."""
        df, skew = self.df, self.skew
        size = 2 * np.sqrt(df / np.pi) * np.exp(gammaln((df + 1) / 2) - gammaln(df / 2)) / (df - 1)
        return float(size * (skew - 1 / skew))

    def density(self, value: Array) -> Array:
        """Density of the standardised deviation."""
        df, skew = self.df, self.skew
        constant = np.exp(gammaln((df + 1) / 2) - gammaln(df / 2)) / np.sqrt(df * np.pi)
        reduced = np.where(value >= 0, value / skew, value * skew)
        return np.asarray(2 * skew / (1 + skew**2) * constant * (1 + reduced**2 / df) ** (-(df + 1) / 2))

    def cdf(self, value: Array) -> Array:
        """Probability of at most a standardised deviation."""
        skew = self.skew
        above = value >= 0
        part = stdtr(self.df, np.where(above, value / skew, value * skew))
        return np.asarray(np.where(above, 1 + skew**2 * (2 * part - 1), 2 * part) / (1 + skew**2))


def scale_node(node: int) -> float:
    """Own scale (in log width) of a node, 0 to SCALE_NODES - 1."""
    return float(SCALE_LOW * SCALE_RATIO**node)


def own_mixture(scale: Array) -> tuple[Ints, Array]:
    """Own scales as mixtures of two neighbouring nodes: the lower node, and the share (0 to 1) of the next one."""
    position = np.clip(np.log(scale / SCALE_LOW) / np.log(SCALE_RATIO), 0.0, SCALE_NODES - 1.001)
    lower = position.astype(np.intp)
    return lower, position - lower


@dataclass(frozen=True)
class LogGrid:
    """Even grid of ln(number of rings) that covers all edges at all shifts: first node, and nodes LOG_STEP apart."""

    low: float
    size: int

    @property
    def nodes(self) -> Array:
        """ln(number of rings), shape (size,)."""
        return np.asarray(self.low + LOG_STEP * np.arange(self.size), dtype=np.float64)

    @property
    def wide(self) -> LogGrid:
        """The same grid with a margin on both sides, for the expected values; its nodes contain those of this one."""
        steps = int(round(_MARGIN / LOG_STEP))
        return LogGrid(self.low - steps * LOG_STEP, self.size + 2 * steps)


def fast_mass(
    expected: Array, mass: Array, scale: Array, tails: Tails, shifts: Array, *, max_rings: int, signed: bool = False
) -> NDArray[np.float32]:
    """Mass of 0 ... max_rings by way of the grids, float32, shape (n_core, n_shift, max_rings + 1); rows sum to 1.

    `expected` is ln(number of rings) at each distance (n_core, n_r), ignored where `mass`, the probability of each
    distance, is 0; column 0 is the pith itself. `scale` (n_core,) and `tails` are of the own deviation, `shifts` values
    of the shared deviation of log width. The cell of max_rings (at least 2) also holds everything above. With `signed`
    the rows are parts of masses, which may be negative and have any sum.
    """
    grid, operator, weights = _edge_operator(tuple(shifts.tolist()), max_rings)
    lower, upper_share = own_mixture(scale)
    out = np.empty((scale.size, shifts.size, max_rings + 1), dtype=np.float32)
    out[:, :, 0] = mass[:, :1]
    order = np.argsort(lower, kind="stable")
    for rows in _blocks(lower[order]):
        cores = order[rows]
        node = int(lower[cores[0]])
        spread = _spread_on_grid(expected[cores], mass[cores], grid).T
        used = np.flatnonzero(spread.any(axis=1))
        near = slice(used[0], used[-1] + 1) if used.size else slice(0)
        spread, share = spread[near], upper_share[cores].astype(np.float32)
        density = _kernel(grid, node, tails)[:, near] @ (spread * (1 - share))
        density += _kernel(grid, node + 1, tails)[:, near] @ (spread * share)
        if not signed:
            np.maximum(density, 0.0, out=density)
            density *= (1.0 - mass[cores, 0]).astype(np.float32) / np.maximum(weights @ density, np.float32(1e-30))
        cells = operator @ density
        out[cores, :, 1:] = cells.reshape(shifts.size, max_rings, cores.size).transpose(2, 0, 1)
    return out


def exact_mass(expected: Array, mass: Array, scale: Array, tails: Tails, shifts: Array, *, max_rings: int) -> Array:
    """The same by brute force over distances, the reference for `fast_mass`; rows sum to those of `mass`."""
    lower, upper_share = own_mixture(scale)
    edges = _ring_edges(max_rings)
    out = np.zeros((scale.size, shifts.size, max_rings + 1))
    for core in range(scale.size):
        cells = np.flatnonzero(mass[core, 1:]) + 1
        gap = edges[None, None, :] + shifts[None, :, None] - expected[core, cells, None, None]
        below = (1 - upper_share[core]) * tails.cdf(gap / scale_node(int(lower[core])))
        below += upper_share[core] * tails.cdf(gap / scale_node(int(lower[core]) + 1))
        cumulative = np.concatenate([np.zeros((*below.shape[:2], 1)), below, np.ones((*below.shape[:2], 1))], axis=2)
        out[core, :, 1:] = np.einsum("r,rsm->sm", mass[core, cells], np.diff(cumulative, axis=2))
        out[core, :, 0] = mass[core, 0]
    return out


def _blocks(nodes: Ints) -> list[slice]:
    """Runs of equal nodes of at most _BLOCK cores."""
    breaks = np.flatnonzero(np.diff(nodes)) + 1
    starts = np.concatenate([[0], breaks, [nodes.size]]) if nodes.size else np.zeros(1, dtype=np.intp)
    blocks = []
    for start, stop in zip(starts[:-1], starts[1:], strict=True):
        blocks += [slice(first, min(first + _BLOCK, stop)) for first in range(start, stop, _BLOCK)]
    return blocks


@lru_cache(maxsize=256)
def _kernel(grid: LogGrid, node: int, tails: Tails) -> NDArray[np.float32]:
    """From expected values on the wide grid to densities on the grid, its lower and its upper tail."""
    scale = scale_node(node)
    wide = grid.wide
    centre = wide.nodes[None, :]
    # both grids are even with one step: the density depends on the difference of the places alone
    steps: Array = np.arange(1.0 - wide.size, grid.size)
    along = tails.density((grid.low - wide.low + LOG_STEP * steps) / scale) / scale
    density = np.lib.stride_tricks.sliding_window_view(along, wide.size)[:, ::-1]
    below = tails.cdf((grid.low - centre) / scale)
    above = Tails(tails.df, 1.0 / tails.skew).cdf((centre - grid.nodes[-1]) / scale)
    return np.ascontiguousarray(np.concatenate([below, density, above]), dtype=np.float32)


def _spread_on_grid(expected: Array, mass: Array, grid: LogGrid) -> NDArray[np.float32]:
    """Put the distance mass of each core on the wide grid of expected values with cubic weights; (n_core, n_wide)."""
    wide = grid.wide
    used = np.flatnonzero(np.abs(mass[:, 1:]) > _NEGLIGIBLE)
    rows, columns = np.divmod(used, mass.shape[1] - 1)
    used += rows + 1
    position = np.clip((expected.ravel()[used] - wide.low) / LOG_STEP, 1.0, wide.size - 3.001)
    cell = position.astype(np.intp)
    t = position - cell
    share = mass.ravel()[used]
    base = rows * wide.size + cell
    size = expected.shape[0] * wide.size
    t1, t2 = t - 1.0, t - 2.0
    lagrange = (-t * t1 * t2 / 6, (t + 1) * t1 * t2 / 2, -(t + 1) * t * t2 / 2, (t + 1) * t * t1 / 6)
    spread = np.zeros(size)
    for step, weight in enumerate(lagrange):
        spread += np.bincount(base + (step - 1), weights=share * weight, minlength=size)
    return spread.reshape(expected.shape[0], wide.size).astype(np.float32)


def _ring_edges(max_rings: int) -> Array:
    return np.asarray(np.log(np.arange(1, max_rings) + 0.5))


def _cubic_integrals(fraction: Array) -> Array:
    """Integrals from 0 to fraction of the four Lagrange polynomials on the nodes -1, 0, 1, 2; shape (n, 4)."""
    t = fraction
    return np.column_stack(
        [
            -(t**4 / 4 - t**3 + t**2) / 6,
            (t**4 / 4 - 2 * t**3 / 3 - t**2 / 2 + 2 * t) / 2,
            -(t**4 / 4 - t**3 / 3 - t**2) / 2,
            (t**4 / 4 - t**2 / 2) / 6,
        ]
    )


@lru_cache(maxsize=32)
def _edge_operator(shifts: tuple[float, ...], max_rings: int) -> tuple[LogGrid, csr_array, NDArray[np.float32]]:
    """Sparse matrix from densities on the grid and its two tails to masses of 1 ... max_rings at each shift.

    And the sum of its rows of one shift, which gives the total.
    """
    from scipy.sparse import coo_array

    edges = _ring_edges(max_rings)
    low = np.floor((edges[0] + min(shifts)) / LOG_STEP) * LOG_STEP - 2 * LOG_STEP
    size = int(np.ceil((edges[-1] + max(shifts) - low) / LOG_STEP)) + 4
    place = (edges[None, :] + np.asarray(shifts)[:, None] - low) / LOG_STEP
    cell = np.floor(place).astype(np.intp)
    # an edge lies part of the way into a cell of four nodes: what is below it ends one row, the rest begins the next
    part = _cubic_integrals((place - cell).ravel()).ravel() * LOG_STEP
    columns = (cell[..., None] - 1 + np.arange(4)).ravel()
    first = np.arange(len(shifts))[:, None] * max_rings  # row of one ring at each shift
    upper = np.repeat(first + np.arange(max_rings - 1), 4)
    # whole cells between the two edges of each row
    start = np.concatenate([np.zeros((len(shifts), 1), dtype=np.intp), cell], axis=1).ravel()
    stop = np.concatenate([cell, np.full((len(shifts), 1), size - 1)], axis=1).ravel()
    count = stop - start
    whole_row = np.repeat(np.arange(start.size), count)
    whole_cell = np.repeat(start - np.cumsum(count) + count, count) + np.arange(count.sum())
    full = _cubic_integrals(np.ones(1))[0] * LOG_STEP
    whole_columns = np.clip(whole_cell[:, None] - 1 + np.arange(4), 0, size - 1)
    tails = (first.ravel(), first.ravel() + max_rings - 1)
    rows = np.concatenate([upper, upper + 1, np.repeat(whole_row, 4), *tails])
    places = np.concatenate(
        [columns + 1, columns + 1, whole_columns.ravel() + 1, 0 * tails[0], 0 * tails[0] + size + 1]
    )
    values = np.concatenate([part, -part, np.tile(full, whole_row.size), np.ones(2 * len(shifts))])
    operator = coo_array((values, (rows, places)), shape=(len(shifts) * max_rings, size + 2)).tocsr().astype(np.float32)
    return LogGrid(float(low), size), operator, np.asarray(operator[:max_rings].sum(axis=0), dtype=np.float32)
