"""What the field tables may hold: columns, units, ranges and words, likely slips, the settings of height models."""

# fmt: off
from treeage.schema.catalogue import (
    Column, Dating, FROM_YOUNG_TREES, HEMISPHERES, HeightChoice, INPUT_TABLES, InnerEnd, Interval, OuterEnd,
    REQUIRED_TABLES, SETTINGS_FILE, SETTINGS_SECTIONS, SITE_KEYS, Word, column, columns, columns_text,
    default_columns, nearest, nomenclature,
)
from treeage.schema.limits import (
    FEWEST_YOUNG_TREES, HEIGHT_MODEL_KEYS, MEAN_WIDTH, RING_WIDTH, SEEDLING_REACH, check_distances, check_widths,
    column_in_other_unit, height_faults, ratio_slip, slip, unit_named, width_slip, word_of,
)

__all__ = [
    "Column", "Dating", "FEWEST_YOUNG_TREES", "FROM_YOUNG_TREES", "HEIGHT_MODEL_KEYS", "HEMISPHERES",
    "HeightChoice", "INPUT_TABLES", "InnerEnd", "Interval", "MEAN_WIDTH", "OuterEnd", "REQUIRED_TABLES",
    "RING_WIDTH", "SEEDLING_REACH", "SETTINGS_FILE", "SETTINGS_SECTIONS", "SITE_KEYS", "Word", "check_distances",
    "check_widths", "column", "column_in_other_unit", "columns", "columns_text", "default_columns", "height_faults",
    "nearest", "nomenclature", "ratio_slip", "slip", "unit_named", "width_slip", "word_of",
]
