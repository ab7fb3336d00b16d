"""Readings of odometer and hour meter, gathered from every table and put on one cumulative scale
through changed instruments."""

import numpy as np
import pandas as pd

from wearbar.log.keys import look_up
from wearbar.log.schema import READINGS, TEXT
from wearbar.log.units import DISTANCE_KM
from wearbar.usage.distance import days_of, known_on

NUMBERS = ("date", "odometer", "hours", "restarts_at", "known")


def readings(log):
    """Every reading of every table, sorted by vehicle and date, and within a day as driven.

    Frame `vehicle, date, odometer_km, distance_km, meter_hours, hours, source, known` (the day from
    which it is). `odometer_km` is what the instrument showed; `distance_km` goes on through changed
    instruments and rollovers, equal to it until the first. A change gives two rows, the old one's
    last and the new one's first; on its day a reading belongs to the instrument that it is nearer
    to. `meter_hours` and `hours` are the same of the hour meter, of which `restarts_at` tells where
    its row has `hours` and no odometer. `source` is the odometer table's own, or else the table or
    the column that it was read from. A vehicle that was new in this log starts at 0.
    """
    parts = [_place(log, table, *columns) for table, pairs in READINGS.items() for columns in pairs]
    rows = {name: np.concatenate([p[name].to_numpy() for p in parts]) for name in NUMBERS}
    vehicle, source = (pd.concat([p[c] for p in parts]) for c in ("vehicle", "source"))
    code, vehicles = pd.factorize(vehicle)
    order = np.argsort(np.asarray(vehicles, dtype=object))
    code, vehicles = np.argsort(order)[code], vehicles[order]
    day, factor = days_of(rows["date"]), _km_factor(log, vehicles)[code]
    day -= day.min(initial=0)
    of_hours = np.isnan(rows["odometer"]) & ~np.isnan(rows["hours"])
    restart_km = np.where(of_hours, np.nan, rows["restarts_at"]) * factor
    restart_hours = np.where(of_hours, rows["restarts_at"], np.nan)
    at, odometer_km, is_first = _in_order(code, day, rows["odometer"] * factor, restart_km)
    shown = np.where(is_first, np.nan, rows["hours"][at])
    columns = {
        "vehicle": pd.Series(vehicles.take(code[at]), dtype=TEXT),
        "date": rows["date"][at],
        "odometer_km": odometer_km,
        "distance_km": odometer_km + _offsets(code[at], odometer_km, is_first),
        "meter_hours": shown,
        "hours": shown + _hour_offsets(code, day, rows["hours"], restart_hours)[at],
        "source": source.array.take(at),
        "known": rows["known"][at],
    }
    return pd.DataFrame(columns)


def _place(log, table, odometer, date):
    """The readings in one column of one table."""
    frame = log.tables[table]
    value, blank = frame[odometer], pd.Series(np.nan, frame.index)
    if odometer == "in_service_odometer":
        is_new = frame["acquired"].isna() | (frame["acquired"] == frame["in_service"])
        value = value.mask(value.isna() & is_new & ~frame["meter"].isin(["hours", "none"]), 0.0)
    place = table if odometer == "odometer" else odometer.removesuffix("_odometer")
    place = pd.Series(place, frame.index, dtype=TEXT)
    columns = {
        "vehicle": frame["vehicle"],
        "date": frame[date],
        "odometer": value,
        "hours": frame.get("hours", blank),
        "restarts_at": frame.get("restarts_at", blank),
        "source": frame["source"].fillna(place) if "source" in frame else place,
        "known": known_on(frame[date], frame["recorded"]),
    }
    found = pd.DataFrame(columns).dropna(subset=["date"])
    return found.dropna(subset=["odometer", "hours", "restarts_at"], how="all")


def _km_factor(log, vehicles):
    """km per unit of each vehicle's own odometer."""
    own = log.tables["vehicles"].set_index("vehicle")["distance_unit"]
    unit = look_up(pd.Series(vehicles, dtype=TEXT), own).fillna(log.units.distance)
    return unit.map(DISTANCE_KM).to_numpy(dtype=float)


def _in_order(code, day, odometer, restart):
    """(row, what the odometer showed, whether it is a new instrument's first) in the order driven:
    a new instrument's first reading is a row of its own after the old one's last."""
    changed = np.flatnonzero(~np.isnan(restart))
    row = np.concatenate([np.arange(len(code)), changed])
    shown = np.concatenate([odometer, restart[changed]])
    phase = _phases(code, day, odometer, restart, changed)
    order = _argsort(code[row], day[row], phase, _rank(shown))
    return row[order], shown[order], order >= len(code)


def _hour_offsets(code, day, hours, restart):
    """What to add to each row's hours for the meters changed before it; on the day itself where it
    is nearer to the new one."""
    at = np.flatnonzero(~np.isnan(restart))
    if not len(at):
        return np.zeros(len(code))
    key = code * (int(day.max()) + 1) + day
    at = at[np.argsort(key[at], kind="stable")]
    so_far = np.append(0.0, np.cumsum(hours[at] - restart[at]))
    before, upto = (np.searchsorted(key[at], key, side=side) for side in ("left", "right"))
    first = at[np.minimum(before, len(at) - 1)]
    is_nearer = np.abs(hours - restart[first]) < np.abs(hours - hours[first])
    is_new = (upto > before) & is_nearer
    return so_far[np.where(is_new, upto, before)] - so_far[np.searchsorted(code[at], code)]


def _rank(values):
    rank = np.empty(len(values), dtype=np.int64)
    rank[np.argsort(values)] = np.arange(len(values))
    return rank


def _argsort(*keys):
    """Order by keys (whole numbers from 0), the first before the next. One packed key sorts several
    times faster than np.lexsort."""
    sizes = [int(key.max(initial=0)) + 1 for key in keys]
    if np.prod(sizes, dtype=float) >= 2**62:
        return np.lexsort(keys[::-1])
    packed = keys[0]
    for key, size in zip(keys[1:], sizes[1:], strict=True):
        packed = packed * size + key
    return np.argsort(packed)


def _phases(code, day, odometer, restart, changed):
    """Order within a day, of the readings and then of the changes' new instruments: as before the
    changes, each change, as after them."""
    phase = np.zeros(len(code) + len(changed), dtype=np.int64)
    if not len(changed):
        return phase
    key = code * (int(day.max()) + 1) + day
    nth = pd.Series(changed).groupby(key[changed]).cumcount().to_numpy()
    first = changed[np.unique(key[changed], return_index=True)[1]]
    at = first[np.minimum(np.searchsorted(key[first], key), len(first) - 1)]
    is_nearer = np.abs(odometer - restart[at]) < np.abs(odometer - odometer[at])
    phase[: len(code)] = np.where((key[at] == key) & is_nearer, 2 * nth.max() + 3, 0)
    phase[changed] = 1 + 2 * nth
    phase[len(code) :] = 2 + 2 * nth
    return phase


def _offsets(code, shown, is_first):
    """What to add to each reading: at every change the old instrument's last less the new one's
    first, summed by vehicle. Where the old one's last was not written down, the last reading that
    was serves, or else nothing is added."""
    at = np.flatnonzero(is_first)
    if not len(at):
        return np.zeros(len(code))
    last = pd.Series(shown).groupby(code).ffill().to_numpy()[at - 1]
    step = pd.Series(np.nan_to_num(last - shown[at]))
    so_far = step.groupby(code[at]).cumsum().to_numpy()
    latest = np.cumsum(is_first) - 1
    return np.where((latest >= 0) & (code[at][latest] == code), so_far[latest], 0.0)
