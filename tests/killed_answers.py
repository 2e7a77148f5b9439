"""Replaces answers in a child process that is killed before each line of the replacement in turn; says what was left.

Run by test_report_folder.py in a process of its own, which may fork because nothing in it has started threads.
Prints for each state of the target how many instants there were and how often the old and the new answers were found.
"""

import hashlib
import json
import os
import sys
import tempfile
from pathlib import Path

from treeage.report import folder as answers

NAMES = ("ages.csv", "figures/dates.svg", "report.html")
REPLACEMENT = answers.__file__
STAYS = ("shared", "refused")  # folders that cannot be exchanged as a whole


def contents(mark, extra=()):
    """Answers whose every file says to which run it belongs."""
    made = {name: f"{mark} {name}".encode() for name in (*NAMES, *extra)}
    listed = {name: hashlib.sha256(content).hexdigest() for name, content in made.items()}
    return made | {"run.json": json.dumps({"treeage": "0", "outputs_sha256": listed, "mark": mark}).encode()}


def held(target):
    """Which whole answers a folder holds: `old`, `new`, `none`, or `mixed`; files of others and hidden ones aside."""
    found = {path.relative_to(target).as_posix(): path.read_bytes() for path in target.rglob("*") if path.is_file()}
    found = {name: content for name, content in found.items() if not name.startswith((".", "mine"))}
    kinds = {"old": contents("old", ["was.csv"]), "new": contents("new"), "none": {}}
    return next((kind for kind, expected in kinds.items() if found == expected), "mixed")


def refuse_one(target):
    """Let the system refuse one of the new answers, so that the old ones must go back."""
    usual = os.replace

    def replace(source, place):
        if Path(place) == target.resolve() / "report.html" and Path(source).parent.name == answers.READY:
            raise PermissionError(13, "Permission denied", str(place))
        usual(source, place)

    os.replace = replace


def killed(target, instant, refused):
    """Replace the answers in a child that ends before the given line; whether it came to the end by itself."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    count = 0

    def watch(frame, event, _argument):
        nonlocal count
        if frame.f_code.co_filename != REPLACEMENT:
            return None
        count += event == "line"
        if count > instant:
            os._exit(9)
        return watch

    if refused:
        refuse_one(target)
    sys.settrace(watch)
    try:
        answers.replace_answers(target, contents("new"))
    except PermissionError:
        os._exit(0 if refused else 1)
    os._exit(1 if refused else 0)


def main():
    """Go through all instants for a new folder, one with answers only, and one with a file of somebody else.

    In the last case that folder stays and the system refuses one of the new files.
    """
    for case in ("absent", "answers", "shared", "refused"):
        seen, instant, done = {}, 0, False
        while not done:
            with tempfile.TemporaryDirectory() as place:
                target = Path(place, "out")
                if case != "absent":
                    answers.replace_answers(target, contents("old", ["was.csv"]))
                if case in STAYS:
                    Path(target, "mine.txt").write_text("mine")
                done = killed(target, instant, case == "refused")
                raw, claimed = held(target), (target / "run.json").exists()
                answers.check_place(target, "test", "folder")  # as the next run does first
                seen[raw, held(target)] = seen.get((raw, held(target)), 0) + 1
                record = (target / "run.json").exists()
                assert raw != "mixed" or not claimed, (case, instant)
                assert case in STAYS or raw == held(target), (case, instant, raw)
                assert held(target) in ("old", "new", "none"), (case, instant, raw)
                assert raw != "mixed" or case in STAYS, (case, instant)
                assert not done or held(target) == ("old" if case == "refused" else "new")
                assert case not in STAYS or (target / "mine.txt").read_text() == "mine"
                assert record == (held(target) != "none")
                answers.replace_answers(target, contents("new"))
                left = {path.name for path in Path(place).rglob(".*")}
                assert not left, (case, instant, left)
            instant += 1
        print(case, instant, sorted(seen.items()))


main()
