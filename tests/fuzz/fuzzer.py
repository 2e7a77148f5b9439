"""Runs made-up bad input through reading, dating and writing, and says what came of it.

    python tests/fuzz/fuzzer.py 20000               so many cases, from number 0
    python tests/fuzz/fuzzer.py 500 --first 90000   others
    python tests/fuzz/fuzzer.py 1 --first 17 --say  one of them, with what it came to

Every case must end in an answer that makes sense, or in a fault that says what to do, within ten seconds. Cases that do
not are written as files into the folder given by --keep, ready for the corpus.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import signal
import sys
import tempfile
import time
import traceback
import warnings
import xml.etree.ElementTree as ElementTree
from collections import Counter
from pathlib import Path
from types import FrameType

import numpy as np
import pandas as pd

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]

from calls import DOCUMENTED, calls  # noqa: E402
from cases import Case, case_of  # noqa: E402 -- the cases stand beside this file

import treeage  # noqa: E402
from treeage.cli import main as command_line  # noqa: E402
from treeage.report import figures as report  # noqa: E402
from treeage.results import Status  # noqa: E402

MOST_SECONDS = 10
EXPECTED = (treeage.InputError, treeage.ModelError)
OUTPUTS = {"ages.csv", "draws.parquet", "report.html", "methods.md", "run.json"}


class Hang(BaseException):
    """Longer than a case may take."""


class Nonsense(AssertionError):
    """An answer that makes no sense."""


def need(true: object, words: str) -> None:
    """Raise where something is not so."""
    if not true:
        raise Nonsense(words)


# ---------------------------------------------------------------------- one case


def outcome(case: Case, *, figures: bool = False) -> str:
    """Run a case: `answer` or `fault`; anything else is raised."""
    with tempfile.TemporaryDirectory() as place, warnings.catch_warnings():
        warnings.simplefilter("ignore", treeage.PriorWarning.__mro__[1])  # the package's own words to the user
        warnings.simplefilter("error", RuntimeWarning)  # a division by zero on its way into an answer
        try:
            run = {"folder": run_folder, "rings": run_rings, "call": run_call, "command": run_command}[case.kind]
            with contextlib.chdir(place):  # names that are not meant as such must not reach the project
                return run(case, Path(place), figures) or "answer"
        except EXPECTED as error:
            check_faults(error)
            return "fault"


def check_faults(error: treeage.InputError | treeage.ModelError) -> None:
    """A fault says where, what, and what to do, in a line a terminal can show."""
    for fault in error.faults.to_dict("records"):
        need(fault["got"] and fault["need"] and fault["do"], f"a fault without words: {fault}")
    need(not any(ord(letter) < 32 and letter != "\n" or 127 <= ord(letter) < 160 for letter in str(error)),
         f"a control character in {str(error)!r}")  # fmt: skip


def run_folder(case: Case, place: Path, figures: bool) -> str | None:
    """Read, date and write a folder."""
    folder = place / "field"
    folder.mkdir()
    for name, content in case.files.items():
        (folder / name).write_bytes(content)
    field = treeage.read_field(folder)
    field.summary(whole=True)
    ages = treeage.estimate_ages(field, prob=case.prob)
    check_ages(ages, field, case.prob)
    if not figures:
        report.render = lambda _draw, _size, formats: {each: b"<svg/>" for each in formats}
    history = treeage.stand_history(ages, count=20) if figures and len(ages.trees) > 1 else None
    files = treeage.write_outputs(ages, place / "out", draws=case.draws, history=history)
    check_files(place / "out", {path.relative_to(place / "out").as_posix() for path in files})
    shuffled = shuffle(field)
    if shuffled is not None:
        again = treeage.estimate_ages(shuffled, prob=case.prob)
        need(again.to_frame().sort_values("tree").to_csv() == ages.to_frame().sort_values("tree").to_csv()
             or sorted(again.to_frame().to_csv(index=False).split("\n"))
             == sorted(ages.to_frame().to_csv(index=False).split("\n")),
                 "the order of rows reaches the answer")  # fmt: skip


def shuffle(field: treeage.Field) -> treeage.Field | None:
    """The same tables with their rows in another order; None where that is not the same field."""
    tables = {
        name: getattr(field, name) for name in ("trees", "cores", "rings", "arcs", "points", "seedlings", "events")
    }
    mixed = {name: table.sample(frac=1.0, random_state=3) for name, table in tables.items() if len(table)}
    try:
        return treeage.Field.from_frames(mixed.pop("trees"), mixed.pop("cores"), mixed.pop("rings", None), **mixed,
                                         settings=field.settings)  # fmt: skip
    except EXPECTED as error:
        raise Nonsense(f"what was read is refused when it comes as frames: {error}") from error


def check_ages(ages: treeage.Ages, field: treeage.Field, prob: float) -> None:
    """Every number is one, in its order, and all rows are accounted for."""
    frame = ages.to_frame()
    need(frame["tree"].is_unique and set(frame["tree"]) <= set(field.trees["tree"]), "trees that are not in the input")
    dated = frame[frame["age_median"].notna()]
    for step in ("missed_rings", "pith_year", "years_to_core_height", "establishment_year", "age"):
        low, middle, high = (frame[f"{step}_{end}"].to_numpy(dtype=float) for end in ("lo", "median", "hi"))
        there = ~np.isnan(middle)
        need(
            np.array_equal(there, ~np.isnan(low)) and np.array_equal(there, ~np.isnan(high)),
            f"half an answer in {step}",
        )
        need((low[there] <= middle[there]).all() and (middle[there] <= high[there]).all(), f"{step} out of order")
        need(np.isfinite(middle[there]).all() and (np.abs(middle[there]) < 1e6).all(), f"{step} beyond all years")
    shares = dated[[name for name in dated if name.startswith("share_")]].to_numpy(dtype=float)
    need(
        not shares.size or (np.abs(shares.sum(axis=1) - 1) < 1e-6).all() and (shares > -1e-9).all(),
        "shares do not add to 1",
    )
    need((dated["age_lo"] >= 1).all(), "an age below one")
    for answer in ages:
        if answer.status != Status.ESTIMATED:
            continue
        mass = answer.date.mass
        need(np.isfinite(mass).all() and (mass >= 0).all() and abs(mass.sum() - 1) < 1e-9, f"mass of {answer.tree!r}")
        low, high = answer.date.interval(prob)
        held = answer.date.cdf(high) - answer.date.cdf(low - 1)
        need(held >= prob - 1e-9, f"the interval of {answer.tree!r} holds {held}")
    account = ages.accounting
    for table in ("trees", "cores", "rings", "seedlings", "arcs", "events"):
        rows = len(getattr(field, table))
        told = account[account["table"] == table]
        counted = told["rows"].sum() if "rows" in told else len(told)
        need(counted == rows, f"{counted} of {rows} rows of {table} accounted for")


def check_files(out: Path, files: set[str]) -> None:
    """Every file is there and reads."""
    need(files >= OUTPUTS, f"no {OUTPUTS - files}")
    record = json.loads((out / "run.json").read_text(encoding="utf-8"), parse_constant=lambda word: need(False, word))
    need(record["treeage"] == treeage.__version__, "no version")
    for name in sorted(name for name in files if name.endswith(".csv")):
        table = pd.read_csv(out / name, dtype=str, keep_default_na=False)
        bad = [cell for column in table for cell in table[column] if cell[:1] in ("=", "@", "\t", "\r")]
        need(not bad, f"a formula in {name}: {bad[:1]}")
    pd.read_parquet(out / "draws.parquet")
    page = (out / "report.html").read_text(encoding="utf-8")
    need(not any(ord(letter) < 32 and letter not in "\n\t\r" for letter in page), "a control character in report.html")
    for path in out.glob("figures/*.svg"):
        ElementTree.fromstring(path.read_bytes())


def check_stands(out: Path) -> None:
    """Answers of many stands: each dated or with its faults, none of them an error of the program, ends in order."""
    faults, summary = (pd.read_csv(out / f"{name}.csv", keep_default_na=False) for name in ("faults", "summary"))
    need(not any(f"{got}".startswith(("the error", "a worker")) for got in faults["got"]), f"{list(faults['got'])}")
    need(set(summary.loc[summary["state"] == "faulty", "site"]) == set(faults["site"]), "faulty stands without faults")
    good = summary[summary["state"] != "faulty"]
    for name in ("mean_date", "oldest_date"):
        ends = good[[f"{name}_{end}" for end in ("lo", "median", "hi")]].replace("", np.nan).to_numpy(dtype=float)
        need(not (np.diff(ends, axis=1) < 0).any(), f"{name} out of order")
        need((np.isnan(ends).all(axis=1) == (good["state"] != "dated")).all(), f"half an answer in {name}")
    if len(good):
        rows = pd.read_parquet(out / "answers")
        need(len(rows) == good["trees"].astype(int).sum(), "trees that are missing from the answers")
        need(set(rows["site"]) == set(good["site"]), "stands that are missing from the answers")


def run_rings(case: Case, place: Path, _figures: bool) -> None:
    """Read a ring file and make its table."""
    for name, content in case.files.items():
        (place / name).write_bytes(content)
        for one in treeage.formats.read_ring_file(place / name):
            widths = one.widths_mm[~np.isnan(one.widths_mm)]
            need(np.isfinite(widths).all() and (widths >= 0).all() and (widths <= 100).all(), "widths of no tree")
            need(one.widths_mm.size and abs(one.first_year) < 1e6, "years of no tree")
        treeage.formats.ring_table(treeage.formats.read_ring_file(place / name))


def run_call(case: Case, place: Path, _figures: bool) -> str | None:
    """Call a public function with arguments some of which may be of any kind."""
    function, arguments = calls(place)[case.call]
    try:
        answer = function(**{**arguments, **dict(case.arguments)})
    except DOCUMENTED.get(case.call, ()):
        return "fault"
    if isinstance(answer, treeage.Batch):
        check_stands(answer.out)
    for numbers in (answer, getattr(answer, "mass", None)):
        if isinstance(numbers, (float, np.ndarray)) and np.asarray(numbers).dtype.kind == "f":
            unknown = case.call == "mean_sensitivity" and np.isnan(numbers).all()  # as documented: no ring has a width
            need(unknown or np.isfinite(numbers).all(), f"{case.call}: not finite")
    return None


PLACES = {"FIELD": "field", "OUT": "out", "NEW": "new", "TRUTH": "truth", "DATED": "dated", "SITES": "sites",
          "FILE": "field/rings.csv"}  # fmt: skip


def run_command(case: Case, place: Path, _figures: bool) -> str | None:
    """Run a command line; a fault has words, and what is said can be shown on a terminal."""
    for name, content in case.files.items():
        target = place / name if "/" in name else place / "field" / name  # those of many stands name their folder
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
    words = [PLACES.get(str(word), str(word)) for word in case.arguments]
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code = command_line(words)
        except SystemExit as stop:  # of the parser
            code = int(stop.code or 0)
    need(code in (0, 1, 2), f"code {code}")
    need(code != 2 or err.getvalue().strip(), "a fault without words")
    said = out.getvalue() + err.getvalue()
    need(not any(ord(letter) < 32 and letter not in "\n\t" for letter in said), "a control character on the screen")
    if words[0] == "batch" and code != 2 and (place / "out" / "faults.csv").exists():
        check_stands(place / "out")
    need(code or "nan" not in out.getvalue().lower().split(), f"nan on the screen: {words}")
    return "fault" if code == 2 else None


# ---------------------------------------------------------------------- many


def told(case: Case, *, figures: bool = False) -> tuple[str, str]:
    """What came of a case, and the words to it."""

    def stop(_signal: int, _frame: FrameType | None) -> None:
        raise Hang

    for number in (signal.SIGPROF, signal.SIGALRM):
        signal.signal(number, stop)
    many = case.arguments == (("names", None),)  # of `sensitivity`: every default of the package moved in turn
    most = MOST_SECONDS * (6 if many else 1)
    signal.setitimer(signal.ITIMER_PROF, most)  # its own time, as the machine may be busy
    signal.alarm(12 * most)
    try:
        return outcome(case, figures=figures), ""
    except Hang:
        return "hang", traceback.format_exc(limit=-3)
    except Nonsense as error:
        return "nonsense", str(error)
    except Exception:
        return "traceback", traceback.format_exc(limit=-4)
    finally:
        signal.alarm(0)
        signal.setitimer(signal.ITIMER_PROF, 0)


def main() -> int:
    """Run the cases that were asked for."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("count", type=int)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--figures", type=int, default=25, help="every so many cases with figures and stand history")
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--corpus", type=Path, help="a folder of kept cases, run first")
    parser.add_argument("--say", action="store_true")
    arguments = parser.parse_args()
    kept = sorted(arguments.corpus.glob("*.json")) if arguments.corpus else []
    numbers = range(arguments.first, arguments.first + arguments.count)
    counts: Counter[str] = Counter()
    slowest, start, usual = 0.0, time.monotonic(), report.render
    for at, name in enumerate([*kept, *numbers]):
        report.render = usual
        case = Case.of_text(name.read_text(encoding="utf-8")) if isinstance(name, Path) else case_of(name)
        began = time.monotonic()
        what, words = told(case, figures=at % arguments.figures == 0)
        slowest = max(slowest, time.monotonic() - began)
        counts.update([what, f"{case.kind} {what}", "cases"])
        if counts["cases"] % 500 == 0:
            print(f"{counts['cases']} cases so far, {time.process_time():.0f} s of the processor", flush=True)
        if what not in ("answer", "fault") or arguments.say:
            print(f"{name} {case.kind} {case.call} {what} {case.arguments if case.call else ''}\n{words}", flush=True)
            if arguments.keep and not isinstance(name, Path):
                arguments.keep.mkdir(parents=True, exist_ok=True)
                (arguments.keep / f"{name}.json").write_text(case.text(), encoding="utf-8")
    seconds = time.monotonic() - start
    print(dict(sorted(counts.items())), f"{seconds:.0f} s, slowest {slowest:.1f} s")
    return int(any(counts[what] for what in ("hang", "nonsense", "traceback")))


if __name__ == "__main__":
    os.environ.setdefault("MPLBACKEND", "agg")
    raise SystemExit(main())
