"""What is said of the action list: what each row is, on what evidence, by when and what to do."""

import pandas as pd

from wearbar.actionlist import DANGER, URGENCY
from wearbar.plan import title_of
from wearbar.tables import TEXT
from wearbar.wording.blind import blind, danger_none
from wearbar.wording.common import clean, listing, number, plural, safe

__all__ = ["COMING", "HEADS", "INDEX_ROWS", "LAID_UP", "by_vehicle", "counted", "dangers_said", "found_rows",
           "index_rows",
           "overdue_said", "today", "told", "what"]  # fmt: skip

LAID_UP = "laid up: before its next use"
HEADS = {
    "vehicle": "Vehicle",
    "site": "Site",
    "stands": "Urgency",
    "what": "What",
    "evidence": "Evidence",
    "by_said": "By",
    "todo": "To do",
}
FOUND = ["rank", "urgency", "stands", "vehicle", "site", "position", "kind", "item", "what", "evidence",
         "by", "todo", "hours", "parts", "source", "is_laid_up", "is_forecast", "safety", "statutory",
         "due_date", "expected_date", "low_date", "high_date", "over_days", "over_km", "over_hours",
         "value", "low", "high", "last", "read_date", "limit", "legal_limit"]  # fmt: skip
COMING = {name: HEADS[name] for name in ("vehicle", "site", "what", "evidence", "by_said")}
INDEX_ROWS = 12
UNIT = "\x1f"  # between the parts of a key
_OF_TASK = {
    "overdue": "Do it now.",
    "due": "Do it now.",
    "may be done": "Do it at the next visit.",
    "not known": "Read the odometer.",
    "coming": "Plan it.",
}


def told(rows, show):
    """The rows of `actionlist.actions` with `what`, `evidence`, `by_said`, `todo`, `stands` and
    `source` in plain words and the reader's units."""
    each = list(rows.itertuples())
    words = {
        "what": [what(row) for row in each],
        "evidence": [_evidence(row, show) for row in each],
        "by_said": [_by(row, show) for row in each],
        "todo": [_todo(row) for row in each],
        "stands": [f"{row.urgency} ({LAID_UP})" if row.is_laid_up else row.urgency for row in each],
        "source": [_source(row) for row in each],
    }
    return rows.assign(**{name: pd.Series(said, rows.index, dtype=TEXT) for name, said in words.items()})


_TODAY = ("finding", "wear", "pressure", "age")


def _by(row, show):
    if pd.isna(row.by):
        return ""
    if row.is_laid_up:
        return "before its next use"
    if row.urgency in DANGER:
        return "before it is driven"
    is_now = (row.kind in _TODAY and row.urgency != "coming") or (row.urgency == "safety recall" and pd.isna(row.due_date))
    return "today" if is_now else show.date(row.due_date if row.kind == "campaign" else row.by)


def _source(row):
    return "plan" if pd.isna(row.line) else f"{row.table} line {row.line:.0f}"


def _name(row):
    return clean(row.title, 80) if row.kind in ("task", "finding", "recheck") else title_of(clean(row.item, 60))


def what(row):
    """What a row is about, as plain text."""
    where = f" ({clean(row.position, 40)})" if row.position else ""
    text = clean(row.text, 200) if pd.notna(row.text) and row.text else ""
    if row.kind == "defect":
        return f"{text or 'Defect'}{where}"
    if row.kind == "finding":
        ends = "failed, retest needed" if row.reason == "failed-test" else "failed"
        return f"{_name(row)}{where}: {ends}"
    if row.kind == "certificate":
        return f"{_name(row)} certificate"
    if row.kind == "campaign":
        return f"Recall {clean(row.item, 40)}{f': {text}' if text else ''}"
    if row.kind == "deferral":
        return f"Deferred: {clean(row.title, 120)}{where}"
    if row.kind == "recheck":
        return f"Check again after: {clean(row.title, 80)}{where}"
    if row.kind == "warranty":
        return "Warranty"
    if row.kind in ("pressure", "age"):
        return f"{_name(row)} {row.kind}{where}"
    unknown = ": limit not known" if row.state == "limit-not-known" else ""
    return f"{_name(row)}{where}{unknown}"


def _evidence(row, show):
    if row.kind == "wear":
        return _wear(row, show)
    if row.kind == "task":
        return _task(row, show)
    return {"defect": _defect, "finding": _finding, "certificate": _certificate, "campaign": _campaign,
            "deferral": _deferral, "recheck": _recheck, "warranty": _warranty,
            "pressure": _pressure, "age": _age}[row.kind](row, show)  # fmt: skip


def _driven(row, show):
    return f"; {show.distance(row.driven_km)} driven since" if row.driven_km > 0.5 else ""


def _open_for(row, show):
    return f", open {show.days(row.days_open)}" if row.days_open > 0 else ""


def _defect(row, show):
    grade = {"off-road": "off the road", "before-next-use": "to mend before the next use"}
    reason = grade.get(row.reason, "reported")
    return f"{reason}: found on {show.date(row.due_date)}{_open_for(row, show)}{_driven(row, show)}"


def _finding(row, show):
    return f"failed on {show.date(row.due_date)}{_open_for(row, show)}{_driven(row, show)}"


def _certificate(row, show):
    if row.reason != "expired":
        return f"valid to {show.date(row.due_date)}"
    return f"expired on {show.date(row.due_date)}, {show.days(row.over_days)} ago{_driven(row, show)}"


def _campaign(row, show):
    if pd.isna(row.due_date):
        issued = f"issued on {show.date(row.issued_date)}"
        return f"{issued}, open {show.days(row.days_open)}" if row.days_open > 0 else issued
    if row.over_days > 0:
        return f"was to be done by {show.date(row.due_date)}, {show.days(row.over_days)} past"
    return f"do by {show.date(row.due_date)}"


def _points(row, show):
    at = [show.date(row.due_date)] if pd.notna(row.due_date) else []
    at += [f"at {show.distance(row.due_odometer_km)}"] if pd.notna(row.due_odometer_km) else []
    at += [f"at {number(row.due_hours)} h"] if pd.notna(row.due_hours) else []
    return listing(at, "or")


def _over(row, show):
    over = [show.days(row.over_days)] if row.over_days > 0 else []
    over += [show.distance(row.over_km)] if row.over_km > 0 else []
    over += [f"{number(row.over_hours)} h"] if row.over_hours > 0 else []
    return f"; past by {listing(over)}" if over else ""


def _deferral(row, show):
    reason = f" ({clean(row.text, 80)})" if pd.notna(row.text) and row.text else ""
    points = _points(row, show)
    return f"deferred to {points}{reason}{_over(row, show)}" if points else f"no date given{reason}"


def _recheck(row, show):
    points = _points(row, show)
    due = f"due {points}{_over(row, show)}" if points else "due"
    return f"{due}; the log does not show it" if row.urgency == "not known" else due


def _warranty(row, show):
    return f"ends about {show.date(row.by)}" if row.by != row.due_date else f"ends on {show.date(row.by)}"


def _pressure(row, show):
    source = f" by {clean(row.text, 160)}" if pd.notna(row.text) and row.text else ""
    measured = f"measured {show.pressure(row.value)} on {show.date(row.read_date)}"
    return f"{measured}; lowest {show.pressure(row.limit)}{source}"


def _age(row, show):
    source = f" by {clean(row.text, 160)}" if pd.notna(row.text) and row.text else ""
    return f"made on {show.date(row.read_date)}, {number(row.value, 1)} years old; most {number(row.limit, 1)} years{source}"


def _task(row, show):
    start = "no earlier record; " if row.basis == "unknown-history" else ""
    points = f"due {_points(row, show)}" if _points(row, show) else ""
    if row.urgency in ("overdue", "due"):
        return f"{start}{points}{_over(row, show)}"
    if row.urgency == "not known":
        return f"{start}{points}; no recent reading"
    if pd.notna(row.low_date) and pd.notna(row.high_date) and row.low_date < row.high_date:
        span = f"{show.date(row.low_date)} to {show.date(row.high_date)}"
        return f"{start}{points}; forecast {show.date(row.expected_date)} ({span})"
    return f"{start}{points}"


def _height(x, row, show):
    if row.quantity == "depth":
        return show.depth(x, 1)
    return f"{number(x, 1)}%" if row.quantity == "elongation" else f"{number(x, 1)} mm"


def _wear(row, show):
    place = f" ({clean(row.place, 30)})" if pd.notna(row.place) and row.place else ""
    last = f"{_height(row.last, row, show)}{place} on {show.date(row.read_date)}"
    limits = [f"limit {_height(row.limit, row, show)}"] if pd.notna(row.limit) else []
    if pd.notna(row.legal_limit):
        law = f" ({clean(row.jurisdiction, 20)})" if pd.notna(row.jurisdiction) and row.jurisdiction else ""
        limits += [f"legal limit {_height(row.legal_limit, row, show)}{law}"]
    held = f"; {', '.join(limits)}" if limits else ""
    if not row.is_forecast:
        return f"measured {last}{held}"
    low, high = (_height(x, row, show) for x in (row.low, row.high))
    span = f" ({low.split(' ')[0].rstrip('%')} to {high})" if pd.notna(row.low) and low != high else ""
    return f"forecast {_height(row.value, row, show)} now{span}, last measured {last}{held}"


_OF_REASON = {
    "failed-test": "Put right what failed and book the retest.",
    "off-road": "Put it right before it is driven.",
    "before-next-use": "Put it right before it is driven.",
    "expired": "Have it tested before it is driven.",
    "stop": "Have the recall done before it is driven.",
    "below-legal": "Take it off the road and renew the part.",
}
_OF_URGENCY = {
    "check before use": "Check it before use, and write its limit in the log.",
    "safety recall": "Have the recall done.",
    "measure now": "Measure it today.",
    "failed": "Put it right, then record a pass.",
    "deferral ended": "Do the work now.",
    "recall": "Have the recall done.",
    "at the next visit": "See to it at the next visit.",
}


_OF_TYRE = {
    "pressure": "Set it cold to the handbook's figure before the next journey, and look for a leak.",
    "age": "Have it examined, and renew it by the handbook's or the law's age.",
}


def _todo(row):
    if row.reason in _OF_REASON:
        return _OF_REASON[row.reason]
    if row.kind in _OF_TYRE:
        return _OF_TYRE[row.kind]
    if row.urgency in _OF_URGENCY:
        return _OF_URGENCY[row.urgency]
    if row.kind == "wear":
        if row.urgency == "coming":
            return "Measure it by then."
        return "Measure it today; renew it at the limit." if row.is_forecast else "Renew it today."
    if row.urgency == "ends soon":
        return {"certificate": "Book the test.", "warranty": "Make any claim before it ends."}.get(row.kind, "Have the recall done.")
    if row.kind == "recheck":
        return "Check it and write it in the log."
    return _OF_TASK.get(row.urgency, "Plan it.")


def by_vehicle(said):
    """The list as it is printed: `said` of `told`, plain work of one vehicle and urgency in one row."""
    if said.empty:
        return said.assign(n=0)
    same = said["evidence"].where(said["urgency"].isin(["overdue", "due"]), "")
    key = said["rank"].astype(str).where(~said["kind"].eq("task"), said["vehicle"] + UNIT + said["urgency"] + same)
    both = said.assign(key=key)
    by = both.groupby("key", sort=False)
    rows = by.first()
    several = by.size() > 1
    rows["n"], rows["what"] = by.size(), both.groupby("key", sort=False)[["title", "position"]].apply(_works).where(several, rows["what"])
    soonest = both.sort_values("by", kind="stable").groupby("key", sort=False)["evidence"].first()
    all_alike = by["evidence"].nunique().eq(1)
    rows["evidence"] = ("the soonest " + soonest).where(several & ~all_alike, rows["evidence"])
    rows["by"] = by["by"].min()
    return rows.sort_values("rank", ignore_index=True)


def found_rows(rows, show):
    """The whole list for findings.json: in words, and what a program needs in SI."""
    return told(rows, show)[FOUND]


def _works(rows):
    places = rows.groupby("title", sort=False)["position"].agg(lambda p: ", ".join(x for x in p if x))
    return ", ".join(f"{clean(t, 80)} ({clean(p, 60)})" if p else clean(t, 80) for t, p in places.items())


def today(rows, show, coming=False):
    """The printed rows of Today's list, or of what is coming."""
    said = told(rows[rows["urgency"].eq("coming") == coming], show)
    return by_vehicle(said)


def dangers_said(rows, missing):
    """(sentence, urgency): which vehicles must not be driven, and what the log is blind to."""
    danger = rows[rows["urgency"].isin(DANGER)]
    if danger.empty:
        return danger_none(missing), "note"
    off = list(dict.fromkeys(danger.loc[danger["urgency"].eq(DANGER[0]), "vehicle"]))
    check = [v for v in dict.fromkeys(danger["vehicle"]) if v not in off]
    said = []
    if off:
        names = listing([safe(v, 40) for v in off], most=12)
        said.append(f"{plural(len(off), 'vehicle')} must not be driven: {names}.")
    if check:
        names = listing([safe(v, 40) for v in check], most=12)
        said.append(f"{plural(len(check), 'vehicle')} {'needs' if len(check) == 1 else 'need'} a check before use: {names}.")
    return " ".join([*said, *blind(missing)]), "now"


def overdue_said(rows, show):
    """(sentence, urgency): the overdue jobs, those that bear on safety or the law first."""
    late = told(rows[rows["urgency"].eq("overdue") & rows["kind"].eq("task")], show)
    n, grave = len(late), int((late["safety"] | late["statutory"]).sum())
    named = listing([f"{safe(r.vehicle, 40)} {safe(_lower(r.what), 80)} ({_past(r, show)})" for r in late.itertuples()], most=4)
    bears = f" {number(grave)} of them {'bears' if grave == 1 else 'bear'} on safety or the law." if grave and n > 1 else ""
    bears = " It bears on safety or the law." if grave and n == 1 else bears
    return f"{plural(n, 'job')} {'is' if n == 1 else 'are'} overdue: {named}.{bears}", "now" if grave else "soon"


def _lower(text):
    return text[:1].lower() + text[1:]


def _past(row, show):
    if row.over_days > 0:
        return show.days(row.over_days)
    return show.distance(row.over_km) if row.over_km > 0 else plural(row.over_hours, "hour")


def counted(rows):
    """How many rows stand under each urgency, in words, the most urgent first."""
    n = rows["urgency"].value_counts()
    return listing([f"{number(n[u])} {u}" for u in URGENCY if n.get(u)], most=len(URGENCY))


def index_rows(said):
    """(rows for the first page, how many more there are): every danger, and the first of the rest
    that calls for work now. said: of `told`."""
    later = URGENCY[URGENCY.index("ends soon") :]
    pressing = [row for row in said if row["urgency"] not in later]
    dangers = sum(row["urgency"] in DANGER for row in pressing)
    most = max(INDEX_ROWS, min(dangers, 3 * INDEX_ROWS))
    return pressing[:most], max(len(pressing) - most, 0)
