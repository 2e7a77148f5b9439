"""Writes the answers of a run: tables, joint draws, figures, a self-contained report, the methods text, the record.

Layer 7. Sees results and figures only. Files are written beside the target and moved into place, whole or not at all.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import platform
import shutil
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from importlib import metadata, resources
from pathlib import Path
from string import ascii_lowercase
from typing import TYPE_CHECKING, Any

import pandas as pd

from treeage import schema
from treeage.errors import Fault, InputError
from treeage.priors import defaults_table
from treeage.report_figures import ReportFigure, report_figures
from treeage.report_methods import CAUTIONS, flag_meanings, methods_text, row_account
from treeage.results_tree import CONVENTIONS, year_text
from treeage.version import VERSION

if TYPE_CHECKING:
    from jinja2 import Template

    from treeage.results import Ages

FIGURE_COUNT = 4  # figures of a report, for progress bars
MOST_LISTED = 40  # choice: reasons and notes listed one by one; all of them are in run.json
PACKAGES = ("numpy", "scipy", "pandas", "xarray", "pyarrow", "matplotlib", "jinja2")
TREE_COLUMNS = (
    ("tree", "text"),
    ("species, plot", "text"),
    ("cores", ""),
    ("dating, inner end", "text"),
    ("height [m]", ""),
    ("rings counted", ""),
    ("missed rings", ""),
    ("pith year", ""),
    ("years to height", ""),
    ("establishment year", ""),
    ("age [years]", ""),
    ("at least [years]", ""),
    ("flags", "text"),
)


def report_html(ages: Ages, *, figures: Sequence[ReportFigure] | None = None) -> str:
    """Write the report as one HTML page without links, scripts or outside files.

    Parameters
    ----------
    ages : Ages
        Ages of a field.
    figures : sequence of ReportFigure, optional
        From `report_figures`; drawn when left out.

    Returns
    -------
    str
        The page. Names from the tables are escaped.
    """
    drawn = report_figures(ages) if figures is None else figures
    name = str(ages.settings.get("name") or "")
    account_names, account = _account(ages)
    flags = _flags(ages)
    letters = {flag["name"]: flag["letter"] for flag in flags}
    page: str = _template().render(
        title=f"Tree ages: {name}" if name else "Tree ages",
        headline=_headline(ages),
        description=str(ages.settings.get("description") or "No description of the site was given."),
        level=f"{100 * ages.prob:g} %",
        tree_columns=[{"title": title, "text": kind} for title, kind in TREE_COLUMNS],
        tree_rows=[_tree_row(row, letters) for row in ages.to_frame().to_dict("records")],
        account_names=account_names,
        account_rows=account,
        reasons=_reasons(ages),
        flags=flags,
        notes=_capped([note_line(note) for note in ages.notes.to_dict("records")], "notes"),
        figures=[
            {"title": each.title, "caption": each.caption, "data": base64.b64encode(each.svg).decode("ascii")}
            for each in drawn
        ],
        defaults=defaults_table().to_dict("records"),
        source_names=list(ages.sources.columns),
        source_rows=[[str(value) for value in row] for row in ages.sources.to_numpy().tolist()],
        cautions=CAUTIONS,
        conventions=CONVENTIONS,
        nomenclature=[column for column in schema.columns("ages")],
        version=VERSION,
        seed=ages.settings.get("seed", 0),
    )
    return page


@cache
def _template() -> Template:
    from jinja2 import Environment, StrictUndefined

    text = resources.files("treeage").joinpath("data", "report.html.j2").read_text(encoding="utf-8")
    return Environment(autoescape=True, undefined=StrictUndefined).from_string(text)


def _headline(ages: Ages) -> str:
    dated = [answer.establishment_year for answer in ages if answer.status == "estimated"]
    rest = len(ages) - len(dated)
    if not dated:
        return f"No tree could be dated; for {rest} a minimum age can be claimed."
    first, last = min(pmf.median() for pmf in dated), max(pmf.median() for pmf in dated)
    widths = [high - low + 1 for low, high in (pmf.interval(ages.prob) for pmf in dated)]
    more = f", and {rest} as a minimum only" if rest else ""
    return (
        f"{len(dated)} trees dated{more}: establishment between {year_text(first)} and {year_text(last)} (medians). "
        f"Half of the {100 * ages.prob:g} % intervals are at most {sorted(widths)[(len(widths) - 1) // 2]} years long."
    )


def _tree_row(row: Mapping[Any, Any], letters: Mapping[str, str]) -> list[tuple[str, str]]:
    """Cells of one tree, each an upper and a lower line: medians above their intervals."""

    def number(name: str) -> str:
        return "" if pd.isna(row[name]) else f"{row[name]:g}"

    def span(name: str, *, years: bool = False) -> tuple[str, str]:
        if pd.isna(row[f"{name}_median"]):
            return "", ""
        ends = [int(row[f"{name}_{part}"]) for part in ("median", "lo", "hi")]
        middle, low, high = (year_text(end) if years else str(end) for end in ends)
        return middle, f"{low} to {high}"

    def words(name: str) -> str:
        return "" if pd.isna(row[name]) else str(row[name]).replace("_", " ")

    return [
        (str(row["tree"]), ""),
        (str(row["species"]), str(row["plot"])),
        (number("cores"), ""),
        (words("dating"), words("inner_end")),
        ("" if pd.isna(row["core_height_m"]) else f"{row['core_height_m']:.2f}", ""),
        (number("rings_counted"), ""),
        span("missed_rings"),
        span("pith_year", years=True),
        span("years_to_core_height"),
        span("establishment_year", years=True),
        span("age"),
        (number("minimum_age"), ""),
        (" ".join(letters[flag] for flag in str(row["flags"]).split(";") if flag), ""),
    ]


def _account(ages: Ages) -> tuple[list[str], list[list[str]]]:
    frame = row_account(ages)
    rows = [
        [str(table), *(str(value) for value in values)]
        for table, values in zip(frame.index, frame.to_numpy(), strict=True)
    ]
    rows.append(["sum", *(str(value) for value in frame.sum().to_numpy())])
    return [*(str(name) for name in frame.columns[:-1]), "sum of rows"], rows


def _reasons(ages: Ages) -> list[str]:
    odd = ages.accounting[ages.accounting["reason"].fillna("").astype(str) != ""]
    lines = []
    for row in odd.to_dict("records"):
        where = [f"{row['table']}, row {row['row']}" if row["row"] else str(row["table"])]
        where += [f"{name} {row[name]}" for name in ("tree", "core") if row[name]]
        lines.append(f"{', '.join(where)}: {row['status']}; {row['reason']}.")
    return _capped(lines, "rows")


def note_line(note: Mapping[Any, Any]) -> str:
    """Write one note as a line for people.

    Parameters
    ----------
    note : mapping
        One row of the notes table.

    Returns
    -------
    str
        Where, got, need, do.

    Examples
    --------
    >>> note_line({"file": "trees.csv", "row": 3, "item": "", "column": "crown", "got": "an unknown column",
    ...     "need": "a known name", "do": "It is kept."})
    'trees.csv, row 3, column crown: got an unknown column, need a known name. It is kept.'
    """
    keys = ("got", "need", "do", "file", "row", "column", "item")
    return Fault(**{key: note[key] for key in keys}).line()


def _capped(lines: list[str], noun: str) -> list[str]:
    if len(lines) <= MOST_LISTED:
        return lines
    return [*lines[:MOST_LISTED], f"and {len(lines) - MOST_LISTED} more {noun}, all of them in run.json"]


def _flags(ages: Ages) -> list[dict[str, str]]:
    trees: dict[str, list[str]] = {}
    for answer in ages:
        for flag in answer.flags:
            trees.setdefault(flag, []).append(answer.tree)
    meanings = flag_meanings()
    out = []
    order = sorted(trees, key=lambda name: (name not in ("cores_contradict", "cores_disagree"), name))
    for at, flag in enumerate(order):
        own = trees[flag]
        letter = ascii_lowercase[at % 26] * (1 + at // 26)
        named = ", ".join(own[:12]) + (", ..." if len(own) > 12 else "")  # choice: a dozen names fit a line
        count = f"{len(own)} tree{'' if len(own) == 1 else 's'}"
        meaning = meanings.get(flag, flag.replace("_", " ") + ".")
        out.append({"letter": letter, "name": flag, "count": count, "trees": named, "meaning": meaning})
    return out


def write_outputs(
    ages: Ages,
    folder: str | Path,
    *,
    draws: int = 4000,
    seed: int | None = None,
    tick: Callable[[int], object] | None = None,
) -> list[Path]:
    """Write ages.csv, draws.parquet, report.html, figures, methods.md and run.json into a folder.

    Parameters
    ----------
    ages : Ages
        Ages of a field.
    folder : str or pathlib.Path
        Where to; made when missing. Files of the same names are replaced, others are left alone.
    draws : int, default 4000
        Joint draws written, at least 1 (4000: Monte Carlo error of a 90 % interval end well below its width).
    seed : int, optional
        Seed of the draws; that of the estimate by default.
    tick : callable, optional
        Called with 1 after each of the steps (four figures and the rest), for a progress bar.

    Returns
    -------
    list of pathlib.Path
        The files written.

    Raises
    ------
    InputError
        If folder is a file, or draws is below 1.
    OSError
        If the place cannot be written; nothing half-written is left behind.

    Notes
    -----
    The same ages and seed give the same bytes, but for the date in run.json.

    Examples
    --------
    >>> import tempfile
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
    target = Path(folder)
    if target.exists() and not target.is_dir():
        raise InputError(Fault(f"the file {target}", "a folder", "Name another place.", "write_outputs", 0, "folder"))
    chosen = int(ages.settings.get("seed", 0)) if seed is None else seed
    contents = _contents(ages, draws, chosen, tick)
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.parent / f".{target.name}.{os.getpid()}.part"
    try:
        for name, content in contents.items():
            (part / name).parent.mkdir(parents=True, exist_ok=True)
            (part / name).write_bytes(content)
        for name in contents:
            (target / name).parent.mkdir(parents=True, exist_ok=True)
            os.replace(part / name, target / name)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return [target / name for name in contents]


def _contents(ages: Ages, draws: int, seed: int, tick: Callable[[int], object] | None) -> dict[str, bytes]:
    """Every file of the output as bytes, made before anything is written."""
    contents = {"ages.csv": ages.to_frame().to_csv(index=False, lineterminator="\n").encode("utf-8")}
    contents["draws.parquet"] = _draws(ages, draws, seed)
    figures = report_figures(ages, tick=tick)
    for figure in figures:
        contents[f"figures/{figure.name}.png"] = figure.png
        contents[f"figures/{figure.name}.svg"] = figure.svg
    contents["report.html"] = report_html(ages, figures=figures).encode("utf-8")
    contents["methods.md"] = methods_text(ages, version=VERSION).encode("utf-8")
    contents["run.json"] = _record(ages, draws, seed, contents)
    if tick is not None:
        tick(1)
    return contents


def _draws(ages: Ages, count: int, seed: int) -> bytes:
    """Joint draws as Parquet: one row a draw, one column a tree."""
    import pyarrow as pa
    from pyarrow import parquet

    drawn = ages.draws(count, seed=seed)
    years = drawn.to_numpy().astype("int32")
    table = pa.table({str(tree): years[:, at] for at, tree in enumerate(drawn["tree"].to_numpy())})
    sink = pa.BufferOutputStream()
    parquet.write_table(table, sink)
    return bytes(sink.getvalue().to_pybytes())


def _record(ages: Ages, draws: int, seed: int, contents: Mapping[str, bytes]) -> bytes:
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
        "outputs_sha256": {name: hashlib.sha256(content).hexdigest() for name, content in contents.items()},
    }
    text = json.dumps(record, indent=2, ensure_ascii=False, sort_keys=False, default=_plain)
    return (text + "\n").encode("utf-8")


def _plain(value: Any) -> Any:
    """Numbers of arrays as plain numbers, anything else as text, so that the record can always be written."""
    return value.item() if hasattr(value, "item") else list(value) if isinstance(value, (tuple, set)) else str(value)
