"""Writes the answers of a run into a folder: tables, joint draws, figures, the page, the methods text, the record.

Everything is made in memory first; `folder` puts it into place, whole or not at all. Figures
are drawn once, as vector and as pixels, the same bytes for the same ages. Own derivation.
"""

from __future__ import annotations

import io
import json
import platform
import warnings
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from treeage import plots
from treeage.checks import with_checks
from treeage.display import VERSION, Result
from treeage.errors import require_attributes, require_path, require_seed
from treeage.report.folder import RECORD, check_place, replace_answers, sha256
from treeage.report.texts import (
    ReportFigure,
    bibliography,
    dated_trees,
    extra_tables,
    methods_text,
    percent,
    report_html,
    row_account,
    words,
)
from treeage.results import joint_years
from treeage.tables import is_formula

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from treeage.results import Ages, TreeAge
    from treeage.stand import StandHistory

    Tick = Callable[[int], object]
    Draw = Callable[[Axes], Axes]

FIGURE_COUNT = 4  # figures of a report, for progress bars
PACKAGES = ("numpy", "scipy", "pandas", "xarray", "pyarrow", "matplotlib", "jinja2")
PNG_DPI = 160  # choice: sharp on a screen and in a word processor; the SVG serves print
PNG_LEVEL = 4  # choice: a third less time than the usual 6 for files 2 % larger; the pixels are the same
MANY_NAMES = 20  # choice: an axis with more labels than this names its rows
WIDTH_IN = 6.6  # choice: text width of an A4 page
HEIGHT_IN = 3.6  # choice: two figures on an A4 page with their captions


# ---------------------------------------------------------------------- the folder


def write_outputs(
    ages: Ages,
    folder: str | Path,
    *,
    draws: int = 4000,
    seed: int | None = None,
    history: StandHistory | None = None,
    tick: Callable[[int], object] | None = None,
) -> list[Path]:
    """Write tables, joint draws, report.html, figures, methods.md, references.bib and run.json into a folder.

    Parameters
    ----------
    ages : Ages
        Ages of a field.
    folder : str or pathlib.Path
        Where to; made when missing. Files of the same names are replaced. Files that the run.json of an earlier run
        lists and this run does not write are removed, unless they were changed since; all others are left alone.
    draws : int, default 4000
        Joint draws written, at least 1 (4000: Monte Carlo error of a 90 % interval end well below its width).
    seed : int, optional
        Seed of the draws; that of the estimate by default.
    history : StandHistory, optional
        Its figures and tables are added to the report and to the files.
    tick : callable, optional
        Called with 1 after each of the steps (four figures and the rest), for a progress bar.

    Returns
    -------
    list of pathlib.Path
        The files written.

    Raises
    ------
    InputError
        If folder is a file or holds folders where files are to go, draws is below 1, seed is not a whole number of
        at least 0, or ages are no ages.
    OSError
        If the place cannot be written; the folder then holds what it held before.

    Notes
    -----
    The same ages and seed give the same bytes, but for the date in run.json.

    Examples
    --------
    >>> import tempfile
    >>> import pandas as pd
    >>> from treeage.estimate import estimate_ages
    >>> from treeage.tables import Field
    >>> trees = pd.DataFrame({"tree": ["A1"], "species": ["Larix decidua"]})
    >>> core = {"tree": "A1", "core": "a", "outer_year": 2024, "rings_counted": 120}
    >>> cores = pd.DataFrame([core | {"dating": "crossdated", "inner_end": "pith", "core_height_m": 0.0}])
    >>> ages = estimate_ages(Field.from_frames(trees, cores))
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sorted(path.name for path in write_outputs(ages, folder, draws=10))[:3]
    ['age_structure.png', 'age_structure.svg', 'ages.csv']
    """
    advice = ("the answer of estimate_ages or fit_hierarchical", "Pass estimate_ages(field).")
    require_attributes("write_outputs", "ages", ages, ("to_frame", "draws", "accounting"), advice)
    target = require_path("write_outputs", "folder", folder)
    chosen = require_seed("write_outputs", ages.settings.get("seed", 0) if seed is None else seed)
    if history is not None:
        ages = replace(ages, extras={**ages.extras, **stand_tables(history)})
    try:
        check_place(folder, "write_outputs", "folder")
        contents = _contents(with_checks(ages, seed=chosen), draws, chosen, history, tick)
        replace_answers(target, contents)
    except OSError as error:  # names the place that was asked for, not the temporary one
        raise OSError(error.errno, error.strerror or str(error), str(target)) from error
    return [target / name for name in contents]


# ---------------------------------------------------------------------- its files


def _contents(ages: Ages, draws: int, seed: int, history: StandHistory | None, tick: Tick | None) -> dict[str, bytes]:
    """Every file of the output as bytes, made before anything is written."""
    contents = {"ages.csv": _csv(ages.to_frame()), "draws.parquet": _draws(ages, draws, seed)}
    contents |= {f"{name}.csv": _csv(table) for name, table in extra_tables(ages).items()}
    figures = report_figures(ages, tick=tick)
    if history is not None:
        figures += stand_figures(history, tick=tick)
    for figure in figures:
        contents[f"figures/{figure.name}.png"] = figure.png
        contents[f"figures/{figure.name}.svg"] = figure.svg
    contents["report.html"] = report_html(ages, figures=figures).encode("utf-8")
    contents["methods.md"] = methods_text(ages).encode("utf-8")
    if cited := bibliography(ages):
        contents["references.bib"] = cited.encode("utf-8")
    contents[RECORD] = _record(ages, draws, seed, contents)
    if tick is not None:
        tick(1)
    return contents


def stand_tables(history: StandHistory) -> dict[str, pd.DataFrame]:
    """The tables of a stand history by the names of their files, which begin with stand_."""
    return {f"stand_{name}": table for name, table in history.tables().items()}


def _csv(table: pd.DataFrame) -> bytes:
    """A table as text; what a spreadsheet would take for a formula follows a quote mark."""
    import pandas as pd

    texts = {
        str(name): [f"'{cell}" if isinstance(cell, str) and is_formula(cell) else cell for cell in table[name]]
        for name in table
        if pd.api.types.is_string_dtype(table[name]) or table[name].dtype == object
    }
    return table.assign(**texts).to_csv(index=False, lineterminator="\n").encode("utf-8")


def _draws(ages: Ages, count: int, seed: int) -> bytes:
    """Joint draws as Parquet: one row a draw, one column a tree."""
    import pyarrow as pa
    from pyarrow import parquet

    trees, years = joint_years(ages, count, seed=seed)
    table = pa.table(dict(zip(trees, years.T.astype("int32"), strict=True)))
    sink = pa.BufferOutputStream()
    parquet.write_table(table, sink)
    return bytes(sink.getvalue().to_pybytes())


def _record(ages: Ages, draws: int, seed: int, contents: Mapping[str, bytes]) -> bytes:
    """run.json: versions, settings, checksums, and what became of every row."""
    settings = dict(ages.settings)
    account = ages.accounting
    record = {
        "date": datetime.now(UTC).isoformat(timespec="seconds"),
        "treeage": VERSION,
        "python": platform.python_version(),
        "packages": {name: metadata.version(name) for name in PACKAGES},
        "prob": ages.prob,
        "seed": seed,
        "draws": draws,
        "inputs_sha256": dict(settings.pop("checksums", {})),
        "settings": settings,
        "rows": {str(table): row for table, row in row_account(ages).to_dict("index").items()},
        "reasons": account[account["reason"].fillna("") != ""].to_dict("records"),
        "notes": ages.notes.to_dict("records"),
        "outputs_sha256": {name: sha256(content) for name, content in contents.items()},
    }
    text = json.dumps(record, indent=2, ensure_ascii=False, sort_keys=False, default=_plain)
    return (text + "\n").encode("utf-8")


def _plain(value: Any) -> Any:
    """Numbers of arrays as plain numbers, anything else as text, so that the record can always be written."""
    return value.item() if hasattr(value, "item") else list(value) if isinstance(value, (tuple, set)) else str(value)


# ---------------------------------------------------------------------- figures


def report_figures(ages: Ages, *, tick: Tick | None = None) -> list[ReportFigure]:
    """Dates, age structure, sources of uncertainty, the anatomy of a typical tree, and sensitivity if asked for."""
    alone = len(ages.at_core_height) == len(ages.trees) > 0
    tall = float(np.clip(1.7 + 0.135 * len(ages), 3.0, 9.6))  # choice: a line a tree, at most a page
    plans: list[tuple[str, float, Draw]] = [
        ("dates", tall, lambda ax: plots.plot_dates(ages, ax=ax)),
        ("age_structure", HEIGHT_IN, lambda ax: plots.plot_age_structure(ages, ax=ax)),
        ("uncertainty_sources", tall, lambda ax: plots.plot_uncertainty_sources(ages, ax=ax)),
    ]
    named = {"level": percent(ages.prob)}
    typical = typical_tree(ages)
    if typical is not None:
        named |= {"tree": typical.tree, "tree_level": percent(typical.prob)}
        plans.append(("anatomy", HEIGHT_IN, lambda ax: plots.plot_anatomy(typical, ax=ax)))
    titles, captions, notes = words("figure"), words("figure_caption"), _caption_notes(ages)
    figures = []
    for name, height, draw in plans:
        svg, png = render(draw, height)
        title = titles["dates_at_height" if alone and name == "dates" else name]
        caption = " ".join([captions[name].format(**named), *notes.get(name, [])])
        figures.append(ReportFigure(name, title, caption, svg, png))
        if tick is not None:
            tick(1)
    moved = ages.extras.get("sensitivity")
    if isinstance(moved, Result):
        svg, png = render(moved.plot, HEIGHT_IN)
        figures.append(ReportFigure("sensitivity", titles["sensitivity"], moved.sentence(), svg, png))
    return figures


def _caption_notes(ages: Ages) -> dict[str, list[str]]:
    """Sentences that captions end with where some or all dates are years at coring height."""
    if not ages.date_note:
        return {}
    captions = words("figure_caption")
    mixed = [captions["open_markers"]] if len(ages.at_core_height) < len(ages.trees) else []
    return {
        "dates": [*mixed, ages.date_note],
        "age_structure": [ages.date_note],
        "uncertainty_sources": [captions["unknown_years"]],
    }


def typical_tree(ages: Ages) -> TreeAge | None:
    """The tree whose uncertainty is in the middle of all dated trees; None when no tree is dated."""
    dated = sorted(dated_trees(ages), key=lambda answer: (answer.date.sd(), answer.tree))
    return dated[len(dated) // 2] if dated else None


def stand_figures(history: StandHistory, *, tick: Tick | None = None) -> list[ReportFigure]:
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
    figures = []
    note = f" {history.core_height_note}." if history.core_height_note else ""
    for name, part, plot in parts:
        if part is None:
            continue

        def draw(ax: Axes, part: object = part, plot: Callable[..., Axes] = plot) -> Axes:
            return plots.say_core_height(plot(part, ax=ax), history.at_core_height, len(history.trees))

        svg, png = render(draw, HEIGHT_IN)
        figures.append(ReportFigure(name, words("figure")[name], part.sentence() + note, svg, png))
        if tick is not None:
            tick(1)
    return figures


def render(draw: Draw, height_in: float) -> tuple[bytes, bytes]:
    """Draw one figure and save it as SVG and PNG, with no date and no random ids inside."""
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
        made_by = {"Date": None, "Creator": "treeage"}
        FigureCanvasSVG(figure).print_svg(vector, metadata=made_by)  # type: ignore[no-untyped-call]
    return vector.getvalue(), pixels.getvalue()


def _lay_out_by_widest(ax: Axes) -> None:
    """Let the widest of many row names stand for all in the layout, which would measure each of them six times."""
    labels = ax.get_yticklabels()
    if len(labels) > MANY_NAMES:
        widest = max(labels, key=lambda label: label.get_window_extent().width)
        for label in labels:
            label.set_in_layout(label is widest)
