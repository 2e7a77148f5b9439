"""Tests of treeage.growth on virtual stems with known diameters: what bands hold, what never happens, joins."""

import numpy as np
import pytest
from virtual_stems import LAST, core, draw_stem

from treeage import priors
from treeage.growth import CoreWidths, common_criteria, find_changes, growth_history

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
        yield stem, growth_history(
            cores, diameter_cm=tape, bark_mm=bark, bark_sd_mm=0.15 * bark, mean=mean, seed=int(rng.integers(2**31))
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
            truths = (("diameter_inside_bark_cm", stem.inside_cm(year)), ("diameter_outside_bark_cm", stem.outside_cm(year)))
            for name, truth in truths:
                held.setdefault((name, back), []).append(row[f"{name}_lo"] <= truth <= row[f"{name}_hi"])
            errors[back].append(row["diameter_inside_bark_cm_median"] / stem.inside_cm(year) - 1)
    return {key: float(np.mean(values)) for key, values in held.items()}, errors


if __name__ == "__main__":
    for number in ANGLES:
        for along in (False, True):
            held, errors = scores(number, 200, along=along, seed=number)
            print(number, "along" if along else "square", {f"{k[0][:15]} {k[1]}": round(v, 3) for k, v in held.items()})
            print({b: (round(100 * np.mean(np.abs(e)), 2), round(100 * np.median(np.abs(e)), 2), round(100 * np.mean(e), 2)) for b, e in errors.items()})
