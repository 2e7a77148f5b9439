"""Figures of what comes before and at the tree: the section with the aimed core, the widths of a plan, the next steps.

Own derivation.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from treeage.display import draws
from treeage.plots.style import DEEP, GROUPS, INK, MARKERS, PALE, SMALL, TINY, WARM, new_axes, tidy

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from treeage.planning import CoringPlan, NextSteps, SecondCore

SHARES = (0.9, 0.5)  # probabilities within the contours
MOST_STEPS = 15  # choice: steps that can be read in one figure


@draws("SecondCore")
def plot_aim(result: SecondCore, *, ax: Axes | None = None) -> Axes:
    """Draw the cross-section: where the pith lies (50 and 90 %), the cores taken, and the way of the next one."""
    ax = ax if ax is not None else new_axes(5.2, 5.2)
    outside = result.radius_mm + result.bark_mm
    turn = np.linspace(0, 2 * np.pi, 200)
    for radius, colour in ((outside, INK), (result.radius_mm, PALE)):
        ax.plot(radius * np.sin(turn), radius * np.cos(turn), color=colour, linewidth=1.0)
    order = np.sort(result.mass.ravel())[::-1]
    levels = [float(order[np.searchsorted(np.cumsum(order), share)]) for share in SHARES]
    if levels[0] < levels[1]:
        ax.contourf(
            result.axis_mm, result.axis_mm, result.mass.T, [*levels, order[0] + 1e-12], colors=[PALE, GROUPS[1]]
        )
    ax.plot(0, 0, "+", color=INK, markersize=7)
    for name, entry in result.entries_deg.items():
        _core(ax, entry, 0.0, (outside, outside), DEEP)
        _name(ax, entry, outside, f"core {name}", DEEP)
    best = result.best
    _core(ax, best.entry_deg, best.turn_deg, (outside, best.depths_mm[-1]), WARM)
    _name(ax, best.entry_deg, outside, f"next: {100 * best.chance_hit:.0f} %", WARM)
    frame = "right, the first core at the top" if result.relative else "east"
    up = "Up the page [mm]" if result.relative else "To the north [mm]"
    ends = (-1.3 * outside, 1.3 * outside)
    ax.set(xlabel=f"From the stem's centre to the {frame} [mm]", ylabel=up, aspect="equal", xlim=ends, ylim=ends)
    title = f"Tree {result.tree}: pith within the areas with 50 and 90 %"
    ax.set_title(title, loc="left", fontsize=SMALL + 1, color=INK, parse_math=False)
    return tidy(ax)


def _name(ax: Axes, entry_deg: float, outside: float, words: str, colour: str) -> None:
    """Words outside the bark at a point of entry."""
    east, north = (1.13 * outside * float(part(np.deg2rad(entry_deg))) for part in (np.sin, np.cos))
    ax.text(east, north, words, fontsize=SMALL, color=colour, ha="center", va="center").set_parse_math(False)


def _core(ax: Axes, entry_deg: float, turn_deg: float, reach: tuple[float, float], colour: str) -> None:
    """One core from the bark inwards: reach is the outside radius and the depth."""
    entry, way = np.deg2rad(entry_deg), np.deg2rad(entry_deg + 180 + turn_deg)
    start = reach[0] * np.array([np.sin(entry), np.cos(entry)])
    end = start + reach[1] * np.array([np.sin(way), np.cos(way)])
    ax.plot([start[0], end[0]], [start[1], end[1]], color=colour, linewidth=2.0, solid_capstyle="butt")
    ax.plot(*start, "o", color=colour, markersize=5)


@draws("CoringPlan")
def plot_plan(result: CoringPlan, *, ax: Axes | None = None) -> Axes:
    """Draw the width of the date under every plan: cores by height and dating, seedlings by mark."""
    ax = ax if ax is not None else new_axes(6.4, 4.6)
    table = result.widths
    keys = list(dict.fromkeys(zip(table["cores"], table["core_height_m"], table["dating"], strict=True)))
    for at, number in enumerate(sorted(table["seedlings"].unique())):
        own = table[table["seedlings"] == number].set_index(["cores", "core_height_m", "dating"])["width_years"]
        place = np.arange(len(keys))[::-1] + 0.2 * (1 - at)
        name = f"{number} seedlings" if number else "no seedlings"
        ax.plot(own.loc[keys].to_numpy(), place, MARKERS[at], color=GROUPS[at], label=name, markersize=5)
    words = {"crossdated": "crossdated", "lab_count": "counted"}
    names = [f"{cores}, {height:g} m, {words[str(dating)]}" for cores, height, dating in keys]
    ax.set_yticks(range(len(keys))[::-1], names)
    ax.set_xlim(0, 1.08 * float(table["width_years"].max()))
    ax.set_xlabel("90 % width of the establishment date of the median tree [years]")
    ax.set_title(f"{result.species}, {result.diameter_cm:g} cm", loc="left", fontsize=SMALL + 1, color=INK)
    ax.legend(fontsize=TINY + 0.5, frameon=False)
    return tidy(ax)


@draws("NextSteps")
def plot_next(result: NextSteps, *, ax: Axes | None = None) -> Axes:
    """Draw the expected gain per hour of the best steps."""
    ax = ax if ax is not None else new_axes(6.4, 4.4)
    shown = result.table.head(MOST_STEPS)
    actions = sorted(set(shown["action"]))
    place = np.arange(len(shown))[::-1]
    for at, action in enumerate(actions):
        own = (shown["action"] == action).to_numpy()
        ax.barh(place[own], shown["gain_per_hour"].to_numpy()[own], 0.7, color=GROUPS[at % len(GROUPS)], label=action)
    names = [str(tree or species) for tree, species in zip(shown["tree"], shown["species"], strict=True)]
    for label in ax.set_yticks(place, names):
        label.label1.set_parse_math(False)
    ax.set_xlabel(f"Expected gain per hour [{result.unit}]")
    if len(shown):
        ax.legend(fontsize=TINY + 0.5, frameon=False, loc="lower right")
    return tidy(ax)
