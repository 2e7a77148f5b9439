"""From a checked field to the ages of its trees: cores, what they share, trees, answers."""

# fmt: off
from treeage.estimate.answers import Workings, account_rows, gather_sources, minimum_answer, tree_answer
from treeage.estimate.cores import (
    CoreFacts, CoreInputs, HEIGHT_APART_M, bound_upper_cores, column_numbers, core_facts, core_inputs,
    table_records,
)
from treeage.estimate.pairs import CoreReadings, mark_events, read_cores_together
from treeage.estimate.prepare import (
    crossdate_field, estimate_ages, height_models, record_settings, shared_figures, species_without_heights,
    without_model,
)
from treeage.estimate.shared import HeightTable, SpeciesRates, placed_mass, reach_further, species_rates
from treeage.estimate.trees import (
    JointCount, TiedHeights, TreeDates, date_trees, lead_cores, on_one_line, rung, tie_heights,
)

__all__ = [
    "CoreFacts", "CoreInputs", "CoreReadings", "HEIGHT_APART_M", "HeightTable", "JointCount", "SpeciesRates",
    "TiedHeights", "TreeDates", "Workings", "account_rows", "bound_upper_cores", "column_numbers", "core_facts",
    "core_inputs", "crossdate_field", "date_trees", "estimate_ages", "gather_sources", "height_models",
    "lead_cores", "mark_events", "minimum_answer", "on_one_line", "placed_mass", "reach_further",
    "read_cores_together", "record_settings", "rung", "shared_figures", "species_rates", "species_without_heights",
    "table_records", "tie_heights", "tree_answer", "without_model",
]
