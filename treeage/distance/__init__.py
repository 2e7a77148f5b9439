"""How far the innermost counted ring lies from the pith: every source as a likelihood on one grid."""

# fmt: off
from treeage.distance.seen import (
    arc_likelihood, circle_likelihood, common_arcs_likelihood, direct_likelihood, point_likelihood, ray_likelihood,
)
from treeage.distance.unseen import (
    DISTANCE_GRID_MM, aimed_core_density, arc_radius, conflict_probability, distance_mass, grid_cells,
    inside_radius, joint_distances, radial_length, share_a_line, short_core_density, unseen_curvature,
)

__all__ = [
    "DISTANCE_GRID_MM", "aimed_core_density", "arc_likelihood", "arc_radius", "circle_likelihood",
    "common_arcs_likelihood", "conflict_probability", "direct_likelihood", "distance_mass", "grid_cells",
    "inside_radius", "joint_distances", "point_likelihood", "radial_length", "ray_likelihood", "share_a_line",
    "short_core_density", "unseen_curvature",
]
