"""Where the pith lies in the section, and what aiming at it promises: geometry, a million draws, virtual stands."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt

from treeage import priors
from treeage.distance import AimErrors, offset_share
from treeage.errors import InputError
from treeage.estimate import estimate_ages, prepare, read_cores
from treeage.planning import aim_second_core
from treeage.planning.aim import AIMED, NO_CORE, OPPOSITE, RIGHT_ANGLE, Aim, aim_from
from treeage.planning.places import (
    MOST_SHIFTED,
    SeenCore,
    axis_mm,
    core_evidence,
    drift_deg,
    lean_shift,
    prior_places,
    seen_from,
)
from treeage.simulate import scenario, simulate_stand
from treeage.simulate.trees import draw_trees
from treeage.tables import Field
from treeage.validate import binomial_band

TREE = {"tree": "A1", "species": "Larix decidua", "core_diameter_cm": 33.0, "bark_mm": 15.0}  # 150 mm inside bark
ARC = {"inner_end": "arcs", "chord_mm": 20.0, "rise_mm": 2.68}  # r = L**2 / 8 h + h / 2 = 20 mm (plane geometry)


def one_tree(core, *more, tree=None):
    """A field of one tree with the given cores."""
    usual = {"tree": "A1", "outer_year": 2024, "rings_counted": 120, "dating": "crossdated", "core_height_m": 1.0,
             "azimuth_deg": 0.0, "core_length_mm": 150.0}  # fmt: skip
    cores = [{**usual, "core": "ab"[at], **own} for at, own in enumerate((core, *more))]
    return Field.from_frames(pd.DataFrame([TREE | (tree or {})]), pd.DataFrame(cores))


def place(found):
    """Mean place of the pith: east and north."""
    return float(found.mass.sum(axis=1) @ found.axis_mm), float(found.mass.sum(axis=0) @ found.axis_mm)


# ------------------------------------------------------------------ by hand


def test_an_arc_to_the_right_puts_the_pith_there():
    """Core from the north, heading south: its right is the west; 20 mm beside it, as the radius of the arc says."""
    east, north = place(aim_second_core(one_tree(ARC | {"arc_side": "right", "arc_angle_deg": 90}), "A1"))
    assert -20 < east < -11  # plane geometry, drawn towards the centre by the core's own drift
    assert -20 < north < 0  # as long as the radius along the core, or 20 mm less square to the rings: half of each


def test_left_is_the_mirror_of_right():
    """The same arc on the other side mirrors the places and the aim, and changes no chance."""
    right, left = (
        aim_second_core(one_tree(ARC | {"arc_side": side, "arc_angle_deg": 90}), "A1") for side in ("right", "left")
    )
    assert left.mass[::-1] == pytest.approx(right.mass, abs=1e-9)
    assert left.best.chance_hit == pytest.approx(right.best.chance_hit, rel=1e-3)
    assert place(left)[0] == pytest.approx(-place(right)[0])


def test_a_pith_straight_ahead_lies_beyond_the_end():
    """A core that stops 20 mm short with arcs square to it: the pith lies on its line near the centre."""
    found = aim_second_core(one_tree(ARC | {"arc_angle_deg": 0, "core_length_mm": 130.0}), "A1")
    east, north = place(found)
    assert abs(east) < 1e-6
    assert abs(north) < 5
    spread = float(found.mass.sum(axis=0) @ found.axis_mm**2) ** 0.5
    assert spread < 0.6 * offset_share() * 150  # it tells how deep the pith lies


def test_the_compass_turns_everything():
    """Azimuth 90: the same picture a quarter turn on, the same way from the first core, the same chances."""
    core = ARC | {"arc_side": "right", "arc_angle_deg": 90}
    north, east = (aim_second_core(one_tree(core | {"azimuth_deg": azimuth}), "A1") for azimuth in (0.0, 90.0))
    assert east.round_deg == pytest.approx(north.round_deg)
    assert east.best.chance_hit == pytest.approx(north.best.chance_hit, rel=1e-6)
    assert place(east)[0] == pytest.approx(place(north)[1], abs=1e-6)
    assert place(east)[1] == pytest.approx(-place(north)[0], abs=1e-6)


def test_without_a_direction_turns_are_from_the_first_core():
    """No azimuth: the first core stands for 0, and the note says so."""
    found = aim_second_core(one_tree(ARC | {"arc_side": "left", "azimuth_deg": np.nan}), "A1")
    assert found.relative
    assert list(found.entries_deg.values()) == [0.0]
    assert "azimuth_deg" in " ".join(found.notes)
    assert "bearing" not in found.sentence()


def test_two_cores_cross_at_the_pith():
    """Arcs to the left of a core from the north and straight ahead of one from the west: the pith lies in the east."""
    first = ARC | {"arc_side": "left", "arc_angle_deg": 90}
    second = ARC | {"arc_angle_deg": 0, "azimuth_deg": 270.0, "core_length_mm": 150.0}
    alone, both = aim_second_core(one_tree(first), "A1"), aim_second_core(one_tree(first, second), "A1")
    assert place(both)[0] > place(alone)[0] > 8  # 150 mm from the west and 20 mm on
    spread = [np.sqrt(own.mass.sum(axis=1) @ (own.axis_mm - place(own)[0]) ** 2) for own in (alone, both)]
    assert spread[1] < 0.8 * spread[0]


def test_depth_is_that_of_the_pith_from_the_bark():
    """Straight opposite a core with the pith at its end: bark 15 mm and the other radius, 150 mm."""
    found = aim_second_core(one_tree({"inner_end": "pith"}), "A1")
    assert found[OPPOSITE].depths_mm[0] == pytest.approx(165, abs=4)
    assert "already holds the pith" in " ".join(found.notes)


def test_conifers_lean_away_from_their_pith():
    """Slope or lean to the south: in a conifer the pith lies north (Koch et al. 1990, abstract), else no shift."""
    steep = lean_shift(True, (80.0, 180.0), (np.nan, np.nan))
    assert (steep.east, steep.north) == pytest.approx((0.0, MOST_SHIFTED))
    assert lean_shift(True, (25.0, 180.0), (np.nan, np.nan)).north == pytest.approx(MOST_SHIFTED / 2)  # grows evenly
    assert lean_shift(True, (80.0, 180.0), (10.0, 90.0)).east == pytest.approx(-MOST_SHIFTED)  # a lean comes first
    assert (
        lean_shift(False, (80.0, 180.0), (np.nan, np.nan)).north
        == lean_shift(True, (80.0, np.nan), (5, np.nan)).north
        == 0
    )
    axis, usual = axis_mm(150.0), offset_share() * 150
    squares = [
        float(np.sum(prior_places(150.0, 0.0, shift) * (axis[:, None] ** 2 + axis[None, :] ** 2)))
        for shift in (steep, lean_shift(None, (80.0, 180.0), (5.0, 0.0)))
    ]
    assert squares == pytest.approx([2 * usual**2] * 2, rel=0.01)  # the mean-square offset stays
    found = aim_second_core(one_tree({"inner_end": "no_arcs"}, tree={"slope_percent": 60.0, "aspect_deg": 180.0}), "A1")
    level = aim_second_core(one_tree({"inner_end": "no_arcs"}, tree={"slope_percent": 60.0}), "A1")
    assert place(found)[1] > place(level)[1] + 1
    assert "upper side" in " ".join(found.notes)


def test_new_columns_never_move_a_date():
    """Side, axis, aspect and lean are for the aim: every mass function stays as it is."""
    more = {"aspect_deg": 200.0, "lean_deg": 8.0, "lean_azimuth_deg": 20.0, "slope_percent": 50.0}
    plain = estimate_ages(one_tree(ARC, tree={"slope_percent": 50.0}))["A1"]
    told = estimate_ages(one_tree(ARC | {"arc_side": "left", "arc_angle_deg": 70}, tree=more))["A1"]
    assert told.date.mass.tolist() == plain.date.mass.tolist()
    assert told.date.start == plain.date.start


def test_faults_say_what_to_do():
    """A tree that is not there, and a core without width."""
    field = one_tree(ARC)
    with pytest.raises(InputError, match="Name one of them: A1"):
        aim_second_core(field, "B7")
    with pytest.raises(InputError, match="core_width_mm"):
        aim_second_core(field, "A1", core_width_mm=0.0)


def test_cores_that_are_left_out_are_told():
    """A core of unknown direction has a hole somewhere, and one at another height is of another section."""
    unknown = aim_second_core(one_tree({"inner_end": "no_arcs"}, {"inner_end": "no_arcs", "azimuth_deg": np.nan}), "A1")
    assert list(unknown.entries_deg) == ["a"]
    assert any("at 1 m, where core a is; left out: core b" in note for note in unknown.notes)
    low = {"inner_end": "no_arcs", "core_height_m": 0.1, "azimuth_deg": 180.0}
    assert any("left out: core a" in note for note in aim_second_core(one_tree(ARC, low), "A1").notes)
    both = aim_second_core(one_tree(ARC, ARC | {"azimuth_deg": 90.0}), "A1")
    assert not any("left out: core" in note for note in both.notes)


def test_where_cores_stand_all_round_the_next_goes_between_them():
    """Nine cores every 40 degrees: the places furthest from them lie 20 degrees away; none is 45, and core a's is 0."""
    usual = {"tree": "A1", "outer_year": 2024, "rings_counted": 120, "dating": "crossdated", "core_height_m": 1.0,
             "core_length_mm": 120.0, "inner_end": "no_arcs"}  # fmt: skip
    cores = [usual | {"core": "abcdefghi"[at], "azimuth_deg": 40.0 * at} for at in range(9)]
    found = aim_second_core(Field.from_frames(pd.DataFrame([TREE]), pd.DataFrame(cores)), "A1")
    apart = min(abs((found.best.entry_deg - each + 180) % 360 - 180) for each in found.entries_deg.values())
    assert apart == pytest.approx(20.0)  # by hand
    assert any("no place is 45 degrees" in note for note in found.notes)


def test_faces_of_the_result():
    """Table with a row a way, words with the numbers of the best, a figure."""
    found = aim_second_core(one_tree(ARC | {"arc_side": "right"}), "A1")
    table = found.to_frame().set_index("way")
    assert list(table.index) == [AIMED, OPPOSITE, RIGHT_ANGLE, NO_CORE]
    assert table["chance_hit"].idxmax() == AIMED
    assert (table["chance_arcs"] >= table["chance_hit"]).all()
    assert f"{100 * found.best.chance_hit:.0f} %" in found.sentence()
    with pytest.raises(KeyError, match="need one of aimed, straight opposite"):
        found["upside down"]
    ax = found.plot()
    assert "core a" in {text.get_text() for text in ax.texts}
    ax.figure.draw_without_rendering()
    dots = [line for line in ax.lines if line.get_marker() == "o"]
    for text in ax.texts:  # inside the frame, and not under the dot it names
        words, frame = text.get_window_extent(), ax.get_window_extent()
        assert frame.x0 < words.x0 and words.x1 < frame.x1 and frame.y0 < words.y0 and words.y1 < frame.y1
        assert not any(words.overlaps(dot.get_window_extent()) for dot in dots)
    plt.close("all")


# ------------------------------------------------------------------ a million draws


def _one_node():
    return AimErrors(*(np.zeros(1) for _ in range(9)))


def test_places_are_those_of_a_million_draws():
    """Oracle: places, drifts and shortfalls drawn forwards and weighed by what is seen, with no grid at all.

    The core is 135 mm long in a stem of 150 mm and shows no arcs: nothing of the arc's reading is shared with the code.
    """
    rng, number, radius = np.random.default_rng(1), 1_000_000, 150.0
    cores = read_cores(one_tree({"inner_end": "no_arcs", "core_length_mm": 135.0}))
    usual = offset_share() * radius
    ahead, right = usual * rng.standard_normal((2, number))
    aside = right - radius * np.tan(np.deg2rad(drift_deg(0.0))) * rng.standard_normal(number)
    gap, spread = 15.0, np.hypot(float(cores.ends.radius_sd_mm[0]), 1.5)
    reach, wide = priors.SHORT_MM.value, np.hypot(usual, priors.AIM_MM.value)

    def unseen(distance):
        rise = distance - np.sqrt(np.maximum(distance**2 - 6.25, 0.0))  # across a core of 5 mm (plane geometry)
        rise = np.where(distance < 2.5, distance, rise)
        from scipy.stats import norm

        share = norm.cdf((priors.CURVATURE_SEEN.value - rise) / priors.CURVATURE_SEEN_SD.value)
        return np.where(distance < 2.5, 0.1, 1.0) * (0.25 + 0.75 * share)

    near = np.abs(aside) + rng.uniform(0, 1.5, number)
    passes = unseen(np.abs(aside)) * np.exp(-0.5 * ((gap + ahead - np.sqrt(near**2 - aside**2)) / spread) ** 2)
    before = rng.uniform(0, 6 * reach, number)
    distance = np.hypot(before, aside)
    flat = rng.normal(0, wide, number)
    norm_const = np.exp(-np.hypot(rng.uniform(0, 6 * reach, number), flat) / reach).mean()
    short = np.exp(-distance / reach) / norm_const * unseen(distance)
    short *= np.exp(-0.5 * ((gap + ahead - before) / spread) ** 2)
    weight = 0.8 * passes + 0.2 * short
    mass = prior_places(radius, 0.0, lean_shift(None, (0.0, 0.0), (0.0, 0.0)))
    mass = mass * core_evidence(SeenCore(0.0), cores.ends, _one_node(), radius)[0]
    mass, axis = mass / mass.sum(), axis_mm(radius)
    # a core from the north heads south: ahead is -north, right is -east
    for drawn, own in ((-right, mass.sum(axis=1)), (-ahead, mass.sum(axis=0))):
        mean = float(np.average(drawn, weights=weight))
        assert float(own @ axis) == pytest.approx(mean, abs=0.6)
        width = np.sqrt(np.average((drawn - mean) ** 2, weights=weight))
        assert float(np.sqrt(own @ (axis - own @ axis) ** 2)) == pytest.approx(width, rel=0.04)


def test_chances_are_those_of_a_million_draws():
    """Oracle: places drawn from the mass, borers that drift, and a look at which cores hold the pith."""
    field = one_tree(ARC | {"arc_side": "right", "arc_angle_deg": 80})
    found, rng, number = aim_second_core(field, "A1"), np.random.default_rng(2), 1_000_000
    axis, outside, error = found.axis_mm, found.radius_mm + found.bark_mm, _one_node()
    aim = Aim(axis, outside, error, np.ones(1), 5.0)
    step = axis[1] - axis[0]
    cell = rng.choice(found.mass.size, size=number, p=found.mass.ravel() / found.mass.sum())
    east, north = (axis[own] + step * (rng.random(number) - 0.5) for own in np.divmod(cell, axis.size))
    for entry, turn in ((180.0, 0.0), (found.best.entry_deg, found.best.turn_deg)):
        way = aim.way("", found.mass[None], entry, turn)
        start = outside * np.array([np.sin(np.deg2rad(entry)), np.cos(np.deg2rad(entry))])
        bearing = np.deg2rad(entry + 180 + turn + drift_deg(0.0) * rng.standard_normal(number))
        miss = np.abs((east - start[0]) * np.cos(bearing) - (north - start[1]) * np.sin(bearing))
        assert way.chance_hit == pytest.approx(float((miss <= 2.5).mean()), rel=0.04)
        deep = (east - start[0]) * np.sin(bearing) + (north - start[1]) * np.cos(bearing)
        assert way.depths_mm == pytest.approx(np.quantile(deep, [0.5, 0.9]), abs=2.0)


def test_angles_from_the_bark():
    """From the north the east lies to the left; a place 30 mm aside at 150 mm is atan(30 / 150) off (geometry)."""
    axis = np.array([-30.0, 0.0, 30.0])
    angle, distance = seen_from(0.0, 150.0, axis)
    assert angle[2, 1] == pytest.approx(-np.rad2deg(np.arctan(0.2)))
    assert distance[1, 0] == pytest.approx(180.0)


# ------------------------------------------------------------------ virtual stands


def _taken(field, stand, offsets, *, trees, seed):
    """Said chances and whether the core then taken holds the pith: aimed, and straight opposite."""
    cores, shared, _ = prepare(field)
    truth, rng, rows = stand.truth["cores"].set_index("tree"), np.random.default_rng(seed), []
    for tree in trees:
        found = aim_from(cores, shared, field, tree, 5.15)
        radius = truth.loc[tree, "inside_radius_mm"]
        north, east = offsets[int(tree[1:]) - 1] * radius
        row = []
        for name in (AIMED, OPPOSITE):
            way = found[name]
            entry = np.deg2rad(way.entry_deg)
            start = (radius + found.bark_mm) * np.array([np.sin(entry), np.cos(entry)])
            bearing = np.deg2rad(way.entry_deg + 180 + way.turn_deg + 3.0 * rng.standard_normal())
            miss = abs((east - start[0]) * np.cos(bearing) - (north - start[1]) * np.sin(bearing))
            row += [way.chance_hit, miss <= 5.15 / 2]
        rows.append(row)
    return np.array(rows, dtype=float)


def _stand(trees, seed, **coring):
    recipe = scenario("mixed")
    recipe = replace(recipe, trees=trees, coring=replace(recipe.coring, cores_per_tree=1, **coring),
                     reading=replace(recipe.reading, axis_share=1.0))  # fmt: skip
    stand = simulate_stand(recipe, seed=seed)
    return stand, draw_trees(recipe, np.random.default_rng(seed)).offset_share


@pytest.mark.slow
def test_said_chances_come_true():
    """Take the first core, aim, take the second: hits in ten bins of the said chance within binomial limits."""
    stand, offsets = _stand(240, 11)
    field = stand.field()
    taken = _taken(field, stand, offsets, trees=list(field.trees["tree"]), seed=1)
    order = np.argsort(taken[:, 0], kind="stable")
    for rows in np.array_split(order, 10):
        low, high = binomial_band(len(rows), float(taken[rows, 0].mean()), band=0.999)  # ten at once: 0.99 together
        assert low <= taken[rows, 1].mean() <= high
    low, high = binomial_band(len(taken), float(taken[:, 0].mean()), band=0.99)
    assert low <= taken[:, 1].mean() <= high
    opposite = taken[:, 3].sum()
    assert taken[:, 1].sum() > 1.4 * opposite  # control: chances said of one way are not those of another


@pytest.mark.slow
def test_aiming_doubles_the_hits_at_misses_of_twenty_millimetres():
    """First cores with arcs that miss the pith by 17 to 23 mm: aimed cores hold it twice as often as opposite."""
    stand, offsets = _stand(1500, 12, rot_share=0.0, short_share=0.0)
    truth, cores = stand.truth["cores"], stand.tables["cores"]
    missed = truth["miss_mm"].between(17, 23).to_numpy() & (cores["inner_end"] == "arcs").to_numpy()
    trees = list(cores.loc[missed, "tree"])[:200]
    tables = {name: stand.tables[name][stand.tables[name]["tree"].isin(trees)] for name in ("trees", "cores", "rings")}
    field = Field.from_frames(tables["trees"], tables["cores"], tables["rings"])
    taken = _taken(field, stand, offsets, trees=trees, seed=2)
    assert len(taken) > 80
    assert taken[:, 1].sum() >= 2 * taken[:, 3].sum()
