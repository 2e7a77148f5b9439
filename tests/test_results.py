"""Frozen answers and their faces, without an engine."""

import copy
import pickle
import pkgutil
import re
from collections.abc import Mapping
from dataclasses import FrozenInstanceError, fields, is_dataclass, replace
from importlib import import_module
from types import MappingProxyType

import numpy as np
import pandas as pd
import pytest
from made_up_ages import made_up_ages
from matplotlib.figure import Figure
from scipy import stats

import treeage
from treeage.display import year_text
from treeage.errors import InputError
from treeage.growth import field_growth
from treeage.pmf import Mass, Pmf, ReadOnlyDict
from treeage.results import DISTRIBUTIONS, SHARES, Ages, SharedParts, TreeAge
from treeage.rings import ring_model
from treeage.schema import INPUT_TABLES, columns
from treeage.simulate import scenario, simulate_stand


def shared_only(trees, spread):
    """Trees whose only error is one that all share: years to height of one height model with a node per value."""
    nodes = 41
    quantiles = stats.norm(20, spread).ppf((np.arange(nodes) + 0.5) / nodes).round().astype(int)
    years = np.zeros((nodes, quantiles.max() + 1))
    years[np.arange(nodes), quantiles] = 1.0
    parts = SharedParts(1900, Mass(0, np.ones((1, 1))), Mass(0, years), "larch", "larch")
    mass = {"establishment_year": Pmf(0, years.mean(axis=0)).negate().shift(1900), "collar_years": Pmf.point(0)}
    return tuple(
        TreeAge(f"T{k}", "larch", "", "estimated", {}, 2024, 100, distributions=mass, parts=parts) for k in range(trees)
    )


def plain_ages(answers):
    """Ages around given trees."""
    empty = pd.DataFrame()
    account = pd.DataFrame({"table": ["trees"], "status": ["estimated"], "rows": [len(answers)]})
    return Ages(answers, 0.9, account, empty, empty, empty, empty, {"larch": np.ones(1)}, {})


def test_shared_error_does_not_average_away():
    """30 trees, independent SD 3 and shared SD 4: the mean date has SE 4.04, not 0.91 (own worked example)."""
    answers = []
    rng = np.arange(-12, 13)
    independent = np.exp(-0.5 * (rng / 3) ** 2)
    independent /= independent.sum()
    for answer in shared_only(30, 4.0):
        parts = replace(answer.parts, added=Mass(-12, independent[None]))
        answers.append(replace(answer, parts=parts))
    draws = plain_ages(tuple(answers)).draws(20_000, seed=1).to_numpy()
    shared = np.hypot(4.0, 3.0 / np.sqrt(30))  # 4.04, closed form of the example
    assert draws.mean(axis=1).std() == pytest.approx(shared, rel=0.04)
    assert draws.mean(axis=1).std() > 4 * 0.91


def test_table_has_the_columns_of_the_schema():
    """The ages table has exactly the columns that the nomenclature promises, in their order."""
    frame = made_up_ages().to_frame()
    assert list(frame.columns) == [column.name for column in columns("ages")]
    assert frame["age_median"].dtype == "Int64"


def test_intervals_of_the_table_are_those_of_the_mass_functions():
    """Median and ends are taken from the Pmf, at the asked probability."""
    ages = made_up_ages()
    frame = ages.to_frame(0.5).set_index("tree")
    for answer in ages:
        if answer.status != "estimated":
            continue
        for name in DISTRIBUTIONS:
            pmf = answer.distributions[name]
            row = frame.loc[answer.tree]
            found = [row[f"{name}_median"], row[f"{name}_lo"], row[f"{name}_hi"]]
            assert found == [pmf.median(), *pmf.interval(0.5)]
    assert (frame["prob"] == 0.5).all()
    with pytest.raises(InputError, match="got 2, need between 0 and 1"):
        ages.to_frame(2.0)


def test_shares_add_to_one():
    """Variance shares of every estimated tree add to 1."""
    frame = made_up_ages().to_frame()
    total = frame[list(SHARES)].sum(axis=1, skipna=False)
    assert total.dropna().to_numpy() == pytest.approx(1.0)


def test_a_rounded_year_stays_in_its_interval():
    """Median 1905 rounds to 1900 (half to even), outside 1905 to 1930: the finer 1905 is said instead (hand sum)."""
    pmf = Pmf(1905, np.append(0.6, np.full(25, 0.016)))
    tree = TreeAge("A1", "", "", "estimated", {}, 2024, 100, distributions={"pith_year": pmf})
    assert pmf.sd() > 6 and pmf.median() == 1905
    assert "in c. 1905 (90 % interval 1905 to" in tree.sentence()


def test_one_probability_holds_for_every_face_of_a_tree():
    """The probability asked of the estimate, here 0.5, is that of sentence, table, repr, page and figure (README)."""
    tree = replace(next(iter(made_up_ages())), prob=0.5)
    low, high = tree.establishment_year.interval(0.5)
    assert f"(50 % interval {low} to {high})" in tree.sentence()
    assert "50 %" in repr(tree)
    assert "90 %" not in tree._repr_html_()
    assert tree.to_frame()["prob"].tolist() == [0.5]
    assert tree.plot(ax=Figure().subplots()).get_xlabel() == "Year (bars: 50 % intervals; dots: medians)"
    low, high = tree.establishment_year.interval(0.9)
    assert f"(90 % interval {low} to {high})" in tree.sentence(0.9)  # asked for another


def test_counted_rings_are_a_least_age_only_where_crossdated():
    """A count may be too high (published recounts), so only crossdated rings make "at least"."""
    tree = TreeAge("A1", "", "", "minimum only", {"dating": "field_count"}, 2024, 118)
    assert "at least" not in tree.sentence()
    assert tree.sentence().startswith(
        "Tree A1 shows 118 rings counted without crossdating, about its least age in 2024;"
    )
    sure = replace(tree, facts={"dating": "crossdated"})
    assert sure.sentence().startswith("Tree A1 is at least 118 years old in 2024 (crossdated;")
    assert repr(tree) == "TreeAge('A1', 118 rings counted, no estimate)"


def test_results_are_frozen():
    """No field of a result can be set."""
    ages = made_up_ages()
    with pytest.raises(FrozenInstanceError):
        ages.prob = 0.5
    with pytest.raises(FrozenInstanceError):
        next(iter(ages)).outer_year = 1


@pytest.mark.parametrize(
    "again", [lambda it: it, copy.copy, copy.deepcopy, replace, lambda it: pickle.loads(pickle.dumps(it))]
)
def test_what_is_inside_a_result_is_frozen(again):
    """Nothing inside a mapping of a result can be set either, also in copies, nor does the maker's dict get through."""
    settings = {"name": "x", "height": {"default": {"model": "none"}}}
    weights = {"": np.ones(1)}
    ages = again(replace(made_up_ages(2), settings=settings, stand_weights=weights, extras={"places": {"a": 1}}))
    settings["name"], settings["height"]["default"]["model"], weights["other"] = "y", "curve", np.ones(2)
    assert dict(ages.settings) == {"name": "x", "height": {"default": {"model": "none"}}}
    assert list(ages.stand_weights) == [""]
    tree = again(ages["T01"])
    inside = (
        ages.settings,
        ages.settings["height"],
        ages.settings["height"]["default"],
        ages.stand_weights,
        ages.extras,
    )
    for mapping in (*inside, ages.height_weights, tree.distributions, tree.shares, tree.facts):
        with pytest.raises(TypeError, match="cannot be changed"):
            mapping["age"] = None
    with pytest.raises(ValueError, match="read-only"):
        ages.stand_weights[""][0] = 2.0
    assert tree.age.interval(0.9) == made_up_ages(2)["T01"].age.interval(0.9)


def open_places(value, path, known):
    """Paths of all in a result that a user could change: arrays, lists, dicts, and tables that are not copies."""
    if isinstance(value, np.ndarray):
        return [path] if value.flags.writeable else []
    if isinstance(value, list | set | bytearray) or (isinstance(value, dict) and not isinstance(value, ReadOnlyDict)):
        return [path]
    if id(value) in known:
        return []
    known[id(value)] = value  # kept, so that its id is not given to another
    parts = {}
    if isinstance(value, Mapping):
        assert isinstance(value, ReadOnlyDict | MappingProxyType), path
        parts = {f"{path}[{key}]": (item, value[key]) for key, item in value.items()}
        parts |= {f"{path}[{key}] of a dict": (item, value[key]) for key, item in {**value}.items()}
    elif isinstance(value, tuple):
        parts = {f"{path}[{k}]": (item, None) for k, item in enumerate(value)}
    elif is_dataclass(value) and not isinstance(value, type):
        with pytest.raises(FrozenInstanceError):
            setattr(value, fields(value)[0].name, None)
        names = {field.name for field in fields(value)} | set(vars(value))  # what is kept once it was asked for, too
        parts = {f"{path}.{name}": (getattr(value, name), getattr(value, name)) for name in names}
    tables = [name for name, (one, other) in parts.items() if isinstance(one, pd.DataFrame) and one is other]
    return tables + [place for name, (one, _) in parts.items() for place in open_places(one, name, known)]


@pytest.fixture(scope="module")
def small_field():
    """Tables of a few virtual trees."""
    return simulate_stand(replace(scenario("demo"), trees=6), seed=1).field()


def test_every_result_is_frozen_in_depth(small_field):
    """Of every kind of result: no array can be written, no list or dict changed, and tables are copies."""
    ages = treeage.estimate_ages(small_field)
    found = {
        "simulated": simulate_stand(replace(scenario("demo"), trees=3), seed=1),
        "field": small_field,
        "ages": ages,
        "stand": treeage.stand_history(ages),
        "checks": treeage.predictive_checks(ages),
        "sensitivity": treeage.sensitivity(small_field, names=["height_level"]),
        "growth": next(iter(field_growth(small_field).values())),
        "plan": treeage.plan_coring("Larix decidua", 40.0),
        "pair": treeage.align_cores([1.0, 2.0, 3.0, 2.0] * 15, [1.0, 2.0, 3.0, 2.0] * 15),
        "ring_model": ring_model(),
        "calibration": treeage.calibrate_missing_rings([[1.0] * 60, [1.1] * 60]),
    }
    assert [place for name, value in found.items() for place in open_places(value, name, {})] == []
    loose = replace(ages, extras={})
    object.__setattr__(loose, "extras", {"x": [1]})
    assert open_places(loose, "ages", {}) == ["ages.extras"]  # control


def test_every_class_with_a_table_gives_copies():
    """Of all public dataclasses of the package, by reflection; the reader's own are not given to anybody."""
    modules = [import_module(each.name) for each in pkgutil.walk_packages(treeage.__path__, "treeage.")]
    classes = {each for module in modules for each in vars(module).values() if isinstance(each, type)}
    copied = {True: set(), False: set()}
    for made_of in classes:
        if is_dataclass(made_of) and made_of.__module__.startswith("treeage.") and made_of.__name__[0] != "_":
            tables = [each.name for each in fields(made_of) if re.match(r"pd\.DataFrame", str(each.type))]
            for name in tables:
                held = [vars(base)[name] for base in made_of.__mro__ if name in vars(base)]
                copied[bool(held) and hasattr(held[0], "__set__")].add(made_of.__name__)
    assert copied[False] == {"TypedTable"} and {"Field", "Ages", "LearnedAges", "Proof", "Score"} <= copied[True]


def test_what_is_done_to_the_tables_of_a_field_reaches_no_estimate(small_field):
    """New columns, cells, whole frames, the arrays behind them, and the frame that the field was made of."""
    before = {name: getattr(small_field, name) for name in (*INPUT_TABLES, "notes")}
    told = treeage.estimate_ages(small_field).to_frame()
    for name in before:
        given = getattr(small_field, name)
        given["new"] = 1
        given[given.columns[0]] = None
    cores = small_field.cores
    cores.loc[:, "outer_year"] = 1500
    small_field.trees["species"].array[:] = "Picea abies"
    small_field.cores["rings_counted"].array[0] = 1
    for widths in small_field.ring_widths().values():
        assert not widths.flags.writeable
    mine = small_field.cores
    made = replace(small_field, cores=mine)
    mine["outer_year"] = 1500
    for field in (small_field, made, copy.deepcopy(made), pickle.loads(pickle.dumps(made))):
        for name, table in before.items():
            pd.testing.assert_frame_equal(getattr(field, name), table)
    pd.testing.assert_frame_equal(treeage.estimate_ages(made).to_frame(), told)


def test_sentences_round_as_the_trade_does():
    """SD above 6 rounds to ten years, above 3 to five (the README says so), with the interval in full."""

    def tree(spread, middle=1892):
        year = np.arange(-60, 61)
        pmf = Pmf(middle - 60, np.exp(-0.5 * (year / spread) ** 2))
        parts = {"establishment_year": pmf, "age": pmf.negate().shift(2025)}
        return TreeAge("A1", "", "", "estimated", {}, 2024, 100, distributions=parts).sentence()

    assert "c. 1890 (90 % interval" in tree(8.0)
    assert "c. 1890" in tree(4.0)
    assert "established 1892" in tree(1.0)
    assert "c. 45 BCE (90 %" in tree(4.0, -43)  # 44 BCE: rounded as it is written, not as -45, which is 46 BCE
    assert "c. 510 BCE (90 %" in tree(8.0, -510)  # 511 BCE


@pytest.mark.parametrize(("year", "text"), [(1892, "1892"), (1, "1"), (0, "1 BCE"), (-273, "274 BCE")])
def test_no_year_zero(year, text):
    """Astronomical years are written without a year 0 (definition of BCE)."""
    assert year_text(year) == text


def test_html_faces_escape_markup():
    """Ids with markup come out as text."""
    answer = replace(next(iter(made_up_ages())), tree="<script>alert(1)</script>", flags=("<b>",))
    assert "<script>" not in answer._repr_html_()
    ages = replace(made_up_ages(), tree_ages=(answer,))
    assert "<script>" not in ages._repr_html_()
    assert "&lt;script&gt;" in ages._repr_html_()


def test_short_faces_name_the_answer():
    """repr and summary are one line and a few lines with the counts."""
    ages = made_up_ages()
    assert "trees dated" in repr(ages)
    assert f"{len(ages.trees)} trees dated" in ages.summary()
    assert len(list(ages)) == len(ages)
    assert ages[ages.trees[0]].tree == ages.trees[0]
    assert ages[ages.trees[0]].to_frame().shape == (1, len(columns("ages")))


@pytest.mark.parametrize("tied", [False, True])
def test_a_draw_is_the_inverse_of_the_sums_of_its_row(tied):
    """Every draw is where NumPy's own search puts the uniform number among the sums of that row; empty places never."""
    rng = np.random.default_rng(5)
    added, years = (rng.dirichlet(np.full(size, 0.3), 6) * (rng.random(size) < 0.7) for size in (23, 16))
    if tied:
        added = np.stack([added, added[::-1]], axis=1)
    parts = SharedParts(1900, Mass(-2, added), Mass(1, years))
    stand, shared = rng.integers(0, 6, 500), rng.integers(0, parts.shared_values, 500)
    drawn = parts.sample(stand, shared, np.random.default_rng(8))

    def searched(mass, rows):
        sums = np.cumsum(mass, axis=1) / mass.sum(axis=1, keepdims=True)
        uniform = source.random(rows.size)
        return np.array([np.searchsorted(sums[row], u, side="right") for row, u in zip(rows, uniform, strict=True)])

    source = np.random.default_rng(8)
    if tied:
        expected = searched(added.reshape(12, -1), 2 * stand + shared) - 2
    else:
        expected = searched(added, stand) - 2 + searched(years, shared) + 1
    np.testing.assert_array_equal(drawn, 1900 - expected)


def test_replacing_draws_keep_the_face():
    """Sampled draws from elsewhere are handed out by the same method."""
    import xarray

    sampled = xarray.DataArray(
        np.arange(20).reshape(10, 2), dims=("draw", "tree"), coords={"draw": np.arange(10), "tree": ["T0", "T1"]}
    )
    ages = replace(plain_ages(shared_only(2, 1.0)), sampled=sampled)
    draws = ages.draws(6, seed=3)
    assert draws.shape == (6, 2)
    assert len(np.unique(draws.sel(tree="T0"))) == 6  # without replacement while there are enough
    assert ages.draws(50, seed=3).shape == (50, 2)


@pytest.mark.parametrize(
    ("count", "key", "text"),
    [
        (3, 1, r"got tree 1, need one of the 3 trees \('0', '1', '2'\); write '1'"),  # ids are text, none is left out
        (6, "T9", r"got tree 'T9', need one of the 6 trees \('0', '1', '2', '3', '4', ...\); see .trees"),
    ],
)
def test_an_unknown_tree_is_told_the_known_ones(count, key, text):
    """Ids are shown as the texts they are; dots only where there are more; a number that is an id says how to write."""
    trees = tuple(replace(answer, tree=str(at)) for at, answer in enumerate(shared_only(count, 4)))
    with pytest.raises(KeyError, match=text):
        plain_ages(trees)[key]
