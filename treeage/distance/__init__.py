"""How far the innermost counted ring lies from the pith: every source as a likelihood on one grid."""

# fmt: off
from treeage.distance.seen import (
    DISTANCE_GRID_MM, DistanceSource, READINGS, arc_likelihood, arc_radius, arc_rise, circle_likelihood,
    common_arcs_likelihood, conflict_probability, direct_likelihood, direct_sd, distance_mass, draw_distances,
    grid_cells, on_grid, point_likelihood, ray_likelihood, read_likelihoods, source_words, unseen_curvature,
)
from treeage.distance.unseen import (
    inside_radius, joint_distances, off_axis_radius, radial_length, share_a_line,
)
from treeage.distance.ends import (
    AimErrors, DrawnEnds, InnerEnds, draw_arc_radii, draw_ends, end_distances, inner_ends, is_lost, mixed_distances,
    read_radius, scale_distance,
)

__all__ = [
    "AimErrors", "DISTANCE_GRID_MM", "DistanceSource", "DrawnEnds", "InnerEnds", "READINGS", "arc_likelihood",
    "arc_radius", "arc_rise", "circle_likelihood", "common_arcs_likelihood", "conflict_probability",
    "direct_likelihood", "direct_sd", "distance_mass", "draw_arc_radii", "draw_distances", "draw_ends",
    "end_distances", "grid_cells", "inner_ends", "inside_radius", "is_lost",
    "joint_distances", "mixed_distances", "off_axis_radius", "on_grid", "point_likelihood", "radial_length",
    "ray_likelihood", "read_likelihoods", "read_radius", "scale_distance", "share_a_line",
    "source_words", "unseen_curvature",
]
