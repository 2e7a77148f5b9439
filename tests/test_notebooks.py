"""Every notebook runs from any folder in a fresh kernel and still gives the outputs that it carries."""

import ast
import base64
import re
import struct
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

import treeage

ROOT = Path(__file__).parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
LONG = {"learned_stand.ipynb", "stand_history.ipynb", "two_cores_and_the_stand.ipynb"}  # PyMC, stands, 400 pairs: slow
LEAST_PX = 900  # a figure of 85 mm at 300 dots an inch has 1004; the smallest here are a little narrower


def shown(notebook):
    """What each code cell shows: the kinds of its outputs, and its printed words without their numbers."""
    found = []
    for cell in notebook.cells:
        if cell.cell_type == "code":
            kinds = [sorted(output.get("data", {"text": ""})) for output in cell.outputs if not is_aside(output)]
            words = "".join(output.text for output in cell.outputs if output.get("name") == "stdout")
            found.append((kinds, re.sub(r"[-\d.,]+", "#", words).split()))
    return found


def is_aside(output):
    """Streams are told by their words, and what warns or reports progress is no result."""
    return output.output_type == "stream"


def pictures(notebook):
    """Every figure of a notebook as bytes."""
    every = (output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs)
    return [base64.b64decode(each.data["image/png"]) for each in every if "image/png" in each.get("data", {})]


@pytest.mark.filterwarnings("ignore")  # kernels and their loops warn about themselves, not about the package
@pytest.mark.parametrize(
    "path",
    [pytest.param(path, id=path.stem, marks=pytest.mark.slow if path.name in LONG else ()) for path in NOTEBOOKS],
)
def test_notebook_gives_its_outputs_from_any_folder(path, tmp_path, monkeypatch):
    """No cell fails in an empty folder; each shows what it did: figures, tables, words."""
    monkeypatch.delenv("MPLBACKEND", raising=False)  # the kernel chooses: figures go into the notebook
    kept, again = nbformat.read(path, as_version=4), nbformat.read(path, as_version=4)
    NotebookClient(again, timeout=900, kernel_name="python3", resources={"metadata": {"path": tmp_path}}).execute()
    assert shown(again) == shown(kept)
    assert len(pictures(again)) == len(pictures(kept)) > 0


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_carries_its_outputs(path):
    """Every cell that ends in a value or a figure shows it, none an error, and figures can be printed."""
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    assert not [cell for cell in notebook.cells for each in cell.get("outputs", ()) if each.output_type == "error"]
    assert all(cell.execution_count for cell in notebook.cells if cell.cell_type == "code")
    for picture in pictures(notebook):
        width, _ = struct.unpack(">II", picture[16:24])
        assert width >= LEAST_PX


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_uses_public_names_and_no_path_of_a_checkout(path):
    """What it takes from the package is given away by the package or a face of it; no folder is assumed."""
    notebook = nbformat.read(path, as_version=4)
    source = "\n".join(cell.source for cell in notebook.cells if cell.cell_type == "code")
    assert '"data' not in source and "../" not in source
    tree = ast.parse(re.sub(r"^%.*$", "", source, flags=re.MULTILINE))
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module.startswith("treeage"):
            room = node.module.partition(".")[2]
            given = dir(getattr(treeage, room)) if room else dir(treeage)
            assert {alias.name for alias in node.names} <= set(given), node.module
        if isinstance(node, ast.Attribute):
            assert not node.attr.startswith("_")


def test_the_readme_shows_every_notebook():
    """A gallery with a picture each."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert NOTEBOOKS
    for path in NOTEBOOKS:
        assert f"(notebooks/{path.name})" in text and f"(notebooks/pictures/{path.stem}.png)" in text
        assert (path.parent / "pictures" / f"{path.stem}.png").stat().st_size < 60_000
