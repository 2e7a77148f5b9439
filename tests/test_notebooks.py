"""Every notebook runs from top to bottom in a fresh kernel, and is kept without output."""

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
LONG = {"learned_stand.ipynb", "stand_history.ipynb", "two_cores.ipynb"}  # PyMC, whole stands, 400 pairs: slow suite


@pytest.mark.filterwarnings("ignore")  # kernels and their loops warn about themselves, not about the package
@pytest.mark.parametrize(
    "path",
    [pytest.param(path, id=path.stem, marks=pytest.mark.slow if path.name in LONG else ()) for path in NOTEBOOKS],
)
def test_notebook_runs(path):
    """No cell fails."""
    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(notebook, timeout=900, kernel_name="python3", resources={"metadata": {"path": ROOT}})
    client.execute()
    assert all(not cell.get("outputs") or _no_error(cell) for cell in notebook.cells)


def _no_error(cell):
    return all(output["output_type"] != "error" for output in cell["outputs"])


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_kept_without_output(path):
    """Outputs are not committed: they would go stale."""
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    assert all(not cell.get("outputs") for cell in notebook.cells if cell.cell_type == "code")


def test_there_are_notebooks():
    """The folder is not empty."""
    assert NOTEBOOKS
