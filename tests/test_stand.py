"""Tests of treeage.stand: the whole history on the public faces of ages."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from made_up_ages import made_up_ages
from stand_cases import joint_draws

from treeage.errors import InputError, ModelWarning
from treeage.stand import stand_history


class _Ages:
    """Ages with chosen draws: trees of two species, one of them not dated."""

    prob = 0.9

    def __init__(self, draws: np.ndarray, weights: list[float] | None = None) -> None:
        import xarray

        count = draws.shape[1]
        self._draws = xarray.DataArray(draws, dims=("draw", "tree"))
        self.trees = [f"T{number}" for number in range(count)]
        size = 10 + 0.3 * (2024 - draws.mean(axis=0))
        self.tree_table = pd.DataFrame(
            {
                "tree": [*self.trees, "U1"],
                "species": ["larch", "pine"] * (count // 2) + ["larch"] * (count % 2) + ["pine"],
                "dbh_cm": [*size, 30.0],
                "trees_per_ha": [np.nan] * (count + 1) if weights is None else [*weights, np.nan],
            }
        )
        self.events = pd.DataFrame({"year": [1845.0, np.nan], "event": ["fire", "unknown year"]})

    def draws(self, n: int, *, seed: int = 0):  # type: ignore[no-untyped-def]
        """Joint draws, all of them."""
        return self._draws

    def __getitem__(self, tree: str) -> SimpleNamespace:
        return SimpleNamespace(last_year=2024)


@pytest.fixture(scope="module")
def cohort() -> _Ages:
    """60 trees that came after a fire in 1845."""
    rng = np.random.default_rng(1)
    return _Ages(joint_draws(rng.normal(1855, 5, 60), rng, size=800), [20.0] * 60)


def test_all_parts_of_a_cohort(cohort: _Ages) -> None:
    """One pulse after the fire, per hectare, with all tables."""
    history = stand_history(cohort)
    assert history.pulses.number == 1
    assert history.dates.shape[1] == 60 and np.median(history.dates) == pytest.approx(1855, abs=5)  # simulated truth
    assert history.structure.per_ha is not None and history.recruitment.unit == "trees per ha and year"
    tables = history.tables()
    assert set(tables) >= {"age_structure", "recruitment", "pulses", "origin", "events", "age_from_diameter"}
    assert tables["pulse_membership"]["tree"].tolist() == sorted(cohort.trees)
    assert tables["uncored_trees"]["tree"].tolist() == ["U1"]
    assert list(history.events.events) == ["fire"]  # type: ignore[union-attr]
    assert history.to_frame().equals(tables["age_structure"])
    assert any("have no date" in note for note in history.notes)


def test_faces(cohort: _Ages) -> None:
    """Repr, sentences, HTML and plot; same seed, same tables."""
    from matplotlib.figure import Figure

    history = stand_history(cohort, count=800, bin_years=5)
    assert repr(history) == "StandHistory(60 trees, 1 pulse, bins of 5 years)"
    assert any("cannot be read one by one" in text for text in history.sentences())
    assert "Survivors only" in history._repr_html_()
    assert history.sentence() == " ".join(history.sentences())
    with pytest.raises(ValueError, match="read-only"):
        history.recruitment.intensity[0, 0] = 1.0
    ax = Figure().subplots()
    assert history.plot(ax=ax) is ax
    again = stand_history(cohort, count=800, bin_years=5)
    assert all(again.tables()[name].equals(table) for name, table in history.tables().items())


def test_on_ages_of_the_package() -> None:
    """The results of the package satisfy the protocol; an empty tree table is no obstacle."""
    history = stand_history(made_up_ages(24), count=500)
    assert len(history.trees) == 24 and history.diameter is None and history.uncored.empty
    assert any("Every tree counts once" in note for note in history.notes)


def test_windows_that_are_not_over_are_told() -> None:
    """Of an event of 2000 the survey of 2024 saw 24 of 50 years; of one of 1845 all of them."""
    rng = np.random.default_rng(8)
    ages = _Ages(joint_draws(rng.uniform(1850, 1950, 12), rng, size=200))
    assert not any("had passed since" in note for note in stand_history(ages, most_pulses=0).notes)
    ages.events = pd.DataFrame({"year": [1845.0, 2000.0], "event": ["fire", "storm"]})
    history = stand_history(ages, most_pulses=0)
    assert any("Fewer than 50 years had passed since storm (2000): " in note for note in history.notes)
    assert any("too small to be cored" in note for note in history.notes)


def test_static_models_take_the_weights() -> None:
    """Trees per hectare reach the static models, and a note says which parts count each tree once."""
    rng = np.random.default_rng(3)
    years = rng.uniform(1800, 2000, 60)
    weights = np.where(years > 1950, 100.0, 25.0)
    draws = joint_draws(years, rng, size=300)
    history = stand_history(_Ages(draws, weights.tolist()), most_pulses=0, bin_years=20)
    plain = stand_history(_Ages(draws), most_pulses=0, bin_years=20)
    assert history.static is not None and plain.static is not None and history.static.per_ha
    assert (
        history.static.estimate["exponential"][1] > plain.static.estimate["exponential"][1] + 0.002
    )  # more young trees
    assert any("after events and age from diameter count each dated tree once" in note for note in history.notes)


def test_partial_weights_warn() -> None:
    """Weights for some trees only are not used, with a warning that names the numbers."""
    rng = np.random.default_rng(2)
    ages = _Ages(joint_draws(rng.uniform(1800, 1900, 20), rng, size=200), [20.0] * 10 + [float("nan")] * 10)
    with pytest.warns(ModelWarning, match="got 10 of 20 dated trees, need all of them or none"):
        history = stand_history(ages, most_pulses=0)
    assert history.structure.per_ha is None


@pytest.mark.parametrize("pulses", [-1, 1.5])
def test_a_number_of_pulses_that_is_none_is_named_and_not_the_ages(cohort: _Ages, pulses: float) -> None:
    """The ages are sound."""
    with pytest.raises(InputError, match=f"most_pulses: got {pulses}, need a whole number of at least 0") as caught:
        stand_history(cohort, most_pulses=pulses)  # type: ignore[arg-type]
    assert caught.value.faults["column"].tolist() == ["most_pulses"]


def test_too_few_trees() -> None:
    """Fewer than five dated trees tell no history."""
    with pytest.raises(InputError, match="got 3 dated trees, need at least 5"):
        stand_history(made_up_ages(3))


class _WithDead(_Ages):
    """The same with some trees that were dead when they were cored."""

    def __init__(self, draws: np.ndarray, dead: int, weights: list[float] | None = None) -> None:
        super().__init__(draws, weights)
        status = ["dead"] * dead + ["live"] * (draws.shape[1] - dead) + ["live"]
        self.tree_table = self.tree_table.assign(status=status)


def test_the_dead_are_no_part_of_what_tells_of_living_trees() -> None:
    """Ages of static models and of the line on diameter run to the survey, which dead trees did not see."""
    rng = np.random.default_rng(4)
    draws = joint_draws(rng.uniform(1800, 1980, 40), rng, size=200)
    history = stand_history(_WithDead(draws, 10), most_pulses=0, bin_years=20)
    living = stand_history(_Ages(draws[:, 10:]), most_pulses=0, bin_years=20)
    assert history.diameter is not None and living.diameter is not None
    assert sorted(history.diameter.cored_age) == sorted(living.diameter.cored_age)
    assert history.static is not None and living.static is not None
    assert history.static.counts.tolist() == living.static.counts.tolist()
    assert history.structure.counts.sum(axis=1).tolist() == [40.0] * 200  # they did establish
    assert "40 trees, 10 of them dead: half established" in history.recruitment.sentence()
    assert any("10 of the 40 dated trees were dead when cored" in note for note in history.notes)
    assert "30 living trees" in living.recruitment.sentence()
    assert not any("dead when cored" in note for note in living.notes)
    all_dead = stand_history(_WithDead(draws, 40), most_pulses=0, bin_years=20)
    assert all_dead.static is None and all_dead.diameter is None


def test_a_plantation_of_one_diameter_has_a_history() -> None:
    """Where diameters tell no age that part is left out, and said, not the whole history."""
    rng = np.random.default_rng(5)
    ages = _Ages(joint_draws(rng.uniform(1890, 1900, 14), rng, size=200))
    for sizes in (30.0, np.linspace(30.0, 30.4, 15)):
        ages.tree_table = ages.tree_table.assign(dbh_cm=sizes, species="larch")
        history = stand_history(ages, most_pulses=0)
        assert history.diameter is None and history.uncored.empty
        assert any("hardly differ" in note for note in history.notes)


def test_undated_trees_without_weight_are_not_said_to_be_stood_for() -> None:
    """Dated trees stand for others per hectare only where these have a weight and their species a date."""
    rng = np.random.default_rng(6)
    ages = _Ages(joint_draws(rng.uniform(1890, 1950, 12), rng, size=200), [20.0] * 12)
    more = ages.tree_table.iloc[[-1]]
    oak = more.assign(tree="U3", trees_per_ha=50.0, species="oak")
    ages.tree_table = pd.concat([ages.tree_table, more.assign(tree="U2", trees_per_ha=50.0), oak], ignore_index=True)
    notes = stand_history(ages, most_pulses=0).notes
    assert any(note.startswith("1 trees of the field have no date; in figures per hectare") for note in notes)  # U2
    assert any(note.startswith("2 trees of the field have no date and are left out") for note in notes)  # U1, U3


def test_the_order_of_trees_does_not_matter() -> None:
    """The same trees with their rows turned round: every table to the last digit."""
    rng = np.random.default_rng(7)
    draws = joint_draws(rng.uniform(1850, 1950, 12), rng, size=200)
    ages, turned = (_Ages(draws, [20.0, 50.0, 30.0] * 4) for _ in range(2))
    turned.trees, turned._draws = ages.trees[::-1], ages._draws[:, ::-1]
    more = ages.tree_table.iloc[[-1]].assign(tree="U2", dbh_cm=20.0, trees_per_ha=40.0)
    ages.tree_table = pd.concat([ages.tree_table, more], ignore_index=True)
    turned.tree_table = ages.tree_table.iloc[::-1].reset_index(drop=True)
    one, other = (stand_history(each, most_pulses=1) for each in (ages, turned))
    assert all(other.tables()[name].equals(table) for name, table in one.tables().items())
