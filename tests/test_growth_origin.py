"""Tests of treeage.growth: gap or suppressed origin from early growth."""

import numpy as np
import pytest
from scipy import stats

from treeage.errors import InputError
from treeage.growth import CoreWidths, OriginCalibration, calibrate_origin, classify_origins, early_growth

CALIBRATION = OriginCalibration(np.log(2.0), np.log(0.5), 0.4, "test saplings")


def test_early_growth_starts_at_the_diameter() -> None:
    """The span begins with the first ring that starts at or beyond a radius of 20 mm."""
    core = CoreWidths(range(1900, 1940), [2.0] * 10 + [3.0] * 5 + [1.0] * 25)
    assert early_growth(core, count=1)[0] == 3.0  # hand count: 10 rings of 2 mm reach 20 mm
    shifted = CoreWidths(range(1900, 1930), [1.0] * 30, pith_distance_mm=20.0)
    assert early_growth(shifted, count=1)[0] == 1.0  # hand count: the first five rings


def test_unseen_span_is_not_guessed() -> None:
    """A core that starts beyond the diameter, or never reaches it, has no early growth."""
    beyond = CoreWidths(range(1900, 1930), [1.0] * 30, pith_distance_mm=21.0)
    small = CoreWidths(range(1900, 1910), [1.0] * 10)
    assert np.isnan(early_growth(beyond)).all() and np.isnan(early_growth(small)).all()
    table = classify_origins({"a": beyond, "b": small}, CALIBRATION)
    assert table.frame["origin"].tolist() == ["not seen", "not seen"]


def test_probability_is_bayes_rule() -> None:
    """The odds are the ratio of the two normal densities of log growth."""
    for growth in (0.3, 1.0, 1.7):
        gap = stats.norm(np.log(2.0), 0.4).pdf(np.log(growth))  # SciPy
        low = stats.norm(np.log(0.5), 0.4).pdf(np.log(growth))  # SciPy
        assert CALIBRATION.gap_probability(growth) == pytest.approx(gap / (gap + low))
    assert CALIBRATION.threshold_mm == pytest.approx(1.0)  # closed form: geometric mean of 2 and .5
    assert CALIBRATION.gap_probability(CALIBRATION.threshold_mm) == pytest.approx(0.5)  # closed form


def test_error_share_on_simulated_saplings() -> None:
    """The stated share of wrong sides is what a simulation shows."""
    rng = np.random.default_rng(4)
    close = OriginCalibration(np.log(1.2), np.log(0.8), 0.4, "test")
    wrong = np.exp(rng.normal(close.log_gap, close.log_sd, 40_000)) < close.threshold_mm
    assert close.error_share == pytest.approx(wrong.mean(), abs=0.01)  # simulation, 4 standard errors


def test_pith_distance_error_reaches_the_probability() -> None:
    """An uncertain distance mixes the answers of the years it may point to."""
    widths = [0.4] * 30 + [2.5] * 40
    sure = classify_origins({"a": CoreWidths(range(70), widths, pith_distance_mm=8.0)}, CALIBRATION).frame
    vague_core = CoreWidths(range(70), widths, pith_distance_mm=8.0, pith_distance_sd_mm=3.0)
    vague = classify_origins({"a": vague_core}, CALIBRATION).frame
    assert sure["p_gap"].iloc[0] > 0.95
    assert 0.3 < vague["p_gap"].iloc[0] < sure["p_gap"].iloc[0]


def test_calibration_and_faces() -> None:
    """Calibration from saplings, then frame, sentence, HTML and plot."""
    from matplotlib.figure import Figure

    calibration = calibrate_origin([2.0, 1.8, 2.2], [0.5, 0.6, 0.4], source="own saplings")
    fast = CoreWidths(range(60), [2.0] * 60)
    slow = CoreWidths(range(80), [0.5] * 80)
    table = classify_origins({"fast": fast, "slow": slow}, calibration)
    assert table.to_frame()["origin"].tolist() == ["gap", "suppressed"]
    assert "1 gap, 1 suppressed" in table.sentence() and "<table" in table._repr_html_()
    ax = Figure().subplots()
    assert table.plot(ax=ax) is ax and "mm per year" in ax.get_xlabel()


@pytest.mark.parametrize(
    ("gap", "low", "match"),
    [
        ([2.0, 2.0], [0.5] * 3, "got 2 gap and 3 suppressed saplings, need at least 3 of each"),
        ([0.5] * 3, [2.0] * 3, "got gap mean 0.5 mm, suppressed mean 2 mm, need faster growth in gaps"),
        ([0.0] * 3, [2.0] * 3, "got 0 at position 0, need finite and above 0"),
    ],
)
def test_refusals(gap: list[float], low: list[float], match: str) -> None:
    """Each fault names the values and the unit."""
    with pytest.raises(InputError, match=match):
        calibrate_origin(gap, low, source="test")


def test_odd_spans_and_levels_are_refused_and_the_order_of_trees_is_nothing() -> None:
    """A span backwards would give a growth; the draws of a tree are its own wherever it stands."""
    core = CoreWidths(range(1900, 1940), [1.0] * 40, pith_distance_mm=8.0, pith_distance_sd_mm=4.0)
    for span in (-1, 0, 2.5):
        with pytest.raises(InputError, match="span_years: got .*need a whole number of at least 1"):
            early_growth(core, span_years=span)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="got no series, need at least one tree"):
        classify_origins({}, CALIBRATION)
    with pytest.raises(InputError, match="sure: got 2, need between 0 and 1"):
        classify_origins({"a": core}, CALIBRATION, sure=2.0)
    wavy = CoreWidths(range(1900, 1940), 1 + 0.5 * np.sin(np.arange(40)), pith_distance_mm=8.0, pith_distance_sd_mm=4.0)
    one, other = {"a": core, "b": wavy}, {"b": wavy, "a": core}
    tables = [classify_origins(series, CALIBRATION).frame.set_index("tree").loc[["a", "b"]] for series in (one, other)]
    assert tables[0].equals(tables[1])
