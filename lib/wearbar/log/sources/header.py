"""The header of a log, log.toml: what the tables themselves can't tell."""

from datetime import date, datetime
from math import inf

import pandas as pd

from wearbar.log.sources.raw import LogError
from wearbar.log.toml import toml_of
from wearbar.log.units import FACTORS

CHOICES = {"money": ("net", "gross")} | {key: tuple(units) for key, units in FACTORS.items()}
DAYS = ("as_of", "first_day")
FORMS = {"capacity": '{ "Ferry Quay" = 120 }', "pack": "a table headed [pack]"}
KEYS = ("name", "currency", *CHOICES, *DAYS, "plan", "jurisdiction", *FORMS)
ESCAPED = "escaped"


def read_header(path):
    """The keys of a log.toml; nothing where there is no such file. Raises LogError."""
    if not path.exists():
        return {}
    try:
        regular(path)
        return toml_of(path.read_bytes())
    except OSError:
        why = "it can't be opened; it must be a file that you may read"
    except ValueError as error:
        why = error
    raise LogError(f"{path.name}: {why}.")


def regular(file):
    """Nothing but a file is opened: reading a pipe or a device would never end."""
    if not file.is_file():
        why = "a folder, a pipe or a device, where a file must stand; rename or move it."
        raise LogError(f"{file.name} is {why}")


def check_header(header):
    """The header's keys with days as Timestamps; `escaped` where this library wrote the tables.

    Raises LogError, a sentence for each thing wrong.
    """
    wrong = [
        f"log.toml: there is no key {str(key)[:60]!r}; use {', '.join(KEYS)}."
        for key in header
        if key not in (*KEYS, ESCAPED)
    ]
    known = {key: value for key, value in header.items() if key in KEYS}
    wrong += [fault for key, value in known.items() for fault in _faults(key, value)]
    if wrong:
        raise LogError(" ".join(wrong))
    known |= {key: _day(known[key]) for key in DAYS if key in known}
    escaped = str(header.get(ESCAPED, "")).casefold() in ("true", "yes")
    known = {key: value for key, value in known.items() if value != ""}
    return known | ({ESCAPED: True} if escaped else {})


def _faults(key, value):
    """What is wrong with the value of a key: sentences."""
    right, write = isinstance(value, str), "write it as text in quotes"
    if key in CHOICES:
        right, write = value in CHOICES[key], f"use one of {', '.join(CHOICES[key])}"
    elif key in DAYS:
        right, write = _day(value) is not None, "write a day as YYYY-MM-DD"
    elif key in FORMS:
        right, write = isinstance(value, dict), f"write {FORMS[key]}"
    elif key == "currency" and right and value:
        right = len(value) == 3 and value.isascii() and value.isupper()
        write = "write its three capital letters as in ISO 4217, such as GBP"
    if not right:
        yield f"log.toml: {key} is {str(value)[:60]!r}; {write}."
    elif key == "capacity":
        for site, x in value.items():
            if isinstance(x, bool) or not isinstance(x, int | float) or not 0 <= x < inf:
                found = f"capacity of {site[:40]!r} is {str(x)[:40]!r}"
                yield f"log.toml: {found}; write hours a month, 0 or more."


def _day(value):
    try:
        if isinstance(value, str):
            value = date.fromisoformat(value.strip())
        if not isinstance(value, date | datetime | pd.Timestamp) or not 1900 <= value.year <= 2199:
            return None
        return pd.Timestamp(value).tz_localize(None).normalize()
    except ValueError:
        return None
