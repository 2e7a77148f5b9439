"""The commands."""

# fmt: off
from treeage.cli.commands import main

__all__ = [
    "main",
]
