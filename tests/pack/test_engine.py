"""Cells run in a prepared process show what they show in a kernel of their own."""

import multiprocessing
import subprocess
import sys

import nbformat
import papermill
import pytest
from conftest import use_test_notebooks
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from wearbar.log import places, read_log
from wearbar.pack import make as pack
from wearbar.pack import run

CELLS = """
import sys
import pandas as pd
from IPython.display import HTML, display
# ---
print("one"); print("two", end=" "); print("three")
# ---
print("four", file=sys.stderr)
# ---
wide = pd.DataFrame({f"column {i}": range(3) for i in range(30)})
wide
# ---
display(HTML("<b>bold</b>")); display({"text/plain": "told", "application/vnd.own+json": {"a": 1}}, raw=True); 1 + 1
# ---
"quiet";
# ---
_ + 1
# ---
import matplotlib.pyplot as plt
figure, axes = plt.subplots(figsize=(1, 1))
axes.plot([1, 2]);
# ---
import seaborn, statsmodels.stats.proportion
"statsmodels" in sys.modules, __name__, plt.get_backend()
"""
METADATA = {"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}}
STOP = "1 / 0\n# ---\nprint('never')"
LEAVE = "raise SystemExit('no more')\n# ---\nprint('never')"


def executed(root, source, *how):
    """(cells, language, whether it stopped) of cells run by papermill: by its command, or with
    `how` by the engine, in a process as a report's."""
    cells = [new_code_cell(text.strip()) for text in source.split("# ---\n")]
    book = new_notebook(cells=[new_markdown_cell("# Cells"), *cells], metadata=METADATA)
    files = root / "in.ipynb", root / "out.ipynb"
    nbformat.write(book, files[0])
    if how:
        asked = {"engine_name": how[0], "progress_bar": False}
        own = run._context().Process(target=papermill.execute_notebook, args=files, kwargs=asked)
        own.start()
        own.join()
        code = own.exitcode
    else:
        command = [sys.executable, "-m", "papermill", "-k", "python3", *files]
        code = subprocess.run(command, capture_output=True).returncode
    book = nbformat.read(files[1], as_version=4)
    told = [(cell.get("execution_count"), cell.get("outputs"), cell.source) for cell in book.cells]
    return told, book.metadata["language_info"], code != 0


def test_the_outputs_are_a_kernels(tmp_path):
    ours = executed(tmp_path, CELLS, "wearbar")
    assert ours == executed(tmp_path, CELLS)
    cells, _, stopped = ours
    assert not stopped
    kinds = [[output.output_type for output in outputs or ()] for _, outputs, _ in cells]
    assert ["display_data", "display_data", "execute_result"] in kinds
    assert any(
        "image/png" in output.get("data", {}) for _, found, _ in cells for output in found or ()
    )


@pytest.mark.parametrize("source, error", [(STOP, "ZeroDivisionError"), (LEAVE, "SystemExit")])
def test_it_stops_at_the_cell_that_stops(tmp_path, source, error):
    cells, _, stopped = executed(tmp_path, source, "wearbar")
    assert stopped
    assert [o.ename for _, outputs, _ in cells for o in outputs or () if "ename" in o] == [error]
    assert not any("never" in str(outputs) for _, outputs, _ in cells)


def test_a_process_begun_anew_writes_the_same_pack(sample_pack, tmp_path, monkeypatch):
    """As where the system can't copy a process."""
    use_test_notebooks(monkeypatch)
    monkeypatch.setattr(run, "_context", lambda: multiprocessing.get_context("spawn"))
    out = tmp_path / "sample"
    pack.make_pack(out, log=sample_pack.log, only=["sample"], tell=lambda line: None)
    files = {path.relative_to(out): path.read_bytes() for path in out.rglob("*") if path.is_file()}
    assert len(files) > 4
    assert files == {name: (sample_pack.folder / name).read_bytes() for name in files}


def test_what_a_cell_warns_of_is_seen(example_log, tmp_path, monkeypatch):
    """As in a kernel; a report of ours that warned would fail tests/pack/test_whole_packs.py."""
    use_test_notebooks(monkeypatch)
    book = nbformat.read(places.place("notebooks") / "sample.ipynb", as_version=4)
    book.cells.append(new_code_cell("import warnings\nwarnings.warn('mind this')"))
    nbformat.write(book, tmp_path / "warns.ipynb")
    whole, asked = read_log(example_log), {"as_of": "", "confidence": 0.9}
    jobs = [(tmp_path / "warns.ipynb", asked, "")]
    pack._run(jobs, example_log, tmp_path / "run", whole, lambda line: None, workers=1)
    cells = nbformat.read(tmp_path / "run" / "notebooks" / "warns.ipynb", as_version=4).cells
    (said,) = cells[-1].outputs
    assert (said.output_type, said.name) == ("stream", "stderr")
    assert "UserWarning: mind this" in said.text
    assert not any(o.output_type == "stream" for c in cells[:-1] for o in c.get("outputs", ()))


SHARED = """
import sys
from wearbar.log import read_log
from wearbar.pack import prepared, run
from wearbar.pack.make import account, items, occasions
whole, run.MOST_ROWS = read_log(sys.argv[1]), int(sys.argv[2])
first = "address", "", (), (occasions,), (lambda log: "told",), (items,), (account,)
told = [*run._copied([], 2, first, {}, whole)]
kept = {name for _, name, *_ in whole._kept}
print(told, kept >= {"occasions", "items", "account"}, "papermill" in sys.modules)
"""


@pytest.mark.parametrize("most_rows", ["100000", "0"])
def test_what_all_reports_need_is_there_before_they_begin(example_log, most_rows):
    """Sent by the process that worked it out, or, of a large log, worked out in this one."""
    done = subprocess.run(
        [sys.executable, "-c", SHARED, example_log, most_rows], capture_output=True, text=True
    )
    assert done.stdout == "['told'] True True\n", done.stderr
