"""The one pipeline: a checked field in, the ages of its trees out.

    Field -> prepare -> Cores, Shared -> date_trees -> TreePosterior -> tree_answer -> TreeAge -> Ages

No model of its own: cores, trees, heights and collar are put together as in DEVELOPERS.md.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage import priors
from treeage.alignment import Alignment, AlignmentPrior, Move, align_many, unseen_rings
from treeage.counting import absent_ring_share, count_error, false_ring_share, lost_kernel
from treeage.crossdating import DatedCore, crossdate_stand
from treeage.errors import Fault, InputError, require_field, require_level, require_seed
from treeage.estimate.answers import account_rows, gather_sources, minimum_answer, rule_comparison, tree_answer
from treeage.estimate.cores import Cores, JointCount, read_cores
from treeage.estimate.nodes import learn_states, what_was_seen
from treeage.estimate.shared import (
    LEAST_TREES,
    Shared,
    bound_upper_cores,
    height_models,
    height_notes,
    open_data_tables,
    reach_further,
    share,
    shared_figures,
    weigh_heights,
)
from treeage.estimate.trees import date_trees
from treeage.results import Ages, Flag
from treeage.schema import Dating

if TYPE_CHECKING:
    from treeage.tables import Field

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


__all__ = ["crossdate_field", "estimate_ages", "prepare", "record_settings"]


def prepare(field: Field, *, from_stand: bool = True, from_pairs: bool = True) -> tuple[Cores, Shared, pd.DataFrame]:
    """Cores of a field as every engine takes them, what they share, and the rings that are probably absent or false.

    Parameters as in `estimate_ages`; the events have the columns of `pairs.EVENT_COLUMNS`.
    """
    cores, heights = read_cores(field), height_models(field)
    shared = share(cores, heights, shared_figures(field, heights), from_stand=from_stand)
    cores = bound_upper_cores(reach_further(cores, shared), shared.without_heights)
    cores, events = read_pairs(cores) if from_pairs else (cores, pd.DataFrame())
    return *learn_states(cores, shared), events


def estimate_ages(
    field: Field,
    *,
    prob: float = 0.9,
    seed: int = 0,
    from_stand: bool = True,
    from_pairs: bool = True,
    tick: Callable[[int], object] | None = None,
) -> Ages:
    """Date every tree of a field, with the uncertainty of each step.

    Parameters
    ----------
    field : Field
        From `read_field`.
    prob : float, default 0.9
        Probability of the intervals, strictly between 0 and 1.
    seed : int, default 0
        Kept with the result for its draws; the estimate itself is exact and uses no randomness.
    from_stand : bool, default True
        Whether the ring tables of the stand's other trees inform the hidden rings of each core (complete cores,
        the same calendar years, other cores of the tree); without them every core stands alone.
    from_pairs : bool, default True
        Whether two ring tables of a tree that are not both crossdated are read against each other, so that the joint
        mass of their count errors replaces the published ones.
    tick : callable, optional
        Called with the number of trees done, for a progress bar.

    Returns
    -------
    Ages
        Estimated and minimum-only trees in the order of trees.csv, and an account of every row.

    Raises
    ------
    InputError
        If field is not a Field, prob is not between 0 and 1, or seed is not a whole number of at least 0.
    ModelError
        If a height model cannot answer (unknown name, coring height above its range).

    Notes
    -----
    establishment year = outer year - (rings counted + count error + missed rings) + 1 - years to the coring height -
    collar years. Missed rings, count error and pith year are exact on the integer grid with the shared growth
    summed out (`posterior.combine_cores`); years to height and collar years are subtracted by convolution. Trees
    are taken as independent given the shared growth and the shared part of the height model. The order of trees and
    cores in the tables does not matter.

    References
    ----------
    .. [1] Own derivation; methods and figures behind each step are in the table `Ages.sources`.

    Examples
    --------
    >>> import pandas as pd
    >>> from treeage.tables import Field
    >>> trees = pd.DataFrame({"tree": ["A1"], "species": ["Larix decidua"]})
    >>> cores = pd.DataFrame({"tree": ["A1"], "core": ["a"], "outer_year": [2024], "rings_counted": [120],
    ...     "dating": ["crossdated"], "inner_end": ["pith"], "core_height_m": [0.0]})
    >>> estimate_ages(Field.from_frames(trees, cores))["A1"].establishment_year.median()
    1905
    """
    require_field("estimate_ages", field)
    prob, seed = require_level("estimate_ages", "prob", prob), require_seed("estimate_ages", seed)
    cores, shared, events = prepare(field, from_stand=from_stand, from_pairs=from_pairs)
    posteriors = date_trees(cores, shared, tick=tick)
    shared = weigh_heights(shared, posteriors.values())
    answers = [
        tree_answer(posteriors[tree], cores, shared, prob=prob)
        if tree in posteriors
        else minimum_answer(tree, cores, prob=prob)
        for tree in (str(name) for name in field.trees["tree"])
        if tree in cores.rows_of
    ]
    used = {(tree.species, float(cores.height_m[tree.lead])) for tree in posteriors.values()}
    heights = {name: own.height for name, own in shared.species.items()}
    return Ages(
        tree_ages=tuple(answers),
        prob=prob,
        accounting=account_rows(field, answers, cores),
        tree_table=field.trees,
        events=field.events,
        notes=pd.concat([field.notes, height_notes(heights, used)], ignore_index=True),
        sources=gather_sources(cores, shared, answers),
        stand_weights=shared.stand_weights,
        settings=record_settings(field, seed),
        height_weights=dict(shared.height_weights),
        extras={
            "ring_events": events,
            "rule_comparison": rule_comparison(cores),
            "seen": what_was_seen(cores, shared),
            **open_data_tables(field, prob),
        },
    )


def record_settings(field: Field, seed: int) -> dict[str, Any]:
    """Settings of a field as they are kept with its answers: site, defaults, height models, seed, checksums."""
    settings = field.settings
    return {
        "name": settings.name,
        "description": settings.description,
        "hemisphere": settings.hemisphere,
        "breast_height_m": settings.breast_height_m,
        "shrinkage_percent": settings.shrinkage_percent,
        "defaults": dict(settings.defaults),
        "doubt": dict(settings.doubt),
        "height": {name: dict(chosen) for name, chosen in settings.height.items()},
        "seed": seed,
        "checksums": dict(field.checksums),
        "unknown_columns": dict(field.unknown_columns),
        "folder": field.folder.name if field.folder else "",
    }


def crossdate_field(field: Field, *, tick: Callable[[int], object] | None = None) -> dict[str, pd.DataFrame]:
    """Read the ring tables of each species against the mean of its other trees.

    Parameters
    ----------
    field : Field
        From `read_field`.
    tick : callable, optional
        Called with the number of cores done, for a progress bar.

    Returns
    -------
    dict of str to pandas.DataFrame
        agreement, places and swaps as in `crossdating.Crossdating`, with a column species in front.

    Raises
    ------
    InputError
        If field is not a Field, or no species has three trees with ring tables of 30 rings.

    Notes
    -----
    Nothing is changed, and a `dating` status is never raised from it: a person decides at the wood.

    References
    ----------
    .. [1] Statistics and their sources: `crossdating`.
    """
    require_field("crossdate_field", field)
    cores = read_cores(field)
    by_species: dict[str, list[DatedCore]] = {}
    for row in range(len(cores)):
        if cores.widths_mm[row].size >= LEAST_RINGS:  # shorter series agree with anything
            core = DatedCore(
                str(cores.tree[row]), str(cores.core[row]), int(cores.outer_year[row]), cores.widths_mm[row]
            )
            by_species.setdefault(str(cores.species[row]), []).append(core)
    tables: dict[str, list[pd.DataFrame]] = {"agreement": [], "places": [], "swaps": []}
    for species, own in by_species.items():
        if len({core.tree for core in own}) >= LEAST_TREES:  # a mean of fewer other trees is no reference
            found = crossdate_stand(own)
            for name, parts in tables.items():
                part = getattr(found, name)
                parts.append(part.assign(species=species)[["species", *part.columns]])
        if tick:
            tick(len(own))
    if not tables["agreement"]:
        need = f"three trees of one species with ring tables of {LEAST_RINGS} rings"
        got = f"{sum(len(own) for own in by_species.values())} such cores"
        raise InputError(Fault(got, need, "Measure more cores, or leave this out.", "crossdate_field", 0, "rings.csv"))
    return {name: pd.concat(parts, ignore_index=True) for name, parts in tables.items()}
