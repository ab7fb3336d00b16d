"""The calendar file is one that a calendar program can read, says no day too late, and is the same each time.

The `icalendar` package writes it and reads it back; lengths and line ends are held against the words of RFC 5545 (3.1).
"""

from functools import cache
from itertools import pairwise

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from icalendar import Calendar

from wearbar import intervals, usage
from wearbar.log import log_of, read_log
from wearbar.log.places import place
from wearbar.log.plan import plan_of
from wearbar.outlook.action_list import actions
from wearbar.outlook.next_visits import ALL_DAYS
from wearbar.pack.cli import main
from wearbar.report import calendar
from wearbar.report import report as reports
from wearbar.report.calendar import calendar_of, events_of, ics
from wearbar.usage.backtest import best_model, kept_test
from wearbar.usage.forecast import model_of
from wearbar.usage.replay import Replay

PLAN = {
    "van": {
        "applies_to": ["van"],
        "task": [
            {
                "code": "oil",
                "action": "replace",
                "every": {"distance": 10_000, "months": 12},
                "tolerance": 0.1,
            },
            {"code": "fluid", "action": "replace", "every": {"months": 24}},
            {"code": "grease", "action": "lubricate", "every": {"hours": 50}},
        ],
    }
}
VEHICLE = {"vehicle": "V", "kind": "van", "in_service": "2024-01-01", "in_service_odometer": 0}


def small_log(readings, as_of="2025-06-30", vehicle=(), **tables):
    frames = {
        "vehicles": [VEHICLE | dict(vehicle)],
        "odometer": [{"vehicle": "V", "date": d, "odometer": x} for d, x in readings],
    }
    frames |= {
        "work": [
            {
                "vehicle": "V",
                "date": "2025-01-10",
                "odometer": 12_000,
                "task": "oil",
                "why": "planned",
            }
        ],
        **tables,
    }
    header = {"name": "small", "distance": "km", "as_of": as_of, "first_day": "2024-01-01"}
    return log_of({k: pd.DataFrame(v) for k, v in frames.items()}, header, plan=plan_of(PLAN, "km"))


PROPERTIES = {
    "BEGIN",
    "END",
    "VERSION",
    "PRODID",
    "CALSCALE",
    "NAME",
    "UID",
    "DTSTAMP",
    "DTSTART",
    "SUMMARY",
    "DESCRIPTION",
}
PROPERTIES |= {
    "CATEGORIES",
    "TRANSP",
    "LOCATION",
    "LAST-MODIFIED",
    "SEQUENCE",
    "ACTION",
    "TRIGGER",
    "STATUS",
}
STEADY = [(f"2025-{m:02d}-01", 12_000 + 1_000 * m) for m in range(2, 7)]


def read(text, cancelled=False):
    calendar = Calendar.from_ical(text)
    assert not calendar.errors
    events = {str(e["UID"]): e for e in calendar.walk("VEVENT")}
    assert len(events) == len(calendar.walk("VEVENT"))
    return {uid: e for uid, e in events.items() if ("STATUS" in e) == cancelled}


@pytest.fixture(scope="module")
def made(demo_log):
    """name to (calendar, rows of events, open tasks without a day) of the demo log of that name."""

    @cache
    def make(name):
        found = []
        with pytest.MonkeyPatch.context() as patch:  # the events that the calendar was made from
            patch.setattr(
                calendar, "events_of", lambda *asked: found.append(events_of(*asked)) or found[-1]
            )
            return calendar_of(demo_log(name)), *found[0]

    return make


@pytest.mark.parametrize("name", ["fleet", "owner"])
def test_a_calendar_program_reads_every_event_as_it_was_meant(name, demo_log, made):
    log = demo_log(name)
    (text, n, _), events, _ = made(name)
    found = read(text)
    assert len(found) == n == events["uid"].nunique() >= 10
    for row in events.itertuples():
        event = found[row.uid]
        assert row.vehicle + " at " + row.site in str(event["DESCRIPTION"])
        assert str(event["LOCATION"]) == row.site
        assert int(event["SEQUENCE"]) == (log.as_of - pd.Timestamp(0)).days
        assert event.decoded("LAST-MODIFIED") == event.decoded("DTSTAMP")
        (alarm,) = event.walk("VALARM")
        hour = 8 if row.day == log.as_of else -16
        assert alarm.decoded("TRIGGER") == pd.Timedelta(hours=hour)
        assert str(alarm["ACTION"]) == "DISPLAY"
        assert event.decoded("DTSTART") == row.day.date()
        assert f"{event.decoded('DTSTAMP'):%Y-%m-%d}" == f"{log.as_of:%Y-%m-%d}"
        assert str(event["SUMMARY"]).startswith(f"{row.vehicle}: ")
        assert "handbook" in str(event["DESCRIPTION"])


@pytest.mark.parametrize("name", ["fleet", "owner"])
def test_no_event_is_later_than_its_due_point(name, demo_log, made):
    log = demo_log(name)
    _, events, n_without = made(name)
    readings = usage.readings(log)
    tasks = events[events["kind"] == "task"].rename(columns={"item": "task"})
    assert not (events["day"] > events["due_date"].clip(lower=log.as_of)).any()
    found = intervals.occasions(log)
    now = found[found["is_current"] & found["is_open"] & ~found["state"].eq("not-finished")]
    assert len(now) == len(tasks) + n_without
    keys = ["vehicle", "task", "position"]
    both = tasks.merge(now[[*keys, "due_km"]], on=keys)
    reached = usage.date_at(usage.path_of(readings), both["vehicle"], both["due_km"]).to_numpy()
    past = both[~pd.isna(reached)]
    assert len(past)
    due = pd.Series(reached[~pd.isna(reached)], past.index).clip(lower=log.as_of)
    assert (past["day"] <= due).all()


def test_lines_are_as_long_and_end_as_the_standard_says():
    log = small_log(STEADY)
    text, _, _ = calendar_of(log)
    raw = text.encode()
    assert raw.endswith(b"END:VCALENDAR\r\n")
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert b"\r" not in raw.replace(b"\r\n", b"")
    assert 60 < max(len(line) for line in raw.split(b"\r\n")) <= 75
    assert b"\r\n " in raw  # some were folded


def test_a_forecast_day_is_said_with_its_range_and_cause():
    """1,000 km a month (28 to 31 days), 18,000 on 1 June: 22,000 is four months on, about 1 October."""
    text, _, n_without = calendar_of(small_log(STEADY, vehicle={"meter": "both"}))
    event = next(e for e in read(text).values() if "Oil" in str(e["DESCRIPTION"]))
    assert abs(pd.Timestamp(event.decoded("DTSTART")) - pd.Timestamp("2025-10-01")).days <= 7
    said = str(event["DESCRIPTION"])
    assert "due 10 Jan 2026 or at 22,000 km, whichever comes first" in said
    assert "likely between" in said
    assert "distance (forecast)" in said
    assert event["CATEGORIES"].to_ical() == b"not known"
    assert "Grease: not known" in said  # by hours, of which there is no reading: at the next visit
    assert n_without == 0


def test_the_same_log_gives_the_same_bytes_and_ids_outlast_a_new_reading():
    before, after = (
        small_log(STEADY),
        small_log([*STEADY, ("2025-07-05", 19_900)], as_of="2025-07-10"),
    )
    assert calendar_of(before)[0] == calendar_of(small_log(STEADY))[0]
    ids, days = [], []
    for log in (before, after):
        events, _ = events_of(log)
        ids.append(set(events["uid"]))
        days.append(events.set_index("item")["day"]["oil"])
    assert ids[0] == ids[1]
    assert days[0] != days[1]


def test_work_done_gives_the_next_due_point_an_id_of_its_own():
    done = [
        {"vehicle": "V", "date": d, "odometer": x, "task": "oil", "why": "planned"}
        for d, x in (("2025-01-10", 12_000), ("2025-06-20", 17_500))
    ]
    first, second = (
        events_of(log)[0].set_index("item")["uid"]
        for log in (small_log(STEADY), small_log(STEADY, work=done))
    )
    assert first["oil"] != second["oil"]
    assert first["fluid"] == second["fluid"]


def test_alike_things_on_one_day_have_ids_of_their_own():
    recalls = [
        {
            "vehicle": "V",
            "campaign": "R1",
            "issued": "2025-05-01",
            "kind": "safety-recall",
            "by": "2025-08-01",
        }
    ] * 2
    events, _ = events_of(small_log(STEADY, campaigns=recalls))
    assert events["kind"].tolist().count("campaign") == 2
    assert events["key"].is_unique


def test_a_certificate_that_no_task_stands_for_is_an_event_on_its_last_day():
    valid = [
        {"vehicle": "V", "kind": "roadworthiness", "tested": "2025-03-01", "valid_to": "2026-02-28"}
    ]
    text, _, _ = calendar_of(small_log(STEADY, certificates=valid))
    assert [
        e.decoded("DTSTART").isoformat()
        for e in read(text).values()
        if "certificate" in str(e["SUMMARY"])
    ] == ["2026-02-28"]


def test_a_vehicle_counts_in_the_unit_of_its_own_odometer():
    text, _, _ = calendar_of(small_log(STEADY, vehicle={"distance_unit": "mi"}))
    assert " mi\\, whichever" in text.replace("\r\n ", "")


def test_a_log_without_plan_or_work_still_gives_a_calendar():
    log = log_of(
        {"vehicles": pd.DataFrame([VEHICLE | {"meter": "none"}])},
        {"name": "bare", "distance": "km", "as_of": "2025-06-30"},
    )
    text, n, n_without = calendar_of(log)
    assert (n, n_without) == (0, 0)
    assert read(text) == {}


HOSTILE = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=200)


@given(texts=st.lists(st.tuples(HOSTILE, HOSTILE, HOSTILE), max_size=4))
@settings(deadline=None, max_examples=150)
def test_no_text_breaks_out_of_its_line(texts):
    rows = [
        {
            "uid": f"{n}@x",
            "day": pd.Timestamp("2025-01-31"),
            "summary": a,
            "description": f"{b}\n{a}",
            "category": c or "due",
            "location": c.strip(),
            "status": "",
        }
        for n, (a, b, c) in enumerate(texts)
    ]
    text = ics(
        pd.DataFrame(rows, columns=calendar.EVENT),
        "a\\n;,:name",
        pd.Timestamp("2025-01-31"),
    )
    assert all(len(line) <= 75 for line in text.encode().split(b"\r\n"))
    found = read(text)
    assert len(found) == len(rows)
    for row in rows:
        assert str(found[row["uid"]].get("SUMMARY", "")) == row["summary"]
        assert str(found[row["uid"]]["DESCRIPTION"]) == row["description"]


NAME = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=80).filter(str.strip)


@given(st.lists(st.tuples(NAME, st.text(max_size=80)), min_size=1, max_size=8))
@settings(deadline=None, max_examples=4, suppress_health_check=[HealthCheck.too_slow])
def test_no_text_of_a_log_adds_an_event_or_a_property(texts):
    vehicles = [VEHICLE | {"vehicle": name, "meter": "none"} for name, _ in texts]
    found = {"found": "2025-06-01", "grade": "off-road"}
    defects = [
        {"vehicle": name, "defect": f"D{n}", "text": f"x{note}"} | found
        for n, (name, note) in enumerate(texts)
    ]
    log = log_of(
        {"vehicles": pd.DataFrame(vehicles), "defects": pd.DataFrame(defects)},
        {"name": f"n{texts[0][1]}", "distance": "km", "as_of": "2025-06-30"},
    )
    text, n, _ = calendar_of(log)
    assert len(read(text)) == n
    names = {
        line.partition(":")[0].partition(";")[0]
        for line in text.replace("\r\n ", "").split("\r\n")
        if line
    }
    assert names <= PROPERTIES


def test_the_command_writes_the_vehicles_asked_for(tmp_path, capsys, monkeypatch, demo_log):
    out, log = tmp_path / "due.ics", str(place("data", "owner"))
    monkeypatch.setitem(reports.READ, (log, ""), demo_log("owner"))
    assert main(["calendar", log, "--vehicle", "Wren", "--out", str(out)]) in (0, 1)
    found = read(out.read_bytes())
    assert {str(e["SUMMARY"]).split(":")[0] for e in found.values()} == {"Wren"}
    assert f"{len(found)} events" in capsys.readouterr().out


def test_the_command_says_in_one_sentence_what_cannot_be(tmp_path, capsys, monkeypatch, demo_log):
    log = str(place("data", "owner"))
    monkeypatch.setitem(reports.READ, (log, ""), demo_log("owner"))
    assert main(["calendar", log, "--vehicle", "Teal"]) == 2
    assert main(["calendar", log, "--out", str(tmp_path)]) == 2
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 2
    assert "no vehicle Teal" in said[0]
    assert str(tmp_path) in said[1]


def test_one_vehicles_days_are_those_of_the_whole_fleets_calendar(demo_log, made):
    log = demo_log("fleet")
    _, whole, _ = made("fleet")
    one, _ = events_of(log, ["M09"])
    asked = ["uid", "day", "item", "position"]
    mine = whole.loc[whole["vehicle"] == "M09", asked].reset_index(drop=True)
    pd.testing.assert_frame_equal(mine, one[asked].reset_index(drop=True))


def test_a_visit_is_one_event_and_overdue_work_stands_on_the_report_date():
    """Oil fell due in June at 16,000 km with the recall; the fluid only comes due in January."""
    recall = {"vehicle": "V", "campaign": "R1", "issued": "2025-05-01", "kind": "safety-recall"}
    log = small_log([*STEADY, ("2025-06-29", 25_000)], campaigns=[recall])
    events = list(read(calendar_of(log)[0]).values())
    assert [e.decoded("DTSTART").isoformat() for e in events] == ["2025-06-30", "2026-01-01"]
    assert str(events[0]["SUMMARY"]) == "V: safety recall: Recall R1 and 1 more job"
    assert "Oil: overdue" in str(events[0]["DESCRIPTION"])


def test_the_same_work_keeps_its_id_from_month_to_month(monkeypatch):
    """In a file made a month later: visits of the same jobs have the same id, whatever their forecast; so have nearly
    all jobs of visits that took more on, and no two visits share one."""
    monkeypatch.setattr(calendar, "model_by_test", lambda log, _: model_of(log))
    months = [events_of(read_log(place("data", "owner"), as_of=day))[0]
              for day in ("2026-08-31", "2026-09-30", "2026-10-31")]  # fmt: skip
    kept, moved = [], []
    for before, after in pairwise(months):
        for rows in (before, after):
            assert (rows.groupby("uid")[["vehicle", "day"]].nunique() == 1).all().all()
        sets = [rows.groupby("uid")["key"].agg(frozenset) for rows in (before, after)]
        same = sets[0].to_frame("key").reset_index().merge(
            sets[1].to_frame("key").reset_index(), on="key", suffixes=("", "_now"))  # fmt: skip
        assert len(same)
        assert (same["uid"] == same["uid_now"]).all()
        both = before.merge(after, on="key", suffixes=("", "_now"))
        kept += (both["uid"] == both["uid_now"]).tolist()
        moved += (both["day"] != both["day_now"]).tolist()
    assert sum(kept) / len(kept) >= 0.75
    assert sum(moved) > 10


def test_what_is_planned_no_longer_is_cancelled_by_its_old_id_and_a_higher_number():
    """On 30 June the oil is due at 22,000 km, about October, and the fluid in January; then the oil is done in July. A month
    on, a program that holds June's file gets its event of October cancelled, without an alarm."""
    service = {"vehicle": "V", "task": "oil", "why": "planned"}
    done = [service | {"date": "2025-01-10", "odometer": 12_000}]
    more = [*STEADY, ("2025-07-01", 19_000), ("2025-07-15", 19_500)]
    june = read(calendar_of(small_log(STEADY, work=done))[0])
    done.append(service | {"date": "2025-07-15", "odometer": 19_500})
    text, n, _ = calendar_of(small_log(more, as_of="2025-07-30", work=done))
    now, off = read(text), read(text, cancelled=True)
    assert (len(now), len(off)) == (n, 1)
    ((uid, event),) = off.items()
    assert set(june) - set(now) == {uid}
    assert str(event["STATUS"]) == "CANCELLED"
    assert event.decoded("DTSTART") == june[uid].decoded("DTSTART")
    assert int(event["SEQUENCE"]) == int(june[uid]["SEQUENCE"]) + 30
    assert not event.walk("VALARM")
    assert str(event["SUMMARY"]) == "V: no visit on this day any more"


def test_between_two_months_every_event_still_to_come_is_kept_moved_or_cancelled(demo_log, made):
    log = demo_log("fleet")
    then = Replay(log).at("2026-09-30")
    before, _ = events_of(then, use=best_model(then, kept_test(log, calendar.CONFIDENCE)))
    now, off = (read(made("fleet")[0][0], cancelled) for cancelled in (False, True))
    ahead = set(before.loc[before["day"] > log.as_of, "uid"])
    assert len(off) >= 10
    assert ahead <= set(now) | set(off)
    assert not set(now) & set(off)


def test_an_id_hangs_on_no_forecast(monkeypatch):
    """The fluid is due on 1 January. Whether the oil is forecast for four days before or three after, both are done at one
    visit, and it keeps its id."""
    log, ids = small_log(STEADY), []
    rows = actions(log, days=ALL_DAYS)
    for day in ("2025-12-28", "2026-01-04"):
        by = rows["by"].mask(rows["item"].eq("oil"), pd.Timestamp(day))
        monkeypatch.setattr(calendar, "actions", lambda *_, by=by: rows.assign(by=by))
        events, _ = events_of(log)
        assert {"oil", "fluid"} <= set(events["item"])
        ids.append(events["uid"].unique().tolist())
    assert ids[0] == ids[1]
    assert len(ids[0]) == 1
