"""Mixture of a smooth background and a few pulses, seen through the trees' dating error, for every number of pulses.

A pulse is a normal curve, or begins more suddenly than it ends. Own derivation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from treeage.stand.structure import Array, Ints, SplitDraws, effective_trees, year_grid, year_mass

MOST_NODES = 3  # choice: strata of the shared error at which the mixture is fitted
STOP = 4.0  # choice: one more pulse is not tried when the last was less likely by e^4
RARER = 4.0  # choice: one more pulse is this many times less likely beforehand, since chance clusters are many
WIDEST_YEARS = 15.0  # choice: this width holds 80 % of a pulse within 38 years, for a normal curve its sd
SHARPEST_YEARS = 0.5  # choice: a pulse that begins at once does so within a year
NARROWEST_YEARS = 1.0  # choice: smallest width of a pulse
BACKGROUND_PER_PULSE_SD = 4.0  # choice: at its highest level the background lasts this many times the widest pulse's sd
BEND_SD = 4.0  # choice: prior sd of slope and bend of the log background from its middle to its end
BACKGROUND_ALPHA = 0.5  # choice: Dirichlet exponent of the background's share, 1 for a pulse: there may be next to none
STRAY = 0.002  # choice: share of the background that may lie anywhere, so that one odd tree cannot decide
PARTICLES = 1000  # choice: draws of the posterior, and a start for the evidence
KEEP = 0.5  # choice: share of effective particles after a step of the temperature
MOVES, LAST_MOVES = 5, 15  # choice: moves of every particle at each temperature, and at the end
KERNELS, BANDWIDTH, FREEDOM = 200, 0.7, 6.0  # choice: proposal of the evidence, wider than the posterior at its edges
EVIDENCE_DRAWS = 3000  # choice: the log evidence then differs by about 0.1-0.2 between seeds
PRIOR_TRIES = 400  # choice: batches of prior draws before a number of pulses is given up as not fitting in the span


# ------------------------------------------------------------------ every number of pulses


@dataclass(frozen=True)
class PulseFits:
    """Fits of every number of pulses to the trees of a stand; from `fit_pulses`.

    Parts of the joint draws; weight of each tree in the likelihood; and for each group of strata of the shared error
    the strata, what was fitted to, the fits from no pulse to the most, and the probability of each of these numbers.
    """

    parts: SplitDraws
    weights: Array
    groups: tuple[Ints, ...]
    data: tuple[MixtureData, ...]
    families: tuple[tuple[MixtureFit, ...], ...]
    chances: tuple[Array, ...]


def fit_pulses(
    parts: SplitDraws,
    weights: Array,
    *,
    most_pulses: int = 4,
    widest_years: float = WIDEST_YEARS,
    seed: int = 0,
) -> PulseFits:
    """Fit every number of pulses to trees with weights, shape (n,), until one more is hopeless."""
    rng = np.random.default_rng(seed)
    share = weights * effective_trees(weights) / weights.sum()
    nodes = parts.deviation.shape[0]
    groups = np.array_split(np.arange(nodes), min(MOST_NODES, nodes))
    data = [_data(parts, int(group[0]), share, widest_years) for group in groups]
    particles = max(400, PARTICLES // len(data))  # choice: several strata share the work
    families = [_fit_family(part, most_pulses, particles, rng) for part in data]
    chances = []
    for fits in families:
        odds = np.exp(_scores(fits) - _scores(fits).max())
        chances.append(odds / odds.sum())
    return PulseFits(parts, share, tuple(groups), tuple(data), tuple(map(tuple, families)), tuple(chances))


def _data(parts: SplitDraws, node: int, share: Array, widest_years: float) -> MixtureData:
    """Masses on a grid with room for the shortest background."""
    span = float(np.ptp(parts.centre))
    pad = int(max(6.0, (8.0 * widest_years - span) / 2))  # choice: room for backgrounds twice as long as the shortest
    grid = year_grid(parts, pad_years=pad)
    return MixtureData(year_mass(parts, node, grid), share, grid.centres, widest_years)


def _fit_family(data: MixtureData, most_pulses: int, particles: int, rng: np.random.Generator) -> list[MixtureFit]:
    """Fits with 0, 1, 2, ... pulses until one more is hopeless."""
    fits: list[MixtureFit] = []
    for number in range(most_pulses + 1):
        fits.append(fit_mixture(data, number, rng, particles=particles))
        scores = _scores(fits)
        if number >= 1 and scores[-1] < max(scores) - STOP:
            break
    return fits


def _scores(fits: Sequence[MixtureFit]) -> Array:
    """Log evidence of each number of pulses, with its prior."""
    return np.array([fit.log_evidence - fit.pulses * np.log(RARER) for fit in fits])


# ------------------------------------------------------------------ the curve of a pulse


def pulse_quantile(level: float, date: Array, width: Array, lean: Array) -> Array:
    """Year by which a share of a pulse's trees has come, from its median, width and lean."""
    away = _from_mode(level, lean) - _from_mode(0.5, lean)
    return np.asarray(date + _scale(width, lean) * away)


def pulse_sd(width: Array, lean: Array) -> Array:
    """Standard deviation of a pulse [years], from its width and lean."""
    leans, places, cumulative = _shapes()
    density = np.diff(cumulative, axis=1)
    middle = (places[1:] + places[:-1]) / 2
    unit = np.sqrt(density @ middle**2 - (density @ middle) ** 2)
    return np.asarray(_scale(width, lean) * np.interp(lean, leans, unit))


def pulse_curve(centres: Array, date: Array, width: Array, lean: Array) -> Array:
    """Probability of each cell under pulses, shape (draws, size); rows sum to 1.

    The width is the shortest time that holds 80 % of the trees, over that of a normal curve with a standard deviation
    of one year. The lean goes from 0, a normal curve, to 1, which begins at its highest level and falls exponentially.
    """
    scale = _scale(width, lean)
    away = centres - (date - scale * _from_mode(0.5, lean))[:, None]
    before = np.maximum((1 - lean) * scale, SHARPEST_YEARS)
    curve = _shape(away, before[:, None], ((1 + lean) * scale)[:, None], lean[:, None])
    return np.asarray(curve / np.maximum(curve.sum(axis=1, keepdims=True), 1e-300))


def _shape(away: Array, before: Array, after: Array, lean: Array) -> Array:
    """Height of a pulse over that of its mode: a normal curve before it, between normal and exponential after it."""
    past = away / after
    return np.exp(-np.where(away < 0, 0.5 * (away / before) ** 2, past * (lean + 0.5 * (1 - lean) * past)))


@lru_cache(maxsize=1)
def _shapes() -> tuple[Array, Array, Array]:
    """Leans, places in scales from the mode, and the share of a pulse of each lean up to each place."""
    leans, places = np.linspace(0.0, 1.0, 101)[:, None], np.linspace(-6.0, 24.0, 3001)
    middle = (places[1:] + places[:-1]) / 2
    density = _shape(middle, np.maximum(1 - leans, 1e-6), 1 + leans, leans)
    share = np.cumsum(density, axis=1) / density.sum(axis=1, keepdims=True)
    return leans[:, 0], places, np.concatenate([np.zeros_like(leans), share], axis=1)


@lru_cache(maxsize=128)
def _unit_quantiles(level: float) -> Array:
    """Quantile of a pulse of each lean of `_shapes`, in scales from its mode."""
    _, places, cumulative = _shapes()
    return np.array([np.interp(level, row, places) for row in cumulative])


def _from_mode(level: float, lean: Array) -> Array:
    """Quantile of a pulse less its mode, in scales."""
    return np.asarray(np.interp(lean, _shapes()[0], _unit_quantiles(level)))


@lru_cache(maxsize=1)
def _unit_spans() -> Array:
    """Shortest span that holds 80 % of a pulse of each lean, in scales, over that of the normal curve."""
    spans = [_unit_quantiles(float(low) + 0.8) - _unit_quantiles(float(low)) for low in np.linspace(0.001, 0.1, 34)]
    shortest = np.min(spans, axis=0)
    return np.asarray(shortest / shortest[0])


def _scale(width: Array, lean: Array) -> Array:
    """Mean scale of the two sides of a pulse with a width [years]."""
    return np.asarray(width / np.interp(lean, _shapes()[0], _unit_spans()))


# ------------------------------------------------------------------ one number of pulses


@dataclass(frozen=True)
class MixtureData:
    """What the mixture is fitted to.

    Mass of each tree over the cells, shape (n, size); weight of each tree in the likelihood; centres of the cells
    [year]; largest width that still is a pulse [years].
    """

    mass: Array
    weights: Array
    centres: Array
    widest_years: float

    @property
    def step(self) -> float:
        """Width of a cell [years]."""
        return float(self.centres[1] - self.centres[0])


@dataclass(frozen=True)
class MixtureFit:
    """Posterior of a mixture: number of pulses, log marginal likelihood, and draws, shape (draws, 4 + 4 * pulses).

    A draw holds start, end, slope and bend of the background, then dates, log widths, log odds and leans of the pulses.
    """

    pulses: int
    log_evidence: float
    theta: Array


def unpack(theta: Array, pulses: int) -> tuple[Array, Array, Array, Array, Array]:
    """Split draws into the background's parameters, and dates, widths, shares and leans of the pulses.

    Shares, shape (draws, pulses + 1), begin with that of the background.
    """
    background, date, width, odds, lean = np.split(theta, 4 + pulses * np.arange(4), axis=1)
    odds = np.concatenate([np.zeros((theta.shape[0], 1)), odds], axis=1)
    odds = np.exp(odds - odds.max(axis=1, keepdims=True))
    return background, date, np.exp(width), odds / odds.sum(axis=1, keepdims=True), lean


def components(data: MixtureData, theta: Array, pulses: int) -> Array:
    """Probability of each cell under the background and each pulse, shape (draws, pulses + 1, size); rows sum to 1."""
    background, date, width, _, lean = unpack(theta, pulses)
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
        out[:, number + 1] = pulse_curve(centres, date[:, number], width[:, number], lean[:, number])
    return out


def log_likelihood(data: MixtureData, theta: Array, pulses: int) -> Array:
    """Sum over trees of weight * log(sum over cells of mass * density), for each draw."""
    share = unpack(theta, pulses)[3]
    density = np.einsum("dk,dkt->dt", share, components(data, theta, pulses))
    seen = density.astype(np.float32) @ data.mass.astype(np.float32).T  # single precision: 1e-7 of each term
    return np.asarray(np.log(np.maximum(seen, 1e-30)) @ data.weights, dtype=np.float64)


def log_prior(data: MixtureData, theta: Array, pulses: int) -> Array:
    """Log prior of each draw up to a constant, minus infinity where it forbids."""
    # Start and end of the background uniform on the grid, slope and bend normal, but nowhere so dense that it could
    # mimic a pulse (BACKGROUND_PER_PULSE_SD); dates uniform on the grid, in order and further apart than their two
    # standard deviations together (nearer ones are one pulse); square roots of widths uniform from NARROWEST_YEARS to
    # the widest, between flat and free of scale, leans uniform; shares uniform on the simplex, but the background may
    # be next to none (BACKGROUND_ALPHA).
    background, date, width, share, lean = unpack(theta, pulses)
    low, high = data.centres[0] - data.step / 2, data.centres[-1] + data.step / 2
    allowed = (background[:, 0] >= low) & (background[:, 1] <= high)
    allowed &= _effective_years(background) >= BACKGROUND_PER_PULSE_SD * data.widest_years
    allowed &= np.all((date > low) & (date < high), axis=1)
    allowed &= np.all((width >= NARROWEST_YEARS) & (width <= data.widest_years), axis=1)
    allowed &= np.all((lean >= 0) & (lean <= 1), axis=1)
    allowed &= np.all(np.diff(date, axis=1) > width[:, :-1] + width[:, 1:], axis=1)
    value = -0.5 * (background[:, 2:] ** 2).sum(axis=1) / BEND_SD**2
    value += np.log(np.maximum(share, 1e-300)).sum(axis=1) + 0.5 * np.log(np.maximum(width, 1e-300)).sum(axis=1)
    value += (BACKGROUND_ALPHA - 1) * np.log(np.maximum(share[:, 0], 1e-300))
    return np.where(allowed, value, -np.inf)


def _effective_years(background: Array) -> Array:
    """Years that the background would last if it kept its highest level: trees over trees a year at its densest."""
    along = np.linspace(-1.0, 1.0, 33)  # choice: 1 % of the length for all slopes that are allowed
    level = background[:, 2, None] * along + background[:, 3, None] * along**2
    level = np.exp(level - level.max(axis=1, keepdims=True))
    share = (level.sum(axis=1) - (level[:, 0] + level[:, -1]) / 2) / (along.size - 1)
    return np.asarray((background[:, 1] - background[:, 0]) * share)


def prior_draws(data: MixtureData, pulses: int, count: int, rng: np.random.Generator) -> tuple[Array, float]:
    """Draws from the prior, none if so many pulses do not fit in the span, and the share of tries that it allows."""
    low, high = data.centres[0] - data.step / 2, data.centres[-1] + data.step / 2
    found: list[Array] = []
    total = 0
    for batch in range(1, PRIOR_TRIES + 1):
        ends = np.sort(rng.uniform(low, high, (count, 2)), axis=1)
        shape = rng.normal(0.0, BEND_SD, (count, 2))
        date = np.sort(rng.uniform(low, high, (count, pulses)), axis=1)
        root = rng.uniform(np.sqrt(NARROWEST_YEARS), np.sqrt(data.widest_years), (count, pulses))
        share = rng.dirichlet([BACKGROUND_ALPHA, *np.ones(pulses)], count)
        lean = rng.uniform(0, 1, (count, pulses))
        odds = np.log(np.maximum(share[:, 1:], 1e-12) / np.maximum(share[:, :1], 1e-12))
        theta = np.concatenate([ends, shape, date, 2 * np.log(root), odds, lean], axis=1)
        good = theta[np.isfinite(log_prior(data, theta, pulses))]
        found.append(good)
        total += len(good)
        if total >= count:
            return np.concatenate(found)[:count], total / (batch * count)
    return np.empty((0, 4 + 4 * pulses)), 0.0


def fit_mixture(data: MixtureData, pulses: int, rng: np.random.Generator, *, particles: int = PARTICLES) -> MixtureFit:
    """Posterior and evidence of a mixture with a given number of pulses; minus infinity if they do not fit in the span.

    Particles go from the prior to the posterior through powers of the likelihood [1], moved by differences of other
    particles [2]; the evidence comes from importance sampling round them, with capped weights [3].
    """
    # [1] Del Moral, P., Doucet, A. and Jasra, A. (2006). Sequential Monte Carlo samplers. Journal of the Royal
    #     Statistical Society B 68:411-436. (From memory.)
    # [2] ter Braak, C. J. F. (2006). A Markov chain Monte Carlo version of the genetic algorithm differential
    #     evolution. Statistics and Computing 16:239-249. (From memory.)
    # [3] Ionides, E. L. (2008). Truncated importance sampling. Journal of Computational and Graphical Statistics
    #     17:295-311. (From memory.)
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


def _next_step(value: Array, left: float) -> float:
    """Step of the power that keeps the wanted share of particles effective, at most what is left."""
    from scipy.optimize import brentq

    def surplus(step: float) -> float:
        """Effective share of the particles less what is wanted; it falls as the step grows."""
        weight = np.exp(step * (value - value.max()))
        return float(weight.sum() ** 2 / (weight**2).sum()) / value.size - KEEP

    if surplus(left) >= 0:
        return left
    return max(float(brentq(surplus, 0.0, left, xtol=1e-13)), 1e-6)


def _resampled(weight: Array, rng: np.random.Generator) -> Ints:
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
    constant = np.log(2.0) - 2 * np.log(span * np.sqrt(2 * np.pi) * BEND_SD) + gammaln(pulses + 1)
    constant += gammaln(pulses + BACKGROUND_ALPHA) - gammaln(BACKGROUND_ALPHA)
    constant -= pulses * np.log(2 * span * (np.sqrt(data.widest_years) - np.sqrt(NARROWEST_YEARS))) + np.log(kept)
    weight = log_likelihood(data, trial[good], pulses) + prior[good] + constant - density
    plain = logsumexp(weight) - np.log(EVIDENCE_DRAWS)
    capped = np.minimum(weight, plain + 0.5 * np.log(EVIDENCE_DRAWS))  # no draw decides alone
    return float(logsumexp(capped) - np.log(EVIDENCE_DRAWS))
