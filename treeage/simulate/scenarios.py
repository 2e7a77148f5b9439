"""Traits of virtual trees, wood, stems, coring and reading practice, each with its source or marked as a choice.

Frozen parameters; sources: the publications named in each class.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from treeage.errors import Fault, InputError, show


@dataclass(frozen=True)
class Species:
    """One species of a virtual stand.

    Parameters
    ----------
    name : str
        Scientific name, as in the species column.
    share : float
        Share of the trees, scaled over all species.
    years_to_1m : float
        Median passing time of 1 m above the root collar [seasons] (choice; high pastures are slow).
    asymptote_m : float
        Asymptote of the height curve [m] (choice).
    height_shape : float
        Exponent p of the height curve A (1 - exp(-k t))**p (choice; above 1 starts slowly).
    shared_height_sd : float
        Standard deviation of the log passing time shared by the species in this stand (choice).
    tree_height_sd : float
        Standard deviation of the log passing time from tree to tree. 0.15 to 0.25 covers open-grown and 0.4
        to 0.6 natural understorey trees (judgement from published ranges); 0.25 is a choice.
    ring_mm : float
        Median width of the first rings [mm] (choice).
    bark_share : float
        Single bark thickness as a share of the inside-bark radius (choice near the usual inside/outside
        diameter ratio of 0.91 of Douglas-fir).
    absent_factor : float
        Multiplier of the rate of absent rings: occasional in Larix, very rare in Picea [1]_.

    References
    ----------
    .. [1] St. George, Ault and Torbenson 2013, doi:10.1002/grl.50743 (abstract).
    """

    name: str
    share: float = 1.0
    years_to_1m: float = 10.0
    asymptote_m: float = 25.0
    height_shape: float = 1.4
    shared_height_sd: float = 0.1
    tree_height_sd: float = 0.25
    ring_mm: float = 1.4
    bark_share: float = 0.08
    absent_factor: float = 1.0


@dataclass(frozen=True)
class Pulse:
    """One wave of establishment after an event.

    Parameters
    ----------
    year : int
        Year of the event.
    event : str
        What happened, as in the event column.
    share : float
        Share of all trees that belong to the wave; what is left of 1 is background.
    delay_mean_yr, delay_sd_yr : float
        Mean and standard deviation of the delay from the event to establishment [yr], gamma distributed.
        Lags of 10 to 50 years after fire are common in published dates; the defaults are a choice.
    """

    year: int
    event: str
    share: float
    delay_mean_yr: float = 12.0
    delay_sd_yr: float = 8.0


@dataclass(frozen=True)
class Wood:
    """How ring widths vary.

    Parameters
    ----------
    level_sd : float
        Standard deviation of the log mean width from tree to tree (choice).
    trend_drop, trend_years : float
        The log width falls by trend_drop with the time constant trend_years [rings] (choice: the measured log
        ratio of inner to visible width has a mean near 0 [1]_, so the trend is weak).
    stand_sd, tree_sd, core_sd : float
        Standard deviation of the slow part of the log width that is shared by the stand (by ring number),
        by the tree, and of the core's own. Set so that the log ratio of the hidden to the visible mean
        width has the measured spread, about 0.11 to 0.15 (stand), 0.17 to 0.20 (tree), 0.30 to 0.33 (core)
        at 2 to 40 mm [1]_.
    memory : float
        Correlation length of the slow parts in the logarithm of the ring number. The measured spread is the
        same at every distance, as in a process that is stationary in that logarithm [1]_.
    tail_df : float
        Degrees of freedom of the t distribution of the slow parts; with it the log ratio, slow and yearly
        parts together, has the measured kurtosis of about 4.2 [1]_.
    signal_sd, signal_ar : float
        Yearly signal shared by the stand: standard deviation of the log width, autocorrelation (choice).
    tree_year_sd, core_year_sd, year_ar : float
        Yearly deviations of a tree and of a core, and their autocorrelation; together with the signal the
        first differences of log widths have a standard deviation near 0.33 [1]_.

    References
    ----------
    .. [1] Raw ring widths of 165 sites of the public international tree-ring archive (World Data Service for
       Paleoclimatology, NOAA NCEI).
    """

    level_sd: float = 0.25
    trend_drop: float = 0.4
    trend_years: float = 80.0
    stand_sd: float = 0.14
    tree_sd: float = 0.18
    core_sd: float = 0.32
    memory: float = 0.45
    tail_df: float = 4.5
    signal_sd: float = 0.20
    signal_ar: float = 0.3
    tree_year_sd: float = 0.10
    core_year_sd: float = 0.18
    year_ar: float = 0.4


@dataclass(frozen=True)
class Stem:
    """The shape of stems.

    Parameters
    ----------
    offset_mean : float
        Mean distance of the pith from the geometric centre as a share of the inside-bark radius. 0.13:
        between 0.12 (Scots pine [1]_), 0.09 (lodgepole pine [2]_) and 0.14 (derived from two cores at a
        right angle [3]_).
    slope_ratio : float
        Spread of the offset along the slope axis divided by the spread across it; 1 is isotropic.
    out_of_round_sd : float
        Standard deviation of the radius where the core enters, as a share of the mean radius (choice).
    taper_cm_per_m : float
        Fall of the diameter with height [cm/m] (1 cm/m on a clear stem, common practice).
    slope_percent : float
        Mean slope of the ground [%] (choice).

    References
    ----------
    .. [1] Renvall 1923, doi:10.14214/aff.7092 (abstract).
    .. [2] Koch, Cote, Schlieter and Day 1990, USDA Forest Service Research Paper INT-420 (abstract).
    .. [3] Woodall 2008, Tree-Ring Research 64 (abstract).
    """

    offset_mean: float = 0.13
    slope_ratio: float = 1.0
    out_of_round_sd: float = 0.01
    taper_cm_per_m: float = 1.0
    slope_percent: float = 35.0


@dataclass(frozen=True)
class Coring:
    """How cores are taken; every number without a source is a choice.

    Parameters
    ----------
    cores_per_tree : int
        Number of cores of every tree.
    angle_deg : float
        Angle between successive cores of a tree seen from above [degree].
    height_m, height_sd_m : float
        Mean and standard deviation of the coring height above the root collar [m].
    second_height_m : float
        Height of every second core [m]; 0 or less means the height of the first.
    aim_sd_deg : float
        Error of the aim at the geometric centre [degree].
    hit_share : float
        Share of the cores that are driven again until they hold the pith, as some guides ask.
    borer_mm : float
        Longest core [mm], bark included.
    past_centre_mm : float
        How far beyond the estimated centre the borer is driven [mm]; textbooks ask for 50 to 80.
    core_diameter_mm : float
        Diameter of the core [mm]; 5.15 is a usual one.
    short_share, rot_share, broken_share : float
        Share of the cores that stop short, of the trees with rot at the pith, of the cores that broke.
    short_range : tuple of float
        Length of a short core as a share of the way to the pith, lowest and highest.
    rot_range : tuple of float
        Radius of the rot as a share of the inside-bark radius, lowest and highest.
    tilt_share, tilt_sd_deg : float
        Share of the cores bored at a tilt, and the spread of the tilt [degree].
    """

    cores_per_tree: int = 2
    angle_deg: float = 180.0
    height_m: float = 0.9
    height_sd_m: float = 0.1
    second_height_m: float = 0.0
    aim_sd_deg: float = 3.0
    hit_share: float = 0.15
    borer_mm: float = 400.0
    past_centre_mm: float = 60.0
    core_diameter_mm: float = 5.15
    short_share: float = 0.15
    rot_share: float = 0.08
    broken_share: float = 0.05
    short_range: tuple[float, float] = (0.7, 0.97)
    rot_range: tuple[float, float] = (0.1, 0.5)
    tilt_share: float = 0.1
    tilt_sd_deg: float = 8.0


@dataclass(frozen=True)
class Reading:
    """How cores are read; every number without a source is a choice.

    Parameters
    ----------
    crossdated_share, lab_share : float
        Shares of crossdated and of lab-counted trees; the others are counted in the field.
    count_error : str
        "events": absent and false rings and reading mistakes are drawn ring by ring; "default": the count
        error is drawn from the mass functions of the counting module.
    absent_rate : float
        Absent rings per ring, before crown class and species: 1 in 240 [1]_.
    false_rate : float
        False rings per ring among young vigorous rings; they cluster near the pith [2]_.
    lab_rates, field_rates : tuple of float
        Rings merged and rings split by the reader, per ring. Field counts are 1 to 16 years too low [3]_.
    arc_sd_mm : float
        Reading error of the rise of an arc [mm]; observers agree within 0.1 to 0.2 mm on good material [4]_.
    roundness_sd : float
        Spread of the rise of an arc about that of a circle, as a share, because rings are no circles.
    smallest_rise_mm, smallest_rise_sd_mm : float
        Rise below which no arc is seen [mm]: mean and standard deviation over cores.
    overlooked_share : float
        Share of the arcs that nobody looked for.
    template_share, ray_share, direct_share : float
        Shares of the cores with arcs that are read by template circles, by rays, or as a direct distance
        instead.
    bark_sd_mm : float
        Error of the bark thickness [mm].
    measured_share : float
        Share of the crossdated and lab-counted cores whose widths were measured ring by ring; the others
        have a mean inner width only.

    References
    ----------
    .. [1] St. George, Ault and Torbenson 2013, doi:10.1002/grl.50743 (abstract).
    .. [2] Copenheaver, Pokorski, Currie and Abrams 2006 (abstract).
    .. [3] Weisberg and Swanson 2001, Northwest Science 75:145-156 (abstract).
    .. [4] Douglass 1919, Carnegie Institution Publication 289.
    """

    crossdated_share: float = 0.5
    lab_share: float = 0.3
    count_error: str = "events"
    absent_rate: float = 1 / 240
    false_rate: float = 0.01
    lab_rates: tuple[float, float] = (0.006, 0.003)
    field_rates: tuple[float, float] = (0.03, 0.008)
    arc_sd_mm: float = 0.1
    roundness_sd: float = 0.1
    smallest_rise_mm: float = 0.157
    smallest_rise_sd_mm: float = 0.05
    overlooked_share: float = 0.1
    template_share: float = 0.15
    ray_share: float = 0.1
    direct_share: float = 0.1
    bark_sd_mm: float = 2.0
    measured_share: float = 0.9


LARCH = Species("Larix decidua", 0.45, 9.0, 26.0, 1.4, 0.10, 0.25, 1.4, 0.09, 1.5)
SPRUCE = Species("Picea abies", 0.30, 13.0, 24.0, 1.5, 0.12, 0.30, 1.25, 0.05, 0.3)
STONE_PINE = Species("Pinus cembra", 0.25, 17.0, 20.0, 1.5, 0.12, 0.28, 1.15, 0.07, 0.6)
PASTURE_PULSES = (
    Pulse(1868, "fire", 0.35, 14.0, 8.0),
    Pulse(1926, "end of grazing", 0.45, 15.0, 9.0),
)


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
    wood: Wood = field(default_factory=Wood)
    stem: Stem = field(default_factory=Stem)
    coring: Coring = field(default_factory=Coring)
    reading: Reading = field(default_factory=Reading)
    plots: int = 4
    seedlings_per_species: int = 24
    pairs_per_species: int = 0
    collar_years_mean: float = 0.0


_CROSSDATED = Reading(crossdated_share=1.0, lab_share=0.0, measured_share=1.0)
_ALL_ARCS = replace(_CROSSDATED, smallest_rise_mm=0.0, smallest_rise_sd_mm=0.0, overlooked_share=0.0)
_NO_ARCS = replace(_CROSSDATED, overlooked_share=1.0)
_SOUND = Coring(hit_share=0.0, short_share=0.0, rot_share=0.0, broken_share=0.0, tilt_share=0.0)


def _make_scenarios() -> dict[str, Scenario]:
    pasture = Scenario()
    larch_only = replace(pasture, trees=200, species=(replace(LARCH, share=1.0),))
    short = replace(_SOUND, short_share=1.0, short_range=(0.75, 0.97))
    rot = replace(_SOUND, rot_share=1.0, rot_range=(0.15, 0.5))
    made = [
        replace(pasture, coring=replace(pasture.coring, rot_share=0.08, short_share=0.25)),
        replace(larch_only, name="pith", coring=replace(_SOUND, hit_share=1.0), reading=_CROSSDATED),
        replace(larch_only, name="arcs", coring=_SOUND, reading=_ALL_ARCS),
        replace(larch_only, name="short", coring=short, reading=_NO_ARCS),
        replace(larch_only, name="rot", coring=rot, reading=_NO_ARCS),
        replace(
            larch_only,
            name="counted",
            coring=replace(_SOUND, hit_share=1.0),
            reading=Reading(crossdated_share=0.0, lab_share=0.5),
        ),
        replace(
            larch_only,
            name="two_heights",
            coring=replace(_SOUND, hit_share=0.3, second_height_m=0.3),
            pairs_per_species=20,
        ),
        replace(pasture, name="mixed", trees=200),
        replace(pasture, name="large", trees=5000, plots=400),
    ]
    return {each.name: each for each in made}


_SCENARIOS = _make_scenarios()
SCENARIO_NAMES: tuple[str, ...] = tuple(_SCENARIOS)
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
    return _SCENARIOS[name]
