"""Fit a height curve to ages and heights, and heights of the tip from stem sections.

Layer 2. Nonlinear least squares (SciPy); Carmean's rule for tips hidden between cuts.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError, ModelError, require_nonnegative, require_positive, show
from treeage.height_curves import HeightCurve
from treeage.height_forms import GROWTH_FORMS, curve_parameters, raw_height

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]

_STARTS_REFINED: Final = 4  # choice: the best start values of the grid are refined, the best end is kept
_LEAST: Final = 1e-9  # choice: bound of parameters that must be above 0
_TOPS: Final = (1.05, 1.3, 1.8, 3.0)  # choice: asymptotes tried, in largest heights
_PACES: Final = (0.3, 1.0, 3.0)  # choice: rates tried, in inverse middle ages


@dataclass(frozen=True)
class CurveFit:
    """A height curve fitted by least squares.

    Parameters
    ----------
    curve : HeightCurve
        The fitted curve.
    parameters, standard_errors : dict of str to float
        Estimates and their standard errors, in the units of the data.
    residual_sd : float
        Residual standard deviation on the degrees of freedom [unit of the heights].
    degrees_of_freedom : int
        Observations minus parameters.
    log_likelihood : float
        Normal log-likelihood at its maximum.
    observations : int
        Pairs of age and height.
    """

    curve: HeightCurve
    parameters: dict[str, float]
    standard_errors: dict[str, float]
    residual_sd: float
    degrees_of_freedom: int
    log_likelihood: float
    observations: int

    def __repr__(self) -> str:
        values = ", ".join(f"{name} {value:.4g}" for name, value in self.parameters.items())
        return f"CurveFit({self.curve.form}: {values}; sd {self.residual_sd:.4g}, {self.observations} pairs)"

    @property
    def aic(self) -> float:
        """Akaike's information criterion.

        Returns
        -------
        float
            Twice the parameters (the variance counted) minus twice the log-likelihood; lower is better.
        """
        return 2 * (len(self.parameters) + 1) - 2 * self.log_likelihood

    def to_frame(self) -> pd.DataFrame:
        """Parameters as a table.

        Returns
        -------
        pandas.DataFrame
            One row for each parameter: estimate and standard_error.
        """
        import pandas as pd

        columns = {"estimate": self.parameters, "standard_error": self.standard_errors}
        return pd.DataFrame(columns).rename_axis("parameter")


def _grid(form: str, ages: Floats, heights: Floats) -> list[tuple[float, ...]]:
    """Start values of a form over a coarse grid of asymptotes, rates and shapes."""
    middle, top = float(np.median(ages)), float(heights.max())
    tops = [share * top for share in _TOPS]
    paces = [pace / middle for pace in _PACES]
    shapes = (0.7, 1.2, 2.0)
    grids: dict[str, list[list[float]]] = {
        "chapman_richards": [tops, paces, list(shapes)],
        "schumacher": [tops, [middle * pace for pace in _PACES]],
        "gompertz": [tops, [1.5, 3.0, 6.0], paces],
        "logistic": [tops, [2.0, 6.0, 20.0], paces],
        "asymptotic": [tops, [-0.1 * top, 0.0, 0.1 * top], [float(np.log(pace)) for pace in paces]],
        "hossfeld_quadratic": [
            [share * middle**2 / top for share in (0.1, 0.5, 1.0)],
            [share * middle / top for share in (0.1, 0.5, 1.0)],
            [1 / high for high in tops],
        ],
    }
    if form in grids:
        return list(product(*grids[form]))
    power = -1.0 if form == "korf" else (-1.0 if form == "hossfeld_iv" else 1.0)
    return [
        (high, (pace * middle) ** power * middle ** (s if form != "weibull" else -s), s)
        for high, pace, s in product(tops, _PACES, shapes)
    ]


def fit_curve(form: str, ages: ArrayLike, heights: ArrayLike) -> CurveFit:
    """Fit a height curve to ages and heights by least squares.

    Parameters
    ----------
    form : str
        A form of `treeage.height.CURVE_FORMS` without a site index.
    ages : array-like, shape (n,)
        Ages [years], above 0; more than the form has parameters.
    heights : array-like, shape (n,)
        Heights, at least 0, in any one unit: the parameters come out in that unit.

    Returns
    -------
    CurveFit
        Estimates, standard errors, residual standard deviation and log-likelihood.

    Raises
    ------
    InputError
        If the ages or heights are out of range, of different length or too few.
    ModelError
        If the form is unknown or has a site index, or the fit does not converge.

    Notes
    -----
    Independent normal errors of one spread about H(t). Start values come from a coarse grid, the best few are
    refined with bounds that keep parameters above 0 where the form needs it. Standard errors are
    those of the linearised model. Heights of one tree at several ages are not independent: the standard errors are
    then too small. For years to a height use a height model, which keeps the spread between trees.

    References
    ----------
    .. [1] Bates, D. M. & Watts, D. G. (1988). Nonlinear Regression Analysis and Its Applications. Wiley (from
       memory).

    Examples
    --------
    >>> age = np.array([3.0, 5, 10, 15, 20, 25])
    >>> fit = fit_curve("schumacher", age, 40 * np.exp(-15 / age))
    >>> round(fit.parameters["asymptote"], 6), round(fit.parameters["rate"], 6)
    (40.0, 15.0)
    """
    from scipy.optimize import least_squares

    where = "fit_curve"
    names = curve_parameters(form)
    if "site_index" in names:
        allowed = ", ".join(key for key, entry in GROWTH_FORMS.items() if "site_index" not in entry.names)
        raise ModelError(Fault(show(form), f"one of {allowed}", "Choose one.", where, 0, "form"))
    (age,) = require_positive(where, ages=ages)
    (height,) = require_nonnegative(where, heights=heights)
    if age.ndim != 1 or age.shape != height.shape or age.size <= len(names):
        got = f"shapes {age.shape} and {height.shape}"
        need = f"two rows of one length above {len(names)}"
        raise InputError(Fault(got, need, "Pass more pairs.", where, 0, "ages, heights"))
    free = GROWTH_FORMS[form].may_be_negative
    low = np.array([-np.inf if name in free else _LEAST for name in names])

    def residuals(values: Floats) -> Floats:
        found = raw_height(form, age, tuple(values)) - height
        return np.where(np.isfinite(found), found, 1e6)

    starts = sorted(_grid(form, age, height), key=lambda start: float(np.sum(residuals(np.array(start)) ** 2)))
    fits = [
        least_squares(residuals, start, bounds=(low, np.inf), x_scale="jac", xtol=1e-12, ftol=1e-14, gtol=1e-12)
        for start in starts[:_STARTS_REFINED]
    ]
    best = min(fits, key=lambda fit: float(fit.cost))
    if not best.success or not np.all(np.isfinite(best.x)):
        do = "Try a form with fewer parameters, or look for a wrong pair."
        raise ModelError(Fault("no convergence", f"a {form} curve through the pairs", do, where, 0, "form"))
    return _summary(form, names, best.x, best.jac, residuals(best.x))


def _summary(form: str, names: tuple[str, ...], values: Floats, slopes: Floats, residual: Floats) -> CurveFit:
    square_sum, count = float(residual @ residual), residual.size
    degrees = count - len(names)
    variance = square_sum / degrees
    errors = np.sqrt(np.maximum(np.diag(np.linalg.pinv(slopes.T @ slopes)) * variance, 0.0))
    estimates = tuple(float(value) for value in values)
    return CurveFit(
        curve=HeightCurve(form, estimates),
        parameters=dict(zip(names, estimates, strict=True)),
        standard_errors=dict(zip(names, errors.tolist(), strict=True)),
        residual_sd=float(np.sqrt(variance)),
        degrees_of_freedom=degrees,
        log_likelihood=float(-0.5 * count * (np.log(2 * np.pi * max(square_sum, 1e-300) / count) + 1)),
        observations=count,
    )


def tip_heights(
    cut_heights_m: ArrayLike, rings: ArrayLike, *, age_years: int | None = None
) -> tuple[NDArray[np.int64], Floats]:
    """Ages and heights of the tips hidden between the cuts of a sectioned stem.

    Parameters
    ----------
    cut_heights_m : array-like, shape (n,)
        Heights of the cuts above the collar [m], rising, at least 0; at least two.
    rings : array-like of int, shape (n,)
        Rings at each cut, never more than below.
    age_years : int, optional
        Growing seasons of the tree [years]; the rings of the lowest cut by default, right for a cut at the collar.

    Returns
    -------
    ages : numpy.ndarray of int, shape (m,)
        Complete seasons.
    heights_m : numpy.ndarray, shape (m,)
        Height of the tip at the end of that season [m].

    Raises
    ------
    InputError
        If the cuts do not rise, rings increase upward or the age is below the rings of the lowest cut.

    Notes
    -----
    Between cuts i and i + 1 lie m = r[i] - r[i + 1] tips; tip j is at age n - r[i] + j and height
    h[i] + (h[i + 1] - h[i]) (j - 1/2) / m [1]_: equal growth between cuts, each cut in the middle of a season. The
    passing time of cut i lies in (n - r[i], n - r[i] + 1], so that on average total age = rings + time - 1/2.

    References
    ----------
    .. [1] Carmean, W. H. (1972). Site index curves for upland oaks in the Central States. Forest Science 18,
       109-120 (from memory).

    Examples
    --------
    >>> ages, heights = tip_heights([0, 0.3, 1.3], [20, 18, 14])
    >>> ages.tolist(), heights.round(3).tolist()
    ([1, 2, 3, 4, 5, 6], [0.075, 0.225, 0.425, 0.675, 0.925, 1.175])
    """
    where = "tip_heights"
    cuts, counts = require_nonnegative(where, cut_heights_m=cut_heights_m, rings=rings)
    if cuts.ndim != 1 or cuts.shape != counts.shape or cuts.size < 2:
        got = f"shapes {cuts.shape} and {counts.shape}"
        raise InputError(Fault(got, "two rows of one length, 2 or more", "Pair them.", where, 0, "rings"))
    if np.any(np.diff(cuts) <= 0) or np.any(np.diff(counts) > 0):
        got = f"heights {cuts.tolist()} and rings {counts.tolist()}"
        raise InputError(Fault(got, "heights [m] that rise and rings that do not", "Sort the cuts.", where, 0, "rings"))
    age = int(counts[0]) if age_years is None else int(age_years)
    if age < counts[0]:
        need = f"at least the {int(counts[0])} rings of the lowest cut [years]"
        raise InputError(Fault(str(age), need, "Correct the age.", where, 0, "age_years"))
    hidden = (counts[:-1] - counts[1:]).astype(np.int64)
    section = np.repeat(np.arange(hidden.size), hidden)
    tip = np.arange(hidden.sum()) - np.repeat(np.cumsum(hidden) - hidden, hidden) + 1
    ages = age - counts[:-1].astype(np.int64)[section] + tip
    return ages, cuts[section] + np.diff(cuts)[section] * (tip - 0.5) / hidden[section]
