"""The header of a log, log.toml: what the tables themselves can't tell."""

import tomllib
from datetime import date, datetime
from math import inf

import pandas as pd

from wearbar.log.sources.raw import LogError
from wearbar.log.units import DEPTH_MM, DISTANCE_KM, PRESSURE_KPA, VOLUME_L

__all__ = ["ESCAPED", "KEYS", "check_header", "read_header", "regular"]

CHOICES = {
    "money": ("net", "gross"),
    "distance": tuple(DISTANCE_KM),
    "volume": tuple(VOLUME_L),
    "depth": tuple(DEPTH_MM),
    "pressure": tuple(PRESSURE_KPA),
}
KEYS = (
    "name",
    "currency",
    *CHOICES,
    "as_of",
    "first_day",
    "plan",
    "jurisdiction",
    "capacity",
    "pack",
)
ESCAPED = "escaped"


def read_header(path):
    """The keys of a log.toml; nothing where there is no such file. Raises LogError."""
    if not path.exists():
        return {}
    try:
        regular(path)
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except UnicodeDecodeError:
        raise LogError(f"{path.name} is not UTF-8; save it as UTF-8.") from None
    except RecursionError:
        raise LogError(
            f"{path.name} has lists within lists, deeper than any header needs; take them out."
        ) from None
    except ValueError as error:  # TOMLDecodeError is one; so is a number of thousands of digits
        told = (
            "a number there has thousands of digits"
            if "digits" in str(error)
            else str(error)[:200].rstrip(".")
        )
        raise LogError(f"{path.name} is not TOML: {told}.") from None
    except OSError:
        raise LogError(f"{path.name} can't be opened.") from None


def regular(file):
    """Nothing but a file is opened: reading a pipe or a device would never end."""
    if not file.is_file():
        raise LogError(
            f"{file.name} is a folder, a pipe or a device, where a file must stand; rename or move it."
        )


def check_header(header):
    """The header's keys with days as Timestamps; `escaped` where this library wrote the tables (`wearbar.log.write`).

    Raises LogError, a sentence for each thing wrong.
    """
    wrong = [
        f"log.toml: there is no key {str(key)[:60]!r}; use {', '.join(KEYS)}."
        for key in header
        if key not in (*KEYS, ESCAPED)
    ]
    known = {key: value for key, value in header.items() if key in KEYS}
    for key, value in known.items():
        if key in CHOICES:
            wrong += _not_a_choice(key, value)
        elif key in ("as_of", "first_day"):
            known[key] = _day(value)
            wrong += (
                [f"log.toml: {key} is {str(value)[:60]!r}; write a day as YYYY-MM-DD."]
                if known[key] is None
                else []
            )
        elif key in ("capacity", "pack"):
            wrong += _not_a_table(key, value)
        elif not isinstance(value, str):
            wrong.append(f"log.toml: {key} is {str(value)[:60]!r}; write it as text in quotes.")
    currency = known.get("currency", "")
    if (
        isinstance(currency, str)
        and currency
        and not (len(currency) == 3 and currency.isascii() and currency.isupper())
    ):
        wrong.append(
            f"log.toml: currency is {currency[:60]!r}; write its three capital letters as in ISO 4217, such as GBP."
        )
    if wrong:
        raise LogError(" ".join(wrong))
    escaped = str(header.get(ESCAPED, "")).casefold() in ("true", "yes")
    return {key: value for key, value in known.items() if value != ""} | (
        {ESCAPED: True} if escaped else {}
    )


def _not_a_choice(key, value):
    if isinstance(value, str) and value in CHOICES[key]:
        return []
    return [f"log.toml: {key} is {str(value)[:60]!r}; use one of {', '.join(CHOICES[key])}."]


def _not_a_table(key, value):
    """What is wrong with labour hours a month by site, or with the table of what a pack is to do."""
    if not isinstance(value, dict):
        asked = '{ "Ferry Quay" = 120 }' if key == "capacity" else "a table headed [pack]"
        return [f"log.toml: {key} is {str(value)[:60]!r}; write {asked}."]
    if key == "pack":
        return []
    hours = {
        site: x
        for site, x in value.items()
        if isinstance(x, bool) or not isinstance(x, int | float) or not 0 <= x < inf
    }
    return [
        f"log.toml: capacity of {site[:40]!r} is {str(x)[:40]!r}; write hours a month, 0 or more."
        for site, x in hours.items()
    ]


def _day(value):
    try:
        if isinstance(value, str):
            value = date.fromisoformat(value.strip())
        if not isinstance(value, date | datetime | pd.Timestamp) or not 1900 <= value.year <= 2199:
            return None
        return pd.Timestamp(value).tz_localize(None).normalize()
    except ValueError:
        return None
