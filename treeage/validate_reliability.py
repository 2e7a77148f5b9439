"""Reliability of stated probabilities: of what was called 30 % likely, did 30 % happen.

Layer 5, part of the family of `validate`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from treeage.errors import Fault, InputError, require_nonnegative, show
from treeage.validate_scores import BAND, binomial_band

if TYPE_CHECKING:
    import pandas as pd

_WHERE = "reliability"


def reliability(stated: ArrayLike, happened: ArrayLike, *, bins: int = 10, band: float = BAND) -> pd.DataFrame:
    """Compare stated probabilities with how often the stated thing happened, bin by bin.

    Parameters
    ----------
    stated : array-like of float, shape (n,)
        Stated probabilities, 0 to 1.
    happened : array-like of bool, shape (n,)
        Whether it was so.
    bins : int, default 10
        Bins of equal width (choice).
    band : float, default 0.99
        Probability of the band within which right statements lie by chance (choice).

    Returns
    -------
    pandas.DataFrame, one row a bin that is not empty
        low, high (edges; the upper one belongs to the bin), count, stated (mean), happened (share), band_low, band_high
        (of the share, if the mean statement is right), within (bool).

    Raises
    ------
    InputError
        If the lengths differ, nothing is stated, a probability is not within 0 and 1, or there is no bin.

    Notes
    -----
    The band is binomial for independent cases with one probability; cases that share a pair of cores vary more.

    References
    ----------
    .. [1] Murphy, A. H. & Winkler, R. L. (1977). J. R. Stat. Soc. C 26, 41-47 (from memory).

    Examples
    --------
    >>> table = reliability([0.1, 0.1, 0.1, 0.1, 0.9], [False, False, False, True, True], bins=2)
    >>> table[["count", "stated", "happened"]].to_numpy().tolist()
    [[4.0, 0.1, 0.25], [1.0, 0.9, 1.0]]
    """
    import pandas as pd

    probs = np.atleast_1d(require_nonnegative(_WHERE, stated=stated)[0])
    true = np.atleast_1d(np.asarray(happened, dtype=bool))
    faults = []
    if probs.shape != true.shape or not probs.size:
        got = f"{probs.size} probabilities and {true.size} outcomes"
        faults.append(Fault(got, "one outcome for each, at least one", "Pass both in one order.", _WHERE, 0, "stated"))
    if probs.size and probs.max() > 1:
        faults.append(Fault(show(float(probs.max())), "at most 1", "Pass shares, not percent.", _WHERE, 0, "stated"))
    if bins < 1:
        faults.append(Fault(show(bins), "at least 1 bin", "Raise it.", _WHERE, 0, "bins"))
    if faults:
        raise InputError(faults)
    edges = np.linspace(0.0, 1.0, bins + 1)
    place = np.clip(np.searchsorted(edges, probs, side="left") - 1, 0, bins - 1)
    rows = []
    for at in np.unique(place):
        chosen = place == at
        mean, share, count = float(probs[chosen].mean()), float(true[chosen].mean()), int(chosen.sum())
        low, high = binomial_band(count, mean, band=band) if 0 < mean < 1 else (mean, mean)
        rows.append((edges[at], edges[at + 1], count, mean, share, low, high, low <= share <= high))
    names = ["low", "high", "count", "stated", "happened", "band_low", "band_high", "within"]
    return pd.DataFrame(rows, columns=names)
