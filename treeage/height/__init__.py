"""Whole growing seasons that a tree needs to reach the coring height: height models, and their figures and curves."""

# fmt: off
from treeage.height.curves import CurveFit, HeightCurve, fit_curve, height_curve, tip_heights
from treeage.height.model import (
    Caution, GrowthForm, HEIGHT_APART_M, HeightModel, TREE_NODES, axis_tangent, growth_axis, moved_heights,
    normal_nodes, whole_seasons,
)
from treeage.height.open_data import (
    YoungTreeEvidence, from_open_data, nursery_mass, study_table, with_three, years_from_open_data, young_tree_evidence,
)
from treeage.height.sources import (
    EarlyHeight, early_heights, from_curve, from_mean_sd, from_published, from_quantiles, height_model,
    no_height_model, published_curve, published_curves, second_opinion, years_to_height, young_sampling,
)
from treeage.height.young import GROWTH_CANDIDATES, from_seedlings, from_two_heights, sampling_shift, seasons_between

__all__ = [
    "Caution", "CurveFit", "EarlyHeight", "GROWTH_CANDIDATES", "GrowthForm", "HEIGHT_APART_M", "HeightCurve",
    "HeightModel", "TREE_NODES", "YoungTreeEvidence", "axis_tangent", "early_heights", "fit_curve", "from_curve",
    "from_mean_sd", "from_open_data", "from_published", "from_quantiles", "from_seedlings", "from_two_heights",
    "growth_axis", "height_curve", "height_model", "moved_heights", "no_height_model", "normal_nodes",
    "nursery_mass", "published_curve", "published_curves", "sampling_shift", "seasons_between", "second_opinion",
    "study_table", "tip_heights", "whole_seasons", "with_three", "years_from_open_data", "years_to_height",
    "young_sampling", "young_tree_evidence",
]
