"""The line that a vehicle's readings make: distance at a date, date at a distance.

Every function takes `readings` or the `Path` that `path_of` makes of them: make it once where several are asked. A day is a whole day:
a vehicle's line runs from the highest reading of one day to the lowest of the next day that has any, straight in between, and never
past the last.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

__all__ = [
    "Path",
    "date_at",
    "dates_of",
    "days_later",
    "days_of",
    "distance_at",
    "distance_between",
    "distance_of",
    "hours_at",
    "index_of",
    "last_not_above",
    "numbers_of",
    "odometer_of",
    "path_of",
    "to_cumulative",
]

_DAY = "datetime64[D]"


def days_of(dates):
    """Whole days since 1970 as int64; NaT far in the past."""
    return pd.DatetimeIndex(dates).to_numpy().astype(_DAY).astype(np.int64)


def dates_of(days, known):
    """Dates of whole days since 1970 where `known`, NaT elsewhere."""
    out = np.full(len(days), np.datetime64("NaT"), dtype="datetime64[ns]")
    out[known] = days[known].astype(np.int64).astype(_DAY).astype("datetime64[ns]")
    return out


def days_later(date, days):
    """Each date, or the one date, so many days (Series) on; NaT where they are missing, of which pandas would read unset memory."""
    return (date + pd.to_timedelta(days.fillna(0.0), unit="D")).where(days.notna())


def index_of(vehicle):
    """The index of an answer: that of the question, if it has one."""
    return vehicle.index if isinstance(vehicle, pd.Series) else pd.RangeIndex(len(vehicle))


def numbers_of(names, vehicle):
    """Place of each vehicle in Index `names`, -1 where it is not there: as its get_indexer, several times faster where they recur."""
    code, found = pd.factorize(pd.Index(vehicle))
    return np.append(names.get_indexer(found), -1)[code]


@dataclass(frozen=True, eq=False)
class Path:
    """The line of every vehicle: one row a vehicle and day that has a reading, sorted.

    vehicles: Index; first, last: the rows of each, last not included. day: since 1970; low, high: the day's lowest and highest
    reading, never less than the day before. offset: what is added to the instrument's reading at the day's end.
    """

    vehicles: pd.Index
    first: np.ndarray
    last: np.ndarray
    day: np.ndarray
    low: np.ndarray
    high: np.ndarray
    offset: np.ndarray

    def rows(self, vehicle):
        """(first, last) row of each named vehicle; of one without a reading, both 0."""
        at = numbers_of(self.vehicles, vehicle)
        return (np.append(rows, 0)[at] for rows in (self.first, self.last))

    def code(self):
        """The vehicle's number in every row."""
        return np.repeat(np.arange(len(self.vehicles)), self.last - self.first)


def path_of(readings, column="distance_km"):
    """The `Path` of `readings` (sorted as that function gives them), on distance or on `hours`. A path comes back as it is."""
    if isinstance(readings, Path):
        return readings
    readings = readings[readings[column].notna()]
    value, day = readings[column].to_numpy(), days_of(readings["date"])
    offset = value - readings["meter_hours" if column == "hours" else "odometer_km"].to_numpy()
    name = readings["vehicle"].array
    new_vehicle = np.ones(len(readings), dtype=bool)
    new_vehicle[1:] = np.asarray(name[1:] != name[:-1], dtype=bool)
    new_day = new_vehicle.copy()
    new_day[1:] |= day[1:] != day[:-1]
    start = np.flatnonzero(new_day)
    end = np.append(start[1:], len(readings))[: len(start)] - 1
    first = np.flatnonzero(new_vehicle[start])
    last = np.append(first[1:], len(start))[: len(first)]
    low = np.minimum.reduceat(value, start) if len(start) else value
    high = np.maximum.reduceat(value, start) if len(start) else value
    low, high = _never_back(low, high, new_vehicle[start])
    return Path(pd.Index(name[start[first]]), first, last, day[start], low, high, offset[end])


def _never_back(low, high, new_vehicle):
    """A line that goes back is held level until it is caught up: no date then has two distances, nor a distance two dates."""
    if np.any((low[1:] < high[:-1]) & ~new_vehicle[1:]):
        code = np.cumsum(new_vehicle)
        high = pd.Series(high).groupby(code).cummax().to_numpy()
        before = np.where(new_vehicle, -np.inf, np.append(-np.inf, high[:-1]))
        low = np.maximum(low, before)
    return low, high


def last_not_above(values, first, last, wanted):
    """Row of the last value <= wanted in each values[first:last], which ascend; first - 1 where none is. Bisects all at once."""
    low, high = first.copy(), last.copy()
    while np.any(low < high):
        middle = (low + high) // 2
        above = values[np.minimum(middle, len(values) - 1)] > wanted
        moving = low < high
        high = np.where(moving & above, middle, high)
        low = np.where(moving & ~above, middle + 1, low)
    return low - 1


def distance_at(readings, vehicle, date):
    """Cumulative distance at the end of each date: frame `distance_km, low_km, high_km, is_exact`, one row a pair (vehicle, date).

    On a day with readings the highest of them, exact, with the day's range as bounds. Between readings the straight line, with the reading
    before and the one after as bounds. After the last reading, and before the first, the distance and the bound on that side are NaN.
    """
    path = path_of(readings)
    day = days_of(date)
    first, last = path.rows(vehicle)
    if not len(path.day):
        return pd.DataFrame(
            {"distance_km": np.nan, "low_km": np.nan, "high_km": np.nan, "is_exact": False},
            index=index_of(vehicle),
        )
    before = last_not_above(path.day, first, last, day)
    after = before + 1
    is_before, is_after = (before >= first) & (last > 0), after < last
    before, after = np.where(is_before, before, 0), np.where(is_after, after, 0)
    is_exact = is_before & (path.day[before] == day)
    between = is_before & is_after & ~is_exact
    span = np.where(between, path.day[after] - path.day[before], 1)
    line = path.high[before] + (path.low[after] - path.high[before]) * (
        (day - path.day[before]) / span
    )
    columns = {
        "distance_km": np.where(is_exact, path.high[before], np.where(between, line, np.nan)),
        "low_km": np.where(
            is_exact, path.low[before], np.where(is_before, path.high[before], np.nan)
        ),
        "high_km": np.where(
            is_exact, path.high[before], np.where(is_after, path.low[after], np.nan)
        ),
        "is_exact": is_exact,
    }
    return pd.DataFrame(columns, index=index_of(vehicle))


def hours_at(readings, vehicle, date):
    """As `distance_at`, of the hour meter: frame `hours, low_hours, high_hours, is_exact`."""
    frame = distance_at(path_of(readings, "hours"), vehicle, date)
    return frame.rename(
        columns={"distance_km": "hours", "low_km": "low_hours", "high_km": "high_hours"}
    )


def date_at(readings, vehicle, distance_km):
    """The first day at whose end each cumulative distance was reached: Series of dates, NaT where it is not yet.

    One that was passed before the first reading is given that reading's day: it was reached no later. For hours give the path of hours.
    """
    path = path_of(readings)
    wanted = np.asarray(distance_km, dtype=float)
    first, last = path.rows(vehicle)
    if not len(path.day):
        return pd.Series(pd.NaT, index=index_of(vehicle), dtype="datetime64[ns]")
    # the last day that ends below it; the next day with a reading ends at or above it
    before = last_not_above(path.high, first, last, np.nextafter(wanted, -np.inf))
    after = before + 1
    reached = (after < last) & ~np.isnan(wanted)
    after = np.where(reached, after, 0)
    before = np.where(reached & (before >= first), before, after)
    rise = path.low[after] - path.high[before]
    inside = (before < after) & (wanted < path.low[after])
    part = np.where(inside, (wanted - path.high[before]) / np.where(inside, rise, 1.0), 1.0)
    # a hair less, so that a distance reached on the very day isn't put off by rounding
    day = path.day[before] + np.ceil(part * (path.day[after] - path.day[before]) - 1e-9)
    return pd.Series(dates_of(np.where(reached, day, 0), reached), index=index_of(vehicle))


def distance_between(readings, vehicle, start, end):
    """Distance from the end of day `start` to the end of day `end`: frame `distance_km, low_km, high_km`; NaN outside the readings."""
    path = path_of(readings)
    here, there = distance_at(path, vehicle, start), distance_at(path, vehicle, end)
    columns = {
        "distance_km": there["distance_km"] - here["distance_km"],
        "low_km": (there["low_km"] - here["high_km"]).clip(lower=0.0),
        "high_km": there["high_km"] - here["low_km"],
    }
    return pd.DataFrame(columns, index=index_of(vehicle))


def to_cumulative(readings, vehicle, date, odometer_km):
    """Cumulative distance of a reading of the instrument that was fitted on that date; NaT is the first instrument.

    On the day of a change it is taken for the instrument that puts it nearer to where the vehicle was. Of a vehicle without readings
    it is the reading itself.
    """
    path = path_of(readings)
    shown, day = np.asarray(odometer_km, dtype=float), days_of(date)
    first, last = path.rows(vehicle)
    if not len(path.day):
        return pd.Series(shown, index=index_of(vehicle))
    at = last_not_above(path.day, first, last, day)
    known = (at >= first) & (last > 0)
    at = np.where(known, at, 0)
    after = np.where(known, path.offset[at], 0.0)
    yesterday = np.where(known & (at > first), path.offset[at - 1], 0.0)
    before = np.where(path.day[at] == day, yesterday, after)
    where = path.high[at]
    nearer = np.abs(shown + before - where) < np.abs(shown + after - where)
    return pd.Series(shown + np.where(known & nearer, before, after), index=index_of(vehicle))


def odometer_of(readings, vehicle, distance_km):
    """What the instrument shows, or will show, at each cumulative distance, by the latest change known at that distance."""
    path = path_of(readings)
    wanted = np.asarray(distance_km, dtype=float)
    first, last = path.rows(vehicle)
    if not len(path.day):
        return pd.Series(wanted, index=index_of(vehicle))
    at = np.maximum(last_not_above(path.high, first, last, wanted), first)
    return pd.Series(wanted - np.where(last > 0, path.offset[at], 0.0), index=index_of(vehicle))


def distance_of(readings, vehicle, date, odometer_km):
    """Cumulative distance of rows that may or may not have a reading of their own: as `distance_at`, exact where they have."""
    path = path_of(readings)
    found = distance_at(path, vehicle, date)
    own = to_cumulative(path, vehicle, date, odometer_km)
    for column in ("distance_km", "low_km", "high_km"):
        found[column] = own.where(own.notna(), found[column])
    found["is_exact"] = found["is_exact"] | own.notna()
    return found
