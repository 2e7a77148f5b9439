"""The figures of a report: what is drawn, at the width of a column or a page, as SVG, PNG or PDF; one tree, small.

Drawn with the package's own settings whatever matplotlib is told elsewhere, the same bytes for the same ages. Own
derivation.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from treeage import plots
from treeage.display import Result, year_text
from treeage.errors import Fault, InputError
from treeage.report.texts import ReportFigure, dated_trees, percent, words
from treeage.results import Status
from treeage.schema import nearest
from treeage.stand import dated_events

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from treeage.results import Ages, TreeAge
    from treeage.stand import StandHistory

    Tick = Callable[[int], object]
    Draw = Callable[[Axes], Axes]
    Plan = tuple[str, str, str, float, Draw]

FIGURE_COUNT = 4  # figures of a report without a stand history, for progress bars
WIDTHS_MM = {"single": 85.0, "double": 170.0}  # one and two columns of most journals
FORMATS = ("png", "svg", "pdf")
PNG_DPI = 300  # what journals and printers ask for
PNG_LEVEL = 4  # choice: a third less time than the usual 6 for files 2 % larger; the pixels are the same
LARGE_STAND = 200  # choice: above so many trees figures show bands, and the page shows the most telling trees
MANY_NAMES = 20  # choice: an axis with more labels than this names its rows
HEIGHT_IN = {"single": 2.9, "double": 3.6}  # choice: two figures on an A4 page with their captions
MOST_BYTES = 120_000  # choice: a larger vector figure stands on the page as pixels, so that a large stand stays small
FIRST_IN = 4.4  # choice: the first figure of the page fits a screen with what stands above and below it
INCH_MM = 25.4
ROW, LINE, LEFT, RIGHT, WIDE = 32, 12, 116, 452, 660  # choice: pixels of a tree's small figure: rows, axis, width
RIDGE_POINTS = 30  # choice: bars of a ridge; more cannot be seen at that size


@dataclass(frozen=True)
class FigureForm:
    """How figures are written: width by its name, and formats."""

    width: str = "double"
    formats: tuple[str, ...] = ("png", "svg")

    def __post_init__(self) -> None:
        if self.width not in WIDTHS_MM:
            raise InputError(_unknown("figures", self.width, tuple(WIDTHS_MM)))
        for each in self.formats:
            if each not in FORMATS:
                raise InputError(_unknown("formats", each, FORMATS))


def _unknown(name: str, got: str, known: Sequence[str]) -> Fault:
    near = nearest(got, known)
    do = f"Did you mean {near}?" if near else f"Write for example {known[0]}."
    return Fault(got or "nothing", f"one of {', '.join(known)}", do, "write_outputs", 0, name)


def report_figures(ages: Ages, form: FigureForm, *, tick: Tick | None = None) -> list[ReportFigure]:
    """Dates, age structure, sources of uncertainty, the anatomy of a typical tree, and sensitivity if asked for."""
    alone = len(ages.at_core_height) == len(ages.trees) > 0
    usual, titles = HEIGHT_IN[form.width], words("figure")
    keys = len({answer.species for answer in ages}) / (2 if form.width == "double" else 1)  # lines of the legend
    tall = float(np.clip(1.9 + 0.135 * len(ages) + 0.17 * keys, 3.0, 9.6))  # choice: a line a tree, at most a page
    many = len(ages.trees) > LARGE_STAND
    tall = usual if many else tall
    plans: list[tuple[str, float, Draw]] = [
        ("dates", tall, lambda ax: plots.plot_dates(ages, ax=ax)),
        ("age_structure", usual, lambda ax: plots.plot_age_structure(ages, ax=ax)),
        ("uncertainty_sources", tall, lambda ax: plots.plot_uncertainty_sources(ages, ax=ax)),
    ]
    named = {"level": percent(ages.prob)}
    typical = typical_tree(ages)
    if typical is not None:
        named |= {"tree": typical.tree, "tree_level": percent(typical.prob)}
        plans.append(("anatomy", usual, lambda ax: plots.plot_anatomy(typical, ax=ax)))
    captions, notes = words("figure_caption"), _caption_notes(ages)
    full: list[Plan] = []
    for name, height, draw in plans:
        told = captions.get(f"{name}_many", captions[name]) if many else captions[name]
        caption = " ".join([told.format(**named), *notes.get(name, [])])
        full.append((name, titles["dates_at_height" if alone and name == "dates" else name], caption, height, draw))
    moved = ages.extras.get("sensitivity")
    if isinstance(moved, Result):
        full.append(("sensitivity", titles["sensitivity"], captions["sensitivity"], usual, moved.plot))
    return _drawn(full, form, tick)


def stand_figures(history: StandHistory, form: FigureForm, *, tick: Tick | None = None) -> list[ReportFigure]:
    """The figures of a stand history; parts that could not be computed are left out."""
    parts: tuple[tuple[str, Any, Callable[..., Axes]], ...] = (
        ("stand_structure", history.structure, plots.plot_structure),
        ("stand_recruitment", history.recruitment, plots.plot_recruitment),
        ("stand_pulses", history.pulses, plots.plot_pulses),
        ("stand_events", history.events, plots.plot_events),
        ("stand_origin", history.origin, plots.plot_origin),
        ("stand_static", history.static, plots.plot_static),
        ("stand_diameter", history.diameter, plots.plot_diameter),
    )
    note = f" {history.core_height_note}." if history.core_height_note else ""
    level, full = percent(history.structure.prob), []
    for name, part, plot in parts:
        if part is None:
            continue

        def draw(ax: Axes, part: object = part, plot: Callable[..., Axes] = plot) -> Axes:
            return plot(part, ax=ax)

        caption = words("figure_caption")[name].format(level=level) + note
        full.append((name, words("figure")[name], caption, HEIGHT_IN[form.width], draw))
    return _drawn(full, form, tick)


def _drawn(plans: Sequence[Plan], form: FigureForm, tick: Tick | None) -> list[ReportFigure]:
    """Draw each figure for its files, and for the page, which takes the width of a page."""
    figures = []
    for name, title, caption, height, draw in plans:
        files = render(draw, (WIDTHS_MM[form.width] / INCH_MM, height), form.formats)
        page, usual = files, HEIGHT_IN["double"]
        if form.width != "double" or "svg" not in files or (name == "dates" and height > FIRST_IN):
            tall = min(height, FIRST_IN) if name == "dates" else max(height, usual)
            size = WIDTHS_MM["double"] / INCH_MM, tall
            page = render(draw, size, ("svg",))
            if len(page["svg"]) > MOST_BYTES:
                page = render(draw, size, ("png",))
        figures.append(ReportFigure(name, title, caption, files, page))
        if tick is not None:
            tick(1)
    return figures


def _caption_notes(ages: Ages) -> dict[str, list[str]]:
    """Sentences that captions end with: on marks that are in the figure, and on dates at coring height."""
    captions, few = words("figure_caption"), len(ages.trees) <= LARGE_STAND
    bounds = few and any(answer.status == Status.MINIMUM_ONLY for answer in ages)
    marks = [captions["arrows"]] if bounds else []
    events = [captions["dashed"]] if len(dated_events(ages.events)) else []
    mixed = [captions["open_markers"]] if 0 < len(ages.at_core_height) < len(ages.trees) else []
    above = [ages.date_note] if ages.date_note else []
    return {
        "dates": [*marks, *events, *mixed, *above],
        "age_structure": [*events, *above],
        "uncertainty_sources": [captions["unknown_years"]] if above else [],
    }


def typical_tree(ages: Ages) -> TreeAge | None:
    """The tree whose uncertainty is in the middle of all dated trees; None when no tree is dated."""
    dated = sorted(dated_trees(ages), key=lambda answer: (answer.date.sd(), answer.tree))
    return dated[len(dated) // 2] if dated else None


# ---------------------------------------------------------------------- one figure as bytes


def render(draw: Draw, size_in: tuple[float, float], formats: Sequence[str]) -> Mapping[str, bytes]:
    """Draw one figure and save it in some formats, with no date and no random ids inside."""
    from matplotlib import rc_context, style
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    own: Any = {"svg.hashsalt": "treeage", "svg.fonttype": "none", "pdf.fonttype": 42}
    with style.context("default"), rc_context(own), warnings.catch_warnings():
        # names in scripts the built-in font lacks show as boxes in the PNG; the SVG keeps them as text
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        figure = Figure(figsize=size_in, dpi=PNG_DPI, layout="constrained")
        canvas = FigureCanvasAgg(figure)
        _lay_out_by_widest(draw(figure.subplots()))
        _laid_out(figure)
        made: dict[str, Any] = {
            "svg": {"metadata": {"Date": None, "Creator": "treeage"}},
            "pdf": {"metadata": {"CreationDate": None, "Creator": "treeage", "Producer": "treeage"}},
        }
        files = {}
        for each in formats:
            sink = io.BytesIO()
            if each == "png":
                _save_pixels(canvas, sink)
            else:
                figure.savefig(sink, format=each, dpi=PNG_DPI, **made[each])
            files[each] = sink.getvalue()
    return files


def _laid_out(figure: Figure) -> None:
    """Lay out once, without a drawing; with an engine left, each format would draw twice."""
    engine = figure.get_layout_engine()
    if engine is not None:
        engine.execute(figure)
    figure.set_layout_engine(None)


def _save_pixels(canvas: Any, sink: io.BytesIO) -> None:
    """Draw as PNG, without the transparency that no figure has: a fifth less time, a tenth smaller."""
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    canvas.draw()
    told = PngInfo()
    told.add_text("Software", "treeage")
    pixels = Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")
    pixels.save(sink, "png", pnginfo=told, compress_level=PNG_LEVEL, dpi=(PNG_DPI, PNG_DPI))


def _lay_out_by_widest(ax: Axes) -> None:
    """Let the widest of many row names stand for all in the layout, which would measure each of them six times."""
    labels = ax.get_yticklabels()
    if len(labels) > MANY_NAMES:
        widest = max(labels, key=lambda label: label.get_window_extent().width)
        for label in labels:
            label.set_in_layout(label is widest)


# ---------------------------------------------------------------------- one tree, small enough for a page of all


def tree_svg(answer: TreeAge) -> str:
    """The step-by-step figure of one tree as a few hundred characters of SVG: a page holds one for every tree."""
    steps, first = plots.anatomy_steps(answer), plots.first_counted(answer)
    ends = [first, *(step.years.quantile(q) for step in steps for q in (0.002, 0.998))]
    low, high = min(ends), max(ends) + max(1.0, 0.2 * (max(ends) - min(ends)))

    def at(year: float) -> float:
        return float(LEFT + (RIGHT - LEFT) * (year - low) / (high - low))

    rings = answer.facts.get("rings_counted", answer.minimum_age)
    told = f"{rings} rings ({year_text(first)} to {year_text(answer.outer_year)})"
    parts = [
        f'<path class="d" d="M{at(first):.0f} {ROW - 8}H{RIGHT}v4H{at(first):.0f}z"/>',
        *_line(1, "counted rings", told),
    ]
    for row, step in enumerate(steps, start=2):
        base = row * ROW - 8
        start, stop = step.years.quantile(1e-3), step.years.quantile(1 - 1e-3)
        mass = step.years.on(start, stop - start + 1)
        size = -(-mass.size // RIDGE_POINTS)
        mass = np.pad(mass, (0, -mass.size % size)).reshape(-1, size).mean(axis=1)
        heights = np.round(20 * mass / mass.max()).astype(int)
        wide = (at(start + size) - at(start)) if heights.size else 0.0
        ridge = "".join(f"V{base - height}h{wide:.1f}" for height in heights)
        left, right = step.years.interval(step.prob)
        kind = "s" if step.is_size else "d"
        parts += [
            f'<path class="{kind}" d="M{at(start - 0.5):.1f} {base}{ridge}V{base}z"/>',
            f'<path class="b" d="M{at(left - 0.5):.1f} {base + 3}H{at(right + 0.5):.1f}"/>',
            f'<circle cx="{at(step.years.median()):.1f}" cy="{base + 3}" r="3"/>',
            *_line(row, step.name, step.words),
        ]
    tall = (len(steps) + 1) * ROW + 4
    return f'<svg class="steps" viewBox="0 0 {WIDE} {tall}" role="img">{"".join(parts)}</svg>'


def _line(row: int, name: str, told: str) -> list[str]:
    """Name of a line at its left and its numbers at its right."""
    at, lines = row * ROW - 6, told.splitlines()
    beside = [
        f'<text x="{RIGHT + 8}" y="{at - LINE * above}">{escape(line)}</text>'
        for line, above in zip(lines, range(len(lines) - 1, -1, -1), strict=True)
    ]
    return [f'<text x="{LEFT - 8}" y="{at}" class="e">{escape(name)}</text>', *beside]
