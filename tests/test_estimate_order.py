"""The order of rows in the tables never matters, to the last digit; and cores, once gathered, cannot be changed."""

from dataclasses import FrozenInstanceError, fields, is_dataclass, replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from treeage.distance import DistanceSource
from treeage.estimate import Cores, date_trees, estimate_ages, prepare
from treeage.results import Flag
from treeage.simulate import scenario, simulate_stand
from treeage.tables import Field, Settings

LARCH, SPRUCE, PINE = "Larix decidua", "Picea abies", "Pinus cembra"
FIGURE = {"model": "mean_sd", "height_m": 1.0, "mean_years": 12, "sd_years": 4, "shared_share": 0.5}


def simulated(name):
    """Tables and settings of a simulated stand of three species with ring tables and young trees."""
    stand = simulate_stand(replace(scenario(name), trees=12, seedlings_per_species=12), seed=8)
    return {key: stand.tables[key] for key in ("trees", "cores", "rings", "seedlings")}, stand.field_settings()


def by_hand():
    """Trees that depend on their cores in every way there is: heights, rings read together, one line, bounds, arcs."""
    rng = np.random.default_rng(4)
    trees = pd.DataFrame({"tree": ["H1", "H2", "L1", "R1", "M1"], "species": [SPRUCE, PINE, LARCH, LARCH, SPRUCE]})
    trees = trees.assign(core_diameter_cm=[30.0, 28.0, 32.0, 26.0, 40.0], bark_mm=10.0)
    arcs = {"inner_end": "arcs", "chord_mm": 10.0, "rise_mm": 1.0, "inner_width_mm": 1.1, "inner_width_rings": 15}
    line = {"inner_end": "broken", "core_length_mm": 105.0, "inner_width_mm": 1.2, "inner_width_rings": 20}
    own = [
        ("H1", "a", 120, "crossdated", {"inner_end": "pith", "core_height_m": 0.3}),
        ("H1", "b", 110, "crossdated", {"inner_end": "pith", "core_height_m": 1.0}),
        ("H2", "a", 90, "lab_count", arcs | {"core_height_m": 1.0}),
        ("H2", "b", 75, "lab_count", arcs | {"core_height_m": 1.6}),
        ("H2", "c", 70, "field_count", {"inner_end": "rot", "core_height_m": 0.3}),
        ("L1", "a", 100, "lab_count", line | {"azimuth_deg": 10.0}),
        ("L1", "b", 98, "field_count", line | {"azimuth_deg": 190.0}),
        ("R1", "a", 60, "lab_count", arcs),
        ("R1", "b", 60, "lab_count", arcs | {"rise_mm": 0.8}),
        ("M1", "a", 80, "field_count", {"inner_end": "rot"}),
    ]
    rows = [{"tree": tree, "core": core, "rings_counted": count, "dating": word} | more
            for tree, core, count, word, more in own]  # fmt: skip
    cores = pd.DataFrame(rows).fillna({"core_height_m": 1.0}).assign(outer_year=2020)
    signal = 0.4 * rng.standard_normal(90)
    rings = []
    for tree, core, count in (("R1", "a", 60), ("R1", "b", 60), ("H2", "a", 90), ("H2", "b", 75)):
        widths = np.exp(signal[-count:] + 0.15 * rng.standard_normal(count)).round(3)
        number = np.arange(1, count + 1)
        rings.append(pd.DataFrame({"tree": tree, "core": core, "ring": number, "width_mm": widths}))
    tables = {"trees": trees, "cores": cores, "rings": pd.concat(rings, ignore_index=True)}
    return tables, Settings(height={"default": FIGURE})


STANDS = {
    "mixed": lambda: simulated("mixed"),
    "two_heights": lambda: simulated("two_heights"),
    "no height model": lambda: (by_hand()[0], Settings()),
    "by hand": by_hand,
}


@cache
def stand(name):
    """Tables and settings, and the ages of the trees as the tables stand."""
    tables, settings = STANDS[name]()
    return tables, settings, estimate_ages(Field.from_frames(**tables, settings=settings))


def shuffled(tables, names, seed):
    """The same tables, the rows of some of them in another order."""
    mixed = {name: table.sample(frac=1, random_state=seed) if name in names else table
             for name, table in tables.items()}  # fmt: skip
    assert all(not mixed[name].index.equals(tables[name].index) for name in names)
    return {name: table.reset_index(drop=True) for name, table in mixed.items()}


def by_tree(ages):
    """Bytes of every number of the table of ages, and joint draws, both by tree."""
    frame = ages.to_frame().sort_values("tree", ignore_index=True)
    draws = ages.draws(400, seed=6)
    return frame, frame.to_csv(index=False), {tree: draws.sel(tree=tree).to_numpy().tobytes() for tree in ages.trees}


@pytest.mark.parametrize("names", [("trees",), ("cores",), ("trees", "cores", "rings")])
@pytest.mark.parametrize("name", STANDS)
def test_the_order_of_rows_changes_no_number(name, names):
    """Shuffled trees.csv, cores.csv and rings.csv give the same bytes for every tree, in the table and in the draws."""
    tables, settings, plain = stand(name)
    mixed = estimate_ages(Field.from_frames(**shuffled(tables, names, 3), settings=settings))
    expected, found = by_tree(plain), by_tree(mixed)
    pd.testing.assert_frame_equal(found[0], expected[0], check_exact=True)
    assert found[1:] == expected[1:]


def test_the_stands_hold_what_could_depend_on_the_order():
    """Control: trees tied by heights, read together, on one line, bounded; and each tree's draws are its own."""
    field = Field.from_frames(**stand("by hand")[0], settings=stand("by hand")[1])
    cores, shared, _ = prepare(field)
    posteriors = date_trees(cores, shared)
    assert {tree for tree, found in posteriors.items() if found.tie is not None} == {"H1", "H2"}
    assert set(cores.joint_counts) == {"R1", "H2"}
    assert all(cores.source[row] == DistanceSource.RADIUS_LESS_LENGTH for row in cores.rows_of["L1"])
    assert "M1" not in posteriors and cores.bound_only[list(cores.rows_of["H2"])].tolist() == [True, False, False]
    draws = by_tree(stand("by hand")[2])[2]
    assert len(set(draws.values())) == len(draws)


@pytest.mark.parametrize("ends", [("pith", "pith"), ("pith", "arcs"), ("arcs", "arcs")])
def test_the_dates_of_a_tree_cored_at_two_heights_do_not_depend_on_the_order_in_the_file(ends):
    """The core of the lower height stands first whatever the file says, also where both say equally much."""
    core = {"tree": "A1", "outer_year": 2024, "dating": "crossdated", "chord_mm": 8.0, "rise_mm": 0.8}
    core |= {"inner_width_mm": 1.0, "inner_width_rings": 10}
    lower = core | {"core": "z", "rings_counted": 120, "core_height_m": 0.3, "inner_end": ends[0]}
    upper = core | {"core": "a", "rings_counted": 112, "core_height_m": 1.0, "inner_end": ends[1]}
    trees = pd.DataFrame({"tree": ["A1"], "species": [SPRUCE]})
    both = {}
    for order in ([lower, upper], [upper, lower]):
        field = Field.from_frames(trees, pd.DataFrame(order), settings=Settings(height={"default": FIGURE}))
        cores, shared, _ = prepare(field)
        assert cores.height_m.tolist() == [0.3, 1.0]
        assert [order[line]["core"] for line in cores.line] == ["z", "a"]
        both[order[0]["core"]] = date_trees(cores, shared)["A1"], estimate_ages(field)["A1"]
    (one, answer), (two, again) = both["z"], both["a"]
    assert (one.lead, one.reference_year, one.conflict_p) == (two.lead, two.reference_year, two.conflict_p)
    for mass in ("joint", "years"):
        first, second = getattr(one.tie, mass), getattr(two.tie, mass)
        assert first.start == second.start and np.array_equal(first.mass, second.mass)
    assert np.array_equal(one.tie.evidence, two.tie.evidence)
    assert answer.distributions == again.distributions and answer.facts == again.facts
    assert answer.establishment_year.interval(0.99)[1] <= 2024 - 120 + 1  # the innermost ring seen at 0.3 m


# ------------------------------------------------------------------ immutability


def contents(value):
    """Every array and container inside frozen objects, tuples and mappings."""
    if isinstance(value, np.ndarray):
        yield value
    elif is_dataclass(value):
        for field in fields(value):
            yield from contents(getattr(value, field.name))
    elif isinstance(value, tuple):
        for part in value:
            yield from contents(part)


def gathered():
    """Cores of a stand with ring tables that were read together."""
    tables, settings, _ = stand("by hand")
    return prepare(Field.from_frames(**tables, settings=settings))[0]


def test_cores_are_immutable_in_depth():
    """No field can be set and no array written, whatever object holds it."""
    cores = gathered()
    with pytest.raises(FrozenInstanceError):
        cores.outer_year = cores.outer_year + 1
    arrays = list(contents(cores))
    numbers = [field.name for field in fields(Cores) if isinstance(getattr(cores, field.name), np.ndarray)]
    assert len(arrays) > len(numbers) + len(cores.widths_mm)  # those of the growth and of the counts as well
    for array in arrays:
        assert not array.flags.writeable
    with pytest.raises(ValueError, match="read-only"):
        cores.widths_mm[0][:1] = 0.0
    with pytest.raises(ValueError, match="read-only"):
        cores.count.mass[0, 0] = 1.0
    held = [getattr(cores, field.name) for field in fields(Cores)]
    assert not any(isinstance(value, list | set) for value in held)
    flagged = cores.with_flag([0], Flag.NO_DIAMETER)
    assert Flag.NO_DIAMETER in flagged.flags[0] and Flag.NO_DIAMETER not in cores.flags[0]


def test_what_follows_from_cores_cannot_be_changed_either():
    """Innermost years, rows by tree and joint count errors are read-only too."""
    cores = gathered()
    assert not cores.innermost_year.flags.writeable
    assert all(not mass.flags.writeable for _, _, mass in cores.joint_counts.values())
    for mapping in (cores.rows_of, cores.joint_counts):
        with pytest.raises(TypeError, match="does not support item assignment"):
            mapping["new"] = ()


def test_a_column_in_the_wrong_table_reaches_no_number():
    """An unknown column of trees.csv that is named like one of the cores, and the other way round."""
    tables, settings, plain = stand("by hand")
    trees = tables["trees"].assign(rings_counted=7, outer_lost=300, core_height_m=2.0, distance_mm=90)
    cores = tables["cores"].assign(dbh_cm=5.0, collar_years=80, species="Picea abies")
    wrong = estimate_ages(Field.from_frames(**tables | {"trees": trees, "cores": cores}, settings=settings))
    assert by_tree(wrong)[1] == by_tree(plain)[1]
