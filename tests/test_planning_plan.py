"""What a plan promises: depths by hand, what must narrow a date, the estimate on other virtual trees, the command."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib import pyplot as plt

from treeage.cli.commands import main
from treeage.errors import InputError
from treeage.estimate import estimate_ages
from treeage.planning import plan_coring
from treeage.planning.plan import (
    PLACED,
    PULSE_SD_YEARS,
    STAND_SIZES,
    _Kind,
    _known,
    _needed,
    _piths,
    _reach,
    _stand_table,
    field_of,
    plan_of,
    virtual_trees,
)
from treeage.pmf import Mass, Pmf
from treeage.schema import Dating
from treeage.simulate import scenario, simulate_stand

LARCH = _Kind("Larix decidua", 30.0, (0.0, 0.0), 1.0, 400.0, None)


@pytest.fixture(scope="module")
def known():
    """What is known of aim and stems without a folder."""
    return _known(LARCH, 1)


@pytest.fixture(scope="module")
def plan():
    """A plan of few virtual trees."""
    return plan_of(LARCH, 20.0, 1, 24)


def test_half_of_the_borers_pass_the_pith_at_half_the_diameter(plan):
    """The pith lies about the centre: 150 mm from the bark of a stem of 30 cm; nine of ten need more."""
    (way,) = plan.reach
    assert way.depths_mm[0] == pytest.approx(150, abs=2)  # half the diameter (geometry)
    assert 160 < way.depths_mm[1] < 190  # 1.28 sd of an offset of about 0.1 x 136 mm, and wider stands
    assert 0 < way.chance_hit < way.chance_arcs < 1


def test_a_short_borer_reaches_fewer_piths(known):
    """A borer as long as half the diameter holds half of what a long one does."""
    (short,), (long,) = (_reach(replace(LARCH, borer_mm=borer), known) for borer in (150.0, 400.0))
    assert short.chance_hit == pytest.approx(long.chance_hit / 2, rel=0.02)


def test_slopes_tell_conifers_from_where_to_core(known):
    """On a slope a core along it meets the pith more often than one across (the pith lies up the slope)."""
    spruce, beech = (_Kind(name, 30.0, (60.0, 0.0), 1.0, 400.0, None) for name in ("Picea abies", "Fagus sylvatica"))
    ways = {way.name: way for way in _reach(spruce, known)}
    assert ways["from the upper side"].chance_hit > ways["across the slope or lean"].chance_hit
    assert ways["from the upper side"].depths_mm[0] < ways["from the lower side"].depths_mm[0]
    assert [way.name for way in _reach(beech, known)] == ["from any side"]  # its side is known from memory only


def test_more_narrows_the_date(plan):
    """Two cores, a lower height, crossdating and seedlings each leave a narrower interval than one core."""
    one = plan.width(PLACED["A"])
    assert plan.width(PLACED["AC"]) < one
    assert plan.width(PLACED["A"], low=True) < one
    assert plan.width(PLACED["A"], seedlings=10) < one
    assert plan.width(PLACED["A"], Dating.LAB_COUNT.value) >= one
    assert len(plan.widths) == 3 * 2 * 2 * 3  # cores, dating, heights, seedlings
    assert plan.missed_rings[0] <= plan.missed_rings[1]


def test_trees_of_a_pulse_by_the_law_of_a_mean():
    """Own error 6, shared error 0: width 2 x 1.645 x sqrt((8**2 + 6**2) / n), so 10.8 trees for 10 years."""
    own = Pmf(0, [0.5, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0.5])  # sd 6
    exact, loose = [Mass(5, np.ones((4, 1)))], [Mass(0, np.eye(41)[[0, 40]])]
    assert PULSE_SD_YEARS == 8
    assert _needed([own], {0: exact}, 10.0) == {0: 11}
    assert _needed([own], {0: loose}, 10.0) == {0: np.inf}  # a shared error of 20 years: no number of trees helps
    assert _needed([own], {0: exact}, 10.0, 2.0) == {0: 19}  # 2 of the 6 shared: (64 + 36 - 4) / (3.04**2 - 4) = 18.3
    table = _stand_table([own], {0: exact}, np.random.default_rng(1)).set_index("trees")
    assert list(table.index) == list(STAND_SIZES)
    for trees in (10, 40):
        assert table.loc[trees, "pulse_date_years"] == pytest.approx(3.29 * 10 / np.sqrt(trees), rel=0.08)
    assert table.loc[160, "share_after_event_percent"] == pytest.approx(3.29 * 100 * np.sqrt(0.19 / 160), rel=0.15)


def test_growth_near_the_pith_moves_all_trees_together(known):
    """Where the width of a pulse rests on the growth alone, many trees do not make it as narrow as none shared."""
    piths, moved = _piths(virtual_trees(LARCH, known, 12, 1), "A", Dating.LAB_COUNT, known)
    assert 0.2 < moved < np.sqrt(np.median([pith.var() for pith in piths]))
    exact = {0: [Mass(5, np.ones((4, 1)))]}
    wide = [_stand_table(piths, exact, np.random.default_rng(1), own).set_index("trees") for own in (0.0, moved)]
    assert wide[1].loc[160, "pulse_date_years"] > max(wide[0].loc[160, "pulse_date_years"], 3.29 * moved * 0.95)


def test_the_same_seed_gives_the_same_plan():
    """Byte for byte; another seed gives another."""
    one, again, other = (plan_of(LARCH, 20.0, seed, 6) for seed in (1, 1, 2))
    assert again.widths.equals(one.widths)
    assert again.stand.equals(one.stand)
    assert not other.widths.equals(one.widths)


def test_the_folder_replaces_the_priors():
    """Aim, widths and heights of the plan are those that the field tells."""
    field = simulate_stand(scenario("demo"), seed=4).field()
    known = _known(_Kind("Larix decidua", 30.0, (0.0, 0.0), 1.0, 400.0, field), 1)
    assert known.ring_mm == pytest.approx(np.median(field.rings.groupby(["tree", "core"])["width_mm"].mean()), rel=0.3)
    assert known.rot_share == (field.cores["inner_end"] == "rot").mean()
    assert known.height.known == "user"  # its own seedlings, not open data
    assert len(known.young) == 24


def test_faults_are_told(plan):
    """Numbers out of range, and something that is no field."""
    with pytest.raises(InputError, match="diameter_cm"):
        plan_coring("Larix", 0.0)
    with pytest.raises(InputError, match="read_field"):
        plan_coring("Larix", 30.0, field="folder")
    with pytest.raises(InputError, match=r"tilt: got \(1.0,\), need slope"):
        plan_coring("Larix", 30.0, tilt=(1.0,))
    with pytest.raises(InputError, match="plan_coring, diameter_cm: got 30 cm, cored at 20 m.*core_height_m") as caught:
        plan_coring("Larix decidua", 30.0, core_height_m=20.0)
    assert len(caught.value.faults) == 1  # not the rows of virtual tables that nobody wrote
    with pytest.raises(InputError, match="got three cores, crossdated, 0 seedlings, need a row of widths"):
        plan.width("three cores")


@pytest.mark.parametrize(("diameter_cm", "borer_mm", "height_m"), [(300.0, 50.0, 2.5), (3.0, 100.0, 0.05)])
def test_short_cores_are_planned(diameter_cm, borer_mm, height_m):
    """Cores of fewer than ten rings have a mean of those they have."""
    kind = _Kind("Picea abies", diameter_cm, (0.0, 0.0), height_m, borer_mm, None)
    assert (plan_of(kind, 10.0, 1, 8).widths["width_years"] > 0).all()


def test_the_figure_names_every_plan(plan):
    """Twelve rows and three kinds of marks."""
    ax = plan.plot()
    assert len(ax.get_yticklabels()) == 12
    assert len(ax.get_legend().get_texts()) == 3
    ax.figure.draw_without_rendering()
    assert ax.get_legend().get_window_extent().y1 <= ax.get_window_extent().y0  # never over a mark
    plt.close("all")


def test_the_sentence_names_only_what_narrows(plan):
    """A change that widens the date is no advice, and seedlings stand with the trees only where they spare some."""
    base = plan.width(PLACED["A"])
    shown = plan.sentence().partition("instead with ")[2].partition(". In")[0]
    for part in filter(None, shown.split(", ")):
        assert float(part.rsplit(" ", 1)[1]) < round(base)
    few = replace(plan, trees_needed={0: 838.0, 3: np.inf, 10: np.inf}).sentence()
    assert few.endswith("In a stand 838 trees should date a pulse within 20 years.")
    none = replace(plan, trees_needed={0: np.inf, 3: np.inf, 10: np.inf}).sentence()
    assert none.endswith("no number of trees dates a pulse within 20 years without seedlings or with ten.")
    some = replace(plan, trees_needed={0: np.inf, 3: 80.0, 10: 40.0}).sentence()
    assert some.endswith("without seedlings, with ten seedlings 40 do.")
    wide = plan.widths.assign(width_years=30.0)
    assert "instead with" not in replace(plan, widths=wide).sentence()


def test_the_command(capsys, tmp_path, monkeypatch):
    """Numbers, tables and cautions on the screen, exit codes as everywhere."""
    monkeypatch.setattr("treeage.planning.plan.TREES", 8)
    arguments = ["plan", "--species", "Larix decidua", "--diameter", "30", "--out", str(tmp_path / "out")]
    assert main(arguments) == 0
    said = capsys.readouterr().out
    assert "half of the trees" in said
    assert "permission" in said
    for column in ("pulse_date", "share_after_event", "origin"):  # each explained below its table
        assert f"{column}:" in said
    assert {file.name for file in (tmp_path / "out").iterdir()} == {"plan.svg", "plan_stand.csv", "plan_widths.csv"}
    assert main(["plan", "--species", "Larix", "--diameter", "-3"]) == 2
    assert main(["plan", "--species", "Larix", "--diameter", "30", "--folder", str(tmp_path / "none")]) == 2


@pytest.fixture(scope="module")
def large_plan():
    """A plan of many virtual trees."""
    return plan_of(LARCH, 20.0, 1, 160)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("which", "dating"), [("A", Dating.CROSSDATED), ("A", Dating.LAB_COUNT), ("AC", Dating.CROSSDATED)]
)
def test_widths_are_those_of_the_estimate(which, dating, known, large_plan):
    """Other virtual trees of the kind, dated by `estimate_ages`: median widths within a tenth."""
    ages = estimate_ages(field_of(virtual_trees(LARCH, known, 160, 77), which, dating))
    width = np.median([np.ptp(answer.date.interval(0.9)) for answer in ages if answer.status == "estimated"])
    assert large_plan.width(PLACED[which], dating.value) == pytest.approx(width, rel=0.1)
