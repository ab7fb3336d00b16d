"""The maintenance plan: which tasks fall due, at what limits, for which vehicles, from which day.

`read_plan` reads a plan.toml, `plan_of` takes it parsed. Each table of the file is one plan. Versions of a plan by date are either an
array of tables, `[[van]]` with `from = 2023-01-01` and again `[[van]]` with `from = 2025-01-01`, or tables of different names whose
`applies_to` are the same and whose `from` all differ; the oldest then names the plan. Distances come in the log's unit and leave in km.
"""

import tomllib
from dataclasses import dataclass
from datetime import date, datetime
from math import inf, isnan, nan
from pathlib import Path

import numpy as np
import pandas as pd

from wearbar.log.places import place
from wearbar.log.schema import TABLES, VEHICLE_KINDS
from wearbar.log.units import DISTANCE_KM

__all__ = [
    "ACTIONS", "MEASURED_FROM", "SHARES", "Plan", "PlanError", "plan_of", "read_plan", "templates",
    "title_of",
]  # fmt: skip

ACTIONS = ("inspect", "adjust", "clean", "lubricate", "replace", "tighten", "test")
MEASURED_FROM = ("done", "schedule", "expiry")
UNKNOWN_HISTORY = ("due-at-once", "from-first-reading")
SHARES = tuple(c.name for c in TABLES["use"] if c.quantity == "share")

_TEXT = pd.StringDtype("pyarrow", na_value=np.nan)
_LIMITS = {"distance": "km", "days": "days", "months": "months", "hours": "hours"}
_DAYS_A_MONTH = 365.25 / 12
_UNEVEN = (
    3  # by so many days at most do months that follow each other differ from as many of the mean
)
_REQUIRED = object()
_ENDLESS = 1e300
_TYPES = (
    (
        _TEXT,
        (
            "plan",
            "name",
            "code",
            "covered",
            "title",
            "action",
            "unknown_history",
            "measured_from",
            "part",
            "fits",
            "caution",
            "source",
        ),
    ),
    ("datetime64[ns]", ("valid_from", "valid_to")),
    (bool, ("safety", "statutory")),
)
_PLAN_KEYS = ("applies_to", "from", "unknown_history", "severe_when", "task")
_PLAN_COLUMNS = (
    "plan",
    "name",
    "valid_from",
    "valid_to",
    "applies_to",
    "unknown_history",
    "severe_when",
)


class PlanError(ValueError):
    """What is wrong with a plan: one sentence with the file, plan, task, key, what was found, and what to do."""


@dataclass(frozen=True, eq=False)
class Plan:
    """A plan as read. A limit that it does not set is NaN; a version without `from` has `valid_from` NaT and holds from the beginning.

    tasks: one row a plan, version and code: `plan, valid_from, valid_to` (last day), `code, title` (by
        default the code in words), `also` (other ways people write it), `action`, the limits `first_`, `every_` and
        `severe_` followed by km, days, months, hours (`severe_` complete: what `severe` does not name is inherited; all NaN where the
        task has no `severe`), the window as `early_share, late_share` or else as `tolerance_km, tolerance_days, tolerance_hours`,
        `measured_from, positions, part` (as written), `fits` (the category whose fitting counts as doing
        it: the part, or where none is given the code), `covers` (as written), `first_after, recheck_km, recheck_days, safety, statutory`,
        `hours` (of labour), `parts, figures` (tuples of dicts; a figure without `value` is a blank to
        fill in), `steps, caution, source` (of its limits; "" not said).
    plans: one row a version: `plan, name` (of its own table), `valid_from, valid_to, applies_to, unknown_history, severe_when` (dict).
    covers: `plan, valid_from, code, covered`: doing `code` also does `covered`, at the same position; transitive, each pair once.
    """

    tasks: pd.DataFrame
    plans: pd.DataFrame
    covers: pd.DataFrame
    source: str = "plan.toml"

    def assign(self, vehicles):
        """The plan of each vehicle: a Series of plan names by vehicle, NaN where none applies.

        vehicles: frame with `vehicle`, `kind` and, if any vehicle has its own, `plan`, which wins.
        Raises PlanError where two plans apply to a kind that is left to choose, and where a vehicle names a plan that is not there.
        """
        own = (
            vehicles["plan"].astype(_TEXT)
            if "plan" in vehicles
            else pd.Series(np.nan, vehicles.index, dtype=_TEXT)
        )
        names = self.plans.drop_duplicates("name").set_index("name")["plan"]
        lost = own[own.notna() & ~own.isin(names.index)]
        if len(lost):
            raise PlanError(
                f"{self.source}: vehicle {vehicles['vehicle'][lost.index[0]]} has plan {lost.iloc[0]!r}, which is not there; "
                f"use one of {', '.join(names.index) or 'none: the file is empty'}"
            )
        kinds = self.plans[["plan", "applies_to"]].explode("applies_to").dropna().drop_duplicates()
        _refuse_two(self.source, kinds, vehicles["kind"][own.isna()])
        by_kind = vehicles["kind"].map(
            kinds.drop_duplicates("applies_to").set_index("applies_to")["plan"]
        )
        return pd.Series(
            own.map(names).fillna(by_kind).array, vehicles["vehicle"], dtype=_TEXT, name="plan"
        )


def _refuse_two(source, kinds, wanted):
    twice = kinds[
        kinds["applies_to"].duplicated(keep=False) & kinds["applies_to"].isin(wanted)
    ].sort_values(["applies_to", "plan"])
    if len(twice):
        kind = twice["applies_to"].iloc[0]
        both = " and ".join(twice.loc[twice["applies_to"] == kind, "plan"])
        raise PlanError(
            f"{source}: plans {both} both apply to kind {kind}; take it out of one's applies_to, give the vehicles a plan of their own, "
            "or give the versions of one plan the same applies_to and a different `from` each"
        )


def read_plan(path, distance="mi"):
    """Read a plan file (TOML) whose distances are in `distance` ("mi" or "km"). Raises PlanError for whatever is wrong with it."""
    path = Path(path)
    if path.exists() and not path.is_file():
        raise PlanError(
            f"{path.name}: it is a folder, a pipe or a device, where a file must stand; name another in log.toml"
        )
    try:
        return plan_of(tomllib.loads(path.read_bytes().decode("utf-8-sig")), distance, path.name)
    except FileNotFoundError:
        raise PlanError(
            f"{path.name}: there is no such file at {path}; name another in log.toml, or take `plan` out of it"
        ) from None
    except (OSError, UnicodeDecodeError) as why:
        raise PlanError(
            f"{path.name}: could not be read as UTF-8 text ({why}); save it again as a plain text file"
        ) from None
    except RecursionError:
        raise PlanError(
            f"{path.name}: it has lists within lists, deeper than any plan needs; take them out"
        ) from None
    except ValueError as why:  # tomllib's own is one; so is a number of thousands of digits
        if isinstance(why, PlanError):
            raise
        why = "a number there has thousands of digits" if "digits" in str(why) else why
        twice = (
            "; versions of one plan are written [[name]]"
            if "twice" in str(why) or "overwrite" in str(why)
            else ""
        )
        raise PlanError(f"{path.name}: not valid TOML: {why}; mend that line{twice}") from None


def templates():
    """The plan templates that come with the suite: name to path, for `read_plan`. Their figures are examples, in miles."""
    return {path.stem: path for path in sorted(place("shared", "plans").glob("*.toml"))}


def plan_of(mapping, distance="mi", source="plan.toml"):
    """The `Plan` of a parsed plan file, distances in `distance` ("mi" or "km"). Raises PlanError for whatever is wrong with it."""
    if distance not in DISTANCE_KM:
        raise PlanError(
            f"{source}: distance: found {distance!r}; use one of {', '.join(DISTANCE_KM)}"
        )
    versions, rows = [], []
    for name, body in mapping.items():
        at = _At(source, name.strip().casefold())
        for version in body if isinstance(body, list) else [body]:
            head, tasks = _version(at, version, DISTANCE_KM[distance])
            versions.append(head)
            rows.append(tasks)
    _name_families(source, versions)
    stamp = ("plan", "valid_from", "valid_to")
    stamped = [
        {k: head[k] for k in stamp} | task
        for head, tasks in zip(versions, rows, strict=True)
        for task in tasks
    ]
    pairs = [
        (head["plan"], head["valid_from"], code, covered)
        for head, tasks in zip(versions, rows, strict=True)
        for code, all_covered in _closure(_At(source, head["name"]), tasks).items()
        for covered in all_covered
    ]
    return Plan(
        tasks=_frame(stamped, (*stamp, *_TASK_COLUMNS)),
        plans=_frame(versions, _PLAN_COLUMNS),
        covers=_frame(pairs, ("plan", "valid_from", "code", "covered")),
        source=source,
    )


def _frame(rows, columns):
    frame = pd.DataFrame(rows, columns=list(columns))
    numbers = [
        c
        for c in columns
        if c.endswith(("_km", "_days", "_months", "_hours", "_share")) or c == "hours"
    ]
    types = dict.fromkeys(numbers, float) | {
        c: kind for kind, names in _TYPES for c in names if c in columns
    }
    return frame.astype(types)


@dataclass(frozen=True)
class _At:
    """Where in the plan file we are, to say so."""

    source: str
    plan: str = ""
    task: str = ""

    def error(self, key, found, remedy):
        shown = repr(found) if len(repr(found)) <= 60 else repr(found)[:57] + "..."
        place = ", ".join(
            filter(None, (f"plan {self.plan}", self.task and f"task {self.task}", key))
        )
        return PlanError(f"{self.source}: {place}: found {shown}; {remedy}")

    def refuse_unknown(self, key, table, known):
        if not isinstance(table, dict):
            raise self.error(key, table, f"write a table with any of {', '.join(known)}")
        for name in table:
            if name not in known:
                raise self.error(
                    f"{key}.{name}" if key else name,
                    table[name],
                    f"no such key: use {', '.join(known)}",
                )


# one value of the file: each takes (at, key, value) and gives it clean or raises


def _number(low=0.0, high=inf, above=True, whole=False):
    def read(at, key, value):
        right = (
            isinstance(value, (int, float))
            and not isinstance(value, bool)
            and abs(value) < _ENDLESS
        )
        if (
            not right
            or value > high
            or value < low
            or (above and value == low)
            or (whole and value != int(value))
        ):
            what = ("whole " if whole else "") + "number"
            top = f" and at most {high:,.12g}" if high < inf else ""
            raise at.error(
                key, value, f"write a {what} {'above' if above else 'of at least'} {low:g}{top}"
            )
        return float(value)

    return read


def _word(at, key, value):
    if not isinstance(value, str) or not value.strip():
        raise at.error(key, value, "write some text in quotes")
    return value.strip()


def _code(at, key, value):
    return _word(at, key, value).casefold()


def _one_of(known):
    def read(at, key, value):
        if not isinstance(value, str) or value.strip().casefold() not in known:
            raise at.error(key, value, f"use one of {', '.join(known)}")
        return value.strip().casefold()

    return read


def _flag(at, key, value):
    if not isinstance(value, bool):
        raise at.error(key, value, "write true or false, without quotes")
    return value


def _day(at, key, value):
    if not isinstance(value, date) or isinstance(value, datetime):
        raise at.error(key, value, "write a date as 2025-01-31, without quotes or time")
    return pd.Timestamp(value)


def _list(of):
    def read(at, key, value):
        if not isinstance(value, list):
            raise at.error(key, value, "write a list, in [ ]")
        clean = tuple(of(at, key, item) for item in value)
        if (
            all(isinstance(item, str) for item in clean)
            and len(set(clean)) < len(clean)
            and key != "steps"
        ):
            raise at.error(key, value, "take out what stands there twice")
        return clean

    return read


def _table(keys):
    """Reads a table whose keys are `keys`: name to (reader, default); default _REQUIRED must be there."""

    def read(at, key, value):
        at.refuse_unknown(key, value, keys)
        for name, (_, default) in keys.items():
            if default is _REQUIRED and name not in value:
                raise at.error(key, value, f"give its {name}")
        return {
            name: of(at, f"{key}.{name}", value[name]) if name in value else default
            for name, (of, default) in keys.items()
        }

    return read


_ABOVE_0, _FROM_0, _SHARE = _number(), _number(above=False), _number(high=1.0)
_WINDOW = _number(high=0.99, above=False)
_MOST = {
    "distance": 10_000_000,
    "days": 36_525,
    "months": 1200,
    "hours": 1_000_000,
}  # a century, and further than any vehicle goes
_LIMIT = _table(
    {
        name: (_number(high=most, whole=name in ("days", "months")), nan)
        for name, most in _MOST.items()
    }
)
_AMOUNTS = _table(
    {
        name: (_number(high=most, above=False), 0.0)
        for name, most in _MOST.items()
        if name != "months"
    }
)
_EARLY_LATE = _table(dict.fromkeys(("early", "late"), (_WINDOW, 0.0)))
_RECHECK = _table(
    {name: (_number(high=_MOST[name], whole=name == "days"), nan) for name in ("distance", "days")}
)
_PART = {
    "item": (_word, _REQUIRED),
    "quantity": (_ABOVE_0, 1.0),
    "unit": (_word, ""),
    "pack": (_ABOVE_0, 1.0),
    "price": (_FROM_0, nan),
}
_FIGURE = {
    "name": (_word, _REQUIRED),
    "value": (_number(low=-inf), nan),
    "unit": (_word, ""),
    "source": (_word, ""),
}

# the keys of a task that fill one column: name to (reader, default)
_PLAIN = {
    "code": (_code, _REQUIRED),
    "title": (_word, None),
    "also": (_list(_code), ()),
    "action": (_one_of(ACTIONS), _REQUIRED),
    "measured_from": (_one_of(MEASURED_FROM), "done"),
    "positions": (_list(_code), ()),
    "part": (_code, None),
    "covers": (_list(_code), ()),
    "first_after": (_list(_code), ()),
    "safety": (_flag, False),
    "statutory": (_flag, False),
    "hours": (_FROM_0, nan),
    "parts": (_list(_table(_PART)), ()),
    "figures": (_list(_table(_FIGURE)), ()),
    "steps": (_list(_word), ()),
    "caution": (_word, None),
    "source": (_word, ""),
}
# those that spread over several columns
_SPREAD = {
    **{key: [f"{key}_{unit}" for unit in _LIMITS.values()] for key in ("first", "every", "severe")},
    "tolerance": ["early_share", "late_share", "tolerance_km", "tolerance_days", "tolerance_hours"],
    "recheck": ["recheck_km", "recheck_days"],
}
_TASK_KEYS = (*_PLAIN, *_SPREAD)
_TASK_COLUMNS = (*(column for key in _TASK_KEYS for column in _SPREAD.get(key, [key])), "fits")


def _version(at, body, factor):
    """One table of the file: (its row of `plans`, its tasks as rows)."""
    at.refuse_unknown("", body, _PLAN_KEYS)
    kinds = _list(_one_of(VEHICLE_KINDS))(at, "applies_to", body.get("applies_to", []))
    when = body.get("severe_when", {})
    at.refuse_unknown("severe_when", when, SHARES)
    head = {
        "plan": at.plan,
        "name": at.plan,
        "valid_from": _day(at, "from", body["from"]) if "from" in body else pd.NaT,
        "valid_to": pd.NaT,
        "applies_to": kinds,
        "unknown_history": _one_of(UNKNOWN_HISTORY)(
            at, "unknown_history", body.get("unknown_history", UNKNOWN_HISTORY[0])
        ),
        "severe_when": {
            name: _SHARE(at, f"severe_when.{name}", value) for name, value in when.items()
        },
    }
    if not isinstance(body.get("task"), list) or not body["task"]:
        raise at.error(
            "task",
            body.get("task"),
            f"a plan needs at least one task: write [[{at.plan}.task]] and its keys below it",
        )
    tasks = [_task(at, number, task, factor) for number, task in enumerate(body["task"], 1)]
    _check_together(at, tasks, head["severe_when"])
    return head, tasks


def _task(at, number, body, factor):
    code = body.get("code") if isinstance(body, dict) else None
    at = _At(
        at.source,
        at.plan,
        code.strip().casefold() if isinstance(code, str) and code.strip() else f"number {number}",
    )
    at.refuse_unknown("", body, _TASK_KEYS)
    row = {}
    for key, (read, default) in _PLAIN.items():
        if key not in body and default is _REQUIRED:
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


def _check_together(at, tasks, severe_when):
    """What only shows when a version's tasks are seen side by side."""
    codes = [task["code"] for task in tasks]
    statutory = {task["code"] for task in tasks if task["statutory"]}
    words = [(word, task["code"]) for task in tasks for word in task["also"]]
    for number, task in enumerate(tasks):
        here = _At(at.source, at.plan, task["code"])
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


def _closure(at, tasks):
    """code -> every code that it covers, directly or through another, in the plan's order. Cycles are refused."""
    direct = {task["code"]: task["covers"] for task in tasks}

    def walk(code, path):
        if code in path:
            loop = " -> ".join((*path[path.index(code) :], code))
            raise _At(at.source, at.plan, path[0]).error(
                "covers", loop, "that goes round in a circle: take one of them out"
            )
        return {code}.union(*(walk(other, (*path, code)) for other in direct[code]))

    return {
        code: [other for other in direct if other in walk(code, ()) and other != code]
        for code in direct
    }


def _name_families(source, versions):
    """Bring versions of one plan under one name, oldest first, and end each on the day before the next."""
    by_kinds = {}
    for head in versions:
        first = next(v for v in versions if v["name"] == head["name"])
        head["applies_to"] = head["applies_to"] or first["applies_to"]
        by_kinds.setdefault(frozenset(head["applies_to"]) or head["name"], []).append(head)
    for group in by_kinds.values():
        starts = [head["valid_from"] for head in group]
        if len(set(starts)) == len(starts) and len(group) > 1:
            oldest = min(
                group, key=lambda head: (not pd.isna(head["valid_from"]), head["valid_from"])
            )
            for head in group:
                head["plan"] = oldest["name"]
    for head in versions:
        mine = [v for v in versions if v["plan"] == head["plan"]]
        _check_versions(_At(source, head["name"]), mine)
        start = pd.Timestamp.min if pd.isna(head["valid_from"]) else head["valid_from"]
        later = [v["valid_from"] for v in mine if v["valid_from"] > start]
        head["valid_to"] = min(later) - pd.Timedelta(days=1) if later else pd.NaT


def _check_versions(at, mine):
    starts = [str(head["valid_from"]) for head in mine]
    for start in starts:
        if starts.count(start) > 1:
            found = "no date" if start == "NaT" else start[:10]
            raise at.error(
                "from",
                found,
                f"{starts.count(start)} versions of this plan begin then: give each its own `from`",
            )
    if len({frozenset(head["applies_to"]) for head in mine}) > 1:
        raise at.error(
            "applies_to",
            list(mine[-1]["applies_to"]),
            "versions of one plan apply to the same kinds: write them alike",
        )
