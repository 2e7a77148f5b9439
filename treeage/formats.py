"""Ring widths from the open formats of the trade: decadal text of the public archive and the XML tree-ring standard.

Layer 1. Formats as published by the archive and by the authors of the standard; checks are own derivation.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from treeage.errors import Fault, InputError, show
from treeage.formats_decadal import decadal_series
from treeage.formats_series import RingSeries
from treeage.formats_xml import standard_series

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["RingSeries", "read_ring_file", "ring_table"]
_SITE_LETTERS = 3  # common practice: archive names are three letters of the site, then the tree, then the core


def read_ring_file(path: str | Path) -> list[RingSeries]:
    r"""Read the width series of one file; the format is told from the content.

    Parameters
    ----------
    path : str or Path
        A decadal text file or a file of the open XML tree-ring data standard.

    Returns
    -------
    list of RingSeries
        One for each core, in the order of the file.

    Raises
    ------
    InputError
        If the file cannot be read or breaks its format, every fault with its line.

    Examples
    --------
    >>> import tempfile
    >>> folder = tempfile.mkdtemp()
    >>> file = Path(folder) / "site.rwl"
    >>> _ = file.write_text("ABC01A  1998   120    85\nABC01A  2000   101   999\n")
    >>> read_ring_file(file)[0].widths_mm.tolist()
    [1.2, 0.85, 1.01]
    """
    file = Path(path)
    try:
        raw = file.read_bytes()
    except OSError as error:
        need, do = "a readable file of ring widths", "Check the name and the folder."
        raise InputError(Fault(str(error.strerror or error), need, do, file.name)) from error
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")  # common practice: old archive files carry accents of one byte in their headers
    if text.lstrip().startswith("<"):
        return standard_series(text, file.name)
    return decadal_series(text, file.name)


def ring_table(series: Sequence[RingSeries], *, site_letters: int | None = None) -> pd.DataFrame:
    """Turn series into the rows of rings.csv.

    Parameters
    ----------
    series : sequence of RingSeries
        Series of one site.
    site_letters : int, optional
        Letters of the site at the head of names of decadal files, 0 to 7; 3 by default (common practice of the
        archive). The last letter is the core, what stands between is the tree.

    Returns
    -------
    pandas.DataFrame
        Columns tree, core, year, width_mm; 0 is a dated ring without width. Rings without a measurement
        (missing value) keep their row with an empty width.

    Raises
    ------
    InputError
        If a name cannot be split or two series get the same tree and core.

    Examples
    --------
    >>> import numpy as np
    >>> print(ring_table([RingSeries("ABC01A", 1999, np.array([0.8, 0.0]))]).to_csv(index=False).strip())
    tree,core,year,width_mm
    01,A,1999,0.8
    01,A,2000,0.0
    """
    import pandas as pd

    letters = _SITE_LETTERS if site_letters is None else site_letters
    faults, rows, seen = [], [], set()
    for one in series:
        tree, core = (one.tree, one.core) if one.tree else (one.name[letters:-1].strip(), one.name[-1:])
        if not tree or not core:
            need = f"at least {letters + 2} letters: site, tree and core"
            faults.append(Fault(show(one.name), need, "Set site_letters or rename it.", "ring_table", one.line, "name"))
        elif (tree, core) in seen:
            need = "one series for each tree and core"
            faults.append(Fault(f"{tree} {core} again", need, "Rename one.", "ring_table", one.line, "name", one.name))
        seen.add((tree, core))
        rows.append(pd.DataFrame({"tree": tree, "core": core, "year": one.years, "width_mm": one.widths_mm}))
    if faults:
        raise InputError(faults)
    columns = ["tree", "core", "year", "width_mm"]
    return pd.concat(rows, ignore_index=True)[columns] if rows else pd.DataFrame(columns=columns)
