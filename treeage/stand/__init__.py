"""The history of a stand from joint draws of its trees' dates; ages of trees without cores; weights of samples."""

# fmt: off
from treeage.stand.diameter import FEWEST_CORED, AgeFromDiameter, age_from_diameter
from treeage.stand.history import StandHistory, dated_events, stand_history, trees_by_id
from treeage.stand.past import EventResponse, PastStand, StandOrigin, after_events, past_stand, stand_origin
from treeage.stand.pulses import PulseHistory, find_pulses
from treeage.stand.recruitment import RecruitmentHistory, recruitment_history, seen_cells, sharpened_dates
from treeage.stand.static import StaticModels, static_models
from treeage.stand.structure import (
    AgeStructure, SplitDraws, age_structure, chance_to_meet, effective_trees, expansion_fixed_area,
    expansion_nearest_trees, split_shared, trees_to_meet,
)

__all__ = [
    "AgeFromDiameter", "AgeStructure", "EventResponse", "FEWEST_CORED",
    "PastStand", "PulseHistory", "RecruitmentHistory", "SplitDraws",
    "StandHistory", "StandOrigin", "StaticModels", "after_events", "age_from_diameter", "age_structure",
    "chance_to_meet", "dated_events", "effective_trees", "expansion_fixed_area", "expansion_nearest_trees",
    "find_pulses", "past_stand", "recruitment_history", "seen_cells", "sharpened_dates", "split_shared",
    "stand_history", "stand_origin", "static_models", "trees_by_id", "trees_to_meet",
]
