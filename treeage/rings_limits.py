"""Holds distances and visible widths that are passed in one by one against the limits of the field tables.

Layer 2, part of the family of `rings`. Own derivation; the limits are those of `schema` and `table_rings`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError, show
from treeage.schema import column
from treeage.table_rings import NARROWEST_MEAN_MM, WIDEST_MEAN_MM
from treeage.table_units import slip, width_slip

FloatArray = NDArray[np.float64]


def check_distances(where: str, distance_mm: FloatArray) -> None:
    """Hold distances to the pith against the limit of the table of cores.

    Parameters
    ----------
    where : str
        The calling function, for the message.
    distance_mm : numpy.ndarray, shape (n_core,)
        Distances [mm], not negative.

    Raises
    ------
    InputError
        If one is beyond it, naming the likely unit.

    Examples
    --------
    >>> check_distances("missing_rings", np.array([12.0]))
    """
    _within(where, "distance_mm", distance_mm, ("cores", "distance_mm"))


def check_widths(where: str, name: str, series: Sequence[ArrayLike]) -> None:
    """Hold ring widths and their means against the limits of the ring table.

    Parameters
    ----------
    where : str
        The calling function, for the message.
    name : str
        The argument, for the message.
    series : sequence of array-like
        Widths [mm] of each core, each with at least one ring, not negative.

    Raises
    ------
    InputError
        If a width is above 100 mm or a mean beyond 0.02 to 20 mm, naming the likely unit.

    Examples
    --------
    >>> check_widths("missing_rings", "inner_widths_mm", [[110, 90]])
    Traceback (most recent call last):
        ...
    treeage.errors.InputError: missing_rings, inner_widths_mm: got 110, need a number from 0 to 100 [mm]. This \
looks like 1/100 mm: write 1.1.
    """
    if not len(series):
        return
    arrays = [np.asarray(widths, dtype=np.float64) for widths in series]
    sizes = np.array([array.size for array in arrays])
    starts = np.cumsum(sizes) - sizes
    flat = np.concatenate(arrays)
    _within(where, name, np.maximum.reduceat(flat, starts), ("rings", "width_mm"))
    mean = np.add.reduceat(flat, starts) / sizes
    faults = []
    for core in np.flatnonzero((mean < NARROWEST_MEAN_MM) | (mean > WIDEST_MEAN_MM)):
        got, need = f"a mean of {mean[core]:.3g}", f"a mean width of {NARROWEST_MEAN_MM:g} to {WIDEST_MEAN_MM:g} [mm]"
        do = width_slip(float(mean[core])) or "Leave out what is not a measured width; 0 is a ring absent here."
        faults.append(Fault(got, need, do, where, 0, name, _item(int(core), mean.size)))
    if faults:
        raise InputError(faults)


def _within(where: str, name: str, values: FloatArray, place: tuple[str, str]) -> None:
    limits = column(*place)
    if limits.range is None:
        return
    faults = []
    for core in np.flatnonzero(~limits.range.holds(values)):
        do = slip(limits, float(values[core])) or "Check the unit."
        got = show(float(values[core]))
        faults.append(Fault(got, limits.need, do, where, 0, name, _item(int(core), values.size)))
    if faults:
        raise InputError(faults)


def _item(core: int, cores: int) -> str:
    return f"core {core}" if cores > 1 else ""
