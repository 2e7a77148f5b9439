"""Golden outputs: everything the package says about a set of small fields, written out to be compared byte by byte.

Use before and after a change that should change no answer (a move of modules, a new engine inside):

    python tests/golden/golden.py make OLD              # before: all parts, 2 to 3 minutes
    python tests/golden/golden.py make NEW --quick      # after each step: no figures, no sampling
    python tests/golden/golden.py compare OLD NEW       # names what differs; exit code 1 on any difference

    --only NAME (repeatable) makes only such cases; `compare` looks at the cases and parts that both folders have.
    `cases FOLDER` writes the field folders alone. `fingerprint OLD` writes fingerprints.json from a whole set.

To run another copy of the package, put it in PYTHONPATH; `make` prints the place it was imported from. Only names that
users have are called, or the command line, so that modules may move.

fingerprints.json holds, for every file, a hash of all that is not a float and sums of its floats, which are compared
with a tolerance because processors and libraries round differently. It may be written anew only with a change whose
purpose is to change an answer or a text, and which says so; then look first at what `compare` finds, file by file.
"""

import argparse
import hashlib
import json
import os
import re
import shutil
import sys
import tempfile
import time
import warnings
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path.insert(0, str(Path(__file__).parent))

from golden_calls import full_calls, quick_calls  # noqa: E402
from golden_folders import CASES, write_case  # noqa: E402
from golden_parts import Part, command, in_full, inside, outside, public  # noqa: E402

PRINTS = Path(__file__).with_name("fingerprints.json")
NAMES = ("highpasture", *CASES, "calls", "learn")
STANDS = ("highpasture", "south", "crossdating", "no_heights")  # no_heights is too small: golden is what it says then
READ = ("highpasture", "crossdating", "single")  # also `check --crossdating`; single is refused
DRAWS = "200"


def keep_outputs(part, name, folder):
    """Copy the files that a command left, as text where they hold text or numbers."""
    import pandas as pd

    if not folder.is_dir():
        part.text(f"{name}/nothing.txt", "no folder\n")
        return
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        to = f"{name}/{path.relative_to(folder).as_posix()}"
        if path.suffix == ".parquet":
            part.text(f"{to}.csv", pd.read_parquet(path).to_csv(index=False, lineterminator="\n"))
        elif path.suffix == ".docx":
            import docx

            tables = docx.Document(str(path)).tables
            part.text(
                f"{to}.txt",
                "\n".join("; ".join(cell.text for cell in row.cells) for each in tables for row in each.rows),
            )
        elif path.suffix == ".png":
            target = part.folder / to
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(path.read_bytes())
        else:
            part.text(to, path.read_text(encoding="utf-8"))


def full_case(part, name):
    """All commands on one field, with their figures."""
    command(part, "estimate", ["estimate", name, "--out", "out", "--crossdating"], outside)
    keep_outputs(part, "estimate", part.work / "out")
    command(
        part,
        "estimate_plain",
        ["estimate", name, "--out", "out1", "--prob", "0.5", "--seed", "3", "--draws", DRAWS],
        outside,
    )
    keep_outputs(part, "estimate_plain", part.work / "out1")
    if name in STANDS:
        command(part, "stand", ["stand", name, "--out", "out2", "--draws", "1000"], outside)
        keep_outputs(part, "stand", part.work / "out2")


# ---------------------------------------------------------------------- Python


def quick_case(part, name):
    """Check, answers and report of one field, without figures."""
    import treeage

    command(part, "check", ["check", name], inside)
    if name in READ:
        command(part, "check_crossdating", ["check", name, "--crossdating"], inside)
    folder = part.work / name
    try:
        field = treeage.read_field(folder, today=2026)
    except treeage.InputError as error:
        part.frame("faults", error.faults)
        return
    part.frame("notes", field.notes)
    for table in ("trees", "cores", "rings", "arcs", "points", "seedlings", "events"):
        part.frame(f"field/{table}", getattr(field, table))
    ages = treeage.estimate_ages(field)
    answers(part, "", ages)
    if name != "highpasture":
        alone = treeage.estimate_ages(field, prob=0.5, from_stand=False, from_pairs=False)
        part.frame("ages_alone", alone.to_frame())
    report = public("report_html", "report", "report_page")
    part.text("report_without_figures.html", report(ages, figures=[]))
    if name in STANDS:
        part.try_text("stand.txt", lambda: stand_text(treeage.stand_history(ages, count=1000, seed=0)))
        part.try_text("growth.txt", lambda: growth_text(field, ages))


def answers(part, prefix, ages):
    """Everything an `Ages` says, in words and numbers."""
    part.frame(f"{prefix}ages", ages.to_frame())
    part.frame(f"{prefix}ages_99", ages.to_frame(0.99))
    for table in ("accounting", "sources"):
        part.frame(f"{prefix}{table}", getattr(ages, table))
    part.frame(f"{prefix}all_notes", ages.notes)
    for table, value in ages.extras.items():
        if hasattr(value, "to_csv"):
            part.frame(f"{prefix}extra_{table}", value)
    lines, masses = [ages.summary(), repr(ages), ages._repr_html_(), ages.date_note], []
    for tree in ages:
        lines += [
            "",
            tree.tree,
            tree.sentence(),
            repr(tree),
            tree._repr_html_(),
            in_full(tree.cores) if tree.status == "estimated" else "",
        ]
        for word in (
            "missed_rings",
            "pith_year",
            "age_at_core_height",
            "years_to_core_height",
            "establishment_year",
            "age",
            "date",
        ):
            try:
                masses.append(f"{tree.tree} {word} {in_full(getattr(tree, word))}")
            except Exception as error:  # noqa: BLE001 -- the fault is the golden output
                masses.append(f"{tree.tree} {word} {type(error).__name__}: {error}")
    part.text(f"{prefix}words.txt", "\n".join(lines) + "\n")
    part.text(f"{prefix}masses.txt", "\n".join(masses) + "\n")
    if ages.trees:
        draws = ages.draws(int(DRAWS), seed=1).transpose("draw", "tree")
        rows = [",".join(ages.trees), *(",".join(map(str, row)) for row in draws.values.tolist())]
        part.text(f"{prefix}draws.csv", "\n".join(rows) + "\n")


def stand_text(history):
    """The history of a stand: sentences, notes and all tables."""
    lines = [repr(history), *history.sentences(), *history.notes, in_full(history.to_frame())]
    for name, table in history.tables().items():
        lines += [f"[{name}]", in_full(table)]
    return [*lines, "[uncored]", in_full(history.uncored), "[dates]", in_full(history.dates[:20])]


def growth_text(field, ages):
    """Growth by tree, releases, and the stand at a past date."""
    growth = public("field_growth", "growth", "estimate", "estimate_growth")(field)
    lines = []
    for name, part in growth.items():
        series = part.series()
        lines += [
            f"{name} {in_full(part.years)}",
            in_full(part.diameter_cm[:3]),
            in_full(series) if not hasattr(series, "to_csv") else series.to_csv(),
        ]
    changes = public("find_changes", "growth", "growth_events")({name: part.series() for name, part in growth.items()})
    past = public("past_trees", "stand", "growth", "estimate", "estimate_growth")(ages, 1970, growth=growth, count=300)
    return [*lines, changes.sentence(), in_full(changes.events), past.sentence(), past.totals().to_csv()]


def full_learn(part):
    """A small stand with parameters learned from few draws; the sampler fails its checks and says so."""
    import treeage

    learned = [public(name, "hierarchical") for name in ("Sampling", "prior_predictive", "prior_table")]
    sampling, prior_predictive, prior_table = learned

    write_case("two_heights", part.work / "two_heights")
    field = treeage.read_field(part.work / "two_heights", today=2026)
    part.frame("priors", prior_table())
    part.frame("prior_predictive", prior_predictive(field, draws=50))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        ages = treeage.fit_hierarchical(field, sampling=sampling(draws=30, tune=30, chains=2, cores=1), seed=1)
    answers(part, "", ages)
    lines = [
        f"{name}: {list(table.columns)} {len(table)}"
        for name, table in sorted(ages.extras.items())
        if hasattr(table, "to_csv")
    ]
    lines += [f"ages: {list(ages.to_frame().columns)} {len(ages)}", *(f"{t.tree} {t.status} {t.flags}" for t in ages)]
    lines += [re.sub(r"-?\d+(\.\d+)?", "N", row) for row in ages.sources["step"] + ": " + ages.sources["what"]]
    part.text("shapes.txt", "\n".join([*lines, in_full(ages.diagnosis.table[["parameter", "of"]])]) + "\n")


# ---------------------------------------------------------------------- make


def prepare(name, work):
    """The field folder of a case; its rings.csv where it comes from a file of ring widths."""
    write_case(name, work / name)
    if name == "ring_files":
        rings = public("ring_table", "formats")(public("read_ring_file", "formats")(work / name / "site.rwl"))
        rings.to_csv(work / name / "rings.csv", index=False)


def make(out, names, *, quick):
    """Make the golden outputs of the named cases."""
    import treeage

    print(f"treeage of {Path(treeage.__file__).parent}")
    if out.exists() and any(out.iterdir()) and not (out / "made.json").exists():
        sys.exit(f"{out}: holds other things; name a new folder.")
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir(parents=True)
    (out / "made.json").write_text("[]\n", encoding="utf-8")  # a set that stopped halfway has no parts
    begun, parts = time.perf_counter(), []
    for name in names:
        for kind in ("quick",) if quick else ("quick", "full"):
            run = {"calls": {"quick": quick_calls, "full": full_calls}, "learn": {"full": full_learn}}.get(name)
            if run is not None and kind not in run:
                continue
            start = time.perf_counter()
            with tempfile.TemporaryDirectory() as folder:
                part = Part(out, name, kind, Path(folder))
                if run is None:
                    prepare(name, part.work)
                    (quick_case if kind == "quick" else full_case)(part, name)
                else:
                    run[kind](part)
            parts.append(f"{name}/{kind}")
            print(f"  {parts[-1]:<28}{time.perf_counter() - start:6.1f} s", flush=True)
    (out / "made.json").write_text(json.dumps(parts, indent=1) + "\n", encoding="utf-8")
    print(f"{len(parts)} parts in {time.perf_counter() - begun:.0f} s")


def made_files(folder):
    """Files of a folder by part."""
    parts = json.loads((folder / "made.json").read_text(encoding="utf-8"))
    return {
        part: {p.relative_to(folder).as_posix(): p for p in sorted((folder / part).rglob("*")) if p.is_file()}
        for part in parts
    }


# ---------------------------------------------------------------------- compare

FLOAT = re.compile(
    r"(?<![\w.])-?(?:\d+\.\d+(?:[eE][-+]?\d+)?|\d+[eE][-+]?\d+)(?![\w.]*\w)|(?<![\w])(?:-?inf|nan)(?!\w)"
)
ANY_NUMBER = re.compile(r"(?<![\w.])-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?(?!\w)")


def split_floats(text, *, every=False):
    """The words of a text with F for each float, and the floats."""
    pattern = ANY_NUMBER if every else FLOAT
    return pattern.sub("F", text), [float(found) for found in pattern.findall(text)]


def difference(one, two):
    """What differs between two files: empty, or a headline and lines of a diff; and the largest relative error."""
    a, b = one.read_bytes(), two.read_bytes()
    if a == b:
        return [], 0.0
    try:
        old, new = a.decode("utf-8"), b.decode("utf-8")
    except UnicodeDecodeError:
        return ["bytes differ"], float("inf")
    (words, floats), (other_words, others) = split_floats(old), split_floats(new)
    worst = float("inf")
    if words == other_words:
        worst = max(
            (abs(x - y) / max(abs(x), abs(y), 1e-12) for x, y in zip(floats, others, strict=True) if x != y),
            default=0.0,
        )
        lines = [f"only floats differ, by {worst:.2g} of their size at most"]
    else:
        lines = ["words or whole numbers differ"]
    left, right = old.splitlines(), new.splitlines()
    shown = [(n, x, y) for n, (x, y) in enumerate(zip(left, right, strict=False), 1) if x != y][:3]
    for number, x, y in shown:
        at = next((k for k, (p, q) in enumerate(zip(x, y, strict=False)) if p != q), min(len(x), len(y)))
        cut = slice(max(0, at - 40), at + 60)
        lines += [f"  line {number}, place {at}:", f"  - {x[cut]}", f"  + {y[cut]}"]
    if len(left) != len(right):
        lines.append(f"  {len(left)} lines before, {len(right)} after")
    return lines, worst


def compare(one, two, *, rtol=0.0):
    """Say which files of the parts that both folders have differ; the number of them."""
    first, second = made_files(one), made_files(two)
    common = [part for part in first if part in second]
    odd = files = 0
    for part in common:
        for name in sorted({*first[part], *second[part]}):
            files += 1
            if name not in first[part] or name not in second[part]:
                print(f"{name}: only in {one if name in first[part] else two}")
                odd += 1
                continue
            lines, worst = difference(first[part][name], second[part][name])
            if lines and worst > rtol:
                odd += 1
                print(f"{name}: " + "\n".join(lines))
    print(f"{files} files of {len(common)} parts compared, {odd} differ")
    if not common:
        print("nothing in common")
    return odd if common else 1


# ---------------------------------------------------------------------- fingerprints

RUNS = 4  # the floats of a file are summed in so many stretches
RTOL, ATOL = 1e-4, 1e-6


def is_printed(name):
    """Whether a file belongs into the fingerprints: not figures, help texts, single bytes, nor sampled numbers."""
    if name.startswith("learn/"):
        return name.endswith("shapes.txt")
    return not ("/figures/" in name or "/full/help" in name or name.endswith("example_files.txt"))


def fingerprint(name, path):
    """Hash of the words and sums of the floats of one file."""
    words, floats = split_floats(path.read_text(encoding="utf-8"), every="draws" in Path(name).name)
    finite = [0.0 if value != value or abs(value) == float("inf") else value for value in floats]
    size = max(1, -(-len(finite) // RUNS))
    sums = []
    for start in range(0, len(finite), size):
        part = finite[start : start + size]
        weighted = sum(value * (1 + (7919 * k) % 1000 / 1000) for k, value in enumerate(part))
        sums.append([float(f"{value:.9g}") for value in (sum(part), weighted, sum(map(abs, part)))])
    return {"words": hashlib.sha256(words.encode()).hexdigest()[:24], "floats": len(floats), "sums": sums}


def fingerprints(folder):
    """Fingerprints of all files of a made folder, by part and file."""
    return {
        part: {
            name.removeprefix(part + "/"): fingerprint(name, path) for name, path in files.items() if is_printed(name)
        }
        for part, files in made_files(folder).items()
    }


def unlike(kept, found):
    """Parts of `found` that are not as kept: one line each."""
    lines = []
    for part, files in found.items():
        old = kept.get(part, {})
        for name in sorted({*old, *files}):
            if name not in old or name not in files:
                lines.append(f"{part}/{name}: {'new' if name in files else 'missing'}")
                continue
            a, b = old[name], files[name]
            if a["words"] != b["words"] or a["floats"] != b["floats"]:
                lines.append(f"{part}/{name}: words, whole numbers or the number of floats changed")
                continue
            for x, y in zip(a["sums"], b["sums"], strict=True):
                if any(abs(p - q) > ATOL + RTOL * max(x[2], y[2]) for p, q in zip(x, y, strict=True)):
                    lines.append(f"{part}/{name}: floats changed, sums {x} before, {y} now")
                    break
    return lines


def write_fingerprints(folder):
    """Write fingerprints.json, one line a file."""
    parts = []
    for part, files in fingerprints(folder).items():
        rows = ",\n".join(f"  {json.dumps(name)}: {json.dumps(mark)}" for name, mark in files.items())
        parts.append(f" {json.dumps(part)}: {{\n{rows}\n }}")
    PRINTS.write_text("{\n" + ",\n".join(parts) + "\n}\n", encoding="utf-8")


def main():
    """Run the command line of this script."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(dest="command", required=True)
    one = commands.add_parser("cases", help="write the field folders")
    one.add_argument("folder", type=Path)
    one = commands.add_parser("make", help="make the golden outputs")
    one.add_argument("folder", type=Path)
    one.add_argument("--quick", action="store_true", help="no figures, no sampling, no separate processes")
    one.add_argument("--only", action="append", choices=NAMES, metavar="NAME", help=f"one of {', '.join(NAMES)}")
    one = commands.add_parser("compare", help="compare two made folders byte by byte")
    one.add_argument("old", type=Path)
    one.add_argument("new", type=Path)
    one.add_argument("--rtol", type=float, default=0.0, help="let floats differ by this share (default: not at all)")
    one = commands.add_parser("fingerprint", help="write fingerprints.json, or --check against it")
    one.add_argument("folder", type=Path)
    one.add_argument("--check", action="store_true", help="compare with fingerprints.json and write nothing")
    chosen = parser.parse_args()
    if chosen.command == "cases":
        for name in NAMES[:-2]:
            write_case(name, chosen.folder / name)
    elif chosen.command == "make":
        make(chosen.folder, chosen.only or NAMES, quick=chosen.quick)
    elif chosen.command == "compare":
        return 1 if compare(chosen.old, chosen.new, rtol=chosen.rtol) else 0
    elif chosen.check:
        lines = unlike(json.loads(PRINTS.read_text(encoding="utf-8")), fingerprints(chosen.folder))
        print("\n".join([*lines, f"{len(lines)} files differ from the fingerprints"]))
        return 1 if lines else 0
    else:
        write_fingerprints(chosen.folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
