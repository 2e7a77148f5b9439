"""From standard normal coordinates to the parameters of a stand, and gradients back.

Layer 5, part of the family of `hierarchical`. Non-centred form (Papaspiliopoulos, Roberts & Skold 2007, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from treeage.hierarchical_factors import FACTOR_LIMITS
from treeage.hierarchical_priors import LearningPriors

if TYPE_CHECKING:
    from treeage.hierarchical_data import StandData

Array = NDArray[np.float64]

NAMES = (
    "rate_bias",
    "tree_sd",
    "own_factor",
    "distance_factor",
    "count_factor",
    "height_level",
    "height_slope",
    "height_spread",
)
"""Parameters in the order in which they are printed."""

UNITS = {
    "rate_bias": "log width: the stand's hidden rings against what the model of missed rings expects",
    "tree_sd": "log width: spread of that between trees",
    "own_factor": "factor on the spread of a single core's hidden width",
    "distance_factor": "factor on the error of the distance, by method",
    "count_factor": "factor on the rate of wrong rings, by dating class",
    "height_level": "log seasons to the middle height of the young trees",
    "height_slope": "log seasons on log height there",
    "height_spread": "log seasons: spread between trees",
}


class ParameterMap:
    """The parameters of one stand as functions of independent standard normal coordinates.

    Parameters
    ----------
    data : StandData
        Species, methods and dating classes; parameters that nothing in the field refers to are left out.
    priors : LearningPriors
        Centres and spreads.

    Notes
    -----
    rate_bias[k] = sd[k] (sqrt(1 - share) z + sqrt(share) z[k]); tree_sd[k] = centre[k] exp(s z + s' z[k]); log factors
    are limit * tanh(s z / limit), normal near 0 and bounded where the likelihood's polynomials end; height parameters
    are linear or exponential. Every prior so is a plain standard normal for the sampler.
    """

    def __init__(self, data: StandData, priors: LearningPriors) -> None:
        self._data, self._priors = data, priors
        names = data.trees.factor_names
        self.methods = tuple(name.split(": ")[1] for name in names if name.startswith("distance"))
        self.datings = tuple(name.split(": ")[1] for name in names if name.startswith("count"))
        species, heights = len(data.species), len(data.heights.species)
        several = species if species > 1 else 0
        sizes = [1, several, 1, several, 1, len(self.methods), len(self.datings), heights, heights, heights]
        self._ends = np.cumsum(sizes)
        self.size = int(self._ends[-1])
        self._share = np.sqrt(priors.species_share.value) if several else 0.0
        extra = priors.rate_bias_extra_sd.value
        self._bias_sd = np.hypot(data.stand_sd, extra)
        middle = np.log(data.heights.middle_m)
        self._level = np.log(priors.height_years.value) + priors.height_slope.value * middle

    def _parts(self, z: Array) -> list[Array]:
        return np.split(z, self._ends[:-1])

    @staticmethod
    def _bounded(kind: str, spread: float, z: Array) -> tuple[Array, Array]:
        """Log factor and its derivative."""
        limit = FACTOR_LIMITS[kind]
        share = np.tanh(spread / limit * z)
        return limit * share, spread * (1 - share**2)

    def log_factors(self, z: Array) -> tuple[Array, Array]:
        """Log factors as the likelihood takes them.

        Parameters
        ----------
        z : numpy.ndarray, shape (size,)
            Coordinates.

        Returns
        -------
        numpy.ndarray, shape () and (n_factor,)
            Log factor on the own deviations; log factors on distances and counts.
        """
        parts, prior = self._parts(z), self._priors
        own = self._bounded("own", prior.own_log_sd.value, parts[4])[0]
        distance = self._bounded("distance", prior.distance_log_sd.value, parts[5])[0]
        count = self._bounded("count", prior.count_log_sd.value, parts[6])[0]
        return own[0], np.concatenate([distance, count])

    def values(self, z: Array) -> dict[str, Array]:
        """Parameters at a point.

        Parameters
        ----------
        z : numpy.ndarray, shape (size,)
            Coordinates.

        Returns
        -------
        dict of str to numpy.ndarray
            By the names of NAMES.
        """
        parts, prior = self._parts(z), self._priors
        zero = np.zeros(len(self._data.species))
        own, factors = self.log_factors(z)
        bias = np.sqrt(1 - self._share**2) * parts[0] + (self._share * parts[1] if parts[1].size else zero)
        spread = prior.tree_log_sd.value * parts[2]
        spread = spread + (prior.species_log_sd.value * parts[3] if parts[3].size else zero)
        return {
            "rate_bias": self._bias_sd * bias,
            "tree_sd": self._data.tree_sd * np.exp(spread),
            "own_factor": np.exp(own),
            "distance_factor": np.exp(factors[: len(self.methods)]),
            "count_factor": np.exp(factors[len(self.methods) :]),
            "height_level": self._level + prior.height_log_sd.value * parts[7],
            "height_slope": prior.height_slope.value * np.exp(prior.height_slope_log_sd.value * parts[8]),
            "height_spread": prior.height_spread.value * np.exp(prior.height_spread_log_sd.value * parts[9]),
        }

    def pull_back(self, z: Array, values: Mapping[str, Array], gradient: Mapping[str, Array]) -> Array:
        """Gradient by the coordinates from that by the parameters.

        Parameters
        ----------
        z : numpy.ndarray, shape (size,)
            Coordinates.
        values : mapping of str to numpy.ndarray
            Parameters there.
        gradient : mapping of str to numpy.ndarray
            Gradient by rate_bias, tree_sd, log_own, log_factors and, where there are any, the height parameters.

        Returns
        -------
        numpy.ndarray, shape (size,)
            Gradient by the coordinates.
        """
        parts, prior = self._parts(z), self._priors
        by_unit = self._bias_sd * gradient["rate_bias"]
        by_log_sd = values["tree_sd"] * gradient["tree_sd"]
        several = parts[1].size > 0
        methods = len(self.methods)
        kinds = ("own", "distance", "count")
        spreads = (prior.own_log_sd.value, prior.distance_log_sd.value, prior.count_log_sd.value)
        slopes = [self._bounded(kind, sd, z) for kind, sd, z in zip(kinds, spreads, parts[4:7], strict=True)]
        by_factor = gradient["log_factors"]
        out = [
            np.atleast_1d(np.sqrt(1 - self._share**2) * by_unit.sum()),
            self._share * by_unit if several else by_unit[:0],
            np.atleast_1d(prior.tree_log_sd.value * by_log_sd.sum()),
            prior.species_log_sd.value * by_log_sd if several else by_log_sd[:0],
            slopes[0][1] * gradient["log_own"],
            slopes[1][1] * by_factor[:methods],
            slopes[2][1] * by_factor[methods:],
        ]
        if parts[7].size:
            out += [
                prior.height_log_sd.value * gradient["height_level"],
                prior.height_slope_log_sd.value * values["height_slope"] * gradient["height_slope"],
                prior.height_spread_log_sd.value * values["height_spread"] * gradient["height_spread"],
            ]
        return np.concatenate(out)
