"""Tests of treeage.stand: the stand at a past date."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from treeage.errors import InputError
from treeage.stand import past_stand


def test_presence_density_and_basal_area_by_hand() -> None:
    """Two trees of 40 and 20 cm grown steadily, one of them there only in half of the draws."""
    stand = past_stand(
        [[1900, 1940], [1900, 1960]], 1949, survey_year=1999, diameter_now_cm=[40.0, 20.0], trees_per_ha=[25.0, 100.0]
    )
    frame = stand.to_frame()
    assert frame["p_present"].tolist() == [1.0, 0.5]  # hand count
    assert frame["diameter_cm_median"].tolist() == pytest.approx([20.0, 20 * 10 / 60])  # hand sum: share of the age
    totals = stand.totals().set_index("quantity")
    area = np.pi / 40_000 * (25 * 20**2 + 100 * (20 / 6) ** 2)
    assert totals.loc["trees", "hi"] == pytest.approx(125, abs=6)  # hand sum
    assert totals.loc["basal area [m2]", "hi"] == pytest.approx(area, rel=0.03)  # hand sum
    assert totals.loc["trees", "per"] == "per ha"


def test_widths_replace_steady_growth() -> None:
    """Past diameters from rings are used where they exist, and the table says which."""
    draws = np.full((4, 2), 1900)
    then = np.array([[30.0, np.nan], [32.0, np.nan]])
    stand = past_stand(draws, 1949, survey_year=1999, diameter_now_cm=[40.0, 40.0], diameter_then_cm=then)
    frame = stand.to_frame()
    assert frame["method"].tolist() == ["widths", "steady growth"]
    assert frame["diameter_cm_median"].tolist() == [31.0, 20.0]  # hand sum


def test_unknown_diameters_are_named_not_guessed() -> None:
    """A tree without any diameter counts in density but has no size."""
    stand = past_stand(np.full((3, 1), 1900), 1950, survey_year=2000, diameter_now_cm=[np.nan])
    assert stand.to_frame()["method"].tolist() == ["unknown"]
    assert np.isnan(stand.to_frame()["diameter_cm_median"].iloc[0])
    totals = stand.totals().set_index("quantity")["median"]
    assert totals["trees"] == 1 and totals["basal area [m2]"] == 0  # hand count


def test_shared_error_widens_the_density() -> None:
    """Shared dating error keeps the interval of the density wide."""
    rng = np.random.default_rng(1)
    dates = rng.uniform(1900, 1960, 300)
    spreads = []
    for error in (rng.normal(0, 6, (2000, 1)), rng.normal(0, 6, (2000, 300))):
        stand = past_stand(dates + error, 1930, survey_year=2000, diameter_now_cm=np.full(300, 30.0))
        spreads.append(stand.present.sum(axis=1).std())
    assert spreads[0] > 3 * spreads[1]


@given(year=st.integers(1800, 1998), dates=st.lists(st.integers(1700, 1999), min_size=1, max_size=20))
def test_later_dates_never_hold_fewer_trees(year: int, dates: list[int]) -> None:
    """Today's trees only become more as time goes on, and none is larger than today."""
    size = np.full(len(dates), 30.0)
    early = past_stand([dates], year, survey_year=2000, diameter_now_cm=size)
    late = past_stand([dates], year + 1, survey_year=2000, diameter_now_cm=size)
    assert np.all(late.present >= early.present)
    assert np.nanmax(late.diameter_cm, initial=0) <= 30.0


def test_faces() -> None:
    """Sentence with the caveat, HTML, plot."""
    from matplotlib.figure import Figure

    stand = past_stand(
        [[1900, 1950], [1910, 1930]], 1940, survey_year=2000, diameter_now_cm=[40.0, 20.0], trees=["A", "B"]
    )
    assert "lower bounds" in stand.sentence() and "<table" in stand._repr_html_()
    assert stand.to_frame()["tree"].tolist() == ["A", "B"]
    ax = Figure().subplots()
    assert stand.plot(ax=ax) is ax and ax.get_ylabel() == "Diameter in 1940 [cm]"


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"year": 2000}, r"got 2000, need a year before the survey \(2000\)"),
        ({"diameter_now_cm": [1.0]}, "got 1 values, need one for each of 2 trees"),
        ({"trees_per_ha": [1.0, 0.0]}, "got 0 at position 1, need finite and above 0"),
    ],
)
def test_refusals(options: dict[str, object], match: str) -> None:
    """Each fault names the value and the need."""
    full = {"year": 1950, "survey_year": 2000, "diameter_now_cm": [10.0, 20.0], **options}
    with pytest.raises(InputError, match=match):
        past_stand(np.full((3, 2), 1900.0), **full)  # type: ignore[arg-type]


def test_a_date_before_all_trees_has_no_mean_diameter() -> None:
    """No tree has no size, which is not 0 cm; where a tree is there in half of the draws, its size is that of these."""
    none = past_stand(np.full((4, 2), 1900), 1850, survey_year=1999, diameter_now_cm=[40.0, 20.0])
    assert none.totals().set_index("quantity").loc["quadratic diameter [cm]", ["median", "lo", "hi"]].isna().all()
    half = past_stand([[1900], [1960]], 1949, survey_year=1999, diameter_now_cm=[40.0])
    diameter = half.totals().set_index("quantity").loc["quadratic diameter [cm]"]
    assert [diameter["lo"], diameter["hi"]] == [20.0, 20.0]  # by hand: half of 40 cm after half of the years


def test_trees_without_a_diameter_are_told() -> None:
    """The sentence says what its basal area leaves out."""
    stand = past_stand(np.full((3, 2), 1900), 1950, survey_year=2000, diameter_now_cm=[20.0, np.nan])
    assert "1 tree(s) without a diameter are not in the basal area." in stand.sentence()


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"survey_year": float("nan")}, "survey_year: got a missing year, need finite years"),
        ({"diameter_now_cm": [10.0, -20.0]}, "diameter_now_cm: got -20 at position 1, need finite and above 0"),
        ({"trees": ["A"]}, "trees: got 1 ids, need one for each of 2 trees"),
    ],
)
def test_more_refusals(options: dict[str, object], match: str) -> None:
    """They gave a stand without trees, a basal area, and a table that fell over."""
    full = {"year": 1950, "survey_year": 2000, "diameter_now_cm": [10.0, 20.0], **options}
    with pytest.raises(InputError, match=match):
        past_stand(np.full((3, 2), 1900.0), **full)  # type: ignore[arg-type]
