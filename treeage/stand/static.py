"""Static age-structure models: constant and declining mortality fitted to counts by age with Poisson likelihood.

Exponential and power forms (Leak 1975; Hett and Loucks 1976); dating error averaged over joint draws.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from treeage.display import Result
from treeage.errors import (
    Fault,
    InputError,
    public,
    require_nonnegative,
    require_positive,
    require_probability,
    require_whole,
    show,
)
from treeage.pmf import freeze_arrays
from treeage.schema import Word
from treeage.stand.structure import Array, Ints, check_draws, check_weights

if TYPE_CHECKING:
    import pandas as pd

SMOOTHED_SHARE = 0.1  # choice: the area of a class is shared with its neighbours over a tenth of the classes
POOR_FIT = 0.01  # choice: a form does not fit if so great a scatter comes by chance in fewer stands than this
MOST_STEPS = 100  # choice: a fit takes 5 to 10
CLEAR_WEIGHT = 0.9  # choice: below this weight the data hardly tell the forms apart
CAVEAT = (
    "A static model reads the living trees as if establishment had been steady and mortality the same for all "
    "cohorts. The dead are missing: a pulse of establishment and a change of mortality can leave the same ages "
    "(Johnson, Miyanishi and Kleb 1994)."
)


class StaticForm(Word):
    """How trees become fewer with age; values name the forms in tables."""

    EXPONENTIAL = "exponential"  # N = N0 * exp(-b * age): constant mortality
    POWER = "power"  # N = N0 * age**(-b): mortality declines with age

    def level(self, ages: Array) -> Array:
        """The scale of age on which log N is a straight line."""
        return ages if self is StaticForm.EXPONENTIAL else np.log(ages)


@dataclass(frozen=True)
class StaticModels(Result):
    """Static models of an age structure, dating error included; from `static_models`.

    Parameters
    ----------
    ages : numpy.ndarray, shape (k,)
        Mean age of the classes [years].
    counts : numpy.ndarray, shape (k,)
        Mean count of each class over the joint draws; trees per hectare if the trees were weighted.
    estimate, sd : mapping of str to numpy.ndarray, shape (2,)
        log N0 and b of each form, and their standard deviations with dating error and overdispersion. N is
        N0 * exp(-b * age), b being the rate of mortality (exponential; a share 1 - exp(-b) dies in a year), or
        N0 * age**(-b) (power).
    aic, dispersion : mapping of str to float
        Mean Akaike criterion, and the Pearson statistic over its degrees of freedom.
    prob : float
        Probability of the intervals.
    per_ha : bool
        Whether the trees were weighted by trees per hectare.
    """

    _digits = 4
    _caveats = (CAVEAT,)

    ages: Array
    counts: Array
    estimate: Mapping[str, Array]
    sd: Mapping[str, Array]
    aic: Mapping[str, float]
    dispersion: Mapping[str, float]
    prob: float
    per_ha: bool = False

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def to_frame(self) -> pd.DataFrame:
        """One row a form: b with its interval, survival per year (exponential only), Akaike weight, dispersion."""
        import pandas as pd
        from scipy.special import ndtri

        best = min(self.aic.values())
        total = sum(np.exp(-(value - best) / 2) for value in self.aic.values())
        rows = []
        for form in StaticForm:
            value, spread = self.estimate[form][1], self.sd[form][1] * ndtri(0.5 + self.prob / 2)
            survival = float(np.exp(-value)) if form is StaticForm.EXPONENTIAL else float("nan")
            weight = float(np.exp(-(self.aic[form] - best) / 2) / total)
            ends = (value, value - spread, value + spread)
            rows.append((form.value, *ends, survival, self.aic[form], weight, self.dispersion[form], self.prob))
        names = ["model", "b", "b_lo", "b_hi", "survival_per_year", "aic", "aic_weight", "dispersion", "prob"]
        return pd.DataFrame(rows, columns=names)

    def sentence(self) -> str:
        """Both rates, which form fits better if one does, and the caveat."""
        frame = self.to_frame().set_index("model")
        first, second = frame.loc[StaticForm.EXPONENTIAL], frame.loc[StaticForm.POWER]
        percent = [-100 * np.expm1(-first[name]) for name in ("b", "b_lo", "b_hi")]  # less than the rate b
        if first["b"] <= 0:
            return (
                "The living trees do not become fewer with age, so no mortality can be read from their ages "
                f"(constant form: {percent[0]:.2f} % a year). Establishment was not steady."
            )
        return (
            f"Constant mortality: {percent[0]:.2f} % a year ({percent[1]:.2f} to {percent[2]:.2f}); declining "
            f"mortality: exponent {second['b']:.2f} ({second['b_lo']:.2f} to {second['b_hi']:.2f}). "
            f"Both hold only if establishment was steady. {self._verdict(frame)}"
        )

    def _verdict(self, frame: pd.DataFrame) -> str:
        """Whether a form fits, and whether one fits better."""
        from scipy.special import chdtrc

        free = max(1, self.ages.size - 2)  # two parameters each
        least = float(frame["dispersion"].min())
        if chdtrc(free, least * free) < POOR_FIT:
            return (
                f"Neither form fits: the counts scatter {least:.1f} times as much as chance lets them (dispersion), so "
                "read no mortality from them."
            )
        weight = float(frame["aic_weight"].max())
        if weight < CLEAR_WEIGHT:
            return f"The data hardly tell the two forms apart (Akaike weights {weight:.2f} and {1 - weight:.2f})."
        return f"The {frame['aic'].idxmin()} form fits better (Akaike weight {weight:.2f})."


@public
def static_models(
    draws: ArrayLike,
    *,
    survey_year: int,
    bin_years: int,
    youngest: int = 1,
    prob: float = 0.9,
    count: int = 200,
    trees_per_ha: ArrayLike | None = None,
) -> StaticModels:
    """Fit both static models to the ages of a stand, dating error included.

    Parameters
    ----------
    draws : array-like, shape (draws, n)
        Establishment years with shared error included; one column a tree.
    survey_year : int
        Year to which ages are counted (the outer ring).
    bin_years : int
        Width of the age classes [years], at least 1.
    youngest : int, default 1
        Ages below this are left out [years]; no tree is younger than 1. Choose it a class above the smallest cored age:
        at a sharp edge the dating error carries trees out of the first class, which looks like less mortality.
    prob : float, default 0.9
        Probability of the intervals.
    count : int, default 200
        Draws to which the models are fitted (choice: far below sampling error).
    trees_per_ha : array-like, shape (n,), optional
        Trees per hectare that each tree stands for, above 0; every tree counts once by default. Needed where small
        (mostly young) trees were looked for on a smaller area than large ones.

    Returns
    -------
    StaticModels
        Both fits.

    Raises
    ------
    InputError
        If fewer than 3 age classes are covered, all trees fall into one, or the weights are not one above 0 for each
        tree.

    Notes
    -----
    Poisson likelihood with a log link [1]_. Logs of counts are not fitted: empty classes would have to be dropped.
    Ages are whole years, so a class of ages a to a + bin_years - 1 has the mean a + (bin_years - 1) / 2. The variance
    is that within draws, times the dispersion where that is above 1, plus that between draws [2]_.

    Weighted trees are not multiplied, which would make a few trees look like many. The trees per hectare of a class
    have the variance sum w**2, so they carry as much as sum w / f trees, f = sum w**2 / sum w [3]_, found on 1 / f
    hectares: that is what is fitted, as counts with an exposure. If all trees of the class and its neighbours have one
    weight, these are the trees and the area on which they were looked for. f is smoothed over neighbouring classes,
    so that it does not follow the chance of single trees.

    Draws whose trees all fall into one class have no finite fit and are left out.

    References
    ----------
    .. [1] McCullagh, P. and Nelder, J. A. (1989). Generalized Linear Models. Chapman and Hall. (From memory.)
    .. [2] Rubin, D. B. (1987). Multiple Imputation for Nonresponse in Surveys. Wiley. (From memory.)
    .. [3] Kish, L. (1965). Survey Sampling. Wiley. (From memory.)

    Examples
    --------
    Each class has twice the trees per hectare of the next older one; up to 40 years they were looked for on half the
    area.

    >>> years = np.repeat([2010, 1990, 1970, 1950], [40, 20, 20, 10])
    >>> weights = np.repeat([20.0, 20.0, 10.0, 10.0], [40, 20, 20, 10])
    >>> models = static_models([years], survey_year=2020, bin_years=20, trees_per_ha=weights)
    >>> models.counts.tolist(), round(float(models.estimate["exponential"][1]), 4)
    ([800.0, 400.0, 200.0, 100.0], 0.0347)
    """
    where = "static_models"
    array = check_draws(where, draws)
    require_probability(where, prob=prob)
    require_whole(where, "bin_years", bin_years, 1)
    require_whole(where, "count", count, 1)
    picked = array[np.linspace(0, array.shape[0] - 1, min(count, array.shape[0])).astype(int)]
    youngest = max(1, youngest)
    cell = np.floor((survey_year - np.rint(picked) + 1 - youngest) / bin_years).astype(np.int64)
    size = int(np.quantile(cell.max(axis=1), 0.5)) + 1
    if size < 3:
        do = "Use narrower classes, or older trees."
        raise InputError(Fault(f"{size} age classes", "at least 3", do, where, 0, "bin_years"))
    weight = check_weights(where, trees_per_ha, array.shape[1], name="trees_per_ha")
    counts, exposure = _effective_counts(cell, size, weight)
    ages = np.asarray(youngest + bin_years * np.arange(size) + (bin_years - 1) / 2, dtype=np.float64)
    estimate: dict[str, Array] = {}
    sd: dict[str, Array] = {}
    aic: dict[str, float] = {}
    dispersion: dict[str, float] = {}
    for form in StaticForm:
        fit = fit_static(ages, counts, form=form, exposure=exposure)
        spread = float((fit.pearson / (size - 2)).mean())
        within = np.diagonal(fit.covariance, axis1=-2, axis2=-1).mean(axis=0) * max(1.0, spread)
        between = fit.estimate.var(axis=0) * (1 + 1 / len(fit.estimate))
        estimate[form.value], sd[form.value] = fit.estimate.mean(axis=0), np.sqrt(within + between)
        aic[form.value], dispersion[form.value] = float(fit.aic.mean()), spread
    middle = np.asarray(counts.mean(axis=0) / exposure, dtype=np.float64)
    return StaticModels(ages, middle, estimate, sd, aic, dispersion, prob, trees_per_ha is not None)


def _effective_counts(cell: Ints, size: int, weight: Array) -> tuple[Array, Array]:
    """Trees that each class of each draw is worth, and the hectares that they stand on; see `static_models`."""
    rows = cell.shape[0]
    inside = (cell >= 0) & (cell < size)
    flat = (np.clip(cell, 0, size - 1) + size * np.arange(rows)[:, None]).ravel()
    expanded, squared = (
        np.bincount(flat, weights=(inside * weight**power).ravel(), minlength=size * rows).reshape(rows, size)
        for power in (1, 2)
    )
    apart = np.abs(np.subtract.outer(np.arange(size), np.arange(size)))
    near = np.exp(-apart / max(1.0, SMOOTHED_SHARE * size))
    exposure = (near @ expanded.sum(axis=0)) / (near @ squared.sum(axis=0))
    return expanded * exposure, exposure


@dataclass(frozen=True)
class StaticFit:
    """Fits of one form to rows of counts: log N0 and b (rows, 2), their covariance, AIC and Pearson statistic."""

    estimate: Array
    covariance: Array
    aic: Array
    pearson: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)


def fit_static(ages: ArrayLike, counts: ArrayLike, *, form: StaticForm, exposure: ArrayLike = 1.0) -> StaticFit:
    """Fit counts by age, shape (rows, k) or (k,), with one static model; exposure * N trees are expected in a class.

    `ages` are the middle ages of classes of one width [years], `exposure` the area on which the trees of each were
    looked for: N refers to the unit of area. Rows without a finite fit (all trees in one class) are left out.
    """
    from statsmodels.genmod.families import Poisson
    from statsmodels.genmod.generalized_linear_model import GLM
    from statsmodels.tools.sm_exceptions import PerfectSeparationWarning

    where = "fit_static"
    (age,) = require_positive(where, ages=ages)
    rows = np.atleast_2d(require_nonnegative(where, counts=counts)[0])
    area = np.broadcast_to(require_positive(where, exposure=exposure)[0], age.shape)
    if age.size < 2 or np.any(rows.sum(axis=1) == 0):
        got = f"{age.size} classes and {show(float(rows.sum()))} trees"
        raise InputError(Fault(got, "at least 2 classes and 1 tree", "Use narrower classes.", where, 0, "counts"))
    design = np.stack([np.ones_like(age), -form.level(age)], axis=1)
    different, which = np.unique(rows, axis=0, return_inverse=True)  # exact dates give the same counts in every draw
    fits: list[Any] = []
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore", PerfectSeparationWarning)  # counts that lie on the line are no fault
        for row in different:
            try:
                model = GLM(row, design, family=Poisson(), exposure=area)
                fits.append(model.fit(maxiter=MOST_STEPS, tol=1e-10, tol_criterion="params"))
            except ValueError:  # the steps ran away
                fits.append(None)
    told = [fits[at] for at in which.ravel() if fits[at] is not None and fits[at].converged]
    if not told:
        got, need = "no draw with a finite fit", "trees in at least 2 age classes"
        raise InputError(Fault(got, need, "Use narrower classes.", where, 0, "counts"))
    columns = zip(*((fit.params, fit.cov_params(), fit.aic, fit.pearson_chi2) for fit in told), strict=True)
    return StaticFit(*map(np.array, columns))
