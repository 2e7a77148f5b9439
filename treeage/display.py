"""The HTML face of results in a notebook: one sentence, a short table, and notes that fold away.

Layer 1. Own derivation.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


def html_block(
    frame: pd.DataFrame, *, sentence: str, notes: Sequence[str] = (), rows: int = 12, digits: int = 1
) -> str:
    """Render a result as HTML.

    Parameters
    ----------
    frame : pandas.DataFrame
        The table of the result.
    sentence : str
        What the result says.
    notes : sequence of str, optional
        Assumptions and caveats, folded away.
    rows : int, default 12
        Rows shown before the middle is left out (choice: half a screen).
    digits : int, default 1
        Decimals shown; the frame itself stays unrounded.

    Returns
    -------
    str
        HTML of a sentence, a table and a folded list.

    Examples
    --------
    >>> import pandas as pd
    >>> html_block(pd.DataFrame({"a": [1.25]}), sentence="One < two.")[:20]
    '<p>One &lt; two.</p>'
    """
    table = frame.round(digits).to_html(max_rows=rows, index=False, border=0)
    items = "".join(f"<li>{escape(note)}</li>" for note in notes)
    folded = f"<details><summary>Assumptions</summary><ul>{items}</ul></details>" if items else ""
    return f"<p>{escape(sentence)}</p>{table}{folded}"
