"""Pieces of golden.py: texts without what varies by nature, answers in full precision, commands."""

import contextlib
import importlib
import io
import os
import pkgutil
import re
import runpy
import subprocess
import sys
import warnings
from pathlib import Path
from types import ModuleType


def normalised(text, *places):
    """Text without dates, versions, checksums, places and embedded images."""
    for place in places:
        text = text.replace(str(place), "PLACE")
    for pattern, word in (
        (r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?([+-]\d\d:\d\d|Z)?", "DATE"),
        (r"\b[0-9a-f]{64}\b", "SHA256"),
        (r"data:image/[^\"']*", "IMAGE"),
        (r"(?m)^(\s*\"\w+\": )\"\d+(\.\w+)+\"", r"\1VERSION"),
        (r"treeage,? (version )?\d+\.\d+\.\d+", "treeage VERSION"),
        (r"(?m)^\S+\.py:\d+: (\w*Warning: .*\n)(  .*\n)?", r"\1"),
        (r"Traceback \(most recent call last\):\n(?: .*\n)+", "Traceback\n"),
        (r"Matplotlib v\d+\.\d+\S*", "Matplotlib VERSION"),
    ):
        text = re.sub(pattern, word, text)
    return text


class Part:
    """One folder of outputs: `case/quick` or `case/full`."""

    def __init__(self, out, case, part, work):
        self.folder, self.work = out / case / part, work
        self.folder.mkdir(parents=True, exist_ok=True)

    def text(self, name, text):
        """Write a normalised text."""
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(normalised(text, self.work), encoding="utf-8")

    def frame(self, name, table):
        """Write a table, floats in full."""
        self.text(f"{name}.csv", table.to_csv(index=False, lineterminator="\n"))

    def try_text(self, name, make):
        """Write what a call gives, or the fault it raises."""
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            try:
                lines = make()
            except Exception as error:  # noqa: BLE001 -- the fault is the golden output
                lines = f"{type(error).__name__}: {error}"
        lines = lines if isinstance(lines, str) else "\n".join(lines)
        self.text(name, "\n".join([lines, *(f"{one.category.__name__}: {one.message}" for one in said)]) + "\n")


def in_full(value):  # noqa: PLR0911
    """Any answer as text, floats in full."""
    import numpy as np
    import pandas as pd

    if hasattr(value, "support") and hasattr(value, "mass"):
        return f"{int(value.support[0])} {in_full(np.asarray(value.mass))}"
    if isinstance(value, pd.DataFrame):
        return value.to_csv(index=False, lineterminator="\n")
    if isinstance(value, np.ndarray):
        return f"{value.shape} " + " ".join(repr(one) for one in value.ravel().tolist())
    if isinstance(value, np.generic):
        return repr(value.item())
    if isinstance(value, dict):
        return "\n".join(f"{key}: {in_full(one)}" for key, one in value.items())
    if isinstance(value, (list, tuple)):
        return "(" + ", ".join(in_full(one) for one in value) + ")"
    return value if isinstance(value, str) else repr(value)


def public(name, *homes):
    """A public name: from the package itself, from these modules, or from wherever it has been moved to."""
    package = importlib.import_module("treeage")
    for home in ("", *homes):
        with contextlib.suppress(ImportError, AttributeError):
            found = getattr(importlib.import_module(f"treeage.{home}") if home else package, name)
            if not isinstance(found, ModuleType):  # a function may be called like its module
                return found
    for module in sorted(one.name for one in pkgutil.walk_packages(package.__path__, "treeage.")):
        if not module.endswith("__main__"):
            with contextlib.suppress(ImportError):
                found = vars(importlib.import_module(module)).get(name)
                if getattr(found, "__module__", "") == module:
                    return found
    raise AttributeError(f"no {name} anywhere in treeage")


def inside(arguments, work):
    """`python -m treeage` in this process: code, output, errors."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8") for _ in range(2))
    here, argv, code = Path.cwd(), sys.argv, 0
    try:
        os.chdir(work)
        sys.argv = ["treeage", *arguments]
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), warnings.catch_warnings():
            warnings.simplefilter("always")
            runpy.run_module("treeage", run_name="__main__", alter_sys=True)
    except SystemExit as stop:
        code = stop.code
    finally:
        os.chdir(here)
        sys.argv = argv
    texts = []
    for stream in (out, err):
        stream.flush()
        texts.append(stream.buffer.getvalue().decode("utf-8"))
    return code, *texts


def outside(arguments, work):
    """`python -m treeage` in a process of its own."""
    run = [sys.executable, "-m", "treeage", *arguments]
    done = subprocess.run(
        run, cwd=work, capture_output=True, check=False, env={**os.environ, "PYTHONIOENCODING": "utf-8"}
    )
    return done.returncode, done.stdout.decode("utf-8"), done.stderr.decode("utf-8")


def command(part, name, arguments, run):
    """Run a command and write its exit code, output and errors."""
    code, out, err = run(arguments, part.work)
    part.text(f"{name}.txt", f"treeage {' '.join(arguments)}\nexit {code}\n--- output\n{out}\n--- errors\n{err}")
