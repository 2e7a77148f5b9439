"""Writes the answers of a run: tables, joint draws, figures, a self-contained report, the methods text, the record.

Sees results and figures only. Files are written beside the target and moved into place, whole or not at all.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import shutil
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

from treeage.errors import Fault, InputError, require_faces, require_seed
from treeage.report.figures import report_figures, stand_figures, stand_tables
from treeage.report.methods import methods_text, row_account
from treeage.report.page import extra_tables, report_html
from treeage.results import joint_years
from treeage.version import VERSION

if TYPE_CHECKING:
    from treeage.results import Ages
    from treeage.stand import StandHistory

FIGURE_COUNT = 4  # figures of a report, for progress bars
RECORD = "run.json"
PACKAGES = ("numpy", "scipy", "pandas", "xarray", "pyarrow", "matplotlib", "jinja2")


def write_outputs(
    ages: Ages,
    folder: str | Path,
    *,
    draws: int = 4000,
    seed: int | None = None,
    history: StandHistory | None = None,
    tick: Callable[[int], object] | None = None,
) -> list[Path]:
    """Write ages.csv, draws.parquet, report.html, figures, methods.md, run.json and special tables into a folder.

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
        If folder is a file, draws is below 1, seed is not a whole number of at least 0, or ages are no ages.
    OSError
        If the place cannot be written; nothing half-written is left behind.

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
    require_faces("write_outputs", "ages", ages, ("to_frame", "draws", "accounting"), advice)
    target = Path(folder)
    if target.exists() and not target.is_dir():
        raise InputError(Fault(f"the file {target}", "a folder", "Name another place.", "write_outputs", 0, "folder"))
    chosen = require_seed("write_outputs", ages.settings.get("seed", 0) if seed is None else seed)
    if history is not None:
        ages = replace(ages, extras={**ages.extras, **stand_tables(history)})
    contents = _contents(ages, draws, chosen, history, tick)
    part = target.parent / f".{target.name}.{os.getpid()}.part"
    stale = [path for path in recorded_files(target) if path.relative_to(target).as_posix() not in contents]
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        for name, content in contents.items():
            (part / name).parent.mkdir(parents=True, exist_ok=True)
            (part / name).write_bytes(content)
        for name in contents:
            (target / name).parent.mkdir(parents=True, exist_ok=True)
            os.replace(part / name, target / name)
    except OSError as error:  # names the place that was asked for, not the temporary one
        raise OSError(error.errno, error.strerror or str(error), str(target)) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    for path in stale:
        with suppress(OSError):  # a file that is open elsewhere stays; the answers are complete without this
            path.unlink()
    return [target / name for name in contents]


def recorded_files(folder: str | Path) -> list[Path]:
    """Files that the last run wrote into a folder and nobody has changed since.

    Parameters
    ----------
    folder : str or pathlib.Path
        Folder of answers, which may be missing.

    Returns
    -------
    list of pathlib.Path
        Files that run.json lists and whose contents still have the checksum it states; none without a run.json.

    Examples
    --------
    >>> recorded_files("no/such/folder")
    []
    """
    target = Path(folder)
    try:
        record = json.loads((target / RECORD).read_text(encoding="utf-8"))
        listed = dict(record["outputs_sha256"]) if "treeage" in record else {}
    except (OSError, ValueError, TypeError, KeyError):  # none, or one of something else
        return []
    return [target / name for name, checksum in listed.items() if _is_ours(target, name, checksum)]


def _is_ours(target: Path, name: str, checksum: object) -> bool:
    path = target / name
    try:
        inside = target.resolve() in path.resolve().parents
        return inside and not path.is_symlink() and hashlib.sha256(path.read_bytes()).hexdigest() == checksum
    except (OSError, ValueError):
        return False


def _contents(
    ages: Ages, draws: int, seed: int, history: StandHistory | None, tick: Callable[[int], object] | None
) -> dict[str, bytes]:
    """Every file of the output as bytes, made before anything is written."""
    contents = {"ages.csv": ages.to_frame().to_csv(index=False, lineterminator="\n").encode("utf-8")}
    contents["draws.parquet"] = _draws(ages, draws, seed)
    for name, table in extra_tables(ages).items():
        contents[f"{name}.csv"] = table.to_csv(index=False, lineterminator="\n").encode("utf-8")
    figures = report_figures(ages, tick=tick)
    if history is not None:
        figures += stand_figures(history, tick=tick)
    for figure in figures:
        contents[f"figures/{figure.name}.png"] = figure.png
        contents[f"figures/{figure.name}.svg"] = figure.svg
    contents["report.html"] = report_html(ages, figures=figures).encode("utf-8")
    contents["methods.md"] = methods_text(ages, version=VERSION).encode("utf-8")
    contents[RECORD] = _record(ages, draws, seed, contents)
    if tick is not None:
        tick(1)
    return contents


def _draws(ages: Ages, count: int, seed: int) -> bytes:
    """Joint draws as Parquet: one row a draw, one column a tree."""
    import pyarrow as pa
    from pyarrow import parquet

    trees, years = joint_years(ages, count, seed=seed)
    columns = years.T.astype("int32")
    table = pa.table(dict(zip(trees, columns, strict=True)))
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
