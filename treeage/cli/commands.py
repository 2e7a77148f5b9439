"""The command line: check a field folder, date its trees, tell the history of the stand, write the demo folder.

The only room that prints or sets an exit code: 0 done, 1 ran but nothing usable, 2 bad input.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from treeage.cli import screen
from treeage.errors import Fault, InputError, ModelError, place_fault
from treeage.version import VERSION

if TYPE_CHECKING:
    from treeage.results import Ages
    from treeage.stand import StandHistory
    from treeage.tables import Field

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

DONE, NOTHING_USABLE, BAD_INPUT, STOPPED = 0, 1, 2, 130
NOTE_WIDTH = 120  # choice: that of the notes in the summary of a field


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments; those of the process by default.

    Returns
    -------
    int
        Exit code: 0 done, 1 ran but nothing usable, 2 bad input, 130 stopped by the user.

    Raises
    ------
    SystemExit
        From the argument parser, with code 2 for wrong arguments and 0 for --help and --version.

    Examples
    --------
    >>> main(["check", "no/such/folder"])
    2
    """
    screen.escape_what_cannot_be_shown()
    arguments = command_parser().parse_args(argv)
    try:
        code: int = arguments.run(arguments)
    except (InputError, ModelError) as error:
        screen.say(str(error))
        return BAD_INPUT
    except OSError as error:
        screen.say(place_fault(error, str(error.filename or "treeage")).line())
        return BAD_INPUT
    except KeyboardInterrupt:
        screen.say("Stopped; no output was changed.")
        return STOPPED
    return code


# ---------------------------------------------------------------------- arguments


def command_parser() -> argparse.ArgumentParser:
    """The parser of the command line; its result holds the function of the command as `run`."""
    parser = argparse.ArgumentParser(
        prog="treeage",
        description="Ages and establishment dates of cored trees, with honest intervals.",
        epilog="Exit codes: 0 done; 1 ran, but no tree could be dated; 2 bad input, nothing written.",
    )
    parser.add_argument("--version", action="version", version=f"treeage {VERSION}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    _add_check(commands)
    _add_estimate(commands)
    _add_stand(commands)
    _add_columns(commands)
    _add_example(commands)
    return parser


def _add_check(commands: Commands) -> None:
    command = commands.add_parser("check", help="read a field folder and say what is wrong or odd")
    command.add_argument("folder", type=Path, help="field folder with trees.csv and cores.csv")
    command.add_argument("--crossdating", action="store_true", help="also read every core against the other trees")
    command.set_defaults(run=check)


def _add_estimate(commands: Commands) -> None:
    command = commands.add_parser("estimate", help="date all trees of a field folder and write a report")
    _add_answers(command)
    command.add_argument("--crossdating", action="store_true", help="also read every core against the other trees")
    command.add_argument("--learn", action="store_true", help="learn the model's parameters from the stand (PyMC)")
    command.set_defaults(run=estimate, stand=False)


def _add_stand(commands: Commands) -> None:
    command = commands.add_parser("stand", help="the same, and the history of the stand: structure, pulses, events")
    _add_answers(command)
    command.set_defaults(run=estimate, stand=True, crossdating=False, learn=False)


def _add_answers(command: argparse.ArgumentParser) -> None:
    command.add_argument("folder", type=Path, help="field folder with trees.csv and cores.csv")
    command.add_argument("--out", type=Path, help="folder for the answers (default: FOLDER_ages beside FOLDER)")
    command.add_argument("--prob", type=float, default=0.9, help="probability of the intervals (default 0.9)")
    command.add_argument("--seed", type=int, default=0, help="seed of the joint draws (default 0)")
    command.add_argument("--draws", type=int, default=4000, help="number of joint draws (default 4000)")
    command.add_argument(
        "--sensitivity", action="store_true", help="also halve and double every default number (some 60 runs)"
    )


def _add_columns(commands: Commands) -> None:
    command = commands.add_parser("columns", help="say what each column of the tables holds")
    command.add_argument("table", nargs="?", default="", metavar="TABLE", help="trees, cores, ... or ages; all if none")
    command.set_defaults(run=columns)


def _add_example(commands: Commands) -> None:
    command = commands.add_parser("example", help="write the demo field folder (an invented stand)")
    command.add_argument("folder", type=Path, help="folder to write, new or empty")
    command.set_defaults(run=example)


def _require_arguments(arguments: argparse.Namespace) -> None:
    faults = []
    if not 0 < arguments.prob < 1:
        do = "Write for example --prob 0.95."
        faults.append(Fault(f"{arguments.prob:g}", "between 0 and 1", do, "treeage estimate", 0, "--prob"))
    if arguments.draws < 1:
        do = "Ask for some draws."
        faults.append(Fault(str(arguments.draws), "at least 1", do, "treeage estimate", 0, "--draws"))
    if arguments.seed < 0:
        do = "Write for example --seed 1."
        faults.append(Fault(str(arguments.seed), "at least 0", do, "treeage estimate", 0, "--seed"))
    if faults:
        raise InputError(faults)


# ---------------------------------------------------------------------- commands


def check(arguments: argparse.Namespace) -> int:
    """Read a folder and say what is odd; faults stop it."""
    from treeage.estimate import crossdate_field, height_plan, species_without_heights
    from treeage.report import note_line
    from treeage.tables import read_field

    field = read_field(arguments.folder)
    print(field.summary(whole=True))
    print(screen.height_lines(height_plan(field)))
    for note in species_without_heights(field).to_dict("records"):
        print(screen.filled(f"  note: {note_line(note)}", rest="    ", width=NOTE_WIDTH))
    print("No faults found.")
    if arguments.crossdating:
        with screen.progress(len(field.cores)) as tick:
            tables = crossdate_field(field, tick=tick)
        print(screen.crossdating_lines(tables))
    return DONE


def estimate(arguments: argparse.Namespace) -> int:
    """Date the trees of a folder, with the history of their stand where asked for, and write the answers."""
    _require_arguments(arguments)
    target = _target(arguments)
    from treeage.tables import read_field

    field = read_field(arguments.folder)
    from treeage.report import recorded_files, words, write_outputs

    earlier = recorded_files(target)
    with screen.caught_warnings() as said, screen.progress(_steps(field, arguments)) as tick:
        ages = _dated(field, arguments, tick)
        history = _history(ages, arguments)
        try:
            files = write_outputs(
                ages, target, draws=arguments.draws, history=history, tick=lambda steps: tick(10 * steps)
            )
        except OSError as error:
            raise InputError(place_fault(error, "treeage estimate", f"--out {target}")) from error
    print(screen.ages_lines(ages))
    for line in _told(ages):
        print("", screen.filled(line), sep="\n")
    if history is not None and history.core_height_note:
        print("", screen.filled(f"Stand: {history.core_height_note}."), sep="\n")
    for line in dict.fromkeys(said):
        screen.say(screen.filled(f"warning: {line}", rest="  "))
    gone = sorted(path.relative_to(target).as_posix() for path in earlier if not path.exists())
    print(screen.written_lines(target, files, gone))
    print(screen.filled(words("caution")["decisions"]))
    if not ages.trees:
        screen.say("No tree could be dated; the report says why.")
        return NOTHING_USABLE
    return DONE


def _steps(field: Field, arguments: argparse.Namespace) -> int:
    """Steps of a run for its progress bar: one a tree and run, and ten a figure."""
    from treeage.priors import entries
    from treeage.report import FIGURE_COUNT

    runs = 1 + (2 * len(entries()) if arguments.sensitivity else 0)
    return len(field.trees) * runs + (FIGURE_COUNT + 1) * 10


def _target(arguments: argparse.Namespace) -> Path:
    """Folder of the answers; never that of the input."""
    folder = arguments.folder.resolve()
    target: Path = arguments.out or folder.with_name(folder.name + "_ages")
    if target.exists() and target.resolve() == folder:
        do = "Name another folder; the input stays as it is."
        raise InputError(Fault(str(target), "a folder other than the input", do, "treeage estimate", 0, "--out"))
    return target


def _dated(field: Field, arguments: argparse.Namespace, tick: Callable[[int], object]) -> Ages:
    """Ages by the exact engine, or with learned parameters."""
    if arguments.learn:
        from treeage.hierarchical import fit_hierarchical

        ages: Ages = fit_hierarchical(field, prob=arguments.prob, seed=arguments.seed, tick=tick)
    else:
        from treeage.estimate import estimate_ages

        ages = estimate_ages(field, prob=arguments.prob, seed=arguments.seed, tick=tick)
    from treeage.checks import sensitivity, with_checks

    tables: dict[str, object] = {}
    if arguments.crossdating:
        from treeage.estimate import crossdate_field

        tables = {f"crossdating_{name}": table for name, table in crossdate_field(field).items()}
    if arguments.sensitivity:
        moved = sensitivity(field, tick=lambda runs: tick(runs * len(field.trees)))
        tables |= {"sensitivity": moved, "sensitivity_trees": moved.trees}
    return with_checks(replace(ages, extras={**ages.extras, **tables}), seed=arguments.seed)


def _told(ages: Ages) -> list[str]:
    """Predictive checks that failed, and what the dates rest on where it was asked for."""
    made = (ages.extras.get(name) for name in ("predictive_checks", "sensitivity"))
    return [each.sentence() for each in made if each is not None and getattr(each, "failed", True)]


def _history(ages: Ages, arguments: argparse.Namespace) -> StandHistory | None:
    """History of the stand where it was asked for."""
    if not arguments.stand:
        return None
    from treeage.stand import stand_history

    return stand_history(ages, count=arguments.draws, seed=arguments.seed)  # type: ignore[arg-type]


def columns(arguments: argparse.Namespace) -> int:
    """Say what the columns of the tables hold."""
    from treeage.schema import columns_text

    print(columns_text(arguments.table, width=screen.WIDTH))
    return DONE


def example(arguments: argparse.Namespace) -> int:
    """Write the demo folder, and say what to mind before coring real trees."""
    from treeage.report import words
    from treeage.simulate import example_field

    try:
        field_folder, truth_folder = example_field(arguments.folder)
    except InputError as error:
        need, do = "a new or empty folder, and likewise FOLDER_truth beside it", "Choose another folder."
        got = [str(fault) for fault in error.faults["got"]]
        raise InputError([Fault(each, need, do, "treeage example", 0, "FOLDER") for each in got]) from error
    except OSError as error:
        raise InputError(place_fault(error, "treeage example", f"FOLDER {arguments.folder}")) from error
    print(f"Field tables of an invented stand: {field_folder}")
    print(f"Its hidden truth, to score answers:  {truth_folder}")
    print(f"Next: treeage estimate {field_folder} --out ages\n\nBefore you core real trees:")
    for caution in words("caution").values():
        print(screen.filled(caution, "- ", "  "))
    return DONE
