"""The commands before and at the tree and for teaching: words on the screen, files, exit codes, no command slow."""

from __future__ import annotations

import time
from pathlib import Path

import pandas as pd
import pytest
from field_cases import first_trees

from treeage.cli import main
from treeage.estimate import date_tree
from treeage.report import words
from treeage.simulate import SCENARIO_NAMES
from treeage.tables import read_field

DEMO = Path(__file__).parents[1] / "data" / "highpasture"
TREE = ["tree", "--species", "Larix decidua", "--outer-year", "2020", "--rings-counted", "100", "--dating", "lab_count",
        "--core-height-m", "1", "--chord-mm", "8", "--rise-mm", "0.5", "--dbh-cm", "40"]  # fmt: skip
SLOWEST_S = 10.0  # the promise for each command on the demo


@pytest.fixture(autouse=True)
def in_time():
    """Every command here keeps its time (processor time: the machine may be shared)."""
    start = time.process_time()
    yield
    assert time.process_time() - start < 3 * SLOWEST_S  # a test runs up to three commands


def answered(monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    """Answers typed at the keyboard, then the end of the input."""
    left = list(lines)

    def typed(_question: str) -> str:
        if not left:
            raise EOFError
        return left.pop(0)

    monkeypatch.setattr("builtins.input", typed)


# ------------------------------------------------------------------ start, card, rings


def test_start_and_card(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """An empty folder, then a card of it beside the tables, which the reader passes over; cautions with both."""
    folder = tmp_path / "field"
    assert main(["start", str(folder)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "trees.csv" in said
    assert words("caution_step")["start"] in said
    assert main(["card", str(folder), "--trees", "3", "--size", "A4"]) == 0
    assert "3 cards of A4" in capsys.readouterr().out
    assert (folder / "field_cards.html").read_text(encoding="utf-8").count("<section") == 3
    assert main(["check", str(folder)]) == 2  # heads without rows
    assert main(["start", str(folder)]) == 2
    assert "need a new or empty folder" in capsys.readouterr().err


def test_start_asks(tmp_path: Path, capsys: pytest.CaptureFixture, monkeypatch: pytest.MonkeyPatch) -> None:
    """Answers reach field.toml; an end of the input before the last answer writes nothing."""
    answered(monkeypatch, "Ridge", "south", "none", "")
    assert main(["start", str(tmp_path / "a"), "--ask", "--species", "Larix decidua"]) == 0
    text = (tmp_path / "a" / "field.toml").read_text()
    assert 'hemisphere = "south"' in text
    assert '[height."Larix decidua"]\nmodel = "none"' in text
    answered(monkeypatch, "Ridge")
    assert main(["start", str(tmp_path / "b"), "--ask"]) == 2
    assert "got the end of the input, need an answer" in capsys.readouterr().err
    answered(monkeypatch, "Ridge", "south")
    assert main(["start", str(tmp_path / "b"), "--ask", "--species", "Larix decidua"]) == 2
    told = capsys.readouterr().err
    assert "(empty: decide later): got the end" in told and "two_heights" not in told  # the question, not its choices
    assert not (tmp_path / "b").exists()
    assert main(["start", str(tmp_path / "c"), "--species", "Larix decidua"]) == 2  # and not passed over in silence
    assert "treeage start, --species: got Larix decidua, need --ask beside it." in capsys.readouterr().err
    assert not (tmp_path / "c").exists()


def test_faults_of_names_in_ring_files_name_the_option(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """And the command that was typed."""
    (tmp_path / "site.rwl").write_text("ABC01A  1998   120    85   999\n")
    assert main(["rings", str(tmp_path / "site.rwl"), "--folder", str(tmp_path / "f"), "--site-letters", "6"]) == 2
    assert "treeage rings, row 1, column name: got ABC01A, need at least 8 letters" in (said := capsys.readouterr().err)
    assert "Set --site-letters or rename it." in said


def test_cards_of_the_demo(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """One a tree; a place that cannot be written is bad input."""
    assert main(["card", str(DEMO), "--out", str(tmp_path / "cards.html")]) == 0
    assert "48 cards of A5" in capsys.readouterr().out
    (tmp_path / "file").write_text("")
    assert main(["card", str(DEMO), "--out", str(tmp_path / "file" / "cards.html")]) == 2
    assert "treeage card, --out" in capsys.readouterr().err


def test_rings_drafts_and_says_what_is_missing(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """Drafted tables, what is still to be filled in, a caution; faults of the file keep their line."""
    (tmp_path / "site.rwl").write_text("ABC01A  1998   120    85\nABC01A  2000   101   999\n")
    command = ["rings", str(tmp_path / "site.rwl"), "--folder", str(tmp_path / "field"), "--dating", "crossdated"]
    assert main(command) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "trees.csv (1), cores.csv (1), rings.csv (3)" in said
    assert "Still to fill in: species (trees.csv), inner_end, core_height_m." in said
    assert words("caution_step")["rings"] in said
    assert main(["check", str(tmp_path / "field")]) == 2  # the columns are there, empty
    told = capsys.readouterr().err
    assert told.count("got a column without a value") == 3 and "Fill it in" in told and "no such column" not in told
    assert main(command) == 2
    (tmp_path / "bad.rwl").write_text("ABC01A  1998   120    85\n")
    assert main(["rings", str(tmp_path / "bad.rwl"), "--folder", str(tmp_path / "new")]) == 2
    assert "bad.rwl, row 1" in capsys.readouterr().err


# ------------------------------------------------------------------ one tree


def test_tree_says_what_date_tree_says(capsys: pytest.CaptureFixture) -> None:
    """Sentence, steps and the order of what would help most: largest share of the variance first."""
    assert main(TREE) == 0
    said = capsys.readouterr().out
    answer = date_tree(
        species="Larix decidua", outer_year=2020, rings_counted=100, dating="lab_count", core_height_m=1, chord_mm=8,
        rise_mm=0.5, dbh_cm=40,
    )  # fmt: skip
    assert answer.sentence() in " ".join(said.split())
    low, high = answer.age.interval(0.9)
    assert f"{low} to {high}" in said
    shares = [int(line.split()[0]) for line in said.splitlines() if " % " in line and line.strip()[0].isdigit()]
    assert shares == sorted(shares, reverse=True)
    assert shares[0] == round(100 * max(answer.shares.values()))
    assert words("caution_step")["tree"] in " ".join(said.split())


def test_tree_says_what_it_takes_for_granted(capsys: pytest.CaptureFixture) -> None:
    """A count of which nothing is said, open data, a diameter that was a girth: told before the steps; else nothing."""
    known = ["--height", "mean_sd height_m=1 mean_years=9 sd_years=3"]
    assert main([*TREE, *known]) == 0
    assert "Note:" not in capsys.readouterr().out
    at = TREE.index("--dating")
    assert main([*TREE[:at], *TREE[at + 2 :]]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "Note: the count is taken as one by eye in the field" in said
    assert "Note: The years to coring height of all trees (Larix decidua) rest on open data" in said
    wide = [*TREE, *known]
    wide[wide.index("--dbh-cm") + 1] = "400"
    assert main(wide) == 0
    assert "Note: treeage tree, --dbh-cm: got 400, need mostly" in " ".join(capsys.readouterr().out.split())


def test_tree_asks_for_what_is_not_given(capsys: pytest.CaptureFixture, monkeypatch: pytest.MonkeyPatch) -> None:
    """Asked one by one, the same answer as from options."""
    main(TREE)
    expected = capsys.readouterr().out
    answered(monkeypatch, "Larix decidua", "2020", "100", "lab_count", "arcs", "1", "8", "0.5", "40", "", "", "", "")
    assert main(["tree", "--ask"]) == 0
    assert capsys.readouterr().out == expected
    slips = (
        "Larix decidua",
        "2020",
        "about 100",
        "100",
        "lab",
        "LAB_COUNT",
        "arcs",
        "100 cm",
        "100",
        "1",
        "8",
        "0,5",
        "0.5",
    )
    answered(monkeypatch, *slips, "40", "", "", "", "")
    assert main(["tree", "--ask"]) == 0
    said = capsys.readouterr().out
    assert said.endswith(expected)  # asked again where an answer could not be, and nothing is lost
    assert said.count("Got ") == 5
    for told in ("Write the number alone, in m: 1.", "centimetres: write 1.", "Write 0.5 with a decimal point."):
        assert told in said


def test_tree_leaves_a_report_with_its_figure(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """Where asked for; the path is printed."""
    assert main([*TREE, "--out", str(tmp_path / "one"), "--height", "mean_sd height_m=1 mean_years=9 sd_years=3"]) == 0
    assert f"Figure: {tmp_path / 'one' / 'figures' / 'anatomy.png'}" in capsys.readouterr().out
    assert (tmp_path / "one" / "figures" / "anatomy.png").stat().st_size > 1000


def test_tree_without_a_date_is_exit_code_one(capsys: pytest.CaptureFixture) -> None:
    """A rotten core without a diameter bounds the age only."""
    plain = [*TREE[:9], "--core-height-m", "1", "--inner-end", "rot"]
    assert main(plain) == 1
    assert words("help")["distance"] in " ".join(capsys.readouterr().out.split())


def test_what_a_tree_without_a_date_lacks_is_named(capsys):
    """An arc was read: no distance is asked for, but a width; after rot without a diameter both are."""
    line = [
        "tree",
        "--species",
        "Larix decidua",
        "--outer-year",
        "2024",
        "--rings-counted",
        "80",
        "--core-height-m",
        "1",
    ]
    for end, wanted in ((["arcs", "--chord-mm", "8", "--rise-mm", "1"], ["widths"]), (["rot"], ["distance", "widths"])):
        assert main([*line, "--inner-end", *end]) == 1
        said = " ".join(capsys.readouterr().out.split())
        assert [name for name in ("distance", "widths", "nothing") if words("help")[name] in said] == wanted


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (["--chord-mm", "wide"], "treeage tree, --chord-mm: got wide, need a number above 0"),
        (["--prob", "90"], "treeage tree, --prob: got 90, need between 0 and 1."),
        (["--hemisphere", "up"], "treeage tree, --hemisphere: got up, need one of north, south."),
        (["--seedlings", "0.4"], "treeage tree, --seedlings: got 0.4, need height [m] and age [years]"),
        (["--height", "guess"], "got guess, need one of seedlings"),
        (["--inner-end", "pit"], "treeage tree, --inner-end: got pit, need one of pith"),
    ],
)
def test_wrong_options_of_tree(capsys: pytest.CaptureFixture, more: list[str], message: str) -> None:
    """Exit code 2; the option, the value, what is needed."""
    assert main([*TREE, *more]) == 2
    assert message in capsys.readouterr().err


# ------------------------------------------------------------------ for teaching


def test_the_list_names_every_scenario(capsys: pytest.CaptureFixture) -> None:
    """And writes nothing."""
    assert main(["example", "--list"]) == 0
    said = capsys.readouterr().out
    assert [line.split()[0] for line in said.splitlines() if not line.startswith(" ")] == list(SCENARIO_NAMES)


def test_other_stands_with_their_truth(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """The number of trees and the seed are those asked for; the truth lies apart and is no input."""
    command = ["example", "--scenario", "two_heights", "--trees", "7", "--seed", "5"]
    assert main([*command, str(tmp_path / "a")]) == 0
    assert main([*command, str(tmp_path / "b")]) == 0
    assert len(read_field(tmp_path / "a").trees) == 7
    for name in ("cores.csv", "trees.csv"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    truth = pd.read_csv(tmp_path / "a_truth" / "trees.csv")
    assert "establishment_year" in truth
    assert "establishment_year" not in pd.read_csv(tmp_path / "a" / "trees.csv")
    assert f"treeage score ages {tmp_path / 'a_truth'}" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (["--scenario", "ark"], "treeage example, --scenario: got ark, need one of demo, pith"),
        (
            ["--trees", "0"],
            "treeage example, --trees: got 0, need a whole number, 1 to 20000. Write for example --trees 1.",
        ),
        (["--seed", "-1"], "treeage example, --seed: got -1, need a whole number of at least 0"),
    ],
)
def test_wrong_options_of_example(tmp_path: Path, capsys: pytest.CaptureFixture, more: list[str], message: str) -> None:
    """Exit code 2, nothing written; without a folder the list is pointed to."""
    assert main(["example", str(tmp_path / "x"), *more]) == 2
    assert message in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
    assert main(["example"]) == 2
    assert "ask for --list" in capsys.readouterr().err


def test_score_of_written_answers(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """Table, figure and paragraph against the truth, and against known years of the field itself."""
    truth = DEMO.with_name("highpasture_truth")
    folder = first_trees(DEMO, tmp_path / "field", "T08")
    trees = pd.read_csv(folder / "trees.csv", dtype=str, keep_default_na=False)
    years = pd.read_csv(truth / "trees.csv", dtype={"tree": str}).set_index("tree")["establishment_year"]
    out = tmp_path / "out"
    assert main(["estimate", str(folder), "--out", str(out), "--draws", "500"]) == 0
    before = (out / "ages.csv").read_bytes()
    capsys.readouterr()
    assert main(["score", str(out), str(truth)]) == 0
    said = capsys.readouterr().out
    made = pd.read_csv(tmp_path / "out_score" / "score.csv", dtype={"tree": str}).set_index("tree")
    assert (made["known"] == years.reindex(made.index)).all()
    ages = pd.read_csv(out / "ages.csv", dtype={"tree": str}).set_index("tree").loc[made.index]
    inside = (ages["establishment_year_lo"] <= made["known"]) & (made["known"] <= ages["establishment_year_hi"])
    assert made["inside"].tolist() == inside.tolist()
    assert (tmp_path / "out_score" / "score.md").read_text().strip() in " ".join(said.split())
    assert (tmp_path / "out_score" / "score.png").stat().st_size > 1000
    assert words("caution_step")["score"] in " ".join(said.split())
    for column in ("covered", "band", "covered_whole", "mean_width"):  # each explained below its table
        assert f"{column}:" in said

    trees["known_establishment_year"] = years.reindex(trees["tree"]).to_numpy()
    trees.to_csv(folder / "trees.csv", index=False)
    assert main(["score", str(out), str(folder), "--out", str(tmp_path / "again")]) == 0
    again = pd.read_csv(tmp_path / "again" / "score.csv", dtype={"tree": str})
    pd.testing.assert_frame_equal(again, made.reset_index())
    assert main(["estimate", str(folder), "--out", str(out), "--draws", "500"]) == 0  # known years date nothing
    assert (out / "ages.csv").read_bytes() == before


def test_scores_that_cannot_be(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """No answers, or no known dates: bad input."""
    assert main(["score", str(DEMO), str(DEMO)]) == 2
    assert "treeage score, OUT: got" in capsys.readouterr().err
    folder = first_trees(DEMO, tmp_path / "field", "T02")
    main(["estimate", str(folder), "--out", str(tmp_path / "out"), "--draws", "50"])
    assert main(["score", str(tmp_path / "out"), str(folder)]) == 2
    assert "need at least one dated tree with a known date" in capsys.readouterr().err
    (tmp_path / "truth.csv").write_text("name,year\nT01,1900\n")
    assert main(["score", str(tmp_path / "out"), str(tmp_path / "truth.csv")]) == 2
    assert "need the columns tree and establishment_year or known_establishment_year" in capsys.readouterr().err
