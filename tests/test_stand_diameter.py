"""Tests of treeage.stand: ages of trees without cores."""

import numpy as np
import pytest

from treeage.errors import InputError, ModelError
from treeage.stand import age_from_diameter


def _cored(seed: int, count: int = 60, *, shared: float = 0.0, error_cm: float = 0.0, size: int = 400):  # type: ignore[no-untyped-def]
    """Cored and uncored trees of two species: age = c * diameter**0.8 with 20 % scatter."""
    rng = np.random.default_rng(seed)
    species = np.where(np.arange(2 * count) % 2, "pine", "larch")
    true = np.exp(rng.normal(np.log(30), 0.4, 2 * count))
    age = np.where(species == "pine", 8.0, 5.0) * true**0.8 * np.exp(rng.normal(0, 0.2, 2 * count))
    read = true + rng.normal(0, error_cm, 2 * count)
    date = 2024 - age + 1
    cored = date[:count] + rng.normal(0, 4, count) + rng.normal(0, shared)
    draws = cored + rng.normal(0, shared, (size, 1)) + rng.normal(0, 4, (size, count))
    return draws, read[:count], species[:count].tolist(), read[count:], species[count:].tolist(), date[count:]


def test_prediction_intervals_cover_single_trees() -> None:
    """90 % intervals hold about 90 % of uncored trees, with error in diameters and in dates."""
    hits = []
    for seed in range(12):
        draws, size, species, other, group, date = _cored(seed, shared=3.0, error_cm=2.0)
        model = age_from_diameter(draws, size, survey_year=2024, groups=species, diameter_sd_cm=2.0, seed=seed)
        frame = model.predict(other, group)
        age = 2024 - date + 1
        hits.append(np.mean((frame["age_lo"] <= age) & (age <= frame["age_hi"])))
    assert np.mean(hits) == pytest.approx(0.90, abs=0.035)  # nominal; 720 trees, stands vary


def test_groups_have_their_own_line() -> None:
    """Pooling two species that differ widens the scatter; groups find the factor between them."""
    draws, size, species, *_ = _cored(20, 100)
    model = age_from_diameter(draws, size, survey_year=2024, groups=species)
    frame = model.to_frame().set_index("group")
    ratio = np.exp(frame.loc["pine", "intercept"] - frame.loc["larch", "intercept"])
    assert ratio == pytest.approx(8 / 5, rel=0.12)  # simulated truth
    assert frame.loc["(all trees)", "scatter_sd"] > 1.2 * frame.loc["pine", "scatter_sd"]
    assert frame.loc["pine", "scatter_sd"] == pytest.approx(0.2, abs=0.05)  # simulated truth
    assert frame.loc["pine", "slope"] == frame.loc["larch", "slope"]


def test_shared_dating_error_reaches_all_uncored_trees() -> None:
    """The mean date of many uncored trees keeps the shared error of the cored ones."""
    draws, size, species, other, group, _ = _cored(21, 200, shared=8.0, size=2000)
    exact, _, _, _, _, _ = _cored(21, 200, shared=0.0, size=2000)
    spread = []
    for table in (draws, exact):
        model = age_from_diameter(table, size, survey_year=2024, groups=species)
        spread.append(model.draws(other, group).mean(axis=1).std())
    assert spread[0] > 7.0 and spread[1] < 4.0  # simulated truth: 8 years shared


def test_extrapolation_is_marked() -> None:
    """Beyond the cored diameters, and older than the oldest cored tree, predictions say so."""
    draws, size, species, *_ = _cored(22)
    model = age_from_diameter(draws, size, survey_year=2024, groups=species)
    frame = model.predict([200.0, 1.0, 30.0], ["pine", "pine", "pine"])
    assert "above the largest cored" in frame["extrapolated"][0]
    assert "below the smallest cored" in frame["extrapolated"][1]
    assert frame["extrapolated"][2] == ""
    biggest = float(np.max(size[np.array(species) == "larch"]))
    assert np.isfinite(model.predict([biggest], ["larch"])["age_median"].iloc[0])


def test_small_groups_use_the_line_of_all_trees() -> None:
    """An unknown species is predicted from all trees and the table says so."""
    draws, size, species, *_ = _cored(23)
    model = age_from_diameter(draws, size, survey_year=2024, groups=species)
    assert model.predict([30.0], ["yew"])["line"].tolist() == ["(all trees)"]


def test_linear_form() -> None:
    """The straight form recovers a straight relation."""
    rng = np.random.default_rng(24)
    size = rng.uniform(10, 60, 100)
    draws = 2024 - (10 + 3 * size + rng.normal(0, 5, 100)) + 1 + np.zeros((50, 1))
    frame = age_from_diameter(draws, size, survey_year=2024, form="linear").to_frame()
    assert frame["slope"].iloc[0] == pytest.approx(3.0, abs=0.15)  # simulated truth
    assert frame["scatter_sd"].iloc[0] == pytest.approx(5.0, abs=1.0)  # simulated truth


def test_faces_and_seed() -> None:
    """Same seed, same draws; sentence, HTML and plot exist."""
    from matplotlib.figure import Figure

    draws, size, species, other, group, _ = _cored(25)
    model = age_from_diameter(draws, size, survey_year=2024, groups=species, diameter_sd_cm=0.3)
    assert np.array_equal(model.draws(other, group, seed=4), model.draws(other, group, seed=4))
    assert "factor of" in model.sentence() and "<table" in model._repr_html_()
    ax = Figure().subplots()
    assert model.plot(ax=ax) is ax and ax.get_xlabel() == "Diameter [cm]"


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"form": "cubic"}, "got cubic, need power or linear"),
        ({"survey_year": 1500}, "need ages above 0"),
        ({"groups": ["a"]}, "got 60 diameters and 1 groups for 60 trees"),
    ],
)
def test_refusals(change: dict[str, object], match: str) -> None:
    """Each fault names the value and the need."""
    draws, size, *_ = _cored(26)
    options = {"survey_year": 2024, **change}
    with pytest.raises(InputError, match=match):
        age_from_diameter(draws, size, **options)  # type: ignore[arg-type]


def test_refusals_of_sizes() -> None:
    """Too few cored trees, and groups that do not match the new trees, are named."""
    draws, size, *_ = _cored(27)
    with pytest.raises(InputError, match="got 4 cored trees, need at least 5"):
        age_from_diameter(draws[:, :4], size[:4], survey_year=2024)
    with pytest.raises(InputError, match="got 1 groups, need one for each of 2 diameters"):
        age_from_diameter(draws, size, survey_year=2024).draws([20.0, 30.0], ["a"])


def test_diameters_that_do_not_differ_are_named() -> None:
    """Twelve trees of 30 cm, or two species of one diameter each, tell no line; nobody blames the draws."""
    draws = np.random.default_rng(1).normal(1900.0, 10.0, (50, 12))
    with pytest.raises(ModelError, match="got diameters that do not differ, need a range of diameters in a group"):
        age_from_diameter(draws, [30.0] * 12, survey_year=2000)
    with pytest.raises(ModelError, match="got diameters that do not differ"):
        age_from_diameter(draws, [30.0] * 6 + [20.0] * 6, survey_year=2000, groups=["a"] * 6 + ["b"] * 6)
    with pytest.raises(ModelError, match="got 0 % true variance"):
        age_from_diameter(draws, np.linspace(30.0, 30.1, 12), survey_year=2000, diameter_sd_cm=0.3)
    with pytest.raises(InputError, match="diameter_sd_cm: got -1, need finite and at least 0"):
        age_from_diameter(draws, np.linspace(20.0, 40.0, 12), survey_year=2000, diameter_sd_cm=-1.0)
    model = age_from_diameter(draws, np.linspace(20.0, 40.0, 12), survey_year=2000)
    assert model.predict([]).empty and model.draws([]).shape == (50, 0)
