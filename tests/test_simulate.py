"""Tests of whole virtual stands: tables, truth, scenarios, the demo folder."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from treeage import schema, simulate
from treeage.errors import InputError
from treeage.tables import read_field

SMALL_NAMES = [name for name in simulate.SCENARIO_NAMES if name != "large"]
DATA = Path(__file__).resolve().parent.parent / "data"


def _joined(stand: simulate.SimulatedStand) -> pd.DataFrame:
    cores = stand.tables["cores"].merge(stand.truth["cores"], on=["tree", "core"], suffixes=("", "_true"))
    return cores.merge(stand.truth["trees"], on="tree", suffixes=("", "_tree"))


@pytest.mark.parametrize("name", SMALL_NAMES)
def test_tables_have_exactly_the_columns_of_the_schema(name: str) -> None:
    """Every table has the columns of the schema in their order."""
    stand = simulate.simulate_stand(name, seed=3)
    for table in ("trees", "cores", "rings", "seedlings", "events"):
        assert list(stand.tables[table].columns) == [column.name for column in schema.columns(table)]


@pytest.mark.parametrize("name", SMALL_NAMES)
@pytest.mark.parametrize("seed", [1, 2])
def test_every_scenario_passes_the_checks_of_the_field_tables(name: str, seed: int) -> None:
    """A virtual stand reads without a fault."""
    field = simulate.simulate_stand(name, seed=seed).field()
    assert len(field.cores) == 2 * len(field.trees)


@pytest.mark.parametrize("name", SMALL_NAMES)
def test_truth_and_tables_obey_the_dating_arithmetic(name: str) -> None:
    """Innermost ring year, count error, missed rings, years to height and establishment add up core by core."""
    joined = _joined(simulate.simulate_stand(name, seed=5))
    # establishment = outer - (counted + error + missed) + 1 - years below - collar: the chain of the conventions
    rings = joined["rings_counted"] + joined["count_error"] + joined["missed_rings"]
    establishment = joined["outer_year"] - rings + 1 - joined["years_to_core_height"] - joined["collar_years"]
    assert (establishment == joined["establishment_year"]).all()
    assert (joined["rings_from_pith"] == rings).all()
    assert (joined["age"] == joined["outer_year"] - joined["establishment_year"] + 1).all()


def test_chain_holds_with_buried_collars() -> None:
    """Collar years are part of the chain."""
    recipe = replace(simulate.scenario("mixed"), collar_years_mean=6.0)
    joined = _joined(simulate.simulate_stand(recipe, seed=5))
    assert joined["collar_years"].mean() == pytest.approx(6.0, abs=0.6)  # mean of a Poisson, about 3 standard errors
    rings = joined["rings_counted"] + joined["count_error"] + joined["missed_rings"]
    below = joined["years_to_core_height"] + joined["collar_years"]
    assert (joined["outer_year"] - rings + 1 - below == joined["establishment_year"]).all()


def test_same_seed_same_stand_and_other_seed_other_stand() -> None:
    """The seed alone decides."""
    one, two, three = (simulate.simulate_stand("demo", seed=seed) for seed in (4, 4, 5))
    for name, frame in one.tables.items():
        pd.testing.assert_frame_equal(frame, two.tables[name])
    assert not one.tables["cores"]["rings_counted"].equals(three.tables["cores"]["rings_counted"])


def test_ring_tables_match_the_core_table() -> None:
    """Counted rings equal the rows of rings.csv, and crossdated rows carry the right years."""
    stand = simulate.simulate_stand("mixed", seed=6)
    cores = stand.tables["cores"].set_index(["tree", "core"])
    for key, rings in stand.tables["rings"].groupby(["tree", "core"]):
        core = cores.loc[key]
        assert rings["ring"].tolist() == list(range(1, core["rings_counted"] + 1))
        if core["dating"] == "crossdated":
            assert rings["year"].iloc[-1] == core["outer_year"]
            assert (np.diff(rings["year"]) == 1).all()
        else:
            assert rings["year"].isna().all()
            assert (rings["width_mm"] > 0).all()


def test_crossdated_cores_keep_absent_rings_as_zeros_and_counted_ones_lose_them() -> None:
    """Dated zeros in the ring table are the absent rings of the truth."""
    stand = simulate.simulate_stand(replace(simulate.scenario("mixed"), trees=400), seed=7)
    rings, events = stand.tables["rings"], stand.truth["ring_events"]
    zeros = rings[rings["width_mm"] == 0][["tree", "core", "year"]].astype({"year": int})
    absent = events[events["kind"] == "absent"][["tree", "core", "year"]]
    both = zeros.merge(absent, on=["tree", "core", "year"])
    assert len(zeros) > 20
    assert len(both) == len(zeros)
    assert (
        stand.truth["cores"]
        .merge(stand.tables["cores"], on=["tree", "core"])
        .query("dating == 'crossdated'")["count_error"]
        == 0
    ).all()


def test_scenarios_are_what_their_names_say() -> None:
    """Inner ends and dating classes follow the scenario."""
    cores = {name: simulate.simulate_stand(name, seed=8).tables["cores"] for name in SMALL_NAMES}
    assert set(cores["pith"]["inner_end"]) == {"pith"}
    assert set(cores["pith"]["dating"]) == {"crossdated"}
    assert set(cores["arcs"]["inner_end"]) == {"arcs", "pith"}
    assert set(cores["short"]["inner_end"]) == {"no_arcs"}
    assert (cores["rot"]["inner_end"] == "rot").mean() > 0.9
    assert set(cores["counted"]["dating"]) == {"lab_count", "field_count"}
    low = cores["two_heights"][cores["two_heights"]["core"] == "B"]
    assert set(low["core_height_m"]) == {0.3}
    assert set(cores["demo"]["inner_end"]) == {"pith", "arcs", "no_arcs", "rot", "broken"}
    assert set(cores["demo"]["dating"]) == {"crossdated", "lab_count", "field_count"}


def test_pulses_follow_their_events() -> None:
    """No tree of a wave is older than its event, and the mean delay is that of the recipe."""
    recipe = replace(simulate.scenario("mixed"), trees=3000, fewest_rings=5)
    truth = simulate.simulate_stand(recipe, seed=9).truth["trees"]
    for pulse in recipe.pulses:
        delay = truth.loc[truth["wave"] == pulse.event, "establishment_year"] - pulse.year
        assert delay.min() >= 1
        # delay = 1 + floor(gamma), so the mean is that of the gamma plus about one half
        assert delay.mean() == pytest.approx(pulse.delay_mean_yr + 0.5, abs=1.0)
        assert len(delay) / 3000 == pytest.approx(pulse.share, abs=0.03)  # about 3 standard errors


def test_unknown_scenario_is_named() -> None:
    """The fault shows the name and the choices."""
    with pytest.raises(InputError, match=r"got larches, need one of demo, pith"):
        simulate.simulate_stand("larches")


def test_written_folder_reads_back_and_truth_stays_apart(tmp_path: Path) -> None:
    """The field folder holds no truth, reads without a fault, and is not overwritten."""
    folder, truth = simulate.example_field(tmp_path / "field")
    field = read_field(folder)
    assert len(field.trees) == 48  # the demo of the design: 48 trees, two cores each
    assert len(field.cores) == 96
    assert sorted(path.name for path in truth.iterdir()) == [
        "README.md", "cores.csv", "ring_events.csv", "species.csv", "trees.csv",
    ]  # fmt: skip
    text = (folder / "README.md").read_text(encoding="utf-8")
    for caution in ("invented", "permission", "eye protection", "clean borer"):
        assert caution in text.lower()
    with pytest.raises(InputError, match=r"field_truth, which exists, need a name whose truth folder is new"):
        simulate.example_field(folder)


def test_demo_data_in_the_repository_are_what_the_simulator_writes(tmp_path: Path) -> None:
    """data/ has not drifted from the simulator."""
    if not DATA.is_dir():
        pytest.skip("installed without the repository")
    for written in simulate.example_field(tmp_path / "highpasture"):
        for path in sorted(written.iterdir()):
            kept = DATA / written.name / path.name
            if path.suffix == ".csv":
                pd.testing.assert_frame_equal(pd.read_csv(path), pd.read_csv(kept), rtol=1e-6)
            else:
                assert path.read_text(encoding="utf-8") == kept.read_text(encoding="utf-8")


@pytest.mark.slow
def test_five_thousand_trees_take_less_than_thirty_seconds() -> None:
    """The large scenario is quick enough to repeat."""
    begin = time.perf_counter()
    stand = simulate.simulate_stand("large", seed=10)
    assert time.perf_counter() - begin < 30  # the target of this module
    assert len(stand.tables["trees"]) == 5000


def test_repr_says_what_it_is() -> None:
    """One line for a notebook."""
    assert repr(simulate.simulate_stand("demo", seed=2)) == "SimulatedStand('demo', 48 trees, 96 cores, seed 2)"


def test_rays_never_meet_outside_the_stem() -> None:
    """Rays far from the pith run side by side: as read in this stand two of them once met beyond the bark, a fault."""
    recipe = simulate.scenario("demo")
    reading = replace(recipe.reading, crossdated_share=1.0, lab_share=0.0, measured_share=0.0)
    field = simulate.simulate_stand(replace(recipe, trees=50, reading=reading), seed=573).field()
    cores = field.cores.merge(field.trees[["tree", "core_diameter_cm", "bark_mm"]], on="tree")
    distance_mm = cores["ray_gap_mm"] / 2 / np.tan(np.deg2rad(cores["ray_angle_deg"]) / 2)
    inside_mm = 10 * cores["core_diameter_cm"] - 2 * cores["bark_mm"]
    assert distance_mm.notna().any()
    assert not (distance_mm > inside_mm).any()
