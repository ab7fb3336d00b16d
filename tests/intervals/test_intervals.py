"""Due points against cases worked by hand (tests/reference/due), and what must never change them."""

import re
import tomllib
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from wearbar import intervals
from wearbar.intervals import items, occasions
from wearbar.log import log_of
from wearbar.log.plan import plan_of
from wearbar.log.schema import TABLES
from wearbar.log.units import DISTANCE_KM

HERE = Path(__file__).parent.parent / "reference" / "due"
MILE = DISTANCE_KM["mi"]
PLANS = tomllib.loads((HERE / "plans.toml").read_text(encoding="utf-8"))
LAST = "work 2024-05-20 500 oil; work 2025-05-01 10000 oil"
# columns of the values that stand without a name
VALUES = {
    "work": "date odometer task",
    "odometer": "date odometer",
    "fitted": "fitted fitted_odometer category position",
    "use": "from to distance",
    "layups": "from to",
    "defects": "defect found odometer grade",
    "certificates": "kind tested valid_to result",
    "deferrals": "date task until until_odometer",
    "dash_events": "date event",
}
FILL = {"work": {"why": "planned"}, "fitted": {"item": "a part"}, "defects": {"text": "as found"}}


def read_cases():
    for line in (HERE / "cases.txt").read_text(encoding="utf-8").splitlines():
        if line and not line.startswith("#"):
            yield tuple(field.strip() for field in line.split(" | "))


CASES = list(read_cases())


def row_of(text):
    table, *values = text.split()
    named = dict(v.split("=", 1) for v in values if "=" in v)
    plain = dict(zip(VALUES[table].split(), [v for v in values if "=" not in v], strict=False))
    return table, {"vehicle": "V"} | FILL.get(table, {}) | {
        k: v for k, v in (plain | named).items() if v != "-"
    }


IDS = {name: [c.name for c in TABLES[name] if c.kind == "id"] for name in TABLES}


def log_from_cases(cases, as_of):
    """A log of (name, plan, vehicle, rows) of several cases, each a vehicle by its name."""
    tables, plans = {}, {}
    for name, plan, vehicle, rows in cases:
        plans[plan] = PLANS[plan]
        vehicle = dict(v.split("=") for v in vehicle.split() if v != "-")
        vehicle = {
            "vehicle": "V",
            "kind": "van",
            "in_service": "2024-05-01",
            "plan": plan,
        } | vehicle
        texts = rows.replace("L", LAST, rows.startswith("L")).split(";")
        begun = vehicle.get("acquired", vehicle["in_service"])
        told = [("vehicles", {"acquired": begun} | vehicle)]
        for table, row in [*told, *(row_of(text) for text in texts if text.strip())]:
            own = {k: f"{row[k]} of {name}" for k in IDS[table] if k in row and row[k] != plan}
            tables.setdefault(table, []).append(row | own | {"vehicle": name})
    header = {"name": "cases", "currency": "GBP", "money": "net", "distance": "mi", "as_of": as_of}
    frames = {k: pd.DataFrame(v) for k, v in tables.items()}
    log = log_of(frames, header | {"first_day": "2000-01-01"}, plan=plan_of(plans, "mi"))
    assert not len(log.set_aside), log.set_aside
    return log


@cache
def plan_in_km(name):
    return plan_of({name: PLANS[name]}, "km")


def log_from(plan, vehicle, rows, as_of):
    return log_from_cases([("V", plan, vehicle, rows)], as_of)


# what else the log holds matters to these: whether any work is looked at again, when it was first kept
ALONE = ("52b", "141c")


@cache
def answers(as_of, alone=""):
    """(occasions, items) of the cases of one report date."""
    of_day = [case[:4] for case in CASES if case[4] == as_of]
    log = log_from_cases(
        [c for c in of_day if (c[0] == alone if alone else c[0] not in ALONE)], as_of
    )
    return occasions(log), items(log)


def told(row, what):
    """A value of an occasion or item as the cases write it."""
    pairs = {
        "due": ("due_km", "due_date"),
        "early": ("early_km", "early_date"),
        "late": ("late_km", "late_date"),
    }
    pairs |= {
        "over": ("overrun_km", "overrun_days"),
        "past": ("past_km", "past_days"),
        "severe_due": ("severe_due_km", "severe_due_date"),
    }
    km = {
        "due_low": "due_low_km",
        "due_high": "due_high_km",
        "due_odometer": "due_odometer_km",
        "driven_past": "driven_past_km",
    }
    km |= {"driven": "driven_km"}
    names = {
        "since": "severe_since",
        "first": "first_limit",
        "over_hours": "overrun_hours",
        "matured": "is_matured",
        "laid_up": "is_laid_up",
    }
    names |= {"expected": "expected_date", "late_edge": "late_edge_date", "current": "is_current"}
    if what in pairs:
        return " / ".join(
            [plain(row.get(pairs[what][0], np.nan), MILE), plain(row.get(pairs[what][1], np.nan))]
        )
    if what in km:
        return plain(row[km[what]], MILE)
    if what == "share_km":
        return plain(row["overrun_km"] / row["interval_km"])
    return plain(row[names.get(what, what)])


def plain(x, unit=1.0):
    if isinstance(x, (str, bool, np.bool_)):
        return str(x)
    if pd.isna(x):
        return "-"
    return (
        f"{x:%Y-%m-%d}"
        if isinstance(x, pd.Timestamp)
        else f"{round(x / unit, 4) + 0:g}"
        if abs(x) < 1e5
        else str(round(x / unit, 3)).removesuffix(".0")
    )


def chosen(found, table, who):
    """(rows that an expectation speaks of, the number it names)."""
    who, _, number = who.partition("#")
    if re.fullmatch(r"D\d|.+:.+", who):
        kind, _, item = who.rpartition(":")
        item, kind = (kind, item) if item == "certificate" else (item, kind or "defect")
        return table[(table["item"] == item) & (table["what"] == kind)], number
    task, _, position = who.partition("@")
    task = task or ("oil" if (found["task"] == "oil").any() else found["task"].iat[0])
    return found[(found["task"] == task) & (found["position"] == position)], number


@pytest.mark.parametrize("case", CASES, ids=lambda c: c[0])
def test_a_case_worked_by_hand(case):
    name, _, _, _, as_of, expected, _ = case
    found, table = (
        of[of["vehicle"] == name] for of in answers(as_of, name if name in ALONE else "")
    )
    table = table.assign(item=table["item"].str.removesuffix(f" of {name}"))
    for expectation in expected.split("; "):
        left, _, value = expectation.strip().partition("=")
        who, _, what = left.rpartition(".") if "." in left else ("", "", left)
        rows, number = chosen(found, table, who)
        if what == "n":
            assert len(rows) == int(value), expectation
            continue
        row = rows.iloc[int(number) - 1 if number else -1]
        got = told(row, what)
        assert got == value or ("/" not in value and got == f"{value} / -"), (
            f"{expectation}, found {got}"
        )


def test_there_are_as_many_cases_as_are_claimed():
    assert len(CASES) >= 80
    assert len({c[0] for c in CASES}) == len(CASES)


# what must never change a due point

DAYS = pd.date_range("2024-05-01", "2027-04-30")
DUE = [
    "task",
    "position",
    "number",
    "basis",
    "due_date",
    "early_date",
    "late_date",
    "due_km",
    "early_km",
    "late_km",
    "state",
    "outcome",
]


@st.composite
def records(draw):
    """A vehicle's record in km by one of the plans: (day, km, task or None, position), days and distances ascending."""
    plan = draw(st.sampled_from(["filter", "brakes", "ladder", "base", "tightened"]))
    tasks = [
        task["code"]
        for task in (PLANS[plan][0] if isinstance(PLANS[plan], list) else PLANS[plan])["task"]
    ]
    days = sorted(draw(st.lists(st.integers(5, 1000), min_size=1, max_size=12, unique=True)))
    steps = draw(st.lists(st.integers(0, 60), min_size=len(days), max_size=len(days)))
    km = np.cumsum(np.diff([0, *days]) * np.array(steps))
    what = draw(st.lists(st.sampled_from([*tasks, None]), min_size=len(days), max_size=len(days)))
    where = draw(
        st.lists(st.sampled_from(["front", "rear", ""]), min_size=len(days), max_size=len(days))
    )
    return plan, [
        (DAYS[d], float(k), t, p) for d, k, t, p in zip(days, km, what, where, strict=True)
    ]


def logged(plan, rows, distance="km", as_of="2027-04-30", factor=1.0):
    """The record as a log in a unit; `factor` turns its km into that unit. The plan's own figures are read as km and turned as well."""
    work = [
        {"date": d, "odometer": k * factor, "task": t, "position": p or None}
        for d, k, t, p in rows
        if t
    ]
    read = [{"date": d, "odometer": k * factor} for d, k, t, _ in rows if not t] + [
        {"date": DAYS[1], "odometer": 0.0}
    ]
    tables = {
        "odometer": pd.DataFrame(read),
        "vehicles": pd.DataFrame([{"kind": "van", "in_service": DAYS[0], "plan": plan}]),
    }
    if work:
        tables["work"] = pd.DataFrame(work).assign(why="planned")
    tables = {name: table.assign(vehicle="V") for name, table in tables.items()}
    header = {
        "distance": distance,
        "as_of": as_of,
        "first_day": "2024-05-01",
        "money": "net",
        "currency": "GBP",
    }
    return log_of(tables, header, plan=plan_in_km(plan))


def same(a, b):
    pd.testing.assert_frame_equal(
        a[DUE].reset_index(drop=True),
        b[DUE].reset_index(drop=True),
        check_dtype=False,
        rtol=0,
        atol=1e-6,
    )


SOME = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@SOME
@given(records(), st.randoms(use_true_random=False), st.integers(30, 1090))
def test_what_must_not_move_a_due_point_does_not(record, random, cut):
    plan, rows = record
    whole, day = occasions(logged(plan, rows)), DAYS[cut]
    # the order of the rows
    shuffled = list(rows)
    random.shuffle(shuffled)
    same(whole, occasions(logged(plan, shuffled)))
    # the unit of distance
    same(whole, occasions(logged(plan, rows, "mi", factor=1 / MILE)))
    # what comes later, for work done before
    part = occasions(logged(plan, [row for row in rows if row[0] <= day], as_of=f"{day:%Y-%m-%d}"))
    done = [f[f["done_date"] <= day] for f in (whole, part)]
    same(*(f.assign(outcome="", state="") for f in done))
    assert (part["outcome"].isin(["late"]) & part["done_date"].notna()).sum() == (
        done[0]["outcome"] == "late"
    ).sum()
    # and a rate counts each occasion once or says why not
    counted = whole[whole["in_rate"]]
    assert counted["outcome"].isin(["on-time", "early", "late"]).all()
    assert counted["is_matured"].all()
    assert whole.loc[~whole["in_rate"], "why"].isin(intervals.REASONS).all()
    assert not whole.duplicated(["task", "position", "number"]).any()
    assert (whole.groupby(["task", "position"])["is_current"].sum() <= 1).all()
