"""Cells of the report notebooks, which tests run with names of their own."""

import json
from pathlib import Path

NOTEBOOKS = Path(__file__).parent.parent / "notebooks"


def cell_of(notebook, words):
    """The source of the code cell of a notebook in which these words stand first."""
    cells = json.loads((NOTEBOOKS / f"{notebook}.ipynb").read_text(encoding="utf-8"))["cells"]
    code = ("".join(c["source"]) for c in cells if c["cell_type"] == "code")
    return next(source for source in code if words in source)


def run(notebook, words, /, **names):
    """The names that such a cell leaves behind, given `names`."""
    exec(cell_of(notebook, words), names)
    return names
