"""What several test files share."""

import csv
import tomllib
from pathlib import Path
from types import SimpleNamespace

import pytest

from wearbar import places
from wearbar.start import start_log
from wearbar.tables import TABLES

NOTEBOOKS = Path(__file__).parent / "notebooks"


def write_rows(folder, rows):
    """Add rows (table to list of mappings) to the CSV files of a log in `folder`."""
    for name, lines in rows.items():
        with (folder / f"{name}.csv").open("a", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerows([row.get(c.name, "") for c in TABLES[name]] for row in lines)
    return folder


@pytest.fixture(scope="session")
def example_log(tmp_path_factory):
    """A started log into which the guide's own example rows were typed."""
    folder = start_log(tmp_path_factory.mktemp("example") / "log")
    examples = tomllib.loads(places.place("shared", "start", "examples.toml").read_text(encoding="utf-8"))
    return write_rows(folder, {name: [row] for name, row in examples.items()})


@pytest.fixture(scope="session")
def sample_pack(example_log, tmp_path_factory):
    """A pack of the one small notebook of the tests: `folder`, `log`, `pack`, `told` (lines of progress)."""
    from wearbar import pack

    told = []
    with pytest.MonkeyPatch.context() as patch:
        use_test_notebooks(patch)
        out = tmp_path_factory.mktemp("packs") / "sample"
        made = pack.make_pack(out, log=example_log, only=["sample"], tell=told.append)
    return SimpleNamespace(folder=out, log=example_log, pack=made, told=told)


def use_test_notebooks(patch):
    """Let the pack find the notebooks of the tests in place of the real ones."""
    real = places.place
    patch.setattr(places, "place", lambda *parts: NOTEBOOKS if parts == ("notebooks",) else real(*parts))
