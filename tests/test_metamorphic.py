"""What must not matter, to the last byte, and what must move with the input by exactly as much.

Each relation holds whatever the right answer is (own derivation: the conventions of the README, and that only what was
measured reaches a number); the last test is the control that the answers can differ.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from treeage.estimate import estimate_ages
from treeage.report.page import report_html
from treeage.report.texts import methods_text
from treeage.simulate import scenario, simulate_stand
from treeage.tables import Field, read_field, write_field

TABLES = ("trees", "cores", "rings", "arcs", "points", "seedlings", "events")
ENDINGS = ("median", "lo", "hi")


@cache
def stand():
    """Tables of six trees with every kind of reading, young trees by age and in pairs, and events; and settings."""
    made = simulate_stand(replace(scenario("mixed"), trees=6, seedlings_per_species=9), seed=11)
    tables = {name: made.tables[name].copy() for name in ("trees", "cores", "rings", "seedlings")}
    tables["trees"]["dbh_cm"] = (tables["trees"]["dbh_cm"] * np.pi).round(1) / np.pi  # as from a tape
    core = tables["cores"][tables["cores"]["inner_end"] == "arcs"].iloc[0]
    own = {"tree": core["tree"], "core": core["core"]}
    tables["arcs"] = pd.DataFrame(
        [own | {"ring": ring, "chord_mm": 6.0 + ring / 7, "rise_mm": 0.4} for ring in (2, 4, 5)]
    )
    angle = np.linspace(-0.4, 0.4, 7)
    ring = pd.DataFrame({"ring": 3, "x_mm": 21.3 - 20 * np.cos(angle), "y_mm": 20.0 * np.sin(angle)} | own)
    tables["points"] = pd.concat([pd.DataFrame([own | {"ring": 0, "x_mm": 0.0, "y_mm": 0.0}]), ring])
    tables["seedlings"] = tables["seedlings"].drop(columns="sampling", errors="ignore")
    events = {"year": [1950, 1931, 1950], "event": ["storm", "fire", "felling"], "note": ["", "n", ""]}
    return tables | {"events": pd.DataFrame(events)}, made.field_settings()


def field_of(**changed):
    """The stand with other tables or settings."""
    tables, settings = stand()
    return Field.from_frames(**{"settings": settings} | tables | changed)


@cache
def plain():
    """Its ages."""
    return estimate_ages(field_of())


def numbers(ages, *, drop=()):
    """Every number as text, tree by tree in the order of their ids, and joint draws; without the columns of names."""
    frame = ages.to_frame().sort_values("tree", ignore_index=True).drop(columns=["tree", "plot", "lead_core", *drop])
    draws = ages.draws(300, seed=4)
    return frame.to_csv(index=False), draws.sel(tree=sorted(ages.trees)).to_numpy().tobytes()


def masses(ages):
    """Age of every tree as bytes, and the first year of its date."""
    return {each.tree: (each.date.start, each.date.mass.tobytes()) for each in ages}


def all_said(ages):
    """Page, methods and tables."""
    tables = {name: table.to_csv() for name, table in ages.extras.items() if isinstance(table, pd.DataFrame)}
    return report_html(ages, figures=[]), methods_text(ages), tables


def shuffled(name):
    """One table with its rows in another order."""
    table = stand()[0][name]
    mixed = table.sample(frac=1, random_state=4).reset_index(drop=True)
    assert not mixed.equals(table.reset_index(drop=True))
    return {name: mixed}


# ------------------------------------------------------------------ nothing moves


@pytest.mark.parametrize("name", TABLES)
def test_the_order_of_rows_reaches_no_byte(name):
    """Of no table; the page and the methods follow the order of the trees alone."""
    ages = estimate_ages(field_of(**shuffled(name)))
    assert numbers(ages) == numbers(plain())
    if name not in ("trees", "cores", "rings"):  # notes on rings name their line
        assert all_said(ages) == all_said(plain())


def test_all_tables_shuffled_at_once():
    """And the columns turned round."""
    tables = {name: shuffled(name)[name].iloc[:, ::-1] for name in TABLES}
    assert numbers(estimate_ages(field_of(**tables))) == numbers(plain())


def test_files_of_every_kind_and_name_are_one_field(tmp_path):
    """CSV, Parquet and a workbook (whose cells hold 15 digits), in folders of any name."""
    tables, settings = {name: table.round(4) for name, table in stand()[0].items()}, stand()[1]
    places = [tmp_path / name for name in ("one", "Zwei mit Leerzeichen ä", "packed", "book")]
    for place in places:
        write_field(place, tables, settings)
    for path in places[2].glob("*.csv"):
        tables[path.stem].to_parquet(path.with_suffix(".parquet"), index=False)
        path.unlink()
    with pd.ExcelWriter(places[3] / "field.xlsx") as book:
        for path in places[3].glob("*.csv"):
            tables[path.stem].to_excel(book, sheet_name=path.stem, index=False)
            path.unlink()
    expected = numbers(estimate_ages(field_of(**tables)))
    for place in places:
        assert not (place.name == "book" and list(place.glob("*.csv")))
        assert numbers(estimate_ages(read_field(place))) == expected, place.name


def test_names_reach_no_number():
    """Trees and cores renamed in an order-preserving manner, plots named, columns added that nobody knows."""
    tables, _ = stand()
    named = {}
    for name in ("trees", "cores", "rings", "arcs", "points"):
        table = tables[name].assign(tree="Baum " + tables[name]["tree"], odd_column=range(len(tables[name])))
        named[name] = table.assign(core="k" + table["core"].astype(str)) if "core" in table else table
    named["trees"]["plot"] = "P7"
    for name in ("seedlings", "events"):
        named[name] = tables[name].assign(odd_column="x")
    ages = estimate_ages(field_of(**named))
    assert numbers(ages) == numbers(plain())
    assert {tree.removeprefix("Baum "): mass for tree, mass in masses(ages).items()} == masses(plain())


def test_a_girth_is_its_diameter():
    """girth_cm / pi for dbh_cm, to the last bit: the diameters here are such quotients."""
    trees = stand()[0]["trees"]
    girths = (trees["dbh_cm"] * np.pi).round(1)
    assert (girths / np.pi == trees["dbh_cm"]).all() and girths.notna().all()
    assert numbers(estimate_ages(field_of(trees=trees.drop(columns="dbh_cm").assign(girth_cm=girths)))) == numbers(
        plain()
    )


@pytest.mark.parametrize("what", ["tree without a core", "height model", "young trees", "event", "hemisphere", "name"])
def test_what_has_nothing_to_do_with_the_trees_moves_none(what):
    """A tree nobody cored, settings and young trees of a species that does not grow here, an event, south for north."""
    tables, settings = stand()
    other = "Quercus robur"
    more = {"tree": "zz", "species": other, "dbh_cm": 30.0}
    figure = {"model": "mean_sd", "height_m": 1.0, "mean_years": 4, "sd_years": 2}
    young = tables["seedlings"].iloc[:5].assign(species=other)
    changed = {
        "tree without a core": {"trees": pd.concat([tables["trees"], pd.DataFrame([more])], ignore_index=True)},
        "height model": {"settings": replace(settings, height={**settings.height, other: figure})},
        "young trees": {"seedlings": pd.concat([young, tables["seedlings"]], ignore_index=True)},
        "event": {"events": pd.DataFrame({"year": [1901], "event": ["flood"]})},
        "hemisphere": {"settings": replace(settings, hemisphere="south")},
        "name": {"settings": replace(settings, name="Elsewhere")},
    }[what]
    ages = estimate_ages(field_of(**changed))
    assert masses(ages) == masses(plain())
    assert ages.draws(200, seed=4).to_numpy().tobytes() == plain().draws(200, seed=4).to_numpy().tobytes()


def test_the_probability_of_the_intervals_moves_no_distribution():
    """Nor does the seed of the draws."""
    other = estimate_ages(field_of(), prob=0.5, seed=9)
    assert masses(other) == masses(plain())
    for step in ("pith_year", "establishment_year", "age"):
        wide, narrow = (
            ages.to_frame()[[f"{step}_lo", f"{step}_hi"]].to_numpy(dtype=float) for ages in (plain(), other)
        )
        assert (narrow[:, 0] >= wide[:, 0]).all() and (narrow[:, 1] <= wide[:, 1]).all()


# ------------------------------------------------------------------ what moves by as much


@pytest.mark.parametrize("years", [-1000, -37, 2])
def test_years_move_with_the_calendar(years):
    """A constant added to every year of the input is added to every date, and to nothing else."""
    tables, _ = stand()
    changed = {name: tables[name].copy() for name in ("trees", "cores", "rings", "events")}
    for name, column in (("cores", "outer_year"), ("rings", "year"), ("events", "year")):
        if column in changed[name]:
            changed[name][column] += years
    assert "ring" in changed["rings"] or "year" in changed["rings"]
    ages = estimate_ages(field_of(**changed))
    dates = [f"{step}_{end}" for step in ("pith_year", "establishment_year") for end in ENDINGS]
    assert numbers(ages, drop=dates)[0] == numbers(plain(), drop=dates)[0]
    pd.testing.assert_frame_equal(ages.to_frame()[dates], plain().to_frame()[dates] + years, check_exact=True)
    assert masses(ages) == {tree: (start + years, mass) for tree, (start, mass) in masses(plain()).items()}
    np.testing.assert_array_equal(ages.draws(300, seed=4), plain().draws(300, seed=4) + years)


def test_hidden_rings_outside_move_nothing_but_the_age():
    """Five rings more at the bark, all of a core's outer years later: the same dates, ages five years higher."""
    tables, _ = stand()
    cores = tables["cores"].drop(columns=["outer_lost", "outer_lost_sd", "outer_end"], errors="ignore")
    base = estimate_ages(field_of(cores=cores.assign(dating="crossdated"), rings=None, arcs=None, points=None))
    later = cores.assign(dating="crossdated", outer_end="lost", outer_lost=5, outer_lost_sd=0.0)
    ages = estimate_ages(field_of(cores=later, rings=None, arcs=None, points=None))
    for tree in base.trees:
        assert ages[tree].age.mean() == pytest.approx(base[tree].age.mean() + 5, abs=1e-9)
        assert ages[tree].date.mean() == pytest.approx(base[tree].date.mean(), abs=1e-9)


def test_what_matters_moves_the_answer():
    """Control: a wider ring, another height of coring, fewer arcs, one young tree more, no digitised points."""
    tables, _ = stand()
    rings, cores, young = (tables[name].copy() for name in ("rings", "cores", "seedlings"))
    rings.loc[rings.index[0], "width_mm"] *= 1.5
    cores["core_height_m"] += 0.1
    more = young.iloc[:1].assign(age_years=young["age_years"].max())
    for changed in ({"rings": rings}, {"cores": cores}, {"arcs": tables["arcs"].iloc[:1]},
                    {"seedlings": pd.concat([young, more])}, {"points": None}):  # fmt: skip
        assert numbers(estimate_ages(field_of(**changed))) != numbers(plain()), changed.keys()


def test_every_table_is_full():
    """Control: no relation above holds because a table is empty."""
    field = field_of()
    assert all(len(getattr(field, name)) >= 2 for name in TABLES)
    assert plain().to_frame()["age_median"].notna().all()
