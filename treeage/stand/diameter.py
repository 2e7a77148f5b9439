"""Ages of trees without cores from their diameter: errors in both variables, groups, prediction intervals, joint draws.

Straight line with errors in variables (Fuller 1987); groups, shared error and marks are own derivation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.display import Result
from treeage.errors import (
    Fault,
    InputError,
    ModelError,
    public,
    require_nonnegative,
    require_positive,
    require_probability,
    require_whole,
    show,
)
from treeage.pmf import freeze_arrays, interval_levels
from treeage.schema import LATEST_YEAR, Word
from treeage.stand.structure import Array, Flags, check_draws, shared_part

if TYPE_CHECKING:
    import pandas as pd

FEWEST_CORED = 5  # choice: groups with fewer cored trees use the line of all trees, and say so
LEAST_RELIABLE = 0.3  # choice: below this share of true variance in the diameters the slope is not to be had
ALL = "(all trees)"


class LineForm(Word):
    """The scale on which age is a straight line of diameter."""

    POWER = "power"  # logs of both
    LINEAR = "linear"


@dataclass(frozen=True)
class DiameterLine:
    """A fitted line: draws of its intercept, slope and scatter, shape (draws,), and the cored trees that it rests on.

    `centre` is their mean diameter on the scale of the line, `reliability` the share of true variance in the diameters.
    """

    intercept: Array
    slope: Array
    scatter: Array
    centre: float
    reliability: float
    smallest_cm: float
    largest_cm: float
    oldest: float
    trees: int

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def mark(self, diameter_cm: float, age: float) -> str:
        """Why a prediction lies beyond the cored trees, or nothing."""
        if diameter_cm > self.largest_cm:
            return f"diameter above the largest cored ({self.largest_cm:.1f} cm)"
        if diameter_cm < self.smallest_cm:
            return f"diameter below the smallest cored ({self.smallest_cm:.1f} cm)"
        return f"older than the oldest cored ({self.oldest:.0f} years)" if age > self.oldest else ""


@dataclass(frozen=True)
class AgeFromDiameter(Result):
    """Relation of age to diameter of a stand, as joint draws; from `age_from_diameter`.

    Parameters
    ----------
    form : str
        power (logs of both) or linear.
    lines : mapping of str to DiameterLine
        One line for each group with enough cored trees, and one for all trees.
    survey_year : int
        Year to which ages are counted.
    diameter_sd_cm : float
        Error of a measured diameter [cm].
    slope_sd : float
        Standard deviation of the common slope (in logs for the power form).
    cored_cm, cored_age : numpy.ndarray, shape (n,)
        Diameter [cm] and median age [years] of each cored tree.
    cored_groups : tuple of str
        Its group.
    """

    _digits = 3

    form: LineForm
    lines: Mapping[str, DiameterLine]
    survey_year: int
    diameter_sd_cm: float
    slope_sd: float
    cored_cm: Array = field(default_factory=lambda: np.zeros(0))
    cored_age: Array = field(default_factory=lambda: np.zeros(0))
    cored_groups: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def draws(self, diameter_cm: ArrayLike, groups: Sequence[str] | None = None, *, seed: int = 0) -> Array:
        """Joint draws of the establishment years of trees without cores.

        Parameters
        ----------
        diameter_cm : array-like, shape (m,)
            Diameters [cm], above 0.
        groups : sequence of str, shape (m,), optional
            Group of each tree; the line of all trees by default.
        seed : int, default 0
            Seed of the scatter of single trees.

        Returns
        -------
        numpy.ndarray, shape (draws, m)
            Establishment years; the error of the line and the dating error that the cored trees share are
            common to all.

        Raises
        ------
        InputError
            If a diameter is not above 0 or the lengths differ.
        """
        (diameter,) = require_positive("AgeFromDiameter.draws", diameter_cm=np.atleast_1d(diameter_cm))
        names = _group_names(groups, diameter.size)
        if len(names) != diameter.size:
            got, need = f"{len(names)} groups", f"one for each of {diameter.size} diameters"
            raise InputError(Fault(got, need, "Align the two.", "AgeFromDiameter.draws", 0, "groups"))
        rng = np.random.default_rng(seed)
        columns = []
        for size, name in zip(diameter, names, strict=True):
            line = self.lines.get(name, self.lines[ALL])
            level, spread = _on_scale(size, self.diameter_sd_cm, self.form)
            middle = line.centre + line.reliability * (level - line.centre)
            true = middle + spread * np.sqrt(line.reliability) * rng.standard_normal(line.slope.size)
            value = line.intercept + line.slope * true + line.scatter * rng.standard_normal(line.slope.size)
            columns.append(np.exp(value) if self.form is LineForm.POWER else value)
        every = np.stack(columns, axis=1) if columns else np.empty((self.lines[ALL].slope.size, 0))
        age = np.maximum(every, 1.0)
        return np.asarray(self.survey_year - age + 1)

    def predict(
        self, diameter_cm: ArrayLike, groups: Sequence[str] | None = None, *, prob: float = 0.9, seed: int = 0
    ) -> pd.DataFrame:
        """Predict ages of trees without cores.

        Parameters
        ----------
        diameter_cm : array-like, shape (m,)
            Diameters [cm], above 0.
        groups : sequence of str, shape (m,), optional
            Group of each tree.
        prob : float, default 0.9
            Probability of the prediction intervals.
        seed : int, default 0
            Seed.

        Returns
        -------
        pandas.DataFrame
            diameter_cm, group, line (whose line was used), age_median, age_lo, age_hi (prediction of a
            single tree), extrapolated (why, or empty), prob.

        Raises
        ------
        InputError
            If a diameter is not above 0, the lengths differ, or prob is out of range.
        """
        import pandas as pd

        require_probability("AgeFromDiameter.predict", prob=prob)
        diameter = np.atleast_1d(np.asarray(diameter_cm, dtype=np.float64))
        age = self.survey_year - self.draws(diameter, groups, seed=seed) + 1
        median, low, high = np.quantile(age, interval_levels(prob), axis=0)
        names = _group_names(groups, diameter.size)
        used = [name if name in self.lines else ALL for name in names]
        marks = [self.lines[name].mark(size, age) for name, size, age in zip(used, diameter, median, strict=True)]
        return pd.DataFrame(
            {
                "diameter_cm": diameter,
                "group": names,
                "line": used,
                "age_median": median,
                "age_lo": low,
                "age_hi": high,
                "extrapolated": marks,
                "prob": prob,
            }
        )

    def to_frame(self) -> pd.DataFrame:
        """One row a group: cored trees, intercept, slope, scatter, reliability of the diameters, range cored, form."""
        import pandas as pd

        rows = [
            {
                "group": name,
                "trees": line.trees,
                "intercept": float(np.median(line.intercept)),
                "intercept_sd": float(line.intercept.std()),
                "slope": float(np.median(line.slope)),
                "slope_sd": float(line.slope.std()),
                "scatter_sd": float(np.median(line.scatter)),
                "reliability": line.reliability,
                "smallest_cm": line.smallest_cm,
                "largest_cm": line.largest_cm,
                "oldest_years": line.oldest,
                "form": self.form.value,
            }
            for name, line in self.lines.items()
        ]
        return pd.DataFrame(rows)

    def sentence(self) -> str:
        """Trees, the spread of a single prediction, and the warning."""
        line = self.lines[ALL]
        spread = float(np.median(line.scatter))
        text = f"a factor of {np.exp(spread):.2f}" if self.form is LineForm.POWER else f"{spread:.0f} years"
        return (
            f"Age from diameter on {line.trees} cored trees: a tree of given diameter scatters by {text} (one standard "
            "deviation) round the line. Diameter tells age poorly; predictions beyond the cored trees are marked."
        )


@public
def age_from_diameter(
    draws: ArrayLike,
    diameter_cm: ArrayLike,
    *,
    survey_year: int,
    groups: Sequence[str] | None = None,
    diameter_sd_cm: float = 0.0,
    form: str = "power",
    seed: int = 0,
) -> AgeFromDiameter:
    """Learn the relation of age to diameter from cored trees, for trees without cores.

    Parameters
    ----------
    draws : array-like, shape (draws, n)
        Establishment years of the cored trees, shared error included.
    diameter_cm : array-like, shape (n,)
        Their diameters [cm], above 0.
    survey_year : int
        Year to which ages are counted.
    groups : sequence of str, shape (n,), optional
        Species, or species and crown class; each with at least 5 cored trees gets its own intercept, the
        slope is common.
    diameter_sd_cm : float, default 0.0
        Measurement error of a diameter [cm]; about 0.3 with a tape.
    form : {"power", "linear"}, default "power"
        Logs of both (positive ages, spread in proportion), or straight.
    seed : int, default 0
        Seed.

    Returns
    -------
    AgeFromDiameter
        Predictions for trees without cores.

    Raises
    ------
    InputError
        If fewer than 5 trees are cored, lengths differ, an age or a diameter is not above 0, its error is negative, or
        the form is unknown.
    ModelError
        If the diameters are mostly error, or do not differ within the groups.

    Notes
    -----
    Age is regressed on diameter, the direction in which it is used (inverting diameter on age is wrong). The
    own dating error of each tree widens its weight, the shared dating error moves the line of a whole draw.
    The error of diameters is taken out of the slope, and a new tree's true diameter is drawn given its
    measured one.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> size = rng.uniform(10, 60, 80)
    >>> age = 6 * size ** 0.8 * np.exp(rng.normal(0, 0.1, 80))
    >>> model = age_from_diameter(2024 - age + 1 + rng.normal(0, 3, (500, 80)), size, survey_year=2024)
    >>> bool(model.predict([30.0])["age_median"].between(85, 97).all()), model.predict([90.0])["extrapolated"].iloc[0]
    (True, 'diameter above the largest cored (59.0 cm)')
    """
    where = "age_from_diameter"
    array = check_draws(where, draws)
    (diameter,) = require_positive(where, diameter_cm=diameter_cm)
    require_nonnegative(where, diameter_sd_cm=diameter_sd_cm)
    survey_year = require_whole(where, "survey_year", survey_year, -LATEST_YEAR, LATEST_YEAR)
    names = np.array(_group_names(groups, array.shape[1]), dtype=object)
    _check_sizes(array, diameter, names, form)
    scale = LineForm(form)
    age = survey_year - array + 1
    median = np.median(age, axis=0)
    if np.any(median <= 0):
        got = f"age {median.min():g} for tree {int(np.argmin(median))}"
        raise InputError(Fault(got, "ages above 0", "Check survey_year.", where, 0, "survey_year"))
    value = np.log(np.maximum(age, 1.0)) if scale is LineForm.POWER else age
    level, spread = _on_scale(diameter, diameter_sd_cm, scale)
    cored = _Cored(value, level, spread, diameter, median)
    rng = np.random.default_rng(seed)
    known, number = np.unique(names, return_counts=True)
    large = [str(name) for name, count in zip(known, number, strict=True) if count >= FEWEST_CORED and name != ALL]
    lines, slope_sd = _lines(cored, {ALL: np.ones(diameter.size, dtype=bool)}, rng)
    if large:
        inside = np.isin(names, large)
        more, slope_sd = _lines(cored.take(inside), {name: names[inside] == name for name in large}, rng)
        lines |= more
    return AgeFromDiameter(
        scale, lines, int(survey_year), float(diameter_sd_cm), slope_sd, diameter, median, tuple(names.tolist())
    )


def _group_names(groups: Sequence[str] | None, count: int) -> list[str]:
    """Group of each tree; that of all trees where none are given."""
    return [ALL] * count if groups is None else list(map(str, groups))


def _check_sizes(array: Array, diameter: Array, names: NDArray[np.object_], form: str) -> None:
    where = "age_from_diameter"
    if form not in list(LineForm):
        raise InputError(Fault(show(form), "power or linear", "Choose one.", where, 0, "form"))
    if array.shape[1] < FEWEST_CORED:
        got = f"{array.shape[1]} cored trees"
        raise InputError(Fault(got, f"at least {FEWEST_CORED}", "Core more trees.", where, 0, "draws"))
    if diameter.shape != (array.shape[1],) or names.size != array.shape[1]:
        got = f"{diameter.size} diameters and {names.size} groups for {array.shape[1]} trees"
        raise InputError(Fault(got, "one of each for each tree", "Align them.", where, 0, "diameter_cm"))


def _on_scale(diameter: ArrayLike, sd_cm: float, form: LineForm) -> tuple[Array, Array]:
    """Diameter and its error on the scale of the line."""
    size = np.asarray(diameter, dtype=np.float64)
    if form is LineForm.POWER:
        return np.log(size), sd_cm / size
    return size, np.full(size.shape, sd_cm)


@dataclass(frozen=True)
class _Cored:
    """Cored trees: ages (draws, n), diameters and their error on the scale of the line; diameters [cm], median ages."""

    value: Array
    level: Array
    spread: Array
    diameter: Array
    age: Array

    def take(self, inside: Flags) -> _Cored:
        """Some of the trees."""
        return _Cored(
            self.value[:, inside], self.level[inside], self.spread[inside], self.diameter[inside], self.age[inside]
        )


def _lines(cored: _Cored, members: dict[str, Flags], rng: np.random.Generator) -> tuple[dict[str, DiameterLine], float]:
    """Lines with one slope and an intercept for each group, as draws that share the slope and the dating error."""
    value, level = cored.value, cored.level
    design = np.column_stack([*[part.astype(np.float64) for part in members.values()], level])
    apart = sum(float(level[part].var()) for part in members.values())
    if apart <= 1e-20 * float((level**2).mean() + 1):
        got, do = "diameters that do not differ", "Core a wider range of diameters."
        raise ModelError(Fault(got, "a range of diameters in a group", do, "age_from_diameter", 0, "diameter_cm"))
    error = np.zeros_like(design)
    error[:, -1] = cored.spread**2
    centred = value - value.mean(axis=0)
    shared = shared_part(centred)
    own = (centred - shared).std(axis=0)
    beta, covariance, scatter, projector = fit_line(value.mean(axis=0), design, value_sd=own, design_variance=error)
    count, free = value.shape[0], max(1, value.shape[1] - design.shape[1])
    size = np.sqrt(free / rng.chisquare(free, count))
    factor = np.linalg.cholesky(covariance + 1e-14 * np.eye(beta.size))
    drawn = beta + (rng.standard_normal((count, beta.size)) @ factor.T) * size[:, None] + shared @ projector.T
    lines = {}
    for number, (name, part) in enumerate(members.items()):
        variance = float(level[part].var(ddof=1))
        reliable = float(np.clip(1 - (cored.spread[part] ** 2).mean() / max(variance, 1e-300), 0.0, 1.0))
        lines[name] = DiameterLine(
            drawn[:, number], drawn[:, -1], scatter * size, float(level[part].mean()), reliable,
            float(cored.diameter[part].min()), float(cored.diameter[part].max()), float(cored.age[part].max()),
            int(part.sum()),
        )  # fmt: skip
    return lines, float(drawn[:, -1].std())


# ------------------------------------------------------------------ a straight line with error in both variables


def fit_line(
    values: ArrayLike, design: ArrayLike, *, value_sd: ArrayLike, design_variance: ArrayLike
) -> tuple[Array, Array, float, Array]:
    """Coefficients (p,), their covariance, the true scatter round the line, and the linear map from values (p, n).

    Values (n,) with known error; design (n, p) with the error variance of each entry (0 for intercepts).
    """
    # (X'WX - sum w E) b = X'Wy with E the error variances (Fuller, W. A. (1987). Measurement Error Models. Wiley; from
    # memory); weights 1 / (scatter + value + slope**2 * horizontal variance), the scatter chosen so that the weighted
    # squares sum to n - p. Own code: statsmodels has no line with known errors in both variables. Without horizontal
    # error this is its weighted least squares, which the tests compare.
    y, x = np.asarray(values, dtype=np.float64), np.asarray(design, dtype=np.float64)
    error = np.asarray(design_variance, dtype=np.float64)
    known = np.asarray(value_sd, dtype=np.float64) ** 2
    scatter, beta = float(np.var(y)), np.zeros(x.shape[1])
    projector: Array = np.zeros(x.T.shape)
    bread: Array = np.eye(x.shape[1])
    weight = np.ones(y.size)
    for _ in range(30):
        weight = 1.0 / (scatter + known + error @ beta**2 + 1e-12)
        raw = (x * weight[:, None]).T @ x
        corrected = raw - np.diag(weight @ error)
        _check_reliable(raw, np.diag(weight @ error))
        bread = np.asarray(np.linalg.inv(corrected), dtype=np.float64)
        projector = bread @ (x * weight[:, None]).T
        new = projector @ y
        scatter = _scatter(y - x @ new, known + error @ new**2, x.shape[1])
        done = np.allclose(new, beta, rtol=1e-9, atol=1e-12)
        beta = new
        if done:
            break
    meat = (x * weight[:, None]).T @ x
    return beta, bread @ meat @ bread, float(np.sqrt(scatter)), projector


def _scatter(residual: Array, known: Array, columns: int) -> float:
    """True scatter variance at which the weighted squares equal the degrees of freedom."""
    from scipy.optimize import brentq

    target = max(1, residual.size - columns)
    high = float(residual @ residual) / target + 1e-12

    def squares(scatter: float) -> float:
        """Weighted squares, falling with the scatter."""
        return float((residual**2 / np.maximum(scatter + known, 1e-300)).sum())

    if squares(0.0) <= target:
        return 0.0
    return float(brentq(lambda scatter: target / squares(scatter) - 1.0, 0.0, high, xtol=1e-14 * high))


def _check_reliable(raw: Array, error: Array) -> None:
    """Refuse when the horizontal variable is mostly error, within the other columns."""
    partial = 1.0 / np.diag(np.linalg.inv(raw))
    share = 1.0 - np.diag(error) / partial
    if np.any(share < LEAST_RELIABLE):
        got, need = f"{100 * max(float(share.min()), 0.0):.0f} % true variance in the diameters", "at least 30 %"
        do = "Measure diameters better, or core a wider range of them."
        raise ModelError(Fault(got, need, do, "age_from_diameter", 0, "diameter_sd_cm"))
