"""From a checked field to the ages of its trees: cores, what they share, trees, answers."""

# fmt: off
from treeage.estimate.answers import account_rows, gather_sources, minimum_answer, tree_answer
from treeage.estimate.cores import Cores, JointCount, read_cores
from treeage.estimate.prepare import crossdate_field, estimate_ages, prepare, record_settings
from treeage.estimate.seen import Seen, what_was_seen
from treeage.estimate.shared import (
    Shared, SpeciesShared, height_models, height_notes, missed_mass, species_without_heights, weigh_heights,
)
from treeage.estimate.trees import date_trees, lead_cores, on_one_line, table_size

__all__ = [
    "Cores", "JointCount", "Seen", "Shared", "SpeciesShared", "account_rows",
    "crossdate_field", "date_trees", "estimate_ages", "gather_sources", "height_models", "height_notes",
    "lead_cores", "minimum_answer", "missed_mass", "on_one_line", "prepare", "read_cores", "record_settings",
    "species_without_heights", "table_size", "tree_answer", "weigh_heights", "what_was_seen",
]
