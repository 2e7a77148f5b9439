"""Plain rules by name, and the comparison on complete cores."""

import numpy as np
import pytest

from treeage.errors import InputError
from treeage.rings import compare_rules, rule_rings
from treeage.rings.missing import MODELS, RULES, constant_basal_area_rings, constant_width_rings, initial_growth_rings


@pytest.mark.parametrize(
    ("distance", "width", "rings"),
    [
        (13.0, 1.3, 10.0),  # chord 10 mm, rise 1 mm, own arithmetic of Duncan 1989
        (14.34, 1.3, 11.03),  # the same arc with the rise 10 % less, own arithmetic
        (15.0, 1.5, 10.0),  # radius method, own arithmetic of common practice
        (0.0, 1.0, 0.0),  # closed form
    ],
)
def test_constant_width(distance, width, rings):
    """Distance over mean width."""
    assert float(constant_width_rings(distance, width)) == pytest.approx(rings, abs=0.005)


def test_constant_basal_area():
    """30 mm at 200 mm2 a year."""
    assert float(constant_basal_area_rings(30.0, 200.0)) == pytest.approx(14.137, abs=5e-4)  # pi * 900 / 200


def test_constant_basal_area_rule_is_exact_where_it_holds():
    """Rings of equal area: the rule gives the true number."""
    radius = np.sqrt(np.arange(0, 41) * 50.0 / np.pi)
    widths = np.diff(radius)
    found = rule_rings("constant_basal_area", [radius[12]], [widths[12:]])
    assert found[0] == pytest.approx(12.0)  # closed form


def test_constant_width_rule_uses_its_window():
    """Each window rule takes the mean of that many innermost rings."""
    widths = np.concatenate([np.full(5, 1.0), np.full(5, 2.0), np.full(10, 4.0)])
    found = [rule_rings(f"constant_width_{k}", [12.0], [widths])[0] for k in (5, 10, 20)]
    assert found == pytest.approx([12.0, 8.0, 12.0 / 2.75])  # hand sums


def test_initial_growth_interpolates_and_stops_where_nobody_reaches():
    """Mean ring number at a distance; NaN beyond all cores."""
    found = initial_growth_rings([1.0, 7.5, 99.0], [[2.0] * 5, [1.0] * 6])
    assert found[0] == pytest.approx(0.75)  # hand sum: (0.5 + 1) / 2
    assert found[1] == pytest.approx(3.75)  # only the first reaches
    assert np.isnan(found[2])


def test_comparison_finds_the_rule_that_made_the_wood():
    """In wood of equal ring areas the basal-area rule has no error and constant width has a large one."""
    widths = [np.diff(np.sqrt(np.arange(0, 90) * area / np.pi)) for area in (60.0, 80.0, 100.0)]
    table = compare_rules(widths, truncate_mm=[20.0]).set_index("rule")
    assert table.loc["constant_basal_area", "mean_error_rings"] == pytest.approx(0.0, abs=1e-9)  # closed form
    assert table.loc["constant_width_10", "mean_error_rings"] > 5
    assert table.loc["constant_width_10", "bias_rings"] > 5  # narrow outer rings: far too many


def test_comparison_has_a_row_for_each_rule_and_distance():
    """All rules side by side, with the model plain and calibrated."""
    rng = np.random.default_rng(2)
    cores = list(np.exp(rng.normal(0, 0.3, (6, 80))))
    table = compare_rules(cores, genus="Picea")
    assert table.groupby("distance_mm")["rule"].apply(list).tolist() == [[*RULES, *MODELS]] * 3
    assert (table["cores"] == 6).all()
    assert table["covered_90"].notna().sum() == 6
    assert table.loc[table["rule"] == "model", "covered_90"].between(0, 1).all()


def test_cores_of_one_tree_do_not_inform_each_other():
    """With a single tree there is no other tree to learn from."""
    rng = np.random.default_rng(3)
    cores = list(np.exp(rng.normal(0, 0.3, (2, 80))))
    table = compare_rules(cores, truncate_mm=[10.0], tree=["a", "a"]).set_index("rule")
    assert "initial_growth" not in table.index
    assert table.loc["model", "bias_rings"] == pytest.approx(table.loc["model_calibrated", "bias_rings"])


def test_calibration_helps_where_all_trees_began_alike():
    """Every tree began three times as wide: calibrated error is smaller than plain error."""
    rng = np.random.default_rng(4)
    trend = np.where(np.arange(90) < 10, 3.0, 1.0)
    cores = list(np.exp(rng.normal(0, 0.2, (14, 90))) * trend)
    table = compare_rules(cores, truncate_mm=[20.0]).set_index("rule")["mean_error_rings"]
    assert table["model_calibrated"] < 0.8 * table["model"]


def test_faults_are_named():
    """Unknown rule, one core, no core, negative distance."""
    with pytest.raises(InputError, match="got guess, need one of constant_width_5, "):
        rule_rings("guess", [1.0], [[1.0]])
    with pytest.raises(InputError, match="got 1 series, need at least 2 complete cores"):
        compare_rules([[1.0] * 40])
    with pytest.raises(InputError, match="got no series, need at least one complete core"):
        initial_growth_rings([1.0], [])
    with pytest.raises(InputError, match="distance_mm: got -3, need finite and at least 0"):
        constant_width_rings(-3.0, 1.0)
    with pytest.raises(InputError, match="increment_mm2: got 0, need finite and above 0"):
        constant_basal_area_rings(3.0, 0.0)
