"""Tests of treeage.growth: releases of many trees side by side."""

import numpy as np
import pytest
from scipy import stats

from treeage.errors import InputError
from treeage.growth import ChangeCriterion, CoreWidths, canopy_residence_years, find_changes, growth_history
from treeage.growth.changes import _peaks, share_interval

RULES = (
    ChangeCriterion("percent", "percent", 25.0, 50.0, "test"),
    ChangeCriterion("sustained", "sustained", 50.0, 100.0, "test", 15),
)


def _stand(release_years: list[int | None], seed: int = 0, noise: float = 0.1) -> dict[str, CoreWidths]:
    """Trees of 1900-1999 with growth 1 mm that doubles after the given year."""
    rng = np.random.default_rng(seed)
    years = np.arange(1900, 2000)
    stand = {}
    for number, release in enumerate(release_years):
        level = np.where(years > (release or 9999), 2.2, 1.0)
        stand[f"T{number}"] = CoreWidths(years, level * np.exp(noise * rng.standard_normal(years.size)))
    return stand


def test_releases_are_found_once_and_dated() -> None:
    """A doubling of growth is one event per criterion, dated within two years, classed major."""
    found = find_changes(_stand([1930, 1950, 1960, None, None, None]), criteria=RULES)
    events = found.events
    assert len(events) == 6  # three trees, two criteria
    for tree, year in [("T0", 1930), ("T1", 1950), ("T2", 1960)]:
        part = events[events["tree"] == tree]
        assert np.all(np.abs(part["year"] - year) <= 2)  # simulated truth
        assert set(part["class"]) == {"major"} and set(part["agreeing"]) == {2}
    assert not events["common_year"].any()


def test_a_run_is_one_event() -> None:
    """Forty years above the threshold are one event at their highest value; runs keep a window apart."""
    value = np.full(60, np.nan)
    value[10:50] = 30 + 50 * np.exp(-(((np.arange(10, 50) - 30) / 8.0) ** 2))
    assert _peaks(value, 25.0, 10) == [30]  # hand: one run, highest at 30
    value[20] = 0
    assert _peaks(value, 25.0, 10) == [19, 30]  # hand: two runs, 11 years apart
    assert _peaks(value, 25.0, 12) == [30]  # hand: less than a window apart, the higher is kept
    value[33:] = np.nan
    value[40] = 99.0
    assert _peaks(value, 25.0, 10) == [19, 30, 40]  # hand: a gap ends a run; one year is a run
    assert _peaks(np.full(5, np.nan), 25.0, 10) == _peaks(np.zeros(0), 25.0, 10) == []


def test_lasting_acceleration_is_one_event() -> None:
    """Growth that speeds up by 3.5 % a year for 40 years is one release, not one a window."""
    level = 0.5 * 1.035 ** np.clip(np.arange(100) - 30, 0, 40)
    events = find_changes({"A": CoreWidths(np.arange(1900, 2000), level)}, criteria=RULES[:1]).events
    assert len(events) == 1 and 1939 <= events["year"].iloc[0] <= 1960  # hand: windows inside the rise of 1930-1970


def test_no_event_in_steady_growth() -> None:
    """Negative control: steady growth with 10 % noise shows no release."""
    assert len(find_changes(_stand([None] * 30), criteria=RULES).events) == 0


def test_edges_cannot_show_an_event() -> None:
    """A release three years before the bark is not dated there, and the edges are not at risk."""
    found = find_changes(_stand([1996]), criteria=RULES)
    assert not found.events["year"].between(1990, 1999).any()
    risk = found.at_risk["percent"]
    assert (risk.index.min(), risk.index.max()) == (1909, 1989)  # hand count: windows of ten at both ends


def test_common_years_are_marked() -> None:
    """A release of most trees at once is marked; one of few is not."""
    common = find_changes(_stand([1950] * 8 + [None] * 2), criteria=RULES).events
    assert common["common_year"].all()
    apart = find_changes(_stand([1920, 1935, 1950, 1965, 1980, None, None, None]), criteria=RULES).events
    assert len(apart) > 0 and not apart["common_year"].any()


def test_suppressions() -> None:
    """Growth that halves is a suppression and no release."""
    years = np.arange(1900, 2000)
    stand = {"A": CoreWidths(years, np.where(years > 1950, 0.5, 1.2))}
    assert len(find_changes(stand, criteria=RULES).events) == 0
    found = find_changes(stand, criteria=RULES[:1], direction="suppression").events
    assert found["year"].tolist() == [1950] and found["value"].iloc[0] == pytest.approx(140.0)  # hand sum


def test_by_decade_counts_trees_and_depth() -> None:
    """Shares are trees with an event over trees at risk, with a Jeffreys interval."""
    found = find_changes(_stand([1934, 1936, 1955, None]), criteria=RULES[:1])
    frame = found.by_decade().set_index("decade")
    assert frame.loc[1930, ["at_risk", "trees"]].tolist() == [4, 2]  # hand count
    assert frame.loc[1930, "percent"] == 50.0  # hand count
    assert frame.loc[1910, "trees"] == 0 and frame.loc[1910, "percent_lo"] == 0.0


def test_trees_that_follow_each_other_share_a_decade() -> None:
    """Two short series that can show a change in different years of a decade are two trees at risk, not one."""
    widths = np.repeat([1.0, 4.0], 12)
    stand = {"A": CoreWidths(np.arange(1889, 1913), widths), "B": CoreWidths(np.arange(1896, 1920), widths)}
    found = find_changes(stand, criteria=RULES[:1])
    assert found.at_risk.loc[1900:1909, "percent"].max() == 1  # hand: A in 1898-1902, B in 1905-1909
    row = found.by_decade().set_index("decade").loc[1900]
    assert row[["at_risk", "trees", "percent"]].tolist() == [2, 2, 100.0]  # hand count
    exact = stats.beta(2.5, 0.5).ppf(0.05)  # SciPy
    assert row["percent_lo"] == pytest.approx(100 * exact) and row["percent_hi"] == 100.0


@pytest.mark.parametrize(("successes", "trials"), [(1, 10), (5, 10), (7, 40)])
def test_share_interval_against_scipy(successes: int, trials: int) -> None:
    """The interval is that of the Jeffreys posterior."""
    exact = stats.beta(successes + 0.5, trials - successes + 0.5).ppf([0.05, 0.95])  # SciPy
    assert share_interval(successes, trials) == pytest.approx(tuple(exact))
    assert share_interval(0, trials)[0] == 0.0 and share_interval(trials, trials)[1] == 1.0


def test_residence() -> None:
    """5.7 and 6.9 % a decade are 175 and 145 years."""
    assert canopy_residence_years([5.7, 6.9]) == pytest.approx([175.4, 144.9], abs=0.05)  # Lorimer & Frelich 1989
    with pytest.raises(InputError, match="got 0, need finite and above 0"):
        canopy_residence_years(0.0)


def test_faces() -> None:
    """Frame with sources, a sentence, HTML and a plot on the given axes; default criteria work."""
    from matplotlib.figure import Figure

    found = find_changes(_stand([1930, None, None]))
    frame = found.to_frame()
    assert {"agreeing", "at_risk", "common_year", "source"} <= set(frame.columns)
    assert "not checked" in frame["source"].iloc[0]
    assert "may be weather" in found.sentence() and "<table" in found._repr_html_()
    ax = Figure().subplots()
    assert found.plot(ax=ax) is ax and ax.get_ylabel() == "Trees with a release [%]"
    ax.figure.canvas.draw()
    assert ax.get_legend().get_window_extent().y1 <= ax.get_window_extent().y0  # over no decade


def test_no_series() -> None:
    """Nothing to look at is refused."""
    with pytest.raises(InputError, match="got no series, need at least one tree"):
        find_changes({})


def test_criteria_of_one_name_and_other_objects_are_refused() -> None:
    """Two rules of one name would count every tree at risk twice, and halve the shares."""
    rule = ChangeCriterion("percent", "percent", 25.0, 50.0, "own choice")
    with pytest.raises(InputError, match="criteria: got the names percent, percent, need one name for each"):
        find_changes(_stand([1930]), criteria=[rule, rule])
    with pytest.raises(InputError, match="criteria: got no criterion, need at least one"):
        find_changes(_stand([1930]), criteria=[])
    tree = growth_history([CoreWidths(range(1901, 1941), [1.0] * 40)])
    with pytest.raises(InputError, match=r"series.*got a GrowthHistory, need CoreWidths.*growth.series"):
        find_changes({"T1": tree})  # type: ignore[dict-item]
    with pytest.raises(InputError, match="prob: got 2, need between 0 and 1"):
        find_changes(_stand([1930]), criteria=[rule]).by_decade(prob=2.0)


def test_series_that_are_too_short_to_show_a_change_have_a_figure() -> None:
    """No tree at risk: an empty table of numbers, and axes without a bar."""
    from matplotlib import pyplot as plt

    found = find_changes({"T1": CoreWidths([1900, 1901], [1.0, 1.0])}, criteria=RULES)
    assert found.by_decade().empty and found.by_decade()["percent_lo"].dtype == float
    assert found.plot().get_ylabel() == "Trees with a release [%]"
    plt.close("all")
