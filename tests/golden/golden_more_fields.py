"""Invented fields of other kinds: bounds, old years, height models, ring files; see golden_fields.py for the form."""

from golden_fields import one_core
from golden_pieces import NORTH, arc, core, counted_twice, series, signal, tree, widths, young


def bounds():
    """Cores that only bound, trees with a least age only, cores that exclude each other, refused rows."""
    trees = [tree(f"B{k}", dbh="" if k in (1, 2, 4) else 40.0, bark=10.0) for k in range(9)]
    trees[8]["dbh_cm"], trees[8]["bark_mm"] = 30.0, 5.0
    cores = [
        core("B0", "a", 90, "crossdated", "pith"),
        core("B0", "b", 60, "crossdated", "rot"),
        core("B1", "a", 90, "crossdated", "rot"),
        core("B2", "a", 90, "field_count", "broken"),
        core("B2", "b", 95, "lab_count", "rot"),
        core("B3", "a", 90, "crossdated", "pith"),
        core("B3", "b", 130, "crossdated", "pith"),
        core("B4", "a", 50, "crossdated", "pith"),
        core("B4", "b", 80, "crossdated", "rot"),  # holds more rings than the pith allows
        core("B5", "a", 60, "lab_count", "pith", 0.2),
        core("B5", "b", 95, "crossdated", "rot", 1.3),  # the same at two heights
        core("B6", "a", 90, "crossdated", "pith", 0.2),
        core("B6", "b", 70, "crossdated", "rot", 1.3),
        core("B7", "a", 90, "crossdated", "pith", 0.2),
        core("B7", "b", 140, "crossdated", "pith", 1.3),
    ]
    seedlings = young("Betula pendula", count=6) + young("Larix decidua", top=0.6, count=6)
    arcs = []
    toml = NORTH.format(name="Bounds") + '[height."Larix decidua"]\nmodel = "seedlings"\n'
    return {"trees": trees, "cores": cores, "seedlings": seedlings, "arcs": arcs}, toml, {}


def minimum_all():
    """No tree can be dated: exit code 1, and a report that says why."""
    return (
        {
            "trees": [tree("X1", dbh="", bark=""), tree("X2", dbh="", bark="")],
            "cores": [core("X1", "a", 50, "lab_count", "rot"), core("X2", "a", 60, "field_count", "broken")],
        },
        None,
        {},
    )


def single():
    """One tree with one core."""
    return (
        {"trees": [tree("ONE")], "cores": [core("ONE", "a", 77, "lab_count", "arcs", **arc())]},
        NORTH.format(name="One"),
        {},
    )


def old_years():
    """Years before the first, buried collars, how the trees began."""
    origins = ("seed", "sprout", "planted", "advance", "unknown")
    trees = [
        tree(
            f"O{k}",
            "Juniperus communis",
            dbh=30.0,
            origin=o,
            status="dead",
            collar_years=(0, 4, 6, 0, 8)[k],
            collar_years_sd=(0, 2, 0, 0, 5)[k],
        )
        for k, o in enumerate(origins)
    ]
    outer = (-120, 15, 3, -1500, 140)
    cores = [
        core(
            f"O{k}",
            "a",
            90 + 30 * k,
            ("crossdated", "lab_count")[k % 2],
            ("pith", "arcs")[k > 2],
            (0.0, 0.5)[k % 2],
            outer[k],
            outer_end="lost",
            outer_lost=5,
            **(arc() if k > 2 else {}),
        )
        for k in range(5)
    ]
    toml = (
        NORTH.format(name="Old wood")
        + '[height.default]\nmodel = "quantiles"\nheight_m = 0.5\nprobs = [0.1, 0.5, 0.9]\n'
    )
    return {"trees": trees, "cores": cores}, toml + "years = [3, 6, 12]\n", {}


def height_words():
    """Every word of the height models, and what it says beyond its range."""
    models = {
        "Larix decidua": 'model = "seedlings"\nsampling = "standing"\ntip = "within_season"\n',
        "Picea abies": 'model = "two_heights"\n',
        "Pinus cembra": 'model = "mean_sd"\nheight_m = 1.0\nmean_years = 14\nsd_years = 5\nshared_share = 0.0\n',
        "Abies alba": 'model = "quantiles"\nheight_m = 1.0\nprobs = [0.05, 0.5, 0.95]\nyears = [5, 9, 18]\n'
        'counts = "time"\n',
        "Picea mariana": 'model = "published"\nname = "black spruce thin organic layer"\nshared_share = 0.5\n',
        "Populus tremuloides": 'model = "curve"\nname = "quaking aspen"\nsite_index = 21.0\n',
        "Pseudotsuga menziesii": 'model = "curve"\nname = "douglas-fir bruce"\nsite_index = 35.0\nlog_sd = 0.4\n',
        "Sorbus aucuparia": 'model = "none"\n',
        "default": 'model = "mean_sd"\nheight_m = 1.0\nmean_years = 7\nsd_years = 1\n',
    }
    species = [*list(models)[:-1], "Betula pendula", "Betula nana"]
    trees = [tree(f"H{k:02d}", s, dbh=30.0) for k, s in enumerate(species)]
    cores = [core(f"H{k:02d}", "a", 80, "crossdated", "pith", (0.9, 1.0, 1.3)[k % 3]) for k in range(len(species))]
    cores[3]["core_height_m"] = 0.0
    seedlings = young("Larix decidua") + counted_twice("Picea abies")
    toml = NORTH.format(name="Heights") + "".join(f'[height."{name}"]\n{text}' for name, text in models.items())
    return (
        {"trees": trees, "cores": cores, "seedlings": seedlings},
        toml.replace('height."default"', "height.default"),
        {},
    )


def crossdating():
    """Six trees to read against each other: one a year late, one with a ring lacking, two cores with swapped ids."""
    common, cores, rings, trees = signal(201), [], [], []
    for k in range(6):
        name = f"K{k}"
        trees.append(tree(name, "Picea abies", dbh=34.0 + k, trees_per_ha=20))
        own = signal(210 + k)
        mixed = {year: 0.75 * value + 0.5 * own[year] for year, value in common.items()}
        for letter in "ab":
            size = (96, 99, 150, 105, 128, 131)[k] - (0 if letter == "a" else 6)
            values = widths(220 + 10 * k + ord(letter), size, mean=1.7, shared=mixed)
            if (k, letter) == (1, "a"):
                values = widths(220 + 10 * k + ord(letter), size, 2021, mean=1.7, shared=mixed)
            if (k, letter) == (2, "a"):
                del values[60]
            cores.append(
                core(
                    name,
                    letter,
                    len(values),
                    "crossdated",
                    "pith" if letter == "a" else "arcs",
                    0.6,
                    **({} if letter == "a" else arc()),
                )
            )
            rings.append((name, letter, values))
    held = {(name, letter): values for name, letter, values in rings}
    rows = []
    for name, letter, values in rings:
        partner = {("K4", "b"): ("K5", "b"), ("K5", "b"): ("K4", "b")}.get((name, letter), (name, letter))
        own = held[partner][-min(len(values), len(held[partner])) :]
        next(one for one in cores if (one["tree"], one["core"]) == (name, letter))["rings_counted"] = len(own)
        rows += series(name, letter, own)
    events = [{"year": 1910, "event": "clearing", "note": ""}]
    toml = NORTH.format(name="Read against each other")
    return (
        {"trees": trees, "cores": cores, "rings": rows, "events": events, "seedlings": young("Picea abies")},
        toml,
        {},
    )


def parquet():
    """The pieces of one_core as Parquet files."""
    tables, toml, _ = one_core()
    return tables, toml, {"": "parquet"}


DECADAL = """\
ABC    1 Invented Ridge                                      PISP
ABC    2 Nowhere      pine      1200M   4500  10000          1950 2003
ABC    3 A. Nobody
"""


def decadal_text(stop, scale):
    """Decadal text of three series."""
    lines = [DECADAL.rstrip()]
    for k in range(3):
        values = [*(round(w * scale) for w in widths(300 + k, 46, 2003)), stop]
        at, year = 0, 1958
        while at < len(values):
            room = 10 - year % 10
            lines.append(f"ABC0{k + 1}A  {year:4d}" + "".join(f"{v:6d}" for v in values[at : at + room]))
            at, year = at + room, year + room
    return "\n".join(lines) + "\n"


XML = """<?xml version="1.0"?>
<t:tridas xmlns:t="http://www.tridas.org/1.2.2"><t:project><t:object><t:element><t:title>7</t:title><t:sample>
<t:radius><t:title>A</t:title><t:measurementSeries><t:title>7A</t:title>
<t:interpretation><t:firstYear suffix="AD">1999</t:firstYear></t:interpretation>
<t:values><t:variable normalTridas="ring width"/><t:unit normalTridas="1/100th millimetres"/>
<t:value value="80"/><t:value value="0"/><t:value value="131"/></t:values>
</t:measurementSeries></t:radius></t:sample></t:element></t:object></t:project></t:tridas>
"""


def ring_files():
    """Ring widths that come from decadal text in hundredths; rings.csv is made of it by treeage.formats."""
    trees = [tree(f"0{k + 1}", "Pinus sylvestris", dbh=25.0) for k in range(3)]
    cores = [
        core(
            f"0{k + 1}",
            "A",
            46,
            "crossdated",
            ("pith", "arcs", "no_arcs")[k],
            0.5,
            2003,
            core_length_mm="" if k < 2 else 70,
            **(arc() if k == 1 else {}),
        )
        for k in range(3)
    ]
    files = {"site.rwl": decadal_text(999, 100), "site_thousandths.txt": decadal_text(-9999, 1000), "site.xml": XML}
    return {"trees": trees, "cores": cores}, NORTH.format(name="Ring files"), files
