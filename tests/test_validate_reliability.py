"""Reliability of stated probabilities, and of those that the alignment states on made-up pairs."""

import numpy as np
import pytest

from treeage.alignment import align_stand
from treeage.errors import InputError
from treeage.validate import reliability


def test_right_statements_stay_in_their_bands():
    """Outcomes drawn with the stated probabilities stay within bands of 99.9 % in all ten bins."""
    rng = np.random.default_rng(0)
    stated = rng.random(20_000)
    table = reliability(stated, rng.random(stated.size) < stated, band=0.999)
    assert table["count"].sum() == stated.size and len(table) == 10
    assert table["within"].all()


def test_boasting_is_found():
    """Negative control: statements pushed away from one half leave the bands."""
    rng = np.random.default_rng(0)
    right = rng.random(20_000)
    boast = np.clip(0.5 + 1.6 * (right - 0.5), 0, 1)
    assert not reliability(boast, rng.random(right.size) < right)["within"].all()


@pytest.mark.parametrize(
    ("stated", "happened", "text"),
    [
        ([0.5], [True, False], "one outcome for each"),
        ([], [], "at least one"),
        ([30.0], [True], "shares, not percent"),
        ([0.5, 0.5], [True, np.nan], "happened: got nan, need True or False"),  # counted as happened before
        ([0.5], ["no"], "happened: got no, need True or False"),
    ],
)
def test_wrong_input_is_refused(stated, happened, text):
    """Lengths and ranges are checked."""
    with pytest.raises(InputError, match=text):
        reliability(stated, happened)


def pairs_with_events(count, rings=100):
    """Pairs of which a quarter lacks a ring in core B and a quarter has one doubled there; and what B lacks."""
    rng = np.random.default_rng(1)
    pairs, truth = [], []
    for number in range(count):
        signal = rng.normal(0, 0.35, rings)
        a, b = (np.exp(signal + rng.normal(0, 0.3, rings)) for _ in range(2))
        at, kind = int(rng.integers(10, rings - 10)), (0, 1, -1, 0)[number % 4]
        if kind == 1:
            b = np.delete(b, at)
        elif kind == -1:
            share = rng.beta(4, 4)
            b = np.concatenate([b[:at], [b[at] * share, b[at] * (1 - share)], b[at + 1 :]])
        pairs.append((a, b))
        truth.append(kind)
    return pairs, np.array(truth)


@pytest.mark.slow
def test_stated_differences_come_true_as_often_as_stated():
    """Of the differences that the alignment calls likely to some degree, that share is true (known truth)."""
    pairs, truth = pairs_with_events(600)
    found, _ = align_stand(pairs)
    values = (-1, 0, 1)
    stated = np.array([[one.ring_difference.prob_at(value) for value in values] for one in found])
    table = reliability(stated.clip(0, 1).ravel(), (truth[:, None] == values).ravel(), bins=4)
    assert (abs(table["stated"] - table["happened"]) < 0.05 + (table["band_high"] - table["band_low"]) / 2).all()
    assert table["count"].iloc[1:-1].sum() > 30  # not only certain answers
