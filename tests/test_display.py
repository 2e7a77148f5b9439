"""Tests of treeage.display: the HTML face of results."""

import re

import numpy as np
import pandas as pd
from made_up_ages import made_up_ages, minimum_tree

from treeage.checks import predictive_checks
from treeage.display import ADD_UP, Result, html_block, in_one_cell
from treeage.stand import age_structure


def test_block_escapes_rounds_and_folds() -> None:
    """Text is escaped, numbers are shown rounded, long tables are cut, notes fold away."""
    html = html_block(pd.DataFrame({"a": [1.26] * 40}), sentence="a < b", notes=["c & d"], rows=6)
    assert "<p>a &lt; b</p>" in html and "1.3" in html and "<li>c &amp; d</li>" in html
    assert html.count("<tr") < 12
    assert "<details>" not in html_block(pd.DataFrame({"a": [1]}), sentence="x")


def test_a_table_of_ages_fits_a_notebook():
    """Median and interval in one cell: seven columns at most, no upper end out of sight, whatever the flags."""
    ages = made_up_ages(5)
    page = ages._repr_html_()
    heads = re.findall(r"<th>(.*?)</th>", page)
    assert heads == ["tree", "species", "establishment year", "age", "minimum age", "flags"]
    row = ages.to_frame().iloc[0]
    low, high = row["age_lo"], row["age_hi"]
    assert f"<td>{row['age_median']}&nbsp;({low}&nbsp;to&nbsp;{high})</td>" in page


def test_missing_numbers_stay_empty_and_others_keep_their_form():
    """No interval where there is no median; floats are rounded for the eye, whole numbers and words are not."""
    frame = pd.DataFrame({"x_median": [1.26, None], "x_lo": [0.5, None], "x_hi": [2, None], "y_lo": [1, 2], "w": "a_b"})
    assert in_one_cell(frame).to_dict("list") == {
        "x": ["1.3 (0.5 to 2)", ""], "y lo": ["1", "2"], "w": ["a_b", "a_b"],
    }  # fmt: skip


def test_medians_that_do_not_add_up_are_explained_where_they_stand():
    """Below the lines of a tree."""
    assert ADD_UP in made_up_ages(1, minimum=0).tree_ages[0]._repr_html_()


def test_nothing_to_show_is_no_empty_table():
    """A tree without a date, and a result without rows: the sentence stands alone."""
    page = minimum_tree()._repr_html_()
    assert minimum_tree().sentence() in page and "<table" not in page and ADD_UP not in page
    assert "<table" not in html_block(pd.DataFrame({"a": []}), sentence="x")


def test_a_result_says_itself_in_a_terminal():
    """Its sentence and no arrays; results with a form of their own keep it, one thing is one."""
    structure = age_structure(np.full((50, 6), 1900.0))
    assert repr(structure) == f"AgeStructure: {structure.sentence()}"
    checks = predictive_checks(made_up_ages(3))
    assert repr(checks) == f"PredictiveChecks: {checks.sentence()}"
    assert repr(Result()).startswith("<treeage.display.Result")
    one = made_up_ages(1, minimum=0)
    assert repr(one).startswith("Ages(1 tree dated, 0 minimum only")
    assert one.summary().startswith("1 tree dated,")
    assert " cores)" in repr(one.tree_ages[0]) or repr(one.tree_ages[0]).endswith(" 1 core)")
