"""Tests of treeage.checks: replicates follow the law of the likelihood, p values, and the movement of dates."""

import ast
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from made_up_ages import made_up_ages
from virtual_fields import state, virtual_field, virtual_seen

from treeage import priors
from treeage.checks import PredictiveChecks, Sensitivity, predictive_checks, sensitivity, with_checks
from treeage.cli import main
from treeage.distance import DISTANCE_GRID_MM, end_distances, inner_ends
from treeage.errors import InputError
from treeage.estimate import Seen, draw_arc_radii, draw_ends, estimate_ages
from treeage.report.page import report_html
from treeage.report.texts import methods_text
from treeage.schema import InnerEnd
from treeage.tables import Field, Settings, write_field

ROOT = Path(__file__).parents[1]
WORDS = (InnerEnd.PITH, InnerEnd.ARCS, InnerEnd.NO_ARCS)
SIZE = 60_000


def ends_of(word, size, gap=None):
    """Cores of one stem that show a word, with a known gap between radius and length."""
    none, stem = (
        np.full(1, np.nan),
        [np.array([value]) for value in (150.0, 4.0, np.nan if gap is None else 150.0 - gap)],
    )
    one = inner_ends(np.full(1, word, dtype=object), {}, (none, none, none), tuple(stem))
    if size == 1:
        return one
    return replace(one, curved=np.ones((1, 0)), direct=np.ones((1, 0))).take(np.zeros(size, dtype=np.int64))


def carrying(seen):
    """Ages that carry this and no more."""
    return replace(made_up_ages(3), extras={"seen": seen})


# ------------------------------------------------------------------ defaults that can be replaced


def test_a_default_is_another_within_the_context_only():
    """Inside out, also when something fails, and what was read is noted."""
    with priors.replaced({"aim_mm": 20.0}) as outer:
        with pytest.raises(RuntimeError), priors.replaced({"taper": 3.0}):
            assert (priors.AIM_MM.value, priors.TAPER.value) == (20.0, 3.0)
            raise RuntimeError
        assert priors.TAPER.value == priors.TAPER.default
    assert priors.AIM_MM.value == priors.AIM_MM.default
    assert outer == {priors.TAPER}  # the inner context notes its own
    with pytest.raises(KeyError, match="aim"), priors.replaced({"aim": 1.0}):
        pass


def reads_default(node):
    """Whether a piece of code reads the value of a default."""
    return any(
        isinstance(each, ast.Attribute)
        and each.attr == "value"
        and isinstance(each.value, ast.Attribute)
        and isinstance(each.value.value, ast.Name)
        and each.value.value.id == "priors"
        for each in ast.walk(node)
    )


def lazy(part):
    """Whether a field of a class is made anew for every object."""
    return part.value is not None and "default_factory" in ast.unparse(part.value)


@pytest.mark.parametrize("path", sorted((ROOT / "treeage").rglob("*.py")), ids=lambda path: path.stem)
def test_defaults_are_read_when_they_are_used(path):
    """Never at import nor in a function that keeps its answers: another value would not reach the dates."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            functions = [each for each in ast.walk(node) if isinstance(each, ast.FunctionDef)]
            kept = [each for each in functions if any("cache" in ast.dump(mark) for mark in each.decorator_list)]
            plain = [each for each in kept if "cached_property" not in ast.dump(each.decorator_list[0])]
            early = [default for each in functions for default in (*each.args.defaults, *each.args.kw_defaults)]
            if isinstance(node, ast.ClassDef):
                early += [
                    part.value for part in node.body if isinstance(part, (ast.Assign, ast.AnnAssign)) and not lazy(part)
                ]
            assert not any(reads_default(part) for part in (*plain, *filter(None, early))), (path.name, node.name)
        else:
            assert not reads_default(node), (path.name, ast.unparse(node))


# ------------------------------------------------------------------ virtual inner ends


@pytest.mark.parametrize("square", [0.0, 1.0])
@pytest.mark.parametrize("aim", [-0.4, 0.3])
def test_virtual_ends_follow_the_likelihood(square, aim):
    """Words and distances given the length, against `end_distances` (numerical integration, other code)."""
    rng = np.random.default_rng(1)
    node = state(rng, aim=aim, eccentricity=0.2, sight=0.1, square=square)
    drawn = draw_ends(ends_of(InnerEnd.ARCS, SIZE, 15.0), node.take(np.zeros(SIZE, dtype=np.int64)), rng)
    near = np.abs(drawn.gap_mm - 15.0) < 3.0  # the law bends little over 6 mm
    expected = [end_distances(ends_of(word, 1, 15.0), node) for word in WORDS]
    share = np.array([evidence[0, 0] for _, evidence in expected])
    share /= share.sum()
    found = np.array([np.mean(drawn.word[near] == word) for word in WORDS])
    spread = np.sqrt(share * (1 - share) / near.sum())
    assert near.sum() > 3000
    assert (np.abs(found - share) < 4 * spread + 0.01).all()  # the pith weighs 1 to 0.1 near it, here 1 in 1.1
    for word, (mass, _) in zip(WORDS[1:], expected[1:], strict=True):
        own = drawn.distance_mm[near & (drawn.word == word)]
        assert own.mean() == pytest.approx(mass[0, 0] @ DISTANCE_GRID_MM, abs=4 * own.std() / own.size**0.5 + 0.3)
    other = state(rng, aim=aim + 0.7, eccentricity=0.2, sight=0.1, square=square)  # control: an observer who aims worse
    wrong = np.array([end_distances(ends_of(word, 1, 15.0), other)[1][0, 0] for word in WORDS])
    assert (np.abs(found - wrong / wrong.sum()) > 4 * spread + 0.01).any()


def test_virtual_arcs_are_read_as_far_out_as_they_were_seen():
    """ln(radius) lies by the shared bias above the mean ln(distance) at which arcs are seen, from `end_distances`."""
    rng = np.random.default_rng(3)
    size = 20_000
    node = state(rng, aim=-1.0, eccentricity=0.0, sight=-1.2, arc_bias=0.1, square=1.0)  # near, so that arcs are steep
    ends = replace(
        ends_of(InnerEnd.ARCS, size), chord_mm=np.full(size, 3.0), rise_mm=np.ones(size), arc_sd_mm=np.full(size, 1e-3)
    )
    mass = end_distances(ends_of(InnerEnd.ARCS, 1, 5.0), node)[0][0, 0]  # control of the order: a length, then none
    assert mass.sum() == pytest.approx(1.0)
    with priors.replaced({"chord_sd": 1e-6, "roundness": 1e-6}):
        radius = draw_arc_radii(ends, node.take(np.zeros(size, dtype=np.int64)), rng)
    drawn = draw_ends(ends, node.take(np.zeros(size, dtype=np.int64)), rng)
    seen = drawn.distance_mm[(drawn.word == InnerEnd.ARCS) & (drawn.distance_mm > 2.5)]
    far = radius[radius > 2.5 * np.exp(0.1)]
    assert np.isfinite(radius).mean() > 0.999
    assert np.median(np.log(far)) == pytest.approx(np.median(np.log(seen)) + 0.1, abs=0.03)


# ------------------------------------------------------------------ p values


@pytest.fixture(scope="module")
def true_stands():
    """Checks of forty virtual stands whose own state of the shared errors is known."""
    rng = np.random.default_rng(4)
    seen = [virtual_seen(state(rng, aim=-0.3), 60, rng) for _ in range(40)]  # near enough that all have some arcs
    return [predictive_checks(carrying(each), seed=number) for number, each in enumerate(seen)]


def test_p_values_are_uniform_where_the_model_is_true(true_stands):
    """By row: mean of 40 p values 0.5 within four standard errors, and few below 0.05; by stand: few failed checks."""
    table = pd.concat([each.table for each in true_stands])
    by_row = table.groupby("check")["p"]
    assert (by_row.size() >= 38).all() and len(by_row) == 11
    assert (by_row.mean() - 0.5).abs().max() < 4 * 12**-0.5 / 40**0.5
    assert (by_row.apply(lambda p: (p < 0.05).mean()) <= 8 / 40).all()  # 99.97 % of binomial(40, 0.05) are at most 8
    assert (table["p"] < 0.05).mean() == pytest.approx(0.05, abs=0.03)
    assert sum(bool(each.failed) for each in true_stands) <= 7  # 99.7 % of binomial(40, 0.05)


WRONG = {
    "radius less core length, standard deviation": {"eccentricity": 1.5},
    "neither pith nor arcs": {"sight": -1.5},
    "radius read on arcs, median": {"arc_bias": 0.9},
}


@pytest.mark.parametrize("name", list(WRONG))
def test_a_wrong_model_fails_where_it_is_wrong(name):
    """Control: stands of another state than the one the replicates are drawn from."""
    rng = np.random.default_rng(5)
    plain = {
        "aim": 0.0,
        "eccentricity": 0.0,
        "sight": 0.0,
        "overlooked": 0.0,
        "shortfall": 0.0,
        "again": 0.0,
        "arc_bias": 0.0,
        "square": 1.0,
    }
    failed = 0
    for number in range(8):
        seen = virtual_seen(state(rng, **(plain | WRONG[name])), 80, rng, aim=state(rng, **plain))
        failed += name in predictive_checks(carrying(seen), seed=number).failed
    assert failed >= 7


def test_cores_that_disagree_and_counts_that_differ_are_found():
    """Control: every tenth pair far apart; every count off by four."""
    rng = np.random.default_rng(6)
    node = state(rng)
    odd = np.column_stack([np.where(np.arange(40) % 4 == 0, 1e-4, rng.random(40)), np.zeros(40)])
    seen = virtual_seen(node, 80, rng, mates=odd, differences=np.full(40, 4))
    failed = predictive_checks(carrying(seen), seed=1).failed
    assert {"two cores of a tree that disagree", "difference between the counts of two cores, mean"} <= set(failed)
    assert "pith on the core" not in failed


def test_two_cores_that_agree_too_well_are_found():
    """The mean p value is two-sided: errors that are stated too large show."""
    rng = np.random.default_rng(8)
    close = np.column_stack([rng.uniform(0.45, 0.55, 60), np.zeros(60)])
    seen = virtual_seen(state(rng), 120, rng, mates=close)
    assert predictive_checks(carrying(seen)).failed == ["agreement of two cores of a tree, mean p value"]


def test_the_same_seed_gives_the_same_p_values():
    """And another seed nearly the same."""
    rng = np.random.default_rng(8)
    ages = carrying(virtual_seen(state(rng), 40, rng))
    one, again, other = (predictive_checks(ages, seed=seed).to_frame() for seed in (1, 1, 2))
    pd.testing.assert_frame_equal(one, again)
    assert not one.equals(other)
    assert (one["p"] - other["p"]).abs().max() < 0.12


def test_what_cannot_be_checked_is_said():
    """Few cases, and ages that do not carry what was seen."""
    rng = np.random.default_rng(9)
    seen = virtual_seen(state(rng), 4, rng)
    few = predictive_checks(carrying(seen))
    assert len(few.to_frame()) == 0 and few.failed == []
    assert "kinds of inner ends of cores with a diameter and a length (4 cases)" in few.sentence()
    none = predictive_checks(made_up_ages(3))
    assert "The fitted model could not be checked: too few cases." in none.sentence()
    assert with_checks(made_up_ages(3)).extras == {}
    with pytest.raises(InputError, match="estimate_ages"):
        predictive_checks(3)


# ------------------------------------------------------------------ from the tables on


@pytest.fixture(scope="module")
def virtual():
    """Ages of a stand that follows the model, and of one whose second cores are dated 150 years early."""
    node = state(np.random.default_rng(13), aim=-0.3)
    right = virtual_field(node, 30, np.random.default_rng(13))
    wrong = virtual_field(node, 30, np.random.default_rng(13), wrong_years=150)
    return estimate_ages(right), estimate_ages(wrong)


def test_a_true_field_passes_and_cores_dated_wrongly_fail(virtual):
    """The estimate keeps what was seen; it is small beside the ages."""
    right, wrong = (predictive_checks(ages, seed=1) for ages in virtual)
    assert right.failed == []
    assert {"agreement of two cores of a tree, mean p value", "two cores of a tree that disagree"} <= set(wrong.failed)
    seen = virtual[0].extras["seen"]
    assert isinstance(seen, Seen) and seen.ends.curved.size == 0
    assert len(seen.mates) + sum(seen.left_out.values()) == 30 >= len(seen.mates) >= 5


def test_the_report_says_a_failed_check_at_its_top(virtual):
    """Before everything else, and nothing of the kind where none failed; the methods text tells of the checks."""
    right, wrong = (with_checks(ages) for ages in virtual)
    page = report_html(wrong)
    assert 0 < page.index("The model does not fit everywhere.") < page.index("Ages and dates of all trees")
    assert "The model does not fit everywhere." not in report_html(right)
    assert "predictive_checks.csv" in page
    assert "No posterior predictive check failed" in methods_text(right)
    assert "posterior predictive checks failed" in methods_text(wrong)
    assert "redictive check" not in methods_text(made_up_ages(3))


def test_checks_are_drawn(virtual):
    """A row a check, failed ones in another colour."""
    ax = predictive_checks(virtual[1]).plot()
    assert len(ax.get_yticks()) == len(predictive_checks(virtual[1]).table)
    assert len({tuple(colour) for colour in ax.collections[-1].get_facecolors()}) == 2


# ------------------------------------------------------------------ sensitivity

HEIGHTS = Settings(height={"default": {"model": "mean_sd", "height_m": 1.0, "mean_years": 10, "sd_years": 3}})


def cored_at_a_metre(trees=3):
    """Pith on crossdated cores, a metre up."""
    own = pd.DataFrame({"tree": [f"T{k}" for k in range(trees)], "species": "Picea abies"})
    core = {"core": "a", "outer_year": 2020, "dating": "crossdated", "inner_end": "pith", "core_height_m": 1.0}
    cores = pd.DataFrame({"tree": own["tree"], "rings_counted": [80 + k for k in range(trees)]} | core)
    return Field.from_frames(own, cores, settings=HEIGHTS)


@pytest.fixture(scope="module")
def moved():
    """The whole table of a small field."""
    return sensitivity(cored_at_a_metre())


def test_the_level_of_the_years_moves_every_date_by_half_of_their_spread(moved):
    """Lognormal passing times: half a log-sd on a mean of 10 years (oracle: the lognormal mean)."""
    log_sd = np.sqrt(np.log(1 + (3 / 10) ** 2))
    level = moved.table[moved.table["default"] == "height_level"].set_index("changed_to")["stand_mean_years"]
    for half in (-0.5, 0.5):
        assert level[half] == pytest.approx(-10 * (np.exp(half * log_sd) - 1), abs=0.25)
    assert moved.most[0] == "height_level"


def test_a_wider_spread_widens_and_an_unused_default_moves_nothing(moved):
    """Years to height twice as spread: dates nearly twice; no diameter, no arc, no circle was read."""
    ratio = moved.table.set_index(["default", "changed_to"])["sd_ratio"]
    assert ratio["height_spread", 2.0] > 1.7
    assert ratio["height_spread", 0.5] < 0.65
    still = moved.table[moved.table["default"].isin(["taper", "curvature_seen", "circle_step"])]
    assert (still["stand_mean_years"] == 0).all()
    assert set(moved.unused) | set(moved.table["default"]) == set(priors.entries())


def test_the_answer_names_the_five_that_matter_most(moved):
    """In the sentence, on the page the first ten rows, in the file all; each tree with its own."""
    said = moved.sentence()
    assert said.startswith("The stand's mean date rests most on these defaults: log years to coring height")
    assert len(moved.most) == 5 and "Each of the other" in said
    ages = replace(estimate_ages(cored_at_a_metre()), extras={"sensitivity": moved})
    page = report_html(ages)
    assert "The 5 defaults that matter most" in page and "log years to coring height" in page
    assert "each was halved and doubled in turn" in methods_text(ages)
    assert list(moved.trees["tree"]) == ["T0", "T1", "T2"]
    assert set(moved.trees["default"]) <= {"height_level", "height_spread"}
    assert len(moved.plot().get_yticks()) == 10


def test_the_order_of_rows_never_matters():
    """Rows of both tables turned round give the same movements and the same p values."""
    node = state(np.random.default_rng(11))
    field = virtual_field(node, 3, np.random.default_rng(11))
    turned = Field.from_frames(field.trees.iloc[::-1], field.cores.iloc[::-1])
    names = ["eccentricity", "own_growth"]
    one, other = (sensitivity(each, names=names) for each in (field, turned))
    pd.testing.assert_frame_equal(one.to_frame(), other.to_frame())
    pd.testing.assert_frame_equal(one.moves, other.moves)
    assert (one.table["mean_abs_years"] > 0).any()
    checked = [predictive_checks(estimate_ages(each)).to_frame() for each in (field, turned)]
    pd.testing.assert_frame_equal(*checked)
    assert len(checked[0]) >= 5


def test_wider_hidden_widths_widen_the_dates():
    """Known direction: a core's own scale of the hidden width halved and doubled."""
    field = virtual_field(state(np.random.default_rng(12), aim=0.5), 4, np.random.default_rng(12))
    ratio = sensitivity(field, names=["own_growth"]).table.set_index("changed_to")["sd_ratio"]
    assert ratio[0.5] < 0.95 < 1.05 < ratio[2.0]


def test_a_name_that_is_no_default_is_refused():
    """With the names that are."""
    with pytest.raises(InputError, match="one of eccentricity"):
        sensitivity(cored_at_a_metre(), names=["aim"])
    with pytest.raises(InputError, match="sensitivity"):
        sensitivity("folder")
    with pytest.raises(InputError, match=r"names: got the text 'aim_mm', need a list of names. Pass \['aim_mm'\]"):
        sensitivity(cored_at_a_metre(), names="aim_mm")  # a text was taken letter by letter


def test_a_field_without_dates_moves_nothing():
    """Minimum-only trees have no date to move."""
    field = cored_at_a_metre()
    lost = Field.from_frames(field.trees, field.cores.assign(inner_end="rot"))
    none = sensitivity(lost, names=["aim_mm"])
    assert len(none.to_frame()) == 0 and none.sentence() == "No date of this field rests on a default number."
    assert isinstance(none, Sensitivity) and len(none.trees) == 0


def test_sensitivity_is_asked_for_on_the_command_line(tmp_path, capsys):
    """`--sensitivity` adds two tables and a figure; without it there are none, the checks are always made."""
    field = cored_at_a_metre(2)
    write_field(tmp_path / "field", {"trees": field.trees, "cores": field.cores}, HEIGHTS)
    assert main(["estimate", str(tmp_path / "field"), "--out", str(tmp_path / "plain"), "--draws", "50"]) == 0
    assert not list((tmp_path / "plain").glob("sensitivity*"))
    assert (
        main(["estimate", str(tmp_path / "field"), "--out", str(tmp_path / "more"), "--draws", "50", "--sensitivity"])
        == 0
    )
    names = {path.name for path in (tmp_path / "more").rglob("*")}
    assert {"sensitivity.csv", "sensitivity_trees.csv", "sensitivity.png"} <= names
    assert "The stand's mean date rests most on" in " ".join(capsys.readouterr().out.split())


def test_results_have_their_faces(moved):
    """A frame, a sentence, and both in a notebook."""
    for made in (moved, PredictiveChecks(pd.DataFrame(columns=["check", "p", "failed"]))):
        assert made.sentence() and made.to_frame() is not made.table
        assert "Assumptions" in made._repr_html_()
