"""The likeliest slips in calls of the package: each is refused and says where, what was got and what to pass.

Authority of the texts: a trial by foresters, in which these calls gave bare errors or silent wrong answers.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from learned_stands import small_field

import treeage
from treeage.errors import require_field, require_seed, require_series

WHOLE = np.full(60, 1.0)  # a complete core


def refused(match):
    """What a slip must end in."""
    return pytest.raises(treeage.InputError, match=match)


@pytest.fixture(scope="module")
def ages():
    """Ages of a small field."""
    return treeage.estimate_ages(small_field())


@pytest.mark.parametrize(
    ("series", "match"),
    [
        ([1.0, 2.0] * 30, r"core 0, widths_from_pith_mm: got 1, need one row of widths .* Put brackets round each"),
        (pd.DataFrame({"a": WHOLE}), "got a DataFrame, need one row of widths"),
        ({"a": WHOLE}, r"got a dict, .* list\(cores.values\(\)\)"),
        (3.0, "got 3, need one row of widths"),
        (pd.Series(WHOLE), "core 0.*got 1, need one row"),
        ([["a"] * 60], "got the text 'a', need numbers"),
        ([[1.0, 2.0]] * 4, r"got 4 series, the longest of 2 rings, need a core with 5 rings or more beyond"),
        ([100 * WHOLE + 20], "got 120, need a number from 0 to 100 .* This looks like 1/100 mm: write 1.2"),
    ],
)
def test_complete_cores_that_teach_nothing_are_refused(series, match):
    """Brackets forgotten, a table in place of a list, series too short or in another unit."""
    with refused(match):
        treeage.calibrate_missing_rings(series)


def test_arrays_and_pandas_series_teach_as_lists_do():
    """Cores as rows of an array, or as series with an index of their own, are the same cores."""
    offsets = [
        treeage.calibrate_missing_rings(cores).offset
        for cores in ([WHOLE.tolist()] * 2, np.ones((2, 60)), [pd.Series(WHOLE, index=range(1, 61))] * 2)
    ]
    assert np.array_equal(offsets[0], offsets[1])
    assert np.array_equal(offsets[0], offsets[2])


@pytest.mark.parametrize(
    ("widths", "match"),
    [
        (np.ones((3, 2)), "got a table of 3 rows, need one row of widths"),
        ([[1.0], [1.0, 2.0]], "got the list .*, need one row of widths"),
        ([110, 90], "got 110, need a number from 0 to 100 .* This looks like 1/100 mm: write 1.1"),
        ([90, 90], "got a mean of 90, need a mean width of 0.02 to 20 .* This looks like 1/100 mm: write 0.9"),
        ([0, 0], "got a mean of 0, need a mean width of 0.02 to 20"),  # limits of the ring table
        (["1.1", "x"], "got the text 'x', need numbers"),
        (["1.1", "2"], "got the text '1.1', need numbers"),
        (1.0, "got 1, need one row of widths"),
        ({"a": 1.0}, "got a dict"),
    ],
)
def test_widths_are_held_to_the_limits_of_the_tables(widths, match):
    """One core passed by hand is checked as one of a field folder is."""
    with refused(f"missing_rings, inner_widths_mm: {match}"):
        treeage.missing_rings(12, widths)


def test_an_absent_ring_among_others_is_a_ring():
    """The limit is on the mean: a single 0 is a dated ring without width."""
    assert treeage.missing_rings(12, [0.0, *[1.2] * 20]).median() > 1


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: treeage.missing_rings([12, 13], [1.0]), r"distance_mm: got the list \[12, 13\], need one number"),
        (lambda: treeage.missing_rings("12", [1.0]), "distance_mm: got the text '12', need numbers"),
        (lambda: treeage.missing_rings(3000, [1.0]), "got 3000, need a number from 0 to 2000"),
        (
            lambda: treeage.missing_rings(12, [1.0], calibration=[1, 2]),
            "calibration: got the list .* calibrate_missing",
        ),
        (lambda: treeage.missing_rings(12, [1.0], genus=3), "genus: got 3, need a name"),
        (lambda: treeage.missing_rings_many([1, 2], [1.0, 2.0]), "core 0.*got 1, need one row"),
        (lambda: treeage.missing_rings_many([1, 2], [[1.0], [120]]), "core 1, inner_widths_mm: got 120"),
        (lambda: treeage.missing_rings_many([1, 2], [[1.0]] * 2, distance_sd_mm=[1, 2, 3]), "3 standard deviations"),
        (lambda: treeage.missing_rings_many([1], [[1.0]], prob="0.9"), "prob: got the text '0.9', need numbers"),
        (lambda: treeage.years_to_height(100, mean_years=8, sd_years=3), r"got 100, need .* 0 to 3 \[m\].*centimetres"),
        (lambda: treeage.years_to_height(1, mean_years=8, sd_years=3, stated_height_m=100), "stated_height_m: got 100"),
        (lambda: treeage.years_to_height([1, 0.5], mean_years=8, sd_years=3), r"height_m: got the list \[1, 0.5\]"),
        (lambda: treeage.years_to_height(1, mean_years=[8, 9], sd_years=3), r"got the list \[8, 9\], need one number"),
        (lambda: treeage.years_to_height(1, "seedlings"), "model: got the text 'seedlings', need a HeightModel or"),
        (lambda: treeage.arc_radius([8, 12], [2, 1.5, 1]), "got 2 chords and 3 rises, need one rise for each chord"),
        (lambda: treeage.Pmf(95, [1.0]).quantile([0.1, 0.9]), r"prob: got the list \[0.1, 0.9\], need one probability"),
        (lambda: treeage.Pmf(95, [1.0]).interval("0.5"), "prob: got the text '0.5', need numbers"),
        (lambda: treeage.Pmf(95, [1.0]).prob_at("95"), "value: got the text '95', need one whole number"),
        (lambda: treeage.Pmf(95, [1.0]).prob_at(np.array([94, 95])), r"got an array of shape \(2,\), need one whole"),
    ],
)
def test_slips_in_single_steps_are_refused(call, match):
    """The steps of the chain called one by one."""
    with refused(match):
        call()


def test_between_whole_numbers_there_is_no_mass():
    """By definition of a mass function on the integers; a float that is whole is that number."""
    one = treeage.Pmf(95, [0.25, 0.75])
    assert [one.prob_at(value) for value in (95, 95.0, np.int64(96), 95.5, 94.5, 97)] == [0.25, 0.25, 0.75, 0, 0, 0]
    assert treeage.Pmf(-1, [1.0]).prob_at(-0.5) == 0  # int() would make this 0 and -0.5 the same


@pytest.mark.parametrize("dater", [treeage.estimate_ages, treeage.fit_hierarchical])
@pytest.mark.parametrize("folder", ["data/stand", Path("data/stand")])
def test_a_path_in_place_of_a_field_says_how_to_read_it(dater, folder):
    """The likeliest slip of all."""
    with refused(r"field: got the text 'data/stand', need a Field. Pass read_field\('data/stand'\)"):
        dater(folder)


@pytest.mark.parametrize("dater", [treeage.estimate_ages, treeage.fit_hierarchical])
@pytest.mark.parametrize(
    ("named", "match"),
    [
        ({"seed": -1}, "seed: got -1, need a whole number of at least 0"),
        ({"seed": 1.5}, "seed: got 1.5, need a whole number"),
        ({"seed": True}, "seed: got True, need a whole number"),
        ({"prob": "0.9"}, "prob: got the text '0.9', need numbers"),
        ({"prob": [0.5, 0.9]}, r"prob: got the list \[0.5, 0.9\], need one probability"),
    ],
)
def test_settings_of_a_run_are_checked_before_it(dater, named, match):
    """A seed that no generator takes is refused at once, not when the draws are written."""
    with refused(match):
        dater(small_field(), **named)


def test_the_history_wants_ages(ages):
    """A field or the table of ages is not enough."""
    for wrong, kind in ((small_field(), "a Field"), (ages.to_frame(), "a DataFrame"), ("ages.csv", "the text")):
        with refused(f"stand_history, ages: got {kind}.*, need the answer of estimate_ages"):
            treeage.stand_history(wrong)
    with refused("stand_history, seed: got -1"):
        treeage.stand_history(ages, seed=-1)


def test_writing_wants_ages_and_a_seed(ages, tmp_path):
    """Neither a field nor a negative seed gets as far as a folder."""
    with refused("write_outputs, ages: got a Field"):
        treeage.write_outputs(small_field(), tmp_path / "out")
    with refused("write_outputs, seed: got -1"):
        treeage.write_outputs(ages, tmp_path / "out", seed=-1)
    with refused("Ages.draws, seed: got -1"):
        ages.draws(10, seed=-1)
    assert not (tmp_path / "out").exists()


def test_checks_alone():
    """The checks pass what is right."""
    require_field("here", small_field())
    require_series("here", "series", [[1.0], (1.0, 2.0), np.ones(3)])
    assert require_seed("here", np.int64(3)) == 3


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: treeage.arc_radius(1.0, 2.0, 3.0), r"arc_radius\(\) takes 2 positional arguments but 3 were given"),
        (lambda: treeage.arc_radius(chord=1.0, rise_mm=2.0), r"arc_radius\(\) got an unexpected keyword .*'chord'"),
    ],
)
def test_arguments_that_do_not_exist_keep_the_words_of_python(call, match):
    """Which name the function."""
    with pytest.raises(TypeError, match=match):
        call()
