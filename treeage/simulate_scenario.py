"""Recipes of virtual stands: the named scenarios, and the class to make others.

Layer 4. Frozen parameters, each with its source or marked as a choice; the scenarios are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from treeage.errors import Fault, InputError, show
from treeage.simulate_traits import Coring, Pulse, Reading, Species, Stem, Wood

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
