"""Cells as people write them: dates in three orders, numbers with either decimal mark, units and currency signs beside the digits."""

import re

import numpy as np
import pandas as pd

from wearbar.log.schema import TEXT
from wearbar.log.units import DEPTH_MM, DISTANCE_KM, PRESSURE_KPA, VOLUME_L

__all__ = [
    "DECIMALS",
    "ORDERS",
    "OWN_UNIT",
    "SIGNS",
    "SIZES",
    "UNITS",
    "currencies",
    "dates",
    "numbers",
]

ORDERS = ("day-first", "month-first", "year-first")
DECIMALS = ("point", "comma")
LONGEST = 64

# sign -> the currencies that it stands for (codes of ISO 4217; which sign is used for which is from memory)
SIGNS = {
    "£": ("GBP",), "€": ("EUR",), "$": ("USD", "CAD", "AUD", "NZD", "SGD", "HKD", "MXN"), "¥": ("JPY", "CNY"), "US$": ("USD",),
    "kr": ("SEK", "NOK", "DKK", "ISK"), "zł": ("PLN",), "₹": ("INR",), "R": ("ZAR",), "R$": ("BRL",), "Fr": ("CHF",), "Kč": ("CZK",),
}  # fmt: skip

# what a number measures -> its units, each in one common unit; and the unit that a log has it in where log.toml does not say
SIZES = {
    "distance": DISTANCE_KM,
    "volume": VOLUME_L,
    "energy": {"kWh": 1.0},
    "depth": DEPTH_MM,
    "thickness": DEPTH_MM,
    "slack": DEPTH_MM,
    "pressure": PRESSURE_KPA,
    "elongation": {"%": 1.0},
    "top-up": {"mL": 1.0, "L": 1000.0},
    "share": {"": 1.0, "%": 0.01},
    "hours": {"h": 1.0},
    "days": {"d": 1.0},
}
OWN_UNIT = {
    "energy": "kWh",
    "thickness": "mm",
    "slack": "mm",
    "elongation": "%",
    "top-up": "mL",
    "share": "",
    "hours": "h",
    "days": "d",
}

# "gal" is a unit that does not say which gallon it is
_WORDS = {
    "mi": "mi mile miles",
    "km": "km kms kilometre kilometres kilometer kilometers",
    "L": "l lt ltr ltrs litre litres liter liters",
    "mL": "ml",
    "gal_uk": "galuk ukgal gallonuk gallonsuk impgal",
    "gal_us": "galus usgal gallonus gallonsus",
    "gal": "gal gals gallon gallons",
    "kWh": "kwh",
    "mm": "mm",
    "in32": '/32 /32in /32" /32inch 32nd 32nds in32',
    "psi": "psi",
    "bar": "bar",
    "kPa": "kpa",
    "h": "h hr hrs hour hours",
    "d": "d day days",
    "%": "%",
}
UNITS = {word: unit for unit, words in _WORDS.items() for word in words.split()}

_MONTH_NAMES = (
    "january february march april may june july august september october november december"
)
_MONTHS = {
    name[:n]: str(i)
    for i, name in enumerate(_MONTH_NAMES.split(), start=1)
    for n in range(3, len(name) + 1)
}
_CLOCK = r",?[t ] ?\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)? ?(?:[ap]m|z|[+-]\d{2}:?\d{2})?$"
_WEEKDAY = r"^(?:[a-z]{2,9}\.?,? )?"
_SEP = r" ?(?P<s>[-/. ]) ?"
_DAY, _MONTH, _YEAR, _WORD = (
    r"(?P<d>\d{1,2})",
    r"(?P<m>\d{1,2})",
    r"(?P<y>\d{4}|\d{2})",
    r"(?P<m>[a-z]{3,9})",
)
_FORMS = {
    "day-first": rf"{_WEEKDAY}{_DAY}{_SEP}{_MONTH} ?(?P=s) ?{_YEAR}$",
    "month-first": rf"{_WEEKDAY}{_MONTH}{_SEP}{_DAY} ?(?P=s) ?{_YEAR}$",
    "year-first": rf"{_WEEKDAY}{_YEAR}{_SEP}{_MONTH} ?(?P=s) ?{_DAY}\.?$",
}
_PLAIN_FORMS = (
    rf"{_WEEKDAY}(?P<y>\d{{4}}){_SEP}{_MONTH} ?(?P=s) ?{_DAY}\.?$",
    rf"{_WEEKDAY}{_DAY}(?:st|nd|rd|th)?[-/. ]+{_WORD}[-/., ]+{_YEAR}$",
    rf"{_WEEKDAY}{_WORD}[-/. ]+{_DAY}(?:st|nd|rd|th)?,?[-/. ]+(?P<y>\d{{4}})$",
)

_MINUS = ["-", "−"]
_BESIDE = r"[^\d(.,+\-− ]*"
_NUMBER = (
    rf"^(?P<lead>{_BESIDE}) ?(?P<open>\()? ?(?P<before>{_BESIDE}) ?(?P<minus>[-+−]?) ?(?P<then>{_BESIDE}) ?"
    r"(?P<digits>\d[\d.,'’ ]*?|[.,]\d+) ?(?P<after>(?:/ ?32|32nds?)?[^\d]*?)$"
)
_GROUPED = r"(?:\d+|[1-9]\d{{0,2}}(?P<s>[{0}'’ ])\d{{3}}(?:(?P=s)\d{{3}})*{1})?"
_SHAPE = {
    "point": _GROUPED.format(",", r"|[1-9]\d?(?:,\d\d)+,\d{3}")
    + r"(?:\.\d+)?",  # and thousands in pairs above the first, as in India
    "comma": _GROUPED.format(".", "") + r"(?:,\d+)?",
}


def dates(cells, order):
    """Days of a column of text in that order; NaT where a cell fits neither it nor a form that has one reading alone.

    A month in words, and a year of four digits in front, are read in any order. A year of two digits is 1969 to 2068 (POSIX strptime, from
    memory).
    """
    return _each_once(cells, lambda distinct: _dates(distinct, order))


def _dates(cells, order):
    tidy = _spaced(cells).str.casefold().str.replace(_CLOCK, "", regex=True).str.strip()
    found = pd.Series(pd.NaT, index=cells.index, dtype="datetime64[ns]")
    for form in (*_PLAIN_FORMS, _FORMS[order]):
        if found.isna().any():
            found = found.fillna(_days(tidy.str.extract(form, flags=re.ASCII)))
    return found


def _days(parts):
    month = parts["m"].map(lambda word: _MONTHS.get(word, word), na_action="ignore").astype(object)
    century = np.where(
        parts["y"].str.len().eq(4), "", np.where(parts["y"].fillna("").lt("69"), "20", "19")
    )
    iso = (century + parts["y"] + "-" + month.str.zfill(2) + "-" + parts["d"].str.zfill(2)).astype(
        object
    )
    day = pd.to_datetime(iso, format="%Y-%m-%d", errors="coerce")
    return day.where(day.between(pd.Timestamp.min, pd.Timestamp.max)).astype("datetime64[ns]")


def numbers(cells, decimal, typed=None):
    """What a column of text holds as numbers with that decimal mark: a frame of `plain` (the digits as a log has them, missing where the
    cell is no number written so), `unit` (a value of `UNITS`) and `sign` (of a currency) beside them, missing where there is none.

    typed: a mask of cells that the file itself holds as numbers: those are plain already.
    """
    read = _each_once(cells, lambda distinct: _numbers(distinct, decimal))
    return (
        read if typed is None else read.assign(plain=read["plain"].mask(typed, cells.astype(TEXT)))
    )


def _numbers(cells, decimal):
    parts = _spaced(cells).str.extract(_NUMBER, flags=re.ASCII).astype(TEXT)
    before = (
        parts["lead"].fillna("") + parts["before"].fillna("") + parts["then"].fillna("")
    ).str.strip()
    after = parts["after"].fillna("").str.strip()
    closed = parts["open"].notna() & after.str.contains(")", regex=False)
    word = after.str.casefold().str.replace(r"[ .()]", "", regex=True)
    unit = word.map(UNITS).astype(TEXT)
    sign = before.where(_is_sign(before)).fillna(
        after.str.strip("() .").where(lambda s: _is_sign(s) & unit.isna())
    )
    known = (before.eq("") | sign.eq(before)) & (
        word.isin(["", *_MINUS]) | unit.notna() | sign.notna()
    )
    fits = (
        known
        & (parts["open"].isna() | closed)
        & parts["digits"].astype(object).str.fullmatch(_SHAPE[decimal]).eq(True)
    )
    mark, group = (".", ",") if decimal == "point" else (",", ".")
    plain = (
        parts["digits"]
        .str.replace(rf"[{group}'’ ]", "", regex=True)
        .str.replace(mark, ".", regex=False)
    )
    plain = plain.mask(closed | parts["minus"].isin(_MINUS) | word.isin(_MINUS), "-" + plain).where(
        fits
    )
    return pd.DataFrame({"plain": plain, "unit": unit.where(fits), "sign": sign.where(fits)})


def currencies(sign):
    """The currencies that a sign, or its three letters, may stand for."""
    return SIGNS.get(sign, (sign,))


def _each_once(cells, read):
    """What `read` gives for a column, asked once for each cell that differs."""
    at, distinct = pd.factorize(cells.astype(object))
    return read(pd.Series(distinct, dtype=object)).reindex(at).set_axis(cells.index)


def _is_sign(words):
    return words.isin(list(SIGNS)) | words.str.fullmatch("[A-Z]{3}").eq(True)


def _spaced(cells):
    """The cells as objects, so that Python's own expressions read them, with plain spaces alone; long ones are no date or number."""
    text = cells.astype(object)
    return (
        text.where(text.str.len() <= LONGEST)
        .str.replace(r"\s+", " ", regex=True)
        .str.strip()
        .astype(object)
    )
