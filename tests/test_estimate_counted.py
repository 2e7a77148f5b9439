"""Counted cores of a whole stand: what the other trees say of a count, and what nobody can say from inside."""

import numpy as np
import pandas as pd
import pytest

from treeage.estimate import estimate_ages, read_cores
from treeage.estimate.counted import COUNT_COLUMNS, LEAST_RINGS, read_counts
from treeage.pmf import Mass, Pmf
from treeage.posterior import TreePosterior, adrift
from treeage.tables import Field

YEARS, OUTER = 120, 2020
LOST = 55  # rings from the pith at which the ring is lost


def stand(*, dated=0, lost=("T0",), cores="a", related=True, dating="lab_count", trees=8):
    """Trees of one species with a common yearly signal; some lack a ring, the first `dated` but T0 are crossdated."""
    rng = np.random.default_rng(4)
    climate, rows, rings = rng.normal(0, 0.35, YEARS), [], []
    for number in range(trees):
        tree = f"T{number}"
        signal = climate if related or number == 0 else rng.normal(0, 0.35, YEARS)
        for core in cores:
            widths = np.exp(signal + rng.normal(0, 0.2, YEARS))
            widths = np.delete(widths, LOST) if tree in lost else widths
            word = "crossdated" if 0 < number <= dated else dating
            rows.append((tree, core, OUTER, widths.size, word, "pith", 0.0))
            rings.append(
                pd.DataFrame(
                    {"tree": tree, "core": core, "ring": np.arange(widths.size) + 1, "width_mm": widths.round(3)}
                )
            )
    columns = ["tree", "core", "outer_year", "rings_counted", "dating", "inner_end", "core_height_m"]
    table = pd.DataFrame({"tree": [f"T{number}" for number in range(trees)], "species": "Picea abies"})
    return Field.from_frames(table, pd.DataFrame(rows, columns=columns), pd.concat(rings, ignore_index=True))


def error_of(field, tree="T0"):
    """Count error of a tree's first core after it was read, and the row of the table."""
    cores, _, counts = read_counts(read_cores(field))
    row = cores.rows_of[tree][0]
    if tree in cores.joint_counts:
        pair, starts, mass = cores.joint_counts[tree]
        axis = pair.index(row)
        return Pmf(starts[axis], mass.sum(axis=1 - axis)), counts, cores
    return cores.count[row].pmf(), counts, cores


def test_one_core_a_tree_against_crossdated_trees():
    """The ring that T0 lacks is added, with the window of its year; the word a person wrote stays (known truth)."""
    field = stand(dated=5)
    error, counts, cores = error_of(field)
    assert error.prob_at(1) > 0.9
    assert list(counts.columns) == COUNT_COLUMNS
    row = counts.set_index("tree").loc["T0"]
    assert row["rings_to_add_median"] == 1 and row["prob_count_exact"] < 0.1 and row["prob_alignable"] > 0.99
    assert row["dating"] == "lab_count"  # never changed
    assert all(drift.sd() == 0 for drift in cores.drift.values())  # crossdated neighbours have every year
    ages = estimate_ages(field)
    event = ages.extras["ring_events"].iloc[0]
    assert (event["tree"], event["kind"]) == ("T0", "absent")
    assert abs(event["year"] - (OUTER - YEARS + 1 + LOST)) <= 3
    assert ages["T0"].pith_year.median() == ages["T6"].pith_year.median() == OUTER - YEARS + 1


def test_a_ring_absent_in_both_cores_of_a_tree():
    """Two cores that lack the same ring agree with each other; the stand shows it (known truth)."""
    error, counts, _ = error_of(stand(dated=5, cores="ab"))
    assert error.prob_at(1) > 0.8
    assert set(counts["compared_with"]) == {"the other core and other trees"}


def test_a_stand_of_counts_shares_an_error():
    """Without crossdated trees the error is narrower than published, and a part of it is the same for all trees."""
    field = stand()
    error, _, cores = error_of(field)
    assert error.prob_at(1) > 0.8
    assert set(cores.drift) == {f"T{number}" for number in range(8)}
    draws = estimate_ages(field).draws(4000, seed=1).to_pandas()
    shared = np.corrcoef(draws["T1"], draws["T5"])[0, 1]
    assert shared > 0.5
    pith = estimate_ages(field)["T1"].pith_year
    alone = estimate_ages(field, from_pairs=False)["T1"].pith_year
    assert pith.sd() < alone.sd()
    pairs = error_of(stand(cores="ab"))[2]
    assert pairs.drift["T1"].sd() < 0.8 * cores.drift["T1"].sd()  # what one core lacks, its mate shows


def test_a_stand_that_does_not_agree_leaves_the_published_errors():
    """Negative control: trees without a common signal cannot be aligned, and their counts keep their errors."""
    field = stand(related=False, lost=())
    cores, _, counts = read_counts(read_cores(field))
    before = read_cores(field)
    assert counts["prob_alignable"].median() < 0.9
    for row in range(len(cores)):
        now, was = cores.count[row].pmf(), before.count[row].pmf()
        low, high = now.interval(0.9)
        assert low <= 0 <= high and now.sd() > 0.4 * was.sd()


def test_the_order_of_rows_does_not_matter():
    """Rows of the tables in another order give the same masses."""
    field = stand(dated=4, cores="ab", lost=("T0", "T6"))
    turned = Field.from_frames(
        field.trees.iloc[::-1].dropna(axis=1, how="all"),
        field.cores.iloc[::-1].dropna(axis=1, how="all"),
        field.rings.sample(frac=1, random_state=1),
    )
    one, two = (read_counts(read_cores(each))[0] for each in (field, turned))
    for tree, (rows, starts, mass) in one.joint_counts.items():
        assert two.joint_counts[tree][:2] == (rows, starts)
        assert np.array_equal(two.joint_counts[tree][2], mass)


def test_short_tables_and_two_trees_are_left_alone():
    """Fewer than three trees are no stand."""
    _, counts, cores = error_of(stand(trees=2))
    assert len(counts) == 0 and not cores.drift
    assert LEAST_RINGS < YEARS


def test_the_shared_error_is_the_same_piece_for_all():
    """Each of the equally likely states takes its piece; their mean is the whole (closed form)."""
    drift = Pmf(0, [0.6, 0.3, 0.1])
    point = TreePosterior(
        tree="A", species="Picea abies", cores=(0,), lead=0, reference_year=1900, added=Mass(0, np.ones((40, 1))),
        evidence=np.ones(40), informs=(0,), alone=(Pmf.point(1900),), missed=(Pmf.point(0),), counts=(Pmf.point(0),),
        variance=np.zeros((1, 3)), conflict_p=float("nan"), contradiction=False,
    )  # fmt: skip
    moved = adrift(point, drift)
    assert np.allclose(moved.added.mass.mean(axis=0), drift.mass)
    assert ((moved.added.mass > 1e-9).sum(axis=1) <= 2).all()  # pieces of a fortieth
    assert moved.alone[0].mean() == pytest.approx(1900 - drift.mean())
    assert moved.variance[0, 0] == pytest.approx(drift.var())
