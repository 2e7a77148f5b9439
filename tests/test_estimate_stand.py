"""What other cores teach, end to end: neighbours' rings, complete cores, two ring tables of one tree."""

import numpy as np
import pandas as pd
import pytest

from treeage.estimate import estimate_ages, prepare, read_cores
from treeage.estimate.answers import rule_comparison
from treeage.estimate.counted import read_counts
from treeage.posterior import GrowthNodes
from treeage.tables import Field

LARCH = "Larix decidua"
OUTER = 2020


def field_of(cores):
    """A field from (tree, core, widths, columns of the core); ring tables innermost first."""
    rows, rings = [], []
    for tree, core, widths, columns in cores:
        base = {"tree": tree, "core": core, "outer_year": OUTER, "rings_counted": len(widths), "dating": "crossdated"}
        rows.append(base | {"inner_end": "pith", "core_height_m": 0.0} | columns)
        number = np.arange(1, len(widths) + 1)
        rings.append(pd.DataFrame({"tree": tree, "core": core, "ring": number, "width_mm": np.round(widths, 3)}))
    trees = pd.DataFrame({"tree": list(dict.fromkeys(row["tree"] for row in rows)), "species": LARCH})
    return Field.from_frames(trees, pd.DataFrame(rows), pd.concat(rings, ignore_index=True))


def pair_of_series(seed, length=140):
    """Two cores of one tree with a shared yearly signal, made up."""
    rng = np.random.default_rng(seed)
    shared = 0.35 * rng.standard_normal(length)
    return [1.2 * np.exp(shared + 0.15 * rng.standard_normal(length)) for _ in range(2)]


@pytest.mark.parametrize("lost", [1, 2])
def test_rings_absent_on_one_core_are_found_and_added(lost):
    """Rings deleted from core b come back as its count error; the pith year does not move (known truth)."""
    one, two = pair_of_series(3)
    cut = np.delete(two, [60, 95][:lost])
    field = field_of([("A", "a", one, {"dating": "lab_count"}), ("A", "b", cut, {"dating": "lab_count"})])
    cores, _, _ = read_counts(read_cores(field))
    rows, (first, second), mass = cores.joint_counts["A"]
    assert [cores.core[row] for row in rows] == ["a", "b"]
    assert mass.sum() == pytest.approx(1.0)
    difference = sum(
        mass[i, j] for i in range(mass.shape[0]) for j in range(mass.shape[1]) if second + j - first - i == lost
    )
    assert difference > 0.9  # b lacks so many rings against a
    ages = estimate_ages(field)
    events = ages.extras["ring_events"]
    assert len(events) == lost and set(events["kind"]) == {"absent"} and set(events["core"]) == {"b"}
    expected = [OUTER - 140 + 1 + place for place in [60, 95][:lost]]  # years of the deleted rings, known truth
    assert np.abs(np.sort(events["year"]) - np.sort(expected)).max() <= 3
    assert "ring_absent_or_false" in ages["A"].flags
    assert ages["A"].pith_year.median() == OUTER - 140 + 1


def test_two_agreeing_counts_are_better_than_their_published_errors():
    """Ring tables that agree ring by ring narrow the count error; without reading them it stays as published."""
    one, two = pair_of_series(5)
    field = field_of([("A", "a", one, {"dating": "lab_count"}), ("A", "b", two, {"dating": "lab_count"})])
    together = estimate_ages(field)["A"]
    apart = estimate_ages(field, from_pairs=False)["A"]
    assert together.pith_year.sd() < 1.5
    assert together.pith_year.prob_at(OUTER - 139) > apart.pith_year.prob_at(OUTER - 139) - 0.2
    assert len(estimate_ages(field).extras["ring_events"]) == 0


def test_crossdated_pairs_are_left_alone():
    """Nothing is read into cores that a person has crossdated."""
    one, two = pair_of_series(6)
    field = field_of([("A", "a", one, {}), ("A", "b", two, {})])
    cores, events, _ = read_counts(read_cores(field))
    assert not cores.joint_counts and events.empty


def stand(seed, fast_start):
    """Ten trees to the pith and one short core, all with the same start of growth (fast or slow)."""
    rng = np.random.default_rng(seed)
    cores = []
    age = np.arange(1, 121)
    trend = np.where(age <= 30, 3.0 if fast_start else 0.5, 1.0)
    for tree in range(10):
        cores.append((f"N{tree}", "a", trend * rng.lognormal(0, 0.25, 120), {}))
    visible = rng.lognormal(0, 0.25, 90)
    short = {"inner_end": "arcs", "distance_mm": 25.0, "distance_sd_mm": 1.0}
    cores.append(("S", "a", visible, short))
    return field_of(cores)


def test_complete_cores_of_the_stand_move_the_missed_rings():
    """Where young trees grew fast fewer rings are missed, where they grew slowly more (direction known)."""
    results = {fast: estimate_ages(stand(1, fast))["S"].missed_rings for fast in (True, False)}
    alone = estimate_ages(stand(1, True), from_stand=False)["S"].missed_rings
    assert results[True].mean() < alone.mean() < results[False].mean()
    assert results[True].sd() < alone.sd()


def test_stand_part_shrinks_but_never_vanishes():
    """Neighbours leave a smaller shared spread; without them it is the shipped model's."""
    field = stand(2, True)
    with_stand, without = (prepare(field, from_stand=use)[1][LARCH] for use in (True, False))
    spread = [float(nodes.weights @ nodes.shifts**2) for nodes in (with_stand.growth, without.growth)]
    assert 0 < spread[0] < spread[1]
    assert with_stand.neighbours == 11 and without.neighbours == 0
    assert without.calibration is None
    assert isinstance(with_stand.growth, GrowthNodes)


def test_growth_that_nothing_teaches_keeps_its_prior():
    """Trees of one core cannot tell the growth of the stand: its states have the mean and spread of the prior."""
    arcs = {"inner_end": "arcs", "distance_mm": 12.0}
    field = field_of([(tree, "a", np.full(12, 1.1), arcs) for tree in "ABCD"])
    growth = prepare(field)[1][LARCH].growth
    stand = growth.given_stand @ growth.shifts / growth.stand_sd
    assert abs(stand.mean()) < 0.01 and 0.93 < stand.std() < 1.03


def test_rules_are_compared_on_the_users_own_complete_cores():
    """The table holds every rule at every distance and counts the complete cores (hand count)."""
    table = rule_comparison(read_cores(stand(3, True)))
    assert set(table["distance_mm"]) == {5.0, 10.0, 20.0}
    assert {"constant_width_10", "constant_basal_area", "model", "model_calibrated"} <= set(table["rule"])
    assert table["cores"].between(9, 10).all()  # ten complete cores; one has no boundary near enough to 5 mm
    assert rule_comparison(read_cores(field_of([("A", "a", np.ones(40), {})]))).empty
