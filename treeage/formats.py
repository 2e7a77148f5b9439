"""Ring widths from the open formats of the trade: decadal text of the public archive and the XML tree-ring standard.

Formats as published by the archive and by the authors of the standard; checks are own derivation. In this order: the
file and its table, decadal text, XML.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from treeage.errors import Fault, InputError, public, require_path, show

if TYPE_CHECKING:
    import pandas as pd

_SITE_LETTERS = 3  # common practice: archive names are three letters of the site, then the tree, then the core
_HUNDREDTHS = 999
_STOP_UNIT_MM = {999: 0.01, -9999: 0.001}  # archive description: the stop marker tells the unit
_HEADER_LINES = 3  # archive description: up to three lines about the site
_VALUE_COLUMNS = 6  # archive description: columns of one value; name and year take the first twelve
_WIDEST_MM = 100.0  # choice: a wider ring is a slip of the unit
_UNIT_MM = {  # the eight of the schema, versions 1.2 and 1.3
    "micrometres": 0.001,
    "1/100th millimetres": 0.01,
    "1/50th millimetres": 0.02,
    "1/20th millimetres": 0.05,
    "1/10th millimetres": 0.1,
    "millimetres": 1.0,
    "centimetres": 10.0,
    "metres": 1000.0,
}
_HOLDERS = ("object", "element", "sample", "radius", "measurementSeries")
_MOST_BYTES = 256 * 1024 * 1024  # choice: some twenty million rings
_DEEPEST = 100  # choice: elements inside each other; the standard needs about ten
_NUMBER = re.compile(r"[-+]?[0-9]*\.?[0-9]+([eE][-+]?[0-9]{1,3})?")
_WIDTH_NAMES = ("ring width", "ringwidth", "ring-width")


@dataclass(frozen=True)
class RingSeries:
    """Widths of one core by year.

    Parameters
    ----------
    name : str
        Name of the series in the file.
    first_year : int
        Year of the innermost ring; astronomical, so 0 is 1 BCE.
    widths_mm : numpy.ndarray, shape (n,)
        Widths [mm], innermost first; 0 for a dated ring without width, NaN for a ring that was not measured.
    tree, core : str
        Tree and core if the format names them, otherwise empty.
    line : int
        Line of the file on which the series starts.
    dated : bool, default True
        Whether the years are calendar years (the XML standard also holds relative ones).
    species : str
        Taxon of the tree if the file names it, otherwise empty.

    Examples
    --------
    >>> RingSeries("ABC01A", 1999, np.array([0.8, 0.0])).last_year
    2000
    """

    name: str
    first_year: int
    widths_mm: NDArray[np.float64]
    tree: str = ""
    core: str = ""
    line: int = 0
    dated: bool = True
    species: str = ""

    def __post_init__(self) -> None:
        widths = np.array(self.widths_mm, dtype=np.float64)
        widths.flags.writeable = False
        object.__setattr__(self, "widths_mm", widths)

    @property
    def last_year(self) -> int:
        """Astronomical year of the outermost ring."""
        return self.first_year + int(self.widths_mm.size) - 1

    @property
    def years(self) -> NDArray[np.int64]:
        """Astronomical year of every ring, innermost first."""
        return np.arange(self.first_year, self.last_year + 1)


# ------------------------------------------------------------------ the file and its table


@public
def read_ring_file(path: str | Path) -> list[RingSeries]:
    r"""Read the width series of one file; the format is told from the content.

    Parameters
    ----------
    path : str or Path
        A decadal text file or a file of the open XML tree-ring data standard.

    Returns
    -------
    list of RingSeries
        One for each core, in the order of the file.

    Raises
    ------
    InputError
        If the file cannot be read or breaks its format, every fault with its line.

    Examples
    --------
    >>> import tempfile
    >>> folder = tempfile.mkdtemp()
    >>> file = Path(folder) / "site.rwl"
    >>> _ = file.write_text("ABC01A  1998   120    85\nABC01A  2000   101   999\n")
    >>> read_ring_file(file)[0].widths_mm.tolist()
    [1.2, 0.85, 1.01]
    """
    file = require_path("read_ring_file", "path", path)
    try:
        raw = file.read_bytes()
    except OSError as error:
        need, do = "a readable file of ring widths", "Check the name and the folder."
        raise InputError(Fault(str(error.strerror or error), need, do, file.name)) from error
    if len(raw) > _MOST_BYTES:
        got, need = f"{len(raw) / 1e6:.0f} MB", f"at most {_MOST_BYTES / 1e6:.0f} MB of ring widths"
        raise InputError(Fault(got, need, "Split the file.", file.name))
    if _starts_as_xml(raw):
        return standard_series(raw, file.name)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")  # common practice: old archive files carry accents of one byte in their headers
    return decadal_series(text, file.name)


def _starts_as_xml(raw: bytes) -> bool:
    """Whether the first sign of a file is the bracket of XML, in one or two bytes."""
    start = raw[:1000]
    for mark in (codecs.BOM_UTF8, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        start = start.removeprefix(mark)
    return start.replace(b"\0", b"").lstrip().startswith(b"<")


def ring_table(series: Sequence[RingSeries], *, site_letters: int | None = None) -> pd.DataFrame:
    """Turn series into the rows of rings.csv.

    Parameters
    ----------
    series : sequence of RingSeries
        Series of one site.
    site_letters : int, optional
        Letters of the site at the head of names of decadal files, 0 to 7; 3 by default (common practice of the
        archive). The last letter is the core, what stands between is the tree.

    Returns
    -------
    pandas.DataFrame
        Columns tree, core, year, width_mm; 0 is a dated ring without width. Rings without a measurement
        (missing value) keep their row with an empty width.

    Raises
    ------
    InputError
        If a name cannot be split or two series get the same tree and core.

    Examples
    --------
    >>> import numpy as np
    >>> print(ring_table([RingSeries("ABC01A", 1999, np.array([0.8, 0.0]))]).to_csv(index=False).strip())
    tree,core,year,width_mm
    01,A,1999,0.8
    01,A,2000,0.0
    """
    import pandas as pd

    letters = _SITE_LETTERS if site_letters is None else site_letters
    faults, rows, seen = [], [], set()
    for one in series:
        tree, core = (one.tree, one.core) if one.tree else (one.name[letters:-1].strip(), one.name[-1:])
        if not tree or not core:
            need = f"at least {letters + 2} letters: site, tree and core"
            faults.append(Fault(show(one.name), need, "Set site_letters or rename it.", "ring_table", one.line, "name"))
        elif (tree, core) in seen:
            need = "one series for each tree and core"
            faults.append(Fault(f"{tree} {core} again", need, "Rename one.", "ring_table", one.line, "name", one.name))
        seen.add((tree, core))
        rows.append(pd.DataFrame({"tree": tree, "core": core, "year": one.years, "width_mm": one.widths_mm}))
    if faults:
        raise InputError(faults)
    columns = ["tree", "core", "year", "width_mm"]
    return pd.concat(rows, ignore_index=True)[columns] if rows else pd.DataFrame(columns=columns)


# ------------------------------------------------------------------ decadal text


@dataclass
class _Run:
    """Values of one series as they come."""

    name: str
    line: int
    first_year: int
    next_year: int
    values: list[int] = field(default_factory=list)
    stop: int | None = None
    marks: list[int] = field(default_factory=list)  # lines that end a decade with 999 and go on


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
    lines = [(number, raw) for number, raw in enumerate(text.splitlines(), start=1) if raw.strip()]
    split = [_split_line(raw.rstrip()) for _, raw in lines]
    for (number, raw), parsed, after in zip(lines, split, [*split[1:], ""], strict=False):
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
        follows = not isinstance(after, str) and after[:2] == (name, year - year % 10 + 10)
        fault = _extend(current, year, values, file, number, follows=follows)
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
        return line[:cut].strip(), _whole(line[cut:12]), [_whole(value) for value in fields if value.strip()]
    except ValueError:
        pass
    words = line.split()  # common practice: files that were edited by hand keep the order but not the columns
    try:
        return words[0], _whole(words[1]), [_whole(word) for word in words[2:]]
    except (ValueError, IndexError):
        if line.count(",") > 1 or ";" in line:
            return "Write a table that a spreadsheet saved as rings.csv: tree, core, year, width_mm."
        return "Correct the line, or move it to the head of the file if it describes the site."


def _whole(text: str) -> int:
    """A whole number of at most six places, as a column holds it."""
    if not re.fullmatch(r"[-+]?[0-9]{1,6}", text.strip()):
        raise ValueError(text)
    return int(text)


def _extend(run: _Run, year: int, values: list[int], file: str, number: int, *, follows: bool) -> Fault | None:
    """Add the values of a line to the series, and say what is wrong with them.

    999 at the end of a full decade is a width of 0.999 mm where the next decade `follows`, and the end is -9999.
    """
    fault = None
    room = 10 - year % 10
    stop = len(values) - 1 if values and values[-1] in _STOP_UNIT_MM else None
    if stop is not None and follows and values[-1] == _HUNDREDTHS and len(values) == room:
        stop = None
        run.marks.append(number)
    kept = values if stop is None else values[:stop]
    if not run.name:
        fault = Fault("an empty name", "a name in columns 1 to 8", "Name the series.", file, number, "name")
    elif year != run.next_year:
        need = f"year {run.next_year}, which follows the line before"
        fault = Fault(show(year), need, "Correct the year, or end the series above.", file, number, "year", run.name)
    elif len(kept) > room or (stop is None and len(kept) < room):
        need = f"{room} value{'s' if room > 1 else ''} up to the end of the decade {year}"
        do = (
            "Add the stop marker or what is missing." if len(kept) < room else "Start the next line at the full decade."
        )
        fault = Fault(f"{len(kept)} values", need, do, file, number, "values", run.name)
    run.values += kept
    run.next_year = year + len(kept) if fault is None else year - year % 10 + 10
    if stop is not None:
        run.stop = values[stop]
    return fault


def _unended(run: _Run, file: str) -> Fault:
    got, do = "a series without an end", "Add the marker after the outermost ring."
    need = "the stop marker 999 (0.01 mm) or -9999 (0.001 mm), which also tells the unit"
    return Fault(got, need, do, file, run.line, "values", run.name)


def _twice(runs: list[_Run], file: str) -> list[Fault]:
    faults: list[Fault] = []
    first: dict[str, int] = {}
    for run in runs:
        if run.name in first:
            got = f"a second series of this name (the first is on line {first[run.name]})"
            need, do = "one series for each name", "Rename one of them."
            faults.append(Fault(got, need, do, file, run.line, "name", run.name))
        first.setdefault(run.name, run.line)
    return faults


def _series(run: _Run, file: str, faults: list[Fault]) -> RingSeries:
    """Ring widths [mm] of one block of values of a series, with what is wrong with it added to the faults."""
    unit = _STOP_UNIT_MM[run.stop or _HUNDREDTHS]
    values = np.array(run.values, dtype=np.float64)
    widths = np.asarray(np.round(np.where(values < 0, np.nan, values * unit), 3), dtype=np.float64)
    if run.marks and run.stop == _HUNDREDTHS:
        need, do = "the stop marker 999 once, after the outermost ring", "Remove it, or give what follows another name."
        faults.append(Fault("999 before the end", need, do, file, run.marks[0], "values", run.name))
    if widths.size == 0:
        faults.append(Fault("no ring", "at least one ring", "Remove the series.", file, run.line, "values", run.name))
    elif np.nanmax(widths, initial=0.0) > _WIDEST_MM:
        got = f"a ring of {np.nanmax(widths):g} mm"
        need = f"widths up to {_WIDEST_MM:g} [mm]"
        faults.append(Fault(got, need, "Check the stop marker: it sets the unit.", file, run.line, "values", run.name))
    return RingSeries(run.name, run.first_year, widths, line=run.line)


# ------------------------------------------------------------------ XML


@dataclass
class _Values:
    """One block of values of a series."""

    line: int
    count: str = ""
    variable: str = ""
    unit: str = ""
    items: list[tuple[int, str]] = field(default_factory=list)


@dataclass
class _Series:
    """One measured series as it comes."""

    line: int
    titles: dict[str, str]
    first_year: str = ""
    suffix: str = "AD"
    blocks: list[_Values] = field(default_factory=list)


class _Reader:
    """Collects series with the line on which everything stands."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.path: list[str] = []
        self.titles: dict[str, str] = {}
        self.text: list[str] = []
        self.series: list[_Series] = []

    def read(self, data: bytes, encoding: str | None) -> None:
        """Go through a whole document; `encoding` overrides what it declares."""
        parser = expat.ParserCreate(encoding)
        parser.buffer_text = True
        parser.StartElementHandler = lambda name, attrs: self.start(name, attrs, parser.CurrentLineNumber)
        parser.EndElementHandler = self.end
        parser.CharacterDataHandler = self.text.append
        parser.StartDoctypeDeclHandler = lambda *_words: self.refuse_types(parser.CurrentLineNumber)
        try:
            parser.Parse(data, True)
        except expat.ExpatError as error:
            got, need, do = expat.ErrorString(error.code), "well-formed XML", "Export the file again."
            if error.code == expat.errors.codes[expat.errors.XML_ERROR_UNKNOWN_ENCODING]:
                got, need, do = "an unknown encoding", "UTF-8, or another encoding of XML", "Save it as UTF-8."
            raise InputError(Fault(got, need, do, self.file, error.lineno, "line")) from error
        except InputError:
            raise
        except (LookupError, ValueError) as error:  # how Python says that an encoding has no table of single bytes
            got, need = f"an encoding that does not read ({show(str(error))})", "UTF-8, or another encoding of XML"
            raise InputError(Fault(got, need, "Save it as UTF-8.", self.file, 1, "line")) from error

    def refuse_types(self, line: int) -> None:
        """A document type may hold entities that grow without end."""
        raise InputError(Fault("a document type", "plain elements", "Remove the declaration.", self.file, line, "line"))

    def start(self, name: str, attributes: dict[str, str], line: int) -> None:
        """Begin an element."""
        tag = name.rpartition(":")[2]
        self.path.append(tag)
        self.text.clear()
        if len(self.path) > _DEEPEST:
            got, need = f"{len(self.path)} elements inside each other", f"at most {_DEEPEST}"
            raise InputError(Fault(got, need, "Export the file again.", self.file, line, "line"))
        if tag in _HOLDERS:
            for holder in _HOLDERS[_HOLDERS.index(tag) :] + (("taxon",) if tag in _HOLDERS[:2] else ()):
                self.titles.pop(holder, None)
        if tag == "measurementSeries":
            self.series.append(_Series(line, self.titles))
        elif self.series and "measurementSeries" in self.path:
            self._inside(tag, {key.rpartition(":")[2]: value for key, value in attributes.items()}, line)

    def _inside(self, tag: str, attrs: dict[str, str], line: int) -> None:
        series = self.series[-1]
        if tag == "values":
            series.blocks.append(_Values(line, count=attrs.get("count", "")))
        elif tag == "firstYear":
            series.suffix = attrs.get("suffix", "AD")
        elif series.blocks and "values" in self.path:
            block = series.blocks[-1]
            if tag == "variable":
                block.variable = attrs.get("normalTridas", attrs.get("normalStd", attrs.get("normal", "")))
            elif tag == "unit":
                block.unit = attrs.get("normalTridas", attrs.get("normal", ""))
            elif tag == "value":
                block.items.append((line, attrs.get("value", "")))

    def end(self, _name: str) -> None:
        """End an element."""
        tag = self.path.pop()
        text = "".join(self.text).strip()
        parent = self.path[-1] if self.path else ""
        if tag == "title" and parent in _HOLDERS:
            self.titles[parent] = text
            if parent == "measurementSeries":
                self.series[-1].titles = dict(self.titles)
        elif tag == "taxon" and parent == "element":
            self.titles[tag] = text
        elif tag == "firstYear" and self.series:
            self.series[-1].first_year = text
        elif tag in ("variable", "unit") and self.series and self.series[-1].blocks and text:
            block = self.series[-1].blocks[-1]
            setattr(block, tag, getattr(block, tag) or text)
        self.text.clear()


def standard_series(text: str | bytes, file: str = "XML text") -> list[RingSeries]:
    """Read the ring widths of a file of the open XML tree-ring data standard.

    Parameters
    ----------
    text : str or bytes
        Content of the file. Bytes are read in the encoding that the document declares, UTF-8 where it declares none;
        of a text the declaration says nothing any more.
    file : str
        Its name, for messages.

    Returns
    -------
    list of RingSeries
        Every measured series of ring width; other variables are left out. The tree is the title of the element, the
        core that of the radius, the sample or the series.

    Raises
    ------
    InputError
        If the XML is broken, its encoding unknown, it declares a document type, or a series lacks unit, year or
        numbers, with the line.

    Notes
    -----
    Years with the suffix BC are turned into astronomical years (1 BC is 0; there is no year 0 BC or AD), BP counts back
    from 1950; relative years are kept and marked as not dated. A number of values that is stated (`count`) must be
    the number there.

    References
    ----------
    .. [1] Jansma, E., Brewer, P.W., Zandhuis, I. (2010). TRiDaS 1.1: the tree-ring data standard.
       Dendrochronologia 28(2), 99-130. doi:10.1016/j.dendro.2009.06.009

    Examples
    --------
    >>> text = '''<tridas><object><element><title>7</title><sample><radius><title>A</title><measurementSeries>
    ... <title>7A</title><interpretation><firstYear suffix="AD">1999</firstYear></interpretation><values>
    ... <variable normalTridas="ring width"/><unit normalTridas="1/100th millimetres"/>
    ... <value value="80"/><value value="0"/></values></measurementSeries>
    ... </radius></sample></element></object></tridas>'''
    >>> one = standard_series(text)[0]
    >>> one.tree, one.core, one.first_year, one.widths_mm.tolist()
    ('7', 'A', 1999, [0.8, 0.0])
    """
    reader = _Reader(file)
    if isinstance(text, str):
        reader.read(text.encode("utf-8", errors="replace"), "utf-8")
    else:
        reader.read(bytes(text), None)
    faults: list[Fault] = []
    series = [_convert(one, block, file, faults) for one in reader.series for block in one.blocks if _is_width(block)]
    if not series and not faults:
        need = "at least one series of ring width"
        faults.append(Fault("none", need, "Export measured series, not derived ones.", file))
    if faults:
        raise InputError(sorted(faults, key=lambda fault: fault.row))
    return series


def _is_width(block: _Values) -> bool:
    return block.variable.strip().lower() in _WIDTH_NAMES


def _convert(one: _Series, block: _Values, file: str, faults: list[Fault]) -> RingSeries:
    """Ring widths [mm] of one block of values of a series, with what is wrong with it added to the faults."""
    name = one.titles.get("measurementSeries", "")
    written = block.unit.strip().lower()
    unit = _UNIT_MM.get("micrometres" if written == "1/1000th millimetres" else written)  # files in use write that
    if unit is None:
        need = "a unit of the standard: " + ", ".join(_UNIT_MM)
        faults.append(Fault(show(block.unit), need, "Name the unit.", file, block.line, "unit", name))
    year = _first_year(one, name, file, faults)
    widths = np.zeros(len(block.items))
    for at, (line, value) in enumerate(block.items):
        text = value.strip()
        widths[at] = np.nan if text == "" else (float(text) * (unit or 0.0) if _NUMBER.fullmatch(text) else -1.0)
        if widths[at] < 0 or widths[at] > _WIDEST_MM:
            need, do = "a width of at least 0, or empty if not measured", "Correct it."
            if widths[at] > 0:
                need, do = f"widths up to {_WIDEST_MM:g} [mm]", "Correct it, or the unit."
            faults.append(Fault(show(value), need, do, file, line, "value", name))
            widths[at] = np.nan
    if block.count and block.count.strip() != str(len(block.items)):
        need = f"{len(block.items)}, as many as there are values"
        faults.append(Fault(show(block.count), need, "Export it again.", file, block.line, "count", name))
    if not block.items:
        faults.append(Fault("no value", "at least one ring", "Remove the series.", file, block.line, "value", name))
    core = one.titles.get("radius") or one.titles.get("sample") or name
    return RingSeries(
        name=name,
        first_year=year,
        widths_mm=np.round(widths, 4),
        tree=one.titles.get("element", ""),
        core=core,
        line=one.line,
        dated=one.suffix.strip().lower() != "relative",
        species=one.titles.get("taxon", ""),
    )


def _first_year(one: _Series, name: str, file: str, faults: list[Fault]) -> int:
    need, do = "the year of the innermost ring (firstYear)", "Date the series or give it a relative year."
    suffix = one.suffix.strip().upper()
    good = re.fullmatch(r"[-+]?[0-9]{1,5}", one.first_year)
    if good and int(one.first_year) == 0 and suffix in ("AD", "BC"):
        good, need, do = None, "1 BC or 1 AD: between them there is no year 0", "Correct the year or its suffix."
    elif good and suffix not in ("AD", "BC", "BP", "RELATIVE"):
        good, need, do = None, "one of AD, BC, BP, relative after it", "Correct the suffix."
    if not good:
        got = one.first_year if one.suffix == "AD" else f"{one.first_year} {one.suffix}".strip()
        faults.append(Fault(show(got), need, do, file, one.line, "firstYear", name))
        return 0
    year = int(one.first_year)
    if suffix == "BC":
        return 1 - year
    return 1950 - year if suffix == "BP" else year
