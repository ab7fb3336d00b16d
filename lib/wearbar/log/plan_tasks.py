"""The tasks of a plan: their keys, limits and windows, and what must hold between them."""

from dataclasses import replace
from math import isnan, nan

import numpy as np

from wearbar.log.plan_values import KEYS, value_of, values_of

_DAYS_A_MONTH = 365.25 / 12
_UNEVEN = 3  # by so many days at most do following months differ from as many of the mean

# the keys that spread over several columns
_LIMIT = ("km", "days", "months", "hours")
_SPREAD = {
    **{key: [f"{key}_{unit}" for unit in _LIMIT] for key in ("first", "every", "severe")},
    "tolerance": ["early_share", "late_share", "tolerance_km", "tolerance_days", "tolerance_hours"],
    "recheck": ["recheck_km", "recheck_days"],
}
TASK_COLUMNS = (*(column for key in KEYS["task"] for column in _SPREAD.get(key, [key])), "fits")


def task_of(at, number, body, factor):
    """A task of the file as a row, `TASK_COLUMNS`. factor: km to a unit of distance."""
    code = body.get("code") if isinstance(body, dict) else None
    named = isinstance(code, str) and code.strip()
    at = replace(at, task=code.strip().casefold() if named else f"number {number}")
    row = values_of(at, "", body, "task")
    row["title"] = row["title"] or title_of(row["code"])
    row["fits"] = row["part"] or row["code"]
    if "severe" in body:
        row["severe"] = _complete(at, row["every"], row["severe"])
    row["tolerance"] = _tolerance(at, row["tolerance"], row["every"])
    for key, columns in _SPREAD.items():
        row |= dict(zip(columns, row[key].values(), strict=True))
    return {name: x * factor if name.endswith("_km") else x for name, x in row.items()}


def title_of(code):
    """A code in words, for readers.

    >>> title_of("engine-oil-and-filter")
    'Engine oil and filter'
    """
    words = " ".join(code.replace("-", " ").replace("_", " ").split())
    return words[:1].upper() + words[1:]


def _tolerance(at, value, every):
    """The window: early and late as shares, or else absolute in distance, days and hours."""
    shares, amounts = (dict.fromkeys(KEYS[table], nan) for table in ("early_late", "amounts"))
    if not isinstance(value, dict):
        share = value_of(at, "tolerance", value, KEYS["early_late"]["early"])
        shares = dict.fromkeys(shares, share)
    elif value.keys() & shares.keys():
        shares = values_of(at, "tolerance", value, "early_late")
    else:
        amounts = values_of(at, "tolerance", value, "amounts")
    limits = every | {"days": _calendar_days(every)}
    for name, amount in amounts.items():
        if amount >= limits[name]:
            remedy = f"a window is shorter than its limit, here {limits[name]:g}: lower it"
            raise at.error(f"tolerance.{name}", amount, remedy)
    return shares | amounts


def _calendar_days(limit):
    """The shorter of a limit's days and months, in days; NaN where it has neither."""
    return float(np.fmin(limit["days"], limit["months"] * _DAYS_A_MONTH))


def _complete(at, every, severe):
    """The severe limits, completed by the normal ones that they do not name."""
    normal, days_of = _calendar_days(every), {"days": 1.0, "months": _DAYS_A_MONTH}
    for name, value in severe.items():
        where = f"severe.{name}"
        if value > every[name]:
            remedy = "and a severe one is never above it: lower it"
            raise at.error(where, value, f"the normal limit is {every[name]:g}, {remedy}")
        if isnan(every[name]) and value * days_of.get(name, nan) - _UNEVEN > normal:
            remedy = "which is less: lower it"
            raise at.error(where, value, f"the normal limit is {normal:g} days, {remedy}")
    return {name: every[name] if isnan(value) else value for name, value in severe.items()}


def check_together(at, tasks, severe_when):
    """What only shows when a version's tasks are seen side by side."""
    codes = [task["code"] for task in tasks]
    statutory = [task["code"] for task in tasks if task["statutory"]]
    for number, task in enumerate(tasks):
        here = replace(at, task=task["code"])
        for word in task["also"]:
            others = [t["code"] for t in tasks if word in t["also"] and t["code"] != task["code"]]
            if others := others + [code for code in codes if code == word]:
                remedy = f"task {others[0]} has it too: one word stands for one task"
                raise here.error("also", word, remedy)
        if task["code"] in codes[:number]:
            raise here.error("code", task["code"], "two tasks have it: give each its own")
        if not severe_when and not all(isnan(task[column]) for column in _SPREAD["severe"]):
            remedy = f"add [{at.plan}.severe_when] with a share, or take the limit out"
            raise here.error("severe", "a limit", f"it can never apply: {remedy}")
        for other in task["covers"]:
            if other not in codes:
                remedy = f"no task of this plan has that code: use some of {', '.join(codes)}"
                raise here.error("covers", other, remedy)
            if other in statutory:
                remedy = "it is statutory, and other work never stands in for it"
                raise here.error("covers", other, f"{remedy}: take it out of covers")


def closure(at, tasks):
    """Each code to all that it covers, also through another, in order. Cycles are refused."""
    direct = {task["code"]: task["covers"] for task in tasks}

    def walk(code, path):
        if code in path:
            loop = " -> ".join((*path[path.index(code) :], code))
            remedy = "that goes round in a circle: take one of them out"
            raise replace(at, task=path[0]).error("covers", loop, remedy)
        return {code}.union(*(walk(other, (*path, code)) for other in direct[code]))

    reached = {code: walk(code, ()) - {code} for code in direct}
    return {code: [other for other in direct if other in reached[code]] for code in direct}
