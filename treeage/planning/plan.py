"""What cores of a kind of tree will tell: depth and chance of the pith, width of dates, trees for a stand's history.

By simulation: virtual trees of the kind are cored and read, and the engine dates them under each plan. Own derivation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from treeage import priors
from treeage.display import Result, counted
from treeage.errors import Fault, InputError, public, require_nonnegative, require_positive, require_seed, show
from treeage.estimate import Shared, StandStates, date_trees, height_models, prepare, read_cores, share, stand_states
from treeage.height import HeightModel, height_model
from treeage.planning.aim import Aim, Way, is_conifer
from treeage.planning.places import axis_mm, lean_shift, prior_places
from treeage.pmf import Mass, Pmf, freeze_arrays, keeps_tables
from treeage.schema import Dating, HeightChoice
from treeage.simulate import Coring, Reading, Scenario, SimulatedStand, Species, Stem, simulate_stand
from treeage.tables import Field

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

TREES = 60  # choice: virtual trees of a plan; the median of the widths then errs by some 8 %
LOW_HEIGHT_M = 0.3  # choice: the lower height that is compared
SEEDLINGS = (0, 3, 10)
RING_MM = 1.2  # choice: mean ring width where no folder tells one
PULSE_SD_YEARS = 8.0  # choice: spread of the dates of one wave of establishment, as in the virtual stands
BACKGROUND_YEARS = 120.0  # choice: the trees that are not of the wave came evenly in these years about the event
STAND_SIZES = (5, 10, 20, 40, 80, 160)
PLACED = {"A": "one core", "AB": "two cores at a right angle", "AC": "two opposite cores"}
_LEARNERS = 40  # choice: virtual cores that teach the shared errors where no folder does
_STATES = 10  # choice: states of the shared errors; the widths are the same as with forty
_REFITS = 12  # choice: virtual sets of seedlings for each number of them
_STANDS = 2000  # choice: virtual stands behind the figures of a stand
_YEAR = 2000  # of the outermost ring; any year gives the same widths


@keeps_tables
@dataclass(frozen=True, eq=False)
class CoringPlan(Result):
    """What to expect of cores of a kind of tree.

    Parameters
    ----------
    species : str
        The species.
    diameter_cm, core_height_m, borer_mm : float
        Diameter outside bark at the coring height, that height, and the length of the borer.
    reach : tuple of Way
        From where the borer enters: depths from the bark at which the pith is passed, and chances.
    missed_rings : tuple of int
        Rings missed by one core that is not driven again: half of the cores miss at most the first, nine of ten the
        second.
    widths : pandas.DataFrame
        One row a plan: cores, core_height_m, dating, seedlings, width_years (90 % interval of the establishment date:
        half of the trees have a narrower one), width_most_years (nine of ten have).
    stand : pandas.DataFrame
        One row a number of trees and of seedlings: widths of 90 % intervals of pulse_date_years,
        share_after_event_percent and origin_years, for one crossdated core a tree.
    from_folder : bool
        Whether a folder's own experience replaced the priors.
    wanted_years : float
        The width of the pulse date that `trees_needed` is about.
    trees_needed : mapping of int to float
        Trees for that width by number of seedlings; infinite where shared errors alone are wider.
    """

    species: str
    diameter_cm: float
    core_height_m: float
    borer_mm: float
    reach: tuple[Way, ...]
    missed_rings: tuple[int, int]
    widths: pd.DataFrame
    stand: pd.DataFrame
    from_folder: bool
    wanted_years: float
    trees_needed: Mapping[int, float]

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def width(self, cores: str, dating: str = "crossdated", seedlings: int = 0, *, low: bool = False) -> float:
        """Median width [years] of one plan: cores as in PLACED, dating crossdated or lab_count."""
        table = self.widths
        height = table["core_height_m"].min() if low else table["core_height_m"].max()
        chosen = table[(table["cores"] == cores) & (table["dating"] == dating) & (table["seedlings"] == seedlings)]
        found = chosen.loc[chosen["core_height_m"] == height, "width_years"]
        if not len(found):
            got = f"{show(cores)}, {show(dating)}, {show(seedlings)} seedlings"
            raise InputError(Fault(got, "a row of widths", "See CoringPlan.widths.", "CoringPlan.width", 0, "cores"))
        return float(found.iloc[0])

    def sentence(self) -> str:
        """Depth and chances, what narrows the date most, and how many trees."""
        best, one = max(self.reach, key=lambda way: way.chance_hit), PLACED["A"]
        more = {
            "a second core opposite": self.width(PLACED["AC"]),
            "a second core at a right angle": self.width(PLACED["AB"]),
            f"coring at {self.widths['core_height_m'].min():g} m": self.width(one, low=True),
            "ten seedlings": self.width(one, seedlings=10),
        }
        now = round(self.width(one))
        better = [(width, name) for name, width in more.items() if round(width) < now]
        told = "; instead with " + ", ".join(f"{name} {width:.0f}" for width, name in sorted(better)) if better else ""
        trees, rest = self.trees_needed[0], self.trees_needed[SEEDLINGS[-1]]
        need = (
            f"{counted(round(trees), 'tree')} should date a pulse within {self.wanted_years:g} years"
            if np.isfinite(trees)
            else f"no number of trees dates a pulse within {self.wanted_years:g} years without seedlings"
        )
        if rest < trees:
            need += f", with ten seedlings {rest:.0f} do"
        elif not np.isfinite(trees):
            need += " or with ten"
        return (
            f"{self.species}, {self.diameter_cm:g} cm, cored at {self.core_height_m:g} m {best.name}: the borer has "
            f"passed the pith at {best.depths_mm[0]:.0f} mm from the bark in half of the trees and at "
            f"{best.depths_mm[1]:.0f} mm in nine of ten; the core holds it in {100 * best.chance_hit:.0f} % and shows "
            f"pith or arcs in {100 * best.chance_arcs:.0f} %. One crossdated core dates half of the trees within "
            f"{now} years (90 % interval), one that is counted within "
            f"{self.width(one, Dating.LAB_COUNT.value):.0f}{told}. In a stand {need}."
        )

    def to_frame(self) -> pd.DataFrame:
        """The widths, one row a plan."""
        return self.widths


@public
def plan_coring(
    species: str,
    diameter_cm: float,
    *,
    tilt: tuple[float, float] = (0.0, 0.0),
    core_height_m: float = 1.0,
    borer_mm: float = 400.0,
    wanted_years: float = 10.0,
    field: Field | None = None,
    seed: int = 0,
) -> CoringPlan:
    """Tell before coring what cores of a kind of tree will tell.

    Parameters
    ----------
    species : str
        Scientific name, or a genus.
    diameter_cm : float
        Diameter outside bark at the coring height [cm], above 0.
    tilt : tuple of float, default (0, 0)
        Slope of the ground [%] and lean of the stem from upright [degrees], each at least 0.
    core_height_m : float, default 1.0
        Coring height above the root collar [m], above 0.
    borer_mm : float, default 400
        Length of the borer [mm], above 0.
    wanted_years : float, default 10
        Wanted width of the 90 % interval of a pulse's date [years], above 0.
    field : Field, optional
        A folder whose own experience of aim, eccentricity, sight, widths and heights replaces the priors.
    seed : int, default 0
        Seed of the simulation.

    Returns
    -------
    CoringPlan
        Depths, chances, widths of dates, and trees for a stand.

    Raises
    ------
    InputError
        If a number is out of its range, field is not a Field, or virtual trees of the kind are beyond the limits of the
        tables.
    ModelError
        If no height model reaches the coring height.

    Notes
    -----
    Sixty virtual trees of about this diameter are cored three times at right angles, with the simulator's aim, short
    cores, rot and readings, and `date_trees` dates them from one core or two, with ring tables (crossdated) or a count
    and a mean width of ten rings (counted). Years to the coring height come from open data on young trees, or from the
    folder; seedlings are drawn from that model and fitted with it. For a stand, trees are drawn of which half came in
    one wave with a spread of eight years; shared errors (height model, growth) move all trees together. Fails where
    stems are far from round, where rot is commoner, and where trees died since.

    References
    ----------
    .. [1] Own derivation; sources of every number in `priors` and `simulate`.

    Examples
    --------
    >>> plan = plan_coring("Larix decidua", 30, seed=1)
    >>> plan.width("two opposite cores") < plan.width("one core")
    True
    """
    where = "plan_coring"
    require_positive(where, diameter_cm=diameter_cm, core_height_m=core_height_m, borer_mm=borer_mm,
                     wanted_years=wanted_years)  # fmt: skip
    require_nonnegative(where, tilt=list(tilt))
    if len(tilt) != 2:
        do = "Pass tilt=(30, 5), for example."
        raise InputError(Fault(show(tilt), "slope [%] and lean [degrees]", do, where, 0, "tilt"))
    seed = require_seed(where, seed)
    if field is not None and not isinstance(field, Field):
        raise InputError(Fault(show(field), "a Field", "Pass read_field(folder).", where, 0, "field"))
    try:
        return plan_of(_Kind(species, diameter_cm, tilt, core_height_m, borer_mm, field), wanted_years, seed, TREES)
    except InputError as error:
        faults = error.faults[error.faults["file"].isin(["trees", "cores", "rings"])].to_dict("records")
        if not faults or not str(species).strip():
            raise
        got = f"{diameter_cm:g} cm, cored at {core_height_m:g} m by a borer of {borer_mm:g} mm"
        told = "{column} of a virtual one: got {got}, need {need}".format_map(faults[0])
        need = f"a kind of tree that tables can hold ({told})"
        raise InputError(Fault(got, need, "Check the units.", where, 0, "diameter_cm")) from error


# ------------------------------------------------------------------ the kind of tree


@dataclass(frozen=True, eq=False)
class _Kind:
    """A kind of tree and what is known of it."""

    species: str
    diameter_cm: float
    tilt: tuple[float, float]
    core_height_m: float
    borer_mm: float
    field: Field | None

    @property
    def radius_mm(self) -> float:
        """Inside-bark radius."""
        return 5 * self.diameter_cm * (1 - priors.BARK_SHARE.value)


@dataclass(frozen=True, eq=False)
class _Known:
    """What a folder, or a virtual one, tells of aim, stems, growth and heights."""

    states: StandStates
    ring_mm: float
    rot_share: float
    height: HeightModel
    young: pd.DataFrame


def plan_of(kind: _Kind, wanted_years: float, seed: int, trees: int) -> CoringPlan:
    """The plan from a number of virtual trees."""
    rng = np.random.default_rng(seed)
    known = _known(kind, seed)
    stand = virtual_trees(kind, known, trees, seed)
    told = {
        (which, dating): _piths(stand, which, dating, known)
        for dating in (Dating.CROSSDATED, Dating.LAB_COUNT)
        for which in PLACED
    }
    piths = {plan: own for plan, (own, _) in told.items()}
    heights = sorted({kind.core_height_m, min(LOW_HEIGHT_M, kind.core_height_m / 2)}, reverse=True)
    years = _years(kind, known, heights, rng)
    alone, moved = told["A", Dating.CROSSDATED]
    missed = stand.truth["cores"].loc[stand.tables["cores"]["core"].to_numpy() == "A", "missed_rings"]
    models = {number: years[kind.core_height_m, number] for number in SEEDLINGS}
    table = _stand_table(alone, models, rng, moved)
    return CoringPlan(
        species=kind.species,
        diameter_cm=kind.diameter_cm,
        core_height_m=kind.core_height_m,
        borer_mm=kind.borer_mm,
        reach=_reach(kind, known),
        missed_rings=(int(missed.quantile(0.5)), int(missed.quantile(0.9))),
        widths=_width_table(piths, years),
        stand=table,
        from_folder=kind.field is not None,
        wanted_years=wanted_years,
        trees_needed=_needed(alone, models, wanted_years, moved),
    )


def _known(kind: _Kind, seed: int) -> _Known:
    """What the folder tells; without one what a virtual folder of single cores tells of itself."""
    model = height_model({"model": HeightChoice.OPEN_DATA.value}, species=kind.species)
    if kind.field is None:
        teachers = virtual_trees(kind, None, _LEARNERS, seed + 1)
        _, shared, _ = prepare(field_of(teachers, "A", Dating.CROSSDATED))
        return _Known(shared.states, RING_MM, Coring().rot_share, model, teachers.tables["seedlings"].iloc[:0])
    cores, shared, _ = prepare(kind.field)
    same = cores.species == kind.species
    widths = cores.mean_width_mm[same] if same.any() else cores.mean_width_mm
    ring_mm = float(np.nanmedian(widths)) if np.isfinite(widths).any() else RING_MM
    young = kind.field.seedlings[kind.field.seedlings["species"] == kind.species]
    model = shared[kind.species].height if kind.species in shared.species else model
    return _Known(shared.states, ring_mm, float((cores.inner_end == "rot").mean()), model, young)


def virtual_trees(kind: _Kind, known: _Known | None, trees: int, seed: int) -> SimulatedStand:
    """Virtual trees of a kind, each cored three times at right angles and crossdated."""
    aim = 1.0 if known is None else float(np.exp(known.states.node_weights @ known.states.aim.aim))
    off = 1.0 if known is None else float(np.exp(known.states.node_weights @ known.states.aim.eccentricity))
    rings = max(20, round(kind.radius_mm / (RING_MM if known is None else known.ring_mm)))
    first = _YEAR - rings - 10
    species = Species(kind.species, ring_mm=1.0, bark_share=priors.BARK_SHARE.value / (1 - priors.BARK_SHARE.value))
    recipe = Scenario(
        name="kind", note="", trees=trees, outer_year=_YEAR, first_year=first - rings // 10, last_year=first,
        fewest_rings=15, species=(species,), pulses=(), stem=Stem(offset_mean=priors.ECCENTRICITY.value * off),
        coring=Coring(3, 90.0, kind.core_height_m, 0.02, aim_sd_deg=3.0 * aim, borer_mm=kind.borer_mm,
                      rot_share=Coring().rot_share if known is None else known.rot_share),
        reading=Reading(1.0, 0.0, measured_share=1.0), plots=1, seedlings_per_species=0,
    )  # fmt: skip
    radius = float(simulate_stand(recipe, seed=seed).truth["cores"]["inside_radius_mm"].median())
    wider = replace(species, ring_mm=kind.radius_mm / radius)
    return simulate_stand(replace(recipe, species=(wider,)), seed=seed)


def field_of(stand: SimulatedStand, which: str, dating: Dating, seedlings: pd.DataFrame | None = None) -> Field:
    """The field with some cores of each tree, crossdated with ring tables, or counted with a mean of ten rings."""
    cores, rings = (stand.tables[name] for name in ("cores", "rings"))
    cores, rings = cores[cores["core"].isin(list(which))], rings[rings["core"].isin(list(which))]
    more: dict[str, Any] = {} if seedlings is None or seedlings.empty else {"seedlings": seedlings}
    settings = replace(stand.field_settings(), height={})
    if dating == Dating.CROSSDATED:
        return Field.from_frames(stand.tables["trees"], cores, rings, settings=settings, **more)
    inner = rings[rings["width_mm"] > 0].groupby(["tree", "core"], sort=False).head(10)
    mean = inner.groupby(["tree", "core"])["width_mm"].mean().rename("mean").reset_index()
    joined = cores.merge(mean, on=["tree", "core"], how="left")
    cores = cores.assign(dating=dating.value, inner_width_mm=joined["mean"].round(2).to_numpy(),
                         inner_width_rings=np.minimum(10.0, cores["rings_counted"]))  # fmt: skip
    return Field.from_frames(stand.tables["trees"], cores, settings=settings, **more)


def _piths(stand: SimulatedStand, which: str, dating: Dating, known: _Known) -> tuple[list[Pmf], float]:
    """Pith year of every tree that one plan dates, and the sd [years] by which all of them move together."""
    cores = read_cores(field_of(stand, which, dating))
    name = str(cores.species[0])
    states = known.states
    place = states.place[np.linspace(0, len(states) - 1, _STATES).round().astype(np.int64)]
    used, place = np.unique(place, return_inverse=True)
    own = share(cores, {name: height_model({"model": "none"})}, {}, from_stand=True)
    spread = own[name].growth
    growth = spread.at(spread.stand_sd * _even_normal(place.size))
    species = {name: replace(own[name], growth=replace(growth, place=place))}
    shared = Shared(species, stand_states(cores, states.aim.take(used), states.level[used], place))
    dated = list(date_trees(cores, shared).values())
    means = np.mean([tree.added.mass @ np.arange(tree.added.size) for tree in dated], axis=0)
    moved = float(np.sqrt(growth.stand_weights @ (means - growth.stand_weights @ means) ** 2))
    return [Pmf(tree.added.start, growth.stand_weights @ tree.added.mass).negate().trim() for tree in dated], moved


def _even_normal(number: int) -> Array:
    """Evenly likely standard normal values, in an order that no other state has."""
    from scipy.special import ndtri

    steps = (np.arange(number) * 7) % number
    return np.asarray(ndtri((steps + 0.5) / number))


def _years(
    kind: _Kind, known: _Known, heights: Sequence[float], rng: np.random.Generator
) -> dict[tuple[float, int], list[Mass]]:
    """Years to each height by shared value, by number of seedlings more: as many models as virtual sets of them."""
    found = {(height, 0): [known.height.years_given_shared(height)] for height in heights}
    for number in SEEDLINGS[1:]:
        top, levels = 1.3 * kind.core_height_m, (np.arange(_REFITS) + 0.5) / _REFITS
        sets = [seedlings_like(known.height, kind.species, number, top, level=float(at), rng=rng) for at in levels]
        pooled = bool(known.height.grade)
        models = [with_seedlings(kind.species, known.young, young, pooled=pooled) for young in sets]
        found |= {(height, number): [model.years_given_shared(height) for model in models] for height in heights}
    return found


def seedlings_like(
    model: HeightModel, species: str, number: int, top_m: float, *, level: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Young trees of one virtual stand as a height model expects them; slower at a higher level (0 to 1)."""
    import pandas as pd

    order = np.argsort(model.passing_years(min(1.0, top_m)).mean(axis=1), kind="stable")
    state = int(order[int(level * order.size)])
    heights = np.round(top_m * (np.arange(number) + rng.random(number)) / number + 0.1, 2)
    cells = [model.passing_years(float(height))[state] for height in heights]
    ages = [int(own[rng.integers(own.size)]) + 1 for own in cells]
    return pd.DataFrame({"species": species, "height_m": heights, "age_years": np.maximum(ages, 1).astype(float)})


def with_seedlings(species: str, own: pd.DataFrame, more: pd.DataFrame, *, pooled: bool) -> HeightModel:
    """The height model that a folder makes of its own young trees and some more.

    Open data stay in it where they were: own young trees sharpen them.
    """
    import pandas as pd

    young: Any = pd.concat([own, more], ignore_index=True) if len(own) else more
    if pooled:
        return height_model({"model": HeightChoice.OPEN_DATA.value}, seedlings=young, species=species)
    trees = pd.DataFrame({"tree": ["1"], "species": [species]})
    core = {"tree": "1", "core": "A", "outer_year": _YEAR, "rings_counted": 50, "dating": "crossdated",
            "inner_end": "pith", "core_height_m": 1.0}  # fmt: skip
    return height_models(Field.from_frames(trees, pd.DataFrame([core]), seedlings=young))[species]


# ------------------------------------------------------------------ tables


def _reach(kind: _Kind, known: _Known) -> tuple[Way, ...]:
    """Chances and depths by where the borer enters: the sides differ where the pith is shifted."""
    slope, lean = kind.tilt
    shift = lean_shift(is_conifer(kind.species), (slope, 0.0), (lean, 0.0))
    radius = kind.radius_mm
    weights, errors = known.states.node_weights, known.states.aim
    masses = np.stack([prior_places(radius, float(each), shift) for each in errors.eccentricity])
    aim = Aim(axis_mm(radius), 5 * kind.diameter_cm, errors, weights, priors.CORE_WIDTH.value)
    sides = {"from any side": 0.0}
    if shift.spread < 1:
        sides = {"from the upper side": 180.0, "from the lower side": 0.0, "across the slope or lean": 90.0}
    ways = [aim.way(name, masses, entry, 0.0) for name, entry in sides.items()]
    return tuple(_within(way, aim, masses, kind.borer_mm) for way in ways)


def _within(way: Way, aim: Aim, masses: Array, borer_mm: float) -> Way:
    """The same with a borer that may be too short."""
    share = aim.reached(masses, way.entry_deg, borer_mm)
    return replace(way, chance_hit=way.chance_hit * share, chance_arcs=way.chance_arcs * share)


def _width_table(piths: Mapping[tuple[str, Dating], list[Pmf]], years: Mapping[tuple[float, int], list[Mass]]) -> Any:
    """Width of the 90 % interval of the establishment date under every plan."""
    import pandas as pd

    rows = []
    for (which, dating), trees in piths.items():
        for (height, number), models in years.items():
            later = [Pmf(own.start, own.mass.mean(axis=0)).trim(1e-6) for own in models]
            ends = [tree.convolve(own.negate()).interval(0.9) for own in later for tree in trees]
            width = np.array([high - low for low, high in ends])
            rows.append((PLACED[which], height, dating.value, number, np.median(width), np.quantile(width, 0.9)))
    columns = ["cores", "core_height_m", "dating", "seedlings", "width_years", "width_most_years"]
    return pd.DataFrame(rows, columns=columns)


def _spreads(piths: Sequence[Pmf], models: Sequence[Mass], moved: float) -> tuple[float, float]:
    """Standard deviations of a tree's own and of the shared error of its date [years], by the median tree.

    moved: what the piths share, which is in their masses too.
    """
    means = [own.start + own.mass @ np.arange(own.size) for own in models]
    squares = [(own.start + np.arange(own.size)) ** 2 @ own.mass.T for own in models]
    shared = float(np.sqrt(np.mean([mean.var() for mean in means])))
    within = float(np.mean([(square - mean**2).mean() for square, mean in zip(squares, means, strict=True)]))
    own = max(float(np.median([pith.var() for pith in piths])) - moved**2, 0.0)
    return float(np.sqrt(own + within)), float(np.hypot(shared, moved))


def _stand_table(
    piths: Sequence[Pmf], years: Mapping[int, list[Mass]], rng: np.random.Generator, together: float = 0.0
) -> Any:
    """Widths of 90 % intervals of what a stand's trees tell together, by numbers of trees and seedlings."""
    import pandas as pd

    rows = []
    for number, models in years.items():
        own, shared = _spreads(piths, models, together)
        moved = shared * rng.standard_normal((_STANDS, 1))
        shape = 1.5**2  # of the gamma lag after an event (choice: mean one and a half times the spread)
        lag = rng.gamma(shape, PULSE_SD_YEARS / np.sqrt(shape), (_STANDS, max(STAND_SIZES)))
        other = BACKGROUND_YEARS * (rng.random(lag.shape) - 0.5)
        error = moved + own * rng.standard_normal(lag.shape)
        mixed = np.where(rng.random(lag.shape) < 0.5, lag, other) + error
        for trees in STAND_SIZES:
            pulse = (lag + error)[:, :trees].mean(axis=1)
            after = 100 * (mixed[:, :trees] > 0).mean(axis=1)
            oldest = (lag + error)[:, :trees].min(axis=1)
            rows.append(
                (number, trees, *(float(np.ptp(np.quantile(each, [0.05, 0.95]))) for each in (pulse, after, oldest)))
            )
    columns = ["seedlings", "trees", "pulse_date_years", "share_after_event_percent", "origin_years"]
    return pd.DataFrame(rows, columns=columns)


def _needed(
    piths: Sequence[Pmf], years: Mapping[int, list[Mass]], wanted_years: float, together: float = 0.0
) -> dict[int, float]:
    """Trees for a width of the pulse's date: (spread squared + own error squared) / (wanted variance less shared)."""
    needed = {}
    for number, models in years.items():
        own, shared = _spreads(piths, models, together)
        left = (wanted_years / (2 * 1.645)) ** 2 - shared**2
        needed[number] = float(np.ceil((PULSE_SD_YEARS**2 + own**2) / left)) if left > 0 else float("inf")
    return needed
