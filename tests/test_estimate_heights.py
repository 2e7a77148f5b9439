"""Shared error of the years to the coring height: one figure has one error, whatever species it serves."""

import numpy as np
import pandas as pd
import pytest
from field_cases import SURE

from treeage.estimate import estimate_ages, height_models
from treeage.estimate.shared import shared_figures
from treeage.tables import Field, Settings

SPRUCE, PINE, LARCH, FIR = "Picea abies", "Pinus cembra", "Larix decidua", "Abies alba"
FIGURE = {"model": "mean_sd", "height_m": 1.0, "mean_years": 15, "sd_years": 6, "shared_share": 0.5}


def stand(species, height, *, trees=40, upper=(), seedlings=None):
    """Trees of several species in turn, cored through the pith at 1 m; some species also at 2 m, 30 rings fewer."""
    names = [species[k % len(species)] for k in range(trees)]
    table = pd.DataFrame({"tree": [f"T{k}" for k in range(trees)], "species": names})
    core = {"outer_year": 2000, "dating": "crossdated", "inner_end": "pith"}
    rows = []
    for tree, name in zip(table["tree"], names, strict=True):
        rows.append({"tree": tree, "core": "a", "rings_counted": 100, "core_height_m": 1.0} | core)
        if name in upper:
            rows.append({"tree": tree, "core": "b", "rings_counted": 70, "core_height_m": 2.0} | core)
    settings = Settings(height=height, doubt=SURE)
    return Field.from_frames(table, pd.DataFrame(rows), settings=settings, seedlings=seedlings)


def spread_of_mean(field):
    """Standard deviation of the mean establishment year of the stand."""
    return estimate_ages(field).draws(20000, seed=2).to_numpy().mean(axis=1).std()


def test_one_figure_has_one_error_whatever_the_species():
    """Half of the variance of the figure is shared: the mean date of 40 trees is no better for their being mixed."""
    single = spread_of_mean(stand([SPRUCE], {"default": FIGURE}))
    mixed = spread_of_mean(stand([SPRUCE, PINE, LARCH, FIR], {"default": FIGURE}))
    expected = 6 * np.sqrt(0.5 + 0.5 / 40)  # closed form: the shared half, and a fortieth of the rest; 4.30
    assert single == pytest.approx(expected, rel=0.05)  # the halves are of the log of the time
    assert mixed == pytest.approx(single, rel=0.03)  # six standard errors of 20,000 draws


def test_different_figures_have_their_own_errors():
    """Four figures average out between four species: half the shared part, as four independent errors do."""
    names = [SPRUCE, PINE, LARCH, FIR]
    figures = {name: FIGURE | {"mean_years": 15 + 0.01 * k} for k, name in enumerate(names)}
    expected = 6 * np.sqrt(0.5 / 4 + 0.5 / 40)  # closed form, 2.22
    assert spread_of_mean(stand(names, figures)) == pytest.approx(expected, rel=0.05)


def test_groups_of_species():
    """The same figure written twice is one figure, a default spelt out included; another number makes it another.

    A group has the name of its first species in the alphabet, whatever the order of the trees.
    """
    plain = {key: value for key, value in FIGURE.items() if key != "shared_share"}
    settings = {SPRUCE: plain, PINE: plain | {"shared_share": 0.25}, LARCH: FIGURE, "default": FIGURE}
    field = stand([SPRUCE, PINE, LARCH, FIR], settings, trees=4)
    groups = shared_figures(field, height_models(field))
    assert groups == {SPRUCE: SPRUCE, PINE: SPRUCE, LARCH: FIR, FIR: FIR}  # 0.25 is the share where none is given
    assert [answer.parts.height_group for answer in estimate_ages(field)] == list(groups.values())


@pytest.mark.parametrize("height", [{}, {"default": {"model": "seedlings"}}])
def test_species_with_own_young_trees_stay_alone(height):
    """Curves from young trees share no error, even where the young trees happen to agree in every number."""
    rise = np.linspace(0.2, 1.4, 12)
    wave = 1 + 0.1 * np.cos(np.arange(12))
    young = pd.DataFrame({"height_m": rise, "age_years": np.round(10 * rise * wave + 2)})
    seedlings = pd.concat([young.assign(species=name) for name in (SPRUCE, PINE)], ignore_index=True)
    field = stand([SPRUCE, PINE], height, trees=2, seedlings=seedlings)
    assert shared_figures(field, height_models(field)) == {SPRUCE: SPRUCE, PINE: PINE}


def test_trees_cored_at_two_heights_teach_every_species_of_the_figure():
    """Slow spruces say that the figure is too fast here: pines on it get older, pines on another figure do not."""
    settings = {"default": FIGURE}
    alone = estimate_ages(stand([SPRUCE, PINE], settings, trees=12))
    taught = estimate_ages(stand([SPRUCE, PINE], settings, trees=12, upper=[SPRUCE]))
    apart = estimate_ages(
        stand([SPRUCE, PINE], settings | {PINE: FIGURE | {"sd_years": 6.01}}, trees=12, upper=[SPRUCE])
    )
    pines = [ages["T1"].establishment_year.mean() for ages in (alone, taught, apart)]
    assert pines[1] < pines[0] - 2  # 30 rings between 1 m and 2 m, where the figure expects about 11
    assert pines[2] == pytest.approx(pines[0], abs=0.1)
    assert set(taught.height_weights) == {SPRUCE}
    mean = taught.draws(20000, seed=1).sel(tree="T1").to_numpy().mean()
    assert mean == pytest.approx(pines[1], abs=0.3)  # joint draws use the same weights: six standard errors
