"""Height-growth curves with fixed parameters: heights at ages and ages at heights.

Layer 2. Textbook growth forms (Burkhart & Tome 2012; Clutter et al. 1983), from memory; see height_forms.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, ModelError, require_nonnegative, show
from treeage.height_forms import GROWTH_FORMS, curve_parameters, raw_height

Floats = NDArray[np.float64]


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
        return float(GROWTH_FORMS[self.form].asymptote(*self.values)) * self.unit_m

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
            raise ModelError(Fault(show(below_start), "clamp, refuse or extend", "Use one.", where, 0, "below_start"))
        if np.any(heights >= self.asymptote_m):
            need = f"below the asymptote of {self.asymptote_m:.4g} [m], which is never reached"
            raise ModelError(Fault(f"{heights.max():g}", need, "Ask for a lower height.", where, 0, "height_m"))
        early = heights < self.start_m
        if np.any(early) and (below_start == "refuse" or self.counts_from != "collar"):
            need = f"at least {self.start_m:.4g} [m], where the curve starts"
            raise ModelError(Fault(f"{heights.min():g}", need, "Use a model of early growth.", where, 0, "height_m"))
        with np.errstate(all="ignore"):
            ages = np.asarray(GROWTH_FORMS[self.form].age(heights / self.unit_m, *self.values), dtype=np.float64)
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
        if not np.isfinite(value) or (value <= 0 and name not in GROWTH_FORMS[form].may_be_negative):
            raise ModelError(Fault(f"{value:g}", "finite and above 0", "Correct it.", where, 0, name))
    return HeightCurve(form, values, unit_m, counts_from)
