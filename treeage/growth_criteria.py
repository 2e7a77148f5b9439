"""Rules by which a change of growth counts as a release or a suppression, each threshold with its source.

Layer 3. Nowacki and Abrams (1997), Lorimer and Frelich (1989), Fraver and White (2005), Black and Abrams
(2003).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.errors import Fault, InputError, require_positive, show
from treeage.growth_release import (
    BoundaryLine,
    absolute_change,
    boundary_share,
    percent_change,
    sustained_change,
)

KINDS = ("percent", "absolute", "sustained", "boundary")
FROM_MEMORY = "as commonly quoted, not checked against the paper"


@dataclass(frozen=True)
class ChangeCriterion:
    """One rule by which a change of growth counts as a release or a suppression.

    Parameters
    ----------
    name : str
        Name in the tables.
    kind : {"percent", "absolute", "sustained", "boundary"}
        What is measured.
    moderate, major : float
        Lowest value of the two classes: percent, mm per year for absolute, percent of the line for boundary.
    source : str
        Where the thresholds come from; printed with every table.
    window_years : int, default 10
        Length of the windows before and after [years].
    line : BoundaryLine, optional
        Needed for kind "boundary".

    Raises
    ------
    InputError
        If the kind is unknown, a threshold is not above 0, major is below moderate or the line is missing.
    """

    name: str
    kind: str
    moderate: float
    major: float
    source: str
    window_years: int = 10
    line: BoundaryLine | None = None

    def __post_init__(self) -> None:
        where = "ChangeCriterion"
        require_positive(where, moderate=self.moderate, major=self.major)
        if self.kind not in KINDS:
            raise InputError(Fault(show(self.kind), f"one of {', '.join(KINDS)}", "Choose one.", where, 0, "kind"))
        if self.major < self.moderate:
            need = f"at least the moderate threshold {self.moderate:g}"
            raise InputError(Fault(show(self.major), need, "Swap the two.", where, 0, "major"))
        if self.kind == "boundary" and self.line is None:
            do = "Pass BoundaryLine(scale, rate, citation), or fit one with fit_boundary_line."
            raise InputError(Fault("no boundary line", "one for the species", do, where, 0, "line"))

    def measure(self, widths_mm: ArrayLike, *, direction: str = "release") -> NDArray[np.float64]:
        """Value of the criterion after each year.

        Parameters
        ----------
        widths_mm : array-like, shape (n,)
            Ring widths [mm], oldest first.
        direction : {"release", "suppression"}, default "release"
            What is looked for.

        Returns
        -------
        numpy.ndarray, shape (n,)
            Value in the unit of the criterion; NaN at the edges.
        """
        if self.kind == "boundary" and self.line is not None:
            return boundary_share(widths_mm, self.line, window_years=self.window_years, direction=direction)
        measures = {"percent": percent_change, "absolute": absolute_change, "sustained": sustained_change}
        return measures[self.kind](widths_mm, window_years=self.window_years, direction=direction)


def absolute_threshold(widths_mm: Sequence[ArrayLike], *, factor: float = 1.25, window_years: int = 10) -> float:
    """Threshold of the absolute increase from the spread of all changes in the data.

    Parameters
    ----------
    widths_mm : sequence of array-like
        Ring series of one species [mm], each oldest first.
    factor : float, default 1.25
        Multiple of the standard deviation of all changes (1.25: Fraver and White 2005, from memory).
    window_years : int, default 10
        Length of the windows [years].

    Returns
    -------
    float
        Threshold [mm per year].

    Raises
    ------
    InputError
        If no series is long enough for two windows.

    Examples
    --------
    >>> absolute_threshold([[1.0, 1.0, 2.0, 2.0, 1.0, 1.0]], window_years=2).__round__(3)
    1.021
    """
    changes = [absolute_change(widths, window_years=window_years) for widths in widths_mm]
    pooled = np.concatenate(changes) if changes else np.empty(0)
    pooled = pooled[np.isfinite(pooled)]
    if pooled.size < 2:
        need = f"series of at least {2 * window_years + 1} rings"
        do = "Use longer series or a shorter window."
        raise InputError(Fault(f"{pooled.size} changes", need, do, "absolute_threshold", 0, "widths_mm"))
    return float(factor * pooled.std())


def common_criteria(widths_mm: Sequence[ArrayLike], *, line: BoundaryLine | None = None) -> tuple[ChangeCriterion, ...]:
    """Criteria in common use, their thresholds with sources.

    Parameters
    ----------
    widths_mm : sequence of array-like
        Ring series of the species [mm]; the absolute threshold is read from them.
    line : BoundaryLine, optional
        Adds the boundary-line criterion.

    Returns
    -------
    tuple of ChangeCriterion
        percent (25 and 50 %), absolute (1.25 times the standard deviation of all changes), sustained (50 and
        100 %), and boundary (20 and 50 % of the line) if a line is given.

    Notes
    -----
    The methods disagree by design; agreement of several is the evidence. All class limits are quoted from
    memory.
    """
    level = absolute_threshold(widths_mm)
    criteria = [
        ChangeCriterion("percent", "percent", 25.0, 50.0, f"Nowacki and Abrams 1997, {FROM_MEMORY}"),
        ChangeCriterion("absolute", "absolute", level, level, f"Fraver and White 2005, 1.25 SD, {FROM_MEMORY}"),
        ChangeCriterion("sustained", "sustained", 50.0, 100.0, f"Lorimer and Frelich 1989, {FROM_MEMORY}", 15),
    ]
    if line is not None:
        source = f"Black and Abrams 2003, {FROM_MEMORY}; line: {line.source}"
        criteria.append(ChangeCriterion("boundary", "boundary", 20.0, 50.0, source, 10, line))
    return tuple(criteria)
