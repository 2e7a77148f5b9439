"""Straight lines with error of known size in both variables, the true scatter told apart from the errors.

Layer 3. Corrected normal equations of errors-in-variables regression (Fuller 1987).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, ModelError, require_positive

LEAST_RELIABLE = 0.3  # choice: below this share of true variance in the diameters the slope is not to be had


def attenuation(true_sd: ArrayLike, error_sd: ArrayLike) -> NDArray[np.float64]:
    """Share of a slope that is left when the horizontal variable has error.

    Parameters
    ----------
    true_sd : array-like
        Standard deviation of the true values, above 0.
    error_sd : array-like
        Standard deviation of the error, at least 0.

    Returns
    -------
    numpy.ndarray
        true variance / (true variance + error variance), from 0 to 1.

    Raises
    ------
    InputError
        If true_sd is not above 0.

    Examples
    --------
    >>> attenuation(30, 8).round(3)
    np.float64(0.934)
    """
    (true,) = require_positive("attenuation", true_sd=true_sd)
    return np.asarray(true**2 / (true**2 + np.asarray(error_sd, dtype=np.float64) ** 2))


def fit_line(
    values: ArrayLike,
    design: ArrayLike,
    *,
    value_sd: ArrayLike,
    design_variance: ArrayLike,
) -> tuple[NDArray[np.float64], NDArray[np.float64], float, NDArray[np.float64]]:
    """Fit a straight line whose variables both carry error of known size.

    Parameters
    ----------
    values : array-like, shape (n,)
        Vertical variable.
    design : array-like, shape (n, p)
        Columns of the line: ones for intercepts, the horizontal variable for slopes.
    value_sd : array-like, shape (n,)
        Standard deviation of the error of each value.
    design_variance : array-like, shape (n, p)
        Error variance of each entry of the design (0 for intercepts).

    Returns
    -------
    coefficients : numpy.ndarray, shape (p,)
        Estimates.
    covariance : numpy.ndarray, shape (p, p)
        Covariance of the estimates.
    scatter_sd : float
        Standard deviation of the true scatter round the line, all errors taken out.
    projector : numpy.ndarray, shape (p, n)
        The linear map from values to coefficients.

    Raises
    ------
    ModelError
        If the horizontal error leaves too little true variance.

    Notes
    -----
    (X'WX - sum w E) b = X'Wy with E the error variances [1]_; weights 1 / (scatter + value + slope**2 *
    horizontal variance), the scatter chosen so that the weighted squares sum to n - p. With no horizontal
    error this is weighted least squares.

    References
    ----------
    .. [1] Fuller, W. A. (1987). Measurement Error Models. Wiley. (From memory.)
    """
    y, x = np.asarray(values, dtype=np.float64), np.asarray(design, dtype=np.float64)
    error = np.asarray(design_variance, dtype=np.float64)
    known = np.asarray(value_sd, dtype=np.float64) ** 2
    scatter, beta = float(np.var(y)), np.zeros(x.shape[1])
    projector: NDArray[np.float64] = np.zeros(x.T.shape)
    bread: NDArray[np.float64] = np.eye(x.shape[1])
    weight = np.ones(y.size)
    for _ in range(30):
        weight = 1.0 / (scatter + known + error @ beta**2 + 1e-12)
        raw = (x * weight[:, None]).T @ x
        corrected = raw - np.diag(weight @ error)
        _check_reliable(raw, np.diag(weight @ error))
        bread = np.asarray(np.linalg.inv(corrected), dtype=np.float64)
        projector = bread @ (x * weight[:, None]).T
        new = projector @ y
        scatter = _scatter(y - x @ new, known + error @ new**2, x.shape[1])
        done = np.allclose(new, beta, rtol=1e-9, atol=1e-12)
        beta = new
        if done:
            break
    meat = (x * weight[:, None]).T @ x
    return beta, bread @ meat @ bread, float(np.sqrt(scatter)), projector


def _scatter(residual: NDArray[np.float64], known: NDArray[np.float64], columns: int) -> float:
    """True scatter variance at which the weighted squares equal the degrees of freedom, by bisection."""
    target = max(1, residual.size - columns)
    low, high = 0.0, float(residual @ residual) / target + 1e-12
    if float((residual**2 / np.maximum(known, 1e-300)).sum()) <= target:
        return 0.0
    for _ in range(80):
        middle = (low + high) / 2
        if float((residual**2 / (middle + known)).sum()) > target:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _check_reliable(raw: NDArray[np.float64], error: NDArray[np.float64]) -> None:
    """Refuse when the horizontal variable is mostly error, within the other columns."""
    partial = 1.0 / np.diag(np.linalg.inv(raw))
    share = 1.0 - np.diag(error) / partial
    if np.any(share < LEAST_RELIABLE):
        got, need = f"{100 * float(share.min()):.0f} % true variance in the diameters", "at least 30 %"
        do = "Measure diameters better, or core a wider range of them."
        raise ModelError(Fault(got, need, do, "age_from_diameter", 0, "diameter_sd_cm"))
