"""One tree by its columns: the answer of a folder of one tree, number by number, and faults of arguments."""

from __future__ import annotations

import inspect
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import treeage
from treeage.errors import InputError
from treeage.schema import columns
from treeage.tables import Settings, read_field, write_field

DEMO = Path(__file__).parents[1] / "data" / "highpasture"
PLAIN = {"species": "Larix decidua", "outer_year": 2020, "rings_counted": 100, "core_height_m": 1.0}
ARC = {"chord_mm": 5.0, "rise_mm": 0.4, "dbh_cm": 40.0, "dating": "crossdated"}


def filled(row: pd.Series) -> dict[str, object]:
    """The cells of a row that hold something."""
    return {name: value for name, value in row.items() if value not in ("",) and not pd.isna(value)}


def same(one: treeage.TreeAge, other: treeage.TreeAge) -> None:
    """Every distribution, share and flag is the same number for number."""
    assert set(one.distributions) == set(other.distributions)
    for name, mass in one.distributions.items():
        np.testing.assert_array_equal(mass.support, other.distributions[name].support)
        np.testing.assert_array_equal(mass.mass, other.distributions[name].mass)
    assert dict(one.shares) == dict(other.shares)
    assert one.flags == other.flags
    pd.testing.assert_frame_equal(one.to_frame(), other.to_frame())


@pytest.mark.parametrize("name", ["T01", "T07", "T12"])
def test_one_tree_equals_a_folder_of_that_tree(name: str, tmp_path: Path) -> None:
    """Trees of the demo with both cores, ring tables and young trees of their species (the folder is the oracle)."""
    field = read_field(DEMO)
    tables = {table: getattr(field, table) for table in ("trees", "cores", "rings")}
    own = {table: frame[frame["tree"] == name] for table, frame in tables.items()}
    species = own["trees"]["species"].iloc[0]
    own["seedlings"] = field.seedlings[field.seedlings["species"] == species]
    folder = write_field(tmp_path / name, own, Settings(height={species: {"model": "seedlings"}}))
    expected = treeage.estimate_ages(read_field(folder))[name]

    widths = field.ring_widths()
    cores = [filled(row) for _, row in own["cores"].iterrows()]
    for core in cores:
        core["widths_mm"] = widths.get((name, core["core"]), ())
    (_, tree), *_ = own["trees"].iterrows()
    found = treeage.date_tree(
        **(filled(tree) | cores[0]), cores=cores[1:], seedlings=own["seedlings"], height="seedlings"
    )
    same(found, expected)


@pytest.mark.filterwarnings("ignore::treeage.TreeageWarning")
def test_pairs_of_young_trees_and_a_girth(tmp_path: Path) -> None:
    """Heights and ages as pairs are rows of the table of seedlings; girth_cm stands for the diameter (girth / pi)."""
    pairs = [(0.3, 4), (0.5, 6), (0.8, 9), (1.0, 10), (1.2, 13)]
    table = pd.DataFrame(pairs, columns=["height_m", "age_years"])
    girth = {**ARC, "girth_cm": 40 * np.pi}
    del girth["dbh_cm"]
    same(treeage.date_tree(**PLAIN, **girth, seedlings=pairs), treeage.date_tree(**PLAIN, **ARC, seedlings=table))


def test_what_other_columns_say() -> None:
    """Widths say how many rings were counted, an arc that arcs were seen; the least sure dating where none is told."""
    widths = [1.8 if ring % 2 else 1.9 for ring in range(100)]
    arc = {"chord_mm": 5.0, "rise_mm": 0.4}
    rest = {name: value for name, value in PLAIN.items() if name != "rings_counted"}
    told = treeage.date_tree(**PLAIN, **arc, widths_mm=widths, inner_end="arcs", dating="field_count")
    same(treeage.date_tree(**rest, **arc, widths_mm=np.array(widths)), told)
    assert told.facts["dating"] == "field_count"


def test_height_models_are_those_of_the_settings() -> None:
    """A word or the keys of a section; "none" refers to the coring height."""
    assert treeage.date_tree(**PLAIN, **ARC, height="none").date_refers_to == "coring height"
    model = {"model": "mean_sd", "height_m": 1.0, "mean_years": 9, "sd_years": 3}
    given = treeage.date_tree(**PLAIN, **ARC, settings=Settings(height={"Larix decidua": model}))
    same(treeage.date_tree(**PLAIN, **ARC, height=model), given)


@pytest.mark.parametrize(
    ("values", "match"),
    [
        ({"chord": 5}, "date_tree, chord: got chord, need a column of trees.csv or cores.csv. Did you mean chord_mm?"),
        (
            {"core_height_m": 130},
            r"date_tree, core_height_m: got 130, need a number from 0 to 3 \[m\]. This looks like",
        ),
        ({"chord_mm": [5, 6]}, "date_tree, chord_mm: got the list .*, need one value. Pass further cores as cores"),
        ({"widths_mm": "1.2 1.3"}, "date_tree, widths_mm: got the text '1.2 1.3', need one row of widths"),
        ({"seedlings": [1, 2]}, r"date_tree, seedlings: got \[1, 2\], need pairs of height"),
        ({"height": "guess"}, "date_tree, height.*model: got guess, need one of seedlings"),
        (
            {"cores": [{"outer_year": 2020, "species": "Picea abies"}]},
            "got species with core 2, need a column of cores",
        ),
        ({"dbh_cm": -4}, "Correct the value, or leave it out if it was not measured."),
    ],
)
def test_faults_name_the_argument(values: dict[str, object], match: str) -> None:
    """Where, got, need, do, as for tables; where is the argument."""
    with pytest.raises(InputError, match=match):
        treeage.date_tree(**(PLAIN | ARC | values))


def test_all_faults_come_at_once() -> None:
    """What is missing and what cannot be are told together."""
    with pytest.raises(InputError, match="5 faults in date_tree") as caught:
        treeage.date_tree(outer_year="last")
    assert caught.value.faults["column"].tolist() == [
        "species", "outer_year", "rings_counted", "inner_end", "core_height_m",
    ]  # fmt: skip


def test_every_column_is_an_argument() -> None:
    """Help and completion show the columns of both tables."""
    shown = set(inspect.signature(treeage.date_tree).parameters)
    assert {column.name for table in ("trees", "cores") for column in columns(table)} | {"widths_mm", "height"} <= shown


@pytest.mark.filterwarnings("ignore::treeage.TreeageWarning")
def test_a_minimum_says_so() -> None:
    """Without a distance there is no date, only the rings counted."""
    tree = treeage.date_tree(**PLAIN, inner_end="rot")
    assert tree.status == "minimum only"
    assert tree.minimum_age == 100


def test_odd_values_are_told_as_warnings():
    """A diameter in mm is dated as written, as in a folder, where a note says so; here the caller is warned."""
    with pytest.warns(treeage.TreeageWarning, match="date_tree, dbh_cm: got 600"):
        odd = treeage.date_tree(**PLAIN, inner_end="no_arcs", core_length_mm=150.0, dbh_cm=600.0, height="none")
    assert odd.status == "estimated"
