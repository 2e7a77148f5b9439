"""Priors of everything that a stand can teach about its trees, each with its source.

Centres from the fitted models, spreads are choices with their reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.hierarchical.likelihood import FACTOR_LIMITS, FactorKind
from treeage.priors import Known, Sourced

if TYPE_CHECKING:
    from treeage.hierarchical.data import StandData

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

_COORDINATES = ("bias", "species_bias", "tree_sd", "species_sd", *FactorKind, "level", "slope", "spread")
"""Blocks of the standard normal coordinates, in order."""


def _choice(value: float, unit: str, meaning: str, reason: str) -> Sourced:
    return Sourced(value, unit, meaning, reason, Known.CHOICE)


@dataclass(frozen=True)
class LearningPriors:
    """Priors of everything that the stand can teach, each with its source.

    Parameters
    ----------
    rate_bias_extra_sd : Sourced
        What is added to the engine's standard deviation of the shared deviation b of log hidden width (squares add).
    species_share : Sourced
        Share of that variance that differs between the species of a stand.
    tree_log_sd, species_log_sd : Sourced
        Spread of its logarithm between stands, and between the species of a stand.
    own_log_sd : Sourced
        Spread of the log factor on the cores' own deviations v.
    distance_log_sd : Sourced
        Spread of the log factor on the distance errors of each method.
    count_log_sd : Sourced
        Spread of the log factor on the frequency of wrong rings of each dating class.
    height_years, height_log_sd : Sourced
        Median of the seasons to 1 m, and the spread of its logarithm.
    height_slope, height_slope_log_sd : Sourced
        Median slope of log seasons on log height, and the spread of its logarithm.
    height_spread, height_spread_log_sd : Sourced
        Median of the spread of log seasons between trees, and the spread of its logarithm.

    Examples
    --------
    >>> LearningPriors().table().loc["own_log_sd", "known"]
    'choice'
    """

    rate_bias_extra_sd: Sourced = _choice(
        0.12,
        "log width",
        "spread of the stand's deviation beyond what its ring tables leave open",
        "ring tables do not show young rings that archives lack; as large as the spread of stands",
    )
    species_share: Sourced = _choice(
        0.5, "share", "share of that variance between the species of a stand", "half site, half species"
    )
    tree_log_sd: Sourced = _choice(
        0.25, "log", "spread of the log of tree_sd between stands", "a factor of 1.6 either way at most"
    )
    species_log_sd: Sourced = _choice(
        0.15, "log", "spread of the log of tree_sd between species", "smaller than between stands"
    )
    own_log_sd: Sourced = _choice(
        0.2, "log", "spread of the log factor on a core's own deviation", "a factor of 1.5 either way at most"
    )
    distance_log_sd: Sourced = _choice(
        0.4,
        "log",
        "spread of the log factor on each method's distance error",
        "reading errors are known to about a half",
    )
    count_log_sd: Sourced = _choice(
        0.5,
        "log",
        "spread of the log factor on each class's rate of wrong rings",
        "published rates differ by two to three times",
    )
    height_years: Sourced = _choice(10.0, "seasons", "median of the seasons to 1 m", "between open and shaded ground")
    height_log_sd: Sourced = _choice(
        1.0, "log", "spread of the log of that", "4 to 27 years within one standard deviation"
    )
    height_slope: Sourced = _choice(
        0.75, "log/log", "slope of log seasons on log height", "1 at a constant rate, 0.3-0.7 in published curves"
    )
    height_slope_log_sd: Sourced = _choice(0.45, "log", "spread of its log", "wide over that range")
    height_spread: Sourced = _choice(
        0.3, "log", "median of the spread of log seasons between trees", "0.15-0.25 open, 0.4-0.6 shaded"
    )
    height_spread_log_sd: Sourced = _choice(
        0.4, "log", "spread of the log of that", "0.14 to 0.67 within two standard deviations"
    )

    def table(self) -> pd.DataFrame:
        """List the priors with their sources.

        Returns
        -------
        pandas.DataFrame
            Columns value, unit, meaning, source, known; one row a prior, by name.
        """
        rows = {}
        for item in fields(self):
            entry: Sourced = getattr(self, item.name)
            rows[item.name] = [entry.value, entry.unit, entry.meaning, entry.source, entry.known]
        columns = ["value", "unit", "meaning", "source", "known"]
        return pd.DataFrame.from_dict(rows, orient="index", columns=columns).rename_axis("prior")


class ParameterMap:
    """The parameters of one stand as functions of independent standard normal coordinates.

    Parameters that nothing in the field refers to are left out; methods and datings are the words of the factors kept.
    """

    # rate_bias[k] = sd[k] (sqrt(1 - share) z + sqrt(share) z[k]); tree_sd[k] = centre[k] exp(s z + s' z[k]); log
    # factors are limit * tanh(s z / limit), normal near 0 and bounded where the likelihood's polynomials end; height
    # parameters are linear or exponential. Every prior so is a plain standard normal for the sampler.

    def __init__(self, data: StandData, priors: LearningPriors) -> None:
        self._priors, self._tree_sd = priors, data.tree_sd
        self.methods = tuple(factor.word for factor in data.trees.of_kind(FactorKind.DISTANCE))
        self.datings = tuple(factor.word for factor in data.trees.of_kind(FactorKind.COUNT))
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
        self._factor_sd = {
            FactorKind.OWN: priors.own_log_sd.value,
            FactorKind.DISTANCE: priors.distance_log_sd.value,
            FactorKind.COUNT: priors.count_log_sd.value,
        }

    def _parts(self, z: Array) -> dict[str, Array]:
        """Coordinates by what they move."""
        return dict(zip(_COORDINATES, np.split(z, self._ends[:-1]), strict=True))

    def _bounded(self, kind: FactorKind, z: Array) -> tuple[Array, Array]:
        """Log factor and its derivative."""
        limit, spread = FACTOR_LIMITS[kind], self._factor_sd[kind]
        share = np.tanh(spread / limit * z)
        return limit * share, spread * (1 - share**2)

    def log_factors(self, z: Array) -> tuple[Array, Array]:
        """Log factors as the likelihood takes them: on own deviations, shape (), and on errors, shape (n_factor,)."""
        parts = self._parts(z)
        own, distance, count = (self._bounded(kind, parts[kind])[0] for kind in FactorKind)
        return own[0], np.concatenate([distance, count])

    def values(self, z: Array) -> dict[str, Array]:
        """Parameters at coordinates z, by the names of NAMES."""
        parts, prior = self._parts(z), self._priors
        zero = np.zeros(self._tree_sd.size)
        own, factors = self.log_factors(z)
        species_bias, species_sd = parts["species_bias"], parts["species_sd"]
        bias = np.sqrt(1 - self._share**2) * parts["bias"] + (self._share * species_bias if species_bias.size else zero)
        spread = prior.tree_log_sd.value * parts["tree_sd"]
        spread = spread + (prior.species_log_sd.value * species_sd if species_sd.size else zero)
        return {
            "rate_bias": self._bias_sd * bias,
            "tree_sd": self._tree_sd * np.exp(spread),
            "own_factor": np.exp(own),
            "distance_factor": np.exp(factors[: len(self.methods)]),
            "count_factor": np.exp(factors[len(self.methods) :]),
            "height_level": self._level + prior.height_log_sd.value * parts["level"],
            "height_slope": prior.height_slope.value * np.exp(prior.height_slope_log_sd.value * parts["slope"]),
            "height_spread": prior.height_spread.value * np.exp(prior.height_spread_log_sd.value * parts["spread"]),
        }

    def pull_back(self, z: Array, values: Mapping[str, Array], gradient: Mapping[str, Array]) -> Array:
        """Gradient by the coordinates z from that by the parameters, whose values there are given.

        gradient: by rate_bias, tree_sd, log_own, log_factors and, where there are any, the height parameters.
        """
        parts, prior = self._parts(z), self._priors
        by_unit = self._bias_sd * gradient["rate_bias"]
        by_log_sd = values["tree_sd"] * gradient["tree_sd"]
        several, methods = parts["species_bias"].size > 0, len(self.methods)
        own, distance, count = (self._bounded(kind, parts[kind])[1] for kind in FactorKind)
        by_factor = gradient["log_factors"]
        out = [
            np.atleast_1d(np.sqrt(1 - self._share**2) * by_unit.sum()),
            self._share * by_unit if several else by_unit[:0],
            np.atleast_1d(prior.tree_log_sd.value * by_log_sd.sum()),
            prior.species_log_sd.value * by_log_sd if several else by_log_sd[:0],
            own * gradient["log_own"],
            distance * by_factor[:methods],
            count * by_factor[methods:],
        ]
        if parts["level"].size:
            out += [
                prior.height_log_sd.value * gradient["height_level"],
                prior.height_slope_log_sd.value * values["height_slope"] * gradient["height_slope"],
                prior.height_spread_log_sd.value * values["height_spread"] * gradient["height_spread"],
            ]
        return np.concatenate(out)
