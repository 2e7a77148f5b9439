"""Height-growth curves: forms, their parameters, heights at ages and ages at heights.

Layer 2. Textbook growth forms (Burkhart & Tome 2012; Clutter et al. 1983) and the sources in
data/height_curves.csv.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, ModelError, require_nonnegative, show

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _Form:
    """Names of the parameters, H(t), t(H) and the asymptote of one curve form."""

    names: tuple[str, ...]
    height: Callable[..., Floats]
    age: Callable[..., Floats]
    asymptote: Callable[..., float]
    may_be_negative: frozenset[str] = frozenset()


def _hossfeld_age(h: Floats, a: float, b: float, c: float) -> Floats:
    return (h * b + np.sqrt(h**2 * b**2 + 4 * (1 - h * c) * h * a)) / (2 * (1 - h * c))


def _hossfeld_top(a: float, b: float, c: float) -> float:
    return 1 / c if c > 0 else np.inf


def _polymorphic_height(t: Floats, s: float, b1: float, b2: float, b3: float, b4: float, b5: float) -> Floats:
    return np.asarray(b1 * s**b2 * (-np.expm1(b3 * t)) ** (b4 * s**b5))


def _polymorphic_age(h: Floats, s: float, b1: float, b2: float, b3: float, b4: float, b5: float) -> Floats:
    return np.asarray(np.log1p(-((h / (b1 * s**b2)) ** (1 / (b4 * s**b5)))) / b3)


def _king(
    s: float, a0: float, a1: float, b0: float, b1: float, c0: float, c1: float
) -> tuple[float, float, float]:
    z = 2500 / (s - 4.5)
    return a0 + a1 * z, b0 + b1 * z, c0 + c1 * z


def _bruce(
    s: float, y0: float, y1: float, c0: float, c1: float, c2: float, c3: float
) -> tuple[float, float, float]:
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


_FORMS: Final[Mapping[str, _Form]] = {
    "chapman_richards": _Form(
        ("asymptote", "rate", "shape"),
        lambda t, a, k, p: a * (-np.expm1(-k * t)) ** p,
        lambda h, a, k, p: -np.log1p(-((h / a) ** (1 / p))) / k,
        lambda a, k, p: a,
    ),
    "schumacher": _Form(
        ("asymptote", "rate"),
        lambda t, a, b: a * np.exp(-b / t),
        lambda h, a, b: b / np.log(a / h),
        lambda a, b: a,
    ),
    "korf": _Form(
        ("asymptote", "rate", "shape"),
        lambda t, a, b, c: a * np.exp(-b * t**-c),
        lambda h, a, b, c: (b / np.log(a / h)) ** (1 / c),
        lambda a, b, c: a,
    ),
    "weibull": _Form(
        ("asymptote", "rate", "shape"),
        lambda t, a, b, c: -a * np.expm1(-b * t**c),
        lambda h, a, b, c: (-np.log1p(-h / a) / b) ** (1 / c),
        lambda a, b, c: a,
    ),
    "hossfeld_iv": _Form(
        ("asymptote", "rate", "shape"),
        lambda t, a, b, c: a * t**c / (b + t**c),
        lambda h, a, b, c: (b * h / (a - h)) ** (1 / c),
        lambda a, b, c: a,
    ),
    "hossfeld_quadratic": _Form(
        ("constant", "linear", "quadratic"),
        lambda t, a, b, c: t**2 / (a + b * t + c * t**2),
        _hossfeld_age,
        _hossfeld_top,
        frozenset({"linear"}),
    ),
    "logistic": _Form(
        ("asymptote", "shape", "rate"),
        lambda t, a, b, k: a / (1 + b * np.exp(-k * t)),
        lambda h, a, b, k: np.log(b / (a / h - 1)) / k,
        lambda a, b, k: a,
    ),
    "gompertz": _Form(
        ("asymptote", "shape", "rate"),
        lambda t, a, b, k: a * np.exp(-b * np.exp(-k * t)),
        lambda h, a, b, k: -np.log(np.log(a / h) / b) / k,
        lambda a, b, k: a,
    ),
    "asymptotic": _Form(
        ("asymptote", "start", "log_rate"),
        lambda t, a, r0, lrc: a + (r0 - a) * np.exp(-np.exp(lrc) * t),
        lambda h, a, r0, lrc: -np.log((a - h) / (a - r0)) / np.exp(lrc),
        lambda a, r0, lrc: a,
        frozenset({"start", "log_rate"}),
    ),
    "polymorphic": _Form(
        ("site_index", "b1", "b2", "b3", "b4", "b5"),
        _polymorphic_height,
        _polymorphic_age,
        lambda s, b1, b2, b3, b4, b5: b1 * s**b2,
        frozenset({"b3", "b5"}),
    ),
    "polymorphic_breast_height": _Form(
        ("breast_height", "site_index", "b1", "b2", "b3", "b4", "b5"),
        lambda t, base, s, *b: base + _polymorphic_height(t, s, *b),
        lambda h, base, s, *b: _polymorphic_age(h - base, s, *b),
        lambda base, s, b1, b2, b3, b4, b5: base + b1 * s**b2,
        frozenset({"b3", "b5"}),
    ),
    "king": _Form(
        ("site_index", "a0", "a1", "b0", "b1", "c0", "c1"),
        lambda t, s, *k: 4.5 + t**2 / (_king(s, *k)[0] + _king(s, *k)[1] * t + _king(s, *k)[2] * t**2),
        lambda h, s, *k: _hossfeld_age(h - 4.5, *_king(s, *k)),
        lambda s, *k: 4.5 + _hossfeld_top(*_king(s, *k)),
        frozenset({"a0", "c0"}),
    ),
    "bruce": _Form(
        ("site_index", "y0", "y1", "c0", "c1", "c2", "c3"),
        _bruce_height,
        _bruce_age,
        _bruce_top,
        frozenset({"y1", "c0", "c1", "c3"}),
    ),
}
CURVE_FORMS: Final = tuple(_FORMS)
"""Names of the curve forms."""


def curve_parameters(form: str) -> tuple[str, ...]:
    """Names of the parameters of a curve form, in order.

    Parameters
    ----------
    form : str
        One of `CURVE_FORMS`.

    Returns
    -------
    tuple of str
        Parameter names.

    Raises
    ------
    ModelError
        If there is no such form.

    Examples
    --------
    >>> curve_parameters("chapman_richards")
    ('asymptote', 'rate', 'shape')
    """
    if form not in _FORMS:
        allowed = ", ".join(CURVE_FORMS)
        raise ModelError(
            Fault(show(form), f"one of {allowed}", "Use such a form.", "height curve", 0, "form")
        )
    return _FORMS[form].names


def raw_height(form: str, ages: ArrayLike, values: tuple[float, ...]) -> Floats:
    """Height of a curve form as its equation gives it, below 0 included.

    Parameters
    ----------
    form : str
        One of `CURVE_FORMS`.
    ages : array-like
        Ages [years].
    values : tuple of float
        Parameters in the order of `curve_parameters`.

    Returns
    -------
    numpy.ndarray
        Heights in the unit of the parameters.

    Examples
    --------
    >>> raw_height("asymptotic", [0.0], (94.1, -8.25, -3.2)).tolist()
    [-8.25]
    """
    with np.errstate(all="ignore"):
        return np.asarray(_FORMS[form].height(np.asarray(ages, dtype=np.float64), *values), dtype=np.float64)


@dataclass(frozen=True)
class HeightCurve:
    """A mean height curve with fixed parameters; made by `height_curve`.

    Parameters
    ----------
    form : str
        One of `CURVE_FORMS`.
    values : tuple of float
        Parameters in the order of `curve_parameters`.
    unit_m : float, default 1.0
        Length of the unit of the parameters [m]; 0.3048 for curves in feet.
    counts_from : {'collar', 'breast height'}, default 'collar'
        Where age 0 is: at the collar, or at the year breast height was reached.
    """

    form: str
    values: tuple[float, ...]
    unit_m: float = 1.0
    counts_from: str = "collar"

    @property
    def asymptote_m(self) -> float:
        """Height the curve never reaches.

        Returns
        -------
        float
            Asymptote [m]; infinite if there is none.
        """
        return float(_FORMS[self.form].asymptote(*self.values)) * self.unit_m

    @property
    def start_m(self) -> float:
        """Height of the curve at age 0.

        Returns
        -------
        float
            Height [m]; below 0 for an asymptotic regression that starts under the ground.
        """
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

    def age_at(self, height_m: ArrayLike, *, below_start: str = "clamp") -> Floats:
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
        if below_start not in ("clamp", "refuse", "extend"):
            raise ModelError(
                Fault(show(below_start), "clamp, refuse or extend", "Use one.", where, 0, "below_start")
            )
        if np.any(heights >= self.asymptote_m):
            need = f"below the asymptote of {self.asymptote_m:.4g} [m], which is never reached"
            raise ModelError(
                Fault(f"{heights.max():g}", need, "Ask for a lower height.", where, 0, "height_m")
            )
        early = heights < self.start_m
        if np.any(early) and (below_start == "refuse" or self.counts_from != "collar"):
            need = f"at least {self.start_m:.4g} [m], where the curve starts"
            raise ModelError(
                Fault(f"{heights.min():g}", need, "Use a model of early growth.", where, 0, "height_m")
            )
        with np.errstate(all="ignore"):
            ages = np.asarray(_FORMS[self.form].age(heights / self.unit_m, *self.values), dtype=np.float64)
        return ages if below_start == "extend" else np.where(early, 0.0, np.maximum(ages, 0.0))


def height_curve(
    form: str, parameters: Mapping[str, float], *, unit_m: float = 1.0, counts_from: str = "collar"
) -> HeightCurve:
    """Make a height curve from a form and its named parameters.

    Parameters
    ----------
    form : str
        One of `CURVE_FORMS`.
    parameters : mapping of str to float
        All parameters of `curve_parameters`, in one unit of length and years.
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
    above breast height.

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
        if not np.isfinite(value) or (value <= 0 and name not in _FORMS[form].may_be_negative):
            raise ModelError(Fault(f"{value:g}", "finite and above 0", "Correct it.", where, 0, name))
    return HeightCurve(form, values, unit_m, counts_from)
