"""Values of a plan.toml: each read by what shared/log/plan.toml says of its key.

What is not so is refused in a sentence that says where.
"""

from dataclasses import dataclass
from datetime import date, datetime
from math import inf, nan

import pandas as pd

from wearbar.log.schema import VEHICLE_KINDS, said
from wearbar.log.sources.raw import LogError

KEYS = said("plan")
_ENDLESS = 1e300


class PlanError(LogError, ValueError):
    """What is wrong with a plan, in a sentence: where, what was found, what to do."""


@dataclass(frozen=True)
class At:
    """Where in the plan file we are, to say so."""

    source: str
    plan: str = ""
    task: str = ""

    def error(self, key, found, remedy):
        shown = repr(found) if len(repr(found)) <= 60 else repr(found)[:57] + "..."
        places = filter(None, (f"plan {self.plan}", self.task and f"task {self.task}", key))
        return PlanError(f"{self.source}: {', '.join(places)}: found {shown}; {remedy}")

    def refuse_unknown(self, key, table, known):
        if not isinstance(table, dict):
            raise self.error(key, table, f"write a table with any of {', '.join(known)}")
        for name in table:
            if name not in known:
                place = f"{key}.{name}" if key else name
                raise self.error(place, table[name], f"no such key: use {', '.join(known)}")


def values_of(at, key, table, name):
    """The values of a table of the file, clean, of all keys that [name] has. Raises PlanError."""
    at.refuse_unknown(key, table, KEYS[name])
    clean = {}
    for part, told in KEYS[name].items():
        if part in table:
            clean[part] = value_of(at, f"{key}.{part}" if key else part, table[part], told)
        elif "required" in told:
            raise at.error(key or part, table if key else None, told["required"])
        else:
            clean[part] = _default(told)
    return clean


def _default(told):
    if "list" in told:
        return ()
    if told["kind"] in KEYS:
        return {part: _default(its) for part, its in KEYS[told["kind"]].items()}
    blank = {"number": nan, "day": pd.NaT, "yes_no": False}.get(told["kind"])
    return told.get("default", blank)


def value_of(at, key, value, told):
    """A value, clean, by what plan.toml says of its key (`told`). Raises PlanError."""
    kind = told["kind"]
    if "list" in told:
        if not isinstance(value, list):
            raise at.error(key, value, "write a list, in [ ]")
        one = {name: said for name, said in told.items() if name != "list"}
        clean = tuple(value_of(at, key, item, one) for item in value)
        if kind not in KEYS and "twice" not in told and len(set(clean)) < len(clean):
            raise at.error(key, value, "take out what stands there twice")
        return clean
    if kind in KEYS:
        return values_of(at, key, value, kind)
    is_right, write, clean = _form(told)
    if not is_right(value):
        raise at.error(key, value, write)
    return clean(value)


def _is_word(value):
    return isinstance(value, str) and bool(value.strip())


def _code(value):
    return value.strip().casefold()


def _is_day(value):
    return isinstance(value, date) and not isinstance(value, datetime)


_FORMS = {
    "word": (_is_word, "write some text in quotes", str.strip),
    "code": (_is_word, "write some text in quotes", _code),
    "yes_no": (lambda v: isinstance(v, bool), "write true or false, without quotes", bool),
    "day": (_is_day, "write a date as 2025-01-31, without quotes or time", pd.Timestamp),
    "any": (lambda v: True, "", lambda v: v),
}


def _number(low=0.0, high=inf, above=True, whole=False, **_):
    what = f"{'whole ' if whole else ''}number {'above' if above else 'of at least'} {low:g}"
    what += f" and at most {high:,.12g}" if high < inf else ""

    def is_right(value):
        if not isinstance(value, int | float) or isinstance(value, bool):
            return False
        fits = abs(value) < _ENDLESS and low <= value <= high and not (above and value == low)
        return fits and not (whole and value != int(value))

    return is_right, f"write a {what}", float


def _form(told):
    """Of a kind: whether a value is right, what to write, how it is cleaned."""
    if told["kind"] == "number":
        return _number(**told)
    if "of" not in told:
        return _FORMS[told["kind"]]
    of = VEHICLE_KINDS if told["of"] == "vehicle_kinds" else told["of"]
    return (lambda v: _is_word(v) and _code(v) in of), f"use one of {', '.join(of)}", _code
