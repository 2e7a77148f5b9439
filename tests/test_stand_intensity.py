"""Tests of treeage.stand: the penalised Poisson process seen through mass functions."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treeage.errors import InputError
from treeage.stand import split_shared
from treeage.stand.recruitment import fit_intensity
from treeage.stand.structure import YearGrid, year_grid


def _mass(cells: list[int], size: int) -> np.ndarray:
    return np.eye(size)[cells]


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 500), roughness=st.floats(1e-3, 0.3))
def test_the_mode_is_a_stationary_point_and_keeps_the_number(seed: int, roughness: float) -> None:
    """Expected trees equal the number of trees, since a level costs the prior nothing."""
    rng = np.random.default_rng(seed)
    mass = rng.dirichlet(np.full(30, 0.3), size=40)
    fit = fit_intensity(mass, roughness=roughness)
    assert np.exp(fit.log_intensity).sum() == pytest.approx(40, rel=1e-3)  # closed form: score of the level
    assert np.exp(fit.log_intensity) @ np.arange(30) == pytest.approx(
        (mass * np.exp(fit.log_intensity) / (mass @ np.exp(fit.log_intensity))[:, None]).sum(axis=0) @ np.arange(30),
        rel=1e-2,
    )  # closed form: score of the slope


def test_stiff_prior_gives_the_exponential_fit_of_a_poisson_regression() -> None:
    """With exact dates and no roughness the fit is the Poisson regression of counts on the year."""
    import statsmodels.api as sm

    rng = np.random.default_rng(5)
    counts = rng.poisson(np.exp(0.5 + 0.04 * np.arange(40)))
    mass = _mass(np.repeat(np.arange(40), counts).tolist(), 40)
    fit = fit_intensity(mass, roughness=1e-5)
    glm = sm.GLM(counts, sm.add_constant(np.arange(40)), family=sm.families.Poisson()).fit()  # statsmodels
    assert np.allclose(fit.log_intensity, glm.params[0] + glm.params[1] * np.arange(40), atol=5e-3)


def test_rough_prior_follows_exact_dates() -> None:
    """With exact dates and much roughness the intensity approaches the counts."""
    counts = np.array([1, 9, 1, 9, 1, 9, 1, 9, 1, 9])
    fit = fit_intensity(_mass(np.repeat(np.arange(10), counts).tolist(), 10), roughness=30.0)
    assert np.allclose(np.exp(fit.log_intensity), counts, rtol=0.05)  # limiting case


def test_evidence_prefers_smooth_for_flat_and_rough_for_a_pulse() -> None:
    """The marginal likelihood tells a flat history from a pulse."""
    rng = np.random.default_rng(6)
    flat = _mass(rng.integers(0, 100, 200).tolist(), 100)
    pulse = _mass(np.append(rng.integers(0, 100, 100), rng.integers(48, 53, 100)).tolist(), 100)
    for mass, smooth_wins in ((flat, True), (pulse, False)):
        smooth = fit_intensity(mass, roughness=3e-4).log_evidence
        rough = fit_intensity(mass, roughness=0.05).log_evidence
        assert (smooth > rough) == smooth_wins


def test_evidence_against_brute_force_integration() -> None:
    """Differences of Laplace's evidence agree with importance sampling on a small grid."""
    mass = _mass([0, 1, 1, 2, 2, 2, 3, 3, 4], 5) * 0.8 + 0.04
    values = []
    for roughness in (0.1, 0.6):
        fit = fit_intensity(mass, roughness=roughness)
        rng = np.random.default_rng(7)
        normal = rng.standard_normal((200_000, 5))
        eta = fit.log_intensity + np.linalg.solve(fit.factor.T, normal.T).T
        intensity = np.exp(eta)
        target = np.log(intensity @ mass.T).sum(axis=1) - intensity.sum(axis=1)
        target -= 0.5 * (np.diff(eta, n=2, axis=1) ** 2).sum(axis=1) / roughness**2 + 3 * np.log(roughness)
        weight = target + 0.5 * (normal**2).sum(axis=1) - np.log(np.diag(fit.factor)).sum()
        exact = np.log(np.mean(np.exp(weight - weight.max()))) + weight.max()
        values.append((fit.log_evidence, exact))
    laplace, exact = np.diff(np.array(values), axis=0)[0]
    assert laplace == pytest.approx(exact, abs=0.15)  # brute force


def test_grid_is_fine_and_bounded() -> None:
    """The grid covers all draws, ends at the year of coring, and stays short for long spans."""
    rng = np.random.default_rng(8)
    split = split_shared(rng.normal(1850, 2, (500, 10)))
    grid = year_grid(split, last_year=1852)
    assert grid.step_years == 1 and grid.centres[0] <= (split.centre + np.quantile(split.own, 0.002, axis=0)).min()
    assert grid.centres[-1] <= 1853
    long = year_grid(split_shared(rng.uniform(-500, 2000, (50, 40))))
    assert long.size <= 260 and long.step_years >= 9  # hand sum: 2500 years in 250 cells
    assert np.allclose(YearGrid(1800.0, 2, 3).centres, [1800, 1802, 1804])  # hand sum


def test_negative_mass_is_refused() -> None:
    """Mass below 0 is named."""
    with pytest.raises(InputError, match="got -1 at position 0, need finite and at least 0"):
        fit_intensity([[-1.0, 2.0]], roughness=0.1)
