"""From a checked field to the ages of its trees: cores, what they share, trees, answers."""

# fmt: off
from treeage.estimate.answers import READ_AGAINST_STAND, account_rows, gather_sources, minimum_answer, tree_answer
from treeage.estimate.cores import Cores, JointCount, read_cores
from treeage.estimate.nodes import learn_states
from treeage.estimate.one import date_tree, one_tree
from treeage.estimate.prepare import crossdate_field, dated_field, estimate_ages, prepare, record_settings
from treeage.estimate.nodes import Seen, draw_arc_radii, draw_ends, read_radius, what_was_seen
from treeage.estimate.shared import (
    Shared, SpeciesShared, StandStates, height_models, height_notes, height_plan, missed_mass, open_data_tables, share,
    species_without_heights, stand_states, weigh_heights,
)
from treeage.estimate.chunks import on_one_line, table_size
from treeage.estimate.trees import date_trees, lead_cores

__all__ = [
    "Cores", "JointCount", "READ_AGAINST_STAND", "Seen", "Shared", "SpeciesShared", "StandStates", "account_rows",
    "crossdate_field", "date_tree", "date_trees", "dated_field", "draw_arc_radii", "draw_ends", "estimate_ages",
    "gather_sources", "height_models", "height_notes", "height_plan", "lead_cores", "learn_states", "minimum_answer",
    "missed_mass", "on_one_line", "one_tree", "open_data_tables", "prepare", "read_cores", "read_radius",
    "record_settings", "share", "species_without_heights", "stand_states", "table_size", "tree_answer",
    "weigh_heights", "what_was_seen",
]
