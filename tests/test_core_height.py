"""Trees of the height model "none": every face says that their date is the year at coring height (never a zero)."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from field_cases import SURE, first_trees
from made_up_ages import at_core_height, made_up_ages, made_up_tree
from matplotlib.figure import Figure

from treeage.cli import commands as cli
from treeage.cli import commands as screen
from treeage.errors import InputError
from treeage.estimate import estimate_ages, species_without_heights
from treeage.plots import ages as plots
from treeage.report import figures
from treeage.report import page as page_texts
from treeage.report import texts as report_texts
from treeage.stand import stand_history
from treeage.tables import read_field
from treeage.validate import score_against_truth

LARCH = "Larix decidua"
DEMO = Path(__file__).parents[1] / "data" / "highpasture"
EMPTY = ("years_to_core_height", "establishment_year", "age")
NOTE = "trees are dated at coring height; their dates are later than their establishment by unknown years"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Half of the demo, with the height model "none" chosen for larch."""
    target = first_trees(DEMO, tmp_path_factory.mktemp("bare") / "field", "T24")
    young = pd.read_csv(target / "seedlings.csv", dtype=str, keep_default_na=False)
    young[young["species"] != LARCH].to_csv(target / "seedlings.csv", index=False)
    settings = (target / "field.toml").read_text(encoding="utf-8")
    (target / "field.toml").write_text(
        settings.replace(f'[height."{LARCH}"]\nmodel = "seedlings"\n', f'[height."{LARCH}"]\nmodel = "none"\n'),
        encoding="utf-8",
    )
    with (target / "field.toml").open("a", encoding="utf-8") as settings_file:
        settings_file.write("\n[doubt]\n" + "".join(f"{key} = {value}\n" for key, value in SURE.items()))
    return target


@pytest.fixture(scope="module")
def mixed(folder):
    """Ages of that folder: larches at coring height, the others established."""
    return estimate_ages(read_field(folder))


@pytest.fixture(scope="module")
def alone():
    """Made-up ages, every tree at coring height."""
    ages = made_up_ages(12, minimum=0)
    return replace(ages, tree_ages=tuple(at_core_height(each) for each in ages))


# ------------------------------------------------------------------ one tree


def test_sentence_of_the_demo_larch_names_the_height(mixed):
    """Tree T17 holds its pith at 0.78 m in 1814, crossdated (tables of the demo); it did not establish then."""
    tree = mixed["T17"]
    assert tree.sentence() == (
        "Tree T17 had its pith ring at 0.78 m in 1814 (90 % interval 1814 to 1814); it is older by the unknown years "
        "to that height."
    )
    assert "at coring height 1814" in repr(tree)
    assert "collar" not in tree._repr_html_() and "established" not in tree._repr_html_()
    assert tree.date_refers_to == "coring height"
    assert tree.date is tree.pith_year


@pytest.mark.parametrize("name", EMPTY)
def test_no_number_stands_for_unknown_years(mixed, name):
    """What the years to coring height would be part of is refused with a way out, and not 0."""
    with pytest.raises(InputError, match=f"{name}: got a tree dated at coring height.*need years to coring height"):
        getattr(mixed["T17"], name)


def test_a_buried_collar_is_not_subtracted_from_a_year_at_coring_height(folder):
    """The date is the pith year itself; years below the coring height are unknown as a whole."""
    field = read_field(folder)
    trees = field.trees.assign(collar_years=10.0, collar_years_sd=2.0)
    buried = estimate_ages(replace(field, trees=trees))
    assert buried["T17"].date.interval(0.9) == (1814, 1814)
    assert set(buried.draws(20, seed=1).sel(tree="T17").to_numpy().tolist()) == {1814}


# ------------------------------------------------------------------ the table


def test_table_leaves_unknown_years_empty(mixed):
    """date_refers_to is the one word that tells rows apart; pith years and ages at coring height are there for all."""
    frame = mixed.to_frame()
    above = frame["species"] == LARCH
    assert 0 < above.sum() < len(frame)
    assert set(frame.loc[above, "date_refers_to"]) == {"coring height"}
    assert set(frame.loc[~above, "date_refers_to"]) == {"root collar"}
    for name in EMPTY:
        ends = frame[[f"{name}_median", f"{name}_lo", f"{name}_hi"]]
        assert ends[above].isna().all(axis=None)
        assert ends[~above].notna().all(axis=None)
    assert frame[["pith_year_median", "age_at_core_height_median"]].notna().all(axis=None)
    row = frame.set_index("tree").loc["T17"]
    assert row["age_at_core_height_median"] == mixed["T17"].outer_year - 1814 + 1  # both years counted, definition
    assert mixed.at_core_height == frame.loc[above, "tree"].tolist()


def test_draws_hold_the_dates(mixed):
    """Joint draws have a column for every dated tree; at coring height they are draws of the pith year."""
    draws = mixed.draws(4000, seed=2)
    assert draws["tree"].to_numpy().tolist() == mixed.trees
    assert (draws.name, made_up_ages(2).draws(1).name) == ("date", "establishment_year")
    for name in mixed.at_core_height[:4]:
        values, pmf = draws.sel(tree=name).to_numpy(), mixed[name].pith_year
        assert values.mean() == pytest.approx(
            pmf.mean(), abs=5 * pmf.sd() / np.sqrt(4000) + 1e-9
        )  # five standard errors


def test_sources_and_notes_tell_it(mixed):
    """The table of sources names no model for larch, and the notes ask for one."""
    used = mixed.sources[mixed.sources["step"] == "years to coring height"].set_index("known")
    assert used.loc["none", "what"] == f"{LARCH}: none, dates refer to the coring height"
    assert used.loc["none", "used"] == len(mixed.at_core_height)
    note = report_texts.note_line(mixed.notes.iloc[-1].to_dict())
    assert note.startswith(f"field.toml, {LARCH}, height: got age at coring height")


def test_scores_leave_such_trees_out(mixed):
    """A year at coring height is not a statement about establishment."""
    scores = score_against_truth(mixed, dict.fromkeys(mixed.trees, 1850))
    assert set(scores["tree"]) == set(mixed.trees) - set(mixed.at_core_height)


# ------------------------------------------------------------------ faces of a field


def test_short_faces_count_them(mixed, alone):
    """repr, summary and notebook say how many dates are at coring height; all of them are said once, plainly."""
    many, of = len(mixed.at_core_height), len(mixed.trees)
    assert f"({many} at coring height)" in repr(mixed)
    assert f"{many} of {of} dates refer to the coring height" in mixed.summary()
    assert f"because no years to it are added for {LARCH}: these trees are older" in mixed.date_note
    assert "<th>date refers to</th>" in mixed._repr_html_()
    assert alone.date_note.startswith("All dates refer to the coring height")
    assert made_up_ages(3).date_note == ""


def test_screen_marks_them(mixed, alone):
    """A star where both kinds stand in one table; other headings where all are at coring height."""
    words = screen.ages_lines(mixed)
    assert " ".join(mixed.date_note.split()) in " ".join(words.split())
    best, worst = words.split("Best dated")[1].split("Rows of")[0].split("Worst dated")
    assert LARCH not in best  # unknown years are left open there, however narrow the interval
    lines = [line for line in worst.splitlines() if LARCH in line]
    assert len(lines) == screen.SHOWN_TREES and all(line.count("*") == 2 for line in lines)
    assert "* at coring height, age there: the tree is older by unknown years" in words
    words = screen.ages_lines(alone)
    assert "at coring height" in words and "established" not in words and "*" not in words
    assert max(len(line) for line in words.splitlines()) <= screen.WIDTH


def test_check_names_species_without_a_height_model(folder, capsys):
    """Before anything is computed: the species and what to do."""
    assert cli.main(["check", str(folder)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert f"field.toml, {LARCH}, height: got age at coring height" in said
    assert "Measure seedlings, core some trees at two heights, or write your own figure" in said
    assert species_without_heights(read_field(DEMO)).empty


def test_report_and_methods_say_it(mixed, alone, monkeypatch):
    """Headline, text, table and methods; nothing of establishment where there is none."""
    monkeypatch.setattr(figures, "render", lambda _draw, _size, _formats: {"svg": b"<svg/>"})
    page = " ".join(page_texts.report_html(mixed).split())
    many, of = len(mixed.at_core_height), len(mixed.trees)
    assert f"{of - many} by their establishment and {many} at coring height only" in page
    assert f"{many} of {of} dates refer to the coring height" in page
    assert "They do not cover the years to coring height of trees dated at coring height" in page
    assert "<td>unknown<br><small>before the pith</small></td>" in page
    assert " at height<br>" in page
    page = " ".join(page_texts.report_html(alone).split())
    assert "12 trees dated: dates at coring height between" in page
    assert "When the trees of this stand established" not in page
    assert "missed rings, as stated in the sources below" in page
    words = report_texts.methods_text(mixed, version="1")
    assert f"{many} of {of} dates refer to the coring height" in words
    assert f"(establishment years of {of - many} trees, years at coring height of {many})" in words
    assert f"{LARCH}: none" not in words.split("## Sources")[0]
    assert "Median years at coring height run from" in report_texts.methods_text(alone, version="1")


def test_captions_say_it(mixed, alone, monkeypatch):
    """The captions of figures that show dates carry the note."""
    monkeypatch.setattr(figures, "render", lambda _draw, _size, _formats: {"svg": b"<svg/>"})
    drawn = {each.name: each for each in figures.report_figures(mixed, figures.FigureForm())}
    for name in ("dates", "age_structure"):
        assert mixed.date_note in drawn[name].caption
    assert "Open markers: year at coring height." in drawn["dates"].caption
    assert figures.report_figures(alone, figures.FigureForm())[0].title == "Years at coring height"


# ------------------------------------------------------------------ figures


def test_dates_at_coring_height_are_open_marks(mixed, alone):
    """White markers for larch only; the axis says what they are."""
    ax = plots.plot_dates(mixed, ax=Figure().subplots())
    assert ax.get_xlabel().startswith("Establishment year, open marks: at coring height")
    hollow = [line for line in ax.lines if line.get_markerfacecolor() == "white" and line.get_marker() != "|"]
    assert sum(len(line.get_xdata()) for line in hollow) == len(mixed.at_core_height)
    assert plots.plot_dates(alone, ax=Figure().subplots()).get_xlabel().startswith("Year at coring height")


def test_axes_name_the_date(mixed, alone):
    """Age structure and sources of uncertainty say what the dates are."""
    many, of = len(mixed.at_core_height), len(mixed.trees)
    label = plots.plot_age_structure(mixed, ax=Figure().subplots()).get_xlabel()
    assert f"for {many} of {of} trees year at coring height" in label
    ax = plots.plot_age_structure(alone, ax=Figure().subplots())
    assert ax.get_xlabel().startswith("Year at coring height")
    assert "established" not in ax.get_ylabel()
    assert "of the date" in plots.plot_uncertainty_sources(mixed, ax=Figure().subplots()).get_xlabel()
    assert "year at coring height" in plots.plot_uncertainty_sources(alone, ax=Figure().subplots()).get_xlabel()


def test_anatomy_ends_at_the_pith():
    """No step of 0 years and no establishment below the pith year."""
    ax = plots.plot_anatomy(at_core_height(made_up_tree(3)), ax=Figure().subplots())
    assert [text.get_text() for text in ax.get_yticklabels()] == ["counted rings", "missed rings", "pith year at 0.8 m"]
    assert ax.get_title(loc="left") == "Tree T04, dated at coring height: it is older"


# ------------------------------------------------------------------ the stand


def test_stand_history_notes_the_mixture(mixed, monkeypatch):
    """repr, notebook, notes, captions and axis of the history count the trees at coring height."""
    monkeypatch.setattr("treeage.report.figures.render", lambda _draw, _size, _formats: {"svg": b"<svg/>"})
    history = stand_history(mixed, count=300)
    many, of = len(mixed.at_core_height), len(mixed.trees)
    assert history.core_height_note == history.notes[0] == f"{many} of {of} {NOTE}"
    assert f"({many} dated at coring height)" in repr(history)
    assert history.core_height_note in history._repr_html_().split("<table")[0]
    assert all(
        history.core_height_note in figure.caption for figure in figures.stand_figures(history, figures.FigureForm())
    )
    assert f"for {many} of {of} trees year at coring height" in history.plot(ax=Figure().subplots()).get_xlabel()


def test_stand_command_says_it(folder, tmp_path, capsys, monkeypatch):
    """The note stands on the screen and in the report."""
    monkeypatch.setattr("treeage.report.figures.render", lambda _draw, _size, _formats: {"svg": b"<svg/>"})
    assert cli.main(["stand", str(folder), "--out", str(tmp_path / "out"), "--draws", "200"]) == 0
    assert NOTE in " ".join(capsys.readouterr().out.split())
    assert NOTE in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_each_part_of_a_stand_names_its_dates(mixed, alone):
    """Drawn by themselves or by the report, structure, recruitment and pulses say what their years are."""
    for ages, words in ((alone, "Year at coring height"), (mixed, "trees year at coring height")):
        history = stand_history(ages, count=1000)
        for part in (history.structure, history.recruitment, history.pulses, history):
            label = part.plot(ax=Figure().subplots()).get_xlabel()
            assert words in label and label.count("coring height") == 1
