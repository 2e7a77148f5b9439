"""Speed of reading two cores against each other: target 300 pairs of 150 rings a second on one core.

With `--benchmark-disable` a few small pairs only show that it runs.
"""

import numpy as np

from treeage.alignment import align_cores, align_many


def pairs_of_cores(pairs, rings):
    """Pairs with a common signal and noise of their own."""
    rng = np.random.default_rng(0)
    signal = rng.normal(0, 0.3, (pairs, rings))
    return [tuple(np.exp(one + rng.normal(0, 0.2, rings)) for _ in range(2)) for one in signal]


def test_one_pair(benchmark):
    """One pair of 150 rings."""
    (pair,) = pairs_of_cores(1, 150)
    assert benchmark(align_cores, *pair).best.empty


def test_many_pairs(benchmark):
    """200 pairs of 150 rings in one call."""
    pairs = pairs_of_cores(200 if benchmark.enabled else 3, 150)
    assert len(benchmark(align_many, pairs)) == len(pairs)


def test_long_pairs(benchmark):
    """20 pairs of 1500 rings in one call: ten times the rings, ten times the time of a pair."""
    pairs = pairs_of_cores(20 if benchmark.enabled else 1, 1500)
    assert len(benchmark(align_many, pairs)) == len(pairs)
