"""Figures before and at the tree (aimed core, widths of a plan, next steps, years to a height), and of many stands.

Own derivation.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from treeage.display import draws
from treeage.plots.style import (
    DEEP,
    GROUPS,
    INK,
    MANY,
    MARKERS,
    PALE,
    SMALL,
    TINY,
    WARM,
    draw_bands,
    fitted,
    legend_below,
    names_fit,
    new_axes,
    padded,
    plain_labels,
    tidy,
    year_axis,
)
from treeage.pmf import Pmf

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from treeage.batch import Batch
    from treeage.height import YoungTreeEvidence
    from treeage.planning import CoringPlan, NextSteps, SecondCore
    from treeage.proof import Proof

SHARES = (0.9, 0.5)  # probabilities within the contours
RIDGE, BELOW = 0.78, 0.09  # choice: height of the tallest ridge, and its interval below it, in lines
HEIGHT_LOOKS = (("0.3", PALE), ("1", DEEP), ("1.3", WARM))
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
    wide, tall = 1.75 * outside, 1.3 * outside  # room for the words beside the bark
    ax.set(xlabel=f"From the stem's centre to the {frame} [mm]", ylabel=up, aspect="equal")
    ax.set(xlim=(-wide, wide), ylim=(-tall, tall))
    title = f"Tree {result.tree}: pith within the areas with 50 and 90 %"
    ax.set_title(title, loc="left", fontsize=SMALL + 1, color=INK, parse_math=False)
    return tidy(ax)


def _name(ax: Axes, entry_deg: float, outside: float, words: str, colour: str) -> None:
    """Words outside the bark at a point of entry."""
    east, north = (float(part(np.deg2rad(entry_deg))) for part in (np.sin, np.cos))
    side = "center" if abs(east) < 0.3 else "left" if east > 0 else "right"
    text = ax.text(1.08 * outside * east, 1.13 * outside * north, words, color=colour, ha=side, va="center")
    text.set(fontsize=SMALL, parse_math=False)


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
    ax.set_xlabel("90 % width of the establishment date\nof the median tree [years]")
    ax.set_title(f"{result.species}, {result.diameter_cm:g} cm", loc="left", fontsize=SMALL + 1, color=INK)
    legend_below(tidy(ax))
    return ax


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
    tidy(ax)
    if len(shown):
        legend_below(ax)
    return ax


# ------------------------------------------------------------------ years to the coring height


@draws("YoungTreeEvidence")
@fitted
def plot_young_trees(evidence: YoungTreeEvidence, *, ax: Axes | None = None) -> Axes:
    """Draw the years to three heights that open data give: medians with their 80 % intervals, a line a species."""
    table = evidence.table
    ax = ax if ax is not None else new_axes(6.4, 1.4 + 0.5 * len(table))
    tidy(ax)
    for place, (row, look) in enumerate(
        (row, look) for row in table.to_dict("records") for look in enumerate(HEIGHT_LOOKS)
    ):
        at, (height, colour) = look
        line = place // len(HEIGHT_LOOKS) + 0.25 * (at - 1)
        label = f"{height} m" if place < len(HEIGHT_LOOKS) else None
        ax.plot([row[f"lo_{height}m"], row[f"hi_{height}m"]], [line, line], color=colour, linewidth=1.6)
        ax.plot(row[f"years_{height}m"], line, "o", color=colour, markersize=4, label=label)
    names = [f"{row['name']} ({row['studies']} studies, {row['plants']} plants)" for row in table.to_dict("records")]
    ax.set_yticks(range(len(table)), names)
    ax.invert_yaxis()
    ax.set_xscale("log")
    ticks = [1, 2, 5, 10, 20, 50, 100]
    ax.set_xticks(ticks, [str(tick) for tick in ticks])
    ax.set_xlabel("Years from seed to a height, in the open (median, 80 %)")
    ax.legend(fontsize=TINY, frameon=False, loc="upper right")
    plain_labels(ax.get_yticklabels())
    return ax


@fitted
def plot_years(years: Mapping[str, Pmf], *, ax: Axes | None = None, prob: float = 0.9) -> Axes:
    """Draw mass functions of years below each other with their intervals, as with 0, 3 and 10 seedlings of a stand."""
    ax = ax if ax is not None else new_axes(6.4, 0.8 + 0.7 * len(years))
    tidy(ax)
    tallest = max(float(pmf.mass.max()) for pmf in years.values())
    for line, pmf in enumerate(years.values()):
        at = pmf.start + np.arange(pmf.mass.size)
        ax.fill_between(at, line, line - RIDGE * pmf.mass / tallest, step="mid", color=PALE, linewidth=0)
        low, high = pmf.interval(prob)
        ax.plot([low, high], [line + BELOW] * 2, color=INK, linewidth=2)
        ax.plot(pmf.median(), line + BELOW, "o", color=DEEP, markersize=4)
    ax.set_yticks(range(len(years)), list(years))
    ax.invert_yaxis()
    ax.set_xlim(0, max(pmf.quantile(0.99) for pmf in years.values()))
    ax.set_xlabel(f"Years to the height (dot: median; bar: {100 * prob:g} %)")
    plain_labels(ax.get_yticklabels())
    return ax


@draws("Proof")
@fitted
def plot_proof(proof: Proof, *, ax: Axes | None = None) -> Axes:
    """Draw the share of the truths that intervals held, part by part, with what chance allows and what is promised."""
    table, at = proof.parts, np.arange(len(proof.parts))[::-1]
    ax = ax if ax is not None else new_axes(6.4, 1.2 + 0.45 * max(len(table), 1))
    tidy(ax)
    if not len(table):
        ax.text(0.5, 0.5, "Nothing is known that could be predicted.", transform=ax.transAxes, ha="center", color=INK)
    else:
        ax.hlines(at, 100 * table["band_low"], 100 * table["band_high"], color=PALE, linewidth=7)
        ax.plot(100 * table["covered"], at, "o", color=DEEP, markersize=5)
        ax.set_ylim(-0.6, len(table) - 0.4)
    ax.axvline(100 * proof.prob, color=INK, linewidth=0.8)
    ax.set_yticks(at, [f"{row['part']} ({row['cases']})" for row in table.to_dict("records")])
    ax.tick_params(axis="y", length=0)
    ax.set_xlim(0, 103)
    ax.set_xlabel(f"Held by {100 * proof.prob:g} % intervals [%] (pale: by chance, of as many trees)")
    return ax


# ------------------------------------------------------------------ many stands


@draws("Batch")
@fitted
def plot_sites(batch: Batch, *, ax: Axes | None = None) -> Axes:
    """Draw the mean date of the trees of every stand with its interval, in order; above 200 stands as bands."""
    table = batch.summary.dropna(subset="mean_date_median").sort_values(["mean_date_median", "site"])
    ax = ax if ax is not None else new_axes(6.4, float(np.clip(1.6 + 0.135 * len(table), 3.0, 9.6)))
    tidy(ax)
    middle = table["mean_date_median"].to_numpy(dtype=float)
    span = table[["mean_date_lo", "mean_date_hi"]].to_numpy(dtype=float)
    if not len(table):
        ax.text(0.5, 0.5, "No stand could be dated.", transform=ax.transAxes, ha="center", fontsize=SMALL, color=INK)
        ax.set(xlabel="Mean date", ylabel="Stands [number]")
        return ax
    level, size = f"{100 * batch.prob:g} % interval", 1
    rows = np.arange(1, len(table) + 1)
    if len(table) > MANY:
        size = draw_bands(ax, middle, span[None], [level])
    else:
        ax.hlines(rows, span[:, 0], span[:, 1], color=DEEP, linewidth=1.1, label=level)
        ax.plot(middle, rows, "o", color=WARM, markersize=3.5, label="median")
        ax.set_ylim(0.2, len(table) + 0.8)
    of = f", medians of {size} stands in a row" if size > 1 else ""
    year_axis(ax, *padded(span), label=f"Mean date of the trees of a stand{of}")
    ax.set_ylabel("Stands in order of their date [number]")
    if names_fit(ax, len(table)):
        ax.set_yticks(rows, table["site"].tolist())
        ax.tick_params(axis="y", length=0)
        plain_labels(ax.get_yticklabels())
        ax.set_ylabel("Stand")
    legend_below(ax)
    return ax
