"""Tests of treeage.growth on virtual stems with known diameters: what bands hold, what never happens, joins."""

from dataclasses import replace

import numpy as np
import pytest
from virtual_stems import LAST, core, draw_stem

from treeage import priors
from treeage.growth import common_criteria, find_changes, growth_history

BACK = (0, 20, 50, 100)
ANGLES = {1: [0], 2: [0, 180], 4: [0, 90, 180, 270]}


def histories(number, stems, seed=1, late=True, along=False):
    """Stems with their growth from some cores; of several, the last starts later; miss of a tenth of the radius."""
    rng = np.random.default_rng(seed)
    for _ in range(stems):
        stem = draw_stem(rng)
        turn = rng.uniform(0, 360)
        starts = [None] * number
        if late and number > 1:
            starts[-1] = LAST - int(rng.integers(70, 130))
        cores = [
            core(stem, rng, turn + angle, start=start, along=along, miss_mm=12.0 if along else None)
            for angle, start in zip(ANGLES[number], starts, strict=True)
        ]
        tape = stem.outside_cm(LAST) * (1 + priors.DIAMETER_SHARE.value * rng.standard_normal())
        bark = stem.bark * (1 + 0.15 * rng.standard_normal())
        mean = "quadratic" if number > 2 else "arithmetic"
        yield (
            stem,
            growth_history(
                cores, diameter_cm=tape, bark_mm=bark, bark_sd_mm=0.15 * bark, mean=mean, seed=int(rng.integers(2**31))
            ),
        )


def scores(number, stems, **how):
    """Share of 90 % bands that hold the truth by quantity and years back, and errors of the past diameter [share]."""
    held, errors = {}, {back: [] for back in BACK}
    for stem, history in histories(number, stems, **how):
        frame = history.to_frame().set_index("year")
        for back in BACK:
            year = LAST - back
            if year not in frame.index or year - 10 not in frame.index:
                continue
            row = frame.loc[year]
            area = np.pi * (stem.inside_cm(year) ** 2 - stem.inside_cm(year - 10) ** 2) / 4
            place = int(year - history.years[0])
            increment = history.increment_cm2[:, place - 9 : place + 1].sum(axis=1)
            low, high = np.quantile(increment, [0.05, 0.95])
            held.setdefault(("increment", back), []).append(low <= area <= high)
            truths = (
                ("diameter_inside_bark_cm", stem.inside_cm(year)),
                ("diameter_outside_bark_cm", stem.outside_cm(year)),
            )
            for name, truth in truths:
                held.setdefault((name, back), []).append(row[f"{name}_lo"] <= truth <= row[f"{name}_hi"])
            errors[back].append(row["diameter_inside_bark_cm_median"] / stem.inside_cm(year) - 1)
    return {key: float(np.mean(values)) for key, values in held.items()}, errors


@pytest.mark.parametrize(("number", "along"), [(1, False), (2, False), (2, True), (4, False)])
def test_bands_hold_the_known_diameters(number: int, along: bool) -> None:
    """Inside and outside diameters and increments of area at 0, 20, 50 and 100 years before the last ring.

    40 stems, so that the mean over the twelve bands has a standard error of about 0.03; 200 stems gave 0.86 to 0.95.
    """
    held, errors = scores(number, 40, along=along, seed=number)
    assert 0.80 <= np.mean(list(held.values())) <= 0.985
    if number == 2:
        assert np.median(np.abs(errors[50])) <= 0.03


def test_bands_without_the_error_of_the_stem_are_too_narrow() -> None:
    """Negative control: one radius is not the stem."""
    with priors.replaced({"core_stem": 0.0}):
        held, _ = scores(1, 25)
    assert np.mean([value for (name, back), value in held.items() if back in (20, 50)]) < 0.75


def test_no_stem_shrinks_and_no_ring_is_wider_than_a_core_shows() -> None:
    """Whatever the starts of the cores; typical rings lie on the level of the cores."""
    rng = np.random.default_rng(3)
    for _ in range(10):
        stem = draw_stem(rng)
        starts = rng.integers(LAST - 130, LAST - 40, 3).tolist()
        cores = [core(stem, rng, angle, start=start) for angle, start in zip((0, 100, 220), starts, strict=True)]
        tree = growth_history(cores, mean="quadratic", seed=5)
        assert np.diff(tree.radius_mm, axis=1).min() >= 0
        widest = max(np.asarray(one.widths_mm).max() for one in cores)
        assert np.median(np.diff(tree.radius_mm, axis=1), axis=0).max() <= 1.2 * widest
        assert tree.ring_mm.max() <= 1.5 * widest


def joined_stems(stems, seed):
    """Ring series of stems with a second core that starts late, of the first core alone, as steps of the mean radius of
    the cores that show a year (control); years of the joins."""
    rng = np.random.default_rng(seed)
    joined, single, control, start = {}, {}, {}, {}
    for number in range(stems):
        stem, turn, name = draw_stem(rng), rng.uniform(0, 360), f"T{number:03d}"
        start[name] = LAST - int(rng.integers(50, 110))
        first, other = core(stem, rng, turn), core(stem, rng, turn + 180)
        years, widths = np.asarray(other.years), np.asarray(other.widths_mm)
        hidden = np.median(other.pith_distance_mm) + widths[years < start[name]].sum()
        late = replace(
            other,
            years=years[years >= start[name]],
            widths_mm=widths[years >= start[name]],
            pith_distance_mm=hidden * np.exp(0.15 * rng.standard_normal(400)),
        )
        joined[name] = growth_history([first, late], count=60).series()
        single[name] = growth_history([first], count=60).series()
        radii = [np.median(each.pith_distance_mm) + np.cumsum(each.widths_mm) for each in (first, late)]
        at = np.searchsorted(first.years, late.years)
        mean = radii[0].copy()
        mean[at] = (radii[0][at] + radii[1]) / 2
        control[name] = replace(first, years=first.years[1:], widths_mm=np.maximum(np.diff(mean), 0.0))
    return joined, single, control, start


def test_a_join_of_cores_is_no_release() -> None:
    """300 undisturbed stems, a second core starts 50 to 110 years ago: as many events as without that core.

    In all years, and within ten years of the join, where counts of rare events differ by twice their root by chance. A
    mean radius that steps when a core comes in makes more of them there (control).
    """
    joined, single, control, start = joined_stems(300, seed=9)
    rules = common_criteria([core.widths_mm for core in single.values()])
    both, near = [], []
    for series in (joined, single, control):
        events = find_changes(series, criteria=rules).events
        both.append(len(events))
        near.append(int((np.abs(events["year"] - events["tree"].map(start)) <= 10).sum()))
    print("events", both, "near the join", near)
    assert both[1] > 300 and both[0] <= both[1] + 2 * np.sqrt(2 * both[1])
    assert near[1] > 50 and near[0] <= near[1] + 2 * np.sqrt(2 * near[1]) < near[2]


if __name__ == "__main__":
    for number in ANGLES:
        for along in (False, True):
            held, errors = scores(number, 200, along=along, seed=number)
            print(number, "along" if along else "square", {f"{k[0][:15]} {k[1]}": round(v, 3) for k, v in held.items()})
            print(
                {
                    b: (
                        round(100 * np.mean(np.abs(e)), 2),
                        round(100 * np.median(np.abs(e)), 2),
                        round(100 * np.mean(e), 2),
                    )
                    for b, e in errors.items()
                }
            )
