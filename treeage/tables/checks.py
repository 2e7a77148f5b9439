"""Runs all checks of the field tables, and holds those across tables: names, years, young trees, height models.

Faults stop the run, notes go to the report. Own derivation.
"""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from treeage.errors import Findings, Words, show
from treeage.schema import (
    FEWEST_YOUNG_TREES,
    FROM_YOUNG_TREES,
    SEEDLING_REACH,
    SETTINGS_FILE,
    HeightChoice,
    height_faults,
    nearest,
)
from treeage.tables.columns import FloatArray, TypedTable
from treeage.tables.cores import check_arcs, check_bark, check_cores, check_points, check_sizes, ratio
from treeage.tables.rings import RingBlocks, bare_name, check_rings, core_places
from treeage.tables.settings import Settings

SINGLE_COLUMNS = ("height_m", "age_years")
PAIR_COLUMNS = ("low_height_m", "low_rings", "high_height_m", "high_rings")
SLIP_OF_PEN = 0.9  # choice: similarity of two names that differ by a letter; related species share less
GIRTH_SHARE, GIRTH_CM = 0.05, 0.5  # choice: stems are not round, so that a calliper and a tape differ by some percent
FASTEST_M = 1.5  # choice: height growth [m a year] above which a seedling row is asked about
SLOWEST_M = 0.003  # choice: and below which

Tables = Mapping[str, TypedTable]  # by name; any may be absent


def check_tables(tables: Tables, settings: Settings, findings: Findings, today: int) -> dict[str, TypedTable]:
    """Check all tables of a field; without faults the rings come back sorted, with both number and year."""
    checked = dict(tables)
    _names(tables, settings, findings)
    _years(tables, settings, findings, today)
    if "seedlings" in tables:
        _seedlings(tables["seedlings"], findings)
    _height_models(tables, settings, findings)
    trees, cores = tables.get("trees"), tables.get("cores")
    if trees is not None:
        trees = checked["trees"] = _diameters_from_girths(trees, findings)
        check_bark(trees, findings)
    if cores is None:
        return checked
    places = core_places(cores)
    blocks = RingBlocks.none(len(cores))
    if "rings" in tables:
        checked["rings"], blocks = check_rings(tables["rings"], cores, places, settings, findings)
    marked = np.zeros(len(cores), dtype=bool)
    if "arcs" in tables:
        marked |= check_arcs(tables["arcs"], cores, places, findings)
    if "points" in tables:
        marked |= check_points(tables["points"], cores, places, findings)
    check_cores(cores, marked, findings)
    if trees is not None:
        check_sizes(trees, cores, blocks, marked, findings)
    return checked


# ------------------------------------------------------------------ names


def _names(tables: Tables, settings: Settings, findings: Findings) -> None:
    """Check the names of trees, cores and species."""
    trees, cores = tables.get("trees"), tables.get("cores")
    if trees is not None:
        names = [(name,) for name in trees.texts("tree")]
        _duplicates(trees, names, "tree", findings)
        _near_duplicates(trees, names, "tree", findings)
        _near_duplicates(trees, [(name,) for name in trees.texts("species")], "species", findings)
        _alike_species(trees, findings)
        _species_without_trees(tables, settings, findings)
    if cores is not None:
        _duplicates(cores, cores.cores(), "core", findings)
        _near_duplicates(cores, cores.cores(), "core", findings)
    if trees is not None and cores is not None and "tree" in trees.given:
        _trees_and_cores(trees, cores, findings)


def _duplicates(table: TypedTable, names: Sequence[tuple[str, ...]], column: str, findings: Findings) -> None:
    first: dict[tuple[str, ...], int] = {}
    found: dict[int, Words] = {}
    for row, name in enumerate(names):
        if all(name) and first.setdefault(name, row) != row:
            got = f"{name[-1]} again, as in row {table.lines[first[name]]}"
            found[row] = (got, "each name once", "Rename one or remove the row that is there twice.")
    findings.at_rows(table, list(found), column, found.__getitem__)


def _near_duplicates(table: TypedTable, names: Sequence[tuple[str, ...]], column: str, findings: Findings) -> None:
    groups: dict[tuple[str, ...], dict[tuple[str, ...], int]] = {}
    for row, name in enumerate(names):
        plain = tuple(re.sub(r"\s+", "", part.casefold()) for part in name)
        groups.setdefault(plain, {}).setdefault(name, row)
    need, do = "names that differ by more than case or spaces", "Make them one name if they are the same."
    for variants in groups.values():
        if len(variants) > 1:
            one_tree = len({name[0] for name in variants}) == 1
            got = " and ".join(name[-1] if one_tree else " ".join(name) for name in variants)
            findings.note(table.file, got, need, do, row=int(table.lines[max(variants.values())]), column=column)


def _alike_species(trees: TypedTable, findings: Findings) -> None:
    """Ask about a rare species name that is a slip of the pen away from a commoner one."""
    species = trees.texts("species")
    names = [name for name in species if name]
    counts = Counter(names).most_common()
    for place, (name, count) in enumerate(counts):
        others = {other.casefold(): other for other, _ in counts[:place] if bare_name(other) != bare_name(name)}
        near = difflib.get_close_matches(name.casefold(), others, n=1, cutoff=SLIP_OF_PEN)
        if near:
            got, do = f"{name} in {count} of {len(names)} trees", f"Did you mean {others[near[0]]}?"
            row = int(trees.lines[species.index(name)])
            findings.note(trees.file, got, "one spelling for each species", do, row=row, column="species")


def _species_without_trees(tables: Tables, settings: Settings, findings: Findings) -> None:
    species = sorted(set(tables["trees"].texts("species")) - {""})
    alike = {bare_name(each): each for each in species}

    def unmatched(file: str, names: Iterable[str]) -> None:
        for name in names:
            if name and name not in species and bare_name(name) in alike:  # else what is said of it passes unused
                own = alike[bare_name(name)]
                column = _section(name) if file == SETTINGS_FILE else "species"
                findings.fault(file, name, f"{own}, as in the trees table", "Write it the same.", column=column)
            elif name and name not in species:
                near = nearest(name, species)
                do = f"Did you mean {near}?" if near else "Nothing, if it is meant; no tree uses it."
                findings.note(file, name, "a species of the trees table", do, column="species")

    unmatched(SETTINGS_FILE, (name for name in settings.height if name != "default"))
    if "seedlings" in tables:
        unmatched(tables["seedlings"].file, dict.fromkeys(tables["seedlings"].texts("species")))


def _trees_and_cores(trees: TypedTable, cores: TypedTable, findings: Findings) -> None:
    names, owners = trees.texts("tree"), cores.texts("tree")
    known, cored = set(names), set(owners) | {""}
    alike = {bare_name(name): name for name in names}

    def without_tree(row: int) -> Words:
        near = alike.get(bare_name(owners[row]))
        do = f"Did you mean {near}?" if near else "Add the tree to the trees table or correct the name."
        return owners[row], "a tree of the trees table", do

    lost = [row for row, name in enumerate(owners) if name and name not in known]
    findings.at_rows(cores, lost, "tree", without_tree)
    bare = [name for name in names if name not in cored]
    if bare:
        some = ", ".join(bare[:3]) + ", ..." * (len(bare) > 3)
        got = f"{len(bare)} tree{'s' * (len(bare) > 1)} without a core ({some})"
        do = "Nothing, if they were not cored; those with a diameter still count in the history of the stand."
        findings.note(trees.file, got, "a core of each tree that is to be dated", do, column="tree")


def _diameters_from_girths(trees: TypedTable, findings: Findings) -> TypedTable:
    """Diameters of the trees of which only the girth was taken; where both were taken they must agree."""
    diameter, from_girth = trees.numbers("dbh_cm"), trees.numbers("girth_cm") / np.pi
    apart = np.abs(diameter - from_girth) > GIRTH_SHARE * from_girth + GIRTH_CM

    def not_alike(row: int) -> Words:
        need = f"near girth_cm / pi = {from_girth[row]:.4g} [cm]"
        return f"{diameter[row]:g}", need, "Correct one of them, or leave one empty."

    findings.at_rows(trees, apart, "dbh_cm", not_alike)
    taken = np.isnan(diameter) & ~np.isnan(from_girth)
    if not taken.any():
        return trees
    got, do = f"{taken.sum()} trees with a girth and no dbh_cm", "Nothing; girth_cm / pi is used as dbh_cm."
    findings.note(trees.file, got, "dbh_cm or girth_cm", do, column="girth_cm")
    return replace(trees, frame=trees.frame.assign(dbh_cm=np.where(taken, from_girth, diameter)))


# ------------------------------------------------------------------ years and young trees


def _years(tables: Tables, settings: Settings, findings: Findings, today: int) -> None:
    for name, column in (("cores", "outer_year"), ("events", "year"), ("trees", "known_establishment_year")):
        if name in tables:
            _future(tables[name], column, today, findings)
    if settings.hemisphere == "south" and "cores" in tables:
        findings.note(
            tables["cores"].file,
            "a site in the southern hemisphere",
            "outer_year as the year in which the last ring began to grow",
            "Check cores taken from January to June: their last ring began in the year before.",
            column="outer_year",
        )


def _future(table: TypedTable, column: str, today: int, findings: Findings) -> None:
    years, need, do = table.numbers(column), f"a year up to {today}", "Correct the year; it lies in the future."
    findings.at_rows(table, years > today, column, lambda row: (show(years[row]), need, do))


def _seedlings(table: TypedTable, findings: Findings) -> None:
    """Check that each row of seedlings.csv holds a whole measurement, the right way up, of a growth that trees have."""
    height, age = table.numbers("height_m"), table.numbers("age_years")
    named = table.given & {*SINGLE_COLUMNS, *PAIR_COLUMNS}
    single, pair = table.filled(*SINGLE_COLUMNS), table.filled(*PAIR_COLUMNS)
    one = np.isnan(height) != np.isnan(age)
    some = np.any([table.filled(name) for name in PAIR_COLUMNS], axis=0) & ~pair
    words = (
        "a row without a whole measurement",
        f"{' and '.join(SINGLE_COLUMNS)}, or all four of {', '.join(PAIR_COLUMNS)}",
        "Fill the cells or remove the row." if named else "Rename the columns that hold them, with the unit they need.",
    )
    findings.at_rows(table, (one | some | ~(single | pair)) & ~findings.at_fault(table), "", words)
    low, low_rings, high, high_rings = (table.numbers(name) for name in PAIR_COLUMNS)

    def upside_down(row: int) -> Words:
        return f"{high[row]:g}", f"more than low_height_m {low[row]:g} [m]", "Swap them."

    def more_rings_above(row: int) -> Words:
        do = "Swap them: the upper height has fewer rings."
        return f"{high_rings[row]:g}", f"at most low_rings {low_rings[row]:g} [rings]", do

    def odd_growth(row: int) -> Words:
        need = f"mostly {SLOWEST_M:g} to {FASTEST_M:g} m of height a year"
        do = "Check that height_m is in metres and age_years in years."
        return f"{height[row]:g} m in {age[row]:g} years", need, do

    findings.at_rows(table, high <= low, "high_height_m", upside_down)
    findings.at_rows(table, high_rings > low_rings, "high_rings", more_rings_above)
    growth = ratio(height, age)
    findings.at_rows(table, (growth > FASTEST_M) | (growth < SLOWEST_M), "height_m", odd_growth, note=True)


# ------------------------------------------------------------------ height models


def _height_models(tables: Tables, settings: Settings, findings: Findings) -> None:
    """Check the height model of every species, and that it has the young trees it needs."""
    wrong = set()
    for name, model in settings.height.items():
        faults = height_faults(model, section=_section(name))
        findings.faults += faults
        if not faults and model["model"] in (HeightChoice.MEAN_SD, HeightChoice.QUANTILES) and "source" not in model:
            do = f'Write source = "where the figure is from" under [{_section(name)}].'
            findings.note(SETTINGS_FILE, "no source", "where the figure is from", do, column=_section(name))
        wrong |= {name} if faults else set()
    if "trees" not in tables:
        return
    for species in sorted(set(tables["trees"].texts("species")) - {""}):
        key = species if species in settings.height else "default"
        if key not in wrong:
            _young_trees(species, key, settings.height_choice(species), tables, findings)


def _section(species: str) -> str:
    """Section of field.toml that holds the height model of a species, or the default, as it is written there."""
    return "height.default" if species == "default" else f'height."{species}"'


def _young_trees(species: str, key: str, model: Mapping[str, Any] | None, tables: Tables, findings: Findings) -> None:
    word = None if model is None else model["model"]
    if word in (None, HeightChoice.SEEDLINGS, HeightChoice.OPEN_DATA) and "sampling" not in (model or {}):
        _sampling(species, tables.get("seedlings"), findings)
    if word not in FROM_YOUNG_TREES:
        return
    pairs = word == HeightChoice.TWO_HEIGHTS
    noun, columns = ("trees counted at two heights", PAIR_COLUMNS) if pairs else ("young trees", SINGLE_COLUMNS)
    heights = _usable_heights(tables.get("seedlings"), species, columns)
    if heights.size < FEWEST_YOUNG_TREES:
        got = f"{heights.size} {noun} of this species with {', '.join(columns)} in seedlings.csv"
        need = f"at least {FEWEST_YOUNG_TREES}, 20 or more are better"
        do = 'Measure more, or choose another model, for example model = "mean_sd" with your own figure.'
        item = species if key == "default" else ""
        findings.fault(SETTINGS_FILE, got, need, do, column=_section(key), item=item)
    elif not pairs and "cores" in tables:
        _reach(species, SEEDLING_REACH * float(heights.max()), tables, findings)


def _sampling(species: str, table: TypedTable | None, findings: Findings) -> None:
    """Ask how the young trees of a species were chosen, where that is not said in one word."""
    if table is None or not _usable_heights(table, species, SINGLE_COLUMNS).size:
        return
    own = [name == species for name in table.texts("species")] & table.filled(*SINGLE_COLUMNS)
    words = {word for word, mine in zip(table.texts("sampling"), own, strict=True) if mine}
    if len(words) > 1 or "" in words:
        need = "how these young trees were chosen: passing, age or height"
        do = "Fill the column sampling; until then both readings are mixed, chosen by age and standing at a height."
        findings.note(table.file, f"{species} without one word of sampling", need, do, column="sampling")


def _usable_heights(table: TypedTable | None, species: str, columns: tuple[str, ...]) -> FloatArray:
    """Heights of the rows of a species on which all the named columns are filled, the first of which is the height."""
    if table is None:
        return np.zeros(0)
    own = np.array([name == species for name in table.texts("species")], dtype=bool)
    return table.numbers(columns[0])[own & table.filled(*columns)]


def _reach(species: str, reach_m: float, tables: Tables, findings: Findings) -> None:
    """Cores so high above the tallest young tree that nothing can be said of the years below them."""
    trees, cores = tables["trees"], tables["cores"]
    own = {tree for tree, name in zip(trees.texts("tree"), trees.texts("species"), strict=True) if name == species}
    of_species = np.array([tree in own for tree in cores.texts("tree")], dtype=bool)
    heights = cores.numbers("core_height_m")
    need = f"below {reach_m:g} [m], {SEEDLING_REACH:g} times the height of the tallest young tree of {species}"
    do = f"Measure taller young trees, or choose another height model for {species} in field.toml."
    high = of_species & (heights >= reach_m)
    findings.at_rows(cores, high, "core_height_m", lambda row: (f"{heights[row]:g}", need, do))
