"""When a vehicle reached a point, and when it will, or where it is by now, at the pace of the year before."""

import numpy as np

from wearbar import usage
from wearbar.intervals.fleet import as_dates, as_days

__all__ = ["at_pace", "day_reached", "expected_day", "last_read"]

KM, HOURS, DAY = range(3)
FAR = 73_000  # days since 1970: beyond it a date says nothing


def day_reached(path, code, value):
    """The day at whose end each value was reached; NaN where it was not, or there is none."""
    rows = np.flatnonzero(np.isfinite(value))
    day = np.full(len(value), np.nan)
    day[rows] = as_days(usage.date_at(path, code[rows], value[rows]))
    return day


def _pace(fleet, path, s, to):
    """The last reading by day `to` and the mean rate a day of the year before it: two arrays, NaN where there is none."""
    code = fleet.code[s]
    first, _ = path.rows(code)
    opened = path.day[np.minimum(first, len(path.day) - 1)] if len(path.day) else np.zeros(len(s))
    start = np.maximum(to - 365, opened)
    now, before = (usage.distance_at(path, code, as_dates(day)) for day in (to, start))
    low = before["distance_km"].fillna(before["low_km"]).to_numpy()
    high = now["distance_km"].fillna(now["low_km"]).to_numpy()
    with np.errstate(divide="ignore", invalid="ignore"):
        return high, np.where(to > start, (high - low) / (to - start), np.nan)


def expected_day(fleet, path, s, to, value):
    """The day a value is reached at the pace of the year before; NaN where there is no pace."""
    high, rate = _pace(fleet, path, s, to)
    with np.errstate(divide="ignore", invalid="ignore"):
        day = to + np.ceil((value - high) / rate)
    return np.where((rate > 0) & (day < FAR), day, np.nan)


def last_read(path, code, end):
    """The last day not after `end` with a reading; NaN where there is none."""
    key = path.vehicles.to_numpy()[path.code()] * 1e6 + path.day
    order = np.argsort(key, kind="stable")
    at = np.searchsorted(key[order], code * 1e6 + end, "right") - 1
    if not len(key):
        return np.full(len(code), np.nan)
    day = path.day[order[np.maximum(at, 0)]]
    return np.where((at >= 0) & (key[order[np.maximum(at, 0)]] == code * 1e6 + day), day, np.nan)


def at_pace(fleet, s, x, to):
    """Where each vehicle is by now at the pace of the year before its last reading."""
    now = x.copy()
    for axis, path in ((KM, fleet.distance), (HOURS, fleet.clock)):
        last = last_read(path, fleet.code[s], to)
        here, rate = _pace(fleet, path, s, np.nan_to_num(last))
        now[axis] = np.where(np.isnan(last) | np.isnan(rate), x[axis], here + rate * (to - last))
    return now
