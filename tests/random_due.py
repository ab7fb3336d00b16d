"""Random plans and logs, odd ones among them, for what must hold of every due point.

Ladders and expiries, first and severe limits, windows of every form, positions, covers, parts that begin a task
anew, hour meters, lay-ups, certificates, deferrals, re-checks, several versions of a plan, rows typed late.
"""

import numpy as np
import pandas as pd

from wearbar.log import log_of
from wearbar.log.plan import plan_of

__all__ = ["AS_OF", "FIRST_DAY", "random_log"]

FIRST_DAY, AS_OF = pd.Timestamp("2022-01-01"), pd.Timestamp("2026-03-31")
SHARES = ("loose", "short_trips")
PARTS = ("filter", "engine", "pads")
PLACES = (("front", "rear"), ("left", "right"))


def random_log(rng, vehicles=20, more=()):
    """A log in km of that many vehicles, V00 and so on, each with a plan of its own. more: (table, row) beside."""
    names = [f"V{i:02d}" for i in range(vehicles)]
    plans = {name: _plan(rng) for name in names}
    rows = {}
    for name in names:
        for table, row in _rows(rng, plans[name]):
            rows.setdefault(table, []).append({"vehicle": name, "plan": name} | row)
    for table, row in more:
        rows.setdefault(table, []).append(row)
    tables = {name: pd.DataFrame(of) for name, of in rows.items()}
    tables = {
        name: t if name == "vehicles" else t.drop(columns="plan", errors="ignore")
        for name, t in tables.items()
    }
    header = {"distance": "km", "as_of": f"{AS_OF:%Y-%m-%d}", "first_day": f"{FIRST_DAY:%Y-%m-%d}"}
    return log_of(tables, header | {"money": "net", "currency": "GBP"}, plan=plan_of(plans, "km"))


def _any(rng, share):
    return rng.random() < share


def _date(day):
    return (FIRST_DAY + pd.Timedelta(days=int(day))).normalize()


def _plan(rng):
    """One plan, or its versions, the oldest first."""
    severe = {name: float(rng.choice([0.1, 0.25, 0.6])) for name in SHARES if _any(rng, 0.4)}
    tasks = [_task(rng, i, bool(severe)) for i in range(rng.integers(1, 4))]
    for i, task in enumerate(tasks[:-1]):
        if _any(rng, 0.4):
            task["covers"] = [t["code"] for t in tasks[i + 1 :] if not t.get("statutory")]
    versions, begins = (
        [],
        sorted(rng.integers(-100, 1500, rng.choice([0, 1, 2], p=[0.5, 0.35, 0.15]))),
    )
    for begin in [None, *begins]:
        if begin is not None and tasks[-1]["code"] != "t9" and _any(rng, 0.2):
            tasks = [*tasks, _task(rng, 9, bool(severe))]
        version = {
            "task": tasks,
            "unknown_history": str(rng.choice(["due-at-once", "from-first-reading"])),
        }
        version |= {"severe_when": severe} if severe else {}
        versions.append(version | ({} if begin is None else {"from": _date(begin).date()}))
        tasks = [_altered(rng, task) for task in tasks]
    if len(versions) > 1 and _any(rng, 0.3):
        versions = versions[1:]  # a plan that begins on a day
    return versions if len(versions) > 1 else versions[0]


def _limits(rng, km=12_000.0, months=14, hours=500.0):
    which = rng.choice(
        ["k", "m", "d", "h", "km", "kd", "hm", "khm", "kmd"],
        p=[0.15, 0.15, 0.05, 0.1, 0.3, 0.05, 0.1, 0.05, 0.05],
    )
    sets = {
        "k": {"distance": float(rng.integers(2, 1 + km // 500) * 500)},
        "m": {"months": int(rng.integers(1, months))},
        "d": {"days": int(rng.integers(10, 500))},
        "h": {"hours": float(rng.integers(2, 1 + hours // 25) * 25)},
    }
    return {key: value for unit in which for key, value in sets[unit].items()}


def _task(rng, i, severe):
    every = _limits(rng)
    task = {"code": f"t{i}", "action": str(rng.choice(["inspect", "replace"])), "every": every}
    task["measured_from"] = str(rng.choice(["done", "schedule", "expiry"], p=[0.45, 0.4, 0.15]))
    task["tolerance"] = _tolerance(rng, every)
    if _any(rng, 0.5):
        task["first"] = _limits(rng, 3000.0, 4, 100.0)
    if severe and _any(rng, 0.6):
        task["severe"] = {k: _like(v, v * rng.choice([0.3, 0.5, 1.0])) for k, v in every.items()}
    if _any(rng, 0.25):
        task["positions"] = list(PLACES[rng.integers(len(PLACES))])
    if _any(rng, 0.3):
        task["part"] = str(rng.choice(PARTS))
    if _any(rng, 0.25):
        task["first_after"] = ["engine"]
    if _any(rng, 0.2):
        task["recheck"] = {"distance": 50.0, "days": 2}
    task |= {"safety": bool(_any(rng, 0.3)), "statutory": bool(_any(rng, 0.15))}
    return task


def _tolerance(rng, every):
    kind = rng.integers(4)
    if kind == 0:
        return float(rng.choice([0.0, 0.1, 0.25, 0.9]))
    if kind == 1:
        return {
            "early": float(rng.choice([0.0, 0.1, 0.5])),
            "late": float(rng.choice([0.0, 0.05, 0.3])),
        }
    if kind == 2 and not {"days", "months"} & every.keys():
        return {key: float(int(limit * 0.1)) for key, limit in every.items()}
    days = min(every.get("days", 9999), every.get("months", 999) * 28)
    amounts = {key: float(int(0.2 * every[key])) for key in ("distance", "hours") if key in every}
    return amounts | ({"days": int(min(30, 0.4 * days))} if days < 9999 else {})


def _like(old, new):
    return max(int(new), 1) if isinstance(old, int) else float(max(round(new), 1))


def _altered(rng, task):
    """The task in a later version: tighter, looser, or as it was."""
    if _any(rng, 0.4):
        return task
    factor = rng.choice([0.5, 0.8, 1.5])
    task = task | {"every": {k: _like(v, v * factor) for k, v in task["every"].items()}}
    if "severe" in task:
        task["severe"] = {k: _like(v, v * rng.choice([0.5, 1.0])) for k, v in task["every"].items()}
    if isinstance(task["tolerance"], dict) or _any(rng, 0.3):
        task["tolerance"] = _tolerance(rng, task["every"])
    if _any(rng, 0.1):
        task["measured_from"] = str(rng.choice(["done", "schedule"]))
    return task


def _rows(rng, plan):
    """(table, row) of one vehicle's log."""
    versions = plan if isinstance(plan, list) else [plan]
    codes = sorted({task["code"] for v in versions for task in v["task"]})
    hours = any("hours" in task["every"] for v in versions for task in v["task"])
    meter = rng.choice(["both", "hours", "distance"], p=[0.8, 0.1, 0.1]) if hours else "distance"
    begun = int(rng.integers(-300, 900))
    ours = begun if _any(rng, 0.6) else begun + int(rng.integers(1, 900))
    last = (AS_OF - FIRST_DAY).days
    ours = min(ours, last - 30)
    days = np.unique(np.append(rng.integers(max(ours, 0), last, rng.integers(2, 40)), ours))
    days = days[days <= last - rng.choice([0, 0, 20, 100])]
    a_day = rng.choice([0.0, 5.0, 30.0, 120.0], size=len(days), p=[0.1, 0.3, 0.4, 0.2])
    steps = np.diff(days, prepend=begun) * a_day
    km, h = np.floor(np.cumsum(steps)), np.floor(np.cumsum(steps / 40.0))
    vehicle = {"kind": "van", "in_service": _date(begun), "meter": str(meter)}
    vehicle |= {"acquired": _date(ours)} if ours > begun else {}
    if ours > begun and _any(rng, 0.7):
        vehicle |= {"acquired_odometer": float(km[0])} if len(km) else {}
    if len(days) and _any(rng, 0.1):
        vehicle["disposed"] = _date(days[-1] + rng.integers(0, 100))
    yield "vehicles", vehicle
    for day, at, run in zip(days, km, h, strict=True):
        known = {"recorded": _date(day + rng.integers(0, 90))} if _any(rng, 0.1) else {}
        at = {"odometer": at} if meter != "hours" and not _any(rng, 0.1) else {}
        at |= {"hours": run} if meter != "distance" and not _any(rng, 0.2) else {}
        what = rng.random()
        if what < 0.3 and at:
            yield "odometer", {"date": _date(day)} | at | known
        elif what < 0.9:
            yield from _work(rng, versions, codes, day, at, known)
        elif "odometer" in at:
            yield "fitted", _fitted(rng, day, at, known)
    yield from _others(rng, begun, last, versions)


def _work(rng, versions, codes, day, at, known):
    """What one visit did."""
    for code in rng.choice(codes, rng.integers(1, len(codes) + 1), replace=False):
        task = next(t for v in versions for t in v["task"] if t["code"] == code)
        row = (
            {"date": _date(day), "task": str(code), "visit": f"J{day}", "why": "planned"}
            | at
            | known
        )
        row["why"] = str(rng.choice(["planned", "planned", "planned", "defect"]))
        if "positions" in task and _any(rng, 0.7):
            row["position"] = str(rng.choice(task["positions"]))
        if task["action"] == "inspect" and _any(rng, 0.6):
            row["result"] = str(
                rng.choice(["pass", "advisory", "fail", "not-checked"], p=[0.6, 0.2, 0.1, 0.1])
            )
        yield "work", row
        if row.get("result") == "fail" and _any(rng, 0.7):
            closed = {"closed": _date(day + rng.integers(0, 60))} if _any(rng, 0.6) else {}
            defect = {"defect": f"D{day}{code}{rng.integers(10**6)}", "found": _date(day)}
            defect |= {"text": "worn", "grade": "off-road", "found_visit": row["visit"]}
            yield "defects", defect | closed
        if _any(rng, 0.05):
            yield "work", {"date": _date(day + 2), "task": f"{code}-recheck", "why": "planned"}


def _fitted(rng, day, at, known):
    row = {"category": str(rng.choice(PARTS)), "item": "a part", "fitted": _date(day)} | known
    row |= {
        "position": str(rng.choice(["front", "rear", "only"])),
        "fitted_odometer": at["odometer"],
    }
    if _any(rng, 0.3):
        row |= {
            "removed": _date(day + rng.integers(1, 400)),
            "reason": str(rng.choice(["worn", "failed"])),
        }
    return row | ({"part": f"P{rng.integers(5)}"} if _any(rng, 0.3) else {})


def _others(rng, begun, last, versions):
    """Use, lay-ups, certificates, deferrals."""
    for day in sorted(rng.integers(max(begun, 0), last, rng.integers(0, 7))):
        late = {"recorded": _date(day + rng.integers(0, 200))} if _any(rng, 0.2) else {}
        told = {name: float(rng.choice([0.0, 0.2, 0.7])) for name in SHARES if _any(rng, 0.8)}
        yield (
            "use",
            {"from": _date(max(day - rng.integers(150, 366), begun)), "to": _date(day)}
            | told
            | late,
        )
    for day in sorted(rng.integers(max(begun, 0), last, rng.choice([0, 1, 2], p=[0.6, 0.3, 0.1]))):
        late = {"recorded": _date(day + rng.integers(0, 90))} if _any(rng, 0.2) else {}
        until = {"to": _date(day + rng.integers(5, 200))} if _any(rng, 0.85) else {}
        yield "layups", {"from": _date(day)} | until | late
    expires = sorted(
        {t["code"] for v in versions for t in v["task"] if t.get("measured_from") == "expiry"}
    )
    if expires and _any(rng, 0.3):
        day = int(rng.integers(max(begun, 0), last))
        yield (
            "certificates",
            {
                "kind": expires[0],
                "tested": _date(day),
                "valid_to": _date(day + 364),
                "result": "pass",
            },
        )
    if _any(rng, 0.2):
        day = int(rng.integers(max(begun, 0), last))
        until = {"until": _date(day + 30)} if _any(rng, 0.7) else {}
        yield (
            "deferrals",
            {"date": _date(day), "task": versions[0]["task"][0]["code"], "reason": "parts"} | until,
        )
