"""A pack of reports: run the notebooks, collect what they found, write the first page. A run that
stops leaves the last pack as it was, and the reports it had finished for the next run that makes
them from the same."""

import json
import os
import shutil
from pathlib import Path
from typing import NamedTuple

import nbformat
from markupsafe import Markup

from wearbar.cost.account import account
from wearbar.intervals import items, occasions, use_by_day
from wearbar.log import places
from wearbar.log.units import is_example
from wearbar.outlook import action_list as actionlist
from wearbar.pack import folder as folders
from wearbar.pack import shelf
from wearbar.pack import workbook as workbooks
from wearbar.pack.run import FIRST_PAGE, MADE_FROM, addressed, report, run_tasks
from wearbar.report import against, tables
from wearbar.report import report as reports
from wearbar.report.quantities import Show, clean, listing, plural
from wearbar.report.template import page_of
from wearbar.report.words import action_pages as on_actions
from wearbar.report.words import month as on_month
from wearbar.usage.backtest import kept_test

# in the order in which they are read
NOTEBOOKS = ["interval_compliance", "consumable_life", "severe_use", "running_cost"]
NOTEBOOKS += ["outlook", "log_check"]
# in the order in which they begin: one that needs no back-test, while that is worked out beside it;
# then the longest, so that none ends alone
BEGIN = ["consumable_life", "outlook", "running_cost", "interval_compliance", "severe_use"]


class Pack(NamedTuple):
    """A pack that has been written."""

    folder: Path
    set_aside: int  # rows of the log
    first_page: str = ""  # its address, for a browser


def make_pack(
    out="", log="", only=(), tell=print, criterion=0.0, since="", workers=2, keep=False,
    workbook=False, **parameters,
):  # fmt: skip
    """Run the reports on a log and write the pack into the folder `out`; gives the `Pack`.

    out: "" a folder of its own, beside others (`shelf.standing`). only: names of notebooks, none is
    all; other reports of the pack at `out` are kept where they are made from the same. tell: called
    with each line of progress. criterion: see `against.criterion_of`. since: folder of an earlier
    pack. workers: notebooks at once. keep: a pack at `out` that is made from the same is not made
    again. workbook: write one too. log, parameters: of `reports.check`. Raises reports.NotDone, a
    sentence, where it cannot be done; the pack that stood at `out` is then untouched.
    """
    names, have = _notebooks(only)
    tell("Reading the log")
    whole, cut, asked = reports.check(log, **parameters)
    own = {"criterion": against.criterion_of(criterion)} if criterion else {}
    if (own or since) and against.REPORT not in names:
        given = listing([*own, *(["since"] if since else [])])
        advice = "leave it out, or name that report with --only"
        raise reports.NotDone(f"{given} is for {against.REPORT} alone; {advice}")
    stands = shelf.standing(out, since, whole, asked)
    out, (by_itself, uncompared) = stands.out, shelf.since_in(stands.earlier, whole, asked)
    since, uncompared = since or by_itself, uncompared if against.REPORT in names else []
    for line in uncompared:
        tell(line)
    with folders.owned(out) as work:
        then = against.earlier_pack(since, whole, asked)
        given, made, of_then = _made_from(have, whole, asked, own, since)
        n_aside = int(whole.ledger["set_aside"].sum())
        keep = keep and (out / workbooks.FILE).is_file() == workbook
        if keep and folders.is_made(out, {name: made[name] for name in names}):
            return Pack(out, n_aside)
        kept = folders.kept_from(out, names, made) if only else []
        side_by_side = f", {workers} at a time" if len(names) > 1 else ""
        tell(f"Running {plural(len(names), 'report')}{side_by_side}")
        first = sorted(names, key=[*BEGIN, *names].index)
        jobs = [(have[name], given[name], folders.sha256(made[name])) for name in first]
        run, new = work / "run", work / "new"
        _run(jobs, log, run, whole, tell, workers)
        made = {name: made[name] for name in have if name in (*names, *kept)}
        books = _gathered(new, {name: out if name in kept else run for name in made}, made)
        findings = findings_of(books, whole, asked | own)
        if then and against.REPORT in made:
            findings["since"] = {"as_of": f"{then.as_of:%Y-%m-%d}", "sha256": of_then}
        if workbook:
            shown = [
                (findings["reports"][name]["title"], table)
                for name, book in books.items()
                for table in _messages(book, reports.TABLE)
            ]
            workbooks.write_workbook(new / workbooks.FILE, shown, whole, cut, asked)
        _write(new, findings, books, whole, cut, uncompared)
        folders.write_manifest(new, made)
        shelf.put(stands, work, tell)
        shutil.rmtree(run)
    return Pack(out, n_aside, (out / FIRST_PAGE).as_uri())


def _notebooks(only):
    """(names of the reports to run, name to path of all that there are)."""
    have = {path.stem: path for path in sorted(places.place("notebooks").glob("*.ipynb"))}
    have = {name: have[name] for name in dict.fromkeys([*NOTEBOOKS, *have]) if name in have}
    wanted = [Path(name).stem for name in only] or [name for name in NOTEBOOKS if name in have]
    if lost := [name for name in wanted if name not in have]:
        known = f"the notebooks are {listing(sorted(have), most=99)}"
        raise reports.NotDone(f"there is no notebook {listing(lost, 'or')}; {known}")
    return [name for name in have if name in wanted], have


def _made_from(have, whole, asked, own, since):
    """(what each report is given, what it is made from: SHA-256 of its `log`, `parameters` and
    `code`, SHA-256 of the earlier pack's findings).

    own: what the one report that compares is asked for as well. Of its earlier pack the findings
    count, not where it is; nor does the log's address, which may hold a password.
    """
    sha256, given = folders.sha256, dict.fromkeys(have, asked)
    of_then = sha256((Path(since) / against.FINDINGS).read_bytes()) if since else ""
    counts = given | {against.REPORT: asked | own | {"earlier": of_then}}
    given |= {against.REPORT: asked | own | ({"since": os.path.abspath(since)} if since else {})}
    paths = [*Path(__file__).parent.parent.rglob("*.py"), *places.place("shared").rglob("*.*")]
    code = [sha256(b"".join(p.read_bytes() for p in sorted(paths))), reports.versions()]
    made = {
        name: {
            "log": whole.fingerprint,
            "parameters": sha256(counts[name]),
            "code": sha256([*code, sha256(source.read_bytes())]),
        }
        for name, source in have.items()
    }
    return given, made, of_then


def _run(jobs, log, run, whole, tell, workers):
    """Run the reports in the folder `run`, the notebooks in `run/notebooks`; NotDone where one
    stopped. jobs: (path, parameters, mark of what it is made from) of each."""
    (address, environment), asked = addressed(log), jobs[0][1]
    (run / "notebooks").mkdir(parents=True, exist_ok=True)
    tasks = [
        (path.stem, report, (path, {"log": address, **given}, mark, run, clean(whole.name)))
        for path, given, mark in jobs
    ]
    confidence, shared = asked["confidence"], [()]
    if len(jobs) > 1:
        shared = [(kept_test, confidence), (occasions,), (items,)]
        shared += [(actionlist.worn_of, confidence), (_at_once, address, asked)]
        shared += [(account,), (use_by_day,)]
    first = address, asked["as_of"], *shared
    if faults := run_tasks(tasks, workers, environment, run, first, tell, whole):
        told = "; ".join(f"{name} stopped: {fault}" for name, fault in sorted(faults.items()))
        so_far = f"the notebook as far as it ran is in {run / 'notebooks'}"
        raise reports.NotDone(f"{told}. No pack was written; {so_far}")


def _at_once(whole, address, asked):
    """What calls for work now, for a terminal: an owner need not wait for the reports."""
    cut, worn = reports.check(address, **asked)[1], actionlist.worn_of(whole, asked["confidence"])
    show = Show(whole.units).with_distance(asked["units"])
    return on_actions.at_once(actionlist.actions(cut, worn=worn[1]), show)


def _gathered(new, folder_of, made):
    """Put the reports and their tables together in the folder `new`; gives the notebooks by name.
    folder_of: name to where the report is, of this run or the last pack; made: see `made_from`."""
    books = {}
    shutil.rmtree(new, ignore_errors=True)
    for folder in ("notebooks", "tables"):
        (new / folder).mkdir(parents=True)
    for name, folder in folder_of.items():
        for file in folders.files_of(name):
            shutil.copyfile(folder / file, new / file)
        books[name] = nbformat.read(new / "notebooks" / f"{name}.ipynb", as_version=4)
        if books[name].metadata.get(MADE_FROM) != folders.sha256(made[name]):
            told = "was written over by another run; run the same command again"
            raise reports.NotDone(f"{name} {told}")
        for table in _messages(books[name], reports.TABLE):
            path = new / "tables" / f"{table['name']}.csv"
            path.write_text(table["csv"], encoding="utf-8", newline="")
    return books


def _messages(book, kind):
    """What the report sent the pack under one type, in order."""
    data = [o.get("data", {}) for cell in book.cells for o in cell.get("outputs", [])]
    return [sent[kind] for sent in data if kind in sent]


def findings_of(books, whole, parameters):
    """All that a program may want of a pack; the same for the same log and parameters."""
    log = {"name": clean(whole.name), "sha256": whole.sha256}
    log |= {day: f"{getattr(whole, day):%Y-%m-%d}" for day in ("as_of", "first_day")}
    told = {}
    for name, book in books.items():
        found = _messages(book, reports.FINDING)
        names = [f["name"] for f in found]
        if twice := sorted({n for n in names if names.count(n) > 1}):
            raise reports.NotDone(f"{name} records {listing(twice)} more than once")
        told[name] = {
            "title": book.metadata.get("title", name),
            "headlines": [dict(h) for h in _messages(book, reports.HEADLINE)],
            "findings": {f.pop("name"): f for f in map(dict, found)},
            "tables": sorted(f"tables/{t['name']}.csv" for t in _messages(book, reports.TABLE)),
        }
    return {
        "schema": against.SCHEMA,
        "log": log | {"currency": whole.units.currency, "money": whole.money},
        "parameters": parameters,
        "ledger": json.loads(whole.ledger.to_json(orient="records")),
        "versions": reports.versions(),
        "reports": told,
    }


def write_findings(folder, findings):
    text = json.dumps(findings, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    (folder / against.FINDINGS).write_text(text + "\n", encoding="utf-8")


def _write(new, findings, books, whole, cut, uncompared=()):
    """Write findings.json, with the month, and the first page. cut: of the vehicles asked for.
    uncompared: why earlier packs are not compared with, sentences."""
    told = findings["reports"].get(against.REPORT, {}).get("findings", {})
    if against.ACTIONS in told:
        actions = told[against.ACTIONS]["rows"]
    else:
        show = Show(whole.units).with_distance(findings["parameters"]["units"])
        rows = actionlist.actions(cut, worn=actionlist.worn_of(whole)[1])
        actions = on_actions.told(rows, show).to_dict("records")
    findings["month"], month = on_month.month_in(cut, actions, findings["parameters"])
    write_findings(new, findings)
    workbook = workbooks.FILE if (new / workbooks.FILE).is_file() else ""
    page = _first_page(books, findings, whole, cut, uncompared, actions, month, workbook)
    (new / FIRST_PAGE).write_text(page, encoding="utf-8")


def _first_page(books, findings, whole, cut, uncompared, actions, month, workbook):
    """The HTML of a pack's first page. actions: dicts in words. month: of `month_in`."""
    from nbconvert.filters import markdown2html

    told, units = findings["reports"], findings["parameters"]["units"]
    show = Show(whole.units).with_distance(units)
    log = {"name": clean(whole.name), "to": reports.span_of(whole, show), "sha256": whole.sha256}
    columns = tables.view_of("log_check", "ledger", whole.ledger, show)["columns"]
    ledger = tables.heads_of(whole.ledger, columns, show)
    listed, headlines, n = [], [], len(cut.tables["vehicles"])
    n_sites = cut.tables["vehicles"]["site"].nunique()
    for name, book in books.items():
        first = next((cell.source for cell in book.cells if cell.cell_type == "markdown"), "")
        lines = [line.strip() for line in first.splitlines()]
        question = next((line for line in lines if line and not line.startswith("#")), "")
        listed.append({"name": name, "title": told[name]["title"], "question": question})
        for h in told[name]["headlines"]:  # the log's text in their Markdown is `safe`
            text = markdown2html(h["text"]).strip().removeprefix("<p>").removesuffix("</p>")
            about = {"label": reports.URGENCY[h["urgency"]], "html": Markup(text)}
            # what must not be driven, and what the log is blind to, stands above the list
            about["is_lead"] = name == against.REPORT and h is told[name]["headlines"][0]
            headlines.append(h | about | {"report": name, "title": told[name]["title"]})
    since = [m["text"] for book in books.values() for m in _messages(book, reports.SINCE)]
    shown = [cell for book in books.values() for cell in book.cells]
    shown = [cell.outputs for cell in shown if "first-page" in cell.metadata.get("tags", [])]
    shown = [x.data for outputs in shown for x in outputs]  # HTML or Markdown, as `report` gives it
    rows, more = on_actions.by_site(actions)  # more: pressing actions that are not shown
    is_listed = against.ACTIONS in told.get(against.REPORT, {}).get("findings", {})
    return page_of(
        "pack.html.j2",
        css=Markup(reports.css_of("tables", "report")),
        log=log | {"vehicles": plural(n, "vehicle"), "n_sites": n_sites},
        asked=reports.said_of(findings["parameters"], unsaid=("", [], 0.9)),
        n_example=cut.plan_or_empty.tasks["source"].map(is_example).sum(),
        unsaid_money=not whole.money and bool(whole.units.currency),
        todo={"rows": rows, "more": more, "report": against.REPORT if is_listed else ""},
        month=month,
        home=[Markup(x.get("text/html") or markdown2html(x["text/markdown"])) for x in shown],
        # most urgent first, then in reading order
        headlines=sorted(headlines, key=lambda h: list(reports.URGENCY).index(h["urgency"])),
        since=[Markup(markdown2html(text)) for text in since],
        uncompared=uncompared,
        reports=listed,
        workbook=workbook,
        rows=f"{reports.rows_of(whole)}.",
        ledger=Markup(tables.html_of(whole.ledger, ledger, "Rows of the log, by table", rows=99)),
        csv=sorted({path.removeprefix("tables/") for r in told.values() for path in r["tables"]}),
        versions=", ".join(f"{name} {version}" for name, version in findings["versions"].items()),
    )
