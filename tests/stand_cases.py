"""Simulated stands for the tests of the stand modules: true dates, and joint draws with own and shared error."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def true_dates(kind: str, count: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Establishment years of a stand: flat, decline, hump, pulse, two or cohort."""
    dates = rng.uniform(1700, 1900, count)
    if kind == "pulse":
        dates[: count // 3] = rng.normal(1800, 4, count // 3)
    if kind == "two":
        part = count // 4
        dates[:part] = rng.normal(1760, 4, part)
        dates[part : 2 * part] = rng.normal(1850, 7, part)
    if kind == "decline":
        dates = 1950 - 60 * rng.exponential(size=count)
    if kind == "hump":
        dates = rng.normal(1800, 50, count)
    if kind == "cohort":
        dates = rng.normal(1800, 5, count)
    return dates


def joint_draws(
    dates: NDArray[np.float64], rng: np.random.Generator, *, own: float = 5.0, shared: float = 3.0, size: int = 1000
) -> NDArray[np.float64]:
    """Joint draws of a stand read with error: each tree's own, and one shift for all."""
    count = dates.size
    read = dates + rng.normal(0, own, count) + rng.normal(0, shared)
    return np.round(read + rng.normal(0, shared, (size, 1)) + rng.normal(0, own, (size, count)))
