"""Run the mutants of `catalogue`: each breaks one documented convention, and its tests must fail.

Each mutant is made in a copy of the package in a temporary folder; the working tree is only read. One warm process
holds numpy, pandas, scipy and pytest, and is forked for every mutant, so that only treeage itself is imported again.
Works where processes can be forked (Linux, macOS).

    python tests/mutants/run.py               all of them, after the same tests on the unchanged package
    python tests/mutants/run.py --only tilt   those whose name holds a word
"""

from __future__ import annotations

import argparse
import compileall
import contextlib
import importlib
import os
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Sequence
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
sys.path.insert(0, str(HERE))

from catalogue import MUTANTS, Mutant  # noqa: E402 -- the list stands beside this file

TIMEOUT_S = 180  # choice: a test that runs so long hangs
_WARM = ("numpy", "pandas", "scipy.special", "scipy.linalg", "scipy.sparse", "scipy.stats", "scipy.optimize", "xarray",
         "scipy.fft", "pyarrow.parquet", "hypothesis", "pytest", "tqdm", "jinja2")  # fmt: skip
KILLED, SURVIVED = "killed", "SURVIVED"


def place(mutant: Mutant, package: Path) -> str:
    """Say what is wrong with the place of a mutant, or nothing: its old text must stand once in its file."""
    file = package.parent / mutant.file
    found = file.read_text(encoding="utf-8").count(mutant.old) if file.is_file() else 0
    if found == 1:
        return ""
    others = [str(path.relative_to(package.parent)) for path in sorted(package.rglob("*.*"))
              if path.suffix in (".py", ".j2") and mutant.old in path.read_text(encoding="utf-8")]  # fmt: skip
    return f"old text found {found} times in {mutant.file}; it stands in {', '.join(others) or 'no file'}"


def mutate(mutant: Mutant, package: Path) -> None:
    """Write the new text into a copy of the package."""
    file = package.parent / mutant.file
    text = file.read_text(encoding="utf-8").replace(mutant.old, mutant.new)
    file.unlink()
    file.write_text(text, encoding="utf-8")


def run_tests(package: Path, tests: Sequence[str], log: Path) -> int:
    """Run tests with a copy of the package, in this process; the exit code of pytest, or 9 if another copy was used."""
    import pytest

    sys.dont_write_bytecode = True
    sys.path.insert(0, str(package.parent))
    os.chdir(ROOT)
    with log.open("w", encoding="utf-8") as out, contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        code = int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-W", "ignore::pytest.PytestAssertRewriteWarning",
                                "--no-header", *tests]))  # fmt: skip
    used = Path(sys.modules["treeage"].__file__ or "") if "treeage" in sys.modules else Path()
    return code if used.parent == package else 9


def verdict(status: int, *, changed: bool) -> str:
    """What the end of the forked process says."""
    if os.WIFSIGNALED(status):
        return f"stopped by signal {os.WTERMSIG(status)}"
    code = os.WEXITSTATUS(status)
    if code == 9:
        return "another copy of the package was imported"
    if code > 1:
        return f"tests could not be run (pytest {code})"
    if changed:
        return KILLED if code == 1 else SURVIVED
    return "pass" if code == 0 else "FAIL"


def _start(name: str, mutant: Mutant | None, tests: Sequence[str], pristine: Path, work: Path) -> int:
    """Fork a process that runs the tests with its own copy of the package."""
    process = os.fork()
    if process:
        return process
    code = 8
    try:
        signal.alarm(TIMEOUT_S)
        own = work / name
        shutil.copytree(pristine, own / "treeage")
        if mutant is not None:
            mutate(mutant, own / "treeage")
        code = run_tests(own / "treeage", tests, work / f"{name}.log")
        shutil.rmtree(own)
    except BaseException:  # noqa: BLE001 -- told in the log, as the process must end here
        (work / f"{name}.log").write_text(traceback.format_exc(), encoding="utf-8")
    finally:
        os._exit(code)


def run(mutants: Sequence[Mutant], *, jobs: int = 2, show_log: bool = False) -> dict[str, str]:
    """Run mutants in parallel, after their tests on the unchanged package; the verdict by name."""
    os.environ["OMP_NUM_THREADS"] = "1"
    for name in _WARM:
        importlib.import_module(name)
    if "treeage" in sys.modules:
        raise RuntimeError("run.py: treeage is imported already; start it in a process of its own")
    results = {mutant.name: place(mutant, ROOT / "treeage") for mutant in mutants}
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        pristine = work / "unchanged" / "treeage"
        shutil.copytree(ROOT / "treeage", pristine, ignore=shutil.ignore_patterns("__pycache__"))
        compileall.compile_dir(str(pristine), quiet=1)
        todo: list[tuple[str, Mutant | None, Sequence[str]]] = []
        every = sorted({test for mutant in mutants for test in mutant.tests})
        todo += [
            (f"unchanged package {part + 1}", None, every[part::jobs]) for part in range(jobs) if every[part::jobs]
        ]
        todo += [(mutant.name, mutant, mutant.tests) for mutant in mutants if not results[mutant.name]]
        running: dict[int, tuple[str, bool]] = {}
        while todo or running:
            while todo and len(running) < jobs:
                name, mutant, tests = todo.pop(0)
                running[_start(name, mutant, tests, pristine, work)] = (name, mutant is not None)
            process, status = os.wait()
            name, changed = running.pop(process)
            results[name] = verdict(status, changed=changed)
            print(f"{results[name]:<10} {name}", flush=True)
            log = work / f"{name}.log"
            if log.exists() and (show_log or results[name] not in (KILLED, "pass")):
                print(log.read_text(encoding="utf-8")[-6000:])
    return results


def main() -> int:
    """Run from the command line; 1 if any mutant is not killed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jobs", type=int, default=2, help="mutants at a time")
    parser.add_argument("--only", default="", help="part of the names")
    parser.add_argument("--log", action="store_true", help="print what pytest said")
    chosen = parser.parse_args()
    mutants = [mutant for mutant in MUTANTS if chosen.only in mutant.name]
    begin = time.perf_counter()
    results = run(mutants, jobs=chosen.jobs, show_log=chosen.log)
    bad = {name: said for name, said in results.items() if said not in (KILLED, "pass")}
    killed = sum(said == KILLED for said in results.values())
    print(f"{killed} of {len(mutants)} mutants killed in {time.perf_counter() - begin:.0f} s")
    for name, said in bad.items():
        print(f"  {name}: {said}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
