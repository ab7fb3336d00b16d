"""When a vehicle reached a point, and when it will, or where it is by now, at the pace of the year
before."""

import numpy as np

from wearbar import usage
from wearbar.usage.distance import as_dates, as_days, last_known

FAR = 73_000  # days since 1970: beyond it a date says nothing


def day_reached(path, code, value):
    """The day at whose end each value was reached; NaN where it was not, or there is none."""
    rows = np.flatnonzero(np.isfinite(value))
    day = np.full(len(value), np.nan)
    day[rows] = as_days(usage.date_at(path, code[rows], value[rows]))
    return day


def _pace(path, code, to):
    """The last reading by day `to` and the mean rate a day of the year before it; NaN: none."""
    first, _ = path.rows(code)
    start = np.maximum(to - 365, path.get("day", first))
    now, before = (usage.distance_at(path, code, as_dates(day)) for day in (to, start))
    high, low = last_known(now).to_numpy(), last_known(before).to_numpy()
    with np.errstate(divide="ignore", invalid="ignore"):
        return high, np.where(to > start, (high - low) / (to - start), np.nan)


def expected_day(path, code, to, value):
    """The day a value is reached at the pace of the year before; NaN where there is no pace."""
    high, rate = _pace(path, code, to)
    with np.errstate(divide="ignore", invalid="ignore"):
        day = to + np.ceil((value - high) / rate)
    return np.where((rate > 0) & (day < FAR), day, np.nan)


def last_read(path, code, end):
    """The last day not after `end` with a reading; NaN where there is none."""
    return path.get("day", path.around("day", code, end)[0])


def at_pace(fleet, s, x, to):
    """Where each vehicle is by now at the pace of the year before its last reading."""
    now = x.copy()
    for axis, path in fleet.meters:
        last = last_read(path, fleet.code[s], to)
        here, rate = _pace(path, fleet.code[s], np.nan_to_num(last))
        now[axis] = np.where(np.isnan(last) | np.isnan(rate), x[axis], here + rate * (to - last))
    return now
