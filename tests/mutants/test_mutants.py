"""The list of mutants fits the code and the tests, and every mutant is killed."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest
from catalogue import MUTANTS
from run import place

ROOT = Path(__file__).resolve().parents[2]


@cache
def names_in(file: str) -> set[str]:
    """Names of the test functions of a file."""
    path = ROOT / file
    tree = ast.parse(path.read_text(encoding="utf-8")) if path.is_file() else ast.parse("")
    return {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}


def test_every_mutant_stands_once_in_the_code_and_names_tests_that_exist():
    """Old texts are found exactly once, so that the list cannot rot."""
    wrong = []
    for mutant in MUTANTS:
        fault = place(mutant, ROOT / "treeage")
        wrong += [f"{mutant.name}: {fault}"] if fault else []
        for test in mutant.tests:
            path, _, name = test.partition("::")
            if name.partition("[")[0] not in names_in(path):
                wrong.append(f"{mutant.name}: no test {test}")
    assert not wrong, "\n".join(wrong)


def test_mutants_are_told_apart():
    """Names are unique, every mutant changes something and has a test and a convention."""
    assert len({mutant.name for mutant in MUTANTS}) == len(MUTANTS) >= 70
    assert all(mutant.old != mutant.new and mutant.tests and mutant.breaks for mutant in MUTANTS)


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="mutants are run in forked processes")
def test_every_mutant_is_killed():
    """Each mutant makes at least one of its tests fail, and the unchanged package passes them all."""
    command = [sys.executable, str(Path(__file__).with_name("run.py")), "--jobs", "2"]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=1800, check=False)
    assert ran.returncode == 0, ran.stdout[-4000:] + ran.stderr[-2000:]
