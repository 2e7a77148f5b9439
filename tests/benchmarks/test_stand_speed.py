"""Speed of a whole stand page: 1,000 trees and 4,000 joint draws, all tables and figures.

Run with `pytest tests/benchmarks --benchmark-only`; the target is 15 seconds on one core. With `--benchmark-disable`
a small stand only shows that it runs.
"""

import time
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from treeage.stand import stand_history

TARGET_SECONDS = 15.0  # the project's target for one core
PARTS = ("structure", "recruitment", "pulses", "origin", "events", "static", "diameter")


class MadeUpAges:
    """1,000 trees: a third in a pulse, own error 3-7 years, a shared error of 4 years for all or for each species."""

    prob = 0.9

    def __init__(self, trees: int = 1000, draws: int = 4000, *, by_species: bool = False) -> None:
        import xarray

        rng = np.random.default_rng(0)
        dates = rng.uniform(1700, 1900, trees)
        dates[: trees // 3] = rng.normal(1800, 4, trees // 3)
        own = rng.uniform(3, 7, trees)
        species = np.arange(trees) % 2
        shared = rng.normal(0, 4, (draws, 2))[:, species if by_species else np.zeros(trees, dtype=int)]
        table = dates + rng.normal(0, own) + shared + own * rng.normal(size=(draws, trees))
        self._draws = xarray.DataArray(np.round(table), dims=("draw", "tree"))
        self.trees = [f"T{number}" for number in range(trees)]
        size = (2024 - dates) ** 0.8 * np.exp(rng.normal(0, 0.2, trees))
        names = np.where(species, "larch", "pine")
        self.tree_table = pd.DataFrame({"tree": self.trees, "species": names, "dbh_cm": size, "trees_per_ha": 25.0})
        self.events = pd.DataFrame({"year": [1790, 1850], "event": ["fire", "wind"]})

    def draws(self, n, *, seed=0):
        """All joint draws."""
        return self._draws

    def __getitem__(self, tree):
        return SimpleNamespace(last_year=2024)


def whole_page(ages):
    """History, tables, HTML and figures."""
    from matplotlib.pyplot import close

    history = stand_history(ages)
    history.tables()
    for name in PARTS:
        part = getattr(history, name)
        part.plot()
        part._repr_html_()
    close("all")


@pytest.mark.parametrize("by_species", [False, True])
def test_stand_page(benchmark, by_species):
    """The whole page, with one shared error or one for each species."""
    ages = MadeUpAges(by_species=by_species) if benchmark.enabled else MadeUpAges(40, 100, by_species=by_species)
    begin = time.process_time()
    benchmark.pedantic(whole_page, args=(ages,), rounds=1)
    used = time.process_time() - begin
    benchmark.extra_info["processor_seconds"] = used
    assert used < TARGET_SECONDS
