"""The tasks of a plan: their keys, limits and windows, and what must hold between them."""

from math import inf, isnan, nan

import numpy as np

from wearbar.log import plan_values as form

ACTIONS = ("inspect", "adjust", "clean", "lubricate", "replace", "tighten", "test")
MEASURED_FROM = ("done", "schedule", "expiry")
_DAYS_A_MONTH = 365.25 / 12
_UNEVEN = 3  # by so many days at most do following months differ from as many of the mean

# a century, and further than any vehicle goes; and the end of a column's name
_MOST = {"distance": 10_000_000, "days": 36_525, "months": 1200, "hours": 1_000_000}
_SUFFIX = {"distance": "km", "days": "days", "months": "months", "hours": "hours"}


def _limits(names, whole=(), above=True, default=nan):
    number = {n: form.a_number(high=_MOST[n], above=above, whole=n in whole) for n in names}
    return form.a_table({name: (read, default) for name, read in number.items()})


_LIMIT = _limits(_MOST, whole=("days", "months"))
_RECHECK = _limits(("distance", "days"), whole=("days",))
_AMOUNTS = _limits(("distance", "days", "hours"), above=False, default=0.0)
_WINDOW = form.a_number(high=0.99, above=False)
_EARLY_LATE = form.a_table(dict.fromkeys(("early", "late"), (_WINDOW, 0.0)))
_ABOVE_0, _FROM_0 = form.a_number(), form.a_number(above=False)
_CODES = (form.a_list(form.a_code), ())

_PART = {
    "item": (form.a_word, form.REQUIRED),
    "quantity": (_ABOVE_0, 1.0),
    "unit": (form.a_word, ""),
    "pack": (_ABOVE_0, 1.0),
    "price": (_FROM_0, nan),
}
_FIGURE = {
    "name": (form.a_word, form.REQUIRED),
    "value": (form.a_number(low=-inf), nan),
    "unit": (form.a_word, ""),
    "source": (form.a_word, ""),
}
# the keys of a task that fill one column: name to (reader, default)
_PLAIN = {
    "code": (form.a_code, form.REQUIRED),
    "title": (form.a_word, None),
    "also": _CODES,
    "action": (form.one_of(ACTIONS), form.REQUIRED),
    "measured_from": (form.one_of(MEASURED_FROM), "done"),
    "positions": _CODES,
    "part": (form.a_code, None),
    "covers": _CODES,
    "first_after": _CODES,
    "safety": (form.a_flag, False),
    "statutory": (form.a_flag, False),
    "hours": (_FROM_0, nan),
    "parts": (form.a_list(form.a_table(_PART)), ()),
    "figures": (form.a_list(form.a_table(_FIGURE)), ()),
    "steps": (form.a_list(form.a_word), ()),
    "caution": (form.a_word, None),
    "source": (form.a_word, ""),
}
# those that spread over several columns
_SPREAD = {
    **{key: [f"{key}_{end}" for end in _SUFFIX.values()] for key in ("first", "every", "severe")},
    "tolerance": ["early_share", "late_share", "tolerance_km", "tolerance_days", "tolerance_hours"],
    "recheck": ["recheck_km", "recheck_days"],
}
_TASK_KEYS = (*_PLAIN, *_SPREAD)
TASK_COLUMNS = (*(column for key in _TASK_KEYS for column in _SPREAD.get(key, [key])), "fits")


def task_of(at, number, body, factor):
    """A task of the file as a row, `TASK_COLUMNS`. factor: km to a unit of distance."""
    code = body.get("code") if isinstance(body, dict) else None
    named = isinstance(code, str) and code.strip()
    at = form.At(at.source, at.plan, code.strip().casefold() if named else f"number {number}")
    at.refuse_unknown("", body, _TASK_KEYS)
    row = {}
    for key, (read, default) in _PLAIN.items():
        if key not in body and default is form.REQUIRED:
            choice = f": one of {', '.join(ACTIONS)}" if key == "action" else ""
            raise at.error(key, None, f"give the task its {key}{choice}")
        row[key] = read(at, key, body[key]) if key in body else default
    row["title"] = row["title"] or title_of(row["code"])
    row["fits"] = row["part"] or row["code"]
    limits = {key: _LIMIT(at, key, body.get(key, {})) for key in ("first", "every", "severe")}
    if "severe" in body:
        limits["severe"] = _complete(at, limits["every"], limits["severe"])
    spread = {key: [*limit.values()] for key, limit in limits.items()}
    spread["tolerance"] = _tolerance(at, body.get("tolerance", 0.0), limits["every"])
    spread["recheck"] = [*_RECHECK(at, "recheck", body.get("recheck", {})).values()]
    for key, values in spread.items():
        for column, value in zip(_SPREAD[key], values, strict=True):
            row[column] = value * factor if column.endswith("_km") else value
    return row


def title_of(code):
    """A code in words, for readers.

    >>> title_of("engine-oil-and-filter")
    'Engine oil and filter'
    """
    words = " ".join(code.replace("-", " ").replace("_", " ").split())
    return words[:1].upper() + words[1:]


def _tolerance(at, value, every):
    """[early share, late share, distance, days, hours]: shares, or else absolute."""
    if not isinstance(value, dict):
        share = _WINDOW(at, "tolerance", value)
        return [share, share, nan, nan, nan]
    if value.keys() & {"early", "late"}:
        return [*_EARLY_LATE(at, "tolerance", value).values(), nan, nan, nan]
    amounts = _AMOUNTS(at, "tolerance", value)
    limits = every | {"days": _calendar_days(every["days"], every["months"])}
    for name, amount in amounts.items():
        if amount >= limits[name]:
            remedy = f"a window is shorter than its limit, here {limits[name]:g}: lower it"
            raise at.error(f"tolerance.{name}", amount, remedy)
    return [nan, nan, *amounts.values()]


def _calendar_days(days, months):
    """The shorter of a limit's days and months, in days; NaN where it has neither."""
    return float(np.fmin(days, months * _DAYS_A_MONTH))


def _complete(at, every, severe):
    """The severe limits, completed by the normal ones that they do not name."""
    normal = _calendar_days(every["days"], every["months"])
    for name, value in severe.items():
        where = f"severe.{name}"
        if value > every[name]:
            remedy = "and a severe one is never above it: lower it"
            raise at.error(where, value, f"the normal limit is {every[name]:g}, {remedy}")
        other = value if isnan(every[name]) else nan
        days = {"days": other, "months": other * _DAYS_A_MONTH}.get(name, nan)
        if days - _UNEVEN > normal:
            remedy = "which is less: lower it"
            raise at.error(where, value, f"the normal limit is {normal:g} days, {remedy}")
    return {name: every[name] if isnan(value) else value for name, value in severe.items()}


def check_together(at, tasks, severe_when):
    """What only shows when a version's tasks are seen side by side."""
    codes = [task["code"] for task in tasks]
    for number, task in enumerate(tasks):
        here = form.At(at.source, at.plan, task["code"])
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
        _check_covers(here, task["covers"], codes, {t["code"] for t in tasks if t["statutory"]})


def _check_covers(here, covers, codes, statutory):
    for other in covers:
        if other not in codes:
            remedy = f"no task of this plan has that code: use some of {', '.join(codes)}"
            raise here.error("covers", other, remedy)
        if other in statutory:
            remedy = "it is statutory, and other work never stands in for it: take it out of covers"
            raise here.error("covers", other, remedy)


def closure(at, tasks):
    """Each code to all that it covers, also through another, in order. Cycles are refused."""
    direct = {task["code"]: task["covers"] for task in tasks}

    def walk(code, path):
        if code in path:
            loop = " -> ".join((*path[path.index(code) :], code))
            here = form.At(at.source, at.plan, path[0])
            raise here.error("covers", loop, "that goes round in a circle: take one of them out")
        return {code}.union(*(walk(other, (*path, code)) for other in direct[code]))

    reached = {code: walk(code, ()) - {code} for code in direct}
    return {code: [other for other in direct if other in reached[code]] for code in direct}
