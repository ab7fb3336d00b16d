"""What several test files share."""

import csv
import gc
import json
import os
import time
import tomllib
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import settings

from wearbar.log import once, places, read_log
from wearbar.log.schema import TABLES
from wearbar_lab.start import start_log

# the same examples on every run and on every machine, however slow
settings.register_profile("same", deadline=None, derandomize=True, database=None)
settings.load_profile("same")

NOTEBOOKS = Path(__file__).parent / "notebooks"


@pytest.fixture(scope="module", autouse=True)
def frozen():
    """statsmodels collects garbage at every multiple test: what is there already needs no look, and
    a small frame leaves so many objects that Python else looks for garbage all the time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(100_000, 50, 1000)


def write_rows(folder, rows):
    """Add rows (table to list of mappings) to the CSV files of a log in `folder`."""
    for name, lines in rows.items():
        with (folder / f"{name}.csv").open("a", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerows(
                [row.get(c.name, "") for c in TABLES[name]] for row in lines
            )
    return folder


@pytest.fixture(scope="session")
def shared_folder(tmp_path_factory, worker_id):
    """A folder for all processes that run the tests."""
    base = tmp_path_factory.getbasetemp()
    folder = (base if worker_id == "master" else base.parent) / "shared"
    folder.mkdir(exist_ok=True)
    return folder


@pytest.fixture(scope="session", autouse=True)
def store(shared_folder):
    """What is `once.once` is computed once for all tests, as in the run of a pack."""
    (shared_folder / "store").mkdir(exist_ok=True)
    os.environ[once.STORE] = str(shared_folder / "store")


@pytest.fixture(scope="session")
def demo_log():
    """name to the demo log of that name, read once."""
    return cache(lambda name: read_log(places.place("data", name)))


@pytest.fixture(scope="session")
def example_log(tmp_path_factory):
    """A started log into which the guide's own example rows were typed."""
    folder = start_log(tmp_path_factory.mktemp("example") / "log")
    examples = tomllib.loads(
        places.place("shared", "start", "examples.toml").read_text(encoding="utf-8")
    )
    return write_rows(folder, {name: [row] for name, row in examples.items()})


@pytest.fixture(scope="session")
def sample_pack(example_log, tmp_path_factory):
    """A pack of the one small notebook of the tests: `folder`, `log`, `pack`, `told` (lines of progress)."""
    from wearbar.pack import make as pack

    told = []
    with pytest.MonkeyPatch.context() as patch:
        use_test_notebooks(patch)
        out = tmp_path_factory.mktemp("packs") / "sample"
        made = pack.make_pack(out, log=example_log, only=["sample"], tell=told.append)
    return SimpleNamespace(folder=out, log=example_log, pack=made, told=told)


MINE = {"vehicle": "Curlew"}
BY_HAND = {
    "vehicles": [
        {
            **MINE,
            "kind": "motorcycle",
            "in_service": "2024-03-02",
            "in_service_odometer": "0",
            "price": "6450",
        }
    ],
    "work": [
        {
            **MINE,
            "date": "2024-05-04",
            "odometer": "655",
            "task": "engine-oil-and-filter",
            "why": "planned",
            "parts_cost": "38.50",
            "done_by": "owner",
        },
        {
            **MINE,
            "date": "2025-04-12",
            "odometer": "4720",
            "task": "engine-oil-and-filter",
            "why": "planned",
            "parts_cost": "41",
            "done_by": "owner",
        },
        {
            **MINE,
            "date": "2026-05-30",
            "odometer": "9105",
            "task": "engine-oil-and-filter",
            "why": "planned",
            "labour_cost": "60",
            "parts_cost": "44",
        },
    ],
    "fitted": [
        {
            **MINE,
            "position": position,
            "category": "tyre",
            "item": f"gravel {position}",
            "condition": "new",
            "fitted": "2025-05-11",
        }
        | {"fitted_odometer": "5050", "price": price, "new_depth": "9.5", "limit_depth": "2.0"}
        for position, price in (("front", "102"), ("rear", "118"))
    ],
}


@pytest.fixture(scope="session")
def by_hand(tmp_path_factory):
    """What an owner types into a started log: one motorcycle, three services, one pair of tyres, a plan with the comments' example."""
    folder = write_rows(start_log(tmp_path_factory.mktemp("by-hand") / "log"), BY_HAND)
    for name, lines in (("plan.toml", ("# ",)), ("log.toml", ("# currency", "# money", "# plan"))):
        text = (folder / name).read_text(encoding="utf-8").splitlines()
        text = [line.removeprefix("# ") if line.startswith(lines) else line for line in text]
        (folder / name).write_text("\n".join(text) + "\n", encoding="utf-8")
    return folder


@pytest.fixture(scope="session")
def packs(by_hand, shared_folder):
    """The whole pack of each log: name to `Pack`, made once, when first asked for, by one of the
    processes that run the tests; the others wait for it."""
    from wearbar.pack import make as pack

    logs = {
        "by-hand": by_hand,
        "owner": places.place("data", "owner"),
        "fleet": places.place("data", "fleet"),
    }

    @cache
    def whole(name):
        out, told = (shared_folder / made for made in (name, f"{name}.json"))
        try:
            (shared_folder / f"{name}.making").mkdir()
        except FileExistsError:
            while not told.exists():
                time.sleep(0.2)
        else:
            told.with_suffix(".half").write_text("null")
            try:
                lines = []
                made = pack.make_pack(out, log=logs[name], tell=lines.append, workbook=True)
                out.with_suffix(".txt").write_text("\n".join(lines), encoding="utf-8")
                told.with_suffix(".half").write_text(json.dumps(made.set_aside))
            finally:  # one that fails is not tried again for every test
                told.with_suffix(".half").replace(told)
        aside = json.loads(told.read_text())
        return pytest.fail(f"no pack of {name}") if aside is None else pack.Pack(out, aside)

    return whole


def use_test_notebooks(patch):
    """Let the pack find the notebooks of the tests in place of the real ones."""
    real = places.place
    patch.setattr(
        places, "place", lambda *parts: NOTEBOOKS if parts == ("notebooks",) else real(*parts)
    )
