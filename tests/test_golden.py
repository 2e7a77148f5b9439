"""The package says what it said before: golden outputs against their fingerprints; see golden/golden.py."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parent / "golden" / "golden.py"
# small fields that between them reach cores read together, several heights, bounds, marks, lost rings, and faults
FAST = ("pairs", "two_heights", "bounds", "marks", "lost_outer", "faults_cells", "faults_settings")


def golden(*arguments):
    """Run the script with the package under test."""
    run = [sys.executable, str(SCRIPT), *map(str, arguments)]
    environment = {**os.environ, "PYTHONHASHSEED": "0"}
    return subprocess.run(run, capture_output=True, text=True, check=False, timeout=1500, env=environment)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The fast cases, made once."""
    folder = tmp_path_factory.mktemp("golden") / "made"
    done = golden("make", folder, "--quick", *(word for name in FAST for word in ("--only", name)))
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture
def changed(made, tmp_path):
    """A copy to change."""
    return Path(shutil.copytree(made, tmp_path / "changed"))


def test_small_fields_are_answered_as_before(made):
    """Words, whole numbers and sums of floats agree with fingerprints.json."""
    done = golden("fingerprint", made, "--check")
    assert done.returncode == 0, done.stdout + done.stderr
    assert len(json.loads((made / "made.json").read_text())) == len(FAST)


def edit(path, change):
    """Change a text file and check that it is another one."""
    text = path.read_text(encoding="utf-8")
    assert change(text) != text
    path.write_text(change(text), encoding="utf-8")


CHANGES = {
    "a word": ("pairs/quick/words.txt", lambda text: text.replace("established", "founded", 1)),
    "a whole number": ("two_heights/quick/ages.csv", lambda text: text.replace("19", "18", 1)),
    "a fault": ("faults_cells/quick/check.txt", lambda text: text.replace("exit 2", "exit 0")),
    "a mass": ("bounds/quick/masses.txt", lambda text: text.replace(" 0.1", " 0.7")),
}


@pytest.mark.parametrize("name", CHANGES)
def test_a_change_is_found(made, changed, name):
    """Negative control: both ways of comparing see a changed output, and an unchanged copy is the same."""
    assert golden("compare", made, changed).returncode == 0
    file, change = CHANGES[name]
    edit(changed / file, change)
    found = golden("compare", made, changed)
    assert found.returncode == 1
    assert file in found.stdout
    against = golden("fingerprint", changed, "--check")
    assert against.returncode == 1
    assert file in against.stdout


def test_a_missing_file_is_found(made, changed):
    """Negative control: an output that is not made any more."""
    (changed / "marks/quick/masses.txt").unlink()
    assert "marks/quick/masses.txt: only in" in golden("compare", made, changed).stdout
    assert "marks/quick/masses.txt: missing" in golden("fingerprint", changed, "--check").stdout


@pytest.mark.slow
def test_everything_is_said_as_before(tmp_path):
    """All cases and commands, made whole."""
    done = golden("make", tmp_path / "made")
    assert done.returncode == 0, done.stderr
    found = golden("fingerprint", tmp_path / "made", "--check")
    assert found.returncode == 0, found.stdout + found.stderr
    kept = json.loads(SCRIPT.with_name("fingerprints.json").read_text(encoding="utf-8"))
    assert sorted(kept) == sorted(json.loads((tmp_path / "made" / "made.json").read_text()))
