"""The anatomy of one tree's date: each step's mass function on one axis of years, from the counted rings to the start.

Layer 6, part of the family of `plots`. Own derivation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from treeage.plots_style import DEEP, INK, PALE, SMALL, TINY, WARM, new_axes, padded, tidy, year_axis
from treeage.pmf import Pmf
from treeage.results_tree import CORE_HEIGHT, year_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from treeage.results_tree import TreeAge

RIDGE = 0.78  # choice: height of the tallest ridge as a share of the distance between lines
BELOW = 0.09  # choice: how far below a ridge its interval is drawn


@dataclass(frozen=True)
class _Step:
    """One line of the figure: a name, a mass function in years, what to write beside it, and its interval."""

    name: str
    years: Pmf
    words: str
    colour: str
    prob: float


def plot_anatomy(tree_age: TreeAge, *, ax: Axes | None = None) -> Axes:
    """Draw how one tree's date comes about, step by step from the counted rings to the establishment.

    Parameters
    ----------
    tree_age : TreeAge
        One tree's answer.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure by default.

    Returns
    -------
    matplotlib.axes.Axes
        The axes drawn on.

    Notes
    -----
    Read from top to bottom, each step moves the date to the left. Pale ridges are steps (how far back a step takes
    the date from where the one above left it at its median), dark ridges are dates; the bar under a ridge is its
    interval, with the probability asked of the estimate.
    """
    ax = ax if ax is not None else new_axes(6.4, 3.8)
    tidy(ax)
    first = _first_counted(tree_age)
    steps = _steps(tree_age, first)
    ends = [float(first)] + [float(step.years.quantile(q)) for step in steps for q in (0.002, 0.998)]
    low, high = padded(np.array(ends), share=0.06)
    high = max(high, first + 0.25 * (high - low))  # room to show the innermost counted rings
    ax.set_xlim(low, high)
    lines = len(steps)
    ax.barh(lines, high - (first - 0.5), 0.16, left=first - 0.5, color=DEEP)
    counted = tree_age.facts.get("rings_counted", tree_age.minimum_age)
    _words(ax, lines, f"{counted} rings ({year_text(first)} to {year_text(tree_age.outer_year)})")
    for at, step in zip(range(lines - 1, -1, -1), steps, strict=True):
        _ridge(ax, at, step)
    dots = [first, *(step.years.median() for step in steps)]
    ax.plot(dots, [lines, *(at - BELOW for at in range(lines - 1, -1, -1))], color=WARM, linewidth=0.8, zorder=1.8)
    ax.set_ylim(-0.45, lines + 0.6)
    ax.set_yticks(range(lines, -1, -1), ["counted rings", *(step.name for step in steps)])
    ax.tick_params(axis="y", length=0)
    year_axis(ax, low, high, label=f"Year (bars: {100 * tree_age.prob:g} % intervals; dots: medians)")
    above = ", dated at coring height: it is older" if tree_age.date_refers_to == CORE_HEIGHT else ""
    ax.set_title(f"Tree {tree_age.tree}{above}", loc="left", fontsize=SMALL + 2, color=INK, parse_math=False)
    if not steps:
        ax.set_ylim(-1.0, 1.0)
    return ax


def _first_counted(tree_age: TreeAge) -> int:
    """Innermost counted ring of the lead core, from which the steps hang."""
    cores = tree_age.cores
    if "lead" in cores and "innermost_year" in cores and cores["lead"].any():
        return int(cores.loc[cores["lead"].astype(bool), "innermost_year"].iloc[0])
    counted = tree_age.facts.get("rings_counted")
    return tree_age.outer_year - int(tree_age.minimum_age if counted is None else counted) + 1


def _steps(tree_age: TreeAge, first: int) -> list[_Step]:
    if not tree_age.distributions:
        return []
    given = tree_age.distributions
    height = tree_age.facts.get("core_height_m")
    at_height = f" at {height:g} m" if isinstance(height, (int, float)) and np.isfinite(height) else ""
    pith = given["pith_year"]
    line = partial(_step, prob=tree_age.prob)
    steps = [
        line("missed rings", given["missed_rings"].negate().shift(first), given["missed_rings"], "rings"),
        line(f"pith year{at_height}", pith, None, ""),
    ]
    if tree_age.date_refers_to == CORE_HEIGHT:
        return steps
    rise = given.get("years_to_core_height")
    if rise is not None and rise.quantile(0.9999) > 0:
        steps.append(line(f"years to{at_height.replace(' at', '')}", rise.negate().shift(pith.median()), rise, "years"))
    collar = given.get("collar_years")
    if collar is not None and collar.quantile(0.9999) > 0:
        from_year = pith.median() - (rise.median() if rise is not None else 0)
        steps.append(line("buried collar", collar.negate().shift(from_year), collar, "years"))
    age_low, age_high = given["age"].interval(tree_age.prob)
    ages = f"age {given['age'].median()} ({age_low} to {age_high})"
    steps.append(line("establishment", given["establishment_year"], None, "\n" + ages))
    return steps


def _step(name: str, years: Pmf, amount: Pmf | None, after: str, *, prob: float) -> _Step:
    shown = years if amount is None else amount
    low, high = shown.interval(prob)
    if amount is None:
        words = f"{year_text(shown.median())} ({year_text(low)} to {year_text(high)}){after}"
        return _Step(name, years, words, DEEP, prob)
    return _Step(name, years, f"{shown.median()} ({low} to {high}) {after}", PALE, prob)


def _ridge(ax: Axes, at: int, step: _Step) -> None:
    start, stop = step.years.quantile(1e-4), step.years.quantile(1 - 1e-4)
    mass = step.years.on(start, stop - start + 1)
    edges = np.arange(start - 0.5, stop + 1)
    heights = RIDGE * mass / mass.max()
    ax.stairs(
        at + heights, edges, baseline=at, fill=True, color=step.colour, alpha=0.95 if step.colour == PALE else 0.8
    )
    low, high = step.years.interval(step.prob)
    ax.hlines(at - BELOW, low - 0.5, high + 0.5, color=INK, linewidth=2.2)
    ax.plot(
        step.years.median(), at - BELOW, "o", color=WARM, markersize=5, markeredgecolor="white", markeredgewidth=0.7
    )
    _words(ax, at, step.words)


def _words(ax: Axes, at: int, words: str) -> None:
    ax.annotate(
        words,
        (1.0, at + 0.04),
        xycoords=("axes fraction", "data"),
        xytext=(4, 0),
        textcoords="offset points",
        ha="left",
        va="center",
        fontsize=TINY + 0.5,
        color=INK,
        annotation_clip=False,
    )
