"""The tasks of a plan: their keys, limits and windows, and what must hold between them."""

from math import inf, isnan, nan

import numpy as np

from wearbar.log import plan_values as form

__all__ = [
    "ACTIONS",
    "MEASURED_FROM",
    "TASK_COLUMNS",
    "check_together",
    "closure",
    "task_of",
    "title_of",
]

ACTIONS = ("inspect", "adjust", "clean", "lubricate", "replace", "tighten", "test")

MEASURED_FROM = ("done", "schedule", "expiry")

_LIMITS = {"distance": "km", "days": "days", "months": "months", "hours": "hours"}

_DAYS_A_MONTH = 365.25 / 12

_UNEVEN = (
    3  # by so many days at most do months that follow each other differ from as many of the mean
)


_ABOVE_0, _FROM_0 = form.a_number(), form.a_number(above=False)

_WINDOW = form.a_number(high=0.99, above=False)

_MOST = {
    "distance": 10_000_000,
    "days": 36_525,
    "months": 1200,
    "hours": 1_000_000,
}  # a century, and further than any vehicle goes

_LIMIT = form.a_table(
    {
        name: (form.a_number(high=most, whole=name in ("days", "months")), nan)
        for name, most in _MOST.items()
    }
)

_AMOUNTS = form.a_table(
    {
        name: (form.a_number(high=most, above=False), 0.0)
        for name, most in _MOST.items()
        if name != "months"
    }
)

_EARLY_LATE = form.a_table(dict.fromkeys(("early", "late"), (_WINDOW, 0.0)))

_RECHECK = form.a_table(
    {
        name: (form.a_number(high=_MOST[name], whole=name == "days"), nan)
        for name in ("distance", "days")
    }
)

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
    "also": (form.a_list(form.a_code), ()),
    "action": (form.one_of(ACTIONS), form.REQUIRED),
    "measured_from": (form.one_of(MEASURED_FROM), "done"),
    "positions": (form.a_list(form.a_code), ()),
    "part": (form.a_code, None),
    "covers": (form.a_list(form.a_code), ()),
    "first_after": (form.a_list(form.a_code), ()),
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
    **{key: [f"{key}_{unit}" for unit in _LIMITS.values()] for key in ("first", "every", "severe")},
    "tolerance": ["early_share", "late_share", "tolerance_km", "tolerance_days", "tolerance_hours"],
    "recheck": ["recheck_km", "recheck_days"],
}

_TASK_KEYS = (*_PLAIN, *_SPREAD)

TASK_COLUMNS = (*(column for key in _TASK_KEYS for column in _SPREAD.get(key, [key])), "fits")


def task_of(at, number, body, factor):
    code = body.get("code") if isinstance(body, dict) else None
    at = form.At(
        at.source,
        at.plan,
        code.strip().casefold() if isinstance(code, str) and code.strip() else f"number {number}",
    )
    at.refuse_unknown("", body, _TASK_KEYS)
    row = {}
    for key, (read, default) in _PLAIN.items():
        if key not in body and default is form.REQUIRED:
            raise at.error(
                key,
                None,
                f"give the task its {key}"
                + (f": one of {', '.join(ACTIONS)}" if key == "action" else ""),
            )
        row[key] = read(at, key, body[key]) if key in body else default
    row["title"] = row["title"] or title_of(row["code"])
    row["fits"] = row["part"] or row["code"]
    limits = {key: _LIMIT(at, key, body.get(key, {})) for key in ("first", "every", "severe")}
    if "severe" in body:
        limits["severe"] = _complete(at, limits["every"], limits["severe"])
    spread = {
        key: [value * factor if name == "distance" else value for name, value in limit.items()]
        for key, limit in limits.items()
    }
    spread["tolerance"] = _tolerance(at, body.get("tolerance", 0.0), limits["every"], factor)
    recheck = _RECHECK(at, "recheck", body.get("recheck", {}))
    spread["recheck"] = [recheck["distance"] * factor, recheck["days"]]
    return row | {
        column: value
        for key, values in spread.items()
        for column, value in zip(_SPREAD[key], values, strict=True)
    }


def title_of(code):
    """A code in words, for readers.

    >>> title_of("engine-oil-and-filter")
    'Engine oil and filter'
    """
    words = " ".join(code.replace("-", " ").replace("_", " ").split())
    return words[:1].upper() + words[1:]


def _tolerance(at, value, every, factor):
    """[early share, late share, km, days, hours]: shares, or else absolute."""
    if not isinstance(value, dict):
        share = _WINDOW(at, "tolerance", value)
        return [share, share, nan, nan, nan]
    if value.keys() & {"early", "late"}:
        shares = _EARLY_LATE(at, "tolerance", value)
        return [shares["early"], shares["late"], nan, nan, nan]
    amounts = _AMOUNTS(at, "tolerance", value)
    for name, limit in (every | {"days": _calendar_days(every)}).items():
        if amounts.get(name, 0) >= limit:
            raise at.error(
                f"tolerance.{name}",
                amounts[name],
                f"a window is shorter than its limit, here {limit:g}: lower it",
            )
    return [nan, nan, amounts["distance"] * factor, amounts["days"], amounts["hours"]]


def _calendar_days(limit):
    """The shorter of a limit's days and months, in days; NaN where it has neither."""
    return float(np.fmin(limit["days"], limit["months"] * _DAYS_A_MONTH))


def _complete(at, every, severe):
    """The severe limits, completed by the normal ones that they do not name."""
    for name, value in severe.items():
        if value > every[name]:
            raise at.error(
                f"severe.{name}",
                value,
                f"the normal limit is {every[name]:g}, and a severe one is never above it: lower it",
            )
        other = _calendar_days(
            dict.fromkeys(("days", "months"), nan) | {name: value if isnan(every[name]) else nan}
        )
        if other - _UNEVEN > _calendar_days(every):
            raise at.error(
                f"severe.{name}",
                value,
                f"the normal limit is {_calendar_days(every):g} days, which is less: lower it",
            )
    return {name: every[name] if isnan(value) else value for name, value in severe.items()}


def check_together(at, tasks, severe_when):
    """What only shows when a version's tasks are seen side by side."""
    codes = [task["code"] for task in tasks]
    statutory = {task["code"] for task in tasks if task["statutory"]}
    words = [(word, task["code"]) for task in tasks for word in task["also"]]
    for number, task in enumerate(tasks):
        here = form.At(at.source, at.plan, task["code"])
        for word in task["also"]:
            others = [c for w, c in words if w == word and c != task["code"]] + [
                c for c in codes if c == word
            ]
            if others:
                raise here.error(
                    "also", word, f"task {others[0]} has it too: one word stands for one task"
                )
        if task["code"] in codes[:number]:
            raise here.error("code", task["code"], "two tasks have it: give each its own")
        if not severe_when and not all(isnan(task[column]) for column in _SPREAD["severe"]):
            raise here.error(
                "severe",
                "a limit",
                f"it can never apply: add [{at.plan}.severe_when] with a share, or take the limit out",
            )
        for other in task["covers"]:
            if other not in codes:
                raise here.error(
                    "covers",
                    other,
                    f"no task of this plan has that code: use some of {', '.join(codes)}",
                )
            if other in statutory:
                raise here.error(
                    "covers",
                    other,
                    "it is statutory, and other work never stands in for it: take it out of covers",
                )


def closure(at, tasks):
    """code -> every code that it covers, directly or through another, in the plan's order. Cycles are refused."""
    direct = {task["code"]: task["covers"] for task in tasks}

    def walk(code, path):
        if code in path:
            loop = " -> ".join((*path[path.index(code) :], code))
            raise form.At(at.source, at.plan, path[0]).error(
                "covers", loop, "that goes round in a circle: take one of them out"
            )
        return {code}.union(*(walk(other, (*path, code)) for other in direct[code]))

    return {
        code: [other for other in direct if other in walk(code, ()) and other != code]
        for code in direct
    }
