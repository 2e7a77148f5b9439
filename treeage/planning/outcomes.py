"""What an action would show, and how well a tree would then be dated: expectations over all outcomes.

Own derivation: outcomes follow from today's posterior, each updates it as the engine does, with the shared errors of
aim and reading averaged; what cores share of the growth near the pith is kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from treeage import priors
from treeage.distance import (
    DISTANCE_GRID_MM,
    DistanceSource,
    InnerEnds,
    arc_likelihood,
    arc_rise,
    end_distances,
    inner_ends,
)
from treeage.estimate import Cores, Shared, SpeciesShared, StandStates, draw_ends, table_size
from treeage.pmf import Pmf
from treeage.rings import InnerGrowth, hidden_width, missed_ring_mass, shared_spreads, typical_distance
from treeage.schema import InnerEnd

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

ENDS = 8  # choice: virtual inner ends of another core; each is averaged over all years it may show
_LONGEST_CHORD_MM = 30.0  # choice: no longer stretch of an arc is measured under a lens
_LOST_LENGTH = (0.05, 0.4)  # choice: what a core that is lost to rot or a break lacks, as shares of the radius
_SAME_ROT = 0.8  # choice: probability that another core of a rotten tree is lost too
_FEW_NODES = 6  # choice: nodes over which the shared errors are averaged
_LEAST = 1e-5  # choice: years that hold less change no figure
_LOW_YEARS = 40  # choice: the same for a lower core
_MOST_YEARS = 160  # choice: outcomes looked at, evenly likely, where there are more


@dataclass(frozen=True, eq=False)
class Added:
    """Rings to add to one core for every shared deviation of growth: mass[shift, n] from `start`."""

    start: int
    mass: Array

    def on(self, innermost: int, years: Ints) -> Array:
        """Likelihood of pith years, (n_shift, n_year)."""
        place = innermost - years - self.start
        inside = (place >= 0) & (place < self.mass.shape[1])
        return np.where(inside, self.mass[:, np.clip(place, 0, self.mass.shape[1] - 1)], 0.0)

    def with_count(self, start: int, count: Array) -> Added:
        """The same with a count error more."""
        mass = np.stack([np.convolve(row, count) for row in self.mass])
        return Added(self.start + start, mass)

    def trimmed(self) -> Added:
        """Without what holds next to nothing."""
        kept = np.flatnonzero(self.mass.max(axis=0) > 1e-7 * self.mass.max())
        return Added(self.start + int(kept[0]), self.mass[:, kept[0] : kept[-1] + 1])


@dataclass(frozen=True, eq=False)
class Dated:
    """Posterior of a tree's pith year by shared deviation, and what lies between it and the date.

    years, (n_year,); mass, (n_shift, n_year), sums to 1; later: variance of years to height and collar [years squared];
    before: probability that the date lies after an event for each pith year, (n_year,), or None.
    """

    years: Ints
    mass: Array
    later: float
    after: Array | None = None

    @property
    def variance(self) -> float:
        """Variance of the pith year."""
        return float(_moments(self.mass.sum(axis=0)[None], self.years)[0])


@dataclass(frozen=True)
class Expected:
    """After an action: expected sd and variance of the date, and the variance of what is learned of an event."""

    sd: float
    variance: float
    learned: float = 0.0


def _moments(mass: Array, years: Ints) -> Array:
    """Variances of rows of masses on years."""
    away = years - years.mean()
    total = np.maximum(mass.sum(axis=1), 1e-300)
    return np.asarray(np.maximum((mass @ away**2) / total - ((mass @ away) / total) ** 2, 0.0))


# ------------------------------------------------------------------ tables of missed rings


def missed_tables(cores: Cores, own: SpeciesShared, rows: Ints, growth: InnerGrowth, distance: Array) -> list[Added]:
    """Missed rings of cores of one species, real or virtual, that grow and are calibrated as the cores at `rows`."""
    out: list[Added] = [Added(0, np.ones((1, 1)))] * len(rows)
    total = np.cumsum(distance, axis=1)
    high = np.maximum(
        DISTANCE_GRID_MM[(total < (1 - 1e-5) * total[:, -1:]).sum(axis=1).clip(0, DISTANCE_GRID_MM.size - 1)], 0.05
    )
    location, scale = hidden_width(growth, high[:, None], high)
    reach = 3.0 * np.hypot(*shared_spreads(growth=growth)) + 7.0 * scale
    most = np.clip(np.exp(np.log(high) - location[:, 0] + reach) + 3, 3, 4000)
    sizes = np.array([table_size(int(each)) for each in np.maximum(most, np.minimum(cores.most_rings[rows], 4000))])
    for size in np.unique(sizes):
        chosen = np.flatnonzero(sizes == size)
        calibration = None if own.calibration is None else own.calibration.take(own.place[rows[chosen]])
        mass = missed_ring_mass(
            growth.take(chosen), distance[chosen], own.growth.shifts, max_rings=int(size), calibration=calibration
        )
        for place, row in zip(chosen, mass, strict=True):
            out[place] = Added(0, np.asarray(row, dtype=np.float64))
    return out


def count_of(cores: Cores, states: StandStates, row: int) -> tuple[int, Array]:
    """First value and mass of the count error of a core, over the states of the reader's rate."""
    levels = cores.counts_at_levels(np.array([row]))
    weight = np.bincount(states.level * (len(levels) > 1), states.node_weights, len(levels))
    low, high = min(own.start for own in levels), max(own.stop for own in levels)
    mass = sum(each * own.on(low, high + 1 - low)[0] for each, own in zip(weight, levels, strict=True))
    pmf = Pmf(low, mass).trim(1e-7)
    return pmf.start, np.asarray(pmf.mass)


def posterior(added: Sequence[tuple[int, Added]], weights: Array) -> tuple[Ints, Array] | None:
    """Posterior of the pith year by shift from cores (innermost year, rings to add); None where they exclude it."""
    low = max(own - each.start - each.mass.shape[1] + 1 for own, each in added)
    high = min(own - each.start for own, each in added)
    if high < low:
        return None
    years = np.arange(low, high + 1)
    mass = weights[:, None] * np.prod([each.on(own, years) for own, each in added], axis=0)
    total = mass.sum()
    if total <= 0:
        return None
    sums = np.cumsum(mass.sum(axis=0)) / total
    kept = slice(int(np.searchsorted(sums, _LEAST)), int(np.searchsorted(sums, 1 - _LEAST)) + 1)
    return years[kept], mass[:, kept] / mass[:, kept].sum()


# ------------------------------------------------------------------ one more core


def virtual_ends(cores: Cores, states: StandStates, rows: Ints, rng: np.random.Generator) -> tuple[InnerEnds, Ints]:
    """Inner ends that another core beside each of some cores may have, ENDS a core: words, lengths and arcs.

    Cores are aimed at the centre as usual; as many are lost to rot and breakage as among the cores there are, most of
    those where a core of the tree met rot. Gives the ends and the row of each.
    """
    of = np.repeat(rows, ENDS)
    stems = cores.ends.take(of)
    errors = states.aim.take(states.place[rng.integers(len(states), size=of.size)])
    drawn = draw_ends(replace(stems, beyond_diameter=np.zeros(of.size, dtype=bool)), errors, rng)
    rotten = np.isin(cores.tree[of], cores.tree[cores.inner_end == InnerEnd.ROT])
    lost = np.isin(cores.inner_end, [InnerEnd.ROT, InnerEnd.BROKEN]).mean()
    lost = np.where(rotten, max(lost, _SAME_ROT), lost)
    word, gap = drawn.word.copy(), drawn.gap_mm.copy()
    gone = rng.random(of.size) < lost
    word[gone] = InnerEnd.BROKEN
    gap[gone] = rng.uniform(*_LOST_LENGTH, int(gone.sum())) * stems.assumed_mm[gone]
    near = np.maximum(drawn.distance_mm, 0.1)
    chord = np.minimum(np.minimum(np.sqrt(4 * priors.CORE_WIDTH.value * near), 1.96 * near), _LONGEST_CHORD_MM)
    chord = np.maximum(chord, np.minimum(priors.CORE_WIDTH.value, 1.96 * near))
    true = near * np.exp(
        errors.arc_bias + priors.ROUNDNESS.value * np.exp(errors.arc_spread) * rng.standard_normal(of.size)
    )
    error = priors.ARC_SD.value
    rise = arc_rise(np.maximum(true, chord / 1.96), chord) + error * rng.standard_normal(of.size)
    rise = np.clip(rise, 0.0, chord / 2)
    arcs = word == InnerEnd.ARCS
    read = {DistanceSource.ARC: (arcs, arc_likelihood(chord[arcs], rise[arcs], np.full(int(arcs.sum()), error)))}
    length = np.where(np.isfinite(stems.radius_mm), np.clip(stems.radius_mm - gap, 1.0, 1.9 * stems.assumed_mm), np.nan)
    stem = (np.array(stems.radius_mm), np.array(stems.radius_sd_mm), length)
    return inner_ends(word, read, (chord, rise, np.full(of.size, error)), stem), of


def distances_of(ends: InnerEnds, states: StandStates) -> Array:
    """Distance at virtual inner ends, averaged over a few nodes of the shared errors, (n_end, n_grid)."""
    place = states.place[np.linspace(0, len(states) - 1, _FEW_NODES).round().astype(np.int64)]
    mass = end_distances(ends, states.aim.take(place))[0].mean(axis=0)
    total = mass.sum(axis=1, keepdims=True)
    return np.asarray(mass / np.where(total > 0, total, 1.0))


def after_another(tree: Dated, cores: Sequence[Added]) -> Expected:
    """One more core at the same height, of one of these equally likely kinds."""
    outcomes = [_outcomes(tree.mass, tree.years, each) for each in cores]
    weight = np.concatenate([own.sum(axis=1) / len(cores) for own in outcomes])
    return _expected(np.concatenate(outcomes), weight, tree)


def _outcomes(mass: Array, years: Ints, new: Added, weight: Array | None = None) -> Array:
    """Joint of the innermost year that a new core may show and the pith year, (n_shown, n_year)."""
    new = new.trimmed()
    shown = np.arange(years[0] + new.start, years[-1] + new.start + new.mass.shape[1])
    if shown.size > _MOST_YEARS:
        sums = np.cumsum(sum(np.convolve(one, other) for one, other in zip(mass, new.mass, strict=True)))
        place = np.searchsorted(sums, (np.arange(_MOST_YEARS) + 0.5) / _MOST_YEARS * sums[-1])
        shown = shown[np.minimum(place, shown.size - 1)]
    place = shown[:, None] - years[None, :] - new.start
    inside = (place >= 0) & (place < new.mass.shape[1])
    place = np.where(inside, place, 0)
    out = np.zeros(place.shape)
    for shift in np.flatnonzero(mass.sum(axis=1) > 1e-6):
        out += mass[shift] * np.where(inside, new.mass[shift][place], 0.0)
    if shown.size == _MOST_YEARS:  # evenly likely
        total = out.sum(axis=1, keepdims=True)
        out = out / np.where(total > 0, total, 1.0) / shown.size
    return out


def _expected(joint: Array, weight: Array, tree: Dated) -> Expected:
    """Expectation over outcomes, a row each, of what is left."""
    likely = weight > 0
    joint, weight = joint[likely], weight[likely] / weight[likely].sum()
    variance = _moments(joint, tree.years) + tree.later
    learned = 0.0
    if tree.after is not None:
        chance = joint @ tree.after / joint.sum(axis=1)
        learned = float(weight @ chance**2 - (weight @ chance) ** 2)
    return Expected(float(weight @ np.sqrt(variance)), float(weight @ variance), learned)


# ------------------------------------------------------------------ what is known of the cores there are


def after_crossdating(
    tree: Dated,
    cores: Sequence[tuple[int, Added, tuple[int, Array], tuple[int, Array]]],
    weights: Array,
    rng: np.random.Generator,
    draws: int = 32,
) -> Expected:
    """The counts made sure: cores as (innermost year, missed rings, count error now, what is left of it).

    True counts are drawn given today's posterior, and the tree is dated anew from all of them.
    """
    joint = np.zeros((draws, tree.years.size))
    flat = np.cumsum(tree.mass.ravel())
    then = [missed.with_count(*left) for _, missed, _, left in cores]
    for draw, level in enumerate((np.arange(draws) + rng.random()) / draws):
        place = min(int(np.searchsorted(flat, level * flat[-1])), flat.size - 1)
        shift, year = divmod(place, tree.years.size)
        mass = np.repeat(weights[:, None], tree.years.size, axis=1)
        for sure, (innermost, missed, (start, count), _) in zip(then, cores, strict=True):
            errors = start + np.arange(count.size)
            at = innermost - errors - int(tree.years[year]) - missed.start
            inside = (at >= 0) & (at < missed.mass.shape[1])
            law = np.where(inside, count * missed.mass[shift, np.where(inside, at, 0)], 0.0)
            error = int(rng.choice(errors, p=law / law.sum())) if law.sum() > 0 else 0
            mass = mass * sure.on(innermost - error, tree.years)
        joint[draw] = mass.sum(axis=0)
    total = joint.sum(axis=1, keepdims=True)
    return _expected(joint / np.where(total > 0, total, 1.0), total[:, 0] > 0, tree)


def after_lower(tree: Dated, cores: Sequence[Added], pairs: tuple[Ints, Array], at: Dated) -> Expected:
    """One more core at a lower height.

    pairs: years to the height of the tree's cores and to the lower one, (n, 2), with their probabilities; at: the years
    of the date and what lies between it and the root collar. What the two heights share of the growth is left out.
    """
    years, frequency = pairs
    pith = tree.mass.sum(axis=0)
    below = np.unique(years[:, 1])
    date = at.years
    given = np.zeros((below.size, date.size))
    for (high, low), weight in zip(years, frequency, strict=True):
        place = date + high - tree.years[0]
        inside = (place >= 0) & (place < pith.size)
        given[np.searchsorted(below, low)] += weight * np.where(inside, pith[np.where(inside, place, 0)], 0.0)
    outcomes = []
    for each in cores:
        new = Added(each.start, each.mass.mean(axis=0, keepdims=True)).trimmed()
        wide = np.stack([np.convolve(row, new.mass[0]) for row in given])
        shown_low = date[0] + below[:, None] + new.start + np.arange(wide.shape[1])
        first, last = int(shown_low.min()), int(shown_low.max())
        total = np.bincount((shown_low - first).ravel(), wide.ravel(), last - first + 1)
        sums = np.cumsum(total)
        level = (np.arange(_LOW_YEARS) + 0.5) / (_LOW_YEARS) * sums[-1]
        shown = first + np.searchsorted(sums, level)
        place = shown[:, None, None] - date[None, None, :] - below[None, :, None] - new.start
        inside = (place >= 0) & (place < new.mass.shape[1])
        out = (given[None] * np.where(inside, new.mass[0][np.where(inside, place, 0)], 0.0)).sum(axis=1)
        whole = out.sum(axis=1, keepdims=True)
        outcomes.append(out / np.where(whole > 0, whole, 1.0) / len(shown))
    joint = np.concatenate(outcomes)
    return _expected(joint, joint.sum(axis=1), at)


def after_rings(tree: Dated, cores: Sequence[tuple[int, Sequence[Added]]], weights: Array, likely: Array) -> Expected:
    """Rings measured: cores as (innermost year, rings to add at each of some moves of the expected width)."""
    joint: list[Array] = []
    weight: list[float] = []
    for places in np.ndindex(*(len(own) for _, own in cores)):
        mass = weights[:, None] * np.prod(
            [own[place].on(innermost, tree.years) for (innermost, own), place in zip(cores, places, strict=True)],
            axis=0,
        )
        row = mass.sum(axis=0) * float(
            np.prod([likely[place] if len(own) > 1 else 1.0 for (_, own), place in zip(cores, places, strict=True)])
        )
        joint.append(row)
        weight.append(float(row.sum()))
    return _expected(np.stack(joint), np.array(weight), tree)


def growth_if_measured(growth: InnerGrowth, distance: Array, others: InnerGrowth) -> tuple[InnerGrowth, Array, Array]:
    """Visible growth of cores of which a mean is known as if each ring were, as uneven as on the others that are.

    Features, move of the location, and the spread [log] of what measuring would show of it (law of total variance).
    """
    features, known = np.array(growth.features), others.features[~others.mean_only]
    if len(known):
        features = np.where(np.isnan(features), np.nanmedian(known, axis=0), features)
    unknown = np.full(len(growth), np.nan)
    table = InnerGrowth(features, np.maximum(growth.ring_count, 30.0), growth.genus, unknown)
    typical = typical_distance(DISTANCE_GRID_MM, distance)
    now, scale = hidden_width(growth, typical[:, None], typical)
    then, less = hidden_width(table, typical[:, None], typical)
    spread = np.sqrt(np.maximum(scale**2 - less**2, 0.0))
    return table, np.asarray(now[:, 0] - then[:, 0]), np.asarray(spread)


def years_pmf(masses: Sequence[Pmf]) -> Pmf:
    """Sum of independent numbers of years."""
    total = masses[0]
    for each in masses[1:]:
        total = total.convolve(each)
    return total.trim(1e-7)


def shared_of(shared: Shared, species: str) -> SpeciesShared:
    """What the trees of a species share."""
    return shared[species]
