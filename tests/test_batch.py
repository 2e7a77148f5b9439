"""Many stands: the same bytes as alone, finished ones kept, faults and deaths that cost only themselves."""

import contextlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from threading import Thread

import batch_workers
import pandas as pd
import pyarrow as pa
import pytest
from pyarrow import parquet

from treeage import batch
from treeage.cli import main
from treeage.errors import InputError
from treeage.simulate import scenario, simulate_stand
from treeage.tables import csv_bytes, write_field

NAMES = ("east", "north", "west")
DRAWS = 40


def tables(seed, trees=4):
    """Field tables and settings of a small invented stand; the last has one tree without a date."""
    stand = simulate_stand(replace(scenario("pith"), trees=trees), seed=seed)
    return dict(stand.tables), stand.field_settings()


@pytest.fixture(scope="module")
def stands(tmp_path_factory):
    """A folder of three field folders."""
    place = tmp_path_factory.mktemp("stands") / "sites"
    for seed, name in enumerate(NAMES):
        made, settings = tables(seed)
        write_field(place / name, made, settings)
    return place


@pytest.fixture(scope="module")
def done(stands, tmp_path_factory):
    """All three dated in this process; only read by the tests."""
    out = tmp_path_factory.mktemp("done") / "ages"
    return batch.estimate_sites(stands, out, draws=DRAWS, workers=0)


@pytest.fixture
def own(stands, done, tmp_path):
    """A copy of the input and of the finished answers, to be changed."""
    return shutil.copytree(stands, tmp_path / "sites"), shutil.copytree(done.out, tmp_path / "ages")


def run(place, out, **options):
    """A batch in this process with the draws of these tests."""
    return batch.estimate_sites(place, out, **{"draws": DRAWS, "workers": 0, **options})


def contents(out):
    """Bytes of every file of answers by its name."""
    return {path.name: path.read_bytes() for path in sorted((out / batch.ANSWERS).iterdir())}


# ------------------------------------------------------------------ the same answers


def test_answers_are_those_of_single_runs(stands, done, tmp_path, monkeypatch):
    """`treeage estimate` of each folder writes the same table of ages, byte for byte, and the same draws."""
    monkeypatch.setattr(
        "treeage.report.figures.render", lambda _draw, _size, formats: dict.fromkeys((*formats, "svg"), b"<svg/>")
    )
    every = pd.read_parquet(done.out / batch.ANSWERS)
    assert sorted(every["site"].unique()) == list(NAMES)
    for name in NAMES:
        alone = tmp_path / name
        assert main(["estimate", str(stands / name), "--out", str(alone), "--draws", str(DRAWS)]) == 0
        rows = every[every["site"] == name]
        assert csv_bytes(rows.drop(columns=["site", "draws"])) == (alone / "ages.csv").read_bytes()
        drawn = pd.read_parquet(alone / "draws.parquet")
        assert {tree: years.tolist() for tree, years in zip(rows["tree"], rows["draws"], strict=True)} == {
            tree: drawn[tree].tolist() for tree in drawn
        }


def test_the_number_of_workers_changes_no_byte(stands, done, tmp_path):
    """In this process or in two others: the same files, summary and faults."""
    two = run(stands, tmp_path / "two", workers=2)
    assert contents(two.out) == contents(done.out)
    for name in ("summary.csv", "faults.csv"):
        assert (two.out / name).read_bytes() == (done.out / name).read_bytes()


def test_the_summary_tells_what_the_answers_hold(done):
    """Trees by status, and the median of the mean date over the draws (arithmetic on the files)."""
    assert done.sentence() == "3 of 3 stands dated, 12 trees: 12 estimated."
    every = pd.read_parquet(done.out / batch.ANSWERS)
    for row in done.summary.to_dict("records"):
        drawn = pd.DataFrame(every.loc[every["site"] == row["site"], "draws"].tolist())
        assert row["mean_date_median"] == pytest.approx(drawn.mean().median())
        assert row["oldest_date_lo"] == pytest.approx(drawn.min().quantile(0.05))
        assert row["trees"] == row["estimated"] == len(drawn)
        assert (row["minimum_only"], row["refused"], row["not_cored"]) == (0, 0, 0)


def test_a_stand_without_a_date_is_told_and_read_with_the_others(own):
    """Rot and no ring widths leave the ring count only: no mean date, empty draws, columns of the same types."""
    place, out = own
    cores = pd.read_csv(place / "west" / "cores.csv").assign(inner_end="rot", core_length_mm=None)
    cores.to_csv(place / "west" / "cores.csv", index=False)
    trees = pd.read_csv(place / "west" / "trees.csv").assign(dbh_cm=None, core_diameter_cm=None)
    trees.to_csv(place / "west" / "trees.csv", index=False)
    (place / "west" / "rings.csv").unlink()
    after = run(place, out)
    row = after.summary.set_index("site").loc["west"]
    assert (row["state"], row["minimum_only"], row["trees"]) == ("no tree dated", 4, 4)
    assert pd.isna(row["mean_date_median"])
    every = pd.read_parquet(out / batch.ANSWERS)
    assert every.loc[every["site"] == "west", "draws"].isna().all()
    assert len(every) == 12


# ------------------------------------------------------------------ finished, changed, gone


def test_what_is_finished_is_not_run_again(own, monkeypatch):
    """Not one estimate; a changed stand is run, other settings run all, and damaged answers are made again."""
    place, out = own
    ran, estimate = [], batch.dated_field

    def noted(field, *asked):
        ran.append(field.folder.name)
        return estimate(field, *asked)

    monkeypatch.setattr(batch, "dated_field", noted)
    before = contents(out)
    assert run(place, out).kept == 3
    assert ran == []
    with (place / "north" / "cores.csv").open("a") as file:
        file.write("\n")
    assert run(place, out).kept == 2
    assert ran == ["north"]
    settings = (place / "east" / "field.toml").read_text(encoding="utf-8")
    (place / "east" / "field.toml").write_text(settings.replace('"High', '"Very high'), encoding="utf-8")
    (out / batch.ANSWERS / "west.parquet").write_bytes(b"PAR1")
    run(place, out)
    assert ran[1:] == ["east", "west"]
    assert contents(out)["west.parquet"] == before["west.parquet"]
    assert run(place, out, draws=DRAWS + 1).kept == 0


def test_a_stand_that_is_gone_takes_its_answers_along(own):
    """The data set holds the stands of the input; files of others are left alone."""
    place, out = own
    shutil.rmtree(place / "north")
    stranger = out / batch.ANSWERS / "mine.parquet"
    parquet.write_table(pa.table({"site": ["mine"]}), stranger)
    after = run(place, out)
    assert after.removed == ("north",)
    assert sorted(contents(out)) == ["east.parquet", "mine.parquet", "west.parquet"]


# ------------------------------------------------------------------ faults


def test_a_bad_stand_costs_only_itself(own, capsys):
    """Its faults stand in faults.csv, it loses its old answers, the exit code is 1; mended, it alone is run."""
    place, out = own
    good = (place / "north" / "cores.csv").read_bytes()
    (place / "north" / "cores.csv").write_text("tree,core\nT1,=1+1\n")
    (place / "nothing").mkdir()
    assert main(["batch", str(place), "--out", str(out), "--draws", str(DRAWS), "--workers", "1"]) == 1
    said = capsys.readouterr()
    assert "3 of 4" not in said.out and "2 of 4 stands dated" in said.out
    told = said.err.replace("\n    ", " ").splitlines()
    assert any("north: cores.csv, outer_year: got no such column" in line for line in told)
    assert sum(line.startswith("  north: ") for line in told) == 1  # many faults of one stand hide no other
    assert any(line.startswith("  nothing: ") and line.endswith(" And 1 more fault, see faults.csv.") for line in told)
    faults = pd.read_csv(out / "faults.csv")
    assert set(faults["site"]) == {"north", "nothing"}
    assert sorted(contents(out)) == ["east.parquet", "west.parquet"]
    assert pd.read_csv(out / "summary.csv").set_index("site")["state"].to_dict() == {
        "east": "dated", "north": "faulty", "nothing": "faulty", "west": "dated",
    }  # fmt: skip
    page = (out / "summary.html").read_text(encoding="utf-8")
    assert "2 of 4 stands dated, 8 trees: 8 estimated. 2 left out" in page
    assert "<script" not in page and 'href="faults.csv"' in page and len(page) < 300_000
    assert "<td>0</td>" not in page.split("Stands left out")[1] and "NA&gt;" not in page  # no row is not row 0
    (place / "north" / "cores.csv").write_bytes(good)
    (place / "nothing").rmdir()
    assert main(["batch", str(place), "--out", str(out), "--draws", str(DRAWS), "--workers", "1"]) == 0
    said = capsys.readouterr().out
    took, rate = re.search(r"^([\d,]+) s, ([\d,]+) trees a second$", said, re.MULTILINE).groups()
    assert "2 stands were finished before" in said
    assert (int(rate) - 0.5) * (int(took) - 0.5) <= 4  # both rounded: of the stand that was run, not of all
    assert len(pd.read_csv(out / "faults.csv")) == 0
    assert main(["batch", str(place), "--out", str(out), "--draws", str(DRAWS), "--workers", "1"]) == 0
    assert "a second" not in capsys.readouterr().out  # nothing was dated


def test_the_rate_is_that_of_this_run(own):
    """Trees of stands that were finished before are not counted."""
    place, out = own
    told = []
    (out / "answers" / "east.parquet").unlink()
    run(place, out, tick=lambda *each: told.append(each))
    assert [trees for *_, trees in sorted(told)][-1] == 4


def test_an_error_of_the_program_costs_one_stand(own, monkeypatch):
    """Whatever is raised becomes a fault of that stand; a full disk ends the run."""
    place, out = own
    (place / "north" / "events.csv").write_text("year,event\n1900,fire\n")
    monkeypatch.setattr(batch, "dated_field", lambda *_given, **_named: 1 / 0)
    after = run(place, out)
    assert after.faulty == ("north",)
    assert "ZeroDivisionError" in after.faults["got"][0]
    monkeypatch.undo()

    def full(*_given):
        raise OSError(28, "No space left on device", "ages")

    monkeypatch.setattr(batch, "write_bytes", full)
    with pytest.raises(OSError, match="No space"):
        run(place, out)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"draws": 0}, "draws: got 0, need a whole number, 1 to 2e"),
        ({"workers": -1}, "workers: got -1, need a whole number of at least 0"),
        ({"prob": 1.5}, "prob: got 1.5, need between 0 and 1"),
        ({"out": "sites/inside"}, "out: got .*, need a folder apart from the input"),
        ({"out": "."}, "out: got .*, need a folder apart from the input"),
        ({"sites": "absent"}, "sites: got .*absent, which does not exist"),
        ({"sites": "empty"}, "sites: got .*empty, which holds none"),
        ({"sites": "sites/east"}, "sites: got .*east, the field folder of one stand.*Use treeage estimate"),
    ],
)
def test_bad_arguments_are_told_before_anything_is_made(own, tmp_path, change, words):
    """Where, got, need, do; no folder of answers."""
    (tmp_path / "empty").mkdir()
    given = {"sites": "sites", "out": "new"} | change
    places = [tmp_path / given.pop(name) for name in ("sites", "out")]
    with pytest.raises(InputError, match=words):
        run(*places, **given)
    assert not (tmp_path / "new").exists()


def test_without_dask_the_fault_says_what_to_install(stands, tmp_path, monkeypatch):
    """The extra is named."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"got no package distributed.*pip install 'treeage\[scale\]'"):
        run(stands, tmp_path / "out", scheduler="tcp://127.0.0.1:1")


def test_a_stop_says_that_the_same_command_goes_on(stands, tmp_path, monkeypatch, capsys):
    """Code 130, and no word of incomplete answers."""

    def stopped(*_given, **_named):
        raise KeyboardInterrupt

    monkeypatch.setattr(batch, "estimate_sites", stopped)
    before = signal.getsignal(signal.SIGINT)
    try:
        assert main(["batch", str(stands), "--out", str(tmp_path / "out")]) == 130
    finally:
        signal.signal(signal.SIGINT, before)
    assert "the same command goes on with the others" in capsys.readouterr().err


# ------------------------------------------------------------------ one data set for all


def data_set(place, *, shuffle=False, group=10_000, names=NAMES):
    """The three stands as tables with a column site, in the order of the stands or of nothing."""
    every = [tables(seed) for seed in range(len(names))]
    for table in ("trees", "cores", "rings", "seedlings", "events"):
        rows = pd.concat([made[table].assign(site=name) for name, (made, _) in zip(names, every, strict=True)])
        rows = rows.sample(frac=1, random_state=0) if shuffle else rows
        place.mkdir(exist_ok=True)
        made = pa.Table.from_pandas(rows, preserve_index=False)
        parquet.write_table(made, place / f"{table}.parquet", row_group_size=group)
    write_field(place / ".toml", every[0][0], every[0][1])
    (place / ".toml" / "field.toml").rename(place / "field.toml")
    shutil.rmtree(place / ".toml")
    return place


def answers(out):
    """All answers as one table, in one order."""
    return pd.read_parquet(out / batch.ANSWERS).sort_values(["site", "tree"], ignore_index=True)


@pytest.mark.parametrize("how", [{}, {"shuffle": True}, {"group": 150}])
def test_a_data_set_gives_the_answers_of_folders(done, tmp_path, how):
    """Whatever the order of rows in a few row groups."""
    after = run(data_set(tmp_path / "sites", **how), tmp_path / "ages")
    assert after.faults.empty
    pd.testing.assert_frame_equal(answers(after.out), answers(done.out))
    assert run(tmp_path / "sites", tmp_path / "ages").kept == 3


def test_a_changed_row_of_a_data_set_runs_its_stand(tmp_path):
    """The neighbours in the same file are kept."""
    place = data_set(tmp_path / "sites")
    run(place, tmp_path / "ages")
    trees = pd.read_parquet(place / "trees.parquet")
    trees.loc[trees["site"] == "north", "dbh_cm"] += 1
    trees.to_parquet(place / "trees.parquet", index=False)
    after = run(place, tmp_path / "ages")
    assert after.kept == 2


def test_names_of_stands_may_hold_any_sign(tmp_path):
    """Hidden names, slashes, formulas and very long names: read in one call; a spreadsheet computes nothing."""
    names = (".hidden/of=a", "_under", "=1+1" + "x" * 300)
    after = run(data_set(tmp_path / "sites", names=names), tmp_path / "ages")
    assert after.faults.empty
    assert set(answers(after.out)["site"]) == set(names)
    assert "\n'=1+1xx" in "\n" + (after.out / "summary.csv").read_text()
    assert run(tmp_path / "sites", tmp_path / "ages").kept == 3


def test_folders_of_files_named_by_their_stand(done, tmp_path):
    """Tables as folders, the stand in the name of a folder, as tools for such data sets write them."""
    place = data_set(tmp_path / "flat")
    for file in list(place.glob("*.parquet")):
        for name, rows in pd.read_parquet(file).groupby("site"):
            target = tmp_path / "sites" / file.stem / f"site={name}" / "part-0.parquet"
            target.parent.mkdir(parents=True)
            rows.drop(columns="site").to_parquet(target, index=False)
    shutil.copy(place / "field.toml", tmp_path / "sites")
    after = run(tmp_path / "sites", tmp_path / "ages")
    pd.testing.assert_frame_equal(answers(after.out), answers(done.out))


def test_scattered_rows_and_missing_names_are_faults_of_the_data_set(tmp_path):
    """Reading row groups again and again would take forever; a row without a stand belongs to nobody."""
    with pytest.raises(InputError, match="rings, site: got those of a stand in .* row groups.*Sort the table by site"):
        run(data_set(tmp_path / "one", shuffle=True, group=50, names="abcdefgh"), tmp_path / "ages")
    place = data_set(tmp_path / "two")
    trees = pd.read_parquet(place / "trees.parquet")
    trees.drop(columns="site").to_parquet(place / "trees.parquet", index=False)
    with pytest.raises(InputError, match=r"trees.parquet, site: got no column site"):
        run(place, tmp_path / "ages")
    trees.assign(site=trees["site"].where(trees["tree"] != trees["tree"][0])).to_parquet(
        place / "trees.parquet", index=False
    )
    (place / "cores.parquet").write_bytes(b"PAR1 and no more")
    with pytest.raises(InputError, match="2 faults") as caught:
        run(place, tmp_path / "ages")
    assert set(caught.value.faults["got"].str[:6]) == {"3 rows", "a file"}


def test_a_stand_without_cores_in_a_data_set_is_a_fault_of_its_own(tmp_path):
    """The others are dated."""
    place = data_set(tmp_path / "sites")
    cores = pd.read_parquet(place / "cores.parquet")
    cores[cores["site"] != "north"].to_parquet(place / "cores.parquet", index=False)
    after = run(place, tmp_path / "ages")
    assert after.faulty == ("north",)
    assert after.faults["need"].tolist() == ["its cores"]


# ------------------------------------------------------------------ workers that die


def sites(place, names):
    """Stands that the work of `batch_workers` understands."""
    return [batch.Site(name, place) for name in names]


def test_a_worker_that_dies_loses_nothing(tmp_path):
    """Killed once at one stand: every stand comes back once, that one too."""
    names = ["a", "b", "once", *"cdefgh"]
    found = list(batch.in_processes(batch_workers.dies_once, sites(tmp_path, names), 2))
    assert sorted(outcome.site for outcome in found) == sorted(names)
    assert not [outcome for outcome in found if outcome.faults]
    assert (tmp_path / "died").exists()


def test_a_stand_that_ends_its_worker_twice_is_given_up(tmp_path):
    """It is tried twice at most, and no stand that was in flight beside it is blamed."""
    names = ["a", "always 1", *"bcd", "always 2", *"efgh"]
    found = {each.site: each for each in batch.in_processes(batch_workers.dies_always, sites(tmp_path, names), 2)}
    assert set(found) == set(names)
    assert {name for name, each in found.items() if each.faults} == {"always 1", "always 2"}
    assert "died over it twice" in found["always 1"].faults[0].got
    assert {len((tmp_path / f"always {at}").read_text()) for at in (1, 2)} <= {1, 2}


def test_workers_that_cannot_start_are_told_at_once(stands, tmp_path):
    """A script that calls at its top level would start workers in its workers; the fault says where to call."""
    script = tmp_path / "script.py"
    script.write_text(
        f"import treeage\ntreeage.estimate_sites({str(stands)!r}, {str(tmp_path / 'out')!r}, draws=5, workers=1)\n"
    )
    ran = subprocess.run([sys.executable, str(script)], capture_output=True, text=True, timeout=120, check=False)
    assert "Call it below if __name__ ==" in ran.stderr
    assert not list((tmp_path / "out" / batch.ANSWERS).iterdir())


def children(pid):
    """Processes below one, of which the workers are known by their command (Linux)."""
    found = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = status.read_text().rpartition(")")[2].split()
            command = (status.parent / "cmdline").read_bytes()
        except OSError:
            continue
        if int(fields[1]) == pid and b"spawn_main" in command:
            found.append(int(status.parent.name))
    return found


def running():
    """Ids of all processes that have not ended (Linux)."""
    found = set()
    for status in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            if status.read_text().rpartition(")")[2].split()[0] != "Z":
                found.add(int(status.parent.name))
    return found


def when_some_are_done(out, act, most=120.0):
    """Do something once the first answers stand in a folder."""
    end = time.monotonic() + most
    while not list((out / batch.ANSWERS).glob("*.parquet")):
        assert time.monotonic() < end
        time.sleep(0.02)
    act()


@pytest.fixture(scope="module")
def many(tmp_path_factory):
    """Twelve stands that take a moment each, and their answers by an undisturbed run."""
    place = tmp_path_factory.mktemp("many") / "sites"
    for seed in range(12):
        made, settings = tables(seed, trees=12)
        write_field(place / f"s{seed:02d}", made, settings)
    return place, run(place, place.parent / "whole")


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for processes in /proc")
@pytest.mark.parametrize("whom", ["worker", "all"])
def test_a_killed_run_goes_on_where_it_was(many, tmp_path, whom):
    """kill -9 of a worker in the middle: nothing is lost. Of the whole run: the next one keeps what was finished."""
    place, whole = many
    command = [sys.executable, "-m", "treeage", "batch", str(place), "--out", str(tmp_path / "out"), "--workers", "2"]
    ran = subprocess.Popen([*command, "--draws", str(DRAWS)], stdout=subprocess.PIPE, text=True)
    started = []

    def kill():
        workers = children(ran.pid)
        assert workers
        os.kill(workers[0] if whom == "worker" else ran.pid, signal.SIGKILL)
        started.extend(workers)

    when_some_are_done(tmp_path / "out", kill)
    said = ran.communicate(timeout=300)[0]
    if whom == "worker":
        assert ran.returncode == 0
        assert "12 of 12 stands dated" in said
    else:
        assert ran.returncode == -signal.SIGKILL
        end = time.monotonic() + 30
        while set(started) & running():  # workers end with the process that hands out the work
            assert time.monotonic() < end
            time.sleep(0.1)
        assert 0 < run(place, tmp_path / "out").kept < 12
    assert contents(tmp_path / "out") == contents(whole.out)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # those of the cluster at its end
def test_a_cluster_gives_the_same_bytes_although_a_worker_is_killed(many, tmp_path):
    """Dask, two workers, one of them killed in the middle."""
    distributed = pytest.importorskip("distributed")
    place, whole = many
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:

        def kill():
            os.kill(next(iter(cluster.workers.values())).pid, signal.SIGKILL)

        killer = Thread(target=when_some_are_done, args=(tmp_path / "out", kill))
        killer.start()
        after = run(place, tmp_path / "out", scheduler=cluster.scheduler_address)
        killer.join()
    assert after.sentence() == whole.sentence()
    assert contents(after.out) == contents(whole.out)


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for processes in /proc")
def test_the_script_of_many_stands_runs(tmp_path):
    """Two varied stands of 50 trees, all of them dated, and the figures of the run."""
    script = Path(__file__).parent / "benchmarks" / "many_stands.py"
    command = [sys.executable, str(script), str(tmp_path / "many"), "--stands", "2", "--draws", "20"]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=600, check=True)
    figures = json.loads(ran.stdout.splitlines()[-1])
    assert (figures["stands"], figures["trees"], figures["exit_code"]) == (2, 100, 0)
    assert 50 < figures["peak_MB_of_a_worker"] < 2000
    assert len(list((tmp_path / "many" / "ages" / batch.ANSWERS).iterdir())) == 2


def test_the_page_tells_years_before_the_common_era_in_words(tmp_path):
    """A stand of 2,300-year-old trees: BCE on the page, astronomical years in the table."""
    stand = tmp_path / "sites" / "old"
    stand.mkdir(parents=True)
    (stand / "trees.csv").write_text("tree,species\na,Larix decidua\n")
    core = "tree,core,outer_year,rings_counted,dating,inner_end,core_height_m\na,x,2019,2300,crossdated,pith,0\n"
    (stand / "cores.csv").write_text(core)
    out = tmp_path / "out"
    assert main(["batch", str(stand.parent), "--out", str(out), "--draws", str(DRAWS), "--workers", "1"]) == 0
    assert pd.read_csv(out / "summary.csv")["mean_date_median"].item() == 2019 - 2300 + 1  # hand sum: -280
    page = (out / "summary.html").read_text(encoding="utf-8")
    assert "<td>281 BCE (" in page and "-280" not in page
