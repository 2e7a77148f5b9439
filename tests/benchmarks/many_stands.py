"""Many virtual stands as a Parquet data set, and what it takes to date them: seconds, trees a second, memory.

    python tests/benchmarks/many_stands.py FOLDER --stands 20000 --workers 2 [--scheduler ADDRESS] [--draws 200]

The stands are varied copies of a few dozen simulated ones (50 trees, two cores each) of some kinds: every copy grew
slower or faster, was cored up to ten years earlier, stands in another century and has its own small errors of every
width. FOLDER gets `sites` and `ages`; run it again and it goes on.
"""

import argparse
import json
import os
import re
import resource
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
from pyarrow import parquet

from treeage.simulate import scenario, simulate_stand
from treeage.tables import settings_text, write_text

TREES = 50
KINDS = (  # scenario, whether its rings were measured, and how many stands of ten (choice); --kind takes one alone
    ("demo", True, 1),
    ("demo", False, 1),
    ("arcs", False, 2),
    ("pith", True, 3),
    ("pith", False, 3),
)
BASES_OF_TEN = 4  # simulated stands for each of those ten
AT_ONCE = 250  # stands in a row group, so that no worker holds much more than it needs
LATEST = 10  # years by which a copy may have been cored earlier
WIDTH_LOG_SD = 0.03  # of a copy's own errors of reading
RATE_LOG_SD = 0.2  # of the growth of a copy against its model
LENGTHS = {"trees": ["dbh_cm", "core_diameter_cm"], "cores": ["core_length_mm"]}


def varied(tables, site, rng):
    """A copy of a stand: shorter by the years since an earlier coring, wider or narrower, and of another century."""
    rate, early, century = rng.lognormal(0, RATE_LOG_SD), int(rng.integers(0, LATEST)), 50 * int(rng.integers(0, 6))
    trees, cores = tables["trees"], tables["cores"]
    size = cores["rings_counted"].to_numpy()
    early = min(early, int(size.min()) - 5)
    made, lost = dict(tables), np.zeros(len(cores))
    if "rings" in tables:
        rings, core_of = tables["rings"], core_of_ring(tables)
        kept, widths = rings["ring"].to_numpy() <= (size - early)[core_of], rings["width_mm"].to_numpy()
        lost = np.bincount(core_of[~kept], widths[~kept], minlength=len(cores))
        noise = np.exp(WIDTH_LOG_SD * rng.standard_normal(int(kept.sum())))
        made["rings"] = rings[kept].assign(width_mm=np.round(widths[kept] * rate * noise, 2))
        if "year" in rings:
            made["rings"] = made["rings"].assign(year=rings["year"][kept] - century)
    length = np.round((cores["core_length_mm"] - lost).clip(lower=1.0) * rate, 1)
    made["cores"] = cores.assign(
        outer_year=cores["outer_year"] - early - century, rings_counted=size - early, core_length_mm=length
    )
    first = cores["tree"].drop_duplicates().index
    off = pd.Series(0.2 * lost[first], index=cores["tree"][first]).reindex(trees["tree"]).fillna(0).to_numpy()
    diameters = {name: np.round((trees[name] - off).clip(lower=2.0) * rate, 1) for name in LENGTHS["trees"]}
    made["trees"] = trees.assign(**diameters)
    made["events"] = tables["events"].assign(year=tables["events"]["year"] - century)
    return {name: table.assign(site=site) for name, table in made.items()}


def core_of_ring(tables):
    """Position in the table of cores of every measured ring."""
    keys = [pd.MultiIndex.from_frame(tables[name][["tree", "core"]]) for name in ("cores", "rings")]
    return keys[0].get_indexer(keys[1])


def bases(kind=None):
    """A few dozen simulated stands, without the columns that hold nothing, and what their field.toml says."""
    found = []
    for name, measured, share in KINDS if kind is None else [(kind.rstrip("-"), not kind.endswith("-"), 10)]:
        for seed in range(BASES_OF_TEN * share):
            tables = simulate_stand(replace(scenario(name), trees=TREES), seed=seed).tables
            used = {key: table.dropna(axis="columns", how="all") for key, table in tables.items()}
            found.append({key: table for key, table in used.items() if measured or key != "rings"})
    return found, settings_text(simulate_stand(scenario("demo"), seed=0).field_settings())


def write_sites(folder, stands, kind=None, seed=0):
    """The data set: a file and row group of every table for each few hundred stands."""
    (models, settings), rng = bases(kind), np.random.default_rng(seed)
    write_text(folder / "field.toml", settings)
    for start in range(0, stands, AT_ONCE):
        names = [f"S{at:06d}" for at in range(start, min(start + AT_ONCE, stands))]
        copies = [varied(models[rng.integers(len(models))], name, rng) for name in names]
        for table in ("trees", "cores", "rings", "seedlings", "events"):
            some = [copy[table] for copy in copies if table in copy]
            if not some:
                continue
            rows = pa.Table.from_pandas(pd.concat(some), preserve_index=False)
            target = folder / table / f"{start:06d}.parquet"
            target.parent.mkdir(parents=True, exist_ok=True)
            parquet.write_table(rows, target, compression="zstd")


def watch(pid, peaks, stop):
    """Keep the largest memory [MB] that each process below one has held (Linux)."""
    while not stop.wait(0.5):
        parents = {}
        for status in Path("/proc").glob("[0-9]*/status"):
            try:
                said = dict(re.findall(r"^(Pid|PPid|VmHWM):\s+(\d+)", status.read_text(), flags=re.MULTILINE))
            except OSError:  # it has ended
                continue
            if "VmHWM" in said:
                parents[int(said["Pid"])] = int(said["PPid"]), int(said["VmHWM"]) / 1024
        below = {pid}
        for _ in range(3):
            below |= {each for each, (parent, _) in parents.items() if parent in below}
        peaks.update({each: max(peaks.get(each, 0.0), parents[each][1]) for each in below if each in parents})


def main():
    """Write the stands if they are not there, date them, and say what it took."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--stands", type=int, default=200)
    parser.add_argument("--kind", help="a scenario for all stands; with - at its end, without measured rings")
    parser.add_argument("--workers", default="2")
    parser.add_argument("--scheduler")
    parser.add_argument("--draws", default="200")
    asked = parser.parse_args()
    sites, out = asked.folder / "sites", asked.folder / "ages"
    started = time.monotonic()
    if not sites.exists():
        write_sites(sites, asked.stands, asked.kind)
        print(f"wrote {asked.stands} stands in {time.monotonic() - started:.0f} s", flush=True)
    command = [sys.executable, "-m", "treeage", "batch", str(sites), "--out", str(out), "--draws", asked.draws]
    command += ["--scheduler", asked.scheduler] if asked.scheduler else ["--workers", asked.workers]
    started, peaks, stop = time.monotonic(), {}, threading.Event()
    ran = subprocess.Popen(command, env={"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", **os.environ})
    watcher = threading.Thread(target=watch, args=(ran.pid, peaks, stop))
    watcher.start()
    code = ran.wait()
    stop.set()
    watcher.join()
    took, workers = time.monotonic() - started, [peak for pid, peak in peaks.items() if pid != ran.pid]
    trees = int(pd.read_csv(out / "summary.csv")["trees"].sum())
    size = sum(path.stat().st_size for path in (out / "answers").iterdir()) / 1e6
    used = resource.getrusage(resource.RUSAGE_CHILDREN)  # of the command and, through it, of its workers
    figures = {
        "stands": json.loads((out / "batch.json").read_text())["stands"],
        "trees": trees,
        "seconds": round(took, 1),
        "trees_a_second": round(trees / took, 1),
        "processor_seconds": round(used.ru_utime + used.ru_stime, 1),
        "peak_MB_of_a_worker": round(max(workers, default=float("nan"))),
        "peak_MB_of_the_parent": round(peaks.get(ran.pid, float("nan"))),
        "answers_MB": round(size, 1),
        "exit_code": code,
    }
    print(json.dumps(figures))


if __name__ == "__main__":
    main()
