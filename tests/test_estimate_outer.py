"""Lost outer rings: what they do to the age, its year and the date of counted and crossdated cores."""

import pandas as pd
import pytest
from field_cases import SURE

from treeage import estimate_ages
from treeage.tables import Field, Settings

LOST = {"outer_end": "lost", "outer_lost": 20.0, "outer_lost_sd": 5.0}


def pith_core(dating, lost=None, **more):
    """Answer for one tree with one core of 100 rings to the pith, outer ring of the year 2000."""
    trees = pd.DataFrame({"tree": ["A1"], "species": ["Larix decidua"]})
    core = {"tree": "A1", "core": "a", "outer_year": 2000, "rings_counted": 100, "dating": dating}
    core |= {"inner_end": "pith", "core_height_m": 0.0} | (lost or {}) | more
    return estimate_ages(Field.from_frames(trees, pd.DataFrame([core]), settings=Settings(doubt=SURE)))["A1"]


def test_lost_rings_of_a_crossdated_core_widen_the_age_only():
    """1901 to 2000 crossdated, 20 +- 5 lost: the date is sure and the age at the last year 120 +- 5 (hand sum)."""
    answer = pith_core("crossdated", LOST)
    assert answer.establishment_year.interval(0.99) == (1901, 1901)
    assert answer.age.mean() == pytest.approx(120, abs=0.1)
    assert answer.age.sd() == pytest.approx(5, rel=0.02)
    assert answer.last_year == 2020
    assert "112 to 128 years old in its last year, about 2020" in answer.sentence()  # 20 +- 1.645 x 5, whole years


def test_lost_rings_of_a_counted_core_count_once():
    """The outer year of a count is the year of coring less the lost rings: one error, in the date and in the age."""
    answer, plain = pith_core("lab_count", LOST), pith_core("lab_count")
    assert answer.pith_year.var() == pytest.approx(plain.pith_year.var() + 25, rel=0.05)  # variances add
    assert answer.age.sd() == pytest.approx(answer.establishment_year.sd(), rel=1e-6)
    total = answer.age.mean() + answer.establishment_year.mean()
    assert total == pytest.approx(2000 + 20 + 1, abs=0.01)  # the year of coring is known; age counts both ends


def test_the_year_of_the_age_is_the_last_year():
    """100 rings to 2000 and 20 lost for certain: 120 years old in 2020, not in 2000 (hand sum)."""
    certain = LOST | {"outer_lost_sd": 0.0}
    assert "it was 120 to 120 years old in 2020." in pith_core("crossdated", certain).sentence()
    assert "it was 100 to 100 years old in 2000." in pith_core("crossdated").sentence()


def test_a_minimum_is_claimed_for_the_outer_year():
    """Without a distance only the rings seen are claimed, in the year of the last one seen."""
    answer = pith_core("crossdated", LOST, inner_end="rot")
    assert answer.status == "minimum only" and answer.last_year == 2020
    assert "at least 100 years old in 2000" in answer.sentence()
