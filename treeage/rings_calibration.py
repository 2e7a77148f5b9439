"""What the trees of a stand teach about the hidden width of a core: offsets of the location and reduced spreads.

Layer 2. Partial pooling of level and trend with normal deviations; own derivation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RingCalibration:
    """Offsets and spreads that replace those of the shipped model in one stand.

    Parameters
    ----------
    distance_mm : numpy.ndarray, shape (n_node,)
        Distances [mm] at which the offsets are given, increasing; between them they are interpolated in ln(distance),
        outside the nearest holds.
    offset : numpy.ndarray, shape (n_node,) or (n_core, n_node)
        Added to the expected log hidden width: one row for the whole stand, or one row a core.
    stand_sd, tree_sd : float
        Standard deviations that remain for the stand (b) and for the tree (u).
    own_factor : numpy.ndarray, shape () or (n_core,)
        Factor on the scale of a core's own deviation (v).
    source : str
        What it rests on, for reports.
    """

    distance_mm: FloatArray
    offset: FloatArray
    stand_sd: float
    tree_sd: float
    own_factor: FloatArray
    source: str = ""

    def offset_on(self, distance_mm: FloatArray) -> FloatArray:
        """Offsets at other distances.

        Parameters
        ----------
        distance_mm : numpy.ndarray, shape (n_r,) or (n_core, n_r)
            Distances [mm]; 0 is taken as the smallest node.

        Returns
        -------
        numpy.ndarray, broadcastable to (n_core, n_r)
            Offsets of the log hidden width.
        """
        nodes = np.log(self.distance_mm)
        where = np.log(np.maximum(distance_mm, self.distance_mm[0]))
        place = np.clip(np.interp(where, nodes, np.arange(nodes.size)), 0, nodes.size - 1.000001)
        cell = place.astype(np.intp)
        part = place - cell
        if self.offset.ndim == 1:
            return np.asarray(self.offset[cell] * (1 - part) + self.offset[cell + 1] * part)
        if where.ndim == 1:
            return np.asarray(self.offset[:, cell] * (1 - part) + self.offset[:, cell + 1] * part)
        rows = np.arange(self.offset.shape[0])[:, None]
        return np.asarray(self.offset[rows, cell] * (1 - part) + self.offset[rows, cell + 1] * part)
