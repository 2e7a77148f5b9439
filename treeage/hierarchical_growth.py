"""Log likelihood of early height growth and its gradient, growth forms averaged, in NumPy.

Layer 5, part of the family of `hierarchical`. Derivatives by hand; checked against finite differences in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from treeage.hierarchical_height import DIFFERENCE_YEARS, FORMS, HeightData

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class GrowthValue:
    """Log likelihood of early height growth with its gradient.

    Parameters
    ----------
    total : float
        Summed log likelihood.
    form_log_weight : numpy.ndarray, shape (n_species, n_form)
        Log posterior weight of each growth form given the parameters.
    by_level, by_slope, by_spread : numpy.ndarray, shape (n_species,)
        Gradient of the total.
    by_weight : numpy.ndarray, shape (n_cored, n_shift)
        Gradient of the total by the probability of each shift.
    """

    total: float
    form_log_weight: Array
    by_level: Array
    by_slope: Array
    by_spread: Array
    by_weight: Array


class GrowthKernel:
    """Likelihood of the young trees, two-height pairs and trees cored at two heights.

    Parameters
    ----------
    heights : HeightData
        Observations.
    difference : numpy.ndarray, shape (n_cored, n_shift, n_years)
        Likelihood of the years between the heights of each tree cored at two.

    Notes
    -----
    log seasons = level + slope x_form(height) + normal error between trees. The years between two heights are
    lognormal, rounded to whole years; from the collar, where nothing is rounded below, d years mean that the upper
    height was passed after d to d + 1 seasons. Each growth form has the same level, slope and spread; the likelihood
    is their weighted sum, so the form is summed out.
    """

    def __init__(self, heights: HeightData, difference: Array) -> None:
        self._heights, self._difference = heights, difference
        self._size = len(heights.species)
        axis, log_age, code = heights.young_axis, heights.young_log_age[:, None], heights.young_species
        columns = (np.ones_like(axis), log_age + 0 * axis, log_age**2 + 0 * axis, axis, axis**2, axis * log_age)
        rounded = np.where(heights.cored_at_collar, 1.0, 0.5)[:, None, None]
        self._edges = np.log(np.arange(DIFFERENCE_YEARS) + rounded)
        self._sums = [self._by_species(column, code) for column in columns]

    def _by_species(self, values: Array, code: Ints) -> Array:
        out = np.zeros((self._size, values.shape[1]))
        np.add.at(out, code, values)
        return out

    def __call__(self, level: Array, slope: Array, spread: Array, shift_weight: Array) -> GrowthValue:
        """Evaluate.

        Parameters
        ----------
        level, slope, spread : numpy.ndarray, shape (n_species,)
            Log seasons at the middle height, slope on log height there, spread between trees.
        shift_weight : numpy.ndarray, shape (n_cored, n_shift)
            Probability of each shift of the growth rate for each tree cored at two heights.

        Returns
        -------
        GrowthValue
            Log likelihood and gradient.
        """
        parts = [self._young(level, slope, spread), self._pairs(level, slope, spread)]
        cored, to_weight = self._cored(level, slope, spread, shift_weight)
        parts.append(cored)
        log_like, by_level, by_slope, by_spread = (sum(part[k] for part in parts) for k in range(4))
        log_like = log_like + form_log_prior()
        top = log_like.max(axis=1, keepdims=True)
        total = top + np.log(np.exp(log_like - top).sum(axis=1, keepdims=True))
        share = np.exp(log_like - total)
        by_weight = np.einsum("nf,nfs->ns", share[self._heights.cored_species], to_weight)
        return GrowthValue(
            float(total.sum()),
            log_like - total,
            (share * by_level).sum(axis=1),
            (share * by_slope).sum(axis=1),
            (share * by_spread).sum(axis=1),
            by_weight,
        )

    def _young(self, level: Array, slope: Array, spread: Array) -> list[Array]:
        """Log likelihood of the young trees by species and form, and its derivatives, from sums of squares."""
        count, sum_y, sum_yy, sum_x, sum_xx, sum_xy = self._sums
        a, c, sd = level[:, None], slope[:, None], spread[:, None]
        square = sum_yy - 2 * a * sum_y - 2 * c * sum_xy + count * a**2 + 2 * a * c * sum_x + c**2 * sum_xx
        return [
            -count * np.log(sd) - square / (2 * sd**2),
            (sum_y - count * a - c * sum_x) / sd**2,
            (sum_xy - a * sum_x - c * sum_xx) / sd**2,
            -count / sd + square / sd**3,
        ]

    def _pairs(self, level: Array, slope: Array, spread: Array) -> list[Array]:
        heights, code = self._heights, self._heights.pair_species
        expected, by_slope = _log_between(heights.pair_axis, level[code], slope[code])
        variance = (spread[code] ** 2 + heights.pair_rounding)[:, None]
        error = heights.pair_log_years[:, None] - expected
        pull = error / variance
        rows = [
            -0.5 * error * pull - 0.5 * np.log(variance),
            pull,
            pull * by_slope,
            spread[code][:, None] * (pull**2 - 1 / variance),
        ]
        return [self._by_species(row, code) for row in rows]

    def _cored(self, level: Array, slope: Array, spread: Array, shift_weight: Array) -> tuple[list[Array], Array]:
        heights, code = self._heights, self._heights.cored_species
        forms = len(FORMS)
        if not code.size:
            return [np.zeros((self._size, forms))] * 4, np.zeros((0, forms, shift_weight.shape[1]))
        by_years = np.einsum("ns,nsd->nd", shift_weight, self._difference)
        expected, by_slope = _log_between(heights.cored_axis, level[code], slope[code])
        sd = spread[code][:, None, None]
        score = (self._edges - expected[:, :, None]) / sd
        density = np.exp(-0.5 * score**2) / np.sqrt(2 * np.pi)
        mass = _steps(ndtr(score))
        like = np.einsum("nfd,nd->nf", mass, by_years) + 1e-300
        by_expected = -np.einsum("nfd,nd->nf", _steps(density), by_years) / like / sd[:, :, 0]
        by_spread = -np.einsum("nfd,nd->nf", _steps(density * score), by_years) / like / sd[:, :, 0]
        rows = [np.log(like), by_expected, by_expected * by_slope, by_spread]
        to_weight = np.einsum("nfd,nsd->nfs", mass, self._difference) / like[:, :, None]
        return [self._by_species(row, code) for row in rows], to_weight


def _steps(below: Array) -> Array:
    """Differences along the last axis, the first from 0."""
    return np.diff(below, axis=2, prepend=0.0)


def _log_between(axis: Array, level: Array, slope: Array) -> tuple[Array, Array]:
    """Log of the median seasons between a lower and an upper height by form, and its derivative by the slope."""
    low, high = axis[:, 0], axis[:, 1]
    ratio = np.exp(slope[:, None] * (low - high))
    return (
        level[:, None] + slope[:, None] * high + np.log1p(-ratio),
        high - (low - high) * ratio / (1 - ratio),
    )


def form_log_prior() -> Array:
    """Prior weights of the growth forms: equal for each form, shared by its scales.

    Returns
    -------
    numpy.ndarray, shape (n_form,)
        Logarithms; the weights sum to 1.

    Examples
    --------
    >>> round(float(np.exp(form_log_prior()).sum()), 12)
    1.0
    """
    tries = np.array([sum(other == form for other, _ in FORMS) for form, _ in FORMS])
    return np.asarray(-np.log(tries) - np.log(np.sum(1.0 / tries)))
