"""Sampling weights and sample sizes: trees per hectare of each sampled tree, trees needed to meet a cohort.

Layer 3. Design-based expansion factors; the last-tree correction of distance sampling; own derivation of the
rest.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError, require_positive, require_probability, show

SQUARE_METRES = 10_000.0  # one hectare


def expansion_fixed_area(radius_m: ArrayLike, *, share_cored: ArrayLike = 1.0) -> NDArray[np.float64]:
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


def expansion_nearest_trees(radius_m: ArrayLike, nearest: int) -> NDArray[np.float64]:
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
    if nearest < 2:
        raise InputError(Fault(show(nearest), "at least 2 trees", "Take more trees.", where, 0, "nearest"))
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
        If a weight is not above 0.

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
        Probability.

    Raises
    ------
    InputError
        If the share is not between 0 and 1.

    Notes
    -----
    1 - (1 - share)**trees.

    Examples
    --------
    >>> round(chance_to_meet(0.10, 20), 3)
    0.878
    """
    require_probability("chance_to_meet", share=share)
    return float(-np.expm1(trees * np.log1p(-share)))


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
