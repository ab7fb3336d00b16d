"""How vehicles are used: distance as a function of date, rates, gaps in the record, sites, lay-ups, and what the distance was like."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.log.plan import SHARES
from wearbar.log.schema import TEXT
from wearbar.usage.distance import (
    dates_of,
    days_of,
    distance_at,
    distance_between,
    index_of,
    last_not_above,
    numbers_of,
    path_of,
)

__all__ = ["daily_rate", "gaps", "layup_days", "merged", "site_at", "use_shares"]

_DAY = "datetime64[D]"
_FAR = np.datetime64("2262-01-01", "D").astype(np.int64)


def daily_rate(readings, as_of, days=365, confidence=0.9):
    """Mean distance a day over the trailing `days` that have readings, one row a vehicle.

    Frame `vehicle, rate_km_per_day, low, high, n_readings, last_date, last_km`. The interval takes the variance of the distance
    between two readings to grow with the days between them: t on the number of spans less 1; NaN below two spans. `n_readings`
    counts days with a reading.
    """
    path = path_of(readings)
    end = int(days_of([as_of])[0])
    code = path.code()
    last = last_not_above(path.day, path.first, path.last, np.full(len(path.first), end))
    seen = last >= path.first
    last = np.where(seen, last, path.first)
    start = np.maximum(end - days, path.day[path.first])
    base = distance_at(path, path.vehicles, start.astype(_DAY))["distance_km"].to_numpy()
    inside = (path.day > start[code]) & (path.day <= end)
    opens = inside & ~np.append(False, inside[:-1] & (code[1:] == code[:-1]))[: len(inside)]
    gap = np.where(opens, path.day - start[code], np.diff(path.day, prepend=0))[inside]
    gone = np.where(opens, path.high - base[code], np.diff(path.high, prepend=0.0))[inside]
    code = code[inside]
    n, span, distance, squares = (
        np.bincount(code, w, len(path.first)) for w in (None, gap, gone, gone**2 / gap)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = distance / span
        spread = np.sqrt(np.maximum(squares - rate * distance, 0.0) / (n - 1) / span) * stats.t.ppf(
            0.5 + confidence / 2, n - 1
        )
    spread = np.where(n >= 2, spread, np.nan)
    columns = {
        "vehicle": pd.Series(path.vehicles, dtype=TEXT),
        "rate_km_per_day": rate,
        "low": np.maximum(rate - spread, 0.0),
        "high": rate + spread,
        "n_readings": np.bincount(
            path.code()[(path.day >= start[path.code()]) & (path.day <= end)],
            minlength=len(path.first),
        ),
        "last_date": dates_of(path.day[last], seen),
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
        "start": dates_of(path.day[rows - 1], slice(None)),
        "end": dates_of(path.day[rows], slice(None)),
        "days": days[rows],
        "km": path.low[rows] - path.high[rows - 1],
    }
    return pd.DataFrame(columns)


def site_at(log, vehicle, date):
    """Site of each vehicle at each date: its posting then (the latest begun), or else `vehicles.site`. Series of text."""
    home = log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")["site"]
    asked = pd.DataFrame(
        {"vehicle": pd.array(vehicle, dtype=TEXT), "date": np.asarray(date, dtype="datetime64[ns]")}
    )
    asked["site"] = asked["vehicle"].map(home).astype(TEXT)
    posted = log.tables["postings"].dropna(subset=["from"]).sort_values("from", kind="stable")
    pairs = asked.reset_index()[["index", "vehicle", "date"]].merge(
        posted[["vehicle", "from", "to", "site"]], on="vehicle"
    )
    pairs = pairs[
        (pairs["from"] <= pairs["date"])
        & (pairs["to"].isna() | (pairs["to"] >= pairs["date"]))
        & pairs["site"].notna()
    ]
    there = (
        pairs.sort_values("from", kind="stable")
        .drop_duplicates("index", keep="last")
        .set_index("index")["site"]
    )
    site = there.reindex(asked.index).fillna(asked["site"])
    return pd.Series(site.array, index=index_of(vehicle), dtype=TEXT, name="site")


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
        code = numbers_of(self.vehicles, vehicle)
        if not len(self.day):
            return np.zeros((len(code), self.total.shape[1]))
        first, last = (np.append(rows, 0)[code] for rows in (self.first, self.last))
        row = last_not_above(self.day, first, last, day)
        begun = (row >= first) & (last > 0)
        row = np.where(begun, row, 0)
        return np.where(
            begun[:, None], self.total[row] + self.slope[row] * (day - self.day[row])[:, None], 0.0
        )


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
    grown = np.vstack([np.zeros((1, amount.shape[1])), slope[:-1]])[: len(who)] * step[:, None]
    total = pd.DataFrame(grown).groupby(who).cumsum().to_numpy().reshape(grown.shape)
    return _Ramps(pd.Index(vehicles), first, last, when, total, slope)


def merged(vehicle, begin, until):
    """(vehicle, begin, until) of the stretches that overlapping or touching periods make together, sorted; int days, begin left out."""
    rows = pd.DataFrame({"vehicle": vehicle.array, "begin": begin, "until": until})
    rows = rows[rows["begin"] < rows["until"]].sort_values(["vehicle", "begin"], kind="stable")
    so_far = rows.groupby("vehicle")["until"].cummax()
    apart = (rows["vehicle"] != rows["vehicle"].shift()) | (rows["begin"] > so_far.shift())
    stretch = rows.groupby(apart.cumsum().to_numpy()).agg(
        {"vehicle": "first", "begin": "min", "until": "max"}
    )
    return stretch["vehicle"], stretch["begin"].to_numpy(), stretch["until"].to_numpy()


def layup_days(log, vehicle, start, end):
    """Days laid up after the end of day `start` and not after `end`, overlaps counted once: Series; a lay-up without an end runs on."""
    rows = log.tables["layups"].dropna(subset=["from"])
    until = np.where(rows["to"].isna(), _FAR, days_of(rows["to"]))
    who, begin, until = merged(rows["vehicle"], days_of(rows["from"]) - 1, until)
    ramps = _ramps(who, begin, until, (until - begin)[:, None].astype(float))
    spent = ramps.at(vehicle, days_of(end)) - ramps.at(vehicle, days_of(start))
    return pd.Series(spent[:, 0], index=index_of(vehicle), name="layup_days").round().astype(int)


def use_shares(log_or_use, readings, vehicle, start, end):
    """What the distance after the end of day `start` and not after `end` was like: one row a (vehicle, start, end).

    log_or_use: a log, or its table `use` in SI. Frame `coverage_share`, the share of the distance driven that rows of `use` tell of;
    each kind of use as a share of the distance whose share is known (NaN where none is); and how much of the distance driven that is,
    `loose_coverage_share` and so on. A row's distance is its own or, where blank, that of the readings, spread evenly over its days.
    Time before the first reading or after the last counts in neither; where nothing was driven by readings, coverage is by days.
    """
    path = path_of(readings)
    use = (log_or_use.si("use") if hasattr(log_or_use, "si") else log_or_use).dropna(
        subset=["from", "to"]
    )
    begin, until = days_of(use["from"]) - 1, days_of(use["to"])
    who, known = use["vehicle"], until > begin
    own = use["distance_km"].to_numpy(dtype=float)
    weight = np.where(np.isnan(own), _driven(path, who, begin, until), own)
    kinds = [name for name in SHARES if use[name].notna().any()]
    share = use[kinds].to_numpy(dtype=float)
    told = ~np.isnan(share)
    amounts = np.column_stack(
        [
            until - begin,
            weight,
            told * weight[:, None],
            np.where(told, share, 0.0) * weight[:, None],
        ]
    )
    ramps = _ramps(who[known], begin[known], until[known], amounts[known])
    first, last = days_of(start), days_of(end)
    inner = _inside(path, vehicle, first, last)
    sums = ramps.at(vehicle, inner[1]) - ramps.at(vehicle, inner[0])
    driven, n = _driven(path, vehicle, *inner), len(kinds)
    with np.errstate(invalid="ignore", divide="ignore"):
        cover = np.minimum(sums[:, 1 : 2 + n] / driven[:, None], 1.0)
        mean = sums[:, 2 + n :] / sums[:, 2 : 2 + n]
    still = driven == 0
    asked = pd.Index(vehicle)[still]
    days = ramps.at(asked, last[still]) - ramps.at(asked, first[still])
    cover[still, 0] = np.minimum(days[:, 0] / np.maximum(last - first, 1)[still], 1.0)
    covers = [f"{name}_coverage_share" for name in SHARES]
    found = pd.DataFrame(
        np.column_stack([cover, mean]),
        columns=["coverage_share", *(f"{k}_coverage_share" for k in kinds), *kinds],
    )
    found = found.reindex(columns=["coverage_share", *SHARES, *covers]).fillna(
        dict.fromkeys(covers, 0.0)
    )
    return found.set_axis(index_of(vehicle))


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
    return (
        distance_between(path, vehicle, begin.astype(_DAY), stop.astype(_DAY))["distance_km"]
        .fillna(0.0)
        .to_numpy()
    )
