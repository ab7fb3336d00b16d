"""The next visits, by hand, and held to a search of every way to group a vehicle's work."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearbar import outlook
from wearbar.log import log_of
from wearbar.log.plan import plan_of
from wearbar.log.units import Units
from wearbar.outlook import next_visits
from wearbar.outlook.action_list import actions
from wearbar.outlook.next_visits import ALL_DAYS, GAP_DAYS, _grouped, visits_ahead
from wearbar.report.quantities import Show
from wearbar.report.words import outlook as wording

AS_OF = pd.Timestamp("2024-12-31")
OIL = {"item": "oil", "quantity": 2.3, "unit": "L", "pack": 1.0, "price": 9.0}
FLUID = {"item": "brake fluid", "quantity": 0.4, "unit": "L", "pack": 1.0, "price": 11.0}
TASKS = [
    {"code": "oil", "every": {"days": 100}, "hours": 1.0, "parts": [OIL], "covers": ["level"]},
    {"code": "level", "every": {"days": 60}, "hours": 0.1},
    {"code": "fluid", "every": {"days": 100}, "hours": 0.5, "parts": [FLUID], "safety": True},
    {"code": "wash", "every": {"days": 100}},
]
SHOW = Show(Units(distance="km", currency="GBP"))


def log_with(done, sites=None, header=(), **tables):
    """Vehicles whose tasks were last done so many days ago: {vehicle: {task: days}}, others today."""
    rows = [
        {"vehicle": v, "task": t, "date": AS_OF - pd.Timedelta(days=ago), "why": "planned"}
        for v, tasks in done.items()
        for t, ago in ({t["code"]: 0 for t in TASKS} | tasks).items()
    ]
    fleet = [
        {"vehicle": v, "kind": "van", "in_service": "2024-01-01", "meter": "none"}
        | ({"site": sites[v]} if sites else {})
        for v in done
    ]
    frames = {"vehicles": pd.DataFrame(fleet), "work": pd.DataFrame(rows)}
    told = {"as_of": "2024-12-31", "first_day": "2024-01-01", "distance": "km", "currency": "GBP"}
    plan = {"van": {"applies_to": ["van"], "task": [{"action": "replace"} | t for t in TASKS]}}
    return log_of(frames | tables, told | dict(header), plan=plan_of(plan, "km"))


def ahead(log, days=next_visits.MONTH_DAYS):
    return visits_ahead(actions(log, days=ALL_DAYS), log, days)


def told(found):
    return [(v, (d - AS_OF).days, i) for v, d, i in found[["vehicle", "day", "item"]].to_numpy()]


def test_a_vehicle_is_not_called_in_twice_in_a_fortnight():
    """Oil is 10 days over, fluid is due in 14 days, the wash in 15: it comes today, and then for the wash."""
    late, early = {"oil": 110, "fluid": 86, "wash": 85}, {"oil": 80}
    log = log_with({"V": late, "W": early})
    assert told(ahead(log)) == [
        ("V", 0, "oil"),
        ("V", 0, "fluid"),
        ("V", 15, "wash"),
        ("W", 20, "oil"),
    ]


spans = st.tuples(st.integers(0, 60), st.integers(0, 40))


@given(st.lists(spans, min_size=1, max_size=6))
@settings(max_examples=150, deadline=None)
def test_nothing_is_late_and_no_plan_has_fewer_visits_nor_two_in_a_fortnight(pairs):
    due = np.array([d for d, _ in pairs], dtype=float)
    opens = np.maximum(due - [w for _, w in pairs], 0.0)
    day = _grouped(due, opens, np.ones(len(due), dtype=bool))
    assert (day <= due).all()
    assert (day >= np.minimum(opens, due - GAP_DAYS)).all()
    visits = np.unique(day)
    assert (np.diff(visits) > GAP_DAYS).all()
    # of all sets of days on which each may be done in its window: none has fewer
    alone = np.unique(_grouped(due, opens, np.zeros(len(due), dtype=bool)))
    for n in range(len(alone)):
        for days in combinations(sorted(set(due)), n):
            at = np.array(days)[:, None]
            assert not ((opens <= at) & (at <= due)).any(axis=0).all()
    assert len(visits) <= len(alone)


@pytest.fixture(scope="module")
def depots():
    """(log, its visits): everything below is due today."""
    late = {"oil": 100, "fluid": 100}
    header = {"capacity": {"North": 2, "": 40, "Nowhere": 5}}
    sites = {"A": "North", "B": "North", "C": "South"}
    log = log_with(
        {"A": late, "B": late, "C": {"oil": 100, "level": 60, "wash": 100}}, sites, header
    )
    return log, ahead(log)


def test_what_another_job_covers_counts_neither_hours_nor_parts_twice(depots):
    found = depots[1].query("vehicle == 'C'")
    assert dict(zip(found["item"], found["is_done"], strict=True)) == {
        "oil": False,
        "level": True,
        "wash": False,
    }
    visit = outlook.each_visit(found).iloc[0]
    assert (visit["jobs"], visit["hours"], visit["unknown"]) == (3, 1.0, 1)
    # where no job has hours there, the visit has none: not nought
    untold = outlook.each_visit(found[found["item"].ne("oil")]).iloc[0]
    assert np.isnan(untold["hours"])
    assert untold["unknown"] == 1


def test_parts_are_ordered_by_site_in_the_plans_packs(depots):
    """North: two oil changes of 2.3 L are 4.6 L, 5 cans of a litre; a rest of brake fluid is not kept, so 2 cans for 0.8 L."""
    log, found = depots
    need = outlook.parts_needed(found, log)
    assert need[["site", "item", "order_packs", "amount"]].to_numpy().tolist() == [
        ["North", "brake fluid", 2.0, 22.0],
        ["North", "oil", 5.0, 45.0],
        ["South", "oil", 3.0, 27.0],
    ]
    assert need["vehicles"].tolist() == [("A", "B"), ("A", "B"), ("C",)]
    said, _ = wording.month_said(found, need, log, SHOW)
    assert "3 lines of parts, GBP 94 in all (North GBP 67 and South GBP 27)" in said


def test_labour_is_held_against_the_capacity_of_each_site(depots):
    log, found = depots
    names = ["site", "visits", "hours", "capacity_hours", "free_hours"]
    assert outlook.labour(found, log)[names].fillna(-1).to_numpy().tolist() == [
        ["North", 2, 3.0, 2.0, -1.0],
        ["South", 1, 1.0, -1.0, -1.0],
        ["", 3, 4.0, 40.0, 36.0],
    ]
    _, said = wording.month_said(found, outlook.parts_needed(found, log), log, SHOW)
    assert "need 4.0 hours" in said
    assert "1 job has no hours in the plan and counts as none" in said
    assert "**More than the capacity**: North (3.0 hours of 2)" in said
    assert "a capacity for Nowhere, where no vehicle is" in said


def test_worn_parts_are_ordered_by_the_axle_at_the_last_price():
    wheels = ["rear-left", "rear-right"]
    fitted = [
        {"vehicle": "A", "position": p, "category": "tyre", "item": "T", "new_depth": 8}
        | {"fitted": "2024-01-02", "fitted_odometer": 0, "price": 60, "limit_depth": 3}
        for p in wheels
    ]
    read = [
        {"vehicle": "A", "date": d, "odometer": km, "position": p, "category": "tyre"}
        | {"quantity": "depth", "value": value}
        for d, km, depths in (("2024-06-01", 5e3, (6, 6)), ("2024-12-30", 1e4, (2.5, 5)))
        for p, value in zip(wheels, depths, strict=True)
    ]
    vehicles = {"vehicle": ["A"], "kind": "van", "in_service": "2024-01-01"}
    log = log_of(
        {k: pd.DataFrame(v) for k, v in (("vehicles", vehicles), ("fitted", fitted), ("measurements", read))},
        {"as_of": "2024-12-31", "first_day": "2024-01-01", "distance": "km", "currency": "GBP"},
    )  # fmt: skip
    need = outlook.parts_needed(ahead(log), log)
    assert need[["item", "unit", "order_packs", "amount"]].to_numpy().tolist() == [
        ["T", "set", 1.0, 120.0]
    ]


def test_a_log_with_nothing_to_do_takes_no_part_and_no_hour():
    log = log_with({"A": {}})
    found = ahead(log)
    assert found.empty
    need = outlook.parts_needed(found, log)
    assert need.empty
    parts, labour = wording.month_said(found, need, log, SHOW)
    assert "take no part" in parts
    assert labour == ""
