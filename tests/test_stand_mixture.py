"""Tests of treeage.stand_mixture: log posterior, components and evidence of the mixture."""

import numpy as np
import pytest

from treeage.stand_mixture import MixtureData, components, fit_mixture, log_posterior, unpack


def _data(dates: np.ndarray, sd: float = 3.0, first: int = 1650, size: int = 300) -> MixtureData:
    centres = np.arange(first, first + size, dtype=float)
    mass = np.exp(-0.5 * ((centres - dates[:, None]) / sd) ** 2)
    return MixtureData(mass / mass.sum(axis=1, keepdims=True), np.ones(dates.size), centres, 15.0)


def test_components_are_distributions() -> None:
    """Background and pulses each sum to 1, and the pulse has its date and width."""
    data = _data(np.array([1800.0]))
    theta = np.array([[1700.0, 1900.0, 0.3, -0.5, 1800.0, np.log(6.0), -1.0]])
    parts = components(data, theta, 1)[0]
    assert np.allclose(parts.sum(axis=1), 1)
    assert parts[1] @ data.centres == pytest.approx(1800, abs=0.01)  # closed form
    assert np.sqrt(parts[1] @ (data.centres - 1800) ** 2) == pytest.approx(6.0, abs=0.05)  # closed form


def test_unpack_turns_odds_into_shares() -> None:
    """Log odds of 0 share equally with the background."""
    _, date, width, share = unpack(np.array([[0, 1, 0, 0, 5.0, 9.0, 0.0, 0.0, 0.0, 0.0]]), 2)
    assert date.tolist() == [[5.0, 9.0]] and width.tolist() == [[1.0, 1.0]]  # closed form
    assert np.allclose(share, 1 / 3)  # closed form


def test_the_prior_forbids() -> None:
    """A short background, pulses out of order or too near, and too wide or narrow ones have no probability."""
    data = _data(np.linspace(1700, 1900, 30))
    good = np.array([1700.0, 1900.0, 0, 0, 1760.0, 1850.0, 1.0, 1.0, -1.0, -1.0])
    rows = np.tile(good, (6, 1))
    rows[1, 1] = 1720.0
    rows[2, 4:6] = [1850.0, 1760.0]
    rows[3, 5] = 1763.0
    rows[4, 6] = np.log(20.0)
    rows[5, 6] = np.log(0.5)
    value = log_posterior(data, rows, 2)
    assert np.isfinite(value[0]) and np.all(np.isneginf(value[1:]))


def test_likelihood_against_a_plain_sum() -> None:
    """Without pulses the log likelihood is the sum over trees of log(mass times background)."""
    dates = np.array([1750.0, 1801.0, 1850.0])
    data = _data(dates)
    theta = np.array([[1699.5, 1899.5, 0.0, 0.0]])
    curve = np.where((data.centres >= 1700) & (data.centres < 1900), 0.998 / 200, 0.0) + 0.002 / 300
    expected = np.log(data.mass @ curve).sum()  # brute force
    assert log_posterior(data, theta, 0)[0] == pytest.approx(expected, abs=1e-3)


def test_evidence_is_stable_and_prefers_the_truth() -> None:
    """Two seeds agree on the evidence, and a pulse of 30 of 80 trees beats none by far."""
    rng = np.random.default_rng(1)
    data = _data(np.append(rng.normal(1800, 5, 30), rng.uniform(1700, 1900, 50)))
    scores = []
    for seed in (1, 2):
        none = fit_mixture(data, 0, np.random.default_rng(seed))
        one = fit_mixture(data, 1, np.random.default_rng(seed), none.chances @ none.theta)
        scores.append((none.log_evidence, one.log_evidence))
        assert one.effective > 100 and one.log_evidence > none.log_evidence + 3
    assert np.allclose(scores[0], scores[1], atol=2.0)  # Monte Carlo error, far below the 25 that decide


def test_evidence_without_pulses_against_brute_force() -> None:
    """With a tight grid over start and end and no slope the importance estimate is consistent with a plain sum."""
    rng = np.random.default_rng(2)
    data = _data(rng.uniform(1720, 1880, 25), size=280, first=1660)
    fit = fit_mixture(data, 0, np.random.default_rng(3))
    draws = 60_000
    prior = np.random.default_rng(4)
    ends = np.sort(prior.uniform(1659.5, 1939.5, (draws, 2)), axis=1)
    theta = np.column_stack([ends, prior.normal(0, 4, (draws, 2))])
    value = log_posterior(data, theta, 0)
    known = np.isfinite(value)
    density = -np.log(280.0**2 / 2) - 0.5 * (theta[:, 2:] ** 2).sum(axis=1) / 16 - np.log(2 * np.pi * 16)
    weight = np.where(known, value - density, -np.inf)
    brute = np.log(np.mean(np.exp(weight - weight.max()))) + weight.max()
    assert fit.log_evidence == pytest.approx(brute, abs=0.4)  # brute force: sampling from the prior
