"""The house rules: floors, light imports, the form of notebooks, what stands at the top level."""

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
LIB = ROOT / "lib" / "wearbar"
NOTEBOOKS = sorted(ROOT.glob("notebooks/**/*.ipynb"))
# a module imports only from rows above its own
FLOORS = (
    "places units tables",
    "law",
    "plan sources checks synthetic figures",
    "log",
    "readings paths season",
    "usage estimate recurrence clustered replay",
    "spans money clock scoring",
    "forecast",
    "intervals",
    "worklist wear life severity hard_use cost fixed fuel repairs keeping replacement backtest visits coverage adopt describe",
    "actionlist",
    "choice sheet outlook answerable",
    "charts wording",
    "reports calendar",
    "against",
    "pack start",
    "cli",
)
FLOOR = {name: floor for floor, names in enumerate(FLOORS) for name in names.split()}
COMPUTATION = FLOOR["wear"]

PARAMETERS = {
    "log": "str",
    "as_of": "str",
    "site": "str",
    "vehicle": "list",
    "confidence": "float",
    "units": "str",
}


def modules():
    return sorted(p for p in LIB.rglob("*.py") if p.name != "__init__.py" or p.parent != LIB)


def room(path):
    """The module's name as the floors know it: `charts/wear.py` belongs to charts."""
    return path.relative_to(LIB).parts[0].removesuffix(".py")


def imports(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from (
                [node.module]
                if node.module != "wearbar"
                else [f"wearbar.{alias.name}" for alias in node.names]
            )


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


@pytest.mark.parametrize(
    "path",
    [p for p in modules() if FLOOR.get(room(p), 9) <= COMPUTATION],
    ids=lambda p: str(p.relative_to(LIB)),
)
def test_computation_knows_no_matplotlib(path):
    assert not [
        name for name in imports(path) if name.split(".")[0] in {"matplotlib", "seaborn", "IPython"}
    ]


@pytest.mark.parametrize(
    "statement, heavy",
    [
        ("import wearbar", "pandas numpy matplotlib scipy"),
        ("import wearbar.cli", "pandas numpy matplotlib scipy papermill nbconvert"),
        ("import wearbar.log", "matplotlib statsmodels seaborn IPython sqlalchemy openpyxl"),
        ("import wearbar.life, wearbar.intervals", "matplotlib statsmodels seaborn IPython"),
    ],
)
def test_imports_are_light(statement, heavy):
    code = f"{statement}; import sys; print(*[m for m in {heavy.split()!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


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

    def test_cells_are_thin(self, path):
        for cell in code_cells(path):
            lines = [
                line
                for line in "".join(cell["source"]).splitlines()
                if line.strip() and not line.strip().startswith("#")
            ]
            assert len(lines) <= 5 or "parameters" in tags(cell), (
                f"{len(lines)} lines:\n" + "\n".join(lines)
            )
            tree = ast.walk(ast.parse("".join(cell["source"])))
            logic = ast.FunctionDef | ast.ClassDef | ast.For | ast.While | ast.Lambda
            assert not [node for node in tree if isinstance(node, logic)]

    def test_prose_holds_no_computed_number(self, path):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        prose = [c for c in cells if c["cell_type"] == "markdown"]
        assert "".join(prose[0]["source"]).startswith("# ")
        for cell in prose:
            text = "".join(cell["source"])
            assert not [ch for ch in text if ch.isdigit()], f"a number typed into prose: {text}"

    def test_has_one_parameters_cell_that_papermill_can_read(self, path):
        from papermill import inspect_notebook

        assert sum("parameters" in tags(c) for c in code_cells(path)) == 1
        found = inspect_notebook(str(path))
        assert {
            name: p["inferred_type_name"] for name, p in found.items()
        }.items() >= PARAMETERS.items()
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


def test_ruff_is_content():
    done = subprocess.run(
        [sys.executable, "-m", "ruff", "check", "--quiet", "."],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout
