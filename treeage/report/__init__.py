"""What is written for people, report.html with its figures and methods.md, and with it the tables, draws and record."""

# fmt: off
from treeage.report.texts import note_line, row_account, words
from treeage.report.write import FIGURE_COUNT, recorded_files, render, write_outputs

__all__ = ["FIGURE_COUNT", "note_line", "recorded_files", "render", "row_account", "words", "write_outputs"]
