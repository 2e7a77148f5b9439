"""The grids that every mass function over distance shares, so that arrays of many cores line up.

Layer 0. Choices of resolution, checked against brute force in tests; own derivation.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

DISTANCE_STEP = 0.04  # choice: step of ln(distance); a tenth of the spread of the log growth rate
DISTANCE_LOW_MM = 0.05  # choice: below one narrow ring
DISTANCE_HIGH_MM = 1500.0  # choice: more than the radius of nearly any cored tree

_STEPS = int(np.ceil(np.log(DISTANCE_HIGH_MM / DISTANCE_LOW_MM) / DISTANCE_STEP))


def _distance_grid() -> NDArray[np.float64]:
    grid = np.concatenate([[0.0], DISTANCE_LOW_MM * np.exp(DISTANCE_STEP * np.arange(_STEPS + 1))])
    grid.flags.writeable = False
    return grid


DISTANCE_GRID_MM: NDArray[np.float64] = _distance_grid()
"""Distances to the pith [mm]: 0 (the pith itself) and then even steps of the logarithm."""
