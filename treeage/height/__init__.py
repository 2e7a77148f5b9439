"""Whole growing seasons that a tree needs to reach the coring height."""

# fmt: off
from treeage.height.curves import (
    CurveFit, EarlyHeight, HeightCurve, early_heights, fit_curve, height_curve, published_curve, published_curves,
    tip_heights,
)
from treeage.height.model import HeightModel, TREE_NODES, growth_axis, normal_nodes
from treeage.height.sources import (
    from_curve, from_mean_sd, from_published, from_quantiles, from_seedlings, from_two_heights, no_height_model,
    seasons_between,
)
from treeage.height.years import height_model, years_to_height

__all__ = [
    "CurveFit", "EarlyHeight", "HeightCurve", "HeightModel", "TREE_NODES", "early_heights", "fit_curve",
    "from_curve", "from_mean_sd", "from_published", "from_quantiles", "from_seedlings", "from_two_heights",
    "growth_axis", "height_curve", "height_model", "no_height_model", "normal_nodes", "published_curve",
    "published_curves", "seasons_between", "tip_heights", "years_to_height",
]
