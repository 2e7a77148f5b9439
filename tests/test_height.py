"""The front of the height step: settings, missing keys, young trees from tables, warnings."""

import pickle
import warnings

import numpy as np
import pandas as pd
import pytest

from treeage.errors import InputError, ModelError, ModelWarning, PriorWarning
from treeage.height import early_heights, height_model, years_to_height
from treeage.schema import HEIGHT_MODEL_KEYS

SETTINGS = [
    {"model": "mean_sd", "height_m": 1.0, "mean_years": 8, "sd_years": 3},
    {"model": "quantiles", "height_m": 1.0, "probs": [0.1, 0.9], "years": [4, 14]},
    {"model": "published", "name": "black spruce thin organic layer"},
    {"model": "curve", "name": "quaking aspen", "site_index": 21.0},
    {"model": "none"},
    {"model": "seedlings", "tip": "within_season"},
    {"model": "two_heights"},
    {"model": "open_data"},
]
TABLE = pd.DataFrame(
    {
        "species": "Larix decidua",
        "height_m": [0.1, 0.2, 0.3, 0.5, 0.8, 1.2] + [np.nan] * 6,
        "age_years": [2, 3, 5, 6, 9, 12] + [np.nan] * 6,
        "low_height_m": [np.nan] * 6 + [0.1] * 6,
        "low_rings": [np.nan] * 6 + [40.0, 41, 42, 43, 44, 45],
        "high_height_m": [np.nan] * 6 + [1.0] * 6,
        "high_rings": [np.nan] * 6 + [31.0, 33, 34, 33, 35, 38],
    }
)


@pytest.mark.parametrize("settings", SETTINGS, ids=lambda settings: settings["model"])
def test_every_model_word_makes_a_model(settings):
    """All words of the settings file work, pickle and give a mass function."""
    model = pickle.loads(pickle.dumps(height_model(settings, seedlings=TABLE, species="Larix decidua")))
    years = model.years(1.0)
    assert years.mass.sum() == pytest.approx(1.0)
    assert (years.median() == 0) == (settings["model"] == "none")


def test_every_model_word_is_in_the_tests():
    """No word without a check."""
    assert {settings["model"] for settings in SETTINGS} == set(HEIGHT_MODEL_KEYS)


def test_frames_and_mappings_of_arrays_are_the_same():
    """Rows that lack a value are passed over in both."""
    frame = height_model({"model": "seedlings"}, seedlings=TABLE)
    arrays = height_model(
        {"model": "seedlings"}, seedlings={"height_m": TABLE["height_m"][:6], "age_years": TABLE["age_years"][:6]}
    )
    assert frame.name == "6 young trees"
    np.testing.assert_array_equal(frame.passing_seasons(1.0), arrays.passing_seasons(1.0))
    nullable = height_model({"model": "two_heights"}, seedlings=TABLE.convert_dtypes())
    assert nullable.name == "6 two-height pairs"


def test_all_faults_of_the_settings_are_listed():
    """Unknown word, missing keys, keys too many."""
    with pytest.raises(ModelError, match=r"got guess, need one of seedlings, two_heights, mean_sd, quantiles"):
        height_model({"model": "guess"})
    with pytest.raises(ModelError, match="got nothing, need one of seedlings"):
        height_model({})
    with pytest.raises(
        ModelError, match="mean_years, as model 'mean_sd' needs height_m, mean_years, sd_years"
    ) as caught:
        height_model({"model": "mean_sd", "height_m": 1.0, "mean": 8})
    columns = ["height.mean_years", "height.sd_years", "height.mean"]  # the places in field.toml
    assert caught.value.faults["column"].tolist() == columns
    with pytest.raises(ModelError, match="got sampling, need for model 'none' only model"):
        height_model({"model": "none", "sampling": "standing"})


def test_missing_young_trees_are_named():
    """The table, the columns, and another way."""
    with pytest.raises(InputError, match="seedlings.csv.*got no column height_m, age_years, need young trees with"):
        height_model({"model": "seedlings"})
    with pytest.raises(InputError, match="got no column high_rings"):
        height_model({"model": "two_heights"}, seedlings=TABLE.drop(columns="high_rings"))
    with pytest.raises(InputError, match="got 0 young trees, need at least 5"):
        height_model({"model": "seedlings"}, seedlings=TABLE[6:])


def test_years_from_a_mean_and_sd():
    """The shortest way: a mean and sd at the coring height or at another one."""
    years = years_to_height(1.0, mean_years=8, sd_years=3)
    assert years.mean() == pytest.approx(8, abs=0.1)  # definition
    assert years_to_height(0.0, mean_years=8, sd_years=3).prob_at(0) == 1.0  # definition
    with pytest.warns(ModelWarning, match="0.5 m is outside the 0.75 to 1.25 m"):
        lower = years_to_height(0.5, mean_years=8, sd_years=3, stated_height_m=1.0)
    assert lower.mean() < years.mean()


def test_skewed_correction():
    """Median 8 with a geometric sd of 1.5: 90 % from 4.1 to 15.6 years."""
    model = height_model(
        {"model": "quantiles", "height_m": 1.0, "probs": [0.05, 0.5, 0.95], "years": [4.1, 8.0, 15.6], "counts": "time"}
    )
    low, high = np.quantile(model.passing_seasons(1.0), [0.05, 0.95])
    assert (low, high) == (pytest.approx(4.1, rel=0.05), pytest.approx(15.6, rel=0.05))  # closed form: 8 * 1.5**+-1.645


def test_warnings_name_what_is_wrong():
    """A published figure is a prior, a curve below 2 m is a model out of its range, a model of one's own is silent."""
    with pytest.warns(PriorWarning, match="from a published figure"):
        years_to_height(1.0, {"model": "published", "name": "black spruce thin organic layer"})
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        years_to_height(1.0, {"model": "curve", "name": "quaking aspen", "site_index": 21.0})
    assert all(issubclass(found.category, ModelWarning) for found in caught)
    assert "extrapolated below 2 m" in str(caught[0].message)
    assert "recalled, not read at the source" in str(caught[1].message)
    with pytest.warns(ModelWarning, match="age at coring height"):
        years_to_height(1.0, {"model": "none"})
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert years_to_height(1.0, height_model({"model": "seedlings"}, seedlings=TABLE)).median() > 5


def test_a_height_model_is_never_assumed():
    """Neither, both or half of the two ways is refused."""
    need = r"need a model, or mean_years with sd_years \[years\]"
    with pytest.raises(ModelError, match="got neither in full, " + need):
        years_to_height(1.0)
    with pytest.raises(ModelError, match="got neither in full, " + need):
        years_to_height(1.0, mean_years=8)
    with pytest.raises(ModelError, match="got both, " + need):
        years_to_height(1.0, {"model": "none"}, mean_years=8, sd_years=3)


def test_early_figures_are_all_usable_or_collar_years():
    """Every row of the shipped table makes a model, or is for the collar."""
    for name, entry in early_heights().items():
        if entry.use != "collar":
            model = height_model({"model": "published", "name": name})
            assert model.source == entry.source
            assert model.years(max(entry.valid_from_m, 0.5)).mean() > 0
