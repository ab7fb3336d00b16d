"""One notebook of a pack, in a process of its own: executed, rendered, written once it is whole."""

import json
import os
import re
import time
import warnings
from pathlib import Path

import nbformat

from wearbar import places, reports
from wearbar.pack.front import FIRST_PAGE
from wearbar.wording.common import clean, listing

__all__ = ["execute", "quiet", "run", "without_password"]


def quiet():
    """Make a worker: one thread for a kernel's algebra, and no word from it that it talks by TCP, which on one machine is no news."""
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)


def run(source, partial, parameters, log_name, front_page=FIRST_PAGE):
    """In a process of its own: run and render one notebook. Gives (fault in a sentence or "", seconds, 0 where it was there already).

    front_page: of the pack that the page is in; "" for a page alone, which then links to nothing.
    """
    source, partial, start = Path(source), Path(partial), time.monotonic()
    finished = partial / "notebooks" / source.name
    try:
        if finished.is_file() and (partial / f"{source.stem}.html").is_file():
            return "", 0.0
        book = execute(source, finished, parameters)
        (partial / f"{source.stem}.html").write_text(_render(book, source.stem, log_name, front_page), encoding="utf-8")
        text = without_password(nbformat.writes(book), parameters["log"])
        finished.with_suffix(".running").write_text(text + "\n", encoding="utf-8")
        finished.with_suffix(".running").rename(finished)
    except Exception as error:
        return _fault(error), 0.0
    return "", time.monotonic() - start


def execute(source, finished, parameters):
    import papermill

    known = set(papermill.inspect_notebook(str(source)))
    if unknown := sorted(set(parameters) - known):
        raise reports.NotDone(f"its parameters cell has no {listing(unknown, 'or')}")
    kept = finished.with_suffix(".stopped.ipynb")
    try:
        with warnings.catch_warnings(action="ignore"):
            book = papermill.execute_notebook(
                str(source), str(kept), parameters, kernel_name="python3", cwd=str(source.parent), progress_bar=False, autosave_cell_every=0
            )
    except papermill.PapermillExecutionError:
        kept.write_text(without_password(kept.read_text(encoding="utf-8"), parameters["log"]), encoding="utf-8")
        raise
    kept.unlink(missing_ok=True)
    return _timeless(book)


def _timeless(book):
    """Without what differs between two runs alike: times, paths, chance ids."""
    book.metadata.pop("papermill", None)
    for at, cell in enumerate(book.cells):
        cell.metadata.pop("papermill", None)
        cell.metadata.pop("execution", None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell.id = f"injected-{at}"
    return book


def without_password(text, address):
    """A notebook's text, with the password and options of a database's address, as it was injected, left out."""
    if "://" not in address:
        return text
    kept = re.sub(r"\?.*", "", re.sub(r"^(\w[\w+]*://[^:/@]*):.*@", r"\1@", address))
    return text.replace(json.dumps(address)[1:-1], json.dumps(kept)[1:-1])


def _fault(error):
    """One sentence, from the error as the notebook raised it."""
    said = str(getattr(error, "evalue", "") or error) or type(error).__name__
    kind = getattr(error, "ename", type(error).__name__)
    said = clean(said.strip().splitlines()[0], 400)
    return said if kind in ("NotDone", "LogError", "PlanError") else f"{said} ({kind})"


def _render(book, name, log_name, front_page):
    from nbconvert import HTMLExporter

    exporter = HTMLExporter(template_name="report", extra_template_basedirs=[str(places.place("shared"))], exclude_anchor_links=True)
    notebook = f"notebooks/{name}.ipynb" if front_page else ""
    about = {"log_name": log_name, "front_page": front_page, "notebook": notebook, "metadata": {"name": name}}
    return exporter.from_notebook_node(book, resources=about)[0]
