"""Tests of treeage.stand: joint draws split into shared and own error."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treeage.errors import InputError
from treeage.stand import split_shared
from treeage.stand.structure import YearGrid, check_draws, shared_part, year_mass


def test_shared_error_never_averages_away() -> None:
    """30 trees, own 3 and shared 4 years: the mean date has a standard error of 4.04, not 0.91."""
    rng = np.random.default_rng(1)
    draws = 1850 + rng.normal(0, 4, (20_000, 1)) + rng.normal(0, 3, (20_000, 30))
    assert draws.mean(axis=1).std() == pytest.approx(np.sqrt(16 + 9 / 30), abs=0.08)  # closed form: 4.04
    naive = np.sqrt((draws.var(axis=0)).sum()) / 30
    assert naive == pytest.approx(5 / np.sqrt(30), abs=0.03)  # closed form: .91, what independent trees would give
    split = split_shared(draws)
    assert split.shared_sd == pytest.approx(4.0, abs=0.1)  # simulated truth
    assert split.own_sd.mean() == pytest.approx(3.0, abs=0.1)  # simulated truth


@pytest.mark.parametrize("trees", [6, 30, 200])
def test_independent_trees_share_nothing(trees: int) -> None:
    """Negative control: without a shared error none is found."""
    rng = np.random.default_rng(2)
    split = split_shared(rng.normal(1850, 5, (2000, trees)))
    assert split.shared_sd == 0.0 and split.deviation.shape == (1, trees)


@settings(max_examples=20)
@given(trees=st.integers(1, 12), size=st.integers(1, 60), seed=st.integers(0, 99), shared=st.floats(0, 9))
def test_the_parts_add_up(trees: int, size: int, seed: int, shared: float) -> None:
    """Centre, common shift and own error give back the draws when one shift is enough."""
    rng = np.random.default_rng(seed)
    draws = 1850 + shared * rng.normal(size=(size, 1)) + rng.normal(0, 3, (size, trees))
    split = split_shared(draws)
    if split.deviation.shape[0] == 1:
        order = np.argsort(draws.mean(axis=1) - split.own.mean(axis=1), kind="stable")
        rebuilt = split.centre + np.sort(split.common[0])[:, None] + split.own[order]
        assert np.allclose(rebuilt, draws[order])
    assert np.allclose(split.own.mean(axis=0), 0, atol=1e-6)


def test_species_with_their_own_shared_error() -> None:
    """Two species that shift apart get several strata with opposite deviations."""
    rng = np.random.default_rng(3)
    species = np.repeat([0, 1], 40)
    draws = 1850 + rng.normal(0, 5, (4000, 2))[:, species] + rng.normal(0, 2, (4000, 80))
    split = split_shared(draws)
    assert split.deviation.shape[0] > 1
    assert split.own_sd.mean() == pytest.approx(2.0, abs=0.1)  # simulated truth
    first, second = split.deviation[:, :40].mean(axis=1), split.deviation[:, 40:].mean(axis=1)
    assert np.allclose(first, -second, atol=0.2)  # closed form: deviations from the common shift cancel
    assert split.shared_sd == pytest.approx(5 / np.sqrt(2), abs=0.15)  # closed form: mean of two independent shifts


def test_shared_part_of_constant_columns_is_nothing() -> None:
    """Exact dates have no spread and no shared part."""
    assert np.all(shared_part(np.zeros((50, 3))) == 0)


def test_year_mass_is_exact_for_whole_years() -> None:
    """Without shared error the mass of a tree is the histogram of its draws."""
    draws = np.array([[1850, 1853], [1850, 1854], [1851, 1853], [1852, 1853]])
    split = split_shared(draws)
    mass = year_mass(split, 0, YearGrid(1849, 1, 8))
    assert np.allclose(mass[0], [0, 0.5, 0.25, 0.25, 0, 0, 0, 0])  # hand count
    assert np.allclose(mass[1], [0, 0, 0, 0, 0.75, 0.25, 0, 0])  # hand count


def test_year_mass_divides_between_cells_and_keeps_the_mean() -> None:
    """Wider cells keep the mean date of each tree."""
    rng = np.random.default_rng(4)
    split = split_shared(rng.normal(1850, 5, (500, 7)))
    mass = year_mass(split, 0, YearGrid(1801.0, 3, 40))
    assert np.allclose(mass.sum(axis=1), 1)
    assert np.allclose(mass @ (1801.0 + 3 * np.arange(40)), split.centre)  # closed form: linear division


@pytest.mark.parametrize(
    ("draws", "match"),
    [
        (np.zeros(5), r"got shape \(5,\), need shape \(draws, trees\)"),
        (np.zeros((0, 5)), r"got shape \(0, 5\)"),
        ([[1.0, np.nan]], "got a missing year for tree 1, need finite years"),
    ],
)
def test_malformed_draws(draws: object, match: str) -> None:
    """Shape and missing years are named."""
    with pytest.raises(InputError, match=match):
        check_draws("test", draws)  # type: ignore[arg-type]
