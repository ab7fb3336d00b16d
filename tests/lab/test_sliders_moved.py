"""The sliders as a hand moves them: in JupyterLab, by the keyboard, in headless Chromium."""

import base64
import json

import browser
import nbformat
import pytest
from jupyterlab_page import CELLS, KERNEL, jupyterlab, until

from wearbar.log.places import place

pytest.importorskip("ipywidgets")
NOTEBOOK = "sliders.ipynb"
CELLS_OF = (
    "import wearbar as wb\n"
    "from wearbar_lab.sliders import keep_years_slider, what_if_sliders\n"
    "log = wb.read_log({log!r})",
    "keep_years_slider(log)",
    'what_if_sliders(log.only(["Wren"]))',
)
WIDTHS = (1280, 390)
HANDLES = "document.querySelectorAll('.jp-Notebook .noUi-handle')"
# what stands below the sliders of a cell: its text, and its figure as it is drawn
SHOWN = """(() => {{
    const cell = [...document.querySelectorAll('.jp-Notebook .jp-Cell')][{n}]
    const below = cell && cell.querySelector('.widget-interact .widget-output')
    if (!below) return ''
    return below.innerText + [...below.querySelectorAll('img')].map(i => i.src).join()
    }})()"""


def click(tab, what):
    """Click on the first that a selector finds."""
    box = f"document.querySelector({what!r}).getBoundingClientRect()"
    spot = {"x": tab.value(f"{box}.x") + 20, "y": tab.value(f"{box}.y") + 5}
    for kind in ("mousePressed", "mouseReleased"):
        tab.call("Input.dispatchMouseEvent", type=kind, button="left", clickCount=1, **spot)


def press(tab, key, code):
    for kind in ("rawKeyDown", "keyUp"):
        tab.call("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code)


def shot(tab, path, width):
    """A picture of the page, this many pixels wide; on a narrow one without the list of files."""
    if width < 600:
        tab.value("jupyterapp.commands.execute('application:toggle-left-area')")
    size = {"width": width, "height": 2400, "deviceScaleFactor": 1, "mobile": False}
    tab.call("Emulation.setDeviceMetricsOverride", **size)
    tab.value("new Promise(done => setTimeout(done, 1500))")
    path.write_bytes(base64.b64decode(tab.call("Page.captureScreenshot", format="png")["data"]))


@pytest.mark.slow
@pytest.mark.skipif(browser.CHROMIUM is None, reason="there is no Chromium on this machine")
def test_a_slider_moved_by_the_keyboard_shows_other_figures(tmp_path):
    books, owner = tmp_path / "books", place("data", "owner")
    with jupyterlab(tmp_path, owner, books) as address, browser.tab() as tab:
        cells = [nbformat.v4.new_code_cell(text.format(log=str(owner))) for text in CELLS_OF]
        own = {"kernelspec": {"name": "python3", "display_name": "Python 3"}}
        nbformat.write(nbformat.v4.new_notebook(metadata=own, cells=cells), books / NOTEBOOK)
        size = {"width": 1280, "height": 2400, "deviceScaleFactor": 1, "mobile": False}
        tab.call("Emulation.setDeviceMetricsOverride", **size)
        tab.call("Page.navigate", url=f"{address}/lab/tree/{NOTEBOOK}")
        until(lambda: tab.value("!!document.querySelector('.cm-line')"), 180, "nothing shows")
        click(tab, ".cm-line")
        until(lambda: tab.value(KERNEL) == "idle", 180, "no kernel is ready")
        tab.value("jupyterapp.commands.execute('notebook:run-all-cells')")
        until(lambda: tab.value(f"{HANDLES}.length") == 3, 540, "the sliders do not show")
        # the years of the first; the distance of the second
        for handle, cell, first in ((0, 1, "keep_cost"), (1, 2, "data:image/png")):
            shown = lambda n=cell: tab.value(SHOWN.format(n=n))  # noqa: E731
            until(lambda: first in shown(), 120, "nothing stands below the slider")  # noqa: B023
            before, at = shown(), tab.value(f"{HANDLES}[{handle}].ariaValueNow")
            tab.value(f"{HANDLES}[{handle}].focus()")
            press(tab, "ArrowRight", 39)
            assert tab.value(f"{HANDLES}[{handle}].ariaValueNow") != at
            until(lambda: first in shown() and shown() != before, 120, "nothing has changed")  # noqa: B023
        for width in WIDTHS:
            shot(tab, tmp_path / f"{width}.png", width)
        outputs = [o for c in json.loads(tab.value(CELLS)) for o in c["outputs"]]
        assert [o for o in outputs if o["output_type"] == "error"] == []
        assert "Error" not in tab.value("document.querySelector('.jp-Notebook').innerText")
