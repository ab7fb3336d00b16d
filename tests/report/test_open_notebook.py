"""interval_compliance as an analyst opens it: the cell that makes the on-time rate can be changed and run on."""

import contextlib
import json
import os
import socket
import subprocess
import sys
import time
import urllib.request

import browser
import nbformat
import pandas as pd
import pytest

from wearbar import intervals, usage
from wearbar.log import read_log
from wearbar.log.places import place

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
    "vehicles.csv": "vehicle,kind,in_service\nV,van,2022-01-01\n",
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


@contextlib.contextmanager
def jupyterlab(folder):
    """JupyterLab on `folder`: its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", f"--port={port}", "--allow-root"]
    command += [f"--ServerApp.root_dir={folder}", "--IdentityProvider.token="]
    command += ["--LabApp.expose_app_in_browser=True", "--LabApp.news_url=None"]
    own = {name: str(folder / name) for name in ("JUPYTER_CONFIG_DIR", "JUPYTERLAB_SETTINGS_DIR")}
    with (folder / "server.log").open("w") as log:
        server = subprocess.Popen(command, cwd=folder, stdout=log, stderr=log, env=os.environ | own)
    address = f"http://127.0.0.1:{port}"
    try:
        until(lambda: answers(f"{address}/api"), 120, "JupyterLab does not answer")
        yield address
    finally:
        server.terminate()
        server.wait()


def answers(address):
    try:
        with urllib.request.urlopen(address):
            return True
    except OSError:
        return False


def until(true, seconds, what):
    for _ in range(seconds * 2):
        if true():
            return
        time.sleep(0.5)
    raise TimeoutError(what)


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


CELLS = "JSON.stringify(jupyterapp.shell.currentWidget.content.model.sharedModel.toJSON().cells)"


@pytest.mark.slow
@pytest.mark.skipif(browser.CHROMIUM is None, reason="there is no Chromium on this machine")
def test_an_analyst_changes_the_tolerance_in_jupyterlab_and_runs_on(due, folder, tmp_path):
    assert intervals.rate(due[2]).value == 0.6
    book = nbformat.read(place("notebooks") / NOTEBOOK, as_version=4)
    asked = next(cell for cell in book.cells if "parameters" in cell.metadata.get("tags", []))
    asked.source = asked.source.replace('log: str = ""', f"log: str = {str(folder)!r}")
    nbformat.write(book, tmp_path / NOTEBOOK)
    with jupyterlab(tmp_path) as address, browser.tab() as tab:
        size = {"width": 1280, "height": 3000, "deviceScaleFactor": 1, "mobile": False}
        tab.call("Emulation.setDeviceMetricsOverride", **size)
        tab.call("Page.navigate", url=f"{address}/lab/tree/{NOTEBOOK}")
        shown = f"[...document.querySelectorAll('.cm-line')].some(l => l.textContent.startsWith({OWN!r}))"
        until(lambda: tab.value(shown), 180, "the notebook does not show")
        double_click(tab, "None")
        tab.call("Input.insertText", text="0.05")
        source = lambda: [c["source"] for c in json.loads(tab.value(CELLS))]  # noqa: E731
        until(lambda: any(s.startswith("late_share = 0.05") for s in source()), 20, "not typed")
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
