"""Work counted in hours: today's list, the calendar and the outlook tell one day; a changed meter goes on."""

import numpy as np
import pandas as pd
import pytest

from wearbar import intervals, outlook, usage
from wearbar.log import log_of
from wearbar.log.plan import plan_of
from wearbar.outlook.action_list import actions
from wearbar.report import calendar
from wearbar.usage.forecast import chance_due, due_dates, fit_usage

GREASE = {"code": "grease", "action": "lubricate", "every": {"hours": 100}, "tolerance": 0.1}


def digger_log(rows=(), as_of="2026-06-30", tasks=(GREASE,), meter="hours", **more):
    """Two diggers, 6 and 4 hours a day, read weekly since January 2025; greased at 100, 200, ... hours; `rows` of odometer replace
    those of the first."""
    days = pd.date_range("2025-01-06", as_of, freq="7D")
    rng = np.random.default_rng(8)
    reads, work = [], []
    for name, rate in (("D1", 6.0), ("D2", 4.0)):
        hours = np.cumsum(rate * 7 * rng.uniform(0.8, 1.2, len(days))).round(1)
        own = [{"vehicle": name, "date": d, "hours": h} for d, h in zip(days, hours, strict=True)]
        reads += [{"vehicle": name, **row} for row in rows] if len(rows) and name == "D1" else own
        done = np.flatnonzero(np.diff(hours // 100) > 0) + 1
        work += [
            {
                "vehicle": name,
                "date": days[i],
                "hours": hours[i],
                "task": "grease",
                "why": "planned",
            }
            for i in done
        ]
    if len(rows):
        work = [row for row in work if row["vehicle"] != "D1"]
    vehicles = [
        {"vehicle": v, "kind": "plant", "in_service": "2025-01-01", "meter": meter}
        for v in ("D1", "D2")
    ]
    tables = {"vehicles": vehicles, "odometer": reads, "work": work + list(more.get("work", ()))}
    header = {
        "distance": "km",
        "as_of": as_of,
        "first_day": "2025-01-01",
        "money": "net",
        "currency": "EUR",
    }
    plan = plan_of({"plant": {"applies_to": ["plant"], "task": list(tasks)}}, "km")
    return log_of({name: pd.DataFrame(part) for name, part in tables.items()}, header, plan=plan)


@pytest.fixture(scope="module")
def digger():
    log = digger_log()
    readings = usage.readings(log)
    found = intervals.occasions(log)
    return log, readings, found, intervals.items(log)


class TestOneDay:
    def test_work_due_in_a_few_days_by_hours_is_on_the_list(self, digger):
        log, _readings, _found, _table = digger
        rows = actions(log)
        assert set(rows["vehicle"]) == {"D1", "D2"}
        assert (rows["low_date"] < rows["expected_date"]).all()
        assert (rows["high_date"] > rows["expected_date"]).all()

    def test_list_calendar_and_outlook_agree_to_the_day(self, digger):
        log, _readings, _found, _table = digger
        told = outlook.outlook_of(log, draws=50)
        ahead = outlook.next_work(told).set_index("vehicle")
        rows = actions(log, use=told.model).set_index("vehicle")
        events = calendar.events_of(log)[0].set_index("vehicle")
        for name in ("D1", "D2"):
            assert (
                rows.loc[name, "expected_date"]
                == ahead.loc[name, "due_date"]
                == events.loc[name, "day"]
            )
            assert rows.loc[name, "low_date"] == ahead.loc[name, "low_date"]
            assert (
                ahead.loc[name, "low_date"]
                < ahead.loc[name, "due_date"]
                < ahead.loc[name, "high_date"]
            )

    def test_a_chance_by_hours_is_no_certainty(self, digger):
        log, readings, found, _ = digger
        model = fit_usage(readings, log.tables["vehicles"][["vehicle", "kind", "site"]], log.as_of)
        now = found[found["is_current"]]
        told = due_dates(model, now)
        for i, day in told["date"].items():
            before, then, after = (
                chance_due(model, now.loc[[i]], day + pd.Timedelta(days=d)).item()
                for d in (-3, 0, 3)
            )
            assert before < then < after
            assert then > 0.4, "the first whole day by which it is as likely as not"
            assert before < 0.5

    def test_the_year_ahead_does_it_about_as_often_as_it_is_due(self, digger):
        log = digger[0]
        told = outlook.outlook_of(log, draws=100)
        jobs = outlook.totals(told, ["jobs"])["jobs"]
        assert jobs.value == pytest.approx((6 + 4) * 365 / 100, rel=0.15)
        assert jobs.low < jobs.value < jobs.high

    def test_visits_follow_the_hours(self, digger):
        log = digger[0]
        plan = outlook.plan_of_visits(outlook.outlook_of(log, draws=20))
        assert plan.jobs["vehicle"].value_counts()["D1"] == pytest.approx(22, abs=4)
        late = plan.jobs[plan.jobs["day"] > np.maximum(plan.jobs["due_day"], 0)]
        assert late.empty


class TestAChangedMeter:
    ROWS = (
        {"date": "2025-02-01", "hours": 150},
        {"date": "2025-06-01", "hours": 900},
        {"date": "2025-09-01", "hours": 1400, "restarts_at": 0},
        {"date": "2025-12-01", "hours": 480},
        {"date": "2026-03-01", "hours": 960},
        {"date": "2026-06-25", "hours": 1610},
    )

    def test_no_later_reading_is_blanked_nor_advice_given(self):
        log = digger_log(self.ROWS)
        assert log.warnings.empty, log.warnings["remedy"].tolist()
        assert log.set_aside.empty

    def test_its_hours_go_on_from_the_old_ones(self):
        log = digger_log(self.ROWS)
        read = usage.readings(log)
        one = read[read["vehicle"] == "D1"]
        assert one["hours"].tolist() == [150, 900, 1400, 1880, 2360, 3010]
        assert one["meter_hours"].tolist() == [150, 900, 1400, 480, 960, 1610]
        assert one["odometer_km"].isna().all()

    def test_work_read_off_the_new_meter_is_on_the_same_line(self):
        work = [
            {
                "vehicle": "D1",
                "date": "2026-03-01",
                "hours": 960,
                "task": "grease",
                "why": "planned",
            }
        ]
        log = digger_log(self.ROWS, work=work)
        found = intervals.occasions(log)
        now = found[(found["vehicle"] == "D1") & found["is_current"]].iloc[0]
        assert now["due_hours"] == 2460
        assert now["due_meter_hours"] == 1060
        assert now["overrun_hours"] == 550

    def test_a_reading_of_the_changes_day_belongs_to_the_meter_it_is_nearer_to(self):
        rows = [*self.ROWS, {"date": "2025-09-01", "hours": 2}]
        one = usage.readings(digger_log(rows))
        one = one[(one["vehicle"] == "D1") & (one["date"] == pd.Timestamp("2025-09-01"))]
        assert sorted(one["hours"]) == [1400, 1402]

    def test_an_odometers_change_leaves_the_hours_alone(self):
        rows = [
            {"date": "2025-02-01", "hours": 100, "odometer": 5000},
            {"date": "2025-09-01", "hours": 600, "odometer": 9000, "restarts_at": 10},
            {"date": "2026-03-01", "hours": 900, "odometer": 800},
        ]
        read = usage.readings(digger_log(rows, meter="both"))
        one = read[read["vehicle"] == "D1"]
        assert one["hours"].dropna().tolist() == [100, 600, 900]
        assert one["distance_km"].max() == 9790
