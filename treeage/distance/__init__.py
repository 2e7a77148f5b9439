"""How far the innermost counted ring lies from the pith: every source as a likelihood on one grid."""

# fmt: off
from treeage.distance.grid import (
    DISTANCE_GRID_MM, DistanceSource, conflict_probability, distance_mass, grid_cells, source_words,
)
from treeage.distance.seen import (
    arc_likelihood, arc_radius, arc_rise, circle_likelihood, common_arcs_likelihood, direct_likelihood,
    point_likelihood, ray_likelihood, unseen_curvature,
)
from treeage.distance.unseen import (
    aimed_core_density, inside_radius, joint_distances, radial_length, share_a_line, short_core_density,
)

__all__ = [
    "DISTANCE_GRID_MM", "DistanceSource", "aimed_core_density", "arc_likelihood", "arc_radius", "arc_rise",
    "circle_likelihood", "common_arcs_likelihood", "conflict_probability", "direct_likelihood", "distance_mass",
    "grid_cells", "inside_radius", "joint_distances", "point_likelihood", "radial_length", "ray_likelihood",
    "share_a_line", "short_core_density", "source_words", "unseen_curvature",
]
