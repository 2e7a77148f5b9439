"""Pulses of establishment on a smooth background as a finite mixture: log posterior, search, evidence by sampling.

Layer 3. Own derivation: every tree through its own mass function; adaptive importance sampling with heavy
tails.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
NARROWEST_YEARS = 1.0  # choice: smallest standard deviation of a pulse
BACKGROUND_PER_PULSE_SD = 4.0  # choice: the background is at least this many times as long as the widest pulse's sd
BEND_SD = 4.0  # choice: prior sd of slope and bend of the log background from its middle to its end
FREEDOM = 6.0  # choice: degrees of freedom of the proposal, tails heavier than the posterior's
SEARCH_ROUNDS, SEARCH_SIZE = (
    12,
    240,
)  # choice: cross-entropy search for the mode, from each start and again from the best
SMOOTH_PER_WIDEST = 2.0  # choice: the background changes e-fold, and humps, over at least twice the widest pulse's sd
SAMPLE_SIZE = 1000  # choice: draws in one round of the adaptive sampling; the last three rounds count
FEWEST_ROUNDS, MOST_ROUNDS, ENOUGH = 5, 14, 150.0  # choice: rounds go on until this effective number of draws
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
        Logarithm of the marginal likelihood, on one scale for all numbers of pulses.
    theta : numpy.ndarray, shape (draws, p)
        Weighted draws: start, end, slope and bend of the background, then dates, log widths and log odds of
        the pulses.
    chances : numpy.ndarray, shape (draws,)
        Weights of the draws, summing to 1.
    effective : float
        Effective number of draws.
    mode : numpy.ndarray, shape (p,)
        Most probable draw.
    """

    pulses: int
    log_evidence: float
    theta: Array
    chances: Array
    effective: float
    mode: Array


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


def log_posterior(data: MixtureData, theta: Array, pulses: int) -> Array:
    """Logarithm of likelihood times prior, minus infinity where the prior forbids.

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
        Log posterior up to a constant that all numbers of pulses share.

    Notes
    -----
    Prior: start and end of the background uniform on the grid at least `BACKGROUND_PER_PULSE_SD` widest
    pulses apart; slope and bend normal, but no rise to an end and no hump faster than `SMOOTH_PER_WIDEST`
    widest pulses, which could mimic a pulse; dates uniform on the grid, in order and further apart than their
    two standard deviations together (nearer ones are one pulse); widths uniform from `NARROWEST_YEARS` to
    the widest; shares uniform on the simplex.
    """
    background, date, width, share = unpack(theta, pulses)
    low, high = data.centres[0] - data.step / 2, data.centres[-1] + data.step / 2
    allowed = (background[:, 0] >= low) & (background[:, 1] <= high)
    allowed &= background[:, 1] - background[:, 0] >= BACKGROUND_PER_PULSE_SD * data.widest_years
    allowed &= _is_smooth(background, SMOOTH_PER_WIDEST * data.widest_years)
    prior = -0.5 * (background[:, 2:] ** 2).sum(axis=1) / BEND_SD**2
    prior += np.log(np.maximum(share, 1e-300)).sum(axis=1)
    if pulses:
        allowed &= np.all((date > low) & (date < high), axis=1)
        allowed &= np.all((width >= NARROWEST_YEARS) & (width <= data.widest_years), axis=1)
        allowed &= np.all(np.diff(date, axis=1) > width[:, :-1] + width[:, 1:], axis=1)
        span = data.widest_years - NARROWEST_YEARS
        prior += np.log(np.clip(width, 1e-300, None)).sum(axis=1)  # widths uniform, their logarithms are the parameters
        # pulses! for the order of the dates, and pulses! for the density of uniform shares
        prior += 2 * np.log(np.arange(1, pulses + 1)).sum() - pulses * np.log((high - low) * span)
    out = np.full(theta.shape[0], -np.inf)
    if allowed.any():
        good = theta[allowed]
        density = np.einsum("dk,dkt->dt", share[allowed], components(data, good, pulses))
        seen = np.maximum(density @ data.mass.T, 1e-300)
        out[allowed] = np.log(seen) @ data.weights + prior[allowed]
    return out


def fit_mixture(data: MixtureData, pulses: int, rng: np.random.Generator, start: Array | None = None) -> MixtureFit:
    """Sample the posterior of a mixture with a given number of pulses and its evidence.

    Parameters
    ----------
    data : MixtureData
        Trees and grid.
    pulses : int
        Number of pulses.
    rng : numpy.random.Generator
        Source of randomness.
    start : numpy.ndarray, shape (p,), optional
        Best parameters with one pulse less; a place for the new pulse is scanned for.

    Returns
    -------
    MixtureFit
        Weighted draws and evidence.
    """
    centre, spread = _search(data, pulses, rng, start)
    mode, best = centre, -np.inf
    covariance = _curvature(data, centre, pulses, spread)
    logs: list[Array] = []
    thetas: list[Array] = []
    effective = 0.0
    while len(logs) < FEWEST_ROUNDS or (len(logs) < MOST_ROUNDS and effective < ENOUGH):
        theta, log_density = _propose(centre, covariance, rng)
        value = log_posterior(data, theta, pulses)
        logs.append(value - log_density)
        thetas.append(theta)
        if value.max() > best:
            mode, best = theta[int(np.argmax(value))], float(value.max())
        top = max(part.max() for part in logs[-3:])
        if np.isfinite(logs[-1].max()):
            chances = _tempered(logs[-1])
            centre, covariance = _moments(theta, chances, covariance)
        weight = np.exp(np.concatenate(logs[-3:]) - top)
        effective = float(weight.sum() ** 2 / (weight**2).sum())
    evidence = float(top + np.log(weight.mean()))
    return MixtureFit(pulses, evidence, np.concatenate(thetas[-3:]), weight / weight.sum(), effective, mode)


def _tempered(log_weight: Array) -> Array:
    """Weights flattened until at least a twentieth of the draws counts, so that no draw moves the proposal alone."""
    for power in (1.0, 0.7, 0.5, 0.3, 0.2, 0.1, 0.05):
        chances = np.exp(power * (log_weight - log_weight.max()))
        chances /= chances.sum()
        if 1.0 / (chances**2).sum() >= log_weight.size / 20:
            break
    return np.asarray(chances)


def _propose(centre: Array, covariance: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """Draws from a multivariate t distribution and their log density."""
    from scipy.special import gammaln

    size = centre.size
    factor = np.linalg.cholesky(covariance)
    normal = rng.standard_normal((SAMPLE_SIZE, size))
    scale = np.sqrt(FREEDOM / rng.chisquare(FREEDOM, SAMPLE_SIZE))[:, None]
    steps = normal * scale
    theta = centre + steps @ factor.T
    log_density = gammaln((FREEDOM + size) / 2) - gammaln(FREEDOM / 2) - 0.5 * size * np.log(np.pi * FREEDOM)
    log_density = log_density - np.log(np.diag(factor)).sum()
    return theta, log_density - 0.5 * (FREEDOM + size) * np.log1p((steps**2).sum(axis=1) / FREEDOM)


def _moments(theta: Array, chances: Array, old: Array) -> tuple[Array, Array]:
    centre = chances @ theta
    away = theta - centre
    effective = 1.0 / (chances**2).sum()
    trust = effective / (effective + 3.0 * centre.size)  # choice: few effective draws change the shape only a little
    new = (away * chances[:, None]).T @ away
    return centre, trust * new + (1 - trust) * old + 1e-9 * np.eye(centre.size)


def _is_smooth(background: Array, years: float) -> NDArray[np.bool_]:
    """Whether the background changes e-fold at its higher end, and humps, over at least the given years."""
    half = np.maximum(background[:, 1] - background[:, 0], 1.0) / 2
    steep = np.abs(background[:, 2]) + 2 * background[:, 3]
    return np.asarray((steep <= half / years) & (-background[:, 3] <= (half / years) ** 2 / 2))


def _search(data: MixtureData, pulses: int, rng: np.random.Generator, start: Array | None) -> tuple[Array, Array]:
    """Find the mode: a short search from each start, a longer one from the best of them."""
    starts, spread = _first_guesses(data, pulses, start)
    found = [_narrow(data, pulses, rng, guess, spread) for guess in starts]
    value = log_posterior(data, np.array([best for best, _ in found]), pulses)
    best, last = found[int(np.argmax(value))]
    return _narrow(data, pulses, rng, best, np.maximum(last, 0.1 * spread))


def _narrow(
    data: MixtureData, pulses: int, rng: np.random.Generator, best: Array, spread: Array
) -> tuple[Array, Array]:
    """Cross-entropy search: draw, keep the best eighth, move there."""
    for _ in range(SEARCH_ROUNDS):
        theta = best + spread * rng.standard_normal((SEARCH_SIZE, best.size))
        theta[0] = best
        value = log_posterior(data, theta, pulses)
        order = np.argsort(value)[-SEARCH_SIZE // 8 :]
        elite = theta[order[np.isfinite(value[order])]]
        if not len(elite):
            break
        best, spread = elite.mean(axis=0), elite.std(axis=0) * 1.1 + 1e-3  # choice: slow narrowing
        if not np.isfinite(log_posterior(data, best[None], pulses)[0]):
            best = elite[-1]
    return best, spread


def _first_guesses(data: MixtureData, pulses: int, start: Array | None) -> tuple[list[Array], Array]:
    """Starts of the search: for a new pulse the best place for a narrow, a middling and a wide one."""
    middle = data.mass @ data.centres
    low, high = data.centres[0], data.centres[-1]
    if start is None:
        starts: list[list[float]] = []
        for tail in (0.0, 0.01, 0.03):
            ends = np.quantile(middle, [tail, 1 - tail])
            short = BACKGROUND_PER_PULSE_SD * data.widest_years * 1.05 - (ends[1] - ends[0])
            ends = np.clip(ends + np.array([-0.5, 0.5]) * max(0.0, short), low, high)
            starts += [[*ends, slope, bend] for slope in (-2.0, 0.0, 2.0) for bend in (-3.0, -1.0, 0.0)]
        tried = np.array(starts, dtype=np.float64)
        value = log_posterior(data, tried, 0)
        return [tried[int(np.argmax(value))]], np.array([6.0, 6.0, 1.0, 1.0])
    before = pulses - 1
    background, date, width, odds = (
        start[:4],
        start[4 : 4 + before],
        start[4 + before : 4 + 2 * before],
        start[4 + 2 * before :],
    )
    places = np.quantile(middle, np.linspace(0.01, 0.99, 60))
    spread = np.concatenate([[4.0, 4.0, 0.4, 0.4], np.full(pulses, 4.0), np.full(pulses, 0.5), np.full(pulses, 0.5)])
    best: list[Array] = []
    candidates: list[Array] = []
    for sd in (2.5, 6.0, 0.7 * data.widest_years):
        candidates = []
        for place in places:
            order = np.argsort(np.append(date, place))
            for log_odds in (-2.0, -0.5, 1.5):
                more = (np.append(date, place), np.append(width, np.log(sd)), np.append(odds, log_odds))
                candidates.append(np.concatenate([background, *(part[order] for part in more)]))
        value = log_posterior(data, np.array(candidates), pulses)
        if np.isfinite(value.max()):
            best.append(candidates[int(np.argmax(value))])
    return best or [candidates[0]], spread


def _curvature(data: MixtureData, centre: Array, pulses: int, spread: Array) -> Array:
    """Covariance of the posterior near the mode from second differences, kept within sane limits."""
    size = centre.size
    steps = np.clip(spread, 0.05, 1.0)
    eye = np.eye(size) * steps
    pairs = [(i, j) for i in range(size) for j in range(i, size)]
    points = [centre + a * eye[i] + b * eye[j] for i, j in pairs for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1))]
    value = log_posterior(data, np.array(points), pulses).reshape(-1, 4)
    floor = log_posterior(data, centre[None], pulses)[0] - 50.0
    value = np.where(np.isfinite(value), value, floor)
    hessian = np.zeros((size, size))
    for (i, j), (pp, pm, mp, mm) in zip(pairs, value, strict=True):
        hessian[i, j] = hessian[j, i] = -(pp - pm - mp + mm) / (4 * steps[i] * steps[j])
    scale = np.sqrt(np.outer(_widest(data, size), _widest(data, size)))
    values, vectors = np.linalg.eigh(hessian * scale)
    values = np.clip(values, 0.5, 1e5)
    return np.asarray((vectors / values) @ vectors.T * scale)


def _widest(data: MixtureData, size: int) -> Array:
    pulses = (size - 4) // 3
    ends = [100.0, 100.0, 1.0, 1.0]
    return np.array([*ends, *[data.widest_years**2 / 4] * pulses, *[0.5] * pulses, *[1.0] * pulses])
