"""Tests of treeage.display: the HTML face of results."""

import pandas as pd

from treeage.display import html_block


def test_block_escapes_rounds_and_folds() -> None:
    """Text is escaped, numbers are shown rounded, long tables are cut, notes fold away."""
    html = html_block(pd.DataFrame({"a": [1.26] * 40}), sentence="a < b", notes=["c & d"], rows=6)
    assert "<p>a &lt; b</p>" in html and "1.3" in html and "<li>c &amp; d</li>" in html
    assert html.count("<tr") < 12
    assert "<details>" not in html_block(pd.DataFrame({"a": [1]}), sentence="x")
