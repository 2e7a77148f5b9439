"""Height models from published early-height figures and published site-index curves.

Layer 2. The figures and curves of height_tables with a stated spread put on them; own derivation.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from treeage.errors import Fault, ModelError, require_positive, show
from treeage.height_curves import HeightCurve
from treeage.height_passing import SHARED_NODES, TREE_NODES, HeightModel, normal_nodes
from treeage.height_sources import checked_share, lognormal_model, seasons_of
from treeage.height_tables import early_heights, published_curve, published_curves

PUBLISHED_SHARED_SHARE: Final = 0.5  # choice: a figure from elsewhere can be off for all trees
CURVE_LOG_SD: Final = 0.5  # 0.4-0.6 for natural origin under cover (judgement from published ranges)
JENSEN_HEIGHT_M: Final = 1.0  # choice: the usual coring height
CURVE_TRUST_FROM_M: Final = 2.0  # below, site curves are extrapolated from older dominant trees


def from_published(name: str, *, shared_share: float = PUBLISHED_SHARED_SHARE) -> HeightModel:
    """Height model from a published figure of early height growth.

    Parameters
    ----------
    name : str
        A name of `early_heights`.
    shared_share : float, default 0.5
        Share of the variance that all trees of the stand have in common, 0 to 1; larger than for the user's
        own figures because stands differ (choice).

    Returns
    -------
    HeightModel
        Lognormal passing times with the figure's source.

    Raises
    ------
    ModelError
        If there is no such figure, or it is a correction for a buried collar.

    Notes
    -----
    Height below breast height is where stands of one site index differ most [1]_: a figure from elsewhere
    is a last resort before a guess.

    References
    ----------
    .. [1] Nigh, G. (2004). British Columbia Ministry of Forests, Research Report 25 (abstract).

    Examples
    --------
    >>> round(from_published("black spruce thin organic layer").years(1.0).mean())
    22
    """
    where = "published"
    share = checked_share(where, shared_share)
    table = early_heights()
    usable = sorted(key for key, entry in table.items() if entry.use != "collar")
    if name not in table:
        need = f"one of {', '.join(usable)}"
        raise ModelError(Fault(show(name), need, "Use such a name.", where, 0, "name"))
    entry = table[name]
    if entry.use == "collar":
        do = f"Write {entry.mean_years:g} or your own figure as collar_years of the trees."
        need = f"years to a height: one of {', '.join(usable)}"
        raise ModelError(Fault(f"{name}, years below a buried collar", need, do, where, 0, "name"))
    seasons = float(seasons_of(where, entry.mean_years, entry.counts))
    model = lognormal_model(
        name,
        source=entry.source,
        known=entry.known,
        height_m=entry.height_m,
        log_median=float(np.log(seasons)) - entry.log_sd**2 / 2,
        log_sd=entry.log_sd,
        share=share,
    )
    slope = np.ones(SHARED_NODES) if entry.use == "rate" else model.slope
    level = model.intercept + model.slope * np.log(entry.height_m)
    remark = f"years to the coring height from a published figure ({name}), not from this stand"
    memory = ("this figure is recalled and was not checked at its source",) if entry.known == "memory" else ()
    return replace(
        model,
        intercept=level - slope * np.log(entry.height_m),
        slope=slope,
        valid_from_m=entry.valid_from_m,
        valid_to_m=entry.valid_to_m,
        remarks=(remark, *memory),
    )


def _mean_curve_shift(curve: HeightCurve, tree: NDArray[np.float64]) -> float:
    """Find the shift of the log passing time at which the trees' mean height is that of the curve again."""
    age = float(curve.age_at(JENSEN_HEIGHT_M))
    low, high = -2.0, 4.0  # choice: far wider than any spread asks for
    for _ in range(50):
        middle = (low + high) / 2
        mean = float(curve.height_at(age * np.exp(-middle - tree)).mean())
        low, high = (middle, high) if mean > JENSEN_HEIGHT_M else (low, middle)
    return (low + high) / 2


def from_curve(
    name: str,
    site_index_m: float,
    *,
    log_sd: float = CURVE_LOG_SD,
    shared_share: float = PUBLISHED_SHARED_SHARE,
) -> HeightModel:
    """Height model from a published site-index curve, with a spread put on it.

    Parameters
    ----------
    name : str
        A name of `published_curves`.
    site_index_m : float
        Height at the base age of the curve [m].
    log_sd : float, default 0.5
        Standard deviation of the log passing time, above 0 (choice: the top of the range for natural origin).
    shared_share : float, default 0.5
        Share of the variance that all trees of the stand have in common, 0 to 1 (choice).

    Returns
    -------
    HeightModel
        Passing times about the curve.

    Raises
    ------
    ModelError
        If the curve is unknown, counts from breast height or the site index is out of range.

    Notes
    -----
    Such curves were drawn from dominant trees mostly older than 10 to 20 years; below 2 m they are
    extrapolated and the answer is flagged. Two accepted curves of yellow-poplar differ by 18 % at age 20 [1]_.
    A mean height curve is not the curve of the median tree where growth speeds up: its inverse is too early
    (Jensen's inequality). Trees with the stated spread are therefore laid about it and the median time is
    moved until their mean height at the curve's age for 1 m is 1 m again.

    References
    ----------
    .. [1] Carmean, W. H. et al. (1989), GTR NC-128; Beck & Della-Bianca (1970), SE-63 (both from memory).

    Examples
    --------
    >>> 6 <= from_curve("douglas-fir bruce", 105 * 0.3048).years(1.0).median() <= 8
    True
    """
    where = "curve"
    curve = published_curve(name, site_index_m)
    if curve.counts_from != "collar":
        usable = sorted(key for key, entry in published_curves().items() if entry.counts_from == "collar")
        need = f"a curve that counts from the collar: {', '.join(usable)}"
        do = "This one counts from breast height and says nothing about the years below it."
        raise ModelError(Fault(name, need, do, where, 0, "name"))
    (spread,) = require_positive(where, log_sd=log_sd)
    share = checked_share(where, shared_share)
    entry = published_curves()[name]
    remarks = (
        f"years to the coring height from a site-index curve ({name}), which is extrapolated below 2 m",
        f"the coefficients are recalled, not read at the source; outside check: {entry.checked}",
    )
    tree = np.sqrt(1 - share) * float(spread) * normal_nodes(TREE_NODES)
    return HeightModel(
        name=f"{name}, site index {site_index_m:g} m",
        source=entry.source,
        known=entry.known,
        forms=("curve",) * SHARED_NODES,
        scales_m=np.ones(SHARED_NODES),
        intercept=_mean_curve_shift(curve, tree) + np.sqrt(share) * float(spread) * normal_nodes(SHARED_NODES),
        slope=np.ones(SHARED_NODES),
        deviation=np.tile(tree, (SHARED_NODES, 1)),
        valid_from_m=CURVE_TRUST_FROM_M,
        limit_m=curve.asymptote_m,
        curve=curve,
        remarks=remarks,
    )
