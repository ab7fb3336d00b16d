"""The rows of the action list in words: the view of each row for shared/words/actions.md.j2."""

import pandas as pd

from wearbar.log.plan_tasks import title_of
from wearbar.log.schema import TEXT
from wearbar.outlook.action_list import DANGER
from wearbar.report.quantities import clean, number, plain
from wearbar.report.template import words_of

__all__ = ["LAID_UP", "SAY", "told", "what"]

SAY = words_of("actions")
LAID_UP = SAY("laid_up")
COLUMNS = ("evidence", "by_said", "todo", "job")
_TODAY = ("finding", "wear", "pressure", "age")
_TITLED = ("task", "finding", "recheck")


def told(rows, show):
    """The rows of `actionlist.actions` with `what`, `evidence`, `by_said`, `todo`, `stands`,
    `source` and `job` (as work of a visit) in plain words and the reader's units."""
    said = [_row(row, show) for row in rows.itertuples()]
    said = pd.DataFrame(said, rows.index, columns=["what", *COLUMNS, "stands", "source"])
    return rows.assign(**said.astype(TEXT))


def _row(row, show):
    about = what(row)
    view = _view(row) | _when(row, show) | _amounts(row, show)
    view |= {"what": about, "lower": about[:1].lower() + about[1:]}
    said = {name: plain(SAY(name, **view)) for name in COLUMNS}
    said["stands"] = f"{row.urgency} ({LAID_UP})" if row.is_laid_up else row.urgency
    said["source"] = "plan" if pd.isna(row.line) else f"{row.table} line {row.line:.0f}"
    return {"what": about, **said}


def what(row):
    """What a row is about, as plain text."""
    return plain(SAY("what", **_view(row)))


def _view(row):
    """What a row is about, in the log's own text."""
    return {
        "kind": row.kind,
        "urgency": row.urgency,
        "reason": row.reason,
        "state": row.state,
        "name": clean(row.title, 80) if row.kind in _TITLED else title_of(clean(row.item, 60)),
        "item": clean(row.item, 40),
        "title": _text(row.title, 120),
        "place": _text(row.position, 40),
        "text": _text(row.text, 80 if row.kind == "deferral" else 200),
    }


def _text(x, most):
    return clean(x, most) if pd.notna(x) and x else ""


def _when(row, show):
    """When it is or was due, and by when it is to be done."""
    is_now = row.kind in _TODAY and row.urgency != "coming"
    is_now |= row.urgency == "safety recall" and pd.isna(row.due_date)
    ranged = pd.notna(row.low_date) and pd.notna(row.high_date) and row.low_date < row.high_date
    due = _day(row.due_date, show)
    distance = show.distance(row.due_odometer_km) if pd.notna(row.due_odometer_km) else ""
    hours = f"{number(row.due_hours)} h" if pd.notna(row.due_hours) else ""
    over = [show.days(row.over_days)] if row.over_days > 0 else []
    over += [show.distance(row.over_km)] if row.over_km > 0 else []
    over += [f"{number(row.over_hours)} h"] if row.over_hours > 0 else []
    return {
        "due": due,
        "points": [p for p in (due, distance and f"at {distance}", hours and f"at {hours}") if p],
        "over": over,
        "over_days": show.days(row.over_days) if row.over_days > 0 else "",
        "from_first_use": bool(getattr(row, "from_first_use", False)),
        "days_open": show.days(row.days_open) if row.days_open > 0 else "",
        "driven": show.distance(row.driven_km) if row.driven_km > 0.5 else "",
        "issued": _day(row.issued_date, show),
        "by": _day(row.by, show),
        "is_laid_up": row.is_laid_up,
        "is_danger": row.urgency in DANGER,
        "is_today": is_now,
        "when": "before its next use" if row.is_laid_up else "today",
        "no_history": row.basis == "unknown-history",
        "expected": _day(row.expected_date, show) if ranged else "",
        "low_day": _day(row.low_date, show),
        "high_day": _day(row.high_date, show),
        "near": _text(row.near_work, 60),
        "near_day": _day(row.near_date, show),
    }


def _day(x, show):
    return show.date(x) if pd.notna(x) else ""


def _amounts(row, show):
    """What was measured, and its limits."""
    names = ("value", "last", "limit", "legal_limit", "low", "high")
    value, last, limit, legal, low, high = (
        _amount(getattr(row, name), row, show) for name in names
    )
    return {
        "value": value,
        "last": last,
        "limit": limit,
        "legal": legal,
        "low": low.split(" ")[0].rstrip("%"),
        "high": high.split(" ")[0].rstrip("%"),
        "is_forecast": row.is_forecast,
        "read": _day(row.read_date, show),
        "spot": _text(row.place, 30),
        "law": _text(row.jurisdiction, 20),
    }


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
