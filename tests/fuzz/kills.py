"""Kills real runs of the command line (SIGKILL) that write over older answers, and says what was left.

    python tests/fuzz/kills.py 60    a third by the clock from the start to the end, the rest at a call of the writing

Half of the runs write into a folder that holds answers only, half into one with a file of somebody else in it. After
each kill the folder must hold all answers of one run or, without run.json, what the next run makes whole at its start.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

# counts the calls that change a disk from the moment the answers are complete, and ends before the one it is told
INJECT = """
import os, shutil, signal, sys
from pathlib import Path
from treeage.cli import main
from treeage.report import folder, write

place, left = int(sys.argv.pop(1)), 0

def counted(usual):
    def call(*arguments, **named):
        global left
        left += 1
        if left == place:
            os.kill(os.getpid(), signal.SIGKILL)
        return usual(*arguments, **named)
    return call

def replace_answers(*arguments):
    for name in ("replace", "rename", "unlink", "link", "rmdir", "mkdir"):
        setattr(os, name, counted(getattr(os, name)))
    Path.write_bytes, folder._exchange = counted(Path.write_bytes), counted(folder._exchange)
    try:
        return usual_answers(*arguments)
    finally:
        print("calls", left, file=sys.stderr)

usual_answers, write.replace_answers = folder.replace_answers, replace_answers
sys.exit(main())
"""


def whole_answers(out: Path) -> int:
    """Seed of the run whose answers a folder holds; every file must be of that run, and no other file be seen there."""
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    for name, checksum in record["outputs_sha256"].items():
        assert hashlib.sha256((out / name).read_bytes()).hexdigest() == checksum, name
    there = {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}
    seen = {name for name in there if not name.startswith((".", "mine"))}
    assert seen == {*record["outputs_sha256"], "run.json"}, seen
    return int(record["seed"])


def main() -> int:
    """So many kills; the numbers of what was found."""
    kills, found = int(sys.argv[1]), Counter[str]()
    with tempfile.TemporaryDirectory() as temporary:
        place = Path(temporary)
        _run([sys.executable, "-m", "treeage"], "example", place / "demo").communicate()
        calls, seconds = {}, 0.0
        for folder in ("alone", "shared"):
            start = time.monotonic()
            _estimate(place, folder, 0, 0).communicate()
            seconds = max(seconds, time.monotonic() - start)
            if folder == "shared":
                (place / folder / "mine.txt").write_text("mine")
            words = _estimate(place, folder, 0, 0).communicate()[1]
            calls[folder] = int(words.split()[-1])
        pick = random.Random(5)
        for kill in range(1, kills + 1):
            folder = ("alone", "shared")[kill % 2]
            by_clock = kill % 6 < 2
            at = 0 if by_clock else 1 + kill * calls[folder] // (kills + 1)
            running = _estimate(place, folder, kill, at)
            if by_clock:
                time.sleep(pick.uniform(0.0, 1.0) * seconds)
                running.send_signal(signal.SIGKILL)
            running.communicate()
            ended = "killed" if running.returncode == -signal.SIGKILL else "came to its end"
            found[f"{folder}: {ended}, {_state(place / folder, kill)}"] += 1
        for folder in ("alone", "shared"):
            _estimate(place, folder, 0, 0).communicate()
            assert whole_answers(place / folder) == 0
        assert not [path for path in place.rglob(".*") if path.is_dir()], "temporary folders are left"
        assert (place / "shared" / "mine.txt").read_text() == "mine"
    print(dict(sorted(found.items())), f"{calls} calls of the writing, {seconds:.1f} s a run")
    return 0


def _state(out: Path, seed: int) -> str:
    """Old or new, at once or once the next run has begun."""
    from treeage.report import check_place

    at_once = (out / "run.json").exists()
    held = whole_answers(out) if at_once and not any(out.glob(".*")) else None
    check_place(out, "kills", "folder")
    after = whole_answers(out)
    assert held in (None, after)
    return f"{'new' if after == seed else 'old'} {'at once' if held is not None else 'at the next start'}"


def _estimate(place: Path, folder: str, seed: int, at: int) -> subprocess.Popen[str]:
    line = ["estimate", place / "demo", "--out", place / folder, "--draws", 50, "--formats", "svg", "--seed", seed]
    return _run([sys.executable, "-c", INJECT, str(at)], *line)


def _run(program: list[str], *arguments: object) -> subprocess.Popen[str]:
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    line = [*program, *map(str, arguments)]
    return subprocess.Popen(line, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, env=environment)


if __name__ == "__main__":
    raise SystemExit(main())
