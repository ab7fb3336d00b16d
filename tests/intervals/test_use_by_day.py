"""The year before each day, as was known on it: worked by hand, and the same that makes work severe."""

import pandas as pd
import pytest

from wearbar.intervals import occasions, use_by_day
from wearbar.log import log_of
from wearbar.log.plan import plan_of

OIL = {
    "code": "oil",
    "action": "replace",
    "every": {"distance": 6000},
    "severe": {"distance": 3000},
}
PLAN = {"vans": {"applies_to": ["van"], "severe_when": {"loose": 0.3}, "task": [OIL]}}


@pytest.fixture(scope="module")
def log():
    """10 km a day; a tenth on loose ground in 2024, half from then on, typed in by the quarter."""
    days = pd.date_range("2024-01-01", "2025-12-31", freq="QS")
    use = pd.DataFrame({"vehicle": "V", "from": days, "to": days + pd.offsets.QuarterEnd()})
    use["loose"] = use["from"].dt.year.map({2024: 0.1, 2025: 0.5})
    read = pd.date_range("2024-01-01", "2025-12-31", freq="MS")
    van = {"vehicle": "V", "kind": "van", "in_service": "2024-01-01", "in_service_odometer": 0}
    tables = {
        "vehicles": pd.DataFrame([van]),
        "odometer": pd.DataFrame(
            {"vehicle": "V", "date": read, "odometer": 10.0 * (read - read[0]).days}
        ),
        "use": use,
        "work": pd.DataFrame({"vehicle": ["V"], "date": ["2025-02-01"], "task": ["oil"]}).assign(
            odometer=3970, why="planned"
        ),
    }
    header = {"distance": "km", "as_of": "2025-12-31", "first_day": "2024-01-01"}
    return log_of(tables, header, plan=plan_of(PLAN, "km"))


def test_a_year_worked_by_hand(log):
    found = use_by_day(log).set_index("date")["loose"]
    assert found["2024-12-31"] == pytest.approx(0.1)
    # by 30 June 2025 half a year of each, up to the last reading known: 1 April 2024 on
    days = {"2024": 184, "2025": 151}
    share = (0.1 * days["2024"] + 0.5 * days["2025"]) / sum(days.values())
    assert found["2025-06-30"] == pytest.approx(share, abs=0.02)
    assert found["2025-12-31"] == pytest.approx(0.5, abs=0.01)


def test_the_first_day_is_the_one_from_which_work_is_severe(log):
    days = use_by_day(log)
    first = days.loc[days["duty"].eq("severe"), "date"].min()
    assert occasions(log).query("is_current")["severe_since"].tolist() == [first]


def test_in_the_fleet_work_is_severe_from_such_a_day_or_from_its_beginning(demo_log):
    days, jobs = use_by_day(demo_log("fleet")), occasions(demo_log("fleet"))
    jobs = jobs[jobs["duty"].eq("severe")]
    met = pd.MultiIndex.from_frame(days.loc[days["duty"].eq("severe"), ["vehicle", "date"]])
    on_one = pd.MultiIndex.from_frame(jobs[["vehicle", "severe_since"]]).isin(met)
    from_begin = jobs["severe_since"].le(jobs["anchor_date"]).to_numpy()
    assert len(jobs) > 100
    assert on_one.any()
    assert (on_one | from_begin).all()


def test_without_a_plan_or_use_nothing_is_told(demo_log):
    empty = demo_log("owner").only([])
    assert use_by_day(empty).empty
    assert "loose" in use_by_day(empty)
