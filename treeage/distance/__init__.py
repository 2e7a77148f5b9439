"""How far the innermost counted ring lies from the pith: every source as a likelihood on one grid."""

# fmt: off
from treeage.distance.seen import (
    DISTANCE_GRID_MM, DistanceSource, READINGS, arc_likelihood, arc_radius, arc_rise, circle_likelihood,
    common_arcs_likelihood, conflict_probability, direct_likelihood, direct_sd, distance_mass, draw_distances,
    grid_cells, mixed_distances, off_axis_radius, on_grid, point_likelihood, radial_length, ray_likelihood,
    read_likelihoods, scale_distance, source_words, turned_to_pith, unseen_curvature, unseen_share,
)
from treeage.distance.ends import (
    AimErrors, InnerEnds, draw_misses, end_distances, end_evidence, inner_ends, inside_radius, joint_distances,
    offset_share, pith_again_share, seen_likelihoods, share_a_line,
)

__all__ = [
    "AimErrors", "DISTANCE_GRID_MM", "DistanceSource", "InnerEnds", "READINGS", "arc_likelihood", "arc_radius",
    "arc_rise", "circle_likelihood", "common_arcs_likelihood", "conflict_probability", "direct_likelihood",
    "direct_sd", "distance_mass", "draw_distances", "draw_misses", "end_distances", "end_evidence", "grid_cells",
    "inner_ends", "inside_radius",
    "joint_distances", "mixed_distances", "off_axis_radius", "offset_share", "on_grid", "pith_again_share",
    "point_likelihood", "radial_length", "ray_likelihood", "read_likelihoods", "scale_distance", "seen_likelihoods",
    "share_a_line", "source_words", "turned_to_pith", "unseen_curvature", "unseen_share",
]
