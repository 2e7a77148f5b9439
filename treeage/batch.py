"""Many stands at once: each dated by itself, the answers of all in one Parquet data set.

One stand is one task for the processes of this machine or for a Dask cluster; whoever runs it calls the functions that
date a single folder, so the answers are the same bytes. A stand's answers are one file, put in place by one renaming,
which names the checksum of what it was made of: what is finished is known as such, and changed input is run again. Own
derivation.
"""

from __future__ import annotations

import gc
import hashlib
import json
import multiprocessing
import os
import re
import signal
import warnings
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass, field
from functools import lru_cache, partial
from itertools import islice
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from treeage import errors
from treeage.display import VERSION, Result
from treeage.errors import Fault, Findings, InputError, ModelError, place_fault, show
from treeage.estimate import dated_field
from treeage.pmf import keeps_tables
from treeage.results import MOST_DRAWN, Ages, Status, joint_years
from treeage.schema import INPUT_TABLES, REQUIRED_TABLES, SETTINGS_FILE, columns
from treeage.tables import Field, csv_bytes, read_field, read_settings, write_bytes

if TYPE_CHECKING:
    import pyarrow as pa

ANSWERS = "answers"  # folder of the data set, one file a stand
SITE, WHERE = "site", "estimate_sites"
MARK = b"treeage"  # key of what a file of answers says of itself
IN_FLIGHT = 2  # choice: tasks handed out for each worker, so that none waits
GROUPS_KEPT = 10  # choice: row groups a worker holds; the next stand mostly stands in the same ones
MOST_GROUPS = 4  # choice: rows that stand together need one visit a stand and row group; above this they are scattered
GARBAGE = 100_000  # choice: objects made in a worker before it looks for circles that nothing uses
FAULTY, LONGEST_NAME = "faulty", 180  # choice: with its ending well below the 255 bytes of most disks

Work = Callable[["Site"], "Outcome"]
Groups = tuple[tuple[str, str, int], ...]  # table, file and row group


@dataclass(frozen=True)
class Site:
    """One stand of the input: its name, and its field folder or the row groups of the data set that hold its rows."""

    name: str
    place: Path
    groups: Groups = ()


@dataclass(frozen=True)
class Asked:
    """What is asked of every stand, and where the answers go."""

    out: Path
    prob: float = 0.9
    seed: int = 0
    draws: int = 4000


@dataclass(frozen=True)
class Outcome:
    """What came of a stand: its row of the summary, or its faults; `kept` where it was finished before."""

    site: str
    row: Mapping[str, Any] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()
    kept: bool = False


@keeps_tables
@dataclass(frozen=True)
class Batch(Result):
    """What came of many stands.

    Parameters
    ----------
    summary : pandas.DataFrame
        One row a stand: trees accounted for, and medians with intervals of the mean and the oldest date.
    faults : pandas.DataFrame
        One row a fault of the stands that could not be dated, with their name in `site`.
    out : pathlib.Path
        Folder that holds `answers`, summary.csv, faults.csv and batch.json.
    prob : float
        Probability of the intervals.
    kept : int
        Stands that an earlier run had finished.
    removed : tuple of str
        Stands of earlier runs that are no longer in the input, whose answers were removed.
    """

    summary: pd.DataFrame
    faults: pd.DataFrame
    out: Path
    prob: float
    kept: int = 0
    removed: tuple[str, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """The summary: one row a stand."""
        return self.summary

    @property
    def faulty(self) -> tuple[str, ...]:
        """Stands that could not be dated because of faults."""
        return tuple(self.summary.loc[self.summary["state"] == FAULTY, SITE])

    def sentence(self) -> str:
        """How many stands and trees were dated, and how many were not."""
        good = self.summary[self.summary["state"] != FAULTY]
        trees = {name: int(good[name].sum()) for name in ("trees", *map(_column, _TREE_STATES))}
        parts = ", ".join(f"{trees[_column(state)]:,} {state}" for state in _TREE_STATES if trees[_column(state)])
        bad = len(self.summary) - len(good)
        told = f"{len(good):,} of {len(self.summary):,} stands dated, {trees['trees']:,} trees: {parts or 'none'}."
        return told + (f" {bad:,} left out, with {len(self.faults):,} faults." if bad else "")


_TREE_STATES = (Status.ESTIMATED, Status.MINIMUM_ONLY, Status.REFUSED, Status.NOT_CORED)


def _column(state: str) -> str:
    return state.replace(" ", "_")


# ---------------------------------------------------------------------- all stands


@errors.public
def estimate_sites(
    sites: str | Path,
    out: str | Path,
    *,
    prob: float = 0.9,
    seed: int = 0,
    draws: int = 4000,
    workers: int | None = None,
    scheduler: str | None = None,
    tick: Callable[[int, int, int], object] | None = None,
) -> Batch:
    """Date many stands and write their answers as one Parquet data set.

    Parameters
    ----------
    sites : str or pathlib.Path
        A folder of field folders (or workbooks), one a stand, named by its folder. Or a Parquet data set:
        trees.parquet, cores.parquet and whichever of the other tables there are, or folders of these names with
        Parquet files, each with a column `site` (or in folders named site=NAME) beside the columns of that table,
        the rows of a stand together; one field.toml for all.
    out : str or pathlib.Path
        Folder of the answers: `answers/` with one Parquet file a stand, summary.csv, faults.csv, batch.json.
    prob : float, default 0.9
        Probability of the intervals, between 0 and 1.
    seed : int, default 0
        Seed of the joint draws of every stand.
    draws : int, default 4000
        Joint draws of every tree, at least 1.
    workers : int, optional
        Processes on this machine; by default one a core. 0 dates in this process.
    scheduler : str, optional
        Address of a Dask scheduler, whose workers must see the same folders and have treeage installed.
    tick : callable, optional
        Called after each stand with stands done, stands in all, and trees done in this run.

    Returns
    -------
    Batch
        Summary and faults; both are also written.

    Raises
    ------
    InputError
        If there are no stands, the rows of the stands are scattered over a data set, an argument is out of range, or
        Dask is asked for and not installed or not reached.
    OSError
        If the answers cannot be written; finished stands stay.

    Notes
    -----
    `pandas.read_parquet(out / "answers")` reads all stands: the columns of ages.csv, `site`, and `draws`, the years of
    a tree as a list whose k-th entries of the trees of a stand belong together. A stand is the same bytes by itself
    or among others, with any number of workers. Finished stands are known by a checksum of their input, of `prob`,
    `seed`, `draws` and of the version, and are not run again. A stand with faults loses any answers it had. A worker
    that dies takes no finished stand along; what it was working on is tried again alone, and a stand that ends its
    worker then too is a fault. In a script, call it below `if __name__ == "__main__":`, because workers start by
    reading the script.

    Examples
    --------
    >>> import tempfile
    >>> from treeage.simulate import example_field
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     _, truth = example_field(Path(folder, "sites", "low"), scenario="pith", trees=5)
    ...     _ = truth.rename(Path(folder, "truth"))
    ...     done = estimate_sites(Path(folder, "sites"), Path(folder, "out"), draws=10, workers=0)
    ...     done.sentence(), pd.read_parquet(Path(folder, "out", "answers")).shape[0]
    ('1 of 1 stands dated, 5 trees: 5 estimated.', 5)
    """
    asked = _asked(sites, out, prob, seed, draws)
    own = _cores() if workers is None else errors.require_whole(WHERE, "workers", workers, 0)
    found = find_sites(sites)
    (asked.out / ANSWERS).mkdir(parents=True, exist_ok=True)
    for left in (asked.out / ANSWERS).glob(".*.part"):  # of a worker that was killed while it wrote
        left.unlink(missing_ok=True)
    work = partial(date_site, asked=asked)
    here = in_processes(work, found, own) if own else map(work, found)
    outcomes = here if scheduler is None else on_cluster(work, found, scheduler)
    done, trees = {}, 0
    for outcome in outcomes:
        done[outcome.site] = outcome
        trees += 0 if outcome.kept else int(outcome.row.get("trees", 0))
        if tick is not None:
            tick(len(done), len(found), trees)
    return _closed([done[name] for name in sorted(done)], asked)


def _asked(sites: str | Path, out: str | Path, prob: float, seed: int, draws: int) -> Asked:
    """The arguments, checked."""
    place, target = (errors.require_path(WHERE, *given).resolve() for given in (("sites", sites), ("out", out)))
    if place in (target, *target.parents) or target in place.parents:
        raise _refused("out", str(target), "a folder apart from the input", "Name another folder.")
    level, seed = errors.require_level(WHERE, "prob", prob), errors.require_seed(WHERE, seed)
    return Asked(target, level, seed, errors.require_whole(WHERE, "draws", draws, 1, MOST_DRAWN))


def _refused(name: str, got: str, need: str, do: str) -> InputError:
    return InputError(Fault(got, need, do, WHERE, 0, name))


def _closed(done: Sequence[Outcome], asked: Asked) -> Batch:
    """Summary, faults and record of all stands; answers of stands that are no longer there go."""
    names = {answers_file(asked.out, outcome.site).name for outcome in done}
    removed = []
    for path in sorted((asked.out / ANSWERS).glob("*.parquet")):
        left = {} if path.name in names else _record(path)
        if left:
            path.unlink()
            removed.append(left[SITE])
    rows: list[Mapping[str, Any]] = [{SITE: each.site, "state": FAULTY, **each.row} for each in done]
    summary = pd.DataFrame(rows, columns=[SITE, "state", *_WHOLE, *_NUMBERS, "cautions"])
    summary = summary.astype(dict.fromkeys(_WHOLE, "Int64"))
    told = [{SITE: each.site, **vars(fault)} for each in done for fault in each.faults]
    faults = pd.DataFrame(told, columns=[SITE, "file", "row", "item", "column", "got", "need", "do"])
    batch = Batch(summary, faults, asked.out, asked.prob, sum(each.kept for each in done), tuple(removed))
    record = {"treeage": VERSION, **vars(asked), "stands": len(done), "faulty": list(batch.faulty)}
    text = json.dumps(record, indent=2, ensure_ascii=False, default=str)
    write_bytes(asked.out / "faults.csv", csv_bytes(faults))
    write_bytes(asked.out / "summary.csv", csv_bytes(summary))
    write_bytes(asked.out / "batch.json", f"{text}\n".encode())
    return batch


# ---------------------------------------------------------------------- where the stands are


def find_sites(sites: str | Path) -> list[Site]:
    """The stands of a folder of field folders or of a Parquet data set; InputError where there are none."""
    place = errors.require_path(WHERE, "sites", sites).resolve()
    got = f"the file {place}" if place.exists() else f"{place}, which does not exist"
    do = "Name the folder that holds a field folder for each stand."
    if place.is_dir():
        if all(_files(place, table) for table in REQUIRED_TABLES):
            return _sites_of_tables(place)
        every = sorted(path for path in place.iterdir() if not path.name.startswith((".", "~$")))
        found = [Site(path.name, path) for path in every if path.is_dir() or path.suffix.lower() == ".xlsx"]
        alone = any((place / f"{table}.csv").is_file() for table in REQUIRED_TABLES)
        if found and not alone:
            return found
        got = f"{place}, which holds none"
        if alone:
            got, do = f"{place}, the field folder of one stand", "Use treeage estimate, or name the folder above it."
    raise _refused("sites", got, "a folder of field folders", do)


def _files(place: Path, table: str) -> list[Path]:
    """Parquet files of one table of a data set."""
    one = place / f"{table}.parquet"
    return [one] if one.is_file() else sorted((place / table).rglob("*.parquet"))


def _sites_of_tables(place: Path) -> list[Site]:
    """The stands of a data set, each with the row groups that hold it, in the order of the largest table."""
    groups: dict[str, list[tuple[str, str, int]]] = {}
    findings = Findings()
    for table in sorted(INPUT_TABLES, key=lambda table: table != "rings"):
        held: list[list[str]] = []
        for file in _files(place, table):
            name = file.relative_to(place).as_posix()
            for at, sites in enumerate(_sites_of_file(file, name, findings)):
                held.append(sites)
                for site in sites:
                    groups.setdefault(site, []).append((table, name, at))
        many, stands = sum(map(len, held)), len(set().union(*held))
        if many > MOST_GROUPS * (stands + len(held)):
            got = f"those of a stand in {many / stands:.0f} of {len(held)} row groups on average"
            need = "the rows of each stand together"
            findings.fault(table, got, need, "Sort the table by site before you write it.", column=SITE)
    findings.stop()
    return [Site(site, place, tuple(found)) for site, found in groups.items()]


def _sites_of_file(file: Path, name: str, findings: Findings) -> Iterator[list[str]]:
    """Names of the stands in each row group of a file."""
    from pyarrow import compute, parquet

    try:
        with parquet.ParquetFile(file) as opened:
            of_folder, named = _site_of_folder(file), SITE in opened.schema_arrow.names
            if not of_folder and not named:
                do = "Add the column, or use treeage estimate for a single stand."
                findings.fault(name, f"no column {SITE}", "the name of the stand in every row", do, column=SITE)
            for at in range(opened.num_row_groups if named and not of_folder else 0):
                texts = opened.read_row_group(at, columns=[SITE])[SITE].cast("string")
                if texts.null_count:
                    got = f"{texts.null_count} rows without a site"
                    findings.fault(name, got, "a name in every row", "Fill the column.")
                yield [site for site in compute.unique(texts).to_pylist() if site is not None]
            yield from [[of_folder]] * (opened.num_row_groups if of_folder else 0)
    except Exception as error:  # the reader raises its own many kinds for a damaged file
        got = f"a file that does not read ({show((str(error) or type(error).__name__).splitlines()[0])})"
        findings.fault(name, got, "a Parquet table", "Write it again.")


def _site_of_folder(file: Path) -> str:
    """The stand named by a folder site=NAME of a file; empty where there is none."""
    found = re.fullmatch(rf"{SITE}=(.+)", file.parent.name)
    return unquote(found[1]) if found else ""


# ---------------------------------------------------------------------- one stand


def date_site(site: Site, asked: Asked) -> Outcome:
    """Date one stand and write its answers, unless they stand there: its row of the summary, or its faults."""
    target = answers_file(asked.out, site.name)
    try:
        tables = _tables_of(site)
        key = f"{_checksum(site, tables)} {VERSION} {asked.prob!r} {asked.seed} {asked.draws}"
        if (record := _record(target)).get("key") == key:
            return Outcome(site.name, record["row"], kept=True)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", errors.TreeageWarning)  # what they say stands in the flags of the trees
            ages, _, _ = dated_field(_field_of(site, tables), asked.prob, asked.seed)
        trees, years = joint_years(ages, asked.draws, seed=asked.seed)
        row = _summary_row(ages, years, asked.prob)
        content = _parquet(site.name, ages.to_frame(), dict(zip(trees, years.T, strict=True)), key, row)
    except (InputError, ModelError) as error:
        faults = tuple(Fault(**{str(name): value for name, value in each.items()})
                       for each in error.faults.to_dict("records"))  # fmt: skip
    except OSError as error:
        faults = (place_fault(error, str(error.filename or site.name)),)
    except Exception as error:  # one stand must not cost the others, whatever it is
        do = "Look at this stand by itself with treeage check and treeage estimate; tell the makers of it."
        faults = (Fault(f"the error {type(error).__name__}: {show(str(error))}", "an answer", do, site.name),)
    else:
        write_bytes(target, content)
        return Outcome(site.name, row)
    target.unlink(missing_ok=True)  # answers of an earlier input are none of this one
    return Outcome(site.name, faults=faults)


def answers_file(out: Path, site: str) -> Path:
    """The file of the answers of a stand, whatever signs its name holds; hidden names would not be read."""
    name = quote(site, safe="")
    if name[:1] in (".", "_"):
        name = f"%{ord(name[0]):X}{name[1:]}"
    if len(name) > LONGEST_NAME:
        name = f"{name[:LONGEST_NAME]}-{hashlib.sha256(site.encode()).hexdigest()[:16]}"
    return out / ANSWERS / f"{name}.parquet"


def _record(path: Path) -> dict[str, Any]:
    """What a file of answers says of itself; empty where it is none."""
    from pyarrow import parquet

    with suppress(OSError, ValueError, KeyError, TypeError):  # there is none, or one of something else
        return dict(json.loads(parquet.read_schema(path).metadata[MARK]))
    return {}


def _tables_of(site: Site) -> dict[str, pa.Table]:
    """The rows of a stand of a data set, by table; none for a folder."""
    import pyarrow as pa

    parts: dict[str, list[pa.Table]] = {}
    for table, name, at in site.groups:
        file = site.place / name
        rows, spans = _row_group(str(file), at, file.stat().st_mtime_ns)
        start, stop = spans[site.name]
        parts.setdefault(table, []).append(rows.slice(start, stop - start))
    return {table: pa.concat_tables(found, promote_options="default") for table, found in sorted(parts.items())}


@lru_cache(maxsize=GROUPS_KEPT)
def _row_group(file: str, at: int, _changed: int) -> tuple[pa.Table, dict[str, tuple[int, int]]]:
    """One row group by stand: its rows, and where those of each stand begin and end."""
    from pyarrow import parquet

    with parquet.ParquetFile(file) as opened:
        rows = opened.read_row_group(at)
    of_folder = _site_of_folder(Path(file))
    if of_folder:
        return rows, {of_folder: (0, len(rows))}
    named = rows[SITE].cast("string").combine_chunks().dictionary_encode()
    codes = named.indices.to_numpy(zero_copy_only=False)
    order = np.argsort(codes, kind="stable")
    ends = np.cumsum(np.bincount(codes, minlength=len(named.dictionary)))
    spans = zip(named.dictionary.to_pylist(), [0, *ends[:-1].tolist()], ends.tolist(), strict=True)
    rows = rows.drop_columns([SITE]) if (np.diff(codes) >= 0).all() else rows.drop_columns([SITE]).take(order)
    return rows, {name: (start, stop) for name, start, stop in spans}


def _checksum(site: Site, tables: Mapping[str, pa.Table]) -> str:
    """Checksum of everything the answers of a stand are made of."""
    import pyarrow as pa

    said = hashlib.sha256()
    known = {SETTINGS_FILE, *(f"{table}{ending}" for table in INPUT_TABLES for ending in (".csv", ".parquet"))}
    if not site.place.is_dir():
        files = [site.place, site.place.parent / SETTINGS_FILE]
    elif tables:
        files = [site.place / SETTINGS_FILE]
    else:
        files = [path for path in site.place.iterdir() if path.name in known or path.suffix.lower() == ".xlsx"]
    for path in sorted(files):
        if path.is_file():
            data = path.read_bytes()
            said.update(f"{path.name} {len(data)} ".encode() + data)
    for name, table in tables.items():
        # copied, so that no neighbour is in its buffers
        own = table.take(np.arange(len(table))).combine_chunks().replace_schema_metadata(None)
        sink = pa.BufferOutputStream()
        with pa.ipc.new_stream(sink, own.schema) as stream:
            stream.write_table(own)
        said.update(f"{name} ".encode() + sink.getvalue().to_pybytes())
    return said.hexdigest()


def _field_of(site: Site, tables: Mapping[str, pa.Table]) -> Field:
    """The checked tables of a stand; columns without a value in its rows are as columns that are not there."""
    if not site.groups:
        return read_field(site.place)
    toml, findings = site.place / SETTINGS_FILE, Findings()
    settings = read_settings(toml.read_bytes() if toml.is_file() else None, findings)
    findings.stop()
    for table in REQUIRED_TABLES:
        if table not in tables:
            raise InputError(Fault("no row of this stand", f"its {table}", "Add them.", table, 0, SITE))
    frames = {name: table.to_pandas().dropna(axis="columns", how="all") for name, table in tables.items()}
    return Field.from_frames(frames.pop("trees"), frames.pop("cores"), settings=settings, **frames)


_QUANTITIES = ("mean_date", "oldest_date")
_WHOLE = ("trees", *map(_column, _TREE_STATES), "cores", "at_core_height", "notes")
_ENDS = ("median", "lo", "hi")
_NUMBERS = (*(f"{name}_{end}" for name in _QUANTITIES for end in _ENDS), "interval_years_median", "prob")


def _summary_row(ages: Ages, years: NDArray[np.int64], prob: float) -> dict[str, Any]:
    """A stand in one row; what concerns all of its trees comes from the joint draws."""
    rows = ages.accounting[ages.accounting["table"] == "trees"].groupby("status")["rows"].sum()
    states = {_column(state): int(rows.get(state, 0)) for state in _TREE_STATES}
    row: dict[str, Any] = {"state": "dated" if ages.trees else "no tree dated", "trees": int(rows.sum()), **states}
    row |= {"cores": int((ages.accounting["table"] == "cores").sum()), "at_core_height": len(ages.at_core_height)}
    if ages.trees:
        ends = [0.5, (1 - prob) / 2, (1 + prob) / 2]
        for name, drawn in zip(_QUANTITIES, (years.mean(axis=1), years.min(axis=1)), strict=True):
            found = np.quantile(drawn, ends).tolist()
            row |= {f"{name}_{end}": value for end, value in zip(_ENDS, found, strict=True)}
        spans = [np.ptp(each.date.interval(prob)) for each in ages if each.status == Status.ESTIMATED]
        row["interval_years_median"] = float(np.median(spans))
    return row | {"prob": prob, "notes": len(ages.notes), "cautions": " ".join(ages.cautions)}


def _parquet(site: str, frame: pd.DataFrame, drawn: Mapping[str, Any], key: str, row: Mapping[str, Any]) -> bytes:
    """Ages and draws of a stand as one Parquet file; the types of the columns are the same for all stands."""
    import pyarrow as pa
    from pyarrow import parquet

    kinds = {"integer": pa.int64(), "number": pa.float64()}
    types = {item.name: kinds.get(item.kind, pa.string()) for item in columns("ages")}
    schema = pa.schema([(SITE, pa.string()), *((str(name), types[str(name)]) for name in frame)])
    table = pa.Table.from_pandas(frame.assign(**{SITE: site}), schema=schema, preserve_index=False)
    lists = [drawn[tree].astype(np.int32) if tree in drawn else None for tree in frame["tree"]]
    table = table.append_column("draws", pa.array(lists, type=pa.list_(pa.int32())))
    said = {MARK: json.dumps({"key": key, SITE: site, "row": row}, ensure_ascii=False).encode()}
    table = table.replace_schema_metadata(dict(table.schema.metadata or {}) | said)
    sink = pa.BufferOutputStream()
    parquet.write_table(table, sink, compression="zstd")
    return bytes(sink.getvalue().to_pybytes())


# ---------------------------------------------------------------------- who does the work


def in_processes(work: Work, sites: Sequence[Site], workers: int) -> Iterator[Outcome]:
    """Outcomes from a pool of processes as they come.

    A worker that dies breaks its pool; what was in flight is done again one by one, and what then ends its worker once
    more is given up.
    """
    waiting, suspects, first = deque(sites), deque[Site](), True
    while waiting or suspects:
        queue, size = (suspects, 1) if suspects else (waiting, min(workers, len(waiting)))
        running: dict[Future[Outcome], Site] = {}
        pool = ProcessPoolExecutor(size, multiprocessing.get_context("spawn"), _begin_worker)
        try:
            if first:
                pool.submit(os.getpid).result()
                first = False
            yield from _worked(pool, work, queue, running, 1 if queue is suspects else IN_FLIGHT * size)
        except BrokenProcessPool:
            if first:
                do = 'Call it below if __name__ == "__main__":, or with workers=0.'
                got, need = "workers that end before they begin", "a script that they can read"
                raise _refused("workers", got, need, do) from None
            for future, site in running.items():
                if future.done() and future.exception() is None:
                    yield future.result()
                elif queue is suspects:
                    yield _given_up(site)
                else:
                    suspects.append(site)
        finally:
            pool.shutdown(cancel_futures=True)


def _worked(
    pool: ProcessPoolExecutor, work: Work, queue: deque[Site], running: dict[Future[Outcome], Site], most: int
) -> Iterator[Outcome]:
    """Hand out what waits, a few tasks ahead, and give back what is done; `running` holds what is in flight."""
    while queue or running:
        while queue and len(running) < most:
            future = pool.submit(work, queue[0])
            running[future] = queue.popleft()
        for future in wait(running, return_when=FIRST_COMPLETED).done:
            outcome = future.result()
            del running[future]
            yield outcome


def _cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _begin_worker() -> None:
    """A stop from the keyboard is met by the process that hands out the work; where that one dies, its workers end.

    Looking for circles of what is no longer used takes a twelfth of the time at Python's own threshold.
    """
    gc.set_threshold(GARBAGE)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with, args=(multiprocessing.parent_process(),), daemon=True).start()


def _end_with(parent: Any) -> None:
    parent.join()
    signal.raise_signal(signal.SIGTERM)


def _given_up(site: Site) -> Outcome:
    do = "Look at this stand by itself: does it need more memory than there is?"
    return Outcome(site.name, faults=(Fault("a worker that died over it twice", "an answer", do, site.name),))


def on_cluster(work: Work, sites: Sequence[Site], scheduler: str) -> Iterator[Outcome]:
    """Outcomes from the workers of a Dask cluster as they come; it gives tasks of dead workers to others by itself."""
    try:
        import distributed
    except ImportError as error:
        do = "Install it with pip install 'treeage[scale]', or leave the scheduler out."
        raise _refused("scheduler", "no package distributed", "Dask", do) from error
    dask: Any = distributed
    try:
        client = dask.Client(scheduler)
    except Exception as error:  # the client raises its own many kinds
        do = "Start it with dask scheduler, and write the address it prints: tcp://HOST:8786."
        raise _refused("scheduler", errors.kind_of(scheduler), "the address of a Dask scheduler", do) from error
    with client:
        waiting = iter(sites)
        running: dict[Any, Site] = {}

        def handed_out(most: int) -> list[Any]:
            some = {client.submit(work, site, pure=False): site for site in islice(waiting, most)}
            running.update(some)
            return list(some)

        every = dask.as_completed(handed_out(IN_FLIGHT * max(1, sum(client.nthreads().values()))))
        for future in every:
            site, failure = running.pop(future), future.exception()
            if isinstance(failure, OSError):
                raise failure  # the answers cannot be written
            yield _given_up(site) if failure is not None else future.result()
            for each in handed_out(1):
                every.add(each)
