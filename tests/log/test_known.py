"""Work is judged by what could be known: a row that ends or is typed later changes no outcome judged earlier."""

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from wearbar.intervals import occasions
from wearbar.log import log_of
from wearbar.log.plan import plan_of

PLANS = tomllib.loads(
    (Path(__file__).parent.parent / "reference" / "due" / "plans.toml").read_text(encoding="utf-8")
)
DAYS = pd.date_range("2024-01-01", "2026-12-31")
LAST = len(DAYS) - 1
KEY = ["task", "position", "anchor_date"]
SOME = settings(max_examples=12, suppress_health_check=[HealthCheck.too_slow])
WRITTEN_AT_END = {"use": "to"}
MAIN = {
    "use": "from",
    "layups": "from",
    "fitted": "fitted",
    "defects": "found",
    "certificates": "tested",
}


def log_by(rows, plan, day, cut=False):
    """The log of `rows` (table, values) on a day; with `cut`, of what could be known on it alone."""
    tables = {
        "vehicles": [
            {
                "vehicle": "V",
                "kind": "van",
                "in_service": DAYS[0],
                "in_service_odometer": 0,
                "plan": plan,
            }
        ]
    }
    tables["odometer"] = [{"date": DAYS[0], "odometer": 0.0}]
    tables["work"] = [{"date": DAYS[1], "task": "wash", "why": "planned"}]
    for table, row in rows:
        if not cut or known(table, row) <= day:
            ends = {
                c: None
                for c in ("to", "closed", "removed")
                if cut and c in row and row[c] is not None and row[c] > day
            }
            tables.setdefault(table, []).append(row | ends)
    frames = {name: pd.DataFrame(part).assign(vehicle="V") for name, part in tables.items()}
    header = {
        "distance": "km",
        "as_of": str(day.date()),
        "first_day": "2024-01-01",
        "money": "net",
        "currency": "EUR",
    }
    return log_of(frames, header, plan=plan_of({plan: PLANS[plan]}, "km"))


def known(table, row):
    date = row[WRITTEN_AT_END.get(table, MAIN.get(table, "date"))]
    return max(date, row["recorded"]) if row.get("recorded") is not None else date


def day_of(n):
    return DAYS[min(int(n), LAST)]


@st.composite
def records(draw):
    """(plan, rows of every table that bears on work, the day on which it is judged)."""
    plan = draw(st.sampled_from(["base", "filter", "brakes", "test", "exact"]))
    rate = np.repeat(draw(st.lists(st.integers(0, 80), min_size=12, max_size=12)), 100)[: len(DAYS)]
    km = np.cumsum(rate).astype(float)
    tasks, number = [task["code"] for task in PLANS[plan]["task"]], iter(range(1000))

    def day(low=2):
        return draw(st.integers(low, LAST - 1))

    def typed(n, row):
        lag = draw(st.sampled_from([None, None, 0, 3, 40, 200, 500]))
        return row | ({} if lag is None else {"recorded": day_of(n + lag)})

    rows = [
        ("odometer", typed(n, {"date": DAYS[n], "odometer": km[n]}))
        for n in draw(st.sets(st.integers(2, LAST), min_size=4, max_size=10))
    ]
    for _ in range(draw(st.integers(1, 8))):
        n, with_km = day(), draw(st.booleans())
        fails = draw(st.sampled_from(["pass", "pass", "pass", "fail"]))
        row = {
            "date": DAYS[n],
            "odometer": km[n] if with_km else None,
            "task": draw(st.sampled_from(tasks)),
            "result": fails,
        }
        row |= {
            "why": draw(st.sampled_from(["planned", "planned", "defect"])),
            "visit": f"W{next(number)}",
        }
        rows.append(("work", typed(n, row)))
        if fails == "fail" and draw(st.booleans()):
            defect = {
                "defect": f"D{next(number)}",
                "found": DAYS[n],
                "text": "x",
                "grade": "note",
                "found_visit": row["visit"],
            }
            rows.append(
                ("defects", typed(n, defect | {"closed": day_of(n + draw(st.integers(0, 90)))}))
            )
    for _ in range(draw(st.integers(0, 4))):
        n = day()
        share = {"loose": draw(st.sampled_from([0.0, 0.5]))}
        rows.append(
            (
                "use",
                typed(n, {"from": DAYS[n], "to": day_of(n + draw(st.integers(20, 400))), **share}),
            )
        )
    for _ in range(draw(st.integers(0, 2))):
        n = day()
        end = day_of(n + draw(st.integers(5, 150)))
        rows.append(
            ("layups", typed(n, {"from": DAYS[n], "to": draw(st.sampled_from([end, None]))}))
        )
    for _ in range(draw(st.integers(0, 2))):
        n = day()
        part = {
            "position": "front",
            "category": draw(st.sampled_from(["air-filter", "brake-pad"])),
            "item": "a",
            "fitted": DAYS[n],
        }
        part |= {"fitted_odometer": km[n], "part": draw(st.sampled_from([None, "P1"]))}
        rows.append(("fitted", typed(n, part)))
    for _ in range(draw(st.integers(0, 2))):
        n = day()
        rows.append(
            (
                "certificates",
                typed(
                    n,
                    {
                        "kind": "roadworthiness",
                        "tested": DAYS[n],
                        "valid_to": day_of(n + 364),
                        "result": "pass",
                    },
                ),
            )
        )
    return plan, rows, DAYS[draw(st.integers(200, LAST - 50))]


@SOME
@given(records())
def test_what_ends_or_is_typed_later_changes_no_outcome_judged_earlier(record):
    plan, rows, day = record
    before, after = (
        occasions(log_by(rows, plan, day, cut=True)),
        occasions(log_by(rows, plan, DAYS[-1])),
    )
    judged = before[before["in_rate"]]
    both = judged.merge(after, on=KEY, how="left", suffixes=("", "_after"))
    moved = both[both["outcome"] != both["outcome_after"]]
    assert moved.empty, moved[
        [*KEY, "due_date", "outcome", "outcome_after", "why_after", "late_edge_date"]
    ].to_string()


def test_late_by_the_record_alone_is_said():
    from wearbar.report.template import words_of

    rows = [("odometer", {"date": DAYS[n], "odometer": 20.0 * n}) for n in (100, 400, 900)]
    work = {
        "date": DAYS[50],
        "odometer": 1000.0,
        "task": "oil",
        "why": "planned",
        "recorded": DAYS[300],
    }
    found = occasions(log_by([*rows, ("work", work)], "exact", DAYS[350]))
    assert found["outcome"].iloc[0] == "late"
    typed_late = [rows["why"].eq("typed-late").sum() for rows in (found, found.iloc[1:])]
    said = [words_of("interval_compliance")("typed_late", n=n) for n in typed_late]
    assert said[0] == (
        "1 job was done on time but typed in only after its last day on time. It counts neither as on time nor as late. "
        "Type work in on the day it is done."
    )
    assert said[1] == ""
