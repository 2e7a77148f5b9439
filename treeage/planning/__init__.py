"""Before the tree and at the tree: what to expect of cores, where to aim the next one, and what helps most."""

# fmt: off
from treeage.planning.actions import Action
from treeage.planning.aim import SecondCore, Way, aim_second_core
from treeage.planning.plan import CoringPlan, plan_coring
from treeage.planning.value import MINUTES, Goal, NextSteps, next_steps

__all__ = [
    "Action", "CoringPlan", "Goal", "MINUTES", "NextSteps", "SecondCore", "Way", "aim_second_core", "next_steps",
    "plan_coring",
]
