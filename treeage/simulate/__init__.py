"""Invented stands with known dates, cored and read as a person would."""

# fmt: off
from treeage.simulate.model import example_field, simulate_from_model
from treeage.simulate.trees import Coring, Pulse, Reading, SCENARIO_NAMES, Scenario, Species, Stem, Wood, scenario
from treeage.simulate.stands import SimulatedStand, simulate_stand

__all__ = [
    "Coring", "Pulse", "Reading", "SCENARIO_NAMES", "Scenario", "SimulatedStand", "Species", "Stem", "Wood",
    "example_field", "scenario", "simulate_from_model", "simulate_stand",
]
