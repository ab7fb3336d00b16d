"""One notebook of a pack, in a process of its own: executed, rendered, written once it is whole."""

import os
import time
import warnings
from pathlib import Path

import nbformat

from wearbar.log import places
from wearbar.log.sources import is_database, resolved
from wearbar.pack.front import FIRST_PAGE
from wearbar.report import report as reports
from wearbar.report.quantities import clean, listing

__all__ = ["ADDRESS", "MADE_FROM", "addressed", "execute", "made_from", "run"]

ADDRESS = "WEARBAR_LOG"
MADE_FROM = "wearbar_made_from"  # in a notebook's metadata: what it was made from


def addressed(log):
    """What a notebook is told of a log: (its parameter `log`, the environment that goes with it).

    A path is made good from any working directory. A database's address may hold a password, which
    is to stand in no file: it goes by the environment, with the folder of its log.toml and plan.
    """
    address, folder = resolved(log)
    text = str(address)
    if text.startswith("sqlite:///"):
        text = f"sqlite:///{Path(text.removeprefix('sqlite:///')).absolute()}"
    if text and is_database(text):
        return f"env:{ADDRESS}", {ADDRESS: text, f"{ADDRESS}_FOLDER": str(folder)}
    return text and str(Path(text).absolute()), {}


def run(source, folder, parameters, log_name, mark, front_page=FIRST_PAGE):
    """In a process of its own: run and render one notebook. Gives (fault in a sentence or "", seconds, 0 where it was there already).

    folder: where its page goes, and the notebook in `notebooks`. mark: of what it is made from, kept in the notebook.
    front_page: of the pack that the page is in; "" for a page alone, which then links to nothing.
    """
    source, folder, start = Path(source), Path(folder), time.monotonic()
    finished, page = folder / "notebooks" / source.name, folder / f"{source.stem}.html"
    try:
        if page.is_file() and made_from(finished) == mark:
            return "", 0.0
        finished.unlink(missing_ok=True)
        book = execute(source, finished, parameters)
        book.metadata[MADE_FROM] = mark
        page.write_text(_render(book, source.stem, log_name, front_page), encoding="utf-8")
        running = finished.with_suffix(".running")
        running.write_text(nbformat.writes(book) + "\n", encoding="utf-8")
        os.replace(running, finished)
    except Exception as error:
        return _fault(error), 0.0
    return "", time.monotonic() - start


def made_from(path):
    """The mark of what an executed notebook was made from; "" where there is none."""
    try:
        return nbformat.read(path, as_version=4).metadata.get(MADE_FROM, "")
    except (OSError, ValueError, nbformat.ValidationError):
        return ""


def execute(source, finished, parameters):
    import papermill

    known = set(papermill.inspect_notebook(str(source)))
    if unknown := sorted(set(parameters) - known):
        raise reports.NotDone(f"its parameters cell has no {listing(unknown, 'or')}")
    kept = finished.with_suffix(".stopped.ipynb")
    with warnings.catch_warnings(action="ignore"):
        book = papermill.execute_notebook(
            str(source),
            str(kept),
            parameters,
            kernel_name="python3",
            cwd=str(source.parent),
            progress_bar=False,
            autosave_cell_every=0,
        )
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


def _fault(error):
    """One sentence, from the error as the notebook raised it."""
    said = str(getattr(error, "evalue", "") or error) or type(error).__name__
    kind = getattr(error, "ename", type(error).__name__)
    said = clean(said.strip().splitlines()[0], 400)
    return said if kind in ("NotDone", "LogError", "PlanError") else f"{said} ({kind})"


def _render(book, name, log_name, front_page):
    from nbconvert import HTMLExporter

    exporter = HTMLExporter(
        template_name="report",
        extra_template_basedirs=[str(places.place("shared"))],
        exclude_anchor_links=True,
    )
    notebook = f"notebooks/{name}.ipynb" if front_page else ""
    about = {
        "log_name": log_name,
        "front_page": front_page,
        "notebook": notebook,
        "metadata": {"name": name},
    }
    return exporter.from_notebook_node(book, resources=about)[0]
