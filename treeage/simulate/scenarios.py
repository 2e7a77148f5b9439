"""Recipes of virtual stands: traits of trees, wood, stems, coring and reading practice, and the scenarios that ship.

Every number has its source or the word "choice" beside it. The measured widths are raw ring widths of 165 sites of the
public international tree-ring archive (World Data Service for Paleoclimatology, NOAA NCEI).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from treeage.errors import Fault, InputError, show
from treeage.schema import Word


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
    # & Torbenson 2013, doi:10.1002/grl.50743, abstract)


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
    absent_share: float = 1 / 240  # of the rings, before crown class and species (St. George et al. 2013, abstract)
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
    bark_sd_mm: float = 2.0  # error of the bark thickness
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


_LARCHES: Final = Scenario(trees=200, species=(replace(LARCH, share=1.0),))
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
        trees).

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
