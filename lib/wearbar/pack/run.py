"""The notebooks of a pack, each in a process of its own: executed, rendered, written once whole.

The process is copied from one that has imported everything. None outlives the run: not its end,
not Ctrl-C, not the death of its parent.
"""

import multiprocessing
import os
import signal
import sys
import tempfile
import threading
import time
from contextlib import closing, suppress
from multiprocessing.connection import wait
from pathlib import Path

import nbformat

from wearbar.log import places
from wearbar.log.once import STORE
from wearbar.log.sources import is_database, resolved
from wearbar.report.quantities import clean, listing
from wearbar.report.report import NotDone

ADDRESS = "WEARBAR_LOG"
FIRST_PAGE = "index.html"
MADE_FROM = "wearbar_made_from"  # in a notebook's metadata: what it was made from
AT_ONCE = 2
PREPARED = "wearbar.pack.prepared"
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}  # read when numpy is imported


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
    tasks = [
        (path.stem, (path, {"log": address, **given}, mark, *pack)) for path, given, mark in jobs
    ]
    store = tempfile.TemporaryDirectory(dir=folder, ignore_cleanup_errors=True)
    environment |= {STORE: os.environ.get(STORE, store.name)}
    with store, closing(_each(tasks, environment)) as done:
        for n, (name, (fault, seconds)) in enumerate(done, start=1):
            faults |= {name: fault} if fault else {}
            took = f"done in {seconds:.0f} s" if seconds else "kept from the run before"
            tell(f"  {n} of {len(jobs)}  {name}: {'stopped' if fault else took}")
    return faults


def _each(tasks, environment):
    """(name, what `_run` gives) of each task (name, arguments), in a process of its own, as done.

    The processes have `environment` as well, handed over by a pipe. Each holds one end of another
    pipe, and ends once its other end is closed: by leaving this early, or by the system where this
    process is ended. Raises NotDone where one is ended from outside.
    """
    (end, leash), context = multiprocessing.Pipe(duplex=False), _context()
    environment, tasks, running = os.environ | environment, list(tasks), {}
    try:
        while tasks or running:
            while tasks and len(running) < AT_ONCE:
                name, task = tasks.pop(0)
                found, given = multiprocessing.Pipe(duplex=False)
                process = context.Process(target=_work, args=(end, given, environment, task))
                own = dict(os.environ)
                try:
                    os.environ |= ONE_THREAD
                    process.start()
                finally:
                    os.environ.clear()
                    os.environ |= own
                given.close()
                running[found] = name, process
            for found in wait(running, timeout=0.5):  # wakes, so that Windows too hears Ctrl-C
                name, process = running.pop(found)
                try:
                    made = found.recv()
                except EOFError:
                    told = "a report's process was ended from outside (out of memory?)"
                    raise NotDone(f"{told}; nothing was written") from None
                yield name, made
                process.join()
    finally:
        leash.close()
        for _, process in running.values():
            process.join()


def _context():
    """How a report's process comes to be: copied from a prepared one, where the system has that."""
    if sys.platform != "linux":
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([PREPARED])
    return context


def _work(end, given, environment, task):
    """A report's process."""
    os.environ |= environment
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)

    def end_with_its_parent():
        with suppress(EOFError, OSError):
            end.recv()
        os._exit(1)

    threading.Thread(target=end_with_its_parent, daemon=True).start()
    given.send(_run(*task))


def _run(source, parameters, mark, folder, log_name, front_page):
    """Run and render one notebook: (fault or "", seconds, 0 where it was there already)."""
    start = time.monotonic()
    finished, page = folder / "notebooks" / source.name, folder / f"{source.stem}.html"
    try:
        if page.is_file() and mark and _mark(finished) == mark:
            return "", 0.0
        from nbconvert import HTMLExporter

        finished.unlink(missing_ok=True)
        book = execute(source, finished, parameters)
        book.metadata[MADE_FROM] = mark
        how = {"template_name": "report", "exclude_anchor_links": True}
        exporter = HTMLExporter(extra_template_basedirs=[str(places.place("shared"))], **how)
        about = {"log_name": log_name, "front_page": front_page, "metadata": {"name": source.stem}}
        about |= {"notebook": f"notebooks/{source.name}" if front_page else ""}
        made = exporter.from_notebook_node(book, resources=about)[0]
        page.write_text(made, encoding="utf-8")
        running = finished.with_suffix(".running")
        running.write_text(nbformat.writes(book) + "\n", encoding="utf-8")
        os.replace(running, finished)
    except Exception as error:  # of a cell: in one sentence, as the notebook raised it
        said = str(getattr(error, "evalue", "") or error) or type(error).__name__
        kind = getattr(error, "ename", type(error).__name__)
        said = clean(said.strip().splitlines()[0], 400)
        is_sentence = kind in ("NotDone", "LogError")
        return said if is_sentence else f"{said} ({kind})", 0.0
    return "", time.monotonic() - start


def _mark(path):
    """The mark of what an executed notebook was made from; "" where there is none."""
    try:
        return nbformat.read(path, as_version=4).metadata.get(MADE_FROM, "")
    except (OSError, ValueError, nbformat.ValidationError):
        return ""


def execute(source, finished, parameters):
    """The notebook at `source`, run with the parameters; kept beside `finished` where it stops.

    It is without what differs between two runs alike: times, paths, chance ids.
    """
    import papermill

    known = set(papermill.inspect_notebook(str(source)))
    if unknown := sorted(set(parameters) - known):
        raise NotDone(f"its parameters cell has no {listing(unknown, 'or')}")
    kept = finished.with_suffix(".stopped.ipynb")
    how = {"engine_name": "wearbar", "progress_bar": False, "autosave_cell_every": 0}
    how |= {"cwd": str(source.parent)}
    book = papermill.execute_notebook(str(source), str(kept), parameters, **how)
    kept.unlink(missing_ok=True)
    book.metadata.pop("papermill", None)
    for at, cell in enumerate(book.cells):
        cell.metadata.pop("papermill", None)
        cell.metadata.pop("execution", None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell.id = f"injected-{at}"
    return book
