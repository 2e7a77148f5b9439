"""Folders as people bring them: what is wrong in them is said where it hurts, and no wrong number passes in silence."""

import re

import numpy as np
import pandas as pd
import pytest
from field_cases import changed, faults, good_tables, note_text, read, write

import treeage
from treeage.cli import main
from treeage.errors import InputError
from treeage.report.texts import methods_text, row_account
from treeage.results import Flag, Status
from treeage.stand import history as stand
from treeage.tables import Field, read_field

SPRUCE = "Picea abies"
NO_HEIGHT = '[site]\nhemisphere = "north"\n[height.default]\nmodel = "none"\n'


def grown(inner_end, *, factor=1.0, reach=1.0, count=12):
    """Tables of trees with one core each, `reach` of the radius long, the diameter written `factor` times too large."""
    rng = np.random.default_rng(5)
    inside_cm = rng.uniform(20, 60, count)
    names = [f"T{at:02d}" for at in range(count)]
    trees = pd.DataFrame({"tree": names, "species": SPRUCE, "dbh_cm": np.round((inside_cm + 2) * factor, 1)})
    length = np.round(5 * inside_cm * reach * rng.uniform(0.9, 1.05, count))
    cores = pd.DataFrame({"tree": names, "core": "a", "outer_year": 2020, "rings_counted": (3 * inside_cm).astype(int)})
    cores = cores.assign(dating="lab_count", inner_end=inner_end, core_height_m=1.0, core_length_mm=length)
    if inner_end == "arcs":
        cores = cores.assign(chord_mm=6.0, rise_mm=1.0)
    return {"trees": trees.assign(bark_mm=10.0), "cores": cores}


# ------------------------------------------------------------------ girth or millimetres in dbh_cm


@pytest.mark.parametrize("inner_end", ["pith", "arcs"])
@pytest.mark.parametrize("reach", [0.8, 1.0])
def test_girth_instead_of_diameter_is_refused_where_cores_end_near_the_pith(tmp_path, inner_end, reach):
    """Every core is about 1/pi of the radius: the folder does not pass, and the advice is the conversion."""
    found = faults(tmp_path, grown(inner_end, factor=np.pi, reach=reach), "looks like girth in dbh_cm", NO_HEIGHT)
    assert found["column"].tolist() == ["dbh_cm"]
    assert "divide it by 3.1416" in found["do"].iloc[0] and "girth_cm" in found["do"].iloc[0]


@pytest.mark.parametrize(("factor", "word"), [(np.pi, "girth"), (10.0, "millimetres")])
@pytest.mark.parametrize("reach", [0.8, 1.0])
def test_the_same_of_cores_that_end_elsewhere_is_noted_and_flagged(tmp_path, factor, word, reach):
    """Such cores may be short, so it is a question; every tree carries the flag, and the page opens with it."""
    field = read(tmp_path, grown("no_arcs", factor=factor, reach=reach), NO_HEIGHT)
    assert f"looks like {word}" in note_text(field)
    ages = treeage.estimate_ages(field)
    assert all(Flag.MORE_HIDDEN_THAN_SEEN in answer.flags for answer in ages)
    assert "12 trees" in ages.cautions[0] and "dbh_cm" in ages.cautions[0]


@pytest.mark.parametrize("inner_end", ["pith", "arcs", "no_arcs", "rot"])
@pytest.mark.parametrize("reach", [0.8, 1.0])
def test_true_diameters_raise_nothing(tmp_path, inner_end, reach):
    """Negative control: the same trees with diameters pass without the note and the flag."""
    field = read(tmp_path, grown(inner_end, reach=reach), NO_HEIGHT)
    assert "looks like" not in note_text(field)
    ages = treeage.estimate_ages(field)
    assert not any(Flag.MORE_HIDDEN_THAN_SEEN in answer.flags for answer in ages)
    assert ages.cautions == ()


def test_girths_in_one_plot_only_are_found(tmp_path):
    """Two teams, two habits: the plot is named."""
    one, two = grown("pith"), grown("pith", factor=np.pi)
    trees = pd.concat([one["trees"].assign(plot="A"), two["trees"].assign(plot="B", tree="U" + two["trees"]["tree"])])
    cores = pd.concat([one["cores"], two["cores"].assign(tree="U" + two["cores"]["tree"])])
    found = faults(tmp_path, {"trees": trees, "cores": cores}, "of plot B", NO_HEIGHT)
    assert len(found) == 1


# ------------------------------------------------------------------ columns of another name, or in the wrong table


@pytest.mark.parametrize(
    ("table", "name", "advice"),
    [
        ("trees", "girth", "Rename it to girth_cm"),
        ("trees", "Girth_mm", "Multiply Girth_mm by 0.1 and name it girth_cm"),
        ("trees", "circumference", "girth_cm"),
        ("cores", "dist_pith", "Rename it to distance_mm if it holds that, in mm"),
        ("cores", "dist_pith_cm", "Multiply dist_pith_cm by 10 and name it distance_mm"),
        ("cores", "lab", "write lab_count into dating"),
        ("cores", "species", "It is a column of trees"),
    ],
)
def test_unknown_columns_are_matched_by_the_names_of_the_trade(tmp_path, table, name, advice):
    """The note says which column was probably meant and the conversion to make."""
    tables = good_tables()
    tables[table][name] = 1
    assert advice in note_text(read(tmp_path, tables))


@pytest.mark.parametrize("column", ["species", "plot", "dbh_cm", "bark_mm", "collar_years", "origin", "trees_per_ha"])
def test_a_tree_column_in_cores_changes_nothing(tmp_path, column):
    """The tree's own value holds; the column is noted as lying in the wrong table."""
    tables = good_tables() | {"trees": good_tables()["trees"].assign(plot="P", collar_years=0, origin="seed")}
    (tmp_path / "plain").mkdir()
    (tmp_path / "doubled").mkdir()
    plain = treeage.estimate_ages(read(tmp_path / "plain", tables)).to_frame()
    tables["cores"] = tables["cores"].assign(**{column: 7})
    field = read(tmp_path / "doubled", tables)
    pd.testing.assert_frame_equal(treeage.estimate_ages(field).to_frame(), plain)
    assert "move it there" in note_text(field)


@pytest.mark.parametrize("column", ["core_height_m", "rings_counted", "core_length_mm", "outer_year", "inner_end"])
def test_a_core_column_in_trees_changes_nothing(tmp_path, column):
    """The other way round, also on the command line's plan of heights."""
    tables = good_tables()
    (tmp_path / "plain").mkdir()
    (tmp_path / "doubled").mkdir()
    plain = treeage.estimate_ages(read(tmp_path / "plain", tables)).to_frame()
    tables["trees"] = tables["trees"].assign(**{column: 3})
    field = read(tmp_path / "doubled", tables)
    pd.testing.assert_frame_equal(treeage.estimate_ages(field).to_frame(), plain)
    assert main(["check", str(tmp_path / "doubled")]) == 0


# ------------------------------------------------------------------ trees that were not cored


def test_trees_measured_by_design_are_not_refused(tmp_path):
    """Most trees have a diameter only: a status of its own, one note, no list, and a methods text that says so."""
    tables = grown("pith", count=8)
    more = pd.DataFrame({"tree": [f"D{at:03d}" for at in range(32)], "species": SPRUCE, "dbh_cm": 30.0})
    field = read(tmp_path, tables | {"trees": pd.concat([tables["trees"], more])}, NO_HEIGHT)
    assert note_text(field).count("without a core") == 1 and "32 trees without a core (D000, D001, D002" in note_text(
        field
    )
    ages = treeage.estimate_ages(field)
    assert row_account(ages).loc["trees"].to_dict()[Status.NOT_CORED] == 32
    assert not ages.accounting["reason"].astype(bool).any()
    text = methods_text(ages)
    assert "8 cores from 8 trees were read" in text and "32 trees more were measured, not cored" in text
    assert "refused" not in text


# ------------------------------------------------------------------ outer rings lost


def lost(tmp_path, **core):
    """Ages of a tree whose outer rings are lost, and of one with its bark."""
    tables = grown("pith", count=2)
    tables["cores"] = tables["cores"].astype(object)
    for name, value in {"outer_end": "lost", **core}.items():
        tables["cores"].loc[0, name] = value
    return treeage.estimate_ages(read(tmp_path, tables, NO_HEIGHT))


def test_lost_rings_without_a_number_leave_the_age_open_in_every_face(tmp_path):
    """Sentence, table, notebook, screen and page say that the tree lived on."""
    ages = lost(tmp_path)
    assert "lived on" in ages["T00"].sentence() and "lived on" not in ages["T01"].sentence()
    assert ages.to_frame()["flags"].str.contains("outer_rings_unknown").tolist() == [True, False]
    assert "lived on" in ages["T00"]._repr_html_()
    assert "T00" in " ".join(ages.cautions)


def test_lost_rings_with_a_number_are_no_flag(tmp_path):
    """Negative control: the number enters the age, as before."""
    ages = lost(tmp_path, outer_lost=10, outer_lost_sd=3)
    assert Flag.OUTER_RINGS_UNKNOWN not in ages["T00"].flags and "lived on" not in ages["T00"].sentence()


def test_a_mate_with_bark_closes_the_age(tmp_path):
    """The age runs to the core that holds the bark."""
    tables = grown("pith", count=1)
    mate = tables["cores"].assign(core="b", outer_end="lost", outer_year=2005)
    tables["cores"] = pd.concat([tables["cores"].assign(outer_end="bark"), mate])
    ages = treeage.estimate_ages(read(tmp_path, tables, NO_HEIGHT))
    assert Flag.OUTER_RINGS_UNKNOWN not in ages["T00"].flags


# ------------------------------------------------------------------ advice


def test_a_file_in_use_is_never_offered(tmp_path):
    """Without trees.csv, cores.csv stays what it is; a file of the same stem comes first, then one of a near name."""
    write(tmp_path, {"cores": good_tables()["cores"]})
    with pytest.raises(InputError) as caught:
        read_field(tmp_path)
    assert "Put trees.csv into" in str(caught.value) and "Rename cores.csv" not in str(caught.value)
    good_tables()["trees"].to_csv(tmp_path / "tree.csv", index=False)
    with pytest.raises(InputError, match=r"Rename tree\.csv to trees\.csv"):
        read_field(tmp_path)
    good_tables()["trees"].to_csv(tmp_path / "Trees.CSV", index=False)
    with pytest.raises(InputError, match=r"Rename Trees\.CSV to trees\.csv"):
        read_field(tmp_path)


def test_a_broken_toml_file_keeps_its_line(tmp_path):
    """Line 3 is named as row 3, and shown."""
    found = faults(tmp_path, good_tables(), "field.toml, row 3", '[site]\nname = "A"\nhemisphere = north\n')
    assert found["row"].tolist() == [3]
    assert found["got"][0].startswith("hemisphere = north (")


@pytest.mark.parametrize(
    ("core", "match"),
    [
        ({"inner_end": "no pith"}, r"got no pith, need one of .*\. Choose one of the list"),  # never the opposite
        ({"dating": "not crossdated"}, r"got not crossdated, need one of .*\. Choose one of the list"),
        ({"dating": "crossdatd"}, r"Did you mean crossdated\?"),
    ],
)
def test_a_denial_is_never_taken_for_what_it_denies(tmp_path, core, match):
    """A word that begins with no or not is not near the word without it."""
    faults(tmp_path, changed({("cores", 0, name): word for name, word in core.items()}), match)


def test_a_cell_at_fault_is_told_once(tmp_path):
    """What is missing only because it could not be read is no second fault."""
    tables = changed({("cores", 0, "rise_mm"): "0,4", ("seedlings", 0, "height_m"): "20 cm"})
    found = faults(tmp_path, tables, "Write the number alone, in m: 0.2")
    assert found["column"].tolist() == ["rise_mm", "height_m"]


def test_a_remark_below_the_table_is_one_fault(tmp_path):
    """And the sum of a column, where most of the row is empty."""
    tables = good_tables()
    tables["cores"] = pd.concat([tables["cores"], pd.DataFrame({"tree": ["B02"], "core": ["all good"]})])
    found = faults(tmp_path, tables, r"row 5, tree B02, core all good: got a row without outer_year, .* a remark\.")
    assert len(found) == 1


@pytest.mark.parametrize(
    ("name", "factor", "advice"),
    [
        ("height_cm", 100, "Multiply height_cm by 0.01 and name it core_height_m"),
        ("Height (cm)", 100, "Multiply Height (cm) by 0.01 and name it core_height_m"),
        ("height", 1, "Rename height to core_height_m"),
    ],
)
def test_a_needed_column_in_another_unit_is_never_only_renamed(tmp_path, name, factor, advice):
    """One step that leads to the right number."""
    tables = good_tables()
    tables["cores"] = tables["cores"].rename(columns={"core_height_m": name})
    tables["cores"][name] *= factor
    faults(tmp_path, tables, re.escape(advice))


def test_column_names_that_differ_by_case_and_signs(tmp_path):
    """All names of a header at once; young trees in columns of other names are told once what to do."""
    tables = good_tables()
    tables["trees"] = tables["trees"].set_axis(["Tree", "Species", "DBH (cm)", "Bark mm"], axis=1)
    faults(tmp_path, tables, r"Rename Tree to tree, Species to species, DBH \(cm\) to dbh_cm, Bark mm to bark_mm\.")


def test_a_species_in_other_letters_is_never_passed_over(tmp_path):
    """A height model or young tree of a name that differs by case alone would go unused: a note is not enough."""
    toml = '[site]\nhemisphere = "north"\n[height."larix decidua"]\nmodel = "none"\n'
    told = r'height."larix decidua": got larix decidua, need Larix decidua, as in the trees table\. Write it the same\.'
    faults(tmp_path, good_tables(), told, toml)
    edits = {("seedlings", 0, "species"): "Larix  decidua"}
    faults(tmp_path, changed(edits), "seedlings.csv, species: got Larix  decidua, need Larix decidua, as in the trees")
    assert "got Larix kaempferi, need a species of the trees table" in note_text(  # another species may be meant
        read(tmp_path, changed({("seedlings", 0, "species"): "Larix kaempferi"}))
    )


def test_a_year_without_its_century_is_asked_about(tmp_path):
    """A note, because trees of the first century are possible."""
    told = note_text(read(tmp_path, changed({("cores", 2, "outer_year"): 20})))
    assert "got 20, need mostly 1000 to 2100 [year]. Write the century too" in told


@pytest.mark.parametrize(("column", "lacks"), [("core_length_mm", "core length"), ("dbh_cm", "diameter")])
def test_what_a_lost_inner_end_lacks_is_named(tmp_path, column, lacks):
    """Only what is missing: the other was measured."""
    table = "trees" if column == "dbh_cm" else "cores"
    edits = {(table, -1, column): "", ("cores", 2, "inner_end"): "rot", ("trees", -1, "bark_mm"): ""}
    tables = {name: frame for name, frame in changed(edits).items() if name in ("trees", "cores")}
    assert f"got rot without {lacks}, need" in note_text(read(tmp_path, tables))


@pytest.mark.parametrize(
    ("words", "near"),
    [
        (["estimat", "x"], "estimate"),
        (["estimate", "x", "--crosdating"], "--crossdating"),
        (["check", "x", "--crossdat1ng"], "--crossdating"),
    ],
)
def test_the_nearest_command_or_option_is_named(capsys, words, near):
    """Code 2, and what was probably meant."""
    with pytest.raises(SystemExit) as caught:
        main(words)
    assert caught.value.code == 2
    assert f"Did you mean {near}?" in capsys.readouterr().err


def test_the_nearest_folder_and_function_are_named(tmp_path):
    """A slip of the pen in a folder or a name of the package."""
    (tmp_path / "highpasture").mkdir()
    with pytest.raises(InputError, match=r"Did you mean .*highpasture\?"):
        read_field(tmp_path / "higpasture")
    with pytest.raises(AttributeError, match="did you mean read_field"):
        treeage.read_feild  # noqa: B018


def test_a_figure_without_a_source_is_noted(tmp_path):
    """Own means and quantiles should say where they are from; with a source there is no note."""
    own = '[height.default]\nmodel = "mean_sd"\nheight_m = 1.0\nmean_years = 9\nsd_years = 3\ncounts = "rings"\n'
    assert "got no source" in note_text(read(tmp_path, good_tables(), own))
    assert "got no source" not in note_text(read(tmp_path, good_tables(), own + 'source = "Sections, 2019"\n'))


def test_advice_on_years_names_figures_of_ones_own(tmp_path):
    """Who has no seedlings may still write a mean or quantiles."""
    ages = treeage.estimate_ages(read(tmp_path, good_tables(), NO_HEIGHT))
    assert ages.notes["do"].str.contains('"mean_sd" or "quantiles"', regex=False).any()


# ------------------------------------------------------------------ lines and flags


def test_the_account_names_true_lines(tmp_path):
    """Blank lines count, as they do in an editor."""
    tables = {name: good_tables()[name] for name in ("trees", "cores")}
    tables["cores"].loc[:, ["inner_end", "chord_mm", "rise_mm", "core_length_mm"]] = ["rot", np.nan, np.nan, np.nan]
    write(tmp_path, tables)
    lines = (tmp_path / "cores.csv").read_text().splitlines()
    (tmp_path / "cores.csv").write_text("\n".join([lines[0], "", lines[1], "", "", *lines[2:], ""]))
    account = treeage.estimate_ages(read_field(tmp_path)).accounting
    assert account.query("table == 'cores'")["row"].tolist() == [3, 6, 7]  # hand count
    assert account.query("table == 'trees'")["row"].tolist() == [2, 3]


def test_flags_only_for_what_moved_the_date(tmp_path):
    """A core at the pith needs no diameter and no bark; one beside the pith does."""
    tables = grown("pith", count=2)
    tables["trees"] = tables["trees"].drop(columns="bark_mm")
    tables["cores"].loc[1, "inner_end"] = "no_arcs"
    ages = treeage.estimate_ages(read(tmp_path, tables, NO_HEIGHT))
    assert {Flag.BARK_FROM_PUBLISHED_SHARE, Flag.DIAMETER_FROM_BREAST_HEIGHT} <= set(ages["T01"].flags)
    assert not {Flag.BARK_FROM_PUBLISHED_SHARE, Flag.DIAMETER_FROM_BREAST_HEIGHT} & set(ages["T00"].flags)


def test_a_vague_mate_flags_nothing(tmp_path):
    """A second core that ends at rot says a hundred times less than the one at the pith."""
    tables = grown("pith", count=1)
    mate = tables["cores"].assign(core="b", inner_end="rot", core_length_mm=60.0, rings_counted=20)
    tables["cores"] = pd.concat([tables["cores"], mate])
    flags = treeage.estimate_ages(read(tmp_path, tables, NO_HEIGHT))["T00"].flags
    assert not {Flag.DISTANCE_FROM_RADIUS, Flag.INNER_END_LOST} & set(flags)


# ------------------------------------------------------------------ methods


def test_methods_keep_what_nobody_checked_out_of_the_running_text(tmp_path):
    """A figure not held against its publication stands once, under what the author has to verify."""
    toml = '[site]\nhemisphere = "north"\n[height.default]\nmodel = "published"\nname = "subalpine fir"\n'
    text = methods_text(treeage.estimate_ages(read(tmp_path, grown("pith", count=3), toml)))
    body, _, rest = text.partition("## To be verified by the author")
    assert "memory" not in text and "subalpine fir" in rest and "Silvics of North America" in rest
    assert "subalpine fir" in body  # it is used, and named as used
    plain = methods_text(treeage.estimate_ages(read(tmp_path, grown("pith", count=3), NO_HEIGHT)))
    assert "To be verified by the author" not in plain


# ------------------------------------------------------------------ per hectare


def sampled(rng, count=200):
    """A stand of trees with diameters, and the fifth that was cored: large trees five times as likely."""
    size = rng.uniform(8, 60, count)
    table = pd.DataFrame({"tree": [f"T{at:03d}" for at in range(count)], "species": SPRUCE, "dbh_cm": size})
    chance = np.where(size > 34, 5.0, 1.0)
    cored = rng.choice(count, 40, replace=False, p=chance / chance.sum())
    return table.assign(trees_per_ha=np.where(size > 34, 10.0, 25.0)).set_index("tree"), np.sort(cored)


@pytest.mark.parametrize("seed", range(5))
def test_figures_per_hectare_cover_all_trees(seed):
    """Sums of the raised weights are those of all trees, class by class; the cored fifth alone was a fifth."""
    table, cored = sampled(np.random.default_rng(seed))
    names = [table.index[at] for at in cored]
    own = table["trees_per_ha"].to_numpy()[cored]
    raised, told, even = stand._covering(table, names, own)
    total = table["trees_per_ha"].sum()
    assert raised.sum() == pytest.approx(total)  # all trees of the table
    assert own.sum() < 0.3 * total
    large = table["dbh_cm"] > 34
    truth, got = table["trees_per_ha"][large].sum(), raised[large.to_numpy()[cored]].sum()
    assert got == pytest.approx(truth)  # they were cored five times as often: without classes up to 2.7 times as many
    assert f"cover {total:.0f} of {total:.0f} trees per ha" in told and "160" in told
    assert not even and f"Effective number of trees: {raised.sum() ** 2 / (raised**2).sum():.0f} of 40." in told


def test_a_species_without_a_dated_tree_is_said_to_be_left_out():
    """Nothing stands for it."""
    table, cored = sampled(np.random.default_rng(1))
    table.loc[table.index.difference(table.index[cored])[:10], "species"] = "Larix decidua"
    names = [table.index[at] for at in cored]
    _, told, _ = stand._covering(table, names, table["trees_per_ha"].to_numpy()[cored])
    assert re.search(r"\d+ per ha of species without a dated tree are left out", told)


@pytest.mark.slow
def test_both_readings_of_the_pulses_stand_side_by_side():
    """Where weights leave little evidence; equal weights leave one reading."""
    rng = np.random.default_rng(3)
    years = np.sort(np.concatenate([rng.normal(1850, 4, 20), rng.normal(1920, 4, 20)]))
    draws = np.round(years + rng.normal(0, 4, (400, 40)))

    class Dated:
        prob, events = 0.9, pd.DataFrame({"year": [], "event": []})
        trees = tuple(f"T{at:02d}" for at in range(40))
        tree_table = pd.DataFrame({"tree": trees, "trees_per_ha": np.where(np.arange(40) % 4, 1.0, 40.0)})

        def draws(self, n, *, seed=0):
            import xarray

            return xarray.DataArray(draws[:n], dims=("draw", "tree"))

        def __getitem__(self, tree):
            class Answer:
                last_year, date_refers_to = 2020, "root collar"

            return Answer

    uneven = treeage.stand_history(Dated(), count=400)
    assert uneven.pulses_unweighted is not None and "Each dated tree counted once instead:" in uneven.sentence()
    assert uneven.pulses_unweighted.number == 2  # as made
    assert "pulses_unweighted" in uneven.tables()
    Dated.tree_table = Dated.tree_table.assign(trees_per_ha=5.0)
    assert treeage.stand_history(Dated(), count=400).pulses_unweighted is None


def test_frames_count_rows_from_one():
    """Frames have no header line."""
    tables = grown("pith", count=2)
    account = treeage.estimate_ages(Field.from_frames(tables["trees"], tables["cores"])).accounting
    assert account.query("table == 'cores'")["row"].tolist() == [1, 2]
