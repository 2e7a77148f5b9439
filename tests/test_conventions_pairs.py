"""Two cores of a tree read against each other, and a core against the stand: direction, place and year as made."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from field_cases import SURE

from treeage import Ages, align_cores, estimate_ages
from treeage.alignment import unseen_rings
from treeage.crossdating import DatedCore, crossdate_stand
from treeage.tables import Field, Settings

RINGS = 100
FULL = np.exp(0.5 * np.random.default_rng(4).standard_normal(RINGS))  # one signal in both cores, 1925 to 2024
SPECIES = "Larix decidua"


def lacking(ring_from_bark: int) -> np.ndarray:
    """The series without one ring."""
    return np.delete(FULL, RINGS - ring_from_bark)


def doubled(ring_from_bark: int) -> np.ndarray:
    """The series with one ring read as two of half its width."""
    at = RINGS - ring_from_bark
    return np.concatenate([FULL[:at], [FULL[at] / 2, FULL[at] / 2], FULL[at + 1 :]])


def tree_of(
    *series: np.ndarray, dating: Any = "lab_count", outer: Any = 2024, species: str = SPECIES, **columns: Any
) -> Ages:
    """One tree with a pith core at the collar for every series; words and years for all or one a core."""
    count = len(series)
    cores = pd.DataFrame(
        {
            "tree": "A1",
            "core": list("abc")[:count],
            "outer_year": outer,
            "rings_counted": [one.size for one in series],
            "dating": dating,
            "inner_end": "pith",
            "core_height_m": 0.0,
        }
        | columns
    )
    rings = [
        pd.DataFrame({"tree": "A1", "core": "abc"[at], "ring": np.arange(1, one.size + 1), "width_mm": one})
        for at, one in enumerate(series)
    ]
    trees = pd.DataFrame({"tree": ["A1"], "species": [species]})
    settings = Settings(height={"default": {"model": "none"}}, doubt=SURE)
    return estimate_ages(Field.from_frames(trees, cores, pd.concat(rings), settings=settings))


@pytest.mark.parametrize(
    ("a", "b", "kind"),
    [
        (lacking(31), FULL, "absent_in_a"),
        (FULL, lacking(31), "absent_in_b"),
        (doubled(31), FULL, "false_in_a"),
        (FULL, doubled(31), "false_in_b"),
    ],
    ids=["absent in a", "absent in b", "false in a", "false in b"],
)
def test_the_core_that_lacks_a_ring_is_named(a, b, kind):
    """Ring 31 from the bark is taken out of, or doubled in, one core: true less counted is +1 or -1 there, else 0."""
    found = align_cores(a, b)
    assert found.best["kind"].tolist() == [kind]
    assert abs(found.best["ring_from_bark"][0] - 31) <= 1  # a doubled ring is either of its halves
    extra = {"a": found.extra_rings_a.median(), "b": found.extra_rings_b.median()}
    assert extra[kind[-1]] == (1 if kind.startswith("absent") else -1)
    assert extra["b" if kind[-1] == "a" else "a"] == 0
    assert found.ring_difference.median() == extra["b"] - extra["a"]


def test_an_absent_ring_is_counted_from_the_bark_on_the_core_that_shows_it():
    """Taken out: ring 31 from the bark, of 2024 - 31 + 1 = 1994."""
    events = tree_of(FULL, lacking(31)).extras["ring_events"]
    (event,) = events.to_dict("records")
    assert (event["core"], event["other_core"], event["kind"]) == ("b", "a", "absent")
    assert (event["ring_from_bark"], event["year"]) == (31, 1994)
    assert event["prob_near"] > 0.9


def test_the_years_of_a_core_that_ends_earlier_are_its_own():
    """Both read to 2024, but core a was cut in 2024 and b ends in 2019: ring 26 of the common end 2019 is 1994 too."""
    events = tree_of(FULL, lacking(31)[:-5], outer=[2024, 2019]).extras["ring_events"]
    (event,) = events.to_dict("records")
    assert (event["core"], event["ring_from_bark"], event["year"]) == ("b", 26, 1994)


def test_two_counts_of_one_tree_find_the_absent_ring():
    """100 and 99 rings to the pith: both piths are of 1925, not 1926; the flag names the tree."""
    answer = tree_of(FULL, lacking(31))["A1"]
    assert answer.pith_year.median() == 1925
    assert answer.pith_year.prob_at(1925) > 5 * answer.pith_year.prob_at(1926)
    assert "ring_absent_or_false" in answer.flags


def test_rings_absent_in_both_cores_are_not_seen():
    """Two equal series show no difference; what both lack is the published share: P(pith = 1925 - k) = P(k unseen)."""
    unseen = unseen_rings(RINGS, genus=SPECIES)
    year = tree_of(FULL, FULL * 0.8)["A1"].pith_year
    assert unseen.prob_at(1) > 0.01
    for off in (0, 1, 2):
        assert year.prob_at(1925 - off) == pytest.approx(unseen.prob_at(off), rel=0.15)


def test_two_counted_cores_of_a_bald_cypress_are_read():
    """False rings are said to be many in Taxodium; no share of the table stops a folder or takes over a date."""
    year = tree_of(FULL, FULL * 0.8, species="Taxodium distichum")["A1"].pith_year
    assert year.interval(0.9)[0] >= 1925 - 3
    assert year.interval(0.9)[1] <= 1925 + 1


def test_a_crossdated_core_dates_the_count():
    """One core crossdated: the other lacks the ring for certain, and the pith year is that of the crossdated one."""
    answer = tree_of(FULL, lacking(31), dating=["crossdated", "lab_count"])["A1"]
    assert answer.pith_year.prob_at(1925) > 0.999
    assert answer.cores["pith_year_median"].tolist()[0] == 1925


def test_a_crossdated_core_lacks_nothing():
    """The crossdated core has 99 rings to 2024, the counted one 100, one of them false: the pith is of 1926."""
    answer = tree_of(lacking(31), FULL, dating=["crossdated", "lab_count"])["A1"]
    assert answer.pith_year.prob_at(1926) > 0.999


def test_lost_rings_move_the_outer_year_of_a_count():
    """Core b was read to 2024 less 3 lost, though 5 were: its last ring is of 2019, two years earlier than 2021."""
    lost = {"outer_end": ["bark", "lost"], "outer_lost": [0.0, 3.0], "outer_lost_sd": [0.0, 2.0]}
    shifted = tree_of(FULL, FULL[:-5], dating=["crossdated", "lab_count"], outer=[2024, 2021], **lost)
    answer = shifted["A1"]
    assert answer.pith_year.prob_at(1925) > 0.99
    assert not {"cores_disagree", "cores_contradict"} & set(answer.flags)


@pytest.mark.parametrize("late", [3, -2])
def test_a_shifted_core_is_told_its_year(late):
    """Core x of tree 9 says it ends in 2000 + late, its rings are those of the others that end in 2000: shift -late."""
    rng = np.random.default_rng(8)
    signal = rng.standard_normal(90)

    def widths() -> np.ndarray:
        return np.exp(0.4 * signal + 0.1 * rng.standard_normal(90))

    cores = [DatedCore(str(tree), "a", 2000, widths()) for tree in range(5)]
    cores.append(DatedCore("9", "x", 2000 + late, widths()))
    row = crossdate_stand(cores).agreement.set_index("tree").loc["9"]
    assert row["likeliest_shift"] == -late
    assert row["prob_stated_year"] < 0.1
