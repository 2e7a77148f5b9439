"""Makes bad and odd input: field folders, ring files and calls, each from one number, the same in every run.

A case is data, so that one that was found can be kept in the corpus: kind, and
files as bytes or the arguments of a call.
"""

from __future__ import annotations

import io
import json
import math
import re
import zipfile
from argparse import ArgumentParser
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime, time
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
from calls import SLOW, calls

from treeage.cli.commands import command_parser

Random = np.random.Generator

NUMBERS = (
    "", " ", "NA", "nan", "inf", "-inf", "1e308", "-1e308", "1e-320", "0", "-0", "-1", "1", "2", "3.0", "1.5", "0.001",
    "1e7", "10000", "99999999999999999999", "1" * 400, "1_000", "1,5", "1.234,5", "-9999", "999", "0x10", "1e5", "True",
    "None", "2024-01-01", "10-20", "ca. 40", "١٢", "Ⅷ", "1e", "--1", "½", "5000", "100", "30", "0.5", "-0.5",
)  # fmt: skip
TEXTS = (
    "", " ", "A1", "a1", " A1 ", "=1+1", "@SUM(A1)", "+1", "-1", "\x1b[31mX", "\x07", "a\nb", "a\tb", "\u202eabc",
    "<b>&",
    "'", '"', "x" * 3000, "ä", "a\u0308", "𝔄", "0", "007", "1.0", "nan", "../x", "a/b", "CON", "tree", ";", ",",
    "\ufeffA",
    "\u2028", "\x85", "\ud7ff", "Larix", "larix decidua", "Larix  decidua", "Picea abies", "default", "{{7*7}}",
    "%s", "$x$",
    "$\\frac{", "\\", "\x7f", "e\u0301" * 40,
)  # fmt: skip
WORDS = (
    "pith",
    "arcs",
    "rot",
    "lost",
    "crossdated",
    "field_count",
    "PITH",
    "cross-dated",
    "seed",
    "planted",
    "bark",
    "x",
)
TOML = (
    "1", "-1", "1.5", "nan", "inf", "-inf", "1e400", "9" * 400, "0x7fffffffffffffffffffff", "true", '""', '"x"',
    '"north"',
    "[]", "[1, 2]", '["a"]', "[[1], [2]]", "{}", "{ model = 1 }", '{ model = "none" }', "1979-05-27", "07:32:00",
    "1979-05-27T07:32:00Z", '"\\u0000"', '"\\u001b[31m"', "[nan]", "[1e308, 1e308]", "[" * 300 + "]" * 300,
    "[" * 3000 + "]" * 3000, '"""\na\n"""', '{ a = { b = { c = 1 } } }', "1e7", "[0.05, 0.5, 0.95]", "[4, 8, 1e9]",
)  # fmt: skip
MODELS = (
    'model = "seedlings"', 'model = "two_heights"', 'model = "none"', 'model = "open_data"',
    'model = "mean_sd"\nheight_m = 1.0\nmean_years = 8\nsd_years = 3',
    'model = "quantiles"\nheight_m = 1.0\nprobs = [0.05, 0.5, 0.95]\nyears = [4, 8, 17]',
    'model = "published"\nname = "x"', 'model = "curve"\nname = "x"\nsite_index = 20',
)  # fmt: skip
KEYS = ("height_m", "mean_years", "sd_years", "probs", "years", "shared_share", "counts", "source", "sampling", "tip",
        "era_log_sd", "nursery_years", "model", "name", "site_index", "log_sd", "x")  # fmt: skip
SITE = ("name", "description", "hemisphere", "breast_height_m", "shrinkage_percent", "x")
DEFAULTS = ("core_height_m", "outer_year", "dating", "inner_end", "plot", "bark_mm", "trees_per_ha", "collar_years",
    "slope_percent",
            "outer_end", "origin", "nursery_years", "tree")  # fmt: skip
TABLES = ("trees", "cores", "rings", "arcs", "seedlings", "events")


@dataclass
class Case:
    """One input: its kind, its files, or the call and its arguments.

    Kinds are `folder`, `rings` (a ring file), `call` (arguments by name) and `command` (the words of a line).
    """

    kind: str
    files: dict[str, bytes] = field(default_factory=dict)
    call: str = ""
    arguments: tuple[object, ...] = ()
    draws: int = 20
    prob: float = 0.9

    def text(self) -> str:
        """As JSON for the corpus; calls are told by their number, as their arguments may be anything."""
        files = {name: content.decode("latin-1") for name, content in self.files.items()}
        made = {"kind": self.kind, "files": files, "draws": self.draws, "prob": self.prob}
        return json.dumps(made | ({"arguments": self.arguments} if self.kind == "command" else {}), indent=1)

    @classmethod
    def of_text(cls, text: str) -> Case:
        """Back from JSON."""
        made = json.loads(text)
        made["files"] = {name: content.encode("latin-1") for name, content in made["files"].items()}
        return cls(**made)


# ---------------------------------------------------------------------- sound folders


def sound(random: Random) -> tuple[dict[str, pd.DataFrame], str]:
    """Tables as text, and field.toml, of a small stand that can be dated."""
    species = ["Larix decidua", "Picea abies"]
    trees, cores, rings, arcs = [], [], [], []
    for number in range(int(random.integers(1, 6))):
        tree, count = f"T{number}", int(random.integers(30, 120))
        trees.append(
            {"tree": tree, "species": species[number % 2], "dbh_cm": f"{random.uniform(10, 50):.1f}", "plot": "P"}
        )
        for core in "AB"[: int(random.integers(1, 3))]:
            own = count - int(random.integers(0, 20))
            row = {"tree": tree, "core": core, "outer_year": "2020", "rings_counted": str(own), "core_height_m": "1.0"}
            end = str(random.choice(["pith", "arcs", "no_arcs", "rot", "broken"]))
            row |= {"dating": str(random.choice(["crossdated", "lab_count", "field_count"])), "inner_end": end}
            if end == "arcs":
                row |= {"chord_mm": "8", "rise_mm": "0.9"}
                arcs.append({"tree": tree, "core": core, "ring": "3", "chord_mm": "9", "rise_mm": "0.8"})
            cores.append(row)
            if random.random() < 0.7:
                widths = np.exp(random.normal(0.2, 0.4, own))
                years = range(2021 - own, 2021)
                rings += [{"tree": tree, "core": core, "year": str(year), "width_mm": f"{width:.3f}"}
                          for year, width in zip(years, widths, strict=True)]  # fmt: skip
    young = [{"species": species[at % 2], "height_m": f"{0.1 * (1 + at):.1f}", "age_years": str(2 + at),
        "sampling": "age"}
             for at in range(14)]  # fmt: skip
    tables = {"trees": trees, "cores": cores, "rings": rings, "arcs": arcs, "seedlings": young,
              "events": [{"year": "1950", "event": "storm", "note": "n"}]}  # fmt: skip
    kept = {name: pd.DataFrame(rows).fillna("") for name, rows in tables.items() if rows}
    for name in ("arcs", "seedlings", "events"):
        if random.random() < 0.5:
            kept.pop(name, None)
    settings = '[site]\nname = "S"\nhemisphere = "north"\nbreast_height_m = 1.3\n'
    if random.random() < 0.6:
        model = MODELS[int(random.integers(len(MODELS)))]
        settings += f'[height."{random.choice([*species, "default"])}"]\n{model}\n'
    return kept, settings


def folder_of(tables: dict[str, pd.DataFrame], settings: str | bytes) -> dict[str, bytes]:
    """Files of a folder; a name with an ending is written in that form."""
    files = {
        f"{name}.csv": table.to_csv(index=False).encode("utf-8", "surrogatepass") for name, table in tables.items()
    }
    return files | {
        "field.toml": settings if isinstance(settings, bytes) else settings.encode("utf-8", "surrogatepass")
    }


# ---------------------------------------------------------------------- what goes wrong


def pick(random: Random, values: tuple[str, ...]) -> str:
    """One of them."""
    return values[int(random.integers(len(values)))]


def spoil_table(random: Random, table: pd.DataFrame) -> pd.DataFrame:
    """One thing that happens to a table."""
    table = table.copy()
    rows, columns = len(table), list(table.columns)
    column = pick(random, tuple(columns))
    value = pick(random, pick_list(random, column))
    what = int(random.integers(10))
    if what <= 4 and rows:
        for row in random.choice(rows, int(random.integers(1, min(rows, 4) + 1))):
            table.loc[int(row), column] = value
    elif what == 5:
        table[column] = value
    elif what == 6:
        table = table.drop(columns=column)
    elif what == 7:
        table = table.rename(columns={column: pick(random, (*TEXTS, column.upper(), column[:-3] + "_cm"))})
    elif what == 8 and rows:
        again = table.iloc[random.integers(0, rows, 2)]
        table = pd.concat([table, again]).sample(frac=float(random.choice([0.3, 1.0])), random_state=7)
    else:
        extra = ("bark_mm", "dbh_height_m", "outer_lost", "outer_lost_sd", "collar_years", "collar_years_sd",
            "distance_mm", "tilt_deg",
                 "core_length_mm", "distance_sd_mm", "inner_width_mm", "inner_width_rings", "outer_end", "ring",
                 "circle_radius_mm",
                 "nursery_years", "origin", "trees_per_ha", "status", "girth_cm")  # fmt: skip
        table[pick(random, extra)] = [pick(random, NUMBERS + WORDS) for _ in range(rows)]
    return table.reset_index(drop=True)


def pick_list(random: Random, column: str) -> tuple[str, ...]:
    """Values to put into a column: mostly of its own kind."""
    texts = column in ("tree", "core", "species", "plot", "event", "note")
    lists = [TEXTS, NUMBERS, WORDS]
    return lists[int(random.choice(3, p=[0.7, 0.2, 0.1] if texts else [0.15, 0.7, 0.15]))]


def spoil_settings(random: Random, settings: str) -> str:
    """One thing that is wrong with field.toml."""
    what, value = int(random.integers(6)), pick(random, TOML)
    if what == 0:
        return settings + f"\n[defaults]\n{pick(random, DEFAULTS)} = {value}\n"
    if what == 1:
        return settings.replace('name = "S"', f"{pick(random, SITE)} = {value}")
    if what == 2:
        return settings + f'\n[height."Picea abies"]\n{pick(random, MODELS)}\n{pick(random, KEYS)} = {value}\n'
    if what == 3:
        return settings + f"\n[doubt]\n{pick(random, ('pith_near', 'misdated', 'wrong_core', 'x'))} = {value}\n"
    if what == 4:
        return f"{pick(random, ('site', 'defaults', 'height', 'doubt', 'x', 'height.x'))} = {value}\n"
    at = int(random.integers(len(settings)))
    return settings[:at] + pick(random, (*TEXTS, "[", "]", "=", "\n", '"')) + settings[at:]


def spoil_bytes(random: Random, data: bytes) -> bytes:
    """A file that is damaged: cut, doubled, single bytes changed, another encoding or other line ends."""
    if not data:
        return b"\xff"
    what, at = int(random.integers(8)), int(random.integers(len(data)))
    if what <= 2:
        changed = bytearray(data)
        for place in random.integers(0, len(data), int(random.integers(1, 6))):
            changed[place] = int(random.integers(256))
        return bytes(changed)
    shapes: list[Callable[[], bytes]] = [
        lambda: data[:at], lambda: data + data[at:], lambda: data.decode("utf-8", "replace").encode("utf-16"),
        lambda: data.replace(b"\n", pick(random, ("\r\n", "\r", "\n\n", " \n")).encode()),
            lambda: data.replace(b",", b";"),
    ]  # fmt: skip
    return shapes[what - 3]()


def as_parquet(random: Random, table: pd.DataFrame) -> bytes:
    """A table as Parquet, numbers as numbers where that goes, or in kinds that nobody expects."""
    frame = table.loc[:, ~table.columns.duplicated()].copy()  # pandas writes a name once only
    for name in frame.columns:
        what = int(random.integers(8))
        if what <= 3:
            frame[name] = pd.to_numeric(frame[name], errors="coerce") if what else frame[name]
        elif what == 4:
            frame[name] = frame[name].astype("category")
        elif what == 5:
            frame[name] = [[value] for value in frame[name]]
        elif what == 6:
            frame[name] = pd.to_datetime("2020-01-01")
        elif what == 7 and len(frame):
            frame[name] = [value.encode("utf-8", "replace") for value in frame[name].astype(str)]
    sink = io.BytesIO()
    try:
        frame.to_parquet(sink, index=False)
    except Exception:  # what pandas itself cannot write is no case
        return b"PAR1"
    return sink.getvalue()


def a_folder(random: Random) -> Case:
    """A sound folder with up to four things wrong."""
    tables, settings = sound(random)
    for _ in range(int(random.choice([0, 1, 1, 2, 3, 4]))):
        if random.random() < 0.25:
            settings = spoil_settings(random, settings)
        else:
            name = pick(random, tuple(tables))
            tables[name] = spoil_table(random, tables[name])
    files = folder_of(tables, settings)
    if random.random() < 0.12:
        name = pick(random, tuple(tables))
        del files[f"{name}.csv"]
        files[f"{name}.parquet"] = as_parquet(random, tables[name])
    if random.random() < 0.12:
        name = pick(random, tuple(files))
        files[name] = spoil_bytes(random, files[name])
    prob = float(random.choice([0.9, 0.9, 0.5, 0.99, 1e-9, 1 - 1e-12]))
    return Case("folder", files, draws=int(random.choice([1, 20])), prob=prob)


def a_workbook(random: Random) -> Case:
    """The same stand as a workbook, cells of any kind; the file or one of its parts mostly damaged."""
    from openpyxl import Workbook

    tables, _ = sound(random)
    for _ in range(int(random.choice([0, 0, 1, 2]))):
        name = pick(random, tuple(tables))
        tables[name] = spoil_table(random, tables[name])
    rate = float(random.choice([0.0, 0.0, 0.002]))
    book = Workbook()
    book.remove(book.active)
    for name, table in tables.items():
        sheet = book.create_sheet(
            name if random.random() < 0.95 else pick(random, ("Sheet1", name.upper(), f" {name}"))
        )
        for _ in range(int(random.integers(3))):
            sheet.append(["meaning"] * len(table.columns))
        for row in [list(table.columns), *table.to_numpy().tolist()]:
            sheet.append([a_cell(random, ILLEGAL.sub("", str(value))[:30000], rate) for value in row])
    if random.random() < 0.3:
        sheet = book.create_sheet("field")
        sheet.append(["section", "species", "key", "value"])
        for _ in range(3):
            sheet.append([pick(random, ("site", "height", "defaults", "x", "")), pick(random, ("", "default",
                "Larix decidua")),
                          pick(random, (*SITE, *KEYS, *DEFAULTS)), a_cell(random, pick(random, (*NUMBERS, *WORDS)),
                              0.1)])  # fmt: skip
    sink = io.BytesIO()
    book.save(sink)
    data = sink.getvalue()
    what = random.random()
    if what < 0.3:
        data = spoil_bytes(random, data)
    elif what < 0.6:
        data = spoil_part(random, data)
    return Case("folder", {"field.xlsx": data})


ILLEGAL = re.compile(r"[\000-\010\013\014\016-\037\ud800-\udfff]")  # what the writer refuses


def a_cell(random: Random, text: str, rate: float) -> object:
    """A cell mostly as a person would type it."""
    if random.random() < rate:
        values = (datetime(2020, 5, 17), date(1899, 12, 31), time(7), True, "=1/0", "=A1", "#N/A", 1e300, 0.1 + 0.2)
        return values[int(random.integers(len(values)))]
    try:
        return float(text) if math.isfinite(float(text)) else text
    except ValueError:
        return text or None


def spoil_part(random: Random, data: bytes) -> bytes:
    """One part inside the packed file damaged, the rest as it was."""
    sink = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as new:
        names = old.namelist()
        chosen = pick(random, tuple(names))
        for name in names:
            content = old.read(name)
            new.writestr(name, spoil_bytes(random, content) if name == chosen else content)
    return sink.getvalue()


# ---------------------------------------------------------------------- ring files

XML = """<?xml version="1.0" encoding="{encoding}"?>
<tridas><object><element><title>{tree}</title><sample><radius><title>A</title><measurementSeries><title>x</title>
<interpretation><firstYear suffix="{suffix}">{year}</firstYear></interpretation><values>
<variable normalTridas="ring width"/><unit normalTridas="{unit}"/>{values}</values>
</measurementSeries></radius></sample></element></object></tridas>"""
UNITS = ("1/100th millimetres", "micrometres", "metres", "", "furlongs", "\x1b")


def a_ring_file(random: Random) -> Case:
    """Decadal text or XML, mostly damaged."""
    if random.random() < 0.5:
        first = int(random.choice([1990, 1999, -5, -1200, 0]))
        values = [str(int(value)) for value in random.integers(0, 400, int(random.integers(1, 40)))] + ["999"]
        lines, at, year = [], 0, first
        while at < len(values):
            take = values[at : at + 10 - year % 10]
            lines.append(f"abc01a  {year:4d}" + "".join(f"{value:>6}" for value in take))
            at, year = at + len(take), year + 10 - year % 10
        text = "\n".join(lines)
        for _ in range(int(random.integers(3))):
            text = text.replace(pick(random, tuple(values)), pick(random, (*NUMBERS, *TEXTS)), 1)
        data = text.encode("utf-8", "replace")
    else:
        values = [pick(random, (*NUMBERS, *["80"] * 60)) for _ in range(int(random.integers(1, 30)))]
        cells = "".join(f'<value value="{value}"/>' for value in values)
        encoding = pick(
            random, ("utf-8", "iso-8859-1", "utf-16", "windows-1252", "martian", "utf-7", "cp037", "shift_jis")
        )
        parts = {
            "tree": pick(random, TEXTS),
            "suffix": pick(random, ("AD", "BC", "BP", "relative", "x", "")),
            "values": cells,
        }
        parts |= {"year": pick(random, ("1999", *NUMBERS)), "unit": pick(random, UNITS), "encoding": encoding}
        data = XML.format(**parts).encode(pick(random, ("utf-8", "latin-1", "utf-16")), "replace")
    if random.random() < 0.5:
        data = spoil_bytes(random, data)
    return Case("rings", {"site.txt": data})


# ---------------------------------------------------------------------- calls


def odd(random: Random) -> object:
    """An argument of any kind."""
    values: list[object] = [
        None, True, 0, -1, 1, 3.5, 1e300, -1e300, float("nan"), float("inf"), 10**400, 2**63, "", "x", b"x", [], {},
        (), [1.0],
        [1, 2, 3], [[1, 2], [3]], [[]], ["a"], [None], {"a": 1}, {1, 2}, np.zeros(0), np.zeros((2, 2)), np.array(["a"]),
        np.array([1 + 2j]), np.array([np.nan, 1.0]), np.full(3, 1e300), pd.DataFrame({"tree": ["A"]}),
        pd.Series([1.0]), object(),
        range(3), np.ma.masked_all(3), np.array("2020", dtype="datetime64[D]"), [1.2, 0.9, 0.7], [[1.2, 0.9], [1.1]],
        np.linspace(0.5, 2.0, 40), [np.linspace(0.5, 2.0, 60)] * 3, 12.0, "Larix decidua", 0.9, lambda: 1,
        complex(1, 1),
        [10**400], np.zeros(3, dtype=bool), [True, False], "1.5", np.int64(3), np.float32(2.5), 1e7, 5e8, [1e-300] * 5,
    ]  # fmt: skip
    return values[int(random.integers(len(values)))]


@cache
def _sound_calls() -> dict[str, tuple[str, ...]]:
    """Names of the arguments of every call."""
    return {name: tuple(sound) for name, (_, sound) in calls(Path()).items()}


def a_call(random: Random) -> Case:
    """A public function with sound arguments but for one or two."""
    names = _sound_calls()
    some = SLOW if random.random() < 0.1 else tuple(name for name in names if name not in SLOW)
    name = pick(random, some)
    changed = random.choice(len(names[name]), min(int(random.choice([1, 1, 2])), len(names[name])), replace=False)
    return Case("call", call=name, arguments=tuple((names[name][at], odd(random)) for at in changed))


# ---------------------------------------------------------------------- command lines

LINES = (  # words in capitals stand for places
    "check FIELD", "estimate FIELD --out OUT --draws 9 --formats svg", "stand FIELD --out OUT --draws 9 --formats svg",
    "validate FIELD", "validate FIELD --out OUT", "columns", "columns trees", "example NEW --trees 2", "example --list",
    "start NEW --species Larix", "card FIELD --out OUT", "rings FILE --folder NEW --dating lab_count",
    "tree --species Larix --outer-year 2020 --rings-counted 80 --inner-end arcs --chord-mm 8 --rise-mm 1 --height none "
    "--core-height-m 1", "score DATED TRUTH", "aim FIELD T0", "next FIELD", "plan --species Larix --diameter 30",
    "batch SITES --out OUT --draws 9 --workers 0",
)  # fmt: skip
SLOW_LINES = ("aim", "next", "plan", "estimate", "stand", "batch")  # seconds each
LONG = ("--learn", "--sensitivity", "--ask")  # minutes, or a conversation


@cache
def _options() -> dict[str, tuple[str, ...]]:
    """Options of every command."""
    parsers: list[dict[str, ArgumentParser]] = [dict(a.choices) for a in command_parser()._actions if a.choices]
    return {name: tuple(word for action in parser._actions for word in action.option_strings if word not in LONG)
            for name, parser in parsers[0].items()}  # fmt: skip


def a_command(random: Random) -> Case:
    """A line that is sound but for some of its words, on a folder that mostly is."""
    tables, settings = sound(random)
    if random.random() < 0.3:
        name = pick(random, tuple(tables))
        tables[name] = spoil_table(random, tables[name])
    quick = tuple(line for line in LINES if line.split()[0] not in SLOW_LINES)
    words = pick(random, LINES if random.random() < 0.3 else quick).split()
    for _ in range(int(random.choice([0, 1, 1, 2, 3]))):
        value = pick(random, pick_list(random, pick(random, ("core", "year"))))
        what = random.random()
        if what < 0.5:
            words += [pick(random, _options()[words[0]]), *([value] if random.random() < 0.9 else [])]
        elif what < 0.9 and len(words) > 1:
            words[int(random.integers(1, len(words)))] = value
        else:
            words.append(value)
    files = some_sites(random, tables, settings) if words[0] == "batch" else folder_of(tables, settings)
    return Case("command", files, arguments=tuple(words))


def some_sites(random: Random, tables: dict[str, pd.DataFrame], settings: str) -> dict[str, bytes]:
    """Two stands as field folders or as one data set, the second of them sound; a file now and then damaged."""
    other, others = sound(random)
    if random.random() < 0.5:
        folders = ("low", folder_of(tables, settings)), ("high", folder_of(other, others))
        files = {f"sites/{site}/{name}": data for site, folder in folders for name, data in folder.items()}
    else:
        files = {"sites/field.toml": folder_of({}, settings)["field.toml"]}
        for name in {**tables, **other}:
            both = [each[name].assign(site=site) for site, each in (("low", tables), ("high", other)) if name in each]
            rows = pd.concat(both)
            rows = spoil_table(random, rows) if random.random() < 0.05 else rows.reset_index(drop=True)
            if random.random() < 0.05:
                data = as_parquet(random, rows)
            else:
                numbers = {column: pd.to_numeric(rows[column], errors="coerce") for column in rows}
                whole = {column: values for column, values in numbers.items() if values.notna().all()}
                data = rows.assign(**whole).to_parquet(index=False)
            files[f"sites/{name}.parquet"] = data
    if random.random() < 0.1:
        name = pick(random, tuple(files))
        files[name] = spoil_bytes(random, files[name])
    return files


def case_of(number: int) -> Case:
    """The case of a number."""
    random = np.random.default_rng([20261, number])
    kind = random.random()
    if kind >= 0.7:
        return a_ring_file(random) if kind < 0.8 else a_call(random) if kind < 0.9 else a_command(random)
    return a_folder(random) if kind < 0.58 else a_workbook(random)
