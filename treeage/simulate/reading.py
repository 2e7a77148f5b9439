"""What a person writes down about virtual cores: counts, widths, arcs and other traces of the pith.

Own derivation: absent, merged, false and split rings are placed ring by ring; readings carry their stated errors.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from treeage import priors
from treeage.counting import count_error
from treeage.distance import arc_rise, direct_sd
from treeage.schema import Dating, InnerEnd, Word
from treeage.simulate.trees import (
    CountErrors,
    Flags,
    Floats,
    Ints,
    Reading,
    Scenario,
    Stop,
    Strings,
    Trees,
    VirtualCores,
)

OVERDISPERSION: Final = 0.7  # choice: shape of the gamma spread of the mistakes; most cores have few, some have many
FALSE_RINGS_YEARS: Final = 30.0  # choice: time constant of the fall of false rings with the ring number
LONGEST_CHORD_MM: Final = 30.0  # choice: no longer stretch of an arc is measured under a lens
INNER_RINGS: Final = 10  # common practice: the mean width of the inner ten rings


class RingEvent(Word):
    """What went wrong with a ring."""

    ABSENT = "absent"
    MERGED = "merged"
    FALSE = "false"
    SPLIT = "split"


class Way(Word):
    """How an arc at the inner end is read."""

    CIRCLE = "circle"
    RAYS = "rays"
    DIRECT = "direct"
    ARC = "arc"


@dataclass(frozen=True)
class Series:
    """One core as counted.

    Widths [mm] as a reader would measure them, innermost first, 0 for a dated absent ring; true minus counted rings;
    what went wrong, each with the true ring from the bark (1 = outermost).
    """

    widths_mm: Floats
    count_error: int
    events: tuple[tuple[RingEvent, int], ...]


@dataclass(frozen=True)
class Traces:
    """Readings at the inner ends: words of InnerEnd, and columns chord_mm to distance_sd_mm, NaN where not measured."""

    inner_end: Strings
    columns: Mapping[str, Floats | Strings]


def draw_dating(reading: Reading, trees: int, rng: np.random.Generator) -> Strings:
    """Draw how each tree is dated, in the words of Dating."""
    draw = rng.random(trees)
    in_lab = draw < reading.crossdated_share + reading.lab_share
    counted = np.where(in_lab, Dating.LAB_COUNT.value, Dating.FIELD_COUNT.value)
    return np.where(draw < reading.crossdated_share, Dating.CROSSDATED.value, counted)


# ---------------------------------------------------------------------- counts and widths


def read_cores(
    recipe: Scenario, trees: Trees, cores: VirtualCores, *, dating: Strings, rng: np.random.Generator
) -> list[Series]:
    """Count and measure all cores; `dating` has one word a tree."""
    names = [each.name for each in recipe.species]
    out = []
    for core, tree in enumerate(cores.sections.tree.tolist()):
        first, rings = int(cores.missed_rings[core]), int(cores.sections.rings[core])
        out.append(
            read_series(
                cores.widths_mm[core, first:rings],
                first_ring=first + 1,
                dating=str(dating[tree]),
                reading=recipe.reading,
                genus=names[trees.species_index[tree]],
                rng=rng,
            )
        )
    return out


def read_series(
    visible_mm: Floats,
    *,
    first_ring: int,
    dating: str,
    reading: Reading,
    genus: str,
    rng: np.random.Generator,
) -> Series:
    """Count and measure one core: true widths [mm] innermost first, 0 where absent; `first_ring` from the pith, from 1.

    A crossdated core keeps absent rings as dated zeros and its count is exact. A counted core loses absent rings,
    merges narrow rings into their outer neighbour and splits wide ones; by the default count error, the number of rings
    lost or won is a draw from the counting module, given the number of visible rings.
    """
    rings = visible_mm.size
    from_bark = rings - np.arange(rings)
    gone = np.flatnonzero(visible_mm == 0)
    events = [(RingEvent.ABSENT, int(from_bark[ring])) for ring in gone]
    if dating == Dating.CROSSDATED:
        return Series(visible_mm, 0, tuple(events))
    seen = np.flatnonzero(visible_mm > 0)
    widths, young = visible_mm[seen], np.exp(-(first_ring - 1 + seen) / FALSE_RINGS_YEARS)
    if reading.count_error == CountErrors.DEFAULT:
        error = count_error(rings, dating, genus=genus, mean_width_mm=float(visible_mm.mean()))
        wanted = int(error.sample(1, rng)[0]) - gone.size
        few, many, false = min(max(wanted, 0), seen.size // 2), min(max(-wanted, 0), seen.size // 2), 0
    else:
        few, many, false = _mistakes(seen.size, first_ring, dating, reading, rng)
    merged = _choose(1 / widths, few, rng, barred=0)
    split = _choose(np.where(np.isin(np.arange(seen.size), merged), 0, widths * (0.05 + young)), many + false, rng)
    events += [(RingEvent.MERGED, int(from_bark[seen[ring]])) for ring in merged]
    kinds = [RingEvent.FALSE if order < false else RingEvent.SPLIT for order in range(split.size)]
    events += [(kind, int(from_bark[seen[ring]])) for kind, ring in zip(kinds, split, strict=True)]
    return Series(_apply(widths, merged, split, rng), rings - (widths.size - merged.size + split.size), tuple(events))


def _mistakes(
    rings: int, first_ring: int, dating: str, reading: Reading, rng: np.random.Generator
) -> tuple[int, int, int]:
    """How many rings the reader merges, splits, and takes for rings though they are false."""
    shares = reading.lab_mistakes if dating == Dating.LAB_COUNT else reading.field_mistakes
    few, many = (int(rng.poisson(rings * share * rng.gamma(OVERDISPERSION, 1 / OVERDISPERSION))) for share in shares)
    young = np.exp(-(first_ring - 1 + np.arange(rings)) / FALSE_RINGS_YEARS)
    false = int(rng.poisson(reading.false_share * young.sum() * rng.gamma(OVERDISPERSION, 1 / OVERDISPERSION)))
    most = rings // 3  # choice: nobody miscounts more than a third
    return min(few, most), min(many, most), min(false, most // 2)


def _choose(weights: Floats, count: int, rng: np.random.Generator, barred: int | None = None) -> Ints:
    """Draw positions without replacement, with the given weights; one position may be barred."""
    shares = weights.astype(np.float64).copy()
    if barred is not None:
        shares[barred] = 0.0
    count = min(count, int((shares > 0).sum()) - 1)
    if count <= 0:
        return np.zeros(0, dtype=np.int64)
    return rng.choice(shares.size, size=count, replace=False, p=shares / shares.sum()).astype(np.int64)


def _apply(widths: Floats, merged: Ints, split: Ints, rng: np.random.Generator) -> Floats:
    """Merge rings into their outer (the last into its inner) kept neighbour and split others."""
    out: list[float] = []
    carried = 0.0
    merged_set, split_set = set(merged.tolist()), set(split.tolist())
    for ring, width in enumerate(widths.tolist()):
        if ring in merged_set:
            carried += width
            continue
        whole, carried = width + carried, 0.0
        if ring in split_set:
            part = float(rng.uniform(0.3, 0.7))  # choice
            out += [whole * part, whole * (1 - part)]
        else:
            out.append(whole)
    out[-1] += carried
    return np.array(out)


# ---------------------------------------------------------------------- traces of the pith


def true_chord(distance_mm: Floats, miss_mm: Floats, passes: Flags, half_mm: float) -> Floats:
    """Chord [mm] of the innermost boundary, of radius `distance_mm`, that shows on a core of half width `half_mm`.

    Along the core where it passes beside the pith and the whole arc lies on it, else across the core.
    """
    near, far = miss_mm - half_mm, miss_mm + half_mm
    whole = passes & (distance_mm <= far)
    along = 2 * np.sqrt(np.maximum(distance_mm**2 - np.maximum(near, 0.0) ** 2, 0.0))
    low, high = np.maximum(near, -0.98 * distance_mm), np.minimum(far, 0.98 * distance_mm)
    step = np.sqrt(np.maximum(distance_mm**2 - low**2, 0)) - np.sqrt(np.maximum(distance_mm**2 - high**2, 0))
    return np.asarray(np.where(whole, along, np.hypot(step, high - low)))


def read_traces(recipe: Scenario, cores: VirtualCores, rng: np.random.Generator) -> Traces:
    """Read arcs, template circles, rays and direct distances at the inner ends.

    An arc is seen when its true rise across a core of 5 mm exceeds a threshold that varies between cores; broken and
    rotten ends show none. The rise read is (1 + roundness error) x rise + reading error, and at least 0.
    """
    reading, count, half = recipe.reading, cores.distance_mm.size, recipe.coring.core_diameter_mm / 2
    distance = np.maximum(cores.distance_mm, 0.05)
    chord = np.minimum(true_chord(distance, cores.miss_mm, cores.passes, half), LONGEST_CHORD_MM)
    rise, across = (arc_rise(distance, np.minimum(each, 2 * distance)) for each in (chord, priors.CORE_WIDTH.value))
    threshold = reading.smallest_rise_mm + reading.smallest_rise_sd_mm * rng.standard_normal(count)
    seen = (np.maximum(rise, across) > threshold) & (rng.random(count) >= reading.overlooked_share)
    intact = np.isin(cores.stop, [Stop.PASSED.value, Stop.SHORT.value])
    looked = np.where(seen, InnerEnd.ARCS.value, InnerEnd.NO_ARCS.value)
    inner_end = np.where(intact, looked, cores.stop)  # else the words of Stop are those of InnerEnd
    shares = np.cumsum([reading.template_share, reading.ray_share, reading.direct_share])
    way = np.array(list(Way))[np.searchsorted(shares, rng.random(count), side="right")]
    noise = rng.standard_normal((6, count))
    round_factor = 1 + reading.roundness_sd * noise[0]
    rise_read = np.maximum(rise * round_factor + reading.arc_sd_mm * noise[1], 0.0)
    chord_read = np.round(np.maximum(chord + priors.CHORD_SD.value * noise[2], 0.5), 1)
    step = priors.CIRCLE_STEP.value
    circle = np.maximum(np.round(distance * round_factor / step), 1) * step
    gap = rng.uniform(2.0, 5.0, count)
    angle_sd = priors.RAY_ANGLE_SD.value
    true, least = (np.rad2deg(2 * np.arctan2(gap / 2, each)) for each in (distance, 1.6 * cores.radius_mm))
    angle = np.maximum(true + angle_sd * noise[3], least)  # nobody takes rays that meet outside the stem
    written_sd = direct_sd(distance)
    readings = {
        "chord_mm": (Way.ARC, chord_read),
        "rise_mm": (Way.ARC, np.round(np.minimum(rise_read, chord_read / 2), 2)),
        "arc_sd_mm": (Way.ARC, reading.arc_sd_mm),
        "circle_radius_mm": (Way.CIRCLE, circle),
        "circle_step_mm": (Way.CIRCLE, step),
        "ray_gap_mm": (Way.RAYS, np.round(gap, 1)),
        "ray_angle_deg": (Way.RAYS, np.maximum(np.round(np.maximum(angle, 0.5), 1), np.ceil(10 * least) / 10)),
        "ray_angle_sd_deg": (Way.RAYS, angle_sd),
        "distance_mm": (Way.DIRECT, np.round(np.maximum(distance + written_sd * noise[4], 0.5), 1)),
        "distance_sd_mm": (Way.DIRECT, np.round(written_sd, 1)),
    }
    arcs = inner_end == InnerEnd.ARCS
    columns = {name: np.where(arcs & (way == kind), values, np.nan) for name, (kind, values) in readings.items()}
    if reading.axis_share > 0:
        written = arcs & (rng.random(count) < reading.axis_share)
        turned = (cores.pith_deg + reading.axis_sd_deg * rng.standard_normal(count) + 180) % 360 - 180
        columns["arc_side"] = np.where(written, np.where(turned > 0, "right", "left"), "")
        columns["arc_angle_deg"] = np.where(written, np.round(np.abs(turned)), np.nan)
    return Traces(inner_end=inner_end, columns=columns)
