"""Reads the decadal text of the public tree-ring archive: ten widths a line, a stop marker that also tells the unit.

Layer 1, part of the family of `formats`. As described by the World Data Service for Paleoclimatology, NOAA NCEI.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from treeage.errors import Fault, InputError, show
from treeage.formats_series import RingSeries

_STOP_UNIT_MM = {999: 0.01, -9999: 0.001}  # archive description: the stop marker tells the unit
_HEADER_LINES = 3  # archive description: up to three lines about the site
_VALUE_COLUMNS = 6  # archive description: columns of one value; name and year take the first twelve
_WIDEST_MM = 100.0  # choice: a wider ring is a slip of the unit


@dataclass
class _Run:
    """Values of one series as they come."""

    name: str
    line: int
    first_year: int
    next_year: int
    values: list[int] = field(default_factory=list)
    stop: int | None = None


def decadal_series(text: str, file: str = "decadal text") -> list[RingSeries]:
    """Read the width series of a decadal text.

    Parameters
    ----------
    text : str
        Content of the file.
    file : str
        Its name, for messages.

    Returns
    -------
    list of RingSeries
        One for each series, in the order of the file.

    Raises
    ------
    InputError
        If a line breaks the format; every fault is listed with its line, what was found and what is needed.

    Notes
    -----
    Columns 1 to 8 hold the name, 9 to 12 the year of the first value (five columns before year -999), then up to
    ten values of six columns; lines start at full decades except the first. 999 ends a series in 0.01 mm, -9999
    one in 0.001 mm. 0 is a dated ring without width; other negative values are rings that were not measured.

    Examples
    --------
    >>> decadal_series("ABC01A  1998   800     0 -9999")[0].widths_mm.tolist()
    [0.8, 0.0]
    """
    faults: list[Fault] = []
    runs = _runs(text, file, faults)
    if not runs and not faults:
        faults.append(Fault("no line of data", "at least one series", "Check the file.", file))
    faults += _twice(runs, file)
    series = [_series(run, file, faults) for run in runs if run.stop is not None]
    if faults:
        raise InputError(sorted(faults, key=lambda fault: fault.row))
    return series


def _runs(text: str, file: str, faults: list[Fault]) -> list[_Run]:
    """Gather the values of every series, line by line."""
    runs: list[_Run] = []
    current: _Run | None = None
    for number, raw in enumerate(text.splitlines(), start=1):
        if not raw.strip():
            continue
        parsed = _split_line(raw.rstrip())
        if isinstance(parsed, str):
            if runs or number > _HEADER_LINES:
                need = "a name in columns 1 to 8, a year in 9 to 12, values of 6 columns"
                faults.append(Fault(show(raw.strip()), need, parsed, file, number, "line"))
            continue
        name, year, values = parsed
        if current is not None and current.name != name:
            faults.append(_unended(current, file))
            current = None
        if current is None:
            current = _Run(name, number, year, year)
            runs.append(current)
        fault = _extend(current, year, values, file, number)
        faults += [fault] if fault else []
        current = None if current.stop is not None else current
    if current is not None:
        faults.append(_unended(current, file))
    return runs


def _split_line(line: str) -> tuple[str, int, list[int]] | str:
    """Name, year and values of a line, or what to do about it."""
    if "\t" in line:
        return "Replace the tabs by spaces in fixed columns."
    cut = 7 if line[7:8] == "-" else 8
    fields = [line[at : at + _VALUE_COLUMNS] for at in range(12, len(line), _VALUE_COLUMNS)]
    try:
        return line[:cut].strip(), int(line[cut:12]), [int(value) for value in fields if value.strip()]
    except ValueError:
        pass
    words = line.split()  # common practice: files that were edited by hand keep the order but not the columns
    try:
        return words[0], int(words[1]), [int(word) for word in words[2:]]
    except (ValueError, IndexError):
        return "Correct the line, or move it to the head of the file if it describes the site."


def _extend(run: _Run, year: int, values: list[int], file: str, number: int) -> Fault | None:
    """Add the values of a line to the series."""
    fault = None
    room = 10 - year % 10
    stop = next((at for at, value in enumerate(values) if value in _STOP_UNIT_MM and at == len(values) - 1), None)
    kept = values if stop is None else values[:stop]
    if not run.name:
        fault = Fault("an empty name", "a name in columns 1 to 8", "Name the series.", file, number, "name")
    elif year != run.next_year:
        need = f"year {run.next_year}, which follows the line before"
        fault = Fault(show(year), need, "Correct the year, or end the series above.", file, number, "year", run.name)
    elif len(kept) > room or (stop is None and len(kept) < room):
        need = f"{room} value{'s' if room > 1 else ''} up to the end of the decade {year}"
        do = (
            "Start the next line at the full decade." if len(kept) > room else "Add the stop marker or what is missing."
        )
        fault = Fault(f"{len(kept)} values", need, do, file, number, "values", run.name)
    run.values += kept
    run.next_year = year + len(kept) if fault is None else year - year % 10 + 10
    if stop is not None:
        run.stop = values[stop]
    return fault


def _unended(run: _Run, file: str) -> Fault:
    need = "the stop marker 999 (0.01 mm) or -9999 (0.001 mm), which also tells the unit"
    return Fault(
        "a series without an end", need, "Add the marker after the outermost ring.", file, run.line, "values", run.name
    )


def _twice(runs: list[_Run], file: str) -> list[Fault]:
    faults: list[Fault] = []
    first: dict[str, int] = {}
    for run in runs:
        if run.name in first:
            got = f"a second series of this name (the first is on line {first[run.name]})"
            faults.append(
                Fault(got, "one series for each name", "Rename one of them.", file, run.line, "name", run.name)
            )
        first.setdefault(run.name, run.line)
    return faults


def _series(run: _Run, file: str, faults: list[Fault]) -> RingSeries:
    unit = _STOP_UNIT_MM[run.stop or 999]
    values = np.array(run.values, dtype=np.float64)
    widths = np.asarray(np.round(np.where(values < 0, np.nan, values * unit), 3), dtype=np.float64)
    if widths.size == 0:
        faults.append(Fault("no ring", "at least one ring", "Remove the series.", file, run.line, "values", run.name))
    elif np.nanmax(widths, initial=0.0) > _WIDEST_MM:
        got = f"a ring of {np.nanmax(widths):g} mm"
        need = f"widths up to {_WIDEST_MM:g} [mm]"
        faults.append(Fault(got, need, "Check the stop marker: it sets the unit.", file, run.line, "values", run.name))
    return RingSeries(run.name, run.first_year, widths, line=run.line)
