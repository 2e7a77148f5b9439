"""Reads ring widths from the open XML tree-ring data standard.

Layer 1, part of the family of `formats`. Jansma, Brewer & Zandhuis 2010; names of version 1.2 from memory.
"""

from __future__ import annotations

import io
import xml.sax
import xml.sax.xmlreader
from dataclasses import dataclass, field
from xml.sax.handler import ContentHandler

import numpy as np

from treeage.errors import Fault, InputError, show
from treeage.formats_series import RingSeries

_UNIT_MM = {  # from memory: the standard's list of units
    "micrometres": 0.001,
    "1/1000th millimetres": 0.001,
    "1/100th millimetres": 0.01,
    "1/50th millimetres": 0.02,
    "1/20th millimetres": 0.05,
    "1/10th millimetres": 0.1,
    "millimetres": 1.0,
    "centimetres": 10.0,
    "metres": 1000.0,
}
_HOLDERS = ("object", "element", "sample", "radius", "measurementSeries")
_WIDTH_NAMES = ("ring width", "ringwidth", "ring-width")


@dataclass
class _Values:
    """One block of values of a series."""

    line: int
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


class _Reader(ContentHandler):
    """Collects series with the line on which everything stands."""

    def __init__(self) -> None:
        super().__init__()
        self.path: list[str] = []
        self.titles: dict[str, str] = {}
        self.text = ""
        self.series: list[_Series] = []
        self.place: xml.sax.xmlreader.Locator | None = None

    def setDocumentLocator(self, locator: xml.sax.xmlreader.Locator) -> None:  # noqa: N802
        self.place = locator

    def startElement(self, name: str, attrs: xml.sax.xmlreader.AttributesImpl) -> None:  # noqa: N802
        tag = name.rpartition(":")[2]
        self.path.append(tag)
        self.text = ""
        line = (self.place.getLineNumber() or 0) if self.place else 0
        if tag in _HOLDERS:
            for holder in _HOLDERS[_HOLDERS.index(tag) :]:
                self.titles.pop(holder, None)
        if tag == "measurementSeries":
            self.series.append(_Series(line, self.titles))
        elif self.series and "measurementSeries" in self.path:
            self._inside(tag, {key.rpartition(":")[2]: attrs.getValue(key) for key in attrs.getNames()}, line)

    def _inside(self, tag: str, attrs: dict[str, str], line: int) -> None:
        series = self.series[-1]
        if tag == "values":
            series.blocks.append(_Values(line))
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

    def characters(self, content: str) -> None:
        self.text += content

    def endElement(self, name: str) -> None:  # noqa: N802
        tag = self.path.pop()
        text = self.text.strip()
        parent = self.path[-1] if self.path else ""
        if tag == "title" and parent in _HOLDERS:
            self.titles[parent] = text
            if parent == "measurementSeries":
                self.series[-1].titles = dict(self.titles)
        elif tag == "firstYear" and self.series:
            self.series[-1].first_year = text
        elif tag in ("variable", "unit") and self.series and self.series[-1].blocks and text:
            block = self.series[-1].blocks[-1]
            setattr(block, tag, getattr(block, tag) or text)
        self.text = ""


def standard_series(text: str, file: str = "XML text") -> list[RingSeries]:
    """Read the ring widths of a file of the open XML tree-ring data standard.

    Parameters
    ----------
    text : str
        Content of the file.
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
        If the XML is broken, declares a document type, or a series lacks unit, year or numbers, with the line.

    Notes
    -----
    Years with the suffix BC are turned into astronomical years (1 BC is 0), BP counts back from 1950; relative
    years are kept and marked as not dated.

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
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        row = next(n for n, line in enumerate(text.splitlines(), 1) if "<!DOCTYPE" in line or "<!ENTITY" in line)
        raise InputError(Fault("a document type", "plain elements", "Remove the declaration.", file, row, "line"))
    reader = _Reader()
    try:
        xml.sax.parse(io.BytesIO(text.encode("utf-8")), reader)
    except xml.sax.SAXParseException as error:
        fault = Fault(
            error.getMessage(), "well-formed XML", "Export the file again.", file, error.getLineNumber() or 0, "line"
        )
        raise InputError(fault) from error
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
    name = one.titles.get("measurementSeries", "")
    unit = _UNIT_MM.get(block.unit.strip().lower())
    if unit is None:
        need = "a unit of the standard: " + ", ".join(_UNIT_MM)
        faults.append(Fault(show(block.unit), need, "Name the unit.", file, block.line, "unit", name))
    year = _first_year(one, name, file, faults)
    widths = np.zeros(len(block.items))
    for at, (line, value) in enumerate(block.items):
        try:
            widths[at] = np.nan if value.strip() == "" else float(value) * (unit or 1.0)
        except ValueError:
            widths[at] = -1.0
        if widths[at] < 0 or np.isinf(widths[at]):
            need = "a width of at least 0, or empty if not measured"
            faults.append(Fault(show(value), need, "Correct it.", file, line, "value", name))
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
    )


def _first_year(one: _Series, name: str, file: str, faults: list[Fault]) -> int:
    try:
        year = int(one.first_year)
    except ValueError:
        need = "the year of the innermost ring (firstYear)"
        faults.append(
            Fault(
                show(one.first_year),
                need,
                "Date the series or give it a relative year.",
                file,
                one.line,
                "firstYear",
                name,
            )
        )
        return 0
    suffix = one.suffix.strip().upper()
    if suffix == "BC":
        return 1 - year
    return 1950 - year if suffix == "BP" else year
