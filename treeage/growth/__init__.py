"""How the stem grew: radius and diameter by year, releases, suppressions, origins."""

# fmt: off
from treeage.growth.changes import (
    ChangeCriterion, GrowthChanges, OriginTable, absolute_threshold, calibrate_origin, canopy_residence_years,
    classify_origins, common_criteria, find_changes, fit_boundary_line,
)
from treeage.growth.history import (
    GrowthHistory, basal_area_increment, field_growth, growth_history, inside_bark_diameter, mean_radius,
    past_diameter_proportional, past_diameter_subtractive, past_trees, ring_radii,
)

__all__ = [
    "ChangeCriterion", "GrowthChanges", "GrowthHistory", "OriginTable", "absolute_threshold",
    "basal_area_increment", "calibrate_origin", "canopy_residence_years", "classify_origins", "common_criteria",
    "field_growth", "find_changes", "fit_boundary_line", "growth_history", "inside_bark_diameter", "mean_radius",
    "past_diameter_proportional", "past_diameter_subtractive", "past_trees", "ring_radii",
]
