"""How far the innermost counted ring lies from the pith: every source as a likelihood on one grid."""

# fmt: off
from treeage.distance.seen import (
    DISTANCE_GRID_MM, DistanceSource, READINGS, arc_likelihood, arc_radius, arc_rise, circle_likelihood,
    common_arcs_likelihood, conflict_probability, direct_likelihood, direct_sd, distance_mass, draw_distances,
    grid_cells, on_grid, point_likelihood, ray_likelihood, read_likelihoods, source_words, unseen_curvature,
)
from treeage.distance.unseen import (
    CoreDistances, aimed_core_density, core_distances, inside_radius, joint_distances, off_axis_radius,
    radial_length, share_a_line, short_core_density,
)

__all__ = [
    "CoreDistances", "DISTANCE_GRID_MM", "DistanceSource", "READINGS", "aimed_core_density", "arc_likelihood",
    "arc_radius", "arc_rise", "circle_likelihood", "common_arcs_likelihood", "conflict_probability", "core_distances",
    "direct_likelihood", "direct_sd", "distance_mass", "draw_distances", "grid_cells", "inside_radius",
    "joint_distances", "off_axis_radius", "on_grid", "point_likelihood", "radial_length", "ray_likelihood",
    "read_likelihoods", "share_a_line", "short_core_density", "source_words", "unseen_curvature",
]
