"""A tree's posterior split by what it shares with the stand, from which joint draws are made.

Layer 1, part of the family of `results`. No model here: arrays of probabilities in, draws out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SharedParts:
    """A tree's posterior split by what it shares with the stand, so that joint draws keep shared errors shared.

    Parameters
    ----------
    reference_year : int
        Establishment year = reference_year - (added rings + years to the core height) - collar years.
    added_start : int
        First number of added rings.
    added : numpy.ndarray, shape (n_stand, n_added)
        Mass of the added rings for each value of the stand's growth-rate part; rows sum to 1.
    years_start : int
        First number of years to the core height.
    years : numpy.ndarray, shape (n_shared, n_years)
        Mass of those years for each shared value of the height model; rows sum to 1.
    joint : numpy.ndarray, shape (n_stand, n_shared, n) or None
        Mass of added rings + years together (from added_start), where two heights of one tree tie them.
    rate_group, height_group : str
        Trees of one group share the value: those of one species, and for the heights all species that rest on one
        figure.
    """

    reference_year: int
    added_start: int
    added: Array
    years_start: int
    years: Array
    joint: Array | None = None
    rate_group: str = ""
    height_group: str = ""

    def sample(
        self, stand: NDArray[np.int64], shared: NDArray[np.int64], rng: np.random.Generator
    ) -> NDArray[np.int64]:
        """Draw reference_year - added rings - years to the core height.

        Parameters
        ----------
        stand, shared : numpy.ndarray of int, shape (n_draw,)
            Index of the shared growth-rate and height values in each draw.
        rng : numpy.random.Generator
            Source of randomness.

        Returns
        -------
        numpy.ndarray of int, shape (n_draw,)
            Establishment year before collar years.
        """
        if self.joint is not None:
            cells = self.joint.reshape(-1, self.joint.shape[2])
            steps = _pick(cells, stand * self.joint.shape[1] + shared, rng)
            return self.reference_year - self.added_start - steps
        added = self.added_start + _pick(self.added, stand, rng)
        years = self.years_start + _pick(self.years, shared, rng)
        return self.reference_year - added - years


def _pick(mass: Array, rows: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
    """One draw from the mass function in each given row."""
    total = np.cumsum(mass, axis=1)
    total /= total[:, -1:]
    steps = np.searchsorted(
        (total + np.arange(len(total))[:, None]).ravel(), rows + rng.random(rows.size), side="right"
    )
    return np.asarray(np.minimum(steps - rows * mass.shape[1], mass.shape[1] - 1))
