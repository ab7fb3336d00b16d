"""Values of a plan.toml: each read by its kind, and refused in a sentence that says where.

A reader takes (at, key, value) and gives the value clean, or raises `PlanError`. Which key is of
which kind stands in shared/log/plan.toml.
"""

from dataclasses import dataclass
from datetime import date, datetime
from math import inf, nan

import pandas as pd

from wearbar.log.schema import VEHICLE_KINDS, said

_KEYS = said("plan")
_ENDLESS = 1e300


class PlanError(ValueError):
    """What is wrong with a plan, in a sentence: where, what was found, what to do."""


class Required(str):
    """In place of a key's default: what to do where it lacks."""


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


def _reader(is_right, remedy, clean):
    def read(at, key, value):
        if not is_right(value):
            raise at.error(key, value, remedy)
        return clean(value)

    return read


def _is_word(value):
    return isinstance(value, str) and bool(value.strip())


def _is_day(value):
    return isinstance(value, date) and not isinstance(value, datetime)


def _code(value):
    return value.strip().casefold()


a_word = _reader(_is_word, "write some text in quotes", str.strip)
a_code = _reader(_is_word, "write some text in quotes", _code)
_a_flag = _reader(
    lambda value: isinstance(value, bool), "write true or false, without quotes", bool
)
_a_day = _reader(_is_day, "write a date as 2025-01-31, without quotes or time", pd.Timestamp)


def one_of(known):
    use = f"use one of {', '.join(known)}"
    return _reader(lambda value: isinstance(value, str) and _code(value) in known, use, _code)


def a_number(low=0.0, high=inf, above=True, whole=False):
    what = f"{'whole ' if whole else ''}number {'above' if above else 'of at least'} {low:g}"
    what += f" and at most {high:,.12g}" if high < inf else ""

    def is_right(value):
        if not isinstance(value, int | float) or isinstance(value, bool):
            return False
        fits = abs(value) < _ENDLESS and low <= value <= high and not (above and value == low)
        return fits and not (whole and value != int(value))

    return _reader(is_right, f"write a {what}", float)


def a_list(of):
    def read(at, key, value):
        if not isinstance(value, list):
            raise at.error(key, value, "write a list, in [ ]")
        clean = tuple(of(at, key, item) for item in value)
        texts = all(isinstance(item, str) for item in clean) and key != "steps"
        if texts and len(set(clean)) < len(clean):
            raise at.error(key, value, "take out what stands there twice")
        return clean

    return read


def a_table(keys):
    """A reader of a table: its keys to (reader, default), or `Required` for one that must be."""

    def read(at, key, value):
        at.refuse_unknown(key, value, keys)
        clean = {}
        for name, (of, default) in keys.items():
            if name not in value and isinstance(default, Required):
                raise at.error(key or name, value if key else None, default)
            place = f"{key}.{name}" if key else name
            clean[name] = of(at, place, value[name]) if name in value else default
        return clean

    return read


_KINDS = {
    "word": (a_word, None),
    "words": (a_list(a_word), ()),
    "code": (a_code, None),
    "codes": (a_list(a_code), ()),
    "yes_no": (_a_flag, False),
    "day": (_a_day, pd.NaT),
    "any": (lambda at, key, value: value, None),
}


def keys_of(table):
    """The keys of a table of shared/log/plan.toml, each with its (reader, default)."""
    return {key: _key(told) for key, told in _KEYS[table].items()}


def _key(told):
    kind, default = told["kind"], nan
    if kind in _KEYS:
        keys = keys_of(kind)
        read, default = a_table(keys), {key: default for key, (_, default) in keys.items()}
    elif kind == "number":
        read = a_number(
            **{key: told[key] for key in ("low", "high", "above", "whole") if key in told}
        )
    elif "of" in told:
        read = one_of(VEHICLE_KINDS if told["of"] == "vehicle_kinds" else told["of"])
    else:
        read, default = _KINDS[kind]
    if "list" in told:
        read, default = a_list(read), ()
    if "required" in told:
        return read, Required(told["required"])
    return read, told.get("default", default)
