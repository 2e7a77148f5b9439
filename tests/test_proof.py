"""Predictions of what is known of a field, without it: nothing known is used, and wrong truths are noticed."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

import treeage
from treeage import proof
from treeage.checks import predictive_checks, sensitivity
from treeage.cli import main
from treeage.errors import InputError
from treeage.proof import validate_field
from treeage.tables import Field, read_field


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The demo field with its truth as known years, and what was made of it."""
    folder, truth = treeage.example_field(tmp_path_factory.mktemp("demo") / "field")
    field = read_field(folder)
    known = pd.read_csv(next(truth.glob("*trees*.csv"))).set_index("tree")["establishment_year"]
    years = field.trees["tree"].map(known).astype(float)
    return replace(field, trees=field.trees.assign(known_establishment_year=years))


@pytest.fixture(scope="module")
def proved(demo):
    """The proof of the demo field."""
    return validate_field(demo)


def test_known_years_reach_no_date(demo):
    """With the column, without it, and with nonsense in it: the same bytes."""
    tables = [demo.trees, demo.trees.drop(columns="known_establishment_year"),
              demo.trees.assign(known_establishment_year=1.0)]  # fmt: skip
    told = {treeage.estimate_ages(replace(demo, trees=trees)).to_frame().to_csv() for trees in tables}
    assert len(told) == 1


def test_every_part_is_there_with_its_number_of_cases(demo, proved):
    """Known dates of all dated trees, cores cut, second cores, young trees; the paragraph and the verdict name them."""
    parts = proved.parts.set_index("part")
    assert list(parts.index) == [proof.KNOWN, proof.ALONE, proof.STAND, proof.SECOND, proof.YOUNG]
    ages = treeage.estimate_ages(demo)
    assert parts.at[proof.KNOWN, "cases"] == len([a for a in ages if a.date_refers_to == "root collar"])
    assert parts.at[proof.ALONE, "cases"] == parts.at[proof.STAND, "cases"] >= 40
    assert len(proved.cases) == parts["cases"].sum()
    assert (parts["inside"] == proved.cases.groupby("part")["inside"].sum()[parts.index]).all()
    error = proved.cases["error"].groupby(proved.cases["part"]).mean()[parts.index]
    assert np.allclose(parts["mean_error"], error)  # what a reader of the table gets is what the paragraph says
    for row in proved.parts.to_dict("records"):
        assert f"{row['cases']} predictions on {row['trees']} trees" in proved.sentence()
        assert f"intervals hold {row['inside']} of {row['cases']}" in proved.verdict()
    assert not proved.left_out


def test_predictive_checks_are_in_paragraph_verdict_and_table(demo, proved):
    """As `predictive_checks` says of the same ages; a failed one is named in the verdict."""
    own = predictive_checks(treeage.estimate_ages(demo), seed=0)
    pd.testing.assert_frame_equal(proved.checks.table, own.table)
    assert own.sentence() in proved.sentence()
    assert f"None of {len(own.table)} predictive checks failed." in proved.verdict()
    table = proved.everything()
    assert len(table) == len(proved.cases) + len(own.table) and proved.moved is None
    told = table[table["part"] == proof.CHECKS]
    assert told["item"].tolist() == own.table["check"].tolist() and told["p"].tolist() == own.table["p"].tolist()
    failing = replace(own, table=own.table.assign(failed=own.table.index == 0))
    name = own.table["check"].iloc[0]
    assert f"1 of {len(own.table)} predictive checks failed" in replace(proved, checks=failing).verdict()
    assert f"describe: {name}." in replace(proved, checks=failing).verdict()


def test_the_demo_is_predicted_as_promised_and_better_than_the_plain_chain(proved):
    """Virtual truth of the package's own scenario; the bands are those of independent trees."""
    parts = proved.parts.set_index("part")
    assert (parts["covered"] >= parts["band_low"]).all()
    for part in (proof.KNOWN, proof.ALONE):
        assert parts.at[part, "mean_absolute_error"] < parts.at[part, "plain_absolute_error"]


def test_wrong_truths_are_noticed(demo, proved):
    """Control: known years forty years off, and young trees of thrice their age for half of them."""
    trees = demo.trees.assign(known_establishment_year=demo.trees["known_establishment_year"] + 40)
    young = demo.seedlings.copy()
    young.loc[::2, "age_years"] *= 3
    wrong = validate_field(replace(demo, trees=trees, seedlings=young)).parts.set_index("part")
    right = proved.parts.set_index("part")
    assert wrong.at[proof.KNOWN, "covered"] < wrong.at[proof.KNOWN, "band_low"]
    assert wrong.at[proof.YOUNG, "mean_absolute_error"] > 2 * right.at[proof.YOUNG, "mean_absolute_error"]


def test_cores_are_cut_at_the_distances(demo):
    """By hand: rings of 1 mm are cut after 2, 5, 10, 20 and 40 of them, as long as ten are left."""
    cuts = list(proof._cuts(np.ones(31)))
    assert [(hidden, distance, visible.size) for hidden, distance, visible in cuts] == [
        (2, 2.0, 29), (5, 5.0, 26), (10, 10.0, 21), (20, 20.0, 11)]  # fmt: skip
    assert [hidden for hidden, _, _ in proof._cuts(np.full(60, 8.0))] == [1, 2, 5]  # 8 mm is no cut at 2 mm; 5 is
    assert list(proof._cuts(np.ones(11))) == []


def test_a_core_that_is_left_out_is_left_out_everywhere(demo):
    """Its row, rings, arcs and points go; all else stays."""
    tree, core = str(demo.cores["tree"].iloc[0]), str(demo.cores["core"].iloc[0])
    less = proof.without_cores(demo, {(tree, core)})
    for name in ("cores", "rings", "arcs", "points"):
        before, after = getattr(demo, name), getattr(less, name)
        own = (before["tree"] == tree) & (before["core"] == core)
        assert len(after) == len(before) - own.sum()
        assert not ((after["tree"] == tree) & (after["core"] == core)).any()
    assert treeage.estimate_ages(less)[tree].tree == tree


@pytest.mark.parametrize("count", [1, 12, 100, 400, 1000])
def test_how_many_trees_tell_two_shares_apart(count):
    """Oracle: the 95 % bands of 85 and 95 % by SciPy's binomial."""
    apart = binom.ppf(0.975, count, 0.85) < binom.ppf(0.025, count, 0.95)
    assert proof.tells_apart(count) == apart


def test_where_nothing_is_known_it_says_so(tmp_path, capsys):
    """One core without rings: no cases, exit code 1, and what would be needed; wrong arguments are faults."""
    trees = pd.DataFrame({"tree": ["A1"], "species": ["Larix decidua"]})
    ends = {"dating": "crossdated", "inner_end": "arcs", "core_height_m": 1.0, "distance_mm": 5.0}
    cores = pd.DataFrame([{"tree": "A1", "core": "a", "outer_year": 2020, "rings_counted": 90, **ends}])
    field = Field.from_frames(trees, cores)
    found = validate_field(field)
    assert len(found.cases) == 0 and len(found.left_out) == 4
    assert found.verdict().startswith("Nothing in this field can be held against the truth")
    with pytest.raises(InputError, match="prob"):
        validate_field(field, prob=1.0)
    folder = tmp_path / "field"
    folder.mkdir()
    trees.to_csv(folder / "trees.csv", index=False)
    cores.to_csv(folder / "cores.csv", index=False)
    assert main(["validate", str(folder)]) == 1
    assert "Nothing could be held against the truth" in capsys.readouterr().err


def test_the_command_writes_one_page_and_one_table(tmp_path, capsys):
    """Verdict on the screen and on the page; every prediction in the table."""
    trees = pd.DataFrame({"tree": ["A1", "<b>"], "species": "Larix decidua", "known_establishment_year": [1925, 1920]})
    ends = {"dating": "crossdated", "inner_end": "pith", "core_height_m": 1.0}
    cores = pd.DataFrame(
        [{"tree": tree, "core": "a", "outer_year": 2020, "rings_counted": 90, **ends} for tree in trees["tree"]]
    )
    folder = tmp_path / "field"
    folder.mkdir()
    trees.to_csv(folder / "trees.csv", index=False)
    cores.to_csv(folder / "cores.csv", index=False)
    assert main(["validate", str(folder)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "2 trees cannot tell 85 from 95 %." in said
    out = tmp_path / "field_validation"
    assert sorted(path.name for path in out.iterdir()) == ["validation.csv", "validation.html"]
    table = pd.read_csv(out / "validation.csv")
    assert table["truth"].tolist() == [1925, 1920]
    assert f"its mean error {table['error'].mean():+.1f}." in said  # of the medians, as in the table
    page = (out / "validation.html").read_text(encoding="utf-8")
    assert "2 trees cannot tell 85 from 95 %." in page and "<b>" not in page.replace("<body>", "")
    (folder / "trees.csv").write_text("\n".join((folder / "trees.csv").read_text().splitlines()[:2]) + "\n")
    (folder / "cores.csv").write_text("\n".join((folder / "cores.csv").read_text().splitlines()[:2]) + "\n")
    assert main(["validate", str(folder)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "1 prediction on 1 tree;" in said and not re.search(r"\b1 (trees|cases|predictions)\b", said)
    assert main(["validate", str(folder), "--out", str(folder)]) == 2


@pytest.mark.slow
def test_sensitivity_is_asked_for_and_stands_everywhere(tmp_path, capsys):
    """The same figures as `sensitivity` on screen, page and in the table; not without the option."""
    trees = pd.DataFrame({"tree": ["A1", "A2"], "species": "Larix decidua", "known_establishment_year": [1925, 1920]})
    ends = {"dating": "crossdated", "inner_end": "arcs", "chord_mm": 6.0, "rise_mm": 0.8, "inner_width_mm": 1.0}
    rest = {"core": "a", "outer_year": 2020, "rings_counted": 90, "core_height_m": 1.0, "inner_width_rings": 10}
    folder = tmp_path / "field"
    folder.mkdir()
    trees.to_csv(folder / "trees.csv", index=False)
    pd.DataFrame([{"tree": tree, **rest, **ends} for tree in trees["tree"]]).to_csv(folder / "cores.csv", index=False)
    assert main(["validate", str(folder), "--sensitivity"]) == 0
    own = sensitivity(read_field(folder))
    assert len(own.table) >= 20
    said = " ".join(capsys.readouterr().out.split())
    most = own.table["stand_mean_years"].abs().max()
    assert own.sentence() in said and f"stand's mean date by more than {most:.1f} years" in said
    out = tmp_path / "field_validation"
    table = pd.read_csv(out / "validation.csv").query("part == 'sensitivity'")
    assert table["stand_mean_years"].tolist() == pytest.approx(own.table["stand_mean_years"].tolist())
    page = (out / "validation.html").read_text(encoding="utf-8")
    assert "<h2>Defaults halved and doubled" in page and own.table["default"].iloc[0] in page
    assert main(["validate", str(folder)]) == 0
    assert "sensitivity" not in set(pd.read_csv(out / "validation.csv")["part"])


@pytest.mark.parametrize(("covered", "tellable"), [(0.9, False), (0.99, True), (0.7, True)])
def test_what_was_found_is_not_said_to_be_beyond_so_few_trees(covered, tellable):
    """Seventy trees cannot tell 85 from 95 %; a share beyond the band of chance they did tell."""
    row = {"part": proof.YOUNG, "trees": 70, "inside": 65, "cases": 70, "covered": covered, "band_low": 0.8}
    said = proof._verdict(row | {"band_high": 0.97}, 0.9)
    assert ("cannot tell" not in said) == tellable == ("as promised" not in said)


def test_every_proof_has_a_figure(proved, tmp_path):
    """A dot a part at its share, also where nothing could be predicted, as every result has one."""
    from matplotlib import pyplot as plt

    ax = proved.plot()
    dots = next(line for line in ax.lines if line.get_marker() == "o")
    assert np.allclose(dots.get_xdata(), 100 * proved.parts["covered"])
    assert [text.get_text().split(" (")[0] for text in ax.get_yticklabels()] == proved.parts["part"].tolist()
    empty = replace(proved, cases=proved.cases[:0], parts=proved.parts[:0]).plot()
    empty.figure.draw_without_rendering()
    assert "Nothing is known" in empty.texts[0].get_text()
    ax.figure.savefig(tmp_path / "proof.png")
    plt.close("all")
