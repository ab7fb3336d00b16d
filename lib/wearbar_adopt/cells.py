"""Cells as people write them, by the words of shared/adopt/words.toml."""

import re
import unicodedata
from contextlib import suppress
from datetime import date
from functools import cache, lru_cache
from itertools import repeat

import numpy as np
import pandas as pd

from wearbar.log.places import read_toml
from wearbar.log.schema import TEXT, said
from wearbar.log.units import DEPTH_MM, FACTORS

SAYS = read_toml("shared", "adopt", "says.toml")
TOLD = read_toml("shared", "adopt", "words.toml")
LABELS = {name: re.compile(form) for name, form in TOLD["labels"].items()}
FREE = TOLD["free"]

UNITS = {word: unit for unit, words in TOLD["units"].items() for word in words.split()}
_MONTHS = [
    (name[:n], month)
    for names in TOLD["months"]["names"]
    for month, name in enumerate(names.split(), start=1)
    for n in range(3, len(name) + 1)
]
MONTHS = {name: month for name, month in _MONTHS if len({m for n, m in _MONTHS if n == name}) == 1}
# sign of a currency -> the codes that it may stand for; a code stands for itself
SIGNS = {sign: tuple(codes.split()) for sign, codes in TOLD["signs"].items()}

ORDERS = ("day-first", "month-first", "year-first")
DECIMALS = ("point", "comma")
WRITTEN = {"date_order": ORDERS, "decimal": DECIMALS}
ASK, LEAVE = "?", "leave-out"
LONGEST = 64
# an amount or a distance inside a cell
INSIDE = re.compile(r"[£€$¥] ?\d|\d ?[£€]|\d ?(?:mi|miles|km)\b", re.IGNORECASE)

# what a number measures -> its units in a common one, the first the log's where log.toml is silent
SIZES = FACTORS | {
    "energy": {"kWh": 1.0}, "thickness": DEPTH_MM, "slack": DEPTH_MM, "elongation": {"%": 1.0},
    "top-up": {"mL": 1.0, "L": 1000.0}, "share": {"": 1.0, "%": 0.01}, "hours": {"h": 1.0},
    "days": {"d": 1.0},
}  # fmt: skip

_CLOCK = re.compile(r",?[t ] ?\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)? ?(?:[ap]m|z|[+-]\d{2}:?\d{2})?$")
_DATES = TOLD["dates"]
_FORMS = {
    order: [re.compile(rf"(?:[a-z]{{2,10}}\.?,? )?{form}", re.ASCII) for form in forms]
    for order, forms in ((order, [*_DATES["any"], _DATES[order]]) for order in ORDERS)
}
_FIRST, _LAST = date(1677, 9, 22), date(2262, 4, 11)  # of datetime64[ns]

_MINUS, _NONE = ("-", "−"), (None, None, None)
_NUMBER = re.compile(TOLD["numbers"]["form"], re.ASCII)
_SHAPE = {mark: re.compile(TOLD["numbers"][mark]) for mark in DECIMALS}


def dates(cells, order):
    """Days of a column of text in that order; NaT where a cell is none. A month in words, and a
    year of four digits in front, go in any order; two digits are 1969 to 2068 (POSIX, from
    memory)."""
    days = np.array([_date(cell, order) for cell in cells], dtype="datetime64[D]")
    return pd.Series(days.astype("datetime64[ns]"), cells.index)


def is_day(cells):
    """Which cells are days in some order: array of bool."""
    return np.array([any(_date(cell, order) for order in ORDERS) for cell in cells], dtype=bool)


@lru_cache(2**16)
def _date(cell, order):
    if not isinstance(cell, str) or len(cell) > LONGEST:
        return None
    tidy = _CLOCK.sub("", " ".join(plain_letters(cell).split()).replace(" de ", " ")).strip()
    for found in (form.fullmatch(tidy) for form in _FORMS[order]):
        if found:
            year, month = found["y"], MONTHS.get(found["m"], found["m"])
            century = "" if len(year) == 4 else "20" if year < "69" else "19"
            with suppress(ValueError):
                day = date(int(century + year), int(month), int(found["d"]))
                if _FIRST <= day <= _LAST:
                    return day
    return None


def numbers(cells, decimal, typed=None):
    """A column of text as numbers with that decimal mark: a frame of `plain` (the digits as a log
    has them), `unit` and `sign` of a currency beside them, each missing where the cell has none.
    typed: a mask of cells that the file itself holds as numbers: those are plain already."""
    rows = [number(cell, decimal) for cell in cells]
    read = pd.DataFrame(rows, cells.index, ["plain", "unit", "sign"], dtype=TEXT)
    if typed is not None:
        read["plain"] = read["plain"].mask(typed, cells.astype(TEXT))
    return read


def values(cells, decimal, typed=None):
    """The same column as array of float, NaN where a cell is no number; "?" is a decimal point."""
    mark = DECIMALS[decimal == "comma"]
    plain = np.array([number(cell, mark)[0] for cell in cells], dtype=object)
    plain = plain if typed is None else np.where(typed, cells, plain)
    return pd.to_numeric(plain, errors="coerce").astype(float)


def either(cells, decimal, typed=None):
    """As `numbers`, what that decimal mark does not tell by the other one: a list of (plain, unit,
    sign), None where a cell has none."""
    marks, read = (DECIMALS, DECIMALS[::-1])[decimal == "comma"], []
    for cell, is_plain in zip(cells, repeat(False) if typed is None else typed, strict=False):
        one, other = (number(cell, mark) for mark in marks)
        plain, *beside = (a or b for a, b in zip(one, other, strict=True))
        read.append((cell if is_plain else plain, *beside))
    return read


def contested(cells, key):
    """The cells of a column that another choice of `WRITTEN[key]` reads otherwise."""
    read = _date if key == "date_order" else lambda cell, mark: number(cell, mark)[0]
    differs = [len({read(cell, choice) for choice in WRITTEN[key]}) > 1 for cell in cells]
    return cells[np.array(differs, dtype=bool)]


@lru_cache(2**16)
def number(cell, decimal):
    """(plain, unit, sign) of one cell, as `numbers`; None for what it has not."""
    found = None
    if isinstance(cell, str) and len(cell) <= LONGEST:
        found = _NUMBER.fullmatch(" ".join(cell.split()))
    if not found or not _SHAPE[decimal].fullmatch(found["digits"]):
        return _NONE
    before = f"{found['lead']}{found['before']}{found['then']}".strip()
    after = found["after"].strip()
    word = re.sub(r"[ .()]", "", after.casefold())
    unit, closed = UNITS.get(word), bool(found["open"]) and ")" in after
    signs = before, "" if unit else after.strip("() .")
    sign = next((s for s in signs if s in SIGNS or re.fullmatch("[A-Z]{3}", s)), None)
    is_known = before in ("", sign) and (unit or sign or word in ("", *_MINUS))
    if not is_known or (found["open"] and not closed):
        return _NONE
    mark, group = (".", ",") if decimal == "point" else (",", ".")
    plain = re.sub(rf"[{group}'’ ]", "", found["digits"]).replace(mark, ".")
    is_negative = closed or found["minus"] in _MINUS or word in _MINUS
    return "-" * is_negative + plain, unit, sign


def plain_letters(text):
    """The same in small letters without accents."""
    low = text.casefold()
    if low.isascii():
        return low
    parts = unicodedata.normalize("NFKD", low.replace("œ", "oe"))
    return "".join(part for part in parts if not unicodedata.combining(part))


@cache
def _known(column):
    """Words that people write in a column, and the codes that they mean."""
    told = (said("cells")["meant"], TOLD["codes"])
    codes = [pair for some in told for pair in some.get(column, {}).items()]
    return {plain_letters(word.strip()): code for code, words in codes for word in words.split(",")}


def code_of(word, col):
    """The code of a column (`schema.Column`) that a person's word stands for, "?" where none."""
    known, plain = _known("yes_no" if col.kind == "yes_no" else col.name), plain_letters(word)
    code = re.sub(r"[^\w]+", "-", word.casefold()).strip("-") or ASK
    allowed = ("yes", "no") if col.kind == "yes_no" else col.codes
    meant = {known.get(plain.strip())} - {None} or {known.get(part) for part in plain.split()}
    code = meant.pop() or code if len(meant) == 1 else code
    return code if not allowed or code in allowed else ASK
