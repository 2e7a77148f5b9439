"""The commands at the tree and for teaching: start, card, rings, tree, score, and which stands `example` can write."""

from __future__ import annotations

import argparse
import sys
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from treeage.cli.guard import place
from treeage.errors import Fault, InputError, place_fault
from treeage.schema import HEMISPHERES, SETTINGS_FILE, Column, columns

if TYPE_CHECKING:
    import pandas as pd

    from treeage.results import Ages, TreeAge

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

DONE, NOTHING_USABLE = 0, 1
WIDTH = 100  # choice: characters of a line on the screen
SMALL_SHARE = 0.05  # choice: a step with less of the variance is not worth a walk
ASKED = (  # choice: what `treeage tree` asks for, in the order in which it is found at the tree
    "species", "outer_year", "rings_counted", "dating", "inner_end", "core_height_m", "chord_mm", "rise_mm", "dbh_cm",
    "bark_mm", "core_length_mm", "inner_width_mm", "inner_width_rings",
)  # fmt: skip
LACKS = {"distance": "distance_unknown", "widths": "no_ring_width"}  # advice for a tree without a date, by its flag
LEFT_OUT = ("tree", "core", "known_establishment_year", "x_m", "y_m", "trees_per_ha", "plot")


def add_form_commands(commands: Commands) -> None:
    """Enter the commands of this file."""
    command = commands.add_parser("start", help="write an empty field folder to fill in: tables, settings, workbook")
    command.add_argument("folder", type=place, help="folder to write, new or empty")
    command.add_argument("--ask", action="store_true", help="ask for site, hemisphere, species and height models")
    command.add_argument("--species", nargs="+", default=[], metavar="NAME", help="with --ask: the species")
    command.set_defaults(run=start)
    command = commands.add_parser("card", help="write printable field cards, one a tree")
    command.add_argument("folder", type=Path, help="field folder or workbook")
    command.add_argument("--trees", type=int, help="number of cards (default: the trees of the folder, or one)")
    command.add_argument("--size", default="A5", help="A5 (default) or A4")
    command.add_argument("--out", type=place, help="the page (default: FOLDER/field_cards.html)")
    command.set_defaults(run=card)
    command = commands.add_parser("rings", help="draft trees, cores and rings from files of ring widths")
    command.add_argument("files", type=Path, nargs="+", metavar="FILE", help="decadal text or the XML standard")
    command.add_argument("--folder", type=place, required=True, help="field folder for the drafts")
    command.add_argument("--dating", default="", help="crossdated, lab_count or field_count, for all cores")
    command.add_argument("--site-letters", type=int, help="letters of the site at the head of names (default 3)")
    command.set_defaults(run=rings)
    _add_tree(commands)
    command = commands.add_parser("score", help="say how well written answers did where the dates are known")
    command.add_argument("out", type=Path, metavar="OUT", help="folder of the answers, from treeage estimate")
    command.add_argument("truth", type=Path, metavar="TRUTH", help="hidden truth, or a field folder with known years")
    command.add_argument(
        "--out", dest="target", type=place, help="folder for the score (default: OUT_score beside OUT)"
    )
    command.set_defaults(run=score)


def _add_tree(commands: Commands) -> None:
    command = commands.add_parser("tree", help="date one tree from what is measured, without a folder")
    command.add_argument("--ask", action="store_true", help="ask for what is not given (also on a terminal by itself)")
    command.add_argument("--out", type=place, help="folder for figures, report and tables")
    command.add_argument("--prob", type=float, default=0.9, help="probability of the intervals (default 0.9)")
    command.add_argument("--hemisphere", default="north", help="north (default) or south")
    command.add_argument("--height", default="", metavar="MODEL", help='height model: "none", "open_data", or '
                         '"mean_sd height_m=1 mean_years=9 sd_years=3"')  # fmt: skip
    command.add_argument("--seedlings", nargs="+", default=[], metavar="M:YEARS", help="young trees, as 0.4:6 1.1:13")
    command.add_argument("--widths-mm", nargs="+", type=float, default=[], metavar="MM", help="innermost ring first")
    for item in _tree_columns():
        unit = f" [{item.unit}]" if item.unit else ""
        words = f" ({', '.join(item.choices)})" if item.choices else ""
        help_text = f"{item.meaning}{unit}{words}".replace("%", "%%")
        command.add_argument(f"--{item.name.replace('_', '-')}", metavar="VALUE", help=help_text)
    command.set_defaults(run=tree)


def _tree_columns() -> list[Column]:
    """Columns that say something of one tree with one core."""
    items = [*columns("trees"), *columns("cores")]
    return [item for item in items if item.name not in LEFT_OUT]


# ---------------------------------------------------------------------- before the tree


def start(arguments: argparse.Namespace) -> int:
    """Write an empty field folder, its settings asked for where that is wanted."""
    from treeage.forms import ask_settings, start_folder

    if arguments.species and not arguments.ask:
        do = "Add --ask, which asks for the height model of each, or leave --species out."
        raise InputError(Fault(", ".join(arguments.species), "--ask beside it", do, "treeage start", 0, "--species"))
    settings = ask_settings(_ask, arguments.species) if arguments.ask else None
    files = _placed("treeage start", "FOLDER", arguments.folder, lambda: start_folder(arguments.folder, settings))
    print(f"Empty field folder: {arguments.folder} ({', '.join(path.name for path in files)})")
    print(_filled("Fill in the tables (trees.csv and cores.csv are needed) or the workbook, not both; then: "
                  f"treeage check {arguments.folder}"))  # fmt: skip
    print(_filled(_caution("start")))
    return DONE


def card(arguments: argparse.Namespace) -> int:
    """Write printable field cards."""
    from treeage.forms import field_card
    from treeage.tables import write_text

    page = field_card(arguments.folder, trees=arguments.trees, size=arguments.size)
    folder = arguments.folder if arguments.folder.is_dir() else arguments.folder.parent
    target = arguments.out or folder / "field_cards.html"
    _placed("treeage card", "--out", target, lambda: write_text(target, page))
    cards = page.count('<section class="card">')
    print(f"{cards} card{'' if cards == 1 else 's'} of {arguments.size}: {target}")
    print("Print it from a browser, in its own size and without margins; the print window also saves a PDF.")
    print(_filled(_caution("start")))
    return DONE


def rings(arguments: argparse.Namespace) -> int:
    """Draft tables from files of ring widths."""
    from treeage.forms import draft_ring_tables

    tables = draft_ring_tables(
        arguments.files, arguments.folder, dating=arguments.dating, site_letters=arguments.site_letters
    )
    cores = tables["cores"]
    print(f"Drafted in {arguments.folder}: {', '.join(f'{name}.csv ({len(rows)})' for name, rows in tables.items())}")
    empty = [item.name for item in columns("cores") if item.required and cores[item.name].isna().any()]
    empty += ["dating"] if not arguments.dating else []
    unnamed = "trees" in tables and bool(tables["trees"]["species"].isna().any())
    needed = (["species (trees.csv)"] if unnamed else []) + list(dict.fromkeys(empty))
    print(_filled(f"Still to fill in: {', '.join(needed)}. Then: treeage check {arguments.folder}"))
    print(_filled(_caution("rings")))
    return DONE


# ---------------------------------------------------------------------- one tree


def tree(arguments: argparse.Namespace) -> int:
    """Date one tree: sentence, steps, what would help most, and files where asked for."""
    from treeage.estimate import one_tree
    from treeage.tables import Settings

    given = {item.name: getattr(arguments, item.name) for item in _tree_columns()}
    values = {name: text for name, text in given.items() if text is not None}
    if arguments.ask or (sys.stdin is not None and sys.stdin.isatty() and not values):
        values |= _asked(values)
    core: dict[str, Any] = {name: _number(name, text) for name, text in values.items()}
    _check_options(arguments)
    try:
        ages = one_tree(
            [core | {"widths_mm": arguments.widths_mm}],
            seedlings=[_young_tree(text) for text in arguments.seedlings],
            height=_height(arguments.height),
            settings=Settings(hemisphere=arguments.hemisphere),
            prob=arguments.prob,
        )
    except InputError as error:
        raise InputError([_as_option(row) for row in error.faults.to_dict("records")]) from error
    answer = ages.tree_ages[0]
    print(_filled(answer.sentence()))
    for told in _taken(ages, core):
        print(_filled(f"Note: {told}", rest="  "))
    print("\n".join(_steps(answer)))
    if arguments.out:
        print(_written(ages, arguments.out))
    print(_filled(_caution("tree")))
    return DONE if answer.distributions else NOTHING_USABLE


def _taken(ages: Ages, given: Mapping[str, Any]) -> list[str]:
    """What the date takes for granted, what must be read before it is used, and what is odd in what was given."""
    counted = "the count is taken as one by eye in the field, the least sure; --dating says how it was made."
    odd = [row for row in ages.notes.to_dict("records") if row["file"] != SETTINGS_FILE]
    told = (*ages.cautions, ages.height_note, "" if "dating" in given else counted)
    return [*filter(None, told), *(replace(_as_option(row), row=0, item="").line() for row in odd)]


def _check_options(arguments: argparse.Namespace) -> None:
    faults = []
    if not 0 < arguments.prob < 1:
        do = "Write for example --prob 0.95."
        faults.append(Fault(f"{arguments.prob:g}", "between 0 and 1", do, "treeage tree", 0, "--prob"))
    if arguments.hemisphere not in HEMISPHERES:
        need = f"one of {', '.join(HEMISPHERES)}"
        faults.append(Fault(arguments.hemisphere, need, "Choose one.", "treeage tree", 0, "--hemisphere"))
    if faults:
        raise InputError(faults)


def _as_option(row: Mapping[Any, Any]) -> Fault:
    """A fault of an argument of `date_tree` as one of an option."""
    fault = Fault(**{str(name): value for name, value in row.items()})
    option = f"--{fault.column.replace('_', '-')}"
    known = {item.name for item in _tree_columns()} | {"widths_mm", "seedlings"}
    column = option if fault.column in known else fault.column.replace("height.default", "--height")
    return replace(fault, file="treeage tree", column=column, do=fault.do.replace("Pass it.", f"Write {option} VALUE."))


def _asked(values: Mapping[str, str]) -> dict[str, str]:
    """Ask for the columns that are found at a tree, again where an answer cannot be; an empty one leaves one out."""
    from treeage.tables import cell_fault

    of = {item.name: item for item in _tree_columns()}
    answers: dict[str, str] = {}
    for name in ASKED:
        if name not in values:
            item = of[name]
            needed = ", needed" if item.required else ""
            told = ", ".join(item.choices) or item.unit or "text"
            answer = _ask(f"{name} ({told}{needed}): ").strip()
            while answer and (fault := cell_fault(item, answer)):
                print(_filled(f"Got {fault.got}, need {fault.need}. {fault.do}"))
                answer = _ask(f"{name}: ").strip()
            answers |= {name: answer} if answer else {}
    return answers


def _ask(question: str) -> str:
    try:
        return input(question)
    except EOFError:
        do = "Answer the questions, or give the values as options."
        asked = question.splitlines()[-1].strip(" :")  # without the choices above it
        raise InputError(Fault("the end of the input", "an answer", do, "treeage", 0, asked)) from None


def _number(name: str, text: str) -> Any:
    """A value of the command line as its column takes it; what is no number is told by the checks of the tables."""
    item = next(item for item in _tree_columns() if item.name == name)
    if item.kind in ("text", "choice"):
        return text
    try:
        number = float(text)
    except ValueError:
        return text
    return int(number) if number.is_integer() else number


def _young_tree(text: str) -> tuple[float, float]:
    height, _, age = text.partition(":")
    try:
        return float(height), float(age)
    except ValueError:
        need, do = "height [m] and age [years] with a colon between", "Write for example 0.4:6."
        raise InputError(Fault(text, need, do, "treeage tree", 0, "--seedlings")) from None


def _height(text: str) -> dict[str, Any]:
    """A height model from a word and its keys."""
    word, *pairs = text.split()[:1] + text.split()[1:] if text else [""]
    model: dict[str, Any] = {"model": word} if word else {}
    for pair in pairs:
        key, _, value = pair.partition("=")
        try:
            model[key] = float(value)
        except ValueError:
            model[key] = value
    return model


def _steps(answer: TreeAge) -> list[str]:
    """The steps of the date, and where another hour of work would go."""
    from treeage.report import words

    lines = [""] if answer.distributions else []
    for name, pmf in answer.distributions.items():
        if name == "collar_years" and pmf.interval(answer.prob) == (0, 0):
            continue
        low, high = pmf.interval(answer.prob)
        lines.append(f"  {name.replace('_', ' '):<22} {pmf.median():>6}   {low} to {high}")
    told = words("help")
    steps = sorted(answer.shares.items(), key=lambda item: -item[1])
    worth = [(name, share) for name, share in steps if share >= SMALL_SHARE and name in told]
    lines += ["", "What would help most:"]
    lacks = [name for name, flag in LACKS.items() if flag in answer.flags] or ["distance"]
    open_steps = [] if worth else ["nothing"] if answer.distributions else lacks
    lines += [_filled(told[name], "  ", "    ") for name in open_steps]
    lines += [_filled(f"{100 * share:.0f} % {told[name]}", "  ", "    ") for name, share in worth]
    return [*lines, ""]


def _written(ages: Ages, target: Path) -> str:
    from treeage.report import write_outputs

    files = _placed("treeage tree", "--out", target, lambda: write_outputs(ages, target))
    figure = next((path for path in files if path.name == "anatomy.png"), files[0])
    return f"Figure: {figure}\nReport: {target / 'report.html'}\n"


# ---------------------------------------------------------------------- how well it did


def score(arguments: argparse.Namespace) -> int:
    """Score written answers against known dates: table, figure, one paragraph."""
    from treeage.report import render
    from treeage.tables import write_bytes, write_table, write_text
    from treeage.validate import score_answers

    out = arguments.out.resolve()
    target = arguments.target or out.with_name(out.name + "_score")
    ages, draws = _answers(out)
    made = score_answers(ages, draws, _truth(arguments.truth))
    drawn = render(made.plot, (6.7, min(1.5 + 0.1 * len(made.trees), 9.0)), ("svg", "png"))
    table = made.trees.drop(columns="date_refers_to")
    print(table.to_string(index=False, max_rows=20), "", sep="\n")
    levels = made.levels[["prob", "covered", "band_low", "band_high", "covered_whole", "mean_width"]]
    print(levels.round(3).to_string(index=False))
    told = "share of the known dates within, end years shared out; band: where it lies by chance; covered_whole: share"
    print(_filled(f"covered: {told} within the intervals as printed; mean_width: of these [years]"), "", sep="\n")
    print(_filled(made.sentence()), "", sep="\n")

    def write() -> None:
        write_table(made.trees, target / "score.csv")
        write_table(made.levels, target / "score_levels.csv")
        write_text(target / "score.md", made.sentence() + "\n")
        write_bytes(target / "score.svg", drawn["svg"])
        write_bytes(target / "score.png", drawn["png"])

    _placed("treeage score", "--out", target, write)
    print(f"Written to {target}: score.csv, score_levels.csv, score.md, score.png, score.svg")
    print(_filled(_caution("score")))
    return DONE


def _answers(out: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The tables of ages and of joint draws that an estimate left."""
    import pandas as pd

    need, do = (
        "a folder of answers with ages.csv and draws.parquet",
        "Write one with treeage estimate FOLDER --out OUT.",
    )
    if not (out / "ages.csv").is_file() or not (out / "draws.parquet").is_file():
        raise InputError(Fault(str(out), need, do, "treeage score", 0, "OUT"))
    try:
        return pd.read_csv(out / "ages.csv", dtype={"tree": str}), pd.read_parquet(out / "draws.parquet")
    except Exception as error:  # readers raise their own kinds for damaged files
        raise InputError(Fault("files that do not read", need, do, "treeage score", 0, f"OUT {out}")) from error


def _truth(place: Path) -> pd.DataFrame:
    """Known dates: a CSV file, a folder with them in trees.csv, or a field folder with known_establishment_year."""
    import pandas as pd

    from treeage.tables import read_field

    file = place / "trees.csv" if place.is_dir() else place
    if file.suffix.lower() != ".csv" or not file.is_file():
        return read_field(place).trees
    try:
        table = pd.read_csv(file, dtype={"tree": str})
    except (ValueError, UnicodeDecodeError) as error:
        need, do = "a table of trees with their known dates", "Name the folder of the truth."
        raise InputError(Fault(f"{file.name}, which does not read", need, do, "treeage score", 0, "TRUTH")) from error
    return table if "establishment_year" in table or place.is_file() else read_field(place).trees


# ---------------------------------------------------------------------- small things


def scenario_lines() -> str:
    """The invented stands that `treeage example` can write, a line each."""
    from treeage.report import words
    from treeage.simulate import SCENARIO_NAMES, scenario

    told = words("scenario")
    return "\n".join(
        _filled(f"{name:<12}{scenario(name).trees:>5} trees  {told[name]}", rest=" " * 25) for name in SCENARIO_NAMES
    )


def _placed(command: str, argument: str, target: Path, write: Callable[[], Any]) -> Any:
    """Write somewhere; a place that cannot be written is a fault of the argument that named it."""
    try:
        return write()
    except OSError as error:
        raise InputError(place_fault(error, command, f"{argument} {target}")) from error


def _caution(step: str) -> str:
    from treeage.report import words

    return words("caution_step")[step]


def _filled(text: str, first: str = "", rest: str = "") -> str:
    return textwrap.fill(text, WIDTH, initial_indent=first, subsequent_indent=rest)
