"""What a pack says over its reports, from the executed notebooks: tables, findings, first page."""

import json

from markupsafe import Markup

from wearbar.log import places
from wearbar.outlook import action_list as actionlist
from wearbar.report import against, tables
from wearbar.report import report as reports
from wearbar.report.quantities import Show, clean, listing, plural
from wearbar.report.template import page_of
from wearbar.report.words import action_pages as on_actions

ACTIONS = "actions"  # the finding that holds the action list


def _messages(book, kind):
    """What the report sent the pack under one type, in order."""
    data = [o.get("data", {}) for cell in book.cells for o in cell.get("outputs", [])]
    return [sent[kind] for sent in data if kind in sent]


def write_tables(books, folder):
    """Write every row of each table that the reports name."""
    folder.mkdir(exist_ok=True)
    for table in (t for book in books.values() for t in _messages(book, reports.TABLE)):
        path = folder / f"{table['name']}.csv"
        path.write_text(table["csv"], encoding="utf-8", newline="")


def findings_of(books, whole, parameters):
    """All that a program may want of a pack; the same for the same log and parameters."""
    log = {"name": clean(whole.name), "sha256": whole.sha256}
    log |= {day: f"{getattr(whole, day):%Y-%m-%d}" for day in ("as_of", "first_day")}
    return {
        "schema": against.SCHEMA,
        "log": log | {"currency": whole.units.currency, "money": whole.money},
        "parameters": parameters,
        "ledger": json.loads(whole.ledger.to_json(orient="records")),
        "versions": reports.versions(),
        "reports": {name: _report_findings(name, book) for name, book in books.items()},
    }


def _report_findings(name, book):
    found = _messages(book, reports.FINDING)
    names = [f["name"] for f in found]
    if twice := sorted({n for n in names if names.count(n) > 1}):
        raise reports.NotDone(f"{name} records {listing(twice)} more than once")
    return {
        "title": book.metadata.get("title", name),
        "headlines": [dict(h) for h in _messages(book, reports.HEADLINE)],
        "findings": {f["name"]: {key: x for key, x in f.items() if key != "name"} for f in found},
        "tables": sorted(f"tables/{t['name']}.csv" for t in _messages(book, reports.TABLE)),
    }


def first_page(books, findings, whole, cut):
    """The HTML of a pack's first page. cut: the log of the vehicles asked for."""
    show, told = Show(whole.units), findings["reports"]
    styles = [places.place("shared", "report", f"{name}.css") for name in ("tables", "report")]
    log = {"name": clean(whole.name), "as_of": show.date(whole.as_of), "sha256": whole.sha256}
    columns = tables.view_of("log_check", "ledger", whole.ledger, show)["columns"]
    ledger = tables.heads_of(whole.ledger, columns, show)
    return page_of(
        "pack.html.j2",
        css=Markup("\n".join(style.read_text(encoding="utf-8") for style in styles)),
        log=log | {"vehicles": plural(len(cut.tables["vehicles"]), "vehicle")},
        asked=reports.said_of(findings["parameters"], unsaid=("", [], 0.9)),
        unsaid_money=not whole.money and bool(whole.units.currency),
        todo=_todo(findings, whole, cut),
        headlines=_headlines(told),
        reports=[
            {"name": name, "title": told[name]["title"], "question": _question(book)}
            for name, book in books.items()
        ],
        rows=f"{reports.rows_of(whole)}.",
        ledger=Markup(tables.html_of(whole.ledger, ledger, "Rows of the log, by table", rows=99)),
        csv=sorted({path.removeprefix("tables/") for r in told.values() for path in r["tables"]}),
        versions=", ".join(f"{name} {version}" for name, version in findings["versions"].items()),
    )


def _todo(findings, whole, cut):
    """The head of the action list: `rows`, `more` (pressing rows that are not shown), and the name
    of the `report` that lists them all, "" where the pack does not hold it."""
    told = findings["reports"].get(against.REPORT, {}).get("findings", {}).get(ACTIONS)
    if told is None:
        actions = actionlist.actions(cut, worn=actionlist.worn_of(whole)[1])
        show = Show(whole.units).with_distance(findings["parameters"]["units"])
        rows = on_actions.told(actions, show).to_dict("records")
    else:
        rows = told["rows"]
    rows, more = on_actions.index_rows(rows)
    return {"rows": rows, "more": more, "report": "" if told is None else against.REPORT}


def _headlines(told):
    """Most urgent first, then in reading order; the log's text in their Markdown is `safe`."""
    from nbconvert.filters import markdown2html

    rows = [
        {
            **{"report": name, "title": report["title"], "urgency": h["urgency"]},
            "label": reports.URGENCY[h["urgency"]],
            "html": Markup(
                markdown2html(h["text"]).strip().removeprefix("<p>").removesuffix("</p>")
            ),
        }
        for name, report in told.items()
        for h in report["headlines"]
    ]
    return sorted(rows, key=lambda h: list(reports.URGENCY).index(h["urgency"]))


def _question(book):
    """The paragraph under the title."""
    first = next((cell.source for cell in book.cells if cell.cell_type == "markdown"), "")
    lines = (line.strip() for line in first.splitlines())
    return next((line for line in lines if line and not line.startswith("#")), "")
