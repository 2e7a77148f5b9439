"""The exact engine against a plain PyMC model of one two-core tree."""

import warnings

import numpy as np
import pytest
from scipy.special import stdtr
from two_core_model import cores, exact_mass, pymc_years

from treeage.distance import DISTANCE_GRID_MM
from treeage.rings import inner_growth, missed_ring_mass, ring_model

pytestmark = pytest.mark.slow


def test_pith_year_agrees_with_pymc_within_monte_carlo_error():
    """Mean, spread and five quantile probabilities agree within four Monte Carlo standard errors."""
    years, mass = exact_mass()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sampled = pymc_years(8000)
    effective = effective_size(sampled)
    assert effective > 300
    mean = years @ mass
    spread = np.sqrt(mass @ (years - mean) ** 2)
    assert sampled.mean() == pytest.approx(mean, abs=4 * spread / np.sqrt(effective))
    assert sampled.std() == pytest.approx(spread, rel=4 / np.sqrt(effective))
    for prob in (0.05, 0.25, 0.5, 0.75, 0.95):
        order = np.argsort(years)
        year = years[order][np.searchsorted(np.cumsum(mass[order]), prob)]
        expected = mass[years <= year].sum()
        error = np.sqrt(expected * (1 - expected) / effective)
        assert (sampled <= year).mean() == pytest.approx(expected, abs=4 * error)


def test_own_deviation_is_a_two_scale_student_t():
    """The engine's mass at a known distance is the t of SciPy (oracle) with its two scales written out."""
    model = ring_model()
    growth = inner_growth(cores()[:1])
    at = int(np.argmin(np.abs(DISTANCE_GRID_MM - 20)))
    distance = np.zeros((1, DISTANCE_GRID_MM.size))
    distance[0, at] = 1.0
    mass = missed_ring_mass(growth, distance, [0.0], max_rings=120)[0, 0]
    location = model.location(growth, DISTANCE_GRID_MM[[at]])[0, 0]
    scale = model.own_scale(growth, DISTANCE_GRID_MM[[at]])[0]
    gap = (np.log(np.arange(1, 120) + 0.5) - np.log(DISTANCE_GRID_MM[at]) + location) / scale
    skew, df = model.tails.skew, model.tails.df
    above = 1 + skew**2 * (2 * stdtr(df, gap / skew) - 1)
    expected = np.where(gap >= 0, above, 2 * stdtr(df, gap * skew)) / (1 + skew**2)
    assert np.abs(np.cumsum(mass)[1:120] - expected).max() < 1e-3


def effective_size(chains):
    """Effective sample size by ArviZ."""
    import arviz as az

    return float(np.asarray(az.ess(chains.astype(float))))
