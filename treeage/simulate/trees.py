"""Virtual trees and their cores: dates, height growth, ring widths, and the geometry of a core in its stem.

Own derivation: pulses, a species height curve with shared and tree-to-tree factors, log widths that are stationary in
the log ring number, straight cores aimed at the geometric centre of a stem with an eccentric pith.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from treeage.errors import Fault, InputError, show
from treeage.height import HeightCurve, height_curve, whole_seasons
from treeage.schema import WidthsTaken, Word


class CountErrors(Word):
    """Absent and false rings and mistakes drawn ring by ring, or the count error of the counting module."""

    EVENTS = "events"
    DEFAULT = "default"
    __repr__ = str.__repr__


@dataclass(frozen=True)
class Species:
    """One species of a virtual stand."""

    name: str  # scientific name, as in the species column
    share: float = 1.0  # of the trees, scaled over all species
    years_to_1m: float = 10.0  # median passing time of 1 m [seasons] (choice; high pastures are slow)
    asymptote_m: float = 25.0  # of the height curve A (1 - exp(-k t))**p (choice)
    height_shape: float = 1.4  # exponent p of the height curve (choice; above 1 starts slowly)
    shared_height_sd: float = 0.1  # sd of the log passing time shared by the species in this stand (choice)
    tree_height_sd: float = 0.25  # the same from tree to tree: 0.15-0.25 open-grown, 0.4-0.6 understorey (judgement)
    ring_mm: float = 1.4  # median width of the first rings (choice)
    bark_share: float = 0.08  # single bark of the inside-bark radius (choice near 0.91 inside/outside of Douglas-fir)
    absent_factor: float = 1.0  # on the rate of absent rings: occasional in Larix, very rare in Picea (St. George, Ault
    # & Torbenson, AGU Fall Meeting 2012, abstract PP21B-1977)


@dataclass(frozen=True)
class Pulse:
    """One wave of establishment after an event; what the shares of the waves leave of 1 is background."""

    year: int
    event: str  # what happened, as in the event column
    share: float  # of all trees
    delay_mean_yr: float = 12.0  # from the event to establishment, gamma; 10 to 50 years after fire are common in
    delay_sd_yr: float = 8.0  # published dates; the defaults are a choice


@dataclass(frozen=True)
class Wood:
    """How ring widths vary, so that the log ratio of hidden to visible width is that of the measured widths.

    The slow parts are set to the measured spread of that ratio, about 0.11-0.15 (stand), 0.17-0.20 (tree) and 0.30-0.33
    (core) at 2 to 40 mm, the same at every distance: a process that is stationary in the logarithm of the ring number.
    """

    level_sd: float = 0.25  # sd of the log mean width from tree to tree (choice)
    trend_drop: float = 0.4  # fall of the log width with the time constant below (choice: the measured log ratio has a
    trend_years: float = 80.0  # mean near 0, so the trend is weak)
    stand_sd: float = 0.14  # slow part shared by the stand, by ring number
    tree_sd: float = 0.18  # slow part shared by the tree
    core_sd: float = 0.32  # slow part of the core alone
    core_outer: float = 1.0  # share of it that is left far from the pith; the demo's cores keep all
    core_aside: float = (
        0.0  # share of its variance that turns with the azimuth, so that opposite cores deviate oppositely
    )
    memory: float = 0.45  # correlation length of the slow parts in the logarithm of the ring number
    tail_df: float = 4.5  # of the t of the slow parts: the log ratio then has the measured kurtosis of about 4.2
    signal_sd: float = 0.20  # yearly signal shared by the stand (choice)
    signal_ar: float = 0.3  # its autocorrelation (choice)
    tree_year_sd: float = 0.10  # yearly deviations of a tree; with the signal, first differences of log widths have
    core_year_sd: float = 0.18  # the measured standard deviation of about 0.33
    year_ar: float = 0.4  # autocorrelation of the yearly deviations


@dataclass(frozen=True)
class Stem:
    """The shape of stems."""

    offset_mean: float = 0.13  # pith from the centre as a share of the inside-bark radius: 0.12 Scots pine (Renvall
    # 1923, doi:10.14214/aff.7092), 0.09 lodgepole pine (Koch, Cote, Schlieter & Day 1990, INT-420), 0.14 from two cores
    # at a right angle (derived from Woodall 2008, Tree-Ring Research 64); all abstracts
    slope_ratio: float = 1.0  # spread of the offset along the slope by that across it; 1 is isotropic
    out_of_round_sd: float = 0.01  # sd of the radius where the core enters, as a share of the mean (choice)
    taper_cm_per_m: float = 1.0  # fall of the diameter with height on a clear stem (common practice)
    slope_percent: float = 35.0  # mean slope of the ground (choice)


@dataclass(frozen=True)
class Coring:
    """How cores are taken; every number without a source is a choice."""

    cores_per_tree: int = 2
    angle_deg: float = 180.0  # between successive cores of a tree seen from above
    height_m: float = 0.9  # mean above the root collar
    height_sd_m: float = 0.1
    second_height_m: float = 0.0  # of every second core; 0 or less: the height of the first
    aim_sd_deg: float = 3.0  # error of the aim at the geometric centre
    hit_share: float = 0.15  # cores driven again until they hold the pith, as some guides ask
    borer_mm: float = 400.0  # longest core, bark included
    past_centre_mm: float = 60.0  # how far beyond the estimated centre the borer goes; textbooks ask for 50 to 80
    core_diameter_mm: float = 5.15  # a usual one
    short_share: float = 0.15  # cores that stop short
    rot_share: float = 0.08  # trees with rot at the pith
    broken_share: float = 0.05  # cores that broke
    short_range: tuple[float, float] = (0.7, 0.97)  # length of a short core as a share of the way to the pith
    rot_range: tuple[float, float] = (0.1, 0.5)  # radius of the rot as a share of the inside-bark radius
    tilt_share: float = 0.1  # cores bored at a tilt
    tilt_sd_deg: float = 8.0


@dataclass(frozen=True)
class Reading:
    """How cores are read; every number without a source is a choice."""

    crossdated_share: float = 0.5  # of the trees
    lab_share: float = 0.3  # trees counted in the laboratory; the others are counted in the field
    count_error: CountErrors = CountErrors.EVENTS
    absent_share: float = 1 / 240  # of the rings, before crown class and species (St. George et al. 2012, abstract)
    false_share: float = 0.01  # false rings per young vigorous ring; they cluster near the pith (Copenheaver, Pokorski,
    # Currie & Abrams 2006, abstract)
    lab_mistakes: tuple[float, float] = (0.006, 0.003)  # rings merged and rings split by the reader, per ring
    field_mistakes: tuple[float, float] = (0.03, 0.008)  # field counts are 1 to 16 years too low (Weisberg & Swanson
    # 2001, Northwest Science 75: 145-156, abstract)
    arc_sd_mm: float = 0.1  # error of a rise; observers agree within 0.1 to 0.2 mm on good wood (Douglass 1919,
    # Carnegie Institution Publication 289)
    roundness_sd: float = 0.1  # of the rise about that of a circle, as a share: rings are no circles
    smallest_rise_mm: float = 0.157  # rise below which no arc is seen: mean over cores
    smallest_rise_sd_mm: float = 0.05
    overlooked_share: float = 0.1  # arcs that nobody looked for
    template_share: float = 0.15  # cores with arcs that are read by template circles
    ray_share: float = 0.1  # by wood rays
    direct_share: float = 0.1  # as a direct distance
    axis_share: float = 0.0  # cores with arcs on which the side of the pith and the arc's axis are written down
    axis_sd_deg: float = 8.0  # error of that axis
    bark_sd_mm: float = 2.0  # error of the bark thickness
    widths_taken: WidthsTaken = WidthsTaken.SQUARE  # how ring widths are measured
    measured_share: float = 0.9  # crossdated and lab-counted cores measured ring by ring; the others have a mean width


LARCH: Final = Species("Larix decidua", 0.45, 9.0, 26.0, 1.4, 0.10, 0.25, 1.4, 0.09, 1.5)
SPRUCE: Final = Species("Picea abies", 0.30, 13.0, 24.0, 1.5, 0.12, 0.30, 1.25, 0.05, 0.3)
STONE_PINE: Final = Species("Pinus cembra", 0.25, 17.0, 20.0, 1.5, 0.12, 0.28, 1.15, 0.07, 0.6)
PASTURE_PULSES: Final = (Pulse(1868, "fire", 0.35, 14.0, 8.0), Pulse(1926, "end of grazing", 0.45, 15.0, 9.0))


@dataclass(frozen=True)
class Scenario:
    """A complete recipe of a virtual stand.

    Parameters
    ----------
    name : str
        Name of the scenario.
    note : str
        What it is, in one sentence for the notes beside the tables.
    trees : int
        Number of trees.
    outer_year : int
        Year of the outermost ring.
    first_year, last_year : int
        Background establishment is spread evenly over these years.
    fewest_rings : int
        Trees have at least this many rings at the coring height.
    species : tuple of Species
        The species.
    pulses : tuple of Pulse
        Waves of establishment.
    wood, stem, coring, reading : Wood, Stem, Coring, Reading
        Growth, stem shape, field and laboratory practice.
    plots : int
        Number of circular plots of 11.28 m radius (400 m2, 25 trees per hectare for each tree).
    seedlings_per_species, pairs_per_species : int
        Young trees measured for height and age, and young trees with rings counted at two heights.
    collar_years_mean : float
        Mean number of years hidden by a buried collar, 0 for none.

    Examples
    --------
    >>> demo = scenario("demo")
    >>> demo.trees, [each.name for each in demo.species]
    (48, ['Larix decidua', 'Picea abies', 'Pinus cembra'])
    """

    name: str = "demo"
    note: str = "Larch, spruce and stone pine on an abandoned high pasture; the place and every number are invented."
    trees: int = 48
    outer_year: int = 2024
    first_year: int = 1790
    last_year: int = 1975
    fewest_rings: int = 30
    species: tuple[Species, ...] = (LARCH, SPRUCE, STONE_PINE)
    pulses: tuple[Pulse, ...] = PASTURE_PULSES
    wood: Wood = Wood()
    stem: Stem = Stem()
    coring: Coring = Coring()
    reading: Reading = Reading()
    plots: int = 4
    seedlings_per_species: int = 24
    pairs_per_species: int = 0
    collar_years_mean: float = 0.0


_LARCHES: Final = Scenario(
    note="Larch on an abandoned high pasture; the place and every number are invented.",
    trees=200,
    species=(replace(LARCH, share=1.0),),
)
_CROSSDATED: Final = Reading(crossdated_share=1.0, lab_share=0.0, measured_share=1.0)
_ALL_ARCS: Final = replace(_CROSSDATED, smallest_rise_mm=0.0, smallest_rise_sd_mm=0.0, overlooked_share=0.0)
_NO_ARCS: Final = replace(_CROSSDATED, overlooked_share=1.0)
_COUNTED: Final = Reading(crossdated_share=0.0, lab_share=0.5)
_SOUND: Final = Coring(hit_share=0.0, short_share=0.0, rot_share=0.0, broken_share=0.0, tilt_share=0.0)
_TO_PITH: Final = replace(_SOUND, hit_share=1.0)
_SHORT: Final = replace(_SOUND, short_share=1.0, short_range=(0.75, 0.97))
_ROT: Final = replace(_SOUND, rot_share=1.0, rot_range=(0.15, 0.5))
_TWO_HEIGHTS: Final = replace(_SOUND, hit_share=0.3, second_height_m=0.3)

_SCENARIOS: Final[Mapping[str, Scenario]] = {
    "demo": Scenario(coring=Coring(short_share=0.25)),
    "pith": replace(_LARCHES, coring=_TO_PITH, reading=_CROSSDATED),
    "arcs": replace(_LARCHES, coring=_SOUND, reading=_ALL_ARCS),
    "short": replace(_LARCHES, coring=_SHORT, reading=_NO_ARCS),
    "rot": replace(_LARCHES, coring=_ROT, reading=_NO_ARCS),
    "counted": replace(_LARCHES, coring=_TO_PITH, reading=_COUNTED),
    "two_heights": replace(_LARCHES, coring=_TWO_HEIGHTS, pairs_per_species=20),
    "mixed": Scenario(trees=200),
    "large": Scenario(trees=5000, plots=400),
}
SCENARIO_NAMES: Final[tuple[str, ...]] = tuple(_SCENARIOS)
"""Names of the scenarios that ship."""


def scenario(name: str) -> Scenario:
    """Look up a scenario that ships.

    Parameters
    ----------
    name : str
        "demo" (48 trees, everything mixed), "pith" (all cores hold the pith, crossdated), "arcs" (all cores
        with arcs), "short" (no arcs, the radius is all there is), "rot", "counted" (not crossdated),
        "two_heights" (second core at 0.3 m), "mixed" (the demo with 200 trees) or "large" (with 5,000
        trees). In "arcs" and "short" every core ends in the same way, as in no real stand: predictive checks
        find that.

    Returns
    -------
    Scenario
        The recipe; change it with dataclasses.replace.

    Raises
    ------
    InputError
        If there is no scenario of that name.

    Examples
    --------
    >>> scenario("pith").coring.hit_share
    1.0
    """
    if name not in _SCENARIOS:
        need = "one of " + ", ".join(SCENARIO_NAMES)
        raise InputError(Fault(show(name), need, "Choose one of these.", "scenario", 0, "name"))
    return replace(_SCENARIOS[name], name=name)


Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Strings = NDArray[np.str_]

CROWN_CLASSES: Final = ("dominant", "codominant", "intermediate", "suppressed")
CROWN_SHARES: Final = (0.25, 0.4, 0.25, 0.1)  # choice
CROWN_GROWTH: Final = (1.25, 1.0, 0.8, 0.6)  # choice: multiplier of the ring width
CROWN_ABSENT: Final = (0.5, 0.8, 2.0, 5.0)  # choice; order and rough ratios follow Lorimer, Dahir & Singer 1999
HIGHEST_TAIL: Final = 2.5  # choice: no series varies more than this many times the usual: no ring is as wide as a hand
OUTER_RINGS: Final = 30.0  # choice: rings from the pith over which the slow part of a core falls to its outer share
FIRST_MEMORY_RINGS: Final = 8.0  # choice: keeps the slow parts smooth over the first rings
FEWEST_VISIBLE: Final = 8  # choice: a core with fewer rings would not be kept
NARROW_YEARS: Final = 1.0  # choice: absent rings are e times likelier one standard deviation down


class Stop(Word):
    """What ended a core; PASSED ran past the point nearest to the pith without holding it."""

    PITH = "pith"
    PASSED = "passed"
    SHORT = "short"
    ROT = "rot"
    BROKEN = "broken"


# ---------------------------------------------------------------------- trees


@dataclass(frozen=True)
class Trees:
    """The trees of a virtual stand as arrays, one element a tree; `species_slowness` has one a species."""

    species_index: Ints  # into the species of the scenario
    establishment_year: Ints  # first growing season
    collar_years: Ints  # hidden by a buried collar
    slowness: Floats  # factor on the passing times, shared part included
    crown_index: Ints  # into CROWN_CLASSES
    level_log: Floats  # log of the ring width level [log mm]
    offset_share: Floats  # (n, 2): pith less geometric centre, along and across the slope, by the inside-bark radius
    event_index: Ints  # pulse of the tree, -1 for background
    species_slowness: Floats  # shared factor on the passing times of each species

    @property
    def count(self) -> int:
        """Number of trees."""
        return self.species_index.size


def growth_curve(species: Species) -> HeightCurve:
    """Median height curve A (1 - exp(-k t))**p of a species; k follows from its median time at 1 m."""
    share = (1.0 / species.asymptote_m) ** (1 / species.height_shape)
    rate = -float(np.log1p(-share)) / species.years_to_1m
    values = {"asymptote": species.asymptote_m, "rate": rate, "shape": species.height_shape}
    return height_curve("chapman_richards", values)


def draw_trees(recipe: Scenario, rng: np.random.Generator) -> Trees:
    """Draw the trees of a stand: everything about them that does not depend on a core.

    Trees that would have too few rings at the coring height are moved back in time to the fewest that the scenario
    allows.
    """
    count = recipe.trees
    shares = np.array([each.share for each in recipe.species])
    species = rng.choice(shares.size, size=count, p=shares / shares.sum())
    shared_sd = np.array([each.shared_height_sd for each in recipe.species])
    species_slowness = np.exp(shared_sd * rng.standard_normal(shares.size))
    tree_sd = np.array([each.tree_height_sd for each in recipe.species])[species]
    slowness = species_slowness[species] * np.exp(tree_sd * rng.standard_normal(count))
    crown = rng.choice(len(CROWN_CLASSES), size=count, p=CROWN_SHARES)
    ring_mm = np.array([each.ring_mm for each in recipe.species])[species]
    level = recipe.wood.level_sd * np.clip(rng.standard_normal(count), -2, 2)
    along = recipe.stem.offset_mean / np.sqrt(np.pi / 2)  # the mean of a Rayleigh length is sd * sqrt(pi / 2)
    spread = along * np.array([recipe.stem.slope_ratio, 1.0]) / np.sqrt((recipe.stem.slope_ratio**2 + 1) / 2)
    offset = np.clip(spread * rng.standard_normal((count, 2)), -0.6, 0.6)  # choice: the pith stays in the stem
    year, event = _establishment(recipe, rng)
    collar = rng.poisson(recipe.collar_years_mean, size=count) if recipe.collar_years_mean > 0 else np.zeros(count, int)
    highest = recipe.coring.height_m + 3 * recipe.coring.height_sd_m
    time = np.array([float(growth_curve(each).age_at(highest)) for each in recipe.species])[species]
    latest = recipe.outer_year + 1 - recipe.fewest_rings - whole_seasons(slowness * time) - collar
    return Trees(
        species_index=species.astype(np.int64), establishment_year=np.minimum(year, latest).astype(np.int64),
        collar_years=collar.astype(np.int64), slowness=slowness, crown_index=crown.astype(np.int64),
        level_log=np.log(ring_mm * np.array(CROWN_GROWTH)[crown]) + level, offset_share=offset, event_index=event,
        species_slowness=species_slowness,
    )  # fmt: skip


def _establishment(recipe: Scenario, rng: np.random.Generator) -> tuple[Ints, Ints]:
    """First growing season of every tree and its wave, -1 for the even background."""
    shares = np.array([pulse.share for pulse in recipe.pulses], dtype=np.float64)
    event = rng.choice(np.arange(-1, shares.size), size=recipe.trees, p=np.concatenate([[1 - shares.sum()], shares]))
    year = rng.integers(recipe.first_year, recipe.last_year + 1, size=recipe.trees)
    for index, pulse in enumerate(recipe.pulses):
        shape = (pulse.delay_mean_yr / pulse.delay_sd_yr) ** 2
        delay = rng.gamma(shape, pulse.delay_mean_yr / shape, size=recipe.trees)
        year = np.where(event == index, pulse.year + 1 + np.floor(delay).astype(np.int64), year)
    return year.astype(np.int64), event.astype(np.int64)


# ---------------------------------------------------------------------- ring widths


def slow_part(rings: int, sd: Floats, memory: float, rng: np.random.Generator) -> Floats:
    """Draw slow deviations of the log ring width, (series, rings), innermost ring first; one sd a series.

    An Ornstein-Uhlenbeck process in x = ln(k + k0), k the ring number: neighbours correlate by exp(-dx / memory).
    """
    log_ring = np.log(np.arange(rings) + FIRST_MEMORY_RINGS)
    keep = np.exp(-np.diff(log_ring) / memory)
    noise = rng.standard_normal((rings, sd.size))
    series = np.empty((rings, sd.size))
    series[0] = noise[0]
    for ring in range(1, rings):
        series[ring] = keep[ring - 1] * series[ring - 1] + np.sqrt(1 - keep[ring - 1] ** 2) * noise[ring]
    return np.asarray((series * sd).T)


def yearly_part(years: int, series: int, sd: float, autocorrelation: float, rng: np.random.Generator) -> Floats:
    """Draw yearly deviations of the log ring width, (series, years), first-order autoregressive."""
    noise = rng.standard_normal((years, series))
    step = np.sqrt(1 - autocorrelation**2)
    for year in range(1, years):
        noise[year] = autocorrelation * noise[year - 1] + step * noise[year]
    return np.asarray(sd * noise.T)


def tail_factor(count: int, df: float, rng: np.random.Generator) -> Floats:
    """Draw factors that turn normal deviations into t deviations of the same standard deviation; df above 2.

    sqrt((df - 2) / chi-squared(df)), cut at HIGHEST_TAIL.
    """
    return np.asarray(np.minimum(np.sqrt((df - 2) / rng.chisquare(df, size=count)), HIGHEST_TAIL))


def _tree_log_widths(trees: Trees, wood: Wood, rings: int, rng: np.random.Generator) -> Floats:
    """Draw the log widths [log mm] that all radii of a tree share, (trees, rings), without signal and trend.

    The first ring is the innermost of the lowest cored section.
    """
    sd = wood.tree_sd * tail_factor(trees.count, wood.tail_df, rng)
    slow = slow_part(rings, sd, wood.memory, rng)
    return trees.level_log[:, None] + slow + yearly_part(rings, trees.count, wood.tree_year_sd, wood.year_ar, rng)


def _trend_log(wood: Wood, rings: int) -> Floats:
    """Trend of the log ring width with the ring number: 0 at the pith, falling by the drop."""
    return np.asarray(-wood.trend_drop * -np.expm1(-np.arange(rings) / wood.trend_years))


# ---------------------------------------------------------------------- cores


@dataclass(frozen=True)
class Sections:
    """The cored cross-sections, one element a core; cores at one height of a tree share their section."""

    tree: Ints  # index of the tree
    number: Ints  # of the core within its tree, from 0
    height_m: Floats  # above the root collar
    years_below: Ints  # years to coring height
    pith_year: Ints  # year of ring 1
    rings: Ints  # from the pith to the bark


@dataclass(frozen=True)
class VirtualCores:
    """The cores as they lie in the stem, one element a core.

    Widths are true radial widths along the core's own radius, innermost first, 0 for absent rings and past the bark.
    """

    sections: Sections  # where they were taken
    section_mm: Floats  # (cores, rings): mean widths of their section, innermost first, 0 past the bark
    widths_mm: Floats  # (cores, rings)
    radius_mm: Floats  # mean inside-bark radius of the section
    azimuth_deg: Floats  # direction of entry
    tilt_deg: Floats
    miss_mm: Floats  # distance of the core's line to the pith
    passes: Flags  # whether the core reaches past the point nearest to the pith
    missed_rings: Ints  # inside the innermost counted ring
    distance_mm: Floats  # from the inner boundary of the innermost counted ring to the pith
    length_mm: Floats  # horizontal, from the last ring to that boundary along the core
    stop: Strings  # words of Stop
    pith_deg: Floats  # direction of the pith from the inner end against the core's axis inwards, right above 0


def draw_cores(recipe: Scenario, trees: Trees, rng: np.random.Generator) -> VirtualCores:
    """Take the cores of a stand: true widths, true distances to the pith and what ended each core.

    The borer enters at the azimuth, aims at the geometric centre with an error and runs on a straight line. A ring
    counts when the line crosses its inner boundary; the core holds the pith when the line passes within half of the
    core's own diameter. Rings are circles about the pith; a core's widths add up to its own radius.
    """
    coring = recipe.coring
    sections = _draw_sections(recipe, trees, rng)
    section_mm, widths = _draw_widths(recipe, trees, sections, rng)
    count = sections.tree.size
    radius = section_mm.sum(axis=1)
    entry = radius * (1 + recipe.stem.out_of_round_sd * rng.standard_normal(count))
    first = rng.uniform(0, 360, trees.count)
    azimuth = (first[sections.tree] + coring.angle_deg * sections.number) % 360
    aim = coring.aim_sd_deg * rng.standard_normal(count)
    pith = trees.offset_share[sections.tree] * radius[:, None]
    along, aside, own = core_line(pith, azimuth_deg=azimuth, aim_deg=aim, entry_mm=entry)
    again = rng.random(count) < coring.hit_share
    along, miss = np.where(again, own, along), np.where(again, 0.0, np.abs(aside))
    widths = widths * (own / widths.sum(axis=1))[:, None]
    reach, stop = _ends(coring, sections, along, miss=miss, radius=radius, again=again, rng=rng)
    passes = stop == Stop.PASSED
    pith_held = passes & (miss <= coring.core_diameter_mm / 2)
    seen = np.where(passes, miss, np.hypot(along - reach, miss))
    missed, distance = _innermost(widths, sections.rings, np.where(pith_held, 0.0, seen))
    across = np.where(pith_held, 0.0, miss)
    tilted = rng.random(count) < coring.tilt_share
    tilt = np.where(tilted, np.clip(coring.tilt_sd_deg * rng.standard_normal(count), -25, 25), 0.0)
    return VirtualCores(
        sections=sections, section_mm=section_mm, widths_mm=widths, radius_mm=radius, azimuth_deg=np.round(azimuth, 0),
        tilt_deg=np.asarray(np.round(tilt, 0), dtype=np.float64), miss_mm=miss, passes=passes, missed_rings=missed,
        distance_mm=distance, length_mm=along - np.sqrt(np.maximum(distance**2 - across**2, 0.0)),
        stop=np.where(pith_held & (missed == 0), Stop.PITH.value, stop),
        pith_deg=np.rad2deg(np.arctan2(np.sign(aside) * miss, np.where(passes, 0.0, along - reach))),
    )  # fmt: skip


def _draw_sections(recipe: Scenario, trees: Trees, rng: np.random.Generator) -> Sections:
    """Choose coring heights and find the pith year at each; the cores of a tree stand next to each other."""
    coring = recipe.coring
    tree = np.repeat(np.arange(trees.count), coring.cores_per_tree)
    number = np.tile(np.arange(coring.cores_per_tree), trees.count)
    first = coring.height_m + coring.height_sd_m * np.clip(rng.standard_normal(trees.count), -2, 3)
    height = np.asarray(np.round(np.maximum(first, 0.1), 2)[tree], dtype=np.float64)
    if coring.second_height_m > 0:
        height = np.where(number % 2 == 1, coring.second_height_m, height)
    time = np.zeros(tree.size)
    for index, each in enumerate(recipe.species):
        own = trees.species_index[tree] == index
        time[own] = growth_curve(each).age_at(height[own])
    below = whole_seasons(time * trees.slowness[tree])
    pith_year = trees.establishment_year[tree] + trees.collar_years[tree] + below
    return Sections(tree, number, height, below, pith_year, recipe.outer_year - pith_year + 1)


def _draw_widths(recipe: Scenario, trees: Trees, sections: Sections, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Draw ring widths [mm], (cores, rings), innermost first: means of the section, and along each core before scaling.

    Log width = trend(ring) + stand(ring) + tree(ring) + signal(year) + core(ring), each slow part stationary in the log
    ring number, each yearly part first-order autoregressive. 0 past the bark, and on the core for absent rings.
    """
    wood, longest = recipe.wood, int(sections.rings.max())
    lowest = np.full(trees.count, np.iinfo(np.int64).max)
    np.minimum.at(lowest, sections.tree, sections.pith_year)
    ring = np.arange(longest)
    offset = (sections.pith_year - lowest[sections.tree])[:, None] + ring
    inside = ring < sections.rings[:, None]
    tree_part = _tree_log_widths(trees, wood, longest, rng)
    stand = slow_part(longest, np.array([wood.stand_sd]), wood.memory, rng)[0] + _trend_log(wood, longest)
    signal = yearly_part(longest, 1, wood.signal_sd, wood.signal_ar, rng)[0]
    year = sections.pith_year[:, None] + ring - (recipe.outer_year - longest + 1)
    log_section = tree_part[sections.tree[:, None], np.minimum(offset, longest - 1)] + stand
    yearly = signal[np.clip(year, 0, longest - 1)]
    log_section += yearly
    core_sd = wood.core_sd * tail_factor(sections.tree.size, wood.tail_df, rng)
    core_year = yearly_part(longest, sections.tree.size, wood.core_year_sd, wood.year_ar, rng)
    log_core = log_section + _core_slow(recipe, sections, longest, core_sd, rng) + core_year
    species_factor = np.array([each.absent_factor for each in recipe.species])[trees.species_index]
    usual = recipe.reading.absent_share * (species_factor * np.array(CROWN_ABSENT)[trees.crown_index])[sections.tree]
    down = -(yearly + core_year) / np.hypot(wood.signal_sd, wood.core_year_sd)
    chance = usual[:, None] * np.exp(NARROW_YEARS * down - NARROW_YEARS**2 / 2)
    absent = (rng.random(chance.shape) < chance) & inside & (ring > 0) & (ring < sections.rings[:, None] - 1)
    core_mm = np.where(inside & ~absent, np.exp(log_core), 0.0)
    return np.where(inside, np.exp(log_section), 0.0), core_mm


def _core_slow(recipe: Scenario, sections: Sections, rings: int, sd: Floats, rng: np.random.Generator) -> Floats:
    """Draw the slow part of each core, (cores, rings): its own, and one that goes as the cosine of the azimuth."""
    wood = recipe.wood
    slow = slow_part(rings, sd, wood.memory, rng)
    if wood.core_aside > 0:
        trees = int(sections.tree.max()) + 1
        two = slow_part(rings, np.ones(2 * trees), wood.memory, rng).reshape(2, trees, rings)[:, sections.tree]
        angle = np.deg2rad(recipe.coring.angle_deg * sections.number)[:, None]
        aside = sd[:, None] * (np.cos(angle) * two[0] + np.sin(angle) * two[1])
        slow = np.sqrt(1 - wood.core_aside) * slow + np.sqrt(wood.core_aside) * aside
    return np.asarray(slow * (wood.core_outer + (1 - wood.core_outer) * np.exp(-np.arange(rings) / OUTER_RINGS)))


def core_line(
    pith_mm: Floats, *, azimuth_deg: Floats, aim_deg: Floats, entry_mm: Floats
) -> tuple[Floats, Floats, Floats]:
    """Way along a core to the point nearest to the pith, pith from there to the right, pith to point of entry [mm].

    `pith_mm` (n, 2) is seen from the geometric centre, `azimuth_deg` points from there to the entry at `entry_mm`, and
    `aim_deg` is the angle between the line and the centre as seen from the entry.
    """
    angle = np.deg2rad(azimuth_deg)
    aim = angle + np.deg2rad(aim_deg)
    entry = entry_mm[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    direction = -np.stack([np.cos(aim), np.sin(aim)], axis=1)
    to_pith = pith_mm - entry
    along = (to_pith * direction).sum(axis=1)
    aside = to_pith[:, 1] * direction[:, 0] - to_pith[:, 0] * direction[:, 1]  # to the right: azimuths run clockwise
    return along, aside, np.hypot(to_pith[:, 0], to_pith[:, 1])


def _ends(
    coring: Coring,
    sections: Sections,
    along: Floats,
    *,
    miss: Floats,
    radius: Floats,
    again: Flags,
    rng: np.random.Generator,
) -> tuple[Floats, Strings]:
    """How far each core reaches [mm] and what stopped it, by the words of Stop."""
    count = along.size
    stop = np.full(count, Stop.PASSED.value, dtype="<U6")
    reach = np.where(again, along, np.minimum(radius + coring.past_centre_mm, coring.borer_mm - 0.08 * radius))
    stop[reach < along] = Stop.SHORT.value
    trees = int(sections.tree.max()) + 1
    low, high = coring.rot_range
    rot_share = np.where(rng.random(trees) < coring.rot_share, rng.uniform(low, high, trees), 0.0)[sections.tree]
    rot_mm = rot_share * radius
    to_rot = along - np.sqrt(np.maximum(rot_mm**2 - miss**2, 0.0))
    low, high = coring.short_range
    cuts = [
        (Stop.SHORT, ~again & (rng.random(count) < coring.short_share), along * rng.uniform(low, high, count)),
        (Stop.BROKEN, ~again & (rng.random(count) < coring.broken_share), along * rng.uniform(0.6, 0.95, count)),
        (Stop.ROT, rot_mm > miss, to_rot),
    ]
    for word, holds, where in cuts:
        sooner = holds & (where < np.minimum(reach, along))
        reach, stop = np.where(sooner, where, reach), np.where(sooner, word.value, stop)
    return reach, stop


def _innermost(widths: Floats, rings: Ints, seen_mm: Floats) -> tuple[Ints, Floats]:
    """Rings missed, and inner radius of the innermost ring that lies outside of what is seen."""
    boundary = np.cumsum(widths, axis=1)
    inner = np.concatenate([np.zeros((rings.size, 1)), boundary[:, :-1]], axis=1)
    missed = np.minimum((inner < seen_mm[:, None] - 1e-12).sum(axis=1), rings - FEWEST_VISIBLE)
    rows = np.arange(rings.size)
    for _ in range(FEWEST_VISIBLE - 1):  # an absent ring cannot be the innermost one
        missed = np.where(widths[rows, missed] == 0, missed + 1, missed)
    return missed.astype(np.int64), inner[rows, missed]
