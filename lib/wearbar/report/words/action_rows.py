"""The rows of the action list in words: the view of each row for shared/words/actions.md.j2."""

import pandas as pd

from wearbar.log.plan_tasks import title_of
from wearbar.log.schema import TEXT
from wearbar.outlook.action_list import DANGER
from wearbar.report.quantities import clean, number, plain
from wearbar.report.template import words_of

SAY = words_of("actions")
LAID_UP = SAY("laid_up")
COLUMNS = ("evidence", "by_said", "todo", "job")
DATES = ("due_date", "issued_date", "by", "expected_date", "low_date", "high_date", "near_date")
DATES += ("read_date",)
AMOUNTS = ("value", "last", "limit", "legal_limit", "low", "high")
# texts out of a log, and how much of each is said
TEXTS = {"title": 120, "position": 40}
MORE_TEXTS = {"near_work": 60, "place": 30, "jurisdiction": 20}
_TODAY = ("finding", "wear", "pressure", "age")
_TITLED = ("task", "finding", "recheck")


def told(rows, show):
    """The rows of `actionlist.actions` with `what`, `evidence`, `by_said`, `todo`, `stands`,
    `source` and `job` (as work of a visit) in plain words and the reader's units."""
    said = [_row(row, show) for row in rows.itertuples()]
    said = pd.DataFrame(said, rows.index, columns=["what", *COLUMNS, "stands", "source"])
    return rows.assign(**said.astype(TEXT))


def _row(row, show):
    subject = _subject(row)
    about = plain(SAY("what", **subject))
    view = subject | _when(row, show) | _texts(row, MORE_TEXTS)
    view |= {name: _amount(getattr(row, name), row, show) for name in AMOUNTS}
    view |= {"what": about, "lower": about[:1].lower() + about[1:]}
    said = {name: plain(SAY(name, show=show, **view)) for name in COLUMNS}
    said["stands"] = f"{row.urgency} ({LAID_UP})" if row.is_laid_up else row.urgency
    said["source"] = "plan" if pd.isna(row.line) else f"{row.table} line {row.line:.0f}"
    return {"what": about, **said}


def what(row):
    """What a row is about, as plain text."""
    return plain(SAY("what", **_subject(row)))


def _subject(row):
    """The row, and what it is about in the log's own text."""
    texts = _texts(row, TEXTS | {"text": 80 if row.kind == "deferral" else 200})
    name = clean(row.title, 80) if row.kind in _TITLED else title_of(clean(row.item, 60))
    return row._asdict() | texts | {"name": name, "item": clean(row.item, 40)}


def _texts(row, columns):
    texts = {name: getattr(row, name) for name in columns}
    return {c: clean(x, columns[c]) if pd.notna(x) and x else "" for c, x in texts.items()}


def _when(row, show):
    """When it is or was due, and by when it is to be done."""
    days = {c: show.date(x) if pd.notna(x := getattr(row, c)) else "" for c in DATES}
    ranged = pd.notna(row.low_date) and pd.notna(row.high_date) and row.low_date < row.high_date
    is_now = row.kind in _TODAY and row.urgency != "coming"
    return days | {
        "expected_date": days["expected_date"] if ranged else "",
        "points": due_points(row.due_date, row.due_odometer_km, row.due_hours, show),
        "over": overs(row.over_days, row.over_km, row.over_hours, show),
        "from_first_use": bool(getattr(row, "from_first_use", False)),
        "is_danger": row.urgency in DANGER,
        "is_today": is_now or (row.urgency == "safety recall" and pd.isna(row.due_date)),
        "when": "before its next use" if row.is_laid_up else "today",
    }


def title_at(title, place):
    """ "Tyre pressures (front, rear)"; the title alone of work without a place."""
    return f"{title} ({place})" if place else title


def due_points(date, km, hours, show):
    """When something is due: its date, and at what distance and hours; those that are known."""
    said = ((date, show.date), (km, lambda x: f"at {show.distance(x)}"))
    said += ((hours, lambda x: f"at {number(x)} h"),)
    return [say(x) for x, say in said if pd.notna(x)]


def overs(days, km, hours, show):
    """By how much something is past its due point."""
    said = ((days, show.days), (km, show.distance), (hours, lambda x: f"{number(x)} h"))
    return [say(x) for x, say in said if x > 0]


def _amount(x, row, show):
    if pd.isna(x):
        return ""
    if row.kind == "pressure":
        return show.pressure(x)
    if row.kind == "age":
        return number(x, 1)
    if row.quantity == "depth":
        return show.depth(x, 1)
    return f"{number(x, 1)}{'%' if row.quantity == 'elongation' else ' mm'}"
