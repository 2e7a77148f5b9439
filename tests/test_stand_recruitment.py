"""Tests of treeage.stand: establishment by year with the blur undone."""

import numpy as np
import pytest
from stand_cases import joint_draws, true_dates

from treeage.errors import InputError
from treeage.stand import RecruitmentHistory, after_events, recruitment_history, sharpened_dates, split_shared
from treeage.stand.recruitment import fit_intensity


def _truth(years: np.ndarray, kind: str, count: int) -> np.ndarray:
    flat = np.where((years >= 1700) & (years <= 1900), count / 200, 0.0)
    if kind == "flat":
        return flat
    pulse = np.exp(-0.5 * ((years - 1800) / 4) ** 2) / (4 * np.sqrt(2 * np.pi))
    return flat * 2 / 3 + count / 3 * pulse


def share_between(history: RecruitmentHistory, first: float, last: float) -> np.ndarray:
    """Share of the living trees that established from one year to another, both included, as draws."""
    low = np.clip((first - 0.5 - history.years) / history.step_years + 0.5, 0, 1)
    high = np.clip((last + 0.5 - history.years) / history.step_years + 0.5, 0, 1)
    return history.intensity @ (high - low) / history.intensity.sum(axis=1)


def test_blur_is_undone() -> None:
    """A pulse of 4 years read with 8 years of error comes out narrower than the histogram shows it."""
    rng = np.random.default_rng(1)
    dates = rng.normal(1800, 4, 300)
    draws = joint_draws(dates, rng, own=8, shared=0.0)
    history = recruitment_history(draws)
    near = np.median(share_between(history, 1792, 1808))
    naive = np.mean(np.abs(np.median(draws, axis=0) - 1800) <= 8)
    truth = np.mean(np.abs(dates - 1800) <= 8.5)
    assert naive < 0.70 < truth  # simulated: the histogram holds 64 % there, the truth 95 %
    assert near == pytest.approx(truth, abs=0.1)


def test_total_is_the_number_of_trees() -> None:
    """The intensity integrates to the number of trees, give or take Poisson error."""
    rng = np.random.default_rng(2)
    history = recruitment_history(joint_draws(true_dates("flat", 100, rng), rng))
    total = history.intensity.sum(axis=1) * history.step_years
    assert np.median(total) == pytest.approx(100, abs=5)
    assert total.std() == pytest.approx(10, abs=3)  # closed form: Poisson, sqrt(100)


def test_shared_error_moves_the_whole_history() -> None:
    """Shared error widens where the middle of the history lies, and is not undone."""
    middles = []
    for shared in (0.0, 8.0):
        rng = np.random.default_rng(3)
        history = recruitment_history(joint_draws(true_dates("cohort", 80, rng), rng, own=3, shared=shared))
        weight = history.intensity / history.intensity.sum(axis=1, keepdims=True)
        middles.append((weight @ history.years).std())
    assert middles[0] < 1.5
    assert middles[1] == pytest.approx(8.0, abs=1.0)  # simulated truth


def test_flat_history_stays_inside_its_band() -> None:
    """A flat history shows no significant bump: its true level lies in the band nearly everywhere."""
    rng = np.random.default_rng(4)
    history = recruitment_history(joint_draws(true_dates("flat", 200, rng), rng), last_year=1950)
    low, high = np.quantile(history.intensity, [0.05, 0.95], axis=0)
    inside = (history.years > 1710) & (history.years < 1890)
    assert np.mean((low <= 1.0) & (high >= 1.0), where=inside) > 0.9


def _after(dates: np.ndarray, draws: np.ndarray, events: dict[str, int] | None) -> np.ndarray:
    """Trees within 20 years after 1849, as draws."""
    split = split_shared(draws)
    history = recruitment_history(draws, split=split, events=events, last_year=2000)
    sharp = sharpened_dates(split, history)
    return after_events(draws, {"fire": 1849}, sharpened=sharp, within_years=(20,)).counts[:, 0, 0]


@pytest.mark.slow
def test_a_cohort_begins_with_its_event() -> None:
    """Told the event, fewer trees of a cohort are spread over the years before it."""
    short = []
    for seed in range(4):
        rng = np.random.default_rng([seed, 90])
        dates = 1850 + np.floor(rng.exponential(15, 60))
        draws = joint_draws(dates, rng, own=4, shared=3)
        truth = np.count_nonzero(dates <= 1869)
        short.append([truth - _after(dates, draws, events).mean() for events in (None, {"fire": 1849})])
    without, known = np.mean(short, axis=0)
    assert abs(known) < 4.5 and known < without - 0.5  # simulated truth, about 44 trees


def test_an_event_without_trees_changes_nothing() -> None:
    """Negative control: a steady history told of an event keeps its level after it."""
    rng = np.random.default_rng(91)
    dates = rng.uniform(1750, 1950, 100)
    draws = joint_draws(dates, rng, own=4)
    counts = [_after(dates, draws, events) for events in (None, {"fire": 1849})]
    assert counts[1].mean() == pytest.approx(counts[0].mean(), abs=1.0)
    history = recruitment_history(draws, events={"fire": 1849}, count=200)
    assert history.smooth_part > 0.8 and "begin anew after fire (1849)" in history.sentence()


def test_the_band_holds_a_sharp_peak() -> None:
    """Half of 60 trees in a pulse of 4 years: the band at its height holds it, which a smooth curve rounds off."""
    held = []
    for seed in range(4):
        rng = np.random.default_rng([seed, 92])
        dates = np.append(rng.normal(1850, 4, 30), rng.uniform(1750, 1950, 30))
        history = recruitment_history(joint_draws(dates, rng, own=4), seed=seed, count=400)
        truth = 30 / 200 + 30 / (4 * np.sqrt(2 * np.pi))
        low, high = np.quantile(history.intensity, [0.05, 0.95], axis=0)
        at = int(np.argmin(np.abs(history.years - 1850)))
        held.append(low[at] <= truth <= high[at])
    assert np.mean(held) >= 0.75  # one miss in four; a smooth curve alone held a third


def test_a_jump_at_a_break_costs_little() -> None:
    """With exact dates and a break the level after it is free: the counts on either side are kept."""
    counts = np.repeat([1, 8], 20)
    mass = np.eye(40)[np.repeat(np.arange(40), counts)]
    level = [np.exp(fit_intensity(mass, roughness=1e-4, breaks=cells).log_intensity)[18:22] for cells in ((), (20,))]
    assert level[1] == pytest.approx([1, 1, 8, 8], rel=0.15)  # by construction
    assert level[0][2] / level[0][1] < 1.5  # negative control: without a break the line goes through


def test_weights_give_trees_per_hectare() -> None:
    """Equal weights only change the unit; unequal ones shift the shares."""
    rng = np.random.default_rng(5)
    draws = joint_draws(np.append(rng.normal(1750, 3, 40), rng.normal(1850, 3, 40)), rng, shared=0.0)
    per_ha = recruitment_history(draws, weights=np.full(80, 25.0))
    assert per_ha.unit == "trees per ha and year"
    assert np.median(per_ha.intensity.sum(axis=1)) * per_ha.step_years == pytest.approx(2000, rel=0.1)  # 80 * 25
    uneven = recruitment_history(draws, weights=np.repeat([10.0, 30.0], 40))
    assert np.median(share_between(uneven, 1700, 1800)) == pytest.approx(0.25, abs=0.05)  # hand sum: 400 of 1600


def test_nothing_after_the_year_of_coring() -> None:
    """The grid ends at the year of coring."""
    rng = np.random.default_rng(6)
    draws = np.minimum(joint_draws(rng.uniform(1980, 2020, 40), rng, shared=0.0), 2024)
    history = recruitment_history(draws, last_year=2024)
    assert history.to_frame()["year_last"].max() <= 2025 + history.step_years


def test_faces_and_seed() -> None:
    """Same seed, same frame; the sentence names survivors; HTML and plot exist."""
    from matplotlib.figure import Figure

    rng = np.random.default_rng(7)
    draws = joint_draws(true_dates("flat", 40, rng), rng, size=300)
    history = recruitment_history(draws, count=100)
    frame = history.to_frame()
    assert frame.equals(recruitment_history(draws, count=100).to_frame())
    assert np.all(frame["establishment_lo"] <= frame["establishment_hi"]) and set(frame["prob"]) == {0.9}
    assert "Survivors only" in history.sentence() and "dead" not in history.sentence()
    assert "<table" in history._repr_html_()
    ax = Figure().subplots()
    assert history.plot(ax=ax) is ax and ax.get_ylabel() == "Trees per year"


@pytest.mark.parametrize(
    ("draws", "options", "match"),
    [
        (np.zeros((10, 4)), {}, "got 4 trees, need at least 5 trees"),
        (np.zeros((10, 6)), {"weights": [1.0]}, "got 1 weights, need one for each of 6 trees"),
        (np.zeros((10, 6)), {"weights": np.zeros(6)}, "got 0 at position 0, need finite and above 0"),
        (np.zeros((10, 6)), {"prob": 0.0}, "got 0, need between 0 and 1"),
        (np.zeros((10, 6)), {"events": {"fire": np.nan}}, "got an event without a year, need finite years"),
    ],
)
def test_refusals(draws: np.ndarray, options: dict[str, object], match: str) -> None:
    """Each fault names the value and the need."""
    with pytest.raises(InputError, match=match):
        recruitment_history(draws, **options)  # type: ignore[arg-type]


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "count", "least"), [("flat", 60, 0.88), ("flat", 200, 0.88), ("pulse", 200, 0.84)])
def test_bands_cover_the_truth(kind: str, count: int, least: float) -> None:
    """Averaged over years and 25 stands the 90 % band covers the true intensity about that often.

    Smoothing rounds a sharp pulse off, so the pulse is allowed 6 points less.
    """
    covered = []
    for seed in range(25):
        rng = np.random.default_rng([seed, count])
        history = recruitment_history(joint_draws(true_dates(kind, count, rng), rng), last_year=2020, seed=seed)
        low, high = np.quantile(history.intensity, [0.05, 0.95], axis=0)
        truth = _truth(history.years, kind, count)
        inside = (history.years > 1708) & (history.years < 1892)
        covered.append(np.mean((low <= truth) & (truth <= high), where=inside))
    assert np.mean(covered) >= least


def test_no_draws_of_the_history_are_refused() -> None:
    """A count of 0 fell over with a warning of NumPy."""
    with pytest.raises(InputError, match="count: got 0, need a whole number of at least 1"):
        recruitment_history(np.full((50, 6), 1900.0), count=0)
