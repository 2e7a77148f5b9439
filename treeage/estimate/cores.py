"""From the rows of cores.csv to what the engine needs of each core: distance mass, inner growth, count error.

No model of its own: it chooses among `distance`, `rings` and `counting`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from treeage import priors
from treeage.counting import count_error_mass
from treeage.distance import (
    DISTANCE_GRID_MM,
    aimed_core_density,
    arc_likelihood,
    circle_likelihood,
    common_arcs_likelihood,
    conflict_probability,
    direct_likelihood,
    distance_mass,
    inside_radius,
    point_likelihood,
    radial_length,
    ray_likelihood,
    short_core_density,
    unseen_curvature,
)
from treeage.rings import InnerGrowth, inner_growth, inner_growth_from_means, ring_model

if TYPE_CHECKING:
    from treeage.tables import Field

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Adder = Callable[[str, Flags, Array], None]

_SOURCE_CONFLICT = 0.01  # choice: two sources of one core are reported below this predictive p value
HEIGHT_APART_M = 0.01  # choice: cores closer in height than this share one pith year
_DEFAULT_RADIUS_MM = 150.0  # choice: radius assumed for the miss of an aimed core when the tree has no diameter at all


@dataclass(frozen=True)
class CoreFacts:
    """Cores of a field as arrays, in the order of cores.csv.

    Parameters
    ----------
    table : pandas.DataFrame
        cores.csv with the columns of the core's tree joined on.
    length_mm : numpy.ndarray, shape (n_core,)
        Horizontal green length inside bark [mm]; NaN where not measured.
    radius_mm, radius_sd_mm : numpy.ndarray, shape (n_core,)
        Inside-bark radius at the coring height and its standard deviation [mm]; NaN without a diameter.
    distance : numpy.ndarray, shape (n_core, n_grid)
        Mass of the distance to the pith; a row of zeros where nothing bounds it.
    widths_mm : list of numpy.ndarray
        Visible widths of each core, innermost first, horizontal; empty without a ring table.
    methods : list of str
        What the distance rests on, in words.
    flags : list of set of str
        What a reader must know about the core.
    records : list of dict
        The rows of the table.
    """

    table: pd.DataFrame
    length_mm: Array
    radius_mm: Array
    radius_sd_mm: Array
    distance: Array
    widths_mm: list[Array]
    methods: list[str]
    flags: list[set[str]]
    records: list[dict[str, Any]]


def core_facts(field: Field) -> CoreFacts:
    """Gather what is known about every core.

    Parameters
    ----------
    field : Field
        A checked field.

    Returns
    -------
    CoreFacts
        In the order of cores.csv.
    """
    table = field.cores.merge(field.trees, on="tree", how="left", suffixes=("", "_tree"))
    flags: list[set[str]] = [set() for _ in range(len(table))]
    shrinkage = field.settings.shrinkage_percent
    tilt = np.abs(column_numbers(table, "tilt_deg", 0.0))
    length = column_numbers(table, "core_length_mm", np.nan)
    length = np.where(np.isfinite(length), radial_length(np.nan_to_num(length), tilt_deg=tilt), np.nan)
    radius, radius_sd = _radius(table, field.settings.breast_height_m, flags)
    widths = _widths(field, table, tilt, shrinkage)
    distance, methods = _distances(field, table, length, radius, radius_sd, widths, flags)
    return CoreFacts(table, length, radius, radius_sd, distance, widths, methods, flags, table_records(table))


def column_numbers(table: pd.DataFrame, name: str, default: float = float("nan")) -> Array:
    """Numbers of a column, with a default for empty cells and absent columns.

    Parameters
    ----------
    table : pandas.DataFrame
        Any table.
    name : str
        Column.
    default : float, optional
        What an empty cell stands for.

    Returns
    -------
    numpy.ndarray, shape (n_row,)
        As floats.

    Examples
    --------
    >>> column_numbers(pd.DataFrame({"tilt_deg": [5.0, None]}), "tilt_deg", 0.0).tolist()
    [5.0, 0.0]
    """
    if name not in table:
        return np.full(len(table), default)
    values = pd.to_numeric(table[name], errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    return np.where(np.isfinite(values), values, default)


def table_records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a table as dictionaries.

    Parameters
    ----------
    table : pandas.DataFrame
        Any table with text column names.

    Returns
    -------
    list of dict
        One a row.

    Examples
    --------
    >>> table_records(pd.DataFrame({"tree": ["A1"]}))
    [{'tree': 'A1'}]
    """
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def _mark(flags: list[set[str]], rows: Flags, word: str) -> None:
    for row in np.flatnonzero(rows):
        flags[row].add(word)


def _radius(table: pd.DataFrame, breast_height_m: float, flags: list[set[str]]) -> tuple[Array, Array]:
    """Inside-bark radius at the coring height from the best diameter there is."""
    diameter = column_numbers(table, "core_diameter_cm", np.nan)
    dbh = column_numbers(table, "dbh_cm", np.nan)
    above = column_numbers(table, "dbh_height_m", breast_height_m) - column_numbers(table, "core_height_m", np.nan)
    scaled = np.isnan(diameter) & np.isfinite(dbh)
    diameter = np.where(scaled, dbh + priors.TAPER.value * above, diameter)
    known = np.isfinite(diameter) & (diameter > 0)
    radius, radius_sd = np.full((2, len(table)), np.nan)
    bark, bark_sd = column_numbers(table, "bark_mm", np.nan), column_numbers(table, "bark_sd_mm", np.nan)
    if known.any():
        radius[known], radius_sd[known] = inside_radius(diameter[known], bark[known], bark_sd[known])
    taper_sd = 5.0 * priors.TAPER_SD.value * np.abs(above)
    radius_sd = np.where(scaled, np.hypot(radius_sd, taper_sd), radius_sd)
    radius = np.where(radius > 0, radius, np.nan)
    _mark(flags, scaled & known, "diameter_from_breast_height")
    _mark(flags, np.isnan(bark) & known, "bark_from_published_share")
    return radius, radius_sd


def _widths(field: Field, table: pd.DataFrame, tilt: Array, shrinkage: float) -> list[Array]:
    """Visible widths, horizontal and green, innermost first."""
    measured: Mapping[tuple[str, str], Array] = field.ring_widths()
    scale = np.cos(np.deg2rad(tilt)) / (1 - shrinkage / 100)
    empty = np.zeros(0)
    keys = zip(table["tree"], table["core"], strict=True)
    return [measured.get(key, empty) * factor for key, factor in zip(keys, scale, strict=True)]


def _distances(
    field: Field,
    table: pd.DataFrame,
    length: Array,
    radius: Array,
    radius_sd: Array,
    widths: list[Array],
    flags: list[set[str]],
) -> tuple[Array, list[str]]:
    """Mass of the distance for every core, and what it rests on."""
    end = table["inner_end"].to_numpy(dtype=object)
    sources = _sources(field, table, widths)
    seen = np.zeros(len(table), dtype=bool)
    for rows, _ in sources.values():
        seen |= rows
    seen &= end != "pith"
    hidden = ~seen & (end != "pith")
    density = np.zeros((len(table), DISTANCE_GRID_MM.size))
    by_length = hidden & np.isfinite(radius) & np.isfinite(length)
    if by_length.any():
        density[by_length] = short_core_density(radius[by_length], radius_sd[by_length], length[by_length])
    visible = np.array([width.sum() for width in widths])
    assumed = np.where(np.isfinite(radius), radius, np.where(visible > 0, visible, np.nan_to_num(length)))
    assumed = np.where(assumed > 0, assumed, _DEFAULT_RADIUS_MM)
    if seen.any():
        spread = np.where(np.isfinite(radius_sd), radius_sd, assumed / 3)  # choice: no diameter, a third of the guess
        density[seen] = aimed_core_density(
            assumed[seen], spread[seen], np.where(np.isfinite(radius), length, np.nan)[seen]
        )
    density[end == "pith"] = 0.0
    no_arcs = hidden & (end == "no_arcs")
    likelihoods = [_spread_rows(rows, values) for rows, values in sources.values()]
    likelihoods.append(_spread_rows(no_arcs, unseen_curvature(int(no_arcs.sum()))))
    mass = distance_mass(density, likelihoods)
    excluded = seen & (mass.sum(axis=1) <= 0)
    if excluded.any():  # what was seen lies beyond the geometric limit: the wood is believed, the diameter is not
        flat = np.ones_like(density)
        mass[excluded] = distance_mass(flat, likelihoods)[excluded]
        _mark(flags, excluded, "distance_beyond_diameter")
    mass[end == "pith"] = 0.0
    mass[end == "pith", 0] = 1.0
    _report_conflicts(sources, density, flags)
    _mark(flags, by_length, "distance_from_radius")
    _mark(flags, hidden & ~by_length, "distance_unknown")
    _mark(flags, seen & ~np.isfinite(radius), "no_diameter")
    _mark(flags, np.isin(end, ("rot", "broken")) & ~seen, "inner_end_lost")
    methods = []
    for row in range(len(table)):
        words = [name for name, (rows, _) in sources.items() if rows[row]]
        fallback = "pith on the core" if end[row] == "pith" else "radius less core length" if by_length[row] else "none"
        methods.append(" and ".join(words) if words and end[row] != "pith" else fallback)
    return mass, methods


def _spread_rows(rows: Flags, values: Array) -> Array:
    out = np.ones((rows.size, DISTANCE_GRID_MM.size))
    out[rows] = values
    return out


def _sources(field: Field, table: pd.DataFrame, widths: list[Array]) -> dict[str, tuple[Flags, Array]]:
    """Every likelihood that some core has: name, rows, values for these rows."""
    found: dict[str, tuple[Flags, Array]] = {}

    def add(name: str, rows: Flags, values: Array) -> None:
        if rows.any():
            found[name] = (rows, values)

    _add_arcs(field, table, widths, add)
    circle, step = (
        column_numbers(table, "circle_radius_mm", np.nan),
        column_numbers(table, "circle_step_mm", priors.CIRCLE_STEP.value),
    )
    rows = np.isfinite(circle)
    add("template circle", rows, circle_likelihood(circle[rows], step[rows]) if rows.any() else circle)
    gap, angle = column_numbers(table, "ray_gap_mm", np.nan), column_numbers(table, "ray_angle_deg", np.nan)
    angle_sd = column_numbers(table, "ray_angle_sd_deg", priors.RAY_ANGLE_SD.value)
    rows = np.isfinite(gap) & np.isfinite(angle)
    add("rays", rows, ray_likelihood(gap[rows], angle[rows], angle_sd[rows]) if rows.any() else gap)
    direct = column_numbers(table, "distance_mm", np.nan)
    default_sd = np.maximum(1.0, priors.DIRECT_SHARE.value * np.nan_to_num(direct))
    direct_sd = column_numbers(table, "distance_sd_mm", np.nan)
    direct_sd = np.where(np.isfinite(direct_sd), direct_sd, default_sd)
    rows = np.isfinite(direct)
    add("distance read", rows, direct_likelihood(direct[rows], direct_sd[rows]) if rows.any() else direct)
    _add_points(field, table, widths, add)
    return found


def _beyond(widths: Array, ring: int) -> float:
    """How far the inner boundary of a ring lies outside that of ring 1 [mm]; NaN where widths are missing."""
    if ring <= 1:
        return 0.0
    return float(widths[: ring - 1].sum()) if widths.size >= ring - 1 else float("nan")


def _add_arcs(field: Field, table: pd.DataFrame, widths: list[Array], add: Adder) -> None:
    """The arc of cores.csv; with those of arcs.csv it shares the roundness of its core's rings."""
    chord, rise = column_numbers(table, "chord_mm"), column_numbers(table, "rise_mm")
    reading = column_numbers(table, "arc_sd_mm", priors.ARC_SD.value)
    own = np.isfinite(chord) & np.isfinite(rise)
    place = {key: at for at, key in enumerate(zip(table["tree"], table["core"], strict=True))}
    more_sd = column_numbers(field.arcs, "arc_sd_mm", priors.ARC_SD.value)
    arcs: dict[int, list[tuple[float, float, float, float]]] = {}
    for at, arc in enumerate(table_records(field.arcs)):
        core = place.get((arc["tree"], arc["core"]), -1)
        beyond = _beyond(widths[core], int(arc["ring"])) if core >= 0 else float("nan")
        if np.isfinite(beyond):
            first = [(chord[core], rise[core], reading[core], 0.0)] if own[core] else []
            arcs.setdefault(core, first).append((arc["chord_mm"], arc["rise_mm"], float(more_sd[at]), beyond))
    several = np.zeros(len(table), dtype=bool)
    several[list(arcs)] = True
    rows = own & ~several
    add("arc", rows, arc_likelihood(chord[rows], rise[rows], reading[rows]) if rows.any() else chord)
    values = np.ones((len(table), DISTANCE_GRID_MM.size))
    for core, read in arcs.items():
        chords, rises, errors, places = np.array(read, dtype=np.float64).T
        values[core] = common_arcs_likelihood(chords, rises, errors, beyond_mm=places)
    add("several arcs", several, values[several])


def _add_points(field: Field, table: pd.DataFrame, widths: list[Array], add: Adder) -> None:
    """Digitised ring boundaries of points.csv."""
    rows, values = np.zeros(len(table), dtype=bool), np.ones((len(table), DISTANCE_GRID_MM.size))
    place = {key: at for at, key in enumerate(zip(table["tree"], table["core"], strict=True))}
    for key, points in field.points.groupby(["tree", "core"], sort=False):
        core = place.get((key[0], key[1]), -1)
        boundary = points[points["ring"] >= 1]
        enough = boundary.groupby("ring").size().max() if len(boundary) else 0
        if core < 0 or enough < 3:
            continue
        beyond = _beyond(widths[core], int(boundary["ring"].min()))
        if not np.isfinite(beyond):
            continue
        ring, along, across = (boundary[name].to_numpy() for name in ("ring", "x_mm", "y_mm"))
        values[core] = point_likelihood(ring, along, across, beyond_mm=beyond)
        rows[core] = True
    add("digitised boundaries", rows, values[rows])


def _report_conflicts(sources: dict[str, tuple[Flags, Array]], density: Array, flags: list[set[str]]) -> None:
    """Flag cores whose sources disagree more than their errors allow."""
    names = list(sources)
    full = {name: _spread_rows(*sources[name]) for name in names}
    flat = np.maximum(density, 1e-12)
    for one in range(len(names)):
        for two in range(one + 1, len(names)):
            both = sources[names[one]][0] & sources[names[two]][0]
            if both.any():
                first = distance_mass(flat[both], [full[names[one]][both]])
                second = distance_mass(flat[both], [full[names[two]][both]])
                odd = np.zeros_like(both)
                odd[both] = conflict_probability(first, second) < _SOURCE_CONFLICT
                _mark(flags, odd, "distance_sources_disagree")


Ints = NDArray[np.int64]

MOST_RINGS = 6000  # choice: more missed rings than any tree has


@dataclass(frozen=True)
class CoreInputs:
    """Everything the engine needs of each core, as arrays.

    Parameters
    ----------
    innermost_year : numpy.ndarray of int, shape (n_core,)
        outer year - rings counted + 1.
    distance : numpy.ndarray, shape (n_core, n_grid)
        Mass of the distance to the pith.
    growth : InnerGrowth
        Visible growth of each core.
    count_start : int
        First count error.
    count : numpy.ndarray, shape (n_core, n_error)
        Mass of the count errors.
    bound_only : numpy.ndarray of bool, shape (n_core,)
        The core bounds the pith year and says nothing else.
    most_rings : numpy.ndarray of int, shape (n_core,)
        Missed rings beyond which next to nothing lies.
    """

    innermost_year: Ints
    distance: Array
    growth: InnerGrowth
    count_start: int
    count: Array
    bound_only: NDArray[np.bool_]
    most_rings: Ints


def core_inputs(facts: CoreFacts) -> CoreInputs:
    """Choose the visible growth of each core and lay out its count error and distance.

    Parameters
    ----------
    facts : CoreFacts
        Gathered facts; the flags of cores whose widths had to be guessed are extended.

    Returns
    -------
    CoreInputs
        Arrays in the order of cores.csv.
    """
    table = facts.table
    counted = table["rings_counted"].to_numpy(dtype=np.int64)
    species = [str(name) for name in table["species"]]
    growth, known = _growth(facts, counted, species)
    dating = table["dating"].to_numpy(dtype=object).astype(str)
    start, count = count_error_mass(counted, dating, genus=species)
    start, count = _lost_rings(facts, dating, start, count)
    at_pith = facts.distance[:, 0] >= 1.0
    bound_only = (facts.distance.sum(axis=1) <= 0) | ~(known | at_pith)
    distance = _no_distance(facts.distance, bound_only)
    innermost = table["outer_year"].to_numpy(dtype=np.int64) - counted + 1
    return CoreInputs(innermost, distance, growth, start, count, bound_only, _most_rings(distance, growth))


def _no_distance(distance: Array, rows: NDArray[np.bool_]) -> Array:
    """Distances with a place holder for cores that only bound the date."""
    out = distance.copy()
    out[rows] = 0.0
    out[rows, 0] = 1.0
    return out


def bound_upper_cores(facts: CoreFacts, inputs: CoreInputs, without_heights: Collection[str]) -> CoreInputs:
    """Let only the lowest cores date a tree where the years between its cores are unknown.

    Parameters
    ----------
    facts : CoreFacts
        All cores; the flags of those that only bound are extended.
    inputs : CoreInputs
        From `core_inputs`.
    without_heights : collection of str
        Species that have no height model.

    Returns
    -------
    CoreInputs
        In these species a core above the lowest one with information only says that the pith below is not younger
        than its innermost ring.

    Notes
    -----
    The stem reached the upper height in the same year or later, by years that nothing is known of.
    """
    bound_only = inputs.bound_only.copy()
    heights = column_numbers(facts.table, "core_height_m")
    concerned = facts.table["species"].isin(list(without_heights)).to_numpy() & ~bound_only
    for rows in facts.table[concerned].groupby("tree", sort=False).indices.values():
        own = np.flatnonzero(concerned)[rows]
        upper = own[heights[own] > heights[own].min() + HEIGHT_APART_M]
        bound_only[upper] = True
        for row in upper:
            facts.flags[row].add("upper_core_bounds")
    return replace(inputs, bound_only=bound_only, distance=_no_distance(inputs.distance, bound_only))


def _growth(facts: CoreFacts, counted: Ints, species: list[str]) -> tuple[InnerGrowth, NDArray[np.bool_]]:
    """Visible growth from the best source of each core: ring table, inner width, length, radius."""
    table = facts.table
    measured = np.array([widths.size > 0 and widths.sum() > 0 for widths in facts.widths_mm])
    inner = column_numbers(table, "inner_width_mm")
    rings = np.where(
        np.isfinite(column_numbers(table, "inner_width_rings")), column_numbers(table, "inner_width_rings"), 10.0
    )
    expected = facts.distance @ DISTANCE_GRID_MM
    from_length = facts.length_mm / counted
    from_radius = np.maximum(facts.radius_mm - expected, 0.2 * facts.radius_mm) / counted
    mean = np.where(np.isfinite(inner), inner, np.where(np.isfinite(from_length), from_length, from_radius))
    count = np.where(np.isfinite(inner), np.minimum(rings, counted), counted)
    for row in np.flatnonzero(~measured & ~np.isfinite(inner) & (facts.distance[:, 0] < 1.0)):
        facts.flags[row].add("width_from_length" if np.isfinite(from_length[row]) else "width_from_diameter")
    known = measured | np.isfinite(mean)
    for row in np.flatnonzero(~known & (facts.distance[:, 0] < 1.0)):
        facts.flags[row] -= {"width_from_diameter"}
        facts.flags[row].add("no_ring_width")
    mean = np.where(np.isfinite(mean) & (mean > 0), mean, 1.0)
    plain = inner_growth_from_means(mean, count, genus=species)
    if not measured.any():
        return plain, known
    rows = np.flatnonzero(measured)
    exact = inner_growth([facts.widths_mm[row] for row in rows], genus=[species[row] for row in rows])
    return _replaced(plain, rows, exact), known


def _replaced(growth: InnerGrowth, rows: Ints, better: InnerGrowth) -> InnerGrowth:
    features, count = growth.features.copy(), growth.ring_count.copy()
    features[rows], count[rows] = better.features, better.ring_count
    return InnerGrowth(features, count, growth.genus)


def _lost_rings(facts: CoreFacts, dating: NDArray[np.str_], start: int, count: Array) -> tuple[int, Array]:
    """Widen counted cores by the uncertainty of the rings lost outside, which their outer year rests on."""
    spread = np.nan_to_num(column_numbers(facts.table, "outer_lost_sd"))
    spread = np.where(dating == "crossdated", 0.0, spread)
    if not (spread > 0).any():
        return start, count
    reach = lost_kernel(float(spread.max())).size // 2
    wide = np.zeros((count.shape[0], count.shape[1] + 2 * reach))
    for row in range(count.shape[0]):
        kernel = lost_kernel(float(spread[row]))
        ahead = reach - kernel.size // 2
        wide[row, ahead : wide.shape[1] - ahead] = np.convolve(count[row], kernel)
    return start - reach, wide


def lost_kernel(spread: float) -> Array:
    """Mass of the error of a number of lost rings on whole rings, 0 in the middle.

    Parameters
    ----------
    spread : float
        Standard deviation of the number [rings], at least 0.

    Returns
    -------
    numpy.ndarray, shape (2 * reach + 1,)
        A normal on whole rings, to four standard deviations.

    Examples
    --------
    >>> lost_kernel(0.0).tolist(), lost_kernel(1.0).size
    ([1.0], 9)
    """
    reach = int(np.ceil(4 * spread))
    if reach == 0:
        return np.ones(1)
    kernel = np.diff(ndtr((np.arange(-reach, reach + 2) - 0.5) / spread))
    return np.asarray(kernel / kernel.sum())


def _most_rings(distance: Array, growth: InnerGrowth) -> Ints:
    """Missed rings beyond which about one in a hundred thousand lies."""
    model = ring_model()
    total = np.cumsum(distance, axis=1)
    high = DISTANCE_GRID_MM[np.minimum((total < 1 - 1e-5).sum(axis=1), DISTANCE_GRID_MM.size - 1)]
    high = np.maximum(high, 0.05)
    location = np.array([model.location(growth, high[[0]])[0, 0]]) if len(high) == 1 else _own_location(growth, high)
    reach = 3.0 * np.hypot(model.tree_sd, model.stand_sd) + 7.0 * model.own_scale(growth, high)
    rings = np.exp(np.log(high) - location + reach)
    rings = np.where(distance[:, 0] >= 1.0, 1, rings)
    most: Ints = np.clip(np.ceil(rings) + 2, 3, MOST_RINGS).astype(np.int64)
    return most


def _own_location(growth: InnerGrowth, distance_mm: Array) -> Array:
    """Expected log hidden width of each core at its own distance."""
    model = ring_model()
    knots = np.exp(np.linspace(np.log(0.05), np.log(DISTANCE_GRID_MM[-1]), 24))
    table = model.location(growth, knots)
    at = np.clip((np.log(distance_mm / knots[0]) / np.log(knots[1] / knots[0])).astype(int), 0, knots.size - 1)
    rows = np.arange(len(distance_mm))
    return np.asarray(np.minimum(table[rows, at], table[rows, np.minimum(at + 1, knots.size - 1)]))
