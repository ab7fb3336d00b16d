"""A pack of reports: run the notebooks, render them, collect tables and findings, write the first page; all of it or nothing.

The work goes into a folder beside the pack (`<out>.partial`) that takes the pack's place in one rename once everything is there. A run that
stops leaves the last pack as it was, and the notebooks it had finished for the next run with the same job.
"""

import hashlib
import json
import multiprocessing
import os
import shutil
import time
import warnings
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path

import nbformat

from wearbar import places, reports
from wearbar.wording import tables
from wearbar.wording.common import Show, clean, listing, plural

__all__ = ["REPORTS", "SCHEMA", "Pack", "make_pack"]

# in the order in which they are read
REPORTS = ("interval_compliance", "consumable_life", "severe_use", "running_cost", "outlook", "log_check")
SCHEMA = "wearbar-findings/1"
FIRST_PAGE, FINDINGS, JOB = "index.html", "findings.json", "job.json"
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


def make_pack(out, log="", only=(), tell=print, as_of="", site="", vehicle=(), confidence=0.9, units=""):
    """Run the reports on a log and write the pack into the folder `out`; gives the `Pack`.

    log: folder, workbook or database address, "" the fleet demo. only: names of notebooks, none is all. tell: called with each line of
    progress. The rest: see `reports.check`.
    Raises reports.NotDone, one sentence, where it cannot be done; the pack that stood at `out` is then untouched.
    """
    out, sources = Path(out).absolute(), _sources(only)
    _mend(out)
    tell("Reading the log")
    asked = {"as_of": as_of, "site": site, "vehicle": list(vehicle), "confidence": confidence, "units": units}
    whole, cut = reports.check(log, **asked)
    given = {"log": _address(log), **asked}
    partial = _open_partial(out, _job(whole, sources, given))
    _run_all(sources, partial, given, clean(whole.name), tell)
    books = {name: nbformat.read(partial / "notebooks" / f"{name}.ipynb", as_version=4) for name in sources}
    findings = _findings(books, whole, asked)
    _write_tables(books, partial / "tables")
    (partial / FINDINGS).write_text(
        json.dumps(findings, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8"
    )
    (partial / FIRST_PAGE).write_text(_first_page(books, findings, whole, cut, partial), encoding="utf-8")
    (partial / JOB).unlink()
    _swap(partial, out)
    return Pack(out, tuple(sources), int(whole.ledger["set_aside"].sum()))


def _sources(only):
    """Name to path of each notebook to run, in reading order."""
    have = {p.stem: p for p in places.place("notebooks").glob("*.ipynb")}
    wanted = [Path(name).stem for name in only] or [name for name in REPORTS if name in have]
    lost = [name for name in wanted if name not in have]
    if lost:
        raise reports.NotDone(f"there is no notebook {listing(lost, 'or')}; the notebooks are {listing(sorted(have), most=99)}")
    order = [*REPORTS, *sorted(set(have) - set(REPORTS))]
    return {name: have[name] for name in sorted(set(wanted), key=order.index)}


def _address(log):
    """The log's address, good from any working directory."""
    text = str(log)
    return text if not text or "://" in text else str(Path(text).absolute())


def _job(whole, sources, parameters):
    """What a finished notebook hangs on: if this is the same, an interrupted run's notebooks can be used."""
    code = hashlib.sha256()
    for path in sorted([*Path(__file__).parent.rglob("*.py"), *places.place("shared").rglob("*.*"), *sources.values()]):
        code.update(path.read_bytes())
    return {
        "parameters": parameters,
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


def _run_all(sources, partial, parameters, log_name, tell):
    tell(f"Running {plural(len(sources), 'report')}, {WORKERS} at a time" if len(sources) > 1 else "Running 1 report")
    failed, done = {}, 0
    with ProcessPoolExecutor(WORKERS, multiprocessing.get_context("spawn"), _quiet) as pool:
        running = {pool.submit(_run, str(source), str(partial), parameters, log_name): name for name, source in sources.items()}
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


def _quiet():
    """A kernel warns on its own error stream that it talks by TCP, which on one machine is no news."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)


def _run(source, partial, parameters, log_name):
    """In a process of its own: run and render one notebook. Gives (fault in a sentence or "", seconds, 0 where it was there already)."""
    source, partial, start = Path(source), Path(partial), time.monotonic()
    finished = partial / "notebooks" / source.name
    try:
        if finished.is_file() and (partial / f"{source.stem}.html").is_file():
            return "", 0.0
        book = _execute(source, finished, parameters)
        (partial / f"{source.stem}.html").write_text(_render(book, source.stem, log_name), encoding="utf-8")
        nbformat.write(book, finished.with_suffix(".running"))
        finished.with_suffix(".running").rename(finished)
    except Exception as error:
        return _fault(error), 0.0
    return "", time.monotonic() - start


def _execute(source, finished, parameters):
    import papermill

    known = set(papermill.inspect_notebook(str(source)))
    if unknown := sorted(set(parameters) - known):
        raise reports.NotDone(f"its parameters cell has no {listing(unknown, 'or')}")
    kept = finished.with_suffix(".stopped.ipynb")
    with warnings.catch_warnings(action="ignore"):
        book = papermill.execute_notebook(
            str(source), str(kept), parameters, kernel_name="python3", cwd=str(source.parent), progress_bar=False, autosave_cell_every=0
        )
    kept.unlink()
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


def _render(book, name, log_name):
    from nbconvert import HTMLExporter

    exporter = HTMLExporter(template_name="report", extra_template_basedirs=[str(places.place("shared"))], exclude_anchor_links=True)
    about = {"log_name": log_name, "front_page": FIRST_PAGE, "notebook": f"notebooks/{name}.ipynb", "metadata": {"name": name}}
    return exporter.from_notebook_node(book, resources=about)[0]


def _messages(book, kind):
    """What the report sent the pack under one type, in order."""
    return [o.data[kind] for cell in book.cells if cell.cell_type == "code" for o in cell.outputs if kind in o.get("data", {})]


def _write_tables(books, folder):
    folder.mkdir(exist_ok=True)
    for book in books.values():
        for table in _messages(book, reports.TABLE):
            (folder / f"{table['name']}.csv").write_text(table["csv"], encoding="utf-8", newline="")


def _findings(books, whole, parameters):
    """Everything that a program may want of a pack; the same log and the same parameters give the same bytes."""
    day = "%Y-%m-%d"
    return {
        "schema": SCHEMA,
        "log": {
            "name": clean(whole.name),
            "sha256": whole.sha256,
            "as_of": whole.as_of.strftime(day),
            "first_day": whole.first_day.strftime(day),
            "currency": whole.units.currency,
            "money": whole.money,
        },
        "parameters": parameters,
        "ledger": json.loads(whole.ledger.to_json(orient="records")),
        "versions": reports.versions(),
        "reports": {name: _report_findings(name, book) for name, book in books.items()},
    }


def _report_findings(name, book):
    found = _messages(book, reports.FINDING)
    twice = sorted({f["name"] for f in found if [g["name"] for g in found].count(f["name"]) > 1})
    if twice:
        raise reports.NotDone(f"{name} records {listing(twice)} more than once")
    return {
        "title": book.metadata.get("title", name),
        "headlines": [dict(h) for h in _messages(book, reports.HEADLINE)],
        "findings": {f["name"]: {key: x for key, x in f.items() if key != "name"} for f in found},
        "tables": sorted(f"tables/{t['name']}.csv" for t in _messages(book, reports.TABLE)),
    }


def _first_page(books, findings, whole, cut, partial):
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    shared = places.place("shared", "report")
    page = Environment(loader=FileSystemLoader(shared), autoescape=True, undefined=StrictUndefined).get_template("pack.html.j2")
    show = Show(whole.units)
    vehicles = plural(len(cut.tables["vehicles"]), "vehicle")
    asked = {key: value for key, value in findings["parameters"].items() if value not in ("", [], 0.9)}
    return page.render(
        css=_raw("\n".join((shared / name).read_text(encoding="utf-8") for name in ("report.css", "tables.css"))),
        log={"name": clean(whole.name), "as_of": show.date(whole.as_of), "vehicles": vehicles, "sha256": whole.sha256},
        asked="; ".join(f"{key} {clean(listing(x) if isinstance(x, list) else x)}" for key, x in asked.items()),
        unsaid_money=not whole.money and bool(whole.units.currency),
        headlines=_headlines(findings["reports"]),
        reports=[{"name": name, "title": book.metadata.get("title", name), "question": _question(book)} for name, book in books.items()],
        rows=f"{reports.rows_of(whole)}.",
        ledger=_raw(_ledger(whole)),
        csv=sorted(path.name for path in (partial / "tables").iterdir()),
        versions=", ".join(f"{name} {version}" for name, version in findings["versions"].items()),
    )


def _raw(markup):
    from markupsafe import Markup

    return Markup(markup)


def _ledger(whole):
    columns = {"table": "Table", "read": "Read", "used": "Used", "set_aside": "Set aside", "after": "After the day"}
    return tables.html_of(whole.ledger, tables.heads_of(whole.ledger, columns, Show()), "Rows of the log, by table", rows=99)


def _headlines(told):
    """Most urgent first; within one urgency, in reading order. Their Markdown comes from `wording`, with the log's text made safe."""
    from nbconvert.filters import markdown2html

    urgencies = list(reports.URGENCY)
    rows = [
        {
            "report": name,
            "title": report["title"],
            "urgency": h["urgency"],
            "label": reports.URGENCY[h["urgency"]],
            "html": _raw(markdown2html(h["text"]).strip().removeprefix("<p>").removesuffix("</p>")),
        }
        for name, report in told.items()
        for h in report["headlines"]
    ]
    return sorted(rows, key=lambda h: urgencies.index(h["urgency"]))


def _question(book):
    """The paragraph under the title."""
    first = next((cell.source for cell in book.cells if cell.cell_type == "markdown"), "")
    return next((line.strip() for line in first.splitlines() if line.strip() and not line.startswith("#")), "")
