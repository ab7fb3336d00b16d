"""The line that a vehicle's readings make: distance at a date, date at a distance.

Every function takes `readings` or the `Path` that `path_of` makes of them: make it once where
several are asked. A day is a whole day: a vehicle's line runs from the highest reading of one day
to the lowest of the next day that has any, straight in between, and never past the last.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

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
    """The `Path` of `readings` (of `usage.readings`), on distance or `hours`; a path as it is."""
    if isinstance(readings, Path):
        return readings
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


def distance_at(readings, vehicle, date):
    """Cumulative distance at the end of each date, one row a pair (vehicle, date).

    Frame `distance_km, low_km, high_km`. On a day with readings the highest, with the day's range
    as bounds; between readings the straight line, with the reading before and the one after as
    bounds. Before the first and after the last, distance and that side's bound are NaN.
    """
    path, day = path_of(readings), days_of(date)
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


def date_at(readings, vehicle, distance_km):
    """The first day at whose end each cumulative distance was reached: Series, NaT where not yet.

    One that was passed before the first reading is given that reading's day: it was reached no
    later. For hours give the path of hours.
    """
    path, wanted = path_of(readings), np.asarray(distance_km, dtype=float)
    # the last day that ends below it; the next day with a reading ends at or above it
    before, after = path.around("high", vehicle, np.nextafter(wanted, -np.inf))
    before = np.where((after >= 0) & (before >= 0), before, after)
    start, high, low = path.get("day", before), path.get("high", before), path.get("low", after)
    inside = (before < after) & (wanted < low)
    part = np.where(inside, (wanted - high) / np.where(inside, low - high, 1.0), 1.0)
    # a hair less, so that a distance reached on the very day isn't put off by rounding
    day = start + np.ceil(part * (path.get("day", after) - start) - 1e-9)
    return pd.Series(as_dates(day), index=index_of(vehicle))


def to_cumulative(readings, vehicle, date, odometer_km):
    """Cumulative distance of a reading of the instrument fitted on that date; NaT is the first.

    On the day of a change it is taken for the instrument that puts it nearer to where the vehicle
    was. Of a vehicle without readings it is the reading itself.
    """
    path = path_of(readings)
    shown, day = np.asarray(odometer_km, dtype=float), days_of(date)
    row, _ = path.around("day", vehicle, day)
    earlier = np.where(row > next(path.rows(vehicle)), row - 1, -1)
    yesterday, after = (np.nan_to_num(path.get("offset", at)) for at in (earlier, row))
    before = np.where(path.get("day", row) == day, yesterday, after)
    where = path.get("high", row)
    nearer = np.abs(shown + before - where) < np.abs(shown + after - where)
    return pd.Series(shown + np.where(nearer, before, after), index=index_of(vehicle))


def odometer_of(readings, vehicle, distance_km):
    """What the instrument shows, or will, at each cumulative distance, by the last known change."""
    path, wanted = path_of(readings), np.asarray(distance_km, dtype=float)
    before, after = path.around("high", vehicle, wanted)
    offset = np.nan_to_num(path.get("offset", np.where(before >= 0, before, after)))
    return pd.Series(wanted - offset, index=index_of(vehicle))


def distance_of(readings, vehicle, date, odometer_km):
    """As `distance_at`, of rows that may have a reading of their own: it alone where they have."""
    path = path_of(readings)
    own = to_cumulative(path, vehicle, date, odometer_km)
    return distance_at(path, vehicle, date).apply(own.fillna)
