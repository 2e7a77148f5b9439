"""What keeps the suite itself alive: a warning that comes once a day, and the scripts that no other test calls."""

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from types import FunctionType

import pytest
from made_up_archive import write_archive
from made_up_young_trees import write_young_trees

ROOT = Path(__file__).parents[1]
CALLS = {  # arguments after the folder, and what the script must have said
    "fit_rings.py": [([], r"genus offsets \{'Larix': .*, 'Picea': .*, 'other genera': ")],
    "fit_rings_stand.py": [([], r"stand_single \[\[\[")],
    "fit_ring_rates.py": [([], r"genus +Larix +[23]\.\d+ +0\.\d+ +0\.5.*\n(.*\n)*width slope -1\.\d")],
    "check_rings.py": [
        ([], r"cross_core_cases.csv, check: \d+ cases, 2 sites\n(.*\n)+only the mean(.*\n)+all +\d+\.0")
    ],
    "fit_sections.py": [(["fit"], r"pairs of \d+ sites(.*\n)+year 0\.\d+"), (["check"], r"held (0\.|1\.)\d+ of")],
    "sbc.py": [
        (["exact", "2"], r"growth near the pith +2 (.*\n)+2 stands of 8 trees, exact: 90 % intervals hold (0|1)\.")
    ],
    "fit_heights.py": [(["score"], r"standing planted +\d+")],
    "fit_alignment.py": [
        (["fit"], "weights of the correlations"),
        (["check", "reliability.png"], r"delete: n [1-9]\d*, direction (0\.[5-9]|1)"),
        (["stand"], r"delete: n [1-9]\d*, direction (0\.[5-9]|1)"),
        (["natural"], r"natural: n [1-9]\d*, direction (0\.[5-9]|1)"),
    ],
}


def test_the_daily_warning_of_arviz_is_no_failure(monkeypatch, tmp_path):
    """ArviZ 0.23 warns at its first import of a day; warnings are errors here, and this one is not about treeage."""
    import arviz
    import platformdirs

    if not hasattr(arviz, "_warn_once_per_day"):
        pytest.skip("this ArviZ has no warning of the day")
    warn_once_a_day = FunctionType(arviz._warn_once_per_day.__code__, vars(arviz) | {"re": re})  # ArviZ drops its `re`
    monkeypatch.setattr(platformdirs, "user_cache_dir", lambda *_names: str(tmp_path))
    with pytest.warns(FutureWarning, match="undergoing a major refactor"):  # control: a new day
        warn_once_a_day()
    (tmp_path / "daily_warning").unlink()
    warn_once_a_day()  # the next day, under the filters of this suite
    assert (tmp_path / "daily_warning").exists()


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    """A copy of package and scripts, because the scripts write into the package, with a small archive beside them."""
    folder = tmp_path_factory.mktemp("house")
    for part in ("treeage", "tests/fitting"):
        shutil.copytree(ROOT / part, folder / part, ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "archive").mkdir()
    write_archive(folder / "archive")
    write_young_trees(folder / "archive")
    return folder


def said(house, *arguments):
    """What Python printed when it was called with the copied package, any warning an error."""
    ran = subprocess.run(
        [sys.executable, "-W", "error", *arguments],
        cwd=house,
        env=os.environ | {"PYTHONPATH": str(house)},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    return ran.stdout


@pytest.mark.slow
def test_every_fitting_script_runs(house):
    """On the made-up archive, in the order of use; the model of missed rings is written and can be read."""
    assert {path.name for path in (ROOT / "tests" / "fitting").glob("*.py")} == set(CALLS)
    shipped, written = (folder / "treeage" / "data" / "rings_model.json" for folder in (ROOT, house))
    before = shipped.read_bytes()
    for script, calls in CALLS.items():
        for arguments, words in calls:
            assert re.search(words, said(house, f"tests/fitting/{script}", "archive", *arguments)), (script, arguments)
    assert (house / "reliability.png").stat().st_size > 10_000
    fitted, known = json.loads(written.read_bytes()), json.loads(before)
    assert fitted.keys() == known.keys()
    changed = {name for name in known if fitted[name] != known[name]}
    assert changed > {"coefficients", "scale_coefficients", "genus_offset", "genus_scale", "stand_target"}
    assert changed > {"mean_coefficients", "mean_scale_coefficients", "mean_genus_offset", "mean_stand_sd"}
    assert shipped.read_bytes() == before


@pytest.mark.slow
def test_every_benchmark_runs():
    """Once, small; the times are not looked at."""
    folder = ROOT / "tests" / "benchmarks"
    options = ["-q", "-o", "addopts=", "-p", "no:cacheprovider", "--benchmark-disable"]
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", *options, str(folder)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert re.search(r"^\d+ passed in", ran.stdout, flags=re.MULTILINE)  # none skipped
