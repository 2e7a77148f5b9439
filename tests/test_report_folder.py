"""The folder of the answers: whole old or whole new ones, whatever stops the run and wherever it stands."""

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from killed_answers import contents, held

from treeage.errors import InputError
from treeage.report import check_place
from treeage.report import folder as answers

ROOT = Path(__file__).parents[1]
CASES = ("absent", "answers", "shared", "refused")


@pytest.fixture
def shared(tmp_path):
    """A folder with old answers and a file of somebody else, so that it cannot be exchanged as a whole."""
    target = tmp_path / "out"
    answers.replace_answers(target, contents("old", ["was.csv"]))
    (target / "mine.txt").write_text("mine")
    return target


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_kill_before_any_line_leaves_whole_answers():
    """Some 900 instants; without a file of others what is there is whole at once, else when the next run begins."""
    ran = subprocess.run(
        [sys.executable, str(ROOT / "tests" / "killed_answers.py")],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    told = {line.split()[0]: line for line in ran.stdout.splitlines()}
    assert tuple(told) == CASES
    assert all(int(line.split()[1]) > 50 for line in told.values())
    assert "'new'" in told["absent"] and "'none'" in told["absent"]
    for case in ("shared", "refused"):
        assert "'mixed'" in told[case]  # control: there are instants at which the next run has to help


@pytest.mark.parametrize("refused", ["ages.csv", "figures/dates.svg", "run.json"])
def test_a_file_that_cannot_be_replaced_brings_the_old_answers_back(shared, monkeypatch, refused):
    """As where another program holds it: an error, and the folder as it was."""
    usual = os.replace

    def replace(source, target):
        if Path(target) == shared / refused and READY_NAME in str(source) and answers.OLD not in str(source):
            raise PermissionError(13, "Permission denied", str(target))
        usual(source, target)

    READY_NAME = answers.READY
    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(PermissionError):
        answers.replace_answers(shared, contents("new"))
    assert held(shared) == "old"
    assert not list(shared.glob(".*"))
    monkeypatch.setattr(os, "replace", usual)
    answers.replace_answers(shared, contents("new"))
    assert held(shared) == "new"


def test_where_the_system_cannot_exchange_folders_files_move(tmp_path, monkeypatch):
    """Other systems, other disks, a place whose parent cannot be written: the same answers, in the same folder."""
    target = tmp_path / "out"
    answers.replace_answers(target, contents("old", ["was.csv"]))
    before = target.stat().st_ino
    monkeypatch.setattr(answers, "_exchange", lambda *_folders: False)
    answers.replace_answers(target, contents("new"))
    assert held(target) == "new"
    assert target.stat().st_ino == before
    assert list(tmp_path.iterdir()) == [target]
    usual = Path.mkdir

    def mkdir(path, *arguments, **named):
        if path.parent == tmp_path and path.name.endswith(answers.PART):
            raise PermissionError(13, "Permission denied", str(path))
        usual(path, *arguments, **named)

    monkeypatch.setattr(Path, "mkdir", mkdir)
    answers.replace_answers(target, contents("old", ["was.csv"]))
    assert held(target) == "old"


def test_a_run_stays_in_the_folder_it_stands_in(tmp_path, monkeypatch):
    """`--out .`: an exchange would leave the user's terminal in a folder that is gone."""
    target = tmp_path / "out"
    answers.replace_answers(target, contents("old", ["was.csv"]))
    monkeypatch.chdir(target)
    answers.replace_answers(Path(), contents("new"))
    assert held(Path.cwd()) == held(target) == "new"


def test_files_in_the_way_are_named_before_anything_moves(shared):
    """A folder where a file is to go, a file where the figures are to go: faults, all at once, and nothing changes."""
    (shared / "report.html").unlink()
    (shared / "report.html").mkdir()
    (shared / "figures" / "dates.svg").unlink()
    (shared / "figures").rmdir()
    (shared / "figures").write_text("")
    with pytest.raises(InputError) as caught:
        check_place(shared, "treeage estimate", "--out")
    assert [Path(got.split()[-1]).name for got in caught.value.faults["got"]] == ["report.html", "figures"]
    before = json.loads((shared / "run.json").read_text())
    with pytest.raises(InputError, match="report.html"):
        answers.replace_answers(shared, contents("new"))
    assert json.loads((shared / "run.json").read_text()) == before


def test_a_folder_without_permission_is_named(shared, monkeypatch):
    """As root may write anywhere, the system's answer is stood in for."""
    usual = os.access
    monkeypatch.setattr(os, "access", lambda path, mode: Path(path).name != "figures" and usual(path, mode))
    with pytest.raises(InputError, match=r"--out: got no permission to write into .*figures"):
        check_place(shared, "treeage estimate", "--out")


@pytest.mark.parametrize(
    ("place", "words"),
    [("", "an empty name"), ("/", "the root of the disk"), ("file", "the file file"), ("file/out", "which is a file"),
     ("dangling", "the file dangling"), ("a\0b", "the name of a file or folder")],
)  # fmt: skip
def test_places_that_cannot_be_are_refused(place, words, tmp_path, monkeypatch):
    """Each in one line, before the work."""
    monkeypatch.chdir(tmp_path)
    Path("file").write_text("")
    Path("dangling").symlink_to("nowhere")
    with pytest.raises(InputError, match=words):
        check_place(place, "treeage estimate", "--out")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["dangling", "file"]


def test_folders_of_killed_runs_are_cleared_and_no_others(tmp_path):
    """By the number of the process in the name; what is not of this make stays."""
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    gone = tmp_path / f".out.{ended.pid}{answers.PART}"
    lives = tmp_path / f".out.{os.getppid()}{answers.PART}"
    other = tmp_path / f".out.{ended.pid}1.partial"
    foreign = tmp_path / f".thesis.{ended.pid}{answers.PART}"
    for place in (gone, lives, other, foreign):
        place.mkdir()
    (foreign / "chapter.tex").write_text("")
    answers.replace_answers(tmp_path / "out", contents("new"))
    assert [place.exists() for place in (gone, lives, other, foreign)] == [False, True, True, True]


# ------------------------------------------------------------------ the command line as a process


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The demo folder."""
    from treeage.simulate import example_field

    return example_field(tmp_path_factory.mktemp("demo") / "field")[0]


def command(*arguments, **streams):
    """A running treeage."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": ""}
    return subprocess.Popen([sys.executable, "-m", "treeage", *map(str, arguments)], env=environment, **streams)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("unbuffered", [False, True])
def test_a_full_output_is_said_and_its_code_is_one(demo, unbuffered):
    """Whether Python notices at the print or at the end."""
    line = [sys.executable, *(["-u"] if unbuffered else []), "-m", "treeage", "check", str(demo)]
    with open("/dev/full", "w") as full:
        ran = subprocess.run(line, stdout=full, stderr=subprocess.PIPE, text=True, check=False, cwd=ROOT)
    assert ran.returncode == 1
    assert re.fullmatch(r"treeage, what it prints: got a full disk, .*No output was changed\.\n", ran.stderr)


@pytest.mark.skipif(os.name != "posix", reason="needs pipes of POSIX")
def test_a_reader_that_goes_is_no_fault(demo):
    """As in `treeage check FOLDER | head -1`: no words, and the code of the other tools of a shell."""
    reading, writing = os.pipe()
    os.close(reading)
    run = command("check", demo, stdout=writing, stderr=subprocess.PIPE)
    os.close(writing)
    assert (run.communicate()[1], run.returncode) == (b"", 141)


@pytest.mark.skipif(os.name != "posix", reason="needs a shell")
def test_closed_streams_are_no_fault(demo):
    """`2>&-` and `>&-`: the code says what there is to say."""
    ends = {"check": 0, "chekc": 2}
    for word, code in ends.items():
        line = f'"{sys.executable}" -m treeage {word} "{demo}" >&- 2>&-'
        assert subprocess.run(["sh", "-c", line], check=False, cwd=ROOT).returncode == code


@pytest.mark.skipif(os.name != "posix", reason="needs signals of POSIX")
@pytest.mark.parametrize("after", [0.02, 0.5, 1.5])
def test_a_stop_by_the_user_has_no_traceback(demo, tmp_path, after):
    """At any time after Python and the face of the commands stand: one true line, code 130, no half-written answers."""
    out = tmp_path / "out"
    code = "import sys\nfrom treeage.cli import main\nprint('ready', file=sys.stderr, flush=True)\nsys.exit(main())"
    line = [sys.executable, "-c", code, "estimate", str(demo), "--out", str(out)]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    run = subprocess.Popen(line, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    assert run.stderr.readline() == b"ready\n"
    time.sleep(after)
    run.send_signal(signal.SIGINT)
    said = run.communicate()[1].decode()
    assert run.returncode in (0, 130)
    assert "Traceback" not in said
    assert run.returncode == 0 or said.startswith("Stopped; ")
    assert ("no output was changed" in said) == (run.returncode == 130 and not out.exists())


@pytest.mark.parametrize("module", ["treeage.cli", "treeage.cli.commands", "treeage.errors"])
def test_a_stop_while_the_commands_load_has_no_traceback(module):
    """The interrupt comes at the import of a module, as the signal would."""
    code = f"""
import runpy, sys
class Stop:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            raise KeyboardInterrupt
sys.meta_path.insert(0, Stop())
sys.argv = ["treeage", "check", "nowhere"]
runpy.run_module("treeage", run_name="__main__")
"""
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT)
    assert (ran.returncode, ran.stderr, ran.stdout) == (130, "Stopped; no output was changed.\n", "")


@pytest.mark.skipif(os.name != "posix", reason="needs signals of POSIX")
def test_a_stop_that_a_library_turns_into_its_own_error_is_a_stop():
    """NumPy's extension modules answer an interrupt while they load with an ImportError (found in CI)."""
    code = """
import os, runpy, signal, sys
class Stop:
    def find_spec(self, name, path=None, target=None):
        if name == "treeage.errors":
            try:
                os.kill(os.getpid(), signal.SIGINT)
                while True:
                    pass
            except KeyboardInterrupt as error:
                raise ImportError("cannot load module more than once per process") from error
sys.meta_path.insert(0, Stop())
sys.argv = ["treeage", "check", "nowhere"]
runpy.run_module("treeage", run_name="__main__")
"""
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT)
    assert (ran.returncode, ran.stderr, ran.stdout) == (130, "Stopped; no output was changed.\n", "")
