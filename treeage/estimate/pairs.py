"""Ring tables of a tree's cores read against each other: joint count errors, and the places a person should look at.

The statistics are those of `alignment`; nothing is edited, only weighed.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage import priors
from treeage.alignment import Alignment, AlignmentPrior, Move, align_many, unseen_rings
from treeage.counting import absent_ring_share, count_error, false_ring_share, lost_kernel
from treeage.estimate.cores import Cores, JointCount
from treeage.results import Flag
from treeage.schema import Dating

Array = NDArray[np.float64]

LEAST_RINGS = 30  # choice: shorter overlaps say too little to replace the published count errors
LIKELY = 0.5  # choice: an event is pointed out when it is likelier than not within three rings
# Rings too few and too many per ring counted: 1.5 errors in 200 rings of a laboratory count, four of five too few
# (Weisberg & Swanson 2001, abstract; split as in `counting`, choice); a field count with a ring table: three times that
# (choice).
_MISCOUNTS = {Dating.CROSSDATED: (0.0, 0.0), Dating.LAB_COUNT: (0.006, 0.0015), Dating.FIELD_COUNT: (0.018, 0.0045)}
_UNSEEN_CUT = 1e-4  # choice: rarer numbers of rings absent in both cores are left out
_FIELD_SHIFT = 12  # choice: field counts go further astray
_OUTER_SHIFTS = 24  # choice: outer ends that differ by more rings than this are not tried
EVENT_COLUMNS = ["tree", "core", "other_core", "kind", "ring_from_bark", "year", "prob", "prob_near"]

Pair = tuple[int, int]


def read_pairs(cores: Cores) -> tuple[Cores, pd.DataFrame]:
    """Align the ring tables of the two longest cores of each tree that is not crossdated on both.

    Gives the cores with `joint_counts` and flags where a ring is likelier absent or false than not, and the events
    (EVENT_COLUMNS); trees without two complete ring tables keep the published count errors.
    """
    # The cores are put together from the last ring year that both have. Rings of one core outside the stretch they
    # share (lost outer rings of the other, a core that reaches further in) keep the published count error of so many
    # rings. On a crossdated core nothing can be absent or false. Where the number of lost outer rings of a count is
    # uncertain, the widths say how far the outer ends lie apart, and what is left of the two errors joins the count
    # errors; how an event next to the bark trades with the shift is left out.
    pairs: list[tuple[str, Pair, list[Array]]] = []
    for tree, rows in cores.rows_of.items():
        whole = [row for row in rows if cores.widths_mm[row].size == cores.rings_counted[row] >= LEAST_RINGS]
        if len(whole) < 2:
            continue
        first, second = sorted(whole, key=lambda row: -cores.widths_mm[row].size)[:2]
        if cores.dating[first] == cores.dating[second] == Dating.CROSSDATED:
            continue
        trimmed = _common_outer_end(cores, (first, second))
        if min(widths.size for widths in trimmed) >= LEAST_RINGS:
            pairs.append((tree, (first, second), trimmed))
    if not pairs:
        return cores, pd.DataFrame(columns=EVENT_COLUMNS)
    series = [(trimmed[0], trimmed[1]) for _, _, trimmed in pairs]
    read = align_many(series, prior=[_prior(cores, pair, trimmed) for _, pair, trimmed in pairs])
    joint = {
        tree: _joint_count(cores, pair, reading, trimmed)
        for (tree, pair, trimmed), reading in zip(pairs, read, strict=True)
    }
    found = [row for (_, pair, _), reading in zip(pairs, read, strict=True) for row in _events(cores, pair, reading)]
    events = pd.DataFrame([row for _, row in found], columns=EVENT_COLUMNS)
    likely = {core for core, row in found if row[-1] > LIKELY}
    return replace(cores, joint_counts=joint).with_flag(likely, Flag.RING_ABSENT_OR_FALSE), events


def _common_outer_end(cores: Cores, pair: Pair) -> list[Array]:
    """Both series cut to end in the last year that both have."""
    last = min(cores.outer_year[list(pair)])
    return [cores.widths_mm[row][: cores.widths_mm[row].size - (cores.outer_year[row] - last)] for row in pair]


def _prior(cores: Cores, pair: Pair, trimmed: list[Array]) -> AlignmentPrior:
    """Event rates of the two cores: none on a crossdated one, those of its kind of count and genus on a counted one.

    Cores whose lost outer rings are uncertain may end in other years than said: A lacks rings of B where more were
    lost on A than written.
    """
    absent, false = [], []
    for row in pair:
        low, high = _MISCOUNTS[cores.dating[row]]
        rate = priors.COUNT_RATE.value if low else 0.0
        absent.append(rate * max(low, absent_ring_share(cores.species[row]).value))
        false.append(rate * max(high, false_ring_share(cores.species[row]).value))
    one, two = (_outer_error(cores, row) for row in pair)
    most = min(_OUTER_SHIFTS, min(widths.size for widths in trimmed) - LEAST_RINGS)
    apart = np.convolve(one, two[::-1])
    middle = apart.size // 2
    shifts = range(-min(middle, most), min(middle, most) + 1)
    return AlignmentPrior(
        absent_share_a=absent[0],
        absent_share_b=absent[1],
        false_share_a=false[0],
        false_share_b=false[1],
        outer_shifts={shift: float(apart[middle + shift]) for shift in shifts if apart[middle + shift] > 1e-4},
        max_shift=_FIELD_SHIFT if Dating.FIELD_COUNT in cores.dating[list(pair)] else AlignmentPrior().max_shift,
    )


def _outer_error(cores: Cores, row: int) -> Array:
    """Mass of the rings by which a core ends earlier than its outer year says, 0 in the middle."""
    return lost_kernel(0.0 if cores.dating[row] == Dating.CROSSDATED else float(cores.outer_lost_sd[row]))


def _joint_count(cores: Cores, pair: Pair, reading: Alignment, trimmed: list[Array]) -> JointCount:
    """Joint mass of the count errors of whole cores: the shared stretch from the alignment, the rest as published."""
    first, second, mass = reading.joint
    starts, mass = [first, second], np.array(mass)
    shared = min(widths.size for widths in trimmed)
    for axis, row in enumerate(pair):
        alone = cores.widths_mm[row].size - shared
        if cores.dating[row] != Dating.CROSSDATED and alone > 0:
            error = count_error(
                alone, cores.dating[row], genus=cores.species[row], mean_width_mm=cores.mean_width_mm[row]
            ).trim(1e-6)
            mass = np.apply_along_axis(np.convolve, axis, mass, error.mass)
            starts[axis] += error.start
    if Dating.CROSSDATED not in cores.dating[list(pair)]:
        mass = _with_unseen(cores, pair, mass, shared)
    errors = _outer_errors(cores, pair, reading)
    mass = _sum_of_pairs(mass, errors)
    ahead = [size // 2 for size in errors.shape]
    return pair, (starts[0] - ahead[0], starts[1] - ahead[1]), mass / mass.sum()


def _outer_errors(cores: Cores, pair: Pair, reading: Alignment) -> Array:
    """Joint mass of the errors of the two outer years, given how far apart the widths say they are; 0 in the middle."""
    one, two = (_outer_error(cores, row) for row in pair)
    mass = one[:, None] * two[None, :]
    if mass.size == 1:
        return mass
    apart = (np.arange(one.size) - one.size // 2)[:, None] - (np.arange(two.size) - two.size // 2)[None, :]
    found, out = reading.outer_shift, np.zeros_like(mass)
    for shift, weight in zip(found.support, found.mass, strict=True):
        same = np.where(apart == shift, mass, 0.0)
        out += weight * same / max(same.sum(), 1e-300)
    return np.asarray(out / out.sum())


def _sum_of_pairs(one: Array, two: Array) -> Array:
    """Joint mass of the sums of two pairs of numbers."""
    out = np.zeros(tuple(np.add(one.shape, two.shape) - 1))
    for (down, right), weight in np.ndenumerate(one):
        if weight > 1e-9:
            out[down : down + two.shape[0], right : right + two.shape[1]] += weight * two
    return out


def _with_unseen(cores: Cores, pair: Pair, mass: Array, shared: int) -> Array:
    """Add rings that are absent in both cores and that no alignment shows: both counts are short by the same number."""
    first = pair[0]
    unseen = unseen_rings(shared, genus=cores.species[first], crown_class=cores.crown_class[first] or None).trim(
        _UNSEEN_CUT
    )
    out = np.zeros((mass.shape[0] + unseen.stop, mass.shape[1] + unseen.stop))
    for rings, weight in zip(unseen.support, unseen.mass, strict=True):
        out[rings : rings + mass.shape[0], rings : rings + mass.shape[1]] += weight * mass
    return out


def _events(cores: Cores, pair: Pair, reading: Alignment) -> list[tuple[int, list[Any]]]:
    """Probable events with the core they lie on, and the year by the count of the core that shows the ring."""
    last, rows = int(min(cores.outer_year[list(pair)])), []
    best = reading.best
    for named, ring, prob, near in zip(*(best[name] for name in best.columns), strict=True):
        event = Move(named)
        on, other = pair if event.core == "a" else pair[::-1]
        where = [cores.tree[on], cores.core[on], cores.core[other], event.word, int(ring), last - int(ring) + 1]
        rows.append((on, [*where, float(prob), float(near)]))
    return rows
