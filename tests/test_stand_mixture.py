"""Tests of treeage.stand: log posterior, components and evidence of the mixture."""

import numpy as np
import pytest

from treeage.stand.mixture import (
    MixtureData,
    components,
    fit_mixture,
    log_likelihood,
    log_prior,
    prior_draws,
    pulse_curve,
    pulse_quantile,
    pulse_sd,
    unpack,
)


def _data(dates: np.ndarray, sd: float = 3.0, first: int = 1650, size: int = 300) -> MixtureData:
    centres = np.arange(first, first + size, dtype=float)
    mass = np.exp(-0.5 * ((centres - dates[:, None]) / sd) ** 2)
    return MixtureData(mass / mass.sum(axis=1, keepdims=True), np.ones(dates.size), centres, 15.0)


def _log_likelihoods(data: MixtureData, rows: np.ndarray, pulses: int) -> np.ndarray:
    """Log likelihood of many rows, some hundred at a time: all at once they fill a gigabyte."""
    parts = np.array_split(rows, len(rows) // 500)
    return np.concatenate([log_likelihood(data, part, pulses) for part in parts])


def test_components_are_distributions() -> None:
    """Background and pulses each sum to 1, and the pulse has its date and width."""
    data = _data(np.array([1800.0]))
    theta = np.array([[1700.0, 1900.0, 0.3, -0.5, 1800.0, np.log(6.0), -1.0, 0.0]])
    parts = components(data, theta, 1)[0]
    assert np.allclose(parts.sum(axis=1), 1)
    assert parts[1] @ data.centres == pytest.approx(1800, abs=0.01)  # closed form
    assert np.sqrt(parts[1] @ (data.centres - 1800) ** 2) == pytest.approx(6.0, abs=0.05)  # closed form


def test_unpack_turns_odds_into_shares() -> None:
    """Log odds of 0 share equally with the background."""
    _, date, width, share, lean = unpack(np.array([[0, 1, 0, 0, 5.0, 9.0, 0.0, 0.0, 0.0, 0.0, 0.2, 0.7]]), 2)
    assert date.tolist() == [[5.0, 9.0]] and width.tolist() == [[1.0, 1.0]]  # closed form
    assert lean.tolist() == [[0.2, 0.7]]
    assert np.allclose(share, 1 / 3)  # closed form


def test_the_prior_forbids() -> None:
    """A short background, pulses out of order or too near, and too wide or narrow ones have no probability."""
    data = _data(np.linspace(1700, 1900, 30))
    good = np.array([1700.0, 1900.0, 0, 0, 1760.0, 1850.0, 1.0, 1.0, -1.0, -1.0, 0.0, 1.0])
    rows = np.tile(good, (6, 1))
    rows[1, 1] = 1720.0
    rows[2, 4:6] = [1850.0, 1760.0]
    rows[3, 5] = 1763.0
    rows[4, 6] = np.log(20.0)
    rows[5, 6] = np.log(0.5)
    value = log_prior(data, rows, 2)
    assert np.isfinite(value[0]) and np.all(np.isneginf(value[1:]))


def test_likelihood_against_a_plain_sum() -> None:
    """Without pulses the log likelihood is the sum over trees of log(mass times background)."""
    dates = np.array([1750.0, 1801.0, 1850.0])
    data = _data(dates)
    theta = np.array([[1699.5, 1899.5, 0.0, 0.0]])
    curve = np.where((data.centres >= 1700) & (data.centres < 1900), 0.998 / 200, 0.0) + 0.002 / 300
    expected = np.log(data.mass @ curve).sum()  # brute force
    assert log_likelihood(data, theta, 0)[0] == pytest.approx(expected, abs=1e-3)


def test_evidence_is_stable_and_prefers_the_truth() -> None:
    """Two seeds agree on the evidence, and a pulse of 30 of 80 trees beats none by far."""
    rng = np.random.default_rng(1)
    data = _data(np.append(rng.normal(1800, 5, 30), rng.uniform(1700, 1900, 50)))
    scores = []
    for seed in (1, 2):
        none = fit_mixture(data, 0, np.random.default_rng(seed))
        one = fit_mixture(data, 1, np.random.default_rng(seed))
        scores.append((none.log_evidence, one.log_evidence))
        assert one.log_evidence > none.log_evidence + 3
    assert np.allclose(scores[0], scores[1], atol=1.0)  # Monte Carlo error, about .2 each


@pytest.mark.parametrize("pulses", [0, 1])
def test_evidence_against_brute_force(pulses: int) -> None:
    """The evidence is the mean likelihood under the prior, here of 40,000 draws from it."""
    rng = np.random.default_rng(2)
    data = _data(np.append(rng.normal(1800, 6, 5), rng.uniform(1720, 1880, 10)), size=280, first=1660)
    value = _log_likelihoods(data, prior_draws(data, pulses, 40_000, rng)[0], pulses)
    brute = np.log(np.mean(np.exp(value - value.max()))) + value.max()  # brute force: sampling from the prior
    fits = [fit_mixture(data, pulses, np.random.default_rng(seed)).log_evidence for seed in range(3)]
    assert np.mean(fits) == pytest.approx(brute, abs=0.35)  # three standard errors


def test_posterior_against_brute_force() -> None:
    """Draws of the pulse's date have the quartiles of weighted draws from the prior."""
    rng = np.random.default_rng(3)
    data = _data(np.append(rng.normal(1800, 4, 12), [1730.0, 1760.0, 1850.0, 1880.0]), size=280, first=1660)
    prior = prior_draws(data, 1, 60_000, rng)[0]
    value = _log_likelihoods(data, prior, 1)
    order = np.argsort(prior[:, 4])
    level = np.cumsum(np.exp(value - value.max())[order])
    quartiles = prior[order, 4][np.searchsorted(level / level[-1], [0.25, 0.5, 0.75])]  # brute force
    date = fit_mixture(data, 1, np.random.default_rng(4)).theta[:, 4]
    assert np.quantile(date, [0.25, 0.5, 0.75]) == pytest.approx(quartiles, abs=1.0)  # few effective draws


def test_too_many_pulses_for_the_span() -> None:
    """Pulses that do not fit in the span have no evidence instead of an endless search."""
    centres = np.arange(1800.0, 1870.0)
    data = MixtureData(np.eye(70)[[10, 30]], np.ones(2), centres, 15.0)
    assert np.isneginf(fit_mixture(data, 12, np.random.default_rng(5)).log_evidence)


def test_a_pulse_goes_from_the_normal_to_the_exponential() -> None:
    """Quantiles, standard deviation and the span of 80 % of both ends, and the curve against its own quantiles."""
    date, width = np.full(2, 1800.0), np.full(2, 6.0)
    lean = np.array([0.0, 1.0])
    mean = 6.0 * 2 * 1.2816 / -np.log(0.2)  # closed form: the exponential holds 80 % from its start in -ln(0.2) means
    assert pulse_sd(width, lean) == pytest.approx([6.0, mean], rel=0.01)
    assert pulse_quantile(0.05, date, width, lean) == pytest.approx([1800 - 9.87, 1800 - mean * np.log(1.9)], abs=0.05)
    centres = np.arange(1700.0, 1950.0, 0.1)
    curve = pulse_curve(centres, date, width, np.array([0.3, 0.9]))
    for level in (0.1, 0.5, 0.9):
        year = pulse_quantile(level, date, width, np.array([0.3, 0.9]))
        assert (curve * (centres < year[:, None])).sum(axis=1) == pytest.approx([level, level], abs=0.02)


def test_a_background_is_nowhere_dense() -> None:
    """A decline by e in 70 years is a background, one in 15 years is not: it would be a cohort."""
    data = _data(np.linspace(1700, 1900, 30))
    rows = np.array([[1700.0, 1900.0, -100 / 70, 0.0], [1700.0, 1900.0, -100 / 15, 0.0]])
    assert np.isfinite(log_prior(data, rows, 0)).tolist() == [True, False]
