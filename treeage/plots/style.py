"""Colours, axes and year labels shared by all figures; nothing global is changed.

Own derivation: hues chosen for colour-blind readers, lightness for grey print.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Sequence
from functools import wraps
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.display import is_binomial, year_text
from treeage.stand import dated_events

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.legend import Legend
    from matplotlib.text import Text

INK = "#22303c"  # choice: text, axes and medians
DEEP = "#1b3a57"  # choice: the first thing to look at
WARM = "#c8691c"  # choice: events and the second thing to look at
PALE = "#b9c9d6"  # choice: areas behind
GROUPS = ("#1b3a57", "#4f9d8d", "#a9719f", "#6b6b6b", "#b79a2c", "#9db4c6")  # choice: no hue of WARM, unlike in grey
MARKERS = ("o", "s", "D", "^", "v", "P", "X")  # one more than colours: 42 pairs before one comes again
COLUMNS_IN = 4.0  # choice: axes this wide hold a legend of two columns
LETTER_IN = 0.064  # choice: mean width of a letter at 8 points [inch]
MANY = 200  # choice: above this many lines a figure shows bands, one line for each could not be told from the next
BANDS = 50  # choice: points of a band; more cannot be seen
SMALL = TINY = 8.0  # points: what journals ask for at the size of print


def new_axes(width_in: float = 6.4, height_in: float = 4.0) -> Axes:
    """Empty axes of a new figure that fits its labels, of which notebooks and `show` know.

    6.4 inch is the text width of an A4 page (choice).
    """
    import matplotlib.pyplot as plt

    _figure, ax = plt.subplots(figsize=(width_in, height_in), layout="constrained")
    return ax


def tidy(ax: Axes, *, grid: str = "x") -> Axes:
    """Give axes the look of the package: two spines, small labels, thin grid lines across the x or the y axis."""
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set(color=INK, linewidth=0.8)
    ax.tick_params(labelsize=SMALL, colors=INK, length=3, width=0.8)
    ax.xaxis.label.set(fontsize=SMALL, color=INK)
    ax.yaxis.label.set(fontsize=SMALL, color=INK)
    ax.grid(axis="x" if grid == "x" else "y", color="#dfe5ea", linewidth=0.6)
    ax.set_axisbelow(True)
    return ax


def width_in(ax: Axes) -> float:
    """Width of axes on paper [inch], before the labels have taken their room."""
    return float(ax.get_window_extent().width / ax.get_figure(root=True).dpi)  # type: ignore[union-attr]


def names_fit(ax: Axes, rows: int) -> bool:
    """Whether a name beside each of some rows can be read."""
    height_in = ax.get_window_extent().height / ax.get_figure(root=True).dpi  # type: ignore[union-attr]
    return rows <= 72 * height_in / (0.95 * SMALL)


def fitted(figure: Callable[..., Axes]) -> Callable[..., Axes]:
    """Make a figure fit the paper it is drawn on: long labels and titles on several lines, none of them cut."""

    @wraps(figure)
    def drawn(*given: Any, **named: Any) -> Axes:
        ax = figure(*given, **named)
        whole = ax.get_figure(root=True)
        if whole is None:
            return ax
        if whole.get_layout_engine() is None and ax.get_subplotspec() is not None:
            whole.set_layout_engine("constrained")  # where nobody has laid the figure out
        size = ax.get_window_extent()
        for text, room in ((ax.xaxis.label, size.width), (ax.yaxis.label, size.height), (ax.title, size.width)):
            on_lines(text, room / whole.dpi)
        on_lines(ax._left_title, size.width / whole.dpi)  # type: ignore[attr-defined]
        for line in ax.get_xticklabels() + ax.get_yticklabels():
            line.set_fontsize(SMALL)
        return ax

    return drawn


def on_lines(text: Text, room_in: float) -> None:
    """Break a text that is longer than the room it has."""
    letters = max(12, int(room_in / (LETTER_IN * float(text.get_fontsize()) / SMALL)))
    text.set_text("\n".join(textwrap.fill(line, letters) for line in text.get_text().splitlines()))


def legend_below(ax: Axes, keys: Sequence[Artist] | None = None) -> Legend:
    """Put the legend below the label of the years: inside the axes it would stand over trees or events."""
    narrow_in = width_in(ax)
    on_lines(ax.xaxis.label, narrow_in)
    lines = 5.0 + 1.6 * ax.get_xlabel().count("\n")
    columns = 2 if narrow_in > COLUMNS_IN else 1
    handles = ax.get_legend_handles_labels()[0] if keys is None else keys
    return ax.legend(handles=handles, fontsize=SMALL, frameon=False, loc="upper center", bbox_to_anchor=(0.5, 0.0),
                     ncols=columns, borderaxespad=lines)  # fmt: skip


def italic_species(texts: Iterable[Text]) -> None:
    """Set names of species in italics: a genus and an epithet, with what stands behind them."""
    for text in texts:
        text.set_parse_math(False)
        if is_binomial(text.get_text()):
            text.set_fontstyle("italic")


def year_ticks(low: float, high: float, *, most: int = 10) -> list[int]:
    """About `most` round years (astronomical: 100 BCE is -99) between the ends, round in BCE where the axis goes there.

    >>> year_ticks(1800, 1900, most=5)
    [1800, 1820, 1840, 1860, 1880, 1900]
    >>> year_ticks(-210, 120, most=4)
    [-199, -99, 1, 100]
    """
    span = max(high - low, 1.0)
    rough = span / max(most, 1)
    step = 1
    for candidate in (1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000, 5000, 10_000):
        step = candidate
        if candidate >= rough:
            break
    marks = np.arange(np.floor(low / step) * step, high + step, step).astype(int)
    years = [int(mark) if mark > 0 or step == 1 else int(mark) + 1 for mark in marks]
    return [year for year in years if low <= year <= high]


def year_axis(ax: Axes, low: float, high: float, *, label: str, room: float = 1.0) -> None:
    """Limits, ticks and label of an axis of years, with BCE where needed; room: share that labels beside it leave."""
    ax.set_xlim(low, high)
    most = int(np.clip(room * width_in(ax) / 0.5, 2, 10))  # choice: half an inch a year
    ticks = year_ticks(low, high, most=most)
    if len(ticks) < 2 and low >= 0:  # one year alone is no scale; two with BCE have no room
        closer = year_ticks(low, high, most=2 * most)
        ticks = sorted({closer[0], closer[-1]}) if closer else ticks
    era = " CE" if low < 0 < high else ""
    ax.set_xticks(ticks, [year_text(year) + (era if year > 0 else "") for year in ticks])
    ax.set_xlabel(label)


def by_years(ax: Axes) -> Axes:
    """Tidy a figure that has years along the axis and is drawn whole, and write those before the common era as such."""
    low, high = ax.get_xlim()
    if low < 1:
        year_axis(ax, low, high, label=ax.get_xlabel())
    return tidy(ax, grid="y")


def plain_labels(labels: Iterable[Text]) -> None:
    """Keep names from the user's tables as typed: a dollar sign must not start a formula."""
    for label in labels:
        label.set_parse_math(False)


def beside(ax: Axes, words: str, at: float, span: tuple[float, float], ends: list[float]) -> tuple[float, int]:
    """Where words at a place begin so that they stay within the span, and their line: the first that is free there.

    ends: right end of the last words on each line, which is moved on.
    """
    room = (span[1] - span[0]) * LETTER_IN * len(words) / width_in(ax)
    start = min(at, max(span[0], span[1] - room))
    line = next((number for number, end in enumerate(ends) if start > end), int(np.argmin(ends)))
    ends[line] = start + room
    return start, line


def draw_events(ax: Axes, events: pd.DataFrame, low: float, high: float) -> None:
    """Draw known events (columns year, event) within the years shown as dashed lines, their names above, kept apart."""
    events = dated_events(events)
    shown = events[events["year"].between(low, high)].sort_values("year", kind="stable")
    ends = [-np.inf, -np.inf, -np.inf]  # right end of the last name on each of three lines of text
    for year, event in zip(shown["year"], shown["event"], strict=True):
        ax.axvline(float(year), color=WARM, linestyle=(0, (4, 2)), linewidth=1.0, zorder=1.5)
        words = f"{event} ({year_text(int(year))})"
        start, line = beside(ax, words, float(year), (low, high), ends)
        ax.annotate(
            words,
            (start, 1.0),
            xytext=(0, 3 + 9 * line),
            ha="left",
            fontsize=TINY,
            color=WARM,
            parse_math=False,
            annotation_clip=False,
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
        )


def group_looks(names: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Colour and marker of each group, the most frequent name first, the same whatever the order of the trees."""
    counts = pd.Series(list(names), dtype=object).value_counts()
    order = sorted(counts.index, key=lambda name: (-counts[name], str(name)))
    return {
        name: {"color": GROUPS[at % len(GROUPS)], "marker": MARKERS[at % len(MARKERS)]} for at, name in enumerate(order)
    }


def padded(values: NDArray[np.float64], *, share: float = 0.04) -> tuple[float, float]:
    """Ends of an axis with some room around the data, never equal.

    >>> padded(np.array([0.0, 100.0]))
    (-4.0, 104.0)
    """
    low, high = float(np.min(values)), float(np.max(values))
    room = max((high - low) * share, 1.0)
    return low - room, high + room


def grouped(rows: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Rows of many lines in order, in at most `BANDS` groups of neighbours."""
    return np.array_split(rows, min(rows.size, BANDS))


def draw_bands(ax: Axes, middle: NDArray[np.float64], spans: NDArray[np.float64], names: Sequence[str]) -> int:
    """Draw many intervals in order as bands of their medians over groups of neighbours; say how large a group is.

    middle: medians, (n,); spans: ends of the intervals, the widest first, (kind, n, 2).
    """
    groups = grouped(np.arange(len(middle)))
    at = np.array([group.mean() + 1 for group in groups])  # the first line is number 1
    for span, name, colour in zip(spans, names, (PALE, GROUPS[0]), strict=False):
        low, high = (np.array([np.median(span[group, end]) for group in groups]) for end in (0, 1))
        ax.fill_betweenx(at, low, high, color=colour, alpha=0.95 if colour == PALE else 0.55, linewidth=0, label=name)
    ax.plot([np.median(middle[group]) for group in groups], at, color=WARM, linewidth=1.2, label="median")
    ax.set_ylim(0.5, len(middle) + 0.5)
    return int(np.ceil(len(middle) / len(groups)))
