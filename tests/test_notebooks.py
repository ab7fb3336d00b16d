"""The notebooks run in a kernel, cell by cell: the visit sheet against its outputs kept in tests/golden, and (slow) all of them.

The whole pack of the owner's log is held against the same outputs: tests/pack/test_whole_packs.py.
"""

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
GOLDEN = sorted((ROOT / "tests" / "golden").glob("*.ipynb"))
REPORTS = sorted((ROOT / "notebooks").glob("*.ipynb"))
CLEAN = str(ROOT / "tests" / "golden" / "sanitize.cfg")
NBVAL = (
    "-p",
    "no:cacheprovider",
    "-q",
    "-n0",
    "--nbval-current-env",
    "--nbval-sanitize-with",
    CLEAN,
)


def nbval(path, *how):
    command = [sys.executable, "-m", "pytest", *NBVAL, *how, "-W", "ignore", str(path)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout[-4000:]


def cells(path):
    return ["".join(c["source"]) for c in json.loads(path.read_text(encoding="utf-8"))["cells"]]


@pytest.mark.slow  # the whole packs run the same cells on the fleet
@pytest.mark.parametrize("path", REPORTS, ids=lambda p: p.stem)
def test_runs_on_the_fleet_cell_by_cell(path):
    nbval(path, "--nbval-lax")


SHEET = pytest.param("visit_sheet", id="visit_sheet")
OTHERS = [pytest.param(p.stem, id=p.stem, marks=pytest.mark.slow) for p in REPORTS[:-1]]


@pytest.mark.parametrize("name", [SHEET, *OTHERS])
def test_says_on_the_owners_log_what_it_said_before(name):
    nbval(ROOT / "tests" / "golden" / f"{name}.ipynb", "--nbval")


def test_each_notebook_has_a_golden_copy():
    lost = {path.stem for path in REPORTS} - {path.stem for path in GOLDEN}
    assert not lost, f"run tests/golden/make.py {lost}, and read what it says"


@pytest.mark.parametrize("path", GOLDEN, ids=lambda p: p.stem)
def test_golden_copies_are_the_notebooks(path):
    kept = [text for text in cells(path) if not text.startswith("# Parameters")]
    assert kept == cells(ROOT / "notebooks" / path.name)
