"""A pack of reports: run the notebooks, collect what they found, write the first page.

All of it or nothing: the pack is put together in a folder beside its own (`wearbar.pack.folder`)
and takes the last one's place once everything is there. A run that stops leaves the last pack as it
was, and the reports it had finished for the next run that makes them from the same.
"""

import json
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

import nbformat

from wearbar.log import places
from wearbar.pack import folder as folders
from wearbar.pack.front import findings_of, first_page, write_tables
from wearbar.pack.kept import files_of, kept_from, made_from, mark_of
from wearbar.pack.run import AT_ONCE, FIRST_PAGE, MADE_FROM, run_all
from wearbar.report import against
from wearbar.report import report as reports
from wearbar.report.quantities import clean, listing, plural

# in the order in which they are read
NOTEBOOKS = (
    "interval_compliance",
    "consumable_life",
    "severe_use",
    "running_cost",
    "outlook",
    "log_check",
)


@dataclass(frozen=True)
class Pack:
    """A pack that has been written: its folder, and how many rows of the log were set aside."""

    folder: Path
    set_aside: int

    @property
    def first_page(self):
        """The address of the first page, for a browser."""
        return (self.folder / FIRST_PAGE).resolve().as_uri()


def make_pack(out, log="", only=(), tell=print, criterion=0.0, since="", **parameters):
    """Run the reports on a log and write the pack into the folder `out`; gives the `Pack`.

    log: folder, workbook or database address, "" the fleet demo. only: names of notebooks, none is
    all; other reports that the pack at `out` has are kept where they are made from the same log,
    parameters and code. tell: called with each line of progress. criterion: see
    `against.criterion_of`. since: folder of an earlier pack, which may be `out`. parameters: as_of,
    site, vehicle, confidence, units of `reports.check`.
    Raises reports.NotDone, one sentence, where it cannot be done; the pack that stood at `out` is
    then untouched.
    """
    out, have, asked = _resolved(out), _notebooks(), reports.asked_for(**parameters)
    names = _wanted(only, have)
    with folders.owned(out) as work:
        tell("Reading the log")
        whole, cut = reports.check(log, **asked)
        own = _own(whole, asked, criterion, since, names)
        given = {name: asked | (own if name == against.REPORT else {}) for name in have}
        earlier = {against.REPORT: against.fingerprint(since)}
        told = {name: given[name] | {"earlier": earlier.get(name, "")} for name in have}
        made = made_from(whole, have, told)
        kept = kept_from(out, names, made) if only else []
        jobs = [(have[name], given[name], mark_of(made[name])) for name in names]
        _run(jobs, log, work / "run", clean(whole.name), tell)
        made = {name: made[name] for name in have if name in (*names, *kept)}
        _gather(work, out, kept, made)
        own.pop("since", None)
        _write_front(work / "new", made, whole, cut, asked | own)
        for name, there in folders.put_in_place(work, out):
            tell(f"Your own {name} is now {there}: the pack has a file of that name")
        shutil.rmtree(work / "run")
    return Pack(out, int(whole.ledger["set_aside"].sum()))


def make_page(name, out, log="", **parameters):
    """Run one notebook on a log and write its page, self-contained, to the file `out`.

    Gives how many rows of the log were set aside. parameters: see `make_pack`. Raises
    reports.NotDone, one sentence, where it cannot be done; a file at `out` is then untouched.
    """
    out, asked = Path(out).absolute(), reports.asked_for(**parameters)
    if out.is_dir() or not out.parent.is_dir():
        what = "is a folder" if out.is_dir() else "is in no folder that there is"
        raise reports.NotDone(f"{out} {what}; give --out the name of a file")
    whole, _ = reports.check(log, **asked)
    source = places.place("notebooks", f"{name}.ipynb")
    with tempfile.TemporaryDirectory(dir=out.parent, prefix=".wearbar-") as folder:
        if faults := run_all([(source, asked, "")], log, Path(folder), clean(whole.name)):
            raise reports.NotDone(f"{name} stopped: {faults[name]}. No page was written")
        (Path(folder) / f"{name}.html").replace(out)
    return int(whole.ledger["set_aside"].sum())


def _resolved(out):
    try:
        return Path(out).resolve()
    except RuntimeError:  # a link to itself
        told = "is a link that leads back to itself; give --out another folder"
        raise reports.NotDone(f"{out} {told}") from None


def _notebooks():
    """Name to path of each notebook that there is, in reading order."""
    have = {p.stem: p for p in sorted(places.place("notebooks").glob("*.ipynb"))}
    ordered = dict.fromkeys([*NOTEBOOKS, *have])
    return {name: have[name] for name in ordered if name in have}


def _wanted(only, have):
    """Names of the notebooks to run, in reading order."""
    wanted = [Path(name).stem for name in only] or [name for name in NOTEBOOKS if name in have]
    lost = [name for name in wanted if name not in have]
    if lost:
        known = f"the notebooks are {listing(sorted(have), most=99)}"
        raise reports.NotDone(f"there is no notebook {listing(lost, 'or')}; {known}")
    return [name for name in have if name in wanted]


def _own(whole, asked, criterion, since, names):
    """The parameters of the one report that compares; checked before anything is run."""
    own = {"criterion": against.criterion_of(criterion)}
    own |= {"since": str(Path(since).absolute()) if since else ""}
    against.earlier_pack(since, whole, asked)
    own = {key: value for key, value in own.items() if value}
    if own and against.REPORT not in names:
        advice = "leave it out, or name that report with --only"
        raise reports.NotDone(f"{listing(own)} is for {against.REPORT} alone; {advice}")
    return own


def _run(jobs, log, folder, log_name, tell):
    side = f", {AT_ONCE} at a time" if len(jobs) > 1 else ""
    tell(f"Running {plural(len(jobs), 'report')}{side}")
    if faults := run_all(jobs, log, folder, log_name, FIRST_PAGE, tell):
        told = "; ".join(f"{name} stopped: {fault}" for name, fault in sorted(faults.items()))
        kept = f"the notebook as far as it ran is in {folder / 'notebooks'}"
        raise reports.NotDone(f"{told}. No pack was written; {kept}")


def _gather(work, out, kept, made):
    """Put the reports of one pack together in `work / "new"`: of this run, and of the last pack."""
    new = work / "new"
    shutil.rmtree(new, ignore_errors=True)
    (new / "notebooks").mkdir(parents=True)
    for name in made:
        for file in files_of(name):
            shutil.copyfile((out if name in kept else work / "run") / file, new / file)


def _write_front(new, made, whole, cut, asked):
    """Write what the reports found: tables, findings, the first page and the list of files."""
    paths = {name: new / "notebooks" / f"{name}.ipynb" for name in made}
    books = {name: nbformat.read(path, as_version=4) for name, path in paths.items()}
    marks = {name: book.metadata.get(MADE_FROM) for name, book in books.items()}
    strange = [name for name, mark in marks.items() if mark != mark_of(made[name])]
    if strange:
        told = "was written over by another run; run the same command again"
        raise reports.NotDone(f"{listing(strange)} {told}")
    findings = findings_of(books, whole, asked)
    write_tables(books, new / "tables")
    text = json.dumps(findings, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    (new / against.FINDINGS).write_text(text + "\n", encoding="utf-8")
    (new / FIRST_PAGE).write_text(first_page(books, findings, whole, cut), encoding="utf-8")
    folders.write_manifest(new, made)
