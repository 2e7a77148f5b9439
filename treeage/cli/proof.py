"""`treeage validate`: one page, one table, and on the screen the paragraph and the verdict."""

from __future__ import annotations

import argparse
from html import escape
from typing import TYPE_CHECKING

from treeage.cli.guard import DONE, NOTHING_USABLE, filled, place, progress, say
from treeage.errors import Fault, InputError, place_fault

if TYPE_CHECKING:
    import pandas as pd

    from treeage.proof import Proof

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

PAGE = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>{title}</title><style>
body {{ font: 15px/1.5 sans-serif; max-width: 60em; margin: 2em auto; padding: 0 1em; color: #222 }}
table {{ border-collapse: collapse; font-size: 13px }} th, td {{ padding: .2em .6em; text-align: right }}
td:first-child, th:first-child {{ text-align: left; min-width: 8em }}
.wide {{ overflow-x: auto }} tr {{ border-bottom: 1px solid #ddd }}
.verdict {{ border-left: 4px solid #1b3a57; padding: .2em 1em; font-size: 17px }}
</style></head><body><h1>{title}</h1>
<p class="verdict">{verdict}</p><h2>By part</h2>{table}
<p>inside: cases within the interval that is printed; covered: their share with end numbers shared out, because
intervals of whole numbers hold more than they promise; band: where that share lies by chance for so many trees;
plain: the same cases by the mean of the innermost rings.</p>{checks}{moved}
<h2>For the methods section</h2><p>{paragraph}</p><h2>What it does not show</h2><ul>{caveats}</ul>
<p>Every prediction, predictive check and default that was moved is a row of validation.csv, named by its part. Of a
prediction: truth; median, lo and hi of what was said; inside: whether the truth lies from lo to hi; pit: the share of
the distribution below the truth, near 0 where the truth came out low and near 1 where high; error: median less truth,
of which the errors above are means; plain error: that of the plain rule; distance mm: what was hidden.</p>
</body></html>
"""
MOST_SHOWN = 20  # rows of the sensitivity on the page, two a default; all of them are in the table


def add_validate(commands: Commands) -> None:
    """The command and its options."""
    command = commands.add_parser("validate", help="predict what is known of a field without it, and score that")
    command.add_argument("folder", type=place, help="field folder with trees.csv and cores.csv, or a workbook")
    command.add_argument("--out", type=place, help="folder for the page and the table (default: FOLDER_validation)")
    command.add_argument("--prob", type=float, default=0.9, help="probability of the intervals (default 0.9)")
    command.add_argument("--seed", type=int, default=0, help="seed of the predictive checks (default 0)")
    words = "also halve and double every default number (some 60 runs)"
    command.add_argument("--sensitivity", action="store_true", help=words)
    command.set_defaults(run=validate)


def validate(arguments: argparse.Namespace) -> int:
    """Validate a folder and write what came of it."""
    from treeage.priors import entries
    from treeage.proof import validate_field
    from treeage.report import check_place
    from treeage.tables import read_field, write_table, write_text

    folder = arguments.folder.resolve()
    name = folder.stem if folder.is_file() else folder.name
    target = arguments.out or folder.with_name(f"{name or 'field'}_validation")
    check_place(target, "treeage validate", "--out")
    if target.resolve() == folder:
        do = "Name another folder; the input stays as it is."
        raise InputError(Fault(str(target), "a folder other than the input", do, "treeage validate", 0, "--out"))
    field = read_field(arguments.folder)
    asked = arguments.sensitivity
    with progress(5 + (2 * len(entries()) if asked else 0)) as tick:
        proof = validate_field(field, prob=arguments.prob, seed=arguments.seed, with_sensitivity=asked, tick=tick)
    try:
        write_table(proof.everything(), target / "validation.csv")
        write_text(target / "validation.html", page(proof, field.settings.name or folder.name))
    except OSError as error:
        raise InputError(place_fault(error, "treeage validate", f"--out {target}")) from error
    print(filled(proof.sentence()), "", filled(proof.verdict()), sep="\n")
    print(f"\nWritten to {target}: validation.csv, validation.html")
    if not len(proof.cases):
        say("Nothing could be held against the truth.")
        return NOTHING_USABLE
    return DONE


def page(proof: Proof, name: str) -> str:
    """One page of verdict, table by part, predictive checks, sensitivity if asked for, paragraph and caveats."""
    moved = None if proof.moved is None else proof.moved.table.drop(columns="meaning").head(MOST_SHOWN)
    return PAGE.format(
        title=escape(f"Predictions against what is known: {name}"),
        verdict=escape(proof.verdict()),
        table=_table(proof.parts),
        checks=_section("Predictive checks", proof.checks.table),
        moved=_section("Defaults halved and doubled, those first that move the stand most", moved),
        paragraph=escape(proof.sentence()),
        caveats="".join(f"<li>{escape(text)}</li>" for text in proof.caveats),
    )


def _section(title: str, table: pd.DataFrame | None) -> str:
    """Heading and table, nothing without rows."""
    if table is None or not len(table):
        return ""
    return f"<h2>{escape(title)}</h2>{_table(table)}"


def _table(table: pd.DataFrame) -> str:
    """A table for the eye: names without underscores, three digits, words for flags; it scrolls where it is wide."""
    flags = {str(name): table[name].map({True: "yes", False: "no"}) for name in table.select_dtypes("bool")}
    shown = table.assign(**flags).rename(columns=lambda name: str(name).replace("_", " "))
    return f'<div class="wide">{shown.to_html(index=False, border=0, na_rep="", float_format="{:.3g}".format)}</div>'
