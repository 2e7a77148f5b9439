"""Distances to the pith: published geometry, quadrature and Monte Carlo as oracles, properties."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from treeage import priors
from treeage.distance import (
    DISTANCE_GRID_MM,
    AimErrors,
    DistanceSource,
    arc_likelihood,
    arc_radius,
    arc_rise,
    circle_likelihood,
    common_arcs_likelihood,
    conflict_probability,
    direct_likelihood,
    distance_mass,
    draw_distances,
    end_distances,
    grid_cells,
    inner_ends,
    inside_radius,
    joint_distances,
    off_axis_radius,
    offset_share,
    on_grid,
    point_likelihood,
    radial_length,
    ray_likelihood,
    source_words,
    unseen_curvature,
)
from treeage.distance.seen import DISTANCE_STEP, fit_circles
from treeage.errors import InputError
from treeage.schema import InnerEnd

FLAT = np.ones((1, DISTANCE_GRID_MM.size))


def quantile(mass, prob):
    """Quantile of a mass on the grid, between its points."""
    return float(np.interp(prob, np.cumsum(mass), DISTANCE_GRID_MM))


@pytest.mark.parametrize(
    ("chord", "rise", "radius"),
    [
        (12, 2, 10.0),  # worked geometry page, read
        (8, 2, 5.0),  # worked geometry page, read
        (10, 3, 5.667),  # worked geometry page, read
        (10, 5, 5.0),  # half circle, closed form
        (10, 1, 13.0),  # Duncan 1989 form (memory), own arithmetic
        (6, 0.5, 9.25),  # own arithmetic
        (5, 0.3, 10.57),  # own arithmetic
        (5, 0.4, 8.01),  # own arithmetic
        (5, 0.2, 15.73),  # own arithmetic
        (10, 1.1, 11.91),  # own arithmetic
        (10, 0.9, 14.34),  # own arithmetic
    ],
)
def test_arc_table(chord, rise, radius):
    """Chord and rise give the radius of the published and hand-computed examples."""
    assert float(arc_radius(chord, rise)) == pytest.approx(radius, abs=6e-3)


@pytest.mark.parametrize(
    ("chord", "radius", "slope"),
    [(5, 5, -6.5), (5, 10, -30.5), (5, 20, -126.5), (5, 50, -798), (20, 11, -0.71), (20, 20, -6.5), (20, 30, -16.5)],
)
def test_arc_sensitivity_table(chord, radius, slope):
    """dr/dh = 1/2 - L^2 / (8 h^2) at the rise of each radius (closed form, table of sensitivities)."""
    rise = radius - np.sqrt(radius**2 - chord**2 / 4)
    step = 1e-6
    numeric = float(arc_radius(chord, rise + step) - arc_radius(chord, rise - step)) / (2 * step)
    assert numeric == pytest.approx(slope, rel=0.012, abs=0.02)


@given(st.floats(1, 50), st.floats(0.02, 0.49), st.floats(0.1, 50))
def test_arc_radius_scales_with_the_unit(chord, share, factor):
    """Units scaled together change nothing; the radius is at least half the chord."""
    radius = float(arc_radius(chord, share * chord))
    assert float(arc_radius(factor * chord, factor * share * chord)) == pytest.approx(factor * radius)
    assert radius >= chord / 2 - 1e-9


@given(st.floats(1, 50), st.floats(0.02, 0.5))
def test_rise_is_the_inverse_of_the_radius(chord, share):
    """The circle of an arc has that rise again (closed form); a circle narrower than its chord is a half circle."""
    assert float(arc_rise(arc_radius(chord, share * chord), chord)) == pytest.approx(share * chord)
    assert float(arc_rise(0.1 * chord, chord)) == chord / 2


def test_flat_arc_says_nothing():
    """A rise of 0 ends as no information: the likelihood is level far out and small close in."""
    likelihood = arc_likelihood(5.0, 0.0)[0]
    far = likelihood[DISTANCE_GRID_MM > 200]
    assert far.min() > 0.98
    assert likelihood[(DISTANCE_GRID_MM > 3) & (DISTANCE_GRID_MM < 5)].max() < 1e-3


def test_flat_arc_stays_inside_the_stem():
    """With a flat arc the answer is what the aim says, and never beyond the geometric limit."""
    mass = end_distances(one_end("arcs", 100.0, 2.0, 95.0, arc=(5.0, 0.0, 0.1)), node())[0][0, 0]
    assert mass[DISTANCE_GRID_MM > 2 * 100 - 95 + 3].sum() == 0  # what is left of the diameter, hand sum
    assert 10 < quantile(mass, 0.5) < 60


def test_arc_answer_is_skewed_to_the_right():
    """L = 5, h = 0.3 +- 0.1 mm: 10.57 mm with 8.01 and 15.73 at one reading error (own arithmetic, skewed)."""
    aim = stats.halfnorm(scale=24.0).pdf(DISTANCE_GRID_MM)[None]  # oracle: SciPy
    mass = distance_mass(aim, [arc_likelihood(5.0, 0.3, 0.1)])[0]
    low, middle, high = (quantile(mass, prob) for prob in (0.16, 0.5, 0.84))
    assert low < 10.57 < high
    assert high - middle > middle - low


def test_arc_likelihood_against_brute_force():
    """Monte Carlo of the stated reading model agrees with the likelihood on the grid (oracle: simulation)."""
    rng = np.random.default_rng(5)
    radius = rng.uniform(2.6, 60, 400_000)
    # the radius of the ring is the distance times 1 + roundness error, as `priors.ROUNDNESS` states
    local = np.maximum(radius * (1 + priors.ROUNDNESS.value * rng.standard_normal(radius.size)), 2.5)
    rise = local - np.sqrt(local**2 - 6.25)
    spread = np.hypot(0.1, 5 / 4 / np.maximum(local, 3.0) * 0.1)
    read = rise + spread * rng.standard_normal(radius.size)
    kept = radius[np.abs(read - 0.4) < 0.01]
    density = np.where((DISTANCE_GRID_MM > 2.6) & (DISTANCE_GRID_MM < 60), 1.0, 0.0)[None]
    mass = distance_mass(density, [arc_likelihood(5.0, 0.4, 0.1)])[0]
    for prob in (0.25, 0.5, 0.75):
        assert quantile(mass, prob) == pytest.approx(np.quantile(kept, prob), rel=0.04)


def four_boundaries(radius_mm, chord_mm):
    """Four boundaries 2 mm apart round one centre: their distances outwards, chords and rises."""
    beyond = 2.0 * np.arange(4)
    chord = np.minimum(chord_mm, 1.6 * (radius_mm + beyond))
    return beyond, chord, radius_mm + beyond - np.sqrt((radius_mm + beyond) ** 2 - chord**2 / 4)


def spread_mm(likelihood):
    """Standard deviation of the distance under a level density per step of the grid."""
    mass = distance_mass(FLAT, [np.atleast_2d(likelihood)])[0]
    return float(np.sqrt(mass @ (DISTANCE_GRID_MM - mass @ DISTANCE_GRID_MM) ** 2))


def test_several_arcs_never_average_the_roundness_away():
    """Four consistent arcs say as much as the same boundaries digitised (10 % of 10 mm: 1 mm), not half of it."""
    beyond, chord, rise = four_boundaries(10.0, 14.0)
    together = spread_mm(common_arcs_likelihood(chord, rise, 0.05, beyond_mm=beyond))
    angle = np.tile(np.linspace(-0.6, 0.6, 25), 4)
    radius = 10.0 + np.repeat(beyond, 25)
    ring = np.repeat([1, 2, 3, 4], 25)
    digitised = spread_mm(point_likelihood(ring, 10 - radius * np.cos(angle), radius * np.sin(angle)))
    assert together == pytest.approx(digitised, rel=0.1)
    assert together == pytest.approx(priors.ROUNDNESS.value * 10, rel=0.1)  # the definition of roundness
    one = arc_likelihood(chord, rise, 0.05, beyond_mm=beyond)
    assert spread_mm(one.prod(axis=0)) < 0.7 * together  # negative control: arcs multiplied as if independent


def test_one_arc_alone_is_the_same_as_in_a_set_of_one():
    """A set of one arc is the arc (closed form of the definition)."""
    alone = arc_likelihood([9.0], [0.8], [0.1], beyond_mm=[3.0])[0]
    np.testing.assert_allclose(common_arcs_likelihood([9.0], [0.8], [0.1], beyond_mm=[3.0]), alone, atol=1e-12)


def test_intervals_from_four_arcs_hold_when_the_roundness_is_common():
    """300 simulated cores whose rings share one out-of-round factor: 90 % intervals hold 84 to 96 % (oracle)."""
    rng = np.random.default_rng(0)
    prior = np.where((DISTANCE_GRID_MM > 6) & (DISTANCE_GRID_MM < 15), 1 / np.maximum(DISTANCE_GRID_MM, 1), 0)[None]
    hits = []
    for true in np.exp(rng.uniform(np.log(6), np.log(15), 300)):
        beyond, chord, rise = four_boundaries(true * (1 + priors.ROUNDNESS.value * rng.normal()), 10.0)
        rise = np.maximum(rise + rng.normal(0, 0.05, 4), 0)
        common = common_arcs_likelihood(chord, rise, 0.05, beyond_mm=beyond)[None]
        independent = arc_likelihood(chord, rise, 0.05, beyond_mm=beyond).prod(axis=0)[None]
        masses = [distance_mass(prior, [likelihood])[0] for likelihood in (common, independent)]
        hits.append([quantile(mass, 0.05) <= true <= quantile(mass, 0.95) for mass in masses])
    covered, multiplied = np.mean(hits, axis=0)
    assert 0.84 < covered < 0.96
    assert multiplied < 0.75  # negative control: arcs multiplied as if independent


def test_rays():
    """Gap 5 mm and 10 degrees meet at 28.58 mm; the relative error of distance equals that of the angle."""
    likelihood = ray_likelihood(5.0, 10.0, 0.5)
    assert DISTANCE_GRID_MM[likelihood[0].argmax()] == pytest.approx(28.58, rel=DISTANCE_STEP)  # own, two-ray form
    mass = distance_mass(FLAT, [likelihood])[0]
    spread = np.log(quantile(mass, 0.84) / quantile(mass, 0.16)) / 2
    expected = np.hypot(0.5 / 10, priors.RAY_GAP_SD.value / 5)  # first-order error of a ratio, closed form
    assert spread == pytest.approx(expected, rel=0.1)


def test_tilt_and_shrinkage():
    """Tilt 15 degrees, Douglas-fir drying: the worked numbers."""
    assert float(radial_length(250, tilt_deg=15)) == pytest.approx(241.48, abs=5e-3)  # own arithmetic
    assert float(radial_length(1.0, tilt_deg=15)) == pytest.approx(0.96593, abs=5e-6)  # own arithmetic
    inner, outer = off_axis_radius([10.0, 12.0], 5.0)
    assert float(outer - inner) == pytest.approx(1.820, abs=5e-4)  # derived, off-axis check
    assert float(off_axis_radius(0.0, 5.0)) == 5.0  # own arithmetic
    assert float(off_axis_radius(10.0, 5.0)) == pytest.approx(11.18, abs=5e-3)  # own arithmetic
    shrinkage = 4.8 * (30 - 8) / 30  # Wood Handbook GTR-190 Table 4-3 (read) and its linear rule (memory)
    assert float(radial_length(180, shrinkage_percent=shrinkage)) == pytest.approx(186.6, abs=0.05)


@pytest.mark.parametrize(
    ("outside_in", "inside_in"),
    [(8.4, 7.6), (6.7, 6.0), (10.2, 9.3), (12.0, 11.0), (9.6, 8.7)],  # extension handbook, read
)
def test_bark_table(outside_in, inside_in):
    """Measured single bark gives the handbook's inside diameters."""
    bark_mm = (outside_in - inside_in) / 2 * 25.4
    radius, _ = inside_radius(outside_in * 2.54, bark_mm)
    assert 2 * float(radius[0]) / 25.4 == pytest.approx(inside_in)


def test_default_bark_is_the_published_ratio():
    """Without bark the inside/outside ratio is 0.91 (Douglas-fir, BC note, read): 50 cm gives 22.75 cm radius."""
    radius, spread = inside_radius(50.0)
    assert float(radius[0]) == pytest.approx(227.5)  # published ratio, own arithmetic
    assert float(spread[0]) > 5


def test_girth_example():
    """A girth of 46.5 in is a diameter of 14.80 in (forestry handout, read)."""
    assert 46.5 / np.pi == pytest.approx(14.80, abs=5e-3)  # closed form behind dbh_cm
    radius, _ = inside_radius(46.5 / np.pi * 2.54, 0.0)
    assert 2 * float(radius[0]) / 25.4 == pytest.approx(14.80, abs=5e-3)


def node(**values):
    """One node of the shared errors, the others in the middle of their priors."""
    fields = ("aim", "eccentricity", "sight", "overlooked", "shortfall", "again", "arc_bias", "arc_spread", "square")
    return AimErrors(*(np.array([float(values.get(name, 0.0))]) for name in fields))


def one_end(word, radius=150.0, spread=3.0, length=130.0, arc=(np.nan, np.nan, np.nan), seen_by=None, **more):
    """What was seen at one inner end."""
    chord, rise, error = (np.array([value]) for value in arc)
    read = {} if np.isnan(arc[0]) else {DistanceSource.ARC: (np.array([True]), arc_likelihood(chord, rise, error))}
    stem = tuple(np.array([value]) for value in (radius, spread, length))
    words = np.array([InnerEnd(word)], dtype=object)
    return inner_ends(words, read | (seen_by or {}), (chord, rise, error), stem, **more)


def test_radius_method_is_wide():
    """DIB 370 mm, core 170 mm: 15 mm short of the centre, but an eccentric pith makes it 5 to 50 mm."""
    mass = end_distances(one_end("broken", 185.0, 1.0, 170.0), node())[0][0, 0]
    low, high = quantile(mass, 0.05), quantile(mass, 0.95)
    assert low < 15 - 5 and high > 15 + 18.5  # eccentricity of 5 % of the diameter is 18.5 mm, own arithmetic


def made_cores(rng, number, *, square, past, aside=1.0, off=1.0):
    """Cores bored at a stem of radius 150: distance of the inner end, and radius less length (the model in words)."""
    scale = priors.ECCENTRICITY.value / np.sqrt(np.pi / 2) * 150
    width = aside * np.hypot(scale, priors.AIM_MM.value)
    miss = width * np.where(past, rng.standard_t(priors.AIM_TAIL_DF.value, number), rng.standard_normal(number))
    short = np.where(past, 0.0, rng.uniform(0, 300, number))
    distance = np.hypot(short, miss)
    kept = past | (rng.random(number) < np.exp(-distance / priors.SHORT_MM.value))
    error = np.hypot(off * scale, 3.0) * rng.standard_normal(number)
    return distance[kept], ((distance if square else short) + error)[kept], past[kept]


@pytest.mark.parametrize("square", [False, True])
@pytest.mark.parametrize("gap", [5.0, 30.0])
def test_core_that_stopped_short_against_monte_carlo(square, gap):
    """A broken core of known length: cores made by the model's own words that have this length (oracle: simulation)."""
    rng = np.random.default_rng(3)
    short_only = np.zeros(3_000_000, dtype=bool)
    distance, short, _ = made_cores(rng, 3_000_000, square=square, past=short_only, aside=1.3, off=0.8)
    kept = distance[np.abs(short - gap) < 0.75]
    errors = node(aim=np.log(1.3), eccentricity=np.log(0.8), square=square)
    mass = end_distances(one_end("broken", length=150.0 - gap), errors)[0][0, 0]
    for prob in (0.05, 0.25, 0.5, 0.75, 0.95):
        assert quantile(mass, prob) == pytest.approx(
            np.quantile(kept, prob), rel=0.08, abs=0.4
        )  # Monte Carlo error of few thousand draws


def test_core_without_arcs_against_monte_carlo():
    """No arcs on an intact core: passed beside the pith or stopped short, and nothing was noticed (simulation)."""
    rng = np.random.default_rng(5)
    past = rng.random(6_000_000) < 0.5
    distance, gap, past = made_cores(rng, past.size, square=False, past=past)
    noticed = np.interp(distance, DISTANCE_GRID_MM, 1 - unseen_curvature(sight=0.2)[0])
    open_to = (np.abs(gap - 10) < 0.75) & (distance > priors.CORE_WIDTH.value / 2)
    weight = np.where(past, 0.8 / past.sum(), 0.2 / (~past).sum()) * (1 - noticed)  # eight of ten pass
    order = np.argsort(distance[open_to])
    total = np.cumsum(weight[open_to][order])
    mass = end_distances(one_end("no_arcs", length=140.0, pith_near=0.0), node(sight=0.2))[0][0, 0]
    for prob in (0.1, 0.25, 0.5, 0.75, 0.9):
        expected = distance[open_to][order][np.searchsorted(total, prob * total[-1])]
        assert quantile(mass, prob) == pytest.approx(expected, rel=0.05, abs=0.5)


def test_arc_that_was_read_could_be_seen():
    """A flat arc: the answer is what is left of the prior where arcs are seen at all (the missing factor, by hand)."""
    ends = one_end("arcs", length=np.nan, arc=(0.1, 0.0, 5.0), pith_near=1.0)  # rise without information
    mass, _ = end_distances(ends, node())
    seen = 1 - unseen_curvature()[0]
    scale = np.hypot(priors.ECCENTRICITY.value / np.sqrt(np.pi / 2) * 150, priors.AIM_MM.value)
    beside = 2 * stats.t(priors.AIM_TAIL_DF.value).pdf(DISTANCE_GRID_MM / scale) / scale  # oracle: SciPy
    assert quantile(mass[0, 0], 0.5) < 0.75 * quantile(distance_mass(beside[None], [FLAT])[0], 0.5)
    short = short_by_hand(scale) * np.exp(-DISTANCE_GRID_MM / priors.SHORT_MM.value)
    short = short / (short @ grid_cells())
    expected = distance_mass((0.8 * beside + 0.2 * short)[None], [seen[None]])[0]
    assert np.abs(mass[0, 0] - expected).sum() < 0.03


def short_by_hand(scale):
    """Density of hypot(x, y), x even over SHORT_MM, y normal: by quadrature (own sum)."""
    out = np.zeros(DISTANCE_GRID_MM.size)
    for k, r in enumerate(DISTANCE_GRID_MM):
        angle = (np.arange(2000) + 0.5) / 2000 * np.pi / 2
        out[k] = (2 * stats.norm(0, scale).pdf(r * np.sin(angle)) * r).mean() * np.pi / 2 / priors.SHORT_MM.value
    return out


def test_evidence_moves_with_what_was_seen():
    """Pith hits speak for a good aim, arcs read far out for good sight, long gaps for square lengths (by hand)."""
    aims = AimErrors(np.array([-0.7, 0.7]), *np.zeros((8, 2)))
    assert np.diff(end_distances(one_end("pith", length=150.0), aims)[1][:, 0])[0] < 0
    sights = AimErrors(np.zeros(2), np.zeros(2), np.array([-0.7, 0.7]), *np.zeros((6, 2)))
    far = one_end("arcs", length=150.0, arc=(5.0, 0.09, 0.02))
    assert np.diff(end_distances(far, sights)[1][:, 0])[0] > 0
    square = AimErrors(*np.zeros((8, 2)), np.array([0.0, 1.0]))
    summed = one_end("arcs", length=130.0, arc=(5.0, 0.157, 0.01))  # an arc at 20 mm, a gap of 20 mm
    assert np.diff(end_distances(summed, square)[1][:, 0])[0] > 0


def test_bias_of_arcs_moves_the_distance():
    """Radii read a tenth too long put the pith a tenth nearer (definition)."""
    ends = one_end("arcs", length=np.nan, arc=(8.0, 2.0, 0.02))
    plain, biased = (quantile(end_distances(ends, node(arc_bias=bias))[0][0, 0], 0.5) for bias in (0.0, 0.1))
    assert biased == pytest.approx(plain * np.exp(-0.1), rel=0.02)
    circle = {DistanceSource.CIRCLE: (np.array([True]), circle_likelihood(20.0, 1.0))}
    ends = one_end("arcs", length=np.nan, seen_by=circle)
    plain, biased = (quantile(end_distances(ends, node(arc_bias=bias))[0][0, 0], 0.5) for bias in (0.0, 0.1))
    assert biased == pytest.approx(plain * np.exp(-0.1), rel=0.03)  # a template circle too


def test_a_pith_is_taken_at_its_word_but_for_a_share():
    """Ten in a hundred piths lie beside the core, within half its width (definition); none where so set."""
    mass = end_distances(one_end("pith", pith_near=0.1), node())[0][0, 0]
    assert mass[0] == pytest.approx(0.9, abs=0.01)
    assert mass[priors.CORE_WIDTH.value / 2 < DISTANCE_GRID_MM].sum() == 0
    assert end_distances(one_end("pith", pith_near=0.0), node())[0][0, 0, 0] == 1.0


def test_a_pith_that_was_bored_for_says_nothing_of_the_aim():
    """However badly a stand was bored, one pith in ten was bored for or chosen (choice of `priors`), and tells no more
    than the place of the pith along the core: the normal density of radius less length (SciPy)."""
    lost = node(aim=6.0)  # next to no core meets the pith by its aim
    assert end_distances(one_end("pith", length=np.nan), lost)[1][0, 0] == pytest.approx(0.1, rel=0.02)
    along = np.hypot(priors.ECCENTRICITY.value / np.sqrt(np.pi / 2) * 150, 3.0)
    for length in (150.0, 120.0):
        expected = 0.1 * stats.norm(0, along).pdf(150 - length)
        assert end_distances(one_end("pith", length=length), lost)[1][0, 0] == pytest.approx(expected, rel=0.02)


def test_mean_offset_of_the_pith_is_the_published_one():
    """A core that stops at the centre of a stem sees the mean offset on average (Renvall 12.3 %, Woodall 14.4 %)."""
    rng = np.random.default_rng(6)
    scale = 100 * offset_share()
    assert 12.3 <= np.hypot(*(scale * rng.standard_normal((2, 1_000_000)))).mean() <= 14.4


@pytest.mark.parametrize("apart_deg", [180.0, 150.0, 45.0])
def test_two_cores_see_one_pith(apart_deg):
    """Monte Carlo of one pith and two ends agrees with the joint cases (oracle: simulation)."""
    rng = np.random.default_rng(4)
    scale = priors.ECCENTRICITY.value / np.sqrt(np.pi / 2) * 150
    along, across = scale * rng.standard_normal((2, 400_000))
    radius = 150 + 3 * rng.standard_normal(along.size)
    turn = np.deg2rad(apart_deg)
    along_two, across_two = along * np.cos(turn) + across * np.sin(turn), along * np.sin(turn) - across * np.cos(turn)
    one, two = radius - 110 - along, radius - 100 - along_two
    keep = (one > 0) & (two > 0)
    distances = np.stack([np.hypot(one, across), np.hypot(two, across_two)], axis=1)[keep]
    weights, cases = joint_distances(150.0, 3.0, (110.0, 100.0), apart_deg=apart_deg)
    weights = weights[0]
    assert weights.sum() == pytest.approx(1.0)
    assert weights @ cases[:, 0] == pytest.approx(distances[:, 0].mean(), rel=0.02)
    total, spread = cases.sum(axis=1), distances.sum(axis=1)
    assert np.sqrt(weights @ (total - weights @ total) ** 2) == pytest.approx(spread.std(), rel=0.08)


def test_unseen_curvature_counts_for_two_cores_of_one_line():
    """Rings that do not curve move both ends away from the pith, by what one core makes of it (own definition)."""
    plain, near = joint_distances(150.0, 3.0, (140.0, 140.0))
    weights, far = joint_distances(150.0, 3.0, (140.0, 140.0), no_arcs=(True, True))
    assert weights[0] @ far[:, 0] > plain[0] @ near[:, 0] + 1
    plain, weights = plain[0], weights[0]
    single = np.interp(near, DISTANCE_GRID_MM, unseen_curvature()[0]).prod(axis=1) * plain
    assert weights @ far[:, 0] == pytest.approx(single @ near[:, 0] / single.sum(), rel=0.02)


def test_concentric_circles_recover_the_centre():
    """Points on two boundaries with noise give the distance within its error (simulation, known truth)."""
    rng = np.random.default_rng(8)
    angle = np.linspace(-0.25, 0.25, 8)
    error = []
    for _ in range(60):
        x = np.concatenate([20 - 20 * np.cos(angle), 20 - 23 * np.cos(angle)])
        y = np.concatenate([20 * np.sin(angle), 23 * np.sin(angle)])
        noise = 0.05 * rng.standard_normal((2, x.size))
        fit = fit_circles(np.repeat([1, 2], 8), x + noise[0], y + noise[1])
        error.append((fit.curvature - 1 / 20) / fit.curvature_sd)
    assert abs(np.mean(error)) < 0.5
    assert 0.6 < np.std(error) < 1.4


def test_three_points_of_a_circle_give_its_radius():
    """Three points of a circle of radius 10 whose centre is at x = 10 (by construction)."""
    angle = np.array([-0.2, 0.0, 0.2])
    fit = fit_circles([1, 1, 1], 10 - 10 * np.cos(angle), 10 * np.sin(angle))
    assert 1 / fit.curvature == pytest.approx(10.0, abs=5e-4)


def test_straight_boundary_says_nothing():
    """Points on a straight line leave far distances open."""
    y = np.linspace(-2.5, 2.5, 9)
    likelihood = point_likelihood(np.ones(9), np.zeros(9), y)
    assert likelihood[DISTANCE_GRID_MM > 300].min() > 0.5
    assert likelihood[(DISTANCE_GRID_MM > 2.6) & (DISTANCE_GRID_MM < 6)].max() < 0.05


def test_sources_multiply_and_a_flat_one_changes_nothing():
    """Two equal circles narrow the answer, a flat source leaves it as it is."""
    one = distance_mass(FLAT, [circle_likelihood(12.0)])
    both = distance_mass(FLAT, [circle_likelihood(12.0), circle_likelihood(12.0)])
    assert np.array_equal(distance_mass(FLAT, [circle_likelihood(12.0), FLAT]), one)
    width = lambda mass: quantile(mass[0], 0.95) - quantile(mass[0], 0.05)  # noqa: E731
    assert width(both) < width(one)


@given(st.floats(1, 80), st.floats(0.5, 10))
def test_wider_input_never_narrows_the_answer(distance, spread):
    """Doubling the stated error of a distance widens its interval."""
    narrow = distance_mass(FLAT, [direct_likelihood(distance, spread)])[0]
    wide = distance_mass(FLAT, [direct_likelihood(distance, 2 * spread)])[0]
    assert quantile(wide, 0.95) - quantile(wide, 0.05) >= quantile(narrow, 0.95) - quantile(narrow, 0.05)
    assert narrow.sum() == pytest.approx(1.0)


def test_every_source_has_words_and_several_are_joined_in_their_order():
    """The phrases of the report, whatever the order in which sources were found; none is a word too (choice)."""
    words = [source_words(source) for source in DistanceSource]
    assert len(set(words)) == len(words) == 8
    found = DistanceSource.POINTS | DistanceSource.DIRECT | DistanceSource.CIRCLE | DistanceSource.SEVERAL_ARCS
    assert source_words(found) == "several arcs and template circle and distance read and digitised boundaries"
    assert source_words(DistanceSource.NOTHING) == "none"


def test_conflict_of_two_sources():
    """A circle at 40 mm and a distance of 5 mm +- 1 disagree; a circle at 5.5 mm does not."""
    read = distance_mass(FLAT, [direct_likelihood(5.0, 1.0)])
    assert conflict_probability(read, distance_mass(FLAT, [circle_likelihood(40.0)]))[0] < 0.001
    assert conflict_probability(read, distance_mass(FLAT, [circle_likelihood(5.5)]))[0] > 0.3


def test_unseen_curvature_halves_at_twenty_millimetres():
    """An arc across a 5 mm core is useless beyond about 20 mm (derived from the sensitivity table)."""
    unseen = unseen_curvature()[0]
    least = priors.CURVATURE_OVERLOOKED.value
    middle = DISTANCE_GRID_MM[np.argmin(np.abs(unseen - (1 + least) / 2))]
    assert middle == pytest.approx(20, abs=1)
    assert unseen[DISTANCE_GRID_MM < 8].max() < least + 0.01 and unseen[DISTANCE_GRID_MM > 60].min() > 0.95


def test_grid_is_even_in_the_logarithm():
    """The grid starts at the pith and then takes even steps of the logarithm (definition)."""
    assert DISTANCE_GRID_MM[0] == 0.0
    assert np.allclose(np.diff(np.log(DISTANCE_GRID_MM[1:])), DISTANCE_STEP)
    assert not DISTANCE_GRID_MM.flags.writeable


def test_known_distances_keep_their_place_on_the_grid():
    """Each lies on its two neighbours and keeps its mean (definition); the pith and the end of the grid on one."""
    distances = np.array([0.0, 0.01, 7.3, 212.0, DISTANCE_GRID_MM[-1], 2000.0])
    mass = on_grid(distances)
    assert mass @ DISTANCE_GRID_MM == pytest.approx(np.minimum(distances, DISTANCE_GRID_MM[-1]))
    assert (mass > 0).sum(axis=1).tolist() == [1, 2, 2, 2, 1, 1]


def test_draws_are_even_over_a_step_about_their_distance():
    """One distance of the grid: a uniform law one step wide, variance step**2 / 12 (closed form); none at the pith."""
    at, step = DISTANCE_GRID_MM[150], DISTANCE_GRID_MM[151] - DISTANCE_GRID_MM[150]
    mass = 3.0 * np.isclose(DISTANCE_GRID_MM, at)  # any scale
    drawn = draw_distances(mass, 20_000, np.random.default_rng(1))
    assert np.abs(drawn - at).max() <= step / 2
    assert drawn.mean() == pytest.approx(at, abs=4 * step / np.sqrt(12 * 20_000))  # 4 standard errors
    assert drawn.var() == pytest.approx(step**2 / 12, rel=0.03)  # standard error of a uniform variance: 0.6 %
    assert not draw_distances(on_grid(np.zeros(1))[0], 9, np.random.default_rng(1)).any()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: arc_radius(0.0, 1.0), "chord_mm: got 0, need finite and above 0"),
        (lambda: arc_radius(10.0, 6.0), r"rise_mm: got 6, need at most half the chord \[mm\]"),
        (lambda: ray_likelihood(5.0, -1.0), "angle_deg: got -1"),
        (lambda: radial_length(-5.0), "length_mm: got -5"),
        (lambda: off_axis_radius(-1.0, 5.0), "along_mm: got -1"),
        (lambda: circle_likelihood(0.0), "radius_mm: got 0"),
        (lambda: direct_likelihood(-1.0, 1.0), "distance_mm: got -1"),
        (lambda: inside_radius(0.0), "diameter_cm: got 0"),
        (lambda: joint_distances(-1.0, 1.0, (1.0, 1.0)), "radius_mm: got -1"),
        (lambda: fit_circles([1, 1], [0, 1], [0, 1]), "got 2 points, need at least 3 points"),
    ],
)
def test_bad_values_are_named(call, message):
    """Every refusal names argument, value and need."""
    with pytest.raises(InputError, match=message):
        call()
