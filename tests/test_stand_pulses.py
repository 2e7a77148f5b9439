"""Tests of treeage.stand: number, date, width and share of pulses on simulated stands."""

import numpy as np
import pytest
from stand_cases import joint_draws, true_dates

from treeage.errors import InputError
from treeage.stand import find_pulses


def _inside(draws: np.ndarray, truth: float) -> bool:
    low, high = np.quantile(draws, [0.05, 0.95])
    return bool(low <= truth <= high)


def test_one_pulse_is_found_with_its_date_width_and_share() -> None:
    """A third of 150 trees in a pulse of 4 years, read with 5 years of error."""
    rng = np.random.default_rng(11)
    dates = true_dates("pulse", 150, rng)
    found = find_pulses(joint_draws(dates, rng))
    assert found.number == 1 and found.chances[0] < 1e-3
    assert _inside(found.date[:, 0], 1800) and _inside(found.width[:, 0], 4) and _inside(found.share[:, 0], 1 / 3)
    assert found.membership[:50, 1].mean() > 0.6 > 0.25 > found.membership[50:, 1].mean()


def test_two_pulses() -> None:
    """Two pulses of a quarter each are told apart."""
    rng = np.random.default_rng(12)
    found = find_pulses(joint_draws(true_dates("two", 200, rng), rng, shared=1.0))
    assert found.number == 2
    assert np.median(found.date, axis=0) == pytest.approx([1760, 1850], abs=6)  # simulated truth


def test_a_pulse_does_not_take_the_date_of_its_neighbour() -> None:
    """A stand where some draws find 1717 and 1757 for 1757 and 1852: no interval or tree goes from one to the other."""
    rng = np.random.default_rng([8, 79])
    dates = true_dates("two", 80, rng)
    found = find_pulses(joint_draws(dates, rng), seed=8)
    frame = found.to_frame()
    assert found.number == 2 and 0.7 < found.matched < 0.98  # else the stand shows nothing
    assert sum(each.part for each in found.sets) == pytest.approx(1.0)
    assert found.sets[1].dates[1] == pytest.approx(frame["date_median"].iloc[0], abs=5)  # a pulse in the other place
    assert _inside(found.date[:, 0], 1760) and _inside(found.date[:, 1], 1850)  # simulated truth
    assert frame["date_lo"].tolist() == pytest.approx([1751, 1845], abs=4)
    assert frame["p_set"].eq(found.matched).all()
    assert found.membership[dates < 1725, 1].max() < 0.02  # 35 years from the first pulse
    assert found.membership[:20, 2].max() < 0.02  # trees of the first pulse are not in the second
    assert found.membership.sum(axis=1) == pytest.approx(np.ones(80))
    assert f"In {100 * found.sets[1].part:.0f} % of draws the pulses are 17" in found.sentence()


def test_shared_error_is_in_the_date() -> None:
    """The date of a pulse is never better known than the shared error."""
    rng = np.random.default_rng(13)
    found = find_pulses(joint_draws(true_dates("cohort", 200, rng), rng, own=4, shared=6))
    assert found.number == 1 and found.date[:, 0].std() == pytest.approx(6.0, abs=0.8)  # simulated truth


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_cohort_after_an_event_is_one_pulse_with_its_beginning(seed: int) -> None:
    """80 trees from 1850 on, fewer and fewer, with a mean lag of 15 years."""
    rng = np.random.default_rng([seed, 80])
    found = find_pulses(joint_draws(1850 + rng.exponential(15, 80), rng, own=4), seed=seed)
    frame = found.to_frame()
    assert found.number == 1 and found.chances[0] < 0.02
    assert _inside(found.begin[:, 0], 1850 - 15 * np.log(0.95))  # closed form: 5 % have come
    assert frame["p_sudden"].item() > 0.6 and frame["begin_lo"].lt(frame["date_median"]).all()
    assert "one cohort, beginning in 18" in found.sentence()


def test_a_pulse_that_rises_as_it_falls_is_no_cohort() -> None:
    """Negative control: the lean of a well dated normal pulse is small."""
    rng = np.random.default_rng(18)
    found = find_pulses(joint_draws(rng.normal(1850, 8, 150), rng, own=2))
    assert found.number == 1 and found.to_frame()["p_sudden"].item() < 0.5
    assert "beginning" not in found.sentence()


@pytest.mark.parametrize(("trees", "span", "sd"), [(6, 3, 0.1), (8, 0, 0.0), (10, 40, 0.3)])
def test_few_well_dated_trees_over_a_short_span(trees: int, span: float, sd: float) -> None:
    """Every number of pulses has a finite probability, however short the span."""
    rng = np.random.default_rng(trees)
    dates = rng.uniform(1900, 1900 + span, trees)
    found = find_pulses(np.round(dates + rng.normal(0, sd, (200, trees))))
    assert found.chances.sum() == pytest.approx(1.0) and np.isfinite(found.date).all()


@pytest.mark.parametrize(("kind", "seed"), [("flat", 14), ("decline", 15), ("hump", 16)])
def test_smooth_histories_have_no_pulse(kind: str, seed: int) -> None:
    """Negative control: steady, declining and broadly humped establishment is no pulse."""
    rng = np.random.default_rng(seed)
    found = find_pulses(joint_draws(true_dates(kind, 120, rng), rng))
    assert found.number == 0 and found.to_frame().empty
    assert "No pulse stands out" in found.sentence()


def test_faces() -> None:
    """Frame, sentence, HTML and plot with and without a pulse."""
    from matplotlib.figure import Figure

    rng = np.random.default_rng(17)
    found = find_pulses(joint_draws(true_dates("cohort", 60, rng), rng, size=300))
    frame = found.to_frame()
    assert frame["date_lo"].le(frame["date_hi"]).all() and frame["prob"].eq(0.9).all()
    assert "Survivors only" in found.sentence() and "<table" in found._repr_html_()
    assert found.chances.sum() == pytest.approx(1.0)
    ax = Figure().subplots()
    assert found.plot(ax=ax) is ax and ax.get_ylabel() == "Trees" and "%" not in ax.get_title("left")


@pytest.mark.parametrize(
    ("draws", "options", "match"),
    [
        (np.zeros((10, 4)), {}, "got 4 trees, need at least 5 trees"),
        (np.zeros((10, 6)), {"most_pulses": -1}, "got -1, need at least 0"),
        (np.zeros((10, 6)), {"prob": 2.0}, "got 2, need between 0 and 1"),
    ],
)
def test_refusals(draws: np.ndarray, options: dict[str, object], match: str) -> None:
    """Each fault names the value and the need."""
    with pytest.raises(InputError, match=match):
        find_pulses(draws, **options)  # type: ignore[arg-type]


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["flat", "decline", "hump"])
def test_false_pulses_are_rare(kind: str) -> None:
    """At most 5 % of smooth histories show a pulse (60 stands of 60 or 150 trees: at most 3)."""
    numbers = []
    for seed in range(60):
        rng = np.random.default_rng([seed, 77])
        numbers.append(find_pulses(joint_draws(true_dates(kind, (60, 150)[seed % 2], rng), rng), seed=seed).number)
    assert np.count_nonzero(numbers) <= 3


@pytest.mark.slow
def test_true_pulses_are_inside_their_intervals() -> None:
    """Date, width and share of a true pulse lie in their 90 % intervals in at least 80 % of 50 stands."""
    hits = []
    for seed in range(50):
        rng = np.random.default_rng([seed, 78])
        found = find_pulses(joint_draws(true_dates("pulse", 150, rng), rng), seed=seed)
        if found.number == 1:
            hits.append(
                [_inside(found.date[:, 0], 1800), _inside(found.width[:, 0], 4), _inside(found.share[:, 0], 1 / 3)]
            )
    assert len(hits) >= 45  # found in nine of ten
    assert np.all(np.mean(hits, axis=0) >= 0.8)  # 90 % less two binomial standard errors
