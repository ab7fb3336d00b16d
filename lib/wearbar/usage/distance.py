"""Readings of odometer and hour meter, gathered from every table and put on one scale through
changed instruments, and the line that they make: distance at a date, date at a distance. It runs
from a day's highest reading to the lowest of the next day with any, straight."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearbar.log.keys import stacked
from wearbar.log.once import kept_with
from wearbar.log.schema import READINGS

_DAY = "datetime64[D]"


def days_of(dates):
    """Whole days since 1970 as int64; NaT far in the past."""
    return pd.DatetimeIndex(dates).to_numpy().astype(_DAY).astype(np.int64)


def as_days(dates):
    """Whole days since 1970 as floats; NaT is NaN."""
    return np.where(pd.isna(dates), np.nan, days_of(dates))


def as_dates(days):
    """Whole days since 1970 as datetime64[ns]; NaN and infinity are NaT."""
    known = np.isfinite(days)
    whole = np.where(known, days, 0).astype(np.int64).astype(_DAY)
    return np.where(known, whole, np.datetime64("NaT")).astype("datetime64[ns]")


def days_later(date, days):
    """Each date, or the one date, so many days (Series) on; NaT where they are missing."""
    # of missing days pandas would read unset memory
    return (date + pd.to_timedelta(days.fillna(0.0), unit="D")).where(days.notna())


def known_on(date, recorded):
    """The day from which rows are known: their own date, or the day they were typed where later."""
    return date.where(~(recorded > date), recorded)


def index_of(vehicle):
    """The index of an answer: that of the question, if it has one."""
    return vehicle.index if isinstance(vehicle, pd.Series) else pd.RangeIndex(len(vehicle))


def numbers_of(names, vehicle):
    """Place of each vehicle in Index `names`, -1 where it is not there."""
    code, found = pd.factorize(pd.Index(vehicle))  # several times faster than get_indexer alone
    return np.append(names.get_indexer(found), -1)[code]


@kept_with
def log_path(log):
    """The `Path` of a log's distances."""
    return path_of(readings(log))


@kept_with
def readings(log):
    """Every reading of every table, sorted by vehicle and date, and within a day as driven: frame
    `vehicle, date, known` (from which day), `odometer_km, distance_km, meter_hours, hours`.

    `odometer_km` is what the instrument showed; `distance_km` goes on through changed instruments
    and rollovers. A change gives two rows, the old one's last and the new one's first; on its day a
    reading belongs to the nearer. `meter_hours` and `hours` are the same of the hour meter, which a
    row with `hours` and no odometer changes. A vehicle new in this log starts at 0.
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
    factor = log.km_of(rows["vehicle"]).to_numpy()
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
    """(row, what the meter showed, whether it is a new one's first reading, what to add) in order:
    at every change the old one's last that was written down less the new one's first, summed up."""
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


@dataclass(frozen=True, eq=False)
class Path:
    """The line of every vehicle: one row a vehicle and day that has a reading, sorted."""

    vehicles: pd.Index
    first: np.ndarray  # each vehicle's first row
    last: np.ndarray  # the row after its last
    day: np.ndarray  # since 1970
    low: np.ndarray  # the day's lowest and highest reading, never less than the day before
    high: np.ndarray
    offset: np.ndarray  # what is added to the instrument's reading at the day's end

    def rows(self, vehicle):
        """(first, last) row of each named vehicle; of one without a reading, both 0."""
        at = numbers_of(self.vehicles, vehicle)
        return (np.append(rows, 0)[at] for rows in (self.first, self.last))

    def numbered(self):
        """The same with numbers, from 0, in place of the vehicles' names."""
        return replace(self, vehicles=pd.RangeIndex(len(self.vehicles)))

    def code(self):
        """The vehicle's number in every row."""
        return np.repeat(np.arange(len(self.vehicles)), self.last - self.first)

    def around(self, name, vehicle, wanted):
        """(row, row): each vehicle's last whose `day` or `high` is not above the one wanted, and
        the one after that; -1 where there is none."""
        first, last = self.rows(vehicle)
        row = last_not_above(getattr(self, name), first, last, wanted)
        return np.where(row >= first, row, -1), np.where(row + 1 < last, row + 1, -1)

    def get(self, name, row):
        """`day`, `low`, `high` or `offset` of rows; NaN of row -1."""
        return np.append(getattr(self, name), np.nan)[row]


def path_of(readings, column="distance_km"):
    """The `Path` of `readings` (of `usage.readings`), on distance or `hours`."""
    readings = readings[readings[column].notna()]
    value, day = readings[column].to_numpy(), days_of(readings["date"])
    offset = value - readings["meter_hours" if column == "hours" else "odometer_km"].to_numpy()
    code, vehicles = pd.factorize(readings["vehicle"])
    start = np.flatnonzero((np.diff(code, prepend=-1) != 0) | (np.diff(day, prepend=0) != 0))
    end, code = np.append(start[1:], len(day))[: len(start)] - 1, code[start]
    low, high = np.minimum.reduceat(value, start), np.maximum.reduceat(value, start)
    if np.any((low[1:] < high[:-1]) & (code[1:] == code[:-1])):
        # a line that goes back is held level until it is caught up: a day has one distance
        line = pd.Series(high).groupby(code).cummax()
        low = np.maximum(low, line.groupby(code).shift(fill_value=-np.inf).to_numpy())
        high = line.to_numpy()
    first, last = (np.searchsorted(code, np.arange(len(vehicles)), s) for s in ("left", "right"))
    return Path(vehicles, first, last, day[start], low, high, offset[end])


def last_not_above(values, first, last, wanted):
    """Row of the last value <= wanted in each values[first:last], ascending; first - 1: none."""
    low, high = first.copy(), last.copy()
    while np.any(low < high):  # bisects all at once
        middle = (low + high) // 2
        above = values[np.minimum(middle, len(values) - 1)] > wanted
        moving = low < high
        high = np.where(moving & above, middle, high)
        low = np.where(moving & ~above, middle + 1, low)
    return low - 1


def distance_at(path, vehicle, date):
    """Cumulative distance at the end of each date, one row a pair (vehicle, date): frame
    `distance_km, low_km, high_km`. On a day with readings the highest, with the day's range;
    between readings the straight line, with both as bounds; outside, NaN but for the near bound."""
    day = days_of(date)
    before, after = path.around("day", vehicle, day)
    day_before, low, high = (path.get(name, before) for name in ("day", "low", "high"))
    next_low, is_read = path.get("low", after), day_before == day
    part = (day - day_before) / (path.get("day", after) - day_before)
    columns = {
        "distance_km": np.where(is_read, high, high + (next_low - high) * part),
        "low_km": np.where(is_read, low, high),
        "high_km": np.where(is_read, high, next_low),
    }
    return pd.DataFrame(columns, index=index_of(vehicle))


def last_known(at):
    """Distance as `distance_at` found it, or by the reading before where there is none: Series."""
    return at["distance_km"].fillna(at["low_km"])


def date_at(path, vehicle, distance_km):
    """The first day at whose end each cumulative distance was reached: Series, NaT where not yet,
    the first reading's day where it was passed before. For hours give the path of hours."""
    wanted = np.asarray(distance_km, dtype=float)
    # the last day that ends below it; the next day with a reading ends at or above it
    before, after = path.around("high", vehicle, np.nextafter(wanted, -np.inf))
    before = np.where((after >= 0) & (before >= 0), before, after)
    start, high, low = path.get("day", before), path.get("high", before), path.get("low", after)
    inside = (before < after) & (wanted < low)
    part = np.where(inside, (wanted - high) / np.where(inside, low - high, 1.0), 1.0)
    # a hair less, so that a distance reached on the very day isn't put off by rounding
    day = start + np.ceil(part * (path.get("day", after) - start) - 1e-9)
    return pd.Series(as_dates(day), index=index_of(vehicle))


def to_cumulative(path, vehicle, date, odometer_km):
    """Cumulative distance of a reading of the instrument fitted on that date; NaT is the first. On
    the day of a change it is taken for the instrument that puts it nearer to where the vehicle was;
    of a vehicle without readings it is the reading itself."""
    shown, day = np.asarray(odometer_km, dtype=float), days_of(date)
    row, _ = path.around("day", vehicle, day)
    earlier = np.where(row > next(path.rows(vehicle)), row - 1, -1)
    yesterday, after = (np.nan_to_num(path.get("offset", at)) for at in (earlier, row))
    before = np.where(path.get("day", row) == day, yesterday, after)
    where = path.get("high", row)
    nearer = np.abs(shown + before - where) < np.abs(shown + after - where)
    return pd.Series(shown + np.where(nearer, before, after), index=index_of(vehicle))


def odometer_of(path, vehicle, distance_km):
    """What the instrument shows, or will, at each cumulative distance, by the last known change."""
    wanted = np.asarray(distance_km, dtype=float)
    before, after = path.around("high", vehicle, wanted)
    offset = np.nan_to_num(path.get("offset", np.where(before >= 0, before, after)))
    return pd.Series(wanted - offset, index=index_of(vehicle))


def distance_of(path, vehicle, date, odometer_km):
    """As `distance_at`, of rows that may have a reading of their own: it alone where they have."""
    own = to_cumulative(path, vehicle, date, odometer_km)
    return distance_at(path, vehicle, date).apply(own.fillna)
