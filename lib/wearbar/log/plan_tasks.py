"""What stands in a plan.toml: values by their keys (shared/log/plan.toml), and tasks as rows."""

from datetime import date, datetime
from math import inf, isnan, nan

import numpy as np
import pandas as pd

from wearbar.log.schema import SHARES, VEHICLE_KINDS, said
from wearbar.log.sources.raw import LogError

KEYS = said("plan") | {"shares": {name: {"kind": "number", "high": 1.0} for name in SHARES}}
SAYS = said("faults")["plan"]
_BLANK = {"number": nan, "day": pd.NaT, "yes_no": False}
_ENDLESS = 1e300
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


def wrong(where, found, remedy):
    """The LogError for what was `found` at a place of the file."""
    shown = repr(found) if len(repr(found)) <= 60 else repr(found)[:57] + "..."
    return LogError(f"{where}: found {shown}; {remedy}")


def values_of(where, table, name):
    """The values of a table of the file, clean, of all keys that [name] has. Raises LogError."""
    keys, is_head = KEYS[name], name in ("plan", "task")
    if not isinstance(table, dict):
        raise wrong(where, table, f"write a table with any of {', '.join(keys)}")
    places = {key: f"{where}, {key}" if is_head else f"{where}.{key}" for key in (*keys, *table)}
    for key in table:
        if key not in keys:
            raise wrong(places[key], table[key], f"no such key: use {', '.join(keys)}")
    clean = {}
    for key, told in keys.items():
        if key in table:
            clean[key] = _value_of(places[key], table[key], told)
        elif "required" in told:
            at, found = (places[key], None) if is_head else (where, table)
            raise wrong(at, found, told["required"])
        elif told["kind"] in KEYS and "list" not in told:
            clean[key] = values_of(places[key], {}, told["kind"])
        else:
            blank = () if "list" in told else _BLANK.get(told["kind"])
            clean[key] = told.get("default", blank)
    return clean


def _value_of(where, value, told):
    """A value, clean, by what plan.toml says of its key (`told`). Raises LogError."""
    kind = told["kind"]
    if "list" in told:
        if not isinstance(value, list):
            raise wrong(where, value, "write a list, in [ ]")
        one = {name: said for name, said in told.items() if name != "list"}
        clean = tuple(_value_of(where, item, one) for item in value)
        if kind not in KEYS and "twice" not in told and len(set(clean)) < len(clean):
            raise wrong(where, value, "take out what stands there twice")
        return clean
    if kind in KEYS:
        return values_of(where, value, kind)
    if kind == "number":
        return _number(where, value, **told)
    is_text = isinstance(value, str) and bool(value.strip())
    is_day = isinstance(value, date) and not isinstance(value, datetime)
    is_right, write, clean = {
        "word": (is_text, "write some text in quotes", str.strip),
        "code": (is_text, "write some text in quotes", lambda v: v.strip().casefold()),
        "yes_no": (isinstance(value, bool), "write true or false, without quotes", bool),
        "day": (is_day, "write a date as 2025-01-31, without quotes or time", pd.Timestamp),
        "any": (True, "", lambda v: v),
    }[kind]
    if "of" in told:
        of = VEHICLE_KINDS if told["of"] == "vehicle_kinds" else told["of"]
        is_right, write = is_right and clean(value) in of, f"use one of {', '.join(of)}"
    if not is_right:
        raise wrong(where, value, write)
    return clean(value)


def _number(where, value, low=0.0, high=inf, above=True, whole=False, **_):
    is_right = isinstance(value, int | float) and not isinstance(value, bool)
    is_right = is_right and abs(value) < _ENDLESS and low <= value <= high
    is_right = is_right and not (above and value == low) and not (whole and value != int(value))
    if not is_right:
        what = f"{'whole ' if whole else ''}number {'above' if above else 'of at least'} {low:g}"
        what += f" and at most {high:,.12g}" if high < inf else ""
        raise wrong(where, value, f"write a {what}")
    return float(value)


def version_of(source, name, body, factor):
    """A plan's table, distances of `factor` km: (its row of `plans`, tasks as rows, pairs)."""
    where = f"{source}: plan {name}"
    head = values_of(where, body, "plan")
    tasks, start, shares = (head.pop(key) for key in ("task", "from", "severe_when"))
    shares = {share: shares[share] for share in body.get("severe_when", ())}
    head |= {"plan": name, "name": name, "severe_when": shares, "valid_from": start}
    if not isinstance(tasks, list) or not tasks:
        raise wrong(f"{where}, task", tasks, SAYS["no_tasks"].format(name=name))
    tasks = [_task(where, number, task, factor) for number, task in enumerate(tasks, 1)]
    _check_together(where, name, tasks, shares)

    # all that each task covers, also through another
    direct = {task["code"]: task["covers"] for task in tasks}

    def walk(code, path):
        if code in path:
            loop = " -> ".join((*path[path.index(code) :], code))
            raise wrong(f"{where}, task {path[0]}, covers", loop, SAYS["circle"])
        return {code}.union(*(walk(other, (*path, code)) for other in direct[code]))

    reached = {code: walk(code, ()) - {code} for code in direct}
    covers = [(code, other) for code in direct for other in direct if other in reached[code]]
    return head, tasks, covers


def _task(where, number, body, factor):
    """A task of the file as a row, `TASK_COLUMNS`."""
    code = body.get("code") if isinstance(body, dict) else None
    is_named = isinstance(code, str) and code.strip()
    where = f"{where}, task {code.strip().casefold() if is_named else f'number {number}'}"
    row = values_of(where, body, "task")
    row["title"] = row["title"] or title_of(row["code"])
    row["fits"] = row["part"] or row["code"]
    every, severe = row["every"], row["severe"]
    # the shorter of the limit's days and months, in days; NaN where it has neither
    days = float(np.fmin(every["days"], every["months"] * _DAYS_A_MONTH))

    # the severe limits, completed by the normal ones that they do not name
    for name, value in severe.items():
        normal = ""
        in_days = value * {"days": 1.0, "months": _DAYS_A_MONTH}.get(name, nan)
        if value > every[name]:
            normal, of_which = f"{every[name]:g}", "and a severe one is never above it"
        elif isnan(every[name]) and in_days - _UNEVEN > days:
            normal, of_which = f"{days:g} days", "which is less"
        if normal:
            remedy = SAYS["severe_above"].format(normal=normal, of_which=of_which)
            raise wrong(f"{where}, severe.{name}", value, remedy)
    if "severe" in body:
        row["severe"] = {name: every[name] if isnan(x) else x for name, x in severe.items()}

    row["tolerance"] = _window(f"{where}, tolerance", row["tolerance"], every | {"days": days})
    for key, columns in _SPREAD.items():
        row |= dict(zip(columns, row[key].values(), strict=True))
    return {name: x * factor if name.endswith("_km") else x for name, x in row.items()}


def _window(where, tolerance, limits):
    """Early and late as shares, or else absolute in distance, days and hours."""
    shares, amounts = (dict.fromkeys(KEYS[table], nan) for table in ("early_late", "amounts"))
    if not isinstance(tolerance, dict):
        share = _value_of(where, tolerance, KEYS["early_late"]["early"])
        shares = dict.fromkeys(shares, share)
    elif tolerance.keys() & shares.keys():
        shares = values_of(where, tolerance, "early_late")
    else:
        amounts = values_of(where, tolerance, "amounts")
    for name, amount in amounts.items():
        if amount >= limits[name]:
            remedy = SAYS["wide_window"].format(limit=limits[name])
            raise wrong(f"{where}.{name}", amount, remedy)
    return shares | amounts


def title_of(code):
    """A code in words, for readers.

    >>> title_of("engine-oil-and-filter")
    'Engine oil and filter'
    """
    words = " ".join(code.replace("-", " ").replace("_", " ").split())
    return words[:1].upper() + words[1:]


def _check_together(where, name, tasks, severe_when):
    """What only shows when the tasks of a version of plan `name` are seen side by side."""
    codes = [task["code"] for task in tasks]
    statutory = [task["code"] for task in tasks if task["statutory"]]
    for number, task in enumerate(tasks):
        here = f"{where}, task {task['code']}"
        for word in task["also"]:
            others = [t["code"] for t in tasks if word in t["also"] and t["code"] != task["code"]]
            if others := others + [code for code in codes if code == word]:
                raise wrong(f"{here}, also", word, SAYS["also_twice"].format(other=others[0]))
        if task["code"] in codes[:number]:
            raise wrong(f"{here}, code", task["code"], SAYS["code_twice"])
        if not severe_when and not all(isnan(task[column]) for column in _SPREAD["severe"]):
            raise wrong(f"{here}, severe", "a limit", SAYS["never_severe"].format(name=name))
        for other in task["covers"]:
            if other not in codes:
                remedy = SAYS["covers_unknown"].format(codes=", ".join(codes))
                raise wrong(f"{here}, covers", other, remedy)
            if other in statutory:
                raise wrong(f"{here}, covers", other, SAYS["covers_statutory"])
