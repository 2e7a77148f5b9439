"""Where to set the borer for the next core of a tree, from what its cores showed, and how likely it meets the pith.

Own derivation on the places of `planning.places`; the learned states of the field stand for its aim and its stems.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from treeage import priors
from treeage.display import Result, counted
from treeage.distance import AimErrors, unseen_share
from treeage.errors import Fault, InputError, public, require_field, require_positive, show
from treeage.estimate import Cores, Shared, prepare
from treeage.height import HEIGHT_APART_M
from treeage.planning.places import (
    SeenCore,
    axis_mm,
    core_evidence,
    drift_deg,
    lean_shift,
    prior_places,
    seen_from,
)
from treeage.pmf import freeze_arrays
from treeage.priors import data_rows
from treeage.schema import InnerEnd, genus_of

if TYPE_CHECKING:
    import pandas as pd

    from treeage.tables import Field

Array = NDArray[np.float64]

LEAST_APART_DEG = 45.0  # choice: nearer to an older hole the wood may be stained, and the view of the pith is the same
MOST_TURNED_DEG = 20.0  # choice: a borer set further from the way to the centre slips and distorts the rings
_ROUND_DEG, _TURN_DEG = 5.0, 0.25  # choice: steps of the search
_DRIFTS = (np.arange(41) + 0.5) / 41  # choice: evenly likely errors of a borer's direction
_LEAST = 1e-5  # choice: places that hold less than this of the likeliest are left out
DEPTHS = (0.5, 0.9)  # choice: probabilities of having passed the pith at the depths that are told
NO_CORE, OPPOSITE, RIGHT_ANGLE, AIMED = "no core yet", "straight opposite", "at a right angle", "aimed"


@dataclass(frozen=True)
class Way:
    """One way to take the next core, and its chances."""

    name: str
    entry_deg: float  # where the borer enters, clockwise from north or from the first core
    turn_deg: float  # to the right of the way to the stem's centre, seen from the bark inwards
    depths_mm: tuple[float, ...]  # from the bark, for DEPTHS
    chance_hit: float
    chance_arcs: float  # pith or readable arcs


@dataclass(frozen=True, eq=False)
class SecondCore(Result):
    """Where the pith of a tree lies, and where to set the borer for the next core.

    Parameters
    ----------
    tree : str
        The tree.
    entries_deg : mapping of str to float
        Where the cores taken entered [degrees], clockwise from north; from the first core where `relative`.
    relative : bool
        Whether the direction of the first core is not known, so that it stands for 0.
    radius_mm, bark_mm : float
        Inside-bark radius at the coring height and single bark [mm].
    axis_mm : numpy.ndarray, shape (n,)
        East, and north, of the places from the geometric centre [mm].
    mass : numpy.ndarray, shape (n, n)
        Probability of each place of the pith (east, north); sums to 1.
    ways : tuple of Way
        Aimed, straight opposite, at a right angle, and without what the cores tell.
    core_width_mm : float
        Width of a core [mm]; a hit has the pith within half of it.
    notes : tuple of str
        What was assumed.
    """

    tree: str
    entries_deg: Mapping[str, float]
    relative: bool
    radius_mm: float
    bark_mm: float
    axis_mm: Array
    mass: Array
    ways: tuple[Way, ...]
    core_width_mm: float
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def __getitem__(self, name: str) -> Way:
        for way in self.ways:
            if way.name == name:
                return way
        raise KeyError(f"SecondCore: got {name!r}, need one of {', '.join(way.name for way in self.ways)}")

    @property
    def best(self) -> Way:
        """The way to take the next core."""
        return self[AIMED]

    @property
    def round_deg(self) -> float:
        """From the first core clockwise round the stem, seen from above [degrees]."""
        return float((self.best.entry_deg - next(iter(self.entries_deg.values()))) % 360)

    @property
    def round_mm(self) -> float:
        """The same along the bark [mm], the shorter way."""
        return float(np.deg2rad(min(self.round_deg, 360 - self.round_deg)) * (self.radius_mm + self.bark_mm))

    def sentence(self) -> str:
        """Where to set the borer, and what that promises."""
        best, first = self.best, next(iter(self.entries_deg))
        way = "clockwise" if self.round_deg <= 180 else "anticlockwise"
        side = "right" if best.turn_deg > 0 else "left"
        turned = f"{counted(round(abs(best.turn_deg)), 'degree')} to the {side} of the centre"
        point = "straight at the stem's centre" if abs(best.turn_deg) < 0.5 else turned
        compass = "" if self.relative else f" (bearing {(best.entry_deg + 180 + best.turn_deg) % 360:.0f} degrees)"
        return (
            f"Tree {self.tree}: go {min(self.round_deg, 360 - self.round_deg):.0f} degrees {way} round the stem from "
            f"core {first}, {self.round_mm / 10:.0f} cm along the bark, point the borer {point}{compass}, level, and "
            f"bore {best.depths_mm[-1]:.0f} mm deep from the bark. Pith within the core: "
            f"{100 * best.chance_hit:.0f} %, pith or readable arcs: {100 * best.chance_arcs:.0f} %. Straight opposite: "
            f"{100 * self[OPPOSITE].chance_hit:.0f} and {100 * self[OPPOSITE].chance_arcs:.0f} %; had the first core "
            f"shown nothing: {100 * self[NO_CORE].chance_hit:.0f} and {100 * self[NO_CORE].chance_arcs:.0f} %."
        )

    def to_frame(self) -> pd.DataFrame:
        """One row a way: way, round_deg, entry_deg, turn_deg, depth_50_mm, depth_90_mm, chance_hit, chance_arcs."""
        import pandas as pd

        first = next(iter(self.entries_deg.values()))
        rows = []
        for way in self.ways:
            depths = {f"depth_{100 * level:.0f}_mm": at for level, at in zip(DEPTHS, way.depths_mm, strict=True)}
            place = {"way": way.name, "round_deg": (way.entry_deg - first) % 360, "entry_deg": way.entry_deg}
            chances = {"chance_hit": way.chance_hit, "chance_arcs": way.chance_arcs}
            rows.append({**place, "turn_deg": way.turn_deg, **depths, **chances})
        return pd.DataFrame(rows)


# ------------------------------------------------------------------ one tree


@public
def aim_second_core(field: Field, tree: str, *, core_width_mm: float | None = None) -> SecondCore:
    """Tell where the pith of a tree lies in its cross-section, and where to set the borer for the next core.

    Parameters
    ----------
    field : Field
        From `read_field`; a field of one tree will do.
    tree : str
        The tree, which has at least one core.
    core_width_mm : float, default `priors.CORE_WIDTH`
        Width of the cores of the borer [mm].

    Returns
    -------
    SecondCore
        Places of the pith, the best way of the next core with its chances, and other ways to compare.

    Raises
    ------
    InputError
        If field is not a Field, the tree has no core in it, or the width is not above 0.
    ModelError
        As from `estimate_ages`.

    Notes
    -----
    Before any core the pith lies off the geometric centre by a normal offset of the usual size (`priors.ECCENTRICITY`
    and what the field's cores tell of it); in conifers on a slope or with a lean, where `aspect_deg` or
    `lean_azimuth_deg` is given, it is shifted uphill. Every core at the same height then multiplies each place by the
    probability of what it shows: its length against the radius, pith, arcs or none, readings of arcs, and, where they
    are written down, the side on which the pith lies (`arc_side`) and the arc's axis (`arc_angle_deg`). A borer is
    aimed at the centre, with a normal error of its direction of about three degrees. The best way maximises the chance
    that the pith lies within half the core's width, at least 45 degrees from older cores, or as far from them as there
    is room. Cores at another height, or without a direction beside one that has it, are left out, which a note says.
    Fails where the outline is
    far from round, and where the pith wanders between the heights of the cores.

    References
    ----------
    .. [1] Own derivation. Koch, Cote, Schlieter & Day 1990, USDA FS Research Paper INT-420 (abstract): side of
       compression wood.

    Examples
    --------
    >>> import pandas as pd
    >>> from treeage.tables import Field
    >>> trees = pd.DataFrame({"tree": ["A1"], "species": ["Larix decidua"], "core_diameter_cm": [33], "bark_mm": [15]})
    >>> core = {"tree": "A1", "core": "a", "outer_year": 2024, "rings_counted": 120, "dating": "crossdated",
    ...     "inner_end": "arcs", "core_height_m": 1.0, "core_length_mm": 148, "azimuth_deg": 0, "chord_mm": 20,
    ...     "rise_mm": 2.6, "arc_side": "right", "arc_angle_deg": 90}
    >>> found = aim_second_core(Field.from_frames(trees, pd.DataFrame([core])), "A1")
    >>> found.best.chance_hit > 1.5 * found["straight opposite"].chance_hit
    True
    """
    require_field("aim_second_core", field)
    width = priors.CORE_WIDTH.value if core_width_mm is None else core_width_mm
    require_positive("aim_second_core", core_width_mm=width)
    cores, shared, _ = prepare(field)
    return aim_from(cores, shared, field, tree, width)


def aim_from(cores: Cores, shared: Shared, field: Field, tree: str, core_width_mm: float) -> SecondCore:
    """The same from a field that is prepared."""
    rows = cores.rows_of.get(str(tree), ())
    if not rows:
        known = ", ".join(sorted(cores.rows_of)[:5]) + ", ..." * (len(cores.rows_of) > 5)
        fault = Fault(show(tree), "a tree with a core in cores.csv", f"Name one of them: {known}.",
                      "aim_second_core", 0, "tree")  # fmt: skip
        raise InputError(fault)
    rows = _usable(cores, rows)
    relative = not np.isfinite(cores.azimuth_deg[rows[0]])
    entries = {str(cores.core[row]): 0.0 if relative else float(cores.azimuth_deg[row]) for row in rows}
    radius = float(cores.ends.assumed_mm[rows[0]])
    bark = float(cores.bark_mm[rows[0]])
    bark = bark if np.isfinite(bark) else radius * priors.BARK_SHARE.value / (1 - priors.BARK_SHARE.value)
    errors, weights = shared.states.aim, shared.states.node_weights
    stem = field.trees[field.trees["tree"] == str(tree)].iloc[0]
    shift = lean_shift(
        is_conifer(str(stem["species"])),
        (float(stem["slope_percent"]), float("nan") if relative else float(stem["aspect_deg"])),
        (float(stem["lean_deg"]), float("nan") if relative else float(stem["lean_azimuth_deg"])),
    )
    prior = np.stack([prior_places(radius, float(each), shift) for each in errors.eccentricity])
    masses = prior.copy()
    for row, core in zip(rows, _seen(field, cores, rows, entries), strict=True):
        masses *= core_evidence(core, cores.ends.take(np.array([row])), errors, radius)
    total = masses.sum(axis=(1, 2), keepdims=True)
    masses = np.where(total > 0, masses / np.where(total > 0, total, 1.0), prior)
    aim = Aim(axis_mm(radius), radius + bark, errors, weights, core_width_mm)
    best = aim.best(masses, list(entries.values()))
    first = next(iter(entries.values()))
    ways = (
        aim.way(AIMED, masses, *best),
        aim.way(OPPOSITE, masses, (first + 180) % 360, 0.0),
        aim.way(RIGHT_ANGLE, masses, (first + 90) % 360, 0.0),
        aim.way(NO_CORE, prior, (first + 180) % 360, 0.0),
    )
    mixed = np.einsum("k,kxy->xy", weights, masses)
    notes = _notes(cores, rows, relative=relative, shifted=shift.spread < 1, empty=bool((total <= 0).any()))
    notes += _left(cores, cores.rows_of[str(tree)], rows)
    return SecondCore(str(tree), entries, relative, radius, bark, aim.axis, mixed, ways, core_width_mm, notes)


def _usable(cores: Cores, rows: tuple[int, ...]) -> tuple[int, ...]:
    """Cores of a tree in one cross-section whose direction is known; else the first alone."""
    first = min(rows, key=lambda row: (not np.isfinite(cores.azimuth_deg[row]), row))
    if not np.isfinite(cores.azimuth_deg[first]):
        return (first,)
    near = np.abs(cores.height_m[list(rows)] - cores.height_m[first]) <= HEIGHT_APART_M
    return tuple(row for row, same in zip(rows, near, strict=True) if same and np.isfinite(cores.azimuth_deg[row]))


def _seen(field: Field, cores: Cores, rows: tuple[int, ...], entries: Mapping[str, float]) -> list[SeenCore]:
    """Direction, side and axis of the cores."""
    table = field.cores.iloc[cores.line[list(rows)]]
    sides = [{"right": 1, "left": -1}.get(str(word), 0) for word in table["arc_side"]]
    angles = table["arc_angle_deg"].to_numpy(dtype=np.float64)
    return [SeenCore(*own) for own in zip(entries.values(), sides, angles.tolist(), strict=True)]


def is_conifer(species: str) -> bool | None:
    """Whether a genus is a conifer; None where it is not known."""
    genus = genus_of(species)
    return next((row["clade"] == "conifer" for row in data_rows("tree_families.csv") if row["genus"] == genus), None)


def _left(cores: Cores, every: tuple[int, ...], rows: tuple[int, ...]) -> tuple[str, ...]:
    """What was left out of the tree's cores, and whether there is room for another, in words."""
    out = [str(cores.core[row]) for row in every if row not in rows]
    at = f"{cores.height_m[rows[0]]:g} m"
    words = (
        f"this is at {at}, where core {cores.core[rows[0]]} is; left out: core {', '.join(out)}, at another height or "
        "of unknown direction (azimuth_deg): keep away from its hole"
    )
    crowded = _places([float(each) for each in np.nan_to_num(cores.azimuth_deg[list(rows)])])[1].max() < LEAST_APART_DEG
    return (words,) * bool(out) + (
        f"no place is {LEAST_APART_DEG:g} degrees from all older cores: the wood may be stained",
    ) * bool(crowded)


def _places(entries: list[float]) -> tuple[Array, Array]:
    """Entries that are tried round the stem [degrees], and how far each lies from the nearest older core."""
    places = np.arange(0, 360, _ROUND_DEG) + entries[0] % _ROUND_DEG
    return places, np.abs((places[:, None] - np.array(entries) + 180) % 360 - 180).min(axis=1)


def _notes(cores: Cores, rows: tuple[int, ...], *, relative: bool, shifted: bool, empty: bool) -> tuple[str, ...]:
    """What was assumed, in words."""
    ends = [cores.inner_end[row] for row in rows]
    told = {
        "the direction of the first core is not known (azimuth_deg): turns are from that core, slope and lean are left "
        "out": relative,
        "the pith is taken to lie on the upper side: compression wood makes rings widest below (conifer)": shifted,
        "what the cores show cannot be together: they were left out": empty,
        "the radius is assumed, as no diameter was measured": not np.isfinite(cores.radius_mm[rows[0]]),
        "a core already holds the pith: another core checks the count, not the pith": InnerEnd.PITH in ends,
        "a core ended in rot: the next may meet the same rot wherever it is aimed": InnerEnd.ROT in ends,
    }
    return tuple(words for words, holds in told.items() if holds)


# ------------------------------------------------------------------ the next core


@dataclass(frozen=True, eq=False)
class Aim:
    """What the next core of a stem may do."""

    axis: Array
    outside_mm: float
    errors: AimErrors
    weights: Array  # of the nodes
    width_mm: float

    def best(self, masses: Array, entries: list[float]) -> tuple[float, float]:
        """Entry and turn of the likeliest hit, by the mean over the nodes."""
        mixed = np.einsum("k,kxy->xy", self.weights, masses)
        drift = float(np.exp(self.weights @ np.log([drift_deg(float(each)) for each in self.errors.aim])))
        found = (-1.0, 0.0, 0.0)
        turns = np.arange(-MOST_TURNED_DEG, MOST_TURNED_DEG + _TURN_DEG / 2, _TURN_DEG)
        edges = np.append(turns - _TURN_DEG / 2, turns[-1] + _TURN_DEG / 2)
        away, half = turns[:, None] - turns[None, :], np.rad2deg(self.width_mm / 2 / self.outside_mm)
        near = ndtr((away + half) / drift) - ndtr((away - half) / drift)
        likely = mixed > _LEAST * mixed.max()
        places, apart = _places(entries)
        for entry in places[apart >= min(LEAST_APART_DEG, float(apart.max())) - 1e-9]:
            angle, distance = seen_from(float(entry), self.outside_mm, self.axis)
            wider = mixed[likely] * self.outside_mm / distance[likely]  # a near pith fills more of the error
            hits = near @ np.histogram(angle[likely], edges, weights=wider)[0]
            place = int(hits.argmax())
            found = max(found, (round(float(hits[place]), 6), float(entry) % 360, float(turns[place])))
        return found[1], found[2]

    def way(self, name: str, masses: Array, entry_deg: float, turn_deg: float) -> Way:
        """Chances and depths of one way, over the nodes."""
        angle, distance = seen_from(entry_deg, self.outside_mm, self.axis)
        hit = arcs = 0.0
        for node, weight in enumerate(self.weights):
            if weight > 0:
                turn = turn_deg + drift_deg(float(self.errors.aim[node])) * ndtri(_DRIFTS)
                own = self._chances(
                    masses[node], np.deg2rad(angle - turn_deg), distance, np.deg2rad(turn - turn_deg), node
                )
                hit, arcs = hit + weight * own[0], arcs + weight * own[1]
        mixed = np.einsum("k,kxy->xy", self.weights, masses).ravel()
        deep = (distance * np.cos(np.deg2rad(angle - turn_deg))).ravel()
        order = np.argsort(deep)
        total = np.cumsum(mixed[order])
        depths = tuple(float(deep[order][min(int(np.searchsorted(total, level)), deep.size - 1)]) for level in DEPTHS)
        return Way(name, entry_deg, turn_deg, depths, float(hit), float(arcs))

    def reached(self, masses: Array, entry_deg: float, borer_mm: float) -> float:
        """Chance that a borer aimed at the centre reaches the depth of the pith."""
        angle, distance = seen_from(entry_deg, self.outside_mm, self.axis)
        deep = distance * np.cos(np.deg2rad(angle))
        step = float(self.axis[1] - self.axis[0])
        passed = np.clip((borer_mm - deep) / step + 0.5, 0.0, 1.0)  # a place is a cell
        return float((np.einsum("k,kxy->xy", self.weights, masses) * passed).sum())

    def _chances(self, mass: Array, angle: Array, distance: Array, drift: Array, node: int) -> tuple[float, float]:
        """Chance of the pith, and of pith or arcs, at one node."""
        step = float(self.axis[1] - self.axis[0])
        aside, ahead = distance * np.sin(angle), distance * np.cos(angle)
        place = np.floor(aside / step).astype(np.int64)
        place -= place.min()
        own = np.bincount(place.ravel(), mass.ravel())
        kept = own > _LEAST * own.max()
        means = [np.bincount(place.ravel(), (mass * each).ravel())[kept] / own[kept] for each in (aside, ahead)]
        own = own[kept] / own[kept].sum()
        miss = np.abs(means[0][:, None] * np.cos(drift) - means[1][:, None] * np.sin(drift))
        # a strip of places, and an error that stands for its neighbours, are spread evenly about their middle
        blur = np.hypot(step, np.gradient(ahead.mean() * np.sin(drift)))
        low, high = miss - blur / 2, miss + blur / 2
        within = np.clip((np.minimum(high, self.width_mm / 2) - np.maximum(low, -self.width_mm / 2)) / blur, 0.0, 1.0)
        seen = 1 - unseen_share(np.maximum(miss, 0.05), self.errors.sight[node], self.errors.overlooked[node])
        each = 1 / drift.size
        return float(own @ within.sum(axis=1) * each), float(own @ (within + (1 - within) * seen).sum(axis=1) * each)
