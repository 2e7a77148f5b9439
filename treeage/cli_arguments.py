"""The arguments of the command line: what each command takes.

Layer 8, part of the family of `cli`.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from treeage.version import VERSION

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

Command = Callable[[argparse.Namespace], int]


def command_parser(run: Mapping[str, Command]) -> argparse.ArgumentParser:
    """Make the parser of the command line.

    Parameters
    ----------
    run : mapping of str to callable
        By command, the function that takes the parsed arguments and returns the exit code.

    Returns
    -------
    argparse.ArgumentParser
        Its result holds the function as `run`.
    """
    parser = argparse.ArgumentParser(
        prog="treeage",
        description="Ages and establishment dates of cored trees, with honest intervals.",
        epilog="Exit codes: 0 done; 1 ran, but no tree could be dated; 2 bad input, nothing written.",
    )
    parser.add_argument("--version", action="version", version=f"treeage {VERSION}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    _add_check(commands, run["check"])
    _add_estimate(commands, run["estimate"])
    _add_stand(commands, run["stand"])
    _add_columns(commands, run["columns"])
    _add_example(commands, run["example"])
    return parser


def _add_check(commands: Commands, run: Command) -> None:
    command = commands.add_parser("check", help="read a field folder and say what is wrong or odd")
    command.add_argument("folder", type=Path, help="field folder with trees.csv and cores.csv")
    command.add_argument("--crossdating", action="store_true", help="also read every core against the other trees")
    command.set_defaults(run=run)


def _add_estimate(commands: Commands, run: Command) -> None:
    command = commands.add_parser("estimate", help="date all trees of a field folder and write a report")
    _add_answers(command)
    command.add_argument("--crossdating", action="store_true", help="also read every core against the other trees")
    command.add_argument("--learn", action="store_true", help="learn the model's parameters from the stand (PyMC)")
    command.set_defaults(run=run, stand=False)


def _add_stand(commands: Commands, run: Command) -> None:
    command = commands.add_parser("stand", help="the same, and the history of the stand: structure, pulses, events")
    _add_answers(command)
    command.set_defaults(run=run, stand=True, crossdating=False, learn=False)


def _add_answers(command: argparse.ArgumentParser) -> None:
    command.add_argument("folder", type=Path, help="field folder with trees.csv and cores.csv")
    command.add_argument("--out", type=Path, help="folder for the answers (default: FOLDER_ages beside FOLDER)")
    command.add_argument("--prob", type=float, default=0.9, help="probability of the intervals (default 0.9)")
    command.add_argument("--seed", type=int, default=0, help="seed of the joint draws (default 0)")
    command.add_argument("--draws", type=int, default=4000, help="number of joint draws (default 4000)")


def _add_columns(commands: Commands, run: Command) -> None:
    command = commands.add_parser("columns", help="say what each column of the tables holds")
    command.add_argument("table", nargs="?", default="", metavar="TABLE", help="trees, cores, ... or ages; all if none")
    command.set_defaults(run=run)


def _add_example(commands: Commands, run: Command) -> None:
    command = commands.add_parser("example", help="write the demo field folder (an invented stand)")
    command.add_argument("folder", type=Path, help="folder to write, new or empty")
    command.set_defaults(run=run)
