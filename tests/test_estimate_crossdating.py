"""Crossdating of a whole field: tables by species, nothing changed, too few trees refused."""

import numpy as np
import pandas as pd
import pytest

from treeage.errors import InputError
from treeage.estimate import crossdate_field
from treeage.tables import Field


def field_with(series):
    """A field of one-core trees with ring tables, innermost first."""
    trees = pd.DataFrame({"tree": list(series), "species": "Picea abies"})
    cores = pd.DataFrame(
        {
            "tree": list(series), "core": "a", "outer_year": 2020, "dating": "lab_count", "inner_end": "pith",
            "rings_counted": [len(widths) for widths in series.values()], "core_height_m": 1.0,
        }
    )  # fmt: skip
    rings = [
        pd.DataFrame({"tree": tree, "core": "a", "ring": np.arange(1, len(widths) + 1), "width_mm": widths.round(3)})
        for tree, widths in series.items()
    ]
    return Field.from_frames(trees, cores, pd.concat(rings, ignore_index=True))


def stand(lost_from=None):
    """Six trees with a shared yearly signal; one ring taken out of tree T0 (known truth)."""
    rng = np.random.default_rng(7)
    climate = 0.3 * rng.standard_normal(100)
    series = {f"T{k}": np.exp(climate + 0.12 * rng.standard_normal(100)) for k in range(6)}
    if lost_from is not None:
        series["T0"] = np.delete(series["T0"], lost_from)
    return series


def test_a_lost_ring_is_found_against_the_other_trees():
    """The ring of 1981 is missing on T0: the place is named within three years, the others are clean (known truth)."""
    tables = crossdate_field(field_with(stand(lost_from=60)))
    best = tables["places"][tables["places"]["best"]]
    assert best[["tree", "kind"]].values.tolist() == [["T0", "absent"]]
    assert abs(int(best["year"].iloc[0]) - 1981) <= 3
    exact = tables["agreement"].set_index("tree")["prob_count_exact"]
    assert exact["T0"] < 0.05 and exact.drop("T0").min() > 0.8
    assert (tables["agreement"]["species"] == "Picea abies").all()


def test_too_few_trees_are_refused():
    """Two trees are no reference."""
    series = stand()
    with pytest.raises(InputError, match="got 2 such cores, need three trees"):
        crossdate_field(field_with({tree: series[tree] for tree in ("T0", "T1")}))
