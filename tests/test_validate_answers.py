"""Scores of written answers: closed forms on made-up tables, and that wrong intervals are called so."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from treeage.errors import InputError
from treeage.validate import score_answers


def made_up(error: int = 0, half: int = 10, trees: int = 60) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Answers even over 2 half + 1 years round a date that is wrong by up to `half`, evenly, and by `error` more."""
    known = 1800 + 3 * np.arange(trees)
    off = np.round(np.linspace(-half, half, trees)).astype(int) + error
    names = [f"T{number:02d}" for number in range(trees)]
    middle = known + off
    reach = int(0.9 * half)
    ages = pd.DataFrame({"tree": names, "date_refers_to": "root collar", "prob": 0.9})
    for stem in ("establishment_year", "pith_year"):
        later = 10 * (stem == "pith_year")
        ages[f"{stem}_median"], ages[f"{stem}_lo"], ages[f"{stem}_hi"] = (
            middle + later, middle - reach + later, middle + reach + later,
        )  # fmt: skip
    steps = np.arange(-half, half + 1)
    draws = pd.DataFrame({name: centre + steps for name, centre in zip(names, middle, strict=True)})
    truth = pd.DataFrame({"tree": names, "establishment_year": known, "pith_year": known + 10})
    return ages, draws, truth


def test_right_intervals_are_as_promised() -> None:
    """Dates even over the stated years: mean error 0, mean absolute error about half the reach (closed form)."""
    score = score_answers(*made_up())
    assert (score.trees["inside"] == (score.trees["error"].abs() <= 9)).all()
    assert score.size["mean_error"].item() == pytest.approx(0, abs=0.05)
    assert score.size["mean_absolute_error"].item() == pytest.approx(10 / 2, abs=0.2)
    assert score.levels["within"].all()
    assert "as promised" in score.sentence()
    known = 1800 + 3 * np.arange(60)
    assert score.mean_date["known"] == known.mean()


@pytest.mark.parametrize(("error", "half", "word"), [(15, 10, "too few"), (0, 2, "as promised")])
def test_wrong_intervals_are_called_so(error: int, half: int, word: str) -> None:
    """Negative control: dates late by more than the interval reaches."""
    sentence = score_answers(*made_up(error, half)).sentence()
    assert word in sentence
    assert ("15.0 years too late" in sentence) == (error == 15)


def test_few_trees_are_not_judged() -> None:
    """One late tree proves nothing."""
    ages, draws, truth = made_up(error=15)
    sentence = score_answers(ages, draws, truth.head(1)).sentence()
    assert sentence.startswith("1 tree has an answer")
    assert "too few trees to judge" in sentence


def test_intervals_too_wide_are_called_so() -> None:
    """Every truth in the middle: more hits than promised."""
    ages, draws, truth = made_up()
    truth["establishment_year"] = ages["establishment_year_median"]
    assert "too many" in score_answers(ages, draws, truth).sentence()


def test_trees_dated_at_coring_height_are_scored_by_their_pith_year() -> None:
    """The same score when every date and truth is ten years later."""
    ages, draws, truth = made_up()
    above = score_answers(ages.assign(date_refers_to="coring height"), draws + 10, truth)
    pd.testing.assert_frame_equal(above.levels, score_answers(ages, draws, truth).levels)
    with pytest.raises(InputError, match="no such tree"):
        score_answers(ages.assign(date_refers_to="coring height"), draws, truth.drop(columns="pith_year"))


def test_undated_trees_are_counted() -> None:
    """Trees with a known date and no dated answer are told, those without a known date are not."""
    ages, draws, truth = made_up()
    ages.loc[:2, ["establishment_year_median", "date_refers_to"]] = [np.nan, ""]
    truth.loc[10, ["establishment_year", "pith_year"]] = np.nan
    score = score_answers(ages, draws, truth)
    assert (len(score.trees), score.without) == (56, 3)
    assert "3 more with a known date have no dated answer" in score.sentence()


def test_the_figure_shows_every_tree() -> None:
    """One known date a tree, open markers where the interval misses it."""
    score = score_answers(*made_up(error=5))
    axes = score.plot()
    known = next(line for line in axes.lines if line.get_marker() == "|")
    assert len(known.get_xdata()) == 60
    open_ = next(line for line in axes.lines if line.get_markerfacecolor() == "white")
    assert len(open_.get_xdata()) == (~score.trees["inside"]).sum() > 0
    import matplotlib.pyplot as plt

    plt.close(axes.figure)
