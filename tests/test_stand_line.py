"""Tests of treeage.stand: a line with error in both variables."""

import numpy as np
import pytest

from treeage.errors import ModelError
from treeage.stand.diameter import fit_line


def test_without_horizontal_error_it_is_weighted_least_squares() -> None:
    """Estimates and covariance equal those of statsmodels with the same weights."""
    import statsmodels.api as sm

    rng = np.random.default_rng(1)
    x = rng.uniform(0, 10, 60)
    sd = rng.uniform(0.2, 1.5, 60)
    y = 2 + 0.5 * x + rng.normal(0, 0.7, 60) + rng.normal(0, sd)
    design = sm.add_constant(x)
    beta, covariance, scatter, projector = fit_line(y, design, value_sd=sd, design_variance=np.zeros_like(design))
    fit = sm.WLS(y, design, weights=1 / (scatter**2 + sd**2)).fit(cov_type="fixed scale")  # statsmodels
    assert np.allclose(beta, fit.params, rtol=1e-5)
    assert np.allclose(covariance, fit.cov_params(), rtol=1e-4)
    assert np.allclose(projector @ y, beta)
    assert scatter == pytest.approx(0.7, abs=0.25)  # simulated truth


def test_equal_errors_against_the_closed_form() -> None:
    """With equal errors the slope is the covariance over the variance less the error variance."""
    rng = np.random.default_rng(2)
    true = rng.normal(0, 30, 500)
    x, y = true + rng.normal(0, 8, 500), 1 + 2 * true + rng.normal(0, 20, 500)
    design = np.column_stack([np.ones(500), x])
    error = np.column_stack([np.zeros(500), np.full(500, 64.0)])
    beta, _, _, _ = fit_line(y, design, value_sd=np.zeros(500), design_variance=error)
    closed = np.cov(x, y, ddof=0)[0, 1] / (x.var() - 64.0)  # closed form (Fuller 1987)
    assert beta[1] == pytest.approx(closed, rel=1e-6)
    naive = np.polyfit(x, y, 1)[0]
    assert naive / beta[1] == pytest.approx(
        900 / 964, abs=0.01
    )  # closed form: true over all variance, 30^2 / (30^2 + 8^2)


def test_slope_and_interval_on_many_samples() -> None:
    """The corrected slope is unbiased and its 90 % interval covers; the naive slope is too flat."""
    rng = np.random.default_rng(3)
    slopes, naive, hits = [], [], 0
    for _ in range(300):
        true = rng.normal(0, 3, 80)
        x, y = true + rng.normal(0, 1.2, 80), 2 * true + rng.normal(0, 2, 80)
        design = np.column_stack([np.ones(80), x])
        error = np.column_stack([np.zeros(80), np.full(80, 1.44)])
        beta, covariance, _, _ = fit_line(y, design, value_sd=np.zeros(80), design_variance=error)
        slopes.append(beta[1])
        naive.append(np.polyfit(x, y, 1)[0])
        hits += abs(beta[1] - 2) < 1.645 * np.sqrt(covariance[1, 1])
    assert np.mean(slopes) == pytest.approx(2.0, abs=0.05)  # simulated truth
    assert np.mean(naive) == pytest.approx(2 * 9 / 10.44, abs=0.05)  # closed form: 3^2 / (3^2 + 1.2^2)
    assert hits / 300 == pytest.approx(0.9, abs=0.05)  # nominal


def test_mostly_error_is_refused() -> None:
    """Diameters that are mostly error carry no slope."""
    rng = np.random.default_rng(4)
    x = rng.normal(0, 1, 50)
    design = np.column_stack([np.ones(50), x])
    error = np.column_stack([np.zeros(50), np.full(50, 0.9)])
    with pytest.raises(ModelError, match="% true variance in the diameters, need at least 30 %"):
        fit_line(x, design, value_sd=np.zeros(50), design_variance=error)
