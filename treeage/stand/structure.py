"""Joint draws of a stand's dates: shared and own error, masses on a grid of years, trees by period; weights of trees.

Own derivation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.display import Result
from treeage.errors import (
    Fault,
    InputError,
    public,
    real_numbers,
    require_positive,
    require_probability,
    require_seed,
    require_whole,
    show,
)
from treeage.pmf import freeze_arrays, interval_levels

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

MAX_FACTORS = 4  # choice: a stand has a height error for each of a few species and one or two growth errors
SMALL_YEARS = 0.5  # choice: shared differences between trees below half a year are left in the trees' own part,
SMALL_SHARE = 0.15  # choice: and so are those below this share of the own error, which they widen by 1 %
MOST_VALUES = 1_500_000  # choice: draws times trees that go into the mass functions, 1,500 draws of 1,000 trees
NODES = 8  # choice: strata of the shared shift when trees shift by different amounts
MOST_CELLS = 250  # choice: cells of the year grid; a longer span gets wider cells
FAR_TAIL = 0.001  # choice: share of a tree's draws that may lie beyond the grid, counted in its end cells
CELLS_PER_SD = 4  # choice: cells per standard deviation of a tree's own error, at least
MOST_PERIODS = 10_000  # choice: more periods are a slip of the years, or of the width
ROUND_BINS = (1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000)  # choice: bins that readers can count with
SQUARE_METRES = 10_000.0  # one hectare


def check_draws(where: str, draws: ArrayLike) -> Array:
    """Joint draws as a (draws, n) array; InputError in the name of `where` if it is no table of finite years."""
    array = real_numbers(draws)
    if array.ndim != 2 or 0 in array.shape:
        got, need = f"shape {array.shape}", "shape (draws, trees), both at least 1"
        raise InputError(Fault(got, need, "Pass ages.draws(4000).", where, 0, "draws"))
    if not np.all(np.isfinite(array)):
        tree = int(np.argmax(~np.isfinite(array).all(axis=0)))
        do = "Leave out trees without a date and report them."
        raise InputError(Fault(f"a missing year for tree {tree}", "finite years", do, where, 0, "draws"))
    return array


def check_weights(where: str, weights: ArrayLike | None, count: int, *, name: str = "weights") -> Array:
    """Trees per hectare of each of `count` trees, above 0; ones where none are given."""
    if weights is None:
        return np.ones(count)
    (weight,) = require_positive(where, **{name: weights})
    if weight.shape != (count,):
        got, need = f"{weight.size} weights", f"one for each of {count} trees"
        raise InputError(Fault(got, need, "Align the two.", where, 0, name))
    return weight


# ------------------------------------------------------------------ shared and own error


@dataclass(frozen=True)
class SplitDraws:
    """Establishment years as centre + common shift + other shared shift + own error; from `split_shared`.

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

    centre: Array
    common: Array
    deviation: Array
    own: Array
    shared_sd: float
    own_sd: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)


@public
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
    array, seed = check_draws("split_shared", draws), require_seed("split_shared", seed)
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


def shared_part(own: Array) -> Array:
    """Part of centred draws, shape (draws, n), that a few common factors explain; zeros if none stands out.

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


@dataclass(frozen=True)
class YearGrid:
    """Cells of equal length on the axis of years: centre of the first [year], width [years], number."""

    first_year: float
    step_years: int
    size: int

    @property
    def centres(self) -> Array:
        """Centres of the cells [year], shape (size,)."""
        return np.asarray(self.first_year + self.step_years * np.arange(self.size), dtype=np.float64)


def year_grid(split: SplitDraws, *, pad_years: int = 0, last_year: int | None = None) -> YearGrid:
    """A grid fine enough for the dating error and wide enough for every tree.

    At most about `MOST_CELLS` cells; `pad_years` empty years at both ends; no cell begins after `last_year` (the year
    of coring).
    """
    tails = np.quantile(split.own, [FAR_TAIL, 1 - FAR_TAIL], axis=0)
    low = int(np.floor((split.centre + split.deviation.min(axis=0) + tails[0]).min())) - pad_years
    high = int(np.ceil((split.centre + split.deviation.max(axis=0) + tails[1]).max())) + pad_years
    if last_year is not None:
        high = max(low + 1, min(high, int(last_year)))
    span = high - low + 1
    fine = max(1, int(np.median(split.own_sd) // CELLS_PER_SD))
    step = max(fine, int(np.ceil(span / MOST_CELLS)))
    return YearGrid(low + (step - 1) / 2, step, int(np.ceil(span / step)) + 1)


def year_mass(split: SplitDraws, node: int, grid: YearGrid) -> Array:
    """Mass of each tree's own date over the cells of a grid, shape (n, size), given one stratum of the shared shift.

    A date between two cell centres is divided between them.
    """
    size = grid.size
    own = split.own[:: max(1, round(split.own.size / MOST_VALUES))]
    values = (split.centre + split.deviation[node] + own - grid.first_year) / grid.step_years
    values = np.clip(values, 0.0, size - 1.000001)
    cell = np.floor(values)
    share = (values - cell).ravel()
    flat = (cell + size * np.arange(split.centre.size)).astype(np.int64).ravel()
    total = split.centre.size * size
    mass = np.bincount(flat, weights=1.0 - share, minlength=total)
    mass += np.bincount(flat + 1, weights=share, minlength=total + 1)[:total]
    return np.asarray(mass.reshape(-1, size) / own.shape[0], dtype=np.float64)


# ------------------------------------------------------------------ trees by period


@dataclass(frozen=True)
class AgeStructure(Result):
    """Trees by period of establishment; from `age_structure`.

    Parameters
    ----------
    edges : numpy.ndarray of int, shape (k + 1,)
        First year of each period, and the year after the last.
    counts : numpy.ndarray, shape (draws, k)
        Trees in each period in each joint draw.
    naive : numpy.ndarray, shape (k,)
        Trees by their median date.
    per_ha : numpy.ndarray or None, shape (draws, k)
        Trees per hectare; which trees were sampled varies between draws (Poisson bootstrap).
    naive_per_ha : numpy.ndarray or None, shape (k,)
        Trees per hectare by median date.
    typical_sd : float
        Root mean square of the standard deviations of the dates [years].
    honest_bin : int
        Smallest bin the error can carry [years].
    prob : float
        Probability of the intervals: of the dating error for trees, of that and of which trees were sampled for trees
        per hectare.
    above : int, default 0
        Trees whose date is the year at coring height.
    """

    _rows = 20

    edges: Ints
    counts: Array
    naive: Array
    per_ha: Array | None
    naive_per_ha: Array | None
    typical_sd: float
    honest_bin: int
    prob: float
    above: int = 0

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def bin_years(self) -> int:
        """Width of the periods [years]."""
        return int(self.edges[1] - self.edges[0])

    def to_frame(self) -> pd.DataFrame:
        """One row a period: trees by median date (naive), mean, lo and hi of trees, and of trees per hectare."""
        import pandas as pd

        columns: dict[str, object] = {"year_first": self.edges[:-1], "year_last": self.edges[1:] - 1}
        parts = [("trees", self.counts, self.naive)]
        if self.per_ha is not None and self.naive_per_ha is not None:
            parts.append(("trees_per_ha", self.per_ha, self.naive_per_ha))
        for name, draws, naive in parts:
            ends = interval_levels(self.prob)[1:]
            low, high = np.quantile(draws, ends, axis=0, method="inverted_cdf")  # counts that occur
            columns |= {f"{name}_naive": naive, f"{name}_mean": draws.mean(axis=0)}
            columns |= {f"{name}_lo": low, f"{name}_hi": high}
        return pd.DataFrame(columns).assign(prob=self.prob)

    def sentence(self) -> str:
        """Typical error, the smallest honest bin, and the share of a pulse that stays in its bin."""
        stays = float(share_in_own_bin(max(self.typical_sd, 1e-6), self.bin_years))
        verdict = "can" if self.bin_years >= self.honest_bin else "cannot"
        return (
            f"Dates have a typical standard deviation of {self.typical_sd:.1f} years: the smallest bin they carry is "
            f"{self.honest_bin} years, so bins of {self.bin_years} years {verdict} be read one by one "
            f"({100 * stays:.0f} % of a single-year pulse stays in its own bin). Survivors only."
        )


@public
def age_structure(
    draws: ArrayLike,
    *,
    bin_years: int | None = None,
    first_year: int | None = None,
    trees_per_ha: ArrayLike | None = None,
    prob: float = 0.9,
    seed: int = 0,
) -> AgeStructure:
    """Count trees by period of establishment from joint draws.

    Parameters
    ----------
    draws : array-like, shape (draws, n)
        Establishment years with shared error included; one column a tree.
    bin_years : int, optional
        Width of the periods [years], at least 1; the smallest honest bin by default: the first round number of at
        least twice the typical standard deviation of a date.
    first_year : int, optional
        A year at which a period begins; by default periods begin at multiples of their width.
    trees_per_ha : array-like, shape (n,), optional
        Trees per hectare that each tree stands for, above 0; needed where trees had unequal chances.
    prob : float, default 0.9
        Probability of the intervals.
    seed : int, default 0
        Seed of the bootstrap of trees.

    Returns
    -------
    AgeStructure
        Counts by period.

    Raises
    ------
    InputError
        If the draws, the bin or the weights are malformed.

    Notes
    -----
    Counts of one draw use dates that share the stand's error, so the intervals do not shrink with the number
    of trees as those of independent dates would. The mean counts are still blurred by the dating error:
    `recruitment_history` undoes that. Bins narrower than the honest one are allowed and named in the
    sentence.

    Examples
    --------
    >>> table = age_structure([[1801, 1812], [1803, 1809]], bin_years=10).to_frame()
    >>> table[["year_first", "trees_mean"]].values.tolist()
    [[1800.0, 1.5], [1810.0, 0.5]]
    """
    where = "age_structure"
    array = check_draws(where, draws)
    require_probability(where, prob=prob)
    honest = smallest_honest_bin(array)
    width = honest if bin_years is None else bin_years
    if width != int(width) or width < 1:
        raise InputError(Fault(show(bin_years), "at least 1 [years], whole", "Use 10.", where, 0, "bin_years"))
    width, seed = int(width), require_seed(where, seed)
    origin = 0 if first_year is None else int(first_year)
    cells = np.floor((array - origin) / width).astype(np.int64)
    low, size = int(cells.min()), int(np.ptp(cells)) + 1
    if size > MOST_PERIODS:
        need, do = f"at most {MOST_PERIODS} of them", "Use wider periods, or check the years."
        raise InputError(Fault(f"{size} periods of {width} years", need, do, where, 0, "bin_years"))
    flat = cells - low + size * np.arange(array.shape[0])[:, None]
    counts = np.bincount(flat.ravel(), minlength=size * array.shape[0]).reshape(-1, size).astype(np.float64)
    middle = np.floor((np.median(array, axis=0) - origin) / width).astype(np.int64) - low
    naive = np.bincount(middle, minlength=size).astype(np.float64)
    per_ha: Array | None = None
    naive_ha: Array | None = None
    if trees_per_ha is not None:
        weight = check_weights(where, trees_per_ha, array.shape[1], name="trees_per_ha")
        times = np.random.default_rng(seed).poisson(1.0, size=array.shape)
        total = np.bincount(flat.ravel(), weights=(times * weight).ravel(), minlength=size * array.shape[0])
        per_ha = np.asarray(total.reshape(-1, size), dtype=np.float64)
        naive_ha = np.asarray(np.bincount(middle, weights=weight, minlength=size), dtype=np.float64)
    edges = origin + width * np.arange(low, low + size + 1)
    return AgeStructure(edges, counts, naive, per_ha, naive_ha, _typical_sd(array), honest, prob)


def share_in_own_bin(sd_years: ArrayLike, bin_years: ArrayLike) -> Array:
    """Share of a single-year pulse at the centre of a bin that stays there after normal dating error.

    erf(bin / (2 * sqrt(2) * sd)), both [years] and above 0.
    """
    from scipy.special import erf

    sd, width = require_positive("share_in_own_bin", sd_years=sd_years, bin_years=bin_years)
    return np.asarray(erf(width / (2 * np.sqrt(2) * sd)))


def smallest_honest_bin(draws: ArrayLike) -> int:
    """First of `ROUND_BINS` [years] that is at least twice the typical standard deviation of a tree's date.

    Shared error included; 68 % of a centred single-year pulse stays in a bin of twice the standard deviation.
    """
    typical = _typical_sd(check_draws("smallest_honest_bin", draws))
    for width in ROUND_BINS:
        if width >= 2 * typical * (1 - 1e-9):
            return width
    return int(np.ceil(2 * typical / 1000) * 1000)


def _typical_sd(array: Array) -> float:
    """Root mean square over trees of the standard deviation of a date [years]."""
    return float(np.sqrt(array.var(axis=0).mean()))


# ------------------------------------------------------------------ what a sampled tree stands for


@public
def expansion_fixed_area(radius_m: ArrayLike, *, share_cored: ArrayLike = 1.0) -> Array:
    """Trees per hectare that one tree of a circular plot stands for.

    Parameters
    ----------
    radius_m : array-like
        Radius of the plot in which this tree could be sampled [m], horizontal, above 0; nested plots: the
        tree's own.
    share_cored : array-like, default 1.0
        Share of the plot's trees that were cored (chance of the tree to be cored), above 0, at most 1.

    Returns
    -------
    numpy.ndarray
        Trees per hectare.

    Raises
    ------
    InputError
        If a radius is not above 0 or a share is not in (0, 1].

    Notes
    -----
    10000 / (pi * radius**2 * share) [1]_.

    References
    ----------
    .. [1] Horvitz, D. G. and Thompson, D. J. (1952). A generalization of sampling without replacement from a
       finite universe. Journal of the American Statistical Association 47:663-685. (From memory.)

    Examples
    --------
    >>> expansion_fixed_area([11.28, 5.64]).round(1).tolist()
    [25.0, 100.1]
    """
    where = "expansion_fixed_area"
    radius, share = require_positive(where, radius_m=radius_m, share_cored=share_cored)
    if np.any(share > 1):
        raise InputError(Fault(show(float(share.max())), "at most 1", "Give a share.", where, 0, "share_cored"))
    return np.asarray(SQUARE_METRES / (np.pi * radius**2 * share))


@public
def expansion_nearest_trees(radius_m: ArrayLike, nearest: int) -> Array:
    """Trees per hectare that each of the nearest trees of a point stands for.

    Parameters
    ----------
    radius_m : array-like
        Distance from the point to the last of the nearest trees [m], horizontal, above 0.
    nearest : int
        Number of trees taken at the point (k), at least 2.

    Returns
    -------
    numpy.ndarray
        Trees per hectare for each of the k trees.

    Raises
    ------
    InputError
        If a distance is not above 0 or fewer than 2 trees are taken.

    Notes
    -----
    Density (k - 1) / (pi * r_k**2), unbiased for trees placed at random [1]_; k / (pi * r_k**2) is too high
    because the circle ends at a tree. Divided by k for each tree. Low in clumped stands.

    References
    ----------
    .. [1] Moore, P. G. (1954). Spacing in plant populations. Ecology 35:222-227. (From memory.)

    Examples
    --------
    Ten trees within 12 m: 199 per hectare, not 221.

    >>> (10 * expansion_nearest_trees(12.0, 10)).round(1)
    np.float64(198.9)
    """
    where = "expansion_nearest_trees"
    (radius,) = require_positive(where, radius_m=radius_m)
    require_whole(where, "nearest", nearest, 2)
    return np.asarray(SQUARE_METRES * (nearest - 1) / (nearest * np.pi * radius**2))


def effective_trees(weights: ArrayLike) -> float:
    """Number of equally weighted trees that carry as much information as the weighted ones.

    Parameters
    ----------
    weights : array-like, shape (n,)
        Trees per hectare of each tree, above 0.

    Returns
    -------
    float
        Effective number, at most n.

    Raises
    ------
    InputError
        If there is no weight, or one is not above 0.

    Notes
    -----
    (sum w)**2 / sum w**2 [1]_.

    References
    ----------
    .. [1] Kish, L. (1965). Survey Sampling. Wiley. (From memory.)

    Examples
    --------
    >>> effective_trees([1.0, 1.0, 1.0, 1.0]), effective_trees([1.0, 3.0])
    (4.0, 1.6)
    """
    (weight,) = require_positive("effective_trees", weights=weights)
    if not weight.size:
        raise InputError(
            Fault("no weight", "at least one", "Pass those of the trees.", "effective_trees", 0, "weights")
        )
    return float(weight.sum() ** 2 / (weight**2).sum())


def chance_to_meet(share: float, trees: int) -> float:
    """Probability that a sample holds at least one tree of a cohort.

    Parameters
    ----------
    share : float
        Share of the cohort in the stand, between 0 and 1.
    trees : int
        Number of trees sampled at random, at least 0.

    Returns
    -------
    float
        Probability, 1 - (1 - share)**trees.

    Raises
    ------
    InputError
        If the share is not between 0 and 1, or trees not a whole number of at least 0.

    Examples
    --------
    >>> round(chance_to_meet(0.10, 20), 3)
    0.878
    """
    require_probability("chance_to_meet", share=share)
    require_whole("chance_to_meet", "trees", trees, 0)
    return float(-np.expm1(trees * np.log1p(-share)))


@public
def trees_to_meet(share: float, *, prob: float = 0.95) -> int:
    """Number of trees needed to meet a cohort with a given probability.

    Parameters
    ----------
    share : float
        Share of the cohort in the stand, between 0 and 1.
    prob : float, default 0.95
        Probability of at least one tree of it.

    Returns
    -------
    int
        Trees to sample at random.

    Raises
    ------
    InputError
        If a value is not between 0 and 1.

    Examples
    --------
    >>> [trees_to_meet(share) for share in (0.05, 0.10, 0.20)]
    [59, 29, 14]
    """
    require_probability("trees_to_meet", share=share, prob=prob)
    return int(np.ceil(np.log1p(-prob) / np.log1p(-share) - 1e-12))
