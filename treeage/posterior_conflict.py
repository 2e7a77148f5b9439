"""How far the cores of a tree disagree: predictive p values of pairs, and bounds that the other cores break.

Layer 3, part of the family of `posterior`.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

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
