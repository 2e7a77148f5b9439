"""Averaging of dates over draws: masses side by side on one axis, and one lead core a tree."""

import numpy as np
import pandas as pd
import pytest
from learned_stands import small_field

from treeage.estimate import date_trees, estimate_ages, lead_cores, prepare
from treeage.hierarchical.data import stand_data
from treeage.hierarchical.dates import join_posteriors, join_ties, joint_draws, learned_answers
from treeage.hierarchical.likelihood import ErrorFactor, FactorKind
from treeage.pmf import Mass, Pmf
from treeage.posterior import HeightTie, TreePosterior
from treeage.tables import Field, Settings

SIZE = 64  # draws; twice the shared values of a height model, so that each value is drawn twice


def two_heights():
    """One tree cored at two heights, its pith distance measured below and from an arc above; invented."""
    core = {"tree": "A1", "outer_year": 2000, "dating": "crossdated", "inner_end": "arcs"}
    core |= {"inner_width_mm": 1.0, "inner_width_rings": 10, "distance_mm": 10.0, "distance_sd_mm": 2.0}
    low = {"core": "low", "rings_counted": 80, "core_height_m": 0.3}
    high = {"core": "high", "rings_counted": 60, "core_height_m": 1.3, "chord_mm": 8.0, "rise_mm": 0.8}
    figure = {"model": "mean_sd", "height_m": 1.0, "mean_years": 12, "sd_years": 4}
    high |= {"distance_mm": None, "distance_sd_mm": None}
    cores = pd.DataFrame([core | low, core | high])
    trees = pd.DataFrame({"tree": ["A1"], "species": ["Picea abies"]})
    return Field.from_frames(trees, cores, settings=Settings(height={"default": figure}))


def learned_answer(factors):
    """The tree under given factors on the errors of its two distances, one row a draw; all else at its centre."""
    field = two_heights()
    data = stand_data(field, *prepare(field)[:2])
    assert data.trees.of_kind(FactorKind.DISTANCE) == (ErrorFactor.ARC, ErrorFactor.DISTANCE_READ)
    one = np.ones((SIZE, 1))
    draws = {"rate_bias": 0 * one, "tree_sd": 0.2 * one, "own_factor": np.ones(SIZE)}
    draws |= {"distance_factor": np.asarray(factors), "count_factor": np.ones((SIZE, 0))}
    answers, _ = learned_answers(data, draws, ["A1"], prob=0.9, seed=0)
    return answers[0]


def given_draws(answer):
    """Mean establishment year in each draw."""
    parts = answer.parts
    assert parts.tied
    mass = parts.added.mass[0]
    steps = parts.added.start + np.arange(mass.shape[1])
    return parts.reference_year - mass @ steps / mass.sum(axis=1)


def test_ties_lie_side_by_side():
    """Each draw keeps its own row of the diagonal, on an axis that begins with the earliest part."""
    first = HeightTie(
        Mass(3, np.arange(8.0).reshape(2, 2, 2)), Mass(1, np.array([[0.5, 0.5], [1.0, 0.0]])), np.array([5.0, 6.0])
    )
    second = HeightTie(Mass(1, np.array([[[0.2, 0.3, 0.5]]])), Mass(2, np.array([[1.0]])), np.array([7.0]))
    tie = join_ties([first, second])
    # by hand: added + years run from 1; the diagonal of the first part is (0, 1) and (6, 7) from 3
    expected = [[0, 0, 0, 1], [0, 0, 6, 7], [0.2, 0.3, 0.5, 0]]
    assert (tie.joint.start, tie.years.start) == (1, 1)
    for stand in range(3):
        np.testing.assert_array_equal(tie.joint.mass[stand], expected)
    np.testing.assert_array_equal(tie.years.mass, [[0.5, 0.5], [1, 0], [0, 1]])
    np.testing.assert_array_equal(tie.evidence, np.ones(3))


def made_up_dates(reference, start, given, *, pith, conflict):
    """Dates of a tree with one core."""
    return TreePosterior(
        tree="A1",
        species="Picea abies",
        cores=(4,),
        lead=4,
        reference_year=reference,
        added=Mass(start, np.asarray(given, dtype=float)),
        evidence=np.ones(len(given)),
        informs=(4,),
        alone=(Pmf.point(pith),),
        missed=(Pmf.point(3),),
        counts=(Pmf.point(0),),
        variance=np.array([(1.0, 2.0, float(len(given)))]),
        conflict_p=conflict,
        contradiction=conflict < 0.1,
    )


def test_dates_lie_side_by_side():
    """Parts that count from different years are moved to one; what each core says alone is averaged over draws."""
    first = made_up_dates(1900, 2, [[0.4, 0.6]], pith=1890, conflict=0.5)
    second = made_up_dates(1903, 4, [[1.0], [1.0], [1.0]], pith=1894, conflict=0.01)
    joined = join_posteriors([first, second])
    # by hand: 1903 - 4 = 1900 - 1, so the second part stands at 1 added ring from 1900
    assert (joined.lead, joined.reference_year, joined.added.start) == (4, 1900, 1)
    np.testing.assert_array_equal(joined.added.mass, [[0, 0.4, 0.6], [1, 0, 0], [1, 0, 0], [1, 0, 0]])
    assert joined.alone[0].prob_at(1890) == pytest.approx(0.25)  # one draw of four
    assert joined.variance[0] == pytest.approx([1.0, 2.0, 0.25 * 1 + 0.75 * 3])
    assert joined.conflict_p == pytest.approx(0.25 * 0.5 + 0.75 * 0.01)
    assert joined.contradiction  # in three draws of four


def test_lead_core_does_not_change_between_draws():
    """Dates under two sets of errors, each of which alone would make another core the lead, are those of their halves.

    The draws are half of one kind and half of the other, so the answer is the mixture of the two by definition.
    """
    arc_wide, arc_narrow = np.tile([2.0, 0.5], (SIZE, 1)), np.tile([0.5, 2.0], (SIZE, 1))
    half = np.where(np.arange(SIZE)[:, None] < SIZE // 2, arc_wide, arc_narrow)
    wide, narrow, both = learned_answer(arc_wide), learned_answer(arc_narrow), learned_answer(half)
    expected = np.concatenate([given_draws(wide)[: SIZE // 2], given_draws(narrow)[SIZE // 2 :]])
    np.testing.assert_allclose(np.sort(given_draws(both)), np.sort(expected), atol=0.03)  # states of few draws
    assert both.establishment_year.mean() == pytest.approx(expected.mean(), abs=0.01)
    for name in ("pith_year", "years_to_core_height"):
        one, two, mixed = (answer.distributions[name] for answer in (wide, narrow, both))
        # the halves hold different draws of the years to height, hence not exactly; two heights are 10 years apart
        assert mixed.mean() == pytest.approx((one.mean() + two.mean()) / 2, abs=0.4), name


def test_establishment_does_not_depend_on_the_lead_core():
    """Referred to either core, the tree was established in the same year (the flat prior knows no height)."""
    field = two_heights()
    cores, shared, _ = prepare(field)
    found = []
    for lead in (0, 1):
        posterior = date_trees(cores, shared, leads={"A1": lead})["A1"]
        assert posterior.lead == lead
        joint = posterior.tie.joint
        years = posterior.reference_year - joint.start - np.arange(joint.size)
        found.append(joint.mass[0] @ years)
    np.testing.assert_allclose(found[0], found[1], atol=0.01)


def test_both_layers_refer_to_the_same_core():
    """The lead core is the one of the exact engine, for every tree with several cores and for no other."""
    field = small_field(12, name="two_heights")
    cores, shared, _ = prepare(field)
    exact = estimate_ages(field)
    leads = lead_cores(cores, shared)
    several = field.cores["tree"].value_counts()
    assert leads.keys() <= set(several[several > 1].index)
    for tree in exact.trees:
        if several[tree] > 1:
            assert cores.core[leads[tree]] == exact[tree].facts["lead_core"]


def mixed_stand(height):
    """Twelve trees of two species, cored through the pith at 1 m; invented."""
    names = ["Picea abies", "Pinus cembra"] * 6
    trees = pd.DataFrame({"tree": [f"T{k}" for k in range(12)], "species": names})
    core = {"core": "a", "outer_year": 2000, "rings_counted": 100, "dating": "crossdated", "inner_end": "pith"}
    cores = pd.DataFrame([core | {"tree": tree, "core_height_m": 1.0} for tree in trees["tree"]])
    return Field.from_frames(trees, cores, settings=Settings(height=height))


@pytest.mark.parametrize("apart", [False, True])
def test_one_figure_has_one_error_in_the_draws(apart):
    """Two species on one figure have one shared value in each draw; on two figures they have two."""
    figure = {"model": "mean_sd", "height_m": 1.0, "mean_years": 15, "sd_years": 6, "shared_share": 0.5}
    field = mixed_stand({"default": figure} | ({"Pinus cembra": figure | {"mean_years": 15.01}} if apart else {}))
    data = stand_data(field, *prepare(field)[:2])
    draws = {"rate_bias": np.zeros((SIZE, 2)), "tree_sd": np.full((SIZE, 2), 0.2), "own_factor": np.ones(SIZE)}
    draws |= {"distance_factor": np.ones((SIZE, 0)), "count_factor": np.ones((SIZE, 0))}
    answers, _ = learned_answers(data, draws, list(field.trees["tree"]), prob=0.9, seed=0)
    _, years = joint_draws(answers, SIZE, 200, 0)
    # closed form: the shared half of the variance, halved by two figures, and a twelfth of the rest
    expected = 6 * np.sqrt((0.25 if apart else 0.5) + 0.5 / 12)
    assert years.mean(axis=1).std() == pytest.approx(expected, rel=0.08)  # 64 draws of the shared values
    groups = {answer.parts.height_group for answer in answers}
    assert groups == ({"Picea abies", "Pinus cembra"} if apart else {"Picea abies"})
