"""What the field tables may hold: columns, units, ranges and words, likely slips, the settings of height models."""

# fmt: off
from treeage.schema.catalogue import (
    DOUBT_KEYS, CORE_HEIGHT, Column, Counts, CountsFrom, Dating, FROM_YOUNG_TREES, FigureUse, HEMISPHERES, HeightChoice,
    INPUT_TABLES, InnerEnd, Interval, OuterEnd, REQUIRED_TABLES, ROOT_COLLAR, SETTINGS_FILE, SETTINGS_SECTIONS,
    SITE_KEYS, SeedlingSampling, Tip, TreeOrigin, TreeStatus, WidthsTaken, Word, column,
    column_numbers, columns, columns_text,
    default_columns, genus_of, horizontal_share, innermost_year, nearest, nomenclature,
)
from treeage.schema.limits import (
    ERA_LOG_SD, FEWEST_POINTS, FEWEST_YOUNG_TREES, FOOT_M, HEIGHT_MODEL_KEYS, LATEST_YEAR, MEAN_WIDTH, MOST_YEARS,
    RING_WIDTH, SEEDLING_REACH, check_distances, check_widths, column_in_other_unit, height_faults, in_unit, ratio_slip,
    slip, unit_named, width_slip, word_of,
)

__all__ = [
    "CORE_HEIGHT", "Column", "Counts", "CountsFrom", "DOUBT_KEYS", "Dating", "ERA_LOG_SD", "FEWEST_POINTS",
    "FEWEST_YOUNG_TREES", "FOOT_M", "FROM_YOUNG_TREES", "FigureUse", "HEIGHT_MODEL_KEYS", "HEMISPHERES",
    "HeightChoice", "INPUT_TABLES", "InnerEnd", "Interval", "LATEST_YEAR", "MEAN_WIDTH", "MOST_YEARS", "OuterEnd",
    "REQUIRED_TABLES", "RING_WIDTH", "ROOT_COLLAR",
    "SEEDLING_REACH", "SETTINGS_FILE", "SETTINGS_SECTIONS", "SITE_KEYS", "SeedlingSampling", "Tip", "TreeOrigin",
    "TreeStatus", "WidthsTaken", "Word",
    "check_distances", "check_widths", "column", "column_in_other_unit", "column_numbers", "columns",
    "columns_text", "default_columns", "genus_of", "height_faults", "horizontal_share", "in_unit",
    "innermost_year", "nearest", "nomenclature", "ratio_slip", "slip", "unit_named", "width_slip", "word_of",
]
