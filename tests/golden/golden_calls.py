"""Calls of public functions by themselves: a part of golden.py."""

import hashlib
import warnings

from golden_folders import write_case
from golden_parts import command, in_full, inside, outside, public
from golden_pieces import signal, widths


def quick_calls(part):
    """Public functions called by themselves."""
    import treeage

    def height(name):
        return public(name, "height")

    def ring_file(file):
        return public("ring_table", "formats")(public("read_ring_file", "formats")(source / file))

    own = widths(1, 30)
    missed = {
        "known": lambda: treeage.missing_rings(12.0, own),
        "unsure": lambda: treeage.missing_rings(12.0, own, distance_sd_mm=4.0),
        "genus": lambda: treeage.missing_rings(40.0, own[:5], distance_sd_mm=2.0, genus="Larix"),
        "one": lambda: treeage.missing_rings(0.4, [1.0]),
        "zero": lambda: treeage.missing_rings(0.0, own),
        "narrow": lambda: treeage.missing_rings(30.0, [0.1] * 40, distance_sd_mm=10.0, genus="Pinus"),
        "absent": lambda: treeage.missing_rings(8.0, [0.0, 0.5, 0.7, 0.0, 0.9]),
        "wrong": lambda: treeage.missing_rings(-1.0, own),
        "empty": lambda: treeage.missing_rings(1.0, []),
    }
    complete = [widths(400 + k, 80 + k) for k in range(5)]
    calibration = treeage.calibrate_missing_rings(complete)
    missed["calibrated"] = lambda: treeage.missing_rings(15.0, own, calibration=calibration)
    for name, make in missed.items():
        part.try_text(f"missing_rings_{name}.txt", lambda make=make: in_full(make()))
    many = treeage.missing_rings_many([0.5, 5.0, 20.0], [own, own[:8], own[:2]], prob=0.8)
    part.frame("missing_rings_many", many)
    part.try_text(
        "arc_radius.txt",
        lambda: in_full([treeage.arc_radius(chord_mm=8.0, rise_mm=2.0), treeage.arc_radius(11.3, 0.7)]),
    )
    part.try_text("arc_radius_wrong.txt", lambda: in_full(treeage.arc_radius(0.0, 1.0)))
    common = signal(9)
    for name, change in {"same": None, "absent": "del", "false": "split", "short": "cut"}.items():
        a, b = widths(10, 90, shared=common), widths(11, 90, shared=common)
        if change == "del":
            del b[45]
        elif change == "split":
            b[45:46] = [b[45] * 0.55, b[45] * 0.45]
        elif change == "cut":
            b = b[40:]
        found = treeage.align_cores(a, b)
        told = (
            found.best,
            found.events,
            found.ring_difference,
            found.extra_rings_a,
            found.extra_rings_b,
            found.joint,
            repr(found),
        )
        part.text(f"align_{name}.txt", "\n".join(in_full(one) for one in told) + "\n")
    years = {
        "mean_sd": {"mean_years": 8, "sd_years": 3, "stated_height_m": 1.0},
        "wrong": {"mean_years": 8},
    }
    for name, named in years.items():
        part.try_text(
            f"years_{name}.txt",
            lambda named=named: in_full([treeage.years_to_height(h, **named) for h in (0.0, 0.3, 0.8, 1.5)]),
        )
    part.text("height_words.txt", in_full([repr(height("early_heights")()), repr(height("published_curves")())]) + "\n")
    settings = {
        "mean": {"model": "mean_sd", "height_m": 1.0, "mean_years": 8, "sd_years": 3},
        "quantiles": {"model": "quantiles", "height_m": 1.0, "probs": [0.1, 0.9], "years": [5, 12], "counts": "time"},
        "published": {"model": "published", "name": "engelmann spruce cover"},
        "bruce": {"model": "curve", "name": "douglas-fir bruce", "site_index": 35.0},
        "aspen": {"model": "curve", "name": "quaking aspen", "site_index": 21.0},
        "unknown": {"model": "guess"},
    }
    for name, chosen in settings.items():
        part.try_text(
            f"height_{name}.txt",
            lambda chosen=chosen: in_full([treeage.years_to_height(h, chosen) for h in (0.5, 1.3)]),
        )
    mass = treeage.Pmf(3, [0.2, 0.5, 0.3])
    facts = (
        mass,
        mass.mean(),
        mass.sd(),
        mass.median(),
        mass.quantile(0.9),
        mass.interval(0.5),
        mass.prob_at(4),
        mass.shift(2),
        mass.negate(),
        mass.convolve(mass),
        mass.multiply(treeage.Pmf(4, [0.5, 0.5])),
        mass.condition(4, 9),
        treeage.Pmf.mixture([mass, mass.shift(1)], [1, 3]),
        repr(mass),
    )
    part.text("pmf.txt", "\n".join(in_full(one) for one in facts) + "\n")
    part.frame("nomenclature", public("nomenclature", "schema")())
    source = part.work / "ring_files"
    write_case("ring_files", source)
    for file in ("site.rwl", "site_thousandths.txt", "site.xml", "missing.rwl"):
        part.try_text(f"formats_{file}.txt", lambda file=file: in_full(ring_file(file)))
    commands_alone(part)
    more_calls(part)


def commands_alone(part):
    """Commands that need no field, or refuse what they are given."""
    for table in ("", "trees", "cores.csv", "core", "ages"):
        command(part, f"columns_{table or 'all'}", ["columns", *([table] if table else [])], inside)
    write_case("single", part.work / "single")
    for name, more in {
        "prob": ["--prob", "1.5", "--draws", "0", "--seed", "-1"],
        "same_folder": ["--out", "single"],
        "a_file": ["--out", "single/trees.csv"],
    }.items():
        command(part, f"refused_{name}", ["estimate", "single", *more], inside)
    command(part, "refused_no_folder", ["estimate", "nowhere"], inside)
    command(part, "refused_check", ["check", "nowhere"], inside)


def more_calls(part):
    """Growth, weights of trees, counts, curves and tables from Python."""
    import numpy as np
    import pandas as pd

    import treeage

    def height(name):
        return public(name, "height")

    def counted(*given, **named):
        return public("count_error", "counting")(*given, **named)

    def growth(name):
        return public(
            name, "growth", "growth_history", "growth_events", "growth_release", "growth_criteria", "growth_origin"
        )

    def stand(name):
        return public(name, "stand", "stand_weights", "stand_past")

    old = [widths(500 + k, 90, shared=signal(19), trend=0.002) for k in range(4)]
    for values in old[:3]:
        values[45:] = [round(2.4 * one, 2) for one in values[45:]]  # a release in 1976
    series = {
        f"G{k}": growth("CoreWidths")(np.arange(1931, 2021), values, pith_distance_mm=3.0 + k)
        for k, values in enumerate(old)
    }
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # so few widths give no stable line
        line = growth("fit_boundary_line")(old)
    criteria = growth("common_criteria")(old, line=line)
    calibration = growth("calibrate_origin")([2.0, 1.5, 1.8, 2.2], [0.4, 0.6, 0.3], source="own saplings")
    history = growth("growth_history")(
        list(series.values())[:3], diameter_cm=40.0, bark_mm=8.0, bark_sd_mm=1.0, mean="quadratic", count=50
    )
    frames = pd.DataFrame({"tree": ["A1"], "species": ["Larix decidua"], "dbh_cm": [30.0]})
    cores = pd.DataFrame(
        [
            {
                "tree": "A1",
                "core": "a",
                "outer_year": 2020,
                "rings_counted": 100,
                "core_height_m": 1.0,
                "dating": "crossdated",
                "inner_end": "pith",
            }
        ]
    )
    field = public("Field", "tables").from_frames(frames, cores)
    ages = treeage.estimate_ages(field)
    told = {
        "release": lambda: [
            growth(n)(old[0]) for n in ("window_means", "percent_change", "absolute_change", "sustained_change")
        ],
        "suppression": lambda: growth("percent_change")(old[0], direction="suppression"),
        "changes": lambda: (
            growth("find_changes")(series, criteria=criteria).events,
            growth("find_changes")(series, direction="suppression").sentence(),
        ),
        "line": lambda: (repr(line), growth("boundary_share")(old[0], line)),
        "origin": lambda: (
            repr(calibration),
            growth("early_growth")(series["G1"], count=40),
            growth("classify_origins")(series, calibration).to_frame(),
        ),
        "history": lambda: (history.years, history.diameter_cm[:2], history.at(1980), history.to_frame()),
        "radii": lambda: (
            growth("ring_radii")(old[0], pith_distance_mm=2.0),
            growth("mean_radius")([[3.0, 4.0]], mean="geometric"),
        ),
        "area": lambda: (
            growth("basal_area_increment")(old[0], inner_radius_mm=3.0),
            growth("basal_area_increment")(old[0], outer_radius_mm=400.0),
        ),
        "residence": lambda: (growth("canopy_residence_years")([5.0, 10.0]), growth("share_interval")(3, 20)),
        "past": lambda: stand("past_stand")(
            np.array([[1900, 1950], [1905, 1960.0]]), 1955, survey_year=2020, diameter_now_cm=[40, 20.0]
        ).totals(),
        "weights": lambda: (
            stand("expansion_fixed_area")([10.0, 5.0]),
            stand("expansion_nearest_trees")([8.0], 5),
            stand("effective_trees")([10.0, 40.0]),
            stand("chance_to_meet")(0.1, 20),
            stand("trees_to_meet")(0.1),
        ),
        "counts": lambda: [
            counted(n, d, genus=g)
            for n, d, g in (
                (100, "crossdated", None),
                (100, "lab_count", "Larix"),
                (300, "field_count", "Juniperus"),
                (3, "field_count", None),
            )
        ],
        "counts_lost": lambda: counted(80, "lab_count", outer_lost_sd=2.0),
        "counts_wrong": lambda: counted(80, "guess"),
        "curves": lambda: [
            repr(height("fit_curve")(form, [5, 10, 20, 40, 60, 80], [1.0, 2.6, 6.0, 11.5, 15.0, 17.2]))
            for form in ("chapman_richards", "hossfeld_iv", "weibull", "korf")
        ],
        "tips": lambda: height("tip_heights")([0.0, 0.3, 1.0, 2.0], [30, 26, 19, 8]),
        "from_frames": lambda: (repr(field), field._repr_html_(), field.summary(), ages.to_frame()),
        "bad_frames": lambda: public("Field", "tables").from_frames(frames, cores.assign(core_height_m=130.0)),
        "no_tree": lambda: ages["A9"],
        "bad_prob": lambda: treeage.estimate_ages(field, prob=2.0),
        "bad_field": lambda: treeage.estimate_ages(frames),
        "pmf_wrong": lambda: treeage.Pmf(0, [-1.0, 2.0]),
    }
    for name, make in told.items():
        part.try_text(f"more_{name}.txt", lambda make=make: in_full(make()))
    pair = treeage.align_cores(old[0], old[1][:60])
    part.try_text("more_align_path.txt", lambda: (in_full(pair.path().reset_index()), in_full(pair.in_line()))[0:2])
    found, prior = public("align_stand", "alignment")([(old[0], old[1]), (old[2], old[3][1:])])
    part.text("more_align_stand.txt", "\n".join([repr(prior), *(in_full(one.best) for one in found)]) + "\n")


def full_calls(part):
    """Help texts and the demo folder."""
    for name in ("", "check", "estimate", "stand", "columns", "example"):
        command(part, f"help_{name or 'all'}", [*([name] if name else []), "--help"], outside)
    command(part, "example", ["example", "demo"], outside)
    command(part, "example_again", ["example", "demo"], outside)
    lines = [
        f"{p.relative_to(part.work).as_posix()} {hashlib.sha256(p.read_bytes()).hexdigest()[:20]}"
        for p in sorted(part.work.glob("demo*/*"))
    ]
    part.text("example_files.txt", "\n".join(lines) + "\n")
