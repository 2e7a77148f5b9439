"""What goes into a thesis: figures at the width of a column, tables for LaTeX and Word, references, a guide."""

import io
import re
import struct
import zipfile
from dataclasses import replace
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from docx import Document
from made_up_ages import made_up_ages, minimum_tree
from matplotlib import pyplot as plt
from matplotlib.text import Text

import treeage
from treeage import plots
from treeage.errors import InputError
from treeage.plots.style import SMALL
from treeage.report import tables
from treeage.report.figures import render, tree_svg
from treeage.report.page import report_html, things_to_check
from treeage.results import Flag
from treeage.tables import Field

AGES = made_up_ages(12)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """A folder with narrow figures in three formats."""
    folder = tmp_path_factory.mktemp("thesis")
    treeage.write_outputs(AGES, folder, draws=20, figures="single", formats=("pdf", "png", "svg"))
    return folder


def test_figures_have_the_width_of_a_column_and_letters_of_eight_points(written):
    """85 mm at 300 dots an inch; the vector figure has the same width and 8-point letters."""
    for path in (written / "figures").glob("*.png"):
        width, _ = struct.unpack(">II", path.read_bytes()[16:24])
        assert width == pytest.approx(300 * 85 / 25.4, abs=1)
    text = (written / "figures" / "dates.svg").read_text()
    assert float(re.search(r'width="([\d.]+)pt"', text).group(1)) == pytest.approx(72 * 85 / 25.4, abs=0.1)
    sizes = {float(size) for size in re.findall(r"([\d.]+)px", text)}
    assert sizes == {8.0}
    assert (written / "figures" / "dates.pdf").read_bytes().startswith(b"%PDF")


def test_species_stand_in_italics(written):
    """In the key of the figure, in LaTeX, in Word, on the page; words that are no species do not."""
    assert re.search(r"italic[^>]*>Larix decidua<", (written / "figures" / "dates.svg").read_text())
    assert r"\textit{Larix decidua}" in (written / "tables" / "ages.tex").read_text()
    assert "<i>Larix decidua</i>" in (written / "report.html").read_text()
    grid = Document(io.BytesIO((written / "tables" / "tables.docx").read_bytes())).tables[0]
    assert [run.italic for cell in grid.rows[1].cells[:2] for run in cell.paragraphs[0].runs] == [False, True]


def test_the_word_document_holds_every_table_with_its_number(written):
    """Captions above the tables, numbered in order; all rows; the same bytes each time."""
    data = (written / "tables" / "tables.docx").read_bytes()
    made = Document(io.BytesIO(data))
    captions = [line.text for line in made.paragraphs if line.style.name == "Caption"]
    assert [caption.partition(".")[0] for caption in captions] == [f"Table {at + 1}" for at in range(len(captions))]
    assert len(made.tables) == len(captions) == len(list((written / "tables").glob("*.tex")))
    assert len(made.tables[0].rows) == len(AGES) + 1
    assert tables.word_tables([tables.age_table(AGES)], "x") == tables.word_tables([tables.age_table(AGES)], "x")
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        ElementTree.fromstring(parts.read("word/document.xml"))


def test_latex_tables_are_whole_and_escape_what_latex_reads():
    """As many cells in every row as columns; every special character is written out."""
    table = tables.ShownTable(
        "x", "50 % & more_", "#1", (("a", True), ("b", False)), (("A_1 & $x$", "1"), ("~", "2")), ""
    )
    text = tables.latex_table(table, 3).decode()
    assert r"\caption{50 \% \& more\_. \#1}\label{tab:x}" in text and r"A\_1 \& \$x\$ & 1 \\" in text
    assert text.startswith("% Table 3") and text.count("{longtable}") == 2
    ages = tables.latex_table(tables.age_table(AGES), 1).decode()
    rows = ages.split(r"\endfoot")[1].split("\\end{longtable}")[0].strip().splitlines()
    assert len(rows) == len(AGES) and all(row.count("&") == 6 for row in rows)


def test_rings_and_missed_rings_of_the_ages_table_are_of_one_core():
    """A counted core shows more rings than the one that says most: a reader who adds the row up must not mix them."""
    core = {"tree": "A", "outer_year": 2020, "core_height_m": 0.0}
    cores = pd.DataFrame([
        core | {"core": "a", "rings_counted": 100, "dating": "crossdated", "inner_end": "pith"},
        core | {"core": "b", "rings_counted": 103, "dating": "field_count", "inner_end": "arcs", "distance_mm": 3.0},
    ])  # fmt: skip
    ages = treeage.estimate_ages(Field.from_frames(pd.DataFrame({"tree": ["A"], "species": "Larix decidua"}), cores))
    row = ages.to_frame().iloc[0]
    assert (row["lead_core"], row["rings_counted"], row["minimum_age"]) == ("a", 100, 103)
    table = tables.age_table(ages)
    shown = {head: cell for (head, _), cell in zip(table.columns, table.rows[0], strict=True)}
    assert shown["Rings counted"] == "100" and shown["Pith year"].startswith("1921")  # 2020 - 100 + 1


def test_the_guide_names_every_file_and_how_to_cite(written):
    """README.txt holds a line for each file or folder at the top, and the citation; so do the references."""
    guide = (written / "README.txt").read_text()
    tops = {path.name + ("/" if path.is_dir() else "") for path in written.iterdir()}
    assert {line.split()[0] for line in guide.splitlines()[2 : 2 + len(tops)]} == tops
    assert f"treeage, version {treeage.__version__}" in guide
    assert "@software{treeage," in (written / "references.bib").read_text()
    assert "How to cite the package" in (written / "methods.md").read_text()


@pytest.mark.parametrize(
    ("named", "match"), [({"figures": "singel"}, "mean single"), ({"formats": ["pgn"]}, "mean png")]
)
def test_unknown_widths_and_formats_are_refused(tmp_path, named, match):
    """With the nearest known word, and nothing written."""
    with pytest.raises(InputError, match=match):
        treeage.write_outputs(AGES, tmp_path / "out", draws=5, **named)
    assert not (tmp_path / "out").exists()


def test_settings_of_matplotlib_change_nothing():
    """Whatever a user has set, the figures of a run are the same bytes."""
    usual = render(lambda ax: plots.plot_dates(AGES, ax=ax), (3.35, 3.0), ("png", "svg"))
    own = {"font.size": 30, "axes.grid": True, "savefig.bbox": "tight", "lines.linewidth": 9, "text.usetex": True}
    with mpl.rc_context(own | {"figure.autolayout": True, "axes.facecolor": "red", "svg.fonttype": "path"}):
        again = render(lambda ax: plots.plot_dates(AGES, ax=ax), (3.35, 3.0), ("png", "svg"))
    assert again == usual
    assert render(lambda ax: plots.plot_age_structure(AGES, ax=ax), (3.35, 3.0), ("svg",)) != usual  # negative control


def small_figures():
    """Everything that is drawn of a field of trees and of one tree, by name."""
    rng = np.random.default_rng(4)
    draws = np.concatenate([rng.normal(1850, 6, (400, 20)), rng.normal(1920, 6, (400, 25))], axis=1).round()
    size = (2024 - draws.mean(axis=0)) / 4 * np.exp(rng.normal(0, 0.1, 45))
    stand = treeage.stand
    events = {"end of grazing on the upper slope": 1905}
    recruitment = stand.recruitment_history(draws, count=100, events=events)
    groups = ["Larix decidua"] * 22 + ["Picea abies"] * 23
    parts = {
        "dates": AGES, "tree": AGES["T03"], "mass": AGES["T03"].age, "recruitment": recruitment,
        "structure": stand.age_structure(draws), "pulses": stand.find_pulses(draws),
        "events": stand.after_events(draws, events),
        "origin": stand.stand_origin(stand.split_shared(draws), recruitment),
        "diameter": stand.age_from_diameter(draws, size, survey_year=2024, groups=groups),
        "static": stand.static_models(draws, survey_year=2024, bin_years=20),
    }  # fmt: skip
    more = {"age_structure": plots.plot_age_structure, "sources": plots.plot_uncertainty_sources}
    return {name: part.plot for name, part in parts.items()} | {
        name: (lambda ax, draw=draw: draw(AGES, ax=ax)) for name, draw in more.items()
    }


@pytest.fixture(scope="module")
def drawn():
    """Each figure on plain axes of 3.5 x 3 inch, as a user makes them."""
    made = {}
    for name, plot in small_figures().items():
        figure, ax = plt.subplots(figsize=(3.5, 3.0), dpi=100)
        assert plot(ax=ax) is ax
        figure.canvas.draw()
        made[name] = figure
    yield made
    plt.close("all")


NAMES = ("dates", "tree", "mass", "recruitment", "structure", "pulses", "events", "origin", "diameter", "static",
         "age_structure", "sources")  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_no_label_is_cut_on_small_axes(drawn, name):
    """All that is drawn lies inside the picture, on axes that the user made; no letter is smaller than 8 points."""
    box = drawn[name].get_tightbbox()
    assert box.x0 >= -0.01 and box.y0 >= -0.01 and box.x1 <= 3.51 and box.y1 <= 3.01, box
    assert {text.get_fontsize() >= SMALL for text in drawn[name].findobj(Text) if text.get_text()} == {True}


def test_the_check_of_cut_labels_sees_them():
    """Negative control: a label that reaches over the edge is found."""
    figure, ax = plt.subplots(figsize=(3.5, 3.0))
    ax.set_xlabel("a label that is far too long for a figure of this width, by a good half of its letters at least")
    assert figure.get_tightbbox().x1 > 3.51
    plt.close(figure)


@pytest.mark.parametrize("name", NAMES)
def test_something_is_drawn_and_it_differs_in_grey(drawn, name):
    """The picture is not empty, and in grey print its lightness still spans half of the scale."""
    pixels = np.asarray(drawn[name].canvas.buffer_rgba())[..., :3].astype(float)
    grey = pixels @ [0.299, 0.587, 0.114]  # luma, ITU-R BT.601
    assert (grey < 250).mean() > 0.01
    assert grey.max() - grey.min() > 128


# ------------------------------------------------------------------ the page


def test_the_first_screen_holds_the_answer_the_dates_and_three_things():
    """In this order, before anything else."""
    page = report_html(AGES, figures=[])
    places = [page.index(words) for words in ('class="key"', "Look at these first", "Table 1.", "Each tree, step")]
    assert places == sorted(places)
    assert len(things_to_check(AGES, 4)) == 3


def test_the_headline_of_one_tree_is_its_sentence():
    """No range from a year to itself, no half of one interval; of more trees both are told."""
    one = replace(AGES, tree_ages=AGES.tree_ages[:1])
    head = re.search(r'<p class="key">(.*?)</p>', report_html(one), flags=re.DOTALL).group(1)
    assert head.startswith(f"1 tree dated: {one.tree_ages[0].sentence()}") and "between" not in head
    assert "between" in re.search(r'<p class="key">(.*?)</p>', report_html(AGES), flags=re.DOTALL).group(1)


def test_what_is_wrong_is_said_first():
    """A tree whose hidden part is larger than what was seen comes before notes and open data."""
    wrong = replace(AGES.tree_ages[0], flags=(Flag.MORE_HIDDEN_THAN_SEEN,))
    ages = replace(AGES, tree_ages=(wrong, *AGES.tree_ages[1:]))
    assert things_to_check(ages, 4)[0].startswith(f"1 tree ({wrong.tree}): more is hidden than was seen")


def test_what_would_date_a_blind_tree_is_said_first():
    """Of trees of which only the rings are known because nothing bounds what is missing; no other minimum."""
    blind = replace(minimum_tree("R9", 95), flags=(Flag.DISTANCE_UNKNOWN,))
    told = things_to_check(replace(AGES, tree_ages=(*AGES.tree_ages[:3], blind)), 4)
    assert any(
        line.startswith("Only the rings counted are known of 1 tree (R9): an arc, or core length") for line in told
    )
    for other in (replace(blind, flags=()), replace(AGES.tree_ages[3], flags=(Flag.DISTANCE_UNKNOWN,))):
        told = things_to_check(replace(AGES, tree_ages=(*AGES.tree_ages[:3], other)), 4)
        assert not any("Only the rings counted" in line for line in told)


def test_every_tree_folds_out_of_one_block():
    """Name, sentence, its steps as a small figure, its cores; a tree with a minimum only has no steps."""
    page = report_html(AGES, figures=[])
    blocks = page.split('<details class="tree">')[1:]
    assert len(blocks) == len(AGES)
    for answer, block in zip(AGES, blocks, strict=True):
        assert f"<b>{answer.tree}</b>" in block and answer.sentence().split(" (")[0] in block
        assert ("<svg" in block) == bool(answer.distributions)
    drawn = tree_svg(AGES["T03"])
    ElementTree.fromstring(drawn)
    assert f"{AGES['T03'].age.median()} (" in drawn and len(drawn) < 3500
    for answer in AGES:  # letters of 11 points are at most 5.9 wide on average (measured on the longest lines)
        inside = ElementTree.fromstring(tree_svg(answer))
        wide, tall = map(float, inside.attrib["viewBox"].split()[2:])
        for text in inside.iter("text"):
            room = float(text.attrib["x"]) if "class" in text.attrib else wide - float(text.attrib["x"])
            assert 5.9 * len(text.text) <= room and 9 <= float(text.attrib["y"]) <= tall


def test_the_page_of_five_hundred_trees_is_small():
    """At most 2 MB; the three figures of such a stand take at most 0.65 MB as pixels (measured 0.59)."""
    assert len(report_html(made_up_ages(500)).encode()) < 1.35e6


def test_the_page_prints_on_a4():
    """The page has the size of A4, and no cell of a table is kept on one line there."""
    page = report_html(AGES, figures=[])
    assert "@page { size: A4" in page
    printed = page[page.index("@media print") : page.index("</style>")]
    assert "white-space: normal" in printed and ".wide { overflow: visible; }" in printed
