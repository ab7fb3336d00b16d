"""The action list as a calendar file (RFC 5545): an all-day event for each row that has a day.

What must not be driven, worn parts and failed inspections stand on the report date, other work on
the day it falls due, by date or by the forecast of distance or hours, whichever comes first. The
same log gives the same bytes: stamps are the report date, ids hang on what is due, and when.
"""

from hashlib import sha256

import pandas as pd
from icalendar import Calendar, Event

from wearbar import __version__, intervals
from wearbar.outlook.action_list import actions
from wearbar.report.quantities import Show, clean
from wearbar.report.words.action_pages import said_of
from wearbar.report.words.sheet import line, when
from wearbar.usage.backtest import model_by_test

CONFIDENCE = 0.9  # of the ranges of days
FAR_DAYS = 4000  # the forecast tells nothing beyond
UNIT = "\x1f"  # between the parts of a key


def calendar_of(log, vehicles=None):
    """(text of the file, number of events, number of open tasks without a day).

    log: the whole log. vehicles: None is all. Distances are in the unit of each one's odometer.
    """
    events, n_without = events_of(log, vehicles)
    units, told = log.vehicles["distance_unit"].fillna(""), []
    for row in events.to_dict("records"):
        show = Show(log.units).with_distance(units[row["vehicle"]])
        row |= said_of(row, show) | {"show": show}
        said = when(row, log, show) if row["kind"] == "task" else row["evidence"]
        text = line("event", said=said, as_of=log.as_of, confidence=CONFIDENCE, **row)
        told.append((line("event_title", **row), text.replace("\n\n", "\n"), row["urgency"]))
    columns = ["summary", "description", "category"]
    events[columns] = pd.DataFrame(told, events.index, columns)
    text = ics(events, line("calendar", name=clean(log.name)), log.as_of)
    return text, len(events), n_without


def events_of(log, vehicles=None):
    """(events, number of open tasks without a day): rows of `actions` that have a `day`; `uid` is
    made of what an event is, its due point, and its place among those alike in that."""
    found, use = intervals.occasions(log), model_by_test(log, CONFIDENCE)
    rows = actions(log, None, use, CONFIDENCE, FAR_DAYS)
    now = found[found["is_current"] & found["is_open"] & ~found["state"].eq("not-finished")]
    if vehicles is not None:
        rows, now = (t[t["vehicle"].isin(list(vehicles))] for t in (rows, now))
    events = rows.assign(day=rows["by"])[rows["by"].notna()].reset_index(drop=True)
    at = events["due_odometer_km"].round(1).astype(str).str.replace("nan", "", regex=False)
    about = events[["kind", "vehicle", "item", "position"]]
    about = about.assign(due_date=events["due_date"].astype(str), at=at).fillna("").astype(str)
    keys = pd.Series([UNIT.join(row) for row in about.itertuples(index=False)], dtype=object)
    keys = keys + UNIT + keys.groupby(keys).cumcount().astype(str)
    events["uid"] = [f"{sha256(key.encode()).hexdigest()[:32]}@wearbar.invalid" for key in keys]
    return events, len(now) - int(events["kind"].eq("task").sum())


def ics(events, name, as_of):
    """The file's text. events: rows with `day, uid, summary, description, category`."""
    calendar, stamp = Calendar(), pd.Timestamp(as_of).tz_localize("UTC").to_pydatetime()
    about = {"version": "2.0", "prodid": f"-//Wearbar//Wearbar {__version__}//EN"}
    for key, value in (about | {"calscale": "GREGORIAN", "name": name}).items():
        calendar.add(key, value)
    for row in events.itertuples():
        told = {"uid": row.uid, "dtstamp": stamp, "dtstart": row.day.date(), "summary": row.summary}
        told |= {"description": row.description, "categories": [row.category]}
        event = Event()
        for key, value in (told | {"transp": "TRANSPARENT"}).items():
            event.add(key, value)
        calendar.add_component(event)
    return calendar.to_ical(sorted=False).decode()
