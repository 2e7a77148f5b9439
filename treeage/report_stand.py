"""The stand-history part of a report: figures with the sentence that each supports, and the tables by file name.

Layer 7, part of the family of `report`. Own derivation.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from treeage.plots_stand import (
    plot_diameter,
    plot_events,
    plot_origin,
    plot_pulses,
    plot_recruitment,
    plot_static,
    plot_structure,
    say_core_height,
)
from treeage.report_figures import ReportFigure, render

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from treeage.stand import StandHistory

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
