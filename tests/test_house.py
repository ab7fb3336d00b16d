"""The house rules: floors, light imports, the form of notebooks, what stands at the top level."""

import ast
import importlib.metadata
import json
import re
import subprocess
import sys
import tomllib
from functools import cache
from pathlib import Path

import pytest
import reach

ROOT = Path(__file__).parent.parent
LIB = ROOT / "lib" / "wearbar"
NOTEBOOKS = sorted(ROOT.glob("notebooks/**/*.ipynb"))
LESSON = ROOT / "notebooks" / "lessons"
BESIDE = [
    ROOT / "lib" / f"wearbar_{name}"
    for name in ("adopt", "cluster", "lab", "lessons", "sheets", "synthetic")
]
ALL = [path for room in (LIB, *BESIDE) for path in sorted(room.rglob("*.py"))]
# a room imports only from rows above its own
FLOORS = ("log stats", "usage", "intervals parts cost", "outlook severity", "report", "pack")
FLOOR = {name: floor for floor, names in enumerate(FLOORS) for name in names.split()}
COMPUTATION = FLOOR["outlook"]
VERBS = """
    actions compliance cost_per_distance due fit_weibull fuel_economy kaplan_meier mean_cumulative
    month next_year part_lives read_log remaining_life replacement severe_use wear what_if
"""

PARAMETERS = {
    "log": "str",
    "as_of": "str",
    "site": "str",
    "vehicle": "list",
    "confidence": "float",
    "units": "str",
}
OF_LESSON = {"student": "str", "folder": "str"}  # a lesson is on one log of its student's own


def modules():
    return sorted(p for p in LIB.rglob("*.py") if p.name != "__init__.py" or p.parent != LIB)


def room(path):
    """The room that a module is in: `report/charts/wear.py` belongs to report."""
    return path.relative_to(LIB).parts[0].removesuffix(".py")


def module(path):
    return ".".join(path.relative_to(LIB.parent).with_suffix("").parts).removesuffix(".__init__")


@cache
def nodes(text):
    """The functions and imports in a piece of code, and calls that may import, wherever in it."""
    wanted = ast.Import | ast.ImportFrom | ast.FunctionDef | ast.Call
    return tuple(node for node in ast.walk(ast.parse(text)) if isinstance(node, wanted))


@cache
def imports(path):
    """Names of the modules that a module imports, wherever in it."""
    found = []
    for node in nodes(path.read_text(encoding="utf-8")):
        if isinstance(node, ast.Import):
            found += (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            inside = [f"{node.module}.{alias.name}" for alias in node.names]
            known = [name for name in inside if name in NAMES]
            found += known
            if len(known) < len(inside):
                found.append(node.module)
    return tuple(found)


NAMES = {module(path) for path in modules()}


def wearbar_imports(path):
    return {name.split(".")[1] for name in imports(path) if name.startswith("wearbar.")} - {
        "__version__"
    }


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(LIB)))
def test_a_module_imports_only_from_the_floors_below(path):
    own = room(path)
    assert own in FLOOR, f"{own} has no floor: give it one in FLOORS"
    upward = {name for name in wearbar_imports(path) - {own} if FLOOR[name] >= FLOOR[own]}
    assert not upward, (
        f"{path.name} imports {', '.join(sorted(upward))} from its own floor or above"
    )


def test_no_modules_import_each_other_in_a_circle():
    left = {module(p): {n for n in imports(p) if n in NAMES} - {module(p)} for p in modules()}
    while free := {name for name, needs in left.items() if not needs & left.keys()}:
        left = {name: needs for name, needs in left.items() if name not in free}
    assert not left


def test_no_room_has_the_name_of_a_verb():
    """Importing a module binds its name in the package: it would replace the verb."""
    assert not set(VERBS.split()) & {room(path) for path in modules()}


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(LIB)))
def test_the_library_never_imports_what_stands_on_it(path):
    assert not {name.split(".")[0] for name in imports(path)} & {room.name for room in BESIDE}


def test_modules_functions_and_lines_are_short():
    long = []
    for path in [*modules(), *(p for room in BESIDE[:5] for p in room.glob("*.py"))]:
        text = path.read_text(encoding="utf-8")
        lines = text.splitlines()
        long += [f"{module(path)} has {len(lines)} lines"] if len(lines) > 300 else []
        long += [f"{module(path)}:{i}" for i, line in enumerate(lines, 1) if len(line) > 100]
        for node in nodes(text):
            if isinstance(node, ast.FunctionDef) and node.end_lineno - node.lineno >= 60:
                long.append(f"{module(path)}.{node.name}")
    assert not long


def test_the_library_stays_small():
    def lines(paths):
        return sum(len(path.read_text(encoding="utf-8").splitlines()) for path in paths)

    assert lines(LIB.rglob("*.py")) <= 20_000, "look for what can go"
    assert lines((ROOT / "lib" / "wearbar_synthetic").rglob("*.py")) <= 5_000
    assert lines((ROOT / "shared" / "words").glob("*.j2")) <= 2_500


def test_lines_are_formatted():
    done = subprocess.run(
        [sys.executable, "-m", "ruff", "format", "--check", "--quiet", "lib", "tests"],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize(
    "path",
    [p for p in modules() if FLOOR[room(p)] <= COMPUTATION],
    ids=lambda p: str(p.relative_to(LIB)),
)
def test_computation_knows_no_matplotlib(path):
    assert not [
        name for name in imports(path) if name.split(".")[0] in {"matplotlib", "seaborn", "IPython"}
    ]


# each after those before it, so that one process will do
LIGHT = {
    "import wearbar": "pandas numpy matplotlib scipy",
    "import wearbar.pack.cli": "pandas numpy matplotlib scipy papermill nbconvert",
    "import wearbar.log": "matplotlib statsmodels seaborn IPython sqlalchemy openpyxl",
    "import wearbar.stats, wearbar.intervals": "matplotlib statsmodels seaborn IPython",
    "import wearbar_cluster.combine": "dask distributed",
}


@cache
def loaded():
    """Of each statement the heavy modules that are there after it."""
    code = ["import sys"]
    for statement, heavy in LIGHT.items():
        code += [statement, f"print(*[m for m in {heavy.split()!r} if m in sys.modules])"]
    asked = [sys.executable, "-c", "\n".join(code)]
    done = subprocess.run(asked, capture_output=True, text=True, check=True)
    return dict(zip(LIGHT, done.stdout.splitlines(), strict=True))


@pytest.mark.parametrize("statement", LIGHT)
def test_imports_are_light(statement):
    assert loaded()[statement] == ""


def code_cells(path):
    return [
        c for c in json.loads(path.read_text(encoding="utf-8"))["cells"] if c["cell_type"] == "code"
    ]


def tags(cell):
    return cell["metadata"].get("tags", [])


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
class TestNotebookForm:
    def test_is_stripped_and_names_no_ones_kernel(self, path):
        notebook = json.loads(path.read_text(encoding="utf-8"))
        assert notebook["metadata"]["kernelspec"]["name"] == "python3"
        assert notebook["metadata"]["title"]
        assert set(notebook["metadata"]) <= {"kernelspec", "language_info", "title"}
        assert all(c["outputs"] == [] and c["execution_count"] is None for c in code_cells(path))
        ids = [c["id"] for c in notebook["cells"]]
        assert len(set(ids)) == len(ids)

    def test_no_function_over_ten_lines_hides_in_a_cell(self, path):
        for cell in code_cells(path):
            for node in ast.walk(ast.parse("".join(cell["source"]))):
                if isinstance(node, ast.FunctionDef):
                    assert node.end_lineno - node.lineno < 10, f"{path.name}: {node.name}"

    def test_prose_holds_no_computed_number(self, path):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        prose = [c for c in cells if c["cell_type"] == "markdown"]
        if path.parent == LESSON:  # there minutes and published figures stand in cells that say so
            prose = [c for c in prose if "given" not in tags(c)]
        assert "".join(prose[0]["source"]).startswith("# ")
        for cell in prose:
            text = "".join(cell["source"])
            assert not [ch for ch in text if ch.isdigit()], f"a number typed into prose: {text}"

    def test_has_one_parameters_cell_that_papermill_can_read(self, path):
        from papermill import inspect_notebook

        assert sum("parameters" in tags(c) for c in code_cells(path)) == 1
        found = inspect_notebook(str(path))
        types = {name: p["inferred_type_name"] for name, p in found.items()}
        asked = OF_LESSON if path.parent == LESSON else PARAMETERS
        assert types.items() >= asked.items()
        assert all(p["help"] for p in found.values())


def test_nothing_else_stands_at_the_top_level():
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True)
    if listed.returncode:
        pytest.skip("not a git checkout")
    top = {name.split("/")[0] for name in listed.stdout.splitlines()}
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "pyproject.toml",
        "notebooks",
        "lib",
        "data",
        "tests",
        "shared",
    }
    assert {name for name in top if not name.startswith(".")} <= allowed


def declared(extra=None):
    """Names of the packages that pyproject.toml asks for, of an extra or, where None, always."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = project["optional-dependencies"][extra] if extra else project["dependencies"]
    return {re.match(r"[\w-]+", line)[0].lower() for line in asked}


def third_party(paths):
    """Packages, by the name they are installed under, that these modules or notebooks import."""
    own = {
        "wearbar",
        *(room.name for room in BESIDE),
        *(p.stem for p in (ROOT / "tests").rglob("*.py")),
    }
    own |= sys.stdlib_module_names
    found = set()
    for path in paths:
        text = path.read_text(encoding="utf-8")
        cells = (
            ["".join(c["source"]) for c in code_cells(path)] if path.suffix == ".ipynb" else [text]
        )
        found |= {name.split(".")[0] for cell in cells for name in imports_of(cell) if name} - own
    return {installed().get(name, [name])[0].lower() for name in found}


@cache
def installed():
    """Name of a module to the packages that have it; a yardstick may be left out."""
    return importlib.metadata.packages_distributions()


def imports_of(text):
    for node in nodes(text):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module
        elif isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "importorskip":
            yield node.args[0].value


def test_what_is_imported_is_declared():
    library = third_party([*ALL, *NOTEBOOKS])
    assert library <= declared() | declared("cluster") | declared("lab"), (
        "declare it in pyproject.toml"
    )
    tests = third_party((ROOT / "tests").rglob("*.py"))
    assert tests <= declared() | declared("test") | declared("yardsticks")


def test_what_is_declared_is_imported():
    library = third_party([*ALL, *NOTEBOOKS])
    assert declared() <= library, "nothing imports it: leave it out of pyproject.toml"


def test_every_public_name_is_reached():
    """From commands, notebooks and the front door; what stands here is to be shown in a report or deleted."""
    left = """
        log_of
    """
    assert {name for _, name in reach.unreached()} <= set(left.split())


def test_ruff_is_content():
    done = subprocess.run(
        [sys.executable, "-m", "ruff", "check", "--quiet", "."],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout
