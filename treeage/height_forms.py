"""Equations of the height-growth forms: height at an age, age at a height, asymptote.

Layer 2. Textbook growth forms (Burkhart & Tome 2012; Clutter et al. 1983), from memory; King 1966, Bruce 1981.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, ModelError, show

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class GrowthForm:
    """One curve form: names of the parameters, H(t), t(H) and the asymptote.

    Parameters
    ----------
    names : tuple of str
        Parameter names in order.
    height, age : callable
        Height at an age and age at a height, in the units of the parameters.
    asymptote : callable
        Height that is never reached.
    may_be_negative : frozenset of str
        Parameters that may be 0 or below.

    References
    ----------
    .. [1] Burkhart, H. E. & Tome, M. (2012). Modeling Forest Trees and Stands. Springer (from memory).
    """

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


GROWTH_FORMS: Final[Mapping[str, GrowthForm]] = {
    "chapman_richards": GrowthForm(
        ("asymptote", "rate", "shape"),
        lambda t, a, k, p: a * (-np.expm1(-k * t)) ** p,
        lambda h, a, k, p: -np.log1p(-((h / a) ** (1 / p))) / k,
        lambda a, k, p: a,
    ),
    "schumacher": GrowthForm(
        ("asymptote", "rate"),
        lambda t, a, b: a * np.exp(-b / t),
        lambda h, a, b: b / np.log(a / h),
        lambda a, b: a,
    ),
    "korf": GrowthForm(
        ("asymptote", "rate", "shape"),
        lambda t, a, b, c: a * np.exp(-b * t**-c),
        lambda h, a, b, c: (b / np.log(a / h)) ** (1 / c),
        lambda a, b, c: a,
    ),
    "weibull": GrowthForm(
        ("asymptote", "rate", "shape"),
        lambda t, a, b, c: -a * np.expm1(-b * t**c),
        lambda h, a, b, c: (-np.log1p(-h / a) / b) ** (1 / c),
        lambda a, b, c: a,
    ),
    "hossfeld_iv": GrowthForm(
        ("asymptote", "rate", "shape"),
        lambda t, a, b, c: a * t**c / (b + t**c),
        lambda h, a, b, c: (b * h / (a - h)) ** (1 / c),
        lambda a, b, c: a,
    ),
    "hossfeld_quadratic": GrowthForm(
        ("constant", "linear", "quadratic"),
        lambda t, a, b, c: t**2 / (a + b * t + c * t**2),
        _hossfeld_age,
        _hossfeld_top,
        frozenset({"linear"}),
    ),
    "logistic": GrowthForm(
        ("asymptote", "shape", "rate"),
        lambda t, a, b, k: a / (1 + b * np.exp(-k * t)),
        lambda h, a, b, k: np.log(b / (a / h - 1)) / k,
        lambda a, b, k: a,
    ),
    "gompertz": GrowthForm(
        ("asymptote", "shape", "rate"),
        lambda t, a, b, k: a * np.exp(-b * np.exp(-k * t)),
        lambda h, a, b, k: -np.log(np.log(a / h) / b) / k,
        lambda a, b, k: a,
    ),
    "asymptotic": GrowthForm(
        ("asymptote", "start", "log_rate"),
        lambda t, a, r0, lrc: a + (r0 - a) * np.exp(-np.exp(lrc) * t),
        lambda h, a, r0, lrc: -np.log((a - h) / (a - r0)) / np.exp(lrc),
        lambda a, r0, lrc: a,
        frozenset({"start", "log_rate"}),
    ),
    "polymorphic": GrowthForm(
        ("site_index", "b1", "b2", "b3", "b4", "b5"),
        _polymorphic_height,
        _polymorphic_age,
        lambda s, b1, b2, b3, b4, b5: b1 * s**b2,
        frozenset({"b3", "b5"}),
    ),
    "polymorphic_breast_height": GrowthForm(
        ("breast_height", "site_index", "b1", "b2", "b3", "b4", "b5"),
        lambda t, base, s, *b: base + _polymorphic_height(t, s, *b),
        lambda h, base, s, *b: _polymorphic_age(h - base, s, *b),
        lambda base, s, b1, b2, b3, b4, b5: base + b1 * s**b2,
        frozenset({"b3", "b5"}),
    ),
    "king": GrowthForm(
        ("site_index", "a0", "a1", "b0", "b1", "c0", "c1"),
        lambda t, s, *k: 4.5 + t**2 / (_king(s, *k)[0] + _king(s, *k)[1] * t + _king(s, *k)[2] * t**2),
        lambda h, s, *k: _hossfeld_age(h - 4.5, *_king(s, *k)),
        lambda s, *k: 4.5 + _hossfeld_top(*_king(s, *k)),
        frozenset({"a0", "c0"}),
    ),
    "bruce": GrowthForm(
        ("site_index", "y0", "y1", "c0", "c1", "c2", "c3"),
        _bruce_height,
        _bruce_age,
        _bruce_top,
        frozenset({"y1", "c0", "c1", "c3"}),
    ),
}
CURVE_FORMS: Final = tuple(GROWTH_FORMS)
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
    if form not in GROWTH_FORMS:
        allowed = ", ".join(CURVE_FORMS)
        raise ModelError(Fault(show(form), f"one of {allowed}", "Use such a form.", "height curve", 0, "form"))
    return GROWTH_FORMS[form].names


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
        return np.asarray(GROWTH_FORMS[form].height(np.asarray(ages, dtype=np.float64), *values), dtype=np.float64)
