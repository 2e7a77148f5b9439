"""From the rows of cores.csv to arrays: what was read, the distance to the pith, visible growth, count error.

No model of its own: it chooses among `distance`, `rings` and `counting`. The cores stand in the order of tree,
height and core id, so that the order of rows in a table never matters.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage import priors
from treeage.counting import COUNT_LEVELS, core_mean_width, count_error_mass, lost_kernel
from treeage.distance import (
    DISTANCE_GRID_MM,
    READINGS,
    AimErrors,
    DistanceSource,
    InnerEnds,
    arc_likelihood,
    common_arcs_likelihood,
    draw_distances,
    draw_misses,
    end_distances,
    inner_ends,
    inside_radius,
    mixed_distances,
    point_likelihood,
    radial_length,
    read_likelihoods,
    turned_to_pith,
)
from treeage.pmf import Mass, Pmf
from treeage.results import Flag
from treeage.rings import InnerGrowth, hidden_width, ring_model, shared_spreads, typical_distance, visible_growth
from treeage.schema import (
    FEWEST_POINTS,
    Dating,
    InnerEnd,
    OuterEnd,
    WidthsTaken,
    Word,
    column_numbers,
    horizontal_share,
    innermost_year,
)
from treeage.tables import cores_with_trees

if TYPE_CHECKING:
    from treeage.tables import Field

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Words = NDArray[np.object_]

TURNED_PLACES = 400  # choice: places of the pith over which widths taken along a core are averaged
MOST_RINGS = 6000  # choice: more missed rings than any tree has
_BEYOND = 1.5e-3  # choice: what lies beyond the tables is put into their last cell; a third of this, see `_most_rings`

JointCount = tuple[tuple[int, int], tuple[int, int], Array]
"""Rows of two cores, the first count error of each, and the joint mass of their count errors."""


class WidthSource(Word):
    """What the visible growth of a core was taken from; `data/words.csv` says it for people."""

    RING_TABLE = "ring table"
    INNER_WIDTH = "inner width"
    LENGTH = "core length"
    DIAMETER = "diameter"


@dataclass(frozen=True, eq=False)
class Cores:
    """All cores of a field as arrays, in the order of tree, height and core id; immutable.

    Parameters
    ----------
    line : numpy.ndarray of int, shape (n_core,)
        Row of each core in cores.csv, from 0.
    tree, core, species, plot, crown_class, origin : numpy.ndarray of str, shape (n_core,)
        Ids and words of the core and of its tree.
    dating, inner_end, outer_end : numpy.ndarray of str, shape (n_core,)
        Words of cores.csv, as `Dating`, `InnerEnd` and `OuterEnd`.
    outer_year, rings_counted : numpy.ndarray of int, shape (n_core,)
        As read.
    height_m, azimuth_deg, outer_lost, outer_lost_sd, collar_years, collar_years_sd : numpy.ndarray, shape (n_core,)
        As read; NaN where empty, the last four 0.
    length_mm, radius_mm, radius_sd_mm, bark_mm : numpy.ndarray, shape (n_core,)
        Horizontal green length inside bark; inside-bark radius at the coring height and its sd; NaN where not known.
    young_light, nursery_years : numpy.ndarray, shape (n_core,)
        Light in which the tree was young, as a word; years before planting, NaN where not known.
    widths_mm : tuple of numpy.ndarray
        Visible widths of each core, innermost first, horizontal and green; empty without a ring table.
    source : tuple of DistanceSource
        What the distance rests on.
    ends : InnerEnds
        What was seen at the inner ends, as `end_distances` takes it.
    distance : numpy.ndarray, shape (n_core, n_grid)
        Mass of the distance to the pith on `DISTANCE_GRID_MM`; at the pith for cores that only bound the date.
    growth : InnerGrowth
        Visible growth.
    width_source : tuple of WidthSource
        What that was taken from.
    count : Mass, shape (n_core, n_error)
        Count errors, true minus counted.
    bound_only : numpy.ndarray of bool, shape (n_core,)
        The core bounds the pith year and says nothing else.
    along : numpy.ndarray of bool, shape (n_core,)
        Widths were taken along the core; those of `widths_mm` are turned to the pith at its expected place.
    most_rings : numpy.ndarray of int, shape (n_core,)
        Missed rings beyond which next to nothing lies.
    flags : tuple of frozenset of Flag
        What a reader must know about the core.
    joint_counts : mapping of str to JointCount
        Joint count errors of the two cores of a tree that were read against each other.
    drift : mapping of str to Pmf
        Trees whose counts were read against the stand, and the count error that all of them share: 0 where enough trees
        are crossdated.
    by_year : mapping of int to (int, numpy.ndarray)
        First year and widths by year, innermost first, of counted cores that the stand put into place.
    count_levels : tuple of Mass, or None
        Count errors at every level of the reader's rate of miscounts; None where none was counted.
    distance_factor : numpy.ndarray, shape (n_core,), or None
        Factors on the errors of the distances, where they were learned.
    wrong : float
        Probability that a core of a tree with several is not what it is taken for.
    """

    line: Ints
    tree: Words
    core: Words
    species: Words
    plot: Words
    crown_class: Words
    origin: Words
    dating: Words
    inner_end: Words
    outer_end: Words
    outer_year: Ints
    rings_counted: Ints
    height_m: Array
    azimuth_deg: Array
    outer_lost: Array
    outer_lost_sd: Array
    collar_years: Array
    collar_years_sd: Array
    length_mm: Array
    radius_mm: Array
    radius_sd_mm: Array
    bark_mm: Array
    young_light: Words
    nursery_years: Array
    widths_mm: tuple[Array, ...]
    source: tuple[DistanceSource, ...]
    ends: InnerEnds
    distance: Array
    growth: InnerGrowth
    width_source: tuple[WidthSource, ...]
    count: Mass
    bound_only: Flags
    along: Flags
    most_rings: Ints
    flags: tuple[frozenset[Flag], ...]
    joint_counts: Mapping[str, JointCount] = field(default_factory=dict)
    drift: Mapping[str, Pmf] = field(default_factory=dict)
    by_year: Mapping[int, tuple[int, Array]] = field(default_factory=dict)
    count_levels: tuple[Mass, ...] | None = None
    distance_factor: Array | None = None
    wrong: float = field(default_factory=lambda: priors.GROSS_ERROR.value)

    def __post_init__(self) -> None:
        joint = (mass for _, _, mass in self.joint_counts.values())
        for value in (*vars(self).values(), *self.widths_mm, *joint):
            if isinstance(value, np.ndarray):
                value.flags.writeable = False
        for name in ("joint_counts", "drift", "by_year"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))

    def __len__(self) -> int:
        return int(self.line.size)

    @cached_property
    def innermost_year(self) -> Ints:
        """Year of the innermost counted ring if the count is exact, shape (n_core,)."""
        years = innermost_year(self.outer_year, self.rings_counted)
        years.flags.writeable = False
        return years

    def counts_at_levels(self, rows: Ints) -> list[Mass]:
        """Count errors of some cores at each level of the rate of miscounts."""
        return [self.count[rows]] if self.count_levels is None else [level[rows] for level in self.count_levels]

    @cached_property
    def mean_width_mm(self) -> Array:
        """Mean ring width of each core, by which rings are absent more or less often; NaN where not known."""
        mean = core_mean_width(self.widths_mm, self.length_mm, self.rings_counted)
        mean.flags.writeable = False
        return mean

    @cached_property
    def rows_of(self) -> Mapping[str, tuple[int, ...]]:
        """Rows of the cores of each tree."""
        rows: dict[str, list[int]] = {}
        for row, tree in enumerate(self.tree):
            rows.setdefault(str(tree), []).append(row)
        return MappingProxyType({tree: tuple(own) for tree, own in rows.items()})

    def hidden_growth(self, rows: Ints) -> InnerGrowth:
        """Visible growth of those of some cores that probably end before the pith: whose hidden rings are predicted."""
        return self.growth.take(rows[self.distance[rows, 0] < 0.5])

    def with_flag(self, rows: Collection[int], flag: Flag) -> Cores:
        """The same cores with a flag more on some of them."""
        return replace(self, flags=tuple(own | {flag} if k in rows else own for k, own in enumerate(self.flags)))


def read_cores(field: Field) -> Cores:
    """Gather what is known about every core of a checked field, each core for itself."""
    table = _joined(field)
    flags: list[set[Flag]] = [set() for _ in range(len(table))]
    widths = _widths(field, table)
    stem = *_radius(table, field.settings.breast_height_m, flags), _length(table, widths, flags)
    inner_end, dating, outer_end = (
        np.array([kind(word) for word in table[name]], dtype=object)
        for name, kind in (("inner_end", InnerEnd), ("dating", Dating), ("outer_end", OuterEnd))
    )
    doubt, ends = field.settings.doubt, _ends(field, table, widths, inner_end, stem)
    distance = mixed_distances(*end_distances(ends, AimErrors.centre()))
    _mark_distances(flags, ends, inner_end, np.isfinite(stem[0]))
    widths = _turned(widths, along := _words(table, "widths_taken") == WidthsTaken.ALONG, ends, distance)
    counted, species = table["rings_counted"].to_numpy(dtype=np.int64), [str(name) for name in table["species"]]
    growth, width_source, known = _growth(table, stem, widths, distance, flags)
    mean_width = core_mean_width(widths, stem[2], counted)
    count, levels = _counts(counted, dating, species, mean_width, doubt["misdated"])
    bound_only = (distance.sum(axis=1) <= 0) | ~(known | (inner_end == InnerEnd.PITH))
    distance = at_pith(distance, bound_only)
    words, number = partial(_words, table), partial(column_numbers, table)
    lost_sd = number("outer_lost_sd", 0.0)
    return Cores(
        line=table["line"].to_numpy(dtype=np.int64),
        tree=words("tree"), core=words("core"),
        species=words("species"), plot=words("plot"),
        crown_class=words("crown_class"), origin=words("origin"),
        dating=dating,
        inner_end=inner_end,
        outer_end=outer_end,
        outer_year=table["outer_year"].to_numpy(dtype=np.int64),
        rings_counted=counted,
        height_m=number("core_height_m"),
        azimuth_deg=number("azimuth_deg"),
        outer_lost=number("outer_lost", 0.0),
        outer_lost_sd=lost_sd,
        collar_years=number("collar_years", 0.0),
        collar_years_sd=number("collar_years_sd", 0.0),
        length_mm=stem[2],
        radius_mm=stem[0],
        radius_sd_mm=stem[1],
        bark_mm=number("bark_mm"),
        young_light=words("young_light"),
        nursery_years=number("nursery_years"),
        widths_mm=tuple(widths),
        source=tuple(ends.source),
        ends=ends,
        distance=distance,
        growth=growth,
        width_source=width_source,
        count=_with_lost_rings(count, lost_sd, dating),
        count_levels=tuple(_with_lost_rings(level, lost_sd, dating) for level in levels) or None,
        bound_only=bound_only,
        along=along,
        most_rings=_most_rings(distance, growth),
        wrong=doubt["wrong_core"],
        flags=tuple(frozenset(own) for own in flags),
    )  # fmt: skip


def _joined(field: Field) -> pd.DataFrame:
    """Cores with the columns of their tree, arcs upright, in the order of tree, height and core, and their line."""
    table = cores_with_trees(field)
    table = table.sort_values(["tree", "core_height_m", "core"], kind="stable").reset_index(drop=True)
    return _upright(table, field, np.abs(column_numbers(table, "tilt_deg", 0.0)))


def _words(table: pd.DataFrame, name: str) -> Words:
    """Words of a column; empty for empty cells and absent columns."""
    cells = table[name] if name in table else [""] * len(table)
    return np.array(["" if pd.isna(word) else str(word) for word in cells], dtype=object)


def _mark(flags: list[set[Flag]], rows: Flags, flag: Flag) -> None:
    for row in np.flatnonzero(rows):
        flags[row].add(flag)


def _radius(table: pd.DataFrame, breast_height_m: float, flags: list[set[Flag]]) -> tuple[Array, Array]:
    """Inside-bark radius at the coring height from the best diameter there is."""
    diameter, dbh = (column_numbers(table, name) for name in ("core_diameter_cm", "dbh_cm"))
    bark, bark_sd = (column_numbers(table, name) for name in ("bark_mm", "bark_sd_mm"))
    above = column_numbers(table, "dbh_height_m", breast_height_m) - column_numbers(table, "core_height_m")
    scaled = np.isnan(diameter) & np.isfinite(dbh)
    diameter = np.where(scaled, dbh + priors.TAPER.value * above, diameter)
    known = np.isfinite(diameter) & (diameter > 0)
    _mark(flags, scaled & ~known, Flag.TAPER_BELOW_ZERO)
    radius, radius_sd = np.full((2, len(table)), np.nan)
    if known.any():
        radius[known], radius_sd[known] = inside_radius(diameter[known], bark[known], bark_sd[known])
    open_end = known & (table["inner_end"] != InnerEnd.PITH).to_numpy()  # the pith needs no radius
    _mark(flags, scaled & open_end, Flag.DIAMETER_FROM_BREAST_HEIGHT)
    _mark(flags, np.isnan(bark) & open_end, Flag.BARK_FROM_PUBLISHED_SHARE)
    taper_sd = np.where(
        scaled, 5.0 * priors.TAPER_SD.value * np.abs(above), 0.0
    )  # cm of diameter per m to mm of radius
    return np.where(radius > 0, radius, np.nan), np.hypot(radius_sd, taper_sd)


def _upright(table: pd.DataFrame, field: Field, tilt: Array) -> pd.DataFrame:
    """The table with arcs as they lie across the stem, green: the rise along a tilted core is longer, the chord not."""
    green: Array = np.full(len(table), 1 / (1 - field.settings.shrinkage_percent / 100))
    upright = green * horizontal_share(tilt)
    scale = {"chord_mm": green, "rise_mm": upright, "arc_sd_mm": upright}
    arcs = {name: column_numbers(table, name) * by for name, by in scale.items()}
    return table.assign(**arcs, tilt=tilt, green=green)


def _length(table: pd.DataFrame, widths: list[Array], flags: list[set[Flag]]) -> Array:
    """Horizontal green length of each core [mm], from a full ring table where it was not measured; else NaN.

    A core that holds the pith needs no length.
    """
    length, tilt = column_numbers(table, "core_length_mm"), table["tilt"].to_numpy()
    length = np.where(np.isfinite(length), radial_length(np.nan_to_num(length), tilt_deg=tilt), np.nan)
    counted = table["rings_counted"].to_numpy(dtype=np.int64)
    full = np.array([own.size for own in widths]) == counted
    summed = np.isnan(length) & full & (_words(table, "inner_end") != InnerEnd.PITH)
    _mark(flags, summed, Flag.LENGTH_FROM_RINGS)
    return np.where(summed, [own.sum() for own in widths], length)


def _turned(widths: list[Array], along: Flags, ends: InnerEnds, distance: Array) -> list[Array]:
    """Widths taken along cores that miss the pith, turned to it: the mean over where it may lie."""
    out = list(widths)
    for row in np.flatnonzero(along & (distance.sum(axis=1) > 0)):
        rng = np.random.default_rng(0)  # a fixed quadrature, not a draw of the answer
        place = draw_distances(distance[row], TURNED_PLACES, rng)
        miss = draw_misses(ends.take(np.array([row])), place, widths[row], rng)
        out[row] = np.diff(turned_to_pith(widths[row], place, miss), axis=1).mean(axis=0)
    return out


def _widths(field: Field, table: pd.DataFrame) -> list[Array]:
    """Visible widths, horizontal and green, innermost first."""
    measured = field.ring_widths()
    scale = horizontal_share(table["tilt"]) * table["green"].to_numpy()
    keys = zip(table["tree"], table["core"], strict=True)
    return [measured.get(key, np.zeros(0)) * factor for key, factor in zip(keys, scale, strict=True)]


# ------------------------------------------------------------------ distance to the pith


def _mark_distances(flags: list[set[Flag]], found: InnerEnds, inner_end: Words, has_radius: Flags) -> None:
    """What a reader must know about the distance of each core."""
    by_length = np.array([source == DistanceSource.RADIUS_LESS_LENGTH for source in found.source])
    unknown = np.array([source == DistanceSource.NOTHING for source in found.source])
    seen = ~by_length & ~unknown & (inner_end != InnerEnd.PITH)
    _mark(flags, found.beyond_diameter, Flag.DISTANCE_BEYOND_DIAMETER)
    _mark(flags, found.disagree, Flag.DISTANCE_SOURCES_DISAGREE)
    _mark(flags, by_length, Flag.DISTANCE_FROM_RADIUS)
    _mark(flags, unknown, Flag.DISTANCE_UNKNOWN)
    _mark(flags, seen & ~has_radius, Flag.NO_DIAMETER)
    _mark(flags, np.isin(inner_end, [InnerEnd.ROT, InnerEnd.BROKEN]) & ~seen, Flag.INNER_END_LOST)


def _ends(
    field: Field, table: pd.DataFrame, widths: list[Array], inner_end: Words, stem: tuple[Array, Array, Array]
) -> InnerEnds:
    """What was seen at the inner end of every core; stem: radius, its sd, and length."""
    visible, near = np.array([own.sum() for own in widths]), field.settings.doubt["pith_near"]
    chord, rise, error = READINGS[DistanceSource.ARC].values(table)
    read = _likelihoods(field, table, widths)
    return inner_ends(inner_end, read, (chord, rise, error), stem, visible_mm=visible, pith_near=near)


def _likelihoods(field: Field, table: pd.DataFrame, widths: list[Array]) -> dict[DistanceSource, tuple[Flags, Array]]:
    """Every likelihood that some core has: rows, and values for these rows."""
    single = [source for source in READINGS if source is not DistanceSource.ARC]
    return _arcs(field, table, widths) | read_likelihoods(table, single) | _points(field, table, widths)


def _beyond(widths: Array, ring: int) -> float:
    """How far the inner boundary of a ring lies outside that of ring 1 [mm]; NaN where widths are missing."""
    if ring <= 1:
        return 0.0
    return float(widths[: ring - 1].sum()) if widths.size >= ring - 1 else float("nan")


def _places(table: pd.DataFrame) -> dict[tuple[str, str], int]:
    """Row of each core by tree and core id."""
    return {key: row for row, key in enumerate(zip(table["tree"], table["core"], strict=True))}


def _arcs(field: Field, table: pd.DataFrame, widths: list[Array]) -> dict[DistanceSource, tuple[Flags, Array]]:
    """The arc of cores.csv; with those of arcs.csv it shares the roundness of its core's rings."""
    arc = READINGS[DistanceSource.ARC]
    chord, rise, reading = arc.values(table)
    own = np.isfinite(chord) & np.isfinite(rise)
    place, more = _places(table), field.arcs.sort_values(["ring", "chord_mm", "rise_mm"], ignore_index=True)
    keys = list(zip(more["tree"], more["core"], strict=True))
    upright = _upright(more, field, np.array([table["tilt"][place[key]] if key in place else 0.0 for key in keys]))
    arcs: dict[int, list[tuple[float, float, float, float]]] = {}
    for key, ring, *values in zip(keys, more["ring"], *arc.values(upright), strict=True):
        row = place.get(key, -1)
        beyond = _beyond(widths[row], int(ring)) if row >= 0 else float("nan")
        if np.isfinite(beyond):
            first = [(chord[row], rise[row], reading[row], 0.0)] if own[row] else []
            arcs.setdefault(row, first).append((*values, beyond))
    several = np.zeros(len(table), dtype=bool)
    several[list(arcs)] = True
    found, rows = {}, own & ~several
    if rows.any():
        found[DistanceSource.ARC] = rows, arc_likelihood(chord[rows], rise[rows], reading[rows])
    if several.any():
        likelihood = np.ones((len(table), DISTANCE_GRID_MM.size))
        for row, read in arcs.items():
            chords, rises, errors, places = np.array(read, dtype=np.float64).T
            likelihood[row] = common_arcs_likelihood(chords, rises, errors, beyond_mm=places)
        found[DistanceSource.SEVERAL_ARCS] = several, likelihood[several]
    return found


def _points(field: Field, table: pd.DataFrame, widths: list[Array]) -> dict[DistanceSource, tuple[Flags, Array]]:
    """Digitised ring boundaries of points.csv."""
    rows, values = np.zeros(len(table), dtype=bool), np.ones((len(table), DISTANCE_GRID_MM.size))
    place = _places(table)
    for key, points in field.points.sort_values(["ring", "x_mm", "y_mm"]).groupby(["tree", "core"], sort=False):
        row = place.get((str(key[0]), str(key[1])), -1)
        boundary = points[points["ring"] >= 1]
        enough = boundary.groupby("ring").size().max() if len(boundary) else 0
        beyond = _beyond(widths[row], int(boundary["ring"].min())) if row >= 0 and enough >= FEWEST_POINTS else np.nan
        if np.isfinite(beyond):
            ring, along, across = (boundary[name].to_numpy() for name in ("ring", "x_mm", "y_mm"))
            along, across = (
                along * table["green"][row] * horizontal_share(table["tilt"][row]),
                across * table["green"][row],
            )
            values[row] = point_likelihood(ring, along, across, beyond_mm=beyond)
            rows[row] = True
    return {DistanceSource.POINTS: (rows, values[rows])} if rows.any() else {}


def at_pith(distance: Array, rows: Flags) -> Array:
    """Distances with a place holder for cores that only bound the date."""
    out = distance.copy()
    out[rows] = 0.0
    out[rows, 0] = 1.0
    return out


# ------------------------------------------------------------------ visible growth and count


def _growth(
    table: pd.DataFrame,
    measured: tuple[Array, Array, Array],
    widths: list[Array],
    distance: Array,
    flags: list[set[Flag]],
) -> tuple[InnerGrowth, tuple[WidthSource, ...], Flags]:
    """Visible growth from the best source of each core: ring table, inner width, length, radius; and whether any.

    A length guessed from the radius errs by the radius, the eccentricity of the pith along the core and the distance.
    """
    radius, radius_sd, length = measured
    counted = table["rings_counted"].to_numpy(dtype=np.int64)
    species = [str(name) for name in table["species"]]
    has_rings = np.array([own.size > 0 and own.sum() > 0 for own in widths])
    inner = column_numbers(table, "inner_width_mm")
    rings = column_numbers(table, "inner_width_rings", 10.0)
    expected = distance @ DISTANCE_GRID_MM
    by_length = length / counted
    guess = np.maximum(radius - expected, 0.2 * radius)
    by_radius = guess / counted
    offset_sd = np.sqrt(2 / np.pi) * priors.ECCENTRICITY.value * radius  # along one line; the mean is that in the plane
    log_sd = np.sqrt(radius_sd**2 + offset_sd**2 + distance @ DISTANCE_GRID_MM**2 - expected**2) / guess
    mean = np.where(np.isfinite(inner), inner, np.where(np.isfinite(by_length), by_length, by_radius))
    count = np.where(np.isfinite(inner), np.minimum(rings, counted), counted)
    known = has_rings | np.isfinite(mean)
    hidden, guessed = distance[:, 0] < 0.5, ~has_rings & ~np.isfinite(inner)
    _mark(flags, guessed & hidden & np.isfinite(by_length), Flag.WIDTH_FROM_LENGTH)
    _mark(flags, guessed & hidden & ~np.isfinite(by_length) & known, Flag.WIDTH_FROM_DIAMETER)
    _mark(flags, ~known & hidden, Flag.NO_RING_WIDTH)
    source = np.full(len(table), WidthSource.INNER_WIDTH, dtype=object)
    source[guessed & hidden] = WidthSource.DIAMETER
    source[guessed & hidden & np.isfinite(by_length)] = WidthSource.LENGTH
    source[has_rings] = WidthSource.RING_TABLE
    mean = np.where(np.isfinite(mean) & (mean > 0), mean, 1.0)
    log_sd = np.where(guessed & ~np.isfinite(by_length) & np.isfinite(log_sd), log_sd, 0.0)
    growth = visible_growth(widths, mean, count, genus=species, mean_log_sd=log_sd)
    return growth, tuple(source), known


def _counts(
    counted: Ints, dating: Words, species: list[str], mean_width: Array, misdated: float
) -> tuple[Mass, tuple[Mass, ...]]:
    """Count errors, and those at every level of the rates that reader and site share; none where none was counted.

    A core called crossdated has that of a laboratory count with a small probability.
    """
    # the errors depend on rings times rate alone
    counted = np.maximum(1, np.round(counted * priors.COUNT_RATE.value)).astype(np.int64)
    sure, kind = np.flatnonzero(dating == Dating.CROSSDATED), dating.astype(str)
    count = count_error_mass(counted, kind, genus=species, mean_width_mm=mean_width)
    levels: tuple[Mass, ...] = ()
    if sure.size < len(counted):
        found = count_error_mass(counted, kind, genus=species, mean_width_mm=mean_width, by_level=True)
        levels = tuple(Mass(found.start, found.mass[:, level]) for level in range(COUNT_LEVELS))
    if misdated and sure.size:
        own = [species[row] for row in sure]
        laboratory = count_error_mass(counted[sure], Dating.LAB_COUNT.value, genus=own, mean_width_mm=mean_width[sure])
        count, *rest = (_in_doubt(each, sure, laboratory, misdated) for each in (count, *levels))
        levels = tuple(rest)
    return count, levels


def _in_doubt(count: Mass, rows: Ints, other: Mass, share: float) -> Mass:
    """Masses of some rows mixed with a share of others."""
    start = min(count.start, other.start)
    size = max(count.stop, other.stop) + 1 - start
    mass = count.on(start, size)
    mass[rows] = (1 - share) * mass[rows] + share * other.on(start, size)
    return Mass(start, mass)


def _with_lost_rings(count: Mass, lost_sd: Array, dating: Words) -> Mass:
    """Widen counted cores by the uncertainty of the rings lost outside, which their outer year rests on."""
    spread = np.where(dating == Dating.CROSSDATED, 0.0, lost_sd)
    if not (spread > 0).any():
        return count
    reach = lost_kernel(float(spread.max())).size // 2
    wide = np.zeros((len(spread), count.size + 2 * reach))
    for row, own in enumerate(spread):
        kernel = lost_kernel(float(own))
        ahead = reach - kernel.size // 2
        wide[row, ahead : wide.shape[1] - ahead] = np.convolve(count.mass[row], kernel)
    return Mass(count.start - reach, wide)


def _most_rings(distance: Array, growth: InnerGrowth) -> Ints:
    """Missed rings beyond which about five in ten thousand lie, by bisection of their logarithm.

    `_BEYOND` is what would lie there if all deviations had the heavy tails of a core's own.
    """
    grid, hidden = DISTANCE_GRID_MM[1:], distance[:, 1:]
    location, scale = hidden_width(growth, grid, typical_distance(DISTANCE_GRID_MM, distance))
    spread = np.hypot(scale, np.hypot(*shared_spreads(growth=growth)))[:, None]
    expected, apart = np.log(grid) - location, np.linspace(-12.0, 12.0, 481)
    beyond = 1 - ring_model().tails.cdf(apart)
    low, high = np.zeros(len(growth)), np.full(len(growth), np.log(MOST_RINGS))
    for _ in range(10):  # to within one in a hundred
        middle = (low + high) / 2  # P(ln M > middle), from that at every distance
        more = (hidden * np.interp((middle[:, None] - expected) / spread, apart, beyond)).sum(axis=1) > _BEYOND
        low, high = np.where(more, middle, low), np.where(more, high, middle)
    return np.asarray(np.clip(np.ceil(np.exp(high)) + 2, 3, MOST_RINGS), dtype=np.int64)
