"""Trees in chunks of one table size, and how well the cores of a tree agree at every node of the shared errors.

No model of its own: it feeds `posterior` with `rings` and `counting`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import groupby
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray

from treeage.distance import DistanceSource, share_a_line
from treeage.estimate.cores import Cores, JointCount
from treeage.estimate.shared import Shared, SpeciesShared, StandStates, hidden_widths, missed_parts
from treeage.estimate.steps import spread_by_distance
from treeage.height import HEIGHT_APART_M
from treeage.pmf import Mass, Pmf
from treeage.posterior import added_at_levels, align_added, at_nodes, gone_astray, with_gross_error
from treeage.schema import Dating

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Rows = tuple[int, ...]
Trees = list[tuple[str, Rows]]

_MOST_TAUGHT = 500  # choice: a tree whose cores are open further than this teaches nothing
_CHUNK = 48  # choice: trees worked on at a time
_CELLS = 1e6  # choice: cells of the arrays of a chunk; keeps them near the processor's cache
_SIZE_STEP = 1.5  # choice: tables of missed rings grow by this factor, so that they are built once a size


@dataclass(frozen=True, eq=False)
class Chunk:
    """Trees of one species and table size, and the missed rings of their cores as parts with shares by state."""

    trees: Trees
    rows: Ints
    own: SpeciesShared
    states: StandStates
    share: Array  # (n_node, n_core, n_part)
    missed: Array  # (n_core, n_part, n_shift, n)
    by_distance: Array  # (n_core,): variance of the expected missed rings over the distance, by their squared mean

    def of(self, rows: Rows) -> Chunk:
        """The chunk of some of the cores."""
        place = {int(row): k for k, row in enumerate(self.rows)}
        own = [place[row] for row in rows]
        told, share, missed = self.by_distance[own], self.share[:, own], self.missed[own]
        return replace(self, rows=np.asarray(rows), share=share, missed=missed, by_distance=told)

    def added(self, cores: Cores, counts: list[Mass] | None = None) -> Mass:
        """Missed rings plus count error, parts at every level of the count: (n_core, n_level, n_part, n_shift, n)."""
        number, parts, shifts, size = self.missed.shape
        flat = self.missed.reshape(number, parts * shifts, size)
        found = added_at_levels(flat, counts or cores.counts_at_levels(self.rows))
        return Mass(found.start, found.mass.reshape(number, -1, parts, shifts, found.size))

    def at_nodes(self, span: Mass, *, signed: bool = False) -> Mass:
        """Parts put together at every node: (n_core, n_node, n_shift, n)."""
        return Mass(span.start, at_nodes(self.share, span.mass, self.states.level, signed=signed))

    def over_shifts(self, span: Mass) -> Mass:
        """The same with the growth summed out, for cores that stand alone: (n_core, n_state, n)."""
        number, levels, parts, shifts, size = span.mass.shape
        share, level = self.share[self.states.place], self.states.level[self.states.place] * (levels > 1)
        weight = np.einsum("snp,sc->nspc", share, self.own.growth.given_stand).reshape(number, -1, parts * shifts)
        out = np.empty((number, len(level), size))
        weight = weight.astype(span.mass.dtype)
        for own in np.unique(level):
            here = np.flatnonzero(level == own)
            out[:, here] = weight[:, here] @ span.mass[:, own].reshape(number, parts * shifts, size)
        return Mass(span.start, np.maximum(out, 0.0, out=out))

    def alone(self, span: Mass) -> Array:
        """Mass of each core whatever the state, (n_core, n)."""
        return np.asarray(np.einsum("s,nsk->nk", self.own.growth.stand_weights, self.over_shifts(span).mass))

    def missed_alone(self) -> Array:
        """Mass of the missed rings of each core whatever the state, (n_core, n)."""
        return self.alone(Mass(0, self.missed[:, None]))


def open_trees(cores: Cores) -> Trees:
    """Trees with a core that does more than bound the date, and the rows of all their cores."""
    return [(tree, rows) for tree, rows in cores.rows_of.items() if not cores.bound_only[list(rows)].all()]


def chunks(cores: Cores, shared: Shared, trees: Trees) -> Iterator[Chunk]:
    """Trees of one species, table size and kind of count, a few dozen at a time."""

    def kind(item: tuple[str, Rows]) -> tuple[str, int, bool]:
        rows = list(item[1])
        need = int(cores.most_rings[rows].max()) + int(np.ptp(cores.innermost_year[rows]))
        return str(cores.species[rows[0]]), table_size(need), bool((cores.dating[rows] == Dating.CROSSDATED).all())

    kinds = sorted(((kind(item), item) for item in trees), key=itemgetter(0))
    states = shared.states
    for species, its in groupby(kinds, lambda each: each[0][0]):
        same, own = list(its), shared[species]
        index, at = np.concatenate([rows for _, (_, rows) in same]), 0
        location, scale = width = hidden_widths(cores, index, own)
        told = spread_by_distance(cores.distance[index], own, width)
        for (_, most, _), group in groupby(same, itemgetter(0)):
            left = [item for _, item in group]
            at_once = int(np.clip(_CELLS / (states.level.size * own.growth.shifts.size * most), 2, _CHUNK))
            for part in (left[first : first + at_once] for first in range(0, len(left), at_once)):
                here = slice(at, at + sum(len(rows) for _, rows in part))
                parts = missed_parts(cores, index[here], own, states, most, (location[here], scale[here]))
                yield Chunk(part, index[here], own, states, *parts, told[here])
                at = here.stop


def table_size(rings: int) -> int:
    """Round a number of rings, at least 1, up to one of the sizes for which tables of missed rings are built.

    Examples
    --------
    >>> table_size(30) >= 30, table_size(30) == table_size(31)
    (True, True)
    """
    return int(np.ceil(16 * _SIZE_STEP ** np.ceil(np.log(max(rings, 16) / 16) / np.log(_SIZE_STEP) - 1e-9)))


def on_one_line(cores: Cores, rows: Rows) -> bool:
    """Whether a tree has just two cores near one line that both rest on radius less length: one pith, one radius."""
    if len(rows) != 2 or any(cores.source[row] != DistanceSource.RADIUS_LESS_LENGTH for row in rows):
        return False
    return share_a_line((float(cores.azimuth_deg[rows[0]]), float(cores.azimuth_deg[rows[1]])))


# ------------------------------------------------------------------ cores of a tree side by side


def tree_evidence(cores: Cores, own: SpeciesShared, states: StandStates, trees: list[Rows]) -> Iterator[Array]:
    """How well the cores of each tree of `side_by_side` agree, (n_node, n_shift): years and counts summed out."""
    for each in side_by_side(cores, own, states, trees):
        if len(each.rows) == 2:
            yield _pair_evidence(each, max(cores.wrong, 1e-12))  # cores that exclude each other leave a trace
        else:
            aligned = each.at_nodes()
            astray = gone_astray(aligned.mean(axis=(1, 2)))
            factors = with_gross_error(aligned, astray[:, None, None], cores.wrong)
            yield np.asarray(np.prod(factors, axis=0).sum(axis=2))


def _pair_evidence(pair: Mates, wrong: float) -> Array:
    """The same of two cores, from sums of products of the few parts their masses are made of, (n_node, n_shift)."""
    parts = align_added(pair.span, pair.offset, pair.low, pair.size)  # (2, n_level, n_part, n_shift, n)
    share, level = pair.share, pair.level * (parts.shape[1] > 1)
    out = np.empty((level.size, parts.shape[3]))
    mean = np.zeros((2, parts.shape[4]))
    for at in np.unique(level):
        mean += np.einsum("cp,cpk->ck", share[level == at].sum(axis=0), parts[:, at].mean(axis=2))
    astray = gone_astray(mean / level.size)
    for at in np.unique(level):
        here, (one, two) = level == at, parts[:, at].swapaxes(1, 2)  # (n_shift, n_part, n)
        both = ((share[here, 0] @ (one @ two.swapaxes(1, 2))) * share[here, 1]).sum(axis=2).T
        single = share[here, 0] @ (one @ astray[1]).T + share[here, 1] @ (two @ astray[0]).T
        out[here] = (1 - wrong) ** 2 * both + (1 - wrong) * wrong * single
    return np.asarray(np.maximum(out, 0.0) + wrong**2 * (astray[0] @ astray[1]))


@dataclass(frozen=True, eq=False)
class Mates:
    """Cores of one tree whose added rings can be laid on one axis low, low + 1, ... of a size."""

    rows: Rows
    span: Mass  # (n_core, n_level, n_part, n_shift, n)
    offset: Ints  # (n_core,): of the innermost years
    share: Array  # (n_node, n_core, n_part)
    level: Ints  # (n_node,)

    @property
    def low(self) -> int:
        """First number of added rings to the earliest core."""
        return self.span.start - int(self.offset.max())

    @property
    def size(self) -> int:
        """Places of the axis."""
        return self.span.size + int(self.offset.max())

    def at_nodes(self) -> Array:
        """Their masses on that axis at every node, (n_core, n_node, n_shift, n)."""
        masses = Mass(self.span.start, at_nodes(self.share, self.span.mass, self.level))
        return align_added(masses, self.offset, self.low, self.size)


def side_by_side(
    cores: Cores, own: SpeciesShared, states: StandStates, trees: list[Rows], *, reach: int = _MOST_TAUGHT
) -> Iterator[Mates]:
    """The cores of each tree side by side, by size of their tables.

    trees: rows of informative cores of one species. Trees with cores near one line, at several heights, or open further
    than `reach` rings are left out. Of two counts read together only the difference matters.
    """
    alike: dict[tuple[int, bool, bool], list[Rows]] = {}
    for rows in trees:
        level = float(np.ptp(cores.height_m[list(rows)])) <= HEIGHT_APART_M
        most = int(np.sort(cores.most_rings[list(rows)])[:2].max()) + int(np.ptp(cores.innermost_year[list(rows)]))
        if level and not on_one_line(cores, rows) and most <= reach:
            dated = bool((cores.dating[list(rows)] == Dating.CROSSDATED).all())
            alike.setdefault((table_size(most), dated, _read_together(cores, rows)), []).append(rows)
    groups, at = sorted(alike.items()), 0
    index = np.array([row for _, group in groups for rows in group for row in rows], dtype=np.int64)
    location, scale = hidden_widths(cores, index, own)
    for (size, _, together), group in groups:
        for part in (group[first : first + _CHUNK] for first in range(0, len(group), _CHUNK)):
            here = slice(at, at + sum(map(len, part)))
            found = missed_parts(cores, index[here], own, states, size, (location[here], scale[here]))
            chunk = Chunk([], index[here], own, states, *found, np.zeros(len(index[here])))
            yield from _in_chunk(cores, chunk, part, size, together)
            at = here.stop


def _read_together(cores: Cores, rows: Rows) -> bool:
    """Whether the counts of the two cores of a tree were read together."""
    return len(rows) == 2 and str(cores.tree[rows[0]]) in cores.joint_counts


def _in_chunk(cores: Cores, chunk: Chunk, trees: list[Rows], size: int, together: bool) -> Iterator[Mates]:
    """The same of some trees with tables of one size; `together`: whether their counts were read together."""
    apart, counts = [], None
    if together:
        apart = [count_difference(cores.joint_counts[str(cores.tree[rows[0]])], rows).pmf() for rows in trees]
        counts = [Mass.stack([pmf for each in apart for pmf in (Pmf.point(0), each)])]
    common, first = chunk.added(cores, counts), 0
    for at, rows in enumerate(trees):
        its = slice(first, first + len(rows))
        first += len(rows)
        span, years = common[its], cores.innermost_year[list(rows)]
        if together:
            low = max(common.start, min(0, apart[at].start))
            part = slice(low - common.start, max(0, apart[at].stop) + size + 1 - common.start)
            span = Mass(low, span.mass[..., part])
        yield Mates(rows, span, years - years.min(), chunk.share[:, its], chunk.states.level)


def count_difference(joint: JointCount, rows: Rows) -> Mass:
    """Count error of the second of two cores less that of the first, in the order of the rows asked for."""
    pair, starts, mass = joint
    first, second = (pair.index(row) for row in rows)
    places = np.indices(mass.shape)
    apart = (starts[second] + places[second]) - (starts[first] + places[first])
    start = int(apart.min())
    out = np.bincount((apart - start).ravel(), mass.ravel())
    return Mass(start, out / out.sum())
