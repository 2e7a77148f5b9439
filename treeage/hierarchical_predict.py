"""What the priors of the hierarchical model say before any core has taught anything.

Layer 5, part of the family of `hierarchical`. Draws from the prior; own derivation.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from treeage.hierarchical_data import core_workings, stand_data
from treeage.hierarchical_parameters import NAMES, UNITS, ParameterMap
from treeage.hierarchical_priors import LearningPriors

if TYPE_CHECKING:
    from treeage.tables import Field


def prior_table(priors: LearningPriors | None = None) -> pd.DataFrame:
    """List the priors of what a stand can teach, each with its source.

    Parameters
    ----------
    priors : LearningPriors, optional
        The package's by default.

    Returns
    -------
    pandas.DataFrame
        Columns value, unit, meaning, source, known; one row a prior, by name.

    Examples
    --------
    >>> float(prior_table().loc["distance_log_sd", "value"])
    0.4
    """
    return (priors or LearningPriors()).table()


def prior_predictive(
    field: Field, *, priors: LearningPriors | None = None, draws: int = 1000, seed: int = 0
) -> pd.DataFrame:
    """Say what the priors mean for this field before any core has taught anything.

    Parameters
    ----------
    field : Field
        From `read_field`.
    priors : LearningPriors, optional
        The package's by default.
    draws : int, default 1000
        Draws from the prior.
    seed : int, default 0
        Same seed, same draws.

    Returns
    -------
    pandas.DataFrame
        parameter, of, lo, median, hi (90 %), meaning; the last rows are predictions: the factor on the number of
        missed rings of a tree, and the seasons to the middle height of the young trees.
    """
    used = priors or LearningPriors()
    data = stand_data(field, core_workings(field))
    parameters = ParameterMap(data, used)
    rng = np.random.default_rng(seed)
    values = [parameters.values(rng.standard_normal(parameters.size)) for _ in range(draws)]
    samples = {name: np.array([np.atleast_1d(value[name]) for value in values]) for name in NAMES}
    labels = {
        "rate_bias": data.species, "tree_sd": data.species, "own_factor": ("",), "distance_factor": parameters.methods,
        "count_factor": parameters.datings, **dict.fromkeys(NAMES[5:], data.heights.species),
    }  # fmt: skip
    shared = samples["rate_bias"] + samples["tree_sd"] * rng.standard_normal(samples["tree_sd"].shape)
    spread = samples["height_spread"] * rng.standard_normal(samples["height_spread"].shape)
    samples |= {
        "missed_rings_factor": np.exp(-shared),
        "seasons_to_middle_height": np.exp(samples["height_level"] + spread),
    }
    labels |= {"missed_rings_factor": data.species, "seasons_to_middle_height": data.heights.species}
    meanings: Mapping[str, str] = UNITS | {
        "missed_rings_factor": "predicted: missed rings of a tree against the model's expectation",
        "seasons_to_middle_height": "predicted: seasons to the middle height of the young trees",
    }
    rows = []
    for name, sample in samples.items():
        for k, label in enumerate(labels[name]):
            low, middle, high = np.quantile(sample[:, k], [0.05, 0.5, 0.95])
            rows.append((name, label, low, middle, high, meanings[name]))
    return pd.DataFrame(rows, columns=["parameter", "of", "lo", "median", "hi", "meaning"])
