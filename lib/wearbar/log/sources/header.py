"""The header of a log, log.toml: what the tables can't tell; TOML as it is read and written."""

import json
import tomllib
from datetime import date, datetime
from functools import partial
from math import inf

import pandas as pd

from wearbar.log.schema import TABLES, VEHICLE_KINDS, table_of
from wearbar.log.sources.raw import LogError, Source, fault
from wearbar.log.units import FACTORS

CHOICES = {"money": ("net", "gross")} | {key: tuple(units) for key, units in FACTORS.items()}
DAYS = ("as_of", "first_day")
FORMS = {"capacity": '{ "Ferry Quay" = 120 }', "pack": "a table headed [pack]"}
BANDS, LEAST = "[{ to = 10000, rate = 0.4 }, { rate = 0.2 }]", "{ years = 6, distance = 50000 }"
FORMS |= {"mileage_rates": f"{{ car = {BANDS} }}", "least_keep": f"{{ car = {LEAST} }}"}
KEYS = ("name", "currency", *CHOICES, *DAYS, "plan", "jurisdiction", *FORMS, "none")
ESCAPED = "escaped"


def read_header(path):
    """The keys of a log.toml; nothing where there is no such file. Raises LogError."""
    return toml_file(path) if path.exists() else {}


def source_in(name, where, kind, held, read, folder):
    """The `Source` of a workbook or database; what it holds by the name log is its header. held:
    the names of its sheets or tables (`kind`). read: gives the `Raw` of one. folder: of the plan,
    and of a log.toml where it holds no header. where: how errors name it."""
    found, header = {}, read_header(folder / "log.toml")
    for one in held:
        table = table_of(one)
        if table in found and table in (*TABLES, "log"):
            raise fault("same_table", where=f"{where}: {kind}s ", one=found[table], other=one)
        found[table] = one
    if "log" in found:
        columns = read(found.pop("log")).columns
        if not {"key", "value"} <= columns.keys():
            raise LogError(f"{where}: {kind} log must have the columns key and value.")
        rows = zip(columns["key"].to_pylist(), columns["value"].to_pylist(), strict=True)
        said = {key.strip().casefold(): value for key, value in rows if None not in (key, value)}
        header = {key: value for key, value in said.items() if key != "key"} or header
    tables = {table: partial(read, found[table]) for table in TABLES if table in found}
    strange = tuple(f"{kind} {one}" for table, one in found.items() if table not in TABLES)
    return Source(name, header, tables, strange, folder)


def toml_file(path):
    """The keys of a TOML file. Raises LogError, in a sentence."""
    try:
        regular(path)
        return toml_of(path.read_bytes(), path.name)
    except OSError:
        raise fault("not_opened", name=path.name) from None


def regular(file):
    """Nothing but a file is opened: reading a pipe or a device would never end."""
    if not file.exists():
        raise fault("no_file", name=file.name, file=file)
    if not file.is_file():
        raise fault("no_plain_file", name=file.name)


def toml_of(data, where):
    """The keys in the bytes or text of a TOML file. LogError says `where`, and why it is none."""
    try:
        return tomllib.loads(data.decode("utf-8-sig") if isinstance(data, bytes) else data)
    except UnicodeDecodeError as error:
        why = f"could not be read as UTF-8 text ({error}); save it again as a plain text file"
    except RecursionError:
        why = "it has lists within lists, deeper than any such file needs; take them out"
    except ValueError as error:  # tomllib's own is one; so is a number of thousands of digits
        said = str(error)[:300].rstrip(".")
        why = f"not valid TOML: {said}; mend that line"
        if "digits" in said:
            why = "not valid TOML: a number there has thousands of digits; mend that line"
        elif "twice" in said or "overwrite" in said:
            why += "; versions of one plan are written [[name]]"
    raise LogError(f"{where}: {why}.")


def toml(value):
    """A value as TOML, on one line; what is no number, list, table or yes/no goes as text."""
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{toml(key)} = {toml(x)}' for key, x in value.items())} }}"
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    if isinstance(value, list):
        return f"[{', '.join(map(toml, value))}]"
    plain = isinstance(value, bool | int | float)
    text = json.dumps(value if plain else str(value), ensure_ascii=False)
    return text.replace("\x7f", "\\u007f")  # the one sign that JSON lets stand and TOML does not


def check_header(header):
    """The header's keys, days as Timestamps; `escaped` where this library wrote it. LogError."""
    wrong = [
        f"log.toml: there is no key {str(key)[:60]!r}; use {', '.join(KEYS)}."
        for key in header
        if key not in (*KEYS, ESCAPED)
    ]
    known = {key: value for key, value in header.items() if key in KEYS}
    wrong += [said for key, value in known.items() for said in _faults(key, value)]
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
    elif key == "none":
        right = isinstance(value, str | list) and all(x in TABLES for x in names_in(value))
        write = 'write tables of the log, as in ["defects", "campaigns"]'
    elif key == "currency" and right and value:
        right = len(value) == 3 and value.isascii() and value.isupper()
        write = "write its three capital letters as in ISO 4217, such as GBP"
    if not right:
        yield f"log.toml: {key} is {str(value)[:60]!r}; {write}."
    for name, x in value.items() if right and key in EACH else ():
        fits, write = EACH[key]
        is_kind = key == "capacity" or name in VEHICLE_KINDS
        write = write if is_kind else f"a kind of vehicle: {', '.join(VEHICLE_KINDS)}"
        if not (is_kind and fits(x)):
            yield f"log.toml: {key} of {name[:40]!r} is {str(x)[:40]!r}; write {write}."


def _number(x):
    return not isinstance(x, bool) and isinstance(x, int | float) and 0 <= x < inf


def _bands(bands):
    """Whether they are bands of a rate: each ends farther than the one before, the last nowhere."""
    try:
        ends = [0, *(band["to"] for band in bands[:-1])]
        numbers = [*ends, *(band["rate"] for band in bands)]
        keys = {"to"} & {*bands[-1]} or {*bands[-1]}.union(*bands) - {"to", "rate"}
        return not keys and all(map(_number, numbers)) and ends == sorted(set(ends))
    except (TypeError, LookupError):
        return False


def _least(x):
    is_told = isinstance(x, dict) and set() < {*x} <= {"years", "distance"}
    return is_told and all(map(_number, x.values()))


# of a key with a table: whether the value of one of its names fits, and what to write
EACH = {"capacity": (_number, "hours a month, 0 or more")}
EACH |= {"mileage_rates": (_bands, f"bands, the last without an end: {BANDS}")}
EACH |= {"least_keep": (_least, f"{LEAST}, or one of them")}


def names_in(value):
    """The names in a list, or, in a workbook, in a text with commas."""
    return [str(x) for x in value] if isinstance(value, list) else value.replace(",", " ").split()


def _day(value):
    try:
        if isinstance(value, str):
            value = date.fromisoformat(value.strip())
        if not isinstance(value, date | datetime | pd.Timestamp) or not 1900 <= value.year <= 2199:
            return None
        return pd.Timestamp(value).tz_localize(None).normalize()
    except ValueError:
        return None
