"""What a field shows that the fitted model can replicate: inner ends, places of mates, differences of their counts.

Kept small with the ages, so that predictive checks need neither the field nor the engine again; own derivation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from treeage import priors
from treeage.distance import AimErrors, InnerEnds, arc_radius, arc_rise, offset_share, unseen_share
from treeage.estimate.cores import Cores
from treeage.estimate.shared import Shared
from treeage.estimate.trees import count_difference, side_by_side
from treeage.pmf import Mass, freeze_arrays
from treeage.posterior import pair_tails
from treeage.schema import InnerEnd

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_MOST_MATES = 300  # choice: evenly chosen trees with several cores whose agreement is looked at
_REDRAWN = 100  # choice: rounds in which what the stem does not allow, or what shows no such arc, is drawn again
_LEAST_RISE_MM = 0.05  # choice: half the reading error; a flatter arc counts as one of this rise
_REACH = 2000  # choice: cores that are open by more rings agree with anything
_FEW_NODES = 8  # choice: nodes over which that is averaged; more move no figure


@dataclass(frozen=True, eq=False)
class Seen:
    """What was seen in a field, and the states of the shared errors under which it could be seen again.

    Parameters
    ----------
    ends : InnerEnds
        Inner ends of the cores that inform, without their likelihoods.
    aim : AimErrors
        States of the errors of aim and reading, one a node.
    mates : numpy.ndarray, shape (n_pair, 2)
        Probabilities under the model that the first of two cores of a tree lacks fewer rings to the pith year than the
        second, if it is that of their counts apart, and as many.
    differences : numpy.ndarray of int, shape (n_read,)
        Likeliest count error of the second core less that of the first, for two cores read against each other.
    counts : tuple of tuple of Mass
        Count errors as published of the first and of the second core, each (n_read, n), for each level of the rate.
    level : numpy.ndarray of int, shape (n_node,)
        Level of the rate at each node.
    place : numpy.ndarray of int, shape (n_state,)
        Node of each state; states are equally likely.
    wrong : float
        Probability that a core is not what it is taken for.
    left_out : mapping of str to int
        Trees with several cores whose agreement is not looked at, by reason.
    """

    ends: InnerEnds
    aim: AimErrors
    mates: Array
    differences: Ints
    counts: tuple[tuple[Mass, Mass], ...]
    level: Ints
    place: Ints
    wrong: float
    left_out: Mapping[str, int]

    def __post_init__(self) -> None:
        freeze_arrays(self)


def what_was_seen(cores: Cores, shared: Shared) -> Seen:
    """Gather what predictive checks of a field need."""
    informs = np.flatnonzero(~cores.bound_only)
    ends = cores.ends.take(informs)
    ends = replace(ends, curved=np.ones((len(ends), 0)), direct=np.ones((len(ends), 0)))
    mates, left_out = _mates(cores, shared)
    joint = [each for _, each in sorted(cores.joint_counts.items())]
    apart = [count_difference(each, each[0]) for each in joint]
    rows = np.array([each[0] for each in joint], dtype=np.int64).reshape(-1, 2)
    published = zip(cores.counts_at_levels(rows[:, 0]), cores.counts_at_levels(rows[:, 1]), strict=True)
    likeliest = np.array([mass.start + int(mass.mass.argmax()) for mass in apart], dtype=np.int64)
    states = shared.states
    return Seen(ends, states.aim, mates, likeliest, tuple(published), states.level, states.place, cores.wrong, left_out)


def _mates(cores: Cores, shared: Shared) -> tuple[Array, dict[str, int]]:
    """Places of mates, a row a pair, and how many trees with several cores were left out."""
    trees = [tuple(row for row in rows if not cores.bound_only[row]) for _, rows in sorted(cores.rows_of.items())]
    trees = [rows for rows in trees if len(rows) > 1]
    chosen = trees
    if len(trees) > _MOST_MATES:
        chosen = [trees[k] for k in np.linspace(0, len(trees) - 1, _MOST_MATES).round().astype(np.int64)]
    states = shared.states
    nodes = np.unique(states.place)
    some = nodes[np.unique(np.linspace(0, nodes.size - 1, _FEW_NODES).round().astype(np.int64))]
    weight = states.node_weights[some] / states.node_weights[some].sum()
    few = replace(states, aim=states.aim.take(some), share=states.share[some], level=states.level[some], place=some)
    found = []
    for name in sorted(shared.species):
        given = shared[name].growth.given_stand
        growth = np.stack([given[states.place == node].mean(axis=0) for node in some]) * weight[:, None]
        its = [rows for rows in chosen if cores.species[rows[0]] == name]
        for _, aligned in side_by_side(cores, shared[name], few, its, reach=_REACH):
            at_most, at_least = pair_tails(aligned[0], aligned[1])
            total = aligned[0].sum(axis=2) * aligned[1].sum(axis=2)
            fewer, equal, whole = (
                float((growth * part).sum()) for part in (total - at_most, at_most + at_least - total, total)
            )
            found.append((max(fewer / whole, 0.0), max(equal / whole, 0.0)))
    left = {
        "their cores lie near one line, at several heights, or are open too far": len(chosen) - len(found),
        f"{_MOST_MATES} trees are enough": len(trees) - len(chosen),
    }
    return np.array(found, dtype=np.float64).reshape(-1, 2), {why: count for why, count in left.items() if count}


# ------------------------------------------------------------------ what could have been seen


@dataclass(frozen=True, eq=False)
class DrawnEnds:
    """Virtual inner ends: distance [mm], radius less length [mm], words; each shape (n,)."""

    distance_mm: Array
    gap_mm: Array
    word: NDArray[np.object_]

    def put(self, rows: Ints, drawn: DrawnEnds) -> None:
        """Overwrite some rows."""
        for own, new in zip(vars(self).values(), vars(drawn).values(), strict=True):
            own[rows] = new


def draw_ends(ends: InnerEnds, errors: AimErrors, rng: np.random.Generator) -> DrawnEnds:
    """Draw what could have been seen at inner ends on the stems of these, by the law of `end_distances`.

    errors: one node a row of `ends`. None of them is lost to rot or breakage: pith, arcs or neither is seen.
    """
    drawn, known = _drawn(ends, errors, rng), np.isfinite(ends.radius_mm) & np.isfinite(ends.length_mm)
    for _ in range(_REDRAWN):
        behind = np.maximum(ends.assumed_mm + np.where(known, drawn.gap_mm, ends.assumed_mm), 0.0) + ends.assumed_sd_mm
        behind[ends.beyond_diameter] = np.inf
        outside = np.flatnonzero(drawn.distance_mm > behind)
        if not outside.size:
            break
        drawn.put(outside, _drawn(ends.take(outside), errors.take(outside), rng))
    return drawn


def _drawn(ends: InnerEnds, errors: AimErrors, rng: np.random.Generator) -> DrawnEnds:
    """The same whether or not the stem allows them."""
    size = len(ends)
    offset = offset_share() * ends.assumed_mm
    aside = np.exp(errors.aim) * np.hypot(offset, priors.AIM_MM.value)
    along = np.hypot(np.exp(errors.eccentricity) * offset, ends.assumed_sd_mm)
    passes = rng.random(size) < priors.PASSES_PITH.value
    miss, short = aside * rng.standard_t(priors.AIM_TAIL_DF.value, size), np.zeros(size)
    rows = np.flatnonzero(~passes)
    while rows.size:  # short of the pith's depth, fading with the distance: exponential shortfalls, drawn by rejection
        short[rows] = rng.exponential(priors.SHORT_MM.value, rows.size)
        miss[rows] = aside[rows] * rng.standard_normal(rows.size)
        further = np.hypot(short[rows], miss[rows]) - short[rows]
        rows = rows[rng.random(rows.size) > np.exp(-further / priors.SHORT_MM.value)]
    again = rng.random(size) < priors.PITH_AGAIN.value  # these hold the pith whatever the aim
    distance, short = np.where(again, 0.0, np.hypot(short, miss)), np.where(again, 0.0, short)
    gap = np.where(errors.square > 0, distance, short) + along * rng.standard_normal(size)
    near, look = distance < priors.CORE_WIDTH.value / 2, rng.random((2, size))
    named = near & (look[0] < 1 / (1 + ends.pith_near))  # weights 1 and pith_near in `end_distances`
    word = np.where(look[1] < unseen_share(distance, errors.sight), InnerEnd.NO_ARCS, InnerEnd.ARCS).astype(object)
    word[named | again] = InnerEnd.PITH
    return DrawnEnds(distance, gap, word)


def draw_arc_radii(ends: InnerEnds, errors: AimErrors, rng: np.random.Generator) -> Array:
    """Radii [mm] of arcs as they could have been read on the chords of these ends; NaN where none is drawn.

    errors: one node a row of `ends`, all of which have an arc.
    """
    radius = np.full(len(ends), np.nan)
    for _ in range(_REDRAWN):
        rows = np.flatnonzero(np.isnan(radius))
        if not rows.size:
            break
        some, own = ends.take(rows), errors.take(rows)
        drawn, wider = draw_ends(some, own, rng), np.exp(own.arc_spread)
        out_of_round = own.arc_bias + priors.ROUNDNESS.value * wider * rng.standard_normal(rows.size)
        true = drawn.distance_mm * np.exp(out_of_round)
        by_chord = some.chord_mm / 4 / np.maximum(true, 0.6 * some.chord_mm) * priors.CHORD_SD.value
        error = np.hypot(some.arc_sd_mm * wider, by_chord)
        rise = arc_rise(true, some.chord_mm) + error * rng.standard_normal(rows.size)
        fits = (drawn.word == InnerEnd.ARCS) & (true >= some.chord_mm / 2)
        radius[rows[fits]] = read_radius(some.chord_mm[fits], rise[fits])
    return radius


def read_radius(chord_mm: Array, rise_mm: Array) -> Array:
    """Radius [mm] of arcs as read; of one that is flat or past a half circle that of the nearest which is not."""
    return arc_radius(chord_mm, np.clip(rise_mm, np.minimum(_LEAST_RISE_MM, chord_mm / 2), chord_mm / 2))
