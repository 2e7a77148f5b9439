"""Figures of every result."""

# fmt: off
from treeage.plots.ages import (
    AnatomyStep, anatomy_steps, first_counted,
    plot_age_structure, plot_anatomy, plot_dates, plot_mass, plot_uncertainty_sources,
)
from treeage.plots.planning import plot_aim, plot_next, plot_plan, plot_proof, plot_sites, plot_years, plot_young_trees
from treeage.plots.stand import (
    plot_changes, plot_checks, plot_diameter, plot_events, plot_growth, plot_history, plot_in_line, plot_offset_path,
    plot_origin, plot_origins, plot_past, plot_pulses, plot_recruitment, plot_reliability, plot_score,
    plot_sensitivity, plot_static, plot_structure, say_core_height,
)

__all__ = [
    "AnatomyStep", "anatomy_steps", "first_counted",
    "plot_age_structure", "plot_aim", "plot_anatomy", "plot_changes", "plot_checks", "plot_dates", "plot_diameter",
    "plot_events", "plot_growth", "plot_history", "plot_in_line", "plot_mass", "plot_next", "plot_offset_path",
    "plot_origin", "plot_origins", "plot_past", "plot_plan", "plot_proof", "plot_pulses", "plot_recruitment",
    "plot_reliability", "plot_score", "plot_sensitivity", "plot_sites", "plot_static", "plot_structure",
    "plot_uncertainty_sources", "plot_years", "plot_young_trees", "say_core_height",
]
