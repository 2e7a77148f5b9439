"""Summaries of the visible inner rings of many cores: means over windows that start at the innermost ring.

Layer 2. Window means and spreads, computed for all cores at once from cumulative sums; own derivation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError, kind_of, require_nonnegative, require_positive

FloatArray = NDArray[np.float64]

WIDTH_FLOOR_MM = 0.02  # choice: two reading steps of 0.01 mm; keeps the logarithm of absent rings finite
WINDOW_RINGS = (1, 2, 3, 5, 10, 20, 40)  # choice: about even steps of the logarithm
WINDOW_MM = (5.0, 10.0, 20.0, 40.0)  # choice: the distances at which cores usually end
RUN_RINGS = 10  # choice: the fastest decade of the core
SPREAD_RINGS = 20  # choice: enough rings for a standard deviation, few enough to be inner wood
FEATURES = (
    *(f"log_mean_{rings}_rings" for rings in WINDOW_RINGS),
    "log_mean_all_rings",
    *(f"log_mean_{millimetres:.0f}_mm" for millimetres in WINDOW_MM),
    "log_fastest_run",
    "spread_inner",
    "step_inner",
)
SPREAD_FEATURES = 2  # the last two: spread and step, which a mean width alone cannot tell


@dataclass(frozen=True, eq=False)
class InnerGrowth:
    """What the visible rings of many cores say about their inner growth, one row a core.

    Parameters
    ----------
    features : numpy.ndarray, shape (n_core, n_feature)
        Columns as in FEATURES: natural logarithms of mean widths [mm], then two spreads of log widths; NaN where a
        spread is unknown.
    ring_count : numpy.ndarray, shape (n_core,)
        Number of visible rings the row rests on, at least 1.
    genus : tuple of str or None
        One for each core; None where unknown.

    Examples
    --------
    >>> growth = inner_growth([[1.0, 1.0, 1.0], [2.0]])
    >>> len(growth), growth.ring_count.tolist()
    (2, [3.0, 1.0])
    """

    features: FloatArray
    ring_count: FloatArray
    genus: tuple[str | None, ...]

    def __len__(self) -> int:
        return int(self.ring_count.size)

    def take(self, rows: ArrayLike) -> InnerGrowth:
        """Select cores.

        Parameters
        ----------
        rows : array-like of int
            Positions of the cores.

        Returns
        -------
        InnerGrowth
            The rows in the given order.
        """
        chosen = np.asarray(rows, dtype=np.intp)
        return InnerGrowth(self.features[chosen], self.ring_count[chosen], tuple(self.genus[k] for k in chosen))


def _genus_tuple(genus: str | Sequence[str | None] | None, cores: int, where: str) -> tuple[str | None, ...]:
    if genus is None or isinstance(genus, str):
        return (_genus_of(genus),) * cores
    if not hasattr(genus, "__len__"):
        need = "a name, or one for each core"
        raise InputError(Fault(kind_of(genus), need, "Write for example 'Larix'.", where, 0, "genus"))
    if len(genus) != cores:
        raise InputError(
            Fault(
                f"{len(genus)} genera",
                f"one, or {cores} (one a core)",
                "Pass one for each core.",
                where,
                0,
                "genus",
            )
        )
    return tuple(_genus_of(name) for name in genus)


def _genus_of(name: object) -> str | None:
    """First word of a species name, capitalised; anything but text (None, NaN) is unknown."""
    words = name.split() if isinstance(name, str) else []
    return words[0].capitalize() if words else None


def _checked_series(widths_mm: Sequence[ArrayLike], where: str) -> tuple[FloatArray, NDArray[np.intp]]:
    """All widths in one row, and the number of rings of each core."""
    arrays = [np.asarray(widths, dtype=np.float64).ravel() for widths in widths_mm]
    counts = np.fromiter((array.size for array in arrays), dtype=np.intp, count=len(arrays))
    if counts.size and counts.min() == 0:
        first = int(np.argmin(counts))
        raise InputError(
            Fault(
                "no widths",
                "at least one ring width [mm]",
                "Leave the core out.",
                where,
                0,
                "inner_widths_mm",
                f"core {first}",
            )
        )
    flat = np.concatenate(arrays) if arrays else np.zeros(0)
    require_nonnegative(where, inner_widths_mm=flat)
    return flat, counts


def inner_growth(
    inner_widths_mm: Sequence[ArrayLike], *, genus: str | Sequence[str | None] | None = None
) -> InnerGrowth:
    """Summarise the visible rings of many cores by means over windows that start at the innermost ring.

    Parameters
    ----------
    inner_widths_mm : sequence of array-like
        One series for each core: visible widths [mm], innermost first, any number from 1 up, each at least 0 (0: a
        dated ring that is locally absent; it counts as a ring).
    genus : str or sequence of str, optional
        Genus of all cores or of each core; unknown by default.

    Returns
    -------
    InnerGrowth
        One row a core.

    Raises
    ------
    InputError
        If a core has no ring or a width is negative or not finite.

    Notes
    -----
    A window longer than the core uses the whole core. Means below 0.02 mm are raised to that (absent rings).

    References
    ----------
    .. [1] Own derivation; the windows are choices, see tests/fitting/fit_rings.py.

    Examples
    --------
    >>> growth = inner_growth([[1.0, 3.0, 2.0, 2.0, 2.0]])
    >>> np.exp(growth.features[0, [0, 1, 3]]).round(3).tolist()
    [1.0, 2.0, 2.0]
    """
    flat, counts = _checked_series(inner_widths_mm, "inner_growth")
    return _growth_of_flat(flat, counts, _genus_tuple(genus, counts.size, "inner_growth"))


def _growth_of_flat(flat: FloatArray, counts: NDArray[np.intp], genus: tuple[str | None, ...]) -> InnerGrowth:
    if counts.size == 0:
        return InnerGrowth(np.zeros((0, len(FEATURES))), np.zeros(0), ())
    ends = np.cumsum(counts)
    starts = ends - counts
    total = np.concatenate([[0.0], np.cumsum(flat)])
    columns = []
    for rings in WINDOW_RINGS:
        length = np.minimum(rings, counts)
        columns.append((total[starts + length] - total[starts]) / length)
    columns.append((total[ends] - total[starts]) / counts)
    for millimetres in WINDOW_MM:
        columns.append(_rate_within(total, starts, ends, millimetres))
    columns.append(_fastest_run(total, starts, ends))
    logs = [np.log(np.maximum(column, WIDTH_FLOOR_MM)) for column in columns]
    return InnerGrowth(np.column_stack([*logs, *_spreads(flat, starts, counts)]), counts.astype(np.float64), genus)


def _rate_within(total: FloatArray, starts: NDArray[np.intp], ends: NDArray[np.intp], millimetres: float) -> FloatArray:
    """Mean width [mm] of the rings within a length of wood from the innermost ring outwards, the last ring in part."""
    target = np.minimum(total[starts] + millimetres, total[ends])
    ring = np.minimum(np.maximum(np.searchsorted(total, target, side="left"), starts + 1), ends)
    width = np.maximum(total[ring] - total[ring - 1], 1e-9)
    rings = ring - 1 - starts + np.clip((target - total[ring - 1]) / width, 0.0, 1.0)
    return np.asarray((target - total[starts]) / np.maximum(rings, 1e-3))


def _fastest_run(total: FloatArray, starts: NDArray[np.intp], ends: NDArray[np.intp]) -> FloatArray:
    """Largest mean width [mm] of a run of rings; of the whole core where it is shorter than a run."""
    run = np.full(total.size, -1.0)
    run[: max(total.size - RUN_RINGS, 0)] = (total[RUN_RINGS:] - total[:-RUN_RINGS]) / RUN_RINGS
    # a run that starts in the last rings of a core would reach into the next one
    for back in range(1, RUN_RINGS):
        run[np.maximum(ends - back, starts)] = -1.0
    best = np.maximum.reduceat(run, starts)
    return np.where(ends - starts > RUN_RINGS, best, (total[ends] - total[starts]) / (ends - starts))


def _spreads(flat: FloatArray, starts: NDArray[np.intp], counts: NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
    """Standard deviation of the inner log widths and root mean square of their steps; NaN for one ring."""
    length = np.minimum(SPREAD_RINGS, counts)
    index = np.minimum(np.arange(SPREAD_RINGS), length[:, None] - 1) + starts[:, None]
    logs = np.log(np.maximum(flat[index], WIDTH_FLOOR_MM))
    used = np.arange(SPREAD_RINGS) < length[:, None]
    mean = (logs * used).sum(1) / length
    variance = (((logs - mean[:, None]) * used) ** 2).sum(1) / np.maximum(length - 1, 1)
    steps = (np.diff(logs, axis=1) ** 2 * used[:, 1:]).sum(1) / np.maximum(length - 1, 1)
    known = length > 1
    return np.where(known, np.sqrt(variance), np.nan), np.where(known, np.sqrt(steps), np.nan)


def inner_growth_from_means(
    mean_mm: ArrayLike, ring_count: ArrayLike, *, genus: str | Sequence[str | None] | None = None
) -> InnerGrowth:
    """Summarise cores of which only the mean width of the innermost rings was written down.

    Parameters
    ----------
    mean_mm : array-like, shape (n_core,)
        Mean width of the innermost visible rings [mm], above 0.
    ring_count : array-like, shape (n_core,)
        Number of rings in that mean, above 0.
    genus : str or sequence of str, optional
        Genus of all cores or of each core; unknown by default.

    Returns
    -------
    InnerGrowth
        One row a core; the two spreads are unknown (NaN) and are filled with typical values by the model.

    Raises
    ------
    InputError
        If a mean or a number is not above 0.

    Examples
    --------
    >>> growth = inner_growth_from_means([1.5], [20])
    >>> float(np.exp(growth.features[0, 0]))
    1.5
    """
    mean, count = require_positive("inner_growth_from_means", mean_mm=mean_mm, ring_count=ring_count)
    mean, count = np.broadcast_arrays(np.atleast_1d(mean), np.atleast_1d(count))
    logs = np.log(np.maximum(mean, WIDTH_FLOOR_MM))
    features = np.repeat(logs[:, None], len(FEATURES), axis=1)
    features[:, -SPREAD_FEATURES:] = np.nan
    return InnerGrowth(features, count.astype(np.float64), _genus_tuple(genus, mean.size, "inner_growth_from_means"))
