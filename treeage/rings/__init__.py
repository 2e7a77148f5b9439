"""How many rings lie between the innermost visible ring and the pith."""

# fmt: off
from treeage.rings.mass import LOG_STEP
from treeage.rings.missing import compare_rules, missed_rings_at, missing_rings, missing_rings_many, rule_rings
from treeage.rings.model import (
    InnerGrowth, RingCalibration, RingModel, hidden_width, inner_growth, inner_growth_from_means, missed_ring_mass,
    missed_ring_parts, ring_model, shared_spreads, typical_distance, visible_growth,
)
from treeage.rings.stand import DatedSeries, calibrate_missing_rings, stand_adjustment

__all__ = [
    "DatedSeries", "InnerGrowth", "LOG_STEP", "RingCalibration", "RingModel", "calibrate_missing_rings",
    "compare_rules", "hidden_width", "inner_growth", "inner_growth_from_means", "missed_ring_mass",
    "missed_ring_parts", "missed_rings_at", "missing_rings", "missing_rings_many",
    "ring_model", "rule_rings", "shared_spreads", "stand_adjustment", "typical_distance",
    "visible_growth",
]
