"""The plan templates as the generator uses them: tasks as arrays, vehicle by task; and as the text of a log's own plan."""

import json
import math
import tomllib
from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.log.places import place
from wearbar.log.units import DISTANCE_KM

__all__ = ["TaskGrid", "plan_text", "recheck_limits", "severe_when", "task_grid"]

MONTH_DAYS = 30.436875
ELSEWHERE = ("roadworthiness-test",)  # followed by its own expiry, not by the visits
# what the demo's own plans say, in miles, where a template goes by common practice
_WHEELS = {
    "tyre-replace": {"recheck": {"distance": 150, "days": 7}},
    "brake-pads-replace": {"recheck": {"distance": 250, "days": 10}},
}
_BIKE = {
    code: {"every": {"distance": 1500, "months": 3}, "tolerance": 0.15}
    for code in ("engine-oil-level", "chain-adjust")
}
_OIL = {"car": (3200, 5), "van": (3500, 4), "pickup": (3000, 4)}
DEMO = {"motorcycle-road": _BIKE, "trail-motorcycle": _BIKE}
DEMO |= {
    name: _WHEELS
    | {"engine-oil-level": {"every": {"distance": miles, "months": months}, "tolerance": 0.15}}
    for name, (miles, months) in _OIL.items()
}


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
    """The named demo plans as one plan.toml, distances in `distance`; from miles to km rounded to 100 (below 1,000, to 10)."""
    unit = "miles" if distance == "mi" else "km"
    head = f"# The demo's maintenance plans. Distances in {unit}.\n# EVERY FIGURE IS INVENTED. "
    head += "Take yours from the maker's handbook, which always wins.\n"
    return "\n".join(
        [head, *(_plan_toml(name, plan) for name, plan in _plans(names, distance).items())]
    )


def _plans(names, distance):
    """The templates as the demo follows them: without the tasks that are common practice and no invention, but for those of DEMO."""
    plans = {}
    for name in sorted(set(names)):
        plan = tomllib.loads(place("shared", "plans", f"{name}.toml").read_text(encoding="utf-8"))[
            name
        ]
        tasks = [
            _of_demo(task, DEMO[name])
            for task in plan["task"]
            if "source" not in task or task["code"] in DEMO[name]
        ]
        codes = {task["code"] for task in tasks}
        tasks = [_covering(task, codes) for task in tasks]
        plans[name] = plan | {
            "task": tasks if distance == "mi" else [_in_km(task) for task in tasks]
        }
    return plans


def _of_demo(task, own):
    if task["code"] not in own:
        return task
    return {k: v for k, v in task.items() if k not in ("source", "severe")} | own[task["code"]]


def _covering(task, codes):
    covers = [code for code in task.get("covers", ()) if code in codes]
    return {k: v for k, v in task.items() if k != "covers"} | ({"covers": covers} if covers else {})


def _in_km(task):
    return {
        k: v | {"distance": _km(v["distance"])} if isinstance(v, dict) and "distance" in v else v
        for k, v in task.items()
    }


def _km(miles):
    km = miles * DISTANCE_KM["mi"]
    step = 100 if km >= 1000 else 10
    return round(km / step) * step


def _plan_toml(name, plan):
    heads = [
        f"{key} = {_toml(value)}"
        for key, value in plan.items()
        if key not in ("task", "severe_when")
    ]
    heads += [
        f"[{name}.severe_when]",
        *(f"{key} = {value}" for key, value in plan["severe_when"].items()),
    ]
    tasks = [
        "\n".join([f"[[{name}.task]]", *(f"{k} = {_toml(v)}" for k, v in task.items())])
        for task in plan["task"]
    ]
    return "\n\n".join(["\n".join([f"[{name}]", *heads]), *tasks]) + "\n"


def _toml(value):
    """One value as TOML writes it, on one line."""
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{k} = {_toml(v)}' for k, v in value.items())} }}"
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    return json.dumps(value, ensure_ascii=False)


def severe_when(plan_of_vehicle, distance):
    """Shares of loose and of mud or water, vehicle by vehicle, that make the severe limits apply."""
    plans = _plans(plan_of_vehicle, distance)
    return tuple(
        np.array([plans[p]["severe_when"][c] for p in plan_of_vehicle])
        for c in ("loose", "mud_water")
    )


def recheck_limits(plan_of_vehicle, distance):
    """What the plans ask to be looked at again: plan, task, km, days."""
    plans, unit = _plans(plan_of_vehicle, distance), DISTANCE_KM[distance]
    asked = [
        (name, t["code"], t["recheck"])
        for name, plan in plans.items()
        for t in plan["task"]
        if "recheck" in t
    ]
    return pd.DataFrame(
        [(p, t, r["distance"] * unit, r["days"]) for p, t, r in asked],
        columns=["plan", "task", "km", "days"],
    )


def task_grid(plan_of_vehicle, distance):
    """The `TaskGrid` of vehicles that follow these plans; plans with fewer tasks have empty columns at the end."""
    plans = _plans(plan_of_vehicle, distance)
    unit = DISTANCE_KM[distance]
    rows = {name: _rows(plan["task"], unit) for name, plan in plans.items()}
    width = max(map(len, rows.values()))
    blank = ("", "", *[math.inf] * 6, 0.0, 0.0)
    columns = {name: [*r, *[blank] * (width - len(r))] for name, r in rows.items()}
    table = np.array([columns[p] for p in plan_of_vehicle], dtype=object)
    return TaskGrid(
        table[:, :, 0], table[:, :, 1], *(table[:, :, i].astype(float) for i in range(2, 10))
    )


def _rows(tasks, unit):
    return [
        (t["code"], p, *_limits(t, unit), t["hours"], _cost(t))
        for t in tasks
        if _planned(t)
        for p in t.get("positions", [""])
    ]


def _planned(task):
    return "every" in task and task["code"] not in ELSEWHERE


def _limits(task, unit):
    first, every, severe = (task.get(k, {}) for k in ("first", "every", "severe"))
    severe = every | severe
    return [
        x
        for limits in (first, every, severe)
        for x in (
            limits.get("distance", math.inf) * unit,
            limits.get("months", math.inf) * MONTH_DAYS,
        )
    ]


def _cost(task):
    """Whole packs; a part that has a row in table fitted is priced there."""
    if "part" in task:
        return 0.0
    return sum(
        math.ceil(p["quantity"] / p.get("pack", p["quantity"]))
        * p["price"]
        * (1 if "pack" in p else p["quantity"])
        for p in task.get("parts", [])
    )
