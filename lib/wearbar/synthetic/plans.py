"""The plan templates as the generator uses them: tasks as arrays, vehicle by task; and as the text of a log's own plan."""

import math
import re
import tomllib
from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.places import place
from wearbar.units import DISTANCE_KM

__all__ = ["TaskGrid", "plan_text", "recheck_limits", "severe_when", "task_grid"]

MONTH_DAYS = 30.436875
ELSEWHERE = ("roadworthiness-test",)  # followed by its own expiry, not by the visits


@dataclass(frozen=True)
class TaskGrid:
    """Planned tasks, one column a task and position; arrays are vehicles x columns, infinite where a limit is absent."""

    code: np.ndarray
    position: np.ndarray
    first_km: np.ndarray
    first_days: np.ndarray
    every_km: np.ndarray
    every_days: np.ndarray
    severe_km: np.ndarray
    severe_days: np.ndarray
    hours: np.ndarray
    parts_cost: np.ndarray


def plan_text(names, distance="mi"):
    """The named templates as one plan.toml, distances in `distance`; from miles to km they are rounded to 100 (below 1,000, to 10)."""
    texts = [place("shared", "plans", f"{name}.toml").read_text(encoding="utf-8") for name in names]
    if distance == "mi":
        return "\n".join(texts)
    return re.sub(r"distance = (\d+)", _in_km, "\n".join(texts)).replace("Distances in miles.", "Distances in km.")


def _in_km(match):
    km = int(match[1]) * DISTANCE_KM["mi"]
    step = 100 if km >= 1000 else 10
    return f"distance = {round(km / step) * step}"


def _plans(names, distance):
    return tomllib.loads(plan_text(sorted(set(names)), distance))


def severe_when(plan_of_vehicle, distance):
    """Shares of loose and of mud or water, vehicle by vehicle, that make the severe limits apply."""
    plans = _plans(plan_of_vehicle, distance)
    return tuple(np.array([plans[p]["severe_when"][c] for p in plan_of_vehicle]) for c in ("loose", "mud_water"))


def recheck_limits(plan_of_vehicle, distance):
    """What the plans ask to be looked at again: plan, task, km, days."""
    plans, unit = _plans(plan_of_vehicle, distance), DISTANCE_KM[distance]
    asked = [(name, t["code"], t["recheck"]) for name, plan in plans.items() for t in plan["task"] if "recheck" in t]
    return pd.DataFrame([(p, t, r["distance"] * unit, r["days"]) for p, t, r in asked], columns=["plan", "task", "km", "days"])


def task_grid(plan_of_vehicle, distance):
    """The `TaskGrid` of vehicles that follow these plans; plans with fewer tasks have empty columns at the end."""
    plans = _plans(plan_of_vehicle, distance)
    unit = DISTANCE_KM[distance]
    rows = {name: _rows(plan["task"], unit) for name, plan in plans.items()}
    width = max(map(len, rows.values()))
    blank = ("", "", *[math.inf] * 6, 0.0, 0.0)
    columns = {name: [*r, *[blank] * (width - len(r))] for name, r in rows.items()}
    table = np.array([columns[p] for p in plan_of_vehicle], dtype=object)
    return TaskGrid(table[:, :, 0], table[:, :, 1], *(table[:, :, i].astype(float) for i in range(2, 10)))


def _rows(tasks, unit):
    return [(t["code"], p, *_limits(t, unit), t["hours"], _cost(t)) for t in tasks if _planned(t) for p in t.get("positions", [""])]


def _planned(task):
    return "every" in task and task["code"] not in ELSEWHERE


def _limits(task, unit):
    first, every, severe = (task.get(k, {}) for k in ("first", "every", "severe"))
    severe = every | severe
    return [
        x
        for limits in (first, every, severe)
        for x in (limits.get("distance", math.inf) * unit, limits.get("months", math.inf) * MONTH_DAYS)
    ]


def _cost(task):
    """Whole packs; a part that has a row in table fitted is priced there."""
    if "part" in task:
        return 0.0
    return sum(
        math.ceil(p["quantity"] / p.get("pack", p["quantity"])) * p["price"] * (1 if "pack" in p else p["quantity"])
        for p in task.get("parts", [])
    )
