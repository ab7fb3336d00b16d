"""What a cell that breaks a rule was meant to be: said in the remedy, never put in its place."""

import re
from datetime import date
from difflib import get_close_matches

import numpy as np
import pandas as pd

# stands beside a number without changing it; not k, maybe thousands, nor an l, maybe a 1
_UNITS = (
    r"mi|miles?|kms?|(?<=\s)l|ltrs?|lit(re|er)s?|gals?|gallons?|kwh|mm|psi|bar|kpa"
    r"|h|hrs?|hours?|d|days?"
)
_MONEY = "aud|brl|cad|chf|cny|dkk|eur|gbp|inr|jpy|nok|nzd|pln|sek|usd|zar"
_BESIDE = re.compile(rf"^[€£$¥]\s*|(?<![A-Za-z])((?i:{_UNITS}|{_MONEY})|L|[%°\"€£$¥])\.?$")
_LOOK_ALIKE = re.compile(r"(?=.*\d)[+-]?[\dOoIl.,]*[\dOoI]", re.ASCII)
_DIGITS = str.maketrans("OoIl", "0011")


def nearest_code(value, codes):
    close = get_close_matches(value[:40], codes, n=1)
    return f"use one of: {', '.join(codes)}" + (f"; {close[0]}?" if close else "")


def likely_day(text):
    """What a day in another form would be in ours; both readings where the day may be the month."""
    found = []
    if parts := re.fullmatch(r"(\d{1,2})[./\- ](\d{1,2})[./\- ](\d{4})", text, re.ASCII):
        one, other, year = map(int, parts.groups())
        for day, month in ((one, other), (other, one)):
            try:
                found.append(date(year, month, day).isoformat())
            except ValueError:
                continue
    if re.fullmatch(r"[1-9]\d{4}(\.\d+)?", text, re.ASCII):
        found.append(str(np.datetime64("1899-12-30") + int(float(text))))
    return "write it as YYYY-MM-DD" + (f": {' or '.join(dict.fromkeys(found))}?" if found else "")


def likely_number(text):
    """What to do, with the number that was meant: beside a unit, or with letters like 0."""
    bare = re.sub(r"[\s\u00a0\u202f'_]", "", _BESIDE.sub("", text.strip()))
    if _LOOK_ALIKE.fullmatch(bare):
        bare = bare.translate(_DIGITS)
    likely = ""
    if re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?", bare):
        alone = bare.count(",") == 1 and "." not in bare
        likely = bare.replace(",", "") + (f" or {bare.replace(',', '.')}" if alone else "")
    elif re.fullmatch(r"[+-]?\d{1,3}(\.\d{3})+,\d+", bare):
        likely = bare.replace(".", "").replace(",", ".")
    elif re.fullmatch(r"[+-]?\d+,\d+", bare):
        likely = bare.replace(",", ".")
    elif bare != text and re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)", bare):
        likely = bare
    return "write digits and a decimal point alone" + (f": {likely}?" if likely else "")


def in_range(col, values):
    """What to say of values outside the range of their column: a text, or an array of them."""
    if col.quantity == "share":
        percent = [f": {v / 100:.4g}?" if 1 < v <= 100 else "" for v in values]
        return [f"a share is from 0 to 1{meant}" for meant in percent]
    if col.high == np.inf:
        return f"it can't be below {col.low:g}"
    return f"from {col.low:g} to {col.high:g}"


def likely_years(days, low, high):
    """For each day out of bounds: the same day of years within, a digit or a century away."""
    rows = zip(*(pd.to_datetime(each) for each in (days, low, high)), strict=True)
    return np.array([_years(*row) for row in rows], dtype=object)


def _years(day, low, high):
    text = f"{day.year:04d}"
    tries = {int(text[:k] + digit + text[k + 1 :]) for k in (1, 2, 3) for digit in "0123456789"}
    tries = sorted((tries | {day.year + 100}) - {day.year})
    likely = [day + pd.DateOffset(year=year) for year in tries if 1900 <= year < 2200]
    likely = [f"{d:%Y-%m-%d}" for d in likely if low <= d <= high]
    return " or ".join(likely) + "?" if 0 < len(likely) <= 3 else "mend one of the two"
