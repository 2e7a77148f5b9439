"""The sums of the alignment against enumeration of every path."""

import numpy as np
import pytest

from treeage.alignment.engine import MOVES, backward, count_joint, forward, log_total, move_probs
from treeage.alignment.lattice import (
    EVENTS,
    EventFactors,
    Move,
    lattice,
    log_widths,
    match_ratios,
    median,
    pick,
    place,
    ratios,
    side_by_side,
    signals,
    t_density,
    whiten,
)

COEFFICIENTS = np.array([0.7, 0.2, 0.1])
STEPS = {"both": (1, 1), "absent_in_a": (0, 1), "absent_in_b": (1, 0), "false_in_a": (2, 1), "false_in_b": (1, 2)}


def tiny(size_a, size_b, shift, seed=0):
    """A lattice of two tiny series with large shares of events."""
    rng = np.random.default_rng(seed)
    a = signals(np.exp(rng.normal(0, 0.5, size_a)), COEFFICIENTS, 2.0)
    b = signals(np.exp(rng.normal(0, 0.5, size_b)), COEFFICIENTS, 2.0)
    prior = EventFactors(np.full(size_b, 0.1), np.full(size_a, 0.1), np.full(size_a, 0.05), np.full(size_b, 0.07), 0.7)
    return lattice([(a, b)], [prior], [np.array([0.6])], shift=shift, disturbed=(0.05, 0.3))


def single(core):
    """The signals of one core as an array of one item."""
    return side_by_side([core], np.zeros(1, dtype=np.int64))


def every_path(grid, size_a, size_b):
    """Weight of every path by enumeration: total, by (extra rings of A, final offset), and by events."""
    total, joint, events = 0.0, {}, dict.fromkeys(EVENTS, 0.0)

    def walk(i, j, disturbed, weight, extra, seen):
        nonlocal total
        if i == size_a or j == size_b:
            total += weight
            joint[extra, j - i] = joint.get((extra, j - i), 0.0) + weight
            for kind in seen:
                events[kind] += weight
            return
        column = (j - i + grid.shift) // 2 + 1
        if disturbed:
            factor = grid.inside[i + j, column, 0] * weight
            walk(i + 1, j + 1, 0, factor * grid.leave, extra, seen)
            walk(i + 1, j + 1, 1, factor * (1 - grid.leave), extra, seen)
            return
        for kind, (_, turn, add) in MOVES.items():
            factor = grid.moves[kind][i + j, column, 0] * weight
            if factor == 0 or abs(j - i + turn) > grid.shift:
                continue
            to = (i + STEPS[kind][0], j + STEPS[kind][1])
            if kind == "both":
                walk(*to, 0, factor * (1 - grid.enter), extra, seen)
                walk(*to, 1, factor * grid.enter, extra, seen)
            else:
                walk(*to, 0, factor, extra + add, (*seen, kind))

    for state in (0, 1):
        walk(0, 0, state, grid.start_probs[state], 0, ())
    return total, joint, events


def test_moves_use_rings_of_the_two_cores():
    """The rings a move uses say all else: how the offset turns, and how many rings A was counted short (hand)."""
    assert {move.value: move.rings for move in Move} == STEPS
    assert [MOVES[move] for move in Move] == [(2, 0, 0), (1, 1, 1), (1, -1, 0), (3, -1, -1), (3, 1, 0)]
    assert [move.value for move in EVENTS if move.of_b] == ["absent_in_a", "false_in_b"]
    assert {(move.word, move.core) for move in EVENTS} == {(w, c) for w in ("absent", "false") for c in "ab"}


def test_parts_of_a_signal_by_hand():
    """Median, log widths above a fifth of it, and what the next rings inward do not foretell."""
    assert median(np.array([3.0, 1.0, 2.0])) == 2.0  # hand
    assert median(np.array([4.0, 1.0, 2.0, 3.0])) == 2.5  # hand
    assert log_widths(np.array([0.8, 0.8, 0.8])) == pytest.approx(np.full(3, np.log(0.96)))  # 0.8 + 0.2 * 0.8
    assert whiten(np.array([3.0, 1.0, 1.0]), np.array([0.5, 0.5])).tolist() == [2.0]  # 3 - (1 + 1) / 2


@pytest.mark.parametrize(("size_a", "size_b", "shift"), [(5, 4, 4), (4, 6, 2), (3, 3, 2), (2, 5, 4), (1, 1, 2)])
def test_sums_equal_enumeration(size_a, size_b, shift):
    """Forward, backward, event probabilities and counter equal the sums over all paths."""
    grid = tiny(size_a, size_b, shift)
    total, joint, events = every_path(grid, size_a, size_b)
    ahead, behind = forward(grid), backward(grid)
    log_sum = log_total(grid, ahead)
    assert np.exp(log_sum[0]) == pytest.approx(total, rel=1e-12)  # brute force
    start = behind.value[0, :, shift // 2 + 1, 0] * np.exp(behind.log_scale[0, 0])
    assert start @ np.array(grid.start_probs) == pytest.approx(total, rel=1e-12)  # brute force
    probs = move_probs(grid, ahead, behind, log_sum)
    for kind in EVENTS:
        assert probs[kind].sum() == pytest.approx(events[kind] / total, rel=1e-9, abs=1e-15)  # brute force
    counter = count_joint(grid, ahead, log_sum, 6)[:, :, 0]
    assert counter.sum() == pytest.approx(1)
    for (extra, offset), weight in joint.items():
        assert counter[extra + 6, offset + shift] == pytest.approx(weight / total, rel=1e-9)  # brute force


def test_rescaling_does_not_change_long_sums():
    """A long series that agrees strongly neither overflows nor loses mass."""
    rng = np.random.default_rng(0)
    widths = np.exp(rng.normal(0, 0.4, 1500))
    one = signals(widths, COEFFICIENTS, 2.0)
    prior = EventFactors(*[np.full(1500, 1e-3)] * 4, 0.996)
    grid = lattice([(one, one)], [prior], [np.array([0.95])], shift=4, disturbed=(0.01, 0.2))
    ahead = forward(grid)
    log_sum = log_total(grid, ahead)
    assert 800 < log_sum[0] < 3000
    assert count_joint(grid, ahead, log_sum, 4).sum() == pytest.approx(1, abs=1e-9)
    matched = move_probs(grid, ahead, backward(grid), log_sum)
    assert matched["both"].sum() + matched["disturbed"].sum() == pytest.approx(1500, abs=1)


def test_removed_and_joined_signals_are_those_of_the_edited_series():
    """The windows round an event equal the signals of the series that was really edited."""
    widths = np.exp(np.random.default_rng(1).normal(0, 0.4, 60))
    one = signals(widths, COEFFICIENTS, 2.0)
    added = 0.2 * np.median(widths)
    scale = (whiten(log_widths(widths), COEFFICIENTS) / one.plain[:57])[10]

    def own(series):
        return whiten(np.log(series + added), COEFFICIENTS) / scale

    for ring in (10, 30):
        gone = own(np.delete(widths, ring))
        assert np.allclose(one.removed[ring], gone[[ring - 1, ring - 2, ring - 3]])  # direct computation
        joined = np.delete(widths, ring)
        joined[ring] = widths[ring] + widths[ring + 1]
        merged = own(joined)
        assert np.allclose(one.joined[ring], merged[[ring, ring - 1, ring - 2, ring - 3]])  # direct computation


def test_match_is_the_ratio_of_t_densities():
    """The match factor is (bivariate t / product of univariate t) to the power 5/6."""
    from scipy.stats import multivariate_t, t

    rng = np.random.default_rng(2)
    a, b = (signals(np.exp(rng.normal(0, 0.4, 20)), COEFFICIENTS, 2.0) for _ in range(2))
    ratio = match_ratios(single(a), single(b), np.array([0.7]), 2)[0]
    for ring, offset in ((5, 0), (7, -2), (9, 1)):
        pair = [a.plain[ring], b.plain[ring + offset]]
        both = multivariate_t(shape=[[1, 0.7], [0.7, 1]], df=4).pdf(pair)
        alone = t(4).pdf(pair[0]) * t(4).pdf(pair[1])
        assert ratio[offset + 2, ring] == pytest.approx((both / alone) ** (5 / 6), rel=1e-9)  # SciPy
    assert t_density(np.array(1.3)) == pytest.approx(t(4).pdf(1.3))  # SciPy


def test_event_windows_replace_what_the_event_disturbs():
    """The factor of an absent ring is the ratio of edited to unedited matches of the three rings outside it."""
    rng = np.random.default_rng(3)
    a, b = (signals(np.exp(rng.normal(0, 0.4, 20)), COEFFICIENTS, 2.0) for _ in range(2))
    match, gone, _ = ratios(single(a), single(b), np.array([0.7]), 2)
    from dataclasses import replace

    expected = 1.0
    for back in (1, 2, 3):
        plain = a.plain.copy()
        plain[10 - back] = a.removed[10, back - 1]
        edited = match_ratios(single(replace(a, plain=plain)), single(b), np.array([0.7]), 2)
        expected *= edited[0, 2, 10 - back] / match[0, 2, 10 - back]
    assert gone[0, 2, 10] == pytest.approx(expected, rel=1e-9)  # direct computation


@pytest.mark.parametrize("lean", [1, -1])
def test_cells_turn_back_into_rings(lean):
    """Picking undoes placing, with the offsets of B turned round."""
    grid = np.random.default_rng(4).random((1, 5, 9))
    target = np.zeros((30, 5, 1))
    place(target, grid, 2, lean)
    back = pick(target[2:, 1:-1], 9, 2, lean)[0]
    wanted = grid[0].T if lean == 1 else grid[0].T[:, ::-1]
    real = back != 0
    assert np.allclose(back[real], wanted[real])
    assert real.sum() >= 9 * 5 - 6  # cells before the first ring have no place


def test_items_of_a_batch_are_as_if_alone():
    """Every pair and correlation of a batch has the factors and sums it has by itself, whatever its length."""
    rng = np.random.default_rng(6)
    sizes = [(12, 9), (20, 20), (7, 15)]
    pairs = [tuple(signals(np.exp(rng.normal(0, 0.5, n)), COEFFICIENTS, 2.0) for n in pair) for pair in sizes]
    priors = [EventFactors(*[rng.uniform(0.01, 0.1, n) for n in (b, a, a, b)], 0.8) for a, b in sizes]
    nodes = [np.array([0.3, 0.7]), np.array([0.5]), np.array([0.2, 0.6, 0.8])]
    settings = {"shift": 4, "disturbed": (0.05, 0.3)}
    many = lattice(pairs, priors, nodes, **settings)
    sums = log_total(many, forward(many))
    item = 0
    for pair, prior, own in zip(pairs, priors, nodes, strict=True):
        for node in own:
            one = lattice([pair], [prior], [np.array([node])], **settings)
            steps = one.border.shape[0] - 4
            for kind in (*one.moves, "inside"):
                first, second = (each.inside if kind == "inside" else each.moves[kind] for each in (many, one))
                assert np.allclose(first[:steps, :, item], second[:steps, :, 0], rtol=1e-12, atol=0)
            assert sums[item] == pytest.approx(log_total(one, forward(one))[0], rel=1e-12)
            item += 1
