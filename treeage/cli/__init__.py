"""The commands."""

# fmt: off
from treeage.cli.guard import main

__all__ = [
    "main",
]
