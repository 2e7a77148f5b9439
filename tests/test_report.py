"""Report, methods text and output folder: complete, safe against markup, the same bytes each time, whole or absent."""

import hashlib
import html
import json
import os
import re
import struct
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_up_ages import at_core_height, made_up_ages, made_up_tree, minimum_tree

from treeage import schema
from treeage.display import VERSION
from treeage.distance import DistanceSource
from treeage.errors import InputError
from treeage.plots import plot_dates
from treeage.report import figures as drawn
from treeage.report import page as pages
from treeage.report import recorded_files, texts
from treeage.report import write as report
from treeage.results import Flag

VOID = {"meta", "img", "br", "link", "input", "hr"}
AGES = made_up_ages(14)
FILES = {
    "ages.csv",
    "draws.parquet",
    "report.html",
    "methods.md",
    "references.bib",
    "run.json",
    "README.txt",
    "tables/ages.tex",
    "tables/tables.docx",
    *(f"figures/{name}.{ending}" for name in ("dates", "age_structure", "uncertainty_sources", "anatomy")
      for ending in ("png", "svg")),
}  # fmt: skip


class Page(HTMLParser):
    """Reads a page: tags in balance, text, attributes, table cells by row."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.attributes, self.tags, self.words, self.rows = [], [], [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, *pair) for pair in attrs]
        if tag not in VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
        if tag == "br":
            self.rows[-1][-1] += "|"

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)
        if {"td", "th"} & set(self.open):
            self.rows[-1][-1] += data

    @property
    def text(self):
        """All words, spaces made single."""
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """One output folder for the tests that only read it."""
    folder = tmp_path_factory.mktemp("outputs") / "out"
    report.write_outputs(AGES, folder, draws=50)
    return folder


@pytest.fixture(scope="module")
def page(written):
    """The written report."""
    return Page((written / "report.html").read_text(encoding="utf-8"))


@pytest.fixture
def quick(monkeypatch):
    """Leave out the drawing where a test is not about figures."""
    monkeypatch.setattr(drawn, "render", lambda _draw, _size, formats: dict.fromkeys((*formats, "svg"), b"<svg/>"))


def files_in(folder):
    """All files below a folder, as relative names with forward slashes."""
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


# ------------------------------------------------------------------ the folder


def test_everything_promised_is_written(written):
    """Five files and four figures twice, and nothing else."""
    assert files_in(written) == FILES
    assert not [path for path in written.parent.iterdir() if path.name != "out"]


def test_the_table_is_unrounded(written):
    """ages.csv reads back to the very numbers of the frame."""
    back = pd.read_csv(written / "ages.csv", keep_default_na=True)
    frame = AGES.to_frame()
    assert list(back.columns) == list(frame.columns)
    for name in ("establishment_year_median", "age_hi", "minimum_age"):
        assert back[name].dropna().astype(int).tolist() == frame[name].dropna().astype(int).tolist()
    for name in ("share_count", "share_distance", "core_conflict_p"):
        np.testing.assert_array_equal(back[name].to_numpy(), frame[name].to_numpy(dtype=float))


def test_the_draws_are_those_of_the_result(written):
    """One column a dated tree, one row a draw, seed of the estimate."""
    back = pd.read_parquet(written / "draws.parquet")
    drawn = AGES.draws(50, seed=7)
    assert list(back.columns) == AGES.trees
    np.testing.assert_array_equal(back.to_numpy(), drawn.to_numpy())


def test_the_record_says_how_it_was_made(written):
    """Versions, seed, settings, row sums and checksums of the outputs."""
    record = json.loads((written / "run.json").read_text(encoding="utf-8"))
    assert (record["treeage"], record["seed"], record["draws"], record["prob"]) == (VERSION, 7, 50, 0.9)
    assert record["settings"]["hemisphere"] == "north"
    assert record["rows"]["trees"] == {"estimated": 14, "minimum only": 2, "refused": 0, "used": 0, "rows": 16}
    assert record["reasons"][0]["reason"] == "no rings counted"
    assert set(record["outputs_sha256"]) == FILES - {"run.json"}
    assert set(record["packages"]) >= {"numpy", "scipy", "pandas"}


def test_same_ages_same_bytes(written, tmp_path):
    """A second run differs in the date of run.json only."""
    again = tmp_path / "again"
    report.write_outputs(AGES, again, draws=50)
    for name in FILES - {"run.json"}:
        assert (again / name).read_bytes() == (written / name).read_bytes(), name
    first, second = (json.loads((folder / "run.json").read_text(encoding="utf-8")) for folder in (written, again))
    assert first | {"date": ""} == second | {"date": ""}


def test_another_seed_gives_other_draws(written, tmp_path, quick):
    """Negative control of the test above."""
    report.write_outputs(AGES, tmp_path / "other", draws=50, seed=8)
    assert (tmp_path / "other" / "draws.parquet").read_bytes() != (written / "draws.parquet").read_bytes()


def test_no_time_or_random_id_in_the_figures(written):
    """Vector figures carry no date; pixel figures no time chunk."""
    for path in (written / "figures").glob("*.svg"):
        assert "<dc:date>" not in path.read_text(encoding="utf-8")
    for path in (written / "figures").glob("*.png"):
        assert b"tIME" not in path.read_bytes()
        width, _height = struct.unpack(">II", path.read_bytes()[16:24])
        assert width == pytest.approx(300 * 170 / 25.4, abs=1)  # 300 dots an inch on two columns of 170 mm


def test_a_failed_run_leaves_the_old_answers(tmp_path, monkeypatch, quick):
    """Nothing half-written: the target stays as it was and no part folder remains."""
    out = tmp_path / "out"
    out.mkdir()
    (out / "ages.csv").write_text("old")
    (out / "mine.txt").write_text("kept")
    monkeypatch.setattr(report, "methods_text", lambda *_args, **_named: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        report.write_outputs(AGES, out, draws=5)
    assert files_in(tmp_path) == {"out/ages.csv", "out/mine.txt"}
    assert (out / "ages.csv").read_text() == "old"


def test_a_full_disk_leaves_no_part_behind(tmp_path, monkeypatch, quick):
    """An error while writing cleans up."""

    def full(_path, _content):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OSError, match="No space left"):
        report.write_outputs(made_up_ages(2), tmp_path / "out", draws=5)
    assert list(tmp_path.iterdir()) == []


def test_other_files_in_the_folder_stay(tmp_path, quick):
    """Files of the same names are replaced, others are left alone."""
    out = tmp_path / "out"
    (out / "figures").mkdir(parents=True)
    (out / "figures" / "map.png").write_bytes(b"x")
    (out / "ages.csv").write_text("old")
    report.write_outputs(made_up_ages(3), out, draws=5)
    assert files_in(out) == FILES | {"figures/map.png"}
    assert (out / "ages.csv").read_text().startswith("tree,species")


def test_files_of_the_last_run_do_not_outlive_their_answers(tmp_path, quick):
    """What run.json lists and the new run does not write goes; what anyone else put there or changed stays."""
    out = tmp_path / "out"
    table = pd.DataFrame({"tree": ["T01"]})
    with_tables = replace(made_up_ages(3), extras={"old": table, "changed": table})
    report.write_outputs(with_tables, out, draws=5)
    assert {"old.csv", "changed.csv"} <= {path.name for path in recorded_files(out)}
    (out / "changed.csv").write_text("tree,my note\n", encoding="utf-8")
    (out / "mine.csv").write_text("x", encoding="utf-8")
    report.write_outputs(made_up_ages(3), out, draws=5)
    assert files_in(out) == FILES | {"changed.csv", "mine.csv"}


@pytest.mark.parametrize("record", ["", "[]", "{}", '{"treeage": "0", "outputs_sha256": 3}', '{"outputs_sha256": {}}'])
def test_a_record_of_something_else_removes_nothing(tmp_path, quick, record):
    """A run.json that is not ours, or damaged, is replaced like any file of that name."""
    (tmp_path / "run.json").write_text(record, encoding="utf-8")
    (tmp_path / "ages.txt").write_text("x", encoding="utf-8")
    assert recorded_files(tmp_path) == []
    report.write_outputs(made_up_ages(3), tmp_path, draws=5)
    assert files_in(tmp_path) == FILES | {"ages.txt"}


def test_a_record_never_reaches_out_of_its_folder(tmp_path):
    """Names that lead elsewhere are not ours, whatever their checksum."""
    out, other = tmp_path / "out", tmp_path / "other.csv"
    out.mkdir()
    other.write_bytes(b"x")
    listed = {"../other.csv": hashlib.sha256(b"x").hexdigest(), str(other): hashlib.sha256(b"x").hexdigest()}
    (out / "run.json").write_text(json.dumps({"treeage": "0", "outputs_sha256": listed}), encoding="utf-8")
    assert recorded_files(out) == []


def test_permissions_are_the_usual_ones(tmp_path, quick):
    """The folder can be read by whoever could read a new folder."""
    (tmp_path / "usual").mkdir()
    report.write_outputs(made_up_ages(2), tmp_path / "out", draws=5)
    assert os.stat(tmp_path / "out").st_mode == os.stat(tmp_path / "usual").st_mode


def test_a_file_in_the_way_is_named(tmp_path):
    """The message shows the path and what to do."""
    (tmp_path / "out").write_text("")
    with pytest.raises(InputError, match=r"write_outputs, folder: got the file .*out, need a folder"):
        report.write_outputs(AGES, tmp_path / "out")


def test_no_draws_are_refused(tmp_path, quick):
    """The message shows the number; nothing is written."""
    with pytest.raises(InputError, match="got 0, need at least 1"):
        report.write_outputs(AGES, tmp_path / "out", draws=0)
    assert list(tmp_path.iterdir()) == []


def test_progress_counts_every_step(tmp_path, quick):
    """Four figures and the rest."""
    steps = []
    report.write_outputs(made_up_ages(2), tmp_path / "out", draws=5, tick=steps.append)
    assert sum(steps) == drawn.FIGURE_COUNT + 1


def test_a_field_without_dated_trees_is_written(tmp_path):
    """Only minimum ages: three figures without a tree to take apart, an empty table of draws, a report that says so."""
    ages = replace(AGES, tree_ages=(minimum_tree("R1"), minimum_tree("R2")))
    report.write_outputs(ages, tmp_path / "out", draws=5)
    assert files_in(tmp_path / "out") == FILES - {"figures/anatomy.png", "figures/anatomy.svg"}
    assert pd.read_parquet(tmp_path / "out" / "draws.parquet").shape[1] == 0
    words = Page((tmp_path / "out" / "report.html").read_text(encoding="utf-8")).text
    assert "No tree could be dated; of 2 only the rings counted are known." in words


# ------------------------------------------------------------------ the page


def test_the_page_is_well_formed_and_stands_alone(page, written):
    """Tags in balance; no script, link, frame or outside address; figures inside; small."""
    assert page.open == []
    assert not {"script", "link", "iframe", "object", "a", "form"} & set(page.tags)
    sources = [value for tag, name, value in page.attributes if name in ("src", "href", "action", "background")]
    assert len(sources) == 3  # the anatomy stands with each tree
    assert page.tags.count("svg") == 14  # one small figure for each dated tree
    assert all(value.startswith(("data:image/svg+xml;base64,", "data:image/png;base64,")) for value in sources)
    text = (written / "report.html").read_text(encoding="utf-8")
    assert not re.search(r"url\(|@import|https?://", text)
    assert len(text) < 600_000  # choice: a report that fits an e-mail


def test_every_tree_has_its_row(page):
    """Median above its interval; a minimum-only tree shows its minimum and no date."""
    rows = {row[0]: row for row in page.rows if len(row) == 13}  # cells of a tree
    frame = AGES.to_frame().set_index("tree")
    assert set(rows) - {"tree"} == set(frame.index)
    title = rows["tree"]
    row, facts = rows["T03"], frame.loc["T03"]
    low, high = facts["establishment_year_lo"], facts["establishment_year_hi"]
    assert row[title.index("establishment year")] == f"{facts['establishment_year_median']}|{low} to {high}"
    assert row[title.index("most rings on a core")] == str(facts["minimum_age"])
    assert rows["R1"][title.index("establishment year")] == ""
    assert rows["R1"][title.index("most rings on a core")] == "95"
    assert "The lead core is the one that says most by itself" in page.text


def test_the_rows_add_up(page):
    """Every input row is counted once: the last line is the sum of the lines above."""
    at = next(index for index, row in enumerate(page.rows) if row and row[0] == "table")
    lines = {row[0]: [int(value) for value in row[1:]] for row in page.rows[at + 1 : at + 5]}
    assert list(lines) == ["trees", "cores", "rings", "sum"]
    for values in lines.values():
        assert sum(values[:-1]) == values[-1]
    assert lines["sum"] == [sum(column) for column in zip(lines["trees"], lines["cores"], lines["rings"], strict=True)]
    assert lines["cores"][-1] == 33  # hand sum: 16 trees of two cores and one refused
    assert "cores, row 34, tree X9, core A: refused; no rings counted." in page.text


def test_flags_and_notes_are_explained(page):
    """A flag has a letter, its trees and a sentence; a note its line."""
    assert "a cores_disagree (1 tree: T06). The cores of this tree disagree more than their errors allow" in page.text
    assert "trees.csv, row 3, tree T02, column crown: got an unknown column, need a known name." in page.text
    assert next(row for row in page.rows if row[0] == "T06")[-1] == "a"


def test_figures_state_the_probability(quick):
    """Each caption says what interval is drawn, with the probability of the estimate."""
    figures = drawn.report_figures(replace(made_up_ages(4), prob=0.8), drawn.FigureForm())
    assert [figure.name for figure in figures] == ["dates", "age_structure", "uncertainty_sources", "anatomy"]
    assert "80 % interval" in figures[0].caption
    assert "80 % interval" in figures[1].caption
    assert "90 % intervals" in figures[3].caption


@pytest.mark.parametrize("minimum", [0, 2])
def test_captions_explain_only_marks_that_are_there(quick, minimum):
    """Arrows where a tree has its rings only, dashed lines where there are dated events; none of a field without."""
    ages = made_up_ages(6, minimum=minimum)
    for events in (ages.events, ages.events.iloc[:0]):
        made = drawn.report_figures(replace(ages, events=events), drawn.FigureForm())
        assert ("Arrows: " in made[0].caption) == bool(minimum)
        assert [("Dashed lines: " in figure.caption) for figure in made[:2]] == [len(events) > 0] * 2


def drawn_dates(*names):
    """The figure of dates of a few trees, as SVG text."""
    ages = made_up_ages(len(names), minimum=0, names=names)
    return drawn.render(lambda ax: plot_dates(ages, ax=ax), (6.6, 3.0), ("svg",))["svg"].decode("utf-8")


def test_figures_keep_text_as_text():
    """Names in the vector figures can be searched and are escaped."""
    text = drawn_dates("<b>T&1</b>", "$x$")
    assert "&lt;b&gt;T&amp;1&lt;/b&gt;" in text
    assert ">$x$<" in text


def test_names_in_any_script_can_be_drawn():
    """Letters that the built-in font lacks do not stop the report, though warnings are errors here."""
    text = drawn_dates("カラマツ", "лиственница")
    assert "カラマツ" in text
    assert "лиственница" in text


def test_sources_cautions_and_conventions_are_there(page):
    """Every source used, every default with its source, the cautions, the conventions, the units."""
    for words in ("Renvall 1923 & Woodall <2008>", "the user's own young trees", "mean offset of the pith"):
        assert words in page.text
    cautions = (
        "eye protection",
        "open palms",
        "permission",
        "veteran",
        "hazard and urban trees",
        "legal",
        "local rules",
    )
    for words in (*cautions, "years elapsed is one less", "1 BCE"):
        assert words in page.text
    assert "First growing season of the tree, median." in page.text


@settings(max_examples=25, deadline=None)
@given(st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=30))
def test_any_name_is_harmless(name):
    """Whatever the tables hold is shown as typed and starts no tag."""
    tree = replace(made_up_tree(3, name=name), species=name, plot_id=name, flags=(name.replace(";", ""),))
    ages = replace(AGES, tree_ages=(tree,), settings={"name": name, "description": name})
    text = pages.report_html(ages, figures=[])
    read = Page(text)
    plain = Page(pages.report_html(replace(ages, tree_ages=(made_up_tree(3),), settings={"name": "x"}), figures=[]))
    assert read.open == []
    assert set(read.tags) - {"b", "ul", "li"} <= set(plain.tags)
    assert html.escape(name, quote=False).replace("'", "&#39;").replace('"', "&#34;") in text


def test_old_trees_have_era_labels():
    """Years before the common era are written with BCE in the table."""
    ages = made_up_ages(1, minimum=0, outer_year=-100)
    words = Page(pages.report_html(ages, figures=[])).text
    start = ages.tree_ages[0].establishment_year.median()
    assert f"{1 - start} BCE" in words


def test_tables_of_special_steps_are_shown_and_written(tmp_path, quick):
    """Rings to check stand in the report and in a file of their own; what is no table or has no rows does not."""
    rings = pd.DataFrame({"tree": ["T<1>"], "core": ["A"], "kind": ["absent"], "year": [1912], "prob": [0.87654]})
    rules = pd.DataFrame({"rule": ["constant"], "first": [1868], "median": [1868.5], "covered_90": [float("nan")]})
    extras = {
        "rings_to_check": rings,
        "rule_comparison": rules,
        "empty": rings.head(0),
        "model": object(),
        "../up": rings,
    }
    report.write_outputs(replace(AGES, extras=extras), tmp_path / "out", draws=5)
    more = {"rings_to_check.csv", "rule_comparison.csv", "tables/rings_to_check.tex", "tables/rule_comparison.tex"}
    assert files_in(tmp_path) == {f"out/{name}" for name in FILES | more}
    pd.testing.assert_frame_equal(pd.read_csv(tmp_path / "out" / "rings_to_check.csv"), rings)
    read = Page((tmp_path / "out" / "report.html").read_text(encoding="utf-8"))
    assert ["T<1>", "A", "absent", "1912", "0.88"] in read.rows  # two digits of a probability
    assert ["constant", "1868", "1868", ""] in read.rows  # years in full, also halves; nothing for what is not known
    assert "Rings to check" in read.text
    assert "Rules for missed rings on your own complete cores" in read.text


# ------------------------------------------------------------------ the methods text


def test_methods_state_the_numbers_used():
    """Numbers of trees, cores, datings, inner ends, models, intervals, version and seed."""
    text = texts.methods_text(AGES, version="9.9")
    assert "33 cores from 16 trees were read" in text  # hand sum: 16 trees of two cores and one refused
    assert re.search(r"crossdated \(\d+\), counted in the laboratory without crossdating \(\d+\)", text)
    assert "the pith (4)" in text  # T02, T06, T10, T14: every fourth tree of 14 from the second
    assert (
        "Years to coring height came from these models: Larix decidua: 24 young trees (the user's own young trees)."
        in text
    )
    assert "14 trees could be dated, 2 more as a minimum only; 1 row" in text
    assert "hold at least 90 % of the probability" in text
    assert "treeage 9.9 (seed 7)" in text
    assert "The cores of 1 tree disagreed" in text
    assert "buried collar were subtracted for 1 tree." in text  # the tenth of the made-up trees
    assert "Renvall 1923 & Woodall &lt;2008&gt; (known: derived; used for 14 cores)" in text


def test_methods_counts_agree_with_the_cores():
    """The numbers in brackets add up to the number of cores."""
    text = texts.methods_text(AGES, version="1")
    frame = texts.core_frame(AGES)
    sentence = re.search(r"The cores were (.*?)\.", text).group(1)
    assert sum(int(number) for number in re.findall(r"\((\d+)\)", sentence)) == len(frame) == 30


def test_methods_of_a_southern_site_say_so():
    """The southern ring-year convention is stated where it is used, and only there."""
    south = replace(AGES, settings=dict(AGES.settings) | {"hemisphere": "south"})
    words = "This site lies in the southern hemisphere"
    assert words in texts.methods_text(south, version="1")
    assert words not in texts.methods_text(AGES, version="1")


def test_methods_without_a_height_model_say_so():
    """No years to height is an explicit statement: it rests on what the dates refer to, not on missing sources."""
    trees = tuple(at_core_height(each) for each in made_up_ages(3, minimum=0))
    bare = replace(AGES, tree_ages=trees)
    assert "dates refer to the coring height" in texts.methods_text(bare, version="1")
    assert "dates refer to the coring height" not in texts.methods_text(AGES, version="1")


def test_methods_name_what_the_field_taught():
    """Neighbours' rings and cores read against each other are named with their numbers, where they were used."""
    rows = [
        ("missed rings", "Larix decidua: hidden widths adjusted by 9 dated trees of the stand", "own", "user", 12),
        ("count error", "two ring tables of a tree read against each other", "own", "fitted", 3),
    ]
    taught = pd.concat([AGES.sources, pd.DataFrame(rows, columns=AGES.sources.columns)])
    text = texts.methods_text(replace(AGES, sources=taught), version="1")
    assert "adjusted by 9 dated trees of the stand." in text
    assert "For 3 trees the ring tables of two cores were read against each other" in text
    assert "read against each other" not in texts.methods_text(AGES, version="1")


def test_methods_carry_the_caution_on_decisions():
    """One sentence on legal and safety use goes where the ages go."""
    assert "for legal, heritage, insurance or safety decisions local rules" in texts.methods_text(AGES, version="1")


def test_methods_start_no_markup():
    """A site called like a tag is written as text."""
    text = texts.methods_text(AGES, version="1")
    assert "At High &lt;pasture&gt;, " in text


def test_row_account_orders_and_sums():
    """Statuses stand in one order, the last column is the number of rows."""
    frame = texts.row_account(AGES)
    assert list(frame.columns) == ["estimated", "minimum only", "refused", "used", "rows"]
    assert frame.loc["rings", "rows"] == 4321


def test_every_flag_has_a_meaning():
    """The flags that an estimate can set are those that the report explains, each in a sentence."""
    assert set(texts.flag_meanings()) == set(Flag)
    assert all(meaning.endswith(".") and "_" not in meaning for meaning in texts.flag_meanings().values())


def test_every_code_and_every_source_has_its_words():
    """What cores.csv may hold and what a distance may rest on is told in words, and nothing else is."""
    for name in ("dating", "inner_end"):
        assert set(texts.words(name)) == set(schema.column("cores", name).choices)
    assert set(texts.words("distance")) == {source.name.lower() for source in DistanceSource}
    assert texts.words("no such group") == {}


def test_words_stand_once_and_say_something():
    """No key twice in its group, no empty text; captions and notes belong to titles, but for four sentences."""
    rows = pd.read_csv(Path(texts.__file__).parents[1] / "data" / "words.csv", keep_default_na=False)
    assert not rows.duplicated(["group", "key"]).any()
    assert (rows["text"].str.strip() == rows["text"]).all() and (rows["text"] != "").all()
    assert set(texts.words("table_note")) == set(texts.words("table"))
    captions = {name.removesuffix("_many") for name in texts.words("figure_caption")}  # of a large stand
    assert captions - set(texts.words("figure")) == {"open_markers", "unknown_years", "arrows", "dashed"}


# ------------------------------------------------------------------ a large stand


def test_the_page_of_a_large_stand_shows_the_most_telling_trees(tmp_path, quick):
    """The oldest and the least certain stand on the page, which says so and leads to the table; it stays small."""
    ages = made_up_ages(400, minimum=3)
    report.write_outputs(ages, tmp_path / "out", draws=5)
    text = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    page = Page(text)
    shown = [row[0] for row in page.rows if len(row) == 13][1:]
    dated = [each for each in ages if each.distributions]
    oldest = sorted(dated, key=lambda each: (each.date.median(), each.tree))[:40]
    unsure = sorted(dated, key=lambda each: (-each.date.sd(), each.tree))[:50]
    assert {each.tree for each in (*oldest, *unsure)} <= set(shown)
    assert len(shown) <= 100
    assert [each.tree for each in ages if each.tree in set(shown)] == shown  # in the order of the table
    assert "the 50 oldest and the 50 least certain of 403 trees" in page.text
    assert [value for _, name, value in page.attributes if name == "href"] == ["ages.csv", "ages.csv"]
    assert len(pd.read_csv(tmp_path / "out" / "ages.csv")) == 403
    assert page.open == [] and len(text) < 600_000


@pytest.mark.slow
def test_a_thousand_trees_make_a_small_report_in_little_time(tmp_path):
    """The page of 1,000 trees stays below 1.5 MB, and each figure below 0.4 MB in vectors (the project's targets); the
    dots of one hatching alone take 0.25 MB, however many trees there are."""
    ages = made_up_ages(1000, minimum=0)
    report.write_outputs(ages, tmp_path / "out")
    assert (tmp_path / "out" / "report.html").stat().st_size < 1_500_000
    assert max(path.stat().st_size for path in (tmp_path / "out" / "figures").glob("*.svg")) < 400_000
