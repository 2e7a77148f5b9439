"""Speed of the exact engine, as a ratio to a PyMC run of the same model of one tree, in one run.

Run with `pytest tests/benchmarks --benchmark-only`; the figures are in the extra info of each case. With
`--benchmark-disable` a few trees and draws only show that it runs.
"""

import time
import warnings
from dataclasses import replace

import numpy as np
import pytest
from two_core_model import pymc_years

from treeage import estimate_ages, simulate
from treeage.counting import count_error_mass
from treeage.distance import AimErrors, DistanceSource, arc_likelihood, end_distances, inner_ends
from treeage.posterior import added_rings, combine_cores, growth_nodes
from treeage.rings import LOG_STEP, inner_growth, missed_ring_mass, ring_model
from treeage.schema import InnerEnd
from treeage.tables import Field

TREES = 960
CHUNK = 48


def stand(trees=TREES):
    """Two-core trees with arcs, made up."""
    rng = np.random.default_rng(0)
    cores = 2 * trees
    growth = inner_growth([rng.lognormal(0, 0.4, 100) for _ in range(cores)])
    arc = np.full(cores, 10.0), rng.uniform(0.5, 2, cores), np.full(cores, 0.1)
    seen = {DistanceSource.ARC: (np.ones(cores, dtype=bool), arc_likelihood(*arc))}
    stem = np.full(cores, 150.0), np.full(cores, 3.0), np.full(cores, 140.0)
    ends = inner_ends(np.full(cores, InnerEnd.ARCS, dtype=object), seen, arc, stem)
    return growth, end_distances(ends, AimErrors.centre())[0][0], 1900 + rng.integers(0, 6, cores)


def date_all(growth, distance, innermost, dating):
    """The engine on all trees, in the chunks that the pipeline uses."""
    model = ring_model()
    nodes = growth_nodes(model.tree_sd, model.stand_sd, step=LOG_STEP)
    for first in range(0, len(growth), 2 * CHUNK):
        rows = np.arange(first, min(len(growth), first + 2 * CHUNK))
        missed = missed_ring_mass(growth.take(rows), distance[rows], nodes.shifts, max_rings=122)
        count = count_error_mass(np.full(rows.size, 100), np.full(rows.size, dating))
        added = added_rings(np.asarray(missed, dtype=float), count)
        combine_cores(added, innermost[rows], np.arange(rows.size).reshape(-1, 2), nodes)


@pytest.mark.parametrize("dating", ["crossdated", "lab_count"])
def test_two_core_trees(benchmark, dating):
    """Trees dated in a second, one core of the processor."""
    data = stand(TREES if benchmark.enabled else 2)
    benchmark.pedantic(date_all, args=(*data, dating), rounds=5, warmup_rounds=1)
    if benchmark.enabled:
        benchmark.extra_info["trees_per_second"] = TREES / benchmark.stats.stats.min


def test_against_pymc(benchmark):
    """How many times faster a tree is dated than by sampling the same model (2 chains of 500 draws)."""
    data, draws = (stand(), 500) if benchmark.enabled else (stand(2), 2)
    date_all(*data, "lab_count")
    benchmark.pedantic(date_all, args=(*data, "lab_count"), rounds=3)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        started = time.perf_counter()
        pymc_years(draws, tune=draws)
        sampled = time.perf_counter() - started
    if benchmark.enabled:
        benchmark.extra_info["times_faster_than_pymc"] = sampled / (benchmark.stats.stats.min / TREES)


@pytest.mark.parametrize("tables", [True, False], ids=["ring tables", "no ring tables"])
def test_whole_chain(benchmark, tables):
    """Trees of a field dated in a second as users run it, from the checked field to the answers: two cores a tree, with
    counts read against the stand, and crossdated without tables; and how many times the engine's own time that is."""
    recipe = simulate.scenario("demo")
    field = simulate.simulate_stand(replace(recipe, trees=240 if benchmark.enabled else 4), seed=1).field()
    if not tables:
        field = Field.from_frames(field.trees, field.cores.assign(dating="crossdated"), seedlings=field.seedlings)
    benchmark.pedantic(estimate_ages, args=(field,), rounds=2, warmup_rounds=1)
    if benchmark.enabled:
        data = stand()
        started = time.perf_counter()
        date_all(*data, "lab_count")
        engine = (time.perf_counter() - started) / TREES
        benchmark.extra_info["trees_per_second"] = len(field.trees) / benchmark.stats.stats.min
        benchmark.extra_info["times_the_engine"] = benchmark.stats.stats.min / len(field.trees) / engine
