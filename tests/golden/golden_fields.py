"""Invented fields that are dated, by kind of core; each case gives (tables, field.toml, other files)."""

import math

from golden_pieces import NORTH, arc, core, series, signal, tree, widths, young


def two_heights():
    """Two cores of a tree at different heights under three height models, one figure shared by two species."""
    trees = [tree("A1"), tree("A2"), tree("B1", "Picea abies"), tree("C1", "Abies alba"), tree("D1", "Pinus cembra")]
    trees += [tree("E1", "Sorbus aucuparia", dbh=18.0, bark=3.0)]
    cores, rings = [], []
    for number, name in enumerate(("A1", "A2", "B1", "C1", "D1", "E1")):
        low, high = 88 + 5 * number, 78 + 5 * number
        dating = ("crossdated", "lab_count")[number % 2]
        cores.append(
            core(
                name,
                "a",
                low,
                dating,
                "pith" if name in ("A1", "C1", "E1") else "arcs",
                0.3,
                **({} if name in ("A1", "C1", "E1") else arc()),
            )
        )
        cores.append(core(name, "b", high, dating, "arcs", 1.3, **arc(7.0, 0.8)))
        if name in ("A2", "B1"):  # counts of cores at two heights that are read against each other
            common = signal(30 + number)
            rings += series(name, "a", widths(40 + number, low, shared=common))
            rings += series(name, "b", widths(50 + number, high, shared=common))
    cores.append(core("C1", "c", 70, "field_count", "rot", 1.3))
    toml = (
        NORTH.format(name="Two heights")
        + """
[height."Larix decidua"]
model = "seedlings"
[height."Pinus cembra"]
model = "quantiles"
height_m = 1.0
probs = [0.05, 0.5, 0.95]
years = [5, 9, 18]
source = "Forest office, 2021"
[height.default]
model = "mean_sd"
height_m = 1.0
mean_years = 8
sd_years = 3
source = "Twelve sections"
counts = "time"
shared_share = 0.5
"""
    )
    return {"trees": trees, "cores": cores, "rings": rings, "seedlings": young("Larix decidua")}, toml, {}


def tilt_shrinkage():
    """Tilted cores, dry rings, a default for a whole column, lengths and diameters at the coring height."""
    names = ("T1", "T2", "T3", "T4")
    trees = [tree(n, dbh=36 + 2 * k, core_diameter_cm=38.0 + 2 * k, bark_sd_mm=2.0) for k, n in enumerate(names)]
    trees[3]["core_diameter_cm"] = ""
    cores = [
        core(
            n,
            "a",
            90 + k,
            "lab_count",
            "arcs",
            0.8,
            tilt_deg=(10, -25, 0, 40)[k],
            core_length_mm=150.0 + 3 * k,
            **arc(),
        )
        for k, n in enumerate(names)
    ]
    cores += [core("T1", "b", 91, "lab_count", "no_arcs", 0.8, tilt_deg=5, core_length_mm=152.0)]
    rings = [row for k, n in enumerate(names[:2]) for row in series(n, "a", widths(60 + k, 90 + k, mean=2.0))]
    toml = NORTH.format(name="Tilt") + "shrinkage_percent = 5\nbreast_height_m = 1.37\n\n[defaults]\narc_sd_mm = 0.2\n"
    toml += '[height.default]\nmodel = "mean_sd"\nheight_m = 1.0\nmean_years = 9\nsd_years = 4\n'
    return {"trees": trees, "cores": cores, "rings": rings}, toml, {}


def lost_outer():
    """Lost outer rings with and without a number and a spread, incomplete last rings, pairs with unsure outer ends."""
    names = [f"L{k}" for k in range(7)]
    trees = [tree(n, status="dead" if k % 2 else "live") for k, n in enumerate(names)]
    lost = {"outer_end": "lost", "outer_lost": 4, "outer_lost_sd": 2}
    cores = [
        core("L0", "a", 95, "crossdated", "pith", outer=1996, **lost),
        core("L1", "a", 95, "lab_count", "pith", outer=1996, **lost),
        core("L2", "a", 95, "field_count", "arcs", outer=1996, **lost, **arc()),
        core("L3", "a", 95, "lab_count", "arcs", outer=1996, outer_end="lost", **arc()),
        core("L4", "a", 95, "crossdated", "arcs", outer_end="incomplete", **arc()),
        core("L4", "b", 92, "crossdated", "pith", outer_end="bark"),
        core("L5", "a", 80, "lab_count", "arcs", outer=2018, **lost, **arc()),
        core("L5", "b", 84, "lab_count", "arcs", **arc(9.0, 1.0)),
        core("L6", "a", 70, "crossdated", "arcs", outer=2015, **lost, **arc()),
        core("L6", "b", 76, "field_count", "no_arcs", outer=2012, outer_end="lost", outer_lost=7, outer_lost_sd=1),
    ]
    common = signal(71)
    rings = series("L5", "a", widths(72, 80, 2018, shared=common), 2018) + series(
        "L5", "b", widths(73, 84, shared=common)
    )
    rings += series("L6", "a", widths(74, 70, 2015, shared=common), 2015)
    rings += series("L6", "b", widths(75, 76, 2013, shared=common), 2012)  # one more ring was lost than written
    toml = NORTH.format(name="Lost outer rings") + '[height.default]\nmodel = "none"\n'
    return {"trees": trees, "cores": cores, "rings": rings}, toml, {}


def south():
    """Southern ring years, a time-counted figure, events, plots and weights; the history of the stand is made too."""
    species = ("Nothofagus pumilio", "Nothofagus betuloides")
    trees = [
        tree(
            f"N{k:02d}",
            species[k % 3 == 2],
            14.0 + 2.5 * k,
            4.0,
            plot=f"P{k % 2}",
            trees_per_ha=30 + 10 * (k % 2),
            x_m=5.0 * k,
            y_m=3.0 * k,
        )
        for k in range(12)
    ]
    trees.append(tree("N99", species[0], 25.0, 5.0, plot="P0", trees_per_ha=30))
    cores = [
        core(
            f"N{k:02d}",
            "a",
            (44, 46, 45, 47, 90, 92, 91, 95, 93, 94, 120, 150)[k],
            ("crossdated", "lab_count")[k % 2],
            ("pith", "arcs")[k % 3 == 0],
            0.5,
            2023,
            **(arc() if k % 3 == 0 else {}),
        )
        for k in range(12)
    ]
    toml = '[site]\nname = "South"\nhemisphere = "south"\ndescription = "Invented."\n'
    toml += '[height.default]\nmodel = "mean_sd"\nheight_m = 0.5\nmean_years = 4\nsd_years = 2\ncounts = "time"\n'
    toml += 'source = "Own sections"\n'
    events = [{"year": 1928, "event": "fire", "note": "scars"}, {"year": 1975, "event": "windthrow"}]
    return {"trees": trees, "cores": cores, "events": events}, toml, {}


def no_heights():
    """No field.toml, no height model, no ring table, upper cores that bound, missing diameters and bark."""
    trees = [tree("A", bark=""), tree("B", dbh="", bark=""), tree("C"), tree("D", "Picea abies", dbh_height_m=1.5)]
    cores = [
        core("A", "lo", 90, "crossdated", "arcs", 0.2, **arc()),
        core("A", "hi", 85, "crossdated", "pith", 1.2),
        core("B", "a", 66, "lab_count", "arcs", 1.0, **arc(6.0, 0.5)),
        core(
            "C", "a", 70, "field_count", "no_arcs", 0.0, core_length_mm=140.0, inner_width_mm=2.1, inner_width_rings=8
        ),
        core("D", "a", 80, "lab_count", "pith", 1.0),
        core("D", "b", 81, "lab_count", "arcs", 1.0, **arc()),
    ]
    return {"trees": trees, "cores": cores}, None, {}


def one_core():
    """One core a tree, all with dated rings: what the stand teaches, complete cores for the comparison of rules."""
    names, common, cores, rings = [f"P{k}" for k in range(8)], signal(91), [], []
    for k, name in enumerate(names):
        count, end = 80 + 6 * k, ("pith", "arcs", "no_arcs", "pith")[k % 4]
        dating, more = ("lab_count" if k == 5 else "crossdated"), (arc(10.0, 0.8) if end == "arcs" else {})
        cores.append(core(name, "a", count, dating, end, 0.4, core_length_mm="" if end != "no_arcs" else 120.0, **more))
        own = widths(100 + k, count, mean=1.3 + 0.1 * k, shared=common)
        if k == 3:
            own[40] = 0.0  # a dated ring that is absent here
        rings += series(name, "a", own)
    cores[6] = core("P6", "a", 30, "field_count", "arcs", 0.4, **arc())
    trees = [tree(n, "Pinus cembra", dbh=32.0 + k, plot="P1") for k, n in enumerate(names)]
    toml = NORTH.format(name="One core") + '[height.default]\nmodel = "published"\nname = "subalpine fir"\n'
    rings = [row for row in rings if row["tree"] != "P6"]
    return (
        {"trees": trees, "cores": cores, "rings": rings},
        toml.replace("subalpine fir", "ponderosa pine two cores"),
        {},
    )


def marks():
    """Every way to tell the distance to the pith, sources that disagree, more than the stem holds."""
    trees = [tree(f"M{k}", "Quercus robur", dbh=(30.0, "")[k == 6], bark=8.0) for k in range(12)]
    trees[7]["dbh_cm"], trees[7]["bark_mm"] = 12.0, 3.0
    cores = [
        core("M0", "a", 70, "lab_count", "arcs", **arc(), arc_sd_mm=0.2),
        core("M1", "a", 71, "lab_count", "arcs", circle_radius_mm=14, circle_step_mm=2),
        core("M2", "a", 72, "lab_count", "arcs", ray_gap_mm=4.0, ray_angle_deg=20.0, ray_angle_sd_deg=3.0),
        core("M3", "a", 73, "lab_count", "arcs", distance_mm=12.0, distance_sd_mm=2.0),
        core("M3", "b", 73, "lab_count", "arcs", distance_mm=10.0),
        core("M4", "a", 74, "lab_count", "arcs", **arc()),
        core("M5", "a", 75, "lab_count", "arcs"),
        core("M6", "a", 76, "lab_count", "arcs", **arc(6.0, 0.6)),
        core("M7", "a", 40, "lab_count", "arcs", core_length_mm=50.0, circle_radius_mm=120, circle_step_mm=1),
        core("M8", "a", 78, "lab_count", "arcs", circle_radius_mm=40, **arc(10.0, 2.5)),
        core("M9", "a", 79, "lab_count", "arcs", core_length_mm=128.0),
        core("M10", "a", 80, "lab_count", "arcs"),
        core("M11", "a", 80, "lab_count", "arcs", circle_radius_mm=20, ray_gap_mm=5.0, ray_angle_deg=15.0),
        core("M11", "b", 82, "lab_count", "pith", **arc()),
    ]
    arcs = [
        {"tree": "M4", "core": "a", "ring": 3, "chord_mm": 11.0, "rise_mm": 1.0, "arc_sd_mm": 0.15},
        {"tree": "M4", "core": "a", "ring": 6, "chord_mm": 14.0, "rise_mm": 1.2},
        {"tree": "M10", "core": "a", "ring": 1, "chord_mm": 9.0, "rise_mm": 1.1},
        {"tree": "M9", "core": "a", "ring": 4, "chord_mm": 9.0, "rise_mm": 1.1},
    ]

    def circle(name, ring, radius, centre=20.0):
        turns = (-0.4, -0.2, 0.0, 0.2, 0.4)
        return [
            {
                "tree": name,
                "core": "a",
                "ring": ring,
                "x_mm": round(centre - radius * math.cos(turn), 3),
                "y_mm": round(radius * math.sin(turn), 3),
            }
            for turn in turns
        ]

    points = (
        circle("M5", 1, 15.0) + circle("M5", 2, 17.0) + [{"tree": "M5", "core": "a", "ring": 0, "x_mm": 5.0, "y_mm": 0}]
    )
    points += [
        {**point, "tree": "M0"} for point in circle("M0", 2, 12.0) + points[-1:]
    ]  # no ring table: what lies between ring 2 and the end is not known
    points += [{**point, "tree": "M3"} for point in points[3:7] + points[-1:]]  # two marks a ring: no circle
    rings = series("M4", "a", widths(120, 74)) + series("M5", "a", widths(121, 75))
    toml = NORTH.format(name="Marks") + '[height.default]\nmodel = "published"\nname = "oak stump sprouts"\n'
    return {"trees": trees, "cores": cores, "arcs": arcs, "points": points, "rings": rings}, toml, {}


def lost_inner():
    """Rot, breaks and short cores; two cores near one line that rest on radius less length, read together or not."""
    trees = [tree(f"R{k}", "Fagus sylvatica", dbh=40.0, bark=5.0) for k in range(8)]
    at = {"core_length_mm": 150.0}
    cores = [
        core("R0", "a", 90, "lab_count", "rot", **at, azimuth_deg=10),
        core("R0", "b", 84, "lab_count", "broken", core_length_mm=140.0, azimuth_deg=190),
        core("R1", "a", 90, "crossdated", "no_arcs", **at, azimuth_deg=20),
        core("R1", "b", 92, "crossdated", "no_arcs", core_length_mm=155.0, azimuth_deg=50),
        core("R2", "a", 90, "crossdated", "rot", **at, azimuth_deg=0),
        core("R2", "b", 92, "crossdated", "rot", core_length_mm=155.0, azimuth_deg=90),
        core("R3", "a", 88, "lab_count", "no_arcs", **at, azimuth_deg=100),
        core("R3", "b", 90, "field_count", "rot", core_length_mm=152.0, azimuth_deg=275),
        core("R4", "a", 60, "field_count", "broken", core_length_mm=90.0),
        core("R5", "a", 75, "lab_count", "rot", **arc(12.0, 0.7), core_length_mm=130.0),
        core("R6", "a", 75, "lab_count", "no_arcs", inner_width_mm=1.4, inner_width_rings=10, **at),
        core("R7", "lo", 90, "lab_count", "rot", 0.3, **at, azimuth_deg=30),
        core("R7", "hi", 82, "lab_count", "rot", 1.2, core_length_mm=140.0, azimuth_deg=210),
    ]
    common = signal(131)
    rings = series("R3", "a", widths(132, 88, shared=common)) + series("R3", "b", widths(133, 90, shared=common))
    toml = (
        NORTH.format(name="Lost inner ends") + '[height.default]\nmodel = "mean_sd"\nheight_m = 1.0\nmean_years = 6\n'
    )
    return {"trees": trees, "cores": cores, "rings": rings}, toml + "sd_years = 2\n", {}


def pairs():
    """Counts read against each other: absent and false rings, a third core, a crossdated partner, crown classes."""
    trees, cores, rings = [], [], []
    for k in range(6):
        name, common = f"Q{k}", signal(140 + k)
        trees.append(
            tree(name, "Pinus sylvestris", dbh=36.0, crown_class=("dominant", "suppressed", "", "edge")[k % 4])
        )
        a, b = widths(150 + 2 * k, 90, shared=common), widths(151 + 2 * k, 84 if k != 4 else 120, shared=common)
        if k in (0, 3):
            del b[50]  # absent in b
        if k == 1:
            b[40:41] = [round(b[40] * 0.6, 2), round(b[40] * 0.4, 2)]  # false in b
        outer = 2019 if k == 2 else 2020
        cores.append(
            core(
                name,
                "a",
                len(a),
                "crossdated" if k == 3 else "lab_count",
                ("pith", "arcs")[k % 2],
                **(arc() if k % 2 else {}),
            )
        )
        cores.append(
            core(name, "b", len(b), "field_count" if k == 5 else "lab_count", "arcs", 1.0, outer, **arc(7.0, 0.7))
        )
        rings += series(name, "a", a, dated=False) + series(name, "b", b, outer)
    cores += [core("Q0", "c", 88, "lab_count", "arcs", **arc(9.0, 1.1)), core("Q1", "c", 60, "field_count", "rot")]
    rings += series("Q0", "c", widths(170, 88, shared=signal(140)))
    trees += [tree("Q6", "Pinus sylvestris"), tree("Q7", "Pinus sylvestris")]
    for name, sizes in (("Q6", (25, 90)), ("Q7", (45, 40))):  # too short to be read together; hardly any overlap
        for letter, size in zip("ab", sizes, strict=True):
            outer = 2020 if (name, letter) != ("Q7", "b") else 2005
            end = {"outer_end": "lost", "outer_lost": 15} if outer == 2005 else {}
            cores.append(core(name, letter, size, "lab_count", "arcs", 1.0, outer, **arc(), **end))
            rings += series(name, letter, widths(180 + size, size, outer), outer)
    toml = (
        NORTH.format(name="Pairs")
        + '[height.default]\nmodel = "mean_sd"\nheight_m = 1.0\nmean_years = 7\nsd_years = 3\n'
    )
    return {"trees": trees, "cores": cores, "rings": rings}, toml, {}
