"""An empty workbook to fill in: a sheet a table with units, meanings, drop-down lists and limits. Own layout."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any, Final

from treeage.priors import data_rows
from treeage.schema import (
    DOUBT_KEYS,
    HEIGHT_MODEL_KEYS,
    HEMISPHERES,
    INPUT_TABLES,
    REQUIRED_TABLES,
    SITE_KEYS,
    Column,
    Interval,
    columns,
)
from treeage.tables import SETTINGS_HEAD, SETTINGS_SHEET, Settings

FIRST_ROW: Final = 4  # meaning, unit and name stand above
LAST_ROW: Final = 5_000  # choice: rows with lists and limits; more can be filled in
LAST_RING_ROW: Final = 200_000  # choice: likewise for a table with a row a ring
HAIR: Final = 1e-9  # an open end: the least number above it that a limit can name
FONT: Final = "Calibri"  # that of new workbooks
NEEDED, FREE, QUIET = "1F3B4D", "D9E2E8", "5A6B78"  # choice: dark and light heads that differ in grey


def empty_workbook(settings: Settings, *, hemisphere: bool = True) -> bytes:
    """An empty workbook with the settings filled in; without `hemisphere` that one is left open."""
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    for table in INPUT_TABLES:
        _table_sheet(book.create_sheet(table), columns(table))
    _settings_sheet(book.create_sheet(SETTINGS_SHEET), _setting_rows(settings, hemisphere))
    made = io.BytesIO()
    book.save(made)
    return made.getvalue()


def _table_sheet(sheet: Any, items: Sequence[Column]) -> None:
    from openpyxl.utils import get_column_letter

    last = LAST_RING_ROW if items[0].table == "rings" else LAST_ROW
    for place, item in enumerate(items, start=1):
        letter = get_column_letter(place)
        needed = item.required and item.table in REQUIRED_TABLES
        _head(sheet, place, (item.meaning, _short_need(item), item.name), needed=needed)
        sheet.column_dimensions[letter].width = max(len(item.name) + 3, 14)
        if item.kind in ("text", "choice"):
            sheet.column_dimensions[letter].number_format = "@"
        limits = _limits(item)
        if limits is not None:
            limits.add(f"{letter}{FIRST_ROW}:{letter}{last}")
            sheet.add_data_validation(limits)
    _finish(sheet, f"{get_column_letter(1 + sum(item.is_id for item in items))}{FIRST_ROW}")


def _head(sheet: Any, place: int, texts: tuple[str, str, str], *, needed: bool) -> None:
    """Meaning, unit and name of a column, one below the other."""
    from openpyxl.styles import Alignment, Font, PatternFill

    for row, text in enumerate(texts, start=1):
        cell = sheet.cell(row, place, text)
        cell.alignment = Alignment(wrap_text=True, vertical="top" if row == 1 else "center")
        cell.font = Font(name=FONT, size=8, color=QUIET)
    cell.font = Font(name=FONT, bold=True, color="FFFFFF" if needed else "000000")
    cell.fill = PatternFill("solid", fgColor=NEEDED if needed else FREE)


def _finish(sheet: Any, first: str) -> None:
    sheet.row_dimensions[1].height = 92
    sheet.row_dimensions[2].height = 24
    sheet.freeze_panes = first


def _short_need(item: Column) -> str:
    """Unit or kind of a column, and whether each row needs it."""
    kind = f"[{item.unit}]" if item.unit else "word of the list" if item.kind == "choice" else "text"
    whole = ", whole number" if item.kind == "integer" else ""
    return f"{kind}{whole}{', needed' if item.required else ''}"


def _limits(item: Column) -> Any:
    """Drop-down list or limits of the cells of a column; a list of the trees where one is named."""
    from openpyxl.worksheet.datavalidation import DataValidation

    told = {
        "allow_blank": True,
        "showErrorMessage": True,
        "showInputMessage": True,
        "errorTitle": item.name,
        "error": f"Need {item.need}.",
        "promptTitle": item.name[:32],
        "prompt": item.meaning[:250],
    }
    if item.kind == "choice":
        return DataValidation(type="list", formula1=_listed(item.choices), **told)
    if item.name == "tree" and item.table not in ("trees", "seedlings"):
        told |= {"errorStyle": "warning", "error": "No such tree in the sheet trees."}
        return DataValidation(type="list", formula1=f"trees!$A${FIRST_ROW}:$A${LAST_ROW}", **told)
    if item.range is None:
        return None
    low, high = _ends(item.range, whole=item.kind == "integer")
    kind = "whole" if item.kind == "integer" else "decimal"
    return DataValidation(type=kind, operator="between", formula1=low, formula2=high, **told)


def _ends(limits: Interval, *, whole: bool) -> tuple[str, str]:
    """Ends of an interval as a limit of cells, which is always closed."""
    step = 1 if whole else HAIR
    low = limits.low + step if limits.low_open else limits.low
    high = limits.high - step if limits.high_open else limits.high
    return f"{low:.12g}", f"{high:.12g}"


def _listed(words: Sequence[str]) -> str:
    return f'"{",".join(words)}"'


# ------------------------------------------------------------------ the sheet of settings

SettingRow = tuple[str, str, str, Any, str]  # section, species, key, value, meaning


def _setting_rows(settings: Settings, hemisphere: bool) -> list[SettingRow]:
    words = {row["key"]: row["text"] for row in data_rows("words.csv") if row["group"] == "setting"}
    usual = Settings()
    site = {key: getattr(settings, key) for key in SITE_KEYS if getattr(settings, key) != getattr(usual, key)}
    site |= {"hemisphere": settings.hemisphere} if hemisphere else {}
    rows: list[SettingRow] = [("site", "", key, site.get(key), words[f"site.{key}"]) for key in SITE_KEYS]
    for key in DOUBT_KEYS:
        value = settings.doubt[key] if settings.doubt[key] != usual.doubt[key] else None
        rows.append(("doubt", "", key, value, words[f"doubt.{key}"]))
    rows += [("defaults", "", key, value, words["defaults"]) for key, value in settings.defaults.items()]
    for species, model in settings.height.items():
        for key, value in model.items():
            text = "; ".join(map(str, value)) if isinstance(value, (list, tuple)) else value
            rows.append(("height", species, key, text, words["height.model"] if key == "model" else ""))
    rows += [("height", "", "model", None, words["height.model"]), ("defaults", "", "", None, words["defaults"])]
    return rows


def _settings_sheet(sheet: Any, rows: Sequence[SettingRow]) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    meanings = ("Part of the settings.", "For section height: the species.", "What is set.", "Empty: the usual one.")
    needs = ("site, defaults, doubt, height", "as in the sheet trees", "see the meaning beside it", "one value")
    for place, texts in enumerate(zip(meanings, needs, SETTINGS_HEAD, strict=True), start=1):
        _head(sheet, place, texts, needed=False)
    _head(sheet, len(SETTINGS_HEAD) + 1, ("", "", "meaning"), needed=False)
    for letter, width in zip("ABCDE", (12, 22, 20, 26, 90), strict=True):
        sheet.column_dimensions[letter].width = width
    lists = {"hemisphere": HEMISPHERES, "model": tuple(HEIGHT_MODEL_KEYS)}
    for line, row in enumerate(rows, start=FIRST_ROW):
        for place, value in enumerate(row, start=1):
            sheet.cell(line, place, value)
        if row[2] in lists:
            choice = DataValidation(type="list", formula1=_listed(lists[row[2]]), allow_blank=True)
            choice.add(f"D{line}")
            sheet.add_data_validation(choice)
    _finish(sheet, f"A{FIRST_ROW}")
    sheet.row_dimensions[1].height = 24
