"""Before the tree and at the tree: what to expect of cores, where to aim the next one, and what helps most."""

# fmt: off
from treeage.planning.aim import SecondCore, Way, aim_second_core

__all__ = ["SecondCore", "Way", "aim_second_core"]
