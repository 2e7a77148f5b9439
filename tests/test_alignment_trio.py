"""Two cores read together with the mean of the stand: sums by enumeration, densities by SciPy, made-up truth."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plain_trios import bivariate, plain_align, trivariate
from scipy.stats import multivariate_t, t

from treeage.alignment import AlignmentPrior, Move, align_cores, align_many
from treeage.alignment.pair import core_signals, reference_signals
from treeage.alignment.paths import MOVES
from treeage.alignment.paths import backward as _backward
from treeage.alignment.paths import forward as _forward
from treeage.alignment.paths import move_probs as _probs
from treeage.alignment.years import Trio
from treeage.errors import InputError

TEMPER = 0.65  # of the model
YEARS = 130


def stand(seed, *, spread=0.25):
    """Two cores of a tree and the mean of its neighbours, innermost first (made up)."""
    rng = np.random.default_rng(seed)
    climate = rng.normal(0, 0.35, YEARS)
    return *(np.exp(climate + rng.normal(0, spread, YEARS)) for _ in "ab"), np.exp(climate)


@given(st.tuples(*[st.floats(-6, 6)] * 3))
def test_densities_are_those_of_the_t_law(signals):
    """Tempered log density of the trivariate and bivariate t law over that of independent ones (oracle: SciPy)."""
    a, b, r = (np.array([value]) for value in signals)
    own, far_a, far_b = 0.7, 0.5, 0.6
    shape = [[1, own, far_a], [own, 1, far_b], [far_a, far_b, 1]]
    alone = sum(t(4).logpdf(value) for value in signals)
    three = multivariate_t(np.zeros(3), shape, df=4).logpdf(signals) - alone
    assert trivariate(a, b, r, own, (far_a, far_b))[0] == pytest.approx(TEMPER * three, abs=1e-9)
    two = multivariate_t(np.zeros(2), [[1, own], [own, 1]], df=4).logpdf(signals[:2]) - sum(
        t(4).logpdf(value) for value in signals[:2]
    )
    assert bivariate(a, b, own)[0] == pytest.approx(TEMPER * two, abs=1e-9)


def test_sums_are_those_of_every_path():  # noqa: C901 - one enumeration
    """Forward, backward and move probabilities against enumeration of all paths of four years (brute force)."""
    rng = np.random.default_rng(2)
    years, shift = 4, 2
    width = 2 * shift + 1
    moves = {move: rng.uniform(0.05, 1, (years, width, width, 1)) for move in MOVES}
    for move, (turn_a, turn_b) in MOVES.items():
        for axis, turn in ((1, turn_a), (2, turn_b)):
            if turn:
                np.moveaxis(moves[move], axis, 0)[-1 if turn > 0 else 0] = 0.0
    dull = rng.uniform(0.05, 1, (years, width, width, 1))
    ahead, scale = _forward(moves, dull, shift)
    probs = _probs(moves, dull, ahead, _backward(moves, dull))
    enter, leave = 0.02, 0.15  # of the model
    total, final, used = 0.0, np.zeros((width, width)), {move: np.zeros((years, width, width)) for move in MOVES}

    def walk(year, a, b, disturbed, weight, seen):
        nonlocal total
        if year == years:
            total += weight
            final[a, b] += weight
            for move, at, old_a, old_b in seen:
                used[move][at, old_a, old_b] += weight
            return
        here = [*seen, ("both", year, a, b)]
        if disturbed:
            inside = weight * dull[year, a, b, 0]
            walk(year + 1, a, b, False, inside * leave, here)
            walk(year + 1, a, b, True, inside * (1 - leave), here)
            return
        for move, (turn_a, turn_b) in MOVES.items():
            factor = weight * moves[move][year, a, b, 0]
            if move == "both":
                walk(year + 1, a, b, False, factor * (1 - enter), here)
                walk(year + 1, a, b, True, factor * enter, here)
            elif factor > 0:
                walk(year + 1, a + turn_a, b + turn_b, False, factor, [*seen, (move, year, a, b)])

    for disturbed, start in ((False, leave), (True, enter)):
        walk(0, shift, shift, disturbed, start / (enter + leave), [])
    assert scale[0] == pytest.approx(np.log(total))
    assert np.allclose(ahead[-1].sum(axis=0)[..., 0], final / total)
    for move in MOVES:
        assert np.allclose(probs[move][..., 0], used[move] / total), move


def odd_stand(seed):
    """A stand whose cores and mean end in different years, with gaps, lost and doubled rings."""
    rng = np.random.default_rng(seed)
    a, b, mean = stand(seed, spread=rng.uniform(0.15, 0.4))
    cores = []
    for core in (a, b):
        own = core
        for at in rng.integers(10, 70, rng.integers(0, 4)):
            own = np.delete(own, at) if rng.random() < 0.7 else np.insert(own, at, 0.5 * own[at])
        cores.append(own[-int(rng.integers(35, 75)) :])
    mean = rng.permutation(mean) if seed % 5 == 4 else mean
    mean = mean[-int(rng.integers(30, 100)) :].copy()
    if seed % 2:
        mean[-5:] = np.nan
    if seed % 3 == 1:
        mean[10:14] = np.nan
    return *cores, mean


ODD_PRIORS = [
    AlignmentPrior(),
    AlignmentPrior(absent_share_a=0.03, false_share_a=0.01, absent_share_b=0.02, both_share=0.003),
    AlignmentPrior(absent_share_a=0.0, false_share_a=0.0, both_share=0.0, max_shift=6),
]


def test_sums_are_those_of_the_plain_lattice():
    """Joint mass, evidence and events of a batch against every density and state one by one (oracle: plain_trios).

    Events are scored in single floats and unlikely states are not followed: probabilities may differ by a millionth.
    """
    cases = [odd_stand(seed) for seed in range(9)]
    priors = [ODD_PRIORS[seed % 3] for seed in range(9)]
    found = align_many([case[:2] for case in cases], references=[case[2] for case in cases], prior=priors)
    for case, prior, fast in zip(cases, priors, found, strict=True):
        trio = Trio(core_signals(case[0]), core_signals(case[1]), *reference_signals(case[2]))
        joint, evidence, moves = plain_align(trio, prior)
        shift = joint.shape[0] // 2
        first, second, mass = fast.joint
        where = slice(-shift - first, shift - first + 1), slice(-shift - second, shift - second + 1)
        assert fast.log_evidence == pytest.approx(evidence, abs=1e-5)
        assert mass[where] == pytest.approx(joint, abs=1e-6)
        for kind in ("absent_in_a", "absent_in_b", "false_in_a", "false_in_b"):
            prob = moves[kind] + (moves["absent_in_both"] if kind.startswith("absent") else 0.0)
            states = prob.sum(axis=1 if kind in ("absent_in_a", "false_in_b") else 2)  # of the core with the ring
            by_ring = np.zeros(prob.shape[0] + 2 * shift)
            for at, state in enumerate(range(-shift, shift + 1)):
                inside = np.arange(max(0, state), prob.shape[0])
                by_ring[inside - state] += states[inside, at]
            own = fast.grids.by_ring(Move(kind))
            assert own == pytest.approx(by_ring[: own.size], abs=1e-6)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_ring_absent_in_both_cores_is_seen_by_the_stand_alone(seed):
    """The mate lacks the same ring: two cores alone say nothing, the stand shows one ring to add to both (truth)."""
    a, b, mean = stand(seed)
    cut = [np.delete(core, 70) for core in (a, b)]
    alone, together = align_cores(*cut), align_cores(*cut, reference=mean)
    assert alone.extra_rings_a.prob_at(0) > 0.9
    first, second, mass = together.joint
    assert mass[1 - first, 1 - second] > 0.8
    assert len(alone.best) == 0 and sorted(together.best["kind"]) == ["absent_in_a", "absent_in_b"]
    assert (abs(together.best["ring_from_bark"] - (YEARS - 70)) <= 3).all()


@pytest.mark.parametrize("kind", ["absent_in_a", "absent_in_b", "false_in_a", "false_in_b"])
def test_the_stand_says_which_core_is_wrong(kind):
    """One change in one core of four made-up trees: the kind, its core and the window of seven rings (known truth)."""
    right = 0
    for seed in range(4):
        cores = dict(zip("ab", stand(seed)[:2], strict=True))
        mean, (word, core) = stand(seed)[2], (kind.split("_")[0], kind[-1])
        at = 60
        if word == "absent":
            cores[core] = np.delete(cores[core], at)
        else:
            parts = [0.45 * cores[core][at], 0.55 * cores[core][at]]
            cores[core] = np.concatenate([cores[core][:at], parts, cores[core][at + 1 :]])
        found = align_cores(cores["a"], cores["b"], reference=mean)
        extra = found.extra_rings_a if core == "a" else found.extra_rings_b
        other = found.extra_rings_b if core == "a" else found.extra_rings_a
        assert other.prob_at(0) > 0.8
        assert extra.median() == (1 if word == "absent" else -1)
        best = found.best
        right += len(best) == 1 and abs(best["ring_from_bark"].iloc[0] - (YEARS - at)) <= 3
        assert (best["window_prob"] >= best["prob_near"] - 1e-12).all()
    assert right >= 3


def test_exchanging_the_cores_exchanges_the_answer():
    """The joint mass of (b, a) is that of (a, b) turned round (symmetry)."""
    a, b, mean = stand(5)
    one, two = align_cores(a, np.delete(b, 40), reference=mean), align_cores(np.delete(b, 40), a, reference=mean)
    # nearly: the rough look at the correlations, and the edge of the band, are those of A
    for left, right in ((one.extra_rings_a, two.extra_rings_b), (one.extra_rings_b, two.extra_rings_a)):
        assert np.allclose(left.on(-6, 13), right.on(-6, 13), atol=2e-4)


@pytest.mark.parametrize("known", [slice(0, 130), slice(40, 130), slice(0, 90)])
def test_a_reference_may_be_shorter_longer_or_unknown_in_part(known):
    """Unknown years, inner or outer, leave the two cores to each other; the lost ring is found in all cases (truth)."""
    a, b, mean = stand(6)
    part = np.full(YEARS + 30, np.nan)
    part[30:][known] = mean[known]
    found = align_cores(a, np.delete(b, 20), reference=part)
    assert found.extra_rings_b.median() - found.extra_rings_a.median() == 1
    assert found.ring_difference.prob_at(1) > 0.9


def test_a_shuffled_reference_brings_nothing_and_harms_nothing():
    """Negative control: with years of the reference shuffled the answers stay those of the two cores (10 trees)."""
    rng = np.random.default_rng(1)
    pairs, means = [], []
    for seed in range(10):
        a, b, mean = stand(seed)
        pairs.append((a, np.delete(b, 65) if seed % 2 else b))
        means.append(rng.permutation(mean))
    right = [
        found.ring_difference.median() == seed % 2 for seed, found in enumerate(align_many(pairs, references=means))
    ]
    assert sum(right) >= 9
    held = []
    for seed, found in enumerate(align_many(pairs, references=means)):
        (low, high), (first, last) = found.extra_rings_a.interval(0.9), found.extra_rings_b.interval(0.9)
        held += [low <= 0 <= high, first <= seed % 2 <= last]
    assert np.mean(held) >= 0.85  # nominal .9 within the binomial error of 20


def test_many_are_read_as_one_by_one():
    """Batches, pairs without a reference among them, give the answers of single calls."""
    cases = [stand(seed) for seed in range(4)]
    pairs = [(a, np.delete(b, 30 + 10 * number)) for number, (a, b, _) in enumerate(cases)]
    means = [cases[0][2], None, cases[2][2], cases[3][2]]
    for pair, mean, found in zip(pairs, means, align_many(pairs, references=means), strict=True):
        alone = align_cores(*pair, reference=mean)
        assert np.allclose(alone.extra_rings_b.on(-6, 13), found.extra_rings_b.on(-6, 13), atol=1e-9)


@pytest.mark.parametrize("bad", [np.full(60, np.nan), np.full(60, -1.0), np.ones((3, 4)), np.ones(3)])
def test_a_reference_that_says_nothing_is_refused(bad):
    """Nothing known, below 0, not a row, too short: the argument is named."""
    a, b, _ = stand(1)
    with pytest.raises(InputError, match="reference"):
        align_cores(a, b, reference=bad)


def test_as_many_references_as_pairs():
    """References that do not fit the pairs are a fault."""
    a, b, mean = stand(1)
    with pytest.raises(InputError, match="references"):
        align_many([(a, b)], references=[mean, mean], prior=AlignmentPrior())
