"""Values of a plan.toml: each read by its kind, and refused in a sentence that says where.

A reader takes (at, key, value) and gives the value clean, or raises `PlanError`.
"""

from dataclasses import dataclass
from datetime import date, datetime
from math import inf

import pandas as pd

REQUIRED = object()
_ENDLESS = 1e300


class PlanError(ValueError):
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


def a_number(low=0.0, high=inf, above=True, whole=False):
    what = f"{'whole ' if whole else ''}number {'above' if above else 'of at least'} {low:g}"
    what += f" and at most {high:,.12g}" if high < inf else ""

    def read(at, key, value):
        right = isinstance(value, int | float) and not isinstance(value, bool)
        right = right and abs(value) < _ENDLESS and low <= value <= high
        if not right or (above and value == low) or (whole and value != int(value)):
            raise at.error(key, value, f"write a {what}")
        return float(value)

    return read


def a_word(at, key, value):
    if not isinstance(value, str) or not value.strip():
        raise at.error(key, value, "write some text in quotes")
    return value.strip()


def a_code(at, key, value):
    return a_word(at, key, value).casefold()


def one_of(known):
    def read(at, key, value):
        if not isinstance(value, str) or value.strip().casefold() not in known:
            raise at.error(key, value, f"use one of {', '.join(known)}")
        return value.strip().casefold()

    return read


def a_flag(at, key, value):
    if not isinstance(value, bool):
        raise at.error(key, value, "write true or false, without quotes")
    return value


def a_day(at, key, value):
    if not isinstance(value, date) or isinstance(value, datetime):
        raise at.error(key, value, "write a date as 2025-01-31, without quotes or time")
    return pd.Timestamp(value)


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
    """A reader of a table: its keys to (reader, default); default REQUIRED must be there."""

    def read(at, key, value):
        at.refuse_unknown(key, value, keys)
        for name, (_, default) in keys.items():
            if default is REQUIRED and name not in value:
                raise at.error(key, value, f"give its {name}")
        return {
            name: of(at, f"{key}.{name}", value[name]) if name in value else default
            for name, (of, default) in keys.items()
        }

    return read
