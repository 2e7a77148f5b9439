"""Ring tables of a tree's cores read against each other: joint count errors, and the places a person should look at.

The statistics are those of `alignment`; nothing is edited, only weighed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage.alignment import Alignment, AlignmentPrior, align_many, unseen_rings
from treeage.counting import absent_ring_rate, count_error, false_ring_rate
from treeage.estimate.cores import CoreFacts, lost_kernel
from treeage.estimate.trees import JointCount, JointCounts

Array = NDArray[np.float64]

LEAST_RINGS = 30  # choice: shorter overlaps say too little to replace the published count errors
LIKELY = 0.5  # choice: an event is pointed out when it is likelier than not within three rings
# Rings too few and too many per ring counted: 1.5 errors in 200 rings of a laboratory count, four of five too few
# (Weisberg & Swanson 2001, abstract; split as in `counting`, choice); a field count with a ring table: three times that
# (choice).
_RATES = {"crossdated": (0.0, 0.0), "lab_count": (0.006, 0.0015), "field_count": (0.018, 0.0045)}
_UNSEEN_CUT = 1e-4  # choice: rarer numbers of rings absent in both cores are left out
_FIELD_SHIFT = 12  # choice: field counts go further astray
_OUTER_SHIFTS = 24  # choice: outer ends that differ by more rings than this are not tried
EVENT_COLUMNS = ["tree", "core", "other_core", "kind", "ring_from_bark", "year", "prob", "prob_near"]


@dataclass(frozen=True)
class CoreReadings:
    """What reading the cores of each tree against each other gave.

    Parameters
    ----------
    joint : mapping of str to JointCount
        Joint count errors by tree, for the engine.
    events : pandas.DataFrame
        Columns tree, core, other_core, kind (absent or false), ring_from_bark, year, prob, prob_near: rings that are
        probably absent or false on a core.
    trees : int
        Trees whose cores were read against each other.
    """

    joint: JointCounts
    events: pd.DataFrame
    trees: int


def read_cores_together(facts: CoreFacts) -> CoreReadings:
    """Align the ring tables of the two longest cores of each tree that is not crossdated on both.

    Parameters
    ----------
    facts : CoreFacts
        All cores.

    Returns
    -------
    CoreReadings
        Trees without two complete ring tables keep the published count errors.

    Notes
    -----
    The cores are laid together from the last ring year that both have. Rings of one core outside the stretch they
    share (lost outer rings of the other, a core that reaches further in) keep the published count error of so many
    rings. On a crossdated core nothing can be absent or false. Where the number of lost outer rings of a count is
    uncertain, the widths say how far the outer ends lie apart, and what is left of the two errors joins the
    count errors; how an event next to the bark trades with the shift is left out.

    References
    ----------
    .. [1] Own derivation, see `alignment`.
    """
    rows_of: dict[str, list[int]] = {}
    for row, record in enumerate(facts.records):
        if facts.widths_mm[row].size == int(record["rings_counted"]) >= LEAST_RINGS:
            rows_of.setdefault(str(record["tree"]), []).append(row)
    pairs: list[tuple[str, list[int], list[Array], list[int]]] = []
    for tree, rows in rows_of.items():
        pair = sorted(rows, key=lambda row: -facts.widths_mm[row].size)[:2]
        if len(pair) < 2 or all(facts.records[row]["dating"] == "crossdated" for row in pair):
            continue
        trimmed, beyond = _common_outer_end(facts, pair)
        if min(widths.size for widths in trimmed) >= LEAST_RINGS:
            pairs.append((tree, pair, trimmed, beyond))
    series = [(trimmed[0], trimmed[1]) for _, _, trimmed, _ in pairs]
    read = align_many(series, prior=[_prior(facts, pair, trimmed) for _, pair, trimmed, _ in pairs])
    joint: dict[str, JointCount] = {}
    found: list[dict[str, Any]] = []
    for (tree, pair, trimmed, beyond), reading in zip(pairs, read, strict=True):
        joint[tree] = _joint_count(facts, pair, reading, beyond, trimmed)
        found += _events(facts, pair, reading)
    return CoreReadings(joint, pd.DataFrame(found, columns=EVENT_COLUMNS), len(joint))


def mark_events(facts: CoreFacts, readings: CoreReadings) -> None:
    """Flag the cores on which a ring is more likely absent or false than not.

    Parameters
    ----------
    facts : CoreFacts
        All cores; their flags are extended.
    readings : CoreReadings
        From `read_cores_together`.
    """
    events = readings.events
    if not len(events):
        return
    likely = events[events["prob_near"] > LIKELY]
    marked = set(zip(likely["tree"], likely["core"], strict=True))
    for row, record in enumerate(facts.records):
        if (record["tree"], record["core"]) in marked:
            facts.flags[row].add("ring_absent_or_false")


def _prior(facts: CoreFacts, pair: list[int], trimmed: list[Array]) -> AlignmentPrior:
    """Event rates of the two cores: none on a crossdated one, those of its kind of count and genus on a counted one.

    Cores whose lost outer rings are uncertain may end in other years than said: A lacks rings of B where more were
    lost on A than written.
    """
    rates = {}
    for side, row in zip("ab", pair, strict=True):
        record = facts.records[row]
        genus = str(record["species"])
        absent, false = _RATES[str(record["dating"])]
        rates[f"absent_rate_{side}"] = max(absent, absent_ring_rate(genus).value) if absent else 0.0
        rates[f"false_rate_{side}"] = max(false, false_ring_rate(genus).value) if false else 0.0
    one, two = (_outer_error(facts, row) for row in pair)
    most = min(_OUTER_SHIFTS, min(widths.size for widths in trimmed) - LEAST_RINGS)
    apart = np.convolve(one, two[::-1])
    middle = apart.size // 2
    shifts = range(-min(middle, most), min(middle, most) + 1)
    wild = any(facts.records[row]["dating"] == "field_count" for row in pair)
    return AlignmentPrior(
        absent_rate_a=rates["absent_rate_a"],
        absent_rate_b=rates["absent_rate_b"],
        false_rate_a=rates["false_rate_a"],
        false_rate_b=rates["false_rate_b"],
        outer_shifts={shift: float(apart[middle + shift]) for shift in shifts if apart[middle + shift] > 1e-4},
        max_shift=_FIELD_SHIFT if wild else AlignmentPrior().max_shift,
    )


def _outer_error(facts: CoreFacts, row: int) -> Array:
    """Mass of the rings by which a core ends earlier than its outer year says, 0 in the middle."""
    record = facts.records[row]
    spread = float(record.get("outer_lost_sd", 0.0))
    return lost_kernel(spread if record["dating"] != "crossdated" and np.isfinite(spread) else 0.0)


def _common_outer_end(facts: CoreFacts, pair: list[int]) -> tuple[list[Array], list[int]]:
    """Both series cut to end in the last year that both have, and how many rings each lost by it."""
    last = [int(facts.records[row]["outer_year"]) for row in pair]
    beyond = [year - min(last) for year in last]
    widths = [facts.widths_mm[row] for row in pair]
    return [own[: own.size - cut] for own, cut in zip(widths, beyond, strict=True)], beyond


def _joint_count(
    facts: CoreFacts, pair: list[int], reading: Alignment, beyond: list[int], trimmed: list[Array]
) -> tuple[tuple[str, str], int, int, Array]:
    """Joint mass of the count errors of whole cores: the shared stretch from the alignment, the rest as published."""
    first, second, mass = reading.joint
    starts, mass = [first, second], np.array(mass)
    shared = min(widths.size for widths in trimmed)
    for axis, row in enumerate(pair):
        record = facts.records[row]
        if record["dating"] == "crossdated":
            continue
        alone = trimmed[axis].size - shared + beyond[axis]
        if alone > 0:
            error = count_error(alone, str(record["dating"]), genus=str(record["species"])).trim(1e-6)
            mass = np.apply_along_axis(np.convolve, axis, mass, error.mass)
            starts[axis] += error.start
    mass = _with_unseen(facts, pair, mass, shared)
    errors = _outer_errors(facts, pair, reading)
    starts = [start - size // 2 for start, size in zip(starts, errors.shape, strict=True)]
    mass = _added(mass, errors)
    names = (str(facts.records[pair[0]]["core"]), str(facts.records[pair[1]]["core"]))
    return names, starts[0], starts[1], mass / mass.sum()


def _outer_errors(facts: CoreFacts, pair: list[int], reading: Alignment) -> Array:
    """Joint mass of the errors of the two outer years, given how far apart the widths say they are; 0 in the middle."""
    one, two = (_outer_error(facts, row) for row in pair)
    mass = one[:, None] * two[None, :]
    if mass.size == 1:
        return mass
    apart = (np.arange(one.size) - one.size // 2)[:, None] - (np.arange(two.size) - two.size // 2)[None, :]
    found, out = reading.outer_shift, np.zeros_like(mass)
    for shift, share in zip(found.support, found.mass, strict=True):
        same = np.where(apart == shift, mass, 0.0)
        out += share * same / max(same.sum(), 1e-300)
    return np.asarray(out / out.sum())


def _added(one: Array, two: Array) -> Array:
    """Joint mass of the sums of two pairs of numbers."""
    out = np.zeros(tuple(np.add(one.shape, two.shape) - 1))
    for (down, right), share in np.ndenumerate(one):
        if share > 1e-9:
            out[down : down + two.shape[0], right : right + two.shape[1]] += share * two
    return out


def _with_unseen(facts: CoreFacts, pair: list[int], mass: Array, shared: int) -> Array:
    """Add rings that are absent in both cores and that no alignment shows: both counts are short by the same number."""
    records = [facts.records[row] for row in pair]
    if any(record["dating"] == "crossdated" for record in records):
        return mass
    crown = str(records[0].get("crown_class") or "") or None
    genus = str(records[0]["species"]).split(" ", maxsplit=1)[0] or None
    unseen = unseen_rings(shared, genus=genus, crown_class=crown).trim(_UNSEEN_CUT)
    out = np.zeros((mass.shape[0] + unseen.stop, mass.shape[1] + unseen.stop))
    for rings, share in zip(unseen.support, unseen.mass, strict=True):
        out[rings : rings + mass.shape[0], rings : rings + mass.shape[1]] += share * mass
    return out


def _events(facts: CoreFacts, pair: list[int], reading: Alignment) -> list[dict[str, Any]]:
    """Probable events with the core they lie on, and the year by the count of the core that shows the ring."""
    best = reading.best
    names = [str(facts.records[row]["core"]) for row in pair]
    last = min(int(facts.records[row]["outer_year"]) for row in pair)
    rows = []
    for event in best.to_dict("records"):
        kind, side = str(event["kind"]).rsplit("_in_", 1)
        at = 0 if side == "a" else 1
        rows.append(
            {
                "tree": str(facts.records[pair[0]]["tree"]),
                "core": names[at],
                "other_core": names[1 - at],
                "kind": kind,
                "ring_from_bark": int(event["ring_from_bark"]),
                "year": last - int(event["ring_from_bark"]) + 1,
                "prob": float(event["prob"]),
                "prob_near": float(event["prob_near"]),
            }
        )
    return rows
