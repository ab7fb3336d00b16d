"""The notebooks of a pack, each in a process of its own: executed, rendered, written once whole.

No process outlives the run: not its end, not Ctrl-C, not the death of its parent.
"""

import multiprocessing
import os
import threading
import time
import warnings
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from pathlib import Path

import nbformat

from wearbar.log import places
from wearbar.log.sources import is_database, resolved
from wearbar.report.quantities import clean, listing
from wearbar.report.report import NotDone

ADDRESS = "WEARBAR_LOG"
FIRST_PAGE = "index.html"
MADE_FROM = "wearbar_made_from"  # in a notebook's metadata: what it was made from
AT_ONCE = 2
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}  # for a kernel's algebra


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


def run_all(jobs, log, folder, log_name, front_page="", tell=lambda line: None):
    """Run notebooks side by side; gives name to fault of those that stopped, in a sentence.

    jobs: (path, parameters, mark of what it is made from) of each. log: its address. folder: where
    the pages go, and the notebooks in `notebooks`. front_page: of the pack; "" for a page alone,
    which links to nothing. tell: called with each line of progress.
    """
    faults, pack, (address, environment) = {}, (folder, log_name, front_page), addressed(log)
    (folder / "notebooks").mkdir(parents=True, exist_ok=True)
    with _workers(min(AT_ONCE, len(jobs)), environment) as pool:
        running = {
            pool.submit(_run, path, {"log": address, **given}, mark, *pack): path.stem
            for path, given, mark in jobs
        }
        for n, future in enumerate(_as_done(running), start=1):
            name, (fault, seconds) = running[future], future.result()
            faults |= {name: fault} if fault else {}
            done = f"done in {seconds:.0f} s" if seconds else "kept from the run before"
            tell(f"  {n} of {len(jobs)}  {name}: {'stopped' if fault else done}")
    return faults


def _run(source, parameters, mark, folder, log_name, front_page):
    """Run and render one notebook: (fault or "", seconds, 0 where it was there already)."""
    start = time.monotonic()
    finished, page = folder / "notebooks" / source.name, folder / f"{source.stem}.html"
    try:
        if page.is_file() and mark and _mark(finished) == mark:
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


def _mark(path):
    """The mark of what an executed notebook was made from; "" where there is none."""
    try:
        return nbformat.read(path, as_version=4).metadata.get(MADE_FROM, "")
    except (OSError, ValueError, nbformat.ValidationError):
        return ""


def execute(source, finished, parameters):
    """The notebook at `source`, run with the parameters; kept beside `finished` where it stops."""
    import papermill

    known = set(papermill.inspect_notebook(str(source)))
    if unknown := sorted(set(parameters) - known):
        raise NotDone(f"its parameters cell has no {listing(unknown, 'or')}")
    kept = finished.with_suffix(".stopped.ipynb")
    how = {"kernel_name": "python3", "progress_bar": False, "autosave_cell_every": 0}
    with warnings.catch_warnings(action="ignore"):
        book = papermill.execute_notebook(
            str(source), str(kept), parameters, cwd=str(source.parent), **how
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

    shared = [str(places.place("shared"))]
    exporter = HTMLExporter(
        template_name="report", extra_template_basedirs=shared, exclude_anchor_links=True
    )
    about = {"log_name": log_name, "front_page": front_page, "metadata": {"name": name}}
    about |= {"notebook": f"notebooks/{name}.ipynb" if front_page else ""}
    return exporter.from_notebook_node(book, resources=about)[0]


@contextmanager
def _workers(n, environment):
    """A pool of `n` processes that have `environment` as well, handed over by a pipe.

    Each holds one end of a pipe and ends, with the kernel it started, once the other end is closed:
    by leaving this block early, or by the system where this process is ended. Raises NotDone where
    a worker is ended from outside.
    """
    end, leash = multiprocessing.Pipe(duplex=False)
    pool = ProcessPoolExecutor(n, multiprocessing.get_context("spawn"), _begin, (end, environment))
    try:
        yield pool
        pool.shutdown()
    except BrokenProcessPool:
        told = "a report's process was ended from outside (out of memory?); nothing was written"
        raise NotDone(told) from None
    finally:
        leash.close()
        pool.shutdown(cancel_futures=True)


def _as_done(futures):
    """The futures as they finish. Between two it wakes, so that Ctrl-C is heard on Windows too."""
    waiting = set(futures)
    while waiting:
        done, waiting = wait(waiting, timeout=0.5, return_when=FIRST_COMPLETED)
        yield from done


def _begin(end, environment):
    """Make a worker. Its kernel's word that it talks by TCP is no news on one machine: unheard."""
    os.environ |= ONE_THREAD | environment
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    threading.Thread(target=_end_with, args=(end,), daemon=True).start()


def _end_with(end):
    import psutil

    with suppress(EOFError, OSError):
        end.recv()
    for _ in range(2):  # a kernel that was being started during the first round ends in the second
        for kernel in psutil.Process().children(recursive=True):
            with suppress(psutil.Error):
                kernel.kill()
    os._exit(1)
