"""Tests of treeage.stand: dates of the trees given the history of their stand."""

import numpy as np
import pytest
from stand_cases import joint_draws

from treeage.stand import recruitment_history, sharpened_dates, split_shared


def test_scatter_and_minimum_come_right() -> None:
    """Dates of a cohort scatter too much one by one; sharpened they scatter as the truth, and so does the oldest."""
    rng = np.random.default_rng(1)
    dates = rng.uniform(1840, 1870, 150)
    draws = joint_draws(dates, rng, own=6, shared=0.0)
    split = split_shared(draws)
    sharp = sharpened_dates(split, recruitment_history(draws, split=split))
    assert draws.std(axis=1).mean() > 1.35 * dates.std()
    assert sharp.std(axis=1).mean() == pytest.approx(dates.std(), rel=0.1)  # simulated truth
    raw, better = (np.median(table.min(axis=1)) for table in (draws, sharp))
    truth = dates.min()
    assert raw < truth - 12 and abs(better - truth) < 0.6 * abs(raw - truth)  # simulated truth, a sharp start


def test_shared_shift_is_kept() -> None:
    """The mean over trees keeps the shared error."""
    rng = np.random.default_rng(2)
    draws = joint_draws(rng.normal(1850, 5, 60), rng, own=3, shared=7)
    split = split_shared(draws)
    sharp = sharpened_dates(split, recruitment_history(draws, split=split))
    assert sharp.mean(axis=1).std() == pytest.approx(7, abs=1)  # simulated truth
