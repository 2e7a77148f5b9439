"""Priors of everything that a stand can teach about its trees, each with its source.

Layer 5, part of the family of `hierarchical`. Centres from the fitted models, spreads are choices with their reason.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import pandas as pd

from treeage.priors import Sourced


def _choice(value: float, unit: str, meaning: str, reason: str) -> Sourced:
    return Sourced(value, unit, meaning, reason, "choice")


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
        Spread of the log factor on the rates of wrong rings of each dating class.
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
