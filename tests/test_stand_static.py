"""Tests of treeage.stand: constant and declining mortality by Poisson likelihood."""

import numpy as np
import pytest
from scipy import stats

from treeage.errors import InputError
from treeage.stand import StaticModels, static_models
from treeage.stand.static import StaticForm, fit_static

FORMS = list(StaticForm)


def test_worked_example() -> None:
    """100 trees of age 50 and 37 of age 100: survival .9803 a year, or an exponent of 1.434."""
    exponential, power = (fit_static([50, 100], [100, 37], form=form).estimate[0] for form in FORMS)
    assert exponential[1] == pytest.approx(0.01989, abs=5e-6)  # hand sum: ln(100 / 37) / 50
    assert np.exp(-exponential[1]) == pytest.approx(0.9803, abs=5e-5)  # hand sum
    assert power[1] == pytest.approx(1.434, abs=5e-4)  # hand sum: ln(100 / 37) / ln 2
    assert np.exp(exponential[0] - exponential[1] * 50) == pytest.approx(100)  # exact through two points


@pytest.mark.parametrize("form", FORMS)
def test_the_likelihood_is_at_its_top(form: StaticForm) -> None:
    """The score is 0 and the covariance the inverse information (closed forms), AIC and Pearson as defined."""
    rng = np.random.default_rng(1)
    ages = np.arange(15.0, 300, 10)
    counts = rng.poisson(40 * np.exp(-0.02 * ages), size=(3, ages.size))
    counts[0, 20:] = 0
    fit = fit_static(ages, counts, form=form)
    design = np.stack([np.ones(ages.size), -(ages if form == "exponential" else np.log(ages))])
    for row in range(3):
        mean = np.exp(fit.estimate[row] @ design)
        assert design @ (counts[row] - mean) == pytest.approx([0, 0], abs=1e-6 * (-design[1] @ mean))
        assert np.allclose(fit.covariance[row] @ ((design * mean) @ design.T), np.eye(2), atol=1e-6)
        assert fit.aic[row] == pytest.approx(4 - 2 * stats.poisson.logpmf(counts[row], mean).sum())  # SciPy
        assert fit.pearson[row] == pytest.approx(stats.chisquare(counts[row], mean).statistic)  # SciPy


@pytest.mark.parametrize("form", FORMS)
def test_the_area_is_an_exposure(form: StaticForm) -> None:
    """Counts that were not looked for on the same area: the score is 0 with the area times N expected."""
    rng = np.random.default_rng(2)
    ages = np.arange(10.5, 200, 20)
    area = np.where(ages < 60, 0.02, 0.1)
    counts = rng.poisson(area * 900 * np.exp(-0.02 * ages)) + 0.25
    fit = fit_static(ages, counts, form=form, exposure=area)
    design = np.stack([np.ones(ages.size), -(ages if form == "exponential" else np.log(ages))])
    mean = area * np.exp(fit.estimate[0] @ design)
    assert design @ (counts - mean) == pytest.approx([0, 0], abs=1e-6 * (-design[1] @ mean))  # closed form
    assert np.allclose(fit.covariance[0] @ ((design * mean) @ design.T), np.eye(2), atol=1e-6)  # closed form


@pytest.mark.parametrize("form", FORMS)
def test_newton_by_hand_agrees(form: StaticForm) -> None:
    """Newton steps written out for one stand end where the fit does."""
    ages, counts = np.array([10.0, 30, 50, 70, 90]), np.array([40.0, 22, 0, 9, 1])
    design = np.stack([np.ones(5), -(ages if form == "exponential" else np.log(ages))])
    beta = np.array([np.log(counts.mean()), 0.0])
    for _ in range(50):
        mean = np.exp(beta @ design)
        beta = beta + np.linalg.solve((design * mean) @ design.T, design @ (counts - mean))  # brute force
    assert fit_static(ages, counts, form=form).estimate[0] == pytest.approx(beta, rel=1e-7)


def test_draws_with_all_trees_in_one_class_are_left_out() -> None:
    """Five trees of 5 years and one of 25, 35 or 45: the last class is beyond those of most, and five tell nothing."""
    draws = np.array([[2020.0] * 5 + [oldest] for oldest in (2000.0, 1990.0, 1990.0, 1980.0)])
    models = static_models(draws, survey_year=2024, bin_years=10)
    rows = [[5, 0, 1, 0], [5, 0, 0, 1], [5, 0, 0, 1]]  # hand count
    fit = fit_static(models.ages, rows, form=StaticForm.EXPONENTIAL)
    assert models.estimate["exponential"] == pytest.approx(fit.estimate.mean(axis=0))
    assert models.counts.tolist() == [5, 0, 0.25, 0.5]  # hand count, all draws
    with pytest.raises(InputError, match="got no draw with a finite fit, need trees in at least 2"):
        static_models(np.full((3, 6), 1999.0), survey_year=2024, bin_years=10)


def _nested(seed: int, trees: int = 800) -> tuple[np.ndarray, np.ndarray]:
    """Establishment years and weights where trees below 15 cm were looked for on a quarter of the area; 2 % die."""
    rng = np.random.default_rng(seed)
    ages = 1 + np.floor(rng.exponential(50, trees))
    chance = np.where(0.3 * ages * np.exp(0.35 * rng.standard_normal(trees)) < 15, 0.1, 0.4)
    kept = rng.random(trees) < chance
    return np.tile(2024 - ages[kept] + 1, (20, 1)), 1 / chance[kept]


def test_nested_plots() -> None:
    """Weights undo the smaller plot of the small trees; without them the rate is far too low (control)."""
    rate, plain, hits = [], [], 0
    for seed in range(80):
        draws, weights = _nested(seed)
        model = static_models(draws, survey_year=2024, bin_years=20, trees_per_ha=weights, count=20)
        row = model.to_frame().iloc[0]
        rate.append(row["b"])
        hits += row["b_lo"] < 0.02 < row["b_hi"]
        plain.append(static_models(draws, survey_year=2024, bin_years=20, count=20).estimate["exponential"][1])
    assert np.mean(rate) == pytest.approx(0.02, abs=0.001)  # simulated truth
    assert hits / 80 >= 0.8  # 90 % less three binomial standard deviations
    assert np.mean(plain) < 0.015  # control


def test_equal_weights_change_nothing_but_the_unit() -> None:
    """The same weight for all trees is no weight: rate, interval, fit and dispersion are those of the counts."""
    plain = static_models(_stand(2), survey_year=2024, bin_years=20, youngest=20)
    model = static_models(_stand(2), survey_year=2024, bin_years=20, youngest=20, trees_per_ha=np.full(400, 25.0))
    assert np.allclose(
        model.to_frame().iloc[:, 1:], plain.to_frame().iloc[:, 1:], rtol=1e-7, equal_nan=True
    )  # no weights
    assert np.allclose(model.counts, 25 * plain.counts)  # hand: 25 trees per ha each
    for form in ("exponential", "power"):
        assert model.estimate[form][0] == pytest.approx(plain.estimate[form][0] + np.log(25))  # the same
    assert model.per_ha and not plain.per_ha


def _stand(seed: int, trees: int = 400, shared: float = 3.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    ages = np.minimum(20 + rng.exponential(50, trees), 400)
    read = 2024 - ages + 1 + rng.normal(0, 5, trees) + rng.normal(0, shared)
    return read + rng.normal(0, shared, (300, 1)) + rng.normal(0, 5, (300, trees))


def test_mortality_is_recovered_and_the_form_told() -> None:
    """A stand with 2 % constant mortality: the rate in its interval, and the exponential form preferred."""
    frame = static_models(_stand(2), survey_year=2024, bin_years=20, youngest=20).to_frame().set_index("model")
    assert frame.loc["exponential", "b_lo"] < 0.02 < frame.loc["exponential", "b_hi"]  # simulated truth
    assert frame.loc["exponential", "aic_weight"] > 0.9
    assert frame.loc["exponential", "survival_per_year"] == pytest.approx(0.98, abs=0.004)  # simulated truth
    assert np.isnan(frame.loc["power", "survival_per_year"])


def test_intervals_cover() -> None:
    """From a class above the smallest cored age, the 90 % interval covers 2 % in at least 80 % of 60 stands."""
    hits = 0
    for seed in range(60):
        model = static_models(_stand(seed, 200), survey_year=2024, bin_years=20, youngest=40, count=12)
        row = model.to_frame().iloc[0]
        hits += row["b_lo"] < 0.02 < row["b_hi"]
    assert hits / 60 >= 0.8


@pytest.mark.parametrize(("youngest", "width"), [(1, 20), (40, 10), (5, 1)])
def test_ages_of_the_classes(youngest: int, width: int) -> None:
    """A class is labelled with the mean of the whole ages in it: 1 to 20 years is 10.5."""
    ages = np.arange(1, 101)
    model = static_models(np.tile(2000.0 - ages + 1, (3, 1)), survey_year=2000, bin_years=width, youngest=youngest)
    starts = np.arange(youngest, 101, width)
    assert model.ages.tolist() == [np.arange(start, start + width).mean() for start in starts]  # direct mean
    assert model.counts.tolist() == [((ages >= start) & (ages < start + width)).sum() for start in starts]  # hand count


def test_rising_ages_give_no_mortality() -> None:
    """Where older trees are more numerous the sentence refuses to call it mortality."""
    rng = np.random.default_rng(3)
    draws = 2024 - rng.triangular(20, 200, 200, 300) + rng.normal(0, 2, (100, 300))
    model = static_models(draws, survey_year=2024, bin_years=20)
    assert "no mortality can be read" in model.sentence()


def _models(counts: list[float]) -> StaticModels:
    """Both forms on given counts in classes of 20 years, without dating error."""
    ages = 20 * (np.arange(len(counts)) + 0.5)
    draws = np.repeat(2025 - ages, np.array(counts, dtype=int))
    return static_models(np.tile(draws, (10, 1)), survey_year=2024, bin_years=20)


def test_forms_that_do_not_fit_are_not_ranked() -> None:
    """Waves of 40 and 2 trees: dispersion far above 1, so the sentence says that neither form fits."""
    model = _models([40, 2, 40, 2, 30, 1, 20, 1])
    assert min(model.dispersion.values()) > 10  # hand sum: (40 - 17)**2 / 17 is 31 in one class alone
    assert "Neither form fits" in model.sentence() and "fits better" not in model.sentence()


def test_forms_that_differ_little_are_not_ranked() -> None:
    """Three classes on a straight line fit both forms: the weights are told instead of a winner."""
    model = _models([12, 9, 8])
    assert model.to_frame()["aic_weight"].max() < 0.9
    assert "hardly tell the two forms apart" in model.sentence() and "fits better" not in model.sentence()


def test_faces() -> None:
    """Sentence with the condition, HTML with the caveat, plot on the given axes."""
    from matplotlib.figure import Figure

    model = static_models(_stand(4), survey_year=2024, bin_years=20, youngest=20)
    assert "only if establishment was steady" in model.sentence()
    assert "The exponential form fits better (Akaike weight 1.00)" in model.sentence()  # simulated constant mortality
    assert "dead are missing" in model._repr_html_()
    ax = Figure().subplots()
    assert model.plot(ax=ax) is ax and ax.get_yscale() == "log" and ax.get_ylabel() == "Trees in the class"
    weighted = static_models(_stand(4), survey_year=2024, bin_years=20, youngest=20, trees_per_ha=np.full(400, 25.0))
    assert weighted.plot(ax=Figure().subplots()).get_ylabel() == "Trees per ha in the class"


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda: fit_static([0, 10], [1, 1], form=StaticForm.POWER), "got 0 at position 0, need finite and above 0"),
        (lambda: fit_static([5, 10], [0, 0], form=StaticForm.POWER), "got 2 classes and 0 trees"),
        (
            lambda: static_models(np.full((5, 6), 2000.0), survey_year=2024, bin_years=50),
            "got 1 age classes, need at least 3",
        ),
        (
            lambda: fit_static([5, 10], [1, 1], form=StaticForm.POWER, exposure=0),
            "exposure: got 0, need finite and above 0",
        ),
        (
            lambda: static_models(_stand(4, 20), survey_year=2024, bin_years=10, trees_per_ha=[1.0, 2.0]),
            "trees_per_ha: got 2 weights, need one for each of 20 trees",
        ),
    ],
)
def test_refusals(make, match: str) -> None:  # type: ignore[no-untyped-def]
    """Each fault names the value and the need."""
    with pytest.raises(InputError, match=match):
        make()


def test_the_share_that_dies_in_a_year_goes_with_the_survival() -> None:
    """A rate of 0.2 a year leaves exp(-0.2) = 81.9 % (Sheil, Burslem and Alder 1995, from memory), so 18.1 % die."""
    counts = np.round(1000 * np.exp(-0.2 * np.arange(5, 45, 10)))
    draws = 2001 - np.repeat(np.arange(5, 45, 10), counts.astype(int))[None]
    models = static_models(draws, survey_year=2000, bin_years=10)
    table = models.to_frame().set_index("model")
    died = 100 * (1 - table.loc["exponential", "survival_per_year"])
    assert died == pytest.approx(18.1, abs=0.3)  # closed form
    assert f"Constant mortality: {died:.2f} % a year" in models.sentence()


@pytest.mark.parametrize(("option", "value"), [("bin_years", 2.5), ("bin_years", 0), ("count", 0)])
def test_classes_are_of_whole_years(option: str, value: float) -> None:
    """Ages are whole years: a class of two and a half would hold two and three of them in turn."""
    full = {"survey_year": 2024, "bin_years": 20, option: value}
    with pytest.raises(InputError, match=f"{option}: got {value:g}, need a whole number of at least 1"):
        static_models(_stand(2), **full)
