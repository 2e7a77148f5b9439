"""Whole growing seasons that a tree needs to reach the coring height: height models, and their figures and curves."""

# fmt: off
from treeage.height.curves import CurveFit, HeightCurve, fit_curve, height_curve, tip_heights
from treeage.height.model import (
    GrowthForm, HEIGHT_APART_M, HeightModel, TREE_NODES, axis_tangent, growth_axis, moved_heights, normal_nodes,
    whole_seasons,
)
from treeage.height.sources import (
    EarlyHeight, early_heights, from_curve, from_mean_sd, from_published, from_quantiles, height_model,
    no_height_model, published_curve, published_curves, years_to_height,
)
from treeage.height.young import GROWTH_CANDIDATES, from_seedlings, from_two_heights, seasons_between

__all__ = [
    "CurveFit", "EarlyHeight", "GROWTH_CANDIDATES", "GrowthForm", "HEIGHT_APART_M", "HeightCurve", "HeightModel",
    "TREE_NODES", "axis_tangent", "early_heights", "fit_curve", "from_curve", "from_mean_sd",
    "from_published", "from_quantiles", "from_seedlings", "from_two_heights", "growth_axis", "height_curve",
    "height_model", "moved_heights", "no_height_model", "normal_nodes", "published_curve", "published_curves",
    "seasons_between", "tip_heights", "whole_seasons", "years_to_height",
]
