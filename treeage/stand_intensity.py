"""Log intensity of establishment on a grid of years, fitted to mass functions of trees at one roughness.

Layer 3. Own derivation: Poisson process with displaced points, second-order random walk on the log
intensity, Laplace.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import require_nonnegative
from treeage.stand_shared import SplitDraws

MOST_CELLS = 250  # choice: cells of the year grid; a longer span gets wider cells
FAR_TAIL = 0.001  # choice: share of a tree's draws that may lie beyond the grid, counted in its end cells
CELLS_PER_SD = 4  # choice: cells per standard deviation of a tree's own error, at least
NEWTON_STEPS = 60  # choice: far more than are ever needed


@dataclass(frozen=True)
class YearGrid:
    """Cells of equal length on the axis of years.

    Parameters
    ----------
    first_year : float
        Centre of the first cell [year].
    step_years : int
        Width of a cell [years].
    size : int
        Number of cells.
    """

    first_year: float
    step_years: int
    size: int

    @property
    def centres(self) -> NDArray[np.float64]:
        """Centres of the cells.

        Returns
        -------
        numpy.ndarray, shape (size,)
            Years.
        """
        return np.asarray(self.first_year + self.step_years * np.arange(self.size), dtype=np.float64)


def year_grid(split: SplitDraws, *, pad_years: int = 0, last_year: int | None = None) -> YearGrid:
    """Choose a grid of years fine enough for the dating error and wide enough for every tree.

    Parameters
    ----------
    split : SplitDraws
        Parts of the joint draws.
    pad_years : int, default 0
        Empty years to add at both ends.
    last_year : int, optional
        No cell begins after this year (the year of coring).

    Returns
    -------
    YearGrid
        At most about 250 cells, at least four to the standard deviation of a typical tree's own error where
        that fits.
    """
    tails = np.quantile(split.own, [FAR_TAIL, 1 - FAR_TAIL], axis=0)
    low = int(np.floor((split.centre + split.deviation.min(axis=0) + tails[0]).min())) - pad_years
    high = int(np.ceil((split.centre + split.deviation.max(axis=0) + tails[1]).max())) + pad_years
    if last_year is not None:
        high = max(low + 1, min(high, int(last_year)))
    span = high - low + 1
    fine = max(1, int(np.median(split.own_sd) // CELLS_PER_SD))
    step = max(fine, int(np.ceil(span / MOST_CELLS)))
    return YearGrid(low + (step - 1) / 2, step, int(np.ceil(span / step)) + 1)


@dataclass(frozen=True)
class IntensityFit:
    """Fitted log intensity at one roughness.

    Parameters
    ----------
    log_intensity : numpy.ndarray, shape (size,)
        Mode of the log expected number of trees in each cell.
    factor : numpy.ndarray, shape (size, size)
        Lower triangular factor of the curvature at the mode (Cholesky).
    log_evidence : float
        Logarithm of the marginal likelihood by Laplace's method, up to a constant that all roughnesses share.
    """

    log_intensity: NDArray[np.float64]
    factor: NDArray[np.float64]
    log_evidence: float


def fit_intensity(
    mass: ArrayLike,
    *,
    roughness: float,
    step_years: int = 1,
    weights: ArrayLike | None = None,
    start: ArrayLike | None = None,
) -> IntensityFit:
    """Fit the log intensity of establishment to the mass functions of trees.

    Parameters
    ----------
    mass : array-like, shape (n, size)
        Mass of each tree's date over the cells of the grid; rows sum to 1.
    roughness : float
        Standard deviation of the second difference of the log intensity from year to year, above 0.
    step_years : int, default 1
        Width of a cell [years].
    weights : array-like, shape (n,), optional
        Weight of each tree in the likelihood; 1 by default.
    start : array-like, shape (size,), optional
        Log intensity to begin from.

    Returns
    -------
    IntensityFit
        Mode, curvature and evidence.

    Raises
    ------
    InputError
        If a mass or weight is negative or not finite.

    Notes
    -----
    With intensity L_t, tree i contributes log(sum_t mass_it L_t), and the process minus sum_t L_t: the
    likelihood of a Poisson process whose points are seen with error. The prior is a random walk of second
    order, so a straight line in the logarithm (steady exponential change) costs nothing. Newton steps with
    the full curvature where it is positive, and with the curvature of the completed data (the EM bound)
    where it is not.
    """
    from scipy.linalg import cho_solve

    (kernel,) = require_nonnegative("fit_intensity", mass=mass)
    count, size = kernel.shape
    share = np.ones(count) if weights is None else np.asarray(weights, dtype=np.float64)
    penalty = _penalty(size) / (roughness**2 * step_years**3)
    eta = np.full(size, np.log(share.sum() / size)) if start is None else np.array(start, dtype=np.float64)
    value = _objective(eta, kernel, share, penalty)
    factor = np.eye(size)
    for _ in range(NEWTON_STEPS):
        gradient, bound, full = _derivatives(eta, kernel, share, penalty)
        factor = _factor(full, bound)
        step = cho_solve((factor, True), gradient)
        scale = min(1.0, 3.0 / max(1e-12, float(np.abs(step).max())))  # choice: no cell moves by more than e^3 at once
        trial, new = eta, value
        for _ in range(12):
            trial = eta - scale * step
            new = _objective(trial, kernel, share, penalty)
            if new <= value + 1e-10:
                break
            scale /= 2
        gain = value - new
        eta, value = trial, new
        if gain < 1e-6:
            break
    _, bound, full = _derivatives(eta, kernel, share, penalty)
    factor = _factor(full, bound)
    log_det = 2.0 * np.log(np.diag(factor)).sum()
    rank = -(size - 2) * np.log(roughness * step_years**1.5)
    return IntensityFit(eta, factor, float(-value + rank - log_det / 2))


def _objective(
    eta: NDArray[np.float64], kernel: NDArray[np.float64], share: NDArray[np.float64], penalty: NDArray[np.float64]
) -> float:
    intensity = np.exp(eta)
    seen = np.maximum(kernel @ intensity, 1e-300)
    return float(intensity.sum() - share @ np.log(seen) + eta @ penalty @ eta / 2)


def _derivatives(
    eta: NDArray[np.float64], kernel: NDArray[np.float64], share: NDArray[np.float64], penalty: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Gradient, curvature of the EM bound, and full curvature of the objective."""
    intensity = np.exp(eta)
    part = kernel * intensity
    part /= np.maximum(part.sum(axis=1), 1e-300)[:, None]
    expected = share @ part
    gradient = intensity - expected + penalty @ eta
    bound = penalty + np.diag(intensity + 1e-9)
    full = bound - np.diag(expected) + (part * share[:, None]).T @ part
    return gradient, bound, full


def _factor(full: NDArray[np.float64], bound: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cholesky factor of the full curvature, or of a mix with the bound that is positive."""
    from scipy.linalg import LinAlgError, cholesky

    for mix in (0.0, 0.02, 0.1, 0.3, 0.6):
        try:
            return np.asarray(cholesky((1 - mix) * full + mix * bound, lower=True))
        except LinAlgError:
            continue
    return np.asarray(cholesky(bound, lower=True))


def _penalty(size: int) -> NDArray[np.float64]:
    difference = np.diff(np.eye(size), n=2, axis=0)
    return np.asarray(difference.T @ difference)
