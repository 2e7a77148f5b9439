"""The command line: check a field folder, date its trees, tell the history of the stand, write the demo folder.

The only room that prints or sets an exit code: 0 done, 1 ran but nothing usable, 2 bad input (`guard`).
"""

from __future__ import annotations

import argparse
import os
import re
import textwrap
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from treeage.cli.batch import add_batch
from treeage.cli.forms import add_form_commands, scenario_lines
from treeage.cli.guard import (
    BAD_INPUT,
    DONE,
    NOTHING_USABLE,
    STOPPED,
    WIDTH,
    answers_go_to,
    filled,
    main,
    place,
    progress,
    say,
)
from treeage.cli.planning import add_planning_commands
from treeage.cli.proof import add_validate
from treeage.display import VERSION
from treeage.errors import Fault, InputError, TreeageWarning, place_fault, plain, show

if TYPE_CHECKING:
    import pandas as pd

    from treeage.results import Ages, TreeAge
    from treeage.stand import StandHistory
    from treeage.tables import Field

    Commands = argparse._SubParsersAction[Any]

__all__ = ["BAD_INPUT", "DONE", "NOTHING_USABLE", "STOPPED", "command_parser", "main"]

NOTE_WIDTH = 120  # choice: that of the notes in the summary of a field
SHOWN_TREES = 5  # choice: best and worst dated trees on the screen; all of them are in ages.csv
SHOWN_LINES = 8  # choice: notes and flags on the screen; all of them are in report.html
WORTH_A_LOOK = 0.05  # choice: below this no probability of a fault is shown
MOST_DRAWS = 1_000_000  # choice: Monte Carlo error is long below a year; the table has a column a tree
NAME_COLUMNS = 2  # columns of a table of trees that stand left; numbers stand right


# ---------------------------------------------------------------------- arguments


class _Parser(argparse.ArgumentParser):
    """Says the nearest command, option or table where a word is not known."""

    def error(self, message: str) -> NoReturn:
        """End with code 2 and a message that names what was probably meant."""
        from treeage.schema import nearest

        wrong = re.search(r"unrecognized arguments: (\S+)|invalid choice: '([^']*)'", message)
        known = [word for action in self._actions for word in (*action.option_strings, *(action.choices or ()))]
        word = (wrong[1] or wrong[2]).split("=")[0] if wrong else ""
        near = nearest(word, [name for name in known if name.startswith("-") == word.startswith("-")]) if word else ""
        super().error(plain(f"{message}. Did you mean {near}?" if near else message))  # words of the line, as they came

    def parse_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Let the command that was named say what is wrong with its options."""
        found, rest = self.parse_known_args(args, namespace)
        if rest:
            named = {name: each for action in self._actions for name, each in dict(action.choices or {}).items()}
            named.get(found.command, self).error(f"unrecognized arguments: {' '.join(rest)}")
        return found


def command_parser() -> argparse.ArgumentParser:
    """The parser of the command line; its result holds the function of the command as `run`."""
    parser = _Parser(
        prog="treeage",
        description="Ages and establishment dates of cored trees, with honest intervals.",
        epilog="Exit codes: 0 done; 1 ran, but without an answer: no tree could be dated or scored, nothing could be "
        "held against the truth, or stands of a batch were left out; 2 bad input, nothing written; 130 stopped.",
    )
    parser.add_argument("--version", action="version", version=f"treeage {VERSION}")
    commands: Commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND", dest="command")
    _add_check(commands)
    _add_estimate(commands)
    _add_stand(commands)
    add_batch(commands)
    add_validate(commands)
    _add_columns(commands)
    _add_example(commands)
    add_form_commands(commands)
    add_planning_commands(commands)
    return parser


def _add_check(commands: Commands) -> None:
    command = commands.add_parser("check", help="read a field folder and say what is wrong or odd")
    command.add_argument("folder", type=place, help="field folder with trees.csv and cores.csv, or a workbook")
    command.add_argument("--crossdating", action="store_true", help="also read every core against the other trees")
    command.set_defaults(run=check)


def _add_estimate(commands: Commands) -> None:
    command = commands.add_parser("estimate", help="date all trees of a field folder and write a report")
    _add_answers(command)
    command.set_defaults(run=estimate, stand=False)


def _add_stand(commands: Commands) -> None:
    command = commands.add_parser("stand", help="the same, and the history of the stand: structure, pulses, events")
    _add_answers(command)
    command.set_defaults(run=estimate, stand=True)


def _add_answers(command: argparse.ArgumentParser) -> None:
    command.add_argument("folder", type=place, help="field folder with trees.csv and cores.csv, or a workbook")
    command.add_argument("--out", type=place, help="folder for the answers (default: FOLDER_ages beside FOLDER)")
    command.add_argument("--prob", type=float, default=0.9, help="probability of the intervals (default 0.9)")
    command.add_argument("--seed", type=int, default=0, help="seed of the joint draws (default 0)")
    command.add_argument("--draws", type=int, default=4000, help="number of joint draws (default 4000)")
    command.add_argument("--crossdating", action="store_true", help="also read every core against the other trees")
    command.add_argument("--learn", action="store_true", help="learn the model's parameters from the stand (PyMC)")
    command.add_argument(
        "--figures", default="double", metavar="WIDTH", help="single (85 mm) or double (170 mm, default)"
    )
    command.add_argument("--formats", default="png,svg", help="formats of the figures: png, svg, pdf (default png,svg)")
    command.add_argument(
        "--sensitivity", action="store_true", help="also halve and double every default number (some 60 runs)"
    )


def _add_columns(commands: Commands) -> None:
    command = commands.add_parser("columns", help="say what each column of the tables holds")
    command.add_argument(
        "table", nargs="?", default="", metavar="TABLE", help="trees, cores, ..., ages, or stand_events, ..."
    )
    command.set_defaults(run=columns)


def _add_example(commands: Commands) -> None:
    command = commands.add_parser("example", help="write an invented field folder, by default the demo")
    command.add_argument("folder", type=place, nargs="?", help="folder to write, new or empty")
    command.add_argument("--scenario", default="demo", metavar="NAME", help="one of --list (default demo)")
    command.add_argument("--trees", type=int, help="number of trees (default: that of the scenario)")
    command.add_argument("--seed", type=int, default=2025, help="seed of the stand (default 2025: the demo)")
    command.add_argument("--list", action="store_true", help="say which stands there are, and write nothing")
    command.set_defaults(run=example)


def _require_arguments(arguments: argparse.Namespace) -> None:
    faults, command = [], f"treeage {arguments.command}"
    if not 0 < arguments.prob < 1:
        do = "Write for example --prob 0.95."
        faults.append(Fault(f"{arguments.prob:g}", "between 0 and 1", do, command, 0, "--prob"))
    if not 1 <= arguments.draws <= MOST_DRAWS:
        do, need = "Write for example --draws 4000.", f"at least 1 and at most {MOST_DRAWS}"
        faults.append(Fault(show(arguments.draws), need, do, command, 0, "--draws"))
    if arguments.seed < 0:
        do = "Write for example --seed 1."
        faults.append(Fault(str(arguments.seed), "at least 0", do, command, 0, "--seed"))
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
    print(height_lines(height_plan(field)))
    for note in species_without_heights(field).to_dict("records"):
        print(filled(f"  note: {note_line(note)}", rest="    ", width=NOTE_WIDTH))
    print("No faults found.")
    if arguments.crossdating:
        with progress(len(field.cores)) as tick:
            tables = crossdate_field(field, tick=tick)
        print(crossdating_lines(tables))
    return DONE


def estimate(arguments: argparse.Namespace) -> int:
    """Date the trees of a folder, with the history of their stand where asked for, and write the answers."""
    _require_arguments(arguments)
    target = _target(arguments)
    from treeage.tables import read_field

    field = read_field(arguments.folder)
    from treeage.report import FigureForm, recorded_files, words, write_outputs

    form = FigureForm(arguments.figures, tuple(arguments.formats.split(",")))  # asked before the work begins
    earlier = recorded_files(target)
    with caught_warnings() as said, progress(_steps(field, arguments)) as tick:
        ages = _dated(field, arguments, tick)
        history = _history(ages, arguments)
        try:
            files = write_outputs(
                ages, target, draws=arguments.draws, history=history, figures=form.width, formats=form.formats,
                tick=lambda steps: tick(10 * steps),
            )  # fmt: skip
        except OSError as error:
            raise InputError(place_fault(error, f"treeage {arguments.command}", f"--out {target}")) from error
    print(ages_lines(ages))
    for line in _told(ages):
        print("", filled(line), sep="\n")
    if history is not None:
        print("", "The stand", *(filled(line, "  ", "    ") for line in history.sentences()), sep="\n")
        if history.core_height_note:
            print(filled(f"{history.core_height_note}.", "  ", "    "))
    for line in dict.fromkeys(said):
        say(filled(f"warning: {line}", rest="  "))
    gone = sorted(path.relative_to(target).as_posix() for path in earlier if not path.exists())
    print(written_lines(target, files, gone))
    print(filled(words("caution")["decisions"]))
    if not ages.trees:
        say("No tree could be dated; the report says why.")
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
    folder, command = arguments.folder.resolve(), f"treeage {arguments.command}"
    if arguments.out is None and not folder.name:
        need, do = "a folder with a name of its own", "Name the folder of the answers: --out answers."
        raise InputError(Fault(str(folder), need, do, command, 0, "FOLDER"))
    target: Path = arguments.out or folder.with_name((folder.stem if folder.is_file() else folder.name) + "_ages")
    if target.exists() and target.resolve() == folder:
        do = "Name another folder; the input stays as it is."
        raise InputError(Fault(str(target), "a folder other than the input", do, command, 0, "--out"))
    from treeage.report import check_place

    check_place(target, command, "--out")
    answers_go_to(arguments, target)
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

    print(columns_text(arguments.table, width=WIDTH))
    return DONE


def example(arguments: argparse.Namespace) -> int:
    """Write an invented folder, and say what to mind before coring real trees."""
    from treeage.report import words
    from treeage.simulate import example_field

    if arguments.list:
        print(scenario_lines())
        return DONE
    if arguments.folder is None:
        do = "Name the folder to write, or ask for --list."
        raise InputError(Fault("nothing", "a new or empty folder", do, "treeage example", 0, "FOLDER"))
    arguments.makes = None if arguments.folder.exists() else arguments.folder
    try:
        field_folder, truth_folder = example_field(
            arguments.folder, scenario=arguments.scenario, trees=arguments.trees, seed=arguments.seed
        )
    except InputError as error:
        raise InputError([_of_example(row) for row in error.faults.to_dict("records")]) from error
    except OSError as error:
        raise InputError(place_fault(error, "treeage example", f"FOLDER {arguments.folder}")) from error
    print(f"Field tables of an invented stand: {field_folder}")
    print(f"Its hidden truth, to score answers:  {truth_folder}")
    print(f"Next: treeage estimate {field_folder} --out ages")
    print(f"Then: treeage score ages {truth_folder}\n\nBefore you core real trees:")
    for caution in words("caution").values():
        print(filled(caution, "- ", "  "))
    return DONE


def _of_example(row: Mapping[Any, Any]) -> Fault:
    """A fault of the simulator as one of the command's arguments."""
    fault = Fault(**{str(name): value for name, value in row.items()})
    named = {"name": "--scenario", "trees": "--trees", "seed": "--seed"}
    if fault.column in named:
        do = fault.do.replace("trees=", "--trees ").replace("seed=", "--seed ")
        return replace(fault, file="treeage example", column=named[fault.column], do=do)
    need, do = "a new or empty folder, and likewise FOLDER_truth beside it", "Choose another folder."
    return Fault(fault.got, need, do, "treeage example", 0, "FOLDER")


# ------------------------------------------------------------------ how it looks on a terminal


@contextmanager
def caught_warnings() -> Iterator[list[str]]:
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


# ---------------------------------------------------------------------- answers


def ages_lines(ages: Ages) -> str:
    """The answers of a field: best and worst dated trees, rows of the input, flags, notes."""
    from treeage.report import note_line
    from treeage.results import Status

    lines = [ages.summary().splitlines()[0], *textwrap.wrap(ages.date_note, WIDTH)]
    lines += [filled(f"caution: {told}", rest="  ") for told in ages.cautions]
    dated = [answer for answer in ages if answer.status == Status.ESTIMATED]
    order = sorted(dated, key=lambda answer: (_how_sure(answer, ages.prob), answer.tree))
    if len(order) > 2 * SHOWN_TREES:
        lines += ["", "Best dated", *_tree_lines(order[:SHOWN_TREES], ages), ""]
        lines += ["Worst dated", *_tree_lines(order[-SHOWN_TREES:], ages)]
    elif order:
        lines += ["", "Dated trees", *_tree_lines(order, ages)]
    lines += ["", "Rows of the input", *(f"  {line}" for line in account_lines(ages))]
    notes = [note_line(note) for note in ages.notes.to_dict("records")]
    for title, found in (("Flags", _flag_lines(ages)), ("Notes", notes)):
        if found:
            lines += ["", title, *indented(found)]
    return "\n".join(lines)


def height_lines(plan: pd.DataFrame) -> str:
    """What the years to the coring height of each species rest on, and what three seedlings would bring."""
    lines = ["Years to coring height (90 %):"] if len(plan) else []
    for row in plan.to_dict("records"):
        told = f"{row['species']} at {row['height_m']:g} m: {row['model']}"
        if row["years_lo"] == row["years_lo"]:
            told += f", {row['years_lo']:g} to {row['years_hi']:g} years"
        if row["three_lo"] == row["three_lo"]:
            told += f"; with three seedlings of this stand about {row['three_lo']:g} to {row['three_hi']:g}"
        if isinstance(row["curve"], str):
            told += f"; by the published curve {row['curve']} {row['curve_lo']:g} to {row['curve_hi']:g}"
        lines.append(filled(told, "  ", "    "))
    if plan["grade"].notna().any():
        told = "Open data know nothing of the site: high mountains and slow sites mostly lie above the middle."
        lines.append(filled(told, "  ", "    "))
    return "\n".join(lines)


def _how_sure(answer: TreeAge, prob: float) -> tuple[bool, int]:
    """Order from best to worst: a date at coring height leaves unknown years open, however narrow its interval."""
    from treeage.schema import ROOT_COLLAR

    low, high = answer.date.interval(prob)
    return answer.date_refers_to != ROOT_COLLAR, high - low


def _tree_lines(answers: Sequence[TreeAge], ages: Ages) -> list[str]:
    """Dates as lines of words; a star marks dates at coring height where others are establishment years."""
    from treeage.display import year_text
    from treeage.schema import CORE_HEIGHT

    level = f"{100 * ages.prob:g} %"
    alone = len(ages.at_core_height) == len(ages.trees)
    heads = ["at coring height", "age there"] if alone else ["established", "age"]
    rows = [["tree", "species", heads[0], level, heads[1], level, "rings"]]
    starred = False
    for answer in answers:
        there = answer.date_refers_to == CORE_HEIGHT
        star = "*" if there and not alone else ""
        starred |= bool(star)
        age = answer.age_at_core_height if there else answer.age
        (first, last), (youngest, oldest) = answer.date.interval(ages.prob), age.interval(ages.prob)
        rows.append([answer.tree[:20], answer.species[:24], year_text(answer.date.median()) + star,
                     f"{year_text(first)} to {year_text(last)}", f"{age.median()}{star}", f"{youngest} to {oldest}",
                     str(answer.minimum_age)])  # fmt: skip
    note = ["  * at coring height, age there: the tree is older by unknown years"] if starred else []
    return [*_in_columns(rows), *note]


def _in_columns(rows: list[list[str]]) -> list[str]:
    """Names left, numbers right, two spaces between."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    forms = [f"{'<' if at < NAME_COLUMNS else '>'}{width}" for at, width in enumerate(widths)]
    return ["  " + "  ".join(map(format, row, forms)) for row in rows]


def account_lines(ages: Ages) -> list[str]:
    """Say for every input table what became of its rows, with the sum."""
    from treeage.report import row_account
    from treeage.results import Status

    frame = row_account(ages)
    lines = []
    for table, row in [*frame.iterrows(), ("sum", frame.sum())]:
        parts = [
            f"{row[name]} {name}"
            for name in frame.columns[:-1]
            if row[name] or name == Status.ESTIMATED and table == "trees"
        ]
        lines.append(f"{table!s:<10} {row['rows']:>7} = {' + '.join(parts)}")
    return lines


def _flag_lines(ages: Ages) -> list[str]:
    """How many trees carry each flag, the most frequent first."""
    counts: dict[str, int] = {}
    for answer in ages:
        for flag in answer.flags:
            counts[flag] = counts.get(flag, 0) + 1
    order = sorted(counts.items(), key=lambda item: -item[1])
    return [f"{flag.replace('_', ' ')}: {count} tree{'' if count == 1 else 's'}" for flag, count in order]


def indented(found: list[str], *, most: int = SHOWN_LINES) -> list[str]:
    """Lines below a title; what is more than fits is counted."""
    shown = [filled(line, "  ", "    ") for line in found[:most]]
    rest = len(found) - most
    return [*shown, f"  and {rest} more, see report.html"] if rest > 0 else shown


def crossdating_lines(tables: Mapping[str, pd.DataFrame]) -> str:
    """What to look at in the wood, core by core, the surest first."""
    found = looks_at_wood(tables)
    order = sorted(found, key=lambda core: (-max(prob for prob, _ in found[core]), core))
    lines = ["", f"{len(tables['agreement'])} cores were read against the other trees of their species."]
    lines += [f"Look at the wood of {len(found)} cores, the surest first (with probabilities):"] if found else []
    for tree, core in order:
        told_of = sorted(found[tree, core], key=lambda item: -item[0])
        lines += ["", f"  tree {tree}, core {core}"]
        lines += [f"    {f'{prob:.2f}' if prob >= WORTH_A_LOOK else '':4}  {told}" for prob, told in told_of]
    if not found:
        lines.append("Nothing asks for a look at the wood.")
    return "\n".join([*lines, "", "A person decides at the wood; nothing was changed."])


def looks_at_wood(tables: Mapping[str, pd.DataFrame]) -> dict[tuple[str, str], list[tuple[float, str]]]:
    """By tree and core, what may be wrong with it and how probable that is.

    A core that agrees with nobody comes after all others: how likely chance is tells no probability of a fault.
    """
    from treeage.crossdating import chance_of_correlation

    found: dict[tuple[str, str], list[tuple[float, str]]] = {}

    def add(row: Mapping[Any, Any], prob: float, told: str) -> None:
        found.setdefault((str(row["tree"]), str(row["core"])), []).append((min(float(prob), 0.99), told))

    for row in tables["places"].to_dict("records"):
        if row["best"]:
            told = f"a ring is {row['kind']} near {row['year']}, ring {row['ring_from_bark']} from the bark"
            add(row, row["prob_near"], told)
    for row in tables["agreement"].to_dict("records"):
        years, chance = row["likeliest_shift"], 0.0
        if abs(years) > 0:  # not where none was tried
            way = "later" if years > 0 else "earlier"
            told = f"the outer ring is likelier {abs(int(years))} year{'s' * (abs(years) > 1)} {way} than stated"
            add(row, 1 - row["prob_stated_year"], told)
        if row["correlation"] < row["critical_correlation"]:
            chance = chance_of_correlation(row["correlation"], int(row["years_compared"]))
            told = f"unrelated wood agrees as well in {100 * chance:.0f} of 100 cases: a wrong count, or another site?"
            add(row, WORTH_A_LOOK * chance, told)
    return found


def written_lines(target: Path, files: Sequence[Path], gone: Sequence[str]) -> str:
    """Where the answers are, and which files of an earlier run were removed there."""
    tops = sorted({_top(file.relative_to(target)) for file in files})
    lines = [f"\nWritten to {target}: {', '.join(tops)}"]
    if gone:
        lines.append(filled(f"Removed there, of an earlier run: {', '.join(gone)}", rest="  "))
    return "\n".join(lines)


def _top(file: Path) -> str:
    return file.parts[0] + (os.sep if len(file.parts) > 1 else "")
