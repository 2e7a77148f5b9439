"""What a field shows that the fitted model can replicate: inner ends, places of mates, differences of their counts.

Kept small with the ages, so that predictive checks need neither the field nor the engine again; own derivation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from treeage.distance import AimErrors, InnerEnds
from treeage.estimate.cores import Cores
from treeage.estimate.shared import Shared
from treeage.estimate.trees import count_difference, side_by_side
from treeage.pmf import Mass, freeze_arrays
from treeage.posterior import pair_tails

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_MOST_MATES = 300  # choice: evenly chosen trees with several cores whose agreement is looked at
_REACH = 2000  # choice: cores that are open by more rings agree with anything
_FEW_STATES = 8  # choice: states over which that is averaged; more move no figure


@dataclass(frozen=True, eq=False)
class Seen:
    """What was seen in a field, and the states of the shared errors under which it could be seen again.

    Parameters
    ----------
    ends : InnerEnds
        Inner ends of the cores that inform, without their likelihoods.
    aim : AimErrors
        Equally likely states of the errors of aim and reading.
    mates : numpy.ndarray, shape (n_pair, 2)
        Probabilities under the model that the first of two cores of a tree lacks fewer rings to the pith year than the
        second, if it is that of their counts apart, and as many.
    differences : numpy.ndarray of int, shape (n_read,)
        Likeliest count error of the second core less that of the first, for two cores read against each other.
    counts : tuple of tuple of Mass
        Count errors as published of the first and of the second core, each (n_read, n), for each level of the rate.
    level : numpy.ndarray of int, shape (n_state,)
        Level of the rate in each state.
    left_out : mapping of str to int
        Trees with several cores whose agreement is not looked at, by reason.
    """

    ends: InnerEnds
    aim: AimErrors
    mates: Array
    differences: Ints
    counts: tuple[tuple[Mass, Mass], ...]
    level: Ints
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
    return Seen(ends, shared.states.aim, mates, likeliest, tuple(published), shared.states.level, left_out)


def _mates(cores: Cores, shared: Shared) -> tuple[Array, dict[str, int]]:
    """Places of mates, a row a pair, and how many trees with several cores were left out."""
    trees = [tuple(row for row in rows if not cores.bound_only[row]) for _, rows in sorted(cores.rows_of.items())]
    trees = [rows for rows in trees if len(rows) > 1]
    chosen = trees
    if len(trees) > _MOST_MATES:
        chosen = [trees[k] for k in np.linspace(0, len(trees) - 1, _MOST_MATES).round().astype(np.int64)]
    some = np.unique(np.linspace(0, len(shared.states) - 1, _FEW_STATES).round().astype(np.int64))
    found = []
    for name in sorted(shared.species):
        own = shared[name]
        growth = own.growth.given_stand[some]
        its = [rows for rows in chosen if cores.species[rows[0]] == name]
        states = shared.states.take(some)
        even = np.full(some.size, 1 / some.size)
        few = replace(own, growth=replace(own.growth, given_stand=growth, stand_weights=even))
        for _, aligned in side_by_side(cores, few, states, its, reach=_REACH):
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
