"""Tests of the whole estimate on stands whose truth is known."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd
import pytest

from treeage.errors import InputError
from treeage.estimate import estimate_ages
from treeage.simulate import scenario, simulate_from_model, simulate_stand
from treeage.validate import Validation, score_against_truth, validate_stands

ALONE = partial(estimate_ages, from_stand=False, from_pairs=False)  # the model of simulate_from_model


@pytest.fixture(scope="module")
def checked() -> Validation:
    """Two small stands drawn from the model."""
    recipe = replace(scenario("pith"), trees=40)
    return validate_stands([simulate_from_model(recipe, seed=seed) for seed in (1, 2)], estimate=ALONE)


def test_validation_gathers_every_tree(checked: Validation) -> None:
    """All trees are dated and every table is there."""
    assert (checked.stands, checked.trees, checked.dated) == (2, 80, 80)
    assert checked.scores["stand"].value_counts().to_dict() == {0: 40, 1: 40}
    assert checked.coverage["prob"].tolist() == [0.5, 0.8, 0.9, 0.95]
    assert checked.ranks["share"].sum() == pytest.approx(1.0)
    assert "80 of 80 trees, 50 % holds" in repr(checked)


def test_stands_from_the_model_are_covered(checked: Validation) -> None:
    """Shares of hits lie in the binomial band."""
    assert checked.coverage["within"].all()


def test_scores_beside_the_truth() -> None:
    """Each row agrees with the faces of the answer; other trees and other orders do not matter."""
    stand = simulate_stand(replace(scenario("pith"), trees=12), seed=3)
    ages = estimate_ages(stand.field())
    truth = stand.truth["trees"]
    table = score_against_truth(ages, truth)
    assert table["tree"].tolist() == truth["tree"].tolist()
    for row in table.itertuples():
        pmf = ages[row.tree].establishment_year
        year = int(truth.set_index("tree").loc[row.tree, "establishment_year"])
        assert row.establishment_year_true == year
        assert row.error == pmf.median() - year
        assert row.rank_high - row.rank_low == pytest.approx(pmf.prob_at(year))
        low, high = pmf.interval(row.prob)
        assert row.inside == (low <= year <= high)
    mapping = dict(zip(truth["tree"], truth["establishment_year"], strict=True)) | {"elsewhere": 1900}
    pd.testing.assert_frame_equal(score_against_truth(ages, mapping), table)
    shuffled = truth.sample(frac=1, random_state=1)
    pd.testing.assert_frame_equal(score_against_truth(ages, shuffled), table)


def test_truth_without_the_column_or_the_trees_is_named() -> None:
    """The fault says what is missing."""
    stand = simulate_stand(replace(scenario("pith"), trees=3), seed=4)
    ages = estimate_ages(stand.field())
    with pytest.raises(InputError, match="got columns tree, age, need the columns tree and establishment_year"):
        score_against_truth(ages, stand.truth["trees"][["tree", "age"]])
    with pytest.raises(InputError, match="got no such tree, need at least one dated tree"):
        score_against_truth(ages, {"elsewhere": 1900})


def test_a_truth_may_have_empty_cells() -> None:
    """Of three trees the second is not known: the others are scored. A year that is none is named."""
    stand = simulate_stand(replace(scenario("pith"), trees=3), seed=4)
    ages, truth = estimate_ages(stand.field()), stand.truth["trees"][["tree", "establishment_year"]]
    names, years = truth["tree"].tolist(), truth["establishment_year"].tolist()
    for told in (truth.assign(establishment_year=[years[0], np.nan, years[2]]),
                 dict(zip(names, [years[0], float("nan"), years[2]], strict=True)),
                 pd.DataFrame({"tree": names, "establishment_year": [str(years[0]), "", str(years[2])]})):  # fmt: skip
        table = score_against_truth(ages, told)
        assert table["tree"].tolist() == [names[0], names[2]]
        assert table["establishment_year_true"].tolist() == [years[0], years[2]]
    with pytest.raises(InputError, match=f"truth.*{names[1]}.*got 1900.5, need a whole year"):
        score_against_truth(ages, {names[0]: years[0], names[1]: 1900.5})
    with pytest.raises(InputError, match="got unknown, need a whole year"):
        score_against_truth(ages, {names[0]: "unknown"})  # type: ignore[dict-item]


def test_no_stands_are_refused() -> None:
    """Nothing to validate is a fault."""
    with pytest.raises(InputError, match="got nothing, need at least one stand"):
        validate_stands([])


def test_demo_is_dated_without_a_gross_slip() -> None:
    """On the demo, most intervals hold the truth and the errors are years, not decades."""
    stand = simulate_stand("demo")
    table = score_against_truth(estimate_ages(stand.field()), stand.truth["trees"])
    assert len(table) == 48
    assert table["inside"].mean() > 0.75  # 90 % stated; binomial(48, 0.9) is below 0.75 once in 1,000
    assert np.abs(table["error"]).median() < 10
