"""How the stem grew: radius and diameter by year, releases and suppressions, origins; the trees of a past date."""

# fmt: off
from treeage.growth.changes import (
    BoundaryLine, ChangeCriterion, GrowthChanges, OriginCalibration, OriginTable, absolute_threshold, calibrate_origin,
    canopy_residence_years, classify_origins, common_criteria, early_growth, find_changes, fit_boundary_line,
)
from treeage.growth.field import field_growth, past_trees
from treeage.growth.history import (
    CoreWidths, GrowthHistory, basal_area_increment, growth_history, inside_bark_diameter, mean_radius,
    past_diameter_proportional, past_diameter_subtractive, ring_radii,
)

__all__ = [
    "BoundaryLine", "ChangeCriterion", "CoreWidths", "GrowthChanges", "GrowthHistory", "OriginCalibration",
    "OriginTable", "absolute_threshold", "basal_area_increment", "calibrate_origin", "canopy_residence_years",
    "classify_origins", "common_criteria", "early_growth", "field_growth", "find_changes", "fit_boundary_line",
    "growth_history", "inside_bark_diameter", "mean_radius", "past_diameter_proportional",
    "past_diameter_subtractive", "past_trees", "ring_radii",
]
