"""The commands before the tree and at the tree: plan, aim, next."""

from __future__ import annotations

import argparse
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from treeage.cli.guard import place
from treeage.errors import Fault, InputError, place_fault

if TYPE_CHECKING:
    import pandas as pd

    from treeage.display import Result

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

DONE, NOTHING_USABLE = 0, 1
WIDTH = 100  # choice: characters of a line on the screen
SHOWN_STEPS = 12  # choice: ranked steps on the screen; all of them are in the table
CAUTIONS = {  # keys of the cautions in data/words.csv that each command ends with
    "plan": ("permission", "harm", "specialists", "borer"),
    "aim": ("harm", "borer", "specialists", "permission"),
    "next": ("harm", "specialists", "permission", "decisions"),
}


def add_planning_commands(commands: Commands) -> None:
    """Enter the commands of this file."""
    command = commands.add_parser("plan", help="say before coring what cores of a kind of tree will tell")
    command.add_argument("--species", required=True, metavar="NAME", help="species or genus")
    command.add_argument("--diameter", type=float, required=True, metavar="CM", help="outside bark, where cored")
    command.add_argument("--slope", type=float, default=0.0, metavar="PERCENT", help="slope of the ground (default 0)")
    command.add_argument("--lean", type=float, default=0.0, metavar="DEGREES", help="lean of the stem (default 0)")
    command.add_argument("--height", type=float, default=1.0, metavar="M", help="coring height (default 1.0)")
    command.add_argument("--borer", type=float, default=400.0, metavar="MM", help="length of the borer (default 400)")
    command.add_argument(
        "--width", type=float, default=10.0, metavar="YEARS", help="wanted 90 %% width of a pulse's date (default 10)"
    )
    command.add_argument("--folder", type=Path, help="field folder whose own experience replaces the priors")
    _add_common(command)
    command.set_defaults(run=plan)
    command = commands.add_parser("aim", help="say where to set the borer for the next core of a tree")
    command.add_argument("folder", type=Path, help="field folder with trees.csv and cores.csv, or a workbook")
    command.add_argument("tree", help="the tree, as in trees.csv")
    command.add_argument("--core-width", type=float, metavar="MM", help="width of the cores (default 5)")
    _add_common(command, seed=False)
    command.set_defaults(run=aim)
    command = commands.add_parser("next", help="say which core, count or seedlings would help most")
    command.add_argument("folder", type=Path, help="field folder with trees.csv and cores.csv, or a workbook")
    command.add_argument(
        "--goal",
        default="trees",
        help="trees (default), mean_date, after_event or pulse_date: what is to be known better",
    )
    command.add_argument("--event", type=int, metavar="YEAR", help="event of --goal after_event")
    command.add_argument("--pulse", type=int, nargs=2, metavar="YEAR", help="first and last year of --goal pulse_date")
    command.add_argument("--minutes", type=float, help="time there is, for a list of steps that fits it")
    command.add_argument(
        "--cost", action="append", default=[], metavar="ACTION=MINUTES", help='minutes of an action: "crossdate=60"'
    )
    _add_common(command)
    command.set_defaults(run=next_step)


def _add_common(command: argparse.ArgumentParser, *, seed: bool = True) -> None:
    command.add_argument("--out", type=place, help="folder for the table and the figure")
    if seed:
        command.add_argument("--seed", type=int, default=0, help="seed of the simulation (default 0)")


# ---------------------------------------------------------------------- commands


def plan(arguments: argparse.Namespace) -> int:
    """Say what cores of a kind of tree will tell."""
    from treeage.planning import plan_coring
    from treeage.tables import read_field

    field = None if arguments.folder is None else read_field(arguments.folder)
    found = plan_coring(
        arguments.species,
        arguments.diameter,
        tilt=(arguments.slope, arguments.lean),
        core_height_m=arguments.height,
        borer_mm=arguments.borer,
        wanted_years=arguments.width,
        field=field,
        seed=arguments.seed,
    )
    _say(found.sentence())
    wide = found.widths.pivot_table(
        index=["cores", "core_height_m", "dating"], columns="seedlings", values="width_years", sort=False
    )
    print("\nWidth of the 90 % interval of the establishment date [years], by number of seedlings:")
    print(wide.round(0).astype(int).to_string())
    print("\nOne crossdated core a tree; widths of 90 % intervals of what a stand's trees tell together:")
    print(found.stand.round(0).astype(int).to_string(index=False))
    print()
    _say(
        "pulse_date: mean date of the trees of one pulse; share_after_event: how many of them came after an event, "
        "where half did [% of the trees]; origin: date of the oldest tree."
    )
    told = "" if field is None else ", and what the folder tells"
    _say(f"Simulated from the model and its priors{told}: differences of a year or two are chance.")
    return _end("plan", found, arguments.out, {"widths": found.widths, "stand": found.stand})


def aim(arguments: argparse.Namespace) -> int:
    """Say where to set the borer."""
    from treeage.planning import aim_second_core
    from treeage.tables import read_field

    found = aim_second_core(read_field(arguments.folder), arguments.tree, core_width_mm=arguments.core_width)
    _say(found.sentence())
    table = found.to_frame().round({"chance_hit": 2, "chance_arcs": 2, "depth_50_mm": 0, "depth_90_mm": 0})
    print("\n" + table.to_string(index=False))
    for note in found.notes:
        _say(f"Note: {note}.")
    return _end("aim", found, arguments.out, {"ways": found.to_frame()})


def next_step(arguments: argparse.Namespace) -> int:
    """Say what would help most."""
    from treeage.planning import next_steps
    from treeage.tables import read_field

    found = next_steps(
        read_field(arguments.folder),
        goal=arguments.goal,
        event=arguments.event,
        pulse=None if arguments.pulse is None else tuple(arguments.pulse),
        minutes=arguments.minutes,
        minutes_of=_costs(arguments.cost),
        seed=arguments.seed,
    )
    _say(found.sentence())
    shown = ["rank", "action", "tree", "species", "minutes", "sd_now", "sd_after", "gain", "gain_per_hour"]
    if found.chosen.empty and len(found.table):
        print("\n" + found.table[shown].head(SHOWN_STEPS).round(2).to_string(index=False))
    elif len(found.chosen):
        steps = ["step", *shown[1:], "minutes_total", "goal_after"]
        print("\n" + found.chosen[steps].round(2).to_string(index=False))
    for note in found.notes:
        _say(f"Note: {note}.")
    code = _end("next", found, arguments.out, {"steps": found.table, "chosen": found.chosen})
    return NOTHING_USABLE if found.table.empty else code


def _costs(written: list[str]) -> dict[str, float]:
    """Minutes by action from ACTION=MINUTES."""
    costs, faults = {}, []
    for each in written:
        name, _, value = each.partition("=")
        try:
            costs[name.strip()] = float(value)
        except ValueError:
            do = 'Write for example --cost "crossdate=60".'
            faults.append(Fault(each, "an action, = and minutes", do, "treeage next", 0, "--cost"))
    if faults:
        raise InputError(faults)
    return costs


# ---------------------------------------------------------------------- what they share


def _say(text: str) -> None:
    print(textwrap.fill(text, WIDTH))


def _end(command: str, found: Result, out: Path | None, tables: dict[str, pd.DataFrame]) -> int:
    """Write table and figure where asked for, and end with the cautions."""
    from treeage.report import render, words
    from treeage.tables import write_table, write_text

    if out is not None:
        import treeage.plots  # noqa: F401 -- enters the figures
        from treeage.display import FIGURES

        figure = FIGURES[type(found).__name__]
        try:
            files = [write_table(table, out / f"{command}_{name}.csv") for name, table in tables.items()]
            drawn = render(lambda ax: figure(found, ax=ax), (6.7, 4.8), ("svg",))
            files.append(write_text(out / f"{command}.svg", drawn["svg"].decode("utf-8")))
        except OSError as error:
            raise InputError(place_fault(error, f"treeage {command}", f"--out {out}")) from error
        print(f"\nWritten to {out}: {', '.join(file.name for file in files)}")
    print()
    for key in CAUTIONS[command]:
        print(textwrap.fill(words("caution")[key], WIDTH, initial_indent="- ", subsequent_indent="  "))
    return DONE
