"""Every check of the field tables: one change to a field without faults, and the fault or note it must bring.

The expected values are hand sums on the tables of `field_cases` unless a line says otherwise.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from field_cases import TOML, Edits, changed, faults, good_tables, note_text, read
from hypothesis import example, given, settings
from hypothesis import strategies as st

from treeage.errors import InputError
from treeage.tables import Field

# name of the case: cells to change, then what the message must say
FAULTS: dict[str, tuple[Edits, str]] = {
    # ranges and kinds
    "negative distance": (
        {("cores", 0, "distance_mm"): -3.2},
        r"cores.csv, row 2, tree A17, core a, column distance_mm: got -3.2, need a number from 0 to 2000 \[mm\]",
    ),
    "height in centimetres": (
        {("cores", 0, "core_height_m"): 130},
        r"core_height_m: got 130, need a number from 0 to 3 \[m\]\. This looks like centimetres: write 1.3",
    ),
    "height in feet": (  # 4.5 ft is breast height in North America, 1.37 m: common practice
        {("cores", 0, "core_height_m"): 4.5},
        r"got 4.5, need a number from 0 to 3 \[m\]\. This .* centimetres \(write 0.045\) or feet \(write 1.372\)",
    ),
    "diameter in millimetres": (
        {("trees", 0, "dbh_cm"): 2000},
        r"dbh_cm: got 2000, need a number above 0 and at most 1500 \[cm\]\. This looks like millimetres: write 200",
    ),
    "rings not whole": (
        {("cores", 0, "rings_counted"): 99.5},
        r"rings_counted: got 99.5, need a whole number from 1 to 10000 \[rings\]",
    ),
    "no rings": ({("cores", 0, "rings_counted"): 0}, r"rings_counted: got 0, need a whole number from 1 to 10000"),
    "code for missing": (
        {("cores", 0, "azimuth_deg"): -9999},
        r"azimuth_deg: got -9999, need a number from 0 to 360 \[degrees\]\. This looks like a code for a missing",
    ),
    "code for missing in a required cell": (
        {("cores", 0, "core_height_m"): -99},
        r"core_height_m: got -99, .* for a missing value: write the value, or leave this core out of all tables\.",
    ),
    "code for missing among widths": (
        {("rings", 7, "width_mm"): -9999},
        r"row 9, .* got -9999, .*missing value: write the value, or end the table of this core before this ring\.",
    ),
    "infinite": ({("trees", 0, "bark_mm"): "inf"}, r"bark_mm: got inf, need a number from 0 to 700 \[mm\]"),
    "decimal comma": (
        {("cores", 0, "core_length_mm"): "185,5"},
        r"core_length_mm: got 185,5, need a number above 0 and at most 5000 \[mm\]\. Write 185.5 with a decimal point",
    ),
    "number with unit": (
        {("cores", 0, "core_length_mm"): "185 mm"},
        r"got 185 mm, need a number above 0 and at most 5000 \[mm\]\. Write the number alone, in mm",
    ),
    "a range": ({("cores", 0, "distance_mm"): "8-12"}, r"got 8-12, need .* \[mm\]\. Write the middle of the range"),
    "a word": ({("cores", 0, "distance_mm"): "near"}, r"got near, need .* \[mm\]\. Write one number, or leave"),
    "a word in a required cell": (
        {("cores", 1, "rings_counted"): "many"},
        r"got many, need a whole number .* Write one whole number, or leave this core out of all tables if it is not",
    ),
    "a word for a width": (
        {("rings", 5, "width_mm"): "?"},
        r"row 7, .* got \?, need .* Write one number, or end the table of this core before this ring if it is not",
    ),
    "a word for an event": (
        {("events", 0, "year"): "then"},
        r"got then, need .* Write one whole number, or remove the row if it is not known",
    ),
    "underscore": ({("trees", 0, "x_m"): "1_000"}, r"x_m: got 1_000, need a number from .* \[m\]"),
    "empty required number": (
        {("cores", 1, "rings_counted"): ""},
        r"row 3, tree A17, core b, column rings_counted: got an empty cell, need a whole number .* \[rings\]",
    ),
    "empty width": (
        {("rings", 5, "width_mm"): ""},
        r"row 7, .* got an empty cell, need .* Fill the cell, or end the table of this core before this ring\.",
    ),
    "empty required name": (
        {("trees", 1, "species"): ""},
        r"row 3, tree B02, column species: got an empty cell, need a name",
    ),
    "wrong word": (
        {("cores", 0, "dating"): "Cross-dated"},
        r"dating: got Cross-dated, need one of crossdated, lab_count, field_count. Did you mean crossdated\?",
    ),
    "word that is near nothing": (
        {("trees", 0, "status"): "42"},
        r"status: got 42, need one of live, dead. Choose one",
    ),
    # names
    "tree twice": (
        {("trees", 1, "tree"): "A17"},
        r"row 3, tree A17, column tree: got A17 again, as in row 2, need each name once",
    ),
    "core twice": ({("cores", 1, "core"): "a"}, r"row 3, tree A17, core a, column core: got a again, as in row 2"),
    "core without tree": (
        {("cores", 2, "tree"): "C99"},
        r"cores.csv, row 4, tree C99, core a, column tree: got C99, need a tree of the trees table. Add the tree",
    ),
    "core of a tree in small letters": (
        {("cores", 2, "tree"): "b02"},
        r"got b02, need a tree of the trees table. Did you mean B02\?",
    ),
    "zeros lost": (
        {("trees", 1, "tree"): "002", ("cores", 2, "tree"): "2"},
        r"got 2, need a tree .* Did you mean 002\?",
    ),
    "rings without core": (
        {("rings", -1, "core"): "c"},
        r"rings.csv, row 2, .*: got tree A17, core c in 100 rows, need a core of the cores table. Add the core",
    ),
    "rings of a core in capitals": ({("rings", -1, "core"): "A"}, r"Did you mean tree A17, core a\?"),
    # dates
    "outer year in the future": (
        {("cores", 2, "outer_year"): 2062},
        r"row 4, tree B02, core a, column outer_year: got 2062, need a year up to 2026",
    ),
    "event in the future": (
        {("events", 0, "year"): 2931},
        r"events.csv, row 2, column year: got 2931, need a year up to 2026",
    ),
    # rows of the core table
    "chord without rise": (
        {("cores", 0, "rise_mm"): ""},
        r"rise_mm: got an empty cell beside chord_mm 5, need rise_mm with chord_mm",
    ),
    "rise without chord": ({("cores", 0, "chord_mm"): ""}, r"chord_mm: got an empty cell beside rise_mm 0.4"),
    "ray gap without angle": ({("cores", 0, "ray_gap_mm"): 3}, r"ray_angle_deg: got an empty cell beside ray_gap_mm 3"),
    "ray angle without gap": (
        {("cores", 0, "ray_angle_deg"): 20},
        r"ray_gap_mm: got an empty cell beside ray_angle_deg 20",
    ),
    "inner width without rings": (
        {("cores", 0, "inner_width_mm"): 1.9},
        r"inner_width_rings: got an empty cell beside inner_width_mm 1.9",
    ),
    "more inner rings than rings": (
        {("cores", 2, "inner_width_mm"): 2, ("cores", 2, "inner_width_rings"): 90},
        r"inner_width_rings: got 90, need at most rings_counted 80 \[rings\]",
    ),
    "rise above half the chord": (
        {("cores", 0, "chord_mm"): 3, ("cores", 0, "rise_mm"): 2},
        r"rise_mm: got 2, need at most 1.5, half the chord \[mm\]",
    ),
    "pith with a distance": (
        {("cores", 2, "distance_mm"): 4},
        r"row 4, tree B02, core a, column distance_mm: got 4, need 0 or an empty cell where inner_end is pith \[mm\]",
    ),
    "lost rings under bark": (
        {("cores", 0, "outer_end"): "bark", ("cores", 0, "outer_lost"): 5},
        r"outer_lost: got 5, need 0 where outer_end is bark \[rings\]",
    ),
    "distance far from the arc": (  # 5 mm chord, 0.4 mm rise: 25 / 3.2 + 0.2 = 8.01 mm, hand sum
        {("cores", 0, "distance_mm"): 80},
        r"distance_mm: got 80, need near the 8.01 mm of the arc",
    ),
    "distance far from the rays": (  # (4 / 2) / tan(10 degrees) = 11.3 mm, closed form
        {("cores", 1, "distance_mm"): 60, ("cores", 1, "chord_mm"): "", ("cores", 1, "rise_mm"): ""}
        | {("cores", 1, "ray_gap_mm"): 4, ("cores", 1, "ray_angle_deg"): 20},
        r"distance_mm: got 60, need near the 11.3 mm of the rays",
    ),
    # sizes
    "bark thicker than the stem": (
        {("trees", 0, "bark_mm"): 250},
        r"bark_mm: got 250, need below 200, half the diameter \[mm\]",
    ),
    "core longer than the stem": (
        {("cores", 2, "core_length_mm"): 600},
        r"core_length_mm: got a core 600 mm long, need at most the stem inside bark, 400 \[mm\]",
    ),
    "diameter in inches": (  # 16.5 in = 42 cm
        {("trees", 1, "dbh_cm"): 16.5},
        r"got a core 185 mm long, need at most the stem inside bark, .* This looks like inches in the diameter",
    ),
    "diameter in millimetres with the pith": (
        {("trees", 1, "dbh_cm"): 420},
        r"got a core 185 mm long that ends at the pith, need a length near the radius inside bark, 2090 \[mm\]\."
        r" This looks like millimetres in the diameter, or this looks like centimetres in the core",
    ),
    "length in centimetres": (
        {("cores", 2, "core_length_mm"): 19.5},
        r"got a core 19.5 mm long that ends at the pith, need .* 200 \[mm\]\. .*centimetres in the core",
    ),
    "length in metres": (
        {("cores", 2, "core_length_mm"): 0.195},
        r"core_length_mm: got 0.195, need a length of rings 0.1 to 10 \[mm\] wide; these are 0.00244",
    ),
    "widths in 1/100 mm longer than the stem": (
        {("rings", -1, "width_mm"): 90, ("cores", -1, "core_length_mm"): "", ("trees", 0, "dbh_cm"): 20},
        r"core_length_mm: got a core 9000 mm long, need at most .* 180 \[mm\]\. .*this looks like 1/100 mm in the core",
    ),
    "distance beyond the stem": (
        {("cores", 1, "distance_mm"): 300, ("cores", 1, "chord_mm"): "", ("cores", 1, "rise_mm"): ""},
        r"distance_mm: got 300, need at most 195, what the core leaves of the stem \[mm\]",
    ),
    "circle beyond the stem": (  # 380 mm inside bark, 185 of them cored
        {("cores", 0, "circle_radius_mm"): 500},
        r"circle_radius_mm: got 500, a pith 500 mm away by the circle, need at most 195, what is left of the stem",
    ),
    "arc beyond the stem": (  # 60**2 / (8 * 0.5) + 0.5 / 2; half as far again would be a rise three errors too small
        {("cores", 0, "chord_mm"): 60, ("cores", 0, "rise_mm"): 0.5, ("cores", 0, "arc_sd_mm"): 0.1},
        r"rise_mm: got 0.5, a pith 900.2 mm away by the arc, need at most 195",
    ),
    "diameter at the core in millimetres": (
        {("trees", 0, "core_diameter_cm"): 410},
        r"core_diameter_cm: got 410, need near dbh_cm 40 \[cm\]\. This looks like millimetres in core_diameter_cm",
    ),
    "breast-height diameter in millimetres": (
        {("trees", 0, "core_diameter_cm"): 44, ("trees", 0, "dbh_cm"): 400},
        r"core_diameter_cm: got 44, need near dbh_cm 400 \[cm\]\. This looks like millimetres in dbh_cm",
    ),
    # rings
    "core length in centimetres against its rings": (
        {("cores", 0, "core_length_mm"): 18.5},
        r"got widths that add to 185, need a sum near core_length_mm 18.5 \[mm\]\. .* centimetres in core_length_mm",
    ),
    "widths in 1/100 mm": (
        {("rings", -1, "width_mm"): 90},
        r"width_mm: got a mean of 90, need a mean width of 0.1 to 10 \[mm\]\. This looks like 1/100 mm: write 0.9",
    ),
    "widths in centimetres": (
        {("rings", -1, "width_mm"): 0.185},
        r"got widths that add to 18.5, need a sum near core_length_mm 185 \[mm\]\. This .* centimetres in width_mm",
    ),
    "widths longer than the core": (
        {("rings", -1, "width_mm"): 3.0},
        r"got widths that add to 300, need a sum near core_length_mm 185 \[mm\]\. .*cannot be longer than the core",
    ),
    "negative width": (
        {("rings", 4, "width_mm"): -1.2},
        r"row 6, tree A17, core a, column width_mm: got -1.2, need a number from 0 to 100 \[mm\]",
    ),
    "ring and year disagree": (
        {("rings", 9, "year"): 1939},
        r"rings.csv, row 11, .* column year: got ring 10 with year 1939, need year 1930",
    ),
    "ring twice": (
        {("rings", 10, "ring"): 10, ("rings", -1, "year"): ""},
        r"row 12, .* column ring: got ring 10 twice and 1 more such places .*, need each ring once, without gaps",
    ),
    "ring left out": (  # 11 becomes 13, so 12 of line 13 follows 10, which is known by its year alone; hand count
        {("rings", 10, "ring"): 13, ("rings", 9, "ring"): "", ("rings", 10, "year"): ""},
        r"row 13, .* column ring: got ring 12 after 10 .*each ring once.* or end the table of this core before them\.",
    ),
    "rings that start at 5": (
        {("rings", ring, "ring"): ring + 5 for ring in range(100)} | {("rings", -1, "year"): ""},
        r"got 5 as the innermost ring, need 1 .* Number the rings from 1, .* or remove the rings of this core\.",
    ),
    "neither ring nor year": (
        {("rings", 5, "ring"): "", ("rings", 5, "year"): ""},
        r"row 7, .*: got neither ring nor year, need a ring number or a ring year",
    ),
    "more rings than counted": (
        {("cores", 0, "rings_counted"): 95, ("rings", -1, "year"): ""},
        r"got 100 rings, need at most rings_counted 95 \[rings\]\. Correct rings_counted to 100",
    ),
    "years that start too early": (
        {("cores", 0, "rings_counted"): 99, ("rings", -1, "ring"): ""},
        r"column year: got 1921 as the innermost year, need 1922, which is outer_year 2020 - rings_counted 99 \+ 1",
    ),
    "inner width far from the table": (
        {("cores", 0, "inner_width_mm"): 18.5, ("cores", 0, "inner_width_rings"): 10},
        r"inner_width_mm: got 18.5, need near the ring table's 1.85 \[mm\]",
    ),
    # arcs and points
    "arc on a ring that is not there": (
        {("arcs", 0, "ring"): 120},
        r"arcs.csv, row 2, .* got 120, need at most rings_counted 98 \[rings\]",
    ),
    "arc with a high rise": (
        {("arcs", 0, "rise_mm"): 5},
        r"arcs.csv, row 2, .* got 5, need at most 3, half the chord \[mm\]",
    ),
    "arc in both tables": (
        {("arcs", 0, "ring"): 1, ("arcs", 0, "chord_mm"): 5, ("arcs", 0, "rise_mm"): 0.4},
        r"arcs.csv, row 2, .*: got chord 5 and rise 0.4 mm, as in the cores table, need each arc in one table",
    ),
    "points without an end": (
        {("points", 0, "ring"): 1},
        r"points.csv, row 2, .* got 0 rows with ring 0, need one row with ring 0",
    ),
    "two points": ({("points", 3, "ring"): 0}, r"points.csv, row 2, .* got 2 points on rings, need at least 3 points"),
    # seedlings
    "seedling without an age": (
        {("seedlings", 0, "age_years"): ""},
        r"seedlings.csv, row 2: got a row without a whole measurement",
    ),
    "seedling height in centimetres": (
        {("seedlings", 1, "height_m"): 50},
        r"height_m: got 50, need a number above 0 and at most 15 \[m\]\. This looks like centimetres: write 0.5",
    ),
    "pair upside down": (
        {("seedlings", 2, "low_height_m"): 1.0, ("seedlings", 2, "high_height_m"): 0.3},
        r"high_height_m: got 0.3, need more than low_height_m 1 \[m\]",
    ),
    "pair with swapped rings": (
        {("seedlings", 2, "low_rings"): 20, ("seedlings", 2, "high_rings"): 30},
        r"high_rings: got 30, need at most low_rings 20 \[rings\]",
    ),
}

NOTES: dict[str, tuple[Edits, str]] = {
    "diameter in inches beside another": (
        {("trees", 0, "core_diameter_cm"): 44, ("trees", 0, "dbh_cm"): 16},
        r"got 44, need near dbh_cm 16 \[cm\]\. This looks like inches in dbh_cm",
    ),
    "odd diameter": ({("trees", 0, "core_diameter_cm"): 20}, r"core_diameter_cm: got 20, need near dbh_cm 40 \[cm\]"),
    "short breast height": (
        {("trees", 0, "dbh_height_m"): 0.5},
        r"dbh_height_m: got 0.5, need mostly 1.2 to 1.6 \[m\]",
    ),
    "tree without core": (
        {("cores", 2, "tree"): "A17", ("cores", 2, "core"): "c"},
        r"trees.csv row 0  tree: got 1 tree without a core \(B02\), need a core of each tree that is to be dated",
    ),
    "near-duplicate trees": (
        {("trees", 1, "tree"): "a 17", ("cores", 2, "tree"): "a 17"},
        r"row 3  tree: got A17 and a 17, need names that differ",
    ),
    "near-duplicate species": (
        {("trees", 1, "species"): "larix Decidua"},
        r"species: got Larix decidua and larix Decidua",
    ),
    "species of no tree": (
        {("seedlings", 0, "species"): "Larix decidu"},
        r"got Larix decidu, need a species .* Did you mean Larix decidua\?",
    ),
    "word for missing": (
        {("cores", 0, "azimuth_deg"): "NA", ("cores", 1, "azimuth_deg"): 90},
        r"azimuth_deg: got 1 cells with a word such as NA",
    ),
    "unknown column": (
        {("trees", 0, "vigour"): "good"},
        r"trees.csv row 0  vigour: got a column that is kept and not used",
    ),
    "unknown column in another unit": (
        {("trees", 0, "core_diameter_mm"): "410"},
        r"Multiply core_diameter_mm by 0.1 and name it core_diameter_cm",
    ),
    "distance like the arc": (
        {("cores", 0, "distance_mm"): 9},
        r"distance_mm: got 9, need one entry; the arc gives 8.01 \[mm\]",
    ),
    "circle past the middle": (
        {("cores", 0, "circle_radius_mm"): 300},
        r"circle_radius_mm: got 300, a pith 300 mm away by the circle, need at most 195",
    ),
    "distance of 0 without pith": ({("cores", 0, "distance_mm"): 0}, r"distance_mm: got 0 with inner_end arcs"),
    "pith with an arc": (
        {("cores", 2, "chord_mm"): 5, ("cores", 2, "rise_mm"): 0.4},
        r"inner_end: got pith with an arc, circle, rays or points",
    ),
    "arcs not measured": (
        {("cores", 0, "chord_mm"): "", ("cores", 0, "rise_mm"): ""},
        r"row 2 .* inner_end: got arcs without a measurement",
    ),
    "idle sd": ({("cores", 2, "distance_sd_mm"): 2}, r"distance_sd_mm: got 2, need distance_mm with distance_sd_mm"),
    "lost without a number": (
        {("cores", 0, "outer_end"): "lost"},
        r"outer_lost: got no number for a lost outer end, need .* \[rings\]",
    ),
    "other outer year": ({("cores", 1, "outer_year"): 2019}, r"outer_year: got 2019, need 2020 as in row 2"),
    "minimum only": (
        {("cores", 2, "inner_end"): "rot", ("cores", 2, "core_length_mm"): ""},
        r"inner_end: got rot without core length, need .* only the rings counted are known",
    ),
    "thin bark": (
        {("trees", 0, "bark_mm"): 1.0},
        r"bark_mm: got 1, need mostly 0.5 to 20 % of the diameter 400 \[mm\]\. This looks like cent",
    ),
    "thick bark": (
        {("trees", 0, "bark_mm"): 95.0},
        r"bark_mm: got 95, need mostly 0.5 to 20 % of the diameter 400 \[mm\]\. Check that it is one side",
    ),
    "core past the pith": (
        {("cores", 2, "core_length_mm"): 350},
        r"got a core 350 mm long, need mostly up to the radius 200 \[mm\]",
    ),
    "short core with pith": (
        {("cores", 2, "core_length_mm"): 90},
        r"got a core 90 mm long that ends at the pith, need .* 200 \[mm\]",
    ),
    "table shorter than the count": (
        {("cores", 0, "rings_counted"): 103, ("rings", -1, "year"): ""},
        r"rings.csv row 101 .*: got 100 rings, need rings_counted 103 \[rings\]",
    ),
    "sum a little long": (
        {("cores", 0, "core_length_mm"): 170},
        r"got widths that add to 185, need a sum near core_length_mm 170 \[mm\]",
    ),
    "sum a little short": (
        {("cores", 0, "core_length_mm"): 230},
        r"got widths that add to 185, need a sum near core_length_mm 230 \[mm\]",
    ),
    "absent rings on a counted core": (
        {("cores", 0, "dating"): "lab_count", ("rings", 50, "width_mm"): 0},
        r"rings.csv row 52 .*: got 1 rings of width 0 on a core with lab_count",
    ),
    "inner width near the table": (
        {("cores", 0, "inner_width_mm"): 2.5, ("cores", 0, "inner_width_rings"): 10},
        r"inner_width_mm: got 2.5, need near the ring table's 1.85 \[mm\]",
    ),
    "fast seedling": (
        {("seedlings", 0, "height_m"): 8},
        r"height_m: got 8 m in 4 years, need mostly 0.003 to 1.5 m of height a year",
    ),
}


def test_the_good_field_has_no_fault_and_no_note(tmp_path: Path) -> None:
    """Negative control of every case below: without a change nothing is said."""
    assert note_text(read(tmp_path, good_tables())) == ""


@pytest.mark.parametrize("name", FAULTS)
def test_fault(name: str, tmp_path: Path) -> None:
    """Each fault is refused with file, row, value, need and unit."""
    edits, match = FAULTS[name]
    found = faults(tmp_path, changed(edits), match)
    assert (found["do"].str.len() > 0).all()


@pytest.mark.parametrize("name", NOTES)
def test_note(name: str, tmp_path: Path) -> None:
    """Each oddity is let pass and named."""
    import re

    edits, match = NOTES[name]
    text = note_text(read(tmp_path, changed(edits)))
    assert re.search(match, text), text


def test_all_faults_are_gathered(tmp_path: Path) -> None:
    """Faults of several files come in one error, each in its row."""
    edits = {("trees", 0, "dbh_cm"): -1, ("cores", 2, "inner_end"): "pit", ("events", 0, "year"): 2931}
    found = faults(tmp_path, changed(edits), "3 faults in cores.csv, events.csv, trees.csv, nothing was computed")
    assert found[["file", "row", "got"]].to_numpy().tolist() == [
        ["trees.csv", 2, "-1"],  # hand count of lines
        ["cores.csv", 4, "pit"],
        ["events.csv", 2, "2931"],
    ]


def test_incomplete_last_ring_may_be_without_width(tmp_path: Path) -> None:
    """A ring still growing counts for the year; its width may be left out."""
    tables = changed({("cores", 0, "outer_end"): "incomplete", ("cores", 0, "rings_counted"): 101})
    tables["cores"]["outer_year"] = 2021
    assert "rings_counted" not in note_text(read(tmp_path, tables))


def test_copied_series_is_reported(tmp_path: Path) -> None:
    """Two cores with the same widths are asked about."""
    import pandas as pd

    tables = good_tables()
    tables["cores"].loc[1, "rings_counted"] = 100
    tables["rings"] = pd.concat([tables["rings"], tables["rings"].assign(core="b")])
    assert "got the same 100 widths as tree A17, core a" in note_text(read(tmp_path, tables))


def test_southern_hemisphere_is_noted(tmp_path: Path) -> None:
    """The meaning of the outer year is said for a southern site."""
    text = note_text(read(tmp_path, good_tables(), TOML.replace("north", "south")))
    assert "the year in which the last ring began to grow" in text  # common practice for the southern hemisphere


def test_shrinkage_explains_a_short_sum(tmp_path: Path) -> None:
    """Rings measured dry and a length measured fresh agree once shrinkage is stated."""
    tables = changed({("cores", 0, "core_length_mm"): 225})  # 185 / 225 = 0.82, below 0.85
    assert "widths that add to 185" in note_text(read(tmp_path, tables))
    text = note_text(read(tmp_path, tables, TOML + "shrinkage_percent = 6\n"))  # 185 / 0.94 = 196.8 mm, hand sum
    assert "widths that add to" not in text


def test_arc_that_is_almost_flat_is_no_double_entry(tmp_path: Path) -> None:
    """A rise within its reading error says nothing about the distance, so it cannot contradict one."""
    tables = changed({("cores", 0, "rise_mm"): 0.05, ("cores", 0, "distance_mm"): 5})
    assert "one entry" not in note_text(read(tmp_path, tables))


def test_half_circle_read_with_error_passes(tmp_path: Path) -> None:
    """A rise a little above half the chord is reading error, not a fault."""
    edits = {("cores", 0, "chord_mm"): 7.1, ("cores", 0, "rise_mm"): 3.57}
    assert len(read(tmp_path, changed(edits)).cores) == 3


def test_odd_values_are_a_unit_slip_only_when_they_are_most(tmp_path: Path) -> None:
    """One stout tree is asked about; a whole column of such trees looks like millimetres."""
    edits = {("trees", 0, "dbh_cm"): 310, ("cores", -1, "core_length_mm"): "", ("cores", 2, "inner_end"): "rot"}
    tables = changed(edits)
    tables.pop("rings")
    text = note_text(read(tmp_path, tables))
    assert "got 310, need mostly 1 to 250 [cm]. Check it; it is used as written." in text
    tables["trees"]["dbh_cm"] = [310, 420]
    assert "got 310, need mostly 1 to 250 [cm]. This looks like millimetres: write 31." in note_text(
        read(tmp_path, tables)
    )


def test_many_alike_faults_share_a_line(tmp_path: Path) -> None:
    """A slip in every row fills one line of the message and a hundred rows of the frame."""
    tables = changed({("rings", -1, "width_mm"): 185})
    found = faults(tmp_path, tables, r"and 99 more like it in rows 3, 4, 5, 6, 7, \.\.\.")
    assert len(found) == 100


def without_core(tables: dict[str, pd.DataFrame], tree: str, core: str) -> dict[str, pd.DataFrame]:
    """The tables without one core."""
    left = dict(tables)
    for name in ("cores", "rings", "arcs", "points"):
        frame = tables[name]
        left[name] = frame[(frame["tree"] != tree) | (frame["core"] != core)]
    return left


REQUIRED = {  # a required cell without a value, and what the advice says to do with it
    "cores": ({("cores", 1, "rings_counted"): "?"}, lambda tables: without_core(tables, "A17", "b")),
    "events": ({("events", 0, "year"): "?"}, lambda tables: tables | {"events": tables["events"].iloc[1:]}),
    "arcs": ({("arcs", 0, "rise_mm"): "?"}, lambda tables: tables | {"arcs": tables["arcs"].iloc[1:]}),
    "rings": ({("rings", 60, "width_mm"): "?"}, lambda tables: tables | {"rings": tables["rings"].iloc[:60]}),
}


@pytest.mark.parametrize("table", REQUIRED)
def test_what_is_said_of_a_required_cell_can_be_done(table: str, tmp_path: Path) -> None:
    """Leaving the cell empty is a fault, following the advice is none."""
    edits, follow = REQUIRED[table]
    bad, empty = changed(edits), changed(dict.fromkeys(edits, ""))
    if table in ("events", "arcs"):  # a second row, because a column that is empty throughout counts as absent
        bad[table], empty[table] = (pd.concat([tables[table], good_tables()[table]]) for tables in (bad, empty))
    for name in ("bad", "empty", "good"):
        (tmp_path / name).mkdir()
    found = faults(tmp_path / "bad", bad, "Write one .*number, or ")
    assert "empty" not in found["do"].iloc[0]
    faults(tmp_path / "empty", empty, "got an empty cell, need .* Fill the cell, or ")
    assert len(read(tmp_path / "good", follow(bad)).trees) == 2


def test_widths_that_are_no_numbers_leave_nothing_to_compare(tmp_path: Path) -> None:
    """An inner width beside rings of which none could be read is not held against them."""
    edits = {("rings", -1, "width_mm"): "?", ("cores", 0, "inner_width_mm"): 9, ("cores", 0, "inner_width_rings"): 5}
    assert set(faults(tmp_path, changed(edits), "100 faults")["column"]) == {"width_mm"}


@settings(max_examples=12, deadline=None)
@given(st.permutations(range(100)), st.permutations(range(3)))
def test_order_of_rows_changes_nothing(ring_order: list[int], core_order: list[int]) -> None:
    """Rings and cores in any order give the same series and no fault."""
    tables = good_tables()
    rings = tables["rings"].drop(columns="ring")
    widths = Field.from_frames(tables["trees"], tables["cores"], rings).ring_widths()
    field = Field.from_frames(tables["trees"], tables["cores"].iloc[core_order], rings.iloc[ring_order])
    assert field.ring_widths()["A17", "a"].tolist() == widths["A17", "a"].tolist()
    assert field.first_ring_years() == {("A17", "a"): 1921}  # 2020 - 100 + 1


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(["dbh_cm", "bark_mm", "species", "tree", "status", "collar_years", "x_m"]),
    st.one_of(st.text(max_size=8), st.floats(allow_nan=True), st.integers(), st.none(), st.booleans()),
)
@example("dbh_cm", 2.2e-311)  # a ratio of lengths overflowed here once
def test_no_cell_content_breaks_the_reader(column: str, value: object) -> None:
    """Whatever a cell holds, the answer is a field or a list of faults."""
    import pandas as pd

    tables = good_tables()
    trees = tables["trees"].astype(object)
    trees[column] = pd.Series([value, value if column != "tree" else "B02"], dtype=object)
    try:
        field = Field.from_frames(trees, tables["cores"], tables["rings"])
    except InputError as error:
        assert len(error.faults) > 0  # noqa: PT017
    else:
        assert len(field.trees) == 2


# ------------------------------------------------------------------ slips found in a trial by foresters


def test_a_species_misspelt_in_one_tree_is_asked_about(tmp_path: Path) -> None:
    """One letter apart, the rarer name is asked about; related species are not."""
    tables = good_tables()
    tree = {"dbh_cm": 40.0, "bark_mm": 10.0}
    names = ["Pinus sylvestris"] * 2 + ["Pinus silvestris", "Quercus robur", "Quercus rubra"]
    more = [{"tree": f"C{at}", "species": name} | tree for at, name in enumerate(names)]
    tables["trees"] = pd.concat([tables["trees"], pd.DataFrame(more)], ignore_index=True)
    text = note_text(read(tmp_path, tables))
    assert "got Pinus silvestris in 1 of 7 trees, need one spelling" in text
    assert "Did you mean Pinus sylvestris?" in text
    assert "Quercus" not in text.replace("tree C", "")


def test_far_too_many_rings_for_a_core_are_asked_about(tmp_path: Path) -> None:
    """185 mm with 1010 rings are 0.18 mm a ring: a digit too many rather than such a tree."""
    text = note_text(read(tmp_path, changed({("cores", 2, "rings_counted"): 1010})))
    assert "rings_counted: got 1010 on 185 mm, 0.18 mm a ring, need mostly rings at least 0.2 mm wide" in text


def test_a_diameter_that_two_cores_contradict_is_named_itself(tmp_path: Path) -> None:
    """400 mm written as cm, or 0.4 m: the line is on the diameter, besides those of the cores."""
    for value, unit in ((400, "millimetres"), (4, "")):
        edits: Edits = {("trees", 0, "dbh_cm"): value, ("trees", 0, "bark_mm"): ""}
        folder = tmp_path / str(value)
        folder.mkdir()
        found = faults(folder, changed(edits), "core_length_mm")
        lines = found[found["file"] == "trees.csv"]
        assert len(lines) == bool(unit)  # 4 cm is no unit away from 37 cm, two radii
        if unit:
            assert lines["column"].tolist() == ["dbh_cm"]
            assert "about 37, twice the length of its 2 cores [cm]" in lines["need"].iloc[0]  # 2 x 185 mm
            assert f"This looks like {unit}: check its unit first" in lines["do"].iloc[0]


@pytest.mark.parametrize("table", ["trees", "cores"])
def test_a_misnamed_key_column_brings_one_fault(tmp_path: Path, table: str) -> None:
    """Tree in place of tree: what follows from it is not told again."""
    tables = good_tables()
    tables[table] = tables[table].rename(columns={"tree": "Tree"})
    found = faults(tmp_path, tables, "tree")
    assert found["column"].tolist() == ["tree"]
    assert found["file"].tolist() == [f"{table}.csv"]
