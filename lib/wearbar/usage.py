"""Distance as a function of date: readings of every table on one cumulative scale, and what follows from them.

`readings` gathers them; `path_of` makes of them the line that the other functions read (they take either: make the path once where several
are asked). A day is a whole day: a vehicle's line runs from the highest reading of one day to the lowest of the next day that has any,
straight in between, and never past the last.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.plan import SHARES
from wearbar.tables import READINGS, TEXT
from wearbar.units import DISTANCE_KM

__all__ = [
    "Path",
    "daily_rate",
    "date_at",
    "distance_at",
    "distance_between",
    "distance_of",
    "gaps",
    "hours_at",
    "layup_days",
    "odometer_of",
    "path_of",
    "readings",
    "site_at",
    "to_cumulative",
    "use_shares",
]

_DAY = "datetime64[D]"
_MOST_DAYS = 2**18
_FAR = np.datetime64("2262-01-01", "D").astype(np.int64)


def readings(log):
    """Every reading of every table, sorted by vehicle and date, and within a day as driven.

    Frame `vehicle, date, odometer_km, distance_km, hours, source`. `odometer_km` is what the instrument showed; `distance_km` goes on
    through changed instruments and rollovers, equal to `odometer_km` until the first. A change gives two rows, the old one's last and
    the new one's first; on its day a reading belongs to the instrument that it is nearer to. `source` is the odometer table's own, or
    else the table or the column that it was read from. A vehicle that was new in this log starts at 0.
    """
    places = [(table, *columns) for table, pairs in READINGS.items() for columns in pairs]
    rows = pd.concat([_place(log, *where) for where in places], ignore_index=True)
    code, vehicles = pd.factorize(rows["vehicle"])
    rank = np.argsort(np.argsort(np.asarray(vehicles, dtype=object)))
    code, vehicles = rank[code], vehicles.take(np.argsort(rank))
    day = _days(rows["date"])
    factor = _km_factor(log, vehicles)[code]
    odometer, restart = rows["odometer"].to_numpy() * factor, rows["restarts_at"].to_numpy() * factor
    frame = _in_order(code, day, odometer, restart)
    at = frame["row"]
    return pd.DataFrame(
        {
            "vehicle": pd.Series(vehicles.take(frame["code"]), dtype=TEXT),
            "date": rows["date"].to_numpy()[at],
            "odometer_km": frame["odometer"],
            "distance_km": frame["odometer"] + frame["offset"],
            "hours": np.where(frame["is_first"], np.nan, rows["hours"].to_numpy()[at]),
            "source": rows["source"].array.take(at),
        }
    )


def _place(log, table, odometer, date):
    """The readings in one column of one table."""
    frame = log.tables[table]
    value, blank = frame[odometer], pd.Series(np.nan, frame.index)
    if odometer == "in_service_odometer":
        is_new = frame["acquired"].isna() | (frame["acquired"] == frame["in_service"])
        value = value.mask(value.isna() & is_new & ~frame["meter"].isin(["hours", "none"]), 0.0)
    is_place = odometer == "odometer"
    place = pd.Series(table if is_place else odometer.removesuffix("_odometer"), frame.index, dtype=TEXT)
    columns = {
        "vehicle": frame["vehicle"],
        "date": frame[date],
        "odometer": value,
        "hours": frame.get("hours", blank),
        "restarts_at": frame.get("restarts_at", blank),
        "source": frame["source"].fillna(place) if "source" in frame else place,
    }
    kept = columns["odometer"].notna() | columns["hours"].notna() | columns["restarts_at"].notna()
    return pd.DataFrame(columns)[kept & frame[date].notna()]


def _km_factor(log, vehicles):
    """km per unit of each vehicle's own odometer."""
    own = log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")["distance_unit"]
    unit = own.reindex(vehicles).fillna(log.units.distance)
    return unit.map(DISTANCE_KM).to_numpy(dtype=float)


def _in_order(code, day, odometer, restart):
    """The order in which readings were driven, with the new instrument's first reading as a row of its own after the old one's last."""
    changed = np.flatnonzero(~np.isnan(restart))
    row = np.concatenate([np.arange(len(code)), changed])
    shown = np.concatenate([odometer, restart[changed]])
    is_first = np.arange(len(row)) >= len(code)
    phase = np.zeros(len(row), dtype=np.int64)
    if len(changed):
        key = code * _MOST_DAYS + day
        nth = pd.Series(key[changed]).groupby(key[changed]).cumcount().to_numpy()
        phase[: len(code)] = _phase_of_day(key, odometer, restart, changed)
        phase[changed] = 1 + 2 * nth
        phase[is_first] = 2 + 2 * nth
    order = np.lexsort((shown, phase, day[row], code[row])) if len(changed) else np.lexsort((shown, code * _MOST_DAYS + day))
    row, shown, is_first = row[order], shown[order], is_first[order]
    code = code[row]
    offset = np.zeros(len(row))
    if len(changed):
        old = _fill_old(code, shown, np.flatnonzero(is_first) - 1)
        jump = np.zeros(len(row))
        jump[is_first] = old - shown[is_first]
        offset = pd.Series(jump).groupby(code).cumsum().to_numpy()
    return {"row": row, "code": code, "odometer": shown, "offset": offset, "is_first": is_first}


def _phase_of_day(key, odometer, restart, changed):
    """0 for a reading of the instrument that a day began with, a large number for one of the instrument that it ended with."""
    first = changed[np.unique(key[changed], return_index=True)[1]]
    at = np.minimum(np.searchsorted(key[first], key), len(first) - 1)
    old, new = odometer[first][at], restart[first][at]
    after = (key[first][at] == key) & (np.abs(odometer - new) < np.abs(odometer - old))
    return np.where(after, 1_000_000, 0)


def _fill_old(code, shown, at):
    """The old instrument's last reading; where it was not written down, the last that was, or else no jump."""
    before = pd.Series(shown).groupby(code).ffill().to_numpy()
    return np.where(np.isnan(before[at]), shown[at + 1], before[at])


def _days(dates):
    """Whole days since 1970 as int64; NaT far in the past."""
    return pd.DatetimeIndex(dates).to_numpy().astype(_DAY).astype(np.int64)


def _dates(days, known):
    out = np.full(len(days), np.datetime64("NaT"), dtype="datetime64[ns]")
    out[known] = days[known].astype(np.int64).astype(_DAY).astype("datetime64[ns]")
    return out


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
        at = self.vehicles.get_indexer(pd.Index(vehicle))
        known = at >= 0
        return np.where(known, self.first[at], 0), np.where(known, self.last[at], 0)

    def code(self):
        """The vehicle's number in every row."""
        return np.repeat(np.arange(len(self.vehicles)), self.last - self.first)


def path_of(readings, column="distance_km"):
    """The `Path` of `readings` (sorted as that function gives them), on distance or on `hours`. A path comes back as it is."""
    if isinstance(readings, Path):
        return readings
    readings = readings[readings[column].notna()]
    value, day = readings[column].to_numpy(), _days(readings["date"])
    offset = value - readings["odometer_km"].to_numpy()
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


def _last_not_above(values, first, last, wanted):
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
    day = _days(date)
    first, last = path.rows(vehicle)
    if not len(path.day):
        return pd.DataFrame({"distance_km": np.nan, "low_km": np.nan, "high_km": np.nan, "is_exact": False}, index=_index(vehicle))
    before = _last_not_above(path.day, first, last, day)
    after = before + 1
    is_before, is_after = (before >= first) & (last > 0), after < last
    before, after = np.where(is_before, before, 0), np.where(is_after, after, 0)
    is_exact = is_before & (path.day[before] == day)
    between = is_before & is_after & ~is_exact
    span = np.where(between, path.day[after] - path.day[before], 1)
    line = path.high[before] + (path.low[after] - path.high[before]) * ((day - path.day[before]) / span)
    columns = {
        "distance_km": np.where(is_exact, path.high[before], np.where(between, line, np.nan)),
        "low_km": np.where(is_exact, path.low[before], np.where(is_before, path.high[before], np.nan)),
        "high_km": np.where(is_exact, path.high[before], np.where(is_after, path.low[after], np.nan)),
        "is_exact": is_exact,
    }
    return pd.DataFrame(columns, index=_index(vehicle))


def _index(vehicle):
    return vehicle.index if isinstance(vehicle, pd.Series) else pd.RangeIndex(len(vehicle))


def hours_at(readings, vehicle, date):
    """As `distance_at`, of the hour meter: frame `hours, low_hours, high_hours, is_exact`."""
    frame = distance_at(path_of(readings, "hours"), vehicle, date)
    return frame.rename(columns={"distance_km": "hours", "low_km": "low_hours", "high_km": "high_hours"})


def date_at(readings, vehicle, distance_km):
    """The first day at whose end each cumulative distance was reached: Series of dates, NaT where it is not yet.

    One that was passed before the first reading is given that reading's day: it was reached no later. For hours give the path of hours.
    """
    path = path_of(readings)
    wanted = np.asarray(distance_km, dtype=float)
    first, last = path.rows(vehicle)
    if not len(path.day):
        return pd.Series(pd.NaT, index=_index(vehicle), dtype="datetime64[ns]")
    # the last day that ends below it; the next day with a reading ends at or above it
    before = _last_not_above(path.high, first, last, np.nextafter(wanted, -np.inf))
    after = before + 1
    reached = (after < last) & ~np.isnan(wanted)
    after = np.where(reached, after, 0)
    before = np.where(reached & (before >= first), before, after)
    rise = path.low[after] - path.high[before]
    inside = (before < after) & (wanted < path.low[after])
    part = np.where(inside, (wanted - path.high[before]) / np.where(inside, rise, 1.0), 1.0)
    # a hair less, so that a distance reached on the very day isn't put off by rounding
    day = path.day[before] + np.ceil(part * (path.day[after] - path.day[before]) - 1e-9)
    return pd.Series(_dates(np.where(reached, day, 0), reached), index=_index(vehicle))


def distance_between(readings, vehicle, start, end):
    """Distance from the end of day `start` to the end of day `end`: frame `distance_km, low_km, high_km`; NaN outside the readings."""
    path = path_of(readings)
    here, there = distance_at(path, vehicle, start), distance_at(path, vehicle, end)
    columns = {
        "distance_km": there["distance_km"] - here["distance_km"],
        "low_km": (there["low_km"] - here["high_km"]).clip(lower=0.0),
        "high_km": there["high_km"] - here["low_km"],
    }
    return pd.DataFrame(columns, index=_index(vehicle))


def to_cumulative(readings, vehicle, date, odometer_km):
    """Cumulative distance of a reading of the instrument that was fitted on that date; NaT is the first instrument.

    On the day of a change it is taken for the instrument that puts it nearer to where the vehicle was. Of a vehicle without readings
    it is the reading itself.
    """
    path = path_of(readings)
    shown, day = np.asarray(odometer_km, dtype=float), _days(date)
    first, last = path.rows(vehicle)
    if not len(path.day):
        return pd.Series(shown, index=_index(vehicle))
    at = _last_not_above(path.day, first, last, day)
    known = (at >= first) & (last > 0)
    at = np.where(known, at, 0)
    after = np.where(known, path.offset[at], 0.0)
    yesterday = np.where(known & (at > first), path.offset[at - 1], 0.0)
    before = np.where(path.day[at] == day, yesterday, after)
    where = path.high[at]
    nearer = np.abs(shown + before - where) < np.abs(shown + after - where)
    return pd.Series(shown + np.where(known & nearer, before, after), index=_index(vehicle))


def odometer_of(readings, vehicle, distance_km):
    """What the instrument shows, or will show, at each cumulative distance, by the latest change known at that distance."""
    path = path_of(readings)
    wanted = np.asarray(distance_km, dtype=float)
    first, last = path.rows(vehicle)
    if not len(path.day):
        return pd.Series(wanted, index=_index(vehicle))
    at = np.maximum(_last_not_above(path.high, first, last, wanted), first)
    return pd.Series(wanted - np.where(last > 0, path.offset[at], 0.0), index=_index(vehicle))


def distance_of(readings, vehicle, date, odometer_km):
    """Cumulative distance of rows that may or may not have a reading of their own: as `distance_at`, exact where they have."""
    path = path_of(readings)
    found = distance_at(path, vehicle, date)
    own = to_cumulative(path, vehicle, date, odometer_km)
    for column in ("distance_km", "low_km", "high_km"):
        found[column] = own.where(own.notna(), found[column])
    found["is_exact"] = found["is_exact"] | own.notna()
    return found


def daily_rate(readings, as_of, days=365, confidence=0.9):
    """Mean distance a day over the trailing `days` that have readings, one row a vehicle.

    Frame `vehicle, rate_km_per_day, low, high, n_readings, last_date, last_km`. The interval takes the variance of the distance
    between two readings to grow with the days between them: t on the number of spans less 1; NaN below two spans. `n_readings`
    counts days with a reading.
    """
    path = path_of(readings)
    end = int(_days([as_of])[0])
    code = path.code()
    last = _last_not_above(path.day, path.first, path.last, np.full(len(path.first), end))
    seen = last >= path.first
    last = np.where(seen, last, path.first)
    start = np.maximum(end - days, path.day[path.first])
    base = distance_at(path, path.vehicles, start.astype(_DAY))["distance_km"].to_numpy()
    inside = (path.day > start[code]) & (path.day <= end)
    opens = inside & ~np.append(False, inside[:-1] & (code[1:] == code[:-1]))[: len(inside)]
    gap = np.where(opens, path.day - start[code], np.diff(path.day, prepend=0))[inside]
    gone = np.where(opens, path.high - base[code], np.diff(path.high, prepend=0.0))[inside]
    code = code[inside]
    n, span, distance, squares = (np.bincount(code, w, len(path.first)) for w in (None, gap, gone, gone**2 / gap))
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = distance / span
        spread = np.sqrt(np.maximum(squares - rate * distance, 0.0) / (n - 1) / span) * stats.t.ppf(0.5 + confidence / 2, n - 1)
    spread = np.where(n >= 2, spread, np.nan)
    columns = {
        "vehicle": pd.Series(path.vehicles, dtype=TEXT),
        "rate_km_per_day": rate,
        "low": np.maximum(rate - spread, 0.0),
        "high": rate + spread,
        "n_readings": np.bincount(path.code()[(path.day >= start[path.code()]) & (path.day <= end)], minlength=len(path.first)),
        "last_date": _dates(path.day[last], seen),
        "last_km": np.where(seen, path.high[last], np.nan),
    }
    return pd.DataFrame(columns)


def gaps(readings, least_days=60, times=3.0):
    """Where the record has holes: spans between readings longer than `least_days` and than `times` the vehicle's own median span.

    Frame `vehicle, start, end, days, km`: no reading after start and before end.
    """
    path = path_of(readings)
    code = path.code()
    days = np.diff(path.day, prepend=0)
    rows = np.flatnonzero(np.append(False, code[1:] == code[:-1])[: len(code)])
    usual = pd.Series(days[rows]).groupby(code[rows]).transform("median").to_numpy()
    rows = rows[days[rows] > np.maximum(least_days, times * usual)]
    columns = {
        "vehicle": pd.Series(path.vehicles[code[rows]], dtype=TEXT),
        "start": _dates(path.day[rows - 1], slice(None)),
        "end": _dates(path.day[rows], slice(None)),
        "days": days[rows],
        "km": path.low[rows] - path.high[rows - 1],
    }
    return pd.DataFrame(columns)


def site_at(log, vehicle, date):
    """Site of each vehicle at each date: its posting then (the latest begun), or else `vehicles.site`. Series of text."""
    home = log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")["site"]
    asked = pd.DataFrame({"vehicle": pd.array(vehicle, dtype=TEXT), "date": np.asarray(date, dtype="datetime64[ns]")})
    asked["site"] = asked["vehicle"].map(home).astype(TEXT)
    posted = log.tables["postings"].dropna(subset=["from"]).sort_values("from", kind="stable")
    pairs = asked.reset_index()[["index", "vehicle", "date"]].merge(posted[["vehicle", "from", "to", "site"]], on="vehicle")
    pairs = pairs[(pairs["from"] <= pairs["date"]) & (pairs["to"].isna() | (pairs["to"] >= pairs["date"])) & pairs["site"].notna()]
    there = pairs.sort_values("from", kind="stable").drop_duplicates("index", keep="last").set_index("index")["site"]
    site = there.reindex(asked.index).fillna(asked["site"])
    return pd.Series(site.array, index=_index(vehicle), dtype=TEXT, name="site")


@dataclass(frozen=True, eq=False)
class _Ramps:
    """Sums, by vehicle, of amounts spread evenly over periods: cumulative at the end of any day."""

    vehicles: pd.Index
    first: np.ndarray
    last: np.ndarray
    day: np.ndarray
    total: np.ndarray
    slope: np.ndarray

    def at(self, vehicle, day):
        code = self.vehicles.get_indexer(pd.Index(vehicle))
        if not len(self.day):
            return np.zeros((len(code), self.total.shape[1]))
        first, last = (np.where(code >= 0, rows[code], 0) for rows in (self.first, self.last))
        row = _last_not_above(self.day, first, last, day)
        begun = (row >= first) & (last > 0)
        row = np.where(begun, row, 0)
        return np.where(begun[:, None], self.total[row] + self.slope[row] * (day - self.day[row])[:, None], 0.0)


def _ramps(vehicle, start, end, amount):
    """`_Ramps` of periods from the end of day `start` to the end of day `end` (int days, start < end) with amounts (rows x columns)."""
    code, vehicles = pd.factorize(pd.array(vehicle, dtype=TEXT))
    rate = amount / (end - start)[:, None]
    who, when = np.tile(code, 2), np.concatenate([start, end])
    order = np.lexsort((when, who))
    who, when, change = who[order], when[order], np.concatenate([rate, -rate])[order]
    first = np.searchsorted(who, np.arange(len(vehicles)))
    last = np.append(first[1:], len(who))[: len(first)]
    slope = pd.DataFrame(change).groupby(who).cumsum().to_numpy().reshape(len(who), amount.shape[1])
    step = np.diff(when, prepend=0)
    step[first] = 0
    grown = np.vstack([np.zeros((1, amount.shape[1])), slope[:-1]])[: len(who)] * step[:, None]
    total = pd.DataFrame(grown).groupby(who).cumsum().to_numpy().reshape(grown.shape)
    return _Ramps(pd.Index(vehicles), first, last, when, total, slope)


def _merged(vehicle, begin, until):
    """(vehicle, begin, until) of the stretches that overlapping or touching periods make together."""
    rows = pd.DataFrame({"vehicle": vehicle.array, "begin": begin, "until": until})
    rows = rows[rows["begin"] < rows["until"]].sort_values(["vehicle", "begin"], kind="stable")
    so_far = rows.groupby("vehicle")["until"].cummax()
    apart = (rows["vehicle"] != rows["vehicle"].shift()) | (rows["begin"] > so_far.shift())
    stretch = rows.groupby(apart.cumsum().to_numpy()).agg({"vehicle": "first", "begin": "min", "until": "max"})
    return stretch["vehicle"], stretch["begin"].to_numpy(), stretch["until"].to_numpy()


def layup_days(log, vehicle, start, end):
    """Days laid up after the end of day `start` and not after `end`, overlaps counted once: Series; a lay-up without an end runs on."""
    rows = log.tables["layups"].dropna(subset=["from"])
    until = np.where(rows["to"].isna(), _FAR, _days(rows["to"]))
    who, begin, until = _merged(rows["vehicle"], _days(rows["from"]) - 1, until)
    ramps = _ramps(who, begin, until, (until - begin)[:, None].astype(float))
    spent = ramps.at(vehicle, _days(end)) - ramps.at(vehicle, _days(start))
    return pd.Series(spent[:, 0], index=_index(vehicle), name="layup_days").round().astype(int)


def use_shares(log_or_use, readings, vehicle, start, end):
    """What the distance after the end of day `start` and not after `end` was like: one row a (vehicle, start, end).

    log_or_use: a log, or its table `use` in SI. Frame `coverage_share`, the share of the distance driven that rows of `use` tell of;
    each kind of use as a share of the distance whose share is known (NaN where none is); and how much of the distance driven that is,
    `loose_coverage_share` and so on. A row's distance is its own or, where blank, that of the readings, spread evenly over its days.
    Time before the first reading or after the last counts in neither; where nothing was driven by readings, coverage is by days.
    """
    path = path_of(readings)
    use = (log_or_use.si("use") if hasattr(log_or_use, "si") else log_or_use).dropna(subset=["from", "to"])
    begin, until = _days(use["from"]) - 1, _days(use["to"])
    who, known = use["vehicle"], until > begin
    own = use["distance_km"].to_numpy(dtype=float)
    weight = np.where(np.isnan(own), _driven(path, who, begin, until), own)
    share = use[list(SHARES)].to_numpy(dtype=float)
    told = ~np.isnan(share)
    days = (until - begin).astype(float)
    amounts = np.column_stack([days, weight, told * weight[:, None], np.where(told, share, 0.0) * weight[:, None]])
    ramps = _ramps(who[known], begin[known], until[known], np.nan_to_num(amounts[known]))
    first, last = _days(start), _days(end)
    inner = _inside(path, vehicle, first, last)
    sums = ramps.at(vehicle, inner[1]) - ramps.at(vehicle, inner[0])
    driven = _driven(path, vehicle, *inner)
    by_days = (ramps.at(vehicle, last) - ramps.at(vehicle, first))[:, 0] / np.maximum(last - first, 1)
    n = len(SHARES)
    with np.errstate(invalid="ignore", divide="ignore"):
        cover = np.minimum(sums[:, 1 : 2 + n] / driven[:, None], 1.0)
        mean = sums[:, 2 + n :] / sums[:, 2 : 2 + n]
    cover[:, 0] = np.where(driven > 0, cover[:, 0], np.minimum(by_days, 1.0))
    names = ["coverage_share", *SHARES, *(f"{name}_coverage_share" for name in SHARES)]
    return pd.DataFrame(np.column_stack([cover[:, 0], mean, cover[:, 1:]]), columns=names, index=_index(vehicle))


def _inside(path, vehicle, start, end):
    """(start, end) as int days, cut to the vehicle's readings; end = start where none of it is inside."""
    first, last = path.rows(vehicle)
    if not len(path.day):
        return start, start
    begin = np.where(last > 0, np.maximum(start, path.day[first]), start)
    stop = np.where(last > 0, np.minimum(end, path.day[last - 1]), start)
    return begin, np.maximum(begin, stop)


def _driven(path, vehicle, start, end):
    """Distance between int days, of the part that lies inside the readings; 0 where none does."""
    begin, stop = _inside(path, vehicle, start, end)
    return distance_between(path, vehicle, begin.astype(_DAY), stop.astype(_DAY))["distance_km"].fillna(0.0).to_numpy()
