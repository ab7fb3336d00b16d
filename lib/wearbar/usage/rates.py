"""How vehicles are used: rates, gaps in the record, sites, lay-ups, what the distance was like."""

import numpy as np
import pandas as pd
from scipy import sparse, stats

from wearbar.log.keys import look_up
from wearbar.log.schema import SHARES, TEXT
from wearbar.stats.recurrence import merged
from wearbar.usage.distance import as_dates, bounds_at, days_of, distance_at, index_of, log_path

_DAY, GAP_DAYS = "datetime64[D]", 60
_FAR = np.datetime64("2262-01-01", "D").astype(np.int64)


def daily_rate(path, as_of, days=365, confidence=0.9):
    """Mean distance a day over the trailing `days` that have readings, one row a vehicle: frame
    `vehicle, rate_km_per_day, high` (upper limit), `last_date, last_km`. The variance between
    readings is taken to grow with the days: t on the number of spans less 1; no limit below two."""
    end, code = int(days_of([as_of])[0]), path.code()
    start = np.maximum(end - days, path.day[path.first])
    base = distance_at(path, path.vehicles, start.astype(_DAY))["distance_km"].to_numpy()
    inside = (path.day > start[code]) & (path.day <= end)
    code, day, high = code[inside], path.day[inside], path.high[inside]
    opens = np.diff(code, prepend=-1) != 0
    gap = np.where(opens, day - start[code], np.diff(day, prepend=0))
    gone = np.where(opens, high - base[code], np.diff(high, prepend=0.0))
    squares = gone**2 / gap
    sums = (np.bincount(code, values, len(start)) for values in (None, gap, gone, squares))
    n, span, distance, squares = sums
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = distance / span
        variance = np.maximum(squares - rate * distance, 0.0) / (n - 1) / span
        spread = np.sqrt(variance) * stats.t.ppf(0.5 + confidence / 2, n - 1)
    last, _ = path.around("day", path.vehicles, np.full(len(start), end))
    found = pd.DataFrame({"vehicle": pd.Series(path.vehicles, dtype=TEXT), "rate_km_per_day": rate})
    found["high"] = rate + np.where(n >= 2, spread, np.nan)
    found["last_date"], found["last_km"] = as_dates(path.get("day", last)), path.get("high", last)
    return found


def gaps(path):
    """Spans between readings longer than `GAP_DAYS` and than three times the vehicle's median span:
    frame `vehicle, start, end, days, km`, no reading after start and before end."""
    code, days = path.code(), np.diff(path.day, prepend=0)
    rows = np.flatnonzero(np.diff(code, prepend=-1) == 0)
    usual = pd.Series(days[rows]).groupby(code[rows]).transform("median").to_numpy()
    rows = rows[days[rows] > np.maximum(GAP_DAYS, 3.0 * usual)]
    found = pd.DataFrame({"vehicle": pd.Series(path.vehicles[code[rows]], dtype=TEXT)})
    found["start"], found["end"] = as_dates(path.day[rows - 1]), as_dates(path.day[rows])
    return found.assign(days=days[rows], km=path.low[rows] - path.high[rows - 1])


def site_at(log, vehicle, date):
    """Site of each vehicle at each date, or at one: its latest posting, or else `vehicles.site`."""
    vehicle_of = pd.Series(pd.array(vehicle, dtype=TEXT), name="vehicle")
    site, posted = look_up(vehicle_of, log.vehicles["site"]), log.tables["postings"]
    if len(posted):
        posted = posted.dropna(subset=["from", "site"])
        date = np.broadcast_to(np.asarray(date, dtype="datetime64[ns]"), len(site))
        asked = vehicle_of.to_frame().assign(date=date).reset_index()
        both = asked.merge(posted[["vehicle", "from", "to", "site"]], on="vehicle")
        both = both[(both["from"] <= both["date"]) & ~(both["to"] < both["date"])]
        both = both.sort_values("from", kind="stable").drop_duplicates("index", keep="last")
        site = both.set_index("index")["site"].reindex(site.index).fillna(site)
    return pd.Series(site.array, index=index_of(vehicle), dtype=TEXT, name="site")


def layup_days(log, vehicle, start, end, reasons=()):
    """Days in storage after the end of day `start` and not after `end`, counted once: Series;
    a lay-up without an end runs on. reasons: of the lay-ups that count, none is all."""
    rows = log.tables["layups"]
    rows = rows[rows["from"].notna()]
    rows = rows[rows["reason"].isin(reasons)] if reasons else rows
    if rows.empty:
        return pd.Series(0, index_of(vehicle), name="layup_days")
    until = np.where(rows["to"].isna(), _FAR, days_of(rows["to"]))
    stays = merged(rows["vehicle"], days_of(rows["from"]) - 1, until)
    length = stays[2] - stays[1]
    spent = _shared_out(*stays, length[:, None], vehicle, days_of(start), days_of(end))[:, 0]
    return pd.Series(spent, index=index_of(vehicle), name="layup_days").round().astype(int)


def _shared_out(who, begin, until, amounts, vehicle, start, end):
    """What falls after the end of day `start` and not after `end` (one row a `vehicle`) of amounts
    (rows x columns) of `who`, each spread evenly from the end of day `begin` to that of `until`."""
    periods = pd.DataFrame({"vehicle": pd.array(who, dtype=TEXT), "period": np.arange(len(who))})
    asked = pd.DataFrame({"vehicle": pd.array(vehicle, dtype=TEXT), "row": np.arange(len(vehicle))})
    row, period = asked.merge(periods, on="vehicle")[["row", "period"]].to_numpy().T
    begin, until, start, end = (day.astype(float) for day in (begin, until, start, end))
    inside = np.minimum(end[row], until[period]) - np.maximum(start[row], begin[period])
    share = inside.clip(0) / np.maximum(until - begin, 1)[period]
    return sparse.csr_matrix((share, (row, period)), (len(asked), len(periods))) @ amounts


def use_shares(log, vehicle, start, end, use=None):
    """What the distance after the end of day `start` and not after `end` was like: one row each.

    Frame `coverage_share`, the share of the distance driven that rows of `use` tell of (of the
    days, where none was driven); each kind of use as a share of the distance whose share is known
    (NaN where none is); and how much of the distance driven that is, `loose_coverage_share` and so
    on. A row's distance is its own or else that of the readings, spread evenly over its days. use:
    rows in place of the table's, with kinds of their own after vehicle, from, to, distance_km."""
    kinds = SHARES if use is None else use.columns[4:]
    path, use = log_path(log), (log.si("use") if use is None else use).dropna(subset=["from", "to"])
    periods = use["vehicle"], days_of(use["from"]) - 1, days_of(use["to"])
    own, share = use["distance_km"].to_numpy(dtype=float), use[[*kinds]].to_numpy(dtype=float)
    weight = np.where(np.isnan(own), driven(path, *periods), own)[:, None]
    amounts = np.hstack([weight, ~np.isnan(share) * weight, np.nan_to_num(share) * weight])
    first, last = days_of(start), days_of(end)
    inner = within_readings(path, vehicle, first, last)
    sums, n = _shared_out(*periods, amounts, vehicle, *inner), len(kinds) + 1
    gone = driven(path, vehicle, *inner)
    with np.errstate(invalid="ignore", divide="ignore"):
        cover, mean = np.minimum(sums[:, :n] / gone[:, None], 1.0), sums[:, n:] / sums[:, 1:n]
    still, days = gone == 0, (periods[2] - periods[1])[:, None]
    asked = pd.Index(vehicle)[still], first[still], last[still]
    days = _shared_out(*periods, days, *asked)[:, 0] / np.maximum(last - first, 1)[still]
    cover[still, 0] = np.minimum(days, 1.0)
    names = ["coverage_share", *kinds, *(f"{name}_coverage_share" for name in kinds)]
    found = np.hstack([cover[:, :1], mean, np.nan_to_num(cover[:, 1:])])
    return pd.DataFrame(found, index_of(vehicle), names)


def within_readings(path, vehicle, start, end):
    """(start, end) as int days, cut to the vehicle's readings; end = start where none is inside."""
    (first, last), day = path.rows(vehicle), np.append(path.day, 0)
    begin = np.where(last > 0, np.maximum(start, day[first]), start)
    stop = np.where(last > 0, np.minimum(end, day[last - 1]), start)
    return begin, np.maximum(begin, stop)


def driven(path, vehicle, start, end):
    """Distance between int days, of the part that lies inside the readings; 0 where none does."""
    days = within_readings(path, vehicle, start, end)
    before, after = (bounds_at(path, vehicle, day)[0] for day in days)
    return np.nan_to_num(after - before)
