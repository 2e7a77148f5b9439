"""Bad and odd input ends in an answer that makes sense or in a fault that says what to do: the corpus, and new cases.

The corpus holds what once gave a traceback, a hang or a silent nonsense, as files; calls are told by their number.
"""

import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
CORPUS = sorted((HERE / "corpus").glob("*.json"))
CHUNKS, CHUNK = 6, 250  # choice: 1,500 new cases in about ten minutes of one core
ODD = (  # fmt: skip
    None,
    object(),
    "x",
    b"x",
    -1,
    1e300,
    float("nan"),
    10**400,
    [],
    [[1, 2], [3]],
    ["a"],
    {"a": 1},
    np.zeros((2, 2)),
    np.array([1 + 2j]),
    np.array("2020", dtype="datetime64[D]"),
    pd.DataFrame({"a": ["b"]}),
)
KILLS = 12  # choice: instants of runs; sixty are tried by hand


def run(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """The runner in a process of its own: it changes how figures are drawn, and sets an alarm."""
    line = [sys.executable, str(HERE / "fuzzer.py"), *map(str, arguments)]
    return subprocess.run(line, capture_output=True, text=True, check=False, timeout=1800, env=environment())


def environment() -> dict[str, str]:
    """Of a process that takes the package from here."""
    return os.environ | {"PYTHONPATH": str(ROOT)}


def test_what_was_found_once_stays_found() -> None:
    """Every case of the corpus."""
    assert len(CORPUS) > 8
    ran = run(0, "--corpus", HERE / "corpus")
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert f"'cases': {len(CORPUS)}" in ran.stdout


def test_the_runner_notices_what_is_wrong(tmp_path: Path) -> None:
    """Control: a traceback, a nonsense and a hang are told apart and counted."""
    script = tmp_path / "control.py"
    script.write_text(
        "import sys, time\nsys.path.insert(0, sys.argv[1])\nimport fuzzer as run\nfrom cases import Case\n"
        "run.MOST_SECONDS = 1\n"
        "def hang(*_):\n    while True: pass\n"
        "def fall(*_): 1 / 0\n"
        "def lie(*_): run.need(False, 'lo above hi')\n"
        "for run.run_rings in (hang, fall, lie):\n    print(run.told(Case('rings'))[0])\n"
    )
    line = [sys.executable, str(script), str(HERE)]
    said = subprocess.run(line, capture_output=True, text=True, check=True, timeout=60, env=environment()).stdout
    assert said.split() == ["hang", "traceback", "nonsense"]


def _names() -> list[str]:
    sys.path.insert(0, str(HERE))
    from calls import SLOW, calls

    return [name for name in calls(Path()) if name not in SLOW]


@pytest.mark.parametrize("name", _names())
@pytest.mark.filterwarnings("ignore::treeage.TreeageWarning")
def test_no_argument_of_any_kind_falls_through(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every public call, each argument in turn: an answer, a fault with words, or the error that is documented."""
    import calls

    import treeage

    monkeypatch.chdir(tmp_path)
    function, sound = calls.calls(tmp_path)[name]
    refused = 0
    for argument in sound:
        for value in ODD:
            try:
                function(**{**sound, argument: value})
            except (treeage.InputError, treeage.ModelError, *calls.DOCUMENTED.get(name, ())) as error:
                assert str(error)
                refused += 1
    assert refused > 0.4 * len(ODD)


@pytest.mark.slow
@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_new_cases(chunk: int) -> None:
    """No traceback, no hang, no nonsense; and the cases are not all refused, nor all sound."""
    ran = run(CHUNK, "--first", 100_000 + chunk * CHUNK)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    counts = {word: int(count) for word, count in re.findall(r"'(\w[\w ]*)': (\d+)", ran.stdout.splitlines()[-1])}
    assert counts["answer"] > 0.05 * CHUNK and counts["fault"] > 0.3 * CHUNK


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="needs signals of POSIX")
def test_kills_at_any_time_leave_whole_answers() -> None:
    """kill -9 from the start to the end of runs that write over each other: the answers of one run, all of them."""
    line = [sys.executable, str(HERE / "kills.py"), str(KILLS)]
    ran = subprocess.run(line, capture_output=True, text=True, check=False, timeout=1800, env=environment())
    assert ran.returncode == 0, ran.stdout + ran.stderr
    counts = {words: int(count) for words, count in re.findall(r"'([^']+)': (\d+)", ran.stdout.split("}")[0])}
    assert sum(counts.values()) == KILLS
    assert any("alone: killed, old at once" in words for words in counts)
    assert any("shared: killed" in words and "at the next start" in words for words in counts)  # there was to mend
