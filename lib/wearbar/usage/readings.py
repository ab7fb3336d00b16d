"""Readings of odometer and hour meter, gathered from every table and put on one cumulative scale
through changed instruments."""

import numpy as np
import pandas as pd

from wearbar.log.keys import look_up, stacked
from wearbar.log.once import kept_with
from wearbar.log.schema import READINGS
from wearbar.log.units import DISTANCE_KM
from wearbar.usage.distance import days_of, known_on, path_of


@kept_with
def log_path(log):
    """The `Path` of a log's distances."""
    return path_of(readings(log))


@kept_with
def readings(log):
    """Every reading of every table, sorted by vehicle and date, and within a day as driven.

    Frame `vehicle, date, known` (the day from which it is), `odometer_km, distance_km, meter_hours,
    hours`. `odometer_km` is what the instrument showed; `distance_km` goes on through changed
    instruments and rollovers, equal to it until the first. A change gives two rows, the old one's
    last and the new one's first; on its day a reading belongs to the instrument that it is nearer
    to. `meter_hours` and `hours` are the same of the hour meter, of which `restarts_at` tells where
    its row has `hours` and no odometer. A vehicle that was new in this log starts at 0.
    """
    meters, parts = ["odometer", "hours", "restarts_at"], []
    for table in [name for name in READINGS if len(log.tables[name])] or ["vehicles"]:
        frame = log.tables[table]
        for odometer, date in READINGS[table]:
            rows = frame.reindex(columns=["vehicle", date, odometer, *meters[1:]])
            rows = rows.set_axis(["vehicle", "date", *meters], axis=1)
            rows["known"] = known_on(rows["date"], frame["recorded"])
            if odometer == "in_service_odometer":
                is_new = frame["acquired"].isna() | (frame["acquired"] == frame["in_service"])
                is_new &= rows["odometer"].isna() & ~frame["meter"].isin(["hours", "none"])
                rows["odometer"] = rows["odometer"].mask(is_new, 0.0)
            parts.append(rows[rows["date"].notna() & rows[meters].notna().any(axis=1)])
    rows = stacked(parts)
    code = pd.factorize(rows["vehicle"], sort=True)[0]
    own = log.tables["vehicles"].set_index("vehicle")["distance_unit"].map(DISTANCE_KM)
    own = look_up(rows["vehicle"], own.astype(float))
    factor = own.fillna(DISTANCE_KM[log.units.distance]).to_numpy()
    odometer, hours, restart = rows[meters].to_numpy().T
    of_hours, day = np.isnan(odometer) & ~np.isnan(hours), days_of(rows["date"])
    at, _, is_first, add = _as_driven(code, day, hours, np.where(of_hours, restart, np.nan))
    ran = hours.copy()
    ran[at[~is_first]] += add[~is_first]
    restart_km = np.where(of_hours, np.nan, restart) * factor
    at, shown, is_first, add = _as_driven(code, day, odometer * factor, restart_km)
    driven = {
        "odometer_km": shown,
        "distance_km": shown + add,
        "meter_hours": np.where(is_first, np.nan, hours[at]),
        "hours": np.where(is_first, np.nan, ran[at]),
    }
    return rows[["vehicle", "date", "known"]].take(at).reset_index(drop=True).assign(**driven)


def _as_driven(code, day, shown, restart):
    """(row, what the meter showed, whether it is a new one's first reading, what to add) in order.

    A new meter's first reading is a row of its own after the old one's last, and a reading of that
    day belongs to the one that it is nearer to. At every change the old one's last less the new
    one's first is added, summed by vehicle: where the last was not written down, the last reading
    that was serves, or else nothing is added.
    """
    changed, key = np.flatnonzero(~np.isnan(restart)), code * 10**6 + day
    row, phase = np.append(np.arange(len(code)), changed), np.zeros(len(code) + len(changed))
    is_first = np.arange(len(row)) >= len(code)
    shown = np.append(shown, restart[changed])
    if len(changed):
        change = pd.DataFrame({"key": key, "old": shown[: len(code)], "new": restart}).iloc[changed]
        nth = change.groupby("key").cumcount()
        old, new = change.drop_duplicates("key").set_index("key").reindex(key).to_numpy().T
        is_nearer = np.abs(shown[: len(code)] - new) < np.abs(shown[: len(code)] - old)
        phase[: len(code)] = np.where(is_nearer, np.inf, 0)  # as before the day's changes, or after
        phase[changed], phase[is_first] = 1 + 2 * nth, 2 + 2 * nth
    order = np.lexsort((shown, phase, key[row]))
    row, shown, is_first = row[order], shown[order], is_first[order]
    by = code[row]
    last = pd.Series(shown).groupby(by).ffill().shift().to_numpy()
    step = pd.Series(np.where(is_first, np.nan_to_num(last - shown), 0.0))
    return row, shown, is_first, step.groupby(by).cumsum().to_numpy()
