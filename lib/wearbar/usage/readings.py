"""Readings of the odometer and hour meter, gathered from every table and put on one cumulative scale through changed instruments."""

import numpy as np
import pandas as pd

from wearbar.log.schema import READINGS, TEXT
from wearbar.log.units import DISTANCE_KM

__all__ = ["readings"]


def readings(log):
    """Every reading of every table, sorted by vehicle and date, and within a day as driven.

    Frame `vehicle, date, odometer_km, distance_km, meter_hours, hours, source, known` (the day from which it is). `odometer_km` is
    what the instrument showed; `distance_km` goes on
    through changed instruments and rollovers, equal to `odometer_km` until the first. A change gives two rows, the old one's last and
    the new one's first; on its day a reading belongs to the instrument that it is nearer to. `meter_hours` and `hours` are the same of
    the hour meter, of which `restarts_at` tells where its row has `hours` and no odometer. `source` is the odometer table's own, or
    else the table or the column that it was read from. A vehicle that was new in this log starts at 0.
    """
    parts = [_place(log, table, *columns) for table, pairs in READINGS.items() for columns in pairs]
    names = ("date", "odometer", "hours", "restarts_at", "known")
    rows = {name: np.concatenate([part[name].to_numpy() for part in parts]) for name in names}
    vehicle, source = (
        pd.concat([part[name] for part in parts], ignore_index=True)
        for name in ("vehicle", "source")
    )
    code, vehicles = pd.factorize(vehicle)
    order = np.argsort(np.asarray(vehicles, dtype=object))
    code, vehicles = np.argsort(order)[code], vehicles[order]
    factor = _km_factor(log, vehicles)[code]
    of_hours = np.isnan(rows["odometer"]) & ~np.isnan(rows["hours"])
    restart_km, restart_hours = (
        np.where(of_hours == is_hours, rows["restarts_at"], np.nan) for is_hours in (False, True)
    )
    found = _in_order(code, rows["date"], rows["odometer"] * factor, restart_km * factor)
    at = found["row"]
    shown = np.where(found["is_first"], np.nan, rows["hours"][at])
    on_top = _hour_offsets(code, rows["date"], rows["hours"], restart_hours)[at]
    columns = {
        "vehicle": pd.Series(vehicles.take(found["code"]), dtype=TEXT),
        "date": rows["date"][at],
        "odometer_km": found["odometer"],
        "distance_km": found["odometer"] + found["offset"],
        "meter_hours": shown,
        "hours": shown + on_top,
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
    is_place = odometer == "odometer"
    place = pd.Series(
        table if is_place else odometer.removesuffix("_odometer"), frame.index, dtype=TEXT
    )
    columns = {
        "vehicle": frame["vehicle"],
        "date": frame[date],
        "odometer": value,
        "hours": frame.get("hours", blank),
        "restarts_at": frame.get("restarts_at", blank),
        "source": frame["source"].fillna(place) if "source" in frame else place,
        "known": frame["recorded"].where(frame["recorded"] > frame[date], frame[date]),
    }
    kept = columns["odometer"].notna() | columns["hours"].notna() | columns["restarts_at"].notna()
    return pd.DataFrame(columns)[kept & frame[date].notna()]


def _km_factor(log, vehicles):
    """km per unit of each vehicle's own odometer."""
    own = log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")["distance_unit"]
    unit = own.reindex(vehicles).fillna(log.units.distance)
    return unit.map(DISTANCE_KM).to_numpy(dtype=float)


def _in_order(code, date, odometer, restart):
    """The order in which readings were driven, with the new instrument's first reading as a row of its own after the old one's last."""
    changed = np.flatnonzero(~np.isnan(restart))
    row = np.concatenate([np.arange(len(code)), changed])
    shown = np.concatenate([odometer, restart[changed]])
    is_first = np.arange(len(row)) >= len(code)
    day = (
        (date - date.min()).astype("timedelta64[D]").astype(np.int64)
        if len(date)
        else np.zeros(0, dtype=np.int64)
    )
    order = _argsort(
        code[row], day[row], _phases(code, day, odometer, restart, changed), _rank(shown)
    )
    row, shown, is_first = row[order], shown[order], is_first[order]
    return {
        "row": row,
        "code": code[row],
        "odometer": shown,
        "offset": _offsets(code[row], shown, is_first),
        "is_first": is_first,
    }


def _hour_offsets(code, date, hours, restart):
    """What to add to each row's hours for the meters changed before it; on the day itself where it is nearer to the new one."""
    at = np.flatnonzero(~np.isnan(restart))
    if not len(at):
        return np.zeros(len(code))
    day = date.astype("datetime64[D]").astype(np.int64)
    key = code * (int(day.max()) + 1) + day
    at = at[np.argsort(key[at], kind="stable")]
    so_far = np.append(0.0, np.cumsum(hours[at] - restart[at]))
    before, upto = (np.searchsorted(key[at], key, side=side) for side in ("left", "right"))
    first = np.minimum(before, len(at) - 1)
    with np.errstate(invalid="ignore"):
        is_new = (upto > before) & (
            np.abs(hours - restart[at][first]) < np.abs(hours - hours[at][first])
        )
    return so_far[np.where(is_new, upto, before)] - so_far[np.searchsorted(code[at], code)]


def _rank(values):
    rank = np.empty(len(values), dtype=np.int64)
    rank[np.argsort(values)] = np.arange(len(values))
    return rank


def _argsort(*keys):
    """Order by keys (whole numbers from 0), the first before the next. One packed key sorts several times faster than np.lexsort."""
    sizes = [int(key.max(initial=0)) + 1 for key in keys]
    if np.prod(sizes, dtype=float) >= 2**62:
        return np.lexsort(keys[::-1])
    packed = keys[0]
    for key, size in zip(keys[1:], sizes[1:], strict=True):
        packed = packed * size + key
    return np.argsort(packed)


def _phases(code, day, odometer, restart, changed):
    """Order within a day, of the readings and then of the changes' new instruments: as before the changes, each change, as after them."""
    phase = np.zeros(len(code) + len(changed), dtype=np.int64)
    if not len(changed):
        return phase
    key = code * (int(day.max()) + 1) + day
    nth = pd.Series(changed).groupby(key[changed]).cumcount().to_numpy()
    first = changed[np.unique(key[changed], return_index=True)[1]]
    at = np.minimum(np.searchsorted(key[first], key), len(first) - 1)
    old, new = odometer[first][at], restart[first][at]
    after = (key[first][at] == key) & (np.abs(odometer - new) < np.abs(odometer - old))
    phase[: len(code)] = np.where(after, 2 * nth.max() + 3, 0)
    phase[changed] = 1 + 2 * nth
    phase[len(code) :] = 2 + 2 * nth
    return phase


def _offsets(code, shown, is_first):
    """What to add to each reading: at every change the old instrument's last less the new one's first, summed by vehicle.

    Where the old one's last was not written down, the last reading that was serves, or else nothing is added.
    """
    at = np.flatnonzero(is_first)
    if not len(at):
        return np.zeros(len(code))
    last = shown[at - 1]
    if np.isnan(last).any():
        last = pd.Series(shown).groupby(code).ffill().to_numpy()[at - 1]
    so_far = (
        pd.Series(np.where(np.isnan(last), 0.0, last - shown[at]))
        .groupby(code[at])
        .cumsum()
        .to_numpy()
    )
    latest = np.cumsum(is_first) - 1
    return np.where((latest >= 0) & (code[at][latest] == code), so_far[latest], 0.0)
