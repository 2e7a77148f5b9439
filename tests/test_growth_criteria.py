"""Tests of treeage.growth: thresholds with their sources."""

import numpy as np
import pytest

from treeage.errors import InputError
from treeage.growth import BoundaryLine, ChangeCriterion, absolute_threshold, common_criteria
from treeage.growth.changes import absolute_change

STEP = [1.0] * 10 + [1.6] * 10


def test_absolute_threshold_is_a_multiple_of_the_spread() -> None:
    """A spread of .46 gives a threshold of .575, and an increase of .60 is a release."""
    assert pytest.approx(0.575) == 1.25 * 0.46  # hand sum, practice example
    series = [np.random.default_rng(k).gamma(4.0, 0.4, size=60) for k in range(5)]
    changes = np.concatenate([absolute_change(widths) for widths in series])
    assert absolute_threshold(series) == pytest.approx(1.25 * np.nanstd(changes))  # closed form
    rule = ChangeCriterion("absolute", "absolute", 0.575, 0.575, "practice example")
    assert rule.measure(STEP)[9] >= rule.moderate


def test_methods_disagree_on_the_worked_example() -> None:
    """A 60 % change is major by percent and moderate by the boundary line."""
    line = BoundaryLine(900.0, -1.3, "illustration")
    rules = {rule.name: rule for rule in common_criteria([STEP + [1.6] * 15], line=line)}
    assert set(rules) == {"percent", "absolute", "sustained", "boundary"}
    assert rules["percent"].measure(STEP)[9] >= rules["percent"].major == 50.0  # class limits from memory
    share = rules["boundary"].measure(STEP)[9]
    assert rules["boundary"].moderate <= share < rules["boundary"].major  # hand sum: 24.5 % of the line
    assert all("1989" in r.source or "1997" in r.source or "200" in r.source for r in rules.values())


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda: ChangeCriterion("a", "ratio", 1.0, 2.0, ""), "got ratio, need one of percent, absolute"),
        (
            lambda: ChangeCriterion("a", "percent", 50.0, 25.0, ""),
            "got 25, need at least the moderate threshold 50",
        ),
        (lambda: ChangeCriterion("a", "percent", 0.0, 25.0, ""), "got 0, need finite and above 0"),
        (
            lambda: ChangeCriterion("a", "boundary", 20.0, 50.0, ""),
            "got no boundary line, need one for the species",
        ),
        (lambda: ChangeCriterion("a", "percent", 25.0, 50.0, "", 2.5), "window_years: got 2.5, need a whole number"),
        (lambda: ChangeCriterion("a", "percent", 25.0, 50.0, "", 0), "window_years: got 0, need a whole number"),
        (lambda: absolute_threshold([[1.0] * 10]), "got 0 changes, need series of at least 21 rings"),
    ],
)
def test_refusals(make, match: str) -> None:  # type: ignore[no-untyped-def]
    """Each fault names the value and the need."""
    with pytest.raises(InputError, match=match):
        make()
