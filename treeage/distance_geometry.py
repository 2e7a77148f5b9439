"""Plane geometry of cores: arcs, rays, tilted and off-axis cores, shrinkage.

Layer 2. Closed forms; sources in each function.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError, require_nonnegative, require_positive

Array = NDArray[np.float64]


def arc_radius(chord_mm: ArrayLike, rise_mm: ArrayLike) -> Array:
    """Radius of the circle through an arc, from its chord and its rise.

    Parameters
    ----------
    chord_mm : array-like, shape (n,) or scalar
        Straight distance between the two ends of the arc [mm], above 0.
    rise_mm : array-like, shape (n,) or scalar
        Largest distance from the chord to the arc [mm], above 0 and at most half the chord.

    Returns
    -------
    numpy.ndarray, shape (n,) or ()
        Radius [mm] of the circle, at least half the chord.

    Raises
    ------
    InputError
        If a chord or rise is not above 0, the rise is above half the chord (past a half circle), or their numbers
        differ.

    Notes
    -----
    With chord c and rise h, the radius is r = h/2 + c**2 / (8 h) [1]_. It assumes a circle. For flat arcs
    the error grows quickly: an error e in h moves r by about e c**2 / (8 h**2), so carry it as a
    distribution (`arc_likelihood`).

    References
    ----------
    .. [1] Euclid, *Elements*, Book III, Proposition 35 (chords that cross).

    Examples
    --------
    A 3-4-5 triangle gives a circle of radius 5.

    >>> float(arc_radius(chord_mm=8.0, rise_mm=2.0))
    5.0
    """
    chord, rise = require_positive("arc_radius", chord_mm=chord_mm, rise_mm=rise_mm)
    if chord.ndim and rise.ndim and chord.shape != rise.shape:
        many = f"{chord.size} chords and {rise.size} rises"
        raise InputError(Fault(many, "one rise for each chord", "Pass as many of both.", "arc_radius", 0, "rise_mm"))
    if np.any(rise > chord / 2 * (1 + 1e-9)):
        worst = np.broadcast_to(rise, np.broadcast_shapes(rise.shape, chord.shape))
        got = float(np.atleast_1d(worst)[np.argmax(np.atleast_1d(rise - chord / 2))])
        raise InputError(
            Fault(f"{got:g}", "at most half the chord [mm]", "Check chord and rise.", "arc_radius", 0, "rise_mm")
        )
    return np.asarray(rise / 2 + chord**2 / (8 * rise))


def ray_distance(gap_mm: ArrayLike, angle_deg: ArrayLike) -> Array:
    """Distance to the point where two wood rays meet, from their gap and the angle between them.

    Parameters
    ----------
    gap_mm : array-like, shape (n,) or scalar
        Distance between the rays, square to their bisector [mm], above 0.
    angle_deg : array-like, shape (n,) or scalar
        Angle between the rays [degree], above 0.

    Returns
    -------
    numpy.ndarray, shape (n,) or ()
        Distance [mm] from where the gap was measured to the pith.

    Raises
    ------
    InputError
        If a gap or angle is not above 0.

    Notes
    -----
    d = (gap / 2) / tan(angle / 2). Rays point at the pith also in eccentric stems [1]_; curved rays break it.

    References
    ----------
    .. [1] Rozas V. 2003, Plant Ecology 167, doi 10.1023/A:1023969822044 (abstract).

    Examples
    --------
    >>> round(float(ray_distance(gap_mm=5.0, angle_deg=10.0)), 2)
    28.58
    """
    gap, angle = require_positive("ray_distance", gap_mm=gap_mm, angle_deg=angle_deg)
    return np.asarray(gap / 2 / np.tan(np.deg2rad(angle) / 2))


def radial_length(length_mm: ArrayLike, *, tilt_deg: ArrayLike = 0.0, shrinkage_percent: ArrayLike = 0.0) -> Array:
    """Horizontal green length of a core that was bored at a tilt and measured dry.

    Parameters
    ----------
    length_mm : array-like, shape (n,) or scalar
        Length along the core [mm], at least 0. Ring widths may be passed too.
    tilt_deg : array-like, default 0
        Angle of the core to the horizontal [degree], 0 to below 90.
    shrinkage_percent : array-like, default 0
        Radial shrinkage from green to the state measured [%].

    Returns
    -------
    numpy.ndarray, shape (n,) or ()
        length * cos(tilt) / (1 - shrinkage / 100) [mm]. The ring count does not change.

    Raises
    ------
    InputError
        If a value is below 0.

    References
    ----------
    .. [1] Wood Handbook, USDA Forest Service GTR-190, Table 4-3 (radial shrinkage).

    Examples
    --------
    >>> round(float(radial_length(250, tilt_deg=15)), 2)
    241.48
    """
    length, tilt, shrink = require_nonnegative(
        "radial_length", length_mm=length_mm, tilt_deg=tilt_deg, shrinkage_percent=shrinkage_percent
    )
    return np.asarray(length * np.cos(np.deg2rad(tilt)) / (1 - shrink / 100))


def off_axis_radius(along_mm: ArrayLike, miss_mm: ArrayLike) -> Array:
    """Distance to the pith of a point on a core that passes beside the pith.

    Parameters
    ----------
    along_mm : array-like, shape (n,) or scalar
        Distance along the core from its point closest to the pith [mm], at least 0.
    miss_mm : array-like, shape (n,) or scalar
        Distance of that closest point to the pith [mm], at least 0.

    Returns
    -------
    numpy.ndarray, shape (n,) or ()
        sqrt(along**2 + miss**2) [mm]; differences of it are the true ring widths.

    Raises
    ------
    InputError
        If a value is below 0.

    Notes
    -----
    A core that passes the pith at 5 mm shows a ring from 10 to 12 mm as 2.00 mm wide; it is 1.82 mm.

    Examples
    --------
    >>> inner, outer = off_axis_radius([10.0, 12.0], 5.0)
    >>> round(float(outer - inner), 3)
    1.82
    """
    along, miss = require_nonnegative("off_axis_radius", along_mm=along_mm, miss_mm=miss_mm)
    return np.asarray(np.hypot(along, miss))
