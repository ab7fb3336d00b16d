"""Names of the library that nothing reaches: python tests/reach.py

A walk over the syntax trees from the commands, the notebooks and the front door. A name counts as
reached wherever it is written in code that is reached itself, whatever module it is of; imports and
`__all__` reach nothing.
"""

import ast
import json
import tomllib
from pathlib import Path

ROOT = Path(__file__).parent.parent
LIB = ROOT / "lib" / "wearbar"
FRONT = ("__init__.py", "pack/cli.py", "report/verbs.py", "report/verbs_ahead.py")  # reached whole


DOCUMENTED = ast.FunctionDef | ast.ClassDef


def written(node):
    """Identifiers in a piece of code, also those in a string that is one (`getattr`, a lazy import)."""
    for part in ast.walk(node):
        if isinstance(part, ast.Name):
            yield part.id
        elif isinstance(part, ast.Attribute):
            yield part.attr
        elif isinstance(part, ast.Constant) and isinstance(part.value, str):
            yield from (word for word in part.value.split() if word.isidentifier())


def undocumented(node):
    """The statement without its docstrings, whose words reach nothing."""
    for part in ast.walk(node):
        if isinstance(part, DOCUMENTED) and ast.get_docstring(part, clean=False) is not None:
            part.body = part.body[1:]
    return node


def pieces(path):
    """(name or "", code) of each statement of a module: what it defines, or "" where it only acts."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Import | ast.ImportFrom):
            continue
        if isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names = [n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)]
        else:
            names = [getattr(node, "name", "")]
        if names != ["__all__"]:
            yield from ((name, undocumented(node)) for name in names)


def roots():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    for points in project["entry-points"].values():
        yield from (ast.parse(point.partition(":")[2]) for point in points.values())
    for path in ROOT.glob("notebooks/**/*.ipynb"):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        yield from (ast.parse("".join(c["source"])) for c in cells if c["cell_type"] == "code")
    yield from (node for name in FRONT if (LIB / name).exists() for _, node in pieces(LIB / name))
    for path in sorted((ROOT / "lib").glob("wearbar_*/*.py")):
        yield from (node for _, node in pieces(path))


def unreached():
    """(module, name) of each public name of the library that nothing reaches."""
    defined = [(path, *piece) for path in sorted(LIB.rglob("*.py")) for piece in pieces(path)]
    open_code = [*roots(), *(node for _, name, node in defined if not name)]
    reached = {word for node in open_code for word in written(node)}
    left = [piece for piece in defined if piece[1]]
    while more := [piece for piece in left if piece[1] in reached]:
        left = [piece for piece in left if piece[1] not in reached]
        reached |= {word for _, _, node in more for word in written(node)}
    return [
        (str(path.relative_to(LIB)), name)
        for path, name, _ in left
        if not name.startswith("_") and str(path.relative_to(LIB)) not in FRONT
    ]


if __name__ == "__main__":
    for found in unreached():
        print(*found)
