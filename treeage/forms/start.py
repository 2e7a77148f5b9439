"""An empty field folder ready to fill, its settings asked for step by step, and tables drafted from ring files."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from treeage.errors import Fault, InputError, show
from treeage.formats import RingSeries, read_ring_file, ring_table
from treeage.forms.workbook import empty_workbook
from treeage.priors import data_rows, data_text
from treeage.schema import (
    HEIGHT_MODEL_KEYS,
    HEMISPHERES,
    INPUT_TABLES,
    SETTINGS_FILE,
    Dating,
    column,
    columns,
    height_faults,
    nearest,
)
from treeage.tables import WORKBOOK_FILE, Settings, settings_text, write_bytes, write_table, write_text

if TYPE_CHECKING:
    import pandas as pd

Ask = Callable[[str], str]  # shows a question and gives the answer
MOST_SPECIES: Final = 30  # choice: more are added by hand


def start_folder(folder: str | Path, settings: Settings | None = None) -> list[Path]:
    """Write an empty field folder: tables with their heads, a commented field.toml, and the same as a workbook.

    Parameters
    ----------
    folder : str or pathlib.Path
        New or empty.
    settings : Settings, optional
        What is known of the site; without it the hemisphere stays open.

    Returns
    -------
    list of pathlib.Path
        The files written.

    Raises
    ------
    InputError
        If the folder holds files, or is a file.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sorted(path.name for path in start_folder(folder))[:4]
    ['arcs.csv', 'cores.csv', 'events.csv', 'field.toml']
    """
    target = Path(folder)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        got = f"the file {target}" if not target.is_dir() else f"{target}, which holds files"
        raise InputError(Fault(got, "a new or empty folder", "Choose another name.", "treeage start", 0, "FOLDER"))
    import pandas as pd

    heads = {table: pd.DataFrame(columns=[item.name for item in columns(table)]) for table in INPUT_TABLES}
    book = empty_workbook(settings or Settings(), hemisphere=settings is not None)
    files = [write_table(frame, target / f"{table}.csv") for table, frame in heads.items()]
    files.append(write_text(target / SETTINGS_FILE, settings_guide(settings)))
    return [*files, write_bytes(target / WORKBOOK_FILE, book)]


def settings_guide(settings: Settings | None) -> str:
    """Text of a field.toml with what is known, and remarks on what else may stand there."""
    meaning, known = _words("setting"), settings or Settings()
    open_lines = set(settings_text(Settings()).splitlines()[1:])  # what nobody set; the hemisphere is never guessed
    open_lines -= {f'hemisphere = "{known.hemisphere}"'} if settings else set()
    lines = []
    for line in settings_text(known).splitlines():
        told = meaning.get(f"site.{line.split(' = ')[0]}", "")
        lines += [f"# {told}"] if told else []
        lines.append(f"# {line}" if line in open_lines else line)
    return data_text("field_guide.txt").format(known="\n".join(lines))


def _words(group: str) -> Mapping[str, str]:
    return {row["key"]: row["text"] for row in data_rows("words.csv") if row["group"] == group}


# ------------------------------------------------------------------ asked step by step


def ask_settings(ask: Ask, species: Sequence[str] = ()) -> Settings:
    """Ask for site, hemisphere, species and the height model of each; an empty answer leaves a thing open."""
    name = ask("Name of the site: ").strip()
    hemisphere = _word(ask, "Hemisphere, north or south (empty: north): ", HEMISPHERES, "north")
    names = list(species)
    while not species and len(names) < MOST_SPECIES:
        more = ask("A species, as it is to appear in the report (empty when done): ").strip()
        if not more:
            break
        names.append(more)
    height = {each: model for each in names if (model := _height_model(ask, each))}
    return Settings(name=name, hemisphere=hemisphere, height=height, defaults=_core_height(ask))


def _core_height(ask: Ask) -> dict[str, float]:
    """The height of all cores, where it is one; asked again until it is possible."""
    item = column("cores", "core_height_m")
    question = "Height of all cores above the root collar in m (empty: each its own, in the table): "
    while answer := ask(question).strip():
        number = _number_or_text("", answer)
        if isinstance(number, float) and item.range is not None and item.range.holds(number):
            return {item.name: number}
        question = f"{item.need[:1].upper()}{item.need[1:]} (empty: in the table): "
    return {}


def _word(ask: Ask, question: str, words: Sequence[str], usual: str) -> str:
    """One of some words, or its number; asked again until it is one."""
    while True:
        answer = ask(question).strip().lower()
        if not answer:
            return usual
        if answer.isdigit() and 1 <= int(answer) <= len(words):
            return words[int(answer) - 1]
        near = answer if answer in words else nearest(answer, words)
        if near:
            return near
        question = f"One of {', '.join(words)}: "


def _height_model(ask: Ask, species: str) -> dict[str, Any]:
    """The height model of a species; empty where it is left open."""
    told, keys = _words("height_model"), _words("height_key")
    lines = [f"  {number} {word}: {told[word]}" for number, word in enumerate(HEIGHT_MODEL_KEYS, start=1)]
    head = f"The years to the coring height of {species} rest on\n" + "\n".join(lines)
    question = f"{head}\nNumber or word (empty: decide later): "
    while True:
        word = _word(ask, question, list(HEIGHT_MODEL_KEYS), "")
        if not word:
            return {}
        model: dict[str, Any] = {"model": str(word)}
        for key in HEIGHT_MODEL_KEYS[word][0]:
            model[key] = _number_or_text(key, ask(f"  {keys[key]}: ").strip())
        faults = height_faults(model, section=f'height."{species}"')
        if not faults:
            return model
        question = "\n".join(fault.line() for fault in faults) + "\nNumber or word (empty: decide later): "


def _number_or_text(key: str, text: str) -> Any:
    if key in ("probs", "years"):
        return [_number_or_text("", part) for part in text.replace(";", " ").split()]
    try:
        return float(text)
    except ValueError:
        return text


# ------------------------------------------------------------------ drafts from ring files


def draft_ring_tables(
    files: Sequence[str | Path], folder: str | Path, *, dating: str = "", site_letters: int | None = None
) -> dict[str, pd.DataFrame]:
    r"""Draft trees.csv, cores.csv and rings.csv of a field folder from files of ring widths.

    Parameters
    ----------
    files : sequence of str or pathlib.Path
        Decadal text, or the open XML tree-ring data standard.
    folder : str or pathlib.Path
        The field folder, made when missing. Tables that hold rows already are never replaced.
    dating : str, optional
        Word of the column dating for all cores; empty when left out, to be filled in.
    site_letters : int, optional
        Letters of the site at the head of names of decadal files; 3 by default (common practice of the archive).

    Returns
    -------
    dict of str to pandas.DataFrame
        The tables written: trees (names and, where the file names it, species; where that table has no rows yet),
        cores and rings. What a ring file does not say is empty.

    Raises
    ------
    InputError
        If a file cannot be read, two cores have one name, a table holds rows, or dating is no word of the column.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     file = Path(place) / "site.rwl"
    ...     _ = file.write_text("ABC01A  1998   120    85\nABC01A  2000   101   999\n")
    ...     tables = draft_ring_tables([file], Path(place) / "field", dating="crossdated")
    >>> tables["cores"][["tree", "core", "outer_year", "rings_counted"]].to_numpy().tolist()
    [['01', 'A', 2000, 3]]
    """
    import pandas as pd

    target = Path(folder)
    faults = [_filled(target / f"{table}.csv") for table in ("cores", "rings") if _rows(target / f"{table}.csv")]
    if dating and dating not in list(Dating):
        need, do = f"one of {', '.join(Dating)}", "Leave it out to fill it in later."
        faults.append(Fault(show(dating), need, do, "treeage rings", 0, "--dating"))
    if faults:
        raise InputError(faults)
    series = [one for file in files for one in read_ring_file(file)]
    rings = ring_table(series, site_letters=site_letters)
    named = rings.drop_duplicates(["tree", "core"])[["tree", "core"]].reset_index(drop=True)  # one a series
    cores = _frame("cores", named, _core_columns(series, dating))
    dated = [one.dated for one in series for _ in range(one.widths_mm.size)]
    rings = rings.assign(ring=rings.groupby(["tree", "core"], sort=False).cumcount() + 1)
    rings["year"] = rings["year"].where(pd.Series(dated, dtype=bool), None).astype("Int64")
    tables = {"cores": cores, "rings": _frame("rings", rings, {})}
    if not _rows(target / "trees.csv"):
        names = named[["tree"]].assign(species=pd.Series([one.species or None for one in series], dtype="str"))
        names = names.drop_duplicates("tree").reset_index(drop=True)
        tables = {"trees": _frame("trees", names, {}), **tables}
    for table, frame in tables.items():
        write_table(frame, target / f"{table}.csv")
    return tables


def _core_columns(series: Sequence[RingSeries], dating: str) -> dict[str, list[Any]]:
    """What a ring file says of its cores."""
    return {
        "outer_year": [one.last_year if one.dated else None for one in series],
        "rings_counted": [one.widths_mm.size for one in series],
        "dating": [dating for _ in series],
    }


def _frame(table: str, frame: pd.DataFrame, more: Mapping[str, Sequence[Any]]) -> pd.DataFrame:
    """A frame with all columns of its table, in their order; those that nobody filled are empty."""
    filled = frame.assign(**{str(name): values for name, values in more.items()})
    if "outer_year" in filled:
        filled["outer_year"] = filled["outer_year"].astype("Int64")
    return filled.reindex(columns=[item.name for item in columns(table)])


def _rows(path: Path) -> bool:
    """Whether a table holds more than its head."""
    return path.is_file() and len(path.read_bytes().split(b"\n", 1)[-1].strip()) > 0


def _filled(path: Path) -> Fault:
    do = "Name a folder of its own; a table that holds rows is never replaced."
    return Fault(f"{path.name}, which holds rows", "a table without rows, or none", do, "treeage rings", 0, "--folder")
