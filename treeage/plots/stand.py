"""Figures of a stand's history and growth, of two cores side by side, of checks and how often statements came true.

Each draws one result on `ax`, a new figure by default, and returns the axes; `Result.plot` says so once for all. Own
derivation.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from treeage.display import draws, year_text
from treeage.plots.style import (
    DEEP,
    GROUPS,
    INK,
    MARKERS,
    PALE,
    SMALL,
    WARM,
    beside,
    by_years,
    draw_events,
    fitted,
    italic_species,
    legend_below,
    new_axes,
    on_lines,
    padded,
    tidy,
    width_in,
    year_axis,
)
from treeage.stand import seen_cells

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from treeage.alignment import Alignment
    from treeage.checks import PredictiveChecks, Sensitivity
    from treeage.growth import GrowthChanges, GrowthHistory, OriginTable
    from treeage.stand import (
        AgeFromDiameter,
        AgeStructure,
        EventResponse,
        PastStand,
        PulseHistory,
        RecruitmentHistory,
        StandHistory,
        StandOrigin,
        StaticModels,
    )
    from treeage.validate import Score

YEAR = "Establishment year"
BIN_YEARS = (1, 2, 5, 10, 20, 25, 50, 100, 200, 500, 1000, 10_000)  # choice: widths people read easily
MOST_PERIODS = 30  # choice: of trees by date under the pulses
MOST_BINS = 80  # choice: narrower bars than this show the chance of the draws
APART = 4.0  # choice: standard deviations between the lines of two cores, so that they do not cross
NEAR_RINGS = 3  # of the windows of `Alignment.best`
HEADROOM = 1.4  # choice: room for a key of three lines over the data, on a page of one column too
SEEN = 0.02  # choice: offsets that never reach this are left out of the axis
EVENT_MARKS = {"absent_in_a": "v", "absent_in_b": "^", "false_in_a": "x", "false_in_b": "+"}


def say_core_height(ax: Axes, above: int, trees: int) -> Axes:
    """Say on the axis of years how many dates are years at coring height.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Axes of a figure of this module.
    above : int
        Trees dated at coring height.
    trees : int
        All trees of the figure.

    Returns
    -------
    matplotlib.axes.Axes
        The same axes.
    """
    words = "Year at coring height" if above == trees else f"{YEAR}, for {above} of {trees} trees year at coring height"
    if above:
        ax.set_xlabel(ax.get_xlabel().replace(YEAR, words))
        on_lines(ax.xaxis.label, width_in(ax))
    return ax


@draws("AgeStructure")
@fitted
def plot_structure(result: AgeStructure, *, ax: Axes | None = None) -> Axes:
    """Draw trees by period with intervals, beside the naive histogram of median dates."""
    ax = ax if ax is not None else new_axes()
    frame = result.to_frame()
    name = "trees" if result.per_ha is None else "trees_per_ha"
    width = result.bin_years
    mean = frame[f"{name}_mean"].to_numpy()
    ends = np.abs(frame[[f"{name}_lo", f"{name}_hi"]].to_numpy().T - mean)
    ends[0] = np.where(frame[f"{name}_lo"].to_numpy() > mean, 0.0, ends[0])
    middle = frame["year_first"].to_numpy() + width / 2
    naive = frame[f"{name}_naive"]
    ax.bar(middle, naive, width=0.92 * width, color=PALE, label="by median date")
    band = f"mean and {100 * result.prob:.0f} % interval"
    ax.errorbar(middle, mean, yerr=ends, fmt="o", color=DEEP, markersize=4, linewidth=1.2, label=band)
    unit = "Trees" if result.per_ha is None else "Trees per ha"
    top = max(float(frame[f"{name}_hi"].max()), float(naive.max()))
    seen = np.flatnonzero((frame[f"{name}_hi"] > 0) | (naive > 0))
    ax.set_xlim(middle[seen[0]] - 0.7 * width, middle[seen[-1]] + 0.7 * width)  # half a mark of the next is no mark
    ax.set(xlabel=f"{YEAR} (bins of {width} years)", ylabel=unit, ylim=(0, HEADROOM * top))
    _legend(ax)
    return say_core_height(by_years(ax), result.above, int(result.naive.sum()))


@draws("RecruitmentHistory")
@fitted
def plot_recruitment(result: RecruitmentHistory, *, ax: Axes | None = None) -> Axes:
    """Draw the intensity of establishment with its band over the naive histogram."""
    ax = ax if ax is not None else new_axes()
    frame = result.to_frame()
    size = max(1, int(np.ceil(5 / result.step_years)))  # choice: the naive histogram in bins of at least 5 years
    length = result.naive.size // size * size
    coarse = result.naive[:length].reshape(-1, size).mean(axis=1)
    middle = result.years[:length].reshape(-1, size).mean(axis=1)
    wide = size * result.step_years
    ax.bar(middle, coarse, width=wide, color=PALE, label=f"trees by median date, {wide}-year bins")
    low, high, median = (frame[f"establishment_{part}"] for part in ("lo", "hi", "median"))
    band = f"{100 * result.prob:.0f} % band"
    ax.fill_between(result.years, low, high, color=WARM, alpha=0.25, linewidth=0, label=band)
    ax.plot(result.years, median, color=DEEP, linewidth=1.6, label="establishment, median")
    shown = result.years[seen_cells(median, high)]
    ax.set_xlim(shown[0] - wide, shown[-1] + wide)
    top = max(float(np.quantile(high, 0.995)), float(coarse.max()))
    ax.set(xlabel=YEAR, ylabel=result.unit.capitalize(), ylim=(0, HEADROOM * top))
    _legend(ax)
    low_year, high_year = ax.get_xlim()
    events = pd.DataFrame({"year": list(result.events.values()), "event": list(result.events)})
    draw_events(ax, events, low_year, high_year)
    return say_core_height(by_years(ax), result.above, result.trees)


@draws("StandHistory")
@fitted
def plot_history(history: StandHistory, *, ax: Axes | None = None) -> Axes:
    """Draw recruitment by year with its band over the naive histogram."""
    return plot_recruitment(history.recruitment, ax=ax)


@draws("PulseHistory")
@fitted
def plot_pulses(result: PulseHistory, *, ax: Axes | None = None) -> Axes:
    """Draw the pulses over the dates of the trees: median and interval of each above the trees."""
    from matplotlib.ticker import MaxNLocator

    ax = ax if ax is not None else new_axes()
    frame, dates = result.to_frame(), result.tree_dates
    ends = frame[["date_lo", "date_hi"]].to_numpy(dtype=np.float64).ravel()
    first, last = padded(np.concatenate([dates, ends])) if dates.size + ends.size else (0.0, 1.0)
    width = next(size for size in BIN_YEARS if (last - first) / size <= MOST_PERIODS)
    edges = np.arange(np.floor(first / width) * width, last + width, width)
    count, _ = np.histogram(dates, edges)
    if dates.size:
        ax.bar(edges[:-1] + width / 2, count, 0.92 * width, color=PALE, label=f"trees by date, {width}-year bins")
    top = max(int(count.max(initial=0)), 1)
    for at, row in enumerate(frame.to_dict("records")):
        level = top * (1.12 + 0.16 * (at % 2))
        ax.hlines(level, row["date_lo"], row["date_hi"], color=DEEP, linewidth=2.2)
        ax.plot(row["date_median"], level, "o", color=DEEP, markersize=5)
        words = f"{year_text(round(row['date_median']))}, {100 * row['share_median']:.0f} % of trees"
        if row["p_sudden"] > 0.5:
            words += f", from {year_text(round(row['begin_median']))}"
            ax.plot(row["begin_median"], level, "|", color=WARM, markersize=12)
        ax.annotate(words, (row["date_median"], level), xytext=(0, 8), textcoords="offset points", fontsize=SMALL,
                    color=INK, ha="center")  # fmt: skip
    chances = ", ".join(f"{k}:\u00a0{p:.2f}" for k, p in enumerate(result.chances) if p >= 0.005)
    ax.set_title(f"Probability of each number of pulses: {chances}", fontsize=SMALL, color=INK, loc="left")
    ax.set(xlabel=YEAR, ylabel="Trees", ylim=(0, 1.5 * top), xlim=(edges[0], edges[-1]))
    ax.yaxis.set_major_locator(MaxNLocator("auto", integer=True))
    if frame.empty:
        ax.text(0.5, 0.9, "no pulse stands out", transform=ax.transAxes, ha="center", color=INK, fontsize=SMALL)
    return say_core_height(by_years(ax), result.above, result.trees)


@draws("EventResponse")
@fitted
def plot_events(result: EventResponse, *, ax: Axes | None = None) -> Axes:
    """Draw the trees established within each window after each event."""
    ax = ax if ax is not None else new_axes()
    frame, middle = result.to_frame(), (len(result.within_years) - 1) / 2
    for at, window in enumerate(result.within_years):
        name = f"within_{window}_years"
        median = frame[f"{name}_median"].to_numpy()
        ends = np.abs(frame[[f"{name}_lo", f"{name}_hi"]].to_numpy().T - median)
        place, words = np.arange(len(frame)) + 0.18 * (at - middle), f"within {window} years"
        color, mark = GROUPS[at % len(GROUPS)], MARKERS[at % len(MARKERS)]
        ax.errorbar(place, median, yerr=ends, capsize=3, markersize=5, label=words, color=color, fmt=mark)
    names = [f"{event}\n{year_text(year)}" for event, year in result.events.items()]
    for label in ax.set_xticks(range(len(frame)), names):
        label.label1.set_parse_math(False)
    ax.set(ylabel=f"Trees established after it (of {len(result.trees)})", ylim=(0, None))
    tidy(ax, grid="y")
    legend_below(ax)
    return ax


@draws("StandOrigin")
@fitted
def plot_origin(result: StandOrigin, *, ax: Axes | None = None) -> Axes:
    """Draw the distributions of the date of the oldest tree and of the origin."""
    ax = ax if ax is not None else new_axes()
    low, high = np.floor(np.quantile(result.origin, 0.01)), np.ceil(result.oldest.max())
    width = max(1, int(np.ceil((high - low) / MOST_BINS)))
    edges = np.arange(low - 0.5, high + width + 0.5, width).tolist()  # a year reaches half a year to either side
    share = np.full(result.origin.size, 100.0 / result.origin.size)
    ax.hist(result.origin, bins=edges, weights=share, color=PALE, label="origin (steady start)")
    share = np.full(result.oldest.size, 100.0 / result.oldest.size)
    ax.hist(result.oldest, bins=edges, weights=share, histtype="step", color=DEEP, linewidth=1.6, label="oldest tree")
    early = float((result.origin < edges[0]).mean())
    left = f" ({100 * early:.0f} % of the origin is earlier than shown)" if early >= 0.005 else ""
    bins = "year" if width == 1 else f"{width} years"
    ax.set(xlabel=f"Year{left}", ylabel=f"Probability per {bins} [%]", xlim=(edges[0], edges[-1]))
    _legend(ax)
    return by_years(ax)


@draws("StaticModels")
@fitted
def plot_static(result: StaticModels, *, ax: Axes | None = None) -> Axes:
    """Draw counts by age and both static models on a logarithmic axis."""
    from matplotlib.ticker import LogLocator

    ax = ax if ax is not None else new_axes()
    ax.plot(result.ages, np.where(result.counts > 0, result.counts, np.nan), "o", color=DEEP, label="trees")
    age = np.linspace(result.ages[0], result.ages[-1], 200)
    first, second = result.estimate["exponential"], result.estimate["power"]
    ax.plot(age, np.exp(first[0] - first[1] * age), color=INK, label="constant mortality")
    ax.plot(age, np.exp(second[0]) * age ** -second[1], color=WARM, linestyle="--", label="declining mortality")
    ax.set(
        xlabel="Age [years]",
        ylabel="Trees per ha in the class" if result.per_ha else "Trees in the class",
        yscale="log",
    )
    ax.yaxis.set(minor_locator=LogLocator(subs=(2.0, 5.0)), major_formatter="{x:g}", minor_formatter="{x:g}")
    ax.tick_params(axis="y", which="both", labelsize=SMALL)
    _legend(ax)
    return tidy(ax, grid="y")


@draws("AgeFromDiameter")
@fitted
def plot_diameter(result: AgeFromDiameter, *, ax: Axes | None = None) -> Axes:
    """Draw the cored trees, the line of each large group, dotted where extrapolated, and the scatter of all."""
    ax = ax if ax is not None else new_axes()
    lines = {name: line for at, (name, line) in enumerate(result.lines.items()) if not at or len(result.lines) != 2}
    groups = np.array(result.cored_groups, dtype=object)
    for at, (name, line) in enumerate(lines.items()):
        size = np.linspace(0.85 * line.smallest_cm, 1.15 * line.largest_cm, 40)
        ages = [result.predict([cm], [name]).iloc[0] for cm in size]  # one seed: the same scatter at every size
        median, low, high = (np.array([age[f"age_{part}"] for age in ages]) for part in ("median", "lo", "hi"))
        color, mine = GROUPS[at % len(GROUPS)], groups == name if at else ~np.isin(groups, list(lines)[1:])
        if at == 0:
            ax.fill_between(size, low, high, color=PALE, alpha=0.6, linewidth=0)
        inside = (size >= line.smallest_cm) & (size <= line.largest_cm)
        mark = MARKERS[at % len(MARKERS)]
        ax.plot(result.cored_cm[mine], result.cored_age[mine], mark, color=color, markersize=4, markeredgewidth=0)
        ax.plot(size, median, color=color, linestyle=":", linewidth=1.0)
        label = f"{name} ({line.trees})".replace("(all trees) ", "All trees ").lstrip("_")
        ax.plot(size, np.where(inside, median, np.nan), color=color, linewidth=1.8)
        ax.plot([], [], f"-{mark}", color=color, markersize=4, label=label)  # for the key, which grey print needs
    ax.set(xlabel="Diameter [cm]", ylabel="Age [years], 90 % of single trees shaded", ylim=(0, None))
    _legend(ax)
    return tidy(ax, grid="y")


@draws("PastStand")
@fitted
def plot_past(result: PastStand, *, ax: Axes | None = None) -> Axes:
    """Draw the diameters of the trees at the past date, paler where the tree may not have been there."""
    ax = ax if ax is not None else new_axes()
    frame = result.to_frame().dropna(subset=["diameter_cm_median"]).sort_values("diameter_cm_median")
    place = np.arange(len(frame))
    median = frame["diameter_cm_median"].to_numpy()
    ends = np.abs(frame[["diameter_cm_lo", "diameter_cm_hi"]].to_numpy().T - median)
    sure = frame["p_present"].to_numpy() >= 0.5
    ax.vlines(place, median - ends[0], median + ends[1], color=PALE, linewidth=2)
    ax.plot(place[sure], median[sure], "o", color=DEEP, markersize=4, label="present, probability 0.5 or more")
    ax.plot(place[~sure], median[~sure], "o", color=WARM, mfc="white", markersize=4, label="less")
    ax.set(xlabel="Tree, by size", ylabel=f"Diameter in {year_text(result.year)} [cm]", ylim=(0, None))
    _legend(ax, "upper left")  # the small trees stand there
    return tidy(ax, grid="y")


@draws("GrowthHistory")
@fitted
def plot_growth(result: GrowthHistory, *, ax: Axes | None = None) -> Axes:
    """Draw the inside-bark diameter by year, both methods."""
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
    return by_years(ax)


@draws("GrowthChanges")
@fitted
def plot_changes(result: GrowthChanges, *, ax: Axes | None = None) -> Axes:
    """Draw the share of trees with a change by decade, with the number of trees that could show one."""
    ax = ax if ax is not None else new_axes()
    frame = result.by_decade()
    depth = frame.groupby("decade")["at_risk"].max()
    twin = ax.twinx()
    twin.fill_between(depth.index + 5, depth.to_numpy(), step="mid", color=PALE, alpha=0.6)
    twin.set_ylabel("Trees that can show a change (shaded)", fontsize=SMALL, color=INK)
    twin.set_ylim(0, None)
    twin.tick_params(labelsize=SMALL)
    ax.set_zorder(twin.get_zorder() + 1)
    ax.patch.set_visible(False)
    names = [criterion.name for criterion in result.criteria]
    for position, name in enumerate(names):
        part = frame[frame["criterion"] == name]
        at = part["decade"] + 5 + 1.2 * (position - (len(names) - 1) / 2)
        ends = np.abs(part[["percent_lo", "percent_hi"]].to_numpy().T - part["percent"].to_numpy())
        tone, mark = (DEEP, WARM)[position % 2], MARKERS[position % len(MARKERS)]
        face = tone if position < 2 else "white"
        ax.errorbar(at, part["percent"], yerr=ends, fmt=mark, color=tone, mfc=face, markersize=4, label=name)
    ax.set(xlabel="Decade", ylabel=f"Trees with a {result.direction} [%]", ylim=(0, None))
    legend_below(tidy(ax, grid="y"))
    return ax


@draws("OriginTable")
@fitted
def plot_origins(result: OriginTable, *, ax: Axes | None = None) -> Axes:
    """Draw the probability of gap origin against early growth."""
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


@fitted
def plot_in_line(alignment: Alignment, *, ax: Axes | None = None) -> Axes:
    """Draw the two series side by side as the best set of events lays them, with the windows to look at shaded.

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
    for name, shift, colour in (("a", APART / 2, DEEP), ("b", -APART / 2, INK)):
        signal = frame[f"signal_{name}"].to_numpy(dtype=float, na_value=np.nan)
        ax.plot(year, signal + shift, color=colour, linewidth=0.9)
    ends = {"a": [-np.inf] * 3, "b": [-np.inf] * 3}  # of the words on three lines above and three below
    for event in alignment.best.sort_values("ring_from_bark", kind="stable").to_dict("records"):
        kind, ring = str(event["kind"]), float(event["ring_from_bark"])
        found = year[frame["kind"] == kind]
        place = float(found[np.abs(found - ring).argmin()]) if found.size else ring
        side = APART if kind.endswith("_a") else -APART
        ax.axvspan(place - NEAR_RINGS - 0.5, place + NEAR_RINGS + 0.5, color=PALE, linewidth=0, zorder=0)
        ax.plot(place, side, EVENT_MARKS[kind], color=WARM, markersize=8, markeredgewidth=2, zorder=3)
        words = f"{kind.split('_', maxsplit=1)[0]}, p {event['window_prob']:.2f}"
        start, line = beside(ax, words, place + 1, padded(year), ends[kind[-1]])
        away = 8 + 10 * line if kind.endswith("_a") else -14 - 10 * line
        ax.annotate(words, (start, side), (0, away), textcoords="offset points", color=WARM, fontsize=SMALL)
    ax.set_yticks([APART / 2, -APART / 2], ["core A", "core B"])
    ax.set(xlim=padded(year), ylim=(-1.9 * APART, 1.9 * APART))
    ax.set_xlabel("Year from the bark (1 = outermost; shaded: seven rings to look at, p: one there is absent or false)")
    return tidy(ax, grid="x")


@fitted
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
    extent = (0.5, len(path) + 0.5, offsets[0] - 0.5, offsets[-1] + 0.5)
    ax.imshow(path.to_numpy().T, origin="lower", aspect="auto", cmap="Greys", vmin=0, vmax=1, interpolation="nearest",
              extent=extent)  # fmt: skip
    used = offsets[path.to_numpy().max(axis=0) > SEEN]
    ax.set_ylim(used.min() - 1.5, used.max() + 1.5)
    ax.set_yticks(np.arange(used.min() - 1, used.max() + 2))
    ax.set(
        xlabel="Ring of core A from the bark (1 = outermost)",
        ylabel="Ring number in B minus A [rings]",
    )
    return tidy(ax, grid="")


@fitted
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
        ax.annotate(f"{row['count']}", (row["stated"], -0.06), ha="center", fontsize=SMALL, color=INK)
    ax.set(xlabel="Stated probability", ylabel="Share that came true", xlim=(-0.05, 1.05), ylim=(-0.1, 1.05))
    return tidy(ax, grid="")


@draws("Score")
def plot_score(score: Score, *, ax: Axes | None = None) -> Axes:
    """Draw the intervals of dated trees with their known dates; open markers where the interval does not hold it."""
    ax = ax if ax is not None else new_axes(6.4, 4.0)
    tidy(ax)
    table = score.trees.sort_values(["known", "tree"], kind="stable")
    place = np.arange(len(table))
    for inside, colour, face in ((True, DEEP, DEEP), (False, WARM, "white")):
        own = (table["inside"] == inside).to_numpy()
        ax.hlines(place[own], table["lo"][own], table["hi"][own], color=colour, linewidth=1.4)
        ax.plot(table["median"][own], place[own], "o", color=colour, markerfacecolor=face, markersize=4)
    ax.plot(table["known"], place, "|", color=INK, markersize=8, markeredgewidth=1.6, zorder=4)
    ends = padded(table[["lo", "hi", "known"]].to_numpy(dtype=np.float64))
    held = f"{table['inside'].sum()} of {len(table)} intervals of {100 * table['prob'].iloc[0]:g} % hold it"
    year_axis(ax, *ends, label=f"Year (upright marks: known date; {held})")
    ax.set_yticks([])
    ax.set_ylabel("Trees in order of their known date")
    return ax


def _legend(ax: Axes, place: Literal["best", "upper left"] = "best") -> None:
    legend = ax.legend(frameon=False, fontsize=SMALL, loc=place)
    italic_species(legend.get_texts())
    for text in legend.get_texts():
        text.set_color(INK)


# ---------------------------------------------------------------------- whether the model fits, and what it rests on


@draws("PredictiveChecks")
@fitted
def plot_checks(checks: PredictiveChecks, *, ax: Axes | None = None) -> Axes:
    """Draw each predictive check: how far what was seen lies from what was expected, in standard deviations."""
    ax = ax if ax is not None else new_axes(6.4, 3.2)
    tidy(ax)
    table, at = checks.table, np.arange(len(checks.table))[::-1]
    sd = table["sd"].astype(float)
    away = ((table["observed"] - table["expected"]).astype(float) / sd.where(sd > 0)).fillna(0.0).to_numpy()
    ax.axvspan(-2, 2, color=PALE, alpha=0.5, linewidth=0)
    ax.axvline(0, color=INK, linewidth=0.8)
    colours = [WARM if failed else DEEP for failed in table["failed"]]
    ax.scatter(away, at, c=colours, s=26, zorder=3)
    names = [f"{row['check']} (p {row['p']:.2g})" for row in table.to_dict("records")]
    ax.set_yticks(at, names)
    ax.tick_params(axis="y", length=0)
    far = max(3.0, float(np.abs(away).max(initial=0.0)) * 1.1)
    ax.set_xlim(-far, far)
    ax.set_xlabel("Seen less expected [standard deviations]")
    if not len(table):
        ax.text(0, 0.5, "too few cases for any check", transform=ax.get_xaxis_transform(), ha="center", fontsize=SMALL)
    return ax


@draws("Sensitivity")
@fitted
def plot_sensitivity(sensitivity: Sensitivity, *, ax: Axes | None = None, most: int = 10) -> Axes:
    """Draw how far the stand's mean date moves (bars) and the tree that moves most (points), for each default."""
    ax = ax if ax is not None else new_axes(6.4, 3.8)
    tidy(ax)
    names = list(dict.fromkeys(sensitivity.table["default"]))[:most]
    rows = sensitivity.table[sensitivity.table["default"].isin(names)]
    place = {name: len(names) - 1 - k for k, name in enumerate(names)}
    for lower, colour, label in ((True, DEEP, "smaller value"), (False, WARM, "larger value")):
        own = rows[(rows["changed_to"] < rows["value"]) == lower]
        at = [place[name] + (0.19 if lower else -0.19) for name in own["default"]]
        ax.barh(at, own["stand_mean_years"], 0.34, color=colour, label=label)
        ax.scatter(own["largest_years"], at, s=12, facecolors="none", edgecolors=colour, linewidths=0.9, zorder=3)
    ax.axvline(0, color=INK, linewidth=0.8)
    ax.set_yticks([place[name] for name in names], [name.replace("_", " ") for name in names])
    ax.tick_params(axis="y", length=0)
    ax.set_xlabel("Years later (bars: mean date of the stand; circles: the tree that moves most)")
    if names:
        ax.legend(fontsize=SMALL, frameon=False)
    return ax
