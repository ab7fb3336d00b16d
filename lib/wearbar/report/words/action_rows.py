"""What is said of the action list: what each row is, on what evidence, by when and what to do."""

import pandas as pd

from wearbar.log.plan import title_of
from wearbar.log.schema import TEXT
from wearbar.outlook.action_list import DANGER
from wearbar.report.quantities import clean, listing, number

__all__ = ["LAID_UP", "told", "what"]

LAID_UP = "laid up: before its next use"
_OF_TASK = {
    "overdue": "Do it now.",
    "due": "Do it now.",
    "may be done": "Do it at the next visit.",
    "not known": "Read the odometer.",
    "coming": "Plan it.",
}


def told(rows, show):
    """The rows of `actionlist.actions` with `what`, `evidence`, `by_said`, `todo`, `stands`,
    `source` and `job` (as work of a visit) in plain words and the reader's units."""
    each = list(rows.itertuples())
    words = {
        "what": [what(row) for row in each],
        "evidence": [_evidence(row, show) for row in each],
        "by_said": [_by(row, show) for row in each],
        "todo": [_todo(row) for row in each],
        "stands": [f"{row.urgency} ({LAID_UP})" if row.is_laid_up else row.urgency for row in each],
        "source": [_source(row) for row in each],
        "job": [_job(row) for row in each],
    }
    return rows.assign(
        **{name: pd.Series(said, rows.index, dtype=TEXT) for name, said in words.items()}
    )


_TODAY = ("finding", "wear", "pressure", "age")


def _by(row, show):
    if pd.isna(row.by):
        return ""
    if row.is_laid_up:
        return "before its next use"
    if row.urgency in DANGER:
        return "before it is driven"
    is_now = (row.kind in _TODAY and row.urgency != "coming") or (
        row.urgency == "safety recall" and pd.isna(row.due_date)
    )
    return "today" if is_now else show.date(row.due_date if row.kind == "campaign" else row.by)


def _source(row):
    return "plan" if pd.isna(row.line) else f"{row.table} line {row.line:.0f}"


def _job(row):
    """A row as work of a visit."""
    if row.kind == "wear":
        if row.urgency == "check before use":
            return f"Check: {_lower(what(row))}"
        return f"{'Measure' if row.is_forecast else 'Renew'}: {_lower(what(row))}"
    verb = {"defect": "Put right: ", "certificate": "Retest: "}.get(row.kind, "")
    return f"{verb}{_lower(what(row))}" if verb else what(row)


def _name(row):
    return (
        clean(row.title, 80)
        if row.kind in ("task", "finding", "recheck")
        else title_of(clean(row.item, 60))
    )


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
        return f"{_name(row)} certificate{' expired' if row.reason == 'expired' else ''}"
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
    return {
        "defect": _defect,
        "finding": _finding,
        "certificate": _certificate,
        "campaign": _campaign,
        "deferral": _deferral,
        "recheck": _recheck,
        "warranty": _warranty,
        "pressure": _pressure,
        "age": _age,
    }[row.kind](row, show)


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
    return (
        f"expired on {show.date(row.due_date)}, {show.days(row.over_days)} ago{_driven(row, show)}"
    )


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
    since = (
        " since its first use after storage"
        if over and getattr(row, "from_first_use", False)
        else ""
    )
    return f"; past by {listing(over)}{since}" if over else ""


def _deferral(row, show):
    reason = f" ({clean(row.text, 80)})" if pd.notna(row.text) and row.text else ""
    points = _points(row, show).removeprefix("at ")
    return f"deferred to {points}{reason}{_over(row, show)}" if points else f"no date given{reason}"


def _recheck(row, show):
    points = _points(row, show)
    due = f"due {points}{_over(row, show)}" if points else "due"
    return f"{due}; the log does not show it" if row.urgency == "not known" else due


def _warranty(row, show):
    return (
        f"ends about {show.date(row.by)}"
        if row.by != row.due_date
        else f"ends on {show.date(row.by)}"
    )


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
        return f"{start}{points}{_over(row, show)}{_near(row, show)}"
    if row.urgency == "not known":
        return f"{start}{points}; no recent reading"
    if pd.notna(row.low_date) and pd.notna(row.high_date) and row.low_date < row.high_date:
        span = f"{show.date(row.low_date)} to {show.date(row.high_date)}"
        return f"{start}{points}; forecast {show.date(row.expected_date)} ({span})"
    return f"{start}{points}"


def _near(row, show):
    """That work of a like name is in the log, which may be this."""
    if pd.isna(row.near_work) or not row.near_work:
        return ""
    return f"; '{clean(row.near_work, 60)}' on {show.date(row.near_date)} may be this work: see the log check"


def _height(x, row, show):
    if row.quantity == "depth":
        return show.depth(x, 1)
    return f"{number(x, 1)}%" if row.quantity == "elongation" else f"{number(x, 1)} mm"


def _wear(row, show):
    place = f" ({clean(row.place, 30)})" if pd.notna(row.place) and row.place else ""
    last = f"measured {_height(row.last, row, show)}{place} on {show.date(row.read_date)}"
    limits = [f"limit {_height(row.limit, row, show)}"] if pd.notna(row.limit) else []
    if pd.notna(row.legal_limit):
        law = (
            f" ({clean(row.jurisdiction, 20)})"
            if pd.notna(row.jurisdiction) and row.jurisdiction
            else ""
        )
        limits += [f"legal {_height(row.legal_limit, row, show)}{law}"]
    held = f"; {', '.join(limits)}" if limits else ""
    if not row.is_forecast:
        return f"{last}{held}"
    low, high = (_height(x, row, show).split(" ")[0].rstrip("%") for x in (row.low, row.high))
    span = f" ({low} to {high})" if pd.notna(row.low) and low != high else ""
    return f"forecast {_height(row.value, row, show)} now{span}; {last}{held}"


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
    said = _what_to_do(row)
    return said.replace("today", "before its next use") if row.is_laid_up else said


def _what_to_do(row):
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
        return {"certificate": "Book the test.", "warranty": "Make any claim before it ends."}.get(
            row.kind, "Have the recall done."
        )
    if row.kind == "recheck":
        return "Check it and write it in the log."
    return _OF_TASK.get(row.urgency, "Plan it.")


def _lower(text):
    return text[:1].lower() + text[1:]
