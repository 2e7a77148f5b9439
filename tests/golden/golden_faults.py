"""Invented fields that are odd or at fault; each case gives (tables, field.toml, other files)."""

from golden_pieces import NORTH, arc, core, series, tree, widths


def noted():
    """Odd, but not wrong: notes of every kind, and the estimate goes on."""
    trees = [
        tree("W1", note="x"),
        tree("W2", dbh=300.0, bark=150.0),
        tree("W3", bark=60.0),
        tree("W4", dbh=20.0, bark=0.5),
    ]
    trees += [tree("W5", crown_class="NA", slope_percent="NA", light="gap")]
    cores = [
        core("W1", "a", 90, "crossdated", "pith", **arc()),
        core("W1", "b", 90, "crossdated", "arcs", outer=2018, **arc(0.8, 0.05)),
        core("W2", "a", 900, "lab_count", "arcs", 1.8, distance_mm=6.0, circle_radius_mm=7.0),
        core("W3", "a", 90, "lab_count", "no_arcs", distance_mm=0.0, core_length_mm=300.0),
        core("W4", "a", 400, "field_count", "arcs", core_length_mm=60.0, circle_step_mm=2.0),
        core("W5", "a", 60, "field_count", "rot", core_length_mm=40.0, outer_end="lost"),
    ]
    rings = series("W1", "a", widths(310, 90)) + series("W1", "b", widths(311, 90, 2018), 2018)
    seedlings = [
        {"species": "Larix decidua", "height_m": 30 / 10, "age_years": 200},
        {"species": "Pinus", "height_m": 1.0, "age_years": 5},
    ]
    events = [{"year": 2020, "event": "storm"}, {"year": 900, "event": "flood"}]
    files = {"ringss.csv": "tree\n", "more.xlsx": "x", "widths.txt": "1 2 3 4 5 6 7 8 9"}
    toml = '[site]\nname = "Noted"\n[defaults]\nbark_sd_mm = 2.0\norigin = "seed"\n'
    return {"trees": trees, "cores": cores, "rings": rings, "seedlings": seedlings, "events": events}, toml, files


def faults_cells():
    """Cells at fault in every table."""
    trees = [
        tree("A", dbh="x40"),
        tree("A", "", dbh=-3),
        tree("B", origin="sede", bark="1,5"),
        tree("C", status="LIVE", dbh=40),
    ]
    trees += [tree("E", dbh=40.0, bark=250.0), tree("F", dbh=40, core_diameter_cm=400)]
    cores = [
        core("A", "a", 0, "crossdatd", "arc"),
        core("B", "a", 70.5, "lab_count", "arcs", chord_mm=5.0),
        core("B", "b", 70, "lab_count", "pith", distance_mm=5.0),
        core("C", "a", 70, "lab_count", "arcs", **arc(5.0, 9.0)),
        core("C", "b", 70, "lab_count", "arcs", distance_mm=50.0, circle_radius_mm=5.0),
        core("C", "b", 70, "lab_count", "arcs", outer_lost=3),
        core("D", "a", "", "lab_count", "arcs", inner_width_mm=1.2),
        core("E", "a", 50, "lab_count", "arcs", inner_width_mm=1.2, inner_width_rings=60),
        core("F", "a", 50, "lab_count", "arcs", core_length_mm=900.0),
        core("F", "b", 50, "lab_count", "arcs", ray_gap_mm=2.0, core_length_mm=190.0, distance_mm=400.0),
    ]
    rings = series("C", "a", widths(320, 72)) + [{"tree": "C", "core": "a", "ring": 3, "year": 1950, "width_mm": -1}]
    rings += [
        {"tree": "Z", "core": "a", "ring": 1, "width_mm": 1.0},
        {"tree": "C", "core": "q", "ring": 1, "width_mm": 1},
    ]
    arcs = [
        {"tree": "C", "core": "a", "ring": 200, "chord_mm": 5, "rise_mm": 9},
        {"tree": "", "core": "a", "ring": 1, "chord_mm": 5, "rise_mm": 1},
    ]
    points = [
        {"tree": "C", "core": "a", "ring": 1, "x_mm": 0, "y_mm": 0},
        {"tree": "C", "core": "a", "ring": 0, "x_mm": 0, "y_mm": 0},
    ]
    seedlings = [
        {"species": "Larix decidua", "height_m": 0.5},
        {"species": "Larix decidua", "low_height_m": 1.0, "low_rings": 5, "high_height_m": 0.5, "high_rings": 9},
    ]
    return (
        {
            "trees": trees,
            "cores": cores,
            "rings": rings,
            "arcs": arcs,
            "points": points,
            "seedlings": seedlings,
            "events": [{"year": "then", "event": ""}],
        },
        NORTH.format(name="Faults"),
        {},
    )


def faults_rings():
    """Ring tables that do not fit their cores, with nothing else at fault."""
    trees = [tree("A"), tree("B"), tree("C"), tree("D")]
    cores = [core(n, "a", 60, "lab_count", "arcs", **arc()) for n in "ABCD"]
    a, b, c = (series(n, "a", widths(330, 60)) for n in "ABC")
    a += [{**a[5]}]
    del b[20]
    c = [{**row, "year": row["year"] + 2} for row in c]
    rings = a + b + c + series("D", "a", widths(331, 75))
    for k, name in enumerate("EFGHI"):
        inner = {"inner_width_mm": (1.5, 9.0)[k == 2], "inner_width_rings": 5} if k > 1 else {}
        trees.append(tree(name))
        cores.append(core(name, "a", 60, "lab_count", "arcs", **inner, **arc()))
        own = series(name, "a", [round(width * (100, 1)[k > 1], 2) for width in widths(332, 60)])
        rings += own[4:] if k == 3 else own[:-5] if k == 0 else own
    return {"trees": trees, "cores": cores, "rings": rings}, NORTH.format(name="R"), {}


def noted_rings():
    """Ring tables that fit, and are odd: absent rings on a count, a copied series; a species misspelt."""
    trees = [tree(name, "Larix decid" + ("au" if name == "D" else "ua")) for name in "ABCD"]
    cores = [core(name, "a", 60, "lab_count", "arcs", **arc()) for name in "ABCD"]
    cores[2] |= {"inner_width_mm": 2.3, "inner_width_rings": 5}
    absent = [0.0 if k == 20 else width for k, width in enumerate(widths(351, 60))]
    rings = series("A", "a", widths(350, 60)) + series("B", "a", widths(350, 60)) + series("C", "a", absent)
    return {"trees": trees, "cores": cores, "rings": rings}, NORTH.format(name="Odd rings"), {}


def faults_text():
    """Files that are no tables: columns twice, rows of another length, an empty file, dates and ranges."""
    files = {
        "trees.csv": "tree,species,species\nA,Larix,Larix\n",
        "cores.csv": "tree,core,outer_year\nA,a\nA,b,2000,7\n",
        "rings.csv": "",
        "events.csv": "year,event\n2024-05-01,fire\n5 years,x\n3-5,y\n",
        "seedlings.csv": "species\theight_m\nLarix\t1\n",
    }
    return {}, NORTH.format(name="Text"), files


def faults_files():
    """A missing table, two files for one, a table that is no table."""
    tables = {"trees": [tree("A")], "rings": series("A", "a", [1.0, 1.1])}
    return (
        tables,
        NORTH.format(name="Files"),
        {"Cores.xlsx": "x", "rings.parquet": "no parquet", "arcs.csv": "a;b\n1;2\n"},
    )


def faults_settings():
    """Settings at fault in every section."""
    tables = {"trees": [tree("A"), tree("B", "Picea abies")], "cores": [core("A", "a", 60, "lab_count", "pith")]}
    toml = """units = "cm"
[site]
name = 3
hemisphere = "nort"
breast_height_m = 130
shrinkage_percent = 40
tilt_deg = 3
[defaults]
tilt_deg = 100
chord = 3
dating = "labcount"
[height."Larix decidua"]
model = "seedlings"
[height."Picea abies"]
model = "mean_sd"
mean_years = -1
colour = "red"
[height."Pinus"]
model = "curve"
name = "quaking aspen"
site_index = 70.0
[height."Abies"]
model = "quantiles"
height_m = 1.0
probs = [0.5, 0.2]
years = [3, 4]
[height."Salix"]
model = "publishd"
[height."Alnus"]
model = "published"
name = "subalpine fur"
[height]
Quercus = "none"
"""
    return tables, toml, {}


def faults_toml():
    """A settings file that cannot be read."""
    return {"trees": [tree("A")], "cores": [core("A", "a", 60, "lab_count", "pith")]}, "[site\nname = 3\n", {}


def unit_slips():
    """Values in other units, and columns named for them."""
    trees = [tree(f"U{k}", dbh=400.0 + 10 * k, bark=1.0) for k in range(4)]
    cores = [
        core(f"U{k}", "a", 90, "lab_count", "arcs", 120 + k, core_length_mm=18.0, **arc(0.8, 0.09)) for k in range(4)
    ]
    rings = [{**row, "width_mm": round(row["width_mm"] * 100)} for row in series("U0", "a", widths(340, 90))]
    seedlings = [{"species": "Larix decidua", "height_cm": 50 + k, "age_years": 5 + k} for k in range(6)]
    return {"trees": trees, "cores": cores, "rings": rings, "seedlings": seedlings}, NORTH.format(name="Units"), {}
