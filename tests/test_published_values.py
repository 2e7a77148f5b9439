"""Check values printed in publications and handbooks, each with its source and how it is known.

"Read" means that the text with the number was read, "abstract" only its abstract; "own arithmetic" follows from figures
of the source named.
"""

import numpy as np
import pandas as pd
import pytest
from field_cases import SURE

from treeage import estimate_ages
from treeage.alignment.prior import alignment_prior
from treeage.counting import absent_ring_share
from treeage.display import year_text
from treeage.errors import ModelError
from treeage.estimate.answers import collar_mass
from treeage.growth import basal_area_increment, canopy_residence_years, inside_bark_diameter
from treeage.height import early_heights, from_published
from treeage.pmf import Pmf
from treeage.rings.missing import constant_basal_area_rings
from treeage.tables import Field, Settings

INCH = 25.4


def pith_tree(outer_year, rings):
    """Crossdated core to the pith at the root collar."""
    trees = pd.DataFrame({"tree": ["A1"], "species": ["Pseudotsuga menziesii"]})
    core = {"tree": "A1", "core": "a", "outer_year": outer_year, "rings_counted": rings, "dating": "crossdated"}
    core |= {"inner_end": "pith", "core_height_m": 0.0, "outer_end": "lost"}
    return estimate_ages(Field.from_frames(trees, pd.DataFrame([core]), settings=Settings(doubt=SURE)))[
        "A1"
    ]  # taken at its word


def test_bark_and_basal_area_growth_of_five_trees():
    """Southern extension handbook, read: sum of squared diameter ratios 3.105 printed, 3.1029 from its diameters.

    Growth in basal area 37.9 % in five years and 7.58 % a year, both printed.
    """
    outside, bark = np.array([8.4, 6.7, 10.2, 12.0, 9.6]), np.array([0.40, 0.35, 0.45, 0.50, 0.45])
    inside = inside_bark_diameter(outside * INCH / 10, bark * INCH) / INCH * 10
    assert inside == pytest.approx([7.6, 6.0, 9.3, 11.0, 8.7])
    past = np.array([5.8, 4.0, 7.8, 9.6, 6.8])
    growth = []
    for now, then in zip(inside * INCH / 2, past * INCH / 2, strict=True):
        growth.append(basal_area_increment([now - then], outer_radius_mm=now)[0] / (np.pi * now**2))
    assert 5 - sum(growth) == pytest.approx(3.1029, abs=1e-4)
    assert 100 * np.mean(growth) == pytest.approx(37.9, abs=0.06)
    assert 100 * np.mean(growth) / 5 == pytest.approx(7.58, abs=0.01)


def test_series_of_an_archive_line():
    """Dated 1123p to 1244vv (Castle Rock table, read): 122 rings, pith in 1123, alive in 1244 at least."""
    tree = pith_tree(1244, 122)
    assert tree.pith_year.interval(0.99) == (1123, 1123)
    assert tree.age.interval(0.99) == (122, 122) and tree.last_year == 1244


@pytest.mark.parametrize(
    ("first", "rings", "text"),
    [
        (594, 1322, "594"),  # printed 1,321: one short of a count with both ends
        (-273, 2189, "274 BCE"),  # printed 2,189 for 274 BC: right, because there is no year 0
    ],
)
def test_counts_across_the_missing_year_zero(first, rings, text):
    """Douglass 1919, Table 5, read: series that end in 1915; both ends count and 274 BC is the year -273."""
    tree = pith_tree(1915, rings)
    assert tree.establishment_year.interval(0.99) == (first, first)
    assert tree.age.median() == 1915 - first + 1 == rings
    assert year_text(tree.establishment_year.median()) == text


def test_rings_absent_from_a_core_of_two_hundred():
    """1 in 240 (St. George et al. 2013, abstract): .83 expected in 200 rings, none in .43 to .44 of cores."""
    rate = 1 / 240
    assert 0.4 * rate < absent_ring_share().value < rate  # mean over sites, half of which have none; not over rings
    assert 200 * rate == pytest.approx(0.83, abs=5e-3)  # own arithmetic
    one = Pmf(0, [1 - rate, rate])
    total = Pmf.point(0)
    for _ in range(200):
        total = total.convolve(one)
    assert total.mean() == pytest.approx(200 / 240)
    assert total.prob_at(0) == pytest.approx(0.435, abs=0.005)  # binomial .434; Poisson .435, own arithmetic


def test_boundaries_that_are_each_annual_with_a_probability():
    """200 boundaries, p = .98: 196.0 +- 1.980 (Ricker et al. 2020, abstract, for the idea; sums: own arithmetic)."""
    total = Pmf.point(0)
    for _ in range(200):
        total = total.convolve(Pmf(0, [0.02, 0.98]))
    assert total.mean() == pytest.approx(196.0)
    assert total.sd() == pytest.approx(1.980, abs=5e-4)


def test_independent_errors_add_in_variance():
    """Count 1.5 (Weisberg & Swanson 2001, abstract), pith 4.7 (Baker et al. 2005, read), height 3.0: 5.77 years."""
    count, pith, height = (collar_mass(50.0, spread) for spread in (1.5, 4.7, 3.0))
    total = count.convolve(pith).convolve(height)
    assert total.sd() == pytest.approx(5.77, abs=0.03)  # whole years add 1/12 to each variance
    assert np.sqrt(total.var() - 3 / 12) == pytest.approx(5.77, abs=5e-3)


@pytest.mark.parametrize(("crown", "percent"), [("intermediate", 4.6), ("overtopped", 16.2)])
def test_ring_anomalies_by_crown_class(crown, percent):
    """1.3 % dominant, 4.6 % intermediate, 16.2 % overtopped (Lorimer, Dahir & Singer 1999, abstract): as factors."""
    ratio = alignment_prior(crown_class=crown).absent_share_a / alignment_prior(crown_class="dominant").absent_share_a
    assert ratio == pytest.approx(percent / 1.3, rel=0.02)


@pytest.mark.parametrize(("stand", "mean", "most"), [(20, 2.4, 6), (38, 6.4, 13)])
def test_white_spruce_buried_collar(stand, mean, most):
    """Ground-level counts 2.4 (0-6) too low at 20 years and 6.4 (0-13) at 38 (Peters et al. 2002, abstract)."""
    name = f"white spruce buried collar {stand} years"
    row = early_heights()[name]
    assert (row.mean_years, row.low_years, row.high_years) == (mean, 0, most)
    with pytest.raises(ModelError, match=f"Write {mean} or your own figure as collar_years"):
        from_published(name)


def test_canopy_residence():
    """4.8 to 5.4 % of trees a decade: 184 to 211 years (Ziegler 2002, abstract); the printed rates are rounded."""
    assert canopy_residence_years([5.4, 4.8]) == pytest.approx([184, 211], rel=0.015)
    assert canopy_residence_years([5.7, 6.9]) == pytest.approx([175, 145], abs=0.6)  # Lorimer & Frelich 1989, abstract


def test_rings_of_constant_basal_area():
    """30 mm at 200 mm2 a year: 14.14 rings (idea of Biondi & Qeadan 2008, abstract; closed form, own arithmetic)."""
    assert float(constant_basal_area_rings(30.0, 200.0)) == pytest.approx(14.14, abs=5e-3)
