"""The command line: check a field folder, date its trees, write the demo folder.

The only module that prints or sets an exit code: 0 done, 1 ran but nothing usable, 2 bad input.
"""

from __future__ import annotations

import argparse
import os
import sys
import textwrap
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from treeage.errors import Fault, InputError, ModelError, TreeageWarning, place_fault
from treeage.version import VERSION

if TYPE_CHECKING:
    import pandas as pd

    from treeage.results import Ages, TreeAge
    from treeage.stand import StandHistory
    from treeage.tables import Field

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


DONE, NOTHING_USABLE, BAD_INPUT, STOPPED = 0, 1, 2, 130
SHOWN_TREES = 5  # choice: best and worst dated trees on the screen; all of them are in ages.csv
SHOWN_LINES = 8  # choice: notes and flags on the screen; all of them are in report.html
WIDTH = 100  # choice: characters of a line on the screen
QUIET_SECONDS = 1.5  # choice: a shorter run shows no progress bar


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
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # names in any script must not stop a run on a plain terminal
            stream.reconfigure(errors="backslashreplace")
    arguments = _parser().parse_args(argv)
    try:
        code: int = arguments.run(arguments)
    except (InputError, ModelError) as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except OSError as error:
        print(place_fault(error, str(error.filename or "treeage")).line(), file=sys.stderr)
        return BAD_INPUT
    except KeyboardInterrupt:
        print("Stopped; no output was changed.", file=sys.stderr)
        return STOPPED
    return code


def _parser() -> argparse.ArgumentParser:
    return command_parser(
        {"check": _check, "estimate": _estimate, "stand": _estimate, "columns": _columns, "example": _example}
    )


# ---------------------------------------------------------------------- commands


def _check(arguments: argparse.Namespace) -> int:
    from treeage.tables import read_field

    field = read_field(arguments.folder)
    print(field.summary(whole=True))
    for line in _no_heights(field):
        print(textwrap.fill(f"  note: {line}", 120, subsequent_indent="    "))
    print("No faults found.")
    if arguments.crossdating:
        from treeage.estimate import crossdate_field

        with _progress(len(field.cores)) as tick:
            tables = crossdate_field(field, tick=tick)
        print(_crossdating_lines(tables))
    return DONE


def _no_heights(field: Field) -> list[str]:
    """Notes on the species that have no height model, so that their dates will refer to the coring height."""
    from treeage.estimate import species_without_heights

    return [
        Fault(**{str(key): value for key, value in note.items()}).line()
        for note in species_without_heights(field).to_dict("records")
    ]


def _estimate(arguments: argparse.Namespace) -> int:
    _require_arguments(arguments)
    target = arguments.out or arguments.folder.resolve().with_name(arguments.folder.resolve().name + "_ages")
    if target.exists() and target.resolve() == arguments.folder.resolve():
        do = "Name another folder; the input stays as it is."
        raise InputError(Fault(str(target), "a folder other than the input", do, "treeage estimate", 0, "--out"))
    from treeage.tables import read_field

    field = read_field(arguments.folder)
    from treeage.report import FIGURE_COUNT, NOT_FOR_DECISIONS, recorded_files, write_outputs

    earlier = recorded_files(target)
    with _caught_warnings() as said, _progress(len(field.trees) + (FIGURE_COUNT + 1) * 10) as tick:
        ages = _dated(field, arguments, tick)
        history = _history(ages, arguments)
        try:
            files = write_outputs(
                ages, target, draws=arguments.draws, history=history, tick=lambda steps: tick(10 * steps)
            )
        except OSError as error:
            raise InputError(place_fault(error, "treeage estimate", f"--out {target}")) from error
    print(_screen(ages))
    if history is not None and history.core_height_note:
        print("", *_filled(f"Stand: {history.core_height_note}."), sep="\n")
    for line in dict.fromkeys(said):
        print(textwrap.fill(f"warning: {line}", WIDTH, subsequent_indent="  "), file=sys.stderr)
    print(f"\nWritten to {target}: {', '.join(sorted({_top(file, target) for file in files}))}")
    gone = sorted({path.relative_to(target).as_posix() for path in earlier if not path.exists()})
    if gone:
        print(textwrap.fill(f"Removed there, of an earlier run: {', '.join(gone)}", WIDTH, subsequent_indent="  "))
    print(textwrap.fill(NOT_FOR_DECISIONS, WIDTH))
    if not ages.trees:
        print("No tree could be dated; the report says why.", file=sys.stderr)
        return NOTHING_USABLE
    return DONE


def _dated(field: Field, arguments: argparse.Namespace, tick: Callable[[int], object]) -> Ages:
    """Ages by the exact engine, or with learned parameters."""
    if arguments.learn:
        from treeage.hierarchical import fit_hierarchical

        ages: Ages = fit_hierarchical(field, prob=arguments.prob, seed=arguments.seed, tick=tick)
    else:
        from treeage.estimate import estimate_ages

        ages = estimate_ages(field, prob=arguments.prob, seed=arguments.seed, tick=tick)
    if not arguments.crossdating:
        return ages
    from dataclasses import replace

    from treeage.estimate import crossdate_field

    tables = {f"crossdating_{name}": table for name, table in crossdate_field(field).items()}
    return replace(ages, extras={**ages.extras, **tables})


def _history(ages: Ages, arguments: argparse.Namespace) -> StandHistory | None:
    """History of the stand where it was asked for."""
    if not arguments.stand:
        return None
    from treeage.stand import stand_history

    return stand_history(ages, count=arguments.draws, seed=arguments.seed)  # type: ignore[arg-type]


def _crossdating_lines(tables: dict[str, pd.DataFrame]) -> str:
    """What reading the cores against the other trees found, for the screen."""
    agreement, places, swaps = tables["agreement"], tables["places"], tables["swaps"]
    low = agreement[agreement["correlation"] < agreement["critical_correlation"]]
    moved = agreement[agreement["likeliest_shift"].fillna(0) != 0]
    near = places[places["best"] & (places["prob_near"] > 0.5)]
    lines = ["", f"Read against the other trees of their species: {len(agreement)} cores."]
    for title, table, words in (
        ("Correlation below the 99 % limit", low, lambda row: f"r = {row['correlation']:.2f}"),
        ("Better at another outer year", moved, lambda row: f"shift {int(row['likeliest_shift']):+d} years"),
        (
            "Ring perhaps absent or false",
            near,
            lambda row: f"{row['kind']} about {row['year']}, p {row['prob_near']:.2f}",
        ),
        ("Agrees better with another tree", swaps, lambda row: f"with tree {row['other_tree']}"),
    ):
        found = [f"tree {row['tree']}, core {row['core']}: {words(row)}" for row in table.to_dict("records")]  # type: ignore[no-untyped-call]
        lines += ["", f"{title}: {len(found)}", *_indented(found, most=len(found))]
    return "\n".join([*lines, "", "A person decides at the wood; nothing was changed."])


def _example(arguments: argparse.Namespace) -> int:
    from treeage.report import CAUTIONS
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
    for caution in CAUTIONS:
        print(textwrap.fill(caution, WIDTH, initial_indent="- ", subsequent_indent="  "))
    return DONE


def _columns(arguments: argparse.Namespace) -> int:
    from treeage.schema import columns_text

    print(columns_text(arguments.table, width=WIDTH))
    return DONE


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


# ---------------------------------------------------------------------- the screen


@contextmanager
def _progress(total: int) -> Iterator[Callable[[int], object]]:
    """A bar on a terminal when the run takes longer than a moment; nothing elsewhere."""
    if not sys.stderr.isatty():
        yield lambda _steps: None
        return
    from tqdm import tqdm

    with tqdm(
        total=total, desc="treeage", delay=QUIET_SECONDS, leave=False, bar_format="{desc} {bar} {percentage:3.0f} %"
    ) as bar:
        yield bar.update


@contextmanager
def _caught_warnings() -> Iterator[list[str]]:
    """Collect the package's warnings as lines; all others keep their way."""
    said: list[str] = []
    usual = warnings.showwarning
    with warnings.catch_warnings():
        warnings.simplefilter("always", TreeageWarning)

        def keep(message: Warning | str, category: type[Warning], *rest: object, **named: object) -> None:
            if issubclass(category, TreeageWarning):
                said.append(str(message))
            else:
                usual(message, category, *rest, **named)  # type: ignore[arg-type]

        warnings.showwarning = keep
        yield said


def _screen(ages: Ages) -> str:
    from treeage.report import account_lines, note_line

    lines = [ages.summary().splitlines()[0], *_filled(ages.date_note)]
    dated = [answer for answer in ages if answer.status == "estimated"]
    if dated:
        order = sorted(dated, key=lambda answer: (_how_sure(answer, ages.prob), answer.tree))
        if len(order) <= 2 * SHOWN_TREES:
            lines += ["", "Dated trees", *_table(order, ages)]
        else:
            lines += ["", "Best dated", *_table(order[:SHOWN_TREES], ages), ""]
            lines += ["Worst dated", *_table(order[-SHOWN_TREES:], ages)]
    lines += ["", "Rows of the input", *(f"  {line}" for line in account_lines(ages))]
    counts: dict[str, int] = {}
    for answer in ages:
        for flag in answer.flags:
            counts[flag] = counts.get(flag, 0) + 1
    flagged = [
        f"{flag.replace('_', ' ')}: {count} tree{'' if count == 1 else 's'}"
        for flag, count in sorted(counts.items(), key=lambda item: -item[1])
    ]
    notes = [note_line(note) for note in ages.notes.to_dict("records")]
    for title, found in (("Flags", flagged), ("Notes", notes)):
        if found:
            lines += ["", title, *_indented(found)]
    return "\n".join(lines)


def _filled(words: str) -> list[str]:
    return textwrap.wrap(words, WIDTH)


def _how_sure(answer: TreeAge, prob: float) -> tuple[bool, int]:
    """Order from best to worst: a date at coring height leaves unknown years open, however narrow its interval."""
    low, high = answer.date.interval(prob)
    return answer.date_refers_to != "root collar", high - low


def _indented(found: list[str], *, most: int = SHOWN_LINES) -> list[str]:
    shown = [textwrap.fill(line, WIDTH, initial_indent="  ", subsequent_indent="    ") for line in found[:most]]
    rest = len(found) - most
    return [*shown, f"  and {rest} more, see report.html"] if rest > 0 else shown


def _table(answers: Sequence[TreeAge], ages: Ages) -> list[str]:
    """Dates as lines of words; a star marks dates at coring height where others are establishment years."""
    from treeage.results import CORE_HEIGHT, year_text

    level = f"{100 * ages.prob:g} %"
    above = len(ages.at_core_height)
    heads = ["at coring height", "age there"] if above == len(ages.trees) else ["established", "age"]
    rows = [["tree", "species", heads[0], level, heads[1], level, "rings"]]
    starred = False
    for answer in answers:
        there = answer.date_refers_to == CORE_HEIGHT
        star = "*" if there and above < len(ages.trees) else ""
        starred |= bool(star)
        age = answer.age_at_core_height if there else answer.age
        (first, last), (youngest, oldest) = answer.date.interval(ages.prob), age.interval(ages.prob)
        rows.append([answer.tree[:20], answer.species[:24], year_text(answer.date.median()) + star,
                     f"{year_text(first)} to {year_text(last)}", f"{age.median()}{star}", f"{youngest} to {oldest}",
                     str(answer.minimum_age)])  # fmt: skip
    widths = [max(len(row[at]) for row in rows) for at in range(len(rows[0]))]
    left = 2  # columns of names
    lines = [
        "  "
        + "  ".join(
            word.ljust(width) if at < left else word.rjust(width)
            for at, (word, width) in enumerate(zip(row, widths, strict=True))
        )
        for row in rows
    ]
    return [*lines, "  * at coring height, age there: the tree is older by unknown years"] if starred else lines


def _top(file: Path, target: Path) -> str:
    part = file.relative_to(target).parts
    return part[0] + (os.sep if len(part) > 1 else "")
