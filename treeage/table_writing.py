"""Writes tables, texts and field folders so that a file is either whole or absent.

Layer 1, part of the family of `tables`. Own derivation.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

import pandas as pd

from treeage.errors import Fault, InputError
from treeage.schema import INPUT_TABLES, REQUIRED_TABLES, SETTINGS_FILE, nearest
from treeage.table_settings import Settings, settings_text


def _replace(path: Path, write: Callable[[Path], None]) -> None:
    """Write to a temporary file beside the target, then rename it."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        os.close(handle)
        try:
            write(Path(temporary))
            mask = os.umask(0)
            os.umask(mask)
            os.chmod(temporary, 0o666 & ~mask)
            os.replace(temporary, path)
        finally:
            Path(temporary).unlink(missing_ok=True)
    except OSError as error:  # names the place that was asked for, not the temporary one
        raise OSError(error.errno, error.strerror or str(error), str(path)) from error


def write_text(path: str | Path, text: str) -> Path:
    """Write a text file, UTF-8, whole or not at all.

    Parameters
    ----------
    path : str or pathlib.Path
        The file; missing folders are made, an older file is replaced.
    text : str
        The content.

    Returns
    -------
    pathlib.Path
        The file written.

    Raises
    ------
    OSError
        If the place cannot be written; nothing is left behind.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_text(Path(folder) / "note.txt", "larch").read_text()
    'larch'
    """
    target = Path(path)

    def write(part: Path) -> None:
        part.write_bytes(text.encode("utf-8"))

    _replace(target, write)
    return target


def write_table(frame: pd.DataFrame, path: str | Path) -> Path:
    r"""Write a frame as CSV or Parquet, unrounded, whole or not at all.

    Parameters
    ----------
    frame : pandas.DataFrame
        The table; its index is not written.
    path : str or pathlib.Path
        The file, ending in .csv or .parquet; missing folders are made, an older file is replaced.

    Returns
    -------
    pathlib.Path
        The file written.

    Raises
    ------
    InputError
        If the ending is neither.
    OSError
        If the place cannot be written; nothing is left behind.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_table(pd.DataFrame({"age": [143]}), Path(folder) / "ages.csv").read_text()
    'age\n143\n'
    """
    target = Path(path)
    if target.suffix == ".csv":
        _replace(target, lambda part: frame.to_csv(part, index=False, lineterminator="\n", encoding="utf-8"))
    elif target.suffix == ".parquet":
        _replace(target, lambda part: frame.to_parquet(part, index=False))
    else:
        raise InputError(
            Fault(target.name, "a name ending in .csv or .parquet", "Rename the file.", "write_table", 0, "path")
        )
    return target


def write_field(
    folder: str | Path,
    tables: Mapping[str, pd.DataFrame],
    settings: Settings | None = None,
    *,
    replace: bool = False,
) -> Path:
    """Write a field folder: one CSV file a table and field.toml.

    Parameters
    ----------
    folder : str or pathlib.Path
        The folder; made when missing.
    tables : mapping of str to pandas.DataFrame
        Tables by name (trees, cores, rings, arcs, points, seedlings, events); empty frames are left out.
    settings : Settings, optional
        What field.toml says; the defaults of `Settings` when left out.
    replace : bool
        Whether files of the same names in a folder that holds files already may be replaced; False because a
        field folder may be somebody's only copy.

    Returns
    -------
    pathlib.Path
        The folder.

    Raises
    ------
    InputError
        If the folder is not empty and `replace` is False, a table has an unknown name, or trees or cores are
        not there.

    Notes
    -----
    All checks come before the first file is written. Files of other names are never touched.

    Examples
    --------
    >>> import tempfile
    >>> tree = pd.DataFrame({"tree": ["A17"], "species": ["Larix decidua"]})
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     written = write_field(folder, {"trees": tree, "cores": pd.DataFrame({"tree": ["A17"]})})
    ...     sorted(path.name for path in written.iterdir())
    ['cores.csv', 'field.toml', 'trees.csv']
    """
    target = Path(folder)
    faults = [*_table_faults(tables), *_folder_faults(target, replace)]
    if faults:
        raise InputError(faults)
    for name, frame in tables.items():
        if len(frame):
            write_table(frame, target / f"{name}.csv")
    write_text(target / SETTINGS_FILE, settings_text(settings or Settings()))
    return target


def _table_faults(tables: Mapping[str, pd.DataFrame]) -> list[Fault]:
    faults = []
    for name in set(tables) - set(INPUT_TABLES):
        near = nearest(name, INPUT_TABLES)
        do = f"Did you mean {near}?" if near else "Leave it out."
        faults.append(Fault(name, f"one of {', '.join(INPUT_TABLES)}", do, "write_field", 0, "tables"))
    for name in REQUIRED_TABLES:
        if name not in tables:
            faults.append(Fault("nothing", f"a table of {name}", "Pass it.", "write_field", 0, f"tables[{name!r}]"))
    return faults


def _folder_faults(target: Path, replace: bool) -> list[Fault]:
    if target.is_file():
        return [Fault(f"the file {target}", "a folder", "Choose another name.", "write_field", 0, "folder")]
    if replace or not target.is_dir() or not any(target.iterdir()):
        return []
    do = "Choose an empty folder, or pass replace=True if its files may be replaced."
    return [Fault(f"{target}, which holds files", "an empty or new folder", do, "write_field", 0, "folder")]
