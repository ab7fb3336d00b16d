"""What a pack says over its reports: the tables, the findings, the first page; all of it taken from the executed notebooks."""

import json
from dataclasses import replace

from wearbar.log import places
from wearbar.outlook import action_list as actionlist
from wearbar.report import against, tables
from wearbar.report import report as reports
from wearbar.report.against import FINDINGS, SCHEMA
from wearbar.report.quantities import Show, clean, listing, plural
from wearbar.report.words import action_pages as on_actions

__all__ = ["FINDINGS", "FIRST_PAGE", "SCHEMA", "findings_of", "first_page", "write_tables"]

FIRST_PAGE = "index.html"
ACTIONS = "actions"  # the finding that holds the action list


def _messages(book, kind):
    """What the report sent the pack under one type, in order."""
    return [
        o.data[kind]
        for cell in book.cells
        if cell.cell_type == "code"
        for o in cell.outputs
        if kind in o.get("data", {})
    ]


def write_tables(books, folder):
    folder.mkdir(exist_ok=True)
    for book in books.values():
        for table in _messages(book, reports.TABLE):
            (folder / f"{table['name']}.csv").write_text(table["csv"], encoding="utf-8", newline="")


def findings_of(books, whole, parameters):
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


def first_page(books, findings, whole, cut, partial):
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    shared = places.place("shared", "report")
    page = Environment(
        loader=FileSystemLoader(shared), autoescape=True, undefined=StrictUndefined
    ).get_template("pack.html.j2")
    show = Show(whole.units)
    vehicles = plural(len(cut.tables["vehicles"]), "vehicle")
    asked = {
        key: value for key, value in findings["parameters"].items() if value not in ("", [], 0.9)
    }
    return page.render(
        css=_raw(
            "\n".join(
                (shared / name).read_text(encoding="utf-8") for name in ("tables.css", "report.css")
            )
        ),
        log={
            "name": clean(whole.name),
            "as_of": show.date(whole.as_of),
            "vehicles": vehicles,
            "sha256": whole.sha256,
        },
        asked="; ".join(
            f"{key} {clean(listing(x) if isinstance(x, list) else x)}" for key, x in asked.items()
        ),
        unsaid_money=not whole.money and bool(whole.units.currency),
        todo=_todo(findings, whole, cut),
        headlines=_headlines(findings["reports"]),
        reports=[
            {"name": name, "title": book.metadata.get("title", name), "question": _question(book)}
            for name, book in books.items()
        ],
        rows=f"{reports.rows_of(whole)}.",
        ledger=_raw(_ledger(whole)),
        csv=sorted(path.name for path in (partial / "tables").iterdir()),
        versions=", ".join(f"{name} {version}" for name, version in findings["versions"].items()),
    )


def _todo(findings, whole, cut):
    """The head of the action list for the first page: `rows`, `more` (how many pressing rows are not
    shown), and the name of the `report` that lists them all, "" where the pack does not hold it."""
    told = findings["reports"].get(against.REPORT, {}).get("findings", {}).get(ACTIONS)
    if told is None:
        units = replace(
            whole.units, distance=findings["parameters"].get("units") or whole.units.distance
        )
        worn = actionlist.worn_of(whole)[1]
        found = on_actions.told(actionlist.actions(cut, worn=worn), Show(units)).to_dict("records")
    else:
        found = told["rows"]
    rows, more = on_actions.index_rows(found)
    return {"rows": rows, "more": more, "report": "" if told is None else against.REPORT}


def _raw(markup):
    from markupsafe import Markup

    return Markup(markup)


def _ledger(whole):
    columns = {
        "table": "Table",
        "read": "Read",
        "used": "Used",
        "set_aside": "Set aside",
        "after": "After the report date",
    }
    return tables.html_of(
        whole.ledger,
        tables.heads_of(whole.ledger, columns, Show()),
        "Rows of the log, by table",
        rows=99,
    )


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
    return next(
        (line.strip() for line in first.splitlines() if line.strip() and not line.startswith("#")),
        "",
    )
