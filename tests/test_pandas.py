"""The other pandas: 3 where this is 2, and 2.3, which the yardsticks ask for, where this is 3."""

import json
import math
import os
import subprocess
import sys
import venv
from pathlib import Path

import pandas as pd
import pytest

ROOT = Path(__file__).parent.parent
ROOMS = ("log", "stats", "usage", "intervals", "parts", "cost", "severity")


def alike(one, other):
    """Whether two findings hold the same: numbers within 1e-9, all else exactly."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(alike(one[k], other[k]) for k in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(alike, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-12)
    return one == other


def test_alike_tells_numbers_apart():
    assert alike({"a": [1.0, None]}, {"a": [1.0 + 1e-12, None]})
    assert not alike({"a": [1.0, None]}, {"a": [1.0 + 1e-6, None]})
    assert not alike({"a": 1.0}, {"b": 1.0})


@pytest.fixture(name="other", scope="module")
def _other(tmp_path_factory):
    """A Python with this suite and the other pandas."""
    folder = tmp_path_factory.mktemp("other") / "venv"
    venv.create(folder, with_pip=True)
    python = str(folder / ("Scripts" if os.name == "nt" else "bin") / "python")
    extras = "test" if pd.__version__ < "3" else "test,yardsticks"
    done = subprocess.run(
        [python, "-m", "pip", "install", "-q", "-e", f"{ROOT}[{extras}]"],
        capture_output=True,
        text=True,
    )
    if done.returncode:
        pytest.skip(f"the other pandas cannot be installed: {done.stderr[-300:]}")
    said = subprocess.run(
        [python, "-c", "import pandas; print(pandas.__version__)"], capture_output=True, text=True
    ).stdout
    assert (said < "3") != (pd.__version__ < "3"), f"both are pandas {said}"
    return python


def findings(python, log, out):
    command = [python, "-m", "wearbar.pack.cli", "pack", str(ROOT / "data" / log)]
    done = subprocess.run([*command, "--out", str(out)], capture_output=True, text=True)
    assert (out / "findings.json").is_file(), done.stderr
    reports = json.loads((out / "findings.json").read_text(encoding="utf-8"))["reports"]
    return {name: report["findings"] for name, report in reports.items()}


@pytest.mark.slow
@pytest.mark.parametrize("log", ["owner", "fleet"])
def test_both_give_the_same_findings(other, log, tmp_path):
    here = findings(sys.executable, log, tmp_path / "here")
    assert alike(findings(other, log, tmp_path / "there"), here)


@pytest.mark.slow
@pytest.mark.parametrize("room", ROOMS)
def test_the_room_passes_on_the_other(other, room):
    done = subprocess.run(
        [other, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(ROOT / "tests" / room)],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout[-3000:]
