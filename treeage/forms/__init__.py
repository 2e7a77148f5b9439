"""What is filled in before the estimate: an empty field folder, its workbook, field cards, drafts from ring files."""

# fmt: off
from treeage.forms.card import CARD_SIZES, field_card
from treeage.forms.start import ask_settings, draft_ring_tables, settings_guide, start_folder
from treeage.forms.workbook import empty_workbook

__all__ = [
    "CARD_SIZES", "ask_settings", "draft_ring_tables", "empty_workbook", "field_card", "settings_guide", "start_folder",
]
