"""Plain rules for missed rings that people use, and how wrong each would have been on the complete cores of a stand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError, require_nonnegative, require_positive, show
from treeage.rings.mass import Array, Ints
from treeage.rings.missing import missing_rings_many
from treeage.rings.model import ring_model
from treeage.rings.stand import (
    DatedSeries,
    RingCalibration,
    age_evidence,
    best_prediction,
    calibration_from,
    rings_to_hide,
)

if TYPE_CHECKING:
    import pandas as pd

RULES = ("constant_width_5", "constant_width_10", "constant_width_20", "constant_basal_area", "initial_growth")
MODELS = ("model", "model_calibrated")
_FEWEST_VISIBLE = 10  # choice: rings that must stay visible, so that every rule has its window
_PROB = 0.9  # the package's one interval probability
_BASAL_AREA_RINGS = 10  # choice: the same inner wood as the middle constant-width rule
_COLUMNS = ["distance_mm", "rule", "cores", "true_rings", "bias_rings", "mean_error_rings", "within_5", "covered_90"]


def rule_rings(
    rule: str,
    distances_mm: ArrayLike,
    inner_widths_mm: Sequence[ArrayLike],
    *,
    complete_mm: Sequence[ArrayLike] = (),
) -> Array:
    """Missed rings of many cores by a plain rule.

    Parameters
    ----------
    rule : str
        One of RULES: constant_width_5, constant_width_10, constant_width_20 (mean of that many innermost rings),
        constant_basal_area (that of the 10 innermost rings), initial_growth (mean of the complete cores).
    distances_mm : array-like, shape (n_core,)
        Distances to the pith [mm], at least 0.
    inner_widths_mm : sequence of array-like
        Visible widths [mm], innermost first.
    complete_mm : sequence of array-like, optional
        Complete series of the stand [mm], for initial_growth only.

    Returns
    -------
    numpy.ndarray, shape (n_core,)
        Number of rings, not rounded.

    Raises
    ------
    InputError
        If the rule is not known.

    References
    ----------
    .. [1] Constant width: Rozas, V. 2003. Plant Ecology, doi 10.1023/A:1023969822044 (read in abstract).
    .. [2] Constant basal area: Biondi, F. and Qeadan, F. 2008. Tree-Ring Research 64: 81-96 (read in abstract).
    .. [3] Initial growth: Villalba, R. and Veblen, T. T. 1997. Ecoscience 4: 534-542 (read in abstract).

    Examples
    --------
    >>> rule_rings("constant_width_5", [10.0], [[1.0, 2.0, 3.0, 2.0, 2.0]]).tolist()
    [5.0]
    """
    distance = np.atleast_1d(np.asarray(distances_mm, dtype=np.float64))
    series = [np.asarray(widths, dtype=np.float64) for widths in inner_widths_mm]
    if rule == "initial_growth":
        return initial_growth_rings(distance, complete_mm)
    if rule == "constant_basal_area":
        rings = np.array([min(_BASAL_AREA_RINGS, widths.size) for widths in series])
        inner = np.array([widths[:_BASAL_AREA_RINGS].sum() for widths in series])
        area = np.pi * ((distance + inner) ** 2 - distance**2) / rings
        return constant_basal_area_rings(distance, area)
    if rule not in RULES:
        raise InputError(Fault(show(rule), f"one of {', '.join(RULES)}", "Choose one.", "rule_rings", 0, "rule"))
    window = int(rule.rsplit("_", 1)[1])
    return constant_width_rings(distance, np.array([widths[:window].mean() for widths in series]))


def compare_rules(
    complete_mm: Sequence[ArrayLike],
    *,
    truncate_mm: Sequence[float] = (5.0, 10.0, 20.0),
    tree: Sequence[str] | None = None,
    genus: str | None = None,
) -> pd.DataFrame:
    """How wrong each rule would have been on the complete cores of this stand.

    Parameters
    ----------
    complete_mm : sequence of array-like
        Complete series [mm], ring 1 first.
    truncate_mm : sequence of float, default (5, 10, 20)
        Distances [mm] up to which the inner rings are hidden (the nearest ring boundary; the distances at which cores
        that miss the pith usually end).
    tree : sequence of str, optional
        Tree of each core; each core is its own tree by default. Cores of the same tree never inform each other.
    genus : str, optional
        Genus of the stand.

    Returns
    -------
    pandas.DataFrame
        One row a distance and rule: distance_mm, rule, cores, true_rings (mean), bias_rings (mean of predicted minus
        true), mean_error_rings (mean absolute), within_5 (share within 5 rings), covered_90 (share inside the 90 %
        interval; NaN for plain rules). model is the shipped model, model_calibrated the same with the other trees.

    Raises
    ------
    InputError
        If fewer than two series are given.

    References
    ----------
    .. [1] The rules: see rule_rings. The comparison: own derivation.

    Examples
    --------
    >>> table = compare_rules([[1.0] * 60, [1.0] * 70, [1.0] * 80], truncate_mm=[10.0])
    >>> float(table.set_index("rule").loc["constant_width_10", "mean_error_rings"])
    0.0
    """
    import pandas as pd

    if len(complete_mm) < 2:
        got, need = f"{len(complete_mm)} series", "at least 2 complete cores"
        raise InputError(Fault(got, need, "Core to the pith.", "compare_rules", 0, "complete_mm"))
    series = [np.asarray(widths, dtype=np.float64) for widths in complete_mm]
    names = np.array([str(number) for number in range(len(series))] if tree is None else list(tree))
    rows = []
    for target in truncate_mm:
        cut = [rings_to_hide(np.cumsum(widths), float(target), _FEWEST_VISIBLE) for widths in series]
        cores = [core for core, hidden in enumerate(cut) if hidden > 0]
        if cores:
            rows += _rows_at(float(target), series, np.array(cut), np.array(cores), names, genus)
    return pd.DataFrame(rows, columns=_COLUMNS)


def constant_width_rings(distance_mm: ArrayLike, mean_width_mm: ArrayLike) -> Array:
    """Missed rings, not rounded, if the hidden rings are as wide as the innermost visible ones: n = d / w.

    Biased where young trees grew faster or slower than the visible rings, often the mean of 20 (Rozas, V. 2003. Plant
    Ecology, doi 10.1023/A:1023969822044, read in abstract).
    """
    (distance,) = require_nonnegative("constant_width_rings", distance_mm=distance_mm)
    (width,) = require_positive("constant_width_rings", mean_width_mm=mean_width_mm)
    return np.asarray(distance / width)


def constant_basal_area_rings(distance_mm: ArrayLike, increment_mm2: ArrayLike) -> Array:
    """Missed rings, not rounded, if the stem added the same basal area [mm2] every year: n = pi d^2 / c.

    From r(t) = sqrt(c t / pi); too few rings in suppressed young trees. Idea: Biondi, F. and Qeadan, F. 2008, Tree-Ring
    Research 64: 81-96 (read in abstract; equation derived).
    """
    (distance,) = require_nonnegative("constant_basal_area_rings", distance_mm=distance_mm)
    (increment,) = require_positive("constant_basal_area_rings", increment_mm2=increment_mm2)
    return np.asarray(np.pi * distance**2 / increment)


def initial_growth_rings(distance_mm: ArrayLike, widths_from_pith_mm: Sequence[ArrayLike]) -> Array:
    """Mean rings within a distance on complete cores of the stand, not rounded; NaN where none reaches so far.

    The pooled curve of Villalba, R. and Veblen, T. T. 1997, Ecoscience 4: 534-542, and Rozas 2003 (read in abstract);
    the visible rings of the core are not used. Shape (n,); series run from ring 1 outwards.
    """
    (distance,) = require_nonnegative("initial_growth_rings", distance_mm=distance_mm)
    distance = np.atleast_1d(distance)
    if len(widths_from_pith_mm) == 0:
        need = "at least one complete core"
        raise InputError(Fault("no series", need, "Leave out this rule.", "initial_growth_rings"))
    curves = np.full((len(widths_from_pith_mm), distance.size), np.nan)
    for core, widths in enumerate(widths_from_pith_mm):
        radius = np.concatenate([[0.0], np.cumsum(np.asarray(widths, dtype=np.float64))])
        curves[core] = np.interp(distance, radius, np.arange(radius.size), right=np.nan)
    known = ~np.isnan(curves)
    number = known.sum(0)
    total = np.where(known, curves, 0.0).sum(0)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _rows_at(
    target: float,
    series: list[Array],
    cut: Ints,
    cores: Ints,
    names: NDArray[np.str_],
    genus: str | None,
) -> list[tuple[float, str, int, float, float, float, float, float]]:
    truth = cut[cores].astype(np.float64)
    distance = np.array([series[core][: cut[core]].sum() for core in cores])
    visible = [series[core][cut[core] :] for core in cores]
    rows = []
    for rule in (*RULES, *MODELS):
        covered = np.full(cores.size, np.nan)
        if rule in MODELS:
            calibration = None if rule == "model" else _from_other_trees(visible, names[cores], series, names, genus)
            table = missing_rings_many(distance, visible, genus=genus, calibration=calibration, prob=_PROB)
            predicted = table["mean"].to_numpy(dtype=np.float64)
            covered = ((table["lo"] <= truth) & (truth <= table["hi"])).to_numpy(dtype=np.float64)
        elif rule == "initial_growth":
            predicted = np.full(cores.size, np.nan)
            for name in np.unique(names[cores]):
                own = np.flatnonzero(names[cores] == name)
                others = [series[core] for core in np.flatnonzero(names != name)]
                if others:
                    predicted[own] = initial_growth_rings(distance[own], others)
        else:
            predicted = rule_rings(rule, distance, visible)
        known = ~np.isnan(predicted)
        if known.any():
            error = (predicted - truth)[known]
            share = float(covered[known].mean())
            summary = (float(truth[known].mean()), float(error.mean()), float(np.abs(error).mean()))
            rows.append((target, rule, int(known.sum()), *summary, float((np.abs(error) <= 5).mean()), share))
    return rows


def _from_other_trees(
    visible: list[Array],
    own_names: NDArray[np.str_],
    series: list[Array],
    names: NDArray[np.str_],
    genus: str | None,
) -> RingCalibration:
    """One row a core, learned from the complete cores of the other trees."""
    model = ring_model()
    targets = DatedSeries(visible, np.zeros(len(visible)), own_names.tolist(), np.zeros(len(visible)))
    stand = DatedSeries(series, np.zeros(len(series)), names.tolist(), np.ones(len(series)))
    means, trees = age_evidence(targets, stand, model, genus=genus)
    offset, explained = best_prediction(means, trees, model)
    return calibration_from(offset, (explained, explained), trees[..., 0].max(1), model)
