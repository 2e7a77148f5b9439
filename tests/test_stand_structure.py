"""Tests of treeage.stand: trees by period, the blur table and the honest bin."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from treeage.errors import InputError
from treeage.stand import age_structure
from treeage.stand.structure import share_in_own_bin, smallest_honest_bin


@pytest.mark.parametrize(
    ("bin_years", "sd", "share"),
    [
        (5, 2, 0.79), (5, 3, 0.60), (5, 5, 0.38), (10, 3, 0.90), (10, 5, 0.68), (10, 6, 0.60), (10, 8, 0.47),
        (10, 10, 0.38), (20, 6, 0.90), (20, 10, 0.68), (20, 15, 0.50),
    ],
)  # fmt: skip
def test_blur_table(bin_years: int, sd: float, share: float) -> None:
    """Share of a single-year pulse in its own centred bin, as in the practice notes (own arithmetic there)."""
    assert share_in_own_bin(sd, bin_years) == pytest.approx(share, abs=0.0051)  # practice table
    rng = np.random.default_rng(1)
    assert share_in_own_bin(sd, bin_years) == pytest.approx(
        np.mean(np.abs(rng.normal(0, sd, 100_000)) < bin_years / 2), abs=0.006
    )  # simulation


def test_blur_example() -> None:
    """An error of 6 years leaves .595 in a bin of 10 years."""
    assert share_in_own_bin(6.0, 10.0) == pytest.approx(0.595, abs=5e-4)  # hand sum: erf(10 / (2 sqrt 2 6))


@pytest.mark.parametrize(("sd", "expected"), [(0.2, 1), (2.4, 5), (4.0, 10), (6.0, 20), (14.0, 50)])
def test_smallest_honest_bin(sd: float, expected: int) -> None:
    """The bin is the first round number of at least twice the standard deviation."""
    draws = np.random.default_rng(2).normal(1850, sd, (4000, 50))
    assert smallest_honest_bin(draws) == expected  # common practice: bin >= 2 SD


@settings(max_examples=40)
@given(
    width=st.integers(1, 40),
    first=st.integers(-50, 50),
    years=st.lists(st.lists(st.integers(-300, 2020), min_size=3, max_size=3), min_size=1, max_size=8),
)
def test_every_tree_is_in_one_period(width: int, first: int, years: list[list[int]]) -> None:
    """Counts of each draw sum to the trees, periods have the stated width and begin as asked."""
    result = age_structure(years, bin_years=width, first_year=first)
    assert np.all(result.counts.sum(axis=1) == 3) and result.naive.sum() == 3
    assert np.all(np.diff(result.edges) == width) and np.all((result.edges - first) % width == 0)
    brute = np.histogram(years[0], bins=result.edges)[0]
    assert result.counts[0].tolist() == brute.tolist()  # NumPy histogram


def test_shared_error_keeps_the_intervals_wide() -> None:
    """Trees that shift together have wider counts than trees that shift alone."""
    rng = np.random.default_rng(3)
    together = 1855 + rng.normal(0, 5, (4000, 1)) + rng.normal(0, 0.5, (4000, 40))
    alone = 1855 + rng.normal(0, 5, (4000, 40))
    spread = [age_structure(draws, bin_years=10).to_frame() for draws in (together, alone)]
    widths = [(frame["trees_hi"] - frame["trees_lo"]).max() for frame in spread]
    assert widths[0] > 3 * widths[1]


def test_intervals_of_counts_end_at_counts() -> None:
    """One of 19 draws holds a second tree in the decade: the 90 % interval ends at 2 and not between 1 and 2 (hand)."""
    years = np.full((19, 2), 1905)
    years[1:, 1] = 1950
    table = age_structure(years, bin_years=10).to_frame().set_index("year_first")
    assert (table.loc[1900, "trees_lo"], table.loc[1900, "trees_hi"]) == (1, 2)
    assert (table.loc[1950, "trees_lo"], table.loc[1950, "trees_hi"]) == (0, 1)


def test_weights_and_bootstrap() -> None:
    """Per hectare means are weighted sums; intervals hold which trees were sampled."""
    draws = np.tile([1801.0, 1802.0, 1811.0, 1812.0], (3000, 1))
    frame = age_structure(draws, bin_years=10, trees_per_ha=[10, 30, 25, 25]).to_frame()
    assert frame["trees_per_ha_naive"].tolist() == [40, 50]  # hand sum
    assert frame["trees_per_ha_mean"].to_numpy() == pytest.approx([40, 50], rel=0.05)  # Poisson bootstrap
    assert (frame["trees_per_ha_hi"] > frame["trees_per_ha_naive"]).all()
    assert frame["trees_lo"].tolist() == [2, 2]  # exact dates: no dating error


def test_the_sentence_says_what_the_bin_can_carry() -> None:
    """A bin narrower than the error is named as such."""
    draws = np.random.default_rng(4).normal(1850, 6, (2000, 30))
    assert "bins of 5 years cannot be read one by one" in age_structure(draws, bin_years=5).sentence()
    assert "smallest bin they carry is 20 years" in age_structure(draws).sentence()


def test_faces() -> None:
    """HTML and plot on the given axes."""
    from matplotlib.figure import Figure

    result = age_structure(np.random.default_rng(5).normal(1850, 4, (200, 30)), trees_per_ha=np.full(30, 20.0))
    assert "<table" in result._repr_html_()
    ax = Figure().subplots()
    assert result.plot(ax=ax) is ax and ax.get_ylabel() == "Trees per ha"


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"bin_years": 0}, r"got 0, need at least 1 \[years\]"),
        ({"trees_per_ha": [1.0]}, "got 1 weights, need one for each of 3 trees"),
        ({"trees_per_ha": [1.0, 0.0, 1.0]}, "got 0 at position 1, need finite and above 0"),
        ({"prob": 1.0}, "got 1, need between 0 and 1"),
    ],
)
def test_refusals(options: dict[str, object], match: str) -> None:
    """Each fault names the value and the need."""
    with pytest.raises(InputError, match=match):
        age_structure(np.full((5, 3), 1850.0), **options)  # type: ignore[arg-type]


def test_odd_periods_are_refused() -> None:
    """Half years were cut off, and a slip of the years asked for all the memory there is."""
    for width in (10.7, 0.5):
        with pytest.raises(InputError, match=f"bin_years: got {width:g}, need at least 1 .years., whole"):
            age_structure([[1900, 1950]], bin_years=width)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="bin_years: got .* periods of 1 years, need at most 10000"):
        age_structure([[0, 10**9]], bin_years=1)
    with pytest.raises(InputError, match="seed: got -1"):
        age_structure([[1900, 1950]], seed=-1)
