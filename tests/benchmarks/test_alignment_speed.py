"""Speed of reading two cores against each other: target 300 pairs of 150 rings a second on one core.

With `--benchmark-disable` a few small pairs only show that it runs.
"""

from time import process_time

import numpy as np
from plain_trios import plain_align

from treeage.alignment import AlignmentPrior, align_cores, align_many
from treeage.alignment.pair import core_signals, reference_signals
from treeage.alignment.years import Trio


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


def test_pairs_with_the_stand(benchmark):
    """40 pairs of 80 rings with the mean of the stand, at least five times as fast as the plain lattice in one run."""
    pairs = pairs_of_cores(40 if benchmark.enabled else 2, 80)
    means = [np.sqrt(a * b) for a, b in pairs]
    trios = [
        Trio(core_signals(a), core_signals(b), *reference_signals(mean))
        for (a, b), mean in zip(pairs, means, strict=True)
    ]
    start = process_time()
    plain = [plain_align(trio, AlignmentPrior()) for trio in trios[:10]]
    each = (process_time() - start) / len(plain)
    found = benchmark(align_many, pairs, references=means)
    assert np.allclose([one[1] for one in plain], [one.log_evidence for one in found[:10]], atol=1e-4)
    if benchmark.enabled:
        start = process_time()
        align_many(pairs, references=means)
        benchmark.extra_info["times_the_plain"] = len(pairs) * each / (process_time() - start)
        assert benchmark.extra_info["times_the_plain"] > 5
