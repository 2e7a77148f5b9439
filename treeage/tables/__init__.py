"""A folder of field tables becomes a checked Field, or all its faults at once; files are written whole or not."""

# fmt: off
from treeage.tables.columns import CoreTable, cell_fault, csv_bytes, is_formula
from treeage.tables.field import Field, cores_with_trees, read_field
from treeage.tables.files import RawTable, write_bytes, write_field, write_table, write_text
from treeage.tables.settings import Settings, read_settings, settings_text
from treeage.tables.workbook import SETTINGS_HEAD, SETTINGS_SHEET, WORKBOOK_FILE, read_place

__all__ = [
    "CoreTable", "Field", "RawTable", "SETTINGS_HEAD", "SETTINGS_SHEET", "Settings", "WORKBOOK_FILE",
    "cell_fault", "cores_with_trees", "csv_bytes", "is_formula", "read_field", "read_place", "read_settings",
    "settings_text", "write_bytes", "write_field", "write_table", "write_text",
]
