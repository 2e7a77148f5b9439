"""What is written for people: the page, the methods text, the figures, run.json."""

# fmt: off
from treeage.report.methods import CAUTIONS, NOT_FOR_DECISIONS, account_lines
from treeage.report.page import note_line
from treeage.report.write import FIGURE_COUNT, recorded_files, write_outputs

__all__ = [
    "CAUTIONS", "FIGURE_COUNT", "NOT_FOR_DECISIONS", "account_lines", "note_line", "recorded_files",
    "write_outputs",
]
