"""A folder of field tables becomes a checked Field, or all its faults at once; files are written whole or not."""

# fmt: off
from treeage.tables.columns import is_formula
from treeage.tables.field import Field, read_field
from treeage.tables.files import write_field, write_table, write_text
from treeage.tables.settings import Settings

__all__ = [
    "Field", "Settings", "is_formula", "read_field", "write_field", "write_table", "write_text",
]
