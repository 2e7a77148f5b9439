"""Curve forms: published check values, inverses, refusals; published curves against printed readings."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from treeage.errors import InputError, ModelError
from treeage.height import early_heights, height_curve, published_curve, published_curves
from treeage.height.curves import EQUATIONS, curve_parameters
from treeage.height.sources import FOOT_M

# form, parameters, height at 20 years, age at 1.3: arithmetic from the textbook equations, done independently
TABLE = [
    ("chapman_richards", {"asymptote": 30, "rate": 0.05, "shape": 1.3}, 16.525749, 1.873321),
    ("schumacher", {"asymptote": 40, "rate": 15}, 18.894662, 4.377625),
    ("korf", {"asymptote": 40, "rate": 8, "shape": 0.8}, 19.310592, 2.886002),
    ("weibull", {"asymptote": 30, "rate": 0.01, "shape": 1.3}, 11.644924, 3.142213),
    ("hossfeld_iv", {"asymptote": 30, "rate": 400, "shape": 1.5}, 5.482320, 6.898388),
    ("hossfeld_quadratic", {"constant": 18.6269, "linear": 1.192962, "quadratic": 0.03119}, None, 5.896563),
    ("logistic", {"asymptote": 30, "rate": 0.1, "shape": 20}, 8.093440, -0.988006),
    ("gompertz", {"asymptote": 30, "rate": 0.06, "shape": 4}, 8.992767, 4.040721),
]
POLYMORPHIC = {"site_index": 70, "b1": 5.2188, "b2": 0.6855, "b3": -0.0301, "b4": 50.0071, "b5": -0.8695}
LOT_329 = {"asymptote": 94.1282, "start": -8.2508, "log_rate": -3.2176}
EVERY = {form: parameters for form, parameters, _, _ in TABLE} | {
    "asymptotic": LOT_329,
    "polymorphic": POLYMORPHIC,
    "polymorphic_breast_height": {"breast_height": 4.5, **POLYMORPHIC},
    "king": dict(
        zip(curve_parameters("king"), (120, *published_curves()["douglas-fir king"].coefficients), strict=True)
    ),
    "bruce": dict(
        zip(curve_parameters("bruce"), (105, *published_curves()["douglas-fir bruce"].coefficients), strict=True)
    ),
}


@pytest.mark.parametrize(("form", "parameters", "height", "age"), TABLE)
def test_heights_and_ages_of_the_forms(form, parameters, height, age):
    """Each form gives the tabled height at 20 years and the age at 1.3."""
    curve = height_curve(form, parameters)
    if height is not None:
        assert float(curve.height_at(20.0)) == pytest.approx(height, abs=5e-7)  # closed form, textbook equation
    assert float(curve.age_at(1.3, below_start="extend")) == pytest.approx(age, abs=5e-7)  # closed form, inverse


@pytest.mark.parametrize(("height", "age"), [(0, 2.097863), (1, 2.364533), (4.5, 3.320967), (30, 11.679758)])
def test_asymptotic_regression_of_lot_329(height, age):
    """The inverse of the printed fit to one loblolly seed lot [ft]."""
    fit = {"asymptote": 94.12820, "start": -8.25075, "log_rate": -3.21758}
    curve = height_curve("asymptotic", fit)
    assert float(curve.age_at(height, below_start="extend")) == pytest.approx(
        age, abs=2e-4
    )  # least squares, closed form


def test_every_form_is_in_the_tests():
    """No form without a check."""
    assert set(EVERY) == set(EQUATIONS)


@given(form=st.sampled_from(sorted(EVERY)), share=st.floats(0.01, 0.97))
def test_inverse_undoes_the_curve(form, share):
    """The age of the height of an age is that age, for every form."""
    curve = height_curve(form, EVERY[form])
    top = min(curve.asymptote_m, float(curve.height_at(400.0)))
    low = max(curve.start_m, 0.0)
    height = low + share * (top - low)
    age = float(curve.age_at(height))
    assert age > 0
    assert float(curve.height_at(age)) == pytest.approx(height, rel=1e-8, abs=1e-8)


@given(form=st.sampled_from(sorted(EVERY)), age=st.floats(0.5, 300), step=st.floats(0.01, 50))
def test_curves_never_fall(form, age, step):
    """An older tree is not shorter."""
    curve = height_curve(form, EVERY[form])
    assert float(curve.height_at(age + step)) >= float(curve.height_at(age))


@pytest.mark.parametrize("form", sorted(EVERY))
def test_heights_at_or_above_the_asymptote_are_refused(form):
    """No finite age exists there."""
    curve = height_curve(form, EVERY[form])
    for height in (curve.asymptote_m, 1.5 * curve.asymptote_m):
        with pytest.raises(ModelError, match=r"need below the asymptote of .* \[m\], which is never reached"):
            curve.age_at(height)


def test_heights_below_the_start_of_a_curve():
    """A logistic curve is above 0 at age 0: clamp, refuse or extend to a negative age."""
    curve = height_curve("logistic", {"asymptote": 30, "rate": 0.1, "shape": 20})
    assert curve.start_m == pytest.approx(30 / 21)  # closed form
    assert float(curve.age_at(1.3)) == 0.0
    assert float(curve.age_at(1.3, below_start="extend")) < 0
    with pytest.raises(ModelError, match=r"got 1.3, need at least 1.429 \[m\]"):
        curve.age_at(1.3, below_start="refuse")
    with pytest.raises(ModelError, match="got guess, need clamp, refuse or extend"):
        curve.age_at(1.3, below_start="guess")


def test_heights_are_never_negative():
    """A curve that starts under the ground has height 0 until it emerges."""
    curve = height_curve("asymptotic", LOT_329)
    assert curve.start_m == pytest.approx(-8.2508)
    assert float(curve.height_at(1.0)) == 0.0  # emerges at 2.1 years
    assert float(height_curve("schumacher", {"asymptote": 40, "rate": 15}).height_at(0.0)) == 0.0  # limit
    assert float(height_curve("korf", {"asymptote": 40, "rate": 8, "shape": 0.8}).age_at(0.0)) == 0.0  # limit


def test_wrong_ages_and_parameters_are_refused():
    """Messages name the value, the unit and what is allowed."""
    curve = height_curve("schumacher", {"asymptote": 40, "rate": 15})
    with pytest.raises(InputError, match="age_years: got -1, need finite and at least 0"):
        curve.height_at(-1.0)
    with pytest.raises(InputError, match="height_m: got -0.2, need finite and at least 0"):
        curve.age_at(-0.2)
    with pytest.raises(ModelError, match="got spline, need one of chapman_richards, schumacher"):
        height_curve("spline", {})
    with pytest.raises(ModelError, match="got asymptote, need asymptote, rate. Give exactly these"):
        height_curve("schumacher", {"asymptote": 40})
    with pytest.raises(ModelError, match="rate: got -15, need finite and above 0"):
        height_curve("schumacher", {"asymptote": 40, "rate": -15})


def test_units_scale_with_the_curve():
    """The same curve in feet and in metres gives the same ages."""
    feet = height_curve("chapman_richards", {"asymptote": 100, "rate": 0.05, "shape": 1.3}, unit_m=FOOT_M)
    metres = height_curve("chapman_richards", {"asymptote": 30.48, "rate": 0.05, "shape": 1.3})
    np.testing.assert_allclose(feet.age_at([1.0, 5.0]), metres.age_at([1.0, 5.0]))


# ---------------------------------------------------------------------- published curves


def site_index_ft(name: str, height_ft: float, age: float) -> float:
    """Site index [ft] whose curve passes a height at an age."""
    entry = published_curves()[name]
    low, high = entry.site_low_m, entry.site_high_m

    def miss(site_m: float) -> float:
        return float(published_curve(name, site_m).height_at(age)) / FOOT_M - height_ft

    return brentq(miss, low, high) / FOOT_M


@pytest.mark.parametrize(
    ("name", "height", "age", "printed", "tolerance"),
    [
        ("douglas-fir king", 114, 45, 123, 1.0),  # DeYoung, Forest Measurements, sec. 6.6, graph, read: 123
        ("douglas-fir king", 135, 68, 113, 1.0),  # same graph, read: 113
        ("quaking aspen", 62, 40, 70, 1.0),  # Woodland Stewardship, App. B, read: closest to the 70 curve
        ("shortleaf pine", 75, 60, 69, 1.0),  # caption of a printed site-index figure, read: 69
    ],
)
def test_printed_site_index_readings(name, height, age, printed, tolerance):
    """An outside reading of the curves, independent of the coefficients."""
    assert site_index_ft(name, height, age) == pytest.approx(printed, abs=tolerance)


def test_total_age_curve_reads_the_same_site_index_at_breast_height_age():
    """The total-age Douglas-fir curve, read at breast-height age 45, agrees with the printed 123 ft."""

    def miss(site: float) -> float:
        curve = published_curve("douglas-fir bruce", site * FOOT_M)
        return float(curve.height_at(45 + float(curve.age_at(4.5 * FOOT_M)))) / FOOT_M - 114

    assert brentq(miss, 86, 134) == pytest.approx(123, abs=1.0)  # DeYoung, sec. 6.6, graph, read: 123


@pytest.mark.parametrize(("site", "years"), [(85, 9.0), (105, 8.0), (125, 7.0), (135, 6.5)])
def test_douglas_fir_years_to_breast_height(site, years):
    """Years to 4.5 ft are 13.25 - S/20."""
    curve = published_curve("douglas-fir bruce", site * FOOT_M)
    assert float(curve.age_at(4.5 * FOOT_M)) == pytest.approx(years, abs=1e-9)  # Bruce 1981, from memory


@pytest.mark.parametrize(("age", "height"), [(5, 0.86), (8, 4.50), (20, 33.11), (50, 93.73), (100, 145.68)])
def test_douglas_fir_total_age_heights(age, height):
    """Heights of the site-index 105 curve [ft]."""
    curve = published_curve("douglas-fir bruce", 105 * FOOT_M)
    assert float(curve.height_at(age)) / FOOT_M == pytest.approx(height, abs=0.006)  # Bruce 1981, from memory


def test_douglas_fir_ages_at_low_heights():
    """Age at 1 ft and at 1 m for site index 105 ft."""
    curve = published_curve("douglas-fir bruce", 105 * FOOT_M)
    assert float(curve.age_at(FOOT_M)) == pytest.approx(5.19, abs=0.005)  # Bruce 1981, from memory
    assert float(curve.age_at(1.0)) == pytest.approx(7.22, abs=0.005)  # Bruce 1981, from memory


@pytest.mark.parametrize("site", [80, 100, 120, 140])
def test_king_curves_close_at_the_base_age(site):
    """The site index comes back at breast-height age 50: one wrong digit would break it."""
    curve = published_curve("douglas-fir king", site * FOOT_M)
    assert float(curve.height_at(50)) / FOOT_M == pytest.approx(site, abs=0.05)  # King 1966, closure


@pytest.mark.parametrize(("age", "height"), [(10, 29.2), (20, 58.7), (50, 120.0), (100, 172.3)])
def test_king_heights(age, height):
    """Heights of the site-index 120 curve [ft]."""
    curve = published_curve("douglas-fir king", 120 * FOOT_M)
    assert float(curve.height_at(age)) / FOOT_M == pytest.approx(height, abs=0.05)  # King 1966, from memory


@pytest.mark.parametrize(
    ("name", "heights", "ages"),
    [
        ("quaking aspen", (35.8, 70.3, 90.2), (2.96, 16.55)),  # NC-128, from memory
        ("shortleaf pine", (34.6, 70.1, 92.0), (3.16, 17.21)),  # NC-128, from memory
    ],
)
def test_eastern_curves(name, heights, ages):
    """Heights at 20, 50, 100 years and implied ages at 4.5 and 30 ft, site index 70 ft."""
    curve = published_curve(name, 70 * FOOT_M)
    np.testing.assert_allclose(curve.height_at([20, 50, 100]) / FOOT_M, heights, atol=0.051)
    np.testing.assert_allclose(curve.age_at(np.array([4.5, 30]) * FOOT_M), ages, atol=0.0051)


def test_a_breast_height_curve_says_nothing_below():
    """Below 4.5 ft the King curve refuses."""
    curve = published_curve("douglas-fir king", 100 * FOOT_M)
    with pytest.raises(ModelError, match=r"got 1, need at least 1.372 \[m\], where the curve starts"):
        curve.age_at(1.0)


def test_site_index_in_feet_is_recognised():
    """A likely slip of the unit is named, not converted."""
    with pytest.raises(ModelError, match=r"got 70, need 15.2 to 24.4 \[m\].*This looks like feet: write 21.3"):
        published_curve("quaking aspen", 70)
    with pytest.raises(ModelError, match=r"got 40, need 15.2 to 24.4 \[m\].*another height model"):
        published_curve("quaking aspen", 40)
    with pytest.raises(ModelError, match="got oak, need one of douglas-fir bruce"):
        published_curve("oak", 20)


def test_every_published_row_names_its_source():
    """No figure without a source and a word on how it is known."""
    for entry in published_curves().values():
        assert (
            entry.known == "memory" and entry.checked and any(year in entry.source for year in ["1966", "1981", "1989"])
        )
    for figure in early_heights().values():
        assert figure.known in {"read", "abstract", "citing text", "memory"}
        assert figure.note and figure.source and figure.use in {"height", "rate", "collar"}
