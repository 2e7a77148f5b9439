"""How the commands look on a terminal: lines that fit, tables, a progress bar, warnings as lines."""

from __future__ import annotations

import os
import sys
import textwrap
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from treeage.errors import TreeageWarning

if TYPE_CHECKING:
    import pandas as pd

    from treeage.results import Ages, TreeAge

WIDTH = 100  # choice: characters of a line on the screen
SHOWN_TREES = 5  # choice: best and worst dated trees on the screen; all of them are in ages.csv
SHOWN_LINES = 8  # choice: notes and flags on the screen; all of them are in report.html
QUIET_SECONDS = 1.5  # choice: a shorter run shows no progress bar
NAME_COLUMNS = 2  # columns of a table of trees that stand left; numbers stand right


def filled(text: str, first: str = "", rest: str = "", width: int = WIDTH) -> str:
    """Words broken into lines of the screen; `first` and `rest` begin the first and the other lines."""
    return textwrap.fill(text, width, initial_indent=first, subsequent_indent=rest)


def say(text: str) -> None:
    """Print on the error stream."""
    print(text, file=sys.stderr)


def escape_what_cannot_be_shown() -> None:
    """Names in any script must not stop a run on a plain terminal."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


@contextmanager
def progress(total: int) -> Iterator[Callable[[int], object]]:
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
    return "\n".join(lines)


def _how_sure(answer: TreeAge, prob: float) -> tuple[bool, int]:
    """Order from best to worst: a date at coring height leaves unknown years open, however narrow its interval."""
    from treeage.schema import ROOT_COLLAR

    low, high = answer.date.interval(prob)
    return answer.date_refers_to != ROOT_COLLAR, high - low


def _tree_lines(answers: Sequence[TreeAge], ages: Ages) -> list[str]:
    """Dates as lines of words; a star marks dates at coring height where others are establishment years."""
    from treeage.results import year_text
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
    """What reading the cores against the other trees found."""
    agreement, places, swaps = tables["agreement"], tables["places"], tables["swaps"]
    low = agreement[agreement["correlation"] < agreement["critical_correlation"]]
    moved = agreement[agreement["likeliest_shift"].fillna(0) != 0]
    near = places[places["best"] & (places["prob_near"] > 0.5)]
    parts: tuple[tuple[str, pd.DataFrame, Callable[[Any], str]], ...] = (
        ("Correlation below the 99 % limit", low, lambda row: f"r = {row['correlation']:.2f}"),
        ("Better at another outer year", moved, lambda row: f"shift {int(row['likeliest_shift']):+d} years"),
        (
            "Ring perhaps absent or false",
            near,
            lambda row: f"{row['kind']} about {row['year']}, p {row['prob_near']:.2f}",
        ),
        ("Agrees better with another tree", swaps, lambda row: f"with tree {row['other_tree']}"),
    )
    lines = ["", f"Read against the other trees of their species: {len(agreement)} cores."]
    for title, table, told in parts:
        found = [f"tree {row['tree']}, core {row['core']}: {told(row)}" for row in table.to_dict("records")]
        lines += ["", f"{title}: {len(found)}", *indented(found, most=len(found))]
    return "\n".join([*lines, "", "A person decides at the wood; nothing was changed."])


def written_lines(target: Path, files: Sequence[Path], gone: Sequence[str]) -> str:
    """Where the answers are, and which files of an earlier run were removed there."""
    tops = sorted({_top(file.relative_to(target)) for file in files})
    lines = [f"\nWritten to {target}: {', '.join(tops)}"]
    if gone:
        lines.append(filled(f"Removed there, of an earlier run: {', '.join(gone)}", rest="  "))
    return "\n".join(lines)


def _top(file: Path) -> str:
    return file.parts[0] + (os.sep if len(file.parts) > 1 else "")
