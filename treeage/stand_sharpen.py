"""Joint dates of the trees given the history of their stand: each drawn back to where trees established.

Layer 3. Own derivation: empirical Bayes with the recovered intensity as prior, shared shift included.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from treeage.stand_recruitment import RecruitmentHistory
from treeage.stand_shared import SplitDraws, year_mass


def sharpened_dates(
    split: SplitDraws, history: RecruitmentHistory, *, count: int = 400, seed: int = 0
) -> NDArray[np.float64]:
    """Draw the dates of all trees given the recovered history of the stand.

    Parameters
    ----------
    split : SplitDraws
        Parts of the joint draws that the history was estimated from.
    history : RecruitmentHistory
        Recovered intensity.
    count : int, default 400
        Number of draws, at most that of the history (choice: counts to a few percent).
    seed : int, default 0
        Seed.

    Returns
    -------
    numpy.ndarray, shape (count, n)
        Establishment years, shared shift included.

    Notes
    -----
    Dates estimated one by one scatter more than the true ones, so their minimum is too early and their lags
    too wide. Tree i is drawn from mass_it * L_t for each draw of the intensity L: use these for extremes and
    lags of the stand, and the tree's own mass function for statements on that tree alone.
    """
    rng = np.random.default_rng(seed)
    rows = np.linspace(0, history.node.size - 1, min(count, history.node.size)).astype(int)
    grid = history.grid
    out = np.empty((rows.size, split.centre.size))
    known, mass = -1, np.empty((0, 0))
    for at, row in enumerate(rows):
        if history.node[row] != known:
            known = int(history.node[row])
            mass = year_mass(split, known, first_year=grid.first_year, step_years=grid.step_years, size=grid.size)
        total = np.cumsum(mass * np.maximum(history.own[row], 1e-12), axis=1)
        level = rng.random(split.centre.size) * total[:, -1]
        cell = (total < level[:, None]).sum(axis=1)
        out[at] = grid.first_year + grid.step_years * (cell + rng.random(cell.size) - 0.5) + history.shift[row]
    return out
