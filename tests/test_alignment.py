"""Two cores read against each other: the public face."""

import copy
import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import nbinom

from treeage.alignment import AlignmentPrior, align_cores, align_many, align_stand, stand_prior, unseen_rings
from treeage.alignment.pair import near_sums
from treeage.alignment.prior import alignment_model, alignment_prior
from treeage.counting import absent_ring_share, false_ring_share
from treeage.errors import InputError
from treeage.priors import ring_rate


def two_cores(seed, rings=100, shared=0.35, own=0.15):
    """Two series of one tree, innermost first, with a common signal."""
    rng = np.random.default_rng(seed)
    signal = rng.normal(0, shared, rings)
    trend = np.linspace(0.5, -0.5, rings)
    return tuple(np.exp(trend + signal + rng.normal(0, own, rings)) for _ in range(2))


def without(widths, ring_from_bark):
    """Take one ring out."""
    return np.delete(widths, widths.size - ring_from_bark)


def doubled(widths, ring_from_bark, share=0.45):
    """Split one ring into two bands; `share` is that of the outer one."""
    at = widths.size - ring_from_bark
    return np.concatenate([widths[:at], [widths[at] * (1 - share), widths[at] * share], widths[at + 1 :]])


@pytest.mark.parametrize("seed", range(6))
def test_unedited_pair_has_no_event(seed):
    """Two cores that agree raise no alarm and leave the counts as they are."""
    found = align_cores(*two_cores(seed))
    assert found.best.empty
    assert found.ring_difference.prob_at(0) > 0.9  # from the model: prior odds plus 100 rings of agreement
    assert found.extra_rings_a.median() == found.extra_rings_b.median() == 0


@pytest.mark.parametrize(("core", "kind"), [(0, "absent_in_a"), (1, "absent_in_b")])
def test_deleted_ring_is_found_where_it_was(core, kind):
    """A ring taken out of one core is absent there, within three rings of its place."""
    cores = list(two_cores(1))
    cores[core] = without(cores[core], 40)
    found = align_cores(*cores)
    assert found.best["kind"].tolist() == [kind]
    assert abs(found.best["ring_from_bark"][0] - 40) <= 3  # by construction
    assert (found.extra_rings_a, found.extra_rings_b)[core].median() == 1
    assert found.ring_difference.median() == (-1 if core == 0 else 1)  # by construction: rings of A minus rings of B


@pytest.mark.parametrize(("core", "kind"), [(0, "false_in_a"), (1, "false_in_b")])
def test_split_ring_is_found_where_it_was(core, kind):
    """A ring counted twice in one core is false there, at its outer band."""
    cores = list(two_cores(21))
    cores[core] = doubled(cores[core], 55)
    found = align_cores(*cores)
    assert found.best["kind"].tolist() == [kind]
    assert abs(found.best["ring_from_bark"][0] - 55) <= 1  # by construction
    assert (found.extra_rings_a, found.extra_rings_b)[core].median() == -1


def test_two_events_far_apart_are_both_found():
    """An absent ring and a false ring of one core do not hide each other."""
    a, b = two_cores(3, rings=140)
    found = align_cores(a, doubled(without(b, 40), 100))
    assert found.best["kind"].tolist() == ["absent_in_b", "false_in_b"]
    assert np.abs(found.best["ring_from_bark"] - [40, 100]).max() <= 3  # by construction
    assert found.ring_difference.median() == 0
    assert found.extra_rings_b.prob_at(0) > 0.5  # one too few and one too many cancel


def test_two_shares_of_cases_are_found():
    """Both of two random events are found in at least four of five pairs."""
    rng = np.random.default_rng(5)
    cases = []
    for seed in range(40):
        a, b = two_cores(100 + seed, rings=120)
        near, far = int(rng.integers(15, 50)), int(rng.integers(70, 105))
        cases.append((a, without(without(b, far), near), near, far))
    found = align_many([case[:2] for case in cases])
    both = [
        len(one.best) == 2 and np.abs(one.best["ring_from_bark"] - [near, far]).max() <= 3
        for one, (_, _, near, far) in zip(found, cases, strict=True)
    ]
    assert np.mean(both) >= 0.8  # target of the project


def test_swapping_the_cores_swaps_the_answer():
    """A and B play the same part."""
    a, b = two_cores(4)
    b = without(b, 30)
    one, other = align_cores(a, b), align_cores(b, a)
    # the counter follows A to two rings and B by the band: equal but for what lies beyond
    assert np.allclose(one.extra_rings_a.on(-3, 7), other.extra_rings_b.on(-3, 7), atol=1e-6)
    assert np.allclose(one.extra_rings_b.on(-3, 7), other.extra_rings_a.on(-3, 7), atol=1e-6)
    for mine, theirs in (("absent_in_a", "absent_in_b"), ("false_in_b", "false_in_a")):
        assert np.allclose(one.grids.by_ring(mine), other.grids.by_ring(theirs), atol=1e-9)
    assert one.log_evidence == pytest.approx(other.log_evidence, abs=1e-9)


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000), unit=st.floats(0.01, 100))
def test_units_do_not_matter(seed, unit):
    """Multiplying all widths of a core changes nothing."""
    a, b = two_cores(seed, rings=50)
    one, other = align_cores(a, b), align_cores(a * unit, b)
    assert np.allclose(one.ring_difference.on(-3, 7), other.ring_difference.on(-3, 7), atol=1e-8)


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_a_series_agrees_with_itself(seed):
    """A series against itself has no event and no difference."""
    a, _ = two_cores(seed, rings=60)
    found = align_cores(a, a)
    assert found.best.empty
    assert found.ring_difference.median() == 0


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10_000), rings_a=st.integers(5, 40), rings_b=st.integers(5, 40))
def test_unrelated_cores_of_any_length_give_probabilities(seed, rings_a, rings_b):
    """Masses are masses whatever comes in."""
    rng = np.random.default_rng(seed)
    found = align_cores(np.exp(rng.normal(0, 1, rings_a)), np.exp(rng.normal(0, 1, rings_b)))
    assert found.joint[2].sum() == pytest.approx(1)
    assert found.joint[2].min() >= 0
    events = found.events
    assert ((events["prob"] >= 0) & (events["prob"] <= 1) & (events["prob"] <= events["prob_near"] + 1e-12)).all()
    assert ((found.grids.path.sum(axis=1)) <= 1 + 1e-9).all()


def test_one_core_may_reach_further_in():
    """Rings inside the shorter core are left alone."""
    a, b = two_cores(6)
    found = align_cores(a, b[25:])
    assert found.best.empty
    assert found.ring_difference.prob_at(0) > 0.9


def test_absent_rings_dated_as_zero_are_rings():
    """A zero in both cores is a year that both have."""
    a, b = two_cores(7)
    a[50] = b[50] = 0.0
    assert align_cores(a, b).best.empty


def test_crossdated_core_has_no_events():
    """With shares of 0 the counts of core A stand and all blame falls on B."""
    a, b = two_cores(8)
    found = align_cores(a, without(b, 40), prior=alignment_prior(crossdated_a=True))
    assert found.extra_rings_a.prob_at(0) == pytest.approx(1)
    assert set(found.events["kind"]) <= {"absent_in_b", "false_in_b"}


def test_prior_alone_speaks_where_widths_do_not():
    """With unrelated series the evidence is below that of a pair that agrees, and more events stay possible."""
    rng = np.random.default_rng(99)
    a, b = two_cores(9)
    agree, differ = align_cores(a, b), align_cores(a, np.exp(rng.normal(0, 0.4, 100)))
    assert agree.log_evidence > 5 > differ.log_evidence
    assert differ.ring_difference.sd() > agree.ring_difference.sd()


def test_unknown_outer_end_is_found():
    """Three lost outer rings of A show as an outer shift, and the ring numbers stay those of each core."""
    a, b = two_cores(10)
    prior = alignment_prior(outer_shifts=dict.fromkeys(range(-5, 6), 1 / 11))
    found = align_cores(a[:-3], without(b, 50), prior=prior)
    assert found.outer_shift.median() == 3  # by construction
    assert found.best["kind"].tolist() == ["absent_in_b"]
    assert abs(found.best["ring_from_bark"][0] - 47) <= 3  # by construction: counted in A
    assert found.extra_rings_b.median() == 1


def test_many_pairs_are_as_one():
    """Pairs aligned together have the answers they have alone."""
    pairs = [two_cores(seed, rings=rings, own=0.3) for seed, rings in enumerate((6, 20, 40, 47, 70, 130))]
    pairs += [(a[5 * (a.size // 20) :], b) for a, b in pairs]
    for together, pair in zip(align_many(pairs), pairs, strict=True):
        alone = align_cores(*pair)
        assert np.allclose(together.ring_difference.on(-2, 5), alone.ring_difference.on(-2, 5), atol=1e-9)
        assert together.log_evidence == pytest.approx(alone.log_evidence)
        assert np.allclose(together.sums.correlation_weights, alone.sums.correlation_weights, atol=1e-9)


def test_many_absent_rings_widen_the_band():
    """Ten rings missing from one core are counted although the band starts with four."""
    a, b = two_cores(11, rings=220)
    for ring in range(200, 0, -20):
        b = without(b, ring)
    found = align_cores(a, b)
    assert found.ring_difference.median() == 10  # by construction
    assert found.extra_rings_b.mean() > 8  # a few may as well be false rings of A
    assert len(found.best) == 10


def test_series_in_line_and_path_for_figures():
    """The figure data lay the series year by year and know where one core has no ring."""
    a, b = two_cores(12)
    found = align_cores(a, doubled(without(b, 30), 70))
    frame = found.in_line()
    assert len(frame) == 100  # by construction: 100 years
    assert frame["kind"].value_counts().to_dict() == {"both": 98, "absent_in_b": 1, "false_in_b": 1}
    assert frame["ring_b"].isna().sum() == 1
    assert frame["prob_in_line"].dropna().mean() > 0.8
    assert found.path().shape == (100, 2 * found.grids.shift + 1)
    assert "Alignment(2 events" in repr(found)


def test_stand_learns_from_its_pairs():
    """A stand with many absent rings raises its share; one without lowers it."""
    pairs = []
    for seed in range(12):
        a, b = two_cores(200 + seed)
        pairs.append((a, without(without(b, 30), 70)))
    start = AlignmentPrior()
    found, learned = align_stand(pairs)
    assert learned.absent_share_b > 1.5 * start.absent_share_b
    assert np.mean([len(one.best) == 2 for one in found]) >= 0.8
    clean = align_many([two_cores(300 + seed) for seed in range(12)])
    assert stand_prior([one.sums for one in clean]).absent_share_a < start.absent_share_a


def test_near_sums_reach_over_the_ends():
    """Sums within one ring either side, by hand."""
    assert near_sums(np.array([0.1, 0.2, 0.4]), 1) == pytest.approx([0.3, 0.7, 0.6])


def test_priors_by_genus_and_crown_class():
    """Shares follow the table of factors and keep below five percent."""
    start = AlignmentPrior()
    assert start.absent_share_a == absent_ring_share().value  # one table for a core alone and for two
    assert alignment_prior(genus="quercus").absent_share_a == absent_ring_share("Quercus").value
    assert alignment_prior(genus="Taxodium distichum").false_share_b == false_ring_share("Taxodium").value < 0.02
    assert alignment_prior(crown_class="suppressed").absent_share_a == pytest.approx(12.5 * start.absent_share_a)
    # Lorimer, Dahir & Singer 1999, abstract: 16.2 against 1.3
    crowded = alignment_prior(genus="Pinus ponderosa", crown_class="suppressed")
    assert crowded.absent_share_b == 0.05  # upper limit
    # a species name finds its genus
    for species, genus in (("Pinus nomenia", "Pinus"), ("quercus nomenia", "Quercus")):
        assert alignment_prior(genus=species) == alignment_prior(genus=genus) != start
        assert unseen_rings(200, genus=species).mean() == unseen_rings(200, genus=genus).mean()


def test_what_is_believed_cannot_be_changed_later():
    """Shifts are a copy of the prior's own, read-only; the prior still pickles and copies; so is the shipped model."""
    given_shifts = {0: 0.9, 1: 0.1}
    prior = AlignmentPrior(outer_shifts=given_shifts)
    given_shifts[2] = 0.5
    for same in (prior, pickle.loads(pickle.dumps(prior)), copy.deepcopy(prior)):
        assert same.outer_shifts == {0: 0.9, 1: 0.1}
        with pytest.raises(TypeError, match="cannot be changed"):
            same.outer_shifts[2] = 0.5
    with pytest.raises(TypeError, match="does not support item assignment"):
        alignment_model()["narrow_share"] = 0.1
    with pytest.raises(TypeError, match="does not support item assignment"):
        alignment_model()["correlation_weights"][0] = 1.0


def test_rings_absent_in_both_cores():
    """The share that no alignment sees grows with the rings and has the stated mean."""
    mean = 300 * 0.001895 * 0.47  # archive: rings times rate times the share that all cores of a tree lack
    assert unseen_rings(300).mean() == pytest.approx(mean, rel=0.02)
    assert unseen_rings(0).prob_at(0) == 1
    for rings in (-1, 2.5, 10**6):
        with pytest.raises(InputError, match=f"rings_counted: got {rings}, need a whole number, 0 to 10000"):
            unseen_rings(rings)


@pytest.mark.parametrize("rings", [200, 500, 1000])
def test_many_rings_absent_in_both_cores_are_not_cut_off(rings):
    """A suppressed pine lacks rings in both cores by the dozen; at 63 of them half of the mean was lost (SciPy)."""
    rate = ring_rate("absent", "Pinus")
    mean = rings * alignment_prior(genus="Pinus", crown_class="suppressed").absent_share_a * rate.in_all_cores
    law = nbinom(rate.shape, rate.shape / (rate.shape + mean))
    found = unseen_rings(rings, genus="Pinus", crown_class="suppressed")
    assert found.mean() == pytest.approx(mean, rel=1e-3)
    assert abs(found.quantile(0.95) - law.ppf(0.95)) <= 1


@pytest.mark.parametrize(
    ("a", "text"),
    [
        ([1.0, 2.0, -0.5, 1, 1], r"widths_a_mm: got -0.5 at position 2, need finite and at least 0"),
        ([1.0, 2.0, np.nan, 1, 1], r"widths_a_mm: got nan"),
        ([1.0, 2.0], r"widths_a_mm: got shape \(2,\), need one row of at least 5 widths"),
        ([0.0, 0.0, 0.0, 1.0, 1.0], r"widths_a_mm: got a median of 0, need a median width above 0 \[mm\]"),
    ],
)
def test_bad_widths_are_refused(a, text):
    """The message names the core, the value and what is needed."""
    with pytest.raises(InputError, match=text):
        align_cores(a, np.ones(10))


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"absent_share_a": 0.5}, r"absent_share_a: got 0.5, need a share of rings from 0 to 0.2"),
        ({"narrow_share": 2.0}, r"narrow_share: got 2, need a share from 0 to 1"),
        ({"max_shift": 0}, r"max_shift: got 0, need 1 to 60 rings"),
        ({"max_shift": 2.5}, r"max_shift: got 2.5, need 1 to 60 rings, whole"),
        ({"outer_shifts": {0.5: 1.0}}, r"outer_shifts: got .*need probabilities of at least 0 by whole shifts"),
        ({"outer_shifts": {0: float("nan")}}, r"outer_shifts: got .*need probabilities"),
        ({"correlation_weights": (float("nan"),) * 5}, r"correlation_weights: got .*need 5 weights"),
        ({"correlation_weights": (1.0,)}, r"correlation_weights: .* need 5 weights"),
        ({"outer_shifts": {}}, r"outer_shifts: .* need probabilities of at least 0"),
    ],
)
def test_bad_priors_are_refused(change, text):
    """The message names the setting, the value and its range."""
    with pytest.raises(InputError, match=text):
        AlignmentPrior(**change)


def test_priors_must_match_pairs():
    """One prior for all or one for each."""
    with pytest.raises(InputError, match="got 2 priors, need one for each of 1 pairs"):
        align_many([two_cores(1)], prior=[AlignmentPrior()] * 2)
