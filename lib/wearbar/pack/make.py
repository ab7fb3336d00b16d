"""A pack of reports: run the notebooks, render them, collect tables and findings, write the first page; all of it or nothing.

The pack is put together in a folder beside its own (`wearbar.pack.folder`) and takes the last one's place once everything is there.
A run that stops leaves the last pack as it was, and the reports it had finished for the next run that makes them from the same.
"""

import json
import shutil
from dataclasses import dataclass
from pathlib import Path

import nbformat

from wearbar.log import places
from wearbar.pack import folder as folders
from wearbar.pack.front import FINDINGS, FIRST_PAGE, findings_of, first_page, write_tables
from wearbar.pack.job import DIFFERS, Job, mark_of
from wearbar.pack.run import MADE_FROM, addressed, run
from wearbar.pack.workers import as_done, workers
from wearbar.report import against
from wearbar.report import report as reports
from wearbar.report.quantities import clean, listing, plural

__all__ = ["NOTEBOOKS", "Pack", "make_pack"]

# in the order in which they are read
NOTEBOOKS = (
    "interval_compliance",
    "consumable_life",
    "severe_use",
    "running_cost",
    "outlook",
    "log_check",
)
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


def make_pack(
    out,
    log="",
    only=(),
    tell=print,
    as_of="",
    site="",
    vehicle=(),
    confidence=0.9,
    units="",
    criterion=0.0,
    since="",
):
    """Run the reports on a log and write the pack into the folder `out`; gives the `Pack`.

    log: folder, workbook or database address, "" the fleet demo. only: names of notebooks, none is all; other reports that the pack at
    `out` has are kept where they are made from the same log, parameters and code. tell: called with each line of progress.
    criterion: see `against.criterion_of`. since: folder of an earlier pack, which may be `out`. The rest: see `reports.check`.
    Raises reports.NotDone, one sentence, where it cannot be done; the pack that stood at `out` is then untouched.
    """
    out, have = _resolved(out), _notebooks()
    names = _wanted(only, have)
    asked = {
        "as_of": as_of,
        "site": site,
        "vehicle": list(vehicle),
        "confidence": confidence,
        "units": units,
    }
    with folders.owned(out) as work:
        tell("Reading the log")
        whole, cut = reports.check(log, **asked)
        own = _own(whole, asked, criterion, since, names)
        parameters = {name: asked | (own if name == against.REPORT else {}) for name in have}
        made_from = _made_from(whole, have, parameters, since)
        kept = _kept(out, names, made_from) if only else []
        address, environment = addressed(log)
        tasks = [
            (
                str(have[name]),
                str(work / "run"),
                {"log": address, **parameters[name]},
                clean(whole.name),
                mark_of(made_from[name]),
            )
            for name in names
        ]
        _run_all(tasks, environment, tell)
        made_from = {name: made_from[name] for name in have if name in (*names, *kept)}
        _gather(work, out, kept, made_from)
        told = asked | {key: value for key, value in own.items() if key != "since"}
        _write_front(work / "new", made_from, whole, cut, told)
        for name, there in folders.put_in_place(work, out):
            tell(f"Your own {name} is now {there}: the pack has a file of that name")
        shutil.rmtree(work / "run")
    return Pack(out, tuple(made_from), int(whole.ledger["set_aside"].sum()))


def _resolved(out):
    try:
        return Path(out).resolve()
    except RuntimeError:  # a link to itself
        raise reports.NotDone(
            f"{out} is a link that leads back to itself; give --out another folder"
        ) from None


def _notebooks():
    """Name to path of each notebook that there is, in reading order."""
    have = {p.stem: p for p in places.place("notebooks").glob("*.ipynb")}
    return {
        name: have[name]
        for name in [*NOTEBOOKS, *sorted(set(have) - set(NOTEBOOKS))]
        if name in have
    }


def _wanted(only, have):
    """Names of the notebooks to run, in reading order."""
    wanted = [Path(name).stem for name in only] or [name for name in NOTEBOOKS if name in have]
    lost = [name for name in wanted if name not in have]
    if lost:
        raise reports.NotDone(
            f"there is no notebook {listing(lost, 'or')}; the notebooks are {listing(sorted(have), most=99)}"
        )
    return [name for name in have if name in wanted]


def _own(whole, asked, criterion, since, names):
    """The parameters of the one report that sets the log against something; checked before anything is run."""
    own = {
        "criterion": against.criterion_of(criterion),
        "since": str(Path(since).absolute()) if since else "",
    }
    against.earlier_pack(since, whole, asked)
    own = {key: value for key, value in own.items() if value}
    if own and against.REPORT not in names:
        raise reports.NotDone(
            f"{listing(own)} is for {against.REPORT} alone; leave it out, or name that report with --only"
        )
    return own


def _made_from(whole, have, parameters, since):
    """Name to what each report would be made from."""
    job, earlier = Job.of(whole), {against.REPORT: against.fingerprint(since)}
    return {
        name: job.made_from(have[name], parameters[name] | {"earlier": earlier.get(name, "")})
        for name in have
    }


def _kept(out, names, made_from):
    """Names of the other reports that the pack at `out` has. Raises NotDone where one of them can't stand beside the new ones."""
    manifest = folders.read_manifest(out) or {"reports": {}}
    kept = [name for name in manifest["reports"] if name not in names]
    advice = "run all reports without --only, or give --out another folder"
    for name in kept:
        if differs := _differs(manifest["reports"][name], made_from.get(name)):
            raise reports.NotDone(
                f"{out} also holds {listing(kept, most=3)}, made from {differs}; {advice}"
            )
        changed = [file for file in _files(name) if not folders.is_as_written(out, manifest, file)]
        if changed:
            raise reports.NotDone(
                f"{out / changed[0]} is not as it was written, so it can't be kept in the new pack; {advice}"
            )
    return kept


def _differs(was, now):
    """In what a report of a pack was made from something else than it would be now, in words; "" where it was not."""
    if not now:
        return "a notebook that is no longer there"
    return next(
        (
            word
            for key, word in DIFFERS.items()
            if not isinstance(was, dict) or was.get(key) != now[key]
        ),
        "",
    )


def _files(name):
    """What a report has in a pack, but for its tables, which are in its notebook."""
    return f"{name}.html", f"notebooks/{name}.ipynb"


def _run_all(tasks, environment, tell):
    """Run the notebooks side by side. tasks: the arguments of `run`, one tuple a notebook."""
    tell(
        f"Running {plural(len(tasks), 'report')}, {WORKERS} at a time"
        if len(tasks) > 1
        else "Running 1 report"
    )
    folder, failed = Path(tasks[0][1]), {}
    (folder / "notebooks").mkdir(parents=True, exist_ok=True)
    with workers(WORKERS, environment) as pool:
        running = {pool.submit(run, *task): Path(task[0]).stem for task in tasks}
        for done, future in enumerate(as_done(running), start=1):
            name, (fault, seconds) = running[future], future.result()
            failed |= {name: fault} if fault else {}
            how = (
                "stopped"
                if fault
                else f"done in {seconds:.0f} s"
                if seconds
                else "kept from the run before"
            )
            tell(f"  {done} of {len(tasks)}  {name}: {how}")
    if failed:
        told = "; ".join(f"{name} stopped: {fault}" for name, fault in sorted(failed.items()))
        raise reports.NotDone(
            f"{told}. No pack was written; the notebook as far as it ran is in {folder / 'notebooks'}"
        )


def _gather(work, out, kept, made_from):
    """Put the reports of one pack together in `work / "new"`: those of this run, and those kept from the last pack."""
    new = work / "new"
    shutil.rmtree(new, ignore_errors=True)
    (new / "notebooks").mkdir(parents=True)
    for name in made_from:
        for file in _files(name):
            shutil.copyfile((out if name in kept else work / "run") / file, new / file)


def _write_front(new, made_from, whole, cut, asked):
    """Collect what the reports found, and write tables, findings, first page and the list of files."""
    books = {
        name: nbformat.read(new / "notebooks" / f"{name}.ipynb", as_version=4) for name in made_from
    }
    strange = [
        name
        for name, book in books.items()
        if book.metadata.get(MADE_FROM) != mark_of(made_from[name])
    ]
    if strange:
        raise reports.NotDone(
            f"{listing(strange)} was written over by another run; run the same command again"
        )
    findings = findings_of(books, whole, asked)
    write_tables(books, new / "tables")
    (new / FINDINGS).write_text(
        json.dumps(findings, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n",
        encoding="utf-8",
    )
    (new / FIRST_PAGE).write_text(first_page(books, findings, whole, cut, new), encoding="utf-8")
    folders.write_manifest(new, made_from)
