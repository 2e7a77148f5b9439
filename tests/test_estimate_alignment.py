"""Two ring tables of a tree together with lost outer rings, and what the missed rings and the shares then rest on."""

import numpy as np
import pandas as pd
import pytest
from field_cases import SURE

from treeage import estimate_ages
from treeage.estimate import read_cores
from treeage.estimate.counted import read_counts
from treeage.tables import Field, Settings

NONE = {"outer_lost": 0.0, "outer_lost_sd": 0.0}
LOST = {"outer_end": "lost", "outer_lost": 10.0, "outer_lost_sd": 8.0}


def two_cores(first, second, *, shift=0, noise=0.15, rings=True):
    """Tree of two cores of 120 rings, each to the pith; core b really ends so many years before core a."""
    rng = np.random.default_rng(1)
    climate = rng.normal(0, 0.35, 120 + shift)
    core = {"tree": "A1", "outer_year": 2000, "rings_counted": 120, "inner_end": "pith", "core_height_m": 0.0}
    cores = pd.DataFrame([core | {"core": "a"} | first, core | {"core": "b"} | second])
    tables = []
    for name, signal in (("a", climate[shift:]), ("b", climate[:120])):
        widths = np.exp(signal + rng.normal(0, noise, 120)).round(3)
        tables.append(pd.DataFrame({"tree": "A1", "core": name, "ring": np.arange(1, 121), "width_mm": widths}))
    trees = pd.DataFrame({"tree": ["A1"], "species": ["Picea abies"]})
    return Field.from_frames(
        trees, cores, rings=pd.concat(tables, ignore_index=True) if rings else None, settings=Settings(doubt=SURE)
    )


def test_reading_two_cores_keeps_the_error_of_the_lost_rings():
    """Two counts with 10 +- 8 lost rings each: as two independent errors without ring tables, 8 / sqrt(2) (formula).

    With ring tables that end in the same year the two errors are equal and normal: the same 8 / sqrt(2).
    """
    lost = {"dating": "lab_count"} | LOST
    for rings in (True, False):
        answer = estimate_ages(two_cores(lost, lost, rings=rings))["A1"]
        assert answer.establishment_year.sd() == pytest.approx(8 / np.sqrt(2), rel=0.03)
        assert answer.age.sd() == pytest.approx(answer.establishment_year.sd(), rel=1e-6)
    certain = lost | {"outer_lost_sd": 0.0}
    assert estimate_ages(two_cores(certain, certain))["A1"].establishment_year.sd() < 0.5


def joint_counts(field):
    """Core ids of the pair that was read together, the first error of each, and the joint mass."""
    cores, _, _ = read_counts(read_cores(field))
    rows, starts, mass = cores.joint_counts["A1"]
    return tuple(cores.core[row] for row in rows), starts, mass


def test_a_dated_core_shows_how_many_outer_rings_the_other_lost():
    """Core b ends five years before its stated year: read against a crossdated core, its error is +5 (known truth)."""
    dated = {"dating": "crossdated"} | NONE
    field = two_cores(dated, {"dating": "lab_count"} | LOST, shift=5)
    names, (first, second), mass = joint_counts(field)
    errors = {names[0]: (first, mass.sum(axis=1)), names[1]: (second, mass.sum(axis=0))}
    start, margin = errors["b"]
    assert margin[5 - start] > 0.9
    start, margin = errors["a"]
    assert margin[-start] == pytest.approx(1.0)  # a crossdated core has no error


def test_which_of_two_counts_lost_the_rings_stays_open():
    """Ends five years apart, 8 rings of doubt on each: the errors differ by 5 and share it, +-2.5 (symmetry)."""
    lost = {"dating": "lab_count"} | LOST
    names, (first, second), mass = joint_counts(two_cores(lost, lost, shift=5))
    row, column = np.indices(mass.shape)
    sign = 1 if names == ("a", "b") else -1
    apart = sign * ((column + second) - (row + first))
    assert mass[apart == 5].sum() > 0.9
    mean = (mass * (row + first)).sum()
    assert mean == pytest.approx(-2.5 * sign, abs=0.3)


def arcs_tree(dating):
    """Two cores of equal rings with the pith 10 +- 1 mm away."""
    core = {"dating": dating, "inner_end": "arcs", "distance_mm": 10.0, "distance_sd_mm": 1.0}
    return estimate_ages(two_cores(core, core, noise=0.1))["A1"]


def test_missed_rings_use_the_count_errors_that_were_read():
    """Where reading the cores together leaves no count error, all rings added are missed rings, as when crossdated."""
    counted, dated = arcs_tree("field_count"), arcs_tree("crossdated")
    added = 2000 - 120 + 1 - counted.pith_year.mean()
    assert counted.missed_rings.mean() == pytest.approx(added, abs=0.15)
    assert counted.missed_rings.mean() == pytest.approx(dated.missed_rings.mean(), abs=0.15)
    assert counted.missed_rings.sd() == pytest.approx(dated.missed_rings.sd(), rel=0.05)
    assert counted.shares["share_count"] < 0.1  # nor does the count carry the variance
