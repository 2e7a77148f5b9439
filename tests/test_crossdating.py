"""Cores of a stand against the other trees, and the trade's agreement statistics."""

import numpy as np
import pytest

from treeage.crossdating import (
    DatedCore,
    critical_correlation,
    crossdate_stand,
    gleichlaeufigkeit,
    mean_sensitivity,
    reference_series,
    series_correlation,
)
from treeage.errors import InputError


def stand(seed=0, trees=6, cores=("A", "B"), rings=90, own_sd=0.12):
    """Cores of a stand with a common climate and a signal of each tree, all ending in 2020."""
    rng = np.random.default_rng(seed)
    climate = rng.normal(0, 0.3, rings)
    out = []
    for tree in range(trees):
        own = rng.normal(0, own_sd, rings)
        out += [DatedCore(str(tree), c, 2020, np.exp(climate + own + rng.normal(0, 0.08, rings))) for c in cores]
    return out


def test_widths_may_be_a_list():
    """As every other call takes them; the caller's list is not the core's."""
    rows = [core.widths_mm.tolist() for core in stand(trees=3)]
    cores = [DatedCore(str(at), "A", 2020, row) for at, row in enumerate(rows)]  # type: ignore[arg-type]
    assert crossdate_stand(cores).agreement["rings"].tolist() == [90] * 6
    rows[0][0] = -1.0
    assert cores[0].widths_mm[0] > 0
    with pytest.raises(InputError, match="got nan, need at least 3 years"):
        critical_correlation(float("nan"))  # type: ignore[arg-type]


def changed(core, widths=None, outer_year=None):
    """A core with other widths or another stated year."""
    return DatedCore(
        core.tree,
        core.core,
        core.outer_year if outer_year is None else outer_year,
        core.widths_mm if widths is None else widths,
    )


@pytest.mark.parametrize(
    ("widths", "expected"),
    [
        ([2.0, 1.0, 1.5, 3.0], 0.5778),  # practice note, example 14 (own arithmetic)
        ([1, 2, 1, 2], 0.6667),  # practice note, example 14 (own arithmetic)
        ([1, 0, 0, 1], 2.0),  # hand sum: two pairs of 2, the pair of absent rings left out
    ],
)
def test_mean_sensitivity(widths, expected):
    """The formula of Douglass with absent rings skipped."""
    assert mean_sensitivity(widths) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ([1, 2, 3, 2, 4], [2, 3, 3, 1, 5], 0.875),  # practice note, example 13
        ([1, 2, 1], [2, 1, 2], 0.0),  # hand: always opposite
        ([1, 1, 1], [1, 1, 1], 0.0),  # published rule: both level scores 0
        ([1, 2, 3], [1, 2, 3], 1.0),  # hand: always together
    ],
)
def test_gleichlaeufigkeit(first, second, expected):
    """Same direction 1, opposite 0, one level 1/2."""
    assert gleichlaeufigkeit(first, second) == expected


@pytest.mark.parametrize(("years", "expected"), [(30, 0.423), (40, 0.3665), (50, 0.3281), (100, 0.2324)])
def test_critical_correlation(years, expected):
    """Table values of the one-tailed 99 % limit."""
    assert critical_correlation(years) == pytest.approx(expected, abs=6e-4)  # practice note, example 15


def test_series_correlation_is_pearson():
    """Against NumPy, and not a number for a level series."""
    rng = np.random.default_rng(0)
    one, two = rng.normal(size=(2, 30))
    assert series_correlation(one, two) == pytest.approx(np.corrcoef(one, two)[0, 1])  # NumPy
    assert np.isnan(series_correlation(np.ones(5), np.arange(5.0)))


def test_clean_stand_has_nothing_to_show():
    """No suspect place in the best sets, all correlations above the critical value."""
    found = crossdate_stand(stand())
    table = found.agreement
    assert not found.places["best"].any()
    assert (table["correlation"] > table["critical_correlation"]).all()
    assert (table["likeliest_shift"] == 0).all()
    assert (table["prob_stated_year"] > 0.9).all()
    assert (table["years_compared"] == 90).all()  # by construction


def test_missing_ring_is_placed_in_its_year():
    """A ring taken out shows in the right core, kind and year."""
    cores = stand(1)
    cores[3] = changed(cores[3], np.delete(cores[3].widths_mm, 50))
    best = crossdate_stand(cores).places.query("best")
    assert best[["tree", "core", "kind"]].to_numpy().tolist() == [["1", "B", "absent"]]
    assert abs(best["year"].iloc[0] - (2020 - 89 + 50)) <= 2  # by construction


def test_false_ring_is_placed_in_its_year():
    """A ring split in two shows in the right core, kind and year."""
    cores = stand(2)
    widths = cores[4].widths_mm
    cores[4] = changed(cores[4], np.concatenate([widths[:40], [widths[40] / 2] * 2, widths[41:]]))
    best = crossdate_stand(cores).places.query("best")
    assert best[["tree", "core", "kind"]].to_numpy().tolist() == [["2", "A", "false"]]
    assert abs(best["year"].iloc[0] - (2020 - 89 + 40)) <= 2  # by construction


@pytest.mark.parametrize("years", [-3, 2])
def test_shifted_core_is_told_its_year(years):
    """A core stated some years off gets the shift that sets it right: true minus stated."""
    cores = stand(3)
    cores[0] = changed(cores[0], outer_year=2020 - years)
    row = crossdate_stand(cores).agreement.iloc[0]
    assert row["likeliest_shift"] == years  # by construction
    assert row["prob_stated_year"] < 0.05


def test_short_core_is_left_out_with_a_reason():
    """Every core has a row, compared or not."""
    cores = stand(5)
    cores[0] = changed(cores[0], cores[0].widths_mm[-12:])
    table = crossdate_stand(cores).agreement
    assert len(table) == 12
    assert "fewer than 20 years" in table["note"].iloc[0]
    assert np.isnan(table["correlation"].iloc[0])


def test_reference_counts_every_tree_once():
    """A tree with many cores weighs as much as one with a single core."""
    cores = stand(6, trees=3)
    first, once = reference_series(cores)
    _, twice = reference_series([*cores, changed(cores[0]), changed(cores[1])])
    assert first == 1931
    assert np.allclose(once, twice)


@pytest.mark.parametrize(
    ("cores", "shift", "text"),
    [
        (stand(trees=2), 5, "got 2 trees, need cores of at least 3 trees"),
        (stand(), 40, r"max_shift_years: got 40, need 0 to 30 \[years\]"),
        ([*stand(), stand()[0]], 5, "tree 0, core A, cores: got the same tree and core again"),
    ],
)
def test_bad_stands_are_refused(cores, shift, text):
    """The message names what is wrong and what is needed."""
    with pytest.raises(InputError, match=text):
        crossdate_stand(cores, max_shift_years=shift)


def test_bad_statistics_input_is_refused():
    """Too few rings and unequal lengths."""
    with pytest.raises(InputError, match=r"got shape \(1,\), need one row of at least 2 widths"):
        mean_sensitivity([1.0])
    with pytest.raises(InputError, match=r"got shapes \(3,\) and \(2,\), need two rows of the same 2 or more years"):
        gleichlaeufigkeit([1, 2, 3], [1, 2])
    with pytest.raises(InputError, match="got 2, need at least 3 years"):
        critical_correlation(2)
