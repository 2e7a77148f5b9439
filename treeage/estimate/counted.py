"""Counted cores against their mates and against the other trees: joint masses of their count errors.

Alignment of ring tables (`alignment`), with the mean of the stand's other trees as a third partner; own derivation.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage import priors
from treeage.alignment import Alignment, AlignmentPrior, Move, align_many, core_signals, unseen_rings
from treeage.counting import absent_ring_share, count_error, false_ring_share, lost_kernel
from treeage.crossdating import StandIndex, growth_index
from treeage.estimate.cores import Cores, JointCount
from treeage.estimate.shared import LEAST_TREES
from treeage.pmf import Mass, Pmf
from treeage.priors import ring_rate
from treeage.results import Flag
from treeage.schema import Dating

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Pair = tuple[int, int]
Jobs = tuple[list[Any], list[AlignmentPrior]]  # pairs to align and their priors
Parts = tuple[Array, Array, Array | None]  # widths of two cores up to the same outer year, and of the stand

LEAST_RINGS = 30  # choice: shorter overlaps say too little to replace the published count errors
LIKELY = 0.5  # choice: an event is pointed out when it is likelier than not within three rings
# Rings too few and too many per ring counted: 1.5 errors in 200 rings of a laboratory count, four of five too few
# (Weisberg & Swanson 2001, abstract; split as in `counting`, choice); a field count with a ring table: three times that
# (choice).
_MISCOUNTS = {Dating.CROSSDATED: (0.0, 0.0), Dating.LAB_COUNT: (0.006, 0.0015), Dating.FIELD_COUNT: (0.018, 0.0045)}
_CORE_SHAPE = 0.5  # choice: gamma shape of the rate of miscounts between cores, about that of the published counts
_READER_RINGS = 1000.0  # choice: the published rate counts as much as so many rings of this reader
_ROUNDS = 3  # choice: alignments of the stand, each against the mean of what the one before put into place
_IN_PLACE = 0.5  # choice: rings less likely to be in their place do not enter the mean of the stand
_MOST_SHARE = 0.15  # choice: a share of misread rings beyond which nobody could align a core
_STAND_CORRELATIONS = (0.15, 0.25, 0.3, 0.2, 0.1)  # choice: core with stand, at the nodes of the alignment
# fitted: a stand without crossdated trees lacks and doubles years as a count of such a share of its rings does
_DRIFT_SHARE = {Dating.LAB_COUNT: 0.5, Dating.FIELD_COUNT: 0.25}
_DRIFT_FOUND_BY_MATES = 0.5  # fitted: of which such a share is found where every tree has two cores
# Log evidence that series which have nothing to do with each other reach by chance: a core against a mean that it
# helped to put into place (fitted to made-up stands without a common signal), and two cores of one tree (choice).
_CHANCE, _CHANCE_OF_MATES = 8.0, 3.0
_SURELY = 0.9  # choice: cores that are put into place with this probability teach the stand by their years
_UNSEEN_CUT = 1e-4  # choice: rarer numbers of rings absent in all cores are left out
_RARE = 1e-9  # choice: less likely pairs of count errors are left out
_TOGETHER = 500  # choice: pairs aligned at once, so that the memory does not grow with the stand
_FIELD_SHIFT = 12  # choice: field counts go further astray
_OUTER_SHIFTS = 24  # choice: outer ends that differ by more rings than this are not tried
EVENT_COLUMNS = ["tree", "core", "other_core", "kind", "ring_from_bark", "year", "prob", "prob_near", "window_prob"]
COUNT_COLUMNS = ["tree", "core", "dating", "compared_with", "rings_compared", "prob_alignable", "prob_count_exact"]
COUNT_COLUMNS += ["rings_to_add_median", "rings_to_add_lo", "rings_to_add_hi"]


@dataclass(frozen=True)
class Stand:
    """What the trees of one species say about each other's counts."""

    index: StandIndex
    readings: Mapping[int, Alignment]  # of every counted core against the mean of the other trees
    dated: bool  # whether at least two other trees of any tree are crossdated, so that no ring can be lost to all
    rates: Mapping[int, tuple[float, float]]  # rings too few and too many per ring of each core
    places: Mapping[int, Ints]  # years before the outer year of every ring of the counted cores, outermost first

    def reference(self, tree: str, last: int) -> Array | None:
        """Mean index of the other trees up to a year, innermost first; None where too little is known."""
        first, values = self.index.without(tree)
        values = values[: max(0, last - first + 1)]
        short = last - first + 1 - values.size
        values = np.append(values, np.full(max(0, short), np.nan))
        known = np.flatnonzero(np.isfinite(values))
        return values[known[0] :] if known.size >= LEAST_RINGS else None


def read_counts(cores: Cores) -> tuple[Cores, pd.DataFrame, pd.DataFrame]:
    """Read counted cores against their mates and the stand.

    Gives the cores with `joint_counts`, `count` and `drift` as far as the ring tables tell, and flags where a ring is
    likelier absent or false than not; the events (EVENT_COLUMNS); and what is known of every count (COUNT_COLUMNS).
    Cores without a complete ring table keep the published count errors.
    """
    whole = [row for row in range(len(cores)) if cores.widths_mm[row].size == cores.rings_counted[row] >= LEAST_RINGS]
    groups: dict[str, list[int]] = {}
    for species in sorted({str(cores.species[row]) for row in whole}):
        rows = [row for row in whole if cores.species[row] == species]
        if len({cores.tree[row] for row in rows}) >= LEAST_TREES and not all(_sure(cores, row) for row in rows):
            groups[species] = rows
    stands = _align_stands(cores, groups)
    joint: dict[str, JointCount] = {}
    said: list[list[Any]] = []
    events: list[tuple[int, list[Any]]] = []
    told: set[int] = set()
    read: list[int] = []  # a core of every tree that was read with the stand
    for pair, reading, parts in _read_pairs(cores, whole, stands):
        counted = _joint_count(cores, pair, reading, parts)
        joint[str(cores.tree[pair[0]])] = counted
        told.update(pair)
        with_stand = parts[2] is not None
        read += pair[:with_stand]
        said += _pair_rows(cores, counted, reading, with_stand)
        events += _events(cores, pair, reading)
    alone = [row for row in whole if row not in told and not _sure(cores, row) and str(cores.species[row]) in stands]
    singles = {row: stand.readings[row] for row in alone if row in (stand := stands[str(cores.species[row])]).readings}
    masses = {}
    for row, reading in singles.items():
        masses[row], alignable = _single_count(cores, row, reading, stands[str(cores.species[row])])
        said.append(_count_row(cores, row, "other trees", reading.grids.path.shape[0], alignable, masses[row]))
    events += [row for single, reading in singles.items() for row in _stand_events(cores, single, reading)]
    likely = {core for core, row in events if row[-2] > LIKELY}
    drift = _drifts(cores, stands, read, list(singles))
    by_year = {row: series for stand in stands.values() for row, series in _by_year(cores, stand).items()}
    cores = _with_counts(replace(cores, joint_counts=joint, drift=drift, by_year=by_year), masses)
    table = pd.DataFrame([row for _, row in events], columns=EVENT_COLUMNS)
    counts = pd.DataFrame(said, columns=COUNT_COLUMNS)
    return cores.with_flag(likely, Flag.RING_ABSENT_OR_FALSE), table, counts


def _sure(cores: Cores, row: int) -> bool:
    return bool(cores.dating[row] == Dating.CROSSDATED)


def _with_counts(cores: Cores, masses: Mapping[int, Pmf]) -> Cores:
    """Cores with these count errors, at every level of the rates of miscounts: what was read says more than those."""
    if not masses:
        return cores

    def put(count: Mass) -> Mass:
        start = min(count.start, *(pmf.start for pmf in masses.values()))
        size = max(count.stop, *(pmf.stop for pmf in masses.values())) - start + 1
        mass = count.on(start, size)
        for row, pmf in masses.items():
            mass[row] = pmf.on(start, size)
        return Mass(start, mass)

    levels = None if cores.count_levels is None else tuple(put(level) for level in cores.count_levels)
    return replace(cores, count=put(cores.count), count_levels=levels)


# ------------------------------------------------------------------ the stand


def _align_stands(cores: Cores, groups: Mapping[str, Sequence[int]]) -> dict[str, Stand]:
    """Stands of some species, every round of all of them aligned together."""
    rounds = {species: _align_stand(cores, rows) for species, rows in groups.items()}
    asked = {species: next(own) for species, own in rounds.items()}
    stands = {}
    while asked:
        pairs = [pair for own in asked.values() for pair in own[0]]
        found = iter(align_many(pairs, prior=[prior for own in asked.values() for prior in own[1]]))
        still = {}
        for species, own in asked.items():
            try:
                still[species] = rounds[species].send([next(found) for _ in own[0]])
            except StopIteration as done:
                stands[species] = done.value
        asked = still
    return stands


def _align_stand(cores: Cores, rows: Sequence[int]) -> Generator[Jobs, list[Alignment], Stand]:
    """Put the counted cores of a species into place against the mean of the other trees, in a few rounds.

    Where too few cores are crossdated, the counts themselves make the first mean. Each round asks for alignments.
    """
    sure = [row for row in rows if _sure(cores, row)]
    dated = len({cores.tree[row] for row in sure}) > LEAST_TREES
    counted = [row for row in rows if not _sure(cores, row)]
    last = int(max(cores.outer_year[rows]))
    places = {row: last - cores.outer_year[row] + np.arange(cores.widths_mm[row].size) for row in sure}
    if not dated:
        places |= {row: last - cores.outer_year[row] + np.arange(cores.widths_mm[row].size) for row in counted}
    rates = {row: _rates(cores, row) for row in counted}
    readings: dict[int, Alignment] = {}
    signals = {row: core_signals(cores.widths_mm[row]) for row in counted}
    indices = {row: growth_index(cores.widths_mm[row])[::-1] for row in rows}
    for _ in range(_ROUNDS):
        now = Stand(_stand_index(cores, indices, places, last), {}, dated, rates, {})
        references = {row: now.reference(str(cores.tree[row]), int(cores.outer_year[row])) for row in counted}
        known = {row: each for row, each in references.items() if each is not None}
        jobs = [row for row, each in known.items() if _shared_rings(cores, row, each) >= LEAST_RINGS]
        pairs = [(signals[row], _unbroken(known[row])) for row in jobs]
        priors_of = [_single_prior(cores, row, rates[row], _lacking(known[row])) for row in jobs]
        readings = dict(zip(jobs, (yield pairs, priors_of), strict=True))
        for row, reading in readings.items():
            places[row] = _places(reading, _lacking(known[row]), last - int(cores.outer_year[row]))
        rates = _learned_rates(cores, rates, readings)
    within = {row: np.where(places[row] < 0, -1, places[row] - last + cores.outer_year[row]) for row in readings}
    return Stand(_stand_index(cores, indices, places, last), readings, dated, rates, within)


def _stand_index(cores: Cores, indices: Mapping[int, Array], places: Mapping[int, Ints], last: int) -> StandIndex:
    """Index of every tree from the rings that have a place; a place below 0 says nothing."""
    parts = []
    for row, back in places.items():
        values = indices[row]
        index = np.full(int(back.max()) + 1, np.nan)
        index[back[back >= 0]] = values[back >= 0]
        parts.append((str(cores.tree[row]), last - index.size + 1, index[::-1]))
    return StandIndex.of(parts)


def _shared_rings(cores: Cores, row: int, reference: Array | None) -> int:
    """Rings of a core that the unbroken outer part of a reference reaches, if its count is exact."""
    if reference is None:
        return 0
    return max(0, min(cores.widths_mm[row].size, _lacking(reference) + _unbroken(reference).size) - _lacking(reference))


def _lacking(reference: Array) -> int:
    """Outermost years that a reference does not know."""
    return int(np.argmax(np.isfinite(reference[::-1])))


def _unbroken(reference: Array) -> Array:
    """The outermost known run of a reference; single years that no other tree shows are taken as average."""
    values = reference[: reference.size - _lacking(reference)]
    gap = np.isnan(values)
    wide = np.flatnonzero(gap[1:] & gap[:-1])
    start = int(wide[-1]) + 2 if wide.size else int(gap[0])
    return np.where(gap, 1.0, values)[start:]


def _places(reading: Alignment, lacking: int, lag: int) -> Ints:
    """Years before the last year of every ring, outermost first; -1 where its place is not likely enough."""
    path, shift = reading.grids.path, reading.grids.shift
    ring = np.arange(path.shape[0])
    known = path.sum(axis=1) > LIKELY
    at = np.maximum.accumulate(np.where(known, ring, -1))  # rings the reference does not reach: as the last one
    moved = np.where(at >= 0, path.argmax(axis=1)[at] - shift + lacking, 0)
    back: Ints = np.where((at < 0) | (path.max(axis=1)[at] > _IN_PLACE), lag + ring + moved, -1)
    return back


def _rates(cores: Cores, row: int) -> tuple[float, float]:
    """Rings too few and too many per ring of a core before it was compared: of its kind of count and its genus."""
    low, high = _MISCOUNTS[cores.dating[row]]
    rate = priors.COUNT_RATE.value if low else 0.0
    species = cores.species[row]
    return rate * max(low, absent_ring_share(species).value), rate * max(high, false_ring_share(species).value)


def _learned_rates(
    cores: Cores, rates: Mapping[int, tuple[float, float]], readings: Mapping[int, Alignment]
) -> dict[int, tuple[float, float]]:
    """Rates of every core after its events were weighed: first those of its kind of count, then its own."""
    learned = dict(rates)
    for dating in (Dating.LAB_COUNT, Dating.FIELD_COUNT):
        rows = [row for row in readings if cores.dating[row] == dating]
        rings = sum(cores.widths_mm[row].size for row in rows)
        kinds = (Move.ABSENT_IN_A, Move.FALSE_IN_A)
        events = {row: [float(readings[row].grids.by_ring(kind).sum()) for kind in kinds] for row in rows}
        total = [sum(each) for each in zip(*events.values(), strict=True)]
        for row in rows:
            own = []
            for every, here, start in zip(total, events[row], _rates(cores, row), strict=True):
                reader = (every + start * _READER_RINGS) / (rings + _READER_RINGS)
                share = (here + _CORE_SHAPE) / (cores.widths_mm[row].size + _CORE_SHAPE / reader)
                own.append(min(share, _MOST_SHARE))
            learned[row] = (own[0], own[1])
    return learned


def _by_year(cores: Cores, stand: Stand) -> dict[int, tuple[int, Array]]:
    """First year and widths by year, innermost first, of counted cores that the stand surely put into place.

    A year whose ring is absent has the width 0; two bands of one year are added up.
    """
    found = {}
    for row, reading in stand.readings.items():
        back = stand.places[row]
        if _alignable(reading, _CHANCE) > _SURELY and back.min() >= 0:
            widths = np.asarray(np.bincount(back, cores.widths_mm[row][::-1])[::-1], dtype=np.float64)
            found[row] = (int(cores.outer_year[row]) - widths.size + 1, widths)
    return found


# ------------------------------------------------------------------ one core


def _single_prior(cores: Cores, row: int, rates: tuple[float, float], lacking: int) -> AlignmentPrior:
    """Events in the core only; its outer end as uncertain as its lost rings are."""
    errors = _outer_error(cores, row)
    middle = errors.size // 2
    return AlignmentPrior(
        absent_share_a=rates[0],
        absent_share_b=0.0,
        false_share_a=rates[1],
        false_share_b=0.0,
        outer_shifts={at - middle - lacking: float(mass) for at, mass in enumerate(errors) if mass > 1e-4},
        max_shift=_band(cores, [row]),
        correlation_weights=_STAND_CORRELATIONS,
    )


def _single_count(cores: Cores, row: int, reading: Alignment, stand: Stand) -> tuple[Pmf, float]:
    """Count error of a core read against the other trees, and the probability that the two can be compared."""
    reference = stand.reference(str(cores.tree[row]), int(cores.outer_year[row]))
    error = reading.extra_rings_a
    if cores.outer_lost_sd[row] > 0:
        error = error.convolve(reading.outer_shift.shift(0 if reference is None else _lacking(reference)))
    alone = cores.widths_mm[row].size - _shared_rings(cores, row, reference)
    if alone > 0:
        error = error.convolve(_published(cores, row, alone))
    alignable = _alignable(reading, _CHANCE)
    return Pmf.mixture([error, cores.count[row].pmf()], [alignable, 1 - alignable]), alignable


def _alignable(reading: Alignment, chance: float) -> float:
    """Probability that two series are of the same years at all: their evidence against that of chance."""
    return float(1 / (1 + np.exp(np.clip(chance - reading.log_evidence, -500.0, 500.0))))


def _published(cores: Cores, row: int, rings: int) -> Pmf:
    error = count_error(rings, cores.dating[row], genus=cores.species[row], mean_width_mm=cores.mean_width_mm[row])
    return error.trim(1e-6)


def _unseen(cores: Cores, row: int, rings: int) -> Pmf:
    """Rings that no partner of a core shows either."""
    return unseen_rings(rings, genus=cores.species[row], crown_class=cores.crown_class[row] or None).trim(_UNSEEN_CUT)


def _drifts(cores: Cores, stands: Mapping[str, Stand], read: list[int], singles: list[int]) -> dict[str, Pmf]:
    """Years that a stand as a whole lacks or doubles, by tree; read: one core of each tree that was read in pairs.

    0 where cores are dated. What one core lacks its mate shows, so that the years of a stand of pairs go less astray.
    """
    names = [str(cores.species[row]) for row in (*read, *singles)]
    paired = {name: names[: len(read)].count(name) / names.count(name) for name in set(names)}
    drift = {}
    for row, name in zip((*read, *singles), names, strict=True):
        tree, dating = str(cores.tree[row]), cores.dating[row]
        if stands[name].dated or any(_sure(cores, own) for own in cores.rows_of[tree]):
            drift[tree] = Pmf.point(0)
        else:
            share = _DRIFT_SHARE[dating] * (1 - _DRIFT_FOUND_BY_MATES * paired[name])
            drift[tree] = _published(cores, row, max(1, round(int(cores.rings_counted[row]) * share)))
    return drift


def _outer_error(cores: Cores, row: int) -> Array:
    """Mass of the rings by which a core ends earlier than its outer year says, 0 in the middle."""
    return lost_kernel(0.0 if _sure(cores, row) else float(cores.outer_lost_sd[row]))


def _band(cores: Cores, rows: Sequence[int]) -> int:
    return _FIELD_SHIFT if Dating.FIELD_COUNT in cores.dating[list(rows)] else AlignmentPrior().max_shift


# ------------------------------------------------------------------ two cores of a tree


def _read_pairs(
    cores: Cores, whole: Sequence[int], stands: Mapping[str, Stand]
) -> Iterator[tuple[Pair, Alignment, Parts]]:
    """Align the two longest ring tables of each tree that are not both crossdated, with the stand where it can say.

    Gives the rows, the alignment and what was compared: both series and the reference.
    """
    # The cores are put together from the last ring year that both have. Rings of one core outside the stretch they
    # share (lost outer rings of the other, a core that reaches further in) keep the published count error of so many
    # rings. On a crossdated core nothing can be absent or false. Where the number of lost outer rings of a count is
    # uncertain, the widths say how far the outer ends lie apart, and what is left of the two errors joins the count
    # errors; how an event next to the bark trades with the shift is left out, and so is the stand.
    jobs: list[tuple[Pair, Parts]] = []
    usable = set(whole)
    for rows in cores.rows_of.values():
        own = sorted((row for row in rows if row in usable), key=lambda row: -cores.widths_mm[row].size)[:2]
        if len(own) < 2 or all(_sure(cores, row) for row in own):
            continue
        pair = (own[0], own[1])
        one, two = _common_outer_end(cores, pair)
        if min(one.size, two.size) < LEAST_RINGS:
            continue
        stand = stands.get(str(cores.species[own[0]]))
        doubtful = any(cores.outer_lost_sd[row] > 0 and not _sure(cores, row) for row in own)
        last = int(min(cores.outer_year[own]))
        reference = None if stand is None or doubtful else stand.reference(str(cores.tree[own[0]]), last)
        jobs.append((pair, (one, two, reference)))
    for first in range(0, len(jobs), _TOGETHER):
        some = jobs[first : first + _TOGETHER]
        read = align_many(
            [parts[:2] for _, parts in some],
            prior=[_prior(cores, pair, parts[:2], stands.get(str(cores.species[pair[0]]))) for pair, parts in some],
            references=[parts[2] for _, parts in some],
        )
        yield from ((pair, reading, parts) for (pair, parts), reading in zip(some, read, strict=True))


def _common_outer_end(cores: Cores, pair: Pair) -> list[Array]:
    """Both series cut to end in the last year that both have."""
    last = min(cores.outer_year[list(pair)])
    return [cores.widths_mm[row][: cores.widths_mm[row].size - (cores.outer_year[row] - last)] for row in pair]


def _prior(cores: Cores, pair: Pair, trimmed: Sequence[Array], stand: Stand | None) -> AlignmentPrior:
    """Event rates of the two cores: none on a crossdated one, those of its kind of count and genus on a counted one.

    Cores whose lost outer rings are uncertain may end in other years than said: A lacks rings of B where more were
    lost on A than written.
    """
    rates = [_rates(cores, row) for row in pair]
    if stand is not None:
        rates = [stand.rates.get(row, own) for row, own in zip(pair, rates, strict=True)]
    one, two = (_outer_error(cores, row) for row in pair)
    most = min(_OUTER_SHIFTS, min(widths.size for widths in trimmed) - LEAST_RINGS)
    apart = np.convolve(one, two[::-1])
    middle = apart.size // 2
    shifts = range(-min(middle, most), min(middle, most) + 1)
    absent = absent_ring_share(cores.species[pair[0]])
    both = ring_rate("absent", cores.species[pair[0]]).in_all_cores * absent.value + rates[0][0] * rates[1][0]
    return AlignmentPrior(
        absent_share_a=rates[0][0],
        absent_share_b=rates[1][0],
        false_share_a=rates[0][1],
        false_share_b=rates[1][1],
        both_share=0.0 if any(_sure(cores, row) for row in pair) else both,
        outer_shifts={shift: float(apart[middle + shift]) for shift in shifts if apart[middle + shift] > 1e-4},
        max_shift=_band(cores, pair),
    )


def _joint_count(cores: Cores, pair: Pair, reading: Alignment, parts: Parts) -> JointCount:
    """Joint mass of the count errors of whole cores: from the alignment, the rings it did not reach as published.

    Where the series may not be of the same years at all, the published errors of both stand beside it.
    """
    first, second, mass = reading.joint
    starts, mass = [first, second], np.array(mass)
    reference = parts[2]
    far = 0 if reference is None else reference.size
    reached = [max(parts[1].size, far), max(parts[0].size, far)]
    for axis, row in enumerate(pair):
        alone = cores.widths_mm[row].size - min(parts[:2][axis].size, reached[axis])
        if not _sure(cores, row) and alone > 0:
            error = _published(cores, row, alone)
            mass = np.apply_along_axis(np.convolve, axis, mass, error.mass)
            starts[axis] += error.start
    if reference is None and not any(_sure(cores, row) for row in pair):
        mass = _with_unseen(mass, _unseen(cores, pair[0], min(parts[0].size, parts[1].size)))
    errors = _outer_errors(cores, pair, reading)
    mass = _sum_of_pairs(mass, errors)
    starts = [start - size // 2 for start, size in zip(starts, errors.shape, strict=True)]
    alignable = _alignable(reading, _CHANCE_OF_MATES)
    if alignable < 1 - _UNSEEN_CUT:
        return pair, *_with_published(cores, pair, starts, mass / mass.sum(), alignable)
    return pair, (starts[0], starts[1]), mass / mass.sum()


def _with_published(
    cores: Cores, pair: Pair, starts: Sequence[int], mass: Array, alignable: float
) -> tuple[tuple[int, int], Array]:
    """Mixture of a joint mass with the published errors of both cores, independent of each other."""
    alone = [cores.count[row].pmf().trim(1e-5) for row in pair]
    low = [min(start, own.start) for start, own in zip(starts, alone, strict=True)]
    high = [max(start + size - 1, own.stop) for start, size, own in zip(starts, mass.shape, alone, strict=True)]
    sizes = [stop - start + 1 for start, stop in zip(low, high, strict=True)]
    out = (1 - alignable) * np.outer(*(own.on(start, size) for own, start, size in zip(alone, low, sizes, strict=True)))
    down, right = starts[0] - low[0], starts[1] - low[1]
    out[down : down + mass.shape[0], right : right + mass.shape[1]] += alignable * mass
    return (low[0], low[1]), out / out.sum()


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
    """Joint mass of the sums of two pairs of numbers, the second of few cases."""
    out = np.zeros(tuple(np.add(one.shape, two.shape) - 1))
    one = np.where(one > _RARE, one, 0.0)
    for down, right in np.argwhere(two > 0):
        out[down : down + one.shape[0], right : right + one.shape[1]] += two[down, right] * one
    return out


def _with_unseen(mass: Array, unseen: Pmf) -> Array:
    """Add rings that are absent in both cores and that nothing shows: both counts are short by the same number."""
    out = np.zeros((mass.shape[0] + unseen.stop, mass.shape[1] + unseen.stop))
    for rings, weight in zip(unseen.support, unseen.mass, strict=True):
        out[rings : rings + mass.shape[0], rings : rings + mass.shape[1]] += weight * mass
    return out


# ------------------------------------------------------------------ for people


def _events(cores: Cores, pair: Pair, reading: Alignment) -> list[tuple[int, list[Any]]]:
    """Probable events with the core they lie on, and the year by the count of the core that shows the ring."""
    last, rows = int(min(cores.outer_year[list(pair)])), []
    for move, ring, *probs in reading.best_rows:
        on, other = pair if move.core == "a" else pair[::-1]
        where = [cores.tree[on], cores.core[on], cores.core[other], move.word, ring, last - ring + 1]
        rows.append((on, [*where, *probs]))
    return rows


def _stand_events(cores: Cores, row: int, reading: Alignment) -> list[tuple[int, list[Any]]]:
    """Probable events of a core that was read against the stand alone: the year is that of the stand."""
    rows = []
    for move, ring, *probs in reading.best_rows:
        year = int(cores.outer_year[row]) - ring + 1
        rows.append((row, [cores.tree[row], cores.core[row], "other trees", move.word, ring, year, *probs]))
    return rows


def _pair_rows(cores: Cores, counted: JointCount, reading: Alignment, with_stand: bool) -> list[list[Any]]:
    """What is known of the counts of two cores that were read together."""
    pair, starts, mass = counted
    rings = int(reading.grids.path.shape[0])
    said = "the other core and other trees" if with_stand else "the other core"
    return [
        _count_row(cores, row, said, rings, _alignable(reading, _CHANCE_OF_MATES), Pmf(start, mass.sum(axis=1 - axis)))
        for axis, (row, start) in enumerate(zip(pair, starts, strict=True))
        if not _sure(cores, row)
    ]


def _count_row(cores: Cores, row: int, partner: str, rings: int, alignable: float, error: Pmf) -> list[Any]:
    low, high = error.interval(0.9)
    names = [cores.tree[row], cores.core[row], str(cores.dating[row]), partner, min(rings, cores.widths_mm[row].size)]
    return [*names, alignable, error.prob_at(0), error.median(), low, high]
