"""The pipeline on small hand-made fields: the worked example, conventions, accounting, negative cases."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from field_cases import SURE
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from treeage.distance import DISTANCE_GRID_MM, DistanceSource, source_words
from treeage.errors import InputError, ModelError
from treeage.estimate import estimate_ages, height_models, read_cores
from treeage.estimate.answers import collar_mass
from treeage.height import height_model
from treeage.tables import Field, Settings

LARCH = "Larix decidua"


def one_tree(settings=None, rings=None, tree=None, seedlings=None, arcs=None, **core):
    """A field of one tree with one core per list entry; scalars repeat."""
    count = max(len(value) for value in core.values() if isinstance(value, list)) if core else 1
    base = {"outer_year": 2024, "rings_counted": 120, "dating": "crossdated", "inner_end": "pith", "core_height_m": 0.0}
    cells = base | core
    cores = pd.DataFrame({name: value if isinstance(value, list) else [value] * count for name, value in cells.items()})
    cores.insert(0, "tree", "A1")
    cores.insert(1, "core", list("abcdefg")[: len(cores)])
    trees = pd.DataFrame([{"tree": "A1", "species": LARCH} | (tree or {})])
    settings = settings or Settings(doubt=SURE)  # every entry taken at its word
    return Field.from_frames(trees, cores, rings, settings=settings, seedlings=seedlings, arcs=arcs)


def ring_table(widths, core="a"):
    """Ring table of one core, innermost first."""
    return pd.DataFrame({"tree": "A1", "core": core, "ring": np.arange(1, len(widths) + 1), "width_mm": widths})


def heights(**chosen):
    """Settings with one height model for all species."""
    return Settings(height={"default": chosen}, doubt=SURE)


def test_pith_core_at_the_collar_is_exact():
    """120 crossdated rings to the pith at the collar, outer year 2024: 1905, age 120 (definition)."""
    answer = estimate_ages(one_tree(outer_year=[2024]))["A1"]
    assert answer.pith_year.interval(0.99) == (1905, 1905)  # innermost = 2024 - 120 + 1
    assert answer.establishment_year.interval(0.99) == (1905, 1905)
    assert answer.age.median() == 120  # growing seasons, both ends counted
    assert answer.minimum_age == 120


def test_full_age_example():
    """Missed 5 +- 2, years to 1 m 8 +- 3: established about 1892, SD 3.6, 95 % 1885-1899 (own worked example)."""
    field = one_tree(
        heights(model="mean_sd", height_m=1.0, mean_years=8, sd_years=3),
        outer_year=[2024],
        inner_end="arcs",
        core_height_m=1.0,
        distance_mm=5.0,
        distance_sd_mm=0.1,
        inner_width_mm=1.0,
        inner_width_rings=20,
    )
    answer = estimate_ages(field)["A1"]
    assert answer.missed_rings.mean() == pytest.approx(5, abs=1)
    assert answer.years_to_core_height.mean() == pytest.approx(8, abs=0.6)  # half a season within the convention
    assert answer.establishment_year.mean() == pytest.approx(1892, abs=1.5)
    assert answer.age.mean() == pytest.approx(133, abs=1.5)
    assert answer.establishment_year.sd() == pytest.approx(3.606, abs=0.6)
    low, high = answer.establishment_year.interval(0.95)
    assert low == pytest.approx(1885, abs=3) and high == pytest.approx(1899, abs=2)  # the speed of the era is open
    assert "1890" in answer.sentence()  # c. 1890, as the example reports


def test_parts_add_up_as_convolutions():
    """Establishment mean = pith mean - years mean - collar mean; variances add (closed form)."""
    field = one_tree(
        heights(model="mean_sd", height_m=1.0, mean_years=8, sd_years=3),
        tree={"collar_years": 4.0, "collar_years_sd": 1.5, "core_diameter_cm": 30.0, "bark_mm": 10.0},
        outer_year=[2024],
        inner_end="arcs",
        core_height_m=1.0,
        chord_mm=10.0,
        rise_mm=1.2,
        inner_width_mm=1.1,
        inner_width_rings=15,
        core_length_mm=130.0,
    )
    answer = estimate_ages(field)["A1"]
    parts = answer.distributions
    expected = parts["pith_year"].mean() - parts["years_to_core_height"].mean() - parts["collar_years"].mean()
    assert answer.establishment_year.mean() == pytest.approx(expected, abs=1e-6)
    variance = parts["pith_year"].var() + parts["years_to_core_height"].var() + parts["collar_years"].var()
    assert answer.establishment_year.var() == pytest.approx(variance, rel=1e-4)  # ends below 1e-9 are cut
    assert sum(answer.shares.values()) == pytest.approx(1.0)
    assert answer.age.mean() + answer.establishment_year.mean() == pytest.approx(2025)


def test_southern_and_bce_years():
    """A southern ring year is the year growth began (common practice, Schulman 1956 from memory); BCE has no year 0."""
    field = one_tree(Settings(hemisphere="south", doubt=SURE), outer_year=[2023], rings_counted=[24])
    assert estimate_ages(field)["A1"].pith_year.median() == 2000  # cored Feb 2024: outer ring year 2023
    old = estimate_ages(one_tree(outer_year=[1915], rings_counted=[2189]))["A1"]
    assert old.pith_year.median() == -273  # Douglass 1919, table 5: 274 BCE to 1915 is 2,189 rings
    assert "274 BCE" in old.sentence()


def test_cored_at_two_heights():
    """A second core higher up ties the height model: the tree is slower than its species, so it is older."""
    model = heights(model="mean_sd", height_m=1.0, mean_years=8, sd_years=4)
    slow = one_tree(model, rings_counted=[120, 106], core_height_m=[0.3, 1.0], outer_year=2024)
    answer = estimate_ages(slow)["A1"]
    alone = estimate_ages(one_tree(model, rings_counted=[120], core_height_m=[0.3]))["A1"]
    assert answer.establishment_year.mean() < alone.establishment_year.mean() - 1
    assert answer.establishment_year.interval(0.9)[1] <= 1905  # no later than the ring seen at 0.3 m


def test_two_cores_are_better_than_one_and_a_flat_one_changes_nothing():
    """A second arc narrows the answer; a broken core without a diameter only bounds it."""
    arc = {"inner_end": "arcs", "chord_mm": 10.0, "rise_mm": 1.0, "inner_width_mm": 1.2, "inner_width_rings": 20}
    single = estimate_ages(one_tree(rings_counted=[110], **arc))["A1"]
    double = estimate_ages(one_tree(rings_counted=[110, 110], **arc))["A1"]
    assert double.pith_year.sd() < single.pith_year.sd()
    broken = arc | {"inner_end": ["arcs", "broken"], "chord_mm": [10.0, None], "rise_mm": [1.0, None]}
    bounded = estimate_ages(one_tree(rings_counted=[110, 60], **broken))
    assert bounded["A1"].pith_year.mean() == pytest.approx(single.pith_year.mean(), abs=3e-2)
    assert bounded["A1"].pith_year.sd() == pytest.approx(single.pith_year.sd(), rel=0.06)  # far tail cut differently
    assert bounded.accounting.query("table == 'cores'")["status"].tolist() == ["estimated", "minimum only"]


def test_minimum_only_and_refused_are_accounted_for():
    """A rotten core without a diameter gives a minimum; a tree without cores was not cored; the sum is complete."""
    trees = pd.DataFrame({"tree": ["A1", "A2"], "species": LARCH})
    cores = pd.DataFrame(
        [["A1", "a", 2024, 88, "crossdated", "rot", 1.0]],
        columns=["tree", "core", "outer_year", "rings_counted", "dating", "inner_end", "core_height_m"],
    )
    ages = estimate_ages(Field.from_frames(trees, cores, settings=heights(model="none")))
    assert ages.trees == []
    assert ages["A1"].minimum_age == 88
    assert ages.to_frame().loc[0, "minimum_age"] == 88
    assert ages.to_frame()["age_median"].isna().all()
    with pytest.raises(InputError, match="got status 'minimum only', need an estimated tree"):
        _ = ages["A1"].age
    with pytest.raises(KeyError, match="got tree 'B9'"):
        _ = ages["B9"]
    account = ages.accounting
    assert account["rows"].sum() == len(trees) + len(cores)
    assert account.query("table == 'trees'")["status"].tolist() == ["minimum only", "not cored"]
    assert account["reason"].str.len().gt(0).tolist() == [True, False, True]  # not cored is no refusal


def test_the_probability_asked_for_stays_with_every_tree():
    """An estimate at 0.5 speaks of 50 % in every sentence, also of a tree without an estimate."""
    answer = estimate_ages(one_tree(rings_counted=[110], dating="lab_count"), prob=0.5)["A1"]
    assert answer.prob == 0.5
    assert "50 % interval" in answer.sentence()
    bare = estimate_ages(one_tree(inner_end=["rot"], dating="field_count"), prob=0.5)["A1"]
    assert (bare.status, bare.prob) == ("minimum only", 0.5)


def test_the_lead_core_says_most_and_need_not_be_the_longest():
    """The core with the smallest variance leads, here the one with the pith; minimum_age is the longest count."""
    cores = {"inner_end": ["pith", "arcs"], "chord_mm": [float("nan"), 6.0], "rise_mm": [float("nan"), 0.3]}
    row = estimate_ages(one_tree(rings_counted=[100, 104], dating="lab_count", **cores)).to_frame().loc[0]
    assert (row["lead_core"], row["rings_counted"], row["inner_end"]) == ("a", 100, "pith")
    assert row["minimum_age"] == 104


def test_a_count_can_exceed_the_lower_end_of_the_age():
    """A counted core with the pith may hold too many rings: its interval begins below its count."""
    row = estimate_ages(one_tree(rings_counted=[100], dating="field_count")).to_frame().loc[0]
    assert row["age_lo"] < row["minimum_age"] == 100


def test_age_at_core_height_is_flagged():
    """Without a height model the answer is the age at coring height and says so; at the root collar nothing lacks."""
    none = heights(model="none")
    ages = estimate_ages(one_tree(core_height_m=[1.0], settings=none))
    assert "age_at_core_height" in ages["A1"].flags
    assert ages["A1"].date_refers_to == "coring height"  # was a silent 0 years to that height
    assert estimate_ages(one_tree(core_height_m=[0.0], settings=none))["A1"].date_refers_to == "root collar"


def test_arcs_of_one_core_share_their_roundness():
    """The arc of cores.csv read again in arcs.csv: only the reading error shrinks, not the roundness."""
    core = {"inner_end": "arcs", "chord_mm": 14.0, "rise_mm": 2.859, "inner_width_mm": 1.0, "inner_width_rings": 20}
    again = pd.DataFrame({"tree": "A1", "core": "a", "ring": 1, "chord_mm": 14.0, "rise_mm": [2.85, 2.86, 2.87]})
    one = read_cores(one_tree(core_height_m=[1.0], **core))
    four = read_cores(one_tree(core_height_m=[1.0], arcs=again, **core))
    assert four.source == (DistanceSource.SEVERAL_ARCS,) and source_words(four.source[0]) == "several arcs"
    spreads = []
    for cores in (one, four):
        mass = cores.distance[0]
        spreads.append(np.sqrt(mass @ (DISTANCE_GRID_MM - mass @ DISTANCE_GRID_MM) ** 2))
    assert 0.9 * spreads[0] < spreads[1] < spreads[0]  # a quarter of the reading variance, all of the roundness


def test_a_core_at_the_collar_needs_no_caution_about_height():
    """At height 0 without a height model there is no model to be cautious about (definition of the flag)."""
    flags = estimate_ages(one_tree(core_height_m=[0.0]))["A1"].flags
    assert "height_model_caution" not in flags and "age_at_core_height" not in flags


def test_dbh_below_taper_is_flagged_and_wider():
    """A diameter at breast height stands in for the one at the core, with more spread and a flag."""
    core = {
        "inner_end": "no_arcs",
        "core_length_mm": 120.0,
        "core_height_m": [0.5],
        "inner_width_mm": 1.0,
        "inner_width_rings": 20,
    }
    at_core = estimate_ages(one_tree(tree={"core_diameter_cm": 31.3, "bark_mm": 10.0}, **core))["A1"]
    at_dbh = estimate_ages(one_tree(tree={"dbh_cm": 30.5, "bark_mm": 10.0}, **core))["A1"]
    assert "diameter_from_breast_height" in at_dbh.flags
    assert at_dbh.pith_year.sd() > at_core.pith_year.sd()
    assert at_dbh.pith_year.mean() == pytest.approx(at_core.pith_year.mean(), abs=3)  # taper 1 cm/m, common practice


def test_radius_method_of_an_eccentric_stem_is_wide():
    """DIB 370 mm, core 170 mm, 1.5 mm rings: the answer is some 30 rings wide, not 10 +- 1 (own worked example)."""
    field = one_tree(
        tree={"core_diameter_cm": 37.0, "bark_mm": 0.01, "bark_sd_mm": 0.5},
        inner_end="broken",
        core_length_mm=[170.0],
        inner_width_mm=1.5,
        inner_width_rings=20,
    )
    low, high = estimate_ages(field)["A1"].missed_rings.interval(0.9)
    assert low <= 8 and high >= 22  # eccentricity of 5 % of the diameter alone reaches 22.3 rings


def test_counted_cores_are_wider_than_crossdated_ones_and_too_young():
    """Field counts widen the date and move it back (Weisberg & Swanson 2001, abstract: counts too low)."""
    answers = [estimate_ages(one_tree(dating=[kind]))["A1"] for kind in ("crossdated", "lab_count", "field_count")]
    spreads = [answer.pith_year.sd() for answer in answers]
    assert spreads[0] == 0 < spreads[1] < spreads[2]
    assert answers[2].pith_year.mean() < 1905


def test_contradicting_cores_still_answer():
    """Two piths of 1925 and 1921, both crossdated: one is wrong; an answer, flags and a p value near 0."""
    answer = estimate_ages(one_tree(rings_counted=[100, 104], inner_end=["pith", "pith"]))["A1"]
    assert "cores_contradict" in answer.flags and "cores_disagree" in answer.flags
    assert answer.core_conflict_p < 0.01
    assert answer.pith_year.prob_at(1921) == pytest.approx(answer.pith_year.prob_at(1925), abs=1e-3)


@pytest.mark.parametrize(("between", "expected"), [(10, 0.9), (5, 0.2)])
def test_cores_at_two_heights_are_judged_by_all_years_that_may_lie_between(between, expected):
    """The p value of the rings between two pith cores is that of the height model, both tails (direct count)."""
    model = {"model": "mean_sd", "height_m": 1.0, "mean_years": 12, "sd_years": 5}
    cores = {"core_height_m": [0.3, 1.3], "rings_counted": [100, 100 - between]}
    answer = estimate_ages(one_tree(settings=Settings(height={"default": model}, doubt=SURE), **cores))["A1"]
    low, high = (height_model(model).passing_years(h) for h in (0.3, 1.3))
    years = (high - low).ravel()
    direct = min(1.0, 2 * min((years <= between).mean(), (years >= between).mean()))
    assert answer.core_conflict_p == pytest.approx(direct, abs=1e-6)
    assert direct == pytest.approx(expected, abs=0.1)
    assert not {"cores_contradict", "cores_disagree"} & set(answer.flags)


@pytest.mark.parametrize(("upper", "contradicts"), [(106, False), (130, True)])
def test_without_a_height_model_the_lowest_core_dates_the_tree(upper, contradicts):
    """120 rings to the pith at 0.3 m: 1905, whenever 1.0 m was reached; only a year before that contradicts (hand)."""
    cores = {"core_height_m": [0.3, 1.0], "rings_counted": [120, upper]}
    ages = estimate_ages(one_tree(settings=heights(model="none"), **cores))
    answer = ages["A1"]
    assert answer.pith_year.interval(0.9) == (1905, 1905)
    assert answer.facts["core_height_m"] == 0.3
    assert "upper_core_bounds" in answer.flags
    assert ("cores_contradict" in answer.flags) is contradicts
    status = ages.accounting.set_index("core")["status"]
    assert (status["a"], status["b"]) == ("estimated", "minimum only")


def test_a_rotten_core_longer_than_the_age_is_reported():
    """50 rings to the pith and 60 on a rotten core of the same height: the date is the pith core's, and marked."""
    answer = estimate_ages(one_tree(inner_end=["pith", "rot"], rings_counted=[50, 60]))["A1"]
    assert answer.pith_year.median() == 2024 - 50 + 1
    assert {"cores_contradict", "cores_disagree"} <= set(answer.flags)


def test_opposite_cores_share_a_diameter():
    """Two short cores from opposite sides know the pith better than two unrelated ones."""
    core = {"inner_end": "broken", "core_length_mm": [110.0, 105.0], "rings_counted": [110, 104]}
    core |= {"inner_width_mm": 1.2, "inner_width_rings": 20}
    tree = {"core_diameter_cm": 32.0, "bark_mm": 10.0, "bark_sd_mm": 1.0}
    opposite = estimate_ages(one_tree(tree=tree, azimuth_deg=[10.0, 190.0], **core))["A1"]
    apart = estimate_ages(one_tree(tree=tree, **core))["A1"]
    assert opposite.pith_year.sd() < apart.pith_year.sd()


def test_seedlings_are_used_when_no_model_is_named():
    """Enough seedlings of the species serve as the height model without being asked for."""
    young = pd.DataFrame({"species": LARCH, "height_m": np.linspace(0.2, 1.6, 15), "age_years": np.arange(3.0, 18.0)})
    field = one_tree(seedlings=young, core_height_m=[1.0])
    assert not height_models(field)[LARCH].is_none
    answer = estimate_ages(field)["A1"]
    assert 8 <= answer.years_to_core_height.median() <= 14  # seedlings of 1 m are 11 to 12 years old, hand sum


def test_height_models_that_cannot_be_made_are_refused():
    """Faults of all species at once, each with its species, also where the checks of the tables were passed by."""
    field = one_tree(core_height_m=[1.0], settings=heights(model="none"))
    with pytest.raises(InputError, match=r"field.toml, height.default.mean_years: got nothing"):
        one_tree(core_height_m=[1.0], settings=heights(model="mean_sd"))
    trees = pd.DataFrame({"tree": ["A1", "B1"], "species": [LARCH, "Picea abies"]})
    wrong = Settings(height={LARCH: {"model": "curve"}, "default": {"model": "seedlings"}})
    with pytest.raises(ModelError) as caught:
        height_models(replace(field, trees=trees, settings=wrong))
    said = caught.value.faults[["item", "column", "got"]].to_numpy().tolist()
    assert said == [
        [LARCH, "height.name", "nothing"],
        [LARCH, "height.site_index", "nothing"],
        ["Picea abies", "height_m", "0 young trees"],
    ]
    with pytest.raises(InputError, match="got 1.5, need between 0 and 1"):
        estimate_ages(field, prob=1.5)


def two_trees(order):
    """A field of three trees in a given order, with arcs and a shared stand."""
    trees = pd.DataFrame({"tree": ["A", "B", "C"], "species": LARCH, "core_diameter_cm": [30.0, 40.0, 35.0]})
    cores = pd.DataFrame({
        "tree": ["A", "A", "B", "C"], "core": ["a", "b", "a", "a"], "outer_year": 2024,
        "rings_counted": [100, 98, 150, 80], "dating": ["lab_count", "lab_count", "crossdated", "field_count"],
        "inner_end": ["arcs", "arcs", "broken", "arcs"], "core_height_m": 1.0,
        "chord_mm": [10.0, 9.0, None, 8.0], "rise_mm": [1.0, 0.7, None, 1.2],
        "core_length_mm": [120.0, 118.0, 150.0, 140.0],
        "inner_width_mm": 1.1, "inner_width_rings": 20,
    })  # fmt: skip
    return Field.from_frames(
        trees.iloc[order[:3]],
        cores.iloc[order[3:]],
        settings=heights(model="mean_sd", height_m=1, mean_years=9, sd_years=3),
    )


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.permutations(range(3)), st.permutations(range(4)))
def test_order_of_rows_is_irrelevant(tree_order, core_order):
    """Shuffled rows give the same ages."""
    plain = estimate_ages(two_trees([0, 1, 2, 0, 1, 2, 3]))
    mixed = estimate_ages(two_trees([*tree_order, *core_order]))
    for tree in ("A", "B", "C"):
        assert mixed[tree].establishment_year.mean() == pytest.approx(plain[tree].establishment_year.mean(), abs=1e-4)
        assert mixed[tree].establishment_year.interval(0.9) == plain[tree].establishment_year.interval(0.9)


def test_draws_follow_the_mass_functions_and_share_errors():
    """Joint draws have each tree's mass function as margin, repeat with the seed, and move together."""
    ages = estimate_ages(two_trees([0, 1, 2, 0, 1, 2, 3]))
    draws = ages.draws(20_000, seed=4)
    assert draws.dims == ("draw", "tree")
    assert draws.equals(ages.draws(20_000, seed=4))
    assert not draws.equals(ages.draws(20_000, seed=5))
    for tree in ages.trees:
        pmf = ages[tree].establishment_year
        column = draws.sel(tree=tree).to_numpy()
        assert column.mean() == pytest.approx(pmf.mean(), abs=5 * pmf.sd() / np.sqrt(20_000))  # five standard errors
        assert column.std() == pytest.approx(pmf.sd(), rel=0.1)  # heavy tails
    correlation = np.corrcoef(draws.to_numpy().T)
    assert correlation[0, 1] > 0.03 and correlation[0, 2] > 0.03  # the shared height and rate parts
    with pytest.raises(InputError, match="got 0, need at least 1"):
        ages.draws(0)


def test_collar_years_are_one_sided():
    """Mean 1, sd 3: no mass below 0 (own rule); sd 0 is a point."""
    assert collar_mass(1.0, 3.0).start == 0
    assert collar_mass(7.0, 0.0).interval(0.99) == (7, 7)
    assert collar_mass(20.0, 4.0).mean() == pytest.approx(20, abs=0.01)  # far from 0 the cut does nothing
    assert collar_mass(20.0, 4.0).sd() == pytest.approx(4, rel=0.01)


@pytest.mark.parametrize("order", [[0.3, 1.0], [1.0, 0.3]])
def test_two_equally_certain_cores_at_two_heights(order):
    """Both cores to the pith and crossdated: one lead, whatever the order, and a date between the bounds."""
    model = heights(model="mean_sd", height_m=1.0, mean_years=8, sd_years=3)
    rings = {0.3: 120, 1.0: 116}
    field = one_tree(model, rings_counted=[rings[height] for height in order], core_height_m=order, outer_year=2024)
    answer = estimate_ages(field)["A1"]
    assert answer.establishment_year.interval(0.99)[1] <= 1905  # the ring seen at 0.3 m
    assert 1895 < answer.establishment_year.mean() < 1905


def test_one_caution_of_several_species_is_one_note():
    """The same words are not repeated for each species; the note names them."""
    trees = pd.DataFrame({"tree": ["A1", "B1"], "species": ["Larix decidua", "Picea abies"]})
    core = {"core": "a", "outer_year": 2024, "rings_counted": 120, "dating": "crossdated", "inner_end": "pith"}
    cores = pd.DataFrame([core | {"tree": tree, "core_height_m": 1.0} for tree in trees["tree"]])
    notes = estimate_ages(Field.from_frames(trees, cores, settings=heights(model="none"))).notes
    told = notes[notes["got"].str.contains("no years to the coring height were added")]
    assert told["item"].tolist() == ["Larix decidua, Picea abies"]  # by construction
