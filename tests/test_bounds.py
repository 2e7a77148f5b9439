"""What sets the size of an array has a bound, and what cannot be read, shown or computed is said."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from field_cases import TOML, good_tables, read, write

import treeage
from treeage.cli import main
from treeage.errors import Fault, InputError, ModelError
from treeage.height import height_model, years_from_open_data
from treeage.results import MOST_DRAWN
from treeage.tables import Field, Settings, csv_bytes, files, is_formula, read_field

FIGURE = '[height.default]\nmodel = "mean_sd"\nheight_m = 1.0\n'


def note_text(field):
    """All notes of a field, one a line."""
    return "\n".join(f"{row['file']}: {row['got']}. {row['do']}" for row in field.notes.to_dict("records"))


@pytest.mark.parametrize(
    ("toml", "match"),
    [
        (FIGURE + "mean_years = 1e7\nsd_years = 3", "mean_years: got 1e.07, need a number above 0 and at most 2000"),
        (FIGURE + "mean_years = 8\nsd_years = 1e5", "sd_years: got 100000, need .*at most 2000"),
        ('[height.default]\nmodel = "quantiles"\nheight_m = 1\nprobs = [0.1, 0.9]\nyears = [1, 1e9]', "up to 2000"),
        ('[height.default]\nmodel = "open_data"\nera_log_sd = 30', "era_log_sd: got 30, need a number from 0 to 3"),
        ("[site]\nshrinkage_percent = 0x" + "f" * 9000, "got a number beyond all bounds, need a number from 0 to 25"),
        ('[defaults]\ncore_height_m = "high"', "defaults.core_height_m: got high, need a number from 0 to 3"),
        ('[site]\nname = "a\\u001b[31m"', r"site.name: got a\\x1b\[31m, need a text in quotes, without control"),
    ],
)
def test_settings_beyond_their_bounds(tmp_path, toml, match):
    """Also the default of a column that is there; control characters are written out."""
    site = "" if toml.startswith("[site]") else TOML
    with pytest.raises(InputError, match=match):
        read(tmp_path, good_tables(), site + "\n" + toml)


def test_a_height_model_beyond_all_trees_is_refused_and_its_tail_cut():
    """Half of the times beyond 10,000 years: an error; a tail beyond: it counts as that, and the masses add to 1."""
    with pytest.raises(ModelError, match="need at most 10000 years"):
        height_model({"model": "mean_sd", "height_m": 0.001, "mean_years": 1000, "sd_years": 2}).years(1.0)
    wide = height_model({"model": "mean_sd", "height_m": 0.001, "mean_years": 10, "sd_years": 5}).years(1.0)
    assert wide.stop == 10_000
    assert wide.mass.sum() == pytest.approx(1) and np.isfinite(wide.mass).all()


def test_draws_have_a_bound():
    """In all, and on the command line; a number of draws is a whole number."""
    ages = treeage.estimate_ages(small())
    for count, match in ((MOST_DRAWN + 1, f"need at most {MOST_DRAWN}"), (0, "got 0"), (1.5, "got 1.5"), ("x", "'x'")):
        with pytest.raises(InputError, match=match):
            ages.draws(count)


def small(tree="A1", **core):
    """A field of one tree."""
    trees = pd.DataFrame({"tree": [tree], "species": ["Larix decidua"]})
    row = {"tree": tree, "core": "a", "outer_year": 2020, "rings_counted": 90, "core_height_m": 1.0}
    return Field.from_frames(trees, pd.DataFrame([row | {"dating": "crossdated", "inner_end": "pith"} | core]))


def test_a_parquet_file_is_asked_its_size_before_it_is_unpacked(tmp_path, monkeypatch):
    """Thirty million equal rows pack into next to nothing."""
    write(tmp_path, good_tables(), TOML)
    (tmp_path / "rings.csv").unlink()
    pd.DataFrame({"tree": ["A17"] * 5000, "core": "a", "ring": 1, "width_mm": 1.0}).to_parquet(
        tmp_path / "rings.parquet"
    )
    monkeypatch.setattr(files, "MOST_ROWS", 4999)
    monkeypatch.setattr(files.pd, "read_parquet", lambda *_: pytest.fail("it was unpacked"))
    with pytest.raises(InputError, match=r"rings.parquet: got 5000 rows and 0 MB, need at most 4999 rows"):
        read_field(tmp_path)


@pytest.mark.parametrize("text", ["A\x1b[31m", "A\x07", "A\u202eB", "A\u2028B", "A\x00"])
def test_names_that_steer_a_terminal_are_refused(text):
    """Escape, bell, turned writing, line breaks: refused, and the message itself is plain."""
    with pytest.raises(InputError, match="got a control character in A") as caught:
        small(tree=text)
    assert all(sign.isprintable() or sign == "\n" for sign in str(caught.value))
    assert small(tree="Ä 7\u00a0ł").trees["tree"].tolist() == ["Ä 7\u00a0ł"]  # control: letters of any script


def test_a_fault_shows_no_control_character():
    """Whatever stands in the cell."""
    fault = Fault("\x1b[2J", "a\u202e", "do\x07", "f\n", 1, "c\x9b", "i\x00")
    assert fault.line().isprintable()
    assert "\\x1b[2J" in fault.line()


def test_names_like_formulas_are_quoted_in_csv_and_noted():
    """Only where a spreadsheet would compute: a plain number is none."""
    field = small(tree="=1+1")
    assert "=1+1. Nothing; in the CSV files written a ' stands before it." in note_text(field)
    table = treeage.estimate_ages(field).to_frame()
    assert csv_bytes(table).decode().splitlines()[1].startswith("'=1+1,")
    assert [is_formula(text) for text in ("@A", "+A", "-A", "-3", "+2.5", "A=", "")] == [True, True, True, *[False] * 4]


def test_what_has_the_name_of_a_table_and_cannot_be_read_is_said(tmp_path):
    """A link that leads nowhere and a folder are faults, a packed table a note."""
    write(tmp_path, good_tables(), TOML)
    for name in ("events.csv", "arcs.csv"):
        (tmp_path / name).unlink(missing_ok=True)
    (tmp_path / "events.csv").symlink_to("nowhere.csv")
    (tmp_path / "arcs.csv").mkdir()
    with pytest.raises(InputError) as caught:
        read_field(tmp_path)
    assert caught.value.faults[["file", "got"]].to_numpy().tolist() == [
        ["arcs.csv", "a folder"], ["events.csv", "a link that leads nowhere"]]  # fmt: skip
    (tmp_path / "events.csv").unlink()
    (tmp_path / "arcs.csv").rmdir()
    (tmp_path / "events.csv.gz").write_bytes(b"")
    assert "events.csv.gz: a packed file, which is not read. Unpack it." in note_text(read_field(tmp_path))


@pytest.mark.parametrize("value", [None, 3, [], np.zeros(3), "", "a\0b", b"x"])
def test_a_place_is_a_name(value):
    """Not a table, not nothing: an InputError that shows it."""
    for call in (read_field, treeage.formats.read_ring_file):
        with pytest.raises(InputError, match="need the name of a file or folder"):
            call(value)


def test_other_arguments_of_wrong_kind():
    """Frames, settings, masses, names."""
    field = small()
    for call in (
        lambda: Field.from_frames([1], field.cores),
        lambda: Field.from_frames(field.trees, field.cores, settings={}),
        lambda: treeage.Pmf(0, [1 + 2j]),
        lambda: treeage.Pmf("x", [1.0]),
        lambda: years_from_open_data(3, 1.0),
        lambda: treeage.arc_radius(1e300, 1.0),
        lambda: treeage.missing_rings_many([1.0], np.array(3.0)),
    ):
        with pytest.raises(InputError):
            call()


def test_answers_are_frozen_in_depth():
    """Settings, weights, tables and arrays: what a user does to what was given out reaches no answer."""
    settings = Settings(height={"default": {"model": "quantiles", "probs": [0.1, 0.9], "years": [4, 9], "height_m": 1}})
    with pytest.raises((TypeError, AttributeError)):
        settings.height["default"]["years"].append(3)
    ages = treeage.estimate_ages(small())
    before = ages.accounting
    for name in ("accounting", "notes", "sources", "tree_table", "events"):
        getattr(ages, name).insert(0, "new", 1)
        assert "new" not in getattr(ages, name)
    pd.testing.assert_frame_equal(ages.accounting, before)
    assert len(ages.notes) == len(dataclasses.replace(ages).notes) > 0
    for name in ("stand_weights", "height_weights", "settings", "extras"):
        with pytest.raises(TypeError):
            getattr(ages, name)["x"] = 1
    for weights in (*ages.stand_weights.values(), *ages.height_weights.values(), ages["A1"].date.mass):
        with pytest.raises(ValueError, match="read-only"):
            weights[0] = 1


def test_no_pith_is_younger_than_the_outer_ring():
    """A core that may be wrong leaves no mass on years in which the tree could not yet begin."""
    trees = pd.DataFrame({"tree": ["A1"], "species": ["Larix decidua"]})
    core = {"tree": "A1", "outer_year": 2020, "core_height_m": 0.0, "dating": "lab_count", "inner_end": "pith"}
    cores = pd.DataFrame([core | {"core": "a", "rings_counted": 9}, core | {"core": "b", "rings_counted": 8}])
    found = treeage.estimate_ages(Field.from_frames(trees, cores), prob=1 - 1e-9)["A1"]
    assert found.pith_year.stop <= 2020
    assert found.age.start >= 1


@pytest.mark.parametrize("nested", ["[" * 5000 + "]" * 5000, "{a=" * 5000 + "1" + "}" * 5000])
def test_settings_nested_without_end(tmp_path, nested):
    """A fault, whatever the reader runs out of."""
    with pytest.raises(InputError, match=r"field.toml: got brackets nested too deep, need a TOML file"):
        read(tmp_path, good_tables(), f"{TOML}x = {nested}")


def test_numbers_of_draws_beyond_all_memory(tmp_path, capsys):
    """Before the work begins, and nothing is written."""
    write(tmp_path, good_tables(), TOML)
    assert main(["estimate", str(tmp_path), "--out", str(tmp_path / "out"), "--draws", "100000000000"]) == 2
    assert "--draws: got 100000000000, need at least 1 and at most 1000000" in capsys.readouterr().err
    with pytest.raises(SystemExit) as caught:
        main(["estimate", str(tmp_path), "--draws", "1e11"])
    assert caught.value.code == 2 and "invalid int value: '1e11'" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_young_trees_of_five_hundred_years_keep_arrays_small(tmp_path):
    """Asked about, used as written, and no mass runs beyond 10,000 years."""
    tables = good_tables()
    heights = [0.2, 0.3, 0.5, 1.0] * 3
    tables["seedlings"] = pd.DataFrame({"species": "Larix decidua", "height_m": heights, "age_years": 500})
    models = '[height.default]\nmodel = "none"\n[height."Larix decidua"]\nmodel = "seedlings"\n'
    field = read(tmp_path, tables, TOML + models)
    assert "seedlings.csv: 500. Check it" in note_text(field) and "0.2 m in 500 years" in note_text(field)
    found = treeage.estimate_ages(field)["A17"]
    assert found.age.mass.size < 10_000 and found.age.median() > 300


@pytest.mark.parametrize("call", ["count_error", "years_to_height"])
def test_arguments_that_set_the_size_of_an_array(call):
    """The bounds of the columns and of field.toml hold for calls too."""
    calls = {
        "count_error": lambda: treeage.counting.count_error(80, "lab_count", outer_lost_sd=501),
        "years_to_height": lambda: treeage.years_to_height(1.0, mean_years=8, sd_years=2001),
    }
    with pytest.raises(InputError, match="got (501|2001), need at most (500|2000)"):
        calls[call]()
    with pytest.raises(InputError, match="need finite and above 0"):
        treeage.arc_radius(1e101, 1.0)


def test_settings_made_in_python_are_checked_like_the_file():
    """At once, with the words of the file."""
    with pytest.raises(InputError) as caught:
        Settings(hemisphere="up", breast_height_m=130, defaults=[], name="\x1b")
    assert caught.value.faults["column"].tolist() == [
        "site.name",
        "site.hemisphere",
        "site.breast_height_m",
        "defaults",
    ]


def test_words_of_a_command_line_steer_no_terminal(capsys):
    """What the parser does not know is shown written out."""
    with pytest.raises(SystemExit):
        main(["columns", "trees", "\x1b[31mX\x07"])
    assert r"unrecognized arguments: \x1b[31mX\x07" in capsys.readouterr().err
