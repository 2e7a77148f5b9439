"""Figures of a field of dated trees: dates in order, age structure, sources of uncertainty, one mass function.

Sees results only, never the engine; every function draws on the axes it is given and returns them.
Own derivation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from treeage.display import draws, year_text
from treeage.errors import Fault, InputError, show
from treeage.plots.style import (
    DEEP,
    INK,
    MANY,
    PALE,
    SMALL,
    TINY,
    WARM,
    draw_bands,
    draw_events,
    fitted,
    group_looks,
    grouped,
    italic_species,
    legend_below,
    names_fit,
    new_axes,
    padded,
    plain_labels,
    tidy,
    year_axis,
)
from treeage.pmf import Pmf
from treeage.results import SHARES, Status, TreeAge, joint_years
from treeage.schema import CORE_HEIGHT, ROOT_COLLAR, innermost_year
from treeage.stand import age_structure

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from treeage.results import Ages

RIDGE = 0.78  # choice: height of the tallest ridge as a share of the distance between lines
BELOW = 0.09  # choice: how far below a ridge its interval is drawn
MOST_NAMED = 80  # choice: above this many trees a name beside each line cannot be read
BIN_DRAWS = 2000  # choice: joint draws behind the age structure; Monte Carlo error of a count well below one tree
SOURCE_LOOKS = {
    "share_count": ("ring count", "#1b3a57", ""),
    "share_distance": ("distance to the pith", "#c8691c", ""),
    "share_rate": ("width of the missed rings", "#f2cf9b", ""),
    "share_height": ("years to coring height", "#7f97a8", "////"),
    "share_collar": ("buried collar", "#ffffff", "...."),
}


@dataclass(frozen=True)
class AnatomyStep:
    """One line of the figure: a name, a mass function in years, what to write beside it, and its interval."""

    name: str
    years: Pmf
    words: str
    is_size: bool
    prob: float


@draws("TreeAge")
@fitted
def plot_anatomy(tree_age: TreeAge, *, ax: Axes | None = None) -> Axes:
    """Draw how one tree's date comes about, step by step from the counted rings to the establishment.

    Read from top to bottom, each step moves the date to the left. Pale ridges are steps (how far back a step takes the
    date from where the one above left it at its median), dark ridges are dates; the bar under a ridge is its interval.
    """
    ax = ax if ax is not None else new_axes(6.4, 3.8)
    tidy(ax)
    first = first_counted(tree_age)
    steps = anatomy_steps(tree_age)
    last = float(tree_age.outer_year)
    ends = [float(first)] + [float(step.years.quantile(q)) for step in steps for q in (0.002, 0.998)]
    ends += [] if steps else [last]  # of a tree that has no date, all rings
    low, high = padded(np.array(ends), share=0.06)
    high = max(high, first + 0.25 * (high - low))  # room to show the innermost counted rings
    ax.set_xlim(low, high)
    lines = len(steps)
    ax.barh(lines, min(high, last + 0.5) - (first - 0.5), 0.16, left=first - 0.5, color=DEEP)
    counted = tree_age.facts.get("rings_counted", tree_age.minimum_age)
    _words(ax, lines, f"{counted} rings ({year_text(first)} to {year_text(tree_age.outer_year)})")
    for at, step in zip(range(lines - 1, -1, -1), steps, strict=True):
        _ridge(ax, at, step)
    dots = [first, *(step.years.median() for step in steps)]
    ax.plot(dots, [lines, *(at - BELOW for at in range(lines - 1, -1, -1))], color=WARM, linewidth=0.8, zorder=1.8)
    ax.set_ylim(-0.45, lines + 0.6)
    ax.set_yticks(range(lines, -1, -1), ["counted rings", *(step.name for step in steps)])
    ax.tick_params(axis="y", length=0)
    year_axis(ax, low, high, label=f"Year (bars: {100 * tree_age.prob:g} % intervals; dots: medians)", room=0.5)
    above = ", dated at coring height: it is older" if tree_age.date_refers_to == CORE_HEIGHT else ""
    ax.set_title(f"Tree {tree_age.tree}{above}", loc="left", fontsize=SMALL + 2, color=INK, parse_math=False)
    if not steps:
        ax.set_ylim(-1.0, 1.0)
    return ax


def first_counted(tree_age: TreeAge) -> int:
    """Innermost counted ring of the lead core, from which the steps hang."""
    for core in tree_age.core_rows:
        if core["lead"]:
            return int(core["innermost_year"])
    counted = tree_age.facts.get("rings_counted")
    return innermost_year(tree_age.outer_year, int(tree_age.minimum_age if counted is None else counted))


def anatomy_steps(tree_age: TreeAge) -> list[AnatomyStep]:
    """The lines of the figure of one tree, from the missed rings down to its establishment."""
    first = first_counted(tree_age)
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


def _step(name: str, years: Pmf, amount: Pmf | None, after: str, *, prob: float) -> AnatomyStep:
    shown = years if amount is None else amount
    low, high = shown.interval(prob)
    if amount is None:
        words = f"{year_text(shown.median())} ({year_text(low)} to {year_text(high)}){after}"
        return AnatomyStep(name, years, words, False, prob)
    return AnatomyStep(name, years, f"{shown.median()} ({low} to {high}) {after}", True, prob)


def _ridge(ax: Axes, at: int, step: AnatomyStep) -> None:
    start, stop = step.years.quantile(1e-4), step.years.quantile(1 - 1e-4)
    mass = step.years.on(start, stop - start + 1)
    edges = np.arange(start - 0.5, stop + 1)
    heights = RIDGE * mass / mass.max()
    ax.stairs(
        at + heights,
        edges,
        baseline=at,
        fill=True,
        color=PALE if step.is_size else DEEP,
        alpha=0.95 if step.is_size else 0.8,
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
        fontsize=TINY,
        color=INK,
        annotation_clip=False,
    )


@draws("Ages")
@fitted
def plot_dates(ages: Ages, *, ax: Axes | None = None) -> Axes:
    """Draw every tree's establishment date with its interval, in order of date, with the known events.

    Thick line: the middle half; marker: the median, by species; open: a year at coring height. A tree of which only the
    rings counted are known is an arrow from its innermost counted ring to the past. Above 200 trees: bands, which are
    medians of the intervals of neighbours.
    """
    answers = sorted(ages, key=_latest_claim)
    ax = ax if ax is not None else new_axes(6.4, float(np.clip(1.9 + 0.135 * len(answers), 3.0, 11.0)))
    tidy(ax)
    if not answers:
        return _nothing(ax, "No tree could be dated.")
    spans = np.array([_span(answer, ages.prob) for answer in answers], dtype=float)
    low, high = padded(spans)
    if len(ages.trees) > MANY:
        return _many_dates(ages, [each for each in answers if each.status == Status.ESTIMATED], (low, high), ax)
    looks = group_looks([answer.species for answer in answers])
    named = len(answers) <= MOST_NAMED and names_fit(ax, len(answers))
    size = 4.0 if named else 2.5
    for species, look in looks.items():
        rows = [at for at, answer in enumerate(answers, 1) if answer.species == species]
        _draw_species(ax, [answers[at - 1] for at in rows], rows, look, ages.prob, size)
    for at, answer in enumerate(answers, 1):
        if answer.status != Status.ESTIMATED:
            ax.annotate(
                "",
                (low, at),
                xytext=(spans[at - 1, 1], at),
                arrowprops={"arrowstyle": "->", "color": "#8c8c8c", "linewidth": 0.9, "shrinkA": 0, "shrinkB": 0},
            )
            ax.plot(spans[at - 1, 1], at, marker="|", color="#8c8c8c", markersize=size + 2, linestyle="none")
    year_axis(ax, low, high, label=f"{_date_words(ages)} (median, middle half and {100 * ages.prob:g} % interval)")
    draw_events(ax, ages.events, low, high)
    ax.set_ylim(0.2, len(answers) + 0.8)
    if named:
        ax.tick_params(axis="y", labelsize=TINY, length=0)
        ax.set_yticks(range(1, len(answers) + 1), [answer.tree for answer in answers])
        plain_labels(ax.get_yticklabels())
        ax.set_ylabel("Tree")
    else:
        ax.set_ylabel("Trees in order of date [number]")
    drawn = {answer.species for answer in answers if answer.status == Status.ESTIMATED}
    looks = {species: look for species, look in looks.items() if species in drawn}
    _species_key(ax, looks, any(answer.status != Status.ESTIMATED for answer in answers))
    return ax


def _many_dates(ages: Ages, dated: list[TreeAge], ends: tuple[float, float], ax: Axes) -> Axes:
    """The dates of many trees as bands over their order."""
    middle = [each.date.median() for each in dated]
    spans = [[each.date.interval(prob) for each in dated] for prob in (ages.prob, 0.5)]
    level = f"{100 * ages.prob:g} % interval"
    size = draw_bands(ax, np.array(middle), np.array(spans), (level, "middle half"))
    rest = len(ages) - len(dated)
    more = f"; {rest:,} more with rings counted only" if rest else ""
    what = _date_words(ages).partition(", open")[0]
    year_axis(ax, *ends, label=f"{what} (medians of {size} trees in a row{more})")
    draw_events(ax, ages.events, *ends)
    ax.set_ylabel("Trees in order of date [number]")
    legend_below(ax)
    return ax


def _latest_claim(answer: TreeAge) -> tuple[float, str]:
    """Order of the lines: by median date, or by the innermost counted ring where only that is known."""
    if answer.status == Status.ESTIMATED:
        return float(answer.date.median()), answer.tree
    return float(innermost_year(answer.outer_year, answer.minimum_age)), answer.tree


def _span(answer: TreeAge, prob: float) -> tuple[int, int]:
    if answer.status == Status.ESTIMATED:
        return answer.date.interval(prob)
    first = innermost_year(answer.outer_year, answer.minimum_age)
    return first, first


def _draw_species(
    ax: Axes, answers: list[TreeAge], rows: list[int], look: dict[str, Any], prob: float, size: float
) -> None:
    found = [(at, each) for at, each in zip(rows, answers, strict=True) if each.status == Status.ESTIMATED]
    pairs = [(at, each.date) for at, each in found]
    if not pairs:
        return
    at = [row for row, _ in pairs]
    ends = [pmf.interval(prob) for _, pmf in pairs]
    half = [pmf.interval(0.5) for _, pmf in pairs]
    ax.hlines(at, [low for low, _ in ends], [high for _, high in ends], color=look["color"], linewidth=0.9)
    ax.hlines(
        at, [low for low, _ in half], [high for _, high in half], color=look["color"], linewidth=0.9 * size, alpha=0.5
    )
    for refers_to, fill, edge in ((ROOT_COLLAR, look["color"], "white"), (CORE_HEIGHT, "white", look["color"])):
        own = [(row, each.date.median()) for row, each in found if each.date_refers_to == refers_to]
        if own:
            ax.plot(
                [median for _, median in own],
                [row for row, _ in own],
                linestyle="none",
                color=look["color"],
                marker=look["marker"],
                markersize=size,
                markerfacecolor=fill,
                markeredgecolor=edge,
                markeredgewidth=0.5 if refers_to == ROOT_COLLAR else 1.0,
            )


def _date_words(ages: Ages) -> str:
    """Name what the dates of a field are, for an axis."""
    above = len(ages.at_core_height)
    if not above:
        return "Establishment year"
    return "Year at coring height" if above == len(ages.trees) else "Establishment year, open marks: at coring height"


def _species_key(ax: Axes, looks: dict[str, dict[str, Any]], minimum: bool) -> None:
    from matplotlib.lines import Line2D

    keys = [
        Line2D([], [], linestyle="-", linewidth=0.9, markersize=4.5, label=species or "species not given", **look)
        for species, look in looks.items()
    ]
    if minimum:
        keys.append(
            Line2D([], [], color="#8c8c8c", marker="|", linestyle="-", label="rings counted only: about then or before")
        )
    italic_species(legend_below(ax, keys).get_texts())


@fitted
def plot_age_structure(ages: Ages, *, bin_years: int | None = None, ax: Axes | None = None) -> Axes:
    """Draw how many trees established in each period, with the uncertainty of that number.

    Parameters
    ----------
    ages : Ages
        Ages of a field.
    bin_years : int, optional
        Width of the periods [years], at least 1; by default the next round number of at least twice the typical
        standard deviation of the dates (root mean square), because finer periods show error rather than history.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure by default.

    Returns
    -------
    matplotlib.axes.Axes
        The axes drawn on.

    Raises
    ------
    InputError
        If bin_years is below 1.

    Notes
    -----
    Bars are means over joint draws, which keep the errors shared by the stand shared; whiskers are the interval of
    the estimate. Bars are still blurred by the dating error: a single year of recruitment spreads over its neighbours.
    """
    if bin_years is not None and bin_years < 1:
        do = "Give a width in whole years or leave it out."
        raise InputError(Fault(show(bin_years), "at least 1 [years]", do, "plot_age_structure", 0, "bin_years"))
    ax = ax if ax is not None else new_axes(6.4, 3.6)
    tidy(ax, grid="y")
    if not ages.trees:
        return _nothing(ax, "No tree could be dated.")
    found = age_structure(joint_years(ages, BIN_DRAWS)[1], bin_years=bin_years, prob=ages.prob)
    spread, width, frame = found.typical_sd, found.bin_years, found.to_frame()
    kept = np.flatnonzero(frame["trees_mean"] >= 0.05)  # choice: periods this empty cannot be seen
    frame = frame.iloc[kept[0] : kept[-1] + 1]
    middle, low, high = (frame[f"trees_{part}"].to_numpy() for part in ("mean", "lo", "hi"))
    centre = frame["year_first"].to_numpy() + width / 2
    first, last = int(frame["year_first"].iloc[0]), int(frame["year_last"].iloc[-1]) + 1
    ax.bar(centre, middle, width * 0.92, color=PALE, edgecolor=DEEP, linewidth=0.6, label="mean of joint draws")
    ax.vlines(centre, low, high, color=INK, linewidth=1.1, label=f"{100 * ages.prob:g} % interval of the number")
    ax.plot(np.repeat(centre, 2), np.stack([low, high]).T.ravel(), "_", color=INK, markersize=5)
    ratio = f"{width / spread:.1f} times the" if spread > 0 else "exact dates, no"
    period = "1 year" if width == 1 else f"{width} years"
    above = len(ages.at_core_height)
    dates = "Year at coring height" if above else "Establishment year"
    if 0 < above < len(ages.trees):
        dates = f"Establishment year, for {above} of {len(ages.trees)} trees year at coring height\n"
    note = f"{dates} (periods of {period}, {ratio} typical dating SD"
    label = f"{note}{f' of {spread:.1f} years' if spread else ''})"
    year_axis(ax, first - width / 2, last + width / 2, label=label)
    draw_events(ax, ages.events, first, last)
    ax.set_ylim(0, float(max(high.max(), middle.max())) * 1.2)
    ax.set_ylabel(f"Trees in {period} [number]")
    legend_below(ax)
    return ax


@fitted
def plot_uncertainty_sources(ages: Ages, *, ax: Axes | None = None) -> Axes:
    """Draw where the uncertainty of each tree's date comes from.

    Parameters
    ----------
    ages : Ages
        Ages of a field.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure by default.

    Returns
    -------
    matplotlib.axes.Axes
        The axes drawn on.

    Notes
    -----
    The bar is as long as the standard deviation of the date and split by each step's share of the
    variance; above 200 trees as the mean of neighbours in this order.
    """
    from matplotlib.collections import PolyCollection

    names = ages.trees
    ax = ax if ax is not None else new_axes(6.4, float(np.clip(1.9 + 0.135 * len(names), 3.0, 11.0)))
    tidy(ax)
    if not names:
        return _nothing(ax, "No tree could be dated.")
    answers = sorted((ages[name] for name in names), key=lambda each: (each.date.sd(), each.tree))
    spread = np.array([each.date.sd() for each in answers])
    rows, many = np.arange(1, len(answers) + 1), len(answers) > MANY
    groups, half = (grouped(rows), 0.5) if many else ([rows[at - 1 : at] for at in rows], 0.41)
    left = np.zeros(len(groups))
    lows, highs = (np.array([group[end] + side for group in groups]) for end, side in ((0, -half), (-1, half)))
    named = len(answers) <= MOST_NAMED and names_fit(ax, len(answers))
    edge = 0.5 if named else 0.0
    for share in SHARES:
        label, colour, hatch = SOURCE_LOOKS[share]
        each_part = spread * np.nan_to_num([each.shares.get(share, 0.0) for each in answers])
        part = np.array([each_part[group - 1].mean() for group in groups])
        if not part.any():
            continue
        boxes = [
            [(start, low), (start + size, low), (start + size, high), (start, high)]
            for low, high, start, size in zip(lows, highs, left, part, strict=True)
            if size > 0
        ]
        bars = PolyCollection(boxes, facecolor=colour, edgecolor=INK, linewidth=edge, label=label)
        bars.set_hatch(hatch)
        ax.add_collection(bars)
        left = left + part
    ax.set_xlim(0, max(float(left.max() if many else spread.max()) * 1.04, 1.0))
    ax.set_ylim(0.3, len(answers) + 0.7)
    above = len(ages.at_core_height)
    dates = "establishment year" if not above else "year at coring height" if above == len(names) else "date"
    ax.set_xlabel(f"Standard deviation of the {dates} [years], by share of variance")
    if named:
        ax.tick_params(axis="y", labelsize=TINY, length=0)
        ax.set_yticks(rows, [each.tree for each in answers])
        plain_labels(ax.get_yticklabels())
        ax.set_ylabel("Tree")
    else:
        ax.set_ylabel("Trees in order of their uncertainty [number]")
    if ax.collections:
        legend_below(ax)
    return ax


@draws("Pmf")
@fitted
def plot_mass(pmf: Pmf, *, ax: Axes | None = None) -> Axes:
    """Draw one mass function as bars, its 90 % interval shaded and its median marked.

    The mass beyond one in ten thousand at each end is left out.
    """
    from matplotlib.ticker import MaxNLocator

    ax = ax if ax is not None else new_axes(5.0, 3.0)
    tidy(ax, grid="y")
    low, high = pmf.interval(0.9)
    first, last = pmf.quantile(1e-4), pmf.quantile(1 - 1e-4)
    values = np.arange(first, last + 1)
    mass = pmf.on(first, values.size)
    inside = (values >= low) & (values <= high)
    width = 0.85 if values.size <= 120 else 1.0  # choice: gaps between bars only while they can be seen
    if (~inside).any():
        ax.bar(values[~inside], mass[~inside], width, color=PALE, linewidth=0)
    ax.bar(values[inside], mass[inside], width, color=DEEP, linewidth=0, label=f"90 % interval {low} to {high}")
    ax.axvline(pmf.median(), color=WARM, linewidth=1.2, linestyle=(0, (4, 2)), label=f"median {pmf.median()}")
    ax.set(xlabel="Whole years or rings", ylabel="Probability", ylim=(0, float(mass.max()) * 1.35))
    ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    ax.ticklabel_format(axis="x", useOffset=False)
    to_the_right = 2 * pmf.median() > first + last
    ax.legend(fontsize=SMALL, frameon=False, loc="upper left" if to_the_right else "upper right")
    return ax


def _nothing(ax: Axes, words: str) -> Axes:
    ax.text(0.5, 0.5, words, transform=ax.transAxes, ha="center", va="center", fontsize=SMALL + 1, color=INK)
    ax.set(xticks=[], yticks=[])
    return ax
