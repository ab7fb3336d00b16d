"""A pack of reports: run the notebooks, render them, collect tables and findings, write the first page; all of it or nothing.

The work goes into a folder beside the pack (`<out>.partial`) that takes the pack's place in one rename once everything is there. A run that
stops leaves the last pack as it was, and the notebooks it had finished for the next run with the same job.
"""

import hashlib
import json
import multiprocessing
import shutil
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path

import nbformat

from wearbar import against, places, reports
from wearbar.pack.front import FINDINGS, FIRST_PAGE, findings_of, first_page, write_tables
from wearbar.pack.run import quiet, run
from wearbar.wording.common import clean, listing, plural

__all__ = ["NOTEBOOKS", "Pack", "address", "make_pack"]

# in the order in which they are read
NOTEBOOKS = ("interval_compliance", "consumable_life", "severe_use", "running_cost", "outlook", "log_check")
JOB = "job.json"
WORKERS = 2


@dataclass(frozen=True)
class Pack:
    """A pack that has been written: its folder, its reports, and how many rows of the log were set aside."""

    folder: Path
    names: tuple
    set_aside: int

    @property
    def first_page(self):
        """The address of the first page, for a browser."""
        return (self.folder / FIRST_PAGE).resolve().as_uri()


def make_pack(out, log="", only=(), tell=print, as_of="", site="", vehicle=(), confidence=0.9, units="", criterion=0.0, since=""):
    """Run the reports on a log and write the pack into the folder `out`; gives the `Pack`.

    log: folder, workbook or database address, "" the fleet demo. only: names of notebooks, none is all. tell: called with each line of
    progress. criterion: see `against.criterion_of`. since: folder of an earlier pack, which may be `out`. The rest: see `reports.check`.
    Raises reports.NotDone, one sentence, where it cannot be done; the pack that stood at `out` is then untouched.
    """
    out, sources = Path(out).resolve(), _sources(only)
    _mend(out)
    tell("Reading the log")
    asked = {"as_of": as_of, "site": site, "vehicle": list(vehicle), "confidence": confidence, "units": units}
    whole, cut = reports.check(log, **asked)
    own = _own(whole, asked, criterion, since, sources)
    given = {"log": address(log), **asked}
    partial = _open_partial(out, _job(whole, sources, {**given, **own, "earlier": against.fingerprint(since)}))
    asked |= {key: value for key, value in own.items() if key != "since"}
    _run_all(sources, partial, (given, own), clean(whole.name), tell)
    books = {name: nbformat.read(partial / "notebooks" / f"{name}.ipynb", as_version=4) for name in sources}
    findings = findings_of(books, whole, asked)
    write_tables(books, partial / "tables")
    (partial / FINDINGS).write_text(
        json.dumps(findings, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8"
    )
    (partial / FIRST_PAGE).write_text(first_page(books, findings, whole, cut, partial), encoding="utf-8")
    (partial / JOB).unlink()
    _swap(partial, out)
    return Pack(out, tuple(sources), int(whole.ledger["set_aside"].sum()))


def _sources(only):
    """Name to path of each notebook to run, in reading order."""
    have = {p.stem: p for p in places.place("notebooks").glob("*.ipynb")}
    wanted = [Path(name).stem for name in only] or [name for name in NOTEBOOKS if name in have]
    lost = [name for name in wanted if name not in have]
    if lost:
        raise reports.NotDone(f"there is no notebook {listing(lost, 'or')}; the notebooks are {listing(sorted(have), most=99)}")
    order = [*NOTEBOOKS, *sorted(set(have) - set(NOTEBOOKS))]
    return {name: have[name] for name in sorted(set(wanted), key=order.index)}


def address(log):
    """The log's address, good from any working directory."""
    text = str(log)
    if text.startswith("sqlite:///"):
        return f"sqlite:///{Path(text.removeprefix('sqlite:///')).absolute()}"
    return text if not text or "://" in text else str(Path(text).absolute())


def _job(whole, sources, parameters):
    """What a finished notebook hangs on: if this is the same, an interrupted run's notebooks can be used."""
    code = hashlib.sha256()
    for path in sorted([*Path(__file__).parent.parent.rglob("*.py"), *places.place("shared").rglob("*.*"), *sources.values()]):
        code.update(path.read_bytes())
    asked = hashlib.sha256(json.dumps(parameters, sort_keys=True).encode()).hexdigest()
    return {
        "parameters": asked,
        "log": whole.sha256,
        "as_of": f"{whole.as_of:%Y-%m-%d}",
        "code": code.hexdigest(),
        "versions": reports.versions(),
    }


def _is_pack(folder):
    return (folder / FINDINGS).is_file() and (folder / FIRST_PAGE).is_file()


def _old(out):
    return out.with_name(f"{out.name}.old")


def _mend(out):
    """Put back the last pack if a run died between the two renames; refuse a folder that holds anything but a pack."""
    if not out.exists() and _is_pack(_old(out)):
        _old(out).rename(out)
    if out.is_file() or (out.is_dir() and any(out.iterdir()) and not _is_pack(out)):
        raise reports.NotDone(f"{out} holds something that is no pack of reports; give --out another folder")


def _open_partial(out, job):
    partial = out.with_name(f"{out.name}.partial")
    kept = partial / JOB
    if partial.exists() and (not kept.is_file() or json.loads(kept.read_text(encoding="utf-8")) != job):
        if not kept.is_file() and any(partial.iterdir()):
            raise reports.NotDone(f"{partial} is in the way of the work and is not this program's; move it or give --out another folder")
        shutil.rmtree(partial)
    (partial / "notebooks").mkdir(parents=True, exist_ok=True)
    kept.write_text(json.dumps(job), encoding="utf-8")
    return partial


def _swap(partial, out):
    """Put the finished folder in the pack's place."""
    shutil.rmtree(_old(out), ignore_errors=True)
    if out.exists():
        out.rename(_old(out))
    partial.rename(out)
    shutil.rmtree(_old(out), ignore_errors=True)


def _own(whole, asked, criterion, since, sources):
    """The parameters of the one report that sets the log against something; checked before anything is run."""
    own = {"criterion": against.criterion_of(criterion), "since": str(Path(since).absolute()) if since else ""}
    against.earlier_pack(since, whole, asked)
    own = {key: value for key, value in own.items() if value}
    if own and against.REPORT not in sources:
        raise reports.NotDone(f"{listing(own)} is for {against.REPORT} alone; leave it out, or name that report with --only")
    return own


def _run_all(sources, partial, parameters, log_name, tell):
    """Run the notebooks side by side; parameters: of all, and those of `against.REPORT` alone."""
    given, own = parameters
    each = {name: given | (own if name == against.REPORT else {}) for name in sources}
    tell(f"Running {plural(len(sources), 'report')}, {WORKERS} at a time" if len(sources) > 1 else "Running 1 report")
    failed, done = {}, 0
    with ProcessPoolExecutor(WORKERS, multiprocessing.get_context("spawn"), quiet) as pool:
        running = {pool.submit(run, str(source), str(partial), each[name], log_name): name for name, source in sources.items()}
        try:
            for future in as_completed(running):
                name, done = running[future], done + 1
                fault, seconds = future.result()
                failed |= {name: fault} if fault else {}
                how = "stopped" if fault else f"done in {seconds:.0f} s" if seconds else "kept from the run before"
                tell(f"  {done} of {len(sources)}  {name}: {how}")
        except BrokenProcessPool:
            raise reports.NotDone("a report's process was ended from outside (out of memory?); nothing was written") from None
        finally:
            pool.shutdown(cancel_futures=True)
    if failed:
        told = "; ".join(f"{name} stopped: {fault}" for name, fault in sorted(failed.items()))
        raise reports.NotDone(f"{told}. No pack was written; the notebook as far as it ran is in {partial / 'notebooks'}")
