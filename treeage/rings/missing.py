"""Missed inner rings: how many rings lie between the innermost visible ring and the pith.

Puts together what `model` expects of the hidden width, what `stand` has learned of it, and the grids of `mass`; then
the plain rules of the literature, and how wrong they and the model would have been on complete cores.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import auto
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from treeage.errors import (
    Fault,
    InputError,
    kind_of,
    public,
    require_attributes,
    require_level,
    require_nonnegative,
    require_positive,
    require_row,
    require_series,
    show,
)
from treeage.pmf import Pmf, interval_levels
from treeage.rings.mass import Array, Ints, Tails, fast_mass
from treeage.rings.model import (
    InnerGrowth,
    MassArray,
    RingCalibration,
    expected_rings,
    inner_growth,
    ring_model,
    shared_spreads,
)
from treeage.rings.stand import DatedSeries, age_evidence, best_prediction, calibration_from, rings_to_hide
from treeage.schema import Word, check_distances, check_widths

if TYPE_CHECKING:
    import pandas as pd

_SHARED_NODES = 15  # choice: Gauss-Hermite nodes of the shared deviation when one core is predicted alone
_DISTANCE_NODES = 41  # choice: nodes over +-4 standard deviations of a distance
_KNOWN_SD_MM = 1e-4  # choice: a distance with a smaller standard deviation is known
_TAIL_SCALES = 7.0  # choice: own scales kept above the largest expected number; about 1e-4 is lumped beyond
_ROUNDING = 1e-7  # choice: masses are single precision; a quantile does not step on for less
_MOST_RINGS = 20_000  # choice: more than the age of any known tree


@public
def missing_rings(
    distance_mm: float,
    inner_widths_mm: ArrayLike,
    *,
    distance_sd_mm: float = 0.0,
    genus: str | None = None,
    calibration: RingCalibration | None = None,
) -> Pmf:
    """Mass function of the rings between the innermost visible ring and the pith, for one core.

    Parameters
    ----------
    distance_mm : float
        Distance from the inner boundary of the innermost visible ring to the pith [mm], at least 0 (0: pith reached).
    inner_widths_mm : array-like, shape (n,)
        Visible widths [mm], innermost first, any number from 1 up; 0 is a locally absent ring.
    distance_sd_mm : float, default 0.0
        Standard deviation of the distance [mm], at least 0 (0: known).
    genus : str, optional
        Genus or species name: shifts the expected width and its spread by what that genus showed; unknown by default.
    calibration : RingCalibration, optional
        Result of calibrate_missing_rings; none by default.

    Returns
    -------
    Pmf
        Number of missed rings.

    Raises
    ------
    InputError
        If a distance or width is negative, not finite or beyond the limits of the field tables, the mean width is
        beyond 0.02 to 20 mm, no width is given, or an argument is of another kind.

    Notes
    -----
    See missed_ring_mass for the model. A distance with a spread is normal; the part below 0 counts as the pith reached.
    Own derivation, fitted to raw ring widths of a public archive; see ring_model.

    Examples
    --------
    >>> missing_rings(0.0, [1.0, 1.2]).mean()
    0.0
    >>> rings = missing_rings(20.0, [1.0] * 20)
    >>> 15 <= rings.median() <= 22
    True
    """
    where = "missing_rings"
    for name, value in (("distance_mm", distance_mm), ("distance_sd_mm", distance_sd_mm)):
        if require_nonnegative(where, **{name: value})[0].ndim:
            do = "Use missing_rings_many for many cores."
            raise InputError(Fault(kind_of(value), "one number [mm]", do, where, 0, name))
    require_row(where, "inner_widths_mm", inner_widths_mm)
    ((_, cells),) = predicted_masses([distance_mm], [inner_widths_mm], [distance_sd_mm], genus, calibration, where)
    return Pmf(0, cells[0])


@public
def missing_rings_many(
    distances_mm: ArrayLike,
    inner_widths_mm: Sequence[ArrayLike],
    *,
    distance_sd_mm: ArrayLike = 0.0,
    genus: str | Sequence[str | None] | None = None,
    calibration: RingCalibration | None = None,
    prob: float = 0.9,
) -> pd.DataFrame:
    """Missed rings of many cores, each predicted by itself.

    Parameters
    ----------
    distances_mm : array-like, shape (n_core,)
        Distances from the innermost visible ring to the pith [mm], at least 0.
    inner_widths_mm : sequence of array-like
        One series of visible widths [mm] a core, innermost first.
    distance_sd_mm : array-like, default 0.0
        Standard deviations of the distances [mm], one or one a core (0: known).
    genus : str or sequence of str, optional
        Genus of all cores or of each core.
    calibration : RingCalibration, optional
        Result of calibrate_missing_rings; none by default.
    prob : float, default 0.9
        Probability of the interval (0.9: the package's one interval probability).

    Returns
    -------
    pandas.DataFrame, shape (n_core, 4)
        Columns median, mean, lo, hi [rings]; lo to hi holds at least prob.

    Raises
    ------
    InputError
        If a distance or width is negative, not finite or beyond the limits of the field tables, a mean width is
        beyond 0.02 to 20 mm, the numbers of cores differ, or an argument is of another kind.

    Examples
    --------
    >>> table = missing_rings_many([0.0, 10.0], [[1.0, 1.0], [0.5] * 10])
    >>> table.columns.tolist(), int(table["hi"].iloc[0])
    (['median', 'mean', 'lo', 'hi'], 0)
    """
    import pandas as pd

    where = "missing_rings_many"
    prob = require_level(where, "prob", prob)
    require_series(where, "inner_widths_mm", inner_widths_mm)
    if not len(inner_widths_mm):
        raise InputError(Fault("no core", "at least one core", "Pass its widths.", where, 0, "inner_widths_mm"))
    blocks = predicted_masses(distances_mm, inner_widths_mm, distance_sd_mm, genus, calibration, where)
    size = sum(rows.size for rows, _ in blocks)
    mean, steps = np.zeros(size), np.zeros((3, size), dtype=np.int64)
    for rows, cells in blocks:
        below = np.cumsum(cells, axis=1, dtype=np.float64)
        below /= below[:, -1:]
        mean[rows] = cells @ np.arange(cells.shape[1]) / cells.sum(1)
        for column, level in enumerate(interval_levels(prob)):
            steps[column, rows] = (below < level - _ROUNDING).sum(1)
    return pd.DataFrame({"median": steps[0], "mean": mean, "lo": steps[1], "hi": steps[2]})


def predicted_masses(
    distances_mm: ArrayLike,
    series: Sequence[ArrayLike],
    distance_sd_mm: ArrayLike,
    genus: str | Sequence[str | None] | None,
    calibration: RingCalibration | None,
    where: str,
) -> list[tuple[Ints, MassArray]]:
    """Positions and masses of the cores in classes of size: distance nodes times nodes of the shared deviation."""
    distance, sd = require_nonnegative(where, distance_mm=distances_mm, distance_sd_mm=distance_sd_mm)
    distance = np.atleast_1d(distance)
    for values, counted in ((distance, "distances"), (sd, "standard deviations")):
        if values.ndim > 1 or (values.size != len(series) and (values.ndim or counted == "distances")):
            got = f"{values.size} {counted} and {len(series)} series"
            raise InputError(Fault(got, "the same number of both", "Pass one a core.", where, 0, "distances_mm"))
    if calibration is not None:
        advice = ("the answer of calibrate_missing_rings", "Pass it, or leave calibration out.")
        require_attributes(where, "calibration", calibration, ("offset_on", "factor_at", "stand_sd"), advice)
    sd = np.broadcast_to(sd, distance.shape)
    growth = inner_growth(series, genus=genus)
    check_distances(where, distance)
    check_widths(where, "inner_widths_mm", series)
    return masses_given(growth, distance, sd, calibration)


def masses_given(
    growth: InnerGrowth, distance: Array, sd: Array, calibration: RingCalibration | None
) -> list[tuple[Ints, MassArray]]:
    """The same of checked distances and their standard deviations (n_core,), from the visible growth."""
    model = ring_model()
    points, weights = _distance_points(distance, sd)
    expected, scale = expected_rings(growth, points, weights, model, calibration)
    nodes, shares = np.polynomial.hermite_e.hermegauss(_SHARED_NODES)
    shared = float(np.hypot(*shared_spreads(model, calibration, growth))) * nodes
    columns = (expected[:, 1:, None] - shared).reshape(len(growth), -1)
    mass = (weights[:, 1:, None] * (shares / shares.sum())).reshape(len(growth), -1)
    columns = np.concatenate([expected[:, :1], columns], axis=1)
    mass = np.concatenate([weights[:, :1], mass], axis=1)
    return _masses_by_size(columns, mass, scale, model.tails)


def _distance_points(distance: Array, sd: Array) -> tuple[Array, Array]:
    """Nodes [mm] and weights of each distance; column 0 is the pith, with the weight of what lies at or below 0."""
    sd = np.where(sd < _KNOWN_SD_MM, 0.0, sd)
    if not np.any(sd):
        points = np.column_stack([np.zeros_like(distance), distance])
        return points, np.column_stack([distance == 0, distance > 0]).astype(np.float64)
    steps = np.linspace(-4.0, 4.0, _DISTANCE_NODES)
    half = (steps[1] - steps[0]) / 2
    low = np.maximum(distance[:, None] + sd[:, None] * (steps - half), 0.0)
    high = np.maximum(distance[:, None] + sd[:, None] * (steps + half), 0.0)
    known = sd[:, None] == 0
    spread = np.where(known, 1.0, sd[:, None])
    weight = ndtr((high - distance[:, None]) / spread) - ndtr((low - distance[:, None]) / spread)
    middle = (np.arange(steps.size) == steps.size // 2) & (distance[:, None] > 0)
    weight = np.where(known, middle.astype(np.float64), np.where(high > low, weight, 0.0))
    points = np.concatenate([np.zeros((distance.size, 1)), (low + high) / 2], axis=1)
    at_pith = np.where(sd > 0, ndtr(-distance / np.where(sd > 0, sd, 1.0)), distance == 0)
    weights = np.concatenate([at_pith[:, None], weight], axis=1)
    return points, weights / weights.sum(1, keepdims=True)


def _masses_by_size(expected: Array, mass: Array, scale: Array, tails: Tails) -> list[tuple[Ints, MassArray]]:
    """Run the grids in classes of similar largest numbers, so that memory follows the need."""
    top = np.where(mass > 0, expected, -np.inf).max(1) + _TAIL_SCALES * scale
    most = np.exp2(np.ceil(np.log2(np.exp(np.minimum(top, 50.0)) + 1.0)))
    most = np.clip(most, 8, _MOST_RINGS).astype(np.intp)
    blocks: list[tuple[Ints, MassArray]] = []
    for size in np.unique(most):
        rows = np.flatnonzero(most == size)
        cells = fast_mass(expected[rows], mass[rows], scale[rows], tails, np.zeros(1), max_rings=int(size))
        blocks.append((rows, cells[:, 0]))
    return blocks


def missed_rings_at(
    growth: InnerGrowth,
    distance_mm: Array,
    shifts: Array,
    *,
    max_rings: int,
    calibration: RingCalibration | None = None,
) -> MassArray:
    """`missed_ring_mass` of cores at one known distance each, (n_core,): shape (n_core, n_shift, max_rings + 1)."""
    used, (points, weights) = ring_model(), _distance_points(distance_mm, np.zeros_like(distance_mm))
    expected, scale = expected_rings(growth, points, weights, used, calibration)
    return fast_mass(expected, weights, scale, used.tails, shifts, max_rings=max_rings)


# ------------------------------------------------------------------ plain rules


class Rule(Word):
    """A plain rule, or the model beside them; the words of the column `rule` of `compare_rules`."""

    CONSTANT_WIDTH_5 = auto()
    CONSTANT_WIDTH_10 = auto()
    CONSTANT_WIDTH_20 = auto()
    CONSTANT_BASAL_AREA = auto()
    INITIAL_GROWTH = auto()
    MODEL = auto()
    MODEL_CALIBRATED = auto()


_WINDOWS = {Rule.CONSTANT_WIDTH_5: 5, Rule.CONSTANT_WIDTH_10: 10, Rule.CONSTANT_WIDTH_20: 20}  # rings in the mean
RULES = (*_WINDOWS, Rule.CONSTANT_BASAL_AREA, Rule.INITIAL_GROWTH)
MODELS = (Rule.MODEL, Rule.MODEL_CALIBRATED)
_VISIBLE_FOR_RULES = 10  # choice: rings that must stay visible, so that every rule has its window
_PROB = 0.9  # the package's one interval probability
_BASAL_AREA_RINGS = 10  # choice: the same inner wood as the middle constant-width rule
_AT_ONCE = 500  # choice: cores compared with all others at a time, so that the memory does not grow with their square
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
    if rule == Rule.INITIAL_GROWTH:
        return initial_growth_rings(distance, complete_mm)
    if rule == Rule.CONSTANT_BASAL_AREA:
        rings = np.array([min(_BASAL_AREA_RINGS, widths.size) for widths in series])
        inner = np.array([widths[:_BASAL_AREA_RINGS].sum() for widths in series])
        area = np.pi * ((distance + inner) ** 2 - distance**2) / rings
        return constant_basal_area_rings(distance, area)
    if rule not in RULES:
        raise InputError(Fault(show(rule), f"one of {', '.join(RULES)}", "Choose one.", "rule_rings", 0, "rule"))
    return constant_width_rings(distance, np.array([widths[: _WINDOWS[Rule(rule)]].mean() for widths in series]))


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
        cut = [rings_to_hide(np.cumsum(widths), float(target), _VISIBLE_FOR_RULES) for widths in series]
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
    return _mean_known(_rings_within(distance, widths_from_pith_mm))


def _rings_within(distance_mm: Array, widths_from_pith_mm: Sequence[ArrayLike]) -> Array:
    """Rings of every series within each distance, (n_series, n); NaN where a series does not reach so far."""
    curves = np.empty((len(widths_from_pith_mm), distance_mm.size))
    for core, widths in enumerate(widths_from_pith_mm):
        radius = np.concatenate([[0.0], np.cumsum(np.asarray(widths, dtype=np.float64))])
        curves[core] = np.interp(distance_mm, radius, np.arange(radius.size), right=np.nan)
    return curves


def _mean_known(values: Array) -> Array:
    """Mean of every column over the rows that are known; NaN where none is."""
    known = ~np.isnan(values)
    number = known.sum(0)
    return np.where(number > 0, np.where(known, values, 0.0).sum(0) / np.maximum(number, 1), np.nan)


def _rows_at(
    target: float, series: list[Array], cut: Ints, cores: Ints, names: NDArray[np.str_], genus: str | None
) -> list[tuple[float, str, int, float, float, float, float, float]]:
    """Rows of `compare_rules` at one distance; `cut`: rings each core loses, `cores`: those that are long enough."""
    truth = cut[cores].astype(np.float64)
    distance = np.array([series[core][: cut[core]].sum() for core in cores])
    visible = [series[core][cut[core] :] for core in cores]
    rows = []
    for rule in (*RULES, *MODELS):
        covered = np.full(cores.size, np.nan)
        if rule in MODELS:
            calibration = None if rule is Rule.MODEL else _from_other_trees(visible, names[cores], series, names, genus)
            table = missing_rings_many(distance, visible, genus=genus, calibration=calibration, prob=_PROB)
            predicted = table["mean"].to_numpy(dtype=np.float64)
            covered = ((table["lo"] <= truth) & (truth <= table["hi"])).to_numpy(dtype=np.float64)
        elif rule is Rule.INITIAL_GROWTH:
            predicted = np.full(cores.size, np.nan)
            for first in range(0, cores.size, _AT_ONCE):
                some = slice(first, first + _AT_ONCE)
                curves = _rings_within(distance[some], series)
                curves[names[:, None] == names[cores[some]]] = np.nan  # cores of the same tree say nothing
                predicted[some] = _mean_known(curves)
        else:
            predicted = rule_rings(rule, distance, visible)
        known = ~np.isnan(predicted)
        if known.any():
            error = (predicted - truth)[known]
            share = float(covered[known].mean())
            summary = (float(truth[known].mean()), float(error.mean()), float(np.abs(error).mean()))
            rows.append((target, rule.value, int(known.sum()), *summary, float((np.abs(error) <= 5).mean()), share))
    return rows


def _from_other_trees(
    visible: list[Array], own_names: NDArray[np.str_], series: list[Array], names: NDArray[np.str_], genus: str | None
) -> RingCalibration:
    """One row a core, learned from the complete cores of the other trees."""
    model = ring_model()
    targets = DatedSeries(visible, np.zeros(len(visible)), own_names.tolist(), np.zeros(len(visible)))
    stand = DatedSeries(series, np.zeros(len(series)), names.tolist(), np.ones(len(series)))
    means, trees = age_evidence(targets, stand, model, genus=genus)
    offset, explained = best_prediction(means, trees, model)
    return calibration_from(offset, (explained, explained), trees[..., 0].max(1), model)
