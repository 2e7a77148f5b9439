"""Contracts of the whole package, read from its source: public names, layers, documentation, habits, import cost."""

import ast
import importlib
import inspect
import re
import subprocess
import sys
import tomllib
from functools import cache
from pathlib import Path

import pytest

import treeage
from treeage.display import Result

ROOT = Path(__file__).parent.parent
PACKAGE = Path(treeage.__file__).parent
FILES = {
    path.relative_to(PACKAGE).with_suffix("").as_posix().removesuffix("/__init__"): path
    for path in sorted(PACKAGE.rglob("*.py"))
    if path.name != "__main__.py" and path.parent.name != "__pycache__"
}
FACES = [name for name, path in FILES.items() if path.name == "__init__.py" and name != "__init__"]
MODULES = [name for name in FILES if name not in FACES and name != "__init__"]
HEAVY = (
    "pymc",
    "arviz",
    "pytensor",
    "matplotlib",
    "statsmodels",
    "xarray",
    "scipy.stats",
    "scipy.optimize",
    "jinja2",
    "openpyxl",
)
# the names they take are the arguments; those of date_tree are the columns of the tables
ARGUMENT_CHECKS = {"require_at_most", "require_positive", "require_nonnegative", "require_probability", "date_tree"}
MOST_LINES, MOST_FUNCTION_LINES, MOST_BRANCHES, MOST_PARAMETERS = 400, 60, 12, 8  # the house rules
MOST_FILES, MOST_LINES_ALL, MOST_LEVELS = 119, 44_000, 11


@cache
def tree_of(module):
    """Syntax tree of a module or face."""
    return ast.parse(FILES[module].read_text(encoding="utf-8"))


def functions_of(module):
    """Public functions and methods of public classes: name and node."""
    for node in tree_of(module).body:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            yield node.name, node
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            for inner in node.body:
                if isinstance(inner, ast.FunctionDef) and not inner.name.startswith("_"):
                    yield f"{node.name}.{inner.name}", inner


def is_type_checking(node):
    """Whether a statement is `if TYPE_CHECKING:`."""
    return isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"


def imports_of(module, *, run_only):
    """Modules imported anywhere in a module, or at its top when it runs, as dotted names."""
    tree = tree_of(module)
    nodes = [node for node in tree.body if not is_type_checking(node)] if run_only else list(ast.walk(tree))
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def own_imports(module):
    """Every import of the package's own, also a late one: module or face it is taken from, and the name."""
    for node in ast.walk(tree_of(module)):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "treeage":
            source = node.module.removeprefix("treeage").removeprefix(".").replace(".", "/")
            for alias in node.names:
                inner = f"{source}/{alias.name}" if source else alias.name
                yield (
                    (inner, "") if inner in FILES and alias.name not in names_of_face(source) else (source, alias.name)
                )


@cache
def names_of_face(room):
    """Where the names of a face are defined, by name; empty for what is no face."""
    if room not in FACES:
        return {}
    nodes = [node for node in tree_of(room).body if isinstance(node, ast.ImportFrom)]
    return {
        alias.name: node.module.removeprefix("treeage.").replace(".", "/") for node in nodes for alias in node.names
    }


def room_of(module):
    """Folder of a module, or the module itself where it stands alone."""
    return module.split("/")[0]


def levels():
    """The table of DEVELOPERS.md: level by room."""
    found = {}
    for line in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines():
        row = re.fullmatch(r"\|\s*(\d+)\s*\|(.*)\|", line.strip())
        if row:
            found |= dict.fromkeys(re.findall(r"`(\w+)`", row.group(2).split("|")[0]), int(row.group(1)))
    return found


# ------------------------------------------------------------------ public names


def test_every_public_name_is_there():
    """Each name of __all__ is found, once, where the table says."""
    assert len(set(treeage.__all__)) == len(treeage.__all__)
    assert set(treeage.__all__) == set(treeage._HOME) | {"__version__"}
    for name, home in treeage._HOME.items():
        found = getattr(treeage, name)
        assert found.__module__.split(".")[:2] == ["treeage", home], name
        assert name in dir(treeage)


def test_type_checkers_see_the_same_names():
    """The imports for type checkers and the table of lazy names are the same."""
    (block,) = (node for node in tree_of("__init__").body if is_type_checking(node))
    seen = {alias.name: node.module.removeprefix("treeage.") for node in block.body for alias in node.names}
    assert seen == treeage._HOME


@pytest.mark.parametrize("module", treeage._MODULES)
def test_the_modules_of_the_package_can_be_named(module):
    """Modules come with their first use, and with nothing but `import treeage` before (a fresh process)."""
    assert module in dir(treeage)
    code = f"import sys, treeage\nassert 'treeage.{module}' not in sys.modules\nprint(treeage.{module}.__name__)"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert ran.stdout == f"treeage.{module}\n"


@pytest.mark.parametrize("module", treeage._MODULES)
def test_modules_list_what_they_give_away(module):
    """`dir` and completion show a module's own names: nothing private, nothing that it imported."""
    found = importlib.import_module(f"treeage.{module}")
    listed = dir(found)
    assert listed == sorted(set(listed)) and listed
    assert not [name for name in listed if name.startswith("_")]
    assert not {"np", "pd", "Any", "TYPE_CHECKING", "annotations", "dataclass", "NDArray"} & set(listed)
    assert set(getattr(found, "__all__", listed)) == set(listed)


def test_the_package_lists_public_names_and_opens_its_help_with_what_people_call():
    """`dir(treeage)` is the promise; the first lines of `help(treeage)` are ten calls that are there."""
    assert dir(treeage) == sorted({*treeage.__all__, *treeage._MODULES})
    calls = [line.strip() for line in treeage.__doc__.splitlines() if line.startswith("    ")]
    assert len(calls) == 10
    for name in re.findall(r"treeage\.(\w+)\(", treeage.__doc__):
        assert name in treeage.__all__
    for name in re.findall(r"ages\.(\w+)\(", treeage.__doc__):
        assert callable(getattr(treeage.Ages, name))


def test_the_names_that_users_are_promised():
    """The public interface does not lose a name without this test saying so."""
    promised = {
        "read_field", "Field", "InputError", "ModelError", "estimate_ages", "Ages", "TreeAge", "Pmf", "arc_radius",
        "missing_rings", "missing_rings_many", "calibrate_missing_rings", "align_cores", "years_to_height",
        "stand_history", "example_field", "write_outputs", "predictive_checks", "sensitivity", "validate_field",
        "date_tree",
    }  # fmt: skip
    assert promised <= set(treeage.__all__)


def test_unknown_names_say_what_there_is():
    """A wrong name shows itself and the right ones."""
    with pytest.raises(
        AttributeError, match="no attribute 'estimate_age'; did you mean estimate_ages\\? it has .*estimate_ages"
    ):
        treeage.estimate_age  # noqa: B018


def test_version_is_that_of_the_project():
    """One version number."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert treeage.__version__ == project["version"]


@pytest.mark.parametrize("name", sorted(treeage._HOME))
def test_public_objects_are_documented(name):
    """Functions: a sentence, Parameters, Returns, Examples. Classes: a sentence, and the same for their methods."""
    found = getattr(treeage, name)
    text = inspect.getdoc(found) or ""
    assert text.partition("\n")[0].endswith("."), f"{name} does not open with a sentence"
    if inspect.isclass(found):
        own = [(key, value) for key, value in vars(found).items() if not key.startswith("_")]
        members = [(key, getattr(value, "fget", None) or getattr(value, "__func__", value)) for key, value in own]
        for key, member in members:
            if inspect.isfunction(member):
                words = inspect.getdoc(member) or ""
                assert words.partition("\n")[0].endswith("."), f"{name}.{key} does not open with a sentence"
                said_once = key in vars(Result)  # on the base class
                is_property = isinstance(vars(found)[key], property)  # its sentence is what it is
                says = "Returns\n-------" in words
                assert said_once or is_property or says, f"{name}.{key} does not say what it returns"
    else:
        for section in ("Parameters\n----------", "Returns\n-------", "Examples\n--------"):
            assert section in text, f"{name} lacks {section.split()[0]}"


# ------------------------------------------------------------------ the house


@pytest.mark.parametrize("module", MODULES)
def test_imports_go_strictly_down(module):
    """Between rooms every import, also a late one, reaches a lower level and takes what a face gives away."""
    level, own = levels(), room_of(module)
    assert own in level, f"{own} is not in the table of DEVELOPERS.md"
    for source, name in own_imports(module):
        room = room_of(source)
        if room == own:
            assert source != own or own == module, f"{module} takes {name} from its own face"
            continue
        assert not name.startswith("_"), f"{module} takes the private name {name} of {room}"
        assert source == room, f"{module} reaches past the face of {room}"
        assert level[room] < level[own], f"{module} (level {level[own]}) imports {room} (level {level[room]})"


def test_the_table_names_the_rooms_that_are_there():
    """The table of DEVELOPERS.md holds every room and no room that is gone."""
    assert set(levels()) == {room_of(module) for module in MODULES}
    assert max(levels().values()) <= MOST_LEVELS


def test_there_is_no_import_circle():
    """Following the imports from file to file, late ones too and through the faces, never comes back."""
    graph = {
        module: {names_of_face(source).get(name, source) for source, name in own_imports(module)} for module in MODULES
    }
    done, path = set(), []

    def walk(module):
        assert module not in path, " -> ".join([*path, module])
        if module not in done:
            path.append(module)
            for target in sorted(graph.get(module, ())):
                walk(target)
            path.pop()
            done.add(module)

    for module in MODULES:
        walk(module)
    assert set(MODULES) <= done


@pytest.mark.parametrize("room", FACES)
def test_faces_say_what_the_room_is_for_and_give_its_names_away(room):
    """A sentence, imports from the room's own files, and `__all__` with just these names, none of them private."""
    tree = tree_of(room)
    assert (ast.get_docstring(tree) or "").endswith(".")
    kinds = [type(node) for node in tree.body[1:]]
    assert set(kinds) == {ast.ImportFrom, ast.Assign}
    (given,) = (ast.literal_eval(node.value) for node in tree.body if isinstance(node, ast.Assign))
    assert sorted(given) == sorted(names_of_face(room))
    assert all(room_of(source) == room for source in names_of_face(room).values())
    assert not [name for name in given if name.startswith("_")]


def test_the_one_edge_upwards_is_by_name():
    """Only `display` loads a room by name, and only `plots`; the root does so for its lazy names.

    Within its own room `cli/guard` loads the commands, so that a stop while they load finds words.
    """
    users = [module for module in MODULES if "import_module" in FILES[module].read_text(encoding="utf-8")]
    assert users == ["cli/guard", "display"]
    assert re.findall(r"import_module\((.*)\)", FILES["cli/guard"].read_text(encoding="utf-8")) == [
        '"treeage.cli.commands"'
    ]
    loads = re.findall(r"import_module\((.*)\)", FILES["display"].read_text(encoding="utf-8"))
    assert loads == ['f"{__package__}.plots"']


@pytest.mark.parametrize("module", MODULES)
def test_heavy_imports_wait_until_they_are_needed(module):
    """Samplers, figures, templates and labelled arrays are imported inside functions."""
    found = set(imports_of(module, run_only=True))
    assert not {name for name in found for heavy in HEAVY if name == heavy or name.startswith(f"{heavy}.")}


def test_the_package_import_is_light():
    """`import treeage` brings no other package along, and its processor time stays under half a second."""
    code = (
        "import sys, time\nbefore, start = set(sys.modules), time.process_time()\nimport treeage\n"
        "took = time.process_time() - start\nnew = {name.split('.')[0] for name in set(sys.modules) - before}\n"
        "print(took, *sorted(new & {'numpy', 'pandas', 'scipy', 'matplotlib', 'xarray', 'pyarrow'}))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    took, *brought = ran.stdout.split()
    assert brought == []
    assert float(took) < 0.5  # the house rule; measured 0.01 s


# ------------------------------------------------------------------ habits


def doc_lines(tree):
    """Line numbers of the docstrings below a node."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node, clean=False):
            found |= set(range(node.body[0].lineno, node.body[0].end_lineno + 1))
    return found


def code_lines(module, first=1, last=10**9):
    """Lines of code of a module, or of a stretch of it: without blank lines, comments and docstrings."""
    docs = doc_lines(tree_of(module))
    lines = enumerate(FILES[module].read_text(encoding="utf-8").splitlines(), start=1)
    return sum(
        bool(text.strip()) and not text.strip().startswith("#") and number not in docs and first <= number <= last
        for number, text in lines
    )


@pytest.mark.parametrize("module", MODULES)
def test_modules_are_short(module):
    """A file is one idea of at most 400 lines of code; a function has at most 60."""
    assert code_lines(module) <= MOST_LINES
    for node in ast.walk(tree_of(module)):
        if isinstance(node, ast.FunctionDef):
            assert code_lines(module, node.lineno, node.end_lineno) <= MOST_FUNCTION_LINES, f"{module}.{node.name}"


def test_the_package_stays_small():
    """Files and lines of the whole package."""
    assert len(FILES) + 1 <= MOST_FILES  # with __main__
    assert sum(len(path.read_text(encoding="utf-8").splitlines()) for path in FILES.values()) <= MOST_LINES_ALL
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert f"{MOST_FILES} files and {MOST_LINES_ALL:,} lines" in guide  # contributors read the same limits


@pytest.mark.parametrize("module", MODULES)
def test_signatures_are_plain(module):
    """No **kwargs, at most 8 parameters, nothing mutable as a default."""
    for name, node in functions_of(module):
        arguments = node.args
        assert arguments.kwarg is None or name in ARGUMENT_CHECKS, f"{module}.{name} takes **{arguments.kwarg.arg}"
        names = [each.arg for each in (*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs)]
        count = len([each for each in names if each not in ("self", "cls")])
        assert count <= MOST_PARAMETERS, f"{module}.{name} has {count} parameters"
        defaults = [*arguments.defaults, *(each for each in arguments.kw_defaults if each is not None)]
        assert not any(isinstance(each, (ast.List, ast.Dict, ast.Set)) for each in defaults), f"{module}.{name}"


def plot_functions():
    """Every function that draws, with its module."""
    for module in MODULES:
        for name, node in functions_of(module):
            if name.startswith("plot_") or name.endswith(".plot"):
                yield pytest.param(node, id=f"{module}.{name}")


@pytest.mark.parametrize("node", list(plot_functions()))
def test_every_plot_takes_and_returns_axes(node):
    """`ax` is optional, the answer is axes, and no star arguments hide options."""
    arguments = node.args
    every = {each.arg: each for each in (*arguments.args, *arguments.kwonlyargs)}
    assert ast.unparse(every["ax"].annotation) == "Axes | None"
    assert ast.unparse(node.returns) == "Axes"
    assert arguments.vararg is None
    assert "ax" in [each.arg for each in arguments.kwonlyargs] or node.name == "plot"


@pytest.mark.parametrize("module", [module for module in MODULES if room_of(module) != "cli"])
def test_only_the_command_line_prints_or_exits(module):
    """No print, no exit code, no writing to the screen outside `cli`."""
    for node in ast.walk(tree_of(module)):
        if isinstance(node, ast.Call):
            words = ast.unparse(node.func)
            assert words not in ("print", "exit", "quit", "sys.exit", "os._exit", "SystemExit", "input"), module
            assert not words.startswith(("sys.stdout", "sys.stderr")), module


@pytest.mark.parametrize("module", MODULES)
def test_no_assert_and_no_global_randomness(module):
    """Input is checked with errors that help; chance comes from a seed or generator passed in."""
    for node in ast.walk(tree_of(module)):
        assert not isinstance(node, ast.Assert), f"{module}, line {node.lineno}"
        if isinstance(node, ast.Attribute) and ast.unparse(node.value) in ("np.random", "numpy.random"):
            assert node.attr in ("default_rng", "Generator", "SeedSequence"), f"{module}, line {node.lineno}"


@pytest.mark.parametrize("module", MODULES)
def test_modules_say_what_they_are(module):
    """Every module opens with a sentence."""
    assert (ast.get_docstring(tree_of(module)) or "").partition("\n")[0].endswith(".")
