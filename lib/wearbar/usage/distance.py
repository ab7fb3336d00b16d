"""Readings of odometer and hour meter, gathered from every table and put on one scale through
changed instruments, and the line that they make: distance at a date, date at a distance. It runs
from a day's highest reading to the lowest of the next day with any, straight."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearbar.log.keys import order_by
from wearbar.log.once import kept_with
from wearbar.log.schema import READINGS

_DAY, _NAT = "datetime64[D]", np.iinfo(np.int64).min
_AT = ("distance_km", "low_km", "high_km")


def days_of(dates):
    """Whole days since 1970 as int64; NaT far in the past."""
    days = np.asarray(dates)
    days = days if days.dtype.kind == "M" else pd.DatetimeIndex(dates).to_numpy()
    return days.astype(_DAY).astype(np.int64)


def as_days(dates):
    """Whole days since 1970 as floats; NaT is NaN."""
    days = days_of(dates)
    return np.where(days == _NAT, np.nan, days)


def as_dates(days):
    """Whole days since 1970 as datetime64[ns]; NaN and infinity are NaT."""
    whole = np.where(np.isfinite(days), days, _NAT).astype(np.int64)
    return whole.astype(_DAY).astype("datetime64[ns]")


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
    """Place of each vehicle in Index `names`, -1 where it is not there; in numbers itself."""
    if isinstance(names, pd.RangeIndex):
        number = np.asarray(vehicle, dtype=np.intp)
        return np.where(number < len(names), number, -1)
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
    row with `hours` and no odometer changes. A vehicle new in this log starts at 0."""
    parts = []
    for table in [name for name in READINGS if len(log.tables[name])] or ["vehicles"]:
        frame = log.tables[table]
        recorded, none = frame["recorded"].to_numpy(), np.full(len(frame), np.nan)
        others = [frame[c].to_numpy() if c in frame else none for c in ("hours", "restarts_at")]
        for odometer, date in READINGS[table]:
            day, shown = frame[date].to_numpy(), frame[odometer].to_numpy()
            if odometer == "in_service_odometer":
                is_new = frame["acquired"].fillna(frame[date]) == day
                is_new &= np.isnan(shown) & ~frame["meter"].isin(["hours", "none"])
                shown = np.where(is_new, 0.0, shown)
            meters, known = np.stack([shown, *others]), np.where(recorded > day, recorded, day)
            kept = np.flatnonzero(~np.isnat(day) & ~np.isnan(meters).all(axis=0))
            parts.append((frame["vehicle"].take(kept), day[kept], known[kept], meters[:, kept]))
    vehicle, *rows = zip(*parts, strict=True)
    vehicle = pd.concat(vehicle, ignore_index=True)
    date, known, (odometer, hours, restart) = (np.concatenate(of, axis=-1) for of in rows)
    code, factor = pd.factorize(vehicle, sort=True)[0], log.km_of(vehicle).to_numpy()
    of_hours, day = np.isnan(odometer) & ~np.isnan(hours), days_of(date)
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
    rows = {"vehicle": vehicle.array.take(at), "date": date[at], "known": known[at]}
    return pd.DataFrame(rows | driven)


def _as_driven(code, day, shown, restart):
    """(row, what the meter showed, whether it is a new one's first reading, what to add) in order:
    at every change the old one's last that was written down less the new one's first, summed up."""
    changed, key = np.flatnonzero(~np.isnan(restart)), code * 10**6 + day
    row, phase = np.append(np.arange(len(code)), changed), np.zeros(len(code) + len(changed))
    is_first, shown = np.arange(len(row)) >= len(code), np.append(shown, restart[changed])
    if len(changed):
        change = pd.DataFrame({"key": key, "old": shown[: len(code)], "new": restart}).iloc[changed]
        nth = change.groupby("key").cumcount()
        old, new = change.drop_duplicates("key").set_index("key").reindex(key).to_numpy().T
        is_nearer = np.abs(shown[: len(code)] - new) < np.abs(shown[: len(code)] - old)
        phase[: len(code)] = np.where(is_nearer, np.inf, 0)  # as before the day's changes, or after
        phase[changed], phase[is_first] = 1 + 2 * nth, 2 + 2 * nth
    order = order_by(key[row], phase, shown)
    row, shown, is_first = row[order], shown[order], is_first[order]
    by = code[row]
    if not len(changed):
        return row, shown, is_first, np.zeros(len(row))
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
        held = getattr(self, name)
        return np.where(row >= 0, held[np.maximum(row, 0)], np.nan) if len(held) else row * np.nan


def path_of(readings, column="distance_km"):
    """The `Path` of `readings` (of `usage.readings`), on distance or `hours`."""
    meter = "meter_hours" if column == "hours" else "odometer_km"
    rows = readings[["vehicle", "date", meter, column]].dropna(subset=column)
    value, day = rows[column].to_numpy(), days_of(rows["date"])
    offset, (code, vehicles) = value - rows[meter].to_numpy(), pd.factorize(rows["vehicle"])
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
    row, longest = first - 1, int(np.max(last - first, initial=0))
    for step in (2**power for power in reversed(range(longest.bit_length()))):  # all at once
        at = row + step
        row += step * ((at < last) & ~(values.take(at, mode="clip") > wanted))
    return row


def distance_at(path, vehicle, date):
    """Cumulative distance at the end of each date, one row a pair (vehicle, date): frame
    `distance_km, low_km, high_km`. On a day with readings the highest, with the day's range;
    between readings the straight line, with both as bounds; outside, NaN but for the near bound."""
    found = dict(zip(_AT, bounds_at(path, vehicle, days_of(date)), strict=True))
    return pd.DataFrame(found, index=index_of(vehicle))


def bounds_at(path, vehicle, day):
    """The columns of `distance_at`, by int days, as arrays."""
    before, after = path.around("day", vehicle, day)
    day_before, low, high = (path.get(name, before) for name in ("day", "low", "high"))
    next_low, is_read = path.get("low", after), day_before == day
    part = (day - day_before) / (path.get("day", after) - day_before)
    km = np.where(is_read, high, high + (next_low - high) * part)
    return km, np.where(is_read, low, high), np.where(is_read, high, next_low)


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
    before, where = np.where(path.get("day", row) == day, yesterday, after), path.get("high", row)
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
    code, path = numbers_of(path.vehicles, vehicle), path.numbered()
    at = np.stack([to_cumulative(path, code, date, odometer_km)] * 3)
    rest = np.isnan(at[0])
    at[:, rest] = bounds_at(path, code[rest], days_of(date)[rest])
    return pd.DataFrame(dict(zip(_AT, at, strict=True)), index=index_of(vehicle))
