"""Plain rules for missed rings, by name, and how wrong each would have been on a stand's own complete cores.

Layer 2. Constant width, constant basal area and pooled initial growth as published; the comparison is own derivation.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError, require_nonnegative, require_positive, show
from treeage.rings import missing_rings_many
from treeage.rings_calibration import RingCalibration, best_prediction, calibration_from
from treeage.rings_model import ring_model
from treeage.rings_stand import DatedSeries, age_evidence

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]

RULES = ("constant_width_5", "constant_width_10", "constant_width_20", "constant_basal_area", "initial_growth")
MODELS = ("model", "model_calibrated")
_FEWEST_VISIBLE = 10  # choice: rings that must stay visible, so that every rule has its window
_PROB = 0.9  # the package's one interval probability
_BASAL_AREA_RINGS = 10  # choice: the same inner wood as the middle constant-width rule


def constant_width_rings(distance_mm: ArrayLike, mean_width_mm: ArrayLike) -> FloatArray:
    """Missed rings if the hidden rings are as wide as the visible inner ones.

    Parameters
    ----------
    distance_mm : array-like
        Distance to the pith [mm], at least 0.
    mean_width_mm : array-like
        Mean width of the innermost visible rings [mm], above 0.

    Returns
    -------
    numpy.ndarray
        Number of rings, not rounded.

    Raises
    ------
    InputError
        If a distance is negative or a width is not above 0.

    Notes
    -----
    n = d / w with w the mean of the innermost rings, often 20 of them [1]_. Biased where young trees grew faster or
    slower than the visible rings.

    References
    ----------
    .. [1] Rozas, V. 2003. Tree age estimates in Fagus sylvatica and Quercus robur: testing previous and improved
       methods. Plant Ecology, doi 10.1023/A:1023969822044 (read in abstract).

    Examples
    --------
    >>> float(constant_width_rings(13.0, 1.3))
    10.0
    """
    (distance,) = require_nonnegative("constant_width_rings", distance_mm=distance_mm)
    (width,) = require_positive("constant_width_rings", mean_width_mm=mean_width_mm)
    return np.asarray(distance / width)


def constant_basal_area_rings(distance_mm: ArrayLike, increment_mm2: ArrayLike) -> FloatArray:
    """Missed rings if the stem added the same basal area every year since the pith.

    Parameters
    ----------
    distance_mm : array-like
        Distance to the pith [mm], at least 0.
    increment_mm2 : array-like
        Basal area added in a year [mm2], above 0.

    Returns
    -------
    numpy.ndarray
        Number of rings, not rounded.

    Raises
    ------
    InputError
        If a distance is negative or an increment is not above 0.

    Notes
    -----
    n = pi d^2 / c, from r(t) = sqrt(c t / pi). The idea of a constant trend of basal area is that of [1]_; it gives too
    few rings in suppressed young trees.

    References
    ----------
    .. [1] Biondi, F. and Qeadan, F. 2008. A theory-driven approach to tree-ring standardization. Tree-Ring Research
       64: 81-96 (idea read in abstract; equation derived).

    Examples
    --------
    >>> round(float(constant_basal_area_rings(30.0, 200.0)), 2)
    14.14
    """
    (distance,) = require_nonnegative("constant_basal_area_rings", distance_mm=distance_mm)
    (increment,) = require_positive("constant_basal_area_rings", increment_mm2=increment_mm2)
    return np.asarray(np.pi * distance**2 / increment)


def initial_growth_rings(distance_mm: ArrayLike, widths_from_pith_mm: Sequence[ArrayLike]) -> FloatArray:
    """Missed rings if the tree began as the average of the complete cores of its stand.

    Parameters
    ----------
    distance_mm : array-like, shape (n,)
        Distances to the pith [mm], at least 0.
    widths_from_pith_mm : sequence of array-like
        Complete series [mm], ring 1 first.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Mean number of rings within the distance, not rounded; NaN where no complete core reaches so far.

    Raises
    ------
    InputError
        If a distance is negative or no series is given.

    Notes
    -----
    The pooled curve of rings against distance from the pith [1]_ [2]_. The visible rings of the core are not used.

    References
    ----------
    .. [1] Villalba, R. and Veblen, T. T. 1997. Improving estimates of total tree ages based on increment core samples.
       Ecoscience 4: 534-542 (read in abstract).
    .. [2] Rozas 2003, as in constant_width_rings.

    Examples
    --------
    >>> initial_growth_rings([4.0], [[1.0] * 10, [2.0] * 10]).tolist()
    [3.0]
    """
    (distance,) = require_nonnegative("initial_growth_rings", distance_mm=distance_mm)
    distance = np.atleast_1d(distance)
    if len(widths_from_pith_mm) == 0:
        raise InputError(
            Fault("no series", "at least one complete core", "Leave out this rule.", "initial_growth_rings")
        )
    curves = np.full((len(widths_from_pith_mm), distance.size), np.nan)
    for core, widths in enumerate(widths_from_pith_mm):
        radius = np.concatenate([[0.0], np.cumsum(np.asarray(widths, dtype=np.float64))])
        curves[core] = np.interp(distance, radius, np.arange(radius.size), right=np.nan)
    known = ~np.isnan(curves)
    number = known.sum(0)
    total = np.where(known, curves, 0.0).sum(0)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def rule_rings(
    rule: str,
    distances_mm: ArrayLike,
    inner_widths_mm: Sequence[ArrayLike],
    *,
    complete_mm: Sequence[ArrayLike] = (),
) -> FloatArray:
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
    .. [1] See the function of each rule.

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
        got = f"{len(complete_mm)} series"
        raise InputError(
            Fault(got, "at least 2 complete cores", "Core to the pith.", "compare_rules", 0, "complete_mm")
        )
    series = [np.asarray(widths, dtype=np.float64) for widths in complete_mm]
    names = np.array([str(number) for number in range(len(series))] if tree is None else list(tree))
    rows = []
    for target in truncate_mm:
        cut = [_cut(widths, float(target)) for widths in series]
        cores = [core for core, hidden in enumerate(cut) if hidden > 0]
        if cores:
            rows += _rows_at(float(target), series, np.array(cut), np.array(cores), names, genus)
    columns = ["distance_mm", "rule", "cores", "true_rings", "bias_rings", "mean_error_rings", "within_5", "covered_90"]
    return pd.DataFrame(rows, columns=columns)


def _cut(widths: FloatArray, target_mm: float) -> int:
    """Rings to hide so that the boundary is nearest to the target; 0 where the core is too short."""
    radius = np.cumsum(widths)
    hidden = int(np.abs(radius - target_mm).argmin()) + 1
    near = 0.65 <= radius[hidden - 1] / target_mm <= 1.35  # choice: a boundary further off is another distance
    return hidden if near and widths.size - hidden >= _FEWEST_VISIBLE else 0


def _rows_at(
    target: float,
    series: list[FloatArray],
    cut: NDArray[np.intp],
    cores: NDArray[np.intp],
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
    visible: list[FloatArray],
    own_names: NDArray[np.str_],
    series: list[FloatArray],
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
