"""What is due as a calendar file (RFC 5545, iCalendar): an all-day event for each task, defect, certificate, recall and re-check.

An event stands on the day that its thing falls due, by date or by the forecast of distance or hours, whichever comes first; so never later
than the due point of its date. The same log gives the same bytes: the stamp is the log's day, and an event's id hangs on its due point.
"""

import hashlib

import numpy as np
import pandas as pd

from wearbar import __version__, intervals, usage
from wearbar.backtest import model_by_test
from wearbar.wording import calendar as wording
from wearbar.wording.common import Show

__all__ = ["calendar_of", "events_of", "ics"]

FAR_DAYS = 4000  # the forecast tells nothing beyond
UNIT = "\x1f"  # between the parts of a key
OCTETS = 75  # of a line, its end not counted (RFC 5545, 3.1)
_TEXT = str.maketrans({"\\": "\\\\", ";": "\\;", ",": "\\,", "\n": "\\n"})  # RFC 5545, 3.3.11
_MORE = ["basis", "overrun_km", "overrun_hours", "overrun_days", "due_hours"]


def calendar_of(log, vehicles=None, confidence=0.9, show=None):
    """(text of the calendar file, number of events, number of open tasks that have no day), for `vehicles` or, where None, for all.

    log: the whole log, by which use is forecast. show: the reader's units, or the log's.
    """
    events, n_without = events_of(log, vehicles, confidence)
    told = wording.told(events, log, show or Show(log.units), confidence)
    return ics(told, wording.name(log), log.as_of), len(events), n_without


def events_of(log, vehicles=None, confidence=0.9):
    """(events, number of open tasks without a day): one row an event, by day, vehicle and task.

    Columns of `intervals.due_list`, with `day`, `uid`, and of tasks `basis`, `overrun_`, `due_hours`. Everything open is in it but notes,
    advisories, and certificates whose end is the due date of a task.
    """
    readings = usage.readings(log)
    found = intervals.occasions(log, readings)
    items = intervals.items(log, found, readings)
    rows = intervals.due_list(found, items, log, readings, confidence, FAR_DAYS, model_by_test(log, confidence))
    rows = _with_certificates(rows, items)
    now = found[found["is_current"] & found["is_open"] & ~found["state"].eq("not-finished")] if len(found) else found
    rows = _with_more(rows, now)
    mine = rows if vehicles is None else rows[rows["vehicle"].isin(list(vehicles))]
    day = mine[["due_date", "expected_date"]].min(axis=1)
    events = mine.assign(day=day)[day.notna()]
    asked = now if vehicles is None else now[now["vehicle"].isin(list(vehicles))]
    events = events.sort_values(["day", "vehicle", "task", "position"], kind="stable", ignore_index=True)
    return events.assign(uid=_uids(events)), len(asked) - int(events["what"].eq("task").sum())


def ics(events, name, as_of):
    """The file's text, lines folded and ended as the standard has it. events: rows with `day, uid, summary, description, category`."""
    stamp = f"{as_of:%Y%m%d}T000000Z"
    head = ["BEGIN:VCALENDAR", "VERSION:2.0", f"PRODID:-//Wearbar//Wearbar {__version__}//EN", "CALSCALE:GREGORIAN", f"NAME:{_text(name)}"]
    lines = [line for row in events.itertuples() for line in _event(row, stamp)]
    return "".join(f"{_folded(line)}\r\n" for line in [*head, *lines, "END:VCALENDAR"])


def _event(row, stamp):
    return (
        "BEGIN:VEVENT",
        f"UID:{row.uid}",
        f"DTSTAMP:{stamp}",
        f"DTSTART;VALUE=DATE:{row.day:%Y%m%d}",
        f"SUMMARY:{_text(row.summary)}",
        f"DESCRIPTION:{_text(row.description)}",
        f"CATEGORIES:{_text(row.category)}",
        "TRANSP:TRANSPARENT",
        "END:VEVENT",
    )


def _text(text):
    return text.translate(_TEXT)


def _folded(line):
    """A line of at most OCTETS octets; what is over goes on below, after a space. No character is cut in two."""
    parts, rest = [], line.encode()
    while len(rest) > OCTETS - bool(parts):
        cut = OCTETS - bool(parts)
        while rest[cut] & 0xC0 == 0x80:
            cut -= 1
        parts.append(rest[:cut])
        rest = rest[cut:]
    return b"\r\n ".join([*parts, rest]).decode()


def _with_certificates(rows, items):
    """The list, and certificates that are valid still, but those whose end is the due date of a task."""
    c = items[items["is_open"] & items["what"].eq("certificate") & items["state"].eq("before-window")]
    tasks = rows.loc[rows["what"].eq("task"), ["vehicle", "due_date"]]
    again = pd.MultiIndex.from_frame(c[["vehicle", "due_date"]]).isin(pd.MultiIndex.from_frame(tasks))
    c = c[~again].rename(columns={"item": "task"}).reindex(columns=rows.columns)
    both = [t.dropna(axis=1, how="all") for t in (rows, c) if len(t)]
    if not both:
        return rows
    dates = {name: "datetime64[ns]" for name in rows.columns if name.endswith("_date")}
    return pd.concat(both, ignore_index=True).reindex(columns=rows.columns).astype(dates)


def _with_more(rows, now):
    """The rows with what only the occasions know of tasks."""
    keys = ["vehicle", "task", "position"]
    rows = rows.assign(position=rows["position"].fillna("").astype(str))
    if not len(now):
        return rows.assign(basis="", **dict.fromkeys(_MORE[1:], np.nan))
    more = now[[*keys, *_MORE]].assign(what="task")
    more["position"] = more["position"].fillna("").astype(str)
    return rows.merge(more, on=[*keys, "what"], how="left")


def _uids(events):
    """An id for each event from what it is and its due point; two alike in that are counted."""
    at = events["due_odometer_km"].round(1).astype(str).str.replace("nan", "", regex=False)
    parts = [events["what"], events["vehicle"], events["task"], events["position"], events["due_date"].astype(str), at]
    keys = pd.Series([UNIT.join(key) for key in zip(*(p.fillna("").astype(str) for p in parts), strict=True)], dtype=object)
    keys = keys + UNIT + keys.groupby(keys).cumcount().astype(str)
    return [f"{hashlib.sha256(key.encode()).hexdigest()[:32]}@wearbar.invalid" for key in keys]
