"""Tests of the stand tables of a report: which rows, how numbers are written, and that every column is explained."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import treeage
from treeage.report import figures
from treeage.report.tables import ENDS, column_lines, shown_rows, shown_tables
from treeage.report.write import stand_tables
from treeage.results import Ages
from treeage.stand import StandHistory

DEMO = Path(__file__).parents[1] / "data" / "highpasture"


@pytest.fixture(scope="module")
def ages() -> Ages:
    """Ages of the demo field."""
    return treeage.estimate_ages(treeage.read_field(DEMO))


@pytest.fixture(scope="module")
def history(ages: Ages) -> StandHistory:
    """History of the demo field."""
    return treeage.stand_history(ages, count=400)


def test_every_column_of_every_stand_table_is_explained(history: StandHistory) -> None:
    """No column of a stand table is left without a line, and no line is about a column that does not exist."""
    tables = stand_tables(history)
    tables["stand_uncored_trees"] = history.diameter.predict([30.0]).assign(tree="A")  # the demo has dates for all
    assert len(tables) == 10
    for name, table in tables.items():
        told = []
        for line in column_lines(name, list(table.columns)):
            first, *more = line["names"].split(", ")
            stem = first.rsplit(" ", 1)[0] if first.rsplit(" ", 1)[-1] in ENDS else first
            told += [first, *(f"{stem} {end}" for end in more)]
        columns = {re.sub(r"(within|pulse)_\d+", r"\1_N", column).replace("_", " ") for column in table.columns}
        assert set(told) == columns, name
    assert column_lines("ring_events", ["tree"]) == []


def test_recruitment_is_shown_over_the_years_of_the_figure(history: StandHistory) -> None:
    """At most 40 rows from the first year that can be seen to the last, not centuries of nothing."""
    table = stand_tables(history)["stand_recruitment"]
    shown, which = shown_rows("stand_recruitment", table)
    assert table["establishment_hi"].iloc[0] < 1e-2 and shown["establishment_hi"].iloc[0] > 0.2  # trees per ha and year
    assert 20 <= len(shown) <= 40 and shown["year_first"].iloc[-1] > 1975  # the last trees of the demo are of the 1970s
    assert "naive" not in shown.columns  # counts of the rows between would be lost
    assert re.fullmatch(rf"One in \d rows of the years of the figure; all {len(table)} rows", which)


def test_numbers_stand_right_and_nothing_is_written_as_nothing() -> None:
    """Numbers are aligned right, words left; 1e-23 is 0 on the page, -0.00005 too, and 0.0002 stays."""

    class Bare:
        extras = {  # noqa: RUF012
            "stand_origin": pd.DataFrame(
                {
                    "quantity": ["origin", "b", "c"],
                    "bias_median": [1e-23, -5e-5, 2e-4],
                    "x_lo": [1] * 3,
                    "prob": [0.9] * 3,
                }
            )
        }

    (part,) = shown_tables(Bare()).values()  # type: ignore[arg-type]
    assert part.columns == (("quantity", True), ("bias median", False), ("x lo", False))
    assert [row[1] for row in part.rows] == ["0", "0", "0.0002"]
    assert "In brackets: 90 % intervals." in part.caption  # not in a column of its own


def test_a_share_a_year_is_no_year_and_flags_are_words() -> None:
    """A column of known unit is written in that unit, whatever its name: 0.991 a year is not the year 1."""

    class Bare:
        extras = {  # noqa: RUF012
            "stand_static_models": pd.DataFrame({"survival_per_year": [0.991], "year": [1850.0]}),
            "predictive_checks": pd.DataFrame({"failed": [True, False]}),
        }

    models, checks = (shown_tables(Bare())[name] for name in Bare.extras)  # type: ignore[arg-type]
    assert models.rows == (("0.99", "1850"),)
    assert checks.rows == (("yes",), ("no",))


def test_page_explains_the_stand_tables(
    ages: Ages, history: StandHistory, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Names and units under the tables; the bias of 0 is called an assumption; the file keeps full numbers."""
    monkeypatch.setattr(figures, "render", lambda _draw, _size, _formats: {"svg": b"<svg/>"})  # not about figures
    treeage.write_outputs(ages, tmp_path / "out", draws=10, history=history)
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert page.count("<summary>Names and units</summary>") == len(stand_tables(history))
    assert "0 for the origin is the assumption, not a finding" in page
    part = page[page.index("Oldest tree and origin of the stand") :]
    assert re.search(r'<td class="text">origin</td><td>\d{4} \(\d{4} to \d{4}\)</td>', part)
    stand = page[page.index("<h2>The dates and the stand") : page.index("<h2>Methods")]
    assert not re.search(r">\d[.\d]*e-\d", stand)
    story = ["Where the uncertainty comes from", "Age structure", "Establishment by year", "Pulses"]
    story += ["After known events", "Oldest tree and origin", "Age from diameter"]
    places = [stand.index(f"<h3>{title}</h3>") for title in story]
    assert places == sorted(places)
    numbers = [int(number) for number in re.findall(r"<b>Table (\d+)\.", page)]
    assert numbers == list(range(1, len(numbers) + 1))
    assert not re.search("blur", page)
    kept = pd.read_csv(tmp_path / "out" / "stand_recruitment.csv")["establishment_median"]
    assert np.any(kept != kept.round(6))
