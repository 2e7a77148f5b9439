"""The files of a field folder: CSV and Parquet read into raw columns, tables and texts written whole or not at all.

What cannot be read is said with the one thing to do. Own derivation.
"""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
import os
import re
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.errors import Fault, Findings, InputError, public, show
from treeage.schema import INPUT_TABLES, REQUIRED_TABLES, SETTINGS_FILE, columns, nearest
from treeage.tables.settings import Settings, settings_text

MOST_BYTES = 512 * 1024 * 1024  # choice: a table of some ten million rings; above it, memory would be the fault
SAVE_AS = "Save it as CSV with UTF-8 text, commas between columns and a decimal point."
MOST_ROWS = 20_000_000  # choice: about what a CSV file of the largest size holds
ENDINGS = (".csv", ".parquet")
PACKED = (".gz", ".zip", ".bz2", ".xz", ".7z", ".zst")
SHEETS = (".xlsx", ".xls", ".ods")
MERGED, UNMERGE = "(merged cells)", "Undo the merge and fill each cell."
RING_FILES = (".rwl", ".txt", ".dat", ".xml")
MOST_HEAD = 20_000  # choice: bytes in which the first line of a table ends
DECIMAL_COMMA = re.compile(r"[-+]?\d*,\d+")
DIGIT_SHARE = 0.2  # choice: a text with more digits than this holds data and not words

Parts = tuple[list[str], list[list[str]] | None, Sequence[int]]  # header, columns of cells, lines
RawColumn = list[str] | NDArray[np.float64] | NDArray[np.int64]  # text as written, trimmed, or numbers already


@dataclass(frozen=True)
class RawTable:
    """A table as read, before any value is understood."""

    file: str  # for messages
    columns: Mapping[str, RawColumn]
    lines: NDArray[np.int64]  # line in the file of each row


# ------------------------------------------------------------------ the folder


def read_raw_tables(folder: Path, findings: Findings) -> tuple[dict[str, RawTable], dict[str, str]]:
    """Read every table of a field folder: those that could be read, and the SHA-256 of every file read."""
    tables: dict[str, RawTable] = {}
    checksums: dict[str, str] = {}
    names = sorted(entry.name for entry in folder.iterdir() if entry.is_file())
    _unreadable(folder, names, findings)
    marks = _separators(folder, names)
    for table in INPUT_TABLES:
        found = [name for name in names if name in (f"{table}.csv", f"{table}.parquet")]
        if len(found) > 1:
            do = f"Remove {found[1]} or {found[0]}."
            findings.fault(found[0], "both a CSV and a Parquet file", "one of them", do)
        elif found:
            data = (folder / found[0]).read_bytes()
            checksums[found[0]] = hashlib.sha256(data).hexdigest()
            mark = marks.get(found[0], ",")
            is_text = found[0].endswith(".csv")
            raw = _csv(found[0], data, mark, findings) if is_text else _parquet(found[0], data, findings)
            tables |= {} if raw is None else {table: raw}
        elif table in REQUIRED_TABLES:
            findings.fault(f"{table}.csv", "no such file", f"a table of {table}", _missing_file(table, names, folder))
    _other_files(names, findings)
    _other_data(folder, names, findings)
    return _from_spreadsheet(tables, findings) if marks else tables, checksums


def _unreadable(folder: Path, names: Sequence[str], findings: Findings) -> None:
    """Say of what has the name of a table or of the settings, but cannot be read."""
    known = {f"{table}{ending}" for table in INPUT_TABLES for ending in ENDINGS} | {SETTINGS_FILE}
    for path in sorted(folder.iterdir()):
        if path.name in known and path.name not in names:
            got = "a folder" if path.is_dir() else "a link that leads nowhere" if path.is_symlink() else "no plain file"
            findings.fault(path.name, got, "a file, or nothing of that name", "Put the file there, or remove it.")
        elif Path(path.name).stem in known and path.suffix.lower() in PACKED:
            findings.note(path.name, "a packed file, which is not read", "the file itself", "Unpack it.")


def _missing_file(table: str, names: list[str], folder: Path) -> str:
    used = {f"{other}{ending}" for other in INPUT_TABLES for ending in ENDINGS} | {SETTINGS_FILE}
    free = [name for name in names if name not in used]
    near = [name for name in free if Path(name).stem.lower().strip() == table]
    near = near or [name for name in free if nearest(Path(name).stem, INPUT_TABLES) == table]
    if near and near[0].lower().endswith(ENDINGS):
        return f"Rename {near[0]} to {table}{Path(near[0]).suffix.lower()}."
    if near:
        return f"Save {near[0]} as {table}.csv."
    books = [name for name in names if Path(name).suffix.lower() in SHEETS]
    if books and books[0].lower().endswith(".xlsx"):
        return f"Name the workbook, for example {folder / books[0]}, or put {table}.csv into {folder}."
    if books:
        return f"Save {books[0]} as a workbook (.xlsx) alone in its folder, or its sheets as CSV."
    return f"Put {table}.csv into {folder}."


def _other_files(names: list[str], findings: Findings) -> None:
    """Say of files that are named nearly like an optional table or the settings that they are not read."""
    known = {f"{table}{ending}" for table in INPUT_TABLES for ending in ENDINGS} | {SETTINGS_FILE}
    for name in names:
        ending = Path(name).suffix.lower()
        if name in known or ending not in (*ENDINGS, ".toml"):
            continue
        near = nearest(Path(name).stem, ["field"] if ending == ".toml" else INPUT_TABLES)
        if near and near not in REQUIRED_TABLES:
            do = f"Rename it to {near}{ending} if it is meant to be."
            findings.note(name, "a file that is not read", "a known file name", do)


def _other_data(folder: Path, names: list[str], findings: Findings) -> None:
    """Say of files that look like data, but are in another form, that they are not read and what to do."""
    for name in names:
        ending = Path(name).suffix.lower()
        if ending in SHEETS:
            do = "Save each sheet that is meant as one of the tables as CSV."
        elif ending in RING_FILES and _has_numbers(folder / name):
            do = "If it holds ring widths, read it with treeage.formats.read_ring_file and write rings.csv."
        else:
            continue
        findings.note(name, "a file that is not read", "tables as CSV or Parquet", do)


def _has_numbers(path: Path) -> bool:
    """Tell a text of data by its digits."""
    with path.open("rb") as file:
        start = file.read(20_000)
    digits = sum(start.count(digit) for digit in b"0123456789")
    return digits > DIGIT_SHARE * max(len(start) - sum(start.count(blank) for blank in b" \t\r\n"), 1)


# ------------------------------------------------------------------ one CSV file


def _separators(folder: Path, names: Sequence[str]) -> dict[str, str]:
    """What parts the columns of each CSV file: semicolons where all that hold rows say so by their first line."""
    marks, filled = {}, []
    for name in names:
        if name in {f"{table}.csv" for table in INPUT_TABLES}:
            with (folder / name).open("rb") as file:
                start = file.read(MOST_HEAD).removeprefix(codecs.BOM_UTF8).strip()
            head, *rest = re.split(rb"[\r\n]", start, maxsplit=1)
            marks[name] = ";" if _parted_by_semicolons(name, head.decode("utf-8", "replace")) else ","
            filled += [marks[name]] if rest else []
    return marks if set(filled) == {";"} else {}


def _parted_by_semicolons(file: str, head: str) -> bool:
    """Whether a first line holds two names of columns between semicolons, and none between commas."""
    known = {item.name for item in columns(Path(file).stem)}
    named = {mark: {name.strip(' "') for name in head.split(mark)} & known for mark in ",;"}
    return len(named[";"]) > 1 and not named[","]


def _from_spreadsheet(tables: Mapping[str, RawTable], findings: Findings) -> dict[str, RawTable]:
    """Tables parted by semicolons: decimal commas of number columns become points, and a note says so."""
    numbers = {
        (table, item.name): cells
        for table, raw in tables.items()
        for item in columns(table)
        if item.kind == "number" and isinstance(cells := raw.columns.get(item.name), list)
    }
    commas = any(DECIMAL_COMMA.fullmatch(cell) for cells in numbers.values() for cell in cells)
    out = {}
    for table, raw in tables.items():
        changed = dict(raw.columns)
        for name in raw.columns:
            if commas and (table, name) in numbers:
                changed[name] = [_with_point(cell) for cell in numbers[table, name]]
                _points_among_commas(raw, name, numbers[table, name], findings)
        if not len(raw.lines):
            out[table] = raw
            continue
        got = f"columns parted by semicolons{', and decimal commas' if commas else ''}"
        need, do = "commas between columns and a decimal point", "Nothing; texts are kept as written."
        findings.note(raw.file, got, need, do)
        out[table] = RawTable(raw.file, changed, raw.lines)
    return out


def _with_point(cell: str) -> str:
    return cell.replace(",", ".") if DECIMAL_COMMA.fullmatch(cell) else cell


def _points_among_commas(raw: RawTable, name: str, cells: Sequence[str], findings: Findings) -> None:
    """Numbers with a point in a folder of decimal commas: nobody can tell a thousand from a decimal."""
    for cell, line in zip(cells, raw.lines.tolist(), strict=True):
        if re.fullmatch(r"[-+]?\d+\.\d+", cell):
            do = f"Write {cell.replace('.', ',')} or {cell.replace('.', '')}."
            findings.fault(raw.file, cell, "decimal commas, as elsewhere in this folder", do, row=line, column=name)


def _csv(file: str, data: bytes, mark: str, findings: Findings) -> RawTable | None:
    text = _decoded(file, data, findings)
    if text is None:
        return None
    parts = _even_columns(text, mark) or _quoted_columns(file, text, mark, findings)
    if parts is None:
        return None
    header, cells, lines = parts
    if not header:
        findings.fault(file, "an empty file", "a header row and one row for each item", "Fill it or remove it.")
        return None
    names = _header(file, header, findings)
    if names is None or cells is None:
        return None
    table = dict(zip(names, _trimmed(text, cells), strict=True))
    named = {name: column for name, column in table.items() if any(column) or not name.startswith("unnamed_")}
    return RawTable(file, named, np.asarray(lines, dtype=np.int64))


def _trimmed(text: str, cells: list[list[str]]) -> list[list[str]]:
    if text.isascii() and " " not in text and "\t" not in text:
        return cells
    return [[cell.strip() for cell in column] for column in cells]


def _decoded(file: str, data: bytes, findings: Findings) -> str | None:
    row, nul = 0, data.find(b"\x00")
    if len(data) > MOST_BYTES:
        got, need, do = (
            f"{len(data) / 1e6:.0f} MB",
            f"at most {MOST_BYTES / 1e6:.0f} MB",
            "Split the stand into folders.",
        )
    elif data[:4] == b"PK\x03\x04":
        got, need, do = "a spreadsheet or zip file", "a text table", SAVE_AS
    elif data[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        got, need, do = "UTF-16 text", "UTF-8 text", SAVE_AS
    elif nul >= 0:
        row = data.count(b"\n", 0, nul) + 1
        got, need, do = f"a NUL byte at byte {nul + 1}", "text only", f"The file is damaged or not text. {SAVE_AS}"
    else:
        try:
            return data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            row = data.count(b"\n", 0, error.start) + 1
            got = f"byte 0x{data[error.start]:02X} at byte {error.start + 1}, which is not UTF-8"
            need, do = "UTF-8 text", SAVE_AS
    findings.fault(file, got, need, do, row=row)
    return None


def _even_columns(text: str, mark: str) -> Parts | None:
    """Split a text without quotes, blank lines or uneven lines the fast way; None when it is not so."""
    text = text.replace("\r\n", "\n")
    if '"' in text or "\r" in text:
        return None
    lines = text.rstrip("\n").split("\n")
    marks = {line.count(mark) for line in lines}
    if len(marks) != 1 or mark * min(marks) in lines:
        return None
    width = min(marks) + 1
    cells = mark.join(lines).split(mark)
    return cells[:width], [cells[width + place :: width] for place in range(width)], range(2, len(lines) + 1)


def _quoted_columns(file: str, text: str, mark: str, findings: Findings) -> Parts | None:
    """Split with care for quotes, blank lines (skipped) and uneven lines (faults, and no cells then)."""
    rows: list[list[str]] = []
    lines: list[int] = []
    try:
        _fill_rows(text, mark, rows, lines)
    except csv.Error as error:
        got, do = f"text that is not a table ({error})", "Look for a lone quote mark in or after this row."
        findings.fault(file, got, "quotes that close", do, row=max(lines, default=0) + 1)
        return None
    if not rows:
        return [], [], []
    width = len(rows[0])
    if width > 1 and not _even(file, rows, lines, findings):
        return rows[0], None, []
    found = [list(column) for column in zip(*rows[1:], strict=width > 1)] or [[] for _ in range(width)]
    return rows[0], found, lines[1:]


def _fill_rows(text: str, mark: str, rows: list[list[str]], lines: list[int]) -> None:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    start = 1
    for cells in reader:
        if any(cells) and (len(cells) > 1 or cells[0].strip()):
            rows.append(cells)
            lines.append(start)
        start = reader.line_num + 1


def _even(file: str, rows: list[list[str]], lines: list[int], findings: Findings) -> bool:
    even, width = True, len(rows[0])
    for cells, line in zip(rows, lines, strict=True):
        if len(cells) == width:
            continue
        if len(cells) > width and not any(cell.strip() for cell in cells[width:]):
            del cells[width:]
            continue
        even = False
        do = "Add the missing commas; the line may be cut short."
        if len(cells) > width:
            do = "Write numbers with a decimal point and put a text that holds a comma in quotes."
        findings.fault(file, f"{len(cells)} cells", f"{width} cells as in the header", do, row=line)
    return even


def _header(file: str, header: list[str], findings: Findings) -> list[str] | None:
    if len(header) == 1 and (";" in header[0] or "\t" in header[0]):
        got, do = "columns parted by tabs", SAVE_AS
        if ";" in header[0]:
            got = "columns parted by semicolons"
            do = "In a text editor replace every comma by a point and then every semicolon by a comma."
        findings.fault(file, got, "commas between columns", do, row=1)
        return None
    names = [name.strip() or f"unnamed_{position + 1}" for position, name in enumerate(header)]
    known = [item.name for item in columns(Path(file).stem)]
    if not set(known) & set(names):
        example = f"Put a first line with column names, for example {','.join(known[:3])}."
        do = rename_advice(names, known) or example
        findings.fault(file, show(",".join(names)), "a header row with known column names", do, row=1)
        return None
    return None if repeated_columns(file, names, 1, findings) else names


def rename_advice(names: Iterable[str], known: Iterable[str]) -> str:
    """What to rename among names that differ from known ones by case, blanks and signs alone."""
    bare = {re.sub(r"[\W_]", "", name): name for name in known}
    near = {name: bare.get(re.sub(r"[\W_]", "", name.lower())) for name in names}
    return f"Rename {', '.join(f'{name} to {one}' for name, one in near.items() if one)}." if any(near.values()) else ""


def repeated_columns(file: str, names: list[str], row: int, findings: Findings) -> bool:
    """Whether a name stands over several columns, which is a fault."""
    doubles = sorted({name for name in names if names.count(name) > 1})
    for name in doubles:
        got, do = f"the column {name} {names.count(name)} times", "Rename or remove one."
        findings.fault(file, got, "each column once", do, row=row)
    return bool(doubles)


# ------------------------------------------------------------------ one frame


def _parquet(file: str, data: bytes, findings: Findings) -> RawTable | None:
    try:
        frame = _frame(data)
    except Exception as error:  # the reader raises its own many kinds for a damaged file
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        got = f"a file that does not read ({show(first)})"
        findings.fault(file, got, "a Parquet table", "Write it again, or as CSV.")
        return None
    if isinstance(frame, str):
        findings.fault(
            file, frame, f"at most {MOST_ROWS} rows and {MOST_BYTES / 1e6:.0f} MB", "Split the stand into folders."
        )
        return None
    return raw_from_frame(file, frame, findings)


def _frame(data: bytes) -> pd.DataFrame | str:
    """The frame of a Parquet file, or how large it would be; asked of its foot before anything is unpacked."""
    from pyarrow import parquet

    size = parquet.ParquetFile(io.BytesIO(data)).metadata
    unpacked = sum(size.row_group(at).total_byte_size for at in range(size.num_row_groups))
    if size.num_rows > MOST_ROWS or max(unpacked, len(data)) > MOST_BYTES:
        return f"{size.num_rows} rows and {max(unpacked, len(data)) / 1e6:.0f} MB"
    frame: pd.DataFrame = pd.read_parquet(io.BytesIO(data))
    return frame


def raw_from_frame(file: str, frame: pd.DataFrame, findings: Findings) -> RawTable | None:
    """Take a frame as a raw table, rows counted from 1 and the index not read; None when column names repeat."""
    names = [str(name).strip() for name in frame.columns]
    if repeated_columns(file, names, 0, findings):
        return None
    table = {name: _raw_column(frame.iloc[:, position]) for position, name in enumerate(names)}
    return RawTable(file, table, np.arange(1, len(frame) + 1, dtype=np.int64))


def _raw_column(series: pd.Series) -> RawColumn:
    kind = series.dtype
    if pd.api.types.is_signed_integer_dtype(kind) and not series.hasnans:
        return series.to_numpy(dtype=np.int64)
    plain = not pd.api.types.is_bool_dtype(kind) and not pd.api.types.is_complex_dtype(kind)
    if pd.api.types.is_numeric_dtype(kind) and plain:
        return series.to_numpy(dtype=np.float64, na_value=np.nan)
    if isinstance(kind, pd.StringDtype):  # a few names stand in many rows
        place, names = pd.factorize(series)
        texts = [*map(_as_text, names.tolist()), ""]  # the last one, at -1, where it is missing
        return [texts[at] for at in place.tolist()]
    gone = series.isna().tolist()
    return ["" if missing else _as_text(value) for value, missing in zip(series.tolist(), gone, strict=True)]


def _as_text(value: object) -> str:
    if isinstance(value, bytes):
        return value.decode("utf-8", "backslashreplace").strip()
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value).strip()


# ------------------------------------------------------------------ writing


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
    return write_bytes(path, text.encode("utf-8"))


def write_bytes(path: str | Path, data: bytes) -> Path:
    """Write a file whole or not at all; OSError if the place cannot be written."""
    return _replace(Path(path), lambda part: part.write_bytes(data))


@public
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
        return _replace(target, lambda part: frame.to_csv(part, index=False, lineterminator="\n", encoding="utf-8"))
    if target.suffix == ".parquet":
        return _replace(target, lambda part: frame.to_parquet(part, index=False))
    need = "a name ending in .csv or .parquet"
    raise InputError(Fault(target.name, need, "Rename the file.", "write_table", 0, "path"))


def _replace(path: Path, write: Callable[[Path], object]) -> Path:
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
    return path


@public
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
    for name in tables:
        if name not in INPUT_TABLES:
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
