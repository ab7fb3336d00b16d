"""The notebooks of a pack, each in a process of its own: executed, rendered, written once whole.
The process is copied from one that has imported everything and read the log. None outlives the run:
not its end, not Ctrl-C, not the death of its parent."""

import multiprocessing
import os
import signal
import sys
import tempfile
import threading
import time
from contextlib import closing, suppress
from importlib import import_module
from multiprocessing.connection import wait
from pathlib import Path

import nbformat

from wearbar.log.once import STORE
from wearbar.log.sources import is_database, resolved
from wearbar.pack import ONE_THREAD
from wearbar.report.quantities import clean, listing
from wearbar.report.report import READ, NotDone, check

ADDRESS = "WEARBAR_LOG"
FIRST_PAGE = "index.html"
MADE_FROM = "wearbar_made_from"  # in a notebook's metadata: what it was made from
PREPARED = "wearbar.pack.prepared"
IMPORTED = "papermill"  # with it, the rest of what reports need
MOST_ROWS = 100_000  # of a log of more, what all need is not sent from one process to another


def addressed(log):
    """What a notebook is told of a log: (its parameter `log`, the environment that goes with it). A
    path is made good from any working directory. A database's address may hold a password, which is
    to stand in no file: it goes by the environment, with the folder of its log.toml and plan."""
    address, folder = resolved(log)
    text = str(address)
    if text.startswith("sqlite:///"):
        text = f"sqlite:///{Path(text.removeprefix('sqlite:///')).absolute()}"
    if text and is_database(text):
        return f"env:{ADDRESS}", {ADDRESS: text, f"{ADDRESS}_FOLDER": str(folder)}
    return text and str(Path(text).absolute()), {}


def run_tasks(tasks, workers, environment, folder, first, tell, whole):
    """Run tasks, each in a process of its own, `workers` at once; gives name to fault of those that
    stopped, in a sentence.

    tasks: (name, function, arguments); the function gives whether it had anything to do. folder:
    for what they keep. first: address, as_of and (function, further arguments) of what all need of
    the log, done in the one process that they are copied from, where the system has that: this one,
    if it is prepared, which has the log as `whole`; a text that one gives is told at once. The
    first of them, or (), is done in another meanwhile, and kept by `log.once`. tell: called with
    each line of progress.
    """
    if workers < 1:
        raise NotDone(f"workers is {workers}; give how many notebooks may run at once, from 1")
    folder.mkdir(exist_ok=True)
    faults, n_all = {}, len(tasks)
    store = tempfile.TemporaryDirectory(dir=folder, ignore_cleanup_errors=True)
    environment |= {STORE: os.environ.get(STORE, store.name)}
    if PREPARED in sys.modules:
        run = _copied(tasks, workers, first, environment, whole)
    elif sys.platform == "linux":
        run = _each([("", _copied, (tasks, workers, first))], 1, environment)
    else:
        run = _each(tasks, workers, environment)
    with store, closing(run) as done:
        n = 0
        for made in done:
            if isinstance(made, str):
                tell(made)
                continue
            n, (name, fault, seconds) = n + 1, made
            if not name:
                raise NotDone(f"the process of all reports stopped: {fault}; nothing was written")
            faults |= {name: fault} if fault else {}
            took = f"done in {seconds:.0f} s" if seconds else "kept from the run before"
            tell(f"  {n} of {n_all}  {name}: {'stopped' if fault else took}")
    return faults


def _copied(tasks, workers, first, environment=None, whole=None):
    """As `_each`, in copies of this process, which holds or reads the log and what all need."""
    prepared, environment = import_module(PREPARED), environment or {}
    with suppress(Exception):  # what is wrong stops the tasks that need it, which say so
        address, as_of, beside, *asked = first
        READ[address, as_of] = whole = whole or check(address, as_of)[0]
        told, n_rows = _needed(whole, asked), whole.ledger["used"].sum()
        if IMPORTED not in sys.modules and n_rows <= MOST_ROWS:
            told = _each(_while_it_imports(("", _needed, (whole, asked))), 2, environment)
        for made in told:
            if isinstance(made, str):
                yield made
            else:
                whole._kept.update(made)
        if beside and workers > 1:
            tasks = [("", _done_beside, (whole, beside)), *tasks]
    prepared.complete()
    prepared.keep()
    yield from _each(tasks, workers, environment)


def _while_it_imports(task):
    """The task, and once it is on its way the rest of what reports import, in this process."""
    yield task
    import_module(PREPARED).complete()


def _needed(whole, asked):
    """The texts that the functions give, and then what the log keeps of what they worked out."""
    for function, *further in asked:
        if isinstance(said := function(whole, *further), str):
            yield said
    yield whole._kept


def _done_beside(whole, asked):
    with suppress(Exception):  # as above
        function, *further = asked
        function(whole, *further)
    return ()


def _each(tasks, workers, environment):
    """What the tasks of `run_tasks` give, as it comes; of one whose process is ended, that it was.
    Each process holds one end of a pipe, and ends once its other end is closed: by leaving this
    early, or by the system where this process is ended."""
    (end, leash), context = multiprocessing.Pipe(duplex=False), _context()
    environment, tasks, running = os.environ | environment, iter(tasks), {}
    try:
        while True:
            while len(running) < workers and (task := next(tasks, None)):
                name, *task = task
                found, given = multiprocessing.Pipe(duplex=False)
                held = end, leash, given, environment
                process = context.Process(target=_work, args=(*held, name, *task))
                own = dict(os.environ)
                try:
                    os.environ |= ONE_THREAD
                    process.start()
                finally:
                    os.environ.clear()
                    os.environ |= own
                given.close()
                running[found] = name, process
            if not running:
                return
            for found in wait(running, timeout=0.5):  # wakes, so that Windows too hears Ctrl-C
                try:
                    made = [found.recv()]
                except EOFError:
                    name, process = running.pop(found)
                    process.join()
                    ended = "its process was ended from outside (out of memory?)"
                    made = [(name, ended, 0.0)] if process.exitcode else []
                yield from made
    finally:
        leash.close()
        for found, (_, process) in running.items():
            with suppress(EOFError, OSError):
                while True:  # until it has ended, and those copied from it, which hold the pipe too
                    found.recv()
            process.join()


def _context():
    """How a report's process comes to be: copied from a prepared one, where the system has that."""
    if sys.platform != "linux":
        return multiprocessing.get_context("spawn")
    if PREPARED in sys.modules:
        return multiprocessing.get_context("fork")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["wearbar.pack.ready"])
    return context


def _work(end, leash, given, environment, name, run, arguments):
    """The process of a task, or of `_copied`, which has no name of its own."""
    leash.close()  # which a copy of the process that began this holds as well
    os.environ |= environment
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for sign in {"SIGTERM", "SIGHUP"} & {*dir(signal)}:  # the command it is copied from heeds them
        signal.signal(getattr(signal, sign), signal.SIG_DFL)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)

    def end_with_its_parent():
        with suppress(EOFError, OSError):
            end.recv()
        os._exit(1)

    threading.Thread(target=end_with_its_parent, daemon=True).start()
    for made in run(*arguments) if not name else [_done(name, run, arguments)]:
        given.send(made)


def _done(name, run, arguments):
    """(name, fault or "", seconds, 0 where nothing was to do) of a task. A fault is one sentence:
    of a cell's error, as the notebook raised it."""
    start = time.monotonic()
    try:
        return name, "", time.monotonic() - start if run(*arguments) else 0.0
    except Exception as error:
        said = str(getattr(error, "evalue", "") or error) or type(error).__name__
        kind = getattr(error, "ename", type(error).__name__)
        said = clean(said.strip().splitlines()[0], 400)
        return name, said if kind in ("NotDone", "LogError") else f"{said} ({kind})", 0.0


def report(source, parameters, mark, folder, log_name):
    """Run and render one notebook, unless it is in `folder` with this mark of what it is made
    from; gives whether it ran."""
    finished, page = folder / "notebooks" / source.name, folder / f"{source.stem}.html"
    if page.is_file():
        with suppress(OSError, ValueError, nbformat.ValidationError):
            if nbformat.read(finished, as_version=4).metadata.get(MADE_FROM) == mark:
                return False
    from wearbar.pack.page import page as page_of

    finished.unlink(missing_ok=True)
    book = execute(source, finished, parameters)
    book.metadata[MADE_FROM] = mark
    about = {"log_name": log_name, "front_page": FIRST_PAGE, "name": source.stem}
    made = page_of(book, **about, notebook=f"notebooks/{source.name}")
    page.write_text(made, encoding="utf-8")
    running = finished.with_suffix(".running")
    running.write_text(nbformat.writes(book) + "\n", encoding="utf-8")
    os.replace(running, finished)
    return True


def execute(source, finished, parameters):
    """The notebook at `source`, run with the parameters; kept beside `finished` where it stops. It
    is without what differs between two runs alike: times, paths, chance ids."""
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
