"""What the field tables may hold: columns, units, ranges, words."""

# fmt: off
from treeage.schema.catalogue import (
    Column, HEMISPHERES, INPUT_TABLES, REQUIRED_TABLES, SETTINGS_FILE, SETTINGS_SECTIONS, SITE_KEYS, column,
    columns, columns_text, default_columns, nearest, nomenclature,
)
from treeage.schema.limits import (
    FEWEST_YOUNG_TREES, HEIGHT_MODEL_KEYS, NARROWEST_MEAN_MM, RING_WIDTH, SEEDLING_REACH, WIDEST_MEAN_MM,
    check_distances, check_widths, column_in_other_unit, height_faults, number_advice, ratio_slip, slip, unit_named,
    width_slip,
)

__all__ = [
    "Column", "FEWEST_YOUNG_TREES", "HEIGHT_MODEL_KEYS", "HEMISPHERES", "INPUT_TABLES", "NARROWEST_MEAN_MM",
    "REQUIRED_TABLES", "RING_WIDTH", "SEEDLING_REACH", "SETTINGS_FILE", "SETTINGS_SECTIONS", "SITE_KEYS",
    "WIDEST_MEAN_MM", "check_distances", "check_widths", "column", "column_in_other_unit", "columns",
    "columns_text", "default_columns", "height_faults", "nearest", "nomenclature", "number_advice", "ratio_slip",
    "slip", "unit_named", "width_slip",
]
