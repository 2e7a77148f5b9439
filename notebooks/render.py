"""Runs the notebooks from another folder and keeps their outputs, with a small picture of each for the README.

python notebooks/render.py [NAME ...]
"""

import base64
import io
import os
import sys
import tempfile
from pathlib import Path

import nbformat
from nbclient import NotebookClient
from PIL import Image

FOLDER = Path(__file__).parent
PICTURE_PX = 480


def render(path: Path) -> None:
    """Run one notebook in a fresh kernel, drop what changes from run to run, keep the rest and its last picture."""
    notebook = nbformat.read(path, as_version=4)
    os.environ.pop("MPLBACKEND", None)  # the kernel chooses: figures go into the notebook
    with tempfile.TemporaryDirectory() as place:
        NotebookClient(notebook, timeout=1800, kernel_name="python3", resources={"metadata": {"path": place}}).execute()
    pictures = []
    for cell in notebook.cells:
        cell.metadata.clear()
        for output in cell.get("outputs", ()):
            if "image/png" in output.get("data", {}):
                pictures.append((cell.source, output["data"]["image/png"]))
    notebook.metadata = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}
    nbformat.write(notebook, path)
    chosen = next((data for source, data in pictures if "# picture" in source), pictures[-1][1])
    image = Image.open(io.BytesIO(base64.b64decode(chosen))).convert("RGB")
    image.thumbnail((PICTURE_PX, PICTURE_PX))
    image.quantize(64).save(FOLDER / "pictures" / f"{path.stem}.png", optimize=True)


if __name__ == "__main__":
    (FOLDER / "pictures").mkdir(exist_ok=True)
    for each in sorted(FOLDER.glob("*.ipynb")):
        if not sys.argv[1:] or each.stem in sys.argv[1:]:
            render(each)
            print(each.stem)
