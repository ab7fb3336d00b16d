"""The visits as a calendar file (RFC 5545): an all-day event a visit, with its vehicle, site, jobs
and an alarm; an end of a warranty has its own.

Visits are those of the action list (`next_visits`): what cannot wait stands on the report date. A
new file updates the events of an older one: an event's UID hangs on the vehicle and the job of the
visit that began to run first (last done, found, issued), never on a forecast or on what joins it
later; its SEQUENCE counts the days to the report date, which DTSTAMP and LAST-MODIFIED have (3.8.7:
without a METHOD they are the same). An event that stood in the file of a month ago, is still to
come and is no longer planned is written as cancelled (3.8.1.11). The same log, the same bytes.
"""

from datetime import timedelta
from hashlib import sha256

import pandas as pd
from icalendar import Alarm, Calendar, Event

from wearbar import __version__, intervals
from wearbar.outlook.action_list import actions
from wearbar.outlook.next_visits import ALL_DAYS, each_visit, visits_ahead
from wearbar.report.quantities import Show, clean, plain
from wearbar.report.template import records, words_of
from wearbar.report.words.action_pages import said_of
from wearbar.report.words.sheet import when
from wearbar.usage.backtest import best_model, kept_test, model_by_test
from wearbar.usage.replay import Replay

CONFIDENCE = 0.9  # of the ranges of days
# of the day's beginning: at eight in the morning, the day before but of what cannot wait
TODAY, BEFORE = timedelta(hours=8), timedelta(hours=-16)
UNIT = "\x1f"  # between the parts of a key
IDENTITY = ["kind", "vehicle", "item", "position"]
EVENT = ["uid", "day", "summary", "description", "category", "location", "status"]
SAY = words_of("calendar")


def calendar_of(log, vehicles=None):
    """(text of the file, number of events, number of open tasks without a day).

    log: the whole log. vehicles: None is all. Distances are in the unit of each one's odometer.
    """
    rows, n_without = events_of(log, vehicles)
    units, events, visits = log.vehicles["distance_unit"].fillna("").to_dict(), [], {}
    hours = each_visit(rows).set_index(["vehicle", "day"])["hours"].to_dict()
    shows = {unit: Show(log.units).with_distance(unit) for unit in set(units.values())}
    for row in records(rows):
        visits.setdefault(row["uid"], []).append(row)
    for uid, jobs in visits.items():
        show = shows[units[jobs[0]["vehicle"]]]
        for row in jobs:
            row |= {name: str(text) for name, text in said_of(row, show).items()}  # not `Harmless`
            row["evidence"] = when(row, log, show) if row["kind"] == "task" else row["evidence"]
        first = jobs[0]
        view = {"jobs": jobs, "first": first, "as_of": log.as_of, "show": show}
        view |= {"hours": hours[first["vehicle"], first["day"]], "confidence": CONFIDENCE}
        event = {"uid": uid, "day": first["day"], "category": first["urgency"], "status": ""}
        event |= {"location": clean(first["site"], 80)}
        for name in ("summary", "description"):
            event[name] = _plain(name, **view)
        events.append(event)
    n = len(events)
    for old in records(gone_of(log, rows, vehicles)):
        event = {name: _plain(f"gone_{name}", old=old) for name in ("summary", "description")}
        event |= {"uid": old["uid"], "day": old["day"], "category": "", "location": ""}
        events.append(event | {"status": "CANCELLED"})
    events = pd.DataFrame(events, columns=EVENT)
    return ics(events, _plain("name", name=log.name), log.as_of), n, n_without


def gone_of(log, rows, vehicles=None):
    """Rows of `events_of` a month ago, one an event, that is still to come and not among `rows`."""
    day = log.as_of - pd.DateOffset(months=1)
    if day < log.first_day:
        return rows.head(0)
    then = Replay(log).at(day)
    old, _ = events_of(then, vehicles, best_model(then, kept_test(log, CONFIDENCE)))
    return old[(old["day"] > log.as_of) & ~old["uid"].isin(rows["uid"])].drop_duplicates("uid")


def _plain(block, **view):
    return plain(SAY(block, **view)).replace("\n\n", "\n")


def events_of(log, vehicles=None, use=None):
    """(rows, number of open tasks without a day): rows of `actions` with the `day` and `uid` of
    their event, the most urgent of each first. Ids of warranties are their own. use: the
    `UsageModel`; None: the one that its back-test chose."""
    found, use = intervals.occasions(log), use or model_by_test(log, CONFIDENCE)
    todo = actions(log, None, use, CONFIDENCE, ALL_DAYS)
    ends = todo[todo["kind"].eq("warranty") & todo["by"].notna()]
    rows = visits_ahead(todo, log, ALL_DAYS)
    rows = pd.concat([rows, ends.assign(day=ends["by"], waits=False, is_done=True)])
    now = found[found["is_current"] & found["is_open"] & ~found["state"].eq("not-finished")]
    if vehicles is not None:
        rows, now = (t[t["vehicle"].isin(list(vehicles))] for t in (rows, now))
    rows = rows.sort_values(["day", "rank"], kind="stable", ignore_index=True)
    since = rows["anchor_date"].fillna(rows["issued_date"]).fillna(rows["due_date"])
    about = rows[IDENTITY].assign(since=since.astype(str)).fillna("").astype(str)
    keys = pd.Series([UNIT.join(row) for row in about.itertuples(index=False)], dtype=object)
    keys = keys + UNIT + keys.groupby(keys).cumcount().astype(str)
    rows = rows.assign(key=keys, since=since, own=rows["kind"].eq("warranty"))
    visit = ["vehicle", "day", "own"]
    first = rows.sort_values(["since", "key"], kind="stable").drop_duplicates(visit)
    first = rows[visit].merge(first[[*visit, "key"]], "left", visit)["key"]
    rows["uid"] = [f"{sha256(key.encode()).hexdigest()[:32]}@wearbar.invalid" for key in first]
    return rows, len(now) - int(rows["kind"].eq("task").sum())


def ics(events, name, as_of):
    """The file's text. events: rows with `EVENT`, status "" or CANCELLED."""
    calendar, stamp = Calendar(), pd.Timestamp(as_of).tz_localize("UTC").to_pydatetime()
    about = {"version": "2.0", "prodid": f"-//Wearbar//Wearbar {__version__}//EN"}
    for key, value in (about | {"calscale": "GREGORIAN", "name": name}).items():
        calendar.add(key, value)
    number = max((pd.Timestamp(as_of) - pd.Timestamp(0)).days, 0)
    for row in events.itertuples():
        told = {"uid": row.uid, "dtstamp": stamp, "last-modified": stamp, "sequence": number}
        told |= {"dtstart": row.day.date(), "summary": row.summary, "location": row.location}
        told |= {"description": row.description, "status": row.status}
        told |= {"categories": [row.category] if row.category else ""}
        event, alarm = Event(), Alarm()
        for key, value in (told | {"transp": "TRANSPARENT"}).items():
            if value != "":
                event.add(key, value)
        calendar.add_component(event)
        if row.status:
            continue  # without an alarm
        trigger = TODAY if row.day <= pd.Timestamp(as_of) else BEFORE
        told = {"action": "DISPLAY", "trigger": trigger, "description": row.summary}
        for key, value in told.items():
            alarm.add(key, value)
        event.add_component(alarm)
    return calendar.to_ical(sorted=False).decode()
