"""Tests of the figures of stand and growth: axes given are used, labels carry units, colours differ in grey print."""

import inspect
import re
from dataclasses import replace

import numpy as np
import pytest
from made_up_ages import made_up_ages
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from treeage.checks import predictive_checks
from treeage.plots import stand as plots_stand
from treeage.plots.style import DEEP, PALE, WARM
from treeage.stand import (
    PulseHistory,
    StandOrigin,
    after_events,
    age_from_diameter,
    age_structure,
    find_pulses,
    recruitment_history,
    split_shared,
    stand_origin,
)


def test_every_plot_takes_and_returns_axes() -> None:
    """Every public plot has a result, then ax as a keyword only; further keywords have defaults."""
    plots = [item for name, item in vars(plots_stand).items() if name.startswith("plot_")]
    assert plots
    for plot in plots:
        parameters = list(inspect.signature(plot).parameters.values())
        assert [parameter.name for parameter in parameters[:2]] == [parameters[0].name, "ax"]
        assert all(more.default is not inspect.Parameter.empty for more in parameters[2:])
        assert parameters[1].kind is inspect.Parameter.KEYWORD_ONLY and parameters[1].default is None


def test_colours_differ_in_grey() -> None:
    """The three main colours are far apart in lightness."""
    grey = sorted(np.dot([0.299, 0.587, 0.114], to_rgb(color)) for color in (DEEP, WARM, PALE))  # luma, ITU-R BT.601
    assert np.diff(grey).min() > 0.2


def test_years_before_the_common_era_are_written_so() -> None:
    """In every figure of a stand that has years along its axis, and in every sentence; no negative year."""
    rng = np.random.default_rng(1)
    draws = rng.normal([-219.0] * 7 + [-100.0] * 7, 8.0, (400, 14)).round()
    split = split_shared(draws)
    recruited = recruitment_history(draws, split=split, count=100, events={"flood": -219})
    origin = stand_origin(split, recruited, seed=1)
    pulses = find_pulses(draws, split=split, seed=1)
    response = after_events(draws, {"flood": -219})
    for figure, result in (
        (plots_stand.plot_structure, age_structure(draws)), (plots_stand.plot_recruitment, recruited),
        (plots_stand.plot_pulses, pulses), (plots_stand.plot_origin, origin), (plots_stand.plot_events, response),
    ):  # fmt: skip
        ax = figure(result, ax=Figure().subplots())
        ax.figure.canvas.draw()
        words = [label.get_text() for label in ax.get_xticklabels()]
        assert words and all("BCE" in each for each in words)
        assert not any("-" in text.get_text() for text in ax.texts if "%" in text.get_text())
        assert not re.search(r"-\d", result.sentence().replace("-year", ""))
    assert "flood (220 BCE)" in response.sentence() and "flood (220 BCE)" in recruited.sentence()


def test_keys_of_a_stand_stand_over_no_data() -> None:
    """On a page of one column (85 mm), where three lines of words are half as wide as the figure."""
    draws = np.random.default_rng(1).normal([1860.0] * 4 + [1920.0] * 4, 20.0, (400, 8)).round()
    recruited = recruitment_history(draws, count=200)
    for figure, result, tallest in (
        (plots_stand.plot_structure, age_structure(draws), age_structure(draws).to_frame()["trees_hi"].max()),
        (plots_stand.plot_recruitment, recruited, recruited.to_frame()["establishment_hi"].max()),
    ):
        ax = figure(result, ax=Figure(figsize=(85 / 25.4, 2.6), layout="constrained").subplots())
        ax.figure.canvas.draw()
        below = ax.transData.inverted().transform(ax.get_legend().get_window_extent())[0, 1]
        assert below > tallest


def test_counts_of_trees_have_whole_marks() -> None:
    """No half tree beside the bars of one tree each."""
    pulses = find_pulses(np.random.default_rng(1).normal(np.arange(1800.0, 1900.0, 20.0), 8.0, (400, 5)), seed=1)
    ax = plots_stand.plot_pulses(pulses, ax=Figure().subplots())
    assert all(float(tick).is_integer() for tick in ax.get_yticks())


def test_a_figure_without_checks_says_so() -> None:
    """And is no empty box."""
    ax = plots_stand.plot_checks(predictive_checks(made_up_ages(3)), ax=Figure().subplots())
    assert [text.get_text() for text in ax.texts] == ["too few cases for any check"]


def test_periods_are_drawn_whole() -> None:
    """No mark of a period beyond those with trees stands half on the edge."""
    rng = np.random.default_rng(1)
    result = age_structure(rng.normal([1800.0] * 9 + [1900.0] * 9, 8.0, (2000, 18)).round(), bin_years=10, prob=0.5)
    ax = plots_stand.plot_structure(result, ax=Figure().subplots())
    left, right = ax.get_xlim()
    edges = np.abs(np.subtract.outer(result.to_frame()["year_first"].to_numpy() + 5, [left, right]))
    assert edges.min() >= 1.9  # choice: a mark of 4 points is narrower than two years of this axis


def test_pulse_plot_draws_one_mark_a_pulse() -> None:
    """Dates and shares are where the draws say."""
    draws = np.tile([1850.0], (10, 1))
    result = PulseHistory(
        np.array([0.1, 0.9]), draws, np.full((10, 1), 5.0), np.full((10, 1), 0.4), draws - 8, np.zeros((10, 1)),
        np.full((4, 2), 0.5), 4, 15.0, 0.9,
    )  # fmt: skip
    ax = Figure().subplots()
    plots_stand.plot_pulses(result, ax=ax)
    (mark,) = [line for line in ax.lines if line.get_marker() == "o"]
    assert mark.get_xdata().tolist() == [1850.0]
    assert any("1850, 40 % of trees" in text.get_text() for text in ax.texts)
    assert "1:\u00a00.9" in ax.get_title(loc="left")
    dated = replace(result, tree_dates=np.array([1840.0, 1850.0, 1850.0, 1900.0]))
    bars = plots_stand.plot_pulses(dated, ax=Figure().subplots()).patches
    assert sum(bar.get_height() for bar in bars) == 4  # every tree stands under its pulse


def test_age_from_diameter_draws_the_trees() -> None:
    """Every cored tree is a mark where it was measured; no mark decorates a line."""
    rng = np.random.default_rng(1)
    size = rng.uniform(10, 60, 30)
    years = 2024 - 5 * size + rng.normal(0, 5, (200, 30))
    groups = ["Larix decidua"] * 15 + ["Picea abies"] * 15
    model = age_from_diameter(years, size, survey_year=2024, groups=groups)
    ax = plots_stand.plot_diameter(model, ax=Figure().subplots())
    marks = [line for line in ax.lines if line.get_linestyle() == "None" and len(line.get_xdata())]
    assert sorted(np.concatenate([line.get_xdata() for line in marks])) == sorted(size)
    assert all(
        line.get_marker() == "None" for line in ax.lines if line.get_linestyle() != "None" and len(line.get_xdata())
    )
    assert [text.get_fontstyle() for text in ax.get_legend().get_texts()] == ["normal", "italic", "italic"]


def test_events_stand_on_the_recruitment() -> None:
    """Known events are dashed lines with their names."""
    draws = np.random.default_rng(2).normal(1900, 10, (500, 30)).round()
    history = recruitment_history(draws, count=100, events={"fire": 1890})
    ax = plots_stand.plot_recruitment(history, ax=Figure().subplots())
    assert any(list(line.get_xdata()) == [1890.0, 1890.0] for line in ax.lines)
    assert any("fire (1890)" in text.get_text() for text in ax.texts)


def test_no_pulse_says_so() -> None:
    """An empty figure carries words."""
    empty = np.empty((10, 0))
    result = PulseHistory(np.array([0.95, 0.05]), empty, empty, empty, empty, empty, np.ones((4, 1)), 4, 15.0, 0.9)
    ax = Figure().subplots()
    plots_stand.plot_pulses(result, ax=ax)
    assert any("no pulse" in text.get_text() for text in ax.texts)


def test_origin_plot_leaves_its_tail_outside_the_axis() -> None:
    """Bars are whole years, and the earliest draws are not piled into the first bar but named in the label."""
    origin = np.append(np.arange(1701.0, 1801.0).repeat(10), np.full(10, 1400.0))  # 10 draws a year, and 1 % far off
    result = StandOrigin(origin, origin, 0.0, 1810.0, 20, 0.9)
    ax = Figure().subplots()
    plots_stand.plot_origin(result, ax=ax)
    bars = [patch for patch in ax.patches if hasattr(patch, "get_height")]
    assert {bar.get_width() for bar in bars} == {2.0}  # a hundred years in at most 80 bars
    assert max(bar.get_height() for bar in bars) == pytest.approx(100 * 20 / 1010)  # hand sum: two years of ten draws
    assert ax.get_xlim()[0] == 1700.5 and "1 % of the origin is earlier" in ax.get_xlabel()
    assert ax.get_ylabel() == "Probability per 2 years [%]"
