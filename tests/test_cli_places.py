"""What the command line says of places that cannot be written, of long lists, and before its answers are used."""

import errno
import os
from dataclasses import replace
from pathlib import Path
from string import ascii_lowercase

import pandas as pd
import pytest

from treeage.cli import commands as cli
from treeage.cli import commands as screen
from treeage.errors import Fault, faults_frame, place_fault
from treeage.estimate import estimate_ages
from treeage.report import words
from treeage.report import write as report
from treeage.tables import files as table_writing
from treeage.tables import read_field, write_text

FOLDER = {
    "trees.csv": "tree,species\nA1,Larix decidua\n",
    "cores.csv": "tree,core,outer_year,rings_counted,dating,inner_end,core_height_m\nA1,a,2024,90,crossdated,pith,0\n",
}


@pytest.fixture
def small(tmp_path, monkeypatch):
    """A folder of one tree; figures are left out."""
    monkeypatch.setattr(
        "treeage.report.figures.render", lambda _draw, _size, formats: dict.fromkeys((*formats, "svg"), b"<svg/>")
    )
    folder = tmp_path / "field"
    folder.mkdir()
    for name, text in FOLDER.items():
        (folder / name).write_text(text)
    return folder


def refuse(*_arguments, **_named):
    """Stand in for a system that lets nobody write, as a test that runs as root cannot."""
    raise PermissionError(errno.EPERM, "Operation not permitted", "/hidden/.out.4711.part")


def test_a_place_without_permission_is_named_as_it_was_typed(small, tmp_path, capsys, monkeypatch):
    """`--out` and the folder stand in the message; neither the temporary name nor the system's wording does."""
    monkeypatch.setattr(Path, "mkdir", refuse)
    assert cli.main(["estimate", str(small), "--out", str(tmp_path / "xx"), "--draws", "5"]) == 2
    said = capsys.readouterr().err
    assert f"treeage estimate, --out {tmp_path / 'xx'}: got no permission there, need a place that can be" in said
    assert ".part" not in said
    assert "Operation" not in said


def test_python_gets_the_place_that_was_asked_for(small, tmp_path, monkeypatch):
    """The error of the system keeps its kind and number, and names the target."""
    ages = estimate_ages(read_field(small))
    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(PermissionError) as caught:
        report.write_outputs(ages, tmp_path / "xx", draws=5)
    assert (caught.value.errno, caught.value.filename) == (errno.EPERM, str(tmp_path / "xx"))
    monkeypatch.setattr(table_writing.os, "replace", refuse)
    with pytest.raises(PermissionError) as caught:
        write_text(tmp_path / "note.txt", "larch")
    assert caught.value.filename == str(tmp_path / "note.txt")
    assert not list(tmp_path.glob(".*"))


def test_example_names_its_command_and_its_folder(small, tmp_path, capsys, monkeypatch):
    """Faults of `treeage example` name no function and no option that it lacks."""
    (tmp_path / "demo_truth").mkdir()
    (tmp_path / "demo_truth" / "mine.txt").write_text("")
    for folder in (small, small / "trees.csv", tmp_path / "demo"):
        assert cli.main(["example", str(folder)]) == 2
        said = capsys.readouterr().err
        assert said.startswith("treeage example, FOLDER: got ")
        assert "need a new or empty folder" in said
        assert "replace" not in said
    monkeypatch.setattr(table_writing.tempfile, "mkstemp", refuse)
    assert cli.main(["example", str(tmp_path / "new")]) == 2
    assert capsys.readouterr().err.startswith(f"treeage example, FOLDER {tmp_path / 'new'}: got no permission there")


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.EACCES, "no permission there"),
        (errno.EROFS, "a disk that is read-only"),
        (errno.ENOSPC, "a full disk"),
        (errno.ENOTDIR, "a file where a folder is needed"),
        (errno.EISDIR, "a folder where a file is needed"),
        (errno.ENOENT, "a place that does not exist"),
        (errno.ENAMETOOLONG, "a name that is too long"),
        (errno.EIO, "the words 'odd' of the system"),
    ],
)
def test_system_errors_have_plain_words(number, words):
    """By number of the error (POSIX names); what has no words of its own is quoted."""
    fault = place_fault(OSError(number, "odd"), "treeage estimate", "--out x")
    assert fault.line().startswith(f"treeage estimate, --out x: got {words}, need a place that can be read or written.")


def test_check_shows_all_of_what_it_found(small, capsys, monkeypatch):
    """`check` writes no report, so that nothing is left to one: all notes and all suspect cores are shown."""
    names = ["correlation", "critical_correlation", "likeliest_shift", "prob_stated_year"]
    rows = pd.DataFrame({"tree": [f"T{at}" for at in range(20)], "core": "a"} | dict.fromkeys(names, 0.1))
    rows["years_compared"] = 50
    agreement = rows.assign(critical_correlation=0.5, likeliest_shift=0.0)
    places = pd.DataFrame({"best": [], "prob_near": []}).astype({"best": bool, "prob_near": float})
    said = screen.crossdating_lines({"agreement": agreement, "places": places})
    assert all(f"tree T{at}, core a" in said for at in range(20))
    assert "more" not in said
    notes = [Fault("odd", f"need of kind {letter}", "Look.", "trees.csv", 2, letter) for letter in ascii_lowercase]
    field = replace(read_field(small), notes=faults_frame(notes))
    assert "... and 14 more lines, all of them in .notes" in field.summary()  # 26 kinds less the 12 shown
    monkeypatch.setattr("treeage.tables.read_field", lambda _folder: field)
    assert cli.main(["check", str(small)]) == 0
    said = capsys.readouterr().out
    assert all(f"need of kind {letter}" in said for letter in ascii_lowercase)
    assert ".notes" not in said


def test_the_wood_to_look_at_stands_by_core_the_surest_first():
    """One list: rings and outer years with probabilities; what agrees with nobody comes last."""
    core = {"core": "a", "correlation": 0.6, "critical_correlation": 0.3, "years_compared": 60, "prob_stated_year": 1.0}
    agreement = pd.DataFrame([
        core | {"tree": "T1", "likeliest_shift": 0.0},
        core | {"tree": "T2", "likeliest_shift": -2.0, "prob_stated_year": 0.2},
        core | {"tree": "T3", "likeliest_shift": 0.0, "correlation": 0.0},
        core | {"tree": "T4", "likeliest_shift": float("nan"), "prob_stated_year": float("nan")},
    ])  # fmt: skip
    place = {"core": "a", "kind": "absent", "year": 1912, "ring_from_bark": 113, "prob_near": 0.93, "best": True}
    places = pd.DataFrame([place | {"tree": "T1"}, place | {"tree": "T2", "prob_near": 0.4}])
    places = pd.concat([places, places.assign(tree="T4", best=False)])
    said = screen.crossdating_lines({"agreement": agreement, "places": places})
    heads = [line.strip() for line in said.splitlines() if line.startswith("  tree ")]
    assert heads == [
        "tree T1, core a",
        "tree T2, core a",
        "tree T3, core a",
    ]  # .93, .80, chance
    assert "0.80  the outer ring is likelier 2 years earlier than stated" in said
    assert "0.40  a ring is absent near 1912, ring 113 from the bark" in said
    assert "unrelated wood agrees as well in 50 of 100 cases" in said  # a correlation of 0 by symmetry
    assert "T4" not in said
    nothing = {"agreement": agreement.head(1), "places": places.head(0)}
    assert "Nothing asks for a look at the wood." in screen.crossdating_lines(nothing)


def test_the_screen_ends_with_the_caution(small, tmp_path, capsys):
    """What an age is not for stands below the answers; one tree is one tree."""
    (small / "cores.csv").write_text(FOLDER["cores.csv"].replace("pith,0", "pith,1.0"))
    assert cli.main(["estimate", str(small), "--out", str(tmp_path / "out"), "--draws", "5"]) == 0
    said = capsys.readouterr().out
    assert " ".join(said.split()).endswith(words("caution")["decisions"])
    assert "height from open data: 1 tree\n" in said
