"""Mean height curves: the equations of one table, a curve with fixed parameters, its fit, and the tips of a stem.

Textbook growth forms (Burkhart & Tome 2012, Modeling Forest Trees and Stands; Clutter et al. 1983), from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import product
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError, ModelError, require_nonnegative, require_positive, show
from treeage.pmf import freeze_arrays
from treeage.schema import CountsFrom, Word, word_of

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]

_STARTS_REFINED: Final = 4  # choice: the best start values of the grid are refined, the best end is kept
_LEAST: Final = 1e-9  # choice: bound of parameters that must be above 0
_TOPS: Final = (1.05, 1.3, 1.8, 3.0)  # choice: asymptotes tried, in largest heights
_PACES: Final = (0.3, 1.0, 3.0)  # choice: rates tried, in inverse middle ages
_SHAPES: Final = (0.7, 1.2, 2.0)  # choice: shapes tried


class BelowStart(Word):
    """What a height below that of age 0 gives: age 0, an error, or the negative age of the equation."""

    CLAMP = "clamp"
    REFUSE = "refuse"
    EXTEND = "extend"


# ---------------------------------------------------------------------- equations


@dataclass(frozen=True)
class CurveEquation:
    """One curve form: names of its parameters, H(t), t(H), the asymptote, and start values for a fit.

    `starts` takes a middle age and the largest height; a form with a site index has none and is not fitted.
    """

    names: tuple[str, ...]
    height: Callable[..., Floats]
    age: Callable[..., Floats]
    asymptote: Callable[..., float]
    starts: Callable[[float, float], Iterable[tuple[float, ...]]] | None = None
    may_be_negative: frozenset[str] = frozenset()


def _tops(top: float) -> list[float]:
    return [share * top for share in _TOPS]


def _rates(middle: float) -> list[float]:
    return [pace / middle for pace in _PACES]


def _power_starts(middle: float, top: float, power: float, sign: float) -> list[tuple[float, ...]]:
    """Asymptote, rate and shape where the rate belongs to a power of the age."""
    tries = product(_tops(top), _PACES, _SHAPES)
    return [(high, (pace * middle) ** power * middle ** (sign * shape), shape) for high, pace, shape in tries]


def _hossfeld_starts(middle: float, top: float) -> Iterable[tuple[float, ...]]:
    shares = (0.1, 0.5, 1.0)
    constants, slopes = [share * middle**2 / top for share in shares], [share * middle / top for share in shares]
    return product(constants, slopes, [1 / high for high in _tops(top)])


def _asymptotic_starts(middle: float, top: float) -> Iterable[tuple[float, ...]]:
    return product(_tops(top), [-0.1 * top, 0.0, 0.1 * top], [float(np.log(rate)) for rate in _rates(middle)])


def _hossfeld_age(h: Floats, a: float, b: float, c: float) -> Floats:
    return (h * b + np.sqrt(h**2 * b**2 + 4 * (1 - h * c) * h * a)) / (2 * (1 - h * c))


def _hossfeld_top(a: float, b: float, c: float) -> float:
    return 1 / c if c > 0 else np.inf


def _polymorphic_height(t: Floats, s: float, b1: float, b2: float, b3: float, b4: float, b5: float) -> Floats:
    return np.asarray(b1 * s**b2 * (-np.expm1(b3 * t)) ** (b4 * s**b5))


def _polymorphic_age(h: Floats, s: float, b1: float, b2: float, b3: float, b4: float, b5: float) -> Floats:
    return np.asarray(np.log1p(-((h / (b1 * s**b2)) ** (1 / (b4 * s**b5)))) / b3)


def _king(s: float, a0: float, a1: float, b0: float, b1: float, c0: float, c1: float) -> tuple[float, float, float]:
    z = 2500 / (s - 4.5)
    return a0 + a1 * z, b0 + b1 * z, c0 + c1 * z


def _bruce(s: float, y0: float, y1: float, c0: float, c1: float, c2: float, c3: float) -> tuple[float, float, float]:
    """Exponent, slope and base of H = S exp(slope (T**exponent - base))."""
    years, share = y0 + y1 * s, s / 100
    exponent = c0 + c1 * share + c2 * share**2 + c3 * share**3
    base = (50 + years) ** exponent
    return exponent, np.log(4.5 / s) / (years**exponent - base), base


def _bruce_height(t: Floats, s: float, *coefficients: float) -> Floats:
    exponent, slope, base = _bruce(s, *coefficients)
    return np.asarray(s * np.exp(slope * (t**exponent - base)))


def _bruce_age(h: Floats, s: float, *coefficients: float) -> Floats:
    exponent, slope, base = _bruce(s, *coefficients)
    return np.asarray((np.log(h / s) / slope + base) ** (1 / exponent))


def _bruce_top(s: float, *coefficients: float) -> float:
    _, slope, base = _bruce(s, *coefficients)
    return float(s * np.exp(-slope * base))


EQUATIONS: Final[Mapping[str, CurveEquation]] = {
    "chapman_richards": CurveEquation(
        ("asymptote", "rate", "shape"),
        lambda t, a, k, p: a * (-np.expm1(-k * t)) ** p,
        lambda h, a, k, p: -np.log1p(-((h / a) ** (1 / p))) / k,
        lambda a, k, p: a,
        lambda middle, top: product(_tops(top), _rates(middle), _SHAPES),
    ),
    "schumacher": CurveEquation(
        ("asymptote", "rate"),
        lambda t, a, b: a * np.exp(-b / t),
        lambda h, a, b: b / np.log(a / h),
        lambda a, b: a,
        lambda middle, top: product(_tops(top), [middle * pace for pace in _PACES]),
    ),
    "korf": CurveEquation(
        ("asymptote", "rate", "shape"),
        lambda t, a, b, c: a * np.exp(-b * t**-c),
        lambda h, a, b, c: (b / np.log(a / h)) ** (1 / c),
        lambda a, b, c: a,
        partial(_power_starts, power=-1.0, sign=1.0),
    ),
    "weibull": CurveEquation(
        ("asymptote", "rate", "shape"),
        lambda t, a, b, c: -a * np.expm1(-b * t**c),
        lambda h, a, b, c: (-np.log1p(-h / a) / b) ** (1 / c),
        lambda a, b, c: a,
        partial(_power_starts, power=1.0, sign=-1.0),
    ),
    "hossfeld_iv": CurveEquation(
        ("asymptote", "rate", "shape"),
        lambda t, a, b, c: a * t**c / (b + t**c),
        lambda h, a, b, c: (b * h / (a - h)) ** (1 / c),
        lambda a, b, c: a,
        partial(_power_starts, power=-1.0, sign=1.0),
    ),
    "hossfeld_quadratic": CurveEquation(
        ("constant", "linear", "quadratic"),
        lambda t, a, b, c: t**2 / (a + b * t + c * t**2),
        _hossfeld_age,
        _hossfeld_top,
        _hossfeld_starts,
        frozenset({"linear"}),
    ),
    "logistic": CurveEquation(
        ("asymptote", "shape", "rate"),
        lambda t, a, b, k: a / (1 + b * np.exp(-k * t)),
        lambda h, a, b, k: np.log(b / (a / h - 1)) / k,
        lambda a, b, k: a,
        lambda middle, top: product(_tops(top), [2.0, 6.0, 20.0], _rates(middle)),
    ),
    "gompertz": CurveEquation(
        ("asymptote", "shape", "rate"),
        lambda t, a, b, k: a * np.exp(-b * np.exp(-k * t)),
        lambda h, a, b, k: -np.log(np.log(a / h) / b) / k,
        lambda a, b, k: a,
        lambda middle, top: product(_tops(top), [1.5, 3.0, 6.0], _rates(middle)),
    ),
    "asymptotic": CurveEquation(
        ("asymptote", "start", "log_rate"),
        lambda t, a, r0, lrc: a + (r0 - a) * np.exp(-np.exp(lrc) * t),
        lambda h, a, r0, lrc: -np.log((a - h) / (a - r0)) / np.exp(lrc),
        lambda a, r0, lrc: a,
        _asymptotic_starts,
        frozenset({"start", "log_rate"}),
    ),
    "polymorphic": CurveEquation(
        ("site_index", "b1", "b2", "b3", "b4", "b5"),
        _polymorphic_height,
        _polymorphic_age,
        lambda s, b1, b2, b3, b4, b5: b1 * s**b2,
        may_be_negative=frozenset({"b3", "b5"}),
    ),
    "polymorphic_breast_height": CurveEquation(
        ("breast_height", "site_index", "b1", "b2", "b3", "b4", "b5"),
        lambda t, base, s, *b: base + _polymorphic_height(t, s, *b),
        lambda h, base, s, *b: _polymorphic_age(h - base, s, *b),
        lambda base, s, b1, b2, b3, b4, b5: base + b1 * s**b2,
        may_be_negative=frozenset({"b3", "b5"}),
    ),
    "king": CurveEquation(
        ("site_index", "a0", "a1", "b0", "b1", "c0", "c1"),
        lambda t, s, *k: 4.5 + t**2 / (_king(s, *k)[0] + _king(s, *k)[1] * t + _king(s, *k)[2] * t**2),
        lambda h, s, *k: _hossfeld_age(h - 4.5, *_king(s, *k)),
        lambda s, *k: 4.5 + _hossfeld_top(*_king(s, *k)),
        may_be_negative=frozenset({"a0", "c0"}),
    ),
    "bruce": CurveEquation(
        ("site_index", "y0", "y1", "c0", "c1", "c2", "c3"),
        _bruce_height,
        _bruce_age,
        _bruce_top,
        may_be_negative=frozenset({"y1", "c0", "c1", "c3"}),
    ),
}


def curve_parameters(form: str) -> tuple[str, ...]:
    """Names of the parameters of a curve form, in order; ModelError if there is no such form."""
    if form not in EQUATIONS:
        need = f"one of {', '.join(EQUATIONS)}"
        raise ModelError(Fault(show(form), need, "Use such a form.", "height curve", 0, "form"))
    return EQUATIONS[form].names


def raw_height(form: str, ages: ArrayLike, values: tuple[float, ...]) -> Floats:
    """Heights at ages [years] as the equation gives them, in the unit of the parameters, below 0 included."""
    with np.errstate(all="ignore"):
        return np.asarray(EQUATIONS[form].height(np.asarray(ages, dtype=np.float64), *values), dtype=np.float64)


# ---------------------------------------------------------------------- a curve


@dataclass(frozen=True)
class HeightCurve:
    """A mean height curve with fixed parameters; made by `height_curve`.

    Parameters
    ----------
    form : str
        A form of `height_curve`.
    values : tuple of float
        Its parameters, in the order of the form.
    unit_m : float, default 1.0
        Length of the unit of the parameters [m]; 0.3048 for curves in feet.
    counts_from : {'collar', 'breast height'}, default 'collar'
        Where age 0 is: at the collar, or at the year breast height was reached.
    """

    form: str
    values: tuple[float, ...]
    unit_m: float = 1.0
    counts_from: CountsFrom = CountsFrom.COLLAR

    @property
    def asymptote_m(self) -> float:
        """Height the curve never reaches [m]; infinite if there is none."""
        return float(EQUATIONS[self.form].asymptote(*self.values)) * self.unit_m

    @property
    def start_m(self) -> float:
        """Height at age 0 [m]; below 0 for an asymptotic regression that starts under the ground."""
        return float(raw_height(self.form, 0.0, self.values)) * self.unit_m

    def height_at(self, age_years: ArrayLike) -> Floats:
        """Height at an age.

        Parameters
        ----------
        age_years : array-like
            Age on the curve's own axis [years], at least 0.

        Returns
        -------
        numpy.ndarray
            Height [m]; 0 where the equation is below 0.

        Raises
        ------
        InputError
            If an age is negative or not finite.

        Examples
        --------
        >>> curve = height_curve("chapman_richards", {"asymptote": 30, "rate": 0.05, "shape": 1.3})
        >>> round(float(curve.height_at(20)), 6)
        16.525749
        """
        (ages,) = require_nonnegative("HeightCurve.height_at", age_years=age_years)
        return np.asarray(np.maximum(raw_height(self.form, ages, self.values) * self.unit_m, 0.0))

    def age_at(self, height_m: ArrayLike, *, below_start: str = BelowStart.CLAMP) -> Floats:
        """Age at which the curve passes a height.

        Parameters
        ----------
        height_m : array-like
            Height [m], at least 0 and below the asymptote.
        below_start : {'clamp', 'refuse', 'extend'}, default 'clamp'
            What a height below that of age 0 gives: age 0 (the tree has passed it from the start), an
            error, or the negative age of the equation.

        Returns
        -------
        numpy.ndarray
            Age on the curve's own axis [years].

        Raises
        ------
        InputError
            If a height is negative or not finite.
        ModelError
            If a height is at or above the asymptote, or below the height at age 0 where the curve says
            nothing (refused, or a curve that counts from breast height).

        Notes
        -----
        The inverse of a mean height curve is biased for the mean age at a height when trees vary: use a
        height model, which carries the spread between trees, for anything but the curve itself.

        Examples
        --------
        >>> curve = height_curve("chapman_richards", {"asymptote": 30, "rate": 0.05, "shape": 1.3})
        >>> round(float(curve.age_at(1.3)), 6)
        1.873321
        """
        where = f"{self.form} curve"
        (heights,) = require_nonnegative(where, height_m=height_m)
        below = word_of(BelowStart, below_start, where, "below_start")
        if np.any(heights >= self.asymptote_m):
            need = f"below the asymptote of {self.asymptote_m:.4g} [m], which is never reached"
            raise ModelError(Fault(f"{heights.max():g}", need, "Ask for a lower height.", where, 0, "height_m"))
        early = heights < self.start_m
        if np.any(early) and (below is BelowStart.REFUSE or self.counts_from != CountsFrom.COLLAR):
            need = f"at least {self.start_m:.4g} [m], where the curve starts"
            raise ModelError(Fault(f"{heights.min():g}", need, "Use a model of early growth.", where, 0, "height_m"))
        with np.errstate(all="ignore"):
            ages = np.asarray(EQUATIONS[self.form].age(heights / self.unit_m, *self.values), dtype=np.float64)
        return ages if below is BelowStart.EXTEND else np.where(early, 0.0, np.maximum(ages, 0.0))


def height_curve(
    form: str, parameters: Mapping[str, float], *, unit_m: float = 1.0, counts_from: str = CountsFrom.COLLAR
) -> HeightCurve:
    """Make a height curve from a form and its named parameters.

    Parameters
    ----------
    form : str
        A form of the Notes.
    parameters : mapping of str to float
        All parameters of the form, in one unit of length and years.
    unit_m : float, default 1.0
        Length of that unit [m].
    counts_from : {'collar', 'breast height'}, default 'collar'
        Where age 0 is.

    Returns
    -------
    HeightCurve
        The curve.

    Raises
    ------
    ModelError
        If the form is unknown, a parameter is missing or unknown, or is not of the sign the form needs.

    Notes
    -----
    Forms [1]_, H(t) with asymptote A, rate k or b, shape p or c:
    chapman_richards A (1 - e^(-kt))^p; schumacher A e^(-b/t); korf A exp(-b t^-c); weibull A (1 - exp(-b
    t^c)); hossfeld_iv A t^c/(b + t^c); hossfeld_quadratic t^2/(constant + linear t + quadratic t^2);
    logistic A/(1 + shape e^(-kt)); gompertz A exp(-shape e^(-kt)); asymptotic A + (start - A)
    exp(-e^log_rate t); polymorphic b1 S^b2 (1 - e^(b3 t))^(b4 S^b5) with site index S, from the collar or
    above breast height; king and bruce as in the published curves of these names.

    References
    ----------
    .. [1] Burkhart, H. E. & Tome, M. (2012). Modeling Forest Trees and Stands. Springer (from memory).

    Examples
    --------
    >>> height_curve("schumacher", {"asymptote": 40, "rate": 15}).height_at(20).round(6).item()
    18.894662
    """
    names = curve_parameters(form)
    where = f"{form} curve"
    if set(parameters) != set(names):
        got = ", ".join(sorted(parameters)) or "no parameters"
        raise ModelError(Fault(got, ", ".join(names), "Give exactly these.", where, 0, "parameters"))
    values = tuple(float(parameters[name]) for name in names)
    for name, value in zip(names, values, strict=True):
        if not np.isfinite(value) or (value <= 0 and name not in EQUATIONS[form].may_be_negative):
            raise ModelError(Fault(f"{value:g}", "finite and above 0", "Correct it.", where, 0, name))
    return HeightCurve(form, values, unit_m, word_of(CountsFrom, counts_from, where, "counts_from"))


# ---------------------------------------------------------------------- its fit


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
    parameters: Mapping[str, float]
    standard_errors: Mapping[str, float]
    residual_sd: float
    degrees_of_freedom: int
    log_likelihood: float
    observations: int

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def __repr__(self) -> str:
        values = ", ".join(f"{name} {value:.4g}" for name, value in self.parameters.items())
        return f"CurveFit({self.curve.form}: {values}; sd {self.residual_sd:.4g}, {self.observations} pairs)"

    @property
    def aic(self) -> float:
        """Akaike's information criterion, the variance counted as a parameter; lower is better."""
        return 2 * (len(self.parameters) + 1) - 2 * self.log_likelihood

    def to_frame(self) -> pd.DataFrame:
        """One row for each parameter: estimate and standard_error."""
        import pandas as pd

        columns = {"estimate": dict(self.parameters), "standard_error": dict(self.standard_errors)}
        return pd.DataFrame(columns).rename_axis("parameter")


def fit_curve(form: str, ages: ArrayLike, heights: ArrayLike) -> CurveFit:
    """Fit a height curve to ages and heights by least squares.

    Parameters
    ----------
    form : str
        A form of `height_curve` without a site index.
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
    those of the linearised model [1]_. Heights of one tree at several ages are not independent: the standard errors
    are then too small. For years to a height use a height model, which keeps the spread between trees.

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
    names, grid = curve_parameters(form), EQUATIONS[form].starts
    if grid is None:
        need = f"one of {', '.join(key for key, entry in EQUATIONS.items() if entry.starts is not None)}"
        raise ModelError(Fault(show(form), need, "Choose one.", where, 0, "form"))
    (age,) = require_positive(where, ages=ages)
    (height,) = require_nonnegative(where, heights=heights)
    if age.ndim != 1 or age.shape != height.shape or age.size <= len(names):
        got = f"shapes {age.shape} and {height.shape}"
        need = f"two rows of one length above {len(names)}"
        raise InputError(Fault(got, need, "Pass more pairs.", where, 0, "ages, heights"))
    low = np.array([-np.inf if name in EQUATIONS[form].may_be_negative else _LEAST for name in names])

    def residuals(values: Floats) -> Floats:
        found = raw_height(form, age, tuple(values)) - height
        return np.where(np.isfinite(found), found, 1e6)

    tries = grid(float(np.median(age)), float(height.max()))
    starts = sorted(tries, key=lambda start: float(np.sum(residuals(np.array(start)) ** 2)))
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
    """The fit with standard errors of the linearised model."""
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


# ---------------------------------------------------------------------- tips of a stem


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
