"""Conventions of the chain from the tables to the answer, on whole small fields with sums done by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from field_cases import SURE

from treeage import Ages, Pmf, TreeAge, estimate_ages, missing_rings, years_to_height
from treeage.counting import absent_ring_share, count_error, count_error_mass
from treeage.estimate import date_trees, prepare
from treeage.report.texts import methods_text
from treeage.tables import Field, Settings

LARCH = "Larix decidua"
PITH = {"outer_year": 2024, "rings_counted": 120, "dating": "crossdated", "inner_end": "pith", "core_height_m": 0.0}
COUNTED = {"dating": "lab_count"}
SHORT = {
    "inner_end": "broken",
    "distance_mm": 10.0,
    "distance_sd_mm": 1.0,
    "inner_width_mm": 1.0,
    "inner_width_rings": 10,
}


def field_of(
    *cores: dict[str, Any], tree: dict[str, Any] | None = None, height: dict[str, Any] | None = None, **site: Any
) -> Field:
    """A field of tree A1 (cores may name others) with pith cores of 120 rings to 2024 but for what is given."""
    rows = [{"tree": "A1", "core": "abcdefg"[at]} | PITH | core for at, core in enumerate(cores)]
    names = list(dict.fromkeys(row["tree"] for row in rows))
    trees = pd.DataFrame([{"tree": name, "species": LARCH} | (tree or {}) for name in names])
    settings = Settings(height={"default": height or {"model": "none"}}, **({"doubt": SURE} | site))
    return Field.from_frames(trees, pd.DataFrame(rows), settings=settings)


def ages_of(*cores: dict[str, Any], **more: Any) -> Ages:
    """Ages of `field_of`."""
    return estimate_ages(field_of(*cores, **more))


def dated(*cores: dict[str, Any], **more: Any) -> TreeAge:
    """The only tree."""
    return ages_of(*cores, **more)["A1"]


def certain(pmf: Pmf) -> int:
    """The value that holds all but a millionth."""
    assert pmf.mass.max() > 1 - 1e-6
    return int(pmf.support[np.argmax(pmf.mass)])


def sure_height(years: float, *, height_m: float = 1.0, counts: str = "time") -> dict[str, Any]:
    """A height model without spread: growing seasons T (counts "time") or rings (counts "rings") to a height."""
    return {"model": "mean_sd", "height_m": height_m, "mean_years": years, "sd_years": 1e-3, "counts": counts}


# ------------------------------------------------------------------ outer year to pith year to age


def test_outer_year_less_rings_plus_one_is_the_innermost_year():
    """120 rings, the last of 2024: the first is of 2024 - 120 + 1 = 1905."""
    assert certain(dated({}).pith_year) == 1905
    assert dated({}).cores["innermost_year"].tolist() == [1905]


def test_age_counts_both_ends():
    """1905 to 2024, both included, are 120 growing seasons, at the collar and at the coring height."""
    answer = dated({}, tree={"collar_years": 0.0})
    assert certain(answer.age) == certain(answer.age_at_core_height) == 120


def test_missed_rings_lie_before_the_innermost_ring():
    """The pith year is 1905 less the missed rings: the means differ by exactly that."""
    answer = dated(SHORT)
    assert answer.missed_rings.mean() > 5  # 10 mm of rings of about 1 mm
    assert answer.pith_year.mean() == pytest.approx(1905 - answer.missed_rings.mean(), abs=1e-3)
    assert answer.age.mean() == pytest.approx(120 + answer.missed_rings.mean(), abs=1e-3)


def test_year_zero_is_one_bce():
    """24 rings to the year 23 begin in year 0 = 1 BCE; 25 begin in -1 = 2 BCE; 23 in the year 1."""
    words = [dated({"outer_year": 23, "rings_counted": rings}).sentence() for rings in (23, 24, 25)]
    assert "established 1 (" in words[0]
    assert "established 1 BCE (" in words[1]
    assert "established 2 BCE (" in words[2]


def test_a_southern_ring_year_is_kept_and_said():
    """A southern ring year is the year growth began: the sum is the same, and the methods text says so."""
    assert certain(dated({}, hemisphere="south").pith_year) == 1905
    said = "a ring year is the calendar year in which its growth began"
    assert said in methods_text(ages_of({}, hemisphere="south"), version="1")
    assert said not in methods_text(ages_of({}, hemisphere="north"), version="1")


def test_the_most_rings_on_one_core_are_the_minimum_age():
    """Cores of 120 and 100 rings: at least 120."""
    assert dated({}, {"rings_counted": 100, "outer_year": 2004}).minimum_age == 120


def test_a_core_without_distance_gives_a_minimum_only():
    """Rot, no arcs, no diameter: 88 rings to 2024, nothing more; one such core beside a pith core is a bound."""
    answer = dated({"inner_end": "rot", "rings_counted": 88, "inner_width_mm": 1.0, "inner_width_rings": 10})
    assert (answer.status, answer.minimum_age) == ("minimum only", 88)
    both = ages_of({}, {"inner_end": "rot", "rings_counted": 88, "inner_width_mm": 1.0, "inner_width_rings": 10})
    assert both.accounting.query("table == 'cores'")["status"].tolist() == ["estimated", "minimum only"]
    assert certain(both["A1"].pith_year) == 1905


# ------------------------------------------------------------------ years to height, collar


@pytest.mark.parametrize(("seasons", "years"), [(7.5, 7), (7.02, 7), (0.5, 0)])
def test_years_to_height_are_the_whole_seasons_before_the_passing_one(seasons, years):
    """The tip passes after 7.5 seasons, in its 8th: ceil(7.5) - 1 = 7 whole seasons before; in the first: none."""
    answer = dated({"core_height_m": 1.0}, height=sure_height(seasons))
    assert certain(answer.years_to_core_height) == years
    assert certain(answer.pith_year) == 1905
    assert certain(answer.establishment_year) == 1905 - years
    assert certain(answer.age) == 120 + years
    chosen = years_to_height(1.0, mean_years=seasons - 0.5, sd_years=1e-3) if seasons > 1 else None
    assert (
        chosen is None or certain(chosen) == years
    )  # rings at the collar less rings at the height, half a season less


def test_rings_between_two_heights_are_half_a_season_less_than_the_time():
    """8 rings fewer at 1 m than at the collar: Y = 8."""
    assert certain(dated({"core_height_m": 1.0}, height=sure_height(8, counts="rings")).years_to_core_height) == 8


@pytest.mark.parametrize("spread", [1.0, 3.0])
def test_a_mean_and_sd_are_those_of_the_whole_years(spread):
    """8 +- s rings to 1 m: whole years with that mean and that SD, the 1/12 of their rounding included."""
    model = {"model": "mean_sd", "height_m": 1.0, "mean_years": 8, "sd_years": spread}
    years = dated({"core_height_m": 1.0}, height=model).years_to_core_height
    assert years.mean() == pytest.approx(8, abs=0.03)
    assert years.sd() == pytest.approx(spread, rel=0.01)


def test_quantiles_are_those_of_the_whole_years():
    """5 % of the trees need at most 5 years, half 9, 95 % 18."""
    model = {"model": "quantiles", "height_m": 1.0, "probs": [0.05, 0.5, 0.95], "years": [5, 9, 18]}
    years = dated({"core_height_m": 1.0}, height=model).years_to_core_height
    assert (years.median(), years.interval(0.9)) == (9, (5, 18))


def young_years(table: dict[str, Any], **options: Any) -> Pmf:
    """Years to 1 m of a tree whose species has these young trees."""
    cores = pd.DataFrame([{"tree": "A1", "core": "a"} | PITH | {"core_height_m": 1.0}])
    trees = pd.DataFrame({"tree": ["A1"], "species": [LARCH]})
    young = pd.DataFrame({"species": LARCH} | table)
    settings = Settings(height={"default": options}, doubt=SURE)
    return estimate_ages(Field.from_frames(trees, cores, seedlings=young, settings=settings))["A1"].years_to_core_height


AGES = np.tile(np.arange(3.0, 23.0), 2)
SCATTER = np.where(np.arange(40) < 20, np.exp(0.3), np.exp(-0.3))  # half of the young trees slow, half quick


def test_young_trees_measured_within_the_season_are_half_a_season_younger():
    """0.08 m a season, 12.5 seasons to 1 m: T less by 0.5 where the tip was still growing in the season counted."""
    table = {"height_m": 0.08 * AGES, "age_years": AGES}
    end, within = (young_years(table, model="seedlings", tip=tip) for tip in ("end_of_season", "within_season"))
    assert end.mean() - within.mean() == pytest.approx(0.5, abs=0.1)
    assert end.mean() == pytest.approx(12.5 - 0.5, abs=0.4)  # ceil(T) - 1 is half a season below T on average


def test_standing_young_trees_are_slower_than_those_that_pass():
    """Slow trees stand longer at a height: the median falls by the square of the log spread, 0.3^2 = 0.09."""
    table = {"height_m": 0.08 * AGES / SCATTER, "age_years": AGES}
    passing, standing = (young_years(table, model="seedlings", sampling=met) for met in ("passing", "standing"))
    assert np.log((standing.mean() + 0.5) / (passing.mean() + 0.5)) == pytest.approx(-0.09, abs=0.02)


@pytest.mark.parametrize(("low", "years"), [(0.0, 8.0), (0.5, None)])
def test_pairs_of_counts_from_the_collar_are_years_to_the_height(low, years):
    """8 rings fewer at 1 m than at the collar: Y = 8. From 0.5 m up the rings are the time between, without the half
    season, and 8 seasons for half of the way mean more than 8 years from the ground."""
    many = 20
    table = {"low_height_m": [low] * many, "low_rings": [30] * many, "high_height_m": [1.0] * many}
    found = young_years(table | {"high_rings": [22] * many}, model="two_heights").mean()
    assert found == pytest.approx(8, abs=0.25) if years else found > 9


def test_two_heights_take_the_whole_seasons_before():
    """T(1 m) = 7.5 seasons in every state: Y = 7. Pith 1905 at 1 m and 1911 at 2 m: established 1905 - 7 = 1898."""
    cores = ({"core_height_m": 1.0}, {"core_height_m": 2.0, "rings_counted": 114})
    answer = dated(*cores, height=sure_height(7.5))
    assert answer.years_to_core_height.prob_at(7) > 0.999
    assert answer.establishment_year.prob_at(1898) > 0.999
    assert answer.age.prob_at(2024 - 1898 + 1) > 0.999


def test_two_heights_learn_how_fast_trees_are():
    """T(2 m) = 7.5 x 2^b, b from 0.5 to 1: 10.6 to 15. Six years between the piths, so ceil(T) - 1 = 7 + 6 = 13:
    T from 13 to 14, b = log2(T / 7.5) from 0.794 to 0.900, and a second tree at 2 m took 13 years as well."""
    cores = ({"core_height_m": 1.0}, {"core_height_m": 2.0, "rings_counted": 114})
    ages = ages_of(*cores, {"tree": "B2", "core_height_m": 2.0}, height=sure_height(7.5))
    assert ages["B2"].years_to_core_height.prob_at(13) > 0.999
    assert ages["B2"].establishment_year.prob_at(1905 - 13) > 0.999
    years = ages.draws(500, seed=1).to_pandas()
    assert (years["A1"] == 1898).mean() > 0.99 and (years["B2"] == 1892).mean() > 0.99


def test_collar_years_are_subtracted():
    """Four years at a buried collar: established 1905 - 4 = 1901, age 124; the draws say the same."""
    ages = ages_of({}, tree={"collar_years": 4.0})
    answer = ages["A1"]
    assert certain(answer.pith_year) == 1905
    assert certain(answer.establishment_year) == 1901
    assert certain(answer.age) == 124
    assert set(ages.draws(50, seed=1).to_numpy().ravel()) == {1901}


def test_collar_years_with_an_error_are_a_rounded_normal():
    """4 +- 0.5 years: P(4) = P(3.5 < x < 4.5) = P(-1 < z < 1) = 0.6827, P(3) = P(-3 < z < -1) = 0.1573 (table of z)."""
    answer = dated({}, tree={"collar_years": 4.0, "collar_years_sd": 0.5})
    assert answer.establishment_year.prob_at(1901) == pytest.approx(0.6827, abs=2e-4)
    assert answer.establishment_year.prob_at(1902) == pytest.approx(0.1573, abs=2e-4)


def test_without_a_height_model_the_date_is_the_pith_year():
    """At 1 m without a model the date refers to the coring height; at 0 m there is nothing to add."""
    above, collar = dated({"core_height_m": 1.0}), dated({})
    assert above.date_refers_to == "coring height" and "age_at_core_height" in above.flags
    assert certain(above.date) == 1905 and "age" not in above.distributions
    assert collar.date_refers_to == "root collar" and "age_at_core_height" not in collar.flags
    assert certain(collar.age) == 120


# ------------------------------------------------------------------ count error and lost outer rings


def test_counts_are_too_low_four_times_as_often_as_too_high():
    """200 rings of a tree of no known genus, pith year 1825 - e: P(e > 0) : P(e < 0) = 72.4 : 18.0 (Cairns et al.)."""
    year = dated(COUNTED | {"rings_counted": 200}, tree={"species": "Nomenia nomen"}).pith_year
    later, earlier = 1 - year.cdf(1825), year.cdf(1824)
    assert earlier / later == pytest.approx(72.4 / 18.0, rel=0.12)  # the cut at each reader
    year = dated(COUNTED).pith_year
    assert year.prob_at(1905) > year.prob_at(1904) > year.prob_at(1903)
    assert year.mean() == pytest.approx(1905 - count_error(120, "lab_count", genus=LARCH).mean(), abs=0.06)
    assert certain(dated({}).pith_year) == 1905  # crossdated: none


def test_rings_absent_more_often_make_counts_lower():
    """Of 120 rings 120 x (rate of the pine - rate of the larch) more are missed in a count (closed form)."""
    larch = dated(COUNTED).pith_year.mean()
    pine = dated(COUNTED, tree={"species": "Pinus cembra"}).pith_year.mean()
    more = 120 * (absent_ring_share("Pinus").value - absent_ring_share(LARCH).value)
    assert more > 0.1
    assert larch - pine == pytest.approx(more, rel=0.2)  # the levels of sites cut the tail


LOST = {"outer_end": "lost", "outer_lost": 20.0, "outer_lost_sd": 5.0}


def test_lost_outer_rings_add_to_the_age_of_the_last_year():
    """1905 to 2024 and 20 lost: 140 seasons to 2044; the date of a crossdated core stays, the age is +- 5."""
    answer = dated(LOST)
    assert certain(answer.establishment_year) == 1905
    assert answer.last_year == 2044 and answer.outer_year == 2024
    assert answer.age.mean() == pytest.approx(140, abs=0.01)
    assert answer.age.var() == pytest.approx(25 + 1 / 12, rel=0.01)  # a normal in whole rings
    assert answer.age_at_core_height.mean() == pytest.approx(140, abs=0.01)


def test_lost_outer_rings_of_a_count_move_its_date():
    """The outer year of a count is the known year of coring less 20 +- 5: the error is in the date, and in the age."""
    answer, plain = dated(LOST | COUNTED), dated(COUNTED)
    assert answer.establishment_year.var() - plain.establishment_year.var() == pytest.approx(25 + 1 / 12, rel=0.01)
    assert answer.establishment_year.mean() == pytest.approx(plain.establishment_year.mean(), abs=0.01)
    assert answer.age.var() == pytest.approx(answer.establishment_year.var(), rel=1e-6)
    assert answer.age.mean() + answer.establishment_year.mean() == pytest.approx(2024 + 20 + 1, abs=0.01)


def test_the_last_year_is_the_latest_of_the_cores():
    """A core to 2000 with 30 lost ends in 2030, after one to 2024 with none."""
    late = {"outer_year": 2000, "rings_counted": 96, "outer_end": "lost", "outer_lost": 30.0, "outer_lost_sd": 0.0}
    answer = dated({}, late)
    assert answer.last_year == 2030
    assert certain(answer.age) == 2030 - 1905 + 1


# ------------------------------------------------------------------ several cores of a tree


def test_two_cores_multiply_on_whole_years():
    """Counted pith cores that both begin in 1905: P(e | level)^2 summed over the levels of reader and site, which this
    very tree weighs (own product of the count errors); forty states stand for the levels."""
    levels = count_error_mass([120], "lab_count", genus=LARCH, by_level=True)
    product = (levels.mass[0] ** 2).sum(axis=0)
    product /= product.sum()
    answer = dated(COUNTED, COUNTED)
    for off in (-2, -1, 0, 1, 2):
        expected = product[off - levels.start]
        assert answer.pith_year.prob_at(1905 - off) == pytest.approx(expected, rel=0.1, abs=1e-3)


@pytest.mark.parametrize(("rings", "off"), [(116, 4), (117, 3), (121, -1)])
def test_conflict_is_two_sided(rings, off):
    """A crossdated pith of 1905 needs e = 120 - rings of the counted core: p = 2 x the smaller tail of its error.

    Or up to twice that, as the reader is learned from this very tree: who is far off once is likelier to be.
    """
    error = count_error(rings, "lab_count", genus=LARCH)
    tails = 1 - error.cdf(off - 1), error.cdf(off)
    expected = min(1.0, 2 * min(tails))
    assert expected < dated({}, COUNTED | {"rings_counted": rings}).core_conflict_p < 2 * expected


@pytest.mark.parametrize(("rings", "said"), [(108, True), (114, False)])
def test_cores_disagree_below_one_in_a_hundred(rings, said):
    """12 rings apart is told, 6 rings apart (p of 0.017 or more) is not (tails of the published count error)."""
    answer = dated({}, COUNTED | {"rings_counted": rings})
    tail = 2 * (1 - count_error(rings, "lab_count", genus=LARCH).cdf(120 - rings - 1))
    assert tail < answer.core_conflict_p
    assert (answer.core_conflict_p < 0.01) is said
    assert ("cores_disagree" in answer.flags) is said


def test_contradicting_cores_still_answer():
    """Two crossdated piths of 1905 and 1915: one of them is wrong, nobody knows which, and that is told."""
    answer = dated({}, {"rings_counted": 110})
    assert answer.pith_year.prob_at(1905) == pytest.approx(0.5, abs=1e-3)
    assert answer.pith_year.prob_at(1915) == pytest.approx(0.5, abs=1e-3)
    assert {"cores_contradict", "cores_disagree"} <= set(answer.flags)


def test_a_wrong_core_is_one_in_a_hundred():
    """Pith of 1905 crossdated against 106 counted rings: P(e = 14) of the count against a wrong core that points some
    tens of years off (Laplace, 20 years): either explains it, and 1905 is the likeliest year, not the only one."""
    error = count_error(106, "lab_count", genus=LARCH)
    other = COUNTED | {"rings_counted": 106}
    doubted = ages_of({}, other, doubt=SURE | {"wrong_core": 0.01})["A1"].pith_year
    counted, wrong = error.prob_at(14), 0.01 * 0.999 * np.exp(-14 / 20) / 40  # the Laplace law falls to both sides
    assert doubted.prob_at(1905) > 0.5
    assert doubted.prob_at(1905) < dated({}, other).pith_year.prob_at(1905)
    assert counted < wrong  # so the wrong core is the likelier reason
    assert doubted.median() == 1905


def test_the_lead_core_has_the_smallest_variance():
    """A crossdated pith of 80 rings says more than 120 counted rings that end at 10 mm."""
    answer = dated(SHORT | COUNTED, {"rings_counted": 80, "outer_year": 1984})
    assert answer.facts["lead_core"] == "b" and answer.facts["rings_counted"] == 80


# ------------------------------------------------------------------ shares of the variance


def test_shares_are_parts_of_the_variance_of_the_date():
    """Count, height and collar are independent and add up: share = variance / their sum (closed form)."""
    model = {"model": "mean_sd", "height_m": 1.0, "mean_years": 8, "sd_years": 3}
    tree = {"collar_years": 4.0, "collar_years_sd": 1.5}
    answer = dated({"dating": "field_count", "core_height_m": 1.0}, tree=tree, height=model)
    parts = {
        "share_count": count_error(120, "field_count", genus=LARCH).var(),
        "share_height": answer.years_to_core_height.var(),
        "share_collar": answer.distributions["collar_years"].var(),
    }
    total = sum(parts.values())
    assert parts["share_count"] > 4  # far from 1, so that a part without its scale is seen
    for name, variance in parts.items():
        assert answer.shares[name] == pytest.approx(variance / total, rel=0.05), (
            name
        )  # variance at the levels of the reader
    assert sum(answer.shares.values()) == pytest.approx(1)


def test_shares_of_two_cores_are_weighed_by_their_precision():
    """Count variance V1 of a pith core, missed-ring variance V2 of a crossdated one: weights 1 / V^2 of parts V, so
    the shares are as 1 / V1 to 1 / V2 (hand sum)."""
    first, second = COUNTED, SHORT | {"rings_counted": 109}
    cores, shared, _ = prepare(field_of(first, second))
    posterior = date_trees(cores, shared)["A1"]
    count, missed = posterior.counts[0].var(), posterior.missed[1].var()
    shares = dated(first, second).shares
    assert count == pytest.approx(count_error(120, "lab_count", genus=LARCH).var(), rel=0.01)
    assert shares["share_count"] / (shares["share_distance"] + shares["share_rate"]) == pytest.approx(
        missed / count,
        rel=0.05,  # variance at the levels of the reader
    )


# ------------------------------------------------------------------ errors that trees share


def test_years_to_height_that_all_trees_share_are_drawn_once():
    """shared_share = 1: every draw gives both trees the same Y, so their dates stay 10 years apart as the piths."""
    model = {"model": "mean_sd", "height_m": 1.0, "mean_years": 12, "sd_years": 4, "shared_share": 1.0}
    ages = ages_of({"core_height_m": 1.0}, {"tree": "B2", "core_height_m": 1.0, "rings_counted": 110}, height=model)
    years = ages.draws(400, seed=3).to_pandas()
    assert ages["A1"].establishment_year.sd() > 3
    assert ((years["B2"] - years["A1"]).abs() - 10).abs().max() <= 1  # ends of a season may part them by one
    assert (years["B2"] - years["A1"]).mean() == pytest.approx(10, abs=0.2)


def test_the_growth_rate_of_the_stand_is_drawn_once():
    """Two trees 40 mm short share the stand's rate: their dates go together; without it 2,000 draws stay within 0.1."""
    far = SHORT | {"distance_mm": 40.0, "distance_sd_mm": 0.5, "inner_width_rings": 30}
    years = ages_of(far, far | {"tree": "B2"}).draws(2000, seed=3).to_numpy()
    assert np.corrcoef(years.T)[0, 1] > 0.1


def test_draws_have_the_mass_functions():
    """Mean and spread of 20,000 draws are those of the mass function within six standard errors."""
    model = {"model": "mean_sd", "height_m": 1.0, "mean_years": 8, "sd_years": 3}
    tree = {"collar_years": 6.0, "collar_years_sd": 1.0}
    ages = ages_of(SHORT | COUNTED | {"core_height_m": 1.0}, height=model, tree=tree)
    drawn, mass = ages.draws(20000, seed=1).to_numpy().ravel(), ages["A1"].establishment_year
    assert drawn.mean() == pytest.approx(mass.mean(), abs=6 * mass.sd() / np.sqrt(20000))
    assert drawn.std() == pytest.approx(mass.sd(), rel=0.05)


# ------------------------------------------------------------------ intervals and tables


def test_intervals_are_equal_tailed():
    """1 to 100 equally likely: 5 in a hundred lie below 6 and above 95, so 90 % run from 5 to 95 (count)."""
    even = Pmf(1, np.ones(100))
    assert even.interval(0.9) == (5, 95)
    assert even.interval(0.5) == (25, 75)
    assert (even.median(), even.quantile(0.25)) == (50, 25)


@pytest.mark.parametrize(("spread", "said"), [(2.0, "1853 ("), (4.0, "c. 1855 ("), (8.0, "c. 1850 (")])
def test_sentences_round_to_what_is_known(spread, said):
    """1905 less 52 +- s collar years is 1853: as it is to an SD of 3, to five years above, to ten above 6."""
    tree = {"collar_years": 52.0, "collar_years_sd": spread}
    assert f"established {said}" in dated({}, tree=tree).sentence()


def test_the_table_of_ages_has_low_below_high():
    """Medians and ends of the table are those of the mass functions, low first; the probability stands beside them."""
    ages = ages_of(SHORT | COUNTED)
    row, answer = ages.to_frame().iloc[0], ages["A1"]
    for name in ("missed_rings", "pith_year", "establishment_year", "age", "age_at_core_height"):
        low, high = answer.distributions[name].interval(0.9)
        assert (row[f"{name}_lo"], row[f"{name}_hi"]) == (low, high) and low < high
        assert row[f"{name}_median"] == answer.distributions[name].median()
    assert row["prob"] == 0.9 and row["minimum_age"] == 120


def test_missed_rings_of_the_field_are_those_of_the_function():
    """One core alone: the field and `missing_rings` answer alike from the same widths (two ways of one model)."""
    trees = pd.DataFrame({"tree": ["A1"], "species": [LARCH]})
    core = {"tree": "A1", "core": "a"} | PITH | SHORT | {"rings_counted": 30}
    del core["inner_width_mm"], core["inner_width_rings"]
    widths = np.linspace(0.8, 1.2, 30)
    rings = pd.DataFrame({"tree": "A1", "core": "a", "ring": np.arange(1, 31), "width_mm": widths})
    answer = estimate_ages(Field.from_frames(trees, pd.DataFrame([core]), rings))["A1"].missed_rings
    alone = missing_rings(10.0, widths, distance_sd_mm=1.0, genus="Larix")
    assert answer.mean() == pytest.approx(alone.mean(), rel=0.03)
    backwards = missing_rings(10.0, widths[::-1], distance_sd_mm=1.0, genus="Larix")
    assert abs(answer.mean() - alone.mean()) < abs(answer.mean() - backwards.mean()) / 3  # innermost first
