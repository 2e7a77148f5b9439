"""The command line: exit codes, words on the screen, files left behind, and what it must not import."""

import contextlib
import hashlib
import io
import json
import re
import subprocess
import sys
import warnings
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from field_cases import first_trees
from made_up_ages import made_up_ages, minimum_tree

from treeage.cli import commands as cli
from treeage.cli import commands as screen
from treeage.cli import guard
from treeage.display import VERSION
from treeage.errors import ConflictWarning, InputError
from treeage.simulate import example_field
from treeage.tables import read_field

OUTPUTS = {"README.txt", "tables", "ages.csv", "draws.parquet", "figures", "methods.md", "report.html"}
OUTPUTS |= {"references.bib", "run.json"}


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The demo field folder, written once."""
    return example_field(tmp_path_factory.mktemp("demo") / "highpasture")[0]


@pytest.fixture(scope="module")
def small(demo, tmp_path_factory):
    """The first six trees of the demo, for quick runs."""
    return first_trees(demo, tmp_path_factory.mktemp("small") / "six", "T06")


@pytest.fixture
def quick(monkeypatch):
    """Leave out the drawing where a test is not about figures."""
    monkeypatch.setattr(
        "treeage.report.figures.render", lambda _draw, _size, formats: dict.fromkeys((*formats, "svg"), b"<svg/>")
    )


def python(*arguments):
    """Run the package in a process of its own, as a user would."""
    command = [sys.executable, "-W", "error", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)


# ------------------------------------------------------------------ check


def test_check_counts_and_finds_no_fault(demo, capsys):
    """48 trees and 96 cores, exit code 0, nothing on the error stream."""
    assert cli.main(["check", str(demo)]) == cli.DONE == 0
    said = capsys.readouterr()
    assert "48 of 3 species" in said.out
    assert "96, outer years" in said.out
    assert said.out.endswith("No faults found.\n")
    assert said.err == ""


def test_check_prints_faults_in_the_pattern(demo, tmp_path, capsys):
    """Exit code 2; where, got, need and do stand on the error stream."""
    for name in ("trees.csv", "cores.csv"):
        (tmp_path / name).write_bytes((demo / name).read_bytes())
    cores = pd.read_csv(tmp_path / "cores.csv", dtype=str, keep_default_na=False)
    cores.loc[0, "core_height_m"] = "92"
    cores.loc[3, "dating"] = "guess"
    cores.to_csv(tmp_path / "cores.csv", index=False)
    assert cli.main(["check", str(tmp_path)]) == cli.BAD_INPUT == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "2 faults in cores.csv, nothing was computed." in said.err
    assert (
        "cores.csv, row 2, tree T01, core A, column core_height_m: got 92, need a number from 0 to 3 [m]." in said.err
    )
    assert "cores.csv, row 5, tree T02, core B, column dating: got guess, need one of crossdated" in said.err


def test_a_missing_folder_is_bad_input(capsys):
    """Exit code 2, the path as written."""
    assert cli.main(["check", "no/such/folder"]) == 2
    assert "got no/such/folder, which does not exist, need a folder with field tables" in capsys.readouterr().err


# ------------------------------------------------------------------ estimate


def test_estimate_leaves_answers_and_says_so(demo, tmp_path, capsys):
    """The main job on the demo: all outputs, best and worst trees, rows with their sum."""
    out = tmp_path / "answers" / "run1"
    assert cli.main(["estimate", str(demo), "--out", str(out), "--draws", "200"]) == 0
    said = capsys.readouterr()
    assert {path.name for path in out.iterdir()} >= OUTPUTS
    assert {path.suffix for path in out.iterdir() if path.name not in OUTPUTS} <= {".csv"}  # tables of special steps
    ages = pd.read_csv(out / "ages.csv")
    assert len(ages) == 48
    assert pd.read_parquet(out / "draws.parquet").shape == (200, 48)
    dated = ages.dropna(subset=["age_median"])
    width = (dated["establishment_year_hi"] - dated["establishment_year_lo"]).to_numpy()
    best = said.out.split("Best dated")[1].split("Worst dated")[0]
    shown = [line.split()[0] for line in best.splitlines()[2:7]]
    assert set(dated.loc[dated["tree"].isin(shown), "tree"]) == set(shown)
    assert max(width[dated["tree"].isin(shown)]) <= sorted(width)[4]
    rows = sum(len(table) for table in (read_field(demo).trees, read_field(demo).cores, read_field(demo).rings))
    rows += len(read_field(demo).seedlings) + len(read_field(demo).events)
    assert re.search(rf"sum +{rows} = ", said.out)
    assert f"Written to {out}: README.txt, ages.csv, counted_cores.csv, draws.parquet, figures" in said.out


def test_files_of_an_earlier_run_go_and_are_named(small, tmp_path, capsys, quick):
    """A table that the last run left and this one does not write would belong to other answers."""
    out = tmp_path / "out"
    arguments = ["estimate", str(small), "--out", str(out), "--draws", "5"]
    assert cli.main(arguments) == 0
    assert "Removed" not in capsys.readouterr().out
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    for name in ("stand_pulses.csv", "figures/stand_pulses.png"):  # as `treeage stand` writes them
        (out / name).write_bytes(b"x")
        record["outputs_sha256"][name] = hashlib.sha256(b"x").hexdigest()
    (out / "run.json").write_text(json.dumps(record), encoding="utf-8")
    assert cli.main(arguments) == 0
    assert "Removed there, of an earlier run: figures/stand_pulses.png, stand_pulses.csv\n" in capsys.readouterr().out
    assert not list(out.rglob("stand_*"))


def test_estimate_takes_its_options(small, tmp_path, capsys, quick):
    """Probability, seed and draws reach the files."""
    arguments = ["estimate", str(small), "--out", str(tmp_path / "out"), "--prob", "0.5", "--seed", "3", "--draws", "7"]
    assert cli.main(arguments) == 0
    assert set(pd.read_csv(tmp_path / "out" / "ages.csv")["prob"]) == {0.5}
    assert '"seed": 3' in (tmp_path / "out" / "run.json").read_text()
    assert len(pd.read_parquet(tmp_path / "out" / "draws.parquet")) == 7
    assert "50 %" in capsys.readouterr().out


def test_estimate_has_a_place_of_its_own_by_default(small, tmp_path, quick, capsys):
    """Without --out the answers go beside the input, never into it."""
    own = tmp_path / "field"
    own.mkdir()
    for path in small.iterdir():
        (own / path.name).write_bytes(path.read_bytes())
    before = sorted(path.name for path in own.iterdir())
    assert cli.main(["estimate", str(own), "--draws", "5"]) == 0
    assert sorted(path.name for path in own.iterdir()) == before
    assert (tmp_path / "field_ages" / "ages.csv").exists()
    assert "Dated trees" in capsys.readouterr().out  # six trees: all are shown


@pytest.mark.parametrize(
    ("option", "value", "message"),
    [
        ("--prob", "90", "treeage estimate, --prob: got 90, need between 0 and 1."),
        ("--prob", "nan", "treeage estimate, --prob: got nan, need between 0 and 1."),
        ("--draws", "0", "treeage estimate, --draws: got 0, need at least 1 and at most 1000000."),
        ("--seed", "-1", "treeage estimate, --seed: got -1, need at least 0."),
    ],
)
def test_wrong_options_are_bad_input(small, tmp_path, capsys, option, value, message):
    """Exit code 2 before anything is read or written."""
    assert cli.main(["estimate", str(small), "--out", str(tmp_path / "out"), option, value]) == 2
    assert message in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_bad_input_writes_nothing(tmp_path, capsys):
    """Faults in the tables: exit code 2, no output folder."""
    (tmp_path / "trees.csv").write_text("tree,species\nA1,Larix decidua\n")
    (tmp_path / "cores.csv").write_text("tree,core\nA1,a\n")
    assert cli.main(["estimate", str(tmp_path), "--out", str(tmp_path / "out")]) == 2
    assert "cores.csv" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_faults_name_the_command_and_its_options(small, tmp_path, capsys):
    """The command that was typed, and what it took for an option."""
    (tmp_path / "few").mkdir()
    (tmp_path / "few" / "trees.csv").write_text("tree,species\nA1,Larix decidua\n")
    (tmp_path / "few" / "cores.csv").write_text(
        "tree,core,outer_year,rings_counted,dating,inner_end,core_height_m\nA1,a,2024,90,crossdated,pith,1.0\n"
    )
    for words, told in (
        (["stand", str(small), "--prob", "2"], "treeage stand, --prob: got 2"),
        (["estimate", str(small), "--formats", "gif"], "treeage estimate, --formats: got gif"),
        (
            ["stand", str(tmp_path / "few")],
            "treeage stand, FOLDER: got 1 dated trees, need at least 5. Date more trees. The",
        ),
    ):
        assert cli.main([*words, "--out", str(tmp_path / "out")]) == 2
        assert told in capsys.readouterr().err


def test_help_tells_of_workbooks_and_every_way_to_end(capsys):
    """A folder may be a workbook, and 1 is not only an estimate without a date."""
    for words, told in (
        (["--help"], "tree could be dated or scored, nothing could be held against the truth, or stands of a batch"),
        *(
            ([command, "--help"], "or a workbook")
            for command in ("check", "estimate", "stand", "validate", "aim", "next")
        ),
    ):
        with pytest.raises(SystemExit):
            cli.main(words)
        assert told in " ".join(capsys.readouterr().out.split())


def test_the_input_folder_is_not_an_output_folder(small, capsys):
    """Answers among the tables would be read as tables."""
    assert cli.main(["estimate", str(small), "--out", str(small)]) == 2
    assert "need a folder other than the input" in capsys.readouterr().err


def test_a_place_that_cannot_be_written_is_bad_input(small, tmp_path, capsys, quick):
    """A file in the path of the output: the path and a step to take, no traceback."""
    (tmp_path / "file").write_text("")
    assert cli.main(["estimate", str(small), "--out", str(tmp_path / "file" / "out"), "--draws", "5"]) == 2
    assert "file, which is a file, need a folder, or a place for a new one" in capsys.readouterr().err


def test_nothing_usable_is_exit_code_one(tmp_path, capsys):
    """A field count without any distance: the answer is written, and the code says that no tree is dated."""
    folder = tmp_path / "field"
    folder.mkdir()
    (folder / "trees.csv").write_text("tree,species\nA1,Larix decidua\n")
    (folder / "cores.csv").write_text(
        "tree,core,outer_year,rings_counted,dating,inner_end,core_height_m\nA1,a,2024,90,field_count,rot,1.0\n"
    )
    assert (
        cli.main(["estimate", str(folder), "--out", str(tmp_path / "out"), "--draws", "5"]) == cli.NOTHING_USABLE == 1
    )
    said = capsys.readouterr()
    assert "No tree could be dated; the report says why." in said.err
    assert pd.read_csv(tmp_path / "out" / "ages.csv")["minimum_age"].tolist() == [90]
    assert "minimum only" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_warnings_of_the_package_become_lines():
    """Each kind of warning is a line, once; other warnings keep their way."""
    with warnings.catch_warnings(record=True) as others, screen.caught_warnings() as said:
        warnings.simplefilter("always")
        warnings.warn("cores of tree A1 disagree", ConflictWarning, stacklevel=1)
        warnings.warn("something else", UserWarning, stacklevel=1)
    assert said == ["cores of tree A1 disagree"]
    assert [str(other.message) for other in others] == ["something else"]


def test_stopping_is_not_a_traceback(small, monkeypatch, capsys):
    """The stop key gives its own code and says that nothing was changed."""

    def stop(*_arguments, **_named):
        raise KeyboardInterrupt

    monkeypatch.setattr("treeage.tables.read_field", stop)
    assert cli.main(["check", str(small)]) == cli.STOPPED == 130
    assert "no output was changed" in capsys.readouterr().err


def test_screen_shows_years_before_the_common_era():
    """The table on the screen writes BCE."""
    assert " BCE to " in screen.ages_lines(made_up_ages(3, minimum=0, outer_year=-50))


def test_screen_of_minimum_ages_has_no_dates():
    """No table of dates when there are none."""
    words = screen.ages_lines(replace(made_up_ages(2), tree_ages=(minimum_tree(),)))
    assert words.startswith("0 trees dated, 1 as a minimum only.")
    assert "Best dated" not in words
    assert "\n\n\n" not in words  # one blank line parts, two say nothing


def test_screen_lines_fit_a_terminal():
    """Nothing but a long file name is wider than the screen."""
    words = screen.ages_lines(made_up_ages(30))
    assert max(len(line) for line in words.splitlines()) <= screen.WIDTH


def test_rows_of_the_input_are_summed():
    """The last line is the sum of all tables; what did not occur is not named."""
    assert screen.account_lines(made_up_ages(14))[-1].split() == (
        ["sum", "4370", "=", "42", "estimated", "+", "6", "minimum", "only", "+", "1", "refused", "+", "4321", "used"]
    )  # hand sum: 16 trees, 33 cores, 4321 rings


def test_long_lists_are_cut_with_a_count():
    """More notes than fit are counted, not shown."""
    lines = screen.indented([f"note {number}" for number in range(20)])
    assert lines[-1] == f"  and {20 - screen.SHOWN_LINES} more, see report.html"
    assert len(lines) == screen.SHOWN_LINES + 1


def test_a_bar_shows_on_a_terminal_only(monkeypatch):
    """Steps are counted on a terminal after a moment; elsewhere nothing is written."""

    class Terminal(io.StringIO):
        def isatty(self):
            return True

    for stream, shown in ((Terminal(), True), (io.StringIO(), False)):
        monkeypatch.setattr(sys, "stderr", stream)
        monkeypatch.setattr(guard, "QUIET_SECONDS", 0)
        with screen.progress(10) as tick:
            tick(4)
            tick(6)
        assert bool(stream.getvalue()) is shown


# ------------------------------------------------------------------ example, help, process


def test_example_writes_a_folder_that_checks_and_warns(tmp_path, capsys):
    """The demo folder, its truth beside it, the next command, and the cautions."""
    assert cli.main(["example", str(tmp_path / "demo")]) == 0
    words = capsys.readouterr().out
    assert (tmp_path / "demo" / "cores.csv").exists()
    assert (tmp_path / "demo_truth" / "trees.csv").exists()
    assert f"Next: treeage estimate {tmp_path / 'demo'}" in words
    for caution in ("invented", "eye protection", "permission", "local"):
        assert caution in words


def test_example_does_not_overwrite(small, capsys):
    """A folder with files is refused."""
    assert cli.main(["example", str(small)]) == 2
    assert "need" in capsys.readouterr().err


@pytest.mark.parametrize("arguments", [[], ["estimate"], ["check", "--nonsense", "x"], ["guess", "x"]])
def test_wrong_commands_are_bad_input(arguments):
    """The parser's own faults have exit code 2 as well."""
    with pytest.raises(SystemExit, match="2"), contextlib.redirect_stderr(io.StringIO()):
        cli.main(arguments)


def test_the_module_runs_like_the_command():
    """`python -m treeage` is the same program."""
    ran = python("-m", "treeage", "--version")
    assert (ran.returncode, ran.stdout) == (0, f"treeage {VERSION}\n")
    told = python("-m", "treeage", "--help")
    assert "Exit codes: 0 done; 1 ran" in " ".join(told.stdout.split())
    assert python("-m", "treeage", "check", "no/such").returncode == 2


def test_estimate_imports_nothing_heavy(small, tmp_path):
    """The command line never loads samplers, statsmodels, SciPy's statistics, or a window system."""
    code = (
        "import sys\nfrom treeage.cli import main\n"
        f"code = main(['estimate', {str(small)!r}, '--out', {str(tmp_path / 'out')!r}, '--draws', '5'])\n"
        "heavy = ('pymc', 'arviz', 'statsmodels', 'scipy.stats', 'matplotlib.pyplot', 'tkinter')\n"
        "print([name for name in heavy if name in sys.modules], file=sys.stderr)\nraise SystemExit(code)"
    )
    ran = python("-c", code)
    assert ran.returncode == 0, ran.stderr
    assert ran.stderr.strip().splitlines()[-1] == "[]"


def test_names_in_any_script_reach_a_plain_terminal(tmp_path):
    """On a terminal that knows ASCII only, other letters are escaped instead of ending the run."""
    code = f"from treeage.cli import main; raise SystemExit(main(['check', {str(tmp_path / 'лист')!r}]))"
    command = [sys.executable, "-c", code]
    environment = {"PYTHONIOENCODING": "ascii", "PYTHONPATH": str(Path(cli.__file__).parent.parent), "PATH": ""}
    ran = subprocess.run(command, capture_output=True, timeout=60, check=False, env=environment)
    assert ran.returncode == 2
    assert b"\\u043b" in ran.stderr


def test_input_errors_are_printed_whole(capsys, monkeypatch):
    """What an error says is what the screen says."""
    from treeage.errors import Fault

    error = InputError(Fault("1", "2", "Do 3.", "f.csv", 4, "c"))
    monkeypatch.setattr("treeage.tables.read_field", lambda _folder: (_ for _ in ()).throw(error))
    assert cli.main(["check", "x"]) == 2
    assert capsys.readouterr().err == "f.csv, row 4, column c: got 1, need 2. Do 3.\n"
