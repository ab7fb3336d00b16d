"""What a person probably meant by a cell that breaks a rule: said in the remedy, never put in its place."""

import re
from datetime import date
from difflib import get_close_matches

import numpy as np
import pandas as pd

# what stands beside a number without changing it; not k, which may be thousands, nor an l that may be a 1
_UNITS = r"mi|miles?|kms?|(?<=\s)l|ltrs?|lit(re|er)s?|gals?|gallons?|kwh|mm|psi|bar|kpa|h|hrs?|hours?|d|days?"
_MONEY = "aud|brl|cad|chf|cny|dkk|eur|gbp|inr|jpy|nok|nzd|pln|sek|usd|zar"
_BESIDE = re.compile(rf"^[€£$¥]\s*|(?<![A-Za-z])((?i:{_UNITS}|{_MONEY})|L|[%°\"€£$¥])\.?$")
_LOOK_ALIKE = re.compile(r"(?=.*\d)[+-]?[\dOoIl.,]*[\dOoI]", re.ASCII)
_DIGITS = str.maketrans("OoIl", "0011")

__all__ = ["in_range", "likely_day", "likely_number", "likely_years", "nearest_code"]


def nearest_code(value, codes):
    close = get_close_matches(value[:40], codes, n=1)
    return f"use one of: {', '.join(codes)}" + (f"; {close[0]}?" if close else "")


def likely_day(text):
    """What a day in another form would be in ours; both readings where the day may be the month."""
    parts = re.fullmatch(r"(\d{1,2})[./\- ](\d{1,2})[./\- ](\d{4})", text, re.ASCII)
    found = []
    for d, m in ((1, 2), (2, 1)) if parts else ():
        try:
            found.append(date(int(parts[3]), int(parts[m]), int(parts[d])).isoformat())
        except ValueError:
            continue
    if re.fullmatch(r"[1-9]\d{4}(\.\d+)?", text, re.ASCII):
        found.append(str(np.datetime64("1899-12-30") + int(float(text))))
    return "write it as YYYY-MM-DD" + (f": {' or '.join(dict.fromkeys(found))}?" if found else "")


def likely_number(text):
    """The number that a person certainly meant, where there is one: a unit or separator beside it, or letters that look like 0 and 1."""
    bare = re.sub(r"[\s\u00a0\u202f'_]", "", _BESIDE.sub("", text.strip()))
    if _LOOK_ALIKE.fullmatch(bare):
        bare = bare.translate(_DIGITS)
    mend = "write digits and a decimal point alone"
    if re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?", bare):
        alone = bare.count(",") == 1 and "." not in bare
        return f"{mend}: {bare.replace(',', '')}" + (
            f" or {bare.replace(',', '.')}?" if alone else "?"
        )
    if re.fullmatch(r"[+-]?\d{1,3}(\.\d{3})+,\d+", bare):
        return f"{mend}: {bare.replace('.', '').replace(',', '.')}?"
    if re.fullmatch(r"[+-]?\d+,\d+", bare):
        return f"{mend}: {bare.replace(',', '.')}?"
    if bare != text and re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)", bare):
        return f"{mend}: {bare}?"
    return mend


def in_range(col, values):
    if col.quantity == "share":
        return np.where(
            (values > 1) & (values <= 100),
            [f"a share is from 0 to 1: {v / 100:.4g}?" for v in values],
            "a share is from 0 to 1",
        )
    return (
        f"it can't be below {col.low:g}"
        if col.high == np.inf
        else f"from {col.low:g} to {col.high:g}"
    )


def likely_years(days, low, high):
    """For each day that is out of bounds, the same day of the years that differ in one digit, or by a century, and lie within them."""
    rows = zip(pd.to_datetime(days), pd.to_datetime(low), pd.to_datetime(high), strict=True)
    return np.array([_years(*row) for row in rows], dtype=object)


def _years(day, low, high):
    text = f"{day.year:04d}"
    tries = {
        int(text[:k] + digit + text[k + 1 :]) for k in range(1, 4) for digit in "0123456789"
    } | {day.year + 100}
    likely = [
        day + pd.DateOffset(year=year) for year in sorted(tries - {day.year}) if 1900 <= year < 2200
    ]
    likely = [f"{d:%Y-%m-%d}" for d in likely if low <= d <= high]
    return " or ".join(likely) + "?" if 0 < len(likely) <= 3 else "mend one of the two"
