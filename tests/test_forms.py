"""Empty folders, the workbook to fill in, settings asked step by step, drafts from ring files, field cards."""

from __future__ import annotations

import io
import re
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from field_cases import TODAY, good_tables, write

from treeage.errors import InputError
from treeage.forms import ask_settings, draft_ring_tables, field_card, start_folder
from treeage.schema import HEIGHT_MODEL_KEYS, INPUT_TABLES, columns
from treeage.tables import Settings, read_field

RINGS = "ABC01A  1998   120    85\nABC01A  2000   101   999\nABC01B  1999    95\nABC01B  2000    90   999\n"


def answers(*lines: str):
    """A way to ask that gives these answers and keeps the questions."""
    left, asked = list(lines), []

    def ask(question: str) -> str:
        asked.append(question)
        return left.pop(0)

    ask.asked = asked
    return ask


# ------------------------------------------------------------------ start


def test_an_empty_folder_has_every_head(tmp_path: Path) -> None:
    """All tables with all columns in order, settings and workbook; what is missing is rows, and the reader says so."""
    files = start_folder(tmp_path / "field")
    assert {path.name for path in files} == {*(f"{name}.csv" for name in INPUT_TABLES), "field.toml", "field.xlsx"}
    for name in INPUT_TABLES:
        assert (tmp_path / "field" / f"{name}.csv").read_text() == ",".join(c.name for c in columns(name)) + "\n"
    with pytest.raises(InputError, match="2 faults in cores.csv, trees.csv") as caught:
        read_field(tmp_path / "field")
    assert set(caught.value.faults["got"]) == {"a header without rows"}
    with pytest.raises(
        InputError, match="treeage start, FOLDER: got .*, which holds files, need a new or empty folder"
    ):
        start_folder(tmp_path / "field")


def test_a_started_folder_is_filled_and_read(tmp_path: Path) -> None:
    """Tables written over the heads read without a fault, with the hemisphere still asked for."""
    start_folder(tmp_path)
    write(tmp_path, good_tables(), toml=None)
    field = read_field(tmp_path, today=TODAY)
    assert len(field.trees) == 2
    assert field.notes["column"].tolist() == ["site.hemisphere"]


def test_heads_of_the_workbook_say_unit_and_meaning(tmp_path: Path) -> None:
    """A sheet a table: meaning, unit and name of each column; lists of the words and limits of the numbers."""
    start_folder(tmp_path)
    book = openpyxl.load_workbook(tmp_path / "field.xlsx")
    assert book.sheetnames == [*INPUT_TABLES, "field"]
    for name in INPUT_TABLES:
        sheet = book[name]
        limits = {str(rule.sqref).split(":")[0]: rule for rule in sheet.data_validations.dataValidation}
        for place, column in enumerate(columns(name), start=1):
            assert [sheet.cell(row, place).value for row in (1, 3)] == [column.meaning, column.name]
            assert (f"[{column.unit}]" in sheet.cell(2, place).value) == bool(column.unit)
            rule = limits.get(sheet.cell(4, place).coordinate)
            if column.choices:
                assert rule.formula1 == f'"{",".join(column.choices)}"'
            elif column.range:
                low, high = float(rule.formula1), float(rule.formula2)
                assert column.range.holds([low, high]).all()
                assert (low - column.range.low, column.range.high - high) == pytest.approx((0, 0), abs=1)
                assert rule.type == ("whole" if column.kind == "integer" else "decimal")


def test_settings_asked_step_by_step(tmp_path: Path) -> None:
    """Answers reach field.toml and the workbook alike; a wrong one is asked again."""
    ask = answers("High pasture", "West", "south", "Larix decidua", "Picea abies", "Abies alba", "Pinus cembra", "",
                  "1", "mean_sd", "1", "many", "5", "mean_sd", "1.0", "14", "5", "",
                  "quantiles", "1.0", "0.1 0.5 0.9", "4; 8; 17", "90", "0.9")  # fmt: skip
    settings = ask_settings(ask)
    assert (settings.name, settings.hemisphere) == ("High pasture", "south")
    assert {name: model["model"] for name, model in settings.height.items()} == {
        "Larix decidua": "seedlings", "Picea abies": "mean_sd", "Pinus cembra": "quantiles",
    }  # fmt: skip
    assert settings.defaults == {"core_height_m": 0.9}
    assert ask.asked[-1].startswith("A number from 0 to 3 [m]")
    assert settings.height["Pinus cembra"]["years"] == (4.0, 8.0, 17.0)
    assert any("mean_years: got many, need a number above 0" in question for question in ask.asked)
    assert any(question.startswith("One of north, south") for question in ask.asked)
    start_folder(tmp_path / "a", settings)
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "field.xlsx").write_bytes((tmp_path / "a" / "field.xlsx").read_bytes())
    write(tmp_path / "a", good_tables(), toml=None)
    assert read_field_settings(tmp_path / "a") == settings
    book = openpyxl.load_workbook(tmp_path / "b" / "field.xlsx")
    for name in ("trees", "cores"):
        for line, row in enumerate(good_tables()[name].to_dict("records"), start=4):
            for place, column in enumerate(columns(name), start=1):
                value = row.get(column.name)
                book[name].cell(line, place, None if pd.isna(value) else value)
    book.save(tmp_path / "b" / "field.xlsx")
    assert read_field_settings(tmp_path / "b") == settings


def read_field_settings(folder: Path) -> Settings:
    """Settings of a folder whose seedlings are too few for its models: those that its faults do not touch."""
    with pytest.raises(InputError, match="need at least 5, 20 or more are better") as caught:
        read_field(folder, today=TODAY)
    assert len(caught.value.faults) == 1
    if not (folder / "trees.csv").exists():
        from treeage.errors import Findings
        from treeage.tables.settings import read_settings
        from treeage.tables.workbook import read_workbook

        book = read_workbook("field.xlsx", (folder / "field.xlsx").read_bytes(), Findings())
        return read_settings(None, Findings(), book.merged_settings)
    from treeage.errors import Findings
    from treeage.tables.settings import read_settings

    return read_settings((folder / "field.toml").read_bytes(), Findings())


def test_every_height_model_can_be_chosen_by_number() -> None:
    """The list that is shown has the models in the order of their numbers."""
    for number, word in enumerate(HEIGHT_MODEL_KEYS, start=1):
        if not HEIGHT_MODEL_KEYS[word][0]:
            assert (
                ask_settings(answers("", "", str(number), ""), ["Larix decidua"]).height["Larix decidua"]["model"]
                == word
            )


# ------------------------------------------------------------------ drafts from ring files


def test_drafts_from_ring_files(tmp_path: Path) -> None:
    """Counts, outer years and widths as in the file (by hand), names in trees; what it cannot say is empty."""
    (tmp_path / "site.rwl").write_text(RINGS)
    start_folder(tmp_path / "field")
    draft_ring_tables([tmp_path / "site.rwl"], tmp_path / "field")
    cores = pd.read_csv(tmp_path / "field" / "cores.csv", dtype=str, keep_default_na=False)
    assert cores[["tree", "core", "outer_year", "rings_counted", "dating", "core_height_m"]].to_numpy().tolist() == [
        ["01", "A", "2000", "3", "", ""], ["01", "B", "2000", "2", "", ""],
    ]  # fmt: skip
    rings = pd.read_csv(tmp_path / "field" / "rings.csv", dtype={"tree": str})
    assert rings[["ring", "year", "width_mm"]].to_numpy()[:3].tolist() == [
        [1, 1998, 1.2],
        [2, 1999, 0.85],
        [3, 2000, 1.01],
    ]
    with pytest.raises(InputError) as caught:  # the draft says itself what is missing, and nothing else
        read_field(tmp_path / "field")
    assert set(caught.value.faults["column"]) == {"species", "dating", "inner_end", "core_height_m"}
    cores[["dating", "inner_end", "core_height_m"]] = ["crossdated", "pith", "1.0"]
    cores.to_csv(tmp_path / "field" / "cores.csv", index=False)
    (tmp_path / "field" / "trees.csv").write_text("tree,species\n01,Larix decidua\n")
    assert read_field(tmp_path / "field").ring_widths()["01", "B"].tolist() == [0.95, 0.9]


def test_drafts_take_the_species_that_a_file_names(tmp_path: Path) -> None:
    """The taxon of an element of the XML standard is that of all its cores, and of no other element."""

    def element(tree: str, taxon: str, cores: str) -> str:
        parts = [
            f"<sample><title>{core}</title><radius><measurementSeries><title>{tree}{core}</title><interpretation>"
            '<firstYear suffix="AD">1999</firstYear></interpretation><values><variable normalTridas="ring width"/>'
            '<unit normalTridas="1/100th millimetres"/><value value="80"/><value value="90"/></values>'
            "</measurementSeries></radius></sample>"
            for core in cores
        ]
        return f"<element><title>{tree}</title>{taxon}{''.join(parts)}</element>"

    larch = element("7", "<taxon>Larix decidua</taxon>", "AB")
    text = f"<tridas><object>{larch}{element('8', '', 'A')}</object></tridas>"
    (tmp_path / "site.xml").write_text(text)
    (tmp_path / "site.rwl").write_text(RINGS)
    trees = draft_ring_tables([tmp_path / "site.rwl", tmp_path / "site.xml"], tmp_path / "field")["trees"]
    assert trees["tree"].tolist() == ["01", "7", "8"]
    assert trees["species"].fillna("").tolist() == ["", "Larix decidua", ""]


def test_drafts_never_replace_rows(tmp_path: Path) -> None:
    """A table that somebody filled in stays; all is refused before anything is written."""
    (tmp_path / "site.rwl").write_text(RINGS)
    write(tmp_path / "field" if (tmp_path / "field").mkdir() else tmp_path / "field", good_tables())
    before = (tmp_path / "field" / "cores.csv").read_bytes()
    with pytest.raises(
        InputError, match="treeage rings, --folder: got cores.csv, which holds rows, need a table without"
    ):
        draft_ring_tables([tmp_path / "site.rwl"], tmp_path / "field", dating="maybe")
    assert (tmp_path / "field" / "cores.csv").read_bytes() == before
    with pytest.raises(InputError, match="--dating: got maybe, need one of crossdated"):
        draft_ring_tables([tmp_path / "site.rwl"], tmp_path / "new", dating="maybe")
    assert not (tmp_path / "new").exists()


# ------------------------------------------------------------------ field cards


class Page(HTMLParser):
    """Counts elements and checks that they close."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open, self.count = [], {}
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list) -> None:
        self.count[tag] = self.count.get(tag, 0) + 1
        assert tag not in ("script", "link", "img"), "a card needs nothing from outside"
        if tag not in ("meta", "circle", "rect", "path"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list) -> None:
        assert tag in ("circle", "rect", "path")

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


@pytest.mark.parametrize("size", ["A5", "A4"])
def test_cards_hold_the_columns_of_the_folder(tmp_path: Path, size: str) -> None:
    """One card a tree, filled with what is known; only columns that the folder has; sketch, aim rules and cautions."""
    write(tmp_path, good_tables())
    text = field_card(tmp_path, size=size)
    page = Page(text)
    assert page.open == []
    assert page.count["section"] == page.count["svg"] == 2  # trees of the folder
    assert f"size: {size} portrait" in text
    labels = {re.sub(r"<[^>]*>", "", found).split(" [")[0] for found in re.findall(r"<tr><td>(.*?)</td>", text)}
    assert {"chord", "rise", "core height", "core length"} <= labels
    assert not {"tilt", "azimuth", "ray gap"} & labels  # no such columns in this folder
    for words in (
        ">A17<",
        ">Larix decidua<",
        "hollow side",
        "chord² / (8 × rise) + rise / 2",
        "Eye protection",
        "Permission",
    ):
        assert words in text
    assert set(re.findall(r"#[0-9a-fA-F]{3,6}\b", text)) <= {
        "#000",
        "#fff",
        "#999",
        "#777",
        "#444",
        "#ccc",
        "#ddd",
        "#f3f3f3",
    }


def test_number_of_cards(tmp_path: Path) -> None:
    """More than the folder has trees gives empty ones; an empty folder gives one."""
    start_folder(tmp_path / "empty")
    assert field_card(tmp_path / "empty").count("<section") == 1
    write(tmp_path, good_tables())
    assert field_card(tmp_path, trees=5).count("<section") == 5
    assert field_card(tmp_path / "empty" / "field.xlsx", trees=2).count("<section") == 2


def test_names_start_no_markup(tmp_path: Path) -> None:
    """What stands in a table stays text on the card."""
    tables = good_tables()
    for name in tables:
        if "tree" in tables[name]:
            tables[name]["tree"] = tables[name]["tree"].replace({"A17": "<b>7"})
    write(tmp_path, tables)
    assert "&lt;b&gt;7" in field_card(tmp_path)


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"size": "A3"}, "treeage card, --size: got A3, need A5 or A4"),
        ({"trees": 0}, "treeage card, --trees: got 0, need 1 to 1000"),
    ],
)
def test_cards_that_cannot_be(tmp_path: Path, options: dict, match: str) -> None:
    """Wrong options and folders are faults."""
    with pytest.raises(InputError, match=match):
        field_card(write(tmp_path, good_tables()), **options)
    with pytest.raises(InputError, match="got .*nowhere, which does not exist, need a field folder"):
        field_card(tmp_path / "nowhere")


def test_a_workbook_is_a_zip_of_its_own() -> None:
    """What `start` writes opens as a workbook from bytes, with nothing filled in but settings."""
    from treeage.forms import empty_workbook

    book = openpyxl.load_workbook(io.BytesIO(empty_workbook(Settings(hemisphere="south"))))
    filled = {row[2].value: row[3].value for row in book["field"].iter_rows(min_row=4) if row[3].value is not None}
    assert filled == {"hemisphere": "south"}
    assert book["trees"].max_row == 3
