"""From ring widths to radii, basal-area increments and past diameters: functions of arrays, every unit named.

Layer 3. Circle geometry; the proportional and subtractive past diameters follow Bakker (2005); own
derivation.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError, require_nonnegative, require_positive, show

MEANS = ("arithmetic", "quadratic", "geometric")


def ring_radii(widths_mm: ArrayLike, *, pith_distance_mm: ArrayLike = 0.0) -> NDArray[np.float64]:
    """Radius at the outer boundary of every ring, counted out from the pith.

    Parameters
    ----------
    widths_mm : array-like, shape (n,)
        Ring widths [mm], innermost first, at least 0 (0: a dated ring that is absent here).
    pith_distance_mm : array-like, shape () or (draws,), default 0.0
        Distance from the pith to the inner boundary of the innermost ring [mm], at least 0 (0: the core
        holds the pith).

    Returns
    -------
    numpy.ndarray, shape (n,) or (draws, n)
        Inside-bark radius [mm] at the end of each ring.

    Raises
    ------
    InputError
        If a width or a distance is negative or not finite.

    Notes
    -----
    r_t = d + w_1 + ... + w_t. The widths must be horizontal: multiply those of a tilted core by the cosine
    of its tilt.

    Examples
    --------
    >>> ring_radii([2.0, 1.0, 3.0], pith_distance_mm=4.0).tolist()
    [6.0, 7.0, 10.0]
    """
    widths, distance = require_nonnegative("ring_radii", widths_mm=widths_mm, pith_distance_mm=pith_distance_mm)
    return np.asarray(distance[..., None] + np.cumsum(widths))


def mean_radius(radii_mm: ArrayLike, *, mean: str = "arithmetic") -> NDArray[np.float64]:
    """Mean of several radii of one cross-section.

    Parameters
    ----------
    radii_mm : array-like, shape (..., k)
        Radii [mm], above 0; the last axis runs over the k cores.
    mean : {"arithmetic", "quadratic", "geometric"}, default "arithmetic"
        Kind of mean; the default is exact for the two opposite cores that are usual.

    Returns
    -------
    numpy.ndarray, shape (...)
        Mean radius [mm].

    Raises
    ------
    InputError
        If a radius is not above 0 or the kind of mean is unknown.

    Notes
    -----
    Two opposite radii through an off-centre pith make up one diameter of a circular stem: their arithmetic
    mean is exact. Several radii spread evenly round the stem sample the area (1/2) * integral of r**2 over
    the angle: their quadratic mean is exact for the area. The geometric mean is for an ellipse known by its
    half axes.

    Examples
    --------
    >>> [round(float(mean_radius([180, 140], mean=kind)), 1) for kind in MEANS]
    [160.0, 161.2, 158.7]
    """
    (radii,) = require_positive("mean_radius", radii_mm=radii_mm)
    if mean == "arithmetic":
        return np.asarray(radii.mean(axis=-1))
    if mean == "quadratic":
        return np.asarray(np.sqrt(np.mean(radii**2, axis=-1)))
    if mean == "geometric":
        return np.asarray(np.exp(np.mean(np.log(radii), axis=-1)))
    raise InputError(Fault(show(mean), f"one of {', '.join(MEANS)}", "Choose one.", "mean_radius", 0, "mean"))


def basal_area_increment(
    widths_mm: ArrayLike,
    *,
    inner_radius_mm: ArrayLike | None = None,
    outer_radius_mm: ArrayLike | None = None,
) -> NDArray[np.float64]:
    """Area of wood added by each ring of a circular stem.

    Parameters
    ----------
    widths_mm : array-like, shape (n,)
        Ring widths [mm], innermost first, at least 0.
    inner_radius_mm : array-like, shape () or (draws,), optional
        Distance from the pith to the innermost ring [mm]: the increments are built from the inside out.
    outer_radius_mm : array-like, shape () or (draws,), optional
        Inside-bark radius [mm] at the outermost ring: the increments are built from the outside in. Give one
        of the two.

    Returns
    -------
    numpy.ndarray, shape (n,) or (draws, n)
        Increment [mm2] of each ring, never negative.

    Raises
    ------
    InputError
        If not exactly one radius is given, a value is negative, or the widths sum to more than the outer
        radius.

    Notes
    -----
    pi * (R_t**2 - R_(t-1)**2) [1]_. The error of the radius is shared by all rings of a core: carry it as
    draws.

    References
    ----------
    .. [1] Biondi, F. (1999). Comparing tree-ring chronologies and repeated timber inventories as forest
       monitoring tools. Ecological Applications 9:216-227. (Cited from memory.)

    Examples
    --------
    A ring from 148 to 150 mm.

    >>> basal_area_increment([2.0], inner_radius_mm=148.0).round(1).tolist()
    [1872.4]
    """
    where = "basal_area_increment"
    (widths,) = require_nonnegative(where, widths_mm=widths_mm)
    if (inner_radius_mm is None) == (outer_radius_mm is None):
        got = "neither radius" if inner_radius_mm is None else "both radii"
        raise InputError(Fault(got, "one radius [mm]", "Give the one you measured.", where, 0, "inner_radius_mm"))
    if inner_radius_mm is not None:
        (inner,) = require_nonnegative(where, inner_radius_mm=inner_radius_mm)
    else:
        (outer,) = require_positive(where, outer_radius_mm=outer_radius_mm if outer_radius_mm is not None else 0.0)
        inner = outer - widths.sum()
        if np.any(inner < -1e-9):
            need = f"at least the {widths.sum():g} mm that the widths sum to"
            do = "Check units and bark, or use inner_radius_mm."
            raise InputError(Fault(show(float(outer.min())), need, do, where, 0, "outer_radius_mm"))
        inner = np.maximum(inner, 0.0)
    ends = ring_radii(widths, pith_distance_mm=inner)
    return np.asarray(np.pi * widths * (2 * ends - widths))


def inside_bark_diameter(diameter_cm: ArrayLike, bark_mm: ArrayLike) -> NDArray[np.float64]:
    """Diameter inside the bark from the diameter outside it and the single bark thickness.

    Parameters
    ----------
    diameter_cm : array-like
        Diameter outside the bark [cm], above 0.
    bark_mm : array-like
        Single bark thickness [mm], at least 0 and less than half the diameter.

    Returns
    -------
    numpy.ndarray
        Diameter inside the bark [cm].

    Raises
    ------
    InputError
        If a value is out of range or the bark is thicker than the stem.

    Notes
    -----
    D - 2 b: the bark is passed twice. A measured bark beats any table; a table's error is 20-30 % of the
    double bark.

    Examples
    --------
    >>> float(inside_bark_diameter(40.0, 18.0))
    36.4
    """
    where = "inside_bark_diameter"
    (diameter,) = require_positive(where, diameter_cm=diameter_cm)
    (bark,) = require_nonnegative(where, bark_mm=bark_mm)
    inside = diameter - 0.2 * bark
    if np.any(inside <= 0):
        got = f"{float(np.max(np.broadcast_to(bark, inside.shape)[inside <= 0])):g} mm"
        raise InputError(
            Fault(
                got,
                "less than half the diameter [mm]",
                "Check the unit and single thickness.",
                where,
                0,
                "bark_mm",
            )
        )
    return np.asarray(inside)


def past_diameter_proportional(
    diameter_inside_cm: ArrayLike, *, radius_then_mm: ArrayLike, radius_now_mm: ArrayLike
) -> NDArray[np.float64]:
    """Past diameter as the share of the core's radius that had been reached.

    Parameters
    ----------
    diameter_inside_cm : array-like
        Present diameter inside the bark [cm], above 0.
    radius_then_mm : array-like
        Distance on the core from the pith to the ring of the past date [mm], at least 0.
    radius_now_mm : array-like
        Whole radius on the core from the pith to the bark [mm], above 0, at least radius_then_mm.

    Returns
    -------
    numpy.ndarray
        Past diameter inside the bark [cm], never negative.

    Raises
    ------
    InputError
        If a value is out of range or the past radius is larger than the present one.

    Notes
    -----
    D_t = D * r_t / R [1]_: right when the stem grew in the same proportion on every side; needs the distance
    to the pith.

    References
    ----------
    .. [1] Bakker, J. D. (2005). A new, proportional method for reconstructing historical tree diameters.
       Canadian Journal of Forest Research 35:2515-2520. (The idea from the abstract; the algebra is our
       own.)

    Examples
    --------
    >>> float(past_diameter_proportional(30.0, radius_then_mm=90.0, radius_now_mm=130.0).round(2))
    20.77
    """
    where = "past_diameter_proportional"
    diameter, now = require_positive(where, diameter_inside_cm=diameter_inside_cm, radius_now_mm=radius_now_mm)
    (then,) = require_nonnegative(where, radius_then_mm=radius_then_mm)
    if np.any(then > now * (1 + 1e-9)):
        got = show(float(np.max(then)))
        raise InputError(Fault(got, "at most radius_now_mm [mm]", "Swap the two radii?", where, 0, "radius_then_mm"))
    return np.asarray(diameter * then / now)


def past_diameter_subtractive(diameter_inside_cm: ArrayLike, *, growth_since_mm: ArrayLike) -> NDArray[np.float64]:
    """Past diameter as the present one less twice the growth since.

    Parameters
    ----------
    diameter_inside_cm : array-like
        Present diameter inside the bark [cm], above 0.
    growth_since_mm : array-like
        Sum of the ring widths since the past date on the core [mm], at least 0.

    Returns
    -------
    numpy.ndarray
        Past diameter inside the bark [cm]; NaN where the subtraction would give less than 0, since the core
        then lies on the long side of an off-centre pith and the method has no answer.

    Raises
    ------
    InputError
        If a value is out of range.

    Notes
    -----
    D_t = D - 2 * growth [1]_: right when the core's growth is that of the mean radius. It needs no distance
    to the pith. Use it beside `past_diameter_proportional`; where the two part, the pith is off centre.

    References
    ----------
    .. [1] Bakker, J. D. (2005). A new, proportional method for reconstructing historical tree diameters.
       Canadian Journal of Forest Research 35:2515-2520. (Abstract.)

    Examples
    --------
    >>> past_diameter_subtractive([30.0, 30.0], growth_since_mm=[40.0, 160.0]).tolist()
    [22.0, nan]
    """
    where = "past_diameter_subtractive"
    (diameter,) = require_positive(where, diameter_inside_cm=diameter_inside_cm)
    (growth,) = require_nonnegative(where, growth_since_mm=growth_since_mm)
    past = diameter - 0.2 * growth
    return np.asarray(np.where(past >= 0, past, np.nan))
