"""Writes the answers of a run into a folder: tables, joint draws, figures, the page, the methods text, the record.

Everything is made in memory first; `folder` puts it into place, whole or not at all. The same bytes for the same ages.
Own derivation.
"""

from __future__ import annotations

import json
import platform
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

from treeage.checks import with_checks
from treeage.display import VERSION
from treeage.errors import public, require_attributes, require_path, require_seed
from treeage.report.figures import FigureForm, report_figures, stand_figures
from treeage.report.folder import RECORD, check_place, replace_answers, sha256
from treeage.report.page import report_html
from treeage.report.tables import age_table, extra_tables, latex_table, shown_tables, word_tables
from treeage.report.texts import bibliography, methods_text, row_account, words
from treeage.results import joint_years
from treeage.tables import csv_bytes

if TYPE_CHECKING:
    import pandas as pd

    from treeage.results import Ages
    from treeage.stand import StandHistory

    Tick = Callable[[int], object]

PACKAGES = ("numpy", "scipy", "pandas", "xarray", "pyarrow", "matplotlib", "jinja2", "python-docx")
GUIDE = "README.txt"


# ---------------------------------------------------------------------- the folder


@public
def write_outputs(
    ages: Ages,
    folder: str | Path,
    *,
    draws: int = 4000,
    seed: int | None = None,
    history: StandHistory | None = None,
    figures: str = "double",
    formats: Sequence[str] = ("png", "svg"),
    tick: Callable[[int], object] | None = None,
) -> list[Path]:
    """Write report, tables, joint draws, figures, methods, references, record and a guide to them into a folder.

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
    figures : {'double', 'single'}, default 'double'
        Width of the figures: 170 or 85 mm, with letters of 8 points.
    formats : sequence of {'png', 'svg', 'pdf'}, default ('png', 'svg')
        Formats of the figures; PNG has 300 dots an inch.
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
        at least 0, a width or format is unknown, or ages are no ages.
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
    ['README.txt', 'age_structure.png', 'age_structure.svg']
    """
    advice = ("the answer of estimate_ages or fit_hierarchical", "Pass estimate_ages(field).")
    require_attributes("write_outputs", "ages", ages, ("to_frame", "draws", "accounting"), advice)
    target, form = require_path("write_outputs", "folder", folder), FigureForm(figures, tuple(formats))
    chosen = require_seed("write_outputs", ages.settings.get("seed", 0) if seed is None else seed)
    if history is not None:
        ages = replace(ages, extras={**ages.extras, **stand_tables(history)})
    try:
        check_place(folder, "write_outputs", "folder")
        contents = _contents(with_checks(ages, seed=chosen), (draws, chosen), history, form, tick)
        replace_answers(target, contents)
    except OSError as error:  # names the place that was asked for, not the temporary one
        raise OSError(error.errno, error.strerror or str(error), str(target)) from error
    return [target / name for name in contents]


# ---------------------------------------------------------------------- its files


def _contents(
    ages: Ages, drawn: tuple[int, int], history: StandHistory | None, form: FigureForm, tick: Tick | None
) -> dict[str, bytes]:
    """Every file of the output as bytes, made before anything is written; drawn: number and seed of the joint draws."""
    contents = {"ages.csv": csv_bytes(ages.to_frame()), "draws.parquet": _draws(ages, *drawn)}
    contents |= {f"{name}.csv": csv_bytes(table) for name, table in extra_tables(ages).items()}
    figures = report_figures(ages, form, tick=tick)
    if history is not None:
        figures += stand_figures(history, form, tick=tick)
    contents |= {f"figures/{each.name}.{kind}": data for each in figures for kind, data in each.files.items()}
    contents |= _thesis_tables(ages)
    methods = methods_text(ages, history=history)
    contents["report.html"] = report_html(ages, figures=figures, history=history, methods=methods).encode("utf-8")
    contents["methods.md"] = methods.encode("utf-8")
    contents["references.bib"] = bibliography(ages).encode("utf-8")
    contents[GUIDE] = _guide(contents).encode("utf-8")
    contents[RECORD] = _record(ages, *drawn, contents)
    if tick is not None:
        tick(1)
    return contents


def _thesis_tables(ages: Ages) -> dict[str, bytes]:
    """Every table of the report as LaTeX, and all of them in one Word document."""
    tables = [age_table(ages), *shown_tables(ages).values()]
    made = {f"tables/{each.name}.tex": latex_table(each, number) for number, each in enumerate(tables, start=1)}
    return made | {"tables/tables.docx": word_tables(tables, str(ages.settings.get("name") or "Tree ages"))}


def _guide(contents: Mapping[str, bytes]) -> str:
    """What each file of the folder is, and how to cite the package."""
    told, titles = words("file"), words("table")
    lines = [told["head"], ""]
    tops = {name if "/" not in name else name.partition("/")[0] + "/" for name in (*contents, GUIDE, RECORD)}
    for name in sorted(tops, key=lambda each: (each not in told, list(told).index(each) if each in told else each)):
        meaning = (
            told.get(name) or titles.get(name.removesuffix(".csv"), "a table of the report") + ", all rows and digits"
        )
        lines.append(f"{name:<32} {meaning}")
    return "\n".join([*lines, "", told["citation"].format(version=VERSION), ""])


def stand_tables(history: StandHistory) -> dict[str, pd.DataFrame]:
    """The tables of a stand history by the names of their files, which begin with stand_."""
    return {f"stand_{name}": table for name, table in history.tables().items()}


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
