"""Joint draws of establishment years split into what the trees share and what is each tree's own.

Layer 3. Own derivation: principal-axis factors of the draws; the sum of the parts is exactly the draws.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError

MAX_FACTORS = 4  # choice: a stand has a height error for each of a few species and one or two rate errors
SMALL_YEARS = 0.5  # choice: shared differences between trees below half a year are left in the trees' own part,
SMALL_SHARE = 0.15  # choice: and so are those below this share of the own error, which they widen by 1 %
MOST_VALUES = 1_500_000  # choice: draws times trees that go into the mass functions, 1,500 draws of 1,000 trees
NODES = 8  # choice: strata of the shared shift when trees shift by different amounts


@dataclass(frozen=True)
class SplitDraws:
    """Establishment years as centre + common shift + other shared shift + own error.

    Parameters
    ----------
    centre : numpy.ndarray, shape (n,)
        Mean date of each tree [year].
    common : numpy.ndarray, shape (nodes, k)
        Draws of the shift that all trees have in common [years], in equally likely strata (nodes).
    deviation : numpy.ndarray, shape (nodes, n)
        Shared shift of each tree beyond the common one, in each stratum [years]; zeros in one row if it is
        negligible.
    own : numpy.ndarray, shape (draws, n)
        Error of each tree that no other tree shares [years].
    shared_sd : float
        Standard deviation of the common shift [years].
    own_sd : numpy.ndarray, shape (n,)
        Standard deviation of each tree's own error [years].
    """

    centre: NDArray[np.float64]
    common: NDArray[np.float64]
    deviation: NDArray[np.float64]
    own: NDArray[np.float64]
    shared_sd: float
    own_sd: NDArray[np.float64]


def check_draws(where: str, draws: ArrayLike) -> NDArray[np.float64]:
    """Check joint draws and return them as an array.

    Parameters
    ----------
    where : str
        The calling function, for the message.
    draws : array-like, shape (draws, n)
        Establishment years; one column a tree.

    Returns
    -------
    numpy.ndarray, shape (draws, n)
        The draws as floats.

    Raises
    ------
    InputError
        If the array is not two-dimensional, is empty, or holds a value that is not finite.
    """
    array = np.asarray(draws, dtype=np.float64)
    if array.ndim != 2 or 0 in array.shape:
        got, need = f"shape {array.shape}", "shape (draws, trees), both at least 1"
        raise InputError(Fault(got, need, "Pass ages.draws(4000).", where, 0, "draws"))
    if not np.all(np.isfinite(array)):
        tree = int(np.argmax(~np.isfinite(array).all(axis=0)))
        do = "Leave out trees without a date and report them."
        raise InputError(Fault(f"a missing year for tree {tree}", "finite years", do, where, 0, "draws"))
    return array


def split_shared(draws: ArrayLike, *, seed: int = 0) -> SplitDraws:
    """Split joint draws into a common shift, other shared shifts and each tree's own error.

    Parameters
    ----------
    draws : array-like, shape (draws, n)
        Establishment years with shared error included; one column a tree.
    seed : int, default 0
        Seed of the choice of a representative draw in each stratum.

    Returns
    -------
    SplitDraws
        The parts.

    Raises
    ------
    InputError
        If the draws are not a table of finite years.

    Notes
    -----
    Factors are kept while their eigenvalue is above the edge (1 + sqrt(n / draws))**2 that independent
    columns would reach. Own error can be undone for the stand, since it blurs; the common shift cannot: it
    moves the whole history. With few trees a little own error is counted as shared; the sum is always exact.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> shared = rng.normal(0, 4, (4000, 1))
    >>> parts = split_shared(1850 + shared + rng.normal(0, 3, (4000, 30)))
    >>> round(parts.shared_sd), round(float(parts.own_sd.mean()))
    (4, 3)
    """
    array = check_draws("split_shared", draws)
    centre = array.mean(axis=0)
    own = array - centre
    shared = shared_part(own)
    common = shared.mean(axis=1)
    beyond = shared - common[:, None]
    order = np.argsort(common, kind="stable")
    small = max(SMALL_YEARS, SMALL_SHARE * float(np.sqrt(np.mean((own - shared) ** 2))))
    if np.sqrt(np.mean(beyond**2)) < small or array.shape[0] < 2 * NODES:
        strata = order[None, :]
        deviation = np.zeros((1, centre.size))
        own = own - common[:, None]
    else:
        size = array.shape[0] // NODES
        strata = order[: NODES * size].reshape(NODES, size)
        chosen = strata[np.arange(NODES), np.random.default_rng(seed).integers(0, size, NODES)]
        deviation = beyond[chosen]
        own = own - shared
    return SplitDraws(centre, common[strata], deviation, own, float(common.std()), own.std(axis=0))


def year_mass(split: SplitDraws, node: int, *, first_year: float, step_years: int, size: int) -> NDArray[np.float64]:
    """Mass of each tree's own date on a grid of years, given one stratum of the shared shift.

    Parameters
    ----------
    split : SplitDraws
        Parts of the joint draws.
    node : int
        Stratum of the shared shift.
    first_year : float
        Centre of the first cell [year].
    step_years : int
        Width of a cell [years].
    size : int
        Number of cells.

    Returns
    -------
    numpy.ndarray, shape (n, size)
        Each row sums to 1; a date between two cell centres is divided between them.
    """
    own = split.own[:: max(1, round(split.own.size / MOST_VALUES))]
    values = (split.centre + split.deviation[node] + own - first_year) / step_years
    values = np.clip(values, 0.0, size - 1.000001)
    cell = np.floor(values)
    share = (values - cell).ravel()
    flat = (cell + size * np.arange(split.centre.size)).astype(np.int64).ravel()
    total = split.centre.size * size
    mass = np.bincount(flat, weights=1.0 - share, minlength=total)
    mass += np.bincount(flat + 1, weights=share, minlength=total + 1)[:total]
    return np.asarray(mass.reshape(-1, size) / own.shape[0], dtype=np.float64)


def shared_part(own: NDArray[np.float64]) -> NDArray[np.float64]:
    """Part of centred draws that a few common factors explain.

    Parameters
    ----------
    own : numpy.ndarray, shape (draws, n)
        Draws less their mean; any unit.

    Returns
    -------
    numpy.ndarray, shape (draws, n)
        The shared part, zeros if no factor stands out.

    Notes
    -----
    Principal axes with communalities; scores by regression, so that with few trees the shared part is shrunk.
    """
    from scipy.linalg import eigh

    count, trees = own.shape
    spread = own.std(axis=0)
    live = spread > 0
    if live.sum() < 2 or count < 10:
        return np.zeros_like(own)
    scaled = own[:, live] / spread[live]
    matrix = scaled.T @ scaled / count
    size = matrix.shape[0]
    edge = (1.0 + np.sqrt(size / count)) ** 2
    lowest = max(0, size - MAX_FACTORS)
    values, vectors = eigh(matrix, subset_by_index=[lowest, size - 1])
    kept = int((values > 1.05 * edge).sum())  # choice: 5 % above the edge, against chance
    if kept == 0:
        return np.zeros_like(own)
    communal = np.clip((vectors[:, -kept:] ** 2 * (values[-kept:] - 1.0)).sum(axis=1), 0.0, 0.999)
    for _ in range(3):  # choice: enough for communalities to settle to a percent
        reduced = matrix.copy()
        np.fill_diagonal(reduced, communal)
        values, vectors = eigh(reduced, subset_by_index=[size - kept, size - 1])
        loading = vectors * np.sqrt(np.maximum(values, 0.0))
        communal = np.clip((loading**2).sum(axis=1), 0.0, 0.999)
    precision = loading / (1.0 - communal)[:, None]
    scores = scaled @ precision @ np.linalg.inv(np.eye(kept) + loading.T @ precision)
    shared = np.zeros_like(own)
    shared[:, live] = scores @ loading.T * spread[live]
    return shared
