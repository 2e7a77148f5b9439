"""Figures: what is drawn where, read back from the artists; looks that hold in grey; nothing global changed."""

from dataclasses import replace
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_up_ages import bell, made_up_ages, made_up_tree, minimum_tree
from matplotlib import pyplot as plt
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure

from treeage.batch import Batch
from treeage.display import year_text
from treeage.errors import InputError
from treeage.plots import ages as plots
from treeage.plots.style import GROUPS, WARM, group_looks, padded, year_axis, year_ticks
from treeage.pmf import Mass, Pmf
from treeage.results import SHARES, joint_years
from treeage.stand import age_structure

mpl.use("Agg")
AGES = made_up_ages()
EVERY = {
    "plot_dates": AGES,
    "plot_age_structure": AGES,
    "plot_uncertainty_sources": AGES,
    "plot_anatomy": AGES.tree_ages[2],
    "plot_mass": bell(20, 4),
}


@pytest.fixture(autouse=True)
def _close_figures():
    """Leave no figure open."""
    yield
    plt.close("all")


def empty_axes():
    """Axes of a figure outside pyplot."""
    return Figure(figsize=(6, 4)).subplots()


def luminance(colour):
    """Relative luminance of a colour in print."""
    red, green, blue = mpl.colors.to_rgb(colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue  # ITU-R BT.709 weights


def grey_labels(ax):
    """Labels of both axes and of all ticks."""
    return [text.get_text() for text in (*ax.get_xticklabels(), *ax.get_yticklabels())]


@pytest.mark.parametrize("name", sorted(EVERY))
def test_draws_on_the_axes_it_is_given(name):
    """The axes passed in come back, with labels, and pyplot knows of no new figure."""
    before = plt.get_fignums()
    ax = empty_axes()
    assert getattr(plots, name)(EVERY[name], ax=ax) is ax
    assert ax.get_xlabel()
    assert plt.get_fignums() == before


@pytest.mark.parametrize("name", sorted(EVERY))
def test_makes_a_figure_and_changes_nothing_global(name):
    """Without axes a figure opens that pyplot shows; the global settings stay as they were."""
    before, others = dict(mpl.rcParams), plt.get_fignums()
    ax = getattr(plots, name)(EVERY[name])
    assert plt.get_fignums() == [*others, ax.figure.number]
    ax.figure.canvas.draw()
    assert dict(mpl.rcParams) == before


def test_results_plot_themselves():
    """Ages, one tree and one mass function hand over to the same functions."""
    assert AGES.plot(Figure(figsize=(6, 8)).subplots()).get_ylabel() == "Tree"
    assert AGES["T03"].plot(empty_axes()).get_title(loc="left") == "Tree T03"
    assert bell(5, 1).plot(empty_axes()).get_ylabel() == "Probability"


def test_dates_are_in_order_with_their_intervals():
    """Line ends are the interval ends; trees stand in order of their median."""
    ax = plots.plot_dates(made_up_ages(12, minimum=0), ax=empty_axes())
    names = [label.get_text() for label in ax.get_yticklabels()]
    ages = made_up_ages(12, minimum=0)
    medians = [ages[name].establishment_year.median() for name in names]
    assert medians == sorted(medians)
    drawn = {}
    for lines in ax.collections:
        if isinstance(lines, LineCollection) and lines.get_linewidth()[0] < 1:
            drawn |= {int(line[0][1]): (line[0][0], line[1][0]) for line in lines.get_segments()}
    assert {at: ages[name].establishment_year.interval(0.9) for at, name in enumerate(names, 1)} == drawn
    assert "90 %" in ax.get_xlabel()


def test_dates_mark_the_events_in_view():
    """One dashed line an event, named with its year; events outside the axis are left out."""
    ax = plots.plot_dates(AGES, ax=empty_axes())
    lines = [line for line in ax.lines if line.get_linestyle() == "--" and line.get_color() == WARM]
    assert sorted(line.get_xdata()[0] for line in lines) == [1847, 1850, 1926]
    words = [text.get_text() for text in ax.texts if text.get_text()]
    assert words == ["fire (1847)", "new law (1850)", "end of grazing (1926)"]
    heights = {text.get_text(): text.xyann[1] for text in ax.texts if text.get_text()}
    assert heights["fire (1847)"] != heights["new law (1850)"]  # three years apart: names on two lines
    early = replace(AGES, events=AGES.events.assign(year=[1066, 1850, 2200]))
    assert [text.get_text() for text in plots.plot_dates(early, ax=empty_axes()).texts if text.get_text()] == [
        "new law (1850)"
    ]


def test_minimum_only_trees_point_to_the_past():
    """An arrow from the innermost counted ring to the left edge, and a line in the key."""
    ages = replace(AGES, tree_ages=(made_up_tree(1), minimum_tree("R1", 95)))
    ax = plots.plot_dates(ages, ax=empty_axes())
    arrows = [text for text in ax.texts if text.arrow_patch is not None]
    assert arrows[0].xyann[0] == 1930  # hand sum: 2024 - 95 + 1
    assert arrows[0].xy[0] == ax.get_xlim()[0]
    assert "rings counted only: about then or before" in [text.get_text() for text in ax.get_legend().get_texts()]
    alone = plots.plot_dates(replace(AGES, tree_ages=(minimum_tree("R1", 95),)), ax=empty_axes())
    assert [text.get_text() for text in alone.get_legend().get_texts()] == ["rings counted only: about then or before"]


def test_years_before_the_common_era_are_labelled():
    """A stand of 2,100-year-old trees has BCE labels and no year 0."""
    ax = plots.plot_dates(made_up_ages(12, minimum=0, outer_year=120), ax=empty_axes())
    labels = [label.get_text() for label in ax.get_xticklabels()]
    assert any(label.endswith(" BCE") for label in labels)
    assert any(label.endswith(" CE") for label in labels)
    assert not any(label.split()[0] == "0" for label in labels)


def test_a_dollar_sign_in_a_name_is_text():
    """Names with two dollar signs must not be set as a formula."""
    ages = made_up_ages(3, minimum=0, names=("A$x^2$", "$B_1$", "plain"))
    for draw in (plots.plot_dates, plots.plot_uncertainty_sources):
        ax = draw(ages, ax=empty_axes())
        ax.figure.canvas.draw()
        assert {label.get_text() for label in ax.get_yticklabels()} == {"A$x^2$", "$B_1$", "plain"}
        assert not any(label.get_parse_math() for label in ax.get_yticklabels())
    assert not plots.plot_anatomy(ages["$B_1$"], ax=empty_axes())._left_title.get_parse_math()


def test_many_trees_are_not_named_one_by_one():
    """Above 80 trees the axis counts trees instead of naming them."""
    ages = made_up_ages(90, minimum=0)
    ax = plots.plot_dates(ages, ax=empty_axes())
    assert ax.get_ylabel() == "Trees in order of date [number]"
    ends = [line.get_segments() for line in ax.collections if isinstance(line, LineCollection)]
    assert {segment[0][1] for segments in ends for segment in segments} == set(range(1, 91))  # the first is number 1
    ax = plots.plot_uncertainty_sources(ages, ax=empty_axes())
    assert ax.get_ylabel() == "Trees in order of their uncertainty [number]"


@pytest.mark.parametrize("name", ["plot_dates", "plot_age_structure", "plot_uncertainty_sources"])
def test_a_field_without_dated_trees_says_so(name):
    """No tree at all still gives axes with a sentence."""
    ax = getattr(plots, name)(replace(AGES, tree_ages=()), ax=empty_axes())
    assert [text.get_text() for text in ax.texts] == ["No tree could be dated."]


@pytest.mark.parametrize("name", ["plot_dates", "plot_age_structure", "plot_uncertainty_sources"])
def test_legend_is_outside_the_axes(name):
    """No tree and no line of an event can run under it, whatever the number of species: it stands below the axes."""
    mixed = [replace(made_up_tree(at), species=f"Genus no{'abcdefghi'[at]}") for at in range(9)]
    for ages in (AGES, replace(AGES, tree_ages=tuple(mixed))):
        ax = getattr(plots, name)(ages, ax=Figure(layout="constrained").subplots())
        ax.figure.draw_without_rendering()
        legend = ax.get_legend().get_window_extent()
        assert legend.y1 <= ax.get_window_extent().y0 and legend.y0 >= 0


def test_no_two_of_many_species_look_alike():
    """Colours and markers come again after different numbers: 20 species have 20 looks."""
    looks = group_looks([f"Species {at:02d}" for at in range(20)])
    assert len({(look["color"], look["marker"]) for look in looks.values()}) == 20


def test_age_structure_counts_joint_draws():
    """Bars are means and whiskers quantiles of the counts in the joint draws, recomputed by hand."""
    ages = made_up_ages(20, minimum=1)
    ax = plots.plot_age_structure(ages, bin_years=25, ax=empty_axes())
    draws = ages.draws(plots.BIN_DRAWS, seed=0).to_numpy()
    whiskers = {line[0][0]: (line[0][1], line[1][1]) for line in ax.collections[0].get_segments()}
    assert len(ax.patches) >= 4
    for bar in ax.patches:
        middle = bar.get_x() + bar.get_width() / 2
        inside = ((draws >= middle - 12.5) & (draws < middle + 12.5)).sum(axis=1)
        assert bar.get_height() == pytest.approx(inside.mean())
        assert whiskers[middle] == tuple(np.quantile(inside, [0.05, 0.95], method="inverted_cdf"))
    assert sum(bar.get_height() for bar in ax.patches) == pytest.approx(20, abs=0.2)
    assert "[number]" in ax.get_ylabel()


def test_default_periods_are_at_least_twice_the_spread():
    """The period and the spread are those of the stand history, and the label says so."""
    ages = made_up_ages(30, minimum=0)
    ax = plots.plot_age_structure(ages, ax=empty_axes())
    width = round(ax.patches[0].get_width() / 0.92)
    found = age_structure(joint_years(ages, plots.BIN_DRAWS)[1])
    spread = found.typical_sd
    assert spread == pytest.approx(np.sqrt(np.mean([answer.establishment_year.sd() ** 2 for answer in ages])), rel=0.05)
    assert width == found.bin_years >= 2 * spread
    assert f"periods of {width} years, {width / spread:.1f} times the typical dating SD of {spread:.1f} years" in (
        ax.get_xlabel().replace("\n", " ")
    )


def test_periods_below_a_year_are_refused():
    """The message shows the value and the unit."""
    with pytest.raises(InputError, match=r"plot_age_structure, bin_years: got 0, need at least 1 \[years\]"):
        plots.plot_age_structure(AGES, bin_years=0, ax=empty_axes())


def exact_field():
    """One tree with the pith at the ground and crossdated: nothing is uncertain."""
    sure = made_up_tree(1)
    point = sure.distributions | {"establishment_year": Pmf.point(1900)}
    certain = Mass(0, np.ones((1, 1)))
    parts = replace(sure.parts, reference_year=1900, added=certain, years=certain)
    unknown = dict.fromkeys(SHARES, float("nan"))
    return replace(AGES, tree_ages=(replace(sure, distributions=point, parts=parts, shares=unknown),))


def test_exact_dates_can_be_drawn():
    """Without any spread the periods are a year, and no bar of uncertainty is drawn."""
    ages = exact_field()
    ax = plots.plot_age_structure(ages, ax=empty_axes())
    assert "periods of 1 year, exact dates" in ax.get_xlabel()
    ax = plots.plot_uncertainty_sources(ages, ax=empty_axes())
    assert ax.get_legend() is None
    assert [label.get_text() for label in ax.get_yticklabels()] == ["T02"]
    assert plots.plot_dates(ages, ax=empty_axes()).get_ylabel() == "Tree"
    assert plots.plot_anatomy(ages["T02"], ax=empty_axes()).get_xlabel()


def test_bars_of_uncertainty_add_to_the_standard_deviation():
    """Each tree's parts end at its standard deviation and are in proportion to its shares."""
    ages = made_up_ages(10, minimum=1)
    ax = plots.plot_uncertainty_sources(ages, ax=empty_axes())
    names = [label.get_text() for label in ax.get_yticklabels()]
    widths = dict.fromkeys(range(1, len(names) + 1), 0.0)
    for bars in (each for each in ax.collections if isinstance(each, PolyCollection)):
        for path in bars.get_paths():
            box = path.get_extents()
            widths[round((box.y0 + box.y1) / 2)] += box.width
    spreads = [ages[name].establishment_year.sd() for name in names]
    assert list(widths.values()) == pytest.approx(spreads)
    assert spreads == sorted(spreads)
    first = ax.collections[0].get_paths()[-1].get_extents()
    last = ages[names[-1]]
    assert first.width == pytest.approx(last.shares["share_count"] * last.establishment_year.sd())


def test_shares_that_are_not_known_draw_no_bar():
    """A tree without any uncertainty has missing shares: the row stays empty."""
    tree = made_up_tree(2)
    ages = replace(AGES, tree_ages=(replace(tree, shares=dict.fromkeys(SHARES, float("nan"))), made_up_tree(3)))
    ax = plots.plot_uncertainty_sources(ages, ax=empty_axes())
    rows = {round(path.get_extents().y0 + 0.41) for bars in ax.collections for path in bars.get_paths()}
    assert len(rows) == 1
    assert len(ax.get_yticks()) == 2


def test_sources_differ_in_grey_print():
    """Neighbouring parts differ in lightness by at least 0.1, or one is hatched."""
    looks = list(plots.SOURCE_LOOKS.values())
    assert tuple(plots.SOURCE_LOOKS) == SHARES
    for (_, one, hatch), (_, two, other) in zip(looks, looks[1:], strict=False):
        assert hatch != other or abs(luminance(one) - luminance(two)) > 0.1


def test_groups_do_not_use_the_colour_of_events():
    """No species looks like an event, and all looks differ."""
    assert WARM not in GROUPS
    assert len(set(GROUPS)) == len(GROUPS)


def test_anatomy_steps_back_from_ring_to_establishment():
    """Dots stand at the medians of each step; words give medians and intervals."""
    tree = made_up_tree(9)  # has collar years
    ax = plots.plot_anatomy(tree, ax=empty_axes())
    names = [label.get_text() for label in ax.get_yticklabels()]
    assert names == [
        "counted rings",
        "missed rings",
        "pith year at 0.8 m",
        "years to 0.8 m",
        "buried collar",
        "establishment",
    ]
    first = 2024 - tree.facts["rings_counted"] + 1
    pith, rise = tree.pith_year.median(), tree.years_to_core_height.median()
    collar = tree.distributions["collar_years"].median()
    dots = [line.get_xdata()[0] for line in ax.lines if line.get_marker() == "o"]
    start = tree.establishment_year.median()
    assert dots == [first - tree.missed_rings.median(), pith, pith - rise, pith - rise - collar, start]
    low, high = tree.establishment_year.interval(0.9)
    age_low, age_high = tree.age.interval(0.9)
    words = [text.get_text() for text in ax.texts]
    assert f"{start} ({low} to {high})\nage {tree.age.median()} ({age_low} to {age_high})" in words
    assert f"{tree.facts['rings_counted']} rings ({first} to 2024)" in words


def test_anatomy_hangs_from_the_lead_core():
    """A lead core that ends in an earlier year than the tree starts from its own innermost ring."""
    tree = made_up_tree(2)
    earlier = tuple({**row, "innermost_year": row["innermost_year"] - 4} for row in tree.core_rows)
    shifted = replace(tree, core_rows=earlier)
    first = 2024 - tree.facts["rings_counted"] + 1 - 4
    ax = plots.plot_anatomy(shifted, ax=empty_axes())
    assert ax.texts[0].get_text().startswith(f"{tree.facts['rings_counted']} rings ({first} to ")


def test_anatomy_of_a_minimum_shows_the_rings_only():
    """No mass functions, but the counted rings."""
    ax = plots.plot_anatomy(minimum_tree(), ax=empty_axes())
    assert [label.get_text() for label in ax.get_yticklabels()] == ["counted rings"]
    assert ax.texts[0].get_text() == "95 rings (1930 to 2024)"  # hand sum: 2024 - 95 + 1
    (bar,) = ax.patches
    tree, (low, high) = minimum_tree(), ax.get_xlim()
    assert bar.get_width() == tree.minimum_age  # every ring, and no more
    assert low < bar.get_x() < bar.get_x() + bar.get_width() < high
    assert bar.get_x() + bar.get_width() == tree.outer_year + 0.5


def test_mass_bars_are_the_mass():
    """Heights are the probabilities; the dark bars are the interval."""
    pmf = Pmf(10, [0.02, 0.2, 0.5, 0.25, 0.03])
    ax = plots.plot_mass(pmf, ax=empty_axes())
    bars = {round(bar.get_x() + bar.get_width() / 2): bar for bar in ax.patches}
    assert {at: bar.get_height() for at, bar in bars.items()} == pytest.approx(
        {v: pmf.prob_at(v) for v in range(10, 15)}
    )
    dark = {at for at, bar in bars.items() if luminance(bar.get_facecolor()) < 0.4}
    assert dark == {11, 12, 13}  # closed form: 5 % and 95 % quantiles of the mass above
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["median 12", "90 % interval 11 to 13"]


@pytest.mark.parametrize("skew", [1, -1])
def test_the_key_of_a_mass_stands_over_no_bar(skew):
    """Nor over the line of the median, on whichever side the tail is."""
    pmf = Pmf(1780, np.exp(-0.4 * np.arange(40))[::skew])
    ax = plots.plot_mass(pmf)
    ax.figure.canvas.draw()
    key = ax.get_legend().get_window_extent()
    assert key.y0 >= max(bar.get_window_extent().y1 for bar in ax.patches)
    (median,) = {line.get_window_extent().x0 for line in ax.lines}
    assert not key.x0 <= median <= key.x1
    plt.close("all")


def test_mass_of_a_point_can_be_drawn():
    """All mass on one value: one bar of height 1."""
    ax = plots.plot_mass(Pmf.point(0), ax=empty_axes())
    assert [bar.get_height() for bar in ax.patches] == [1.0]


@given(
    st.floats(-12_000, 3000, allow_nan=False),
    st.floats(1, 9000, allow_nan=False),
    st.integers(3, 12),
)
def test_ticks_are_round_and_inside(low, span, most):
    """Ticks rise, lie inside the axis, are few, and read round in both eras."""
    ticks = year_ticks(low, low + span, most=most)
    assert ticks == sorted(set(ticks))
    assert all(low <= tick <= low + span for tick in ticks)
    assert len(ticks) <= most + 2
    spoken = [int(year_text(tick).split()[0]) for tick in ticks]
    step = min(np.diff(ticks), default=1)
    if step >= 10:
        assert all(year % 5 == 0 or year == 1 for year in spoken)


def test_a_narrow_axis_of_years_has_a_scale():
    """Two years at least, or nobody can read a third."""
    for low in np.arange(1500.0, 1800.0, 7.0):
        ax = Figure(figsize=(1.3, 2.0)).subplots()
        year_axis(ax, low, low + 190.0, label="Year", room=0.5)
        assert len(ax.get_xticks()) >= 2


@given(st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=5))
def test_padding_keeps_the_data_inside(values):
    """The axis is never empty and holds all values."""
    low, high = padded(np.array(values))
    assert low < min(values) <= max(values) < high


# ------------------------------------------------------------------ many lines


def test_many_dates_are_bands_over_their_order():
    """Above 200 trees no line a tree: two bands and the medians, which stand where those of the trees are."""
    ages = made_up_ages(420, minimum=5)
    ax = plots.plot_dates(ages, ax=empty_axes())
    assert not [each for each in ax.collections if isinstance(each, LineCollection)]
    (medians,) = [line for line in ax.lines if line.get_label() == "median"]
    expected = sorted(ages[name].date.median() for name in ages.trees)
    at = np.asarray(medians.get_ydata())
    assert np.allclose(np.interp(at, np.arange(420), expected), medians.get_xdata(), atol=3.0)
    assert {text.get_text() for text in ax.get_legend().get_texts()} == {"90 % interval", "middle half", "median"}
    assert "medians of 9 trees in a row; 5 more with rings counted only" in ax.get_xlabel().replace("\n", " ")
    few = plots.plot_dates(made_up_ages(190, minimum=0), ax=empty_axes())
    assert [each for each in few.collections if isinstance(each, LineCollection)]


def test_many_sources_of_uncertainty_are_means_of_neighbours():
    """The bars of a group end at its mean standard deviation, and touch the next."""
    ages = made_up_ages(300, minimum=0)
    ax = plots.plot_uncertainty_sources(ages, ax=empty_axes())
    ends = {}
    for bars in ax.collections:
        for path in bars.get_paths():
            low, high = path.vertices[:, 1].min(), path.vertices[:, 1].max()
            ends[low, high] = max(ends.get((low, high), 0.0), path.vertices[:, 0].max())
    spread = np.sort([ages[name].date.sd() for name in ages.trees])
    groups = np.array_split(spread, len(ends))
    assert [ends[key] for key in sorted(ends)] == pytest.approx([group.mean() for group in groups])
    lows, highs = zip(*sorted(ends), strict=True)
    assert lows[1:] == highs[:-1]


def test_stands_are_in_order_of_their_mean_date():
    """A line a stand with its name; of many stands bands; of none the words."""
    rows = {"site": list("abc"), "state": "dated", "mean_date_median": [1900.0, 1850.0, np.nan]}
    table = pd.DataFrame(rows).assign(mean_date_lo=[1890.0, 1840.0, np.nan], mean_date_hi=[1910.0, 1865.0, np.nan])
    ax = Batch(table, pd.DataFrame(), Path(), 0.9).plot(empty_axes())
    assert [label.get_text() for label in ax.get_yticklabels()] == ["b", "a"]
    many = pd.concat([table.assign(site=[f"{at}{name}" for name in "abc"]) for at in range(150)])
    ax = Batch(many, pd.DataFrame(), Path(), 0.9).plot(empty_axes())
    assert "medians of 6 stands in a row" in ax.get_xlabel().replace("\n", " ")
    assert len(ax.collections) == 1
    none = Batch(table.iloc[2:], pd.DataFrame(), Path(), 0.9).plot(empty_axes())
    assert [text.get_text() for text in none.texts] == ["No stand could be dated."]
