"""The figures of a report: drawn once, as vector and as pixels, with a caption that says what every mark is.

Own derivation.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from treeage.plots import (
    plot_age_structure,
    plot_anatomy,
    plot_dates,
    plot_diameter,
    plot_events,
    plot_origin,
    plot_pulses,
    plot_recruitment,
    plot_static,
    plot_structure,
    plot_uncertainty_sources,
    say_core_height,
)

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from treeage.results import Ages, TreeAge
    from treeage.stand import StandHistory

PNG_DPI = 160  # choice: sharp on a screen and in a word processor; the SVG serves print
PNG_LEVEL = 4  # choice: a third less time than the usual 6 for files 2 % larger; the pixels are the same
MANY_NAMES = 20  # choice: an axis with more labels than this names its rows
WIDTH_IN = 6.6  # choice: text width of an A4 page


@dataclass(frozen=True)
class ReportFigure:
    """One figure of a report.

    Parameters
    ----------
    name : str
        File name without ending.
    title, caption : str
        Words above and below it.
    svg, png : bytes
        The picture; the same bytes for the same ages.
    """

    name: str
    title: str
    caption: str
    svg: bytes
    png: bytes


def report_figures(ages: Ages, *, tick: Callable[[int], object] | None = None) -> list[ReportFigure]:
    """Draw the figures of a report.

    Parameters
    ----------
    ages : Ages
        Ages of a field.
    tick : callable, optional
        Called with 1 after each figure, for a progress bar.

    Returns
    -------
    list of ReportFigure
        Dates, age structure and sources of uncertainty of the field, and the anatomy of a typical tree.
    """
    count = len(ages)
    above = f" {ages.date_note}" if ages.date_note else ""
    opened = " Open markers: year at coring height." if 0 < len(ages.at_core_height) < len(ages.trees) else ""
    unknown = " The years to coring height have no part where they are unknown." if above else ""
    alone = len(ages.at_core_height) == len(ages.trees) > 0
    level = f"{100 * ages.prob:g} %"
    tall = float(np.clip(1.7 + 0.135 * count, 3.0, 9.6))  # choice: a line a tree, at most a page
    plans: list[tuple[str, str, str, float, Callable[[Axes], Axes]]] = [
        (
            "dates",
            "Years at coring height" if alone else "Establishment dates",
            f"Trees in order of their date. Marker: median; thick line: middle half; thin line: {level} "
            "interval. Arrows: trees of which only the rings counted are known, established at the bar or before where "
            "they are crossdated, else about so. "
            f"Dashed lines: known events.{opened}{above}",
            tall,
            lambda ax: plot_dates(ages, ax=ax),
        ),
        (
            "age_structure",
            "Age structure",
            f"Trees by period of their date. Bars: mean over joint draws; whiskers: {level} interval of the number. "
            "The periods are at least twice as wide as the typical standard deviation of a date, because narrower ones "
            "would show error. The bars are still blurred by the dating error: do not read single peaks as pulses."
            f"{above}",
            3.6,
            lambda ax: plot_age_structure(ages, ax=ax),
        ),
        (
            "uncertainty_sources",
            "Where the uncertainty comes from",
            "Length of a bar: standard deviation of the tree's date; parts: each step's share of the variance. Work on "
            f"the longest part pays most.{unknown}",
            tall,
            lambda ax: plot_uncertainty_sources(ages, ax=ax),
        ),
    ]
    typical = typical_tree(ages)
    if typical is not None:
        plans.append(
            (
                "anatomy",
                "One tree step by step",
                f"Tree {typical.tree}, whose uncertainty is in the middle of all. From top to bottom each step takes "
                "the date further back. Dark: dates; pale: the size of a step, hung from the date above at its median; "
                f"black bars: {100 * typical.prob:g} % intervals; dots: medians.",
                3.6,
                lambda ax: plot_anatomy(typical, ax=ax),
            )
        )
    figures = []
    for name, title, caption, height, draw in plans:
        svg, png = render(draw, height)
        figures.append(ReportFigure(name, title, caption, svg, png))
        if tick is not None:
            tick(1)
    return figures


def typical_tree(ages: Ages) -> TreeAge | None:
    """Choose the tree whose uncertainty is in the middle of all dated trees.

    Parameters
    ----------
    ages : Ages
        Ages of a field.

    Returns
    -------
    TreeAge or None
        None when no tree is dated.
    """
    dated = sorted(
        (answer for answer in ages if answer.status == "estimated"),
        key=lambda answer: (answer.date.sd(), answer.tree),
    )
    return dated[len(dated) // 2] if dated else None


def render(draw: Callable[[Axes], Axes], height_in: float) -> tuple[bytes, bytes]:
    """Draw one figure and save it as SVG and PNG, with no date and no random ids inside.

    Parameters
    ----------
    draw : callable
        Draws on the axes it is given.
    height_in : float
        Height [inch].

    Returns
    -------
    svg, png : bytes
        The pictures.
    """
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with rc_context({"svg.hashsalt": "treeage", "svg.fonttype": "none"}), warnings.catch_warnings():
        # names in scripts the built-in font lacks show as boxes in the PNG; the SVG keeps them as text
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        figure = Figure(figsize=(WIDTH_IN, height_in), dpi=PNG_DPI, layout="constrained")
        canvas = FigureCanvasAgg(figure)
        _lay_out_by_widest(draw(figure.subplots()))
        pixels, vector = io.BytesIO(), io.BytesIO()
        packed = {"compress_level": PNG_LEVEL}
        canvas.print_png(pixels, metadata={"Software": "treeage"}, pil_kwargs=packed)  # type: ignore[no-untyped-call]
        figure.set_layout_engine("none")
        words = {"Date": None, "Creator": "treeage"}
        FigureCanvasSVG(figure).print_svg(vector, metadata=words)  # type: ignore[no-untyped-call]
    return vector.getvalue(), pixels.getvalue()


def _lay_out_by_widest(ax: Axes) -> None:
    """Let the widest of many row names stand for all in the layout, which would measure each of them six times."""
    labels = ax.get_yticklabels()
    if len(labels) > MANY_NAMES:
        widest = max(labels, key=lambda label: label.get_window_extent().width)
        for label in labels:
            label.set_in_layout(label is widest)


HEIGHT_IN = 3.6  # choice: two figures on an A4 page with their captions


def stand_figures(history: StandHistory, *, tick: Callable[[int], object] | None = None) -> list[ReportFigure]:
    """Draw the figures of a stand history.

    Parameters
    ----------
    history : StandHistory
        From `stand_history`.
    tick : callable, optional
        Called with 1 after each figure, for a progress bar.

    Returns
    -------
    list of ReportFigure
        Age structure, recruitment, pulses, events, origin, static models, age from diameter; parts that could not be
        computed are left out.
    """
    parts = (
        ("stand_structure", "Age structure of the stand", history.structure, plot_structure),
        (
            "stand_recruitment",
            "Recruitment by year, with the blur of dating undone",
            history.recruitment,
            plot_recruitment,
        ),
        ("stand_pulses", "Pulses of recruitment", history.pulses, plot_pulses),
        ("stand_events", "Trees established after the events", history.events, plot_events),
        ("stand_origin", "Origin of the stand", history.origin, plot_origin),
        ("stand_static", "Static age models", history.static, plot_static),
        ("stand_diameter", "Age from diameter", history.diameter, plot_diameter),
    )
    figures = []
    note = f" {history.core_height_note}." if history.core_height_note else ""
    for name, title, part, plot in parts:
        if part is None:
            continue

        def draw(ax: Axes, part: object = part, plot: Callable[..., Axes] = plot) -> Axes:
            return say_core_height(plot(part, ax=ax), history.at_core_height, len(history.trees))

        svg, png = render(draw, HEIGHT_IN)
        figures.append(ReportFigure(name, title, part.sentence() + note, svg, png))
        if tick:
            tick(1)
    return figures


def stand_tables(history: StandHistory) -> dict[str, pd.DataFrame]:
    """Name the tables of a stand history as the files they are written to.

    Parameters
    ----------
    history : StandHistory
        From `stand_history`.

    Returns
    -------
    dict of str to pandas.DataFrame
        Names begin with stand_.
    """
    return {f"stand_{name}": table for name, table in history.tables().items()}
