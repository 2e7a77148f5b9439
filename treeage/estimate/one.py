"""One tree by itself: columns of the tables as arguments, the answer that of a folder of one tree. Own derivation."""

from __future__ import annotations

import inspect
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from treeage.errors import Fault, InputError, TreeageWarning, kind_of, public, require_row, show
from treeage.estimate.prepare import estimate_ages
from treeage.schema import Dating, InnerEnd, columns, nearest
from treeage.tables import Field, Settings

if TYPE_CHECKING:
    from treeage.results import Ages, TreeAge

MEASURES = ("chord_mm", "circle_radius_mm", "ray_gap_mm")  # each says that arcs or rays were seen
NAMES = {"tree": "1", "core": "a"}
WHERE = "date_tree"


@public
def date_tree(
    *,
    widths_mm: Sequence[float] = (),
    cores: Sequence[Mapping[str, Any]] = (),
    seedlings: pd.DataFrame | Sequence[tuple[float, float]] = (),
    height: str | Mapping[str, Any] = "",
    settings: Settings | None = None,
    prob: float = 0.9,
    **values: Any,
) -> TreeAge:
    """Date one tree from the columns of its tables, without a folder.

    Parameters
    ----------
    widths_mm : sequence of float, optional
        Ring widths of the core [mm], innermost counted ring first; 0 for a dated ring that is absent there.
    cores : sequence of mapping, optional
        Further cores of the tree: columns of cores.csv, and widths_mm.
    seedlings : pandas.DataFrame or sequence of (height_m, age_years), optional
        Young trees of the species: a table with the columns of seedlings.csv, or pairs of height [m] and age [years].
    height : str or mapping, optional
        What the years to the coring height rest on: a word such as "none" or "open_data", or the keys of a
        height section of field.toml, as {"model": "mean_sd", "height_m": 1.0, "mean_years": 9, "sd_years": 3}. Left
        out: open data, sharpened by the young trees there are.
    settings : Settings, optional
        Hemisphere, breast height and the rest of field.toml.
    prob : float, default 0.9
        Probability of the intervals.
    **values
        Columns of trees.csv and cores.csv by name, with their units: species, dbh_cm, bark_mm, ...; outer_year,
        rings_counted, core_height_m, chord_mm, rise_mm, ... (`treeage.schema.nomenclature()` lists all). Needed are
        species, outer_year, core_height_m, rings_counted (or widths_mm, of which it is the number) and
        inner_end ("arcs" where an arc, a circle or rays are given). dating is "field_count", the least sure, when
        left out. tree and core name them in the answer.

    Returns
    -------
    TreeAge
        The same as that of a folder of one tree, number by number.

    Raises
    ------
    InputError
        With all faults: a name that is no column, a value that is missing or cannot be.

    Warns
    -----
    TreeageWarning
        If a value can be but is odd, as a diameter in mm would be.

    Notes
    -----
    A tree by itself learns nothing from a stand: how borers aim, how arcs are read and how trees grew near the
    pith stay as uncertain as the defaults are. In a folder the same tree has a narrower date.

    Examples
    --------
    >>> tree = date_tree(species="Larix decidua", outer_year=2020, rings_counted=100, core_height_m=1.0,
    ...     dating="crossdated", chord_mm=5.0, rise_mm=0.4, dbh_cm=40.0, height="none")
    >>> tree.outer_year, tree.minimum_age, tree.date_refers_to
    (2020, 100, 'coring height')
    """
    first = {**values, "widths_mm": widths_mm}
    ages = one_tree([first, *cores], seedlings=seedlings, height=height, settings=settings, prob=prob)
    for row in ages.notes.to_dict("records"):
        if row["file"] in ("trees", "cores"):
            warnings.warn(_as_argument(row, 1 + len(cores)).line(), TreeageWarning, stacklevel=3)
    return ages.tree_ages[0]


def _signature() -> inspect.Signature:
    """That of `date_tree` with every column by name, for help and completion."""
    own = [each for each in inspect.signature(date_tree).parameters.values() if each.kind != each.VAR_KEYWORD]
    names = dict.fromkeys(item.name for table in ("trees", "cores") for item in columns(table))
    more = [inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=None) for name in names]
    return inspect.Signature([*own, *more])


date_tree.__signature__ = _signature()  # type: ignore[attr-defined]


def one_tree(
    cores: Sequence[Mapping[str, Any]],
    *,
    seedlings: pd.DataFrame | Sequence[tuple[float, float]] = (),
    height: str | Mapping[str, Any] = "",
    settings: Settings | None = None,
    prob: float = 0.9,
) -> Ages:
    """Ages of a field of one tree; the first of `cores` holds the columns of the tree too."""
    for place, core in enumerate(cores):
        if not isinstance(core, Mapping):
            do = "Write for example cores=[{'outer_year': 2020, ...}]."
            raise InputError(Fault(kind_of(core), "a dict of columns for each core", do, WHERE, place + 1, "cores"))
    tree_columns = {item.name for item in columns("trees")}
    known = tree_columns | {item.name for item in columns("cores")} | {"widths_mm"}
    rows = [{name: value for name, value in core.items() if not _is_empty(value)} for core in cores]
    _check_names(rows, known, tree_columns)
    tree = {"tree": NAMES["tree"]} | {name: value for name, value in rows[0].items() if name in tree_columns}
    made, rings = [], []
    for place, row in enumerate(rows):
        names = {"tree": tree["tree"], "core": chr(ord(NAMES["core"]) + place)}
        core = names | _completed(row) | {"tree": tree["tree"]}
        widths = list(core.pop("widths_mm", ()))
        made.append({name: value for name, value in core.items() if name == "tree" or name not in tree_columns})
        if widths:
            named = {"tree": tree["tree"], "core": core["core"]}
            rings.append(pd.DataFrame({**named, "ring": range(1, len(widths) + 1), "width_mm": widths}))
    young = _young_trees(seedlings, str(tree.get("species", "")))
    chosen = _with_height(settings or Settings(), height)
    try:
        field = Field.from_frames(
            pd.DataFrame([tree]),
            pd.DataFrame(made),
            pd.concat(rings, ignore_index=True) if rings else None,
            seedlings=young,
            settings=chosen,
        )
    except InputError as error:
        raise InputError([_as_argument(row, len(made)) for row in error.faults.to_dict("records")]) from error
    return estimate_ages(field, prob=prob)


def _is_empty(value: object) -> bool:
    return value is None or isinstance(value, str) and value == "" or isinstance(value, float) and np.isnan(value)


def _check_names(rows: Sequence[Mapping[str, Any]], known: set[str], of_tree: set[str]) -> None:
    """Refuse names that are no column, and columns of the tree with a further core."""
    faults = []
    for place, row in enumerate(rows):
        for name in row:
            if name not in known:
                near = nearest(name, known)
                do = f"Did you mean {near}?" if near else "See treeage.schema.nomenclature() for all columns."
                faults.append(Fault(name, "a column of trees.csv or cores.csv", do, WHERE, 0, name))
            elif place and name in of_tree and name != "tree":
                do = "Pass it once, outside cores."
                faults.append(Fault(f"{name} with core {place + 1}", "a column of cores.csv", do, WHERE, 0, name))
            elif name == "widths_mm":
                require_row(WHERE, name, row[name])
            elif isinstance(row[name], (Sequence, Mapping)) and not isinstance(row[name], str) or np.ndim(row[name]):
                faults.append(Fault(kind_of(row[name]), "one value", "Pass further cores as cores.", WHERE, 0, name))
    if faults:
        raise InputError(faults)


def _completed(row: Mapping[str, Any]) -> dict[str, Any]:
    """Add what other columns of the core say: the number of rings, and that arcs were seen."""
    core = dict(row)
    if "widths_mm" in core and len(core["widths_mm"]):
        core.setdefault("rings_counted", len(core["widths_mm"]))
    if any(name in core for name in MEASURES):
        core.setdefault("inner_end", InnerEnd.ARCS.value)
    core.setdefault("dating", Dating.FIELD_COUNT.value)
    return core


def _young_trees(seedlings: pd.DataFrame | Sequence[tuple[float, float]], species: str) -> pd.DataFrame | None:
    if isinstance(seedlings, pd.DataFrame):
        table = seedlings
    else:
        pairs = list(seedlings)
        if any(not isinstance(pair, Sequence) or len(pair) != 2 for pair in pairs):
            need, do = "pairs of height [m] and age [years]", "Write for example [(0.4, 6), (1.1, 13)]."
            raise InputError(Fault(show(str(pairs)), need, do, WHERE, 0, "seedlings"))
        table = pd.DataFrame(pairs, columns=["height_m", "age_years"])
    if table.empty:
        return None
    return table if "species" in table else table.assign(species=species)


def _with_height(settings: Settings, height: str | Mapping[str, Any]) -> Settings:
    if not height:
        return settings
    model = {"model": height} if isinstance(height, str) else dict(height)
    return replace(settings, height={"default": model})


def _as_argument(row: Mapping[Any, Any], cores: int) -> Fault:
    """A fault of a table of one row as that of an argument."""
    fault = Fault(**{str(name): value for name, value in row.items()})
    if fault.got == "no such column":
        return replace(fault, got="nothing", need=fault.need.partition(": ")[2], do="Pass it.", file=WHERE)
    do = fault.do.replace("leave the cell empty", "leave it out")
    do = do.replace("leave this core out of all tables", "leave this tree out")
    return replace(fault, do=do, file=WHERE, row=0, item=fault.item if cores > 1 else "")
