"""What a person writes down about virtual cores: counts, widths, arcs and other traces of the pith.

Own derivation: absent, merged, false and split rings are placed ring by ring; readings carry their
stated errors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from treeage import priors
from treeage.counting import count_error
from treeage.simulate.scenarios import Reading, Scenario
from treeage.simulate.trees import Cores, Trees

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

OVERDISPERSION = 0.7  # choice: shape of the gamma spread of the reading mistakes; most cores have few, some have many
FALSE_RINGS_YEARS = 30.0  # choice: time constant of the fall of false rings with the ring number
LONGEST_CHORD_MM = 30.0  # choice: no longer stretch of an arc is measured under a lens
INNER_RINGS = 10  # common practice: the mean width of the inner ten rings


@dataclass(frozen=True)
class Series:
    """One core as counted.

    Parameters
    ----------
    widths_mm : numpy.ndarray, shape (counted,)
        Widths as a reader would measure them [mm], innermost first; 0 is a dated absent ring.
    count_error : int
        True minus counted rings.
    events : tuple of (str, int)
        What went wrong: absent, merged, false or split, and the true ring from the bark (1 = outermost).
    """

    widths_mm: Floats
    count_error: int
    events: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class Traces:
    """Readings at the inner ends, one element a core; NaN is not measured.

    Parameters
    ----------
    inner_end : numpy.ndarray of str, shape (cores,)
        pith, arcs, no_arcs, rot or broken.
    columns : dict of str to numpy.ndarray
        The columns of the core table from chord_mm to distance_sd_mm.
    """

    inner_end: NDArray[np.str_]
    columns: dict[str, Floats]


def draw_dating(reading: Reading, trees: int, rng: np.random.Generator) -> NDArray[np.str_]:
    """Draw how each tree is dated.

    Parameters
    ----------
    reading : Reading
        Shares of crossdated and lab-counted trees.
    trees : int
        Number of trees.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    numpy.ndarray of str, shape (trees,)
        crossdated, lab_count or field_count.
    """
    draw = rng.random(trees)
    counted = np.where(draw < reading.crossdated_share + reading.lab_share, "lab_count", "field_count")
    return np.where(draw < reading.crossdated_share, "crossdated", counted)


def read_series(
    visible_mm: Floats,
    *,
    first_ring: int,
    dating: str,
    reading: Reading,
    genus: str,
    rng: np.random.Generator,
) -> Series:
    """Count and measure one core.

    Parameters
    ----------
    visible_mm : numpy.ndarray, shape (visible,)
        True widths of the visible rings [mm], innermost first, 0 where a ring is absent.
    first_ring : int
        Ring number of the innermost visible ring at the pith, from 1.
    dating : str
        crossdated, lab_count or field_count.
    reading : Reading
        Rates of mistakes, and whether they or the default count error hold.
    genus : str
        Species or genus, for the default count error.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    Series
        As counted.

    Notes
    -----
    A crossdated core keeps absent rings as dated zeros and its count is exact. A counted core loses absent
    rings, merges narrow rings into their outer neighbour and splits wide ones. With reading.count_error
    "default" the number of rings lost or won is a draw from the counting module, given the number of
    visible rings.
    """
    rings = visible_mm.size
    from_bark = rings - np.arange(rings)
    gone = np.flatnonzero(visible_mm == 0)
    if dating == "crossdated":
        return Series(visible_mm, 0, tuple(("absent", int(from_bark[ring])) for ring in gone))
    seen = np.flatnonzero(visible_mm > 0)
    few, many, false = _mistakes(
        visible_mm[seen],
        lost=gone.size,
        first_ring=first_ring,
        dating=dating,
        reading=reading,
        genus=genus,
        rng=rng,
    )
    widths = visible_mm[seen]
    merged = _choose(1 / widths, few, rng, barred=0)
    young = np.exp(-(first_ring - 1 + seen) / FALSE_RINGS_YEARS)
    split = _choose(np.where(np.isin(np.arange(seen.size), merged), 0, widths * (0.05 + young)), many + false, rng)
    events = [("absent", int(from_bark[ring])) for ring in gone]
    events += [("merged", int(from_bark[seen[ring]])) for ring in merged]
    events += [("false" if order < false else "split", int(from_bark[seen[ring]])) for order, ring in enumerate(split)]
    return Series(_apply(widths, merged, split, rng), rings - (widths.size - merged.size + split.size), tuple(events))


def _mistakes(
    widths: Floats,
    *,
    lost: int,
    first_ring: int,
    dating: str,
    reading: Reading,
    genus: str,
    rng: np.random.Generator,
) -> tuple[int, int, int]:
    """How many rings the reader merges, splits, and takes for rings though they are false."""
    rings = widths.size
    if reading.count_error == "default":
        wanted = int(count_error(rings + lost, dating, genus=genus).sample(1, rng)[0]) - lost
        return min(max(wanted, 0), rings // 2), min(max(-wanted, 0), rings // 2), 0
    few_rate, many_rate = reading.lab_rates if dating == "lab_count" else reading.field_rates
    few, many = (
        int(rng.poisson(rings * rate * rng.gamma(OVERDISPERSION, 1 / OVERDISPERSION))) for rate in (few_rate, many_rate)
    )
    young = np.exp(-(first_ring - 1 + np.arange(rings)) / FALSE_RINGS_YEARS)
    false = int(rng.poisson(reading.false_rate * young.sum() * rng.gamma(OVERDISPERSION, 1 / OVERDISPERSION)))
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


def rise_of(radius_mm: Floats, chord_mm: Floats) -> Floats:
    """Rise of an arc above its chord.

    Parameters
    ----------
    radius_mm : numpy.ndarray, shape (n,)
        Radius of the circle [mm].
    chord_mm : numpy.ndarray, shape (n,)
        Chord [mm], at most twice the radius.

    Returns
    -------
    numpy.ndarray, shape (n,)
        r - sqrt(r**2 - chord**2 / 4) [mm].

    Examples
    --------
    >>> float(rise_of(np.array([10.0]), np.array([12.0]))[0])
    2.0
    """
    return np.asarray(radius_mm - np.sqrt(np.maximum(radius_mm**2 - chord_mm**2 / 4, 0.0)))


def true_chord(distance_mm: Floats, miss_mm: Floats, passes: NDArray[np.bool_], half_mm: float) -> Floats:
    """Chord of the innermost boundary that shows on a core.

    Parameters
    ----------
    distance_mm : numpy.ndarray, shape (n,)
        Radius of the boundary [mm].
    miss_mm : numpy.ndarray, shape (n,)
        Distance of the core's line to the pith [mm].
    passes : numpy.ndarray of bool, shape (n,)
        Whether the core reaches past the pith.
    half_mm : float
        Half of the core's diameter [mm].

    Returns
    -------
    numpy.ndarray, shape (n,)
        Chord [mm]: along the core where it passes beside the pith and the whole arc lies on it, else across
        the core.

    Examples
    --------
    A core of 5 mm that passes at 10 mm shows the ring of 11 mm radius as an arc with its chord at 7.5 mm.

    >>> chord = true_chord(np.array([11.0]), np.array([10.0]), np.array([True]), 2.5)
    >>> round(float(chord[0]), 2), round(2 * (11.0**2 - 7.5**2) ** 0.5, 2)
    (16.09, 16.09)
    """
    near, far = miss_mm - half_mm, miss_mm + half_mm
    whole = passes & (distance_mm <= far)
    along = 2 * np.sqrt(np.maximum(distance_mm**2 - np.maximum(near, 0.0) ** 2, 0.0))
    low, high = np.maximum(near, -0.98 * distance_mm), np.minimum(far, 0.98 * distance_mm)
    step = np.sqrt(np.maximum(distance_mm**2 - low**2, 0)) - np.sqrt(np.maximum(distance_mm**2 - high**2, 0))
    return np.asarray(np.where(whole, along, np.hypot(step, high - low)))


def read_traces(recipe: Scenario, cores: Cores, rng: np.random.Generator) -> Traces:
    """Read arcs, template circles, rays and direct distances at the inner ends.

    Parameters
    ----------
    recipe : Scenario
        Reading errors and shares, core diameter.
    cores : Cores
        True geometry.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    Traces
        What stands in the core table.

    Notes
    -----
    An arc is seen when its true rise across a core of 5 mm exceeds a threshold that varies between cores;
    broken and rotten ends show none. The rise read is (1 + roundness error) x rise + reading error, and at
    least 0.
    """
    reading, count, half = recipe.reading, cores.distance_mm.size, recipe.coring.core_diameter_mm / 2
    distance = np.maximum(cores.distance_mm, 0.05)
    chord = np.minimum(true_chord(distance, cores.miss_mm, cores.passes, half), LONGEST_CHORD_MM)
    rise = rise_of(distance, np.minimum(chord, 2 * distance))
    across = rise_of(distance, np.minimum(priors.CORE_WIDTH.value, 2 * distance))
    threshold = reading.smallest_rise_mm + reading.smallest_rise_sd_mm * rng.standard_normal(count)
    seen = (np.maximum(rise, across) > threshold) & (rng.random(count) >= reading.overlooked_share)
    intact = np.isin(cores.stop, ["passed", "short"])
    inner_end = np.where(intact, np.where(seen, "arcs", "no_arcs"), cores.stop)
    shares = np.cumsum([reading.template_share, reading.ray_share, reading.direct_share])
    way = np.where(inner_end == "arcs", np.searchsorted(shares, rng.random(count), side="right"), -1)
    noise = rng.standard_normal((6, count))
    round_factor = 1 + reading.roundness_sd * noise[0]
    rise_read = np.maximum(rise * round_factor + reading.arc_sd_mm * noise[1], 0.0)
    chord_read = np.round(np.maximum(chord + priors.CHORD_SD.value * noise[2], 0.5), 1)
    step = priors.CIRCLE_STEP.value
    circle = np.maximum(np.round(distance * round_factor / step), 1) * step
    gap = rng.uniform(2.0, 5.0, count)
    angle_sd = priors.RAY_ANGLE_SD.value
    angle = np.rad2deg(2 * np.arctan2(gap / 2, distance)) + angle_sd * noise[3]
    direct_sd = np.maximum(1.0, priors.DIRECT_SHARE.value * distance)
    readings = {
        "chord_mm": (3, chord_read),
        "rise_mm": (3, np.round(np.minimum(rise_read, chord_read / 2), 2)),
        "arc_sd_mm": (3, np.full(count, reading.arc_sd_mm)),
        "circle_radius_mm": (0, circle),
        "circle_step_mm": (0, np.full(count, step)),
        "ray_gap_mm": (1, np.round(gap, 1)),
        "ray_angle_deg": (1, np.round(np.maximum(angle, 0.5), 1)),
        "ray_angle_sd_deg": (1, np.full(count, angle_sd)),
        "distance_mm": (2, np.round(np.maximum(distance + direct_sd * noise[4], 0.5), 1)),
        "distance_sd_mm": (2, np.round(direct_sd, 1)),
    }
    columns = {name: np.where(way == code, values, np.nan) for name, (code, values) in readings.items()}
    return Traces(inner_end=inner_end, columns=columns)


def read_cores(
    recipe: Scenario, trees: Trees, cores: Cores, *, dating: NDArray[np.str_], rng: np.random.Generator
) -> list[Series]:
    """Count and measure all cores.

    Parameters
    ----------
    recipe : Scenario
        Reading practice and species.
    trees : Trees
        The trees.
    cores : Cores
        The cores.
    dating : numpy.ndarray of str, shape (trees,)
        How each tree is dated.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    list of Series
        One for each core.
    """
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
