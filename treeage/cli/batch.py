"""`treeage batch`: many stands at once, with a bar of progress, one page, and on the screen what came of them."""

from __future__ import annotations

import argparse
import os
import sys
import time
from base64 import b64encode
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from html import escape
from typing import TYPE_CHECKING

from treeage.cli.guard import DONE, NOTHING_USABLE, filled, place, say
from treeage.display import counted
from treeage.errors import Fault, InputError, place_fault

if TYPE_CHECKING:
    import pandas as pd

    from treeage.batch import Batch

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

SHOWN_FAULTS = 8  # choice: stands on the screen that were left out, each with its first fault; all are in faults.csv
SHOWN_STANDS = 100  # choice: rows of a table on the page; all of them are in its file
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")  # the workers share the cores already
SAYS_EVERY_S = 60.0  # choice: between two lines of progress where there is no terminal
HELP = """SITES is a folder of field folders (or workbooks), one a stand, named by its folder. Or a Parquet data set:
trees.parquet, cores.parquet and whichever of the other tables there are, or folders of these names with Parquet files,
each with a column "site" beside its usual columns, the rows of a stand together (sorted by site), and one field.toml
for all. OUT gets answers/ (a Parquet data set with one file a stand: the columns of ages.csv, site, and the joint draws
of each tree as a list), summary.csv, faults.csv, summary.html and batch.json. Stop it at any time: the same command
goes on with what is not finished, and runs again what was changed. Exit codes: 0 all stands done; 1 some or all of
them are in faults.csv; 2 bad input, nothing done."""
PAGE = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>Many stands</title><style>
body {{ font: 15px/1.5 "Segoe UI", "Helvetica Neue", Arial, sans-serif; max-width: 60rem; margin: 0 auto;
  padding: 1.5rem; color: #22303c }}
h1 {{ font-size: 1.6rem }} h2 {{ font-size: 1.25rem; border-bottom: 2px solid #1b3a57 }}
.key {{ font-size: 1.05rem; padding: .6rem 1rem; background: #f1f5f8; border-left: 4px solid #1b3a57 }}
table {{ border-collapse: collapse; font-size: 12.5px }} th, td {{ padding: .18rem .55rem; text-align: right;
  vertical-align: top }} th:first-child, td:first-child, .faults td, .faults th, .stands td:nth-child(2),
  .stands th:nth-child(2), .stands td:last-child, .stands th:last-child {{ text-align: left }}
tbody tr:nth-child(even) {{ background: #f5f8fa }} figure img {{ width: 100% }} .wide {{ overflow-x: auto }}
</style></head><body><h1>Many stands</h1><p class="key">{told}</p>
<figure><img alt="Mean date of the trees of each stand with its interval" src="data:image/png;base64,{figure}"></figure>
<h2>Trees accounted for</h2>{account}
<h2>Stands</h2><p>Dates: medians with {level:g} % intervals, from joint draws in which errors that trees share stay
shared. {which_stands} <a href="summary.csv">summary.csv</a>; the ages of all trees and their draws are in the Parquet
data set <code>answers</code>.</p><div class="wide stands">{stands}</div>
<h2>Stands left out</h2><p>{which_faults} <a href="faults.csv">faults.csv</a>.</p>
<div class="wide faults">{faults}</div>
<p>{caution}</p></body></html>
"""


def add_batch(commands: Commands) -> None:
    """The command and its options."""
    command = commands.add_parser("batch", help="date many stands at once, on all cores or a cluster", epilog=HELP)
    command.add_argument("sites", type=place, help="folder of field folders, or Parquet data set with a column site")
    command.add_argument("--out", type=place, help="folder for the answers (default: SITES_ages beside SITES)")
    command.add_argument("--prob", type=float, default=0.9, help="probability of the intervals (default 0.9)")
    command.add_argument("--seed", type=int, default=0, help="seed of the joint draws (default 0)")
    command.add_argument("--draws", type=int, default=4000, help="number of joint draws (default 4000)")
    command.add_argument("--workers", type=int, help="processes on this machine (default: one a core)")
    command.add_argument("--scheduler", metavar="ADDRESS", help="a Dask cluster instead, as tcp://HOST:8786")
    command.set_defaults(run=batch)


def batch(arguments: argparse.Namespace) -> int:
    """Date many stands."""
    from treeage.batch import estimate_sites
    from treeage.report import words
    from treeage.tables import write_text

    sites = arguments.sites.resolve()
    target = arguments.out or sites.with_name(f"{sites.name or 'sites'}_ages")
    arguments.goes_on = target
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    started, dated = time.monotonic(), 0
    try:
        with _progress() as tick:

            def counting(stands: int, every: int, trees: int) -> None:
                nonlocal dated
                dated = trees
                tick(stands, every, trees)

            done = estimate_sites(
                arguments.sites, target, prob=arguments.prob, seed=arguments.seed, draws=arguments.draws,
                workers=arguments.workers, scheduler=arguments.scheduler, tick=counting,
            )  # fmt: skip
        write_text(target / "summary.html", page(done, words("caution")["decisions"]))
    except InputError as error:
        raise InputError([_of_command(fault) for fault in _faults(error.faults)]) from error
    except OSError as error:
        raise InputError(place_fault(error, "treeage batch", f"--out {target}")) from error
    took, trees = time.monotonic() - started, int(done.summary["trees"].sum())
    print(filled(done.sentence()))
    of_stands = list(done.faults.groupby("site", sort=False))
    for site, rows in of_stands[:SHOWN_FAULTS]:
        first, *others = _faults(rows.drop(columns="site"))
        more = f" And {counted(len(others), 'more fault')}, see faults.csv." if others else ""
        say(filled(f"{site}: {first.line()}{more}", "  ", "    "))
    if len(of_stands) > SHOWN_FAULTS:
        say(f"  and {counted(len(of_stands) - SHOWN_FAULTS, 'more stand')}, see faults.csv")
    if done.kept:
        print(f"{done.kept:,} stands were finished before and were not run again.")
    if done.removed:
        print(filled(f"Removed, because no longer in the input: {', '.join(done.removed)}", rest="  "))
    if dated:  # those that were kept took no time
        print(f"{took:,.0f} s, {dated / max(took, 1e-3):,.0f} trees a second")
    print(f"\nWritten to {target}: answers, batch.json, faults.csv, summary.csv, summary.html")
    print(filled(words("caution")["decisions"]))
    return NOTHING_USABLE if done.faulty or trees == 0 else DONE


def _faults(table: pd.DataFrame) -> list[Fault]:
    return [Fault(**{str(name): value for name, value in row.items()}) for row in table.to_dict("records")]


def _of_command(fault: Fault) -> Fault:
    """A fault of an argument of the call as one of the command's options."""
    if fault.file != "estimate_sites":
        return fault
    column = "SITES" if fault.column == "sites" else f"--{fault.column}"
    do = fault.do.replace(f"{fault.column}=", f"--{fault.column} ")
    return replace(fault, file="treeage batch", column=column, do=do)


@contextmanager
def _progress() -> Iterator[Callable[[int, int, int], object]]:
    """A bar with the rate on a terminal, a line now and then elsewhere."""
    from tqdm import tqdm

    shown = sys.stderr is not None and sys.stderr.isatty()
    started = said = time.monotonic()

    def tick(done: int, every: int, trees: int) -> None:
        nonlocal said
        now = time.monotonic()
        bar.total, rate = every, f"{trees / max(now - started, 1e-3):,.0f} trees/s"
        bar.set_postfix_str(rate, refresh=False)
        bar.update(1)
        if not shown and now - said > SAYS_EVERY_S:
            said = now
            say(f"{done:,} of {every:,} stands, {rate}")

    with tqdm(desc="treeage", unit=" stands", leave=False, disable=not shown) as bar:
        yield tick


def page(done: Batch, caution: str) -> str:
    """One page without scripts: what came of the stands, their dates, and what was left out."""
    from treeage.plots import plot_sites
    from treeage.report import render

    faults = done.faults.assign(row=done.faults["row"].astype(str).replace("0", ""))
    good = done.summary[done.summary["state"] != "faulty"]
    whole = good.select_dtypes("Int64").drop(columns="notes")
    account = whole.sum().to_frame().T
    tall = min(max(1.7 + 0.135 * len(good), 3.0), 6.0) if len(good) <= SHOWN_STANDS else 4.0
    drawn = render(lambda ax: plot_sites(done, ax=ax), (6.7, tall), ("png",))["png"]
    return PAGE.format(
        told=escape(done.sentence()), figure=b64encode(drawn).decode("ascii"), account=_html(account),
        level=100 * done.prob, which_stands=_which(len(done.summary), "stands"), stands=_html(_short(done.summary)),
        which_faults=_which(len(done.faults), "faults"), faults=_html(faults), caution=escape(caution),
    )  # fmt: skip


def _which(size: int, noun: str) -> str:
    if size <= SHOWN_STANDS:
        return f"All {size:,} {noun}, also in" if size else f"No {noun}:"
    return f"The first {SHOWN_STANDS} of {size:,} {noun}; all of them in"


def _short(summary: pd.DataFrame) -> pd.DataFrame:
    """The rows and columns of the summary that fit a page, rounded; years in words."""
    from treeage.display import in_one_cell, year_text

    names = ["site", "state", "trees", "estimated", "minimum_only", "cores", "interval_years_median", "cautions"]
    dates = [name for name in summary if str(name).startswith(("mean_date", "oldest_date"))]
    shown = summary[[*names[:6], *dates, *names[6:]]].head(SHOWN_STANDS)
    told = {str(name): shown[name].map(lambda year: year_text(round(year)), na_action="ignore") for name in dates}
    return in_one_cell(shown.assign(**told), digits=0)


def _html(table: pd.DataFrame) -> str:
    heads = [str(name).replace("_", " ") for name in table.columns]
    return str(table.head(SHOWN_STANDS).set_axis(heads, axis=1).to_html(index=False, border=0, na_rep=""))
