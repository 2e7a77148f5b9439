"""The README: its Python runs, its two commands are whole, and its promises are those of the package."""

import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import matplotlib as mpl
import pandas as pd
import pytest

import treeage
from treeage.cli import commands as cli
from treeage.estimate import height_models
from treeage.report import folder as answers
from treeage.report import texts
from treeage.report import write as report
from treeage.results import TreeAge
from treeage.schema import HEIGHT_MODEL_KEYS
from treeage.schema import catalogue as schema

ROOT = Path(__file__).parent.parent
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = {
    kind: re.findall(rf"^```{kind}\n(.*?)^```", TEXT, flags=re.DOTALL | re.MULTILINE)
    for kind in ("sh", "python", "toml")
}


@pytest.mark.parametrize("number", range(len(BLOCKS["python"])))
def test_python_blocks_run(number, monkeypatch, capsys):
    """Each block runs by itself from the project's folder, with warnings as errors, and prints something."""
    monkeypatch.chdir(ROOT)
    mpl.use("Agg")
    exec(compile(BLOCKS["python"][number], f"README block {number}", "exec"), {})  # noqa: S102
    from matplotlib import pyplot as plt

    plt.close("all")
    assert capsys.readouterr().out


def test_python_blocks_say_what_they_print(monkeypatch, capsys):
    """The second block's first line is the 3-4-5 triangle it names."""
    monkeypatch.chdir(ROOT)
    exec(BLOCKS["python"][1], {})  # noqa: S102
    assert capsys.readouterr().out.splitlines()[0] == "5.0"  # closed form: 8^2 / (8 * 2) + 2 / 2


def test_two_commands_make_their_own_environment():
    """Exactly two, one line each; each makes a virtual environment and uses it only."""
    assert len(BLOCKS["sh"]) == 2
    for block in BLOCKS["sh"]:
        assert block.count("\n") == 1
        steps = [shlex.split(step) for step in block.split("&&")]
        assert steps[0][:3] == ["python3", "-m", "venv"]
        folder = steps[0][3]
        assert all(step[0].startswith(f"{folder}/bin/") for step in steps[1:])
    main, tests = BLOCKS["sh"]
    assert main.strip().endswith("treeage estimate data/highpasture --out out")
    assert "[test]" in tests
    assert "pytest" in tests


def test_main_command_is_understood():
    """What follows the program's name in the first command is a command line that parses."""
    words = shlex.split(BLOCKS["sh"][0].split("&&")[-1])
    parsed = cli.command_parser().parse_args(words[1:])
    assert parsed.folder == Path("data/highpasture")
    assert (ROOT / parsed.folder / "cores.csv").exists()
    assert parsed.run is cli.estimate


def test_continuous_integration_runs_the_command_of_the_readme():
    """The script reads the command out of the README instead of repeating it."""
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "README.md" in script
    assert "-m slow" in script


def test_python_version_is_that_of_the_project():
    """The version asked for in the README is the one of pyproject.toml."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert f"Python {project['requires-python'].removeprefix('>=')} or newer" in TEXT


def test_files_of_the_readme_are_those_written():
    """The table of outputs names every file of the output folder, and the command line table every command."""
    table = TEXT.split("`estimate` leaves:")[1].split("## In Python")[0]
    named = set(re.findall(r"^\| `([\w./]+)` \|", table, flags=re.MULTILINE))
    files = {"ages.csv", "draws.parquet", "report.html", "methods.md", "references.bib", "README.txt", "run.json"}
    assert named == files | {"figures/", "tables/"} == set(texts.words("file")) - {"head", "citation"}
    source = Path(report.__file__).read_text(encoding="utf-8") + Path(answers.__file__).read_text(encoding="utf-8")
    assert all(f'"{name}' in source for name in named)
    commands = set(re.findall(r"^\| `treeage (\w+) ", TEXT, flags=re.MULTILINE))
    (group,) = (action for action in cli.command_parser()._actions if action.dest == "command" or action.choices)
    assert commands == set(group.choices)


def test_tables_of_the_readme_are_those_of_the_schema():
    """Every table of the field folder is named; the needed columns are the required ones."""
    part = TEXT.split("## The field folder")[1].split("## Conventions")[0]
    for table in schema.INPUT_TABLES:
        assert f"`{table}.csv`" in part
    for table in schema.REQUIRED_TABLES:
        needed = re.search(rf"^\| `{table}.csv` \|[^|]*\|(.*)\|$", part, flags=re.MULTILINE).group(1)
        required = [column.name for column in schema.columns(table) if column.required]
        assert set(re.findall(r"`(\w+)`", needed)) == set(required)


def test_columns_of_the_readme_are_those_of_the_ages():
    """Column names in the text exist in the table of ages."""
    part = TEXT.split("## What the numbers mean")[1].split("## Which model")[0]
    columns = set(TreeAge("", "", "", "", {}, 0, 0).row())
    for name in re.findall(r"`(\w+)`", part):
        assert name in columns or name == "prob"
    for piece in ("_lo", "_hi", "_median"):
        assert any(name.endswith(piece) for name in columns)
    assert any(name.startswith("share_") for name in columns)


def test_public_names_of_the_readme_exist():
    """Every treeage.name in text or code is there."""
    for name in set(re.findall(r"treeage\.(\w+)", TEXT)):
        assert name in treeage.__all__ or name in treeage._MODULES, name
    assert len(schema.nomenclature()) > 90  # the columns of all tables, as the README says
    assert isinstance(schema.nomenclature(), pd.DataFrame)


def test_names_of_the_readme_need_no_import_of_their_own():
    """After `import treeage` alone, with no part of it imported before, each dotted name is reached as written."""
    names = sorted(set(re.findall(r"treeage\.\w+(?:\.\w+)*", TEXT)))
    assert len(names) > 10  # the README is read as it should be
    code = (
        "import sys\n"
        f"for dotted in {names!r}:\n"
        "    for part in [part for part in sys.modules if part.split('.')[0] == 'treeage']:\n"
        "        del sys.modules[part]\n"
        "    exec('import treeage; ' + dotted, {})\n"
    )
    ran = subprocess.run([sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=False)
    assert (ran.returncode, ran.stderr) == (0, "")


def test_the_field_toml_of_the_readme_is_read_and_makes_every_model(tmp_path):
    """The example holds every key there is, passes the checks of a folder without a word, and makes its models."""
    (example,) = BLOCKS["toml"]
    content = tomllib.loads(example)
    assert tuple(content["site"]) == schema.SITE_KEYS
    assert set(content["defaults"]) <= set(schema.default_columns())
    written = {model["model"]: set(model) - {"model"} for model in content["height"].values()}
    assert written == {word: {*need, *more} for word, (need, more) in HEIGHT_MODEL_KEYS.items()}
    species = [name for name in content["height"] if name != "default"] + ["Sorbus aucuparia"]
    trees = pd.DataFrame({"tree": [f"T{at}" for at in range(len(species))], "species": species})
    core = {"core": "a", "outer_year": 2020, "rings_counted": 80, "dating": "crossdated", "inner_end": "pith"}
    cores = pd.DataFrame([{"tree": tree} | core | {"core_height_m": 1.0} for tree in trees["tree"]])
    young = pd.DataFrame({"species": species[0], "height_m": [0.2, 0.4, 0.6, 0.8, 1.0], "age_years": [4, 6, 9, 11, 15]})
    pairs = {"low_height_m": 0.0, "low_rings": [40, 42, 44, 46, 48], "high_height_m": 1.0, "high_rings": 30}
    seedlings = pd.concat([young, pd.DataFrame({"species": species[1]} | pairs)])
    for name, frame in (("trees", trees), ("cores", cores), ("seedlings", seedlings)):
        frame.to_csv(tmp_path / f"{name}.csv", index=False)
    (tmp_path / "field.toml").write_text(example, encoding="utf-8")
    field = treeage.read_field(tmp_path)
    assert "field.toml" not in set(field.notes["file"][field.notes["column"].str.startswith("height")])
    models = height_models(field)
    assert [name for name, model in models.items() if model.is_none] == ["Sorbus aucuparia"]
    for name in species[2:4]:  # the two figures of one's own carry their sources
        assert models[name].source == content["height"][name]["source"]


def test_ring_files_and_notebooks_are_mentioned():
    """The block on ring files shows two rings in mm; each subject of the notebooks is named."""
    block = next(block for block in BLOCKS["python"] if "read_ring_file" in block)
    assert block.count("\n") <= 9  # short: it is a hint
    assert "notebooks go through an invented stand" in TEXT


def test_cautions_and_limits_are_stated():
    """Permission, safety, legal decisions, and what the intervals do not cover."""
    for words in ("permission", "eye protection", "legal", "licensed", "hygiene"):
        assert words in TEXT, words
    assert "do not cover swapped samples" in TEXT
