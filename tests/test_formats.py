"""Ring widths from decadal text and from the XML standard."""

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treeage.errors import InputError
from treeage.formats import RingSeries, decadal_series, read_ring_file, ring_table, standard_series

HUNDREDTHS = """\
abc    1 Invented Ridge                                      PISP
abc    2 Nowhere      pine      1200M   4500  10000          1990 2003
abc    3 A. Nobody
abc01a  1994   120    85     0   101    77    93
abc01a  2000    88    64   102    71   999
abc01b  1998   200   210
abc01b  2000   -12   190   999
"""
XML = """<?xml version="1.0"?>
<t:tridas xmlns:t="http://www.tridas.org/1.2.2"><t:project><t:object><t:element><t:title>7</t:title><t:sample>
<t:radius><t:title>A</t:title><t:measurementSeries><t:title>7A</t:title>
<t:interpretation><t:firstYear suffix="{suffix}">{year}</t:firstYear></t:interpretation>
<t:values><t:variable normalTridas="ring width"/><t:unit normalTridas="{unit}"/>
<t:value value="80"/><t:value value="{value}"/></t:values>
</t:measurementSeries></t:radius></t:sample></t:element></t:object></t:project></t:tridas>
"""


def xml(suffix="AD", year="1999", unit="1/100th millimetres", value="0"):
    """An XML file with one series of two rings."""
    return XML.format(suffix=suffix, year=year, unit=unit, value=value)


def written(widths, first_year, stop):
    """Decadal text of one series of whole units."""
    lines, at, year = [], 0, first_year
    values = [*widths, stop]
    while at < len(values):
        room = 10 - year % 10
        take = values[at : at + room]
        if len(values) - at == room + 1:
            take = values[at : at + room + 1]  # the stop marker may stand eleventh
        lines.append(f"xyz01a  {year:4d}" + "".join(f"{value:6d}" for value in take))
        at, year = at + len(take), year + room
    return "\n".join(lines)


def test_decadal_text_in_hundredths():
    """Header left out, stop marker tells the unit, zero is a ring, a negative value is not measured."""
    first, second = decadal_series(HUNDREDTHS)
    assert first.name == "abc01a"
    assert (first.first_year, first.last_year) == (1994, 2003)
    assert first.widths_mm.tolist() == [1.2, 0.85, 0.0, 1.01, 0.77, 0.93, 0.88, 0.64, 1.02, 0.71]  # by hand
    assert np.isnan(second.widths_mm[2])
    assert second.line == 6


def test_series_cannot_be_changed():
    """The widths are a copy of the array passed in, and read only."""
    mine = np.ones(3)
    one = RingSeries("abc1a", 2000, mine)
    mine[0] = 9
    assert one.widths_mm.tolist() == [1, 1, 1]
    with pytest.raises(ValueError, match="read-only"):
        one.widths_mm[0] = 9


def test_decadal_text_in_thousandths():
    """-9999 ends a series in 0.001 mm, in which 999 is a width."""
    assert decadal_series("abc01a  1998   999  1200 -9999")[0].widths_mm.tolist() == [0.999, 1.2]  # by hand
    two_decades = "abc01a  1998  1200   999\nabc01a  2000   800 -9999"
    assert decadal_series(two_decades)[0].widths_mm.tolist() == [1.2, 0.999, 0.8]  # 999 where the decade ends


@settings(max_examples=40, deadline=None)
@given(
    widths=st.lists(st.integers(0, 998) | st.just(999), min_size=1, max_size=45),
    first_year=st.integers(-800, 1990),
    stop=st.sampled_from([999, -9999]),
)
def test_what_was_written_is_read(widths, first_year, stop):
    """Any series comes back with its years and widths, before the common era too."""
    widths = [min(width, 998) if stop == 999 else width for width in widths]  # 9.99 mm cannot be written so
    one = decadal_series(written(widths, first_year, stop))[0]
    assert one.first_year == first_year
    assert np.allclose(one.widths_mm, np.array(widths) * (0.01 if stop == 999 else 0.001))


@pytest.mark.parametrize(
    ("text", "row", "message"),
    [
        ("abc01a  1998   120    85", 1, "got a series without an end, need the stop marker 999"),
        (
            "abc01a  1998   120   999\nabc01a  2000   100   999",
            1,
            "got 999 before the end, need the stop marker 999 once",
        ),
        ("abc01a  1997   120   999\nabc01a  2000   100   999", 2, "got a second series of this name"),
        ("abc01b  1998   1_0   999", 0, "got no line of data"),
        ("abc01a  1990" + "   100" * 10 + "\nabc01a  2010   100   999", 2, "got 2010, need year 2000"),
        ("abc01a  1999   800   100   999", 1, "got 2 values, need 1 value up to the end of the decade 1999"),
        ("abc01a  1998   1x0   999\nabc01b  1998   100   999", 1, ""),
        ("abc01b  1998   100   999\nabc01a  1998   1x0   999", 2, "need a name in columns 1 to 8"),
        ("abc01b  1998   100   999\nabc01a\t1998\t100\t999", 2, "Replace the tabs by spaces"),
        (
            "abc01a  1998   100   999\n1999,1.2,0.8",
            2,
            "Write a table that a spreadsheet saved as rings.csv: tree, core",
        ),
        ("abc01a  1998 20000   999", 1, "got a ring of 200 mm, need widths up to 100"),
        ("", 0, "got no line of data"),
    ],
)
def test_bad_decadal_text_is_refused_by_line(text, row, message):
    """Every fault names its line, what stands there and what is needed."""
    if not message:
        assert len(decadal_series(text)) == 1  # a line of text at the head is taken for a description of the site
        return
    with pytest.raises(InputError, match=message) as caught:
        decadal_series(text, "site.rwl")
    assert row in caught.value.faults["row"].tolist()


def test_all_faults_of_a_file_are_told_at_once():
    """Two bad series give two faults."""
    text = "abc01a  1998   120    85\nabc01b  1999   100   100   999"
    with pytest.raises(InputError, match="2 faults in site.rwl") as caught:
        decadal_series(text, "site.rwl")
    assert caught.value.faults["row"].tolist() == [1, 2]


@pytest.mark.parametrize(
    ("unit", "expected"),
    [("1/100th millimetres", 0.8), ("micrometres", 0.08), ("millimetres", 80.0), ("1/10th millimetres", 8.0)],
)
def test_xml_units(unit, expected):
    """Every unit of the standard becomes millimetres."""
    one = standard_series(xml(unit=unit))[0]
    assert one.widths_mm.tolist() == [pytest.approx(expected), 0.0]  # by hand
    assert (one.tree, one.core, one.name) == ("7", "A", "7A")


def test_an_unknown_unit_is_the_only_fault():
    """Of widths without a unit nobody can say that they are too wide."""
    with pytest.raises(InputError, match="Name the unit") as caught:
        standard_series(xml(unit="1/100th mm", value="250"))
    assert len(caught.value.faults) == 1


@pytest.mark.parametrize(("suffix", "year", "first"), [("AD", "1999", 1999), ("BC", "1", 0), ("BP", "50", 1900)])
def test_xml_years_are_astronomical(suffix, year, first):
    """1 BC is year 0; years before present count from 1950."""
    assert standard_series(xml(suffix=suffix, year=year))[0].first_year == first  # convention


def test_xml_empty_value_and_relative_years():
    """An empty value is not measured; relative years are marked."""
    one = standard_series(xml(suffix="relative", value=""))[0]
    assert np.isnan(one.widths_mm[1])
    assert not one.dated


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (xml(unit="furlongs"), "row 5, 7A, column unit: got furlongs, need a unit of the standard"),
        (xml(value="-3"), "row 6, 7A, column value: got -3, need a width of at least 0"),
        (xml(value="wide"), "got wide, need a width of at least 0"),
        (xml(year=""), "got an empty cell, need the year of the innermost ring"),
        ("<tridas><object>", "need well-formed XML"),
        (xml(value="1_0"), "got 1_0, need a width of at least 0"),
        (xml(value="nan"), "got nan, need a width of at least 0"),
        (xml(value="1e9"), "got 1e9, need widths up to 100"),
        (xml(suffix="BC", year="0"), "got 0 BC, need 1 BC or 1 AD: between them there is no year 0"),
        (xml(year="0"), "got 0, need 1 BC or 1 AD"),
        (xml(year="1_9"), "got 1_9, need the year of the innermost ring"),
        (xml(year="9" * 5000), "need the year of the innermost ring"),
        (xml(suffix="bce"), "got 1999 bce, need one of AD, BC, BP, relative after it"),
        (
            xml().replace("<t:values>", '<t:values count="3">'),
            "column count: got 3, need 2, as many as there are",
        ),
        ("<a>" * 200 + "</a>" * 200, "got 101 elements inside each other, need at most 100"),
        ("<!DOCTYPE x><tridas/>", "row 1, column line: got a document type, need plain elements"),
        ("<tridas/>", "got none, need at least one series of ring width"),
    ],
)
def test_bad_xml_is_refused_by_line(text, message):
    """Every fault names its line, what stands there and what is needed."""
    with pytest.raises(InputError, match=message):
        standard_series(text, "site.xml")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "iso-8859-1", "windows-1252"])
def test_xml_is_read_in_the_encoding_it_declares(tmp_path, encoding):
    """Names keep their accents; a text has lost its encoding, and its declaration says nothing."""
    declared = encoding.removesuffix("-sig")
    text = xml().replace("<t:title>7<", "<t:title>Lärche 7<").replace('"1.0"', f'"1.0" encoding="{declared}"')
    (tmp_path / "site.xml").write_bytes(text.encode(encoding))
    assert read_ring_file(tmp_path / "site.xml")[0].tree == "Lärche 7"
    assert standard_series(text)[0].tree == "Lärche 7"


@pytest.mark.parametrize("encoding", ["martian-8", "utf-7", "shift_jis", "idna"])
def test_encodings_that_xml_does_not_know_are_faults(tmp_path, encoding):
    """And never a text of wrong letters."""
    (tmp_path / "site.xml").write_bytes(xml().replace('"1.0"', f'"1.0" encoding="{encoding}"').encode())
    with pytest.raises(InputError, match=r"site.xml, row 1, column line: got an .*encoding.*Save it as UTF-8"):
        read_ring_file(tmp_path / "site.xml")


def test_the_time_of_xml_grows_with_its_size():
    """Blanks between elements in many pieces, long texts, many values: tenfold the size, not a hundredfold the time."""

    def seconds(size):
        text = xml().replace("</t:values>", '<t:value value="80"/>&#32;\n' * size + "&#32;" * size + "</t:values>")
        start = time.perf_counter()
        assert standard_series(text)[0].widths_mm.size == 2 + size
        return time.perf_counter() - start

    small = min(seconds(3_000) for _ in range(3))
    assert seconds(30_000) < 30 * small  # linear is 10; adding texts up in a loop was far beyond


def test_files_are_told_apart_by_content(tmp_path):
    """One reader for both formats; a missing file is a fault."""
    (tmp_path / "one.txt").write_text(HUNDREDTHS, encoding="latin-1")
    (tmp_path / "two.txt").write_text(xml(), encoding="utf-8")
    assert len(read_ring_file(tmp_path / "one.txt")) == 2
    assert read_ring_file(tmp_path / "two.txt")[0].tree == "7"
    with pytest.raises(InputError, match=r"three.txt: got .*No such file.*need a readable file"):
        read_ring_file(tmp_path / "three.txt")


def test_series_become_rows_of_the_ring_table():
    """Names are split into site, tree and core."""
    table = ring_table(decadal_series(HUNDREDTHS))
    assert table.groupby(["tree", "core"]).size().to_dict() == {("01", "a"): 10, ("01", "b"): 4}  # by hand
    assert table["width_mm"].isna().sum() == 1
    assert ring_table(standard_series(xml()))["tree"].tolist() == ["7", "7"]
    assert ring_table([]).empty


def test_names_that_cannot_be_split_are_refused():
    """Too short, or twice the same tree and core."""
    with pytest.raises(InputError, match="got ab, need at least 5 letters"):
        ring_table([RingSeries("ab", 2000, np.ones(3))])
    with pytest.raises(InputError, match="got 1 a again, need one series for each tree and core"):
        ring_table([RingSeries("abc1a", 2000, np.ones(3)), RingSeries("xyz1a", 2000, np.ones(3))])
