"""A printable card for each tree: the columns of the folder to fill in, a sketch of the core, aim rules, cautions.

Own layout; sizes are choices.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from treeage.errors import Fault, Findings, InputError, show
from treeage.priors import data_rows, data_text
from treeage.schema import Column, columns
from treeage.tables import RawTable, read_place

CARD_SIZES: Final[Mapping[str, tuple[int, int]]] = {"A5": (148, 210), "A4": (210, 297)}  # mm, upright
DESK_ENDINGS: Final = ("_sd_mm", "_sd_deg", "_sd", "_sd_years")  # columns of spreads are written at a desk
DESK: Final = ("trees_per_ha", "circle_step_mm", "known_establishment_year")  # and so are these
MOST_CARDS: Final = 1_000
LINE_MM, WIDE_LINE_MM = 5.2, 8.0  # height of a line to write on
CORES: Final = ("A", "B")


def field_card(folder: str | Path, *, trees: int | None = None, size: str = "A5") -> str:
    """One printable page a tree, as one HTML text without links or scripts; its PDF comes from the browser's print.

    Parameters
    ----------
    folder : str or pathlib.Path
        Field folder or workbook; its columns are those of the card, and what its table of trees holds is filled in.
    trees : int, optional
        Number of cards; by default one for each row of the table of trees, or one where that is empty.
    size : str, default "A5"
        A5 or A4, upright.

    Returns
    -------
    str
        The page.

    Raises
    ------
    InputError
        If there is no such folder, a table cannot be read, or number and size are not possible.
    """
    place = Path(folder)
    faults = []
    if size not in CARD_SIZES:
        faults.append(Fault(show(size), "A5 or A4", "Choose one.", "treeage card", 0, "--size"))
    if trees is not None and not 1 <= trees <= MOST_CARDS:
        need = f"1 to {MOST_CARDS}"
        faults.append(Fault(show(trees), need, "Write for example --trees 20.", "treeage card", 0, "--trees"))
    if not place.exists():
        do = "Write one with treeage start FOLDER."
        faults.append(Fault(f"{place}, which does not exist", "a field folder", do, "treeage card", 0, "FOLDER"))
    if faults:
        raise InputError(faults)
    findings = Findings()
    book = "" if place.is_dir() else place.name
    raw, _, _ = read_place(place if place.is_dir() else place.parent, book, findings)
    findings.stop()
    known = _known_trees(raw["trees"])
    count = (len(known) or 1) if trees is None else trees
    width, height = CARD_SIZES[size]
    scale = 1.0 if size == "A5" else 1.32
    of_tree = _shown("trees", raw)
    of_core = [item for item in _shown("cores", raw) if not item.is_id]
    room_mm = height - scale * (44 + LINE_MM * (len(of_tree) // 3 + 1))
    page: str = _template().render(
        cards=[known[at] if at < len(known) else {} for at in range(count)],
        tree_columns=of_tree,
        core_columns=of_core,
        row_mm=f"{min(max(room_mm / max(len(of_core), 1), LINE_MM * scale), WIDE_LINE_MM * scale):.1f}",
        core_names=CORES,
        size=size,
        width=width,
        height=height,
        scale=scale,
        rules=_words("aim_rule"),
        cautions=_words("caution_card"),
    )
    return page


def _shown(table: str, raw: Mapping[str, RawTable]) -> list[Column]:
    """Columns of a table of this folder that are filled in at the tree."""
    return [
        item
        for item in columns(table)
        if item.name in raw[table].columns and item.name not in DESK and not item.name.endswith(DESK_ENDINGS)
    ]


def _known_trees(table: RawTable) -> list[dict[str, str]]:
    """What the table of trees holds, as text, one mapping a row."""
    shown = {name: ["" if str(cell) == "nan" else str(cell) for cell in cells] for name, cells in table.columns.items()}
    return [{name: cells[row] for name, cells in shown.items()} for row in range(len(table.lines))]


def _words(group: str) -> list[str]:
    return [row["text"] for row in data_rows("words.csv") if row["group"] == group]


def _template() -> Any:
    from jinja2 import Environment, StrictUndefined

    environment = Environment(autoescape=True, undefined=StrictUndefined)
    environment.filters["label"] = _label
    return environment.from_string(data_text("field_card.html.j2"))


def _label(item: Column) -> str:
    """A column for people: its name without the unit, which stands beside it."""
    ending = f"_{item.name.rpartition('_')[2]}"
    short = item.name.removesuffix(ending) if item.unit and ending in ("_cm", "_mm", "_m", "_deg", "_percent") else ""
    return (short or item.name).replace("_", " ")
