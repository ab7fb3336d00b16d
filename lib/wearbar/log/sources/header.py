"""The header of a log, log.toml: what the tables themselves can't tell."""

import tomllib
from datetime import date, datetime
from math import inf

import pandas as pd

from wearbar.log.sources.raw import LogError
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
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except UnicodeDecodeError:
        why = "is not UTF-8; save it as UTF-8"
    except RecursionError:
        why = "has lists within lists, deeper than any header needs; take them out"
    except ValueError as error:  # TOMLDecodeError is one; so is a number of thousands of digits
        digits, said = "a number there has thousands of digits", str(error)[:200].rstrip(".")
        why = f"is not TOML: {digits if 'digits' in str(error) else said}"
    except OSError:
        why = "can't be opened"
    raise LogError(f"{path.name} {why}.")


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
    currency = known.get("currency", "")
    code = isinstance(currency, str) and len(currency) == 3 and currency.isascii()
    if isinstance(currency, str) and currency and not (code and currency.isupper()):
        found = f"log.toml: currency is {currency[:60]!r}"
        wrong.append(f"{found}; write its three capital letters as in ISO 4217, such as GBP.")
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
        right, write = right and value in CHOICES[key], f"use one of {', '.join(CHOICES[key])}"
    elif key in DAYS:
        right, write = _day(value) is not None, "write a day as YYYY-MM-DD"
    elif key in FORMS:
        right, write = isinstance(value, dict), f"write {FORMS[key]}"
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
