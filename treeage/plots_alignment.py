"""Figures of two cores read against each other: the series in line with their events, and the path of the offset.

Layer 6, part of the family of `plots`. Own look; what is drawn comes from `Alignment.in_line` and `Alignment.path`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from treeage.plots_style import DEEP, INK, PALE, WARM, new_axes, tidy

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from treeage.alignment import Alignment

_APART = 4.0  # choice: standard deviations between the two lines, so that they do not cross
_SEEN = 0.02  # choice: offsets that never reach this are left out of the axis
_MARKS = {"absent_in_a": "v", "absent_in_b": "^", "false_in_a": "x", "false_in_b": "+"}


def plot_in_line(alignment: Alignment, *, ax: Axes | None = None) -> Axes:
    """Draw the two series side by side as the best set of events lays them, with the events marked.

    Parameters
    ----------
    alignment : Alignment
        From `align_cores`.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure by default.

    Returns
    -------
    matplotlib.axes.Axes
        The axes drawn on; the bark is at the left.
    """
    ax = ax if ax is not None else new_axes(7.2, 3.4)
    frame = alignment.in_line()
    year = frame["year_from_bark"].to_numpy(dtype=float)
    for name, shift, colour in (("a", _APART / 2, DEEP), ("b", -_APART / 2, INK)):
        signal = frame[f"signal_{name}"].to_numpy(dtype=float, na_value=np.nan)
        ax.plot(year, signal + shift, color=colour, linewidth=0.9)
    for number, event in enumerate(alignment.best.to_dict("records")):
        kind = str(event["kind"])
        rows = frame.index[frame["kind"] == kind]
        near = min(rows, key=lambda row: abs(year[row] - event["ring_from_bark"]), default=None)
        place = year[near] if near is not None else float(event["ring_from_bark"])
        side = _APART if kind.endswith("_a") else -_APART
        ax.axvline(place, color=PALE, linewidth=3, zorder=0)
        ax.plot(place, side, _MARKS[kind], color=WARM, markersize=8, markeredgewidth=2, zorder=3)
        words = f"{kind.split('_', maxsplit=1)[0]}, p {event['prob_near']:.2f}"
        rise = 8 + 9 * (number % 3)  # near events do not write over each other
        away = rise if kind.endswith("_a") else -rise - 6
        ax.annotate(words, (place, side), (4, away), textcoords="offset points", color=WARM, fontsize=8)
    ax.set_yticks([_APART / 2, -_APART / 2], ["core A", "core B"])
    ax.set(xlabel="Year from the bark (1 = outermost ring)", ylim=(-1.9 * _APART, 1.9 * _APART))
    return tidy(ax, grid="x")


def plot_offset_path(alignment: Alignment, *, ax: Axes | None = None) -> Axes:
    """Draw the probability of every offset between the two counts, ring by ring of core A.

    Parameters
    ----------
    alignment : Alignment
        From `align_cores`.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure by default.

    Returns
    -------
    matplotlib.axes.Axes
        The axes drawn on; darker is likelier, a step is an absent or false ring.
    """
    ax = ax if ax is not None else new_axes(7.2, 2.8)
    path = alignment.path()
    offsets = path.columns.to_numpy(dtype=float)
    ax.imshow(
        path.to_numpy().T,
        origin="lower",
        aspect="auto",
        cmap="Greys",
        vmin=0,
        vmax=1,
        interpolation="nearest",
        extent=(0.5, len(path) + 0.5, offsets[0] - 0.5, offsets[-1] + 0.5),
    )
    used = offsets[path.to_numpy().max(axis=0) > _SEEN]
    ax.set_ylim(used.min() - 1.5, used.max() + 1.5)
    ax.set_yticks(np.arange(used.min() - 1, used.max() + 2))
    ax.set(
        xlabel="Ring of core A from the bark (1 = outermost)",
        ylabel="Ring number in B minus A [rings]",
    )
    return tidy(ax, grid="")


def plot_reliability(table: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Draw how often things happened that were stated with some probability.

    Parameters
    ----------
    table : pandas.DataFrame
        From `reliability`.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure by default.

    Returns
    -------
    matplotlib.axes.Axes
        The axes drawn on; bars are the ranges that right statements leave to chance, numbers count the cases.
    """
    ax = ax if ax is not None else new_axes(4.4, 4.2)
    stated, happened = table["stated"].to_numpy(), table["happened"].to_numpy()
    ax.plot([0, 1], [0, 1], color=PALE, linewidth=1.2, zorder=0)
    ax.vlines(stated, table["band_low"], table["band_high"], color=PALE, linewidth=6, zorder=1)
    ax.plot(stated, happened, "o", color=DEEP, markersize=5, zorder=2)
    for row in table.to_dict("records"):
        ax.annotate(f"{row['count']}", (row["stated"], -0.06), ha="center", fontsize=7, color=INK)
    ax.set(xlabel="Stated probability", ylabel="Share that came true", xlim=(-0.05, 1.05), ylim=(-0.1, 1.05))
    return tidy(ax, grid="")
