"""What `estimate` would refuse in the height models of field.toml is said by the checks of the folder."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from field_cases import TOML, faults, good_tables, note_text, read

from treeage.cli import main
from treeage.errors import InputError, ModelError
from treeage.height import early_heights, from_curve, from_published, height_model, published_curves
from treeage.schema import FEWEST_YOUNG_TREES, HEIGHT_MODEL_KEYS, height_faults
from treeage.schema.limits import published_names

LARCH = '[height."Larix decidua"]\n'


@pytest.mark.parametrize(
    ("keys", "match"),
    [
        (
            "model = 'mean_sd'",
            r"mean_years: got nothing, need mean_years, as model 'mean_sd' needs height_m, mean_years",
        ),
        ("model = 'quantiles'\nheight_m = 1", r"probs: got nothing, need probs, as model 'quantiles' needs"),
        ("model = 'published'", r"name: got nothing, need name, as model 'published' needs name"),
        ("model = 'published'\nname = 'subalpine fur'", r"name: got subalpine fur, .* Did you mean subalpine fir\?"),
        (
            "model = 'published'\nname = 'black spruce buried collar'",
            r"name: got black spruce buried collar, need one of",
        ),
        ("model = 'curve'\nname = 'quaking aspen'", r"site_index: got nothing, need site_index"),
        ("model = 'curve'\nname = 'quaking aspen'\nsite_index = 70", r"site_index: got 70, .*feet: write 21.3"),
        ("model = 'curve'\nname = 'quaking aspen'\nsite_index = 1e3", r"site_index: got 1000, .*another height model"),
        ("model = 'curve'\nname = 'douglas-fir king'\nsite_index = 30", r"name: got douglas-fir king, need one of"),
        ("model = 'none'\nyears = 3", r"years: got years, need for model 'none' only model. Leave it out"),
        ("model = 'seedlings'\nsamplin = 'standing'", r"samplin: got samplin, need .* Did you mean sampling\?"),
        (
            "model = 'seedlings'\nsampling = 'random'",
            r"sampling: got random, need one of passing, age, height, standing",
        ),
        ("model = 'seedlings'\ntip = true", r"tip: got True, need one of end_of_season, within_season"),
        ("model = 'mean_sd'\nheight_m = 1\nmean_years = 'ten'\nsd_years = 3", r"mean_years: got ten, .* \[years\]"),
        ("model = 'mean_sd'\nheight_m = 1\nmean_years = 9\nsd_years = 0", r"sd_years: got 0, need a number above 0"),
        (
            "model = 'mean_sd'\nheight_m = true\nmean_years = 9\nsd_years = 3",
            r"height_m: got True, need a number above",
        ),
        ("model = 'mean_sd'\nheight_m = inf\nmean_years = 9\nsd_years = 3", r"height_m: got inf, need a number above"),
        (
            "model = 'mean_sd'\nheight_m = 1\nmean_years = 9\nsd_years = 3\nshared_share = 2",
            r"shared_share: got 2, need 0 to 1 \[share of the variance\]",
        ),
        (
            "model = 'mean_sd'\nheight_m = 1\nmean_years = 9\nsd_years = 3\nsource = ''",
            r"source: got an empty cell, need a text in quotes",
        ),
        (
            "model = 'quantiles'\nheight_m = 1\nprobs = [0.1, 0.9]\nyears = [9, 4]",
            r"probs and years: got \[0.1, 0.9\] and \[9.0, 4.0\], need at least two of each",
        ),
        ("model = 'quantiles'\nheight_m = 1\nprobs = 0.5\nyears = [9]", r"probs: got 0.5, need a list of numbers"),
        (
            "model = 'quantiles'\nheight_m = 1\nprobs = [0.5]\nyears = [9]",
            r"probs and years: got .* need at least two of each",
        ),
    ],
)
def test_wrong_keys_are_faults_of_the_folder(keys: str, match: str, tmp_path: Path) -> None:
    """A key that is missing, too many or of the wrong kind stops the reading and names the species; so does `check`."""
    toml = TOML + LARCH + keys + "\n"
    faults(tmp_path, good_tables(), rf'field.toml, height."Larix decidua".{match}', toml)
    assert main(["check", str(tmp_path)]) == 2


def test_all_species_are_told_at_once(tmp_path: Path) -> None:
    """Three wrong species give the faults of three species, a species without trees included."""
    toml = TOML + LARCH + "model = 'mean_sd'\n[height.default]\nmodel = 'curve'\n[height.Salix]\nmodel = 'published'\n"
    found = faults(tmp_path, good_tables(), "6 faults in field.toml", toml)
    assert found["column"].tolist() == [
        *(f'height."Larix decidua".{key}' for key in ("height_m", "mean_years", "sd_years")),
        *(f"height.default.{key}" for key in ("name", "site_index")),
        'height."Salix".name',
    ]


def test_young_trees_are_counted_while_reading(tmp_path: Path) -> None:
    """The number of usable rows, the species and the columns are named, for both kinds of young trees."""
    toml = TOML + LARCH + "model = 'seedlings'\n[height.default]\nmodel = 'two_heights'\n"
    found = faults(tmp_path, good_tables(), "2 faults in field.toml", toml)
    assert found[["column", "item"]].to_numpy().tolist() == [
        ['height."Larix decidua"', ""],
        ["height.default", "Picea abies"],
    ]
    young, pairs = found["got"]
    assert (
        young == "2 young trees of this species with height_m, age_years in seedlings.csv"
    )  # two whole rows, hand sum
    assert pairs.startswith("0 trees counted at two heights of this species with low_height_m, low_rings")
    assert found["need"].tolist() == [f"at least {FEWEST_YOUNG_TREES}, 20 or more are better"] * 2


def test_young_trees_of_a_species_without_trees_are_not_asked_for(tmp_path: Path) -> None:
    """A section that no tree uses is noted as before, and needs no young trees."""
    assert "got Salix, need a species of the trees table" in note_text(
        read(tmp_path, good_tables(), TOML + '[height."Salix"]\nmodel = "seedlings"\n')
    )


def test_cores_far_above_the_tallest_young_tree(tmp_path: Path) -> None:
    """What the height model refuses (three times the tallest young tree) is a fault of the core's row.

    Where no model is named open data reach higher: nothing is refused.
    """
    tables = good_tables()
    tables["seedlings"] = pd.DataFrame(
        {"species": "Larix decidua", "height_m": [0.1, 0.15, 0.2, 0.25, 0.3], "age_years": [2, 3, 4, 5, 6]}
    )
    named = TOML + LARCH + "model = 'seedlings'\n"
    found = faults(tmp_path, tables, r"core_height_m: got 1, need below 0.9 \[m\], 3 times the height", named)
    assert found["row"].tolist() == [2, 3]  # the two cores of the larch
    with pytest.raises(ModelError, match=r"need below 0.9 \[m\]"):
        height_model({"model": "seedlings"}, seedlings=tables["seedlings"]).years(1.0)  # the engine says the same
    assert "3 times the height" not in note_text(read(tmp_path, tables, TOML))


def test_settings_in_python_are_checked_as_well() -> None:
    """The same faults for settings that never were a file."""
    assert [fault.got for fault in height_faults("seedlings")] == ["seedlings"]  # type: ignore[arg-type]
    assert height_faults({"model": "mean_sd", "height_m": 1.0, "mean_years": 8, "sd_years": 3, "source": "S"}) == []
    assert height_faults({"model": "quantiles", "height_m": 1.0, "probs": (0.1, 0.9), "years": [4, 14]}) == []


def test_names_are_those_that_the_models_take() -> None:
    """Each name of the checks makes a model; each name that is left out does not (oracle: the models themselves)."""
    assert set(published_names("published")) <= set(early_heights())
    for name in early_heights():
        if name in published_names("published"):
            assert from_published(name).name == name
        else:
            with pytest.raises(ModelError, match="buried collar"):
                from_published(name)
    for name, curve in published_curves().items():
        middle = (curve.site_low_m + curve.site_high_m) / 2
        if name in published_names("curve"):
            assert published_names("curve")[name] == (curve.site_low_m, curve.site_high_m)
            assert not from_curve(name, middle).is_none
        else:
            with pytest.raises(ModelError, match="counts from the collar"):
                from_curve(name, middle)


def test_the_table_of_keys_is_one(tmp_path: Path) -> None:
    """Every model word is known to the checks of the file."""
    for word in HEIGHT_MODEL_KEYS:
        if word in ("none", "open_data"):
            assert read(tmp_path, good_tables(), TOML + LARCH + f"model = '{word}'\n").settings.height
            continue
        with pytest.raises(InputError, match=r"nothing|at least 5"):
            read(tmp_path, good_tables(), TOML + LARCH + f"model = '{word}'\n")
