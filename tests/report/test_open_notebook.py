"""The notebooks as a learner opens them: copies on a log of one's own, whose cells can be changed and run on."""

import json
import shutil

import browser
import nbformat
import pandas as pd
import pytest
from jupyterlab_page import CELLS, KERNEL, jupyterlab, until

import wearbar_lab.commands  # noqa: F401  # which makes the command known
from wearbar import intervals, usage
from wearbar.log import read_log
from wearbar.log.places import place
from wearbar.pack.cli import main
from wearbar.report import report as reports

NOTEBOOK = "interval_compliance.ipynb"
OWN = "late_share = None"


FILES = {
    "log.toml": """name = "Oil alone"
distance = "km"
first_day = 2022-01-01
as_of = 2024-10-15
plan = "plan.toml"
""",
    "plan.toml": """[van]
applies_to = ["van"]
[[van.task]]
code = "oil"
action = "replace"
every = { months = 6 }
tolerance = 0.1
""",
    # two more on their first day: with one or two vehicles a report has no tables of one row
    "vehicles.csv": "vehicle,kind,in_service\nV,van,2022-01-01\nY,van,2024-10-15\nZ,van,2024-10-15\n",
    "odometer.csv": "vehicle,date,odometer\nV,2022-01-01,0\nV,2024-10-10,30000\n",
    # 12, 7, 12 and 29 days over, then open and overdue; the plan allows 18, a twentieth of the interval is 9
    "work.csv": "vehicle,date,task,why\n"
    + "".join(
        f"V,{day},oil,planned\n" for day in ("2022-07-13", "2023-01-20", "2023-08-01", "2024-03-01")
    ),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("oil")
    for name, text in FILES.items():
        (folder / name).write_text(text)
    return folder


@pytest.fixture(scope="module")
def due(folder):
    log = read_log(folder)
    readings = usage.readings(log)
    return log, readings, intervals.placed(intervals.occasions(log), log)


def rate_cell():
    cells = nbformat.read(place("notebooks") / NOTEBOOK, as_version=4).cells
    return next(cell for cell in cells if cell.source.startswith(OWN))


def test_the_cells_that_make_numbers_lie_open_and_the_rest_is_folded():
    cells = nbformat.read(place("notebooks") / NOTEBOOK, as_version=4).cells
    for cell in (cell for cell in cells if cell.cell_type == "code"):
        tags = set(cell.metadata.get("tags", []))
        is_folded = cell.metadata.get("jupyter", {}).get("source_hidden", False)
        assert is_folded == bool(tags & {"setup", "telling", "findings"}), cell.source
    assert not rate_cell().metadata.get("tags")


@pytest.mark.parametrize("late_share", [None, 0.05, 0.5])
def test_the_rate_made_in_the_cell_is_the_librarys(due, late_share):
    log, readings, found = due
    report = type("Report", (), {"log": log, "readings": readings})
    names = {"pd": pd, "intervals": intervals, "found": found, "report": report}
    exec(rate_cell().source.replace(OWN, f"late_share = {late_share}"), names)
    by_library = intervals.rate(intervals.occasions(log, late_share=late_share))
    assert (names["rate"], len(names["closed"])) == (by_library.value, by_library.n)
    sites = names["closed"].groupby("task")["on_time"].mean()
    table = intervals.compliance(names["jobs"], ["task"]).set_index("task")["share"]
    assert sites.to_dict() == pytest.approx(table.to_dict())


def lab(*arguments):
    return main(["lab", *map(str, arguments)])


def asked(path):
    """The parameters cell of a notebook, as Python reads it."""
    cells = nbformat.read(path, as_version=4).cells
    names = {}
    exec(next(c.source for c in cells if "parameters" in c.metadata.get("tags", [])), names)
    return names


def test_lab_fills_in_copies_and_writes_over_nothing(folder, tmp_path, capsys, monkeypatch):
    shipped = {path.name: path.read_bytes() for path in place("notebooks").glob("*.ipynb")}
    log = shutil.copytree(folder, tmp_path / "owner's log")
    monkeypatch.chdir(tmp_path)
    assert lab("owner's log", "--no-start", "--vehicle", "V", "--units", "mi") == 0
    books = tmp_path / "owner's log-notebooks"
    assert str(books) in capsys.readouterr().out
    assert {path.name for path in books.iterdir()} == set(shipped)
    for name, was in shipped.items():
        told, default = asked(books / name), asked(place("notebooks") / name)
        given = {"log": str(log), "vehicle": ["V"], "units": "mi", "confidence": 0.9}
        for key in told.keys() - {"__builtins__", "__annotations__", "__annotate__"}:
            assert told[key] == given.get(key, default[key]), (name, key)
        assert (place("notebooks") / name).read_bytes() == was
    assert lab("owner's log", "--out", "mine", "--vehicle", "W", "--no-start") == 2
    assert "no vehicle W" in capsys.readouterr().err
    assert not (tmp_path / "mine").exists()
    (books / NOTEBOOK).write_text("mine")
    assert lab("owner's log", "--no-start") == 0
    assert "is there already" in capsys.readouterr().out
    assert (books / NOTEBOOK).read_text() == "mine"


def test_a_log_is_found_from_the_notebooks_folder_and_where_jupyter_was_started(
    folder, tmp_path, monkeypatch, capsys
):
    book = tmp_path / "course" / "books"
    book.mkdir(parents=True)
    shutil.copytree(folder, tmp_path / "started" / "my-log")
    monkeypatch.chdir(book)
    monkeypatch.setenv("PWD", str(tmp_path / "started"))
    assert reports.open_report("log_check", "my-log").log.name == "Oil alone"
    monkeypatch.setenv("PWD", str(book))
    with pytest.raises(ValueError, match=r"no my-log in .*books, nor in a folder above") as told:
        reports.open_report("log_check", "my-log")
    assert told.value._render_traceback_() == [str(told.value)]
    shutil.copytree(folder, tmp_path / "my-log")
    assert reports.open_report("log_check", "my-log").log.name == "Oil alone"
    capsys.readouterr()


def double_click(tab, word):
    """Double-click on the first `word` of the cell that makes the rate: it is selected."""
    spot = json.loads(
        tab.value(
            f"""(() => {{
            const line = [...document.querySelectorAll('.cm-line')].find(l => l.textContent.startsWith({OWN!r}))
            line.scrollIntoView({{block: 'center'}})
            const walk = document.createTreeWalker(line, NodeFilter.SHOW_TEXT)
            while (walk.nextNode() && !walk.currentNode.data.includes({word!r})) {{}}
            const range = document.createRange(), at = walk.currentNode.data.indexOf({word!r})
            range.setStart(walk.currentNode, at); range.setEnd(walk.currentNode, at + {len(word)})
            const box = range.getBoundingClientRect()
            return JSON.stringify({{x: box.x + box.width / 2, y: box.y + box.height / 2}})
            }})()"""
        )
    )
    for count in (1, 2):
        for kind in ("mousePressed", "mouseReleased"):
            tab.call("Input.dispatchMouseEvent", type=kind, button="left", clickCount=count, **spot)


@pytest.mark.slow
@pytest.mark.skipif(browser.CHROMIUM is None, reason="there is no Chromium on this machine")
def test_an_analyst_changes_the_tolerance_in_jupyterlab_and_runs_on(due, folder, tmp_path):
    assert intervals.rate(due[2]).value == 0.6
    with jupyterlab(tmp_path, folder, tmp_path / "books") as address, browser.tab() as tab:
        size = {"width": 1280, "height": 3000, "deviceScaleFactor": 1, "mobile": False}
        tab.call("Emulation.setDeviceMetricsOverride", **size)
        tab.call("Page.navigate", url=f"{address}/lab/tree/{NOTEBOOK}")
        shown = f"[...document.querySelectorAll('.cm-line')].some(l => l.textContent.startsWith({OWN!r}))"
        until(lambda: tab.value(shown), 180, "the notebook does not show")
        double_click(tab, "None")
        tab.call("Input.insertText", text="0.05")
        source = lambda: [c["source"] for c in json.loads(tab.value(CELLS))]  # noqa: E731
        until(lambda: any(s.startswith("late_share = 0.05") for s in source()), 20, "not typed")
        until(lambda: tab.value(KERNEL) == "idle", 120, "no kernel is ready")
        tab.value("jupyterapp.commands.execute('notebook:run-all-cells')")
        done = lambda: json.loads(tab.value(CELLS))[-1]["execution_count"]  # noqa: E731
        until(done, 540, "the notebook does not run to its end")
        cells = [c for c in json.loads(tab.value(CELLS)) if c["cell_type"] == "code"]
        outputs = [o for cell in cells for o in cell["outputs"]]
        assert [o for o in outputs if o["output_type"] == "error"] == []
        seen = tab.value("document.querySelector('.jp-Notebook').innerText")
        assert "0.2\t5" in seen
        assert "20% of work was done on time (1 of 5 jobs" in seen
        look = "getComputedStyle(document.querySelector('{}')).{}"
        assert tab.value(look.format(".wb-table tbody td:not(.wb-n)", "textAlign")) == "left"
        colours = {
            tab.value(look.format(f".headline.{u}", "borderLeftColor")) for u in ("soon", "note")
        }
        assert len(colours - {None}) == 2
        shot = tab.call("Page.captureScreenshot", format="png")["data"]
        (tmp_path / "shot.b64").write_text(shot)
