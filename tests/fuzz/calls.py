"""The public functions with sound arguments, one or two of which a case replaces by something odd.

Those of the package root, the faces that the design names, and what notebooks call of the rooms. Methods stand as
functions of their object. `fit_hierarchical` samples for minutes, so it always gets a field that is none.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pandas as pd

import treeage
from treeage import counting, crossdating, growth, height, stand, validate
from treeage.distance import arc_likelihood, circle_likelihood, direct_likelihood, ray_likelihood
from treeage.formats import read_ring_file
from treeage.tables import Settings, write_field

Call = tuple[Callable[..., Any], Mapping[str, Any]]
LARCH = "Larix decidua"
SLOW = ("plan_coring", "next_steps", "validate_field", "sensitivity", "aim_second_core", "write_outputs",
        "stand_history", "predictive_checks", "find_pulses", "recruitment_history", "after_events")  # fmt: skip
DOCUMENTED = {"ages_of": (KeyError,), "tree_plot": (TypeError,)}  # what these raise besides


@cache
def small_field() -> treeage.Field:
    """Six trees, one of them with a ring table."""
    trees = pd.DataFrame({"tree": list("ABCDEF"), "species": LARCH, "dbh_cm": [30.0, 32.0, 28.0, 31.0, 33.0, 29.0]})
    core = {"core": "a", "outer_year": 2020, "core_height_m": 1.0, "dating": "lab_count", "core_length_mm": 130.0}
    rows = [{"tree": "A", "rings_counted": 80, "inner_end": "arcs", "chord_mm": 8.0, "rise_mm": 0.9},
            {"tree": "B", "rings_counted": 90, "inner_end": "pith"},
            *({"tree": tree, "rings_counted": 70, "inner_end": "rot"} for tree in "CDEF")]  # fmt: skip
    rings = pd.DataFrame({"tree": "A", "core": "a", "ring": range(1, 81), "width_mm": 1.5})
    return treeage.Field.from_frames(trees, pd.DataFrame([core | row for row in rows]), rings)


@cache
def small_ages() -> treeage.Ages:
    """Their ages."""
    return treeage.estimate_ages(small_field())


@cache
def small_sites() -> TemporaryDirectory[str]:
    """A folder of two field folders, gone at the end of the process."""
    made, field = TemporaryDirectory(), small_field()
    for name, keep in (("low", "AB"), ("high", "BD")):
        parts = ("trees", field.trees[["tree", "species", "dbh_cm"]]), ("cores", field.cores)
        tables = {table: rows[rows["tree"].isin(list(keep))] for table, rows in parts}
        write_field(Path(made.name, name), tables)
    return made


@cache
def dates() -> np.ndarray:
    """Joint draws of ten trees in two pulses."""
    rng = np.random.default_rng(1)
    return np.rint(rng.normal(np.repeat([1850, 1900], 5), 4.0, (60, 10))).astype(int)


def calls(place: Path) -> dict[str, Call]:
    """Every function with arguments that are sound; what is written goes to `place`."""
    field, ages, draws = small_field(), small_ages(), dates()
    widths = np.exp(np.sin(np.arange(40.0) * 1.7) / 3)
    pmf, tree = treeage.Pmf(3, [0.2, 0.5, 0.3]), ages["A"]
    core = {"outer_year": 2020, "rings_counted": 80, "dating": "lab_count", "inner_end": "pith", "core_height_m": 1.0}
    frames = {"trees": field.trees[["tree", "species"]], "cores": field.cores, "rings": field.rings}
    section = {"radius_m": 10.0}
    return {
        "arc_radius": (treeage.arc_radius, {"chord_mm": 8.0, "rise_mm": 0.9}),
        "missing_rings": (treeage.missing_rings, {"distance_mm": 12.0, "inner_widths_mm": [1.2, 0.9],
                                                  "distance_sd_mm": 2.0, "genus": "Larix", "calibration": None}),
        "missing_rings_many": (treeage.missing_rings_many, {"distances_mm": [12.0, 3.0], "genus": "Larix",
                               "inner_widths_mm": [[1.2, 0.9], [1.1]], "distance_sd_mm": 1.0, "prob": 0.9}),
        "calibrate_missing_rings": (treeage.calibrate_missing_rings, {"widths_from_pith_mm": [widths] * 3,
                                                                      "genus": "Larix"}),
        "align_cores": (treeage.align_cores, {"widths_a_mm": widths, "widths_b_mm": widths[1:], "prior": None,
                                              "reference": None}),
        "pmf": (treeage.Pmf, {"start": 3, "mass": [0.5, 0.5]}),
        "quantile": (pmf.quantile, {"prob": 0.5}),
        "interval": (pmf.interval, {"prob": 0.9}),
        "prob_at": (pmf.prob_at, {"value": 4}),
        "cdf": (pmf.cdf, {"value": 4}),
        "read_field": (treeage.read_field, {"folder": place / "none", "today": 2024}),
        "estimate_ages": (treeage.estimate_ages, {"field": field, "prob": 0.9, "seed": 0, "from_stand": True,
                                                  "from_pairs": True}),
        "estimate_sites": (treeage.estimate_sites, {"sites": small_sites().name, "out": place / "ages", "prob": 0.9,
                           "seed": 0, "draws": 5, "workers": 0, "scheduler": None}),
        "fit_hierarchical": (treeage.fit_hierarchical, {"field": None, "prob": 0.9, "seed": 0, "priors": None,
                                                        "sampling": None}),
        "ages_of": (ages.__getitem__, {"tree": "A"}),
        "draws": (ages.draws, {"n": 10, "seed": 0}),
        "tree_plot": (tree.plot, {"ax": None}),
        "from_frames": (treeage.Field.from_frames, frames | {"seedlings": None, "settings": Settings()}),
        "settings": (Settings, {"name": "S", "hemisphere": "north", "breast_height_m": 1.3, "shrinkage_percent": 0.0,
                                "defaults": {}, "height": {}, "doubt": {}}),
        "write_field": (write_field, {"folder": place / "field", "tables": frames, "settings": Settings(),
                                      "replace": True}),
        "write_outputs": (treeage.write_outputs, {"ages": ages, "folder": place / "out", "draws": 10, "seed": 0,
                          "history": None, "figures": "double", "formats": ("svg",)}),
        "date_tree": (treeage.date_tree, core | {"species": LARCH, "dbh_cm": 30.0, "widths_mm": (), "cores": (),
                      "seedlings": (), "height": "", "settings": None, "prob": 0.9}),
        "years_to_height": (treeage.years_to_height, {"height_m": 1.0, "model": None, "mean_years": 8.0,
                            "sd_years": 3.0, "stated_height_m": 1.0}),
        "years_from_open_data": (height.years_from_open_data, {"species": LARCH, "height_m": 1.0, "origin": "seed",
                                 "own_age_years": [4, 6], "own_height_m": [0.4, 0.7], "sampling": "age"}),
        "young_tree_evidence": (height.young_tree_evidence, {"genus": "Larix"}),
        "height_model": (height.height_model, {"settings": {"model": "none"}, "seedlings": None, "species": LARCH}),
        "example_field": (treeage.example_field, {"folder": place / "example", "scenario": "demo", "trees": 2,
                                                  "seed": 1}),
        "stand_history": (treeage.stand_history, {"ages": ages, "bin_years": 10, "within_years": (10,), "count": 20,
                          "most_pulses": 2, "diameter_sd_cm": 0.3, "prob": 0.9, "seed": 0}),
        "predictive_checks": (treeage.predictive_checks, {"ages": ages, "seed": 0}),
        "sensitivity": (treeage.sensitivity, {"field": field, "names": ["arc_sd"]}),
        "validate_field": (treeage.validate_field, {"field": field, "prob": 0.9, "seed": 0}),
        "aim_second_core": (treeage.aim_second_core, {"field": field, "tree": "A", "core_width_mm": 4.0}),
        "next_steps": (treeage.next_steps, {"field": field, "goal": "trees", "event": None, "pulse": None,
                                            "minutes": 60.0, "minutes_of": None, "seed": 0}),
        "plan_coring": (treeage.plan_coring, {"species": LARCH, "diameter_cm": 30.0, "tilt": (0.0, 0.0), "field": None,
                        "core_height_m": 1.0, "borer_mm": 400.0, "wanted_years": 10.0, "seed": 0}),
        "find_pulses": (stand.find_pulses, {"draws": draws, "weights": None, "most_pulses": 2, "widest_years": 15.0,
                                            "prob": 0.9, "seed": 0}),
        "split_shared": (stand.split_shared, {"draws": draws, "seed": 0}),
        "recruitment_history": (stand.recruitment_history, {"draws": draws, "weights": None, "last_year": 1950,
                                "count": 20, "prob": 0.9, "seed": 0, "events": {"fire": 1880}}),
        "after_events": (stand.after_events, {"draws": draws, "events": {"fire": 1880}, "within_years": (10, 20),
                                              "prob": 0.9}),
        "trees_to_meet": (stand.trees_to_meet, {"share": 0.1, "prob": 0.95}),
        "expansion_fixed_area": (stand.expansion_fixed_area, section | {"share_cored": 1.0}),
        "expansion_nearest_trees": (stand.expansion_nearest_trees, section | {"nearest": 4}),
        "arc_likelihood": (arc_likelihood, {"chord_mm": 8.0, "rise_mm": 0.9, "arc_sd_mm": 0.1}),
        "circle_likelihood": (circle_likelihood, {"radius_mm": 12.0, "step_mm": 2.0}),
        "ray_likelihood": (ray_likelihood, {"gap_mm": 4.0, "angle_deg": 20.0, "angle_sd_deg": 2.0}),
        "direct_likelihood": (direct_likelihood, {"distance_mm": 12.0, "distance_sd_mm": 2.0}),
        "count_error": (counting.count_error, {"rings_counted": 80, "dating": "lab_count", "genus": "Larix",
                                               "mean_width_mm": 1.0, "outer_lost_sd": 0.0}),
        "series_correlation": (crossdating.series_correlation, {"first": widths, "second": widths[::-1]}),
        "mean_sensitivity": (crossdating.mean_sensitivity, {"widths_mm": widths}),
        "basal_area_increment": (growth.basal_area_increment, {"widths_mm": widths, "inner_radius_mm": 3.0}),
        "ring_radii": (growth.ring_radii, {"widths_mm": widths, "pith_distance_mm": 3.0}),
        "inside_bark_diameter": (growth.inside_bark_diameter, {"diameter_cm": 30.0, "bark_mm": 10.0}),
        "past_trees": (growth.past_trees, {"ages": ages, "year": 1980, "count": 20, "prob": 0.9, "seed": 0}),
        "reliability": (validate.reliability, {"stated": [0.1, 0.8] * 9, "happened": [0, 1] * 9, "bins": 2}),
        "score_against_truth": (validate.score_against_truth, {"ages": ages, "truth": dict.fromkeys("ABCDEF", 1920)}),
        "read_ring_file": (read_ring_file, {"path": place / "none.txt"}),
    }  # fmt: skip
