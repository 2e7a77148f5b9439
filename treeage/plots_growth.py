"""Figures of growth: diameter by year, releases by decade with sample depth, gap origin against early growth.

Layer 6. Colours can be told apart by colour-blind readers and in grey print; own derivation.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from treeage.plots_style import DEEP, MARKERS, PALE, SMALL, WARM, new_axes, tidy

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from treeage.growth_events import GrowthChanges
    from treeage.growth_history import GrowthHistory
    from treeage.growth_origin import OriginTable


def plot_growth(result: GrowthHistory, *, ax: Axes | None = None) -> Axes:
    """Draw the inside-bark diameter by year, both methods.

    Parameters
    ----------
    result : GrowthHistory
        Growth of one tree.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure by default.

    Returns
    -------
    matplotlib.axes.Axes
        The axes drawn on.
    """
    ax = ax if ax is not None else new_axes()
    frame = result.to_frame()
    name = "diameter_inside_bark_cm"
    band = f"{100 * result.prob:.0f} % interval"
    ax.fill_between(frame["year"], frame[f"{name}_lo"], frame[f"{name}_hi"], color=PALE, label=band)
    ax.plot(frame["year"], frame[f"{name}_median"], color=DEEP, label="proportional")
    other = frame["diameter_inside_bark_subtractive_cm_median"]
    if other.notna().any():
        ax.plot(frame["year"], other, color=WARM, linestyle="--", label="subtractive")
    ax.set(xlabel="Year", ylabel="Diameter inside bark [cm]", ylim=(0, None))
    ax.legend(frameon=False, fontsize=SMALL, loc="upper left")
    return tidy(ax, grid="y")


def plot_changes(result: GrowthChanges, *, ax: Axes | None = None) -> Axes:
    """Draw the share of trees with a change by decade, with the number of trees that could show one.

    Parameters
    ----------
    result : GrowthChanges
        Releases or suppressions.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure by default.

    Returns
    -------
    matplotlib.axes.Axes
        The axes drawn on.
    """
    ax = ax if ax is not None else new_axes()
    frame = result.by_decade()
    depth = frame.groupby("decade")["at_risk"].max()
    twin = ax.twinx()
    twin.fill_between(depth.index + 5, depth.to_numpy(), step="mid", color=PALE, alpha=0.6)
    twin.set(ylabel="Trees that can show a change (shaded)", ylim=(0, None))
    ax.set_zorder(twin.get_zorder() + 1)
    ax.patch.set_visible(False)
    names = [criterion.name for criterion in result.criteria]
    for position, name in enumerate(names):
        part = frame[frame["criterion"] == name]
        at = part["decade"] + 5 + 1.2 * (position - (len(names) - 1) / 2)
        ends = np.abs(part[["percent_lo", "percent_hi"]].to_numpy().T - part["percent"].to_numpy())
        tone = (DEEP, WARM)[position % 2]
        face = tone if position < 2 else "white"
        ax.errorbar(
            at,
            part["percent"],
            yerr=ends,
            fmt=MARKERS[position % len(MARKERS)],
            color=tone,
            mfc=face,
            markersize=4,
            label=name,
        )
    ax.set(xlabel="Decade", ylabel=f"Trees with a {result.direction} [%]", ylim=(0, None))
    ax.legend(frameon=False, fontsize=SMALL, loc="upper left")
    return tidy(ax, grid="y")


def plot_origins(result: OriginTable, *, ax: Axes | None = None) -> Axes:
    """Draw the probability of gap origin against early growth.

    Parameters
    ----------
    result : OriginTable
        Origins of a set of trees.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure by default.

    Returns
    -------
    matplotlib.axes.Axes
        The axes drawn on.
    """
    ax = ax if ax is not None else new_axes()
    frame = result.frame
    top = max(2 * result.calibration.threshold_mm, float(np.nanmax(frame["early_growth_mm"], initial=0.0)))
    growth = np.linspace(0.01, top * 1.05, 200)
    ax.plot(growth, result.calibration.gap_probability(growth), color=PALE, label="calibration")
    ax.plot(frame["early_growth_mm"], frame["p_gap"], "o", color=DEEP, markersize=4, label="tree")
    ax.axvline(result.calibration.threshold_mm, color=WARM, linestyle="--", label="even odds")
    ax.set(xlabel="Early radial growth [mm per year]", ylabel="Probability of gap origin", ylim=(-0.02, 1.02))
    ax.legend(frameon=False, fontsize=SMALL, loc="lower right")
    return tidy(ax, grid="y")
