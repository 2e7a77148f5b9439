"""Pulses of establishment on a smooth background as a finite mixture: prior, likelihood, posterior and evidence.

Layer 3. Own derivation: every tree through its own mass function; tempered particles from prior to posterior.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
NARROWEST_YEARS = 1.0  # choice: smallest standard deviation of a pulse
BACKGROUND_PER_PULSE_SD = 4.0  # choice: the background is at least this many times as long as the widest pulse's sd
BEND_SD = 4.0  # choice: prior sd of slope and bend of the log background from its middle to its end
SMOOTH_PER_WIDEST = 2.0  # choice: the background changes e-fold, and humps, over at least twice the widest pulse's sd
PARTICLES = 1000  # choice: draws of the posterior, and a start for the evidence
KEEP = 0.5  # choice: share of effective particles after a step of the temperature
MOVES, LAST_MOVES = 5, 15  # choice: moves of every particle at each temperature, and at the end
KERNELS, BANDWIDTH, FREEDOM = 200, 0.7, 6.0  # choice: proposal of the evidence, wider than the posterior at its edges
EVIDENCE_DRAWS = 3000  # choice: the log evidence then differs by about 0.1-0.2 between seeds
PRIOR_TRIES = 400  # choice: batches of prior draws before a number of pulses is given up as not fitting in the span
STRAY = 0.002  # choice: share of the background that may lie anywhere, so that one odd tree cannot decide


@dataclass(frozen=True)
class MixtureData:
    """What the mixture is fitted to.

    Parameters
    ----------
    mass : numpy.ndarray, shape (n, size)
        Mass of each tree over the cells.
    weights : numpy.ndarray, shape (n,)
        Weight of each tree in the likelihood.
    centres : numpy.ndarray, shape (size,)
        Centres of the cells [year].
    widest_years : float
        Largest standard deviation that still is a pulse [years].
    """

    mass: Array
    weights: Array
    centres: Array
    widest_years: float

    @property
    def step(self) -> float:
        """Width of a cell.

        Returns
        -------
        float
            Years.
        """
        return float(self.centres[1] - self.centres[0])


@dataclass(frozen=True)
class MixtureFit:
    """Posterior of a mixture with a given number of pulses.

    Parameters
    ----------
    pulses : int
        Number of pulses.
    log_evidence : float
        Logarithm of the marginal likelihood.
    theta : numpy.ndarray, shape (draws, p)
        Draws: start, end, slope and bend of the background, then dates, log widths and log odds of the
        pulses.
    """

    pulses: int
    log_evidence: float
    theta: Array


def unpack(theta: Array, pulses: int) -> tuple[Array, Array, Array, Array]:
    """Split parameters into background, dates, widths and shares.

    Parameters
    ----------
    theta : numpy.ndarray, shape (draws, 4 + 3 * pulses)
        Parameters.
    pulses : int
        Number of pulses.

    Returns
    -------
    background : numpy.ndarray, shape (draws, 4)
        Start and end [year], slope and bend.
    date : numpy.ndarray, shape (draws, pulses)
        Centre of each pulse [year].
    width : numpy.ndarray, shape (draws, pulses)
        Standard deviation of each pulse [years].
    share : numpy.ndarray, shape (draws, pulses + 1)
        Share of the background, then of each pulse.
    """
    date = theta[:, 4 : 4 + pulses]
    width = np.exp(theta[:, 4 + pulses : 4 + 2 * pulses])
    odds = np.concatenate([np.zeros((theta.shape[0], 1)), theta[:, 4 + 2 * pulses :]], axis=1)
    odds = np.exp(odds - odds.max(axis=1, keepdims=True))
    return theta[:, :4], date, width, odds / odds.sum(axis=1, keepdims=True)


def components(data: MixtureData, theta: Array, pulses: int) -> Array:
    """Probability of each cell under the background and under each pulse.

    Parameters
    ----------
    data : MixtureData
        The grid.
    theta : numpy.ndarray, shape (draws, p)
        Parameters.
    pulses : int
        Number of pulses.

    Returns
    -------
    numpy.ndarray, shape (draws, pulses + 1, size)
        Each row sums to 1.
    """
    background, date, width, _ = unpack(theta, pulses)
    centres, step = data.centres, data.step
    start, end = background[:, 0, None], background[:, 1, None]
    length = np.maximum(end - start, step)
    along = np.clip((centres - (start + end) / 2) / (length / 2), -1.0, 1.0)
    inside = np.clip((centres - start) / step + 0.5, 0, 1) * np.clip((end - centres) / step + 0.5, 0, 1)
    level = inside * np.exp(np.clip(background[:, 2, None] * along + background[:, 3, None] * along**2, -30, 30))
    out = np.empty((theta.shape[0], pulses + 1, centres.size))
    level = level / np.maximum(level.sum(axis=1, keepdims=True), 1e-300)
    out[:, 0] = (1 - STRAY) * level + STRAY / centres.size
    for number in range(pulses):
        curve = np.exp(-0.5 * ((centres - date[:, number, None]) / width[:, number, None]) ** 2)
        out[:, number + 1] = curve / np.maximum(curve.sum(axis=1, keepdims=True), 1e-300)
    return out


def log_likelihood(data: MixtureData, theta: Array, pulses: int) -> Array:
    """Logarithm of the likelihood of all trees.

    Parameters
    ----------
    data : MixtureData
        Trees and grid.
    theta : numpy.ndarray, shape (draws, p)
        Parameters.
    pulses : int
        Number of pulses.

    Returns
    -------
    numpy.ndarray, shape (draws,)
        Sum over trees of weight * log(sum over cells of mass * density).
    """
    share = unpack(theta, pulses)[3]
    density = np.einsum("dk,dkt->dt", share, components(data, theta, pulses))
    seen = density.astype(np.float32) @ data.mass.astype(np.float32).T  # single precision: 1e-7 of each term
    return np.asarray(np.log(np.maximum(seen, 1e-30)) @ data.weights, dtype=np.float64)


def log_prior(data: MixtureData, theta: Array, pulses: int) -> Array:
    """Logarithm of the prior, minus infinity where it forbids.

    Parameters
    ----------
    data : MixtureData
        Grid and widest pulse.
    theta : numpy.ndarray, shape (draws, p)
        Parameters.
    pulses : int
        Number of pulses.

    Returns
    -------
    numpy.ndarray, shape (draws,)
        Log prior up to a constant.

    Notes
    -----
    Start and end of the background uniform on the grid at least `BACKGROUND_PER_PULSE_SD` widest pulses
    apart; slope and bend normal, but no rise to an end and no hump faster than `SMOOTH_PER_WIDEST` widest
    pulses, which could mimic a pulse; dates uniform on the grid, in order and further apart than their two
    standard deviations together (nearer ones are one pulse); widths uniform from `NARROWEST_YEARS` to the
    widest; shares uniform on the simplex.
    """
    background, date, width, share = unpack(theta, pulses)
    low, high = data.centres[0] - data.step / 2, data.centres[-1] + data.step / 2
    allowed = (background[:, 0] >= low) & (background[:, 1] <= high)
    allowed &= background[:, 1] - background[:, 0] >= BACKGROUND_PER_PULSE_SD * data.widest_years
    allowed &= _is_smooth(background, SMOOTH_PER_WIDEST * data.widest_years)
    allowed &= np.all((date > low) & (date < high), axis=1)
    allowed &= np.all((width >= NARROWEST_YEARS) & (width <= data.widest_years), axis=1)
    allowed &= np.all(np.diff(date, axis=1) > width[:, :-1] + width[:, 1:], axis=1)
    value = -0.5 * (background[:, 2:] ** 2).sum(axis=1) / BEND_SD**2
    value += np.log(np.maximum(share, 1e-300)).sum(axis=1) + np.log(np.maximum(width, 1e-300)).sum(axis=1)
    return np.where(allowed, value, -np.inf)


def prior_draws(data: MixtureData, pulses: int, count: int, rng: np.random.Generator) -> tuple[Array, float]:
    """Draw parameters from the prior.

    Parameters
    ----------
    data : MixtureData
        Grid and widest pulse.
    pulses : int
        Number of pulses.
    count : int
        How many.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    theta : numpy.ndarray, shape (count, p), or (0, p)
        Draws; none if so many pulses do not fit in the span.
    kept : float
        Share of unrestricted draws that the prior allows.
    """
    low, high = data.centres[0] - data.step / 2, data.centres[-1] + data.step / 2
    found: list[Array] = []
    total = 0
    for batch in range(1, PRIOR_TRIES + 1):
        ends = np.sort(rng.uniform(low, high, (count, 2)), axis=1)
        shape = rng.normal(0.0, BEND_SD, (count, 2))
        date = np.sort(rng.uniform(low, high, (count, pulses)), axis=1)
        width = rng.uniform(NARROWEST_YEARS, data.widest_years, (count, pulses))
        share = rng.dirichlet(np.ones(pulses + 1), count)
        odds = np.log(np.maximum(share[:, 1:], 1e-12) / np.maximum(share[:, :1], 1e-12))
        theta = np.concatenate([ends, shape, date, np.log(width), odds], axis=1)
        good = theta[np.isfinite(log_prior(data, theta, pulses))]
        found.append(good)
        total += len(good)
        if total >= count:
            return np.concatenate(found)[:count], total / (batch * count)
    return np.empty((0, 4 + 3 * pulses)), 0.0


def fit_mixture(data: MixtureData, pulses: int, rng: np.random.Generator, *, particles: int = PARTICLES) -> MixtureFit:
    """Sample the posterior of a mixture with a given number of pulses, and its evidence.

    Parameters
    ----------
    data : MixtureData
        Trees and grid.
    pulses : int
        Number of pulses.
    rng : numpy.random.Generator
        Source of randomness.
    particles : int, default 1000
        Number of particles, and so of draws.

    Returns
    -------
    MixtureFit
        Draws and evidence; evidence minus infinity if so many pulses do not fit in the span.

    Notes
    -----
    Particles go from the prior to the posterior through powers of the likelihood, each power chosen so that half of
    the particles stay effective; they are resampled and moved at each [1]_, by differences of other particles [2]_. The
    evidence is then estimated by importance sampling round the particles, with capped weights [3]_.

    References
    ----------
    .. [1] Del Moral, P., Doucet, A. and Jasra, A. (2006). Sequential Monte Carlo samplers. Journal of the Royal
       Statistical Society B 68:411-436. (From memory.)
    .. [2] ter Braak, C. J. F. (2006). A Markov chain Monte Carlo version of the genetic algorithm differential
       evolution. Statistics and Computing 16:239-249. (From memory.)
    .. [3] Ionides, E. L. (2008). Truncated importance sampling. Journal of Computational and Graphical Statistics
       17:295-311. (From memory.)
    """
    theta, kept = prior_draws(data, pulses, particles, rng)
    if not len(theta):
        return MixtureFit(pulses, -np.inf, theta)
    value = log_likelihood(data, theta, pulses)
    power = 0.0
    while power < 1.0:
        step = _next_step(value, 1.0 - power)
        power = min(1.0, power + step)
        picked = _resampled(np.exp(step * (value - value.max())), rng)
        theta, value = theta[picked], value[picked]
        for _ in range(MOVES if power < 1.0 else LAST_MOVES):
            theta, value = _moved(data, theta, value, pulses, power, rng)
    return MixtureFit(pulses, _evidence(data, theta, pulses, kept, rng), theta)


def _evidence(data: MixtureData, theta: Array, pulses: int, kept: float, rng: np.random.Generator) -> float:
    """Log evidence by importance sampling from t kernels on draws of the posterior."""
    from scipy.special import gammaln, logsumexp

    size = theta.shape[1]
    middle = theta.mean(axis=0)
    spread = np.cov(theta.T) + 1e-8 * np.eye(size)
    centres = middle + np.sqrt(1 - BANDWIDTH**2) * (theta[rng.integers(0, len(theta), KERNELS)] - middle)
    factor = BANDWIDTH * np.linalg.cholesky(spread)
    scale = np.sqrt(FREEDOM / rng.chisquare(FREEDOM, EVIDENCE_DRAWS))[:, None]
    steps = rng.standard_normal((EVIDENCE_DRAWS, size)) * scale
    trial = centres[rng.integers(0, KERNELS, EVIDENCE_DRAWS)] + steps @ factor.T
    prior = log_prior(data, trial, pulses)
    good = np.isfinite(prior)
    inverse = np.linalg.inv(factor)
    away = (((trial[good] @ inverse.T)[:, None] - (centres @ inverse.T)[None]) ** 2).sum(axis=2)
    density = logsumexp(-0.5 * (FREEDOM + size) * np.log1p(away / FREEDOM), axis=1) - np.log(KERNELS)
    density += gammaln((FREEDOM + size) / 2) - gammaln(FREEDOM / 2) - 0.5 * size * np.log(np.pi * FREEDOM)
    density -= np.log(np.diag(factor)).sum()
    span = data.centres[-1] - data.centres[0] + data.step
    constant = np.log(2.0) - 2 * np.log(span * np.sqrt(2 * np.pi) * BEND_SD) + 2 * gammaln(pulses + 1)
    constant -= pulses * np.log(span * (data.widest_years - NARROWEST_YEARS)) + np.log(kept)
    weight = log_likelihood(data, trial[good], pulses) + prior[good] + constant - density
    plain = logsumexp(weight) - np.log(EVIDENCE_DRAWS)
    capped = np.minimum(weight, plain + 0.5 * np.log(EVIDENCE_DRAWS))  # no draw decides alone
    return float(logsumexp(capped) - np.log(EVIDENCE_DRAWS))


def _next_step(value: Array, left: float) -> float:
    """Step of the power that keeps the wanted share of particles effective, at most what is left."""

    def effective(step: float) -> float:
        weight = np.exp(step * (value - value.max()))
        return float(weight.sum() ** 2 / (weight**2).sum()) / value.size

    if effective(left) >= KEEP:
        return left
    low, high = 0.0, left
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if effective(middle) >= KEEP else (low, middle)
    return max(low, 1e-6)


def _resampled(weight: Array, rng: np.random.Generator) -> NDArray[np.int64]:
    """Systematic resampling, in random order."""
    level = (np.arange(weight.size) + rng.random()) / weight.size
    picked = np.searchsorted(np.cumsum(weight) / weight.sum(), level)
    return rng.permutation(np.minimum(picked, weight.size - 1))


def _moved(
    data: MixtureData, theta: Array, value: Array, pulses: int, power: float, rng: np.random.Generator
) -> tuple[Array, Array]:
    """One move of each half of the particles along differences within the other half."""
    half = theta.shape[0] // 2
    theta, value = theta.copy(), value.copy()
    for own, other in ((slice(0, half), slice(half, None)), (slice(half, None), slice(0, half))):
        here, pool = theta[own], theta[other]
        first, second = rng.integers(0, pool.shape[0], (2, here.shape[0]))
        length = rng.choice([0.15, 0.5, 1.0], here.shape[0], p=[0.35, 0.4, 0.25])  # choice: near, usual and far moves
        scale = np.where(length == 1.0, 1.0, length * 2.38 / np.sqrt(2 * here.shape[1]))
        mask = rng.random(here.shape) < rng.choice([0.3, 1.0], (here.shape[0], 1))  # choice: a few or all parameters
        trial = here + scale[:, None] * mask * (pool[first] - pool[second]) + rng.normal(0, 1e-4, here.shape)
        prior = log_prior(data, trial, pulses)
        ratio = np.full(here.shape[0], -np.inf)
        likely = np.full(here.shape[0], -np.inf)
        good = np.isfinite(prior)
        if good.any():
            likely[good] = log_likelihood(data, trial[good], pulses)
            before = power * value[own][good] + log_prior(data, here[good], pulses)
            ratio[good] = power * likely[good] + prior[good] - before
        accept = np.log(rng.random(here.shape[0])) < ratio
        theta[own] = np.where(accept[:, None], trial, here)
        value[own] = np.where(accept, likely, value[own])
    return theta, value


def _is_smooth(background: Array, years: float) -> NDArray[np.bool_]:
    """Whether the background changes e-fold at its higher end, and humps, over at least the given years."""
    half = np.maximum(background[:, 1] - background[:, 0], 1.0) / 2
    steep = np.abs(background[:, 2]) + 2 * background[:, 3]
    return np.asarray((steep <= half / years) & (-background[:, 3] <= (half / years) ** 2 / 2))
